"""How often a good place would score as much: a fitted tail that carries the doubt of a small reference.

With n reference places the smallest conformal chance is 1/(n+1); a lone flag among 200 stations needs a
chance of 1 in 4 000, so the tail is fitted. Middle and spread of the logarithm of the score are learnt
robustly, and one more good place follows Student's distribution with 6 degrees of freedom or fewer (up to
10 where many places taught it and a dip in one band, the commonest surprise, does not count). The normal law
would do for 9 places in 10; but laminate holds surprises (a node, an odd strike), and beyond 1 in 100 it
promises too much. The scale is such that both agree at 1 in 10.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from taptone.pipeline.robust import FREEDOM, LEAST_CHANCE, far_out, location_scale
from taptone.types import FloatArray

__all__ = ["Tail", "conformal_chance", "fit_tail"]

_AGREE_AT = 0.1
_LEAST_SPREAD = 0.1  # of the logarithm: scores of good places never all agree to better than 10 %


@dataclass(frozen=True, slots=True)
class Tail:
    """Predictive distribution of the score of one more good place."""

    middle: float
    spread: float
    places: int
    freedom: float = FREEDOM

    def chance(self, score: FloatArray, *, usual: bool = False) -> FloatArray:
        """Share of good places expected to score at least this much.

        Parameters
        ----------
        score : ndarray
            Scores; 0 has chance 1.
        usual : bool, optional
            As if the logarithm were normal: sharper, for choosing neighbours.

        Returns
        -------
        ndarray
            From 1e-6 to 1, shape as `score`: nobody has heard a million good places.
        """
        from scipy.stats import t

        free = max(self.places - 1, 1)
        heavy = free if usual else min(free, self.freedom)
        stretch = t.isf(_AGREE_AT, heavy) / t.isf(_AGREE_AT, free)
        with np.errstate(divide="ignore"):
            log = np.log(score)
        strange = (log - self.middle) / (self.spread * np.sqrt(1 + 1 / self.places))
        return np.asarray(np.maximum(t.sf(strange * stretch, heavy), LEAST_CHANCE))


def fit_tail(score: FloatArray, most_freedom: float = FREEDOM) -> Tail:
    """Learn the tail from scores of good places that the model did not learn from.

    Parameters
    ----------
    score : ndarray, shape (n,)
        Scores; one in ten may belong to a poor place.
    most_freedom : float, optional
        Degrees of freedom far out, however many places there are: fewer say that good places hold more
        surprises, or that few places hardly know their covariance.

    Returns
    -------
    Tail
        Wider the fewer places there are.

    Examples
    --------
    >>> import numpy as np
    >>> score = np.exp(np.random.default_rng(0).normal(0.0, 0.3, 200))
    >>> fit_tail(score).chance(np.exp([0.0, 0.6])).round(2)
    array([0.51, 0.03])
    """
    middle, spread = location_scale(np.log(np.maximum(score, 1e-12)))
    n = len(score)
    return Tail(float(middle), max(float(spread), _LEAST_SPREAD), n, far_out(n, most_freedom))


def conformal_chance(score: FloatArray, calibration: FloatArray) -> FloatArray:
    """Conformal p-value: the share of calibration scores, and of this one, that are at least as large.

    Parameters
    ----------
    score : ndarray, shape (m,)
        Scores to be judged.
    calibration : ndarray, shape (n,)
        Scores of good places that the model was not learnt from.

    Returns
    -------
    ndarray, shape (m,)
        ``(1 + #{calibration >= score}) / (n + 1)``; never below ``1 / (n + 1)``.

    References
    ----------
    S. Bates et al., "Testing for outliers with conformal p-values", Ann. Statist. 51 (2023) 149-178.

    Examples
    --------
    >>> import numpy as np
    >>> conformal_chance(np.array([0.05, 0.5, 0.95]), np.arange(1, 10) / 10)
    array([1. , 0.6, 0.1])
    """
    ordered = np.sort(calibration)
    at_least = len(ordered) - np.searchsorted(ordered, score, side="left")
    return np.asarray((1 + at_least) / (len(ordered) + 1))
