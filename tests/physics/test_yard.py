"""Sounds of a yard and of a shed: each has the spectrum, rhythm and loudness it says it has."""

import subprocess

import numpy as np
import pytest
from pyroomacoustics.experimental import measure_rt60
from scipy import signal

from taptone.errors import SettingError, TaptoneError
from taptone.physics.yard import SOURCES, at_snr, in_shed, mixed, shed, sounding_rms, spoken

RATE_HZ = 48_000


def source(name, seconds=20.0, rate_hz=RATE_HZ, seed=0):
    return SOURCES[name](round(seconds * rate_hz), rate_hz, np.random.default_rng(seed))


def spectrum(sound, rate_hz=RATE_HZ, resolution_hz=2.0):
    """Power per Hz: frequencies and levels."""
    return signal.welch(sound, rate_hz, nperseg=round(rate_hz / resolution_hz))


def share(sound, low_hz, high_hz):
    """Share of the power between two frequencies."""
    f, power = spectrum(sound)
    return power[(f >= low_hz) & (f < high_hz)].sum() / power.sum()


def envelope(sound, rate_hz=RATE_HZ, frame_s=0.01):
    frame = round(frame_s * rate_hz)
    return np.sqrt((sound[: len(sound) // frame * frame].reshape(-1, frame) ** 2).mean(axis=1))


# -- all sources ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate_hz", [8000, 44_100])
@pytest.mark.parametrize("name", SOURCES)
def test_a_source_is_finite_and_of_unit_rms_where_it_sounds(name, rate_hz):
    for seconds in (0.25, 5.0):
        sound = source(name, seconds, rate_hz)
        assert len(sound) == round(seconds * rate_hz)
        assert np.isfinite(sound).all()
        assert 1.0 < np.abs(sound).max() < 100.0
        # RMS where it sounds, by its definition: frames of 20 ms within 40 dB of the loudest.
        level = envelope(sound, rate_hz, 0.02)
        assert np.sqrt(np.mean(level[level >= 0.01 * level.max()] ** 2)) == pytest.approx(1.0, rel=1e-9)


@pytest.mark.parametrize("name", SOURCES)
def test_the_seed_decides_every_byte(name):
    if name == "speech":
        first = source(name, 4.0)
        spoken.cache_clear()  # espeak-ng itself must say the same again
        assert first.tobytes() == source(name, 4.0).tobytes()
    else:
        assert source(name, 4.0).tobytes() == source(name, 4.0).tobytes()
    assert source(name, 4.0).tobytes() != source(name, 4.0, seed=1).tobytes()


@pytest.mark.parametrize("name", SOURCES)
def test_nothing_of_no_length(name):
    assert source(name, 0.0).shape == (0,)


# -- each of them ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_wind_is_low_and_falls_steeply(seed):
    # Wind noise at a microphone is turbulence, falling by 5/3 of a decade of power a decade or more:
    # Strasberg, J. Acoust. Soc. Am. 83 (1988) 544; from memory. Here 6 dB an octave within 100 to 250 Hz.
    wind = source("wind", seed=seed)
    assert share(wind, 0.0, 300.0) > 0.9
    f, power = spectrum(wind)
    here = (f > 100.0) & (f < 250.0)
    slope = np.polyfit(np.log2(f[here]), 10.0 * np.log10(power[here]), 1)[0]
    assert -11.0 < slope < -5.0


def test_wind_gusts():
    level = envelope(source("wind", 60.0), frame_s=1.0)
    assert 20.0 * np.log10(np.percentile(level, 90) / np.percentile(level, 10)) > 6.0


@pytest.mark.parametrize("seed", range(3))
def test_a_sander_sags_under_load(seed):
    # Common practice, no source: the motor's note falls, and the paper hisses louder, when pressed down.
    sander = source("sander", 30.0, seed=seed)
    f, _, power = signal.stft(sander, RATE_HZ, nperseg=RATE_HZ // 4, noverlap=0)
    power = np.abs(power) ** 2
    # Harmonic sum over the first six multiples of each candidate.
    candidates = np.arange(110.0, 205.0, 0.5)
    multiples = np.rint(candidates[:, None] * np.arange(1, 7) / f[1]).astype(int)
    turns_hz = candidates[np.log(power[multiples] + 1e-12).sum(axis=1).argmax(axis=0)]
    hiss = power[(f > 5500.0) & (f < 7000.0)].sum(axis=0)
    pressed, free = hiss > np.percentile(hiss, 70), hiss < np.percentile(hiss, 15)
    assert np.median(turns_hz[pressed]) < 0.97 * np.median(turns_hz[free])


@pytest.mark.parametrize("seed", range(3))
def test_a_diesel_fires_twice_a_turn(seed):
    # Four cylinders, four strokes: two firings a turn; 800 to 1800 turns a minute give 26.7 to 60 Hz.
    engine = source("engine", seed=seed)
    assert share(engine, 0.0, 1000.0) > 0.6
    clatter = envelope(
        signal.sosfilt(signal.butter(4, 1500, "high", fs=RATE_HZ, output="sos"), engine), frame_s=0.002
    )
    f, power = signal.welch(clatter - clatter.mean(), 500.0, nperseg=1000)
    wanted = (f > 12.0) & (f < 130.0)
    assert 0.85 * 26.7 < f[wanted][power[wanted].argmax()] < 1.2 * 60.0


def test_a_pressure_washer_hisses_over_its_pump():
    washer = source("pressure_washer", 30.0)
    assert share(washer, 1000.0, 20_000.0) > 0.7
    # Three pistons at 2700 to 2900 turns a minute, a little faster without load.
    f, power = spectrum(washer)
    here = (f > 125.0) & (f < 160.0)
    assert 135.0 <= f[here][power[here].argmax()] <= 3 * 2900 / 60 * 1.03 + 2.0
    assert power[here].max() > 10.0 * np.median(power[(f > 100.0) & (f < 200.0)])


@pytest.mark.parametrize("seed", range(3))
def test_reversing_beeps_are_a_tone_on_and_off_once_a_second(seed):
    # Common practice, no source: about 1 kHz, half a second on, half off.
    beeps = source("reversing_beeps", 6.0, seed=seed)
    f, power = spectrum(beeps)
    tone = f[power.argmax()]
    assert 890.0 < tone < 1310.0
    near = sum(power[np.abs(f - k * tone) < 50.0].sum() for k in range(1, 6))
    assert near / power.sum() > 0.99
    level = envelope(beeps)
    on = level > 0.5 * level.max()
    starts = np.flatnonzero(np.diff(on.astype(int)) == 1) * 0.01
    np.testing.assert_allclose(np.diff(starts), 1.0, atol=0.021)
    assert on[: 500 + round(100 * starts[0])].mean() == pytest.approx(0.5, abs=0.12)
    assert level[~on].min() == 0.0


@pytest.mark.parametrize("seed", range(3))
def test_clanks_are_few_sudden_and_high(seed):
    clanks = source("clanks", 60.0, seed=seed)
    level = envelope(clanks)
    assert np.mean(level < 0.05 * level.max()) > 0.5
    assert share(clanks, 800.0, 14_000.0) > 0.8
    # Inharmonic: the strongest lines of one clank are no multiples of a common note.
    at = round(level.argmax() * 0.01 * RATE_HZ)
    power = np.abs(np.fft.rfft(clanks[at : at + RATE_HZ // 4] * np.hanning(RATE_HZ // 4)))
    lines = signal.find_peaks(power, height=0.1 * power.max(), distance=10)[0] * 4.0
    candidates = np.arange(150.0, 1600.0, 2.0)
    off = np.abs(lines / candidates[:, None] - np.rint(lines / candidates[:, None])).max(axis=1)
    assert len(lines) >= 3
    assert off.min() > 8.0 / candidates[off.argmin()]


@pytest.mark.parametrize("seed", range(3))
def test_a_halyard_slaps_in_an_uneven_rhythm(seed):
    halyard = source("halyard", 60.0, seed=seed)
    level = envelope(halyard, frame_s=0.02)
    rise = np.diff(np.log10(level + 0.01 * level.max()))
    slaps = signal.find_peaks(rise, height=0.25, distance=15)[0] * 0.02
    gaps = np.diff(slaps)
    assert 0.4 < np.median(gaps) < 1.05
    usual = gaps[(gaps > 0.6 * np.median(gaps)) & (gaps < 1.4 * np.median(gaps))]
    assert 0.02 < usual.std() / usual.mean() < 0.2


def test_speech_pauses_and_lies_where_speech_lies():
    # Long-term speech: most power between 100 and 4000 Hz (Byrne et al., J. Acoust. Soc. Am. 96 (1994) 2108;
    # from memory).
    speech = source("speech", 60.0)
    assert share(speech, 100.0, 4000.0) > 0.9
    level = envelope(speech)
    assert 0.05 < np.mean(level < 0.01 * level.max()) < 0.6
    # It swells and fades with the syllables, 2 to 8 a second.
    f, power = signal.welch(level - level.mean(), 100.0, nperseg=400)
    assert 1.0 < f[1:][(f[1:] * power[1:]).argmax()] < 10.0


def test_speech_without_its_synthesiser_says_what_to_install(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(TaptoneError, match="apt-get install espeak-ng"):
        spoken("nobody says this", "en-gb", RATE_HZ)


def test_an_unknown_voice_is_one_clear_line():
    with pytest.raises(TaptoneError, match="cannot say 'seven' with the voice 'nobody'"):
        spoken("seven", "nobody", RATE_HZ)


def test_espeak_speaks_as_long_as_it_says():
    run = subprocess.run(["espeak-ng", "-v", "en-gb", "--stdout", "seven"], capture_output=True, check=True)
    own_s = (len(run.stdout) - 44) / 2 / 22_050  # with its silences
    assert 0.5 * own_s < len(spoken("seven", "en-gb", RATE_HZ)) / RATE_HZ <= own_s


@pytest.mark.parametrize("seed", range(3))
def test_the_other_hammer_is_dull_and_echoes(seed):
    hammer = source("other_hammer", 30.0, seed=seed)
    assert share(hammer, 0.0, 1500.0) > 0.9
    level = envelope(hammer)
    taps = signal.find_peaks(np.diff(np.log10(level + 0.003 * level.max())), height=0.3, distance=25)[0]
    gaps = np.diff(taps) * 0.01
    assert 0.5 < np.median(gaps) < 1.6
    # The echoes of a yard: half a second later it is not yet silent, but far down.
    later = [level[at + 20] / level[at : at + 5].max() for at in taps if at + 25 < len(level)]
    assert -50.0 < 20.0 * np.log10(np.median(later)) < -10.0


# -- how loud -------------------------------------------------------------------------------------------


def test_a_mixture_holds_all_it_names():
    noise = mixed(20 * RATE_HZ, RATE_HZ, np.random.default_rng(2), names=["wind", "reversing_beeps"])
    assert sounding_rms(noise, RATE_HZ) == pytest.approx(1.0)
    assert share(noise, 0.0, 300.0) > 0.1
    assert share(noise, 890.0, 1310.0) > 0.1


@pytest.mark.parametrize(("names", "text"), [(["rain"], "no source 'rain'"), ([], "no source was named")])
def test_an_unknown_source_is_one_clear_line(names, text):
    with pytest.raises(SettingError, match=f"{text}: choose from wind, sander"):
        mixed(100, RATE_HZ, np.random.default_rng(0), names=names)


@pytest.mark.parametrize("snr_db", [20.0, 0.0])
@pytest.mark.parametrize("name", SOURCES)
def test_noise_stands_where_it_was_told_to(name, snr_db):
    rng = np.random.default_rng(3)
    time = np.arange(RATE_HZ // 10) / RATE_HZ
    onsets, taps = np.arange(1, 10) * RATE_HZ, np.zeros(10 * RATE_HZ)
    for at in onsets:
        taps[at : at + len(time)] = rng.uniform(0.1, 1.0) * np.exp(-40 * time) * np.sin(6000 * time)
    noise = at_snr(taps, source(name, 10.0), snr_db, RATE_HZ, onsets)
    power = np.median([np.mean(taps[at : at + 960] ** 2) for at in onsets])
    assert 10.0 * np.log10(power / np.mean(noise**2)) == pytest.approx(snr_db, abs=0.01)
    quieter = at_snr(taps, source(name, 10.0), snr_db, RATE_HZ, onsets, while_sounding=True)
    assert 10.0 * np.log10(power / sounding_rms(quieter, RATE_HZ) ** 2) == pytest.approx(snr_db, abs=0.01)
    assert np.mean(quieter**2) <= np.mean(noise**2) * (1.0 + 1e-9)


@pytest.mark.parametrize("onsets", [[], [-1], [100]])
def test_noise_needs_a_tap(onsets):
    with pytest.raises(SettingError, match="no tap to be held against"):
        at_snr(np.zeros(100), np.ones(100), 10.0, RATE_HZ, onsets)


# -- sheds ----------------------------------------------------------------------------------------------


def rt60_s(response, low_hz, high_hz):
    """As pyroomacoustics measures it, from the fall by 30 dB after the first 5 (ISO 3382-1's T30)."""
    band = signal.butter(4, (low_hz, high_hz), "band", fs=RATE_HZ, output="sos")
    return measure_rt60(signal.sosfiltfilt(band, response[1:]), fs=RATE_HZ, decay_db=30)


@pytest.mark.parametrize("wanted_s", [0.5, 1.0, 2.0])
def test_a_shed_rings_as_long_as_told_and_high_notes_die_sooner(wanted_s):
    responses = [shed(wanted_s, np.random.default_rng(seed), RATE_HZ) for seed in range(4)]
    # The octaves of 500 and 1000 Hz (ISO 3382-2's mid frequencies), each shed by itself.
    middle = [rt60_s(response, 355.0, 1410.0) for response in responses]
    np.testing.assert_allclose(middle, wanted_s, rtol=0.10)
    high = [rt60_s(response, 5650.0, 11_300.0) for response in responses]
    assert np.median(high) < 0.7 * wanted_s


def test_nothing_comes_before_the_direct_sound_or_at_once_after_it():
    response = shed(1.0, np.random.default_rng(1), RATE_HZ, direct_to_reverberant_db=3.0)
    assert response[0] == 1.0
    assert np.all(response[1:96] == 0.0)
    assert 10.0 * np.log10((response[1:] ** 2).sum()) == pytest.approx(-3.0, abs=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_a_shed_answers_with_a_flutter(seed):
    # Slaps to and fro return with one period: the response's later part is like itself 20 to 60 ms on.
    response = shed(1.5, np.random.default_rng(seed), RATE_HZ)
    late = response[round(0.065 * RATE_HZ) : round(0.5 * RATE_HZ)]
    late = signal.sosfilt(signal.butter(2, (500, 6000), "band", fs=RATE_HZ, output="sos"), late)
    alike = signal.correlate(late, late, method="fft")[len(late) - 1 :]
    lags = slice(round(0.019 * RATE_HZ), round(0.061 * RATE_HZ))
    assert alike[lags].max() / alike[0] > 0.1
    noise = np.random.default_rng(9).standard_normal(len(late)) * np.abs(late).std()
    unlike = signal.correlate(noise, noise, method="fft")[len(late) - 1 :]
    assert alike[lags].max() / alike[0] > 2.0 * unlike[lags].max() / unlike[0]


def test_a_shed_does_not_move_a_tap():
    tap = np.zeros(RATE_HZ)
    tap[1000:1100] = np.hanning(100)
    heard = in_shed(tap, shed(1.0, np.random.default_rng(0), RATE_HZ))
    assert len(heard) == len(tap)
    np.testing.assert_allclose(heard[:1090], tap[:1090], atol=1e-12)
    assert np.abs(heard[2000:]).max() > 0.0


@pytest.mark.parametrize("wrong", [0.1, 9.0, np.nan])
def test_a_shed_that_cannot_be(wrong):
    with pytest.raises(SettingError, match=r"rt60_s is .*: choose a value from 0.2 to 4 s"):
        shed(wrong, np.random.default_rng(0), RATE_HZ)


def test_the_same_seed_gives_the_same_shed():
    one, two = (shed(0.7, np.random.default_rng(4), RATE_HZ) for _ in range(2))
    assert one.tobytes() == two.tobytes()
