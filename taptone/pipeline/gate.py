"""Tell a gate: after a tap all bands are turned down at once, the noise in the highest with them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from taptone.pipeline.pauses import BEFORE_S, Heard, Said
from taptone.settings import HealthSettings

__all__ = ["find_gate", "least_silent", "silence"]

_RISE_DB = 2.5  # the noise behind an open gate, above that behind a closed one
_ALIVE = 6  # bands that must be heard before a gate is seen to close: low notes alone beat by themselves


def find_gate(h: Heard, s: HealthSettings, band_end: Sequence[Said]) -> Iterator[Said]:
    """Say whether a gate shut after the taps.

    Parameters
    ----------
    h : Heard
        The recording, by its taps.
    s : HealthSettings
        From where on it is said.
    band_end : sequence of tuple
        What was said of where its spectrum ends.

    Yields
    ------
    tuple
        Name, evidence, strength, unit; at most one.

    Examples
    --------
    >>> from taptone.pipeline.listening import Listener
    >>> ear = Listener(48000)
    >>> ear.feed(np.random.default_rng(0).normal(0, 0.01, 96000))
    >>> list(find_gate(Heard.of(ear.finish(), []), HealthSettings(), []))
    []
    """
    if h.pause.sum() < 8:
        return
    silent, ragged = silence(h)
    shut, depth_db, at_ms = _closing(h)
    n = len(h.onset_s)
    share = shut / max(n, 1)  # in a room few taps can tell: those are not enough
    if n >= s.least_taps and share >= s.gate_share:
        yield (
            "gate",
            f"{at_ms:.0f} ms after a tap the sound is turned down by {depth_db:.0f} dB in all bands at once, "
            f"after {share:.0%} of {n} taps"
            + (f"; {silent:.0%} of the pauses hold no sound" * (silent > 0.1)),
            at_ms,
            "ms",
        )
        return
    if silent >= least_silent(s, band_end) and ragged < 0.06 * silent:
        yield (
            "gate",
            f"{silent:.0%} of the time between the taps there is no sound at all, not even noise: the "
            "recorder took it out, and may have cut the end of each tap; switch off what suppresses noise",
            _hold_ms(h),
            "ms",
        )
        return
    rise_db, share, n, to_ms = _open(h)
    # The second of two strikes finds it still open, and tells nothing.
    if n >= s.least_taps and share >= 0.5 * s.gate_share:
        yield (
            "gate",
            f"for {to_ms:.0f} ms and more after a tap high noise stands {rise_db:.1f} dB above that before "
            f"it and does not die away, after {share:.0%} of {n} taps: it is turned down between them",
            to_ms,
            "ms",
        )


def silence(h: Heard) -> tuple[float, float]:
    """How much of the pauses is exact silence, and how much is scraps of sound in it.

    Parameters
    ----------
    h : Heard
        The recording, by its taps.

    Returns
    -------
    silent, ragged : float
        Shares of the frames.

    Examples
    --------
    >>> from taptone.pipeline.listening import Listener
    >>> from taptone.types import Rejected
    >>> ear = Listener(48000)
    >>> ear.feed(np.zeros(96000))
    >>> silence(Heard.of(ear.finish(), [Rejected("row.wav", 0, 48000, "")]))
    (1.0, 0.0)
    """
    zeros = h.g.zeros[h.pause]
    return float((zeros > 0.9995).mean()), float(((zeros > 0.6) & (zeros <= 0.9995)).mean())


def least_silent(s: HealthSettings, band_end: Sequence[Said]) -> float:
    """Share of the pauses that must be silent: where the band is narrow, noise may be gone by itself.

    Parameters
    ----------
    s : HealthSettings
        From where on it is said.
    band_end : sequence of tuple
        What was said of where the spectrum ends.

    Returns
    -------
    float
        Between 0 and 1.

    Examples
    --------
    >>> narrow = [("low-pass", "it ends", 3400.0, "Hz")]
    >>> least_silent(HealthSettings(), []), least_silent(HealthSettings(), narrow)
    (0.2, 0.5)
    """
    end_hz = band_end[0][2] if band_end else math.inf
    return s.silent_share if end_hz > 9000.0 else max(s.silent_share, 0.5)


_OPEN_S = ((0.12, 0.22), (0.22, 0.35))


def _open(h: Heard) -> tuple[float, float, int, float]:
    """How far noise behind the open gate lies above that before the tap: dB, share of taps, taps, ms.

    The highest bands are asked: there a tap has died first, in a room too, and what goes on evenly is noise.
    """
    bands = [b for b, (low, _) in enumerate(h.g.edges_hz) if low >= 4000.0][-3:]
    if len(bands) < 2:
        return 0.0, 0.0, 0, 0.0
    level = np.maximum(h.g.level_db[:, bands], h.floor_db)
    rows = []
    for t, after in zip(h.onset_s, h.next_tap_s, strict=True):
        before = h.frames(t - 0.10, t - 0.005)
        if before.stop - before.start < 3 or h.since_tap_s[before].min() < 0.25:
            continue
        own = [h.frames(t + start_s, t + stop_s) for start_s, stop_s in _OPEN_S]
        if all(part.stop > part.start for part in own) and t + _OPEN_S[-1][1] <= after - BEFORE_S:
            rows.append([level[part].mean(axis=0) - level[before].mean(axis=0) for part in own])
    if len(rows) < 8:
        return 0.0, 0.0, 0, 0.0
    table = np.array(rows)
    whole = table.mean(axis=2)
    even = np.abs(whole[:, 1] - whole[:, 0]) <= 0.25 * np.abs(whole).max(axis=1)
    stands = even & (table.min(axis=(1, 2)) >= _RISE_DB)
    sinks = even & (table.max(axis=(1, 2)) <= -_RISE_DB)  # a machine that comes and goes does either
    if stands.sum() <= 4 * sinks.sum():
        return 0.0, 0.0, 0, 0.0
    return float(np.median(whole[stands])), float(stands.mean()), len(table), 1000 * _OPEN_S[-1][1]


def _closing(h: Heard) -> tuple[int, float, float]:
    """Taps after which every band falls at once, beyond its own fall before: how many, dB, ms after."""
    level = np.maximum(h.g.level_db[:, 1:], h.floor_db)
    depths, times = [], []
    for t, after in zip(h.onset_s, h.next_s, strict=True):
        own = h.frames(t, min(after - 0.01, t + 0.6))
        x = level[own]
        if len(x) < 10:
            continue
        # From here to the loudest that still comes, three frames at a time: what beats comes back.
        smooth = (x[:-2] + x[1:-1] + x[2:]) / 3.0
        later = np.maximum.accumulate(smooth[::-1], axis=0)[::-1][5:]
        n = len(later)
        fall = x[2 : 2 + n] - np.maximum(later, x[6 : 6 + n] - 3.0)
        prior = np.maximum(x[:n] - x[2 : 2 + n], 0.0)
        beyond = fall - 2.0 * prior  # a straight fall goes on as it was; four frames against two
        alive = x[2 : 2 + n] > h.floor_db + 6.0
        enough = alive.sum(axis=1) >= _ALIVE
        if not enough.any():
            depths.append(0.0)
            times.append(0.0)
            continue
        # The fourth part of the bands that falls least may do as it likes.
        least = np.sort(np.where(alive, beyond, np.inf), axis=1)
        pick = least[np.arange(len(least)), alive.sum(axis=1) // 4]
        pick = np.where(enough, pick, -np.inf)
        k = int(np.argmax(pick))
        depths.append(float(pick[k]))
        times.append(1000 * (float(h.time_s[own][2 + k]) - t))
    depth, time = np.array(depths), np.array(times)
    shut = depth >= 5.0
    if not shut.any():
        return 0, 0.0, 0.0
    return int(shut.sum()), float(np.median(depth[shut])), float(np.median(time[shut]))


def _hold_ms(h: Heard) -> float:
    """Middle time after a tap at which exact silence begins."""
    times = []
    for t, after in zip(h.onset_s, h.next_s, strict=True):
        own = h.frames(t, after)
        mute = np.flatnonzero(h.g.zeros[own] > 0.9995)
        if len(mute):
            times.append(1000 * (float(h.time_s[own][mute[0]]) - h.half_s - t))
    return float(np.median(times)) if times else math.nan
