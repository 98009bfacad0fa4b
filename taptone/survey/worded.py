"""What somebody wrote: names, words and notes, which stay as they were written whatever units are shown."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping, Sequence

from pydantic import BaseModel

from taptone.types import Result

__all__ = ["worded", "worded_of"]

_OURS = ("cautions", "station", "stations")  # sentences and labels of this program


def worded(*things: object) -> tuple[str, ...]:
    """Every text that stands in records, panels, tables and lists.

    Parameters
    ----------
    *things : object
        Texts, dataclasses, records, mappings or sequences of these; numbers and None hold no text.

    Returns
    -------
    tuple of str
        Each once, the sentences of this program's own left out.

    Examples
    --------
    >>> from taptone.survey.records import Boat
    >>> worded("strip of 50 mm", Boat(label="Lantern", particulars={"length": "9 m"}), None, 3.0)
    ('strip of 50 mm', 'Lantern', '9 m')
    """
    return tuple(dict.fromkeys(text for thing in things for text in _texts(thing) if text.strip()))


def worded_of(result: Result) -> tuple[str, ...]:
    """What somebody wrote of an analysis: of its panel and baseline, of the other side, of its recordings.

    Parameters
    ----------
    result : Result
        Of an analysis.

    Returns
    -------
    tuple of str
        As of :func:`worded`.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> bare = SimpleNamespace(panel=None, stated={"boat": "Lantern"}, mirror={}, baseline={}, recordings=())
    >>> worded_of(bare)
    ('Lantern',)
    """
    return worded(result.panel, result.stated, result.mirror, result.baseline, result.recordings)


def _texts(thing: object) -> Iterator[str]:
    if isinstance(thing, str):
        yield thing
    elif isinstance(thing, BaseModel):
        yield from _texts({name: getattr(thing, name) for name in type(thing).model_fields})
    elif dataclasses.is_dataclass(thing):
        yield from _texts({field.name: getattr(thing, field.name) for field in dataclasses.fields(thing)})
    elif isinstance(thing, Mapping):
        for name, value in thing.items():
            if name not in _OURS:
                yield from _texts(value)
    elif isinstance(thing, Sequence):
        for one in thing:
            yield from _texts(one)
