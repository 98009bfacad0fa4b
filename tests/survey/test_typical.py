"""Panels from measures, and panel files that are written: read back, they are the same panel."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from taptone.errors import PanelError
from taptone.survey.panel import parse_panel
from taptone.survey.typical import blade, rectangle, strip, written
from taptone.types import Panel

FULL = r"""
name = "fore\"deck\\ öst"
boat = "Lantern"
side = "starboard"
face = "inside"
construction = "cored foam"
datum = "stem head"
outline = [[-0.1, 0], [1.2, 0.05], [1.2, 0.9], [0, 0.9]]
hammer = "plastic 60 g"
recorder = "phone"
surface_temp_c = 14.5
mirror_of = "port"
opposite_face_of = "under"
[conditions]
wind = "light"
hours_ashore = 72
"surface, dry" = true
frozen_within_72h = false
[grid]
spacing = 0.15
path = "serpentine columns"
pattern = "staggered"
edge_margin = 0.02
taps_per_station = 3
[laminate]
skin_mm = 3.5
core = "balsa"
core_mm = 12
core_density_kg_m3 = 150
[[cutout]]
kind = "hatch"
outline = [[0.4, 0.3], [0.8, 0.3], [0.8, 0.6]]
[[structure]]
kind = "frame"
line = [[0.9, 0], [0.9, 0.9]]
width = 0.08
declared = "owner"
evidence = "seen"
declared_after_tapping = true
[[structure]]
kind = "core edge"
outline = [[0, 0.8], [1.2, 0.8], [1.2, 0.9]]
"""


def same(one: Panel, two: Panel) -> bool:
    a, b = (repr(dataclasses.replace(p, sha256="")) for p in (one, two))
    return a == b  # by their text: nan is not equal to itself


def test_all_that_a_panel_states_is_read_back():
    panel = parse_panel(FULL, source="full.toml")
    assert same(parse_panel(written(panel, ["a remark"]), source="again.toml"), panel)


def test_a_list_is_read_back_with_its_roles():
    listed = 'taps_per_station = 2\n[[station]]\nlabel = "keel"\nx = 0.2\ny = 0.2\nrole = "reference"\n'
    panel = parse_panel(FULL.partition("[conditions]")[0] + listed, source="full.toml")
    assert same(parse_panel(written(panel), source="again.toml"), panel)


@given(st.text(min_size=1, max_size=20).filter(lambda t: t.isprintable() and t.strip()))
def test_any_name_is_read_back(name):
    panel = dataclasses.replace(strip(0.5, 0.5), name=name.strip())
    assert parse_panel(written(panel), source="x.toml").name == name.strip()


def test_a_blades_area_is_that_of_its_trapezia():
    chords, height = (0.62, 0.55, 0.40), 1.2
    trapezia = sum((one + two) / 2 * height / 2 for one, two in pairwise(chords))
    assert shapely.Polygon(blade(chords, height).outline).area == pytest.approx(trapezia)


def test_stations_of_a_rectangle_leave_out_its_holes():
    panel = parse_panel(written(rectangle(1.2, 0.9, [(0.4, 0.3, 0.4, 0.3)])), source="x.toml")
    assert len(panel.stations) == 8 * 6 - 4


@pytest.mark.parametrize("panel", [blade([0.6, 0.4], 1.2), strip(1.4, 3.0), rectangle(1.0, 0.5)])
def test_what_nobody_stated_stays_a_caution(panel):
    read = parse_panel(written(panel), source="x.toml")
    assert {"boat not recorded", "hammer not recorded", "conditions not recorded"} <= set(read.cautions)
    assert read.construction == "unknown"


@pytest.mark.parametrize(
    ("make", "said"),
    [
        (lambda: blade([0.6], 1.2), "chords has 1: give at least the top's and the tip's"),
        (lambda: blade([0.6, 0.0], 1.2), "chord 2 is 0 m"),
        (lambda: blade([0.6, 0.4], 1200), "height is 1200 m: write metres"),
        (lambda: strip(float("nan"), 3.0), "girth is nan m"),
        (lambda: rectangle(1.2, 0.9, [(1.0, 0.3, 0.4, 0.3)]), "cut-out 1 reaches outside the rectangle"),
        (lambda: rectangle(1.2, 0.9, [(0.1, 0.1, 0.4, -0.3)]), "height of cut-out 1 is -0.3 m"),
    ],
)
def test_what_is_no_measure_is_refused(make, said):
    with pytest.raises(PanelError, match=said):
        make()
