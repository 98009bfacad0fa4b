"""Show the whole job on made-up recordings: `python3 scripts/demo.py`.

Makes its own environment first, then learns the reference of every construction in recordings/demo/ and
analyses its panels, with the same commands that a person would type, and says what was really there. One
panel goes into a survey as well. Results go to out/demo/.
"""

from __future__ import annotations

import csv
import json
import os
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

from _setup import ROOT, prepare, say

DEMO = ROOT / "recordings" / "demo"
OUT = ROOT / "out" / "demo"
UTF_8 = {**os.environ, "PYTHONIOENCODING": "utf-8"}


def main() -> int:
    """Set up, then run the demo; return its exit code."""
    try:
        return run_demo(prepare())
    except KeyboardInterrupt:
        return 130
    except OSError as error:  # of the program's own files; what its commands meet they say themselves
        print(
            f"the demo stopped at {error.filename or ROOT} ({error.strerror or error}): "
            "look at the file, at who may write there and at the room on the disk, then run this again",
            file=sys.stderr,
        )
        return 1


def run_demo(python: Path) -> int:
    """Learn every reference, analyse every panel, and print each log beside the truth."""
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
    OUT.mkdir(parents=True, exist_ok=True)
    references, panels = truth["references"], truth["panels"]
    learnings = [learning(truth["boat"], reference, OUT) for reference in references.values()]
    analysings = [
        analysing(panel, OUT / references[panel["reference"]]["baseline"], OUT / stem)
        for stem, panel in panels.items()
    ]
    with ThreadPoolExecutor(2) as pool:
        for words, run in zip(learnings, pool.map(partial(taptone, python), learnings), strict=True):
            if not told(words, run):
                return run.returncode
        runs = pool.map(partial(taptone, python), analysings)
        for stem, words, run in zip(panels, analysings, runs, strict=True):
            if not told(words, run):
                return run.returncode
            print_beside_truth(panels[stem], OUT / stem)
    return run_survey(python, truth, OUT / "survey")


def run_survey(python: Path, truth: Mapping[str, Any], folder: Path) -> int:
    """File one panel in a survey, with a word, a reading and what was not done; say what is next."""
    shutil.rmtree(folder, ignore_errors=True)  # of the last demo
    panel = next(iter(truth["panels"].values()))
    name = tomllib.loads((DEMO / panel["panel"]).read_text(encoding="utf-8"))["name"]
    baseline = OUT / truth["references"][panel["reference"]]["baseline"]
    here, station = ("--survey", folder), ("--panel", name, "--station", panel["bad_stations"][0])
    for words in (
        (
            "new",
            folder,
            "--boat",
            truth["boat"],
            "--surveyor",
            "J",
            "--client",
            "buyer",
            "--hours-ashore",
            72,
        ),
        ("add", "panel", DEMO / panel["panel"], *here),
        ("add", "meter", "--label", "K", "--scale", "relative 0 to 999", *here),
        ("add", "word", *station, "--word", "hollow", *here),
        ("add", "reading", *station, "--value", 212, "--meter", "K", *here),
        ("add", "not-done", "--what", "tapping", "--place", "starboard side", "--because", "stand", *here),
        ("analyse", DEMO / panel["recording"], "--panel", name, "--baseline", baseline, *here),
        ("points", folder),
        ("next", folder),
        ("status", folder),
    ):
        if not told(words, run := taptone(python, words)):
            return run.returncode
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


def taptone(python: Path, words: Sequence[object]) -> subprocess.CompletedProcess[str]:
    """Run one command of the program; what it prints comes back in the order it was printed."""
    command = [str(python), "-u", "-m", "taptone", *map(shown, words)]
    return subprocess.run(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, encoding="utf-8", env=UTF_8
    )


def told(words: Sequence[object], run: subprocess.CompletedProcess[str]) -> bool:
    """Print a command and what it said; return whether it succeeded."""
    say(subprocess.list2cmdline(["taptone", *map(shown, words)]))
    print(run.stdout, end="", flush=True)
    return run.returncode == 0


def shown(word: object) -> str:
    """Write a word of a command line; files by their names from the project's folder, as typed there."""
    return str(word.relative_to(ROOT) if isinstance(word, Path) and word.is_relative_to(ROOT) else word)


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
