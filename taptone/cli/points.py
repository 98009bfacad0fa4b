"""``taptone points``: what was heard, read and seen, station by station, and where these meet."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from taptone.cli.common import a_path, as_written, measured, say, tell, units_shown

if TYPE_CHECKING:
    from taptone.survey.meeting import Joined, Line
    from taptone.survey.records import Reading

__all__ = ["points"]


@click.command()
@click.argument("survey", type=click.Path(), callback=a_path, default=".", metavar="[DIR]")
@click.option("--panel", default="", help="Only this panel.")
@click.option(
    "--down",
    multiple=True,
    metavar="[PANEL=]AXIS",
    help="Which way is down: x or y if that axis runs downhill, -x or -y if uphill;"
    " by default as the panel file says.",
)
@click.option("--out", type=click.Path(), callback=a_path, help="Write the log to this CSV file as well.")
@click.option("--json", "json_", is_flag=True, help="Print JSON.")
def points(survey: str, panel: str, down: tuple[str, ...], out: str | None, json_: bool) -> None:
    """Join what was heard, read and seen in the survey in DIR, by station; list where these meet.

    They stand side by side and change nothing in each other.
    """
    from pathlib import Path

    from taptone.edges.joining import as_json, gather, rises_of, write_lines
    from taptone.edges.store import open_store
    from taptone.edges.visiting import said_in
    from taptone.survey.meeting import join

    with open_store(survey) as store:
        as_written(said_in(store))
        gathered = gather(store, panel)
        found = rises_of(store, gathered, dict(_way(text) for text in down))
    joined = join(gathered)
    notes = tuple(f"{_place(t.reading)}: {note}" for t in gathered.readings for note in t.notes)
    if json_:
        click.echo(as_json(joined, found, notes))
    else:
        from taptone.survey.moisture import rise_in_words

        if not joined.lines:
            click.echo("nothing planned, heard, read or seen yet")
        units = units_shown()
        _print(joined)
        for name, several in found.items():
            for one in several:
                click.echo(f"panel {name}: {rise_in_words(one, units)}")
            if not several:
                tell(f"note: panel {name}: no rise looked for: say which way is down, or name the scales")
        unheld = sum(one.warning_level is None for one in gathered.readings)
        if unheld:
            few = "1 reading has" if unheld == 1 else f"{unheld} readings have"
            tell(f"note: {few} no level of a meter to be held against, and no part in a meeting")
        for note in notes:
            tell(f"note: reading at {note}")
    if out:
        earlier = write_lines(joined, Path(out))
        if earlier:
            tell(f"note: the earlier {out} is now {earlier.name}")


def _print(joined: Joined) -> None:
    from taptone.errors import printable

    plain = blank = 0
    for line in joined.lines:
        if not line.panel and not line.heard and not line.readings:
            continue  # a finding: told below
        if line.differs or line.readings or line.seen or line.verdict not in ("", "no difference"):
            click.echo(printable(_told(line)))
        elif line.heard:
            plain += 1
        else:
            blank += 1
    if plain:
        click.echo(f"{plain} more: no difference, nothing read or seen there")
    if blank:
        click.echo(f"{blank} more: nothing heard, read or seen there yet")
    for number, meeting in enumerate(joined.meetings, start=1):
        where = f"{meeting.panel}, " if meeting.panel else ""
        say(f"meet {number}, {where}{', '.join(meeting.places)}: {' and '.join(meeting.kinds)}")
        for kind, place, text in meeting.what:
            click.echo(printable(f"  {kind}, {measured(place)}: {measured(text)}"))
    for o in joined.findings:
        where = ", ".join(part for part in (o.panel, o.place) if part)
        said = "; ".join(part for part in (o.text, f"photo {o.photo}" if o.photo else "") if part)
        finding = f"finding, {o.urgency or 'no urgency stated'}: {o.what}{f', {where}' if where else ''}"
        click.echo(printable(f"{finding}: {said}" if said else finding))


def _told(line: Line) -> str:
    where = measured(f"{line.panel} {line.called}" if line.panel else line.called)
    columns = (("heard", line.heard), ("readings", line.readings), ("seen", line.seen))
    return f"{where} | " + " | ".join(f"{name}: {measured(text)}" for name, text in columns if text)


def _way(text: str) -> tuple[str, str]:
    panel, _, axis = text.rpartition("=")
    return panel.strip(), axis.strip()


def _place(reading: Reading) -> str:
    at = f"x {reading.x_m:g} m, y {reading.y_m:g} m" if None not in (reading.x_m, reading.y_m) else ""
    said = (reading.panel, reading.station or reading.place or at)
    return " ".join(part for part in said if part) or "no place stated"
