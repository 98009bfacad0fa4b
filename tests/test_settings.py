"""Settings: limits, names, numbers, and what stands in the log."""

from __future__ import annotations

import dataclasses
import math
import re

import pytest

from taptone.errors import SettingError
from taptone.settings import DetectSettings, JudgeSettings, Settings, changed, flat, listed, with_values
from taptone.survey.lengths import UNITS

ROWS = [
    (stage.name, row)
    for stage in dataclasses.fields(Settings)
    if stage.name != "show"
    for row in dataclasses.fields(getattr(Settings(), stage.name))
]
IDS = [f"{stage}.{row.name}" for stage, row in ROWS]


@pytest.mark.parametrize(("stage", "row"), ROWS, ids=IDS)
def test_every_setting_has_help_and_takes_its_own_limits(stage, row):
    low, high = row.metadata["low"], row.metadata["high"]
    assert low < high
    assert low <= row.default <= high
    assert row.metadata["help"]
    name = f"{stage}.{row.name}"
    for value in (low, high):
        assert flat(with_values({name: str(value)}))[name] == value


@pytest.mark.parametrize(("stage", "row"), ROWS, ids=IDS)
def test_outside_its_limits_every_setting_is_refused(stage, row):
    name, kind = f"{stage}.{row.name}", type(row.default)
    low, high, unit = row.metadata["low"], row.metadata["high"], row.metadata["unit"]
    step = 1 if kind is int else 1e-6
    for value in (low - step, high + step):
        with pytest.raises(SettingError, match=re.escape(f"choose a value from {low} to {high}")) as caught:
            with_values({name: str(value)})
        assert caught.value.message == f"{name} is {kind(str(value))!r}" + (f" {unit}" if unit else "")


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1e999"])
def test_no_number_of_this_world(text):
    with pytest.raises(SettingError, match=r"judge\.confidence is (nan|inf|-inf)"):
        with_values({"judge.confidence": text})


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("judge.confidense", "0.9", "there is no setting 'judge.confidense': did you mean judge.confidence"),
        ("xyzzy", "1", "there is no setting 'xyzzy': the settings are detect.low_hz, "),
        ("judge", "1", "there is no setting 'judge'"),
        ("", "1", "there is no setting ''"),
        ("judge.confidence", "high", "judge.confidence is 'high': give a number"),
        ("judge.confidence", "", "judge.confidence is '': give a number"),
        ("judge.confidence", "0,9", "judge.confidence is '0,9': give a number"),
        ("judge.neighbours", "6.5", "judge.neighbours is '6.5': give a whole number"),
    ],
)
def test_a_wrong_word_is_one_line(name, text, said):
    with pytest.raises(SettingError) as caught:
        with_values({name: text})
    assert str(caught.value).startswith(said)
    assert "\n" not in str(caught.value)


def test_a_decay_that_does_not_fall_is_refused():
    with pytest.raises(SettingError, match=r"decay_to_db is -5 dB, measure.decay_from_db -5 dB"):
        with_values({"measure.decay_from_db": "-5", "measure.decay_to_db": "-5"})


def test_values_of_several_stages_at_once():
    settings = with_values({"judge.neighbours": "12", "detect.rise_db": "10", "judge.confidence": "0.9"})
    assert (settings.judge.neighbours, settings.detect.rise_db, settings.judge.confidence) == (12, 10.0, 0.9)
    assert isinstance(settings.judge.neighbours, int)
    assert settings.measure == Settings().measure


def test_what_was_changed_and_nothing_else():
    assert changed(Settings()) == ()
    assert changed(with_values({"judge.confidence": "0.95"})) == ()
    [change] = changed(with_values({"judge.confidence": "0.9"}))
    assert (change.setting, change.default, change.value) == ("judge.confidence", 0.95, 0.9)


def test_flat_names_every_setting_in_order():
    assert list(flat(Settings())) == IDS
    assert all(math.isfinite(value) for value in flat(Settings()).values())


def test_what_is_only_shown_stands_in_no_log():
    settings = with_values({"show.units": "ft-in"})
    assert settings.show.units == "ft-in"
    assert flat(settings) == flat(Settings())
    assert changed(settings) == ()
    [row] = [row for row in listed() if row["setting"] == "show.units"]
    assert row["default"] == "m"
    assert dataclasses.fields(settings.show)[0].metadata["choices"] == UNITS
    with pytest.raises(SettingError, match=r"show\.units is 'feet': choose m or ft-in"):
        with_values({"show.units": "feet"})


def test_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        JudgeSettings().confidence = 0.5
    with pytest.raises(SettingError, match=r"detect\.rise_db is '9'"):
        DetectSettings(rise_db="9")
