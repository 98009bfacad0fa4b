"""Which row was tapped twice without a word: the one whose two runs of strikes sound alike, place by place.

Good laminate is not the same everywhere, and a place struck again sounds more like itself than like the place
beside it. How much more is learnt from the rows at hand: where all places sound alike, only those rows are
tied that have the same strikes whichever it was.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from taptone.pipeline.compare import crisper
from taptone.types import FloatArray, Panel, Place

__all__ = ["ROW_AGAIN", "ROW_UNCLEAR", "may_be_twice", "told_by_sound"]

_RARE = 0.02  # chance at which a row that is less alike is out of the question
_LEAST_DB = 1e-3  # so that the logarithm stands where a recording was copied

#: Flags of a station whose row was tapped again, and of one that could not be tied.
ROW_AGAIN, ROW_UNCLEAR = "row again", "row unclear"
_MORE = "row too many"
_SAY = "name the row as tapped again if you know it, or tap these rows again"


def told_by_sound(
    panel: Panel,
    with_twice: Callable[[int], Sequence[Place]],
    shape: Callable[[], FloatArray],
) -> tuple[tuple[Place, ...], tuple[str, ...]] | None:
    """Tie what is sure when one row more was heard than planned and nobody said which was tapped twice.

    Parameters
    ----------
    panel : Panel
        Stations in tapping order.
    with_twice : callable
        Returns the places if that row (by `Station.row`) was tapped twice.
    shape : callable
        Returns how each strike sounded in dB, of shape (strikes, features); asked only if it matters.

    Returns
    -------
    places : tuple of Place
        A station is tied, with the flag ``row too many``, if its strikes are the same whichever of the rows
        that sound alike was tapped twice; the others say ``row unclear``.
    notes : tuple of str
        What was heard.
    None
        Instead of both, where no row tapped twice explains the strikes.

    Examples
    --------
    >>> from taptone.types import Station
    >>> stations = [Station(f"{row}{n}", n / 10, k / 10, k) for k, row in enumerate("AB") for n in (1, 2)]
    >>> panel = Panel("blade", "port", "outside", "foam", "top of stock", (), tuple(stations))
    >>> def with_twice(row):
    ...     first = 2 if row == 0 else 0
    ...     return [
    ...         Place(s, (k + (first if k < 2 else 2),), ("row again",) * (s.row == row))
    ...         for k, s in enumerate(stations)
    ...     ]
    >>> sounds = np.array([[0, 9, 4], [7, 8, 3], [5, 5, 2], [1, 2, 9], [5, 5, 2.1], [1, 2.1, 9]], float)
    >>> places, notes = told_by_sound(panel, with_twice, lambda: sounds)
    >>> [spot.taps for spot in places]
    [(0,), (1,), (4,), (5,)]
    """
    readings: dict[int, Sequence[Place]] = {}
    runs: list[tuple[list[int], list[int]]] = []
    for row in dict.fromkeys(station.row for station in panel.stations):
        places = with_twice(row)
        if not all(spot.taps and set(spot.flags) <= {ROW_AGAIN} for spot in places):
            continue
        own = [k for spot in places if spot.station.row == row for k in spot.taps]
        before = [spot.taps[-1] for spot in places if spot.taps[-1] < own[0]]
        first = list(range(max(before, default=-1) + 1, own[0]))
        if len(first) == len(own):
            readings[row] = places
            runs.append((first, own))
    if not readings:
        return None
    sounds, each = shape(), panel.taps_per_station
    first_time, second_time = (
        [sounds[pair[k]].reshape(len(pair[k]) // each, each, -1).mean(axis=1) for pair in runs]
        for k in (0, 1)
    )
    alike = [list(readings)[k] for k in may_be_twice(first_time, second_time)]
    named = {row: f"{'column' if name.isdigit() else 'row'} {name}" for name, row in panel.row_names.items()}
    which = " or ".join(named.get(row, f"row {row + 1}") for row in alike)
    heard = (
        f"one row more was heard than planned: {which} sounds as if tapped twice and is taken so, the later "
        "counts; if it was another, name that one as tapped again"
    )
    unclear = (
        f"one row more was heard than planned: {which} may have been tapped twice, and the sound does not "
        "tell which"
    )
    tied = []
    for spots in zip(*(readings[row] for row in alike), strict=True):
        if len({spot.taps for spot in spots}) == 1:
            again = (ROW_AGAIN,) * all(ROW_AGAIN in spot.flags for spot in spots)
            tied.append(replace(spots[0], flags=(*again, _MORE), reason=""))
        else:
            tied.append(replace(spots[0], taps=(), flags=(ROW_UNCLEAR,), reason=f"{unclear}: {_SAY}"))
    return tuple(tied), (heard if len(alike) == 1 else f"{unclear}: {_SAY}",)


def may_be_twice(first: Sequence[FloatArray], second: Sequence[FloatArray]) -> list[int]:
    """Return which of some pairs of runs may be one row struck twice.

    Parameters
    ----------
    first, second : sequence of ndarray, each of shape (stations, features)
        How the places of a run sounded in dB, and those of the run after it, in the same order. ``nan``
        where a place was not heard.

    Returns
    -------
    list of int
        The pair that is most alike, and all that are not surely less so: by the test of Welch (Biometrika 34,
        1947) on the logarithm of the distances between the places of a pair, one-sided, at 2 %. An even tilt
        of the spectrum does not count: a harder blow on the same place makes one.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> a, b, c = rng.normal(0, 2, (3, 12, 5))
    >>> a_again = a + rng.normal(0, 0.5, a.shape)
    >>> may_be_twice([a, a_again, b], [a_again, b, c])
    [0]
    """
    from scipy.stats import ttest_ind_from_stats

    apart = []
    for one, other in zip(first, second, strict=True):
        step, tilt = one - other, crisper(one.shape[1])
        step = step - np.outer(step @ tilt, tilt) / (tilt @ tilt)
        far_db = np.sqrt(np.mean(step**2, axis=1))
        apart.append(np.log(np.maximum(far_db[np.isfinite(far_db)], _LEAST_DB)))
    if any(len(own) < 2 for own in apart):
        return list(range(len(apart)))
    most_alike = min(range(len(apart)), key=lambda k: float(apart[k].mean()))
    sizes = [(float(own.mean()), float(own.std(ddof=1)), len(own)) for own in apart]
    with np.errstate(invalid="ignore", divide="ignore"):  # copies of one recording do not vary
        less = [
            ttest_ind_from_stats(*sizes[most_alike], *own, equal_var=False, alternative="less").pvalue < _RARE
            for own in sizes
        ]
    return [k for k, surely in enumerate(less) if k == most_alike or not surely]
