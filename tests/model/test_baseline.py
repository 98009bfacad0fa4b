"""The estimator against scikit-learn's contract, and against places of which one in ten is poor."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize
from sklearn.exceptions import NotFittedError
from sklearn.utils.estimator_checks import check_estimator

from taptone.model.baseline import Baseline

MIDDLE, SPREAD = np.array([3.7, 7.0, 2.0]), np.array([0.2, 0.1, 1.5])  # log decay, log centroid, balance, say
CORRELATION = np.array([[1.0, 0.5, 0.0], [0.5, 1.0, -0.3], [0.0, -0.3, 1.0]])


def places(n, rng):
    return MIDDLE + rng.multivariate_normal(np.zeros(3), CORRELATION, n) * SPREAD


def test_scikit_learns_contract():
    # One of its checks asks for an experimental setting of scipy and leaves itself out without it.
    ran = check_estimator(Baseline(), on_skip=None)
    assert sum(each["status"] == "passed" for each in ran) >= len(ran) - 1 > 30


def test_many_good_places_give_the_true_distance(rng):
    """Mahalanobis with the covariance that the places were drawn from; numpy's inverse."""
    model = Baseline().fit(places(4000, rng))
    covariance = CORRELATION * np.outer(SPREAD, SPREAD)
    X = places(50, rng)
    true = np.sqrt(np.einsum("ij,jk,ik->i", X - MIDDLE, np.linalg.inv(covariance), X - MIDDLE))
    # 4000 places know a middle to 0.016 and a scale to 0.011 spreads; drawn-in values add as much.
    assert model.score_samples(X) == pytest.approx(true, abs=0.05, rel=0.05)
    assert model.location_ == pytest.approx(MIDDLE, abs=0.06 * SPREAD.max())
    assert model.n_places_ == 4000


def test_units_do_not_matter(rng):
    X, factor = places(30, rng), np.array([1000.0, 0.01, 3.0])
    plain, scaled = Baseline().fit(X), Baseline().fit(X * factor + 5)
    assert scaled.score_samples(X * factor + 5) == pytest.approx(plain.score_samples(X), rel=1e-6)


def test_one_poor_place_in_ten_moves_little(rng):
    X = places(40, rng)
    clean = Baseline().fit(X)
    poor = X.copy()
    poor[::10] += np.array([8.0, -8.0, 8.0]) * SPREAD  # eight spreads off, all the same way
    model = Baseline().fit(poor)
    # Huber's bias at 10 % is under 0.4 spreads, where mean and deviation move by 0.8 and 2.6-fold.
    assert np.abs((model.location_ - clean.location_) / SPREAD).max() < 0.45
    assert (np.abs(poor.mean(axis=0) - X.mean(axis=0)) / SPREAD).min() > 0.75
    # And every one of the four stands out against what was learnt with them inside.
    good = np.delete(np.arange(40), np.s_[::10])
    scores = model.score_samples(poor)
    assert scores[::10].min() > 1.5 * scores[good].max()
    assert model.chance_if_good(scores[::10], usual=True).max() < 0.01


@pytest.mark.parametrize("n", [20, 40])
def test_good_places_are_rarely_given_a_small_chance(rng, n):
    """Counting, over 100 references: of places not learnt from, about a share a gets chance <= a."""
    chance = np.array(
        [
            model.chance_if_good(model.score_samples(places(100, rng)))
            for model in (Baseline().fit(places(n, rng)) for _ in range(100))
        ]
    )
    # Twice is what a benchmark must still catch; less than stated is allowed, the tail being a cautious one.
    assert np.mean(chance <= 0.05) < 0.10
    assert np.mean(chance <= 0.01) < 0.02
    assert np.mean(chance <= 0.5) == pytest.approx(0.5, abs=0.15)


def test_more_features_than_places_still_give_finite_distances(rng):
    X = rng.normal(size=(12, 17))
    model = Baseline().fit(X)
    assert np.isfinite(model.score_samples(rng.normal(size=(5, 17)))).all()
    # Few places: shrinking has left at most as many independent features as there are.
    assert 1 <= model.effective_features_ <= 17 + 1e-9


def test_the_benign_way_does_not_count(rng):
    """Distance from a half-line, by scipy's bounded minimisation over how far along it one goes."""
    X = places(60, rng)
    way = np.array([-0.2, 0.1, -1.0])
    model, plain = Baseline(benign=way).fit(X), Baseline().fit(X)
    crisper, duller = model.location_ + 5 * way, model.location_ - 5 * way
    assert model.score_samples([crisper])[0] == pytest.approx(0.0, abs=1e-6)
    assert model.score_samples([duller])[0] == pytest.approx(plain.score_samples([duller])[0])
    for x in X[:20]:

        def distance(length, x=x):
            return plain.score_samples([x - length * way])[0]

        nearest = optimize.minimize_scalar(
            distance, bounds=(0.0, 20.0), method="bounded", options={"xatol": 1e-9}
        )
        # The bound itself is not tried by the minimiser: 1e-4.
        expected = min(nearest.fun, distance(0.0))
        assert model.score_samples([x])[0] == pytest.approx(expected, abs=1e-4)


def test_a_feature_that_never_varied_gives_no_missing_scores():
    X = np.column_stack([np.arange(10.0), np.full(10, 7.0)])
    scores = Baseline().fit(X).score_samples(X)
    assert np.isfinite(scores).all()
    assert scores.max() < 3


def test_unlearnt_it_says_so():
    with pytest.raises(NotFittedError, match="not fitted"):
        Baseline().score_samples([[0.0, 0.0]])
    with pytest.raises(NotFittedError, match="not fitted"):
        Baseline().chance_if_good(np.zeros(1))


def test_rows_of_one_group_are_held_out_together(rng):
    """Twins: each foretells the other, so that only together do they score like places not yet seen."""
    twins = np.repeat(places(20, rng), 2, axis=0)
    alone = Baseline().fit(twins).held_out_
    together = Baseline().fit(twins, groups=np.arange(40) // 2).held_out_
    part = np.arange(40) // 2 % 10
    for k in range(10):
        unseen = Baseline().fit(twins[part != k]).score_samples(twins[part == k])
        assert together[part == k] == pytest.approx(unseen, rel=1e-9)
    assert np.median(together) > np.median(alone)
    assert Baseline().fit(twins, groups=np.zeros(40)).held_out_ == pytest.approx(alone)


#: The first feature alone; the second, and half as much of the first the other way.
DIPS = np.array([[1.0, 0.0, 0.0], [-0.5, 1.0, 0.0]])


def least_squared(model, off, benign=None):
    """By scipy's bounded minimisation over how far a dip goes down, one at once, and the benign way up."""
    found = [off @ model.precision_ @ off]
    for ways in [[way] for way in DIPS] if benign is None else [[way, benign] for way in [*DIPS, 0 * benign]]:
        ways = np.array(ways)

        def squared(by, ways=ways):
            rest = off - by @ ways
            return rest @ model.precision_ @ rest

        bounds = [(-50.0, 0.0), (0.0, 50.0)][: len(ways)]
        found.append(optimize.minimize(squared, np.zeros(len(ways)), bounds=bounds, tol=1e-14).fun)
    return min(found)


@pytest.mark.parametrize("benign", [None, np.array([-0.2, 0.1, 1.0])])
def test_of_what_dips_the_one_that_explains_most_does_not_count(rng, benign):
    model = Baseline(benign=benign).fit(places(60, rng), dips=DIPS)
    asked = places(40, rng) + rng.integers(-1, 2, (40, 3)) * np.array([0.6, 0.3, 4.0])
    expected = [np.sqrt(least_squared(model, x - model.location_, benign)) for x in asked]
    assert model.score_samples(asked) == pytest.approx(expected, abs=2e-4)


def test_what_counts_is_the_place_with_its_dip_put_back(rng):
    model, plain = Baseline().fit(X := places(60, rng), dips=DIPS), Baseline().fit(X)
    low = model.location_ - np.array([3.0, 2.0])[:, None] * DIPS
    assert model.counted(low) == pytest.approx(np.tile(model.location_, (2, 1)), abs=1e-9)
    asked = places(40, rng)
    assert plain.score_samples(model.counted(asked)) == pytest.approx(model.score_samples(asked))
    assert plain.counted(asked) == pytest.approx(asked)


def test_what_rises_or_is_no_dip_counts_in_full_and_nothing_jumps_between(rng):
    X = places(60, rng)
    with_dips, plain = Baseline().fit(X, dips=DIPS[:1]), Baseline().fit(X)
    rising = plain.location_ + np.array([0.9, 0.0, 0.0]) * np.linspace(-1, 1, 101)[:, None]
    score = with_dips.score_samples(rising)
    assert score[50:] == pytest.approx(plain.score_samples(rising)[50:], abs=1e-9)
    assert score[:50] == pytest.approx(0, abs=1e-6)
    assert np.abs(np.diff(score)).max() < 2 * np.diff(plain.score_samples(rising))[-1]
    ring = plain.location_ + np.array([[0.0, 0.0, -9.0]])
    assert with_dips.score_samples(ring)[0] > 0.7 * plain.score_samples(ring)[0]


def test_held_out_places_are_scored_the_same_way_and_many_lighten_the_tail(rng):
    few, more, many = places(40, rng), places(80, rng), places(100, rng)
    model = Baseline().fit(few, dips=DIPS)
    for k in range(10):
        part = np.arange(40) % 10 == k
        unseen = Baseline().fit(few[~part], dips=DIPS).score_samples(few[part])
        assert model.held_out_[part] == pytest.approx(unseen, rel=1e-9)
    assert model.tail_.freedom == 6
    assert Baseline().fit(more, dips=DIPS).tail_.freedom == pytest.approx(80 / 12)
    assert Baseline().fit(many, dips=DIPS).tail_.freedom == 7
    assert Baseline().fit(many).tail_.freedom == 6


@pytest.mark.parametrize("dips", [[1.0, 0.0, 0.0], [[1.0, 0.0]], 1.0])
def test_dips_of_another_shape_are_refused(rng, dips):
    with pytest.raises(ValueError, match="dips of shape"):
        Baseline().fit(places(20, rng), dips=dips)
