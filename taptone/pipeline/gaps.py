"""Strikes of one place, told by the gaps between them: short within a place, longer on the way to the next.

Whoever strikes each place twice or more needs no plan for it to be heard which strikes belong together. What
is not plain is left out: a strike that was missed, or a sound from elsewhere that fell between, makes a run
too short or too long.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from taptone.types import FloatArray

__all__ = ["runs_of", "whole_places"]

_APART = 1.4  # usual gap between places over the usual one within, from which they are told apart
_CLEAR = 1.1  # times nearer than this to the limit between the two, a gap is neither
_MOST = 0.6  # of all strikes must lie in whole runs: else the gaps tell something else, or nothing


def whole_places(recording: str, time_s: FloatArray, each: int) -> tuple[list[range], str]:
    """Find the strikes of each place: by their count, or where gaps speak against it, by the gaps.

    Parameters
    ----------
    recording : str
        What to call it.
    time_s : ndarray, shape (n,)
        Onsets in it, rising, in s.
    each : int
        Strikes a place.

    Returns
    -------
    places : list of range
        Numbers of the strikes of each, in order; empty where neither tells.
    note : str
        What was left out; empty where the count fits, so that the order of the places is known.

    Examples
    --------
    >>> whole_places("good.wav", np.arange(6.0), 2)
    ([range(0, 2), range(2, 4), range(4, 6)], '')
    >>> whole_places("good.wav", np.arange(7.0), 2)
    ([], '')
    """
    runs = runs_of(time_s, each)
    if len(time_s) % each == 0 and all(run.start % each == 0 for run in runs):
        return [range(k, k + each) for k in range(0, len(time_s), each)], ""
    if not runs:
        return [], ""
    return runs, (
        f"{recording}: {len(time_s)} strikes do not make whole places of {each}: by the gaps between them "
        f"{len(runs)} places are whole; the other {len(time_s) - len(runs) * each} strikes are left out"
    )


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
    gaps = np.diff(time_s)
    if each < 2 or len(gaps) < 2 * each:
        return []
    limit_s = _limit(gaps)
    short, long = gaps < limit_s, gaps >= limit_s
    if not (short.any() and long.any()) or np.median(gaps[long]) < _APART * np.median(gaps[short]):
        return []
    near = (gaps > limit_s / _CLEAR) & (gaps < limit_s * _CLEAR)
    starts = [0, *(np.flatnonzero(long) + 1).tolist(), len(time_s)]
    runs = [range(a, b) for a, b in pairwise(starts)]
    whole = [run for run in runs if len(run) == each and not near[max(run.start - 1, 0) : run.stop].any()]
    return whole if len(whole) * each >= _MOST * len(time_s) else []


def _limit(gaps_s: FloatArray) -> float:
    """The gap that parts short ones from long ones best: least variance within the two (Otsu's criterion)."""
    usual = np.median(gaps_s)  # pauses, and sounds right after a strike, count as no more than far from it
    log = np.sort(np.log(np.clip(gaps_s, usual / 2.5, usual * 2.5)))
    n = np.arange(1, len(log))
    left, right = np.cumsum(log)[:-1], np.cumsum(log[::-1])[::-1][1:]
    between = n * (len(log) - n) * np.square(left / n - right / (len(log) - n))
    k = int(between.argmax())
    return float(np.exp((log[k] + log[k + 1]) / 2))
