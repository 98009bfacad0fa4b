"""The two decoders: libsndfile and FFmpeg, each as blocks of all channels from the first recorded sample."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Protocol

import av
import numpy as np
import soundfile as sf
from av.audio.frame import AudioFrame
from av.audio.stream import AudioStream
from av.codec.context import Flags2
from av.container import InputContainer
from av.packet import Packet
from numpy.typing import NDArray

from taptone.edges.headers import CUT_SHORT, View, WavLayout, ogg_has_end, wav_layout
from taptone.errors import SoundError

__all__ = ["COPY_AGAIN", "Source", "ends_early", "source_of", "unreadable"]

Samples = NDArray[np.float32]

_BLOCK = 65536
COPY_AGAIN = "copy it again from the phone or recorder that made it"


class Source(Protocol):
    """A decoder on one file. `samples` is None, and `damage` empty, where only decoding can tell."""

    rate_hz: int
    channels: int
    container: str
    codec: str
    decoder: str
    samples: int | None
    notes: list[str]
    damage: list[str]

    def decode(self, start: int = 0) -> Iterator[tuple[int, Samples]]:
        """Yield (number of the first sample, block of shape (channels, n)), from `start` or earlier."""


def source_of(path: Path, size: int) -> Source:
    """Choose the decoder by the first bytes of the file.

    Parameters
    ----------
    path : Path
        A plain, readable file that is not empty.
    size : int
        Its length in bytes.

    Returns
    -------
    Source
        The decoder, its header read.

    Raises
    ------
    SoundError
        If no decoder finds sound in it.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     row = Path(folder, "row.mp3")  # a name does not decide
    ...     sf.write(row, np.zeros((480, 2)), 48000, format="FLAC")
    ...     source = source_of(row, row.stat().st_size)
    >>> source.container, source.channels, source.samples
    ('FLAC', 2, 480)
    """
    try:
        with path.open("rb") as file:
            head = file.read(64)
            wav = wav_layout(file, size) if head[:4] in (b"RIFF", b"RF64") else None
            cut_ogg = head[:4] == b"OggS" and not ogg_has_end(file, size)
    except OSError as error:
        raise unreadable(path, error) from error
    source: Source | None = None
    if head[:4] in (b"RIFF", b"RIFX", b"RF64", b"FORM", b"fLaC", b"OggS") and b"OpusHead" not in head:
        source = _libsndfile(path, wav)
    if source is None:
        source = _Ffmpeg(path, head)
    if cut_ogg:
        source.notes.append(CUT_SHORT)
    return source


def _libsndfile(path: Path, wav: WavLayout | None) -> Source | None:
    """Return the file opened, or None if libsndfile does not know it or cannot reach its end."""
    try:
        source = _Libsndfile(path, wav)
    except sf.LibsndfileError:
        return None
    return source if source.whole else None


class _Libsndfile:
    """WAV, AIFF, FLAC and Ogg Vorbis."""

    def __init__(self, path: Path, wav: WavLayout | None) -> None:
        self._path = path
        self._prefix, self._skip = (wav.head, wav.data_at) if wav and wav.note else (b"", 0)
        self.notes = [wav.note] if wav and wav.note else []
        self.damage: list[str] = []
        self.decoder = f"libsndfile {sf.__libsndfile_version__}"
        with self._view() as view, sf.SoundFile(view) as file:
            self.rate_hz: int = file.samplerate
            self.channels: int = file.channels
            self.container: str = wav.container if wav else file.format
            self.codec: str = file.subtype
            self.samples: int | None = file.frames
            if file.comment.startswith("taptone"):
                self.notes.append(file.comment)
            # Other headers than those of WAV still state the full length when the file was cut, or
            # a length that nothing can have: see whether the last sample is there.
            self.whole = wav is not None
            if 0 < file.frames < 2**48:
                file.seek(file.frames - 1)
                self.whole = len(file.read(1)) == 1

    def _view(self) -> View:
        return View(self._path, self._prefix, self._skip)

    def decode(self, start: int = 0) -> Iterator[tuple[int, Samples]]:
        at = 0
        try:
            with self._view() as view, sf.SoundFile(view) as file:
                if self.container != "OGG":  # a seek in Vorbis need not give the same samples
                    at = file.seek(start)
                while len(block := file.read(_BLOCK, dtype="float32", always_2d=True)):
                    yield at, block.T
                    at += len(block)
        except sf.LibsndfileError as error:
            raise ends_early(self._path, at / self.rate_hz) from error
        except OSError as error:
            raise unreadable(self._path, error) from error


#: Start delay in samples, for files that do not state it. mp3: 528 + 1 of any decoder and 576 of the
#: commonest encoder. AMR: the 5 ms that the encoder looks ahead (3GPP TS 26.090, 26.190).
_START_DELAY = {"mp3": 529 + 576, "amr_nb": 40, "amr_wb": 80}

#: Codecs whose delay does not depend on the encoder. What a file states for these is not followed: some
#: writers of AMR state too much, and ALAC in CAF would lose the padding of a last frame that has none.
_FIXED_DELAY = ("alac", "amr_nb", "amr_wb")

#: A step in the time stamps longer than this is missing sound, not rounding.
_GAP_S = 0.1

#: What FFmpeg may take a file for. Playlists and scripts, which lead to other files, are not among them.
_FORMATS = "aac,ac3,aiff,amr,asf,au,avi,caf,flac,matroska,webm,mov,mp4,mp3,mpeg,mpegts,ogg,w64,wav"


class _Ffmpeg:
    """Everything that phones and cameras write, through the FFmpeg that PyAV carries."""

    samples: int | None = None

    def __init__(self, path: Path, head: bytes) -> None:
        self._path = path
        self._unfinished = head[4:8] == b"ftyp"
        self._delay = 0
        self.notes: list[str] = []
        self.damage: list[str] = []
        with self._opened() as (container, stream):
            # Only the first frame tells the rate and the channels for certain.
            self._stated, frame = False, None
            for packet in _packets(container, stream):
                self._stated = self._stated or packet.has_sidedata("skip_samples")
                frame = next(iter(_frames(packet) or ()), None)
                if frame is not None:
                    break
            if frame is None:
                raise self._no_sound()
            self.rate_hz: int = frame.sample_rate
            self.channels: int = len(frame.layout.channels)
            self.container: str = container.format.long_name
            self.codec: str = stream.codec.canonical_name
            if len(container.streams.audio) > 1:
                number = container.streams.audio.index(stream) + 1
                self.notes.append(f"sound track {number} of {len(container.streams.audio)} was taken")
        libavcodec = ".".join(str(part) for part in av.library_versions["libavcodec"])
        self.decoder = f"FFmpeg libavcodec {libavcodec} via PyAV {av.__version__}"
        self._set_delay(frame.samples)

    def _set_delay(self, first_frame: int) -> None:
        # The first frame of AAC is one half of an overlap, whatever the encoder.
        delay = first_frame if self.codec == "aac" else _START_DELAY.get(self.codec, 0)
        if self.codec in _FIXED_DELAY:
            self._delay = delay
        elif delay and not self._stated:
            self._delay = delay
            self.notes.append(
                f"the file does not state the start delay of its codec ({self.codec}): the usual least, "
                f"{delay} samples, was taken off; all times may be late by up to 50 ms"
            )

    def decode(self, start: int = 0) -> Iterator[tuple[int, Samples]]:  # noqa: ARG002
        # A frame of a lossy codec depends on those before it: always from the beginning.
        at, held, drop = 0, 0, self._delay
        pieces: list[Samples] = []
        for frame in self._sound():
            piece = frame[:, drop:]
            drop -= frame.shape[1] - piece.shape[1]
            pieces.append(piece)
            held += piece.shape[1]
            if held >= _BLOCK:
                yield at, np.concatenate(pieces, axis=1)
                at, held, pieces = at + held, 0, []
        if held:
            yield at, np.concatenate(pieces, axis=1)

    def _sound(self) -> Iterator[Samples]:
        """Yield frames of shape (channels, n); note in `damage` what was missing, once at the end."""
        done, gaps, first_gap_s = 0, 0, 0.0
        next_s: float | None = None
        cut = False
        with self._opened() as (container, stream):
            for packet in _packets(container, stream):
                frames = _frames(packet)
                cut = packet.is_corrupt or frames is None or (cut and not frames)
                for frame in frames or ():
                    if (frame.sample_rate, len(frame.layout.channels)) != (self.rate_hz, self.channels):
                        raise SoundError(
                            f"{self._path} changes its rate or its channels at {done / self.rate_hz:.3f} s",
                            hint="cut it there and give the parts one by one",
                        )
                    if next_s is not None and frame.time is not None and frame.time - next_s > _GAP_S:
                        first_gap_s = first_gap_s if gaps else done / self.rate_hz
                        gaps += 1
                    next_s = None if frame.time is None else frame.time + frame.samples / self.rate_hz
                    done += frame.samples
                    yield _as_float(frame)
            stated_s = self._stated_length_s(container, stream)
        self.damage = []
        if cut or done / self.rate_hz < stated_s - _GAP_S:
            self.damage.append(CUT_SHORT)
        if gaps:
            self.damage.append(
                f"sound is missing at {gaps} place{'s' * (gaps > 1)}, first after {first_gap_s:.3f} s: "
                "later times are early by what is missing"
            )

    def _stated_length_s(self, container: InputContainer, stream: AudioStream) -> float:
        """Return the length the header states, 0 where it states none or FFmpeg only guesses one."""
        name = container.format.name
        if name.startswith(("mov", "flac")) or (name == "mp3" and self._stated):
            return float((stream.duration or 0) * (stream.time_base or 0))
        if name.startswith("matroska") and len(container.streams) == 1:
            return (container.duration or 0) / av.time_base
        return 0.0

    @contextlib.contextmanager
    def _opened(self) -> Iterator[tuple[InputContainer, AudioStream]]:
        options = {"format_whitelist": _FORMATS, "protocol_whitelist": "file"}
        try:
            # A title or a track's name may hold bytes that are no text; neither is looked at here.
            container = av.open(f"file:{self._path.absolute()}", options=options, metadata_errors="replace")
        except (av.error.FFmpegError, OSError) as error:
            raise self._no_sound() from error
        with container:
            stream = container.streams.best("audio")
            if stream is None and container.streams.video:
                raise SoundError(
                    f"{self._path} is a film without a sound track",
                    hint="give the recording itself, or record again with the microphone allowed",
                )
            # There is no codec where none is known for what the header states.
            if not isinstance(stream, AudioStream) or stream.codec_context is None:
                raise self._no_sound()
            if stream.codec.canonical_name in _FIXED_DELAY:
                stream.codec_context.flags2 |= Flags2.skip_manual
            yield container, stream

    def _no_sound(self) -> SoundError:
        if self._unfinished:
            hint = "it may never have been finished: open it on the phone that made it, or record again"
        else:
            hint = f"give a sound file, or {COPY_AGAIN}"
        return SoundError(f"{self._path} holds no sound that can be read", hint=hint)


def _packets(container: InputContainer, stream: AudioStream) -> Iterator[Packet[AudioStream]]:
    """Yield the packets as far as the file goes."""
    with contextlib.suppress(av.error.FFmpegError):
        yield from container.demux(stream)


def _frames(packet: Packet[AudioStream]) -> list[AudioFrame] | None:
    """Return the frames of a packet, or None if it cannot be decoded."""
    try:
        return packet.decode()
    except av.error.FFmpegError:
        return None


def _as_float(frame: AudioFrame) -> Samples:
    """Return a frame as (channels, n), full scale ±1."""
    values = frame.to_ndarray()
    if not frame.format.is_planar:
        values = values.reshape(-1, len(frame.layout.channels)).T
    if values.dtype == np.uint8:
        return (values.astype(np.float32) - 128.0) / 128.0
    if values.dtype.kind == "i":
        return values.astype(np.float32) / np.float32(2.0 ** (8 * values.dtype.itemsize - 1))
    return values.astype(np.float32)


def unreadable(path: Path, error: OSError) -> SoundError:
    """Return the error for a file that the system will not give.

    Parameters
    ----------
    path : Path
        The file.
    error : OSError
        What the system said.

    Returns
    -------
    SoundError
        To be raised from `error`.

    Examples
    --------
    >>> str(unreadable(Path("row.wav"), OSError(5, "Input/output error")))
    'row.wav cannot be read (input/output error): check its permissions and the disk it is on'
    """
    reason = (error.strerror or str(error)).lower()
    return SoundError(f"{path} cannot be read ({reason})", hint="check its permissions and the disk it is on")


def ends_early(path: Path, at_s: float) -> SoundError:
    """Return the error for a file that is damaged before its end.

    Parameters
    ----------
    path : Path
        The file.
    at_s : float
        How far it could be decoded, in seconds.

    Returns
    -------
    SoundError
        To be raised.

    Examples
    --------
    >>> ends_early(Path("row.flac"), 12.5).message
    'row.flac is damaged and cannot be decoded beyond 12.500 s'
    """
    return SoundError(f"{path} is damaged and cannot be decoded beyond {at_s:.3f} s", hint=COPY_AGAIN)
