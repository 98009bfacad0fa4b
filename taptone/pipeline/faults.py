"""What a recorder's fault would do to known-good taps, and whether that stands in the way of a comparison.

Each fault is a plain digital model, stated here, that is laid over the reference's own taps when it is
learned; how far decay and centroid move is kept with the reference. A fault that a panel's recording shows
and the reference's does not blocks if it would have moved either by more than half the spread of the good
places.

=====================  ====================================================================================
``gain control``       *strength* dB more gain at the first sample; gone within 2 ms, back within 400 ms
``gate``               open for *strength* ms from the tap on, closed over 20 ms
``noise suppression``  spectral subtraction in frames of 20 ms, three times the noise, at most 20 dB
``clipping``           cut off so low that *strength* % of the first 5 ms is flat
``low-pass``           nothing above *strength* Hz
=====================  ====================================================================================
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.clipping import flat_share
from taptone.pipeline.decay import Room
from taptone.pipeline.ends import BAND_ENDS
from taptone.pipeline.measure import measure
from taptone.settings import HealthSettings, MeasureSettings
from taptone.types import Finding, FloatArray, Reference, Tap

__all__ = ["blocking", "end_hz", "sensitivity"]

_MOST = 40  # taps that are tried
_ATTACK_S, _RELEASE_S, _FADE_S = 0.002, 0.4, 0.02
_OVER, _LEAST_GAIN, _FRAME_S = 3.0, 0.1, 0.02


def sensitivity(
    taps: Sequence[Tap], settings: MeasureSettings = MeasureSettings(), *, room: Room | None = None
) -> tuple[Mapping[str, object], ...]:
    """Lay each fault over known-good taps and measure them anew.

    Parameters
    ----------
    taps : sequence of Tap
        Of one recording; at most 40, evenly chosen, are tried.
    settings : MeasureSettings, optional
        As for the measures themselves.
    room : Room, optional
        The place's own decay.

    Returns
    -------
    tuple of dict
        ``fault``, ``strength``, and the median distance that decay (``decay_ms``) and centroid
        (``centroid_hz``) move.

    Examples
    --------
    >>> sensitivity([])
    ()
    """
    taps = [t for t in taps if not t.flags and math.isnan(t.bounce_gap_ms)]
    taps = taps[:: max(1, -(-len(taps) // _MOST))]
    if not taps:
        return ()
    plain = measure(taps, settings, room=room)
    rows: list[Mapping[str, object]] = []
    for fault, strength, spoil in _FAULTS:
        spoiled = [spoil(tap) for tap in taps]
        if fault == "clipping" and strength:
            tops = [float(np.abs(t.clip[t.onset : t.end]).max(initial=0.0)) for t in spoiled]
            strength = 100 * float(np.median([flat_share(t, c) for t, c in zip(spoiled, tops, strict=True)]))
        now = measure(spoiled, settings, room=room)
        moved = {
            name: float(_median([abs(b[name] - a[name]) for a, b in zip(plain, now, strict=True)]))
            for name in ("decay_ms", "centroid_hz")
        }
        rows.append({"fault": fault, "strength": round(strength, 3), **moved})
    return tuple(rows)


def blocking(
    findings: Sequence[Finding], reference: Reference | None, settings: HealthSettings = HealthSettings()
) -> tuple[tuple[Finding, ...], dict[str, str], list[str]]:
    """Which findings stand in the way of a comparison, and what a person should know of the others.

    Parameters
    ----------
    findings : sequence of Finding
        Of the panel's recordings.
    reference : Reference or None
        What they are compared with; without one nothing blocks, for all stations came the same way.
    settings : HealthSettings, optional
        How much of the reference's spread is too much.

    Returns
    -------
    findings : tuple of Finding
        The same, marked.
    reasons : dict
        Recording → why nothing in it is judged.
    notes : list of str
        A line for each finding, and for each fault that only the reference has.

    Examples
    --------
    >>> heard = Finding("row.m4a", "gain control", "the noise sinks by 9.0 dB", 9.0, "dB")
    >>> blocking([heard], None)[2]
    ['row.m4a: gain control: the noise sinks by 9.0 dB']
    """
    known = {_kind(f) for f in reference.health} if reference is not None else set()
    marked: list[Finding] = []
    reasons: dict[str, str] = {}
    notes: list[str] = []
    for finding in findings:
        shared = _kind(finding) in known
        why = "" if shared or reference is None else _reason(finding, reference, settings)
        marked.append(replace(finding, blocks=bool(why)))
        if why:
            reasons.setdefault(finding.recording, why)
        tail = "; the baseline was recorded with it too" if shared else ""
        notes.append(f"{finding.recording}: {finding.name}: {finding.evidence}{tail}")
    here = {_kind(f) for f in findings}
    if reference is not None:
        for finding in reference.health:
            if _kind(finding) not in here | {"start spike", "room", "wind"}:
                notes.append(
                    f"the baseline was recorded with {finding.name} ({finding.evidence}), this was not: "
                    "learn it anew, recorded as the panel is"
                )
                here.add(_kind(finding))
    return tuple(marked), reasons, notes


def end_hz(rate_hz: int, findings: Sequence[Finding]) -> float:
    """Where the sound of recordings ends.

    Parameters
    ----------
    rate_hz : int
        The lowest of their sample rates.
    findings : sequence of Finding
        What was found in them.

    Returns
    -------
    float
        The lowest end that was found, or 45 % of the sample rate.

    Examples
    --------
    >>> end_hz(48000, [])
    21600.0
    """
    return min([0.45 * rate_hz, *(0.95 * f.strength for f in findings if f.name in BAND_ENDS)])


def _kind(finding: Finding) -> str:
    return "band end" if finding.name in BAND_ENDS else finding.name


def _reason(finding: Finding, reference: Reference, s: HealthSettings) -> str:
    """Why a finding blocks; empty where it does not."""
    fault = "low-pass" if finding.name in BAND_ENDS else finding.name
    rows = [row for row in reference.sensitivity if row["fault"] == fault]
    # The centroid of a narrower band is left out anyway, and the spectra are compared in it.
    names = ("decay_ms",) if finding.name in BAND_ENDS else ("decay_ms", "centroid_hz")
    for name in names if rows else ():
        places = np.array([row[name] for row in reference.measures])
        places = places[np.isfinite(places)]
        if len(places) < 4:
            continue
        spread = 1.4826 * float(np.median(np.abs(places - np.median(places))))
        tried = [(float(str(r["strength"])), _number(r[name])) for r in rows]
        tried += [_WHOLE] * (finding.name in BAND_ENDS)
        strengths, moved = np.array(sorted(tried)).T
        held = np.isfinite(moved)
        if not held.any() or not spread:
            continue
        by = float(np.interp(finding.strength, strengths[held], moved[held]))
        if by > s.blocks * spread:
            what, unit = ("decay", "ms") if name == "decay_ms" else ("centroid", "Hz")
            return (
                f"{finding.name} in the recording, not in the baseline's: it would move the baseline's own "
                f"{what} by {by:.0f} {unit}, more than {s.blocks:g} of its spread of {spread:.0f} {unit}"
            )
    return ""


#: A spectrum that ends above hearing moves nothing.
_WHOLE = (20_000.0, 0.0)


def _number(value: object) -> float:
    return math.nan if value is None else float(str(value))


def _median(values: Sequence[float]) -> float:
    held = [v for v in values if math.isfinite(v)]
    return float(np.median(held)) if held else math.nan


# -- models ---------------------------------------------------------------------------------------------


def _gained(swing_db: float, tap: Tap) -> Tap:
    t = np.maximum(np.arange(len(tap.clip)) - tap.onset, 0) / tap.rate_hz
    db = swing_db * (np.exp(-t / _ATTACK_S) + 1.0 - np.exp(-t / _RELEASE_S))
    most = 10 ** (swing_db / 20)  # the pauses have all of it
    return _with(tap, tap.clip * 10 ** (db / 20) / most, tap.noise)


def _gated(hold_ms: float, tap: Tap) -> Tap:
    t = (np.arange(len(tap.clip)) - tap.onset) / tap.rate_hz
    gain = np.clip(1.0 - (t - hold_ms / 1000) / _FADE_S, 0.0, 1.0) * (t >= 0)
    return _with(tap, tap.clip * gain, np.zeros(len(tap.noise)))


def _suppressed(_strength: float, tap: Tap) -> Tap:
    from scipy.signal import istft, stft

    n = 2 * round(0.5 * _FRAME_S * tap.rate_hz)
    how: dict[str, Any] = {"fs": tap.rate_hz, "nperseg": n, "window": np.sqrt(np.hanning(n + 1)[:-1])}
    if len(tap.clip) < n or len(tap.noise) < n:
        return tap
    noise = (np.abs(stft(tap.noise.astype(float), **how)[2]) ** 2).mean(axis=1, keepdims=True)
    spectrum = stft(tap.clip.astype(float), **how)[2]
    power = np.maximum(np.abs(spectrum) ** 2, 1e-30)
    gain = np.sqrt(np.maximum(1.0 - _OVER * noise / power, _LEAST_GAIN**2))
    out = istft(spectrum * gain, **how)[1][: len(tap.clip)]
    return _with(tap, out, _LEAST_GAIN * tap.noise)


def _cut_off(over_db: float, tap: Tap) -> Tap:
    top = float(np.abs(tap.clip[tap.onset : tap.end]).max(initial=0.0)) * 10 ** (-over_db / 20)
    return _with(tap, np.clip(tap.clip, -top, top), tap.noise)


def _narrowed(edge_hz: float, tap: Tap) -> Tap:
    def of(sound: NDArray[np.floating]) -> FloatArray:
        hz = np.fft.rfftfreq(2 * len(sound), 1 / tap.rate_hz)
        kept = np.clip((1.1 * edge_hz - hz) / (0.1 * edge_hz), 0.0, 1.0)
        return np.fft.irfft(np.fft.rfft(sound, 2 * len(sound)) * kept)[: len(sound)]

    return _with(tap, of(tap.clip), of(tap.noise)) if len(tap.noise) else tap


def _with(tap: Tap, clip: FloatArray, noise: NDArray[np.floating]) -> Tap:
    return replace(tap, clip=np.asarray(clip, np.float32), noise=np.asarray(noise, np.float32))


_Row = tuple[str, float, Callable[[Tap], Tap]]


def _tried() -> Iterator[_Row]:
    """Every fault at every strength that is tried; the first of those that begin at nothing does nothing."""

    def rows(fault: str, model: Callable[[float, Tap], Tap], *strengths: float) -> Iterator[_Row]:
        for strength in strengths:
            yield fault, strength, partial(model, strength)

    yield from rows("gain control", _gained, 0.0, 3.0, 6.0, 12.0, 24.0)
    yield from rows("gate", _gated, 15.0, 30.0, 60.0, 120.0, 250.0)
    yield from rows("noise suppression", _suppressed, 0.0)
    yield from rows("clipping", _cut_off, 0.0, 3.0, 6.0, 12.0, 18.0)
    yield from rows("low-pass", _narrowed, 3400.0, 7000.0, 12000.0)


_FAULTS: tuple[_Row, ...] = tuple(_tried())
