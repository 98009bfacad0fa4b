"""Known-good places from recordings, and when that is refused. Least numbers: common practice, no source."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.errors import BaselineError, ReferenceTooSmallError
from taptone.settings import Settings, flat, with_values
from taptone.survey.panel import parse_panel

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented import RATE, Invented, good, laid, panel_text, tap

OF = {"boat": "Kettle", "construction": "skins over foam", "hammer": "60 g steel"}


def test_pauses_that_show_other_places_are_said(rng):
    hits = [tap(rng) for _ in range(24)]
    sound = Invented(laid(hits, [2] * 12))
    _, notes = learn_reference([sound], boat="K", construction="c", hammer="h", taps_per_place=3)
    assert "the pauses show places of 2 strikes, not 3: check --taps-per-place" in notes
    _, notes = learn_reference([sound], boat="K", construction="c", hammer="h", taps_per_place=2)
    assert not any("pauses" in note for note in notes)


def test_twenty_places_of_two_strikes(rng):
    sound = Invented(laid([tap(rng) for _ in range(40)]), "good.wav")
    reference, notes = learn_reference([sound], **OF, recorder="phone", surface_temp_c=14.0, taps_per_place=2)
    assert notes == []
    assert (reference.n_places, reference.taps) == (20, (2,) * 20)
    assert reference.labels == tuple(str(n) for n in range(1, 21))
    assert (reference.boat, reference.construction, reference.hammer) == tuple(OF.values())
    assert (reference.recorder, reference.surface_temp_c, reference.rate_hz) == ("phone", 14.0, RATE)
    assert [r["sha256"] for r in reference.recordings] == [sound.recording.sha256]
    heard_by = {name: v for name, v in flat(Settings()).items() if not name.startswith("extent.")}
    assert reference.settings == heard_by  # how far an area reaches is no part of how it sounds
    assert reference.bands_db.shape[0] == 20
    assert not reference.bands_db.flags.writeable
    # The strongest of the modes that the taps were made of: 700 Hz.
    assert np.median([m["mode_hz"] for m in reference.measures]) == pytest.approx(700, rel=0.02)


@pytest.mark.parametrize(("places", "few"), [(8, True), (19, True), (20, False)])
def test_few_places_are_said(rng, places, few):
    _, notes = learn_reference([good(rng, places)], **OF)
    assert any(note.startswith(f"{places} places: under 20") for note in notes) is few


@pytest.mark.parametrize(("strikes", "each"), [(7, 1), (14, 2)])
def test_under_8_places_is_refused(rng, strikes, each):
    with pytest.raises(ReferenceTooSmallError) as caught:
        learn_reference([good(rng, strikes)], **OF, taps_per_place=each)
    assert str(caught.value) == "7 places were heard: strike at least 8 good places, better 20"


def test_strikes_that_make_no_whole_places(rng):
    with pytest.raises(BaselineError, match="17 strikes do not make whole places of 2: "):
        learn_reference([good(rng, 17)], **OF, taps_per_place=2)


def test_a_bounce_is_no_strike(rng):
    hits = [tap(rng) for _ in range(9)]
    second = round(0.060 * RATE)
    hits[4][second:] += 0.4 * hits[4][: len(hits[4]) - second]
    assert learn_reference([Invented(laid(hits))], **OF)[0].n_places == 9


def test_places_too_near_the_noise_are_left_out(rng):
    hits = [tap(rng) * (0.08 if k in (2, 5) else 1.0) for k in range(10)]
    quiet = with_values({"judge.snr_db": "15"})
    reference, _ = learn_reference([Invented(laid(hits, noise=5.6e-3))], **OF, settings=quiet)
    assert reference.labels == ("1", "2", "4", "5", "7", "8", "9", "10")


def test_places_clipped_beyond_use_are_left_out(rng):
    hits = [tap(rng) * (20.0 if k in (2, 5) else 1.0) for k in range(10)]
    reference, notes = learn_reference([Invented(np.clip(laid(hits), -1.0, 1.0))], **OF)
    assert reference.labels == ("1", "2", "4", "5", "7", "8", "9", "10")
    assert "left out, clipped beyond use: places 3, 6" in notes


def test_places_by_a_panel_file(rng):
    panel = parse_panel(panel_text(3, 6, grid=", taps_per_station = 2"), source="good.toml")
    counts = [12, 11, 12]  # row B one short: left out, nothing shifted
    sound = Invented(laid([tap(rng) for _ in range(sum(counts))], counts))
    reference, notes = learn_reference([sound], **OF, panel=panel)
    assert reference.labels == tuple(f"{letter}{n}" for letter in "AC" for n in range(1, 7))
    assert notes.count("row B: 11 strikes heard, 12 planned") == 1


def pairs(rng, lost=(), foreign_s=(), places=20, name="good.wav"):
    """Two strikes a place, 0.4 s apart, and 0.8 s to the next; some were missed, and others fell between."""
    onsets_s = [0.5 + 1.2 * (k // 2) + 0.4 * (k % 2) for k in range(2 * places) if k not in lost]
    sound = np.random.default_rng(0).normal(0, 1e-4, round((onsets_s[-1] + 1.2) * RATE))
    for at_s in (*onsets_s, *foreign_s):
        hit, start = tap(rng), round(at_s * RATE)
        sound[start : start + len(hit)] += hit
    return Invented(sound, name)


def test_a_missed_strike_costs_one_place_and_not_the_baseline(rng):
    reference, notes = learn_reference([pairs(rng, lost=[9])], **OF, taps_per_place=2)
    assert (reference.n_places, set(reference.taps)) == (19, {2})
    # The fifth place was struck once: up to it places are known by their order, then by their time.
    assert reference.labels[:5] == ("1", "2", "3", "4", "good.wav 6.5 s")
    assert notes[0] == (
        "good.wav: 39 strikes do not make whole places of 2: told by the gaps between them, 19 places "
        "are used; left out: 1 strike, at 5.3 s"
    )
    assert notes[1].startswith(
        "where nobody knows which place is which, a recheck is held against all places"
    )


def test_a_log_says_that_its_baseline_was_told_by_gaps(rng):
    said = {}
    for lost in ([], [9]):
        reference, _ = learn_reference([pairs(rng, lost=lost)], **OF, taps_per_place=2)
        said[bool(lost)] = " ".join(analyse_sounds([good(rng)], reference=reference).notes)
    assert "did not fit their count: 15 of its 19 places are told by gaps" in said[True]
    assert "fit their count" not in said[False]


def test_one_missed_and_one_added_are_not_paired_with_others(rng):
    whole, _ = learn_reference([pairs(np.random.default_rng(1))], **OF, taps_per_place=2)
    sound = pairs(np.random.default_rng(1), lost=[9], foreign_s=[20.5])
    reference, _ = learn_reference([sound], **OF, taps_per_place=2)
    assert whole.n_places == 20
    # 40 strikes: by their count alone the pairs between the two would be of two places each.
    assert reference.n_places == 17


def test_a_count_that_the_gaps_bear_out_stays_whole(rng):
    """A slow second strike tells nothing by its gap, and the count tells that it belongs to the first."""
    onsets_s = [0.5 + 1.2 * (k // 2) + (0.4 if k != 15 else 0.62) * (k % 2) for k in range(40)]
    sound = np.random.default_rng(0).normal(0, 1e-4, round(25 * RATE))
    for at_s in onsets_s:
        hit, start = tap(rng), round(at_s * RATE)
        sound[start : start + len(hit)] += hit
    reference, notes = learn_reference([Invented(sound, "good.wav")], **OF, taps_per_place=2)
    assert reference.labels == tuple(str(n) for n in range(1, 21))
    assert not any("gaps" in note for note in notes)


def test_a_panel_whose_rows_do_not_fit_is_told_by_gaps(rng):
    panel = parse_panel(panel_text(4, 5, grid=", taps_per_station = 2"), source="good.toml")
    reference, notes = learn_reference([pairs(rng, lost=[9])], **OF, panel=panel)
    assert reference.n_places == 19
    assert any(note.startswith("19 places are told by the gaps between their strikes") for note in notes)


def test_on_a_panel_with_structure_nobody_knows_which_place_a_gap_tells(rng):
    frame = '[[structure]]\nkind = "frame"\nline = [[0.25, 0.0], [0.25, 0.4]]\nwidth = 0.05'
    panel = parse_panel(panel_text(4, 5, frame, grid=", taps_per_station = 2"), source="good.toml")
    with pytest.raises(
        ReferenceTooSmallError, match="0 places were heard of 20 planned; 39 strikes for 40: "
    ):
        learn_reference([pairs(rng, lost=[9])], **OF, panel=panel)


def test_several_recordings_follow_each_other(rng):
    one, two = good(rng, 6, name="one.wav"), good(rng, 6, name="two.wav")
    reference, _ = learn_reference([one, two], **OF)
    assert reference.n_places == 12
    assert [r["name"] for r in reference.recordings] == ["one.wav", "two.wav"]


def test_same_sound_same_baseline():
    one, two = (learn_reference([good(np.random.default_rng(5), 9)], **OF)[0] for _ in range(2))
    assert np.array_equal(one.bands_db, two.bands_db, equal_nan=True)


def test_known_good_places_tell_the_own_hammer_among_somebody_elses(rng):
    """A rope strikes a mast 6 dB louder, thrice as often and more evenly than the panel is tapped."""
    reference, _ = learn_reference([pairs(rng)], **OF, taps_per_place=2)
    own = np.random.default_rng(1)
    at_s = 0.5 + np.cumsum(own.normal(1.0, 0.1, 30) + 2.0 * (np.arange(30) % 10 == 9))
    rope_s = np.arange(0.2, at_s[-1], 0.37)
    rope_s = rope_s[np.abs(rope_s[:, None] - at_s).min(axis=1) > 0.13]
    sound = own.normal(0, 1e-4, round((at_s[-1] + 1) * RATE))
    for hits_s, level, lower, duller_db in ((at_s, 0.25, 1.0, 0.0), (rope_s, 0.5, 3.0, -4.0)):
        for hit_s in hits_s:
            hit, start = level * tap(own, lower=lower, duller_db=duller_db), round(hit_s * RATE)
            sound[start : start + len(hit)] += hit
    yard = Invented(sound, "yard.wav")

    def own_taps(known):
        times = np.array([t.time_s for t in analyse_sounds([yard], reference=known).taps if not t.flags])
        return sum(np.abs(times - at).min() < 5e-3 for at in at_s), len(times)

    found, heard = own_taps(reference)
    assert found == len(at_s)
    assert heard <= found + 2
    _, heard = own_taps(dataclasses.replace(reference, strikes=None))
    assert heard > 2 * len(at_s)  # without them the rope looks like a hand
