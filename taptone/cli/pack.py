"""``taptone pack``: a survey into one file for the years, and out of it again."""

from __future__ import annotations

import click

from taptone.cli.common import a_path, tell

__all__ = ["pack"]


@click.command()
@click.argument("survey", type=click.Path(), callback=a_path, required=False, metavar="[DIR]")
@click.option(
    "--out",
    type=click.Path(),
    callback=a_path,
    show_default="beside the survey, with its name",
    help="The zip file, outside of the survey.",
)
@click.option("--anyway", is_flag=True, help="Pack although a kept file is missing or changed, and note it.")
@click.option(
    "--open",
    "packed",
    type=click.Path(),
    callback=a_path,
    metavar="FILE.zip",
    help="Unpack this file into DIR, a new folder, and check it.",
)
def pack(survey: str | None, out: str | None, anyway: bool, packed: str | None) -> None:
    """Write the survey in DIR into one zip file, after checking every kept file; or open such a file."""
    from taptone.edges.packing import open_pack
    from taptone.edges.packing import pack as pack_survey
    from taptone.errors import printable

    if packed is not None:
        if survey is None or out is not None or anyway:
            raise click.UsageError("give --open FILE.zip and a new folder, nothing else.")
        click.echo(printable(f"{open_pack(packed, survey)}: every file is as it was packed"))
        click.echo(printable(f"next: taptone status {survey}"))
        return
    done = pack_survey(survey or ".", out, anyway=anyway)
    click.echo(printable(f"written: {done.file}, {done.files} files, SHA-256 {done.sha256}"))
    if done.earlier:
        tell(f"note: an earlier pack is kept as {done.earlier.name}")
    for fault in done.faults:
        tell(f"note: {fault}")
    if not done.faults:
        click.echo(f"checked: {done.kept} kept files are as they were recorded")
    click.echo(
        printable(
            f"open it with unzip, or taptone pack --open {done.file.name} DIR; then any command of taptone"
        )
    )
    tell("caution: it holds the recordings, and whatever was said beside them: mind who gets it")
