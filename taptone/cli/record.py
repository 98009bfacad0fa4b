"""``taptone record``: microphone to disk."""

from __future__ import annotations

import math
from pathlib import Path

import click

from taptone.cli.common import finite

__all__ = ["record"]


@click.command()
@click.argument("out", type=click.Path(path_type=Path), metavar="OUT.wav")
@click.option(
    "--seconds",
    type=click.FloatRange(min=0, min_open=True),
    callback=finite,
    help="How long; until Ctrl-C if not given.",
)
@click.option("--device", help="Number of a microphone, or part of its name.")
@click.option(
    "--rate",
    type=click.IntRange(8_000, 192_000),
    metavar="HZ",
    help="Sample rate; the device's own if not given.",
)
def record(out: Path, seconds: float | None, device: str | None, rate: int | None) -> None:
    """Record from a microphone into OUT.wav, which must not exist yet."""
    from taptone.edges import microphone

    said = False

    def say_once(_: float) -> None:
        nonlocal said
        if not said:
            until = f"for {seconds:g} s" if seconds else "until Ctrl-C"
            click.echo(f"Recording {until}. It may catch people talking: tell them.", err=True)
        said = True

    done = microphone.record(out, seconds=seconds, device=device, rate_hz=rate, on_progress=say_once)
    channels = "1 channel" if done.channels == 1 else f"{done.channels} channels"
    click.echo(f"{done.path}: {done.duration_s:.3f} s from {done.device}, {done.rate_hz} Hz, {channels}")
    dropouts = "no dropouts" if not done.dropouts else f"{len(done.dropouts)} dropouts"
    click.echo(f"{dropouts}, peak {done.peak_dbfs:.1f} dBFS")
    for note in done.notes:
        click.echo(f"note: {note}")
    if math.isinf(done.peak_dbfs):
        click.echo("note: nothing but silence came: check that the microphone is not muted")
    elif done.peak_dbfs > -0.1:
        click.echo("note: the loudest part may be clipped: move the recorder away or lower its level")
