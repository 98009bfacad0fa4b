"""Is what `no difference` says of the smallest patch true: on made panels with patches of rising size.

Run from the project's folder, with the environment that ``scripts/test.py`` made::

    .venv/bin/python benchmarks/smallest.py
    .venv/bin/python benchmarks/smallest.py --write

A panel of every build that a surveyor can state, under two hammers and in noise, with three round patches of
one size in the middle of stations; of its laminate only skin, core and the core's thickness are stated. What
became of a panel is kept in ``out/smallest/`` under a hash of the program, so that a run that was stopped
goes on.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: others share the machine
os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import json
import math
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from accuracy import fingerprint, simulator
from scenes import Sound

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.physics import scene as physics
from taptone.survey.panel import parse_panel

ROOT = Path(__file__).parents[1]
KEPT = ROOT / "out" / "smallest"
PAGE = ROOT / "docs" / "smallest.md"
FIRST_SEED = 2000
RATE_HZ = 48_000
ACROSS_MM = (20, 28, 40, 56, 80, 112, 160, 224)
#: Hammer, and how far a tap stands above the noise.
WAYS = (("60 g steel", 45.0), ("60 g plastic", 45.0), ("60 g steel", 20.0))
#: Builds whose core has a word in a panel file (ballast has none), and that word.
CORES = {
    "foam deck": "foam",
    "daggerboard": "foam",
    "hull side": "foam",
    "thin foam deck": "foam",
    "balsa deck": "balsa",
    "ply deck": "ply",
    "thick hull": "foam",
    "rudder": "foam",
    "solid laminate": "none",
}
_BARELY = 1.26  # one step of the sizes that the program tries
PATCHED = ("C3", "F6", "C6")
USUAL = physics.Spread(aim_sd_m=0.0075, angle_sd_deg=10.0)  # as in scenes.py


def panel_text(build: physics.Build, hammer: str, across: int, up: int, strikes: int) -> str:
    """A panel of stations every 150 mm, its laminate stated as a yard would."""
    x, y = across * 0.15, up * 0.15
    core = CORES[build.name]
    thick = "" if core == "none" else f"core_mm = {1000 * build.core_m:g}"
    return f"""
        name = "panel"
        side = "port"
        face = "outside"
        construction = "as built"
        datum = "lower left corner"
        hammer = "{hammer}"
        outline = [[0, 0], [{x}, 0], [{x}, {y}], [0, {y}]]
        grid = {{ spacing = 0.15, path = "serpentine rows", taps_per_station = {strikes} }}
        [laminate]
        skin_mm = {1000 * build.skin_m:g}
        core = "{core}"
        {thick}
    """


def recorded(scene: physics.Scene, panel: Any, seed: list[int], name: str) -> Sound:
    rng = np.random.default_rng(seed)
    xy = [(s.x_m, s.y_m) for s in panel.stations]
    plan = physics.tapping_times(xy, [s.row for s in panel.stations], panel.taps_per_station, rng=rng)
    samples, _ = physics.recording(scene, plan, rate_hz=RATE_HZ, rng=rng)
    return Sound(name, samples, RATE_HZ)


def found(name: str, hammer: str, snr_db: float, seed: int) -> Iterator[dict[str, Any]]:
    """One build under one hammer: what was stated and what was flagged, size by size."""
    build = physics.BUILDS[name]
    panel = parse_panel(panel_text(build, hammer, 8, 8, 1), source="panel.toml")
    places = parse_panel(panel_text(build, hammer, 6, 4, 2), source="reference.toml")
    scene = physics.Scene(build, physics.HAMMERS[hammer], spread=USUAL, snr_db=snr_db, seed=seed)
    elsewhere = physics.Scene(build, physics.HAMMERS[hammer], spread=USUAL, snr_db=snr_db, seed=seed + 5)
    good = recorded(elsewhere, places, [seed, 1], "reference")
    reference, _ = learn_reference(
        [good], boat="Kettle", construction="as built", hammer=hammer, panel=places
    )
    at = {s.label: (s.x_m, s.y_m) for s in panel.stations}
    for k, across_mm in enumerate(ACROSS_MM):
        patches = tuple(physics.Patch(*at[label], across_mm / 2000) for label in PATCHED)
        sound = recorded(replace(scene, patches=patches), panel, [seed, 2, k], "panel")
        result = analyse_sounds([sound], panel=panel, reference=reference)
        verdict = {p.station: p.verdict for p in result.points}
        most = max(result.smallest["by_noise"], key=lambda row: len(row["stations"]))
        yield {
            "build": name,
            "hammer": hammer,
            "snr_db": snr_db,
            "across_mm": across_mm,
            "stated_mm": most["across_mm"],
            "flagged": sum(verdict[label] == "suspect" for label in PATCHED),
            "judged": sum(verdict[label] in ("suspect", "no difference") for label in PATCHED),
        }


def table(rows: list[dict[str, Any]]) -> str:
    """The page: stated against flagged, and how often larger patches than stated were."""
    lines = [
        "| build | hammer | over noise | stated mm, median (range) | "
        + " | ".join(f"{mm} mm" for mm in ACROSS_MM)
        + " |",
        "|---" * (4 + len(ACROSS_MM)) + "|",
    ]
    larger = flagged = smaller = heard = 0
    for name in CORES:
        for hammer, snr_db in WAYS:
            mine = [r for r in rows if (r["build"], r["hammer"], r["snr_db"]) == (name, hammer, snr_db)]
            if not mine:
                continue
            sizes = [r["stated_mm"] if r["stated_mm"] else math.inf for r in mine]
            some = np.sort(sizes)[[0, len(sizes) // 2, -1]]
            low, middle, high = (f"{mm:.0f}" if mm < math.inf else "none" for mm in some)
            cells = []
            for mm in ACROSS_MM:
                here = [r for r in mine if r["across_mm"] == mm]
                share = f"{sum(r['flagged'] for r in here)}/{sum(r['judged'] for r in here)}"
                cells.append(share)
            lines.append(
                f"| {name} | {hammer} | {snr_db:.0f} dB | {middle} ({low} to {high}) | {' | '.join(cells)} |"
            )
            for r in mine:
                above = bool(r["stated_mm"]) and r["across_mm"] >= r["stated_mm"]
                larger += r["judged"] * above
                flagged += r["flagged"] * above
                smaller += r["judged"] * (not above)
                heard += r["flagged"] * (not above)
    barely = [r for r in rows if r["stated_mm"] and 1 <= r["across_mm"] / r["stated_mm"] <= _BARELY]
    lines += [
        "",
        f"Patches at least as wide as stated: {flagged} of {larger} flagged "
        f"({100 * flagged / max(larger, 1):.0f} %). "
        f"Narrower ones, or where none was stated: {heard} of {smaller} flagged "
        f"({100 * heard / max(smaller, 1):.0f} %). Of those from 1 to {_BARELY:g} times as wide as stated: "
        f"{sum(r['flagged'] for r in barely)} of {sum(r['judged'] for r in barely)}.",
    ]
    return "\n".join(lines)


HEAD = """# What `no difference` says of the smallest patch

`benchmarks/smallest.py`, seeds from {seed}, simulator {simulator}, program {program}. Flat panels of 64
stations every 150 mm with three round patches of one size (air behind the skin) in the middle of stations, 24
reference places; skin, core and the core's thickness stated, all else assumed. Cells: patches flagged of
those judged. `stated` is what the log said, a size for each of the eight panels.

The taps of the benchmark and the estimate stand on the same laws (`taptone/physics`): this shows that the
estimate carries hand, unevenness, assumed figures and the judge rightly, not that the laws hold on a boat.

"""


def program() -> str:
    """Fingerprint of all that judges these panels and says what would have been noticed."""
    edges = [ROOT / "taptone" / "edges" / f"{name}.py" for name in ("analysing", "learning", "qualifying")]
    rooms = [p for room in ("pipeline", "model", "survey") for p in (ROOT / "taptone" / room).glob("*.py")]
    return fingerprint([*edges, *rooms, ROOT / "taptone" / "settings.py"])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", action="store_true", help="put the table into docs/")
    parser.add_argument("--each", type=int, default=1, help="panels of each build and hammer")
    chosen = parser.parse_args()
    folder = KEPT / f"{simulator()}-{program()}"
    folder.mkdir(parents=True, exist_ok=True)
    rows: list[dict[str, Any]] = []
    begun = time.monotonic()
    todo = [(name, *way) for name in CORES for way in WAYS]
    for n, (name, hammer, snr_db) in enumerate(todo):
        for again in range(chosen.each):
            seed = FIRST_SEED + 1000 * again + 10 * n
            path = folder / f"{seed}.json"
            if not path.exists():
                path.write_text(json.dumps(list(found(name, hammer, snr_db, seed))))
            rows += json.loads(path.read_text())
        print(f"{time.monotonic() - begun:4.0f} s  {name}, {hammer}, {snr_db:.0f} dB", flush=True)
    text = table(rows)
    print(text)
    if chosen.write:
        head = HEAD.format(seed=FIRST_SEED, simulator=simulator(), program=program())
        PAGE.write_text(head + text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
