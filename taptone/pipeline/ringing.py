"""How short a place rings, asked by itself: one number that needs no company to be trusted.

In a distance over seventeen bands and the ring, the ring is one of many, and drawn in at 8 dB. Skin that is
dead and changes its spectrum little would then pass, however plainly it is heard. So a ring that falls short
is held against that of good places by itself as well, without a limit. It has the last word where it is
twenty times rarer than the distance: so at most one good station in twenty more falls below any limit. A ring
that is longer is not asked by itself: a late sound of something else makes one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.robust import LEAST_CHANCE, far_out, location_scale
from taptone.types import FloatArray

__all__ = ["RARER", "Ringing", "by_either", "by_ring", "fit_ringing", "surely_rings_db"]

#: The chance by the ring is counted so many times, because it is asked beside the distance.
RARER = 20.0
_LATER, _NOISE_KNOWN = 4.0, 0.2  # 80 ms over 20 ms; how surely the power of the noise is known


@dataclass(frozen=True, slots=True)
class Ringing:
    """How far the ring of one more good place lies from what is expected there."""

    middle_db: float
    spread_db: float
    places: int

    def chance(self, off_db: FloatArray) -> FloatArray:
        """Share of good places whose ring would fall at least this far short.

        Parameters
        ----------
        off_db : ndarray
            Ring less what was expected; ``nan`` where it could not be read.

        Returns
        -------
        ndarray
            By Student's distribution, 1e-6 to 1, shape as `off_db`; 1 where the ring could not be read, or
            fewer than 2 good ones taught it.
        """
        from scipy.stats import t

        if self.places < 2:
            return np.ones(np.shape(off_db))
        strays = (off_db - self.middle_db) / (self.spread_db * np.sqrt(1 + 1 / self.places))
        chance = np.maximum(t.cdf(strays, min(self.places - 1, far_out(self.places))), LEAST_CHANCE)
        return np.asarray(np.where(np.isfinite(chance), chance, 1.0))


def fit_ringing(off_db: FloatArray, least_spread_db: float) -> Ringing:
    """Learn it from good places, of which one in ten may be poor.

    Parameters
    ----------
    off_db : ndarray, shape (n,)
        Ring less what was expected, of good stations and places; ``nan`` where it could not be read.
    least_spread_db : float
        Good places are never taken to agree better.

    Returns
    -------
    Ringing
        Wider the fewer places there are.

    Examples
    --------
    >>> good_db = np.random.default_rng(0).normal(0.0, 2.0, 100)
    >>> fit_ringing(good_db, 1.0).chance(np.array([1.0, -16.0, np.nan])).round(4)
    array([0.6552, 0.    , 1.    ])
    """
    read = off_db[np.isfinite(off_db)]
    middle, spread = location_scale(read)
    return Ringing(float(middle), max(float(spread), least_spread_db), len(read))


def surely_rings_db(ring_db: FloatArray, snr_db: FloatArray) -> float:
    """How long a station rings at the least, by its strikes: a dead place is dead at each.

    Parameters
    ----------
    ring_db : ndarray, shape (strikes,)
        From 20 to 100 ms over the first 20 ms, noise taken off; ``nan`` where it could not be read.
    snr_db : ndarray, shape (strikes,)
        The first 20 ms over the noise. Noise lasts four times as long in what comes later and is known to
        about a fifth: what lies under that may be drowned, and is not called short.

    Returns
    -------
    float
        In dB; ``nan`` where none could be read.

    Examples
    --------
    >>> surely_rings_db(np.array([-30.0, -14.0]), np.array([40.0, 40.0]))
    -14.0
    >>> round(surely_rings_db(np.array([-30.0]), np.array([15.0])), 1)
    -16.0
    """
    told = np.maximum(ring_db, 10 * np.log10(_LATER * _NOISE_KNOWN) - snr_db)
    told = told[np.isfinite(ring_db)]
    return float(told.max()) if len(told) else float("nan")


def by_either(distance: FloatArray, ring: FloatArray) -> FloatArray:
    """Chance that a good place would be as odd by its distance, or by its ring.

    Parameters
    ----------
    distance : ndarray, shape (stations,)
        Chance by the distance; ``nan`` where there is none.
    ring : ndarray, shape (stations,)
        Chance by :class:`Ringing`.

    Returns
    -------
    ndarray, shape (stations,)
        The smaller of the first and twenty times the second; ``nan`` where there is no distance. At most a
        twentieth more of the good stations fall below any limit than by the distance alone.

    Examples
    --------
    >>> by_either(np.array([0.01, 0.5, 0.95]), np.array([0.5, 0.001, 0.9]))
    array([0.01, 0.02, 0.95])
    """
    return np.minimum(distance, RARER * ring)


def by_ring(told: FloatArray, ring: FloatArray | None) -> NDArray[np.bool_]:
    """Where the ring says it, not the distance.

    Parameters
    ----------
    told : ndarray, shape (stations,)
        Chance from :func:`by_either`, or a smaller one from elsewhere.
    ring : ndarray, shape (stations,), or None
        Chance by :class:`Ringing`; None: it was not asked.

    Returns
    -------
    ndarray of bool, shape (stations,)
        False where there is no chance.

    Examples
    --------
    >>> by_ring(np.array([0.01, 0.02, np.nan]), np.array([0.5, 0.001, 0.001]))
    array([False,  True, False])
    """
    if ring is None:
        return np.zeros(len(told), bool)
    return np.asarray(RARER * ring <= told)
