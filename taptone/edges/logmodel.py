"""The whole shape of ``log.json``, made of the dataclasses that are written to it: for checks and a schema.

:mod:`~taptone.edges.logshape` asks only for what is read again, so that logs stay readable; this asks for
all.
"""

from __future__ import annotations

import dataclasses
import types
import typing
from collections.abc import Mapping
from functools import cache
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, create_model

from taptone.edges.tables import TAP_COLUMNS
from taptone.survey.schema import DRAFT, tidied
from taptone.types import Result

__all__ = ["log_model", "log_schema"]

_Share = Annotated[float, Field(ge=0, le=1)]
_Count = Annotated[int, Field(ge=0)]
_Sha256 = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
#: What a field holds, where its type alone says too little.
_CLOSER: Mapping[str, Any] = {
    "Point.verdict": Literal["suspect", "no difference", "at structure", "not assessed"],
    "Point.chance_if_good": _Share | None,
    "Point.confidence": _Share | None,
    "Point.taps": _Count,
    "Recording.sha256": _Sha256,
    "Recording.rate_hz": Annotated[int, Field(gt=0)],
    "Recording.samples": _Count,
    "Result.settings": dict[str, float],
    "Result.versions": dict[str, str],
}
_TAP = {"recording": str, "sample": _Count, "time_s": float, "station": str, "used": bool, "flags": list[str]}


def log_schema() -> dict[str, Any]:
    """The shape of ``log.json``.

    Returns
    -------
    dict
        A JSON Schema (draft 2020-12).

    Examples
    --------
    >>> log_schema()["title"], log_schema()["properties"]["points"]["type"]
    ('taptone log', 'array')
    """
    made = tidied(log_model().model_json_schema())
    head = {
        "$schema": DRAFT,
        "$id": "urn:taptone:log",
        "title": "taptone log",
        "description": "All of one analysis. Lengths in metres; null is what could not be measured.",
    }
    return head | {key: value for key, value in made.items() if key != "description"}


@cache
def log_model() -> type[BaseModel]:
    """The model of ``log.json``.

    Returns
    -------
    type
        A pydantic model; every key must be there and none beside.

    Examples
    --------
    >>> [name for name in log_model().model_fields][:3]
    ['panel', 'recordings', 'points']
    """
    tap: dict[str, Any] = {name: (_TAP.get(name, float | None), ...) for name in TAP_COLUMNS}
    rejected: dict[str, Any] = {
        "recording": (str, ...),
        "sample": (_Count, ...),
        "time_s": (float, ...),
        "reason": (str, ...),
    }
    rows = {"taps": _model("Tap", tap), "rejected": _model("Rejected", rejected)}
    fields = {
        name: (list[rows[name]], ...) if name in rows else field  # type: ignore[valid-type]
        for name, field in _fields(Result).items()
        if name not in ("tap_station", "tap_used")  # they stand in the rows of the taps
    }
    return _model("Log", fields)


def _fields(made: type) -> dict[str, Any]:
    hints = typing.get_type_hints(made)
    return {
        field.name: (_CLOSER.get(f"{made.__name__}.{field.name}") or _as_written(hints[field.name]), ...)
        for field in dataclasses.fields(made)
    }


def _as_written(hint: Any) -> Any:
    """The type that JSON gives back: numbers that are missing are None, rows of values are lists."""
    origin, parts = typing.get_origin(hint), typing.get_args(hint)
    if dataclasses.is_dataclass(hint):
        assert isinstance(hint, type)
        return _model(hint.__name__, _fields(hint))
    if hint is float:
        return float | None
    if hint is object:
        return Any
    if origin is tuple and parts[-1] is Ellipsis:
        return list[_as_written(parts[0])]  # type: ignore[misc]
    if origin is tuple:
        return Annotated[list[_as_written(parts[0])], Field(min_length=len(parts), max_length=len(parts))]  # type: ignore[misc]
    if origin in (types.UnionType, typing.Union):
        return typing.Union[tuple(_as_written(part) for part in parts)]  # noqa: UP007
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return dict[str, _as_written(parts[1])]  # type: ignore[misc]
    return hint


def _model(name: str, fields: dict[str, Any]) -> type[BaseModel]:
    config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False)
    made: type[BaseModel] = create_model(name, __config__=config, **fields)
    return made
