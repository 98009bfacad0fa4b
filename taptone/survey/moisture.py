"""Moisture readings: what is known of their meter, what lies behind, whether they rise towards the low end.

A meter's figure is a number on that meter's own scale. It is held against nothing but the level that the
surveyor set for that meter, and against other readings of the same meter, scale and mode. What a reading says
of a place stands beside the sound and is never mixed with it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from taptone.survey.lengths import FOOT_M
from taptone.survey.records import Meter, Reading

if TYPE_CHECKING:
    from taptone.types import Panel

__all__ = [
    "DOWN",
    "METALS",
    "Rise",
    "Taken",
    "height_m",
    "in_words",
    "rise_in_words",
    "rises",
    "taken",
    "with_heights",
]

#: Words for what leads a moisture meter astray when it lies behind the skin: metal by common practice, no
#: source; carbon and foil from memory.
METALS = (
    *("metal", "steel", "iron", "lead", "bronze", "aluminium", "aluminum", "stainless"),
    *("ballast", "keel", "armature", "stock", "tang", "tangs", "chainplate", "carbon", "foil"),
)

#: How a person says which way a panel's axes run downhill.
DOWN = ("x", "-x", "y", "-y")

#: Fewer places cannot bear a 95 % interval: of 4 values the most orderly of the 24 orders still comes up by
#: chance in 2 (8 %), of 5 in 2 of 120.
FEWEST = 5

_NOTHING = ("", "no", "none", "nothing")


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading with its meter's scale, mode and warning level, and the metal behind it; ``""`` if unknown.

    ``warns`` is None where no level was set, or none can be used; ``notes`` say why, one line each.
    """

    reading: Reading
    scale: str
    mode: str
    warning_level: float | None
    warns: bool | None
    metal: str
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Rise:
    """How readings of one meter, scale and mode change along a panel's way down, in scale units a metre.

    ``found`` is ``rise``, ``fall``, ``neither`` (the interval holds 0) or ``too few``, then without numbers.
    """

    meter: str
    scale: str
    mode: str
    n: int
    left_out: int
    found: str
    per_m: float = math.nan
    at_least_per_m: float = math.nan
    at_most_per_m: float = math.nan


def taken(reading: Reading, meters: Sequence[Meter], panel: Panel | None = None) -> Taken:
    """What is known of one reading.

    Parameters
    ----------
    reading : Reading
        As it was noted.
    meters : sequence of Meter
        Those described; of several of one name and mode the last counts.
    panel : Panel or None, optional
        The panel it was taken on, for declared structure of metal within its edges.

    Returns
    -------
    Taken
        Warned about where it has no scale, lies over metal, or its meter is not described.

    Examples
    --------
    >>> meter = Meter(label="K", scale="relative 0 to 999", warning_level=200)
    >>> one = taken(Reading(value=212, meter="K"), [meter])
    >>> one.warns, one.scale, one.notes
    (True, 'relative 0 to 999', ())
    >>> taken(Reading(value=212), []).notes
    ('212 has no scale: a number without one says nothing to anybody else; name the meter, or its scale',)
    """
    meter, notes = _meter(reading, meters)
    scale = reading.scale or (meter.scale if meter else "")
    level = meter.warning_level if meter else None
    if meter and level is not None and not _same(scale, meter.scale):
        notes.append(
            f"{reading.value:g} is on the scale {scale!r}, the level of meter {meter.label} on"
            f" {meter.scale!r}: the level is not used"
            if meter.scale
            else f"meter {meter.label} has a level but no scale: the level is not used; correct its row"
        )
        level = None
    if not scale:
        notes.insert(
            0,
            f"{reading.value:g} has no scale: a number without one says nothing to anybody else;"
            " name the meter, or its scale",
        )
    metal = _metal(reading, panel)
    if metal:
        notes.append(f"{reading.value:g} is unreliable: over {metal}")
    warns = None if level is None else reading.value >= level
    mode = reading.mode or (meter.mode if meter else "")
    return Taken(reading, scale, mode, level, warns, metal, tuple(notes))


def in_words(one: Taken) -> str:
    """A reading as it stands in the log.

    Parameters
    ----------
    one : Taken
        A reading.

    Returns
    -------
    str
        One line, always with what makes it doubtful.

    Examples
    --------
    >>> in_words(taken(Reading(value=212, scale="relative 0 to 999", over="ballast"), []))
    '212 (relative 0 to 999; unreliable: over ballast)'
    """
    said = [one.scale or "no scale stated"]
    if one.reading.meter:
        said.append(f"meter {one.reading.meter}")
    if one.mode:
        said.append(f"mode {one.mode}")
    if one.warning_level is not None:
        side = "at or above" if one.warns else "below"
        said.append(f"{side} the {one.warning_level:g} set for this meter")
    if one.metal:
        said.append(f"unreliable: over {one.metal}")
    if one.reading.note:
        said.append(one.reading.note)
    return f"{one.reading.value:g} ({'; '.join(said)})"


def height_m(down: str, x_m: float, y_m: float) -> float:
    """Height of a point along the axis that a person said to run downhill.

    Parameters
    ----------
    down : str
        One of :data:`DOWN`: the way down is along ``x``, or against it: ``-x``.
    x_m, y_m : float
        The point, in metres.

    Returns
    -------
    float
        In metres along the skin, larger is higher; its zero means nothing.

    Examples
    --------
    >>> height_m("-y", 0.3, 0.9), height_m("x", 0.3, 0.9)
    (0.9, -0.3)
    """
    along = x_m if down.endswith("x") else y_m
    return along if down.startswith("-") else -along


def with_heights(readings: Sequence[Taken], panel: Panel, down: str) -> list[tuple[Taken, float]]:
    """Readings of a panel with their heights along its way down.

    Parameters
    ----------
    readings : sequence of Taken
        Those of other panels are left out.
    panel : Panel
        Its stations say where a reading was taken, if the reading does not itself.
    down : str
        One of :data:`DOWN`.

    Returns
    -------
    list of (Taken, float)
        Heights in metres; ``nan`` where nobody said where it was taken.

    Examples
    --------
    >>> from taptone.types import Panel, Station
    >>> blade = Panel("blade", "port", "outside", "solid", "tip", (), (Station("A1", 0.1, 0.4),))
    >>> [(_, height)] = with_heights([taken(Reading(value=8, panel="blade", station="A1"), [])], blade, "-y")
    >>> height
    0.4
    """
    out = []
    for one in readings:
        if one.reading.panel == panel.name:
            at = _where(one.reading, panel)
            out.append((one, height_m(down, *at) if at else math.nan))
    return out


def rises(
    readings: Sequence[tuple[Taken, float]], *, level: float = 0.95, fewest: int = FEWEST
) -> tuple[Rise, ...]:
    """Whether readings rise towards the lowest point, each meter, scale and mode by itself.

    The slope is the median of those of all pairs of places (Theil 1950; Sen 1968, J. Amer. Statist. Assoc.
    63, 1379), its interval Sen's: readings are taken as independent of each other, and one odd one does no
    harm. Readings without a scale or over metal are left out; several at one height of one station count as
    their median.

    Parameters
    ----------
    readings : sequence of (Taken, float)
        Of one panel; each with its height in metres, ``nan`` where it has no place.
    level : float, optional
        Of the interval.
    fewest : int, optional
        Places below which nothing is computed; they must lie on at least 3 heights.

    Returns
    -------
    tuple of Rise
        One for each meter, scale and mode, in the order in which they were first used.

    Examples
    --------
    >>> row = [taken(Reading(value=v, scale="relative", station=f"A{v}"), []) for v in (10, 20, 30, 40, 90)]
    >>> [one] = rises([(t, -0.1 * n) for n, t in enumerate(row)])
    >>> one.found, one.n, round(one.per_m)
    ('rise', 5, 100)
    """
    groups: dict[tuple[str, str, str], list[tuple[Taken, float]]] = {}
    for one, height in readings:
        if one.scale:
            key = (_plain(one.reading.meter), _plain(one.scale), _plain(one.mode))
            groups.setdefault(key, []).append((one, height))
    return tuple(_rise(group, level, fewest) for group in groups.values())


def rise_in_words(rise: Rise, units: str = "m") -> str:
    """A rise as it is shown: with its number of places, and what it is not.

    Parameters
    ----------
    rise : Rise
        Of one meter, scale and mode.
    units : str, optional
        ``m``, or ``ft-in`` for so much a foot.

    Returns
    -------
    str
        One line.

    Examples
    --------
    >>> rise_in_words(Rise("K", "relative", "", 7, 0, "rise", 40.0, 37.1, 43.8))
    'meter K, relative: readings rise towards the lowest point by 40 a metre (95 % interval 37.1 to 43.8,
    n = 7 places): a rise of readings, not a finding of water'
    """
    what = ", ".join(f"{name}{text}" for name, text in _named(rise) if text)
    left = f"; {rise.left_out} left out: over metal, or without a place" if rise.left_out else ""
    if rise.found == "too few":
        return (
            f"{what}: n = {rise.n} places: too few to say whether readings rise towards the lowest point"
            f" ({FEWEST} on 3 heights are needed){left}"
        )
    each_m, each = (FOOT_M, "foot") if units == "ft-in" else (1.0, "metre")
    middle, low, high = (each_m * v for v in (rise.per_m, rise.at_least_per_m, rise.at_most_per_m))
    if rise.found == "fall":  # the word says which way
        middle, low, high = -middle, -high, -low
    numbers = f"{middle:.4g} a {each} (95 % interval {low:.3g} to {high:.3g}, n = {rise.n} places{left})"
    if rise.found == "neither":
        return f"{what}: neither a rise nor a fall of readings towards the lowest point is sure: {numbers}"
    return (
        f"{what}: readings {rise.found} towards the lowest point by {numbers}:"
        f" a {rise.found} of readings, not a finding of water"
    )


def _named(rise: Rise) -> tuple[tuple[str, str], ...]:
    return ("meter ", rise.meter), ("", rise.scale), ("mode ", rise.mode)


def _rise(group: Sequence[tuple[Taken, float]], level: float, fewest: int) -> Rise:
    import numpy as np
    from scipy.stats import theilslopes

    first = group[0][0]
    used: dict[tuple[str, str, float], list[float]] = {}
    for one, height in group:
        if not one.metal and math.isfinite(height):
            place = (one.reading.station, one.reading.place, height)
            used.setdefault(place, []).append(one.reading.value)
    left_out = len(group) - sum(map(len, used.values()))
    named = (first.reading.meter, first.scale, first.mode, len(used), left_out)
    drop_m = np.array([-height for _, _, height in used])
    if len(used) < fewest or len(set(np.round(drop_m, 3))) < 3:
        return Rise(*named, "too few")
    slope = theilslopes([float(np.median(values)) for values in used.values()], drop_m, level)
    low, high = float(slope.low_slope), float(slope.high_slope)
    found = "rise" if low > 0 else "fall" if high < 0 else "neither"
    return Rise(*named, found, float(slope.slope), low, high)


def _meter(reading: Reading, meters: Sequence[Meter]) -> tuple[Meter | None, list[str]]:
    """The meter that was used, if it can be told; else why not."""
    if not reading.meter:
        return None, []
    named = [meter for meter in meters if _same(meter.label, reading.meter)]
    if not named:
        return None, [
            f"{reading.value:g}: meter {reading.meter} is not described: taptone add meter, with its scale"
        ]
    fitting = [m for m in named if not (m.mode and reading.mode) or _same(m.mode, reading.mode)]
    if len({_plain(m.mode) for m in fitting}) > 1:
        exact = [m for m in fitting if _same(m.mode, reading.mode)]
        if not exact or not reading.mode:
            return None, [f"{reading.value:g}: meter {reading.meter} has several modes: say which was set"]
        fitting = exact
    if not fitting:
        return None, [
            f"{reading.value:g}: meter {reading.meter} is not described in mode {reading.mode}:"
            " taptone add meter"
        ]
    return fitting[-1], []


def _metal(reading: Reading, panel: Panel | None) -> str:
    """What metal the surveyor named behind a reading, or a declared structure of it that lies there."""
    if reading.over.casefold() not in _NOTHING:
        return reading.over
    if panel is None:
        return ""
    at = _where(reading, panel)
    if at is None:
        return ""
    import dataclasses

    from taptone.survey.panel import on_structure

    metal = tuple(s for s in panel.structures if set(re.findall(r"\w+", s.kind.casefold())) & set(METALS))
    there = on_structure(dataclasses.replace(panel, structures=metal), *at)
    return f"{there.kind} (declared structure)" if there else ""


def _where(reading: Reading, panel: Panel) -> tuple[float, float] | None:
    for station in panel.stations:
        if reading.station and station.label == reading.station:
            return station.x_m, station.y_m
    if reading.x_m is None or reading.y_m is None:
        return None
    return reading.x_m, reading.y_m


def _same(one: str, other: str) -> bool:
    return _plain(one) == _plain(other)


def _plain(text: str) -> str:
    return " ".join(text.casefold().split())
