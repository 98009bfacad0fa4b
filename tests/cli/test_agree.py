"""`taptone agree` as it is typed: two files, ear against program, and the one line when it cannot."""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path

import numpy as np
import pytest

from taptone.edges.analysing import analyse_sounds
from taptone.edges.store import create_store
from taptone.edges.tables import write_result
from taptone.survey.panel import parse_panel
from taptone.survey.records import Word

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented import Invented, laid, panel_text, tap

ALTERED = {"lower": 0.85, "longer": 1.5, "duller_db": 2.0}


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    """A panel of 4 by 8 with B3 and C6 altered."""
    rng = np.random.default_rng(5)
    hits = [tap(rng, **(ALTERED if k in (10, 21) else {})) for k in range(32)]
    panel = parse_panel(panel_text(4, 8), source="deck.toml")
    result = analyse_sounds([Invented(0.3 * laid(hits, [8] * 4))], panel=panel)
    assert [p.station for p in result.points if p.verdict == "suspect"] == ["B3", "C6"]
    folder = tmp_path_factory.mktemp("deck")
    write_result(result, folder, pictures={})
    return folder


def words_in(folder, text, name="words.csv"):
    (folder / name).write_text(text, encoding="utf-8")
    return folder / name


def test_a_log_agrees_with_itself(typed, log):
    code, out, _ = typed("agree", log, log)
    assert code == 0
    assert "both suspect: 2 (B3 C6)" in out
    assert "neither: 30" in out
    assert "Cohen's kappa: 1.00" in out


def test_two_files_beside_each_other(typed, tmp_path):
    one = words_in(tmp_path, "station,word\nA1,hollow\nA2,good\nA3,good\nA4,hollow\nA5,?\n", "one.csv")
    two = words_in(tmp_path, "Station;Word\nA1;dull\nA2;good\nA3;dull\nA4;good\nA6;good\n", "two.csv")
    code, out, _ = typed("agree", one, two, "--out", "both")
    assert code == 0
    assert "first: words of one.csv; hollow (2) → a difference; good (2) → no difference" in out
    assert "only the first: 1 (A4)" in out
    assert "only the second: 1 (A3)" in out
    assert "not assessed by the first: 1 (A6)" in out
    assert "not assessed by either: 1 (A5)" in out
    assert "Cohen's kappa: 0.00 (95 % interval" in out
    with open("both/agree.csv", encoding="utf-8", newline="") as file:
        rows = {row["station"]: row for row in csv.DictReader(file)}
    assert rows["A3"] == {"station": "A3", "first": "good", "second": "dull", "outcome": "only second"}
    body = json.loads(Path("both/agree.json").read_text(encoding="utf-8"))
    assert (body["assessed"], body["kappa"], body["counts"]["both"]) == (4, 0.0, 1)
    assert "average" not in json.dumps(body)
    assert not {"verdict", "mean"} & {key for row in body["stations"] for key in row}


def test_points_of_a_log_are_a_file_of_verdicts(typed, log):
    code, out, _ = typed("agree", log, log / "points.csv")
    assert code == 0
    assert "second: verdicts of points.csv" in out


def test_ear_against_program_only_where_the_ear_was_first(typed, tmp_path, log):
    with create_store(tmp_path / "survey") as store:
        for station, word, first in (
            ("B3", "hollow", True),
            ("A1", "good", True),
            ("A2", "dull", True),
            ("C6", "hollow", False),
        ):
            store.add(Word(panel="foredeck", station=station, word=word, ear_first=first))
    code, out, err = typed("agree", log, tmp_path / "survey")
    assert code == 0
    assert "both suspect: 1 (B3)" in out
    assert "only the second: 1 (A2)" in out
    assert "3 stations assessed by both" in out
    assert "1 own words were given after the program's verdict was shown, and are left out" in err


def test_labels_that_differ_in_capitals_only_are_one_station_and_it_is_said(typed, tmp_path, log):
    words = words_in(tmp_path, "station,word\nb3,hollow\nA1,good\na2,good\n")
    code, out, err = typed("agree", log, words, "--out", "both")
    assert code == 0
    assert "both suspect: 1 (B3)" in out
    assert "3 stations assessed by both" in out
    said = "words of words.csv: b3 taken for B3, a2 taken for A2 of verdicts of "
    assert f"note: {said}{log.name}: they differ in capitals only" in err
    assert json.loads(Path("both/agree.json").read_text(encoding="utf-8"))["notes"][0].startswith(said)


def test_two_logs_with_a_label_in_other_capitals(typed, tmp_path, log):
    body = (log / "log.json").read_text(encoding="utf-8").replace('"B3"', '"b3"')
    (tmp_path / "log.json").write_text(body, encoding="utf-8")
    code, out, err = typed("agree", log, tmp_path)
    assert code == 0
    assert "both suspect: 2 (B3 C6)" in out
    assert "b3 taken for B3" in err


def test_two_spellings_on_one_side_stay_two_stations(typed, tmp_path):
    one = words_in(tmp_path, "station,word\nf7,hollow\nF7,good\nA1,good\n", "one.csv")
    two = words_in(tmp_path, "station,word\nF7,hollow\nA1,good\n", "two.csv")
    for first, second in ((one, two), (two, one)):
        code, out, err = typed("agree", first, second)
        assert code == 0
        assert "2 stations assessed by both" in out
        assert "capitals" not in err


def test_a_log_that_was_judged_anyway_is_noted(typed, tmp_path, log):
    body = json.loads((log / "log.json").read_text(encoding="utf-8"))
    body["stated"]["anyway"] = True
    for point in body["points"]:
        point["flags"].append("anyway")
        point["reason"] += "; judged anyway, although the baseline is of another hammer"
    (tmp_path / "log.json").write_text(json.dumps(body), encoding="utf-8")
    why = "were given with --anyway, although the baseline is of another hammer"
    code, _, err = typed("agree", tmp_path, log)
    assert code == 0
    assert f"note: verdicts of {tmp_path.name} {why}" in err
    assert err.count("--anyway") == 1
    table = 'station,verdict,flags,reason\nA1,suspect,faint anyway,"judged anyway, although it froze"\n'
    code, _, err = typed("agree", log, words_in(tmp_path, table))
    assert code == 0
    assert "note: verdicts of words.csv were given with --anyway, although it froze" in err


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "line 1: no columns station and word"),
        ("station,sound\nA1,good\n", "line 1: no columns station and word"),
        ("station,word\n", "holds no station"),
        ("station,word\nA1,good\nA1,dull\n", "line 3: station A1 a second time"),
        ("station,word\nA1,good,dull\n", "line 2: 3 cells under 2 columns"),
        ("station,word\n,good\n", "line 2: no station"),
        ("station,word\nZZ9,good\n", "share 0 of 1 stations"),
        ("panel,station,word\nrudder,A1,good\n", "is of panel foredeck, words of words.csv of rudder"),
    ],
)
def test_a_bad_file_is_one_line(typed, tmp_path, log, text, said):
    code, out, err = typed("agree", log, words_in(tmp_path, text))
    assert (code, out) == (1, "")
    assert said in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("content", "said"), [(None, "does not exist"), (b"\xff\xfe\x00", "is no CSV file in UTF-8")]
)
def test_no_file_at_all_is_one_line(typed, tmp_path, log, content, said):
    if content is not None:
        (tmp_path / "words.csv").write_bytes(content)
    code, _, err = typed("agree", log, "words.csv")
    assert code == 1
    assert said in err
    assert err.count("\n") == 1


def test_a_survey_without_words_given_ear_first_is_one_line(typed, tmp_path, log):
    with create_store(tmp_path / "survey") as store:
        code, _, err = typed("agree", log, tmp_path / "survey")
        assert code == 1
        assert "holds no own word on panel foredeck" in err
        store.add(Word(panel="foredeck", station="B3", word="hollow", ear_first=False))
    code, _, err = typed("agree", log, tmp_path / "survey")
    assert code == 1
    assert "all 1 own words on foredeck were given after the program's verdict was shown" in err


def test_another_grid_is_refused(typed, tmp_path, log):
    body = json.loads((log / "log.json").read_text(encoding="utf-8"))
    body["panel"]["datum"] = "stern"
    (tmp_path / "log.json").write_text(json.dumps(body), encoding="utf-8")
    code, _, err = typed("agree", log, tmp_path)
    assert code == 1
    assert "not on one grid: another datum: stem head then, stern now" in err
