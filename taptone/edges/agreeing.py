"""Verdicts or words on one grid, from a log, a survey or a CSV file, brought to the same labels."""

from __future__ import annotations

import csv
import io
import math
import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from taptone import __version__
from taptone.edges.comparing import elsewhere, load_sounded
from taptone.edges.stated import JUDGED_ANYWAY
from taptone.edges.store import open_store
from taptone.edges.tables import write_files
from taptone.errors import LogError, SurveyError
from taptone.survey.agree import INTERVAL, Agreement
from taptone.survey.change import Sounded, pair_stations
from taptone.survey.records import Word

__all__ = ["Said", "load_said", "on_one_grid", "outcome", "write_agreement"]

_COLUMNS = ("word", "verdict", "surveyor_word")
_HINT = "give a log of taptone analyse, a survey, or a CSV file with the columns station and word"
_MOST_NAMED = 6  # stations in a note
_LEAST_SHARED = 0.5  # of the stations of the smaller set


@dataclass(frozen=True, slots=True)
class Said:
    """What one side said: words by label, where they come from, and what to know of them."""

    source: str
    words: Mapping[str, str]
    panel: str = ""
    sounded: Sounded | None = field(default=None, compare=False)
    notes: tuple[str, ...] = ()


def load_said(path: str | os.PathLike[str], panel: str = "") -> Said:
    """Read what one side said of each station.

    Parameters
    ----------
    path : path-like
        A log or its folder: the program's verdicts. The folder of a survey: the surveyor's own words, only
        those given before the program's verdict was shown. A CSV file: columns ``station``, and ``word`` or
        ``verdict``.
    panel : str, optional
        Of a survey, the panel that is meant; needed where several have words.

    Returns
    -------
    Said
        By the labels of the source.

    Raises
    ------
    LogError, SurveyError
        One line: what is wrong, where, what to do.

    Examples
    --------
    >>> load_said("nowhere")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
        ...
    taptone.errors.LogError: nowhere does not exist: give a log of taptone analyse, a survey, or a CSV ...
    """
    place = Path(path)
    if not os.path.exists(place):
        raise LogError(f"{place} does not exist", hint=_HINT)
    if (place / "survey.sqlite").is_file():
        return _own_words(place, panel)
    if os.path.isdir(place) or place.suffix.casefold() == ".json":
        if os.path.isdir(place) and not (place / "log.json").is_file():
            raise LogError(f"{place} holds no log.json and no survey", hint=_HINT)
        sounded = load_sounded(place)
        words = dict(zip(sounded.log.labels, sounded.log.verdicts, strict=True))
        source = f"verdicts of {place.name}"
        notes = (_anyway(source, sounded.reasons),) if sounded.anyway else ()
        return Said(source, words, sounded.log.panel, sounded, notes)
    return _from_csv(place)


def on_one_grid(first: Said, second: Said) -> tuple[Said, Said]:
    """Bring the second to the labels of the first, or refuse.

    Parameters
    ----------
    first, second : Said
        Of one panel.

    Returns
    -------
    first, second : Said
        The same station has the same label: that of the first, also where the two differ in capitals only,
        which a note of the second then says.

    Raises
    ------
    LogError
        If they are not of one grid.

    Examples
    --------
    >>> one, two = Said("a.csv", {"A1": "good"}), Said("b.csv", {"A1": "hollow"})
    >>> on_one_grid(one, two)[1].words
    {'A1': 'hollow'}
    >>> on_one_grid(one, Said("c.csv", {"a1": "dull"}))[1].notes
    ('c.csv: a1 taken for A1 of a.csv: they differ in capitals only',)
    """
    hint = "give two judgements of one panel on one grid"
    if first.panel and second.panel and first.panel.casefold() != second.panel.casefold():
        raise LogError(
            f"{first.source} is of panel {first.panel}, {second.source} of {second.panel}", hint=hint
        )
    if first.sounded is not None and second.sounded is not None:
        apart = elsewhere(first.sounded.panel, second.sounded.panel)
        if apart:
            raise LogError(f"not on one grid: {'; '.join(apart)}", hint=hint)
        pairs = pair_stations(first.sounded, second.sounded)
        label_of = {
            second.sounded.log.labels[n]: first.sounded.log.labels[k] for k, n in enumerate(pairs) if n >= 0
        }
        label_of |= {n: f"{n} (second)" for n in second.words if n in first.words and n not in label_of}
    else:
        label_of = _but_for_capitals(first, second)
    words = {label_of.get(label, label): word for label, word in second.words.items()}
    notes = (*second.notes, *_told_alike(first, second, label_of))
    second = replace(second, words=words, notes=notes)
    shared = len(first.words.keys() & second.words.keys())
    fewer = min(len(first.words), len(second.words))
    if not shared or (first.sounded and second.sounded and shared < _LEAST_SHARED * fewer):
        raise LogError(
            f"not on one grid: {first.source} and {second.source} share {shared} of {fewer} stations",
            hint=hint,
        )
    return first, second


def outcome(found: Agreement) -> dict[str, str]:
    """What was found of each station, by label.

    Parameters
    ----------
    found : Agreement
        Of two sets.

    Returns
    -------
    dict of str to str
        ``both``, ``only first``, ``only second``, ``neither`` (suspect it), or who did not assess it.

    Examples
    --------
    >>> from taptone.survey.agree import agree
    >>> outcome(agree({"A1": True, "A2": None}, {"A1": False, "A2": True}))
    {'A1': 'only first', 'A2': 'not assessed by the first'}
    """
    kinds = {
        "both": found.both,
        "only first": found.only_first,
        "only second": found.only_second,
        "neither": found.neither,
        "not assessed by the first": found.not_by_first,
        "not assessed by the second": found.not_by_second,
        "not assessed by either": found.not_by_either,
    }
    return {label: kind for kind, labels in kinds.items() for label in labels}


def write_agreement(first: Said, second: Said, found: Agreement, out: Path) -> tuple[Path, ...]:
    """Write both sets beside each other, and how far they agree.

    Parameters
    ----------
    first, second : Said
        From :func:`on_one_grid`.
    found : Agreement
        Of the two.
    out : Path
        The folder; made if missing. A file of an earlier run that differs is set beside.

    Returns
    -------
    tuple of Path
        ``agree.csv``, ``agree.json``, and what was set beside.

    Raises
    ------
    OutputError
        If the folder cannot be made or written to.

    Examples
    --------
    >>> import tempfile
    >>> from taptone.survey.agree import agree, suspected
    >>> one, two = Said("a.csv", {"A1": "good"}), Said("b.csv", {"A1": "hollow"})
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     found = agree(suspected(one.words), suspected(two.words))
    ...     [path.name for path in write_agreement(one, two, found, Path(folder))]
    ['agree.csv', 'agree.json']
    """
    told = outcome(found)
    rows = [
        {
            "station": label,
            "first": first.words.get(label, ""),
            "second": second.words.get(label, ""),
            "outcome": told[label],
        }
        for label in dict.fromkeys((*first.words, *second.words))
    ]
    numbers = {
        name: None if math.isnan(value) else round(value, 4)
        for name, value in (
            ("kappa", found.kappa),
            ("kappa_low", found.low),
            ("kappa_high", found.high),
            ("observed", found.observed),
            ("expected", found.expected),
        )
    }
    body = {
        "first": first.source,
        "second": second.source,
        "panel": first.panel or second.panel,
        "assessed": found.assessed,
        "counts": dict(Counter(told.values())),
        **numbers,
        "interval": f"95 %, {INTERVAL}",
        "note": found.note,
        "notes": [*first.notes, *second.notes],
        "version": __version__,
        "stations": rows,
    }
    return write_files(out, tables={"agree.csv": rows}, documents={"agree.json": body})


def _but_for_capitals(first: Said, second: Said) -> dict[str, str]:
    """Labels of the second that are in capitals only another than one of the first → that one.

    Where either side has both spellings they are two stations, and nobody can say which is meant.
    """
    alike: dict[str, set[str]] = {}
    for label in (*first.words, *second.words):
        alike.setdefault(label.casefold(), set()).add(label)
    own = {label.casefold(): label for label in first.words}
    return {
        label: own[folded]
        for label in second.words
        if (folded := label.casefold()) in own and label != own[folded] and len(alike[folded]) == 2
        if label not in first.words and own[folded] not in second.words
    }


def _told_alike(first: Said, second: Said, label_of: Mapping[str, str]) -> list[str]:
    """Say which labels were taken for one station although their capitals differ."""
    alike = [
        f"{label} taken for {own}"
        for label, own in label_of.items()
        if label != own and label.casefold() == own.casefold()
    ]
    if not alike:
        return []
    shown = ", ".join(alike if len(alike) <= _MOST_NAMED else [*alike[:_MOST_NAMED], "…"])
    return [f"{second.source}: {shown} of {first.source}: they differ in capitals only"]


# -- where words come from ---------------------------------------------------------------------------------


def _own_words(place: Path, panel: str) -> Said:
    with open_store(place) as store:
        words = store.records(Word)
    names = list(dict.fromkeys(word.panel for word in words))
    wanted = [name for name in names if not panel or name.casefold() == panel.casefold()]
    if not wanted:
        of = f" on panel {panel}" if panel else ""
        raise SurveyError(f"{place} holds no own word{of}", hint="give them with taptone add word")
    if len(wanted) > 1:
        raise SurveyError(
            f"{place} holds own words on several panels ({', '.join(wanted)})",
            hint="name one with --panel",
        )
    here = [word for word in words if word.panel == wanted[0]]
    first = [word for word in here if word.ear_first]
    if not first:
        raise SurveyError(
            f"{place}: all {len(here)} own words on {wanted[0]} were given after the program's verdict was "
            "shown, and cannot be held against it",
            hint="only words given ear first count",
        )
    notes = []
    late = len(here) - len(first)
    if late:
        notes.append(f"{late} own words were given after the program's verdict was shown, and are left out")
    told: dict[str, str] = {}
    for word in first:
        told[word.station] = word.word
    if len(told) < len(first):
        notes.append("of several own words on one station the last one given ear first counts")
    return Said(f"own words of {place.resolve().name}, ear first", told, wanted[0], None, tuple(notes))


def _from_csv(place: Path) -> Said:
    try:
        text = place.read_bytes().decode("utf-8-sig")
    except OSError as error:
        raise LogError(f"{place} cannot be read ({error.strerror})", hint=_HINT) from error
    except UnicodeDecodeError as error:
        raise LogError(f"{place} is no CSV file in UTF-8", hint=_HINT) from error
    head = text.partition("\n")[0]
    reader = csv.reader(io.StringIO(text), delimiter=";" if head.count(";") > head.count(",") else ",")
    try:
        rows = [(reader.line_num, row) for row in reader if any(cell.strip() for cell in row)]
    except csv.Error as error:
        raise LogError(f"{place}, line {reader.line_num}: {error}", hint=_HINT) from error
    columns = [cell.strip().casefold() for cell in rows[0][1]] if rows else []
    named = next((name for name in _COLUMNS if name in columns), None)
    if "station" not in columns or named is None:
        raise LogError(f"{place}, line 1: no columns station and word", hint=_HINT)
    at, of = columns.index("station"), columns.index(named)
    words: dict[str, str] = {}
    for line, row in rows[1:]:
        if len(row) != len(columns):
            raise LogError(
                f"{place}, line {line}: {len(row)} cells under {len(columns)} columns",
                hint="give each line as many as the first",
            )
        label = row[at].strip()
        if not label:
            raise LogError(f"{place}, line {line}: no station", hint="give its label")
        if label in words:
            raise LogError(f"{place}, line {line}: station {label} a second time", hint="give each once")
        words[label] = row[of].strip()
    if not words:
        raise LogError(f"{place} holds no station", hint=_HINT)
    source = f"{named}s of {place.name}"
    reasons = [row[columns.index("reason")] for _, row in rows[1:]] if "reason" in columns else []
    notes = (_anyway(source, reasons),) if _flagged_anyway(columns, rows) else ()
    return Said(source, words, _one_panel(columns, rows), notes=notes)


def _flagged_anyway(columns: Sequence[str], rows: Sequence[tuple[int, Sequence[str]]]) -> bool:
    """Whether a table of verdicts is of a log that was judged anyway."""
    return "flags" in columns and any("anyway" in row[columns.index("flags")].split() for _, row in rows[1:])


def _anyway(source: str, reasons: Sequence[str]) -> str:
    """That the program judged although something spoke against it, and what, where a reason says so."""
    against = next((why for reason in reasons if (why := reason.partition(JUDGED_ANYWAY)[2])), "")
    return f"{source} were given with --anyway" + (f", although {against}" if against else "")


def _one_panel(columns: Sequence[str], rows: Sequence[tuple[int, Sequence[str]]]) -> str:
    if "panel" not in columns:
        return ""
    names = {row[columns.index("panel")].strip() for _, row in rows[1:]}
    return names.pop() if len(names) == 1 else ""
