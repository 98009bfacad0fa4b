"""Sound in: whatever a phone or a recorder wrote, as one channel of numbers in blocks.

The content decides how a file is decoded, never its name. WAV, AIFF, FLAC and Ogg Vorbis go through
libsndfile; everything else (m4a, 3gp, amr, mp3, opus, webm, caf, the sound of a video), and what
libsndfile cannot finish, goes through FFmpeg. mp3 goes through FFmpeg too, so that all lossy phone
formats have one named decoder. Nothing is resampled and channels are never mixed. The file is opened
for reading only, and held open only while blocks are being taken from it.

Sample 0 is the first sample that was recorded: the start delay of a codec is taken off. Where a file
states that delay, the decoder has already taken it off; where it does not, the least delay of that
codec is taken off here, and a note says so.
"""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from taptone.edges.channels import TapToNoise
from taptone.edges.decoders import COPY_AGAIN, Source, ends_early, source_of, unreadable
from taptone.errors import SoundError
from taptone.types import Recording

__all__ = ["SoundFile", "open_sound"]

Samples = NDArray[np.float32]

_LOWEST_HZ, _HIGHEST_HZ = 8_000, 192_000
#: Times full scale. Files of floating point may go over it, but 40 dB over it is damage, or another scale.
_LOUDEST = 100.0


def open_sound(path: str | os.PathLike[str], *, channel: int | None = None) -> SoundFile:
    """Open a recording for listening.

    A file of one channel in WAV, FLAC or Ogg is known from its header, and whether it is silent shows
    when its blocks are taken. A file of several channels, or of a codec whose header cannot be
    trusted, is decoded once here.

    Parameters
    ----------
    path : str or path-like
        The sound file. It is never written to.
    channel : int, optional
        The channel to listen to, counted from 1. By default the one with the best tap-to-noise ratio
        (99.5th over 20th percentile of the energy in frames of 5 ms); a tie goes to the first.

    Returns
    -------
    SoundFile
        The sound, and what is known of the recording.

    Raises
    ------
    SoundError
        If there is no such file, or it cannot be read, or holds no sound.

    Examples
    --------
    >>> import soundfile, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     soundfile.write(f"{folder}/row.wav", [0.0, 0.5, -0.25, 0.0], 48000)
    ...     sound = open_sound(f"{folder}/row.wav")
    ...     (block,) = sound.blocks()
    >>> sound.recording.rate_hz, sound.recording.samples, sound.recording.codec
    (48000, 4, 'PCM_16')
    >>> block.tolist()
    [0.0, 0.5, -0.25, 0.0]
    """
    file = Path(path)
    size = _checked_size(file)
    sha256 = _sha256(file)
    source = source_of(file, size)
    if not _LOWEST_HZ <= source.rate_hz <= _HIGHEST_HZ:
        raise SoundError(f"{file} is sampled at {source.rate_hz} Hz", hint="record at 8 to 192 kHz")
    if channel is not None and not 1 <= channel <= source.channels:
        raise SoundError(
            f"{file} has {source.channels} channel{'s' * (source.channels > 1)}, not a channel {channel}",
            hint=f"choose a channel from 1 to {source.channels}",
        )
    choose = channel is None and source.channels > 1
    chosen = channel or 1
    how: list[str] = []
    if source.samples is None or choose:
        heard = _listen(file, source)
        source.samples = heard.samples
        if choose:
            chosen, how = _best_channel(heard.ratios_db)
    elif channel is not None and source.channels > 1:
        how = [f"channel {channel} of {source.channels}, as asked"]
    if not source.samples:
        raise SoundError(f"{file} holds no samples", hint=COPY_AGAIN)
    recording = Recording(
        name=file.name,
        sha256=sha256,
        rate_hz=source.rate_hz,
        samples=source.samples,
        channels=source.channels,
        channel=chosen,
        container=source.container,
        codec=source.codec,
        decoder=source.decoder,
        notes=(*source.notes, *source.damage, *how),
    )
    return SoundFile(file, recording, source)


class SoundFile:
    """One channel of a sound file. Made by :func:`open_sound`.

    Attributes
    ----------
    recording : Recording
        What is known of the file.
    """

    def __init__(self, path: Path, recording: Recording, source: Source) -> None:
        self.recording = recording
        self._path = path
        self._source = source

    def __repr__(self) -> str:
        return f"SoundFile({self.recording.name!r}, {self.recording.rate_hz} Hz)"

    def blocks(self) -> Iterator[Samples]:
        """Yield the samples in order, from the start each time it is called.

        Yields
        ------
        ndarray of float32, shape (n,)
            Full scale ±1; `n` is about 65536, less at the end. Together `recording.samples` long.

        Raises
        ------
        SoundError
            If the file cannot be decoded to its end, or a sample is not finite or no level that a recorder
            can have written; after the last block, if every sample was exactly zero.
        """
        silent, done = True, 0
        for _, block in self._source.decode():
            mono = np.ascontiguousarray(block[self.recording.channel - 1])
            _check_samples(self._path, mono, done, self.recording.rate_hz)
            silent = silent and not mono.any()
            done += mono.size
            yield mono
        if done != self.recording.samples:
            raise ends_early(self._path, done / self.recording.rate_hz)
        if silent:
            raise _silent(self._path)

    def clip(self, start: int, stop: int) -> Samples:
        """Return samples `start` to `stop` (exclusive), bit-equal to what :meth:`blocks` yields there.

        Lossless files are entered at `start`; a lossy file is decoded from its beginning, because its
        samples depend on what came before them.

        Parameters
        ----------
        start, stop : int
            Sample numbers, ``0 <= start <= stop <= recording.samples``.

        Returns
        -------
        ndarray of float32, shape (stop - start,)
            The samples.

        Raises
        ------
        ValueError
            If the numbers lie outside the recording.
        SoundError
            If the file cannot be decoded that far.
        """
        if not 0 <= start <= stop <= self.recording.samples:
            raise ValueError(f"no samples {start} to {stop} in a recording of {self.recording.samples}")
        if start == stop:
            return np.zeros(0, np.float32)
        row, wanted, at = self.recording.channel - 1, stop - start, 0
        pieces: list[Samples] = []
        for first, block in self._source.decode(start):
            piece = block[row, max(start - first, 0) : stop - first]
            pieces.append(piece)
            at += piece.size
            if at >= wanted:
                break
        if at < wanted:
            raise ends_early(self._path, (start + at) / self.recording.rate_hz)
        return np.concatenate(pieces)


# -- the file as it lies there -------------------------------------------------------------------------


def _checked_size(path: Path) -> int:
    """Return the size in bytes of what must be a plain, readable file."""
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise SoundError(f"{path} is a folder", hint="name the sound files inside it")
        if not stat.S_ISREG(status.st_mode):
            raise SoundError(f"{path} is not a file", hint="name a sound file")
        with path.open("rb"):
            pass
    except FileNotFoundError as error:
        raise SoundError(f"there is no file {path}", hint="check the name and the folder") from error
    except OSError as error:
        raise unreadable(path, error) from error
    if status.st_size == 0:
        raise SoundError(f"{path} is empty", hint=COPY_AGAIN)
    return status.st_size


def _sha256(path: Path) -> str:
    """Return the SHA-256 of the file as it is, in hexadecimal."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise unreadable(path, error) from error


def _silent(path: Path) -> SoundError:
    return SoundError(
        f"{path} is silent: every sample is zero",
        hint="check that the microphone was allowed and not muted, and record again",
    )


def _check_samples(path: Path, mono: Samples, first: int, rate_hz: int) -> None:
    sound = np.abs(mono) <= _LOUDEST  # nor is what is no number
    if sound.all():
        return
    at = int(np.argmin(sound))
    where = f"at {(first + at) / rate_hz:.3f} s"
    if not np.isfinite(mono[at]):
        raise SoundError(f"{path} holds a sample that is not a finite number {where}", hint=COPY_AGAIN)
    raise SoundError(
        f"{path} holds a sample {abs(mono[at]):.3g} times full scale {where}",
        hint=f"save it with full scale at 1, or {COPY_AGAIN}",
    )


# -- which channel -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Heard:
    samples: int
    ratios_db: tuple[float, ...]


def _listen(path: Path, source: Source) -> _Heard:
    """Decode once from end to end, for the length and how far taps stand out in each channel."""
    ratios = TapToNoise(source.channels, source.rate_hz)
    samples, sounding = 0, False
    for _, block in source.decode():
        samples += block.shape[1]
        sounding = sounding or bool(block.any())
        ratios.add(block)
    if samples and not sounding:
        raise _silent(path)
    return _Heard(samples, ratios.in_db())


def _best_channel(ratios_db: tuple[float, ...]) -> tuple[int, list[str]]:
    """Return the channel with the largest ratio, counted from 1, and a note on all of them."""
    best = int(np.argmax(ratios_db)) + 1
    each = ", ".join(f"{number}: {ratio:.1f} dB" for number, ratio in enumerate(ratios_db, start=1))
    return best, [f"channel {best} of {len(ratios_db)} has the best tap-to-noise ratio ({each})"]
