"""The smallest patch beside `no difference`: on the real path, against patches that are really there."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from taptone.edges.analysing import analyse_sounds
from taptone.edges.learning import learn_reference
from taptone.physics import scene as physics
from taptone.survey.panel import parse_panel
from taptone.types import Recording

RATE = 48_000
TEXT = """
name = "deck"
side = "port"
face = "outside"
construction = "as built"
datum = "corner"
hammer = "60 g steel"
outline = [[0, 0], [0.9, 0], [0.9, 0.75], [0, 0.75]]
grid = { spacing = 0.15, path = "serpentine rows" }
"""
LAMINATE = """
[laminate]
skin_mm = 3
core = "foam"
core_mm = 20
"""


@dataclass(frozen=True)
class Made:
    samples: object
    recording: Recording = field(init=False)

    def __post_init__(self):
        object.__setattr__(self, "recording", Recording("made-up.wav", "0" * 64, RATE, len(self.samples)))

    def blocks(self):
        yield self.samples


def recorded(scene, panel, seed):
    rng = np.random.default_rng(seed)
    xy = [(s.x_m, s.y_m) for s in panel.stations]
    plan = physics.tapping_times(xy, [s.row for s in panel.stations], rng=rng)
    return Made(physics.recording(scene, plan, rate_hz=RATE, rng=rng)[0])


@pytest.fixture(scope="module")
def deck():
    """A reference of 30 places, and a way to analyse a deck of 30 stations with patches in it."""
    scene = physics.Scene(seed=4242)
    plain = parse_panel(TEXT, source="deck.toml")
    said = {"boat": "Kettle", "construction": "as built", "hammer": "60 g steel"}
    elsewhere = recorded(replace(scene, seed=4243), plain, 1)
    reference, _ = learn_reference([elsewhere], panel=plain, **said)
    sounds = {}

    def analysed(text=LAMINATE, patches=(), snr_db=45.0, hammer="60 g steel"):
        key = patches, snr_db
        if key not in sounds:
            sounds[key] = recorded(replace(scene, patches=patches, snr_db=snr_db), plain, 2)
        panel = parse_panel(TEXT.replace("60 g steel", hammer) + text, source="deck.toml")
        return analyse_sounds([sounds[key]], panel=panel, reference=replace(reference, hammer=""))

    return analysed


def size_mm(result):
    row = max(result.smallest["by_noise"], key=lambda row: len(row["stations"]))
    return math.inf if row["across_mm"] is None else row["across_mm"]


def test_a_patch_wider_than_stated_is_flagged_and_a_far_narrower_one_is_not(deck):
    stated_mm = size_mm(deck())
    assert 20 < stated_mm < 100
    at = (0.375, 0.375)  # C3
    for factor, verdict in ((1.3, "suspect"), (0.3, "no difference")):
        result = deck(patches=(physics.Patch(*at, factor * stated_mm / 2000),))
        [point] = [p for p in result.points if p.station == "C3"]
        assert point.verdict == verdict, factor


def test_it_is_said_in_every_reason_once_in_the_notes_and_in_the_log(deck):
    result = deck()
    clause = f"; a loose patch from about {size_mm(result):.0f} mm across centred under it would "
    clause += "probably have been noticed (estimate)"
    reasons = [p.reason for p in result.points if p.verdict == "no difference"]
    assert len(reasons) > 25
    told = {
        s
        for row in result.smallest["by_noise"]
        if row["across_mm"] == size_mm(result)
        for s in row["stations"]
    }
    for point in result.points:
        assert point.reason.endswith(clause) == (point.station in told)
    notes = [note for note in result.notes if "would have been noticed" in note]
    assert len(notes) == 1
    assert "an estimate for skin 3 mm, foam core 20 mm, hammer 60 g steel, skin modulus 12 GPa" in notes[0]
    assert notes[0].endswith("a round patch under 212 mm can lie between the stations")
    assert result.smallest["assumed"] == ["skin modulus 12 GPa", "core density 80 kg/m3"]


def test_thicker_skin_and_more_noise_ask_for_a_wider_patch(deck):
    """Stiffness of a loose skin goes with the cube of its thickness (CHECK: 16 pi D / a^2, Timoshenko and
    Woinowsky-Krieger): what is heard of a patch under 8 mm cannot be less wide than under 3 mm."""
    usual = size_mm(deck())
    assert size_mm(deck(LAMINATE.replace("skin_mm = 3", "skin_mm = 8"))) > usual
    assert size_mm(deck(snr_db=15.0)) >= usual


def test_where_no_patch_would_be_heard_it_says_so(deck):
    result = deck(LAMINATE.replace("skin_mm = 3", "skin_mm = 150"), hammer="400 g taped")
    assert size_mm(result) == math.inf
    assert any("even a patch as wide as the panel might not have been noticed" in n for n in result.notes)
    assert not any(p.verdict == "no difference" for p in result.points)  # it would be no result
    deaf = [p for p in result.points if p.reason.startswith("even a loose patch as wide as the panel")]
    assert len(deaf) > 25
    assert {p.verdict for p in deaf} == {"not assessed"}
    assert all(math.isnan(p.confidence) and math.isnan(p.score) for p in deaf)


def test_a_station_that_could_not_have_shown_a_patch_bounds_no_area(deck):
    patch = (physics.Patch(0.375, 0.375, 0.05),)
    hears, deaf = (
        deck(patches=patch),
        deck(LAMINATE.replace("skin_mm = 3", "skin_mm = 150"), patches=patch, hammer="400 g taped"),
    )
    [heard], [unheard] = ([a for a in result.areas if "C3" in a.stations] for result in (hears, deaf))
    assert heard.bounded_by
    assert not unheard.bounded_by
    assert unheard.at_most_m2 > 3 * heard.at_most_m2


@pytest.mark.parametrize(
    ("text", "hammer", "lacking"),
    [
        ("", "60 g steel", "state [laminate] with skin_mm, core and core_mm"),
        (
            LAMINATE,
            "grandfather's",
            'state the hammer by its mass and tip, such as "60 g steel" (now "grandf',
        ),
    ],
)
def test_what_is_not_stated_is_asked_for(deck, text, hammer, lacking):
    result = deck(text, hammer=hammer)
    [note] = [n for n in result.notes if "could not be worked out" in n]
    assert lacking in note
    assert note.endswith("a round patch under 212 mm can lie between the stations")
    assert set(result.smallest) == {"between_stations_mm", "not_worked_out"}
    [clause] = {p.reason.rpartition("; ")[2] for p in result.points if p.verdict == "no difference"}
    assert clause == "what size of patch would have been noticed here is not known"
