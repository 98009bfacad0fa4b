"""Name stations in a note: all of a few, the first of many."""

from __future__ import annotations

from collections.abc import Sequence

__all__ = ["named"]

_MANY = 12


def named(labels: Sequence[str]) -> str:
    """Labels in one line.

    Parameters
    ----------
    labels : sequence of str
        Of stations.

    Returns
    -------
    str
        All of them, or the first 12 and how many there are.

    Examples
    --------
    >>> named(["A1", "A2"])
    'A1 A2'
    >>> named([f"A{k + 1}" for k in range(13)])
    'A1 A2 A3 A4 A5 A6 A7 A8 A9 A10 A11 A12 … (13)'
    """
    return " ".join(labels) if len(labels) <= _MANY else f"{' '.join(labels[:_MANY])} … ({len(labels)})"
