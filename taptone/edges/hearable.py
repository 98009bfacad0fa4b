"""What a plan rests on beside geometry: how small a loose patch the stated skin lets the stated hammer hear.

Good panels are made from first principles on the stated laminate, tapped by an ordinary hand in a quiet yard,
and go through the whole analysis, which says of every station what size would have been noticed there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taptone.survey.lattice import lay
from taptone.survey.qualify import hammer_of, materials_of
from taptone.types import Laminate, Panel, Recording

__all__ = ["Hearable", "hearable"]

_PANELS = 2
_SIDE_M, _SPACING_M = 1.05, 0.15  # 49 stations, enough to judge one another
_RATE_HZ = 48_000
_QUIET_DB = 45.0  # a tap over the noise of a still day: common practice, no source


@dataclass(frozen=True, slots=True)
class Hearable:
    """Smallest loose patch under a station that would probably be noticed, and what that rests on.

    ``across_m`` is ``nan`` where even the widest would not reliably be; ``lacking`` says what has to be
    stated before it can be worked out.
    """

    across_m: float = math.nan
    rests_on: tuple[str, ...] = ()
    lacking: str = ""


def hearable(laminate: Laminate | None, hammer: str) -> Hearable:
    """How small a loose patch a skin lets a hammer hear, in a quiet yard: an estimate.

    Parameters
    ----------
    laminate : Laminate or None
        As stated in the panel file.
    hammer : str
        As stated: mass and tip.

    Returns
    -------
    Hearable
        For a round patch with air behind it, centred under a station, noticed nine times in ten.

    Examples
    --------
    >>> hearable(None, "60 g plastic").lacking
    'state [laminate] with skin_mm, core and core_mm in the panel file'
    """
    if laminate is None:
        return Hearable(lacking="state [laminate] with skin_mm, core and core_mm in the panel file")
    found = hammer_of(hammer)
    if found is None:
        return Hearable(lacking='state the hammer by its mass and tip, such as "60 g steel"')
    core = "no core" if laminate.core == "none" else f"{laminate.core} core {laminate.core_mm:g} mm"
    rests_on = (
        f"skin {laminate.skin_mm:g} mm",
        core,
        f"hammer {found[0]:g} g {found[1]}",
        *materials_of(laminate).assumed,
    )
    across = [size for seed in range(_PANELS) for size in _sizes(laminate, *found, seed)]
    # A station that would notice nothing counts as a patch without end.
    middle = float(np.median([math.inf if math.isnan(size) else size for size in across] or [math.inf]))
    return Hearable(middle if math.isfinite(middle) else math.nan, rests_on)


@lru_cache(maxsize=16)
def _sizes(laminate: Laminate, mass_g: float, tip: str, seed: int) -> tuple[float, ...]:
    """What the analysis says of each station of one made panel, in metres."""
    from taptone.edges.analysing import analyse_sounds
    from taptone.edges.qualifying import build_of
    from taptone.physics import scene as physics

    side = ((0.0, 0.0), (_SIDE_M, 0.0), (_SIDE_M, _SIDE_M), (0.0, _SIDE_M))
    panel = Panel(
        name="made",
        side="port",
        face="outside",
        construction="as stated",
        datum="corner",
        outline=side,
        stations=lay(side, _SPACING_M, "serpentine rows"),
        spacing_m=_SPACING_M,
        path="serpentine rows",
        hammer=f"{mass_g:g} g {tip}",
        laminate=laminate,
    )
    scene = physics.Scene(
        build_of(materials_of(laminate)),
        physics.hammer(mass_g / 1000, tip),
        spread=physics.Spread(aim_sd_m=0.0075, angle_sd_deg=10.0),  # an ordinary hand, not a careful one
        snr_db=_QUIET_DB,
        seed=seed,
    )
    rng = np.random.default_rng(seed)
    plan = physics.tapping_times(
        [(s.x_m, s.y_m) for s in panel.stations], [s.row for s in panel.stations], rng=rng
    )
    samples, _ = physics.recording(scene, plan, rate_hz=_RATE_HZ, rng=rng)
    by_noise: Any = analyse_sounds([_Made(samples)], panel=panel).smallest.get("by_noise", ())
    return tuple(
        math.nan if row["across_mm"] is None else row["across_mm"] / 1000
        for row in by_noise
        for _ in row["stations"]
    )


class _Made:
    """Samples in memory that are listened to like a file."""

    def __init__(self, samples: NDArray[np.float32]) -> None:
        self._samples = samples
        self.recording = Recording(name="made", sha256="0" * 64, rate_hz=_RATE_HZ, samples=len(samples))

    def blocks(self) -> Iterator[NDArray[np.float32]]:
        """Yield a second at a time."""
        for start in range(0, len(self._samples), _RATE_HZ):
            yield self._samples[start : start + _RATE_HZ]
