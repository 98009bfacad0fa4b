"""``taptone status``: what of a survey is planned, done, and not done and why."""

from __future__ import annotations

import click

from taptone.cli.common import a_path

__all__ = ["status"]


@click.command()
@click.argument("survey", type=click.Path(), callback=a_path, default=".", metavar="[DIR]")
def status(survey: str) -> None:
    """Say what is planned and done in the survey in DIR, and what is not and why."""
    from taptone.edges.store import open_store
    from taptone.edges.visiting import surveyed
    from taptone.survey.records import Boat, Omission, Visit
    from taptone.survey.status import status as status_of
    from taptone.survey.status import still_open

    with open_store(survey) as store:
        boats, visits = store.records(Boat), store.records(Visit)
        panels = status_of(surveyed(store))
        other = [o for o in store.records(Omission) if not o.panel]
    click.echo(
        f"{boats[-1].label if boats else 'no boat stated'}, {visits[-1].date if visits else 'no date'}"
    )
    if not panels:
        click.echo("no panel yet: taptone add panel FILE")
    for one in panels:
        click.echo(
            f"panel {one.panel}: {one.planned} stations planned, {one.tapped} tapped"
            f" ({one.suspect} suspect, {one.not_assessed} not assessed), {one.recordings} recordings,"
            f" {one.words} own words, {one.readings} moisture readings"
        )
        for stations, reason in one.not_tapped:
            if reason:
                click.echo(f"  not tapped: {_few(stations)}, because {reason}")
        if one.no_moisture_because:
            click.echo(f"  moisture not measured, because {one.no_moisture_because}")
        for line in still_open(one):
            click.echo(f"  open: {line}")
    for omission in other:
        where = f", {omission.place}" if omission.place else ""
        click.echo(f"not done: {omission.what}{where}, because {omission.because}")


def _few(labels: tuple[str, ...]) -> str:
    return (
        ", ".join(labels) if len(labels) <= 6 else f"{', '.join(labels[:4])} … {labels[-1]} ({len(labels)})"
    )
