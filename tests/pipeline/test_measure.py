"""Every measure against a sound of which it is known, from a closed form or from how it was made."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from scipy import integrate, optimize, signal

from taptone.pipeline.decay import Room
from taptone.pipeline.measure import find_room, measure
from taptone.pipeline.rumble import without_rumble
from taptone.settings import MeasureSettings
from taptone.types import BAND_CENTRES_HZ, MEASURE_NAMES, Tap

RATE = 48000


def as_tap(sound, rng, *, noise=1e-5, rate=RATE, seconds=0.25, end=None, flags=(), bounce_gap_ms=math.nan):
    """A sound laid 10 ms into a clip over white noise of the given r.m.s., as detection hands it on."""
    onset, length = round(0.010 * rate), round((0.010 + seconds) * rate)
    clip = rng.normal(0, noise, length)
    n = min(len(sound), length - onset)
    clip[onset : onset + n] += sound[:n]
    quiet = rng.normal(0, noise, round(0.04 * rate)).astype(np.float32)
    stop = length if end is None else onset + end
    return Tap(
        "made-up.wav", 48000 + onset, rate, 48000, clip.astype(np.float32), stop, quiet, flags, bounce_gap_ms
    )


def of(sound, rng, settings=None, room=None, **how):
    return measure([as_tap(sound, rng, **how)], settings or MeasureSettings(), room=room)[0]


def blow(ms, rate=RATE):
    """A half-sine force of unit height."""
    n = round(ms * rate / 1000)
    return np.sin(np.pi * (np.arange(n) + 0.5) / n)


# -- one tone, of which all is known -------------------------------------------------------------------


@pytest.mark.parametrize("hz", [450.0, 1500.0, 4000.0])
@pytest.mark.parametrize("decay_ms", [15.0, 40.0, 120.0])
def test_a_dying_tone(made_ring, rng, hz, decay_ms):
    got = of(made_ring(RATE, hz, decay_ms, 0.5), rng)
    # Decay: 1 % is what noise is allowed (80 dB below here), and 3 % where the range holds few periods:
    # 2.5 ms of 450 Hz are one.
    assert got["decay_ms"] == pytest.approx(decay_ms, rel=0.01 if hz * decay_ms > 20_000 else 0.03)
    # One mode alone; run backwards, an octave-half filter still lengthens 15 ms of 450 Hz by its own 15 ms.
    assert got["mode_decay_ms"] == pytest.approx(decay_ms, rel=0.02 if hz * decay_ms > 20_000 else 0.30)
    # A mode of 15 ms is 147 Hz wide, so its peak is read to a small part of that.
    assert got["mode_hz"] == pytest.approx(hz, abs=0.1 * 2200 / decay_ms)
    assert abs(got["decay_bend_db"]) < 0.6
    assert (got["decay_from_db"], got["decay_to_db"]) == (0.0, -10.0)


@pytest.mark.parametrize("what", ["a motor of 50 Hz", "wind"])
def test_what_lies_under_the_band_is_no_sound_of_the_tap(made_ring, rng, what):
    """As loud as a tenth of the tap: by the whole band it is 14 dB over that, and a decay bends into it."""
    alone = as_tap(made_ring(RATE, 1500.0, 60.0, 0.5), rng)
    t = np.arange(len(alone.noise) + len(alone.clip)) / RATE
    rumble = 0.05 * np.sin(2 * np.pi * 50 * t)
    if what == "wind":
        rumble = signal.lfilter([1.0], [1.0, -0.999], rng.normal(size=len(t)))
        rumble *= 0.05 / rumble.std()
    amid = dataclasses.replace(
        alone, clip=alone.clip + rumble[len(alone.noise) :], noise=alone.noise + rumble[: len(alone.noise)]
    )
    got, beside = (measure([tap])[0] for tap in (amid, alone))
    assert got["snr_db"] > 20.0
    assert got["decay_ms"] == pytest.approx(beside["decay_ms"], rel=0.1)
    assert got["ring_db"] == pytest.approx(beside["ring_db"], abs=2.0)
    assert got["early_ring_db"] == pytest.approx(beside["early_ring_db"], abs=0.3)
    assert got["centroid_hz"] == pytest.approx(beside["centroid_hz"], rel=0.01)


def test_what_swells_after_the_quiet_near_by_was_heard_is_taken_off_too(made_ring, rng):
    alone = as_tap(made_ring(RATE, 1500.0, 60.0, 0.5), rng)
    swell = 0.05 * np.sin(2 * np.pi * 40 * np.arange(len(alone.clip)) / RATE)
    got, beside = (measure([tap])[0] for tap in (dataclasses.replace(alone, clip=alone.clip + swell), alone))
    assert got["decay_ms"] == pytest.approx(beside["decay_ms"], rel=0.1)
    assert got["ring_db"] == pytest.approx(beside["ring_db"], abs=2.0)


def test_where_nothing_lies_under_the_band_nothing_is_taken_off(made_ring, rng):
    """A low note of 15 ms reaches below 150 Hz: it would be another without that."""
    tap = as_tap(made_ring(RATE, 220.0, 15.0, 0.5), rng)
    assert without_rumble(tap, 200.0) is tap
    off = dataclasses.replace(tap, clip=tap.clip + 0.1, noise=tap.noise + 0.1)
    assert without_rumble(off, 200.0).clip == pytest.approx(tap.clip, abs=1e-5)


def heard_bands(sound, rng):
    """Third-octaves from 800 Hz to 4 kHz, about their mean."""
    levels = np.array(of(sound, rng).bands_db)[9:17]
    return levels - levels.mean()


@pytest.mark.parametrize("decay_ms", [12.0, 30.0, 90.0])
def test_rings_after_5_and_20_ms_are_those_of_a_dying_tone(made_ring, rng, decay_ms):
    """Energy of an exponential decay that falls by 60 dB in that time, by hand."""
    got = of(made_ring(RATE, 1500, decay_ms, 0.5), rng)

    def left(ms):
        return 10 ** (-6 * ms / decay_ms)

    early = 10 * np.log10((left(5) - left(20)) / (1 - left(5)))
    late = 10 * np.log10(max((left(20) - left(100)) / (1 - left(20)), 1e-3))
    assert got["early_ring_db"] == pytest.approx(max(early, -30.0), abs=0.4)
    assert got["ring_db"] == pytest.approx(late, abs=0.4)


def test_what_comes_back_from_the_edges_is_not_in_the_bands(made_ring, rng):
    sound = made_ring(RATE, 1500, 20.0, 0.2)
    late = sound.copy()
    late[round(0.006 * RATE) :] += 0.5 * made_ring(RATE, 4000, 60.0, 0.2)[: len(late) - round(0.006 * RATE)]
    assert of(late, rng)["centroid_hz"] > of(sound, rng)["centroid_hz"] + 300  # of the first 20 ms
    assert heard_bands(late, rng) == pytest.approx(heard_bands(sound, rng), abs=0.1)


def test_sound_smeared_before_the_blow_does_not_change_the_bands(made_ring, rng):
    """As a codec does: 3 ms, 30 dB down, from which on the tap is heard."""
    sound = made_ring(RATE, 1500, 20.0, 0.2)
    before = 0.03 * np.random.default_rng(1).normal(size=round(0.003 * RATE)) * np.abs(sound).max()
    smeared = np.concatenate([before, sound])
    assert heard_bands(smeared, rng) == pytest.approx(heard_bands(sound, rng), abs=0.5)


def test_the_stronger_of_two_modes_is_followed(made_ring, rng):
    """A body's own slow mode 20 dB below does not change what the strongest one reads."""
    got = of(made_ring(RATE, 2400, 40.0, 0.5) + made_ring(RATE, 500, 200.0, 0.05), rng)
    assert got["mode_hz"] == pytest.approx(2400, abs=6)
    assert got["mode_decay_ms"] == pytest.approx(40.0, rel=0.02)
    assert got["decay_ms"] > got["mode_decay_ms"]


def test_level_and_signal_to_noise(made_ring, rng):
    got = of(made_ring(RATE, 2000, 400.0, 0.1), rng, noise=1e-3)
    # The first crest of the sine has lost 0.02 dB; noise of 1 % adds 0.1 dB or so.
    assert got["level_dbfs"] == pytest.approx(-20.0, abs=0.3)
    # Mean square over 20 ms of a tone of 0.1 that falls by 3 dB meanwhile, over 1e-6, noise added to it;
    # forty milliseconds of noise know its power to 0.2 dB.
    k = 6 * math.log(10) / 0.4
    power = 0.5 * 0.1**2 * (1 - math.exp(-k * 0.020)) / (k * 0.020)
    assert got["snr_db"] == pytest.approx(10 * math.log10(power / 1e-6 + 1), abs=0.5)


def test_level_moves_nothing_but_the_level(made_ring):
    sound = made_ring(RATE, 1500, 40.0, 0.5)
    loud = of(sound, np.random.default_rng(1), noise=1e-5)
    faint = of(0.1 * sound, np.random.default_rng(1), noise=1e-6)  # the same sound from further away
    assert faint["level_dbfs"] == pytest.approx(loud["level_dbfs"] - 20, abs=0.01)
    for name in (
        "snr_db",
        "decay_ms",
        "mode_decay_ms",
        "mode_hz",
        "centroid_hz",
        "bandwidth_hz",
        "balance_db",
        "contact_ms",
    ):
        # 1 %: samples are kept as 32-bit floats, and a floor of -120 dB is under all noise.
        assert faint[name] == pytest.approx(loud[name], rel=0.01), name
    assert np.array(faint.bands_db) == pytest.approx(np.array(loud.bands_db) - 20, abs=0.1)


@pytest.mark.parametrize(("low_level", "high_level"), [(0.4, 0.4), (0.4, 0.04), (0.04, 0.4)])
def test_balance_and_colour_are_those_of_the_closed_form(made_ring, rng, low_level, high_level):
    """Two dying tones, whose spectrum is a sum of two known terms, integrated over the band by quadrature."""
    a = 3 * math.log(10) / 0.020

    def density(hz):
        s = a + 2j * math.pi * hz
        tones = ((low_level, 2 * math.pi * 500), (high_level, 2 * math.pi * 3500))
        return abs(sum(level * w / (s * s + w * w) for level, w in tones)) ** 2

    def energy(low_hz, high_hz, times=lambda _: 1.0):
        return integrate.quad(
            lambda hz: times(hz) * density(hz), low_hz, high_hz, points=[500, 3500], limit=400
        )[0]

    got = of(made_ring(RATE, 500, 20.0, low_level) + made_ring(RATE, 3500, 20.0, high_level), rng)
    # 0.5 dB and 2 %: bins of 12 to 23 Hz at the edges of the bands, and the rate's own folding.
    expected_db = 10 * math.log10(energy(200, 1000) / energy(1000, 8000))
    assert got["balance_db"] == pytest.approx(expected_db, abs=0.5)
    centroid = energy(200, 8000, lambda hz: hz) / energy(200, 8000)
    assert got["centroid_hz"] == pytest.approx(centroid, rel=0.02)
    variance = energy(200, 8000, lambda hz: (hz - centroid) ** 2) / energy(200, 8000)
    assert got["bandwidth_hz"] == pytest.approx(math.sqrt(variance), rel=0.02)


# -- contact -------------------------------------------------------------------------------------------


def test_the_rolloff_of_a_half_sine_blow_is_known():
    """|cos(πfT)/(1-(2fT)²)|² by quadrature: 90 % of its energy lies below 0.777/T."""

    def energy(to):
        return integrate.quad(
            lambda u: (math.cos(math.pi * u) / (1 - 4 * u * u)) ** 2, 0, to, points=[0.5], limit=400
        )[0]

    at = optimize.brentq(lambda u: energy(u) - 0.9 * energy(60.0), 0.55, 2.0)
    assert at == pytest.approx(0.777, abs=0.001)


@pytest.mark.parametrize("ms", [0.2, 0.4, 0.8])
def test_contact_is_read_off_a_blow_of_known_length(rng, ms):
    got = of(0.5 * blow(ms), rng)
    # Below 200 Hz and above 8 kHz nothing is counted: up to a quarter off at 0.8 ms, where much lies below.
    assert got["contact_ms"] == pytest.approx(ms, rel=0.25)


def test_a_longer_contact_reads_longer_and_duller(rng):
    """Cawley and Adams 1988 (abstract): contact lasts longer on a loose skin, high frequencies go."""
    reads = [of(0.5 * blow(ms), rng) for ms in (0.2, 0.4, 0.8, 1.6)]
    assert (np.diff([r["contact_ms"] for r in reads]) > 0).all()
    assert (np.diff([r["centroid_hz"] for r in reads]) < 0).all()
    assert (np.diff([r["balance_db"] for r in reads]) > 0).all()


# -- bands ---------------------------------------------------------------------------------------------


def test_a_tone_fills_its_own_third_octave(made_ring, rng):
    got = of(made_ring(RATE, 1995.262, 60.0, 0.5), rng)
    bands = np.array(got.bands_db)
    assert len(bands) == len(BAND_CENTRES_HZ)
    assert BAND_CENTRES_HZ[int(np.nanargmax(bands))] == pytest.approx(1995.262, rel=1e-6)
    # A tone of 60 ms is 37 Hz wide and the band 460: its neighbours hold under a tenth.
    assert np.sort(bands)[-2] < bands.max() - 10


# -- missing is missing --------------------------------------------------------------------------------


def test_silence_has_no_measures_but_its_range(rng):
    got = of(np.zeros(100), rng, noise=0.0)
    for name in MEASURE_NAMES:
        expected = {"decay_from_db": 0.0, "decay_to_db": -10.0}.get(name)
        assert got[name] == expected if expected is not None else math.isnan(got[name]), name


@pytest.mark.parametrize("rate", [8000, 16000, 44100, 192000])
def test_what_a_recording_does_not_hold_is_missing(made_ring, rng, rate):
    got = of(made_ring(rate, 1500, 40.0), rng, rate=rate)
    assert got["decay_ms"] == pytest.approx(40.0, rel=0.01)
    # 2 %: the upper edge of the band is lower at 8 kHz and cuts off a little of the tone's skirt.
    assert got["mode_hz"] == pytest.approx(1500, rel=0.01)
    held = [hz * 10**0.05 <= rate / 2 for hz in BAND_CENTRES_HZ]
    assert [math.isfinite(b) for b in got.bands_db] == held


def test_a_decay_that_the_bounce_cuts_off_is_missing_or_right(made_ring, rng):
    sound = made_ring(RATE, 900, 40.0)
    for gap_ms in (6, 20, 40, 80):
        got = of(sound, rng, end=round(gap_ms * RATE / 1000), bounce_gap_ms=gap_ms)
        assert got["bounce_gap_ms"] == gap_ms
        # 10 dB of 40 ms take 7 ms, after 2 ms that are left out: 5 % where most of the curve is a tail.
        assert math.isnan(got["decay_ms"]) if gap_ms < 8 else got["decay_ms"] == pytest.approx(40, rel=0.05)


def test_what_is_too_near_the_noise_has_no_decay(made_ring, rng):
    assert math.isnan(of(made_ring(RATE, 900, 40.0, 0.1), rng, noise=0.05)["decay_ms"])


def test_two_decays_in_the_range_are_none(made_ring, rng):
    """A shed 20 dB below the tap takes over amid the range: no straight line is laid across the bend."""
    got = of(made_ring(RATE, 900, 40.0, 0.5) + made_ring(RATE, 610, 800.0, 0.05), rng)
    assert got["decay_bend_db"] > MeasureSettings().bend_db
    assert math.isnan(got["decay_ms"])


# -- many taps, and the room ---------------------------------------------------------------------------


def test_many_taps_read_as_each_alone(made_ring, rng):
    """130 taps are three batches: order and numbers are those of single calls."""
    taps = [as_tap(made_ring(RATE, hz, 30.0), rng) for hz in np.linspace(400, 5000, 130)]
    together = measure(taps)
    assert [m["mode_hz"] for m in together] == pytest.approx(np.linspace(400, 5000, 130), abs=8)
    for k in (0, 63, 64, 129):
        (alone,) = measure([taps[k]])
        assert dict(alone.values) == pytest.approx(dict(together[k].values), nan_ok=True)
        # The last digit of a sum may depend on how many taps are summed at a time.
        assert alone.bands_db == pytest.approx(together[k].bands_db, rel=1e-12)


def in_a_shed(made_ring, rng, n=12, shed_ms=800.0):
    """Laminate taps of many pitches in a shed whose noise-like reverberation starts 27 dB below them."""
    t = np.arange(round(0.3 * RATE)) / RATE
    shed = [
        0.5 * 10 ** (-27 / 20) * 10 ** (-3000 * t / shed_ms) * rng.normal(0, 0.7, len(t)) for _ in range(n)
    ]
    return [
        as_tap(made_ring(RATE, hz, 40.0) + s, rng)
        for hz, s in zip(np.linspace(700, 1500, n), shed, strict=True)
    ]


def test_the_room_is_what_all_taps_end_in(made_ring, rng):
    taps = in_a_shed(made_ring, rng)
    room = find_room(taps)
    assert room is not None
    # 10 %: 200 ms of noise-like decay a tap, the middle one of twelve.
    assert room.decay_ms == pytest.approx(800, rel=0.10)
    without, with_room = ([m["decay_ms"] for m in measure(taps, room=r)] for r in (None, room))
    assert np.median(with_room) == pytest.approx(40.0, rel=0.05)
    assert abs(np.median(with_room) - 40) < abs(np.median(without) - 40)


def test_no_room_is_made_up(made_ring, rng):
    dry = [as_tap(made_ring(RATE, hz, 40.0), rng) for hz in np.linspace(700, 1500, 12)]
    assert find_room(dry) is None
    assert find_room(in_a_shed(made_ring, rng, n=4)) is None  # too few to agree
    unlike = [as_tap(made_ring(RATE, 900, ms), rng) for ms in np.geomspace(150, 1500, 12)]
    assert find_room(unlike) is None  # long, but not common to all


def test_a_panel_whose_low_note_rings_on_is_no_room(made_ring, rng):
    """One loss factor of 0.012: 250 Hz takes 733 ms for 60 dB, 1 kHz 183 ms (2.1988/(fη), docs/decay.md)."""
    panel = [
        as_tap(made_ring(RATE, 250 + k, 733.0, 0.3) + made_ring(RATE, 1000 + 9 * k, 183.0, 0.3), rng)
        for k in range(12)
    ]
    assert find_room(panel) is None


def test_a_room_off_the_mark_is_a_number_still(made_ring, rng):
    got = of(made_ring(RATE, 900, 40.0), rng, room=Room(800.0))
    assert got["decay_ms"] == pytest.approx(40.0, rel=0.02)
