"""A fault blocks by how far it would move the baseline's own taps, and by nothing else."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.model.saved import dumps, loads
from taptone.pipeline.detect import detect
from taptone.pipeline.faults import blocking, end_hz, sensitivity
from taptone.survey.panel import parse_panel
from taptone.types import Finding, Reference

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented import Invented, good, laid, panel_text, tap

GAIN = Finding("row.m4a", "gain control", "the noise sinks by 12.0 dB", 12.0, "dB")


def reference(spread_ms, moved_ms, *, health=(), name="gain control"):
    """Nine places whose decays have a known robust spread, and one fault that moves them."""
    places = [{"decay_ms": 40.0 + spread_ms / 1.4826 * k, "centroid_hz": 1500.0 + k} for k in (-1, 0, 1) * 3]
    return Reference(
        boat="Kettle",
        construction="solid",
        hammer="60 g",
        recorder="",
        surface_temp_c=math.nan,
        rate_hz=48000,
        measures=tuple(places),
        bands_db=np.zeros((9, 23)),
        labels=("1",) * 9,
        taps=(1,) * 9,
        health=tuple(health),
        sensitivity=(
            {"fault": name, "strength": 0.0, "decay_ms": 0.0, "centroid_hz": 0.0},
            {"fault": name, "strength": 24.0, "decay_ms": 2 * moved_ms, "centroid_hz": 0.0},
        ),
    )


@pytest.mark.parametrize(("moved_ms", "blocks"), [(4.0, False), (6.0, True)])
def test_more_than_half_the_spread_blocks(moved_ms, blocks):
    [marked], reasons, notes = blocking([GAIN], reference(10.0, moved_ms))
    assert marked.blocks is blocks
    assert (GAIN.recording in reasons) is blocks
    assert len(notes) == 1
    if blocks:
        assert "by 6 ms, more than 0.5 of its spread of 10 ms" in reasons[GAIN.recording]


def test_a_fault_that_both_share_is_a_note():
    known = reference(10.0, 60.0, health=[replace(GAIN, recording="good.m4a")])
    [marked], reasons, notes = blocking([GAIN], known)
    assert not marked.blocks
    assert reasons == {}
    assert "the baseline was recorded with it too" in notes[0]


def test_a_fault_that_only_the_baseline_has_is_said():
    _, reasons, notes = blocking([], reference(10.0, 60.0, health=[GAIN]))
    assert reasons == {}
    assert notes[0].startswith("the baseline was recorded with gain control")


def test_an_old_baseline_blocks_nothing():
    [marked], reasons, _ = blocking([GAIN], replace(reference(10.0, 60.0), sensitivity=()))
    assert not marked.blocks
    assert reasons == {}


def test_narrow_sound_blocks_by_decay_alone_and_ends_the_band():
    narrow = Finding("row.m4a", "lossy copy", "ends at 9.5 kHz", 9500.0, "Hz")
    known = reference(10.0, 4.0, name="low-pass")
    known = replace(
        known, sensitivity=tuple(dict(r, decay_ms=4.0, centroid_hz=900.0) for r in known.sensitivity)
    )
    assert not blocking([narrow], known)[0][0].blocks
    assert end_hz(48000, [narrow]) == pytest.approx(9025)
    assert end_hz(8000, []) == 3600


def test_faults_move_taps_as_far_as_arithmetic_says(rng, made_ring, array_sound):
    """A tone that dies by 60 dB in 40 ms: exact silence after a gate cannot lengthen it, and no filter above
    it can move it; a gain that comes back slows it."""
    x = rng.normal(0, 1e-4, 12 * 48000)
    for k in range(10):
        ring = made_ring(48000, 900, 40.0, 0.4)
        x[48000 * (k + 1) : 48000 * (k + 1) + len(ring)] += ring
    rows = sensitivity(list(detect(array_sound(x, 48000))))
    moved = {(r["fault"], r["strength"]): r for r in rows}
    assert moved["gain control", 0.0]["decay_ms"] == 0
    assert moved["gate", 250.0]["decay_ms"] < 0.5
    assert moved["low-pass", 12000.0]["decay_ms"] < 0.5
    assert moved["gain control", 24.0]["decay_ms"] > 1.0
    gains = [moved["gain control", float(k)]["decay_ms"] for k in (0, 3, 6, 12, 24)]
    assert gains == sorted(gains)


# -- the whole way --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def learned():
    rng = np.random.default_rng(11)
    known, _ = learn_reference(
        [good(rng, 20)], boat="Kettle", construction="skins over foam", hammer="60 g steel"
    )
    return known


def panel(rows, columns):
    return parse_panel(panel_text(rows, columns), source="deck.toml")


def recorded(rng, rows, columns):
    return Invented(laid([tap(rng) for _ in range(rows * columns)], [columns] * rows))


def test_a_baseline_keeps_its_health_and_sensitivity(learned):
    again = loads(dumps(learned), source="good.json")
    assert {row["fault"] for row in again.sensitivity} == {
        *("gain control", "gate", "noise suppression", "clipping", "low-pass")
    }
    assert again.health == learned.health
    for one, two in zip(again.sensitivity, learned.sensitivity, strict=True):
        assert one == pytest.approx(two, abs=1e-4, nan_ok=True)


def test_stations_under_a_blocking_gain_control_are_not_assessed(learned, rng):
    x = recorded(rng, 2, 8).samples
    level, gain, most = 0.0, np.empty(len(x)), 10 ** (24 / 20)
    for start in range(0, len(x), 44):  # follows the peak of a millisecond, back within 0.2 s
        peak = float(np.abs(x[start : start + 44]).max())
        level = peak if peak > level else level * math.exp(-1 / 200)
        gain[start : start + 44] = min(0.3 / max(level, 1e-9), most)
    late = np.r_[np.full(88, gain[0]), gain[:-88]]  # two milliseconds late
    result = analyse_sounds([Invented(np.clip(x * late, -1, 1))], panel=panel(2, 8), reference=learned)
    [finding] = [f for f in result.health if f.name == "gain control"]
    assert finding.blocks
    assert {p.verdict for p in result.points} == {"not assessed"}
    assert all(
        p.reason.startswith("gain control in the recording, not in the baseline's") for p in result.points
    )


def test_stations_clipped_beyond_use_are_not_assessed_and_the_others_are(learned, rng):
    sound = recorded(rng, 2, 8)
    x = sound.samples / np.abs(sound.samples).max()
    late = 2 * len(x) // 3
    spoilt = np.r_[x[:late], np.clip(80 * x[late:], -1, 1)]
    result = analyse_sounds([Invented(spoilt)], panel=panel(2, 8), reference=learned)
    verdicts = [p.verdict for p in result.points]
    assert "not assessed" not in verdicts[:9]
    assert verdicts[12:] == ["not assessed"] * 4
    assert all("clipped beyond use" in p.reason for p in result.points[12:])
