"""What a survey's store must outlive: being killed at any moment, two at once, no room, no right to write."""

from __future__ import annotations

import contextlib
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from taptone.cli import _run, _taptone
from taptone.edges.packing import open_pack, pack
from taptone.edges.store import create_store, open_store, sha256_of
from taptone.edges.visiting import add_panel, surveyed
from taptone.errors import SurveyError
from taptone.survey.records import KINDS, Boat, Note, Photo, Reading
from taptone.survey.status import status

DEMO = Path(__file__).parents[2] / "recordings" / "demo"

#: Imports once, forks a writer after another, and kills each at a moment nobody chose. A writer tells what it
#: wrote only when it is committed; the killer prints all that was told.
KILLER = """
import os, random, signal, sys, time
from taptone.edges.store import open_store
from taptone.survey.records import Note, Photo, Reading

folder, seed, times = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
chance = random.Random(seed)

def write(turn, tell):
    with open_store(folder) as store:
        for n in range(10**9):
            tell(f"note {store.add(Note(text=f'{turn} {n}'), who='J')} {turn} {n}")
            pair = store.add_all([Reading(value=turn), Reading(value=n)], who="J")
            tell(f"pair {pair[0]} {pair[1]}")
            row = store.correct("reading", pair[0], {"value": n}, who="J", why="misread")
            tell(f"corrected {pair[0]} {row}")
            name = f"{folder}/../{turn}-{n}.jpg"
            with open(name, "wb") as photo:
                photo.write(os.urandom(20_000))
            file, digest = store.keep_file(name, "photos")
            store.add(Photo(file=file, sha256=digest), who="J")
            tell(f"photo {file} {digest}")
            os.unlink(name)

for turn in range(times):
    here, there = os.pipe()
    child = os.fork()
    if child == 0:
        write(turn, lambda line: os.write(there, (line + "\\n").encode()))
    os.close(there)
    with os.fdopen(here) as told:
        first = told.readline() if turn % 4 else ""  # one in four may be killed while it opens the store
        time.sleep(chance.uniform(0, 0.06))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        sys.stdout.writelines(line for line in (first, *told) if line.endswith("\\n"))
"""


def test_killed_at_200_moments_every_row_that_was_told_is_there(tmp_path):
    folder = tmp_path / "lantern"
    create_store(folder, [Boat(label="Lantern")], who="J").close()
    run = subprocess.run(
        [sys.executable, "-c", KILLER, str(folder), "5", "200"], capture_output=True, text=True, check=True
    )
    told = [line.split() for line in run.stdout.splitlines()]
    assert {kind for kind, *_ in told} == {"note", "pair", "corrected", "photo"}
    with open_store(folder) as store:
        assert store._db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert store._db.execute("PRAGMA foreign_key_check").fetchall() == []
        notes = {row.id: row.record.text for row in store.rows(Note)}
        readings = {row.id: row for row in store.history(Reading)}
        photos = {photo.file: photo.sha256 for photo in store.records(Photo)}
    for kind, first, *rest in told:
        if kind == "note":
            assert notes[int(first)] == " ".join(rest)
        elif kind == "pair":
            assert {int(first), int(rest[0])} <= readings.keys()
        elif kind == "corrected":
            assert readings[int(rest[0])].replaces == int(first)
        else:
            assert photos[first] == rest[0]
    assert all(sha256_of(folder / file) == digest for file, digest in photos.items())
    fresh = [row for row in readings.values() if row.replaces is None]
    assert len(fresh) % 2 == 0  # two together, or neither
    assert len(told) >= 150  # as many were seen writing
    open_pack(pack(folder).file, tmp_path / "copy")


#: Adds, corrects its own rows and fights over everybody's first: only one may take the place of a row.
WRITER = """
import sys
from taptone.edges.store import open_store
from taptone.errors import SurveyError
from taptone.survey.records import Note, Reading
with open_store(sys.argv[1]) as store:
    for n in range(60):
        store.add_all([Note(text=f"{sys.argv[2]} {n} {part}") for part in "ab"], who=sys.argv[2])
        own = store.add(Reading(value=n), who=sys.argv[2])
        store.correct("reading", own, {"value": -n}, who=sys.argv[2], why="misread")
        try:
            store.correct("reading", n % 30 + 1, {"value": n}, who=sys.argv[2], why="contested")
        except SurveyError as error:
            assert "was replaced by reading" in str(error), error
"""


def test_two_programs_add_and_correct_at_once(tmp_path):
    folder = tmp_path / "lantern"
    create_store(folder, [Reading(value=n) for n in range(30)], who="J").close()
    pair = [
        subprocess.Popen([sys.executable, "-c", WRITER, folder, who], stderr=subprocess.PIPE, text=True)
        for who in "KL"
    ]
    assert [(one.communicate()[1], one.returncode) for one in pair] == [("", 0)] * 2
    with open_store(folder) as store:
        assert len(store.records(Note)) == 240
        texts = [note.text for note in store.records(Note)]
        assert all(a[:-1] == b[:-1] for a, b in zip(texts[::2], texts[1::2], strict=True))
        replaced = [row.replaces for row in store.history(Reading) if row.replaces]
        assert len(replaced) == len(set(replaced)) == 120 + 30
        assert store._db.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_a_store_cut_anywhere_is_one_line(tmp_path):
    folder = tmp_path / "lantern"
    with create_store(folder, [Boat(label="Lantern")], who="J") as store:
        add_panel(store, str(DEMO / "daggerboard.toml"), who="J")
        store.add_all([Note(text=f"note {n} " + "x" * 200) for n in range(200)])
    whole = (folder / "survey.sqlite").read_bytes()
    for cut in range(0, len(whole), len(whole) // 40):
        (folder / "survey.sqlite").write_bytes(whole[:cut])
        with pytest.raises(SurveyError, match="pack or copy"):
            everything(folder)


def everything(folder):
    with open_store(folder) as store:
        return status(surveyed(store)), [store.history(kind) for kind in KINDS.values()]


def test_bytes_spoilt_anywhere_never_end_in_a_traceback(tmp_path, rng):
    """A spoilt letter in a note reads as another letter: SQLite keeps no hash of its own, a pack does."""
    folder = tmp_path / "lantern"
    with create_store(folder, [Boat(label="Lantern", particulars={"length": "9 m"})], who="J") as store:
        add_panel(store, str(DEMO / "daggerboard.toml"), who="J")
    whole = (folder / "survey.sqlite").read_bytes()
    told = 0
    for place in rng.integers(0, len(whole) - 64, 60):
        spoilt = bytearray(whole)
        spoilt[place : place + 64] = rng.bytes(64)
        (folder / "survey.sqlite").write_bytes(spoilt)
        try:
            everything(folder)
        except SurveyError:
            told += 1
        for beside in folder.glob("survey.sqlite-*"):
            beside.unlink()
    assert told


def taptone(*words, cwd, before=None):
    command = [sys.executable, "-m", "taptone", *map(str, words)]
    env = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    return subprocess.run(command, cwd=cwd, capture_output=True, text=True, preexec_fn=before, env=env)


@pytest.fixture
def lasting():
    """A place that a person without rights can reach, as pytest's own is not."""
    place = Path(tempfile.mkdtemp())
    place.chmod(0o755)
    yield place
    for path in [place, *place.rglob("*")]:
        path.chmod(0o755)
    shutil.rmtree(place)


@contextlib.contextmanager
def as_nobody():
    """Root may write anywhere: be somebody else for a moment."""
    root = os.geteuid() == 0
    if root:
        os.setresuid(65534, 65534, 0)
    try:
        yield
    finally:
        if root:
            os.setresuid(0, 0, 0)


@pytest.mark.parametrize("held", [False, True], ids=["closed", "held open by its owner"])
def test_a_survey_that_cannot_be_written_to_can_be_read(lasting, held, capsys):
    folder = lasting / "lantern"
    with create_store(folder, [Boat(label="Lantern")], who="J") as store:
        add_panel(store, str(DEMO / "daggerboard.toml"), who="J")
        store.add(Note(text="the last word"), who="J")
        if not held:
            store.close()
        (lasting / "open").mkdir()
        (lasting / "open").chmod(0o777)
        packed = str(lasting / "open" / "lantern.zip")
        words = [
            ["status"],
            ["history"],
            ["add", "note", "--text", "x", "--survey"],
            ["pack", "--out", packed],
            ["export", "--out", str(lasting / "open" / "tables")],
            ["export"],
        ]
        by_root = [
            ["pack", "--out", str(lasting / "by root.zip")],
            ["export", "--out", str(lasting / "by root")],
        ]
        for some in (*words[:2], *by_root):
            _run(_taptone, [*some, str(folder)])  # loads all that nobody may not read
        capsys.readouterr()
        for path in [*folder.rglob("*"), folder]:
            path.chmod(0o555 if path.is_dir() else 0o444)
        before = sorted((p.name, p.stat().st_size) for p in folder.iterdir())
        with as_nobody():
            runs = [(_run(_taptone, [*some, str(folder)]), *capsys.readouterr()) for some in words]
        assert [(code, err) for code, _, err in runs[:2]] == [(0, "")] * 2
        assert "panel daggerboard port: 72 stations planned" in runs[0][1]
        assert "the last word" in runs[1][1]
        assert runs[2][0] == 1
        assert runs[2][2].count("\n") == 1
        assert "cannot be written to" in runs[2][2]
        assert runs[3][0] == 0
        with open_store(open_pack(packed, lasting / "open" / "copy")) as copy:
            assert copy.records(Note) == [Note(text="the last word")]
        assert runs[4][0] == 0
        assert f"{folder} cannot be written to: that it was exported is not filed in it" in runs[4][2]
        body = json.loads((lasting / "open" / "tables" / "survey.json").read_text(encoding="utf-8"))
        assert [row["record"]["text"] for row in body["rows"]["note"]] == ["the last word"]
        assert (lasting / "open" / "tables" / "boat.csv").is_file()
        assert (runs[5][0], runs[5][1]) == (1, "")
        said = f"{folder / 'exports'} cannot be written to: choose another folder with --out"
        assert runs[5][2] == f"taptone: {said}\n"
        assert sorted((p.name, p.stat().st_size) for p in folder.iterdir()) == before


def small_files_only():
    """No file may grow beyond 400 kB: what a full disk does, and root cannot pass it by."""
    resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))


def test_without_room_nothing_is_half_added(tmp_path):
    folder = tmp_path / "lantern"
    with create_store(folder, [Boat(label="Lantern")], who="J") as store:
        add_panel(store, str(DEMO / "daggerboard.toml"), who="J")
    (tmp_path / "walk.mp4").write_bytes(bytes(500_000))
    before = everything(folder), sorted(folder.rglob("*"))
    words = (
        ("add", "recording", DEMO / "daggerboard.flac", "--survey", folder),
        ("add", "photo", "walk.mp4", "--survey", folder),
        ("add", "note", "--text", "x" * 120_000, "--panel", "daggerboard port", "--survey", folder),
        ("pack", folder),
    )
    for some in words[:2]:
        run = taptone(*some, cwd=tmp_path, before=small_files_only)
        assert run.returncode == 1, some
        assert run.stderr.count("\n") == 1
        assert "room on the disk" in run.stderr
    with open_store(folder) as held:  # keeps the write-ahead log from being carried over
        held.add_all([Note(text=json.dumps(list(range(4000)))) for _ in range(12)])
        told = everything(folder)
        run = taptone(*words[2], cwd=tmp_path, before=small_files_only)
        assert (run.returncode, run.stderr.count("\n")) == (1, 1)
        assert everything(folder) == told
    run = taptone(*words[3], cwd=tmp_path, before=small_files_only)
    assert (run.returncode, run.stderr.count("\n")) == (1, 1)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["lantern", "walk.mp4"]
    assert sorted(folder.rglob("*")) == before[1]


def test_a_new_survey_without_room_leaves_nothing(tmp_path):
    def none_at_all():
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))

    run = taptone("new", "lantern", "--boat", "Lantern", cwd=tmp_path, before=none_at_all)
    assert (run.returncode, run.stderr.count("\n")) == (1, 1)
    assert list(tmp_path.iterdir()) == []
    assert taptone("new", "lantern", "--boat", "Lantern", cwd=tmp_path).returncode == 0
