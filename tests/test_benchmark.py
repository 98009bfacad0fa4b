"""The benchmark itself: a few panels end to end, the same figures again, and a stopped run that goes on."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

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
