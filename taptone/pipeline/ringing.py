"""How short a place rings, asked by itself: one number that needs no company to be trusted.

In a distance over seventeen bands and the ring, the ring is one of many, and drawn in at 8 dB. Skin that is
dead and changes its spectrum little would then pass, however plainly it is heard. So a ring that falls short
is held against that of good places by itself as well, without a limit. It has the last word where it is
twenty times rarer than the distance: so at most one good station in twenty more falls below any limit. One
that is longer is asked in ``lasting.py``: there two rings must agree, as a late sound of something else makes
one.

Asked is the ring after 20 ms. Where good places ring so little by then, or stray so much, that nothing can
fall far short of them, it is the ring after 5 ms, in which good places have more surprises.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.robust import LEAST_CHANCE, far_out, location_scale, shortest_half
from taptone.types import RING_FLOOR_DB, FloatArray

__all__ = [
    "DECAY",
    "EARLY_MS",
    "LATE_MS",
    "RARER",
    "Ringing",
    "Rings",
    "by_either",
    "by_ring",
    "drowned_db",
    "fit_ringing",
    "not_by_noise_db",
    "rings_to_ask",
    "surely_rings_db",
    "usual_ringing",
]

#: Rings are of the sound after so long, over all before: ``ring_db`` and ``early_ring_db``.
LATE_MS, EARLY_MS = 20.0, 5.0
#: A decay has no such start: it is told like a ring where there are rings, and never asked instead of one.
DECAY = 0.0
#: The chance by the ring is counted so many times, because it is asked beside the distance.
RARER = 20.0
_TELLING, _FURTHER = 7.0, 1.5  # spreads; a lone station of 100 has to fall so far short, or more
_FREEDOM = {LATE_MS: 10.0, EARLY_MS: 6.0}  # at most, far out; chosen on made-up panels, development seeds
_LASTS = {LATE_MS: 4.0, EARLY_MS: 0.75}  # 80 and 15 ms, over the 20 ms that `snr_db` is of
_HALF_NORMAL = 0.6745  # spreads from the middle that hold half of a normal variable's values to one side
_NOISE_KNOWN = 0.2  # so surely the power of the noise is known


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """What is asked by itself: how much is left of a sound after so long.

    ``pooled_db`` (stations,) is what is expected of neighbours, ``surely_db`` (stations,) how long each rings
    at the least (:func:`surely_rings_db`), ``longer_db`` (stations,) what is left of it without what noise
    may have added (:func:`not_by_noise_db`; None: as pooled), ``known_db`` (places,) that of known-good
    places; ``nan`` where it could not be read. ``drowned_db`` (stations,) is where noise drowns a ring
    (:func:`drowned_db`; None: nowhere). The decay is told like a ring, in dB too: ten times its logarithm.
    """

    pooled_db: FloatArray
    surely_db: FloatArray
    known_db: FloatArray
    after_ms: float = LATE_MS
    longer_db: FloatArray | None = None
    drowned_db: FloatArray | None = None


@dataclass(frozen=True, slots=True)
class Ringing:
    """How far the ring of one more good place lies from what is expected there."""

    middle_db: float
    spread_db: float
    places: int
    after_ms: float = LATE_MS

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
        return self._beyond((off_db - self.middle_db) / self.spread_db, self.after_ms)

    def chance_longer(self, off_db: FloatArray) -> FloatArray:
        """Share of good places whose ring would lie at least this far above, where another ring says so too.

        Parameters
        ----------
        off_db : ndarray
            As for :meth:`chance`.

        Returns
        -------
        ndarray
            As of :meth:`chance`; the early ring with the tail of the late one, as it is not asked by itself.
        """
        return self._beyond((self.middle_db - off_db) / self.spread_db, LATE_MS)

    def _beyond(self, strays: FloatArray, as_after_ms: float) -> FloatArray:
        """Share of good places that stray at least so many spreads downward."""
        from scipy.stats import t

        if self.places < 2:
            return np.ones(np.shape(strays))
        freedom = far_out(self.places, _FREEDOM[as_after_ms])
        further = strays / np.sqrt(1 + 1 / self.places)
        chance = np.maximum(t.cdf(further, min(self.places - 1, freedom)), LEAST_CHANCE)
        return np.asarray(np.where(np.isfinite(chance), chance, 1.0))


def rings_to_ask(
    rings: Sequence[Rings], least_spread_db: float, good: NDArray[np.bool_] | None = None
) -> Rings:
    """The ring after 20 ms, or after 5 ms where a place could not fall far enough short of good ones by then.

    Parameters
    ----------
    rings : sequence of Rings
        Of the same stations and places: after 20 ms first.
    least_spread_db : float
        Good places are never taken to agree better.
    good : ndarray of bool, shape (stations,), optional
        Stations of which the most alike half shows how good ones ring; None: the known-good places do.

    Returns
    -------
    Rings
        The first, unless good places lie less than 7 of their spreads above -30 dB there, or above what noise
        drowns, and half as many spreads again in a later one, and most of them were read in that.

    Examples
    --------
    >>> over, ringing = np.full(30, -29.0), np.full(30, -9.0)
    >>> late, early = Rings(over, over, over[:20]), Rings(ringing, ringing, ringing[:20], EARLY_MS)
    >>> rings_to_ask([late, early], 1.0).after_ms, rings_to_ask([early, late], 1.0) is early
    (5.0, True)
    """
    asked, *others = (ring for ring in rings if ring.after_ms != DECAY)
    much = _reach(asked, least_spread_db, good)
    for other in others:
        more = _reach(other, least_spread_db, good)
        if much < _TELLING and more > _FURTHER * much:
            asked, much = other, more
    return asked


def _reach(rings: Rings, least_spread_db: float, good: NDArray[np.bool_] | None) -> float:
    """How many spreads a ring can fall short by; 0 where most were not read."""
    law = usual_ringing(rings, least_spread_db, good)
    asked = len(rings.known_db) if good is None else int(good.sum())
    least_db = RING_FLOOR_DB
    if rings.drowned_db is not None and np.isfinite(rings.drowned_db).any():
        least_db = max(least_db, float(np.nanmedian(rings.drowned_db)))
    return (law.middle_db - least_db) / law.spread_db if 2 * law.places > asked else 0.0


def usual_ringing(rings: Rings, least_spread_db: float, good: NDArray[np.bool_] | None = None) -> Ringing:
    """How good places ring.

    Parameters
    ----------
    rings : Rings
        Of stations and known-good places.
    least_spread_db : float
        Good places are never taken to agree better.
    good : ndarray of bool, shape (stations,), optional
        Stations to learn it from, of which a wide patch may be dead; None: the known-good places.

    Returns
    -------
    Ringing
        Of stations: the middle of their shortest half (Rousseeuw 1984), and how far those above it lie from
        it, because what is dead lies below.

    Examples
    --------
    >>> ring_db = np.append(np.full(40, -30.0), np.linspace(-14, -10, 60))
    >>> law = usual_ringing(Rings(ring_db, ring_db, np.zeros(0)), 1.0, np.ones(100, bool))
    >>> round(law.middle_db), round(law.spread_db, 1)
    (-12, 1.7)
    """
    if good is None:
        return fit_ringing(rings.known_db, least_spread_db, rings.after_ms)
    ordered = np.sort(rings.pooled_db[good & np.isfinite(rings.pooled_db)])
    if not len(ordered):
        return Ringing(0.0, least_spread_db, 0, rings.after_ms)
    middle = float(np.median(shortest_half(ordered)))
    above = float(np.median(ordered[ordered >= middle])) - middle
    return Ringing(middle, max(above / _HALF_NORMAL, least_spread_db), len(ordered), rings.after_ms)


def fit_ringing(off_db: FloatArray, least_spread_db: float, after_ms: float = LATE_MS) -> Ringing:
    """Learn it from good places, of which one in ten may be poor.

    Parameters
    ----------
    off_db : ndarray, shape (n,)
        Ring less what was expected, of good stations and places; ``nan`` where it could not be read.
    least_spread_db : float
        Good places are never taken to agree better.
    after_ms : float, optional
        Which ring it is.

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
    return Ringing(float(middle), max(float(spread), least_spread_db), len(read), after_ms)


def surely_rings_db(ring_db: FloatArray, snr_db: FloatArray, after_ms: float = LATE_MS) -> float:
    """How long a station rings at the least, by its strikes: a dead place is dead at each.

    Parameters
    ----------
    ring_db : ndarray, shape (strikes,)
        What is left after so long, over all before, noise taken off; ``nan`` where it could not be read.
    snr_db : ndarray, shape (strikes,)
        The first 20 ms over the noise. Noise lasts four times as long in what comes later (0.75 times in
        5 to 20 ms; a short tap has all it has before) and is known to about a fifth: what lies under that
        may be drowned, and is not called short.
    after_ms : float, optional
        Which ring it is.

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
    told = np.maximum(ring_db, _noise_left_db(snr_db, after_ms))
    told = told[np.isfinite(ring_db)]
    return float(told.max()) if len(told) else float("nan")


def drowned_db(snr_db: FloatArray, after_ms: float = LATE_MS) -> float:
    """Under what a ring may be drowned by noise at one strike or another.

    Parameters
    ----------
    snr_db : ndarray, shape (strikes,)
        As for :func:`surely_rings_db`.
    after_ms : float, optional
        Which ring it is.

    Returns
    -------
    float
        In dB; ``nan`` of no strike.

    Examples
    --------
    >>> round(drowned_db(np.array([25.0, 40.0])), 1)
    -26.0
    """
    left = _noise_left_db(snr_db, after_ms)
    left = left[np.isfinite(left)]
    return float(left.max()) if len(left) else float("nan")


def _noise_left_db(snr_db: FloatArray, after_ms: float) -> FloatArray:
    """What may be left of noise in a ring once it was taken off."""
    return np.asarray(10 * np.log10(_LASTS[after_ms] * _NOISE_KNOWN) - snr_db)


def not_by_noise_db(ring_db: FloatArray, snr_db: FloatArray, after_ms: float = LATE_MS) -> float:
    """How long a station rings by the strike that rings least, without what noise may have added.

    Parameters
    ----------
    ring_db : ndarray, shape (strikes,)
        As for :func:`surely_rings_db`.
    snr_db : ndarray, shape (strikes,)
        The same: a fifth of the noise may be left in what comes later.
    after_ms : float, optional
        Which ring it is.

    Returns
    -------
    float
        In dB, -30 at the least; ``nan`` where none could be read.

    Examples
    --------
    >>> round(not_by_noise_db(np.array([-6.0, -14.0]), np.array([60.0, 60.0])), 1)
    -14.0
    >>> round(not_by_noise_db(np.array([-14.0]), np.array([15.0])), 1)
    -18.4
    """
    added = 10 ** (_noise_left_db(snr_db, after_ms) / 10)
    told = 10 * np.log10(np.maximum(10 ** (ring_db / 10) - added, 10 ** (RING_FLOOR_DB / 10)))
    told = told[np.isfinite(ring_db)]
    return float(told.min()) if len(told) else float("nan")


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
