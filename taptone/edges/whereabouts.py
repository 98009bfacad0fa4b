"""Where in a text file a key stands, by line and column: for JSON, and for TOML that its own reader takes.

The readers of the standard library tell where they stumbled, but not where a value stood that was read well
and is wrong. These walk through a text again, and only then: they expect what a reader has taken already.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Sequence

__all__ = ["json_places", "line_and_column", "place_of", "toml_places"]

Keys = tuple[str | int, ...]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"""(?:"{0,2})'
    r"|'''.*?'''(?:'{0,2})"
    r'|"(?:[^"\\\n]|\\.)*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_OTHER = re.compile(r"[^,\]}\n#]*")
_JSON_BLANK = re.compile(r"[ \t\r\n]*")
_JSON_STRING = re.compile(r'"(?:[^"\\]|\\.)*"', re.DOTALL)
_JSON_OTHER = re.compile(r"[^,\]}\s]*")


def line_and_column(text: str, offset: int) -> tuple[int, int]:
    r"""Line and column of a place in a text, both counted from 1.

    Parameters
    ----------
    text : str
        The file.
    offset : int
        Characters before the place.

    Returns
    -------
    line, column : int
        As an editor shows them.

    Examples
    --------
    >>> line_and_column("a = 1\nb = 2\n", 6)
    (2, 1)
    """
    return text.count("\n", 0, offset) + 1, offset - text.rfind("\n", 0, offset)


def place_of(keys: Sequence[str | int], places: dict[Keys, int]) -> int | None:
    """Where a key stands, or the nearest thing round it that does.

    Parameters
    ----------
    keys : sequence of str and int
        Keys, and places in lists counted from 0.
    places : dict
        Of :func:`toml_places` or :func:`json_places`.

    Returns
    -------
    int or None
        Characters before it; None where nothing of it stands.

    Examples
    --------
    >>> place_of(("grid", "spacing"), {("grid",): 12})
    12
    """
    for length in range(len(keys), 0, -1):
        if tuple(keys[:length]) in places:
            return places[tuple(keys[:length])]
    return None


def toml_places(text: str) -> dict[Keys, int]:
    r"""Where every key of a TOML file stands, and every item of its lists.

    Parameters
    ----------
    text : str
        What :func:`tomllib.loads` takes.

    Returns
    -------
    dict
        Characters before each, by its keys.

    Examples
    --------
    >>> places = toml_places('name = "deck"\n[[station]]\nx = 0.1\n')
    >>> places["name",], places["station", 0], places["station", 0, "x"]
    (0, 14, 26)
    """
    walk = _Toml(text)
    walk.file()
    return walk.places


def json_places(text: str) -> dict[Keys, int]:
    """Where every key of a JSON file stands, and every item of its lists.

    Parameters
    ----------
    text : str
        What :func:`json.loads` takes.

    Returns
    -------
    dict
        Characters before each, by its keys.

    Examples
    --------
    >>> json_places('{"points": [{"taps": 1}]}')[("points", 0, "taps")]
    13
    """
    walk = _Json(text)
    walk.value(())
    return walk.places


class _Toml:
    """A walk through TOML; `at` is where it is."""

    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0
        self.places: dict[Keys, int] = {}
        self._last: dict[Keys, int] = {}  # number of the last table of each [[list]]

    def file(self) -> None:
        table: Keys = ()
        while self._skip() < len(self.text):
            start = self.at
            if self.text.startswith("[[", start):
                self.at += 2
                *above, name = self._keys()
                many = (*self._whole(above), name)
                self._last[many] = self._last.get(many, -1) + 1
                table = (*many, self._last[many])
                self.places.setdefault(many, start)
                self.places[table] = start
                self._skip()
                self.at += 2
            elif self.text[start] == "[":
                self.at += 1
                table = self._whole(self._keys())
                self.places[table] = start
                self._skip()
                self.at += 1
            else:
                self._pair(table)

    def _pair(self, table: Keys) -> None:
        start, keys = self.at, self._keys()
        for n in range(1, len(keys) + 1):
            self.places.setdefault((*table, *keys[:n]), start)
        self._skip()
        self.at += 1  # the sign of equality
        self._value((*table, *keys))

    def _value(self, keys: Keys) -> None:
        self._skip()
        sign = self.text[self.at]
        if sign in "[{":
            self.at += 1
            self._items(keys, "]" if sign == "[" else "}")
        elif string := _STRING.match(self.text, self.at):
            self.at = string.end()
        else:
            self.at = _match(_OTHER, self.text, self.at)

    def _items(self, keys: Keys, end: str) -> None:
        count = 0
        while self.text[self._skip()] != end:
            if self.text[self.at] == ",":
                self.at += 1
            elif end == "}":
                self._pair(keys)
            else:
                self.places[*keys, count] = self.at
                self._value((*keys, count))
                count += 1
        self.at += 1

    def _keys(self) -> list[str]:
        keys = []
        while True:
            self._skip()
            if string := _STRING.match(self.text, self.at):
                keys.append(tomllib.loads(f"{string[0]} = 0").popitem()[0])
                self.at = string.end()
            else:
                end = _match(_BARE, self.text, self.at)
                keys.append(self.text[self.at : end])
                self.at = end
            if self.text[self._skip()] != ".":
                return keys
            self.at += 1

    def _whole(self, keys: Sequence[str]) -> Keys:
        """Keys of a header, with the number of the table where they pass through a [[list]]."""
        whole: Keys = ()
        for key in keys:
            whole = (*whole, key)
            if whole in self._last:
                whole = (*whole, self._last[whole])
        return whole

    def _skip(self) -> int:
        self.at = _match(_BLANK, self.text, self.at)
        return self.at


class _Json:
    """A walk through JSON; `at` is where it is."""

    def __init__(self, text: str) -> None:
        self.text, self.at = text, 0
        self.places: dict[Keys, int] = {}

    def value(self, keys: Keys) -> None:
        sign = self.text[self._skip()]
        if sign in "[{":
            self.at += 1
            self._items(keys, "]" if sign == "[" else "}")
        elif sign == '"':
            self.at = _match(_JSON_STRING, self.text, self.at)
        else:
            self.at = _match(_JSON_OTHER, self.text, self.at)

    def _items(self, keys: Keys, end: str) -> None:
        count = 0
        while self.text[self._skip()] != end:
            start = self.at
            if self.text[start] == ",":
                self.at += 1
                continue
            name: str | int = count
            if end == "}":
                self.at = _match(_JSON_STRING, self.text, start)
                name = json.loads(self.text[start : self.at], strict=False)
                self._skip()
                self.at += 1  # the colon
            self.places[*keys, name] = start
            self.value((*keys, name))
            count += 1
        self.at += 1

    def _skip(self) -> int:
        self.at = _match(_JSON_BLANK, self.text, self.at)
        return self.at


def _match(pattern: re.Pattern[str], text: str, at: int) -> int:
    """Where a match from here on ends."""
    found = pattern.match(text, at)
    if found is None:
        raise ValueError(f"not as expected at {at}")
    return found.end()
