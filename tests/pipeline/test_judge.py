"""Scores to verdicts: the adjustment against its published example, and the words."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import false_discovery_control, norm

from taptone.pipeline.compare import Comparison, softened
from taptone.pipeline.judge import CHARACTERS, Heard, character, confidence, judge
from taptone.pipeline.lasting import find_lasting
from taptone.pipeline.ringing import EARLY_MS, LATE_MS, RARER, Rings
from taptone.settings import JudgeSettings

#: Y. Benjamini and Y. Hochberg, J. R. Stat. Soc. B 57 (1995) 289-300, section 3.2.
PUBLISHED = np.array(
    [
        *(0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344),
        *(0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0),
    ]
)


def compared(chance, neighbours=None):
    chance = np.asarray(chance, float)
    near = neighbours or tuple(() for _ in chance)
    return Comparison(-np.log(chance), chance, np.ones(len(chance), bool), tuple(near), n_good=24)


NOTHING = "nothing to compare it with: too little plain skin was tapped on this panel; tap some beside it"


def judged(heard, chance, neighbours=None, *, decay_ms=40.0, centroid_hz=900.0, settings=None):
    return judge(
        heard,
        compared(chance, neighbours),
        reference_decay_ms=decay_ms,
        reference_centroid_hz=centroid_hz,
        settings=settings or JudgeSettings(),
    )


# -- confidence over a panel -----------------------------------------------------------------------------


def test_published_example():
    sure = confidence(PUBLISHED, np.ones(15, bool))
    # The paper rejects four hypotheses at 0.05; nine at 0.10.
    assert (sure >= 0.95).tolist() == [True] * 4 + [False] * 11
    assert (sure >= 0.90).sum() == 9
    # Adjusted values of the first nine, to the digits that scipy's and statsmodels' manuals give.
    adjusted = [0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.063857, 0.063857, 0.0645, 0.0765]
    assert 1 - sure[:9] == pytest.approx(adjusted, abs=1e-6)


def test_what_is_rare_only_side_by_side_lets_in_no_other(rng):
    """Three stations that ring on together; a fourth elsewhere stays as sure as it is without them."""
    n, group, other = 60, [10, 11, 12], 40
    touching = np.abs(np.subtract.outer(np.arange(n), np.arange(n))) == 1
    rings = []
    for after_ms in (LATE_MS, EARLY_MS):
        own_db = rng.permutation(norm.ppf((np.arange(n) + 0.5) / n))
        own_db[own_db > 2] = 2.0
        own_db[group] = 5.0
        rings.append(Rings(own_db, own_db, np.zeros(0), after_ms))
    everyone = np.ones(n, bool)
    usual = lambda _, usual_db: np.full(n, usual_db)  # noqa: E731
    lasting = find_lasting(rings, everyone, everyone, usual, 1.0, touching=touching)
    chance = np.linspace(0.1, 1.0, n)
    chance[group] = RARER * lasting.chance[group]
    chance[other] = 0.002
    assert chance[group] == pytest.approx([1e-4] * 3)

    def verdicts(lasting):
        held = replace(compared(chance), lasting=lasting)
        told = judge([Heard()] * n, held, reference_decay_ms=40.0, reference_centroid_hz=900.0)
        return [told[k].verdict for k in (*group, other)]

    assert verdicts(lasting) == ["suspect"] * 3 + ["no difference"]
    assert verdicts(None) == ["suspect"] * 4  # as rare, each by itself


def test_as_scipy_does_in_any_order(rng):
    order = rng.permutation(15)
    sure = confidence(PUBLISHED[order], np.ones(15, bool))
    assert 1 - sure == pytest.approx(false_discovery_control(PUBLISHED[order]), abs=1e-15)


def test_who_is_not_judged_does_not_count():
    chance = np.concatenate([PUBLISHED, [1e-9, np.nan, 1e-9]])
    able = np.array([True] * 15 + [False, True, False])
    sure = confidence(chance, able)
    assert np.isnan(sure[15:]).all()
    assert sure[:15] == pytest.approx(confidence(PUBLISHED, np.ones(15, bool)))
    assert np.isnan(confidence(np.array([0.01]), np.array([False]))).all()


def test_four_suspects_of_the_published_example():
    verdicts = [v.verdict for v in judged([Heard(40.0, 900.0)] * 15, PUBLISHED)]
    assert verdicts == ["suspect"] * 4 + ["no difference"] * 11
    lenient = judged([Heard(40.0, 900.0)] * 15, PUBLISHED, settings=JudgeSettings(confidence=0.9))
    assert [v.verdict for v in lenient].count("suspect") == 9


# -- verdicts --------------------------------------------------------------------------------------------


def test_where_much_is_bad_no_more_than_one_good_station_is_expected_among_the_suspects():
    """Of 100 that is who is as rare as 1 in 100; by the adjustment alone 0.019 would do here."""
    chance = np.array([1e-5] * 40 + [0.009, 0.011, 0.019] + [0.5] * 57)
    assert (confidence(chance, np.ones(100, bool))[:43] >= 0.95).all()
    got = judged([Heard(40.0, 900.0)] * 100, chance)
    assert [v.verdict for v in got[39:44]] == ["suspect", "suspect", *["no difference"] * 3]
    assert got[41].reason.startswith(
        "rare, but of 100 good stations more than one would be as rare: about 1 of"
    )
    assert not got[50].reason.startswith("rare")
    got = judged([Heard(40.0, 900.0)] * 90 + [Heard(refused="frozen")] * 10, chance)
    assert [v.verdict for v in got[39:44]] == [*["suspect"] * 3, *["no difference"] * 2]


def test_cannot_tell_is_never_no_difference():
    heard = [
        Heard(40.0, 900.0, refused="frozen"),
        Heard(40.0, 900.0),
        Heard(structure="frame", refused="wet"),
    ]
    for chance in itertools.product([1e-9, 0.7], [math.nan], [1e-9, 0.7]):
        got = judged(heard, chance)
        assert [v.verdict for v in got] == ["not assessed"] * 3
        assert [v.reason for v in got] == ["frozen", NOTHING, "wet"]
        assert all(math.isnan(v.confidence) and not v.character for v in got)


def test_structure_is_said_to_differ_or_not_and_is_never_judged():
    heard = [Heard(40.0, 900.0, structure="frame"), Heard(40.0, 900.0, structure="tank"), Heard(40.0, 900.0)]
    got = judged(heard, [1e-9, 0.5, 0.5])
    assert [v.verdict for v in got] == ["at structure", "at structure", "no difference"]
    assert got[0].reason.startswith("on declared frame: differs from plain skin; the bond here is not judged")
    assert got[1].reason.startswith("on declared tank: does not differ from plain skin; the bond")
    assert math.isnan(got[0].confidence)


def test_structure_unlike_the_others_of_its_kind_may_be_suspect():
    heard = [Heard(40.0, 900.0, structure="frame")] * 3 + [Heard(40.0, 900.0)]
    of_kind = np.array([1e-6, 0.5, math.nan, math.nan])
    held = replace(compared([1e-6, 1e-6, 1e-6, 0.5]), chance_of_kind=of_kind)
    got = judge(heard, held, reference_decay_ms=40.0, reference_centroid_hz=900.0)
    assert [v.verdict for v in got] == ["suspect", "at structure", "at structure", "no difference"]
    assert got[0].reason.startswith("on declared frame, but unlike the others on it; decay 40 ms")
    assert "too few stations" not in got[1].reason
    assert "no reference over this structure: 8 other places on it are needed" in got[2].reason
    assert "3 compared" in got[0].reason


def test_reason_in_plain_numbers():
    heard = [Heard(80.0, 600.0), *[Heard(40.0 + k, 900.0 + 10 * k) for k in range(3)]]
    got = judged(heard, [2.6e-4, 0.5, 0.5, 0.5], ((1, 2, 3), (), (), ()), decay_ms=38.0, centroid_hz=1000.0)[
        0
    ]
    assert (got.neighbour_decay_ms, got.neighbour_centroid_hz) == (41.0, 910.0)
    assert got.reason == (
        "decay 80 ms, its 3 neighbours 41 ms, the reference 38 ms; "
        "centroid 600 Hz, 310 Hz below its neighbours, 400 Hz below the reference; "
        "about 1 good place in 4,000 would sound this different "
        "(tail fitted to 24 good places and stations, an estimate beyond what so many can show); "
        "4 compared"  # 1 / 2.6e-4 is 3846
    )
    assert got.character == "hollow"
    assert got.confidence == pytest.approx(1 - 4 * 2.6e-4)


def test_reason_tells_a_difference_as_it_was_heard_not_as_it_counts():
    heard = np.array([[0.0] * 6 + [-18.0, 3.0, 0.0]])  # 200 to 630 Hz, 800 Hz, 1 kHz, the ring
    held = replace(compared([1e-6]), heard=heard, difference=softened(heard), usual_in_parts=np.ones(4))
    [got] = judge([Heard(40.0, 900.0)], held, reference_decay_ms=40.0, reference_centroid_hz=900.0)
    assert got.reason.startswith("third-octave of 800 Hz 18.0 dB below what was expected here (good ones")


def test_bands_that_a_short_piece_does_not_tell_apart_are_told_as_one():
    heard = np.array([[0.0, -18.0, -6.0, 0.0, -6.0, 0.0, 3.0, 3.0, 0.0]])
    held = replace(compared([1e-6]), heard=heard, difference=softened(heard), usual_in_parts=np.ones(4))
    [got] = judge([Heard(40.0, 900.0)], held, reference_decay_ms=40.0, reference_centroid_hz=900.0)
    assert got.reason.startswith(
        "sound under 800 Hz 5.0 dB below what was expected here (good ones ± 1.0 dB)"
    )


@pytest.mark.parametrize(("ms", "said"), [(100.0, True), (17.0, True), (70.0, False), (math.nan, False)])
def test_a_decay_that_stands_out_is_said_though_it_is_no_difference(ms, said):
    heard = [Heard(ms, 900.0), *[Heard(42.0, 900.0)] * 3]
    got = judged(heard, [0.4] * 4, ((1, 2, 3), (), (), ()))[0]
    assert got.verdict == "no difference"
    assert ("its decay stands out, which the verdict does not rest on" in got.reason) == said


def test_reason_without_decay_neighbours_or_reference():
    [got] = judged([Heard(math.nan, 600.0)], [0.4], decay_ms=math.nan, centroid_hz=math.nan)
    assert got.reason == (
        "about 40 of 100 good places would sound at least this different; "
        "no single decay could be read; centroid 600 Hz"
    )
    assert got.verdict == "no difference"


@pytest.mark.parametrize("chance", [9e-7, 1e-300, 0.0])
def test_a_vanishing_chance_is_not_spelt_out(chance):
    with np.errstate(divide="ignore"):
        [got] = judged([Heard(40.0, 900.0)], [chance])
    assert "fewer than 1 good place in 10,000 would sound this different" in got.reason


@pytest.mark.parametrize(
    ("heard", "code"),
    [
        (Heard(80.0, 600.0), "hollow"),
        (Heard(25.0, 600.0), "dull"),
        (Heard(10.0, 1200.0), "dead"),
        (Heard(80.0, 600.0, bounced=0.5), "rattling"),
        (Heard(41.0, 890.0), ""),
        (Heard(80.0, 1200.0), ""),
        (Heard(math.nan, 600.0), ""),
    ],
)
def test_character_beside_neighbours_of_40_ms_and_900_hz(heard, code):
    assert character(heard, 40.0, 900.0) == code
    assert code in {*CHARACTERS, ""}


def test_only_suspects_have_a_character():
    got = judged(
        [Heard(80.0, 600.0), Heard(80.0, 600.0), Heard(80.0, 600.0, structure="frame")], [1e-6, 0.5, 1e-6]
    )
    assert [v.character for v in got] == ["hollow", "", ""]


def test_no_word_judges_a_boat():
    """The list of PRACTICE: never printed as a verdict (common practice, no source)."""
    never = r"\b(wet|dry|rotten|safe|seaworthy|passed|pass|failed|fail|certified|guaranteed|delaminated)\b"
    heard = [
        Heard(d, c, bounced=b, structure=s)
        for d, c, b, s in itertools.product(
            [80.0, 10.0, math.nan], [600.0, math.nan], [0.0, 1.0], ["", "frame"]
        )
    ]
    got = judged(heard, [1e-7 if k % 3 else 0.6 for k in range(len(heard))])
    assert {v.verdict for v in got} == {"suspect", "no difference", "at structure"}
    said = " ".join([v.reason + " " + CHARACTERS.get(v.character, "") for v in got])
    assert not re.search(never, said)


def test_who_is_refused_or_at_structure_does_not_dilute_the_others():
    heard = [Heard(40.0, 900.0), Heard(refused="frozen"), Heard(40.0, 900.0, structure="frame")]
    got = judged(heard, [0.03, 0.9, 0.9])
    assert got[0].confidence == pytest.approx(0.97)  # 0.91 if three were counted
    assert [v.verdict for v in got] == ["suspect", "not assessed", "at structure"]
