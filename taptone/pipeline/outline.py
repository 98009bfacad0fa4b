"""Suspect stations to areas: which belong together, the least and the most that they may cover."""

from __future__ import annotations

import math
from collections.abc import Sequence

from taptone.types import Area, Panel, Station

__all__ = ["outline", "spacing"]

_JOINED = 1.6  # stations nearer than this many spacings belong together: the diagonal counts


def outline(suspects: Sequence[Station], panel: Panel) -> tuple[Area, ...]:
    """Join suspect stations into areas.

    Parameters
    ----------
    suspects : sequence of Station
        Stations whose verdict is ``suspect``.
    panel : Panel
        Its spacing says who belongs together, its outline where the most ends.

    Returns
    -------
    tuple of Area
        ``at_least`` is the hull of the stations (0 m² for one point or a line), ``at_most`` reaches one
        spacing further, within the panel. True extent is usually larger than was tapped.

    Examples
    --------
    >>> square = ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0))
    >>> block = [Station(f"{r}{c}", 0.1 * c, 0.1 * k) for k, r in enumerate("BCD", 2) for c in (3, 4, 5, 6)]
    >>> panel = Panel("deck", "centre", "outside", "cored_foam", "stem", square, tuple(block), spacing_m=0.1)
    >>> [area] = outline(block, panel)
    >>> round(area.at_least_m2, 3), round(area.at_most_m2, 3)
    (0.06, 0.191)
    """
    from shapely import MultiPoint, Polygon

    spacing_m = spacing(panel)
    inside = Polygon(panel.outline)
    areas = []
    for group in _joined(suspects, _JOINED * spacing_m):
        hull = MultiPoint([(s.x_m, s.y_m) for s in group]).convex_hull
        most = hull.buffer(spacing_m, quad_segs=8).intersection(inside)
        areas.append(
            Area(
                tuple(s.label for s in group),
                float(hull.area),
                float(most.area),
                _corners(hull),
                _corners(most),
            )
        )
    return tuple(areas)


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


def _joined(stations: Sequence[Station], within_m: float) -> list[list[Station]]:
    """Groups in which everybody has somebody near, in the order of their first stations."""
    groups: list[list[Station]] = []
    for station in stations:
        touching = [
            g
            for g in groups
            if any(math.dist((station.x_m, station.y_m), (s.x_m, s.y_m)) <= within_m for s in g)
        ]
        merged = [s for g in touching for s in g] + [station]
        groups = [g for g in groups if g not in touching] + [merged]
    order = {s.label: k for k, s in enumerate(stations)}
    return sorted((sorted(g, key=lambda s: order[s.label]) for g in groups), key=lambda g: order[g[0].label])


def _spacing(stations: Sequence[Station]) -> float:
    """Typical distance to the nearest other station."""
    nearest = [
        min((math.dist((a.x_m, a.y_m), (b.x_m, b.y_m)) for b in stations if b is not a), default=0.0)
        for a in stations
    ]
    return sorted(nearest)[len(nearest) // 2] if nearest else 0.0


def _corners(shape: object) -> tuple[tuple[float, float], ...]:
    from shapely.geometry import Polygon

    if isinstance(shape, Polygon):
        return tuple((float(x), float(y)) for x, y in shape.exterior.coords)
    return tuple((float(x), float(y)) for x, y in getattr(shape, "coords", ()))
