"""A log that was written before, read again: how the stations of another panel sounded and were judged."""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from taptone.edges.stated import NAMES
from taptone.errors import LogError
from taptone.pipeline import pool
from taptone.settings import as_now
from taptone.types import BAND_CENTRES_HZ, BAND_NAMES_HZ, MEASURE_NAMES, Earlier, Measured

__all__ = ["LogFile", "as_earlier", "load_earlier", "read_log"]

HINT = "give the log.json of taptone analyse, or its folder"


@dataclass(frozen=True, slots=True)
class LogFile:
    """A file as it was read, and what is written in it; whether that is a log, its reader asks."""

    path: Path
    content: bytes
    body: Any

    @property
    def sha256(self) -> str:
        """What the file is known by."""
        return hashlib.sha256(self.content).hexdigest()


def read_log(path: str | os.PathLike[str]) -> LogFile:
    """Read a log, once.

    Parameters
    ----------
    path : path-like
        ``log.json``, or the folder that holds it.

    Returns
    -------
    LogFile
        Of any shape, so that each reader can say what it misses.

    Raises
    ------
    LogError
        If it is missing, cannot be read, or is no JSON.

    Examples
    --------
    >>> read_log("nowhere")
    Traceback (most recent call last):
        ...
    taptone.errors.LogError: nowhere does not exist: give the log.json of taptone analyse, or its folder
    """
    file = Path(path)
    if os.path.isdir(file):
        file = file / "log.json"
    if not os.path.exists(file):  # nor does a name that is too long
        raise LogError(f"{file} does not exist", hint=HINT)
    try:
        content = file.read_bytes()
        return LogFile(file, content, json.loads(content))
    except OSError as error:
        raise LogError(f"{file} cannot be read as a log ({error.strerror})", hint=HINT) from error
    except (ValueError, RecursionError) as error:
        raise LogError(f"{file} cannot be read as a log (it is not JSON)", hint=HINT) from error


def load_earlier(path: str | os.PathLike[str]) -> Earlier:
    """Read the log of another panel.

    Parameters
    ----------
    path : path-like
        ``log.json``, or the folder that holds it.

    Returns
    -------
    Earlier
        Stations that were not assessed have no sound.

    Raises
    ------
    LogError
        One line: what is wrong, where, what to do.

    Examples
    --------
    >>> load_earlier("nowhere")
    Traceback (most recent call last):
        ...
    taptone.errors.LogError: nowhere does not exist: give the log.json of taptone analyse, or its folder
    """
    return as_earlier(read_log(path))


def as_earlier(log: LogFile) -> Earlier:
    """How the stations of another panel sounded and were judged, from its log.

    Parameters
    ----------
    log : LogFile
        From :func:`read_log`.

    Returns
    -------
    Earlier
        Stations that were not assessed have no sound.

    Raises
    ------
    LogError
        If it is no log, or one of taps without a panel.

    Examples
    --------
    >>> as_earlier(LogFile(Path("log.json"), b"[]", []))  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    taptone.errors.LogError: log.json is not a log of this program: give the log.json of taptone ...
    """
    try:
        return _earlier(log.body, log.sha256, str(log.path))
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise LogError(f"{log.path} is not a log of this program", hint=HINT) from error


def _earlier(log: Mapping[str, Any], sha256: str, source: str) -> Earlier:
    panel, points = log["panel"], log["points"]
    if panel is None:
        raise LogError(
            f"{source} is of taps without a panel: nobody knows where they lie",
            hint="analyse that recording again with --panel",
        )
    taps: dict[str, list[Measured]] = {}
    for row in log["taps"]:
        if row["used"] and row["station"]:
            taps.setdefault(row["station"], []).append(_measured(row))
    bands = np.full((len(points), len(BAND_CENTRES_HZ)), np.nan)
    ring_db, early_ring_db = np.full((2, len(points)), np.nan)
    for k, point in enumerate(points):
        own: Sequence[Measured] = taps.get(point["station"], [])
        if own and point["verdict"] != "not assessed":
            levels, measures, _ = pool(own)
            bands[k] = levels
            ring_db[k], early_ring_db[k] = measures["ring_db"], measures["early_ring_db"]
    struck = {tap.recording for own in taps.values() for tap in own}
    return Earlier(
        panel=str(panel["name"]),
        stated={name: str(panel[name]) for name in NAMES},
        labels=tuple(str(point["station"]) for point in points),
        xy_m=np.array([[_number(point["x_m"]), _number(point["y_m"])] for point in points]).reshape(-1, 2),
        bands_db=bands,
        ring_db=ring_db,
        early_ring_db=early_ring_db,
        verdicts=tuple(str(point["verdict"]) for point in points),
        chance_if_good=np.array([_number(point["chance_if_good"]) for point in points]),
        sha256=sha256,
        recordings=tuple(str(r["sha256"]) for r in log["recordings"] if r["name"] in struck),
        settings=as_now(log["settings"]),
    )


def _measured(row: Mapping[str, Any]) -> Measured:
    return Measured(
        recording=str(row["recording"]),
        sample=int(row["sample"]),
        rate_hz=0,
        values={name: _number(row.get(name)) for name in MEASURE_NAMES},
        bands_db=tuple(_number(row[f"band_{name}_hz_db"]) for name in BAND_NAMES_HZ),
    )


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)
