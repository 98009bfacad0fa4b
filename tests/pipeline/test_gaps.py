"""Strikes of one place, by the gaps between them. Made-up rhythms only."""

from __future__ import annotations

import numpy as np
import pytest

from taptone.pipeline.gaps import runs_of, whole_places


def struck(rng, places, each, spread=0.1):
    """Onsets of `each` strikes a place, 0.5 s apart, and 1 s to the next; and the place of each."""
    gaps = np.tile([1.0] + [0.5] * (each - 1), places)
    gaps *= np.clip(rng.normal(1, spread, len(gaps)), 0.8, 1.2)
    return np.cumsum(gaps), np.repeat(np.arange(places), each)


@pytest.mark.parametrize("each", [2, 3, 4])
def test_every_place_of_an_even_hand(rng, each):
    time_s, place = struck(rng, 20, each)
    assert runs_of(time_s, each) == [range(k, k + each) for k in range(0, len(place), each)]
    other = {2: 3, 3: 2, 4: 3}[each]
    assert runs_of(time_s, other) == []


def test_what_is_missed_or_added_takes_no_other_place_with_it(rng):
    found, pure = [], []
    for _ in range(200):
        time_s, place = struck(rng, 20, 2)
        lost = rng.choice(len(time_s), 2, replace=False)
        time_s, place = np.delete(time_s, lost), np.delete(place, lost)
        foreign_s = rng.uniform(time_s[0], time_s[-1], 3)
        order = np.argsort(np.append(time_s, foreign_s))
        time_s, place = np.append(time_s, foreign_s)[order], np.append(place, [-1, -2, -3])[order]
        runs = runs_of(time_s, 2)
        found.append(len(runs))
        pure += [place[run.start] == place[run.start + 1] for run in runs]
    assert np.mean(found) > 12
    # A sound a usual gap after a strike whose second was missed cannot be told from it.
    assert np.mean(pure) > 0.97


@pytest.mark.parametrize("spread", [0.0, 0.12, 0.25])
def test_an_even_rhythm_tells_no_places(rng, spread):
    for _ in range(100):
        assert runs_of(np.cumsum(np.maximum(0.1, rng.normal(1, spread, 40))), 2) == []


def test_sounds_at_any_time_tell_no_places(rng):
    told = [bool(runs_of(np.cumsum(rng.exponential(1.0, 40)), 2)) for _ in range(300)]
    assert np.mean(told) < 0.02


def test_one_strike_a_place_has_no_gaps_within():
    assert runs_of(np.arange(20.0), 1) == []


def without(each, lost):
    """Strikes of 20 places, some missed; and the place of each."""
    kept = np.delete(np.arange(20 * each), lost)
    time_s = (np.arange(20 * each) // each) * (0.5 * (each - 1) + 1.0) + 0.5 * (np.arange(20 * each) % each)
    return time_s[kept], kept // each


@pytest.mark.parametrize(
    ("each", "lost"),
    [(2, [11, 13]), (2, [11, 15]), (2, [10, 13]), (3, [15, 19, 23]), (3, [15, 16, 20])],
)
def test_strikes_missed_that_make_up_for_each_other_mix_no_places(each, lost):
    """The count fits, and all after them stands where it should; but those between are of two places."""
    time_s, place = without(each, lost)
    assert len(time_s) % each == 0
    places, numbers, note = whole_places("good.wav", time_s, each)
    assert len(places) == 20 - len({k // each for k in lost})
    assert all(len(set(place[list(span)])) == 1 for span in places)
    assert all(n in (place[span.start], -1) for n, span in zip(numbers, places, strict=True))
    assert "by their count, but not by their gaps" in note


def test_all_planned_places_accounted_for_are_known_by_their_order():
    time_s, place = without(2, [11])
    places, numbers, _ = whole_places("good.wav", time_s, 2)
    assert numbers == [0, 1, 2, 3, 4, *[-1] * 14]
    places, numbers, _ = whole_places("good.wav", time_s, 2, planned=20)
    assert numbers == [place[span.start] for span in places]


def test_a_slow_second_strike_and_a_quick_step_on_stand_by_their_count():
    gaps = np.tile([0.9, 0.6], 20)[:-1]
    places, numbers, note = whole_places("good.wav", np.concatenate([[0.0], np.cumsum(gaps)]), 2)
    assert (places, numbers, note) == ([range(k, k + 2) for k in range(0, 40, 2)], list(range(20)), "")
