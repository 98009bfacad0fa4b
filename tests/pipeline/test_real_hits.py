"""Real struck things: drums of Debian's package `sonic-pi-samples` (CC0), each laid in silence.

The package is installed by ``scripts/test.py``. The references are librosa's frame energy for onsets and
pyroomacoustics' backward integration for decays.
"""

from __future__ import annotations

import math
from pathlib import Path

import librosa
import numpy as np
import pytest
import soundfile
from pyroomacoustics.experimental import measure_rt60

from taptone.pipeline.decay import decay_time
from taptone.pipeline.detect import detect
from taptone.pipeline.measure import measure
from taptone.settings import DetectSettings, MeasureSettings
from taptone.types import Tap

SAMPLES = Path("/usr/share/sonic-pi/samples")

#: Struck once by stick or hand. Left out: cymbals that swell, rolls, and strokes of two hands.
TOMS = [
    "drum_tom_hi_hard",
    "drum_tom_hi_soft",
    "drum_tom_mid_hard",
    "drum_tom_mid_soft",
    "drum_tom_lo_hard",
    "drum_tom_lo_soft",
]
STRUCK = [
    "drum_snare_hard",
    "drum_snare_soft",
    "drum_cowbell",
    "drum_cymbal_closed",
    "drum_cymbal_soft",
    "drum_bass_hard",
    "drum_bass_soft",
]
RIM_OPEN, RIM_HELD = ["tabla_na", "tabla_na_o"], ["tabla_na_s"]
HEAD_OPEN, HEAD_DAMPED = (
    ["tabla_tun1", "tabla_tun2", "tabla_tun3"],
    ["tabla_te1", "tabla_te2", "tabla_te_m", "tabla_te_ne"],
)
BASS_OPEN, BASS_DAMPED = ["tabla_ghe1", "tabla_ghe4", "tabla_ghe8"], ["tabla_ke1", "tabla_ke2", "tabla_ke3"]
#: A slap over a ringing head: found like the others, but two decays within 10 dB, so none to compare.
TWO_DECAYS = ["tabla_tas1", "tabla_tas2", "tabla_tas3"]
ONE_DECAY = TOMS + STRUCK + RIM_OPEN + RIM_HELD + HEAD_OPEN + HEAD_DAMPED + BASS_OPEN + BASS_DAMPED
HITS = ONE_DECAY + TWO_DECAYS

#: Drums ring up to ten times longer than laminate: as much is kept of them as the settings allow.
LONG = DetectSettings(clip_after_ms=1000.0)
PULSE_MS = MeasureSettings().decay_start_ms


@pytest.fixture(scope="module")
def hit(array_sound):
    """Read a hit by name: the recording it is laid in, and its rate."""

    def read(name):
        path = SAMPLES / f"{name}.flac"
        if not path.exists():
            pytest.fail(
                f"{path} is missing, run: sudo apt-get install --no-install-recommends sonic-pi-samples"
            )
        samples, rate = soundfile.read(path)
        samples = 0.5 * samples / np.abs(samples).max()
        x = np.random.default_rng(1).normal(
            0.0, 1e-5, 3 * rate + len(samples)
        )  # -100 dB: as silent as 16 bits
        x[rate : rate + len(samples)] += samples
        return array_sound(x, rate), rate

    return read


def first_contacts(sound, s):
    return [x for x in detect(sound, s) if isinstance(x, Tap) and "bounce" not in x.flags]


def energy_onset_s(x, rate):
    """Middle of the first millisecond within 40 dB of the loudest one: librosa's r.m.s. frames."""
    length = rate // 1000
    rms = librosa.feature.rms(y=x, frame_length=length, hop_length=8, center=False)[0]
    return (8 * int(np.argmax(rms > 10 ** (-40 / 20) * rms.max())) + length // 2) / rate


def early_decay_ms(x, rate):
    """pyroomacoustics' line through 0 to -10 dB of the curve that it integrates.

    It reads from -5 dB on; a first sample that holds as much energy as makes the curve fall by 5 dB at
    once moves its range of 10 dB to the start of the sound.
    """
    ahead = math.sqrt((10**0.5 - 1) * float(x @ x))
    return 1000 * measure_rt60(np.concatenate([[ahead], x]), rate, decay_db=10)


@pytest.mark.parametrize("s", [DetectSettings(), LONG], ids=["usual clip", "long clip"])
@pytest.mark.parametrize("name", HITS)
def test_each_hit_is_found_once_at_its_onset(hit, name, s):
    sound, rate = hit(name)
    taps = first_contacts(sound, s)
    assert len(taps) == 1
    assert taps[0].time_s == pytest.approx(energy_onset_s(sound.samples, rate), abs=0.005)


@pytest.mark.parametrize("name", ONE_DECAY)
def test_decays_agree_with_an_independent_energy_decay_curve(hit, name):
    sound, rate = hit(name)
    (tap,) = first_contacts(sound, LONG)
    after = tap.sample + round(PULSE_MS * rate / 1000)
    whole = sound.samples[after : len(sound.samples) - 2 * rate]  # the hit without the silence behind it
    theirs_ms = early_decay_ms(whole, rate)
    assert decay_time(whole, rate).decay_ms == pytest.approx(theirs_ms, rel=0.05)  # the same samples
    ours_ms = measure([tap])[0]["decay_ms"]
    assert ours_ms == pytest.approx(theirs_ms, rel=0.10)  # through the whole path: clip, noise, truncation


@pytest.mark.parametrize(
    ("damped", "open_"),
    [(RIM_HELD, RIM_OPEN), (HEAD_DAMPED, HEAD_OPEN), (BASS_DAMPED, BASS_OPEN)],
    ids=["rim stroke", "middle of the head", "bass drum"],
)
def test_hand_damped_strokes_measure_shorter_than_open_ones(hit, damped, open_):
    def decays_ms(names):
        return [measure(first_contacts(hit(name)[0], LONG))[0]["decay_ms"] for name in names]

    longest, shortest = max(decays_ms(damped)), min(decays_ms(open_))
    assert longest < 0.5 * shortest  # a held skin is not a matter of a few per cent
