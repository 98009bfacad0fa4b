"""The benchmark itself: a few panels end to end, the same figures again, and a stopped run that goes on."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

ROOT = Path(__file__).parents[1]


def run(out: Path, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "benchmarks/accuracy.py", "--quick", "--kept", str(out), *words]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, encoding="utf-8", check=True)


@pytest.fixture(scope="module")
def quick(tmp_path_factory):
    out = tmp_path_factory.mktemp("accuracy")
    return out, run(out).stdout


def test_every_table_is_there(quick):
    _, text = quick
    for part in (
        "Taps, scene by scene",
        "Verdicts, scene by scene",
        "What was hit",
        "Character",
        "False flags",
        "Chance checked",
        "Beside plain methods",
    ):
        assert f"\n### {part}\n" in text
    for peer in ("IsolationForest", "EllipticEnvelope", "LocalOutlierFactor", "OneClassSVM"):
        assert f"| {peer}, librosa features |" in text
        assert f"| {peer}, own measures |" in text
    assert "| two-line rule: largest robust z of decay and centroid |" in text
    assert "simulator " in text


def test_nearly_every_tap_in_quiet_is_found(quick):
    _, text = quick
    row, *_ = [line for line in text.splitlines() if line.startswith("| quiet |")]
    assert float(row.split("|")[4].split()[0]) >= 0.99


def test_a_stopped_run_goes_on_and_says_the_same(quick):
    out, text = quick
    kept = sorted(out.rglob("*.pickle"))
    assert len(kept) == 8
    others = {path: path.stat().st_mtime_ns for path in kept[1:]}
    kept[0].unlink()  # as if the run had been stopped there
    assert run(out).stdout == text
    assert {path: path.stat().st_mtime_ns for path in kept[1:]} == others


def test_table_of_the_smallest_patch_counts_what_was_flagged(monkeypatch):
    """A table of two made-up panels, counted by hand."""
    monkeypatch.syspath_prepend(str(ROOT / "benchmarks"))
    import smallest

    hammer, snr_db = smallest.WAYS[0]
    panel = {"build": "foam deck", "hammer": hammer, "snr_db": snr_db, "stated_mm": 50, "judged": 3}
    rows = [panel | {"across_mm": 40, "flagged": 1}, panel | {"across_mm": 56, "flagged": 2}]
    text = smallest.table([*rows, panel | {"across_mm": 80, "flagged": 3, "stated_mm": None}])
    assert "| foam deck | 60 g steel | 45 dB | 50 (50 to none) | 0/0 | 0/0 | 1/3 | 2/3 | 3/3 | 0/0 |" in text
    assert "at least as wide as stated: 2 of 3 flagged (67 %)" in text
    assert "none was stated: 4 of 6 flagged (67 %)" in text
    assert text.endswith("Of those from 1 to 1.26 times as wide as stated: 2 of 3.")


@pytest.fixture
def two_panels(monkeypatch):
    """Five stations at 20 dB and at 5 dB: what is there, what was said."""
    monkeypatch.syspath_prepend(str(ROOT / "benchmarks"))
    import accuracy
    import scenes

    def panel(scene, verdicts, characters=("",) * 5):
        return accuracy.Found(
            scenes.Case(0, 90_000, scene, "foam deck", "round"),
            kind=("rings", "rings", "dead", "", ""),
            good=np.array([False, False, False, True, True]),
            loose=np.array([True, True, True, False, False]),
            verdict=np.array(verdicts),
            character=np.array(characters),
        )

    return panel


def test_table_of_characters_counts_suspects_by_what_is_there(two_panels):
    import report

    verdicts = ["suspect", "suspect", "suspect", "no difference", "suspect"]
    found = two_panels("quiet", verdicts, ["hollow", "", "dead", "", "dull"])
    lines = report.character_table([found, found])
    assert lines[0] == "| really there | suspects | `hollow` | `dull` | `dead` | `rattling` | none |"
    assert lines[2:] == [
        "| dead | 2 | 0 | 0 | 2 | 0 | 0 |",
        "| rings | 4 | 2 | 0 | 0 | 0 | 2 |",
        "| good | 2 | 0 | 2 | 0 | 0 | 0 |",
    ]


def test_table_of_the_same_panel_in_more_noise(two_panels):
    import accuracy
    import report

    quiet = two_panels("noise 20 dB", ["suspect", "suspect", "no difference", "no difference", "suspect"])
    said = ["no difference", "not assessed", "suspect", "not assessed", "suspect"]
    loud = two_panels("noise 5 dB", said)
    refused = accuracy.Found(loud.case, refused="no tap was heard")
    lines = report.louder_table([quiet], [loud])
    assert lines[2:5] == [
        "| loose | 3 | 1 | 1 | 1 | 0 | 0.0 | 33.3 |",
        "| good | 2 | 0 | 0 | 0 | 1 | 0.0 | 50.0 |",
        "| all | 5 | 1 | 1 | 1 | 1 | 0.0 | 40.0 |",
    ]
    said = report.louder_table([quiet], [refused])[-1]
    assert "0 refused at 20 dB, 1 at 5 dB; counted on the 0" in said
    assert said.endswith("3 suspects among 5 stations lay on panels that got a log at 20 dB only.")


def test_more_noise_leaves_the_panel_as_it_is(monkeypatch):
    monkeypatch.syspath_prepend(str(ROOT / "benchmarks"))
    import accuracy
    import scenes

    every = scenes.cases(90_000)
    again = accuracy.in_more_noise(every)
    assert len(again) == 16
    for case in again:
        before = every[case.index - accuracy.AGAIN]
        assert (case.seed, case.build, case.fault) == (before.seed, before.build, before.fault)
        assert (before.scene, case.scene) == ("noise 20 dB", "noise 5 dB")


@pytest.mark.parametrize("lasts", [1.0, 0.5])
def test_plain_taps_of_another_making(monkeypatch, lasts):
    """Dead places are told, and hardly any other: by the table's own function."""
    monkeypatch.syspath_prepend(str(ROOT / "benchmarks"))
    import plain_taps

    dead = next(fault for name, fault in plain_taps.FAULTS.items() if name.startswith("dead"))
    family = dataclasses.replace(plain_taps.FAMILIES[0], lasts=lasts)
    hit, altered, others = plain_taps.told((31, family, dead, 1.0))
    assert hit == altered > 3
    assert others <= 1


def test_small_panels_in_a_quiet_place(monkeypatch):
    """Every strike is heard, every loose station told that only rings on: by the table's own function."""
    monkeypatch.syspath_prepend(str(ROOT / "benchmarks"))
    import small_panels

    kind = "three sines, two and a half times as long"
    todo = (7_003, kind, 0.03, small_panels.Condition())
    struck, unheard, unstruck, loose, told, good, others, left = small_panels.told(todo)
    assert (unheard, unstruck, left) == (0, 0, 0)
    assert struck == loose + good
    assert told == loose >= 1
    assert others <= 1


@pytest.mark.parametrize("condition", ["white noise, 20 dB under a tap of 0.3", "a motor's hum of 0.05"])
def test_small_panels_amid_noise(monkeypatch, condition):
    """A longer ring is told through noise by the decay; hum is taken off before anything is read."""
    monkeypatch.syspath_prepend(str(ROOT / "benchmarks"))
    import small_panels

    kind = "three sines, two and a half times as long"
    amid = small_panels.HARD[condition]
    struck, _, _, loose, told, _, others, left = small_panels.told((8_001, kind, 0.03, amid))
    assert told == loose >= 1
    assert others <= 1
    assert left <= struck // 4


def test_panels_of_chance_making(monkeypatch):
    """What is drawn adds up, and two panels whose patch anyone would hear: by the table's own function."""
    monkeypatch.syspath_prepend(str(ROOT / "benchmarks"))
    import chance_taps

    for seed in (24_006, 24_007):
        making, (loose, told, good, others, left) = chance_taps.told(seed)
        assert loose + good == making.rows * making.columns
        assert (told, others, left) == (loose, 0, 0)
        assert loose == 2
