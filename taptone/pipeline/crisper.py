"""Suspects that are crisper than their neighbours: on a panel without declared structure they are noted only.

A frame, a bulkhead, thicker laminate behind the skin make it answer brighter, and never make it ring longer.
Skin that lost its bond rings longer, or answers lower, or hardly rings at all. One station tells these apart
poorly, a group of them better: the middle of the group decides. Where structure is declared, whatever else
differs has to be explained, and stays suspect.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from taptone.pipeline.compare import Comparison
from taptone.pipeline.judge import Heard, Judgement
from taptone.types import FloatArray

__all__ = ["crisper_noted"]

_BRIGHTER = 1.05  # centroid over that of the good neighbours
_RINGS_LESS = -0.3  # spreads of good stations: what rings as long as they do is not crisper
_DEAD = 0.4  # decay under this share of the neighbours': a dead zone keeps only the click
_JOINED = 1.5  # spacings


def crisper_noted(
    verdicts: Sequence[Judgement],
    heard: Sequence[Heard],
    compared: Comparison,
    xy_m: FloatArray,
    spacing_m: float,
) -> tuple[Judgement, ...]:
    """Turn groups of suspects that are crisper into `no difference`, with the reason.

    Parameters
    ----------
    verdicts : sequence of Judgement
        Of every station.
    heard : sequence of Heard
        The stations, in the same order.
    compared : Comparison
        Their differences, in the same order.
    xy_m : ndarray, shape (stations, 2)
        Where they are.
    spacing_m : float
        Stations nearer than one and a half of these belong together.

    Returns
    -------
    tuple of Judgement
        In the same order; confidence and score stay as they were.

    Examples
    --------
    >>> crisper_noted((), (), Comparison(*[np.zeros(0)] * 3, ()), np.zeros((0, 2)), 0.1)
    ()
    """
    out = list(verdicts)
    if compared.difference is None or compared.usual is None:
        return tuple(out)
    ring = compared.difference[:, -1] / max(float(compared.usual[-1]), 1e-9)
    for group in _groups([k for k, v in enumerate(verdicts) if v.verdict == "suspect"], xy_m, spacing_m):
        brighter = _middle([heard[k].centroid_hz / verdicts[k].neighbour_centroid_hz for k in group])
        longer = _middle([heard[k].decay_ms / verdicts[k].neighbour_decay_ms for k in group])
        rings = _middle([float(ring[k]) for k in group])
        if brighter > _BRIGHTER and rings < _RINGS_LESS and not longer < _DEAD:
            said = (
                f"differs, but crisper: {len(group)} station{'s' * (len(group) > 1)} here brighter than the "
                f"neighbours by {100 * (brighter - 1):.0f} % and ringing less, as on a frame or thicker "
                "laminate: noted, not suspected, as no structure is declared here; "
            )
            for k in group:
                reason = said + verdicts[k].reason
                out[k] = replace(verdicts[k], verdict="no difference", character="", reason=reason)
    return tuple(out)


def _groups(stations: Sequence[int], xy_m: FloatArray, spacing_m: float) -> list[list[int]]:
    """Stations that hang together."""
    left, groups = list(stations), []
    while left:
        group = [left.pop(0)]
        for k in group:  # grows as neighbours are found
            near = [j for j in left if math.dist(xy_m[j], xy_m[k]) <= _JOINED * spacing_m]
            group += near
            left = [j for j in left if j not in near]
        groups.append(sorted(group))
    return groups


def _middle(values: Sequence[float]) -> float:
    held = [v for v in values if math.isfinite(v)]
    return float(np.median(held)) if held else math.nan
