"""A survey's store: everything comes back, nothing is ever changed, older ones open."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import time

import pytest

from taptone.edges.migrations import MIGRATIONS, statements
from taptone.edges.store import create_store, open_store
from taptone.errors import SurveyError
from taptone.survey.records import KINDS, Boat, Hammer, Note, checked


@pytest.fixture
def store(tmp_path):
    with create_store(tmp_path / "lantern") as made:
        yield made


def test_tables_and_kinds_agree(store):
    for kind, made in KINDS.items():
        columns = {row[1] for row in store._db.execute(f"PRAGMA table_info({kind})")}
        assert columns == {"id", "at", "who", "why", "replaces", "withdrawn", *made.model_fields}, kind


def test_what_goes_in_comes_out(store):
    boat = Boat(label="Lantern", particulars={"length": "9.1 m", "note": "ö — «»"})
    store.add(boat, who="J")
    [row] = store.rows(Boat)
    assert (row.record, row.who, row.withdrawn) == (boat, "J", False)


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE boat SET label = 'x'",
        "DELETE FROM boat",
        "INSERT OR REPLACE INTO boat VALUES (1, '', '', '', NULL, 0, 'x', '{}')",
        "UPDATE migration SET name = 'x'",
        "DELETE FROM migration",
    ],
)
def test_evidence_is_only_added_to(store, sql):
    store.add(Boat(label="Lantern"))
    with pytest.raises(sqlite3.IntegrityError, match="only added to"):
        store._db.execute(sql)
    assert store.records(Boat) == [Boat(label="Lantern")]


def test_corrections_stand_beside(store):
    first = store.add(Hammer(label="60 g steel", mass_g=16), who="J")
    second = store.correct("hammer", first, {"mass_g": 60}, who="K", why="misread the scale")
    assert [row.record.mass_g for row in store.rows(Hammer)] == [60]
    assert [(r.id, r.replaces, r.why) for r in store.history(Hammer)] == [
        (first, None, ""),
        (second, first, "misread the scale"),
    ]
    with pytest.raises(SurveyError, match="was replaced by hammer 2"):
        store.correct("hammer", first, {"mass_g": 61}, who="K", why="again")
    store.withdraw("hammer", second, who="K", why="not used")
    assert store.rows(Hammer) == []
    assert len(store.history(Hammer)) == 3


def test_a_correction_says_who_and_why(store):
    number = store.add(Boat(label="Lantern"))
    with pytest.raises(SurveyError, match="say who"):
        store.correct("boat", number, {"label": "Kettle"}, who="", why="x")


def test_all_or_nothing(store):
    with pytest.raises(SurveyError, match="there is no boat 9"), store.together():
        add_and_fail(store)
    assert store.rows(Boat) == []


def add_and_fail(store):
    store.add(Boat(label="Lantern"))
    store.withdraw("boat", 9, who="J", why="never was")


@pytest.mark.parametrize("version", range(1, len(MIGRATIONS)))
def test_a_store_of_every_earlier_version_opens(tmp_path, version):
    folder = tmp_path / "old"
    folder.mkdir()
    db = sqlite3.connect(folder / "survey.sqlite")
    for number in range(version):
        for statement in statements(number):
            db.execute(statement)
        db.execute("INSERT INTO migration VALUES (?, ?, '', '')", (number + 1, MIGRATIONS[number][0]))
    db.execute(f"PRAGMA user_version = {version}")
    db.execute("INSERT INTO boat VALUES (1, '2026-01-01', 'J', '', NULL, 0, 'Lantern', '{}')")
    db.commit()
    db.close()
    with open_store(folder) as store:
        assert store.version == len(MIGRATIONS)
        assert store.records(Boat) == [Boat(label="Lantern")]
        store.add(Note(text="up to date"))
        [row] = store.rows(Boat)
        assert (row.at, row.who) == ("2026-01-01", "J")
        names = [name for (name,) in store._db.execute("SELECT name FROM migration ORDER BY number")]
        assert names == [name for name, _ in MIGRATIONS]


def test_a_later_store_is_refused(tmp_path):
    with create_store(tmp_path / "later") as store:
        store._db.execute("PRAGMA user_version = 999")
    with pytest.raises(SurveyError, match="later version"):
        open_store(tmp_path / "later")


def test_a_damaged_store_is_told(tmp_path):
    folder = tmp_path / "bad"
    folder.mkdir()
    (folder / "survey.sqlite").write_bytes(b"this is no database at all" * 100)
    with pytest.raises(SurveyError, match="not a database"):
        open_store(folder)


def test_a_folder_with_something_in_it_is_left_alone(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(SurveyError, match="not empty"):
        create_store(tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["mine.txt"]


def test_files_are_kept_once_and_never_over_another(store, tmp_path):
    one, other = tmp_path / "a" / "row.wav", tmp_path / "b" / "row.wav"
    for path, content in ((one, b"one"), (other, b"other")):
        path.parent.mkdir()
        path.write_bytes(content)
    names = [store.keep_file(path, "recordings")[0] for path in (one, other, one, other)]
    assert names[0] == names[2] == "recordings/row.wav"
    assert names[1] == names[3] != names[0]
    assert (store.folder / names[0]).read_bytes() == b"one"
    assert (store.folder / names[1]).read_bytes() == b"other"
    assert len(list((store.folder / "recordings").iterdir())) == 2


WRITER = """
import sys
from taptone.edges.store import open_store
from taptone.survey.records import Note
with open_store(sys.argv[1]) as store:
    for n in range(int(sys.argv[2]), 10**9):
        store.add(Note(text=f"{sys.argv[3]} {n}"))
        print(n, flush=True)  # only what is committed is told
"""


def test_two_programs_at_once(store):
    pair = [
        subprocess.Popen([sys.executable, "-c", WRITER, str(store.folder), "0", name], stdout=subprocess.PIPE)
        for name in "ab"
    ]
    first = [one.stdout.readline().decode() for one in pair]  # both are writing now
    time.sleep(0.3)
    for one in pair:
        one.kill()
    told = [(begun + one.communicate()[0].decode()).split() for begun, one in zip(first, pair, strict=True)]
    texts = {note.text for note in store.records(Note)}
    for name, numbers in zip("ab", told, strict=True):
        assert {f"{name} {n}" for n in numbers} <= texts
    assert store._db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


@pytest.mark.parametrize("field", ["label", "mass_g", "nonsense"])
def test_a_wrong_field_is_one_line(field):
    values = {"label": "60 g steel", "mass_g": 60.0} | {field: object()}
    with pytest.raises(SurveyError, match=f"hammer, {field}"):
        checked("hammer", **values)
