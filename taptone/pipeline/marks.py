"""Row marks: two strikes in quick succession, then rest, by which a person says that a row is done.

A bounce comes sooner (20 to 100 ms) and a station's next strike later. The second strike of a mark may have
been heard as a bounce of the first, or as a sound unlike the others; a mark is told by its times alone.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from taptone.types import FloatArray

__all__ = ["MARK_S", "find_marks"]

_LEAST_S, _MOST_S = 0.120, 0.200  # from one strike of a mark to the other
_ONSET_S = 0.005  # how well an onset is known
_REST_S = 1.5

#: What is heard so soon after the first strike of a mark belongs to the mark.
MARK_S = _MOST_S + _ONSET_S
_SLOWEST_S = 0.5  # rows with less than this from strike to strike are too quick to hold marks


def find_marks(
    strikes: FloatArray, others: FloatArray, each: int = 1
) -> tuple[FloatArray, NDArray[np.bool_], int]:
    """Find the marks among the strikes of a panel.

    Parameters
    ----------
    strikes : ndarray of float, shape (n, 2)
        File and time in s of each strike, in order.
    others : ndarray of float, shape (m, 2)
        File and time in s of bounces, and of sounds that might have been strikes.
    each : int, default 1
        Planned strikes a station.

    Returns
    -------
    marks : ndarray of float, shape (k, 2)
        File and time of the first strike of each mark. None in a row that is struck faster than twice a
        second.
    part : ndarray of bool, shape (n,)
        Which strikes belong to a mark.
    too_quick : int
        How many looked like marks in rows struck faster than that, and were not taken for any.

    Examples
    --------
    >>> time_s = np.array([1.0, 2.0, 3.0, 4.0, 4.15, 7.0])
    >>> marks, part, too_quick = find_marks(np.column_stack([np.zeros(6), time_s]), np.zeros((0, 2)))
    >>> marks.tolist(), part.tolist(), too_quick
    ([[0.0, 4.0]], [False, False, False, True, True, False], 0)
    """
    part = np.zeros(len(strikes), bool)
    marks: list[tuple[float, float]] = []
    too_quick = 0
    for file in np.unique(strikes[:, 0]):
        here = np.flatnonzero(strikes[:, 0] == file)
        time_s = strikes[here, 1]
        contact_s = np.sort(np.append(time_s, others[others[:, 0] == file, 1]))
        start = k = 0
        while k < len(here):
            after_s = contact_s - time_s[k]
            second = after_s[(after_s >= _LEAST_S - _ONSET_S) & (after_s <= MARK_S)]
            stop = int(np.searchsorted(time_s, time_s[k] + MARK_S, "right"))
            rests = stop == len(here) or time_s[stop] - time_s[k] >= _REST_S + _LEAST_S
            looks = bool(len(second) and rests)
            if looks and _slow(time_s[start:k], each):
                marks.append((float(file), float(time_s[k])))
                part[here[k:stop]] = True
                start = k = stop
            else:
                too_quick += looks
                k += 1
    return np.array(marks).reshape(-1, 2), part, too_quick


def _slow(time_s: FloatArray, each: int) -> bool:
    """Whether a row leaves room for marks; so few strikes that nobody can tell leave it too."""
    gap_s = (time_s[each:] - time_s[:-each]) / each
    return not len(gap_s) or bool(np.median(gap_s) >= _SLOWEST_S)
