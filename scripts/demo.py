"""Show the whole job on made-up recordings: `python3 scripts/demo.py`.

Makes its own environment first, then learns the reference of the boat in recordings/demo/ and analyses its
panels, with the same commands that a person would type. Results go to out/demo/.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from _setup import ROOT, prepare, say

DEMO = ROOT / "recordings" / "demo"
OUT = ROOT / "out" / "demo"


def main() -> int:
    """Set up, then run the demo; return its exit code."""
    return run_demo(prepare())


def run_demo(python: Path) -> int:
    """Learn the reference, analyse every panel named in truth.json, and say what was hidden in each."""
    truth = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
    OUT.mkdir(parents=True, exist_ok=True)
    baseline = OUT / "baseline.json"
    reference = truth["reference"]
    code = taptone(
        python,
        "learn",
        *(DEMO / name for name in reference["recordings"]),
        *("--boat", truth["boat"], "--construction", reference["construction"]),
        *("--hammer", reference["hammer"], "--panel", DEMO / reference["panel"], "--out", baseline),
    )
    for stem, panel in truth["panels"].items():
        if code:
            break
        code = taptone(
            python,
            *("analyse", DEMO / panel["recording"], "--panel", DEMO / panel["panel"]),
            *("--baseline", baseline, "--out", OUT / stem),
        )
        print(f"truth: loose skin at {', '.join(panel['bad_stations']) or 'no station'}\n", flush=True)
    return code


def taptone(python: Path, *words: object) -> int:
    """Show one command of the program and run it; return its exit code."""
    shown = [str(word.relative_to(ROOT)) if isinstance(word, Path) else str(word) for word in words]
    say(subprocess.list2cmdline(["taptone", *shown]))
    return subprocess.run([python, "-m", "taptone", *shown], cwd=ROOT).returncode


if __name__ == "__main__":
    sys.exit(main())
