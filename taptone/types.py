"""The nouns: frozen values that every room passes on. Standard library and numpy only.

Units stand in the names (``_s``, ``_ms``, ``_hz``, ``_db``, ``_m``). Seconds and metres outside, samples
inside. A number that could not be measured is ``nan``, never zero; it is written as an empty cell.
Arrays are made read-only when a value is built.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BAND_CENTRES_HZ",
    "BAND_NAMES_HZ",
    "MEASURE_NAMES",
    "Area",
    "Change",
    "Drift",
    "Earlier",
    "Finding",
    "FloatArray",
    "Laminate",
    "Measured",
    "Panel",
    "Place",
    "Point",
    "Recording",
    "Reference",
    "Rejected",
    "Result",
    "Scorer",
    "Sound",
    "Station",
    "Structure",
    "Tap",
    "locked",
]

FloatArray = NDArray[np.float64]

#: Exact base-ten third-octave centres from 100 Hz to 16 kHz (IEC 61260-1:2014, G = 10**0.3).
BAND_CENTRES_HZ: tuple[float, ...] = tuple(1000.0 * 10.0 ** (0.1 * k) for k in range(-10, 13))

#: Least ``ring_db`` and ``early_ring_db``: what falls further is hardly there.
RING_FLOOR_DB = -30.0

#: Nominal centres of the same bands (IEC 61260-1:2014), by which they are called.
BAND_NAMES_HZ: tuple[int, ...] = tuple(
    round(nominal * decade)
    for decade in (1, 10, 100)
    for nominal in (100, 125, 160, 200, 250, 315, 400, 500, 630, 800)
)[: len(BAND_CENTRES_HZ)]


def locked(values: object, dtype: type = float) -> NDArray[np.generic]:
    """Return `values` as an array that cannot be written to.

    Parameters
    ----------
    values : array_like
        Anything that numpy can make an array of; it is copied.
    dtype : type, default float
        Type of the numbers.

    Returns
    -------
    ndarray
        Same shape as `values`, read-only.

    Examples
    --------
    >>> locked([1.0, 2.0]).flags.writeable
    False
    """
    array: NDArray[np.generic] = np.array(values, dtype=dtype)
    array.setflags(write=False)
    return array


# -- sound ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Recording:
    """What is known of one sound file, before anything is heard in it.

    ``sha256`` is of the file as it is on disk. ``channel`` counts from 1 and names the one that was
    listened to. ``samples`` is what could be decoded, after a codec's start delay was taken off.
    """

    name: str
    sha256: str
    rate_hz: int
    samples: int
    channels: int = 1
    channel: int = 1
    container: str = ""
    codec: str = ""
    decoder: str = ""
    notes: tuple[str, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.samples / self.rate_hz


class Sound(Protocol):
    """Anything that can be listened to: a file, or an array in a test."""

    @property
    def recording(self) -> Recording:
        """What is known of it."""

    def blocks(self) -> Iterator[NDArray[np.floating]]:
        """Yield mono samples in order, full scale ±1, in blocks of any size; may be called again."""


@dataclass(frozen=True, slots=True, eq=False)
class Tap:
    """One contact, as heard: where it starts and the sound around it.

    Its identity is ``recording`` and ``sample`` (the first sample that reached the microphone).
    ``clip`` starts at sample ``clip_start`` of the recording; ``end`` (clip index, exclusive) is where
    the part to be measured stops: the next contact, or the end of the clip. ``noise`` is a quiet
    stretch of the same recording, near by.
    """

    recording: str
    sample: int
    rate_hz: int
    clip_start: int
    clip: NDArray[np.float32]
    end: int
    noise: NDArray[np.float32]
    flags: tuple[str, ...] = ()
    bounce_gap_ms: float = math.nan

    @property
    def onset(self) -> int:
        """Index of the onset within ``clip``."""
        return self.sample - self.clip_start

    @property
    def time_s(self) -> float:
        """Onset in seconds from the start of the recording."""
        return self.sample / self.rate_hz


@dataclass(frozen=True, slots=True)
class Rejected:
    """Something loud that was not taken for a tap, and why; ``perhaps``: it might have been one after all."""

    recording: str
    sample: int
    rate_hz: int
    reason: str
    perhaps: bool = False

    @property
    def time_s(self) -> float:
        """Start in seconds from the start of the recording."""
        return self.sample / self.rate_hz


@dataclass(frozen=True, slots=True)
class Finding:
    """What a recorder or a room did to one recording, as :mod:`taptone.pipeline.health` names it.

    ``evidence`` says in numbers what it rests on, ``strength`` (in ``unit``) how strong it is; ``blocks``
    that nothing in this recording is judged because of it.
    """

    recording: str
    name: str
    evidence: str
    strength: float
    unit: str
    blocks: bool = False


#: Scalar measures of a tap, in the order of the columns of ``taps.csv``.
MEASURE_NAMES: tuple[str, ...] = (
    "level_dbfs",
    "snr_db",
    "decay_ms",
    "decay_from_db",
    "decay_to_db",
    "decay_bend_db",
    "mode_decay_ms",
    "mode_hz",
    "centroid_hz",
    "bandwidth_hz",
    "balance_db",
    "contact_ms",
    "ring_db",
    "early_ring_db",
    "bounce_gap_ms",
)


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """One tap and its measures; the sound itself is left behind.

    ``values`` holds a number for every name in :data:`MEASURE_NAMES` (``nan`` where it could not be
    measured), ``bands_db`` the energy in each third-octave of :data:`BAND_CENTRES_HZ`.
    """

    recording: str
    sample: int
    rate_hz: int
    values: Mapping[str, float]
    bands_db: tuple[float, ...] = ()
    flags: tuple[str, ...] = ()

    @property
    def time_s(self) -> float:
        """Onset in seconds from the start of the recording."""
        return self.sample / self.rate_hz

    def __getitem__(self, name: str) -> float:
        return self.values[name]


# -- panel ---------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Station:
    """A planned point: label, place in metres along the skin, and the row it is tapped in (from 0)."""

    label: str
    x_m: float
    y_m: float
    row: int = 0
    role: str = "panel"  # or "reference"


@dataclass(frozen=True, slots=True)
class Structure:
    """A declared frame, bulkhead, core edge, fitting …: ``line`` with a width, or a closed ``outline``."""

    kind: str
    line: tuple[tuple[float, float], ...] = ()
    outline: tuple[tuple[float, float], ...] = ()
    width_m: float = 0.0
    declared: str = ""
    evidence: str = ""
    declared_after_tapping: bool = False


@dataclass(frozen=True, slots=True)
class CutOut:
    """A hatch, a fitting …: an outline inside a panel in which nothing is tapped."""

    outline: tuple[tuple[float, float], ...]
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Laminate:
    """What was stated of how a panel is built: the struck skin, and the core behind it.

    ``core`` is ``foam``, ``balsa``, ``ply`` or ``none`` (``core_mm`` is 0 then); ``nan`` where a number was
    not stated.
    """

    skin_mm: float
    core: str
    core_mm: float = 0.0
    skin_modulus_gpa: float = math.nan
    core_density_kg_m3: float = math.nan


@dataclass(frozen=True, slots=True)
class Panel:
    """One surface of one construction, its axes, its stations in tapping order, its structure.

    What was not stated is an empty string or ``nan``; ``cautions`` holds one line for each such thing.
    ``row_marks``: each row ends with two quick strikes and rest, and so does each part of ``mark_every``
    stations within it (0: no parts). ``swept_rows`` are struck quickly between their first and last station,
    as often as it comes.
    """

    name: str
    side: str
    face: str
    construction: str
    datum: str
    outline: tuple[tuple[float, float], ...]
    stations: tuple[Station, ...]
    taps_per_station: int = 1
    spacing_m: float = math.nan
    path: str = ""
    boat: str = ""
    hammer: str = ""
    recorder: str = ""
    surface_temp_c: float = math.nan
    conditions: Mapping[str, str | float | bool] = field(default_factory=dict)
    mirror_of: str = ""
    opposite_face_of: str = ""
    down: str = ""
    structures: tuple[Structure, ...] = ()
    laminate: Laminate | None = None
    sha256: str = ""
    cautions: tuple[str, ...] = ()
    pattern: str = "square"  # or "staggered"
    edge_margin_m: float = 0.0
    cutouts: tuple[CutOut, ...] = ()
    row_marks: bool = False
    mark_every: int = 0
    swept_rows: tuple[int, ...] = ()

    @property
    def row_names(self) -> dict[str, int]:
        """Letters of each row, or number of each column, to its `Station.row`; empty without such labels."""
        labels: dict[int, list[re.Match[str] | None]] = {}
        for station in self.stations:
            labels.setdefault(station.row, []).append(re.match(r"([A-Z]+)(\d+)", station.label))
        for part in (1, 2):
            rows = [(row, {m[part] if m else "" for m in found}) for row, found in labels.items()]
            names = {min(own): row for row, own in rows if len(own) == 1 and "" not in own}
            if len(names) == len(labels):
                return names
        return {}


@dataclass(frozen=True, slots=True)
class Place:
    """Taps tied to one station (indices into the list of taps), or the reason why none are.

    ``taps`` may be filled although ``reason`` is set: they were heard there, but cannot be trusted to
    belong there.
    """

    station: Station
    taps: tuple[int, ...] = ()
    flags: tuple[str, ...] = ()
    reason: str = ""


# -- judgement -----------------------------------------------------------------------------------------


class Scorer(Protocol):
    """What ``compare`` and ``judge`` need of a model of good laminate; see ``model.baseline``."""

    location_: FloatArray
    n_places_: int
    held_out_: FloatArray  # score of each row it was fitted to, by a fit without it

    def fit(
        self,
        X: FloatArray,
        *,
        groups: NDArray[np.intp] | None = None,
        dips: FloatArray | None = None,
        every_way: bool = False,
    ) -> Scorer:
        """Learn from places (rows) and features (columns); rows of one group are held out together.

        Of the ways in `dips` (rows), the one that explains most of a difference, downward, does not count.
        `every_way`: what is else not held against a place counts too.
        """

    def score_samples(self, X: FloatArray) -> FloatArray:
        """Distance from good; 0 = as the reference."""

    def counted(self, X: FloatArray) -> FloatArray:
        """Rows as their scores count them: with the dip taken out."""

    def chance_if_good(self, score: FloatArray, *, usual: bool = False) -> FloatArray:
        """Share of good places expected to score at least this much; `usual`: if they held no surprises."""


@dataclass(frozen=True, slots=True, eq=False)
class HammerSound:
    """How the strikes of one hammer begin, by which they are known among other sounds.

    ``shape_db`` and ``stray_db`` have a value for each band between ``edges_hz``: its level over that of all
    bands together, and how far strikes stray from it; ``nan`` where nothing was heard.
    """

    edges_hz: tuple[float, ...]
    shape_db: FloatArray
    stray_db: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Reference:
    """Known-good places of one boat, construction, hammer and recorder, as a baseline file holds them.

    ``bands_db`` has shape (places, bands of :data:`BAND_CENTRES_HZ`), ``measures`` a row a place. ``health``
    is what its own recordings had, ``sensitivity`` how far each fault moves its decay and centroid (see
    :mod:`taptone.pipeline.faults`). ``strikes`` is how its strikes begin; None in files from before this was
    kept.
    """

    boat: str
    construction: str
    hammer: str
    recorder: str
    surface_temp_c: float
    rate_hz: int
    measures: tuple[Mapping[str, float], ...]
    bands_db: FloatArray
    labels: tuple[str, ...]
    taps: tuple[int, ...]
    recordings: tuple[Mapping[str, object], ...] = ()
    settings: Mapping[str, object] = field(default_factory=dict)
    version: str = ""
    sha256: str = ""
    health: tuple[Finding, ...] = ()
    sensitivity: tuple[Mapping[str, object], ...] = ()
    strikes: HammerSound | None = None

    @property
    def n_places(self) -> int:
        """Number of places."""
        return len(self.measures)


@dataclass(frozen=True, slots=True)
class Point:
    """A row of the tapped-point log: one station (or one tap, where there is no panel)."""

    panel: str
    station: str
    x_m: float
    y_m: float
    taps: int
    recordings: tuple[str, ...]
    samples: tuple[int, ...]
    time_s: float
    verdict: str
    character: str = ""
    score: float = math.nan
    chance_if_good: float = math.nan
    confidence: float = math.nan
    spread: float = math.nan
    decay_ms: float = math.nan
    centroid_hz: float = math.nan
    reference_decay_ms: float = math.nan
    reference_centroid_hz: float = math.nan
    neighbour_decay_ms: float = math.nan
    neighbour_centroid_hz: float = math.nan
    mirror_station: str = ""
    flags: tuple[str, ...] = ()
    reason: str = ""
    surveyor_word: str = ""


@dataclass(frozen=True, slots=True)
class Area:
    """Suspect stations that belong together, and how far they may reach.

    ``at_least`` and ``at_most`` are one closed ring each (``at_least``: one place for a lone station, two for
    stations in a line); ``best_guess`` is as many as it takes, a ring within another being a hole.
    ``left_out`` names the stations inside ``at_least`` that are not suspect, whose cells its m² leave out;
    ``bounded_by`` the stations without a difference that ``at_most`` reaches to. ``open`` says on which sides
    none does, ``at_edge`` on which sides the panel ends first. ``doubt_m2`` lies between the suspect stations
    and the good ones round them, where taps can tell; rim and aim come on top. ``rim_m`` is how far beyond a
    station without a difference loose skin may still reach. ``x_m``, ``y_m`` is the middle, ``place`` how to
    find it again.
    """

    stations: tuple[str, ...]
    at_least_m2: float
    at_most_m2: float
    at_least: tuple[tuple[float, float], ...]
    at_most: tuple[tuple[float, float], ...]
    best_guess_m2: float = math.nan
    best_guess: tuple[tuple[tuple[float, float], ...], ...] = ()
    left_out: tuple[str, ...] = ()
    bounded_by: tuple[str, ...] = ()
    open: tuple[str, ...] = ()
    at_edge: tuple[str, ...] = ()
    doubt_m2: float = math.nan
    rim_m: float = math.nan
    x_m: float = math.nan
    y_m: float = math.nan
    place: str = ""


@dataclass(frozen=True, slots=True)
class Drift:
    """One measure of reference places struck again, against the same or other places before.

    ``uncertain_percent`` is the half width at 99 %. ``found`` is ``none``; ``drift``: surely moved; or
    ``beyond``: surely moved, and by more than half the reference spread, so that ``stations``, tapped
    between, are not judged.
    """

    measure: str
    first: str
    later: str
    places: int
    again: int
    paired: bool
    shift_percent: float
    uncertain_percent: float
    half_spread_percent: float
    found: str
    stations: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Earlier:
    """Another panel as an earlier log holds it: its stations, how they sounded, how they were judged.

    ``bands_db`` has shape (stations, bands of :data:`BAND_CENTRES_HZ`); a row of ``nan`` where a station was
    not assessed. ``early_ring_db`` holds ``nan`` where a log is from before it was kept. ``recordings`` are
    the SHA-256 of those its stations were struck in.
    """

    panel: str
    stated: Mapping[str, str]
    labels: tuple[str, ...]
    xy_m: FloatArray
    bands_db: FloatArray
    ring_db: FloatArray
    early_ring_db: FloatArray
    verdicts: tuple[str, ...]
    chance_if_good: FloatArray
    sha256: str = ""
    recordings: tuple[str, ...] = ()
    settings: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Change:
    """A setting that differs from its default."""

    setting: str
    default: object
    value: object


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """Everything one analysis found, ready to be written.

    ``stated`` is what was stated beside the panel file; ``smallest`` what size of patch would have been
    noticed.
    """

    panel: Panel | None
    recordings: tuple[Recording, ...]
    points: tuple[Point, ...]
    taps: tuple[Measured, ...]
    tap_station: tuple[str, ...]
    tap_used: tuple[bool, ...]
    rejected: tuple[Rejected, ...]
    areas: tuple[Area, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]
    relative_to: str
    baseline: Mapping[str, object] = field(default_factory=dict)
    settings: Mapping[str, object] = field(default_factory=dict)
    changes: tuple[Change, ...] = ()
    versions: Mapping[str, str] = field(default_factory=dict)
    drift: tuple[Drift, ...] = ()
    mirror: Mapping[str, object] = field(default_factory=dict)
    stated: Mapping[str, object] = field(default_factory=dict)
    smallest: Mapping[str, object] = field(default_factory=dict)
    health: tuple[Finding, ...] = ()
