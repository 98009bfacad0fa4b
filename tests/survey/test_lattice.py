"""Where stations lie, and those between them: labels by the rule of the manual, rows as a tape would show."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely

from taptone.errors import PanelError
from taptone.survey.lattice import refined
from taptone.survey.panel import parse_panel
from taptone.types import Panel

HEAD = """
name = "deck"
side = "centre"
face = "outside"
construction = "solid"
datum = "stem head"
outline = [[0, 0], [0.9, 0], [0.9, 0.6], [0, 0.6]]
"""
HATCH = '[[cutout]]\nkind = "hatch"\noutline = [[0.3, 0.15], [0.6, 0.15], [0.6, 0.45], [0.3, 0.45]]\n'


def panel(more: str = "", *, path: str = "rows", before: str = "") -> Panel:
    return parse_panel(f'{HEAD}{before}[grid]\nspacing = 0.15\npath = "{path}"\n{more}', source="deck.toml")


def labels(deck: Panel) -> list[str]:
    return [station.label for station in deck.stations]


def test_staggered_neighbours_are_all_one_spacing_apart():
    xy = np.array([(s.x_m, s.y_m) for s in panel('pattern = "staggered"').stations])
    away = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1))
    np.fill_diagonal(away, np.inf)
    assert away.min(axis=1) == pytest.approx(0.15, abs=2e-6)  # places are rounded to a thousandth of a mm
    middle = np.argmin(np.hypot(*(xy - [0.45, 0.3]).T))
    assert np.sum(away[middle] < 0.1501) == 6


def test_staggered_rows_b_and_d_are_moved():
    deck = panel('pattern = "staggered"')
    first = {s.label: s.x_m for s in deck.stations if s.label.endswith("1") and len(s.label) == 2}
    assert first == {"A1": 0.075, "B1": 0.15, "C1": 0.075, "D1": 0.15, "E1": 0.075}
    assert (deck.pattern, deck.spacing_m) == ("staggered", 0.15)


@pytest.mark.parametrize("path", ["rows", "serpentine rows", "columns", "serpentine columns"])
def test_every_path_of_a_staggered_grid_goes_to_each_station_once(path):
    deck = panel('pattern = "staggered"', path=path)
    assert sorted(labels(deck)) == sorted(labels(panel('pattern = "staggered"')))
    rows = [s.row for s in deck.stations]
    assert rows == sorted(rows)
    assert set(np.diff(rows)) <= {0, 1}


def test_edge_margin_leaves_out_what_stands_nearer_and_keeps_labels():
    near, far = panel("edge_margin = 0.08"), panel("edge_margin = 0.07")
    assert labels(far) == labels(panel())
    assert [x for x in labels(near) if x.startswith("B")] == ["B2", "B3", "B4", "B5"]
    assert not any(x.startswith("A") for x in labels(near))


def test_nothing_is_tapped_in_a_cutout():
    deck = panel(HATCH)
    assert set(labels(panel())) - set(labels(deck)) == {"B3", "B4", "C3", "C4"}
    assert (deck.cutouts[0].kind, len(deck.cutouts[0].outline)) == ("hatch", 4)


def test_edge_margin_counts_round_a_cutout_too():
    deck = panel("edge_margin = 0.07\n" + HATCH)
    hole = shapely.Polygon(deck.cutouts[0].outline)
    assert min(hole.distance(shapely.Point(s.x_m, s.y_m)) for s in deck.stations) >= 0.07


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ('pattern = "hexagonal"', 'grid, pattern is \'hexagonal\': write "square" or "staggered"'),
        ("edge_margin = -0.1", "grid, edge_margin is -0.1: write a distance from 0 up to 2 m"),
        ("edge_margin = 0.5", "no station of the grid falls inside the outline"),
        ("[[cutout]]\noutline = [[0, 0], [1, 1]]", "cutout 1, outline is .*: write 3 or more points"),
        ('[[cutout]]\nname = "hatch"\noutline = [[0, 0], [1, 1], [0, 1]]', "cutout 1, name is not known"),
        ("[[cutout]]\noutline = [[0, 0], [1, 1], [0, 1], [1, 0]]", "cutout 1, outline crosses itself"),
        (
            "[[cutout]]\noutline = [[-1, -1], [2, -1], [2, 2], [-1, 2]]",
            "cutout 1, covers the whole outline: correct its outline",
        ),
        (
            f"{HATCH}[[cutout]]\noutline = [[0, 0], [0.5, 0], [0.5, 0.6], [0, 0.6]]\n"
            '[[cutout]]\nkind = "well"\noutline = [[0.4, 0], [0.9, 0], [0.9, 0.6], [0.4, 0.6]]',
            "cutout 3, well, covers the whole outline with those before it",
        ),
        (
            f'{HATCH}[[cutout]]\nkind = "vent"\noutline = [[3, 0.1], [4, 0.1], [4, 0.5]]',
            "deck.toml: cutout 2, vent, lies outside the outline: correct its outline, or remove it",
        ),
        (  # along the panel's edge, and nothing of it inside
            "[[cutout]]\noutline = [[0.9, 0], [1.2, 0], [1.2, 0.6], [0.9, 0.6]]",
            "cutout 1, lies outside the outline",
        ),
    ],
)
def test_bad_keys_get_one_line(more, said):
    with pytest.raises(PanelError, match=said):
        panel(more)


def test_a_cutout_may_reach_over_the_edge():
    deck = panel(
        '[[cutout]]\nkind = "companionway"\noutline = [[0.6, 0.3], [1.2, 0.3], [1.2, 0.9], [0.6, 0.9]]'
    )
    assert "C5" not in labels(deck)
    assert "C4" in labels(deck)


def test_a_listed_station_in_a_cutout_is_refused():
    with pytest.raises(PanelError, match=r"station 1, A1 at \(0.45, 0.3\) m, lies in a cutout"):
        parse_panel(HEAD + HATCH + '[[station]]\nlabel = "A1"\nx = 0.45\ny = 0.3\n', source="deck.toml")


# -- refinement ----------------------------------------------------------------------------------------


def test_label_rule_of_a_square_grid():
    stations = {s.label: (s.x_m, s.y_m) for s in refined(panel(), ["B3"])}
    assert set(stations) == {"A2c", "A3b", "A3c", "B2a", "B3a", "B2c", "B3b", "B3c"}
    assert stations["B3a"] == pytest.approx((0.45, 0.225))  # B3 at (0.375, 0.225): half-way to B4
    assert stations["B3b"] == pytest.approx((0.375, 0.3))  # half-way to C3
    assert stations["B3c"] == pytest.approx((0.45, 0.3))  # half-way to C4


@pytest.mark.parametrize("label", ["B3", "C3"])
def test_refined_staggered_grid_is_staggered_at_half_the_spacing(label):
    deck = panel('pattern = "staggered"')
    at = {s.label: np.array([s.x_m, s.y_m]) for s in deck.stations}
    stations = refined(deck, [label])
    away = [np.hypot(*(np.array([s.x_m, s.y_m]) - at[label])) for s in stations]
    assert len(stations) == 6
    assert away == pytest.approx([0.075] * 6, abs=2e-6)
    between = {s.label: np.array([s.x_m, s.y_m]) for s in stations}
    row, number = label[0], int(label[1])
    following = f"{chr(ord(row) + 1)}{number}"
    assert between[f"{label}a"] == pytest.approx((at[label] + at[f"{row}{number + 1}"]) / 2, abs=2e-6)
    assert between[f"{label}b"] == pytest.approx((at[label] + at[following]) / 2, abs=2e-6)


def test_neighbours_refined_together_share_what_lies_between():
    stations = refined(panel(), ["B3", "B4", "B3"])
    assert len(stations) == len({s.label for s in stations}) == 13
    assert [s.row for s in stations] == [0] * 5 + [1] * 8


def test_refined_rows_are_walked_there_and_back():
    stations = refined(panel(), ["B2", "B3", "B4"])
    for one, two in pairwise(s for s in stations if s.row == 1):
        assert math.hypot(one.x_m - two.x_m, one.y_m - two.y_m) <= 0.1501


def test_refinement_stays_where_it_can_be_tapped():
    deck = panel("edge_margin = 0.07\n" + HATCH)
    found = {s.label for s in refined(deck, ["B2"])}
    assert found == {"A1c", "A2b", "B1a", "B1c", "B2b"}  # towards the hatch nothing is left
    assert {s.label for s in refined(deck, ["A1"])} == {"A1a", "A1b", "A1c"}


def test_refined_list_is_read_back_with_the_same_rows():
    stations = refined(panel(), ["B3", "C3"])
    listed = "".join(f'[[station]]\nlabel = "{s.label}"\nx = {s.x_m}\ny = {s.y_m}\n' for s in stations)
    assert parse_panel(HEAD + listed, source="deck.toml").stations == stations


@pytest.mark.parametrize(
    ("names", "said"),
    [
        (["Z9"], "deck has no station Z9: its stations go from A1 to D6"),
        (["b3"], "deck has no station b3"),
        (["B3a"], "deck has no station B3a"),
    ],
)
def test_what_cannot_be_refined_gets_one_line(names, said):
    with pytest.raises(PanelError, match=said):
        refined(panel(), names)


def test_a_list_has_no_grid_to_refine():
    listed = parse_panel(HEAD + '[[station]]\nlabel = "A1"\nx = 0.1\ny = 0.1\n', source="deck.toml")
    with pytest.raises(PanelError, match="deck has no grid to refine"):
        refined(listed, ["A1"])
