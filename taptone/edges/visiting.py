"""What happens on a visit, into the survey's store: panels, recordings and photos come in, logs are filed."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
import os
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import Any

from taptone.edges.earlier import read_log
from taptone.edges.keeping import put_file
from taptone.edges.soundfiles import open_sound
from taptone.edges.staying import Stayed, earlier_stations, stay
from taptone.edges.store import Store
from taptone.edges.textfiles import load_baseline, load_panel
from taptone.errors import BaselineError, LogError, OutputError, PanelError, SurveyError, printable
from taptone.survey.layouts import one_datum
from taptone.survey.panel import parse_panel
from taptone.survey.records import (
    FILLED,
    KINDS,
    Analysis,
    Boat,
    Conditions,
    Export,
    HeardTap,
    Omission,
    PanelFile,
    Photo,
    PlannedStation,
    Reading,
    Record,
    SoundFile,
    StationVerdict,
    SuspectArea,
    Visit,
    Word,
    checked,
)
from taptone.survey.status import Surveyed, visit_told
from taptone.types import MEASURE_NAMES, Earlier, Panel, Result

__all__ = [
    "add_panel",
    "add_photo",
    "add_recording",
    "as_surveyed",
    "baseline_in",
    "check_place",
    "file_log",
    "keep_baseline",
    "keep_other_side",
    "keep_recordings",
    "log_folder",
    "panel_of",
    "said_in",
    "surveyed",
    "take_panel",
    "who_is",
    "with_words",
    "without_baseline",
]


_FARTHEST_M = 200.0  # from a datum, as the lengths of a plan


def add_panel(
    store: Store,
    path: str,
    *,
    who: str = "",
    why: str = "",
    on_stayed: Callable[[Sequence[Stayed]], None] = lambda _: None,
) -> Panel:
    """Take a panel file into the survey.

    Parameters
    ----------
    store : Store
        The survey.
    path : str
        A panel file. One of the same name that differs from what was kept is a correction, and needs `why`.
    who, why : str, optional
        Who adds it; why it was changed.
    on_stayed : callable, optional
        Is given what was said of stations whose place has another label, or none, in the changed panel.

    Returns
    -------
    Panel
        As it was read.

    Raises
    ------
    PanelError, SurveyError
        If it describes no panel, or differs from the kept one and nobody says why.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     add_panel(store, "recordings/demo/daggerboard.toml").name
    'daggerboard port'
    """
    panel = load_panel(path)
    kept = [row for row in store.rows(PanelFile) if row.record.name == panel.name]
    if kept and kept[-1].record.sha256 == sha256(Path(path).read_bytes()).hexdigest():
        return panel
    if kept and not why:
        raise SurveyError(
            f"{path}: panel {panel.name} is in this survey already, and differs",
            hint="give it another name, or say why it was changed: taptone add panel --why",
        )
    file, digest = store.keep_file(path, "panels")
    values = {
        "name": panel.name,
        "file": file,
        "sha256": digest,
        "text": (store.folder / file).read_text("utf-8"),
    }
    with store.together():
        if [row for row in store.rows(PanelFile) if row.record.name == panel.name] != kept:
            raise SurveyError(
                f"{path}: panel {panel.name} was added or changed by another program meanwhile",
                hint="look at taptone history, and add it again if it still differs",
            )
        before = earlier_stations(store, panel.name)
        before |= {s.label: s for s in store.records(PlannedStation, panel=panel.name)}
        if kept:
            store.correct("panel", kept[-1].id, values, who=who, why=why)
            for row in store.rows(PlannedStation, panel=panel.name):
                store.withdraw("station", row.id, who=who, why=why)
        else:
            store.add(checked("panel", **values), who=who)
        store.add_all(
            [
                PlannedStation.model_validate({"panel": panel.name} | dataclasses.asdict(s))
                for s in panel.stations
            ],
            who=who,
            why=why,
        )
        if kept:
            datums = _datum(kept[-1].record), panel.datum
            back: dict[str, PlannedStation] = {}
            for datum in _datums(store, panel.name):
                if one_datum(datum, panel.datum):
                    back |= earlier_stations(store, panel.name, datum)
            on_stayed(stay(store, panel.name, before, datums, back=back, who=who, why=why))
    return panel


def panel_of(store: Store, name: str) -> Panel:
    """A panel of the survey by its name.

    Parameters
    ----------
    store : Store
        The survey.
    name : str
        As in its file.

    Returns
    -------
    Panel
        As it stands.

    Raises
    ------
    SurveyError
        If there is none of that name.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     panel_of(store, "keel")
    Traceback (most recent call last):
        ...
    taptone.errors.SurveyError: this survey has no panel keel: add its file first; there is none yet
    """
    panels = store.records(PanelFile)
    for panel in panels:
        if panel.name == name:
            return parse_panel(panel.text, source=panel.file)
    known = ", ".join(p.name for p in panels)
    raise SurveyError(
        f"this survey has no panel {name}",
        hint=f"add its file first; {f'there are {known}' if known else 'there is none yet'}",
    )


def check_place(store: Store, record: Record) -> None:
    """Refuse a record of a panel, station or photo that this survey does not have.

    Parameters
    ----------
    store : Store
        The survey.
    record : Record
        Of any kind.

    Raises
    ------
    SurveyError
        One line: which, and what to do.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     check_place(store, Reading(value=12, station="A1"))
    Traceback (most recent call last):
        ...
    taptone.errors.SurveyError: station A1 of which panel: give --panel, or say --place
    """
    panel, photo = getattr(record, "panel", ""), getattr(record, "photo", "")
    station = getattr(record, "station", "")
    labels = [station] if station else getattr(record, "stations", [])
    if labels and not panel:
        raise SurveyError(f"station {labels[0]} of which panel", hint="give --panel, or say --place")
    x_m, y_m = (getattr(record, name, None) for name in ("x_m", "y_m"))
    if (x_m is None) != (y_m is None):
        raise SurveyError("one of x and y alone is no place", hint="give --x-m and --y-m, or say --place")
    if x_m is not None and not panel:
        raise SurveyError("x and y from the datum of which panel", hint="give --panel, or say --place")
    for length_m in (x_m, y_m):
        if length_m is not None and abs(length_m) > _FARTHEST_M:
            raise SurveyError(
                f"{length_m:g} m from the datum is on no boat", hint=f"give metres, up to {_FARTHEST_M:g}"
            )
    if panel:
        there = {one.label for one in panel_of(store, panel).stations}
        for datum in ("", *_datums(store, panel)):
            there |= earlier_stations(store, panel, datum).keys()
        for label in labels:
            if label not in there:
                near = [name for name in there if name.casefold() == label.casefold()]
                raise SurveyError(
                    f"panel {panel} has no station {label}",
                    hint=f"write {near[0]}" if near else "look at its layout, or give --place",
                )
    if photo and all(photo not in (kept.file, kept.file.partition("/")[2]) for kept in store.records(Photo)):
        raise SurveyError(f"this survey has no photo {photo}", hint="add it first: taptone add photo FILE")


def add_recording(
    store: Store,
    path: str,
    *,
    panel: str = "",
    use: str = "panel",
    device: str = "",
    started: str = "",
    who: str = "",
) -> SoundFile:
    """Copy a recording into the survey, as it is.

    Parameters
    ----------
    store : Store
        The survey.
    path : str
        A sound file.
    panel : str, optional
        The panel that was tapped.
    use : str, optional
        What was tapped: ``panel``, ``reference``, ``recheck`` or ``other``.
    device, started : str, optional
        What recorded it, and when it began.
    who : str, optional
        Who adds it.

    Returns
    -------
    SoundFile
        As it is kept; one that is there already for the same panel and use is not added again.

    Raises
    ------
    SoundError, SurveyError
        If it holds no sound, or there is no such panel.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     add_recording(store, "recordings/demo/daggerboard.flac").file
    'recordings/daggerboard.flac'
    """
    if panel:
        panel_of(store, panel)
    heard = open_sound(path).recording
    there = _recorded(store, heard.sha256, panel, use)
    if there is not None:
        return there
    record = checked(
        "recording",
        file="-",
        original=printable(str(path)),
        sha256=heard.sha256,
        rate_hz=heard.rate_hz,
        samples=heard.samples,
        panel=panel,
        use=use,
        device=device,
        started=started or _made(path),
    )
    file, digest = store.keep_file(path, "recordings")
    if digest != heard.sha256:
        raise SurveyError(
            f"{path} changed while it was read", hint="wait until it is whole, and add it again"
        )
    record = record.model_copy(update={"file": file})
    assert isinstance(record, SoundFile)
    with store.together():
        there = _recorded(store, digest, panel, use)  # another program may have been quicker
        if there is None:
            store.add(record, who=who)
    return there or record


def add_photo(
    store: Store, path: str, *, panel: str = "", station: str = "", caption: str = "", who: str = ""
) -> Photo:
    """Copy a photo into the survey, as it is.

    Parameters
    ----------
    store : Store
        The survey.
    path : str
        The photo.
    panel, station, caption : str, optional
        What it shows.
    who : str, optional
        Who adds it.

    Returns
    -------
    Photo
        As it is kept; one that is there already with the same words is not added again.

    Raises
    ------
    SurveyError
        If it cannot be read, or there is no such panel or station.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     add_photo(store, "nowhere.jpg")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    taptone.errors.SurveyError: nowhere.jpg cannot be kept in ...
    """
    told = checked("photo", file="-", sha256="0" * 64, panel=panel, station=station, caption=caption)
    check_place(store, told)
    file, digest = store.keep_file(path, "photos")
    record = told.model_copy(update={"file": file, "original": printable(str(path)), "sha256": digest})
    assert isinstance(record, Photo)
    with store.together():
        for kept in store.records(Photo, sha256=digest):
            if (kept.panel, kept.station, kept.caption) == (panel, station, caption):
                return kept
        store.add(record, who=who)
    return record


def take_panel(store: Store, name_or_file: str) -> Panel:
    """A panel of the survey by its name, or from a file that is taken in.

    Parameters
    ----------
    store : Store
        The survey.
    name_or_file : str
        A panel's name, or else a panel file.

    Returns
    -------
    Panel
        As it stands.

    Raises
    ------
    PanelError, SurveyError
        If it is neither.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     take_panel(store, "recordings/demo/daggerboard.toml").name
    'daggerboard port'
    """
    named = any(panel.name == name_or_file for panel in store.records(PanelFile))
    if not named and Path(name_or_file).exists():
        return add_panel(store, name_or_file, who=who_is(store))
    return panel_of(store, name_or_file)


def as_surveyed(store: Store, panel: Panel) -> Panel:
    """A panel with what the survey knows beside its file: the boat, frost, the surface's temperature.

    Parameters
    ----------
    store : Store
        The survey.
    panel : Panel
        What its own file states stands, but frost in either counts.

    Returns
    -------
    Panel
        With the survey's statements, and without the cautions that they answer.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> from taptone.survey.records import Conditions
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     panel = take_panel(store, "recordings/demo/daggerboard.toml")
    ...     number = store.add(Conditions(frozen_within_72h=True))
    ...     as_surveyed(store, panel).conditions["frozen_within_72h"]
    True
    """
    stated = dict(panel.conditions)
    surface_temp_c, boat = panel.surface_temp_c, panel.boat
    # what was said of one panel counts more than what was said of all, the last more than the first
    for here in sorted(store.records(Conditions), key=lambda c: bool(c.panel)):
        if here.panel not in ("", panel.name):
            continue
        if here.frozen_within_72h or (here.frozen_within_72h is False and "frozen_within_72h" not in stated):
            stated["frozen_within_72h"] = here.frozen_within_72h
        if here.surface_temp_c is not None and math.isnan(panel.surface_temp_c):
            surface_temp_c = here.surface_temp_c
    for known in store.records(Boat)[-1:]:
        boat = boat or known.label
    return replace(panel, conditions=stated, surface_temp_c=surface_temp_c, boat=boat)


def keep_recordings(
    store: Store, paths: Sequence[str], rechecks: Collection[str], panel: Panel | None
) -> tuple[str, ...]:
    """Copy recordings into the survey; where they are now.

    Parameters
    ----------
    store : Store
        The survey.
    paths : sequence of str
        Sound files.
    rechecks : collection of str
        Real paths of those of them that hold reference places struck again.
    panel : Panel or None
        The panel that was tapped.

    Returns
    -------
    tuple of str
        In the same order.

    Raises
    ------
    SoundError, SurveyError
        If one of them holds no sound, or cannot be kept.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     [kept] = keep_recordings(store, ["recordings/demo/daggerboard.flac"], [], None)
    ...     Path(kept).parent.name
    'recordings'
    """
    name = panel.name if panel else ""
    device = panel.recorder if panel else ""
    kept = []
    for path in paths:
        use = "recheck" if os.path.realpath(path) in rechecks else "panel"
        record = add_recording(store, path, panel=name, use=use, device=device, who=who_is(store))
        kept.append(str(store.folder / record.file))
    return tuple(kept)


def with_words(store: Store, result: Result) -> Result:
    """A result with the surveyor's own words beside the program's.

    Parameters
    ----------
    store : Store
        The survey.
    result : Result
        Of one of its panels.

    Returns
    -------
    Result
        Nothing else in it has changed.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> nothing = Result(None, (), (), (), (), (), (), (), (), (), "this panel only")
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     with_words(store, nothing).points
    ()
    """
    name = result.panel.name if result.panel else ""
    words = {word.station: word.word for word in store.records(Word, panel=name)}
    points = (replace(point, surveyor_word=words.get(point.station, "")) for point in result.points)
    there = {station.label for station in result.panel.stations} if result.panel else set()
    notes = [
        f"your word {word!r} is of {station}: no station lies there now, and no line of this log holds it"
        for station, word in words.items()
        if station not in there
    ]
    return replace(result, points=tuple(points), notes=(*result.notes, *notes)) if words else result


def log_folder(store: Store, panel: str) -> Path:
    """Make a folder in ``exports`` for the next log of a panel; no other run gets the same one.

    Parameters
    ----------
    store : Store
        The survey.
    panel : str
        Name of the panel; empty for taps without one.

    Returns
    -------
    Path
        New and empty.

    Raises
    ------
    OutputError
        If it cannot be made.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     log_folder(store, "foredeck, port").name
    'foredeck-port-1'
    """
    words = "".join(c if c.isalnum() else " " for c in panel).split()
    stem = "-".join(words)[:60] or "taps"
    for number in itertools.count(1):
        folder = store.folder / "exports" / f"{stem}-{number}"
        try:
            folder.mkdir(parents=True)
        except FileExistsError:
            continue
        except OSError as error:
            raise OutputError(
                f"{folder} cannot be made ({error.strerror})", hint="look for room, and the right to write"
            ) from error
        return folder
    raise AssertionError("numbers do not end")


def keep_baseline(store: Store, path: str) -> str:
    """Copy a baseline into the survey, so that a log compared with it can be explained from there alone.

    Parameters
    ----------
    store : Store
        The survey.
    path : str
        What ``taptone learn`` wrote. It carries a checksum, and the log names it: it needs no row of its own.

    Returns
    -------
    str
        Its name within the survey's folder.

    Raises
    ------
    SurveyError
        If it cannot be kept.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     keep_baseline(store, "models/lantern-foredeck.json")
    'panels/lantern-foredeck.json'
    """
    return store.keep_file(path, "panels")[0]


def keep_other_side(store: Store, folder: Path, path: str, other: Earlier, *, who: str = "") -> str:
    """Copy the log of the other side beside the log that was held against it, unless this survey made it.

    Parameters
    ----------
    store : Store
        The survey.
    folder : Path
        Of the log, within the survey's.
    path : str
        The log of the other side, or its folder.
    other : Earlier
        As it was read from there.
    who : str, optional
        Who had it analysed.

    Returns
    -------
    str
        Its name within the survey's folder; empty if a log of this survey is the same.

    Raises
    ------
    LogError, OutputError
        If it has changed since it was read, or cannot be kept.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> import numpy as np
    >>> log = Analysis(folder="exports/a-1", log_sha256="0" * 64, recordings=[], settings={}, versions={})
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     number = store.add(log)
    ...     nothing = np.zeros(0)
    ...     other = Earlier("a", {}, (), nothing, nothing, nothing, nothing, (), nothing, sha256="0" * 64)
    ...     keep_other_side(store, store.folder, "elsewhere", other)
    ''
    """
    if any(row.record.log_sha256 == other.sha256 for row in store.history(Analysis)):
        return ""
    log = read_log(path)
    if log.sha256 != other.sha256:
        raise LogError(f"{log.path} changed while it was used", hint="analyse again")
    put_file(folder / "other-side.json", log.content)
    held = str(folder.relative_to(store.folder))
    what = f"log of {other.panel}, the other side, which {held} was held against"
    kept = Export(file=f"{held}/other-side.json", sha256=other.sha256, what=what)
    store.add(kept, who=who)
    return kept.file


def baseline_in(path: Path) -> str:
    """Checksum of the baseline that a file holds.

    Parameters
    ----------
    path : Path
        Any file.

    Returns
    -------
    str
        As a log names it; empty where the file is no baseline, or was changed.

    Examples
    --------
    >>> baseline_in(Path("models/lantern-foredeck.json"))[:8]
    'edb8a8b8'
    """
    try:
        return load_baseline(path).sha256
    except BaselineError:
        return ""


def without_baseline(folder: Path, logs: Sequence[Analysis]) -> list[str]:
    """Which logs were compared with a baseline that a survey does not hold any more as it was.

    Parameters
    ----------
    folder : Path
        Of the survey.
    logs : sequence of Analysis
        Filed in it.

    Returns
    -------
    list of str
        Their folders.

    Examples
    --------
    >>> log = Analysis(folder="exports/a-1", log_sha256="0" * 64, recordings=[], settings={}, versions={})
    >>> without_baseline(Path("nowhere"), [log, log.model_copy(update={"baseline": "1124"})])
    ['exports/a-1']
    """
    if not any(log.baseline for log in logs):
        return []
    there = {"", *(baseline_in(path) for path in folder.glob("panels/*") if path.suffix != ".toml")}
    return [log.folder for log in logs if log.baseline not in there]


def file_log(store: Store, folder: Path, *, who: str = "") -> int:
    """File what one analysis found: its taps, verdicts and areas.

    Parameters
    ----------
    store : Store
        The survey.
    folder : Path
        Within the survey's; holds ``log.json``.
    who : str, optional
        Who had it analysed.

    Returns
    -------
    int
        Number of the analysis.

    Raises
    ------
    LogError, SurveyError
        If there is no log, or it cannot be filed.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     file_log(store, store.folder)  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    taptone.errors.LogError: .../log.json cannot be read (No such file or directory): analyse again
    """
    path = folder / "log.json"
    try:
        text = path.read_bytes()
        log = json.loads(text)
    except (OSError, ValueError) as error:
        told = error.strerror if isinstance(error, OSError) else error
        raise LogError(f"{path} cannot be read ({told})", hint="analyse again") from error
    with store.together():
        number = store.add(
            Analysis(
                panel=log["panel"]["name"] if log["panel"] else "",
                folder=str(folder.relative_to(store.folder)),
                log_sha256=sha256(text).hexdigest(),
                recordings=[r["sha256"] for r in log["recordings"]],
                baseline=str((log["baseline"] or {}).get("sha256", "")),
                settings=log["settings"],
                versions=log["versions"],
            ),
            who=who,
        )
        store.add_all([_tap(number, row) for row in log["taps"]], who=who)
        store.add_all([_verdict(number, row) for row in log["points"]], who=who)
        store.add_all(
            [
                SuspectArea(
                    analysis=number,
                    stations=row["stations"],
                    at_least_m2=row["at_least_m2"],
                    at_most_m2=row["at_most_m2"],
                    detail={k: v for k, v in row.items() if k not in SuspectArea.model_fields},
                )
                for row in log["areas"]
            ],
            who=who,
        )
    return number


def surveyed(store: Store) -> Surveyed:
    """What a survey holds of its panels, for :func:`taptone.survey.status.status`.

    Parameters
    ----------
    store : Store
        The survey.

    Returns
    -------
    Surveyed
        What stands.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     surveyed(store).panels
    []
    """
    return Surveyed(
        panels=store.records(PanelFile),
        stations=store.records(PlannedStation),
        recordings=store.records(SoundFile),
        analyses=[(row.id, row.record) for row in store.rows(Analysis)],
        verdicts=store.records(StationVerdict),
        words=store.records(Word),
        readings=store.records(Reading),
        conditions=store.records(Conditions),
        omissions=store.records(Omission),
        visits=store.records(Visit),
        photos=store.records(Photo),
    )


def said_in(store: Store) -> list[Record | str]:
    """What people wrote into a survey, and the names of its panels.

    Parameters
    ----------
    store : Store
        The survey.

    Returns
    -------
    list of Record and str
        What stands, but for what the program filled in.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     number = store.add(Boat(label="L"))
    ...     said_in(store)
    [Boat(label='L', particulars={})]
    """
    theirs = [made for kind, made in KINDS.items() if set(FILLED.get(kind, ())) < made.model_fields.keys()]
    names: list[Record | str] = [panel.name for panel in store.records(PanelFile)]
    return names + [record for made in theirs for record in store.records(made)]


def who_is(store: Store, who: str = "") -> str:
    """Who adds something: as told, or the surveyor of the visit.

    Parameters
    ----------
    store : Store
        The survey.
    who : str, optional
        As told.

    Returns
    -------
    str
        Empty where nobody is known.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     who_is(store, "J")
    'J'
    """
    told = None if who else visit_told(store.records(Visit))
    return who or (told.surveyor if told else "")


def _datums(store: Store, panel: str) -> list[str]:
    """What a panel was ever measured from."""
    told = [_datum(row.record) for row in store.history(PanelFile) if row.record.name == panel]
    return [datum for datum in dict.fromkeys(told) if datum]


def _datum(file: PanelFile) -> str:
    """What an earlier panel file measures from; empty where this version cannot read it."""
    try:
        return parse_panel(file.text, source=file.file).datum
    except PanelError:
        return ""


def _recorded(store: Store, sha256: str, panel: str, use: str) -> SoundFile | None:
    """The same sound of the same panel and use, if it was added before."""
    there = store.records(SoundFile, sha256=sha256, panel=panel, use=use)
    return there[0] if there else None


def _tap(number: int, row: dict[str, Any]) -> HeardTap:
    return HeardTap(
        analysis=number,
        measures={name: row[name] for name in MEASURE_NAMES if name in row},
        **{name: row[name] for name in ("recording", "sample", "time_s", "station", "used", "flags")},
    )


def _verdict(number: int, row: dict[str, Any]) -> StationVerdict:
    fields = StationVerdict.model_fields.keys() - {"analysis"}
    return StationVerdict(analysis=number, **{name: row[name] for name in fields})


def _made(path: str) -> str:
    """When a file was last written, which for a recording is when it ended."""
    written = datetime.fromtimestamp(Path(path).stat().st_mtime, UTC)
    return f"file last written {written.isoformat(timespec='seconds')}"
