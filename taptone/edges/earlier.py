"""A log that was written before, read again: how the stations of another panel sounded and were judged."""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from taptone.edges.stated import NAMES
from taptone.errors import LogError
from taptone.pipeline import pool
from taptone.types import BAND_CENTRES_HZ, BAND_NAMES_HZ, MEASURE_NAMES, Earlier, Measured

__all__ = ["load_earlier"]

_HINT = "give the log.json of taptone analyse, or its folder"


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
    taptone.errors.LogError: there is no log nowhere: give the log.json of taptone analyse, or its folder
    """
    file = Path(path)
    if os.path.isdir(file):
        file = file / "log.json"
    try:
        content = file.read_bytes()
        log = json.loads(content)
    except FileNotFoundError as error:
        raise LogError(f"there is no log {file}", hint=_HINT) from error
    except OSError as error:
        raise LogError(f"{file} cannot be read ({error.strerror})", hint=_HINT) from error
    except (ValueError, RecursionError) as error:
        raise LogError(f"{file} is no log: it is not JSON", hint=_HINT) from error
    try:
        return _earlier(log, hashlib.sha256(content).hexdigest(), str(file))
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise LogError(f"{file} is not a log of this program", hint=_HINT) from error


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
    ring_db = np.full(len(points), np.nan)
    for k, point in enumerate(points):
        own: Sequence[Measured] = taps.get(point["station"], [])
        if own and point["verdict"] != "not assessed":
            levels, measures, _ = pool(own)
            bands[k], ring_db[k] = levels, measures["ring_db"]
    struck = {tap.recording for own in taps.values() for tap in own}
    return Earlier(
        panel=str(panel["name"]),
        stated={name: str(panel[name]) for name in NAMES},
        labels=tuple(str(point["station"]) for point in points),
        xy_m=np.array([[_number(point["x_m"]), _number(point["y_m"])] for point in points]).reshape(-1, 2),
        bands_db=bands,
        ring_db=ring_db,
        verdicts=tuple(str(point["verdict"]) for point in points),
        chance_if_good=np.array([_number(point["chance_if_good"]) for point in points]),
        sha256=sha256,
        recordings=tuple(str(r["sha256"]) for r in log["recordings"] if r["name"] in struck),
        settings=dict(log["settings"]),
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
