"""What the recorder and the room did to the sound, told from the sound itself, with the numbers it rests on.

Every finding compares the recording with itself: noise before the taps with noise after them, the spectrum
of its quiet moments with that of its loud ones. `docs/health.md` defines each in numbers and says what cannot
be told. A finding is a note; whether it stands in the way of a comparison is another question (`faults`).

==================  =======  ===============================================================================
``gain control``    dB       how far the noise sinks after a tap, in all bands alike
``gate``            ms       after a tap, when all bands are turned down at once
``noise             dB       how much more ragged than even noise the pauses are, over eight neighbouring
suppression``                bins of a frame of 20 ms
``clipping``        %        share of the first 5 ms of the middle tap that is flat
``low-pass``,       Hz       where the spectrum ends
``lossy copy``,
``delivered rate``
``start spike``     share    of full scale, that the start is pushed off zero
``wind``            dB       noise of 60 to 200 Hz over noise of 0.5 to 2 kHz, a bin
``room``            ms       its decay by 60 dB
==================  =======  ===============================================================================
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.decay import Room
from taptone.pipeline.listening import ROUNDING_DB, Gathered
from taptone.settings import HealthSettings
from taptone.types import Finding, FloatArray, Recording, Rejected, Tap

__all__ = ["BAND_ENDS", "CLIPPED", "OVERLAPPED", "START_S", "find_health", "flagged", "flat_share"]

#: Flags of taps that cannot be judged.
CLIPPED, OVERLAPPED = "clipped beyond use", "overlapped"
#: Findings that say where the spectrum ends: held against a reference in the band that both have.
BAND_ENDS = frozenset({"low-pass", "lossy copy", "delivered rate"})

_STEP = 2.0**-15  # of 16 bits
_STRONG_DB = 15.0  # below the upper quartile of the taps
_TAIL_S, _BEFORE_S = 0.2, 0.02  # a pause begins and ends this far from any sudden sound
_PAUSE_S = 3.0  # and is listened to for no longer than this
_ABOVE_DB = 4.0  # over the rounding: noise that is heard
_TOLD_RATES_HZ = (8000, 11025, 12000, 16000, 22050, 24000)
_FULL_BAND_HZ = 32000  # files below this rate lack what a tap may hold
_FINER = (
    "PCM_24",
    "PCM_32",
    "FLOAT",
    "DOUBLE",
    "FLAC",
)  # may be finer than 16 bits without having been coded
_SPEECH_CODECS = ("amr", "gsm", "speex", "evs")
_FLAT_DB = -2.0  # of even noise, eight bins under this window
#: A start that is not to be trusted lasts this long.
START_S = 0.42


def find_health(
    gathered: Gathered,
    found: Sequence[Tap | Rejected],
    recording: Recording,
    settings: HealthSettings = HealthSettings(),
    *,
    room: Room | None = None,
) -> tuple[Finding, ...]:
    """Name what was done to a recording.

    Parameters
    ----------
    gathered : Gathered
        Its numbers, frame by frame.
    found : sequence of Tap or Rejected
        All its sudden sounds, in order.
    recording : Recording
        Its name and sample rate.
    settings : HealthSettings, optional
        From where on something is said.
    room : Room, optional
        The place's own decay, where it was heard.

    Returns
    -------
    tuple of Finding
        In the order of the table above; none of a recording without anything to say.

    Examples
    --------
    >>> from taptone.pipeline.listening import Listener
    >>> ear = Listener(8000)
    >>> ear.feed(np.random.default_rng(0).normal(0, 0.01, 80000))
    >>> [finding] = find_health(ear.finish(), [], Recording("note.amr", "", 8000, 80000))
    >>> finding.name, finding.evidence
    ('delivered rate', '8000 samples a second: nothing above 4.0 kHz can be in it')
    """
    said: list[tuple[str, str, float, str]] = []
    heard = _Heard.of(gathered, found)
    if len(gathered.zeros):
        ends = _band_end(gathered, settings, recording.codec)
        # A codec for speech turns noise up and down as it likes.
        if not recording.codec.startswith(_SPEECH_CODECS):
            said += _gain(heard, settings)
            said += _gate_or_suppression(heard, settings, ends)
        said += _clipping([t for t in found if isinstance(t, Tap)])
        said += ends
        said += _spike(gathered, settings)
        said += _wind(heard, settings)
        if not any(name == "gate" for name, *_ in said):  # which ends all taps alike, as a room does
            said += _room(heard, settings, room)
    return tuple(Finding(recording.name, *one) for one in said)


# -- taps that cannot be judged -------------------------------------------------------------------------


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


# -- pauses ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Heard:
    """A recording's numbers, laid out by its taps: `onset_s` of strong ones, `next_s` what follows each."""

    g: Gathered
    time_s: FloatArray
    half_s: float
    since_tap_s: FloatArray
    pause: NDArray[np.bool_]
    onset_s: FloatArray
    onset_db: FloatArray
    next_s: FloatArray
    next_tap_s: FloatArray
    floor_db: float

    @classmethod
    def of(cls, g: Gathered, found: Sequence[Tap | Rejected]) -> _Heard:
        all_s = np.array([f.time_s for f in found])
        taps = [t for t in found if isinstance(t, Tap) and "bounce" not in t.flags]
        level = np.array([_level_db(t) for t in taps])
        strong = level >= np.percentile(level, 75) - _STRONG_DB if len(level) else np.zeros(0, bool)
        onset_s = np.array([t.time_s for t in taps])[strong]
        time_s, half_s = g.time_s, 0.5 * g.frame / g.rate_hz
        edge = np.r_[-math.inf, all_s, math.inf]
        k = np.searchsorted(edge, time_s)
        since_s, to_s = time_s - half_s - edge[k - 1], edge[k] - time_s - half_s
        contact = np.r_[-math.inf, [t.time_s for t in taps], math.inf]  # an echo may pass for a bounce
        return cls(
            g=g,
            time_s=time_s,
            half_s=half_s,
            since_tap_s=time_s - half_s - contact[np.searchsorted(contact, time_s) - 1],
            pause=(since_s > _TAIL_S) & (since_s < _PAUSE_S) & (to_s > _BEFORE_S),
            onset_s=onset_s,
            onset_db=level[strong],
            next_s=edge[np.searchsorted(edge, onset_s, side="right")],
            next_tap_s=contact[np.searchsorted(contact, onset_s, side="right")],
            floor_db=float(ROUNDING_DB - 10 * np.log10(g.frame / 2)),
        )

    def frames(self, start_s: float, stop_s: float) -> slice:
        """Frames that lie wholly between two times."""
        step = 2 * self.half_s
        end_s = len(self.time_s) * step
        first = math.ceil(min(max(start_s, 0.0), end_s) / step - 1e-9)
        return slice(first, max(math.floor(min(max(stop_s, 0.0), end_s) / step + 1e-9), first))


def _level_db(tap: Tap) -> float:
    part = tap.clip[tap.onset : min(tap.onset + round(0.02 * tap.rate_hz), tap.end)].astype(float)
    return 10 * math.log10(max(float(part.var()) if len(part) else 0.0, 1e-12))


# -- gain control ---------------------------------------------------------------------------------------


def _gain(h: _Heard, s: HealthSettings) -> Iterator[tuple[str, str, float, str]]:
    """Noise sinks after a tap and creeps back, by as much in every band: nothing but a gain does that."""
    if not h.pause.any():
        return
    usual = np.median(h.g.level_db[h.pause], axis=0)
    bands = [
        b
        for b, (low, _) in enumerate(h.g.edges_hz)
        if low >= (1000.0 if h.g.rate_hz >= _FULL_BAND_HZ else 500.0) and usual[b] > h.floor_db + _ABOVE_DB
    ][-3:]
    if len(bands) < 2:
        return
    level = np.maximum(h.g.level_db[:, bands], h.floor_db)
    dip_db, agree, n, at_ms = _dip(h, level)
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
_AFTER_S = ((0.04, 0.10), (0.10, 0.20), (0.20, 0.35), (0.35, 0.60))


def _dip(h: _Heard, level: FloatArray) -> tuple[float, float, int, float]:
    """How far noise lies below that before the tap, where it lies lowest: dB, share of taps, taps, ms."""
    table = np.full((len(h.onset_s), len(_AFTER_S), level.shape[1]), np.nan)
    for k, (t, after) in enumerate(zip(h.onset_s, h.next_tap_s, strict=True)):
        before = h.frames(t - 0.18, t - 0.005)
        if before.stop - before.start < 4 or h.since_tap_s[before].min() < 0.15:
            continue
        usual = level[before].mean(axis=0)
        for q, (start_s, stop_s) in enumerate(_AFTER_S):
            own = h.frames(t + start_s, t + stop_s)
            if own.stop > own.start and t + stop_s <= after - _BEFORE_S:
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
        if alike and dip_db > best[0] and _more_than_chance(lower, len(rows)):
            best = (dip_db, lower, len(rows), 500 * (start_s + stop_s))
    return best


def _more_than_chance(share: float, n: int) -> bool:
    """Whether so many of n could not well be heads and tails (sign test, 2.8 standard deviations)."""
    return (share - 0.5) * 2.0 * math.sqrt(n) >= 2.8


def _rise(h: _Heard, level: FloatArray) -> tuple[float, float, int, float]:
    """How fast noise rises in the later part of pauses: dB a second, share, pauses, seconds of a pause."""
    slopes, lengths = [], []
    for t, after in zip(h.onset_s, h.next_tap_s, strict=True):
        own = h.frames(t + 0.25, min(after - _BEFORE_S, t + 2.5))
        if own.stop - own.start >= 8:
            slopes.append(np.polyfit(h.time_s[own], level[own], 1)[0])
            lengths.append(float(h.time_s[own][-1] - t))
    if not slopes:
        return 0.0, 0.0, 0, 0.0
    table = np.array(slopes)
    whole, bands = table.mean(axis=1), np.median(table, axis=0)
    rise = float(np.median(whole))
    rising = float((whole > 0).mean())
    alike = bands.min() >= 0.4 * rise and _more_than_chance(rising, len(table))
    return rise if alike else 0.0, rising, len(table), float(np.median(lengths))


# -- gate and noise suppression -------------------------------------------------------------------------


def _gate_or_suppression(
    h: _Heard, s: HealthSettings, band_end: Sequence[tuple[str, str, float, str]]
) -> Iterator[tuple[str, str, float, str]]:
    """All bands turned down at once are a gate; holes torn band by band are noise suppression."""
    if h.pause.sum() < 8:
        return
    zeros = h.g.zeros[h.pause]
    end_hz = band_end[0][2] if band_end else math.inf
    # Where the band is narrow there may be no noise left of itself.
    least_silent = s.silent_share if end_hz > 9000.0 else max(s.silent_share, 0.5)
    silent, ragged = float((zeros > 0.9995).mean()), float(((zeros > 0.6) & (zeros <= 0.9995)).mean())
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
    if silent >= least_silent and ragged < 0.06 * silent:
        yield (
            "gate",
            f"{silent:.0%} of the time between the taps there is no sound at all, not even noise: the "
            "recorder took it out, and may have cut the end of each tap; switch off what suppresses noise",
            _hold_ms(h),
            "ms",
        )
        return
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
    if torn or silent >= least_silent:
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


_ALIVE = 6  # bands that must be heard before a gate is seen to close: low notes alone beat by themselves


def _closing(h: _Heard) -> tuple[int, float, float]:
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


def _hold_ms(h: _Heard) -> float:
    """Middle time after a tap at which exact silence begins."""
    times = []
    for t, after in zip(h.onset_s, h.next_s, strict=True):
        own = h.frames(t, after)
        mute = np.flatnonzero(h.g.zeros[own] > 0.9995)
        if len(mute):
            times.append(1000 * (float(h.time_s[own][mute[0]]) - h.half_s - t))
    return float(np.median(times)) if times else math.nan


def _holes(h: _Heard, end_hz: float) -> tuple[float, int, float]:
    """How much more ragged than even noise the pauses are in most high bands, how many, and in lower ones."""
    high: list[float] = []
    low: list[float] = []
    for b, (from_hz, to_hz) in enumerate(h.g.edges_hz):
        level, flat = h.g.level_db[h.pause, b], h.g.flat_db[h.pause, b]
        heard = level > h.floor_db + _ABOVE_DB
        if from_hz < 500.0 or heard.sum() < max(20, 0.03 * len(level)) or np.isnan(flat).all():
            continue
        if to_hz > 0.9 * end_hz and h.g.rate_hz >= _FULL_BAND_HZ:  # its end lies in it
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


def _steady_holes(h: _Heard, end_hz: float) -> tuple[float, int]:
    """The same for bands whose noise is steady: no voice is in it, and all its frames tell, on average."""
    own: list[float] = []
    for b, (from_hz, to_hz) in enumerate(h.g.edges_hz):
        level = h.g.level_db[h.pause, b]
        heard = level > h.floor_db + _ABOVE_DB
        if from_hz < 2000.0 or to_hz > 0.9 * end_hz or heard.sum() < max(20, 0.03 * len(level)):
            continue
        middle, high = np.percentile(level[heard], [50, 84])
        if high - middle <= _STEADY_DB:
            usual = heard & (level <= middle + 3.0)
            own.append(_FLAT_DB - float(h.g.flat_db[h.pause, b][usual].mean()))
    own.sort()
    return (own[1] if len(own) > 2 else own[0], len(own)) if own else (0.0, 0)


# -- clipping -------------------------------------------------------------------------------------------


def _clipping(taps: Sequence[Tap]) -> Iterator[tuple[str, str, float, str]]:
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


# -- where the spectrum ends ----------------------------------------------------------------------------


def _band_end(g: Gathered, s: HealthSettings, codec: str) -> list[tuple[str, str, float, str]]:
    """A steep end of the spectrum with nothing above it, in quiet moments or in loud ones."""
    if g.rate_hz < _FULL_BAND_HZ:
        told = f"{g.rate_hz} samples a second: nothing above {g.rate_hz / 2000:.1f} kHz can be in it"
        return [("delivered rate", told, g.rate_hz / 2, "Hz")]
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
        before, below, above = (float(np.median(level_db[i:j])) for i, j in ((a, b), (c, d), (e, u)))
        highest = float(np.median(np.sort(level_db[e:t])[-3:]))
        drop = min(below - above - slopes * max(before - below, 0.0), below - highest)
        if drop > best[0]:
            best = (drop, float(f), above)
    return best


# -- start, room, wind ----------------------------------------------------------------------------------


def _spike(g: Gathered, s: HealthSettings) -> Iterator[tuple[str, str, float, str]]:
    """The button's knock: sound pushed off zero at the start, as nothing after it is."""
    first = int(START_S * g.rate_hz / g.frame)
    if len(g.mean) < 4 * first or not first:
        return
    level = float(np.median(g.mean))
    start = float(np.abs(g.mean[:first] - level).max())
    later = float(np.percentile(np.abs(g.mean[first:] - level), 99.5))
    if start >= s.spike and start >= 4 * later:
        yield (
            "start spike",
            f"within the first {START_S:.1f} s the sound is pushed off zero by {start:.2f} of full scale, "
            f"later by {later:.3f}: the start of the recording is not to be trusted",
            start,
            "of full scale",
        )


def _room(h: _Heard, s: HealthSettings, room: Room | None) -> Iterator[tuple[str, str, float, str]]:
    """What all taps end in; what the measures could not take off is told from the tails as they fall."""
    if room is not None:
        told = f"the place rings on for {room.decay_ms:.0f} ms; taken off before decays were read"
        yield "room", told, room.decay_ms, "ms"
        return
    level = h.g.level_db[:, 2:4].mean(axis=1)
    floor_db = float(np.percentile(level[h.pause], 5)) if h.pause.any() else h.floor_db
    decays = []
    for t, after in zip(h.onset_s, h.next_tap_s, strict=True):
        own = h.frames(t + 0.08, min(after - _BEFORE_S, t + 1.2))
        if own.stop - own.start < 6:
            continue
        tail = level[own]
        under = np.flatnonzero(tail < floor_db + 8.0)
        tail = tail[: under[0]] if len(under) else tail
        if len(tail) * 2 * h.half_s < 0.13:
            continue
        time = h.time_s[own][: len(tail)]
        slope, start = np.polyfit(time, tail, 1)
        if slope < -15.0 and float(np.std(tail - start - slope * time)) < 2.5:
            decays.append(-60_000.0 / slope)
    if len(decays) < max(s.least_taps, 0.4 * len(h.onset_s)):
        return
    low, middle, high = np.percentile(decays, [25, 50, 75])
    if middle >= s.room_ms and high - low < 0.5 * middle:
        told = f"{len(decays)} of {len(h.onset_s)} taps end in a tail of {middle:.0f} ms; not taken off"
        yield "room", told, float(middle), "ms"


def _wind(h: _Heard, s: HealthSettings) -> Iterator[tuple[str, str, float, str]]:
    """Strong low noise that comes and goes."""
    if h.pause.sum() < 20:
        return
    level = h.g.level_db[h.pause]
    over_db = float(np.median(level[:, 0] - level[:, 2:4].mean(axis=1)))
    low = level[:, 0]
    # What dies away after every tap is a room; wind over one dies away by less.
    early, late = (
        h.g.level_db[(h.since_tap_s > start_s) & (h.since_tap_s < stop_s), 0]
        for start_s, stop_s in ((0.2, 0.45), (0.55, 0.9))
    )
    dying_db_s = float(np.median(early) - np.median(late)) / 0.4 if len(early) and len(late) else 0.0
    per = round(0.17 / (2 * h.half_s))
    gusts = low[: len(low) // per * per].reshape(-1, per).mean(axis=1)
    gusts_db = float(np.subtract(*np.percentile(gusts, [84, 16])) / 2)
    rounding = h.floor_db + 20.0
    heard = float(np.median(low)) > rounding and dying_db_s < 12.0
    if over_db >= s.wind_db and s.gusts_db <= gusts_db <= 6.5 and heard:
        yield (
            "wind",
            f"between the taps 60 to 200 Hz lies {over_db:.0f} dB above 0.5 to 2 kHz and comes and goes by "
            f"{gusts_db:.0f} dB",
            over_db,
            "dB",
        )
