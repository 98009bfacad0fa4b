"""Cells of a CSV table: what any spreadsheet opens, and none takes for a formula.

A missing value is an empty cell. Several values in one cell are joined by a space, each quoted as a shell
would (``'Voice 2.m4a' row.wav``), so that :func:`shlex.split` gives them back; a table of names and values is
JSON. Text that a spreadsheet would run as a formula starts with an apostrophe.
"""

from __future__ import annotations

import csv
import io
import json
import re
import shlex
from collections.abc import Mapping, Sequence
from typing import Any

__all__ = ["cell", "table"]

#: What starts a formula, also in the wide letters of East Asian keyboards; a signed number is no formula.
_FORMULA = re.compile(r"[=@＝＠\t\r\n]|[+＋－-](?!\d+(\.\d+)?$)")


def table(columns: Sequence[str], rows: Sequence[Mapping[str, Any]]) -> str:
    r"""Rows as CSV with a head line.

    Parameters
    ----------
    columns : sequence of str
        Names of the columns.
    rows : sequence of mapping
        Values by column.

    Returns
    -------
    str
        Lines end in a line feed.

    Examples
    --------
    >>> table(("station", "x_m"), [{"station": "B3", "x_m": None}])
    'station,x_m\nB3,\n'
    """
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([cell(row[name]) for name in columns] for row in rows)
    return text.getvalue()


def cell(value: Any) -> Any:
    """What stands in a cell.

    Parameters
    ----------
    value : object
        As JSON holds it.

    Returns
    -------
    object
        A number, or text.

    Examples
    --------
    >>> cell(["Voice 2.m4a", "row.wav"]), cell(True), cell(None), cell("=1+1")
    ("'Voice 2.m4a' row.wav", 'yes', '', "'=1+1")
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        value = json.dumps(value, ensure_ascii=False, sort_keys=True) if value else ""
    if isinstance(value, list):
        value = shlex.join(map(str, value))
    if isinstance(value, str) and _FORMULA.match(value):
        return "'" + value
    return value
