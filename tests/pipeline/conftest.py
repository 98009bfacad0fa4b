"""Made-up sound for the tests of the sound stages: no recording, every figure stated where it is used."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from taptone.types import Recording

Samples = NDArray[np.floating]


@dataclass(frozen=True)
class ArraySound:
    """An array that can be listened to, whole or cut into blocks at the given samples."""

    samples: Samples
    rate_hz: int
    cuts: Sequence[int] = ()

    @property
    def recording(self) -> Recording:
        return Recording("made-up.wav", "", self.rate_hz, len(self.samples))

    def blocks(self) -> Iterator[Samples]:
        yield from np.split(np.asarray(self.samples, np.float32), self.cuts)


def ring(rate_hz: int, hz: float, decay_ms: float, level: float = 0.5, seconds: float = 0.3) -> Samples:
    """A tone that falls by 60 dB in `decay_ms`; its first sample is already part of it."""
    t = np.arange(1, round(seconds * rate_hz) + 1) / rate_hz
    return level * 10 ** (-3 * t / (decay_ms / 1000)) * np.sin(2 * np.pi * hz * t)


def lay(
    rate_hz: int, seconds: float, hits: Sequence[tuple[float, Samples]], noise: float = 1e-4, seed: int = 0
) -> Samples:
    """Hits laid at their times over white noise of the given r.m.s. (1e-4 is -80 dB of full scale)."""
    x = np.random.default_rng(seed).normal(0.0, noise, round(seconds * rate_hz))
    for at_s, hit in hits:
        start = round(at_s * rate_hz)
        stop = min(start + len(hit), len(x))
        x[start:stop] += hit[: stop - start]
    return x


@pytest.fixture(scope="session")
def array_sound() -> type[ArraySound]:
    return ArraySound


@pytest.fixture(scope="session")
def made_ring() -> Callable[..., Samples]:
    return ring


@pytest.fixture(scope="session")
def made_recording() -> Callable[..., Samples]:
    return lay
