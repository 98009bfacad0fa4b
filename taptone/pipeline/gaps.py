"""Strikes of one place, told by the gaps between them: short within a place, longer on the way to the next.

Whoever strikes each place twice or more needs no plan for it to be heard which strikes belong together. What
is not plain is left out: a strike that was missed, or a sound from elsewhere that fell between, makes a run
too short or too long.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from taptone.types import FloatArray

__all__ = ["runs_of", "whole_places"]

_APART = 1.4  # usual gap between places over the usual one within, from which they are told apart
_CLEAR = 1.1  # times nearer than this to the limit between the two, a gap may be either
_NAMED = 6  # strikes left out whose times are told
_MOST = 0.6  # of all strikes must lie in whole runs with no such gap: else the gaps tell nothing


def whole_places(
    recording: str, time_s: FloatArray, each: int, planned: int = 0
) -> tuple[list[range], list[int], str]:
    """Find the strikes of each place: by their count, or where gaps speak against it, by the gaps.

    Parameters
    ----------
    recording : str
        What to call it.
    time_s : ndarray, shape (n,)
        Onsets in it, rising, in s.
    each : int
        Strikes a place.
    planned : int, optional
        Places that were to be struck; 0 if nobody knows.

    Returns
    -------
    places : list of range
        Numbers of the strikes of each, in order; empty where neither tells.
    numbers : list of int
        Which place each is, from 0 on; -1 where that cannot be told: after a strike that was missed or added,
        unless all planned places are accounted for.
    note : str
        What was left out; empty where the count fits.

    Examples
    --------
    >>> whole_places("good.wav", np.arange(6.0), 2)
    ([range(0, 2), range(2, 4), range(4, 6)], [0, 1, 2], '')
    >>> time_s = np.array([1.0, 1.5, 2.5, 3.0, 4.0, 5.0, 5.5, 6.5, 7.0, 8.0, 8.5])
    >>> places, numbers, note = whole_places("good.wav", time_s, 2)
    >>> numbers, whole_places("good.wav", time_s, 2, planned=6)[1]
    ([0, 1, -1, -1, -1], [0, 1, 3, 4, 5])
    >>> print(note)
    good.wav: 11 strikes do not make whole places of 2: told by the gaps between them, 5 places are used; left
    out: 1 strike, at 4.0 s
    """
    parts = _parted(time_s, each)
    whole = [part for part in parts if len(part) == each]
    if len(time_s) % each == 0 and (len(whole) == len(parts) or _is_shifted(parts, each)):
        by_count = [range(k, k + each) for k in range(0, len(time_s), each)]
        return by_count, list(range(len(by_count))), ""
    # A part that is none is taken for places of which one lacks a strike.
    struck = [math.ceil(len(part) / each) for part in parts]
    known = sum(struck) == planned
    intact = next((k for k, part in enumerate(parts) if len(part) != each), len(parts))
    numbers = [
        sum(struck[:k]) if known or k < intact else -1 for k, part in enumerate(parts) if len(part) == each
    ]
    lost_s = [f"{time_s[k]:.1f}" for part in parts if len(part) != each for k in part]
    told = f"{', '.join(lost_s[:_NAMED])}{' …' * (len(lost_s) > _NAMED)} s"
    make = "do not make" if len(time_s) % each else "make"
    yet = "" if len(time_s) % each else " by their count, but not by their gaps"
    note = (
        f"{recording}: {len(time_s)} strikes {make} whole places of {each}{yet}: told by the gaps between "
        f"them, {len(whole)} places are used; left out: "
        f"{len(lost_s)} strike{'s' * (len(lost_s) > 1)}, at {told}"
    )
    return whole, numbers, note if whole else ""


def _is_shifted(parts: Sequence[range], each: int) -> bool:
    """Whether all but the ends are whole, and these make one: struck slowly, and quickly on to the next."""
    odd = [k for k, part in enumerate(parts) if len(part) != each]
    return odd == [0, len(parts) - 1] and len(parts[0]) + len(parts[-1]) == each


def runs_of(time_s: FloatArray, each: int) -> list[range]:
    """Find the runs of exactly so many strikes with short gaps between them and longer ones about them.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Onsets in one recording, rising, in s.
    each : int
        Strikes a place, 2 or more.

    Returns
    -------
    list of range
        Numbers of the strikes of each run, in order; empty where gaps do not tell places plainly.

    Examples
    --------
    >>> time_s = np.array([1.0, 1.5, 2.5, 3.0, 4.0, 5.0, 5.5, 6.5, 7.0, 7.4, 10.0, 10.5, 11.5, 12.0])
    >>> runs_of(time_s, 2)  # the fifth has no second, and one of those about 7 s is somebody else's
    [range(0, 2), range(2, 4), range(5, 7), range(10, 12), range(12, 14)]
    >>> runs_of(np.arange(20.0), 2)
    []
    """
    return [part for part in _parted(time_s, each) if len(part) == each]


def _parted(time_s: FloatArray, each: int) -> list[range]:
    """All strikes, parted between places; a part of another length is none. Empty where gaps do not tell."""
    gaps = np.diff(time_s)
    if each < 2 or len(gaps) < 2 * each:
        return []
    short = gaps < _cut(gaps)
    if short.all() or not short.any():
        return []
    within_s, between_s = float(np.median(gaps[short])), float(np.median(gaps[~short]))
    if between_s < _APART * within_s:
        return []
    limit_s = math.sqrt(within_s * between_s)
    # A gap near the limit may be either: it parts places where their count wants it to.
    ends = [-1, *np.flatnonzero(gaps >= limit_s * _CLEAR).tolist(), len(time_s) - 1]
    parts: list[range] = []
    plain = 0
    for before, end in pairwise(ends):
        stretch = range(before + 1, end + 1)
        plain += each * (len(stretch) == each and bool(np.all(gaps[before + 1 : end] <= limit_s / _CLEAR)))
        within = [range(k, k + each) for k in range(stretch.start, stretch.stop, each)]
        fits = len(stretch) % each == 0 and all(
            gaps[part.start - 1] > limit_s / _CLEAR for part in within[1:]
        )
        parts += within if fits else [stretch]
    return parts if plain >= _MOST * len(time_s) else []


def _cut(gaps_s: FloatArray) -> float:
    """The gap that parts short ones from long ones best: least variance within the two (Otsu's criterion)."""
    usual = np.median(gaps_s)  # pauses, and sounds right after a strike, count as no more than far from it
    log = np.sort(np.log(np.clip(gaps_s, usual / 2.5, usual * 2.5)))
    n = np.arange(1, len(log))
    left, right = np.cumsum(log)[:-1], np.cumsum(log[::-1])[::-1][1:]
    between = n * (len(log) - n) * np.square(left / n - right / (len(log) - n))
    k = int(between.argmax())
    return float(np.exp((log[k] + log[k + 1]) / 2))
