"""Strikes of one place, by the gaps between them. Made-up rhythms only."""

from __future__ import annotations

import numpy as np
import pytest

from taptone.pipeline.gaps import runs_of


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
