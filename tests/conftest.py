"""What every test may ask for."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

# Started in the background or under nohup, a test run ignores these two, and so would all it starts.
signal.signal(signal.SIGINT, signal.default_int_handler)
if hasattr(signal, "SIGHUP"):
    signal.signal(signal.SIGHUP, signal.SIG_DFL)

Run = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture
def rng() -> np.random.Generator:
    """A generator that starts from the same seed in every test, in whatever order they run."""
    return np.random.default_rng(20260101)


@pytest.fixture
def run_taptone(tmp_path: Path) -> Run:
    """Run the real command in an empty folder: ``run_taptone("analyse", "row.wav").stderr``."""

    def run(*words: object) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "taptone", *map(str, words)]
        return subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)

    return run
