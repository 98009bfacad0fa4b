"""A survey from the command line: made, added to, analysed into, corrected; whatever is wrong is one line."""

from __future__ import annotations

import contextlib
import csv
import os
import pty
import select
import shutil
import signal
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from taptone.cli import _run, _taptone
from taptone.edges import visiting
from taptone.edges.store import Store, create_store, open_store
from taptone.errors import SurveyError
from taptone.survey.records import (
    KINDS,
    Analysis,
    Boat,
    Conditions,
    HeardTap,
    Note,
    Observation,
    Omission,
    PanelFile,
    Photo,
    PlannedStation,
    Reading,
    SoundFile,
    StationVerdict,
    SuspectArea,
    Visit,
    Word,
)
from taptone.types import Point, Result

ROOT = Path(__file__).parents[2]
DEMO, MODELS = ROOT / "recordings" / "demo", ROOT / "models"
BLADE = "daggerboard port"


def one_line(run, said, code=1):
    assert run.returncode == code, run.stdout + run.stderr
    assert said in run.stderr
    assert "Traceback" not in run.stderr
    if code == 1:
        assert run.stderr.count("\n") == 1, run.stderr
    return run


def done(run):
    assert run.returncode == 0, run.stderr
    assert "Traceback" not in run.stderr
    return run


@pytest.fixture
def run_here(tmp_path, monkeypatch, capsys):
    """Run the command in this very process, which need not load it anew."""
    monkeypatch.chdir(tmp_path)

    def run(*words):
        capsys.readouterr()
        return SimpleNamespace(
            returncode=_run(_taptone, [os.fsdecode(word) for word in words]),
            **dict(zip(("stdout", "stderr"), capsys.readouterr(), strict=True)),
        )

    return run


def within(run_here, folder):
    """Runs commands in one survey: ``survey("add", "note", "--text", "x")``."""

    def run(*words):
        words = [os.fsencode(word) if isinstance(word, Path) else word for word in words]
        end = words.index("--") if "--" in words else len(words)
        at = ("lantern",) if words[0] in ("status", "history", "pack", "points") else ("--survey", "lantern")
        return run_here(*words[:end], *at, *words[end:])

    run.folder = folder
    return run


@pytest.fixture
def survey(tmp_path, run_here):
    """A survey with one panel."""
    with create_store(tmp_path / "lantern", [Boat(label="Lantern")], who="J") as store:
        store.add(Visit(date="2026-05-14", surveyor="J"), who="J")
        visiting.add_panel(store, str(DEMO / "daggerboard.toml"), who="J")
    return within(run_here, tmp_path / "lantern")


def records(survey, kind, **equal):
    with open_store(survey.folder) as store:
        return store.records(kind, **equal)


def count(folder):
    with open_store(folder) as store:
        return {name: len(store.history(kind)) for name, kind in KINDS.items()}


# -- new ------------------------------------------------------------------------------------------------


def test_new_takes_every_flag(tmp_path, run_taptone):
    words = {
        "boat": "Lantern",
        "particulars": "length=9.1 m",
        "date": "2026-05-14",
        "place": "yard",
        "surveyor": "J",
        "client": "buyer",
        "question": "is the deck sound",
        "readers": "buyer",
        "consent": "owner, by mail, 2026-05-10",
        "supported": "cradle",
        "hours-ashore": "72",
        "air-temp-c": "11",
        "surface-temp-c": "12.5",
        "sun": "shade",
        "wind": "light",
        "noise": "a grinder, far",
        "surface": "dry",
        "tanks": "empty",
        "note": "none",
    }
    flags = [word for name, value in words.items() for word in (f"--{name}", value)]
    run = done(run_taptone("new", "lantern", *flags, "--no-rain-within-24h", "--no-frozen-within-72h"))
    assert run.stdout.startswith("lantern: survey of Lantern\n")
    assert "Never move a stand" in run.stdout
    with open_store(tmp_path / "lantern") as store:
        assert store.records(Boat) == [Boat(label="Lantern", particulars={"length": "9.1 m"})]
        [visit] = store.rows(Visit)
        assert (visit.who, visit.record.consent) == ("J", "owner, by mail, 2026-05-10")
        [here] = store.records(Conditions)
    assert (here.frozen_within_72h, here.rain_within_24h, here.surface_temp_c) == (False, False, 12.5)
    status = done(run_taptone("status", "lantern")).stdout
    assert status.splitlines()[0] == "Lantern, 2026-05-14, J"
    assert "open: of the visit" not in status


@pytest.mark.parametrize(
    ("flags", "said"),
    [
        ([], "boat, label is missing: give the boat's name"),
        (["--boat", ""], "boat, label is ''"),
        (["--boat", "  "], "boat, label is '  '"),
        (["--boat", "two\nlines"], "boat, label is"),
        (["--boat", b"a\xff"], "boat, label is"),
        (["--boat", "Lantern", "--date", "14 May"], "visit, date is '14 May': give the day, as 2026-05-14"),
        (["--boat", "Lantern", "--date", "2026-02-30"], "visit, date is '2026-02-30'"),
        (["--boat", "Lantern", "--hours-ashore", "nan"], "conditions, hours_ashore is nan"),
        (["--boat", "Lantern", "--hours-ashore", "-1"], "conditions, hours_ashore is -1"),
        (["--boat", "Lantern", "--surface-temp-c", "400"], "conditions, surface_temp_c is 400"),
        (["--boat", "Lantern", "--sun", "dusk"], "conditions, sun is 'dusk': give sun or shade"),
    ],
)
def test_new_refuses_in_one_line_and_makes_nothing(tmp_path, run_here, flags, said):
    one_line(run_here("new", "lantern", *flags), said)
    assert list(tmp_path.iterdir()) == []


def test_new_again_is_refused(survey, run_here):
    before = count(survey.folder)
    one_line(run_here("new", "lantern", "--boat", "Kettle"), "lantern holds a survey already")
    assert count(survey.folder) == before
    (survey.folder.parent / "file").write_text("")
    one_line(run_here("new", "file", "--boat", "Kettle"), "file cannot be made")
    one_line(run_here("new", "x" * 300, "--boat", "Kettle"), "File name too long")


def asked(tmp_path, *words, answers):
    """Run a command at a terminal of its own and type; what it printed, and how it ended."""
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "taptone", *words]
    with subprocess.Popen(
        command, cwd=tmp_path, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True
    ) as process:
        os.close(theirs)
        said, stopping = b"", False
        answers = list(answers)
        while True:
            for _ in range(40):
                if select.select([ours], [], [], 0.5)[0]:
                    break
                if stopping:  # a signal between the question and the waiting is seen only at the next
                    process.send_signal(signal.SIGINT)
            else:
                process.kill()
                pytest.fail(f"waits for ever after {said!r}")
            try:
                part = os.read(ours, 4096)
            except OSError:  # it has ended
                break
            if not part:
                break
            said += part
            if answers and said.endswith(b": "):
                answer = answers.pop(0)
                if answer is None:
                    stopping = True
                    process.send_signal(signal.SIGINT)
                else:
                    os.write(ours, f"{answer}\n".encode())
    os.close(ours)
    return process.returncode, said.decode()


def test_new_asks_what_was_not_given_and_asks_again(tmp_path):
    answers = ["", "Lantern", "tomorrow", "2026-05-14", "", "J", "buyer", "", "", "by mail", "cradle"]
    answers += ["three days", "72", "no", "maybe", "yes", "12", "dry", ""]
    code, said = asked(tmp_path, "new", "lantern", answers=answers)
    assert code == 0, said
    assert "visit, date is 'tomorrow'" in said
    assert "conditions, hours_ashore is 'three days': give hours" in said
    with open_store(tmp_path / "lantern") as store:
        [boat], [visit], [here] = store.records(Boat), store.records(Visit), store.records(Conditions)
    assert boat.label == "Lantern"
    assert (visit.date, visit.place, visit.consent) == ("2026-05-14", "", "by mail")
    assert (here.hours_ashore, here.rain_within_24h, here.frozen_within_72h) == (72, False, True)


def test_new_asks_nothing_that_was_given(tmp_path):
    code, said = asked(tmp_path, "new", "lantern", "--boat", "Lantern", "--client", "", answers=[""] * 15)
    assert code == 0
    assert "boat's name" not in said
    assert "Who asked" not in said


def test_ctrl_c_among_the_questions_makes_nothing(tmp_path):
    code, said = asked(tmp_path, "new", "lantern", answers=["Lantern", "2026-05-14", None])
    assert code == 130
    assert "Traceback" not in said
    assert list(tmp_path.iterdir()) == []


# -- add ------------------------------------------------------------------------------------------------

EVERY_KIND = {
    "boat": (["--label", "Lantern", "--particulars", "hull number=none"], "boat"),
    "reading": (["--panel", BLADE, "--station", "B3", "--value", "212", "--scale", "0 to 999"], "reading"),
    "observation": (["--what", "weep", "--place", "stock", "--urgency", "this_season"], "observation"),
    "word": (["--panel", BLADE, "--station", "B3", "--word", "hollow"], "word"),
    "not-done": (["--what", "tapping", "--place", "topsides", "--because", "stands"], "omission"),
    "note": (["--text", "first line\nsecond line"], "note"),
    "conditions": (["--panel", BLADE, "--sun", "shade"], "conditions"),
    "visit": (["--date", "2026-05-15", "--surveyor", "K"], "visit"),
    "hammer": (["--label", "60 g steel", "--mass-g", "60", "--face", "steel, 20 mm"], "hammer"),
    "recorder": (["--label", "phone", "--distance-m", "0.5"], "recorder"),
    "meter": (["--label", "grey one", "--scale", "0 to 999", "--warning-level", "200"], "meter"),
    "plug": (["--panel", BLADE, "--station", "B3", "--permission", "owner, in writing"], "plug"),
}


def test_every_kind_is_listed_here(run_here):
    helped = run_here("add", "--help").stdout
    listed = {line.split()[0] for line in helped.partition("Commands:")[2].splitlines() if line.strip()}
    assert listed == {*EVERY_KIND, "panel", "recording", "photo"}


def test_what_is_added_of_the_visit_takes_nothing_away(survey):
    done(survey("add", "visit", "--surveyor", "K", "--client", "buyer", "--date", "2026-05-14"))
    done(survey("add", "visit", "--consent", "by mail"))  # the same day, without saying so again
    assert [row.date for row in records(survey, Visit)][-2:] == ["2026-05-14"] * 2
    said = done(survey("status")).stdout.splitlines()
    assert said[0] == "Lantern, 2026-05-14, K"
    assert not any("who does the work" in line or "the owner's consent" in line for line in said)
    done(survey("add", "note", "--text", "still K"))
    with open_store(survey.folder) as store:
        assert store.rows(Note)[-1].who == "K"


def test_stations_are_listed_with_commas_or_one_at_a_time(survey):
    for words in (["--stations", "A1, A2"], ["--stations", "A1", "--stations", "A2"]):
        done(survey("add", "not-done", "--what", "tapping", "--panel", BLADE, *words, "--because", "pad"))
        assert records(survey, Omission)[-1].stations == ["A1", "A2"]


@pytest.mark.parametrize("name", EVERY_KIND)
def test_add_every_kind(survey, name):
    words, kind = EVERY_KIND[name]
    before = len(records(survey, KINDS[kind]))
    done(survey("add", name, *words, "--who", "K"))
    with open_store(survey.folder) as store:
        rows = store.rows(KINDS[kind])
    assert len(rows) == before + 1
    assert rows[-1].who == "K"
    assert kind in done(survey("history")).stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["reading", "--value", "212", "--panel", "keel"], "this survey has no panel keel: add its file"),
        (["reading", "--value", "212", "--panel", BLADE, "--station", "Z99"], "has no station Z99"),
        (["reading", "--value", "212", "--panel", BLADE, "--station", "b3"], "no station b3: write B3"),
        (["reading", "--value", "212", "--station", "B3"], "station B3 of which panel: give --panel"),
        (["reading", "--value", "nan"], "reading, value is nan: give what the meter shows"),
        (["reading", "--value", "inf"], "reading, value is inf"),
        (["reading"], "reading, value is missing"),
        (["word", "--panel", BLADE, "--word", "dull"], "word, station is missing"),
        (["word", "--panel", BLADE, "--station", "B3", "--word", " "], "word, word is"),
        (["word", "--panel", BLADE, "--station", "", "--word", "dull"], "word, station is ''"),
        (["not-done", "--what", "tapping"], "omission, because is missing: give why"),
        (["not-done", "--what", "tapping", "--panel", BLADE, "--stations", "Z9", "--because", "x"], "Z9"),
        (["observation", "--what", "weep", "--urgency", "soon"], "urgency is 'soon': give before_use"),
        (["observation", "--what", "weep", "--photo", "no.jpg"], "this survey has no photo no.jpg"),
        (["note", "--text", ""], "note, text is ''"),
        (["note", "--text", "bell \a"], "note, text is"),
        (["note", "--text", b"a\xff"], "note, text is"),
        (["hammer", "--label", "x", "--mass-g", "0"], "hammer, mass_g is 0.0: give grams"),
        (["plug", "--panel", BLADE, "--station", "B3"], "plug, permission is missing: give the owner's"),
        (["panel", "no.toml"], "no.toml does not exist"),
        (["panel", str(DEMO / "daggerboard.flac")], "is not text"),
        (["panel", "."], "is a folder"),
        (["recording", "no.wav"], "no.wav"),
        (["recording", str(DEMO / "daggerboard.toml")], "holds no sound"),
        (["recording", str(DEMO / "daggerboard.flac"), "--panel", "keel"], "no panel keel"),
        (["recording", str(DEMO / "daggerboard.flac"), "--use", "spare"], "recording, use is 'spare'"),
        (["reading", "--panel", BLADE, "--x-m", "1", "--value", "5"], "one of x and y alone is no place"),
        (["observation", "--what", "weep", "--x-m", "1", "--y-m", "1"], "of which panel: give --panel"),
        (
            ["reading", "--panel", BLADE, "--x-m", "1", "--y-m", "-1200", "--value", "5"],
            "-1200 m from the datum",
        ),
        (["photo", "no.jpg"], "no.jpg cannot be kept"),
        (["photo", os.devnull], "is not a file"),
        (["photo", str(DEMO / "daggerboard.toml"), "--station", "B3"], "station B3 of which panel"),
        (["photo", str(DEMO / "daggerboard.toml"), "--caption", "\a"], "photo, caption is"),
    ],
)
def test_add_refuses_in_one_line_and_adds_nothing(survey, words, said):
    before = count(survey.folder), sorted(survey.folder.rglob("*"))
    one_line(survey("add", *words), said)
    assert (count(survey.folder), sorted(survey.folder.rglob("*"))) == before


def test_add_outside_of_a_survey(run_here):
    one_line(run_here("add", "note", "--text", "x"), ". holds no survey: make one with taptone new")
    one_line(run_here("add", "note", "--text", "x", "--survey", ""), "it is empty", code=2)
    one_line(run_here("add", "phto", "x.jpg"), "phto", code=2)


def test_a_very_long_note_comes_back(survey):
    text = "ö" * 50_000
    done(survey("add", "note", "--text", text))
    assert records(survey, Note) == [Note(text=text)]
    assert max(map(len, done(survey("history")).stdout.splitlines())) < 1000


def test_the_same_recording_twice_is_kept_once_a_use(survey):
    sound = DEMO / "daggerboard.flac"
    done(survey("add", "recording", sound, "--panel", BLADE))
    again = done(survey("add", "recording", sound, "--panel", BLADE))
    assert "was there already" in again.stderr
    done(survey("add", "recording", sound, "--panel", BLADE, "--use", "reference"))
    assert [one.use for one in records(survey, SoundFile)] == ["panel", "reference"]
    assert [path.name for path in (survey.folder / "recordings").iterdir()] == ["daggerboard.flac"]
    assert (survey.folder / "recordings" / "daggerboard.flac").read_bytes() == sound.read_bytes()
    assert "reference: 1 recorded" in done(survey("status")).stdout


def test_the_same_photo_twice_is_kept_once(survey, tmp_path):
    (tmp_path / "weep.jpg").write_bytes(b"a photo")
    done(survey("add", "photo", "weep.jpg", "--panel", BLADE))
    assert "was there already" in done(survey("add", "photo", "weep.jpg", "--panel", BLADE)).stderr
    assert len(records(survey, Photo)) == 1
    done(survey("add", "observation", "--what", "weep", "--photo", "weep.jpg"))
    assert records(survey, Observation)[0].photo == "weep.jpg"


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("row: one?.jpg", "row_ one_.jpg"),
        (" .hidden.jpg", "hidden.jpg"),
        ("two\nlines.jpg", "two_lines.jpg"),
        (b"caf\xe9.jpg", "caf?.jpg".replace("?", "_")),
        ("ö" * 120 + ".jpg", "ö" * 60 + ".jpg"),
        ("-rf", "-rf"),
        ("...", "file"),
        ("no suffix at all. really, none", "no suffix at all. really, none"),
    ],
)
def test_odd_names_are_kept_as_every_system_takes_them(survey, tmp_path, name, kept):
    place = os.path.join(os.fsencode(tmp_path), os.fsencode(name))
    with open(place, "wb") as file:
        file.write(b"a photo")
    done(survey("add", "photo", "--", name))
    [photo] = records(survey, Photo)
    assert photo.file == f"photos/{kept}"
    assert (survey.folder / photo.file).read_bytes() == b"a photo"
    done(survey("pack"))


def test_other_files_of_one_name_stand_side_by_side(survey, tmp_path):
    for place, content in (("a", b"1"), ("b", b"2"), ("c", b"3")):
        (tmp_path / place).mkdir()
        name = "IMG_1.JPG" if place == "c" else "img_1.jpg"  # some systems take both for one
        (tmp_path / place / name).write_bytes(content)
        done(survey("add", "photo", f"{place}/{name}"))
    names = [photo.file for photo in records(survey, Photo)]
    assert len({name.casefold() for name in names}) == 3
    assert [(survey.folder / name).read_bytes() for name in names] == [b"1", b"2", b"3"]


def a_panel(tmp_path, **changes):
    """The demo's blade with some lines changed."""
    lines = (DEMO / "daggerboard.toml").read_text().splitlines()
    texts = [line for line in lines if line.partition(" =")[0] not in changes]
    path = tmp_path / "changed.toml"
    path.write_text("\n".join([*(f"{name} = {value}" for name, value in changes.items()), *texts]))
    return path


def test_a_changed_panel_says_why(survey, tmp_path):
    path = a_panel(tmp_path, grid='{ spacing = 0.15, path = "serpentine rows" }')
    before = count(survey.folder)
    one_line(survey("add", "panel", path), f"panel {BLADE} is in this survey already, and differs")
    assert count(survey.folder) == before
    done(survey("add", "panel", DEMO / "daggerboard.toml"))  # the same again is no change
    assert count(survey.folder) == before
    changed = done(survey("add", "panel", path, "--why", "half the rows are behind a stand"))
    assert "stays at its place" not in changed.stderr  # nothing was said of any station
    planned = len(records(survey, PlannedStation))
    assert planned < 72
    assert f"{planned} stations planned" in done(survey("status")).stdout
    history = done(survey("history", "--kind", "panel")).stdout
    assert "panel 2 in place of panel 1, J (half the rows are behind a stand)" in history
    with open_store(survey.folder) as store:
        assert [row.record.name for row in store.rows(PanelFile)] == [BLADE]
    done(survey("pack"))  # both files are kept


def listed(tmp_path, stations, datum="stem head"):
    """A panel file with stations of these labels and places."""
    rows = "".join(f'[[station]]\nlabel = "{name}"\nx = {x}\ny = {y}\n' for name, (x, y) in stations.items())
    path = tmp_path / "deck.toml"
    path.write_text(
        f'''name = "deck"
side = "port"
face = "outside"
construction = "solid"
datum = "{datum}"
outline = [[0, 0], [1, 0], [1, 1], [0, 1]]
{rows}'''
    )
    return path


BEFORE = {"A1": (0.1, 0.1), "A2": (0.3, 0.1), "A3": (0.5, 0.1), "A4": (0.7, 0.1)}
#: A column was put in before A2: A2 lies elsewhere, the place of A2 is A3 now, that of A3 A4; A4's is gone.
AFTER = {"A1": (0.1, 0.1), "A2": (0.2, 0.1), "A3": (0.3, 0.1), "A4": (0.5, 0.1)}
GONE = "A4 of an earlier layout (0.700 m along x and 0.100 m along y)"


def spoken_of(survey, tmp_path):
    """A panel with something of every kind said of its stations."""
    done(survey("add", "panel", listed(tmp_path, BEFORE)))
    for station in BEFORE:
        done(survey("add", "word", "--panel", "deck", "--station", station, "--word", f"dull at {station}"))
        done(survey("add", "reading", "--panel", "deck", "--station", station, "--value", station[1]))
    late = ("--stations", "A2", "--stations", "A4")
    done(survey("add", "not-done", "--what", "tapping", "--panel", "deck", *late, "--because", "stand pad"))
    for kind, words in (("observation", ("--what", "weep")), ("note", ("--text", "seen twice"))):
        done(survey("add", kind, "--panel", "deck", "--station", "A2", *words))


def test_what_was_said_of_a_station_stays_at_its_place_when_its_panel_is_changed(survey, tmp_path):
    spoken_of(survey, tmp_path)
    changed = done(survey("add", "panel", listed(tmp_path, AFTER), "--why", "a column was left out"))
    stays = "note: what was said of these stations stays at its place, under the label of today: "
    assert f"{stays}word 5 (A2 is A3), word 6 (A3 is A4), reading 5 (A2 is A3), reading 6" in changed.stderr
    assert "no station lies there now: kept as said of the earlier layout: word 7 (A4), reading 7 (A4)" in (
        changed.stderr
    )
    words = {word.word: word for word in records(survey, Word)}
    assert {said: word.station for said, word in words.items()} == {
        "dull at A1": "A1",
        "dull at A2": "A3",
        "dull at A3": "A4",
        "dull at A4": GONE,
    }
    assert all(word.ear_first for word in words.values())
    assert {r.value: r.station for r in records(survey, Reading)} == {1: "A1", 2: "A3", 3: "A4", 4: GONE}
    assert [o.stations for o in records(survey, Omission)] == [["A3", GONE]]
    assert [o.station for o in (*records(survey, Observation), *records(survey, Note))] == ["A3", "A3"]
    with open_store(survey.folder) as store:
        assert [row.record.station for row in store.history(Word)][:4] == list(BEFORE)  # nothing is lost
        why = store.rows(Word)[-1].why
    assert why == "stays at its place: a column was left out"
    told = done(survey("status")).stdout
    assert "  not tapped: A3, because stand pad\n" in told
    assert f"  {GONE}: own word 'dull at A4'\n  {GONE}: moisture reading 4\n" in told
    assert f"  {GONE}: not done: tapping, because stand pad\n" in told
    done(survey("points", "--panel", "deck", "--out", tmp_path / "joined.csv"))
    with open(tmp_path / "joined.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    by = {row["station"] or row["place"]: row for row in rows}
    assert list(by) == [*AFTER, GONE]
    assert (by[GONE]["x_m"], by[GONE]["y_m"]) == ("0.7", "0.1")
    assert "dull at A4" in by[GONE]["heard"]
    assert by["A2"]["heard"] == by["A2"]["readings"] == by["A2"]["seen"] == ""
    assert "dull at A2" in by["A3"]["heard"]
    # what is kept of the earlier layout can still be corrected
    done(survey("correct", "reading", "7", "value=44", "--why", "read the wrong way round"))
    done(survey("correct", "omission", "2", f"stations=A3,{GONE}", "--why", "both"))


def test_a_panel_that_is_changed_back_has_everything_where_it_was(survey, tmp_path):
    spoken_of(survey, tmp_path)
    done(survey("add", "panel", listed(tmp_path, AFTER), "--why", "a column was left out"))
    done(survey("add", "panel", listed(tmp_path, BEFORE), "--why", "it was not"))
    assert {word.word: word.station for word in records(survey, Word)} == {f"dull at {s}": s for s in BEFORE}
    assert [o.stations for o in records(survey, Omission)] == [["A2", "A4"]]


def test_by_another_datum_no_place_of_before_is_a_place_of_now(survey, tmp_path):
    spoken_of(survey, tmp_path)
    done(survey("add", "reading", "--panel", "deck", "--x-m", "0.4", "--y-m", "0.2", "--value", "9"))
    more = listed(tmp_path, BEFORE, datum="stem head, x aft")  # says more of the same point
    assert "stations" not in done(survey("add", "panel", more, "--why", "axes said")).stderr
    done(survey("add", "panel", listed(tmp_path, BEFORE, datum="transom"), "--why", "measured from there"))
    there = "of an earlier layout (0.100 m along x and 0.100 m along y from stem head, x aft)"
    assert records(survey, Word)[0].station == f"A1 {there}"
    lone = [reading for reading in records(survey, Reading) if not reading.station]
    assert [(one.place, one.x_m, one.y_m) for one in lone] == [
        ("x 0.4 m, y 0.2 m from stem head, x aft", None, None)
    ]


def test_by_the_first_datum_again_everything_is_where_it_was(survey, tmp_path):
    spoken_of(survey, tmp_path)
    done(survey("add", "panel", listed(tmp_path, BEFORE, datum="transom"), "--why", "measured from there"))
    there = records(survey, Word)[0].station
    assert there.startswith("A1 of an earlier layout (0.100 m along x and 0.100 m along y from ")
    done(survey("correct", "omission", "2", f"stations=A1,{there}", "--why", "both"))  # still a place of ours
    done(survey("correct", "omission", "3", f"stations={there}", "--why", "only that"))
    first = survey("add", "panel", listed(tmp_path, AFTER), "--why", "it was the stem head after all")
    assert f"word 9 ({there} is A1)" in done(first).stderr
    gone = GONE.replace(")", " from stem head)")
    where = {word.word: word.station for word in records(survey, Word)}
    assert where == {"dull at A1": "A1", "dull at A2": "A3", "dull at A3": "A4", "dull at A4": gone}
    assert [o.stations for o in records(survey, Omission)] == [["A1"]]


def test_the_log_of_a_changed_panel_has_no_word_of_another_place(survey, tmp_path):
    spoken_of(survey, tmp_path)
    done(survey("add", "panel", listed(tmp_path, AFTER), "--why", "a column was left out"))
    with open_store(survey.folder) as store:
        panel = visiting.panel_of(store, "deck")
        points = tuple(
            Point("deck", s.label, s.x_m, s.y_m, 1, (), (), 0.0, "no difference") for s in panel.stations
        )
        nothing = Result(panel, (), points, (), (), (), (), (), (), (), "this panel only")
        result = visiting.with_words(store, nothing)
    assert [p.surveyor_word for p in result.points] == ["dull at A1", "", "dull at A2", "dull at A3"]
    assert result.notes == (
        f"your word 'dull at A4' is of {GONE}: no station lies there now, and no line of this log holds it",
    )


def test_two_programs_that_add_the_same_add_it_once(survey, tmp_path, monkeypatch):
    keep_file, path = Store.keep_file, a_panel(tmp_path, name='"another"')
    sound = str(DEMO / "daggerboard-reference.flac")

    def meanwhile(store, file, part):
        """Another program is quicker, while the file is copied."""
        monkeypatch.setattr(Store, "keep_file", keep_file)
        with open_store(survey.folder) as other:
            visiting.add_panel(other, file) if part == "panels" else visiting.add_recording(other, file)
        return store.keep_file(file, part)

    with open_store(survey.folder) as store:
        monkeypatch.setattr(Store, "keep_file", meanwhile)
        with pytest.raises(SurveyError, match="by another program meanwhile"):
            visiting.add_panel(store, str(path))
        monkeypatch.setattr(Store, "keep_file", meanwhile)
        visiting.add_recording(store, sound)
        assert [kept.name for kept in store.records(PanelFile)].count("another") == 1
        assert len(store.records(PlannedStation, panel="another")) == 72
        assert len(store.records(SoundFile)) == 1


def test_a_panel_of_another_boat_is_told(survey, tmp_path):
    path = a_panel(tmp_path, boat='"Kettle"', name='"another"')
    assert "names the boat Kettle, this survey Lantern" in done(survey("add", "panel", path)).stderr


# -- status and history ---------------------------------------------------------------------------------


def test_status_says_what_is_planned_done_and_not_done_and_why(survey):
    done(
        survey(
            "add", "not-done", "--what", "tapping", "--panel", BLADE, "--stations", "A1", "--because", "pad"
        )
    )
    done(survey("add", "not-done", "--what", "moisture", "--because", "rain"))
    done(survey("add", "not-done", "--what", "inside face", "--panel", BLADE, "--because", "glued liner"))
    done(survey("add", "not-done", "--what", "the owner's consent", "--because", "my own boat"))
    done(survey("add", "conditions", "--tanks", "none", "--no-frozen-within-72h"))
    status = done(survey("status")).stdout
    for said in (
        "72 stations planned, 0 tapped",
        "  not tapped: A1, because pad",
        "71 of 72 stations not tapped",
        "  moisture not measured, because rain",
        "  not done: inside face, because glued liner",
        "  reference: none; struck again: 0 recordings",
        "who asked for it",
        "wind, noise nearby",
    ):
        assert said in status
    open_lines = "\n".join(line for line in status.splitlines() if "open:" in line)
    for told in ("consent", "tanks", "frost", "moisture", "surface temperature"):
        assert told not in open_lines


def test_status_and_history_of_nothing(run_here):
    for name in ("status", "history"):
        one_line(run_here(name, "nowhere"), "nowhere holds no survey")
    done(run_here("new", "lantern", "--boat", "Lantern"))
    assert "no panel yet" in done(run_here("status", "lantern")).stdout
    one_line(run_here("history", "lantern", "--kind", "notes"), "notes is no kind of record")


# -- correct and withdraw -------------------------------------------------------------------------------


def test_correct_and_withdraw_stand_beside(survey):
    done(survey("add", "reading", "--value", "212", "--panel", BLADE, "--station", "B3"))
    done(survey("correct", "reading", "1", "value=121", "--why", "read the wrong way round"))
    assert [reading.value for reading in records(survey, Reading)] == [121]
    one_line(survey("correct", "reading", "1", "value=1", "--why", "x"), "was replaced by reading 2")
    done(survey("correct", "reading", "2", "--withdraw", "--why", "wrong boat", "--who", "K"))
    assert records(survey, Reading) == []
    one_line(survey("correct", "reading", "3", "value=1", "--why", "x"), "says that another was withdrawn")
    lines = done(survey("history", "--kind", "reading")).stdout.splitlines()
    assert len(lines) == 3
    assert "value 212" in lines[0]
    assert "reading 2 in place of reading 1, J (read the wrong way round)" in lines[1]
    assert lines[2].endswith("reading 3 in place of reading 2, K (wrong boat): withdrawn")


def test_correct_of_lists_tables_and_nothing(survey):
    done(survey("add", "not-done", "--what", "x", "--panel", BLADE, "--stations", "A1", "--because", "y"))
    done(survey("correct", "omission", "1", "stations=A2, A3", "--why", "miscounted"))
    assert records(survey, Omission)[0].stations == ["A2", "A3"]
    one_line(survey("correct", "omission", "2", "stations=Z9", "--why", "x"), "has no station Z9")
    done(
        survey(
            "correct", "boat", "1", "particulars.length=9 m", "particulars.beam=3 m", "--why", "told later"
        )
    )
    assert records(survey, Boat)[0].particulars == {"length": "9 m", "beam": "3 m"}
    done(survey("add", "hammer", "--label", "steel", "--mass-g", "60"))
    done(survey("correct", "hammer", "1", "mass_g=", "--why", "never weighed"))
    assert records(survey, KINDS["hammer"])[0].mass_g is None


@pytest.mark.parametrize(
    ("words", "said", "code"),
    [
        (["boat", "9", "label=x", "--why", "x"], "there is no boat 9", 1),
        (["boat", "9" * 20, "label=x", "--why", "x"], "there is no boat", 1),
        (["boats", "1", "label=x", "--why", "x"], "boats is no kind of record", 1),
        (["boat", "1", "label=", "--why", "x"], "boat, label is ''", 1),
        (["boat", "1", "colour=red", "--why", "x"], "boat, colour is not known", 1),
        (["boat", "1", "particulars=x", "--why", "x"], "write particulars.NAME=VALUE", 1),
        (["boat", "1", "label=x", "--why", " "], "say who corrects it (--who), and why", 1),
        (["panel", "1", "name=x", "--why", "x"], "was filled in by the program", 1),
        (["boat", "1", "label=x"], "--why", 2),
        (["boat", "1", "--why", "x"], "give NAME=VALUE, or --withdraw", 2),
        (["boat", "1", "label", "--why", "x"], "write it as name=value", 2),
        (["boat", "one", "label=x", "--why", "x"], "not a valid integer", 2),
    ],
)
def test_correct_refuses_and_adds_nothing(survey, words, said, code):
    before = count(survey.folder)
    one_line(survey("correct", *words), said, code)
    assert count(survey.folder) == before


# -- analyse --survey -----------------------------------------------------------------------------------

BASELINE = ("--baseline", MODELS / "lantern-daggerboard.json")


@pytest.fixture(scope="module")
def analysed_once(tmp_path_factory):
    """A survey with a word given first, analysed."""
    place = tmp_path_factory.mktemp("analysed")

    def run(*words):
        command = [sys.executable, "-m", "taptone", *map(str, words)]
        return done(subprocess.run(command, cwd=place, capture_output=True, text=True))

    run("new", "lantern", "--boat", "Lantern", "--surveyor", "J", "--date", "2026-05-14")
    run("add", "panel", DEMO / "daggerboard.toml", "--survey", "lantern")
    run("add", "word", "--survey", "lantern", "--panel", BLADE, "--station", "B3", "--word", "=hollow, odd")
    run("analyse", DEMO / "daggerboard.flac", "--survey", "lantern", "--panel", BLADE, *BASELINE)
    return place / "lantern"


@pytest.fixture
def analysed(analysed_once, tmp_path, run_here):
    shutil.copytree(analysed_once, tmp_path / "lantern")
    return within(run_here, tmp_path / "lantern")


def points(folder):
    with open(folder / "points.csv", encoding="utf-8", newline="") as file:
        return {row["station"]: row for row in csv.DictReader(file)}


def test_an_analysis_is_filed(analysed):
    [recording] = records(analysed, SoundFile)
    assert (recording.panel, recording.use, recording.device) == (BLADE, "panel", "phone at 0.5 m")
    kept = analysed.folder / recording.file
    assert kept.read_bytes() == (DEMO / "daggerboard.flac").read_bytes()
    [analysis] = records(analysed, Analysis)
    assert analysis.recordings == [recording.sha256]
    log = points(analysed.folder / analysis.folder)
    verdicts = {verdict.station: verdict for verdict in records(analysed, StationVerdict, analysis=1)}
    assert {label: row["verdict"] for label, row in log.items()} == {
        label: verdict.verdict for label, verdict in verdicts.items()
    }
    assert len(records(analysed, HeardTap, analysis=1)) >= 72
    areas = [station for area in records(analysed, SuspectArea) for station in area.stations]
    assert set(areas) <= {label for label, verdict in verdicts.items() if verdict.verdict == "suspect"}
    assert areas
    assert "hollow, odd" in log["B3"]["surveyor_word"]
    assert [label for label, row in log.items() if row["surveyor_word"]] == ["B3"]
    status = done(analysed("status")).stdout
    assert "72 tapped" in status
    assert "reference: a baseline in the latest analysis" in status
    done(analysed("pack"))


def test_the_baseline_is_kept_and_looked_after(analysed, run_here):
    assert "in order" in done(run_here("check", analysed.folder)).stdout
    baseline = analysed.folder / "panels" / "lantern-daggerboard.json"
    baseline.write_text(baseline.read_text(encoding="utf-8").replace("phone", "tape"), encoding="utf-8")
    checked = run_here("check", analysed.folder)
    assert checked.returncode == 1
    assert (
        "exports/daggerboard-port-1: its baseline is not among the panels, or has changed" in checked.stdout
    )
    assert "panels/lantern-daggerboard.json is not recorded" in checked.stdout
    wrong = "the baseline of exports/daggerboard-port-1 is missing or has changed"
    one_line(analysed("pack"), wrong)
    assert wrong in done(analysed("pack", "--anyway")).stderr
    baseline.unlink()
    one_line(analysed("pack"), wrong)


def test_a_log_is_explained_from_a_pack_whatever_its_baseline_was_called(analysed, run_here, tmp_path):
    shutil.copy(MODELS / "lantern-daggerboard.json", tmp_path / "good")
    run = ("analyse", DEMO / "daggerboard.flac", "--panel", BLADE, "--baseline", tmp_path / "good")
    done(analysed(*run))
    (analysed.folder / "panels" / "lantern-daggerboard.json").unlink()
    (tmp_path / "good").unlink()
    done(analysed("pack", "--out", tmp_path / "p.zip"))
    shutil.rmtree(analysed.folder)
    done(run_here("pack", "--open", tmp_path / "p.zip", tmp_path / "years later"))
    log = tmp_path / "years later" / "exports" / "daggerboard-port-2"
    assert "Station G4" in done(run_here("explain", log, "G4", "--out", tmp_path / "g4.png")).stdout


def test_a_word_after_the_verdict_is_kept_as_such(analysed):
    assert records(analysed, Word)[0].ear_first
    words = ("add", "word", "--panel", BLADE, "--station", "B4", "--word", "dull")
    assert "kept as given after it" in done(analysed(*words)).stderr
    assert not records(analysed, Word)[-1].ear_first
    assert "given first, as you say" in done(analysed(*words, "--ear-first")).stderr
    done(analysed("correct", "analysis", "1", "--withdraw", "--why", "wrong recording"))
    assert "kept as given after it" in done(analysed(*words)).stderr
    assert "0 tapped" in done(analysed("status")).stdout


def test_frost_stated_in_the_survey_alone_leaves_all_not_assessed(analysed):
    done(analysed("add", "conditions", "--frozen-within-72h"))
    run = done(analysed("analyse", DEMO / "daggerboard.flac", "--panel", BLADE, *BASELINE))
    assert "72 not assessed" in run.stdout
    log = points(analysed.folder / "exports" / "daggerboard-port-2")
    assert {row["verdict"] for row in log.values()} == {"not assessed"}
    assert all("froz" in row["reason"] or "frost" in row["reason"] for row in log.values())
    assert len(records(analysed, SoundFile)) == 1
    status = done(analysed("status")).stdout
    assert "72 tapped (0 suspect, 72 not assessed)" in status
    assert "not assessed: A1," in status


def test_two_panels_with_one_short_name_keep_apart(analysed, tmp_path):
    path = a_panel(tmp_path, name='"daggerboard: port!"')
    sound = DEMO / "daggerboard.flac"
    done(analysed("analyse", sound, "--panel", path, *BASELINE))
    first, second = records(analysed, Analysis)
    assert (first.panel, second.panel) == (BLADE, "daggerboard: port!")
    assert first.folder != second.folder
    assert len(records(analysed, SoundFile)) == 2
    assert done(analysed("status")).stdout.count("72 tapped") == 2
    done(analysed("pack"))


def test_an_analysis_that_fails_files_nothing(analysed):
    before = count(analysed.folder), sorted(analysed.folder.rglob("*"))
    sound = DEMO / "daggerboard.flac"
    one_line(analysed("analyse", sound, "--panel", "keel"), "no panel keel")
    one_line(analysed("analyse", sound, "--panel", BLADE, "--out", "x"), "--survey or --out", code=2)
    one_line(analysed("analyse", sound, "--panel", BLADE, "--baseline", "no.json"), "no.json does not exist")
    assert (count(analysed.folder), sorted(analysed.folder.rglob("*"))) == before


# -- stopped half way -----------------------------------------------------------------------------------


@contextlib.contextmanager
def stopped_at(monkeypatch, name):
    """Ctrl-C the moment that a function is called."""

    def stop(*_, **__):
        raise KeyboardInterrupt

    seen = False
    with monkeypatch.context() as patched:
        patched.setattr(name, stop)
        try:
            yield
        except KeyboardInterrupt:
            seen = True
    assert seen


def test_ctrl_c_while_copying_leaves_nothing(tmp_path, monkeypatch):
    with create_store(tmp_path / "lantern", [Boat(label="Lantern")]) as store:
        before = sorted(store.folder.rglob("*"))
        for name in ("shutil.copyfileobj", "os.fsync", "os.replace"):
            with stopped_at(monkeypatch, name):
                visiting.add_recording(store, str(DEMO / "daggerboard.flac"))
            assert store.history(SoundFile) == []
            assert sorted(store.folder.rglob("*")) == before


def test_ctrl_c_while_filing_files_nothing(analysed, monkeypatch):
    before = count(analysed.folder)
    with open_store(analysed.folder) as store:
        for name in ("_tap", "_verdict", "Store.add_all"):
            with stopped_at(monkeypatch, f"taptone.edges.visiting.{name}"):
                visiting.file_log(store, analysed.folder / "exports" / "daggerboard-port-1")
            assert {name: len(store.history(kind)) for name, kind in KINDS.items()} == before
        store.add(Note(text="goes on"))


def test_ctrl_c_while_a_panel_is_changed_changes_nothing(analysed, tmp_path, monkeypatch):
    before = count(analysed.folder)
    path = a_panel(tmp_path, grid='{ spacing = 0.15, path = "serpentine rows" }')
    with open_store(analysed.folder) as store:
        with stopped_at(monkeypatch, "taptone.edges.store.Store.withdraw"):
            visiting.add_panel(store, str(path), who="J", why="stands")
        assert len(store.records(PlannedStation)) == 72
    assert count(analysed.folder) == before


def test_a_log_folder_is_nobody_elses(tmp_path):
    with create_store(tmp_path / "lantern") as store:
        names = [visiting.log_folder(store, name).name for name in ("Foredeck", "Foredeck", "", "ö" * 300)]
        assert names[:3] == ["Foredeck-1", "Foredeck-2", "taps-1"]
        shutil.rmtree(store.folder / "exports")
        assert visiting.log_folder(store, "Foredeck").is_dir()
        with pytest.raises(SurveyError, match="no panel"):
            visiting.panel_of(store, "Foredeck")
