"""Straight lines of stations that look like structure nobody declared: a question, never a verdict.

A frame shows as stations one or two abreast in a straight line across the panel, all crisper than their
neighbours, or all suspect and alike. Whether it is one is known from a drawing or from inside, not from here.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.compare import Comparison, crisper
from taptone.pipeline.robust import location_scale
from taptone.types import FloatArray, Station

__all__ = ["hints", "lines"]

_CRISPER = 2.0  # spreads of good stations
_SHARE = 0.75  # of the stations in the line are marked
_BESIDE = 0.34  # at most this share of those right beside it
_SHORTEST = 4  # stations along it
_ACROSS = 0.8  # of the panel's smaller side
_ALIKE = 0.7  # cosine of a suspect's difference with that of the whole line
_MOST = 3  # lines that are spoken of
_MOST_MARKED = 80  # more marked stations are no line


def hints(
    stations: Sequence[Station],
    structure: Sequence[str],
    verdicts: Sequence[str],
    compared: Comparison,
    spacing_m: float,
) -> list[str]:
    """Say which lines of stations look like structure that was not declared.

    Parameters
    ----------
    stations : sequence of Station
        Of a panel.
    structure : sequence of str
        Kind of declared structure under each; those are left out.
    verdicts : sequence of str
        What was made of each.
    compared : Comparison
        How each differs.
    spacing_m : float
        Distance of neighbouring stations.

    Returns
    -------
    list of str
        Questions, at most three of either sort.

    Examples
    --------
    >>> stations = [Station(f"{r}{c + 1}", 0.1 * c, 0.1 * k) for k, r in enumerate("ABCD") for c in range(6)]
    >>> column = np.arange(24) % 6 == 2
    >>> step = np.random.default_rng(0).normal(0, 0.3, (24, 4)) + np.outer(column, [-4.0, 0.0, 4.0, 0.0])
    >>> compared = Comparison(np.ones(24), np.ones(24), ~column, ((),) * 24, difference=step)
    >>> print(*hints(stations, [""] * 24, ["no difference"] * 24, compared, 0.1))
    stations A3 B3 C3 D3 lie in a line and are crisper than those beside it: a frame that was not declared?
    If a drawing or a look inside shows one, declare it (declared_after_tapping = true) and analyse again
    """
    if compared.difference is None:
        return []
    xy_m = np.array([[s.x_m, s.y_m] for s in stations])
    step = compared.difference
    plain = np.isfinite(step).all(axis=1) & np.array([not kind for kind in structure], bool)
    if not (plain & compared.good).any():
        return []
    tilt = np.nan_to_num(step[:, :-1] @ crisper(step.shape[1] - 1))
    usual = float(location_scale(tilt[plain & compared.good])[1])
    brighter = plain & (tilt > _CRISPER * usual) & np.array([v == "no difference" for v in verdicts], bool)
    if compared.crisper is not None:
        brighter |= compared.crisper
    suspect = plain & np.array([v == "suspect" for v in verdicts], bool)
    advice = (
        "If a drawing or a look inside shows one, declare it (declared_after_tapping = true) and analyse "
        "again"
    )
    out = [
        f"stations {_named(stations, line)} lie in a line and are crisper than those beside it: a frame that "
        f"was not declared? {advice}"
        for line in lines(xy_m, brighter, plain, spacing_m)
    ]
    out += [
        f"suspects {_named(stations, line)} lie in a straight line across the panel and differ alike: "
        f"structure that was not declared? {advice}; until then they stay suspect"
        for line in lines(xy_m, suspect, plain, spacing_m)
        if _alike(step[list(line)])
    ]
    return out


def lines(
    xy_m: FloatArray, marked: NDArray[np.bool_], counted: NDArray[np.bool_], spacing_m: float
) -> list[tuple[int, ...]]:
    """Straight lines across a panel, one or two stations wide, of which most stations are marked.

    Parameters
    ----------
    xy_m : ndarray, shape (stations, 2)
        Where they are.
    marked, counted : ndarray of bool, shape (stations,)
        What is looked for, and among what.
    spacing_m : float
        Distance of neighbouring stations.

    Returns
    -------
    list of tuple of int
        Marked stations of each line in order along it; the line with most of them first, none twice.

    Examples
    --------
    >>> y, x = np.mgrid[:5, :6].reshape(2, -1)
    >>> lines(np.stack([x, y], axis=1) * 0.1, x == 2, np.ones(30, bool), 0.1)
    [(2, 8, 14, 20, 26)]
    """
    left = marked & counted
    found: list[tuple[int, ...]] = []
    if not counted.any() or not _SHORTEST <= left.sum() <= _MOST_MARKED:
        return found
    size = np.ptp(xy_m[counted], axis=0)
    least_m = _ACROSS * float(size[size > 0].min()) if (size > 0).any() else 0.0
    while len(found) < _MOST and left.sum() >= _SHORTEST:
        best: tuple[int, ...] = ()
        most = 0
        for a, b in combinations(np.flatnonzero(left), 2):
            along = xy_m[b] - xy_m[a]
            length = float(np.hypot(*along))
            if length < max(least_m, (_SHORTEST - 1) * 0.9 * spacing_m):
                continue
            along = along / length
            off = (xy_m - xy_m[a]) @ np.array([-along[1], along[0]])
            for shift, half in ((0.0, 0.5), (0.5, 0.75), (-0.5, 0.75)):
                inside = counted & (np.abs(off - shift * spacing_m) < (half - 1e-6) * spacing_m)
                beside = counted & ~inside
                beside &= np.abs(off - shift * spacing_m) < (half + 1.0 - 1e-6) * spacing_m
                # What is not marked counts against a line: a slant does not take in a neighbour.
                worth = 2 * int((inside & left).sum()) - int(inside.sum())
                if worth > most and _is_line(xy_m @ along, inside, beside, left, marked, least_m):
                    most = worth
                    here = np.flatnonzero(inside & left)
                    order = np.argsort((xy_m @ along)[here], kind="stable")
                    best = tuple(int(k) for k in here[order])
        if not best:
            break
        found.append(best)
        left[list(best)] = False
    return found


def _is_line(
    along_m: FloatArray,
    inside: NDArray[np.bool_],
    beside: NDArray[np.bool_],
    left: NDArray[np.bool_],
    marked: NDArray[np.bool_],
    least_m: float,
) -> bool:
    """Whether the marked stations of one band reach across the panel, and those beside it are plain."""
    here = inside & left
    # Two abreast are one along the line.
    steps = len(np.unique(np.round(along_m[here], 3)))
    if steps < _SHORTEST or here.sum() < _SHARE * inside.sum():
        return False
    if np.ptp(along_m[here]) < max(least_m, _ACROSS * float(np.ptp(along_m[inside]))):
        return False
    return bool(beside.any() and (beside & marked).sum() <= _BESIDE * beside.sum())


def _alike(step: FloatArray) -> bool:
    """Whether most stations of a line differ in the direction in which the whole line does."""
    mean = step.mean(axis=0)
    size = np.linalg.norm(step, axis=1) * float(np.linalg.norm(mean))
    return bool(np.median(step @ mean / np.maximum(size, 1e-12)) >= _ALIKE)


def _named(stations: Sequence[Station], line: Sequence[int]) -> str:
    labels = [stations[k].label for k in line]
    return " ".join(labels) if len(labels) <= 12 else f"{labels[0]} … {labels[-1]} ({len(labels)})"
