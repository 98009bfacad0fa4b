"""What several commands share: opening recordings, progress, settings, notes on standard error."""

from __future__ import annotations

import functools
import math
import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from taptone.types import Recording, Sound

UNITS_VARIABLE = "TAPTONE_UNITS"
_UNITS = "taptone.units"  # in the context of a command that was told with --set
_WRITTEN = "taptone.written"  # in the same: what somebody wrote, which stays as it is
_LONG_S = 30.0  # shorter recordings need no progress bar


def tell(text: str) -> None:
    """Print a line for the person, not for a program that reads the output.

    Parameters
    ----------
    text : str
        The line; metric, and shown in the units that are wanted.

    Examples
    --------
    >>> tell("note: recorder not recorded")
    """
    click.echo(shown(text), err=True)


def say(text: str) -> None:
    """Print a line of what was asked for.

    Parameters
    ----------
    text : str
        The line; metric, and shown in the units that are wanted.

    Examples
    --------
    >>> say("area of B3: 0.65 m along x")
    area of B3: 0.65 m along x
    """
    click.echo(shown(text))


def shown(text: str) -> str:
    """A line of ours as it goes to the screen: in one line, and in the units that are wanted.

    Parameters
    ----------
    text : str
        Metric.

    Returns
    -------
    str
        For :func:`click.echo`.

    Examples
    --------
    >>> shown("every 150 mm")
    'every 150 mm'
    """
    from taptone.errors import printable

    return printable(measured(text))


def measured(text: str) -> str:
    """A line of ours in the units that are wanted; what :func:`as_written` was given stays as it is.

    Parameters
    ----------
    text : str
        Metric.

    Returns
    -------
    str
        The same.

    Examples
    --------
    >>> measured("every 150 mm")
    'every 150 mm'
    """
    from taptone.survey.lengths import in_units

    units, context = units_shown(), click.get_current_context(silent=True)
    if units == "m" or context is None:
        return in_units(text, units)
    from taptone.survey.worded import worded

    return in_units(text, units, worded(context.meta.get(_WRITTEN)))


def as_written(*things: object) -> None:
    """Have names and words that somebody wrote shown as they are, although they may name a measure.

    Parameters
    ----------
    *things : object
        Panels, records, texts, as :func:`taptone.survey.worded.worded` takes them.

    Examples
    --------
    >>> as_written("strip of 50 mm")
    """
    if context := click.get_current_context(silent=True):
        context.meta[_WRITTEN] = (*context.meta.get(_WRITTEN, ()), *things)


def a_name(ctx: click.Context, param: click.Parameter, value: str) -> str:  # noqa: ARG001
    """A name given as an option, or a usage error.

    Parameters
    ----------
    ctx, param : click.Context, click.Parameter
        As click passes them.
    value : str
        What was written.

    Returns
    -------
    str
        Without blanks around it.

    Examples
    --------
    >>> a_name(None, click.Option(["--boat"], required=True), " Lantern ")
    'Lantern'
    """
    value = value.strip()
    if (param.required and not value) or not value.isprintable():
        raise click.BadParameter("give a name in letters and figures")
    return value


def a_path(ctx: click.Context, param: click.Parameter, value: str | None) -> str | None:  # noqa: ARG001
    """A path given as an option, or a usage error: an empty one is a variable that was never set.

    Parameters
    ----------
    ctx, param : click.Context, click.Parameter
        As click passes them.
    value : str or None
        What was written.

    Returns
    -------
    str or None
        The same.

    Examples
    --------
    >>> a_path(None, click.Option(["--out"]), "log")
    'log'
    """
    if value == "":
        raise click.BadParameter("it is empty: leave it out, or give a path")
    return value


def paths(ctx: click.Context, param: click.Parameter, value: tuple[str, ...]) -> tuple[str, ...]:
    """Paths given as an option several times, each once, or a usage error.

    Parameters
    ----------
    ctx, param : click.Context, click.Parameter
        As click passes them.
    value : tuple of str
        What was written.

    Returns
    -------
    tuple of str
        In the order given.

    Examples
    --------
    >>> paths(None, click.Option(["--recheck"]), ("again.wav", "again.wav"))
    ('again.wav',)
    """
    return tuple(dict.fromkeys(str(a_path(ctx, param, path)) for path in value))


def row_files(
    ctx: click.Context, param: click.Parameter, value: tuple[str, ...]
) -> tuple[tuple[str, str], ...]:
    """Rows and their recordings, written as ROW:FILE or ROW, or a usage error.

    Parameters
    ----------
    ctx, param : click.Context, click.Parameter
        As click passes them.
    value : tuple of str
        What was written.

    Returns
    -------
    tuple of (str, str)
        Name of the row in capitals; path, empty where none was written.

    Examples
    --------
    >>> row_files(None, click.Option(["--row-again"]), ("c:again.wav", "D"))
    (('C', 'again.wav'), ('D', ''))
    """
    rows: list[tuple[str, str]] = []
    for text in value:
        name, colon, path = text.partition(":")
        if not name.strip().isalnum() or bool(colon) != bool(path):
            raise click.BadParameter(f"{text}: write it as C:again-c.wav, or as C.", ctx, param)
        if name.strip().upper() in dict(rows):
            raise click.BadParameter(
                f"row {name.strip().upper()} is given twice: give one of them.", ctx, param
            )
        rows.append((name.strip().upper(), str(a_path(ctx, param, path)) if path else ""))
    return tuple(rows)


def with_settings(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command the option ``--set stage.name=value``, and its checked ``settings``.

    Parameters
    ----------
    command : callable
        Takes a keyword ``settings``.

    Returns
    -------
    callable
        For :mod:`click`.

    Examples
    --------
    >>> with_settings(lambda settings: print(settings.judge.confidence))(values=("judge.confidence=0.9",))
    0.9
    """

    @click.option(
        "--set",
        "values",
        multiple=True,
        metavar="STAGE.NAME=VALUE",
        help="Change a setting; the log lists it.",
    )
    @functools.wraps(command)
    def wrapped(*args: Any, values: tuple[str, ...], **kwargs: Any) -> None:
        from taptone.settings import with_values

        pairs = [value.partition("=") for value in values]
        for name, equals, _ in pairs:
            if not equals:
                raise click.UsageError(f"--set {name}: write it as stage.name=value.")
        here = {"show.units": units_shown()} | {name: text for name, _, text in pairs}
        settings = with_values(here)
        if context := click.get_current_context(silent=True):
            context.meta[_UNITS] = settings.show.units
        command(*args, settings=settings, **kwargs)

    return wrapped


def units_shown() -> str:
    """What lengths are shown in: ``m``, or what the environment variable ``TAPTONE_UNITS`` says.

    Returns
    -------
    str
        ``m`` or ``ft-in``; where ``--set show.units`` was given, that decides.

    Raises
    ------
    SettingError
        If the variable says something else.

    Examples
    --------
    >>> units_shown()
    'm'
    """
    from taptone.errors import SettingError
    from taptone.settings import ShowSettings

    context = click.get_current_context(silent=True)
    if context is not None and _UNITS in context.meta:
        return str(context.meta[_UNITS])
    said = os.environ.get(UNITS_VARIABLE, "").strip()
    try:
        return ShowSettings(units=said).units if said else ShowSettings().units
    except SettingError as error:
        raise SettingError(f"{UNITS_VARIABLE} is {said!r}", hint=error.hint) from error


def size_in_words(corners: Sequence[tuple[float, float]], area_m2: float, units: str) -> str:
    """How far an outline reaches along x and y, and its area.

    Parameters
    ----------
    corners : sequence of (float, float)
        In metres.
    area_m2 : float
        Its area; stations in a line have none.
    units : str
        ``m`` or ``ft-in``.

    Returns
    -------
    str
        For a screen.

    Examples
    --------
    >>> size_in_words([(0.65, 0.56), (0.65, 0.64)], 0.0, "m")
    '80 mm long'
    """
    from taptone.survey.lengths import as_area, as_extent, as_length

    if not corners:
        return "one point"
    x, y = zip(*corners, strict=True)
    across_m, up_m = (max(side) - min(side) for side in (x, y))
    if area_m2 < 0.0005:
        longest_m = math.hypot(across_m, up_m)
        return f"{as_length(longest_m, units)} long" if longest_m >= 0.001 else "one point"
    return f"{as_extent(across_m, up_m, units)} ({as_area(area_m2, units)})"


def finite(ctx: click.Context, param: click.Parameter, value: float | None) -> float | None:
    """A number of a flag, or a usage error: click's own ranges let nan through.

    Parameters
    ----------
    ctx : click.Context
        From click, as is the next.
    param : click.Parameter
        The flag.
    value : float or None
        As read; None where nobody said.

    Returns
    -------
    float or None
        The same.

    Raises
    ------
    click.BadParameter
        Of nan or infinity.

    Examples
    --------
    >>> finite(None, None, 0.05)
    0.05
    """
    if value is not None and not math.isfinite(value):
        raise click.BadParameter(f"{value:g} is no number", ctx=ctx, param=param)
    return value


def temperature(value: float) -> float:
    """A surface temperature that can be one, or a usage error.

    Parameters
    ----------
    value : float
        Degrees Celsius; ``nan`` where nobody said.

    Returns
    -------
    float
        The same.

    Examples
    --------
    >>> temperature(14.0)
    14.0
    """
    if math.isnan(value) or -60 <= value <= 120:
        return value
    raise click.BadParameter(
        f"{value} °C is no surface temperature of a boat ashore.", param_hint="--surface-temp-c"
    )


@contextmanager
def sounds_of(paths: Sequence[str]) -> Iterator[tuple[list[Sound], Callable[[Sound], Sound]]]:
    """Open recordings; yield them, and a wrapper that shows progress while they are listened to.

    Parameters
    ----------
    paths : sequence of str
        Sound files.

    Yields
    ------
    sounds : list of Sound
        In the order of `paths`.
    watched : callable
        Wraps one of them.

    Examples
    --------
    >>> with sounds_of([]) as (sounds, watched):
    ...     print(sounds)
    []
    """
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    from taptone.edges.soundfiles import open_sound
    from taptone.errors import SoundError

    sounds: list[Sound] = []
    for path in paths:
        sound = open_sound(path)
        for other in sounds:
            if other.recording.sha256 == sound.recording.sha256:
                raise SoundError(
                    f"{path} is the same recording as {other.recording.name}", hint="give each one once"
                )
            if other.recording.name == sound.recording.name:  # a line of the log leads back by this name
                raise SoundError(
                    f"{path} has the same name as another recording, {sound.recording.name}",
                    hint="give a copy of it under a name of its own",
                )
        sounds.append(sound)
    whole_s = sum(s.recording.duration_s for s in sounds)
    console = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    with Progress(
        *columns, console=console, transient=True, disable=whole_s < _LONG_S or not console.is_terminal
    ) as bar:
        task = bar.add_task("listening", total=whole_s)
        yield sounds, lambda sound: _Watched(sound, lambda s: bar.advance(task, s))


class _Watched:
    """A sound that tells how much of it has been listened to."""

    def __init__(self, sound: Sound, tell_s: Callable[[float], None]) -> None:
        self._sound, self._tell_s = sound, tell_s

    @property
    def recording(self) -> Recording:
        return self._sound.recording

    def blocks(self) -> Iterator[NDArray[Any]]:
        for block in self._sound.blocks():
            yield block
            self._tell_s(len(block) / self.recording.rate_hz)
