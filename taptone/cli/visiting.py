"""What the commands of a survey share: its folder, who speaks, and a form made of the fields of a record."""

from __future__ import annotations

import types
import typing
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

from taptone.cli.common import a_name, a_path, as_written

if TYPE_CHECKING:
    from taptone.edges.store import Store
    from taptone.survey.records import Record

__all__ = ["form", "given", "in_survey", "opened", "pairs"]


def in_survey(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options ``--survey`` and ``--who``.

    Parameters
    ----------
    command : callable
        Takes keywords ``survey`` and ``who``.

    Returns
    -------
    callable
        For :mod:`click`.

    Examples
    --------
    >>> in_survey(lambda survey, who: None).__name__
    '<lambda>'
    """
    for option in (
        click.option(
            "--who", default="", callback=a_name, help="Who says so; the visit's surveyor by default."
        ),
        click.option(
            "--survey",
            type=click.Path(),
            callback=a_path,
            default=".",
            show_default="this folder",
            help="Folder of the survey.",
        ),
    ):
        command = option(command)
    return command


@contextmanager
def opened(survey: str, who: str) -> Iterator[tuple[Store, str]]:
    """Open a survey; yield it and who speaks.

    Parameters
    ----------
    survey : str
        Its folder.
    who : str
        As told; the visit's surveyor by default.

    Yields
    ------
    store : Store
        Open.
    who : str
        Perhaps empty.

    Examples
    --------
    >>> with opened("nowhere", "J") as (store, who):
    ...     pass
    Traceback (most recent call last):
        ...
    taptone.errors.SurveyError: nowhere holds no survey: make one with taptone new
    """
    from taptone.edges.store import open_store
    from taptone.edges.visiting import who_is
    from taptone.survey.records import PanelFile

    with open_store(survey) as store:
        as_written([panel.name for panel in store.records(PanelFile)])
        yield store, who_is(store, who)


def form(
    kind: type[Record], *, without: tuple[str, ...] = (), flags: Mapping[str, str] = {}
) -> list[click.Option]:
    """An option for each field of a kind of record, with its description as help.

    Parameters
    ----------
    kind : type
        A class of :mod:`taptone.survey.records`.
    without : tuple of str, optional
        Fields that are filled in otherwise.
    flags : mapping, optional
        Flags of fields that are called otherwise here.

    Returns
    -------
    list of click.Option
        None of them required: the record says what is missing.

    Examples
    --------
    >>> from taptone.survey.records import Hammer
    >>> [option.opts[0] for option in form(Hammer)]
    ['--label', '--mass-g', '--face']
    """
    options = []
    for name, field in kind.model_fields.items():
        if name in without:
            continue
        text = (field.description or name).strip()
        a_code = "_" in text.split(",")[0]
        help_ = f"{text if a_code else text[:1].upper() + text[1:]}."
        flag = flags.get(name, f"--{name.replace('_', '-')}")
        wanted = _plain(field.annotation)
        if wanted is bool:
            options.append(click.Option([f"{flag}/--no{flag[1:]}", name], default=None, help=help_))
        elif typing.get_origin(wanted) is list:
            options.append(click.Option([flag, name], multiple=True, help=f"{help_} Several times."))
        elif typing.get_origin(wanted) is dict:
            options.append(
                click.Option(
                    [flag, name], multiple=True, metavar="NAME=VALUE", help=f"{help_} Several times."
                )
            )
        else:
            number = wanted in (float, int)
            options.append(
                click.Option([flag, name], type=wanted if number else str, default=None, help=help_)
            )
    return options


def given(kind: type[Record], values: dict[str, Any]) -> dict[str, Any]:
    """Of the options of :func:`form`, those that were given, as the record wants them.

    Parameters
    ----------
    kind : type
        The kind the form was made of.
    values : dict
        As click hands them over.

    Returns
    -------
    dict
        Values by field.

    Examples
    --------
    >>> from taptone.survey.records import Boat
    >>> given(Boat, {"label": "Lantern", "particulars": ("length=9 m",)})
    {'label': 'Lantern', 'particulars': {'length': '9 m'}}
    >>> from taptone.survey.records import Omission
    >>> given(Omission, {"stations": ("A1, A2", "B3")})
    {'stations': ['A1', 'A2', 'B3']}
    """
    out: dict[str, Any] = {}
    for name, value in values.items():
        if value is None or value == ():
            continue
        shape = typing.get_origin(_plain(kind.model_fields[name].annotation))
        out[name] = pairs(value) if shape is dict else _listed(value) if shape is list else value
    return out


def pairs(values: tuple[str, ...]) -> dict[str, str]:
    """``name=value`` as given on the command line, several times.

    Parameters
    ----------
    values : tuple of str
        As written.

    Returns
    -------
    dict
        Values by name.

    Examples
    --------
    >>> pairs(("mass_g=60",))
    {'mass_g': '60'}
    """
    out = {}
    for value in values:
        name, equals, text = value.partition("=")
        if not equals:
            raise click.UsageError(f"{value}: write it as name=value.")
        out[name.strip()] = text.strip()
    return out


def _listed(values: tuple[str, ...]) -> list[str]:
    """``A1,A2`` as ``taptone correct`` takes it, or one at a time."""
    return [part for value in values for part in map(str.strip, value.split(",")) if part]


def _plain(annotation: Any) -> Any:
    """``float`` of ``float | None`` and of ``Annotated[float, …]``."""
    if typing.get_origin(annotation) in (types.UnionType, typing.Union):
        annotation = next(part for part in typing.get_args(annotation) if part is not type(None))
    if typing.get_origin(annotation) is typing.Annotated:
        return _plain(typing.get_args(annotation)[0])
    return annotation
