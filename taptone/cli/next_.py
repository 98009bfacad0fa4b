"""``taptone next``: the fewest taps that close the outline of a suspect area, or halve what is in doubt."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from taptone.cli.common import as_written, finite, paths, say, size_in_words, units_shown

if TYPE_CHECKING:
    from taptone.edges.furthering import Known
    from taptone.pipeline.further import Closing, Further

__all__ = ["next_"]


@click.command("next")
@click.argument("logs", nargs=-1, required=True, callback=paths, metavar="LOG_OR_SURVEY…")
@click.option("--panel", default="", metavar="NAME", help="Only this panel.")
@click.option(
    "--edge",
    "edge_m",
    type=click.FloatRange(0.0, 1.0),
    callback=finite,
    default=0.0,
    show_default="twice the error of aim",
    metavar="METRES",
    help="The edge is known where a suspect and a good station stand no further apart than this.",
)
@click.option("--json", "as_json", is_flag=True, help="Print it for a program.")
def next_(logs: tuple[str, ...], panel: str, edge_m: float, as_json: bool) -> None:
    """Say where to tap next, so that the outline of each suspect area closes with the fewest taps.

    LOG_OR_SURVEY is the log.json of an analysis, its folder, or the folder of a survey; several are put
    together, the earlier first. Tap the places that are named, analyse them with a panel file that lists
    them, and ask again with both logs, until the outline is closed.
    """
    from taptone.edges.furthering import closings, known_so_far

    found = [(known, closings(known, edge_m)) for known in known_so_far(logs, panel)]
    if as_json:
        import json

        rows = [{"panel": known.panel.name, "areas": [_row(c) for c in closed]} for known, closed in found]
        click.echo(json.dumps({"panels": rows}, ensure_ascii=False, indent=1))
        return
    units = units_shown()
    for known, closed in found:
        as_written(known.panel)
        _say(known, closed, units)
        _say_unassessed(known)


def _say(known: Known, closed: tuple[Closing, ...], units: str) -> None:
    from taptone.errors import printable
    from taptone.pipeline.judging import ALONE
    from taptone.survey.lengths import as_area

    if not closed:
        click.echo(printable(f"panel {known.panel.name}: no suspect area, no outline to close"))
        if ALONE in str(known.last.body.get("relative_to", "")):
            click.echo("  it was compared with itself only: a fault under all of it would not show")
    for one in closed:
        area = one.area
        say(f"panel {known.panel.name}, area {' '.join(area.stations)}: {area.place}")
        least = size_in_words(area.at_least, area.at_least_m2, units)
        guess, most, doubt = (
            as_area(m2, units) for m2 in (area.best_guess_m2, area.at_most_m2, area.doubt_m2)
        )
        click.echo(
            f"  at least {least}, best guess {guess}, at most {most}; {doubt} in doubt between "
            "suspect and good stations"
        )
        for side in area.open:
            say(f"  open: {side}")
        for side in area.at_edge:
            click.echo(f"  it may reach the panel's edge on the {side}")
        for tap in one.taps:
            say(f"  tap {_line(tap, units)}")
        if one.closed:
            click.echo(f"  {_closed(one, units)}")
        for tap in one.then:
            say(f"  {'now' if one.closed else 'then'} {_line(tap, units)}")


def _say_unassessed(known: Known) -> None:
    """Name what has no verdict: a person who closes outlines must not take the rest of the panel for good."""
    named = [s.label for s, v in zip(known.stations, known.verdicts, strict=True) if v == "not assessed"]
    if named:
        say(f"panel {known.panel.name}, not assessed (the log says why), outlined nowhere: {' '.join(named)}")


def _closed(one: Closing, units: str) -> str:
    from taptone.survey.lengths import as_length

    if one.area.open or one.known_to_m != one.known_to_m:
        return "no tap would close it: what lies beyond is structure, or off the panel"
    return f"closed: suspect and good stations stand no more than {as_length(one.known_to_m, units)} apart"


def _line(tap: Further, units: str) -> str:
    from taptone.survey.lengths import as_length

    x, y = (
        as_length(place_m, units) if units == "ft-in" else f"{place_m:.3f} m"
        for place_m in (tap.x_m, tap.y_m)
    )
    return f"{tap.label}  x {x}, y {y}: {tap.why}"


def _row(one: Closing) -> dict[str, Any]:
    area = one.area
    return {
        "stations": list(area.stations),
        "place": area.place,
        "closed": one.closed,
        "open": list(area.open),
        "at_edge": list(area.at_edge),
        "known_to_m": round(one.known_to_m, 4) if one.known_to_m == one.known_to_m else None,
        **{
            name: round(getattr(area, name), 4)
            for name in ("at_least_m2", "best_guess_m2", "at_most_m2", "doubt_m2")
        },
        "taps": [_tap(tap) for tap in one.taps],
        "then": [_tap(tap) for tap in one.then],
    }


def _tap(tap: Further) -> dict[str, Any]:
    return {
        "label": tap.label,
        "x_m": round(tap.x_m, 4),
        "y_m": round(tap.y_m, 4),
        "kind": tap.kind,
        "why": tap.why,
    }
