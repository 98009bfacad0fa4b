"""How far a survey is: what was planned, what was done, what was not and why."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from taptone.survey.records import (
    Analysis,
    Conditions,
    Omission,
    PanelFile,
    PlannedStation,
    Reading,
    SoundFile,
    StationVerdict,
    Word,
)

__all__ = ["PanelStatus", "Surveyed", "status", "still_open"]

_TAPPING, _MOISTURE = ("tapping", "tapped", "sounding"), ("moisture",)


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


@dataclass(frozen=True, slots=True)
class PanelStatus:
    """How far one panel is; ``not_tapped`` holds stations and the reason, empty where none was given."""

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
    >>> still_open(PanelStatus("blade", 4, 4, 0, 0, 1, 1, 0, 3, "", True))
    ()
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
    if not one.conditions:
        lines.append("conditions not recorded")
    return tuple(lines)


def _status(panel: str, survey: Surveyed) -> PanelStatus:
    planned = [s.label for s in survey.stations if s.panel == panel and s.role == "panel"]
    analyses = [number for number, a in survey.analyses if a.panel == panel]
    latest = {v.station: v for v in survey.verdicts if analyses and v.analysis == analyses[-1]}
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
    )


def _is(what: str, words: Sequence[str]) -> bool:
    return what.casefold().startswith(tuple(words))
