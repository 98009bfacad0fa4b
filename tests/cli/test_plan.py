"""``taptone plan`` as a person types it. Figures of the chance: see tests/survey/test_plan.py."""

from __future__ import annotations

import json

import pytest

DECK = """
name = "foredeck"
side = "centre"
face = "outside"
construction = "cored_foam"
datum = "stem head, x aft, y to starboard"
outline = [[0.0, 0.0], [1.2, 0.0], [1.2, 0.9], [0.0, 0.9]]
hammer = "{hammer}"
[grid]
spacing = 0.15
path = "serpentine rows"
{more}
"""
THICK = '[laminate]\nskin_mm = 25.0\ncore = "none"\n'


@pytest.fixture
def deck(tmp_path):
    def write(more: str = "", hammer: str = "") -> str:
        (tmp_path / "deck.toml").write_text(DECK.format(more=more, hammer=hammer), encoding="utf-8")
        return "deck.toml"

    return write


def test_a_spacing_for_a_wanted_chance(run_taptone):
    run = run_taptone("plan", "--patch", 0.10, "--chance", 0.95, "--json")
    told = json.loads(run.stdout)
    assert run.returncode == 0
    assert list(told)[:4] == ["spacing_m", "chance", "stations", "minutes"]
    assert told["spacing_m"] == pytest.approx(0.05 / 0.5991, abs=1e-4)
    assert (told["chance"], told["stations"], told["area_m2"]) == (0.95, 144, 1.0)


def test_the_reverse_and_both(run_taptone):
    told = json.loads(run_taptone("plan", "--spacing", 0.15, "--json").stdout)
    assert told["touched_m"] == pytest.approx(
        {"0.5": 0.1197, "0.8": 0.1516, "0.95": 0.1797, "1": 0.2121}, abs=2e-4
    )
    assert told["can_lie_between_m"] == pytest.approx(0.2121, abs=1e-4)
    told = json.loads(run_taptone("plan", "--spacing", 0.15, "--patch", 0.1, "--json").stdout)
    assert told["chance"] == pytest.approx(0.3491, abs=1e-4)


def test_words_say_what_cannot_be_touched(run_taptone):
    said = run_taptone("plan", "--patch", 0.1, "--grid", "staggered", "--shape", 0.5).stdout
    assert "a staggered grid every" in said
    assert "a narrow strip or crack of any length" in said
    assert "common practice, no source" in said


def test_a_panel_brings_its_stations_and_its_own_spacing(run_taptone, deck):
    told = json.loads(run_taptone("plan", "--panel", deck(), "--json").stdout)
    assert (told["spacing_m"], told["stations"], told["rows"], told["panel"]) == (0.15, 48, 6, "foredeck")
    run = run_taptone("plan", "--patch", 0.1, "--panel", "deck.toml")
    assert "the panel file's own 150 mm would with a chance of 34.9 %" in run.stdout
    assert "is not known: state [laminate]" in run.stderr


def test_a_fine_grid_over_a_thick_skin_is_warned_of(run_taptone, deck):
    file = deck(THICK, "60 g plastic")
    told = json.loads(run_taptone("plan", "--patch", 0.05, "--panel", file, "--json").stdout)
    assert told["hearable_m"] > 0.1
    assert "smaller than what this skin lets this hammer hear" in told["warnings"][0]
    assert "skin 25 mm" in told["hearable_rests_on"]
    wide = json.loads(run_taptone("plan", "--patch", 0.35, "--panel", file, "--json").stdout)
    assert wide["warnings"] == []


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        ((), 2, "Give --patch to get a spacing, or --spacing to see what it can touch."),
        (
            ("--patch", 0.1, "--spacing", 0.1, "--chance", 0.9),
            2,
            "Give two of --patch, --chance and --spacing",
        ),
        (("--patch", "-0.1"), 1, "taptone: patch is -0.1 m: write metres, 0.001 to 200 (0.1 for 100 mm)"),
        (("--patch", "nan"), 1, "taptone: patch is nan m"),
        (("--patch", 0.1, "--chance", 95), 1, "taptone: chance is 95: write a number above 0 up to 1"),
        (("--patch", 0.1, "--shape", 0), 1, "taptone: shape is 0: write short axis over long axis"),
        (("--patch", 0.1, "--grid", "round"), 2, "'round' is not one of 'square', 'staggered'"),
        (("--patch", 0.1, "--area", 0), 1, "taptone: area is 0 m²: write square metres"),
        (("--patch", 0.1, "--panel", "nowhere.toml"), 1, "taptone: nowhere.toml does not exist"),
    ],
)
def test_bad_words_get_one_line(run_taptone, words, code, said):
    run = run_taptone("plan", *words)
    assert (run.returncode, run.stdout) == (code, "")
    assert said in run.stderr
    assert "Traceback" not in run.stderr
