"""`taptone learn` as it is typed: what it writes, and the one line when it cannot."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from taptone.edges.textfiles import load_baseline

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented import RATE, good, panel_text

OF = ["--boat", "Kettle", "--construction", "skins over foam", "--hammer", "60 g steel"]


@pytest.fixture(scope="module")
def recordings(tmp_path_factory):
    folder = tmp_path_factory.mktemp("learn")
    for n in (7, 12):
        soundfile.write(folder / f"{n}.wav", good(np.random.default_rng(n), n).samples, RATE, "PCM_24")
    return folder


def test_writes_a_baseline_and_says_what_is_in_it(typed, recordings, tmp_path):
    words = ["learn", recordings / "12.wav", *OF, "--taps-per-place", 1, "--out", "good.json"]
    code, out, err = typed(*words)
    assert (code, out) == (0, "good.json: 12 places, 12 strikes\n")
    assert "note: 12 places: under 20" in err
    first = (tmp_path / "good.json").read_bytes()
    body = json.loads(first)
    assert (body["boat"], body["hammer"], len(body["places"])) == ("Kettle", "60 g steel", 12)
    assert typed(*words)[0] == 0
    assert (tmp_path / "good.json").read_bytes() == first
    assert os.listdir(tmp_path) == ["good.json"]


def refused(typed, tmp_path, words, said):
    before = sorted(os.listdir(tmp_path))
    code, out, err = typed(*words)
    assert (code, out) == (1, "")
    assert err.startswith("taptone: ")
    assert said in err
    assert err.count("\n") == 1
    assert sorted(os.listdir(tmp_path)) == before


def test_under_8_places_is_refused(typed, recordings, tmp_path):
    words = ["learn", recordings / "7.wav", *OF, "--taps-per-place", 1, "--out", "good.json"]
    refused(typed, tmp_path, words, "7 places were heard: strike at least 8 good places")


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--taps-per-place", 5, "--out", "good.json"], "12 strikes do not make whole places of 5"),
        (["--taps-per-place", 1, "--out", "none/good.json"], "none is not a folder"),
        (["--taps-per-place", 1, "--out", "n" * 300], "cannot be written (File name too long)"),
        (["--taps-per-place", 1, "--out", "."], "is a folder: give the name of a file"),
        (["--taps-per-place", 1, "--out", "/proc/good.json"], "/proc/good.json cannot be written"),
        (
            ["--taps-per-place", 1, "--out", "good.json", "--set", "judge.x=1"],
            "there is no setting 'judge.x'",
        ),
        (["--panel", "deck.toml", "--out", "good.json"], "deck.toml does not exist"),
    ],
)
def test_what_cannot_be_done_is_one_line(typed, recordings, tmp_path, more, said):
    refused(typed, tmp_path, ["learn", recordings / "12.wav", *OF, *more], said)


def test_a_panel_says_where_the_places_are(typed, recordings, tmp_path):
    (tmp_path / "good.toml").write_text(panel_text(1, 12), encoding="utf-8")
    code, out, _ = typed("learn", recordings / "12.wav", *OF, "--panel", "good.toml", "--out", "good.json")
    assert (code, out) == (0, "good.json: 12 places, 12 strikes\n")
    labels = [place["label"] for place in json.loads((tmp_path / "good.json").read_text())["places"]]
    assert labels == [f"A{n}" for n in range(1, 13)]


def test_what_the_panel_says_of_the_day_is_kept(typed, recordings, tmp_path):
    text = panel_text(1, 12).replace("grid =", 'recorder = "phone"\nsurface_temp_c = 14\ngrid =')
    (tmp_path / "good.toml").write_text(text, encoding="utf-8")
    typing = ["learn", recordings / "12.wav", *OF, "--panel", "good.toml", "--out", "good.json"]
    assert typed(*typing)[0] == 0
    body = json.loads((tmp_path / "good.json").read_text(encoding="utf-8"))
    assert (body["recorder"], body["surface_temp_c"]) == ("phone", 14)
    said = "the panel is of another temperature (14 °C) than stated (-5 °C): correct one of them"
    refused(typed, tmp_path, [*typing, "--surface-temp-c", -5], said)


def test_a_frozen_reference_is_refused_without_a_panel_too(typed, recordings, tmp_path):
    typing = ["learn", recordings / "12.wav", *OF, "--taps-per-place", 1, "--out", "good.json"]
    refused(typed, tmp_path, [*typing, "--surface-temp-c", -5], "surface at -5 °C: ice can make a loose")


def test_only_places_marked_as_reference_are_learned(typed, recordings, tmp_path):
    listed = "\n".join(
        f'[[station]]\nlabel = "R{n}"\nx = {n / 10}\ny = 0.05\nrole = "{"panel" if n > 9 else "reference"}"'
        for n in range(1, 13)
    )
    (tmp_path / "good.toml").write_text(panel_text(1, 13).partition("grid =")[0] + listed, encoding="utf-8")
    code, out, err = typed("learn", recordings / "12.wav", *OF, "--panel", "good.toml", "--out", "good.json")
    assert (code, out) == (0, "good.json: 9 places, 9 strikes\n")
    assert "note: left out, not marked as reference: 3 stations" in err


def test_a_file_name_that_is_no_text_is_learned_all_the_same(typed, recordings, tmp_path):
    name = os.fsdecode(b"good\xff.wav")
    try:
        (tmp_path / name).write_bytes((recordings / "12.wav").read_bytes())
    except OSError:  # a disk that takes no such names needs no such test
        return
    assert typed("learn", name, *OF, "--taps-per-place", 1, "--out", "good.json")[0] == 0
    assert load_baseline(tmp_path / "good.json").recordings[0]["name"] == name


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ([], "give either --panel or --taps-per-place."),
        (["--panel", "x", "--taps-per-place", 1], "give either --panel or --taps-per-place."),
        (["--taps-per-place", 0], "--taps-per-place"),
        (["--taps-per-place", 1, "--surface-temp-c", 400], "is no surface temperature of a boat ashore"),
        (["--taps-per-place", 1, "--set", "judge.confidence"], "write it as stage.name=value."),
    ],
)
def test_a_wrong_word_exits_2(typed, recordings, tmp_path, more, said):
    code, out, err = typed("learn", recordings / "12.wav", *OF, "--out", "good.json", *more)
    assert (code, out) == (2, "")
    assert said in err
    assert "Traceback" not in err
    assert os.listdir(tmp_path) == []
