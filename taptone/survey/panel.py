"""A panel file (TOML) → a panel, checked: outline, stations in tapping order, declared structure.

Loaded late (pydantic, shapely). Every fault is one :class:`~taptone.errors.PanelError` that names the file,
the key and what to write instead.
"""

from __future__ import annotations

import dataclasses
import difflib
import hashlib
import math
import re
import reprlib
import tomllib
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, time
from functools import lru_cache
from itertools import groupby, pairwise
from typing import Annotated, Any, Literal

import shapely
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, ValidationInfo

from taptone.errors import PanelError
from taptone.survey.lattice import MOST_STATIONS, TOUCH_M, lay, tappable
from taptone.survey.lengths import FOOT_M, INCH_M, inches_of
from taptone.types import CutOut, Laminate, Panel, Station, Structure

__all__ = ["LONGEST_M", "kinds_under", "on_structure", "panel_model", "parse_panel"]

LONGEST_M = 200.0  # no boat's panel is longer; a larger number was meant in millimetres

_IN_METRES = re.compile(r"\(0\.\d+ for \d+ mm\)")  # in the description of a field

_Points = tuple[tuple[float, float], ...]
_Keys = tuple[str | int, ...]


def parse_panel(text: str, *, source: str) -> Panel:
    """Read the text of a panel file.

    Stations of a ``[grid]`` are the points of a square lattice that lie inside the outline or on it. The
    first stands half a spacing inside the lower left corner of the outline's bounding box, so that each
    station stands for the cell around it. Rows run along y and are lettered (A, B … Z, AA), columns run
    along x and are numbered from 1; points outside the outline are left out, and the others keep their
    numbers. ``path`` gives the order of tapping. ``pattern = "staggered"`` moves every other row by half a
    spacing; ``edge_margin`` leaves out what stands nearer to an edge. In a ``[[cutout]]`` (its ``outline``,
    perhaps its ``kind``: a hatch, a fitting) nothing is tapped.

    A ``[[station]]`` list is tapped in its own order. Where all labels are letters and a number (B3, or B3a
    to B3c between stations), each change of letters starts a new row; otherwise all are one row.

    ``row_marks = true``: two quick strikes, 120 to 200 ms apart, and 1.5 s of rest end each row;
    ``mark_every = 5``: and each part of a row of 5 stations, counted as they are tapped.
    ``sweep = ["C", "D"]``: these rows are struck 2 to 4 times a second from their first station to their
    last, as often as it comes; only these two stay in the panel.

    Parameters
    ----------
    text : str
        The panel file. Lengths in metres or, with ``units = "ft-in"``, numbers in feet or text such as
        ``4' 7 1/2"``.
    source : str
        Name of the file, for messages.

    Returns
    -------
    Panel
        Lengths in metres; ``cautions`` has a line for what was not recorded, ``sha256`` is of `text`.

    Raises
    ------
    PanelError
        If the text is not TOML, a key is unknown, missing or has a wrong value, the outline crosses itself,
        a cutout lies outside it or leaves nothing of it, a listed station lies outside it, a label stands
        twice, or there are more than 2000 stations.

    Examples
    --------
    >>> panel = parse_panel('''
    ... name = "daggerboard port"
    ... side = "port"
    ... face = "outside"
    ... construction = "skins over foam"
    ... datum = "lower leading corner"
    ... outline = [[0, 0], [0.4, 0], [0.4, 0.3], [0, 0.3]]
    ... [grid]
    ... spacing = 0.15
    ... path = "serpentine rows"
    ... ''', source="board.toml")
    >>> [station.label for station in panel.stations]
    ['A1', 'A2', 'A3', 'B3', 'B2', 'B1']
    >>> panel.cautions[:2]
    ('boat not recorded', 'hammer not recorded')
    """
    file = _checked(text, source)
    outline = _ring(file.outline, f"{source}: outline", ("outline",))
    cutouts = _cutouts(outline, file.cutout, source)
    if (file.grid is None) == (file.station is None):
        stands = "[grid] and [[station]] both stand" if file.grid else "no station is planned"
        raise PanelError(
            f"{source}: {stands}",
            hint="give either [grid] or a list of [[station]]",
            at=("station",) if file.grid else (),
        )
    if file.grid is not None:
        if file.taps_per_station is not None:
            raise PanelError(
                f"{source}: taps_per_station stands outside [grid]",
                hint="move it into [grid], or remove it",
                at=("taps_per_station",),
            )
        stations = lay(
            outline,
            file.grid.spacing,
            file.grid.path,
            pattern=file.grid.pattern,
            margin_m=file.grid.edge_margin,
            cutouts=cutouts,
            where=f"{source}: grid, spacing",
        )
    else:
        stations = _listed(outline, cutouts, file.station or [], source)

    if file.mark_every is not None and not file.row_marks:
        raise PanelError(
            f"{source}: mark_every stands without row_marks",
            hint="add row_marks = true, or remove mark_every",
            at=("mark_every",),
        )
    said = {
        "boat": file.boat,
        "hammer": file.hammer,
        "recorder": file.recorder,
        "surface temperature": file.surface_temp_c is not None,
        "conditions": file.conditions,
        "frost within 72 h": not file.conditions or "frozen_within_72h" in file.conditions,
    }
    panel = Panel(
        name=file.name,
        side=file.side,
        face=file.face,
        construction=file.construction,
        datum=file.datum,
        outline=outline,
        stations=stations,
        taps_per_station=(file.grid.taps_per_station if file.grid else file.taps_per_station) or 1,
        spacing_m=file.grid.spacing if file.grid else math.nan,
        path=file.grid.path if file.grid else "",
        pattern=file.grid.pattern if file.grid else "square",
        edge_margin_m=file.grid.edge_margin if file.grid else 0.0,
        cutouts=cutouts,
        boat=file.boat,
        hammer=file.hammer,
        recorder=file.recorder,
        surface_temp_c=math.nan if file.surface_temp_c is None else file.surface_temp_c,
        conditions=file.conditions,
        mirror_of=file.mirror_of,
        opposite_face_of=file.opposite_face_of,
        down=file.down,
        structures=tuple(
            _structure(table, f"{source}: structure {n}", ("structure", n - 1))
            for n, table in enumerate(file.structure, start=1)
        ),
        laminate=_laminate(file.laminate, source) if file.laminate else None,
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        row_marks=file.row_marks,
        mark_every=file.mark_every or 0,
    )
    panel = _with_sweeps(panel, file.sweep, source)
    unsaid = (f"{what} not recorded" for what, given in said.items() if not given)
    return dataclasses.replace(panel, cautions=(*unsaid, *_doubtful_structure(panel)))


def on_structure(panel: Panel, x_m: float, y_m: float, margin_m: float = 0.0) -> Structure | None:
    """Return the declared structure at a point: within half the width of its line, or inside its outline.

    Parameters
    ----------
    panel : Panel
        The panel with its structure.
    x_m, y_m : float
        The point, in metres.
    margin_m : float, optional
        How far beyond its edges structure still counts: a hammer does not land to the millimetre.

    Returns
    -------
    Structure or None
        The first that was declared, if several meet there.

    Examples
    --------
    >>> frame = Structure("frame", line=((0.0, 0.5), (1.0, 0.5)), width_m=0.1)
    >>> panel = Panel("hull", "port", "outside", "solid", "stem", (), (), structures=(frame,))
    >>> on_structure(panel, 0.3, 0.54).kind
    'frame'
    >>> on_structure(panel, 0.3, 0.56) is None
    True
    """
    point = shapely.Point(x_m, y_m)
    for structure, shape in zip(panel.structures, _shapes(panel.structures), strict=True):
        if shapely.dwithin(shape, point, structure.width_m / 2 + margin_m + TOUCH_M):
            return structure
    return None


def kinds_under(panel: Panel, xy_m: Iterable[Sequence[float]], margin_m: float) -> list[str]:
    """Return the kind of declared structure under each of some places; nothing where there is none.

    Parameters
    ----------
    panel : Panel
        The panel with its structure.
    xy_m : iterable of (float, float)
        The places, in metres.
    margin_m : float
        How far beyond its edges structure still counts.

    Returns
    -------
    list of str
        One for each place.

    Examples
    --------
    >>> frame = Structure("frame", line=((0.0, 0.5), (1.0, 0.5)), width_m=0.1)
    >>> panel = Panel("hull", "port", "outside", "solid", "stem", (), (), structures=(frame,))
    >>> kinds_under(panel, [(0.3, 0.57), (0.3, 0.8)], 0.025)
    ['frame', '']
    """
    found = [on_structure(panel, float(x_m), float(y_m), margin_m) for x_m, y_m in xy_m]
    return [structure.kind if structure else "" for structure in found]


def panel_model() -> type[BaseModel]:
    """The model that a panel file is checked with, key by key.

    Returns
    -------
    type
        A pydantic model; a field's description is what a message tells to write.

    Examples
    --------
    >>> sorted(panel_model().model_fields)[:3]
    ['boat', 'conditions', 'construction']
    """
    return _File


def _doubtful_structure(panel: Panel) -> Iterator[str]:
    """Yield what a reader should know of the structure that was declared, or was not."""
    if not panel.structures:
        yield "no structure declared: frames, bulkheads, core edges and fittings would be among the suspects"
    struck = {on_structure(panel, station.x_m, station.y_m) for station in panel.stations}
    for n, structure in enumerate(panel.structures, start=1):
        said = {"who declared it and when": structure.declared, "the evidence": structure.evidence}
        lacking = [what for what, given in said.items() if not given]
        if lacking:
            yield f"structure {n} ({structure.kind}): {' and '.join(lacking)} not recorded"
        if struck == {structure}:
            yield f"structure {n} ({structure.kind}): every station lies on it"
        if structure not in struck:
            yield f"structure {n} ({structure.kind}): no station lies on it"


@lru_cache(maxsize=16)
def _shapes(structures: tuple[Structure, ...]) -> tuple[shapely.Geometry, ...]:
    """Build the shapes once for all stations of a panel."""
    shapes = tuple(
        shapely.Polygon(s.outline) if s.outline else shapely.LineString(s.line) for s in structures
    )
    shapely.prepare(shapes)
    return shapes


# -- the file as it is written -------------------------------------------------------------------------


def _metres(value: object, info: ValidationInfo) -> float:
    """Turn a length as written into metres."""
    feet = bool(info.context and info.context["feet"])
    if isinstance(value, str) and feet:
        metres = inches_of(value) * INCH_M
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        metres = value * FOOT_M if feet and abs(value) <= LONGEST_M else value
    elif feet:
        raise ValueError("feet as a number, or feet and inches as 4' 7 1/2\"")
    else:
        raise ValueError('metres as a number, or set units = "ft-in"')
    if not abs(metres) <= LONGEST_M:
        raise ValueError(f"a length in {'feet' if feet else 'metres'}; the longest taken is {LONGEST_M:g} m")
    return float(metres)


def _plain(value: object) -> object:
    """Let text, numbers and true or false pass."""
    if isinstance(value, (str, bool, int)) or (isinstance(value, float) and math.isfinite(value)):
        return value
    raise ValueError("text in quotes, a number, or true or false")


class _Marked:
    """Tells lengths from other numbers in a schema."""

    def __get_pydantic_json_schema__(self, core: Any, handler: Any) -> dict[str, Any]:
        made: dict[str, Any] = handler(core)
        return made | {"length": True}


_Text = Annotated[str, Field(pattern=r"^[^\x00-\x1f\x7f]+$")]  # one line, not empty
_Kind = Annotated[_Text, Field(max_length=80)]  # it stands in the legend of every map
_Length = Annotated[float, BeforeValidator(_metres), _Marked()]
_Point = Annotated[list[_Length], Field(min_length=2, max_length=2)]
_Strikes = Annotated[int, Field(ge=1, le=20)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, str_strip_whitespace=True, allow_inf_nan=False)


# The description of a field is what a message tells to write; it follows the words "write" or "add".
class _Grid(_Table):
    spacing: _Length = Field(gt=0, le=2, description="a distance above 0 up to 2 m (0.1 for 100 mm)")
    path: Literal["rows", "serpentine rows", "columns", "serpentine columns"] = Field(
        description='"rows", "serpentine rows", "columns" or "serpentine columns"'
    )
    taps_per_station: _Strikes = Field(1, description="a whole number from 1 to 20")
    pattern: Literal["square", "staggered"] = Field("square", description='"square" or "staggered"')
    edge_margin: _Length = Field(0.0, ge=0, le=2, description="a distance from 0 up to 2 m (0.03 for 30 mm)")


class _CutOut(_Table):
    outline: list[_Point] = Field(min_length=3, description="3 or more points as [[x, y], …]")
    kind: str = Field("", description='what it is, in quotes, such as "hatch"')


class _Listed(_Table):
    label: _Text = Field(description='a label in quotes, such as "B3"')
    x: _Length = Field(description="a length along x")
    y: _Length = Field(description="a length along y")
    role: Literal["panel", "reference"] = Field("panel", description='"reference", or leave it out')


class _Declared(_Table):
    kind: _Kind = Field(description='what it is in 1 to 80 letters, in quotes, such as "frame"')
    line: list[_Point] | None = Field(None, min_length=2, description="points as [[x, y], [x, y]]")
    outline: list[_Point] | None = Field(None, min_length=3, description="3 or more points as [[x, y], …]")
    width: _Length | None = Field(None, gt=0, le=2, description="a width above 0 up to 2 m (0.06 for 60 mm)")
    declared: str = Field("", description="who declared it and when, in quotes")
    evidence: str = Field("", description='how it is known, in quotes, such as "drawing"')
    declared_after_tapping: bool = Field(False, description="true, or leave it out")


# Thinner than this no boat is built, and metres or inches were meant: common practice, no source.
_Skin = Annotated[float, Field(ge=0.2, le=200)]
_Core = Annotated[float, Field(ge=1, le=200)]


class _Laminate(_Table):
    skin_mm: _Skin = Field(description="the thickness of the struck skin in mm (0.2 to 200), such as 3.0")
    core: Literal["foam", "balsa", "ply", "none"] = Field(description='"foam", "balsa", "ply" or "none"')
    core_mm: _Core | None = Field(None, description="the thickness of the core in mm (1 to 200), such as 20")
    skin_modulus_gpa: float | None = Field(
        None, ge=1, le=200, description="the skin's modulus in GPa (1 to 200)"
    )
    core_density_kg_m3: float | None = Field(
        None, ge=20, le=2000, description="the core's density in kg/m3 (20 to 2000)"
    )


class _File(_Table):
    name: _Text = Field(description="the panel's name in quotes")
    side: Literal["port", "starboard", "centre"] = Field(description='"port", "starboard" or "centre"')
    face: Literal["outside", "inside"] = Field(description='"outside" or "inside"')
    construction: _Text = Field(description='the construction in quotes, such as "solid"')
    datum: str = Field(min_length=1, description="in quotes, the fixed point that x and y are measured from")
    outline: list[_Point] = Field(min_length=3, description="3 or more points round the edge as [[x, y], …]")
    units: Literal["m", "ft-in"] = Field("m", description='"m" or "ft-in"')
    boat: str = Field("", description="the boat's name in quotes")
    hammer: str = Field("", description="the hammer in quotes")
    recorder: str = Field("", description="the recorder in quotes")
    surface_temp_c: float | None = Field(None, ge=-60, le=120, description="degrees Celsius as a number")
    conditions: dict[str, Annotated[Any, BeforeValidator(_plain)]] = Field({}, description="[conditions]")
    mirror_of: str = Field("", description="the other panel's name in quotes")
    opposite_face_of: str = Field("", description="the other panel's name in quotes")
    down: Literal["", "x", "-x", "y", "-y"] = Field(
        "", description='which way is down: "x" or "y" if that axis runs downhill, "-x" or "-y" if uphill'
    )
    laminate: _Laminate | None = Field(None, description="[laminate] with skin_mm, core and core_mm below it")
    taps_per_station: _Strikes | None = Field(None, description="a whole number from 1 to 20")
    row_marks: bool = Field(False, description="true if each row ends with two quick strikes and rest")
    mark_every: int | None = Field(None, ge=2, le=100, description="a whole number from 2 to 100, such as 5")
    sweep: list[_Text] = Field([], description='names of swept rows in quotes, such as ["C", "D"]')
    grid: _Grid | None = Field(None, description="[grid] with spacing and path below it")
    station: list[_Listed] | None = Field(
        None, min_length=1, description="[[station]] with label, x and y below it"
    )
    cutout: list[_CutOut] = Field([], description="[[cutout]] with outline below it")
    structure: list[_Declared] = Field([], description="[[structure]] with kind and line or outline below it")


_TABLES: dict[str, type[_Table]] = {
    "grid": _Grid,
    "station": _Listed,
    "structure": _Declared,
    "laminate": _Laminate,
    "cutout": _CutOut,
}


def _checked(text: str, source: str) -> _File:
    """Read TOML and check every key by itself."""
    try:
        tree = tomllib.loads(text.removeprefix("\ufeff"))
    except (ValueError, RecursionError) as error:  # TOMLDecodeError, a number too long, tables too deep
        raise PanelError(f"{source} is not TOML: {error}", hint="correct that line") from error
    try:
        file = _File.model_validate(tree, context={"feet": tree.get("units") == "ft-in"})
    except ValidationError as error:
        faults = error.errors(include_url=False)
        # A misspelt key is also a missing one: the unknown key explains more.
        fault = next((f for f in faults if f["type"] == "extra_forbidden"), faults[0])
        raise _fault(fault, source, tree) from error
    for key, value in file.conditions.items():
        if key == "frozen_within_72h" and not isinstance(value, bool):
            raise PanelError(
                f"{source}: conditions, {key} is {value!r}",
                hint="write true or false",
                at=("conditions", key),
            )
        if key != "frozen_within_72h" and re.search("fro[sz]", key.casefold()):
            raise PanelError(
                f"{source}: conditions, {key} is not known",
                hint="did you mean frozen_within_72h?",
                at=("conditions", key),
            )
    return file


def _fault(fault: Any, source: str, tree: dict[str, Any]) -> PanelError:
    """Say in one line what one fault of pydantic means to the person who wrote the file."""
    path = fault["loc"]
    table = _TABLES.get(str(path[0]), _File) if len(path) > 1 else _File
    where = f"{source}: {_spoken(path)}"
    if fault["type"] == "extra_forbidden":
        key = str(path[-1])
        near = difflib.get_close_matches(key, table.model_fields, n=1)
        if near:
            hint = f"did you mean {near[0]}?"
        elif key in _File.model_fields:
            hint = "move it above the first [table]"
        else:
            hint = f"remove it; known here are {', '.join(table.model_fields)}"
        return PanelError(f"{where} is not known", hint=hint, at=path)
    key = str(
        next(part for part in reversed(path) if part in table.model_fields or part in _File.model_fields)
    )
    wanted = (table if key in table.model_fields else _File).model_fields[key].description
    if fault["type"] == "missing":
        return PanelError(f"{where} is missing", hint=f"add {wanted}", at=path)
    if fault["type"] == "value_error":
        wanted = fault["msg"].removeprefix("Value error, ")
    given = fault["input"]
    if tree.get("units") == "ft-in":  # what was found wrong is in metres: say what stands in the file
        given = _found_at(tree, path, given)
        wanted = _IN_METRES.sub("(feet as a number, or text as 4' 7 1/2\")", str(wanted))
    return PanelError(f"{where} is {_as_written(given)}", hint=f"write {wanted}", at=path)


def _found_at(tree: Any, path: Sequence[str | int], otherwise: Any) -> Any:
    """What stands at a place of the file."""
    try:
        for key in path:
            tree = tree[key]
    except (KeyError, IndexError, TypeError):
        return otherwise
    return tree


def _as_written(value: object) -> str:
    """Return a value much as it stands in the file, cut where it is long."""
    if isinstance(value, bool):
        return str(value).lower()
    return str(value) if isinstance(value, (date, time)) else reprlib.repr(value)


def _spoken(path: Sequence[str | int]) -> str:
    """Return a key as a person counts: ``station 4, label``; ``outline, point 2``."""
    words = str(path[0])
    for before, part in pairwise(path):
        if isinstance(part, str):
            words += f", {part}"
        elif before in ("line", "outline"):
            words += f", point {part + 1}"
        elif isinstance(before, str):
            words += f" {part + 1}"
    return " ".join(words.split())


# -- geometry ------------------------------------------------------------------------------------------


def _ring(points: Sequence[Sequence[float]], where: str, at: _Keys) -> _Points:
    """Return a closed outline, its first point not repeated, that does not cross itself."""
    ring = tuple((float(x), float(y)) for x, y in points)
    ring = ring[:-1] if ring[0] == ring[-1] else ring
    if len(set(ring)) < 3:
        raise PanelError(f"{where} has {len(set(ring))} different points", hint="give at least 3", at=at)
    shape = shapely.Polygon(ring)
    if not shape.is_valid or shape.area < TOUCH_M:
        raise PanelError(
            f"{where} crosses itself, touches itself or has no area",
            hint="list its points in order round the edge",
            at=at,
        )
    return ring


def _cutouts(outline: _Points, tables: Sequence[_CutOut], source: str) -> tuple[CutOut, ...]:
    """Check that each cutout takes something away, and that all of them leave something."""
    whole, holes = shapely.Polygon(outline), []
    for n, table in enumerate(tables, start=1):
        at: _Keys = ("cutout", n - 1, "outline")
        ring = _ring(table.outline, f"{source}: cutout {n}, outline", at)
        where = f"{source}: cutout {n}{', ' + table.kind if table.kind else ''}"
        if whole.intersection(shapely.Polygon(ring)).area < TOUCH_M:
            raise PanelError(
                f"{where}, lies outside the outline", hint="correct its outline, or remove it", at=at
            )
        holes.append(CutOut(ring, table.kind))
        if tappable(outline, holes).area < TOUCH_M:
            others = " with those before it" if tappable(outline, holes[-1:]).area >= TOUCH_M else ""
            raise PanelError(
                f"{where}, covers the whole outline{others}",
                hint="correct its outline, or that of the panel",
                at=at,
            )
    return tuple(holes)


def _listed(
    outline: _Points, cutouts: Sequence[CutOut], tables: Sequence[_Listed], source: str
) -> tuple[Station, ...]:
    """Check the listed stations and tell their rows by the letters of their labels."""
    if len(tables) > MOST_STATIONS:
        raise PanelError(
            f"{source}: station gives more than {MOST_STATIONS} stations",
            hint="cut the panel into several, or tap more widely",
            at=("station", MOST_STATIONS),
        )
    reach, seen = shapely.Polygon(outline).buffer(TOUCH_M), set()
    left = tappable(outline, cutouts).buffer(TOUCH_M)
    for n, table in enumerate(tables, start=1):
        if table.label in seen:
            raise PanelError(
                f"{source}: station {n} has the label {table.label} again",
                hint="give each station its own",
                at=("station", n - 1, "label"),
            )
        seen.add(table.label)
        if not shapely.intersects_xy(reach, table.x, table.y):
            raise PanelError(
                f"{source}: station {n}, {table.label} at ({table.x:g}, {table.y:g}) m, lies outside",
                hint="correct the station or the outline",
                at=("station", n - 1),
            )
        if not shapely.intersects_xy(left, table.x, table.y):
            raise PanelError(
                f"{source}: station {n}, {table.label} at ({table.x:g}, {table.y:g}) m, lies in a cutout",
                hint="correct the station or the cutout",
                at=("station", n - 1),
            )
    letters = [found[1] if (found := re.fullmatch(r"([A-Z]+)\d+[abc]?", t.label)) else "" for t in tables]
    if "" in letters:
        letters = [""] * len(tables)
    rows = [row for row, (_, same) in enumerate(groupby(letters)) for _ in same]
    return tuple(Station(t.label, t.x, t.y, row, t.role) for t, row in zip(tables, rows, strict=True))


def _with_sweeps(panel: Panel, names: Sequence[str], source: str) -> Panel:
    """Leave of the swept rows their first and last station."""
    if names and panel.row_marks:
        raise PanelError(
            f"{source}: sweep and row_marks both stand, and marks are not read in rows so quick",
            hint="give the swept rows a panel file of their own",
            at=("sweep",),
        )
    known = panel.row_names
    for name in names:
        if name not in known:
            rows = ", ".join(known) or "none that can be named"
            raise PanelError(f"{source}: sweep names row {name}", hint=f"its rows are {rows}", at=("sweep",))
    swept = tuple(sorted({known[name] for name in names}))
    stations: list[Station] = []
    for row, group in groupby(panel.stations, key=lambda station: station.row):
        own = list(group)
        if row in swept and len(own) < 2:
            raise PanelError(
                f"{source}: sweep, a row has one station", hint="sweep rows of two or more", at=("sweep",)
            )
        stations += [own[0], own[-1]] if row in swept else own
    return dataclasses.replace(panel, stations=tuple(stations), swept_rows=swept)


def _structure(table: _Declared, where: str, at: _Keys) -> Structure:
    """Check one piece of structure and build it."""
    if (table.line is None) == (table.outline is None):
        raise PanelError(
            f"{where}, {table.kind} has {'both' if table.line else 'neither'} line and outline",
            hint="give a line with a width, or an outline",
            at=at,
        )
    if (table.line is None) != (table.width is None):
        hint = "add width" if table.line else "remove width: an outline has its own"
        raise PanelError(f"{where}, {table.kind}: width goes with a line", hint=hint, at=at)
    line = tuple((float(x), float(y)) for x, y in table.line or ())
    if line and len(set(line)) < 2:
        raise PanelError(
            f"{where}, {table.kind}: line has no length",
            hint="give at least 2 different points",
            at=(*at, "line"),
        )
    return Structure(
        kind=table.kind,
        line=line,
        outline=_ring(table.outline, f"{where}, outline", (*at, "outline")) if table.outline else (),
        width_m=table.width or 0.0,
        declared=table.declared,
        evidence=table.evidence,
        declared_after_tapping=table.declared_after_tapping,
    )


def _laminate(table: _Laminate, source: str) -> Laminate:
    """Check that a core goes with its thickness."""
    if (table.core == "none") != (table.core_mm is None):
        hint = "remove core_mm" if table.core_mm else "add core_mm, the thickness of the core in mm"
        raise PanelError(f'{source}: laminate, core is "{table.core}"', hint=hint, at=("laminate", "core"))
    return Laminate(
        skin_mm=table.skin_mm,
        core=table.core,
        core_mm=table.core_mm or 0.0,
        skin_modulus_gpa=math.nan if table.skin_modulus_gpa is None else table.skin_modulus_gpa,
        core_density_kg_m3=math.nan if table.core_density_kg_m3 is None else table.core_density_kg_m3,
    )
