"""How long the command takes and how much memory it needs, as a whole process.

Run from the project's folder, with the environment that ``scripts/test.py`` made::

    .venv/bin/python benchmarks/speed.py

Ten minutes of FLAC at 48 kHz with 600 taps are made in a temporary folder. Each command runs several times;
the first run, which fills the caches, is not counted. Other work on the machine makes the figures worse.
"""

from __future__ import annotations

import argparse
import dataclasses
import multiprocessing
import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

RATE_HZ = 48000
LENGTH_S = 600.0
OUTLINE = "[[0.0, 0.0], [{w}, 0.0], [{w}, {h}], [0.0, {h}]]"
PANEL = """
name = "long panel"
boat = "Kettle"
side = "port"
face = "outside"
construction = "sandwich"
hammer = "60 g steel"
datum = "lower left corner"
outline = {outline}
[grid]
spacing = 0.075
path = "serpentine rows"
taps_per_station = {taps}
"""


def write_sound(folder: Path, name: str, size_m: tuple[float, float], taps: int, seed: int) -> None:
    """Write NAME.toml and NAME.flac; the long one is stretched to its full length."""
    import numpy as np
    import soundfile

    from taptone.physics import scene as physics
    from taptone.survey.panel import parse_panel

    text = PANEL.format(outline=OUTLINE.format(w=size_m[0], h=size_m[1]), taps=taps)
    (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    panel = parse_panel(text, source=name)
    rng = np.random.default_rng(seed)
    patches = (physics.Patch(0.6, 0.5, 0.09), physics.Patch(1.7, 1.0, 0.07, "dead"))
    scene = physics.Scene(patches=patches if name == "panel" else (), seed=seed)
    plan = physics.tapping_times(
        [(s.x_m, s.y_m) for s in panel.stations], [s.row for s in panel.stations], taps, rng=rng, gap_s=0.93
    )
    if name == "panel":
        times_s = plan.times_s * (LENGTH_S - 0.8) / plan.times_s[-1]
        plan = dataclasses.replace(plan, times_s=times_s)
    samples, truths = physics.recording(scene, plan, rate_hz=RATE_HZ, rng=rng, clip_s=0.8)
    soundfile.write(folder / f"{name}.flac", samples, RATE_HZ)
    struck = sum(t.kind == "tap" for t in truths)
    print(f"{name}: {len(samples) / RATE_HZ:.1f} s, {struck} taps", file=sys.stderr)


def timed(words: list[str], folder: Path) -> tuple[float, float, float]:
    """Run the command once: seconds on the clock, seconds of processor, and the most memory held, in MB."""
    begun = time.perf_counter()
    process = subprocess.Popen(
        [sys.executable, "-m", "taptone", *words],
        cwd=folder,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    assert process.stderr is not None
    said = process.stderr.read().decode(errors="replace")
    _, status, usage = os.wait4(process.pid, 0)  # of this child alone
    process.returncode = os.waitstatus_to_exitcode(status)
    took = time.perf_counter() - begun
    if process.returncode:
        sys.exit(f"taptone {' '.join(words)} failed: {said.strip()}")
    # Linux counts in KiB, macOS in bytes.
    peak_mb = usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024) / 1e6
    return took, usage.ru_utime + usage.ru_stime, peak_mb


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=4, help="the first is not counted")
    runs = max(parser.parse_args().runs, 2)
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        for job in (("good", (0.375, 0.3), 2, 910_001), ("panel", (2.25, 1.5), 1, 910_002)):
            # In a process of its own: Linux counts the peak of whoever starts a command as the command's.
            maker = multiprocessing.get_context("spawn").Process(target=write_sound, args=(folder, *job))
            maker.start()
            maker.join()
            if maker.exitcode:
                sys.exit("the recordings could not be made")
        learn = "learn good.flac --panel good.toml --boat Kettle --construction sandwich --out good.json"
        timed([*learn.split(), "--hammer", "60 g steel"], folder)
        analyse = [
            "analyse",
            "panel.flac",
            "--panel",
            "panel.toml",
            "--baseline",
            "good.json",
            "--out",
            "log",
        ]
        rows = []
        for what, words, most_s, most_mb in (
            ("`taptone analyse`, 10 min of FLAC at 48 kHz, 600 taps", analyse, 12.0, 500),
            ("`taptone --help`", ["--help"], 0.4, None),
        ):
            each = [timed(words, folder) for _ in range(runs)]
            for s, cpu, mb in each:
                print(f"{what}: {s:.2f} s ({cpu:.2f} s of processor), {mb:.0f} MB", file=sys.stderr)
            counted = each[1:]
            took, cpu = (statistics.median(run[k] for run in counted) for k in (0, 1))
            rows.append((f"{what}, time", f"{most_s:g} s", f"{took:.2f} s ({cpu:.2f} s of processor)"))
            if most_mb:
                rows.append(
                    (f"{what}, peak memory", f"{most_mb} MB", f"{max(mb for *_, mb in counted):.0f} MB")
                )
    load = f"load of the machine over the last minute: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"
    print("| figure | target | found |\n|---|---|---|")
    for row in rows:
        print(f"| {' | '.join(row)} |")
    print(f"\nMedian of {runs - 1} runs after a first one; {load}.")


if __name__ == "__main__":
    main()
