"""`taptone explain` as it is typed: the same analysis again, taken apart, and one line where it cannot be."""

from __future__ import annotations

import json
import math
import os
import re
import shutil
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile
from matplotlib import image
from scipy import optimize

from taptone.cli import main
from taptone.edges import closeups, explaining
from taptone.edges.soundfiles import open_sound
from taptone.edges.store import create_store, open_store
from taptone.pipeline.compare import Comparison
from taptone.survey.records import Boat, Export

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented import FRAME, RATE, good, laid, panel_text, tap

ALTERED = {"lower": 0.85, "longer": 1.3, "duller_db": 2.0}  # no longer: the ring alone would make it suspect


def run_main(*words):
    with pytest.raises(SystemExit) as stop:
        main([str(word) for word in words])
    return stop.value.code


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A baseline of 20 places and a panel of 2 by 9, a frame under column 5, B3 altered, A7 never struck."""
    folder, rng = tmp_path_factory.mktemp("made"), np.random.default_rng(12)
    soundfile.write(folder / "good.wav", good(rng).samples, RATE, "PCM_24")
    hits = [tap(rng, **(ALTERED if k == 11 else {})) for k in range(18)]
    soundfile.write(folder / "deck.wav", laid(hits, [9, 9]), RATE, "PCM_24")
    (folder / "deck.toml").write_text(panel_text(2, 9, FRAME.replace("0.3]]", "0.2]]")), encoding="utf-8")
    said = ["--boat", "Kettle", "--construction", "skins over foam", "--hammer", "60 g steel"]
    said += ["--taps-per-place", 1, "--out", folder / "good.json"]
    assert run_main("learn", folder / "good.wav", *said) == 0
    given = ["--panel", folder / "deck.toml", "--baseline", folder / "good.json"]
    assert run_main("analyse", folder / "deck.wav", *given, "--out", folder / "log") == 0
    assert run_main("analyse", folder / "deck.wav", "--out", folder / "alone") == 0
    other = [*given, "--set", "judge.confidence=0.5", "--set", "measure.bands_ms=25"]
    assert run_main("analyse", folder / "deck.wav", *other, "--out", folder / "changed") == 0
    return folder


@pytest.fixture
def case(made, tmp_path):
    """A copy of all that, to be spoilt."""
    shutil.copytree(made, tmp_path / "case")
    return tmp_path / "case"


def body(folder):
    return json.loads((folder / "log.json").read_text(encoding="utf-8"))


def rewritten(folder, change):
    log = body(folder)
    change(log)
    (folder / "log.json").write_text(json.dumps(log), encoding="utf-8")


def row(folder, station):
    return next(p for p in body(folder)["points"] if p["station"] == station)


def logged(folder, known, hits, rows, columns):
    """A log of a panel beside known-good places, one strike each."""
    soundfile.write(folder / "good.wav", laid(known), RATE, "PCM_24")
    soundfile.write(folder / "deck.wav", laid(hits, [columns] * rows), RATE, "PCM_24")
    (folder / "deck.toml").write_text(panel_text(rows, columns), encoding="utf-8")
    said = ["--boat", "Kettle", "--construction", "skins over foam", "--hammer", "60 g steel"]
    said += ["--taps-per-place", 1, "--out", folder / "good.json"]
    assert run_main("learn", folder / "good.wav", *said) == 0
    given = ["--panel", folder / "deck.toml", "--baseline", folder / "good.json"]
    assert run_main("analyse", folder / "deck.wav", *given, "--out", folder / "log") == 0


# -- what is said ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module", params=[2.1, 0.7], ids=["ringing", "over in 20 ms"])
def dead(request, tmp_path_factory):
    """Uneven skin of which a patch of four dies three times sooner, with the usual spectrum."""
    folder, rng, fine = tmp_path_factory.mktemp("dead"), np.random.default_rng(3), request.param
    known = [tap(rng, uneven=5, longer=fine) for _ in range(20)]
    hits = [tap(rng, uneven=5, longer=fine / 3 if k in (23, 24, 33, 34) else fine) for k in range(60)]
    logged(folder, known, hits, 6, 10)
    return folder


def test_a_ring_that_is_odd_by_itself(dead, tmp_path, capsys):
    patch = ("C4", "C5", "D4", "D5")
    assert [row(dead / "log", station)["verdict"] for station in patch] == ["suspect"] * 4
    said = "which by itself is rarer than its score"
    alone = [s for s in patch if said in row(dead / "log", s)["reason"]]
    assert len(alone) >= 2
    reason = row(dead / "log", alone[0])["reason"]
    asked = re.match(r"ring after (5|20) ms ", reason)[0]
    assert "would ring this short (counted 20 times, being asked beside the score; a tail fitted" in reason
    capsys.readouterr()
    assert run_main("explain", dead / "log", alone[0], "--out", tmp_path / "told.png") == 0
    told = capsys.readouterr().out
    assert f"Its chance is not from the score but from the {asked}by itself, " in told
    assert ("by itself that after 5 ms is asked" in told) == (asked == "ring after 5 ms ")
    words = (
        rf"At any score it is suspect while its {asked}lies (\d+\.\d) dB or more below what was expected; "
        "with the ring as expected"
    )
    short_db = float(re.search(words, told)[1])
    heard_db = float(re.search(rf"from the {asked}by itself, (?:at least )?(\d+\.\d) dB below", told)[1])
    assert 3 < short_db <= heard_db


@pytest.fixture(scope="module")
def hollow(tmp_path_factory):
    """Skin of which a patch of six rings on for three times as long, with the usual spectrum."""
    folder, rng = tmp_path_factory.mktemp("hollow"), np.random.default_rng(4)
    known = [tap(rng, uneven=4) for _ in range(10)]
    hits = [tap(rng, uneven=4, longer=3.0 if k in (8, 9, 10, 14, 15, 16) else 1.0) for k in range(30)]
    logged(folder, known, hits, 5, 6)
    return folder


def test_rings_that_are_longer_by_themselves(hollow, tmp_path, capsys):
    patch = ("B3", "B4", "B5", "C3", "C4", "C5")
    assert [row(hollow / "log", station)["verdict"] for station in patch] == ["suspect"] * 6
    others = [p for p in body(hollow / "log")["points"] if p["station"] not in patch]
    assert sum(p["verdict"] == "suspect" for p in others) == 0
    longer = re.compile(
        r"ring after (5|20) ms \d+\.\d dB above what was expected here \(good ones ± \d+\.\d dB\), "
        r"after (20|5) ms \d+\.\d dB above \(± \d+\.\d dB\): rarer than its score; "
    )
    alone = [s for s in patch if longer.match(row(hollow / "log", s)["reason"])]
    assert len(alone) >= 3
    reasons = [row(hollow / "log", station)["reason"] for station in alone]
    assert all("would lie among 6 side by side that ring on (counted 2 times" in r for r in reasons)
    capsys.readouterr()
    assert run_main("explain", hollow / "log", alone[0], "--out", tmp_path / "told.png") == 0
    told = capsys.readouterr().out
    also = (
        r"from the ring after (?:5|20) ms, (\d+\.\d) dB above what was expected "
        r"\(good ones stray by \d\.\d dB\), and after (?:5|20) ms \d+\.\d dB above "
        r"\(± \d+\.\d dB\): both are asked, because a late sound"
    )
    heard_db = float(re.search(also, told)[1])
    assert "Counted together are B3 B4 B5 C3 C4 C5, side by side: each is rarer than 1 in 100" in told
    assert re.search(r"By itself this one would be (suspect|no difference)\.", told)
    words = (
        r"lies (\d+\.\d) dB or more above what was expected, the other stays as long and those side by side "
        r"ring as they do; with"
    )
    if found := re.search(words, told):
        assert 2 < float(found[1]) <= heard_db
    else:
        assert "At any score" not in told


def test_a_station_without_a_difference_is_told_how_far_its_ring_would_have_to_fall(dead, tmp_path, capsys):
    assert row(dead / "log", "A1")["verdict"] == "no difference"
    assert run_main("explain", dead / "log", "A1", "--out", tmp_path / "told.png") == 0
    told = capsys.readouterr().out
    found = re.search(
        r"Its ring after (5|20) ms lies \d+\.\d dB (above|below) what was expected "
        r"\(good ones ± (\d+\.\d) dB\); by itself it would make it suspect from (\d+\.\d) dB below on",
        told,
    )
    assert 4 < float(found[4]) / float(found[3]) < 12  # spreads of good ones


def test_what_one_feature_would_have_to_do_counts_the_ring_by_itself(dead):
    log = explaining.open_log(dead / "log")
    explained = explaining.explain(log, "A1", [open_sound(dead / "deck.wav")])
    compared, cut = explained.judging.compared, explained.cut
    assert explained.point.verdict == "no difference"
    heard = np.repeat(compared.heard[explained.k][None], 2, axis=0)
    heard[1, -1] -= 40.0
    # That ring is the one that is asked only where good places ring on.
    ringing = compared.ringing.after_ms == 20
    assert explaining._reached(compared, explained.k, heard, cut).tolist() == [False, ringing]
    silent = replace(compared, ringing=None)
    assert explaining._reached(silent, explained.k, heard, cut).tolist() == [False, False]
    patch = [p.station for p in explained.result.points].index("C4")
    assert explaining._reached(compared, patch, heard, cut)[0] == (not ringing)


def test_a_suspect(typed, case):
    code, out, err = typed("explain", case / "log", "b3")
    assert (code, err) == (0, "")
    assert out.startswith(
        f"Station B3 of foredeck: suspect, score {row(case / 'log', 'B3')['score']:.1f}; 1 strike"
    )
    assert "; lower, rings longer (hollow by ear). Compared were 6 third-octaves below 800 Hz" in out
    assert "which 5 ms hardly tell apart, 11 from there to 8000 Hz, all about their mean, and the ring" in out
    assert "its 8 neighbours without a difference" in out
    assert "the 20 reference places (counting as 2 of them)" in out
    # The reason of the log names the same feature as furthest, with the same figures.
    furthest = row(case / "log", "B3")["reason"].partition(" dB")[0]
    assert furthest in out
    assert "Below score " in out
    picture = image.imread(case / "log" / "explained-B3.png")
    assert picture.shape == (1460, 2140, 4)
    assert np.ptp(picture[..., :3], axis=2).max() == 0  # greys only: the same in black and white


def test_no_difference_says_how_much_further(typed, case):
    code, out, _ = typed("explain", case / "log" / "log.json", "A2", "--out", "a2.png")
    assert code == 0
    assert "Station A2 of foredeck: no difference, score " in out
    assert " on it would be suspect: the same difference " in out
    assert "it would have to lie" in out
    assert "What size of patch would have been noticed here is not known." in out
    assert image.imread("a2.png").shape == (1460, 2140, 4)


def test_at_structure(typed, case):
    code, out, _ = typed("explain", case / "log", "A5")
    assert code == 0
    assert "On declared frame the bond is not judged separately; were nothing declared there" in out


def explained_by(*parts):
    nothing = Comparison(np.ones(1), np.ones(1), np.ones(1, bool), ((),))
    return SimpleNamespace(parts=parts, judging=SimpleNamespace(compared=nothing), k=0)


def test_a_deep_band_is_told_as_heard_and_as_it_counts():
    deep = explaining.Part("third-octave of 6300 Hz", -18.1, -9.8, 1.1, 0.7)
    near = explaining.Part("third-octave of 2500 Hz", 11.4, 11.0, 0.9, 0.3)
    assert explaining._moved_by(explained_by(deep, near)) == (
        "Of the squared score, by feature: third-octave of 6300 Hz 18.1 dB below what was expected, counted "
        "as 9.8 dB (good ones ± 1.1 dB): 70 %; third-octave of 2500 Hz 11.4 dB above what was expected (good "
        "ones ± 0.9 dB): 30 %; all others together 0 %."
    )


@pytest.mark.parametrize(
    ("band", "said"),
    [(10, "The third-octave of 2000 Hz, 14.0 dB"), (2, "One band of the sound under 800 Hz, 14.0 dB")],
)
def test_a_band_that_was_left_out_is_named_and_clears_nothing(band, said):
    heard = np.where(np.arange(18) == band, -14.0, 0.5)
    compared = Comparison(
        np.ones(1),
        np.ones(1),
        np.ones(1, bool),
        ((),),
        heard=heard[None],
        difference=heard[None],
        usual=np.ones(18),
        scorer=SimpleNamespace(counted=lambda rows: np.where(np.arange(18) == band, 0.0, rows)),
    )
    told = explaining._left_out(SimpleNamespace(judging=SimpleNamespace(compared=compared), k=0))
    assert told.strip().startswith(said)
    assert told.endswith(
        " below what was expected, was left out of the score: a node, or a gap in the spectrum of the blow, "
        "takes one band away on good laminate too. That does not show that the place is good."
    )
    # What lies no lower than good ones stray is not worth a word.
    assert not explaining._left_out(
        SimpleNamespace(judging=SimpleNamespace(compared=replace(compared, usual=np.full(18, 15.0))), k=0)
    )


@pytest.mark.parametrize(("own", "known_ms"), [(True, [40.0, 44.0]), (False, [90.0])])
def test_decays_drawn_as_good_are_those_it_was_held_against(own, known_ms):
    points = [SimpleNamespace(decay_ms=ms) for ms in (40.0, 120.0, 44.0, math.nan)]
    compared = SimpleNamespace(own=own, good=np.array([True, False, True, True]))
    explained = SimpleNamespace(
        judging=SimpleNamespace(compared=compared),
        result=SimpleNamespace(points=points),
        reference=SimpleNamespace(measures=[{"decay_ms": 90.0}, {"decay_ms": math.nan}]),
    )
    assert closeups._good_decays_ms(explained) == known_ms


def test_a_tap_without_a_panel(typed, case):
    code, out, _ = typed("explain", case / "alone", 12)
    assert code == 0
    assert out.startswith("Tap 12: suspect, score ")
    assert "with the middle of this panel's own good stations" in out
    assert (case / "alone" / "explained-12.png").exists()


def test_settings_of_the_log_are_used(typed, case):
    code, out, err = typed("explain", case / "changed", "B3")
    assert (code, err) == (0, "")
    assert f"score {row(case / 'changed', 'B3')['score']:.1f}" in out
    assert row(case / "changed", "B3")["score"] != row(case / "log", "B3")["score"]


def test_what_was_stated_beside_the_command_is_used_again(typed, case):
    given = ["--baseline", case / "good.json", "--hammer", "a coin", "--out", case / "coin"]
    assert typed("analyse", case / "deck.wav", *given)[0] == 0
    code, out, _ = typed("explain", case / "coin", "4")
    assert code == 0
    assert out.startswith("Tap 4: not assessed; 1 strike")
    assert "another hammer (60 g steel), this panel is of a coin" in out
    assert (case / "coin" / "explained-4.png").exists()


def test_several_strikes_at_a_station(typed, tmp_path):
    rng = np.random.default_rng(3)
    soundfile.write("deck.wav", laid([tap(rng) for _ in range(54)], [27, 27]), RATE, "PCM_24")
    Path("deck.toml").write_text(panel_text(2, 9, grid=", taps_per_station = 3"), encoding="utf-8")
    assert typed("analyse", "deck.wav", "--panel", "deck.toml", "--out", "log")[0] == 0
    code, out, _ = typed("explain", "log", "A4")
    assert code == 0
    assert "; 3 strikes in deck.wav at " in out


def test_two_runs_are_byte_equal_and_nothing_is_overwritten(run_taptone, typed, case, tmp_path):
    first = run_taptone("explain", case / "log", "B3", "--out", "one.png")
    second = run_taptone("explain", case / "log", "B3", "--out", "two.png")
    assert first.returncode == second.returncode == 0
    assert first.stdout.replace("one.png", "two.png") == second.stdout
    assert (tmp_path / "one.png").read_bytes() == (tmp_path / "two.png").read_bytes()
    (tmp_path / "two.png").write_bytes(b"mine")
    code, _, err = typed("explain", case / "log", "B3", "--out", "two.png")
    assert (code, err) == (0, "note: the earlier picture of that name is now two.earlier-1.png\n")
    assert (tmp_path / "two.earlier-1.png").read_bytes() == b"mine"
    assert (tmp_path / "two.png").read_bytes() == (tmp_path / "one.png").read_bytes()


# -- the other side --------------------------------------------------------------------------------------


@pytest.fixture
def sided(typed, case, tmp_path):
    """The panel held against the log of its mirror, which is sound where B3 is not."""
    rng = np.random.default_rng(13)
    soundfile.write("port.wav", laid([tap(rng) for _ in range(18)], [9, 9]), RATE, "PCM_24")
    text = (case / "deck.toml").read_text(encoding="utf-8")
    Path("port.toml").write_text(text.replace("foredeck", "port deck"), encoding="utf-8")
    Path("side.toml").write_text(text.replace("grid =", 'mirror_of = "port deck"\ngrid ='), encoding="utf-8")
    shutil.copy(case / "deck.wav", "deck.wav")
    shutil.copy(case / "good.json", "good.json")
    given = ["--baseline", "good.json"]
    assert typed("analyse", "port.wav", "--panel", "port.toml", *given, "--out", "port")[0] == 0
    more = ["--mirror", "port", "--out", "log"]
    assert typed("analyse", "deck.wav", "--panel", "side.toml", *given, *more)[0] == 0
    return tmp_path


def test_a_log_held_against_the_other_side(typed, sided):
    assert body(sided / "log")["mirror"]["panel"] == "port deck"
    code, out, err = typed("explain", "log", "B3")
    assert (code, err) == (0, "")
    assert out.startswith("Station B3 of foredeck: suspect, score ")
    assert "Beside B3 of port deck on the other side: " in out
    assert "differs this much from the one that faces it; that adds " in out
    assert (sided / "log" / "explained-B3.png").exists()
    code, out, err = typed("explain", "log", "A2")
    assert (code, err) == (0, "")
    assert "good pairs differ at least this much; that adds no suspicion." in out
    assert " on it would be suspect" in out


def test_a_survey_keeps_the_log_of_the_other_side_and_opens_elsewhere_years_later(typed, sided):
    """The log of the other side lay outside of the survey; both it and where it lay are gone since."""
    with create_store(sided / "lantern") as store:
        store.add(Boat(label="Lantern"))
    given = ["--baseline", "good.json", "--mirror", "port", "--survey", "lantern"]
    assert typed("analyse", "deck.wav", "--panel", "side.toml", *given)[0] == 0
    sha256 = body(sided / "lantern" / "exports" / "foredeck-1")["mirror"]["sha256"]
    with open_store(sided / "lantern") as store:
        assert [(kept.file, kept.sha256, kept.what) for kept in store.records(Export)] == [
            (
                "exports/foredeck-1/other-side.json",
                sha256,
                "log of port deck, the other side, which exports/foredeck-1 was held against",
            )
        ]
    assert typed("pack", "lantern")[0] == 0
    (sided / "elsewhere").mkdir()
    assert typed("pack", "--open", "lantern.zip", "elsewhere/again")[0] == 0
    for gone in ("lantern", "port", "log"):
        shutil.rmtree(sided / gone)
    (sided / "good.json").unlink()
    assert typed("check", "elsewhere/again")[0] == 0
    code, out, _ = typed("explain", "elsewhere/again/exports/foredeck-1", "B3", "--out", "b3.png")
    assert code == 0
    assert "Beside B3 of port deck on the other side: " in out
    with open("elsewhere/again/exports/foredeck-1/other-side.json", "a", encoding="utf-8") as file:
        file.write(" ")
    code, out, err = typed("check", "elsewhere/again")
    assert code == 1
    assert "exports/foredeck-1/other-side.json has changed" in out + err


def test_a_survey_that_made_the_log_of_the_other_side_keeps_no_second_one(typed, sided):
    with create_store(sided / "lantern") as store:
        store.add(Boat(label="Lantern"))
    given = ["--baseline", "good.json", "--survey", "lantern"]
    assert typed("analyse", "port.wav", "--panel", "port.toml", *given)[0] == 0
    mirror = ["--mirror", "lantern/exports/port-deck-1"]
    assert typed("analyse", "deck.wav", "--panel", "side.toml", *given, *mirror)[0] == 0
    assert body(sided / "lantern" / "exports" / "foredeck-1")["mirror"]["panel"] == "port deck"
    assert not list((sided / "lantern").rglob("other-side.json"))


@pytest.mark.parametrize("share", [0.9, 1.1])
def test_cut_beside_the_other_side_is_where_the_judge_turns(sided, share):
    log = explaining.open_log(sided / "log")
    sounds = [open_sound(path) for path in explaining.sounds_named(log, [])]
    found = explaining.explain(log, "A2", sounds)
    assert found.judging.other is not None
    verdict = explaining._with_score(found.judging, found.k, share * found.cut)
    assert verdict == ("suspect" if share > 1 else "no difference")


def test_the_log_of_the_other_side_gone_changed_or_another(typed, sided):
    (sided / "port").rename(sided / "deep")
    (sided / "kept").mkdir()
    (sided / "deep").rename(sided / "kept" / "port")
    refused(typed, ["explain", "log", "B3"], "the log of port deck, the other side, was not found beside log")
    code, out, _ = typed("explain", "log", "B3", "--mirror", "kept/port", "--out", "b3.png")
    assert code == 0
    assert "Beside B3 of port deck" in out
    rewritten(sided / "kept" / "port", lambda log: log["notes"].append("looked at"))
    said = "kept/port is not the log of the other side that"
    refused(typed, ["explain", "log", "B3", "--mirror", "kept/port"], said)
    (sided / "kept" / "port").rename(sided / "port")
    said = "is a log of port deck, the other side, but not the one that"
    refused(typed, ["explain", "log", "B3"], said)


def test_another_side_where_there_was_none(typed, case):
    said = "was not held against another side: leave out --mirror"
    refused(typed, ["explain", case / "log", "B3", "--mirror", case / "log"], said)


# -- what it rests on ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def explained(made):
    log = explaining.open_log(made / "log")
    sounds = [open_sound(path) for path in explaining.sounds_named(log, [])]
    return lambda station: explaining.explain(log, station, sounds)


@pytest.mark.parametrize("station", ["B3", "A2", "A5"])
def test_parts_are_those_of_the_squared_score(explained, station):
    """Against the quadratic form itself, worked out from the model's covariance: d_i (P d)_i, less what goes
    the benign way and what dips; how far by scipy's bounded least squares."""
    found = explained(station)
    compared, k = found.judging.compared, found.k
    scorer = compared.scorer
    whole = scorer.score_samples(compared.difference[k : k + 1])[0] ** 2
    d = compared.difference[k] - scorer.location_
    benign = np.asarray(scorer.benign)
    root = np.linalg.cholesky(scorer.precision_).T
    found_rest = []
    for way in scorer.dips_:
        free = np.column_stack([way, benign])
        moved = optimize.lsq_linear(root @ free, root @ d, ([-np.inf, 0], [0, np.inf]), tol=1e-14)
        found_rest.append((2 * moved.cost, d - free @ moved.x, d - way * moved.x[0]))
    least, rest, counting = min(found_rest, key=lambda each: each[0])
    assert least == pytest.approx(whole, rel=1e-6)
    share = counting * (scorer.precision_ @ rest) / whole
    share = [share[:6].sum(), *share[6:]]  # 200 to 630 Hz are told as one
    assert sum(part.share for part in found.parts) == pytest.approx(1.0, abs=1e-6)
    assert [part.share for part in found.parts] == pytest.approx(sorted(share, reverse=True), abs=1e-6)


def test_cut_lies_between_what_was_flagged_and_what_was_not(explained, made):
    points = body(made / "log")["points"]
    highest = max(p["score"] for p in points if p["verdict"] == "no difference")
    assert highest < explained("B3").cut < row(made / "log", "B3")["score"]
    for station in ("A2", "B9"):
        assert row(made / "log", station)["score"] < explained(station).cut < row(made / "log", "B3")["score"]


# -- what cannot be explained ----------------------------------------------------------------------------


def refused(typed, words, said):
    """One line, exit 1, nothing written."""
    before = sorted(Path().rglob("*"))
    code, out, err = typed(*words)
    assert (code, out) == (1, "")
    assert err.startswith("taptone: ")
    assert said in err
    assert err.count("\n") == 1
    assert sorted(Path().rglob("*")) == before


def test_a_changed_recording(typed, case):
    with open(case / "deck.wav", "r+b") as file:
        file.seek(-3, os.SEEK_END)
        file.write(b"\1")
    said = "deck.wav is not the file that was analysed (another SHA-256): give the unchanged deck.wav with"
    refused(typed, ["explain", case / "log", "B3"], said)
    shutil.copy(case / "good.wav", "other.wav")
    refused(
        typed, ["explain", case / "log", "B3", "--recording", "other.wav"], "is not a recording of this log"
    )


def test_a_recording_elsewhere(typed, case, tmp_path):
    (case / "deck.wav").rename(tmp_path / "renamed.wav")
    refused(typed, ["explain", case / "log", "B3"], "deck.wav was not found beside")
    code, out, _ = typed("explain", case / "log", "B3", "--recording", "renamed.wav")
    assert code == 0
    assert "suspect, score " in out


def test_not_assessed_is_told_from_the_log_alone(typed, case):
    (case / "deck.wav").unlink()

    def untapped(log):
        log["points"][6] |= {"verdict": "not assessed", "reason": "not tapped", "taps": 0, "score": None}

    rewritten(case / "log", untapped)
    code, out, err = typed("explain", case / "log", "A7")
    assert code == 0
    assert out == "A7: not assessed; not tapped. Nothing was scored, so nothing moved a score.\n"
    assert err.startswith(
        "note: explained from the log alone, without a picture (deck.wav was not found beside"
    )
    assert not list(case.rglob("explained*"))


def test_another_baseline(typed, case, tmp_path):
    text = (case / "good.json").read_text()
    (case / "good.json").unlink()
    refused(typed, ["explain", case / "log", "B3"], "no baseline with the SHA-256 of the log was found")
    (tmp_path / "good.json").write_text(text.replace('"Kettle"', '"Kettles"'))
    refused(typed, ["explain", case / "log", "B3", "--baseline", "good.json"], "changed after it was written")
    more = ["--boat", "Kettle", "--construction", "skins over foam", "--hammer", "60 g steel"]
    assert typed("learn", case / "deck.wav", *more, "--taps-per-place", 1, "--out", "new.json")[0] == 0
    said = "new.json is not the baseline of this log"
    refused(typed, ["explain", case / "log", "B3", "--baseline", "new.json"], said)
    refused(typed, ["explain", case / "alone", "3", "--baseline", "new.json"], "was made without a baseline")


def test_a_log_that_does_not_come_out_again(typed, case):
    def nicer(log):
        next(p for p in log["points"] if p["station"] == "B3")["score"] -= 1.0

    rewritten(case / "log", nicer)
    refused(typed, ["explain", case / "log", "B3"], "B3 does not come out as logged, with the same versions")
    code, out, err = typed("explain", case / "log", "A2", "--out", "a2.png")
    assert code == 0
    assert "other stations do not come out as logged (B3): was the log changed?" in out + err

    def older(log):
        log["versions"]["taptone"] = "0.0.9"

    rewritten(case / "log", older)
    code, out, err = typed("explain", case / "log", "B3")
    assert code == 0
    assert "; this run says suspect, score " in err
    assert "made with taptone 0.0.9, now " in err


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "cannot be read as a log"),
        ('{"type": "FeatureCollection"}', "is no log of taptone analyse"),
        (
            '{"points": [], "recordings": [], "settings": {}, "versions": {}, "baseline": {}}',
            "lacks something",
        ),
    ],
)
def test_a_bad_log(typed, tmp_path, text, said):
    (tmp_path / "log.json").write_text(text)
    refused(typed, ["explain", "log.json", "B3"], said)


def odd(where, value):
    def change(log):
        *path, last = where
        for name in path:
            log = log[name]
        log[last] = value

    return change


@pytest.mark.parametrize(
    ("where", "value", "said"),
    [
        (["points", 0], 3, "points 1: Input should be a valid dictionary"),
        (["points", 2, "score"], "x", "points 3, score: Input should be a valid number"),
        (["recordings"], None, "recordings: Input should be a valid list"),
        (["baseline"], [], "baseline: Input should be a valid dictionary"),
        (["versions"], None, "versions: Input should be a valid dictionary"),
        (["settings", "judge.confidence"], 7, "judge.confidence is 7.0: choose a value from 0.5 to 0.9999"),
        (["stated"], {"rechecks": [0, 0]}, "stated, rechecks and rows_again: more than there are recordings"),
        (["stated"], {"tide": "high"}, "stated, tide: Extra inputs are not permitted"),
        (["panel", "conditions"], None, "panel, conditions: Input should be a valid dictionary"),
        (["panel", "stations", 0], {"label": "A1"}, "panel, stations 1, x_m: Field required"),
    ],
)
def test_a_log_changed_by_hand(typed, case, where, value, said):
    rewritten(case / "log", odd(where, value))
    refused(typed, ["explain", case / "log", "B3"], said)


def test_labels_that_differ_only_in_capitals(typed, case):
    rewritten(case / "log", odd(["points", 0, "station"], "b3"))
    rewritten(case / "log", odd(["panel", "stations", 0, "label"], "b3"))
    log = explaining.open_log(case / "log")
    assert [log.point(label)["station"] for label in ("b3", "B3", " a2")] == ["b3", "B3", "A2"]


def test_judged_anyway_is_said(typed, case):
    text = (case / "deck.toml").read_text(encoding="utf-8").replace("grid =", "surface_temp_c = -4\ngrid =")
    (case / "deck.toml").write_text(text, encoding="utf-8")
    given = ["--panel", case / "deck.toml", "--baseline", case / "good.json", "--out", case / "cold"]
    assert typed("analyse", case / "deck.wav", *given, "--anyway")[0] == 0
    code, out, _ = typed("explain", case / "cold", "B3")
    assert code == 0
    assert ". Judged anyway, although surface at -4 °C: ice can make a loose or wet place sound good. " in out


def test_no_such_log_or_station_or_place(typed, case, tmp_path):
    refused(typed, ["explain", "n" * 300, "B3"], "n does not exist")
    refused(
        typed, ["explain", case / "log", "B3", "--out", "n" * 300], "cannot be written (File name too long)"
    )
    refused(typed, ["explain", "nowhere", "B3"], "nowhere does not exist")
    refused(
        typed, ["explain", case / "log", "B33"], "has no station 'B33': give one of its stations, such as B3"
    )
    refused(typed, ["explain", case / "log", "B3", "--out", "no/b3.png"], "no is not a folder")
    for name in ("b3.pdf", "b3"):
        refused(
            typed, ["explain", case / "log", "B3", "--out", name], f"{name} does not end in .png: a PNG pic"
        )
    assert typed("explain", case / "log")[0] == 2


@pytest.mark.parametrize("alone", [False, True], ids=["from the sound", "from the log alone"])
def test_a_crisper_station_is_not_said_to_be_unscored(case, monkeypatch, capsys, alone):
    monkeypatch.chdir(case)
    rng = np.random.default_rng(5)
    stiffer = [10 * r + c for r in range(5) for c in (4, 5)]
    hits = [tap(rng, **({"lower": 1.3, "longer": 0.6} if k in stiffer else {})) for k in range(50)]
    soundfile.write("crisp.wav", laid(hits, [10] * 5), RATE, "PCM_24")
    Path("crisp.toml").write_text(panel_text(5, 10), encoding="utf-8")
    given = ["--panel", "crisp.toml", "--baseline", "good.json", "--out", "crisp"]
    assert run_main("analyse", "crisp.wav", *given) == 0
    if alone:
        Path("crisp.wav").unlink()
    capsys.readouterr()
    assert run_main("explain", "crisp", "A5") == 0
    said = capsys.readouterr().out
    assert "its area as a whole decides: declare the structure" in said
    assert "Nothing was scored" not in said
    assert ("Of the squared score" in said) != alone


# -- a patch that is off as a whole ------------------------------------------------------------------------


@pytest.fixture(scope="module", params=[0.45, 2.0], ids=["short", "long"])
def patch(request, tmp_path_factory):
    """Uneven skin of 8 by 12 stations; C5 to E7 die sooner, or ring on, and sound as usual otherwise."""
    folder, rng, longer = tmp_path_factory.mktemp("patch"), np.random.default_rng(5), request.param
    known = [tap(rng, uneven=8) for _ in range(20)]
    odd = {12 * row + column for row in (2, 3, 4) for column in (4, 5, 6)}
    hits = [tap(rng, uneven=8, longer=longer if k in odd else 1.0) for k in range(96)]
    logged(folder, known, hits, 8, 12)
    return folder, "short" if longer < 1 else "long"


def test_a_patch_that_rings_otherwise_as_a_whole(patch, tmp_path, capsys):
    folder, how = patch
    inside = [f"{row}{column}" for row in "CDE" for column in (5, 6, 7)]
    suspects = [p["station"] for p in body(folder / "log")["points"] if p["verdict"] == "suspect"]
    assert len(set(suspects) & set(inside)) >= 7
    assert len(set(suspects) - set(inside)) <= 2
    together = [
        s for s in suspects if "which together is rarer than its score" in row(folder / "log", s)["reason"]
    ]
    assert together
    side = "below" if how == "short" else "above"
    reason = row(folder / "log", together[0])["reason"]
    assert re.match(
        rf"ring after (5|20) ms \d+\.\d dB {side} the middle of this panel, and on average \d+\.\d dB "
        r"over the 9 places it lies among \(such areas of good skin ± \d\.\d dB\), which together",
        reason,
    )
    assert re.search(rf"1 area of good skin in [\d,]+ would ring this {how} \(counted 20 times", reason)
    capsys.readouterr()
    assert run_main("explain", folder / "log", together[0], "--out", tmp_path / "told.png") == 0
    told = capsys.readouterr().out
    named = re.search(r"from the ring after (?:5|20) ms of an area, ((?:[A-H]\d+ ?)+)\. Its own", told)[
        1
    ].split()
    assert len(named) == 9
    assert together[0] in named
    notes = [n for n in body(folder / "log")["notes"] if "by the ring of the area they lie in" in n]
    assert len(notes) == 1
    assert together[0] in notes[0]
    assert "At any score it is suspect while it and those around it ring as they do" in told
    assert "by itself it would be no difference" in told
    assert (tmp_path / "told.png").stat().st_size > 10_000


def test_a_good_station_is_told_how_it_rings_with_those_around_it(patch, tmp_path, capsys):
    folder, _ = patch

    def told(station):
        assert row(folder / "log", station)["verdict"] == "no difference"
        assert run_main("explain", folder / "log", station, "--out", tmp_path / "told.png") == 0
        return capsys.readouterr().out

    words = r"The area it is most off with, (?:[A-H]\d+ ?){9}, lies \d\.\d dB (above|below) the middle"
    assert any(re.search(words, told(station)) for station in ("A1", "G2", "H12"))


# -- a patch with an edge ----------------------------------------------------------------------------------


def test_a_patch_that_is_no_neighbour_of_itself_is_told_with_its_numbers(tmp_path, capsys):
    """Uneven skin, of which C5 to E7 sound lower together, each by hardly more than good ones may."""
    rng = np.random.default_rng(8)
    known = [tap(rng, uneven=3) for _ in range(20)]
    odd = {12 * row + column for row in (2, 3, 4) for column in (4, 5, 6)}
    hits = [tap(rng, uneven=3, **({"lower": 0.92, "duller_db": 1.0} if k in odd else {})) for k in range(96)]
    logged(tmp_path, known, hits, 8, 12)
    points = body(tmp_path / "log")["points"]
    inside = {f"{row}{column}" for row in "CDE" for column in (5, 6, 7)}
    less_asked = r"which counts as (about|fewer than) 1 good place in [\d,]+: it lies in a patch of \d+"
    told = [p["station"] for p in points if re.search(less_asked, p["reason"])]
    assert {p["station"] for p in points if p["verdict"] == "suspect"} == inside
    assert 5 <= len(told) < 9  # the others are suspect by themselves
    note = next(n for n in body(tmp_path / "log")["notes"] if "with the patch they lie in" in n)
    assert re.search(r"not by themselves: ((?:[A-H]\d+ ?)+)\.", note)[1].split() == told
    capsys.readouterr()
    assert run_main("explain", tmp_path / "log", told[0], "--out", tmp_path / "told.png") == 0
    said = capsys.readouterr().out
    words = (
        r"It lies in a patch of (\d+) stations, ((?:[A-H]\d+ ?)+), that differ together from those around "
        r"them, by (\d\.\d) times the step .* did it not, this one would be no difference\."
    )
    n, named, times = re.search(words, said).groups()
    assert set(named.split()) <= inside
    assert len(named.split()) == int(n)
    assert float(times) >= 2.8
    assert run_main("explain", tmp_path / "log", "A1", "--out", tmp_path / "good.png") == 0
    assert "lies in a patch" not in capsys.readouterr().out
