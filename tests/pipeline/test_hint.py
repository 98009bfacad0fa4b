"""Lines that look like structure nobody declared: offered as a question, never applied."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.physics import scene as physics
from taptone.pipeline.hint import lines
from taptone.survey.panel import parse_panel

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented import FRAME, Invented, good, laid, panel_text, tap, tilted

ALTERED = {"lower": 0.85, "longer": 1.5, "duller_db": 2.0}
STATED = {"boat": "Kettle", "construction": "skins over foam", "hammer": "60 g steel"}
Y, X = np.mgrid[:6, :10].reshape(2, -1)
XY_M = np.stack([X, Y], axis=1) * 0.1
EVERY = np.ones(60, bool)


@pytest.fixture(scope="module")
def reference():
    return learn_reference([good(np.random.default_rng(41))], **STATED)[0]


# -- lines -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("marked", "found"),
    [
        (X == 3, 6),
        (Y == 2, 10),
        ((X == 3) | (X == 4), 12),
        (X == 0, 6),
        ((X == 3) & (Y != 4), 5),
        (X == Y + 2, 6),
    ],
    ids=["column", "row", "two columns", "at the edge", "with a gap", "slanting"],
)
def test_a_line_across_is_found(marked, found):
    [line] = lines(XY_M, marked, EVERY, 0.1)
    assert len(line) == found
    assert set(line) <= set(np.flatnonzero(marked))


@pytest.mark.parametrize(
    "marked",
    [
        (X == 3) & (Y < 4),
        (X >= 3) & (X <= 5),
        (X >= 2) & (X <= 6) & (Y >= 1) & (Y <= 4),
        (X == 3) & (Y % 2 == 0),
        X >= 5,
        EVERY,
    ],
    ids=["part of the way", "three abreast", "a round patch", "every other", "half the panel", "all"],
)
def test_what_is_no_line(marked):
    assert lines(XY_M, marked, EVERY, 0.1) == []


def test_two_lines_are_two():
    found = lines(XY_M, (X == 2) | (X == 7), EVERY, 0.1)
    assert sorted(found) == [tuple(np.flatnonzero(x == X)) for x in (2, 7)]


def test_scattered_suspects_seldom_line_up():
    rng = np.random.default_rng(3)
    assert sum(bool(lines(XY_M, rng.random(60) < 0.15, EVERY, 0.1)) for _ in range(60)) <= 3


# -- from sound ------------------------------------------------------------------------------------------


def recorded(rng, rows, columns, which, change):
    hits = [tap(rng) for _ in range(rows * columns)]
    for k in which:
        hits[k] = change(hits[k])
    return Invented(0.2 * laid(hits, [columns] * rows))


def hinted(result, word):
    return [note for note in result.notes if "was not declared?" in note and word in note]


def test_a_crisper_column_is_offered_as_a_frame(rng, reference):
    at_frame = [10 * r + 4 for r in range(5)]
    sound = recorded(rng, 5, 10, at_frame, lambda hit: tilted(hit, 3.0))
    result = analyse_sounds([sound], panel=parse_panel(panel_text(5, 10), source="d"), reference=reference)
    [said] = hinted(result, "crisper")
    assert "stations A5 B5 C5 D5 E5 lie in a line" in said
    assert {p.verdict for p in result.points if p.station.endswith("5")} == {"no difference"}  # not applied
    frame = FRAME.replace("0.3]]", "0.5]]")
    declared = analyse_sounds(
        [sound], panel=parse_panel(panel_text(5, 10, frame), source="d"), reference=reference
    )
    assert hinted(declared, "") == []
    assert {p.verdict for p in declared.points if p.station.endswith("5")} == {"at structure"}


def test_suspects_in_a_line_stay_suspect_and_are_asked_about(rng, reference):
    at_frame = [10 * r + c for r in range(5) for c in (4, 5)]
    hits = [tap(rng, **(ALTERED if k in at_frame else {})) for k in range(50)]
    result = analyse_sounds(
        [Invented(laid(hits, [10] * 5))],
        panel=parse_panel(panel_text(5, 10), source="d"),
        reference=reference,
    )
    [said] = hinted(result, "suspects")
    assert "A5" in said
    assert "E6" in said
    assert "until then they stay suspect" in said
    suspects = [k for k, p in enumerate(result.points) if p.verdict == "suspect"]
    assert suspects == at_frame


def test_a_block_of_suspects_is_no_structure(rng, reference):
    block = [10 * r + c for r in (1, 2, 3) for c in (3, 4, 5, 6)]
    hits = [tap(rng, **(ALTERED if k in block else {})) for k in range(50)]
    result = analyse_sounds(
        [Invented(laid(hits, [10] * 5))],
        panel=parse_panel(panel_text(5, 10), source="d"),
        reference=reference,
    )
    assert sum(p.verdict == "suspect" for p in result.points) == 12
    assert hinted(result, "") == []


@pytest.mark.parametrize("framed", [True, False])
def test_a_frame_of_the_simulator(framed):
    """A bulkhead behind a foam deck, from first principles, on an evenly built panel."""
    scene = physics.Scene(seed=2, bounce_chance=0.0, spread=physics.Spread().scaled(0.5))
    line = ((0.45, -0.2), (0.45, 0.9))
    built = dataclasses.replace(scene, behind=(physics.Behind("bulkhead", line=line),)) if framed else scene

    def sound(scene, xy, rows, seed):
        rng = np.random.default_rng([3, seed])
        plan = physics.tapping_times(xy, rows, rng=rng)
        return Invented(physics.recording(scene, plan, rate_hz=44100, rng=rng)[0])

    places = np.array([[x, y] for x in (1.1, 1.25, 1.4, 1.55, 1.7) for y in (0.05, 0.2, 0.35, 0.5)])
    known, _ = learn_reference([sound(scene, places, np.zeros(20), 0)], **STATED)
    result = analyse_sounds(
        [sound(built, XY_M + 0.05, Y, 1)], panel=parse_panel(panel_text(6, 10), source="d"), reference=known
    )
    said = hinted(result, "")
    assert [("A5" in note, "F5" in note) for note in said] == ([(True, True)] if framed else [])
