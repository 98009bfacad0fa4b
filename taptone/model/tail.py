"""How often a good place would score as much: a fitted tail that carries the doubt of a small reference.

With n reference places the smallest conformal chance is 1/(n+1); a lone flag among 200 stations needs a
chance of 1 in 4 000, so the tail is fitted. Scores are distances in scales that were themselves learnt from
few places, hence Student's and Fisher's distributions in place of the normal and chi-squared ones.
"""

from __future__ import annotations

import numpy as np

from taptone.types import FloatArray

__all__ = ["conformal_chance", "fitted_chance"]


def fitted_chance(score: FloatArray, *, features: int, freedom: float) -> FloatArray:
    """Chance that a good place scores at least this much.

    The score is a distance from the half-line "as good, or crisper" (see ``judge.score``): half of good
    places lie beside that line (one feature fewer), half off its end.

    Parameters
    ----------
    score : ndarray
        Distances, in scales.
    features : int
        Number of features in the distance, 2 or more.
    freedom : float
        Degrees of freedom that the scales rest on.

    Returns
    -------
    ndarray
        Between 0 and 1, shape as `score`; ``nan`` where the score is.

    Examples
    --------
    >>> import numpy as np
    >>> fitted_chance(np.array([0.0, 3.0]), features=3, freedom=1e9).round(4)
    array([1.    , 0.0202])
    """
    from scipy.stats import f

    squared = np.square(score)
    off_end = f.sf(squared / features, features, freedom)
    beside = f.sf(squared / (features - 1), features - 1, freedom)
    return np.asarray(0.5 * (off_end + beside))


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
