"""Where to tap next: places and labels worked out by hand, and that it ends."""

from __future__ import annotations

import math

import pytest

from taptone.pipeline.further import further
from taptone.types import Panel, Station

GRID = tuple(
    Station(f"{letter}{n}", 0.1 * n - 0.05, 0.1 * k + 0.05, k)
    for k, letter in enumerate("ABCDEFG")
    for n in range(1, 8)
)
SQUARE = ((0.0, 0.0), (0.7, 0.0), (0.7, 0.7), (0.0, 0.7))
PANEL = Panel("deck", "port", "outside", "foam", "stem", SQUARE, GRID, spacing_m=0.1)


def closing(suspects, other=(), stations=GRID, panel=PANEL, **more):
    """The only area, where these are suspect and `other` is as told."""
    told = dict.fromkeys(suspects, "suspect") | dict(other)
    [one] = further(stations, [told.get(s.label, "no difference") for s in stations], panel, **more)
    return one


def test_two_opposite_taps_halve_what_a_lone_station_leaves_open():
    """Good stations 0.1 m away on all sides leave 0.2 by 0.2 m; half way on two sides, half of it."""
    one = closing(["D4"])
    assert one.area.doubt_m2 == pytest.approx(0.04)
    assert not one.closed
    assert one.known_to_m == pytest.approx(math.sqrt(2) * 0.1)  # the corners
    assert [(t.label, t.kind) for t in one.taps] == [("C4b", "between"), ("D4b", "between")]
    assert [t.x_m for t in one.taps] == pytest.approx([0.35, 0.35])
    assert [t.y_m for t in one.taps] == pytest.approx([0.30, 0.40])
    assert one.taps[0].why == "half way between D4 (suspect) and C4 (no difference)"


def test_between_stations_the_label_is_next_column_next_row_or_both():
    for label, tapped in {"D3": "C3b", "C4": "C3a", "D4": "C3c", "B2": "B2c", "B4": "B3c"}.items():
        others = [s.label for s in GRID if s.label not in ("C3", label)]
        one = closing(["C3"], dict.fromkeys(others, "at structure"))
        assert [t.label for t in one.taps] == [tapped]


def test_half_way_to_a_station_tapped_between_is_a_quarter():
    """Good half way on all sides leaves the square on its point between them, to be halved again."""
    half = {"C4b": (0.35, 0.30), "D4b": (0.35, 0.40), "D3a": (0.30, 0.35), "D4a": (0.40, 0.35)}
    one = closing(["D4"], stations=(*GRID, *(Station(label, *at) for label, at in half.items())))
    assert one.area.doubt_m2 == pytest.approx(0.1**2 / 2)
    assert [t.label for t in one.taps] == ["D4-C4b", "D4-D4b", "D4-D3a", "D4-D4a"]
    assert [t.y_m for t in one.taps] == pytest.approx([0.325, 0.375, 0.35, 0.35])


def test_structure_is_not_tapped_for_it():
    one = closing(["D4"], barred=lambda _x, y: y > 0.36)
    assert one.taps
    assert all(t.y_m <= 0.36 for t in one.taps)


def test_an_untapped_station_on_the_way_is_tapped_rather_than_a_new_one():
    planned = tuple(s for s in GRID if s.label not in ("D5", "E5", "C5"))
    one = closing(["D4"], stations=planned, edge_m=0.15)
    assert [(t.label, t.kind) for t in one.taps] == [("D5", "between")]
    assert one.taps[0].why.endswith("not tapped yet")


def test_a_station_that_was_not_assessed_is_struck_again():
    one = closing(["D4"], {"D5": "not assessed", "E5": "not assessed", "C5": "not assessed"}, edge_m=0.15)
    assert [(t.label, t.kind) for t in one.taps] == [("D5", "again")]


def test_an_open_side_comes_first():
    blank = {s.label: "not assessed" for s in GRID if s.x_m > 0.4}
    one = closing(["D4"], blank)
    assert one.area.open == ("no good station beyond on the side of larger x",)
    assert one.taps[0].label == "D5"
    assert one.taps[0].kind == "again"
    bare = closing(
        ["D4"],
        stations=[s for s in GRID if s.x_m < 0.4],
        panel=Panel(
            "deck",
            "port",
            "outside",
            "foam",
            "stem",
            SQUARE,
            tuple(s for s in GRID if s.x_m < 0.4),
            spacing_m=0.1,
        ),
    )
    assert (bare.taps[0].label, bare.taps[0].kind) == ("D4+x", "beyond")
    assert (bare.taps[0].x_m, bare.taps[0].y_m) == pytest.approx((0.45, 0.35))


def test_towards_the_panels_edge_the_place_is_half_way_to_it():
    """A1 stands 0.05 m inside two edges: nothing can be tapped beyond them, but between."""
    one = closing(["A1"], edge_m=0.15)
    assert sorted((t.label, round(t.x_m, 6), round(t.y_m, 6)) for t in one.taps) == []
    one = closing(["A1"], {s.label: "at structure" for s in GRID if s.label != "A1"}, edge_m=0.04)
    assert [t.label for t in one.taps] == ["A1-edge", "A1-edge.2"]
    assert sorted((round(t.x_m, 6), round(t.y_m, 6)) for t in one.taps) == [(0.025, 0.05), (0.05, 0.025)]
    assert all(t.why == "half way between A1 (suspect) and the panel's edge" for t in one.taps)


def test_where_only_structure_surrounds_it_nothing_is_asked():
    one = closing(["D4"], {s.label: "at structure" for s in GRID if s.label != "D4"})
    assert one.closed
    assert one.taps == ()
    assert math.isnan(one.known_to_m)


@pytest.mark.parametrize("edge_m", [0.0, 0.03])
def test_it_ends_when_the_edge_is_known(edge_m):
    """A disc of 0.13 m, heard without error: each round halves what is open, so that it must end."""

    def heard(stations):
        return [
            "suspect" if math.hypot(s.x_m - 0.33, s.y_m - 0.36) < 0.13 else "no difference" for s in stations
        ]

    stations, doubts = list(GRID), []
    for _ in range(40):
        [one] = further(stations, heard(stations), PANEL, edge_m=edge_m)
        doubts.append(one.area.doubt_m2)
        if one.closed:
            break
        stations += [Station(t.label, t.x_m, t.y_m) for t in one.taps]
        assert len({s.label for s in stations}) == len(stations)
    assert one.closed
    assert one.known_to_m <= max(edge_m, 0.02) + 1e-9
    assert doubts[-1] < 0.3 * doubts[0]
    assert one.area.at_least_m2 < math.pi * 0.13**2 < one.area.at_most_m2


def test_then_comes_the_mirrored_place_and_the_opposite_face():
    panel = Panel(
        *("deck", "port", "outside", "foam", "stem", SQUARE, GRID),
        spacing_m=0.1,
        mirror_of="deck, starboard",
    )
    one = closing(["D4"], panel=panel)
    assert [(t.kind, t.label, t.why) for t in one.then] == [
        ("mirror", "D4", "the same place on deck, starboard"),
        ("opposite face", "D4", "the same place on the inside face"),
    ]


@pytest.mark.parametrize("name", ["Daggerboard port", "rudder", "blade"])
def test_nobody_is_sent_into_a_blade(name):
    one = closing(["D4"], panel=Panel(*(name, "port", "outside", "skins over foam", "tip", SQUARE, GRID)))
    assert [t.why for t in one.then] == ["the same place on the other face of the blade"]


def test_a_panel_astride_the_centreline_is_its_own_mirror():
    one = closing(["D4"], panel=Panel(*("deck", "centre", "outside", "foam", "stem", SQUARE, GRID)))
    assert one.then[0].why == (
        "the same place on this panel, as far on the other side of the centreline (x and y here are of D4)"
    )


def test_nothing_but_taps_is_asked_for(rng):
    for _ in range(20):
        verdicts = list(
            rng.choice(["suspect", "no difference", "not assessed"], len(GRID), p=[0.2, 0.6, 0.2])
        )
        for one in further(GRID, verdicts, PANEL):
            for tap in (*one.taps, *one.then):
                assert tap.kind in ("between", "beyond", "again", "mirror", "opposite face")
                assert "drill" not in tap.why
                assert 0 <= tap.x_m <= 0.7
                assert 0 <= tap.y_m <= 0.7


def test_nothing_suspect_nothing_to_close():
    assert further(GRID, ["no difference"] * len(GRID), PANEL) == ()
