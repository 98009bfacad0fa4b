"""Hands that do otherwise than planned: what is told of it is what was done."""

import numpy as np
import pytest

from taptone.errors import SettingError
from taptone.physics.hands import (
    another_tip_half_way,
    microphone_moved_half_way,
    row_again,
    spoken_counting,
    wrong_direction,
)
from taptone.physics.scene import damaged, tapping_times
from taptone.physics.yard import sounding_rms

RATE_HZ = 48_000
ROWS = np.repeat(np.arange(4), 5)
STATIONS = np.column_stack((0.1 * np.tile(np.arange(5), 4), 0.1 * ROWS))


def plan(taps_per_station=2):
    return tapping_times(STATIONS, ROWS, taps_per_station, rng=np.random.default_rng(0))


def same(one, two):
    arrays = ("times_s", "xy", "station", "row")
    return one.kind == two.kind and all(np.array_equal(getattr(one, a), getattr(two, a)) for a in arrays)


# -- rows -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
def test_one_row_runs_backwards_and_the_rest_stays(seed):
    before = plan()
    after, done = wrong_direction(before, np.random.default_rng(seed))
    row = after.row == done.row
    np.testing.assert_array_equal(np.flatnonzero(row), np.arange(done.first, done.stop))
    np.testing.assert_array_equal(after.times_s, before.times_s)
    np.testing.assert_array_equal(after.station[~row], before.station[~row])
    np.testing.assert_array_equal(after.station[row], before.station[row][::-1])
    np.testing.assert_array_equal(after.xy, STATIONS[after.station])  # still tied to where it lands
    assert (done.from_s, done.to_s) == (after.times_s[row][0], after.times_s[row][-1])


@pytest.mark.parametrize("seed", range(4))
def test_a_row_comes_again_after_a_pause(seed):
    before = plan()
    after, done = row_again(before, np.random.default_rng(seed), pause_s=4.0)
    again = slice(done.first, done.stop)
    first_time = slice(2 * done.first - done.stop, done.first)
    for values in (after.station, after.row):
        np.testing.assert_array_equal(values[again], values[first_time])
    assert set(after.row[again]) == {done.row}
    np.testing.assert_allclose(np.diff(after.times_s[again]), np.diff(after.times_s[first_time]))
    assert 3.0 <= after.times_s[done.first] - after.times_s[done.first - 1] <= 5.0
    assert np.all(np.diff(after.times_s) > 0.0)
    assert len(after.kind) == len(after.times_s) == len(before.times_s) + 10
    without = np.delete(np.arange(len(after.times_s)), np.arange(done.first, done.stop))
    np.testing.assert_array_equal(after.station[without], before.station)
    np.testing.assert_allclose(
        np.diff(after.times_s[without][done.first :]), np.diff(before.times_s[done.first :])
    )


def test_what_was_altered_can_still_be_damaged():
    rng = np.random.default_rng(1)
    after, _ = row_again(wrong_direction(plan(), rng)[0], rng)
    spoilt = damaged(after, rng=rng, share=1.0, kinds=["missed"])
    assert spoilt.kind.count("missed") == 4


def test_the_seed_decides():
    for make in (wrong_direction, row_again):
        one, two = (make(plan(), np.random.default_rng(5)) for _ in range(2))
        assert same(one[0], two[0])
        assert one[1] == two[1]
        assert len({make(plan(), np.random.default_rng(seed))[1].row for seed in range(12)}) > 1


# -- half way -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("change", [another_tip_half_way, microphone_moved_half_way])
def test_the_change_falls_between_two_stations_half_way(change, seed):
    schedule = plan(3)
    done = change(schedule, np.random.default_rng(seed))
    assert 0.35 <= done.first / len(schedule.station) <= 0.65
    assert done.stop == len(schedule.station)
    assert schedule.station[done.first] != schedule.station[done.first - 1]
    assert (done.row, done.from_s) == (-1, schedule.times_s[done.first])


@pytest.mark.parametrize(
    ("make", "text"),
    [
        (wrong_direction, "no row can be tapped backwards"),
        (another_tip_half_way, "nothing can change half way"),
        (microphone_moved_half_way, "nothing can change half way"),
    ],
)
def test_one_station_is_too_few(make, text):
    lone = tapping_times([[0.0, 0.0]], [0], 3, rng=np.random.default_rng(0))
    with pytest.raises(SettingError, match=text):
        make(lone, np.random.default_rng(0))


def test_nothing_can_come_again_where_nothing_is():
    none = tapping_times(np.zeros((0, 2)), [], rng=np.random.default_rng(0))
    with pytest.raises(SettingError, match="no row can be tapped again"):
        row_again(none, np.random.default_rng(0))


# -- counting -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(3))
def test_every_word_is_over_before_the_next_tap(seed):
    rng = np.random.default_rng(seed)
    onsets = np.cumsum(rng.uniform(0.4, 2.0, 25) * RATE_HZ).astype(int)
    samples = int(onsets[-1]) + RATE_HZ
    sound, words = spoken_counting(samples, RATE_HZ, onsets, rng)
    assert sounding_rms(sound, RATE_HZ) == pytest.approx(1.0)
    assert 8 <= len(words) <= 25
    heard = np.zeros(samples, bool)
    for word in words:
        heard[word.start : word.stop] = True
        before, after = onsets[onsets <= word.start], onsets[onsets > word.start]
        assert word.text == str(len(before) % 20 + 1)  # counted on, whether or not the last one fitted
        assert word.stop <= after[0] - 0.08 * RATE_HZ
        if len(before):
            assert word.start >= before[-1] + 0.25 * RATE_HZ
    assert np.all(sound[~heard] == 0.0)
    for word in words:
        assert sound[word.start : word.stop].std() > 0.3


def test_the_seed_decides_what_is_said():
    onsets = [48_000, 120_000, 200_000]
    one, two = (spoken_counting(250_000, RATE_HZ, onsets, np.random.default_rng(2)) for _ in range(2))
    assert one[0].tobytes() == two[0].tobytes()
    assert one[1] == two[1]


def test_where_there_is_no_time_nothing_is_said():
    sound, words = spoken_counting(48_000, RATE_HZ, np.arange(4800, 48_000, 9600), np.random.default_rng(0))
    assert words == ()
    assert not sound.any()
