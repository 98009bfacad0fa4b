"""How far a survey is: what was planned, what was done, what was not and why."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass

from taptone.errors import PanelError
from taptone.survey.layouts import station_at
from taptone.survey.panel import parse_panel
from taptone.survey.records import (
    Analysis,
    Conditions,
    Omission,
    PanelFile,
    Photo,
    PlannedStation,
    Reading,
    Record,
    SoundFile,
    StationVerdict,
    Visit,
    Word,
)

__all__ = ["PanelStatus", "Surveyed", "status", "still_open", "still_there", "visit_lacks", "visit_told"]

_TAPPING, _MOISTURE = ("tapping", "tapped", "sounding"), ("moisture",)
_REFERENCE, _RECHECK, _PHOTO = ("reference",), ("recheck", "re-check"), ("photo",)

#: What is written down of a visit before anything is struck, in the words of a message.
_OF_VISIT = {
    "consent": "the owner's consent",
    "surveyor": "who does the work",
    "client": "who asked for it",
    "question": "what they want to know",
    "readers": "who may read the result",
    "place": "where the boat stands",
    "supported": "how it stands",
}
#: The same of conditions, a panel at a time. Common practice; dry and clean: AC 43.13-1B, tap testing.
_OF_CONDITIONS = {
    "hours_ashore": "hours ashore",
    "rain_within_24h": "rain within 24 h",
    "frozen_within_72h": "frost within 72 h",
    "air_temp_c": "air temperature",
    "surface_temp_c": "surface temperature",
    "sun": "sun or shade",
    "wind": "wind",
    "noise": "noise nearby",
    "surface": "surface and coatings",
    "tanks": "tanks and lockers",
}


@dataclass(frozen=True, slots=True)
class Surveyed:
    """What a survey holds of its panels; ``analyses`` are numbered as in the store."""

    panels: Sequence[PanelFile]
    stations: Sequence[PlannedStation]
    recordings: Sequence[SoundFile] = ()
    analyses: Sequence[tuple[int, Analysis]] = ()
    verdicts: Sequence[StationVerdict] = ()
    words: Sequence[Word] = ()
    readings: Sequence[Reading] = ()
    conditions: Sequence[Conditions] = ()
    omissions: Sequence[Omission] = ()
    visits: Sequence[Visit] = ()
    photos: Sequence[Photo] = ()


@dataclass(frozen=True, slots=True)
class PanelStatus:
    """How far one panel is.

    ``not_tapped`` and ``unclear`` (tapped, not assessed) hold stations and the reason, empty where none was
    given; ``left_out`` what else was not done, and why; ``lacks`` what nobody wrote down of its conditions;
    ``earlier`` what was said of places where no station lies since the panel was changed.
    """

    panel: str
    planned: int
    tapped: int
    suspect: int
    not_assessed: int
    recordings: int
    analyses: int
    words: int
    readings: int
    no_moisture_because: str
    conditions: bool
    not_tapped: tuple[tuple[tuple[str, ...], str], ...] = ()
    unclear: tuple[tuple[tuple[str, ...], str], ...] = ()
    reference: str = ""
    rechecks: int = 0
    photos: int = 0
    left_out: tuple[tuple[str, str], ...] = ()
    lacks: tuple[str, ...] = ()
    earlier: tuple[str, ...] = ()


def status(survey: Surveyed) -> tuple[PanelStatus, ...]:
    """How far each panel is, by its latest analysis.

    Parameters
    ----------
    survey : Surveyed
        What the survey holds.

    Returns
    -------
    tuple of PanelStatus
        In the order in which the panels were added.

    Examples
    --------
    >>> blade = PanelFile(name="blade", file="panels/blade.toml", sha256="0" * 64, text="")
    >>> here = [PlannedStation(panel="blade", label=f"A{n}", x_m=n / 10, y_m=0, row=0) for n in (1, 2)]
    >>> late = Omission(what="tapping", panel="blade", stations=["A2"], because="stand pad")
    >>> [one] = status(Surveyed([blade], here, omissions=[late]))
    >>> one.not_tapped
    ((('A2',), 'stand pad'), (('A1',), ''))
    """
    return tuple(_status(panel.name, survey) for panel in survey.panels)


def still_there(planned: PlannedStation | None, verdict: StationVerdict) -> bool:
    """Whether a verdict is of the place that its station is today; a changed panel moves its labels.

    Parameters
    ----------
    planned : PlannedStation or None
        The station of that label, if there is one.
    verdict : StationVerdict
        Of an earlier or the same layout, in metres.

    Returns
    -------
    bool
        Also where the verdict does not say where it was.

    Examples
    --------
    >>> here = PlannedStation(panel="blade", label="A2", x_m=0.3, y_m=0.1, row=0)
    >>> heard = StationVerdict(analysis=1, station="A2", x_m=0.15, y_m=0.1, taps=1, verdict="suspect")
    >>> still_there(here, heard)
    False
    """
    if planned is None:
        return False
    if verdict.x_m is None or verdict.y_m is None:
        return True
    return station_at([planned], planned.label, verdict.x_m, verdict.y_m) is not None


def still_open(one: PanelStatus) -> tuple[str, ...]:
    """What of a panel is neither done nor said to be left undone.

    Parameters
    ----------
    one : PanelStatus
        How far it is.

    Returns
    -------
    tuple of str
        One line each, empty when the panel can be closed.

    Examples
    --------
    >>> still_open(PanelStatus("blade", 4, 4, 0, 0, 1, 1, 0, 3, "", True, reference="a baseline"))
    ('no reference struck again: do it, or say why not', 'no photo: take one, or say why not')
    """
    lines = []
    for stations, reason in one.not_tapped:
        if not reason:
            few = f"{', '.join(stations[:3])} …" if len(stations) > 4 else ", ".join(stations)
            lines.append(
                f"{len(stations)} of {one.planned} stations not tapped ({few}): tap them, or say why"
            )
    if one.recordings and not one.analyses:
        lines.append("recorded, not analysed")
    if not one.readings and not one.no_moisture_because:
        lines.append("no moisture reading: take one, or say why not")
    if one.tapped or one.recordings:
        for there, words, line in (
            (one.reference, _REFERENCE, "no reference taps: record them, or say why not"),
            (one.rechecks, _RECHECK, "no reference struck again: do it, or say why not"),
            (one.photos, _PHOTO, "no photo: take one, or say why not"),
        ):
            if not there and not any(_is(what, words) for what, _ in one.left_out):
                lines.append(line)
    if not one.conditions:
        lines.append("conditions not recorded")
    elif one.lacks:
        lines.append(f"not recorded: {', '.join(one.lacks)}")
    return tuple(lines)


def visit_told(visits: Sequence[Visit]) -> Visit | None:
    """What was said of the visit, all in all: a later row adds to the earlier ones and takes nothing away.

    Parameters
    ----------
    visits : sequence of Visit
        Those that stand, in the order in which they were added.

    Returns
    -------
    Visit or None
        None where nobody said anything.

    Examples
    --------
    >>> told = [Visit(date="2026-05-14", surveyor="J"), Visit(date="2026-05-15", consent="by mail")]
    >>> visit_told(told).surveyor, visit_told(told).date
    ('J', '2026-05-15')
    """
    said = {name: value for visit in visits for name, value in visit if value}
    return Visit(**said) if said else None


def visit_lacks(survey: Surveyed) -> tuple[str, ...]:
    """What nobody wrote down of the visit itself, the owner's consent first.

    Parameters
    ----------
    survey : Surveyed
        What the survey holds.

    Returns
    -------
    tuple of str
        In plain words; empty if nothing is missing.

    Examples
    --------
    >>> visit_lacks(Surveyed([], [], visits=[Visit(date="2026-05-14", consent="by mail", surveyor="J")]))[:2]
    ('who asked for it', 'what they want to know')
    """
    said = _said(survey.visits)
    return tuple(
        words
        for name, words in _OF_VISIT.items()
        if name not in said and not _left_out(survey, "", name, words)
    )


def _status(panel: str, survey: Surveyed) -> PanelStatus:
    planned = [s.label for s in survey.stations if s.panel == panel and s.role == "panel"]
    analyses = [number for number, a in survey.analyses if a.panel == panel]
    there = {s.label: s for s in survey.stations if s.panel == panel}
    latest = {
        v.station: v
        for v in survey.verdicts
        if analyses and v.analysis == analyses[-1] and still_there(there.get(v.station), v)
    }
    tapped = {label for label in planned if label in latest and latest[label].taps}
    here = [o for o in survey.omissions if o.panel == panel]
    left = [label for label in planned if label not in tapped]
    not_tapped = []
    for omission in (o for o in here if _is(o.what, _TAPPING)):
        named = tuple(label for label in left if not omission.stations or label in omission.stations)
        if named:
            not_tapped.append((named, omission.because))
            left = [label for label in left if label not in named]
    if left:
        not_tapped.append((tuple(left), ""))
    unclear: dict[str, list[str]] = {}
    for label, verdict in latest.items():
        if verdict.verdict == "not assessed" and label in tapped:
            unclear.setdefault(verdict.reason, []).append(label)
    return PanelStatus(
        panel=panel,
        planned=len(planned),
        tapped=len(tapped),
        suspect=sum(v.verdict == "suspect" for v in latest.values()),
        not_assessed=sum(v.verdict == "not assessed" for label, v in latest.items() if label in tapped),
        recordings=sum(r.panel == panel for r in survey.recordings),
        analyses=len(analyses),
        words=sum(w.panel == panel for w in survey.words),
        readings=sum(r.panel == panel for r in survey.readings),
        no_moisture_because=next(
            (o.because for o in survey.omissions if o.panel in ("", panel) and _is(o.what, _MOISTURE)), ""
        ),
        conditions=any(c.panel in ("", panel) for c in survey.conditions),
        not_tapped=tuple(not_tapped),
        unclear=tuple((tuple(labels), reason) for reason, labels in unclear.items()),
        reference=_reference(panel, survey, latest),
        rechecks=len(_hashes(panel, "recheck", survey) - _hashes(panel, "reference", survey)),
        photos=sum(p.panel == panel for p in survey.photos),
        left_out=tuple((o.what, o.because) for o in here if not _is(o.what, (*_TAPPING, *_MOISTURE))),
        lacks=_conditions_lack(panel, survey),
        earlier=tuple(_of_earlier(panel, survey, there)),
    )


def _hashes(panel: str, use: str, survey: Surveyed) -> set[str]:
    """Of the recordings of one use; the reference itself, named again, was not struck again."""
    return {r.sha256 for r in survey.recordings if r.panel == panel and r.use == use}


def _of_earlier(panel: str, survey: Surveyed, there: Collection[str]) -> Iterator[str]:
    """What was said of stations that the panel does not have, a line each."""
    said = [
        *((w.panel, w.station, f"own word {w.word!r}") for w in survey.words),
        *((r.panel, r.station, f"moisture reading {r.value:g}") for r in survey.readings),
        *((p.panel, p.station, f"photo {p.file}") for p in survey.photos),
        *(
            (o.panel, s, f"not done: {o.what}, because {o.because}")
            for o in survey.omissions
            for s in o.stations
        ),
    ]
    for where, station, text in said:
        if where == panel and station and station not in there:
            yield f"{station}: {text}"


def _reference(panel: str, survey: Surveyed, latest: Mapping[str, StationVerdict]) -> str:
    """Where the known-good taps of a panel are, in a few words."""
    recorded = sum(r.panel == panel and r.use == "reference" for r in survey.recordings)
    labels = {s.label for s in survey.stations if s.panel == panel and s.role == "reference"}
    struck = sum(label in labels and verdict.taps > 0 for label, verdict in latest.items())
    last = [a for _, a in survey.analyses if a.panel == panel][-1:]
    found = [
        f"{recorded} recorded" if recorded else "",
        f"{struck} of {len(labels)} reference stations tapped" if struck else "",
        "a baseline in the latest analysis" if last and last[0].baseline else "",
    ]
    return ", ".join(part for part in found if part)


def _conditions_lack(panel: str, survey: Surveyed) -> tuple[str, ...]:
    """What nobody wrote down of a panel's conditions and build, in its file or in the survey."""
    said = _said([c for c in survey.conditions if c.panel in ("", panel)])
    lacks = []
    for file in [p for p in survey.panels if p.name == panel][-1:]:
        try:
            described = parse_panel(file.text, source=file.file)
        except PanelError:  # of another version: then its file is not asked
            continue
        said |= described.conditions.keys()
        if "days_ashore" in said:
            said.add("hours_ashore")
        if not math.isnan(described.surface_temp_c):
            said.add("surface_temp_c")
        if described.construction in ("", "unknown"):
            lacks.append("construction")
        if described.laminate is None:
            lacks.append("thickness of the skin")
    lacks += [words for name, words in _OF_CONDITIONS.items() if name not in said]
    names = {words: name for name, words in _OF_CONDITIONS.items()}
    return tuple(words for words in lacks if not _left_out(survey, panel, names.get(words, ""), words))


def _said(records: Sequence[Record]) -> set[str]:
    """Names of the fields that hold something in any of the records."""
    return {name for record in records for name, value in record if value not in (None, "", {}, [])}


def _left_out(survey: Surveyed, panel: str, *names: str) -> bool:
    """Whether somebody said why a thing of one of these names was not done."""
    wanted = {name.casefold() for name in names if name}
    return any(o.panel in ("", panel) and o.what.casefold() in wanted for o in survey.omissions)


def _is(what: str, words: Sequence[str]) -> bool:
    return what.casefold().startswith(tuple(words))
