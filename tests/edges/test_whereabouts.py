"""Where a key stands: the value that is read from there on is the one that the standard library read."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from taptone.edges.whereabouts import json_places, line_and_column, place_of, toml_places

ROOT = Path(__file__).parents[2]

WILD = r'''
# a comment with [brackets] and "quotes"
title = "a # no comment \" ]" # one
'quoted key' = 'C:\' # literal
a.b . c = 1
long = """first
[not a table] \""" still ""\
  end"""""
raw = \'\'\'it's ''two'' \'\'\'
list = [ # comment ]
  [1, 2,], [0.5, -3e2],
  "]", { x = 1, y.z = [ { w = "}" } ] },
]
when = 2026-05-14 09:00:00
[table]
key = true
[table."sub.table"]
key = inf
[[many]]
x = 1
[many.inner]
x = 2
[[many.deep]]
x = 3
[[many]]
[[many.deep]]
x = 4
[[many.deep]]
x = 5
'''.replace(r"\'\'\'", "'''")


def leaves(tree, keys=()):
    if isinstance(tree, dict):
        for key, value in tree.items():
            yield from leaves(value, (*keys, key))
    elif isinstance(tree, list):
        for n, value in enumerate(tree):
            yield from leaves(value, (*keys, n))
    if keys:
        yield keys, tree


DEMO = sorted((ROOT / "recordings" / "demo").glob("*.toml"))


@pytest.mark.parametrize("text", [WILD, *(path.read_text(encoding="utf-8") for path in DEMO)])
def test_every_key_of_toml_is_found(text):
    assert set(toml_places(text)) == {keys for keys, _ in leaves(tomllib.loads(text))}


@pytest.mark.parametrize(
    ("keys", "stands"),
    [
        (("title",), 'title = "a'),
        (("quoted key",), "'quoted key' ="),
        (("a", "b", "c"), "a.b . c = 1"),
        (("raw",), "raw = "),
        (("list", 0, 1), "2,],"),
        (("list", 1, 1), "-3e2]"),
        (("list", 2), '"]",'),
        (("list", 3), "{ x = 1"),
        (("list", 3, "y", "z", 0, "w"), 'w = "}"'),
        (("when",), "when = "),
        (("table",), "[table]\nkey"),
        (("table", "sub.table"), '[table."sub.table"]'),
        (("table", "sub.table", "key"), "key = inf"),
        (("many",), "[[many]]\nx = 1"),
        (("many", 0, "inner", "x"), "x = 2"),
        (("many", 0, "deep", 0, "x"), "x = 3"),
        (("many", 1), "[[many]]\n[[many.deep]]"),
        (("many", 1, "deep", 0, "x"), "x = 4"),
        (("many", 1, "deep", 1, "x"), "x = 5"),
    ],
)
def test_where_a_key_of_toml_stands(keys, stands):
    assert WILD[toml_places(WILD)[keys] :].startswith(stands)


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
        max_leaves=30,
    ),
    st.sampled_from([None, 1]),
    st.booleans(),
)
def test_every_key_of_json_is_found(tree, indent, ascii_only):
    text = json.dumps(tree, indent=indent, ensure_ascii=ascii_only)
    places = json_places(text)
    assert set(places) == {keys for keys, _ in leaves(tree)}
    decoder = json.JSONDecoder()
    for keys, value in leaves(tree):
        at = places[keys]
        if isinstance(keys[-1], str):
            key, at = decoder.raw_decode(text, at)
            assert key == keys[-1]
            at = text.index(":", at) + 1
            at += len(text[at:]) - len(text[at:].lstrip(" "))
        assert decoder.raw_decode(text, at)[0] == value


def test_line_and_column():
    text = "ab\ncd\n"
    assert [line_and_column(text, n) for n in range(6)] == [(1, 1), (1, 2), (1, 3), (2, 1), (2, 2), (2, 3)]


def test_the_nearest_thing_that_stands():
    places = toml_places(WILD)
    assert place_of(("many", 1, "deep", 1, "missing"), places) == places["many", 1, "deep", 1]
    assert place_of(("missing",), places) is None
