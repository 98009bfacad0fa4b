"""Tell gain control: noise sinks after a tap and creeps back, by as much in every band."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import product

import numpy as np

from taptone.pipeline.pauses import BEFORE_S, FULL_BAND_HZ, Heard, Said, more_than_chance
from taptone.settings import HealthSettings
from taptone.types import FloatArray

__all__ = ["find_gain"]


def find_gain(h: Heard, s: HealthSettings, band_end: Sequence[Said]) -> Iterator[Said]:
    """Say whether a gain followed the taps: nothing else lowers noise in every band alike.

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
    >>> list(find_gain(Heard.of(ear.finish(), []), HealthSettings(), []))
    []
    """
    if not h.pause.any():
        return
    usual = np.median(h.g.level_db[h.pause], axis=0)
    bands = [
        b
        for b, (low, _) in enumerate(h.g.edges_hz)
        if low >= (1000.0 if h.g.rate_hz >= FULL_BAND_HZ else 500.0) and usual[b] > h.floor_db + _ABOVE_DB
    ][-3:]
    if len(bands) < 2:
        return
    level = np.maximum(h.g.level_db[:, bands], h.floor_db)
    # The ring of a tap has left the two highest first; three are surer where it has left them too.
    # A codec, though, is most at liberty there.
    highest = _dip(h, level[:, -2:]) if not band_end else (0.0, 0.0, 0, 0.0)
    dip_db, agree, n, at_ms = max(_dip(h, level), highest)
    if n >= s.least_taps and dip_db >= s.gain_db and agree >= s.gain_share:
        yield (
            "gain control",
            f"{at_ms:.0f} ms after a tap the noise lies {dip_db:.1f} dB lower than before it, after "
            f"{agree:.0%} of {n} taps and in all bands alike",
            dip_db,
            "dB",
        )
        return
    rise_db_s, agree, n, length_s = _rise(h, level)
    if n >= s.least_taps and rise_db_s >= s.gain_db_s and agree >= s.gain_share:
        yield (
            "gain control",
            f"in the pauses the noise rises by {rise_db_s:.1f} dB a second, in {agree:.0%} of {n} pauses and "
            "in all bands alike",
            rise_db_s * length_s,
            "dB",
        )


#: Where noise is held against that before the tap, in s after it: a fast recovery shows early, a slow one
#: late.
_AFTER_S = ((0.02, 0.07), (0.04, 0.10), (0.06, 0.14), (0.10, 0.20), (0.20, 0.35), (0.35, 0.60))
_ABOVE_DB = 1.0  # over the rounding: noise whose sinking can still be heard


def _dip(h: Heard, level: FloatArray) -> tuple[float, float, int, float]:
    """How far noise lies below that before the tap, where it lies lowest: dB, share of taps, taps, ms."""
    table = np.full((len(h.onset_s), len(_AFTER_S), level.shape[1]), np.nan)
    for k, (t, after) in enumerate(zip(h.onset_s, h.next_tap_s, strict=True)):
        before = h.frames(t - 0.18, t - 0.005)
        if before.stop - before.start < 4 or h.since_tap_s[before].min() < 0.15:
            continue
        usual = level[before].mean(axis=0)
        for q, (start_s, stop_s) in enumerate(_AFTER_S):
            own = h.frames(t + start_s, t + stop_s)
            if own.stop > own.start and t + stop_s <= after - BEFORE_S:
                table[k, q] = level[own].mean(axis=0) - usual
    best = (0.0, 0.0, 0, 0.0)
    louder = h.onset_db >= np.median(h.onset_db) if len(h.onset_db) else np.zeros(0, bool)
    # A gain control may act on the louder half alone.
    for taps, (q, (start_s, stop_s)) in product((louder | True, louder), enumerate(_AFTER_S)):
        rows = table[taps, q][np.isfinite(table[taps, q, 0])]
        if len(rows) < 8:
            continue
        whole = rows.mean(axis=1)
        dip_db = -float(np.median(whole))
        # A voice or a machine that stops does not sink alike in all bands, nor after every tap.
        alike = -float(np.median(rows, axis=0).max()) >= 0.5 * dip_db
        lower = float((whole < 0).mean())
        if alike and dip_db > best[0] and more_than_chance(lower, len(rows)):
            best = (dip_db, lower, len(rows), 500 * (start_s + stop_s))
    return best


def _rise(h: Heard, level: FloatArray) -> tuple[float, float, int, float]:
    """How fast noise rises in the later part of pauses: dB a second, share, pauses, seconds of a pause."""
    slopes, lengths = [], []
    for t, after in zip(h.onset_s, h.next_tap_s, strict=True):
        own = h.frames(t + 0.25, min(after - BEFORE_S, t + 2.5))
        if own.stop - own.start >= 8:
            slopes.append(np.polyfit(h.time_s[own], level[own], 1)[0])
            lengths.append(float(h.time_s[own][-1] - t))
    if not slopes:
        return 0.0, 0.0, 0, 0.0
    table = np.array(slopes)
    whole, bands = table.mean(axis=1), np.median(table, axis=0)
    rise = float(np.median(whole))
    rising = float((whole > 0).mean())
    alike = bands.min() >= 0.4 * rise and more_than_chance(rising, len(table))
    return rise if alike else 0.0, rising, len(table), float(np.median(lengths))
