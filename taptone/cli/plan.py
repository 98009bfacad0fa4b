"""``taptone plan``: what a grid can touch, how long it takes, and the files a panel begins with."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from taptone.cli.common import a_path, as_written, finite, paths, say, tell, units_shown

if TYPE_CHECKING:
    from taptone.types import Panel

#: Flag of a typical panel → the measures it is made of.
MEASURES = {
    "blade": ("chords", "height"),
    "strip": ("girth", "length"),
    "rectangle": ("width", "height"),
}


#: Half the face of a hammer (common practice, no source: faces are 10 to 25 mm wide).
_CLEAR_M = 0.01


class _Numbers(click.ParamType[tuple[float, ...]]):
    """Numbers with commas between them."""

    name = "numbers"

    def __init__(self, count: int | None = None) -> None:
        self.count = count

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        try:
            numbers = tuple(float(part) for part in value.split(","))
        except ValueError:
            numbers = ()
        if not numbers or (self.count and len(numbers) != self.count):
            how_many = f"{self.count} numbers" if self.count else "numbers"
            self.fail(
                f"{value!r}: write {how_many} in metres with commas between, such as 0.62,0.55", param, ctx
            )
        return numbers


@click.command()
@click.argument("labels", nargs=-1, metavar="[STATION]...")
@click.option("--patch", "patch_m", type=float, metavar="M", help="Patch to be touched: its long axis.")
@click.option("--chance", type=float, metavar="P", help="Wanted chance to touch it, 0 to 1 (0.95).")
@click.option(
    "--spacing", "spacing_m", type=float, metavar="M", help="Spacing; else the widest that will do."
)
@click.option("--grid", type=click.Choice(["square", "staggered"]), help="Pattern (square, or the panel's).")
@click.option("--shape", type=float, default=1.0, metavar="S", help="Patch: short axis over long axis (1).")
@click.option("--area", "area_m2", type=float, metavar="M2", help="Area to be tapped, without a panel (1).")
@click.option("--panel", "file", type=click.Path(), callback=a_path, metavar="FILE", help="Panel file.")
@click.option(
    "--refine", metavar="STATION…", help="Write stations at half the spacing round these of --panel."
)
@click.option("--blade", is_flag=True, help="Write a rudder or fin: --chords from top to tip, --height.")
@click.option("--strip", is_flag=True, help="Write a strip of hull: --girth, --length.")
@click.option(
    "--rectangle", is_flag=True, help="Write a deck: --width, --height, --cut-out as often as needed."
)
@click.option("--chords", type=_Numbers(), metavar="M,M,…", help="Widths of a blade, evenly apart.")
@click.option("--height", type=float, metavar="M", help="Of a blade or a rectangle, along the skin.")
@click.option("--girth", type=float, metavar="M", help="Of a strip, upwards along the skin.")
@click.option("--length", type=float, metavar="M", help="Of a strip, aft.")
@click.option("--width", type=float, metavar="M", help="Of a rectangle.")
@click.option(
    "--cut-out",
    "cut_out",
    multiple=True,
    type=_Numbers(4),
    metavar="X,Y,W,H",
    help="A hatch or fitting in a rectangle: corner nearest the datum, width, height.",
)
@click.option("--name", metavar="NAME", help="Of the panel that is written.")
@click.option(
    "--side", type=click.Choice(["port", "starboard", "centre"]), help="Of the panel that is written."
)
@click.option(
    "--path",
    type=click.Choice(["rows", "serpentine rows", "columns", "serpentine columns"]),
    help="Of the panel that is written (serpentine rows).",
)
@click.option(
    "--edge-margin", type=float, callback=finite, metavar="M", help="Of the panel that is written (0)."
)
@click.option(
    "--out", type=click.Path(), callback=a_path, metavar="FILE.toml", help="The panel file to write."
)
@click.option(
    "--sheet",
    "sheets",
    multiple=True,
    type=click.Path(),
    callback=paths,
    metavar="FILE.pdf|.png",
    help="Draw the panel's layout sheet; once for each file.",
)
@click.option("--paper", type=click.Choice(["a4", "letter"]), help="Of the sheet (a4).")
@click.option("--json", "as_json", is_flag=True, help="As JSON, for a program.")
def plan(file: str | None, as_json: bool, sheets: tuple[str, ...], paper: str | None, **given: Any) -> None:
    """Plan a grid: spacing, stations and minutes for a wanted chance to touch a patch.

    Give --patch (and --chance) to get a spacing, --spacing to see what it can and cannot touch, both to get
    the chance; with --panel, for that panel. --refine B3 B4, --blade, --strip and --rectangle write a panel
    file; --sheet draws the layout of a panel to be printed. Lengths are given in metres.
    """
    from taptone.edges.planning import in_words, planned
    from taptone.edges.textfiles import load_panel

    units = units_shown()
    _check_sheets(sheets, paper, bool(file) or any(given[name] for name in MEASURES))
    kind = _kind(file, given)
    panel = load_panel(file) if file else None
    wish = {name: given[name] for name in ("patch_m", "chance", "spacing_m", "grid", "shape")}
    notes: list[str] = []
    if panel is not None and kind == "refine":
        panel = _refined(panel, _labels(given))
        panel, notes = _keep(panel, Path(given["out"] or f"{Path(file or '').stem}-closer.toml"), given)
        stations = [station.label for station in panel.stations]
        told: dict[str, Any] = {"panel": panel.name, "stations": len(stations), "labels": stations}
        words = [f"{panel.name}: {len(stations)} stations: {' '.join(stations)}"]
    elif panel is not None and sheets and given["patch_m"] is given["spacing_m"] is given["chance"] is None:
        told = {"panel": panel.name, "stations": len(panel.stations)}
        words = [f"{panel.name}: {len(panel.stations)} stations"]
    else:
        if kind:
            panel = _typical(kind, given, wish)
            panel, notes = _keep(panel, Path(given["out"] or f"{panel.name.replace(' ', '-')}.toml"), given)
        area = {} if given["area_m2"] is None else {"area_m2": given["area_m2"]}
        told = planned(panel, **wish, **area)
        words = in_words(told, units)
        notes += [f"caution: {line}" for line in told["warnings"]]
    if panel is not None and sheets:
        told["sheets"] = _draw(panel, sheets, paper or "a4", units)
        notes.append(f"written: {', '.join(told['sheets'])}")
    as_written(panel)
    if as_json:
        import json

        click.echo(json.dumps(told, ensure_ascii=False, indent=1))
    else:
        for line in words:
            say(line)
    for line in notes:
        tell(line)


def _kind(file: str | None, given: dict[str, Any]) -> str:
    """What is to be written, if anything; a usage error where words do not go together."""
    kinds = [name for name in ("refine", *MEASURES) if given[name]]
    if given["refine"] is not None and not _labels(given):
        raise click.UsageError("--refine names no station: write it as --refine B3 B4.")
    if len(kinds) > 1:
        raise click.UsageError(f"--{kinds[0]} and --{kinds[1]}: one at a time.")
    kind = kinds[0] if kinds else ""
    needed = MEASURES.get(kind, ())
    for name in {measure for measures in MEASURES.values() for measure in measures} - set(needed):
        if given[name] is not None:
            wants = " or ".join(f"--{k}" for k, measures in MEASURES.items() if name in measures)
            raise click.UsageError(f"--{name} goes with {wants}.")
    for name in needed:
        if given[name] is None:
            raise click.UsageError(f"--{kind} needs {' and '.join(f'--{n}' for n in needed)}.")
    if given["cut_out"] and kind != "rectangle":
        raise click.UsageError("--cut-out goes with --rectangle.")
    if given["labels"] and kind != "refine":
        raise click.UsageError(f"{given['labels'][0]!r}: stations go with --refine.")
    if kind == "refine" and file is None:
        raise click.UsageError("--refine needs --panel, the file with the grid.")
    if kind in MEASURES and file is not None:
        raise click.UsageError(f"--{kind} makes a panel: leave out --panel.")
    if (file or kind) and given["area_m2"] is not None:
        raise click.UsageError("--area goes without a panel: a panel has its own.")
    for name in ("out", "name", "side", "path", "edge_margin"):
        if given[name] is not None and (not kind or (kind == "refine" and name not in ("out", "name"))):
            raise click.UsageError(f"--{name.replace('_', '-')} goes with a panel that is written.")
    if not (kind or file or given["patch_m"] is not None or given["spacing_m"] is not None):
        raise click.UsageError("Give --patch to get a spacing, or --spacing to see what it can touch.")
    if None not in (given["patch_m"], given["chance"], given["spacing_m"]):
        raise click.UsageError("Give two of --patch, --chance and --spacing: the third follows.")
    return kind


def _check_sheets(sheets: Sequence[str], paper: str | None, panel: bool) -> None:
    """A usage error where a sheet cannot be drawn."""
    if sheets and not panel:
        raise click.UsageError("--sheet needs a panel: --panel, --blade, --strip or --rectangle.")
    if paper and not sheets:
        raise click.UsageError("--paper goes with --sheet.")
    for name in sheets:
        if Path(name).suffix.lower() not in (".pdf", ".png"):
            raise click.UsageError(f"--sheet {name}: end its name in .pdf or .png.")


def _draw(panel: Panel, names: Sequence[str], paper: str, units: str) -> list[str]:
    """Write the sheets; of several as pictures, each gets a number. Return the files."""
    from taptone.edges.keeping import may_keep, put_file
    from taptone.edges.layout import draw_sheets

    for name in names:
        with _of_sheet():
            may_keep(Path(name))
    pdf, pictures = draw_sheets(panel, paper, units)
    files: dict[Path, bytes] = {}
    for path in map(Path, names):
        if path.suffix.lower() == ".pdf":
            files[path] = pdf
        elif len(pictures) == 1:
            files[path] = pictures[0]
        else:
            files |= {
                path.with_name(f"{path.stem}-{n}{path.suffix}"): picture
                for n, picture in enumerate(pictures, start=1)
            }
    if len(pictures) > 1:
        tell(f"note: {panel.name} goes over {len(pictures)} sheets")
    for path, content in files.items():
        with _of_sheet():
            earlier = put_file(path, content)
        if earlier is not None:
            tell(f"note: the earlier sheet of that name is now {earlier.name}")
    return [str(path) for path in files]


@contextmanager
def _of_sheet() -> Iterator[None]:
    """What cannot be written was named with --sheet."""
    from taptone.errors import OutputError

    try:
        yield
    except OutputError as error:
        raise OutputError(error.message, hint="choose another place with --sheet") from error


def _labels(given: dict[str, Any]) -> list[str]:
    """Labels with blanks or commas between them."""
    return [label for word in (given["refine"], *given["labels"]) for label in word.split(",") if label]


def _refined(panel: Panel, labels: Sequence[str]) -> Panel:
    """Make a panel of the stations round some of another."""
    from dataclasses import replace

    from taptone.survey.lattice import refined

    stations = refined(panel, labels)
    at = " ".join(labels) if len(labels) <= 6 else f"{len(labels)} stations"
    return replace(panel, name=f"{panel.name} closer at {at}", stations=stations, spacing_m=math.nan)


def _typical(kind: str, given: dict[str, Any], wish: dict[str, Any]) -> Panel:
    """Make a panel of measures; its spacing is what was asked for, down to the millimetre."""
    from dataclasses import replace

    from taptone.edges.planning import planned
    from taptone.survey import typical

    if kind == "blade":
        panel = typical.blade(given["chords"], given["height"])
    elif kind == "strip":
        panel = typical.strip(given["girth"], given["length"])
    else:
        panel = typical.rectangle(given["width"], given["height"], given["cut_out"])
    if wish["patch_m"] is not None or wish["spacing_m"] is not None:
        spacing_m = planned(None, **wish)["spacing_m"]
        panel = replace(panel, spacing_m=math.floor(1000 * spacing_m + 1e-6) / 1000)
        if wish["chance"] is not None and wish["patch_m"] is not None:
            wish |= {"chance": None, "spacing_m": panel.spacing_m}
        wish["spacing_m"] = panel.spacing_m
    said = {"pattern": given["grid"], "path": given["path"], "edge_margin_m": given["edge_margin"]}
    return replace(panel, **{name: value for name, value in said.items() if value is not None})


def _keep(panel: Panel, target: Path, given: dict[str, Any]) -> tuple[Panel, list[str]]:
    """Write a panel file, checked by reading it; return it as read, and what there is to say."""
    from dataclasses import replace

    from taptone.edges.keeping import put_file
    from taptone.survey.panel import parse_panel
    from taptone.survey.typical import written

    named = {name: given[name] for name in ("name", "side") if given[name]}
    text = written(replace(panel, **named), _remarks(given))
    read = parse_panel(text, source=target.name)
    earlier = put_file(target, text.encode())
    notes = [f"written: {target}"]
    if earlier is not None:
        notes.append(f"note: the earlier file of that name is now {earlier.name}")
    if not given["refine"]:
        unsure = ["construction", "datum", *([] if given["side"] else ["side"])]
        notes.append(f"caution: {', '.join(unsure)} in it are guesses: correct them before tapping")
        notes += [f"caution: {line}" for line in read.cautions]
        notes += _at_an_edge(read)
    return read, notes


def _at_an_edge(panel: Panel) -> list[str]:
    """Say which stations lie so near to an edge that a hammer would strike it rather than the skin."""
    import shapely

    from taptone.survey.lattice import tappable

    clear = tappable(panel.outline, panel.cutouts, _CLEAR_M)
    near = [s.label for s in panel.stations if not clear.intersects(shapely.Point(s.x_m, s.y_m))]
    named = " ".join(near[:6]) + (" …" if len(near) > 6 else "")
    lie = "lies" if len(near) == 1 else "lie"
    line = (
        f"caution: {len(near)} of {len(panel.stations)} stations ({named}) {lie} within "
        f"{1000 * _CLEAR_M:.0f} mm of an edge, which sounds otherwise: --edge-margin keeps off it"
    )
    return [line] if near else []


def _remarks(given: dict[str, Any]) -> tuple[str, ...]:
    if given["refine"]:
        return (
            "Stations at half the spacing; conditions as they were in the first pass: correct what changed.",
        )
    return (
        "Made from measures. Correct side, construction and datum; take the outline's other corners by tape.",
        "Add what is known: boat, hammer, recorder, surface_temp_c, [conditions], [laminate], [[structure]].",
    )
