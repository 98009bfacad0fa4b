"""Tell noise suppression: holes torn into even noise, and noise let through in the frames about a tap."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.gate import least_silent, silence
from taptone.pipeline.pauses import ABOVE_DB, FULL_BAND_HZ, Heard, Said
from taptone.settings import HealthSettings
from taptone.types import FloatArray

__all__ = ["find_suppression"]

_FLAT_DB = -2.0  # of even noise, eight bins under the window of the frames


def find_suppression(
    h: Heard, s: HealthSettings, band_end: Sequence[Said], codec: str = ""
) -> Iterator[Said]:
    """Say whether noise was taken out band by band.

    Parameters
    ----------
    h : Heard
        The recording, by its taps.
    s : HealthSettings
        From where on it is said.
    band_end : sequence of tuple
        What was said of where its spectrum ends.
    codec : str, optional
        Of the file, where its header names one.

    Yields
    ------
    tuple
        Name, evidence, strength, unit; at most one.

    Examples
    --------
    >>> from taptone.pipeline.listening import Listener
    >>> ear = Listener(48000)
    >>> ear.feed(np.random.default_rng(0).normal(0, 0.01, 96000))
    >>> list(find_suppression(Heard.of(ear.finish(), []), HealthSettings(), []))
    []
    """
    if h.pause.sum() < 8:
        return
    end_hz = band_end[0][2] if band_end else math.inf
    silent, _ = silence(h)
    holes_db, n_bands, low_db = _holes(h, end_hz)
    lossy = any(name == "lossy copy" for name, *_ in band_end)
    torn = (
        n_bands >= 2
        and holes_db >= (1.0 if lossy else max(s.holes_db, 2.0 / math.sqrt(h.pause.sum())))
        and (not lossy or low_db >= 1.0)
    )
    if not torn and not band_end:  # a copy of good quality tears small holes too
        holes_db, n_bands = _steady_holes(h, end_hz)
        torn = n_bands >= 2 and holes_db >= max(_STEADY_HOLES_DB, 1.2 / math.sqrt(h.pause.sum()))
    if torn or silent >= least_silent(s, band_end):
        told = (
            f"the noise between the taps is {holes_db:.2f} dB more ragged than even noise in {n_bands} bands"
        )
        if not torn:
            told = (
                f"{silent:.0%} of the time between the taps there is no sound at all, between scraps of noise"
            )
        yield (
            "noise suppression",
            told + ": it was taken out band by band, and the ends of the taps with it",
            max(holes_db, 0.0),
            "dB",
        )
    elif not band_end and not codec.startswith(_FRAMED):  # a filter rings ahead, and a codec spreads
        lead_db, share, n = _lead(h)
        if n >= s.least_taps and lead_db >= _LEAD_DB:
            yield (
                "noise suppression",
                f"in the last 4 ms before a tap the noise is already {lead_db:.1f} dB louder, before "
                f"{share:.0%} of {n} taps: between them it was turned down, frame by frame, and the ends of "
                "the taps with it",
                max(holes_db, 0.0),
                "dB",
            )


def _holes(h: Heard, end_hz: float) -> tuple[float, int, float]:
    """How much more ragged than even noise the pauses are in most high bands, how many, and in lower ones."""
    high: list[float] = []
    low: list[float] = []
    for b, (from_hz, to_hz) in enumerate(h.g.edges_hz):
        level, flat = h.g.level_db[h.pause, b], h.g.flat_db[h.pause, b]
        heard = level > h.floor_db + ABOVE_DB
        if from_hz < 500.0 or heard.sum() < max(20, 0.03 * len(level)) or np.isnan(flat).all():
            continue
        if to_hz > 0.9 * end_hz and h.g.rate_hz >= FULL_BAND_HZ:  # its end lies in it
            continue
        quiet = heard & (level <= np.percentile(level[heard], 50))
        (high if from_hz >= 2000.0 else low).append(_FLAT_DB - float(np.median(flat[quiet])))
    low_db = min(low, default=0.0)
    if len(high) >= 3:  # all but one must show it: a tone may stand in one
        return float(np.sort(high)[1]), len(high), low_db
    if len(high) == 2 or (high and len(low) == 2):
        return min(high + low) - 0.15, len(high + low), low_db
    return 0.0, 0, low_db


_STEADY_HOLES_DB = 0.05
_STEADY_DB = 1.6  # from the median to the 84th percentile; even noise of 2 kHz keeps within 0.6 dB


def _steady_holes(h: Heard, end_hz: float) -> tuple[float, int]:
    """The same for bands whose noise is steady: no voice is in it, and all its frames tell, on average."""
    own: list[float] = []
    for b, (from_hz, to_hz) in enumerate(h.g.edges_hz):
        level = h.g.level_db[h.pause, b]
        heard = level > h.floor_db + ABOVE_DB
        if from_hz < 2000.0 or to_hz > 0.9 * end_hz or heard.sum() < max(20, 0.03 * len(level)):
            continue
        middle, high = np.percentile(level[heard], [50, 84])
        if high - middle <= _STEADY_DB:
            usual = heard & (level <= middle + 3.0)
            own.append(_FLAT_DB - float(h.g.flat_db[h.pause, b][usual].mean()))
    own.sort()
    return (own[1] if len(own) > 2 else own[0], len(own)) if own else (0.0, 0)


#: Codecs that work in frames themselves.
_FRAMED = ("aac", "mp3", "mp2", "opus", "vorbis", "ac3", "wma")
_LEAD_DB, _LEAD_SHARE = 1.2, 0.65
_LEAST = 6 * (2.0**-15) ** 2 / 12  # rounding, differenced twice


def _lead(h: Heard) -> tuple[float, float, int]:
    """How much louder it is just before a tap than a little earlier, and than the noise: dB, share, taps.

    A frame is let through for the sake of the tap in it: what sounds ahead of the tap in that frame, and what
    the tap itself spreads there, comes through as well. Nothing that happens in air does.
    """
    rows = []
    for tap in h.strong:
        ms = tap.rate_hz / 1000
        before, noise = (_differenced(x, tap.rate_hz) for x in (tap.clip[: tap.onset], tap.noise))
        if tap.onset < 9 * ms or len(noise) < 10 * ms:
            continue
        n = len(before)
        near, far = before[n - round(4 * ms) : n - round(1.5 * ms)], before[: n - round(6.5 * ms)]
        near_db, *other_db = (10 * math.log10(float(x.mean()) + _LEAST) for x in (near, far, noise))
        rows.append([near_db - other for other in other_db])
    if len(rows) < 8:
        return 0.0, 0.0, 0
    table = np.array(rows)
    share = float((table.min(axis=1) > 0).mean())
    agreed = share >= _LEAD_SHARE
    return (float(np.median(table, axis=0).min()) if agreed else 0.0), share, len(table)


def _differenced(x: NDArray[np.float32], rate_hz: int) -> FloatArray:
    """Power of the second difference over an eighth of a millisecond: about 4 kHz, and hardly any wind."""
    lag = max(1, rate_hz // 8000)
    wide = x.astype(float)
    bent: FloatArray = wide[2 * lag :] - 2 * wide[lag:-lag] + wide[: -2 * lag]
    return bent**2
