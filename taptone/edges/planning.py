"""A grid in numbers and in words: what it touches, what it cannot, how long it takes, what could be heard."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from taptone.edges.hearable import hearable
from taptone.errors import SettingError
from taptone.pipeline.sweep import RATES_HZ
from taptone.survey import plan
from taptone.survey.lengths import FOOT_M, INCH_M, as_area, as_length, in_units
from taptone.types import Panel

__all__ = ["in_words", "planned"]

#: Chances that are told of every grid.
_TOLD = (0.5, 0.8, 0.95, 1.0)
_USUAL = 0.95


def planned(
    panel: Panel | None,
    *,
    patch_m: float | None = None,
    chance: float | None = None,
    spacing_m: float | None = None,
    grid: str | None = None,
    shape: float = 1.0,
    area_m2: float = 1.0,
) -> dict[str, Any]:
    """Work out the one of patch, chance and spacing that was not given, and all that follows from them.

    Parameters
    ----------
    panel : Panel or None
        To be tapped; without one, a square metre or `area_m2`.
    patch_m : float, optional
        Diameter, or long axis.
    chance : float, optional
        To touch it; 0.95 where two of the three are missing.
    spacing_m : float, optional
        That of the panel, if neither patch nor spacing are given.
    grid : str, optional
        ``square`` or ``staggered``; that of the panel if not given.
    shape : float, optional
        Short axis over long axis.
    area_m2 : float, optional
        Where there is no panel.

    Returns
    -------
    dict
        As ``taptone plan --json`` prints it.

    Raises
    ------
    SettingError
        Of a measure that is none, or where nothing follows from what was given.
    PanelError
        If no station falls inside the panel, or more than 2000 do.

    Examples
    --------
    >>> planned(None, spacing_m=0.15, chance=1.0)["patch_m"]
    0.212132
    """
    own_m = panel.spacing_m if panel and math.isfinite(panel.spacing_m) else None
    grid = grid or (panel.pattern if panel else "square")
    sweeps = plan.sweeps_of(panel)
    struck = plan.SWEPT.get(grid, grid) if sweeps else grid
    if patch_m is None and spacing_m is None:
        if own_m is None:
            raise SettingError(
                "neither patch nor spacing is given",
                hint="give --patch to get a spacing, or --spacing to see what it can touch",
            )
        spacing_m = own_m
    if spacing_m is None and patch_m is not None:
        spacing_m = plan.spacing_for(patch_m, _USUAL if chance is None else chance, grid=struck, shape=shape)
        chance = _USUAL if chance is None else chance
    elif spacing_m is not None and patch_m is None:
        chance = _USUAL if chance is None else chance
        patch_m = plan.patch_for(spacing_m, chance, grid=struck, shape=shape)
    elif chance is not None:
        raise SettingError("patch, chance and spacing are all given", hint="give two: the third follows")
    assert spacing_m is not None
    assert patch_m is not None
    if chance is None:
        chance = plan.chance_touched(patch_m, spacing_m, grid=struck, shape=shape)

    laid = plan.laid(spacing_m, grid, panel=panel, area_m2=area_m2)
    minutes = plan.minutes_for(
        laid.stations, laid.rows, laid.taps_per_station, swept=tuple(laid.swept.values())
    )
    told: dict[str, Any] = {
        "spacing_m": round(spacing_m, 6),
        "chance": round(chance, 6),
        "stations": laid.stations,
        "minutes": round(minutes.total, 1),
        "patch_m": round(patch_m, 6),
        "shape": shape,
        "grid": grid,
        "touched_m": {
            f"{p:g}": round(plan.patch_for(spacing_m, p, grid=struck, shape=shape), 6) for p in _TOLD
        },
        "can_lie_between_m": round(plan.patch_for(spacing_m, 1.0, grid=struck, shape=shape), 6),
        "panel": panel.name if panel else None,
        "area_m2": round(laid.area_m2, 4),
        "rows": laid.rows,
        "taps_per_station": laid.taps_per_station,
        "swept_rows": list(laid.swept),
        "swept_strikes": sum(laid.swept.values()),
        "minutes_laying_out": round(minutes.laying_out, 1),
        "minutes_tapping": round(minutes.tapping, 1),
        "minutes_from": round(minutes.brisk, 1),
        "minutes_to": round(minutes.slow, 1),
        "minutes_source": "common practice, no source",
        "within_reach": (
            round(laid.within_reach(patch_m), 4) if panel and shape == 1.0 and struck == grid else None
        ),
        "hearable_m": None,
        "hearable_rests_on": [],
        "warnings": [],
    }
    if panel:
        _add_hearable(told, panel)
    else:
        told["warnings"].append(
            "touching is not hearing: with --panel, and [laminate] in its file, it is said from what size "
            "on a loose patch would be heard"
        )
    if laid.unswept:
        told["warnings"].append(
            f"sweep names {', '.join(laid.unswept)}: this grid has no such row of two or more stations, and "
            "the panel file with this spacing would be refused"
        )
    if own_m is not None and abs(own_m - spacing_m) > 1e-6:
        pattern = panel.pattern if panel else grid
        own = plan.chance_touched(
            patch_m, own_m, grid=plan.SWEPT[pattern] if sweeps else pattern, shape=shape
        )
        told["panel_spacing_m"], told["panel_chance"] = own_m, round(own, 6)
    return told


def in_words(told: Mapping[str, Any], units: str = "m") -> list[str]:
    """Put a plan into words.

    Parameters
    ----------
    told : mapping
        From `planned`.
    units : str, optional
        What lengths are shown in: ``m`` or ``ft-in``.

    Returns
    -------
    list of str
        A sentence a line.

    Examples
    --------
    >>> in_words(planned(None, spacing_m=0.15, patch_m=0.1))[0]
    'a square grid every 150 mm touches a round patch, 100 mm across, with a chance of 34.9 %'
    """
    shape = told["shape"]
    what = "round patch" if shape == 1 else f"patch {shape:g} times as wide as long"
    chance = "surely" if told["chance"] >= 1 else f"with a chance of {_percent(told['chance'])}"
    size = f"{as_length(told['patch_m'], units)} {'across' if shape == 1 else 'long'}"
    every = as_length(_on_a_tape(told["spacing_m"], units), units)
    lines = [
        f"a {told['grid']} grid every {every} touches a {what}, {size}, {chance}",
    ]
    if "panel_chance" in told:
        own = "surely" if told["panel_chance"] >= 1 else f"with a chance of {_percent(told['panel_chance'])}"
        lines.append(f"the panel file's own {as_length(told['panel_spacing_m'], units)} would do so {own}")
    area = as_area(told["area_m2"], units) if units == "ft-in" else f"{told['area_m2']:g} m²"
    where = told["panel"] or area
    least, most = math.floor(told["minutes_from"]), math.ceil(told["minutes_to"])
    lines.append(
        f"{where}: {told['stations']} stations in {told['rows']} rows, about {least} to {most} min, "
        f"laying out among them ({told['minutes_source']})"
    )
    if told["swept_rows"]:
        lines.append(_sweep(told, units))
    sizes = ", ".join(
        f"{as_length(size, units)} {'surely' if float(p) >= 1 else _percent(float(p))}"
        for p, size in told["touched_m"].items()
    )
    between = as_length(told["can_lie_between_m"], units)
    lines += [
        f"touched with a chance of 50, 80, 95 % and surely: {sizes}",
        f"cannot be ruled out between the stations: anything under {between}, and a narrow strip or crack of "
        "any length",
    ]
    if told["within_reach"] is not None and told["within_reach"] < 0.995:
        lines.append(
            f"with its edges counted in, such a patch is touched on {_percent(told['within_reach'])} of this "
            "panel"
        )
    if told["hearable_m"] is not None:
        rests_on = ", ".join(told["hearable_rests_on"])
        lines.append(
            f"a loose patch from about {as_length(told['hearable_m'], units)} across under a station would "
            f"probably be heard in a quiet yard (an estimate for {in_units(rests_on, units)})"
        )
    return lines


def _sweep(told: Mapping[str, Any], units: str) -> str:
    """What sweeping is, and what the figures of the other lines ask of the hand."""
    slow, quick = (as_length(_on_a_tape(told["spacing_m"] * hz, units), units) for hz in RATES_HZ)
    rows = told["swept_rows"]
    return (
        f"swept: {'row' if len(rows) == 1 else 'rows'} {', '.join(rows)}, {RATES_HZ[0]:g} to "
        f"{RATES_HZ[1]:g} strikes a second between two known places, {told['swept_strikes']} strikes or "
        f"more: what is said of patches holds there if the hand goes no faster than {slow} a second at "
        f"{RATES_HZ[0]:g} strikes a second, {quick} at {RATES_HZ[1]:g}; a place between is known to about "
        f"±{as_length(told['spacing_m'] / 2, units)} then, and less well where the hand is uneven"
    )


def _add_hearable(told: dict[str, Any], panel: Panel) -> None:
    """Say what the stated skin lets the stated hammer hear, and warn of a plan that is finer than that."""
    heard = hearable(panel.laminate, panel.hammer)
    told["hearable_rests_on"] = list(heard.rests_on)
    narrow_m = told["patch_m"] * told["shape"]
    if heard.lacking:
        told["warnings"].append(
            f"how small a patch this skin lets a hammer hear is not known: {heard.lacking}"
        )
    elif math.isnan(heard.across_m):
        told["warnings"].append(
            "even a wide loose patch under a station would probably not be noticed through this skin with "
            "this hammer: no grid helps; a heavier or harder hammer, or another method"
        )
    else:
        told["hearable_m"] = heard.across_m
        if narrow_m < heard.across_m:
            what = "patch" if told["shape"] == 1 else "patch's short axis"
            told["warnings"].append(
                f"the {what}, {_mm(narrow_m)}, is smaller than what this skin lets this hammer hear (about "
                f"{_mm(heard.across_m)}): touching it is not hearing it, and a finer grid does not help"
            )


def _on_a_tape(spacing_m: float, units: str) -> float:
    """Down to a mark of the tape: rounded up, the chance would not be reached."""
    mark_m = 0.001
    if units == "ft-in":
        mark_m = INCH_M / 8 if spacing_m < FOOT_M else INCH_M / 4
    return math.floor(spacing_m / mark_m + 1e-3) * mark_m


def _mm(length_m: float) -> str:
    return f"{1000 * length_m:.0f} mm"


def _percent(chance: float) -> str:
    """Never round to what would be certain."""
    shown = f"{100 * chance:.1f}".removesuffix(".0")
    return f"{'over 99.9' if shown == '100' and chance < 1 else shown} %"
