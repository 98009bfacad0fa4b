"""``taptone learn``: taps on laminate assumed good to a baseline file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from taptone.cli.common import a_name, a_path, sounds_of, tell, temperature, with_settings

if TYPE_CHECKING:
    from taptone.settings import Settings


@click.command()
@click.argument("recordings", nargs=-1, required=True, metavar="RECORDING…")
@click.option("--boat", required=True, callback=a_name, help="Name of the boat.")
@click.option(
    "--construction", required=True, callback=a_name, help="As in the panel files: solid, cored_foam, …"
)
@click.option("--hammer", required=True, callback=a_name, help="The hammer, with its head: 60 g steel, say.")
@click.option(
    "--recorder", default="", callback=a_name, help="What recorded: the phone or laptop, and its program."
)
@click.option("--surface-temp-c", type=float, default=float("nan"), help="Surface temperature, °C.")
@click.option(
    "--panel", type=click.Path(), callback=a_path, help="Panel file that says where the places are."
)
@click.option(
    "--taps-per-place", type=click.IntRange(1, 50), help="Strikes at each place, one place after another."
)
@click.option(
    "--out",
    required=True,
    type=click.Path(),
    callback=a_path,
    metavar="FILE",
    help="Baseline file to write (JSON).",
)
@with_settings
def learn(
    recordings: tuple[str, ...],
    boat: str,
    construction: str,
    hammer: str,
    recorder: str,
    surface_temp_c: float,
    panel: str | None,
    taps_per_place: int | None,
    out: str,
    settings: Settings,
) -> None:
    """Learn what good laminate sounds like from taps on places assumed good.

    Strike at least 8 places, better 20, of this boat, construction, hammer and recorder, away from
    structure. Say with --taps-per-place how many strikes each got, or with --panel where they are.
    """
    if (panel is None) == (taps_per_place is None):
        raise click.UsageError("give either --panel or --taps-per-place.")
    from taptone.edges.learning import learn_reference
    from taptone.edges.textfiles import load_panel, may_save_baseline, save_baseline

    may_save_baseline(out)
    with sounds_of(recordings) as (sounds, watched):
        reference, notes = learn_reference(
            [watched(s) for s in sounds],
            panel=load_panel(panel) if panel is not None else None,
            taps_per_place=taps_per_place or 1,
            boat=boat,
            construction=construction,
            hammer=hammer,
            recorder=recorder,
            surface_temp_c=temperature(surface_temp_c),
            settings=settings,
        )
    earlier = save_baseline(reference, out)
    for note in notes:
        tell(f"note: {note}")
    tell("note: that these places are good is your assumption: write down where they lay, and why")
    if earlier:
        tell(f"note: the earlier baseline of that name is now {earlier.name}")
    strikes = sum(reference.taps)
    click.echo(f"{Path(out).name}: {reference.n_places} places, {strikes} strikes")
