"""How far the chance can be trusted with one reference: thirty of them for each build, and 200 clean panels.

Run from the project's folder, with the environment that ``scripts/test.py`` made::

    .venv/bin/python benchmarks/references.py
    .venv/bin/python benchmarks/references.py --seeds report

A boat has one reference, and its chances are as good as that. So one good panel of each build is judged by
thirty references of 20 places each, taken elsewhere on the same boat, with the same hammer, by the same hand
and recorder; and 200 good panels, each by its own, are asked how many get any flag. All of it is in quiet,
structure is declared, and stations on it are left out.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: two processes share two cores
os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
import scenes
from numpy.typing import NDArray

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.physics import scene as physics
from taptone.survey.panel import Panel

SEEDS = {"development": 540_000, "report": 950_000}
REFERENCES, PANELS = 30, 200
BELOW = (0.1, 0.05, 0.01)
DRAWS = 2000


@dataclass(frozen=True)
class Judged:
    """Chances of the good stations off structure of one panel, and its suspects among all good stations."""

    build: str
    chance: NDArray[np.float64]
    stations: int
    flags: int


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", choices=SEEDS, default="development")
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    first, builds = SEEDS[options.seeds], list(physics.BUILDS)
    with ProcessPoolExecutor(options.processes) as pool:
        print(f"seeds from {first}, simulator as in scenes.py\n")
        print("| build | good stations | below 0.1, % | below 0.05, % | below 0.01, % | panels with a flag |")
        print("|---|---|---|---|---|---|")
        found = []
        for results in pool.map(by_references, [_clean(first + 10 * k, b) for k, b in enumerate(builds)]):
            print(_row(results[0].build, results), flush=True)
            found += results
        print(_row("**all**", found))
        cases = [_clean(first + 1000 + 10 * k, builds[k % len(builds)]) for k in range(PANELS)]
        panels = list(pool.map(by_its_own, cases))
    flagged = np.array([p.flags > 0 for p in panels])
    stations = sum(p.stations for p in panels)
    low, high = _interval(flagged)
    print(
        f"\n{len(panels)} clean panels, each with its own reference: {flagged.sum()} with a flag "
        f"({100 * flagged.mean():.1f} %, {100 * low:.1f} to {100 * high:.1f}); "
        f"{sum(p.flags for p in panels)} of {stations} good stations flagged "
        f"({100 * sum(p.flags for p in panels) / stations:.2f} %)"
    )
    chance = np.concatenate([p.chance for p in panels])
    shares = ", ".join(f"{100 * (chance < below).mean():.2f} % below {below}" for below in (*BELOW, 0.001))
    print(f"good stations off structure: {shares}")


def by_references(case: scenes.Case) -> list[Judged]:
    """One panel, judged by each of its references."""
    made = scenes.make(case)
    panel = made.reference_panel
    return [_judged(made, sound, panel, case) for sound in _references(case, panel)]


def by_its_own(case: scenes.Case) -> Judged:
    """One panel, judged by the reference that belongs to it."""
    made = scenes.make(case)
    return _judged(made, made.reference, made.reference_panel, case)


def _clean(seed: int, build: str) -> scenes.Case:
    return scenes.Case(0, seed, "quiet", build, "")


def _references(case: scenes.Case, panel: Panel) -> Iterator[scenes.Sound]:
    """Places of the same boat, drawn again and again by the parts of `scenes.make`, which is frozen."""
    rng = np.random.default_rng([case.seed, 1])  # as `scenes.make` draws it
    spacing_m = float(rng.choice([0.05, 0.075, 0.1]))
    columns, rows = int(rng.integers(8, 17)), int(rng.integers(8, 13))
    built = scenes._built(case, rng, columns * spacing_m, rows * spacing_m)
    good = scenes._reference_scene(case, built, rng)
    for n in range(REFERENCES):
        elsewhere = replace(good, seed=case.seed * REFERENCES + n)
        yield scenes._recorded(case, elsewhere, panel, [case.seed, 3, n], spoil=False)[0]


def _judged(made: scenes.Made, sound: scenes.Sound, panel: Panel, case: scenes.Case) -> Judged:
    reference, _ = learn_reference(
        [sound], boat="Kettle", construction="as built", hammer="as used", panel=panel
    )
    points = analyse_sounds([made.sound], panel=made.panel, reference=reference).points
    chance = np.array([p.chance_if_good for p in points])
    off = ~np.array([bool(behind) for behind in made.truth.behind]) & np.isfinite(chance)
    return Judged(case.build, chance[off], len(points), sum(p.verdict == "suspect" for p in points))


def _row(name: str, results: list[Judged]) -> str:
    """Averages over the references, and what 5 and 95 in 100 of them stay below."""
    cells = []
    for below in BELOW:
        shares = [100 * (r.chance < below).mean() for r in results]
        low, high = np.quantile(shares, [0.05, 0.95])
        cells.append(f"{np.mean(shares):.1f} ({low:.1f} to {high:.1f})")
    flagged = sum(r.flags > 0 for r in results)
    stations = sum(len(r.chance) for r in results)
    return f"| {name} | {stations} | {' | '.join(cells)} | {flagged} of {len(results)} |"


def _interval(flagged: NDArray[np.bool_]) -> tuple[float, float]:
    """What the share would be in 95 of 100 draws of the panels."""
    rng = np.random.default_rng(0)
    drawn = [rng.choice(flagged, len(flagged)).mean() for _ in range(DRAWS)]
    low, high = np.quantile(drawn, [0.025, 0.975])
    return float(low), float(high)


if __name__ == "__main__":
    main()
