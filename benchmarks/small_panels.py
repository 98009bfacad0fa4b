"""Small panels in a quiet place: is every strike heard, and what becomes of the loose stations?

Run from the project's folder, with the environment that ``scripts/test.py`` made::

    .venv/bin/python benchmarks/small_panels.py
    .venv/bin/python benchmarks/small_panels.py --seeds report
    .venv/bin/python benchmarks/small_panels.py --hard

Three to five rows of three to seven stations, a pause of 2 to 4 s after each, some stations loose. The taps
are the plainest that can be thought of: one to three damped sines, or a band of dying noise, each place by 3
or 6 % unlike the next in pitch and decay. Nothing is shared with ``taptone.physics``. Twenty known-good
places of one strike each are learnt from first. The table counts strikes that were not heard, those that were
heard and not struck, loose stations that are suspect, good ones that are, and stations not assessed.

``--hard``: the same, of all kinds together, amid noise, hum and wind (at the known-good places too), with
much of the panel loose in one patch, and without known-good taps.
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
from scipy.signal import butter, lfilter, sosfilt

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.errors import ReferenceTooSmallError
from taptone.evaluation import onsets
from taptone.survey.panel import parse_panel

RATE_HZ = 48_000
SEEDS = {"development": 7_000, "report": 1_770_000}
PANELS, HARD_PANELS = 12, 3  # of each kind and unevenness
HARD_SEEDS = 1_000  # further on
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


@dataclass(frozen=True)
class Condition:
    """What makes it hard: sound beside taps of 0.15 to 0.5, how much is loose, no known-good taps.

    ``noise`` is the r.m.s. of white noise, ``hum`` the height of a motor's 50 Hz (100, 150 and 250 Hz at a
    half, a third and a fifth of it), ``wind`` the r.m.s. of noise that falls by 6 dB an octave from 8 Hz up.
    """

    noise: float = 0.0
    hum: float = 0.0
    wind: float = 0.0
    loose: float | None = None
    known: bool = True

    def sound(self, n: int, rng: np.random.Generator) -> NDArray[np.float64]:
        """What is heard beside the taps."""
        t = np.arange(n) / RATE_HZ
        out = self.noise * rng.normal(size=n)
        if self.hum:
            out += self.hum * sum(np.sin(2 * np.pi * 50 * k * t + k) / k for k in (1, 2, 3, 5))
        if self.wind:
            gusts = lfilter([1.0], [1.0, -0.999], rng.normal(size=n))
            out += self.wind * gusts / gusts.std()
        return np.asarray(out)


HARD = {
    "as above": Condition(),
    "white noise, 20 dB under a tap of 0.3": Condition(noise=0.0075),
    "white noise, 15 dB": Condition(noise=0.0133),
    "a motor's hum of 0.01": Condition(hum=0.01),
    "a motor's hum of 0.05": Condition(hum=0.05),
    "wind of 0.05": Condition(wind=0.05),
    "a third loose in one patch": Condition(loose=0.33),
    "half of it": Condition(loose=0.5),
    "without known-good taps": Condition(known=False),
    "without, a third loose": Condition(loose=0.33, known=False),
}


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", choices=SEEDS, default="development")
    parser.add_argument("--hard", action="store_true", help="amid noise, much of it loose, no reference")
    words = parser.parse_args()
    seed = SEEDS[words.seeds]
    if words.hard:
        hard(seed + HARD_SEEDS)
        return
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
                todo = [(seed + n, kind, uneven, Condition()) for n in range(PANELS)]
                counts = np.sum(list(pool.map(told, todo)), axis=0)
                print(f"| {kind} | {100 * uneven:.0f} % | {' | '.join(map(str, counts))} |", flush=True)


def hard(seed: int) -> None:
    """Print the table of hard conditions, of all kinds together."""
    columns = (
        "panels refused",
        "strikes",
        "not heard",
        "loose",
        "suspect",
        "good",
        "suspect",
        "not assessed",
    )
    print(f"seeds from {seed}\n\n| condition | {' | '.join(columns)} |\n|---|{'---|' * len(columns)}")
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for name, condition in HARD.items():
            todo = [
                (seed + n, kind, uneven, condition)
                for kind in KINDS
                for uneven in UNEVEN
                for n in range(HARD_PANELS)
            ]
            rows = list(pool.map(told, todo))
            refused = sum(not any(row) for row in rows)
            struck, unheard, _, *rest = np.sum(rows, axis=0)
            print(f"| {name} | {' | '.join(map(str, (refused, struck, unheard, *rest)))} |", flush=True)


def told(todo: tuple[int, str, float, Condition]) -> tuple[int, ...]:
    """What is made of one panel, in the order of the columns; nothing but noughts where it is refused."""
    seed, kind, uneven, condition = todo
    rng, (good, loose) = np.random.default_rng(seed), KINDS[kind]
    rows, columns = int(rng.integers(3, 6)), int(rng.integers(3, 8))
    n = rows * columns
    bad = np.zeros(n, bool)
    bad[rng.choice(n, int(rng.integers(1, max(2, n // 4))), replace=False)] = True
    bad[int(rng.integers(rows)) * columns] = True  # and the first of a row
    if condition.loose is not None:
        xy = np.stack(np.divmod(np.arange(n), columns), axis=1)
        off = np.hypot(*(xy - xy[rng.integers(n)]).T)
        bad = np.argsort(np.argsort(off, kind="stable")) < round(condition.loose * n)
    hits = [_loud(rng, (loose if odd else good).tap(rng, uneven)) for odd in bad]
    gaps_s = [
        float(rng.uniform(2, 4)) if (k + 1) % columns == 0 else float(0.9 * np.exp(rng.normal(0, 0.12)))
        for k in range(n - 1)
    ]
    known = [_loud(rng, good.tap(rng, uneven)) for _ in range(20)]
    sounds = []
    for name, blows, after_s in (("good.wav", known, [0.9] * 19), ("deck.wav", hits, gaps_s)):
        sound = laid(blows, after_s, rng)
        sounds.append(Sound(name, np.float32(sound + condition.sound(len(sound), rng)), RATE_HZ))
    stated = {"boat": "Kettle", "construction": "cored_foam", "hammer": "plastic"}
    try:
        reference = learn_reference(sounds[:1], **stated)[0] if condition.known else None
    except ReferenceTooSmallError:
        return (0,) * 8
    panel = parse_panel(panel_text(0.1 * columns, 0.1 * rows, 0.1, "rows"), source="deck.toml")
    result = analyse_sounds(sounds[1:], panel=panel, reference=reference)
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
