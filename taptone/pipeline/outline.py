"""Suspect stations to areas: which belong together, the least, the likely and the most that they may cover.

What is not known stays blank. Only a station with ``no difference`` bounds an area; one that was not tapped,
not assessed or lies at structure neither bounds nor fills it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

from taptone.settings import ExtentSettings
from taptone.types import Area, Panel, Station

if TYPE_CHECKING:
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

__all__ = [
    "JOINED",
    "along",
    "clipped",
    "facing",
    "joined",
    "outline",
    "panel_shape",
    "reach_cells",
    "rim_m",
    "spacing",
    "together",
]

_Place = tuple[float, float]
#: Stations nearer than this many spacings belong together: the diagonal counts.
JOINED = 1.6
_TOUCH_M = 1e-6
_GRID_M = 1e-8  # cells that share a side have it in common to the last figure
_SQUARE = 0.8  # circle through four stations of a grid, in spacings, and some unevenness
_ARC = 96  # corners of the disc that limits an open side: 0.05 % too little
_SHORTEST = 1.0  # an open stretch shorter than this many spacings is a corner between good stations


def outline(
    stations: Sequence[Station],
    verdicts: Sequence[str],
    panel: Panel,
    *,
    least_radius_m: float = math.nan,
    settings: ExtentSettings = ExtentSettings(),
) -> tuple[Area, ...]:
    """Join suspect stations into areas, and say how far each may reach.

    Parameters
    ----------
    stations : sequence of Station
        Of the panel.
    verdicts : sequence of str
        One for each; a station of the panel that is missing here was not tapped.
    panel : Panel
        Its spacing says who belongs together, its outline where the most ends.
    least_radius_m : float, optional
        Of the smallest loose patch that is heard under its middle, by the construction; ``nan`` where no
        laminate was stated.
    settings : ExtentSettings, optional
        Error of aim, rim and reach.

    Returns
    -------
    tuple of Area
        ``at_least``: the convex hull of the stations, drawn in by the error of aim, in m² less the cells of
        stations within it that are not suspect. ``best_guess``: the cells of the stations, which is a guess.
        ``at_most``: from each station out to where the nearest ones without a difference stand, not where
        such stations alone stand round; all that widened by rim and aim, within the panel.

    Examples
    --------
    >>> square = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    >>> grid = [Station(f"{r}{c}", 0.1 * c, 0.1 * k) for k, r in enumerate("ABCDE", 1) for c in range(1, 8)]
    >>> panel = Panel("deck", "centre", "outside", "foam", "stem", square, tuple(grid), spacing_m=0.1)
    >>> bad = {"B3", "B4", "B5", "C3", "C4", "C5"}
    >>> found = ["suspect" if s.label in bad else "no difference" for s in grid]
    >>> [area] = outline(grid, found, panel)
    >>> round(area.at_least_m2, 4), round(area.best_guess_m2, 3), round(area.at_most_m2, 3)
    (0.0144, 0.06, 0.173)
    >>> area.place.partition(";")[0]
    '0.40 m along x, 0.25 m along y from the stem, along the skin'
    """
    known = {s.label for s in stations}
    planned = [*stations, *(s for s in panel.stations if s.label not in known)]
    suspects, good = (
        [s for s, v in zip(stations, verdicts, strict=True) if v == wanted]
        for wanted in ("suspect", "no difference")
    )
    groups = together(suspects, good, spacing(panel))
    return tuple(_area(group, suspects, good, planned, panel, least_radius_m, settings) for group in groups)


def spacing(panel: Panel) -> float:
    """Distance of neighbouring stations of a panel.

    Parameters
    ----------
    panel : Panel
        With a grid or a list of stations.

    Returns
    -------
    float
        In metres; of a list, the middle distance to the nearest other station.

    Examples
    --------
    >>> row = (Station("A1", 0.0, 0.0), Station("A2", 0.1, 0.0), Station("A3", 0.2, 0.0))
    >>> spacing(Panel("deck", "centre", "outside", "solid", "stem", (), row))
    0.1
    """
    return panel.spacing_m if math.isfinite(panel.spacing_m) else _spacing(panel.stations)


def rim_m(least_radius_m: float, half_width_m: float) -> float:
    """Width of the rim of a loose patch in which it cannot be heard.

    A clamped disc is stiffer towards its edge by 1/(1 - r²/a²)² (Leissa, Vibration of Plates, and any book of
    plates; CHECK_VALUES 1). With a patch of radius a0 just heard under its middle, one of radius a is heard
    where 1 - r²/a² is at least a0/a: as far as r = sqrt(a² - a0 a).

    Parameters
    ----------
    least_radius_m : float
        The a0 above.
    half_width_m : float
        The a above: half the width of the patch.

    Returns
    -------
    float
        From a0 for the smallest patch that is heard down to a0/2 for a very wide one.

    Examples
    --------
    >>> round(rim_m(0.024, 0.024), 4), round(rim_m(0.024, 0.032), 4), round(rim_m(0.024, 100.0), 4)
    (0.024, 0.016, 0.012)
    """
    a = max(half_width_m, least_radius_m)
    return a - math.sqrt(a * a - least_radius_m * a)


def together(suspects: Sequence[Station], good: Sequence[Station], spacing_m: float) -> list[list[Station]]:
    """Groups of suspect stations that belong together, in the order of their first stations.

    Parameters
    ----------
    suspects, good : sequence of Station
        Suspect, and without a difference.
    spacing_m : float
        Between stations.

    Returns
    -------
    list of list of Station
        In each, everybody has somebody near with no good station between them.

    Examples
    --------
    >>> row = [Station(f"A{k}", 0.1 * k, 0.0) for k in range(4)]
    >>> [[s.label for s in group] for group in together([row[0], row[1], row[3]], [row[2]], 0.1)]
    [['A0', 'A1'], ['A3']]
    """
    groups: list[list[Station]] = []
    near_m = JOINED * spacing_m
    for station in suspects:
        near = [s for s in good if _away(station, s) <= near_m]
        touching = [
            g for g in groups if any(_away(station, s) <= near_m and joined(station, s, near) for s in g)
        ]
        merged = [s for g in touching for s in g] + [station]
        groups = [g for g in groups if g not in touching] + [merged]
    order = {s.label: k for k, s in enumerate(suspects)}
    return sorted((sorted(g, key=lambda s: order[s.label]) for g in groups), key=lambda g: order[g[0].label])


def joined(one: Station, other: Station, between: Iterable[Station]) -> bool:
    """Whether none of some stations stands between two: inside the circle that has both at its ends.

    Parameters
    ----------
    one, other : Station
        The two.
    between : iterable of Station
        Those that may stand there.

    Returns
    -------
    bool
        A corner of a square does not stand between the two corners beside it.

    Examples
    --------
    >>> a, b, c = (Station(n, x, 0.0) for n, x in (("a", 0.0), ("b", 0.1), ("c", 0.2)))
    >>> joined(a, c, [b]), joined(a, b, [c])
    (False, True)
    """
    x, y, r = (one.x_m + other.x_m) / 2, (one.y_m + other.y_m) / 2, _away(one, other) / 2
    return not any(math.hypot(s.x_m - x, s.y_m - y) < 0.98 * r for s in between)


def facing(
    group: Sequence[Station], good: Sequence[Station], judged: Sequence[Station], reach_m: float
) -> Iterator[tuple[Station, Station]]:
    """Yield suspect stations with the good ones in reach that no judged station stands before.

    Parameters
    ----------
    group, good, judged : sequence of Station
        Suspect stations of one area, those without a difference, and both together with all other suspects.
    reach_m : float
        No pair stands further apart.

    Yields
    ------
    suspect, good : Station
        The edge of the area lies between them.

    Examples
    --------
    >>> row = [Station(f"A{k}", 0.1 * k, 0.0) for k in range(4)]
    >>> [(s.label, g.label) for s, g in facing(row[:1], row[1:], row, 0.25)]
    [('A0', 'A1')]
    """
    named = {s.label for s in good}
    for s in group:
        near = [q for q in judged if _away(s, q) <= reach_m]
        yield from ((s, g) for g in near if g.label in named and joined(s, g, near))


# -- one area ------------------------------------------------------------------------------------------


def _area(
    group: Sequence[Station],
    suspects: Sequence[Station],
    good: Sequence[Station],
    planned: Sequence[Station],
    panel: Panel,
    least_radius_m: float,
    settings: ExtentSettings,
) -> Area:
    """All that is known of one group of suspect stations."""
    import shapely

    spacing_m = spacing(panel)
    reach_m = settings.reach * spacing_m
    inside = panel_shape(panel, group, 2 * reach_m)
    named = {s.label for s in suspects}
    others = [s for s in planned if s.label not in named]
    least, ring, left_out = _least(group, others, planned, settings.aim_m, reach_m)
    tapped_loose, _, _ = _least(group, others, planned, 0.0, reach_m)

    cells = shapely.union_all([_cell(s, planned, 0.5, reach_m) for s in group], grid_size=_GRID_M)
    guess = shapely.intersection(cells, inside)
    rim = settings.rim_m
    if math.isfinite(least_radius_m):
        rim = rim_m(least_radius_m, _half_width(guess))
    beyond_m = rim + settings.aim_m
    kept_out = known_good(group, suspects, good, spacing_m, reach_m)
    in_reach = shapely.union_all([*reach_cells(group, good, reach_m), least], grid_size=_GRID_M)
    in_reach = shapely.intersection(in_reach.difference(kept_out), inside)
    # Rim and aim last, all round: moved out one by one, the lines through good stations leave barbs between.
    most = shapely.intersection(_one_ring(in_reach, group).buffer(beyond_m, quad_segs=16), inside)
    most = _one_ring(most, group)
    guess = shapely.intersection(guess, most)
    doubt = in_reach.difference(tapped_loose)

    edge = inside.boundary.buffer(_TOUCH_M)
    far = shapely.MultiPoint([(s.x_m, s.y_m) for s in group]).buffer(
        (reach_m + beyond_m) * 0.998, quad_segs=64
    )
    axes = _axes(panel.datum)
    open_to = _sides(most.exterior.difference(edge).difference(far), most, _SHORTEST * spacing_m, axes)
    middle = guess.centroid
    if not guess.covers(middle):
        middle = min((shapely.Point(s.x_m, s.y_m) for s in group), key=middle.distance)
    x_m, y_m = float(middle.x), float(middle.y)
    nearest = min(group, key=lambda s: round(math.hypot(s.x_m - x_m, s.y_m - y_m), 6))
    return Area(
        stations=tuple(s.label for s in group),
        at_least_m2=float(least.area),
        at_most_m2=float(most.area),
        at_least=ring,
        at_most=_corners(most.exterior),
        best_guess_m2=float(guess.area),
        best_guess=tuple(_rings(guess)),
        left_out=tuple(s.label for s in left_out),
        bounded_by=tuple(dict.fromkeys(g.label for _, g in facing(group, good, [*suspects, *good], reach_m))),
        open=tuple(f"no good station beyond on the {side}" for side in open_to),
        at_edge=tuple(_sides(most.exterior.intersection(edge), most, spacing_m / 4, axes)),
        doubt_m2=float(doubt.area),
        rim_m=rim,
        x_m=x_m,
        y_m=y_m,
        place=f"{along(panel, x_m, y_m)}; {_span(guess.bounds)}; the middle is nearest to {nearest.label}",
    )


def panel_shape(panel: Panel, group: Sequence[Station], wide_m: float) -> BaseGeometry:
    """The panel as a shape; where it has no outline, all that could be reached.

    Parameters
    ----------
    panel : Panel
        With its outline, or without.
    group : sequence of Station
        What is reached from.
    wide_m : float
        How far.

    Returns
    -------
    shapely.Geometry
        Its bounds in metres.

    Examples
    --------
    >>> panel = Panel("deck", "centre", "outside", "foam", "stem", ((0, 0), (1, 0), (1, 1)), ())
    >>> panel_shape(panel, [], 0.1).area
    0.5
    """
    import shapely

    if len(panel.outline) > 2:
        return shapely.Polygon(panel.outline)
    return shapely.MultiPoint([(s.x_m, s.y_m) for s in group]).buffer(wide_m)


def _least(
    group: Sequence[Station],
    others: Sequence[Station],
    planned: Sequence[Station],
    aim_m: float,
    reach_m: float,
) -> tuple[BaseGeometry, tuple[_Place, ...], list[Station]]:
    """Hull of the stations drawn in, less the cells of `others` inside it; its ring; which those are."""
    import shapely

    hull = shapely.MultiPoint([(s.x_m, s.y_m) for s in group]).convex_hull
    drawn_in = hull.buffer(-aim_m, join_style="mitre", mitre_limit=100.0)
    if drawn_in.area:
        within = [s for s in others if hull.distance(shapely.Point(s.x_m, s.y_m)) < _TOUCH_M]
        blank = shapely.union_all([_cell(s, planned, 0.5, reach_m) for s in within])
        return shapely.difference(drawn_in, blank), _corners(drawn_in.exterior), within
    first, last = max(
        ((a, b) for a in group for b in group), key=lambda pair: _away(*pair)
    )  # a lone station, or a line
    long_m = _away(first, last)
    if long_m <= 2 * aim_m:
        return shapely.Polygon(), ((first.x_m, first.y_m),), []
    share = aim_m / long_m
    ends = tuple(
        (a.x_m + share * (b.x_m - a.x_m), a.y_m + share * (b.y_m - a.y_m))
        for a, b in ((first, last), (last, first))
    )
    return shapely.Polygon(), ends, []


def known_good(
    group: Sequence[Station],
    suspects: Sequence[Station],
    good: Sequence[Station],
    spacing_m: float,
    reach_m: float,
) -> BaseGeometry:
    """What good stations alone surround: the Delaunay triangles that no suspect station has a part in.

    Parameters
    ----------
    group, suspects, good : sequence of Station
        Suspect stations of one area, all of them, and those without a difference.
    spacing_m : float
        Triangles of stations that stand further apart, with some between that were not tapped, do not count.
    reach_m : float
        Only stations this near to the group are looked at.

    Returns
    -------
    shapely.Geometry
        Of four stations in a square none may be suspect, whichever way the square is halved.

    Examples
    --------
    >>> grid = [Station(f"{r}{c}", float(c), float(r)) for r in range(2) for c in range(3)]
    >>> known_good(grid[:1], grid[:1], grid[1:], 1.0, 2.5).bounds
    (1.0, 0.0, 2.0, 1.0)
    """
    import shapely

    near = [s for s in (*suspects, *good) if min(_away(s, q) for q in group) <= reach_m + spacing_m]
    named = {s.label for s in suspects}
    loose = [s for s in near if s.label in named]
    triangles = shapely.delaunay_triangles(shapely.MultiPoint([(s.x_m, s.y_m) for s in near]))
    kept = []
    for triangle in shapely.get_parts(triangles):
        middle, radius_m = _circle(*triangle.exterior.coords[:3])
        if radius_m <= _SQUARE * spacing_m and not any(
            math.dist((s.x_m, s.y_m), middle) <= 1.02 * radius_m for s in loose
        ):
            kept.append(triangle)
    return shapely.union_all(kept, grid_size=_GRID_M)


def _circle(a: Sequence[float], b: Sequence[float], c: Sequence[float]) -> tuple[_Place, float]:
    """Middle and radius of the circle through three places."""
    (bx, by), (cx, cy) = ((p[0] - a[0], p[1] - a[1]) for p in (b, c))
    twice = 2 * (bx * cy - by * cx)
    if abs(twice) < 1e-15:
        return (a[0], a[1]), math.inf
    x = (cy * (bx * bx + by * by) - by * (cx * cx + cy * cy)) / twice
    y = (bx * (cx * cx + cy * cy) - cx * (bx * bx + by * by)) / twice
    return (a[0] + x, a[1] + y), math.hypot(x, y)


def reach_cells(group: Sequence[Station], good: Sequence[Station], reach_m: float) -> list[Polygon]:
    """How far loose skin under each suspect station can reach, the good stations being what they are.

    Parameters
    ----------
    group, good : sequence of Station
        Suspect stations of one area, and those without a difference.
    reach_m : float
        Good stations further away do not count, and nothing is said of what lies further.

    Returns
    -------
    list of shapely.Polygon
        Convex, one for each of the group: up to a line through each good station, square to the way there.

    Examples
    --------
    >>> around = [Station(n, x, y) for n, x, y in (("l", -1, 0), ("r", 1, 0), ("u", 0, 1), ("d", 0, -1))]
    >>> [cell] = reach_cells([Station("s", 0.0, 0.0)], around, 4.0)
    >>> round(cell.area, 9)
    4.0
    """
    return [_cell(s, good, 1.0, reach_m) for s in group]


def _cell(station: Station, others: Iterable[Station], share: float, reach_m: float) -> Polygon:
    """Places no further along the way to any other than that share of it, and not out of reach."""
    import shapely

    x, y = station.x_m, station.y_m
    furthest = reach_m
    corners = [
        (x + reach_m * math.cos(k * math.tau / _ARC), y + reach_m * math.sin(k * math.tau / _ARC))
        for k in range(_ARC)
    ]
    for away, other_x, other_y in sorted((_away(station, s), s.x_m, s.y_m) for s in others):
        if share * away > furthest:
            break
        if away > _TOUCH_M:
            across = ((other_x - x) / away, (other_y - y) / away)
            corners = clipped(corners, across, across[0] * x + across[1] * y + share * away)
            furthest = max(math.hypot(px - x, py - y) for px, py in corners)
    return shapely.Polygon(corners)


def clipped(corners: Sequence[_Place], across: _Place, end_m: float) -> list[_Place]:
    """A convex polygon, cut off along a line.

    Parameters
    ----------
    corners : sequence of (float, float)
        Of the polygon, in order.
    across : (float, float)
        Direction square to the line, of length 1.
    end_m : float
        How far along that direction the polygon may go.

    Returns
    -------
    list of (float, float)
        Corners of what is left.

    Examples
    --------
    >>> clipped([(0, 0), (2, 0), (2, 2), (0, 2)], (1, 0), 1)
    [(0, 0), (1.0, 0.0), (1.0, 2.0), (0, 2)]
    """
    kept: list[_Place] = []
    over = [across[0] * x + across[1] * y - end_m for x, y in corners]
    for k, (x, y) in enumerate(corners):
        if over[k] <= 0:
            kept.append((x, y))
        to = (k + 1) % len(corners)
        if (over[k] < 0 < over[to]) or (over[to] < 0 < over[k]):
            share = over[k] / (over[k] - over[to])
            kept.append((x + share * (corners[to][0] - x), y + share * (corners[to][1] - y)))
    return kept


def _half_width(shape: Any) -> float:
    """Radius of the largest circle within."""
    import shapely

    circle: Any = shapely.maximum_inscribed_circle(shape, tolerance=1e-4)
    return float(circle.length)


def _one_ring(shape: BaseGeometry, group: Sequence[Station]) -> Polygon:
    """The part that holds the stations, without holes; if they lie in several, the hull of those."""
    import shapely

    stations = shapely.MultiPoint([(s.x_m, s.y_m) for s in group])
    parts = [p for p in shapely.get_parts(shape) if p.area and p.distance(stations) < _TOUCH_M]
    whole: Any = parts[0] if len(parts) == 1 else shapely.GeometryCollection(parts).convex_hull
    return shapely.Polygon(whole.exterior)


def _rings(shape: BaseGeometry) -> Iterator[tuple[_Place, ...]]:
    """Outer rings and holes of a shape of one or several parts."""
    import shapely

    for part in shapely.get_parts(shape):
        if part.geom_type == "Polygon" and part.area:
            yield _corners(part.exterior)
            yield from map(_corners, part.interiors)


def _corners(ring: BaseGeometry) -> tuple[_Place, ...]:
    return tuple((float(x), float(y)) for x, y in ring.coords)


def _away(one: Station, other: Station) -> float:
    return math.hypot(one.x_m - other.x_m, one.y_m - other.y_m)


def _spacing(stations: Sequence[Station]) -> float:
    """Typical distance to the nearest other station."""
    nearest = [min((_away(a, b) for b in stations if b is not a), default=0.0) for a in stations]
    return sorted(nearest)[len(nearest) // 2] if nearest else 0.0


# -- where it is, in words -----------------------------------------------------------------------------

#: What a datum may say of the way an axis runs: the side at its end, and the side at its start.
_WAYS = {
    "aft": ("after side", "forward side"),
    "forward": ("forward side", "after side"),
    "up": ("upper side", "lower side"),
    "upwards": ("upper side", "lower side"),
    "down": ("lower side", "upper side"),
    "downwards": ("lower side", "upper side"),
    "inboard": ("inboard side", "outboard side"),
    "outboard": ("outboard side", "inboard side"),
    "port": ("port side", "starboard side"),
    "starboard": ("starboard side", "port side"),
}


def along(panel: Panel, x_m: float, y_m: float) -> str:
    """How to find a place again, in words.

    Parameters
    ----------
    panel : Panel
        Its datum may say which way the axes run: ``stem head, x aft, y down``.
    x_m, y_m : float
        The place.

    Returns
    -------
    str
        By the two lengths of tape from the datum.

    Examples
    --------
    >>> panel = Panel("deck", "centre", "outside", "foam", "stem head, x aft", (), ())
    >>> along(panel, 0.82, 0.31)
    '0.82 m along x (aft), 0.31 m along y from the stem head, along the skin'
    """
    name = re.split(r"[,;]|\s\(", panel.datum, maxsplit=1)[0].strip()
    if name[1:2].islower():
        name = name[0].lower() + name[1:]
    name = name.removeprefix("the ") or "datum"
    x, y = (f"{axis} ({way})" if way else axis for axis, way in zip("xy", _ways(panel.datum), strict=True))
    return f"{x_m:.2f} m along {x}, {y_m:.2f} m along {y} from the {name}, along the skin"


def _span(bounds: Sequence[float]) -> str:
    left, low, right, high = bounds
    return f"best guess from {left:.2f} to {right:.2f} m along x, from {low:.2f} to {high:.2f} m along y"


def _ways(datum: str) -> tuple[str, str]:
    """Which way x and y run, as far as the datum says so."""
    found = (
        re.search(
            rf"\b{axis}\s+(?:is\s+|runs\s+|points\s+)?(?:to\s+)?({'|'.join(_WAYS)})\b", datum.casefold()
        )
        for axis in "xy"
    )
    x, y = (match.group(1) if match else "" for match in found)
    return x, y


def _axes(datum: str) -> tuple[tuple[str, str], tuple[str, str]]:
    """Names of the two sides of each axis."""
    x, y = (
        _WAYS.get(way, (f"side of larger {axis}", f"side of smaller {axis}"))
        for axis, way in zip("xy", _ways(datum), strict=True)
    )
    return x, y


def _sides(
    lines: BaseGeometry, shape: Polygon, least_m: float, axes: tuple[tuple[str, str], tuple[str, str]]
) -> list[str]:
    """On which sides of a shape lines lie, for at least so much of their length."""
    left, low, right, high = shape.bounds
    lengths: dict[str, float] = {}
    for line in getattr(lines, "geoms", (lines,)):
        for a, b in zip(line.coords, line.coords[1:], strict=False):
            for share in (0.125, 0.375, 0.625, 0.875):  # a long side may turn a corner of the shape
                x, y = (p + share * (q - p) for p, q in zip(a, b, strict=True))
                dx, dy = (2 * x - left - right) / (right - left), (2 * y - low - high) / (high - low)
                side = axes[0][dx < 0] if abs(dx) > abs(dy) else axes[1][dy < 0]
                lengths[side] = lengths.get(side, 0.0) + math.dist(a, b) / 4
    return [side for pair in axes for side in pair if lengths.get(side, 0.0) >= least_m]
