"""Location and scale that one poor place in ten does not move."""

from __future__ import annotations

import numpy as np

from taptone.types import FloatArray

__all__ = ["location_scale", "winsorised"]

_BEND = 2.0  # values further than this many scales from the middle are drawn in to it
_CONSISTENT = 1.0 / 0.92054  # mean of min(z², _BEND²) for a normal variable


def location_scale(values: FloatArray) -> tuple[float, float]:
    """Middle and spread of numbers of which a few may be wrong: Huber's second proposal.

    It starts from median and median absolute deviation and keeps more of the information than these:
    with 20 places that is worth as much as tapping twice as many.

    Parameters
    ----------
    values : ndarray, shape (n,)
        ``nan`` are left out.

    Returns
    -------
    location, scale : float
        ``nan`` of an empty array; the scale is that of a normal variable.

    References
    ----------
    P. J. Huber and E. M. Ronchetti, Robust Statistics, 2nd ed., Wiley 2009, section 6.4 (from memory).

    Examples
    --------
    >>> import numpy as np
    >>> middle, spread = location_scale(np.array([1.0, 2, 3, 4, 5, 6, 7, 8, 100]))
    >>> bool(4 < middle < 6), bool(2 < spread < 5)
    (True, True)
    """
    x = values[np.isfinite(values)]
    if not len(x):
        return float("nan"), float("nan")
    middle = float(np.median(x))
    spread = 1.482602 * float(np.median(np.abs(x - middle)))
    if spread == 0:
        return middle, float(np.std(x))
    for _ in range(60):
        z = np.clip((x - middle) / spread, -_BEND, _BEND)
        step = float(z.mean()) * spread
        # n - 1: the middle was learnt from the same numbers.
        wider = spread * float(np.sqrt((z**2).sum() / max(len(x) - 1, 1) * _CONSISTENT))
        done = abs(step) < 1e-9 * spread and abs(wider - spread) < 1e-9 * spread
        middle, spread = middle + step, wider
        if done or spread == 0:
            break
    return middle, spread


def winsorised(z: FloatArray) -> FloatArray:
    """Standardised values, drawn in to ±2, missing ones to the middle.

    Parameters
    ----------
    z : ndarray
        Values in scales from the middle.

    Returns
    -------
    ndarray
        Same shape.

    Examples
    --------
    >>> import numpy as np
    >>> winsorised(np.array([-5.0, 0.5, np.nan]))
    array([-2. ,  0.5,  0. ])
    """
    return np.asarray(np.clip(np.nan_to_num(z), -_BEND, _BEND))
