"""Microphone to disk: every sample that arrives is kept, and what did not arrive is noted.

The callback of the sound system copies a block into a queue and leaves; a loop takes blocks from the
queue and writes them as 24-bit WAV, and makes the system put them on the disk once a second. When the
power fails, or the process is killed, the file lacks at most its last second, and
:func:`~taptone.edges.soundfiles.open_sound` reads it although its header was never finished. Up to two
channels are kept as they come, because a mix of two microphones can cancel part of a tap.
"""

from __future__ import annotations

import contextlib
import importlib
import math
import os
import queue
import signal
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taptone.errors import MicrophoneError, OutputError

__all__ = ["Recorded", "record"]

_WAIT_S = 0.2
_STALLED_S = 3.0
_SETTLED_S, _MEASURED_FROM_S = 1.0, 5.0
_MOST_CHANNELS = 2


@dataclass(frozen=True, slots=True)
class Recorded:
    """What was taken from the microphone.

    ``rate_hz`` is what the device said it delivers, ``measured_rate_hz`` what arrived by the clock of
    the sound system (`nan` under 5 s). ``dropouts`` holds the number of the first sample after each
    place where the system lost sound. ``peak_dbfs`` is -inf if nothing but zeros came.
    """

    path: Path
    device: str
    rate_hz: int
    channels: int
    samples: int
    measured_rate_hz: float
    dropouts: tuple[int, ...]
    peak_dbfs: float
    notes: tuple[str, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.samples / self.rate_hz


def record(
    path: str | os.PathLike[str],
    *,
    seconds: float | None = None,
    device: int | str | None = None,
    rate_hz: int | None = None,
    on_progress: Callable[[float], None] | None = None,
) -> Recorded:
    """Record from a microphone into a new WAV file, until the time is up or Ctrl-C is pressed.

    Parameters
    ----------
    path : str or path-like
        The file to be made. One that exists is never written to.
    seconds : float, optional
        How long; by default until Ctrl-C (or a request to terminate), after which the file is closed
        and kept.
    device : int or str, optional
        Number of an input device, or part of its name; by default the system's own choice.
    rate_hz : int, optional
        Sample rate to ask for; by default the device's own.
    on_progress : callable, optional
        Called with the seconds recorded so far, at each block.

    Returns
    -------
    Recorded
        What came.

    Raises
    ------
    MicrophoneError
        If there is no such microphone, it cannot be opened, or nothing came from it.
    OutputError
        If the file exists, or cannot be written.

    Examples
    --------
    >>> record("row.wav", seconds=0)
    Traceback (most recent call last):
        ...
    taptone.errors.MicrophoneError: 0 s cannot be recorded: give a time above 0 s
    """
    target = Path(path)
    if seconds is not None and not 0.0 < seconds < math.inf:
        raise MicrophoneError(f"{seconds:g} s cannot be recorded", hint="give a time above 0 s")
    if target.suffix.casefold() != ".wav":
        raise OutputError(f"{target} does not end in .wav", hint="a WAV file is what is written: name it so")
    if not target.parent.is_dir():
        raise OutputError(f"{target.parent} is not a folder", hint="make it first, or choose another")
    if target.exists():  # said before the device is opened, which can take a second
        raise _exists(target)
    sd = _sounddevice()
    number, name, most, own_rate = _input_device(sd, device)
    rate = rate_hz or own_rate
    arrived: queue.SimpleQueue[tuple[NDArray[np.int32], bool, float]] = queue.SimpleQueue()

    def heard(block: NDArray[np.int32], frames: int, times: Any, status: Any) -> None:  # noqa: ARG001
        arrived.put((block.copy(), bool(status.input_overflow), times.currentTime))

    try:
        stream = sd.InputStream(
            device=number, samplerate=rate, channels=min(most, _MOST_CHANNELS), dtype="int32", callback=heard
        )
    except sd.PortAudioError as error:
        raise MicrophoneError(
            f"{name} cannot be opened at {rate} Hz ({error.args[0]})",
            hint="close other programs that record, or choose another device or rate",
        ) from error
    with _stop_requested() as stop, stream:
        writer = _Writer(target, round(stream.samplerate), stream.channels, seconds)
        with writer:
            waits = 0  # counted, not timed: a computer that slept is no microphone that stopped
            while not writer.full and not stop.is_set():
                try:
                    writer.take(*arrived.get(timeout=_WAIT_S))
                except queue.Empty:
                    waits += 1
                    if waits * _WAIT_S > _STALLED_S:
                        writer.notes.append(f"the microphone stopped after {writer.done_s:.3f} s")
                        break
                else:
                    waits = 0
                    if on_progress:
                        on_progress(writer.done_s)
            stream.abort()
            while not arrived.empty() and not writer.full:
                writer.take(*arrived.get())
    if not writer.samples:
        target.unlink()
        raise MicrophoneError(
            f"nothing came from {name}", hint="check that it is not muted and that recording is allowed"
        )
    return writer.result(name)


class _Writer:
    """A new WAV file, and the account of what went into it."""

    def __init__(self, path: Path, rate_hz: int, channels: int, seconds: float | None) -> None:
        import soundfile as sf

        self.notes: list[str] = []
        self.samples = 0
        self._path, self._rate_hz, self._channels = path, rate_hz, channels
        self._wanted = math.inf if seconds is None else max(round(seconds * rate_hz), 1)
        self._on_disk = 0
        self._dropouts: list[int] = []
        self._peak = 0
        self._first_s = self._last_s = self._measured_rate_hz = math.nan
        self._first = self._last = 0
        self._library_error = sf.LibsndfileError
        try:
            path.open("xb").close()
            self._file = sf.SoundFile(os.fspath(path), "w", rate_hz, channels, "PCM_24", format="WAV")
        except FileExistsError as error:
            raise _exists(path) from error
        except (OSError, sf.LibsndfileError) as error:
            raise self._cannot_write(error) from error

    @property
    def done_s(self) -> float:
        return self.samples / self._rate_hz

    @property
    def full(self) -> bool:
        return self.samples >= self._wanted

    def __enter__(self) -> _Writer:
        return self

    def take(self, block: NDArray[np.int32], lost_before: bool, at_s: float) -> None:
        """Write a block that arrived at `at_s` by the clock of the sound system."""
        if lost_before:
            self._dropouts.append(self.samples)
        # The first blocks come in a burst: what waited while the device was opened.
        if math.isnan(self._first_s) and self.done_s >= _SETTLED_S:
            self._first_s, self._first = at_s, self.samples
        self._last_s, self._last = at_s, self.samples
        block = block[: int(min(len(block), self._wanted - self.samples))]
        self._peak = max(self._peak, int(block.max()), -int(block.min()))
        try:
            self._file.write(block)
            self.samples += len(block)
            if self.samples - self._on_disk >= self._rate_hz // 2:
                self._file.flush()
                self._on_disk = self.samples
        except self._library_error as error:
            raise self._cannot_write(error) from error

    def __exit__(self, *_: object) -> None:
        """Finish the header; the delivered rate and the notes go into the file's own comment."""
        self._conclude()
        notes = "; ".join(self.notes) or "no dropouts"
        try:
            self._file.comment = f"taptone record: {self._rate_hz} Hz delivered; {notes}"
            self._file.close()
        except self._library_error as error:
            raise self._cannot_write(error) from error

    def _conclude(self) -> None:
        took_s = self._last_s - self._first_s
        if self.done_s >= _MEASURED_FROM_S and took_s > 0.0:
            self._measured_rate_hz = (self._last - self._first) / took_s
            # Blocks come unevenly: a quarter of a second is no sign of a wrong rate.
            if abs((self._last - self._first) / self._rate_hz - took_s) > max(0.01 * took_s, 0.25):
                self.notes.append(
                    f"samples arrived at {self._measured_rate_hz:.0f} Hz, not {self._rate_hz} Hz"
                )
        if self._dropouts:
            first = ", ".join(str(sample) for sample in self._dropouts[:10])
            more = ", …" if len(self._dropouts) > 10 else ""
            self.notes.append(f"sound was lost {len(self._dropouts)} times, before samples {first}{more}")

    def result(self, device: str) -> Recorded:
        """Return the account of the finished file."""
        return Recorded(
            path=self._path,
            device=device,
            rate_hz=self._rate_hz,
            channels=self._channels,
            samples=self.samples,
            measured_rate_hz=self._measured_rate_hz,
            dropouts=tuple(self._dropouts),
            peak_dbfs=20.0 * math.log10(self._peak / 2**31) if self._peak else -math.inf,
            notes=tuple(self.notes),
        )

    def _cannot_write(self, error: Exception) -> OutputError:
        reason = (getattr(error, "strerror", None) or str(error).rstrip(".")).lower()
        return OutputError(
            f"{self._path} cannot be written ({reason})",
            hint="check the folder, its permissions and the disk space",
        )


def _exists(path: Path) -> OutputError:
    return OutputError(f"{path} exists", hint="give another name: a recording is never overwritten")


@contextlib.contextmanager
def _stop_requested() -> Iterator[threading.Event]:
    """Yield an event that Ctrl-C, a request to stop or a closed terminal sets: no write is torn apart."""
    stop = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    signals = [signal.SIGINT, signal.SIGTERM]
    if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is not signal.SIG_IGN:  # not with nohup
        signals.append(signal.SIGHUP)
    before = [signal.signal(number, lambda *_: stop.set()) for number in signals]
    try:
        yield stop
    finally:
        for number, handler in zip(signals, before, strict=True):
            signal.signal(number, handler)


# -- the device ----------------------------------------------------------------------------------------


def _sounddevice() -> ModuleType:
    """Return the library, or say what the system lacks."""
    try:
        sounddevice = importlib.import_module("sounddevice")
    except OSError as error:
        raise MicrophoneError(
            "the PortAudio library is missing",
            hint="run `apt install libportaudio2` (Debian, Ubuntu) or `brew install portaudio` (macOS)",
        ) from error
    return sounddevice


def _input_device(sd: ModuleType, wanted: int | str | None) -> tuple[int, str, int, int]:
    """Return number, name, input channels and own sample rate of the device that was meant."""
    inputs = [entry for entry in sd.query_devices() if entry["max_input_channels"] > 0]
    if not inputs:
        raise MicrophoneError(
            "there is no microphone",
            hint="plug one in and allow this program to use it, or record with a phone and give that file",
        )
    found = _meant(inputs, sd.default.device[0] if wanted is None else wanted)
    if len(found) != 1:
        which = (
            "no default microphone"
            if wanted is None
            else f"{'no' if not found else 'more than one'} microphone {wanted!r}"
        )
        listed = "; ".join(f"{entry['index']} {entry['name']}" for entry in inputs)
        raise MicrophoneError(f"there is {which}", hint=f"choose one by its number: {listed}")
    (entry,) = found
    return entry["index"], entry["name"], entry["max_input_channels"], round(entry["default_samplerate"])


def _meant(inputs: list[dict[str, Any]], wanted: int | str) -> list[dict[str, Any]]:
    """Return the devices with this number, else with this whole name, else with this part of a name."""
    text = str(wanted).strip().casefold()
    if text.lstrip("-").isdigit():
        return [entry for entry in inputs if entry["index"] == int(text)]
    whole = [entry for entry in inputs if entry["name"].casefold() == text]
    return whole or [entry for entry in inputs if text and text in entry["name"].casefold()]
