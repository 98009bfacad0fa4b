"""Panels of chance making: every property of the taps, the fault and the place is drawn anew.

Run from the project's folder, with the environment that ``scripts/test.py`` made::

    .venv/bin/python benchmarks/chance_taps.py
    .venv/bin/python benchmarks/chance_taps.py --seeds report --panels 200

One to eight damped modes under a half-sine blow, of 250 Hz to 6 kHz and dying within 12 to 120 ms at 1 kHz
(high notes mostly sooner). Every mode strays by 1 to 4 % in pitch and 4 to 20 % in decay from place to place,
on half of the panels in patches as well, and by 0.5 to 4 dB in level from strike to strike, by 0.7 of that
from place to place. A click or none, a room or none, white or red noise 36 to 71 dB under the middle tap's
peak, one or two strikes a station, 24 to 96 stations along any path, known-good taps or none. Nothing is
shared with ``taptone.physics``. Many of these panels nobody could tell by ear either: the table is to compare
one state of the program with another, and to find what it cannot do. Good laminate has no corner, edge or
frame here.
"""

from __future__ import annotations

import argparse
import os
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from plain_taps import panel_text
from scenes import Sound
from scipy.signal import fftconvolve, lfilter

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.errors import TaptoneError
from taptone.survey.panel import parse_panel

RATE_HZ = 48_000
SEEDS = {"development": 24_000, "report": 1_950_000}  # every look is counted in docs/accuracy.md
PANELS = 100
PEAK = 0.18  # of the middle tap
#: How loose stations differ, each within a range: pitch and decay (times), dB an octave, dB in all.
FAULTS: dict[str, tuple[tuple[float, float], ...]] = {
    "lower, up to twice as long, louder": ((0.45, 0.7), (1.0, 2.0), (-3.0, 0.0), (0.0, 6.0)),
    "a quarter to a half of the decay, duller": ((0.7, 1.0), (0.25, 0.45), (-5.0, -1.0), (-6.0, 0.0)),
    "duller, somewhat shorter": ((0.8, 1.0), (0.6, 0.9), (-8.0, -4.0), (-3.0, 0.0)),
    "a third to a half of the decay": ((1.0, 1.0), (0.3, 0.5), (0.0, 0.0), (0.0, 0.0)),
    "two to three times the decay": ((1.0, 1.0), (2.0, 3.0), (0.0, 0.0), (0.0, 0.0)),
    "lower by 15 to 30 %": ((0.7, 0.85), (1.0, 1.0), (0.0, 0.0), (0.0, 0.0)),
    "none": ((1.0, 1.0), (1.0, 1.0), (0.0, 0.0), (0.0, 0.0)),
}


@dataclass(frozen=True)
class Making:
    """One panel's taps, fault and place; decays are of 1 kHz, and go with a power of the frequency."""

    fault: str
    differs: tuple[float, ...]
    hz: NDArray[np.float64]
    decay_ms: float
    decay_power: float
    tilt_db: float
    uneven_hz: float
    uneven_db: float
    uneven_ms: float
    in_patches: bool
    contact_ms: float
    uneven_contact: float
    click: float
    strength_db: float
    room_s: float
    wet: float
    snr_db: float
    red: bool
    gap_s: float
    uneven_gap: float
    strikes: int
    rows: int
    columns: int
    spacing_m: float
    path: str
    share: float
    known: bool

    @classmethod
    def drawn(cls, rng: np.random.Generator) -> Making:
        """One of them all."""
        fault = str(rng.choice(list(FAULTS)))
        return cls(
            fault,
            tuple(float(rng.uniform(*edges)) for edges in FAULTS[fault]),
            hz=np.sort(np.exp(rng.uniform(np.log(250), np.log(6000), int(rng.integers(1, 9))))),
            decay_ms=float(np.exp(rng.uniform(np.log(12), np.log(120)))),
            decay_power=float(rng.uniform(-0.8, 0.0)),
            tilt_db=float(rng.uniform(-4.5, 0.0)),
            uneven_hz=float(rng.choice([0.01, 0.02, 0.04])),
            uneven_db=float(rng.uniform(0.5, 4.0)),
            uneven_ms=float(rng.uniform(0.04, 0.2)),
            in_patches=bool(rng.random() < 0.5),
            contact_ms=float(np.exp(rng.uniform(np.log(0.2), np.log(1.5)))),
            uneven_contact=float(rng.uniform(0.03, 0.2)),
            click=float(rng.choice([0.0, 0.1, 0.4])),
            strength_db=float(rng.uniform(1.0, 5.0)),
            room_s=float(rng.choice([0.0, 0.0, 0.0, 0.4, 0.9])),
            wet=float(rng.uniform(0.05, 0.25)),
            snr_db=float(rng.uniform(36.0, 71.0)),
            red=bool(rng.random() < 0.5),
            gap_s=float(rng.uniform(0.6, 1.5)),
            uneven_gap=float(rng.uniform(0.05, 0.15)),
            strikes=int(rng.choice([1, 1, 1, 2])),
            rows=int(rng.integers(4, 9)),
            columns=int(rng.integers(6, 13)),
            spacing_m=float(rng.choice([0.05, 0.1, 0.15])),
            path=str(rng.choice(["rows", "serpentine rows", "columns", "serpentine columns"])),
            share=float(rng.choice([0.03, 0.08, 0.15])),
            known=bool(rng.random() < 0.75),
        )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", choices=SEEDS, default="development")
    parser.add_argument("--panels", type=int, default=PANELS)
    words = parser.parse_args()
    seed = SEEDS[words.seeds]
    sums: dict[str, NDArray[np.int64]] = defaultdict(lambda: np.zeros(7, int))
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for making, counts in pool.map(told, range(seed, seed + words.panels)):
            known = "with" if making.known else "without"
            place = f"in a room of {making.room_s:g} s" if making.room_s else "in no room"
            for row in (making.fault, f"{known} known-good taps", place, "**all**"):
                sums[row] += (1, not any(counts), *counts)
    columns = ("panels", "refused", "loose", "suspect", "good", "suspect", "not assessed")
    print(f"seeds from {seed}\n\n| | {' | '.join(columns)} |\n|---|{'---|' * len(columns)}")
    order = [*FAULTS, *sorted(set(sums) - set(FAULTS) - {"**all**"}), "**all**"]
    for row in filter(sums.__contains__, order):
        print(f"| {row} | {' | '.join(map(str, sums[row]))} |")


def told(seed: int) -> tuple[Making, tuple[int, ...]]:
    """One panel, and its stations: loose, suspect, good, suspect, not assessed; noughts if refused."""
    rng = np.random.default_rng(seed)
    making = Making.drawn(rng)
    width_m, height_m = making.spacing_m * making.columns, making.spacing_m * making.rows
    text = panel_text(width_m, height_m, making.spacing_m, making.path)
    text = text.replace("taps_per_station = 1", f"taps_per_station = {making.strikes}")
    panel = parse_panel(text, source="deck.toml")
    xy_m = np.array([[s.x_m, s.y_m] for s in panel.stations])
    n = len(xy_m)
    far_m = np.linalg.norm(xy_m[:, None] - xy_m[None], axis=2)
    loose = np.zeros(n, bool)
    if making.fault != "none":
        loose[np.argsort(far_m[rng.integers(n)], kind="stable")[: max(2, int(making.share * n))]] = True
    places = _places(making, rng, far_m)
    usual = FAULTS["none"]
    hits = [
        tap(making, rng, places[:, k], making.differs if loose[k] else tuple(low for low, _ in usual))
        for k in range(n)
        for _ in range(making.strikes)
    ]
    scale = PEAK / float(np.median([np.abs(hit).max() for hit in hits]))
    along = 0 if "rows" in making.path else 1  # the coordinate that stays the same along a row or column
    line = np.floor(xy_m[:, 1 - along] / making.spacing_m + 1e-6)
    sounds = [Sound("deck.wav", laid(making, rng, hits, scale, _gaps_s(making, rng, line)), RATE_HZ)]
    reference = None
    try:
        if making.known:
            alone = _places(making, rng, np.where(np.eye(20, dtype=bool), 0.0, np.inf))
            good = [tap(making, rng, alone[:, k], tuple(low for low, _ in usual)) for k in range(20)]
            known = Sound("good.wav", laid(making, rng, good, scale, np.full(19, 0.9)), RATE_HZ)
            reference = learn_reference([known], boat="Kettle", construction="cored_foam", hammer="plastic")[
                0
            ]
        result = analyse_sounds(sounds, panel=panel, reference=reference)
    except TaptoneError:
        return making, (0,) * 5
    verdict = {p.station: p.verdict for p in result.points}
    said = np.array([verdict[station.label] for station in panel.stations])
    suspect = said == "suspect"
    return making, (
        int(loose.sum()),
        int((suspect & loose).sum()),
        int((~loose).sum()),
        int((suspect & ~loose).sum()),
        int((said == "not assessed").sum()),
    )


def _places(making: Making, rng: np.random.Generator, far_m: NDArray[np.float64]) -> NDArray[Any]:
    """How each place differs from the usual in pitch, decay (both logarithms) and level of every mode."""
    alike = np.exp(-np.square(far_m / 0.3)) if making.in_patches else np.eye(len(far_m))
    root = np.linalg.cholesky(0.5 * alike + (0.5 + 1e-9) * np.eye(len(far_m)))
    spreads = np.array([making.uneven_hz, making.uneven_ms, 0.7 * making.uneven_db])
    strays = rng.normal(size=(3, len(far_m), len(making.hz)))
    return np.asarray(spreads[:, None, None] * (root @ strays))


def tap(
    making: Making, rng: np.random.Generator, place: NDArray[np.float64], differs: tuple[float, ...]
) -> NDArray[np.float64]:
    """One strike: the modes of a place under a half-sine blow, and its click."""
    pitch, decay, tilt_db, louder_db = differs
    t = np.arange(round(0.4 * RATE_HZ)) / RATE_HZ
    hz = making.hz * pitch * np.exp(place[0])
    ms = making.decay_ms * (making.hz / 1000) ** making.decay_power * np.exp(place[1])
    octaves = np.log2(making.hz / making.hz[0])
    db = (making.tilt_db + tilt_db) * octaves + place[2] + rng.normal(0, making.uneven_db, len(hz))
    dying = 10 ** (db[:, None] / 20 - 3000 * t / (decay * np.clip(ms, 4, 200))[:, None])
    phase = rng.uniform(0, 0.3, (len(hz), 1))
    sound = (dying * np.sin(2 * np.pi * hz[:, None] * t + phase)).sum(axis=0)
    contact_s = (
        making.contact_ms / 1000 * np.exp(rng.normal(0, making.uneven_contact)) * 10 ** (-tilt_db / 40)
    )
    blow = np.sin(np.pi * (np.arange(max(2, round(contact_s * RATE_HZ))) + 0.5) / (contact_s * RATE_HZ))
    blow = np.maximum(blow, 0.0) / np.abs(blow).sum()
    sound = fftconvolve(sound, blow)[: len(t)]
    if making.click:
        click = fftconvolve(rng.normal(size=len(t)) * np.exp(-t / 0.001), blow)[: len(t)]
        sound += making.click * np.abs(sound).max() * click / np.abs(click).max()
    strength_db = louder_db + rng.uniform(-making.strength_db, making.strength_db)
    return np.asarray(sound * 10 ** (strength_db / 20))


def _gaps_s(making: Making, rng: np.random.Generator, line: NDArray[np.float64]) -> NDArray[np.float64]:
    """From strike to strike: twice at a place in short order, on to the next, and a pause after each line."""
    n = len(line) * making.strikes
    uneven = np.exp(rng.normal(0, making.uneven_gap, n - 1))
    station = np.arange(n) // making.strikes
    again = station[1:] == station[:-1]
    new_line = line[station[1:]] != line[station[:-1]]
    onward_s = making.gap_s * uneven * (1.3 if making.strikes > 1 else 1.0)
    pause_s = rng.uniform(2.2, 4.0, n - 1) * max(1.0, making.gap_s)
    return np.where(again, 0.55 * making.gap_s * uneven, np.where(new_line, pause_s, onward_s))


def laid(
    making: Making,
    rng: np.random.Generator,
    hits: list[NDArray[np.float64]],
    scale: float,
    gaps_s: NDArray[np.float64],
) -> NDArray[np.float32]:
    """The strikes one after another in their room, amid their noise, at 16 bits."""
    at = np.rint(np.cumsum([0.8, *gaps_s]) * RATE_HZ).astype(int)
    sound = np.zeros(at[-1] + round(1.5 * RATE_HZ))
    for start, hit in zip(at, hits, strict=True):
        sound[start : start + len(hit)] += scale * hit
    if making.room_s:
        n = round(making.room_s * RATE_HZ)
        tail = rng.normal(size=n) * 10 ** (-3 * np.arange(n) / n)
        tail *= making.wet / np.linalg.norm(tail)
        tail[0] += 1.0
        sound = fftconvolve(sound, tail)[: len(sound)]
    noise = rng.normal(size=len(sound))
    if making.red:
        noise = lfilter([1.0], [1.0, -0.95], noise)
    sound += PEAK * 10 ** (-making.snr_db / 20) * noise / noise.std()
    return np.asarray(np.round(32767 * np.clip(sound, -1, 1)) / 32767, np.float32)


if __name__ == "__main__":
    main()
