"""A baseline as JSON text: what was measured at every known-good place, and nothing that executes."""

from __future__ import annotations

import hashlib
import json
import math
from typing import Any

import numpy as np

from taptone.errors import BaselineError
from taptone.settings import as_now
from taptone.types import BAND_CENTRES_HZ, MEASURE_NAMES, Finding, HammerSound, Reference

__all__ = ["dumps", "loads"]

_FORMAT = "taptone baseline 1"
_HINT = "give a file that taptone learn wrote, or learn the baseline anew from its recordings"
_KEPT_LATER = ("early_ring_db",)
_LEVELS = ("shape_db", "stray_db")
_TEXTS = ("boat", "construction", "hammer", "recorder", "version")


def dumps(reference: Reference) -> str:
    """Write a baseline as text.

    Parameters
    ----------
    reference : Reference
        Known-good places.

    Returns
    -------
    str
        JSON; its last line holds a checksum of the rest, so that a changed file is noticed.

    Examples
    --------
    >>> none = Reference("Kettle", "solid", "60 g", "", math.nan, 48000, (), np.zeros((0, 23)), (), ())
    >>> json.loads(dumps(none))["boat"]
    'Kettle'
    """
    body: dict[str, object] = {
        "format": _FORMAT,
        **{name: getattr(reference, name) for name in _TEXTS},
        "surface_temp_c": _plain(reference.surface_temp_c),
        "rate_hz": reference.rate_hz,
        "band_centres_hz": [round(f, 3) for f in BAND_CENTRES_HZ],
        "recordings": [dict(r) for r in reference.recordings],
        "settings": dict(reference.settings),
        "health": [
            {"recording": f.recording, "name": f.name, "evidence": f.evidence, "strength": _plain(f.strength)}
            | {"unit": f.unit}
            for f in reference.health
        ],
        "sensitivity": [
            {name: _plain(v) if isinstance(v, float) else v for name, v in row.items()}
            for row in reference.sensitivity
        ],
        **({} if reference.strikes is None else {"strikes": _bands_of(reference.strikes)}),
        "places": [
            {
                "label": label,
                "taps": taps,
                "measures": {name: _plain(measures[name]) for name in MEASURE_NAMES},
                "bands_db": [_plain(v, 3) for v in bands],
            }
            for label, taps, measures, bands in zip(
                reference.labels, reference.taps, reference.measures, reference.bands_db, strict=True
            )
        ],
    }
    return json.dumps(body | {"sha256": _checksum(body)}, indent=1, ensure_ascii=False) + "\n"


def loads(text: str, *, source: str) -> Reference:
    """Read a baseline from text.

    Parameters
    ----------
    text : str
        What :func:`dumps` wrote.
    source : str
        Name of the file, for the message.

    Returns
    -------
    Reference
        The places.

    Raises
    ------
    BaselineError
        Of a file that is cut short, was changed, or is something else.

    Examples
    --------
    >>> loads("[]", source="good.json")
    Traceback (most recent call last):
        ...
    taptone.errors.BaselineError: good.json is not a taptone baseline: give the file that taptone learn wrote
    """
    try:
        body = json.loads(text)
    except (ValueError, RecursionError) as error:  # the latter of brackets without end
        raise BaselineError(f"{source} cannot be read as a baseline ({error})", hint=_HINT) from error
    if not isinstance(body, dict) or not str(body.get("format", "")).startswith("taptone baseline"):
        raise BaselineError(
            f"{source} is not a taptone baseline", hint="give the file that taptone learn wrote"
        )
    if body["format"] != _FORMAT:
        raise BaselineError(f"{source} is of another version ({body['format']})", hint=_HINT)
    told = body.pop("sha256", "")
    if told != _checksum(body):
        raise BaselineError(f"{source} was changed after it was written", hint=_HINT)
    try:
        return _reference(body, told)
    except (KeyError, TypeError, ValueError, OverflowError, AttributeError) as error:
        raise BaselineError(
            f"{source} lacks something or holds something odd ({error})", hint=_HINT
        ) from error


def _reference(body: dict[str, Any], checksum: str) -> Reference:
    places = body["places"]
    bands = np.array([[_number(v) for v in p["bands_db"]] for p in places], float)
    if bands.shape != (len(places), len(BAND_CENTRES_HZ)):
        raise ValueError("its bands do not fit")
    bands.setflags(write=False)
    return Reference(
        **{name: str(body[name]) for name in _TEXTS},
        surface_temp_c=_number(body["surface_temp_c"]),
        rate_hz=int(body["rate_hz"]),
        measures=tuple(_measures(p["measures"]) for p in places),
        bands_db=bands,
        labels=tuple(str(p["label"]) for p in places),
        taps=tuple(int(p["taps"]) for p in places),
        recordings=tuple(body["recordings"]),
        settings=as_now(body["settings"]),
        sha256=checksum,
        # Files from before these were kept lack them.
        health=tuple(
            Finding(
                str(f["recording"]),
                str(f["name"]),
                str(f["evidence"]),
                _number(f["strength"]),
                str(f["unit"]),
            )
            for f in body.get("health", ())
        ),
        sensitivity=tuple(
            {
                "fault": str(row["fault"]),
                **{k: _number(row[k]) for k in ("strength", "decay_ms", "centroid_hz")},
            }
            for row in body.get("sensitivity", ())
        ),
        strikes=_hammer_sound(body["strikes"]) if "strikes" in body else None,
    )


def _bands_of(strikes: HammerSound) -> dict[str, object]:
    levels = {name: [_plain(v, 2) for v in getattr(strikes, name)] for name in _LEVELS}
    return {"edges_hz": list(strikes.edges_hz), **levels}


def _hammer_sound(row: dict[str, Any]) -> HammerSound:
    levels = {name: np.array([_number(v) for v in row[name]], float) for name in _LEVELS}
    edges = tuple(_number(v) for v in row["edges_hz"])
    if any(len(values) != len(edges) - 1 for values in levels.values()):
        raise ValueError("the bands of its strikes do not fit")
    for values in levels.values():
        values.setflags(write=False)
    return HammerSound(edges, levels["shape_db"], levels["stray_db"])


def _checksum(body: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(body, sort_keys=True, ensure_ascii=True).encode()).hexdigest()


def _plain(value: float, digits: int = 4) -> float | None:
    return round(float(value), digits) if math.isfinite(value) else None


def _measures(of_place: dict[str, Any]) -> dict[str, float]:
    """Every measure of a place; a file from before one was kept lacks it, and it counts as not read."""
    kept = dict.fromkeys(_KEPT_LATER) | of_place
    return {name: _number(kept[name]) for name in MEASURE_NAMES}


def _number(value: Any) -> float:
    if value is None:
        return math.nan
    if not math.isfinite(value):
        raise ValueError(f"{value} is no number")
    return float(value)
