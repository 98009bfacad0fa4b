"""Chances of touching a patch, against tables made another way, and against counting.

ASTM D6982 is the standard for such grids. The circle's closed forms are plane geometry (the disc, less the
parts that overlap its neighbours'). The tables of ellipses were counted (Monte Carlo, 400 000 placings each,
standard deviation 0.0008) after Singer and Wickman (1969), who tabled the chance to find an elliptical
target; their own pages were not read. Times: common practice, no source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from taptone.errors import PanelError, SettingError
from taptone.survey.panel import parse_panel
from taptone.survey.plan import SWEPT, chance_touched, laid, minutes_for, patch_for, per_m2, spacing_for

WITHIN = 0.003  # four standard deviations of what was counted

RATIOS = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
COUNTED = {
    ("square", 0.8): (0.2256, 0.4020, 0.6279, 0.8543, 0.9777, 1, 1, 1),
    ("square", 0.6): (0.1684, 0.3010, 0.4715, 0.6592, 0.8329, 0.9596, 0.9979, 1),
    ("square", 0.5): (0.1412, 0.2516, 0.3941, 0.5538, 0.7119, 0.8524, 0.9479, 0.9930),
    ("square", 0.4): (0.1128, 0.2016, 0.3131, 0.4453, 0.5815, 0.7151, 0.8271, 0.9120),
    ("square", 0.3): (0.0853, 0.1518, 0.2342, 0.3348, 0.4433, 0.5539, 0.6612, 0.7605),
    ("square", 0.2): (0.0562, 0.1002, 0.1569, 0.2254, 0.3002, 0.3807, 0.4659, 0.5501),
    ("staggered", 0.8): (0.2606, 0.4653, 0.7255, 0.9566, 1, 1, 1, 1),
    ("staggered", 0.5): (0.1638, 0.2886, 0.4533, 0.6302, 0.7906, 0.9170, 0.9908, 1),
}


def lens(r: float) -> float:
    """Overlap of two circles of radius r, their centres 1 apart."""
    return 2 * r**2 * math.acos(1 / (2 * r)) - 0.5 * math.sqrt(4 * r**2 - 1) if r > 0.5 else 0.0


@pytest.mark.parametrize("r", [0.1, 0.25, 0.4, 0.5, 0.51, 0.55, 0.6, 0.65, 0.7, 0.7072, 0.9])
def test_circle_on_a_square_grid_by_its_closed_form(r):
    expected = math.pi * r**2 - 2 * lens(r) if r <= math.sqrt(0.5) else 1.0
    assert chance_touched(2 * r * 0.15, 0.15) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("r", [0.1, 0.3, 0.45, 0.5, 0.52, 0.55, 0.57, 0.5774, 0.7])
def test_circle_on_a_staggered_grid_by_its_closed_form(r):
    expected = (math.pi * r**2 - 3 * lens(r)) / math.sqrt(0.75) if r <= math.sqrt(1 / 3) else 1.0
    assert chance_touched(2 * r * 0.1, 0.1, grid="staggered") == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(("grid", "shape"), COUNTED)
def test_ellipse_as_counted(grid, shape):
    chances = [chance_touched(2 * r, 1.0, grid=grid, shape=shape) for r in RATIOS]
    assert chances == pytest.approx(COUNTED[grid, shape], abs=WITHIN)


@pytest.mark.parametrize(("turned", "counted"), [(0, 0.634), (45, 0.770)])
def test_direction_of_an_ellipse_matters(turned, counted):
    assert chance_touched(1.4, 1.0, shape=0.5, turned_deg=turned) == pytest.approx(counted, abs=WITHIN)


@pytest.mark.parametrize(
    ("grid", "ratios"),
    [
        ("square", (0.3989, 0.4370, 0.4720, 0.4886, 0.5053, 0.5575, 0.5991, 0.6578)),
        ("staggered", (0.3713, 0.4067, 0.4393, 0.4547, 0.4696, 0.4981, 0.5176, 0.5493)),
    ],
)
def test_radius_over_spacing_for_a_risk_of_missing(grid, ratios):
    risks = (0.5, 0.4, 0.3, 0.25, 0.2, 0.1, 0.05, 0.01)
    found = [0.05 / spacing_for(0.1, 1 - risk, grid=grid) for risk in risks]
    assert found == pytest.approx(ratios, abs=1e-4)


@pytest.mark.parametrize(("shape", "ratios"), [(0.8, (0.573, 0.627, 0.667)), (0.5, (0.758, 0.842, 0.905))])
def test_the_same_for_ellipses(shape, ratios):
    found = [0.05 / spacing_for(0.1, 1 - risk, shape=shape) for risk in (0.2, 0.1, 0.05)]
    assert found == pytest.approx(ratios, abs=0.005)  # read off what was counted


def test_surely_touched_is_the_circle_through_the_nearest_stations():
    assert patch_for(0.15, 1.0) == pytest.approx(0.15 * math.sqrt(2))
    assert patch_for(0.15, 1.0, grid="staggered") == pytest.approx(0.3 / math.sqrt(3))


def test_equal_worst_distance_needs_23_percent_fewer_stations_staggered():
    # Parkhurst, Environmental Science and Technology 18 (1984) 521.
    square, staggered = (per_m2(spacing_for(0.1, 1.0, grid=g), g) for g in ("square", "staggered"))
    assert staggered / square == pytest.approx(0.7698, abs=1e-3)


@pytest.mark.parametrize(
    ("spacing_m", "square", "staggered"),
    [(0.05, 400, 462), (0.075, 177.8, 205.3), (0.1, 100, 115.5), (0.15, 44.4, 51.3)],
)
def test_stations_on_a_square_metre(spacing_m, square, staggered):
    found = per_m2(spacing_m), per_m2(spacing_m, "staggered")
    assert found == pytest.approx((square, staggered), rel=2e-3)


@settings(deadline=None, max_examples=15)
@given(
    st.sampled_from(["square", "staggered"]),
    st.floats(0.06, 1.0),
    st.floats(0.0, 180.0),
    st.floats(0.2, 1.5),
)
def test_one_direction_against_plain_counting(grid, shape, turned, radius):
    rng = np.random.default_rng(1)
    x, y = rng.uniform(size=(2, 20_000))
    steps = np.array([[1, 0], [0.5, math.sqrt(0.75)]] if grid == "staggered" else [[1, 0], [0, 1]])
    node = np.array([(i, j) for i in range(-4, 5) for j in range(-4, 5)]) @ steps
    away = (np.column_stack([x, y]) @ steps)[:, None] - node
    turn = math.radians(turned)
    along = away @ [math.cos(turn), math.sin(turn)]
    aside = away @ [-math.sin(turn), math.cos(turn)]
    touched = (np.hypot(along, aside / shape) <= radius).any(axis=1).mean()
    found = chance_touched(2 * radius, 1.0, grid=grid, shape=shape, turned_deg=turned)
    assert found == pytest.approx(touched, abs=0.02)  # over five standard deviations of the count


@settings(deadline=None)
@given(st.sampled_from(["square", "staggered"]), st.floats(0.05, 1.0), st.floats(0.01, 0.999))
def test_spacing_and_patch_lead_back_to_the_chance(grid, shape, chance):
    spacing_m = spacing_for(0.1, chance, grid=grid, shape=shape)
    assert chance_touched(0.1, spacing_m, grid=grid, shape=shape) == pytest.approx(chance, abs=1e-6)
    assert patch_for(spacing_m, chance, grid=grid, shape=shape) == pytest.approx(0.1, rel=1e-6)


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"patch_m": 0.0}, "patch is 0 m"),
        ({"patch_m": math.nan}, "patch is nan m"),
        ({"spacing_m": 100_000.0}, "spacing is 100000 m"),
        ({"shape": 0.0}, "shape is 0: write short axis over long axis"),
        ({"shape": 2.0}, "shape is 2"),
        ({"grid": "hexagonal"}, "grid 'hexagonal' is not known: write square or staggered"),
    ],
)
def test_what_is_no_size_is_refused(values, said):
    with pytest.raises(SettingError, match=said):
        chance_touched(**({"patch_m": 0.1, "spacing_m": 0.1} | values))


@pytest.mark.parametrize("chance", [0.0, -1.0, 1.01, math.nan])
def test_what_is_no_chance_is_refused(chance):
    with pytest.raises(SettingError, match="chance is"):
        spacing_for(0.1, chance)


# -- a panel -------------------------------------------------------------------------------------------

DECK = """
name = "deck"
side = "centre"
face = "outside"
construction = "solid"
datum = "stem head"
outline = [[0, 0], [1.2, 0], [1.2, 0.9], [0, 0.9]]
[[cutout]]
outline = [[0.4, 0.3], [0.8, 0.3], [0.8, 0.6], [0.4, 0.6]]
[grid]
spacing = 0.15
path = "rows"
"""


def test_a_panels_stations_are_those_its_file_would_give():
    panel = parse_panel(DECK, source="deck.toml")
    assert laid(0.15, panel=panel).stations == len(panel.stations)
    assert laid(0.15, panel=panel).rows == 6
    finer = parse_panel(DECK.replace("0.15", "0.06"), source="deck.toml")
    assert laid(0.06, panel=panel).stations == len(finer.stations)


def test_edges_counted_in_against_plain_counting(rng):
    panel = parse_panel(DECK, source="deck.toml")
    x, y = rng.uniform((0, 0), (1.2, 0.9), (40_000, 2)).T
    hole = shapely.Polygon(panel.cutouts[0].outline)
    inside = ~shapely.intersects_xy(hole, x, y)
    away = np.min([np.hypot(x - s.x_m, y - s.y_m) for s in panel.stations], axis=0)
    counted = (away <= 0.05)[inside].mean()
    assert laid(0.15, panel=panel).within_reach(0.1) == pytest.approx(counted, abs=0.012)  # 5 deviations


def test_a_panel_too_fine_is_refused():
    with pytest.raises(PanelError, match="deck every 5 mm gives more than 2000 stations"):
        laid(0.005, panel=parse_panel(DECK, source="deck.toml"))


@pytest.mark.parametrize(
    ("stations", "rows", "strikes", "low", "high"),
    # A rudder's side of 0.5 m² at 75 mm, laid out, 10 to 20 min; the bottom of a 10 m boat, logged, 1.5 to
    # 3 h. From memory, not measured.
    [(90, 13, 1, 10, 20), (1250, 40, 1, 90, 180)],
)
def test_minutes_are_those_of_practice(stations, rows, strikes, low, high):
    assert low <= minutes_for(stations, rows, strikes).total <= high


def test_tapping_alone_is_as_in_practice():
    # 100 stations of 3 strikes, logged: 8 to 10 min; a counted row of 20: about 30 s. From memory.
    slow = minutes_for(100, 10, 3)
    assert slow.slow - slow.laying_out == pytest.approx(9, abs=1)
    assert minutes_for(20, 1).tapping == pytest.approx(0.5)


# -- swept rows: 2 to 4 strikes a second between two known places, as often as it comes --------------------


def test_a_swept_row_has_two_known_places_and_as_many_strikes_as_its_stations_would():
    panel = parse_panel('sweep = ["B", "F"]\n' + DECK, source="deck.toml")
    grid = laid(0.15, panel=panel)
    assert grid.swept == {"B": 8, "F": 8}
    assert (
        grid.stations == len(panel.stations) == laid(0.15, panel=parse_panel(DECK, source="d")).stations - 12
    )
    assert laid(0.3, panel=panel).swept == {"B": 3}  # 2 columns left and right of the hole, and a sweep has 3
    assert laid(0.3, panel=panel).unswept == ("F",)


def test_minutes_of_a_sweep_are_its_strikes_at_2_to_4_a_second():
    time = minutes_for(2, 1, 3, swept=(120,))
    assert [60 * (m - time.laying_out) for m in (time.brisk, time.slow)] == pytest.approx([40, 70])
    assert 60 * time.tapping == pytest.approx(50)
    assert time.laying_out == minutes_for(2, 1).laying_out  # only its ends are chalked
    both = minutes_for(22, 2, 3, swept=(120,))
    assert 60 * (both.tapping - time.tapping) == pytest.approx(20 * 3 / 1.0 + 10)


@pytest.mark.parametrize("grid", ["square", "staggered"])
@pytest.mark.parametrize("patch", [0.6, 1.1, 1.25])
def test_rows_swept_at_any_pace_touch_at_least_what_is_told(grid, patch, rng):
    """Plain counting: rows begin anywhere, and no step in them is wider than the spacing."""
    apart = 1.0 if grid == "square" else math.sqrt(0.75)
    rows = [np.cumsum(rng.uniform(0.7, 1.0, 700)) - rng.uniform(0, 5) for _ in range(40)]
    x, y = rng.uniform((5, 2 * apart), (450, 37 * apart), (40_000, 2)).T
    nearest = np.full(len(x), np.inf)
    for n, row in enumerate(rows):
        at = np.clip(np.searchsorted(row, x), 1, len(row) - 1)
        along = np.minimum(np.abs(row[at] - x), np.abs(row[at - 1] - x))
        nearest = np.minimum(nearest, np.hypot(along, n * apart - y))
    counted = (nearest <= patch / 2).mean()
    assert chance_touched(patch, 1.0, grid=SWEPT[grid]) <= counted + 0.005


def test_side_by_side_is_the_worst_that_rows_can_stand():
    assert patch_for(0.15, 1.0, grid=SWEPT["staggered"]) == pytest.approx(
        0.15 * math.hypot(1, math.sqrt(0.75))
    )
    assert patch_for(0.15, 1.0, grid=SWEPT["square"]) == patch_for(0.15, 1.0)
