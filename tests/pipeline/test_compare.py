"""Stations against a reference and their good neighbours, on numbers of which all is known."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from scipy.spatial import cKDTree

from taptone.model.baseline import Baseline
from taptone.pipeline.compare import compare, crisper, shapes, softened, with_score, worth_naming
from taptone.pipeline.ringing import EARLY_MS, Rings
from taptone.settings import JudgeSettings
from taptone.types import BAND_CENTRES_HZ

ROWS, COLUMNS = 6, 10
N = ROWS * COLUMNS
XY_M = np.stack(np.divmod(np.arange(N), COLUMNS)[::-1], axis=1) * 0.1
PLAIN = [""] * N


def new(features=5):
    return lambda: Baseline(benign=crisper(features))


def good(rng, n, features=5):
    return rng.normal(size=(n, features))


# -- the shape of a spectrum -----------------------------------------------------------------------------


def test_a_harder_blow_is_no_difference(rng):
    bands = rng.uniform(-30, 0, (4, len(BAND_CENTRES_HZ)))
    assert shapes(bands + np.array([[0.0], [12.0], [-20.0], [3.0]])) == pytest.approx(shapes(bands))
    assert shapes(bands).mean(axis=1) == pytest.approx(0, abs=1e-12)


def test_only_200_hz_to_8_khz_count(rng):
    bands = rng.uniform(-30, 0, (2, len(BAND_CENTRES_HZ)))
    outside = np.array([not 190 < f < 8100 for f in BAND_CENTRES_HZ])
    assert 0 < outside.sum() < len(outside)
    other = np.where(outside, bands - 25, bands)
    assert shapes(other) == pytest.approx(shapes(bands))
    assert shapes(bands).shape[1] == (~outside).sum()


def test_bands_that_a_recording_does_not_hold_are_left_out_for_all(rng):
    bands = rng.uniform(-30, 0, (3, len(BAND_CENTRES_HZ)))
    bands[:, 15:] = np.nan
    assert shapes(bands).shape == (3, 12)
    assert np.isfinite(shapes(bands)).all()


def test_what_lies_40_db_below_the_whole_is_not_told_apart():
    bands = np.full((2, len(BAND_CENTRES_HZ)), -90.0)
    bands[:, 8] = 0.0
    bands[1, 12] = -55.0
    one, two = shapes(bands)
    assert one == pytest.approx(two, abs=1e-3)
    assert one.max() - one.min() == pytest.approx(40, abs=1e-3)


# -- who is held against whom ----------------------------------------------------------------------------


def test_neighbours_are_the_nearest_good_ones(rng):
    """By scipy's own tree; distances are compared, because equally near ones may be taken in any order."""
    shape = good(rng, N)
    shape[[22, 23, 32, 33]] += np.array([15.0, -15, 15, -15, 0])
    got = compare(shape, XY_M, PLAIN, good(rng, 40), new())
    assert not got.good[[22, 23, 32, 33]].any()
    assert got.good.sum() >= N - 8
    tree = cKDTree(XY_M[got.good])
    for k, near in enumerate(got.neighbours):
        assert k not in near
        assert got.good[list(near)].all()
        far, _ = tree.query(XY_M[k], 9)
        expected = far[1:] if got.good[k] else far[:8]
        assert np.linalg.norm(XY_M[list(near)] - XY_M[k], axis=1) == pytest.approx(expected)


def test_structure_is_nobodys_neighbour_but_is_scored(rng):
    plain = np.ones(N, bool)
    plain[[4, 14, 24, 34, 44, 54]] = False
    got = compare(good(rng, N), XY_M, np.where(plain, "", "frame").tolist(), good(rng, 30), new())
    assert not {4, 14, 24, 34, 44, 54} & {j for near in got.neighbours for j in near}
    assert np.isfinite(got.score).all()
    assert not got.good[~plain].any()


def test_structure_is_held_against_structure_of_its_kind(rng):
    """Frame stations that differ from plain skin as the others do are usual; an odd one is not."""
    frame = (np.arange(N) % COLUMNS == 4) | (np.arange(N) % COLUMNS == 7)
    shape = good(rng, N) + np.where(frame[:, None], np.array([-20.0, 20, -20, 20, 0]), 0.0)  # crisper
    odd, other = (int(np.flatnonzero(frame)[k]) for k in (5, 8))
    shape[odd] = good(rng, 1)[0] + np.array([20.0, -20, 20, -20, 0])
    shape[other] = good(rng, 1)[0] + np.array([-60.0, 60, -60, 60, 0])  # still more so: no sign of lost bond
    got = compare(shape, XY_M, np.where(frame, "frame", "").tolist(), good(rng, 30), new())
    assert got.chance_if_good[frame].max() < 1e-3
    assert got.chance_of_kind[odd] < 1e-3
    assert got.chance_of_kind[other] == 1.0
    assert np.median(got.chance_of_kind[frame]) > 0.2
    assert np.isnan(got.chance_of_kind[~frame]).all()
    few = np.where(np.arange(N) < 3, "tank", "").tolist()
    assert np.isnan(compare(shape, XY_M, few, good(rng, 30), new()).chance_of_kind).all()


def test_structure_that_differs_changes_nothing_for_plain_skin(rng):
    shape, reference = good(rng, N), good(rng, 30)
    plain = np.arange(N) % COLUMNS != 4
    other = np.where(plain[:, None], shape, shape + np.array([20.0, -20, 20, -20, 0]))
    one, two = (
        compare(s, XY_M, np.where(plain, "", "frame").tolist(), reference, new()) for s in (shape, other)
    )
    assert two.score[plain] == pytest.approx(one.score[plain], abs=1e-12)
    assert two.score[~plain].min() > one.score.max()


@pytest.mark.parametrize("seed", range(6))
def test_a_panel_of_its_own_starts_without_the_third_that_is_odd_where_the_good_agree(seed):
    """Good places stray by 4 dB in three bands, elsewhere by 0.5; a third are 5 dB off in four of these."""
    rng = np.random.default_rng(95000 + seed)
    shape = good(rng, N, 12) * np.where(np.arange(12) < 3, 4.0, 0.5)
    bad = (XY_M[:, 0] < 0.35) & (XY_M[:, 1] < 0.45)
    assert bad.sum() == N // 3
    shape[bad, 7:11] -= 5.0
    got = compare(shape, XY_M, PLAIN, None, new(12))
    assert (got.good == ~bad).all()
    assert got.score[bad].min() > got.score[~bad].max()


def test_without_places_there_are_no_neighbours(rng):
    got = compare(good(rng, N), None, PLAIN, good(rng, 30), new())
    assert set(got.neighbours) == {()}
    assert np.isfinite(got.chance_if_good).all()


def test_where_nothing_was_heard_nothing_is_said(rng):
    shape = good(rng, N)
    shape[[7, 8]] = np.nan
    got = compare(shape, XY_M, PLAIN, good(rng, 30), new())
    assert np.flatnonzero(np.isnan(got.score)).tolist() == [7, 8]
    assert np.flatnonzero(np.isnan(got.chance_if_good)).tolist() == [7, 8]
    assert not {7, 8} & {j for near in got.neighbours for j in near}


@pytest.mark.parametrize("heard", [0, 1])
def test_with_nothing_to_learn_from_there_is_no_score(rng, heard):
    shape = np.full((5, 3), np.nan)
    shape[:heard] = 1.0
    got = compare(shape, XY_M[:5], PLAIN[:5], None, new(3))
    assert np.isnan(got.score).all()
    assert np.isnan(got.chance_if_good).all()
    assert len(got.neighbours) == 5


# -- what is found ---------------------------------------------------------------------------------------

BAD = (np.arange(N) % COLUMNS < 4) & (np.arange(N) // COLUMNS < 5)  # a block of 20: a third


@pytest.mark.parametrize("with_reference", [True, False])
def test_a_third_of_the_panel_bad(rng, with_reference):
    shape = good(rng, N)
    shape[BAD] += np.array([5.0, 3.0, 0.0, -3.0, -5.0])  # duller: off the high bands
    got = compare(shape, XY_M, PLAIN, good(rng, 30) if with_reference else None, new())
    assert got.score[BAD].min() > np.quantile(got.score[~BAD], 0.95)
    assert got.chance_if_good[BAD].max() < 0.005
    assert not got.good[BAD].any()
    # Twice what chance gives of 40 at 1 in 100, rounded up.
    assert (got.chance_if_good[~BAD] < 0.01).sum() <= 2


def test_a_wide_patch_does_not_creep_in_from_its_rim():
    """Weak at its rim, stronger inwards. Where it creeps in, all of it is lost."""
    y, x = np.divmod(np.arange(108), 12)
    xy_m = np.stack([x, y], axis=1) * 0.1
    bad = (x < 6) & (y < 6)
    step = np.where(bad, 4.0 + 3.0 * np.minimum(6 - x, 6 - y), 0.0)
    duller = -crisper(5) / np.linalg.norm(crisper(5))
    found = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        shape = good(rng, 108) + step[:, None] * duller
        got = compare(shape, xy_m, [""] * 108, good(rng, 30), new())
        found.append(float((got.chance_if_good[bad] < 0.01).mean()))
    assert np.median(found) > 0.5  # 0 if all were let in at one limit


WIDE_Y, WIDE_X = np.divmod(np.arange(160), 16)
WIDE_M = np.stack([WIDE_X, WIDE_Y], axis=1) * 0.1
FROM_CORNER = np.minimum(np.hypot(WIDE_X, WIDE_Y), np.hypot(15 - WIDE_X, 9 - WIDE_Y))  # the nearer of two
OTHER_SORT = 14.0 * np.array([1.0, -1.0, 0.0, -1.0, 1.0]) / 2


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("with_reference", [True, False])
def test_two_corners_that_drift_off_do_not_divide_a_panel(seed, with_reference):
    """Over three stations, as thickness does: neighbours follow it, and it is said where it is."""
    rng = np.random.default_rng(seed)
    shape = good(rng, 160) + np.clip((6.5 - FROM_CORNER) / 3, 0, 1)[:, None] * OTHER_SORT
    got = compare(shape, WIDE_M, [""] * 160, good(rng, 30) if with_reference else None, new())
    assert (got.chance_if_good < 0.003).sum() <= 1  # up to 45 of 60, were it divided
    if got.smaller is not None:
        assert got.by_degrees
        assert FROM_CORNER[got.smaller].max() < 6.5


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("with_reference", [True, False])
def test_two_corners_that_are_another_sort_divide_it(seed, with_reference):
    """The same corners, from one station to the next."""
    rng = np.random.default_rng(seed)
    bad = FROM_CORNER < 5
    shape = good(rng, 160) + bad[:, None] * OTHER_SORT
    got = compare(shape, WIDE_M, [""] * 160, good(rng, 30) if with_reference else None, new())
    assert got.smaller is not None
    assert not got.by_degrees
    assert got.smaller[bad].all()
    assert got.chance_if_good[bad].max() < 0.005


CRISPER = np.append(np.linspace(-1.0, 1.0, 9), 0.0)  # of nine bands and a ring
HOLLOW = np.array([1.0, 0.0, -1.0, -1.0, 0.0, 1.0, 1.0, 0.0, -1.0, 0.0])  # whatever it is that is not a tilt
CRISPER_AND_MORE = 0.8 * CRISPER / np.linalg.norm(CRISPER) + 0.6 * HOLLOW / np.linalg.norm(HOLLOW)
BLOCK = (WIDE_X < 6) & (WIDE_Y < 6)
IN_BLOCK = np.where(BLOCK, 5.0 + 4.0 * np.minimum(6 - WIDE_X, 6 - WIDE_Y), 0.0)  # spreads


def uneven(rng, n):
    """Good stations of ten features, some of which stray further than others."""
    return rng.normal(size=(n, 10)) * np.exp(0.25 * rng.normal(size=n))[:, None]


def crisper_by(seed, spreads, way=CRISPER_AND_MORE):
    rng = np.random.default_rng(seed)
    shape = uneven(rng, 160) + spreads[:, None] * way
    return compare(shape, WIDE_M, [""] * 160, uneven(rng, 30), lambda: Baseline(benign=CRISPER))


@pytest.mark.parametrize("seed", range(6))
def test_a_block_that_is_crisper_as_one_is_held_against_it(seed):
    got = crisper_by(seed, IN_BLOCK)
    assert got.smaller is not None
    assert not got.by_degrees
    assert got.tilt_counts
    assert (got.chance_if_good[BLOCK] < 0.01).mean() > 0.8
    assert (got.chance_if_good[~BLOCK] < 0.001).sum() <= 2


@pytest.mark.parametrize("seed", range(6))
def test_the_same_crisper_stations_strewn_about_are_not(seed):
    """A harder blow here and there."""
    spreads = np.random.default_rng(seed).permutation(IN_BLOCK)
    got = crisper_by(seed, spreads)
    assert got.smaller is None
    assert (got.chance_if_good[spreads > 0] < 0.01).mean() < 0.2


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("where", [WIDE_X < 5, (WIDE_Y > 2) & (WIDE_Y < 6), (WIDE_Y == 4) | (WIDE_Y == 5)])
def test_what_is_crisper_and_nothing_else_is_not_held_against_a_part_either(seed, where):
    """A thickness that steps, rows struck harder, a stringer: with a tilt of the spectrum alone."""
    got = crisper_by(seed, 12.0 * where, CRISPER / np.linalg.norm(CRISPER))
    assert (got.chance_if_good[where] < 0.01).mean() < 0.1
    assert not got.tilt_counts


def test_a_taper_is_followed(rng):
    """From end to end by 12 spreads: held against the reference alone its ends stand out, not so here."""
    along = np.linspace(-6.0, 6.0, COLUMNS)[np.arange(N) % COLUMNS]
    shape = good(rng, N) + along[:, None] * np.array([1.0, -1.0, 0.0, -1.0, 1.0]) / 2
    reference = good(rng, 30)
    model = new()().fit(reference)
    alone = model.chance_if_good(model.score_samples(shape), usual=True)
    got = compare(shape, XY_M, PLAIN, reference, new())
    ends = np.abs(along) > 5
    assert np.median(alone[ends]) < 0.01
    assert np.median(got.chance_if_good[ends]) > 0.1
    assert got.chance_if_good.min() > 1e-4


def test_a_crisper_station_is_not_held_against_it_but_a_duller_one_is(rng):
    shape, harder = good(rng, N), np.append(crisper(4), 0.0)  # a tilt of the bands, not of the ring
    shape[25] = 8 * harder
    shape[28] = -8 * harder
    got = compare(shape, XY_M, PLAIN, good(rng, 30), lambda: Baseline(benign=harder))
    assert got.chance_if_good[25] > 0.05
    assert got.scorer.chance_if_good(got.score[28:29], usual=True) < 1e-4
    assert crisper(5).sum() == pytest.approx(0)
    assert np.diff(crisper(17)) == pytest.approx(np.full(16, 1 / 8))


def test_a_node_makes_no_suspect_however_deep(rng):
    """A band that falls away at one station alone: 40 dB says no more than 12 dB; a rise of 12 dB does."""
    shape, reference = good(rng, N), good(rng, 30)
    chance = {}
    for step in (-40.0, -12.0, 12.0):
        moved = shape.copy()
        moved[25, 1] += step
        chance[step] = compare(moved, XY_M, PLAIN, reference, new()).chance_if_good[25]
    assert chance[-40.0] == pytest.approx(chance[-12.0], rel=1.0)
    assert chance[12.0] < chance[-40.0]


def about_their_mean(rows):
    """As `shapes` makes them: a band that falls away lifts all others."""
    rows = rows.copy()
    rows[:, :-1] -= rows[:, :-1].mean(axis=1, keepdims=True)
    return rows


@pytest.mark.parametrize("depth_db", [8.0, 12.0])
def test_one_band_gone_is_no_difference_but_three_are(rng, monkeypatch, depth_db):
    shape, reference = good(rng, N, 12), about_their_mean(good(rng, 30, 12))
    shape[25, 4] -= depth_db
    shape[33, [3, 4, 5]] -= 9.0
    shape[41, 4] += 9.0
    shape[38, 11] -= 8.0  # the ring is no band
    whole = about_their_mean(shape)
    got = compare(whole, XY_M, PLAIN, reference, new(12))
    assert got.chance_if_good[25] > 0.02
    assert got.chance_if_good[[33, 38, 41]].max() < 0.005
    # That band is not what is worth naming.
    assert worth_naming(got, 25)[4] == 0
    assert got.heard[25, 4] < -depth_db / 2
    # With every band it is odd, and so it is nobody's neighbour.
    assert not got.good[25]
    monkeypatch.setattr(sys.modules["taptone.pipeline.compare"], "dips", lambda features: None)
    assert compare(whole, XY_M, PLAIN, reference, new(12)).chance_if_good[25] < 0.005


@pytest.mark.parametrize("ring_db", [-30.0, -16.0])
def test_a_short_ring_by_itself_is_enough(rng, ring_db):
    """Places uneven by 3 dB in a band, 2 dB in the ring; a patch of six that only rings otherwise."""
    spread_db = np.append(np.full(11, 3.0), 2.0)
    shape, reference = good(rng, N, 12) * spread_db, good(rng, 20, 12) * spread_db
    patch = [20, 21, 22, 30, 31, 32]
    shape[patch, -1] += ring_db
    whole = about_their_mean(shape)
    got = compare(whole, XY_M, PLAIN, about_their_mean(reference), new(12))
    assert got.chance_if_good[patch].max() < 0.002
    assert got.scorer.chance_if_good(got.score[patch]).min() > 0.002  # by the distance most would pass
    assert not got.good[patch].any()
    others = np.setdiff1d(np.arange(N), patch)
    assert (got.chance_if_good[others] < 0.005).mean() < 0.05
    # With another score, its ring stays what it is.
    assert with_score(got, 21, 0.001).chance_if_good[21] < 0.005
    assert with_score(got, others[0], 99.0).chance_if_good[others[0]] < 0.005
    # What surely rings longer, or was not read, tells nothing.
    longer = np.where(np.isin(np.arange(N), patch), 0.0, whole[:, -1])
    rings = Rings(whole[:, -1], longer, reference[:, -1])
    again = compare(whole, XY_M, PLAIN, about_their_mean(reference), new(12), rings=[rings])
    assert again.chance_by_ring[patch].min() > 0.05
    whole[patch, -1] = np.nan
    assert compare(whole, XY_M, PLAIN, reference, new(12)).chance_by_ring[patch].min() == 1


def test_a_dead_patch_does_not_vouch_for_itself(rng):
    """Alike in all but its ring, and as wide as the eight nearest neighbours reach."""
    spread_db = np.append(np.full(11, 3.0), 2.0)
    shape, reference = good(rng, N, 12) * spread_db, good(rng, 20, 12) * spread_db
    patch = [k for k in range(N) if k // 10 in (1, 2, 3) and k % 10 in (2, 3, 4, 5)]
    shape[patch, -1] -= 14.0
    got = compare(about_their_mean(shape), XY_M, PLAIN, about_their_mean(reference), new(12))
    assert not got.good[patch].any()
    assert np.median(got.ring_off_db[patch]) < -11.0
    assert np.median(got.chance_if_good[patch]) < 0.005
    # Where the whole panel rings less than its reference, that is not asked of single stations.
    reference[:, -1] += 25.0
    got = compare(about_their_mean(shape), XY_M, PLAIN, about_their_mean(reference), new(12))
    others = np.setdiff1d(np.arange(N), patch)
    assert (got.chance_by_ring[others] < 0.005).mean() < 0.05
    assert got.good[others].mean() > 0.9


def test_another_ring_may_be_asked(rng):
    shape, reference = good(rng, N, 12) * 2, good(rng, 20, 12) * 2
    early, known = np.full(N, -9.0) + rng.normal(0, 1, N), np.full(20, -9.0) + rng.normal(0, 1, 20)
    early[25], early[26] = -25.0, np.nan
    rings = Rings(early, early, known, EARLY_MS)
    got = compare(about_their_mean(shape), XY_M, PLAIN, about_their_mean(reference), new(12), rings=[rings])
    assert got.ringing.after_ms == EARLY_MS
    assert got.ring_off_db[25] == pytest.approx(-16.0, abs=1.5)
    assert got.chance_by_ring[25] < 1e-4
    assert got.chance_by_ring[26] == 1
    assert got.ringing.places in (N + 18, N + 17, N + 16)  # of good stations read, and known places


def test_a_long_ring_by_itself_is_not(rng):
    """A late sound of something else makes one: it counts as 8 dB among all others, as far as it goes."""
    spread_db = np.append(np.full(11, 3.0), 2.0)
    shape, reference = good(rng, N, 12) * spread_db, good(rng, 20, 12) * spread_db
    shape[25, -1] += 40
    got = compare(about_their_mean(shape), XY_M, PLAIN, about_their_mean(reference), new(12))
    assert got.ringing.chance(got.ring_off_db[25:26])[0] > 0.5
    assert 20 * got.chance_by_ring[25] > 1  # nor does it make an area
    assert got.chance_if_good[25] == got.scorer.chance_if_good(got.score[25:26])[0]


def test_rings_that_were_not_read_teach_nothing(rng):
    shape = good(rng, N, 12)
    shape[:, -1] *= 3
    shape[::2, -1] = np.nan
    got = compare(about_their_mean(shape), XY_M, PLAIN, None, new(12))
    assert got.ringing.places <= N // 2
    assert got.ringing.spread_db == pytest.approx(3.2, rel=0.3)
    # Nor is it where strikes may be of one place, or nobody's ring was read.
    shape[:, -1] = good(rng, N, 1)[:, 0]
    shape[7, -1] -= 40.0
    assert (compare(about_their_mean(shape), None, PLAIN, None, new(12)).chance_by_ring == 1).all()
    assert compare(about_their_mean(shape), XY_M, PLAIN, None, new(12)).chance_by_ring[7] < 1e-4
    shape[:, -1] = -12.0
    rings = Rings(shape[:, -1], np.full(N, -30.0), np.zeros(0))
    got = compare(about_their_mean(shape), XY_M, PLAIN, None, new(12), rings=[rings])
    assert (got.chance_by_ring == 1).all()


def test_of_few_bands_every_one_counts(rng):
    shape, reference = good(rng, N, 8), good(rng, 30, 8)
    shape[25, 4] -= 9.0
    got = compare(shape, XY_M, PLAIN, reference, new(8))
    assert worth_naming(got, 25) == pytest.approx(got.difference[25])
    assert got.chance_if_good[25] < 0.02


def test_a_difference_is_kept_as_heard_beside_what_of_it_counts(rng):
    shape, reference = good(rng, N), good(rng, 30)
    shape[25, 1] -= 40.0
    got = compare(shape, XY_M, PLAIN, reference, new())
    near = shape[list(got.neighbours[25])]
    expected = (near.sum(axis=0) + 2 * np.median(reference, axis=0)) / (len(near) + 2)
    assert got.heard[25] == pytest.approx(shape[25] - expected, abs=0.2)
    assert got.heard[25, 1] < -35.0
    assert got.difference == pytest.approx(softened(got.heard))
    assert got.difference[25, 1] > -10.5


def test_an_unread_ring_tells_nothing_where_the_panel_rings_otherwise_than_the_reference(rng):
    shape, reference = good(rng, N), good(rng, 30)
    shape[:, -1] += 15.0
    shape[25, -1] = np.nan
    got = compare(shape, XY_M, PLAIN, reference, new())
    assert got.difference[25, -1] == got.heard[25, -1] == 0.0
    assert got.chance_if_good[25] > 0.01


def test_good_stations_are_scored_by_what_the_others_taught(rng):
    """In-sample scores are too small; over many panels one good station in ten should be below 0.1."""
    below = [
        np.mean(compare(good(rng, N), XY_M, PLAIN, good(rng, 20), new()).chance_if_good < 0.1)
        for _ in range(20)
    ]
    assert np.mean(below) == pytest.approx(0.1, abs=0.03)


def test_bands_that_few_taps_hold_are_left_out_and_never_all():
    """Two in ten taps must reach within 40 dB; where no band does, all stay."""
    levels = np.full((10, 23), -20.0)
    levels[:, 18:] = -90.0
    assert shapes(levels).shape == (10, 15)
    levels[:2, 19] = -20.0
    assert shapes(levels).shape == (10, 17)
    assert shapes(levels, 12).shape == (10, 12)
    lone = np.full((17, 23), -90.0)
    lone[np.arange(17), 3 + np.arange(17)] = 0.0
    assert shapes(lone).shape == (17, 17)


@pytest.mark.parametrize("strikes", [1, 2, 3])
def test_strikes_of_one_good_place_do_not_make_the_others_suspect(strikes):
    """Places stray by 1, strikes of a place by 0.1: without a panel nobody says which belong together."""
    odd = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        places = np.repeat(good(rng, 48 // strikes, 17), strikes, axis=0)
        shape = places + 0.1 * good(rng, len(places), 17)
        compared = compare(shape, None, [""] * len(shape), None, new(17))
        odd.append(np.mean(compared.chance_if_good < 0.001))
    assert np.mean(odd) <= 0.01


def test_taps_without_a_panel_still_show_a_bad_place(rng):
    shape = np.repeat(good(rng, 24, 17), 2, axis=0) + 0.1 * good(rng, 48, 17)
    shape[20:22, 4] += 12
    compared = compare(shape, None, [""] * 48, None, new(17))
    assert sorted(np.argsort(compared.score)[-2:]) == [20, 21]
    assert compared.chance_if_good[20:22].max() < 0.001


def test_where_the_only_plain_station_is_set_aside_the_reference_remains():
    rng = np.random.default_rng(91001)
    shape = rng.normal(size=(10, 4))
    shape[0, :2] += 40
    xy_m = np.stack(np.divmod(np.arange(10), 5), axis=1) * 0.1
    found = compare(shape, xy_m, ["", *["frame"] * 9], rng.normal(size=(20, 4)), Baseline)
    assert not found.good.any()
    assert found.chance_if_good[0] < 2e-4


@pytest.mark.parametrize("with_reference", [True, False])
@pytest.mark.parametrize("ring_db", [-6.0, 6.0])
def test_a_patch_whose_rings_are_off_as_a_whole_is_told(rng, ring_db, with_reference):
    """2.5 spreads at each of 9 of 108 places: by its own ring few are told, and by the distance few."""
    n = 108
    xy_m = np.stack(np.divmod(np.arange(n), 12)[::-1], axis=1) * 0.1
    plain, spread_db = [""] * n, np.append(np.full(11, 3.0), 2.0)
    shape, reference = good(rng, n, 12) * spread_db, good(rng, 20, 12) * spread_db
    patch = np.array([k for k in range(n) if k // 12 in (3, 4, 5) and k % 12 in (5, 6, 7)])
    shape[patch, -1] += ring_db
    known = about_their_mean(reference) if with_reference else None
    got = compare(about_their_mean(shape), xy_m, plain, known, new(12))
    others = np.setdiff1d(np.arange(n), patch)
    assert np.median(got.chance_if_good[patch]) < 0.005
    assert np.median(got.scorer.chance_if_good(got.score[patch])) > 0.01
    assert (got.chance_if_good[others] < 0.005).sum() <= 3
    told = got.together.chance[patch] < 1e-3
    assert told.sum() >= 7
    assert not got.good[patch[told]].any()  # nor does it vouch for itself
    # Nor does it pass where the whole panel rings less than its reference, and looks the same else.
    if with_reference:
        rings = Rings(shape[:, -1], shape[:, -1], reference[:, -1] + 40.0)
        less = compare(about_their_mean(shape), xy_m, plain, known, new(12), rings=[rings])
        assert less.rings_less
        assert np.median(less.together.chance[patch]) < 1e-3
    # Without places nobody knows what lies around.
    nowhere = compare(about_their_mean(shape), None, plain, about_their_mean(reference), new(12))
    assert nowhere.together is None


@pytest.mark.parametrize("with_places", [True, False])
def test_however_early_a_station_is_set_aside_some_are_good(rng, with_places):
    shape = about_their_mean(good(rng, N, 12))
    settings = JudgeSettings(set_aside=0.2)
    got = compare(shape, XY_M if with_places else None, PLAIN, None, new(12), settings)
    assert got.good.sum() > N // 6
    # Nor is such a panel said to ring less than a reference that rings as it does.
    beside = compare(shape, XY_M, PLAIN, about_their_mean(good(rng, 20, 12)), new(12), settings)
    assert not beside.rings_less
