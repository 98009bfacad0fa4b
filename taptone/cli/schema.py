"""``taptone schema``: what a panel file or a log may hold, for editors and other programs."""

from __future__ import annotations

import click

__all__ = ["schema"]


@click.command()
@click.argument("name", type=click.Choice(("panel", "log")))
def schema(name: str) -> None:
    """Print the JSON Schema (draft 2020-12) of panel files or of log.json.

    A schema tells names, kinds and limits of the keys. taptone check tells more: whether an outline crosses
    itself, a station lies outside it, a file was changed.
    """
    from taptone.edges.schemas import schema_text

    click.echo(schema_text(name), nl=False)
