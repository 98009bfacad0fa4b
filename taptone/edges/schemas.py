"""The schemas by the names that a person types, as the text that stands in ``docs/schemas/``."""

from __future__ import annotations

import json

__all__ = ["SCHEMAS", "schema_text"]

SCHEMAS = ("panel", "log")


def schema_text(name: str) -> str:
    """A schema as text.

    Parameters
    ----------
    name : str
        One of :data:`SCHEMAS`.

    Returns
    -------
    str
        JSON, the same on every run.

    Examples
    --------
    >>> json.loads(schema_text("log"))["$schema"]
    'https://json-schema.org/draft/2020-12/schema'
    """
    from taptone.edges.logmodel import log_schema
    from taptone.survey.schema import panel_schema

    made = {"panel": panel_schema, "log": log_schema}[name]()
    return json.dumps(made, ensure_ascii=False, indent=1) + "\n"
