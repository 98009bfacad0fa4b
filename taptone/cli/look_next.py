"""``taptone look-next``: questions of the trade, at each place where something differed."""

from __future__ import annotations

import click

from taptone.cli.common import a_path, as_written, measured, say
from taptone.cli.status import few

__all__ = ["look_next"]

_CALLED: dict[tuple[str, ...], str] = {
    ("area",): "suspect area",
    ("area", "meeting"): "suspect area where kinds of evidence meet",
    ("meeting",): "kinds of evidence meet",
}


@click.command("look-next")
@click.argument("survey", type=click.Path(), callback=a_path, default=".", metavar="[DIR]")
@click.option(
    "--prompts", type=click.Path(), callback=a_path, help="Your own file of questions, in place of ours."
)
@click.option("--show-prompts", is_flag=True, help="Print the file of questions, to edit a copy of it.")
@click.option("--json", "json_", is_flag=True, help="Print JSON.")
def look_next(survey: str, prompts: str | None, show_prompts: bool, json_: bool) -> None:
    """Ask what to look at next in the survey in DIR, at each suspect area and where evidence meets.

    The questions ask and conclude nothing; the kind of source of each stands behind it.
    """
    from taptone.edges.joining import ask_next, prompts_text
    from taptone.edges.store import open_store
    from taptone.edges.visiting import said_in, surveyed
    from taptone.survey.status import status as status_of

    if show_prompts:
        click.echo(prompts_text(prompts), nl=False)
        return
    with open_store(survey) as store:
        as_written(said_in(store))
        held = surveyed(store)
        asked = ask_next(store, prompts)
    if json_:
        import json

        said = [
            {
                "on": list(one.spot.on),
                "place": one.spot.called,
                "kinds": list(one.spot.kinds),
                "ask": [{"ask": p.ask, "source": p.source} for p in one.prompts],
            }
            for one in asked
        ]
        click.echo(json.dumps(said, ensure_ascii=False, indent=1))
        return
    if not asked:
        click.echo("nothing suspect, read or seen yet, so nothing is asked: that says nothing about the boat")
    for one in asked:
        what = _CALLED.get(one.spot.on, one.spot.on[0])
        kinds = f" ({', '.join(one.spot.kinds)})" if one.spot.kinds else ""
        say(f"{what}: {one.spot.called}{kinds}")
        for prompt in one.prompts:
            say(f"  - {prompt.ask} [{prompt.source}]")
    for panel in status_of(held):
        for stations, reason in panel.unclear:
            where = f"{panel.panel}, {few(stations)}"
            say(f"not assessed, and nothing asked there: {where}, because {measured(reason)}")
