"""How well the damping and the pitch of the struck mode are read, on bodies whose loss factor is known.

Run from the project's folder, with the environment that ``scripts/test.py`` made::

    .venv/bin/python benchmarks/decay.py
    .venv/bin/python benchmarks/decay.py --seeds report

A body is a few damped modes struck by a half-sine blow and heard by a microphone in a shed, over noise. The
mode that counts is the one with the most energy, in the direct sound, of the part that is measured. Beside
what the program reads stand pyroomacoustics on the half-octave about that very mode (it is told which), and
the matrix pencil written from its published formula on the half-octave about the strongest peak. What was
chosen for the bodies, and the tables, are in docs/decay.md.

The loss factor η is the share of a mode's energy lost in a radian, so that energy falls as exp(-η·2πf·t) and
by 60 dB in ln(10⁶)/(2πfη) = 2.1988/(fη) (as in ISO 10848-1 and EN ISO 12354-1, there rounded to 2.2).
"""

from __future__ import annotations

import argparse
import math
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, fftconvolve, sosfilt, sosfiltfilt

from taptone.physics.yard import shed
from taptone.pipeline.measure import find_room, measure
from taptone.settings import DetectSettings, MeasureSettings
from taptone.types import FloatArray, Tap

RATE_HZ = 48_000
SEEDS = {"development": 90_000, "report": 640_000}
LOSS_FACTORS = (0.005, 0.01, 0.02, 0.05, 0.1)
SNR_DB = (40, 30, 20, 15)
SHED_S = (0.0, 0.3, 0.6, 1.2)
EDGES_HZ = (200.0, 420.0, 880.0, 1840.0, 3840.0, 8000.0)  # main modes: as many in each band
TAPS = 10  # a recording: one loss factor, one shed, one level of noise
BEFORE_S, AFTER_S = DetectSettings().clip_before_ms / 1000, DetectSettings().clip_after_ms / 1000
START_S = MeasureSettings().decay_start_ms / 1000
LOW_HZ, HIGH_HZ = MeasureSettings().low_hz, MeasureSettings().high_hz
LN_60DB = 6.0 * math.log(10.0)


@dataclass(frozen=True, slots=True)
class Struck:
    """A tap and what is true of it: the struck mode, and the conditions it was heard under."""

    tap: Tap
    mode_hz: float
    decay_ms: float
    loss_factor: float
    snr_db: int
    shed_s: float
    direct_db: float  # direct over reverberant energy
    ahead_db: float  # by how much the struck mode's energy exceeds the next one's
    near: str  # what lies beside the main mode: "close" (a beat), "strong", or nothing
    cut: bool  # the next contact comes early


# -- bodies --------------------------------------------------------------------------------------------


def recordings(seed: int, repeats: int = 1) -> Iterator[list[Struck]]:
    """Recordings of ten taps each, one for every loss factor, level of noise and shed."""
    for again in range(repeats):
        for number, (loss_factor, snr_db, shed_s) in enumerate(
            (e, s, r) for e in LOSS_FACTORS for s in SNR_DB for r in SHED_S
        ):
            rng = np.random.default_rng([seed + again, number])
            volume_m3 = math.exp(rng.uniform(math.log(300), math.log(3000)))
            yield [
                _struck(rng, loss_factor, snr_db, shed_s, volume_m3, k % (len(EDGES_HZ) - 1))
                for k in range(TAPS)
            ]


def _struck(
    rng: np.random.Generator, loss_factor: float, snr_db: int, shed_s: float, volume_m3: float, band: int
) -> Struck:
    main_hz = math.exp(rng.uniform(math.log(EDGES_HZ[band]), math.log(EDGES_HZ[band + 1])))
    near = ("close", "strong", "")[rng.integers(3)]
    hz, level_db = _modes(rng, main_hz, near)
    damping = np.pi * hz * loss_factor * np.exp(rng.normal(0.0, 0.1, len(hz)))  # of amplitude, nepers a second
    # The main mode lies within the first lobe of the blow's spectrum, which ends at 1.5/length.
    blow_s = math.exp(rng.uniform(math.log(0.1e-3), math.log(min(1.5e-3, 1.2 / main_hz))))
    sound, ringing = _hit(rng, hz, damping, level_db, blow_s)
    cut = rng.uniform() < 0.15
    end = round((rng.uniform(0.03, 0.15) if cut else AFTER_S) * RATE_HZ)
    energy = ringing**2 / damping * (np.exp(-2 * damping * START_S) - np.exp(-2 * damping * end / RATE_HZ))
    energy[(hz < LOW_HZ) | (hz > HIGH_HZ)] = 0.0
    mode = int(np.argmax(energy))
    ahead_db = 10 * math.log10(energy[mode] / np.delete(energy, mode).max())
    heard, direct_db = _in_room(rng, sound, shed_s, volume_m3, rng.uniform(0.3, 1.5))
    heard *= 0.5 / np.abs(heard).max() * 10 ** (-rng.uniform(0, 20) / 20)  # a blow's strength
    onset = round(BEFORE_S * RATE_HZ)
    clip = _noise(rng, onset + len(heard) + round(0.04 * RATE_HZ))
    power = np.square(heard[: round(0.02 * RATE_HZ)]).mean()
    clip *= math.sqrt(power / 10 ** (snr_db / 10))
    clip[onset : onset + len(heard)] += heard
    quiet = clip[onset + len(heard) :]
    tap = Tap(
        "simulated.wav",
        onset,
        RATE_HZ,
        0,
        clip[: onset + len(heard)].astype(np.float32),
        onset + end,
        quiet.astype(np.float32),
    )
    decay_ms = 1000 * LN_60DB / (2 * damping[mode])
    return Struck(tap, float(hz[mode]), float(decay_ms), loss_factor, snr_db, shed_s, direct_db, ahead_db, near, cut)


def _modes(rng: np.random.Generator, main_hz: float, near: str) -> tuple[FloatArray, FloatArray]:
    """Frequencies and levels: the main mode, one beside it, and three to seven weaker ones anywhere."""
    hz, level_db = [main_hz], [0.0]
    sign = rng.choice((-1.0, 1.0))
    if near == "close":  # they beat
        hz.append(main_hz * (1 + rng.uniform(0.01, 0.08)) ** sign)
        level_db.append(rng.uniform(-15.0, -2.0))
    elif near == "strong":
        hz.append(main_hz * rng.uniform(1.15, 1.7) ** sign)
        level_db.append(rng.uniform(-6.0, -1.0))
    for _ in range(rng.integers(3, 8)):
        hz.append(math.exp(rng.uniform(math.log(150.0), math.log(10_000.0))))
        level_db.append(rng.uniform(-30.0, -8.0))
    return np.array(hz), np.array(level_db)


def _hit(
    rng: np.random.Generator, hz: FloatArray, damping: FloatArray, level_db: FloatArray, blow_s: float
) -> tuple[FloatArray, FloatArray]:
    """Direct sound of a half-sine blow, and the amplitude of each mode's free ringing, led back to time 0."""
    n = round(AFTER_S * RATE_HZ)
    t = np.arange(n) / RATE_HZ
    turning = -damping + 2j * np.pi * hz
    length = max(3, round(blow_s * RATE_HZ))
    force = np.sin(np.pi * (np.arange(length) + 0.5) / length)
    # Levels are those of the energy that a mode would radiate if all rang from the same blow.
    reach = np.abs((force * np.exp(-turning[:, None] * t[:length])).sum(axis=1))
    gain = 10 ** (level_db / 20) * np.sqrt(2 * damping) * rng.choice((-1.0, 1.0), len(hz)) / reach[0]
    response = (gain[:, None] * np.exp(turning[:, None] * t)).imag.sum(axis=0)
    sound = fftconvolve(force, response)[:n]
    click = np.gradient(force) / np.abs(np.gradient(force)).max()
    sound[:length] += 10 ** (rng.uniform(-20, 6) / 20) * np.abs(sound).max() * click
    return sound, np.abs(gain) * reach


def _in_room(
    rng: np.random.Generator, sound: FloatArray, shed_s: float, volume_m3: float, distance_m: float
) -> tuple[FloatArray, float]:
    """The room's answer added: half of the sheds a plain dying noise, half with reflections and flutter.

    Direct over reverberant energy follows from the distance at which both are equal, 0.057·√(Q·V/T), with
    Q = 2 for a source in a wall (Kuttruff, Room Acoustics; from memory).
    """
    if not shed_s:
        return sound, math.inf
    ratio_db = 20 * math.log10(0.057 * math.sqrt(2 * volume_m3 / shed_s) / distance_m)
    if rng.uniform() < 0.5:
        response = shed(shed_s, rng, RATE_HZ, direct_to_reverberant_db=ratio_db)
    else:
        t = np.arange(round(1.2 * shed_s * RATE_HZ)) / RATE_HZ
        response = rng.normal(size=len(t)) * np.exp(-LN_60DB / 2 * t / shed_s) * (t >= 0.002)
        response *= 10 ** (-ratio_db / 20) / math.sqrt(np.square(response).sum())
        response[0] = 1.0
    return np.asarray(fftconvolve(sound, response)[: len(sound)]), ratio_db


def _noise(rng: np.random.Generator, n: int) -> FloatArray:
    """Noise between white and pink of unit power from 100 Hz on, and a rumble below 100 Hz at least as loud."""
    hz = np.maximum(np.fft.rfftfreq(n, 1 / RATE_HZ), 1.0)
    whole = np.fft.rfft(rng.normal(size=n)) * (hz / 1000) ** rng.uniform(-0.5, 0.0)
    broad = np.fft.irfft(np.where(hz < 100, 0, whole), n)
    low = sosfilt(butter(2, 100, fs=RATE_HZ, output="sos"), rng.normal(size=n))
    return np.asarray(broad / broad.std() + 10 ** (rng.uniform(0, 6) / 20) * low / low.std())
