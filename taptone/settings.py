"""Settings: one frozen class a stage, each value with its unit, limits and help.

The command line, the manual and the log are made from these tables, so they cannot disagree. A value
outside its limits raises :class:`~taptone.errors.SettingError` when the object is built.

Examples
--------
>>> DetectSettings().bounce_to_ms
120.0
>>> DetectSettings(bounce_to_ms=5000.0)
Traceback (most recent call last):
    ...
taptone.errors.SettingError: detect.bounce_to_ms is 5000.0 ms: choose a value from 20.0 to 240.0 ms
"""

from __future__ import annotations

import dataclasses
import difflib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar

from taptone.errors import SettingError
from taptone.types import Change

__all__ = [
    "DetectSettings",
    "ExtentSettings",
    "HealthSettings",
    "JudgeSettings",
    "MeasureSettings",
    "PlaceSettings",
    "Settings",
    "ShowSettings",
    "as_now",
    "changed",
    "flat",
    "listed",
    "with_values",
]


_LEAST_FALL_DB = 5.0  # over which a decay is read: a straight line through less says nothing


def _setting(default: float | int, unit: str, low: float, high: float, text: str) -> Any:
    """One row of a stage's table."""
    return field(default=default, metadata={"unit": unit, "low": low, "high": high, "help": text})


class _Stage:
    """Checks every row of the table against its limits."""

    stage: ClassVar[str] = ""

    def __post_init__(self) -> None:
        for row in dataclasses.fields(self):  # type: ignore[arg-type]
            value, low, high = getattr(self, row.name), row.metadata["low"], row.metadata["high"]
            if not isinstance(value, (int, float)) or not low <= value <= high:
                unit = f" {row.metadata['unit']}" if row.metadata["unit"] else ""
                raise SettingError(
                    f"{self.stage}.{row.name} is {value!r}{unit}",
                    hint=f"choose a value from {low} to {high}{unit}",
                )


@dataclass(frozen=True, slots=True)
class DetectSettings(_Stage):
    """What counts as a tap."""

    stage: ClassVar[str] = "detect"

    low_hz: float = _setting(120.0, "Hz", 20.0, 500.0, "sound below this is left out when listening for taps")
    rise_db: float = _setting(9.0, "dB", 3.0, 40.0, "how far a tap rises over the sound just before it")
    before_ms: float = _setting(
        20.0, "ms", 4.0, 100.0, "how much of the sound before a tap it is held against"
    )
    above_noise_db: float = _setting(9.0, "dB", 3.0, 40.0, "how far a tap rises over the noise near by")
    apart_ms: float = _setting(10.0, "ms", 4.0, 50.0, "contacts closer than this are one contact")
    bounce_to_ms: float = _setting(
        120.0, "ms", 20.0, 240.0, "a contact at most this long after another is its bounce"
    )
    snr_db: float = _setting(6.0, "dB", 0.0, 40.0, "a tap is at least this far above the noise")
    swell_db: float = _setting(
        3.4, "dB", 0.0, 20.0, "sound that later grows louder than its start by this is no tap"
    )
    fall_db: float = _setting(2.5, "dB", 0.0, 40.0, "a tap has fallen by this after 50 to 100 ms")
    soon_db: float = _setting(10.0, "dB", 0.0, 40.0, "among talk, a tap has fallen by this after 12 to 48 ms")
    soft_db: float = _setting(
        24.0, "dB", 6.0, 80.0, "a sound this much softer than the usual tap counts less, if it is unlike"
    )
    soft_taps: int = _setting(8, "", 8, 1000, "taps that a recording must hold to be known by each other")
    clip_before_ms: float = _setting(10.0, "ms", 2.0, 100.0, "sound kept before a tap")
    clip_after_ms: float = _setting(250.0, "ms", 50.0, 1000.0, "sound kept after a tap")
    whole_ms: float = _setting(
        60.0, "ms", 10.0, 250.0, "a tap with less sound than this after it is cut short"
    )
    clipped_at: float = _setting(
        0.999, "", 0.5, 1.0, "share of full scale from which a sample counts as clipped"
    )


@dataclass(frozen=True, slots=True)
class MeasureSettings(_Stage):
    """What is measured of a tap, and over which ranges."""

    stage: ClassVar[str] = "measure"

    low_hz: float = _setting(200.0, "Hz", 50.0, 1000.0, "lower edge of the band that is measured")
    high_hz: float = _setting(
        8000.0, "Hz", 2000.0, 20000.0, "upper edge, or 45 % of the sample rate if lower"
    )
    window_ms: float = _setting(20.0, "ms", 5.0, 200.0, "sound after the onset that the spectrum is taken of")
    bands_ms: float = _setting(5.0, "ms", 2.0, 200.0, "sound after the onset that the bands are taken of")
    decay_start_ms: float = _setting(
        2.0, "ms", 0.0, 10.0, "decay is read from here on, after the contact pulse"
    )
    decay_from_db: float = _setting(0.0, "dB", -5.0, 0.0, "start of the early range of the decay")
    decay_to_db: float = _setting(-10.0, "dB", -35.0, -5.0, "end of the early range of the decay")
    bend_db: float = _setting(
        2.5, "dB", 0.5, 10.0, "a decay curve that sags by more than this has no one decay"
    )
    mode_error: float = _setting(
        0.12, "", 0.01, 1.0, "a mode's decay less sure than this share of itself is missing"
    )
    room_taps: int = _setting(8, "", 3, 100, "taps that must end alike before a room is said to be heard")
    room_from_ms: float = _setting(
        300.0, "ms", 100.0, 2000.0, "a common late decay longer than this is the room"
    )

    def __post_init__(self) -> None:
        """Check the limits, and that the decay is read over a range that falls."""
        _Stage.__post_init__(self)
        if self.decay_to_db > self.decay_from_db - _LEAST_FALL_DB:
            raise SettingError(
                f"measure.decay_to_db is {self.decay_to_db:g} dB, measure.decay_from_db "
                f"{self.decay_from_db:g} dB",
                hint=f"decay_to_db must lie {_LEAST_FALL_DB:g} dB or more below decay_from_db",
            )


@dataclass(frozen=True, slots=True)
class HealthSettings(_Stage):
    """From where on it is said that a recorder or a room did something to the sound."""

    stage: ClassVar[str] = "health"

    least_taps: int = _setting(
        8, "", 4, 1000, "taps that must be heard before gain control or a gate is named"
    )
    gain_db: float = _setting(
        0.4, "dB", 0.3, 20.0, "noise this much lower after a tap than before it is gain control"
    )
    gain_db_s: float = _setting(
        0.8, "dB/s", 0.2, 40.0, "noise that rises this fast in the pauses is gain control"
    )
    gain_share: float = _setting(0.7, "", 0.5, 1.0, "share of the taps that must agree on it")
    gate_share: float = _setting(
        0.4, "", 0.1, 1.0, "share of the taps after which all bands are turned down at once"
    )
    silent_share: float = _setting(
        0.2, "", 0.01, 1.0, "share of the pauses without any sound that is no recording"
    )
    holes_db: float = _setting(
        0.06, "dB", 0.05, 5.0, "noise this much more ragged than even noise was suppressed"
    )
    edge_quiet_db: float = _setting(
        20.0, "dB", 3.0, 60.0, "a fall this steep ends the spectrum of quiet moments"
    )
    edge_bare_db: float = _setting(
        3.0, "dB", 1.0, 60.0, "the same, where nothing but rounding is left above it"
    )
    edge_loud_db: float = _setting(
        35.0, "dB", 3.0, 60.0, "a fall this steep ends the spectrum of loud moments"
    )
    clipped_share: float = _setting(
        0.1, "", 0.01, 1.0, "share of a tap's first 5 ms that is flat: beyond use"
    )
    overlap_db: float = _setting(
        10.0, "dB", 0.0, 40.0, "a tap less than this above what sounds just before it is overlapped"
    )
    spike: float = _setting(
        0.03, "", 0.001, 1.0, "a start pushed this far off zero, of full scale, is a spike"
    )
    wind_db: float = _setting(22.0, "dB", 5.0, 60.0, "low noise this far above the middle is wind")
    room_ms: float = _setting(300.0, "ms", 100.0, 5000.0, "a common tail longer than this is the room's")
    gusts_db: float = _setting(2.5, "dB", 0.5, 20.0, "and comes and goes by this much")
    blocks: float = _setting(
        0.5, "", 0.1, 10.0, "a fault that moves the baseline by this share of its spread blocks"
    )


@dataclass(frozen=True, slots=True)
class JudgeSettings(_Stage):
    """How a station is judged."""

    stage: ClassVar[str] = "judge"

    confidence: float = _setting(0.95, "", 0.5, 0.9999, "confidence from which a station is suspect")
    neighbours: int = _setting(8, "", 3, 30, "good neighbours a station is held against")
    reference_weight: float = _setting(2.0, "", 0.1, 30.0, "how many neighbours the reference counts for")
    set_aside: float = _setting(
        0.002, "", 0.000001, 0.2, "a station whose chance_if_good is below this is nobody's neighbour"
    )
    structure_margin_m: float = _setting(
        0.025,
        "m",
        0.0,
        0.2,
        "how far beyond its edges declared structure counts: aim, and its bond",
    )
    least_spread_db: float = _setting(
        0.7, "dB", 0.0, 6.0, "good places are never taken to agree better than this in a band"
    )
    least_ring_db: float = _setting(
        1.0, "dB", 0.0, 10.0, "good places are never taken to agree better than this in their ring"
    )
    crisper: float = _setting(
        1.0,
        "",
        0.0,
        20.0,
        "spreads brighter, and less in ring, from which an area is not assessed",
    )
    snr_db: float = _setting(10.0, "dB", 0.0, 40.0, "below this a tap is too near the noise to be judged")
    least_places: int = _setting(8, "", 3, 100, "reference places below which nothing is judged")


@dataclass(frozen=True, slots=True)
class PlaceSettings(_Stage):
    """How taps are tied to stations."""

    stage: ClassVar[str] = "place"

    row_pause: float = _setting(
        1.6, "", 1.2, 20.0, "a pause this many times the usual gap between stations may end a row"
    )
    row_pause_s: float = _setting(1.2, "s", 0.2, 30.0, "a pause shorter than this never ends a row")


@dataclass(frozen=True, slots=True)
class ExtentSettings(_Stage):
    """How far suspect stations are taken to reach."""

    stage: ClassVar[str] = "extent"

    aim_m: float = _setting(0.010, "m", 0.0, 0.1, "how far off its station a hammer may land")
    rim_m: float = _setting(
        0.025, "m", 0.0, 0.2, "loose skin this near its edge is not heard, where no laminate is stated"
    )
    reach: float = _setting(
        2.5, "", 1.5, 10.0, "a good station more spacings away than this does not bound an area"
    )


@dataclass(frozen=True, slots=True)
class ShowSettings:
    """How results are shown. Nothing that is found depends on it, so no log and no baseline holds it."""

    stage: ClassVar[str] = "show"

    units: str = field(
        default="m",
        metadata={
            "choices": ("m", "ft-in"),
            "help": "lengths on screens and pages: m, or ft-in for feet and inches; files hold metres",
        },
    )

    def __post_init__(self) -> None:
        for row in dataclasses.fields(self):
            value, choices = getattr(self, row.name), row.metadata["choices"]
            if value not in choices:
                raise SettingError(f"show.{row.name} is {value!r}", hint=f"choose {' or '.join(choices)}")


@dataclass(frozen=True, slots=True)
class Settings:
    """The settings of every stage."""

    detect: DetectSettings = DetectSettings()
    measure: MeasureSettings = MeasureSettings()
    health: HealthSettings = HealthSettings()
    place: PlaceSettings = PlaceSettings()
    judge: JudgeSettings = JudgeSettings()
    extent: ExtentSettings = ExtentSettings()
    show: ShowSettings = ShowSettings()


def flat(settings: Settings) -> dict[str, float | int]:
    """All settings that a result depends on, as ``stage.name`` → value, in the order of the tables.

    Parameters
    ----------
    settings : Settings
        All stages.

    Returns
    -------
    dict
        For the log.

    Examples
    --------
    >>> flat(Settings())["judge.confidence"]
    0.95
    """
    return {
        f"{stage.name}.{row.name}": getattr(getattr(settings, stage.name), row.name)
        for stage in dataclasses.fields(settings)
        if stage.name != "show"
        for row in dataclasses.fields(getattr(settings, stage.name))
    }


def as_now(values: Mapping[str, float | int]) -> dict[str, float | int]:
    """Settings out of a file, as this version would state them: bands were once taken of the whole window.

    Parameters
    ----------
    values : mapping
        ``stage.name`` → value, as :func:`flat` gave them then.

    Returns
    -------
    dict
        The same, and what has been told apart since.

    Examples
    --------
    >>> as_now({"measure.window_ms": 20.0})["measure.bands_ms"]
    20.0
    """
    held = dict(values)
    if "measure.window_ms" in held:
        held.setdefault("measure.bands_ms", held["measure.window_ms"])
    return held


def listed() -> list[dict[str, object]]:
    """Every setting with its default, unit, limits and help, in the order of the tables.

    Returns
    -------
    list of dict
        Keys ``setting``, ``default``, ``unit``, ``low``, ``high``, ``help``; one that is chosen among words
        has no limits.

    Examples
    --------
    >>> listed()[0]["setting"], listed()[0]["default"], listed()[0]["unit"]
    ('detect.low_hz', 120.0, 'Hz')
    """
    return [
        {
            "setting": f"{stage.name}.{row.name}",
            "default": row.default,
            **{key: row.metadata.get(key, "") for key in ("unit", "low", "high", "help")},
        }
        for stage in dataclasses.fields(Settings)
        for row in dataclasses.fields(getattr(Settings(), stage.name))
    ]


def changed(settings: Settings) -> tuple[Change, ...]:
    """The settings that differ from their defaults.

    Parameters
    ----------
    settings : Settings
        All stages.

    Returns
    -------
    tuple of Change
        Empty where nothing was changed.

    Examples
    --------
    >>> changed(with_values({"judge.confidence": "0.9"}))
    (Change(setting='judge.confidence', default=0.95, value=0.9),)
    """
    defaults = flat(Settings())
    return tuple(Change(k, defaults[k], v) for k, v in flat(settings).items() if v != defaults[k])


def with_values(values: dict[str, str]) -> Settings:
    """Settings with some values replaced, given as text.

    Parameters
    ----------
    values : dict
        ``stage.name`` → text.

    Returns
    -------
    Settings
        Checked against the limits.

    Raises
    ------
    SettingError
        Of an unknown name, or a value that is no number or outside its limits.

    Examples
    --------
    >>> with_values({"judge.neighbours": "12"}).judge.neighbours
    12
    """
    known: dict[str, Any] = {str(row["setting"]): row["default"] for row in listed()}
    stages: dict[str, dict[str, float | int | str]] = {}
    for name, text in values.items():
        if name not in known:
            near = difflib.get_close_matches(name, known, n=1)
            raise SettingError(
                f"there is no setting {name!r}",
                hint=f"did you mean {near[0]}" if near else f"the settings are {', '.join(known)}",
            )
        kind = type(known[name])
        try:
            value = kind(text)
        except ValueError:
            what = "a whole number" if kind is int else "a number"
            raise SettingError(f"{name} is {text!r}", hint=f"give {what}") from None
        stage, row = name.split(".")
        stages.setdefault(stage, {})[row] = value
    return dataclasses.replace(
        Settings(), **{k: dataclasses.replace(getattr(Settings(), k), **v) for k, v in stages.items()}
    )
