"""What a whole recording sounds like, gathered while it streams by: the ground that health stands on.

Sound is cut into frames of about 20 ms. Of each frame a dozen numbers are kept (2 kB a second); of its
spectrum only the sum over frames of like level, in classes of 3 dB, so that quiet and loud spectra can be
told apart afterwards. Frames are worked on in lots of fixed size, so that the same recording gives the same
numbers however it arrived.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.framing import EXCERPT
from taptone.types import FloatArray, Recording, Sound

__all__ = ["ROUNDING_DB", "Gathered", "Listener", "Overheard"]

#: Bands whose level is followed, in Hz; the lowest is the wind's.
_EDGES_HZ = (60.0, 200.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 12000.0, 16000.0, 20000.0)
_FRAME_S = 0.0213
_EARLY_S = 0.5  # left out of the spectra
_LOT = 128  # frames worked on at a time
_CLASSES, _CLASS_DB = 56, 3.0
_GROUP = 8  # bins that a flatness is taken over
_LEAST = 1e-18

#: Power of rounding to 16 bits, in dB of full scale: one twelfth of a step squared.
ROUNDING_DB = 10 * np.log10((2.0**-15) ** 2 / 12.0)


@dataclass(frozen=True, slots=True, eq=False)
class Gathered:
    """Numbers of a recording, frame by frame, and its spectra by level.

    ``level_db`` and ``flat_db`` have shape (frames, bands): power a bin in dB of full scale, and how far the
    geometric mean over eight neighbouring bins lies below their mean (2 dB in even noise). ``zeros`` is the
    share of samples that are exactly zero, ``mean`` the mean of each frame. ``spectra`` has shape
    (classes, bins), with ``frames`` in each class, loudest first. ``excerpts`` are the sound itself, some
    60 ms of every 128 frames.
    """

    rate_hz: int
    frame: int
    edges_hz: tuple[tuple[float, float], ...]
    level_db: FloatArray
    flat_db: FloatArray
    zeros: FloatArray
    mean: FloatArray
    peak: FloatArray
    spectra: FloatArray
    frames: NDArray[np.intp]
    excerpts: tuple[NDArray[np.float32], ...] = ()

    @property
    def time_s(self) -> FloatArray:
        """Middle of each frame, shape (frames,)."""
        return (np.arange(len(self.zeros)) + 0.5) * self.frame / self.rate_hz

    @property
    def bin_hz(self) -> FloatArray:
        """Frequency of each bin, shape (bins,)."""
        return np.arange(self.spectra.shape[1]) * self.rate_hz / self.frame


class Listener:
    """Gathers the numbers of a recording that arrives bit by bit.

    Parameters
    ----------
    rate_hz : int
        Samples a second.

    Examples
    --------
    >>> ear = Listener(48000)
    >>> ear.feed(np.zeros(48000))
    >>> gathered = ear.finish()
    >>> gathered.zeros.shape, float(gathered.zeros.min())
    ((46,), 1.0)
    """

    def __init__(self, rate_hz: int) -> None:
        self.rate_hz = rate_hz
        self.frame = 1 << round(np.log2(_FRAME_S * rate_hz))
        self._window = np.hanning(self.frame + 1)[:-1].astype(np.float32)
        # A sine's power and a noise's power a bin, one-sided.
        self._scale = np.float32(2.0 / (self.frame * float(np.square(self._window).sum())))
        hz = np.arange(self.frame // 2 + 1) * rate_hz / self.frame
        top = 0.46 * rate_hz
        self._edges = tuple(
            (low, min(high, top)) for low, high in pairwise(_EDGES_HZ) if min(high, top) >= 1.2 * low
        )
        self._bins = [slice(*np.searchsorted(hz, edges).tolist()) for edges in self._edges]
        self._loud = slice(int(np.searchsorted(hz, 1000.0)), len(hz))
        self._rest = np.zeros(0, np.float32)
        self._waiting: list[NDArray[np.float32]] = []
        self._n = 0
        self._rows: list[FloatArray] = []
        self._spectra = np.zeros((_CLASSES, len(hz)))
        self._frames = np.zeros(_CLASSES, np.intp)
        self._early = round(_EARLY_S * rate_hz / self.frame)
        self._excerpts: list[NDArray[np.float32]] = []

    def feed(self, block: NDArray[np.floating]) -> None:
        """Take the next samples.

        Parameters
        ----------
        block : ndarray, shape (n,)
            Mono samples, full scale ±1.
        """
        self._waiting.append(np.asarray(block, np.float32))
        self._n += len(block)
        size = _LOT * self.frame
        if self._n >= size:
            joined = np.concatenate(self._waiting)
            whole = len(joined) // size * size
            for start in range(0, whole, size):
                self._lot(joined[start : start + size])
            self._waiting, self._n = [joined[whole:]], len(joined) - whole

    def finish(self) -> Gathered:
        """Say that no more sound will come; what does not fill a frame is left out.

        Returns
        -------
        Gathered
            The numbers.
        """
        rest = np.concatenate(self._waiting) if self._waiting else np.zeros(0, np.float32)
        self._waiting, self._n = [], 0
        if len(rest) >= self.frame:
            self._lot(rest[: len(rest) // self.frame * self.frame])
        bands = len(self._edges)
        table = np.concatenate(self._rows) if self._rows else np.zeros((0, 2 * bands + 3))
        return Gathered(
            self.rate_hz,
            self.frame,
            self._edges,
            table[:, :bands],
            table[:, bands : 2 * bands],
            table[:, 2 * bands],
            table[:, 2 * bands + 1],
            table[:, 2 * bands + 2],
            self._spectra,
            self._frames,
            tuple(self._excerpts),
        )

    def _lot(self, samples: NDArray[np.float32]) -> None:
        from scipy.fft import rfft

        # Not the first: a recording may begin with nothing.
        if self._rows and len(samples) >= EXCERPT:
            self._excerpts.append(samples[:EXCERPT].copy())
        rows = samples.reshape(-1, self.frame)
        spectrum = rfft(rows * self._window, axis=1)
        power = (np.square(spectrum.real) + np.square(spectrum.imag)) * self._scale
        log = np.log10(power + np.float32(_LEAST))
        level, flat = [], []
        for bins in self._bins:
            mean = power[:, bins].mean(axis=1, dtype=float)
            level.append(10 * np.log10(mean + _LEAST))
            groups = (bins.stop - bins.start) // _GROUP
            if not groups:
                flat.append(np.full(len(rows), np.nan))
                continue
            end = bins.start + groups * _GROUP
            lots = power[:, bins.start : end].reshape(len(rows), groups, _GROUP).mean(axis=2)
            flat.append(
                10
                * (
                    log[:, bins.start : end].mean(axis=1, dtype=float)
                    - np.log10(lots + np.float32(_LEAST)).mean(axis=1, dtype=float)
                )
            )
        loud_db = 10 * np.log10(power[:, self._loud].sum(axis=1, dtype=float) + _LEAST)
        which = np.clip(-loud_db / _CLASS_DB, 0, _CLASSES - 1).astype(int)
        # The first half second may hold the button's knock.
        which, power = which[self._early :], power[self._early :]
        self._early = max(self._early - len(rows), 0)
        for one in np.unique(which):
            self._spectra[one] += power[which == one].sum(axis=0, dtype=float)
        self._frames += np.bincount(which, minlength=_CLASSES)
        own = [
            (rows == 0).mean(axis=1),
            rows.mean(axis=1, dtype=float),
            np.maximum(rows.max(axis=1), -rows.min(axis=1)).astype(float),
        ]
        self._rows.append(np.column_stack([*level, *flat, *own]))


class Overheard:
    """A sound that a listener hears too, while somebody else takes its blocks.

    Parameters
    ----------
    sound : Sound
        The recording.

    Examples
    --------
    >>> class Quiet:
    ...     recording = Recording("quiet.wav", "", 48000, 48000)
    ...     def blocks(self):
    ...         yield np.zeros(48000)
    >>> heard = Overheard(Quiet())
    >>> [len(block) for block in heard.blocks()], len(heard.gathered().zeros)
    ([48000], 46)
    """

    def __init__(self, sound: Sound) -> None:
        self._sound = sound
        self._listener = Listener(sound.recording.rate_hz)
        self._whole = False

    @property
    def recording(self) -> Recording:
        """What is known of it."""
        return self._sound.recording

    def blocks(self) -> Iterator[NDArray[np.floating]]:
        """Yield the blocks as they come.

        Yields
        ------
        ndarray, shape (n,)
            Mono samples.
        """
        if self._whole:  # once is enough
            yield from self._sound.blocks()
            return
        self._listener = Listener(self.recording.rate_hz)
        for block in self._sound.blocks():
            self._listener.feed(block)
            yield block
        self._whole = True

    def gathered(self) -> Gathered:
        """What was gathered of the blocks that were taken.

        Returns
        -------
        Gathered
            The numbers.
        """
        return self._listener.finish()
