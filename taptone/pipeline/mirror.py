"""A panel against its mirror, or a face against the opposite one: that adds suspicion, never lowers it.

What is built alike on both sides cancels between them, even where neighbours differ. Each side is first taken
about the middle of its own good stations and brought to the same spread, so that another hand, day or
distance of the microphone does not count. Then the differences between good stations and their mirror
stations show how alike two good places are; a station that differs by more is less likely good.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.judge import rarity
from taptone.pipeline.robust import location_scale
from taptone.types import Earlier, FloatArray, Panel, Point, Scorer

__all__ = ["Mirrored", "lowered", "match", "mirrored", "pair_chance", "say_mirror"]

_LEAST = 8  # pairs of good stations
_HALF = 0.5  # of what sets a station apart, found on the other side as well
_UNUSUAL = 0.05  # of good pairs; what more of them show says nothing
_TWO = 2.0  # chances: its own and that of the pair


@dataclass(frozen=True, slots=True, eq=False)
class Mirrored:
    """What the other side says of each station.

    ``chance_if_good`` is never above what it was; ``pair_chance`` the share of good pairs that differ at
    least this much, ``nan`` where there is no pair; ``facing_chance`` the other side's own chance at the
    mirror station, 0 where that one may not add suspicion here; ``added`` marks the stations whose chance
    was lowered; ``share`` is how much of what sets a station apart from its own side is found at its mirror
    station too, ``alike`` where that is at least half; ``pairs`` counts the stations that have one.
    """

    chance_if_good: FloatArray
    pair_chance: FloatArray
    facing_chance: FloatArray
    added: NDArray[np.bool_]
    share: FloatArray
    alike: NDArray[np.bool_]
    pairs: int


def match(xy_m: FloatArray, other_xy_m: FloatArray, within_m: float) -> NDArray[np.intp]:
    """Number of the nearest station of the other side, measured from corresponding datums.

    Parameters
    ----------
    xy_m : ndarray, shape (stations, 2)
        Where the stations are.
    other_xy_m : ndarray, shape (others, 2)
        Where those of the other side are: x and y in the same sense, so that a pair has the same numbers.
    within_m : float
        A pair lies no further apart than this.

    Returns
    -------
    ndarray of int, shape (stations,)
        -1 where there is none.

    Examples
    --------
    >>> match(np.array([[0.0, 0.0], [1.0, 0.0]]), np.array([[0.02, 0.01]]), 0.05)
    array([ 0, -1])
    """
    if not len(other_xy_m) or not len(xy_m):
        return np.full(len(xy_m), -1)
    far = np.linalg.norm(xy_m[:, None] - other_xy_m[None], axis=2)
    far = np.where(np.isfinite(far), far, np.inf)
    nearest = far.argmin(axis=1)
    return np.where(far[np.arange(len(xy_m)), nearest] <= within_m + 1e-9, nearest, -1)


def mirrored(
    shape: FloatArray,
    good: NDArray[np.bool_],
    chance_if_good: FloatArray,
    other_shape: FloatArray,
    other_verdicts: Sequence[str],
    other_chance: FloatArray,
    mirror: NDArray[np.intp],
    new_scorer: Callable[[], Scorer],
) -> Mirrored | None:
    """Hold each station against its mirror station.

    Only a station that is the odder of the two, beside a mirror station that is not suspect itself, is held
    to be less likely good: the difference may be the other side's.

    Parameters
    ----------
    shape : ndarray, shape (stations, features)
        How this side sounds; a row of ``nan`` where there was no sound.
    good : ndarray of bool, shape (stations,)
        Stations that served as neighbours.
    chance_if_good : ndarray, shape (stations,)
        Of each station on its own side.
    other_shape : ndarray, shape (others, features)
        How the other side sounds.
    other_verdicts : sequence of str
        Of the other side.
    other_chance : ndarray, shape (others,)
        Of the other side.
    mirror : ndarray of int, shape (stations,)
        From :func:`match`.
    new_scorer : callable
        Makes an unfitted model.

    Returns
    -------
    Mirrored or None
        None where fewer than 8 good stations have a good mirror station.

    Examples
    --------
    >>> from taptone.model.baseline import Baseline
    >>> rng = np.random.default_rng(0)
    >>> built = rng.normal(0, 3, (30, 3))
    >>> here, there = (built + rng.normal(0, 0.3, built.shape) for _ in range(2))
    >>> here[7] += 20
    >>> yes, chance = np.ones(30, bool), np.r_[np.full(7, 0.5), 0.1, np.full(22, 0.5)]
    >>> known = ["no difference"] * 30
    >>> told = mirrored(here, yes, chance, there, known, np.full(30, 0.5), np.arange(30), Baseline)
    >>> np.flatnonzero(told.added), bool(told.chance_if_good[7] < 0.001)
    (array([7]), True)
    """
    fine = np.array([verdict == "no difference" for verdict in other_verdicts], bool)
    heard_there = np.asarray(np.isfinite(other_shape).all(axis=1))
    paired = (mirror >= 0) & np.isfinite(shape).all(axis=1)
    paired[paired] &= heard_there[mirror[paired]]
    both = paired & good
    both[both] &= fine[mirror[both]]
    if both.sum() < _LEAST:
        return None
    middle, scale = location_scale(shape[both])
    other_middle, other_scale = location_scale(other_shape[mirror[both]])
    here = shape - middle
    ratio = np.sqrt(np.mean(scale**2) / max(float(np.mean(other_scale**2)), 1e-12))
    there = np.full_like(shape, np.nan)
    there[paired] = (other_shape[mirror[paired]] - other_middle) * ratio
    chance = pair_chance(here - there, paired, both, new_scorer)
    suspect = np.array([v == "suspect" for v in other_verdicts], bool)
    facing_chance = np.zeros(len(shape))
    facing_chance[paired] = np.where(suspect, 0.0, other_chance)[mirror[paired]]
    lower = lowered(chance_if_good, chance, facing_chance)
    share = np.full(len(shape), np.nan)
    share[paired] = (here[paired] * there[paired]).sum(axis=1) / np.maximum(
        (here[paired] ** 2).sum(axis=1), 1e-12
    )
    return Mirrored(
        lower,
        chance,
        facing_chance,
        lower < chance_if_good,
        share,
        np.nan_to_num(share, nan=0.0) >= _HALF,
        int(paired.sum()),
    )


def pair_chance(
    difference: FloatArray,
    asked: NDArray[np.bool_],
    good: NDArray[np.bool_],
    new_scorer: Callable[[], Scorer],
) -> FloatArray:
    """Share of good pairs that differ at least as much as each pair asked.

    Parameters
    ----------
    difference : ndarray, shape (stations, features)
        One of a pair less the other.
    asked : ndarray of bool, shape (stations,)
        Pairs whose chance is wanted.
    good : ndarray of bool, shape (stations,)
        Pairs to learn from; at least 2.
    new_scorer : callable
        Makes an unfitted model.

    Returns
    -------
    ndarray, shape (stations,)
        ``nan`` where not asked.

    Examples
    --------
    >>> from taptone.model.baseline import Baseline
    >>> difference = np.random.default_rng(0).normal(size=(30, 2))
    >>> difference[4] = 9.0
    >>> good = np.arange(30) > 9
    >>> pair_chance(difference, ~good, good, Baseline)[[3, 4, 20]].round(3)
    array([0.345, 0.009,   nan])
    """
    scorer = new_scorer().fit(difference[good])
    chance = np.full(len(difference), np.nan)
    if asked.any():
        chance[asked] = scorer.chance_if_good(scorer.score_samples(difference[asked]))
    return chance


def lowered(chance_if_good: FloatArray, pair_chance: FloatArray, facing_chance: FloatArray) -> FloatArray:
    """Chance of each station, by its own side and by its pair: never above what it was.

    Parameters
    ----------
    chance_if_good : ndarray
        Of each station on its own side.
    pair_chance, facing_chance : ndarray
        As in :class:`Mirrored`.

    Returns
    -------
    ndarray
        Lower only where the pair is unusual and this station the odder of the two.

    Examples
    --------
    >>> lowered(np.array([0.1, 0.1, 0.1]), np.array([0.001, 0.001, 0.2]), np.array([0.5, 0.05, 0.5]))
    array([0.002, 0.1  , 0.1  ])
    """
    odder = ~(facing_chance <= chance_if_good)
    added = odder & (pair_chance < _UNUSUAL) & (_TWO * pair_chance < chance_if_good)
    return np.where(added, _TWO * pair_chance, chance_if_good)


def say_mirror(
    points: Sequence[Point],
    mirror: Earlier,
    facing: NDArray[np.intp],
    other: Mirrored | None,
    panel: Panel | None,
) -> tuple[Point, ...]:
    """Write beside each station what its mirror station says.

    Parameters
    ----------
    points : sequence of Point
        As judged.
    mirror : Earlier
        The other side.
    facing : ndarray of int, shape (stations,)
        From :func:`match`.
    other : Mirrored or None
        From :func:`mirrored`.
    panel : Panel or None
        Says whether the other is the opposite face.

    Returns
    -------
    tuple of Point
        With ``mirror_station``; suspects that sound the same there carry ``same on the other side``.

    Examples
    --------
    >>> say_mirror([], None, np.zeros(0, int), None, None)
    ()
    """
    side = "face" if panel is not None and panel.opposite_face_of and not panel.mirror_of else "side"
    out = []
    for k, p in enumerate(points):
        if facing[k] < 0:
            out.append(p)
            continue
        label = mirror.labels[facing[k]]
        flags, reason = p.flags, p.reason
        if other is not None and p.verdict == "suspect" and other.alike[k]:
            flags = (*flags, f"same on the other {side}")
            reason += (
                f"; same on the other {side}: {label} differs there in the same way, {other.share[k]:.1f} "
                "times as much"
            )
        elif other is not None and p.verdict != "not assessed" and other.added[k]:
            reason += (
                f"; unlike {label} on the other {side}: {rarity(float(other.pair_chance[k]))} differs this "
                "much from the one that faces it"
            )
        out.append(replace(p, mirror_station=label, flags=flags, reason=reason))
    return tuple(out)
