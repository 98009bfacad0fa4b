"""The ring of a place that is longer: two rings have to say so."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t

from taptone.pipeline.lasting import find_lasting, side_by_side
from taptone.pipeline.ringing import DECAY, EARLY_MS, LATE_MS, Rings

N = 60
EVERYONE = np.ones(N, bool)
NONE = np.zeros(0)


@pytest.fixture
def rng():
    return np.random.default_rng(5)


def lasting(late_db, early_db, known_db=(NONE, NONE), good=EVERYONE, longer_db=(None, None)):
    rings = [
        Rings(own_db, own_db, known, after_ms, longer)
        for own_db, known, after_ms, longer in zip(
            (late_db, early_db), known_db, (LATE_MS, EARLY_MS), longer_db, strict=True
        )
    ]
    return find_lasting(rings, EVERYONE, good, lambda _, usual_db: np.full(N, usual_db), 1.0)


def test_both_rings_have_to_be_longer(rng):
    late_db, early_db = rng.normal(-14.0, 2.0, N), rng.normal(-4.0, 1.0, N)
    late_db[[3, 4]], early_db[[3, 5]] = 4.0, 5.0
    chance = lasting(late_db, early_db).chance
    assert chance[3] < 1e-4  # hollow
    assert chance[[4, 5]].min() > 1e-3  # a late sound of something else; one that falls right upon the blow
    late_db[3], early_db[3] = -32.0, -13.0
    assert lasting(late_db, early_db).chance[3] > 0.05  # short: that is asked elsewhere


def test_where_noise_leaves_nothing_of_the_late_ring_the_decay_does_for_it(rng):
    """Not for the early one: a late sound of something else makes both the late ring and the decay longer."""
    late_db, early_db = rng.normal(-20.0, 5.0, N), rng.normal(-4.0, 0.5, N)
    decay_db = rng.normal(17.0, 0.3, N)
    late_db[[3, 4, 5, 6]] = -8.0  # by itself nothing to speak of
    early_db[[3, 4]] += 5.0
    decay_db[[3, 5]] += 4.0
    decay_db[6] = np.nan
    rings = [
        Rings(own_db, own_db, NONE, after_ms)
        for own_db, after_ms in ((late_db, LATE_MS), (early_db, EARLY_MS), (decay_db, DECAY))
    ]

    def chance(*asked, by=LATE_MS):
        expected = lambda _, usual_db: np.full(N, usual_db)  # noqa: E731
        return find_lasting(asked, EVERYONE, EVERYONE, expected, 1.0, by).chance

    with_decay, without = chance(*rings), chance(*rings[:2])
    told = find_lasting(rings, EVERYONE, EVERYONE, lambda _, usual_db: np.full(N, usual_db), 1.0)
    assert [told.by_decay(k) for k in (3, 4, 6)] == [True, False, False]
    assert without[3] > 1e-3
    assert with_decay[3] < 1e-5
    assert with_decay[[4, 5, 6]] == pytest.approx(without[[4, 5, 6]], rel=0.3)
    early_db[3] = -12.0
    rings[1] = Rings(early_db, early_db, NONE, EARLY_MS)
    assert chance(*rings, by=EARLY_MS)[3] == 1.0  # the ring that is asked speaks against it


def test_the_chance_is_a_tenth_of_the_less_telling_one(rng):
    """Reference: Student's distribution of scipy, of one more value beside n (textbook)."""
    late_db, early_db = rng.normal(-14.0, 2.0, N), rng.normal(-4.0, 1.0, N)
    late_db[3], early_db[3] = -4.0, -0.5
    got = lasting(late_db, early_db)
    each = [
        t.sf((off_db[3] - law.middle_db) / (law.spread_db * np.sqrt(1 + 1 / N)), 6)
        for law, off_db in zip(got.laws, got.off_db, strict=True)
    ]
    assert got.chance[3] == pytest.approx(0.1 * max(each))
    assert got.at(3, got.of(LATE_MS)[3:4], LATE_MS)[0] == pytest.approx(got.chance[3])
    assert got.at(3, np.array([0.0, 40.0]), LATE_MS) == pytest.approx(
        [got.at(3, np.zeros(1), LATE_MS)[0], each[1] / 10]
    )


def test_good_places_hardly_ever_have_both(rng):
    """Where the two rings share nothing; and where one follows the other, at most one in ten of these."""
    for shared in (0.0, 1.0):
        z = rng.normal(size=(2, 200, N))
        z[1] = shared * z[0] + (1 - shared) * z[1]
        chance = np.array([lasting(-14 + 2 * a, -4 + b).chance for a, b in zip(*z, strict=True)])
        assert (chance < 0.005).mean() < 0.06
        assert (chance < 0.0005).mean() < 0.006


def test_what_noise_may_have_added_and_what_was_not_read_tells_nothing(rng):
    late_db, early_db = rng.normal(-14.0, 2.0, N), rng.normal(-4.0, 1.0, N)
    late_db[[3, 4]], early_db[[3, 4]] = 4.0, 5.0
    without = late_db.copy()
    without[3] = -14.0
    early_db[4] = np.nan
    got = lasting(late_db, early_db, longer_db=(without, None))
    assert got.chance[3] > 0.005
    assert got.chance[4] == 1.0
    nothing = np.full(N, np.nan)
    assert (lasting(nothing, nothing).chance == 1.0).all()


def test_one_ring_alone_is_not_asked():
    ring_db = np.zeros(N)
    assert find_lasting([Rings(ring_db, ring_db, ring_db)], EVERYONE, EVERYONE, lambda r, _: r, 1.0) is None


ROWS, COLUMNS = 6, 10
TOUCHING = (
    np.abs(np.subtract.outer(np.arange(N) // COLUMNS, np.arange(N) // COLUMNS)).clip(0, 2)
    + np.abs(np.subtract.outer(np.arange(N) % COLUMNS, np.arange(N) % COLUMNS)).clip(0, 2) * 3
)
TOUCHING = np.isin(TOUCHING, [1, 3, 4])  # a king's move apart


def test_places_side_by_side_that_each_last_a_little_longer_count_together(rng):
    late_db, early_db = rng.normal(-14.0, 2.0, N), rng.normal(-4.0, 1.0, N)
    patch, strewn = [22, 23, 32], [5, 47, 59]
    late_db[patch + strewn], early_db[patch + strewn] = -14.0 + 2.0 * 5.0, -4.0 + 5.0
    rings = [Rings(own, own, NONE, ms) for own, ms in ((late_db, LATE_MS), (early_db, EARLY_MS))]
    usual = lambda _, usual_db: np.full(N, usual_db)  # noqa: E731
    alone = find_lasting(rings, EVERYONE, EVERYONE, usual, 1.0)
    told = find_lasting(rings, EVERYONE, EVERYONE, usual, 1.0, touching=TOUCHING)
    assert told.chance[strewn] == pytest.approx(alone.chance[strewn])
    assert (told.chance[patch] < alone.chance[patch] / 20).all()
    assert told.among.sum(axis=1)[patch + strewn].tolist() == [3, 3, 3, 1, 1, 1]
    assert np.flatnonzero(told.among[23]).tolist() == patch
    # Had the one in the middle the usual ring, the others would stand by themselves.
    for k in patch:
        assert told.at(k, told.of(LATE_MS)[k : k + 1], LATE_MS)[0] == pytest.approx(told.chance[k])
    assert told.at(23, np.zeros(1), LATE_MS)[0] > 0.01


def test_a_place_that_is_not_rare_by_itself_is_not_taken_along():
    chance = np.full(N, 0.5)
    chance[[22, 23, 32]], chance[33] = 0.005, 0.02
    together, among = side_by_side(chance, TOUCHING)
    places = among.sum(axis=1)
    assert together[[22, 23, 32]] == pytest.approx(
        5e-5
    )  # 60 times 0.005 to the third, but none is told rarer
    assert (together[33], places[33], places[22]) == (0.02, 1, 3)


@pytest.mark.parametrize("crowded", [False, True], ids=["a square grid", "twice as many between them"])
def test_good_places_are_no_rarer_with_their_neighbours_than_chance_has_it(rng, crowded):
    """Their own chance, and Boole's bound for each size of group: at most a few times what is asked."""
    touching = np.kron(TOUCHING | np.eye(N, dtype=bool), np.ones((2, 2), bool)) if crowded else TOUCHING
    told = [side_by_side(rng.uniform(size=len(touching)), touching)[0] for _ in range(1000)]
    for limit in (1e-3, 3e-4):
        assert 0.7 * limit < (np.concatenate(told) < limit).mean() < 2.6 * limit


def test_so_many_shapes_hold_a_place(rng):
    """Counted one by one: the connected groups of 1 to 3 squares, corners too, that one square lies in."""
    shapes = {frozenset([(0, 0)])}
    for size, of_them in ((1, 1), (2, 8), (3, 60)):
        if size > 1:
            grown = set()
            for shape in shapes:
                for i, j in shape:
                    grown |= {
                        shape | {(i + a, j + b)}
                        for a in (-1, 0, 1)
                        for b in (-1, 0, 1)
                        if (i + a, j + b) not in shape
                    }
            shapes = grown
        assert len(shapes) == of_them
        # As rare as it may be by itself, so many squares side by side of an endless row count as so many.
        row = np.abs(np.subtract.outer(np.arange(size), np.arange(size))) == 1
        assert side_by_side(np.full(size, 0.01), row)[0] == pytest.approx(min(0.01, of_them * 0.01**size))
