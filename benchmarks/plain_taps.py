"""What is made of plain taps that share nothing with ``taptone.physics``: a few dying modes under a blow.

Run from the project's folder, with the environment that ``scripts/test.py`` made::

    .venv/bin/python benchmarks/plain_taps.py
    .venv/bin/python benchmarks/plain_taps.py --seeds report

A method that only fits its own simulator is found out by sound of another making. Every tap is a bank of
modes with its own pitches, levels and decays, uneven from place to place, struck by a half-sine blow of
uneven strength and length. A panel has 108 stations and 20 reference places of two strikes; the stations
within 120 mm of one of them are altered in one way. The table gives the altered stations that are suspect,
and after the plus sign the others.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scenes import Sound

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.survey.panel import parse_panel

RATE_HZ = 48_000
SEEDS = {"development": 11, "report": 1_650_000}
NOISE = 2e-4  # 60 dB below a tap's peak of 0.2
PATCH_M = 0.12


@dataclass(frozen=True)
class Family:
    """One kind of skin: how many of the modes it has, how long the blow lasts, how loud it is itself.

    ``lasts`` multiplies every decay: at a half or a quarter, taps are over in 20 ms.
    """

    modes: int
    contact_ms: float
    click: float = 0.0
    lasts: float = 1.0


@dataclass(frozen=True)
class Fault:
    """What an altered place does: its pitches and decays times these, and so much duller an octave."""

    pitch: float = 1.0
    decay: float = 1.0
    duller_db: float = 0.0


HZ = np.array([380.0, 720, 1250, 2100, 3300, 5200])
DECAY_MS = np.array([90.0, 70, 50, 35, 25, 15])
LEVEL_DB = np.array([0.0, -2, -5, -9, -13, -18])
FAMILIES = (Family(6, 0.5), Family(4, 0.7), Family(3, 1.0), Family(6, 0.5, 0.8))
FAULTS = {
    "none": None,
    "dead: a third of the decay, duller by 3 dB an octave": Fault(1.0, 0.35, 3.0),
    "dull: 20 % lower, decay 40 % shorter, duller by 2 dB": Fault(0.8, 0.6, 2.0),
    "hollow: 20 % lower, decay half as long again": Fault(0.8, 1.5),
    "slightly dull: 10 % lower, decay 30 % shorter": Fault(0.9, 0.7, 1.0),
    "15 % lower": Fault(0.85),
    "half the decay": Fault(1.0, 0.5),
    "twice the decay": Fault(1.0, 2.0),
    "softer contact: duller by 6 dB an octave": Fault(1.0, 1.0, 6.0),
}
#: How uneven (times 3 % in pitch, 2 dB in level, 15 % in decay, 8 % in the blow's length); decays times
COLUMNS = ((0.5, 1.0), (1.0, 1.0), (2.0, 1.0), (1.0, 0.75), (1.0, 0.5), (1.0, 0.25))


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", choices=SEEDS, default="development")
    seed = SEEDS[parser.parse_args().seeds]
    names = (f"uneven times {uneven:g}" + f", decays {lasts:g}" * (lasts < 1) for uneven, lasts in COLUMNS)
    print(f"seeds from {seed}\n\n| altered stations | {' | '.join(names)} |")
    print(f"|---|{'---|' * len(COLUMNS)}")
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for name, fault in FAULTS.items():
            cells = []
            for uneven, lasts in COLUMNS:
                families = [replace(family, lasts=lasts) for family in FAMILIES]
                todo = [(seed + n, family, fault, uneven) for n, family in enumerate(families)]
                hit, altered, others = np.sum(list(pool.map(told, todo)), axis=0)
                cells.append(f"{hit} of {altered}, +{others}" if altered else f"+{others}")
            print(f"| {name} | {' | '.join(cells)} |", flush=True)


def told(todo: tuple[int, Family, Fault | None, float]) -> tuple[int, int, int]:
    """One panel: altered stations that are suspect, all altered ones, other suspects."""
    seed, family, fault, uneven = todo
    rng = np.random.default_rng(seed)
    panel = parse_panel(panel_text(0.9, 0.675, 0.075, "serpentine rows"), source="deck.toml")
    xy_m = np.array([[s.x_m, s.y_m] for s in panel.stations])
    middle = xy_m[rng.integers(len(xy_m))]
    altered = np.zeros(len(xy_m), bool) if fault is None else np.hypot(*(xy_m - middle).T) < PATCH_M
    hits = [tap(rng, family, fault if odd else None, uneven) for odd in altered]
    rows = [s.label.rstrip("0123456789") for s in panel.stations]
    gaps_s = [
        3.0 + rng.normal(0, 0.2) if this != after else 0.8 * np.exp(rng.normal(0, 0.1))
        for this, after in pairwise(rows)
    ]
    known = [tap(rng, family, None, uneven) for _ in range(40)]
    reference = learn_reference(
        [Sound("good.wav", laid(known, [0.5, 1.3] * 19 + [0.5], rng), RATE_HZ)],
        boat="Kettle",
        construction="cored_foam",
        hammer="plastic",
        taps_per_place=2,
    )[0]
    sound = Sound("deck.wav", laid(hits, gaps_s, rng), RATE_HZ)
    points = analyse_sounds([sound], panel=panel, reference=reference).points
    verdicts = {point.station: point.verdict for point in points}
    suspect = np.array([verdicts[s.label] == "suspect" for s in panel.stations])
    return int((suspect & altered).sum()), int(altered.sum()), int((suspect & ~altered).sum())


def panel_text(width_m: float, height_m: float, spacing_m: float, path: str) -> str:
    """A panel file of a rectangle, one strike a station."""
    x, y = f"{width_m:.3f}", f"{height_m:.3f}"
    return f"""
name = "deck"
boat = "Kettle"
side = "centre"
face = "outside"
construction = "cored_foam"
datum = "stem"
outline = [[0.0, 0.0], [{x}, 0.0], [{x}, {y}], [0.0, {y}]]
hammer = "plastic"
grid = {{ spacing = {spacing_m}, path = "{path}", taps_per_station = 1 }}
"""


def tap(rng: np.random.Generator, family: Family, fault: Fault | None, uneven: float) -> NDArray[np.float64]:
    """A half-sine blow on a bank of modes; harder blows are shorter, as Hertz's law has it."""
    n, fault = family.modes, fault or Fault()
    hz = HZ[:n] * fault.pitch * np.exp(rng.normal(0, 0.03 * uneven, n))
    decay_ms = DECAY_MS[:n] * family.lasts * fault.decay * np.exp(rng.normal(0, 0.15 * uneven, n))
    level_db = LEVEL_DB[:n] + rng.normal(0, 2 * uneven, n) - fault.duller_db * np.log2(hz / HZ[0])
    speed = np.exp(rng.normal(0, 0.3))
    contact_ms = family.contact_ms * speed**-0.2 * np.exp(rng.normal(0, 0.08 * uneven))
    contact_ms *= 1 + 0.1 * fault.duller_db
    t = np.arange(1, round(0.3 * RATE_HZ) + 1) / RATE_HZ
    dying = 10 ** (level_db[:, None] / 20 - 3000 * t / decay_ms[:, None])
    modes = (dying * np.sin(2 * np.pi * hz[:, None] * t)).sum(axis=0)
    blow = np.sin(np.pi * np.arange(round(contact_ms * 1e-3 * RATE_HZ)) / (contact_ms * 1e-3 * RATE_HZ))
    sound = np.convolve(blow, modes)[: len(t)]
    turn = np.cos(2 * np.pi * np.arange(len(blow)) / len(blow))
    sound[: len(blow)] += family.click * np.abs(sound).max() * blow * turn
    return np.asarray(0.2 * speed * sound / np.abs(sound).max())


def laid(
    hits: list[NDArray[np.float64]], gaps_s: list[float], rng: np.random.Generator
) -> NDArray[np.float32]:
    """Hits one after another over white noise."""
    at = np.rint(np.cumsum([0.8, *gaps_s]) * RATE_HZ).astype(int)
    sound = rng.normal(0, NOISE, at[-1] + RATE_HZ)
    for start, hit in zip(at, hits, strict=True):
        sound[start : start + len(hit)] += hit
    return np.asarray(sound, np.float32)


if __name__ == "__main__":
    main()
