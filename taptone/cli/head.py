"""``taptone head``: the pressure of still sea water at a depth."""

from __future__ import annotations

import math
import re

import click

from taptone.cli.common import finite, shown, units_shown

__all__ = ["head"]

_METRIC_M = {"m": 1.0, "cm": 0.01, "mm": 0.001}
_HINT = "write it as 1.8 m, 180 cm, 5 ft 11 in or 71 in"
_DEEPEST_M = 200.0  # no boat is deeper; millimetres were meant


@click.command(context_settings={"ignore_unknown_options": True})  # so that -1 m is told as a depth
@click.argument("depth", nargs=-1, required=True, metavar="DEPTH UNIT")
@click.option(
    "--density",
    "density_kg_m3",
    type=click.FloatRange(900, 1300),
    callback=finite,
    default=1025.0,
    show_default="sea water, 1025",
    help="Of the water in kg/m³; fresh water has 1000.",
)
def head(depth: tuple[str, ...], density_kg_m3: float) -> None:
    """Give the pressure of still water at a DEPTH, such as 1.8 m or 5 ft 11 in, in kPa and psi."""
    from taptone.survey.head import KPA_A_PSI, head_kpa

    depth_m = _metres(" ".join(depth))
    kpa = head_kpa(depth_m, density_kg_m3)
    water = "sea water" if density_kg_m3 == 1025 else "water"
    feet, inches = divmod(round(depth_m / 0.0254, 1), 12)
    metric, other = f"{depth_m:.3f} m", f"{feet:.0f} ft {inches:.1f} in"
    pressures = f"{kpa:.2f} kPa", f"{kpa / KPA_A_PSI:.3f} psi"
    if units_shown() == "ft-in":  # both are told: the units that are wanted go first
        metric, other, pressures = other, metric, pressures[::-1]
    click.echo(
        f"{metric} ({other}) of {water}, {density_kg_m3:g} kg/m³, at rest:"
        f" {', '.join(pressures)} above the air"
    )


def _metres(text: str) -> float:
    """A depth as written, in metres; a wrong one is a usage error."""
    metric = re.fullmatch(r"([+-]?\d+(?:\.\d+)?)\s*(m|cm|mm)", text.strip(), re.IGNORECASE)
    try:
        if metric:
            depth_m = float(metric[1]) * _METRIC_M[metric[2].lower()]
        else:
            from taptone.survey.lengths import inches_of

            depth_m = inches_of(text) * 0.0254
    except ValueError as error:
        raise click.UsageError(f"{text} is no depth with a unit: {_HINT}.") from error
    if not (math.isfinite(depth_m) and 0 <= depth_m <= _DEEPEST_M):
        raise click.UsageError(f"{text} is no depth {shown(f'from 0 to {_DEEPEST_M:g} m')}: {_HINT}.")
    return depth_m
