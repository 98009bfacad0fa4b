"""Good laminate, learnt robustly from a few known-good places: an estimator in scikit-learn's contract."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted, validate_data

from taptone.model.tail import fitted_chance
from taptone.pipeline.robust import location_scale, winsorised
from taptone.types import FloatArray

__all__ = ["Baseline"]


class Baseline(BaseEstimator):  # type: ignore[misc]
    """Middle, spread and correlation of a handful of features over known-good places.

    Parameters
    ----------
    shrinkage_places : float, default=10.0
        The correlations are drawn towards none as if this many uncorrelated places had been seen too:
        few places say little about correlation.

    Attributes
    ----------
    location_, scale_ : ndarray of shape (n_features,)
        Robust middle and spread of each feature, by Huber's second proposal.
    correlation_ : ndarray of shape (n_features, n_features)
        Shrunken correlation of the winsorised features.
    n_places_ : int
        Number of places learnt from.
    freedom_ : float
        Degrees of freedom that the scales rest on.

    Examples
    --------
    >>> import numpy as np
    >>> good = np.random.default_rng(0).normal([5.0, 3.0], [1.0, 0.2], size=(40, 2))
    >>> Baseline().fit(good).score_samples([[5.0, 3.0], [9.0, 3.0]]).round(0)
    array([0., 4.])
    """

    def __init__(self, shrinkage_places: float = 10.0) -> None:
        self.shrinkage_places = shrinkage_places

    def fit(self, X: ArrayLike, y: object = None) -> Baseline:
        """Learn from places.

        Parameters
        ----------
        X : array-like of shape (n_places, n_features)
            Features of known-good places; at least 2.
        y : None
            Not used.

        Returns
        -------
        Baseline
            Itself.
        """
        X = validate_data(self, X, ensure_min_samples=2, dtype=float)
        pairs = [location_scale(column) for column in X.T]
        self.location_ = np.array([pair[0] for pair in pairs])
        spread = np.array([pair[1] for pair in pairs])
        # A feature that never varied tells nothing; its scale is set so that rounding is not a difference.
        self.scale_ = np.where(spread > 0, spread, np.maximum(np.abs(self.location_), 1.0) * 1e-6)
        z = winsorised((X - self.location_) / self.scale_)
        product = z.T @ z / len(z)
        size = np.sqrt(np.maximum(np.diag(product), 1e-12))
        share = len(X) / (len(X) + self.shrinkage_places)
        self.correlation_ = share * product / np.outer(size, size)
        np.fill_diagonal(self.correlation_, 1.0)
        self.n_places_ = len(X)
        self.freedom_ = float(max(len(X) - 1, 1))
        return self

    def score_samples(self, X: ArrayLike) -> FloatArray:
        """Distance from good laminate in scales, whatever the direction: 0 = as the reference.

        Parameters
        ----------
        X : array-like of shape (n_samples, n_features)
            Features.

        Returns
        -------
        ndarray of shape (n_samples,)
            Larger = more different.
        """
        check_is_fitted(self)
        X = validate_data(self, X, reset=False, dtype=float)
        z = (X - self.location_) / self.scale_
        return np.asarray(np.sqrt(np.einsum("ij,ij->i", z @ np.linalg.inv(self.correlation_), z)))

    def chance_if_good(self, score: FloatArray, *, extra_freedom: float = 0.0) -> FloatArray:
        """Share of good places expected to score at least this much (``tail fitted``).

        Parameters
        ----------
        score : ndarray
            Distances from the half-line "as good, or crisper".
        extra_freedom : float, optional
            Degrees of freedom that good stations of the panel itself add.

        Returns
        -------
        ndarray
            Between 0 and 1.
        """
        check_is_fitted(self)
        features = max(len(self.location_), 2)
        return fitted_chance(np.asarray(score, float), features=features, freedom=self.freedom_ + extra_freedom)

    def __sklearn_tags__(self) -> Any:
        tags = super().__sklearn_tags__()
        tags.input_tags.allow_nan = False
        return tags
