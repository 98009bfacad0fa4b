"""Centroid, bandwidth and bands against closed forms, librosa, tsfel, scipy and IEC 61260-1.

The signals are short and begin with the frame: 48 kHz, 4096 samples, no window, power weights.
"""

from __future__ import annotations

import math
import warnings

import librosa
import numpy as np
import pytest
from scipy import stats

from taptone.pipeline.spectrum import band_energies, power_spectra, shape
from taptone.types import BAND_CENTRES_HZ

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # tsfel's own dependencies are not under test
    import tsfel

RATE, N = 48000, 4096
HZ = np.fft.rfftfreq(N, 1 / RATE)
T = np.arange(N) / RATE


def power_of(x):
    return np.abs(np.fft.rfft(x)) ** 2


def centroid(x):
    return float(shape(power_of(x)[None], HZ, low_hz=0.0, high_hz=RATE / 2).centroid_hz[0])


def tones(*bins_and_levels):
    return sum(level * np.cos(2 * np.pi * k * np.arange(N) / N) for k, level in bins_and_levels)


def dying_sine(tau_s, hz=2000.0):
    return np.exp(-T / tau_s) * np.sin(2 * np.pi * hz * T)


def dying_sine_centroid(tau_s, hz=2000.0):
    """Closed form for a dying sine in continuous time, power weights."""
    a, w = 1 / tau_s, 2 * np.pi * hz
    first = (w / (4 * a)) * (np.pi / 2 + np.arctan((w**2 - a**2) / (2 * a * w)))
    return first / (np.pi * w**2 / (4 * a * (a**2 + w**2))) / (2 * np.pi)


IMPULSE = np.eye(1, N)[0]


@pytest.mark.parametrize(
    ("x", "expected_hz", "within"),
    [
        pytest.param(tones((85, 1), (341, 1)), 2496.094, 1e-6, id="two equal tones: their mean"),
        pytest.param(tones((85, 1), (341, 0.5)), 1596.094, 1e-6, id="1 and .5: weights 4 to 1"),
        pytest.param(IMPULSE, 12_000.0, 1e-6, id="impulse: a quarter of the rate"),
        # Listed by librosa and essentia (S = power); the latter works in single precision.
        pytest.param(dying_sine(0.005), 1981.44, 1e-4, id="sine dying with 5 ms"),
        pytest.param(dying_sine(0.020), 1995.30, 1e-4, id="sine dying with 20 ms"),
        pytest.param(0.9 ** np.arange(N), 2011.80, 1e-4, id="one pole"),
    ],
)
def test_centroids_listed_for_fixed_signals(x, expected_hz, within):
    assert centroid(x) == pytest.approx(expected_hz, rel=within)


@pytest.mark.parametrize(("tau_s", "listed_hz"), [(0.005, 1980.24), (0.020, 1994.97)])
def test_the_centroid_of_a_dying_sine_is_that_of_continuous_time(tau_s, listed_hz):
    assert dying_sine_centroid(tau_s) == pytest.approx(listed_hz, abs=0.005)
    # 0.1 %: sampling folds the little that lies above 24 kHz.
    assert centroid(dying_sine(tau_s)) == pytest.approx(dying_sine_centroid(tau_s), rel=1e-3)


def test_power_weights_make_sample_rates_comparable():
    """Magnitude weights would not: the sum of f|X| of a dying sine grows with the logarithm of the rate."""
    ours, by_magnitude = [], []
    for rate in (24_000, 48_000, 96_000):
        t = np.arange(rate // 10) / rate
        x = np.exp(-t / 0.005) * np.sin(2 * np.pi * 2000 * t)
        spectrum, hz = np.abs(np.fft.rfft(x)), np.fft.rfftfreq(len(x), 1 / rate)
        ours.append(shape(spectrum[None] ** 2, hz, low_hz=200, high_hz=8000).centroid_hz[0])
        by_magnitude.append(librosa.feature.spectral_centroid(S=spectrum[:, None], freq=hz)[0, 0])
    assert np.ptp(ours) < 0.005 * np.mean(ours)
    assert np.ptp(by_magnitude) > 0.05 * np.mean(by_magnitude)


@pytest.mark.parametrize("x", [tones((85, 1), (341, 0.5)), dying_sine(0.005), 0.9 ** np.arange(N), IMPULSE])
def test_a_second_library_agrees(x):
    """tsfel weighs by magnitude, so it is handed a signal whose magnitudes are this one's powers."""
    stand_in = np.fft.irfft(power_of(x), N)
    # 1e-6: both are sums of 2049 products in double precision.
    assert centroid(x) == pytest.approx(tsfel.spectral_centroid(stand_in, RATE), rel=1e-6)


def test_white_noise_as_listed_and_as_librosa_reads_it(rng):
    x = np.random.default_rng(0).normal(size=N)
    assert centroid(x) == pytest.approx(12_025.32, abs=0.01)
    frames = rng.normal(size=(6, N))
    power = np.abs(np.fft.rfft(frames)) ** 2
    ours = shape(power, HZ, low_hz=0.0, high_hz=RATE / 2)
    S = power.T[:, :]
    assert ours.centroid_hz == pytest.approx(librosa.feature.spectral_centroid(S=S, sr=RATE)[0], rel=1e-9)
    assert ours.bandwidth_hz == pytest.approx(librosa.feature.spectral_bandwidth(S=S, sr=RATE)[0], rel=1e-9)
    rolloff = librosa.feature.spectral_rolloff(S=S, sr=RATE, roll_percent=0.90)[0]
    assert ours.rolloff_hz == pytest.approx(rolloff)
    # And without librosa: mean and deviation of frequency, with power as its distribution.
    for k in range(6):
        spread = stats.rv_discrete(values=(np.arange(len(HZ)), power[k] / power[k].sum()))
        assert ours.centroid_hz[k] == pytest.approx(spread.mean() * RATE / N, rel=1e-6)
        assert ours.bandwidth_hz[k] == pytest.approx(spread.std() * RATE / N, rel=1e-6)


def test_only_the_band_counts():
    x = tones((20, 9), (85, 1), (341, 1), (1500, 9))  # 234, 996, 3996 and 17578 Hz
    read = shape(power_of(x)[None], HZ, low_hz=500.0, high_hz=8000.0)
    assert read.centroid_hz[0] == pytest.approx(2496.094, rel=1e-6)
    assert read.bandwidth_hz[0] == pytest.approx(1500.0, rel=1e-6)


@pytest.mark.parametrize("scale", [1e-18, 1.0, 1e12])
def test_loudness_does_not_matter(scale):
    read = shape(scale * power_of(dying_sine(0.005))[None], HZ, low_hz=0, high_hz=RATE / 2)
    assert read.centroid_hz[0] == pytest.approx(1981.44, rel=1e-4)


def test_an_empty_spectrum_has_no_centroid():
    read = shape(np.stack([np.zeros(len(HZ)), power_of(IMPULSE)]), HZ, low_hz=200, high_hz=8000)
    for row in (read.centroid_hz, read.bandwidth_hz, read.rolloff_hz):
        assert np.isnan(row).tolist() == [True, False]


# -- the window ----------------------------------------------------------------------------------------


def spectra(x, onset, end=None, noise=None, window_ms=30.0, rate=RATE):
    noise = np.zeros(round(0.04 * rate)) if noise is None else noise
    return power_spectra([x], [onset], [len(x) if end is None else end], [noise], rate, window_ms=window_ms)


@pytest.mark.parametrize("late", [0, 1, 24, 240])
def test_no_window_erases_the_attack(late):
    """An impulse at the onset, or up to 5 ms after it, keeps its whole energy (a Hann window leaves none)."""
    x = np.zeros(9600)
    x[480 + late] = 1.0
    power, hz = spectra(x, 480)
    assert power[0] == pytest.approx(np.ones(len(hz)), rel=1e-9)
    assert float(shape(power, hz, low_hz=0, high_hz=RATE / 2).centroid_hz[0]) == pytest.approx(
        12_000, rel=1e-6
    )


def test_a_tap_within_a_clip_has_the_centroid_of_its_closed_form():
    x = np.concatenate([np.zeros(480), dying_sine(0.005), np.zeros(4000)])
    power, hz = spectra(x, 480)
    read = shape(power, hz, low_hz=0.0, high_hz=RATE / 2)
    # 0.2 %: the window fades from 20 ms on, where a tau of 5 ms has left exp(-8) of the energy.
    assert read.centroid_hz[0] == pytest.approx(dying_sine_centroid(0.005), rel=2e-3)


def test_the_second_contact_is_not_in_the_spectrum():
    first = np.concatenate([np.zeros(480), dying_sine(0.002), np.zeros(4000)])
    both = first.copy()
    both[480 + 720 :] += 0.8 * np.concatenate([dying_sine(0.002, 6000), np.zeros(8000)])[: len(both) - 1200]
    (alone, hz), (cut, _), (across, _) = (
        spectra(first, 480),
        spectra(both, 480, end=480 + 710),
        spectra(both, 480),
    )
    band = {"low_hz": 200.0, "high_hz": 8000.0}
    true_hz = shape(alone, hz, **band).centroid_hz[0]
    assert shape(cut, hz, **band).centroid_hz[0] == pytest.approx(true_hz, rel=0.005)  # 15 ms are 7 tau
    assert shape(across, hz, **band).centroid_hz[0] > 1.2 * true_hz  # which is why


def test_noise_is_taken_off(rng):
    """14 dB below the peak, noise of the whole band drags the centroid up; taken off, most is undone."""
    clean = np.concatenate([np.zeros(480), dying_sine(0.005, 800.0), np.zeros(4000)])
    band = {"low_hz": 200.0, "high_hz": 8000.0}
    true_hz = float(shape(*spectra(clean, 480), **band).centroid_hz[0])
    off, left_in = [], []
    for _ in range(20):
        noisy = clean + rng.normal(0, 0.2, len(clean))
        off.append(float(shape(*spectra(noisy, 480, noise=rng.normal(0, 0.2, 1920)), **band).centroid_hz[0]))
        left_in.append(float(shape(*spectra(noisy, 480), **band).centroid_hz[0]))
    bias, bias_left_in = np.mean(off) - true_hz, np.mean(left_in) - true_hz
    assert bias_left_in > 0.5 * true_hz
    # Not all: a power cannot be negative, so what is over in one bin is not made up for by another.
    assert 0 <= bias < 0.6 * bias_left_in


# -- third-octaves -------------------------------------------------------------------------------------


def test_centres_are_those_of_iec_61260():
    """G = 10^0.3; exact centres as acoustic-toolbox computes them."""
    listed = [100.0, 501.187, 1000.0, 1258.925, 1584.893, 1995.262, 3981.072, 7943.282, 15848.932]
    for hz in listed:
        assert min(abs(np.array(BAND_CENTRES_HZ) / hz - 1)) < 1e-6
    assert len(BAND_CENTRES_HZ) == 23
    assert np.diff(np.log10(BAND_CENTRES_HZ)) == pytest.approx(np.full(22, 0.1))


@pytest.mark.parametrize(
    ("centre_hz", "low_hz", "high_hz"), [(1000, 891.251, 1122.018), (100, 89.125, 112.202)]
)
def test_edges_are_those_of_iec_61260(centre_hz, low_hz, high_hz):
    """One bin 2 Hz wide, centred on an edge as listed, is shared half and half."""
    band = min(range(23), key=lambda k: abs(BAND_CENTRES_HZ[k] - centre_hz))
    for edge_hz, inwards in ((low_hz, 1), (high_hz, -1)):
        hz = edge_hz % 2.0 + np.arange(0, 20_001, 2.0)
        k = int(np.argmin(np.abs(hz - edge_hz)))
        power = np.zeros((3, len(hz)))
        power[0, k], power[1, k + inwards], power[2, k - inwards] = 1.0, 1.0, 1.0
        # 5e-4 of a bin: the listed edge has three decimals.
        assert band_energies(power, hz)[:, band] == pytest.approx([0.5, 1.0, 0.0], abs=5e-4)


def test_energy_is_kept(rng):
    """Bands side by side lose nothing: their sum is that of the bins from 89.125 to 17 782.79 Hz."""
    power = rng.exponential(size=(3, len(HZ)))
    low_hz, high_hz, step = 89.125094, 17782.794100, RATE / N
    whole = (HZ - step / 2 > low_hz) & (HZ + step / 2 < high_hz)
    shared_low = int(np.flatnonzero(whole)[0]) - 1
    shared_high = int(np.flatnonzero(whole)[-1]) + 1
    expected = power[:, whole].sum(axis=1)
    expected += power[:, shared_low] * (HZ[shared_low] + step / 2 - low_hz) / step
    expected += power[:, shared_high] * (high_hz - HZ[shared_high] + step / 2) / step
    assert band_energies(power, HZ).sum(axis=1) == pytest.approx(expected, rel=1e-9)


def test_white_sound_fills_bands_by_their_width():
    """230.768 Hz at 1 kHz; each next band holds 1 dB more."""
    energy = band_energies(np.ones((1, len(HZ))), HZ)[0] * RATE / N
    assert energy[10] == pytest.approx(230.768, rel=1e-5)
    assert np.diff(10 * np.log10(energy)) == pytest.approx(np.ones(22), abs=1e-9)


def test_bands_that_the_recording_does_not_hold_are_missing():
    hz = np.fft.rfftfreq(512, 1 / 8000)
    energy = band_energies(np.ones((1, len(hz))), hz)[0]
    held = np.array(BAND_CENTRES_HZ) * 10**0.05 <= 4000
    assert np.isfinite(energy).tolist() == held.tolist()
    assert math.isnan(energy[-1])
