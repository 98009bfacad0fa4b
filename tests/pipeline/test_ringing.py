"""The ring asked by itself: its law, and what it may add."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t

from taptone.pipeline.ringing import (
    DECAY,
    EARLY_MS,
    LATE_MS,
    Ringing,
    Rings,
    by_either,
    by_ring,
    drowned_db,
    fit_ringing,
    rings_to_ask,
    surely_rings_db,
)


@pytest.fixture
def rng():
    return np.random.default_rng(8)


def test_chance_is_students_of_the_short_side():
    """Reference: scipy's Student distribution for one more value beside n (textbook formula)."""
    law = Ringing(1.0, 2.0, 96)
    off_db = np.array([-16.0, -5.0, 1.0, 7.0])
    told = t.cdf((off_db - 1.0) / (2.0 * np.sqrt(1 + 1 / 96)), 8)
    assert law.chance(off_db) == pytest.approx(told, rel=1e-12)
    assert law.chance(np.array([-500.0])) == pytest.approx(1e-6)


@pytest.mark.parametrize(("places", "freedom"), [(4, 3), (20, 6), (72, 6), (96, 8), (120, 10), (400, 10)])
def test_few_places_hold_more_surprises(places, freedom):
    told = Ringing(0.0, 1.0, places).chance(np.array([-4.0]))
    assert told == pytest.approx(t.cdf(-4.0 / np.sqrt(1 + 1 / places), freedom))


def test_the_early_ring_holds_more_surprises_however_many_taught_it():
    told = Ringing(0.0, 1.0, 400, EARLY_MS).chance(np.array([-4.0]))
    assert told == pytest.approx(t.cdf(-4.0 / np.sqrt(1 + 1 / 400), 6))


@pytest.mark.parametrize(
    ("late_db", "early_db", "after_ms"),
    [(-12.0, -2.0, 20), (-19.0, -2.0, 5), (-29.0, -9.0, 5), (-19.0, -18.0, 20), (-29.0, np.nan, 20)],
)
def test_where_nothing_could_fall_far_short_after_20_ms_it_is_asked_after_5(rng, late_db, early_db, after_ms):
    """Spreads of 2 dB over a floor of -30: 9, 5.5, 0.5 of them to fall after 20 ms, 14 and 6 after 5."""
    stray_db = rng.normal(0, 2, 400)
    late, early = (np.maximum(middle + stray_db, -30.0) for middle in (late_db, early_db))
    nobody, other = np.zeros(0), np.full(9, -12.0)
    able = np.ones(400, bool)
    alone = rings_to_ask([Rings(late, late, nobody), Rings(early, early, nobody, EARLY_MS)], 1.0, able)
    beside_known = rings_to_ask([Rings(other, other, late), Rings(other, other, early, EARLY_MS)], 1.0)
    assert alone.after_ms == beside_known.after_ms == after_ms


@pytest.mark.parametrize(("snr_db", "after_ms"), [(40.0, 20), (18.0, 5)])
def test_where_noise_drowns_what_falls_short_after_20_ms_it_is_asked_after_5(rng, snr_db, after_ms):
    """At 18 dB a fifth of the noise of 80 ms lies 19 dB below the first 20: nothing falls short of -17."""
    late, early = (middle + rng.normal(0, 1, 40) for middle in (-17.0, -4.0))
    rings = [
        Rings(ring, ring, ring, ms, drowned_db=np.full(40, drowned_db(np.array([snr_db]), ms)))
        for ring, ms in ((late, LATE_MS), (early, EARLY_MS))
    ]
    assert rings_to_ask(rings, 1.0).after_ms == after_ms


def test_a_decay_is_never_asked_instead_of_a_ring():
    """However far it could fall."""
    late, decay_db = np.full(20, -29.0), np.full(20, 17.0)
    assert (
        rings_to_ask([Rings(late, late, late), Rings(decay_db, decay_db, decay_db, DECAY)], 1.0).after_ms
        == 20
    )


def test_a_wide_dead_patch_does_not_choose_the_ring(rng):
    """Of 100 stations that ring on 40 are dead: by the middle and spread of all it would be the early one."""
    late, early = -12 + rng.normal(0, 1.5, 100), -2 + rng.normal(0, 0.5, 100)
    late[:40], early[:40] = -30.0, -12.0
    pair = [Rings(late, late, np.zeros(0)), Rings(early, early, np.zeros(0), EARLY_MS)]
    assert rings_to_ask(pair, 1.0, np.ones(100, bool)).after_ms == 20


def test_a_ring_that_was_read_at_less_than_half_of_the_places_is_not_asked():
    late, early = np.full(20, -29.0), np.full(20, -9.0)
    early[:11] = np.nan
    pair = [Rings(late, late, late), Rings(early, early, early, EARLY_MS)]
    assert rings_to_ask(pair, 1.0).after_ms == 20
    early[:2] = -9.0
    assert rings_to_ask(pair, 1.0).after_ms == 5


def test_what_noise_may_have_drowned_of_a_ring_after_5_ms():
    """15 ms of noise over the 20 ms that the ratio is of, a fifth of it unknown."""
    told = surely_rings_db(np.array([-30.0]), np.array([15.0]), EARLY_MS)
    assert told == pytest.approx(10 * np.log10(0.2 * 15 / 20) - 15)


def test_what_was_not_read_and_what_nobody_taught_tells_nothing():
    assert fit_ringing(np.zeros(30), 1.0).chance(np.array([np.nan])) == [1.0]
    for few in (np.zeros(0), np.zeros(1)):
        assert fit_ringing(few, 1.0).chance(np.array([-30.0, np.nan])).tolist() == [1.0, 1.0]


def test_good_places_never_agree_better_than_the_least_spread(rng):
    close = rng.normal(0, 0.1, 60)
    assert fit_ringing(close, 1.0).spread_db == 1.0
    assert fit_ringing(10 * close, 0.0).spread_db == pytest.approx(1.0, rel=0.25)


def test_one_poor_place_in_ten_moves_it_little(rng):
    off_db = rng.normal(0, 2, 60)
    off_db[:6] = -30
    law = fit_ringing(off_db, 1.0)
    assert law.spread_db < 4
    assert law.middle_db > -2


def test_it_adds_no_more_than_a_twentieth(rng):
    """Bonferroni: whatever the two have to do with each other."""
    for share in (0.0, 0.7, 1.0):
        distance = rng.uniform(size=40_000)
        ring = np.where(rng.uniform(size=40_000) < share, distance, rng.uniform(size=40_000))
        told = by_either(distance, ring)
        for limit in (0.1, 0.01):
            assert (told < limit).mean() <= 1.05 * limit + 4 * np.sqrt(limit / 40_000)
            assert (told < limit).mean() >= limit - 4 * np.sqrt(limit / 40_000)


def test_who_has_the_last_word():
    distance, ring = np.array([0.5, 0.5, 0.001, np.nan]), np.array([0.02, 0.03, 0.0002, 0.001])
    told = by_either(distance, ring)
    assert told == pytest.approx([0.4, 0.5, 0.001, np.nan], nan_ok=True)
    assert by_ring(told, ring).tolist() == [True, False, False, False]
    assert not by_ring(told, None).any()


def test_one_strike_that_rings_clears_a_station_and_noise_makes_none_short():
    nan = float("nan")
    loud = np.array([40.0, 40.0])
    assert surely_rings_db(np.array([-28.0, -12.0]), loud) == -12.0
    assert surely_rings_db(np.array([-28.0, nan]), loud) == -28.0
    assert np.isnan(surely_rings_db(np.array([nan]), loud[:1]))
    assert np.isnan(surely_rings_db(np.zeros(0), np.zeros(0)))
    # Noise of 80 ms, four times that of 20 ms, is taken off but for a fifth of it.
    assert surely_rings_db(np.array([-30.0]), np.array([10.0])) == pytest.approx(10 * np.log10(0.8) - 10)
