"""How often the program is right on panels whose truth is known, scene by scene, beside plain methods.

Run from the project's folder, with the environment that ``scripts/test.py`` made::

    .venv/bin/python benchmarks/accuracy.py --quick
    .venv/bin/python benchmarks/accuracy.py --seeds development
    .venv/bin/python benchmarks/accuracy.py --seeds report --write

Every panel is made up on the fly (``scenes.py``), goes the way of a real recording, and is not kept; what
became of its stations is, in ``out/accuracy/``, so that a run that was stopped goes on where it was. Results
belong to one state of the simulator and of the program: both are named by a hash of their text. The
reporting seeds are for the tables in docs/ only: nothing may be tuned on them.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: two processes share two cores
os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import hashlib
import pickle
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import peers
import report
import scenes
from numpy.typing import NDArray

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.errors import TaptoneError
from taptone.evaluation import onsets

ROOT = Path(__file__).parents[1]
SEEDS = {"development": 90_000, "report": 1_900_000}  # every look is counted in docs/accuracy.md
KEPT = ROOT / "out" / "accuracy"
LOOSE_RATIO = 0.5  # at or below this share of the bonded stiffness a station ought to be found
AGAIN = 5000  # numbers of panels heard again in more noise go on from here
CLEAR_M = 0.015  # a good station lies at least this far outside every fault


@dataclass
class Found:
    """What became of one panel: one entry a station, and the taps."""

    case: scenes.Case
    refused: str = ""
    kind: tuple[str, ...] = ()  # of the fault at the station; empty: good
    behind: tuple[str, ...] = ()  # structure at the station, declared or not
    ratio: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    rho: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    radius_m: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    good: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))
    loose: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))
    verdict: NDArray[np.str_] = field(default_factory=lambda: np.zeros(0, str))
    character: NDArray[np.str_] = field(default_factory=lambda: np.zeros(0, str))  # as printed; empty: none
    chance: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    ranking: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    wrong: int = 0  # stations tied to another's tap without a mark
    strikes: tuple[int, int, int] = (0, 0, 0)  # true, heard, paired
    errors_ms: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))


def panel_found(case: scenes.Case) -> Found:
    """Record, learn, analyse, and hold the verdicts against the truth."""
    made = scenes.make(case)
    try:
        reference, _ = learn_reference(
            [made.reference],
            boat="Kettle",
            construction="as built",
            hammer="as used",
            panel=made.reference_panel,
        )
        result = analyse_sounds([made.sound], panel=made.panel, reference=reference)
    except TaptoneError as error:  # a person would be told this instead of a log
        return Found(case, refused=error.message)
    points = result.points
    kind = tuple(made.truth.kind)
    ratio, rho = np.asarray(made.truth.ratio), np.asarray(made.truth.rho)
    fault = np.array([bool(k) for k in kind])
    good = ~fault & (np.asarray(made.truth.to_edge_m) >= CLEAR_M)
    loose = fault & (ratio <= LOOSE_RATIO)  # a wet zone is bonded: it is counted by its kind alone
    chance = np.array([p.chance_if_good for p in points])
    true_s = made.strikes_s
    heard = [t for t in result.taps if "bounce" not in t.flags]
    heard_s = np.array([t.time_s for t in heard])
    pairs = onsets.match(true_s, heard_s)
    station_of = {int(heard[h].sample): int(made.strike_station[t]) for t, h in pairs}
    wrong = sum(
        station_of.get(sample, -1) != k for k, p in enumerate(points) if not p.flags for sample in p.samples
    )
    found = Found(
        case,
        kind=kind,
        behind=tuple(made.truth.behind),
        ratio=ratio,
        rho=rho,
        radius_m=np.asarray(made.truth.radius_m),
        good=good,
        loose=loose,
        verdict=np.array([p.verdict for p in points]),
        character=np.array([p.character for p in points]),
        chance=chance,
        wrong=wrong,
        strikes=(len(true_s), len(heard_s), len(pairs)),
        errors_ms=onsets.error_ms(true_s, heard_s),
    )
    if case.peers:
        assessed = np.isfinite(chance)
        for name, score in peers.scores(
            reference,
            made.reference.samples,
            made.reference_strikes([_planned(label, made) for label in reference.labels]),
            result,
            made.sound.samples,
            made.station_strikes,
            made.sound.recording.rate_hz,
        ).items():
            found.ranking[name] = np.where(assessed, score, np.nan)
    return found


def _planned(label: str, made: scenes.Made) -> str:
    """The planned place of a baseline's; of one known only by when it was struck, the nearest in time."""
    if label in made.place_strikes:
        return label
    at = float(label.split()[-2]) * made.reference.recording.rate_hz
    struck = {name: samples[0] for name, samples in made.place_strikes.items() if samples}
    return min(struck, key=lambda name: abs(struck[name] - at))


# -- the run --------------------------------------------------------------------------------------------


def fingerprint(paths: Sequence[Path]) -> str:
    """Twelve figures that change when any of these files does."""
    digest = hashlib.sha256()
    for path in sorted(paths):
        digest.update(path.name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:12]


def simulator() -> str:
    """Fingerprint of all that makes panels and sound."""
    return fingerprint([*(ROOT / "taptone" / "physics").glob("*.py"), ROOT / "benchmarks" / "scenes.py"])


def program() -> str:
    """Fingerprint of all that judges them."""
    rooms = ("pipeline", "model", "edges", "survey", "evaluation")
    return fingerprint(
        [p for room in rooms for p in (ROOT / "taptone" / room).glob("*.py")]
        + [
            ROOT / "taptone" / "settings.py",
            ROOT / "benchmarks" / "accuracy.py",
            ROOT / "benchmarks" / "peers.py",
        ]
    )


def kept(folder: Path, case: scenes.Case) -> Found:
    """The result of a case, from an earlier run or made now."""
    path = folder / f"{case.index:04d}.pickle"
    if path.exists():
        return pickle.loads(path.read_bytes())
    found = panel_found(case)
    part = path.with_suffix(f".{os.getpid()}")
    part.write_bytes(pickle.dumps(found))
    part.rename(path)
    return found


def in_more_noise(cases: Sequence[scenes.Case]) -> list[scenes.Case]:
    """The panels of the 20 dB scene once more at 5 dB: same seed, so the same panel, blows and noises."""
    quiet, loud = report.SAME_PANEL
    return [
        replace(c, index=AGAIN + c.index, scene=loud, peers=False)
        for c in cases
        if c.scene == quiet and c.spread == 1.0
    ]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", choices=SEEDS, default="development")
    parser.add_argument("--quick", action="store_true", help="a few panels, two minutes")
    parser.add_argument("--write", action="store_true", help="put tables and pictures into docs/")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--only", default="", help="scenes whose name holds this")
    parser.add_argument("--kept", type=Path, default=KEPT, help="folder for the results of single panels")
    chosen = parser.parse_args()
    if chosen.write and (chosen.quick or chosen.only or chosen.seeds != "report"):
        parser.error("--write is for all panels of the reporting seeds")
    if chosen.processes < 1 or chosen.kept.is_file():
        parser.error("--processes wants 1 or more, --kept a folder")
    begun = time.monotonic()
    todo = [c for c in scenes.cases(SEEDS[chosen.seeds], quick=chosen.quick) if chosen.only in c.scene]
    if not todo:
        parser.error(f"no scene is called {chosen.only!r}")
    folder = chosen.kept / f"{chosen.seeds}-{simulator()}-{program()}{'-quick' if chosen.quick else ''}"
    folder.mkdir(parents=True, exist_ok=True)
    found, again = [], in_more_noise(todo)
    with ProcessPoolExecutor(chosen.processes) as pool:
        waiting = [pool.submit(kept, folder, case) for case in (*todo, *again)]
        for k, one in enumerate(waiting, start=1):
            found.append(one.result())
            took = time.monotonic() - begun
            print(
                f"{took:5.0f} s  {k}/{len(waiting)}  {report.in_short(found[-1])}",
                file=sys.stderr,
                flush=True,
            )
    said = f"{chosen.seeds} seeds from {SEEDS[chosen.seeds]}, simulator {simulator()}, program {program()}"
    found, louder = found[: len(todo)], found[len(todo) :]
    text = report.tables(found, said, louder=louder)
    print(text)
    print(f"{time.monotonic() - begun:.0f} s", file=sys.stderr)
    if chosen.write:
        report.write(text, found, said, ROOT / "docs")


if __name__ == "__main__":
    main()
