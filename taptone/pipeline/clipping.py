"""Tell clipping, and flag the taps that cannot be judged: cut off for too long, or overlapped."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.pauses import Said
from taptone.settings import HealthSettings
from taptone.types import Rejected, Tap

__all__ = ["CLIPPED", "OVERLAPPED", "find_clipping", "flagged", "flat_share"]

#: Flags of taps that cannot be judged.
CLIPPED, OVERLAPPED = "clipped beyond use", "overlapped"

_STEP = 2.0**-15  # of 16 bits


def find_clipping(taps: Sequence[Tap]) -> Iterator[Said]:
    """Say whether the loudest taps are cut off at one level.

    Parameters
    ----------
    taps : sequence of Tap
        Of one recording.

    Yields
    ------
    tuple
        Name, evidence, strength, unit; at most one.

    Examples
    --------
    >>> clip = np.r_[np.zeros(480), np.full(48, 1.0), np.zeros(11472)].astype(np.float32)
    >>> [(name, _, share, unit)] = find_clipping([Tap("row.wav", 480, 48000, 0, clip, 12000, clip[:0])])
    >>> name, round(share), unit
    ('clipping', 20, '%')
    """
    ceiling = _ceiling(taps)
    shares = np.array([flat_share(tap, ceiling) for tap in taps])
    full = np.array(["clipped" in tap.flags for tap in taps], bool)
    cut = (shares > 0) | (full if math.isfinite(ceiling) or full.sum() > 1 else False)
    if not cut.any():
        return
    where = "full scale" if ceiling >= 0.999 else f"the same {20 * math.log10(min(ceiling, 1.0)):+.1f} dBFS"
    share = 100 * float(np.median(shares[cut]))
    # What counts for all of the recording is the middle tap, cut or not.
    strength = 100 * float(np.median(shares))
    yield (
        "clipping",
        f"{int(cut.sum())} of {len(taps)} taps reach {where} and are cut off there, the middle one for "
        f"{share:.0f} % of its first 5 ms, which changes how they sound: move the recorder away or lower "
        "its level",
        strength,
        "%",
    )


def flagged(found: Sequence[Tap | Rejected], settings: HealthSettings = HealthSettings()) -> list[Tap]:
    """The taps of a recording, flagged where they are clipped beyond use or overlapped.

    Parameters
    ----------
    found : sequence of Tap or Rejected
        All sudden sounds of one recording, in order.
    settings : HealthSettings, optional
        How much of either is too much.

    Returns
    -------
    list of Tap
        In order.

    Examples
    --------
    >>> flagged([])
    []
    """
    others = np.array([r.sample for r in found if isinstance(r, Rejected)])
    ceiling = _ceiling([t for t in found if isinstance(t, Tap)])
    taps = []
    for tap in found:
        if not isinstance(tap, Tap):
            continue
        flags = []
        if flat_share(tap, ceiling) >= settings.clipped_share:
            flags.append(CLIPPED)
        soon = others[(others > tap.sample) & (others <= tap.sample + round(0.020 * tap.rate_hz))]
        if "bounce" not in tap.flags and (len(soon) or _over_before_db(tap) < settings.overlap_db):
            flags.append(OVERLAPPED)
        taps.append(replace(tap, flags=(*tap.flags, *flags)) if flags else tap)
    return taps


def flat_share(tap: Tap, ceiling: float) -> float:
    """Share of the first 5 ms of a tap that lies at a ceiling.

    Parameters
    ----------
    tap : Tap
        One contact.
    ceiling : float
        Where the sound is cut off, full scale 1.

    Returns
    -------
    float
        0 where fewer than two samples touch it.

    Examples
    --------
    >>> clip = np.r_[np.zeros(480), np.full(48, 1.0), np.zeros(11472)].astype(np.float32)
    >>> round(flat_share(Tap("row.wav", 480, 48000, 0, clip, 12000, clip[:0]), 1.0), 3)
    0.2
    """
    first = np.abs(tap.clip[tap.onset : min(tap.onset + round(0.005 * tap.rate_hz), tap.end)])
    flat = int((first >= ceiling - 2.5 * _STEP).sum())
    return flat / len(first) if flat > 1 else 0.0


def _ceiling(taps: Sequence[Tap]) -> float:
    """The level that the loudest taps share, if they share one; else out of reach."""
    tops = np.array([float(np.abs(t.clip[t.onset : t.end]).max(initial=0.0)) for t in taps])
    top = min(float(tops.max(initial=0.0)), 1.0)  # a decoder may overshoot
    at = np.flatnonzero(tops >= top - 2.5 * _STEP).tolist()
    longest = max((_longest(np.abs(taps[k].clip) >= top - 2.5 * _STEP) for k in at), default=0)
    shared = len(at) >= 2 and longest >= 2
    return top if top > 0.02 and (shared or longest >= 4) else math.inf


def _longest(mask: NDArray[np.bool_]) -> int:
    """Length of the longest run."""
    edges = np.diff(np.r_[0, mask.astype(np.int8), 0])
    return int((np.flatnonzero(edges == -1) - np.flatnonzero(edges == 1)).max(initial=0))


def _over_before_db(tap: Tap) -> float:
    """How far a tap stands over what sounded just before it; infinite where that is the usual noise."""
    lag = max(1, tap.rate_hz // 2000)  # differenced, so that wind and rumble count little
    x = tap.clip[: tap.end].astype(float)
    x = x[lag:] - x[:-lag]
    at = tap.onset - lag
    before = x[max(at - round(0.008 * tap.rate_hz), 0) : max(at - round(0.0005 * tap.rate_hz), 0)]
    after = x[max(at, 0) : max(at, 0) + round(0.020 * tap.rate_hz)]
    noise = tap.noise.astype(float)
    if len(before) < 8 or not len(after) or len(noise) <= lag:
        return math.inf
    quiet = float(np.square(noise[lag:] - noise[:-lag]).mean())
    power = float(np.square(before).mean())
    if power < 10 * quiet or not power:
        return math.inf
    return 10 * math.log10(float(np.square(after).mean()) / power + 1e-30)
