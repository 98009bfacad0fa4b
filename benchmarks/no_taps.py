"""What is made of ten minutes in which nobody taps: speech, a sander, a reversing lorry, clanks.

Run from the project's folder, with the environment that ``scripts/test.py`` made::

    .venv/bin/python benchmarks/no_taps.py
    .venv/bin/python benchmarks/no_taps.py --seeds report

Each source sounds alone and all four together, at three loudnesses, ten minutes each, over a faint hiss.
*Used* are the sounds that the program would compare with each other where it is given no panel and no
reference; *doubtful* are those that it says it does not trust and leaves out. *Judged* are the stations of
a panel of 96, stated as tapped in that recording, that get another verdict than `not assessed`; a dash
stands where the program says in one line why it gives no log.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence

import numpy as np
from scenes import Sound

from taptone.edges.analysing import analyse_sounds
from taptone.errors import TaptoneError
from taptone.physics import yard
from taptone.survey.panel import parse_panel

RATE_HZ = 48_000
MINUTES = 10
SEEDS = {"development": 91_000, "report": 910_000}
SOURCES = ("speech", "sander", "reversing_beeps", "clanks")
PEAK_DBFS = (-1, -12, -24)
HISS_DBFS = -75
PANEL = """
name = "hull side"
side = "port"
face = "outside"
construction = "as built"
datum = "lower left corner"
outline = [[0.0, 0.0], [1.2, 0.0], [1.2, 0.8], [0.0, 0.8]]
grid = { spacing = 0.1, path = "serpentine rows" }
"""


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", choices=SEEDS, default="development")
    seed = SEEDS[parser.parse_args().seeds]
    print(f"seeds from {seed}\n\n| sounds | peak, dBFS | used | doubtful | judged |\n|---|---|---|---|---|")
    for names in (*((name,) for name in SOURCES), SOURCES):
        for peak_dbfs in PEAK_DBFS:
            sound = untapped(names, peak_dbfs, np.random.default_rng(seed))
            print(f"| {', '.join(names)} | {peak_dbfs} | {used(sound)} | {judged(sound)} |", flush=True)
            seed += 1


def untapped(names: Sequence[str], peak_dbfs: float, rng: np.random.Generator) -> Sound:
    """Ten minutes of these sources, as a recording."""
    sound = yard.mixed(MINUTES * 60 * RATE_HZ, RATE_HZ, rng, names=names)
    sound *= 10 ** (peak_dbfs / 20) / np.abs(sound).max()
    sound += 10 ** (HISS_DBFS / 20) * rng.normal(size=len(sound))
    return Sound("yard.wav", sound.astype(np.float32), RATE_HZ)


def used(sound: Sound) -> str:
    """Sounds that are compared, and those that are said to be doubtful."""
    try:
        taps = analyse_sounds([sound]).taps
    except TaptoneError:
        return "0 | –"
    strikes = [tap for tap in taps if "bounce" not in tap.flags]
    doubtful = sum("doubtful" in tap.flags for tap in strikes)
    return f"{len(strikes) - doubtful} | {doubtful}"


def judged(sound: Sound) -> str:
    """Stations of a panel that get a verdict."""
    try:
        points = analyse_sounds([sound], panel=parse_panel(PANEL, source="hull-side.toml")).points
    except TaptoneError:
        return "–"
    return str(sum(point.verdict != "not assessed" for point in points))


if __name__ == "__main__":
    main()
