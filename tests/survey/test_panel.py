"""Panel files: what is read from a good one, and the one line that a bad one gets.

Checks against something outside the project: the inch is 25.4 mm exactly and the foot 12 of them
(International Yard and Pound Agreement, 1959); SHA-256 of "abc" (FIPS 180-2, appendix B.1); points inside a
polygon by matplotlib's own routine. Lettering of rows after Z as AA: common practice, no source.
"""

from __future__ import annotations

import hashlib
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.path import Path as Outline

from taptone.errors import PanelError
from taptone.survey.panel import on_structure, parse_panel
from taptone.types import Panel

HEAD = """
name = "foredeck"
side = "centre"
face = "outside"
construction = "cored foam"
datum = "stem head"
"""
SQUARE = "outline = [[0, 0], [0.4, 0], [0.4, 0.3], [0, 0.3]]\n"
GRID = '[grid]\nspacing = 0.1\npath = "rows"\n'
GOOD = HEAD + SQUARE + GRID


def parse(text: str) -> Panel:
    return parse_panel(text, source="deck.toml")


def labels(text: str) -> str:
    return " ".join(station.label for station in parse(text).stations)


# -- what is read --------------------------------------------------------------------------------------


def test_a_whole_file():
    panel = parse(
        HEAD
        + SQUARE
        + """
        boat = "Kettle"
        hammer = "brass 90 g"
        recorder = "phone"
        surface_temp_c = 14
        mirror_of = "foredeck port"
        opposite_face_of = "cabin head"
        [conditions]
        hours_ashore = 30
        wind = "light"
        frozen_within_72h = true
        [grid]
        spacing = 0.1
        path = "rows"
        taps_per_station = 3
        [[structure]]
        kind = "frame"
        line = [[0.2, 0], [0.2, 0.3]]
        width = 0.06
        declared = "owner, May"
        evidence = "drawing"
        [[structure]]
        kind = "windlass"
        outline = [[0.3, 0.2], [0.4, 0.2], [0.4, 0.3]]
        """
    )
    assert (panel.name, panel.side, panel.face, panel.boat) == ("foredeck", "centre", "outside", "Kettle")
    assert (panel.hammer, panel.recorder, panel.surface_temp_c) == ("brass 90 g", "phone", 14.0)
    assert panel.conditions == {"hours_ashore": 30, "wind": "light", "frozen_within_72h": True}
    assert (panel.mirror_of, panel.opposite_face_of) == ("foredeck port", "cabin head")
    assert (panel.spacing_m, panel.path, panel.taps_per_station) == (0.1, "rows", 3)
    assert panel.cautions == (
        "structure 1 (frame): no station lies on it",  # they lie at 0.15 and 0.25
        "structure 2 (windlass): who declared it and when and the evidence not recorded",
    )
    frame, windlass = panel.structures
    assert (frame.kind, frame.width_m, frame.declared, frame.evidence) == (
        "frame",
        0.06,
        "owner, May",
        "drawing",
    )
    assert frame.line == ((0.2, 0.0), (0.2, 0.3))
    assert windlass.outline == ((0.3, 0.2), (0.4, 0.2), (0.4, 0.3))


def test_what_is_not_stated_is_a_caution_each():
    panel = parse(GOOD)
    assert panel.cautions == (
        "boat not recorded",
        "hammer not recorded",
        "recorder not recorded",
        "surface temperature not recorded",
        "conditions not recorded",
        "no structure declared: frames, bulkheads, core edges and fittings would be among the suspects",
    )
    said = parse(
        GOOD
        + "[conditions]\nwind = 'light'\n[[structure]]\nkind = 'frame'\nwidth = 0.05\n"
        + "line = [[0.15, 0], [0.15, 0.3]]\n"
    )
    assert said.cautions[-2:] == (
        "frost within 72 h not recorded",
        "structure 1 (frame): who declared it and when and the evidence not recorded",
    )
    assert math.isnan(panel.surface_temp_c)
    assert parse('boat = "Kettle"\nsurface_temp_c = 0.0\n' + GOOD).cautions == (
        "hammer not recorded",
        "recorder not recorded",
        "conditions not recorded",
        panel.cautions[-1],
    )


def test_hash_is_of_the_text():
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"  # FIPS 180-2, B.1
    assert hashlib.sha256(b"abc").hexdigest() == abc
    assert parse(GOOD).sha256 == hashlib.sha256(GOOD.encode()).hexdigest()
    assert parse("# a note\n" + GOOD).sha256 != parse(GOOD).sha256


def test_file_of_another_system_reads_the_same():
    assert parse("\ufeff" + GOOD.replace("\n", "\r\n")).stations == parse(GOOD).stations


# -- stations ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("path", "order"),
    [
        ("rows", "A1 A2 A3 A4 B1 B2 B3 B4 C1 C2 C3 C4"),
        ("serpentine rows", "A1 A2 A3 A4 B4 B3 B2 B1 C1 C2 C3 C4"),
        ("columns", "A1 B1 C1 A2 B2 C2 A3 B3 C3 A4 B4 C4"),
        ("serpentine columns", "A1 B1 C1 C2 B2 A2 A3 B3 C3 C4 B4 A4"),
    ],
)
def test_path_decides_the_order(path, order):
    text = GOOD.replace('"rows"', f'"{path}"')
    assert labels(text) == order
    rows = [s.row for s in parse(text).stations]
    assert rows == [k // (3 if "columns" in path else 4) for k in range(12)]


def test_first_station_stands_half_a_spacing_inside():
    first, second = parse(GOOD).stations[:2]
    assert (first.x_m, first.y_m, second.x_m) == (0.05, 0.05, 0.15)


def test_points_outside_are_left_out_and_the_others_keep_their_numbers():
    triangle = HEAD + "outline = [[0, 0], [0.4, 0], [0.4, 0.4]]\n" + GRID
    assert labels(triangle) == "A1 A2 A3 A4 B2 B3 B4 C3 C4 D4"  # on the slope counts as inside
    assert labels(triangle.replace("rows", "serpentine rows")) == "A1 A2 A3 A4 B4 B3 B2 C3 C4 D4"


def test_rows_are_counted_as_they_are_tapped():
    waist = (
        "outline = [[0,0],[0.2,0],[0.2,0.1],[0.05,0.1],[0.05,0.2],[0.2,0.2],[0.2,0.3],[0,0.3],[0.04,0.15]]\n"
    )
    stations = parse(HEAD + waist + GRID).stations
    assert [(s.label, s.row) for s in stations] == [("A1", 0), ("A2", 0), ("B1", 1), ("C1", 2), ("C2", 2)]
    slit = waist.replace("0.05", "0.03").replace("0.04", "0.02")
    stations = parse(HEAD + slit + GRID).stations
    assert [(s.label, s.row) for s in stations] == [("A1", 0), ("A2", 0), ("C1", 1), ("C2", 1)]


def test_rows_after_z():
    strip = HEAD + "outline = [[0, 0], [0.1, 0], [0.1, 2.8], [0, 2.8]]\n" + GRID
    assert labels(strip).split()[25:] == ["Z1", "AA1", "AB1"]


@settings(max_examples=40, deadline=None)
@given(
    radii=st.lists(st.integers(2, 20), min_size=5, max_size=12),
    spacing=st.sampled_from([0.045, 0.05, 0.075, 0.11]),
    path=st.sampled_from(["rows", "serpentine rows", "columns", "serpentine columns"]),
)
def test_lattice_is_what_another_library_finds_inside(radii, spacing, path):
    angles = np.linspace(0, 2 * np.pi, len(radii), endpoint=False)
    ring = np.round(np.array(radii)[:, None] / 20 * np.c_[np.cos(angles), np.sin(angles)], 4)
    text = f'{HEAD}outline = {ring.tolist()}\n[grid]\nspacing = {spacing}\npath = "{path}"\n'
    stations = parse(text).stations
    (left, low), (right, high) = ring.min(axis=0), ring.max(axis=0)
    x, y = np.meshgrid(
        np.arange(left + spacing / 2, right, spacing), np.arange(low + spacing / 2, high, spacing)
    )
    points = np.c_[x.ravel(), y.ravel()]
    sure = {tuple(p) for p in np.round(points[within(ring, points, -1e-4)], 6)}
    most = {tuple(p) for p in np.round(points[within(ring, points, 1e-4)], 6)}
    found = {(s.x_m, s.y_m) for s in stations}
    assert len(found) == len(stations) == len({s.label for s in stations})
    near = {(round(a, 4), round(b, 4)) for a, b in found}
    assert {(round(a, 4), round(b, 4)) for a, b in sure} <= near
    assert near <= {(round(a, 4), round(b, 4)) for a, b in most}
    steps = np.hypot(*np.diff([(s.x_m, s.y_m) for s in stations], axis=0).T) if len(stations) > 1 else []
    assert np.all(np.asarray(steps) > spacing * 0.99)


def within(ring: np.ndarray, points: np.ndarray, margin_m: float) -> np.ndarray:
    """Whether points lie inside, by a margin (less for a negative one), told by the ring moved eight ways."""
    moved = [
        points + abs(margin_m) * np.array([np.cos(a), np.sin(a)]) for a in np.linspace(0, 2 * np.pi, 8)[:-1]
    ]
    inside = np.array([Outline(ring).contains_points(p) for p in [points, *moved]])
    return inside.all(axis=0) if margin_m < 0 else inside.any(axis=0)


def listed(*labels: str) -> str:
    return HEAD + SQUARE + "".join(f'[[station]]\nlabel = "{n}"\nx = 0.1\ny = 0.2\n' for n in labels)


def test_station_list_keeps_its_order_roles_and_strikes():
    panel = parse("taps_per_station = 3\n" + listed("B2", "B1", "R1") + 'role = "reference"\n')
    assert [(s.label, s.row, s.role) for s in panel.stations] == [
        ("B2", 0, "panel"),
        ("B1", 0, "panel"),
        ("R1", 1, "reference"),
    ]
    assert (panel.taps_per_station, panel.path) == (3, "")
    assert math.isnan(panel.spacing_m)
    assert parse(listed("B1")).taps_per_station == 1


@pytest.mark.parametrize(
    ("given", "rows"),
    [
        (("A1", "A2", "B1", "B2"), [0, 0, 1, 1]),
        (("B3", "B3a", "B3c", "B4", "C3"), [0, 0, 0, 0, 1]),
        (("Z1", "AA1", "AA2"), [0, 1, 1]),
        (("A1", "B1", "A2"), [0, 1, 2]),
        (("A1", "B1", "keel root"), [0, 0, 0]),
        (("1", "2"), [0, 0]),
    ],
)
def test_rows_of_a_list_are_told_by_their_letters(given, rows):
    assert [s.row for s in parse(listed(*given)).stations] == rows


# -- feet and inches -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "millimetres"),
    [
        ("3", 914.4),
        ("0.5", 152.4),
        ('''"4' 7 1/2\\""''', 1409.7),
        ('''"4'7\\""''', 1397.0),
        ('"4\'"', 1219.2),
        ('"4 ft 7 in"', 1397.0),
        ('"4ft"', 1219.2),
        ('"7 1/2 in"', 190.5),
        ('"3/4 in"', 19.05),
        ('''"4'-6\\""''', 1371.6),
        ('''"2' 3/8\\""''', 619.125),
        ('"10.5 in"', 266.7),
    ],
)
def test_feet_and_inches_are_stored_in_metres(written, millimetres):
    outline = f"outline = [[0, 0], [{written}, 0], [0, 9]]\n"
    text = 'units = "ft-in"\n' + HEAD + outline + '[[station]]\nlabel = "a"\nx = 0\ny = 0\n'
    assert parse(text).outline[1][0] * 1000 == pytest.approx(millimetres, rel=1e-12)  # 25.4 mm an inch, exact
    if written.startswith('"'):
        minus = parse(text.replace(written, '"-' + written[1:]))
        assert minus.outline[1][0] * 1000 == pytest.approx(-millimetres, rel=1e-12)


def test_all_lengths_are_converted():
    text = GOOD + '[[structure]]\nkind = "frame"\nline = [[1, 0], [1, 3]]\nwidth = "3 in"\n'
    text = text.replace("0.4", "4").replace("0.3", "3").replace("0.1", '"6 in"')
    panel = parse('units = "ft-in"\n' + text)
    assert panel.spacing_m == pytest.approx(0.1524)
    assert len(panel.stations) == 8 * 6
    assert panel.stations[0].x_m == pytest.approx(0.0762)
    assert panel.structures[0].width_m == pytest.approx(0.0762)
    assert panel.structures[0].line[0][0] == pytest.approx(0.3048)


@pytest.mark.parametrize(
    "written", ["4 7", "four feet", "", "'", "4' 7", "4 m", "1/0 in", "4'' 7'", "4' 7' "]
)
def test_other_lengths_are_refused(written):
    text = f'units = "ft-in"\n{HEAD}outline = [[0, 0], ["{written}", 0], [0, 9]]\n' + GRID
    with pytest.raises(PanelError, match=r"outline, point 2 is .*: write feet and inches as 4' 7 1/2\" or"):
        parse(text)


# -- structure -----------------------------------------------------------------------------------------

STRUCTURE = (
    GOOD
    + """
[[structure]]
kind = "frame"
line = [[0.2, 0], [0.2, 0.3]]
width = 0.06
[[structure]]
kind = "pad"
outline = [[0.3, 0.1], [0.4, 0.1], [0.4, 0.3]]
"""
)


@pytest.mark.parametrize(
    ("x", "y", "kind"),
    [
        (0.2, 0.1, "frame"),
        (0.23, 0.1, "frame"),
        (0.171, 0.2, "frame"),
        (0.232, 0.1, None),
        (0.39, 0.15, "pad"),
        (0.35, 0.2, "pad"),
        (0.31, 0.2, None),
        (0.05, 0.05, None),
    ],
)
def test_on_structure(x, y, kind):
    found = on_structure(parse(STRUCTURE), x, y)
    assert (found.kind if found else None) == kind


def test_no_structure_declared():
    assert on_structure(parse(GOOD), 0.1, 0.1) is None


# -- faults --------------------------------------------------------------------------------------------

FRAME = '[[structure]]\nkind = "frame"\n'

FAULTS = {
    "not toml": (GOOD + "boat = \n", r"is not TOML: .*line 1[01].*: correct that line"),
    "number too long": ("n = " + "9" * 5000, r"is not TOML: .*: correct that line"),
    "empty": ("", r": name is missing: add the panel's name in quotes"),
    "missing": (GOOD.replace("side", "# side"), r': side is missing: add "port", "starboard" or "centre"'),
    "wrong side": (GOOD.replace('"centre"', '"left"'), r": side is 'left': write \"port\", \"starboard\" or"),
    "wrong face": (GOOD.replace('"outside"', '"top"'), r": face is 'top': write \"outside\" or \"inside\""),
    "misspelt": (
        GOOD.replace("construction", "constuction"),
        r"constuction is not known: did you mean const",
    ),
    "in the wrong table": (
        GOOD + 'boat = "Kettle"',
        r"grid, boat is not known: move it above the first \[tab",
    ),
    "far from any": (
        GOOD + "zzz = 1",
        r"grid, zzz is not known: remove it; known here are spacing, path, taps",
    ),
    "not text": (GOOD.replace('"foredeck"', "7"), r": name is 7: write the panel's name in quotes"),
    "two lines": (GOOD.replace('"foredeck"', '"fore\\ndeck"'), r": name is 'fore\\ndeck': write the panel's"),
    "no text": (GOOD.replace('"stem head"', '""'), r": datum is '': write in quotes, the fixed point"),
    "length in words": (
        GOOD.replace("0.1", '"4 in"'),
        r"spacing is '4 in': write metres .* units = \"ft-in\"",
    ),
    "no units known": ('units = "feet"\n' + GOOD, r": units is 'feet': write \"m\" or \"ft-in\""),
    "spacing 0": (
        GOOD.replace("0.1", "0"),
        r"grid, spacing is 0.0: write a distance above 0 up to 2 m",
    ),
    "spacing below 0": (GOOD.replace("0.1", "-1"), r"grid, spacing is -1.0: write a distance"),
    "spacing nan": (GOOD.replace("0.1", "nan"), r"grid, spacing is nan: write a length in metres"),
    "millimetres": (
        GOOD.replace("0.4", "400"),
        r"outline, point 2 is 400: write a length in metres; the longest",
    ),
    "path": (
        GOOD.replace('"rows"', '"spiral"'),
        r"grid, path is 'spiral': write \"rows\", \"serpentine rows\"",
    ),
    "no strikes": (
        GOOD + "taps_per_station = 0",
        r"taps_per_station is 0: write a whole number from 1 to 20",
    ),
    "half a strike": (GOOD + "taps_per_station = 1.5", r"taps_per_station is 1.5: write a whole number"),
    "strikes outside": ("taps_per_station = 2\n" + GOOD, r"stands outside \[grid\]: move it into \[grid\]"),
    "no table": (HEAD + SQUARE + "grid = 3", r"grid is 3: write \[grid\] with spacing and path below it"),
    "2 points": (HEAD + "outline = [[0, 0], [1, 1]]\n" + GRID, r"outline is .*: write 3 or more points"),
    "3 twice": (
        HEAD + "outline = [[0, 0], [1, 1], [0, 0]]\n" + GRID,
        r"outline has 2 different points: give at",
    ),
    "a point of 3": (
        HEAD + "outline = [[0, 0], [1, 1], [0, 1, 2]]\n" + GRID,
        r"outline, point 3 is \[0, 1, 2\]: w",
    ),
    "bow tie": (
        HEAD + "outline = [[0, 0], [1, 1], [1, 0], [0, 1]]\n" + GRID,
        r"crosses itself.*: list its points",
    ),
    "no area": (
        HEAD + "outline = [[0, 0], [1, 1], [2, 2]]\n" + GRID,
        r"has no area: list its points in order",
    ),
    "grid too fine": (GOOD.replace("0.1", "0.001"), r"spacing gives more than 2000 stations: cut the panel"),
    "grid far too fine": (GOOD.replace("0.1", "1e-300"), r"spacing gives more than 2000 stations: cut"),
    "grid too coarse": (GOOD.replace("0.1", "2"), r"no station of the grid falls inside the outline: lessen"),
    "no stations": (
        HEAD + SQUARE,
        r"no station is planned: give either \[grid\] or a list of \[\[station\]\]",
    ),
    "both": (listed("A1") + GRID, r"\[grid\] and \[\[station\]\] both stand: give either"),
    "label twice": (listed("A1", "A2", "A1"), r"station 3 has the label A1 again: give each station its own"),
    "outside": (
        listed("A1").replace("0.2", "0.7"),
        r"station 1, A1 at \(0.1, 0.7\) m, lies outside: correct",
    ),
    "no label": (listed("A1").replace("label", "#"), r"station 1, label is missing: add a label in quotes"),
    "no role": (listed("A1") + 'role = "good"', r"station 1, role is 'good': write \"reference\", or leave"),
    "too many": (listed(*map(str, range(2001))), r"station gives more than 2000 stations: cut the panel"),
    "no shape": (GOOD + FRAME, r"structure 1, frame has neither line and outline: give a line with a width"),
    "no width": (
        GOOD + FRAME + "line = [[0, 0], [1, 1]]",
        r"structure 1, frame: width goes with a line: add",
    ),
    "width 0": (
        GOOD + FRAME + "line = [[0, 0], [1, 1]]\nwidth = 0",
        r"structure 1, width is 0: write a width ab",
    ),
    "a dot": (
        GOOD + FRAME + "line = [[0, 0], [0, 0]]\nwidth = 1",
        r"structure 1, frame: line has no length: gi",
    ),
    "a long kind": (
        GOOD + '[[structure]]\nkind = "' + "frame " * 14 + '"\nline = [[0, 0], [1, 1]]\nwidth = 0.1',
        r"structure 1, kind is 'frame frame.*: write what it is in 1 to 80 letters",
    ),
    "no table of conditions": ("conditions = 3\n" + GOOD, r": conditions is 3: write \[conditions\]"),
    "a date": (
        GOOD + "[conditions]\nhauled = 2026-05-01",
        r"conditions, hauled is 2026-05-01: write text in quotes, a",
    ),
    "a name that is true": (GOOD.replace('"foredeck"', "true"), r"name is true: write the panel's name"),
    "frozen in words": (
        GOOD + '[conditions]\nfrozen_within_72h = "no"',
        r"frozen_within_72h is .*: write true or",
    ),
    "temperature": ("surface_temp_c = nan\n" + GOOD, r"surface_temp_c is nan: write degrees Celsius"),
}


@pytest.mark.parametrize(("text", "line"), FAULTS.values(), ids=FAULTS)
def test_every_fault_is_one_line_with_a_way_out(text, line):
    with pytest.raises(PanelError, match=line) as caught:
        parse(text)
    assert str(caught.value).startswith("deck.toml")
    assert "\n" not in str(caught.value)


VALUES = [
    "3",
    "-1",
    "nan",
    "inf",
    '"x"',
    "true",
    "[]",
    "{}",
    "[[1]]",
    "2026-01-01",
    "1e308",
    "9" * 400,
    '"4 ft"',
]


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_whatever_is_written_wrong_gets_one_line(data):
    lines = STRUCTURE.splitlines()
    if data.draw(st.booleans()):
        lines.insert(0, 'units = "ft-in"')
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(lines) - 1))
        key = lines[at].split(" = ")[0]
        lines[at] = data.draw(
            st.sampled_from([f"{key} = {value}" for value in VALUES])
            | st.just("")
            | st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
        )
    try:
        panel = parse("\n".join(lines))
    except PanelError as error:
        said, hint, stations = str(error), error.hint, 1
    else:
        said, hint, stations = "read", "read", len(panel.stations)
    assert len(said.splitlines()) == 1
    assert hint
    assert 0 < stations <= 2000


# -- laminate --------------------------------------------------------------------------------------------


def with_laminate(lines):
    return GOOD + "\n[laminate]\n" + lines


def test_laminate_is_optional_and_needs_few_numbers():
    assert parse(GOOD).laminate is None
    foam = parse(with_laminate('skin_mm = 3\ncore = "foam"\ncore_mm = 20.5')).laminate
    assert (foam.skin_mm, foam.core, foam.core_mm) == (3.0, "foam", 20.5)
    assert math.isnan(foam.skin_modulus_gpa)
    assert math.isnan(foam.core_density_kg_m3)
    solid = parse(with_laminate('skin_mm = 7\ncore = "none"')).laminate
    assert solid.core_mm == 0.0


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ('core = "foam"\ncore_mm = 20', "deck.toml: laminate, skin_mm is missing: add the thickness"),
        (
            'skin_mm = 3\ncore = "cork"',
            'laminate, core is \'cork\': write "foam", "balsa", "ply" or "none"',
        ),
        (
            'skin_mm = 3\ncore = "foam"',
            'laminate, core is "foam": add core_mm, the thickness of the core in mm',
        ),
        ('skin_mm = 3\ncore = "none"\ncore_mm = 5', 'laminate, core is "none": remove core_mm'),
        (
            'skin_mm = -3\ncore = "none"',
            "laminate, skin_mm is -3: write the thickness of the struck skin in mm",
        ),
        (
            'skin_mm = 0.003\ncore = "none"',
            "laminate, skin_mm is 0.003: write the thickness of the struck skin in mm",
        ),
        (
            'skin_mm = 3\ncore = "foam"\ncore_mm = 0.02',
            "laminate, core_mm is 0.02: write the thickness of the core in mm (1 to 200)",
        ),
        ('skin_mm = 3\ncore = "none"\nskin_mn = 3', "laminate, skin_mn is not known: did you mean skin_mm?"),
        ('skin_mm = 3\ncore = "none"\nskin_modulus_gpa = 12e9', "write the skin's modulus in GPa (1 to 200)"),
    ],
)
def test_a_laminate_that_cannot_be(lines, said):
    with pytest.raises(PanelError) as raised:
        parse(with_laminate(lines))
    assert said in str(raised.value)


# -- row marks -------------------------------------------------------------------------------------------

_BOARD = """name = "board"
side = "port"
face = "outside"
construction = "solid"
datum = "lower leading corner"
outline = [[0, 0], [0.4, 0], [0.4, 0.3], [0, 0.3]]
{above}
[grid]
spacing = 0.1
path = "rows"
{within}
"""


def test_row_marks_are_said_at_the_top():
    board = parse_panel(_BOARD.format(above="row_marks = true\nmark_every = 5", within=""), source="b.toml")
    assert (board.row_marks, board.mark_every) == (True, 5)
    plain = parse_panel(_BOARD.format(above="", within=""), source="b.toml")
    assert (plain.row_marks, plain.mark_every) == (False, 0)


@pytest.mark.parametrize(
    ("above", "said"),
    [
        ("mark_every = 5", "b.toml: mark_every stands without row_marks"),
        ("row_marks = 1", "b.toml: row_marks is 1"),
        ("row_marks = true\nmark_every = 1", "b.toml: mark_every is 1"),
    ],
)
def test_row_marks_that_say_nothing_are_refused(above, said):
    with pytest.raises(PanelError) as error:
        parse_panel(_BOARD.format(above=above, within=""), source="b.toml")
    assert said in str(error.value)


def test_of_a_swept_row_its_ends_stay():
    board = parse_panel(_BOARD.format(above='sweep = ["B"]', within=""), source="b.toml")
    assert [s.label for s in board.stations if s.row == 1] == ["B1", "B4"]
    assert len(board.stations) == 10
    assert board.swept_rows == (1,)


@pytest.mark.parametrize(
    ("above", "said"),
    [
        ('sweep = ["K"]', "b.toml: sweep names row K: its rows are A, B, C"),
        ('row_marks = true\nsweep = ["B"]', "b.toml: sweep and row_marks both stand"),
        ("sweep = [2]", "b.toml: sweep 1 is 2"),
    ],
)
def test_sweeps_that_cannot_be_are_refused(above, said):
    with pytest.raises(PanelError) as error:
        parse_panel(_BOARD.format(above=above, within=""), source="b.toml")
    assert said in str(error.value)
