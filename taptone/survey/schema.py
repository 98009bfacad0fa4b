"""What a panel file may hold, as a JSON Schema (draft 2020-12) for editors and other programs.

Made of the very models that :mod:`taptone.survey.panel` checks a file with. Geometry is beyond a schema:
whether an outline crosses itself, or a station lies outside it, only the program tells.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from taptone.survey.lengths import FOOT_M
from taptone.survey.panel import LONGEST_M, panel_model

__all__ = ["DRAFT", "panel_schema", "tidied"]

DRAFT = "https://json-schema.org/draft/2020-12/schema"
#: Feet and inches as text, more loosely than :func:`taptone.survey.lengths.inches_of` reads them.
_FEET = r"""^\s*-?\s*[0-9].*('|′|’|ft|"|″|”|in)\.?\s*$"""
_SCALAR = {"type": ["string", "number", "boolean"]}
#: How pydantic writes limits that it applies to what another function made.
_LIMITS = {"gt": "exclusiveMinimum", "ge": "minimum", "lt": "exclusiveMaximum", "le": "maximum"}
_NEVER: dict[str, Any] = {"not": {}}


def panel_schema() -> dict[str, Any]:
    """What a panel file may hold, once TOML is read.

    Returns
    -------
    dict
        A JSON Schema. With ``units = "ft-in"`` lengths are feet, or text such as ``4' 7 1/2"``.

    Examples
    --------
    >>> panel_schema()["title"], sorted(panel_schema()["$defs"])[:2]
    ('taptone panel', ['feet', 'feet_cutout'])
    """
    plain = panel_model().model_json_schema()
    parts = {name.strip("_").lower(): part for name, part in plain.pop("$defs").items()}
    _add_rules(plain, parts)
    written: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {"feet": _in_feet, "metres": _in_metres}
    defs: dict[str, Any] = {}
    for unit, length in written.items():
        for name, part in parts.items():
            defs[f"{unit}_{name}"] = tidied(part, unit, length)
        defs[unit] = tidied(plain, unit, length)
    return {
        "$schema": DRAFT,
        "$id": "urn:taptone:panel",
        "title": "taptone panel",
        "description": "One surface that is to be tapped: a TOML file, as its reader hands it over.",
        "type": "object",
        "if": {"properties": {"units": {"const": "ft-in"}}, "required": ["units"]},
        "then": {"$ref": "#/$defs/feet"},
        "else": {"$ref": "#/$defs/metres"},
        "$defs": dict(sorted(defs.items())),
    }


def tidied(
    node: Any, prefix: str = "", length: Callable[[dict[str, Any]], dict[str, Any]] | None = None
) -> Any:
    """A part of a schema as pydantic makes it, without titles and nulls nobody can write.

    Parameters
    ----------
    node : object
        As JSON holds it.
    prefix : str, optional
        Put before the names of definitions, which are in small letters then.
    length : callable, optional
        Makes the schema of a length out of that of its number. Where it is given, null goes: TOML has none.

    Returns
    -------
    object
        A copy.

    Examples
    --------
    >>> tidied({"title": "X", "anyOf": [{"type": "number"}, {"type": "null"}]})
    {'type': ['number', 'null']}
    """
    if isinstance(node, list):
        return [tidied(item, prefix, length) for item in node]
    if not isinstance(node, dict):
        return node
    out: dict[str, Any] = {}
    for key, value in node.items():
        if key == "properties":
            out[key] = {name: tidied(part, prefix, length) for name, part in value.items()}
        elif key == "$ref" and prefix:
            out[key] = f"#/$defs/{prefix}_{value.rpartition('/')[2].strip('_').lower()}"
        elif not (key == "title" and isinstance(value, str)) and not (key == "default" and value is None):
            out[str(_LIMITS.get(key, key))] = tidied(value, prefix, length)
    kinds = out.get("anyOf", [])
    if length is not None and {"type": "null"} in kinds:
        kinds.remove({"type": "null"})
    if len(kinds) == 1:
        out |= out.pop("anyOf")[0]
    elif kinds and all(set(kind) == {"type"} for kind in kinds):
        out["type"] = [kind["type"] for kind in out.pop("anyOf")]
    if length is not None and out.pop("length", False):
        out = length(out)
    return out


def _in_metres(number: dict[str, Any]) -> dict[str, Any]:
    least = {} if "exclusiveMinimum" in number else {"minimum": -LONGEST_M}
    return least | {"maximum": LONGEST_M} | number


def _in_feet(number: dict[str, Any]) -> dict[str, Any]:
    """A number of feet within the same limits, or text."""
    number = number | ({"maximum": round(number["maximum"] / FOOT_M, 6)} if "maximum" in number else {})
    about = {"description": number.pop("description")} if "description" in number else {}
    return {**about, "anyOf": [_in_metres(number), {"type": "string", "pattern": _FEET}]}


def _add_rules(panel: dict[str, Any], parts: dict[str, Any]) -> None:
    """What the program checks of several keys together."""
    panel["oneOf"] = [
        {"required": ["grid"], "properties": {"station": _NEVER, "taps_per_station": _NEVER}},
        {"required": ["station"], "properties": {"grid": _NEVER}},
    ]
    panel["properties"]["conditions"] |= {
        "properties": {"frozen_within_72h": {"type": "boolean"}},
        "additionalProperties": _SCALAR,
    }
    parts["declared"]["oneOf"] = [
        {"required": ["line", "width"], "properties": {"outline": _NEVER}},
        {"required": ["outline"], "properties": {"line": _NEVER, "width": _NEVER}},
    ]
    parts["laminate"]["oneOf"] = [
        {"properties": {"core": {"const": "none"}, "core_mm": _NEVER}},
        {"properties": {"core": {"not": {"const": "none"}}}, "required": ["core_mm"]},
    ]
