"""The command ``taptone``: one thin file a command, each loaded when it is called.

A command takes its words apart, calls the library and prints. What goes wrong is one line on standard
error: exit 1 for anything the library names, 2 for a wrong word on the command line, 130 after Ctrl-C or a
request to stop.
"""

from __future__ import annotations

import contextlib
import difflib
import gc
import importlib
import io
import os
import signal
import sys
from collections.abc import Sequence
from typing import Any

import click

from taptone import __version__
from taptone.errors import TaptoneError

__all__ = ["main"]

#: Name → where the command lives, and its line in the help (written here so that help loads nothing); in the
#: order of the job, then what helps beside it.
COMMANDS = {
    "plan": ("taptone.cli.plan:plan", "Plan a grid: spacing, stations, minutes; panel files and sheets."),
    "new": ("taptone.cli.new:new", "Make the folder of a new survey."),
    "add": ("taptone.cli.add:add", "Add panels, recordings, readings, observations … to a survey."),
    "record": ("taptone.cli.record:record", "Record the microphone to a WAV file."),
    "learn": ("taptone.cli.learn:learn", "Learn a baseline from taps on laminate assumed good."),
    "analyse": ("taptone.cli.analyse:analyse", "Find, measure and compare the taps of a panel."),
    "explain": ("taptone.cli.explain:explain", "Show why one station of a log was judged as it was."),
    "points": ("taptone.cli.points:points", "Join what was heard, read and seen, station by station."),
    "next": ("taptone.cli.next_:next_", "Say where to tap next to close a suspect area's outline."),
    "look-next": ("taptone.cli.look_next:look_next", "Ask what to look at next, where something differs."),
    "compare": ("taptone.cli.compare:compare", "Tell what changed on a panel since an earlier visit."),
    "agree": ("taptone.cli.agree:agree", "Tell how far two people, or ear and program, agree."),
    "status": ("taptone.cli.status:status", "Say what of a survey is done, and what is not and why."),
    "correct": ("taptone.cli.history:correct", "Put a corrected row beside an earlier one."),
    "history": ("taptone.cli.history:history", "List everything ever added to a survey, and by whom."),
    "export": ("taptone.cli.export:export", "Write everything a survey holds as CSV and JSON."),
    "check": ("taptone.cli.check:check", "Say whether panels, baselines, logs and surveys are in order."),
    "pack": ("taptone.cli.pack:pack", "Write a survey into one zip file, or open one."),
    "head": ("taptone.cli.head:head", "Give the pressure of sea water at a depth."),
    "settings": ("taptone.cli.settings:settings", "List every setting with its default, unit and limits."),
    "schema": ("taptone.cli.schema:schema", "Print the JSON Schema of panel files or of logs."),
}


def main(args: Sequence[str] | None = None) -> None:
    """Run ``taptone`` with `args` and exit.

    Parameters
    ----------
    args : sequence of str, optional
        The words after the program's name; those of the command line by default.

    Raises
    ------
    SystemExit
        Always; its code is 0, 1, 2 or 130 as told at the head of this module.

    Examples
    --------
    >>> try:
    ...     main(["--version"])
    ... except SystemExit as stop:
    ...     print(stop.code)
    taptone 0.1.0
    0
    """
    # Libraries make a million objects while they load, none of them garbage: looking through them again and
    # again, and once more at the end, would take a tenth of the time.
    gc.set_threshold(50_000, 20, 20)
    code = _run(_taptone, args)
    gc.freeze()
    sys.exit(code)


def _run(command: click.Command, args: Sequence[str] | None) -> int:
    """Invoke `command` and turn whatever happens into an exit code."""
    _prepare_streams()
    with contextlib.suppress(ValueError):  # not in the main thread: then whoever started us decides
        for name in ("SIGTERM", "SIGHUP"):  # a request to stop, a closed terminal; Windows lacks the second
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is signal.SIG_DFL:  # nohup stays nohup
                signal.signal(number, signal.default_int_handler)
    try:
        code = command.main(args, prog_name="taptone", standalone_mode=False)
        sys.stdout.flush()
    except TaptoneError as error:
        click.echo(f"taptone: {error}", err=True)
        return 1
    except click.Abort:
        return 130
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except BrokenPipeError:  # the reader left: nothing more to say, not even at interpreter exit
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except OSError as error:  # where results go is told by `edges`: what is left is the output
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        click.echo(f"taptone: {error}: make room, or send what is printed elsewhere", err=True)
        return 1
    return code if isinstance(code, int) else 0


def _prepare_streams() -> None:
    """Let no missing or narrow output stop a command: what cannot be printed is spelt out."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115 (to the end)
        elif isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


class _LazyGroup(click.Group):
    """A group that imports a command's module only when that command is called."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read what was typed; it is shown again as it was, whatever units are wanted."""
        from taptone.cli.common import as_written

        as_written(*args, *(os.path.basename(arg) for arg in args))
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> Any:
        """Run a command, and say what goes wrong in the units that are wanted."""
        from taptone.cli.common import shown, units_shown

        units_shown()  # a variable that says something else is refused before anything is done
        try:
            return super().invoke(ctx)
        except TaptoneError as error:
            click.echo(shown(f"taptone: {error}"), err=True)
            ctx.exit(1)

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:  # noqa: ARG002
        if name not in COMMANDS:
            return None
        module, _, attribute = COMMANDS[name][0].partition(":")
        command: click.Command = getattr(importlib.import_module(module), attribute)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        name = args[0]
        if name not in COMMANDS:
            near = difflib.get_close_matches(name, COMMANDS, n=1)
            ctx.fail(f"No such command {name!r}: " + (f"did you mean {near[0]!r}?" if near else "see --help"))
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in COMMANDS.items()])


@click.group(cls=_LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="taptone %(version)s")
def _taptone() -> None:
    """Record, measure and compare the taps of someone sounding a fibreglass boat.

    A result says how a point differs from known-good taps and good neighbours, never what is wrong with it.
    """
