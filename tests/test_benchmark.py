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
