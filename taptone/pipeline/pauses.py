"""Lay a recording's numbers out by its taps: strong taps, what follows each, and the pauses between them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.listening import ROUNDING_DB, Gathered
from taptone.types import FloatArray, Rejected, Tap

__all__ = ["ABOVE_DB", "BEFORE_S", "FULL_BAND_HZ", "Heard", "Said", "more_than_chance"]

#: A finding before it is tied to its recording: name, evidence, strength, unit.
Said = tuple[str, str, float, str]

#: A pause ends this long before any sudden sound.
BEFORE_S = 0.02
#: Over the rounding: noise that is heard.
ABOVE_DB = 4.0
#: Files below this rate lack what a tap may hold.
FULL_BAND_HZ = 32000

_TAIL_S = 0.2  # after a sudden sound a pause begins
_PAUSE_S = 3.0  # and is listened to for no longer than this
_STRONG_DB = 15.0  # below the upper quartile of the taps


@dataclass(frozen=True, slots=True, eq=False)
class Heard:
    """A recording's numbers, laid out by its taps.

    ``strong`` are the taps that others can be told by, ``onset_s`` their times and ``onset_db`` their levels;
    ``next_s`` is when any sudden sound follows each, ``next_tap_s`` when the next contact does. ``pause``
    says which frames hold neither taps nor anything sudden; ``floor_db`` is what rounding comes to in a bin.
    """

    g: Gathered
    strong: tuple[Tap, ...]
    time_s: FloatArray
    half_s: float
    since_tap_s: FloatArray
    pause: NDArray[np.bool_]
    onset_s: FloatArray
    onset_db: FloatArray
    next_s: FloatArray
    next_tap_s: FloatArray
    floor_db: float

    @classmethod
    def of(cls, g: Gathered, found: Sequence[Tap | Rejected]) -> Heard:
        """Lay out the numbers.

        Parameters
        ----------
        g : Gathered
            Of one recording.
        found : sequence of Tap or Rejected
            All its sudden sounds, in order.

        Returns
        -------
        Heard
            The same, by taps.
        """
        all_s = np.array([f.time_s for f in found])
        taps = [t for t in found if isinstance(t, Tap) and "bounce" not in t.flags]
        level = np.array([_level_db(t) for t in taps])
        strong = level >= np.percentile(level, 75) - _STRONG_DB if len(level) else np.zeros(0, bool)
        onset_s = np.array([t.time_s for t in taps])[strong]
        time_s, half_s = g.time_s, 0.5 * g.frame / g.rate_hz
        edge = np.r_[-math.inf, all_s, math.inf]
        k = np.searchsorted(edge, time_s)
        since_s, to_s = time_s - half_s - edge[k - 1], edge[k] - time_s - half_s
        contact = np.r_[-math.inf, [t.time_s for t in taps], math.inf]  # an echo may pass for a bounce
        return cls(
            g=g,
            strong=tuple(t for t, one in zip(taps, strong, strict=True) if one),
            time_s=time_s,
            half_s=half_s,
            since_tap_s=time_s - half_s - contact[np.searchsorted(contact, time_s) - 1],
            pause=(since_s > _TAIL_S) & (since_s < _PAUSE_S) & (to_s > BEFORE_S),
            onset_s=onset_s,
            onset_db=level[strong],
            next_s=edge[np.searchsorted(edge, onset_s, side="right")],
            next_tap_s=contact[np.searchsorted(contact, onset_s, side="right")],
            floor_db=float(ROUNDING_DB - 10 * np.log10(g.frame / 2)),
        )

    def frames(self, start_s: float, stop_s: float) -> slice:
        """Frames that lie wholly between two times.

        Parameters
        ----------
        start_s, stop_s : float
            Times in the recording.

        Returns
        -------
        slice
            Of frames; empty where there is none.
        """
        step = 2 * self.half_s
        end_s = len(self.time_s) * step
        first = math.ceil(min(max(start_s, 0.0), end_s) / step - 1e-9)
        return slice(first, max(math.floor(min(max(stop_s, 0.0), end_s) / step + 1e-9), first))


def _level_db(tap: Tap) -> float:
    part = tap.clip[tap.onset : min(tap.onset + round(0.02 * tap.rate_hz), tap.end)].astype(float)
    return 10 * math.log10(max(float(part.var()) if len(part) else 0.0, 1e-12))


def more_than_chance(share: float, n: int) -> bool:
    """Whether so many of n could not well be heads and tails: sign test, 2.8 standard deviations.

    Parameters
    ----------
    share : float
        Of them that agree.
    n : int
        How many there are.

    Returns
    -------
    bool
        Whether they agree by more than chance.

    Examples
    --------
    >>> more_than_chance(0.7, 36), more_than_chance(0.9, 36)
    (False, True)
    """
    return (share - 0.5) * 2.0 * math.sqrt(n) >= 2.8
