"""What of a log is read again, by name and kind: one that was changed by hand is told by its first fault."""

from __future__ import annotations

from collections import Counter
from typing import Any

from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from taptone.types import Panel

__all__ = ["checked_panel", "fault_of", "spoken"]


class _Part(BaseModel):
    model_config = ConfigDict(strict=True, extra="ignore", allow_inf_nan=False)


class _Point(_Part):
    station: str
    x_m: float | None = None
    y_m: float | None = None
    verdict: str
    reason: str
    taps: int
    samples: list[int]
    score: float | None


class _Recording(_Part):
    name: str
    sha256: str


class _Stated(_Part):
    model_config = ConfigDict(strict=True, extra="forbid")

    boat: str = ""
    hammer: str = ""
    recorder: str = ""
    surface_temp_c: float | None = None
    rows_again: list[str] = []
    rows_twice: list[str] = []
    rechecks: list[int] = []
    anyway: bool = False


class _Log(_Part):
    points: list[_Point]
    recordings: list[_Recording]
    settings: dict[str, int | float]
    versions: dict[str, str]
    baseline: dict[str, Any]
    panel: dict[str, Any] | None
    stated: _Stated = _Stated()


def fault_of(body: Any) -> str:
    """Tell the first thing in a log that is missing or of another kind; empty if nothing.

    Parameters
    ----------
    body : object
        As JSON holds it.

    Returns
    -------
    str
        Where, and what.

    Examples
    --------
    >>> log = dict(points=[], recordings=[{"name": 3}], settings={}, versions={}, baseline={}, panel=None)
    >>> fault_of(log)
    'recordings 1, name: Input should be a valid string'
    """
    try:
        log = _Log.model_validate(body)
    except ValidationError as error:
        return spoken(error)
    if len(log.stated.rechecks) + len(log.stated.rows_again) >= max(len(log.recordings), 1):
        return "stated, rechecks and rows_again: more than there are recordings"
    return _other_stations(log)


def _other_stations(log: _Log) -> str:
    """The first station that the panel has and the points lack, or the other way about."""
    planned = [
        str(row.get("label")) for row in (log.panel or {}).get("stations") or () if isinstance(row, dict)
    ]
    counted = Counter(point.station for point in log.points)
    for label in planned:
        if not counted[label]:
            return f"points: station {label} of the panel is missing"
    for label, times in counted.items() if planned else ():
        if label not in planned:
            return f"points: the panel has no station {label}"
        if times > 1:
            return f"points: station {label} stands there {times} times"
    return ""


def checked_panel(values: dict[str, Any]) -> Panel:
    """Make a panel of its values, each of the right kind.

    Parameters
    ----------
    values : dict
        By the fields of :class:`~taptone.types.Panel`.

    Returns
    -------
    Panel
        The same, as values of their own classes.

    Raises
    ------
    ValueError
        In one line, of what is missing or of another kind.

    Examples
    --------
    >>> checked_panel({})
    Traceback (most recent call last):
        ...
    ValueError: panel, name: Field required
    """
    try:
        return TypeAdapter(Panel).validate_python(values)
    except ValidationError as error:
        raise ValueError(f"panel, {spoken(error)}") from error


def spoken(error: ValidationError) -> str:
    """Say the first fault that pydantic found: where, as a person counts, and what.

    Parameters
    ----------
    error : pydantic.ValidationError
        As it was raised.

    Returns
    -------
    str
        Such as ``recordings 1, name: Input should be a valid string``.

    Examples
    --------
    >>> try:
    ...     _Recording.model_validate({"name": "row.wav"})
    ... except ValidationError as error:
    ...     print(spoken(error))
    sha256: Field required
    """
    fault = error.errors(include_url=False)[0]
    where = ""
    for part in fault["loc"]:
        where += f" {part + 1}" if isinstance(part, int) else f", {part}"
    return f"{where.removeprefix(', ') or 'log'}: {fault['msg'].partition(' or instance')[0]}"
