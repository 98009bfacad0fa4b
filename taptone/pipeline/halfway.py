"""Tell whether two sorts of sound are what was struck before a moment and after it.

Another hammer, tip or hand, a recorder that was moved, alters every strike from one on. Bad skin lies where
it lies: panels are struck row by row, and its edge crosses many rows, but a change of the blow only the one
that was being struck. Where that moment falls between two rows, a bad part that ends there looks the same; so
does one in the first or the last row, or in the only one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Changed", "find_change"]

_STRAYS, _OF_SMALLER = 0.05, 0.2  # share of all, and of the smaller part, on the wrong side of the moment
_FEW = 2  # that may lie there whatever the share
_OF_ROW = 2  # stations of the row on either side, for a moment within it


@dataclass(frozen=True, slots=True, eq=False)
class Changed:
    """From which station on the strikes are another sort, and which stations are struck as the smaller part.

    ``first`` is the first station struck after the moment, ``later`` says that the smaller part is what came
    after it, ``within_row`` that it falls into a row and either part holds other rows whole.
    """

    first: int
    later: bool
    within_row: bool
    theirs: NDArray[np.bool_]


def find_change(
    smaller: NDArray[np.bool_], able: NDArray[np.bool_], struck: Sequence[int], rows: Sequence[int]
) -> Changed | None:
    """The moment that parts the two sorts of sound of a panel, if one does.

    Parameters
    ----------
    smaller : ndarray of bool, shape (stations,)
        Stations of the smaller part.
    able : ndarray of bool, shape (stations,)
        Stations of either.
    struck : sequence of int, length stations
        Number of the first strike of each, in the order of striking.
    rows : sequence of int, length stations
        Row of each.

    Returns
    -------
    Changed or None
        None where more than 5 % of the stations, and more than 2, lie on the wrong side of any moment, or
        more than a fifth of the smaller part.

    Examples
    --------
    >>> every, rows = np.ones(20, bool), [k // 5 for k in range(20)]
    >>> changed = find_change(np.arange(20) >= 12, every, range(20), rows)
    >>> changed.first, changed.later, changed.within_row
    (12, True, True)
    >>> find_change(np.arange(20) >= 17, every, range(20), rows).within_row  # a patch in the last row
    False
    >>> find_change(np.arange(20) % 5 > 2, every, range(20), rows) is None
    True
    """
    turn = np.flatnonzero(able)
    turn = turn[np.argsort(np.asarray(struck)[turn], kind="stable")]
    odd = smaller[turn]
    if not 0 < odd.sum() < len(odd):
        return None
    cuts = np.arange(1, len(odd))
    before = np.cumsum(odd)[:-1]
    after = odd.sum() - before
    strays = np.stack([before + (len(odd) - cuts - after), after + (cuts - before)])  # later, earlier
    later, at = divmod(int(strays.argmin()), len(cuts))
    cut = int(cuts[at])
    if strays.min() > max(_STRAYS * len(odd), _FEW) or strays.min() > _OF_SMALLER * odd.sum():
        return None
    row = np.asarray(rows)[turn]
    sides = row[:cut] == row[cut], row[cut:] == row[cut]
    within_row = all(side.sum() >= _OF_ROW and not side.all() for side in sides)
    theirs = np.zeros(len(smaller), bool)
    theirs[turn[cut:] if later == 0 else turn[:cut]] = True
    return Changed(int(turn[cut]), later == 0, within_row, theirs)
