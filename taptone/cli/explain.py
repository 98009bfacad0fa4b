"""``taptone explain``: why one station was judged as it was, in one picture and one paragraph."""

from __future__ import annotations

import re
from pathlib import Path

import click

from taptone.cli.common import a_path, as_written, paths, say, sounds_of, tell, units_shown


@click.command()
@click.argument("log", type=click.Path(), callback=a_path, metavar="LOG")
@click.argument("station", metavar="STATION")
@click.option(
    "--recording",
    "recordings",
    multiple=True,
    type=click.Path(),
    callback=paths,
    metavar="FILE",
    help="A recording of the log, if it lies neither beside the log nor here; once for each.",
)
@click.option(
    "--baseline",
    type=click.Path(),
    callback=a_path,
    metavar="FILE",
    help="The baseline of the log, if it lies neither beside the log nor here.",
)
@click.option(
    "--mirror",
    type=click.Path(),
    callback=a_path,
    metavar="LOG_OR_FOLDER",
    help="The log of the other side that LOG was held against, if it is not found near the log or here.",
)
@click.option(
    "--out",
    type=click.Path(),
    callback=a_path,
    metavar="FILE.png",
    help="The picture; explained-STATION.png beside the log if not given.",
)
def explain(
    log: str,
    station: str,
    recordings: tuple[str, ...],
    baseline: str | None,
    mirror: str | None,
    out: str | None,
) -> None:
    """Show why STATION of LOG was judged as it was: a picture, and a paragraph of numbers.

    LOG is the log.json of an analysis, or its folder; STATION a label such as B3, or the number of a tap
    where no panel was given. The recordings must be unchanged: the analysis is made again from them, with the
    settings of the log.
    """
    from taptone.edges import explaining
    from taptone.edges.keeping import may_keep, put_file
    from taptone.errors import OutputError, SoundError, printable
    from taptone.survey.worded import worded_of

    units = units_shown()
    read = explaining.open_log(Path(log))
    label = str(read.point(station)["station"])
    name = re.sub(r"[^\w.-]", "_", label)
    target = Path(out) if out is not None else read.path.parent / f"explained-{name}.png"
    may_keep(target)
    if target.suffix.casefold() != ".png":
        raise OutputError(
            f"{target} does not end in .png", hint="a PNG picture is what is written: name it so"
        )
    try:
        found = explaining.sounds_named(read, recordings)
    except SoundError as error:
        alone = "" if recordings else explaining.from_the_log(read, label)
        if not alone:
            raise
        say(alone)
        tell(f"note: explained from the log alone, without a picture ({error.message})")
        return
    with sounds_of(found) as (sounds, watched):
        explained = explaining.explain(
            read, label, sounds, baseline=baseline, mirror=mirror, on_sound=watched
        )
        as_written(worded_of(explained.result))
        say(explaining.in_words(explained))
        for note in explained.notes:
            tell(f"note: {note}")
        if not explained.taps:
            tell("note: no strike was tied to this station: there is nothing to draw")
            return
        from taptone.edges.closeups import draw_station

        earlier = put_file(target, draw_station(explained, sounds, units))
    if earlier is not None:
        tell(f"note: the earlier picture of that name is now {earlier.name}")
    click.echo(printable(f"written: {target}"))
