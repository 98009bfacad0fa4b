"""What a sound file's own header says of its length, and whether that can be true."""

from __future__ import annotations

import io
import os
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import IO

__all__ = ["CUT_SHORT", "View", "WavLayout", "ogg_has_end", "wav_layout"]

CUT_SHORT = "the file is cut short: read to its last whole sample"
NEVER_FINISHED = "its header was never finished: read to its last whole sample"
WRONG_LENGTH = "its header states a wrong length: read to its last whole sample"


@dataclass(frozen=True, slots=True)
class WavLayout:
    """Where the sound of a WAV file lies; if its header is wrong, `note` says so and `head` is right."""

    container: str
    data_at: int
    head: bytes = b""
    note: str = ""


def wav_layout(file: IO[bytes], size: int) -> WavLayout | None:
    """Read the chunks of a RIFF or RF64 file up to its sound.

    Parameters
    ----------
    file : binary file
        Open for reading.
    size : int
        Its length in bytes.

    Returns
    -------
    WavLayout or None
        Where the sound lies; None if there is no sound in it.

    Examples
    --------
    A recorder that stopped before it could write the length, which it had left at 0:

    >>> fmt = struct.pack("<4sIHHIIHH", b"fmt ", 16, 1, 1, 48000, 96000, 2, 16)
    >>> data = b"RIFF" + bytes(4) + b"WAVE" + fmt + b"data" + bytes(4) + b"sound it took"
    >>> layout = wav_layout(io.BytesIO(data), len(data))
    >>> layout.data_at, layout.note
    (44, 'its header was never finished: read to its last whole sample')
    """
    file.seek(0)
    kind, _, form = struct.unpack("<4sI4s", file.read(12).ljust(12, b"\0"))
    if form != b"WAVE":
        return None
    fmt, long_bytes = b"", 0
    at = 12
    while True:
        file.seek(at)
        chunk = file.read(8)
        if len(chunk) < 8:
            return None
        name, length = struct.unpack("<4sI", chunk)
        at += 8
        if name == b"data":
            break
        if name == b"fmt ":
            fmt = file.read(min(length, 64))
        elif name == b"ds64":
            _, long_bytes = struct.unpack("<QQ", file.read(16).ljust(16, b"\0"))
        at += length + length % 2
    if len(fmt) < 16:
        return None
    if kind == b"RF64" and length == 0xFFFFFFFF:
        length = long_bytes
    there, align = size - at, max(struct.unpack_from("<H", fmt, 12)[0], 1)
    note = ""
    if length == 0 or (length > there and length >= 0x7FFF0000):
        note = NEVER_FINISHED
    elif length > there:
        note = CUT_SHORT
    elif not _ends_or_chunk(file, at + length + length % 2, size):
        note = WRONG_LENGTH
    container = kind.decode().replace("RIFF", "WAV")
    if not note:
        return WavLayout(container, at)
    whole = there // align * align
    ds64 = struct.pack("<4sIQQQI", b"ds64", 28, whole + len(fmt) + 80, whole, whole // align, 0)
    head = struct.pack("<4sI4s", b"RF64", 0xFFFFFFFF, b"WAVE") + ds64
    head += struct.pack("<4sI", b"fmt ", len(fmt)) + fmt + struct.pack("<4sI", b"data", 0xFFFFFFFF)
    return WavLayout(container, at, head, note)


def _ends_or_chunk(file: IO[bytes], at: int, size: int) -> bool:
    """Tell whether the file ends at `at`, or goes on there with something that looks like a chunk."""
    file.seek(min(at, size))
    after = file.read(8)
    return len(after) < 8 or all(0x20 <= byte < 0x7F for byte in after[:4])


def ogg_has_end(file: IO[bytes], size: int) -> bool:
    """Tell whether the last page of an Ogg file says that it is the last (RFC 3533, section 6).

    Parameters
    ----------
    file : binary file
        Open for reading.
    size : int
        Its length in bytes.

    Returns
    -------
    bool
        Whether it is whole.

    Examples
    --------
    >>> ogg_has_end(io.BytesIO(b"OggS" + bytes([0, 4]) + bytes(21)), 27)
    True
    """
    file.seek(max(size - 65536 - 512, 0))  # no page is longer
    tail = file.read()
    page = tail.rfind(b"OggS")
    return 0 <= page < len(tail) - 5 and bool(tail[page + 5] & 4)


class View(io.RawIOBase):
    """A file as libsndfile is to see it: some other bytes in place of its first ones.

    It carries no name, so that nothing can be concluded from an extension.
    """

    def __init__(self, path: Path, prefix: bytes = b"", skip: int = 0) -> None:
        self._file = path.open("rb")
        self._prefix, self._skip = prefix, skip
        self._at = 0
        self._size = os.fstat(self._file.fileno()).st_size - skip + len(prefix)

    def readinto(self, buffer: bytearray) -> int:  # type: ignore[override]
        """Fill `buffer` from here on and return the number of bytes."""
        if self._at < len(self._prefix):
            piece = self._prefix[self._at : self._at + len(buffer)]
            buffer[: len(piece)] = piece
            count = len(piece)
        else:
            self._file.seek(self._at - len(self._prefix) + self._skip)
            count = self._file.readinto(buffer)
        self._at += count
        return count

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Go to a byte."""
        self._at = offset + (0, self._at, self._size)[whence]
        return self._at

    def tell(self) -> int:
        """Return the byte that is read next."""
        return self._at

    def close(self) -> None:
        """Close the file below."""
        self._file.close()
        super().close()
