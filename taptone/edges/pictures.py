"""The map: every station where it lies, with a shape for its verdict, and nothing drawn in between.

One figure of at most an A4 page, laid out in inches from top to bottom: title, map, scale bar, legend,
suspects. A verdict is told by its shape and by a word; only suspects have a tone as well, darker for a
higher score, so that a black-and-white print says the same. Without a panel, the taps stand along time.

Import this module late: it loads matplotlib.
"""

from __future__ import annotations

import contextlib
import io
import math
import textwrap
import warnings
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import islice
from operator import attrgetter
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon, Rectangle
from matplotlib.ticker import MaxNLocator, MultipleLocator

from taptone.pipeline.judge import rarity, sureness
from taptone.pipeline.later import WAS_SUSPECT, say_beside
from taptone.survey.lengths import INCH_M, as_length, as_temperature, in_units
from taptone.survey.qualify import between_stations_mm
from taptone.survey.worded import worded, worded_of
from taptone.types import Area, Panel, Point, Result, Structure

__all__ = ["draw_map", "draw_signs", "repeatable_style"]

_PAGE_IN = (7.3, 10.7)  # A4 without its margins
_DPI = 200
_LEAST_MAP_IN = 2.0  # high: with more words than a page takes beside it, the page grows
_SIDE_IN, _TICKS_IN, _LEFT_IN = 0.15, 0.45, 0.6
_LINE = 1.35  # line height over size of type
_LETTER = 1.1  # height of a label over size of type
_TOUCH_IN = 0.003
_WHOLE = 50  # lines: more than any entry of the legend needs, none of which is ever cut
_MOST_KINDS = 40  # of structure named in the legend
_MOST_LISTED = 8  # suspects in words below the map
_MOST_AREAS = 4  # of which is said where they are open
_MOST_REASONS = 3  # why stations were not assessed
#: Flags of strikes that are tied, and might belong elsewhere.
_PLACING = ("pauses differ", "row too many", "begun anew", "between miscounts", "strikes over")
_MOST_LABELLED = 200  # stations; of more, the outermost carry labels

_STYLE: Any = {
    "svg.fonttype": "path",  # looks the same on a machine without the typeface
    "svg.hashsalt": "taptone",
    "text.parse_math": False,  # a name may hold a dollar sign
    "axes.linewidth": 0.5,
    "hatch.linewidth": 0.5,
    "hatch.color": "0.55",
}

#: Verdict → (shape, size as a share of the room, what it looks like).
_SHAPES: dict[str, tuple[str, float, dict[str, Any]]] = {
    "suspect": ("s", 1.0, {"mec": "black", "mew": 0.8}),
    "no difference": ("o", 0.6, {"mfc": "white", "mec": "0.25", "mew": 0.7}),
    "at structure": ("_", 1.0, {"mec": "black", "mew": 2.0}),
    "not assessed": ("x", 0.7, {"mec": "black", "mew": 1.0}),
    "not tapped": (".", 0.5, {"mfc": "black", "mec": "none"}),
}
#: What a line of an area says, by its dashes and weight: never by colour.
_AREA_LINES: dict[str, dict[str, Any]] = {
    "at least": {"ls": "-", "lw": 1.5, "color": "black"},
    "best guess": {"ls": ":", "lw": 1.1, "color": "black"},
    "at most": {"ls": "--", "lw": 0.9, "color": "black"},
}
_HATCHES = ("////", "\\\\\\\\", "....", "xxxx", "----", "||||")
_x, _y = attrgetter("x"), attrgetter("y")
_UNTIED = {"count differs", "row unclear"}  # taps were heard there, but could not be tied to the station


def draw_map(result: Result, units: str = "m") -> dict[str, bytes]:
    """Draw the map of one analysis.

    Parameters
    ----------
    result : Result
        What was found. Without a panel, its points are drawn along time, a line for each recording.
    units : str, optional
        What lengths are shown in, one of :data:`taptone.survey.lengths.UNITS`.

    Returns
    -------
    dict of str to bytes
        ``map.svg`` and ``map.png`` (200 dots an inch), the same bytes on every run.

    Examples
    --------
    >>> point = Point("", "1", math.nan, math.nan, 1, ("row.wav",), (4800,), 0.1, "suspect", score=6.0)
    >>> nothing = Result(None, (), (point,), (), (), (), (), (), (), (), "this panel only")
    >>> sorted(draw_map(nothing))
    ['map.png', 'map.svg']
    """
    return _saved(lambda: _figure(result, units), "map")


def draw_signs(
    panel: Panel,
    placed: Sequence[tuple[str, str, float, float]],
    signs: Mapping[str, tuple[str, float, Mapping[str, Any]]],
    *,
    spoken: Collection[str] = (),
    title: str,
    under: Sequence[str],
    foot: Sequence[str],
    stem: str,
    units: str = "m",
) -> dict[str, bytes]:
    """Draw a panel with a sign at each place, laid out as the map of an analysis is.

    Parameters
    ----------
    panel : Panel
        Its outline, datum and structure are drawn.
    placed : sequence of (str, str, float, float)
        Name of a sign, label, x and y in metres.
    signs : mapping of str to (str, float, mapping)
        By name, in the order of the legend: matplotlib's marker, its share of the room, its look.
    spoken : collection of str, optional
        Signs whose name is written above the label too.
    title : str
        In one line.
    under, foot : sequence of str
        Lines above and below the map.
    stem : str
        Of the file names.
    units : str, optional
        What lengths are shown in: ``m`` or ``ft-in``.

    Returns
    -------
    dict of str to bytes
        SVG and PNG (200 dots an inch), the same bytes on every run.

    Examples
    --------
    >>> square = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    >>> deck = Panel("deck", "centre", "outside", "solid", "stem", square, ())
    >>> sign = {"new": ("^", 1.0, {"mfc": "black"})}
    >>> sorted(draw_signs(deck, [("new", "B3", 0.3, 0.2)], sign, title="", under=(), foot=(), stem="changes"))
    ['changes.png', 'changes.svg']
    """
    marks = [_Mark(name, label, x, y) for name, label, x, y in placed]
    count = Counter(mark.verdict for mark in marks)
    legend: list[_Entry] = [
        (_sign_of(*sign), f"{name} ({count[name]})") for name, sign in signs.items() if count[name]
    ]
    legend += _structure_legend(panel)

    def draw(canvas: _Canvas) -> None:
        _draw_panel(canvas, panel, (), units)
        for name, (shape, share, look) in signs.items():
            here = [mark for mark in marks if mark.verdict == name]
            style: dict[str, Any] = {"ls": "none", "marker": shape, "ms": share * canvas.mark_pt, **look}
            gid = name.replace(",", "").replace(" ", "-")
            if here:
                canvas.axes.plot(
                    [m.x for m in here], [m.y for m in here], zorder=5, clip_on=False, gid=gid, **style
                )
        canvas.keep_clear(marks)
        _label(canvas, marks, [m for m in marks if m.verdict in spoken], lambda mark: mark.verdict)

    theirs = worded(panel)
    under, foot = ([in_units(line, units, theirs) for line in lines] for lines in (under, foot))
    return _saved(lambda: _page(_Sheet(title, under, marks, draw, legend, foot, panel, units)), stem)


def _saved(make: Callable[[], Figure], stem: str) -> dict[str, bytes]:
    files = {}
    with repeatable_style():
        figure = make()
        for kind, metadata in (("svg", {"Date": None, "Creator": "taptone"}), ("png", {"Software": None})):
            file = io.BytesIO()
            figure.savefig(file, format=kind, dpi=_DPI, metadata=metadata)
            files[f"{stem}.{kind}"] = file.getvalue()
    return files


@contextlib.contextmanager
def repeatable_style() -> Iterator[None]:
    """Draw the same on every machine, whatever this user has set for other work.

    Yields
    ------
    None
        Figures made and saved inside are the same bytes on every run, if saved without a date.

    Examples
    --------
    >>> with repeatable_style():
    ...     matplotlib.rcParams["svg.hashsalt"]
    'taptone'
    """
    with matplotlib.rc_context(), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing from")  # drawn as an empty box
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(_STYLE)
        yield


# -- what is drawn -------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Mark:
    """A verdict at a place of the map (metres, or seconds and number of the recording)."""

    verdict: str
    label: str
    x: float
    y: float
    score: float = math.nan
    was_suspect: bool = False  # until structure was declared after tapping
    below: bool = False  # its words stand below it: above lies the rest of its area


@dataclass(frozen=True, slots=True)
class _Sheet:
    """What stands on a page: words above and below the map, the marks on it, and what is drawn under them."""

    title: str
    under: Sequence[str]
    marks: Sequence[_Mark]
    draw: Callable[[_Canvas], object]
    legend: Sequence[_Entry]
    foot: Sequence[str]
    panel: Panel | None
    units: str = "m"


def _figure(result: Result, units: str) -> Figure:
    """Lay out the map of one analysis."""
    panel = result.panel
    marks = _stations(panel, result.points, result.areas) if panel else _along_time(result)

    def draw(canvas: _Canvas) -> None:
        if panel:
            _draw_panel(canvas, panel, result.areas, units)
        else:
            _draw_lanes(canvas, marks, result)
        _draw_marks(canvas, marks)

    return _page(
        _Sheet(
            _title(result),
            _under(result, marks, units),
            marks,
            draw,
            _legend(result, marks),
            [
                *_suspects(result.points),
                *(in_units(line, units, worded_of(result)) for line in _footing(result)),
            ],
            panel,
            units,
        )
    )


def _page(sheet: _Sheet) -> Figure:
    """Fill a page from top to bottom."""
    panel, marks = sheet.panel, sheet.marks
    box = _bounds(panel, marks) if panel else _strip_bounds(marks)
    across, up = box[2] - box[0], box[3] - box[1]
    wide = not panel or across > 1.3 * up
    width_in, most_in = (_PAGE_IN[1], _PAGE_IN[0]) if wide else _PAGE_IN
    usable_in = width_in - 2 * _SIDE_IN

    title = _wrapped(sheet.title, 12, usable_in, most=3)
    under = [line for text in sheet.under for line in _wrapped(text, 8, usable_in, most=3)]
    columns = next(  # as many as leave every entry of the legend whole
        n
        for n in range(4 if wide else 3, 0, -1)
        if n == 1 or all(len(_wrapped(t, 7.5, usable_in / n - 0.4, most=2)) < 2 for _, t in sheet.legend)
    )
    legend = [
        (draw, _wrapped(text, 7.5, usable_in / columns - 0.4, most=_WHOLE) or [""])
        for draw, text in sheet.legend
    ]
    rows = [legend[n : n + columns] for n in range(0, len(legend), columns)]
    rows_in = [0.2 + 7.5 * _LINE / 72 * (max(len(lines) for _, lines in row) - 1) for row in rows]
    listed = [line for text in sheet.foot for line in _wrapped(text, 7.5, usable_in, most=2)]

    head_in = 0.1 + (len(title) * 12 + len(under) * 8) * _LINE / 72 + 0.1
    foot_in = _TICKS_IN + 0.35 + sum(rows_in) + 0.1 + len(listed) * 7.5 * _LINE / 72 + 0.1
    room_in = max(most_in - head_in - foot_in, _LEAST_MAP_IN)
    map_in = _map_size(across, up, usable_in - _LEFT_IN, room_in, strip=not panel)
    height_in = head_in + map_in[1] + foot_in

    figure = Figure(figsize=(width_in, height_in), dpi=_DPI)
    FigureCanvasAgg(figure)
    page = figure.add_axes((0, 0, 1, 1), xlim=(0, width_in), ylim=(0, height_in))
    page.set_axis_off()
    top = _write(page, title, 12, height_in - 0.1, weight="bold")
    _write(page, under, 8, top)

    left, bottom = _SIDE_IN + _LEFT_IN + (usable_in - _LEFT_IN - map_in[0]) / 2, foot_in
    place = (left / width_in, bottom / height_in, map_in[0] / width_in, map_in[1] / height_in)
    axes = figure.add_axes(place, xlim=(box[0], box[2]), ylim=(box[1], box[3]))
    sheet.draw(_Canvas(axes, (map_in[0] / across, map_in[1] / up), _room_in(marks, map_in, across, up)))

    below = bottom - _TICKS_IN
    if panel:
        _scale_bar(page, left, below - 0.1, map_in, across, sheet.units)
    below -= 0.35
    for row, row_in in zip(rows, rows_in, strict=True):
        for n, (draw, lines) in enumerate(row):
            x = _SIDE_IN + n * usable_in / columns
            draw(page, x + 0.15, below - 0.1)
            for line, text in enumerate(lines):
                y = below - 0.1 - line * 7.5 * _LINE / 72
                page.text(x + 0.36, y, text, size=7.5, va="center")
        below -= row_in
    _write(page, listed, 7.5, below - 0.1)
    return figure


def _stations(panel: Panel, points: Iterable[Point], areas: Iterable[Area]) -> list[_Mark]:
    """Return a mark for every planned station, and for points that are no station of the panel."""
    found = {point.station: point for point in points}
    middle_m = {label: area.y_m for area in areas for label in area.stations}
    marks = []
    for station in panel.stations:
        point = found.pop(station.label, None)
        if point is None or (not point.taps and not _UNTIED & set(point.flags)):
            marks.append(_Mark("not tapped", station.label, station.x_m, station.y_m))
        else:
            lost = WAS_SUSPECT in point.flags
            below = station.y_m < middle_m.get(station.label, -math.inf) - 1e-6
            marks.append(
                _Mark(point.verdict, station.label, station.x_m, station.y_m, point.score, lost, below)
            )
    others = (point for point in found.values() if math.isfinite(point.x_m + point.y_m))
    return marks + [_Mark(p.verdict, p.station, p.x_m, p.y_m, p.score) for p in others]


def _along_time(result: Result) -> list[_Mark]:
    """Return a mark for every point at its time, the recordings below each other."""
    lanes = {name: -float(n) for n, name in enumerate(_lanes(result))}
    return [
        _Mark(p.verdict, p.station, p.time_s, lanes[p.recordings[0]] if p.recordings else 0.0, p.score)
        for p in result.points
        if math.isfinite(p.time_s)
    ]


def _lanes(result: Result) -> list[str]:
    """Return the names of the recordings, each once, in order."""
    named = [r.name for r in result.recordings] + [p.recordings[0] for p in result.points if p.recordings]
    return list(dict.fromkeys(named))


# -- words ---------------------------------------------------------------------------------------------


def _title(result: Result) -> str:
    """Return what was tapped."""
    panel = result.panel
    if panel is None:
        return "Taps along time, no panel given"
    rest = (word for word in (panel.side, panel.face) if word not in panel.name.casefold().split())
    return ", ".join(filter(None, (panel.boat, panel.name, *rest)))


def _under(result: Result, marks: Sequence[_Mark], units: str) -> list[str]:
    """Return the lines below the title: what was found, how much was tapped, against what, from where."""
    panel = result.panel
    found = Counter(mark.verdict for mark in marks)
    judged = bool(found["no difference"] + found["at structure"])  # else nobody could have been suspect
    counts = [f"{found[v]} {v}" for v in _SHAPES if found[v] or (judged and v == "suspect")]
    lines = [", ".join(counts), *say_beside(result.points)] if counts else []
    if panel:
        planned = {station.label for station in panel.stations}
        tapped = sum(point.taps > 0 and point.station in planned for point in result.points)
        untied = sum(mark.label in planned and mark.verdict != "not tapped" for mark in marks) - tapped
        line = f"{tapped} of {len(planned)} stations tapped"
        if untied > 0:
            line += f"; strikes were heard for {untied} more, but which is whose is not known"
        lines.append(line + f"; {_reach(panel, units)}" if math.isfinite(panel.spacing_m) else line)
    else:
        lines.append(f"{len(marks)} taps")
    if result.relative_to:
        against = result.relative_to
        against = against if against.startswith("relative") else f"compared with {against}"
        lines.append(in_units(against, units, worded_of(result)))
    if panel:
        facts = (("hammer", panel.hammer), ("recorder", panel.recorder), ("construction", panel.construction))
        lines.append("; ".join(f"{name}: {said or 'not recorded'}" for name, said in facts))
        lines.append(f"conditions: {_conditions(panel, units)}")
        datum = f"Datum (x = 0, y = 0, marked +): {panel.datum}. " if panel.datum else ""
        lines.append(f"{datum}Drawn with x to the right and y up, whichever way the panel is looked at.")
    return lines


def _conditions(panel: Panel, units: str) -> str:
    """Return what was written down of the day."""
    known = math.isfinite(panel.surface_temp_c)
    said = [f"surface: {as_temperature(panel.surface_temp_c, units)}"] if known else []
    for name, value in panel.conditions.items():
        if name.endswith("_temp_c") and isinstance(value, (int, float)):
            said.append(f"{name.removesuffix('_temp_c').replace('_', ' ')}: {as_temperature(value, units)}")
            continue
        shown = {True: "yes", False: "no"}[value] if isinstance(value, bool) else value
        said.append(f"{name.replace('_', ' ').replace('72h', '72 h')}: {shown}")
    return "; ".join(said) or "not recorded"


def _reach(panel: Panel, units: str) -> str:
    """Return what can lie unheard between the stations of a grid: a circle through its nearest ones."""
    between_m = between_stations_mm(panel.spacing_m, panel.pattern) / 1000
    return (
        f"every {as_length(panel.spacing_m, units)}: a round patch under "
        f"{as_length(between_m, units)} can lie between them"
    )


def _footing(result: Result) -> list[str]:
    """Return what a reader of the map alone must know."""
    lines = []
    if result.areas:
        lines.append(
            "Areas: solid line, at least (between the suspects); dotted, best guess (a guess: half way to "
            "the next stations); dashed, at most (to the next good stations and the rim beyond them that "
            "cannot be heard)."
        )
    for area in result.areas[:_MOST_AREAS]:
        if area.open:
            lines.append(f"Area of {area.stations[0]} is open: {'; '.join(area.open)}.")
    why = Counter(p.reason for p in result.points if p.reason != "not tapped" and p.verdict == "not assessed")
    lines += [f"{count} not assessed: {reason}" for reason, count in why.most_common(_MOST_REASONS) if reason]
    if len(why) > _MOST_REASONS:
        lines.append("More stations were not assessed for other reasons, see points.csv.")
    tied = [flag for point in result.points if point.taps for flag in point.flags]
    doubts = Counter(flag for flag in tied if flag in _PLACING)
    if doubts:
        said = ", ".join(f"{flag} ({count})" for flag, count in doubts.items())
        lines.append(f"Stations whose strikes were tied with a doubt: {said}; see the notes in log.json.")
    if result.changes:
        said = ", ".join(f"{c.setting} {c.value} (default {c.default})" for c in result.changes)
        lines.append(f"Changed settings: {said}.")
    if any(point.verdict == "suspect" for point in result.points):
        lines.append(
            "Score: 0 is as expected. Counts of good places are estimates from a fitted tail; see points.csv."
        )
    if result.panel and result.recordings:  # taps without a panel stand on lines with these names
        lines.append(f"Heard in {', '.join(r.name for r in result.recordings)}.")
    version = result.versions.get("taptone", "")
    made = f" taptone {version}." if version else ""
    return [
        *lines,
        "A record and a comparison, not a certificate; no difference heard does not mean that nothing is "
        f"there.{made}",
    ]


def _suspects(points: Iterable[Point]) -> list[str]:
    """Return a line for each suspect with its confidence and plain count, the surest first."""
    suspects = sorted(
        (p for p in points if p.verdict == "suspect"),
        key=lambda p: (-_or(p.confidence, 0.0), -_or(p.score, 0.0)),
    )
    lines = []
    for point in suspects[:_MOST_LISTED]:
        sure = f", confidence {sureness(point.confidence)}" if math.isfinite(point.confidence) else ""
        chance = point.chance_if_good
        count = f" ({rarity(chance)} would sound this different)" if chance > 0 else ""
        where = point.station or f"{point.time_s:.2f} s"
        lines.append(f"{where} suspect{sure}{count}")
    more = len(suspects) - len(lines)
    return [*lines, f"and {more} more, see points.csv"] if more else lines


def _or(value: float, missing: float) -> float:
    """Return a value, or another where it is missing."""
    return value if math.isfinite(value) else missing


def _wrapped(text: str, size: float, width_in: float, most: int) -> list[str]:
    """Return lines that fit a width; what cannot be printed is a blank, what is too long is cut."""
    text = "".join(letter if letter.isprintable() else " " for letter in text)
    letters = max(int(width_in * 72 / (size * 0.62)), 4)  # 0.62: a broad letter; 0.55 is usual
    while True:
        lines = textwrap.wrap(text, letters, max_lines=most, placeholder=" …")
        if letters <= 4 or all(_width_in(line, size, "normal") <= width_in for line in lines):
            return lines
        letters = letters * 9 // 10  # capitals are broader still


def _write(page: Axes, lines: Iterable[str], size: float, top: float, **style: Any) -> float:
    """Write lines from a height (inches) downwards; return where the next begins."""
    for line in lines:
        page.text(_SIDE_IN, top, line, size=size, va="top", **style)
        top -= size * _LINE / 72
    return top


# -- room ----------------------------------------------------------------------------------------------


def _bounds(panel: Panel, marks: Sequence[_Mark]) -> tuple[float, float, float, float]:
    """Return left, bottom, right, top of all that has a place, in metres, with a margin."""
    places = [*panel.outline, *((mark.x, mark.y) for mark in marks)] or [(0.0, 0.0), (1.0, 1.0)]
    low, high = np.min(places, axis=0), np.max(places, axis=0)
    margin = 0.04 * float(np.max(high - low)) or 0.1
    return tuple(map(float, (*(low - margin), *(high + margin))))  # type: ignore[return-value]


def _strip_bounds(marks: Sequence[_Mark]) -> tuple[float, float, float, float]:
    """Return the bounds of all taps along time."""
    times = [mark.x for mark in marks] or [0.0, 1.0]
    margin = 0.03 * (max(times) - min(times)) or 0.5
    lowest = min((mark.y for mark in marks), default=0.0)
    return min(times) - margin, lowest - 0.5, max(times) + margin, 0.5


def _map_size(
    across: float, up: float, width_in: float, height_in: float, strip: bool
) -> tuple[float, float]:
    """Return width and height of the map in inches; a panel keeps its proportions."""
    if strip:
        return width_in, min(0.7 * up, height_in)
    scale = min(width_in / across, height_in / up)
    return across * scale, up * scale


def _room_in(marks: Sequence[_Mark], map_in: tuple[float, float], across: float, up: float) -> float:
    """Return the usual distance from a mark to its nearest neighbour in inches."""
    if len(marks) < 2:
        return 0.5
    from scipy.spatial import KDTree

    places = np.array([(mark.x * map_in[0] / across, mark.y * map_in[1] / up) for mark in marks])
    nearest = np.asarray(KDTree(places).query(places, k=2)[0])
    return float(np.median(nearest[:, 1]))


@dataclass(slots=True)
class _Canvas:
    """Axes of the map, inches for each of their units, room for a mark, and where text already stands."""

    axes: Axes
    scale: tuple[float, float]
    room_in: float
    taken: list[tuple[float, float, float, float]] = field(default_factory=list)

    @property
    def mark_pt(self) -> float:
        """Size of the largest mark."""
        return float(np.clip(0.3 * 72 * self.room_in, 2.5, 9.0))

    @property
    def text_pt(self) -> float:
        """Size of a label."""
        return float(np.clip(14 * self.room_in, 4.5, 7.0))

    def keep_clear(self, marks: Iterable[_Mark]) -> None:
        """Let no label cover a mark."""
        half = self.mark_pt / 2 / 72
        for mark in marks:
            x, y = mark.x * self.scale[0], mark.y * self.scale[1]
            self.taken.append((x - half, y - half, x + half, y + half))

    def text(self, x: float, y: float, words: str, above_pt: float, size: float, **style: Any) -> None:
        """Write above a place (below, if negative), unless a mark or another text stands there."""
        words = " ".join(_wrapped(words, size, 1.2, most=1))
        width = _width_in(words, size, style.get("weight", "normal")) + 0.02
        under_pt = _LETTER * size if above_pt < 0 else 0.0
        left, low = x * self.scale[0] - width / 2, y * self.scale[1] + (above_pt - under_pt) / 72
        box = (left, low, left + width, low + _LETTER * size / 72)
        other = np.array(self.taken).reshape(-1, 4).T
        if words and not np.any(
            (other[0] < box[2] - _TOUCH_IN)
            & (box[0] < other[2] - _TOUCH_IN)
            & (other[1] < box[3] - _TOUCH_IN)
            & (box[1] < other[3] - _TOUCH_IN)
        ):
            self.taken.append(box)
            paper = {"fc": "white", "ec": "none", "pad": 0.2}  # over hatching and the lines of areas
            place: dict[str, Any] = {"ha": "center", "va": "bottom", "zorder": 4.5}
            self.axes.text(x, low / self.scale[1], words, size=size, bbox=paper, **place, **style)


@lru_cache(maxsize=4096)
def _width_in(text: str, size: float, weight: str) -> float:
    """Return the width of a line of text."""
    font = FontProperties(size=size, weight=weight)
    return float(_renderer().get_text_width_height_descent(text, font, False)[0]) / 72


@lru_cache(maxsize=1)
def _renderer() -> Any:
    """Return something to measure text with, at one dot a point."""
    canvas: Any = FigureCanvasAgg(Figure((1, 1), dpi=72))
    return canvas.get_renderer()


# -- the map -------------------------------------------------------------------------------------------


def _draw_panel(canvas: _Canvas, panel: Panel, areas: Iterable[Area], units: str = "m") -> None:
    """Draw what was declared, and the areas."""
    axes = canvas.axes
    shown = "feet and inches" if units == "ft-in" else "m"
    axes.set_xlabel(f"x, {shown}", size=7.5, labelpad=1)
    axes.set_ylabel(f"y, {shown}", size=7.5, labelpad=1)
    axes.tick_params(labelsize=7, width=0.5, length=2.5)
    for axis, scale, limits in (
        (axes.xaxis, canvas.scale[0], axes.get_xlim()),
        (axes.yaxis, canvas.scale[1], axes.get_ylim()),
    ):
        inches = scale * (limits[1] - limits[0])
        most = max(1, min(8, int(inches / 0.5)))
        if units == "ft-in":
            axis.set_major_locator(MultipleLocator(_on_a_tape((limits[1] - limits[0]) / most, up=True)))
            axis.set_major_formatter(lambda value, _: as_length(value, units))
        else:
            axis.set_major_locator(MaxNLocator(nbins=most, steps=[1, 2, 5, 10]))
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)

    axes.plot([0.0], [0.0], "k+", ms=9, mew=1.2, zorder=6, gid="datum", scalex=False, scaley=False)
    if len(panel.outline) > 2:
        axes.add_patch(Polygon(panel.outline, fill=False, ec="black", lw=1.2, zorder=3, gid="outline"))
    for hole in panel.cutouts:
        axes.add_patch(Polygon(hole.outline, fill=False, ec="0.45", lw=0.9, ls=":", zorder=3))
    hatches = _hatches(panel)
    for structure in panel.structures:
        _draw_structure(axes, structure, hatches[structure.kind])
    for area in areas:
        for look, rings in _outlines(area).items():
            for ring in rings:
                axes.plot(*np.transpose(ring), **_AREA_LINES[look], scalex=False, scaley=False, zorder=4)


def _outlines(area: Area) -> dict[str, list[tuple[tuple[float, float], ...]]]:
    """Return the rings of an area by what they say; a line of stations has no ring but a line."""
    return {
        "at least": [area.at_least] if len(area.at_least) > 1 else [],
        "best guess": list(area.best_guess),
        "at most": [area.at_most] if len(area.at_most) > 2 else [],
    }


def _draw_structure(axes: Axes, structure: Structure, hatch: str) -> None:
    """Draw a band along a line, or an outline, hatched."""
    style: dict[str, Any] = {"fc": "0.95", "ec": "0.55", "lw": 0.6, "hatch": hatch, "zorder": 1}
    if structure.outline:
        axes.add_patch(Polygon(structure.outline, **style))
    elif structure.width_m > 0:
        import shapely

        band = shapely.LineString(structure.line).buffer(structure.width_m / 2, cap_style="flat")
        for part in getattr(band, "geoms", (band,)):
            axes.add_patch(Polygon(np.asarray(part.exterior.coords), **style))
    else:
        axes.plot(*np.transpose(structure.line), color="0.45", lw=1.2, ls="-.", zorder=3)


def _hatches(panel: Panel) -> dict[str, str]:
    """Return a hatch for each kind of structure, in the order in which they were declared."""
    kinds = list(dict.fromkeys(structure.kind for structure in panel.structures))
    return {kind: _HATCHES[n % len(_HATCHES)] for n, kind in enumerate(kinds)}


def _draw_lanes(canvas: _Canvas, marks: Sequence[_Mark], result: Result) -> None:
    """Draw a line for each recording, with its name."""
    axes = canvas.axes
    axes.set_xlabel("time, s", size=7.5, labelpad=1)
    axes.tick_params(labelsize=7, width=0.5, length=2.5)
    axes.set_yticks([])
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    used = {mark.y for mark in marks}
    for n, name in enumerate(_lanes(result)):
        if -float(n) in used or n == 0:
            axes.axhline(-n, color="0.8", lw=0.6, zorder=1)
            (line, *_) = _wrapped(name, 7, 8.0, most=1) or [""]
            axes.text(axes.get_xlim()[0], -n + 0.32, line, size=7, va="center")


def _draw_marks(canvas: _Canvas, marks: Sequence[_Mark]) -> None:
    """Draw every mark, a group for each verdict, and the labels that find room, suspects first."""
    tone = _tones([mark.score for mark in marks if mark.verdict == "suspect"])
    for verdict in dict.fromkeys([*_SHAPES, *(mark.verdict for mark in marks)]):
        here = [mark for mark in marks if mark.verdict == verdict]
        if not here:
            continue
        shape, share, style = _SHAPES.get(verdict, _SHAPES["not assessed"])
        gid = verdict.replace(" ", "-")
        place: dict[str, Any] = {
            "ls": "none",
            "marker": shape,
            "ms": share * canvas.mark_pt,
            "zorder": 5,
            "clip_on": False,
        }
        if verdict == "suspect":
            for n, mark in enumerate(here, start=1):
                look = style | {"mfc": tone(mark.score), "gid": f"suspect-{n}"}
                canvas.axes.plot([mark.x], [mark.y], **place, **look)
        else:
            canvas.axes.plot([m.x for m in here], [m.y for m in here], **place, **style, gid=gid)

    canvas.keep_clear(marks)
    suspects = [mark for mark in marks if mark.verdict == "suspect" or mark.was_suspect]
    _label(canvas, marks, suspects, lambda mark: "was suspect" if mark.was_suspect else "suspect")


def _label(
    canvas: _Canvas, marks: Sequence[_Mark], first: Sequence[_Mark], word: Callable[[_Mark], str]
) -> None:
    """Write the labels that find room, those of some marks first, bold and with a word."""
    above, size = canvas.mark_pt / 2 + 0.8, canvas.text_pt
    for mark in first:
        canvas.text(mark.x, mark.y, mark.label, -above if mark.below else above, size, weight="bold")
    for mark in first:
        further = above + (_LETTER * size if mark.label else 0.0)
        canvas.text(mark.x, mark.y, word(mark), -further if mark.below else further, size, weight="bold")
    for mark in marks if len(marks) <= _MOST_LABELLED else _outermost(marks):
        if mark not in first:
            canvas.text(mark.x, mark.y, mark.label, above, 0.85 * size, color="0.35")


def _outermost(marks: Sequence[_Mark]) -> list[_Mark]:
    """Return the marks at either end of a row or a column: from their labels all others can be counted."""
    chosen: dict[str, _Mark] = {}
    rows: dict[float, list[_Mark]] = {}
    columns: dict[float, list[_Mark]] = {}
    for mark in marks:
        rows.setdefault(round(mark.y, 3), []).append(mark)
        columns.setdefault(round(mark.x, 3), []).append(mark)
    for row in rows.values():
        chosen |= {end.label: end for end in (min(row, key=_x), max(row, key=_x))}
    for column in columns.values():
        chosen |= {end.label: end for end in (min(column, key=_y), max(column, key=_y))}
    return list(chosen.values())


def _tones(scores: Sequence[float]) -> Callable[[float], Any]:
    """Return the tone of a suspect by its score: darker is higher, the darkest if all are alike."""
    known = [score for score in scores if math.isfinite(score)] or [0.0]
    low, high = min(known), max(known)
    tones = matplotlib.colormaps["cividis"]

    def tone(score: float) -> Any:
        share = (score - low) / (high - low) if high > low and math.isfinite(score) else 1.0
        return tones(0.85 * (1.0 - share))

    return tone


def _scale_bar(
    page: Axes, left: float, y: float, map_in: tuple[float, float], across: float, units: str
) -> None:
    """Draw a round length of at most a third of the map, at the scale of the map."""
    longest = across / 3
    if units == "ft-in":
        length = _on_a_tape(longest, up=False)
        words = as_length(length, units)
    else:
        step = 10.0 ** math.floor(math.log10(longest))
        length = max(step * n for n in (1, 2, 5) if step * n <= longest)
        words = f"{length:g} m" if length >= 1 else f"{1000 * length:g} mm"
    end = left + length * map_in[0] / across
    page.plot([left, left, left, end, end, end], [y + 0.04, y - 0.04, y, y, y + 0.04, y - 0.04], "k", lw=1.0)
    page.text(end + 0.08, y, words, size=7.5, va="center")


def _on_a_tape(length_m: float, *, up: bool) -> float:
    """Return the round length in feet and inches next to one in metres."""
    inches = (0.125, 0.25, 0.5, 1, 2, 3, 6, *(12 * n * ten for ten in (1, 10, 100) for n in (1, 2, 5)))
    if up:
        return INCH_M * next((n for n in inches if n * INCH_M >= length_m), inches[-1])
    return INCH_M * max((n for n in inches if n * INCH_M <= length_m), default=inches[0])


# -- legend --------------------------------------------------------------------------------------------

_Entry = tuple[Callable[[Axes, float, float], object], str]


def _legend(result: Result, marks: Sequence[_Mark]) -> list[_Entry]:
    """Return what can be seen on the map, each with how to draw it and what it is in words."""
    count = Counter(mark.verdict for mark in marks)
    scores = sorted({m.score for m in marks if m.verdict == "suspect" and math.isfinite(m.score)})
    tone = _tones(scores)
    entries: list[_Entry] = []
    for verdict in dict.fromkeys([*_SHAPES, *count]):
        if count[verdict]:
            fill = {"mfc": tone(math.nan)} if verdict == "suspect" else {}
            several = verdict == "suspect" and len(scores) > 1
            highest = f", highest score {scores[-1]:.1f}" if several else ""
            entries.append((_sign(verdict, fill), f"{verdict} ({count[verdict]}){highest}"))
            if several:
                lowest = _sign(verdict, {"mfc": tone(scores[0])})
                entries.append((lowest, f"suspect, lowest score {scores[0]:.1f}"))
    if result.panel:
        entries += _structure_legend(result.panel)
        words = {"at least": "suspect, at least", "best guess": "best guess", "at most": "at most"}
        for look, text in words.items():
            if any(_outlines(area)[look] for area in result.areas):
                entries.append((_stroke(**_AREA_LINES[look]), text))
    return entries


def _structure_legend(panel: Panel) -> list[_Entry]:
    entries: list[_Entry] = []
    hatches = _hatches(panel)
    for kind, hatch in islice(hatches.items(), _MOST_KINDS):
        line = all(s.width_m <= 0 and not s.outline for s in panel.structures if s.kind == kind)
        drawn = _stroke("-.", "0.45") if line else _box(hatch)
        late = all(s.declared_after_tapping for s in panel.structures if s.kind == kind)
        entries.append((drawn, f"{kind} (declared{' after tapping' if late else ''})"))
    if len(hatches) > _MOST_KINDS:
        more = len(hatches) - _MOST_KINDS
        entries.append((_box(""), f"and {more} more kinds of structure, hatched as these (declared)"))
    if panel.cutouts:
        entries.append((_stroke(":", "0.45"), "cut-out, nothing tapped there"))
    return entries


def _sign(verdict: str, fill: dict[str, Any]) -> Callable[[Axes, float, float], object]:
    shape, share, style = _SHAPES.get(verdict, _SHAPES["not assessed"])
    return _sign_of(shape, share, {**style, **fill})


def _sign_of(shape: str, share: float, look: Mapping[str, Any]) -> Callable[[Axes, float, float], object]:
    return lambda page, x, y: page.plot([x], [y], ls="none", marker=shape, ms=share * 8, **look)


def _stroke(ls: str, color: str, lw: float = 1.1) -> Callable[[Axes, float, float], object]:
    return lambda page, x, y: page.add_line(Line2D([x - 0.16, x + 0.16], [y, y], ls=ls, color=color, lw=lw))


def _box(hatch: str) -> Callable[[Axes, float, float], object]:
    return lambda page, x, y: page.add_patch(
        Rectangle((x - 0.13, y - 0.065), 0.26, 0.13, fc="0.95", ec="0.55", lw=0.6, hatch=hatch)
    )
