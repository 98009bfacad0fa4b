"""The sheet that goes to the hull: where every station lies by two tapes, the way to tap them, room to write.

Black on white, in letters that can be read through rain, with lines far enough apart for a gloved hand. The
page is laid out in inches. A panel whose stations would stand closer than 11 mm on paper goes over several
sheets, each with its own stretch of both tapes.

Import this module late: it loads matplotlib.
"""

from __future__ import annotations

import io
import math
import re
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon, Rectangle

from taptone.edges.pictures import repeatable_style
from taptone.pipeline.outline import spacing
from taptone.survey.lengths import as_length, as_temperature
from taptone.types import Panel, Station, Structure

__all__ = ["PAPERS_IN", "draw_sheets"]

#: Short and long side.
PAPERS_IN = {"a4": (210 / 25.4, 297 / 25.4), "letter": (8.5, 11.0)}
_DPI = 150
_HEAD_IN, _HEAD_PT, _HEAD_LINES = 1.6, 9.5, 6
_EDGE_IN = 0.45  # printers leave this much white
_NEAREST_IN = 11 / 25.4  # stations on paper
_WIDEST_IN = 45 / 25.4
_RING_IN = 0.24  # half of the widest ring
_CIRCLE = 0.62  # of the distance between stations, so that a label can stand inside
_LINE_IN = 9 / 25.4  # a written line
_SIDE_IN, _FOOT_LINES = 2.7, 9
_LEFT_IN, _RIGHT_IN, _TAPE_IN = 0.75, 1.25, 0.62
_COUNT_IN = 1.15  # of a column, upright
_TICK_PT, _TEXT_PT, _LEAST_PT = 9.0, 10.0, 6.0
_BLANKS = (
    *("date", "tapped by", "hammer", "recorder", "known good first"),
    *("surface", "hours ashore", "rain 24 h", "frost 72 h", "known good again"),
)
#: Units → what the tapes have, and how that stands at an axis.
_TAPE = {"m": "mm", "ft-in": "feet, inches"}
_UNIT = {"m": ", mm", "ft-in": ""}
_DEGREE = {"m": "°C", "ft-in": "°F"}
#: Blank → the key of [conditions] that fills it.
_SAID = {
    "date": "date",
    "hours ashore": "hours_ashore",
    "rain 24 h": "rain_within_24h",
    "frost 72 h": "frozen_within_72h",
}

_Box = tuple[float, float, float, float]


def draw_sheets(panel: Panel, paper: str = "a4", units: str = "m") -> tuple[bytes, tuple[bytes, ...]]:
    """Draw the layout sheets of a panel.

    Parameters
    ----------
    panel : Panel
        With its stations in tapping order.
    paper : str, optional
        ``a4`` or ``letter``.
    units : str, optional
        What both tapes have: ``m`` (millimetres) or ``ft-in``.

    Returns
    -------
    pdf : bytes
        All sheets; the same bytes on every run.
    png : tuple of bytes
        A picture of each, 150 dots an inch.

    Examples
    --------
    >>> square = ((0.0, 0.0), (0.3, 0.0), (0.3, 0.15), (0.0, 0.15))
    >>> row = (Station("A1", 0.075, 0.075), Station("A2", 0.225, 0.075))
    >>> deck = Panel("deck", "centre", "outside", "solid", "stem", square, row, spacing_m=0.15)
    >>> pdf, png = draw_sheets(deck)
    >>> pdf[:4], len(png)
    (b'%PDF', 1)
    """
    pages = _pages(panel, PAPERS_IN[paper])
    pictures = []
    document = io.BytesIO()
    with repeatable_style():
        facts = {"Creator": "taptone", "Producer": None, "CreationDate": None}
        with PdfPages(document, metadata=facts) as pdf:
            for page in pages:
                figure = _figure(panel, page, len(pages), units)
                pdf.savefig(figure)
                picture = io.BytesIO()
                figure.savefig(picture, format="png", dpi=_DPI, metadata={"Software": None})
                pictures.append(picture.getvalue())
    return document.getvalue(), tuple(pictures)


# -- how much goes on a sheet --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Page:
    """One sheet: its size and the room for the drawing in inches, and the part of the panel it shows."""

    number: int
    size_in: tuple[float, float]
    room_in: _Box  # left, low, width, height
    view_m: _Box  # left, low, right, high
    scale: float  # inches a metre
    stations: tuple[Station, ...]


def _pages(panel: Panel, paper_in: tuple[float, float]) -> list[_Page]:
    """Turn the paper the better way round; cut the panel where its stations would stand too close."""
    xy = np.array([(s.x_m, s.y_m) for s in panel.stations])
    apart_m = _apart_m(panel)
    whole = _whole(panel, xy, apart_m)
    least = _NEAREST_IN / apart_m
    choices: list[tuple[int, float, tuple[float, float], _Box, tuple[int, int]]] = []
    for size in (paper_in, paper_in[::-1]):
        room = _room(size, panel)
        fit = min(room[2] / (whole[2] - whole[0]), room[3] / (whole[3] - whole[1]))
        parts = [1, 1]
        if fit < least:
            parts = [
                max(1, math.ceil(round((whole[2 + k] - whole[k]) * least / room[2 + k], 6))) for k in (0, 1)
            ]
        scale = min(room[2 + k] * parts[k] / (whole[2 + k] - whole[k]) for k in (0, 1))
        scale = min(scale, _WIDEST_IN / apart_m)
        choices.append((-parts[0] * parts[1], scale, size, room, (parts[0], parts[1])))
    _, scale, size, room, parts_xy = max(choices)  # fewest sheets, then the largest drawing
    cuts = [_cuts(xy[:, k], parts_xy[k], whole[k], whole[2 + k]) for k in (0, 1)]
    pages: list[_Page] = []
    for low, high in pairwise(cuts[1]):
        for left, right in pairwise(cuts[0]):
            here = tuple(s for s in panel.stations if left <= s.x_m < right and low <= s.y_m < high)
            if here:
                view = (
                    max(left, whole[0]),
                    max(low, whole[1]),
                    min(right, whole[2]),
                    min(high, whole[3]),
                )
                pages.append(_Page(len(pages) + 1, size, room, view, scale, here))
    return pages


def _whole(panel: Panel, xy: Any, apart_m: float) -> _Box:
    """Bounds of what has to be shown: the panel, or of a list only what lies round its stations."""
    left, low, right, high = shapely.Polygon(panel.outline).bounds
    if math.isfinite(panel.spacing_m):
        return left, low, right, high
    (x0, y0), (x1, y1) = xy.min(axis=0) - apart_m, xy.max(axis=0) + apart_m
    return max(left, float(x0)), max(low, float(y0)), min(right, float(x1)), min(high, float(y1))


def _apart_m(panel: Panel) -> float:
    """Distance of the nearest stations; of one alone, a usual spacing."""
    if len(panel.stations) < 2:
        return 0.15
    if math.isfinite(panel.spacing_m):
        return panel.spacing_m
    from scipy.spatial import KDTree

    xy = np.array([(s.x_m, s.y_m) for s in panel.stations])
    nearest = np.asarray(KDTree(xy).query(xy, k=2)[0])[:, 1]
    return float(max(np.percentile(nearest, 10), spacing(panel) / 3, 0.005))


def _room(size_in: tuple[float, float], panel: Panel) -> _Box:
    """Room for the drawing: what header, tapes, counts and blanks leave."""
    width, height = size_in
    side = _SIDE_IN if width > height else 0.0
    foot = 0.0 if side else _LINE_IN * _FOOT_LINES + 0.1
    left, low = _EDGE_IN + _LEFT_IN, _EDGE_IN + foot + _TAPE_IN
    return (
        left,
        low,
        width - _EDGE_IN - side - _RIGHT_IN - left,
        height - _EDGE_IN - _HEAD_IN - _above_in(panel) - low,
    )


def _above_in(panel: Panel) -> float:
    """Room above the drawing: a second tape, the counts of columns, or both."""
    second = _TAPE_IN if panel.pattern == "staggered" else 0.0
    return second + (_COUNT_IN if panel.path.endswith("columns") else 0.0) or 0.3


def _cuts(places: Any, parts: int, low: float, high: float) -> list[float]:
    """Where to cut one axis: half-way between stations, into parts of as many lines of stations each."""
    lines = np.unique(np.round(places, 4))
    groups = [g for g in np.array_split(lines, parts) if len(g)]
    inner = [float((one[-1] + two[0]) / 2) for one, two in pairwise(groups)]
    return [low - 1.0, *inner, high + 1.0]


# -- one sheet -----------------------------------------------------------------------------------------


def _figure(panel: Panel, page: _Page, pages: int, units: str = "m") -> Figure:
    width, height = page.size_in
    figure = Figure(figsize=page.size_in, dpi=_DPI)
    FigureCanvasAgg(figure)
    paper = figure.add_axes((0, 0, 1, 1), xlim=(0, width), ylim=(0, height))
    paper.set_axis_off()
    _header(paper, panel, page, pages, units)
    across, up = (page.scale * (page.view_m[2 + k] - page.view_m[k]) for k in (0, 1))
    left = page.room_in[0] + (page.room_in[2] - across) / 2
    low = page.room_in[1] + page.room_in[3] - up
    drawing = figure.add_axes(
        (left / width, low / height, across / width, up / height),
        xlim=(page.view_m[0], page.view_m[2]),
        ylim=(page.view_m[1], page.view_m[3]),
    )
    drawing.set_axis_off()
    spot = (left, low, across, up)
    _draw_panel(drawing, panel, page)
    _draw_path(drawing, panel, page)
    _tapes(paper, panel, page, spot, units)
    _counts(paper, panel, page, spot)
    _datum(paper, page, spot)
    _blanks(paper, panel, page, units)
    return figure


def _header(paper: Axes, panel: Panel, page: _Page, pages: int, units: str) -> None:
    """What it is, from where it is measured, how it is tapped."""
    width, height = page.size_in
    top, most_in = height - _EDGE_IN, width - 2 * _EDGE_IN
    sheet = f", sheet {page.number} of {pages}" if pages > 1 else ""
    corner = f"{panel.side} {panel.face}{sheet}"
    title = f"{panel.boat or 'boat: ________'}, {panel.name}"
    title_in = most_in - 0.115 * len(corner) - 0.2
    size = _size(title, 15, 8, title_in / 1.1)
    paper.text(_EDGE_IN, top, _fitted(title, size, title_in), size=size, weight="bold", va="top")
    paper.text(width - _EDGE_IN, top, corner, size=12, weight="bold", va="top", ha="right")
    every = f"every {_length(panel.spacing_m, units)}, " if math.isfinite(panel.spacing_m) else ""
    strikes = f"{panel.taps_per_station} strike{'s' * (panel.taps_per_station > 1)} a station"
    kind = "staggered, " if panel.pattern == "staggered" else ""
    way = f"{panel.path}, " if panel.path else ""
    count = f"{len(panel.stations)} station{'s' * (len(panel.stations) > 1)}"
    here = f", {len(page.stations)} on this sheet" if pages > 1 else ""
    margin = f"{_length(panel.edge_margin_m, units)} off every edge, " if panel.edge_margin_m else ""
    first, last = panel.stations[0].label, panel.stations[-1].label
    inside = all(page.view_m[k] - 1e-6 <= 0 <= page.view_m[2 + k] + 1e-6 for k in (0, 1))
    said = f"{every}{kind}{margin}{way}{strikes}."
    lines = [
        *_wrapped(f"Datum ({'+' if inside else 'not on this sheet'}): {panel.datum}", _HEAD_PT, most_in, 2),
        said[:1].upper() + said[1:],
        f"{count}{here}: from {first} (heavy ring) to {last} (double ring).",
        f"Tapes: {_TAPE[units]} from the datum, along the skin. {_row_end(panel)}",
        *_wrapped(f"Construction: {panel.construction}. {_shown(panel)}", _HEAD_PT, most_in, 2),
    ]
    for n, line in enumerate(lines[:_HEAD_LINES]):
        text = _fitted(line, _HEAD_PT, most_in)
        paper.text(_EDGE_IN, top - 0.33 - 0.19 * n, text, size=_HEAD_PT, va="top")


def _row_end(panel: Panel) -> str:
    """What ends a row: a pause, or a mark. The longest fits on one line of the narrowest page."""
    row = "column" if panel.path.endswith("columns") else "row"
    if not panel.row_marks:
        return f"Pause after each {row}, count, tick."
    parts = f", every {panel.mark_every} stations" if panel.mark_every else ""
    return f"Mark after each {row}{parts}; tick."


def _shown(panel: Panel) -> str:
    """What the two kinds of hatching are."""
    structure = ", ".join(dict.fromkeys(s.kind for s in panel.structures))
    holes = ", ".join(dict.fromkeys(hole.kind or "cut-out" for hole in panel.cutouts))
    hatched = f"Hatched: {structure}. " if structure else ""
    return hatched + (f"Crossed, not to be tapped: {holes}. " if holes else "")


def _draw_panel(drawing: Axes, panel: Panel, page: _Page) -> None:
    """Outline, holes and structure, as far as this sheet shows them."""
    named: list[tuple[Any, list[str]]] = []
    for structure in panel.structures:
        for part in _parts(structure):
            drawing.add_patch(Polygon(part, fc="white", ec="0.35", lw=0.8, hatch="////", zorder=1))
        named.append((_shape(structure), [structure.kind]))
    for hole in panel.cutouts:
        drawing.add_patch(Polygon(hole.outline, fc="white", ec="black", lw=1.4, hatch="xx", zorder=2))
        kind = hole.kind or "cut-out"
        named.append((shapely.Polygon(hole.outline), [f"{kind}: do not tap", kind]))
    if _cut(panel, page):  # a thin frame: there the panel goes on
        left, low, right, high = page.view_m
        drawing.add_patch(
            Rectangle((left, low), right - left, high - low, fill=False, ec="0.35", lw=0.8, ls=":", zorder=0)
        )
    drawing.add_patch(
        Polygon(panel.outline, fill=False, ec="black", lw=2.2, zorder=3, clip_on=_cut(panel, page))
    )
    taken: list[_Box] = []
    for shape, words in named:
        here = shape.intersection(shapely.box(*page.view_m))
        if not here.is_empty:
            _name(drawing, here, words, page, _radius_m(panel, page), taken)


def _cut(panel: Panel, page: _Page) -> bool:
    """Whether this sheet shows only a part."""
    return not shapely.box(*page.view_m).buffer(1e-6).covers(shapely.Polygon(panel.outline))


def _shape(structure: Structure) -> Any:
    if structure.outline:
        return shapely.Polygon(structure.outline)
    return shapely.LineString(structure.line).buffer(max(structure.width_m / 2, 0.002), cap_style="flat")


def _parts(structure: Structure) -> Iterator[Any]:
    shape = _shape(structure)
    for part in getattr(shape, "geoms", (shape,)):
        yield np.asarray(part.exterior.coords)


def _name(
    drawing: Axes, shape: Any, words: Sequence[str], page: _Page, radius_m: float, taken: list[_Box]
) -> None:
    """Write what something is where there is room for it; where there is none, the header names it."""
    left, low, right, high = shape.bounds
    spots = [
        (left + (right - left) * i / 24, low + (high - low) * j / 24) for i in range(25) for j in range(25)
    ]
    spots = [p for p in spots if shapely.intersects_xy(shape, *p)]
    xy = np.array([(s.x_m, s.y_m) for s in page.stations])
    upright_first = (high - low) > 1.5 * (right - left)
    for text in words:
        for upright in (upright_first, not upright_first):
            wide, tall = (0.04 * len(text) + 0.05) / page.scale, 0.09 / page.scale
            half = np.array([tall, wide] if upright else [wide, tall])
            best, most = None, radius_m + 0.02 / page.scale
            for spot in spots:
                box = (*(spot - half), *(spot + half))
                if any(box[k] < page.view_m[k] or box[2 + k] > page.view_m[2 + k] for k in (0, 1)):
                    continue
                if any(all(box[k] < t[2 + k] and t[k] < box[2 + k] for k in (0, 1)) for t in taken):
                    continue
                clear = float(np.min(np.hypot(*np.maximum(np.abs(xy - spot) - half, 0).T)))
                if clear > most:
                    best, most = (spot, box), clear
            if best:
                taken.append(best[1])
                drawing.text(
                    *best[0],
                    text,
                    size=9,
                    ha="center",
                    va="center",
                    rotation=90 if upright else 0,
                    zorder=7,
                    bbox={"fc": "white", "ec": "none", "pad": 1.0},
                )
                return


def _radius_m(panel: Panel, page: _Page) -> float:
    """Of the ring round a station."""
    return min(_CIRCLE / 2 * _apart_m(panel), _RING_IN / page.scale)


def _draw_path(drawing: Axes, panel: Panel, page: _Page) -> None:
    """The way from station to station, and a ring for each with its label."""
    apart_m = _apart_m(panel)
    radius = _radius_m(panel, page)
    here = {s.label for s in page.stations}
    for n, (one, two) in enumerate(pairwise(panel.stations)):
        away = math.hypot(two.x_m - one.x_m, two.y_m - one.y_m)
        if one.label not in here and two.label not in here:
            continue
        if one.row != two.row and away > 1.8 * apart_m and not panel.path.startswith("serpentine"):
            continue  # every row begins at the same side: the way back would only cross the others
        style = "-" if one.row == two.row and away < 1.6 * apart_m else (0, (2, 2))
        xs, ys = (one.x_m, two.x_m), (one.y_m, two.y_m)
        drawing.plot(xs, ys, color="black", lw=1.0, ls=style, zorder=4, scalex=False, scaley=False)
        if n % 2 == 0 or one.row != two.row:
            _arrow(drawing, one, two, page)
    for station in page.stations:
        spot = (station.x_m, station.y_m)
        first, last = station == panel.stations[0], station == panel.stations[-1]
        heavy = 3.0 if first else 1.1
        drawing.add_patch(Circle(spot, radius, fc="white", ec="black", lw=heavy, zorder=5, clip_on=False))
        if last or station.role == "reference":
            drawing.add_patch(
                Circle(spot, 0.82 * radius, fill=False, ec="black", lw=0.8, zorder=5, clip_on=False)
            )
        room_pt = 2 * radius * page.scale * 72
        size = min(13.0, room_pt * 0.78 / (0.64 * max(len(station.label), 2)))
        if size >= _LEAST_PT:
            drawing.text(*spot, station.label, size=size, ha="center", va="center", zorder=6)
            continue
        below = (station.x_m, station.y_m - radius - 0.03 / page.scale)
        label, box = _fitted(station.label, 8, 2.0), {"fc": "white", "ec": "none", "pad": 0.5}
        drawing.text(*below, label, size=8, ha="center", va="top", zorder=6, bbox=box)


def _arrow(drawing: Axes, one: Station, two: Station, page: _Page) -> None:
    """A head in the middle of the way."""
    x, y = (one.x_m + two.x_m) / 2, (one.y_m + two.y_m) / 2
    size = 0.055 / page.scale
    left, low, right, high = page.view_m
    if not (left + size <= x <= right - size and low + size <= y <= high - size):
        return  # on the cut between two sheets
    turn = math.atan2(two.y_m - one.y_m, two.x_m - one.x_m)
    head = [(size, 0.0), (-size, 0.7 * size), (-size, -0.7 * size)]
    cos, sin = math.cos(turn), math.sin(turn)
    points = [(x + cos * a - sin * b, y + sin * a + cos * b) for a, b in head]
    drawing.add_patch(Polygon(points, fc="black", ec="black", lw=0.3, zorder=4.5))


def _tapes(paper: Axes, panel: Panel, page: _Page, spot: _Box, units: str) -> None:
    """Both tapes: a tick and a number at every column and row; a staggered grid has two along x."""
    left, low, across, up = spot
    moved = [panel.pattern == "staggered" and _row_number(s) % 2 == 1 for s in page.stations]
    plain = [s for s, m in zip(page.stations, moved, strict=True) if not m]
    other = [s for s, m in zip(page.stations, moved, strict=True) if m]
    edges = ((low, -1.0, plain, "A, C …"), (low + up, 1.0, other, "B, D …"))
    for edge, way, stations, rows in edges:
        if not stations:
            continue
        y = edge + way * 0.1
        paper.plot([left, left + across], [y, y], color="black", lw=1.4)
        for x_m in _lines([s.x_m for s in stations], page.scale, 0.15):
            x = left + (x_m - page.view_m[0]) * page.scale
            paper.plot([x, x], [y, y + way * 0.08], color="black", lw=1.0)
            paper.text(
                x,
                y + way * 0.11,
                _mark(x_m, units),
                size=_TICK_PT,
                ha="center",
                va="top" if way < 0 else "bottom",
                rotation=90,
            )
        if other:
            words = f"rows {rows}"
            paper.text(left + across + 0.08, y, words, size=8, va="center")
        elif way < 0:
            paper.text(left + across + 0.08, y, f"x{_UNIT[units]}", size=_TICK_PT, va="center")
    x = left - 0.1
    paper.plot([x, x], [low, low + up], color="black", lw=1.4)
    for y_m in _lines([s.y_m for s in page.stations], page.scale, 0.15):
        y = low + (y_m - page.view_m[1]) * page.scale
        paper.plot([x - 0.08, x], [y, y], color="black", lw=1.0)
        paper.text(x - 0.11, y, _mark(y_m, units), size=_TICK_PT, ha="right", va="center")
    paper.text(x, low + up + 0.06, f"y{_UNIT[units]}", size=_TICK_PT, ha="right", va="bottom")


def _row_number(station: Station) -> int:
    """The row of a label's letters, from 0; only odd or even matters."""
    letters = re.match(r"[A-Z]*", station.label)
    return ord(letters[0][-1]) - ord("A") if letters and letters[0] else 0


def _length(length_m: float, units: str) -> str:
    """As the panel file has it, or to the nearest mark of a tape in feet and inches."""
    return as_length(length_m, units) if units == "ft-in" else f"{1000 * length_m:g} mm"


def _mark(place_m: float, units: str) -> str:
    """To half a millimetre, as a tape can be read at best; or to its mark in feet and inches."""
    if units == "ft-in":
        return as_length(place_m, units)
    return f"{round(2000 * place_m) / 2:g}" if abs(place_m) < 100 else f"{1000 * place_m:.0f}"


def _lines(places_m: Sequence[float], scale: float, least_in: float) -> list[float]:
    """Each place once, leaving out what would stand on the one before."""
    kept: list[float] = []
    for place in sorted({round(p, 4) for p in places_m}):
        if not kept or (place - kept[-1]) * scale >= least_in:
            kept.append(place)
    return kept


def _counts(paper: Axes, panel: Panel, page: _Page, spot: _Box) -> None:
    """At the end of every row its count of strikes, and a box to tick."""
    left, low, across, up = spot
    columns = panel.path.endswith("columns")
    rows: dict[int, list[Station]] = {}
    for station in panel.stations:
        rows.setdefault(station.row, []).append(station)
    here = {s.label for s in page.stations}
    before = -math.inf
    right_m = max(s.x_m for s in page.stations) + _radius_m(panel, page)
    over_in = (right_m - page.view_m[2]) * page.scale  # a ring on the edge
    for n, row in rows.items():
        part = [s for s in row if s.label in here]
        if not part:
            continue
        strikes = len(row) * panel.taps_per_station
        parts = re.fullmatch(r"([A-Z]+)(\d+)[abc]?", row[0].label)
        words = f"{parts[1 + columns] if parts else 'all'} {strikes}"
        if n in panel.swept_rows:  # as often as it comes
            words = f"{parts[1 + columns] if parts else 'all'} sweep"
        elif len(part) < len(row):
            words += f" ({len(part) * panel.taps_per_station})"
        if columns:
            x = left + (float(np.mean([s.x_m for s in part])) - page.view_m[0]) * page.scale
            y = low + up + (0.1 if panel.pattern == "square" else _TAPE_IN + 0.1)
            paper.add_patch(Rectangle((x - 0.06, y), 0.12, 0.12, fill=False, ec="black", lw=1.0))
            said = words.replace(" ", ": ", 1)
            paper.text(x, y + 0.17, said, size=9, ha="center", va="bottom", rotation=90, weight="bold")
            continue
        y = low + (float(np.mean([s.y_m for s in part])) - page.view_m[1]) * page.scale
        y = max(y, before + 0.19)
        before = y
        x = left + across + max(0.14, over_in + 0.06)
        paper.add_patch(Rectangle((x, y - 0.08), 0.16, 0.16, fill=False, ec="black", lw=1.1))
        said = words.replace(" ", ": ", 1)
        size = min(_TEXT_PT, _TEXT_PT * 11 / len(said))
        paper.text(x + 0.24, y, said, size=size, va="center", weight="bold")


def _datum(paper: Axes, page: _Page, spot: _Box) -> None:
    """The datum where it lies, if it lies on this sheet or at its edge."""
    left, low, across, up = spot
    x, y = left - page.view_m[0] * page.scale, low - page.view_m[1] * page.scale
    if -0.05 <= x - left <= across + 0.05 and -0.05 <= y - low <= up + 0.05:
        paper.plot([x], [y], "k+", ms=20, mew=2.6, zorder=9)


def _blanks(paper: Axes, panel: Panel, page: _Page, units: str) -> None:
    """Lines for what has to be written down, filled in where it was stated, and for notes."""
    width, height = page.size_in
    if width > height:
        left, right = width - _EDGE_IN - _SIDE_IN + 0.2, width - _EDGE_IN
        columns, top = 1, height - _EDGE_IN - _HEAD_IN
    else:
        left, right = _EDGE_IN, width - _EDGE_IN
        columns, top = 2, _EDGE_IN + _LINE_IN * _FOOT_LINES
    room = (right - left + 0.25) / columns
    down = math.ceil(len(_BLANKS) / columns)
    for n, blank in enumerate(_BLANKS):
        x, y = left + (n // down) * room, top - _LINE_IN * (n % down + 1)
        paper.plot([x, x + room - 0.25], [y, y], color="black", lw=0.8)
        unit = f" {_DEGREE[units]}" if blank == "surface" else ""
        paper.text(x, y + 0.05, f"{blank}{unit}:", size=_TEXT_PT, va="bottom")
        said, left_in = _stated(panel, blank, units), room - 0.25 - 1.05
        size = _size(said, _TEXT_PT, 7, left_in / 1.1)
        shown = "\n".join(_wrapped(said, size * 1.1, left_in, 2))
        paper.text(x + 1.0, y + 0.05, shown, size=size, va="bottom", weight="bold", linespacing=1.0)
    y = top - _LINE_IN * (down + 1)
    paper.text(left, y + 0.05, "notes; not tapped, because:", size=_TEXT_PT, va="bottom")
    while y >= _EDGE_IN - 0.01:
        paper.plot([left, right], [y, y], color="black", lw=0.8)
        y -= _LINE_IN


def _stated(panel: Panel, blank: str, units: str) -> str:
    if blank == "hammer":
        return panel.hammer
    if blank == "recorder":
        return panel.recorder
    if blank == "surface":
        known = math.isfinite(panel.surface_temp_c)
        return as_temperature(panel.surface_temp_c, units).split()[0] if known else ""
    value = panel.conditions.get(_SAID.get(blank, ""), "")
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)


def _size(text: str, size: float, least: float, width_in: float) -> float:
    """The size at which a line fits, not below the least."""
    return float(np.clip(width_in * 72 / (0.56 * max(len(text), 1)), least, size))


def _wrapped(text: str, size: float, width_in: float, most: int) -> list[str]:
    """Lines that fit a width."""
    letters = max(int(width_in * 72 / (size * 0.56)), 4)
    text = "".join(letter if letter.isprintable() else " " for letter in text)
    return textwrap.wrap(text, letters, max_lines=most, placeholder=" …")


def _fitted(text: str, size: float, width_in: float) -> str:
    """One line that fits a width; what cannot be printed is a blank."""
    text = "".join(letter if letter.isprintable() else " " for letter in text)
    most = max(int(width_in * 72 / (size * 0.56)), 4)
    return text if len(text) <= most else text[: most - 2].rstrip() + " …"
