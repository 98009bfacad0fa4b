"""``taptone agree``: how far two people, or ear and program, agree on one grid."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import Path

import click

from taptone.cli.common import a_name, a_path, tell

__all__ = ["agree"]

_MOST = 20  # labels in a line; all of them stand in agree.csv


@click.command()
@click.argument("first", type=click.Path(), callback=a_path, metavar="A")
@click.argument("second", type=click.Path(), callback=a_path, metavar="B")
@click.option("--panel", default="", callback=a_name, help="Of a survey, the panel that is meant.")
@click.option("--good", multiple=True, metavar="WORD", help="Another word for no difference. Several times.")
@click.option(
    "--unassessed", multiple=True, metavar="WORD", help="Another word for not judged. Several times."
)
@click.option("--out", type=click.Path(), callback=a_path, help="Folder for agree.csv and agree.json.")
def agree(
    first: str, second: str, panel: str, good: tuple[str, ...], unassessed: tuple[str, ...], out: str | None
) -> None:
    """Tell where two sets of verdicts or words agree, and how far beyond chance.

    A and B are logs (the program's verdicts), surveys (the surveyor's own words, only those given ear first)
    or CSV files with the columns station and word.
    """
    from taptone.edges.agreeing import load_said, on_one_grid, write_agreement
    from taptone.edges.tables import may_write
    from taptone.errors import printable
    from taptone.survey.agree import GOOD_WORDS, UNASSESSED_WORDS, suspected
    from taptone.survey.agree import agree as agree_on

    if out is not None:
        may_write(Path(out))
    one = load_said(first, panel)
    two = load_said(second, panel or one.panel)
    if not panel and two.panel and not one.panel:
        one = load_said(first, two.panel)
    one, two = on_one_grid(one, two)
    fine, unsaid = (*GOOD_WORDS, *good), (*UNASSESSED_WORDS, *unassessed)
    judged = [suspected(side.words, good=fine, unassessed=unsaid) for side in (one, two)]
    found = agree_on(*judged)
    click.echo(printable(f"first: {one.source}; {_taken(one.words, judged[0])}"))
    click.echo(printable(f"second: {two.source}; {_taken(two.words, judged[1])}"))
    for kind, labels in (
        ("both suspect", found.both),
        ("only the first", found.only_first),
        ("only the second", found.only_second),
        ("neither", found.neither),
        ("not assessed by the first", found.not_by_first),
        ("not assessed by the second", found.not_by_second),
        ("not assessed by either", found.not_by_either),
    ):
        shown = labels if len(labels) <= _MOST else (*labels[:_MOST], "…")
        named = f" ({' '.join(shown)})" if labels and kind != "neither" else ""
        click.echo(printable(f"{kind}: {len(labels)}{named}"))
    click.echo(_spoken(found.kappa, found.low, found.high, found.note))
    if found.assessed:
        click.echo(
            f"{found.assessed} stations assessed by both: the same of {100 * found.observed:.0f} %, where "
            f"chance alone would give {100 * found.expected:.0f} %"
        )
    for line in (*one.notes, *two.notes):
        tell(f"note: {line}")
    click.echo("caution: agreement does not say who is right")
    if out is not None:
        write_agreement(one, two, found, Path(out))
        click.echo(f"written: {out}/agree.csv, agree.json")


def _spoken(kappa: float, low: float, high: float, note: str) -> str:
    from taptone.survey.agree import INTERVAL

    if kappa != kappa:
        return f"Cohen's kappa: not defined ({note})"
    if low != low:
        return f"Cohen's kappa: {kappa:.2f} ({note})"
    return f"Cohen's kappa: {kappa:.2f} (95 % interval {low:.2f} to {high:.2f}, {INTERVAL})"


def _taken(words: Mapping[str, str], judged: Mapping[str, bool | None]) -> str:
    """Which words were taken for what."""
    parts = []
    for meaning, value in (("a difference", True), ("no difference", False), ("not assessed", None)):
        count = Counter(words[label].strip() or "nothing" for label in words if judged[label] is value)
        if count:
            parts.append(f"{', '.join(f'{word} ({n})' for word, n in count.most_common())} → {meaning}")
    return "; ".join(parts)
