"""Everything a survey holds, as tables that any other program reads: a CSV a kind, and one JSON with all.

Every row that was ever added is there, with what became of it in the column ``state``:

=============  =========================================================
``stands``     neither corrected nor withdrawn
``corrected``  another row, ``replaced_by``, stands in its place
``withdrawn``  ``replaced_by`` says who took it back, and why
``withdraws``  that row; its fields repeat those of the row it takes back
=============  =========================================================

The same rows give the same bytes. Lengths are in metres, whatever is shown on screens.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

from taptone.edges.cells import table
from taptone.edges.keeping import put_files
from taptone.edges.store import Row, Store
from taptone.errors import OutputError
from taptone.survey.records import KINDS, Export, Record

__all__ = ["FORMAT", "export_survey", "stayed", "tables_folder", "tables_of"]

FORMAT = "taptone survey 1"
_KEPT = ("id", "at", "who", "why", "replaces", "replaced_by", "state")


def export_survey(store: Store, out: Path, *, who: str = "") -> tuple[Path, ...]:
    """Write everything a survey holds into a folder, all or nothing, and file that it was done.

    Parameters
    ----------
    store : Store
        The survey; another program that adds to it waits meanwhile. Where it cannot be written to, nothing is
        filed in it.
    out : Path
        The folder; made if missing. A file of an earlier export that differs is set beside.
    who : str, optional
        Who had it exported.

    Returns
    -------
    tuple of Path
        ``survey.json``, a CSV for each kind of record, and what was set beside.

    Raises
    ------
    OutputError, SurveyError
        If the folder cannot be written to, or the survey cannot be read. Nothing has changed then.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     paths = export_survey(store, Path(place, "tables"))
    ...     [path.name for path in paths[:3]], store.records(Export)[0].what
    (['survey.json', 'boat.csv', 'visit.csv'], 'all rows as CSV and JSON')
    """
    inside, exports = store.folder.resolve(), (store.folder / "exports").resolve()
    if out.resolve().is_relative_to(inside) and not out.resolve().is_relative_to(exports):
        raise OutputError(
            f"{out} lies among the evidence of the survey",
            hint="choose its exports, or a place outside of it",
        )
    if store.reads_only:  # a copy that nobody else writes to, and that goes when it is closed
        return put_files(out, tables_of(store))
    with store.together():
        files = tables_of(store)
        paths = put_files(out, files)
        digest = sha256(files["survey.json"]).hexdigest()
        record = Export(file=_named(store, paths[0]), sha256=digest, what="all rows as CSV and JSON")
        store.add(record, who=who)
    return paths


def tables_of(store: Store) -> dict[str, bytes]:
    """Everything a survey holds, as files.

    Parameters
    ----------
    store : Store
        The survey.

    Returns
    -------
    dict of str to bytes
        ``survey.json``, and ``KIND.csv`` for each of :data:`taptone.survey.records.KINDS`.

    Raises
    ------
    SurveyError
        If it cannot be read.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> from taptone.survey.records import Boat
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     number = store.add(Boat(label="Lantern"), who="J", at="2026-05-14T09:00:00+00:00")
    ...     print(tables_of(store)["boat.csv"].decode(), end="")
    id,at,who,why,replaces,replaced_by,state,label,particulars
    1,2026-05-14T09:00:00+00:00,J,,,,stands,Lantern,
    """
    rows = {kind: _rows(store.history(made)) for kind, made in KINDS.items()}
    body = {"format": FORMAT, "lengths": "metres", "steps": store.steps(), "rows": rows}
    texts = {"survey.json": json.dumps(body, ensure_ascii=False, indent=1, allow_nan=False) + "\n"}
    for kind, made in KINDS.items():
        texts[f"{kind}.csv"] = table((*_KEPT, *_columns(made)), [_flat(row) for row in rows[kind]])
    # The name of a file may hold bytes that are no text; JSON reads the escape back, a person sees it.
    return {name: text.encode("utf-8", "backslashreplace") for name, text in texts.items()}


def stayed(export: Export) -> bool:
    """Whether an export lies in the survey; one that was handed out may be anywhere by now.

    Parameters
    ----------
    export : Export
        A file that was made.

    Returns
    -------
    bool
        As its name says.

    Examples
    --------
    >>> [stayed(Export(file=f, sha256="0" * 64)) for f in ("exports/tables-1/survey.json", "../survey.json")]
    [True, False]
    """
    return Path(export.file).parts[0] == "exports"


def tables_folder(store: Store) -> Path:
    """Where the next export of a survey goes: a new folder in its ``exports``.

    Parameters
    ----------
    store : Store
        The survey.

    Returns
    -------
    Path
        That does not exist yet.

    Examples
    --------
    >>> from taptone.edges.store import create_store
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place, create_store(Path(place, "s")) as store:
    ...     tables_folder(store).name
    'tables-1'
    """
    exports = store.folder / "exports"
    number = 1
    while (exports / f"tables-{number}").exists():
        number += 1
    return exports / f"tables-{number}"


def _rows(history: Sequence[Row[Any]]) -> list[dict[str, Any]]:
    """Rows of one kind with what became of them."""
    by = {row.replaces: row for row in history if row.replaces is not None}
    return [
        {
            "id": row.id,
            "at": row.at,
            "who": row.who,
            "why": row.why,
            "replaces": row.replaces,
            "replaced_by": by[row.id].id if row.id in by else None,
            "state": _state(row, by.get(row.id)),
            "record": row.record.model_dump(mode="json"),
        }
        for row in history
    ]


def _state(row: Row[Any], later: Row[Any] | None) -> str:
    if row.withdrawn:
        return "withdraws"
    if later is None:
        return "stands"
    return "withdrawn" if later.withdrawn else "corrected"


def _columns(made: type[Record]) -> list[str]:
    """Names of a kind's own columns; one that every row has already is told apart."""
    return [f"record_{name}" if name in _KEPT else name for name in made.model_fields]


def _flat(row: dict[str, Any]) -> dict[str, Any]:
    own = {f"record_{name}" if name in _KEPT else name: value for name, value in row["record"].items()}
    return {name: row[name] for name in _KEPT} | own


def _named(store: Store, path: Path) -> str:
    """A file's name within the survey's folder, or else as it was given."""
    inside = path.resolve()
    folder = store.folder.resolve()
    return str(inside.relative_to(folder) if inside.is_relative_to(folder) else path)
