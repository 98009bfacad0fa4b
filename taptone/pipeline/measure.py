"""A tap to its measures: numbers that a person can check against what they hear.

Each is defined once, here, with its unit; a number that cannot be measured is ``nan``.

==================  ====  =================================================================================
``level_dbfs``      dB    highest sample of the tap, 0 dB = full scale; kept, never judged
``snr_db``          dB    power of the first 20 ms over the noise near by
``decay_ms``        ms    whole-band decay over one early range, extrapolated to 60 dB
``decay_from_db``,  dB    that range, below the start of the integrated curve
``decay_to_db``
``decay_bend_db``   dB    how far that curve sags below its chord: a fast decay giving way to a slow one
``mode_decay_ms``   ms    time for the struck mode, the one of most energy after the contact, to fall by 60 dB
``mode_hz``         Hz    its frequency
``centroid_hz``     Hz    power-weighted mean frequency over the stated band
``bandwidth_hz``    Hz    power-weighted spread about the centroid
``balance_db``      dB    energy from 1 kHz down over energy from 1 kHz up: larger = duller
``contact_ms``      ms    length of a half-sine blow whose force has the same 90 % roll-off: a proxy
``ring_db``         dB    energy from 20 to 100 ms over that of the first 20 ms, -30 at the least
``early_ring_db``   dB    energy from 5 to 20 ms over that of the first 5 ms, -30 at the least
``bounce_gap_ms``   ms    time to the second contact of the same swing
==================  ====  =================================================================================

The third-octaves that stations are judged by are of the first ``bands_ms``: so soon, sound is of the struck
place alone; what comes later has been to the edges of the panel, the ground and the walls and back.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from taptone.pipeline.decay import Decay, Room, decay_time, late_slope
from taptone.pipeline.mode import struck_modes
from taptone.pipeline.rumble import without_rumble
from taptone.pipeline.spectrum import band_energies, power_spectra, shape
from taptone.settings import MeasureSettings
from taptone.types import BAND_CENTRES_HZ, MEASURE_NAMES, RING_FLOOR_DB, FloatArray, Measured, Tap

__all__ = ["attack", "find_room", "measure", "whole_decay"]

_BATCH = 64  # taps a call: memory is by the tap
_SPLIT_HZ = 1000.0
_HALF_SINE = 0.777  # share of 1/length below which a half-sine blow holds 90 % of its energy
_POWER_FLOOR = 1e-12
_EARLY_S = 0.020
_RING_S, _EARLY_RING_S = (0.020, 0.100), (0.005, 0.020)  # from, to; over all before
_ATTACK = 0.25  # of the highest sample so soon
#: Where a room is told from a panel, highest first; above, air takes a room's sound too.
_ROOM_OCTAVES_HZ = (2000.0, 1000.0, 500.0)


def measure(
    taps: Sequence[Tap], settings: MeasureSettings = MeasureSettings(), *, room: Room | None = None
) -> list[Measured]:
    """Measure taps of one recording.

    Parameters
    ----------
    taps : sequence of Tap
        Taps of one sample rate.
    settings : MeasureSettings, optional
        Band, ranges and windows; the same for all taps that will be compared.
    room : Room, optional
        The place's own decay (see :func:`find_room`), taken off before whole-band decays are read.

    Returns
    -------
    list of Measured
        In the order of `taps`.

    Examples
    --------
    >>> measure([])
    []
    """
    taps = [without_rumble(tap, settings.low_hz) for tap in taps]
    return [
        row
        for start in range(0, len(taps), _BATCH)
        for row in _batch(taps[start : start + _BATCH], settings, room)
    ]


def find_room(taps: Sequence[Tap], settings: MeasureSettings = MeasureSettings()) -> Room | None:
    """The decay that all taps of a recording end in, where there is one.

    Parameters
    ----------
    taps : sequence of Tap
        Taps of one recording.
    settings : MeasureSettings, optional
        Not less than `room_taps` taps must agree.

    Returns
    -------
    Room or None
        The median of the late decays, if the middle half of the taps agree within a third of it and it
        is longer than `room_from_ms`, and so it is in the highest octave (about 500 Hz, 1 or 2 kHz) in
        which as many taps are heard. A room rings on in all octaves; a laminate's loss is much the same
        share of a mode's energy in each cycle, so that its high notes die first.

    Examples
    --------
    >>> find_room([]) is None
    True
    """
    alone = [
        without_rumble(tap, settings.low_hz)
        for tap in taps
        if math.isnan(tap.bounce_gap_ms) and "bounce" not in tap.flags
    ]
    late = _late_slopes(alone)
    if len(late) < settings.room_taps:
        return None
    low, middle, high = np.percentile(late, [25, 50, 75])
    if middle < settings.room_from_ms or high - low > middle / 3:
        return None
    for octave_hz in _ROOM_OCTAVES_HZ:
        late = _late_slopes(alone, octave_hz)
        if len(late) >= settings.room_taps:
            return Room(float(middle)) if np.median(late) >= settings.room_from_ms else None
    return None


def attack(tap: Tap) -> int:
    """Where the third-octaves of a tap are taken from: a codec smears sound to before a blow.

    Parameters
    ----------
    tap : Tap
        One tap.

    Returns
    -------
    int
        First sample of its clip, from its onset on, that is a quarter as strong as it gets within 20 ms.

    Examples
    --------
    >>> clip = np.zeros(4800, np.float32)
    >>> clip[500:520] = 0.01
    >>> clip[520] = 1.0
    >>> attack(Tap("row.wav", 500, 48000, 0, clip, len(clip), np.zeros(960, np.float32)))
    520
    """
    first = np.abs(tap.clip[tap.onset : min(tap.onset + round(_EARLY_S * tap.rate_hz), tap.end)])
    return tap.onset + (int(np.argmax(first >= _ATTACK * first.max())) if first.size else 0)


def whole_decay(
    tap: Tap, settings: MeasureSettings = MeasureSettings(), *, room: Room | None = None
) -> Decay:
    """The decay behind ``decay_ms``, with the curve that it was read from.

    Parameters
    ----------
    tap : Tap
        One tap.
    settings : MeasureSettings, optional
        As it was measured with.
    room : Room, optional
        As it was measured with.

    Returns
    -------
    Decay
        The same that :func:`measure` reads.

    Examples
    --------
    >>> t = np.arange(1, 12001) / 48000
    >>> ring = (np.exp(-t / 0.006) * np.sin(2 * np.pi * 900 * t)).astype(np.float32)
    >>> decay = whole_decay(Tap("row.wav", 0, 48000, 0, ring, len(ring), np.zeros(960, np.float32)))
    >>> round(decay.decay_ms, -1), float(decay.curve_db[0])
    (40.0, 0.0)
    """
    return _whole_decay(without_rumble(tap, settings.low_hz), settings, room)


def _whole_decay(tap: Tap, settings: MeasureSettings, room: Room | None) -> Decay:
    return decay_time(
        _ringing(tap, settings),
        tap.rate_hz,
        noise_power=_noise_power(tap),
        from_db=settings.decay_from_db,
        to_db=settings.decay_to_db,
        room=room,
    )


def _late_slopes(taps: Sequence[Tap], octave_hz: float | None = None) -> FloatArray:
    """Late decays in ms, of the whole sound or of one octave of it; of those taps only that have one."""
    from scipy.signal import butter, sosfilt

    late = []
    for tap in taps:
        sound, noise = tap.clip, tap.noise
        if octave_hz is not None and len(noise):
            edges_hz = (octave_hz / math.sqrt(2), octave_hz * math.sqrt(2))
            if edges_hz[1] > 0.45 * tap.rate_hz:
                continue
            octave = butter(4, edges_hz, "bandpass", fs=tap.rate_hz, output="sos")
            sound, noise = (sosfilt(octave, part.astype(float)) for part in (sound, noise))
            noise = noise[len(noise) // 5 :]  # the filter has to swing in
        power = _noise_power(replace(tap, noise=noise))
        late.append(late_slope(sound[tap.onset : tap.end], tap.rate_hz, noise_power=power))
    return np.array([ms for ms in late if math.isfinite(ms)])


def _batch(taps: Sequence[Tap], s: MeasureSettings, room: Room | None) -> Iterator[Measured]:
    rate = taps[0].rate_hz
    high_hz = min(s.high_hz, 0.45 * rate)
    power, hz = _spectra(taps, [tap.onset for tap in taps], s.window_ms)
    colour = shape(power, hz, low_hz=s.low_hz, high_hz=high_hz)
    low = power[:, (hz >= s.low_hz) & (hz < _SPLIT_HZ)].sum(axis=1)
    high = power[:, (hz >= _SPLIT_HZ) & (hz <= high_hz)].sum(axis=1)
    bands = band_energies(*_spectra(taps, [attack(tap) for tap in taps], s.bands_ms))
    ringing = [_ringing(tap, s) for tap in taps]
    noises = [tap.noise.astype(float) for tap in taps]
    modes = struck_modes(ringing, noises, rate, low_hz=s.low_hz, high_hz=high_hz)
    for k, (tap, mode) in enumerate(zip(taps, modes, strict=True)):
        whole = _whole_decay(tap, s, room)
        first = tap.clip[tap.onset : min(tap.onset + round(_EARLY_S * rate), tap.end)]
        values = dict.fromkeys(MEASURE_NAMES, math.nan) | {
            "level_dbfs": _db(float(np.abs(tap.clip[tap.onset : tap.end]).max(initial=0.0)) ** 2),
            "snr_db": _ratio_db(float(np.square(first, dtype=float).mean()), _noise_power(tap)),
            "decay_ms": whole.decay_ms if whole.bend_db <= s.bend_db else math.nan,
            "decay_from_db": s.decay_from_db,
            "decay_to_db": s.decay_to_db,
            "decay_bend_db": whole.bend_db,
            "mode_decay_ms": mode.decay_ms if mode.error <= s.mode_error else math.nan,
            "mode_hz": mode.hz,
            "centroid_hz": float(colour.centroid_hz[k]),
            "bandwidth_hz": float(colour.bandwidth_hz[k]),
            "balance_db": _ratio_db(float(low[k]), float(high[k])),
            "contact_ms": 1000 * _HALF_SINE / float(colour.rolloff_hz[k]),
            "ring_db": _ring_db(tap, *_RING_S),
            "early_ring_db": _ring_db(tap, *_EARLY_RING_S),
            "bounce_gap_ms": tap.bounce_gap_ms,
        }
        held = tuple(_db(float(e)) for e in bands[k]) if bands.shape[1] == len(BAND_CENTRES_HZ) else ()
        yield Measured(tap.recording, tap.sample, rate, values, held, tap.flags)


def _spectra(taps: Sequence[Tap], starts: Sequence[int], window_ms: float) -> tuple[FloatArray, FloatArray]:
    return power_spectra(
        [tap.clip for tap in taps],
        starts,
        [tap.end for tap in taps],
        [tap.noise for tap in taps],
        taps[0].rate_hz,
        window_ms=window_ms,
    )


def _ringing(tap: Tap, s: MeasureSettings) -> FloatArray:
    """Sound after the contact pulse; empty where there is too little of it."""
    sound = tap.clip[tap.onset + round(s.decay_start_ms * tap.rate_hz / 1000) : tap.end].astype(float)
    return sound if len(sound) >= round(0.008 * tap.rate_hz) else sound[:0]


def _ring_db(tap: Tap, from_s: float, to_s: float) -> float:
    """Late over early energy: coarser than a decay, but no beat or bend of the curve upsets it."""
    split, last = tap.onset + round(from_s * tap.rate_hz), tap.onset + round(to_s * tap.rate_hz)
    if last > tap.end:
        return math.nan
    noise = _noise_power(tap)
    early = float(np.square(tap.clip[tap.onset : split], dtype=float).sum()) - noise * (split - tap.onset)
    late = float(np.square(tap.clip[split:last], dtype=float).sum()) - noise * (last - split)
    return max(_ratio_db(max(late, early * 1e-3), early), RING_FLOOR_DB) if early > 0 else math.nan


def _noise_power(tap: Tap) -> float:
    power = float(np.square(tap.noise, dtype=float).mean()) if len(tap.noise) else 0.0
    return max(power, _POWER_FLOOR)


def _db(power: float) -> float:
    return 10 * math.log10(power) if power > 0 else math.nan


def _ratio_db(over: float, under: float) -> float:
    return 10 * math.log10(over / under) if over > 0 and under > 0 else math.nan
