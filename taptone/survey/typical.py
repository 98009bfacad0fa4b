"""Panels from a few measures, and any panel as the text of a panel file.

A blade is given by its chords from top to tip, evenly apart, its leading edge taken as straight; a strip of a
hull by its girth and length; a deck by a rectangle with pieces cut out of it. What nobody has stated yet is
left out of the file, so that it stays a caution until somebody states it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence

from taptone.errors import PanelError
from taptone.types import CutOut, Laminate, Panel, Station, Structure

__all__ = ["blade", "rectangle", "strip", "written"]

_LONGEST_M, _SHORTEST_M = 50.0, 0.02
#: Spacings that are usual: rudders, and round a suspect, closer than a hull. From memory.
_CLOSE_M, _COARSE_M = 0.075, 0.15

_Points = tuple[tuple[float, float], ...]


def blade(chords_m: Sequence[float], height_m: float) -> Panel:
    """A rudder, a keel fin or a board: x aft from the leading edge, y up from the tip.

    Parameters
    ----------
    chords_m : sequence of float
        Widths from the top down to the tip, evenly apart; at least two.
    height_m : float
        From the tip to the top.

    Returns
    -------
    Panel
        Without stations: its grid says where they will lie.

    Raises
    ------
    PanelError
        Of a measure that cannot be one.

    Examples
    --------
    >>> blade([0.62, 0.55, 0.40], 1.2).outline
    ((0.0, 0.0), (0.4, 0.0), (0.55, 0.6), (0.62, 1.2), (0.0, 1.2))
    """
    if not 2 <= len(chords_m) <= 100:
        raise PanelError(
            f"chords has {len(chords_m)}", hint="give at least the top's and the tip's: 0.62,0.40"
        )
    _check(height=height_m, **{f"chord {n}": chord for n, chord in enumerate(chords_m, start=1)})
    steps = len(chords_m) - 1
    aft = tuple((float(chord), round(height_m * n / steps, 6)) for n, chord in enumerate(reversed(chords_m)))
    outline = ((0.0, 0.0), *aft, (0.0, float(height_m)))
    return _panel("blade", "port", "leading edge at the tip, x aft, y up", outline, _CLOSE_M)


def strip(girth_m: float, length_m: float) -> Panel:
    """A strip of a hull: x aft, y up along the skin.

    Parameters
    ----------
    girth_m, length_m : float
        Along the skin, upwards and aft.

    Returns
    -------
    Panel
        Without stations: its grid says where they will lie.

    Raises
    ------
    PanelError
        Of a measure that cannot be one.

    Examples
    --------
    >>> strip(1.4, 3.0).outline[2]
    (3.0, 1.4)
    """
    _check(girth=girth_m, length=length_m)
    datum = "forward lower corner, x aft, y up along the skin"
    return _panel("hull strip", "port", datum, _box(0.0, 0.0, length_m, girth_m), _COARSE_M)


def rectangle(width_m: float, height_m: float, cutouts_m: Sequence[Sequence[float]] = ()) -> Panel:
    """A piece of deck or bulkhead with holes in it: x along its width, y along its height.

    Parameters
    ----------
    width_m, height_m : float
        Of the whole.
    cutouts_m : sequence of four float, optional
        x and y of the corner nearest to the datum, width and height of each hole.

    Returns
    -------
    Panel
        Without stations: its grid says where they will lie.

    Raises
    ------
    PanelError
        Of a measure that cannot be one, or a hole outside.

    Examples
    --------
    >>> rectangle(1.2, 0.9, [(0.4, 0.3, 0.4, 0.3)]).cutouts[0].outline[2]
    (0.8, 0.6)
    """
    _check(width=width_m, height=height_m)
    holes = []
    for n, (x, y, across, up) in enumerate(cutouts_m, start=1):
        _check(**{f"width of cut-out {n}": across, f"height of cut-out {n}": up})
        inside = 0 <= x <= width_m and 0 <= y <= height_m
        if not (inside and x + across <= width_m + 1e-9 and y + up <= height_m + 1e-9):
            raise PanelError(
                f"cut-out {n} reaches outside the rectangle of {width_m:g} by {height_m:g} m",
                hint="give x,y,width,height from the datum's corner, in metres",
            )
        holes.append(CutOut(_box(x, y, across, up)))
    datum = "corner x = 0, y = 0; x along the width, y along the height"
    box = _box(0.0, 0.0, width_m, height_m)
    return _panel("rectangle", "centre", datum, box, _COARSE_M, tuple(holes))


def written(panel: Panel, remarks: Sequence[str] = ()) -> str:
    """A panel as the text of a panel file: what was not stated is left out.

    Parameters
    ----------
    panel : Panel
        With a spacing it gets a ``[grid]``, without one its stations are listed.
    remarks : sequence of str, optional
        Lines for the person who opens the file.

    Returns
    -------
    str
        TOML, lengths in metres.

    Examples
    --------
    >>> print(written(strip(1.4, 3.0)).splitlines()[0])
    name = "hull strip"
    """
    lines = [f"# {remark}" for remark in remarks]
    said: list[tuple[str, object]] = [
        ("name", panel.name),
        ("boat", panel.boat),
        ("side", panel.side),
        ("face", panel.face),
        ("construction", panel.construction),
        ("datum", panel.datum),
        ("outline", panel.outline),
        ("hammer", panel.hammer),
        ("recorder", panel.recorder),
        ("surface_temp_c", panel.surface_temp_c),
        ("mirror_of", panel.mirror_of),
        ("opposite_face_of", panel.opposite_face_of),
        ("down", panel.down),
        ("row_marks", panel.row_marks or ""),
        ("mark_every", panel.mark_every or ""),
    ]
    listed = math.isnan(panel.spacing_m)
    if listed:
        said.append(("taps_per_station", panel.taps_per_station))
    lines += _keys(said)
    if panel.conditions:
        lines += ["", "[conditions]", *_keys([(_key(k), v) for k, v in panel.conditions.items()])]
    if not listed:
        grid: list[tuple[str, object]] = [
            ("spacing", panel.spacing_m),
            ("path", panel.path),
            ("pattern", "" if panel.pattern == "square" else panel.pattern),
            ("edge_margin", panel.edge_margin_m or ""),
            ("taps_per_station", panel.taps_per_station),
        ]
        lines += ["", "[grid]", *_keys(grid)]
    if panel.laminate:
        lines += ["", "[laminate]", *_keys(_laminate(panel.laminate))]
    for hole in panel.cutouts:
        lines += ["", "[[cutout]]", *_keys([("kind", hole.kind), ("outline", hole.outline)])]
    for structure in panel.structures:
        lines += ["", "[[structure]]", *_keys(_structure(structure))]
    for station in panel.stations if listed else ():
        lines += ["", "[[station]]", *_keys(_station(station))]
    return "\n".join(lines) + "\n"


def _panel(
    name: str, side: str, datum: str, outline: _Points, spacing_m: float, cutouts: tuple[CutOut, ...] = ()
) -> Panel:
    return Panel(
        name=name,
        side=side,
        face="outside",
        construction="unknown",
        datum=datum,
        outline=outline,
        stations=(),
        spacing_m=spacing_m,
        path="serpentine rows",
        cutouts=cutouts,
    )


def _box(x: float, y: float, across: float, up: float) -> _Points:
    right, high = round(x + across, 6), round(y + up, 6)
    return ((float(x), float(y)), (right, float(y)), (right, high), (float(x), high))


def _check(**measures_m: float) -> None:
    """Refuse what no part of a boat measures."""
    for name, metres in measures_m.items():
        if not _SHORTEST_M <= metres <= _LONGEST_M:
            raise PanelError(
                f"{name} is {metres:g} m",
                hint=f"write metres, {_SHORTEST_M:g} to {_LONGEST_M:g} (0.6 for 600 mm)",
            )


# -- TOML ----------------------------------------------------------------------------------------------


def _keys(said: Sequence[tuple[str, object]]) -> list[str]:
    """Lines of what was said; empty text and nan were not."""
    return [
        f"{key} = {_value(value)}"
        for key, value in said
        if value not in ("", ()) and not (isinstance(value, float) and math.isnan(value))
    ]


def _value(value: object) -> str:
    if isinstance(value, str):  # JSON escapes all that TOML asks for, but for one character
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (tuple, list)):
        return f"[{', '.join(map(_value, value))}]"
    return f"{round(value, 9):.12g}" if isinstance(value, float) else str(value)


def _key(name: str) -> str:
    """A key of somebody's own words."""
    plain = name.isascii() and name.replace("_", "a").replace("-", "a").isalnum()
    return name if plain else _value(name)


def _laminate(laminate: Laminate) -> list[tuple[str, object]]:
    return [
        ("skin_mm", laminate.skin_mm),
        ("core", laminate.core),
        ("core_mm", laminate.core_mm or ""),
        ("skin_modulus_gpa", laminate.skin_modulus_gpa),
        ("core_density_kg_m3", laminate.core_density_kg_m3),
    ]


def _structure(structure: Structure) -> list[tuple[str, object]]:
    return [
        ("kind", structure.kind),
        ("line", structure.line),
        ("width", structure.width_m or ""),
        ("outline", structure.outline),
        ("declared", structure.declared),
        ("evidence", structure.evidence),
        ("declared_after_tapping", structure.declared_after_tapping or ""),
    ]


def _station(station: Station) -> list[tuple[str, object]]:
    role = "" if station.role == "panel" else station.role
    return [("label", station.label), ("x", station.x_m), ("y", station.y_m), ("role", role)]
