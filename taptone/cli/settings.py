"""``taptone settings``: every setting that ``--set`` can change, from the tables the program itself uses."""

from __future__ import annotations

import click


@click.command()
@click.option("--json", "as_json", is_flag=True, help="As JSON, for a program.")
def settings(as_json: bool) -> None:
    """List every setting: default, unit, limits, and what it is.

    learn and analyse take --set STAGE.NAME=VALUE; what was changed is said, and listed in the log under
    "changes".
    """
    from taptone.settings import listed

    rows = listed()
    if as_json:
        import json

        click.echo(json.dumps(rows, ensure_ascii=False, indent=1))
        return
    from rich.console import Console
    from rich.table import Table

    console = Console(highlight=False, width=None if Console().is_terminal else 160)
    table = Table(show_edge=False)
    for column in ("setting", "default", "unit", "from", "to", "what it is"):
        table.add_column(column, justify="right" if column in ("default", "from", "to") else "left")
    for row in rows:
        cells = (row["setting"], row["default"], row["unit"], row["low"], row["high"], row["help"])
        table.add_row(*(f"{cell:.10g}" if isinstance(cell, float) else str(cell) for cell in cells))
    console.print(table)
