"""Whether the right stations were flagged.

Conventions: one entry a station. `loose` says what is true: True where the skin is loose, False where it is
good; leave out stations that are neither (beside an edge, on structure). `flagged` says what was called
suspect. `score` ranks the stations, larger = more different, and is ``nan`` where a station was not assessed.
A loose station that was not assessed is no hit: `hits` counts it as missed, and `not_assessed` says how many
there were. The ranking metrics (AUC, average precision, hits at a share of false flags) look at assessed
stations only. A share of nothing is ``nan``, never zero.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import rankdata

from taptone.types import FloatArray

__all__ = [
    "auc",
    "average_precision",
    "evaluate",
    "false_flags",
    "hits",
    "hits_at_false_flags",
    "not_assessed",
    "validate",
]

_Truth = NDArray[np.bool_]


def validate(loose: ArrayLike, values: ArrayLike) -> tuple[_Truth, FloatArray]:
    """Refuse what does not belong together.

    Parameters
    ----------
    loose : array_like of bool, shape (n,)
        True where the skin is loose.
    values : array_like, shape (n,)
        Flags or scores of the same stations.

    Returns
    -------
    tuple of numpy.ndarray
        Truth as bool, values as float.

    Raises
    ------
    ValueError
        If the shapes differ, or the truth is not all true or false.

    Examples
    --------
    >>> validate([True, False], [0.5])
    Traceback (most recent call last):
        ...
    ValueError: truth has shape (2,), values (1,): give one of each for every station
    """
    truth, held = np.asarray(loose), np.asarray(values, float)
    if truth.shape != held.shape or truth.ndim != 1:
        raise ValueError(
            f"truth has shape {truth.shape}, values {held.shape}: give one of each for every station"
        )
    if truth.size and truth.dtype != bool:
        raise ValueError(f"truth is of type {truth.dtype}: give True or False for every station")
    return truth.astype(bool), held


def hits(loose: ArrayLike, flagged: ArrayLike) -> float:
    """Share of the loose stations that were flagged.

    Parameters
    ----------
    loose, flagged : array_like of bool, shape (n,)
        Truth and verdict.

    Returns
    -------
    float
        From 0 to 1.

    Examples
    --------
    >>> hits([True, True, False], [True, False, True])
    0.5
    """
    truth, flag = validate(loose, flagged)
    return _share(flag[truth] > 0)


def false_flags(loose: ArrayLike, flagged: ArrayLike) -> float:
    """Share of the good stations that were flagged.

    Parameters
    ----------
    loose, flagged : array_like of bool, shape (n,)
        Truth and verdict.

    Returns
    -------
    float
        From 0 to 1.

    Examples
    --------
    >>> false_flags([True, False, False], [True, False, True])
    0.5
    """
    truth, flag = validate(loose, flagged)
    return _share(flag[~truth] > 0)


def not_assessed(score: ArrayLike) -> float:
    """Share of the stations that have no score.

    Parameters
    ----------
    score : array_like, shape (n,)
        ``nan`` where a station was not assessed.

    Returns
    -------
    float
        From 0 to 1.

    Examples
    --------
    >>> not_assessed([0.1, float("nan")])
    0.5
    """
    return _share(np.isnan(np.asarray(score, float)))


def auc(loose: ArrayLike, score: ArrayLike) -> float:
    """Area under the curve of hits over false flags.

    Parameters
    ----------
    loose : array_like of bool, shape (n,)
        Truth.
    score : array_like, shape (n,)
        Larger = more different.

    Returns
    -------
    float
        Chance that a loose station outranks a good one, ties counting half.

    References
    ----------
    J. A. Hanley and B. J. McNeil, Radiology 143 (1982) 29-36.

    Examples
    --------
    >>> auc([True, False, False], [2.0, 1.0, 2.0])
    0.75
    """
    truth, held = _assessed(loose, score)
    n, m = int(truth.sum()), int((~truth).sum())
    if not n or not m:
        return math.nan
    return float((rankdata(held)[truth].sum() - n * (n + 1) / 2) / (n * m))


def average_precision(loose: ArrayLike, score: ArrayLike) -> float:
    """Precision at each cut, weighed with the hits that the cut adds.

    Parameters
    ----------
    loose : array_like of bool, shape (n,)
        Truth.
    score : array_like, shape (n,)
        Larger = more different.

    Returns
    -------
    float
        From 0 to 1; no interpolation between cuts.

    Examples
    --------
    >>> average_precision([True, False, True], [3.0, 2.0, 1.0])
    0.8333333333333333
    """
    true, false = _cuts(loose, score)
    if not true[-1]:
        return math.nan
    precision = true[1:] / (true[1:] + false[1:])
    return float(np.sum(np.diff(true) / true[-1] * precision))


def hits_at_false_flags(loose: ArrayLike, score: ArrayLike, most: float = 0.01) -> float:
    """Share of the loose stations found by the best cut that flags at most a share of the good ones.

    Parameters
    ----------
    loose : array_like of bool, shape (n,)
        Truth.
    score : array_like, shape (n,)
        Larger = more different.
    most : float, optional
        Largest share of good stations that may be flagged.

    Returns
    -------
    float
        From 0 to 1.

    Examples
    --------
    >>> hits_at_false_flags([True, True, False], [3.0, 1.0, 2.0])
    0.5
    """
    true, false = _cuts(loose, score)
    if not true[-1] or not false[-1]:
        return math.nan
    return float(true[false <= most * false[-1]].max() / true[-1])


def evaluate(loose: ArrayLike, flagged: ArrayLike, score: ArrayLike) -> dict[str, float]:
    """All metrics at once.

    Parameters
    ----------
    loose, flagged : array_like of bool, shape (n,)
        Truth and verdict.
    score : array_like, shape (n,)
        Larger = more different; ``nan`` where not assessed.

    Returns
    -------
    dict
        Name to score.

    Examples
    --------
    >>> evaluate([True, False], [True, False], [0.9, 0.2])["hits"]
    1.0
    """
    return {
        "hits": hits(loose, flagged),
        "false_flags": false_flags(loose, flagged),
        "not_assessed": not_assessed(score),
        "auc": auc(loose, score),
        "average_precision": average_precision(loose, score),
        "hits_at_1_percent": hits_at_false_flags(loose, score),
    }


def _share(chosen: _Truth) -> float:
    return float(np.mean(chosen)) if chosen.size else math.nan


def _assessed(loose: ArrayLike, score: ArrayLike) -> tuple[_Truth, FloatArray]:
    truth, held = validate(loose, score)
    known = ~np.isnan(held)
    return truth[known], held[known]


def _cuts(loose: ArrayLike, score: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Loose and good stations flagged at each cut between different scores, from no flag to all."""
    truth, held = _assessed(loose, score)
    order = np.argsort(-held, kind="stable")
    truth, held = truth[order], held[order]
    last = np.flatnonzero(held[:-1] != held[1:])  # equal scores cannot be cut apart
    ends = np.concatenate([last, [len(held) - 1]]) if len(held) else np.zeros(0, np.intp)
    true = np.concatenate([[0.0], np.cumsum(truth)[ends]])
    false = np.concatenate([[0.0], np.cumsum(~truth)[ends]])
    return true, false
