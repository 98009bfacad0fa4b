"""How likely a grid touches a patch, what spacing a wanted chance asks for, and how long that takes.

A patch is a circle, or an ellipse of a given ratio of its axes, that lies and is turned at random; it is
touched where at least one station falls into it. Squeezed along its long axis an ellipse is a circle, and the
grid an oblique one. The share of the plane within reach of a node of any grid follows from the cell that is
nearer to that node than to any other: a hexagon, made of right-angled triangles, each of them cut by the
circle in closed form. For an ellipse that share is averaged over the directions.

ASTM D6982 is the standard for such grids; the reasoning goes back to Singer and Wickman (1969).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import groupby

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from taptone.errors import SettingError
from taptone.pipeline.sweep import FEWEST, RATES_HZ
from taptone.survey.lattice import lay, tappable
from taptone.types import FloatArray, Panel

__all__ = [
    "GRIDS",
    "SWEPT",
    "Laid",
    "Minutes",
    "chance_touched",
    "laid",
    "minutes_for",
    "patch_for",
    "per_m2",
    "spacing_for",
    "sweeps_of",
]

#: Name → the two steps from a station to its neighbours, in spacings.
GRIDS = {
    "square": ((1.0, 0.0), (0.0, 1.0)),
    "staggered": ((1.0, 0.0), (0.5, math.sqrt(0.75))),
}
#: What a grid is in swept rows: a hand that moves at its own pace keeps no pattern from row to row. Strikes
#: of two rows are taken to stand side by side: of all they might do, that touches a round patch least.
SWEPT = {"square": "square", "staggered": "staggered, swept"}
_STEPS = GRIDS | {"staggered, swept": ((1.0, 0.0), (0.0, math.sqrt(0.75)))}
#: A grid looks the same again, or mirrored, after this many degrees.
_REPEATS_DEG = {"square": 45.0, "staggered": 30.0, "staggered, swept": 90.0}
_DIRECTIONS = 361  # over one such turn: the mean is then right to 1e-5
_THINNEST = 0.05

# Seconds: common practice, no source, but for the rate, which is from memory in the same way.
_TAPS_PER_S = (0.7, 1.0, 1.5)  # struck so that a log can tell them apart: slow, middle, brisk
_SWEPT_PER_S = (RATES_HZ[0], (RATES_HZ[0] + RATES_HZ[1]) / 2, RATES_HZ[1])
_ROW_S = 10.0  # to stop, count and move on: a counted row of 20 takes about 30 s
_CHALK_S = 3.0  # to mark a station
_TAPES_S = 300.0  # to find the datum, lay the tapes and photograph them


def chance_touched(
    patch_m: float,
    spacing_m: float,
    *,
    grid: str = "square",
    shape: float = 1.0,
    turned_deg: float | None = None,
) -> float:
    """Chance that a patch, placed at random, holds at least one station.

    Parameters
    ----------
    patch_m : float
        Diameter; of an ellipse the long axis.
    spacing_m : float
        From a station to the next.
    grid : str, optional
        ``square`` or ``staggered``: every other row is moved by half a spacing, the rows stand closer.
    shape : float, optional
        Short axis over long axis, 0.05 to 1.
    turned_deg : float, optional
        Direction of the long axis from the rows; at random if not given.

    Returns
    -------
    float
        0 to 1. It holds inside the grid: outside the last stations nothing is touched.

    Raises
    ------
    SettingError
        Of a size, a shape or a grid that is none.

    References
    ----------
    ASTM D6982; D. A. Singer and F. E. Wickman (1969), tables of the chance to find an elliptical target.

    Examples
    --------
    >>> round(chance_touched(0.10, 0.15), 4)
    0.3491
    >>> round(chance_touched(0.10, 0.10, grid="staggered"), 4)
    0.9069
    """
    _check(grid, shape, patch_m=patch_m, spacing_m=spacing_m)
    cells = _cells(grid, shape) if turned_deg is None else _squeezed(grid, shape, np.array([turned_deg]))
    return _share(cells, patch_m / 2 / spacing_m)


def spacing_for(patch_m: float, chance: float, *, grid: str = "square", shape: float = 1.0) -> float:
    """Widest spacing that touches a patch with a wanted chance.

    Parameters
    ----------
    patch_m : float
        Diameter; of an ellipse the long axis.
    chance : float
        Above 0, up to 1 (surely).
    grid : str, optional
        ``square`` or ``staggered``.
    shape : float, optional
        Short axis over long axis, 0.05 to 1.

    Returns
    -------
    float
        In metres.

    Raises
    ------
    SettingError
        Of a size, a shape, a chance or a grid that is none.

    Examples
    --------
    >>> round(spacing_for(0.10, 0.95), 4)
    0.0835
    >>> round(spacing_for(0.10, 1.0), 4)
    0.0707
    """
    _check(grid, shape, chance=chance, patch_m=patch_m)
    return patch_m / 2 / _radius(grid, shape, chance)


def patch_for(spacing_m: float, chance: float, *, grid: str = "square", shape: float = 1.0) -> float:
    """Smallest patch that a spacing touches with a wanted chance.

    Parameters
    ----------
    spacing_m : float
        From a station to the next.
    chance : float
        Above 0, up to 1 (surely: a smaller one can lie between the stations).
    grid : str, optional
        ``square`` or ``staggered``.
    shape : float, optional
        Short axis over long axis, 0.05 to 1.

    Returns
    -------
    float
        Diameter, of an ellipse the long axis, in metres.

    Raises
    ------
    SettingError
        Of a size, a shape, a chance or a grid that is none.

    Examples
    --------
    >>> [round(patch_for(0.15, chance), 3) for chance in (0.5, 0.8, 0.95, 1.0)]
    [0.12, 0.152, 0.18, 0.212]
    """
    _check(grid, shape, chance=chance, spacing_m=spacing_m)
    return 2 * spacing_m * _radius(grid, shape, chance)


def per_m2(spacing_m: float, grid: str = "square") -> float:
    """Stations on a square metre.

    Parameters
    ----------
    spacing_m : float
        From a station to the next.
    grid : str, optional
        ``square`` or ``staggered``.

    Returns
    -------
    float
        Far from any edge.

    Examples
    --------
    >>> round(per_m2(0.15), 1), round(per_m2(0.15, "staggered"), 1)
    (44.4, 51.3)
    """
    _check(grid, 1.0, spacing_m=spacing_m)
    (ax, ay), (bx, by) = _STEPS[grid]
    return 1 / (spacing_m**2 * (ax * by - ay * bx))


@dataclass(frozen=True, slots=True)
class Minutes:
    """How long a panel takes: marking it, tapping it, and both; between a brisk and a slow hand."""

    laying_out: float
    tapping: float
    brisk: float
    slow: float

    @property
    def total(self) -> float:
        """Both together, at a middling rate."""
        return self.laying_out + self.tapping


def minutes_for(stations: int, rows: int, taps_per_station: int = 1, *, swept: Sequence[int] = ()) -> Minutes:
    """How long it takes to lay out and tap a panel: common practice, no source.

    Parameters
    ----------
    stations, rows : int
        Of the panel; of a swept row its two known places.
    taps_per_station : int, optional
        Strikes at each; not in swept rows.
    swept : sequence of int, optional
        Strikes of each swept row, its ends among them.

    Returns
    -------
    Minutes
        At 1 tap a second and 10 s a row, after 5 minutes for the tapes and 3 s of chalk a station; brisk is
        1.5 taps a second, slow 0.7. Swept rows are struck 3 times a second, 4 and 2.

    Examples
    --------
    >>> round(minutes_for(90, 13).total)
    13
    >>> round(minutes_for(26, 13, swept=(7,) * 13).total)
    9
    """
    layout_s = _TAPES_S + _CHALK_S * stations
    strikes = (stations - 2 * len(swept)) * taps_per_station
    slow, middle, brisk = (
        strikes / rate + sum(swept) / sweep + _ROW_S * rows
        for rate, sweep in zip(_TAPS_PER_S, _SWEPT_PER_S, strict=True)
    )
    return Minutes(layout_s / 60, middle / 60, (layout_s + brisk) / 60, (layout_s + slow) / 60)


@dataclass(frozen=True, slots=True)
class Laid:
    """A grid on a panel, or on a plain area: how many stations and rows, and where it is struck.

    ``swept``: name of each swept row → strikes in it where they fall no further apart than the spacing; only
    its two ends count among the stations. ``unswept``: rows the panel names that this grid cannot sweep.
    """

    stations: int
    rows: int
    taps_per_station: int
    area_m2: float
    xy_m: tuple[tuple[float, float], ...] = ()
    tapped: BaseGeometry | None = None
    swept: Mapping[str, int] = field(default_factory=dict)
    unswept: tuple[str, ...] = ()

    def within_reach(self, patch_m: float) -> float:
        """Share of the panel on which the middle of a round patch lies within reach of a station.

        Here the edges count: beyond the outermost stations and round a hatch less is touched than inside.
        """
        if self.tapped is None:
            return math.nan
        discs = shapely.buffer(shapely.points(self.xy_m), patch_m / 2, quad_segs=32)
        return float(shapely.union_all(discs).intersection(self.tapped).area / self.area_m2)


def laid(spacing_m: float, grid: str = "square", *, panel: Panel | None = None, area_m2: float = 1.0) -> Laid:
    """Lay a grid over a panel, or count it for an area.

    Parameters
    ----------
    spacing_m : float
        From a station to the next.
    grid : str, optional
        ``square`` or ``staggered``.
    panel : Panel, optional
        With outline, edge margin, cut-outs and path; rows are swept if it has a grid that names them.
    area_m2 : float, optional
        Where there is no panel: of a square field.

    Returns
    -------
    Laid
        With the stations' places where there is a panel.

    Raises
    ------
    SettingError
        Of a spacing, an area or a grid that is none.
    PanelError
        If no station falls inside the panel, or more than 2000 do.

    Examples
    --------
    >>> laid(0.15, area_m2=2.0).stations
    89
    """
    _check(grid, 1.0, spacing_m=spacing_m)
    if panel is None:
        if not 0.001 <= area_m2 <= 10_000:
            raise SettingError(f"area is {area_m2:g} m²", hint="write square metres, 0.001 to 10000")
        rows = math.sqrt(area_m2) / spacing_m / GRIDS[grid][1][1]
        return Laid(max(1, round(area_m2 * per_m2(spacing_m, grid))), max(1, round(rows)), 1, area_m2)
    stations = lay(
        panel.outline,
        spacing_m,
        panel.path or "serpentine rows",
        pattern=grid,
        margin_m=panel.edge_margin_m,
        cutouts=panel.cutouts,
        where=f"{panel.name} every {1000 * spacing_m:.0f} mm",
    )
    whole = tappable(panel.outline, panel.cutouts)
    in_row = {row: len(list(own)) for row, own in groupby(stations, key=lambda station: station.row)}
    wanted = sweeps_of(panel)
    there = replace(panel, stations=stations).row_names
    swept = {n: in_row[there[n]] for n in wanted if n in there and in_row[there[n]] > 1}
    return Laid(
        len(stations) - sum(swept.values()) + 2 * len(swept),
        len(in_row),
        panel.taps_per_station,
        whole.area,
        tuple((station.x_m, station.y_m) for station in stations),
        whole,
        {name: max(strikes, FEWEST) for name, strikes in swept.items()},
        tuple(name for name in wanted if name not in swept),
    )


def sweeps_of(panel: Panel | None) -> tuple[str, ...]:
    """Names of the rows of a panel's grid that are swept; stations in a list have no grid to be laid anew.

    Parameters
    ----------
    panel : Panel or None
        To be tapped.

    Returns
    -------
    tuple of str
        In tapping order.

    Examples
    --------
    >>> sweeps_of(None)
    ()
    """
    if panel is None or not panel.path:
        return ()
    return tuple(name for name, row in panel.row_names.items() if row in panel.swept_rows)


# -- geometry ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Cells:
    """For each direction: the cell nearest to a station, with the ellipse squeezed to a circle.

    Half of the distances to the three pairs of neighbours, and the half angles under which the sides of the
    cell are seen, both of shape (directions, 3); area of the cell.
    """

    half: FloatArray
    angle: FloatArray
    area: float
    weight: FloatArray

    @property
    def corner(self) -> float:
        """Distance of the furthest corner of any cell: a circle that reaches it leaves nothing untouched."""
        return float(np.max(self.half / np.cos(self.angle)))


def _squeezed(grid: str, shape: float, turned_deg: FloatArray) -> _Cells:
    """Squeeze the grid along the long axis, and find the cell."""
    turn = np.radians(turned_deg)
    cos, sin = np.cos(turn), np.sin(turn)
    steps = []
    for x, y in _STEPS[grid]:
        steps.append(np.stack([cos * x + sin * y, (cos * y - sin * x) / shape], axis=-1))
    one, two = steps
    # Selling's way: three vectors that add up to nothing, no two of them at an acute angle, point at the
    # neighbours across the sides of the cell.
    three = -(one + two)
    while True:
        sides = np.stack([one, two, three])
        inner = np.stack([_dot(two, three), _dot(three, one), _dot(one, two)])
        worst = np.argmax(inner, axis=0)
        acute = np.max(inner, axis=0) > 1e-9
        if not acute.any():
            break
        at = np.arange(len(turn))
        first, second = (sides[(worst + k) % 3, at] for k in (1, 2))
        flip = acute[:, None]
        one = np.where(flip, -first, one)
        two = np.where(flip, second, two)
        three = np.where(flip, first - second, three)
    area = float(abs(one[0, 0] * two[0, 1] - one[0, 1] * two[0, 0]))
    half = np.linalg.norm(sides, axis=-1).T / 2
    weight = np.ones(len(turn))
    if len(turn) > 1:  # a turn from one axis of symmetry to the next: the ends count half
        weight[[0, -1]] = 0.5
    return _Cells(half, np.arctan2(np.maximum(-inner, 0.0), area).T, area, weight / weight.sum())


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray((a * b).sum(axis=-1))


@lru_cache(maxsize=64)
def _cells(grid: str, shape: float) -> _Cells:
    """The cells of all directions; a circle has but one."""
    if shape == 1.0:
        return _squeezed(grid, shape, np.zeros(1))
    return _squeezed(grid, shape, np.linspace(0.0, _REPEATS_DEG[grid], _DIRECTIONS))


def _share(cells: _Cells, radius: float) -> float:
    """Share of the cells within a radius of their station, averaged over the directions."""
    reach = np.arccos(np.minimum(cells.half / radius, 1.0))  # beyond this angle the circle ends first
    straight = np.minimum(reach, cells.angle)
    within = 0.5 * cells.half**2 * np.tan(straight) + 0.5 * radius**2 * (cells.angle - straight)
    # Each of the three pairs of sides is four right-angled triangles.
    return float(min(1.0, (4 * within.sum(axis=1) / cells.area) @ cells.weight))


@lru_cache(maxsize=256)
def _radius(grid: str, shape: float, chance: float) -> float:
    """Half the long axis, in spacings, that is touched with a chance."""
    cells = _cells(grid, shape)
    if chance >= 1.0:
        return cells.corner
    low, high = 0.0, cells.corner
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if _share(cells, middle) < chance else (low, middle)
    return high


def _check(grid: str, shape: float, *, chance: float = 1.0, **lengths_m: float) -> None:
    """Refuse what is no grid, shape, chance or length."""
    if grid not in _STEPS:
        raise SettingError(f"grid {grid!r} is not known", hint=f"write {' or '.join(GRIDS)}")
    if not _THINNEST <= shape <= 1:
        raise SettingError(f"shape is {shape:g}", hint=f"write short axis over long axis, {_THINNEST:g} to 1")
    if not 0 < chance <= 1:
        raise SettingError(f"chance is {chance:g}", hint="write a number above 0 up to 1, such as 0.95")
    for name, length_m in lengths_m.items():
        if not 0.001 <= length_m <= 200:
            what = name.removesuffix("_m")
            raise SettingError(
                f"{what} is {length_m:g} m", hint="write metres, 0.001 to 200 (0.1 for 100 mm)"
            )
