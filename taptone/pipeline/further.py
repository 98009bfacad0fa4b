"""Where to tap next: the fewest taps that close the outline of an area, or halve what is in doubt.

Between a suspect station and a good one the edge lies somewhere: a tap half way says on which side of it. Of
all such places those come first that leave least in doubt, whichever way they turn out. Taps alone: nothing
here asks for more than a hammer.
"""

from __future__ import annotations

import heapq
import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from taptone.pipeline.outline import (
    clipped,
    facing,
    joined,
    known_good,
    outline,
    panel_shape,
    reach_cells,
    spacing,
)
from taptone.settings import ExtentSettings
from taptone.types import Area, Panel, Station

__all__ = ["Closing", "Further", "further"]

_TOUCH_M = 1e-6
_AT_ONCE = 4  # named for an area before their outcome is asked for: docs/extent.md
_NEAR = 0.6  # a station nearer than this many spacings to where one is wanted will do instead
_GRID = re.compile(r"([A-Z]+)(\d+)")
_FACES = {"outside": "inside", "inside": "outside"}
_BLADES = ("rudder", "blade", "daggerboard", "centreboard")


@dataclass(frozen=True, slots=True)
class Further:
    """One place to tap: a label, where it lies, and why there.

    ``kind`` is ``between`` a suspect and a good station, ``beyond`` where an area is open, ``again`` where a
    station was not assessed, ``mirror`` or ``opposite face``.
    """

    label: str
    x_m: float
    y_m: float
    kind: str
    why: str


@dataclass(frozen=True, slots=True)
class Closing:
    """One area, and what would close it.

    ``closed`` says that no tap would tell more of its edge, ``known_to_m`` how far apart the suspect and the
    good stations at its edge stand at most (``nan`` where none bounds it). ``taps`` come first, ``then``
    follows when it is closed.
    """

    area: Area
    closed: bool
    known_to_m: float
    taps: tuple[Further, ...]
    then: tuple[Further, ...]


def further(
    stations: Sequence[Station],
    verdicts: Sequence[str],
    panel: Panel,
    *,
    least_radius_m: float = math.nan,
    edge_m: float = 0.0,
    barred: Callable[[float, float], bool] = lambda _x, _y: False,
    settings: ExtentSettings = ExtentSettings(),
) -> tuple[Closing, ...]:
    """Say for each area which taps close it, or halve its doubt: what lies between suspect and good.

    Parameters
    ----------
    stations : sequence of Station
        Of the panel, with those that were tapped between.
    verdicts : sequence of str
        One for each.
    panel : Panel
        Where they lie.
    least_radius_m : float, optional
        As for :func:`taptone.pipeline.outline.outline`.
    edge_m : float, optional
        The edge is known well enough where a suspect and a good station stand no further apart; at least
        twice the error of aim.
    barred : callable, optional
        Whether a place (x, y) cannot be judged, as it lies at structure.
    settings : ExtentSettings, optional
        Error of aim, rim and reach.

    Returns
    -------
    tuple of Closing
        One for each area; labels by the rule of half spacings where the stations have a grid's.

    Examples
    --------
    >>> square = ((0.0, 0.0), (0.6, 0.0), (0.6, 0.6), (0.0, 0.6))
    >>> grid = [Station(f"{r}{c}", 0.1 * c, 0.1 * k) for k, r in enumerate("ABCDE", 1) for c in range(1, 6)]
    >>> panel = Panel("deck", "centre", "outside", "foam", "stem", square, tuple(grid), spacing_m=0.1)
    >>> found = ["suspect" if s.label == "C3" else "no difference" for s in grid]
    >>> [closing] = further(grid, found, panel)
    >>> [tap.label for tap in closing.taps]
    ['B3b', 'C3b']
    """
    areas = outline(stations, verdicts, panel, least_radius_m=least_radius_m, settings=settings)
    edge_m = max(edge_m, 2 * settings.aim_m)
    verdict = {s.label: v for s, v in zip(stations, verdicts, strict=True)}
    known = {s.label: s for s in (*panel.stations, *stations)}
    closings = []
    for area in areas:
        ground = _Ground(area, known, verdict, panel, barred, settings)
        gaps = [math.hypot(s.x_m - g.x_m, s.y_m - g.y_m) for s, g in ground.pairs()]
        wanted = {(round(t.x_m, 6), round(t.y_m, 6)): t for t in ground.wanted(edge_m)}
        taps = _named(_best(ground, list(wanted.values())), known)
        closings.append(Closing(area, not taps, max(gaps, default=math.nan), taps, _then(area, panel, known)))
    return tuple(closings)


class _Ground:
    """One area among the stations round it."""

    def __init__(
        self,
        area: Area,
        known: dict[str, Station],
        verdict: dict[str, str],
        panel: Panel,
        barred: Callable[[float, float], bool],
        settings: ExtentSettings,
    ) -> None:
        self.area, self.known, self.verdict, self.panel = area, known, verdict, panel
        self.barred, self.settings = barred, settings
        self.spacing_m = spacing(panel)
        self.reach_m = settings.reach * self.spacing_m
        self.group = [known[label] for label in area.stations]
        self.good = [s for label, s in known.items() if verdict.get(label) == "no difference"]
        self.judged = [s for label, s in known.items() if verdict.get(label) in ("suspect", "no difference")]
        self.inside = panel_shape(panel, self.group, 2 * self.reach_m)

    def pairs(self) -> Iterator[tuple[Station, Station]]:
        """Each suspect station with the good ones that face it across the edge."""
        return facing(self.group, self.good, self.judged, self.reach_m)

    def wanted(self, edge_m: float) -> Iterator[Further]:
        """Yield places where a tap would tell something of the edge, some more than once."""
        for s, g in self.pairs():
            away = math.hypot(s.x_m - g.x_m, s.y_m - g.y_m)
            if away <= edge_m * (1 + 1e-9):
                continue
            x_m, y_m = (s.x_m + g.x_m) / 2, (s.y_m + g.y_m) / 2
            there = self._unjudged(x_m, y_m, away / 4)
            words = f"half way between {s.label} (suspect) and {g.label} (no difference)"
            if there is not None:
                yield from self._planned(there, "between", words.removeprefix("half way "))
            elif self._free(x_m, y_m):
                yield Further(_between(s, g, self.known), x_m, y_m, "between", words)
        if self.area.at_edge:
            yield from self._to_the_edge(edge_m)
        if self.area.open:
            yield from self._beyond()

    def _to_the_edge(self, edge_m: float) -> Iterator[Further]:
        """Yield places half way to the panel's edge, where no station stands before it."""
        import shapely

        for s in self.group:
            here = shapely.Point(s.x_m, s.y_m)
            for side in shapely.get_parts(_sides_of(self.inside)):
                away = here.distance(side)
                foot = side.interpolate(side.project(here))
                end = Station("", float(foot.x), float(foot.y))
                others = (q for q in self.judged if q is not s)
                if not edge_m < away <= self.spacing_m or not joined(s, end, others):
                    continue
                x_m, y_m = (s.x_m + end.x_m) / 2, (s.y_m + end.y_m) / 2
                if self._free(x_m, y_m):
                    words = f"half way between {s.label} (suspect) and the panel's edge"
                    yield Further(f"{s.label}-edge", x_m, y_m, "between", words)

    def _beyond(self) -> Iterator[Further]:
        """Yield the next stations on sides where nothing bounds the area."""
        for s in self.group:
            for axis, dx, dy in (("+x", 1, 0), ("-x", -1, 0), ("+y", 0, 1), ("-y", 0, -1)):
                x_m, y_m = s.x_m + dx * self.spacing_m, s.y_m + dy * self.spacing_m
                if any(math.hypot(q.x_m - x_m, q.y_m - y_m) < _NEAR * self.spacing_m for q in self.judged):
                    continue
                there = self._unjudged(x_m, y_m, _NEAR * self.spacing_m)
                words = f"beyond {s.label} (suspect), where no good station bounds it"
                if there is not None:
                    yield from self._planned(there, "beyond", words)
                elif self._free(x_m, y_m):
                    yield Further(f"{s.label}{axis}", x_m, y_m, "beyond", words)

    def _planned(self, station: Station, kind: str, words: str) -> Iterator[Further]:
        """Yield a station that is planned but not judged, unless structure keeps it from being judged."""
        said = self.verdict.get(station.label)
        if said == "at structure" or not self._free(station.x_m, station.y_m):
            return
        kind, state = ("again", "not assessed") if said == "not assessed" else (kind, "not tapped yet")
        yield Further(station.label, station.x_m, station.y_m, kind, f"{words}: {state}")

    def _unjudged(self, x_m: float, y_m: float, within_m: float) -> Station | None:
        """The nearest planned station without a verdict that tells good from suspect."""
        labels = {s.label for s in self.judged}
        near = [
            (math.hypot(s.x_m - x_m, s.y_m - y_m), label, s)
            for label, s in self.known.items()
            if label not in labels
        ]
        away, _, station = min(near, default=(math.inf, "", None))
        return station if away <= within_m else None

    def _free(self, x_m: float, y_m: float) -> bool:
        """Whether a tap there lies on the panel and can be judged."""
        import shapely

        on_panel = self.inside.distance(shapely.Point(x_m, y_m)) < _TOUCH_M
        return bool(on_panel) and not self.barred(x_m, y_m)


# -- the fewest ----------------------------------------------------------------------------------------


def _best(ground: _Ground, wanted: Sequence[Further]) -> tuple[Further, ...]:
    """Choose places one by one, the most telling first, until half of the doubt may be gone.

    A tap tells as much as it takes off what is in reach if it is good, and adds to the hull if it is suspect,
    each half the time. How the first turn out decides where the next belong, so no more than four are named,
    nor more than halve the doubt if they turn out good. What it tells beside others is hardly more than what
    it tells alone, so that only the first of the queue needs to be looked at again (Minoux 1978).
    """
    told = _Told(ground)
    queue = [(-math.inf, k, -1) for k in range(len(wanted))]
    heapq.heapify(queue)
    chosen: list[Further] = []
    enough_m2 = told.most_m2 - 0.5 * ground.area.doubt_m2
    while queue and len(chosen) < _AT_ONCE and told.most_m2 > enough_m2 + 1e-9:
        gain, k, seen = heapq.heappop(queue)
        if seen != len(chosen):
            heapq.heappush(queue, (-round(told.by(wanted[k]), 9), k, len(chosen)))
            continue
        if gain >= 0 and chosen:
            break
        told.take(wanted[k])
        chosen.append(wanted[k])
    return tuple(chosen)


class _Told:
    """What taps tell: how much nearer the good stations come, how much further the suspect ones reach."""

    def __init__(self, ground: _Ground) -> None:
        self.ground = ground
        suspects = [s for s in ground.judged if ground.verdict[s.label] == "suspect"]
        kept_out = known_good(ground.group, suspects, ground.good, ground.spacing_m, ground.reach_m)
        self.free = ground.inside.difference(kept_out)
        cells = reach_cells(ground.group, ground.good, ground.reach_m)
        self.cells: list[Any] = [list(cell.exterior.coords)[:-1] for cell in cells]
        self.places = [(s.x_m, s.y_m) for s in ground.group]
        self.most_m2, self.least_m2 = self._most(self.cells), self._least(self.places)

    def by(self, tap: Further) -> float:
        """M² that a tap tells beside those taken before."""
        most = self._most(self._cut(tap))
        return 0.5 * (self.most_m2 - most) + 0.5 * (
            self._least([*self.places, (tap.x_m, tap.y_m)]) - self.least_m2
        )

    def take(self, tap: Further) -> None:
        """Take a tap as made, both ways."""
        self.cells = self._cut(tap)
        self.places.append((tap.x_m, tap.y_m))
        self.most_m2, self.least_m2 = self._most(self.cells), self._least(self.places)

    def _cut(self, tap: Further) -> list[Any]:
        """The cells as they would be if the tap is good."""
        out = []
        for s, corners in zip(self.ground.group, self.cells, strict=True):
            dx, dy = tap.x_m - s.x_m, tap.y_m - s.y_m
            away = math.hypot(dx, dy)
            if _TOUCH_M < away <= self.ground.reach_m:
                way = (dx / away, dy / away)
                corners = clipped(corners, way, way[0] * s.x_m + way[1] * s.y_m + away)
            out.append(corners)
        return out

    def _most(self, cells: Sequence[Any]) -> float:
        import shapely

        whole = shapely.union_all([shapely.Polygon(corners) for corners in cells])
        return float(shapely.intersection(whole, self.free).area)

    def _least(self, places: Sequence[Any]) -> float:
        import shapely

        return float(shapely.MultiPoint(places).convex_hull.area)


def _sides_of(shape: Any) -> Any:
    """The straight sides of an outline, one by one."""
    import shapely

    corners = list(shapely.get_parts(shape)[0].exterior.coords)
    return shapely.MultiLineString(list(pairwise(corners)))


# -- labels, and what comes then -------------------------------------------------------------------------


def _between(one: Station, other: Station, known: dict[str, Station]) -> str:
    """Label of the place half way between two stations: B3a next column, B3b next row, B3c both."""
    found = [_GRID.fullmatch(s.label) for s in (one, other)]
    if found[0] and found[1]:
        rows = sorted(_number(match[1]) for match in found if match)
        columns = sorted(int(match[2]) for match in found if match)
        step = (columns[1] - columns[0], rows[1] - rows[0])
        ending = {(1, 0): "a", (0, 1): "b", (1, 1): "c"}.get(step)
        if ending:
            first = min((match[1] for match in found if match), key=_number)
            label = f"{first}{columns[0]}{ending}"
            if label not in known:
                return label
    return _unused(f"{one.label}-{other.label}", known)


def _named(taps: Sequence[Further], known: dict[str, Station]) -> tuple[Further, ...]:
    """The same taps, no two of one label."""
    taken: dict[str, Station] = dict(known)
    out = []
    for tap in taps:
        own = tap.label if tap.label in known else _unused(tap.label, taken)
        taken[own] = Station(own, tap.x_m, tap.y_m)
        out.append(replace(tap, label=own))
    return tuple(out)


def _number(letters: str) -> int:
    """Number of a row by its letters: A 1, Z 26, AA 27."""
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - ord("A") + 1
    return number


def _unused(label: str, known: dict[str, Station]) -> str:
    return next(name for name in (label, *(f"{label}.{k}" for k in range(2, 10_000))) if name not in known)


def _then(area: Area, panel: Panel, known: dict[str, Station]) -> tuple[Further, ...]:
    """The mirrored place and the opposite face of the middle of an area."""
    middle = min(
        (known[label] for label in area.stations),
        key=lambda s: round(math.hypot(s.x_m - area.x_m, s.y_m - area.y_m), 6),
    )
    across = (
        f"this panel, as far on the other side of the centreline (x and y here are of {middle.label})"
        if panel.side == "centre"
        else ""
    )
    inside = has_inside(panel)
    beyond = "the mirrored panel on the other side" if inside else "the other face of the blade"
    opposite = panel.opposite_face_of or (f"the {_FACES.get(panel.face, 'opposite')} face" if inside else "")
    others = {"mirror": panel.mirror_of or across or beyond, "opposite face": opposite}
    return tuple(
        Further(middle.label, middle.x_m, middle.y_m, kind, f"the same place on {other}")
        for kind, other in others.items()
        if other
    )


def has_inside(panel: Panel) -> bool:
    """Whether somebody could reach the other face of the skin; not in a blade, which is closed.

    Parameters
    ----------
    panel : Panel
        Its name and construction tell.

    Returns
    -------
    bool
        False of a rudder, a daggerboard, a centreboard or another blade.

    Examples
    --------
    >>> outline = ((0.0, 0.0), (0.4, 0.0), (0.4, 0.9))
    >>> [has_inside(Panel(name, "port", "outside", "", "tip", outline, ())) for name in ("Rudder", "deck")]
    [False, True]
    """
    told = f"{panel.name} {panel.construction}".casefold()
    return not any(word in told for word in _BLADES)
