"""Where the stations of a grid lie, in which order they are tapped, and which refine it.

Labels are the row's letters and the column's number (A1, B12; after Z: AA). At half the spacing, ``B3a`` is
half-way to the next column, ``B3b`` half-way to the next row, ``B3c`` both.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from itertools import groupby

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from taptone.errors import PanelError
from taptone.types import CutOut, Panel, Station

__all__ = ["MOST_STATIONS", "TOUCH_M", "lay", "refined", "tappable"]

MOST_STATIONS = 2000
TOUCH_M = 1e-6  # what counts as on a line: far below what a tape can measure

_ROWS_APART = {"square": 1.0, "staggered": math.sqrt(0.75)}  # in spacings
_LABEL = re.compile(r"([A-Z]{1,3})([1-9]\d{0,4})")
_NEAR = 0.75  # spacings: the eight half-way stations of a square grid, the six of a staggered one


def tappable(
    outline: Sequence[Sequence[float]], cutouts: Sequence[CutOut] = (), margin_m: float = 0.0
) -> BaseGeometry:
    """Return what can be tapped: the outline without its holes, and without a margin along every edge.

    Parameters
    ----------
    outline : sequence of points
        Of the panel, in metres.
    cutouts : sequence of CutOut, optional
        Where nothing is tapped.
    margin_m : float, optional
        How far from every edge a station has to stay.

    Returns
    -------
    BaseGeometry
        Stations on its edge count as inside.

    Examples
    --------
    >>> hatch = CutOut(((0, 0), (0.5, 0), (0.5, 0.5), (0, 0.5)), "hatch")
    >>> tappable([(0, 0), (1, 0), (1, 1), (0, 1)], [hatch]).area
    0.75
    """
    holes = shapely.union_all([shapely.Polygon(hole.outline) for hole in cutouts])
    left: BaseGeometry = shapely.Polygon(outline).difference(holes)
    return left.buffer(-margin_m, join_style="mitre") if margin_m else left


def lay(
    outline: Sequence[Sequence[float]],
    spacing_m: float,
    path: str,
    *,
    pattern: str = "square",
    margin_m: float = 0.0,
    cutouts: Sequence[CutOut] = (),
    where: str = "grid, spacing",
) -> tuple[Station, ...]:
    """Lay a grid over an outline and put it into tapping order.

    The first station stands half a step inside the lower left corner of the outline's bounding box. In a
    staggered grid the rows B, D … are moved by half a spacing and the rows stand 0.87 spacings apart.

    Parameters
    ----------
    outline : sequence of points
        Of the panel, in metres.
    spacing_m : float
        From a station to the next.
    path : str
        ``rows``, ``serpentine rows``, ``columns`` or ``serpentine columns``.
    pattern : str, optional
        ``square`` or ``staggered``.
    margin_m : float, optional
        How far from every edge a station has to stay; those nearer are left out, the others keep labels.
    cutouts : sequence of CutOut, optional
        Where nothing is tapped.
    where : str, optional
        What a message is to name.

    Returns
    -------
    tuple of Station
        In tapping order.

    Raises
    ------
    PanelError
        If no station falls inside, or more than 2000 do.

    Examples
    --------
    >>> square = [(0, 0), (0.3, 0), (0.3, 0.3), (0, 0.3)]
    >>> [station.label for station in lay(square, 0.15, "serpentine rows")]
    ['A1', 'A2', 'B2', 'B1']
    >>> [(s.label, s.x_m) for s in lay(square, 0.15, "rows", pattern="staggered")]
    [('A1', 0.075), ('A2', 0.225), ('B1', 0.15), ('B2', 0.3)]
    """
    inside = tappable(outline, cutouts, margin_m).buffer(TOUCH_M)
    left, low, right, high = shapely.Polygon(outline).bounds
    apart_m = spacing_m * _ROWS_APART[pattern]
    across, up = (right - left) / spacing_m + 0.5 + TOUCH_M, (high - low) / apart_m + 0.5 + TOUCH_M
    if across * up > 500 * MOST_STATIONS:
        raise _too_many(where)
    row, column = (index.ravel() for index in np.mgrid[: int(up), : int(across)])
    shift = (0.5 * (row % 2)) if pattern == "staggered" else 0.0
    x, y = left + (column + 0.5 + shift) * spacing_m, low + (row + 0.5) * apart_m
    kept = shapely.intersects_xy(inside, x, y)
    row, column, x, y = row[kept], column[kept], x[kept], y[kept]
    if not len(row):
        raise PanelError(
            f"{where}: no station of the grid falls inside the outline",
            hint="lessen spacing",
            at=("grid", "spacing"),
        )
    if len(row) > MOST_STATIONS:
        raise _too_many(where)

    line, along = (row, column) if path.endswith("rows") else (column, row)
    stations: list[Station] = []
    for tapped, k in enumerate(np.unique(line)):
        here = np.flatnonzero(line == k)
        here = here[np.argsort(along[here])]
        if path.startswith("serpentine") and tapped % 2:
            here = here[::-1]
        for i in here:
            label = f"{_letters(row[i])}{column[i] + 1}"
            stations.append(Station(label, round(float(x[i]), 6), round(float(y[i]), 6), tapped))
    return tuple(stations)


def refined(panel: Panel, labels: Sequence[str]) -> tuple[Station, ...]:
    """Return the stations at half the spacing round some of a panel, in tapping order.

    Eight round each station of a square grid, six of a staggered one, as far as they can be tapped and have a
    label: half-way stations before row A or column 1 have none. All whose labels share letters are one row:
    there along the row, and back between it and the next.

    Parameters
    ----------
    panel : Panel
        With a grid.
    labels : sequence of str
        Its stations to be refined.

    Returns
    -------
    tuple of Station
        Without the given ones.

    Raises
    ------
    PanelError
        If the panel has no grid, has no such station, or nothing round it can be tapped.

    Examples
    --------
    >>> square = ((0, 0), (0.45, 0), (0.45, 0.45), (0, 0.45))
    >>> stations = lay(square, 0.15, "rows")
    >>> deck = Panel("deck", "centre", "outside", "solid", "stem", square, stations, spacing_m=0.15)
    >>> [station.label for station in refined(deck, ["B2"])]
    ['A1c', 'A2b', 'A2c', 'B1a', 'B2a', 'B2c', 'B2b', 'B1c']
    """
    if math.isnan(panel.spacing_m):
        raise PanelError(f"{panel.name} has no grid to refine", hint="give the panel file that has [grid]")
    known = {station.label: station for station in panel.stations}
    left, low, _, _ = shapely.Polygon(panel.outline).bounds
    step, up = panel.spacing_m, panel.spacing_m * _ROWS_APART[panel.pattern]
    inside = tappable(panel.outline, panel.cutouts, panel.edge_margin_m).buffer(TOUCH_M)
    found: dict[tuple[int, int, int, int], Station] = {}
    for label in dict.fromkeys(labels):
        station, parts = known.get(label), _LABEL.fullmatch(label)
        if station is None or parts is None:
            raise PanelError(f"{panel.name} has no station {label}", hint=_range_of(panel))
        row0, column0 = _row(parts[1]), int(parts[2]) - 1
        for row in range(max(row0 - 1, 0), row0 + 1):
            for column in range(max(column0 - 1, 0), column0 + 2):
                for half, (right, above) in enumerate(((1, 0), (0, 1), (1, 1))):
                    shift = 0.0
                    if panel.pattern == "staggered":  # the next row is moved one way or back again
                        shift = 0.25 if above else 0.5 * (row % 2)
                    x = left + (column + 0.5 + shift + 0.5 * right) * step
                    y = low + (row + 0.5 + 0.5 * above) * up
                    near = math.hypot(x - station.x_m, y - station.y_m) < _NEAR * step
                    if near and shapely.intersects_xy(inside, x, y):
                        name = f"{_letters(row)}{column + 1}{'abc'[half]}"
                        key = (row, above, column, right)
                        found[key] = Station(name, round(x, 6), round(y, 6))
    if not found:
        raise PanelError(
            f"{panel.name}: nothing round {' '.join(labels)} can be tapped", hint=_range_of(panel)
        )
    stations: list[Station] = []
    for tapped, (_, keys) in enumerate(groupby(sorted(found), key=lambda key: key[0])):
        here = list(keys)
        there, back = ([k for k in here if k[1] == above] for above in (0, 1))
        for key in [*there, *(reversed(back) if there else back)]:
            s = found[key]
            stations.append(Station(s.label, s.x_m, s.y_m, tapped))
    return tuple(stations)


def _range_of(panel: Panel) -> str:
    """Say which labels there are."""
    return f"its stations go from {panel.stations[0].label} to {panel.stations[-1].label}"


def _too_many(where: str) -> PanelError:
    return PanelError(
        f"{where} gives more than {MOST_STATIONS} stations",
        hint="cut the panel into several, or tap more widely",
        at=("grid", "spacing"),
    )


def _letters(row: int) -> str:
    """Return the letters of a row: A for 0, Z for 25, AA for 26."""
    letters, row = "", int(row) + 1
    while row:
        row, last = divmod(row - 1, 26)
        letters = chr(ord("A") + last) + letters
    return letters


def _row(letters: str) -> int:
    """Return the row of some letters: the other way round."""
    row = 0
    for letter in letters:
        row = 26 * row + ord(letter) - ord("A") + 1
    return row - 1
