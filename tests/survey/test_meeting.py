"""The joined log: nothing lost, nothing blended, meetings by station or within one spacing."""

from __future__ import annotations

import pytest

from taptone.survey.meeting import KINDS_OF_EVIDENCE, Gathered, join
from taptone.survey.moisture import taken
from taptone.survey.records import (
    OBSERVATIONS,
    Meter,
    Observation,
    PlannedStation,
    Plug,
    Reading,
    StationVerdict,
    Word,
)

METER = Meter(label="K", scale="relative 0 to 999", warning_level=200)
STATIONS = [
    PlannedStation(panel="blade", label=f"{row}{column}", x_m=0.1 * column, y_m=0.1 * k, row=k)
    for k, row in enumerate("ABCDE")
    for column in range(1, 6)
]


def suspect(station, **more):
    return StationVerdict(
        analysis=1, station=station, taps=2, **({"verdict": "suspect", "character": "duller"} | more)
    )


def weep(station="", **more):
    return Observation(**({"what": "weep", "panel": "blade", "station": station} | more))


def high(station="", value=260, **more):
    return taken(
        Reading(**({"panel": "blade", "station": station, "value": value, "meter": "K"} | more)), [METER]
    )


def joined(heard=(), readings=(), seen=(), **more):
    return join(
        Gathered(
            STATIONS,
            {"blade": list(heard)},
            readings=list(readings),
            observations=list(seen),
            spacing_m={"blade": 0.1},
            **more,
        )
    )


def test_the_three_columns_stand_by_station():
    """Story 17 of the practice notes: joined by station, the sound's result unchanged."""
    alone = {line.station: line.heard for line in joined([suspect("B3")]).lines}
    log = joined([suspect("B3")], [high("B3")], [weep("B3", urgency="watch")])
    assert {line.station: line.heard for line in log.lines} == alone
    [line] = [line for line in log.lines if line.station == "B3"]
    assert line.heard == "suspect, duller"
    assert line.readings.startswith("260 (relative 0 to 999; meter K")
    assert line.seen == "weep (watch)"
    assert len(log.lines) == len(STATIONS)


@pytest.mark.parametrize(
    ("station", "meets"),
    [("B3", True), ("B4", True), ("A3", True), ("C4", False), ("B5", False)],  # diagonal: 1.41 spacings
)
def test_kinds_meet_within_one_spacing(station, meets):
    assert bool(joined([suspect("B3")], seen=[weep(station)]).meetings) is meets


def test_one_kind_alone_never_meets_itself():
    assert not joined([suspect("B3"), suspect("B4")]).meetings
    assert not joined(seen=[weep("B3"), weep("B3", what="crack")]).meetings
    assert not joined(readings=[high("B3"), high("B4")]).meetings


def test_two_ears_are_one_kind():
    own = Word(panel="blade", station="B3", word="hollow", ear_first=True)
    assert not joined([suspect("B3")], seen=[weep("B3", what="hollow by ear")], words=[own]).meetings
    [meeting] = joined(seen=[weep("B3")], words=[own]).meetings
    assert meeting.kinds == ("heard", "seen")
    assert "before the verdict was shown" in meeting.what[0][2]


@pytest.mark.parametrize(
    ("word", "meets"), [("crisp", 0), ("crisp, firm", 0), ("dead", 1), ("dull and firm", 1)]
)
def test_a_word_for_no_difference_is_no_evidence(word, meets):
    own = Word(panel="blade", station="B3", word=word, ear_first=True)
    log = joined(seen=[weep("B3")], words=[own])
    assert len(log.meetings) == meets
    assert any(repr(word) in line.heard for line in log.lines)


@pytest.mark.parametrize(
    "reading",
    [
        high("B3", value=150),
        high("B3", over="armature"),
        taken(Reading(panel="blade", station="B3", value=999, scale="x"), []),
    ],
    ids=["below the level", "over metal", "no level"],
)
def test_what_a_reading_cannot_say_makes_no_meeting(reading):
    log = joined([suspect("B3")], [reading])
    assert not log.meetings
    assert any(line.readings for line in log.lines)


@pytest.mark.parametrize("verdict", ["no difference", "at structure", "not assessed"])
def test_only_a_suspect_is_evidence(verdict):
    log = joined([suspect("B3", verdict=verdict, character="", reason="wind")], seen=[weep("B3")])
    assert not log.meetings
    [line] = [line for line in log.lines if line.station == "B3"]
    assert line.heard == {"not assessed": "not assessed: wind"}.get(verdict, verdict)


def test_what_is_not_there_is_no_evidence():
    log = joined([suspect("B3")], seen=[weep("B3", what="no weep")])
    assert not log.meetings
    assert any(line.seen == "no weep" for line in log.lines)


def test_places_that_hang_together_are_one_meeting():
    heard = [suspect(s) for s in ("B2", "B3", "E5")]
    log = joined(heard, [high("B4"), high("B1")], [weep("C3"), weep("E1")])
    first, meeting = log.meetings  # two suspects side by side are one kind, and join nothing
    assert set(first.places) == {"B1", "B2"}
    assert set(meeting.places) == {"B3", "B4", "C3"}
    assert meeting.kinds == KINDS_OF_EVIDENCE
    assert [kind for kind, _, _ in meeting.what] == ["heard", "readings", "seen"]


def test_a_place_off_the_stations_has_a_line_and_meets_by_distance():
    log = joined([suspect("B3")], seen=[weep(x_m=0.35, y_m=0.1), weep(x_m=0.55, y_m=0.1, what="crack")])
    [meeting] = log.meetings
    assert meeting.places == ("B3", "x 0.35 m, y 0.1 m")
    assert len(log.lines) == len(STATIONS) + 2
    assert log.findings == ()


def test_places_in_words_meet_in_the_same_words():
    readings = [high(place="Keel root, port", panel="")]
    log = joined(readings=readings, seen=[weep(panel="", place="keel  root, PORT")])
    [meeting] = log.meetings
    assert meeting.kinds == ("readings", "seen")
    assert not joined(readings=readings, seen=[weep(panel="", place="keel root, starboard")]).meetings


def test_without_any_place_nothing_meets():
    assert not joined(readings=[high()], seen=[weep()]).meetings


def test_panels_do_not_meet_each_other():
    other = StationVerdict(analysis=2, station="B3", x_m=0.3, y_m=0.1, taps=2, verdict="suspect")
    gathered = Gathered(
        STATIONS, {"keel": [other]}, observations=[weep("B3")], spacing_m={"keel": 1, "blade": 1}
    )
    assert not join(gathered).meetings


def test_what_a_plug_showed_stands_with_what_was_seen():
    plug = Plug(panel="blade", station="B3", permission="owner, in writing", depth_mm=12, seen="core parted")
    [meeting] = joined([suspect("B3")], plugs=[plug]).meetings
    assert meeting.what[-1] == ("seen", "B3", "plug, 12 mm: core parted")


def test_findings_off_the_stations_come_soonest_first():
    seen = [
        Observation(what="worn bearing", place="rudder, lower", urgency="watch"),
        Observation(what="corrosion", place="anode, port", x_m=1.0, y_m=2.0),  # of no panel: no place in it
        weep("B3", urgency="before_use"),
        Observation(what="valve will not turn", place="heads", urgency="before_use"),
        Observation(what="keel joint opened", place="keel root, aft", urgency="this_season"),
    ]
    log = joined(seen=seen)
    assert [(o.what, o.urgency) for o in log.findings] == [
        ("valve will not turn", "before_use"),
        ("keel joint opened", "this_season"),
        ("worn bearing", "watch"),
        ("corrosion", ""),
    ]
    assert sum("corrosion" in line.seen for line in log.lines) == 1


@pytest.mark.parametrize("what", [*OBSERVATIONS, "smells of diesel"])
def test_every_word_is_allowed(what):
    line = joined(seen=[weep("A1", what=what)]).lines[0]
    assert what in line.heard + line.seen
    assert line.differs


EARLIER = "A2 of an earlier layout (0.900 m along x and 0.700 m along y)"


def test_a_verdict_of_an_earlier_layout_stays_where_it_was():
    [line] = [one for one in joined([suspect("A2", x_m=0.9, y_m=0.7)]).lines if one.heard]
    assert (line.station, line.place, line.x_m, line.y_m) == ("", EARLIER, 0.9, 0.7)
    [line] = [one for one in joined([suspect("A2", x_m=0.2, y_m=0.0)]).lines if one.heard]
    assert line.station == "A2"


def test_what_else_was_said_of_that_place_stands_on_its_line():
    was = PlannedStation(panel="blade", label=EARLIER, x_m=0.9000004, y_m=0.7, row=0)
    log = joined([suspect("A2", x_m=0.9, y_m=0.7)], readings=[high(EARLIER)], earlier=[was])
    [line] = [one for one in log.lines if one.readings]
    assert (line.station, line.place, line.verdict) == ("", EARLIER, "suspect")
    assert [meeting.places for meeting in log.meetings] == [(EARLIER,)]


def test_a_panel_without_a_place_says_so():
    [line] = [one for one in joined(readings=[high()]).lines if one.readings]
    assert line.called == "no place stated"
