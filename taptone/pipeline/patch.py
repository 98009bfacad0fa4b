"""Patches with an edge: places that differ, all in the same way, from those that lie around them.

A patch in which every place is a little off passes place by place, and its places vouch for each other,
however plainly it is off as a whole. Laminate that changes does so by degrees; a bond mostly lets go at a
line. So the places of each small disc are held against those right around it, once the slope of a plane
through all of them is taken off, and a step is odd where it is many times as large as the steps of such
discs on this panel usually are: uneven laminate makes these large, and then only a plain patch stands out.
A step towards the high bands alone (a harder contact: a frame, thicker laminate) is none, nor is a bulge,
where the places beside the disc lie on the way.

A patch is neither good nor bad by that: its places are nobody's neighbours, and each is judged by itself, but
with less asked of its chance (:data:`WEIGHT`).

References
----------
The idea of weighing chances by what is known of where they come from: C. R. Genovese, K. Roeder and L.
Wasserman, Biometrika 93 (2006) 509-524. How far a step must stand out, and how much its places weigh, was
chosen on made-up taps of two makings.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.heaps import LEANING
from taptone.pipeline.robust import drawn_in_covariance, location_scale
from taptone.types import FloatArray

__all__ = ["WEIGHT", "Patches", "find_patches", "usual_spacing_m"]

#: The chance of a place in a patch counts as the so manieth part of it.
WEIGHT = 20.0
_ODD, _ODD_ALONE = 8.0**0.5, 12.0**0.5  # times the usual step; where no known-good places fit
_RADII = (1.5, 2.1, 2.9)  # spacings: 9, 13 and 25 places of a whole square grid
_AROUND = 2.1  # spacings beyond the disc
_INSIDE, _OUTSIDE = 6, 8  # places, at least
_OWN, _TOGETHER = 0.5, 5  # of the step, that a place of a patch makes itself; places that do, at least
_FEWEST = 36  # places of a panel: of fewer nobody knows what is usual
_DISCS = 20  # of one size, to know what is usual
_UNLIKE = 0.1  # chance by the reference alone that half of a patch must lie under
_BESIDE = 1.2  # spacings
_FEW = 4  # places beside a disc, and beyond, that tell whether those beside it lie on the way
_MOST = 6  # patches


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """Which patch each station lies in, -1 for none, and how large a step each patch makes.

    ``times`` is that step over what is usual on this panel; from ``least`` on it is a patch.
    """

    which: NDArray[np.intp]
    times: tuple[float, ...] = ()
    least: float = _ODD

    def of(self, k: int) -> NDArray[np.intp]:
        """The stations of the patch that one lies in, itself among them; none where it lies in none."""
        return np.flatnonzero(self.which == self.which[k]) if self.which[k] >= 0 else np.zeros(0, np.intp)


def find_patches(
    off_db: FloatArray,
    xy_m: FloatArray,
    able: NDArray[np.bool_],
    least_spread_db: float,
    harder: FloatArray,
    by_reference: FloatArray | None = None,
) -> Patches:
    """Find discs of stations that differ from those around them, all in the same way and at an edge.

    Parameters
    ----------
    off_db : ndarray, shape (stations, bands)
        How each is off the middle of the panel, as it counts.
    xy_m : ndarray, shape (stations, 2)
        Where they lie.
    able : ndarray of bool, shape (stations,)
        Heard, and with no declared structure under them.
    least_spread_db : float
        Places are never taken to agree better.
    harder : ndarray, shape (bands,)
        A way in which a step does not count, a harder contact's.
    by_reference : ndarray, shape (stations,), optional
        Chance of each by known-good places alone: what is usual among these is no patch. None: there are
        none that fit.

    Returns
    -------
    Patches
        The oddest first; none of fewer than 36 able stations.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> xy_m = np.stack(np.divmod(np.arange(100), 10), axis=1) * 0.1
    >>> off_db = rng.normal(size=(100, 5))
    >>> patch = np.linalg.norm(xy_m - xy_m[44], axis=1) < 0.15
    >>> off_db[patch] += [3.0, 1.0, 0.0, -1.0, -3.0]
    >>> found = find_patches(off_db, xy_m, np.ones(100, bool), 0.5, np.linspace(-1.0, 1.0, 5))
    >>> len(found.times), bool((found.which[patch] == 0).all()), bool((found.which[~patch] == -1).all())
    (1, True, True)
    """
    which, times = np.full(len(able), -1, np.intp), list[float]()
    if able.sum() < _FEWEST:
        return Patches(which)
    far_m = np.linalg.norm(xy_m[:, None] - xy_m[None], axis=2)
    spacing_m = usual_spacing_m(far_m, able)
    if not np.isfinite(spacing_m):
        return Patches(which)
    at, far = xy_m / spacing_m, far_m / spacing_m
    precision = _precision(off_db, far, able, least_spread_db)
    each = np.sqrt(np.einsum("ij,jk,ik->i", off_db, precision, off_db))
    unlike = np.ones(len(able), bool) if by_reference is None else by_reference < _UNLIKE
    least = _ODD_ALONE if by_reference is None else _ODD
    left = able.copy()
    while len(times) < _MOST:
        odd, disc = max(
            (
                step
                for radius in _RADII
                for step in _steps(off_db, at, far, left, radius, precision, harder, each, unlike)
            ),
            key=lambda step: step[0],
            default=(0.0, left),
        )
        if odd < least:
            break
        which[disc] = len(times)
        times.append(odd)
        left &= ~disc
    return Patches(which, tuple(times), least)


def usual_spacing_m(far_m: FloatArray, able: NDArray[np.bool_]) -> float:
    """How far stations lie from the nearest other one, in the middle.

    Parameters
    ----------
    far_m : ndarray, shape (stations, stations)
        How far they lie apart.
    able : ndarray of bool, shape (stations,)
        Which are asked.

    Returns
    -------
    float
        Infinite where none has another one elsewhere.

    Examples
    --------
    >>> in_a_row = np.abs(np.subtract.outer(np.arange(4.0), np.arange(4.0)))
    >>> usual_spacing_m(0.1 * in_a_row, np.ones(4, bool)), usual_spacing_m(in_a_row, in_a_row[0] < 1)
    (0.1, inf)
    """
    apart = np.where(far_m > 0, far_m, np.inf)[np.ix_(able, able)]
    return float(np.median(apart.min(axis=1))) if apart.size else float("inf")


def _precision(
    off_db: FloatArray, far: FloatArray, able: NDArray[np.bool_], least_spread_db: float
) -> FloatArray:
    """Inverse of the covariance with which places side by side differ: no slow change is in it."""
    one, other = np.nonzero(np.triu(far < _BESIDE, 1) & able[:, None] & able[None])
    step = (off_db[one] - off_db[other]) / np.sqrt(2)
    spread = np.maximum(location_scale(step)[1], least_spread_db)
    return np.asarray(np.linalg.inv(drawn_in_covariance(step, spread)), float)


def _steps(
    off_db: FloatArray,
    at: FloatArray,
    far: FloatArray,
    able: NDArray[np.bool_],
    radius: float,
    precision: FloatArray,
    harder: FloatArray,
    each: FloatArray,
    unlike: NDArray[np.bool_],
) -> Iterator[tuple[float, NDArray[np.bool_]]]:
    """Discs that may be patches, and how many times the usual step of discs of their size each makes.

    A disc beside a patch makes as large a step as the patch: of the two the one counts that lies further
    from the middle of the panel. Of a disc those are told that make half of the step themselves.
    """
    squared, discs = [], []
    free = float(harder @ precision @ harder)
    for k in np.flatnonzero(able):
        disc = able & (far[k] <= radius)
        around = able & ~disc & (far[:, disc].min(axis=1) <= _AROUND)
        if disc.sum() < _INSIDE or around.sum() < _OUTSIDE:
            continue
        both = np.concatenate([np.flatnonzero(disc), np.flatnonzero(around)])
        within = np.arange(len(both)) < disc.sum()
        plane = np.column_stack([within, np.ones(len(both)), at[both] - at[k]])
        weights = np.linalg.pinv(plane)  # of the step, and of a plane through both
        step, *slope = weights @ off_db[both]
        pull = step @ precision
        length = float(pull @ step) - max(float(pull @ harder), 0.0) ** 2 / free
        squared.append(length / float(weights[0] @ weights[0]))
        own = (off_db[both] - plane[:, 1:] @ np.array(slope)) @ pull / max(float(pull @ step), 1e-12)
        who = np.zeros(len(able), bool)
        who[both[within & (own >= _OWN)]] = True
        close = far[np.ix_(both, np.flatnonzero(disc))].min(axis=1) <= _BESIDE
        beside, beyond = own[~within & close], own[~within & ~close]
        at_once = min(len(beside), len(beyond)) < _FEW or bool(
            np.median(beside) - np.median(beyond) < LEANING
        )
        further = each[disc].mean() > each[around].mean()
        told = at_once and further and who.sum() >= _TOGETHER and 2 * unlike[who].sum() > who.sum()
        discs.append(who if told else None)
    if len(squared) < _DISCS:
        return
    usual = float(np.median(squared))
    for odd, told in zip(squared, discs, strict=True):
        if told is not None and usual > 0:
            yield float(np.sqrt(odd / usual)), told
