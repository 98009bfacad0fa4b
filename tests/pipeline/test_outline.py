"""Areas: which stations they hold, and their least and most against closed forms."""

from __future__ import annotations

import math

import pytest

from taptone.pipeline.outline import outline
from taptone.types import Panel, Station

STATIONS = tuple(
    Station(f"{letter}{n}", 0.1 * n - 0.05, 0.1 * k + 0.05, k)
    for k, letter in enumerate("ABCDEFGHIJ")
    for n in range(1, 13)
)
BY_LABEL = {s.label: s for s in STATIONS}
WIDE = ((0.0, 0.0), (1.2, 0.0), (1.2, 1.0), (0.0, 1.0))
BLOCK = tuple(f"{letter}{n}" for letter in "DEF" for n in (4, 5, 6, 7))


def areas(*labels, spacing_m=0.1, around=WIDE):
    panel = Panel("deck", "centre", "outside", "foam", "stem", around, STATIONS, spacing_m=spacing_m)
    return outline([BY_LABEL[label] for label in labels], panel)


def grown(area, around, by):
    """Area of a convex shape grown by `by`: Steiner's formula."""
    return area + around * by + math.pi * by**2


def test_a_block_of_3_by_4_is_one_area_of_exactly_those():
    [area] = areas(*BLOCK)
    assert area.stations == BLOCK
    assert area.at_least_m2 == pytest.approx(0.3 * 0.2)
    # One spacing wider; its round corners have 8 chords a quarter: 0.6 % of a disc too little.
    assert area.at_most_m2 == pytest.approx(grown(0.06, 1.0, 0.1), rel=0.003)
    assert area.at_most_m2 < grown(0.06, 1.0, 0.1)
    corners = {(round(x, 9), round(y, 9)) for x, y in area.at_least}
    assert corners == {(0.35, 0.35), (0.65, 0.35), (0.65, 0.55), (0.35, 0.55)}
    xs, ys = zip(*area.at_most, strict=True)
    assert (min(xs), max(xs), min(ys), max(ys)) == pytest.approx((0.25, 0.75, 0.25, 0.65))


def test_order_of_the_stations_changes_nothing():
    [one], [two] = areas(*BLOCK), areas(*reversed(BLOCK))
    assert set(one.stations) == set(two.stations)
    assert (one.at_least_m2, one.at_most_m2) == pytest.approx((two.at_least_m2, two.at_most_m2))


def test_diagonal_neighbours_belong_together_and_a_gap_parts():
    assert [a.stations for a in areas("B2", "C3")] == [("B2", "C3")]
    assert [a.stations for a in areas("B2", "B4", "B5", "H11")] == [("B2",), ("B4", "B5"), ("H11",)]


def test_a_late_station_joins_what_was_apart():
    [area] = areas("B2", "B4", "B3")
    assert area.stations == ("B2", "B4", "B3")


def test_one_station_and_a_line_have_no_least_area():
    [point] = areas("E6")
    assert point.at_least_m2 == 0
    assert point.at_least == ((BY_LABEL["E6"].x_m, BY_LABEL["E6"].y_m),)
    assert point.at_most_m2 == pytest.approx(math.pi * 0.01, rel=0.007)
    [line] = areas("E6", "E7", "E8")
    assert line.at_least_m2 == 0
    assert line.at_most_m2 == pytest.approx(grown(0.0, 0.4, 0.1), rel=0.007)


def test_the_most_ends_where_the_panel_ends():
    [corner] = areas("A1")
    # A disc of 0.1 m about (0.05, 0.05), cut at both axes: a quarter, two half-chord parts and the square.
    strip = 0.05 * math.sqrt(0.1**2 - 0.05**2) / 2 + 0.1**2 * math.asin(0.5) / 2
    assert corner.at_most_m2 == pytest.approx(math.pi * 0.01 / 4 + 2 * strip + 0.05**2, rel=0.007)
    assert min(x for x, _ in corner.at_most) >= 0
    assert min(y for _, y in corner.at_most) >= 0


def test_without_a_grid_the_usual_distance_is_the_spacing():
    [area] = areas(*BLOCK, spacing_m=math.nan)
    assert area.at_most_m2 == pytest.approx(areas(*BLOCK)[0].at_most_m2)
    assert [a.stations for a in areas("B2", "B4", spacing_m=math.nan)] == [("B2",), ("B4",)]


def test_nothing_suspect_no_area():
    assert areas() == ()
