"""`taptone compare`: what changed is told and nothing else, and what does not compare is refused."""

from __future__ import annotations

import csv
import json
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from taptone.edges.analysing import analyse_sounds
from taptone.edges.comparing import compare_logs, load_sounded
from taptone.edges.learning import learn_reference
from taptone.edges.soundfiles import open_sound
from taptone.edges.store import create_store, open_store
from taptone.edges.tables import write_result
from taptone.edges.textfiles import load_baseline, load_panel
from taptone.edges.visiting import add_panel, file_log, log_folder
from taptone.errors import LogError
from taptone.survey.panel import parse_panel
from taptone.survey.records import Visit

sys.path.insert(0, str(Path(__file__).parents[1]))
from invented import FRAME, Invented, laid, panel_text, tap, tilted

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "recordings" / "demo"
ALTERED = {"lower": 0.85, "longer": 1.5, "duller_db": 2.0}
ROWS, COLUMNS = 5, 8
STATED = {"boat": "Kettle", "construction": "skins over foam", "hammer": "60 g steel"}
LABELS = [f"{row}{column}" for row in "ABCDE" for column in range(1, 9)]


def changed(found):
    return {one.station: one.change for one in found.changes.stations if one.change != "unchanged"}


# -- through sound, on the demo --------------------------------------------------------------------------


class Demo:
    """A demo recording, analysed as it is and as copies of it."""

    def __init__(self, stem, folder):
        self.stem, self.folder = stem, folder
        self.panel = load_panel(DEMO / f"{stem}.toml")
        self.baseline = load_baseline(ROOT / "models" / f"lantern-{stem}.json")
        self.samples, self.rate_hz = soundfile.read(DEMO / f"{stem}.flac")
        self.points = self.analysed(DEMO / f"{stem}.flac", "then").points
        fine = [p for p in self.points if p.verdict == "no difference"]
        bad = max(self.points, key=lambda p: p.score if p.verdict == "suspect" else 0.0)
        rng = np.random.default_rng(90_012)
        six = [fine[k] for k in rng.choice(len(fine), 6, replace=False)]
        self.six = {p.station for p in six}
        altered = self.samples.copy()
        for point in six:
            self.mix(altered, point.samples[0], bad.samples[0])
        for name, sound in (("quieter", self.samples), ("altered", altered)):
            # 6 dB quieter, over noise 55 dB below the loudest tap: 15 dB more than was there.
            noise = rng.normal(0, 10 ** (-55 / 20) * np.abs(sound).max(), len(sound))
            soundfile.write(folder / f"{name}.wav", 0.5012 * (sound + noise), self.rate_hz, "PCM_24")
            self.analysed(folder / f"{name}.wav", name)

    def mix(self, sound, at, source):
        """Put the strike of a suspect in the place of another, as loud, faded in and out."""
        before, length = round(0.005 * self.rate_hz), round(0.3 * self.rate_hz)
        clip = self.samples[source - before : source - before + length]
        there = sound[at - before : at - before + length]
        weight = np.minimum(1.0, np.minimum(np.arange(length), np.arange(length)[::-1]) / before)
        gain = np.abs(there).max() / np.abs(clip).max()
        there += weight * (gain * clip - there)

    def analysed(self, path, name):
        result = analyse_sounds([open_sound(path)], panel=self.panel, reference=self.baseline)
        write_result(result, self.folder / name, pictures={})
        return result


@pytest.fixture(scope="module", params=["daggerboard", "foredeck"])
def demo(request, tmp_path_factory):
    return Demo(request.param, tmp_path_factory.mktemp(request.param))


def test_a_quieter_and_noisier_copy_shows_no_change(demo):
    found = compare_logs(demo.folder / "then", demo.folder / "quieter")
    assert {one.change for one in found.changes.stations} <= {"unchanged", "not compared"}
    assert found.changes.compared >= 0.9 * len(demo.points)
    assert {area.change for area in found.changes.areas} == {"unchanged"}


def test_six_altered_stations_and_no_more_are_changed(demo):
    found = compare_logs(demo.folder / "then", demo.folder / "altered")
    told = {k for k, change in changed(found).items() if change != "not compared"}
    assert told == demo.six
    assert {changed(found)[label] for label in told} == {"new"}
    back = compare_logs(demo.folder / "altered", demo.folder / "then")
    told = {k: change for k, change in changed(back).items() if change != "not compared"}
    assert told == dict.fromkeys(demo.six, "gone")
    for one in found.changes.stations:
        assert (one.confidence >= 0.95) == (one.station in demo.six)


# -- two visits that were struck anew --------------------------------------------------------------------


def recorded(seed, altered=(), *, brighter_db=0.0, quieter=0.3, how=ALTERED):
    rng = np.random.default_rng(seed)
    hows = altered if isinstance(altered, dict) else dict.fromkeys(altered, how)
    hits = [tap(rng, **hows.get(label, {})) for label in LABELS]
    if brighter_db:
        hits = [tilted(hit, brighter_db) for hit in hits]
    return Invented(quieter * laid(hits, [COLUMNS] * ROWS))


def panel(more=""):
    text = panel_text(ROWS, COLUMNS, more).replace("outline =", 'recorder = "phone"\noutline =')
    return parse_panel(text.replace("outline =", "surface_temp_c = 14\noutline ="), source="deck.toml")


def learned(seed, brighter_db=0.0):
    rng = np.random.default_rng(seed)
    hits = [tap(rng) for _ in range(20)]
    if brighter_db:
        hits = [tilted(hit, brighter_db) for hit in hits]
    return learn_reference(
        [Invented(laid(hits), "good.wav")], recorder="phone", surface_temp_c=14.0, **STATED
    )[0]


def visit(folder, seed, altered=(), *, reference=None, more="", **kwargs):
    result = analyse_sounds([recorded(seed, altered, **kwargs)], panel=panel(more), reference=reference)
    write_result(result, folder, pictures={})
    return folder


@pytest.fixture(scope="module")
def visits(tmp_path_factory):
    """Then: B3 and B4 altered. Now: B4, and C4 and C5 beside it, which were good."""
    folder = tmp_path_factory.mktemp("visits")
    reference = learned(41)
    visit(folder / "then", 1, {"B3", "B4"}, reference=reference)
    visit(folder / "now", 2, {"B4", "C4", "C5"}, reference=reference)
    return folder


def test_new_and_gone_are_told_apart_and_the_area_with_them(typed, visits):
    code, out, err = typed("compare", visits / "then", visits / "now")
    assert code == 0
    assert out.startswith("panel foredeck: 2 new, 0 grown, 1 gone, 0 shrunk, 37 unchanged\n")
    assert "a change of the whole panel alike would not show" in err
    with open("taptone-changes/changes.csv", encoding="utf-8", newline="") as file:
        rows = {row["station"]: row for row in csv.DictReader(file)}
    assert len(rows) == ROWS * COLUMNS
    assert (rows["B3"]["change"], rows["B4"]["change"]) == ("gone", "unchanged")
    assert rows["C4"]["change"] == rows["C5"]["change"] == "new"
    assert float(rows["C4"]["confidence"]) >= 0.95
    assert float(rows["C4"]["chance_if_unchanged"]) < 0.01
    assert "third-octave" in rows["C4"]["reason"] or "ring" in rows["C4"]["reason"]
    body = json.loads(Path("taptone-changes/changes.json").read_text(encoding="utf-8"))
    [area] = body["areas"]
    assert area["change"] == "grown"
    assert area["earlier_stations"] == ["B3", "B4"]
    assert (body["earlier"]["log"], body["later"]["log"]) == ("then", "now")
    assert b"earlier visit: then, date " in Path("taptone-changes/changes.svg").read_bytes()
    assert "new: C4 C5; gone: B3; unchanged: B4" in area["reason"]
    assert Path("taptone-changes/changes.png").read_bytes().startswith(b"\x89PNG")
    assert b"<svg" in Path("taptone-changes/changes.svg").read_bytes()


@pytest.mark.parametrize(
    ("longer", "sooner", "asked"), [(2.1, 3, 20), (0.7, 4, 5)], ids=["ringing", "over in 20 ms"]
)
def test_a_patch_that_died_with_the_usual_spectrum_is_new_and_gone_once_it_rings_again(
    tmp_path, longer, sooner, asked
):
    """Uneven skin, as test_analyse has it: only the ring tells; and so its reason begins."""
    fine, dead = {"uneven": 5, "longer": longer}, {"uneven": 5, "longer": longer / sooner}
    rng = np.random.default_rng(5)
    known = Invented(laid([tap(rng, **fine) for _ in range(20)]), "good.wav")
    reference = learn_reference([known], recorder="phone", surface_temp_c=14.0, **STATED)[0]
    patch = {"B3", "B4", "C3", "C4"}
    for name, seed, bad in (("then", 6, ()), ("now", 7, patch)):
        how = {label: dead if label in bad else fine for label in LABELS}
        visit(tmp_path / name, seed, how, reference=reference)
    found = compare_logs(tmp_path / "then", tmp_path / "now")
    assert changed(found) == dict.fromkeys(patch, "new")
    reasons = [one.reason for one in found.changes.stations if one.station in patch]
    assert (
        sum(reason.startswith(f"ring after {asked} ms ") and " dB down " in reason for reason in reasons) >= 3
    )
    back = compare_logs(tmp_path / "now", tmp_path / "then")
    assert changed(back) == dict.fromkeys(patch, "gone")


def test_feet_and_inches_where_they_are_asked_for(typed, visits, monkeypatch):
    monkeypatch.setenv("TAPTONE_UNITS", "ft-in")
    code, out, _ = typed("compare", visits / "then", visits / "now")
    assert code == 0
    # 0.3 by 0.2 m to the good stations round B3 and B4, widened by 35 mm: 0.0988 m²
    assert "then up to 1.06 sq ft, now 0.02 sq ft to 1.35 sq ft" in out.replace(chr(10), " ")
    assert "m²" not in out
    assert "x, feet and inches" in Path("taptone-changes/changes.svg").read_text(encoding="utf-8")


def test_two_runs_are_byte_equal(typed, visits):
    for out in ("one", "two"):
        assert typed("compare", visits / "then", visits / "now", "--out", out)[0] == 0
    for name in ("changes.csv", "changes.json", "changes.svg", "changes.png"):
        assert Path("one", name).read_bytes() == Path("two", name).read_bytes()


def test_another_day_is_taken_off_by_the_reference_taps_of_either(tmp_path):
    """Now everything, the reference too, is 1.5 dB an octave brighter: another place of the microphone."""
    visit(tmp_path / "then", 1, {"B3"}, reference=learned(41))
    visit(tmp_path / "now", 2, {"B3", "D7"}, reference=learned(42, 1.5), brighter_db=1.5)
    found = compare_logs(tmp_path / "then", tmp_path / "now")
    assert found.changes.matched_on == "reference taps of both visits (20 and 20 places)"
    assert changed(found) == {"D7": "new"}
    assert not found.changes.notes


def test_a_whole_panel_that_moved_against_its_reference_is_said(tmp_path):
    how = {"duller_db": 1.2}
    visit(tmp_path / "then", 1, reference=learned(41))
    visit(tmp_path / "now", 2, set(LABELS), how=how, reference=learned(42))
    found = compare_logs(tmp_path / "then", tmp_path / "now")
    assert any("the panel as a whole moved against its reference" in note for note in found.changes.notes)


def test_a_log_of_earlier_versions_without_the_bands_of_its_baseline_is_read(tmp_path, visits):
    def older(body):
        del body["baseline"]["bands_db"], body["baseline"]["ring_db"]

    found = compare_logs(edited(visits / "then", tmp_path, older), visits / "now")
    assert "reference taps of both visits are not to hand" in found.changes.matched_on


# -- what does not compare -------------------------------------------------------------------------------


def edited(log, folder, change):
    body = json.loads((log / "log.json").read_text(encoding="utf-8"))
    change(body)
    folder.mkdir(exist_ok=True)
    (folder / "log.json").write_text(json.dumps(body), encoding="utf-8")
    return folder


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("hammer", "90 g steel", "another hammer: 60 g steel then, 90 g steel now"),
        ("boat", "Lantern", "another boat: Kettle then, Lantern now"),
        ("construction", "solid", "another construction: skins over foam then, solid now"),
        ("datum", "transom", "another datum: stem head then, transom now"),
        ("side", "port", "another side: centre then, port now"),
        ("face", "inside", "another face: outside then, inside now"),
        ("spacing_m", 0.15, "another grid: every 100 mm then, every 150 mm now"),
        ("pattern", "staggered", "another grid: square then, staggered now"),
        ("surface_temp_c", 25.0, "surface at 14 °C then, 25 °C now: over 10 °C apart"),
    ],
)
def test_what_does_not_compare_is_refused_unless_anyway(typed, visits, tmp_path, name, value, said):
    later = edited(visits / "now", tmp_path / "later", lambda body: body["panel"].update({name: value}))
    code, out, err = typed("compare", visits / "then", later)
    assert (code, out) == (1, "")
    assert f"the two visits do not compare: {said}" in err
    assert err.count("\n") == 1
    assert not Path("taptone-changes").exists()
    code, out, _ = typed("compare", visits / "then", later, "--anyway")
    assert code == 0
    with open("taptone-changes/changes.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert all("anyway" in row["flags"] and said in row["reason"] for row in rows)
    body = json.loads(Path("taptone-changes/changes.json").read_text(encoding="utf-8"))
    assert body["although"] == [said]
    assert all("anyway" in area["flags"] for area in body["areas"])


def test_10_degrees_apart_still_compare(visits, tmp_path):
    later = edited(visits / "now", tmp_path, lambda body: body["panel"].update(surface_temp_c=24.0))
    assert compare_logs(visits / "then", later).changes.compared == ROWS * COLUMNS


def test_stations_elsewhere_are_another_grid(visits, tmp_path):
    def moved(body):
        for point in body["points"]:
            point["x_m"] += 0.045 if point["station"][0] in "ABC" else 3.0
            point["y_m"] += 0.045

    with pytest.raises(Exception, match="another grid: only 0 of 40 stations lie where one lay before"):
        compare_logs(visits / "then", edited(visits / "now", tmp_path, moved))


def test_what_neither_states_is_a_caution(visits, tmp_path):
    def unstated(body):
        body["panel"].update(hammer="", surface_temp_c=None)

    sides = [edited(visits / name, tmp_path / name, unstated) for name in ("then", "now")]
    cautions = compare_logs(*sides).cautions
    assert "hammer: not recorded on either visit; whether it was the same is not known" in cautions
    assert any(line.startswith("surface temperature: not recorded on either visit") for line in cautions)


def test_another_recorder_is_a_caution(visits, tmp_path):
    later = edited(visits / "now", tmp_path, lambda body: body["panel"].update(recorder="laptop"))
    assert any(c.startswith("another recorder: phone") for c in compare_logs(visits / "then", later).cautions)


def test_a_log_that_was_judged_anyway_is_a_caution(visits, tmp_path):
    later = edited(visits / "now", tmp_path, lambda body: body["stated"].update(anyway=True))
    said = "the log of the later visit was itself judged anyway: see why in its notes"
    assert said in compare_logs(visits / "then", later).cautions


def test_a_station_of_another_label_is_found_by_its_place_and_one_left_out_is_said(visits, tmp_path):
    def relabelled(body):
        for row in (*body["points"], *body["taps"], *body["panel"]["stations"]):
            key = "label" if "label" in row else "station"
            row[key] = {"E1": "E1x"}.get(row[key], row[key])
        body["points"] = [point for point in body["points"] if point["station"] != "E8"]
        body["panel"]["stations"] = [row for row in body["panel"]["stations"] if row["label"] != "E8"]

    found = compare_logs(visits / "then", edited(visits / "now", tmp_path, relabelled))
    by = {one.station: one for one in found.changes.stations}
    assert by["E1x"].earlier_station == "E1"
    assert "another label" in by["E1x"].flags
    assert by["E8"].change == "not compared"
    assert by["E8"].reason == "no station of the later visit lies here"


def test_a_station_that_was_not_assessed_is_not_compared(visits, tmp_path):
    def deaf(body):
        body["points"][0].update(verdict="not assessed", reason="3 dB above the noise", score=None)

    found = compare_logs(visits / "then", edited(visits / "now", tmp_path, deaf))
    assert found.changes.stations[0].change == "not compared"
    assert found.changes.stations[0].reason == "later visit: 3 dB above the noise"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("nowhere", "now"), "nowhere does not exist"),
        (("then", "then"), "is the same log as"),
        (("then", "now", "--repaired", "Z99"), "Z99 is no station of foredeck"),
        (("then", "now", "--repaired", "gone.toml"), "gone.toml does not exist"),
        (("then", "now", "--panel", "rudder"), "no panel rudder on both visits: foredeck then, foredeck now"),
    ],
)
def test_bad_words_are_one_line(typed, visits, words, said):
    places = [visits / word if word in ("then", "now") else word for word in words]
    code, out, err = typed("compare", *places)
    assert (code, out) == (1, "")
    assert said in err
    assert err.count("\n") == 1


@pytest.mark.parametrize("content", ["{", "[]", '{"points": []}'])
def test_a_damaged_log_is_one_line(typed, visits, tmp_path, content):
    (tmp_path / "log.json").write_text(content, encoding="utf-8")
    code, _, err = typed("compare", visits / "then", tmp_path)
    assert code == 1
    assert err.count("\n") == 1


def test_bands_of_a_baseline_that_were_changed_by_hand_are_one_line(typed, visits, tmp_path):
    later = edited(visits / "now", tmp_path, lambda body: body["baseline"].update(ring_db=[1.0]))
    code, _, err = typed("compare", visits / "then", later)
    assert code == 1
    assert "another number of places than bands_db" in err


def test_too_few_good_stations_to_learn_from_are_refused(visits, tmp_path):
    def most_bad(body):
        for point in body["points"][:34]:
            point["verdict"] = "suspect"

    with pytest.raises(Exception, match="only 6 stations were `no difference` both times"):
        compare_logs(visits / "then", edited(visits / "now", tmp_path, most_bad))


# -- a repaired area -------------------------------------------------------------------------------------

MENDED = ("C3", "C4", "C5", "D3", "D4", "D5")


@pytest.fixture(scope="module")
def mended(tmp_path_factory):
    """Then: C4 and D4 altered. Now: C3 to D5 are of another laminate; in one of the visits D5 is altered."""
    folder = tmp_path_factory.mktemp("mended")
    reference = learned(41)
    visit(folder / "then", 1, {"C4", "D4"}, reference=reference)
    visit(folder / "now", 2, MENDED, how={"duller_db": -1.0}, reference=reference)
    visit(folder / "open", 2, {"D5"}, reference=reference)
    return folder


def test_a_repair_is_held_against_the_good_taps_outside(mended):
    found = compare_logs(mended / "then", mended / "now", repaired=["C3 C4 C5,D3 D4 D5"])
    assert changed(found) == dict.fromkeys(MENDED, "repaired, no difference")
    assert found.repaired == MENDED
    assert [area.change for area in found.changes.areas] == ["repaired, no difference"]
    with pytest.raises(LogError, match="at least 8 are needed, outside of what is repaired: tap the whole"):
        compare_logs(mended / "then", mended / "now", repaired=[" ".join(LABELS)])
    found = compare_logs(mended / "then", mended / "open", repaired=["C3 C4 C5 D3 D4 D5"])
    assert changed(found) == dict.fromkeys(MENDED, "repaired, no difference") | {"D5": "repaired, suspect"}


def test_inside_a_repair_the_construction_may_differ(mended, tmp_path):
    later = edited(mended / "now", tmp_path, lambda body: body["panel"].update(construction="new skin"))
    with pytest.raises(Exception, match="another construction"):
        compare_logs(mended / "then", later)
    found = compare_logs(mended / "then", later, repaired=[" ".join(MENDED)])
    assert any("taken for that of the repaired area" in line for line in found.cautions)


def test_a_repair_is_named_by_its_outline_or_as_declared(mended, tmp_path):
    own = panel_text(ROWS, COLUMNS).replace("[[0.0, 0.0], [0.8, 0.0], [0.8, 0.5], [0.0, 0.5]]", "OUTLINE")
    area = own.replace("OUTLINE", "[[0.2, 0.2], [0.5, 0.2], [0.5, 0.4], [0.2, 0.4]]")
    (tmp_path / "repair.toml").write_text(area, encoding="utf-8")
    found = compare_logs(mended / "then", mended / "now", repaired=[str(tmp_path / "repair.toml")])
    assert found.repaired == MENDED
    with_frame = visit(tmp_path / "frame", 2, more=FRAME)
    found = compare_logs(mended / "then", with_frame, repaired=["frame"])
    assert found.repaired == tuple(label for label in LABELS if label[1] == "5" and label[0] in "ABC")


def test_structure_within_a_repair_is_judged_as_structure_is(typed, tmp_path):
    """The frame A5 to C5 sounds duller than plain skin, as before the repair of all that lies round it."""
    reference, on_frame = learned(41), ("A5", "B5", "C5")
    for name, seed in (("then", 1), ("now", 2)):
        visit(tmp_path / name, seed, on_frame, how={"duller_db": 2.0}, reference=reference, more=FRAME)
    area = ("A4", "A5", "A6", "B4", "B5", "B6")
    found = compare_logs(tmp_path / "then", tmp_path / "now", repaired=[" ".join(area)])
    assert changed(found) == {
        label: "repaired, at structure" if label in on_frame else "repaired, no difference" for label in area
    }
    by = {one.station: one for one in found.changes.stations}
    assert by["A5"].reason.startswith("repaired: on declared frame: differs from plain skin; no reference")
    assert by["A5"].reason.endswith("the bond here is not judged separately")
    assert "repaired" in by["A5"].flags
    code, out, _ = typed("compare", tmp_path / "then", tmp_path / "now", "--repaired", "frame")
    assert code == 0
    assert out.startswith("panel foredeck: 0 new, 0 grown, 0 gone, 0 shrunk, 37 unchanged, 3 repaired, at")
    assert b"repaired, at structure" in Path("taptone-changes/changes.svg").read_bytes()


def test_a_repair_declared_as_such_is_held_against_the_good_taps_outside(mended, tmp_path):
    now = visit(tmp_path / "now", 2, ("B5",), more=FRAME.replace('"frame"', '"repair, new skin"'))
    found = compare_logs(mended / "then", now, repaired=["repair, new skin"])
    told = {one.station: one.change for one in found.changes.stations if "repaired" in one.flags}
    fine = "repaired, no difference"
    assert told == {"A5": fine, "B5": "repaired, suspect", "C5": fine}


def test_on_structure_of_which_there_is_enough_a_repair_is_held_against_its_kind(tmp_path):
    """The frame is crisper than plain skin; C5 on it is not, as where it has come off."""
    wide = FRAME.replace("[0.45, 0.3]", "[0.45, 0.5]").replace("0.06", "0.22")  # columns 4 to 6
    on_frame = [f"{row}{column}" for row in "ABCDE" for column in (4, 5, 6)]
    crisp = {label: {"duller_db": -3.0} for label in on_frame}
    reference = learned(41)
    visit(tmp_path / "then", 1, crisp, reference=reference, more=wide)
    visit(tmp_path / "now", 2, crisp | {"C5": ALTERED}, reference=reference, more=wide)
    found = compare_logs(tmp_path / "then", tmp_path / "now", repaired=["B5 C5 D5 C3"])
    by = {one.station: one for one in found.changes.stations}
    assert by["C5"].change == "repaired, suspect"
    assert by["C5"].reason.startswith("repaired: on declared frame, but unlike the others on it; held")
    assert by["B5"].change == by["D5"].change == "repaired, at structure"
    assert by["C3"].change == "repaired, no difference"


# -- surveys ---------------------------------------------------------------------------------------------


def surveyed(folder, logs):
    with create_store(folder) as store:
        for seed, altered in logs:
            (folder / "deck.toml").write_text(panel_text(ROWS, COLUMNS), encoding="utf-8")
            add_panel(store, str(folder / "deck.toml"))
            place = log_folder(store, "foredeck")
            visit(place, seed, altered)
            file_log(store, place)
    return folder


def test_of_two_surveys_the_latest_log_of_a_panel_counts(typed, tmp_path):
    then = surveyed(tmp_path / "2026", [(3, set(LABELS[:3])), (1, {"B3"})])
    with open_store(then) as store:
        store.add(Visit(date="2026-05-14"))
    now = surveyed(tmp_path / "2027", [(2, {"B3", "D7"})])
    code, out, _ = typed("compare", then, now)
    assert code == 0
    assert out.startswith("panel foredeck: 1 new, 0 grown, 0 gone, 0 shrunk, 39 unchanged\n")
    drawn = Path("taptone-changes/changes.svg").read_bytes()
    assert b"earlier visit: 2026, date 2026-05-14, log " in drawn  # in the survey, not in its panel file
    assert b"later visit: 2027, date not recorded, log " in drawn
    assert typed("compare", then, now / "exports" / "foredeck-1")[0] == 0


def test_a_survey_without_an_analysis_is_one_line(typed, tmp_path, visits):
    with create_store(tmp_path / "2026"):
        pass
    code, _, err = typed("compare", tmp_path / "2026", visits / "now")
    assert code == 1
    assert "holds no analysis of a panel" in err


def test_the_log_holds_how_the_reference_sounds(visits):
    assert load_sounded(visits / "then").reference_bands_db.shape == (20, 23)
