"""Strikes of a station that do not agree: one wild strike makes no suspect, three alike ones do."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.pipeline.apart import least_different
from taptone.pipeline.compare import Comparison
from taptone.survey.panel import parse_panel

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented import Invented, good, laid, panel_text, tap

WILD = {"lower": 0.7, "longer": 2.0, "duller_db": 6.0}


@pytest.fixture(scope="module")
def reference():
    stated = {"boat": "Kettle", "construction": "skins over foam", "hammer": "60 g steel"}
    return learn_reference([good(np.random.default_rng(41))], **stated)[0]


def judged(rng, reference, each, wild):
    """Two rows of ten stations; strike `n` of station `k` is wild for (k, n) in `wild`."""
    hits = [tap(rng, **(WILD if (k, n) in wild else {})) for k in range(20) for n in range(each)]
    panel = parse_panel(panel_text(2, 10, grid=f", taps_per_station = {each}"), source="deck.toml")
    result = analyse_sounds([Invented(laid(hits, [10 * each] * 2))], panel=panel, reference=reference)
    return {p.station: p for p in result.points}


@pytest.mark.parametrize(("each", "strike"), [(2, 0), (2, 1), (3, 0), (3, 1), (3, 2)])
def test_one_wild_strike_makes_no_suspect_and_is_said(rng, reference, each, strike):
    by = judged(rng, reference, each, {(4, strike)})
    assert by["A5"].verdict == "no difference"
    assert "strikes differ" in by["A5"].flags
    assert f"its {each} strikes lie" in by["A5"].reason
    assert "judged without the worst of them" in by["A5"].reason
    assert [s for s, p in by.items() if "strikes differ" in p.flags] == ["A5"]


@pytest.mark.parametrize("each", [2, 3])
def test_a_station_wild_at_every_strike_is_suspect(rng, reference, each):
    by = judged(rng, reference, each, {(4, n) for n in range(each)})
    assert by["A5"].verdict == "suspect"


def test_two_of_three_wild_strikes_are_a_suspect_only_if_it_holds_without_either(rng, reference):
    """Without one of the two, half of what is left is wild: it differs less, and may still be suspect."""
    by = judged(rng, reference, 3, {(4, 0), (4, 1)})
    all_three = judged(np.random.default_rng(20260101), reference, 3, {(4, 0), (4, 1), (4, 2)})
    assert by["A5"].score < all_three["A5"].score


def test_the_reading_that_counts_brings_all_that_is_told_of_it():
    def read(score, chance, step):
        return Comparison(
            np.array([1.0, score]),
            np.array([0.5, chance]),
            np.array([True, False]),
            ((), ()),
            difference=np.array([[0.0, 0.0], step]),
            heard=np.array([[0.0, 0.0], step]) * 2,
        )

    got = least_different(read(9.0, 1e-6, [-8.0, 3.0]), [read(2.0, 0.2, [1.0, -2.0])], [1])
    assert got.score.tolist() == [1.0, 2.0]
    assert got.chance_if_good.tolist() == [0.5, 0.2]
    assert got.difference.tolist() == [[0.0, 0.0], [1.0, -2.0]]
    assert got.heard.tolist() == [[0.0, 0.0], [2.0, -4.0]]
