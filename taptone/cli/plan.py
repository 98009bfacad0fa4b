"""``taptone plan``: what a grid can touch, how long it takes, and the files a panel begins with."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import click

from taptone.cli.common import a_path, tell

if TYPE_CHECKING:
    from taptone.types import Panel

#: Chances that are told of every grid.
_TOLD = (0.5, 0.8, 0.95, 1.0)
_USUAL = 0.95


@click.command()
@click.option("--patch", "patch_m", type=float, metavar="M", help="Patch to be touched: its long axis.")
@click.option("--chance", type=float, metavar="P", help=f"Wanted chance to touch it, 0 to 1 ({_USUAL:g}).")
@click.option(
    "--spacing", "spacing_m", type=float, metavar="M", help="Spacing; else the widest that will do."
)
@click.option("--grid", type=click.Choice(["square", "staggered"]), help="Pattern (square, or the panel's).")
@click.option("--shape", type=float, default=1.0, metavar="S", help="Patch: short axis over long axis (1).")
@click.option("--area", "area_m2", type=float, metavar="M2", help="Area to be tapped, without a panel (1).")
@click.option("--panel", "file", type=click.Path(), callback=a_path, metavar="FILE", help="Panel file.")
@click.option("--json", "as_json", is_flag=True, help="As JSON, for a program.")
def plan(
    patch_m: float | None,
    chance: float | None,
    spacing_m: float | None,
    grid: str | None,
    shape: float,
    area_m2: float | None,
    file: str | None,
    as_json: bool,
) -> None:
    """Plan a grid: spacing, stations and minutes for a wanted chance to touch a patch.

    Give --patch (and --chance) to get a spacing, --spacing to see what it can and cannot touch, both to get
    the chance. Lengths in metres.
    """
    from taptone.edges.textfiles import load_panel

    panel = load_panel(file) if file else None
    told = _told(panel, patch_m, chance, spacing_m, grid, shape, area_m2)
    if as_json:
        import json

        click.echo(json.dumps(told, ensure_ascii=False, indent=1))
        return
    for line in _lines(told):
        click.echo(line)
    for line in told["warnings"]:
        tell(f"caution: {line}")


def _told(
    panel: Panel | None,
    patch_m: float | None,
    chance: float | None,
    spacing_m: float | None,
    grid: str | None,
    shape: float,
    area_m2: float | None,
) -> dict[str, Any]:
    """Work out the one of patch, chance and spacing that was not given, and all that follows."""
    from taptone.survey import plan as planning

    if panel and area_m2 is not None:
        raise click.UsageError("--area goes without --panel: a panel has its own.")
    own_m = panel.spacing_m if panel and math.isfinite(panel.spacing_m) else None
    grid = grid or (panel.pattern if panel else "square")
    if patch_m is None and spacing_m is None:
        if own_m is None:
            raise click.UsageError("Give --patch to get a spacing, or --spacing to see what it can touch.")
        spacing_m = own_m
    if spacing_m is None and patch_m is not None:
        spacing_m = planning.spacing_for(
            patch_m, _USUAL if chance is None else chance, grid=grid, shape=shape
        )
        chance = _USUAL if chance is None else chance
    elif spacing_m is not None and patch_m is None:
        chance = _USUAL if chance is None else chance
        patch_m = planning.patch_for(spacing_m, chance, grid=grid, shape=shape)
    elif chance is not None:
        raise click.UsageError("Give two of --patch, --chance and --spacing: the third follows.")
    assert spacing_m is not None
    assert patch_m is not None
    if chance is None:
        chance = planning.chance_touched(patch_m, spacing_m, grid=grid, shape=shape)

    laid = planning.laid(spacing_m, grid, panel=panel, area_m2=1.0 if area_m2 is None else area_m2)
    minutes = planning.minutes_for(laid.stations, laid.rows, laid.taps_per_station)
    told: dict[str, Any] = {
        "spacing_m": round(spacing_m, 6),
        "chance": round(chance, 6),
        "stations": laid.stations,
        "minutes": round(minutes.total, 1),
        "patch_m": round(patch_m, 6),
        "shape": shape,
        "grid": grid,
        "touched_m": {
            f"{p:g}": round(planning.patch_for(spacing_m, p, grid=grid, shape=shape), 6) for p in _TOLD
        },
        "can_lie_between_m": round(planning.patch_for(spacing_m, 1.0, grid=grid, shape=shape), 6),
        "panel": panel.name if panel else None,
        "area_m2": round(laid.area_m2, 4),
        "rows": laid.rows,
        "taps_per_station": laid.taps_per_station,
        "minutes_laying_out": round(minutes.laying_out, 1),
        "minutes_tapping": round(minutes.tapping, 1),
        "minutes_from": round(minutes.brisk, 1),
        "minutes_to": round(minutes.slow, 1),
        "minutes_source": "common practice, no source",
        "within_reach": round(laid.within_reach(patch_m), 4) if panel and shape == 1.0 else None,
        "hearable_m": None,
        "hearable_rests_on": [],
        "warnings": [],
    }
    if panel:
        _add_hearable(told, panel)
    if own_m is not None and abs(own_m - spacing_m) > 1e-6:
        own = planning.chance_touched(patch_m, own_m, grid=panel.pattern if panel else grid, shape=shape)
        told["panel_spacing_m"], told["panel_chance"] = own_m, round(own, 6)
    return told


def _add_hearable(told: dict[str, Any], panel: Panel) -> None:
    """Say what the stated skin lets the stated hammer hear, and warn of a plan that is finer than that."""
    from taptone.edges.planning import hearable

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


def _lines(told: dict[str, Any]) -> list[str]:
    """Put the numbers into words."""
    shape = told["shape"]
    what = "round patch" if shape == 1 else f"patch {shape:g} times as wide as long"
    chance = "surely" if told["chance"] >= 1 else f"with a chance of {_percent(told['chance'])}"
    size = f"{_mm(told['patch_m'])} {'across' if shape == 1 else 'long'}"
    tape_mm = math.floor(1000 * told["spacing_m"] + 1e-6)  # rounded up, the chance would not be reached
    lines = [
        f"a {told['grid']} grid every {tape_mm} mm touches a {what}, {size}, {chance}",
    ]
    if "panel_chance" in told:
        lines.append(
            f"the panel file's own {_mm(told['panel_spacing_m'])} would with a chance of "
            f"{_percent(told['panel_chance'])}"
        )
    where = told["panel"] or f"{told['area_m2']:g} m²"
    lines.append(
        f"{where}: {told['stations']} stations in {told['rows']} rows, about {told['minutes']:.0f} min "
        f"({told['minutes_from']:.0f} to {told['minutes_to']:.0f}), laying out among them "
        f"({told['minutes_source']})"
    )
    sizes = ", ".join(
        f"{_mm(size)} {'surely' if float(p) >= 1 else _percent(float(p))}"
        for p, size in told["touched_m"].items()
    )
    lines += [
        f"touched with a chance of 50, 80, 95 % and surely: {sizes}",
        f"cannot be ruled out between the stations: anything under {_mm(told['can_lie_between_m'])}, and a "
        "narrow strip or crack of any length",
    ]
    if told["within_reach"] is not None and told["within_reach"] < 0.995:
        lines.append(
            f"with its edges counted in, such a patch is touched on {_percent(told['within_reach'])} of this "
            "panel"
        )
    if told["hearable_m"] is not None:
        lines.append(
            f"a loose patch from about {_mm(told['hearable_m'])} across under a station would probably be "
            f"heard in a quiet yard (an estimate for {', '.join(told['hearable_rests_on'])})"
        )
    return lines


def _mm(length_m: float) -> str:
    return f"{1000 * length_m:.0f} mm"


def _percent(chance: float) -> str:
    """Never round to what would be certain."""
    shown = f"{100 * chance:.1f}".removesuffix(".0")
    return f"{'over 99.9' if shown == '100' and chance < 1 else shown} %"
