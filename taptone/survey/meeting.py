"""The joined log: what was heard, read and seen, side by side by station, and where two of these meet.

Nothing is blended: each kind keeps its own column and its own words, and no reading or observation changes
what was heard. That kinds meet at a place says where to look again, not what is there.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from taptone.survey.layouts import earlier_label
from taptone.survey.moisture import Taken, in_words
from taptone.survey.records import URGENCIES, Observation, PlannedStation, Plug, StationVerdict, Word
from taptone.survey.status import still_there

__all__ = ["KINDS_OF_EVIDENCE", "Gathered", "Joined", "Line", "Meeting", "join"]

#: The columns of the joined log, and the kinds of evidence that can meet.
KINDS_OF_EVIDENCE = ("heard", "readings", "seen")

#: Own words that say that nothing differed there: kept and shown, but no evidence that meets another. Common
#: practice, no source; any other word counts.
SAME = ("as elsewhere", "bright", "clear", "crisp", "firm", "good", "no difference", "ok", "same", "sharp")

_ABSENT = ("no ", "not ", "none", "nothing")  # "no weep": kept and shown, but no evidence that meets another
_BY_EAR = "by ear"  # an observation that is one more ear, so no second kind beside what was heard
_REACH = 1.0001  # of a spacing: places just one spacing apart meet, whatever rounding did to them


@dataclass(frozen=True, slots=True)
class Gathered:
    """What a survey holds for the joined log; verdicts by panel, of the analysis that counts there.

    ``earlier`` are stations of earlier layouts, each with its name as such for a label.
    """

    stations: Sequence[PlannedStation] = ()
    verdicts: Mapping[str, Sequence[StationVerdict]] = field(default_factory=dict)
    words: Sequence[Word] = ()
    readings: Sequence[Taken] = ()
    observations: Sequence[Observation] = ()
    plugs: Sequence[Plug] = ()
    spacing_m: Mapping[str, float] = field(default_factory=dict)
    earlier: Sequence[PlannedStation] = ()


@dataclass(frozen=True, slots=True)
class Line:
    """One place of the log; a station, or ``place`` in words, or only where it lies (``nan`` if unknown).

    ``verdict`` is empty where nothing was heard; ``differs`` names the kinds that have something to say.
    """

    panel: str
    station: str
    place: str
    x_m: float
    y_m: float
    verdict: str
    heard: str
    readings: str
    seen: str
    differs: tuple[str, ...] = ()

    @property
    def called(self) -> str:
        """What this place is called."""
        return _called(self)


@dataclass(frozen=True, slots=True)
class Meeting:
    """Where kinds of evidence meet; ``what`` has a kind, a place and its words for each piece of it."""

    panel: str
    places: tuple[str, ...]
    kinds: tuple[str, ...]
    what: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True, slots=True)
class Joined:
    """The log, where evidence meets, and the findings that belong to no station, soonest first."""

    lines: tuple[Line, ...]
    meetings: tuple[Meeting, ...]
    findings: tuple[Observation, ...]


@dataclass(slots=True)
class _Here:
    """What was found at one place, while it is gathered."""

    panel: str
    station: str
    place: str
    x_m: float
    y_m: float
    verdict: str = ""
    texts: dict[str, list[str]] = field(default_factory=lambda: {kind: [] for kind in KINDS_OF_EVIDENCE})
    evidence: dict[str, list[str]] = field(default_factory=lambda: {kind: [] for kind in KINDS_OF_EVIDENCE})

    def add(self, kind: str, text: str, *, differs: bool) -> None:
        self.texts[kind].append(text)
        if differs:
            self.evidence[kind].append(text)

    @property
    def known(self) -> bool:
        """Whether anybody said where it is."""
        return bool(self.station or self.place) or math.isfinite(self.x_m)

    @property
    def called(self) -> str:
        return _called(self)


def join(gathered: Gathered) -> Joined:
    """Join what was heard, read and seen by station.

    What counts as evidence: a verdict ``suspect``, or an own word that is not made of :data:`SAME`; a reading
    at or above the level set for its meter that does not lie over metal; an observation, unless it is that
    something is not there; what a plug showed. Kinds meet at one station, or up to one spacing apart on one
    panel; where a place is only in words, in the same words. Places that hang together so are one meeting.

    Parameters
    ----------
    gathered : Gathered
        What the survey holds.

    Returns
    -------
    Joined
        Lines in the order of the stations, then what lies off them.

    Examples
    --------
    >>> here = [PlannedStation(panel="blade", label=f"A{n}", x_m=n / 10, y_m=0, row=0) for n in (1, 2)]
    >>> heard = [StationVerdict(analysis=1, station="A1", taps=2, verdict="suspect", character="duller")]
    >>> weep = Observation(what="weep", panel="blade", station="A2")
    >>> joined = join(Gathered(here, {"blade": heard}, observations=[weep], spacing_m={"blade": 0.1}))
    >>> [(line.station, line.heard, line.seen) for line in joined.lines]
    [('A1', 'suspect, duller', ''), ('A2', '', 'weep')]
    >>> joined.meetings[0].places, joined.meetings[0].kinds
    (('A1', 'A2'), ('heard', 'seen'))
    """
    here = _Places(gathered)
    for panel, verdicts in gathered.verdicts.items():
        for verdict in verdicts:
            one = here.of(panel, verdict)
            one.verdict = verdict.verdict
            one.add("heard", _heard(verdict), differs=verdict.verdict == "suspect")
    for word in gathered.words:
        order = "before the verdict was shown" if word.ear_first else "after the verdict was shown"
        here.at(word.panel, word.station).add(
            "heard", f"own word {word.word!r}, {order}", differs=not _same(word.word)
        )
    for taken in gathered.readings:
        r = taken.reading
        here.at(r.panel, r.station, r.place, r.x_m, r.y_m).add(
            "readings", in_words(taken), differs=bool(taken.warns) and not taken.metal
        )
    for o in gathered.observations:
        kind = "heard" if _BY_EAR in o.what.casefold() else "seen"
        absent = o.what.casefold().startswith(_ABSENT)
        here.at(o.panel, o.station, o.place, o.x_m, o.y_m).add(kind, _seen(o), differs=not absent)
    for plug in gathered.plugs:
        deep = f", {plug.depth_mm:g} mm" if plug.depth_mm is not None else ""
        shown = f": {plug.seen}" if plug.seen else ""
        here.at(plug.panel, plug.station, plug.place).add(
            "seen", f"plug{deep}{shown}", differs=bool(plug.seen)
        )
    off_station = [o for o in gathered.observations if not (o.station or (o.panel and o.x_m is not None))]
    return Joined(
        tuple(_line(one) for one in here.all()),
        tuple(_meetings(here.all(), gathered.spacing_m)),
        tuple(sorted(off_station, key=lambda o: _rank(o.urgency))),
    )


class _Places:
    """Every place that something is known of, each once."""

    def __init__(self, gathered: Gathered) -> None:
        self._by_key: dict[tuple[object, ...], _Here] = {}
        self._planned = {(s.panel, s.label): s for s in gathered.stations}
        self._earlier = {(s.panel, s.label): s for s in gathered.earlier}
        for s in gathered.stations:
            self.at(s.panel, s.label)

    def at(
        self,
        panel: str,
        station: str = "",
        place: str = "",
        x_m: float | None = None,
        y_m: float | None = None,
    ) -> _Here:
        planned = self._planned.get((panel, station))
        if planned is not None:
            x_m, y_m, place = planned.x_m, planned.y_m, ""
        elif (was := self._earlier.get((panel, station))) is not None:
            x_m, y_m, station, place = was.x_m, was.y_m, "", station
        key: tuple[object, ...] = (panel, station)
        if not station:
            key = (panel, "", " ".join(place.casefold().split()), x_m, y_m)
        if key not in self._by_key:
            at = (math.nan, math.nan) if x_m is None or y_m is None else (x_m, y_m)
            self._by_key[key] = _Here(panel, station, place, *at)
        return self._by_key[key]

    def of(self, panel: str, verdict: StationVerdict) -> _Here:
        """The place of a verdict; of an earlier layout, where it was then and not where its label is now."""
        planned = self._planned.get((panel, verdict.station))
        if verdict.x_m is None or verdict.y_m is None or still_there(planned, verdict):
            return self.at(panel, verdict.station, "", verdict.x_m, verdict.y_m)
        label = earlier_label(verdict.station, verdict.x_m, verdict.y_m)
        if (panel, label) in self._earlier:
            return self.at(panel, label)
        if planned is None:
            return self.at(panel, verdict.station, "", verdict.x_m, verdict.y_m)
        return self.at(panel, "", label, verdict.x_m, verdict.y_m)

    def all(self) -> list[_Here]:
        return list(self._by_key.values())


def _meetings(places: Sequence[_Here], spacing_m: Mapping[str, float]) -> Iterable[Meeting]:
    """Groups of places with evidence, joined wherever two kinds of it lie together."""
    said = [one for one in places if any(one.evidence.values()) and one.known]
    groups: list[list[_Here]] = []
    for one in said:
        touching = [g for g in groups if any(_meet(one, other, spacing_m) for other in g)]
        merged = [other for g in touching for other in g] + [one]
        groups = [g for g in groups if g not in touching] + [merged]
    order = {id(one): k for k, one in enumerate(said)}
    for group in sorted(groups, key=lambda g: min(order[id(one)] for one in g)):
        group.sort(key=lambda one: order[id(one)])
        kinds = tuple(kind for kind in KINDS_OF_EVIDENCE if any(one.evidence[kind] for one in group))
        if len(kinds) > 1:
            yield Meeting(
                group[0].panel,
                tuple(one.called for one in group),
                kinds,
                tuple(
                    (kind, one.called, text) for kind in kinds for one in group for text in one.evidence[kind]
                ),
            )


def _meet(one: _Here, other: _Here, spacing_m: Mapping[str, float]) -> bool:
    """Whether two places lie together and hold two kinds between them."""
    if one.panel != other.panel:
        return False
    apart_m = math.dist((one.x_m, one.y_m), (other.x_m, other.y_m))
    if not apart_m <= _REACH * spacing_m.get(one.panel, 0.0):  # also where either has no place: nan
        return False
    return len({kind for here in (one, other) for kind, texts in here.evidence.items() if texts}) > 1


def _line(one: _Here) -> Line:
    heard, readings, seen = ("; ".join(one.texts[kind]) for kind in KINDS_OF_EVIDENCE)
    differs = tuple(kind for kind in KINDS_OF_EVIDENCE if one.evidence[kind])
    at = (one.panel, one.station, one.place, one.x_m, one.y_m)
    return Line(*at, one.verdict, heard, readings, seen, differs)


def _called(one: _Here | Line) -> str:
    at = f"x {one.x_m:g} m, y {one.y_m:g} m" if math.isfinite(one.x_m) else "no place stated"
    return one.station or one.place or at


def _heard(verdict: StationVerdict) -> str:
    if verdict.verdict == "not assessed":
        return f"not assessed: {verdict.reason}" if verdict.reason else "not assessed"
    return f"{verdict.verdict}, {verdict.character}" if verdict.character else verdict.verdict


def _same(word: str) -> bool:
    return all(part.strip() in SAME for part in re.split(r"[,;/]| and ", word.casefold()))


def _seen(o: Observation) -> str:
    text = f"{o.what}: {o.text}" if o.text else o.what
    said = [part for part in (o.urgency, f"photo {o.photo}" if o.photo else "") if part]
    return f"{text} ({', '.join(said)})" if said else text


def _rank(urgency: str) -> int:
    return URGENCIES.index(urgency) if urgency in URGENCIES else len(URGENCIES)
