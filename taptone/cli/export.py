"""``taptone export``: everything a survey holds, as CSV and JSON."""

from __future__ import annotations

import click

from taptone.cli.common import a_name, a_path, tell

__all__ = ["export"]


@click.command()
@click.argument("survey", type=click.Path(), callback=a_path, default=".", metavar="[DIR]")
@click.option(
    "--out",
    type=click.Path(),
    callback=a_path,
    show_default="a new folder in the survey's exports",
    help="Folder for the tables.",
)
@click.option("--who", default="", callback=a_name, help="Who exports; the visit's surveyor by default.")
def export(survey: str, out: str | None, who: str) -> None:
    """Write every row of the survey in DIR: a CSV for each kind of record, and survey.json with all of them.

    Corrected and withdrawn rows are there too, and marked. Lengths are in metres. The recordings, photos and
    panel files themselves lie in DIR. Where DIR cannot be written to, give a folder with --out.
    """
    from pathlib import Path

    from taptone.cli.visiting import opened
    from taptone.edges.exporting import export_survey, tables_folder
    from taptone.edges.tables import may_write

    with opened(survey, who) as (store, speaker):
        folder = Path(out) if out is not None else tables_folder(store)
        may_write(folder)
        first, *others = export_survey(store, folder, who=speaker)
        filed = not store.reads_only
    kept = [path for path in others if ".earlier-" in path.name]
    click.echo(f"written: {first} and {len(others) - len(kept)} tables, one for each kind of record")
    if kept:
        tell(f"note: {len(kept)} earlier files in {folder} are kept as NAME.earlier-N")
    if not filed:
        tell(f"note: {survey} cannot be written to: that it was exported is not filed in it")
