"""``taptone compare``: what changed on a panel since an earlier visit."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from taptone.cli.common import a_name, a_path, as_written, measured, paths, tell, units_shown

if TYPE_CHECKING:
    from taptone.edges.comparing import Compared

__all__ = ["compare"]


@click.command()
@click.argument("earlier", type=click.Path(), callback=a_path, metavar="EARLIER")
@click.argument("later", type=click.Path(), callback=a_path, metavar="LATER")
@click.option("--panel", default="", callback=a_name, help="Of two surveys, compare this panel only.")
@click.option(
    "--repaired",
    multiple=True,
    callback=paths,
    metavar="AREA",
    help="What was repaired since: labels ('B3 B4'), a declared kind of structure, or a panel file with its "
    "outline. Its stations are held against the good ones outside. Several times.",
)
@click.option(
    "--anyway",
    is_flag=True,
    help="Compare although hammer, grid, construction or temperature speak against it; every line says so.",
)
@click.option(
    "--out",
    type=click.Path(),
    callback=a_path,
    default="taptone-changes",
    show_default=True,
    help="Folder for the changes and their map; of several panels, a folder in it for each.",
)
def compare(earlier: str, later: str, panel: str, repaired: tuple[str, ...], anyway: bool, out: str) -> None:
    """Tell what changed on a panel between two visits; write the changes and their map into --out.

    EARLIER and LATER are logs of taptone analyse, or surveys: then the latest log of each panel.
    """
    from taptone.edges.changemap import draw_changes
    from taptone.edges.comparing import compare_logs, same_panels, write_changes
    from taptone.edges.tables import may_write
    from taptone.errors import LogError

    units = units_shown()
    pairs, only = same_panels(earlier, later, panel)
    if repaired and len(pairs) > 1:
        raise click.UsageError("--repaired is of one panel: name it with --panel.")
    may_write(Path(out))
    refused: list[LogError] = []
    for number, (name, one, two) in enumerate(pairs, 1):
        try:
            found = compare_logs(one, two, repaired=repaired, anyway=anyway)
        except LogError as error:
            if len(pairs) == 1:
                raise
            refused.append(error)
            tell(f"not compared: {error}")
            continue
        stem = "-".join("".join(c if c.isalnum() else " " for c in name).split())[:60]
        folder = Path(out) if len(pairs) == 1 else Path(out, f"{number}-{stem}")
        write_changes(found, folder, pictures=draw_changes(found, units))
        _print(found, str(folder), units)
    for line in only:
        tell(f"note: {line}")
    if refused and len(refused) == len(pairs):
        raise LogError("no panel compares", hint="see above")


def _print(found: Compared, out: str, units: str) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from taptone.edges.changemap import counted
    from taptone.errors import printable
    from taptone.pipeline.judge import sureness
    from taptone.survey.change import REPAIRED
    from taptone.survey.lengths import as_area

    as_written(found.panel, found.earlier, found.later)
    console = Console(highlight=False, width=None if Console().is_terminal else 160)
    changed = found.changes
    console.print(f"panel {printable(changed.panel)}: {counted(found)}", markup=False)
    console.print(f"levels matched on {measured(changed.matched_on)}", markup=False)
    rows = [one for one in changed.stations if one.change != "unchanged" or "verdict differs" in one.flags]
    if rows:
        table = Table(title="stations", title_justify="left", show_edge=False)
        for column in ("station", "change", "confidence", "reason"):
            table.add_column(column, no_wrap=column != "reason")
        for one in rows:
            told = one.change not in ("unchanged", "not compared", *REPAIRED[1:])
            sure = sureness(one.confidence) if told else ""
            cells = (one.station, one.change, sure, measured(one.reason))
            table.add_row(*(Text(printable(cell)) for cell in cells))
        console.print(table)
    for area in changed.areas:
        sizes = [
            # one point, or stations in a line, have no area of their own
            f"{when} {f'{as_area(least, units)} to' if least >= 0.0005 else 'up to'} {as_area(most, units)}"
            for when, least, most in (
                ("then", area.earlier_at_least_m2, area.earlier_at_most_m2),
                ("now", area.later_at_least_m2, area.later_at_most_m2),
            )
            if least == least  # none on that visit
        ]
        labels = " ".join(area.later_stations or area.earlier_stations)
        console.print(
            printable(f"area {labels}: {area.change}; {', '.join(sizes)} ({measured(area.reason)})"),
            markup=False,
        )
    for line in (*changed.notes, *found.cautions):
        tell(f"note: {line}")
    console.print(
        "caution: a change is one of sound; no change heard does not mean that nothing has changed. What is "
        "near keel, rudder, stock, chainplates or through-hulls goes to a qualified surveyor or builder",
        markup=False,
    )
    console.print(
        printable(f"written: {out}/changes.csv, changes.json, changes.svg, changes.png"), markup=False
    )
