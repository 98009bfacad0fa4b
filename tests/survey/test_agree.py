"""Agreement of two sets of words: against another library, a worked example, and what is not defined."""

from __future__ import annotations

import math

import numpy as np
import pytest
from sklearn.metrics import cohen_kappa_score

from taptone.survey.agree import agree, cohen_kappa, suspected

#: Counts of 100 subjects that two judges put into three kinds: kappa 0.68, standard error 0.087. Source:
#: J. L. Fleiss, B. Levin, M. C. Paik, Statistical Methods for Rates and Proportions, 3rd ed., Wiley 2003,
#: chapter 18 (from memory; statsmodels gives the same standard error).
WORKED = [[75, 1, 4], [5, 4, 1], [0, 0, 10]]


def test_worked_example():
    kappa, low, high, observed, expected = cohen_kappa(WORKED)
    assert (round(observed, 2), round(expected, 2), round(kappa, 2)) == (0.89, 0.66, 0.68)
    assert (high - low) / 2 / 1.959964 == pytest.approx(0.087, abs=0.001)


@pytest.mark.parametrize("seed", range(20))
def test_as_scikit_learn_has_it(seed):
    rng = np.random.default_rng(seed)
    first = rng.random(60) < 0.3
    second = np.where(rng.random(60) < 0.2, rng.random(60) < 0.5, first)
    labels = [f"A{k}" for k in range(60)]
    found = agree(
        dict(zip(labels, map(bool, first), strict=True)), dict(zip(labels, map(bool, second), strict=True))
    )
    assert found.kappa == pytest.approx(cohen_kappa_score(first, second), abs=1e-12)
    assert found.assessed == 60
    if not math.isnan(found.low):
        assert -1 <= found.low <= found.kappa <= found.high <= 1


def test_the_interval_holds_the_truth_about_as_often_as_it_says():
    """Made-up judges of a known agreement, 1,000 panels of 120 stations: a little less often than 95 %."""
    rng = np.random.default_rng(3)
    shares = np.array([0.20, 0.06, 0.04, 0.70])
    truth = cohen_kappa(1e6 * shares.reshape(2, 2))[0]
    bounds = [cohen_kappa(rng.multinomial(120, shares).reshape(2, 2))[1:3] for _ in range(1000)]
    assert 0.90 <= np.mean([low <= truth <= high for low, high in bounds]) <= 0.98


def test_everybody_is_in_one_place():
    found = agree(
        {"A1": True, "A2": True, "A3": False, "A4": False, "A5": None, "A6": None, "A7": True},
        {"A1": True, "A2": False, "A3": True, "A4": False, "A5": True, "A6": None, "A8": False},
    )
    assert found.both == ("A1",)
    assert found.only_first == ("A2",)
    assert found.only_second == ("A3",)
    assert found.neither == ("A4",)
    assert found.not_by_first == ("A5", "A8")
    assert found.not_by_second == ("A7",)
    assert found.not_by_either == ("A6",)
    assert found.kappa == 0.0


def test_kappa_of_one_who_always_says_the_same_has_no_interval():
    found = agree({"A1": False, "A2": False, "A3": False}, {"A1": True, "A2": False, "A3": True})
    assert found.kappa == 0.0
    assert math.isnan(found.low)
    assert "one said the same of every station" in found.note


def test_identical_is_one_and_its_interval_is_not_given():
    words = {"A1": True, "A2": False, "A3": False}
    found = agree(words, words)
    assert found.kappa == 1.0
    assert math.isnan(found.low)
    assert "agree on all 3 stations" in found.note


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ({"A1": False, "A2": False}, "not defined"),
        ({"A1": True}, "not defined"),
        ({"A1": None}, "no station was assessed by both"),
        ({}, "no station was assessed by both"),
    ],
)
def test_what_is_not_defined_is_said(words, said):
    found = agree(words, words)
    assert math.isnan(found.kappa)
    assert said in found.note


def test_a_word_nobody_knows_is_a_difference():
    words = {"A1": " No  Difference", "A2": "drummy", "A3": "", "A4": "at structure", "A5": "firm"}
    assert suspected(words) == {"A1": False, "A2": True, "A3": None, "A4": None, "A5": True}
    assert suspected(words, good=("firm",))["A5"] is False


@pytest.mark.parametrize(
    ("table", "kappa"),
    [([[0, 0], [2, 8]], 0.0), ([[0, 5], [0, 5]], 0.0), ([[3, 0], [2, 0]], 0.0), ([[0, 1], [1, 0]], -1.0)],
)
def test_an_interval_without_width_is_not_given(table, kappa):
    """The formula's standard error is 0 there, which would look like knowing kappa exactly."""
    found, low, high, _, _ = cohen_kappa(table)
    assert found == pytest.approx(kappa)
    assert math.isnan(low)
    assert math.isnan(high)


def test_why_an_interval_is_not_given():
    none_suspect = agree({"A1": False, "A2": False}, {"A1": True, "A2": False})
    assert none_suspect.note.startswith("one said the same of every station: this interval has no width")
    assert agree({"A1": True, "A2": False}, {"A1": False, "A2": True}).note.startswith("they agree on no")
