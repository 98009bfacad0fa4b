"""Tell where the spectrum ends: a low-pass, a lossy copy, or delivery at a lower rate."""

from __future__ import annotations

import math

import numpy as np

from taptone.pipeline.framing import find_frames
from taptone.pipeline.listening import ROUNDING_DB, Gathered
from taptone.pipeline.pauses import FULL_BAND_HZ, Said
from taptone.settings import HealthSettings
from taptone.types import FloatArray

__all__ = ["BAND_ENDS", "find_end"]

#: Findings that say where the spectrum ends: held against a reference in the band that both have.
BAND_ENDS = frozenset({"low-pass", "lossy copy", "delivered rate"})

_TOLD_RATES_HZ = (8000, 11025, 12000, 16000, 22050, 24000)
_FRAMES_DB = 3.0
#: May be finer than 16 bits without having been coded.
_FINER = ("PCM_24", "PCM_32", "FLOAT", "DOUBLE", "FLAC")


def find_end(g: Gathered, s: HealthSettings, codec: str = "") -> list[Said]:
    """Say where the spectrum ends for good, in quiet moments or in loud ones, or that a codec cut its frames.

    Parameters
    ----------
    g : Gathered
        Numbers of the recording.
    s : HealthSettings
        How steep an end must be.
    codec : str, optional
        Of the file, where its header names one.

    Returns
    -------
    list of tuple
        Name, evidence, strength, unit; at most one.

    Examples
    --------
    >>> from taptone.pipeline.listening import Listener
    >>> ear = Listener(8000)
    >>> ear.feed(np.random.default_rng(0).normal(0, 0.01, 80000))
    >>> [(name, _, end_hz, _)] = find_end(ear.finish(), HealthSettings())
    >>> name, end_hz
    ('delivered rate', 4000.0)
    """
    if g.rate_hz < FULL_BAND_HZ:
        told = f"{g.rate_hz} samples a second: nothing above {g.rate_hz / 2000:.1f} kHz can be in it"
        return [("delivered rate", told, g.rate_hz / 2, "Hz")]
    frames_db = find_frames(g.excerpts)
    ends = _steep_end(g, s, codec)
    if frames_db < _FRAMES_DB or (ends and ends[0][0] == "lossy copy"):
        return ends
    told = "cut in frames of 2048 samples, as by AAC: "
    told += f"there the transform is {frames_db:.0f} dB emptier than beside them"
    if ends:
        _, end, at_hz, unit = ends[0]
        return [("lossy copy", f"{end}; {told}", at_hz, unit)]
    return [("lossy copy", f"{told}; no end of the spectrum was found", g.rate_hz / 2, "Hz")]


def _steep_end(g: Gathered, s: HealthSettings, codec: str) -> list[Said]:
    """A steep end of the spectrum with nothing above it, in quiet moments or in loud ones."""
    floor_db = ROUNDING_DB - 10 * np.log10(g.frame / 2)
    count = np.cumsum(g.frames)
    if not count[-1]:
        return []
    loud = int(np.searchsorted(count, 0.08 * count[-1])) + 1
    quiet = int(np.searchsorted(count, 0.8 * count[-1]))
    ends: list[tuple[float, float, float]] = []
    at_quiet = False
    for part, plain_db, bare_db in (
        (slice(quiet, None), s.edge_quiet_db, s.edge_bare_db),
        (slice(0, loud), s.edge_loud_db, 3 * s.edge_bare_db),
    ):
        frames = int(g.frames[part].sum())
        if frames:
            level = 10 * np.log10(g.spectra[part].sum(axis=0) / frames + 1e-18)
            drop_db, at_hz, above_db = _steepest(level, g, *_STEEP)
            bare = above_db - floor_db < 3.0
            if drop_db >= (bare_db if bare else plain_db):
                ends.append((drop_db, at_hz, above_db - floor_db))
            else:  # loud noise takes longer to sink into the rounding
                drop_db, at_hz, above_db = _steepest(level, g, *_SLOWER)
                if above_db - floor_db < 3.0 and drop_db >= 4 * bare_db:
                    ends.append((drop_db, at_hz, above_db - floor_db))
        at_quiet = at_quiet or (bool(ends) and part.stop is None)
    if not ends:
        return []
    drop_db, at_hz, over_db = ends[0]
    at_hz = _ten_down(at_hz, g, slice(quiet, None)) if at_quiet and drop_db > 15.0 else at_hz
    told = f"the spectrum ends at {at_hz / 1000:.1f} kHz, {drop_db:.0f} dB lower beyond, of "
    told += f"{g.rate_hz / 2000:.1f} kHz that the file could hold"
    if over_db < -6.0 and not codec.startswith(_FINER):
        return [
            (
                "lossy copy",
                told + ", where not even rounding is left: a lossy codec leaves such a gap",
                at_hz,
                "Hz",
            )
        ]
    for rate_hz in _TOLD_RATES_HZ:
        if 0.965 <= 2 * at_hz / rate_hz <= 1.08:
            return [("delivered rate", f"{told}: as after delivery at {rate_hz} Hz", at_hz, "Hz")]
    return [("low-pass", told + ": through a low-pass, or a lossy copy", at_hz, "Hz")]


def _ten_down(near_hz: float, g: Gathered, part: slice) -> float:
    """Where the sound about a steep fall is 10 dB below what it was: the end that is told."""
    hz = g.bin_hz
    level = 10 * np.log10(g.spectra[part].sum(axis=0) + 1e-18)
    a, b, c, d = np.searchsorted(hz, (near_hz / 1.6, near_hz / 1.2, near_hz / 1.03, near_hz * 1.25))
    usual = max(float(np.median(level[a:b])), float(np.median(level[b:c])))
    held = np.flatnonzero(level[a:d] >= usual - 10.0)
    return float(hz[a + held[-1]]) if len(held) else near_hz


#: From where to where, in shares of its frequency, the sound above an end is taken; and how many times the
#: slope below the end that is by itself.
_STEEP, _SLOWER = (1.06, 1.25, 1.0), (1.25, 1.6, 1.9)


def _steepest(
    level_db: FloatArray, g: Gathered, near: float, far: float, slopes: float
) -> tuple[float, float, float]:
    """The steepest fall for good: how far beyond the slope before it (dB), where (Hz), the level above it."""
    hz = g.bin_hz
    top = 0.485 * g.rate_hz
    best = (-math.inf, 0.0, 0.0)
    for k in range(*np.searchsorted(hz, (1500.0, 0.43 * g.rate_hz))):
        f = hz[k]
        a, b, c, d, e, t = np.searchsorted(hz, (f / 1.6, f / 1.25, f / 1.2, f / 1.03, f * near, top))
        u = min(int(np.searchsorted(hz, f * far)), int(t))
        if u - e < 2 or d - c < 2 or b - a < 2:
            continue
        before, below, above = (_middle(level_db[i:j]) for i, j in ((a, b), (c, d), (e, u)))
        highest = _middle(np.sort(level_db[e:t])[-3:])
        drop = min(below - above - slopes * max(before - below, 0.0), below - highest)
        if drop > best[0]:
            best = (drop, float(f), above)
    return best


def _middle(values: FloatArray) -> float:
    """The median, without the ceremony: it is asked for some thousand times."""
    ordered = np.sort(values)
    n = len(ordered)
    return float(0.5 * (ordered[(n - 1) // 2] + ordered[n // 2]))
