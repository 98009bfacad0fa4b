"""Is a file in order, and if not: what is wrong, and in which line and column of it.

Nothing is changed, and no store is brought up to date.
"""

from __future__ import annotations

import json
import os
import re
import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from hashlib import file_digest
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict, ValidationError

from taptone.edges.exporting import FORMAT, stayed
from taptone.edges.logshape import fault_of, spoken
from taptone.edges.migrations import MIGRATIONS, statements
from taptone.edges.store import Store, database_of, open_store
from taptone.edges.textfiles import load_panel
from taptone.edges.visiting import baseline_in, without_baseline
from taptone.edges.whereabouts import Keys, json_places, line_and_column, place_of, toml_places
from taptone.errors import BaselineError, PanelError, SurveyError
from taptone.survey.records import KINDS, Analysis, Boat, Export, PanelFile, Photo, SoundFile, StationVerdict

__all__ = ["Checked", "Fault", "check", "database_faults"]

_STORE, _LOG = "survey.sqlite", "log.json"
_MOST = 20  # faults of one kind that are listed
_WHICH = "give a panel, baseline or log file, or the folder of a survey"


@dataclass(frozen=True, slots=True)
class Fault:
    """What is wrong, and what to do; line and column are counted from 1, 0 where the whole is meant."""

    text: str
    line: int = 0
    column: int = 0


@dataclass(frozen=True, slots=True)
class Checked:
    """What something is; in order if it has no faults. Notes are worth knowing, no more."""

    what: str
    faults: tuple[Fault, ...] = ()
    notes: tuple[str, ...] = ()


def check(path: str | os.PathLike[str]) -> Checked:
    """Say what a file or a folder is, and what is wrong with it.

    Parameters
    ----------
    path : path-like
        A panel, baseline or log file, what ``taptone export`` wrote, or the folder of a log or of a survey.

    Returns
    -------
    Checked
        One that is missing, or none of these, has a fault.

    Examples
    --------
    >>> check("recordings/demo/daggerboard.toml").what
    'panel daggerboard port, 72 stations'
    >>> check("nowhere.toml").faults[0].text
    'does not exist: check the name'
    """
    place = Path(path)
    try:
        if place.is_dir():
            return _folder(place)
        if not place.exists():
            return _unknown("does not exist", "check the name")
        if not place.is_file():
            return _unknown("is not a file", _WHICH)
        content = place.read_bytes()
    except OSError as error:
        return _unknown(f"cannot be read ({error.strerror})", "check its permissions")
    if content.startswith(b"SQLite format 3\0") or place.name == _STORE:
        return _survey(place.absolute().parent)
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        if place.suffix.casefold() not in (".toml", ".json"):
            return _unknown("is none of this program's files", _WHICH)
        line = content.count(b"\n", 0, error.start) + 1
        column = len(content[: error.start].rpartition(b"\n")[2].decode("utf-8")) + 1
        return Checked("text", (Fault("is not text in UTF-8: save it as UTF-8", line, column),))
    if place.suffix.casefold() == ".json" or text.lstrip()[:1] == "{":
        return _json(text)
    return _panel(place, text.removeprefix("\ufeff"))


def _folder(place: Path) -> Checked:
    if (place / _STORE).is_file():
        return _survey(place)
    for name in (_LOG, "survey.json"):
        if (place / name).is_file():
            return check(place / name)
    return _unknown("is a folder without a survey or a log", _WHICH)


def _unknown(wrong: str, remedy: str) -> Checked:
    return Checked("", (Fault(f"{wrong}: {remedy}"),))


# -- panels ----------------------------------------------------------------------------------------------


def _panel(place: Path, text: str) -> Checked:
    try:
        panel = load_panel(place)
    except PanelError as error:
        if error.at or not isinstance(error.__cause__, (ValueError, RecursionError)):
            fault = _fault(str(error), text, error.at, toml_places)
        else:
            fault = Fault(str(error), *_of_syntax(str(error.__cause__), text))
        name = f"{place.name}: "
        return Checked("panel", (Fault(fault.text.removeprefix(name), fault.line, fault.column),))
    notes = tuple(panel.cautions)
    return Checked(f"panel {panel.name}, {len(panel.stations)} stations", notes=notes)


def _of_syntax(told: str, text: str) -> tuple[int, int]:
    """Line and column that the reader of TOML tells."""
    found = re.search(r"at line (\d+), column (\d+)", told)
    if found:
        return int(found[1]), int(found[2])
    return line_and_column(text, len(text)) if "end of document" in told else (0, 0)


# -- JSON ------------------------------------------------------------------------------------------------


def _json(text: str) -> Checked:
    try:
        body = json.loads(text)
    except json.JSONDecodeError as error:
        told = f"is not JSON ({error.msg}): take a copy that was not changed, or write it again"
        return Checked("JSON", (Fault(told, error.lineno, error.colno),))
    except (ValueError, RecursionError):  # a number too long, brackets without end
        return _unknown("is none of this program's files", _WHICH)
    known = body if isinstance(body, dict) else {}
    told = str(known.get("format", ""))
    if told.startswith("taptone baseline"):
        return _baseline(body, text)
    if told.startswith("taptone survey"):
        return _exported(body, text)
    if {"points", "taps", "relative_to"} & known.keys():
        return _log(body, text)
    return _unknown("is JSON, but neither a baseline nor a log", _WHICH)


class _Part(BaseModel):
    model_config = ConfigDict(strict=True, extra="allow")


class _Place(_Part):
    label: str
    taps: int
    measures: dict[str, float | None]
    bands_db: list[float | None]


class _Baseline(_Part):
    """What a baseline holds; that it was not changed, its checksum tells."""

    boat: str
    construction: str
    hammer: str
    recorder: str
    version: str
    surface_temp_c: float | None
    rate_hz: int
    recordings: list[dict[str, Any]]
    settings: dict[str, Any]
    places: list[_Place]
    sha256: str


def _baseline(body: dict[str, Any], text: str) -> Checked:
    from taptone.model.saved import loads

    faults = _shape(_Baseline, body, text, "learn the baseline anew from its recordings")
    if not faults:
        try:
            known = loads(text, source="it")
        except BaselineError as error:
            faults = (_fault(str(error), text, (), json_places),)
        else:
            of = ", ".join(filter(None, (known.boat, known.construction, known.hammer)))
            return Checked(f"baseline of {of}, {known.n_places} places")
    return Checked("baseline", faults)


def _log(body: dict[str, Any], text: str) -> Checked:
    from taptone.edges.logmodel import log_model

    remedy = "analyse again, or take a copy that was not changed"
    faults = _shape(log_model(), body, text, remedy)
    if faults:
        return Checked("log", faults)
    fault = fault_of(body)
    if fault:
        return Checked("log", (_fault(f"{fault}: {remedy}", text, ("points",), json_places),))
    of = f"panel {body['panel']['name']}" if body["panel"] else "taps without a panel"
    return Checked(f"log of {of}, {len(body['points'])} {'stations' if body['panel'] else 'taps'}")


def _exported(body: dict[str, Any], text: str) -> Checked:
    again = "export the survey again"
    rows = body.get("rows")
    if body["format"] != FORMAT or not isinstance(rows, dict):
        told = f"is of another version ({body['format']}), or without rows: {again}"
        return Checked("exported survey", (_fault(told, text, ("format",), json_places),))
    for kind, made in KINDS.items():
        for n, row in enumerate(rows.get(kind, ())):
            try:
                made.model_validate(row["record"])
            except ValidationError as error:
                keys = ("rows", kind, n, "record", *error.errors()[0]["loc"])
                told = f"{kind} {row.get('id', n + 1)}, {spoken(error)}: {again}"
                return Checked("exported survey", (_fault(told, text, keys, json_places),))
            except (TypeError, KeyError):
                told = f"{kind}, row {n + 1} holds no record: {again}"
                return Checked("exported survey", (_fault(told, text, ("rows", kind, n), json_places),))
    return Checked(f"exported survey, {sum(len(rows.get(kind, ())) for kind in KINDS)} rows")


def _shape(model: type[BaseModel], body: Any, text: str, remedy: str) -> tuple[Fault, ...]:
    """The first value that is missing, unknown or of another kind."""
    try:
        model.model_validate(body)
    except ValidationError as error:
        at = error.errors(include_url=False)[0]["loc"]
        return (_fault(f"{spoken(error)}: {remedy}", text, at, json_places),)
    return ()


def _fault(told: str, text: str, keys: Keys, places: Callable[[str], dict[Keys, int]]) -> Fault:
    """A fault at the place of a key, or of what is nearest round it."""
    try:
        offset = place_of(keys, places(text)) if keys else None
    except (ValueError, IndexError, RecursionError):
        offset = None
    return Fault(told, *(line_and_column(text, offset) if offset is not None else (0, 0)))


# -- surveys ---------------------------------------------------------------------------------------------


def _survey(folder: Path) -> Checked:
    try:
        with database_of(folder) as file:
            faults, version = database_faults(file)
    except SurveyError as error:
        return Checked("survey", (Fault(str(error)),))
    if faults:
        return Checked("survey", tuple(Fault(text) for text in faults))
    if version < len(MIGRATIONS):
        note = f"made by an earlier version ({version} of {len(MIGRATIONS)} steps): open it once, then check"
        return Checked("survey", notes=(f"{note} again; only the database was checked",))
    try:
        with open_store(folder) as store:
            history = {kind: store.history(made) for kind, made in KINDS.items()}
            boats = store.records(Boat)
            sounds, photos = store.history(SoundFile), store.history(Photo)
            kept = {row.record.file: row.record.sha256 for row in store.history(PanelFile)}
            kept |= {row.record.file: row.record.sha256 for row in sounds}
            kept |= {row.record.file: row.record.sha256 for row in photos}
            logs = [row.record for row in store.history(Analysis)]
            filed = _filed(store)
            exports = [row.record for row in store.history(Export)]
    except SurveyError as error:
        return Checked("survey", (Fault(str(error)),))
    told = [
        *_files(folder, kept),
        *_logs(folder, logs),
        *_baselines(folder, logs),
        *_exports(folder, exports),
    ]
    told += [*filed, *_strays(folder, kept)]
    count = sum(len(rows) for rows in history.values())
    what = (
        f"survey of {boats[-1].label if boats else 'a boat without a name'}, {count} rows, {len(kept)} files"
    )
    return Checked(what, tuple(Fault(text) for text in told), tuple(_unfiled(folder, logs, exports)))


def database_faults(path: Path) -> tuple[list[str], int]:
    """What SQLite itself finds, and whether the file still refuses changes.

    Parameters
    ----------
    path : Path
        A survey's file.

    Returns
    -------
    faults : list of str
        One line each, with what to do.
    version : int
        Steps of :mod:`taptone.edges.migrations` that it has taken.

    Examples
    --------
    >>> [fault], version = database_faults(Path("nowhere/survey.sqlite"))
    >>> fault.partition(":")[0], version
    ('survey.sqlite cannot be read (unable to open database file)', 0)
    """
    copy = "take the latest pack or copy of the survey"
    try:
        db = sqlite3.connect(path)
        try:
            db.execute("PRAGMA query_only = ON")
            version = int(db.execute("PRAGMA user_version").fetchone()[0])
            if version > len(MIGRATIONS):
                return ["was made by a later version of this program: install that version"], version
            faults = [
                f"{_STORE}: {told}: {copy}"
                for (told,) in db.execute(f"PRAGMA integrity_check({_MOST})")
                if told != "ok"
            ]
            for table, row, *_ in db.execute("PRAGMA foreign_key_check").fetchmany(_MOST):
                faults.append(f"{_STORE}: {table} {row} names a row that is not there: {copy}")
            there = dict(db.execute("SELECT sql, type || ' ' || name FROM sqlite_master"))
            ours = [wanted for number in range(version) for wanted in statements(number)]
            for wanted in ours:
                if wanted not in there:
                    name = " ".join(wanted.split()[1:3]).lower()
                    faults.append(f"{_STORE}: {name} is missing or was changed: {copy}")
            for sql in there.keys() - set(ours):  # a changed one was told above
                if there[sql].startswith("trigger") and not any(_head(sql) == _head(own) for own in ours):
                    faults.append(f"{_STORE}: {there[sql]} was added by another program: {copy}")
            if not version:
                faults.append(f"{_STORE} is no store of this program: {copy}")
            return faults, version
        finally:
            db.close()
    except sqlite3.Error as error:
        return [f"{_STORE} cannot be read ({error}): {copy}"], 0


def _head(sql: str) -> list[str]:
    """Kind and name of what a statement makes."""
    return sql.split()[:3]


def _files(folder: Path, kept: dict[str, str]) -> list[str]:
    """Kept files that are missing, or not what they were."""
    found = ((name, _wrong(folder / name, digest)) for name, digest in sorted(kept.items()))
    return [f"{name} {wrong}: put back what was recorded" for name, wrong in found if wrong]


def _logs(folder: Path, logs: Sequence[Analysis]) -> list[str]:
    told = []
    for log in logs:
        name = f"{log.folder}/{_LOG}"
        wrong = _wrong(folder / log.folder / _LOG, log.log_sha256)
        if wrong:
            told.append(f"{name} {wrong}: analyse again, or put back a copy")
    return told


def _baselines(folder: Path, logs: Sequence[Analysis]) -> list[str]:
    """Logs that cannot be explained any more, because what they were compared with is gone."""
    return [
        f"{name}: its baseline is not among the panels, or has changed: put the file back that it was "
        "compared with"
        for name in without_baseline(folder, logs)
    ]


def _filed(store: Store) -> list[str]:
    """Rows that say something else than the file they were filled in from."""
    told = []
    wrong = (
        "does not say what {} says: another program changed it, take the latest pack or copy of the survey"
    )
    for panel in store.history(PanelFile):
        try:
            text = (store.folder / panel.record.file).read_text("utf-8")
        except (OSError, ValueError):  # told with the files
            continue
        if text.strip() != panel.record.text:  # a record keeps no blanks round a text
            told.append(f"{_STORE}: panel {panel.id} {wrong.format(panel.record.file)}")
    said: dict[int, list[tuple[str, str, float | None, int]]] = {}
    for row in store.history(StationVerdict):
        if row.replaces is None:
            one = row.record
            said.setdefault(one.analysis, []).append((one.station, one.verdict, one.score, one.taps))
    for log in store.history(Analysis):
        path = store.folder / log.record.folder / _LOG
        if log.replaces is not None or _wrong(path, log.record.log_sha256):
            continue
        points = json.loads(path.read_text("utf-8"))["points"]
        if [(p["station"], p["verdict"], p["score"], p["taps"]) for p in points] != said.get(log.id, []):
            name = f"{log.record.folder}/{_LOG}"
            told.append(f"{_STORE}: the verdicts of analysis {log.id}: one {wrong.format(name)}")
    return told


def _exports(folder: Path, exports: Sequence[Export]) -> list[str]:
    """Exports within the survey that are missing, unless a later one set them beside."""
    told = []
    for export in exports:
        path = folder / export.file
        if not stayed(export):
            continue
        wrong = _wrong(path, export.sha256)
        beside = path.parent.glob(f"{path.stem}.earlier-*{path.suffix}")
        if wrong and all(_wrong(other, export.sha256) for other in beside):
            told.append(f"{export.file} {wrong}: export it again, or put back a copy")
    return told


def _strays(folder: Path, kept: dict[str, str]) -> list[str]:
    """Evidence that lies in the folder and was never recorded, neither by itself nor as a log's baseline."""
    told = []
    known = {Path(name) for name in kept}
    for part in ("recordings", "photos", "panels"):
        for path in sorted((folder / part).rglob("*")):
            name = path.relative_to(folder)
            if not path.is_file() or name in known or (part == "panels" and baseline_in(path)):
                continue
            if path.name.startswith(".coming-"):
                told.append(f"{name.as_posix()} was left by a run that was cut short: it may be deleted")
            else:
                remedy = f"taptone add {part.removesuffix('s')}, or move it elsewhere"
                told.append(f"{name.as_posix()} is not recorded: {remedy}")
    return told


def _unfiled(folder: Path, logs: Sequence[Analysis], exports: Sequence[Export]) -> list[str]:
    """What lies among the exports and was not filed."""
    filed = {Path(log.folder).parts for log in logs} | {Path(export.file).parts[:2] for export in exports}
    if not (folder / "exports").is_dir():
        return []
    return [
        f"exports/{path.name} is not recorded"
        for path in sorted((folder / "exports").iterdir())
        if ("exports", path.name) not in filed and ".earlier-" not in path.name
    ]


def _wrong(path: Path, sha256: str) -> str:
    """Why a file is not what was recorded; empty if it is."""
    try:
        with open(path, "rb") as file:
            return (
                "" if file_digest(file, "sha256").hexdigest() == sha256 else "has changed (its hash differs)"
            )
    except FileNotFoundError:
        return "is missing"
    except OSError as error:
        return f"cannot be read ({error.strerror})"
