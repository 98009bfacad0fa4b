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

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.robust import location_scale
from taptone.types import FloatArray

__all__ = ["ends_at_a_step", "lower_heap"]

_FEWEST = 30  # stations
_BETTER = 24.0  # difference of the criterion
_APART = 3.5  # spreads between the middles
_SHARE = (0.1, 0.5)  # of the stations in the upper heap
_LEAST = 1e-3
_LEANING = 0.15  # of the way from the larger part to the smaller


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
    if len(score) < _FEWEST:
        return every
    from sklearn.mixture import GaussianMixture

    x = np.log(np.maximum(score, _LEAST))[:, None]
    one = GaussianMixture(1).fit(x)
    two = GaussianMixture(2, covariance_type="tied", n_init=2, random_state=0).fit(x)
    upper = int(np.argmax(two.means_[:, 0]))
    apart = abs(float(two.means_[1, 0] - two.means_[0, 0])) / float(np.sqrt(two.covariances_[0, 0]))
    divided = (
        one.bic(x) - two.bic(x) > _BETTER and apart > _APART and _SHARE[0] < two.weights_[upper] < _SHARE[1]
    )
    return np.asarray(two.predict(x) != upper) if divided else every


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
    return leaning < _LEANING
