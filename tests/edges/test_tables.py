"""The log on disk: what Python's own csv and json read back is what was found, or nothing was written."""

from __future__ import annotations

import csv
import dataclasses
import json
import math
import os
import shlex
from pathlib import Path

import numpy as np
import pytest

from taptone.edges.tables import POINT_COLUMNS, TAP_COLUMNS, write_result
from taptone.errors import OutputError
from taptone.types import (
    BAND_CENTRES_HZ,
    MEASURE_NAMES,
    Area,
    Change,
    Finding,
    Measured,
    Panel,
    Point,
    Recording,
    Rejected,
    Result,
    Station,
)

NAN = math.nan
PICTURES = {"map.svg": b"<svg/>", "map.png": b"\x89PNG"}
NAMES = ["points.csv", "taps.csv", "log.json", "map.svg", "map.png"]


@pytest.fixture
def result():
    """Two stations, three taps, everything filled that can be filled."""
    outline = ((0.0, 0.0), (0.3, 0.0), (0.3, 0.1))
    stations = (Station("A1", 0.05, 0.05), Station("A2", 0.15, 0.05))
    panel = Panel("Füßling", "port", "outside", "foam", "stem", outline, stations, surface_temp_c=NAN)
    points = (
        Point(
            *(
                "Füßling",
                "A1",
                0.123456,
                -0.00001,
                2,
                ("row.wav", "Voice 2.m4a"),
                (4800, 9600),
                0.1,
                "suspect",
            ),
            character="hollow",
            score=6.12345,
            chance_if_good=0.000123456789,
            confidence=0.99996,
            decay_ms=17.8456,
            centroid_hz=1234.56,
            flags=("count differs", "soft"),
            reason='decay 18 ms, "6 neighbours" 41 ms',
        ),
        Point(
            "Füßling", "A2", 0.15, 0.05, 0, (), (), NAN, "not assessed", reason="=1+1", surveyor_word="-dull"
        ),
    )
    values = {name: float(n) + 0.123456 for n, name in enumerate(MEASURE_NAMES)} | {"mode_hz": NAN}
    bands = tuple(-float(n) for n in range(len(BAND_CENTRES_HZ)))
    taps = (
        Measured("row.wav", 4800, 48000, values, bands, ("bounce",)),
        Measured("row.wav", 9601, 48000, values, bands),
        Measured("row.wav", 9602, 48000, values),
    )
    return Result(
        panel,
        (Recording("row.wav", "ab" * 32, 48000, 96000),),
        points,
        taps,
        ("A1", "A1", ""),
        (True, True, False),
        (Rejected("row.wav", 20000, 48000, "swells: speech"),),
        (Area(("A1",), 0.00123456, 0.02, ((0.111111, 0.0),), ()),),
        ("a note",),
        ("boat not recorded",),
        "relative to this panel only",
        baseline={"places": np.int64(12), "location": np.array([1.0, NAN])},
        settings={"detect.rise_db": 9.123456},
        changes=(Change("detect.rise_db", 9.0, 9.123456),),
        versions={"taptone": "0.1.0"},
        health=(Finding("row.wav", "gate", "119 ms after a tap …", 119.12345, "ms", True),),
    )


def read(path):
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def names(folder):
    return sorted(path.name for path in folder.iterdir())


# -- what is written -----------------------------------------------------------------------------------


def test_writes_these_files_in_this_order(result, tmp_path):
    paths = write_result(result, tmp_path / "new" / "out", pictures=PICTURES)
    assert [path.name for path in paths] == NAMES
    assert names(tmp_path / "new" / "out") == sorted(NAMES)
    assert paths[4].read_bytes() == b"\x89PNG"


def test_columns_are_those_of_the_contract():
    assert " ".join(POINT_COLUMNS) == (
        "panel station x_m y_m taps recordings samples time_s verdict character score chance_if_good"
        " confidence spread decay_ms centroid_hz reference_decay_ms reference_centroid_hz neighbour_decay_ms"
        " neighbour_centroid_hz mirror_station flags reason surveyor_word"
    )
    assert " ".join(TAP_COLUMNS[:15]) == (
        "recording sample time_s station used flags level_dbfs snr_db decay_ms decay_from_db decay_to_db"
        " decay_bend_db mode_decay_ms mode_hz centroid_hz"
    )


def test_bands_carry_their_nominal_names():
    """IEC 61260-1:2014, annex E: nominal third-octave mid-bands, 100 Hz to 16 kHz (from memory)."""
    nominal = [100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000]
    nominal += [5000, 6300, 8000, 10000, 12500, 16000]
    assert list(TAP_COLUMNS[-23:]) == [f"band_{hz}_hz_db" for hz in nominal]


def test_points_come_back(result, tmp_path):
    first, second = read(write_result(result, tmp_path, pictures={})[0])
    assert first["panel"] == "Füßling"
    assert shlex.split(first["recordings"]) == ["row.wav", "Voice 2.m4a"]
    assert first["samples"] == "4800 9600"
    assert shlex.split(first["flags"]) == ["count differs", "soft"]
    assert first["reason"] == 'decay 18 ms, "6 neighbours" 41 ms'
    rounded = {"x_m": 0.1235, "y_m": 0.0, "time_s": 0.1, "score": 6.123, "chance_if_good": 0.000123}
    rounded |= {"decay_ms": 17.85, "centroid_hz": 1234.6}
    assert {name: float(first[name]) for name in rounded} == rounded
    assert not first["y_m"].startswith("-")
    assert second["time_s"] == second["score"] == second["recordings"] == first["spread"] == ""


@pytest.mark.parametrize(
    ("confidence", "cell"), [(0.99996, "0.9999"), (0.949999, "0.9499"), (0.95, "0.95"), (1 - 0.05, "0.95")]
)
def test_confidence_never_rounds_up_to_a_limit(result, tmp_path, confidence, cell):
    point = dataclasses.replace(result.points[0], confidence=confidence)
    (row,) = read(write_result(dataclasses.replace(result, points=(point,)), tmp_path, pictures={})[0])
    assert row["confidence"] == cell


def test_taps_come_back(result, tmp_path):
    first, second, third = read(write_result(result, tmp_path, pictures={})[1])
    assert [row["used"] for row in (first, second, third)] == ["yes", "yes", "no"]
    assert (first["sample"], first["station"], first["flags"]) == ("4800", "A1", "bounce")
    assert second["time_s"] == "0.2"  # 9601 / 48000 = 0.20002
    assert (first["level_dbfs"], first["decay_ms"], first["centroid_hz"]) == ("0.12", "2.12", "8.1")
    assert first["mode_hz"] == ""
    assert (first["band_1000_hz_db"], third["band_1000_hz_db"]) == ("-10.0", "")


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("=1+1", "'=1+1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("-2+3", "'-2+3"),
        ("+a", "'+a"),
        ("\t=1", "'\t=1"),
        ("-3", "-3"),
        ("+0.5", "+0.5"),
        ("A1", "A1"),
    ],
)
def test_text_is_no_formula(result, tmp_path, text, cell):
    point = dataclasses.replace(result.points[0], station=text, reason=text, x_m=-0.5)
    write_result(dataclasses.replace(result, points=(point,)), tmp_path, pictures={})
    (row,) = read(tmp_path / "points.csv")
    assert (row["station"], row["reason"], row["x_m"]) == (cell, cell, "-0.5")
    assert json.loads((tmp_path / "log.json").read_text(encoding="utf-8"))["points"][0]["reason"] == text


def test_log_holds_all_of_it(result, tmp_path):
    text = write_result(result, tmp_path, pictures={})[2].read_text(encoding="utf-8")
    assert "NaN" not in text
    assert "Füßling" in text
    log = json.loads(text)
    fields = {field.name for field in dataclasses.fields(Result)}
    assert set(log) == fields - {"tap_station", "tap_used"}
    assert log["recordings"][0]["sha256"] == "ab" * 32
    assert log["panel"]["surface_temp_c"] is None
    assert log["panel"]["stations"][1] == {"label": "A2", "x_m": 0.15, "y_m": 0.05, "row": 0, "role": "panel"}
    assert log["points"][0]["samples"] == [4800, 9600]
    assert (log["taps"][0]["station"], log["taps"][0]["used"], log["taps"][2]["used"]) == ("A1", True, False)
    assert log["taps"][0]["mode_hz"] is None
    assert log["rejected"] == [
        {"recording": "row.wav", "sample": 20000, "time_s": 0.4167, "reason": "swells: speech"}
    ]
    assert log["areas"][0]["at_least_m2"] == 0.0012
    assert log["areas"][0]["at_least"] == [[0.1111, 0.0]]
    assert log["baseline"] == {"places": 12, "location": [1.0, None]}
    assert log["settings"] == {"detect.rise_db": 9.123456}  # as it was set, not rounded
    assert log["changes"] == [{"setting": "detect.rise_db", "default": 9.0, "value": 9.123456}]
    [finding] = log["health"]
    assert finding == {
        "recording": "row.wav",
        "name": "gate",
        "evidence": "119 ms after a tap …",
        "strength": 119.123,
        "unit": "ms",
        "blocks": True,
    }


def test_csv_and_log_hold_the_same_numbers(result, tmp_path):
    write_result(result, tmp_path, pictures={})
    log = json.loads((tmp_path / "log.json").read_text(encoding="utf-8"))
    for table in ("points", "taps"):
        for row, logged in zip(read(tmp_path / f"{table}.csv"), log[table], strict=True):
            numbers = {name: value for name, value in logged.items() if type(value) in (int, float)}
            assert numbers
            assert {name: float(row[name]) for name in numbers} == numbers


def test_a_file_name_that_is_no_text_is_written_all_the_same(result, tmp_path):
    name = b"tap\xff.wav".decode("utf-8", "surrogateescape")
    changed = dataclasses.replace(result, recordings=(dataclasses.replace(result.recordings[0], name=name),))
    log = write_result(changed, tmp_path, pictures={})[2].read_text(encoding="utf-8")
    assert json.loads(log)["recordings"][0]["name"] == name


def test_second_run_gives_the_same_bytes(result, tmp_path):
    first = [path.read_bytes() for path in write_result(result, tmp_path / "a", pictures=PICTURES)]
    again = [path.read_bytes() for path in write_result(result, tmp_path / "a", pictures=PICTURES)]
    other = [path.read_bytes() for path in write_result(result, tmp_path / "b", pictures=PICTURES)]
    assert first == again == other
    assert all(b"\r" not in content for content in first[:3])


# -- all or nothing ------------------------------------------------------------------------------------


def test_a_folder_in_the_way_leaves_the_earlier_run(result, tmp_path):
    paths = write_result(result, tmp_path, pictures=PICTURES)
    before = {path.name: path.read_bytes() for path in paths[:-1]}
    paths[-1].unlink()
    (tmp_path / "map.png").mkdir()
    with pytest.raises(OutputError, match=r"cannot be written to \(map.png is a folder there\)"):
        write_result(dataclasses.replace(result, points=()), tmp_path, pictures=PICTURES)
    assert {name: (tmp_path / name).read_bytes() for name in before} == before
    assert names(tmp_path) == sorted(NAMES)


def test_a_move_that_fails_takes_the_others_back(result, tmp_path, monkeypatch):
    """The disk is made to fail at the last move, as no real disk does when asked to."""
    before = write_result(result, tmp_path, pictures={})[0].read_bytes()
    (tmp_path / "log.json").unlink()
    replace = os.replace

    def fails_at_the_map(source, target):
        if Path(target).name == "map.png":
            raise OSError(5, "Input/output error")
        replace(source, target)

    monkeypatch.setattr(os, "replace", fails_at_the_map)
    with pytest.raises(OutputError, match="Input/output error"):
        write_result(dataclasses.replace(result, points=()), tmp_path, pictures=PICTURES)
    assert names(tmp_path) == ["points.csv", "taps.csv"]
    assert (tmp_path / "points.csv").read_bytes() == before


def test_a_failed_first_run_leaves_no_folder(result, tmp_path):
    with pytest.raises(OutputError):
        write_result(result, tmp_path / "new" / "out", pictures={"no/such/place.svg": b""})
    assert names(tmp_path) == []


def test_a_file_in_place_of_the_folder(result, tmp_path):
    (tmp_path / "out").write_text("mine")
    with pytest.raises(OutputError, match=r"out cannot be written to .*choose another folder with --out"):
        write_result(result, tmp_path / "out", pictures={})
    assert (tmp_path / "out").read_text() == "mine"


def test_other_files_are_left_alone(result, tmp_path):
    (tmp_path / "row.wav").write_bytes(b"sound")
    write_result(result, tmp_path, pictures={})
    assert (tmp_path / "row.wav").read_bytes() == b"sound"


def test_an_earlier_log_that_differs_is_set_beside(result, tmp_path):
    first = write_result(result, tmp_path, pictures={})
    (tmp_path / "points.csv").write_text("with the surveyor's own word")
    *again, kept = write_result(result, tmp_path, pictures={})
    assert tuple(again) == first
    assert kept.name == "points.earlier-1.csv"
    assert kept.read_text() == "with the surveyor's own word"
    assert write_result(result, tmp_path, pictures={}) == first  # the same again: nothing to keep
