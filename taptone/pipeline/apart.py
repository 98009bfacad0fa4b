"""Strikes of one station that do not agree: no single strike makes a suspect.

Medians pool three strikes of which one went wrong, but the median of two is their mean. So where the strikes
of a station lie further apart than twice the usual, it is judged with all of them and with each one left
out, and what differs least counts: it is suspect only if it is so without any one of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from taptone.pipeline.compare import Comparison
from taptone.types import FloatArray, Point

__all__ = ["far_apart", "least_different", "say_apart"]

_TIMES = 2.0  # the usual spread
_LEAST = 4  # stations with several strikes, to know what is usual


def far_apart(spread_db: FloatArray) -> tuple[tuple[int, ...], float]:
    """Stations whose strikes lie further apart than twice the middle of all stations.

    Parameters
    ----------
    spread_db : ndarray, shape (stations,)
        How far the strikes of each lie apart; ``nan`` of one strike.

    Returns
    -------
    stations : tuple of int
        Their indices; none where fewer than 4 stations had several strikes.
    usual_db : float
        The middle; ``nan`` of too few.

    Examples
    --------
    >>> far_apart(np.array([1.0, 1.2, 0.8, 3.0, 1.1]))
    ((3,), 1.1)
    """
    several = spread_db[np.isfinite(spread_db)]
    if len(several) < _LEAST:
        return (), float("nan")
    usual_db = float(np.median(several))
    return tuple(int(k) for k in np.flatnonzero(spread_db > _TIMES * usual_db)), usual_db


def least_different(
    compared: Comparison, without: Sequence[Comparison], stations: Sequence[int]
) -> Comparison:
    """Take for some stations the comparison in which they differ least.

    Parameters
    ----------
    compared : Comparison
        With all strikes.
    without : sequence of Comparison
        With one strike left out at each of `stations`: the first, the second …
    stations : sequence of int
        Indices.

    Returns
    -------
    Comparison
        As `compared`, but for `stations`.

    Examples
    --------
    >>> both = Comparison(np.array([1.0, 9.0]), np.array([0.5, 1e-6]), np.array([True, False]), ((), ()))
    >>> one = Comparison(np.array([1.0, 2.0]), np.array([0.5, 0.2]), np.array([True, True]), ((), ()))
    >>> least_different(both, [one], [1]).score
    array([1., 2.])
    """
    names = ("score", "chance_if_good", "chance_by_ring", "ring_off_db", "difference", "heard")
    own = {name: rows.copy() for name in names if (rows := getattr(compared, name)) is not None}
    of_kind = None if compared.chance_of_kind is None else compared.chance_of_kind.copy()
    for k in stations:
        for other in without:
            if other.chance_if_good[k] > own["chance_if_good"][k]:
                for name, rows in own.items():
                    if (theirs := getattr(other, name)) is not None:
                        rows[k] = theirs[k]
            if of_kind is not None and other.chance_of_kind is not None:
                of_kind[k] = np.fmax(of_kind[k], other.chance_of_kind[k])
    return replace(compared, **own, chance_of_kind=of_kind)


def say_apart(points: Sequence[Point], apart: Sequence[int], usual_db: float) -> tuple[Point, ...]:
    """Say at which stations the strikes do not agree.

    Parameters
    ----------
    points : sequence of Point
        As judged.
    apart : sequence of int
        Those stations.
    usual_db : float
        From :func:`far_apart`.

    Returns
    -------
    tuple of Point
        They carry the flag ``strikes differ``.

    Examples
    --------
    >>> p = Point("deck", "B3", 0.3, 0.2, 2, (), (), 1.0, "no difference", spread=4.0, reason="as good ones")
    >>> say_apart([p], [0], 1.2)[0].reason
    'as good ones; its 2 strikes lie 4.0 dB apart, usually 1.2 dB: judged without the worst of them'
    """
    return tuple(
        replace(
            p,
            flags=(*p.flags, "strikes differ"),
            reason=f"{p.reason}; its {p.taps} strikes lie {p.spread:.1f} dB apart, usually {usual_db:.1f} dB"
            ": judged without the worst of them",
        )
        if k in apart
        else p
        for k, p in enumerate(points)
    )
