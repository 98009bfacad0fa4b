"""``taptone check``: are panels, baselines, logs and surveys in order, and if not, where."""

from __future__ import annotations

import click

from taptone.cli.common import paths, say, tell

__all__ = ["check"]


@click.command()
@click.argument("files", nargs=-1, required=True, callback=paths, metavar="FILE…")
@click.pass_context
def check(ctx: click.Context, files: tuple[str, ...]) -> None:
    """Say of each FILE what it is and that it is in order, or what is wrong, with line and column.

    FILE is a panel, baseline or log file, survey.json of an export, or the folder of a log or of a survey; of
    a survey the database, the kept files and their hashes are checked. Nothing is changed. Exit code 1 if any
    has a fault.
    """
    from taptone.edges.checking import check as checked
    from taptone.errors import printable

    wrong = False
    for file in files:
        found = checked(file)
        for fault in found.faults:
            where = f"{file}:{fault.line}:{fault.column}" if fault.line else file
            say(f"{where}: {fault.text}")
        if not found.faults:
            click.echo(printable(f"{file}: {found.what}: in order"))
        for note in found.notes:
            tell(f"note: {file}: {note}")
        wrong = wrong or bool(found.faults)
    ctx.exit(1 if wrong else 0)
