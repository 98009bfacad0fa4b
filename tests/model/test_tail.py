"""Chances against arithmetic, scipy's distributions and plain counting of random draws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from taptone.model.tail import Tail, conformal_chance, fit_tail


def test_conformal_example():
    """Calibration .1 … .9, scores .05 .5 .55 .95 (definition: Bates et al. 2023; worked by hand)."""
    chance = conformal_chance(np.array([0.05, 0.5, 0.55, 0.95]), np.arange(1, 10) / 10)
    assert chance.tolist() == [1.0, 0.6, 0.5, 0.1]


@pytest.mark.parametrize(("n", "least"), [(19, 0.05), (99, 0.01), (40, 1 / 41)])
def test_the_least_conformal_chance_is_one_in_n_plus_one(n, least):
    chance = conformal_chance(np.array([1e9]), np.arange(n, dtype=float))
    assert chance[0] == pytest.approx(least, rel=1e-12)


def test_conformal_chances_of_good_places_are_uniform(rng):
    """With 19 for calibration P(p <= k/20) is k/20 exactly: the rank of one among 20 alike."""
    draws = rng.exponential(size=(20_000, 20))
    chance = np.array([conformal_chance(row[:1], row[1:])[0] for row in draws])
    for k in (1, 2, 5, 10):
        share = np.mean(chance <= k / 20 + 1e-12)
        # Four standard errors of a share of 20 000.
        assert share == pytest.approx(k / 20, abs=4 * math.sqrt(k / 20 * (1 - k / 20) / 20_000))


def test_the_usual_chance_is_that_of_one_more_draw():
    """Student's predictive distribution (any textbook): scipy's t, at mean and deviation of the logarithm."""
    score = np.array([0.5, 1.0, 2.0, 5.0])
    expected = stats.t(df=19, loc=0.2, scale=0.3 * math.sqrt(21 / 20)).sf(np.log(score))
    assert Tail(0.2, 0.3, 20).chance(score, usual=True) == pytest.approx(expected, rel=1e-12)


def test_the_chance_told_is_heavier_far_out_and_the_same_at_one_in_ten():
    tail = Tail(0.2, 0.3, 40)
    ninth = np.exp(0.2 + 0.3 * math.sqrt(41 / 40) * stats.t(39).isf(np.array([0.1, 0.01, 1e-4])))
    told = tail.chance(ninth)
    assert told[0] == pytest.approx(0.1, rel=1e-9)
    stretch = stats.t(6).isf(0.1) / stats.t(39).isf(0.1)
    assert told[1:] == pytest.approx(stats.t(6).sf(stats.t(39).isf(np.array([0.01, 1e-4])) * stretch))
    assert 0.01 < told[1] < 0.02
    assert 1e-3 < told[2] < 2e-3


@pytest.mark.parametrize("places", [10, 20, 40])
def test_fitted_chance_is_what_counting_gives(rng, places):
    """Over many references of so few places, one more good place gets chance <= a in a of all cases."""
    repeats = 4000
    log = rng.normal(0.5, 0.4, (repeats, places))
    more = np.exp(rng.normal(0.5, 0.4, (repeats, 50)))
    tails = [fit_tail(np.exp(row)) for row in log]
    chance = np.array([tail.chance(one, usual=True) for tail, one in zip(tails, more, strict=True)])
    told = np.array([tail.chance(one) for tail, one in zip(tails, more, strict=True)])
    for at in (0.1, 0.05, 0.01):
        # A tenth of it: a robust scale is not quite the one that Student's law is of, and the 50 draws that
        # share a reference go together. More than that of false flags would be a broken promise.
        assert np.mean(chance <= at) == pytest.approx(at, rel=0.10 if places > 10 else 0.25)
        # The heavier tail that is told promises no more than that, and the same at one in ten.
        assert np.mean(told <= at) <= np.mean(chance <= at) + 1e-9
    assert np.mean(told <= 0.1) == pytest.approx(0.1, rel=0.10 if places > 10 else 0.25)


def test_it_falls_with_the_score_and_rises_with_doubt():
    score = np.linspace(0, 12, 200)
    sure, unsure = Tail(0.3, 0.4, 40).chance(score), Tail(0.3, 0.4, 8).chance(score)
    assert sure[0] == unsure[0] == 1.0
    assert (np.diff(sure) <= 0).all()
    far = score > 3
    assert (unsure[far] > sure[far]).all()


def test_it_reaches_where_conformal_chances_cannot(rng):
    """A lone flag among 200 at 5 % needs 1 in 4000: 3999 places, or a fitted tail and 40."""
    needed = 0.05 / 200
    score = np.exp(rng.normal(0.3, 0.3, 40))
    assert conformal_chance(np.array([1e9]), score)[0] > 90 * needed
    tail = fit_tail(score)
    assert tail.chance(np.array([12.0]))[0] < needed < tail.chance(np.array([2.0]))[0]


def test_a_poor_place_in_ten_hardly_widens_it(rng):
    log = rng.normal(0.3, 0.3, 40)
    clean = fit_tail(np.exp(log))
    log[::10] = np.log(20.0)
    poor = fit_tail(np.exp(log))
    # Huber's bias at 10 %: under 0.4 spreads in the middle; a plain deviation would grow threefold.
    assert abs(poor.middle - clean.middle) < 0.45 * clean.spread
    assert poor.spread < 1.6 * clean.spread


def test_scores_that_all_agree_leave_some_doubt():
    tail = fit_tail(np.full(40, 1.5))
    assert 0.3 < tail.chance(np.array([1.5]))[0] < 0.7
    assert tail.chance(np.array([1.65]))[0] > 0.05  # a tenth more is nothing


def test_missing_stays_missing():
    assert np.isnan(Tail(0.3, 0.4, 40).chance(np.array([np.nan]))).all()


@pytest.mark.parametrize(("places", "freedom"), [(20, 6), (72, 6), (96, 8), (120, 10), (400, 10)])
def test_many_places_carry_a_lighter_tail_where_it_may_be(rng, places, freedom):
    """scipy's t of so many degrees, meeting the other at 1 in 10."""
    tail = fit_tail(np.exp(rng.normal(0.5, 0.3, places)), 10)
    assert tail.freedom == freedom
    free = min(freedom, places - 1)
    strange = 4.0
    score = np.exp(tail.middle + strange * tail.spread * math.sqrt(1 + 1 / places))
    stretch = stats.t(free).isf(0.1) / stats.t(places - 1).isf(0.1)
    assert tail.chance(np.array([score]))[0] == pytest.approx(stats.t(free).sf(strange * stretch), rel=1e-9)
    assert fit_tail(np.exp(rng.normal(0.5, 0.3, places))).freedom == 6
