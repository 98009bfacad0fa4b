"""A panel that is laid out anew: which station lies where an earlier one lay, and its name where none does.

A label is only a name; the place is two lengths of tape from the datum. Where the datum itself is another, no
place of before is any place of today.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from taptone.survey.records import PlannedStation

__all__ = ["SAME_PLACE_M", "earlier_label", "one_datum", "station_at"]

SAME_PLACE_M = 0.002  # panel files are written, and logs rounded, in millimetres


def station_at(
    stations: Iterable[PlannedStation], label: str, x_m: float, y_m: float
) -> PlannedStation | None:
    """Return the station at a place.

    Parameters
    ----------
    stations : iterable of PlannedStation
        Of one panel, as it is today.
    label : str
        What the place was called, if two stations of today lie there.
    x_m, y_m : float
        The place.

    Returns
    -------
    PlannedStation or None
        None where no station lies within 2 mm.

    Examples
    --------
    >>> today = [PlannedStation(panel="blade", label="B1", x_m=0.1, y_m=0.3, row=0)]
    >>> station_at(today, "A1", 0.1, 0.3).label, station_at(today, "B1", 0.1, 0.2)
    ('B1', None)
    """
    here = [s for s in stations if math.dist((s.x_m, s.y_m), (x_m, y_m)) <= SAME_PLACE_M]
    return min(here, key=lambda s: s.label != label, default=None)


def earlier_label(label: str, x_m: float, y_m: float, datum: str = "") -> str:
    """Call a station of an earlier layout by a name that says where it lay.

    Parameters
    ----------
    label : str
        As it was.
    x_m, y_m : float
        Its place.
    datum : str, optional
        What that was measured from, if not from the datum of today.

    Returns
    -------
    str
        No label of a grid.

    Examples
    --------
    >>> earlier_label("A9", 1.35, 0.1)
    'A9 of an earlier layout (1.350 m along x and 0.100 m along y)'
    """
    whence = f" from {datum}" if datum else ""
    x, y = (f"{round(m, 3) + 0.0:.3f} m along {axis}" for m, axis in ((x_m, "x"), (y_m, "y")))
    return f"{label} of an earlier layout ({x} and {y}{whence})"


def one_datum(then: str, now: str) -> bool:
    """Whether two descriptions of a datum are of one point: one of them may only say more than the other.

    Parameters
    ----------
    then, now : str
        As the panel files have it.

    Returns
    -------
    bool
        Case and blanks do not count.

    Examples
    --------
    >>> one_datum("Stem head", "stem head, x aft"), one_datum("stem head, x aft", "stem head, x forward")
    (True, False)
    """
    one, other = (" ".join(text.casefold().split()) for text in (then, now))
    return one.startswith(other) or other.startswith(one)
