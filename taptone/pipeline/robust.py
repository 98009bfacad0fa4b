"""Location and scale that one poor place in ten does not move, and how heavy a tail of few places is."""

from __future__ import annotations

import math

import numpy as np

from taptone.types import FloatArray

__all__ = [
    "FREEDOM",
    "LEAST_CHANCE",
    "MOST_FREEDOM",
    "drawn_in_covariance",
    "far_out",
    "location_scale",
    "shortest_half",
]

#: Nobody has heard a million good places.
LEAST_CHANCE = 1e-6
#: Degrees of freedom far out, of few places and at most. Chosen on made-up panels, development seeds.
FREEDOM, MOST_FREEDOM = 6.0, 7.0
_PLACES_EACH = 12

_BEND = 2.0  # values further than this many scales from the middle are drawn in to it
_DRAWN_IN = 3.0  # spreads beyond which a value is drawn in before covariances are learnt
_CONSISTENT = 1.0 / 0.92054  # mean of min(z², _BEND²) for a normal variable


def drawn_in_covariance(off: FloatArray, spread: FloatArray) -> FloatArray:
    """Covariance of differences of which a few may be wrong: drawn in to 3 spreads, and shrunk.

    Parameters
    ----------
    off : ndarray, shape (n, features)
        Differences from their middle.
    spread : ndarray, shape (features,)
        Robust spread of each feature, above 0.

    Returns
    -------
    ndarray, shape (features, features)
        Can be inverted.

    References
    ----------
    O. Ledoit and M. Wolf, J. Multivariate Anal. 88 (2004) 365-411.

    Examples
    --------
    >>> import numpy as np
    >>> off = np.random.default_rng(0).normal(size=(500, 2)) * [1.0, 3.0]
    >>> off[0] = 1000.0
    >>> bool((drawn_in_covariance(off, np.array([1.0, 3.0])).diagonal() < [1.3, 11.0]).all())
    True
    """
    from sklearn.covariance import LedoitWolf  # a second to load, and most commands judge nothing

    drawn = np.clip(off / spread, -_DRAWN_IN, _DRAWN_IN)
    shrunken = LedoitWolf(assume_centered=True).fit(drawn).covariance_ + 1e-9 * np.eye(len(spread))
    return np.asarray(shrunken * np.outer(spread, spread), float)


def location_scale(values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Middle and spread of numbers of which a few may be wrong: Huber's second proposal.

    It starts from median and median absolute deviation and keeps more of the information than these:
    with 20 places that is worth as much as tapping twice as many.

    Parameters
    ----------
    values : ndarray, shape (n, ...)
        Read down the first axis; what is not finite is left out.

    Returns
    -------
    location, scale : ndarray, shape (...)
        ``nan`` where nothing is left; the scale is that of a normal variable.

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
    x = np.asarray(values, float).reshape(len(values), math.prod(np.shape(values)[1:]))
    held = np.isfinite(x)
    n = held.sum(axis=0)
    location, scale = np.full(x.shape[1], np.nan), np.full(x.shape[1], np.nan)
    some = n > 0
    x, held, n = np.where(held, x, np.nan)[:, some], held[:, some], n[some]
    middle = np.nanmedian(x, axis=0) if some.any() else np.zeros(0)
    spread = 1.482602 * np.nanmedian(np.abs(x - middle), axis=0) if some.any() else np.zeros(0)
    alike = spread == 0  # half of the values are the same: there is no scale to draw in by
    if alike.any():
        spread[alike] = np.nanstd(x[:, alike], axis=0)
    moving = ~alike
    for _ in range(60):
        if not moving.any():
            break
        own, count = np.where(held[:, moving], x[:, moving], middle[moving]), n[moving]
        z = np.clip((own - middle[moving]) / spread[moving], -_BEND, _BEND)
        step = z.sum(axis=0) / count * spread[moving]
        # n - 1: the middle was learnt from the same numbers.
        wider = spread[moving] * np.sqrt((z**2).sum(axis=0) / np.maximum(count - 1, 1) * _CONSISTENT)
        close = 1e-9 * spread[moving]
        done = ((np.abs(step) < close) & (np.abs(wider - spread[moving]) < close)) | (wider == 0)
        middle[moving] += step
        spread[moving] = wider
        moving[np.flatnonzero(moving)[done]] = False
    location[some], scale[some] = middle, spread
    shape = np.shape(values)[1:]
    return location.reshape(shape), scale.reshape(shape)


def far_out(places: int, most: float = MOST_FREEDOM) -> float:
    """Degrees of freedom of Student's distribution far out: few places, more surprises.

    Parameters
    ----------
    places : int
        How many taught it.
    most : float, optional
        However many there are.

    Returns
    -------
    float
        One for every 12 places, 6 at least.

    Examples
    --------
    >>> far_out(20), far_out(96, 10.0), far_out(400)
    (6.0, 8.0, 7.0)
    """
    return min(max(places / _PLACES_EACH, FREEDOM), most)


def shortest_half(values: FloatArray) -> FloatArray:
    """The half of some numbers that lies closest together, in order: two in five may be wrong.

    Parameters
    ----------
    values : ndarray, shape (n,)
        At least one, all finite.

    Returns
    -------
    ndarray, shape (n // 2 + 1,)
        The first such half, from its least to its largest.

    References
    ----------
    P. J. Rousseeuw, J. Am. Stat. Assoc. 79 (1984) 871-880 (from memory).

    Examples
    --------
    >>> import numpy as np
    >>> shortest_half(np.array([9.0, 1.0, 2.0, 3.0, -50.0])).tolist()
    [1.0, 2.0, 3.0]
    """
    ordered = np.sort(values)
    half = len(ordered) // 2 + 1
    first = int(np.argmin(ordered[half - 1 :] - ordered[: len(ordered) - half + 1]))
    return np.asarray(ordered[first : first + half])
