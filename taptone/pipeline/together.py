"""How short or long a place rings with those around it: nine places together stray less than one.

Where good places are uneven, a patch in which every place rings a little short, or long, passes place by
place, however plainly it is heard as a whole. So the mean ring of each place and the eight nearest is held
against that of other such areas of the panel. How far those stray is learnt from the panel itself: where
neighbours are alike on good skin too (thickness, what the panel stands on), areas stray almost as far as
single places do, and little is told. No place counts for more than 3 spreads, so that one late sound does not
make an area; and only a place that is itself off with its area is told of.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.ringing import Rings
from taptone.pipeline.robust import LEAST_CHANCE, far_out, location_scale
from taptone.types import FloatArray

__all__ = ["AREA", "MOST", "Together", "ring_together"]

#: Places that are asked together: one and the eight nearest.
AREA = 9
_LEAST = 4 * AREA  # stations: of fewer than four areas nobody knows how they stray
#: Spreads of single places that one counts for at most.
MOST = 3.0
_ALONE = AREA**-0.5  # spread of the mean of places that share nothing
_ODD = 3.5  # spreads, of an area that does not teach how others stray
_LEFT = 0.7  # of the spread of all areas: what is left out must not make the rest agree by itself
_OWN = 2 / 3  # of how far its area is off; half and three quarters told much the same
_FREEDOM = 10.0  # at most, far out
_TURNS = 20


@dataclass(frozen=True, slots=True, eq=False)
class Together:
    """How far each station is off together with the places around it: of the areas it lies in, the oddest.

    Of shape (stations,): ``off_db`` is the mean of the area less the middle of the panel, ``own_db`` the
    station's less the same; ``strays`` how many spreads of such areas the area is off, where no place counts
    for more than 3 of its own, ``chance`` the share of areas of good places that would be, either way;
    ``nan``, and a chance of 1, where there is nothing to tell. ``areas``, shape (stations, 9), holds the
    places of that area, -1 where there is none. ``usual_db`` is how far areas of good places stray,
    ``stations`` how many taught that.
    """

    off_db: FloatArray
    own_db: FloatArray
    strays: FloatArray
    chance: FloatArray
    areas: NDArray[np.intp]
    usual_db: float
    stations: int


def ring_together(
    rings: Rings,
    far_m: FloatArray,
    able: NDArray[np.bool_],
    least_spread_db: float,
    told: NDArray[np.bool_] | None = None,
) -> Together | None:
    """Hold the ring of each place and its eight nearest against that of other such areas of the panel.

    Parameters
    ----------
    rings : Rings
        Of the stations. Noise may have drowned a ring, or made it longer: what it may have done is not held
        against a place.
    far_m : ndarray, shape (stations, stations)
        How far they lie apart.
    able : ndarray of bool, shape (stations,)
        Heard, and with no declared structure under them.
    least_spread_db : float
        Good places are never taken to agree better.
    told : ndarray of bool, shape (stations,), optional
        Stations whose own ring says it already: they make no area odd, or good ones beside them would be
        taken along.

    Returns
    -------
    Together or None
        None of fewer than 36 stations whose ring was read, or where most of a panel is off.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> xy_m = np.stack(np.divmod(np.arange(100), 10), axis=1) * 0.1
    >>> far_m = np.linalg.norm(xy_m[:, None] - xy_m[None], axis=2)
    >>> ring_db = rng.normal(-12.0, 2.0, 100)
    >>> patch = far_m[44] < 0.15
    >>> ring_db[patch] -= 5.0
    >>> told = ring_together(Rings(ring_db, ring_db, np.zeros(0)), far_m, np.ones(100, bool), 1.0)
    >>> int(patch.sum()), int((told.chance[patch] < 1e-3).sum()), int((told.chance[~patch] < 1e-3).sum())
    (9, 9, 0)
    """
    read = np.flatnonzero(able & np.isfinite(rings.pooled_db))
    if len(read) < _LEAST:
        return None
    near = np.argsort(far_m[np.ix_(read, read)], axis=1, kind="stable")[:, :AREA]
    alone = np.zeros(len(read), bool) if told is None else told[read]
    found = _settled(rings, read, near, least_spread_db, alone)
    if found is None:
        return None
    own, area, stray, spread_db, own_db = found
    strays = area / stray
    chance = _chance(strays, len(read))
    off_db, each_db, in_spreads = np.full((3, len(able)), np.nan)
    nowhere, usual_db = np.full((len(able), AREA), -1), stray * spread_db
    out = Together(off_db, each_db, in_spreads, np.ones(len(able)), nowhere, usual_db, len(read))
    out.own_db[read] = own_db
    for k in np.argsort(chance, kind="stable")[::-1]:  # the oddest area has the last word
        with_it = read[near[k][own[near[k]] * np.sign(area[k]) >= _OWN * abs(area[k])]]
        out.off_db[with_it], out.chance[with_it] = own_db[near[k]].mean(), chance[k]
        out.strays[with_it], out.areas[with_it] = strays[k], read[near[k]]
    return out


def _settled(
    rings: Rings,
    read: NDArray[np.intp],
    near: NDArray[np.intp],
    least_spread_db: float,
    alone: NDArray[np.bool_],
) -> tuple[FloatArray, FloatArray, float, float, FloatArray] | None:
    """Places and areas in spreads of a place, spread of areas in the same, of a place in dB; places in dB.

    By turns, as a patch would widen what it is held against: first by all, which one odd place in ten hardly
    moves, then by all that lies in no odd area.
    """
    ring_db = rings.pooled_db[read]
    teach, least = ~alone, 0.0
    for _ in range(_TURNS):
        middle_db, spread_db = (float(v) for v in location_scale(ring_db[teach]))
        spread_db = max(spread_db, least_spread_db)
        own_db = _told_db(rings, read, middle_db)
        own = np.where(alone, 0.0, np.clip(own_db / spread_db, -MOST, MOST))
        area = own[near].mean(axis=1)
        whole = teach[near].all(axis=1)
        if 4 * whole.sum() < len(read):
            return None
        middle, stray = (float(v) for v in location_scale(area[whole]))
        least = least or max(_LEFT * stray, _ALONE)
        area, stray = area - middle, max(stray, least)
        odd = alone.copy()
        for k in np.flatnonzero(np.abs(area) > _ODD * stray):
            odd[near[k]] |= own[near[k]] * area[k] > 0
        if (teach == ~odd).all():
            break
        teach = ~odd
    return own, area, stray, spread_db, own_db


def _told_db(rings: Rings, read: NDArray[np.intp], middle_db: float) -> FloatArray:
    """How far each ring is off for sure."""
    longer_db = rings.pooled_db if rings.longer_db is None else rings.longer_db
    short, long = rings.surely_db[read] - middle_db, longer_db[read] - middle_db
    return np.asarray(np.minimum(short, 0.0) + np.maximum(long, 0.0))


def _chance(strays: FloatArray, places: int) -> FloatArray:
    from scipy.stats import t

    return np.asarray(np.clip(2 * t.sf(np.abs(strays), far_out(places, _FREEDOM)), LEAST_CHANCE, 1.0))
