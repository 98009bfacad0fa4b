"""``taptone status``: what of a survey is planned, done, and not done and why."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from taptone.cli.common import a_path, as_written, measured

if TYPE_CHECKING:
    from taptone.survey.status import PanelStatus

__all__ = ["few", "status"]


@click.command()
@click.argument("survey", type=click.Path(), callback=a_path, default=".", metavar="[DIR]")
def status(survey: str) -> None:
    """Say what is planned and done in the survey in DIR, and what is not and why."""
    from taptone.edges.store import open_store
    from taptone.edges.visiting import said_in, surveyed
    from taptone.errors import printable
    from taptone.survey.records import Boat, Observation, Omission, Plug
    from taptone.survey.status import status as status_of
    from taptone.survey.status import visit_lacks, visit_told

    with open_store(survey) as store:
        boats = store.records(Boat)[-1:]
        held = surveyed(store)
        as_written(said_in(store))
        other = [o for o in store.records(Omission) if not o.panel]
        seen, plugs = len(store.rows(Observation)), len(store.rows(Plug))
    told = visit_told(held.visits)
    named = [boats[0].label if boats else "no boat stated", told.date if told else "no date"]
    lines = [", ".join([*named, told.surveyor] if told and told.surveyor else named)]
    if lacks := visit_lacks(held):
        lines.append(f"open: of the visit not recorded: {', '.join(lacks)}: taptone add visit")
    panels = status_of(held)
    if not panels:
        lines.append("no panel yet: taptone add panel FILE")
    for one in panels:
        lines += _of_panel(one)
    loose = sum(not photo.panel for photo in held.photos)
    lines.append(
        f"on the boat: {_n(seen, 'observation')}, {_n(plugs, 'opening')}, {_n(loose, 'photo')} of no panel"
    )
    for omission in other:
        where = f", {omission.place}" if omission.place else ""
        lines.append(f"not done: {omission.what}{where}, because {omission.because}")
    for line in lines:
        click.echo(printable(line))


def _of_panel(one: PanelStatus) -> list[str]:
    from taptone.survey.status import still_open

    of_these = f" ({one.suspect} suspect, {one.not_assessed} not assessed)" if one.tapped else ""
    lines = [
        f"panel {one.panel}: {_n(one.planned, 'station')} planned, {one.tapped} tapped{of_these},"
        f" {_n(one.recordings, 'recording')}, {_n(one.words, 'own word')},"
        f" {_n(one.readings, 'moisture reading')}, {_n(one.photos, 'photo')}",
        f"  reference: {one.reference or 'none'}; struck again: {_n(one.rechecks, 'recording')}",
    ]
    for stations, reason in one.not_tapped:
        if reason:
            lines.append(f"  not tapped: {few(stations)}, because {reason}")
    for stations, reason in one.unclear:
        lines.append(f"  not assessed: {few(stations)}, because {measured(reason)}")
    if one.no_moisture_because:
        lines.append(f"  moisture not measured, because {one.no_moisture_because}")
    lines += [f"  not done: {what}, because {reason}" for what, reason in one.left_out]
    lines += [f"  {line}" for line in one.earlier]
    lines += [f"  open: {line}" for line in still_open(one)]
    return lines


def _n(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def few(labels: tuple[str, ...]) -> str:
    """Labels in a line: all of a few, the ends of many and their number.

    Parameters
    ----------
    labels : tuple of str
        Of stations.

    Returns
    -------
    str
        Commas between them.

    Examples
    --------
    >>> few(("A1", "A2", "A3", "A4", "A5", "A6", "A7"))
    'A1, A2, A3, A4 … A7 (7)'
    """
    return (
        ", ".join(labels) if len(labels) <= 6 else f"{', '.join(labels[:4])} … {labels[-1]} ({len(labels)})"
    )
