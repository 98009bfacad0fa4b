"""Panel and baseline files on disk: one clear line for what cannot be read, whole or nothing when written."""

from __future__ import annotations

import dataclasses
import os
import sys
from pathlib import Path

import numpy as np
import pytest

from taptone.edges.textfiles import load_baseline, load_panel, save_baseline
from taptone.errors import BaselineError, OutputError, PanelError
from taptone.types import BAND_CENTRES_HZ, MEASURE_NAMES, Reference

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented import panel_text

LOADERS = [(load_panel, PanelError), (load_baseline, BaselineError)]


@pytest.fixture
def reference():
    bands = np.zeros((1, len(BAND_CENTRES_HZ)))
    return Reference(
        *("Kettle", "solid", "60 g", "", 14.0, 48000),
        (dict.fromkeys(MEASURE_NAMES, 1.0),),
        bands,
        ("1",),
        (2,),
    )


def test_a_panel_is_read(tmp_path):
    file = tmp_path / "deck.toml"
    file.write_text(panel_text(2, 3), encoding="utf-8")
    assert [s.label for s in load_panel(file).stations] == ["A1", "A2", "A3", "B1", "B2", "B3"]


def test_a_panels_fault_names_the_file_without_its_folder(tmp_path):
    file = tmp_path / "deck.toml"
    file.write_text("name = 3", encoding="utf-8")
    with pytest.raises(PanelError, match=r"^deck\.toml: "):
        load_panel(file)


@pytest.mark.parametrize(("load", "error"), LOADERS)
def test_what_cannot_be_read(tmp_path, load, error):
    (tmp_path / "picture").write_bytes(b"\x89PNG\r\n\x1a\n\xff\xfe")
    (tmp_path / "folder").mkdir()
    for name, said in (
        ("nowhere", "nowhere does not exist"),
        ("picture", "picture is not text in UTF-8"),
        ("folder", "folder is a folder"),
    ):
        with pytest.raises(error) as caught:
            load(tmp_path / name)
        assert str(caught.value).startswith(said + ": ")
    with pytest.raises(error, match="cannot be read"):
        load("/dev/null/good")
    with pytest.raises(error):
        load("")


def test_a_baseline_is_written_and_read(tmp_path, reference):
    target = tmp_path / "good.json"
    target.write_text("a panel file, by mistake")
    with pytest.raises(OutputError, match="exists and is no baseline"):
        save_baseline(reference, target)
    assert target.read_text() == "a panel file, by mistake"
    target.unlink()
    assert save_baseline(reference, target) is None
    assert load_baseline(target).boat == "Kettle"
    assert os.listdir(tmp_path) == ["good.json"]
    first = target.read_bytes()
    save_baseline(reference, target)
    assert target.read_bytes() == first
    assert os.listdir(tmp_path) == ["good.json"]
    kept = save_baseline(dataclasses.replace(reference, recorder="another phone"), target)
    assert kept.name == "good.earlier-1.json"
    assert kept.read_bytes() == first
    assert b"\r" not in first


def test_where_a_baseline_cannot_be_written_nothing_changes(tmp_path, reference):
    (tmp_path / "file").write_text("stays")
    (tmp_path / "folder").mkdir()
    for name, said in (
        ("file/good.json", "file is not a folder: choose another place with --out"),
        ("none/good.json", "none is not a folder: choose another place with --out"),
        ("folder", "folder is a folder: give the name of a file with --out"),
    ):
        with pytest.raises(OutputError) as caught:
            save_baseline(reference, tmp_path / name)
        assert str(caught.value).endswith(said)
    with pytest.raises(OutputError, match="cannot be written"):
        save_baseline(reference, "/proc/good.json")
    assert sorted(os.listdir(tmp_path)) == ["file", "folder"]
    assert (tmp_path / "file").read_text() == "stays"


def test_what_fails_while_it_is_written_leaves_the_earlier_one(tmp_path, reference):
    target = tmp_path / "good.json"
    save_baseline(reference, target)
    before = target.read_bytes()
    broken = Reference("Kettle", "solid", "60 g", "", 14.0, 48000, (), reference.bands_db, (), ())
    with pytest.raises(ValueError, match="zip"):
        save_baseline(broken, target)
    assert target.read_bytes() == before
    assert os.listdir(tmp_path) == ["good.json"]
