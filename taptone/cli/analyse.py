"""``taptone analyse``: recordings of a panel to a tapped-point log and a map."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from taptone.cli.common import (
    a_name,
    a_path,
    as_written,
    measured,
    paths,
    row_files,
    size_in_words,
    sounds_of,
    tell,
    temperature,
    with_settings,
)

if TYPE_CHECKING:
    from rich.text import Text

    from taptone.settings import Settings
    from taptone.types import Area, Drift, Result, Sound

#: Said after every analysis, in plain words.
_PLACES = "strike the same places again, all of them, in the same order and as often"
_BLUNT_PERCENT = 25  # a shift this large that would not have shown: the check was none
CAUTIONS = (
    "This is a record and a comparison, not a certificate: no difference heard does not mean "
    "that nothing is there.",
    "A suspect is a place to look at again. Near keel, rudder, stock, chainplates or "
    "through-hulls, take it to a qualified surveyor or builder before use.",
    "Local law, yard rules and licensed practice come first; no drilling without the owner's "
    "written permission.",
)


@click.command()
@click.argument("recordings", nargs=-1, required=True, metavar="RECORDING…")
@click.option(
    "--panel", type=click.Path(), callback=a_path, help="Panel file: stations, structure, conditions (TOML)."
)
@click.option(
    "--baseline", type=click.Path(), callback=a_path, help="Baseline file from taptone learn (JSON)."
)
@click.option(
    "--row-again",
    "rows_again",
    multiple=True,
    callback=row_files,
    metavar="ROW[:FILE]",
    help="A row tapped again, alone in a recording (C:again-c.wav) or right after its first time (C).",
)
@click.option(
    "--recheck",
    "rechecks",
    multiple=True,
    type=click.Path(),
    callback=paths,
    metavar="FILE",
    help="Reference places struck again, recorded last; name it among the recordings too if it came between.",
)
@click.option(
    "--mirror",
    type=click.Path(),
    callback=a_path,
    metavar="LOG_OR_FOLDER",
    help="Log of the mirrored panel, or of the opposite face.",
)
@click.option(
    "--anyway",
    is_flag=True,
    help="Judge although hammer, boat, frost … speak against it; every line says so.",
)
@click.option(
    "--out",
    type=click.Path(),
    callback=a_path,
    show_default="taptone-log, or a new folder in the survey's exports",
    help="Folder for the log.",
)
@click.option(
    "--survey",
    type=click.Path(),
    callback=a_path,
    metavar="DIR",
    help="Folder of the survey: recordings are kept and the result is filed there; --panel may be a name.",
)
@click.option(
    "--boat", default="", callback=a_name, help="Name of the boat, if the panel file does not give it."
)
@click.option("--hammer", default="", callback=a_name, help="The hammer, if the panel file does not give it.")
@click.option(
    "--recorder", default="", callback=a_name, help="What recorded, if the panel file does not give it."
)
@click.option("--surface-temp-c", type=float, default=float("nan"), help="Surface temperature, °C.")
@click.option("--rejected", is_flag=True, help="List what was not taken for a tap, and why.")
@with_settings
def analyse(
    recordings: tuple[str, ...],
    panel: str | None,
    baseline: str | None,
    rows_again: tuple[tuple[str, str], ...],
    rechecks: tuple[str, ...],
    mirror: str | None,
    anyway: bool,
    out: str | None,
    survey: str | None,
    boat: str,
    hammer: str,
    recorder: str,
    surface_temp_c: float,
    rejected: bool,
    settings: Settings,
) -> None:
    """Find, measure and compare the taps of a panel; write the log and the map into --out.

    RECORDING is one or more sound files of one panel, in the order they were made.
    """
    if survey is not None and out is not None:
        raise click.UsageError("give --survey or --out: a survey keeps its logs itself.")
    from contextlib import ExitStack

    from taptone.edges.analysing import analyse_sounds
    from taptone.edges.earlier import load_earlier
    from taptone.edges.pictures import draw_map
    from taptone.edges.store import open_store
    from taptone.edges.tables import may_write, write_result
    from taptone.edges.textfiles import load_baseline, load_panel
    from taptone.edges.visiting import (
        as_surveyed,
        file_log,
        keep_baseline,
        keep_other_side,
        keep_recordings,
        log_folder,
        take_panel,
        who_is,
        with_words,
    )

    stated = {
        "boat": boat,
        "hammer": hammer,
        "recorder": recorder,
        "surface_temp_c": temperature(surface_temp_c),
    }
    again_at = {os.path.realpath(path) for path in rechecks}  # however it was spelt
    there = {os.path.realpath(path) for path in recordings}
    if not there - again_at:
        raise click.UsageError("every RECORDING is a --recheck: give a recording of the panel as well.")
    in_order = (
        *recordings,
        *(path for _, path in rows_again if path),
        *(path for path in rechecks if os.path.realpath(path) not in there),
    )
    named = {os.path.realpath(path): name for name, path in rows_again if path}
    with ExitStack() as open_until_done:
        store = open_until_done.enter_context(open_store(survey)) if survey is not None else None
        if store is None:
            where = load_panel(panel) if panel is not None else None
            folder = Path(out or "taptone-log")
        else:
            where = as_surveyed(store, take_panel(store, panel)) if panel is not None else None
            folder = store.folder / "exports"
        may_write(folder)
        known = load_baseline(baseline) if baseline is not None else None
        other = load_earlier(mirror) if mirror is not None else None
        kept_as = keep_recordings(store, in_order, again_at, where) if store else in_order
        opened, watched = open_until_done.enter_context(sounds_of(kept_as))
        sounds: list[Sound] = []
        rows: list[tuple[str, Sound]] = []
        again: list[tuple[int, Sound]] = []
        for path, sound in zip(in_order, opened, strict=True):
            if os.path.realpath(path) in again_at:
                again.append((len(sounds), sound))
            elif os.path.realpath(path) in named:
                rows.append((named[os.path.realpath(path)], sound))
            else:
                sounds.append(sound)
        result = analyse_sounds(
            sounds,
            panel=where,
            reference=known,
            stated=stated,
            rows_again=rows,
            rows_twice=[name for name, path in rows_again if not path],
            rechecks=again,
            mirror=other,
            anyway=anyway,
            settings=settings,
            on_sound=watched,
        )
        if store:
            result = with_words(store, result)
            if baseline is not None:
                keep_baseline(store, baseline)
            folder = log_folder(store, where.name if where else "")
        _, _, _, _, _, *kept = write_result(result, folder, pictures=draw_map(result, settings.show.units))
        if store:
            if mirror is not None and other is not None and result.mirror:
                keep_other_side(store, folder, mirror, other, who=who_is(store))
            file_log(store, folder, who=who_is(store))
    _print(result, str(folder), rejected=rejected, units=settings.show.units)
    if kept:
        tell(f"note: an earlier log in {folder} is kept as {', '.join(path.name for path in kept)}")


def _print(result: Result, out: str, *, rejected: bool, units: str) -> None:
    from rich.console import Console
    from rich.table import Table

    from taptone.pipeline.judge import sureness
    from taptone.survey.worded import worded_of

    as_written(worded_of(result))
    console = Console(highlight=False, width=None if Console().is_terminal else 160)
    counts = {
        v: sum(p.verdict == v for p in result.points)
        for v in ("suspect", "no difference", "at structure", "not assessed")
    }
    what = f"panel {result.panel.name}" if result.panel else "no panel"
    console.print(
        f"{what}: {len(result.points)} {'stations' if result.panel else 'taps'}, "
        + ", ".join(f"{n} {v}" for v, n in counts.items()),
        markup=False,
    )
    against = result.relative_to
    against = against if against.startswith("relative") else f"compared with: {against}"
    console.print(measured(against), markup=False)
    for verdict in ("suspect", "not assessed"):
        rows = [p for p in result.points if p.verdict == verdict]
        if not rows:
            continue
        table = Table(title=verdict, title_justify="left", show_edge=False)
        for column in ("station", "confidence", "reason") if verdict == "suspect" else ("stations", "reason"):
            table.add_column(column, no_wrap=column != "reason")
        if verdict == "suspect":
            for p in rows:
                sounds = f"{_phrase(p.character)}; " if p.character else ""
                table.add_row(
                    _plain(p.station),
                    sureness(p.confidence),
                    _plain(measured(sounds + p.reason)),
                )
        else:
            for reason in dict.fromkeys(p.reason for p in rows):
                labels = [p.station for p in rows if p.reason == reason]
                shown = " ".join(labels[:4]) + (f" … {labels[-1]} ({len(labels)})" if len(labels) > 4 else "")
                table.add_row(_plain(shown), _plain(measured(reason)))
        console.print(table)
    if any(p.reason.startswith("the baseline is of another ") for p in result.points):
        console.print(
            "next: learn a baseline for this panel; without --baseline it is compared with itself only",
            markup=False,
        )
    for area in result.areas:
        console.print(_plain(_extent(area, units)))
    if result.areas:
        from taptone.pipeline.further import has_inside

        then = [] if result.mirror else ["the same place on the other side"]
        then += ["the inner face"] if result.panel is None or has_inside(result.panel) else []
        console.print(
            f"next: taptone next {out}/log.json names the taps that close these outlines"
            f"{'; then ' if then else ''}{', '.join(then)}; look, press, photograph",
            markup=False,
        )
    elif any(p.verdict == "no difference" for p in result.points) and result.panel is not None:
        console.print(
            "next: no suspect clears nothing: strike the reference again if you have not, tap the other side "
            "and the inside where you can, and write down what was not tapped",
            markup=False,
        )
    for line in _unmoved(result.drift):
        console.print(line, markup=False)
    for change in result.changes:
        tell(f"changed setting: {change.setting} is {change.value}, not {change.default}")
    for note in (*result.notes, *(result.cautions)):
        tell(f"note: {note}")
    if rejected:
        for sound in result.rejected:
            console.print(
                f"not a tap: {sound.recording} at {sound.time_s:.3f} s: {sound.reason}", markup=False
            )
        if not result.rejected:
            console.print("not a tap: none")
    elif result.rejected:
        many = len(result.rejected)
        sounds_were = "sudden sound was" if many == 1 else "sudden sounds were"
        tell(f"note: {many} {sounds_were} not taken for taps (--rejected lists them)")
    for line in CAUTIONS:
        console.print(f"caution: {line}", markup=False)
    console.print(_plain(f"written: {out}/points.csv, taps.csv, log.json, map.svg, map.png"))


def _unmoved(drift: Sequence[Drift]) -> list[str]:
    """What a reference struck again could not have shown, where no sure change was found."""
    from taptone.pipeline.drift import HEARD_PERCENT

    told: dict[tuple[str, str], list[Drift]] = {}
    for one in drift:
        told.setdefault((one.first, one.later), []).append(one)
    lines = []
    for (first, later), measures in told.items():
        if any(one.found != "none" for one in measures):
            continue
        least = {
            one.measure.partition("_")[0]: math.ceil(max(one.uncertain_percent, HEARD_PERCENT))
            for one in measures
        }
        limits = " and ".join(f"{percent} % in {name}" for name, percent in least.items())
        beyond = [
            f"{one.half_spread_percent:.0f} % in {one.measure.partition('_')[0]}"
            for one in measures
            if one.uncertain_percent > max(one.half_spread_percent, HEARD_PERCENT)
        ]
        if max(least.values()) > _BLUNT_PERCENT:
            said = f"this tells nothing: a change of less than {limits} would not have shown; {_PLACES}"
        elif beyond:
            enough = " or ".join(beyond)
            said = (
                f"no sure change, but less than {limits} would not have shown, and more than {enough} "
                f"would leave these stations not assessed; {_PLACES}"
            )
        else:
            said = f"no sure change; less than {limits} would not have shown"
        lines.append(f"reference struck again, {later} against {first}: {said}")
    return lines


def _phrase(code: str) -> str:
    from taptone.pipeline.judge import CHARACTERS

    return CHARACTERS[code]


def _plain(text: str) -> Text:
    """Text as it is: a bracket in a name is no markup."""
    from rich.text import Text

    from taptone.errors import printable

    return Text(printable(text))


def _extent(area: Area, units: str) -> str:
    """One area in a line: how far it reaches, where it is, where nothing bounds it."""
    from taptone.survey.lengths import as_area

    least = size_in_words(area.at_least, area.at_least_m2, units)
    most = size_in_words(area.at_most, area.at_most_m2, units)
    parts = [f"at least {least}, best guess {as_area(area.best_guess_m2, units)}, at most {most}"]
    parts += [f"not counted within: {' '.join(area.left_out)}"] if area.left_out else []
    parts += [f"open: {side}" for side in area.open]
    parts += [f"to the panel's edge on the {side}" for side in area.at_edge]
    return f"area {' '.join(area.stations)}: {'; '.join(parts)}; {measured(area.place)}"
