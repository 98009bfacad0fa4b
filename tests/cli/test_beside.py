"""``add``, ``points``, ``look-next`` and ``head`` through the real command."""

from __future__ import annotations

import contextlib
import csv
import json
import shutil
from pathlib import Path

import pytest

from taptone.cli import main
from taptone.edges.store import open_store
from taptone.survey.moisture import Rise, rise_in_words
from taptone.survey.records import Analysis, Reading, StationVerdict, SuspectArea

BLADE = """
name = "blade"
side = "port"
face = "outside"
construction = "skins over foam with armature"
datum = "stock centre"
outline = [[0, 0], [0.4, 0], [0.4, 0.8], [0, 0.8]]
[grid]
spacing = 0.1
path = "rows"
[[structure]]
kind = "armature"
line = [[0.05, 0], [0.05, 0.8]]
width = 0.04
"""


@pytest.fixture(scope="module")
def begun(tmp_path_factory):
    """The survey ``lantern`` with one panel, one meter and no analysis; tests work on copies of it."""
    folder = tmp_path_factory.mktemp("begun")
    (folder / "blade.toml").write_text(BLADE, encoding="utf-8")
    (folder / "weep.jpg").write_bytes(b"a photo")
    meter = ("--label", "K", "--scale", "relative", "--warning-level", "200")
    typed_in(folder, "new", "lantern", "--boat", "Lantern", "--surveyor", "J")
    typed_in(folder, "add", "panel", "blade.toml", "--survey", "lantern")
    typed_in(folder, "add", "photo", "weep.jpg", "--survey", "lantern", "--panel", "blade", "--station", "A3")
    typed_in(folder, "add", "meter", "--survey", "lantern", *meter)
    return folder


@pytest.fixture
def run(run_taptone, begun, tmp_path):
    """Run the real command where a copy of that survey lies."""
    shutil.copytree(begun, tmp_path, dirs_exist_ok=True)
    return run_taptone


def typed_in(folder, *words):
    """Type a command that has to work, in this very process: many take a second each otherwise."""
    with contextlib.chdir(folder), pytest.raises(SystemExit) as stop:
        main([str(word) for word in words])
    assert not stop.value.code


def add_readings(folder, stations, values):
    for station, value in zip(stations, values, strict=True):
        given = ("--panel", "blade", "--station", station, "--value", value, "--meter", "K")
        typed_in(folder, "add", "reading", "--survey", "lantern", *given)


def add(run, kind, **values):
    words = [w for name, value in values.items() for w in (f"--{name}", value)]
    return run("add", kind, "--survey", "lantern", *words)


def analysed(folder: Path, **verdicts):
    """File an analysis as ``taptone analyse`` does, with these verdicts."""
    with open_store(folder / "lantern") as store:
        number = store.add(
            Analysis(
                panel="blade",
                folder="exports/x",
                log_sha256="0" * 64,
                recordings=[],
                settings={},
                versions={},
            )
        )
        store.add_all(
            [StationVerdict(analysis=number, station=s, taps=2, verdict=v) for s, v in verdicts.items()]
        )
        suspects = [s for s, v in verdicts.items() if v == "suspect"]
        if suspects:
            store.add(SuspectArea(analysis=number, stations=suspects, at_least_m2=0, at_most_m2=0.05))


def test_a_reading_is_warned_about_as_it_is_added(run):
    plain = add(run, "reading", panel="blade", station="A3", value=212, meter="K")
    assert (plain.returncode, plain.stderr) == (0, "")
    bare = add(run, "reading", panel="blade", station="A3", value=212)
    assert "212 has no scale" in bare.stderr
    metal = add(run, "reading", panel="blade", station="A1", value=700, meter="K")
    assert "700 is unreliable: over armature" in metal.stderr
    assert (bare.returncode, metal.returncode) == (0, 0)


def test_the_words_for_what_was_seen_are_offered(run):
    helped = " ".join(run("add", "observation", "--help").stdout.split())
    assert "stain, rust stain, crack, crazing, bulge, hollow by ear" in helped
    assert "felt dead by hand, or anything in a few words" in helped
    assert add(run, "observation", what="smells of diesel", place="bilge").returncode == 0


def test_a_photo_must_be_there(run):
    good = add(run, "observation", what="weep", panel="blade", station="A3", photo="photos/weep.jpg")
    assert good.returncode == 0
    wrong = add(run, "observation", what="weep", panel="blade", station="A3", photo="other.jpg")
    assert wrong.returncode == 1
    assert (
        wrong.stderr == "taptone: this survey has no photo other.jpg: add it first: taptone add photo FILE\n"
    )


def test_points_prints_and_writes_the_joined_log(run, tmp_path):
    analysed(tmp_path, A2="suspect", A3="suspect", A4="no difference", B4="no difference")
    add_readings(tmp_path, ("A2", "B2", "C2", "D3", "E3", "F3"), (260, 240, 180, 150, 90, 60))
    add(run, "observation", what="weep", panel="blade", station="A3", photo="weep.jpg")
    add(run, "observation", what="valve will not turn", place="heads", urgency="before_use")
    done = run("points", "lantern", "--out", "joined.csv")
    assert done.returncode == 0
    assert "blade A3 | heard: suspect | seen: weep (photo weep.jpg)\n" in done.stdout
    assert "2 more: no difference, nothing read or seen there\n" in done.stdout
    assert "meet 1, blade, A2, A3, B2: heard and readings and seen\n" in done.stdout
    assert "finding, before_use: valve will not turn, heads\n" in done.stdout
    assert "no rise looked for: say which way is down" in done.stderr
    with open(tmp_path / "joined.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert {"heard", "readings", "seen"} <= rows[0].keys()
    assert len(rows) == 32 + 1
    [row] = [row for row in rows if row["station"] == "A2"]
    assert (row["heard"], row["meets"]) == ("suspect", "1")
    assert row["readings"].startswith("260 (relative; meter K")
    again = run("points", "lantern", "--out", "joined.csv")
    assert again.stdout == done.stdout


def test_the_rise_is_shown_only_when_down_is_said(run, tmp_path):
    add_readings(tmp_path, ("A2", "B2", "C2", "D2", "E2", "F2"), range(300, 60, -40))
    assert "rise towards" not in run("points", "lantern").stdout
    for way in ("-y", "blade=-y"):
        said = run("points", "lantern", "--down", way).stdout
        assert "readings rise towards the lowest point by 400 a metre" in said
        assert "n = 6 places): a rise of readings, not a finding of water" in said
    assert (
        "readings fall towards the lowest point by 400 a metre"
        in run("points", "lantern", "--down", "+y").stdout
    )
    changed = BLADE.replace("[grid]", 'down = "-y"\n[grid]')
    (tmp_path / "blade.toml").write_text(changed, encoding="utf-8")
    assert (
        run("add", "panel", "blade.toml", "--survey", "lantern", "--why", "down was not said").returncode == 0
    )
    assert "readings rise" in run("points", "lantern").stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--down", "z"), "--down z is no way down: write x or y"),
        (("--down", "keel=-y"), "--down: there is no panel keel: there are blade"),
        (("--panel", "keel"), "this survey has no panel keel"),
        (("--out", "nowhere/joined.csv"), "nowhere is not a folder"),
    ],
)
def test_points_says_in_one_line_what_is_wrong(run, words, said):
    done = run("points", "lantern", *words)
    assert done.returncode == 1
    assert said in done.stderr
    assert done.stderr.count("\n") == 1


def test_points_as_json(run, tmp_path):
    analysed(tmp_path, A3="suspect")
    add(run, "observation", what="crack", panel="blade", station="A3")
    add(run, "reading", panel="blade", station="A1", value=12)
    said = json.loads(run("points", "lantern", "--json").stdout)
    assert said["meetings"][0]["kinds"] == ["heard", "seen"]
    assert said["lines"][2] | {"x_m": 0} == said["lines"][2] | {"station": "A3", "seen": "crack", "x_m": 0}
    assert {note.split(":")[0] for note in said["notes"]} == {"blade A1"}


def test_one_panel_alone(run):
    add(run, "observation", what="crack", place="stem")
    assert "stem" in run("points", "lantern").stdout
    assert "stem" not in run("points", "lantern", "--panel", "blade").stdout


def test_a_corrected_reading_stands_in_the_log(run, tmp_path):
    add(run, "reading", panel="blade", station="B3", value=212, meter="K")
    run("correct", "reading", "1", "value=121", "--survey", "lantern", "--why", "read the wrong way round")
    said = run("points", "lantern").stdout
    assert "121 (relative" in said
    assert "212" not in said
    with open_store(tmp_path / "lantern") as store:
        assert len(store.history(Reading)) == 2


def test_look_next_asks_and_names_its_sources(run, tmp_path):
    assert "nothing is asked" in run("look-next", "lantern").stdout
    analysed(tmp_path, A3="suspect")
    add(run, "observation", what="weep", panel="blade", station="A3")
    done = run("look-next", "lantern")
    assert done.returncode == 0
    asked = [line for line in done.stdout.splitlines() if line.startswith("  - ")]
    assert len(asked) > 8
    sources = ("trade article", "published guidance", "owners' forum", "common practice, no source")
    assert all(line.endswith(tuple(f"? [{source}]" for source in sources)) for line in asked)
    assert "drill" not in done.stdout
    first = json.loads(run("look-next", "lantern", "--json").stdout)[0]
    assert (first["on"], first["kinds"]) == (["area", "meeting"], ["heard", "seen"])


def test_look_next_takes_a_file_of_ones_own(run, tmp_path):
    analysed(tmp_path, A3="suspect")
    shown = run("look-next", "--show-prompts").stdout
    assert shown.startswith("# What to look at next")
    (tmp_path / "mine.toml").write_text(
        shown
        + '\n[[prompt]]\non = ["area"]\nask = "Was Kettle asked?"\nsource = "common practice, no source"\n',
        encoding="utf-8",
    )
    assert "Was Kettle asked?" in run("look-next", "lantern", "--prompts", "mine.toml").stdout
    missing = run("look-next", "lantern", "--prompts", "none.toml")
    assert missing.returncode == 1
    assert missing.stderr.startswith(
        "taptone: none.toml cannot be read (No such file or directory): give a file"
    )


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("1", "m"), "10.05 kPa, 1.458 psi"),
        (("1.8", "m"), "18.09 kPa, 2.624 psi"),
        (("180cm",), "18.09 kPa, 2.624 psi"),
        (("5", "ft", "11", "in"), "18.13 kPa, 2.629 psi"),
        (("71 in",), "18.13 kPa, 2.629 psi"),
        (("1", "m", "--density", "1000"), "9.81 kPa, 1.422 psi"),
    ],
)
def test_head(run_taptone, words, said):
    done = run_taptone("head", *words)
    assert said in done.stdout
    assert "kg/m³" in done.stdout


@pytest.mark.parametrize("words", [("1.8",), ("-1", "m"), ("1800", "m"), ("deep",), ("1", "fathom")])
def test_no_depth(run_taptone, words):
    done = run_taptone("head", *words)
    assert done.returncode == 2
    assert "1.8 m, 180 cm, 5 ft 11 in" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_density_that_is_no_number(run_taptone):
    done = run_taptone("head", "1", "m", "--density", "nan")
    assert (done.returncode, done.stdout) == (2, "")
    assert "Invalid value for '--density': nan is no number" in done.stderr


def test_a_rise_is_told_by_the_foot_where_feet_are_asked_for():
    """A foot is 0.3048 m (international yard and pound agreement, 1959): 40 a metre are 12.19 a foot."""
    rise = Rise("K", "relative", "", 7, 0, "rise", 40.0, 37.1, 43.8)
    assert "by 12.19 a foot (95 % interval 11.3 to 13.4, n = 7 places)" in rise_in_words(rise, "ft-in")
