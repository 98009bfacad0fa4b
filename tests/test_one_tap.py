"""One tap through every stage: the guided tour.

A tone of 1000 Hz that falls by 60 dB in 60 ms is followed from the samples to its row in the log. A second
one, of 700 Hz and 100 ms, goes with it and is to be told from the good ones.
"""

from __future__ import annotations

import csv
import math
import sys
from pathlib import Path

import numpy as np
import pytest

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.edges.tables import write_result
from taptone.model.baseline import Baseline
from taptone.pipeline import pool
from taptone.pipeline.compare import compare, crisper, shapes, worth_naming
from taptone.pipeline.detect import detect
from taptone.pipeline.judge import Heard, judge
from taptone.pipeline.measure import measure
from taptone.types import Tap

sys.path.insert(0, str(Path(__file__).parent))
from invented import RATE, Invented, laid

HZ, DECAY_MS = 1000.0, 60.0
ONSET = round(0.5 * RATE)  # where `laid` puts the first hit


def tone(hz=HZ, decay_ms=DECAY_MS, level=0.5):
    t = np.arange(1, round(0.25 * RATE) + 1) / RATE
    return level * 10 ** (-3000 * t / decay_ms) * np.sin(2 * np.pi * hz * t)


@pytest.fixture(scope="module")
def one():
    return Invented(laid([tone()]))


@pytest.fixture(scope="module")
def good():
    """Twenty good places, each within 2 % of the same tone."""
    rng = np.random.default_rng(8)
    around = 1 + rng.normal(0, 0.02, (20, 2))
    return Invented(laid([tone(HZ * a, DECAY_MS * b) for a, b in around]), "good.wav")


@pytest.fixture(scope="module")
def reference(good):
    return learn_reference([good], boat="Kettle", construction="solid", hammer="60 g steel")[0]


def test_1_detect(one):
    [tap] = detect(one)
    assert isinstance(tap, Tap)
    assert tap.sample == pytest.approx(ONSET, abs=0.0005 * RATE)
    assert tap.time_s == tap.sample / RATE
    # The clip is the recording itself, bit for bit.
    [whole] = one.blocks()
    assert np.array_equal(tap.clip, whole[tap.clip_start : tap.clip_start + len(tap.clip)])


def test_2_measure(one):
    [tap] = detect(one)
    [measured] = measure([tap])
    assert measured.sample == tap.sample
    assert measured["decay_ms"] == pytest.approx(DECAY_MS, rel=0.01)
    assert measured["mode_hz"] == pytest.approx(HZ, abs=3.0)
    assert measured["mode_decay_ms"] == pytest.approx(DECAY_MS, rel=0.02)
    # A tone that starts at once has a skirt on either side; it weighs little by power.
    assert measured["centroid_hz"] == pytest.approx(HZ, rel=0.03)
    assert math.isnan(measured["bounce_gap_ms"])


def test_3_pool(one):
    taps = measure(list(detect(one)))
    bands_db, measures, spread = pool([taps[0]] * 3)
    assert measures["decay_ms"] == taps[0]["decay_ms"]
    assert bands_db.argmax() == 10  # the third-octave at 1 kHz, eleventh from 100 Hz
    assert spread == 0.0


def test_4_compare(reference):
    taps = measure(list(detect(Invented(laid([tone(), tone(700.0, 100.0)])))))
    shape = shapes(np.concatenate([np.array([pool([t])[0] for t in taps]), reference.bands_db]))
    features = shape.shape[1]
    compared = compare(shape[:2], None, [""] * 2, shape[2:], lambda: Baseline(benign=crisper(features)))
    same, other = compared.chance_if_good
    assert same > 0.05
    assert other < 1e-4
    assert compared.score[1] > 3 * compared.score[0]


def test_5_judge(reference):
    taps = measure(list(detect(Invented(laid([tone(), tone(700.0, 100.0)])))))
    shape = shapes(np.concatenate([np.array([pool([t])[0] for t in taps]), reference.bands_db]))
    compared = compare(shape[:2], None, [""] * 2, shape[2:], Baseline)
    same, other = judge(
        [Heard(t["decay_ms"], t["centroid_hz"]) for t in taps],
        compared,
        reference_decay_ms=60.0,
        reference_centroid_hz=1000.0,
    )
    assert same.verdict == "no difference"
    assert other.verdict == "suspect"
    assert other.character == "hollow"
    # The band that it left, 14.7 dB below, is the one that does not count: the note that came is named.
    assert compared.heard[1, 7] == pytest.approx(-14.7, abs=0.05)
    assert worth_naming(compared, 1)[7] == 0
    assert other.reason.startswith(
        "sound under 800 Hz 6.5 dB above what was expected here (good ones ± 0.2 dB)"
    )
    assert "; decay 100 ms, the reference 60 ms; centroid " in other.reason
    assert taps[1]["centroid_hz"] == pytest.approx(700.0, rel=0.03)
    assert " Hz below the reference; " in other.reason


def test_6_row_of_the_log(reference, tmp_path):
    sound = Invented(laid([tone(), tone(700.0, 100.0)]), "row.wav")
    result = analyse_sounds([sound], reference=reference)
    write_result(result, tmp_path, pictures={})
    with open(tmp_path / "points.csv", encoding="utf-8", newline="") as file:
        same, other = csv.DictReader(file)
    with open(tmp_path / "taps.csv", encoding="utf-8", newline="") as file:
        tap, _ = csv.DictReader(file)
    assert (same["verdict"], other["verdict"]) == ("no difference", "suspect")
    assert other["character"] == "hollow"
    # The row leads back to the sound: the recording and its first sample.
    assert (same["recordings"], same["samples"]) == ("row.wav", tap["sample"])
    assert int(tap["sample"]) == pytest.approx(ONSET, abs=0.0005 * RATE)
    assert float(same["decay_ms"]) == pytest.approx(DECAY_MS, rel=0.01)
    assert float(same["reference_decay_ms"]) == pytest.approx(DECAY_MS, rel=0.02)
    assert float(same["time_s"]) == pytest.approx(0.5, abs=0.0005)
    assert (same["x_m"], same["neighbour_decay_ms"]) == ("", "")
