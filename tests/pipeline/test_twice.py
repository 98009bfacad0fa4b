"""A row tapped twice without a word, told by its sound.

Made from stated textures: every place of good laminate has a sound of its own (2 dB a band between places,
0.7 dB from strike to strike), or none. Once through made-up sound, heard and analysed.
"""

from __future__ import annotations

import numpy as np
import pytest

from taptone.edges.analysing import analyse_sounds
from taptone.physics import scene as physics
from taptone.pipeline.place import place
from taptone.types import Panel, Recording, Station

ROWS, COLUMNS = 5, 8


def panel(each: int = 1) -> Panel:
    """Return rows A to E of eight stations."""
    stations = tuple(
        Station(f"{chr(65 + r)}{c + 1}", c / 10, r / 10, r) for r in range(ROWS) for c in range(COLUMNS)
    )
    outline = ((-0.1, -0.1), (COLUMNS / 10, -0.1), (COLUMNS / 10, ROWS / 10), (-0.1, ROWS / 10))
    return Panel("blade", "port", "outside", "foam", "top", outline, stations, taps_per_station=each)


def struck(twice: int, each: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Return the station of each strike and its time, a row struck twice."""
    rows = [*range(twice + 1), *range(twice, ROWS)]
    station = np.repeat([r * COLUMNS + c for r in rows for c in range(COLUMNS)], each)
    gaps = np.ones(len(station))
    gaps[:: COLUMNS * each] = 4.0
    return station, np.cumsum(gaps)


def sounding(rng: np.random.Generator, station: np.ndarray, between_db: float) -> np.ndarray:
    """Return bands of each strike."""
    places = rng.normal(0, between_db, (ROWS * COLUMNS, 10))
    return places[station] + rng.normal(0, 0.7, (len(station), 10))


@pytest.mark.parametrize("twice", range(ROWS))
@pytest.mark.parametrize("each", [1, 2])
def test_the_row_is_told_and_its_later_strikes_count(rng, twice, each):
    station, time_s = struck(twice, each)
    heard = sounding(rng, station, 2.0)
    places, notes = place(np.zeros(len(station), int), time_s, panel(each), shape=lambda: heard)
    for k, spot in enumerate(places):
        assert station[list(spot.taps)].tolist() == [k] * each
        assert "row too many" in spot.flags
        assert ("row again" in spot.flags) == (spot.station.row == twice)
    of_twice = [spot.taps[0] for spot in places if spot.station.row == twice]
    assert min(of_twice) >= (twice + 1) * COLUMNS * each  # the later
    assert notes == (
        f"one row more was heard than planned: row {'ABCDE'[twice]} sounds as if tapped twice and is taken "
        "so, the later counts; if it was another, name that one as tapped again",
    )


def test_where_places_sound_alike_the_right_row_is_seldom_ruled_out():
    """One-sided 2 % for each of the four other rows: 8 % at most, 3 of 40; twice as many would be odd."""
    wrong = 0
    for seed in range(40):
        rng, twice = np.random.default_rng(96_000 + seed), seed % ROWS
        station, time_s = struck(twice)
        heard = sounding(rng, station, 0.0)
        places, _ = place(np.zeros(len(station), int), time_s, panel(), shape=lambda heard=heard: heard)
        wrong += any(station[list(spot.taps)].tolist() not in ([], [k]) for k, spot in enumerate(places))
        unclear = [spot for spot in places if not spot.taps]
        assert all(
            spot.flags == ("row unclear",) and "may have been tapped twice" in spot.reason for spot in unclear
        )
        assert all("row too many" in spot.flags for spot in places if spot.taps)
    assert wrong <= 6


def test_alike_rows_leave_rows_between_untied(rng):
    station, time_s = struck(2)
    places, notes = place(np.zeros(48, int), time_s, panel(), shape=lambda: np.ones((48, 10)))
    assert [bool(places[r * COLUMNS].taps) for r in range(ROWS)] == [False, False, False, False, True]
    assert "row A or row B or row C or row D or row E may have been tapped twice" in notes[0]
    assert notes[0].endswith("name the row as tapped again if you know it, or tap these rows again")
    assert station[places[-1].taps[0]] == 39


def test_the_sound_is_asked_only_where_a_row_is_too_many():
    def never() -> np.ndarray:
        raise AssertionError("asked")

    station, time_s = struck(2)
    short = np.delete(time_s, np.r_[0 : 2 * COLUMNS])  # rows A and B were not tapped, C twice
    whole = time_s[station < 24][: 3 * COLUMNS]
    for times in (short, whole):
        place(np.zeros(len(times), int), times, panel(), shape=never)
    assert station.max() == 39


def test_through_sound_the_row_is_told_and_the_earlier_strikes_are_kept(rng):
    station, time_s = struck(1)
    xy = np.array([[s.x_m, s.y_m] for s in panel().stations])[station]
    plan = physics.Schedule(time_s, xy, np.arange(len(station)), station // COLUMNS, ("tap",) * len(station))
    scene = physics.Scene(
        physics.BUILDS["foam deck"], physics.HAMMERS["60 g steel"], snr_db=35.0, seed=96_050
    )
    samples, _ = physics.recording(scene, plan, rate_hz=48_000, rng=rng, clip_s=0.4)

    class Sound:
        recording = Recording("deck.wav", "0" * 64, 48_000, len(samples))

        def blocks(self):
            yield samples

    found = analyse_sounds([Sound()], panel=panel())
    assert any("row B sounds as if tapped twice" in note for note in found.notes)
    assert all(p.verdict == "no difference" for p in found.points)
    unused = [k for k, used in enumerate(found.tap_used) if not used]
    assert [round(found.taps[k].time_s - time_s[0]) for k in unused] == [
        round(t - time_s[0]) for t in time_s[COLUMNS : 2 * COLUMNS]
    ]
    assert len(found.points) == ROWS * COLUMNS
