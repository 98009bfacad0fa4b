"""Does a patch reach as far as the program says, at least and at most: on made patches of known outline.

Run from the project's folder, with the environment that ``scripts/test.py`` made::

    .venv/bin/python benchmarks/extent.py
    .venv/bin/python benchmarks/extent.py --report --write

Sixty panels with one patch each: round, long, or cut off by the panel's edge, of every build. So that sixty
panels and all their later taps take minutes, the verdict of a station comes from the law of the loose skin
and not from sound: it is suspect if the skin where the hammer lands (off its aim) keeps less than some share
of the stiffness it would have if bonded. That share is drawn for each panel, and is not told to the program;
some stations get the wrong verdict, and some none. Ten panels more go through sound and all of the program.

A seed of 90000 and on is for development, one of 720000 and on for the report, looked at once.
"""

from __future__ import annotations

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # before numpy: others share the machine
os.environ.setdefault("OMP_NUM_THREADS", "1")

import argparse
import json
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from accuracy import fingerprint, simulator
from scenes import Sound

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.physics import scene as physics
from taptone.pipeline.further import further
from taptone.pipeline.outline import outline
from taptone.settings import Settings
from taptone.survey.panel import parse_panel
from taptone.survey.qualify import least_radius_m
from taptone.types import Area, Panel, Station

ROOT = Path(__file__).parents[1]
KEPT = ROOT / "out" / "extent"
PAGE = ROOT / "docs" / "extent.md"
DEVELOPMENT, REPORT = 90_000, 720_000
PANELS, THROUGH_SOUND = 60, 10
ACROSS_M, UP_M = 1.2, 0.9
SPACINGS_M = (0.10, 0.15)
SHAPES = ("round", "long", "at an edge")
#: Builds, and the word for their core in a panel file.
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
#: What a hand and an ear do: off the aim, share of stiffness from which skin is heard, wrong and no verdicts.
AIM_SD_M = 0.005
HEARD = (0.40, 0.60)
MISSED, FALSE, NONE = 0.02, 0.003, 0.02
STATE = fingerprint(
    [
        *(ROOT / "taptone" / "pipeline").glob("*.py"),
        *(ROOT / "taptone" / "physics").glob("*.py"),
        ROOT / "taptone" / "survey" / "qualify.py",
        ROOT / "taptone" / "settings.py",
        Path(__file__),
    ]
)
ENDLESS = 12  # rounds of `next` after which doubt is not halved


def panel_of(build: physics.Build, spacing_m: float, strikes: int = 1, *, pattern: str = "square") -> Panel:
    """A panel of that build, its laminate stated as a yard would."""
    core = CORES[build.name]
    thick = "" if core == "none" else f"core_mm = {1000 * build.core_m:g}"
    text = f"""
        name = "panel"
        side = "port"
        face = "outside"
        construction = "as built"
        datum = "lower left corner"
        hammer = "60 g steel"
        outline = [[0, 0], [{ACROSS_M}, 0], [{ACROSS_M}, {UP_M}], [0, {UP_M}]]
        [grid]
        spacing = {spacing_m}
        path = "serpentine rows"
        taps_per_station = {strikes}
        pattern = "{pattern}"
        [laminate]
        skin_mm = {1000 * build.skin_m:g}
        core = "{core}"
        {thick}
    """
    return parse_panel(text, source="panel.toml")


def patch_of(shape: str, spacing_m: float, rng: np.random.Generator) -> physics.Patch:
    """A patch that some station will stand on; at an edge, part of it lies beyond the panel."""
    half_m = float(rng.uniform(0.6, 1.8)) * spacing_m
    if shape == "long":
        half_m = float(rng.uniform(0.5, 0.9)) * spacing_m
        long_m = half_m * 2 * float(rng.uniform(2.0, 4.0))
        x_m, y_m = rng.uniform((0.35, 0.35), (ACROSS_M - 0.35, UP_M - 0.35))
        angle = float(rng.uniform(0, 180))
        return physics.Patch(float(x_m), float(y_m), half_m, length_m=long_m, angle_deg=angle)
    low = half_m + 0.05
    x_m, y_m = rng.uniform((low, low), (ACROSS_M - low, UP_M - low))
    if shape == "at an edge":
        y_m = float(rng.uniform(0.0, 0.7)) * half_m
    return physics.Patch(float(x_m), float(y_m), half_m)


def outline_of(patch: physics.Patch) -> Any:
    """The patch as a shape, as far as the panel goes."""
    reach = 0.5 * patch.length_m - patch.radius_m if patch.length_m else 0.0
    way = np.array([math.cos(math.radians(patch.angle_deg)), math.sin(math.radians(patch.angle_deg))])
    middle = np.array([patch.x_m, patch.y_m])
    line = shapely.LineString([middle - reach * way, middle + reach * way])
    whole = (line if reach else shapely.Point(middle)).buffer(patch.radius_m, quad_segs=32)
    return whole.intersection(shapely.box(0.0, 0.0, ACROSS_M, UP_M))


class Ear:
    """Gives each place the verdict of the law, some wrong; the same place is never asked twice."""

    def __init__(self, scene: physics.Scene, rng: np.random.Generator) -> None:
        self.scene, self.rng = scene, rng
        self.heard_below = float(rng.uniform(*HEARD))

    def __call__(self, stations: Sequence[Station]) -> list[str]:
        xy = np.array([(s.x_m, s.y_m) for s in stations])
        landed = xy + AIM_SD_M * self.rng.standard_normal(xy.shape)
        loose = physics.local(self.scene, landed).ratio < self.heard_below
        chance, blank = self.rng.random(len(xy)), self.rng.random(len(xy)) < NONE
        found = np.where(loose, chance >= MISSED, chance < FALSE)
        words = np.where(blank, "not assessed", np.where(found, "suspect", "no difference"))
        return [str(word) for word in words]


class Survey:
    """One panel with one patch, as far as it has been tapped."""

    def __init__(self, panel: Panel, stations: Sequence[Station], verdicts: Sequence[str]) -> None:
        self.panel, self.stations, self.verdicts = panel, list(stations), list(verdicts)
        self.least_radius_m = least_radius_m(panel.laminate) if panel.laminate else math.nan

    def with_taps(self, stations: Sequence[Station], ear: Ear) -> Survey:
        """The same after some more taps; a station struck again gets the later verdict."""
        again = {s.label for s in stations}
        kept = {s: v for s, v in zip(self.stations, self.verdicts, strict=True) if s.label not in again}
        kept |= dict(zip(stations, ear(stations), strict=True))
        return Survey(self.panel, list(kept), list(kept.values()))

    def areas(self) -> tuple[Area, ...]:
        return outline(self.stations, self.verdicts, self.panel, least_radius_m=self.least_radius_m)

    def next_taps(self, near: Any) -> list[Station]:
        """What `taptone next` would name for the areas near a place."""
        found = further(self.stations, self.verdicts, self.panel, least_radius_m=self.least_radius_m)
        taps = [t for c in found if most_of(c.area).intersects(near) for t in c.taps]
        return list({t.label: Station(t.label, t.x_m, t.y_m) for t in taps}.values())


def most_of(area: Area) -> Any:
    return shapely.Polygon(area.at_most)


def guess_of(area: Area) -> Any:
    """Cells with their holes."""
    rings = [shapely.Polygon(ring) for ring in area.best_guess]
    whole = shapely.Polygon()
    for ring in rings:
        whole = whole.symmetric_difference(ring)
    return whole


def found_area(areas: Sequence[Area], truth: Any) -> Area | None:
    """The area that has most in common with the patch."""
    overlap = [guess_of(a).intersection(truth).area for a in areas]
    return areas[int(np.argmax(overlap))] if overlap and max(overlap) > 0 else None


def held(area: Area, truth: Any, spacing_m: float) -> dict[str, Any]:
    """The area against the patch."""
    most, guess = most_of(area), guess_of(area)
    return {
        "true_m2": truth.area,
        "least_m2": area.at_least_m2,
        "guess_m2": area.best_guess_m2,
        "most_m2": area.at_most_m2,
        "between": area.at_least_m2 <= truth.area <= area.at_most_m2,
        "covered": most.intersection(truth).area / truth.area,
        "small_enough": most.difference(guess.buffer(2 * spacing_m)).area < 1e-6,
        "stations": len(area.stations),
        "open": bool(area.open),
    }


# -- taps until the doubt is halved --------------------------------------------------------------------


def doubt_m2(survey: Survey, near: Any) -> float:
    """M² in doubt in all areas near a place."""
    return sum(a.doubt_m2 for a in survey.areas() if most_of(a).intersects(near))


def by_next(survey: Survey, area: Area, ear: Ear) -> tuple[int, int, Survey]:
    """Taps and rounds of `taptone next` until the doubt is half."""
    near = most_of(area).buffer(-1e-6)
    wanted, taps = 0.5 * doubt_m2(survey, near), 0
    for rounds in range(1, ENDLESS):
        more = survey.next_taps(near)
        taps += len(more)
        if more:
            survey = survey.with_taps(more, ear)
        if doubt_m2(survey, near) <= wanted or not more:
            return taps, rounds, survey
    return taps, ENDLESS, survey


def blindly(survey: Survey, area: Area, ear: Ear, spacing_m: float) -> tuple[int, int, Survey]:
    """Taps and rounds of halving the spacing all round the area until the doubt is half."""
    near = most_of(area).buffer(-1e-6)
    wanted, taps, step = 0.5 * doubt_m2(survey, near), 0, spacing_m
    for rounds in range(1, 5):
        step /= 2
        around = shapely.union_all([most_of(a) for a in survey.areas() if most_of(a).intersects(near)])
        more = list(_lattice(around, step, spacing_m, survey.stations))
        taps += len(more)
        survey = survey.with_taps(more, ear)
        if doubt_m2(survey, near) <= wanted:
            return taps, rounds, survey
    return taps, rounds, survey


def _lattice(around: Any, step: float, spacing_m: float, stations: Sequence[Station]) -> Iterator[Station]:
    """Places of the finer grid within a shape that were not tapped yet."""
    had = {(round(s.x_m, 4), round(s.y_m, 4)) for s in stations}
    left, low, right, high = around.bounds
    start = spacing_m / 2
    for j in range(math.ceil((low - start) / step), math.floor((high - start) / step) + 1):
        for i in range(math.ceil((left - start) / step), math.floor((right - start) / step) + 1):
            x, y = start + i * step, start + j * step
            if (round(x, 4), round(y, 4)) not in had and around.covers(shapely.Point(x, y)):
                yield Station(f"n{i}:{j}:{step:.4f}", x, y)


# -- sixty panels, and ten through sound ---------------------------------------------------------------


def scene_of(seed: int) -> tuple[str, float, physics.Scene, Any, np.random.Generator]:
    """Shape, spacing, scene with its patch, and the patch's outline."""
    rng = np.random.default_rng(seed)
    build = physics.BUILDS[list(CORES)[seed % len(CORES)]]
    shape = SHAPES[(seed // len(CORES) + seed) % len(SHAPES)]  # every shape with every build
    spacing_m = SPACINGS_M[(seed // 2) % 2]
    patch = patch_of(shape, spacing_m, rng)
    scene = physics.Scene(build, physics.HAMMERS["60 g steel"], patches=(patch,), seed=seed)
    return shape, spacing_m, scene, outline_of(patch), rng


def by_law(seed: int) -> dict[str, Any]:
    """One panel whose verdicts come from the law, and its later taps."""
    shape, spacing_m, scene, truth, rng = scene_of(seed)
    panel = panel_of(scene.build, spacing_m)
    ear = Ear(scene, rng)
    survey = Survey(panel, panel.stations, ear(panel.stations))
    row = {"seed": seed, "shape": shape, "build": scene.build.name, "spacing_m": spacing_m}
    area = found_area(survey.areas(), truth)
    if area is None:
        return row | {"found": False, "true_m2": truth.area}
    row |= {"found": True} | held(area, truth, spacing_m)
    for name, (taps, rounds, after) in {
        "next": by_next(survey, area, ear),
        "blind": blindly(survey, area, ear, spacing_m),
    }.items():
        later = found_area(after.areas(), truth)
        row |= {f"{name}_taps": taps, f"{name}_rounds": rounds}
        if later is not None:
            near = most_of(area).buffer(-1e-6)
            row[f"{name}_doubt"] = doubt_m2(after, near) / doubt_m2(survey, near)
            row[f"{name}_between"] = later.at_least_m2 <= truth.area <= later.at_most_m2
    return row


def staggered(seed: int) -> dict[str, Any]:
    """The same patch on a staggered grid, before any later tap."""
    shape, spacing_m, scene, truth, rng = scene_of(seed)
    panel = panel_of(scene.build, spacing_m, pattern="staggered")
    survey = Survey(panel, panel.stations, Ear(scene, rng)(panel.stations))
    row = {"seed": seed, "shape": shape, "build": scene.build.name, "spacing_m": spacing_m}
    area = found_area(survey.areas(), truth)
    if area is None:
        return row | {"found": False, "true_m2": truth.area}
    return row | {"found": True} | held(area, truth, spacing_m)


def by_sound(seed: int) -> dict[str, Any]:
    """One panel through sound: reference, recording and all of the program."""
    shape, spacing_m, scene, truth, _ = scene_of(seed)
    scene = replace(scene, spread=physics.Spread(aim_sd_m=AIM_SD_M))
    panel, places = panel_of(scene.build, spacing_m), panel_of(scene.build, 0.20, 2)
    elsewhere = replace(scene, patches=(), seed=seed + 5)
    good = _recorded(elsewhere, places, [seed, 1], "reference")
    reference, _ = learn_reference(
        [good], boat="Kettle", construction="as built", hammer="60 g steel", panel=places
    )
    sound = _recorded(scene, panel, [seed, 2], "panel")
    result = analyse_sounds([sound], panel=panel, reference=reference, settings=Settings())
    area = found_area(result.areas, truth)
    row = {"seed": seed, "shape": shape, "build": scene.build.name, "spacing_m": spacing_m}
    if area is None:
        return row | {"found": False, "true_m2": truth.area}
    return row | {"found": True} | held(area, truth, spacing_m)


def _recorded(scene: physics.Scene, panel: Panel, seed: list[int], name: str) -> Sound:
    rng = np.random.default_rng(seed)
    xy = [(s.x_m, s.y_m) for s in panel.stations]
    plan = physics.tapping_times(xy, [s.row for s in panel.stations], panel.taps_per_station, rng=rng)
    samples, _ = physics.recording(scene, plan, rate_hz=48_000, rng=rng)
    return Sound(name, samples, 48_000)


def kept(name: str, seed: int, make: Callable[[int], dict[str, Any]]) -> dict[str, Any]:
    """A row, made once for this state of the program."""
    path = KEPT / f"{STATE}-{name}-{seed}.json"
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(json.dumps(make(seed)), encoding="utf-8")
    row: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return row


# -- the page ------------------------------------------------------------------------------------------


def share(rows: Sequence[dict[str, Any]], name: str) -> str:
    return f"{sum(bool(r.get(name)) for r in rows)} of {len(rows)}"


def middle(rows: Sequence[dict[str, Any]], value: Callable[[dict[str, Any]], float], figures: str) -> str:
    return format(float(np.median([value(r) for r in rows])), figures) if rows else "-"


def table(
    law: Sequence[dict[str, Any]], moved: Sequence[dict[str, Any]], sound: Sequence[dict[str, Any]]
) -> str:
    """Figures by shape, then all, then on staggered grids, then through sound."""
    lines = [
        "| panels | found | true area from at least to at most | share of the patch within at most, median "
        "(least) | at most within best guess and two spacings | best guess over true, median | at most over "
        "true, median |",
        "|---" * 7 + "|",
    ]
    groups = [(shape, [r for r in law if r["shape"] == shape]) for shape in SHAPES]
    whole = [("all by the law", law), ("the same, staggered grids", moved), ("through sound", sound)]
    for name, rows in [*groups, *whole]:
        had = [r for r in rows if r["found"]]
        worst = min((r["covered"] for r in had), default=math.nan)
        lines.append(
            f"| {name} | {len(had)} of {len(rows)} | {share(had, 'between')} | "
            f"{middle(had, lambda r: r['covered'], '.3f')} ({worst:.2f}) | {share(had, 'small_enough')} | "
            f"{middle(had, lambda r: r['guess_m2'] / r['true_m2'], '.2f')} | "
            f"{middle(had, lambda r: r['most_m2'] / r['true_m2'], '.1f')} |"
        )
    had = [r for r in law if r["found"]]
    lines += [
        "",
        "| way | panels with doubt halved | taps, median | taps, all panels | rounds, median | "
        "true area still between |",
        "|---" * 6 + "|",
    ]
    for way, words in (("next", "`taptone next`"), ("blind", "halving the whole spacing round the area")):
        taps, rounds = ([r[f"{way}_{what}"] for r in had] for what in ("taps", "rounds"))
        halved = sum(r.get(f"{way}_doubt", 1.0) <= 0.5 + 1e-9 for r in had)
        lines.append(
            f"| {words} | {halved} of {len(had)} | {np.median(taps):.0f} | {sum(taps)} | "
            f"{np.median(rounds):.0f} | {share(had, f'{way}_between')} |"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--report", action="store_true", help="the seeds of the report, to be looked at once")
    parser.add_argument("--write", action="store_true", help="write the tables into docs/extent.md")
    parser.add_argument("--panels", type=int, default=PANELS)
    parser.add_argument("--sound", type=int, default=THROUGH_SOUND)
    given = parser.parse_args()
    first = REPORT if given.report else DEVELOPMENT
    law = [kept("law", first + k, by_law) for k in range(given.panels)]
    moved = [kept("staggered", first + k, staggered) for k in range(given.panels)]
    sound = [kept("sound", first + 1000 + k, by_sound) for k in range(given.sound)]
    for row in law + moved + sound:
        if not row["found"] or not row["between"]:
            print(row)
    text = table(law, moved, sound)
    print(text)
    if given.write:
        head, start, _ = PAGE.read_text(encoding="utf-8").partition("<!-- from here on written by")
        said = f"Seeds from {first}, simulator {simulator()}, program {STATE}."
        PAGE.write_text(f"{head}{start} benchmarks/extent.py -->\n\n{said}\n\n{text}\n", encoding="utf-8")


if __name__ == "__main__":
    main()
