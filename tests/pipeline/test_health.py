"""What was done to a recording is named; a plain one is left in peace.

Every recording here is made up: dying tones over even noise, rounded to 16 bits. What is done to it is
written out in the test by plain arithmetic, and is none of the simulator's alterations; how often the names
are right over many builds, noises and codecs is counted by benchmarks/health.py.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import butter, lfilter, resample_poly, sosfiltfilt

from taptone.pipeline import hear, listen, strikes
from taptone.pipeline.clipping import CLIPPED, OVERLAPPED
from taptone.pipeline.framing import EXCERPT, find_frames
from taptone.pipeline.listening import Listener
from taptone.settings import with_values

RATE = 48_000
AT_S = 1.0 + 0.9 * np.arange(24)
LENGTH_S = 23.5


def rounded(x):
    return np.clip(np.rint(x * 32768), -32768, 32767) / 32768


@pytest.fixture(scope="module")
def laid(made_ring):
    """Taps without noise, and the noise alone: white, 60 dB below full scale."""
    rng = np.random.default_rng(5)
    taps = np.zeros(round(LENGTH_S * RATE))
    for at_s in AT_S:
        start = round(at_s * RATE)
        for hz, ms in ((700, 60), (1500, 45), (2600, 35), (5200, 20)):
            ring = made_ring(RATE, hz * rng.uniform(0.98, 1.02), ms, 0.12 * rng.uniform(0.6, 1.0))
            taps[start : start + len(ring)] += ring
    return taps, rng.normal(0, 1e-3, len(taps))


@pytest.fixture(scope="module")
def plain(laid):
    return laid[0] + laid[1]


@pytest.fixture(scope="module")
def said(array_sound):
    """Name → finding of an array."""

    def of(samples, rate_hz=RATE, round_it=True):
        sound = array_sound(rounded(samples) if round_it else samples, rate_hz)
        return {f.name: f for f in listen(sound).findings}

    return of


def gain_follows(x, back_db_s, down_db=15.0):
    """After every tap 15 dB less gain, coming back evenly: what a leveller of the phone does."""
    t = np.arange(len(x)) / RATE
    since = t - np.r_[-9.0, AT_S][np.searchsorted(AT_S, t)]
    return x * 10 ** (np.minimum(-down_db + back_db_s * since, 0.0) / 20)


# -- gain, gate, suppression ----------------------------------------------------------------------------


def test_a_plain_recording_has_nothing(plain, said):
    assert said(plain) == {}


def test_gain_control_is_named_with_how_far_the_noise_sinks(plain, said):
    finding = said(gain_follows(plain, back_db_s=20.0))["gain control"]
    # 0.04 to 0.10 s after a tap the gain is 13.6 dB down; before it it has come all the way back.
    assert finding.strength == pytest.approx(13.6, abs=0.6)
    assert finding.unit == "dB"
    assert "24 taps" in finding.evidence or "23 taps" in finding.evidence


def test_a_gain_that_never_comes_all_the_way_back_is_named_too(plain, said):
    assert "gain control" in said(gain_follows(plain, back_db_s=6.0))


def test_gain_control_that_acts_on_the_louder_taps_alone(laid, said):
    taps, noise = laid
    t = np.arange(len(taps)) / RATE
    k = np.searchsorted(AT_S, t) - 1
    loud, since = k % 2 == 0, t - np.r_[AT_S, -9.0][k]
    down_db = np.where(loud & (k >= 0), np.minimum(20.0 * since - 5.0, 0.0), 0.0)
    assert set(said((np.where(loud, 1.0, 0.2) * taps + noise) * 10 ** (down_db / 20))) == {"gain control"}


def test_noise_that_falls_after_each_tap_in_one_band_only_is_no_gain_control(laid, said):
    taps, noise = laid
    whistle = sosfiltfilt(butter(4, [9000, 11000], "band", fs=RATE, output="sos"), noise)
    assert said(taps + noise + 5 * gain_follows(whistle, back_db_s=20.0)) == {}


def test_a_gate_is_named_with_the_time_at_which_it_shuts(plain, said):
    t = np.arange(len(plain)) / RATE
    since = t - np.r_[-9.0, AT_S][np.searchsorted(AT_S, t)]
    for least, word in ((0.0, "no sound"), (0.03, "all bands at once")):
        gate = np.where(since < 0.12, 1.0, least + (1 - least) * np.clip(1 - (since - 0.12) / 0.02, 0, 1))
        found = said(plain * gate)
        assert set(found) == {"gate"}
        assert word in found["gate"].evidence
        assert found["gate"].strength == pytest.approx(120, abs=45)  # frames of 21 ms, four to a fall


def test_taps_that_die_in_a_room_are_no_gate(plain, said, rng):
    t = np.arange(round(1.2 * RATE)) / RATE
    tail = rng.normal(0, 1, len(t)) * 10 ** (-3 * t / 1.0) * (t > 0.003)
    tail *= 0.5 / math.sqrt(np.square(tail).sum())
    tail[0] = 1.0
    from scipy.signal import fftconvolve

    found = said(0.5 * fftconvolve(plain, tail)[: len(plain)])
    assert set(found) == {"room"}
    assert found["room"].strength == pytest.approx(
        1000, rel=0.25
    )  # as the tail was made; others lie under it


def test_spectral_subtraction_is_noise_suppression(plain, said):
    """Berouti, Schwartz and Makhoul 1979, from memory: power less three times the noise's, at least 20 dB."""
    from scipy.signal import istft, stft

    _, _, z = stft(plain, RATE, nperseg=960)
    power = np.abs(z) ** 2
    noise = np.median(power, axis=1, keepdims=True) / math.log(2)  # of an exponential distribution
    gain = np.sqrt(np.maximum(1 - 3 * noise / power, 0.01))
    found = said(istft(z * gain, RATE, nperseg=960)[1][: len(plain)])
    assert set(found) == {"noise suppression"}
    assert found["noise suppression"].strength > 0.3


def test_suppression_that_is_smoothed_over_time_leaves_its_trace_in_steady_noise(plain, said):
    """Gain after Wiener of a power that is averaged over some 30 ms, at most 10 dB (no source)."""
    from scipy.signal import istft, stft

    _, _, z = stft(plain, RATE, nperseg=960)
    power = lfilter([0.3], [1, -0.7], np.abs(z) ** 2, axis=1)
    noise = np.median(power, axis=1, keepdims=True)
    gain = np.maximum(1 - 1.4 * noise / power, 0.3)
    assert set(said(istft(z * gain, RATE, nperseg=960)[1][: len(plain)])) == {"noise suppression"}


def test_turning_noise_down_evenly_is_not_suppression(laid, said):
    taps, noise = laid
    assert said(taps + 0.1 * noise) == {}


def test_frames_let_through_about_each_tap_are_noise_suppression(laid, said):
    """All bins of a frame of 20 ms by one gain, 14 dB lower where no tap is: the noise stays even."""
    from scipy.signal import istft, stft

    taps, noise = laid
    _, at_s, z = stft(taps + noise, RATE, nperseg=960)
    near = np.abs(at_s[:, None] - AT_S).min(axis=1) <= 0.009
    since = at_s - np.r_[-9.0, AT_S][np.searchsorted(AT_S, at_s)]
    gain = np.where(near, 1.0, np.clip(10 ** (-since / 0.05), 0.2, 1.0))
    out = istft(z * gain, RATE, nperseg=960)[1][: len(taps)]
    finding = said(out)["noise suppression"]
    assert "before a tap" in finding.evidence


def test_a_gate_that_stays_open_for_long_is_told_by_the_noise_behind_it(laid, said):
    """Twelve decibels lower, after half a second, over half a second: no fall is sudden."""
    t = np.arange(len(laid[0])) / RATE
    since = t - np.r_[-9.0, AT_S][np.searchsorted(AT_S, t)]
    finding = said(sum(laid) * 10 ** (np.clip(0.45 - since, -0.25, 0.0) * 48 / 20))["gate"]
    assert "does not die away" in finding.evidence


def test_a_gain_that_is_back_within_a_tenth_of_a_second_shows_in_the_highest_notes(laid, said):
    taps, noise = laid
    # It rings on below 12 kHz for longer than the gain is down.
    ring = sosfiltfilt(butter(4, [7000, 10000], "band", fs=RATE, output="sos"), noise)
    t = np.arange(len(taps)) / RATE
    since = t - np.r_[-9.0, AT_S][np.searchsorted(AT_S, t)]
    ringing = taps + noise + 20 * ring * np.exp(-since / 0.03)
    assert set(said(ringing)) == set()
    assert "gain control" in said(ringing * 10 ** (np.minimum(since / 0.08 - 1, 0.0) * 6 / 20))


@pytest.mark.parametrize("window", ["sine", "kaiser-bessel"])
@pytest.mark.parametrize("cut", [0, 377])
def test_frames_of_a_codec_are_found_again(plain, said, window, cut):
    """The transform of ISO/IEC 14496-3 (4.6.11), its numbers rounded to steps, and back; cut anywhere."""
    half = 1024
    n = np.arange(2 * half)
    rise = np.sqrt(np.cumsum(np.kaiser(half + 1, 4 * np.pi))[:-1] / np.kaiser(half + 1, 4 * np.pi).sum())
    shape = np.sin(np.pi * (n + 0.5) / (2 * half)) if window == "sine" else np.r_[rise, rise[::-1]]
    turn = np.cos(np.pi / half * (n[:, None] + 0.5 + half / 2) * (np.arange(half) + 0.5))
    frames = np.lib.stride_tricks.sliding_window_view(np.pad(plain, half), 2 * half)[::half]
    step = 1e-3 * math.sqrt(half)  # about the size of what white noise of 1e-3 gives
    steps = np.rint(((frames * shape) @ turn) / step) * step
    back = (steps @ turn.T) * shape / (half / 2)
    whole = (back[1:, :half] + back[:-1, half:]).ravel()
    assert np.abs(whole - plain[: len(whole)]).max() < 0.02  # the sound itself is all but the same
    found = said(whole[cut:], round_it=False)
    assert set(found) == {"lossy copy"}
    assert "frames of 2048" in found["lossy copy"].evidence


def test_sound_cut_off_into_silence_is_no_frame_of_a_codec():
    rng = np.random.default_rng(1)
    pieces = [rng.normal(0, 0.01, EXCERPT).astype(np.float32) for _ in range(6)]
    for piece, at in zip(pieces, rng.integers(300, 2900, 5), strict=False):
        piece[at:] = 0
    assert find_frames(pieces) == 0.0


def test_a_recording_that_ends_with_a_tap_is_heard_out(plain, said):
    """What lies behind the last tap is too short to be asked about a gate: no warning, no finding."""
    assert said(plain[: round((AT_S[-1] + 0.2) * RATE)]) == {}


# -- clipping -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("at", [1.0, 0.4])
def test_clipping_is_named_at_full_scale_and_below(plain, said, at):
    found = said(np.clip(plain * 6, -1, 1) * at)
    assert "clipping" in found
    assert ("full scale" in found["clipping"].evidence) == (at == 1.0)


def test_loud_taps_that_touch_full_scale_once_are_not_clipped(plain, said):
    assert said(plain / np.abs(plain).max() * 32767 / 32768) == {}


def test_taps_flat_for_most_of_their_start_are_clipped_beyond_use(plain, array_sound):
    soft = listen(array_sound(rounded(np.clip(plain * 2.2, -1, 1)), RATE))
    hard = listen(array_sound(rounded(np.clip(plain * 60, -1, 1)), RATE))
    assert not any(CLIPPED in t.flags for t in soft.taps)
    assert sum(CLIPPED in t.flags for t in hard.taps) >= 20


# -- the end of the spectrum ----------------------------------------------------------------------------


@pytest.mark.parametrize("edge_hz", [3400, 7000, 15000])
def test_where_a_filter_ends_the_spectrum_is_named(plain, said, edge_hz):
    low = sosfiltfilt(butter(8, edge_hz, fs=RATE, output="sos"), plain)
    finding = said(low)["low-pass"]
    assert finding.strength == pytest.approx(edge_hz, rel=0.15)


@pytest.mark.parametrize("rate_hz", [8000, 16000])
def test_a_file_that_was_once_delivered_at_a_lower_rate(plain, said, rate_hz):
    low = rounded(resample_poly(plain, rate_hz, RATE))
    finding = said(resample_poly(low, RATE, rate_hz)[: len(plain)])["delivered rate"]
    assert f"as after delivery at {rate_hz} Hz" in finding.evidence
    assert finding.strength == pytest.approx(rate_hz / 2, rel=0.09)
    plainly = said(low, rate_hz)["delivered rate"]
    assert plainly.strength == rate_hz / 2


def test_soft_taps_without_high_notes_are_no_low_pass(laid, said):
    """A soft hammer ends its own sound at 1 kHz or so; the microphone's noise goes on."""
    taps, noise = laid
    dull = lfilter(*butter(6, 1000, fs=RATE), taps)
    assert said(dull + 0.3 * noise) == {}


# -- start, wind ----------------------------------------------------------------------------------------


def test_a_knock_at_the_start_is_named_and_is_no_tap(plain, said, array_sound):
    t = np.arange(round(0.4 * RATE)) / RATE
    knocked = plain.copy()
    knocked[: len(t)] += 0.7 * np.exp(-t / 0.03)
    assert set(said(knocked)) == {"start spike"}
    heard = listen(array_sound(rounded(knocked), RATE))
    assert len(heard.taps) == 24
    assert "start" in heard.rejected[0].reason


def test_two_taps_that_are_cut_short_are_no_gate(plain, said):
    t = np.arange(len(plain)) / RATE
    since = t - np.r_[-9.0, AT_S[:2]][np.searchsorted(AT_S[:2], t)]
    assert said(np.where((since < 0.12) | (since > 0.4), plain, 0.03 * plain)) == {}


def test_gusts_of_low_noise_are_wind(laid, said, rng):
    taps, noise = laid
    low = lfilter(*butter(2, 100, fs=RATE), rng.normal(0, 1, len(taps)))
    gust = np.interp(np.arange(len(taps)), np.arange(0, len(taps) + RATE, RATE), rng.normal(0, 4, 25))
    wind = 0.03 * low / low.std() * 10 ** (gust / 20)
    assert set(said(taps + noise + wind)) == {"wind"}
    # A hum as strong that does not come and go is none.
    assert said(taps + noise + 0.03 * low / low.std()) == {}


# -- another sound over a tap ---------------------------------------------------------------------------


def test_a_tap_within_another_sound_is_overlapped(plain, array_sound, rng):
    start, stop = round((AT_S[5] - 0.3) * RATE), round((AT_S[5] + 0.4) * RATE)
    over = plain.copy()
    burst = 0.08 * lfilter(*butter(2, [400, 3000], "band", fs=RATE), rng.normal(0, 1, stop - start))
    over[start:stop] += burst * np.hanning(stop - start)  # swells, so that its start is no blow
    taps = [t for t in listen(array_sound(rounded(over), RATE)).taps if "bounce" not in t.flags]
    near = [t for t in taps if abs(t.time_s - AT_S[5]) < 0.01]
    assert [OVERLAPPED in t.flags for t in near] == [True]
    assert not any(OVERLAPPED in t.flags for t in taps if abs(t.time_s - AT_S[5]) > 0.5)


# -- however it arrives ---------------------------------------------------------------------------------


@settings(max_examples=10, deadline=None)
@given(st.lists(st.integers(0, 199_999), max_size=8))
def test_what_is_gathered_does_not_depend_on_the_blocks(cuts):
    x = np.random.default_rng(1).normal(0, 0.01, 200_000).astype(np.float32)
    x[50_000:60_000] = 0

    def gathered(blocks):
        ear = Listener(RATE)
        for block in blocks:
            ear.feed(block)
        return ear.finish()

    one, many = gathered([x]), gathered(np.split(x, sorted(cuts)))
    for name in ("level_db", "flat_db", "zeros", "mean", "peak", "spectra", "frames"):
        np.testing.assert_array_equal(getattr(one, name), getattr(many, name))


def test_the_level_of_even_noise_is_what_it_was_made_with():
    """White noise of variance v has 2v/N a bin of the one-sided spectrum (Parseval's theorem)."""
    ear = Listener(RATE)
    ear.feed(np.random.default_rng(2).normal(0, 0.01, 10 * RATE))
    got = ear.finish()
    expected_db = 10 * math.log10(2 * 1e-4 / got.frame)
    assert np.median(got.level_db[:, 4:], axis=0) == pytest.approx(expected_db, abs=0.2)
    # A mean of eight exponential powers lies 2.5 dB above their geometric mean (Euler's constant), less
    # 0.3 dB for so few and 0.2 for bins that share a Hann window: 2.0 dB, counted.
    assert np.median(got.flat_db[:, 5:], axis=0) == pytest.approx(-2.0, abs=0.1)


@pytest.mark.parametrize("n", [0, 1, 700, 5000])
def test_next_to_nothing_has_nothing_to_say(array_sound, n):
    assert listen(array_sound(np.full(n, 0.001), RATE)).findings == ()


def test_a_narrow_recording_holds_no_bands_above_its_end(plain, array_sound):
    from taptone.pipeline import within_band

    low = rounded(sosfiltfilt(butter(10, 3400, fs=RATE, output="sos"), plain))
    taps, _, findings, _ = hear(array_sound(low, RATE))
    held = np.isfinite([t.bands_db for t in within_band(taps, findings)])
    assert held[:, :15].all()  # up to 2.5 kHz
    assert not held[:, 16:].any()  # from 4 kHz
    assert len(strikes(taps)) == 24


def test_limits_are_settings(plain, array_sound):
    deaf = with_values({"health.gain_db": "20", "health.gain_db_s": "40"})
    sound = array_sound(rounded(gain_follows(plain, back_db_s=20.0)), RATE)
    assert "gain control" not in {f.name for f in listen(sound, deaf).findings}
