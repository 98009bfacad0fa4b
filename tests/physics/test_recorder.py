"""Recorders: each does to a recording what it says, and leaves every tap where it was."""

import numpy as np
import pytest
from scipy import signal

from taptone.errors import SettingError
from taptone.physics.recorder import (
    ALTERATIONS,
    aac,
    amr_nb,
    clipped,
    gain_control,
    gate,
    low_pass_7khz,
    noise_suppression,
    start_spike,
)
from taptone.physics.yard import SOURCES

RATE_HZ = 48_000
ONSETS = np.arange(1, 8) * RATE_HZ + np.arange(7) * 777


def taps(noise=1e-4):
    """Seven decaying knocks, each 2 dB weaker than the one before, in faint hiss."""
    rng = np.random.default_rng(0)
    time = np.arange(round(0.3 * RATE_HZ)) / RATE_HZ
    knock = sum(
        level * np.exp(-time / decay_s) * np.sin(2.0 * np.pi * f * time)
        for f, decay_s, level in (
            *((230.0, 0.05, 0.4), (870.0, 0.03, 0.5), (2100.0, 0.01, 0.4), (5300.0, 0.004, 0.3)),
            *((9100.0, 0.003, 0.2), (13_700.0, 0.002, 0.2)),
        )
    )
    sound = noise * rng.standard_normal(9 * RATE_HZ)
    for number, at in enumerate(ONSETS):
        sound[at : at + len(time)] += 0.5 * 10.0 ** (-number / 10.0) * knock
    return sound


def altered(name, sound, rate_hz=RATE_HZ, seed=0):
    return ALTERATIONS[name](sound, rate_hz, np.random.default_rng(seed))


def lag(sound, original):
    """Samples by which the sound is late."""
    return int(signal.correlate(sound, original, method="fft").argmax()) - (len(original) - 1)


def level_db(sound, low_hz, high_hz, rate_hz=RATE_HZ):
    f, power = signal.welch(sound, rate_hz, nperseg=4096)
    return 10.0 * np.log10(power[(f >= low_hz) & (f < high_hz)].mean() + 1e-30)


# -- all of them ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ALTERATIONS)
def test_the_time_axis_stays(name):
    original = taps()
    sound, rate_hz = altered(name, original)
    assert rate_hz == (8000 if name in ("delivered_8khz", "amr_nb") else RATE_HZ)
    assert len(sound) == len(original) * rate_hz // RATE_HZ
    assert np.isfinite(sound).all()
    assert np.abs(sound).max() <= 1.5
    same = signal.resample_poly(original, 1, RATE_HZ // rate_hz) if rate_hz < RATE_HZ else original
    later = rate_hz // 2  # after the start spike
    late = lag(sound[later:], same[later:])
    # 5 ms for what is lossy, a sample for what is not.
    assert abs(late) <= (0.005 * rate_hz if name.startswith(("aac", "amr")) else 1)


@pytest.mark.parametrize("name", ALTERATIONS)
def test_the_seed_decides_every_byte(name):
    original = taps()
    before = original.copy()
    assert altered(name, original)[0].tobytes() == altered(name, original)[0].tobytes()
    np.testing.assert_array_equal(original, before)


@pytest.mark.parametrize("name", ALTERATIONS)
@pytest.mark.parametrize("samples", [0, 1, 700])
def test_short_sounds_stay_short(name, samples):
    sound, rate_hz = altered(name, np.zeros(samples))
    assert len(sound) == -(-samples * rate_hz // RATE_HZ)


@pytest.mark.parametrize("name", ALTERATIONS)
def test_silence_gives_no_nan(name):
    sound, _ = altered(name, np.zeros(RATE_HZ))
    assert np.isfinite(sound).all()


# -- level ----------------------------------------------------------------------------------------------


def test_gain_control_raises_late_parts_and_evens_out_the_taps():
    original = taps()
    sound, _ = gain_control(original, RATE_HZ)

    def late_over_early(s):
        return [s[at + 9600 : at + 12_000].std() / s[at + 480 : at + 960].std() for at in ONSETS]

    assert np.all(np.array(late_over_early(sound)) > 1.3 * np.array(late_over_early(original)))
    peaks = np.array([np.abs(sound[at : at + 4800]).max() for at in ONSETS])
    weaker_db = 20.0 * np.log10(peaks[0] / peaks[-1])
    assert weaker_db < 0.5 * 12.0  # it was 12 dB
    # Between the taps the background comes up.
    assert sound[ONSETS[0] - 4800 : ONSETS[0]].std() > 5.0 * original[ONSETS[0] - 4800 : ONSETS[0]].std()


def test_gain_control_works_towards_its_target():
    tone = 0.02 * np.sin(2.0 * np.pi * 1000.0 * np.arange(3 * RATE_HZ) / RATE_HZ)
    for target_db in (-20.0, -12.0):
        sound, _ = gain_control(tone, RATE_HZ, target_db=target_db)
        assert 20.0 * np.log10(np.abs(sound[-RATE_HZ:]).max()) == pytest.approx(target_db, abs=0.5)


def test_a_gate_leaves_nothing_between_the_taps():
    original = taps(noise=1e-3)
    sound, _ = gate(original, RATE_HZ)
    for at in ONSETS:
        assert np.all(sound[at - 9600 : at - 100] == 0.0)
        np.testing.assert_allclose(sound[at + 100 : at + 2400], original[at + 100 : at + 2400])


def test_clipping_flattens_what_is_over_full_scale():
    original = taps()
    sound, _ = clipped(original, RATE_HZ, over_db=12.0)
    gain = 10.0 ** (12.0 / 20.0) / np.abs(original).max()
    np.testing.assert_array_equal(np.abs(sound) == 1.0, np.abs(gain * original) >= 1.0)
    assert 10 < np.sum(np.abs(sound) == 1.0) < 0.01 * len(sound)


@pytest.mark.parametrize("seed", range(3))
def test_a_spike_is_at_the_start_only(seed):
    original = taps()
    sound, _ = start_spike(original, RATE_HZ, np.random.default_rng(seed))
    assert np.abs(sound[: RATE_HZ // 5]).max() > 0.4
    np.testing.assert_array_equal(sound[round(0.4 * RATE_HZ) :], original[round(0.4 * RATE_HZ) :])


# -- noise suppression ----------------------------------------------------------------------------------


def test_noise_suppression_takes_steady_noise_and_leaves_taps():
    original = taps(noise=3e-3)
    sound, _ = noise_suppression(original, RATE_HZ)
    before, after = (s[ONSETS[2] - 12_000 : ONSETS[2] - 1000].std() for s in (original, sound))
    assert 20.0 * np.log10(before / after) > 8.0
    hit = slice(ONSETS[2], ONSETS[2] + 960)
    assert sound[hit].std() == pytest.approx(original[hit].std(), rel=0.15)


def test_noise_suppression_twitters():
    # Over-subtraction leaves lone peaks in the spectrogram (Berouti, Schwartz and Makhoul 1979; from memory):
    # the power of what is left is far more uneven than that of the noise.
    noise = np.random.default_rng(1).normal(0.0, 0.01, 4 * RATE_HZ)
    sound, _ = noise_suppression(noise, RATE_HZ)

    def unevenness(s):
        power = np.abs(signal.stft(s[2 * RATE_HZ :], RATE_HZ, nperseg=960)[2]) ** 2
        return (power**2).mean() / power.mean() ** 2

    assert unevenness(sound) > 1.5 * unevenness(noise)


def test_noise_suppression_does_not_look_ahead():
    quiet = np.random.default_rng(1).normal(0.0, 0.001, 6 * RATE_HZ)
    louder = quiet.copy()
    louder[4 * RATE_HZ :] *= 30.0
    one, two = noise_suppression(quiet, RATE_HZ)[0], noise_suppression(louder, RATE_HZ)[0]
    np.testing.assert_allclose(two[: round(3.8 * RATE_HZ)], one[: round(3.8 * RATE_HZ)], atol=1e-9)


# -- bandwidth ------------------------------------------------------------------------------------------


def test_nothing_passes_above_7_khz():
    noise = np.random.default_rng(2).normal(0.0, 0.1, 2 * RATE_HZ)
    sound, _ = low_pass_7khz(noise, RATE_HZ)
    assert level_db(sound, 7700.0, 20_000.0) < level_db(noise, 7700.0, 20_000.0) - 50.0
    assert level_db(sound, 200.0, 6300.0) == pytest.approx(level_db(noise, 200.0, 6300.0), abs=0.1)


def test_a_low_rate_passes_unaltered():
    noise = np.random.default_rng(2).normal(0.0, 0.1, 8000)
    for name in ("low_pass_7khz", "delivered_8khz"):
        sound, rate_hz = altered(name, noise, rate_hz=8000)
        assert rate_hz == 8000
        np.testing.assert_array_equal(sound, noise)


# -- codecs ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("kbit_s", "kept_hz", "cut_hz"), [(32, 8500, 11_500), (64, 14_000, 18_000)])
def test_aac_cuts_above_its_cutoff(kbit_s, kept_hz, cut_hz):
    noise = np.random.default_rng(3).normal(0.0, 0.1, 2 * RATE_HZ)
    sound, _ = aac(noise, RATE_HZ, kbit_s=kbit_s)
    assert level_db(sound, cut_hz, 23_000) < level_db(noise, cut_hz, 23_000) - 20.0
    assert level_db(sound, 500, kept_hz) == pytest.approx(level_db(noise, 500, kept_hz), abs=3.0)


def test_more_bits_lose_less():
    original = taps()
    lost = [np.std(aac(original, RATE_HZ, kbit_s=kbit_s)[0] - original) for kbit_s in (32, 64, 128)]
    assert lost[0] > lost[1] > lost[2] > 0.0
    assert lost[2] < 0.1 * original.std()


@pytest.mark.parametrize("name", ["aac_32", "aac_64", "aac_128", "amr_nb"])
def test_a_codec_leaves_speech_where_it_was(name):
    # Speech, which all of them are made for, tells the delay to the sample.
    speech = 0.1 * SOURCES["speech"](4 * 8000, 8000, np.random.default_rng(3))
    sound, rate_hz = altered(name, speech, rate_hz=8000)
    assert rate_hz == 8000
    assert abs(lag(sound, speech)) <= 1


def test_amr_keeps_the_telephone_band_only():
    # 3GPP TS 26.090 codes 8 kHz; 12.2 kbit/s, made for speech: taps come out roughly.
    original = taps()
    sound, rate_hz = amr_nb(original, RATE_HZ)
    assert rate_hz == 8000
    for at in ONSETS[:4] // 6:
        before, hit = np.abs(sound[at - 800 : at - 40]).max(), np.abs(sound[at : at + 160]).max()
        assert hit > 5.0 * before
    assert level_db(sound, 300, 2500, 8000) == pytest.approx(
        level_db(signal.resample_poly(original, 1, 6), 300, 2500, 8000), abs=6.0
    )


@pytest.mark.parametrize(
    ("name", "rate_hz", "text"),
    [("aac_64", 47_999, "no sample rate of 47999 Hz"), ("amr_nb", 6000, "6000 Hz")],
)
def test_a_rate_that_a_codec_has_not_is_one_clear_line(name, rate_hz, text):
    with pytest.raises(SettingError, match=text):
        altered(name, np.zeros(1000), rate_hz=rate_hz)
