"""Areas: which stations they hold, and their least, likely and most extent against geometry by hand."""

from __future__ import annotations

import math
from types import MappingProxyType

import numpy as np
import pytest
import shapely

from taptone.pipeline.outline import along, outline, rim_m
from taptone.settings import ExtentSettings
from taptone.survey.lattice import lay
from taptone.survey.qualify import least_radius_m
from taptone.types import Laminate, Panel, Station

STATIONS = tuple(
    Station(f"{letter}{n}", 0.1 * n - 0.05, 0.1 * k + 0.05, k)
    for k, letter in enumerate("ABCDEFGHIJ")
    for n in range(1, 13)
)
BY_LABEL = {s.label: s for s in STATIONS}
WIDE = ((0.0, 0.0), (1.2, 0.0), (1.2, 1.0), (0.0, 1.0))
BLOCK = tuple(f"{letter}{n}" for letter in "DEF" for n in (4, 5, 6, 7))
AIM, RIM = 0.010, 0.025  # as the settings have them
BEYOND = AIM + RIM
ROUND = 32 * math.sin(math.pi / 32)  # a circle of radius 1 as it is drawn, with sixteen corners a quarter


def areas(
    *labels, spacing_m=0.1, around=WIDE, datum="stem", stations=STATIONS, other=MappingProxyType({}), **more
):
    """Areas of a panel on which these stations are suspect, `other` is as told and the rest is good."""
    panel = Panel("deck", "centre", "outside", "foam", datum, around, stations, spacing_m=spacing_m)
    found = [other.get(s.label, "suspect" if s.label in labels else "no difference") for s in stations]
    return outline(stations, found, panel, **more)


def test_a_block_of_3_by_4_is_one_area_of_exactly_those():
    [area] = areas(*BLOCK)
    assert area.stations == BLOCK
    assert area.at_least_m2 == pytest.approx((0.3 - 2 * AIM) * (0.2 - 2 * AIM))
    corners = {(round(x, 9), round(y, 9)) for x, y in area.at_least}
    assert corners == {(0.36, 0.36), (0.64, 0.36), (0.64, 0.54), (0.36, 0.54)}
    assert area.best_guess_m2 == pytest.approx(12 * 0.1**2)  # twelve cells
    xs, ys = zip(*area.at_most, strict=True)
    reached = (0.25 - BEYOND, 0.75 + BEYOND, 0.25 - BEYOND, 0.65 + BEYOND)  # the good stations, and the rim
    assert (min(xs), max(xs), min(ys), max(ys)) == pytest.approx(reached)
    # Widened all round: four strips along the sides, and a quarter of a circle round each good corner.
    assert area.at_most_m2 == pytest.approx(0.5 * 0.4 + 1.8 * BEYOND + ROUND * BEYOND**2)
    assert area.rim_m == RIM
    assert (area.open, area.at_edge, area.left_out) == ((), (), ())
    ring = {"C3", "C8", "G3", "G8"} | {f"{r}{n}" for r in "CG" for n in (4, 5, 6, 7)}
    assert set(area.bounded_by) == ring | {f"{r}{n}" for r in "DEF" for n in (3, 8)}


def test_order_of_the_stations_changes_nothing():
    [one] = areas(*BLOCK)
    [two] = areas(*BLOCK, stations=STATIONS[::-1])
    assert set(one.stations) == set(two.stations)
    for name in ("at_least_m2", "best_guess_m2", "at_most_m2", "x_m", "y_m"):
        assert getattr(one, name) == pytest.approx(getattr(two, name))


def test_diagonal_neighbours_belong_together_and_a_gap_parts():
    assert [a.stations for a in areas("B2", "C3")] == [("B2", "C3")]
    assert [a.stations for a in areas("B2", "B4", "B5", "H11")] == [("B2",), ("B4", "B5"), ("H11",)]


def test_a_late_station_joins_what_was_apart():
    [area] = areas("B4", "B2", "B3")
    assert area.stations == ("B2", "B3", "B4")


def test_a_good_station_tapped_between_two_suspects_parts_them():
    between = Station("E6a", 0.60, 0.45)
    found = areas("E6", "E7", stations=(*STATIONS, between))
    assert [a.stations for a in found] == [("E6",), ("E7",)]


def test_one_station_is_one_point_of_no_area():
    [point] = areas("E6")
    assert point.at_least_m2 == 0
    assert point.at_least == ((BY_LABEL["E6"].x_m, BY_LABEL["E6"].y_m),)
    assert point.best_guess_m2 == pytest.approx(0.01)
    xs, ys = zip(*point.at_most, strict=True)
    assert max(xs) - min(xs) == pytest.approx(0.2 + 2 * BEYOND)
    assert max(ys) - min(ys) == pytest.approx(0.2 + 2 * BEYOND)


def test_stations_in_a_line_have_a_length_and_no_area():
    [line] = areas("E6", "E7", "E8")
    assert line.at_least_m2 == 0
    assert [x for x, _ in line.at_least] == pytest.approx([0.55 + AIM, 0.75 - AIM])
    assert line.best_guess_m2 == pytest.approx(0.03)


def test_what_was_not_tapped_or_judged_inside_is_left_out_and_not_filled():
    ring = [label for label in (f"{r}{n}" for r in "DEF" for n in (4, 5, 6)) if label != "E5"]
    for verdict in ("not assessed", "at structure", "no difference"):
        [area] = areas(*ring, other={"E5": verdict})
        assert area.left_out == ("E5",)
        assert area.at_least_m2 == pytest.approx((0.2 - 2 * AIM) ** 2 - 0.1**2)
        assert area.best_guess_m2 == pytest.approx(8 * 0.1**2)
        assert len(area.best_guess) == 2  # a ring and the hole in it
    listed = [s for s in STATIONS if s.label != "E5"]
    panel = Panel("deck", "centre", "outside", "foam", "stem", WIDE, STATIONS, spacing_m=0.1)
    found = ["suspect" if s.label in ring else "no difference" for s in listed]
    [area] = outline(listed, found, panel)  # E5 is not in the log at all
    assert area.left_out == ("E5",)


def test_an_angle_of_stations_does_not_claim_the_good_one_in_its_corner():
    [area] = areas("D4", "D5", "D6", "E4", "F4")
    assert area.left_out == ("E5",)  # on the slanting side of the hull
    drawn_in = shapely.Polygon([(0.35, 0.35), (0.55, 0.35), (0.35, 0.55)]).buffer(-AIM, join_style="mitre")
    cell = shapely.box(0.40, 0.40, 0.50, 0.50)
    assert area.at_least_m2 == pytest.approx(drawn_in.difference(cell).area)


def test_only_a_good_station_bounds_and_further_out_the_next_one_does():
    row = {f"{r}8": "not assessed" for r in "CDEFG"}
    [area] = areas(*BLOCK, other=row)
    assert max(x for x, _ in area.at_most) == pytest.approx(0.85 + BEYOND)  # column 9, two spacings away
    assert area.open == ()
    assert area.best_guess_m2 == pytest.approx(12 * 0.1**2)  # untapped stays blank
    assert not any(label.endswith("8") for label in area.bounded_by)


def test_where_nothing_bounds_it_the_area_is_open_there_and_says_so():
    blank = {f"{r}{n}": "not assessed" for r in "ABCDEFGHIJ" for n in (8, 9, 10, 11, 12)}
    [area] = areas(*BLOCK, other=blank, datum="stem head, x aft, y up")
    assert area.open == ("no good station beyond on the after side",)
    assert max(x for x, _ in area.at_most) == pytest.approx(0.65 + 2.5 * 0.1 + BEYOND, abs=0.001)
    [plain] = areas(*BLOCK, other=blank)
    assert plain.open == ("no good station beyond on the side of larger x",)


def test_alone_among_untapped_stations_it_is_open_on_all_sides():
    blank = {s.label: "at structure" for s in STATIONS if s.label != "E6"}
    [area] = areas("E6", other=blank, datum="keel, x forward, y up")
    sides = ("forward side", "after side", "upper side", "lower side")
    assert area.open == tuple(f"no good station beyond on the {side}" for side in sides)
    assert area.bounded_by == ()
    assert area.at_most_m2 == pytest.approx(math.pi * (0.25 + BEYOND) ** 2, rel=0.001)


def test_the_most_ends_where_the_panel_ends():
    [corner] = areas("A1")
    assert corner.at_edge == ("side of smaller x", "side of smaller y")
    assert corner.open == ()
    assert corner.at_most_m2 == pytest.approx(0.15**2 + 0.3 * BEYOND + ROUND * BEYOND**2 / 4)
    assert corner.best_guess_m2 == pytest.approx(0.01)


def test_a_single_row_is_bounded_by_its_neighbours_and_the_panels_edges():
    row = STATIONS[:12]
    [area] = areas("A5", stations=row, around=((0.0, 0.0), (1.2, 0.0), (1.2, 0.1), (0.0, 0.1)))
    assert area.at_most_m2 == pytest.approx((0.2 + 2 * BEYOND) * 0.1)
    assert area.best_guess_m2 == pytest.approx(0.01)
    assert area.open == ()


def test_without_a_grid_the_usual_distance_is_the_spacing():
    [area] = areas(*BLOCK, spacing_m=math.nan)
    assert area.at_most_m2 == pytest.approx(areas(*BLOCK)[0].at_most_m2)
    assert [a.stations for a in areas("B2", "B4", spacing_m=math.nan)] == [("B2",), ("B4",)]


def test_nothing_suspect_no_area():
    assert areas() == ()


def test_what_good_stations_alone_stand_round_is_kept_out():
    """A good 0.1 m away on all sides, and half way to it: a square on its point is all that is in doubt."""
    half = [
        Station(f"h{k}", 0.55 + dx, 0.45 + dy)
        for k, (dx, dy) in enumerate([(0.05, 0.0), (-0.05, 0.0), (0.0, 0.05), (0.0, -0.05)])
    ]
    [wide], [area] = areas("E6"), areas("E6", stations=(*STATIONS, *half))
    assert wide.doubt_m2 == pytest.approx(0.2**2)  # up to the stations on all sides
    assert area.doubt_m2 == pytest.approx(0.1**2 / 2)
    xs, _ = zip(*area.at_most, strict=True)
    assert max(xs) == pytest.approx(0.60 + BEYOND)
    # The sides between the stations lie further out by as much.
    corner = shapely.Point(0.55, 0.45).distance(shapely.Polygon(area.at_most).exterior)
    assert corner == pytest.approx(0.05 / math.sqrt(2) + BEYOND, abs=1e-6)


def test_stations_between_make_the_area_smaller():
    closer = tuple(
        Station(f"E6{n}", 0.55 + 0.05 * dx, 0.45 + 0.05 * dy) for n, (dx, dy) in enumerate([(1, 0), (-1, 0)])
    )
    [area] = areas("E6", stations=(*STATIONS, *closer))
    xs, _ = zip(*area.at_most, strict=True)
    # The tip of a rhombus twice as high as wide: its arc is drawn in nine pieces, the middle one upright.
    tip = BEYOND * math.cos((math.pi - 2 * math.atan(2)) / 18)
    assert (min(xs), max(xs)) == pytest.approx((0.50 - tip, 0.60 + tip))
    assert area.best_guess_m2 == pytest.approx(0.05 * 0.1, rel=0.15)  # cells of E6 only, corners cut


@pytest.mark.parametrize("settings", [ExtentSettings(), ExtentSettings(aim_m=0.0, rim_m=0.0)])
def test_least_lies_in_most_and_guess_lies_in_most(rng, settings):
    for _ in range(40):
        verdicts = rng.choice(["suspect", "no difference", "not assessed"], len(STATIONS), p=[0.2, 0.7, 0.1])
        panel = Panel("deck", "centre", "outside", "foam", "stem", WIDE, STATIONS, spacing_m=0.1)
        found = outline(STATIONS, list(verdicts), panel, settings=settings)
        labels = [label for area in found for label in area.stations]
        assert sorted(labels) == sorted(
            s.label for s, v in zip(STATIONS, verdicts, strict=True) if v == "suspect"
        )
        for area in found:
            assert 0 <= area.at_least_m2 <= area.at_most_m2
            assert area.best_guess_m2 <= area.at_most_m2 + 1e-12
            most = shapely.Polygon(area.at_most).buffer(1e-6)
            assert most.is_valid
            assert all(most.covers(shapely.Polygon(ring)) for ring in area.best_guess)
            assert most.area == pytest.approx(area.at_most_m2, abs=1e-4)


def test_a_lone_suspect_of_a_staggered_grid_reaches_its_six_neighbours_and_the_rim():
    """A hexagon of side 0.1 m, strips along its six sides, and six arcs of 60°, about eleven pieces each."""
    stations = lay(WIDE, 0.1, "rows", pattern="staggered")
    [area] = areas("E6", stations=stations)
    hexagon, arcs = 1.5 * math.sqrt(3) * 0.1**2, 33 * math.sin(math.pi / 33) * BEYOND**2
    assert area.at_most_m2 == pytest.approx(hexagon + 0.6 * BEYOND + arcs, rel=1e-5)


def test_the_most_of_a_staggered_grid_has_no_barbs():
    """Of a width of twice rim and aim everywhere: drawn in and widened again, it is what it was.

    Sixty patches of two to five spacings, of which one suspect in ten is missed and some stations are blank.
    """
    rng = np.random.default_rng(91_004)
    stations = lay(WIDE, 0.1, "rows", pattern="staggered")
    for _ in range(60):
        middle, half = rng.uniform((0.35, 0.35), (0.85, 0.65)), rng.uniform((0.1, 0.1), (0.25, 0.25))
        within = [bool(np.hypot(*(((s.x_m, s.y_m) - middle) / half)) < 1) for s in stations]
        chance = rng.random(len(stations))
        found = [
            "not assessed" if c < 0.03 else "suspect" if loose and c < 0.9 else "no difference"
            for loose, c in zip(within, chance, strict=True)
        ]
        panel = Panel("deck", "centre", "outside", "foam", "stem", WIDE, stations, spacing_m=0.1)
        for area in outline(stations, found, panel):
            most = shapely.Polygon(area.at_most)
            again = most.buffer(-0.98 * BEYOND).buffer(0.98 * BEYOND)
            off = most.difference(again).difference(shapely.box(*most.bounds).boundary.buffer(0.001))
            assert max((p.area for p in shapely.get_parts(off)), default=0.0) < 1e-4


# -- the rim that cannot be heard ----------------------------------------------------------------------


def test_rim_is_where_a_clamped_disc_is_half_as_stiff_as_the_bonded_skin():
    """Clamped disc, load at radius r: k a²/D = 16π/(1 - r²/a²)² (CHECK_VALUES 1: 57.19 at r/a = 0.25)."""
    laminate = Laminate(3.0, "foam", 20.0, skin_modulus_gpa=12.0, core_density_kg_m3=80.0)
    bending_nm = 12e9 * 0.003**3 / (12 * (1 - 0.3**2))
    bonded_n_m = 8 * math.sqrt(90e6 / 0.020 * bending_nm)  # foam at 80 kg/m3: 90 MPa
    least = least_radius_m(laminate)
    assert 16 * math.pi * bending_nm / least**2 == pytest.approx(bonded_n_m)
    a = 0.08
    r = a - rim_m(least, a)
    assert 16 * math.pi * bending_nm / (a**2 * (1 - (r / a) ** 2) ** 2) == pytest.approx(bonded_n_m)


def test_a_stated_laminate_gives_the_rim_of_its_own():
    [area] = areas(*BLOCK, least_radius_m=0.024)
    half_width = 0.15  # the largest circle in three cells by four
    assert area.rim_m == pytest.approx(rim_m(0.024, half_width), rel=1e-3)
    xs, _ = zip(*area.at_most, strict=True)
    assert min(xs) == pytest.approx(0.25 - AIM - area.rim_m)


def test_nothing_under_25_mm_across_is_promised_and_no_core_gives_no_rim():
    assert least_radius_m(Laminate(1.0, "balsa", 10.0)) == 0.0125
    assert math.isnan(least_radius_m(Laminate(7.0, "none")))


# -- how to find it again ------------------------------------------------------------------------------


def test_place_is_said_by_the_datum():
    [area] = areas("E6", "E7", datum="Stem head, x aft, y down")
    assert (area.x_m, area.y_m) == pytest.approx((0.60, 0.45))
    assert area.place == (
        "0.60 m along x (aft), 0.45 m along y (down) from the stem head, along the skin; best guess from "
        "0.50 to 0.70 m along x, from 0.40 to 0.50 m along y; the middle is nearest to E6"
    )


@pytest.mark.parametrize(
    ("datum", "said"),
    [
        ("the rail (marked)", "0.10 m along x, 0.20 m along y from the rail, along the skin"),
        ("", "0.10 m along x, 0.20 m along y from the datum, along the skin"),
        ("B-post; y is up", "0.10 m along x, 0.20 m along y (up) from the B-post, along the skin"),
    ],
)
def test_a_datum_in_other_words(datum, said):
    assert along(Panel("deck", "centre", "outside", "foam", datum, (), ()), 0.1, 0.2) == said
