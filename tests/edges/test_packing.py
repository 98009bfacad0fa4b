"""A pack: the same bytes each day, everything in it, checked both ways, and nothing lands elsewhere."""

from __future__ import annotations

import contextlib
import hashlib
import os
import shutil
import sqlite3
import stat
import subprocess
import tracemalloc
import zipfile
from pathlib import Path

import pytest

from taptone.edges import packing
from taptone.edges.exporting import export_survey
from taptone.edges.packing import HASHES, open_pack, pack
from taptone.edges.store import create_store, open_store
from taptone.edges.visiting import add_panel, add_photo, add_recording, surveyed
from taptone.errors import OutputError, SurveyError
from taptone.survey.records import KINDS, Boat, Note
from taptone.survey.status import status

DEMO = Path(__file__).parents[2] / "recordings" / "demo"


@pytest.fixture
def folder(tmp_path):
    """A survey with a panel, a recording, a photo, a correction, and a row not yet carried over."""
    (tmp_path / "weep.jpg").write_bytes(b"not really a photo")
    with create_store(tmp_path / "lantern", [Boat(label="Lantern")], who="J") as store:
        add_panel(store, str(DEMO / "daggerboard.toml"), who="J")
        add_recording(store, str(DEMO / "daggerboard.flac"), panel="daggerboard port", who="J")
        add_photo(store, str(tmp_path / "weep.jpg"), who="J")
        number = store.add(Note(text="rain at noon"), who="J")
        store.correct("note", number, {"text": "rain at one"}, who="J", why="watch was wrong")
    return tmp_path / "lantern"


def told(folder):
    with open_store(folder) as store:
        return status(surveyed(store)), {kind: store.history(made) for kind, made in KINDS.items()}


def test_packed_and_opened_it_says_the_same(folder, tmp_path):
    packed = pack(folder)
    assert (packed.file, packed.faults) == (tmp_path / "lantern.zip", ())
    opened = open_pack(packed.file, tmp_path / "years later")
    assert told(opened) == told(folder)
    for name in ("recordings/daggerboard.flac", "photos/weep.jpg", "panels/daggerboard.toml"):
        assert (opened / name).read_bytes() == (folder / name).read_bytes()
    with open_store(opened) as store:
        store.add(Note(text="goes on"))


def test_same_survey_same_bytes(folder, tmp_path):
    first = pack(folder, tmp_path / "1.zip")
    for path in folder.rglob("*"):
        os.utime(path, (0, 0))
    assert pack(folder, tmp_path / "2.zip").sha256 == first.sha256
    (tmp_path / "again").mkdir()
    opened = open_pack(first.file, tmp_path / "again" / "lantern")
    assert pack(opened).sha256 == first.sha256
    assert hashlib.sha256(first.file.read_bytes()).hexdigest() == first.sha256


def test_other_programs_open_it(folder, tmp_path):
    """`unzip` and `sha256sum` (GNU coreutils), where this system has them, agree with our own list."""
    packed = pack(folder)
    with zipfile.ZipFile(packed.file) as whole:
        assert whole.testzip() is None
        whole.extractall(tmp_path / "by python")
    places = [tmp_path / "by python" / "lantern"]
    if shutil.which("unzip"):
        subprocess.run(["unzip", "-q", packed.file, "-d", tmp_path / "by unzip"], check=True)
        places.append(tmp_path / "by unzip" / "lantern")
    for place in places:
        if shutil.which("sha256sum"):
            check = ["sha256sum", "--check", "--strict", "--quiet", HASHES]
            subprocess.run(check, cwd=place, check=True)
        assert told(place) == told(folder)


def test_what_is_written_while_another_program_holds_it_open_is_packed(folder, tmp_path):
    with open_store(folder) as store:
        store.add(Note(text="still in the write-ahead log"))
        opened = open_pack(pack(folder).file, tmp_path / "copy")
    with open_store(opened) as store:
        assert store.records(Note)[-1].text == "still in the write-ahead log"


def test_an_earlier_other_pack_is_set_beside(folder):
    first = pack(folder)
    assert pack(folder).earlier is None
    with open_store(folder) as store:
        store.add(Note(text="more"))
    second = pack(folder)
    assert second.earlier is not None
    assert hashlib.sha256(second.earlier.read_bytes()).hexdigest() == first.sha256


@pytest.mark.parametrize("fault", ["is missing", "is not as it was recorded"])
def test_a_kept_file_at_fault_is_told_and_can_be_packed_all_the_same(folder, tmp_path, fault):
    photo = folder / "photos" / "weep.jpg"
    if "missing" in fault:
        photo.unlink()
    else:
        photo.write_bytes(b"retouched")
    with pytest.raises(SurveyError, match=f"photos/weep.jpg {fault}"):
        pack(folder)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["lantern", "weep.jpg"]
    packed = pack(folder, anyway=True)
    assert packed.faults == (f"photos/weep.jpg {fault}",)
    opened = open_pack(packed.file, tmp_path / "copy")
    assert f"AT FAULT WHEN PACKED: photos/weep.jpg {fault}" in (opened / HASHES).read_text()


def test_a_store_that_lost_a_table_is_told_and_can_be_packed_all_the_same(folder, tmp_path):
    with contextlib.closing(sqlite3.connect(folder / "survey.sqlite")) as db:
        db.execute("DROP TABLE reading")
    with pytest.raises(
        SurveyError, match=r"survey\.sqlite: table reading is missing or was changed: put the"
    ):
        pack(folder)
    assert not (tmp_path / "lantern.zip").exists()
    assert "survey.sqlite: table reading is missing or was changed" in pack(folder, anyway=True).faults


def test_an_export_that_was_handed_out_does_not_hinder(folder, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with open_store(folder) as store:
        export_survey(store, tmp_path / "tables")
        export_survey(store, Path("tables-again"))
        export_survey(store, Path("..", tmp_path.name, "tables-elsewhere"))
        export_survey(store, folder / "exports" / "tables-1")
    opened = open_pack(pack(folder).file, tmp_path / "copy")
    assert pack(opened).kept == 4  # panel, recording, photo and the export that lies inside
    (folder / "exports" / "tables-1" / "survey.json").unlink()
    with pytest.raises(SurveyError, match=r"tables-1/survey\.json is missing"):
        pack(folder)


def test_no_pack_within_the_survey(folder):
    with pytest.raises(OutputError, match="in the survey itself"):
        pack(folder, folder / "exports" / "lantern.zip")


def test_an_existing_folder_is_left_alone(folder, tmp_path):
    packed = pack(folder)
    (tmp_path / "empty").mkdir()
    for there in (folder, tmp_path / "empty", packed.file):
        with pytest.raises(SurveyError, match="is there already"):
            open_pack(packed.file, there)


def remade(packed, change):
    """The same pack with the list of its members put through `change`."""
    with zipfile.ZipFile(packed) as whole:
        members = [(info, whole.read(info)) for info in whole.infolist()]
    with zipfile.ZipFile(packed, "w") as whole:
        for info, content in change(members):
            whole.writestr(info, content)


def link(name):
    info = zipfile.ZipInfo(name)
    info.create_system, info.external_attr = 3, (stat.S_IFLNK | 0o777) << 16
    return info


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda m: [*m, (zipfile.ZipInfo("lantern/../../out.txt"), b"x")], "land elsewhere"),
        (lambda m: [*m, (zipfile.ZipInfo("/out.txt"), b"x")], "land elsewhere"),
        (lambda m: [*m, (zipfile.ZipInfo("lantern/c:out.txt"), b"x")], "land elsewhere"),
        (lambda m: [*m, (zipfile.ZipInfo("lantern/..\\out.txt"), b"x")], "land elsewhere"),
        (lambda m: [*m, (link("lantern/photos/out"), b"../../..")], "land elsewhere"),
        (lambda m: [*m, (zipfile.ZipInfo("other/x"), b"x")], "no one folder"),
        (lambda m: [*m, (zipfile.ZipInfo("lantern/photos/x"), b"x")], "not on its list"),
        (lambda m: m[:-1], "no one folder"),
        (lambda m: [(i, c) for i, c in m if "weep" not in i.filename], "missing in it"),
        (lambda m: [(i, c + b"!" if "weep" in i.filename else c) for i, c in m], "not what its list says"),
    ],
)
def test_a_pack_that_was_changed_is_refused_and_leaves_nothing(folder, tmp_path, change, said):
    packed = pack(folder).file
    remade(packed, change)
    before = sorted(tmp_path.rglob("*"))
    with pytest.raises(SurveyError, match=said):
        open_pack(packed, tmp_path / "copy")
    assert sorted(tmp_path.rglob("*")) == before


def test_every_damaged_pack_is_one_line(folder, tmp_path, rng):
    whole = pack(folder).file.read_bytes()
    bad = tmp_path / "bad.zip"
    for place in (*rng.integers(0, len(whole), 20), len(whole) - 30, 10):
        for damaged in (whole[:place], whole[:place] + bytes([whole[place] ^ 255]) + whole[place + 1 :]):
            bad.write_bytes(damaged)
            with contextlib.suppress(SurveyError):  # or a byte that says nothing, such as a date
                shutil.rmtree(open_pack(bad, tmp_path / "copy"))
            assert not (tmp_path / "copy").exists()


def test_memory_does_not_grow_with_the_files(folder, tmp_path):
    big = tmp_path / "walk.mp4"
    with open(big, "wb") as file:
        file.truncate(64 << 20)
    with open_store(folder) as store:
        add_photo(store, str(big), who="J")
    big.unlink()
    tracemalloc.start()
    try:
        open_pack(pack(folder).file, tmp_path / "copy")
        assert tracemalloc.get_traced_memory()[1] < 16 << 20
    finally:
        tracemalloc.stop()


def test_files_over_the_old_limit_are_written_as_zip64(folder, monkeypatch, tmp_path):
    """The limit is lowered, for a file of 2 GB would hold up every run."""
    monkeypatch.setattr(zipfile, "ZIP64_LIMIT", 1000)
    packed = pack(folder).file
    monkeypatch.undo()
    assert told(open_pack(packed, tmp_path / "copy")) == told(folder)


def test_a_store_that_names_files_elsewhere_is_not_packed(folder):
    with open_store(folder) as store:
        values = store.records(KINDS["photo"])[0].model_dump() | {"file": "../weep.jpg"}
        store.add(KINDS["photo"](**values))
    with pytest.raises(SurveyError, match="lies outside"):
        pack(folder)


@pytest.mark.parametrize("out", ["tables", "../tables"])
def test_tables_that_were_handed_out_are_no_part_of_it(folder, tmp_path, monkeypatch, out):
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    for where in (Path(out), tmp_path / "elsewhere"):
        with open_store(folder) as store:
            export_survey(store, where)
    assert pack(folder).faults == ()


def test_leftovers_of_a_killed_run_stay_out(folder):
    (folder / "recordings" / ".coming-x1").write_bytes(b"half")
    with zipfile.ZipFile(pack(folder).file) as whole:
        assert not [name for name in whole.namelist() if packing._COMING[0] in name]
