"""Whether the taps were found, and how exactly in time.

Conventions: onsets are seconds from the start of the recording, rising. An estimate hits a true onset if the
two lie at most `window_s` apart, the boundary included. Pairs are one to one: of all the ways to make the
most pairs, the one with the least total error is taken, so a stray beside a hit does not spoil its error.
F-measure, precision and recall follow the usual convention of music information retrieval (mir_eval.onset).
Errors are estimate minus truth, of the pairs only.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import linear_sum_assignment

from taptone.types import FloatArray

__all__ = ["error_ms", "evaluate", "f_measure", "match", "validate"]

WINDOW_S = 0.020


def validate(reference_s: ArrayLike, estimated_s: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Refuse what cannot be onsets.

    Parameters
    ----------
    reference_s, estimated_s : array_like, shapes (n,) and (m,)
        True and estimated onsets in s.

    Returns
    -------
    tuple of numpy.ndarray
        Both as arrays of float.

    Raises
    ------
    ValueError
        If they are not one row of finite, rising times from 0 up.

    Examples
    --------
    >>> validate([1.0, 0.5], [])
    Traceback (most recent call last):
        ...
    ValueError: reference onsets do not rise: sort them by time
    """
    both = np.asarray(reference_s, float), np.asarray(estimated_s, float)
    for name, times in zip(("reference", "estimated"), both, strict=True):
        if times.ndim != 1:
            raise ValueError(f"{name} onsets have {times.ndim} dimensions: give one row of times")
        if not np.isfinite(times).all() or (times < 0).any():
            raise ValueError(f"{name} onsets are not all finite and from 0 s up: leave out the missed")
        if (np.diff(times) < 0).any():
            raise ValueError(f"{name} onsets do not rise: sort them by time")
    return both


def match(reference_s: ArrayLike, estimated_s: ArrayLike, window_s: float = WINDOW_S) -> NDArray[np.intp]:
    """Pair true and estimated onsets one to one.

    Parameters
    ----------
    reference_s, estimated_s : array_like, shapes (n,) and (m,)
        Onsets in s.
    window_s : float, optional
        Furthest that a pair may lie apart, in s.

    Returns
    -------
    numpy.ndarray of int, shape (pairs, 2)
        Indices into `reference_s` and `estimated_s`.

    Examples
    --------
    >>> match([1.0, 2.0], [0.985, 1.001, 3.0]).tolist()
    [[0, 1]]
    """
    reference, estimated = validate(reference_s, estimated_s)
    # The window is laid round the truth, so that 1.05 is within 0.05 of 1.0 in spite of rounding.
    after = estimated >= reference[:, None] - window_s
    near = after & (estimated <= reference[:, None] + window_s)
    away = np.abs(estimated - reference[:, None])
    # One more pair must be worth more than any sum of errors.
    worth = np.where(near, (len(reference) + 1) * (window_s + 1e-9) - away, 0.0)
    rows, columns = linear_sum_assignment(worth, maximize=True)
    held = near[rows, columns]
    return np.stack([rows[held], columns[held]], axis=1)


def f_measure(
    reference_s: ArrayLike, estimated_s: ArrayLike, window_s: float = WINDOW_S
) -> tuple[float, float, float]:
    """F-measure, precision and recall.

    Parameters
    ----------
    reference_s, estimated_s : array_like, shapes (n,) and (m,)
        Onsets in s.
    window_s : float, optional
        Furthest that a pair may lie apart, in s.

    Returns
    -------
    tuple of float
        Each from 0 to 1; all 0 where there is nothing to find or nothing was found.

    Examples
    --------
    >>> f_measure([1.0, 2.0], [1.001])
    (0.6666666666666666, 1.0, 0.5)
    """
    reference, estimated = validate(reference_s, estimated_s)
    pairs = len(match(reference, estimated, window_s))
    if not pairs:
        return 0.0, 0.0, 0.0
    precision, recall = pairs / len(estimated), pairs / len(reference)
    return 2.0 * precision * recall / (precision + recall), precision, recall


def error_ms(reference_s: ArrayLike, estimated_s: ArrayLike, window_s: float = WINDOW_S) -> FloatArray:
    """Error of each pair.

    Parameters
    ----------
    reference_s, estimated_s : array_like, shapes (n,) and (m,)
        Onsets in s.
    window_s : float, optional
        Furthest that a pair may lie apart, in s.

    Returns
    -------
    numpy.ndarray, shape (pairs,)
        Estimate minus truth in ms.

    Examples
    --------
    >>> error_ms([1.0, 2.0], [1.001, 1.998]).round(3).tolist()
    [1.0, -2.0]
    """
    reference, estimated = validate(reference_s, estimated_s)
    pairs = match(reference, estimated, window_s)
    return np.asarray((estimated[pairs[:, 1]] - reference[pairs[:, 0]]) * 1000.0)


def evaluate(reference_s: ArrayLike, estimated_s: ArrayLike, window_s: float = WINDOW_S) -> dict[str, float]:
    """All metrics at once.

    Parameters
    ----------
    reference_s, estimated_s : array_like, shapes (n,) and (m,)
        Onsets in s.
    window_s : float, optional
        Furthest that a pair may lie apart, in s.

    Returns
    -------
    dict
        Name to score; the errors are sizes in ms, ``nan`` without a pair.

    Examples
    --------
    >>> scores = evaluate([1.0, 2.0], [1.001, 1.998])
    >>> scores["f_measure"], round(scores["error_median_ms"], 3)
    (1.0, 1.5)
    """
    f, precision, recall = f_measure(reference_s, estimated_s, window_s)
    size = np.abs(error_ms(reference_s, estimated_s, window_s))
    return {
        "f_measure": f,
        "precision": precision,
        "recall": recall,
        "error_median_ms": float(np.median(size)) if size.size else math.nan,
        "error_p95_ms": float(np.percentile(size, 95)) if size.size else math.nan,
    }
