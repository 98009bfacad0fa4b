"""`taptone analyse` as it is typed: the log, the evidence behind it, and the one line when it cannot."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import re
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.signal import resample_poly

from taptone.cli import main
from taptone.cli.analyse import _unmoved
from taptone.edges.soundfiles import open_sound
from taptone.pipeline.detect import detect
from taptone.types import Drift, Tap

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented import FRAME, RATE, good, laid, panel_text, tap

FILES = ["log.json", "map.png", "map.svg", "points.csv", "taps.csv"]
ALTERED = {"lower": 0.85, "longer": 1.5, "duller_db": 2.0}


@pytest.fixture(scope="module")
def case(tmp_path_factory):
    """A baseline of 20 places, a panel of 2 by 9 with a frame under column 5 and B3 altered, recorded."""
    folder, rng = tmp_path_factory.mktemp("case"), np.random.default_rng(12)
    soundfile.write(folder / "good.wav", good(rng).samples, RATE, "PCM_24")
    hits = [tap(rng, **(ALTERED if k in (4, 13, 11) else {})) for k in range(18)]
    soundfile.write(folder / "deck.wav", laid(hits, [9, 9]), RATE, "PCM_24")
    (folder / "deck.toml").write_text(panel_text(2, 9, FRAME.replace("0.3]]", "0.2]]")), encoding="utf-8")
    words = ["learn", folder / "good.wav", "--boat", "Kettle", "--construction", "skins over foam"]
    words += ["--hammer", "60 g steel", "--taps-per-place", 1, "--out", folder / "good.json"]
    with pytest.raises(SystemExit) as stop:
        main([str(word) for word in words])
    assert stop.value.code == 0
    return folder


def rows(path):
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def words(case, **other):
    given = {"panel": case / "deck.toml", "baseline": case / "good.json", "out": "log"} | other
    options = [word for name, value in given.items() if value for word in (f"--{name}", value)]
    return ["analyse", case / "deck.wav", *options]


# -- the log ---------------------------------------------------------------------------------------------


def test_two_runs_are_byte_equal_and_say_the_same(run_taptone, typed, case, tmp_path):
    """Two processes, each with another seed for the order of sets."""
    two = run_taptone(*words(case, out="two"))
    code, out, err = typed(*words(case, out="one"))
    assert code == two.returncode == 0
    assert out.replace("one/", "two/") == two.stdout
    assert err == two.stderr
    assert sorted(os.listdir(tmp_path / "one")) == FILES
    for name in FILES:
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes(), name


def test_log_leads_back_to_the_sound(typed, case, tmp_path):
    source = case / "deck.wav"
    before = hashlib.sha256(source.read_bytes()).hexdigest()
    assert typed(*words(case))[0] == 0
    assert hashlib.sha256(source.read_bytes()).hexdigest() == before
    log = json.loads((tmp_path / "log" / "log.json").read_text(encoding="utf-8"))
    assert [r["sha256"] for r in log["recordings"]] == [before]
    assert log["baseline"]["sha256"] == json.loads((case / "good.json").read_text())["sha256"]
    panel_sha256 = hashlib.sha256((case / "deck.toml").read_bytes()).hexdigest()
    assert log["panel"]["sha256"] == panel_sha256

    whole, rate = soundfile.read(source, dtype="float32")  # libsndfile itself
    sound = open_sound(source)
    heard = {t.sample: t for t in detect(sound) if isinstance(t, Tap)}
    table = rows(tmp_path / "log" / "taps.csv")
    assert len(table) == 18
    for row in table:
        found = heard[int(row["sample"])]
        start, stop = found.clip_start, found.clip_start + len(found.clip)
        assert np.array_equal(found.clip, whole[start:stop])
        assert np.array_equal(sound.clip(start, stop), whole[start:stop])
        assert float(row["time_s"]) == pytest.approx(int(row["sample"]) / rate, abs=5e-5)


def test_what_is_said(typed, case, tmp_path):
    code, out, err = typed(*words(case))
    assert code == 0
    assert out.startswith(
        "panel foredeck: 18 stations, 1 suspect, 15 no difference, 2 at structure, 0 not assessed\n"
        "compared with: baseline of 20 places\n"
    )
    assert "lower, rings longer (hollow by ear)" in out
    assert "area B3: " in out
    assert "next: learn" not in out
    assert "; then the same place on the other side, the inner face; look, press, photograph\n" in out
    assert "note: recorder not recorded\n" in err
    assert "caution: This is a record and a comparison, not a certificate" in out
    table = {row["station"]: row for row in rows(tmp_path / "log" / "points.csv")}
    assert [s for s, row in table.items() if row["verdict"] == "suspect"] == ["B3"]
    assert [s for s, row in table.items() if row["verdict"] == "at structure"] == ["A5", "B5"]
    assert all(row["reason"] for row in table.values())


def test_nobody_is_sent_into_a_blade(typed, case, tmp_path):
    text = (case / "deck.toml").read_text(encoding="utf-8").replace('"foredeck"', '"rudder blade"')
    (tmp_path / "blade.toml").write_text(text, encoding="utf-8")
    out = typed(*words(case, panel="blade.toml"))[1]
    assert "; then the same place on the other side; look, press, photograph\n" in out


def test_relative_to_this_panel_only_is_said(typed, case, tmp_path):
    code, out, _ = typed(*words(case, baseline=""))
    assert code == 0
    assert "\nrelative to this panel only\n" in out
    log = json.loads((tmp_path / "log" / "log.json").read_text(encoding="utf-8"))
    assert log["relative_to"] == "relative to this panel only"
    assert log["baseline"] == {}


def test_without_a_panel(typed, case, tmp_path):
    code, out, err = typed(*words(case, panel=""))
    assert code == 0
    assert out.startswith("no panel: 18 taps, ")
    assert "note: no panel file: places are not known" in err
    assert len(rows(tmp_path / "log" / "points.csv")) == 18


def test_another_hammer_is_not_assessed_with_the_reason(typed, case, tmp_path):
    text = (case / "deck.toml").read_text().replace("60 g steel", "90 g [brass]")
    (tmp_path / "deck.toml").write_text(text)
    code, out, _ = typed(*words(case, panel="deck.toml"))
    assert code == 0
    assert "0 suspect, 0 no difference, 0 at structure, 18 not assessed" in out
    assert "A1 A2 A3 A4 … B9 (18)" in out
    assert "the baseline is of another hammer (60 g steel), this panel is of 90 g [brass]" in out
    assert (
        "\nnext: learn a baseline for this panel; without --baseline it is compared with itself only\n" in out
    )
    assert {row["verdict"] for row in rows(tmp_path / "log" / "points.csv")} == {"not assessed"}


def test_a_changed_setting_is_said_and_logged(typed, case, tmp_path):
    code, _, err = typed(*words(case), "--set", "judge.confidence=0.9")
    assert code == 0
    assert "changed setting: judge.confidence is 0.9, not 0.95\n" in err
    log = json.loads((tmp_path / "log" / "log.json").read_text(encoding="utf-8"))
    assert log["changes"] == [{"setting": "judge.confidence", "default": 0.95, "value": 0.9}]
    assert log["settings"]["judge.confidence"] == 0.9


def test_a_baseline_learned_with_other_settings_is_said(typed, case):
    assert "learned with other settings" not in typed(*words(case))[2]
    code, _, err = typed(*words(case), "--set", "measure.window_ms=25")
    assert code == 0
    assert "note: the baseline was learned with other settings (measure.window_ms 20.0, not 25.0): " in err
    assert "learned with other settings" not in typed(*words(case), "--set", "judge.confidence=0.9")[2]


# -- what cannot be done ---------------------------------------------------------------------------------


def refused(typed, tmp_path, typing, said):
    """One line, exit 1, and the folder as it was."""
    before = {path: path.is_file() and path.read_bytes() for path in tmp_path.rglob("*")}
    code, out, err = typed(*typing)
    assert (code, out) == (1, "")
    assert err.startswith("taptone: ")
    assert said in err
    assert err.count("\n") == 1
    assert {path: path.is_file() and path.read_bytes() for path in tmp_path.rglob("*")} == before


def damage(text):
    body = json.loads(text)
    body["places"][3]["bands_db"][4] -= 1.0
    return json.dumps(body)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (damage, "bad.json was changed after it was written"),
        (lambda text: text[: len(text) // 2], "bad.json cannot be read as a baseline"),
        (lambda text: '{"type": "FeatureCollection"}', "bad.json is not a taptone baseline"),
        (lambda text: "", "bad.json cannot be read as a baseline"),
    ],
)
def test_a_bad_baseline(typed, case, tmp_path, change, said):
    (tmp_path / "bad.json").write_text(change((case / "good.json").read_text()))
    refused(typed, tmp_path, words(case, baseline="bad.json"), said)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda text: text + "\n= 3\n", "bad.toml is not TOML"),
        (lambda text: text.replace('name = "foredeck"', ""), "bad.toml: name"),
        (lambda text: text.replace("spacing = 0.1", "spacing = -0.1"), "spacing"),
        (lambda text: text.replace("hammer =", "hamer ="), "hammer"),
        (lambda text: text.replace("[0.9, 0.0]", "[0.9, 0.0, 1.0]"), "outline"),
        (lambda text: text.replace("grid =", "# grid ="), "no station is planned"),
    ],
)
def test_a_bad_panel(typed, case, tmp_path, change, said):
    (tmp_path / "bad.toml").write_text(change((case / "deck.toml").read_text()))
    refused(typed, tmp_path, words(case, panel="bad.toml"), said)


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("none.wav", None, "there is no file none.wav"),
        ("empty.wav", b"", "empty.wav is empty"),
        ("text.wav", b"minutes of the meeting\n" * 99, "text.wav"),
        ("folder", "folder", "folder is a folder"),
    ],
)
def test_a_bad_recording(typed, case, tmp_path, name, content, said):
    if content == "folder":
        (tmp_path / name).mkdir()
    elif content is not None:
        (tmp_path / name).write_bytes(content)
    refused(typed, tmp_path, ["analyse", name, "--out", "log"], said)
    refused(typed, tmp_path, ["analyse", case / "deck.wav", name, "--out", "log"], said)


def test_recordings_of_one_name(typed, case, tmp_path):
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "deck.wav").write_bytes((case / "good.wav").read_bytes())
    typing = words(case)
    typing[1:1] = ["other/deck.wav"]
    refused(typed, tmp_path, typing, "has the same name as another recording, deck.wav: give a copy of it")


def test_no_tap_in_it(typed, tmp_path, rng):
    soundfile.write(tmp_path / "wind.wav", rng.normal(0, 1e-3, RATE), RATE)
    refused(typed, tmp_path, ["analyse", "wind.wav", "--out", "log"], "no tap was heard in wind.wav")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("judge.confidense=0.9", "did you mean judge.confidence"),
        ("judge.confidence=2", "judge.confidence is 2.0: choose a value from 0.5 to 0.9999"),
        ("judge.confidence=much", "judge.confidence is 'much': give a number"),
        ("judge.neighbours=", "judge.neighbours is '': give a whole number"),
    ],
)
def test_a_bad_setting(typed, case, tmp_path, text, said):
    refused(typed, tmp_path, [*words(case), "--set", text], said)


@pytest.mark.parametrize("out", ["file", "/proc/log"])
def test_a_place_that_cannot_be_written_to(typed, case, tmp_path, out):
    (tmp_path / "file").write_text("stays")
    refused(typed, tmp_path, words(case, out=out), f"{out} cannot be written to")
    refused(typed, tmp_path, words(case, out="n" * 300), "n cannot be written to (File name too long)")


def test_a_picture_that_cannot_be_replaced_leaves_the_earlier_log(typed, case, tmp_path):
    (tmp_path / "log" / "map.png").mkdir(parents=True)
    (tmp_path / "log" / "points.csv").write_text("earlier")
    refused(typed, tmp_path, words(case), "map.png is a folder there")


@pytest.mark.parametrize(
    "more", [["--set", "judge.confidence"], ["--surface-temp-c", "400"], ["--pannel", "x"], ["--panel"]]
)
def test_a_wrong_word_exits_2(typed, case, tmp_path, more):
    code, out, err = typed(*words(case), *more)
    assert (code, out) == (2, "")
    assert "Traceback" not in err
    assert more[0] in err or "--panel" in err
    assert os.listdir(tmp_path) == []


def test_no_recording_exits_2(typed):
    assert typed("analyse")[0] == 2


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (
            ["--hammer", "90 g plastic"],
            "the panel is of another hammer (60 g steel) than stated (90 g plastic)",
        ),
        (["--surface-temp-c", "-4"], "the panel is of another temperature (14 °C) than stated (-4 °C)"),
    ],
)
def test_the_command_does_not_contradict_the_panel_file(typed, case, tmp_path, more, said):
    text = (case / "deck.toml").read_text().replace("grid =", "surface_temp_c = 14\ngrid =")
    (tmp_path / "deck.toml").write_text(text, encoding="utf-8")
    refused(typed, tmp_path, [*words(case, panel="deck.toml"), *more], f"{said}: correct one of them")


def test_a_clipped_strike_says_so_beside_its_verdict(typed, case, tmp_path):
    samples, rate_hz = soundfile.read(case / "deck.wav")
    peak = np.abs(samples).max()
    soundfile.write("deck.wav", np.clip(1.2 / peak * samples, -1, 1), rate_hz, "PCM_24")
    assert typed("analyse", "deck.wav", *words(case)[2:])[0] == 0
    table = [r for r in rows(tmp_path / "log" / "points.csv") if r["verdict"] != "not assessed"]
    clipped = ["clipped" in row["flags"] for row in table]
    assert any(clipped)
    said = ["; clipped, which by itself changes how a tap sounds" in row["reason"] for row in table]
    assert said == clipped


def test_too_few_reference_stations_are_said(typed, case, tmp_path):
    listed = [
        f'[[station]]\nlabel = "{row}{n + 1}"\nx = {0.05 + 0.1 * n}\ny = {y}\nrole = "{role}"\n'
        for row, y, role in (("A", 0.05, "panel"), ("B", 0.15, "panel"))
        for n in range(9)
    ]
    listed[:4] = [text.replace('"panel"', '"reference"') for text in listed[:4]]
    head = panel_text(2, 9).partition("grid =")[0]
    (tmp_path / "deck.toml").write_text(head + "\n".join(listed), encoding="utf-8")
    code, out, err = typed(*words(case, panel="deck.toml", baseline=None))
    assert code == 0
    assert "relative to this panel only" in out
    assert "note: 4 stations marked as reference are not compared with: 8 heard are needed" in err


# -- struck again, the other side, all the same ----------------------------------------------------------


@pytest.fixture(scope="module")
def again(case, tmp_path_factory):
    """The good places struck again: unchanged, and with every pitch 8 % lower."""
    folder = tmp_path_factory.mktemp("again")
    for name, lower in (("same.wav", 1.0), ("lower.wav", 0.92)):
        rng = np.random.default_rng(21)
        soundfile.write(folder / name, laid([tap(rng, lower=lower) for _ in range(20)]), RATE, "PCM_24")
    return folder


def test_a_recheck_without_drift_is_silent(typed, case, again, tmp_path):
    code, out, err = typed(*words(case), "--recheck", again / "same.wav")
    assert code == 0
    assert "drift" not in out + err
    # The good places vary by nothing but noise: what could have been noticed is set by what is news.
    said = "reference struck again, same.wav against the baseline: no sure change; less than 4 % in decay"
    assert f"{said} and 4 % in centroid would not have shown" in " ".join(out.split())
    log = json.loads((tmp_path / "log" / "log.json").read_text(encoding="utf-8"))
    assert [d["found"] for d in log["drift"]] == ["none", "none"]
    assert [r["name"] for r in log["recordings"]] == ["deck.wav", "same.wav"]
    flags = [row["flags"] for row in rows(tmp_path / "log" / "taps.csv")]
    assert flags.count("recheck") == 20


def test_a_recheck_that_could_not_have_shown_a_change_is_no_check(typed, case, tmp_path):
    """Four strikes that stray twofold in decay: whatever happened to the reference, they would not tell."""
    rng = np.random.default_rng(5)
    hits = [tap(rng, longer=longer) for longer in (0.5, 0.6, 1.7, 2.0)]
    soundfile.write(tmp_path / "odd.wav", laid(hits), RATE, "PCM_24")
    code, out, _ = typed(*words(case), "--recheck", tmp_path / "odd.wav")
    assert code == 0
    said = " ".join(out.split())
    assert "odd.wav against the baseline: this tells nothing: a change of less than" in said
    assert "no sure change" not in said


@pytest.mark.parametrize(("unsure", "said"), [(9.0, True), (3.0, False)])
def test_a_recheck_that_could_have_missed_what_matters_says_so(unsure, said):
    """Half the reference spread, 5 %, leaves stations not assessed; 9 % would not have shown, 3 % would."""
    found = Drift("decay_ms", "the baseline", "again.wav", 20, 20, False, 1.0, unsure, 5.0, "none", ("A1",))
    [line] = _unmoved([found])
    assert ("more than 5 % in decay would leave these stations not assessed" in line) is said
    assert ("strike the same places again, all of them" in line) is said
    assert "no sure change" in line


def test_a_recheck_that_drifted_is_said_and_stops_the_verdicts(typed, case, again, tmp_path):
    code, out, err = typed(*words(case), "--recheck", again / "lower.wav")
    assert code == 0
    assert "note: the reference drifted: centroid " in err
    assert "% lower" in err
    assert "stations between: A1 to B9 (18)" in err
    assert "18 not assessed" in out
    reasons = {row["reason"] for row in rows(tmp_path / "log" / "points.csv")}
    assert all("more than half the reference spread" in reason for reason in reasons)


def test_a_recheck_named_among_the_recordings_stands_in_its_place(typed, case, again, tmp_path):
    """Struck between the reference and the panel: no station was tapped before it was known."""
    typing = words(case)
    typing[1:1] = [again / "lower.wav"]
    code, _, err = typed(*typing, "--recheck", again / "lower.wav", "--recheck", again / "same.wav")
    assert code == 0
    assert "the reference drifted" in err
    log = json.loads((tmp_path / "log" / "log.json").read_text(encoding="utf-8"))
    assert [(d["later"], d["found"]) for d in log["drift"]][-1] == ("same.wav", "none")
    assert [r["name"] for r in log["recordings"]] == ["deck.wav", "lower.wav", "same.wav"]


def test_what_was_done_to_a_recheck_is_said(typed, case, again, tmp_path):
    samples, rate_hz = soundfile.read(again / "same.wav")
    soundfile.write("slow.wav", resample_poly(samples, 80, 441), rate_hz * 80 // 441, "PCM_24")
    code, _, err = typed(*words(case), "--recheck", "slow.wav")
    assert code == 0
    assert "note: slow.wav: delivered rate: 8000 samples a second" in err


def test_a_recheck_may_be_spelt_in_two_ways(typed, case, again, tmp_path):
    typing = words(case)
    typing[1:1] = [again / "same.wav"]
    code, _, err = typed(*typing, "--recheck", again / ".." / again.name / "same.wav")
    assert code == 0
    log = json.loads((tmp_path / "log" / "log.json").read_text(encoding="utf-8"))
    assert [r["name"] for r in log["recordings"]] == ["deck.wav", "same.wav"]


def test_only_rechecks_is_a_wrong_word(typed, case, again, tmp_path):
    code, out, err = typed("analyse", again / "same.wav", "--recheck", again / "same.wav")
    assert (code, out) == (2, "")
    assert "give a recording of the panel as well" in err


def test_the_other_side_from_its_log(typed, case, tmp_path):
    (tmp_path / "port.toml").write_text((case / "deck.toml").read_text().replace("foredeck", "port deck"))
    (tmp_path / "deck.toml").write_text(
        (case / "deck.toml").read_text().replace("grid =", 'mirror_of = "port deck"\ngrid =')
    )
    # The same taps, recorded a little more softly: another file.
    samples, rate_hz = soundfile.read(case / "deck.wav")
    soundfile.write("port.wav", 0.9 * samples, rate_hz, "PCM_24")
    typing = words(case, panel="port.toml", out="port")
    assert typed("analyse", "port.wav", *typing[2:])[0] == 0
    code, _, err = typed(*words(case, panel="deck.toml", mirror="port"))
    assert code == 0
    table = {row["station"]: row for row in rows(tmp_path / "log" / "points.csv")}
    assert {s: row["mirror_station"] for s, row in table.items()} == {s: s for s in table}
    assert table["B3"]["verdict"] == "suspect"
    assert "'same on the other side'" in table["B3"]["flags"]
    log = json.loads((tmp_path / "log" / "log.json").read_text(encoding="utf-8"))
    sha256 = hashlib.sha256((tmp_path / "port" / "log.json").read_bytes()).hexdigest()
    assert log["mirror"] == {"panel": "port deck", "sha256": sha256, "stations": 18}
    log["settings"]["measure.window_ms"] = 25.0
    log["panel"]["name"] = "port deck"
    log["recordings"] = []
    (tmp_path / "otherwise.json").write_text(json.dumps(log), encoding="utf-8")
    _, _, err = typed(*words(case, panel="deck.toml", mirror="otherwise.json", out="three"))
    assert "note: the other side was analysed with other settings (measure.window_ms 25.0, not " in err
    # A log of before the two windows were told apart took its bands of the whole one.
    del log["settings"]["measure.bands_ms"]
    (tmp_path / "otherwise.json").write_text(json.dumps(log), encoding="utf-8")
    _, _, err = typed(*words(case, panel="deck.toml", mirror="otherwise.json", out="three"))
    assert "measure.window_ms 25.0, not 20.0; measure.bands_ms 25.0, not 5.0): what is compared" in err
    # Its own log is of another panel than the file names.
    code, _, err = typed(*words(case, panel="deck.toml", mirror="log/log.json", out="two"))
    assert code == 0
    assert "is of panel foredeck, the panel file says port deck: the other side is not used" in err
    # Nobody named it, and it is built otherwise.
    log["panel"]["construction"] = "solid laminate"
    (tmp_path / "otherwise.json").write_text(json.dumps(log), encoding="utf-8")
    _, _, err = typed(*words(case, mirror="otherwise.json", out="four"))
    assert "the other side, port deck, is of another construction (solid laminate), this panel is of " in err
    assert ": the other side is not used (--anyway uses it)" in err


def test_another_side_without_a_panel_file(typed, case, tmp_path):
    assert typed(*words(case, out="port"))[0] == 0
    code, _, err = typed("analyse", case / "good.wav", "--mirror", "port")
    assert code == 0
    assert "the other side is not used" in err
    assert "the panel file says" not in err


def test_a_side_is_not_its_own_mirror(typed, case, tmp_path):
    assert typed(*words(case, out="port"))[0] == 0
    code, _, err = typed(*words(case, mirror="port"))
    assert code == 0
    assert "the log given with --mirror is of deck.wav too: that is this side, and is not used" in err
    assert not any(row["mirror_station"] for row in rows(tmp_path / "log" / "points.csv"))


@pytest.mark.parametrize("mirror", ["nowhere", "good.json", "n" * 300])
def test_a_bad_log_of_the_other_side(typed, case, tmp_path, mirror):
    (tmp_path / "good.json").write_text((case / "good.json").read_text())
    refused(typed, tmp_path, words(case, mirror=mirror), "log")


@pytest.mark.parametrize(
    ("old", "new", "why"),
    [
        ("60 g steel", "90 g", "the baseline is of another hammer (60 g steel), this panel is of 90 g"),
        ('boat = "Kettle"', 'boat = "Bucket"', "the baseline is of another boat (Kettle)"),
        ("grid =", "conditions = { frozen_within_72h = true }\ngrid =", "frozen within 72 h"),
        ("grid =", "surface_temp_c = -4.0\ngrid =", "surface at -4 °C"),
    ],
)
def test_anyway_judges_and_every_line_says_so(typed, case, tmp_path, old, new, why):
    (tmp_path / "deck.toml").write_text((case / "deck.toml").read_text().replace(old, new), encoding="utf-8")
    assert "18 not assessed" in typed(*words(case, panel="deck.toml"))[1]
    code, out, err = typed(*words(case, panel="deck.toml", out="anyway"), "--anyway")
    assert code == 0
    table = rows(tmp_path / "anyway" / "points.csv")
    assert [row["station"] for row in table if row["verdict"] == "suspect"] == ["B3"]
    assert all(f"; judged anyway, although {why}" in row["reason"] for row in table)
    assert all("anyway" in row["flags"] for row in table)
    assert f"judged anyway, although {why}" in out
    assert f"note: judged anyway, although {why}" in err


def test_anyway_where_nothing_speaks_against_it_says_nothing(typed, case, tmp_path):
    _, out, err = typed(*words(case), "--anyway")
    assert "anyway" not in out + err


def test_what_was_declared_after_tapping_keeps_the_earlier_verdict_beside(typed, case, tmp_path):
    late = (case / "deck.toml").read_text() + "declared_after_tapping = true\n"
    (tmp_path / "deck.toml").write_text(late)
    code, _, err = typed(*words(case, panel="deck.toml"))
    assert code == 0
    assert "note: suspect until structure was declared after tapping: A5 B5. Look at them again" in err
    table = {row["station"]: row for row in rows(tmp_path / "log" / "points.csv")}
    for label in ("A5", "B5"):
        assert table[label]["verdict"] == "at structure"
        assert "; before it was declared: suspect, confidence " in table[label]["reason"]
        assert "'declared after tapping' 'was suspect'" in table[label]["flags"]
    assert table["B3"]["verdict"] == "suspect"
    assert not any("before" in row["reason"] for s, row in table.items() if s not in ("A5", "B5"))
    log = json.loads((tmp_path / "log" / "log.json").read_text(encoding="utf-8"))
    assert log["panel"]["structures"][0]["declared_after_tapping"] is True


# -- feet and inches -------------------------------------------------------------------------------------


def test_feet_and_inches_on_screen_and_map_and_metres_in_files(typed, case, tmp_path, monkeypatch):
    code, metric, _ = typed(*words(case, out="metric"))
    assert code == 0
    code, out, err = typed(*words(case, out="set"), "--set", "show.units=ft-in")
    assert code == 0
    assert "changed setting" not in err
    assert re.search(r"a round patch under \d+ \d/\d\" can lie between", err)
    assert not re.search(r"\d mm across", out + err)
    monkeypatch.setenv("TAPTONE_UNITS", "ft-in")
    assert typed(*words(case, out="variable"))[1].replace("variable/", "set/") == out
    assert typed(*words(case, out="again"), "--set", "show.units=m")[1].replace("again/", "metric/") == metric
    for name in ("log.json", "points.csv", "taps.csv"):
        assert (tmp_path / "set" / name).read_bytes() == (tmp_path / "metric" / name).read_bytes(), name
    drawn = re.findall(r"<!-- (.*?) -->", (tmp_path / "set" / "map.svg").read_text(encoding="utf-8"), re.S)
    assert "x, feet and inches" in drawn
    assert not [text for text in drawn if re.search(r"\d mm\b", text)]
    code, out, _ = typed(
        "explain", "set", "B3", "--recording", case / "deck.wav", "--baseline", case / "good.json"
    )
    assert code == 0
    assert not re.search(r"\d mm across", out)


def test_units_nobody_knows_are_one_line(typed, case, monkeypatch):
    monkeypatch.setenv("TAPTONE_UNITS", "yards")
    code, out, err = typed(*words(case))
    assert (code, out) == (1, "")
    assert err == "taptone: TAPTONE_UNITS is 'yards': choose m or ft-in\n"


# -- a row again -----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def short(case, tmp_path_factory):
    """The panel with one strike of row B missed; row B tapped again, whole and one short."""
    folder, rng = tmp_path_factory.mktemp("short"), np.random.default_rng(13)
    for name, runs in (("deck.wav", [9, 8]), ("again-b.wav", [9]), ("short-b.wav", [8])):
        hits = [tap(rng) for _ in range(sum(runs))]
        soundfile.write(folder / name, laid(hits, runs), RATE, "PCM_24")
    return folder


def test_a_row_again_replaces_only_itself(typed, case, short, tmp_path, monkeypatch):
    monkeypatch.chdir(short)  # where explain looks for recordings
    typing = words(case, out=tmp_path / "log")
    typing[1] = short / "deck.wav"
    code, out, err = typed(*typing, "--row-again", f"b:{short / 'again-b.wav'}")
    assert code == 0
    assert "note: row B: 8 strikes heard, 9 planned" in err
    assert "note: again-b.wav: row B tapped again: it takes the place of the earlier one" in err
    table = rows(tmp_path / "log" / "points.csv")
    assert [row["recordings"] for row in table] == ["deck.wav"] * 9 + ["again-b.wav"] * 9
    assert ["row again" in row["flags"] for row in table] == [False] * 9 + [True] * 9
    taps = rows(tmp_path / "log" / "taps.csv")
    assert [row["used"] for row in taps] == ["yes"] * 9 + ["no"] * 8 + ["yes"] * 9
    log = json.loads((tmp_path / "log" / "log.json").read_text(encoding="utf-8"))
    assert log["stated"]["rows_again"] == ["B"]
    code, out, err = typed("explain", tmp_path / "log", "B4", "--baseline", case / "good.json")
    assert code == 0, err


def test_a_whole_row_that_was_replaced_stays_in_the_log(typed, case, short, tmp_path):
    code, _, _ = typed(*words(case), "--row-again", f"B:{short / 'again-b.wav'}")
    assert code == 0
    taps = rows(tmp_path / "log" / "taps.csv")
    assert [row["station"] for row in taps[9:18]] == [row["station"] for row in taps[18:]]
    assert [(row["used"], row["flags"]) for row in taps[9:18]] == [("no", "replaced")] * 9


def test_a_row_again_that_does_not_count_either_is_said(typed, case, short, tmp_path):
    code, _, err = typed(*words(case), "--row-again", f"B:{short / 'short-b.wav'}")
    assert code == 0
    assert "note: short-b.wav: row B: 8 strikes heard, 9 planned" in err
    reasons = [row["reason"] for row in rows(tmp_path / "log" / "points.csv")]
    assert reasons[9:] == ["tapped again: row B: 8 strikes heard, 9 planned"] * 9


def test_a_row_that_stands_twice_in_a_recording(typed, case, tmp_path):
    rng = np.random.default_rng(15)
    soundfile.write("twice.wav", laid([tap(rng) for _ in range(27)], [9, 9, 9]), RATE, "PCM_24")
    typing = words(case)
    typing[1] = "twice.wav"
    code, _, err = typed(*typing, "--row-again", "B")
    assert code == 0
    assert "note: row B: tapped twice: the 9 strikes of the first time are not used" in err
    assert [row["used"] for row in rows(tmp_path / "log" / "taps.csv")] == ["yes"] * 9 + ["no"] * 9 + [
        "yes"
    ] * 9
    code, _, err = typed("explain", "log", "B4", "--baseline", case / "good.json")
    assert code == 0, err


@pytest.mark.parametrize(
    ("again", "code", "said"),
    [
        (["K:again-b.wav"], 1, "has no row K: its rows are A, B"),
        (["again-b.wav"], 2, "write it as C:again-c.wav, or as C"),
        (["B:again-b.wav", "b:short-b.wav"], 2, "row B is given twice"),
    ],
)
def test_a_row_again_that_cannot_be_is_one_line(typed, case, short, monkeypatch, again, code, said):
    monkeypatch.chdir(short)
    found, _, err = typed(*words(case), *[word for text in again for word in ("--row-again", text)])
    assert found == code
    assert said in err


# -- swept rows ------------------------------------------------------------------------------------------


def test_a_swept_row_is_judged_like_the_others(typed, case, tmp_path):
    """Row B struck 15 times, 0.35 s apart: each strike is a point of the log, its place marked ±."""
    rng = np.random.default_rng(14)
    row = laid([tap(rng) for _ in range(9)], [9])
    hits = [tap(rng, **(ALTERED if k == 7 else {})) for k in range(15)]
    sweep = np.random.default_rng(1).normal(0.0, 1e-4, round(8.5 * RATE))
    for k, hit in enumerate(hits):
        start = round((2.5 + 0.35 * k) * RATE)
        sweep[start : start + len(hit)] += hit[: len(sweep) - start]
    soundfile.write("swept.wav", np.concatenate([row, sweep]), RATE, "PCM_24")
    text = (case / "deck.toml").read_text(encoding="utf-8")
    Path("swept.toml").write_text('sweep = ["B"]\n' + text, encoding="utf-8")
    typing = words(case, panel="swept.toml")
    typing[1] = "swept.wav"
    code, _, err = typed(*typing)
    assert code == 0, err
    table = rows(tmp_path / "log" / "points.csv")
    assert len(table) == 24
    assert [row["station"] for row in table[9:12]] == [
        table[9]["station"],
        *(f"{table[9]['station']}+{n}" for n in (1, 2)),
    ]
    assert all("swept ±" in row["flags"] for row in table[9:])
    assert {row["verdict"] for row in table[9:]} <= {"suspect", "no difference", "at structure"}
    code, _, err = typed("explain", "log", table[13]["station"], "--baseline", case / "good.json")
    assert code == 0, err
