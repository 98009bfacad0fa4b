"""What was said of a station stays at its place when its panel is laid out anew.

Words, readings and the like name a station by its label, and a changed panel file may give that label to
another place. So whoever changes a panel changes, in the same step, what those rows call their place: the
station of today that lies there, or a name that says that it is of an earlier layout, and where it lay. The
rows are corrected as a person would: the old ones stay, the new ones say who and why.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from taptone.edges.store import Store
from taptone.survey.layouts import earlier_label, one_datum, station_at
from taptone.survey.records import (
    Note,
    Observation,
    Omission,
    Photo,
    PlannedStation,
    Plug,
    Reading,
    Record,
    Word,
    kind_of,
)

__all__ = ["SAID_OF_STATIONS", "Stayed", "earlier_stations", "stay"]

#: Kinds that a person says of a station.
SAID_OF_STATIONS: tuple[type[Record], ...] = (Word, Reading, Observation, Photo, Plug, Omission, Note)


@dataclass(frozen=True, slots=True)
class Stayed:
    """A row that calls its place otherwise since its panel was changed; ``lost``: no station lies there."""

    row: str
    before: str
    after: str
    lost: bool


def earlier_stations(store: Store, panel: str, datum: str = "") -> dict[str, PlannedStation]:
    """Stations that a panel ever had, by the name they have as those of an earlier layout.

    Parameters
    ----------
    store : Store
        The survey.
    panel : str
        Its name.
    datum : str, optional
        What these names say that the places were measured from.

    Returns
    -------
    dict
        Of today's as well.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> from pathlib import Path
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     number = store.add(PlannedStation(panel="blade", label="A1", x_m=0, y_m=0, row=0))
    ...     list(earlier_stations(store, "blade"))
    ['A1 of an earlier layout (0.000 m along x and 0.000 m along y)']
    """
    stations = [row.record for row in store.history(PlannedStation) if row.record.panel == panel]
    return {earlier_label(s.label, s.x_m, s.y_m, datum): s for s in stations}


def stay(
    store: Store,
    panel: str,
    before: Mapping[str, PlannedStation],
    datums: tuple[str, str],
    *,
    back: Mapping[str, PlannedStation] = MappingProxyType({}),
    who: str,
    why: str,
) -> list[Stayed]:
    """Have what was said of the stations of a panel stay where it was said.

    Parameters
    ----------
    store : Store
        The survey, with the panel as it is now.
    panel : str
        Its name.
    before : mapping of str to PlannedStation
        Its stations until now, by every name that a row may call them by.
    datums : (str, str)
        What places were measured from until now, and what they are measured from now.
    back : mapping of str to PlannedStation, optional
        Stations of still earlier layouts, by names that tell the datum of now.
    who, why : str
        Who changed the panel, and why.

    Returns
    -------
    list of Stayed
        What calls its place otherwise now.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> from pathlib import Path
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     number = store.add(Word(panel="blade", station="A1", word="dull", ear_first=True))
    ...     was = PlannedStation(panel="blade", label="A1", x_m=0.1, y_m=0, row=0)
    ...     number = store.add(was.model_copy(update={"label": "A2"}))
    ...     stayed = stay(store, "blade", {"A1": was}, ("stem", "stem"), who="J", why="a column more")
    ...     stayed, store.records(Word)[0].station
    ([Stayed(row='word 2', before='A1', after='A2', lost=False)], 'A2')
    """
    now = store.records(PlannedStation, panel=panel)
    measured = one_datum(*datums)
    whence = "" if measured else datums[0] or "the earlier datum"
    out = []

    def today(label: str) -> str:
        if label in back:
            there = station_at(now, back[label].label, back[label].x_m, back[label].y_m)
            return there.label if there else label
        was = before.get(label)
        if was is None:
            return label
        here = station_at(now, was.label, was.x_m, was.y_m) if measured else None
        return here.label if here else earlier_label(was.label, was.x_m, was.y_m, whence)

    for kind in SAID_OF_STATIONS:
        for row in store.rows(kind, panel=panel):
            record = row.record
            labels = [getattr(record, "station", ""), *getattr(record, "stations", ())]
            called = {label: today(label) for label in labels if label}
            changes: dict[str, object] = {}
            if getattr(record, "station", ""):
                changes["station"] = called[labels[0]]
            elif "stations" in kind.model_fields:
                changes["stations"] = [called[label] for label in labels if label]
            if not measured and getattr(record, "x_m", None) is not None:
                changes |= {"x_m": None, "y_m": None}
                if not labels[0]:
                    said = f"x {record.x_m:g} m, y {record.y_m:g} m from {whence}"  # type: ignore[attr-defined]
                    changes["place"] = "; ".join(filter(None, [record.place, said]))  # type: ignore[attr-defined]
                    called[said.partition(" from ")[0]] = said
            if all(getattr(record, name) == value for name, value in changes.items()):
                continue
            number = store.correct(kind_of(kind), row.id, changes, who=who, why=f"stays at its place: {why}")
            names = {s.label for s in now}
            out += [
                Stayed(f"{kind_of(kind)} {number}", was, is_now, is_now not in names)
                for was, is_now in called.items()
                if was != is_now
            ]
    return out
