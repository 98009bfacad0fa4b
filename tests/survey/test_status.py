"""What a survey's status counts, and what it says is open."""

from __future__ import annotations

import pytest

from taptone.survey.records import (
    Analysis,
    Conditions,
    Omission,
    PanelFile,
    Photo,
    PlannedStation,
    Reading,
    SoundFile,
    StationVerdict,
    Visit,
    Word,
)
from taptone.survey.status import Surveyed, status, still_open, visit_lacks

TEXT = """
name = "blade"
side = "port"
face = "outside"
construction = "{construction}"
datum = "stock, x aft, y down"
outline = [[0, 0], [0.4, 0], [0.4, 0.4], [0, 0.4]]
grid = {{ spacing = 0.2, path = "serpentine rows" }}
conditions = {{ days_ashore = 6, frozen_within_72h = false }}
surface_temp_c = 12
"""
HASH = "0" * 64


def blade(construction="skins_over_foam"):
    return PanelFile(
        name="blade", file="panels/blade.toml", sha256=HASH, text=TEXT.format(construction=construction)
    )


def stations(*labels, role="panel"):
    return [PlannedStation(panel="blade", label=x, x_m=0, y_m=0, row=0, role=role) for x in labels]


def moved(label, x_m):
    return PlannedStation(panel="blade", label=label, x_m=x_m, y_m=0, row=0)


def test_a_label_that_was_moved_is_another_place():
    heard = [
        verdict(1, label, "suspect").model_copy(update={"x_m": 0.1, "y_m": 0.0})
        for label in ("A1", "A2", "B9")
    ]
    [one] = status(Surveyed([blade()], [moved("A1", 0.1), moved("A2", 0.3)], (), [analysis(1)], heard))
    assert (one.tapped, one.suspect) == (1, 1)
    assert one.not_tapped == ((("A2",), ""),)


def sound(use="panel", panel="blade", sha256=HASH):
    return SoundFile(file="recordings/x.wav", sha256=sha256, rate_hz=48000, samples=1, panel=panel, use=use)


def analysis(number, baseline="", panel="blade"):
    made = Analysis(
        panel=panel, folder="x", log_sha256=HASH, recordings=[], baseline=baseline, settings={}, versions={}
    )
    return number, made


def verdict(number, station, said="no difference", reason="", taps=1):
    return StationVerdict(analysis=number, station=station, taps=taps, verdict=said, reason=reason)


def one(**parts):
    parts = {"panels": [blade()], "stations": stations("A1", "A2", "B1", "B2")} | parts
    [found] = status(Surveyed(**parts))
    return found


def test_the_latest_analysis_that_stands_counts():
    found = one(
        analyses=[analysis(1), analysis(4)],
        verdicts=[
            *(verdict(1, label, "suspect") for label in ("A1", "A2", "B1", "B2")),
            verdict(4, "A1", "suspect"),
            verdict(4, "A2"),
            verdict(4, "B1", "not assessed", "another sound over the tap"),
            verdict(4, "B2", "not assessed", "not tapped", taps=0),
        ],
    )
    assert (found.planned, found.tapped, found.suspect, found.not_assessed) == (4, 3, 1, 1)
    assert found.not_tapped == ((("B2",), ""),)
    assert found.unclear == ((("B1",), "another sound over the tap"),)


def test_another_panel_does_not_count():
    found = one(
        analyses=[analysis(1, panel="deck")],
        verdicts=[verdict(1, "A1")],
        recordings=[sound(panel="deck")],
        words=[Word(panel="deck", station="A1", word="x", ear_first=True)],
        photos=[Photo(file="photos/x.jpg", sha256=HASH, panel="deck")],
        readings=[Reading(value=1, panel="deck")],
    )
    counts = (found.tapped, found.recordings, found.words, found.photos, found.readings, found.analyses)
    assert counts == (0,) * 6


@pytest.mark.parametrize(
    ("parts", "said"),
    [
        ({}, ""),
        ({"recordings": [sound("reference"), sound("reference")]}, "2 recorded"),
        ({"analyses": [analysis(1, HASH)]}, "a baseline in the latest analysis"),
        ({"analyses": [analysis(1, HASH), analysis(2)]}, ""),
        (
            {
                "stations": [*stations("A1"), *stations("R1", "R2", role="reference")],
                "analyses": [analysis(1)],
                "verdicts": [verdict(1, "A1"), verdict(1, "R1"), verdict(1, "R2", taps=0)],
            },
            "1 of 2 reference stations tapped",
        ),
    ],
)
def test_where_the_reference_is(parts, said):
    found = one(**parts)
    assert found.reference == said
    told = any("no reference taps" in line for line in still_open(found))
    assert told == (not said and bool(found.recordings or found.tapped))


def test_what_is_open_is_closed_by_doing_it_or_by_a_reason():
    tapped = {"recordings": [sound()], "analyses": [analysis(1)], "verdicts": [verdict(1, "A1")]}
    asked = ("no reference taps", "struck again", "no photo", "no moisture", "stations not tapped")
    lines = "\n".join(still_open(one(**tapped)))
    assert all(text in lines for text in asked)
    reasons = [
        Omission(what=what, panel="blade", because="dark")
        for what in ("Reference taps", "recheck", "photos", "moisture", "tapping")
    ]
    closed = one(**tapped, omissions=reasons)
    lines = "\n".join(still_open(closed))
    assert not any(text in lines for text in asked)
    assert closed.left_out == (("Reference taps", "dark"), ("recheck", "dark"), ("photos", "dark"))
    assert closed.no_moisture_because == "dark"
    done = one(
        recordings=[sound(), sound("reference"), sound("recheck", sha256="1" * 64)],
        photos=[Photo(file="photos/x.jpg", sha256=HASH, panel="blade")],
        readings=[Reading(value=1, panel="blade")],
        analyses=[analysis(1)],
        verdicts=[verdict(1, label) for label in ("A1", "A2", "B1", "B2")],
    )
    assert still_open(done) == ("conditions not recorded",)
    assert (done.rechecks, done.photos) == (1, 1)


def test_the_reference_named_again_was_not_struck_again():
    assert one(recordings=[sound("reference"), sound("recheck")]).rechecks == 0


def test_conditions_are_asked_of_file_and_survey():
    found = one()
    assert "frost within 72 h" not in found.lacks  # the file says it
    assert "hours ashore" not in found.lacks
    assert "surface temperature" not in found.lacks
    assert "thickness of the skin" in found.lacks
    assert {"rain within 24 h", "air temperature", "sun or shade", "wind", "tanks and lockers"} <= {
        *found.lacks
    }
    here = Conditions(rain_within_24h=False, air_temp_c=0, sun="shade", wind="none", noise="none")
    there = Conditions(panel="deck", tanks="empty")
    found = one(conditions=[here, there], omissions=[Omission(what="Tanks and lockers", because="locked")])
    assert found.lacks == ("thickness of the skin", "surface and coatings")
    assert "construction" in one(panels=[blade("unknown")]).lacks


def test_a_panel_file_that_cannot_be_read_any_more_stops_nothing():
    found = one(panels=[blade().model_copy(update={"text": "from a later version"})])
    assert found.planned == 4


def test_the_visit_lacks_consent_first():
    nothing = Surveyed([], [])
    assert visit_lacks(nothing)[0] == "the owner's consent"
    full = Visit(
        date="2026-05-14", place="a", surveyor="b", client="c", question="d", readers="e", supported="f"
    )
    assert visit_lacks(Surveyed([], [], visits=[full])) == ("the owner's consent",)
    why = [Omission(what="consent", because="my own boat")]
    assert visit_lacks(Surveyed([], [], visits=[full], omissions=why)) == ()
