"""One setting for metres or feet and inches: with `ft-in` no screen and no page shows a metric length or °C.

Figures: an inch is 25.4 mm, exactly (international yard and pound agreement, 1959); °F = 9/5 °C + 32.
"""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from taptone.cli import main
from taptone.edges.layout import PAPERS_IN, _figure, _pages
from taptone.edges.textfiles import load_panel

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented import RATE, laid, panel_text, tap

METRIC = re.compile(r"(?<![\w.])\d+(?:\.\d+)? ?(?:mm|cm|m²?|°C)(?![\w/³])|°C|_mm?2? \d")
ALTERED = {"lower": 0.85, "longer": 1.5, "duller_db": 2.0}
MORE = """
[laminate]
skin_mm = 3.0
core = "foam"
core_mm = 20
[conditions]
air_temp_c = 16
"""


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A survey with an analysis, and with readings, an observation and a plug."""
    folder, rng = tmp_path_factory.mktemp("made"), np.random.default_rng(12)
    hits = [tap(rng, **(ALTERED if k == 11 else {})) for k in range(24)]
    soundfile.write(folder / "deck.wav", laid(hits, [8, 8, 8]), RATE, "PCM_24")
    text = "surface_temp_c = 14\ndown = 'y'\n" + panel_text(3, 8, MORE).replace("60 g steel", "60 g plastic")
    (folder / "deck.toml").write_text(text, encoding="utf-8")
    run_main("new", folder / "kettle", "--boat", "Kettle", "--surveyor", "J", "--surface-temp-c", 14)
    on = ("--survey", folder / "kettle", "--panel", "foredeck")
    run_main("add", "panel", folder / "deck.toml", *on[:2])
    run_main("add", "meter", *on[:2], "--label", "K", "--scale", "relative", "--warning-level", 200)
    for value, y_m in ((212, 0.16), (180, 0.02), (190, 0.06), (200, 0.1), (205, 0.13)):
        run_main("add", "reading", *on, "--meter", "K", "--value", value, "--x-m", 0.36, "--y-m", y_m)
    run_main("add", "reading", *on, "--value", 12, "--x-m", 0.6, "--y-m", 0.2)
    crack = ("--what", "crack", "--text", "30 mm long", "--x-m", 0.36, "--y-m", 0.16)
    run_main("add", "observation", *on, *crack)
    plug = ("--station", "B4", "--depth-mm", 12, "--permission", "owner, 2026-05-14", "--seen", "dry")
    run_main("add", "plug", *on, *plug)
    run_main("analyse", folder / "deck.wav", *on)
    (folder / "warm.toml").write_text(text.replace("temp_c = 14", "temp_c = 30"), encoding="utf-8")
    run_main("analyse", folder / "deck.wav", "--panel", folder / "warm.toml", "--out", folder / "warm")
    return folder


def run_main(*words):
    with pytest.raises(SystemExit) as stop:
        main([str(word) for word in words])
    assert stop.value.code == 0


@pytest.fixture
def visit(made, typed, monkeypatch):
    """Type a command beside that survey, with feet and inches wanted."""
    monkeypatch.chdir(made)
    monkeypatch.setenv("TAPTONE_UNITS", "ft-in")
    return typed


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        (("history", "kettle"), ["surface_temp 57 °F", "x 1' 2 1/4\"", 'depth 0.47"']),
        (("history", "kettle", "--kind", "station"), ['label A1, x 2", y 2"']),
        (("points", "kettle"), ['foredeck x 1\' 2 1/4", y 6 1/4" |', 'plug, 0.47": dry', "a foot"]),
        (("look-next", "kettle"), ['x 1\' 2 1/4", y 6 1/4"']),
        (("next", "kettle"), ["along x", "sq ft"]),
        (("status", "kettle"), ["24 tapped"]),
        (("explain", "kettle/exports/foredeck-1", "B4"), ["B4"]),
        (("explain", "kettle/exports/foredeck-1", "A1"), ['" across']),
        (
            ("compare", "kettle/exports/foredeck-1", "warm", "--anyway"),
            ["surface at 57 °F then, 86 °F now: over 18 °F apart"],
        ),
        (("agree", "kettle/exports/foredeck-1", "kettle/exports/foredeck-1"), ["B4"]),
        (("plan", "--panel", "deck.toml"), ['every 3 7/8"', 'skin 0.12"']),
        (("analyse", "deck.wav", "--panel", "deck.toml"), ['0.12"']),
        (("check", "deck.toml", "kettle"), ["in order"]),
        (("export", "kettle"), ["written"]),
    ],
)
def test_no_screen_is_metric(visit, words, shown):
    code, out, err = visit(*words)
    assert code == 0, err
    said = re.sub(r"30 mm long|written: \S+.*", "", out + err)  # the surveyor's own words stay
    assert METRIC.findall(said) == []
    for text in shown:
        assert text in out + err


def test_what_the_surveyor_wrote_and_files_stay_as_they_are(visit):
    _, out, _ = visit("points", "kettle", "--out", "points.csv")
    assert "crack: 30 mm long" in out
    assert "plug, 12 mm: dry" in Path("points.csv").read_text(encoding="utf-8")
    _, out, _ = visit("points", "kettle", "--json")
    assert "x 0.36 m, y 0.16 m" in out
    visit("export", "kettle", "--out", "tables")
    body = json.loads(Path("tables/survey.json").read_text(encoding="utf-8"))
    assert (body["lengths"], body["rows"]["plug"][0]["record"]["depth_mm"]) == ("metres", 12)


def test_names_that_tell_a_measure_stay_as_they_are(visit, made):
    name, label = "strip of 50 mm", "meter of 25 mm"
    text = (made / "deck.toml").read_text(encoding="utf-8")
    (made / "strip.toml").write_text(text.replace('"foredeck"', f'"{name}"'), encoding="utf-8")
    run_main("new", made / "shed", "--boat", "Boat of 9 m", "--surveyor", "J")
    visit("add", "panel", "strip.toml", "--survey", "shed")
    visit(
        "add",
        "meter",
        "--survey",
        "shed",
        "--label",
        label,
        "--scale",
        "to 40 mm deep",
        "--warning-level",
        20,
    )
    at = ("--survey", "shed", "--panel", name, "--station", "B4")
    visit("add", "reading", *at, "--value", 30, "--meter", label, "--note", "core of 12 mm, at 5 °C")
    visit("add", "plug", *at, "--permission", "owner", "--depth-mm", 12, "--seen", "plug, 40 mm dry")
    visit("add", "observation", "--survey", "shed", "--what", "crack of 50 mm", "--place", "is 3 m aft")
    for command, kept in (
        ("points", [f"{name} B4 |", f"meter {label};", "of 12 mm, at 5 °C", 'plug, 0.47": plug, 40 mm dry']),
        ("look-next", [f"{name}, B4", "finding: crack of 50 mm, is 3 m aft"]),
    ):
        _, out, _ = visit(command, "shed")
        assert [text for text in kept if text not in out] == []
    _, _, err = visit("add", "note", "--survey", "shed", "--panel", "deck of 20 mm", "--text", "x")
    assert err.startswith(
        f"taptone: this survey has no panel deck of 20 mm: add its file first; there are {name}"
    )
    (made / "row is 2 m long.wav").write_bytes(b"no sound")
    _, _, err = visit("analyse", "row is 2 m long.wav", "--out", "long")
    assert err.startswith("taptone: row is 2 m long.wav ")


def test_maps_and_sheets_are_not_metric(visit, made):
    visit("analyse", "deck.wav", "--panel", "deck.toml", "--out", "map")
    visit("compare", "warm", "kettle/exports/foredeck-1", "--anyway", "--out", "changes")
    for file in ("map/map.svg", "changes/changes.svg"):
        written = re.findall(r"<!-- (.*?) -->", (made / file).read_text(encoding="utf-8"))
        assert len(written) > 20
        assert METRIC.findall("\n".join(written)) == [], file
    conditions = next(
        line for line in re.findall(r"<!-- (.*?) -->", (made / "map/map.svg").read_text()) if "°F" in line
    )
    assert "surface: 57 °F; air: 61 °F" in conditions
    panel = load_panel("deck.toml")
    for page in _pages(panel, PAPERS_IN["letter"]):
        written = [t.get_text() for axes in _figure(panel, page, 1, "ft-in").axes for t in axes.texts]
        assert METRIC.findall("\n".join(written)) == []
        assert "surface °F:" in written
        assert "57" in written


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("[[station]]\nlabel = 'F7'\nx = 5\ny = 0.3\n", 'F7 at (16\' 4 3/4", 11 3/4"), lies outside'),
        ("[grid]\nspacing = 3\npath = 'rows'\n", 'above 0 up to 6\' 6 3/4" (0.1 for 3 7/8")'),
        ("[grid]\nspacing = '100 mm'\npath = 'rows'\n", "grid, spacing is '100 mm': write metres"),
        ("[grid]\nspacing = 3000\npath = 'rows'\n", "the longest taken is 656' 2\""),
    ],
)
def test_faults_of_a_panel_file(typed, tmp_path, monkeypatch, fault, said):
    head = "\n".join(line for line in panel_text(3, 8).splitlines() if "grid" not in line)
    (tmp_path / "deck.toml").write_text(head + "\n" + fault, encoding="utf-8")
    monkeypatch.setenv("TAPTONE_UNITS", "ft-in")
    for words in (("plan", "--panel", "deck.toml"), ("check", "deck.toml")):
        code, out, err = typed(*words)
        assert code == 1
        assert said in out + err
        assert METRIC.findall((out + err).replace("'100 mm'", "")) == []


def test_a_fault_in_a_file_of_feet_says_what_stands_there(typed, tmp_path):
    text = panel_text(3, 8).replace("spacing = 0.1", "spacing = 12")
    (tmp_path / "deck.toml").write_text('units = "ft-in"\n' + text, encoding="utf-8")
    _, _, err = typed("plan", "--panel", "deck.toml")
    assert (
        "grid, spacing is 12: write a distance above 0 up to 2 m (feet as a number, or text as 4' 7 1/2\")"
        in err
    )


def test_set_decides_for_messages_and_faults_too(visit):
    (Path.cwd() / "cold.toml").write_text(
        Path("deck.toml").read_text(encoding="utf-8").replace("surface_temp_c = 14", "surface_temp_c = -3"),
        encoding="utf-8",
    )
    code, out, _ = visit("analyse", "deck.wav", "--panel", "cold.toml", "--out", "one")
    assert code == 0
    assert "surface at 27 °F" in out
    code, out, _ = visit(
        "analyse", "deck.wav", "--panel", "cold.toml", "--out", "two", "--set", "show.units=m"
    )
    assert code == 0
    assert "surface at -3 °C" in out
    words = ("analyse", "deck.wav", "--panel", "deck.toml", "--surface-temp-c", 20)
    assert "(57 °F) than stated (68 °F)" in visit(*words)[2]
    assert "(14 °C) than stated (20 °C)" in visit(*words, "--set", "show.units=m")[2]


def test_the_head_of_water_begins_with_the_units_that_are_wanted(visit):
    """CHECK: 1.8 m are 5 ft 10.9 in; 18.09 kPa are 2.624 psi."""
    _, out, _ = visit("head", "1.8", "m")
    assert out.startswith("5 ft 10.9 in (1.800 m) of sea water")
    assert "2.624 psi, 18.09 kPa" in out


def test_a_unit_that_is_none_is_refused_before_anything_is_done(typed, monkeypatch):
    monkeypatch.setenv("TAPTONE_UNITS", "yards")
    code, out, err = typed("new", "kettle", "--boat", "Kettle")
    assert (code, out, err) == (1, "", "taptone: TAPTONE_UNITS is 'yards': choose m or ft-in\n")
    assert not Path("kettle").exists()
