"""``taptone add``: what was planned, done, read, seen, said and left out, into the survey."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import click

from taptone.cli.common import as_written, tell
from taptone.cli.visiting import form, given, in_survey, opened

if TYPE_CHECKING:
    from taptone.edges.staying import Stayed

__all__ = ["add"]

#: Name → kind of record, and its line in the help.
PLAIN = {
    "reading": ("reading", "A moisture reading."),
    "observation": ("observation", "What was seen or felt, on a panel or anywhere else on the boat."),
    "word": ("word", "Your own word on a station; before the program's, if you can."),
    "not-done": ("omission", "What was not done (tapping, moisture …), and why."),
    "note": ("note", "Anything else worth keeping."),
    "conditions": ("conditions", "What it was like while you tapped."),
    "boat": ("boat", "The boat, if it was not named, or named wrongly."),
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
    from taptone.survey.records import KINDS, Analysis, Reading, Visit, Word, checked
    from taptone.survey.status import visit_told

    kind, line = PLAIN[name]
    made = KINDS[kind]

    def command(survey: str, who: str, **values: Any) -> None:
        from taptone.edges.joining import read_here
        from taptone.edges.visiting import check_place

        with opened(survey, who) as (store, speaker):
            here = given(made, values)
            heard = made is Word and any(  # a verdict that was withdrawn later was shown all the same
                row.record.panel == here.get("panel", "").strip() for row in store.history(Analysis)
            )
            if made is Word:
                here.setdefault("ear_first", not heard)
            if made is Visit and (so_far := visit_told(store.records(Visit))):
                here.setdefault("date", so_far.date)  # more about the same day
            record = checked(kind, **here)
            with store.together():  # nobody changes the panel between the two
                check_place(store, record)
                number = store.add(record, who=speaker)
            click.echo(f"{name} {number} added")
            if heard:
                told = "given first, as you say" if here["ear_first"] else "given after it"
                tell(f"note: the program's verdict was there before: kept as {told}")
            if isinstance(record, Reading):
                for note in read_here(store, record).notes:
                    tell(f"note: {note}")

    return _made(name, command, line, form(made))


def _file(name: str) -> click.Command:
    from taptone.survey.records import FILLED, KINDS, Boat, Photo, SoundFile

    def command(survey: str, who: str, file: str, why: str = "", **values: Any) -> None:
        from taptone.edges import visiting
        from taptone.errors import printable

        with opened(survey, who) as (store, speaker):
            here = given(KINDS[name], values)
            if name == "panel":
                stayed: list[Stayed] = []
                panel = visiting.add_panel(store, file, who=speaker, why=why, on_stayed=stayed.extend)
                as_written(panel, store.records(Boat))
                click.echo(printable(f"panel {panel.name}: {len(panel.stations)} stations"))
                for caution in panel.cautions:
                    tell(f"note: {caution}")
                for lost, words in (
                    (False, "what was said of these stations stays at its place, under the label of today"),
                    (True, "no station lies there now: kept as said of the earlier layout"),
                ):
                    said = [f"{s.row} ({s.before if lost else f'{s.before} is {s.after}'})" for s in stayed]
                    said = [text for text, s in zip(said, stayed, strict=True) if s.lost == lost]
                    if said:
                        tell(f"note: {words}: {', '.join(said)}")
                for boat in store.records(Boat)[-1:]:
                    if panel.boat and panel.boat != boat.label:
                        tell(f"note: the file names the boat {panel.boat}, this survey {boat.label}")
            elif name == "recording":
                before = len(store.rows(SoundFile))
                kept = visiting.add_recording(store, file, who=speaker, **here)
                click.echo(f"{kept.file}: {kept.samples / kept.rate_hz:.1f} s")
                if len(store.rows(SoundFile)) == before:
                    tell("note: it was there already")
            else:
                before = len(store.rows(Photo))
                click.echo(visiting.add_photo(store, file, who=speaker, **here).file)
                if len(store.rows(Photo)) == before:
                    tell("note: it was there already")

    options = form(KINDS[name], without=FILLED[name])
    if name == "panel":
        options = [click.Option(["--why"], default="", help="Why the panel was changed.")]
    argument = click.Argument(["file"], type=click.Path(), metavar="FILE")
    return _made(name, command, FILES[name], [argument, *options])


def _made(name: str, command: Any, line: str, params: Sequence[click.Parameter]) -> click.Command:
    made: click.Command = click.command(name, help=line)(in_survey(command))
    made.params = [*params, *made.params]
    return made
