"""The questions: they ask, name the kind of their source, open nothing up, and come where they belong."""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from pathlib import Path

import pytest

from taptone.errors import SurveyError
from taptone.survey.look_next import Prompt, Spot, look_next, parse_prompts, spots
from taptone.survey.meeting import Gathered, join
from taptone.survey.moisture import taken
from taptone.survey.panel import parse_panel
from taptone.survey.records import Observation, PlannedStation, Reading, StationVerdict, SuspectArea

TEXT = resources.files("taptone.survey").joinpath("look_next.toml").read_text("utf-8")
OURS = parse_prompts(TEXT, source="look_next.toml")

#: Caution 14 of the practice notes: never printed as a verdict; and words that would conclude or propose.
CONCLUDING = re.compile(
    r"\b(rotten|seaworthy|guaranteed|certified|unsafe|means|probably|likely|is wet|is sound|delaminated|drill"
    r"|plug|hole|open(ed)? up)\b"
)


@pytest.mark.parametrize("prompt", OURS, ids=lambda p: p.ask[:30])
def test_a_prompt_asks_and_never_concludes(prompt):
    assert prompt.ask.endswith("?")
    assert prompt.ask.count("?") == 1
    assert not CONCLUDING.search(prompt.ask.casefold())


def test_the_file_goes_with_the_package():
    project = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text("utf-8"))
    assert "survey/look_next.toml" in project["tool"]["setuptools"]["package-data"]["taptone"]


def panel(name="hull", construction="solid", **more):
    extra = "\n".join(f'{key} = "{value}"' for key, value in more.items())
    text = f"""
    name = "{name}"
    side = "port"
    face = "outside"
    construction = "{construction}"
    datum = "stem"
    outline = [[0, 0], [3, 0], [3, 0.3], [0, 0.3]]
    {extra}
    [grid]
    spacing = 0.1
    path = "rows"
    [[structure]]
    kind = "keel root"
    line = [[0, 0], [0, 0.3]]
    width = 0.1
    """
    return parse_panel(text, source="hull.toml")


def asked(one, heard=("A3",), readings=(), seen=(), said="", panels=(), photos=()):
    """Every question that is asked, by place."""
    known = {p.name: p for p in (one, *panels)}
    stations = [
        PlannedStation(panel=p.name, label=s.label, x_m=s.x_m, y_m=s.y_m, row=s.row)
        for p in known.values()
        for s in p.stations
    ]
    verdicts = {
        name: [StationVerdict(analysis=1, station=s, taps=2, verdict="suspect") for s in heard]
        for name in known
    }
    areas = {one.name: [SuspectArea(analysis=1, stations=[s], at_least_m2=0, at_most_m2=0.1) for s in heard]}
    log = join(
        Gathered(
            stations,
            verdicts,
            readings=[taken(r, []) for r in readings],
            observations=list(seen),
            spacing_m=dict.fromkeys(known, 0.1),
        )
    )
    found = look_next(spots(log, areas, known, photos), OURS, said)
    return {(a.spot.on[0], a.spot.called): " ".join(p.ask for p in a.prompts) for a in found}


def test_what_the_trade_would_ask_of_an_area():
    text = asked(panel())["area", "hull, A3"]
    for words in (
        "inside face",
        "other side",
        "moisture meter",
        "seller or owner",
        "frame, a bulkhead",
        "photo",
    ):
        assert words in text


def test_what_was_done_is_not_asked_for_again():
    reading = Reading(panel="hull", station="A3", value=40, scale="relative")
    starboard = panel("starboard", mirror_of="hull")
    text = asked(panel(), readings=[reading], panels=[starboard], photos={("hull", "A3")})["area", "hull, A3"]
    for words in ("What does a moisture meter", "other side sound", "photo of the whole panel"):
        assert words not in text


def test_a_mirror_that_was_not_tapped_is_still_asked_for():
    here = panel()
    other = panel("starboard", mirror_of="hull")
    found = spots(join(Gathered()), {"hull": [AREA]}, {p.name: p for p in (here, other)})
    assert "mirror" not in found[0].has


AREA = SuspectArea(analysis=1, stations=["A3"], at_least_m2=0, at_most_m2=0.1)


@pytest.mark.parametrize(
    ("station", "said", "floors"),
    [("A3", "buying; she took the ground", True), ("A3", "", False), ("A20", "she took the ground", False)],
)
def test_floors_and_tabbing_near_a_keel_root_after_a_grounding(station, said, floors):
    text = asked(panel(), heard=(station,), said=said)["area", f"hull, {station}"]
    assert ("floors and their tabbing" in text) is floors
    assert ("ever taken the ground" in text) is (station == "A3")  # within half a metre of the root


def test_the_stock_joint_above_a_weeping_blade():
    blade = panel("rudder blade port", "skins over foam with armature")
    weep = Observation(what="rust stain", panel=blade.name, station="A3")
    text = asked(blade, seen=[weep])["area", "rudder blade port, A3"]
    assert "where the stock enters the blade above" in text
    assert "opposite face" in text
    assert "inside face" not in text
    assert "more than one kind of evidence" in text
    assert "qualified marine surveyor or builder" in text
    assert "where the stock enters" not in asked(blade)["area", "rudder blade port, A3"]


def test_a_finding_has_questions_of_its_own_and_the_visit_comes_last():
    valve = Observation(what="valve will not turn", place="heads, through-hull", urgency="before_use")
    stain = Observation(what="stain", place="locker", urgency="watch")
    found = asked(panel(), seen=[stain, valve])
    assert [on for on, _ in found] == ["finding", "area", "finding", "survey"]  # before use: first of all
    assert list(found)[-1] == ("survey", "the whole visit")
    text = found["finding", "valve will not turn, heads, through-hull"]
    assert "others of its age turn" in text
    assert "who must be told today" in text
    assert "frame" not in text


def test_a_meeting_off_the_areas_stands_by_itself():
    here = panel()
    stations = [
        PlannedStation(panel="hull", label=s.label, x_m=s.x_m, y_m=s.y_m, row=s.row) for s in here.stations
    ]
    seen = [Observation(what=w, panel="hull", station="B9") for w in ("crack", "hollow by ear")]
    log = join(Gathered(stations, observations=seen, spacing_m={"hull": 0.1}))
    [spot] = spots(log, {}, {"hull": here})
    assert (spot.on, spot.kinds) == (("meeting",), ("heard", "seen"))


def test_nothing_that_differs_asks_nothing():
    assert look_next((), OURS) == ()


@pytest.mark.parametrize(("word", "text", "there"), [("keel", "keelson", 1), ("board", "starboard", 0)])
def test_a_word_begins_a_word(word, text, there):
    prompt = Prompt(ask="Is it?", source="trade article", on=["area"], near=[word])
    [one] = look_next([Spot(("area",), "x", near=text)], [prompt])
    assert len(one.prompts) == there


GOOD = '[[prompt]]\non = ["area"]\nask = "Is it?"\nsource = "trade article"\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("prompt = ", "mine.toml is not TOML"),
        ("prompt = [1]", "mine.toml: prompt 1 is no table: write [[prompt]]"),
        (GOOD + 'near = "keel"\n', "prompt 1, near is not right: write a list of words"),
        ("", "mine.toml, prompt is missing: write [[prompt]]"),
        (GOOD + GOOD.replace("Is it?", "It is wet."), "prompt 2, ask is not right: write one question"),
        (
            GOOD.replace('source = "trade article"\n', ""),
            'prompt 1, source is missing: write "trade article"',
        ),
        (GOOD.replace("trade article", "somebody"), "prompt 1, source is not right"),
        (GOOD.replace('["area"]', '["keel"]'), "prompt 1, on is not right: write a list"),
        (GOOD + 'hint = "x"\n', "prompt 1, hint is not known: known are ask, source"),
        ('colour = "red"\n' + GOOD, "mine.toml, colour is not known"),
        (GOOD.replace("Is it", "Would the owner let you drill"), "prompt 1 proposes to open something up"),
        (GOOD.replace("Is it", "May a core sample be taken"), "prompt 1 proposes to open something up"),
    ],
)
def test_a_wrong_file_is_one_line(text, said):
    with pytest.raises(SurveyError) as error:
        parse_prompts(text, source="mine.toml")
    assert said in str(error.value)
    assert "\n" not in str(error.value)
