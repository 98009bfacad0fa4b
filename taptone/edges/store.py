"""The home of a survey: one folder with everything of one visit, and an SQLite file that only grows.

::

    kettle-2026/
      survey.sqlite   what was planned, done, heard, read, seen, left undone
      recordings/     as they came, never written to
      photos/
      panels/
      exports/        logs, maps, reports

A row is never changed: a correction is a new row that names the one it replaces, who made it, when and why.
Every commit is on the disk before it returns (write-ahead log, full sync), and a second program waits.
Where nothing can be written, a survey is read from a copy of its file.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import file_digest
from pathlib import Path
from types import TracebackType
from typing import Generic, TypeVar

from pydantic import ValidationError

from taptone import __version__
from taptone.edges.keeping import alone_in
from taptone.edges.logshape import spoken
from taptone.edges.migrations import MIGRATIONS, statements
from taptone.errors import SurveyError
from taptone.survey.records import KINDS, Record, checked, kind_of

__all__ = ["FOLDERS", "Row", "Store", "create_store", "database_of", "is_survey", "open_store", "sha256_of"]

FOLDERS = ("recordings", "photos", "panels", "exports")
_FILE = "survey.sqlite"
_FAULTS = (sqlite3.Error, UnicodeError)  # the second where SQLite's own words are spoilt
_NO_DAMAGE = tuple(f"SQLITE_{what}" for what in ("BUSY", "LOCKED", "FULL", "IOERR", "READONLY", "CANTOPEN"))
_WAIT_S = 30.0  # for another program that is writing
_LONGEST = 120  # bytes of a kept file's name before its suffix, so that a hash has room beside it
_NO_NAME = '<>:"/\\|?*'  # in a file's name on one system or another

R = TypeVar("R", bound=Record)


@dataclass(frozen=True, slots=True)
class Row(Generic[R]):
    """A record as it was kept: when, by whom, in place of which earlier row and why."""

    id: int
    at: str
    who: str
    why: str
    replaces: int | None
    withdrawn: bool
    record: R


def create_store(folder: str | Path, records: Sequence[Record] = (), *, who: str = "") -> Store:
    """Make the folder of a new survey; if that fails, nothing of it is left.

    Parameters
    ----------
    folder : str or Path
        Missing or empty.
    records : sequence of Record, optional
        What it holds from the beginning.
    who : str, optional
        Who says so.

    Returns
    -------
    Store
        Open; close it, or use it in a ``with`` statement.

    Raises
    ------
    SurveyError
        If there is something in the folder already, or it cannot be made.

    Examples
    --------
    >>> import tempfile
    >>> from taptone.survey.records import Boat
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "lantern")) as store:
    ...     number = store.add(Boat(label="Lantern"), who="J")
    ...     [row.record.label for row in store.rows(Boat)]
    ['Lantern']
    """
    folder = Path(folder)
    if os.path.lexists(folder / _FILE):  # unlike Path.exists, at peace with a name too long
        raise SurveyError(f"{folder} holds a survey already", hint="add to it, or choose another folder")
    made = not os.path.lexists(folder)
    try:
        if folder.is_dir() and any(folder.iterdir()):
            raise SurveyError(f"{folder} is not empty", hint="choose a new folder for the survey")
        with contextlib.ExitStack() as undone:
            undone.callback(_clear, folder, made)
            for part in FOLDERS:
                (folder / part).mkdir(parents=True, exist_ok=True)
            store = Store(folder, new=True)
            undone.callback(store.close)
            store.add_all(records, who=who)
            undone.pop_all()
    except OSError as error:
        raise SurveyError(
            f"{folder} cannot be made ({error.strerror})", hint="choose another place"
        ) from error
    return store


def open_store(folder: str | Path) -> Store:
    """Open the folder of a survey; a store of an earlier version is brought up to date.

    Parameters
    ----------
    folder : str or Path
        Made by :func:`create_store`.

    Returns
    -------
    Store
        Open; close it, or use it in a ``with`` statement. Where nothing can be written it only reads.

    Raises
    ------
    SurveyError
        If there is no survey, it is damaged, or it was made by a later version.

    Examples
    --------
    >>> open_store("nowhere")
    Traceback (most recent call last):
        ...
    taptone.errors.SurveyError: nowhere holds no survey: make one with taptone new
    """
    folder = Path(folder)
    if not is_survey(folder):
        raise SurveyError(f"{folder} holds no survey", hint="make one with taptone new")
    return Store(folder)


def is_survey(folder: str | Path) -> bool:
    """Whether a folder holds a survey.

    Parameters
    ----------
    folder : str or Path
        Any path.

    Returns
    -------
    bool
        Nothing is opened for it.

    Examples
    --------
    >>> is_survey("nowhere")
    False
    """
    return os.path.isfile(Path(folder) / _FILE)  # unlike Path.is_file, at peace with a name too long


class Store:
    """An open survey; made by :func:`create_store` or :func:`open_store`.

    Parameters
    ----------
    folder : Path
        Of the survey.
    new : bool, optional
        Whether its file may be empty.
    """

    def __init__(self, folder: Path, *, new: bool = False) -> None:
        self.folder = folder
        with contextlib.ExitStack() as undone:
            file = undone.enter_context(database_of(folder))
            self.reads_only = file != folder / _FILE
            try:
                self._db = sqlite3.connect(file, timeout=_WAIT_S, isolation_level=None)
                undone.callback(self._db.close)
                for pragma in ("journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
                    self._db.execute(f"PRAGMA {pragma}")
                self._db.execute("PRAGMA recursive_triggers = ON")
                self._bring_up_to_date(new)
            except _FAULTS as error:
                raise self._failed(error) from error
            self._open = undone.pop_all()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; everything added is in it already."""
        self._open.close()

    @property
    def version(self) -> int:
        """Steps of :mod:`taptone.edges.migrations` that the file has taken."""
        return int(self._db.execute("PRAGMA user_version").fetchone()[0])

    # -- adding -----------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def together(self) -> Iterator[None]:
        """All that is added inside is kept, or nothing of it."""
        self._may_write()
        try:
            self._db.execute("BEGIN IMMEDIATE")
        except _FAULTS as error:
            raise self._failed(error) from error
        try:
            yield
            self._db.execute("COMMIT")
        except BaseException as error:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")
            if isinstance(error, _FAULTS):
                raise self._failed(error) from error
            raise

    def add(self, record: Record, *, who: str = "", why: str = "", at: str = "") -> int:
        """Keep one record.

        Parameters
        ----------
        record : Record
            Of any kind.
        who, why : str, optional
            Who says so, and on what occasion.
        at : str, optional
            Time as ISO 8601; now by default.

        Returns
        -------
        int
            Its number among those of its kind.

        Raises
        ------
        SurveyError
            If it cannot be written.
        """
        return self._insert(record, who, why, at, None, False)

    def add_all(self, records: Sequence[Record], *, who: str = "", why: str = "") -> list[int]:
        """Keep many records, or none of them.

        Parameters
        ----------
        records : sequence of Record
            Of any kinds.
        who, why : str, optional
            Who says so, and on what occasion.

        Returns
        -------
        list of int
            Their numbers.

        Raises
        ------
        SurveyError
            If they cannot be written.
        """
        with self._alone():
            return [self.add(record, who=who, why=why) for record in records]

    def correct(self, kind: str, number: int, changes: Mapping[str, object], *, who: str, why: str) -> int:
        """Put a corrected row beside an earlier one, which stays.

        Parameters
        ----------
        kind : str
            A key of :data:`taptone.survey.records.KINDS`.
        number : int
            The row to be corrected.
        changes : mapping
            Fields and their new values.
        who, why : str
            Who corrects, and why; both must be given.

        Returns
        -------
        int
            Number of the new row.

        Raises
        ------
        SurveyError
            If there is no such row, it was corrected before, a value is not right, or nobody says why.
        """
        with self._alone():
            row = self._open_row(kind, number, who, why)
            record = checked(kind, **(row.record.model_dump() | dict(changes)))
            return self._insert(record, who, why, "", number, False)

    def withdraw(self, kind: str, number: int, *, who: str, why: str) -> int:
        """Mark a row as not to be used any more; it stays.

        Parameters
        ----------
        kind : str
            A key of :data:`taptone.survey.records.KINDS`.
        number : int
            The row.
        who, why : str
            Who withdraws it, and why; both must be given.

        Returns
        -------
        int
            Number of the row that says so.

        Raises
        ------
        SurveyError
            If there is no such row, it was corrected before, or nobody says why.
        """
        with self._alone():
            row = self._open_row(kind, number, who, why)
            return self._insert(row.record, who, why, "", number, True)

    def keep_file(self, path: str | Path, part: str) -> tuple[str, str]:
        """Copy a file into the survey, as it is; one that is there already is not copied again.

        Parameters
        ----------
        path : str or Path
            The file.
        part : str
            One of :data:`FOLDERS`.

        Returns
        -------
        name : str
            Within the survey's folder; where another file has its name, with the start of its hash.
        sha256 : str
            Of the file.

        Raises
        ------
        SurveyError
            If it cannot be read or copied.
        """
        path = Path(path)
        wanted = self.folder / part / _plain_name(path)
        with contextlib.ExitStack() as undone:
            try:
                if path.exists() and not path.is_file():
                    raise SurveyError(f"{path} is not a file", hint="give the file itself")
                wanted.parent.mkdir(exist_ok=True)  # a pack that was unpacked may lack it
                with (
                    open(path, "rb") as source,
                    tempfile.NamedTemporaryFile(dir=wanted.parent, prefix=".coming-", delete=False) as copy,
                ):
                    undone.callback(Path(copy.name).unlink, missing_ok=True)
                    shutil.copyfileobj(source, copy, 1 << 20)
                    copy.flush()
                    os.fsync(copy.fileno())
                sha256 = sha256_of(copy.name)
                os.chmod(copy.name, 0o644)
                with alone_in(wanted.parent):
                    name = _put(Path(copy.name), wanted, sha256)
            except OSError as error:
                raise SurveyError(
                    f"{path} cannot be kept in {self.folder / part} ({error.strerror})",
                    hint="look at the file, and for room on the disk",
                ) from error
        return f"{part}/{name}", sha256

    def copy_to(self, path: str | Path) -> None:
        """Write a copy of the survey's file as it is at this moment, whole and checked.

        Parameters
        ----------
        path : str or Path
            A new file; nothing else is needed beside it.

        Raises
        ------
        SurveyError
            If the survey's file is damaged, or the copy cannot be written.
        """
        try:
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
            with contextlib.closing(sqlite3.connect(path)) as copy:
                self._db.backup(copy)
            [[found], *_] = self._db.execute("PRAGMA integrity_check").fetchall()
        except _FAULTS as error:
            raise self._failed(error) from error
        if found != "ok":
            raise self._failed(sqlite3.DatabaseError(str(found).partition("\n")[0]))

    # -- looking ----------------------------------------------------------------------------------------

    def rows(self, kind: type[R], **equal: object) -> list[Row[R]]:
        """Rows that stand: neither corrected nor withdrawn, in the order in which they were added.

        Parameters
        ----------
        kind : type
            A class of :mod:`taptone.survey.records`.
        **equal
            Only rows whose fields have these values.

        Returns
        -------
        list of Row
            With their records.
        """
        name = kind_of(kind)
        standing = f"withdrawn = 0 AND id NOT IN (SELECT replaces FROM {name} WHERE replaces IS NOT NULL)"
        return self._rows(kind, standing, equal)

    def records(self, kind: type[R], **equal: object) -> list[R]:
        """The records of :meth:`rows`.

        Parameters
        ----------
        kind : type
            A class of :mod:`taptone.survey.records`.
        **equal
            Only records whose fields have these values.

        Returns
        -------
        list of Record
            That stand.
        """
        return [row.record for row in self.rows(kind, **equal)]

    def history(self, kind: type[R]) -> list[Row[R]]:
        """Every row of a kind that was ever added.

        Parameters
        ----------
        kind : type
            A class of :mod:`taptone.survey.records`.

        Returns
        -------
        list of Row
            In the order in which they were added.
        """
        return self._rows(kind, "1", {})

    def steps(self) -> list[dict[str, object]]:
        """The steps that the file has taken, and when.

        Returns
        -------
        list of dict
            Keys ``number``, ``name``, ``at`` and ``program``, its version.
        """
        try:
            found = self._db.execute("SELECT number, name, at, program FROM migration ORDER BY number")
            return [dict(zip(("number", "name", "at", "program"), row, strict=True)) for row in found]
        except sqlite3.Error as error:
            raise self._failed(error) from error

    def row(self, kind: str, number: int) -> Row[Record]:
        """One row by its number, whether it stands or not.

        Parameters
        ----------
        kind : str
            A key of :data:`taptone.survey.records.KINDS`.
        number : int
            The row.

        Returns
        -------
        Row
            With its record.

        Raises
        ------
        SurveyError
            If there is no such row.
        """
        if kind not in KINDS:
            raise SurveyError(f"{kind} is no kind of record", hint=f"known are {', '.join(KINDS)}")
        rows = self._rows(KINDS[kind], f"id = {int(number)}", {})
        if not rows:
            raise SurveyError(f"there is no {kind} {number}", hint="taptone history lists their numbers")
        return rows[0]

    # -- within -----------------------------------------------------------------------------------------

    def _alone(self) -> contextlib.AbstractContextManager[None]:
        """:meth:`together`, also inside of it."""
        return contextlib.nullcontext() if self._db.in_transaction else self.together()

    def _bring_up_to_date(self, new: bool) -> None:
        """Take the steps that are missing, all or none."""
        if self.version == 0 and not new:
            raise SurveyError(
                f"{self.folder / _FILE} is empty",
                hint="take the latest pack or copy; if there was nothing in it yet, delete the folder",
            )
        if self.version > len(MIGRATIONS):
            raise SurveyError(
                f"{self.folder} was made by a later version of this program", hint="install that version"
            )
        if self.version == len(MIGRATIONS):
            return
        with contextlib.nullcontext() if self.reads_only else self.together():
            for number in range(self.version, len(MIGRATIONS)):  # another program may have been quicker
                for statement in statements(number):
                    self._db.execute(statement)
                self._db.execute(
                    "INSERT INTO migration VALUES (?, ?, ?, ?)",
                    (number + 1, MIGRATIONS[number][0], _now(), __version__),
                )
            self._db.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")

    def _insert(
        self, record: Record, who: str, why: str, at: str, replaces: int | None, withdrawn: bool
    ) -> int:
        self._may_write()
        kind = kind_of(record)
        values = {
            "at": at or _now(),
            "who": who,
            "why": why,
            "replaces": replaces,
            "withdrawn": int(withdrawn),
            **{name: _written(value) for name, value in record.model_dump().items()},
        }
        marks = ", ".join("?" * len(values))
        try:
            done = self._db.execute(
                f"INSERT INTO {kind} ({', '.join(values)}) VALUES ({marks})", tuple(values.values())
            )
        except _FAULTS as error:
            raise self._failed(error) from error
        return int(done.lastrowid or 0)

    def _rows(self, kind: type[R], condition: str, equal: Mapping[str, object]) -> list[Row[R]]:
        name = kind_of(kind)
        fields = tuple(kind.model_fields)
        where = " AND ".join([condition, *(f"{_field(kind, key)} = ?" for key in equal)])
        columns = ", ".join(("id", "at", "who", "why", "replaces", "withdrawn", *fields))
        try:
            found = self._db.execute(
                f"SELECT {columns} FROM {name} WHERE {where} ORDER BY id",
                tuple(_written(value) for value in equal.values()),
            ).fetchall()
        except _FAULTS as error:
            raise self._failed(error) from error
        rows = []
        for id_, at, who, why, replaces, gone, *rest in found:
            try:
                record = kind.model_validate(_read_back(kind, fields, rest))
            except ValueError as error:  # also of pydantic, and of JSON
                raise SurveyError(
                    f"{self.folder / _FILE}: {name} {id_} cannot be read ({_first_line(error)})",
                    hint="another program changed it: take the latest pack or copy of the survey",
                ) from error
            rows.append(Row(id_, at, who, why, replaces, bool(gone), record))
        return rows

    def _open_row(self, kind: str, number: int, who: str, why: str) -> Row[Record]:
        """A row that nothing has taken the place of."""
        row = self.row(kind, number)
        if not (who.strip() and why.strip()):
            raise SurveyError(
                f"{kind} {number} cannot be corrected", hint="say who corrects it (--who), and why"
            )
        for later in self._rows(KINDS[kind], f"replaces = {row.id}", {}):
            raise SurveyError(
                f"{kind} {number} was replaced by {kind} {later.id} before", hint=f"correct {kind} {later.id}"
            )
        if row.withdrawn:
            raise SurveyError(f"{kind} {number} says that another was withdrawn", hint="add it anew")
        return row

    def _may_write(self) -> None:
        if self.reads_only:
            raise SurveyError(
                f"{self.folder} cannot be written to",
                hint="add to a copy of it, or ask for the right to write",
            )

    def _failed(self, error: Exception) -> SurveyError:
        """Say in one line what SQLite says."""
        if isinstance(error, UnicodeEncodeError):
            return SurveyError(f"{error.object!r} is no text", hint="write it in letters and figures")
        hint = "take the latest pack or copy of the survey"
        if isinstance(error, sqlite3.IntegrityError):
            hint = "correct it with a new, dated row"
        elif getattr(error, "sqlite_errorname", "").startswith(_NO_DAMAGE):
            hint = "look for room on the disk, and whether another program holds the file"
        return SurveyError(f"{self.folder / _FILE}: {error}", hint=hint)


@contextlib.contextmanager
def database_of(folder: Path) -> Iterator[Path]:
    """A survey's SQLite file, or for as long as it is open a copy of it where nothing can be written.

    SQLite keeps notes beside a file even to read it.

    Parameters
    ----------
    folder : Path
        Of the survey.

    Yields
    ------
    Path
        With what was not yet carried over into it beside it.

    Raises
    ------
    SurveyError
        If it can neither be written to nor copied.

    Examples
    --------
    >>> with database_of(Path("lantern")) as file:
    ...     file.name
    'survey.sqlite'
    """
    if not (folder / _FILE).exists() or all(os.access(p, os.W_OK) for p in (folder, folder / _FILE)):
        yield folder / _FILE
        return
    with contextlib.ExitStack() as until:
        try:
            place = Path(until.enter_context(tempfile.TemporaryDirectory(prefix="taptone-")))
            for name in (_FILE, f"{_FILE}-wal"):
                if (folder / name).exists():
                    shutil.copyfile(folder / name, place / name)
        except OSError as error:
            raise SurveyError(
                f"{folder} can be neither written to nor copied for reading ({error.strerror})",
                hint="ask for the right to read it, and look for room on the disk",
            ) from error
        yield place / _FILE


def sha256_of(path: str | Path) -> str:
    """SHA-256 of a file, in hexadecimal; memory does not grow with it.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    str
        64 figures.

    Examples
    --------
    >>> sha256_of("/dev/null")[:12]
    'e3b0c44298fc'
    """
    with open(path, "rb") as file:
        return file_digest(file, "sha256").hexdigest()


def _clear(folder: Path, made: bool) -> None:
    """Take away what :func:`create_store` made in a folder that was missing or empty."""
    for path in (*folder.glob(f"{_FILE}*"), *(folder / part for part in FOLDERS)):
        with contextlib.suppress(OSError):
            path.rmdir() if path.is_dir() else path.unlink()
    if made:
        with contextlib.suppress(OSError):
            folder.rmdir()


def _plain_name(path: Path) -> str:
    """A file's name as every system can keep it; ``original`` of its record has the real one."""
    text = path.name.encode("utf-8", "replace").decode("utf-8")
    text = "".join("_" if c in _NO_NAME or not c.isprintable() else c for c in text).strip(". ")
    stem, dot, suffix = text.rpartition(".")
    if not dot or len(suffix) > 10:
        stem, suffix = text, ""
    stem = stem.encode("utf-8")[:_LONGEST].decode("utf-8", "ignore").rstrip(". ")
    return (stem or "file") + (f".{suffix}" if suffix else "")


def _put(copy: Path, wanted: Path, sha256: str) -> str:
    """Give a copy the name that is wanted, or one with its hash where another file has that name."""
    there = {path.name.casefold(): path for path in wanted.parent.iterdir()}  # some systems see no case
    for name in (wanted, wanted.with_name(f"{wanted.stem}-{sha256[:12]}{wanted.suffix}")):
        same = there.get(name.name.casefold())
        if same is None:
            os.replace(copy, name)
            return name.name
        if sha256_of(same) == sha256:
            return same.name
    raise FileExistsError(None, "files of other content have both its names")


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")


def _row(kind: type[R], fields: Sequence[str], values: Sequence[object]) -> Row[R]:
    number, at, who, why, replaces, gone, *rest = values
    record = kind.model_validate(_read_back(kind, fields, rest))
    return Row(number, at, who, why, replaces, bool(gone), record)  # type: ignore[arg-type]


def _written(value: object) -> object:
    """A value as SQLite keeps it."""
    if isinstance(value, (dict, list)):
        return json.dumps(value, ensure_ascii=False, sort_keys=True)
    return int(value) if isinstance(value, bool) else value


def _read_back(kind: type[Record], fields: Sequence[str], values: Sequence[object]) -> dict[str, object]:
    """Lists and tables out of their text."""
    kept = {}
    for name, value in zip(fields, values, strict=True):
        nested = str(kind.model_fields[name].annotation).startswith(("list", "dict"))
        kept[name] = json.loads(value) if nested and isinstance(value, str) else value
    return kept


def _first_line(error: ValueError) -> str:
    return spoken(error) if isinstance(error, ValidationError) else str(error)


def _field(kind: type[Record], key: str) -> str:
    if key not in kind.model_fields:
        raise KeyError(key)
    return key
