"""Areas that differ as stiffer or heavier ones do: crisper as a whole, as over structure nobody declared.

Loose skin gives under the hammer and rings; what stands behind good skin makes it harder under the hammer and
takes the ring away. One strike tells these apart badly, an area does: so suspects that lie together are asked
as one. Both must hold: loose skin has a note of its own, which can be bright, and mush takes the ring away.
Structure reaches across a panel: a few stations by themselves are never called crisper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.compare import Comparison
from taptone.pipeline.judge import Heard, Judgement, off_together
from taptone.pipeline.named import named
from taptone.pipeline.outline import together
from taptone.pipeline.robust import location_scale
from taptone.settings import JudgeSettings
from taptone.types import FloatArray, Point, Station

__all__ = ["FLAG", "say_crisper", "with_crisper"]

FLAG = "crisper"
_FEWEST = 8  # stations: what reaches across a panel is under more


def with_crisper(
    stations: Sequence[Station],
    heard: Sequence[Heard],
    compared: Comparison,
    verdicts: Sequence[Judgement],
    spacing_m: float,
    settings: JudgeSettings = JudgeSettings(),
) -> Comparison:
    """Mark the areas of suspects that are crisper as a whole: whether they are bonded cannot be told.

    Stations that are suspect by the ring of those around them alone do not make an area large enough: what
    was suspect without them stays so. Stations on declared structure are not asked, and one that by itself is
    as much duller, rings as much longer, or rattles, stays out.

    Parameters
    ----------
    stations : sequence of Station
        Of a panel.
    heard : sequence of Heard
        How each sounded.
    compared : Comparison
        How each differs.
    verdicts : sequence of Judgement
        What that alone makes of each.
    spacing_m : float
        Distance of neighbouring stations.
    settings : JudgeSettings, optional
        How many spreads of good stations make an area crisper.

    Returns
    -------
    Comparison
        The same, where nothing is.

    Examples
    --------
    >>> from dataclasses import replace
    >>> stations = [Station(f"A{k + 1}", 0.1 * k, 0.0) for k in range(16)]
    >>> suspect = np.arange(16) > 7
    >>> heard = [Heard(centroid_hz=900.0 + k % 3 + 300 * bad) for k, bad in enumerate(suspect)]
    >>> step = np.stack([np.arange(16) % 3 - 9.0 * suspect] * 2, axis=1)
    >>> near = (tuple(range(8)),) * 16
    >>> compared = Comparison(np.ones(16), np.where(suspect, 1e-6, 0.5), ~suspect, near, heard=step)
    >>> verdicts = [Judgement("suspect" if bad else "no difference", "") for bad in suspect]
    >>> with_crisper(stations, heard, compared, verdicts, 0.1).crisper.tolist()[6:10]
    [False, False, True, True]
    """
    if compared.heard is None or not compared.good.any():
        return compared
    plain = [not h.structure for h in heard]
    suspect = [v.verdict == "suspect" and bare for v, bare in zip(verdicts, plain, strict=True)]
    asked = [s for s, bad in zip(stations, suspect, strict=True) if bad]
    if len(asked) < _FEWEST:
        return compared
    others = [s for s, v in zip(stations, verdicts, strict=True) if v.verdict == "no difference"]
    brighter = _in_spreads(_above_neighbours(heard, compared), compared.good)
    ring = _in_spreads(compared.heard[:, -1], compared.good)
    index = {s.label: k for k, s in enumerate(stations)}
    against = (brighter < -settings.crisper) | (ring > settings.crisper)  # loose on a frame, perhaps
    against |= np.array([v.character == "rattling" for v in verdicts], bool)
    dead = np.array([v.character == "dead" for v in verdicts], bool)  # its click alone is bright
    crisper = np.zeros(len(heard), bool)
    for group in together(asked, others, spacing_m):
        area = [index[s.label] for s in group]
        crisper[area] = (
            sum(not off_together(compared, k) for k in area) >= _FEWEST
            and np.median(brighter[area]) > settings.crisper
            and np.median(ring[area]) < -settings.crisper
            and dead[area].mean() <= 0.5
        )
    crisper &= ~against
    return replace(compared, crisper=crisper) if crisper.any() else compared


def say_crisper(points: Sequence[Point], compared: Comparison) -> tuple[tuple[Point, ...], list[str]]:
    """Say which stations differ, but are crisper.

    Parameters
    ----------
    points : sequence of Point
        As judged.
    compared : Comparison
        From :func:`with_crisper`.

    Returns
    -------
    points : tuple of Point
        They carry the flag ``crisper``.
    notes : list of str
        One, where there are any.

    Examples
    --------
    >>> p = Point("deck", "B3", 0.3, 0.2, 1, (), (), 1.0, "not assessed", reason="cannot be told")
    >>> one = Comparison(np.ones(1), np.ones(1), np.zeros(1, bool), ((),), crisper=np.ones(1, bool))
    >>> say_crisper([p], one)[0][0].flags
    ('crisper',)
    """
    if compared.crisper is None:
        return tuple(points), []
    who = [p.station for p, crisper in zip(points, compared.crisper, strict=True) if crisper]
    note = (
        f"{len(who)} stations differ, but as an area they are brighter than good ones and ring less, as "
        f"over structure nobody declared ({named(who)}). They are not assessed, which does not make them "
        "good: look inside and at the drawings, tap the same place on the other side. Declare what stands "
        "there (declared_after_tapping = true) and analyse again; where nothing stands, treat them as "
        "suspects"
    )
    return tuple(
        replace(p, flags=(*p.flags, FLAG)) if crisper else p
        for p, crisper in zip(points, compared.crisper, strict=True)
    ), [note]


def _above_neighbours(heard: Sequence[Heard], compared: Comparison) -> FloatArray:
    """Logarithm of each centroid over the median of its good neighbours'."""
    log = np.log([h.centroid_hz for h in heard])
    out = np.full(len(log), np.nan)
    for k, near in enumerate(compared.neighbours):
        known = log[list(near)]
        if np.isfinite(known).any():
            out[k] = log[k] - np.nanmedian(known)
    return out


def _in_spreads(values: FloatArray, good: NDArray[np.bool_]) -> FloatArray:
    """How far each lies from good stations, in their spreads; what could not be read lies at their middle."""
    middle, spread = location_scale(values[good])
    return np.nan_to_num((values - middle) / np.maximum(spread, 1e-9))
