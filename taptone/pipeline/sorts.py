"""Divide a panel in two where its stations are of two sorts of sound: the larger part, and the smaller.

By how far stations lie from the half most alike, and, where that shows nothing, by whether many lie off the
same way: good stations stray each in a direction of its own, bad ones that belong together in one. Along it
they stand apart where by distance alone the one sort reaches into the other. Strikes of a harder hand are all
off one way as well: now and then, anywhere, so these stations must lie together; over whole rows, so they
must also stand apart without that way, as must a frame: it makes skin crisper, and little else.

References
----------
P. A. P. Moran, J. R. Stat. Soc. B 10 (1948) 243-251, joins of like places on a map; A. C. A. Hope, J. R.
Stat. Soc. B 30 (1968) 582-598, the test by shuffling. How far apart and how together is chosen on made-up
panels.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.heaps import FEWEST, ends_at_a_step, logarithms, lower_heap, two_heaps
from taptone.pipeline.robust import location_scale
from taptone.types import FloatArray, Scorer

__all__ = ["Sorts", "divide"]

_APART = 4.0  # spreads between the middles along the one way
_APART_STILL, _OF_THE_WAY = 2.0, 0.25  # the same, and how much is left of the way, without the free way
_OFF = 3.0  # spreads of the larger part beyond which a station is of the smaller
_HAVE_A_MEAN = 3  # stations
_TURNS = 15
_SHUFFLES, _AS_MUCH = 999, 0.01  # and the share of them that may lie as much together


@dataclass(frozen=True, slots=True, eq=False)
class Sorts:
    """The two parts of a panel; nobody is in the smaller where it does not divide.

    ``at_a_step``: the one ends where the other begins, not by degrees. ``one_way``: the smaller was found by
    what its stations have in common.
    """

    larger: NDArray[np.bool_]
    smaller: NDArray[np.bool_]
    at_a_step: bool = False
    one_way: bool = False


def divide(
    off_db: FloatArray,
    able: NDArray[np.bool_],
    core: NDArray[np.bool_],
    near: Sequence[Sequence[int]],
    new_scorer: Callable[[], Scorer],
    least_db: float,
    free: FloatArray | None = None,
) -> Sorts:
    """Divide the stations of a panel in two sorts.

    Parameters
    ----------
    off_db : ndarray, shape (stations, features)
        How each differs from the middle of the half most alike, in dB.
    able, core : ndarray of bool, shape (stations,)
        Which stations are asked, and which of these are that half.
    near : sequence of sequence of int, length stations
        Which of the asked lie beside each.
    new_scorer : callable
        Makes an unfitted model.
    least_db : float
        No feature is taken to agree better.
    free : ndarray, shape (features,), optional
        A way that good stations may go together, a harder blow's. None: there is no such way.

    Returns
    -------
    Sorts
        By distance where that ends at a step; else by what many have in common, if that does and is more
        than the free way; else by distance.

    Examples
    --------
    >>> from taptone.model.baseline import Baseline
    >>> x, y = np.divmod(np.arange(100), 10)
    >>> far_m = np.hypot(x[:, None] - x, y[:, None] - y)
    >>> near = np.argsort(far_m, axis=1)[:, 1:5].tolist()
    >>> off_db = np.random.default_rng(0).normal(size=(100, 6))
    >>> everyone, core = np.ones(100, bool), x < 5
    >>> int(divide(off_db, everyone, core, near, Baseline, 0.7).smaller.sum())
    0
    >>> off_db[x > 6] += [4.0, 4.0, 4.0, -4.0, -4.0, 0.0]
    >>> np.unique(x[divide(off_db, everyone, core, near, Baseline, 0.7).smaller]).tolist()
    [7, 8, 9]
    """
    nobody = np.zeros(len(able), bool)
    if core.sum() < 2:
        return Sorts(able, nobody)
    scorer = new_scorer().fit(off_db[core])
    distance = np.zeros(len(able))
    distance[able] = scorer.score_samples(off_db[able])
    distance[core] = scorer.held_out_

    def at_a_step(smaller: NDArray[np.bool_]) -> bool:
        return ends_at_a_step(off_db, able & ~smaller, smaller, near, least_db)

    far = nobody.copy()
    far[able] = ~lower_heap(distance[able])
    if far.any() and at_a_step(far):
        return Sorts(able & ~far, far, at_a_step=True)
    spread_db = np.maximum(location_scale(off_db[core])[1], max(least_db, 1e-9))
    scaled = off_db / spread_db
    alike = nobody.copy()
    alike[able] = _off_one_way(scaled[able], distance[able])
    told = alike.any() and at_a_step(alike) and _lies_together(alike, able, near)
    free = None if free is None else free / spread_db
    if told and _more_than(free, scaled[able & ~alike], scaled[alike]):
        return Sorts(able & ~alike, alike, at_a_step=True, one_way=True)
    return Sorts(able & ~far, far)


def _off_one_way(scaled: FloatArray, distance: FloatArray) -> NDArray[np.bool_]:
    """Which lie off along one direction, that from the middle of the others to theirs; nobody: there is none.

    By turns, from the farther half by distance: their direction, who stands apart along it, their direction
    again.
    """
    nobody = np.zeros(len(scaled), bool)
    if len(scaled) < FEWEST or not np.ptp(distance) > 0:
        return nobody
    off = two_heaps(logarithms(distance)).upper
    along = distance
    for _ in range(_TURNS):
        if min(int(off.sum()), int((~off).sum())) < _HAVE_A_MEAN:
            return nobody
        way = scaled[off].mean(axis=0) - scaled[~off].mean(axis=0)
        along = scaled @ way / max(float(np.linalg.norm(way)), 1e-300)
        found = two_heaps(along, off)
        if (found.upper == off).all():
            break
        off = found.upper
    if not found.stand_apart(_APART):
        return nobody
    middle, spread = location_scale(along[~off])
    return np.asarray(off | (along > float(middle) + _OFF * float(spread)))


def _more_than(free: FloatArray | None, larger: FloatArray, smaller: FloatArray) -> bool:
    """Whether two parts still stand apart, by no small part of their difference, without the free way."""
    way = smaller.mean(axis=0) - larger.mean(axis=0)
    left = way
    if free is not None:
        left = way - (way @ free) / (free @ free) * free
    one, other = smaller @ left, larger @ left
    spread = np.sqrt((len(one) * one.var() + len(other) * other.var()) / (len(one) + len(other)))
    apart = float(one.mean() - other.mean()) / max(float(spread), 1e-300)
    return apart >= _APART_STILL and bool(np.linalg.norm(left) >= _OF_THE_WAY * np.linalg.norm(way))


def _lies_together(who: NDArray[np.bool_], able: NDArray[np.bool_], near: Sequence[Sequence[int]]) -> bool:
    """Whether more of these lie beside each other than in all but 1 of 100 shuffles."""
    asked = np.flatnonzero(able)
    at = np.full(len(able), -1)
    at[asked] = np.arange(len(asked))
    pairs = np.array([(at[k], at[j]) for k in asked.tolist() for j in near[k] if at[j] >= 0], int).reshape(
        -1, 2
    )
    rng, marked = np.random.default_rng(0), who[asked]
    shuffled = [rng.permutation(marked) for _ in range(_SHUFFLES)]
    joins, *others = [int((m[pairs[:, 0]] & m[pairs[:, 1]]).sum()) for m in (marked, *shuffled)]
    return sum(n >= joins for n in others) <= _AS_MUCH * _SHUFFLES
