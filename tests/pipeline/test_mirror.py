"""The other side: a difference adds suspicion, and likeness takes none away."""

from __future__ import annotations

import dataclasses
import json
import sys
from pathlib import Path

import numpy as np
import pytest

from taptone.edges.analysing import analyse_sounds
from taptone.edges.earlier import load_earlier
from taptone.edges.learning import learn_reference
from taptone.edges.tables import write_result
from taptone.errors import LogError
from taptone.model.baseline import Baseline
from taptone.pipeline.mirror import match, mirrored
from taptone.survey.panel import parse_panel

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented import Invented, good, laid, panel_text, tap, tilted

ALTERED = {"lower": 0.85, "longer": 1.5, "duller_db": 2.0}
ROWS, COLUMNS = 4, 8
STATED = {"boat": "Kettle", "construction": "skins over foam", "hammer": "60 g steel"}


@pytest.fixture(scope="module")
def reference():
    return learn_reference([good(np.random.default_rng(41))], **STATED)[0]


def panel(name, more=""):
    text = panel_text(ROWS, COLUMNS, more).replace('"foredeck"', f'"{name}"')
    return parse_panel(text, source="deck.toml")


def recorded(seed, altered=(), *, other_recorder_db=0.0):
    rng = np.random.default_rng(seed)
    hits = [tap(rng, **(ALTERED if k in altered else {})) for k in range(ROWS * COLUMNS)]
    if other_recorder_db:
        hits = [tilted(hit, other_recorder_db) for hit in hits]
    return Invented(0.3 * laid(hits, [COLUMNS] * ROWS))


def log_of(folder, result):
    write_result(result, folder, pictures={})
    return load_earlier(folder)


@pytest.fixture(scope="module")
def port(tmp_path_factory, reference):
    """Port: B3 and B4 altered."""
    result = analyse_sounds([recorded(1, {10, 11})], panel=panel("port"), reference=reference)
    assert [p.station for p in result.points if p.verdict == "suspect"] == ["B3", "B4"]
    return log_of(tmp_path_factory.mktemp("port"), result)


def test_a_log_gives_back_what_was_heard(tmp_path, reference):
    result = analyse_sounds([recorded(1, {10})], panel=panel("port"), reference=reference)
    earlier = log_of(tmp_path, result)
    assert earlier.panel == "port"
    assert earlier.labels == tuple(p.station for p in result.points)
    tap_10 = next(t for t, s in zip(result.taps, result.tap_station, strict=True) if s == "B3")
    levels = np.array(tap_10.bands_db)
    assert earlier.bands_db[10] == pytest.approx(levels - np.nanmean(levels), abs=0.01, nan_ok=True)
    assert earlier.verdicts[10] == "suspect"
    assert load_earlier(tmp_path / "log.json").sha256 == earlier.sha256


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "does not exist: give the log.json of taptone analyse"),
        ("points", "cannot be read as a log .it is not JSON."),
        ("[]", "is not a log of this program"),
        ('{"panel": null, "points": []}', "is of taps without a panel"),
        ('{"panel": {"name": "port"}, "points": [1]}', "is not a log of this program"),
    ],
)
def test_a_bad_log_is_one_line(tmp_path, content, said):
    if content is not None:
        (tmp_path / "log.json").write_text(content)
    with pytest.raises(LogError, match=said):
        load_earlier(tmp_path)


def test_where_both_sides_are_alike_a_suspect_stays_suspect(reference, port):
    """Another recorder 2 dB an octave brighter on this side: each side's own level is taken off."""
    own = panel("starboard", 'mirror_of = "port"')
    sound = recorded(2, {11, 21}, other_recorder_db=2.0)
    alone = analyse_sounds([sound], panel=own, reference=reference)
    result = analyse_sounds([sound], panel=own, reference=reference, mirror=port)
    by = {p.station: p for p in result.points}
    assert by["B4"].verdict == by["C6"].verdict == "suspect"
    assert "same on the other side" in by["B4"].flags
    assert "same on the other side: B4 differs there in the same way" in by["B4"].reason
    assert "same on the other side" not in by["C6"].flags
    assert {p.mirror_station == p.station for p in result.points} == {True}
    assert result.mirror["stations"] == ROWS * COLUMNS
    # No verdict of this side was softened, and the fault of the other side is not laid on this one.
    assert by["B3"].verdict == "no difference"
    for p, q in zip(result.points, alone.points, strict=True):
        assert p.chance_if_good <= q.chance_if_good
        assert q.verdict != "suspect" or p.verdict == "suspect"


def test_the_opposite_face_is_called_a_face(reference, port):
    own = panel("inside", 'opposite_face_of = "port"')
    result = analyse_sounds([recorded(2, {11})], panel=own, reference=reference, mirror=port)
    assert "same on the other face" in result.points[11].flags


def uneven(rng, bad=None):
    """How a side sounds that is built unevenly, the same on both."""
    built = np.random.default_rng(77).normal(0, 3.0, (40, 6))
    here, there = (built + rng.normal(0, 0.4, built.shape) for _ in range(2))
    if bad is not None:
        here[bad] -= [4.0, 4.0, 0, 0, 0, 0]
    return here, 2.0 * there + 5.0  # another level and another spread


def told(here, there, own, other_verdicts=("no difference",) * 40, other=None):
    chance = np.full(40, 0.5) if own is None else own
    return mirrored(
        here,
        np.ones(40, bool),
        chance,
        there,
        other_verdicts,
        np.full(40, 0.6) if other is None else other,
        np.arange(40),
        Baseline,
    )


def test_a_difference_that_the_uneven_build_hides_adds_suspicion(rng):
    own = np.full(40, 0.5)
    own[7] = 0.05
    result = told(*uneven(rng, 7), own)
    assert list(np.flatnonzero(result.added)) == [7]
    assert result.chance_if_good[7] < 0.01
    assert (result.chance_if_good <= own).all()


def test_the_odder_side_is_the_suspicious_one(rng):
    """The mirror station is the odder of the two, or suspect itself: nothing is added here."""
    here, there = uneven(rng, 7)
    other = np.full(40, 0.6)
    other[7] = 0.01
    own = np.full(40, 0.5)
    assert not told(here, there, own, other=other).added.any()
    own[7] = 0.05
    verdicts = ["suspect" if k == 7 else "no difference" for k in range(40)]
    assert not told(here, there, own, verdicts).added[7]


def test_clean_pairs_seldom_add_suspicion():
    """Twice the chance of a pair: at most half as many stations again fall below any chance."""
    lowered = 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        lowered += int((told(*uneven(rng), rng.random(40), other=rng.random(40)).chance_if_good < 0.01).sum())
    assert lowered <= 2 * 0.015 * 800


def test_too_few_pairs_say_nothing(rng):
    here, there = uneven(rng)
    assert told(here, there, None, ["not assessed"] * 33 + ["no difference"] * 7) is None


def test_pairs_lie_within_half_a_spacing():
    here = np.array([[0.0, 0.0], [0.1, 0.0], [0.2, 0.0]])
    assert list(match(here, np.array([[0.04, 0.0], [0.16, 0.01]]), 0.05)) == [0, -1, 1]


@pytest.mark.parametrize(
    ("change", "anyway", "said", "used"),
    [
        ({"panel": "transom"}, False, "is of panel transom, the panel file says port", False),
        ({"panel": "transom"}, True, "is of panel transom, the panel file says port", True),
        ({"stated": STATED | {"hammer": "90 g"}}, False, "port, is of another hammer (90 g)", False),
        ({"panel": " Port"}, False, "", True),
    ],
)
def test_another_panel_than_the_file_names_is_said_and_not_used(reference, port, change, anyway, said, used):
    own = panel("starboard", 'mirror_of = "port"')
    other = dataclasses.replace(port, **change)
    result = analyse_sounds([recorded(2)], panel=own, reference=reference, mirror=other, anyway=anyway)
    assert any(said in note for note in result.notes) or not said
    assert bool(result.mirror) == used
    assert {bool(p.mirror_station) for p in result.points} == {used}


def test_a_panel_that_names_no_other_side_takes_the_word_of_the_command(reference, port):
    result = analyse_sounds([recorded(2)], panel=panel("starboard"), reference=reference, mirror=port)
    assert any("says neither mirror_of nor opposite_face_of: port is taken" in n for n in result.notes)
    assert json.dumps(dict(result.mirror))
