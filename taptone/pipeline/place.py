"""Strikes to stations: rows are told apart by their pauses, and what does not fit is marked, never shifted.

A pause may end a row; so may the end of a file. It may also be a breath, or a strike that was missed. So
every way to cut the strikes into the planned rows is weighed (:mod:`taptone.pipeline.reading`), and a row is
tied to its stations only if its count fits in the best of them and no other comes near that gives it other
strikes: two damaged rows that make up for each other are marked.

Where rows are planned to end with a mark (:mod:`taptone.pipeline.marks`) and marks are heard, these take the
place of the pauses. Of a row begun, and tapped anew in the next recording, the first strikes belong to no
row; all rows carry the flag ``begun anew``: one that was cut off, and any other tapped twice, sound so too.

What keeps a row's count *and* its pauses cannot be heard: two rows of equal length swapped, a row tapped from
the wrong end, one row repeated and another left out, a strike missed and one added without an odd gap. With
marks within a row each part of it is counted by itself.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import groupby, pairwise

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.marks import MARK_S, find_marks
from taptone.pipeline.reading import FREE, Cuts, Reading, read_rows
from taptone.pipeline.sweep import is_swept, swept_places
from taptone.pipeline.twice import ROW_AGAIN, ROW_UNCLEAR, told_by_sound
from taptone.settings import PlaceSettings
from taptone.types import FloatArray, Panel, Place, Station

__all__ = ["NOT_SURE", "place"]

#: Flags of strikes that may be none: told by rhythm and likeness, or by one gap only.
NOT_SURE = frozenset(("faint", "unsure"))

_SHORT = 5  # strikes over which a row's end may be misplaced

_UNREAD = "no row mark heard, or strikes too quick for marks: rows are told by their pauses"
_TAP_ROW = "tap it again"
_AGAIN = "tap the panel again, with a clear pause after each row"
_DIFFERS = "count differs"
_ODD = "pauses differ"  # taps with this flag are trusted, and so are those with the next
_BETWEEN = "between miscounts"
_FEWER = "taps missing"
_OVER = "strikes over"
_ANEW = "begun anew"
_ONCE = "every row fits if none was tapped twice: was the row named as tapped again really?"
_QUICK = "marks unread"
_TOO_QUICK = (
    "sounds like row marks in rows struck faster than twice a second, not read as such: {}; strike slower"
)
_FAINT = "faint strikes"
_LEFT = "sounds left out"  # and with this
_MOST_FAINT = 40  # that are tried
_SAID = {
    _FAINT: "strikes in it or beside it that were told by rhythm or likeness only: {}",
    _LEFT: "sudden sounds in it or beside it that were not taken for strikes: {}",
}

_Ints = NDArray[np.int64]


def place(
    recording: _Ints,
    time_s: FloatArray,
    panel: Panel,
    settings: PlaceSettings | None = None,
    faint: NDArray[np.bool_] | None = None,
    left_out: FloatArray | None = None,
    bounces: FloatArray | None = None,
    twice: Collection[int] = (),
    shape: Callable[[], FloatArray] | None = None,
) -> tuple[tuple[Place, ...], tuple[str, ...]]:
    """Tie strikes to the stations of a panel, in tapping order.

    A strike that was only known by the others may be none. It is left out where the counts and pauses of more
    rows fit without it, and a row that holds such strikes, or did, says so.

    Parameters
    ----------
    recording : ndarray of int, shape (n,)
        Number of the file each strike was heard in; files in the order in which they were made. One contact
        a strike: bounces are left out by the caller.
    time_s : ndarray of float, shape (n,)
        Onset of each strike in seconds from the start of its file, rising within a file.
    panel : Panel
        Stations in tapping order; those of a row follow each other.
    settings : PlaceSettings, optional
        What counts as a pause.
    faint : ndarray of bool, shape (n,), optional
        Strikes that were told by rhythm or likeness only.
    left_out : ndarray of float, shape (m, 2), optional
        File and time of sounds that might have been strikes and were not taken for any.
    bounces : ndarray of float, shape (k, 2), optional
        File and time of second contacts: looked at for row marks only.
    twice : collection of int, optional
        Rows that were tapped and then tapped again at once, by `Station.row`: the second time counts.
    shape : callable, optional
        Returns how each strike sounded, in dB, of shape (n, features). Asked only where one row more was
        heard than planned: which one was tapped twice is then told by likeness.

    Returns
    -------
    places : tuple of Place
        One a station, in panel order, and one a strike of a swept row; ``taps`` are indices into `time_s`.
        Stations of a row that could not be tied have no taps, the flag ``count differs`` or ``row unclear``,
        and the reason. Flags of those that are tied: ``pauses differ`` (by their count, although the pauses
        are odd), ``taps missing`` (fewer than planned, in a row whose gaps tell its stations apart),
        ``begun anew``, ``strikes over``, ``between miscounts``, ``marks unread``, ``row again``, ``row too
        many`` (which one is told by its sound), ``swept ±0.04 m``; ``faint strikes`` and ``sounds left out``
        (in the row or beside it).
    notes : tuple of str
        One line for each flagged row.

    Raises
    ------
    ValueError
        If the strikes are not in order.

    Examples
    --------
    >>> stations = tuple(Station(f"{a}{n}", n / 10, 0.0, i) for i, a in enumerate("AB") for n in (1, 2, 3))
    >>> panel = Panel("blade", "port", "outside", "foam", "top of stock", (), stations)
    >>> places, notes = place(np.zeros(5, int), np.array([1.0, 2.0, 3.0, 7.0, 8.0]), panel)
    >>> [p.taps for p in places]
    [(0,), (1,), (2,), (), (), ()]
    >>> notes
    ('row B: 2 strikes heard, 3 planned',)
    """
    settings = settings or PlaceSettings()
    recording, time_s = np.asarray(recording), np.asarray(time_s, dtype=float)
    faint = np.zeros(len(time_s), bool) if faint is None else faint
    left_out = np.zeros((0, 2)) if left_out is None else left_out
    strikes = np.column_stack([recording, time_s])
    kept, marks, too_quick = np.arange(len(time_s)), None, 0
    if panel.row_marks:
        others = np.concatenate([left_out, np.zeros((0, 2)) if bounces is None else bounces])
        marks, of_mark, too_quick = find_marks(strikes, others, panel.taps_per_station)
        kept, faint = kept[~of_mark], faint & ~of_mark
        left_out = left_out[~_beside(left_out, marks)]
    best = _tie(recording[kept], time_s[kept], panel, settings, marks, twice)
    for k in np.flatnonzero(faint)[:_MOST_FAINT]:
        if all(spot.taps for spot in best[0]):
            break
        fewer = kept[kept != k]
        other = _tie(recording[fewer], time_s[fewer], panel, settings, marks, twice)
        if _plain(other[0]) > _plain(best[0]):
            kept, best = fewer, other
    if shape is not None and not twice and not any(spot.taps for spot in best[0]):
        of_row = partial(_tie, recording[kept], time_s[kept], panel, settings, marks)
        best = told_by_sound(panel, lambda row: of_row([row])[0], lambda: shape()[kept]) or best
    if twice and not all(spot.taps for spot in best[0]):
        once = _tie(recording[kept], time_s[kept], panel, settings, marks)[0]
        if _plain(once) == len(panel.stations):
            best = best[0], (*best[1], _ONCE)
    if marks is not None and len(marks) and too_quick:
        best = tuple(_also(spot, _QUICK) for spot in best[0]), (*best[1], _TOO_QUICK.format(too_quick))
    return _marked(best, kept, strikes, {_FAINT: strikes[faint], _LEFT: left_out})


def _plain(places: Sequence[Place]) -> int:
    """How many stations are tied without a doubt."""
    return sum(bool(spot.taps) and not spot.flags for spot in places)


def _marked(
    tied: tuple[tuple[Place, ...], tuple[str, ...]],
    kept: _Ints,
    strikes: FloatArray,
    doubts: Mapping[str, FloatArray],
) -> tuple[tuple[Place, ...], tuple[str, ...]]:
    """The places with their own numbers of taps; rows with a doubtful sound in or beside them are marked."""
    places = [replace(spot, taps=tuple(int(kept[k]) for k in spot.taps)) for spot in tied[0]]
    notes = list(tied[1])
    for _, row in groupby(range(len(places)), key=lambda n: places[n].station.row):
        numbers = list(row)
        taps = [k for n in numbers for k in places[n].taps]
        if not taps:
            continue
        file = strikes[taps[0], 0]
        # From the strike before the row to the one after it: what is heard there may belong to the row.
        others = strikes[kept[strikes[kept, 0] == file], 1]
        low = others[others < strikes[min(taps), 1]].max(initial=-np.inf)
        high = others[others > strikes[max(taps), 1]].min(initial=np.inf)
        for flag, sounds in doubts.items():
            near = ((sounds[:, 0] == file) & (sounds[:, 1] > low) & (sounds[:, 1] < high)).sum()
            if near:
                name = _name([places[n].station for n in numbers], None)
                notes.append(f"{name}{_SAID[flag].format(near)}")
                for n in numbers:
                    places[n] = replace(places[n], flags=(*places[n].flags, flag))
    return tuple(places), tuple(notes)


def _beside(sounds: FloatArray, marks: FloatArray) -> NDArray[np.bool_]:
    """Which sounds were heard within a mark."""
    late_s = sounds[:, None, 1] - marks[None, :, 1]
    same = sounds[:, None, 0] == marks[None, :, 0]
    return np.asarray((same & (late_s >= 0) & (late_s <= MARK_S)).any(axis=1))


@dataclass(frozen=True, slots=True, eq=False)
class _Plan:
    """Rows to be heard in tapping order, or parts of rows where marks end them."""

    rows: list[tuple[Station, ...]]
    first: list[bool]  # of a row that stands twice: its first time
    planned: list[int]  # strikes, as `read_rows` takes them
    parts: int  # that a row has

    @classmethod
    def of(cls, panel: Panel, every: int, twice: Collection[int]) -> _Plan:
        whole = [tuple(stations) for _, stations in groupby(panel.stations, key=lambda station: station.row)]
        copies = [(row, first) for row in whole for first in [True] * (row[0].row in twice) + [False]]
        rows = [part for row, _ in copies for part in _parts(row, every)]
        first = [is_first for row, is_first in copies for _ in _parts(row, every)]
        planned = [
            FREE if row[0].row in panel.swept_rows else len(row) * panel.taps_per_station for row in rows
        ]
        # A row that was tapped again at once may have been given up half way: at most so many strikes.
        planned = [-n if is_first and not every else n for n, is_first in zip(planned, first, strict=True)]
        return cls(rows, first, planned, max(len(_parts(row, every)) for row in whole))


@dataclass(frozen=True, slots=True, eq=False)
class _Heard:
    """Strikes, the gaps between them and what a gap may mean."""

    time_s: FloatArray
    gap_s: FloatArray  # nan from one recording to the next
    is_long: NDArray[np.bool_]
    lost: set[int]  # numbers of strikes that begin a recording after the first
    ended: set[int] | None  # numbers of strikes before a mark; None where marks are not read
    between_s: float = np.nan  # gap from which on a new station begins

    def odd(self, span: range) -> str:
        """What is odd in the gaps of a row."""
        return "a pause inside" if np.any(self.is_long[span.start : max(span.stop - 1, 0)]) else ""

    def file_ends(self, strikes: range) -> bool:
        """Whether a recording ends before one of them."""
        return not self.lost.isdisjoint(strikes)


def _tie(
    recording: _Ints,
    time_s: FloatArray,
    panel: Panel,
    settings: PlaceSettings,
    marks: FloatArray | None = None,
    twice: Collection[int] = (),
) -> tuple[tuple[Place, ...], tuple[str, ...]]:
    """Tie strikes that are all taken for sure; `marks` is None where none are planned."""
    new_file = np.diff(recording) != 0
    gap_s = np.where(new_file, np.nan, np.diff(time_s))
    if np.any(np.diff(recording) < 0) or np.any(gap_s <= 0):
        raise ValueError("strikes are not in order of recording and time")

    marked = marks is not None and len(marks) > 0
    plan = _Plan.of(panel, panel.mark_every if marked else 0, twice)
    notes = [] if marked or marks is None else [_UNREAD]
    ends, empty, before = np.zeros(len(gap_s), bool), 0, []
    if marks is not None:
        before = [((recording < file) | ((recording == file) & (time_s < at))).sum() for file, at in marks]
        ends[[n - 1 for n in before if 0 < n < len(time_s)]] = True
        empty = len(before) - len({n for n in before if n > 0})
    plain = [len(row) for row in plan.rows if row[0].row not in panel.swept_rows]
    usual_s = _usual_gap(gap_s, len(plan.rows), sum(plain) - len(plain))
    is_long = (gap_s >= max(settings.row_pause * usual_s, settings.row_pause_s)) & ~ends
    may_end = ends if marked else is_long
    at = np.flatnonzero(new_file | may_end)
    odd = "" if marked or marks is None else "no row mark was read"
    if len(plan.rows) > 1 and not at.size and not panel.swept_rows and not twice:
        # Nothing to tell rows by: the whole count must fit.
        plan = _Plan([panel.stations], [False], [len(panel.stations) * panel.taps_per_station], 1)
        odd = f"no {'mark' if marked else 'pause'} between rows"
    at = at if len(plan.rows) > 1 else at[:0]
    cuts = Cuts(np.concatenate([[0], at + 1, [len(time_s)]]), may_end[at], new_file[at], marked, empty)
    readings = read_rows(plan.planned, cuts, time_s if panel.swept_rows else None, plan.parts)
    lost = {int(k) + 1 for k in np.flatnonzero(new_file)}
    between_s = _between(gap_s, readings, plan.rows, panel.taps_per_station)
    heard = _Heard(time_s, gap_s, is_long, lost, set(before) if marked else None, between_s)
    told = [_told(k, plan, readings, heard, cuts, panel, odd) for k in range(len(plan.rows))]
    places, said = _laid(plan, readings, told, heard, panel, twice)
    return tuple(places), (*notes, *said)


@dataclass(frozen=True, slots=True)
class _Told:
    """What is said of a row: its flag and why, and its strikes station by station if it is tied."""

    flag: str
    note: str = ""
    groups: tuple[range, ...] = ()


def _told(
    k: int,
    plan: _Plan,
    readings: Sequence[Reading],
    heard: _Heard,
    cuts: Cuts,
    panel: Panel,
    odd: str,
) -> _Told:
    """Say of row `k` whether it is tied, and what is odd."""
    stations, many, reading = plan.rows[k], plan.planned[k], readings[k]
    each, span = panel.taps_per_station, range(reading.start, reading.stop)
    pause = heard.odd(span)
    if plan.first[k]:
        return _Told(ROW_AGAIN, f"tapped twice: the {len(span)} strikes of the first time are not used")
    flag, note = _doubt(reading, many or len(span), odd or pause, cuts, len(plan.rows))
    if many == FREE:
        why = _doubt_of_sweep(heard, span, pause) if reading.kind == "alone" else ""
        return _Told(ROW_UNCLEAR, why) if why else _Told(flag, note, tuple(range(n, n + 1) for n in span))
    if flag == _DIFFERS:
        groups = [] if pause else _grouped(heard.gap_s, reading, len(stations), each, heard.between_s)
        ends = heard.file_ends(range(span.start, span.stop + 1))
        return _Told(flag, note + _lacking(stations, groups, each, ends=ends), tuple(groups))
    if flag == ROW_UNCLEAR:
        return _Told(flag, note)
    between, shifted = _shifted(readings, plan.planned)
    if k in shifted:
        return _Told(
            ROW_UNCLEAR, f"one row or part beside it has too few strikes, another too many: {_TAP_ROW}"
        )
    beside = [n for n in (k - 1, k + 1) if 0 <= n < len(readings)]
    whole = all(readings[n].sure and readings[n].fits(plan.planned[n]) for n in beside)
    if heard.file_ends(range(span.start + 1, span.stop)) and not whole:
        return _Told(ROW_UNCLEAR, f"a recording ends in it, and a row beside it is not whole: {_TAP_ROW}")
    unmarked = heard.ended is not None and span.stop not in heard.ended
    if unmarked and not flag and heard.file_ends(range(span.start + 1, span.stop + 1)):
        flag, note = (
            _ODD,
            "a recording ends in it or right after it, and its mark was not heard: "
            "perhaps a strike of the mark stands for one of its own",
        )
    if k in between and not flag:
        flag, note = (
            _BETWEEN,
            "between a row with strikes too many and one that lacks as many: perhaps shifted",
        )
    return _Told(flag, note, tuple(range(n, n + each) for n in span[::each]))


def _laid(
    plan: _Plan,
    readings: Sequence[Reading],
    told: Sequence[_Told],
    heard: _Heard,
    panel: Panel,
    twice: Collection[int],
) -> tuple[list[Place], list[str]]:
    """Lay the strikes out station by station; say what is odd, and which strikes belong to no row."""
    places: list[Place] = []
    notes: list[str] = []
    unclear: dict[str, list[str]] = {}
    done, anew, row_over = 0, False, False  # strikes up to here belong to the rows so far
    least = min((n for n in map(abs, plan.planned) if n), default=1)  # strikes of the shortest row or part
    for k, (stations, reading, row) in enumerate(zip(plan.rows, readings, told, strict=True)):
        name, note = _name(stations, panel), row.note
        if (
            note and row.flag == ROW_UNCLEAR
        ):  # as likely the fault of another row: one line for all that share it
            unclear.setdefault(note, []).append(name.rstrip(": "))
        elif note:
            note = name + note
            notes.append(note)
        if reading.kind == "alone":
            over = range(done + 1, reading.start + 1)
            done = max(done, reading.stop)
            if over:  # the row before may have lost strikes to them
                anew |= heard.file_ends(over)
                row_over |= len(over) >= least and (k == 0 or readings[k - 1].kind == "alone")
                sure = reading.sure and (k == 0 or (readings[k - 1].sure and readings[k - 1].kind == "alone"))
                notes += [_over(len(over), f"before {name}".rstrip(": "))] * sure
                last = plan.rows[k - 1][0].row if k else -1
                places = [_also(spot, _OVER) if spot.station.row == last else spot for spot in places]
        if not plan.first[k]:
            more = (ROW_AGAIN,) * (stations[0].row in twice)
            swept = plan.planned[k] == FREE
            places += [_also(spot, *more) for spot in _spots(stations, row, note, heard, panel, swept=swept)]
    row_over |= len(heard.time_s) - done >= least and not unclear
    if anew or row_over:  # a row or part tapped twice, where two others ran into each other, sounds so too
        places = [_also(spot, _ANEW if anew else _OVER) for spot in places]
    for note, names in unclear.items():
        which = f"{names[0]} to {names[-1]}, {len(names)} rows" if len(names) > 1 else names[0]
        notes.append(f"{which}: {note}" if which else note)
    if len(heard.time_s) > done and len(plan.rows) > 1 and not unclear:
        notes.append(_over(len(heard.time_s) - done, "after the last row"))
    return places, notes


def _spots(
    stations: Sequence[Station], row: _Told, note: str, heard: _Heard, panel: Panel, *, swept: bool
) -> list[Place]:
    """The stations of a row with their strikes, or with the reason why they have none."""
    if row.flag == ROW_UNCLEAR or not row.groups:
        return [Place(station, (), (row.flag,), note) for station in stations]
    if swept:
        start, stop = row.groups[0].start, row.groups[-1].stop
        return swept_places(stations[0], stations[-1], heard.time_s[start:stop], start)
    if row.flag == _DIFFERS:
        fewer = [(_FEWER,) * (len(taps) < panel.taps_per_station) for taps in row.groups]
    else:
        fewer = [(row.flag,) * bool(row.flag)] * len(row.groups)
    return [Place(s, tuple(taps), own) for s, taps, own in zip(stations, row.groups, fewer, strict=True)]


def _also(spot: Place, *flags: str) -> Place:
    """The place with more flags, if it is tied."""
    return replace(spot, flags=tuple(dict.fromkeys((*spot.flags, *flags)))) if spot.taps else spot


def _shifted(readings: Sequence[Reading], planned: Sequence[int]) -> tuple[set[int], set[int]]:
    """Return the rows between too many strikes and as many too few; and the short ones between any such."""
    over = [row.stop - row.start - n if n > 0 else 0 for row, n in zip(readings, planned, strict=True)]
    between: set[int] = set()
    short: set[int] = set()
    for k, n in enumerate(over):
        later = next((j for j in range(k + 1, len(over)) if over[j]), k)
        if n * over[later] < 0:
            between |= set(range(k + 1, later)) if n == -over[later] else set()
            short |= set(range(k + 1, later)) if sum(planned[k + 1 : later]) <= _SHORT else set()
    return between, short


def _doubt_of_sweep(heard: _Heard, span: range, pause: str) -> str:
    """Return why the strikes of a swept row cannot be laid out; nothing if it was struck as such rows are."""
    touched = {span.start, span.stop} & heard.lost
    whole = {span.start, span.stop} <= heard.lost | {0, len(heard.time_s)}
    if heard.file_ends(range(span.start + 1, span.stop)) or (touched and not whole):
        return "a recording ends in the sweep or beside it: sweep it again"
    if pause:
        return "a pause inside the sweep: sweep it again"
    if not is_swept(heard.time_s[span.start : span.stop]):
        return f"{len(span)} strikes heard, not 2 to 4 a second as in a swept row: sweep it again"
    return ""


def _lacking(stations: Sequence[Station], groups: Sequence[range], each: int, *, ends: bool) -> str:
    """Return what else is known of a row whose count differs."""
    said = "; a recording ends in it or beside it" if ends else ""
    short = [f"{s.label} {len(g)}" for s, g in zip(stations, groups, strict=False) if len(g) < each]
    return said + (
        f"; of {each} a station, by the gaps between stations: {', '.join(short)}" if short else ""
    )


def _between(
    gap_s: FloatArray, readings: Sequence[Reading], rows: Sequence[Sequence[Station]], each: int
) -> float:
    """Return the gap from which on a new station begins, where whole rows tell it plainly; else nan."""
    within, between = [], []
    for reading, row in zip(readings, rows, strict=True):
        if reading.kind == "alone" and reading.sure and reading.stop - reading.start == len(row) * each:
            own = gap_s[reading.start : reading.stop - 1]
            ends = np.arange(1, len(own) + 1) % each == 0
            between += list(own[ends & np.isfinite(own)])
            within += list(own[~ends & np.isfinite(own)])
    if not within or not between:
        return np.nan
    high, low = np.quantile(within, 0.95), np.quantile(between, 0.05)
    return float(np.sqrt(high * low)) if low > 1.5 * high else np.nan


def _grouped(gap_s: FloatArray, reading: Reading, stations: int, each: int, between_s: float) -> list[range]:
    """Return the strikes of each station of a row that lacks a few, by their gaps; nothing where in doubt.

    Fewer are lacking than one station has: else a whole one might be, and a stray strike stand for it.
    """
    missing = stations * each - (reading.stop - reading.start)
    own = gap_s[reading.start : reading.stop - 1]
    clear = (own > 1.15 * between_s) | (own < between_s / 1.15)
    if not (reading.sure and 0 < missing < each and clear.all()):
        return []
    starts = [reading.start, *(reading.start + 1 + np.flatnonzero(own > between_s)).tolist(), reading.stop]
    groups = [range(a, b) for a, b in pairwise(starts)]
    return groups if len(groups) == stations and max(map(len, groups)) <= each else []


def _over(strikes: int, where: str) -> str:
    return f"{strikes} strikes {where} belong to no row and are not used"


def _parts(row: tuple[Station, ...], every: int) -> list[tuple[Station, ...]]:
    """The parts of a row that a mark ends: after so many stations as tapped, and at its end."""
    return [row[k : k + every] for k in range(0, len(row), every)] if every else [row]


def _usual_gap(gap_s: FloatArray, n_rows: int, between: int) -> float:
    """Return the middle gap `between` stations: longer ones end rows, shorter ones may lie within a station.

    In swept rows gaps are shorter too; where there are no others, the middle one is of these.
    """
    longest_first = np.sort(gap_s[np.isfinite(gap_s)])[::-1]
    middle = n_rows - 1 + (between or max(len(longest_first) - n_rows + 1, 0)) // 2
    return float(longest_first[min(middle, len(longest_first) - 1)]) if longest_first.size else np.inf


def _doubt(reading: Reading, planned: int, odd: str, cuts: Cuts, rows: int) -> tuple[str, str]:
    """Return the flag of a row and why, in words; two empty strings if nothing is odd."""
    heard = reading.stop - reading.start
    end, runs = "mark" if cuts.marked else "pause", len(cuts.edges) - 1
    again = _AGAIN.replace("pause", end)
    if reading.kind == "joined":
        return (
            ROW_UNCLEAR,
            f"no {end} heard between it and the row before or after: {again}",
        )
    if reading.kind == "missing" and reading.sure:
        return _DIFFERS, f"0 strikes heard, {planned} planned"
    if reading.kind == "alone" and heard != planned:
        return _DIFFERS, f"{heard} strikes heard, {planned} planned"
    if not reading.sure and runs != rows:
        return (
            ROW_UNCLEAR,
            f"{runs} runs of strikes heard, {rows} rows planned, and they fit in more than one way: {again}",
        )
    if not reading.sure:
        return (
            ROW_UNCLEAR,
            f"another reading of the {end}s fits nearly as well: {again}",
        )
    if odd:
        return _ODD, f"{heard} strikes heard as planned, but {odd}: one missed and one added sound so too"
    return "", ""


def _name(stations: Sequence[Station], panel: Panel | None) -> str:
    """Return how to speak of a row or its part ('row C: ', 'column 3: '), nothing for a whole panel."""
    labels = [re.match(r"([A-Z]+)(\d+)", station.label) for station in stations]
    for word, part in (("row", 1), ("column", 2)):
        names = {label[part] if label else "" for label in labels}
        if len(names) == 1 and "" not in names:
            whole = panel is None or sum(s.row == stations[0].row for s in panel.stations) == len(stations)
            some = "" if whole else f", {stations[0].label} to {stations[-1].label}"
            return f"{word} {names.pop()}{some}: "
    return ""
