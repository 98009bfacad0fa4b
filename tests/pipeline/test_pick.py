"""The taps of a recording known by each other: what is alike or due is kept, what is neither says so."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from taptone.pipeline import hear, pick
from taptone.pipeline.pick import hammer_sound, listen
from taptone.types import HammerSound, Rejected, Tap

RATE = 48000


@pytest.fixture
def tap(made_ring):
    """One hammer on one laminate."""

    def make(level=0.5, decay_ms=40.0, hz=900.0):
        return made_ring(RATE, hz, decay_ms, level) + made_ring(RATE, 2.55 * hz, decay_ms / 2, level / 2)

    return make


@pytest.fixture
def clank(made_ring):
    """A thing of metal, high and long, each another."""

    def make(rng, level=0.3):
        return sum(made_ring(RATE, hz, 300.0, level / 4) for hz in rng.uniform(2500, 9000, 6))

    return make


def told(sound, hammer=None):
    """Times of the taps that are no bounces; of the bounces; what was not taken."""
    found = listen(sound, hammer=hammer)
    taps = [x for x in found if isinstance(x, Tap)]
    return (
        [x.time_s for x in taps if "bounce" not in x.flags],
        [x.time_s for x in taps if "bounce" in x.flags],
        [x for x in found if isinstance(x, Rejected)],
    )


def blows(made_ring, rng, at_s, decay_ms, level, decades):
    """Somebody else's, each as strong as chance wants it in each of eight modes."""
    modes_hz = 700.0 * np.arange(1.0, 9.0) ** 1.1
    return [
        (t, sum(made_ring(RATE, f, decay_ms, level * 10 ** rng.uniform(*decades)) for f in modes_hz))
        for t in at_s
    ]


def rows(rng, n=4, each=10, gap_s=1.0, pause_s=3.0):
    """Onsets of rows with pauses, 10 % uneven."""
    gaps = gap_s * (1 + 0.1 * rng.standard_normal(n * each).clip(-2, 2))
    gaps[::each] += pause_s
    return 0.5 + np.cumsum(gaps)


def test_somebody_elses_blows_off_the_rhythm_are_left_out_and_say_why(
    rng, tap, clank, made_recording, array_sound
):
    at_s = rows(rng)
    others = [at_s[k] + 0.4 for k in (3, 14, 22, 33)]
    hits = [(t, tap(0.5 * 10 ** rng.uniform(-0.5, 0))) for t in at_s] + [(t, clank(rng)) for t in others]
    taps, _, rejected = told(array_sound(made_recording(RATE, at_s[-1] + 1, hits, noise=1e-4), RATE))
    assert taps == pytest.approx(at_s, abs=1e-3)
    assert [x.time_s for x in rejected] == pytest.approx(others, abs=2e-3)
    assert {x.reason for x in rejected} == {"unlike the taps of this recording, and not when one was due"}


def test_loose_skin_is_heard_though_it_sounds_unlike(rng, tap, made_ring, made_recording, array_sound):
    """Dead, hollow and rattling stations, 10 to 20 dB louder and softer than the others, in one row."""
    at_s = rows(rng)
    hits = [(t, tap()) for t in at_s]
    dead = made_ring(RATE, 4000.0, 4.0, 0.1)
    hits[11:14] = [(t, dead) for t in at_s[11:14]]
    hits[14:17] = [(t, made_ring(RATE, 350.0, 150.0, 0.9)) for t in at_s[14:17]]
    hits[17:20] = [(t, made_ring(RATE, 500.0, 15.0, 0.3)) for t in at_s[17:20]]
    second = at_s[17:20] + np.array([0.03, 0.06, 0.09])
    hits += [(t, made_ring(RATE, 1500.0, 15.0, 0.3)) for t in second]
    taps, bounces, _ = told(array_sound(made_recording(RATE, at_s[-1] + 1, hits, noise=1e-4), RATE))
    assert taps == pytest.approx(at_s, abs=1e-3)
    assert bounces == pytest.approx(second, abs=2e-3)


@pytest.mark.parametrize("pause_s", [1.1, 2.4])
@pytest.mark.parametrize("loose", [(4,), (5,), (0, 9, 14)])
def test_a_loose_place_at_the_end_of_a_row_is_heard_in_a_quiet_place(
    rng, tap, made_recording, array_sound, loose, pause_s
):
    """An octave lower and half as long: nothing like the others, and a pause before or after it."""
    at_s = rows(rng, 4, 5, pause_s=pause_s)
    hits = [(t, tap(hz=450.0, decay_ms=20.0) if k in loose else tap()) for k, t in enumerate(at_s)]
    taps, _, rejected = told(array_sound(made_recording(RATE, at_s[-1] + 1, hits, noise=1e-4), RATE))
    assert taps == pytest.approx(at_s, abs=2e-3)
    assert not rejected


def test_what_one_gap_alone_speaks_for_is_unsure(rng, tap, clank, made_recording, array_sound):
    """A blow of somebody else's, one usual gap after a row: it may be a loose place, and says so."""
    at_s = rows(rng, 4, 5)
    blow_s = at_s[9] + 0.97
    hits = [(t, tap()) for t in at_s] + [(blow_s, clank(rng))]
    found = listen(array_sound(made_recording(RATE, at_s[-1] + 1, hits, noise=1e-4), RATE))
    unsure = [x.time_s for x in found if "unsure" in getattr(x, "flags", ())]
    left_out = [x.time_s for x in found if isinstance(x, Rejected)]
    assert unsure + left_out == pytest.approx([blow_s], abs=5e-3)


def test_a_baseline_of_another_hammer_does_not_take_the_own_taps_away(
    rng, tap, known, made_ring, made_recording, array_sound
):
    """Forty own taps, and eight blows of somebody else's that begin as its known-good ones do."""
    at_s = rows(rng)
    others_s = [at_s[k] + 0.45 for k in range(2, 34, 4)]
    hits = [(t, made_ring(RATE, 2700.0, 25.0, 0.4 * 10 ** rng.uniform(-0.3, 0))) for t in at_s]
    hits += [(t, tap(0.2)) for t in others_s]
    taps, _, _ = told(array_sound(made_recording(RATE, at_s[-1] + 1, hits, noise=1e-4), RATE), known)
    assert sum(np.abs(at_s - t).min() < 5e-3 for t in taps) == len(at_s)


def test_an_extra_strike_of_the_own_hammer_stays(rng, tap, made_recording, array_sound):
    """It is for the count of its row to say that there is one too many."""
    at_s = np.sort(np.append(rows(rng), rows(rng)[0] + 0.4))
    hits = [(t, tap()) for t in at_s]
    taps, _, _ = told(array_sound(made_recording(RATE, at_s[-1] + 1, hits, noise=1e-4), RATE))
    assert taps == pytest.approx(at_s, abs=1e-3)


@pytest.mark.parametrize("each_s", [0.25, 0.5])
def test_four_taps_a_second_20_db_apart(rng, tap, made_recording, array_sound, each_s):
    at_s = 0.5 + each_s * np.arange(40) + rng.uniform(0, 0.02, 40)
    hits = [(t, tap(level, 20.0)) for t, level in zip(at_s, [0.6, 0.06] * 20, strict=True)]
    taps, _, _ = told(array_sound(made_recording(RATE, at_s[-1] + 1, hits, noise=1e-4), RATE))
    assert taps == pytest.approx(at_s, abs=1e-3)


def test_a_tap_under_a_machine_is_found_by_what_it_has_in_common(rng, tap, made_recording, array_sound):
    """Hiss of a sander hides three taps from whoever looks for sudden sounds alone."""
    from taptone.pipeline.detect import detect

    at_s = rows(rng)
    faint = [5, 17, 28]
    hits = [(t, tap(0.05 if k in faint else 0.5)) for k, t in enumerate(at_s)]
    sound = made_recording(RATE, at_s[-1] + 1, hits).astype(float)
    hiss = sosfilt(butter(2, [800, 7000], "band", fs=RATE, output="sos"), rng.standard_normal(len(sound)))
    sound = array_sound((sound + 0.02 * hiss / hiss.std()).astype(np.float32), RATE)
    alone = [x.time_s for x in detect(sound) if isinstance(x, Tap)]
    assert len(alone) <= 38
    taps, _, _ = told(sound)
    assert taps == pytest.approx(at_s, abs=5e-3)  # in noise the first sample is less sharp


def test_the_nearest_hammer_is_the_own_one(rng, tap, made_ring, made_recording, array_sound):
    """Somebody else strikes as often, duller and 14 dB softer, in a rhythm of their own."""
    at_s = rows(rng)
    other_s = 0.2 + np.cumsum(rng.uniform(0.6, 1.4, 50))
    other_s = other_s[(np.abs(other_s[:, None] - at_s).min(axis=1) > 0.15) & (other_s < at_s[-1])]
    hits = [(t, tap(0.5 * 10 ** rng.uniform(-0.3, 0.0))) for t in at_s]
    hits += [(t, made_ring(RATE, 300.0, 120.0, 0.1 * 10 ** rng.uniform(-0.15, 0.15))) for t in other_s]
    taps, _, _ = told(array_sound(made_recording(RATE, at_s[-1] + 1, hits, noise=1e-4), RATE))
    right = sum(np.abs(at_s - t).min() < 2e-3 for t in taps)
    assert right == len(at_s)
    assert len(taps) <= len(at_s) + 2


def test_clanks_alone_are_doubtful_and_no_points(rng, clank, made_recording, array_sound):
    at_s = 0.5 + np.cumsum(rng.exponential(1.5, 40) + 0.3)
    hits = [(t, clank(rng, 10 ** rng.uniform(-1.0, 0.0))) for t in at_s]
    sound = array_sound(made_recording(RATE, at_s[-1] + 1, hits, noise=1e-4), RATE)
    measured, _, _, notes = hear(sound)
    assert len(measured) >= 35
    assert all("doubtful" in x.flags for x in measured)
    assert any("neither a sound nor a rhythm in common" in note for note in notes)


def test_blocks_of_any_size_give_the_same(rng, tap, made_recording, array_sound):
    at_s = rows(rng, 2, 6)
    hits = [(t, tap(10 ** rng.uniform(-1.3, 0))) for t in at_s]
    sound = made_recording(RATE, at_s[-1] + 1, hits, noise=2e-2)
    whole = [(x.sample, getattr(x, "flags", x)) for x in listen(array_sound(sound, RATE))]
    for size in (1000, 96_000, 96_001):
        cut = listen(array_sound(sound, RATE, range(size, len(sound), size)))
        assert [(x.sample, getattr(x, "flags", x)) for x in cut] == whole


def test_what_falls_into_the_rhythm_goes_with_its_like(rng):
    """Of 24 clanks four were chosen; of 30 taps one was left out; ten on loose skin are like nothing else."""
    middle_db = rng.uniform(-80.0, -40.0, (3, 10))
    kind = np.repeat([0, 1, 2], [30, 24, 10])
    chosen = np.ones(64, bool)
    chosen[[3, *range(34, 54)]] = False
    heard = SimpleNamespace(now_db=middle_db[kind] + rng.normal(0.0, 1.0, (64, 10)))
    company = pick._company(heard, chosen, ~chosen)
    assert (company[kind == 1] < -2.0).all()
    assert (company[kind != 1] == 0.0).all()
    nobody = np.zeros(64, bool)
    assert (pick._company(heard, chosen, nobody) == 0.0).all()


def swells(made_ring):
    """A sudden sound that is no tap: louder 60 ms after it began."""
    sound = made_ring(RATE, 700.0, 400.0, 0.2)
    sound[RATE // 20 :] *= 8.0
    return sound


def vowel(made_ring, hz):
    """A low sound that rises for 60 ms, without a click."""
    sound = made_ring(RATE, hz, 400.0, 0.03)
    return sound * np.interp(np.arange(len(sound)), [0, RATE // 16], [1.0, 8.0])


@pytest.mark.parametrize(("gaps_s", "doubtful"), [((14.0, 5.0, 9.0), True), ((1.0, 1.0, 1.0), False)])
def test_a_few_taps_among_talk_are_doubtful_unless_in_rhythm(
    tap, made_ring, made_recording, array_sound, gaps_s, doubtful
):
    at_s = 40.2 + np.cumsum(gaps_s)
    talk = [t for t in np.arange(0.5, 72.0, 0.6) if np.abs(t - at_s).min() > 0.75]
    hits = [(t, swells(made_ring)) for t in talk] + [(t, tap()) for t in at_s]
    found = listen(array_sound(made_recording(RATE, 73.0, hits, noise=1e-4), RATE))
    taps = [x for x in found if isinstance(x, Tap)]
    assert [x.time_s for x in taps] == pytest.approx(at_s, abs=1e-3)
    assert [("doubtful" in x.flags) for x in taps] == [doubtful] * 3


@pytest.mark.parametrize(
    ("gaps_s", "doubtful"), [((1.5, 7.4, 2.7, 5.0, 1.9, 6.1, 3.4, 2.2, 4.1), True), ((3.0,) * 9, False)]
)
def test_taps_alike_among_talk_are_doubtful_unless_in_rhythm(
    rng, tap, made_ring, made_recording, array_sound, gaps_s, doubtful
):
    """Bits of one voice are as like each other as taps of one hammer: only a rhythm tells a hand at work."""
    at_s = 60.2 + np.cumsum(gaps_s)
    talk = [t for t in 0.5 + np.cumsum(rng.uniform(0.5, 0.7, 240)) if np.abs(t - at_s).min() > 0.4]
    hits = [(t, vowel(made_ring, rng.uniform(150.0, 450.0))) for t in talk]
    hits += [(t, tap()) for t in at_s]
    found = listen(array_sound(made_recording(RATE, 151.0, hits, noise=1e-4), RATE))
    taps = [x for x in found if isinstance(x, Tap)]
    assert [x.time_s for x in taps] == pytest.approx(at_s, abs=1e-3)
    assert [("doubtful" in x.flags) for x in taps] == [doubtful] * 9


def test_a_strike_taken_for_none_beside_an_extra_tap_might_have_been_one(
    rng, tap, made_ring, made_recording, array_sound
):
    """The row's count still fits: the strike swells up like no tap, and the one before it was a slip."""
    at_s = rows(rng)
    hits = [(t, tap()) for t in at_s]
    swelling = made_ring(RATE, 700.0, 200.0, 0.5)
    swelling *= np.clip(np.arange(len(swelling)) / (0.04 * RATE), 0.02, 1)
    hits[15] = (at_s[15], swelling)
    hits.append((at_s[14] + 0.55, tap()))
    hits.append((at_s[33] + 0.5, swelling))  # between two strikes, where none is missed
    _, _, rejected = told(array_sound(made_recording(RATE, at_s[-1] + 1, hits, noise=1e-4), RATE))
    assert [x.time_s for x in rejected] == pytest.approx([at_s[15], at_s[33] + 0.5], abs=0.05)
    assert [(x.perhaps, x.reason[:11]) for x in rejected] == [(True, "slow attack"), (False, "slow attack")]


def test_two_strikes_a_station_among_a_softer_rope_that_strikes_as_often(
    tap, made_ring, made_recording, array_sound
):
    """Gaps of two lengths are a rhythm too, though hardly half of them are alike."""
    rng = np.random.default_rng(0)
    gaps_s = np.where(np.arange(40) % 2, 0.5, 1.0) * (1 + 0.1 * rng.standard_normal(40).clip(-2, 2))
    gaps_s[::10] += 2.0
    at_s = 0.5 + np.cumsum(gaps_s)
    rope_s = np.arange(0.3, at_s[-1], 0.73)
    rope_s += rng.uniform(-0.05, 0.05, len(rope_s))
    rope_s = rope_s[np.abs(rope_s[:, None] - at_s).min(axis=1) > 0.12]
    levels, hz = 0.5 * 10 ** -rng.uniform(0, 0.4, 40), 900.0 * 2 ** rng.uniform(-0.15, 0.15, 40)
    hits = [(t, tap(level, hz=f)) for t, level, f in zip(at_s, levels, hz, strict=True)]
    hits += blows(made_ring, rng, rope_s, 250.0, 0.00625, (-0.6, 0))
    taps, _, _ = told(array_sound(made_recording(RATE, at_s[-1] + 1, hits, noise=1e-4), RATE))
    right = sum(np.abs(at_s - t).min() < 2e-3 for t in taps)
    assert right >= 39
    assert len(taps) <= right + 2


@pytest.mark.parametrize("seed", [0, 8])
def test_of_two_readings_of_one_hand_the_steadier_holds_fewer_of_others_blows(
    seed, tap, made_ring, made_recording, array_sound
):
    """Taps of uneven strength among softer blows at any time: learnt from all, a third was others'."""
    rng = np.random.default_rng(seed)
    at_s = rows(rng, 5, 10)
    levels, hz = 0.5 * 10 ** -rng.uniform(0, 1.3, 50), 900.0 * 2 ** rng.uniform(-0.3, 0.3, 50)
    hits = [(t, tap(level, hz=f)) for t, level, f in zip(at_s, levels, hz, strict=True)]
    others_s = rng.uniform(0.5, at_s[-1], rng.integers(15, 60))
    others_s = others_s[np.abs(others_s[:, None] - at_s).min(axis=1) > 0.1]
    hits += blows(made_ring, rng, others_s, 120.0, 0.02, (-0.8, 0.3))
    taps, _, _ = told(array_sound(made_recording(RATE, at_s[-1] + 1, hits, noise=1e-4), RATE))
    right = sum(np.abs(at_s - t).min() < 2e-3 for t in taps)
    assert right >= 48
    assert len(taps) <= right + 2


@pytest.mark.parametrize("each", [2, 3, 4])
def test_a_station_left_out_whole_makes_no_steadier_hand(each):
    """By one length of gap it would: of two gaps within for every one between, a larger share is left."""
    rng = np.random.default_rng(each)
    gaps_s = np.tile([0.9] + [0.45] * (each - 1), 40) * rng.normal(1, 0.04, 40 * each)
    heard = SimpleNamespace(time_s=np.cumsum(gaps_s))
    whole = SimpleNamespace(members=np.ones(40 * each, bool))
    for station in range(1, 39):
        fewer = SimpleNamespace(members=np.repeat(np.arange(40) != station, each))
        assert pick._evenly(heard, fewer) <= pick._evenly(heard, whole) + pick._STEADIER


@pytest.mark.parametrize("in_rhythm", [True, False])
def test_a_louder_hand_in_rhythm_is_nearer_than_others_thrice_as_often(rng, in_rhythm):
    """Loose and good skin sound unlike each other, so that few of the own taps are plainly of one family."""
    own_s = rows(rng) if in_rhythm else 0.5 + np.cumsum(rng.exponential(1.5, 40) + 0.05)
    time_s = np.concatenate([own_s, np.arange(0.27, own_s[-1], 0.45)[:120]])
    order = np.argsort(time_s)
    own = (np.arange(len(time_s)) < 40)[order]
    everything = np.ones(len(time_s), bool)
    heard = SimpleNamespace(
        time_s=time_s[order], first=everything, by_itself=everything, level_db=np.where(own, -30.0, -39.0)
    )
    louder = pick._Chosen(own, own & (np.cumsum(own) % 4 == 0), SimpleNamespace(level_db=-30.0))
    usual = pick._Chosen(~own, ~own, SimpleNamespace(level_db=-39.0))
    assert louder.sure.sum() < 0.3 * usual.sure.sum()
    assert pick._is_nearer(heard, louder, usual) == in_rhythm


@pytest.fixture
def rope(rng, tap, made_ring, made_recording, array_sound):
    """Forty taps among a rope that strikes a mast as loudly, thrice as often and more evenly."""
    at_s = rows(rng)
    rope_s = np.arange(0.27, at_s[-1], 0.37)
    rope_s = rope_s[np.abs(rope_s[:, None] - at_s).min(axis=1) > 0.13]
    hits = [(t, tap(0.5 * 10 ** rng.uniform(-0.5, 0))) for t in at_s]
    hits += blows(made_ring, rng, rope_s, 200.0, 0.06, (-0.15, 0.15))
    return at_s, rope_s, array_sound(made_recording(RATE, at_s[-1] + 1, hits, noise=1e-4), RATE)


@pytest.fixture
def known(rng, tap, made_recording, array_sound):
    """How the own hammer sounds on twenty known-good places, 12 dB softer than beside the rope."""
    hits = [(0.5 + k, tap(0.08, hz=900.0 * 2 ** rng.uniform(-0.15, 0.15))) for k in range(20)]
    return hammer_sound(listen(array_sound(made_recording(RATE, 21.0, hits, noise=1e-5), RATE)))


def test_the_own_hammer_is_known_by_known_good_taps(rope, known):
    at_s, rope_s, sound = rope
    near = lambda taps, own_s: sum(np.abs(own_s - t).min() < 5e-3 for t in taps)  # noqa: E731
    guessed = told(sound)[0]
    assert near(guessed, rope_s) > len(at_s)  # by each other alone it is the rope that looks like a hand
    taps = told(sound, known)[0]
    assert near(taps, at_s) == len(at_s)
    assert len(taps) <= len(at_s) + 2


def test_known_good_taps_of_something_else_change_nothing(rope, known):
    """Nothing here begins as they do: then the taps are known by each other, as without them."""
    _, _, sound = rope
    other = HammerSound(known.edges_hz, known.shape_db[::-1].copy(), known.stray_db)
    elsewhere = HammerSound(tuple(2 * hz for hz in known.edges_hz), known.shape_db, known.stray_db)
    assert told(sound, other)[0] == told(sound, elsewhere)[0] == told(sound)[0] != told(sound, known)[0]


def test_too_few_strikes_tell_no_hammer(tap, made_recording, array_sound):
    hits = [(0.5 + k, tap()) for k in range(8)]
    taps = listen(array_sound(made_recording(RATE, 9.0, hits, noise=1e-5), RATE))
    assert hammer_sound(taps[:7]) is None
    got = hammer_sound(taps)
    loudest_hz = got.edges_hz[int(np.nanargmax(got.shape_db))]
    assert loudest_hz == 700.0  # 900 Hz lies in the band from 700 to 1000 Hz
