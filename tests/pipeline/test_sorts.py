"""Two sorts of sound on one panel, on numbers of which all is known."""

from __future__ import annotations

import numpy as np
import pytest

from taptone.model.baseline import Baseline
from taptone.pipeline.heaps import lower_heap, two_heaps
from taptone.pipeline.sorts import divide

ROWS, COLUMNS, FEATURES = 9, 14, 14
N = ROWS * COLUMNS
Y, X = np.divmod(np.arange(N), COLUMNS)
FAR_M = np.hypot(X[:, None] - X, Y[:, None] - Y)
NEAR = np.argsort(FAR_M, axis=1, kind="stable")[:, 1:5].tolist()
EVERYONE = np.ones(N, bool)
PATCH = (X < 6) & (Y < 5)
#: How far off, in spreads: the deeper in the patch the farther, since a rim is half on good skin.
OFF = np.where(PATCH, 3.0 + 2.0 * np.minimum(6 - X, 5 - Y), 0.0)
WAY = np.repeat([1.0, -1.0], FEATURES // 2) / np.sqrt(FEATURES)
SEEDS = range(6)


def good(seed):
    """Some stray further than others, each a way of its own."""
    rng = np.random.default_rng(seed)
    return rng.normal(size=(N, FEATURES)) * np.exp(0.25 * rng.normal(size=N))[:, None]


def nearer_half(off_db):
    return np.argsort(np.argsort(np.linalg.norm(off_db, axis=1), kind="stable")) <= N // 2


def parts(off_db):
    return divide(off_db, EVERYONE, nearer_half(off_db), NEAR, Baseline, 0.7)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_patch_that_reaches_into_the_others_by_distance_is_told_by_its_one_way(seed):
    """Weak at its rim and strong within: distances run on from good to bad, and no second heap is seen."""
    off_db = good(seed) + OFF[:, None] * WAY
    core = nearer_half(off_db)
    scorer = Baseline().fit(off_db[core])
    distance = scorer.score_samples(off_db)
    distance[core] = scorer.held_out_
    assert lower_heap(distance).all()
    got = parts(off_db)
    assert got.one_way
    assert got.at_a_step
    assert got.smaller[OFF > 5].all()
    assert got.smaller[~PATCH].mean() < 0.02
    assert (got.larger == ~got.smaller).all()


@pytest.mark.parametrize("seed", SEEDS)
def test_the_same_stations_strewn_about_do_not_divide(seed):
    """A harder hand now and then is off one way too."""
    off_db = good(seed) + np.random.default_rng(seed).permutation(OFF)[:, None] * WAY
    assert not parts(off_db).one_way


@pytest.mark.parametrize("seed", SEEDS)
def test_what_drifts_over_a_panel_does_not_divide_at_a_step(seed):
    got = parts(good(seed) + np.maximum(X - 6, 0)[:, None] * 3.0 * WAY)
    assert not got.at_a_step


@pytest.mark.parametrize("able", [0, 1, 2, 5, 29])
def test_few_stations_do_not_divide(able):
    asked = np.arange(N) < able
    off_db = good(0) + np.where(X < 3, 20.0, 0.0)[:, None] * WAY
    got = divide(off_db, asked, asked & (X >= 3), NEAR, Baseline, 0.7)
    assert not got.smaller.any()
    assert (got.larger == asked).all()


@pytest.mark.parametrize("value", [0.0, 3.0])
def test_stations_all_alike_do_not_divide_whatever_the_least_spread(value):
    off_db = np.full((N, FEATURES), value)
    assert not divide(off_db, EVERYONE, X < 8, NEAR, Baseline, 0.0).smaller.any()


def test_who_is_not_asked_is_in_neither_part():
    off_db = good(1) + OFF[:, None] * WAY
    asked = (X + Y) % 7 != 0
    off_db[~asked] = np.nan
    near = [[j for j in np.argsort(row, kind="stable")[1:9] if asked[j]][:4] for row in FAR_M]
    core = asked & ~PATCH
    got = divide(off_db, asked, core, near, Baseline, 0.7)
    assert got.one_way
    assert not (got.larger | got.smaller)[~asked].any()
    assert (got.larger | got.smaller)[asked].all()


def test_two_heaps_as_they_were_made(rng):
    values = np.concatenate([rng.normal(0, 1, 300), rng.normal(8, 1, 100)])
    got = two_heaps(values)
    assert (got.upper == (np.arange(400) >= 300)).mean() > 0.99
    assert got.apart == pytest.approx(8, rel=0.1)
    assert got.share == pytest.approx(0.25, abs=0.02)
    assert got.stand_apart(4.0)
    assert not got.stand_apart(9.0)
    assert not two_heaps(rng.normal(size=400)).stand_apart(3.5)
