"""``taptone plan`` as a person types it. Figures of the chance: see tests/survey/test_plan.py."""

from __future__ import annotations

import json

import pytest

from taptone.edges.planning import in_words, planned

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
    assert "the panel file's own 150 mm would do so with a chance of 34.9 %" in run.stdout
    assert "is not known: state [laminate]" in run.stderr


def test_a_fine_grid_over_a_thick_skin_is_warned_of(typed, deck):
    file = deck(THICK, "60 g plastic")
    told = json.loads(typed("plan", "--patch", 0.05, "--panel", file, "--json")[1])
    assert told["hearable_m"] > 0.1
    assert "smaller than what this skin lets this hammer hear" in told["warnings"][0]
    assert "skin 25 mm" in told["hearable_rests_on"]
    wide = json.loads(typed("plan", "--patch", 0.35, "--panel", file, "--json")[1])
    assert wide["warnings"] == []


def test_swept_rows_are_planned_as_swept(run_taptone, deck, tmp_path):
    plain = json.loads(run_taptone("plan", "--panel", deck(), "--json").stdout)
    assert (plain["swept_rows"], plain["swept_strikes"]) == ([], 0)
    file = tmp_path / "deck.toml"
    file.write_text('sweep = ["C", "D", "E"]\n' + file.read_text(encoding="utf-8"), encoding="utf-8")
    told = json.loads(run_taptone("plan", "--panel", "deck.toml", "--json").stdout)
    assert (told["swept_rows"], told["swept_strikes"], told["stations"]) == (["C", "D", "E"], 24, 48 - 3 * 6)
    assert told["minutes"] == pytest.approx(plain["minutes"] - (18 * 3 + 24 - 24 / 3) / 60, abs=0.11)
    assert told["can_lie_between_m"] == plain["can_lie_between_m"]
    run = run_taptone("plan", "--panel", "deck.toml")
    assert (
        "swept: rows C, D, E, 2 to 4 strikes a second between two known places, 24 strikes or more"
        in run.stdout
    )
    assert "no faster than 300 mm a second at 2 strikes a second, 600 mm at 4" in run.stdout
    assert "known to about ±75 mm then" in run.stdout
    wide = run_taptone("plan", "--panel", "deck.toml", "--spacing", 0.3, "--grid", "staggered")
    assert wide.returncode == 0
    assert "anything under 397 mm" in wide.stdout  # 0.3 * hypot(1, 0.866): no stagger is kept in a sweep
    assert "sweep names D, E: this grid has no such row" in wide.stderr


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


# -- panel files ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "file"),
    [
        (("--blade", "--chords", "0.62,0.55,0.40", "--height", 1.2), "blade.toml"),
        (("--strip", "--girth", 1.4, "--length", 3.0), "hull-strip.toml"),
        (
            ("--rectangle", "--width", 1.2, "--height", 0.9, "--cut-out", "0.4,0.3,0.4,0.3"),
            "rectangle.toml",
        ),
    ],
)
def test_a_panel_from_measures_is_one_that_can_be_planned(run_taptone, tmp_path, words, file):
    run = run_taptone("plan", *words)
    assert run.returncode == 0, run.stderr
    assert f"written: {file}" in run.stderr
    assert "are guesses: correct them before tapping" in run.stderr
    assert "caution: hammer not recorded" in run.stderr
    again = run_taptone("plan", "--panel", file)
    assert again.stdout == run.stdout


def test_a_panel_from_measures_takes_the_wanted_chance_and_nothing_is_lost(run_taptone, tmp_path):
    words = ("--strip", "--girth", 0.5, "--length", 0.6, "--patch", 0.1, "--grid", "staggered")
    run = run_taptone("plan", *words, "--edge-margin", 0.02, "--side", "starboard", "--name", "strake")
    text = (tmp_path / "hull-strip.toml").read_text(encoding="utf-8")
    for line in ('name = "strake"', 'side = "starboard"', 'pattern = "staggered"', "spacing = 0.096"):
        assert line in text
    assert "every 96 mm touches a round patch, 100 mm across, with a chance of 95" in run.stdout
    again = run_taptone("plan", *words)
    assert "the earlier file of that name is now hull-strip.earlier-1.toml" in again.stderr


def test_stations_at_an_edge_are_told(run_taptone, tmp_path):
    made = ["plan", "--rectangle", "--width", "1.2", "--height", "0.9", "--spacing", "0.096"]
    run = run_taptone(*made, "--grid", "staggered", "--out", str(tmp_path / "deck.toml"))
    assert "6 of 138 stations (A13 C13 E13 G13 I13 K13) lie within 10 mm of an edge" in run.stderr
    run = run_taptone(*made, "--edge-margin", "0.02", "--out", str(tmp_path / "off.toml"))
    assert "of an edge" not in run.stderr


def test_refined_stations_become_a_panel(run_taptone, tmp_path, deck):
    run = run_taptone(
        "plan", "--refine", "B3", "B4", "--panel", deck(THICK), "--out", "closer.toml", "--json"
    )
    told = json.loads(run.stdout)
    assert (told["panel"], told["stations"]) == ("foredeck closer at B3 B4", 13)
    assert {"B3a", "B3b", "B3c", "A2c"} <= set(told["labels"])
    text = (tmp_path / "closer.toml").read_text(encoding="utf-8")
    assert text.count("[[station]]") == 13
    assert "skin_mm = 25" in text


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--blade", "--height", 1.2), 2, "--blade needs --chords and --height."),
        (("--blade", "--strip"), 2, "--blade and --strip: one at a time."),
        (("--blade", "--chords", "a,b", "--height", 1.2), 2, "'a,b': write numbers in metres with commas"),
        (("--blade", "--chords", "0.6,0.4", "--height", 1200), 1, "taptone: height is 1200 m"),
        (("--strip", "--girth", 1, "--length", 3, "--width", 2), 2, "--width goes with --rectangle."),
        (("--rectangle", "--width", 1, "--height", 1, "--cut-out", "1,2"), 2, "'1,2': write 4 numbers"),
        (
            ("--rectangle", "--width", 1, "--height", 1, "--cut-out", "2,2,1,1"),
            1,
            "taptone: cut-out 1 reaches",
        ),
        (("--strip", "--girth", 50, "--length", 50), 1, "taptone: hull-strip.toml: grid, spacing gives more"),
        (("--refine", "", "--panel", "deck.toml"), 2, "--refine names no station"),
        (("--refine", ",", "--panel", "deck.toml"), 2, "--refine names no station"),
        (("--refine", "B3"), 2, "--refine needs --panel, the file with the grid."),
        (("--refine", "Z9", "--panel", "deck.toml"), 1, "taptone: foredeck has no station Z9"),
        (("B3", "--panel", "deck.toml"), 2, "'B3': stations go with --refine."),
        (("--panel", "deck.toml", "--out", "x.toml"), 2, "--out goes with a panel that is written."),
        (("--panel", "deck.toml", "--area", 2), 2, "--area goes without a panel"),
        (("--strip", "--girth", 1, "--length", 3, "--out", "no/x.toml"), 1, "taptone: no is not a folder"),
    ],
)
def test_bad_words_write_nothing(run_taptone, tmp_path, deck, words, code, said):
    deck()
    run = run_taptone("plan", *words)
    assert (run.returncode, run.stdout) == (code, "")
    assert said in run.stderr
    assert "Traceback" not in run.stderr
    assert [file.name for file in tmp_path.iterdir()] == ["deck.toml"]


# -- sheets --------------------------------------------------------------------------------------------


def test_a_sheet_as_pdf_and_as_picture(run_taptone, tmp_path, deck):
    words = ("--panel", deck(), "--paper", "letter", "--json")
    run = run_taptone("plan", "--sheet", "deck.pdf", "--sheet", "deck.png", *words)
    assert json.loads(run.stdout) == {"panel": "foredeck", "stations": 48, "sheets": ["deck.pdf", "deck.png"]}
    assert (tmp_path / "deck.pdf").read_bytes().startswith(b"%PDF")
    assert (tmp_path / "deck.png").read_bytes().startswith(b"\x89PNG")


def test_a_big_panel_says_that_it_goes_over_several_sheets(run_taptone, tmp_path):
    words = ("--strip", "--girth", 0.6, "--length", 6.0, "--sheet", "strip.png", "--out", "strip.toml")
    run = run_taptone("plan", *words)
    sheets = {file.name for file in tmp_path.glob("strip-*.png")}
    assert f"note: hull strip goes over {len(sheets)} sheets" in run.stderr
    assert {f"strip-{n}.png" for n in range(1, len(sheets) + 1)} == sheets
    assert len(sheets) > 1
    (tmp_path / "second-1.png").mkdir()
    run = run_taptone("plan", "--panel", "strip.toml", "--sheet", "second.png")
    assert run.returncode == 1
    assert run.stderr.endswith("taptone: second-1.png is a folder: choose another place with --sheet\n")


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--sheet", "deck.pdf"), 2, "--sheet needs a panel: --panel, --blade, --strip or --rectangle."),
        (
            ("--sheet", "deck.svg", "--panel", "deck.toml"),
            2,
            "--sheet deck.svg: end its name in .pdf or .png.",
        ),
        (("--paper", "a4", "--panel", "deck.toml"), 2, "--paper goes with --sheet."),
        (
            ("--paper", "a3", "--sheet", "x.pdf", "--panel", "deck.toml"),
            2,
            "'a3' is not one of 'a4', 'letter'",
        ),
        (
            ("--sheet", "no/deck.pdf", "--panel", "deck.toml"),
            1,
            "no is not a folder: choose another place with --sheet",
        ),
    ],
)
def test_a_sheet_that_cannot_be_drawn_gets_one_line(run_taptone, deck, words, code, said):
    deck()
    run = run_taptone("plan", *words)
    assert (run.returncode, run.stdout) == (code, "")
    assert said in run.stderr


# -- feet and inches -----------------------------------------------------------------------------------


def test_feet_and_inches_where_they_are_asked_for(run_taptone, monkeypatch):
    """An inch is 25.4 mm (ISO 80000-3): 83.5 mm are 3.29 in, 100 mm 3.94 in, 1 m² is 10.764 sq ft."""
    monkeypatch.setenv("TAPTONE_UNITS", "ft-in")
    run = run_taptone("plan", "--patch", 0.1)
    assert 'every 3 1/4" touches a round patch, 3 7/8" across' in run.stdout
    assert "10.76 sq ft: 144 stations" in run.stdout
    assert " mm" not in run.stdout
    told = json.loads(run_taptone("plan", "--patch", 0.1, "--json").stdout)
    assert told["spacing_m"] == pytest.approx(0.0835, abs=1e-4)


def test_a_spacing_is_never_rounded_up_to_a_mark_of_the_tape():
    """Too wide a spacing would not have the chance: 87 mm are 3.43 in, 320 mm 12.6 in, 75 mm 2.95 in."""
    for spacing_m, shown in ((0.087, '3 3/8"'), (0.32, "1' 1/2\""), (0.075, '2 7/8"'), (0.0762, '3"')):
        assert f"grid every {shown} touches" in in_words(planned(None, spacing_m=spacing_m), "ft-in")[0]


@pytest.mark.parametrize("margin", ["nan", "inf"])
def test_a_margin_that_is_no_number_is_not_taken_for_none(run_taptone, tmp_path, margin):
    run = run_taptone("plan", "--rectangle", "--width", 1, "--height", 1, "--edge-margin", margin)
    assert (run.returncode, run.stdout, list(tmp_path.iterdir())) == (2, "", [])
    assert f"Invalid value for '--edge-margin': {margin} is no number" in run.stderr


def test_refined_stations_keep_marks_and_which_way_is_down(run_taptone, tmp_path, deck):
    file = tmp_path / deck()
    said = 'down = "-y"\nrow_marks = true\nmark_every = 5\n'
    file.write_text(said + file.read_text(encoding="utf-8"), encoding="utf-8")
    run = run_taptone("plan", "--refine", "B3", "--panel", "deck.toml", "--out", "closer.toml")
    assert run.returncode == 0
    assert said in (tmp_path / "closer.toml").read_text(encoding="utf-8")
