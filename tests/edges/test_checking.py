"""What is in order is said to be; every damage is found, with its line and column, and nothing is changed."""

from __future__ import annotations

import json
import math
import sqlite3
from pathlib import Path

import pytest

from taptone.cli import main
from taptone.edges.checking import check
from taptone.edges.explaining import open_log
from taptone.edges.exporting import export_survey
from taptone.edges.migrations import MIGRATIONS, statements
from taptone.edges.store import create_store, open_store
from taptone.edges.visiting import add_panel, add_photo, add_recording, file_log
from taptone.errors import LogError, SurveyError
from taptone.survey.records import Boat, Reading

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "recordings" / "demo"
PANEL = DEMO / "foredeck.toml"
BASELINE = ROOT / "models" / "lantern-daggerboard.json"


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    """The text of a real log: the first taps of the demo's daggerboard, without a panel."""
    folder = tmp_path_factory.mktemp("log")
    words = ["analyse", DEMO / "daggerboard.flac", "--panel", DEMO / "daggerboard.toml", "--out", folder]
    with pytest.raises(SystemExit) as stop:
        main([str(word) for word in words])
    assert stop.value.code == 0
    return (folder / "log.json").read_text(encoding="utf-8")


@pytest.fixture
def survey(tmp_path, log):
    """A survey with a panel, a recording, a photo, a log and an export."""
    (tmp_path / "photo.jpg").write_bytes(b"no picture")
    with create_store(tmp_path / "kettle") as store:
        store.add(Boat(label="Kettle"))
        store.add(Reading(value=212, place="keel root"))
        add_panel(store, str(PANEL))
        add_recording(store, str(DEMO / "daggerboard-reference.flac"))
        add_photo(store, str(tmp_path / "photo.jpg"))
        folder = store.folder / "exports" / "board-1"
        folder.mkdir()
        (folder / "log.json").write_text(log, encoding="utf-8")
        file_log(store, folder)
        export_survey(store, store.folder / "exports" / "tables-1")
        return store.folder


def texts(folder):
    return [fault.text for fault in check(folder).faults]


# -- in order --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", [*sorted(DEMO.glob("*.toml")), *sorted((ROOT / "models").glob("*.json"))])
def test_the_demo_is_in_order(path):
    found = check(path)
    assert found.faults == ()
    assert found.what.startswith(("panel ", "baseline of Lantern, "))


def test_logs_exports_and_surveys_in_order(survey, log):
    found = check(survey)
    assert (found.faults, found.notes) == ((), ())
    assert found.what.startswith("survey of Kettle, ")
    for path, what in (("board-1", "log of panel daggerboard port, "), ("tables-1", "exported survey, ")):
        found = check(survey / "exports" / path)
        assert found.faults == ()
        assert found.what.startswith(what)
    assert check(survey / "survey.sqlite") == check(survey)


def test_nothing_is_changed(survey):
    before = {path: path.read_bytes() for path in survey.rglob("*") if path.is_file()}
    check(survey)
    assert {path: path.read_bytes() for path in survey.rglob("*") if path.is_file()} == before


# -- line and column -------------------------------------------------------------------------------------


LINE = "[[0.95, 0.0], [0.95, 0.9]]"
FROST = "frozen_within_72h = "
AWAY = '[[cutout]]\nkind = "hatch"\noutline = [[5.0, 0.0], [6.0, 0.0], [6.0, 0.9]]\n'


@pytest.mark.parametrize(
    ("old", "new", "line", "stands", "said"),
    [
        ('"centre"', '"left"', 7, "side = ", 'side is \'left\': write "port", "starboard" or "centre"'),
        ('"centre"', "centre", 7, "centre", "is not TOML: Invalid value (at line 7, column 8)"),
        ('"centre"', '"centre', 7, "", "is not TOML: "),
        ('datum = "', 'datun = "', 9, "datun", "datun is not known: did you mean datum?"),
        ("[1.2, 0.9]", '[1.2, "0.9"]', 10, '"0.9"]', "outline, point 3 is '0.9': write metres as a number"),
        ("[1.2, 0.9]", "[1.2, -0.9]", 10, "outline", "outline crosses itself"),
        ("spacing = 0.1", "spacing = 0", 11, "spacing = 0", "grid, spacing is 0.0: write a distance above"),
        ("spacing = 0.1, ", "", 11, "grid = ", "grid, spacing is missing: add a distance"),
        (FROST + "false", FROST + '"no"', 12, FROST, "conditions, frozen_within_72h is 'no'"),
        ("width = 0.06\n", "", 14, "[[structure]]", "structure 1, frame: width goes with a line: add width"),
        (LINE, LINE.replace("0.9]", "0.0]"), 23, "line = ", "structure 2, frame: line has no length"),
        ("[[structure]]\n", f"{AWAY}[[structure]]\n", 16, "outline = [[5.0", "cutout 1, hatch, lies outside"),
    ],
)
def test_a_fault_in_a_panel_has_its_line_and_column(tmp_path, old, new, line, stands, said):
    text = PANEL.read_text(encoding="utf-8")
    assert old in text
    text = text.replace(old, new, 1)
    (tmp_path / "deck.toml").write_text(text, encoding="utf-8")
    [fault] = check(tmp_path / "deck.toml").faults
    assert said in fault.text
    assert fault.line == line
    here = text.splitlines()[line - 1][fault.column - 1 :]
    assert here.startswith(stands) if stands else not here


def test_text_that_is_not_utf_8(tmp_path):
    (tmp_path / "deck.toml").write_bytes('name = "a"\nside = "füß"\n'.encode("latin-1"))
    [fault] = check(tmp_path / "deck.toml").faults
    assert (fault.text, fault.line, fault.column) == ("is not text in UTF-8: save it as UTF-8", 2, 10)


def where(text, keys):
    """Line and column of a key, found by a mark put in its place before Python writes the file."""
    body = json.loads(text)
    place = body
    for key in keys[:-1]:
        place = place[key]
    if isinstance(place, dict):
        marked = {"MARK" if key == keys[-1] else key: value for key, value in place.items()}
        place.clear()
        place.update(marked)
    else:
        place[keys[-1]] = "MARK"
    lines = json.dumps(body, indent=1, ensure_ascii=False).splitlines()
    [(number, line)] = [(n, line) for n, line in enumerate(lines, start=1) if '"MARK"' in line]
    return number, line.index('"MARK"') + 1


@pytest.mark.parametrize(
    ("keys", "value", "said"),
    [
        (("points", 30, "verdict"), "bad", "points 31, verdict: Input should be 'suspect'"),
        (("points", 5, "x_m"), math.nan, "points 6, x_m: Input should be a finite number"),
        (("points", 3, "confidence"), 7, "points 4, confidence: Input should be less than or equal to 1"),
        (("taps", 40, "used"), "yes", "taps 41, used: Input should be a valid boolean"),
        (("panel", "stations", 2, "x_m"), "0.1", "panel, stations 3, x_m: "),
        (("panel", "outline", 1, 0), "0", "panel, outline 2 1: "),
        (("versions",), 3, "versions: "),
    ],
)
def test_a_fault_in_a_log_has_its_line_and_column(tmp_path, log, keys, value, said):
    body = json.loads(log)
    place = body
    for key in keys[:-1]:
        place = place[key]
    place[keys[-1]] = value
    path = tmp_path / "log.json"
    path.write_text(json.dumps(body, indent=1, ensure_ascii=False), encoding="utf-8")
    [fault] = check(path).faults
    assert fault.text.startswith(said)
    assert (fault.line, fault.column) == where(log, keys)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda points: points.pop(3), "points: station A4 of the panel is missing"),
        (lambda points: points.append(dict(points[0])), "points: station A1 stands there 2 times"),
        (lambda points: points[0].update(station="Z9"), "points: station A1 of the panel is missing"),
        (lambda points: points.append(points[0] | {"station": "Z9"}), "points: the panel has no station Z9"),
    ],
)
def test_stations_that_went_or_came_are_told(tmp_path, log, spoil, said):
    body = json.loads(log)
    spoil(body["points"])
    path = tmp_path / "log.json"
    path.write_text(json.dumps(body, indent=1), encoding="utf-8")
    [fault] = check(path).faults
    assert fault.text.startswith(said)
    with pytest.raises(LogError, match=said):
        open_log(path)


def test_a_log_that_lacks_something_points_to_what_lacks_it(tmp_path, log):
    body = json.loads(log)
    del body["points"][5]["reason"]
    text = json.dumps(body, indent=1, ensure_ascii=False)
    (tmp_path / "log.json").write_text(text, encoding="utf-8")
    [fault] = check(tmp_path / "log.json").faults
    assert fault.text.startswith("points 6, reason: Field required: analyse again")
    lines = text.splitlines()
    assert lines[fault.line - 1][fault.column - 1 :] == "{"
    assert '"station": "' + body["points"][5]["station"] in "".join(lines[fault.line : fault.line + 4])


def test_a_log_cut_short(tmp_path, log):
    cut = log[: len(log) // 2].rpartition("\n")[0]
    (tmp_path / "log.json").write_text(cut, encoding="utf-8")
    [fault] = check(tmp_path / "log.json").faults
    assert "is not JSON" in fault.text
    assert fault.line == cut.count("\n") + 1


def test_faults_in_a_baseline(tmp_path):
    text = BASELINE.read_text(encoding="utf-8")
    path = tmp_path / "good.json"
    path.write_text(text.replace('"taps": ', '"taps": 1.5, "was": ', 1), encoding="utf-8")
    [fault] = check(path).faults
    assert fault.text.startswith("places 1, taps: Input should be a valid integer")
    number = next(n for n, line in enumerate(text.splitlines(), start=1) if '"taps": ' in line)
    assert fault.line == number
    path.write_text(text.replace("Lantern", "Kettle"), encoding="utf-8")
    assert "was changed after it was written" in check(path).faults[0].text


def test_a_fault_in_an_exported_survey(survey):
    path = survey / "exports" / "tables-1" / "survey.json"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"value": 212.0', '"value": "many"'), encoding="utf-8")
    [fault] = check(path).faults
    assert fault.text.startswith("reading 1, value: Input should be a valid number")
    line = path.read_text(encoding="utf-8").splitlines()[fault.line - 1]
    assert line[fault.column - 1 :].startswith('"value": "many"')


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("x.json", b"[1, 2]", "is JSON, but neither a baseline nor a log"),
        ("x.json", b"", "is not JSON"),
        ("x.json", b'{"format": "taptone baseline 9"}', "Field required"),
        ("x.json", b'{"format": "taptone survey 9"}', "is of another version"),
        ("x.json", b'{"format": "taptone survey 1", "rows": {"boat": [3]}}', "boat, row 1 holds no record"),
        ("x.json", b'{"points": 3}', "Field required"),
        ("x.json", b"[" * 100_000, "is none of this program's files"),
        ("x.png", b"\x89PNG\r\n\x1a\n\xff", "is none of this program's files"),
        ("x.toml", b"", "is missing"),
        ("x", b"\0\1", "is not TOML"),
        ("survey.sqlite", b"no database", "cannot be read (file is not a database)"),
        ("survey.sqlite", b"", "is no store of this program"),
    ],
)
def test_other_files_are_told(tmp_path, name, content, said):
    (tmp_path / name).write_bytes(content)
    [fault] = check(tmp_path / name).faults
    assert said in fault.text
    assert "\n" not in fault.text


def test_what_is_not_there(tmp_path):
    assert texts(tmp_path / "nowhere") == ["does not exist: check the name"]
    assert "is a folder without a survey or a log" in texts(tmp_path)[0]
    assert "is not a file" in texts("/dev/null")[0]


# -- surveys ---------------------------------------------------------------------------------------------


def test_kept_files_that_changed_or_went(survey):
    (survey / "recordings" / "daggerboard-reference.flac").write_bytes(b"other")
    (survey / "photos" / "photo.jpg").unlink()
    (survey / "exports" / "board-1" / "log.json").unlink()
    (survey / "exports" / "tables-1" / "survey.json").write_bytes(b"{}")
    assert [text.partition(":")[0] for text in texts(survey)] == [
        "photos/photo.jpg is missing",
        "recordings/daggerboard-reference.flac has changed (its hash differs)",
        "exports/board-1/log.json is missing",
        "exports/tables-1/survey.json has changed (its hash differs)",
    ]


def test_files_that_are_not_recorded(survey):
    (survey / "recordings" / "more.wav").write_bytes(b"")
    (survey / "panels" / ".coming-x").write_bytes(b"")
    (survey / "exports" / "letter.pdf").write_bytes(b"")
    assert texts(survey) == [
        "recordings/more.wav is not recorded: taptone add recording, or move it elsewhere",
        "panels/.coming-x was left by a run that was cut short: it may be deleted",
    ]
    assert check(survey).notes == ("exports/letter.pdf is not recorded",)


@pytest.mark.parametrize(
    ("table", "change", "said"),
    [
        ("verdict", "verdict = 'suspect' WHERE id = 3", "the verdicts of analysis 1: one does not say what"),
        (
            "panel",
            "text = replace(text, '0.1', '0.2')",
            "panel 1 does not say what panels/foredeck.toml says",
        ),
    ],
)
def test_a_row_changed_behind_a_restored_trigger(survey, table, change, said):
    db = sqlite3.connect(survey / "survey.sqlite")
    [(trigger,)] = db.execute("SELECT sql FROM sqlite_master WHERE name = ?", (f"{table}_no_update",))
    db.executescript(f"DROP TRIGGER {table}_no_update; UPDATE {table} SET {change}; {trigger}")
    db.close()
    [text] = texts(survey)
    assert said in text


def test_where_nothing_can_be_written_a_copy_is_checked(survey, monkeypatch):
    opened, connect = [], sqlite3.connect
    monkeypatch.setattr("os.access", lambda *_, **__: False)
    monkeypatch.setattr(sqlite3, "connect", lambda path, **more: opened.append(path) or connect(path, **more))
    assert texts(survey) == []
    assert opened
    assert survey / "survey.sqlite" not in opened


def test_an_export_that_a_later_one_set_beside_is_in_order(survey):
    with open_store(survey) as store:
        export_survey(store, survey / "exports" / "tables-1")
    assert texts(survey) == []


def test_panels_that_were_corrected_are_still_looked_after(survey, tmp_path):
    other = tmp_path / "foredeck.toml"
    other.write_text(PANEL.read_text(encoding="utf-8").replace("0.1,", "0.2,"), encoding="utf-8")
    with open_store(survey) as store:
        add_panel(store, str(other), who="J", why="too fine")
    assert texts(survey) == []
    (survey / "panels" / "foredeck.toml").unlink()
    assert texts(survey) == ["panels/foredeck.toml is missing: put back what was recorded"]


@pytest.mark.parametrize(
    ("sql", "said"),
    [
        ("DROP TRIGGER boat_no_update", "trigger boat_no_update is missing or was changed"),
        (
            "CREATE TRIGGER more AFTER INSERT ON boat BEGIN DELETE FROM note; END",
            "trigger more was added by another program",
        ),
        (
            "DROP TRIGGER reading_no_update; UPDATE reading SET value = 1",
            "trigger reading_no_update is missing or was changed",
        ),
        ("PRAGMA user_version = 99", "was made by a later version of this program"),
        (
            "INSERT INTO boat VALUES (9, '', '', '', NULL, 0, 'x', '{')",
            "boat 9 cannot be read (Expecting property name",
        ),
        (
            "INSERT INTO recording VALUES "
            "(9, '', '', '', NULL, 0, 'x', '', 'short', 1, 1, '', 'panel', '', '')",
            "recording 9 cannot be read (sha256: String should match pattern",
        ),
        (
            "INSERT INTO note VALUES (9, '', '', '', 7, 0, 'x', '', '')",
            "note 9 names a row that is not there",
        ),
    ],
)
def test_a_store_that_another_program_changed(survey, sql, said):
    db = sqlite3.connect(survey / "survey.sqlite")
    db.executescript(sql)
    db.close()
    [text] = texts(survey)
    assert said in text


def test_an_unreadable_row_is_one_line_everywhere(survey):
    db = sqlite3.connect(survey / "survey.sqlite")
    db.execute("INSERT INTO boat VALUES (9, '', '', '', NULL, 0, 'x', '{')")
    db.commit()
    db.close()
    with open_store(survey) as store, pytest.raises(SurveyError, match="boat 9 cannot be read"):
        store.rows(Boat)


def test_a_damaged_database(survey):
    path = survey / "survey.sqlite"
    content = bytearray(path.read_bytes())
    for page in range(4, len(content) // 4096):  # what stands on every page but the first ones
        content[page * 4096 : page * 4096 + 200] = bytes(range(200))
    path.write_bytes(content)
    found = texts(survey)
    assert found
    assert all(text.startswith("survey.sqlite") and "take the latest pack" in text for text in found)


def test_an_earlier_store_is_not_brought_up_to_date(tmp_path):
    path = tmp_path / "survey.sqlite"
    db = sqlite3.connect(path)
    for statement in statements(0):
        db.execute(statement)
    db.execute("PRAGMA user_version = 1")
    db.commit()
    db.close()
    before = path.read_bytes()
    found = check(tmp_path)
    assert found.faults == ()
    assert f"made by an earlier version (1 of {len(MIGRATIONS)} steps)" in found.notes[0]
    assert path.read_bytes() == before


# -- the command -----------------------------------------------------------------------------------------


def test_all_files_are_checked_and_any_fault_is_exit_1(run_taptone, survey, tmp_path):
    (tmp_path / "bad.toml").write_text('name = "x"\nside = 3\n', encoding="utf-8")
    run = run_taptone("check", "bad.toml", "nowhere", PANEL, "kettle", BASELINE)
    assert run.returncode == 1
    lines = run.stdout.splitlines()
    assert lines[0].startswith("bad.toml:2:1: side is 3: write ")
    assert lines[1] == "nowhere: does not exist: check the name"
    assert [line.endswith(": in order") for line in lines] == [False, False, True, True, True]
    assert "Traceback" not in run.stderr
    assert run_taptone("check", PANEL, "kettle").returncode == 0
    assert run_taptone("check").returncode == 2
