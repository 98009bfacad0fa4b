"""Lengths, areas and temperatures as a person reads them: metric, or feet, inches and °F. Files stay metric.

Rounding, for a tape held against a hull: metric to the millimetre below a metre and to the centimetre from
there on; feet and inches to the nearest 1/8 inch below a foot and to the nearest 1/4 inch from there on (half
way: away from zero); areas to 0.001 m² or 0.01 sq ft; the thickness of a skin or core to 0.01 inch; °F to the
degree. An inch is 25.4 mm, exactly (ISO 80000-3; the agreement of 1959).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from functools import cache

__all__ = [
    "FOOT_M",
    "INCH_M",
    "UNITS",
    "as_area",
    "as_extent",
    "as_length",
    "as_temperature",
    "as_thickness",
    "in_units",
    "inches_of",
    "read_area",
    "read_length",
]

#: What lengths can be shown in.
UNITS = ("m", "ft-in")
INCH_M = 0.0254
FOOT_M = 0.3048
_LEAST_MM = 10  # shorter ones in a sentence are of somebody's hammer: its tip, as it is called

_FEET_WRITTEN = "feet and inches as 4' 7 1/2\" or 4 ft 7 in"
_FEET = re.compile(
    r"""(?P<minus>-)?\s*
    (?:(?P<feet>\d{1,6}(?:\.\d{1,6})?)\s*(?:'|′|’|ft\b\.?)[\s-]*)?
    (?:(?P<inches>\d{1,6}(?:\.\d{1,6})?(?!\d*/))?[\s-]*(?P<part>\d{1,3}/[1-9]\d{0,2})?\s*(?:"|″|”|in\b\.?))?""",
    re.VERBOSE,
)
_NUMBER = r"(?P<number>[+-]?(?:\d{1,9}(?:\.\d{1,9})?|\.\d{1,9}))"
_METRIC = re.compile(_NUMBER + r"\s*(?P<unit>mm|cm|m)?")
_AREA = re.compile(
    _NUMBER + r"\s*(?P<unit>m2|m²|sq\.? ?m|cm2|cm²|sq\.? ?cm|ft2|ft²|sq\.? ?ft|in2|in²|sq\.? ?in)?\.?"
)
_SQUARE_M = {"m": 1.0, "cm": 1e-4, "ft": FOOT_M**2, "in": INCH_M**2}
#: What somebody wrote is shown as it was written: a text in quotes, a name of a file.
_QUOTED = r"(?<![\w'])'(?:\\.|[^'\\])*'(?!\w)|\S*\.(?:csv|json|toml|zip|wav)\b"
_MEASURE = re.compile(r"\d\)?\s?(?:mm|m[²³]?|°C)(?!\w)")
_AMOUNT = r"-?\d+(?:\.\d+)?"
_PAIR = rf"(?:(?P<least>{_AMOUNT}) to )?(?P<most>{_AMOUNT})"
#: In a sentence of ours, metres stand after one of these words, or before "along": not in a hammer's name.
_METRES = re.compile(
    rf"(?:(?<=\bis )|(?<=\bto )|(?<=\bof )|(?<=\bfrom )|(?<=\bx )|(?<=\by )|(?<=±)){_PAIR} m(?![²³/\w])"
    rf"|(?<![\d.]){_PAIR.replace('least', 'low').replace('most', 'high')} m(?= (?:along|across) )"
)
_CORNERS = re.compile(rf"\((?P<x>{_AMOUNT}), (?P<y>{_AMOUNT})\) m(?!\w)")
_SIDES = re.compile(rf"(?P<x>{_AMOUNT}) by (?P<y>{_AMOUNT}) m(?!\w)")
_MILLIMETRES = re.compile(
    rf"(?P<of>(?:skin|core)(?: \w+)? |plug, )?(?<![\d.]){_PAIR} mm(?!\w)(?P<skin> skin)?"
)
_SQUARE_METRES = re.compile(rf"(?<![\d.])(?P<most>{_AMOUNT}) m²")
_CELSIUS = re.compile(rf"(?<![\d.])(?P<most>{_AMOUNT}) °C(?P<apart> apart)?")


def as_length(length_m: float, units: str = "m") -> str:
    r"""A length in words, rounded as told at the head of this module.

    Parameters
    ----------
    length_m : float
        In metres.
    units : str, optional
        One of :data:`UNITS`.

    Returns
    -------
    str
        Such as ``250 mm``, ``1.25 m``, ``9 7/8"`` or ``4' 1 1/4"``.

    Examples
    --------
    >>> as_length(0.25), as_length(1.25), as_length(0.25, "ft-in"), as_length(1.25, "ft-in")
    ('250 mm', '1.25 m', '9 7/8"', '4\' 1 1/4"')
    """
    if not math.isfinite(length_m):
        return "not known"
    if units == "ft-in":
        return _feet(length_m)
    millimetres = _nearest(1000 * length_m)
    return f"{millimetres} mm" if abs(millimetres) < 1000 else f"{_nearest(100 * length_m) / 100:.2f} m"


def as_extent(across_m: float, up_m: float, units: str = "m") -> str:
    """How far something reaches in two directions, in words.

    Parameters
    ----------
    across_m, up_m : float
        In metres.
    units : str, optional
        One of :data:`UNITS`.

    Returns
    -------
    str
        Such as ``250 × 100 mm`` or ``9 7/8" × 3 7/8"``.

    Examples
    --------
    >>> as_extent(0.25, 0.1), as_extent(0.25, 0.1, "ft-in")
    ('250 × 100 mm', '9 7/8" × 3 7/8"')
    """
    if units == "ft-in" or not math.isfinite(across_m + up_m):
        return f"{as_length(across_m, units)} × {as_length(up_m, units)}"
    return f"{_nearest(1000 * across_m)} × {_nearest(1000 * up_m)} mm"


def as_area(area_m2: float, units: str = "m") -> str:
    """An area in words, to 0.001 m² or 0.01 sq ft.

    Parameters
    ----------
    area_m2 : float
        In square metres.
    units : str, optional
        One of :data:`UNITS`.

    Returns
    -------
    str
        Such as ``0.050 m²`` or ``0.54 sq ft``.

    Examples
    --------
    >>> as_area(0.05), as_area(0.05, "ft-in")
    ('0.050 m²', '0.54 sq ft')
    """
    if not math.isfinite(area_m2):
        return "not known"
    return f"{area_m2 / FOOT_M**2:.2f} sq ft" if units == "ft-in" else f"{area_m2:.3f} m²"


def as_thickness(thick_mm: float, units: str = "m") -> str:
    """A thickness or a depth in words: an eighth of an inch is too coarse for a skin.

    Parameters
    ----------
    thick_mm : float
        In millimetres.
    units : str, optional
        One of :data:`UNITS`.

    Returns
    -------
    str
        Such as ``3 mm`` or ``0.12"``.

    Examples
    --------
    >>> as_thickness(3.0), as_thickness(3.0, "ft-in")
    ('3 mm', '0.12"')
    """
    return f'{thick_mm / 25.4:.2f}"' if units == "ft-in" else f"{thick_mm:g} mm"


def as_temperature(temp_c: float, units: str = "m") -> str:
    """A temperature in words: °C, or °F beside feet and inches.

    Parameters
    ----------
    temp_c : float
        In degrees Celsius.
    units : str, optional
        One of :data:`UNITS`.

    Returns
    -------
    str
        Such as ``14 °C`` or ``57 °F``.

    Examples
    --------
    >>> as_temperature(14.0), as_temperature(14.0, "ft-in"), as_temperature(-40.0, "ft-in")
    ('14 °C', '57 °F', '-40 °F')
    """
    return f"{_nearest(temp_c * 9 / 5 + 32)} °F" if units == "ft-in" else f"{temp_c:g} °C"


def in_units(sentence: str, units: str = "m", written: Iterable[str] = ()) -> str:
    r"""A sentence of ours, what it measures shown in feet, inches and °F where that is wanted.

    Parameters
    ----------
    sentence : str
        A line of a log, a note, a message: they are always metric. What stands in single quotes is what
        somebody wrote, and stays.
    units : str, optional
        One of :data:`UNITS`.
    written : iterable of str, optional
        Names and words in it that somebody wrote: they stay as well.

    Returns
    -------
    str
        The same, with its lengths, places, areas and temperatures respelt.

    Examples
    --------
    >>> in_units("a loose patch from about 80 to 120 mm across (skin 12 mm)", "ft-in")
    'a loose patch from about 3 1/8" to 4 3/4" across (skin 0.47")'
    >>> in_units("0.65 m along x, 0.60 m along y from the stem", "ft-in")
    '2\' 1 1/2" along x, 1\' 11 1/2" along y from the stem'
    >>> in_units("spacing is '100 mm': write up to 2 m; at 4 °C, over 10 °C apart", "ft-in")
    'spacing is \'100 mm\': write up to 6\' 6 3/4"; at 39 °F, over 18 °F apart'
    >>> in_units("panel strip of 50 mm, every 50 mm", "ft-in", ["strip of 50 mm"])
    'panel strip of 50 mm, every 2"'
    """
    if units != "ft-in":
        return sentence
    parts = _kept(tuple(written)).split(sentence)
    parts[::2] = [_respelt(part) for part in parts[::2]]
    return "".join(parts)


@cache
def _kept(written: tuple[str, ...]) -> re.Pattern[str]:
    """What stays as it is; only a text that names a measure could be mistaken for ours."""
    longest_first = sorted((text for text in written if _MEASURE.search(text)), key=len, reverse=True)
    theirs = [rf"(?<!\w){re.escape(text)}(?!\w)" for text in longest_first]
    return re.compile(f"({'|'.join([*theirs, _QUOTED])})")


def _respelt(text: str) -> str:
    """A piece of a sentence in feet, inches and °F."""

    def span(least: str | None, most: str, spell: Callable[[float], str]) -> str:
        return f"{spell(float(least))} to {spell(float(most))}" if least else spell(float(most))

    def millimetres(found: re.Match[str]) -> str:
        thin = found["of"] or found["skin"]
        if not thin and abs(float(found["most"])) < _LEAST_MM:
            return found[0]
        said = span(
            found["least"],
            found["most"],
            lambda mm: as_thickness(mm, "ft-in") if thin else _feet(mm / 1000),
        )
        return f"{found['of'] or ''}{said}{found['skin'] or ''}"

    def celsius(found: re.Match[str]) -> str:
        if found["apart"]:
            return f"{_nearest(float(found['most']) * 9 / 5)} °F apart"
        return as_temperature(float(found["most"]), "ft-in")

    text = _CORNERS.sub(lambda found: f"({_feet(float(found['x']))}, {_feet(float(found['y']))})", text)
    text = _SIDES.sub(lambda found: f"{_feet(float(found['x']))} by {_feet(float(found['y']))}", text)
    text = _METRES.sub(
        lambda found: span(found["least"] or found["low"], found["most"] or found["high"], _feet), text
    )
    text = _MILLIMETRES.sub(millimetres, text)
    text = _SQUARE_METRES.sub(lambda found: as_area(float(found["most"]), "ft-in"), text)
    return _CELSIUS.sub(celsius, text)


def read_length(text: str, units: str = "m") -> float:
    r"""A length as a person writes it.

    Parameters
    ----------
    text : str
        A number with mm, cm or m, or feet and inches such as ``4' 7 1/2"``, whatever the units are.
    units : str, optional
        One of :data:`UNITS`: what a number by itself is, metres or feet.

    Returns
    -------
    float
        Metres.

    Raises
    ------
    ValueError
        Its text says what to write.

    Examples
    --------
    >>> read_length("100 mm"), read_length("0.1"), read_length("1", "ft-in")
    (0.1, 0.1, 0.3048)
    >>> round(read_length("4' 7 1/2\""), 6)
    1.4097
    """
    found = _METRIC.fullmatch(text.strip())
    if found:
        if not found["unit"] and units == "ft-in":
            return float(found["number"]) * FOOT_M
        return float(found["number"]) / {"mm": 1000, "cm": 100}.get(found["unit"], 1)
    try:
        return inches_of(text) * INCH_M
    except ValueError as error:
        raise ValueError(f"a length as 0.1 m or 100 mm, or {_FEET_WRITTEN}") from error


def read_area(text: str, units: str = "m") -> float:
    """An area as a person writes it.

    Parameters
    ----------
    text : str
        A number with m², cm², sq ft or sq in (also m2, ft2 …).
    units : str, optional
        One of :data:`UNITS`: what a number by itself is, square metres or square feet.

    Returns
    -------
    float
        Square metres.

    Raises
    ------
    ValueError
        Its text says what to write.

    Examples
    --------
    >>> read_area("0.05 m²"), round(read_area("10 sq ft"), 4), round(read_area("1", "ft-in"), 4)
    (0.05, 0.929, 0.0929)
    """
    found = _AREA.fullmatch(text.strip())
    if not found:
        raise ValueError("an area as 0.05 m² (or m2), or 0.5 sq ft")
    unit = found["unit"] or ("ft" if units == "ft-in" else "m")
    return float(found["number"]) * _SQUARE_M[re.sub(r"sq|[. 2²]", "", unit)]


def inches_of(text: str) -> float:
    r"""The inches of ``4' 7 1/2"``, ``4 ft 7 in``, ``7 1/2 in`` or ``4'``.

    Parameters
    ----------
    text : str
        Feet and inches, with a minus before them or not.

    Returns
    -------
    float
        Inches.

    Raises
    ------
    ValueError
        Its text says what to write.

    Examples
    --------
    >>> inches_of("4' 7 1/2\""), inches_of("-3/4 in")
    (55.5, -0.75)
    """
    found = _FEET.fullmatch(text.strip())
    if not found or not (found["feet"] or found["inches"] or found["part"]):
        raise ValueError(_FEET_WRITTEN)
    above, below = (found["part"] or "0/1").split("/")
    inches = 12 * float(found["feet"] or 0) + float(found["inches"] or 0) + int(above) / int(below)
    return -inches if found["minus"] else inches


def _feet(length_m: float) -> str:
    """Feet and inches, with a fraction as a tape has it."""
    inches = abs(length_m) / INCH_M
    eighths = _nearest(8 * inches) if inches < 12 else 2 * _nearest(4 * inches)
    minus = "-" if length_m < 0 and eighths else ""
    feet, eighths = divmod(eighths, 96)
    whole, eighths = divmod(eighths, 8)
    shared = math.gcd(eighths, 8)
    part = f"{eighths // shared}/{8 // shared}" if eighths else ""
    words = " ".join(filter(None, (str(whole) if whole or not part else "", part)))
    return f"{minus}{feet}' {words}\"" if feet else f'{minus}{words}"'


def _nearest(value: float) -> int:
    """The nearest whole number; half way goes away from zero, as a person rounds."""
    return int(math.copysign(math.floor(abs(value) + 0.5 + 1e-9), value))
