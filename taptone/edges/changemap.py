"""The map of changes: a shape for what became of each station, dark for more, open for less.

Told apart by shape and by a word, in black and white throughout: an upright triangle where there is more
difference than before, one on its head where there is less; filled where a suspect came or went for the
whole, open where one only grew or shrank. Nothing is drawn between stations.

Import this module late: it loads matplotlib.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from taptone.edges.comparing import Compared
from taptone.edges.pictures import draw_signs
from taptone.survey.change import CHANGES, NOT_COMPARED, REPAIRED

__all__ = ["counted", "draw_changes"]

_EDGE = {"mec": "black", "mew": 0.9}

#: What became of a station → (shape, size as a share of the room, what it looks like).
_SIGNS: Mapping[str, tuple[str, float, Mapping[str, Any]]] = {
    "new": ("^", 1.05, {"mfc": "black", **_EDGE}),
    "grown": ("^", 1.05, {"mfc": "white", **_EDGE}),
    "gone": ("v", 1.05, {"mfc": "0.6", **_EDGE}),
    "shrunk": ("v", 1.05, {"mfc": "white", **_EDGE}),
    "unchanged, suspect": ("s", 0.9, {"mfc": "0.35", **_EDGE}),
    "unchanged": ("o", 0.55, {"mfc": "white", "mec": "0.25", "mew": 0.7}),
    REPAIRED[0]: ("D", 0.95, {"mfc": "black", **_EDGE}),
    REPAIRED[1]: ("D", 0.85, {"mfc": "white", **_EDGE}),
    REPAIRED[2]: ("P", 0.85, {"mfc": "white", **_EDGE}),
    NOT_COMPARED: ("x", 0.7, {"mec": "black", "mew": 1.0}),
}
_MOST = 10  # stations named below the map


def counted(found: Compared) -> str:
    """How many stations became what, in a line.

    Parameters
    ----------
    found : Compared
        Two visits to one panel.

    Returns
    -------
    str
        Every kind of change, and of the others those that there are.

    Examples
    --------
    >>> from taptone.survey.change import Changes
    >>> counted(Compared(Changes("deck", (), (), "", 0), {}, {}, None, (), (), (), {}))
    '0 new, 0 grown, 0 gone, 0 shrunk, 0 unchanged'
    """
    count = Counter(one.change for one in found.changes.stations)
    kinds = [*CHANGES, *(kind for kind in (*REPAIRED, NOT_COMPARED) if count[kind])]
    return ", ".join(f"{count[kind]} {kind}" for kind in kinds)


def draw_changes(found: Compared, units: str = "m") -> dict[str, bytes]:
    """Draw what became of every station.

    Parameters
    ----------
    found : Compared
        Two visits to one panel.
    units : str, optional
        What lengths are shown in: ``m`` or ``ft-in``.

    Returns
    -------
    dict of str to bytes
        ``changes.svg`` and ``changes.png``, the same bytes on every run.

    Examples
    --------
    >>> from taptone.survey.change import Changes
    >>> from taptone.types import Panel
    >>> deck = Panel("deck", "port", "outside", "solid", "stem", ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0)), ())
    >>> nothing = Compared(Changes("deck", (), (), "", 0), {}, {}, deck, (), (), (), {})
    >>> sorted(draw_changes(nothing))
    ['changes.png', 'changes.svg']
    """
    changes, panel = found.changes, found.panel
    visits = (("earlier", found.earlier), ("later", found.later))
    placed = []
    for one in changes.stations:
        suspect = one.change == "unchanged" and one.later_verdict == "suspect"
        placed.append(("unchanged, suspect" if suspect else one.change, one.station, one.x_m, one.y_m))
    surest = sorted(
        (one for one in changes.stations if one.change in CHANGES[:-1] or one.change == REPAIRED[0]),
        key=lambda one: -one.confidence,
    )
    foot = [f"{one.station} {one.change}: {one.reason}" for one in surest[:_MOST]]
    foot += [f"and {len(surest) - _MOST} more, see changes.csv"] if len(surest) > _MOST else []
    foot += [
        "A change is one of sound, beyond what the same station differs by from one visit to the next; "
        "unchanged means that no sure change was heard, not that there is none."
    ]
    rest = (word for word in (panel.side, panel.face) if word not in panel.name.casefold().split())
    datum = f"Datum (x = 0, y = 0, marked +): {panel.datum}. " if panel.datum else ""
    return draw_signs(
        panel,
        placed,
        _SIGNS,
        spoken=("new", "grown", "gone", "shrunk", REPAIRED[0]),
        title=f"Changes since the earlier visit: {', '.join(filter(None, (panel.boat, panel.name, *rest)))}",
        under=[
            counted(found),
            *(f"{when} visit: {_named(visit)}" for when, visit in visits if visit),
            f"levels matched on {changes.matched_on}",
            *changes.notes,
            *found.cautions,
            f"{datum}Drawn with x to the right and y up, whichever way the panel is looked at.",
        ],
        foot=foot,
        stem="changes",
        units=units,
    )


def _named(visit: Mapping[str, str]) -> str:
    """Which visit it was, and by which log."""
    where = visit["survey"] or visit["log"]
    return f"{where}, date {visit['date'] or 'not recorded'}, log {visit['sha256'][:12]}"
