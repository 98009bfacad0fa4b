"""Small panels in a quiet place: is every strike heard, and what becomes of the loose stations?

Run from the project's folder, with the environment that ``scripts/test.py`` made::

    .venv/bin/python benchmarks/small_panels.py
    .venv/bin/python benchmarks/small_panels.py --seeds report

Three to five rows of three to seven stations, a pause of 2 to 4 s after each, some stations loose. The taps
are the plainest that can be thought of: one to three damped sines, or a band of dying noise, each place by 3
or 6 % unlike the next in pitch and decay. Nothing is shared with ``taptone.physics``. Twenty known-good
places of one strike each are learnt from first. The table counts strikes that were not heard, those that were
heard and not struck, loose stations that are suspect, good ones that are, and stations not assessed.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from plain_taps import laid, panel_text
from scenes import Sound
from scipy.signal import butter, sosfilt

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.evaluation import onsets
from taptone.survey.panel import parse_panel

RATE_HZ = 48_000
SEEDS = {"development": 7_000, "report": 1_760_000}
PANELS = 12  # of each kind and unevenness
UNEVEN = (0.03, 0.06)


@dataclass(frozen=True)
class Sines:
    """Damped sines: pitches, times to fall by 60 dB, levels."""

    hz: tuple[float, ...]
    decay_ms: tuple[float, ...]
    level_db: tuple[float, ...] = (0.0, -3.0, -6.0)

    def tap(self, rng: np.random.Generator, uneven: float) -> NDArray[np.float64]:
        """One blow on one place."""
        n, t = len(self.hz), np.arange(RATE_HZ // 4) / RATE_HZ
        hz = np.array(self.hz) * np.exp(rng.normal(0, uneven, n))
        decay_ms = np.array(self.decay_ms) * np.exp(rng.normal(0, uneven, n))
        dying = 10 ** (np.array(self.level_db[:n])[:, None] / 20 - 3000 * t / decay_ms[:, None])
        return np.asarray((dying * np.sin(2 * np.pi * hz[:, None] * t)).sum(axis=0))


@dataclass(frozen=True)
class Noise:
    """A band of noise, from one frequency to another, that dies."""

    low_hz: float
    high_hz: float
    decay_ms: float

    def tap(self, rng: np.random.Generator, uneven: float) -> NDArray[np.float64]:
        """One blow on one place."""
        t = np.arange(RATE_HZ // 4) / RATE_HZ
        decay_ms = self.decay_ms * np.exp(rng.normal(0, uneven))
        band = butter(2, [self.low_hz, self.high_hz], "bandpass", fs=RATE_HZ, output="sos")
        return np.asarray(sosfilt(band, rng.normal(size=len(t)) * 10 ** (-3000 * t / decay_ms)))


THREE = Sines((1200.0, 2600.0, 4700.0), (60.0, 40.0, 25.0))
#: What a good and what a loose place sound like.
KINDS = {
    "one sine, an octave lower, twice as long": (Sines((1800.0,), (40.0,)), Sines((900.0,), (90.0,))),
    "one sine, lower, half as long": (Sines((1800.0,), (60.0,)), Sines((700.0,), (30.0,))),
    "two sines, an octave lower": (
        Sines((1200.0, 3100.0), (60.0, 30.0)),
        Sines((600.0, 1500.0), (40.0, 20.0)),
    ),
    "three sines, a seventh lower, longer": (THREE, Sines((1050.0, 2250.0, 4000.0), (80.0, 52.0, 33.0))),
    "three sines, two and a half times as long": (THREE, Sines(THREE.hz, (150.0, 100.0, 60.0))),
    "three sines, a quarter as long": (THREE, Sines(THREE.hz, (15.0, 10.0, 8.0))),
    "noise, lower, twice as long": (Noise(1600.0, 4000.0, 30.0), Noise(600.0, 1600.0, 60.0)),
}


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", choices=SEEDS, default="development")
    seed = SEEDS[parser.parse_args().seeds]
    columns = (
        "strikes",
        "not heard",
        "heard, not struck",
        "loose",
        "suspect",
        "good",
        "suspect",
        "not assessed",
    )
    print(f"seeds from {seed}\n\n| good and loose | uneven by | {' | '.join(columns)} |")
    print(f"|---|---|{'---|' * len(columns)}")
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for kind in KINDS:
            for uneven in UNEVEN:
                todo = [(seed + n, kind, uneven) for n in range(PANELS)]
                counts = np.sum(list(pool.map(told, todo)), axis=0)
                print(f"| {kind} | {100 * uneven:.0f} % | {' | '.join(map(str, counts))} |", flush=True)


def told(todo: tuple[int, str, float]) -> tuple[int, ...]:
    """What is made of one panel, in the order of the columns."""
    seed, kind, uneven = todo
    rng, (good, loose) = np.random.default_rng(seed), KINDS[kind]
    rows, columns = int(rng.integers(3, 6)), int(rng.integers(3, 8))
    n = rows * columns
    bad = np.zeros(n, bool)
    bad[rng.choice(n, int(rng.integers(1, max(2, n // 4))), replace=False)] = True
    bad[int(rng.integers(rows)) * columns] = True  # and the first of a row
    hits = [_loud(rng, (loose if odd else good).tap(rng, uneven)) for odd in bad]
    gaps_s = [
        float(rng.uniform(2, 4)) if (k + 1) % columns == 0 else float(0.9 * np.exp(rng.normal(0, 0.12)))
        for k in range(n - 1)
    ]
    known = [_loud(rng, good.tap(rng, uneven)) for _ in range(20)]
    reference = learn_reference(
        [Sound("good.wav", laid(known, [0.9] * 19, rng), RATE_HZ)],
        boat="Kettle",
        construction="cored_foam",
        hammer="plastic",
    )[0]
    panel = parse_panel(panel_text(0.1 * columns, 0.1 * rows, 0.1, "rows"), source="deck.toml")
    result = analyse_sounds(
        [Sound("deck.wav", laid(hits, gaps_s, rng), RATE_HZ)], panel=panel, reference=reference
    )
    struck_s = np.cumsum([0.8, *gaps_s])
    heard_s = np.array([tap.time_s for tap in result.taps if "bounce" not in tap.flags])
    pairs = len(onsets.match(struck_s, heard_s))
    suspect, left = (
        np.array([p.verdict == verdict for p in result.points]) for verdict in ("suspect", "not assessed")
    )
    good_ones = ~bad
    return (
        n,
        n - pairs,
        len(heard_s) - pairs,
        int(bad.sum()),
        int((suspect & bad).sum()),
        int(good_ones.sum()),
        int((suspect & good_ones).sum()),
        int(left.sum()),
    )


def _loud(rng: np.random.Generator, sound: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(rng.uniform(0.15, 0.5) * sound / np.abs(sound).max())


if __name__ == "__main__":
    main()
