"""Readings: warned about, held against their own meter's level only, and their rise against Sen's example."""

from __future__ import annotations

import math
import statistics
from itertools import combinations

import pytest

from taptone.survey.moisture import (
    FEWEST,
    Taken,
    height_m,
    in_words,
    rise_in_words,
    rises,
    taken,
    with_heights,
)
from taptone.survey.panel import parse_panel
from taptone.survey.records import Meter, Reading

RELATIVE = "relative 0 to 999"
# A check value from the trade: a relative scale with 200 as its warning level (common practice, no source).
METER = Meter(label="K", scale=RELATIVE, mode="deep", warning_level=200)

BLADE = parse_panel(
    """
    name = "blade"
    side = "port"
    face = "outside"
    construction = "skins over foam with armature"
    datum = "stock centre"
    outline = [[0, 0], [0.4, 0], [0.4, 0.8], [0, 0.8]]
    down = "-y"
    [grid]
    spacing = 0.1
    path = "rows"
    [[structure]]
    kind = "frame"
    line = [[0.35, 0], [0.35, 0.8]]
    width = 0.04
    [[structure]]
    kind = "steel armature"
    line = [[0.05, 0], [0.05, 0.8]]
    width = 0.04
    """,
    source="blade.toml",
)


def read(values_at, meter="K", **more):
    return [
        (taken(Reading(value=value, meter=meter, place=f"{n}", **more), [METER]), -drop_m)
        for n, (drop_m, value) in enumerate(values_at)
    ]


@pytest.mark.parametrize(("value", "warns"), [(199, False), (200, True), (212, True)])
def test_the_level_is_the_meters(value, warns):
    assert taken(Reading(value=value, meter="K"), [METER]).warns is warns


def test_without_a_level_nothing_is_held_against_one():
    assert Meter(label="K").warning_level is None
    for meters in ([], [Meter(label="K", scale=RELATIVE)]):
        one = taken(Reading(value=998, meter="K", scale=RELATIVE), meters)
        assert (one.warns, one.warning_level) == (None, None)


def test_a_reading_without_a_scale_is_warned_about():
    for reading, meters in (
        (Reading(value=212), []),
        (Reading(value=212, meter="K"), [Meter(label="K")]),
        (Reading(value=212, meter="K"), []),
    ):
        assert any("no scale" in note for note in taken(reading, meters).notes)
        assert "no scale stated" in in_words(taken(reading, meters))
    for reading, meters in (
        (Reading(value=212, scale=RELATIVE), []),
        (Reading(value=212, meter="K"), [METER]),
    ):
        assert taken(reading, meters).notes == ()


def test_a_level_on_another_scale_is_not_used():
    one = taken(Reading(value=30, scale="percent of wood", meter="K"), [METER])
    assert one.warns is None
    assert "the level is not used" in one.notes[0]


def test_a_meter_of_several_modes_wants_the_mode():
    shallow = Meter(label="K", scale=RELATIVE, mode="shallow", warning_level=170)
    assert taken(Reading(value=180, meter="k", mode="Shallow"), [METER, shallow]).warns is True
    assert taken(Reading(value=180, meter="k", mode="deep"), [METER, shallow]).warns is False
    unsaid = taken(Reading(value=180, meter="K"), [METER, shallow])
    assert unsaid.warns is None
    assert any("several modes" in note for note in unsaid.notes)
    other = taken(Reading(value=180, meter="K", mode="pin"), [METER])
    assert "not described in mode pin" in " ".join(other.notes)


@pytest.mark.parametrize(
    ("reading", "metal"),
    [
        (Reading(value=700, meter="K", over="ballast"), "ballast"),
        (Reading(value=700, meter="K", over="none"), ""),
        (Reading(value=700, meter="K", panel="blade", station="A1"), "steel armature (declared structure)"),
        (
            Reading(value=700, meter="K", panel="blade", x_m=0.06, y_m=0.5),
            "steel armature (declared structure)",
        ),
        (Reading(value=700, meter="K", panel="blade", station="A4"), ""),  # a frame is no metal
        (Reading(value=700, meter="K", panel="blade", station="A2"), ""),
        (Reading(value=700, meter="K", panel="blade", place="somewhere"), ""),
    ],
)
def test_over_metal_is_unreliable(reading, metal):
    one = taken(reading, [METER], BLADE)
    assert one.metal == metal
    assert any("unreliable" in note for note in one.notes) is bool(metal)
    assert ("unreliable: over" in in_words(one)) is bool(metal)


@pytest.mark.parametrize(("kind", "metal"), [("keel", True), ("keelson", False), ("lead ballast", True)])
def test_metal_is_known_by_whole_words(kind, metal):
    from dataclasses import replace

    panel = replace(BLADE, structures=(replace(BLADE.structures[1], kind=kind),))
    assert bool(taken(Reading(value=7, scale=RELATIVE, station="A1"), [], panel).metal) is metal


def test_rise_is_that_of_sens_example():
    """Sen 1968, J. Amer. Statist. Assoc. 63, 1379: slope 4, at 93 % from 26/7 to 35/8."""
    drop_m, value = (1, 2, 3, 4, 10, 12, 18), (9, 15, 19, 20, 45, 55, 78)
    [rise] = rises(read(zip(drop_m, value, strict=True)), level=0.93)
    assert (rise.found, rise.n, rise.left_out) == ("rise", 7, 0)
    assert rise.per_m == pytest.approx(4, abs=1e-9)
    assert (rise.at_least_per_m, rise.at_most_per_m) == pytest.approx((26 / 7, 35 / 8), abs=1e-9)
    [fall] = rises([(one, -height) for one, height in read(zip(drop_m, value, strict=True))], level=0.93)
    assert (fall.found, fall.per_m) == ("fall", pytest.approx(-4))


def test_rise_is_the_median_of_all_pairs(rng):
    points = [(float(x), float(y)) for x, y in zip(rng.random(9), rng.normal(100, 30, 9), strict=True)]
    [rise] = rises(read(points))
    by_hand = statistics.median((b[1] - a[1]) / (b[0] - a[0]) for a, b in combinations(points, 2))
    assert rise.per_m == pytest.approx(by_hand)


def test_one_odd_reading_does_no_harm():
    row = [(0.1 * n, 100 + 10 * n) for n in range(12)]
    row[3] = (0.3, 999)
    [rise] = rises(read(row))
    assert rise.per_m == pytest.approx(100)


def test_no_rise_is_found_by_chance_much_oftener_than_stated(rng):
    """Readings that know nothing of height; a 95 % interval leaves 0 out in 5 % of cases."""
    found = [
        rises(read([(0.1 * n, float(v)) for n, v in enumerate(rng.normal(100, 30, 8))]))[0].found
        for _ in range(400)
    ]
    assert sum(f != "neither" for f in found) / 400 < 0.08  # 5 % and nearly three standard errors


def test_too_few_places_say_nothing():
    for row in ([(0.1 * n, 100.0 * n) for n in range(FEWEST - 1)], [(0.1 * (n % 2), n) for n in range(9)]):
        [rise] = rises(read(row))
        assert rise.found == "too few"
        assert math.isnan(rise.per_m)
        assert "too few to say" in rise_in_words(rise)
    # Four values have 24 orders, so the two steepest come up by chance in 8 %: no 95 % interval exists.
    assert 2 / math.factorial(4) > 0.05 > 2 / math.factorial(5)


def test_scales_are_never_compared_with_each_other():
    mine = read([(0.1 * n, 100 + n) for n in range(6)])
    other = read([(0.1 * n, 30 - n) for n in range(5)], meter="M", scale="0 to 100")
    mode = read([(0.1 * n, 400 - n) for n in range(5)], mode="shallow", scale=RELATIVE)
    none = [(Taken(Reading(value=9), "", "", None, None, "", ()), 0.0)] * 5
    found = rises([*mine, *other, *mode, *none])
    assert [(r.meter, r.scale, r.mode, r.n) for r in found] == [
        ("K", RELATIVE, "deep", 6),
        ("M", "0 to 100", "", 5),
        ("K", RELATIVE, "shallow", 5),
    ]


def test_over_metal_and_without_a_place_are_left_out_and_told():
    row = read([(0.1 * n, 100 + 10 * n) for n in range(6)])
    odd = read([(0.0, 999)], over="armature") + read([(math.nan, 5)])
    [rise] = rises([*row, *odd])
    assert (rise.n, rise.left_out, rise.found) == (6, 2, "rise")
    assert "2 left out" in rise_in_words(rise)


def test_repeats_at_a_station_count_once():
    row = [(taken(Reading(value=v, meter="K", station="A1"), [METER]), 0.0) for v in (1, 2, 3, 4, 5, 6)]
    assert rises(row)[0].n == 1


def test_words_of_a_rise_conclude_nothing():
    [rise] = rises(read([(0.1 * n, 100 + 10 * n) for n in range(6)]))
    said = rise_in_words(rise)
    assert "n = 6 places" in said
    assert "95 % interval" in said
    assert said.endswith("a rise of readings, not a finding of water")


def test_which_way_is_down_comes_from_a_person():
    assert BLADE.down == "-y"
    assert [height_m(down, 0.2, 0.7) for down in ("x", "-x", "y", "-y")] == [-0.2, 0.2, -0.7, 0.7]
    here = [taken(Reading(value=9, panel="blade", station=s), []) for s in ("A2", "H2")]
    elsewhere = taken(Reading(value=9, panel="keel", station="A2"), [])
    assert [h for _, h in with_heights([*here, elsewhere], BLADE, "-y")] == pytest.approx([0.05, 0.75])
