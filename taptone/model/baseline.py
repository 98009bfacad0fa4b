"""Good laminate, learnt robustly from a few known-good places: an estimator in scikit-learn's contract."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted, validate_data

from taptone.model.tail import Tail, fit_tail
from taptone.pipeline.robust import FREEDOM, MOST_FREEDOM, drawn_in_covariance, location_scale
from taptone.types import FloatArray

__all__ = ["Baseline"]

_FOLDS = 10


class Baseline(BaseEstimator):  # type: ignore[misc]
    """Middle and covariance of how good places sound, and how far good places stray from it.

    Twenty places cannot carry the covariance of seventeen bands, so it is shrunk as Ledoit and Wolf
    showed; ``effective_features_`` says how many independent features remain.

    Parameters
    ----------
    benign : array-like of shape (n_features,) or None, default=None
        A direction that is not held against a place, however far it goes that way (crisper).
    least_spread : array-like of shape (n_features,) or float, default=0.0
        Good places are never taken to agree better than this, in the features' own unit: a measure is no
        surer than that.

    Attributes
    ----------
    location_ : ndarray of shape (n_features,)
        Robust middle (Huber's second proposal).
    precision_ : ndarray of shape (n_features, n_features)
        Inverse of the shrunken covariance.
    effective_features_ : float
        (sum of eigenvalues)² / sum of their squares, of the shrunken covariance.
    n_places_ : int
        Number of places learnt from.
    free_ : ndarray of shape (n_features,) or None
        The benign direction, where it was not to count.
    dips_ : ndarray of shape (n_dips, n_features)
        Ways that one thing may have moved on a good place too, upward; only movement downward is free.
    held_out_ : ndarray of shape (n_places,)
        Score of each place by what the others taught, in ten parts.
    tail_ : Tail
        Fitted to the scores of places held out in turn.

    Examples
    --------
    >>> import numpy as np
    >>> good = np.random.default_rng(0).normal([5.0, 3.0], [1.0, 0.2], size=(40, 2))
    >>> model = Baseline().fit(good)
    >>> near, far = model.score_samples([[5.0, 3.0], [12.0, 3.0]])
    >>> bool(near < 1 < 4 < far)
    True
    """

    def __init__(self, benign: ArrayLike | None = None, least_spread: ArrayLike = 0.0) -> None:
        self.benign = benign
        self.least_spread = least_spread

    def fit(
        self,
        X: ArrayLike,
        y: object = None,  # noqa: ARG002 (scikit-learn passes it)
        groups: ArrayLike | None = None,
        dips: ArrayLike | None = None,
        every_way: bool = False,
    ) -> Baseline:
        """Learn from places.

        Parameters
        ----------
        X : array-like of shape (n_places, n_features)
            Features of known-good places; at least 2.
        y : None
            Not used.
        groups : array-like of int, shape (n_places,), optional
            Rows that may be of one place: those of one group are held out together. None: each by itself.
        dips : array-like of shape (n_dips, n_features), optional
            What else may fall away on a good place, one or the other, however far: each row is how the
            features move where it rises by 1. A score does not count the one that explains most. None: all
            of a difference counts.
        every_way : bool, optional
            Movement in the benign direction counts as any other.

        Returns
        -------
        Baseline
            Itself.
        """
        rows = np.asarray(validate_data(self, X, ensure_min_samples=2, dtype=float), float)
        self.n_places_ = len(rows)
        self.dips_ = np.zeros((0, rows.shape[1])) if dips is None else np.asarray(dips, float)
        if self.dips_.ndim != 2 or self.dips_.shape[1] != rows.shape[1]:
            raise ValueError(f"dips of shape {self.dips_.shape}: {rows.shape[1]} columns are needed")
        self.free_ = None if self.benign is None or every_way else np.asarray(self.benign, float)
        self.location_, covariance = _learn(rows, self.least_spread)
        self.precision_: FloatArray = np.asarray(np.linalg.inv(covariance), float)
        self.effective_features_ = float(np.trace(covariance) ** 2 / np.sum(covariance**2))
        # Places the model has not seen stray further than those it was fitted to: hold out in turn.
        part = np.arange(len(rows))
        if groups is not None and len(np.unique(groups)) > 1:
            part = np.unique(groups, return_inverse=True)[1]
        folds = part % _FOLDS
        held_out = np.empty(len(rows))
        for fold in range(folds.max() + 1):
            rest = rows[folds != fold]
            location, covariance = (
                _learn(rest, self.least_spread) if len(rest) > 1 else (self.location_, covariance)
            )
            held_out[folds == fold] = self._distance(
                rows[folds == fold] - location, np.asarray(np.linalg.inv(covariance), float)
            )
        self.held_out_: FloatArray = held_out
        self.tail_: Tail = fit_tail(held_out, MOST_FREEDOM if len(self.dips_) else FREEDOM)
        return self

    def score_samples(self, X: ArrayLike) -> FloatArray:
        """Distance from good, in scales; movement in the benign direction does not count.

        Parameters
        ----------
        X : array-like of shape (n_samples, n_features)
            Features.

        Returns
        -------
        ndarray of shape (n_samples,)
            0 = as the reference; larger = more different.
        """
        check_is_fitted(self)
        rows = np.asarray(validate_data(self, X, reset=False, dtype=float), float)
        return self._distance(rows - self.location_, self.precision_)

    def chance_if_good(self, score: FloatArray, *, usual: bool = False) -> FloatArray:
        """Share of good places expected to score at least this much (``tail fitted``).

        Parameters
        ----------
        score : ndarray
            From :meth:`score_samples`.
        usual : bool, optional
            By a tail without surprises, for choosing what to compare with.

        Returns
        -------
        ndarray
            Between 0 and 1.
        """
        check_is_fitted(self)
        return self.tail_.chance(np.asarray(score, float), usual=usual)

    def counted(self, X: ArrayLike) -> FloatArray:
        """Places as their scores count them, with the dip taken out.

        Parameters
        ----------
        X : array-like of shape (n_samples, n_features)
            Features.

        Returns
        -------
        ndarray of shape (n_samples, n_features)
            The same where nothing dips.
        """
        check_is_fitted(self)
        rows = np.asarray(validate_data(self, X, reset=False, dtype=float), float)
        squared, depth = self._squared(rows - self.location_, self.precision_)
        which, every = squared.argmin(axis=1), np.arange(len(rows))
        ways = np.concatenate([np.zeros((1, rows.shape[1])), self.dips_])
        return np.asarray(rows - depth[every, which][:, None] * ways[which])

    def _distance(self, difference: FloatArray, precision: FloatArray) -> FloatArray:
        squared, _ = self._squared(difference, precision)
        return np.asarray(np.sqrt(np.maximum(squared.min(axis=1), 0.0)))

    def _squared(self, difference: FloatArray, precision: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Squared distance as it is, then less each dip, infinite where that would have to rise; and how far.

        The least over how far one goes along free ways, by the normal equations of one or two of them.
        """
        weighed, along_dips = difference @ precision, self.dips_ @ precision
        whole = np.einsum("ij,ij->i", weighed, difference)[:, None]
        stiff = np.einsum("ij,ij->i", along_dips, self.dips_)
        depth = weighed @ self.dips_.T / stiff
        squared = whole - depth**2 * stiff
        if (direction := self.free_) is not None:
            pull, both = weighed @ direction, along_dips @ direction
            length = float(direction @ precision @ direction)
            whole = whole - np.maximum(pull, 0.0)[:, None] ** 2 / length
            left = np.maximum(length - both**2 / stiff, 1e-12 * length)
            further = np.maximum(pull[:, None] - depth * both, 0.0) / left
            squared = squared - further**2 * left
            depth = depth - further * both / stiff
        squared = np.column_stack([whole, np.where(depth < 0, squared, np.inf)])
        return squared, np.column_stack([np.zeros(len(squared)), depth])


def _learn(X: FloatArray, least_spread: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Robust middle, and covariance of the rows with stray values drawn in."""
    location, scale = location_scale(X)
    # A feature that never varied tells nothing; its scale is set so that rounding is not a difference.
    scale = np.where(scale > 0, scale, np.maximum(np.abs(location), 1.0) * 1e-6)
    scale = np.maximum(scale, np.asarray(least_spread, float))
    return location, drawn_in_covariance(X - location, scale)
