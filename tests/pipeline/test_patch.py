"""Patches with an edge: what is one, what is none, and which stations are of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

from taptone.model.baseline import Baseline
from taptone.pipeline import judging
from taptone.pipeline.compare import Comparison, compare, crisper
from taptone.pipeline.judge import Heard, Judgement, judge
from taptone.pipeline.patch import Patches, find_patches

ROWS, COLUMNS, BANDS = 9, 12, 8
XY_M = np.stack(np.divmod(np.arange(ROWS * COLUMNS), COLUMNS), axis=1) * 0.075
ABLE = np.ones(len(XY_M), bool)
MIDST = 4 * COLUMNS + 5
FAR_M = np.linalg.norm(XY_M - XY_M[MIDST], axis=1)
NINE = FAR_M < 0.11
#: Lower below, as a softer contact and a softer skin make it; no even tilt.
STEP_DB = np.array([2.0, 2.0, 1.0, -1.0, 1.0, -2.0, -1.0, -2.0])


@pytest.fixture
def rng():
    return np.random.default_rng(5)


def found(off_db, able=ABLE, xy_m=XY_M, by_reference=None):
    return find_patches(off_db, xy_m, able, 0.5, crisper(BANDS), by_reference)


def good(rng):
    return rng.normal(0.0, 1.0, (len(XY_M), BANDS))


def test_a_patch_is_found_and_its_neighbours_are_not_of_it(rng):
    off_db = good(rng)
    off_db[NINE] += STEP_DB
    got = found(off_db)
    assert len(got.times) == 1
    assert got.times[0] > 12**0.5
    assert set(np.flatnonzero(got.which == 0)) <= set(np.flatnonzero(NINE))
    assert (got.which[NINE] == 0).sum() >= 8
    assert set(got.of(MIDST)) == set(np.flatnonzero(got.which == 0))
    assert not len(got.of(0))


def test_steps_of_good_stations_are_no_patch(rng):
    largest = [found(good(rng)).times for _ in range(40)]
    assert sum(bool(times) for times in largest) == 0


def test_the_usual_step_is_the_middle_of_chi_squared(rng):
    """Reference: squared lengths of whitened steps follow chi-squared (textbook).

    A mean step is one of variance 1/n + 1/m; beyond what a patch itself adds to the usual step (the discs
    that reach into it) and what a plane takes from it, its square over the middle of chi-squared is told.
    """
    around = (FAR_M > 0.11) & (FAR_M < 0.26)
    step, told = np.zeros(BANDS), []
    step[2] = np.sqrt(24 * chi2.ppf(0.5, BANDS) * (1 / NINE.sum() + 1 / around.sum()))
    for _ in range(8):
        off_db = good(rng)
        off_db[NINE] += step - (off_db[NINE].mean(axis=0) - off_db[around].mean(axis=0))
        told.append(found(off_db, by_reference=np.zeros(len(ABLE))).times[0] ** 2)
    assert np.median(told) == pytest.approx(24.0, rel=0.3)


@pytest.mark.parametrize("wide_m", [0.25, 0.4])
def test_what_changes_by_degrees_is_none(rng, wide_m):
    """As strong in its middle as the patch that is found: a slope, and a bulge that is wide."""
    sloping = good(rng) + STEP_DB * (XY_M[:, :1] / XY_M[:, 0].max()) * 2
    bulging = good(rng) + STEP_DB * np.exp(-0.5 * (FAR_M[:, None] / wide_m) ** 2)
    assert found(sloping).times == ()
    assert found(bulging).times == ()


@pytest.mark.parametrize(("towards", "patches"), [(1.0, 0), (-1.0, 1)])
def test_an_even_tilt_counts_towards_low_bands_only(rng, towards, patches):
    off_db = good(rng)
    off_db[NINE] += towards * 4.0 * crisper(BANDS)
    assert len(found(off_db).times) == patches


@pytest.mark.parametrize("wide_m", [0.15, 0.2])
def test_a_narrow_bulge_lies_on_the_way(rng, wide_m):
    """As wide as a patch, but those beside it are half way there: of ten panels hardly one holds a patch."""
    bulge = np.exp(-0.5 * (FAR_M[:, None] / wide_m) ** 2)
    assert sum(bool(found(good(rng) + 2 * STEP_DB * bulge).times) for _ in range(10)) <= 1


def test_two_far_out_make_no_patch_of_those_beside_them(rng):
    off_db = good(rng)
    off_db[[MIDST, MIDST + 1]] += 5 * STEP_DB
    assert found(off_db).times == ()


def test_two_patches_are_two(rng):
    off_db = good(rng)
    other = np.linalg.norm(XY_M - XY_M[MIDST + 5], axis=1) < 0.11
    off_db[NINE] += 2 * STEP_DB
    off_db[other] -= 2 * STEP_DB
    got = found(off_db, by_reference=np.zeros(len(ABLE)))
    assert len(got.times) == 2
    assert got.which[MIDST] != got.which[MIDST + 5]
    assert got.times[0] >= got.times[1]


def test_what_is_usual_elsewhere_on_the_boat_is_none(rng):
    off_db = good(rng)
    off_db[NINE] += STEP_DB
    usual = np.full(len(XY_M), 0.5)
    assert found(off_db, by_reference=usual).times == ()
    usual[NINE] = 0.01
    told = found(off_db, by_reference=usual)
    assert told.times == found(off_db).times
    assert told.least < found(off_db).least  # where nobody says what is good, more is asked


def test_few_stations_and_stations_at_one_place_hold_none(rng):
    off_db = good(rng)
    off_db[NINE] += STEP_DB
    few = ABLE.copy()
    few[35:] = False
    assert found(off_db, able=few).times == ()
    assert found(off_db, xy_m=np.zeros_like(XY_M)).times == ()
    assert found(np.zeros_like(off_db)).times == ()


# -- in a panel ------------------------------------------------------------------------------------------


def compared(rng, step_db):
    shape, known = rng.normal(0.0, 1.0, (len(XY_M), BANDS)), rng.normal(0.0, 1.0, (20, BANDS))
    shape[NINE] += step_db
    shape, known = (rows - rows.mean(axis=1, keepdims=True) for rows in (shape, known))
    ring_db, known_ring_db = rng.normal(-12.0, 1.5, len(XY_M)), rng.normal(-12.0, 1.5, 20)
    benign = np.append(crisper(BANDS), 0.0)
    return compare(
        np.column_stack([shape, ring_db]),
        XY_M,
        [""] * len(XY_M),
        np.column_stack([known, known_ring_db]),
        lambda: Baseline(benign=benign, least_spread=0.5),
    )


def judged(told, stations=ROWS * COLUMNS):
    heard = [Heard(40.0, 900.0, -12.0)] * stations
    return judge(heard, told, reference_decay_ms=40.0, reference_centroid_hz=900.0)


def test_a_patch_does_not_vouch_for_itself_and_less_is_asked_of_it(rng):
    hit, flagged, by_patch = 0, 0, []
    for _ in range(6):
        told = compared(rng, STEP_DB)
        verdicts = judged(told)
        suspect = np.array([v.verdict == "suspect" for v in verdicts])
        hit, flagged = hit + suspect[NINE].sum(), flagged + suspect[~NINE].sum()
        by_patch += [v for v in verdicts if v.with_patch]
        assert told.good[NINE].sum() <= 1  # of the patch but for its rim, where one may not make the step
    assert hit >= 0.7 * 6 * NINE.sum()  # none of them without the patch
    assert flagged <= 2
    assert by_patch
    assert all(": it lies in a patch of " in v.reason for v in by_patch)
    assert all(v.verdict == "suspect" for v in by_patch)


def test_a_patch_lets_in_nobody_else(rng):
    """A station elsewhere whose chance is small is judged as if there were no patch."""
    chance = np.full(100, 0.5)
    chance[:9], chance[50] = 0.008, 0.004
    neighbours = tuple(() for _ in chance)
    none = Comparison(chance, chance, chance > 0.1, neighbours)
    some = replace(none, patches=Patches(np.where(np.arange(100) < 9, 0, -1), (4.0,)))
    without, with_it = (judged(told, 100) for told in (none, some))
    assert [v.verdict for v in without] == ["no difference"] * 100
    assert [v.verdict for v in with_it] == ["suspect"] * 9 + ["no difference"] * 91
    assert with_it[50] == without[50]


@pytest.mark.parametrize(
    ("spoken", "noted"),
    [
        (("no difference", "no difference"), True),
        (("no difference", "suspect"), False),
        (("not assessed", "not assessed"), False),
    ],
)
def test_a_patch_of_which_nobody_is_suspect_is_named(spoken, noted):
    chance = np.full(3, 0.3)
    patches = Patches(np.array([0, 0, -1]), (3.0,))
    told = Comparison(chance, chance, chance > 0, ((),) * 3, patches=patches)
    verdicts = [Judgement(word, "") for word in (*spoken, "no difference")]
    notes = judging._about_areas(["B3", "B4", "C1"], verdicts, told)
    words = (
        "a patch differs together from what lies around it, though no station of it by enough to be suspect: "
        "B3 B4. Strike it again, and listen"
    )
    assert notes == [words] * noted


def test_good_panels_stay_good(rng):
    assert sum(any(v.verdict == "suspect" for v in judged(compared(rng, 0.0))) for _ in range(10)) <= 2
