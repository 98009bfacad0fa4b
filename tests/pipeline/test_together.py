"""The ring of nine places at once: what it tells of, and what it leaves alone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage
from scipy.stats import t

from taptone.pipeline.ringing import Rings
from taptone.pipeline.together import AREA, ring_together

ROWS, COLUMNS = 9, 12
XY_M = np.stack(np.divmod(np.arange(ROWS * COLUMNS), COLUMNS), axis=1) * 0.075
FAR_M = np.linalg.norm(XY_M[:, None] - XY_M[None], axis=2)
ABLE = np.ones(len(XY_M), bool)
MIDST = 4 * COLUMNS + 5


@pytest.fixture
def rng():
    return np.random.default_rng(21)


def told(ring_db, able=ABLE, far_m=FAR_M, **bounds):
    bounds = {"surely_db": ring_db, "longer_db": ring_db} | bounds
    return ring_together(Rings(ring_db, known_db=np.zeros(0), **bounds), far_m, able, 1.0)


@pytest.mark.parametrize("by_db", [-5.0, 5.0])
def test_a_patch_that_is_off_as_a_whole_is_told(rng, by_db):
    """Each of its places is off by 2.5 spreads, as is one good place in eighty."""
    ring_db = rng.normal(-14.0, 2.0, len(XY_M))
    patch = FAR_M[MIDST] < 0.16
    ring_db[patch] += by_db
    got = told(ring_db)
    assert patch.sum() == 13
    assert np.median(got.chance[patch]) < 1e-3
    assert (np.sign(got.off_db[patch & (got.chance < 1e-3)]) == np.sign(by_db)).all()
    beside = (FAR_M[patch] < 0.22).any(axis=0) & ~patch
    assert (got.chance[beside] < 1e-3).mean() < 0.2  # a good place that is off the same way, beside it
    assert (got.chance[~patch & ~beside] > 1e-3).all()
    assert got.own_db[MIDST] == pytest.approx(ring_db[MIDST] + 14.0, abs=0.7)


def test_the_spread_of_nine_is_a_third_of_that_of_one(rng):
    """Reference: the variance of a mean of n values that share nothing is 1/n of theirs (textbook)."""
    usual_db = [told(rng.normal(0.0, 3.0, len(XY_M))).usual_db for _ in range(40)]
    # 12 areas that share no place: a spread of them is known to a fifth, and here is never less than 1/3.
    assert np.median(usual_db) == pytest.approx(3.0 / np.sqrt(AREA), rel=0.12)


def test_good_panels_hold_nothing(rng):
    least = [told(rng.normal(0.0, 2.0, len(XY_M))).chance.min() for _ in range(150)]
    assert np.mean(np.array(least) < 1e-3) < 0.02


def test_where_good_neighbours_are_alike_nothing_is_told(rng):
    """Uneven in patches as wide as areas: their mean strays almost as far as a single place."""
    least = []
    for _ in range(150):
        field = ndimage.gaussian_filter(rng.normal(0.0, 1.0, (ROWS + 12, COLUMNS + 12)), 1.5)[6:-6, 6:-6]
        least.append(told((3 * field / field.std()).ravel()).chance.min())
    assert np.mean(np.array(least) < 1e-3) < 0.02


def test_chance_is_students_of_either_side(rng):
    """Reference: scipy's Student distribution; 108 stations have 9 degrees of freedom far out."""
    ring_db = rng.normal(-14.0, 2.0, len(XY_M))
    ring_db[FAR_M[MIDST] < 0.16] -= 4.0
    got = told(ring_db)
    some = np.isfinite(got.strays)
    assert got.strays[MIDST] < -3.0
    told_by_it = np.maximum(2 * t.sf(np.abs(got.strays[some]), len(XY_M) / 12), 1e-6)
    assert got.chance[some] == pytest.approx(told_by_it, rel=1e-9)


def test_its_figures_are_those_of_the_places(rng):
    """The mean is of all that was heard, though no place counts for more than 3 spreads."""
    ring_db = rng.normal(-14.0, 2.0, len(XY_M))
    ring_db[FAR_M[MIDST] < 0.16] -= 12.0
    got = told(ring_db)
    assert sorted(got.areas[MIDST]) == sorted(np.argsort(FAR_M[got.areas[MIDST][0]], kind="stable")[:AREA])
    off_db = ring_db - (ring_db[MIDST] - got.own_db[MIDST])
    assert got.off_db[MIDST] == pytest.approx(off_db[got.areas[MIDST]].mean())
    nothing = ~np.isfinite(got.off_db)
    assert (got.areas[nothing] == -1).all()
    assert (got.chance[nothing] == 1).all()


def test_one_late_sound_makes_no_area(rng):
    ring_db = rng.normal(-14.0, 2.0, len(XY_M))
    ring_db[MIDST] += 40.0
    assert told(ring_db).chance.min() > 0.01


def test_a_place_that_rings_as_usual_amid_a_patch_is_not_told_of(rng):
    ring_db = rng.normal(-14.0, 2.0, len(XY_M))
    patch = FAR_M[MIDST] < 0.16
    ring_db[patch] -= 6.0
    ring_db[MIDST] = -14.0
    got = told(ring_db)
    assert got.chance[MIDST] > 0.01
    assert np.median(got.chance[patch]) < 1e-3


def test_what_noise_may_have_done_is_not_held_against_a_place(rng):
    ring_db = rng.normal(-14.0, 2.0, len(XY_M))
    patch = FAR_M[MIDST] < 0.16
    ring_db[patch] -= 6.0
    assert told(ring_db, surely_db=np.where(patch, -13.0, ring_db)).chance.min() > 1e-3
    ring_db[patch] += 12.0
    assert told(ring_db, longer_db=np.where(patch, -14.5, ring_db)).chance.min() > 1e-3


def test_few_stations_or_most_of_them_off_tell_nothing(rng):
    ring_db = rng.normal(-14.0, 2.0, len(XY_M))
    few = ABLE & (np.arange(len(XY_M)) < 4 * AREA - 1)
    assert told(ring_db, few) is None
    few[4 * AREA - 1] = True
    assert np.isfinite(told(ring_db, few).chance).all()
    few[0], ring_db[1] = False, np.nan
    assert told(ring_db, few) is None
    wide = ring_db - np.where(np.arange(len(XY_M)) % COLUMNS < 6, 20.0, 0.0)
    got = told(np.nan_to_num(wide, nan=-14.0))
    assert got is None or got.chance.min() > 1e-3


def test_structure_is_in_no_area(rng):
    ring_db = rng.normal(-14.0, 2.0, len(XY_M))
    beam = np.arange(len(XY_M)) % COLUMNS == 5
    ring_db[beam] -= 20.0
    got = told(ring_db, ABLE & ~beam)
    assert got.chance.min() > 1e-3
    assert (got.chance[beam] == 1).all()
    assert np.isnan(got.off_db[beam]).all()


def test_numbers_that_are_all_the_same(rng):
    got = told(np.full(len(XY_M), -30.0))
    assert got.chance.min() == 1


def test_a_patch_told_place_by_place_takes_no_good_neighbour_along(rng):
    ring_db = rng.normal(-14.0, 2.0, len(XY_M))
    patch = FAR_M[MIDST] < 0.16
    ring_db[patch] = -30.0
    beside = (FAR_M[patch] < 0.08).any(axis=0) & ~patch
    ring_db[beside] = -18.0
    rings = Rings(ring_db, ring_db, np.zeros(0))
    assert (ring_together(rings, FAR_M, ABLE, 1.0).chance[beside] < 1e-3).any()
    got = ring_together(rings, FAR_M, ABLE, 1.0, told=patch)
    assert got.chance.min() > 1e-3
    assert (got.chance[patch] == 1).all()
