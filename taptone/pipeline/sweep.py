"""A swept row: struck quickly between two known places, as often as it comes; where each strike landed.

The hand is taken to move by equal steps. How unevenly the strikes follow each other in time says how far that
may be wrong: a hand that moves steadily and strikes unevenly is where the time says, not the count.
"""

from __future__ import annotations

import math

import numpy as np

from taptone.types import FloatArray, Place, Station

__all__ = ["FEWEST", "RATES_HZ", "is_swept", "swept_places"]

#: Strikes a second.
RATES_HZ = (2.0, 4.0)
#: Fewer strikes are no sweep.
FEWEST = 3
_LOOSE = 1.1  # by so much a hand may stray from that rate


def is_swept(time_s: FloatArray) -> bool:
    """Whether strikes follow each other as in a swept row, 2 to 4 a second.

    Parameters
    ----------
    time_s : ndarray of float, shape (n,)
        Onsets in s.

    Returns
    -------
    bool
        Never of fewer than 3.

    Examples
    --------
    >>> is_swept(np.array([0.0, 0.3, 0.6, 1.0])), is_swept(np.array([0.0, 1.0, 2.0]))
    (True, False)
    """
    if len(time_s) < FEWEST:
        return False
    rate_hz = 1 / float(np.median(np.diff(time_s)))
    return RATES_HZ[0] / _LOOSE <= rate_hz <= RATES_HZ[1] * _LOOSE


def swept_places(first: Station, last: Station, time_s: FloatArray, start: int = 0) -> list[Place]:
    """Lay the strikes of a swept row evenly between its two known places.

    Parameters
    ----------
    first, last : Station
        Where the first and the last strike landed.
    time_s : ndarray of float, shape (n,)
        Onsets in s.
    start : int, default 0
        Index of the first strike.

    Returns
    -------
    list of Place
        One a strike. Those between are labelled by the first: ``C1+1``, ``C1+2``, … All carry the flag
        ``swept ±0.04 m``: half the way between strikes, and how far apart their places by count and by time
        lie at most.

    Examples
    --------
    >>> row = swept_places(Station("C1", 0.0, 0.2, 2), Station("C9", 0.8, 0.2, 2), np.array([1.0, 1.3, 1.7]))
    >>> [(spot.station.label, spot.station.x_m, spot.flags) for spot in row][1:]
    [('C1+1', 0.4, ('swept ±0.26 m',)), ('C9', 0.8, ('swept ±0.26 m',))]
    """
    by_count = np.linspace(0.0, 1.0, len(time_s))
    by_time = (time_s - time_s[0]) / (time_s[-1] - time_s[0])
    length_m = math.hypot(last.x_m - first.x_m, last.y_m - first.y_m)
    doubt_m = length_m * (0.5 / (len(time_s) - 1) + float(np.abs(by_count - by_time).max()))
    flag = f"swept ±{math.ceil(100 * doubt_m - 1e-6) / 100:.2f} m"
    places = []
    for n, share in enumerate(by_count.tolist()):
        x_m, y_m = (a + share * (b - a) for a, b in ((first.x_m, last.x_m), (first.y_m, last.y_m)))
        between = Station(f"{first.label}+{n}", round(x_m, 6), round(y_m, 6), first.row)
        station = first if n == 0 else last if n == len(time_s) - 1 else between
        places.append(Place(station, (start + n,), (flag,)))
    return places
