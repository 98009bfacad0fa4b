"""What a person stated of a boat, a panel and a day, held against what was stated before."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from taptone.types import Panel

__all__ = ["JUDGED_ANYWAY", "NAMES", "contradiction", "difference", "frozen"]

#: What must be the same for two recordings to be compared, where both say it.
NAMES = ("boat", "construction", "hammer", "recorder")
#: Before what speaks against a line that was judged all the same.
JUDGED_ANYWAY = "judged anyway, although "


def difference(here: Mapping[str, str], there: Mapping[str, str]) -> tuple[str, str, str] | None:
    """The first thing that both state, and state differently.

    Parameters
    ----------
    here, there : mapping of str to str
        By :data:`NAMES`; what is empty was not stated.

    Returns
    -------
    tuple of str or None
        Which, and what either says.

    Examples
    --------
    >>> difference({"boat": "Kettle", "hammer": "60 g"}, {"boat": "kettle ", "hammer": "90 g"})
    ('hammer', '60 g', '90 g')
    """
    for name in NAMES:
        one, two = here.get(name, "").strip(), there.get(name, "").strip()
        if one and two and one.casefold() != two.casefold():
            return name, one, two
    return None


def contradiction(panel: Panel, stated: Mapping[str, Any]) -> str:
    """What the panel file and the command both say, and say differently; empty if nothing.

    Parameters
    ----------
    panel : Panel
        As its file says.
    stated : mapping
        By :data:`NAMES` and ``surface_temp_c``, as the command says; what is missing was not stated.

    Returns
    -------
    str
        A sentence without a full stop.

    Examples
    --------
    >>> deck = Panel("deck", "port", "outside", "solid", "stem", (), (), hammer="60 g steel")
    >>> contradiction(deck, {"hammer": "90 g steel"})
    'the panel is of another hammer (60 g steel) than stated (90 g steel)'
    """
    here = {name: str(getattr(panel, name)) for name in NAMES}
    found = difference(here, {name: str(stated.get(name, "")) for name in NAMES})
    if found is not None:
        name, one, two = found
        return f"the panel is of another {name} ({one}) than stated ({two})"
    told_c = stated.get("surface_temp_c")
    temp_c = math.nan if told_c is None else float(told_c)
    if abs(panel.surface_temp_c - temp_c) > 0:
        return (
            f"the panel is of another temperature ({panel.surface_temp_c:g} °C) than stated ({temp_c:g} °C)"
        )
    return ""


def frozen(panel: Panel | None, temp_c: float) -> str:
    """Why a panel cannot be heard for frost; empty where it can.

    Parameters
    ----------
    panel : Panel or None
        Its conditions.
    temp_c : float
        Temperature of its surface in °C; ``nan`` where nobody said.

    Returns
    -------
    str
        A reason.

    Examples
    --------
    >>> frozen(None, -3.0)
    'surface at -3 °C: ice can make a loose or wet place sound good'
    """
    ice = "ice can make a loose or wet place sound good"
    if panel is not None and panel.conditions.get("frozen_within_72h") is True:
        return f"frozen within 72 h: {ice}"
    return f"surface at {temp_c:.0f} °C: {ice}" if temp_c <= 0 else ""
