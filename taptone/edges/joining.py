"""What was heard, read and seen on one visit, out of its store and side by side: printed, CSV, JSON."""

from __future__ import annotations

import dataclasses
import json
import math
import os
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from taptone.edges.cells import table
from taptone.edges.keeping import put_file
from taptone.edges.staying import earlier_stations
from taptone.edges.store import Store
from taptone.edges.visiting import panel_of
from taptone.errors import SurveyError
from taptone.pipeline.outline import spacing
from taptone.survey.look_next import Asked, look_next, parse_prompts, spots
from taptone.survey.meeting import Gathered, Joined, join
from taptone.survey.moisture import DOWN, Rise, Taken, rises, taken, with_heights
from taptone.survey.records import (
    Analysis,
    Boat,
    Meter,
    Note,
    Observation,
    PanelFile,
    Photo,
    PlannedStation,
    Plug,
    Reading,
    StationVerdict,
    SuspectArea,
    Visit,
    Word,
)

__all__ = [
    "LINE_COLUMNS",
    "as_json",
    "ask_next",
    "gather",
    "latest",
    "prompts_text",
    "read_here",
    "rises_of",
    "write_lines",
]

#: Columns of the joined log as CSV.
LINE_COLUMNS = ("panel", "station", "place", "x_m", "y_m", "heard", "readings", "seen", "meets")


def gather(store: Store, panel: str = "") -> Gathered:
    """Take what was heard, read and seen out of a survey.

    Parameters
    ----------
    store : Store
        The survey.
    panel : str, optional
        Only this panel; else all of them, and what belongs to none.

    Returns
    -------
    Gathered
        Verdicts are those of each panel's latest analysis.

    Raises
    ------
    SurveyError
        If there is no such panel.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     gather(store).readings
    []
    """
    if panel:
        panel_of(store, panel)
    only: dict[str, Any] = {"panel": panel} if panel else {}
    panels = {name: panel_of(store, name) for name in _names(store) if not panel or name == panel}
    meters = store.records(Meter)
    return Gathered(
        stations=store.records(PlannedStation, **only),
        verdicts={
            name: store.records(StationVerdict, analysis=number)
            for name, number in latest(store).items()
            if not panel or name == panel
        },
        words=store.records(Word, **only),
        readings=[taken(r, meters, panels.get(r.panel)) for r in store.records(Reading, **only)],
        observations=store.records(Observation, **only),
        plugs=store.records(Plug, **only),
        spacing_m={name: spacing(one) for name, one in panels.items()},
        earlier=[
            station.model_copy(update={"label": label})
            for name in panels
            for label, station in earlier_stations(store, name).items()
        ],
    )


def read_here(store: Store, reading: Reading) -> Taken:
    """A reading with what the survey knows of its meter and of the structure behind it.

    Parameters
    ----------
    store : Store
        The survey.
    reading : Reading
        Of this survey.

    Returns
    -------
    Taken
        With its cautions.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     read_here(store, Reading(value=40, scale="relative", over="keel")).notes
    ('40 is unreliable: over keel',)
    """
    panel = panel_of(store, reading.panel) if reading.panel in _names(store) else None
    return taken(reading, store.records(Meter), panel)


def latest(store: Store) -> dict[str, int]:
    """Number of the latest analysis of each panel.

    Parameters
    ----------
    store : Store
        The survey.

    Returns
    -------
    dict
        By the panel's name; that of taps without a panel is empty.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     latest(store)
    {}
    """
    return {row.record.panel: row.id for row in store.rows(Analysis)}


def rises_of(store: Store, gathered: Gathered, down: Mapping[str, str]) -> dict[str, tuple[Rise, ...]]:
    """How readings change towards the lowest point, on panels for which a person said which way is down.

    Parameters
    ----------
    store : Store
        The survey.
    gathered : Gathered
        Out of it.
    down : mapping of str to str
        Panel → one of :data:`taptone.survey.moisture.DOWN`; what a panel file says stands for the others.
        ``""`` stands for the only panel there is.

    Returns
    -------
    dict
        By panel; a panel with readings whose way down is not known has an empty tuple.

    Raises
    ------
    SurveyError
        If a way down is none, or belongs to no panel, or it is not said to which.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     rises_of(store, gather(store), {})
    {}
    """
    names = list(gathered.spacing_m)
    told = dict(down)
    for axis in told.values():
        if axis.removeprefix("+") not in DOWN:
            raise SurveyError(
                f"--down {axis or 'without an axis'} is no way down",
                hint="write x or y if that axis runs downhill, else -x or -y",
            )
    if "" in told:
        if len(names) != 1:
            raise SurveyError(
                f"--down {told['']} is of one panel, and there are {len(names)}",
                hint="say --down PANEL=AXIS, or --panel",
            )
        told[names[0]] = told.pop("")
    for name in told:
        if name not in names:
            known = ", ".join(names) or "none yet"
            raise SurveyError(f"--down: there is no panel {name}", hint=f"there are {known}")
    found: dict[str, tuple[Rise, ...]] = {}
    for name in names:
        panel = panel_of(store, name)
        axis = told.get(name, "").removeprefix("+") or panel.down
        here = [one for one in gathered.readings if one.reading.panel == name]
        if here:
            found[name] = rises(with_heights(here, panel, axis)) if axis else ()
    return found


def ask_next(store: Store, prompts_file: str | None = None) -> tuple[Asked, ...]:
    """What the trade would ask next, at each place of a survey where something differed.

    Parameters
    ----------
    store : Store
        The survey.
    prompts_file : str or None, optional
        The user's own questions; else those that come with the program.

    Returns
    -------
    tuple of Asked
        Empty where nothing differed.

    Raises
    ------
    SurveyError
        If the file cannot be read, or is no file of questions.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     ask_next(store)
    ()
    """
    text = prompts_text(prompts_file)
    prompts = parse_prompts(text, source=os.path.basename(prompts_file or "look_next.toml"))
    areas = {name: store.records(SuspectArea, analysis=number) for name, number in latest(store).items()}
    panels = {name: panel_of(store, name) for name in _names(store)}
    photos = {(photo.panel, photo.station) for photo in store.records(Photo)} - {("", "")}
    return look_next(spots(join(gather(store)), areas, panels, photos), prompts, _said(store))


def prompts_text(prompts_file: str | None = None) -> str:
    """The text of a file of questions.

    Parameters
    ----------
    prompts_file : str or None, optional
        The user's own; else the one that comes with the program.

    Returns
    -------
    str
        TOML.

    Raises
    ------
    SurveyError
        If it cannot be read.

    Examples
    --------
    >>> prompts_text().startswith("# What to look at next")
    True
    """
    if prompts_file is None:
        return resources.files("taptone.survey").joinpath("look_next.toml").read_text("utf-8")
    try:
        return Path(prompts_file).read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        told = error.strerror if isinstance(error, OSError) else "it is not text in UTF-8"
        raise SurveyError(
            f"{prompts_file} cannot be read ({told})",
            hint="give a file of questions, as taptone look-next --show-prompts prints one",
        ) from error


def write_lines(joined: Joined, path: Path) -> Path | None:
    """Write the joined log as CSV; an earlier, different file of that name is set beside.

    Parameters
    ----------
    joined : Joined
        The log.
    path : Path
        The file.

    Returns
    -------
    Path or None
        Where the earlier file is now.

    Raises
    ------
    OutputError
        If it cannot be written.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     _ = write_lines(Joined((), (), ()), Path(folder, "points.csv"))
    ...     Path(folder, "points.csv").read_text().strip()
    'panel,station,place,x_m,y_m,heard,readings,seen,meets'
    """
    rows = [{name: row[name] for name in LINE_COLUMNS} for row in _rows(joined)]
    return put_file(path, table(LINE_COLUMNS, rows).encode("utf-8", "backslashreplace"))


def as_json(joined: Joined, found: Mapping[str, tuple[Rise, ...]], notes: tuple[str, ...]) -> str:
    """All of the joined log as JSON.

    Parameters
    ----------
    joined : Joined
        The log.
    found : mapping
        Of :func:`rises_of`.
    notes : tuple of str
        Cautions on readings.

    Returns
    -------
    str
        Numbers that are not known are null.

    Examples
    --------
    >>> json.loads(as_json(Joined((), (), ()), {}, ()))["meetings"]
    []
    """
    said = {
        "lines": _rows(joined),
        "meetings": [
            {
                "panel": m.panel,
                "places": list(m.places),
                "kinds": list(m.kinds),
                "evidence": [dict(zip(("kind", "place", "text"), what, strict=True)) for what in m.what],
            }
            for m in joined.meetings
        ],
        "findings": [o.model_dump() for o in joined.findings],
        "rises": {
            name: [_whole(dataclasses.asdict(one)) for one in several] for name, several in found.items()
        },
        "notes": list(notes),
    }
    return json.dumps(said, ensure_ascii=False, indent=1, allow_nan=False)


def _rows(joined: Joined) -> list[dict[str, Any]]:
    """The lines as plain values; ``meets`` is the number of the meeting they belong to, from 1."""
    number = {(m.panel, place): n for n, m in enumerate(joined.meetings, start=1) for place in m.places}
    rows = []
    for line in joined.lines:
        row = _whole(dataclasses.asdict(line)) | {"differs": list(line.differs)}
        rows.append(row | {"meets": number.get((line.panel, line.called))})
    return rows


def _whole(row: dict[str, Any]) -> dict[str, Any]:
    return {
        name: (round(value, 4) if math.isfinite(value) else None) if isinstance(value, float) else value
        for name, value in row.items()
    }


def _said(store: Store) -> str:
    """What was written on this visit, for the words that a question waits for."""
    texts = [visit.question for visit in store.records(Visit)]
    texts += [f"{name} {text}" for boat in store.records(Boat) for name, text in boat.particulars.items()]
    texts += [note.text for note in store.records(Note)]
    texts += [f"{o.what} {o.text}" for o in store.records(Observation)]
    return "\n".join(texts)


def _names(store: Store) -> list[str]:
    return [panel.name for panel in store.records(PanelFile)]
