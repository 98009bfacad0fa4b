"""``taptone add``: what was planned, done, read, seen, said and left out, into the survey."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import click

from taptone.cli.common import tell
from taptone.cli.visiting import form, given, in_survey, opened

__all__ = ["add"]

#: Name → kind of record, and its line in the help.
PLAIN = {
    "reading": ("reading", "A moisture reading."),
    "observation": ("observation", "What was seen or felt, on a panel or anywhere else on the boat."),
    "word": ("word", "Your own word on a station; before the program's, if you can."),
    "not-done": ("omission", "What was not done (tapping, moisture …), and why."),
    "note": ("note", "Anything else worth keeping."),
    "conditions": ("conditions", "What it was like while you tapped."),
    "visit": ("visit", "Who asked what, and who allowed it."),
    "hammer": ("hammer", "What was struck with."),
    "recorder": ("recorder", "What listened."),
    "meter": ("meter", "A moisture meter, and the level you let it warn from."),
    "plug": ("plug", "An opening made with the owner's written permission."),
}
FILES = {
    "panel": "A panel file; changed later, say --why.",
    "recording": "A recording, copied as it is.",
    "photo": "A photo, copied as it is.",
}


class _Kinds(click.Group):
    """A command a kind, its options made of the fields of the record."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return [*FILES, *PLAIN]

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:  # noqa: ARG002
        if name in FILES:
            return _file(name)
        return _record(name) if name in PLAIN else None


@click.command(cls=_Kinds)
def add() -> None:
    """Add to a survey. What stands in it is never changed: taptone correct adds a corrected row."""


def _record(name: str) -> click.Command:
    from taptone.survey.records import KINDS, Observation, Photo, Reading, Word, checked

    kind, line = PLAIN[name]
    made = KINDS[kind]

    def command(survey: str, who: str, **values: Any) -> None:
        from taptone.edges.joining import read_here
        from taptone.edges.visiting import panel_of

        with opened(survey, who) as (store, speaker):
            here = given(made, values)
            if made is Word and "ear_first" not in here:
                from taptone.survey.records import Analysis

                here["ear_first"] = not store.rows(Analysis, panel=here.get("panel", ""))
            record = checked(kind, **here)
            panel, station = getattr(record, "panel", ""), getattr(record, "station", "")
            labels = [station] if station else getattr(record, "stations", [])
            if panel or labels:
                _known(panel_of(store, panel), labels)
            if isinstance(record, Observation) and record.photo:
                _shown(record.photo, [photo.file for photo in store.records(Photo)])
            number = store.add(record, who=speaker)
            click.echo(f"{name} {number} added")
            if made is Word and not getattr(record, "ear_first"):  # noqa: B009
                tell("note: the program's verdict was there before: kept as given after it")
            if isinstance(record, Reading):
                for note in read_here(store, record).notes:
                    tell(f"note: {note}")

    return _made(name, command, line, form(made))


def _file(name: str) -> click.Command:
    from taptone.survey.records import KINDS

    filled = {
        "panel": tuple(KINDS["panel"].model_fields),
        "recording": ("file", "original", "sha256", "rate_hz", "samples"),
        "photo": ("file", "original", "sha256"),
    }[name]

    def command(survey: str, who: str, file: str, why: str = "", **values: Any) -> None:
        from taptone.edges import visiting

        with opened(survey, who) as (store, speaker):
            here = given(KINDS[name], values)
            if name == "panel":
                panel = visiting.add_panel(store, file, who=speaker, why=why)
                click.echo(f"panel {panel.name}: {len(panel.stations)} stations")
                for caution in panel.cautions:
                    tell(f"note: {caution}")
            elif name == "recording":
                kept = visiting.add_recording(store, file, who=speaker, **here)
                click.echo(f"{kept.file}: {kept.samples / kept.rate_hz:.1f} s")
            else:
                click.echo(visiting.add_photo(store, file, who=speaker, **here).file)

    options = form(KINDS[name], without=filled)
    if name == "panel":
        options = [click.Option(["--why"], default="", help="Why the panel was changed.")]
    argument = click.Argument(["file"], type=click.Path(), metavar="FILE")
    return _made(name, command, FILES[name], [argument, *options])


def _made(name: str, command: Any, line: str, params: Sequence[click.Parameter]) -> click.Command:
    made: click.Command = click.command(name, help=line)(in_survey(command))
    made.params = [*params, *made.params]
    return made


def _known(panel: Any, labels: Sequence[str]) -> None:
    from taptone.errors import SurveyError

    there = {station.label for station in panel.stations}
    for label in labels:
        if label not in there:
            raise SurveyError(
                f"panel {panel.name} has no station {label}", hint="look at its layout, or give --place"
            )


def _shown(photo: str, there: Sequence[str]) -> None:
    from taptone.errors import SurveyError

    if photo not in there and f"photos/{photo}" not in there:
        raise SurveyError(f"this survey has no photo {photo}", hint="add it first: taptone add photo FILE")
