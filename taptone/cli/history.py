"""``taptone history`` and ``taptone correct``: everything that was ever said, and saying it anew."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from taptone.cli.common import a_path, units_shown
from taptone.cli.visiting import in_survey, opened, pairs

if TYPE_CHECKING:
    from taptone.survey.records import Record

__all__ = ["correct", "history"]

_MANY = ("tap", "verdict", "station")  # a row for every tap would bury the rest


@click.command()
@click.argument("survey", type=click.Path(), callback=a_path, default=".", metavar="[DIR]")
@click.option("--kind", default="", help="Only this kind of record; taps and verdicts are listed only so.")
def history(survey: str, kind: str) -> None:
    """List every row of the survey in DIR with who added it and when; corrected ones too."""
    from taptone.edges.store import open_store
    from taptone.errors import SurveyError, printable
    from taptone.survey.records import KINDS

    units = units_shown()
    if kind and kind not in KINDS:
        raise SurveyError(f"{kind} is no kind of record", hint=f"known are {', '.join(KINDS)}")
    with open_store(survey) as store:
        rows = [
            (row, name)
            for name, made in KINDS.items()
            if (name == kind if kind else name not in _MANY)
            for row in store.history(made)
        ]
    for row, name in sorted(rows, key=lambda pair: (pair[0].at, pair[1], pair[0].id)):
        what = "withdrawn" if row.withdrawn else _said(row.record.model_dump(), units)
        instead = f" in place of {name} {row.replaces}" if row.replaces else ""
        why = f" ({row.why})" if row.why else ""
        click.echo(printable(f"{row.at} {name} {row.id}{instead}, {row.who or 'nobody named'}{why}: {what}"))


@click.command()
@click.argument("kind")
@click.argument("number", type=int)
@click.argument("changes", nargs=-1, metavar="[NAME=VALUE]…")
@click.option("--withdraw", is_flag=True, help="Nothing takes its place.")
@click.option("--why", required=True, help="Why it is corrected.")
@in_survey
def correct(
    kind: str, number: int, changes: tuple[str, ...], withdraw: bool, why: str, survey: str, who: str
) -> None:
    """Correct row NUMBER of a KIND: a new, dated row beside it. Numbers: see taptone history."""
    if bool(changes) == withdraw:
        raise click.UsageError("give NAME=VALUE, or --withdraw.")
    from taptone.edges.visiting import check_place
    from taptone.survey.records import checked

    with opened(survey, who) as (store, speaker):
        if withdraw:
            row = store.withdraw(kind, number, who=speaker, why=why)
        else:
            before = store.row(kind, number).record
            wanted = _wanted(kind, before, pairs(changes))
            if {"panel", "station", "stations", "photo", "x_m", "y_m"} & wanted.keys():
                check_place(store, checked(kind, **(before.model_dump() | wanted)))
            row = store.correct(kind, number, wanted, who=speaker, why=why)
    click.echo(f"{kind} {row} {'withdraws' if withdraw else 'stands in place of'} {kind} {number}")


def _wanted(kind: str, before: Record, texts: dict[str, str]) -> dict[str, Any]:
    """Changes as the record wants them: a list by commas, NAME.PART of a table, nothing as not recorded."""
    from taptone.errors import SurveyError
    from taptone.survey.records import FILLED

    wanted: dict[str, Any] = {}
    for name, text in texts.items():
        field, _, part = name.partition(".")
        if field in FILLED.get(kind, ()):
            raise SurveyError(
                f"{kind}, {field} was filled in by the program",
                hint="withdraw the row (--withdraw) and add or analyse anew; a panel: add panel --why",
            )
        old = getattr(before, field, None)
        if isinstance(old, dict):
            if not part:
                raise SurveyError(f"{kind}, {field} has parts", hint=f"write {field}.NAME=VALUE")
            wanted[field] = {**wanted.get(field, old), part: text}
        elif isinstance(old, list):
            wanted[name] = [label.strip() for label in text.split(",") if label.strip()]
        else:
            known = type(before).model_fields.get(name)
            wanted[name] = None if not text and known is not None and known.default is None else text
    return wanted


def _said(values: dict[str, Any], units: str) -> str:
    """The fields that say something, the longest cut."""
    parts = []
    for name, value in values.items():
        if value not in ("", None, [], {}):
            name, text = _measured(name, value) if units == "ft-in" else (name, str(value))
            parts.append(f"{name} {text if len(text) <= 80 else text[:77] + '…'}")
    return ", ".join(parts)


def _measured(name: str, value: Any) -> tuple[str, str]:
    """A field and its value in feet, inches and °F, if it is a measure: then its name tells no unit."""
    from taptone.survey.lengths import as_area, as_length, as_temperature, as_thickness

    kinds = {"_m2": as_area, "_mm": as_thickness, "_m": as_length, "_temp_c": as_temperature}
    for unit, spelt in kinds.items():
        if name.endswith(unit) and isinstance(value, (int, float)):
            return f"{name.removesuffix(unit)}{'_temp' * (unit == '_temp_c')}", spelt(value, "ft-in")
    return name, str(value)
