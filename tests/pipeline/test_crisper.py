"""Groups of suspects that are brighter and ring less; made-up numbers, and made-up panels with a bulkhead."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from taptone.pipeline.compare import Comparison
from taptone.pipeline.crisper import crisper_noted
from taptone.pipeline.judge import Heard, Judgement

XY_M = np.array([[0.0, 0.0], [0.1, 0.0], [0.2, 0.0], [0.5, 0.0]])


def noted(centroid_hz=(1200.0,) * 4, ring=(-2.0,) * 4, decay_ms=(60.0,) * 4):
    verdicts = [
        Judgement(
            "suspect", "third-octave", "dull", 0.99, neighbour_decay_ms=80.0, neighbour_centroid_hz=1000.0
        )
    ] * 4
    heard = [Heard(d, c) for d, c in zip(decay_ms, centroid_hz, strict=True)]
    difference = np.column_stack([np.zeros((4, 3)), ring])
    compared = Comparison(
        np.full(4, 20.0), np.full(4, 1e-5), np.zeros(4, bool), ((),) * 4, False, difference, np.ones(4)
    )
    return crisper_noted(verdicts, heard, compared, XY_M, 0.1)


def test_brighter_and_ringing_less_is_noted_and_says_so():
    for verdict in noted():
        assert verdict.verdict == "no difference"
        assert verdict.character == ""
        assert verdict.confidence == 0.99
        assert verdict.reason.startswith("differs, but crisper: ")
        assert verdict.reason.endswith("third-octave")


@pytest.mark.parametrize(
    "other",
    [
        {"centroid_hz": (900.0,) * 4},  # lower: dull or hollow
        {"ring": (1.0,) * 4},  # brighter with a longer ring: a blister
        {"decay_ms": (20.0,) * 4},  # only the click is left
        {"centroid_hz": (np.nan,) * 4},  # unknown is no excuse
    ],
)
def test_all_else_stays_suspect(other):
    assert {v.verdict for v in noted(**other)} == {"suspect"}


def test_the_middle_of_a_group_decides_and_a_lone_station_for_itself():
    got = noted(centroid_hz=(900.0, 1200.0, 1200.0, 900.0))
    assert [v.verdict for v in got] == ["no difference"] * 3 + ["suspect"]
    got = noted(centroid_hz=(900.0, 900.0, 1200.0, 1200.0))
    assert [v.verdict for v in got] == ["suspect"] * 3 + ["no difference"]


def test_without_differences_nothing_is_said():
    nothing = Comparison(np.zeros(1), np.zeros(1), np.zeros(1, bool), ((),))
    verdict = Judgement("suspect", "")
    assert crisper_noted([verdict], [Heard()], nothing, XY_M[:1], 0.1) == (verdict,)
    assert dataclasses.asdict(verdict)["verdict"] == "suspect"
