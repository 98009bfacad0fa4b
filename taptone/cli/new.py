"""``taptone new``: the folder of a new survey."""

from __future__ import annotations

import sys
from datetime import date
from typing import Any

import click

from taptone.cli.analyse import CAUTIONS
from taptone.cli.common import a_path
from taptone.cli.visiting import form, given
from taptone.survey.records import Boat, Conditions, Record, Visit, checked, fault_in, kind_of

__all__ = ["new"]

#: Said before anybody goes near the boat, in plain words.
BEFORE = (
    "Stay clear of a boat that stands unsafely or hangs in slings. Never move a stand: the yard does.",
    "Foot and tie the ladder; protect your eyes overhead; old paint is toxic, neither sand nor breathe it.",
    "Strike lightly, and only with the owner's consent. Recordings may catch people talking.",
)

KINDS: tuple[type[Record], ...] = (Boat, Visit, Conditions)
#: Asked where somebody is there to answer; the rest is taken from options only.
ASKED = (
    *("label", "date", "place", "surveyor", "client", "question", "readers", "consent", "supported"),
    *("hours_ashore", "rain_within_24h", "frozen_within_72h", "surface_temp_c", "surface", "tanks"),
)


@click.command(
    params=[
        click.Argument(["directory"], type=click.Path(), callback=a_path, metavar="DIR"),
        *(option for kind in KINDS for option in form(kind, without=("panel",), flags={"label": "--boat"})),
    ]
)
def new(directory: str, **values: Any) -> None:
    """Make the folder DIR of a new survey: one visit to one boat. Asks what is not given."""
    from taptone.edges.store import create_store
    from taptone.errors import printable

    if sys.stdin.isatty():
        _ask(values)
    values["date"] = values["date"] or date.today().isoformat()
    records = []
    for kind in KINDS:
        here = given(kind, {name: values[name] for name in kind.model_fields if name in values})
        if here or kind is Boat:
            records.append(checked(kind_of(kind), **here))
    create_store(directory, records, who=(values["surveyor"] or "").strip()).close()
    click.echo(printable(f"{directory}: survey of {records[0].model_dump()['label']}"))
    for line in (*BEFORE, *CAUTIONS):
        click.echo(f"caution: {line}")
    click.echo(printable(f"next: taptone add panel FILE --survey {directory}"))


def _ask(values: dict[str, Any]) -> None:
    """Fill in what was not given; an empty answer stays not recorded, a wrong one is asked again."""
    for kind in KINDS:
        for name in (n for n in kind.model_fields if n in ASKED and values[n] is None):
            text = kind.model_fields[name].description or name
            while fault := _answered(kind, name, text, values):
                click.echo(fault)


def _answered(kind: type[Record], name: str, text: str, values: dict[str, Any]) -> str:
    """Ask once; what is wrong with the answer, if anything."""
    answer = click.prompt(text[:1].upper() + text[1:], default="", show_default=False).strip()
    values[name] = answer or None
    needed = name == "label"
    return fault_in(kind_of(kind), name, answer) if answer or needed else ""
