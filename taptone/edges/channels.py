"""Which of several channels to listen to: the one in which taps stand out most from the noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["TapToNoise"]


class TapToNoise:
    """Loud frames over quiet frames, for each channel, in memory that does not grow.

    The energy of each frame of 5 ms, less its mean (a microphone's offset is no sound), is counted in
    steps of 0.1 dB. Below -100 dBFS, under the noise of any microphone in 16 bits, all frames count
    alike, so that a gate that writes zeros between taps does not make a channel look clean.
    """

    _floor_db, _top_db, _step_db = -100.0, 20.0, 0.1

    def __init__(self, channels: int, rate_hz: int) -> None:
        self._frame = rate_hz // 200
        self._rest = np.zeros((channels, 0), np.float32)
        self._steps = round((self._top_db - self._floor_db) / self._step_db) + 1
        self._counts = np.zeros((channels, self._steps), np.int64)

    def add(self, block: NDArray[np.float32]) -> None:
        """Take in a block of shape (channels, n)."""
        joined = np.concatenate([self._rest, block], axis=1)
        whole = joined.shape[1] // self._frame * self._frame
        self._rest = joined[:, whole:]
        frames = np.nan_to_num(joined[:, :whole], posinf=0.0, neginf=0.0)
        energy = frames.reshape(len(joined), -1, self._frame).var(axis=2, dtype=np.float64)
        level_db = 10.0 * np.log10(np.maximum(energy, 1e-30))
        step = np.clip((level_db - self._floor_db) / self._step_db, 0, self._steps - 1).astype(int)
        for counts, steps in zip(self._counts, step, strict=True):
            counts += np.bincount(steps, minlength=self._steps)

    def in_db(self) -> tuple[float, ...]:
        """Return the 99.5th over the 20th percentile of frame energy, in dB, for each channel."""
        return tuple(self._between(np.cumsum(counts)) for counts in self._counts)

    def _between(self, running: NDArray[np.int64]) -> float:
        quiet, loud = np.searchsorted(running, [0.20 * running[-1], 0.995 * running[-1]])
        return float(loud - quiet) * self._step_db
