"""What was stated, in numbers; and the smallest patch that would have been noticed."""

from __future__ import annotations

import math

import numpy as np
import pytest

from taptone.physics import scene as physics
from taptone.survey.qualify import (
    _TIPS,
    between_stations_mm,
    hammer_of,
    materials_of,
    smallest_across_m,
)
from taptone.types import Laminate


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("60 g steel", (60.0, "steel")),
        ("plastic 60 g", (60.0, "plastic")),
        ("Brass, 0.12 kg", (120.0, "brass")),
        ("2 oz phenolic head", (56.7, "plastic")),
        ("60g steel, taped", (60.0, "taped")),
        ("steel", None),
        ("60 g", None),
        ("60 g steel or 90 g brass", None),
        ("5 kg steel", None),
        ("", None),
    ],
)
def test_hammer_in_words(words, found):
    """1 oz is 28.35 g."""
    assert hammer_of(words) == found


def test_every_tip_has_a_law():
    assert set(_TIPS.values()) == set(physics.TIPS)


def test_balsa_is_the_table_of_a_class_society():
    """Bureau Veritas, rules for yachts, Part B, chapter 12, section 2, table 4: balsa of 144 kg/m3."""
    balsa = materials_of(Laminate(3.0, "balsa", 20.0))
    found = (balsa.core_modulus_pa, balsa.core_inplane_pa, balsa.core_shear_pa)
    assert found == pytest.approx((4083e6, 61e6, 150e6))
    assert balsa.assumed == ("skin modulus 12 GPa", "core density 144 kg/m3")


def test_what_was_stated_is_not_assumed():
    stated = materials_of(Laminate(3.0, "foam", 20.0, skin_modulus_gpa=14.0, core_density_kg_m3=90.0))
    assert stated.assumed == ()
    assert stated.skin_modulus_pa == 14e9
    # Half way between the rows of 80 and 100 kg/m3, a core supplier's table of PVC foam.
    assert stated.core_modulus_pa == pytest.approx(112.5e6)
    assert materials_of(Laminate(7.0, "none")).core_m == 0.0


def test_between_stations():
    """A circle through the corners of a square: sqrt 2 of its side."""
    assert between_stations_mm(0.1) == pytest.approx(100 * math.sqrt(2))


def test_smallest_is_the_size_from_which_all_larger_are_noticed():
    across_m = np.array([0.02, 0.04, 0.08, 0.16])
    strays = np.zeros((10, 1))

    def score(rows):
        return np.abs(rows[:, 0])

    def found(*heights):
        return smallest_across_m(across_m, np.array(heights)[:, None, None], strays, score, 5.0)

    assert found(1.0, 6.0, 7.0, 9.0) == 0.04
    assert found(6.0, 1.0, 7.0, 9.0) == 0.08  # a small one that happens to be heard promises nothing
    assert found(9.0, 9.0, 9.0, 9.0) == 0.02
    assert math.isnan(found(9.0, 9.0, 9.0, 1.0))


def test_nine_in_ten_stations_must_notice():
    change = np.full((1, 1, 1), 6.0)

    def found(deaf):
        strays = np.zeros((20, 1))
        strays[:deaf] = -6.0
        return smallest_across_m(np.array([0.02]), change, strays, lambda d: np.abs(d[:, 0]), 5.0)

    assert found(2) == 0.02
    assert math.isnan(found(3))
