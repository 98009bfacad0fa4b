"""Lengths and areas in words: against the definition of the inch, and back again."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from taptone.survey.lengths import as_area, as_extent, as_length, in_units, inches_of, read_area, read_length


@pytest.mark.parametrize(
    ("millimetres", "feet"),
    [  # 1 in = 25.4 mm exactly: international yard and pound agreement, 1959
        (0, '0"'),
        (1.5, '0"'),
        (1.6, '1/8"'),
        (25.4, '1"'),
        (100, '3 7/8"'),
        (150, '5 7/8"'),
        (303.2, '11 7/8"'),
        (303.3, "1' 0\""),
        (304.8, "1' 0\""),
        (1000, "3' 3 1/4\""),
        (1409.7, "4' 7 1/2\""),
        (3047.9, "10' 0\""),
        (-254, '-10"'),
        (-1, '0"'),
    ],
)
def test_feet_and_inches(millimetres, feet):
    assert as_length(millimetres / 1000, "ft-in") == feet


@pytest.mark.parametrize(
    ("metres", "words"),
    [(0.0754, "75 mm"), (0.9994, "999 mm"), (0.9996, "1.00 m"), (1.255, "1.26 m"), (-0.25, "-250 mm")],
)
def test_metric(metres, words):
    assert as_length(metres) == words


def test_halves_go_away_from_zero():
    assert as_length(0.0005) == "1 mm"
    assert as_length(1.5 / 8 * 0.0254, "ft-in") == '1/4"'


@given(st.floats(-60, 60))
def test_what_is_printed_reads_back_within_the_rounding(metres):
    fine = {"m": abs(metres) < 0.9995, "ft-in": abs(metres) < 11.9 * 0.0254}
    steps_m = {"m": 0.001 if fine["m"] else 0.01, "ft-in": 0.0254 / (8 if fine["ft-in"] else 4)}
    for units, step_m in steps_m.items():
        again = read_length(as_length(metres, units))
        assert abs(again - metres) <= step_m / 2 * (1 + 1e-6)
        assert as_length(again, units) == as_length(metres, units)


@given(st.integers(0, 4000))
def test_every_eighth_is_its_own_fraction(eighths):
    words = as_length(eighths / 8 * 0.0254, "ft-in")
    quarters = math.floor(Fraction(eighths, 2) + Fraction(1, 2))
    assert inches_of(words) == (eighths / 8 if eighths < 96 else quarters / 4)


@pytest.mark.parametrize(
    ("text", "units", "metres"),
    [
        ("0.1", "m", 0.1),
        (".1 m", "m", 0.1),
        ("100mm", "m", 0.1),
        ("100 mm", "ft-in", 0.1),
        ("10 cm", "m", 0.1),
        ("1", "ft-in", 0.3048),
        ('4"', "m", 0.1016),
        ("4 ft 7 in", "m", 1.397),
        ("-2' 3 1/2\"", "m", -0.6985),
    ],
)
def test_lengths_are_read(text, units, metres):
    assert read_length(text, units) == pytest.approx(metres, rel=1e-12)


@pytest.mark.parametrize("text", ["", "ten", "4' 7", "1e3", "nan", "inf", "1 km", "0,1", "1/0 in", "4 7"])
def test_other_lengths_are_refused_with_what_to_write(text):
    with pytest.raises(ValueError, match=r"a length as 0.1 m or 100 mm, or feet and inches as"):
        read_length(text)


@pytest.mark.parametrize(
    ("text", "square_m"),
    [  # 1 sq ft = 0.09290304 m² (the square of 0.3048)
        ("0.25", 0.25),
        ("0.25 m²", 0.25),
        ("0.25 m2", 0.25),
        ("2500 cm²", 0.25),
        ("1 sq ft", 0.09290304),
        ("1 sq. ft.", 0.09290304),
        ("1 ft²", 0.09290304),
        ("144 sq in", 0.09290304),
    ],
)
def test_areas_are_read(text, square_m):
    assert read_area(text) == pytest.approx(square_m, rel=1e-12)


def test_areas_in_words():
    assert as_area(0.09290304, "ft-in") == "1.00 sq ft"
    assert read_area(as_area(0.4, "ft-in")) == pytest.approx(0.4, abs=0.005 * 0.0929)
    with pytest.raises(ValueError, match=r"an area as 0.05 m²"):
        read_area("1 acre")
    assert as_area(math.nan) == as_length(math.nan, "ft-in") == "not known"
    assert as_extent(0.3, 1.2) == "300 × 1200 mm"


def test_sentences_keep_what_is_no_distance():
    said = "decay 18 ms, hammer with 6 mm tip, skin 12 mm, foam core 20 mm, from 90 mm across, phone at 0.5 m"
    assert in_units(said) == said
    shown = said.replace("90 mm", '3 1/2"').replace("skin 12 mm", 'skin 0.47"').replace("20 mm", '0.79"')
    assert in_units(said, "ft-in") == shown


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        (
            "station 4, F7 at (5, 0.3) m, lies outside",
            'station 4, F7 at (16\' 4 3/4", 11 3/4"), lies outside',
        ),
        ("rectangle of 1.2 by 0.9 m", "rectangle of 3' 11 1/4\" by 2' 11 1/2\""),
        ("x 0.4 m, y -0.9 m", "x 1' 3 3/4\", y -2' 11 1/2\""),
        ("swept ±0.04 m", 'swept ±1 5/8"'),
        ("best guess from 0.10 to 0.45 m along x", 'best guess from 3 7/8" to 1\' 5 3/4" along x'),
        ("3 mm skin, core foam 20 mm then", '0.12" skin, core foam 0.79" then'),
        ("plug, 4.5 mm: dry", 'plug, 0.18": dry'),
        ("area is 0.05 m²", "area is 0.54 sq ft"),
        # 0 °C is 32 °F, a step of 1 °C one of 1.8 °F: the scales' definition
        ("surface at 0 °C, the baseline's at 25 °C", "surface at 32 °F, the baseline's at 77 °F"),
        ("more than 10 °C apart", "more than 18 °F apart"),
        ("spacing is '100 mm': write 0.1", "spacing is '100 mm': write 0.1"),
        ("deck 20 mm.toml: panel is 20 mm", 'deck 20 mm.toml: panel is 3/4"'),
        ("1.458 psi, 1025 kg/m³, 60 g, 0.3 m/s", "1.458 psi, 1025 kg/m³, 60 g, 0.3 m/s"),
    ],
)
def test_sentences_are_respelt_once(said, shown):
    assert in_units(said) == said
    assert in_units(said, "ft-in") == shown == in_units(shown, "ft-in")


def test_what_somebody_wrote_stays_though_it_names_a_measure():
    written = ["strip of 50 mm", "mode at 20 °C", "3 m aft", "foam", "2"]
    said = "panel strip of 50 mm, is 3 m aft: every 50 mm, mode at 20 °C, surface at 20 °C, to 1.25 m"
    shown = 'panel strip of 50 mm, is 3 m aft: every 2", mode at 20 °C, surface at 68 °F, to 4\' 1 1/4"'
    assert in_units(said, "ft-in", written) == shown
    assert in_units(said, "m", written) == said
