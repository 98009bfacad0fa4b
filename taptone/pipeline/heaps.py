"""Tell whether the stations of a panel fall into two heaps: most of them alike, and many unlike these.

A wide bad part is not rare stray values: it is a second sort of sound, and a tail learnt from both hides it.
So the logarithms of the distances from the half most alike are described by one normal law and by two of one
width; where two are better by far, there are two heaps.

A bond mostly lets go at a line: a station beside a bad part is as good as one far off. Where thickness or
core drift over a panel, stations on the way lie between, and two heaps are two ends of one thing. So the
stations beside the smaller part are held against the rest of the larger.

References
----------
G. Schwarz, Ann. Stat. 6 (1978) 461-464, the criterion; R. E. Kass, A. E. Raftery, J. Am. Stat. Assoc. 90
(1995) 773-795: a difference of 10 is very strong evidence. More is asked for here, chosen on made-up panels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.robust import location_scale
from taptone.types import FloatArray

__all__ = ["FEWEST", "LEANING", "Heaps", "ends_at_a_step", "logarithms", "lower_heap", "two_heaps"]

#: Stations; fewer are not asked.
FEWEST = 30
#: Of the way to what is odd: where those beside it lie so far on it, the one turns into the other by degrees.
LEANING = 0.15
_BETTER = 24.0  # difference of the criterion
_APART = 3.5  # spreads between the middles
_SHARE = (0.1, 0.5)  # of the stations in the upper heap
_LEAST = 1e-3


def lower_heap(score: FloatArray) -> NDArray[np.bool_]:
    """Which stations lie in the lower of two heaps.

    Parameters
    ----------
    score : ndarray, shape (stations,)
        Distances from what most stations are like.

    Returns
    -------
    ndarray of bool, shape (stations,)
        All of them where there are no two heaps, or the upper holds under a tenth, or half and more.

    Examples
    --------
    >>> score = np.exp(np.random.default_rng(0).normal(size=60) / 5)
    >>> int(lower_heap(score).sum())
    60
    >>> score[40:] *= 5
    >>> np.flatnonzero(~lower_heap(score)).tolist() == list(range(40, 60))
    True
    """
    every = np.ones(len(score), bool)
    if len(score) < FEWEST or not np.ptp(score) > 0:
        return every
    heaps = two_heaps(logarithms(score))
    return np.asarray(~heaps.upper) if heaps.stand_apart(_APART) else every


def logarithms(score: FloatArray) -> FloatArray:
    """Natural logarithms of distances, of which none is taken for smaller than 0.001.

    Parameters
    ----------
    score : ndarray, shape (stations,)
        Distances from what most stations are like.

    Returns
    -------
    ndarray, shape (stations,)
        Finite.

    Examples
    --------
    >>> logarithms(np.array([0.0, 1.0])).round(1).tolist()
    [-6.9, 0.0]
    """
    return np.asarray(np.log(np.maximum(score, _LEAST)))


@dataclass(frozen=True, slots=True, eq=False)
class Heaps:
    """Numbers as two heaps: which lie in the upper, and how much two tell more than one.

    ``better`` is the difference of the Bayesian information criterion, ``apart`` the distance of the middles
    in spreads, ``share`` that of the upper.
    """

    upper: NDArray[np.bool_]
    better: float
    apart: float
    share: float

    def stand_apart(self, least: float) -> bool:
        """Whether there are two, that many spreads apart, and neither is all but everything."""
        enough = len(self.upper) >= FEWEST
        return bool(
            enough and self.better > _BETTER and self.apart > least and _SHARE[0] < self.share < _SHARE[1]
        )


def two_heaps(values: FloatArray, upper: NDArray[np.bool_] | None = None) -> Heaps:
    """Describe numbers by two normal laws of one width.

    Parameters
    ----------
    values : ndarray, shape (n,)
        At least 2.
    upper : ndarray of bool, shape (n,), optional
        Where to start from.

    Returns
    -------
    Heaps
        Whether they are two heaps is for :meth:`Heaps.stand_apart` to say.

    Examples
    --------
    >>> two_heaps(np.array([0.0, 0.1, 0.2, 5.0, 5.1])).upper.tolist()
    [False, False, False, True, True]
    """
    from sklearn.mixture import GaussianMixture

    x = values[:, None]
    starts = None if upper is None else np.array([[values[~upper].mean()], [values[upper].mean()]])
    one = GaussianMixture(1).fit(x)
    two = GaussianMixture(
        2, covariance_type="tied", n_init=2 if starts is None else 1, means_init=starts, random_state=0
    ).fit(x)
    above = int(np.argmax(two.means_[:, 0]))
    return Heaps(
        np.asarray(two.predict(x) == above),
        float(one.bic(x) - two.bic(x)),
        abs(float(two.means_[1, 0] - two.means_[0, 0])) / float(np.sqrt(two.covariances_[0, 0])),
        float(two.weights_[above]),
    )


def ends_at_a_step(
    off_db: FloatArray,
    larger: NDArray[np.bool_],
    smaller: NDArray[np.bool_],
    near: Sequence[Sequence[int]],
    least_db: float,
) -> bool:
    """Whether the larger part is, beside the smaller, still what it is elsewhere.

    Parameters
    ----------
    off_db : ndarray, shape (stations, features)
        How each station differs from a common middle, in dB.
    larger, smaller : ndarray of bool, shape (stations,)
        The two parts.
    near : sequence of sequence of int, length stations
        Which stations lie beside each.
    least_db : float
        No feature is taken to agree better.

    Returns
    -------
    bool
        False where those beside the smaller part lean towards it by 0.15 of the way and more; True as well
        where no station lies beside it, or every one does: then it cannot be told.

    Examples
    --------
    >>> near = [[k - 1, k + 1] for k in range(9)] + [[8]]
    >>> larger = np.arange(10) < 6
    >>> step, slope = np.where(larger, 0.0, 9.0), np.interp(np.arange(10), [3, 7], [0.0, 9.0])
    >>> [ends_at_a_step(off[:, None], larger, ~larger, near, 0.7) for off in (step, slope)]
    [True, False]
    """
    beside = larger & np.array([bool(smaller[list(k)].any()) for k in near])
    rest = larger & ~beside
    if not (smaller.any() and beside.any() and rest.any()):
        return True
    scaled = off_db / np.maximum(location_scale(off_db[larger])[1], least_db)
    middle = scaled[rest].mean(axis=0)
    way = scaled[smaller].mean(axis=0) - middle
    leaning = float((scaled[beside].mean(axis=0) - middle) @ way) / max(float(way @ way), 1e-300)
    return leaning < LEANING
