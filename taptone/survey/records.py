"""What a survey holds, a class a kind: who was told what, what was struck, heard, read, seen and left out.

Every kind is a frozen, checked value; the description of a field is what a message or a form tells to give.
What nobody stated is empty or None, never a guess. Nothing here knows how it is kept.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date as day
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError

from taptone.errors import SurveyError

__all__ = [
    "FILLED",
    "KINDS",
    "OBSERVATIONS",
    "URGENCIES",
    "Record",
    "checked",
    "fault_in",
    "kind_of",
]

#: How soon a finding wants attention, soonest first.
URGENCIES = ("before_use", "this_season", "watch", "note")

#: Words of the trade for what is seen, felt or heard by ear; any others may be written as well.
OBSERVATIONS = (
    *("weep", "stain", "rust stain", "crack", "crazing", "bulge"),
    *("hollow by ear", "soft spot", "blister", "felt dead by hand"),
)

_Line = Annotated[str, Field(pattern=r"^[^\x00-\x1f\x7f]+$")]
_Text = Annotated[str, Field(pattern=r"^[^\x00-\x08\x0b-\x1f\x7f]*$")]
_Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
_Day = Annotated[
    str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$"), AfterValidator(lambda s: str(day.fromisoformat(s)))
]
_Temperature = Annotated[float, Field(ge=-60, le=120)]


class Record(BaseModel):
    """One thing that is kept; `kind` names it."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True, allow_inf_nan=False)


class Boat(Record):
    """The boat, as the surveyor calls it."""

    label: _Line = Field(description="the boat's name")
    particulars: dict[str, _Text] = Field({}, description="anything else that identifies it, such as length")


class Visit(Record):
    """Who asked what, and who allowed it."""

    date: _Day = Field(description="the day, as 2026-05-14")
    place: _Text = Field("", description="where the boat stands")
    surveyor: _Text = Field("", description="who does the work")
    client: _Text = Field("", description="who asked for it: buyer, owner, yard, insurer")
    question: _Text = Field("", description="what they want to know")
    readers: _Text = Field("", description="who may read the result")
    consent: _Text = Field("", description="the owner's consent: to what, by whom, when, in writing or not")
    supported: _Text = Field("", description="how it stands: cradle, stands, trailer")


class Conditions(Record):
    """What it was like while one panel, or the whole boat, was tapped."""

    panel: _Text = Field("", description="the panel, or nothing for all of them")
    hours_ashore: float | None = Field(None, ge=0, description="hours since the boat was hauled out")
    rain_within_24h: bool | None = Field(None, description="yes or no")
    frozen_within_72h: bool | None = Field(None, description="yes or no")
    air_temp_c: _Temperature | None = Field(None, description="degrees Celsius")
    surface_temp_c: _Temperature | None = Field(None, description="degrees Celsius")
    sun: Literal["", "sun", "shade"] = Field("", description="sun or shade")
    wind: _Text = Field("", description="wind")
    noise: _Text = Field("", description="noise nearby")
    surface: _Text = Field("", description="dry, damp, wet, fouled; coatings and filler if known")
    tanks: _Text = Field("", description="tanks, bilges and lockers: full or empty, on which side")
    note: _Text = Field("", description="anything else")


class Hammer(Record):
    """What was struck with; taped is another hammer."""

    label: _Line = Field(description="the hammer's name, as in the panel file")
    mass_g: float | None = Field(None, gt=0, le=5000, description="grams")
    face: _Text = Field("", description="material, diameter, tape")


class Recorder(Record):
    """What listened."""

    label: _Line = Field(description="the recorder's name, as in the panel file")
    distance_m: float | None = Field(None, ge=0, le=20, description="metres from the tapped surface")
    note: _Text = Field("", description="where it stood, what was switched off in it")


class PanelFile(Record):
    """One surface that is to be tapped, as its panel file describes it."""

    name: _Line = Field(description="the panel's name")
    file: _Line = Field(description="its file, within the survey's folder")
    sha256: _Sha256 = Field(description="of that file")
    text: str = Field(description="the file's text")


class PlannedStation(Record):
    """A station of a panel, as planned."""

    panel: _Line
    label: _Line
    x_m: float
    y_m: float
    row: int
    role: Literal["panel", "reference"] = "panel"


class SoundFile(Record):
    """A recording, kept as it came."""

    file: _Line = Field(description="within the survey's folder")
    original: _Text = Field("", description="where it came from")
    sha256: _Sha256
    rate_hz: int = Field(gt=0)
    samples: int = Field(ge=0)
    panel: _Text = Field("", description="the panel that was tapped, or nothing")
    use: Literal["panel", "reference", "recheck", "other"] = Field(
        "panel", description="panel, reference, recheck or other: what was tapped"
    )
    device: _Text = Field("", description="what recorded it")
    started: _Text = Field("", description="when it began, as its file says")


class Analysis(Record):
    """One run of the program over a panel, and where its log lies."""

    panel: _Text = ""
    folder: _Line
    log_sha256: _Sha256
    recordings: list[_Sha256]
    baseline: _Text = ""
    settings: dict[str, Any]
    versions: dict[str, str]


class HeardTap(Record):
    """One contact, as measured in one analysis."""

    analysis: int
    recording: _Line
    sample: int
    time_s: float
    station: str = ""
    used: bool
    flags: list[str] = []
    measures: dict[str, float | None]


class StationVerdict(Record):
    """What one analysis said of one station."""

    analysis: int
    station: _Line
    x_m: float | None = None
    y_m: float | None = None
    taps: int
    verdict: Literal["suspect", "no difference", "at structure", "not assessed"]
    character: str = ""
    score: float | None = None
    chance_if_good: float | None = None
    confidence: float | None = None
    flags: list[str] = []
    reason: str = ""


class SuspectArea(Record):
    """Suspect stations that belong together, and how far they may reach."""

    analysis: int
    stations: list[str]
    at_least_m2: float
    at_most_m2: float
    detail: dict[str, Any] = {}


class Word(Record):
    """What the surveyor's own ear and hand say of a station."""

    panel: _Line = Field(description="the panel")
    station: _Line = Field(description="the station")
    word: _Line = Field(description="the surveyor's own word")
    ear_first: bool = Field(description="yes or no: given before the program's verdict was shown")


class Meter(Record):
    """A moisture meter; the level from which it warns is the surveyor's to set."""

    label: _Line = Field(description="what the meter is called here")
    scale: _Text = Field("", description="the scale it reads in, such as relative 0 to 999")
    mode: _Text = Field("", description="the mode it is set to, such as deep")
    warning_level: float | None = Field(None, description="the reading from which it warns, if one was set")


class Reading(Record):
    """One moisture reading."""

    panel: _Text = Field("", description="the panel")
    station: _Text = Field("", description="the station")
    place: _Text = Field("", description="the place in words, where there is no station")
    x_m: float | None = Field(None, description="metres along x from the datum")
    y_m: float | None = Field(None, description="metres along y from the datum")
    value: float = Field(description="what the meter shows")
    scale: _Text = Field("", description="the scale it reads in")
    meter: _Text = Field("", description="the meter")
    mode: _Text = Field("", description="the mode it is set to")
    over: _Text = Field("", description="metal behind: armature, ballast, keel; the reading is unreliable")
    note: _Text = Field("", description="anything else")


class Observation(Record):
    """What was seen or felt, on a panel or anywhere else on the boat."""

    what: _Line = Field(description=f"{', '.join(OBSERVATIONS)}, or anything in a few words")
    panel: _Text = Field("", description="the panel")
    station: _Text = Field("", description="the station")
    place: _Text = Field("", description="the place in words, where there is no station")
    x_m: float | None = Field(None, description="metres along x from the datum")
    y_m: float | None = Field(None, description="metres along y from the datum")
    text: _Text = Field("", description="what it looks like, how large, since when")
    urgency: Literal["", "before_use", "this_season", "watch", "note"] = Field(
        "", description="before_use, this_season, watch or note"
    )
    photo: _Text = Field("", description="a photo of this survey that shows it")


class Photo(Record):
    """A photo, kept as it came."""

    file: _Line = Field(description="within the survey's folder")
    original: _Text = Field("", description="where it came from")
    sha256: _Sha256
    panel: _Text = Field("", description="the panel")
    station: _Text = Field("", description="the station")
    caption: _Text = Field("", description="what it shows")


class Plug(Record):
    """An opening made to look, always by the owner's written permission."""

    panel: _Text = Field("", description="the panel")
    station: _Text = Field("", description="the station")
    place: _Text = Field("", description="the place in words, where there is no station")
    permission: _Line = Field(description="the owner's written permission: by whom, when")
    depth_mm: float | None = Field(None, ge=0, description="millimetres")
    seen: _Text = Field("", description="what was seen")
    closed_by: _Text = Field("", description="who closed it, how")


class Omission(Record):
    """What was not done, and why: as easy to say as its opposite."""

    what: _Line = Field(description="what was not done: tapping, moisture, an inside face …")
    panel: _Text = Field("", description="the panel")
    stations: list[str] = Field([], description="its stations; none: all of it")
    place: _Text = Field("", description="the place in words, where there is no panel")
    because: _Line = Field(description="why")


class Note(Record):
    """Anything else worth keeping."""

    text: _Text = Field(description="the note", min_length=1)
    panel: _Text = Field("", description="the panel")
    station: _Text = Field("", description="the station")


class Export(Record):
    """A file that was made for somebody."""

    file: _Line
    sha256: _Sha256
    what: _Text = ""


#: Every kind of record by its name, which is also its table's.
KINDS: dict[str, type[Record]] = {
    "boat": Boat,
    "visit": Visit,
    "conditions": Conditions,
    "hammer": Hammer,
    "recorder": Recorder,
    "panel": PanelFile,
    "station": PlannedStation,
    "recording": SoundFile,
    "analysis": Analysis,
    "tap": HeardTap,
    "verdict": StationVerdict,
    "area": SuspectArea,
    "word": Word,
    "meter": Meter,
    "reading": Reading,
    "observation": Observation,
    "photo": Photo,
    "plug": Plug,
    "omission": Omission,
    "note": Note,
    "export": Export,
}
#: What a program fills in: nobody may correct it by hand, for it can be held against a file.
FILLED: dict[str, tuple[str, ...]] = {
    "panel": tuple(PanelFile.model_fields),
    "station": tuple(PlannedStation.model_fields),
    "recording": ("file", "original", "sha256", "rate_hz", "samples"),
    "photo": ("file", "original", "sha256"),
    "export": ("file", "sha256"),
    **{kind: tuple(KINDS[kind].model_fields) for kind in ("analysis", "tap", "verdict", "area")},
}
_NAMES = {made: kind for kind, made in KINDS.items()}


def kind_of(record: Record | type[Record]) -> str:
    """Name of a kind.

    Parameters
    ----------
    record : Record or type
        One of :data:`KINDS`.

    Returns
    -------
    str
        Its name.

    Examples
    --------
    >>> kind_of(Boat(label="Lantern"))
    'boat'
    """
    return _NAMES[record if isinstance(record, type) else type(record)]


def checked(kind: str, **values: object) -> Record:
    """Make a record, or say in one line what is wrong with it.

    Parameters
    ----------
    kind : str
        A key of :data:`KINDS`.
    **values
        Its fields.

    Returns
    -------
    Record
        Checked.

    Raises
    ------
    SurveyError
        If a field is missing, unknown or out of its limits.

    Examples
    --------
    >>> checked("boat", label="Lantern").label
    'Lantern'
    >>> checked("hammer", label="60 g steel", mass_g=-1)
    Traceback (most recent call last):
        ...
    taptone.errors.SurveyError: hammer, mass_g is -1: give grams
    """
    try:
        return KINDS[kind](**values)
    except ValidationError as error:
        raise _told(kind, error.errors(include_url=False)[0], values) from error


def fault_in(kind: str, name: str, value: object) -> str:
    """What is wrong with one field of a record, whatever the others are.

    Parameters
    ----------
    kind : str
        A key of :data:`KINDS`.
    name : str
        The field.
    value : object
        Its value.

    Returns
    -------
    str
        One line; empty if nothing is wrong.

    Examples
    --------
    >>> fault_in("visit", "date", "2026-02-30")
    "visit, date is '2026-02-30': give the day, as 2026-05-14"
    >>> fault_in("visit", "place", "the yard")
    ''
    """
    try:
        KINDS[kind](**{name: value})
    except ValidationError as error:
        for fault in error.errors(include_url=False):
            if fault["loc"][:1] == (name,):
                return str(_told(kind, fault, {name: value}))
    return ""


def _told(kind: str, fault: Any, values: Mapping[str, object]) -> SurveyError:
    """A fault as pydantic found it, in one line."""
    made = KINDS[kind]
    key = str(fault["loc"][0]) if fault["loc"] else ""
    field = made.model_fields.get(key)
    if field is None and key:
        return SurveyError(f"{kind}, {key} is not known", hint=f"known are {', '.join(made.model_fields)}")
    wanted = (field.description if field else None) or fault["msg"]
    state = "is missing" if fault["type"] == "missing" else f"is {_short(repr(values.get(key)))}"
    return SurveyError(f"{kind}, {key} {state}", hint=f"give {wanted}")


def _short(text: str) -> str:
    return text if len(text) <= 80 else f"{text[:77]}…"
