"""`taptone next` as it is typed: from a log, from two logs of one panel, from a survey, and its refusals."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from taptone.cli import main

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented import RATE, good, laid, panel_text, tap

ALTERED = {"lower": 0.85, "longer": 1.5, "duller_db": 2.0}
BETWEEN = """
[[station]]
label = "B4a"
x = 0.40
y = 0.15
[[station]]
label = "B3a"
x = 0.30
y = 0.15
"""


def run_main(*words):
    with pytest.raises(SystemExit) as stop:
        main([str(word) for word in words])
    return stop.value.code


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A panel of 3 by 8 with B4 altered, two taps beside it, both analysed, alone and in a survey."""
    folder, rng = tmp_path_factory.mktemp("made"), np.random.default_rng(12)
    soundfile.write(folder / "good.wav", good(rng).samples, RATE, "PCM_24")
    hits = [tap(rng, **(ALTERED if k == 11 else {})) for k in range(24)]
    soundfile.write(folder / "deck.wav", laid(hits, [8, 8, 8]), RATE, "PCM_24")
    soundfile.write(folder / "more.wav", laid([tap(rng, **ALTERED), tap(rng)], [2]), RATE, "PCM_24")
    text = panel_text(3, 8)
    (folder / "deck.toml").write_text(text, encoding="utf-8")
    head = "\n".join(line for line in text.splitlines() if "grid" not in line)
    (folder / "more.toml").write_text(head + BETWEEN, encoding="utf-8")
    said = ["--boat", "Kettle", "--construction", "skins over foam", "--hammer", "60 g steel"]
    said += ["--taps-per-place", 1, "--out", folder / "good.json"]
    assert run_main("learn", folder / "good.wav", *said) == 0
    for stem in ("deck", "more"):
        given = ["--panel", folder / f"{stem}.toml", "--baseline", folder / "good.json"]
        assert run_main("analyse", folder / f"{stem}.wav", *given, "--out", folder / stem) == 0
    assert run_main("analyse", folder / "deck.wav", "--out", folder / "alone") == 0
    return folder


@pytest.fixture
def typed(made, monkeypatch, capsys):
    """Type a command beside all that: exit code, standard output, standard error."""
    monkeypatch.chdir(made)

    def run(*words):
        capsys.readouterr()
        return run_main(*words), *capsys.readouterr()

    return run


def test_a_log_says_where_to_tap_next(typed):
    code, out, err = typed("next", "deck")
    assert (code, err) == (0, "")
    assert "area B4: 0.35 m along x, 0.15 m along y from the" in out
    assert "  tap A4b  x 0.350 m, y 0.100 m: half way between B4 (suspect) and A4 (no difference)" in out
    assert "then B4" in out
    assert "drill" not in out


def test_feet_and_inches_where_they_are_asked_for(typed, monkeypatch):
    """An inch is 25.4 mm (ISO 80000-3): 0.35 m are 13.78 in, 0.15 m 5.91 in."""
    monkeypatch.setenv("TAPTONE_UNITS", "ft-in")
    code, out, err = typed("next", "deck")
    assert (code, err) == (0, "")
    assert 'area B4: 1\' 1 3/4" along x, 5 7/8" along y from the' in out
    assert '  tap A4b  x 1\' 1 3/4", y 3 7/8": half way' in out
    assert "at least one point, best guess" in out
    assert "sq ft" in out
    assert " m" not in out.replace(" mirrored", "").replace(" middle", "").replace(" most", "")


def test_a_program_reads_the_same(typed):
    code, out, _ = typed("next", "deck", "--json")
    assert code == 0
    [panel] = json.loads(out)["panels"]
    [area] = panel["areas"]
    assert area["stations"] == ["B4"]
    assert area["closed"] is False
    assert area["at_least_m2"] == 0.0
    assert area["at_least_m2"] < area["best_guess_m2"] < area["at_most_m2"]
    assert {"label", "x_m", "y_m", "kind", "why"} == set(area["taps"][0])
    log = json.loads(Path("deck/log.json").read_text(encoding="utf-8"))
    assert log["areas"][0]["best_guess_m2"] == area["best_guess_m2"]
    assert log["areas"][0]["place"] == area["place"]


def test_two_logs_of_one_panel_are_put_together(typed):
    code, out, _ = typed("next", "deck", "more", "--json")
    assert code == 0
    [area] = json.loads(out)["panels"][0]["areas"]
    _, before, _ = typed("next", "deck", "--json")
    [earlier] = json.loads(before)["panels"][0]["areas"]
    assert area["stations"] == ["B4", "B4a"]
    assert "B3a" not in {tap["label"] for tap in area["taps"]}
    assert area["at_most_m2"] != earlier["at_most_m2"]


def test_a_wide_edge_is_known_already(typed):
    code, out, _ = typed("next", "deck", "--edge", "0.15")
    assert code == 0
    assert "closed: suspect and good stations stand no more than 141 mm apart" in out
    assert "  tap " not in out
    assert "now B4" in out


def test_a_survey_knows_its_own_panels(typed, tmp_path):
    survey = tmp_path / "visit"
    assert typed("new", survey, "--boat", "Kettle", "--surveyor", "J")[0] == 0
    assert typed("add", "panel", "deck.toml", "--survey", survey)[0] == 0
    name = json.loads(Path("deck/log.json").read_text(encoding="utf-8"))["panel"]["name"]
    code, _, err = typed("next", survey)
    assert code == 1
    assert "no analysis of a panel" in err
    words = ["--panel", name, "--baseline", "good.json"]
    assert typed("analyse", "deck.wav", "--survey", survey, *words)[0] == 0
    code, out, err = typed("next", survey, "--panel", name)
    assert (code, err) == (0, "")
    assert "tap A4b" in out


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["nowhere"], 1, "nowhere does not exist"),
        (
            ["alone"],
            1,
            "alone: no analysis of a panel: nobody knows where the taps lie: analyse with --panel",
        ),
        (["deck", "--panel", "keel"], 1, "there is no analysis of panel keel: choose "),
        (["deck", "--edge", "far"], 2, "far"),
        (["deck", "--edge", "nan"], 2, "nan is no number"),
        (["deck.wav"], 1, "deck.wav cannot be read as a log"),
        ([], 2, "LOG_OR_SURVEY"),
    ],
)
def test_what_cannot_be_is_one_line(typed, words, code, said):
    got, out, err = typed("next", *words)
    assert (got, out) == (code, "")
    assert said in err
    assert "Traceback" not in err


def test_a_panel_held_against_itself_only_is_not_cleared(typed, made):
    rng = np.random.default_rng(13)
    soundfile.write("even.wav", laid([tap(rng) for _ in range(24)], [8, 8, 8]), RATE, "PCM_24")
    code, out, _ = typed("analyse", "even.wav", "--panel", "deck.toml", "--out", "even")
    assert code == 0
    assert "next: no suspect clears nothing: strike the reference again" in " ".join(out.split())
    code, out, _ = typed("next", "even")
    assert code == 0
    assert (
        "no suspect area, no outline to close\n  it was compared with itself only: a fault under all" in out
    )


def test_a_label_at_two_places_is_told(typed, made):
    text = (made / "more.toml").read_text(encoding="utf-8").replace('"B4a"', '"C4"')
    (made / "odd.toml").write_text(text, encoding="utf-8")
    given = ["--panel", "odd.toml", "--baseline", "good.json", "--out", "odd"]
    assert typed("analyse", "more.wav", *given)[0] == 0
    code, _, err = typed("next", "deck", "odd")
    assert code == 1
    assert "station C4 of panel" in err
    assert "lies elsewhere" in err
