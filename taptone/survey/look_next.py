"""What to look at next: plain questions of the trade, for each place where something differed.

The questions stand in a file that anybody can edit. They ask and never conclude, and none proposes to open
anything up: a file that does is refused.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from taptone.errors import SurveyError
from taptone.survey.meeting import KINDS_OF_EVIDENCE, Joined, Line
from taptone.survey.records import Observation, SuspectArea

if TYPE_CHECKING:
    from taptone.types import Panel

__all__ = ["Asked", "Prompt", "Spot", "look_next", "parse_prompts", "spots"]

On = Literal["area", "meeting", "finding", "survey"]
_Kind = Literal["heard", "readings", "seen"]
_Missing = Literal["heard", "readings", "seen", "photo", "mirror", "opposite face"]
_Word = Annotated[str, Field(min_length=1)]

#: How near declared structure is asked about, as the half metre round a keel joint that is sounded with it:
#: common practice, no source.
NEAR_M = 0.5

#: What no question may propose, even as a question: that is the owner's to decide.
_OPENING = re.compile(
    r"\b(drill|hole[ -]?saw|bor(e|ing)\b|core (sample|plug)|cut (it |this )?open|open(ed)? up)"
)


class Prompt(BaseModel):
    """One question, where it is asked, and the kind of its source; an empty list sets no condition."""

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, str_strip_whitespace=True)

    ask: str = Field(pattern=r"^[^\x00-\x1f\x7f]+\?$", description="one question, with its question mark")
    source: Literal["trade article", "published guidance", "owners' forum", "common practice, no source"] = (
        Field(
            description='"trade article", "published guidance", "owners\' forum" or '
            '"common practice, no source"'
        )
    )
    on: list[On] = Field(min_length=1, description='a list of "area", "meeting", "finding", "survey"')
    kinds: list[_Kind] = Field([], description='a list of "heard", "readings", "seen"')
    lacking: list[_Missing] = Field(
        [], description='a list of "heard", "readings", "seen", "photo", "mirror", "opposite face"'
    )
    near: list[_Word] = Field([], description="a list of words in quotes")
    not_near: list[_Word] = Field([], description="a list of words in quotes")
    seen: list[_Word] = Field([], description="a list of words in quotes")
    said: list[_Word] = Field([], description="a list of words in quotes")
    urgency: list[Literal["before_use", "this_season", "watch", "note"]] = Field(
        [], description='a list of "before_use", "this_season", "watch", "note"'
    )


class _File(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    prompt: list[Prompt] = Field(min_length=1, description="[[prompt]] with ask, source and on below it")


@dataclass(frozen=True, slots=True)
class Spot:
    """A place where something differed, and what is known there.

    ``has`` names the evidence and the comparisons that are there; ``near`` and ``seen`` are text to find
    words in.
    """

    on: tuple[On, ...]
    called: str
    kinds: tuple[str, ...] = ()
    has: frozenset[str] = frozenset()
    near: str = ""
    seen: str = ""
    urgency: str = ""


@dataclass(frozen=True, slots=True)
class Asked:
    """A place and the questions that are asked there."""

    spot: Spot
    prompts: tuple[Prompt, ...]


def parse_prompts(text: str, *, source: str) -> tuple[Prompt, ...]:
    """Read a file of questions.

    Parameters
    ----------
    text : str
        TOML, as in ``taptone/survey/look_next.toml``.
    source : str
        Its name, for messages.

    Returns
    -------
    tuple of Prompt
        In their order.

    Raises
    ------
    SurveyError
        If it is not TOML, a key is missing, unknown or has a wrong value, or a question proposes to open
        something up.

    Examples
    --------
    >>> [one] = parse_prompts('''
    ... [[prompt]]
    ... on = ["area"]
    ... ask = "Can the inside face be reached?"
    ... source = "trade article"
    ... ''', source="mine.toml")
    >>> one.source
    'trade article'
    """
    try:
        prompts = _File.model_validate(tomllib.loads(text.removeprefix("\ufeff"))).prompt
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise SurveyError(f"{source} is not TOML: {error}", hint="correct that line") from error
    except ValidationError as error:
        raise _fault(error, source) from error
    for number, prompt in enumerate(prompts, start=1):
        if _OPENING.search(prompt.ask.casefold()):
            raise SurveyError(
                f"{source}: prompt {number} proposes to open something up",
                hint="leave that to the owner and a qualified surveyor",
            )
    return tuple(prompts)


def spots(
    joined: Joined,
    areas: Mapping[str, Sequence[SuspectArea]],
    panels: Mapping[str, Panel],
    photos: Collection[tuple[str, str]] = (),
) -> tuple[Spot, ...]:
    """Places to ask about: findings to see to before use, suspect areas, other meetings, other findings.

    Parameters
    ----------
    joined : Joined
        The joined log.
    areas : mapping
        Suspect areas by panel.
    panels : mapping
        Panels by name. Where the mirror or the opposite face of one was tapped too, that is not asked for.
    photos : collection of (str, str)
        Panel and station of each photo; an empty station is of the whole panel.

    Returns
    -------
    tuple of Spot
        In that order.

    Examples
    --------
    >>> alone = SuspectArea(analysis=1, stations=["B3"], at_least_m2=0, at_most_m2=0.02)
    >>> [(s.on, s.called) for s in spots(Joined((), (), ()), {"keel": [alone]}, {})]
    [(('area',), 'keel, B3')]
    """
    lines = {(line.panel, line.called): line for line in joined.lines}
    tapped = {line.panel for line in joined.lines if line.verdict}
    sides = {name: _compared(name, panels, tapped) for name in panels}
    found, told = [], set()
    for name, several in areas.items():
        for area in several:
            here = [m for m in joined.meetings if m.panel == name and set(m.places) & set(area.stations)]
            told |= {id(m) for m in here}
            places = tuple(dict.fromkeys([*area.stations, *(p for m in here for p in m.places)]))
            on: tuple[On, ...] = ("area", "meeting") if here else ("area",)
            found.append(
                _spot(on, name, places, [lines.get((name, p)) for p in places], panels, sides, photos)
            )
    for meeting in joined.meetings:
        if id(meeting) not in told:
            own = [lines.get((meeting.panel, place)) for place in meeting.places]
            found.append(_spot(("meeting",), meeting.panel, meeting.places, own, panels, sides, photos))
    findings = [_finding(o, photos) for o in joined.findings]
    first = [one for one in findings if one.urgency == "before_use"]
    return (*first, *found, *(one for one in findings if one not in first))


def look_next(found: Sequence[Spot], prompts: Sequence[Prompt], said: str = "") -> tuple[Asked, ...]:
    """Which questions are asked at which place.

    Parameters
    ----------
    found : sequence of Spot
        Places where something differed.
    prompts : sequence of Prompt
        The file's questions.
    said : str, optional
        Everything that was written on this visit, to find words in.

    Returns
    -------
    tuple of Asked
        In the order of the places, then what is asked once for the whole visit; without any place, nothing.

    Examples
    --------
    >>> ask = Prompt(ask="Has she taken the ground?", source="trade article", on=["area"], near=["keel"])
    >>> [asked] = look_next([Spot(("area",), "keel, B3", near="keel, port")], [ask])
    >>> asked.prompts[0].ask
    'Has she taken the ground?'
    """
    every = (*found, Spot(("survey",), "the whole visit")) if found else ()
    asked = (Asked(spot, tuple(p for p in prompts if _asked(p, spot, said))) for spot in every)
    return tuple(one for one in asked if one.prompts or one.spot.on != ("survey",))


def _asked(prompt: Prompt, spot: Spot, said: str) -> bool:
    return (
        bool(set(prompt.on) & set(spot.on))
        and set(prompt.kinds) <= set(spot.kinds)
        and not set(prompt.lacking) & spot.has
        and (not prompt.urgency or spot.urgency in prompt.urgency)
        and _found(prompt.near, spot.near)
        and not (prompt.not_near and _found(prompt.not_near, spot.near))
        and _found(prompt.seen, spot.seen)
        and _found(prompt.said, said)
    )


def _found(words: Sequence[str], text: str) -> bool:
    """Whether one of the words begins a word of the text, or none is asked for."""
    text = text.casefold().replace("_", " ")
    return not words or any(re.search(rf"(?<!\w){re.escape(word.casefold())}", text) for word in words)


def _spot(
    on: tuple[On, ...],
    name: str,
    places: Sequence[str],
    lines: Sequence[Line | None],
    panels: Mapping[str, Panel],
    sides: Mapping[str, set[str]],
    photos: Collection[tuple[str, str]],
) -> Spot:
    here = [line for line in lines if line is not None]
    differs = {kind for line in here for kind in line.differs} | ({"heard"} if "area" in on else set())
    has = {kind for kind in KINDS_OF_EVIDENCE if any(getattr(line, kind) for line in here)}
    if any((name, place) in photos for place in ("", *places)):
        has.add("photo")
    panel = panels.get(name)
    near = [name, *(line.place for line in here)]
    if panel is not None:
        near += [panel.construction, *_structure(panel, here)]
        has |= sides[name]
    return Spot(
        on,
        ", ".join(part for part in (name, *places) if part),
        tuple(kind for kind in KINDS_OF_EVIDENCE if kind in differs),
        frozenset(has),
        "; ".join(near),
        "; ".join(f"{line.seen}; {line.heard}" for line in here),
    )


def _compared(name: str, panels: Mapping[str, Panel], tapped: Collection[str]) -> set[str]:
    """Which other side of a panel was tapped as well; either of two may name the other."""
    own = panels[name]
    others = [other for other in panels.values() if other.name in tapped and other is not own]
    found = set()
    if any(other.name == own.mirror_of or other.mirror_of == name for other in others):
        found.add("mirror")
    if any(other.name == own.opposite_face_of or other.opposite_face_of == name for other in others):
        found.add("opposite face")
    return found


def _structure(panel: Panel, lines: Sequence[Line]) -> list[str]:
    """Kinds of declared structure near a place."""
    import dataclasses

    from taptone.survey.panel import on_structure

    return [
        one.kind
        for one in panel.structures
        for alone in (dataclasses.replace(panel, structures=(one,)),)
        if any(on_structure(alone, line.x_m, line.y_m, NEAR_M) for line in lines if line.x_m == line.x_m)
    ]


def _finding(o: Observation, photos: Collection[tuple[str, str]]) -> Spot:
    shown = bool(o.photo) or bool(o.panel and (o.panel, "") in photos)
    return Spot(
        ("finding",),
        ", ".join(part for part in (o.what, o.panel, o.place) if part),
        ("seen",),
        frozenset({"seen", "photo"} if shown else {"seen"}),
        "; ".join((o.panel, o.place, o.what)),
        "; ".join((o.what, o.text)),
        o.urgency,
    )


def _fault(error: ValidationError, source: str) -> SurveyError:
    """Say in one line which question is wrong, and what to write."""
    fault = error.errors(include_url=False)[0]
    where = [*fault["loc"], "", ""]
    number, key = (where[1], where[2]) if isinstance(where[1], int) else ("", where[0])
    called = f"{source}: prompt {number + 1}" if isinstance(number, int) else f"{source}"
    if isinstance(number, int) and not key:
        return SurveyError(f"{called} is no table", hint="write [[prompt]] with its keys below it")
    made: type[BaseModel] = Prompt if isinstance(number, int) else _File
    field = made.model_fields.get(str(key))
    if field is None:
        return SurveyError(f"{called}, {key} is not known", hint=f"known are {', '.join(made.model_fields)}")
    state = "is missing" if fault["type"] == "missing" else "is not right"
    return SurveyError(f"{called}, {key} {state}", hint=f"write {field.description}")
