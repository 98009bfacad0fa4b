"""Invented taps for tests of the whole path: no recording, every figure stated here."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from taptone.types import Recording

RATE = 44_100
MODES_HZ = np.array([700.0, 1500.0, 2600.0, 4200.0, 6500.0])
DECAYS_MS = np.array([60.0, 50.0, 40.0, 30.0, 20.0])
LEVELS_DB = np.array([0.0, -3.0, -6.0, -10.0, -14.0])


@dataclass(frozen=True)
class Invented:
    """Samples that can be listened to."""

    samples: NDArray[np.floating]
    name: str = "made-up.wav"
    rate_hz: int = RATE
    recording: Recording = field(init=False)

    def __post_init__(self) -> None:
        sha256 = hashlib.sha256(np.ascontiguousarray(self.samples).tobytes()).hexdigest()
        object.__setattr__(self, "recording", Recording(self.name, sha256, self.rate_hz, len(self.samples)))

    def blocks(self) -> Iterator[NDArray[np.floating]]:
        yield np.asarray(self.samples, np.float32)


def tap(
    rng: np.random.Generator,
    *,
    lower: float = 1.0,
    longer: float = 1.0,
    duller_db: float = 0.0,
    uneven: float = 1.0,
) -> NDArray[np.float64]:
    """Five dying modes and a click, a little different each time and struck up to 8 dB more softly.

    `lower` and `longer` multiply every pitch and decay; `duller_db` is taken off an octave, from the first
    mode up (negative: crisper). `uneven` multiplies how far one tap's modes lie from the next one's.
    """
    t = np.arange(1, round(0.25 * RATE) + 1) / RATE
    hz = MODES_HZ * lower * (1 + rng.normal(0, 0.01 * uneven, 5))
    ms = DECAYS_MS * longer * (1 + rng.normal(0, 0.03 * uneven, 5))
    db = LEVELS_DB + rng.normal(0, 0.7 * uneven, 5) - duller_db * np.log2(MODES_HZ / MODES_HZ[0])
    modes = 10 ** (db / 20)[:, None] * 10 ** (-3000 * t / ms[:, None]) * np.sin(2 * np.pi * hz[:, None] * t)
    tilt = 10 ** (-duller_db / 20)
    sound = modes.sum(axis=0) + tilt * rng.normal(0, 0.3, len(t)) * np.exp(-t / 0.0007)
    return 0.5 * 10 ** (rng.uniform(-8, 0) / 20) * sound / np.abs(sound).max()


def tilted(sound: NDArray[np.floating], db: float) -> NDArray[np.float64]:
    """A sound with `db` more an octave, evenly from 150 Hz to 10 kHz, and nothing before its start."""
    n = 2 * len(sound)
    gain = (np.clip(np.fft.rfftfreq(n, 1 / RATE), 150, 10_000) / MODES_HZ[0]) ** (db / (20 * np.log10(2)))
    # The minimum phase that belongs to a gain: its cepstrum folded to one side.
    cepstrum = np.fft.irfft(np.log(gain))
    cepstrum[1 : n // 2] *= 2
    cepstrum[n // 2 + 1 :] = 0
    return np.fft.irfft(np.fft.rfft(sound, n) * np.exp(np.fft.rfft(cepstrum)))[: len(sound)]


def laid(
    hits: Sequence[NDArray[np.floating]],
    rows: Sequence[int] = (),
    *,
    gap_s: float = 0.4,
    noise: float = 1e-4,
    seed: int = 0,
) -> NDArray[np.float64]:
    """Hits one after another over white noise, with a pause of 2 s after each row of the given counts."""
    ends = set(np.cumsum(rows).tolist())
    pauses = np.array([2.0 if k in ends else 0.0 for k in range(len(hits))])
    at = np.rint((0.5 + gap_s * np.arange(len(hits)) + np.cumsum(pauses)) * RATE).astype(int)
    sound = np.random.default_rng(seed).normal(0, noise, at[-1] + round(0.6 * RATE))
    for start, hit in zip(at, hits, strict=True):
        sound[start : start + len(hit)] += hit
    return sound


def good(rng: np.random.Generator, n: int = 20, *, name: str = "good.wav", noise: float = 1e-4) -> Invented:
    """A recording of `n` good taps."""
    return Invented(laid([tap(rng) for _ in range(n)], noise=noise), name)


def panel_text(rows: int, columns: int, more: str = "", grid: str = "") -> str:
    """A panel file with stations every 100 mm: A1 at (0.05, 0.05), B3 at (0.25, 0.15)."""
    x, y = f"{0.1 * columns:.1f}", f"{0.1 * rows:.1f}"
    return f"""
name = "foredeck"
side = "centre"
face = "outside"
construction = "skins over foam"
datum = "stem head"
boat = "Kettle"
hammer = "60 g steel"
outline = [[0.0, 0.0], [{x}, 0.0], [{x}, {y}], [0.0, {y}]]
grid = {{ spacing = 0.1, path = "rows"{grid} }}
{more}
"""


FRAME = """
[[structure]]
kind = "frame"
line = [[0.45, 0.0], [0.45, 0.3]]
width = 0.06
declared = "owner, May"
evidence = "drawing"
"""
