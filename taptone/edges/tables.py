"""The tapped-point log on disk: ``points.csv``, ``taps.csv``, ``log.json`` and the map beside them.

All or nothing, as :func:`~taptone.edges.keeping.put_files` does it.

Values are rounded here and only here, by :data:`DECIMALS`. A number that could not be measured is an empty
cell in CSV and ``null`` in JSON. Several values in one cell are joined by a space, each quoted as a shell
would (``'Voice 2.m4a' row.wav``), so that :func:`shlex.split` gives them back.
"""

from __future__ import annotations

import dataclasses
import json
import math
import os
from collections.abc import Iterator, Mapping, Sequence
from decimal import ROUND_FLOOR, Decimal
from pathlib import Path
from typing import Any

import numpy as np

from taptone.edges.cells import table
from taptone.edges.keeping import put_files
from taptone.errors import OutputError
from taptone.types import BAND_NAMES_HZ, MEASURE_NAMES, Point, Result

__all__ = ["DECIMALS", "POINT_COLUMNS", "TAP_COLUMNS", "may_write", "write_files", "write_result"]

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
    >>> import tempfile
    >>> nothing = Result(None, (), (), (), (), (), (), (), (), (), "this panel only")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     [path.name for path in write_result(nothing, Path(folder), pictures={})]
    ['points.csv', 'taps.csv', 'log.json']
    """
    points = [_rounded({name: getattr(point, name) for name in POINT_COLUMNS}) for point in result.points]
    taps = [_rounded(row) for row in _tap_rows(result)]
    texts = {
        "points.csv": table(POINT_COLUMNS, points),
        "taps.csv": table(TAP_COLUMNS, taps),
        "log.json": json.dumps(_log(result, points, taps), ensure_ascii=False, indent=1, allow_nan=False)
        + "\n",
    }
    # A file name may hold bytes that are no text; JSON reads the escape back, a person sees it.
    files = {name: text.encode("utf-8", "backslashreplace") for name, text in texts.items()}
    return put_files(Path(out), files | dict(pictures))


def write_files(
    out: Path,
    *,
    tables: Mapping[str, Sequence[Mapping[str, Any]]] = {},
    documents: Mapping[str, Any] = {},
    pictures: Mapping[str, bytes] = {},
) -> tuple[Path, ...]:
    r"""Write tables, documents and pictures into a folder, all or nothing, rounded as a log is.

    Parameters
    ----------
    out : Path
        The folder; made if missing. A file of an earlier run that differs is set beside.
    tables : mapping of str to sequence of mapping, optional
        Rows by the name of a CSV file; all of one file have the same keys. One without rows is not written.
    documents : mapping of str to object, optional
        Values by the name of a JSON file; rows in lists of mappings are rounded by their keys.
    pictures : mapping of str to bytes, optional
        Pictures by file name.

    Returns
    -------
    tuple of Path
        What was written, in this order, and what was set beside.

    Raises
    ------
    OutputError
        If the folder cannot be made or written to. Nothing has changed then.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     [path] = write_files(Path(folder), tables={"a.csv": [{"x_m": 0.12345}]})
    ...     path.read_text()
    'x_m\n0.1235\n'
    """
    files: dict[str, bytes] = {}
    for name, rows in tables.items():
        if rows:
            text = table(list(rows[0]), [_rounded(row) for row in rows])
            files[name] = text.encode("utf-8", "backslashreplace")
    for name, body in documents.items():
        text = json.dumps(_rounded_deep(_plain(body)), ensure_ascii=False, indent=1, allow_nan=False) + "\n"
        files[name] = text.encode("utf-8", "backslashreplace")
    return put_files(Path(out), files | dict(pictures))


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


def _rounded_deep(value: Any, name: str = "") -> Any:
    """Return a document with every number rounded by the key it stands under."""
    if isinstance(value, dict):
        return {key: _rounded_deep(item, key) for key, item in value.items()}
    if isinstance(value, list):
        return [_rounded_deep(item, name) for item in value]
    return _round(name, value)


def _round(name: str, value: Any) -> Any:
    """Round a number, or the numbers in a list."""
    if isinstance(value, list):
        return [_round(name, item) for item in value]
    if not isinstance(value, float):
        return value
    if name.startswith("chance_if_"):
        return float(f"{value:.3g}")
    end = next((end for end in DECIMALS if name.endswith(end)), None)
    if end is None:
        return value
    if name == "confidence":
        return float(Decimal(repr(value)).quantize(Decimal(1).scaleb(-DECIMALS[end]), rounding=ROUND_FLOOR))
    return round(value, DECIMALS[end]) + 0.0  # no minus zero
