"""Show the whole job on made-up recordings: `python3 scripts/demo.py`.

Makes its own environment first, then learns the reference of every construction in recordings/demo/ and
analyses its panels, with the same commands that a person would type, and says what was really there. Results
go to out/demo/.
"""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from _setup import ROOT, prepare, say

DEMO = ROOT / "recordings" / "demo"
OUT = ROOT / "out" / "demo"


def main() -> int:
    """Set up, then run the demo; return its exit code."""
    return run_demo(prepare())


def run_demo(python: Path) -> int:
    """Learn every reference, analyse every panel, and print each log beside the truth."""
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
    OUT.mkdir(parents=True, exist_ok=True)
    for reference in truth["references"].values():
        code = taptone(python, *learning(truth["boat"], reference, OUT))
        if code:
            return code
    for stem, panel in truth["panels"].items():
        baseline = OUT / truth["references"][panel["reference"]]["baseline"]
        code = taptone(python, *analysing(panel, baseline, OUT / stem))
        if code:
            return code
        print_beside_truth(panel, OUT / stem)
    return 0


def learning(boat: str, reference: Mapping[str, Any], out: Path) -> tuple[object, ...]:
    """The words of `taptone learn` for one reference of truth.json."""
    return (
        "learn",
        *(DEMO / name for name in reference["recordings"]),
        *("--boat", boat, "--construction", reference["construction"]),
        *("--hammer", reference["hammer"], "--recorder", reference["recorder"]),
        *("--surface-temp-c", reference["surface_temp_c"], "--taps-per-place", reference["taps_per_place"]),
        *("--out", out / reference["baseline"]),
    )


def analysing(panel: Mapping[str, Any], baseline: Path, out: Path) -> tuple[object, ...]:
    """The words of `taptone analyse` for one panel of truth.json."""
    return (
        *("analyse", DEMO / panel["recording"], "--panel", DEMO / panel["panel"]),
        *("--baseline", baseline, "--out", out),
    )


def taptone(python: Path, *words: object) -> int:
    """Show one command of the program and run it; return its exit code."""
    shown = [str(word.relative_to(ROOT)) if isinstance(word, Path) else str(word) for word in words]
    say(subprocess.list2cmdline(["taptone", *shown]))
    return subprocess.run([python, "-m", "taptone", *shown], cwd=ROOT).returncode


def print_beside_truth(panel: Mapping[str, Any], out: Path) -> None:
    """Print what the log says of the stations beside what was put there."""
    with open(out / "points.csv", encoding="utf-8", newline="") as file:
        suspect = {row["station"] for row in csv.DictReader(file) if row["verdict"] == "suspect"}
    bad, edge = panel["bad_stations"], panel["edge_stations"]
    print("truth, which the analysis did not see:")
    print(f"  skin surely loose at  {listed(bad)}")
    print(f"    found               {listed(s for s in bad if s in suspect)}")
    print(f"    missed              {listed(s for s in bad if s not in suspect)}")
    print(f"  edge of the patch at  {listed(edge)} (loose, but stiffer: may or may not be heard)")
    print(f"    found               {listed(s for s in edge if s in suspect)}")
    print(f"  falsely suspected     {listed(sorted(suspect - {*bad, *edge}))}")
    print(f"map: {(out / 'map.png').relative_to(ROOT)}\n", flush=True)


def listed(stations: Iterable[str]) -> str:
    return " ".join(stations) or "none"


if __name__ == "__main__":
    sys.exit(main())
