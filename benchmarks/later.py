"""How often a later visit is told right: the same made-up panels struck again, unchanged, grown and repaired.

    python3 benchmarks/later.py [FIRST_SEED [PANELS]]

Every visit is struck anew: other blows, aimed a little beside the station, other noise, another distance of
the microphone. What is unchanged must be told so, at good stations and within a patch; a patch that grew must
be told where it is new; one that was mended must be told gone. Sounds are kept in out/later/.
"""

from __future__ import annotations

import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile

from taptone.edges.analysing import analyse_sounds
from taptone.edges.comparing import compare_logs
from taptone.edges.learning import learn_reference
from taptone.edges.soundfiles import open_sound
from taptone.edges.tables import write_result
from taptone.physics.panel import DAGGERBOARD, FOAM_DECK, HULL_SIDE, Build, Patch, Scene, local
from taptone.physics.scene import recording, tapping_times
from taptone.survey.change import Changes
from taptone.survey.panel import parse_panel
from taptone.types import Panel, Reference

OUT = Path(__file__).resolve().parent.parent / "out" / "later"
RATE_HZ = 48_000
STATED = {"boat": "Lantern", "construction": "as built", "hammer": "60 g steel", "recorder": "phone"}
BUILDS = {"daggerboard": DAGGERBOARD, "foam deck": FOAM_DECK, "hull side": HULL_SIDE}
LOG_RATIOS: list[float] = []
SMALL_M, LARGE_M = 0.11, 0.19
TEXT = """
name = "panel"
side = "port"
face = "outside"
construction = "as built"
datum = "lower forward corner"
boat = "Lantern"
hammer = "60 g steel"
recorder = "phone"
surface_temp_c = 14
outline = [[0.0, 0.0], [1.0, 0.0], [1.0, 0.8], [0.0, 0.8]]
grid = { spacing = 0.1, path = "serpentine rows" }
"""


@dataclass(frozen=True)
class Case:
    """One panel of one build, with a patch at a place of its own."""

    name: str
    build: Build
    seed: int

    def scene(self, radius_m: float) -> Scene:
        """The panel with its patch, or without one."""
        rng = np.random.default_rng([self.seed, 9])
        x_m, y_m = rng.uniform(0.3, 0.7), rng.uniform(0.3, 0.5)
        patches = (Patch(x_m, y_m, radius_m),) if radius_m else ()
        return Scene(build=self.build, patches=patches, snr_db=40.0, seed=self.seed)


def main() -> None:
    """Print a line for each build and a last one for all."""
    first = int(sys.argv[1]) if len(sys.argv) > 1 else 90_000
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    OUT.mkdir(parents=True, exist_ok=True)
    panel = parse_panel(TEXT, source="panel.toml")
    whole: Counter[str] = Counter()
    for name, build in BUILDS.items():
        here: Counter[str] = Counter()
        for seed in range(first, first + count):
            here += told(Case(name, build, seed), panel)
        print(f"{name}: {said(here)}", flush=True)
        whole += here
    print(f"all: {said(whole)}")
    print(
        f"logarithm of the score of {len(LOG_RATIOS)} loose stations, again less then: standard deviation "
        f"{np.std(LOG_RATIOS):.2f}"
    )


def said(count: Counter[str]) -> str:
    """Counts as right of all."""
    kinds = dict.fromkeys(key.partition(":")[0] for key in sorted(count))
    return "; ".join(f"{kind} {count[f'{kind}: right']} of {count[f'{kind}: all']}" for kind in kinds)


def told(case: Case, panel: Panel) -> Counter[str]:
    """Sound one panel on four visits and count what is told of them."""
    known = learned(case)
    count: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as place:
        logs = {}
        for visit, (what, radius_m) in enumerate(
            (("then", SMALL_M), ("again", SMALL_M), ("grown", LARGE_M), ("mended", 0.0))
        ):
            sound = struck(case, panel, radius_m, visit)
            result = analyse_sounds([open_sound(sound)], panel=panel, reference=known)
            logs[what] = Path(place, what)
            write_result(result, logs[what], pictures={})
        xy_m = np.array([[s.x_m, s.y_m] for s in panel.stations])
        label = [s.label for s in panel.stations]
        small, large = (
            {label[k] for k in np.flatnonzero(local(case.scene(r), xy_m).loose)} for r in (SMALL_M, LARGE_M)
        )
        again, grown, mended = (
            compare_logs(logs["then"], logs[what]).changes for what in ("again", "grown", "mended")
        )
    good = set(label) - large
    _count(count, "good, unchanged", again, good, {"unchanged"})
    _count(count, "patch, unchanged", again, small, {"unchanged"})
    LOG_RATIOS.extend(
        float(np.log(one.later_score / one.earlier_score))
        for one in again.stations
        if one.station in small and one.earlier_verdict == one.later_verdict == "suspect"
    )
    _count(count, "good beside a patch that grew", grown, good, {"unchanged"})
    _count(count, "newly loose, told new or grown", grown, large - small, {"new", "grown"})
    _count(count, "good beside what was mended", mended, good, {"unchanged"})
    was = {one.station for one in mended.stations if one.earlier_verdict == "suspect"} & small
    _count(count, "mended suspects, told gone", mended, was, {"gone"})
    return count


def _count(count: Counter[str], kind: str, found: Changes, labels: set[str], right: set[str]) -> None:
    for one in found.stations:
        if one.station in labels and one.change != "not compared":
            count[f"{kind}: all"] += 1
            count[f"{kind}: right"] += one.change in right
            if one.change not in right and "--list" in sys.argv:
                print(kind, one.station, one.change, f"{one.chance_if_unchanged:.2g}", one.reason)


def learned(case: Case) -> Reference:
    """The baseline, from good laminate beside the panel."""
    rng = np.random.default_rng([case.seed, 0])
    places = rng.uniform((1.2, 0.1), (2.2, 0.7), (24, 2))
    plan = tapping_times(places, np.zeros(24, int), 1, rng=rng, gap_s=0.8)
    path = OUT / f"{case.name}-{case.seed}-reference.wav"
    if not path.exists():
        _write(path, recording(case.scene(0.0), plan, rate_hz=RATE_HZ, rng=rng, clip_s=0.5)[0])
    return learn_reference([open_sound(path)], taps_per_place=1, surface_temp_c=14.0, **STATED)[0]


def struck(case: Case, panel: Panel, radius_m: float, visit: int) -> Path:
    """One visit's recording."""
    path = OUT / f"{case.name}-{case.seed}-{radius_m:g}-{visit}.wav"
    if not path.exists():
        rng = np.random.default_rng([case.seed, 1, visit])
        xy_m = np.array([[s.x_m, s.y_m] for s in panel.stations])
        plan = tapping_times(xy_m, [s.row for s in panel.stations], rng=rng, gap_s=0.7, row_pause_s=2.5)
        scene = case.scene(radius_m)
        scene = replace(scene, snr_db=scene.snr_db - 2.0 * visit)
        _write(path, recording(scene, plan, rate_hz=RATE_HZ, rng=rng, clip_s=0.5)[0])
    return path


def _write(path: Path, sound: np.ndarray) -> None:
    soundfile.write(path, sound, RATE_HZ, "PCM_24")


if __name__ == "__main__":
    main()
