"""The tapped-point log on disk: ``points.csv``, ``taps.csv``, ``log.json`` and the map beside them.

All or nothing: every file is written whole and brought to the disk in a hidden folder beside its place, and
is moved into place only when all of them are there. If a move fails, those before it are taken back.

Values are rounded here and only here, by :data:`DECIMALS`. A number that could not be measured is an empty
cell in CSV and ``null`` in JSON. Several values in one cell are joined by a space, each quoted as a shell
would (``'Voice 2.m4a' row.wav``), so that :func:`shlex.split` gives them back.
"""

from __future__ import annotations

import contextlib
import csv
import dataclasses
import io
import json
import math
import os
import re
import shlex
import shutil
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from decimal import ROUND_FLOOR, Decimal
from pathlib import Path
from typing import Any

import numpy as np

from taptone.edges.keeping import alone_in, set_beside
from taptone.errors import OutputError
from taptone.types import BAND_NAMES_HZ, MEASURE_NAMES, Point, Result

__all__ = ["DECIMALS", "POINT_COLUMNS", "TAP_COLUMNS", "may_write", "write_result"]

#: Decimals of a value by the end of its name. ``confidence`` is rounded down, so that it reaches neither the
#: limit of a verdict nor certainty by rounding; ``chance_if_good`` keeps three significant digits instead.
DECIMALS: Mapping[str, int] = {
    "_s": 4,
    "_ms": 2,
    "_hz": 1,
    "_db": 2,
    "_dbfs": 2,
    "_m": 4,
    "_m2": 4,
    "at_least": 4,
    "at_most": 4,
    "best_guess": 4,
    "score": 3,
    "spread": 3,
    "strength": 3,
    "confidence": 4,
}

_BAND_COLUMNS = tuple(f"band_{name}_hz_db" for name in BAND_NAMES_HZ)

#: Columns of ``points.csv``.
POINT_COLUMNS: tuple[str, ...] = tuple(field.name for field in dataclasses.fields(Point))

#: Columns of ``taps.csv``; the bands are named by their nominal centres.
TAP_COLUMNS: tuple[str, ...] = (
    *("recording", "sample", "time_s", "station", "used", "flags"),
    *MEASURE_NAMES,
    *_BAND_COLUMNS,
)


def may_write(out: Path) -> None:
    """Refuse a place where no log can be written, before anybody waits for one.

    Parameters
    ----------
    out : Path
        The folder that is to hold the log.

    Raises
    ------
    OutputError
        If it is a file, or lies in what is no folder or cannot be written to.

    Examples
    --------
    >>> may_write(Path("/dev/null/log"))
    Traceback (most recent call last):
        ...
    taptone.errors.OutputError: /dev/null/log cannot be written to (/dev/null is a file): choose another --out
    """
    try:
        there = next(place for place in (out, *out.absolute().parents) if place.exists())
    except OSError as error:  # a name too long
        raise OutputError(
            f"{out} cannot be written to ({error.strerror})", hint="choose another --out"
        ) from error
    if not there.is_dir():
        raise OutputError(f"{out} cannot be written to ({there} is a file)", hint="choose another --out")
    if not os.access(there, os.W_OK | os.X_OK):
        raise OutputError(f"{there} cannot be written to", hint="choose another folder with --out")


def write_result(result: Result, out: Path, *, pictures: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Write the log of one analysis into a folder, all or nothing.

    Parameters
    ----------
    result : Result
        What was found.
    out : Path
        The folder; made if missing. A file of an earlier run that differs is set beside, as
        ``points.earlier-1.csv``; others are left alone.
    pictures : mapping of str to bytes
        Pictures by file name, as :func:`taptone.edges.pictures.draw_map` makes them.

    Returns
    -------
    tuple of Path
        ``points.csv``, ``taps.csv``, ``log.json``, the pictures, and what was set beside.

    Raises
    ------
    OutputError
        If the folder cannot be made or written to. Nothing has changed then.

    Examples
    --------
    >>> nothing = Result(None, (), (), (), (), (), (), (), (), (), "this panel only")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     [path.name for path in write_result(nothing, Path(folder), pictures={})]
    ['points.csv', 'taps.csv', 'log.json']
    """
    points = [_rounded({name: getattr(point, name) for name in POINT_COLUMNS}) for point in result.points]
    taps = [_rounded(row) for row in _tap_rows(result)]
    texts = {
        "points.csv": _table(POINT_COLUMNS, points),
        "taps.csv": _table(TAP_COLUMNS, taps),
        "log.json": json.dumps(_log(result, points, taps), ensure_ascii=False, indent=1, allow_nan=False)
        + "\n",
    }
    # A file name may hold bytes that are no text; JSON reads the escape back, a person sees it.
    files = {name: text.encode("utf-8", "backslashreplace") for name, text in texts.items()}
    return _put(Path(out), files | dict(pictures))


# -- rows ----------------------------------------------------------------------------------------------


def _tap_rows(result: Result) -> Iterator[dict[str, Any]]:
    """Yield the columns of ``taps.csv`` for each tap."""
    for tap, station, used in zip(result.taps, result.tap_station, result.tap_used, strict=True):
        bands = tap.bands_db or (math.nan,) * len(_BAND_COLUMNS)
        yield {
            "recording": tap.recording,
            "sample": tap.sample,
            "time_s": tap.time_s,
            "station": station,
            "used": bool(used),
            "flags": tap.flags,
            **{name: tap.values.get(name, math.nan) for name in MEASURE_NAMES},
            **dict(zip(_BAND_COLUMNS, bands, strict=True)),
        }


def _log(
    result: Result, points: Sequence[Mapping[str, Any]], taps: Sequence[Mapping[str, Any]]
) -> dict[str, Any]:
    """Return all of a result, in the order of its fields; what was declared or set is not rounded."""
    rejected = [
        {"recording": sound.recording, "sample": sound.sample, "time_s": sound.time_s, "reason": sound.reason}
        for sound in result.rejected
    ]
    tables = {
        "points": points,
        "taps": taps,
        "rejected": [_rounded(row) for row in rejected],
        "areas": [_rounded(_plain(area)) for area in result.areas],
        "health": [_rounded(_plain(finding)) for finding in result.health],
    }
    said = {field.name: getattr(result, field.name) for field in dataclasses.fields(result)}
    del said["tap_station"], said["tap_used"]  # they stand in the rows of the taps
    return {name: tables.get(name) if name in tables else _plain(value) for name, value in said.items()}


def _plain(value: Any) -> Any:
    """Return a value as JSON can hold it: missing numbers are None."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (np.ndarray, np.generic)):
        return _plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if isinstance(value, (set, frozenset)):
        return sorted(_plain(item) for item in value)
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if value is None or isinstance(value, (bool, int, str)) else str(value)


def _rounded(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a row as plain values, each rounded by its name."""
    return {name: _round(name, _plain(value)) for name, value in row.items()}


def _round(name: str, value: Any) -> Any:
    """Round a number, or the numbers in a list."""
    if isinstance(value, list):
        return [_round(name, item) for item in value]
    if not isinstance(value, float):
        return value
    if name == "chance_if_good":
        return float(f"{value:.3g}")
    end = next((end for end in DECIMALS if name.endswith(end)), None)
    if end is None:
        return value
    if name == "confidence":
        return float(Decimal(repr(value)).quantize(Decimal(1).scaleb(-DECIMALS[end]), rounding=ROUND_FLOOR))
    return round(value, DECIMALS[end]) + 0.0  # no minus zero


# -- CSV -----------------------------------------------------------------------------------------------


def _table(columns: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> str:
    """Return rows as CSV with a head line."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_cell(row[name]) for name in columns] for row in rows)
    return text.getvalue()


#: Text that a spreadsheet would run as a formula; a signed number is no formula.
_FORMULA = re.compile(r"[=@\t\r]|[+-](?!\d+(\.\d+)?$)")


def _cell(value: Any) -> Any:
    """Return what stands in a cell; text that would be a formula starts with an apostrophe."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        value = shlex.join(map(str, value))
    if isinstance(value, str) and _FORMULA.match(value):
        return "'" + value
    return value


# -- to the disk ---------------------------------------------------------------------------------------


def _put(out: Path, files: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Write all files into `out`, or none."""
    made = [folder for folder in (out, *out.parents) if not folder.exists()]
    try:
        out.mkdir(parents=True, exist_ok=True)
        with _hidden_folder(out) as stage:
            for name, content in files.items():
                with open(stage / name, "xb") as file:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
            with alone_in(out):
                kept = _move(stage, out, files)
            _sync(out)
    except BaseException as error:
        for folder in made:
            with contextlib.suppress(OSError):
                folder.rmdir()  # only if empty
        if isinstance(error, OSError):
            raise OutputError(
                f"{out} cannot be written to ({error.strerror or error})",
                hint="choose another folder with --out, or make room in this one",
            ) from error
        raise
    return tuple(out / name for name in files) + kept


@contextlib.contextmanager
def _hidden_folder(out: Path) -> Iterator[Path]:
    """Make a folder inside `out`, so on the same disk, and take it away again."""
    folder = Path(tempfile.mkdtemp(prefix=".writing-", dir=out))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _move(stage: Path, out: Path, files: Mapping[str, bytes]) -> tuple[Path, ...]:
    """Move finished files into place; if one cannot be moved, put back what was there before."""
    for name in files:
        if (out / name).is_dir():
            raise IsADirectoryError(0, f"{name} is a folder there")
    undo: list[tuple[Path, Path | None]] = []  # a name, and where its earlier file is
    try:
        for name, content in files.items():
            beside = set_beside(out / name, content)
            if beside is not None or not (out / name).exists():
                undo.append((out / name, beside))
            os.replace(stage / name, out / name)
    except BaseException:
        for place, beside in undo:
            if beside is not None:
                os.replace(beside, place)
            else:
                place.unlink(missing_ok=True)
        raise
    return tuple(beside for _, beside in undo if beside is not None)


def _sync(folder: Path) -> None:
    """Bring the names in a folder to the disk, where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
