"""A survey as tables: every row of the store comes back, by Python's own readers, or nothing was written."""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import sqlite3
from hashlib import sha256

import pytest

from taptone.edges.exporting import export_survey, tables_of
from taptone.edges.store import create_store, open_store
from taptone.errors import OutputError
from taptone.survey.records import KINDS, Boat, Export, HeardTap, Note, Omission, Reading, checked


@pytest.fixture
def store(tmp_path):
    with create_store(tmp_path / "kettle") as made:
        made.add(Boat(label="=Kettle", particulars={"note": 'a "b", ö\nsecond line'}), who="J")
        first = made.add(Reading(value=212, place="keel root", x_m=-0.25, scale="-A1"), who="J")
        made.correct("reading", first, {"value": 121}, who="K", why="read the wrong way round")
        note = made.add(Note(text="@SUM(A1)"))
        made.withdraw("note", note, who="K", why="of another boat")
        made.add(Omission(what="tapping", stations=["A1", "A 2"], because="stand pad"))
        made.add(
            checked(
                "analysis",
                folder="exports/x",
                log_sha256="0" * 64,
                recordings=[],
                settings={"a.b": 0.1},
                versions={"p": "1"},
            )
        )
        made.add(
            HeardTap(
                analysis=1, recording="r.wav", sample=3, time_s=0.1, used=True, measures={"x": None, "y": 1.5}
            )
        )
        yield made


def read(content):
    return list(csv.DictReader(io.StringIO(content.decode(), newline="")))


def test_json_holds_every_row_of_the_store(store):
    """The store is read by plain SQL here, not by the program."""
    body = json.loads(tables_of(store)["survey.json"])
    db = sqlite3.connect(store.folder / "survey.sqlite")
    db.row_factory = sqlite3.Row
    tables = {name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert tables == {*body["rows"], "migration"}
    assert [dict(row) for row in db.execute("SELECT * FROM migration")] == body["steps"]
    for kind in body["rows"]:
        kept = [dict(row) for row in db.execute(f"SELECT * FROM {kind} ORDER BY id")]
        told = [
            row["record"]
            | {name: row[name] for name in ("id", "at", "who", "why", "replaces")}
            | {"withdrawn": row["state"] == "withdraws"}
            for row in body["rows"][kind]
        ]
        nested = [{k: json.dumps(v) for k, v in row.items() if isinstance(v, (dict, list))} for row in told]
        for row, as_text in zip(kept, nested, strict=True):
            row |= {name: json.dumps(json.loads(row[name])) for name in as_text}
        assert kept == [
            row | {k: json.dumps(json.loads(v), sort_keys=True) for k, v in t.items()}
            for row, t in zip(told, nested, strict=True)
        ]
    db.close()


def test_rows_make_the_same_records_again(store):
    body = json.loads(tables_of(store)["survey.json"])
    for kind, rows in body["rows"].items():
        again = [KINDS[kind].model_validate(row["record"]) for row in rows]
        assert again == [row.record for row in store.history(KINDS[kind])]


def test_corrected_and_withdrawn_rows_are_marked(store):
    files = tables_of(store)
    readings = read(files["reading.csv"])
    assert [(r["state"], r["replaces"], r["replaced_by"], r["value"], r["why"]) for r in readings] == [
        ("corrected", "", "2", "212.0", ""),
        ("stands", "1", "", "121.0", "read the wrong way round"),
    ]
    assert [(r["state"], r["who"]) for r in read(files["note.csv"])] == [
        ("withdrawn", ""),
        ("withdraws", "K"),
    ]


def test_every_column_of_every_kind(store):
    files = tables_of(store)
    assert set(files) == {"survey.json", *(f"{kind}.csv" for kind in KINDS)}
    for kind, made in KINDS.items():
        head = next(csv.reader(io.StringIO(files[f"{kind}.csv"].decode())))
        assert head[7:] == list(made.model_fields), kind
        assert len(set(head)) == len(head)


def test_no_cell_is_a_formula(store):
    files = tables_of(store)
    [boat] = read(files["boat.csv"])
    assert boat["label"] == "'=Kettle"
    assert json.loads(boat["particulars"]) == {"note": 'a "b", ö\nsecond line'}
    first, _ = read(files["reading.csv"])
    assert (first["scale"], first["x_m"]) == ("'-A1", "-0.25")
    assert read(files["note.csv"])[0]["text"] == "'@SUM(A1)"
    assert read(files["omission.csv"])[0]["stations"] == "A1 'A 2'"
    for name, content in files.items():
        if name.endswith(".csv"):
            assert not any(
                cell[:1] in ("=", "@", "\t", "\r") for row in read(content) for cell in row.values()
            )


def test_same_rows_give_the_same_bytes(store, tmp_path):
    before = tables_of(store)
    shutil.copytree(store.folder, tmp_path / "copy")
    with open_store(tmp_path / "copy") as copy:
        assert tables_of(copy) == before == tables_of(store)


def test_the_export_is_filed_with_its_hash(store, tmp_path):
    first, *_ = export_survey(store, tmp_path / "out", who="J")
    inside, *_ = export_survey(store, store.folder / "exports" / "tables-1")
    one, two = store.records(Export)
    assert one.sha256 == sha256(first.read_bytes()).hexdigest()
    assert (store.folder / two.file).read_bytes() == inside.read_bytes()
    assert two.file == os.path.join("exports", "tables-1", "survey.json")


def test_a_later_export_sets_the_earlier_beside(store, tmp_path):
    first, *_ = export_survey(store, tmp_path / "out")
    was = first.read_bytes()
    export_survey(store, tmp_path / "out")
    assert (tmp_path / "out" / "survey.earlier-1.json").read_bytes() == was


def test_whole_or_not_at_all(store, tmp_path, monkeypatch):
    real = os.replace

    def fails_at_notes(source, target):
        if str(target).endswith("note.csv"):
            raise OSError(28, "No space left on device")
        real(source, target)

    monkeypatch.setattr(os, "replace", fails_at_notes)
    with pytest.raises(OutputError, match="No space left"):
        export_survey(store, tmp_path / "out")
    assert not (tmp_path / "out").exists()
    assert store.records(Export) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["export", "nowhere", "--out", "x"], "nowhere holds no survey"),
        (["export", "kettle", "--out", "/dev/null/x"], "cannot be written to"),
        (["export", "kettle", "--out", ""], "it is empty"),
    ],
)
def test_bad_input_is_one_line(store, run_taptone, words, said):
    run = run_taptone(*words)
    assert run.returncode in (1, 2)
    assert said in run.stderr
    assert "Traceback" not in run.stderr


def test_the_command(store, run_taptone, tmp_path):
    run = run_taptone("export", "kettle")
    assert run.returncode == 0, run.stderr
    assert (tmp_path / "kettle" / "exports" / "tables-1" / "survey.json").is_file()
    run = run_taptone("export", "kettle", "--out", "out", "--who", "K")
    assert run.returncode == 0
    assert [row.who for row in store.rows(Export)] == ["", "K"]


@pytest.mark.parametrize("place", ["recordings", "panels/tables", "."])
def test_nothing_is_exported_among_the_evidence(tmp_path, place):
    with create_store(tmp_path / "s") as store:
        before = sorted(store.folder.rglob("*.*"))
        with pytest.raises(OutputError, match="lies among the evidence"):
            export_survey(store, store.folder / place)
        assert sorted(store.folder.rglob("*.*")) == before
        assert store.records(Export) == []
