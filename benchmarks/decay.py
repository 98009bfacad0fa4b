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
by 60 dB in ln(10⁶)/(2πfη) = 2.1988/(fη) (rounded to 2.2 in the ISO 10848 and EN 12354 family).
"""

from __future__ import annotations

import argparse
import math
import sys
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.signal import butter, fftconvolve, sosfilt, sosfiltfilt

from taptone.physics.yard import shed
from taptone.pipeline.decay import decay_time
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
    damping = (
        np.pi * hz * loss_factor * np.exp(rng.normal(0.0, 0.1, len(hz)))
    )  # of amplitude, nepers a second
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
    return Struck(
        tap, float(hz[mode]), float(decay_ms), loss_factor, snr_db, shed_s, direct_db, ahead_db, near, cut
    )


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
    """White to pink noise of unit power from 100 Hz on, and a rumble below 100 Hz at least as loud."""
    hz = np.maximum(np.fft.rfftfreq(n, 1 / RATE_HZ), 1.0)
    whole = np.fft.rfft(rng.normal(size=n)) * (hz / 1000) ** rng.uniform(-0.5, 0.0)
    broad = np.fft.irfft(np.where(hz < 100, 0, whole), n)
    low = sosfilt(butter(2, 100, fs=RATE_HZ, output="sos"), rng.normal(size=n))
    return np.asarray(broad / broad.std() + 10 ** (rng.uniform(0, 6) / 20) * low / low.std())


# -- readings ------------------------------------------------------------------------------------------

Reading = tuple[float, float]  # decay in ms, frequency in Hz


def program(recording: Sequence[Struck]) -> list[Reading]:
    taps = [struck.tap for struck in recording]
    return [(m["mode_decay_ms"], m["mode_hz"]) for m in measure(taps, room=find_room(taps))]


def backward_band(recording: Sequence[Struck]) -> list[Reading]:
    """Half-octave about the highest peak, run backwards in time: 0 to -10 dB, noise taken off."""
    taps = [struck.tap for struck in recording]
    room, out = find_room(taps), []
    for tap in taps:
        hz = _highest_peak(_measured(tap))
        sos = _half_octave(hz)
        noise = float(np.square(sosfilt(sos, tap.noise.astype(float))).mean())
        alone = sosfilt(sos, _measured(tap)[::-1])[::-1]
        read = decay_time(np.ascontiguousarray(alone), RATE_HZ, noise_power=noise, room=room)
        out.append((read.decay_ms if read.bend_db <= 2.5 else math.nan, hz))
    return out


def room_acoustics(recording: Sequence[Struck]) -> list[Reading]:
    """pyroomacoustics over 20 dB of the half-octave about the true mode, filtered without phase."""
    from pyroomacoustics.experimental import measure_rt60

    out = []
    for struck in recording:
        alone = sosfiltfilt(_half_octave(struck.mode_hz), _measured(struck.tap))
        try:
            decay_ms = 1000 * float(measure_rt60(alone, RATE_HZ, decay_db=20))
        except (ValueError, IndexError):
            decay_ms = math.nan
        out.append((decay_ms, struck.mode_hz))
    return out


def matrix_pencil(recording: Sequence[Struck]) -> list[Reading]:
    """Half-octave about the highest peak, brought to zero and thinned, through the matrix pencil.

    Y. Hua and T. K. Sarkar, "Matrix pencil method for estimating parameters of exponentially damped/undamped
    sinusoids in noise", IEEE Trans. Acoust. Speech Signal Process. 38 (1990) 814-824: pencil of a third of
    the samples; singular values below a fifth of the largest are noise, which did best on development seeds.
    """
    out = []
    for struck in recording:
        sound = _measured(struck.tap)
        about_hz = _highest_peak(sound)
        alone = sosfilt(_half_octave(about_hz), sound[::-1])[::-1]
        down = alone * np.exp(-2j * np.pi * about_hz * np.arange(len(alone)) / RATE_HZ)
        step = max(1, round(RATE_HZ / (0.7 * about_hz)))
        seen = np.add.reduceat(down, np.arange(0, len(down) // step * step, step))[:128]
        if len(seen) < 9:
            out.append((math.nan, about_hz))
            continue
        rows = np.lib.stride_tricks.sliding_window_view(seen, len(seen) // 3 + 1)
        _, singular, right = np.linalg.svd(rows, full_matrices=False)
        right = right[singular > 0.2 * singular[0]].conj().T
        turns = np.linalg.eigvals(np.linalg.pinv(right[:-1]) @ right[1:]).conj()
        level = np.linalg.lstsq(turns ** np.arange(len(seen))[:, None], seen, rcond=None)[0]
        damping = -np.log(np.abs(turns)) * RATE_HZ / step
        energy = np.where(damping > 0, np.abs(level) ** 2 / np.maximum(damping, 1e-3), 0.0)
        k = int(np.argmax(energy))
        if energy[k] <= 0:
            out.append((math.nan, about_hz))
            continue
        hz = about_hz + float(np.angle(turns[k])) * RATE_HZ / step / (2 * math.pi)
        out.append((1000 * LN_60DB / (2 * float(damping[k])), hz))
    return out


def _measured(tap: Tap) -> FloatArray:
    return np.asarray(tap.clip[tap.onset + round(START_S * RATE_HZ) : tap.end], float)


def _half_octave(hz: float) -> FloatArray:
    edges = [hz * 2**-0.25, min(hz * 2**0.25, 0.49 * RATE_HZ)]
    return np.asarray(butter(2, edges, "bandpass", fs=RATE_HZ, output="sos"))


def _highest_peak(sound: FloatArray) -> float:
    n = min(len(sound), round(0.08 * RATE_HZ))
    power = np.abs(np.fft.rfft(sound[:n] * np.hanning(2 * n)[n:], 1 << 14)) ** 2
    hz = np.fft.rfftfreq(1 << 14, 1 / RATE_HZ)
    return float(hz[np.argmax(np.where((hz >= LOW_HZ) & (hz <= HIGH_HZ), power, 0.0))])


METHODS: dict[str, Callable[[Sequence[Struck]], list[Reading]]] = {
    "taptone": program,
    "half-octave about the highest peak, run backwards, 0 to -10 dB": backward_band,
    "pyroomacoustics, half-octave about the true mode, 20 dB": room_acoustics,
    "matrix pencil, half-octave about the highest peak": matrix_pencil,
}


# -- what no method can beat ---------------------------------------------------------------------------


def least_error(decay_ms: float, shed_s: float, direct_db: float, samples: int = 64) -> float:
    """Least standard error of a damping, as a share of it, where a shed answers and nothing else disturbs.

    The shed's answer to a damped sine is a normal process whose covariance follows from the shed's dying
    energy; the bound is Cramér's and Rao's for level and damping of the direct sound with that covariance
    known (S. M. Kay, Fundamentals of Statistical Signal Processing: Estimation Theory, ch. 15; from memory).
    """
    damping, dying = 500 * LN_60DB / decay_ms, LN_60DB / shed_s
    t = START_S + np.linspace(0.0, min(decay_ms / 1000, AFTER_S), samples)
    sent = np.linspace(START_S, t[-1], 1000)
    answer = np.where(t[:, None] >= sent, np.exp(-damping * np.maximum(t[:, None] - sent, 0.0)), 0.0)
    power = 10 ** (-direct_db / 10) * dying * np.exp(-dying * sent) * (sent[1] - sent[0])
    covariance = (answer * power) @ answer.T + 1e-6 * np.eye(samples)
    slopes = np.stack([np.exp(-damping * t), t * np.exp(-damping * t)], axis=1)
    information = 2 * slopes.T @ np.linalg.solve(covariance, slopes)
    return float(np.sqrt(np.linalg.inv(information)[1, 1]) / damping)


# -- tables --------------------------------------------------------------------------------------------


def figures(struck: Sequence[Struck], readings: FloatArray) -> str:
    """Cells: share measured; of these median error of decay and of frequency, another mode, rank."""
    from scipy.stats import spearmanr

    true_ms, true_hz = (np.array([getattr(s, name) for s in struck]) for name in ("decay_ms", "mode_hz"))
    had = np.isfinite(readings[:, 0])
    if had.sum() < 5:
        return f"{had.mean():.0%} | – | – | – | –"
    off = np.abs(readings[had] / np.column_stack([true_ms, true_hz])[had] - 1)
    rank = spearmanr(readings[had, 0], true_ms[had])[0]
    return (
        f"{had.mean():.0%} | {np.median(off[:, 0]):.1%} | {np.median(off[:, 1]):.2%} | "
        f"{(off[:, 1] > 0.04).mean():.1%} | {rank:.3f}"
    )


HEADS = "share measured | median error of decay | of frequency | another mode | rank correlation"


def table(struck: Sequence[Struck], readings: FloatArray) -> Iterator[str]:
    groups: dict[str, Callable[[Struck], object]] = {
        "loss factor": lambda s: s.loss_factor,
        "signal to noise, dB": lambda s: s.snr_db,
        "shed, s": lambda s: s.shed_s,
        "direct over reverberant": lambda s: _between(s.direct_db, (5, 10, 15, 20, 99), "dB"),
        "mode": lambda s: _between(s.mode_hz, EDGES_HZ[1:], "Hz"),
        "true decay": lambda s: _between(s.decay_ms, (10, 30, 100, 300, 5000), "ms"),
        "beside it": lambda s: s.near or "nothing near",
        "next mode's energy": lambda s: _between(s.ahead_db, (2, 5, 99), "dB less"),
        "next contact": lambda s: "within 30 to 150 ms" if s.cut else "none",
    }
    yield f"| | taps | {HEADS} |\n|---|---|---|---|---|---|---|"
    yield f"| **all** | {len(struck)} | {figures(struck, readings)} |"
    for name, of in groups.items():
        values = [of(s) for s in struck]
        for value in sorted(set(values), key=_order):
            rows = [k for k, own in enumerate(values) if own == value]
            yield f"| {name} {value} | {len(rows)} | {figures([struck[k] for k in rows], readings[rows])} |"


def _between(value: float, edges: Sequence[float], unit: str) -> str:
    low = [0.0, *edges]
    k = int(np.searchsorted(edges, value))
    if math.isinf(value):
        return "none"
    return f"under {edges[0]:g} {unit}" if k == 0 else f"from {low[k]:g} {unit}"


def _order(value: object) -> tuple[float, str]:
    words = [w for w in str(value).split() if w.replace(".", "").isdigit()]
    return (float(words[0]) - str(value).startswith("under") if words else math.inf, str(value))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", choices=SEEDS, default="development")
    parser.add_argument("--repeats", type=int, default=2, help="bodies a condition, in tens")
    chosen = parser.parse_args()
    made = list(recordings(SEEDS[chosen.seeds], chosen.repeats))
    struck = [s for recording in made for s in recording]
    readings = {}
    print(f"{len(struck)} taps, {chosen.seeds} seeds from {SEEDS[chosen.seeds]}.\n")
    for name, read in METHODS.items():
        begun = time.process_time()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            readings[name] = np.array([pair for recording in made for pair in read(recording)])
        print(f"{name}: {time.process_time() - begun:.1f} s of processor", file=sys.stderr)
    had = np.isfinite(readings["taptone"][:, 0])
    print(f"| method, all taps | {HEADS} |\n|---|---|---|---|---|---|")
    for name, rows in readings.items():
        print(f"| {name} | {figures(struck, rows)} |")
    print("\n| method, the taps that taptone measures | " + HEADS + " |\n|---|---|---|---|---|---|")
    for name, rows in readings.items():
        print(f"| {name} | {figures([s for s, h in zip(struck, had, strict=True) if h], rows[had])} |")
    quiet = [k for k, s in enumerate(struck) if not s.shed_s and s.snr_db == max(SNR_DB)]
    print(f"\n| method, no shed and {max(SNR_DB)} dB | " + HEADS + " |\n|---|---|---|---|---|---|")
    for name, rows in readings.items():
        print(f"| {name} | {figures([struck[k] for k in quiet], rows[quiet])} |")
    print("\n" + "\n".join(table(struck, readings["taptone"])))
    print("\n| direct over reverberant, dB | " + " | ".join(f"{ms} ms" for ms in (20, 100, 400)) + " |")
    print("|---|---|---|---|")
    for direct_db in (0, 6, 12, 20, 26):
        cells = [f"{least_error(ms, 0.6, direct_db):.0%}" for ms in (20, 100, 400)]
        print(f"| {direct_db} | {' | '.join(cells)} |")


if __name__ == "__main__":
    main()
