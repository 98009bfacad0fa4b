"""Strikes to stations: rows are told apart by their pauses, and what does not fit is marked, never shifted.

A pause may end a row; so may the end of a file. It may also be a breath, or a strike that was missed. So
every way to cut the strikes into the planned rows (a reading) is weighed by the mishaps it needs:

- a strike missed, or one too many: 1 each
- a pause inside a row that no missed strike of that row explains: 1 each
- a row not tapped, a run of strikes that belongs to no row, a row end without a pause: 3 each

A row is tied to its stations only if its count fits in the reading with the fewest mishaps, and every reading
that gives this row other strikes needs at least 3 more. A row end heard one strike too early or too late can
hide one mishap on either side, 2 together: so two damaged rows that make up for each other are marked.

A recording that ends may have cut off any number of strikes: a run beside its end never needs more than 2,
neither does one before it that belongs to no row: a row begun, and tapped anew in the next recording. The
rows from there on carry the flag ``begun anew``: one of them tapped twice would sound so too.

Where rows are planned to end with a mark (see :mod:`taptone.pipeline.marks`) and marks are heard, these take
the place of the pauses. No missed strike makes a mark: one inside a row counts 3, as does a row end without.

A swept row has no planned count: any run fits that was struck as such rows are (see
:mod:`taptone.pipeline.sweep`), another needs 3 mishaps.

What keeps a row's count *and* its pauses cannot be heard: two rows of equal length swapped, a row tapped from
the wrong end, one row repeated and another left out, a strike missed and one added without an odd gap. With
marks within a row each part of it is counted by itself.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.marks import MARK_S, find_marks
from taptone.pipeline.sweep import is_swept, swept_places
from taptone.settings import PlaceSettings
from taptone.types import FloatArray, Panel, Place, Station

__all__ = ["place"]

_RUN = 3.0  # mishaps that a whole row or run counts for
_FREE = 0  # planned strikes of a swept row: as many as it takes
_MARGIN = 3.0  # more than a misplaced row end can hide
_SHORT = 5  # strikes over which a row's end may be misplaced
_WIDE = 6.0  # more than one of two whole rows or runs can hide
_LOST = 2.0  # mishaps that a run beside the end of a recording needs at most; less than a row left out
_INSIDE = 20  # most pauses looked for inside a run
_JOINED = 3  # most rows looked for in one run without a pause

_UNCLEAR = "row unclear"
_ROW_AGAIN = "tap it again"
_AGAIN = "tap the panel again, with a clear pause after each row"
_DIFFERS = "count differs"
_ODD = "pauses differ"  # taps with this flag are trusted, and so are those with the next
_FEWER = "taps missing"
_FIRST = "row again"
_OVER = "strikes over"
_ANEW = "begun anew"
_FAINT = "faint strikes"
_LEFT = "sounds left out"  # and with this
_MOST_FAINT = 40  # that are tried
_SAID = {
    _FAINT: "strikes in it or beside it that were told by rhythm and likeness only: {}",
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
        Strikes that were told by rhythm and likeness only.
    left_out : ndarray of float, shape (m, 2), optional
        File and time of sounds that might have been strikes and were not taken for any.
    bounces : ndarray of float, shape (k, 2), optional
        File and time of second contacts: looked at for row marks only.
    twice : collection of int, optional
        Rows that were tapped and then tapped again at once, by `Station.row`: the second time counts.

    Returns
    -------
    places : tuple of Place
        One a station, in panel order, and one a strike of a swept row; ``taps`` are indices into `time_s`.
        Stations of a row that could not be tied have no taps, the flag ``count differs`` or ``row unclear``,
        and the reason. Flags of those that are tied: ``pauses differ`` (by their count, although the pauses
        are odd), ``taps missing`` (fewer than planned, in a row whose gaps tell its stations apart),
        ``begun anew``, ``row again``, ``faint strikes``, ``sounds left out`` (in the row or beside it),
        ``swept ±0.04 m``.
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
    kept, marks = np.arange(len(time_s)), None
    if panel.row_marks:
        others = np.concatenate([left_out, np.zeros((0, 2)) if bounces is None else bounces])
        marks, of_mark = find_marks(strikes, others, panel.taps_per_station)
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

    each = panel.taps_per_station
    rows = [tuple(stations) for _, stations in groupby(panel.stations, key=lambda station: station.row)]
    marked = marks is not None and len(marks) > 0
    every = panel.mark_every if marked else 0
    copies = [(row, is_first) for row in rows for is_first in [True] * (row[0].row in twice) + [False]]
    rows = [part for row, _ in copies for part in _parts(row, every)]
    earlier = [is_first for row, is_first in copies for _ in _parts(row, every)]
    notes: list[str] = []
    ends, empty = np.zeros(len(gap_s), bool), 0
    if marks is not None:
        before = [((recording < file) | ((recording == file) & (time_s < at))).sum() for file, at in marks]
        ends[[n - 1 for n in before if 0 < n < len(time_s)]] = True
        empty = len(before) - len({n for n in before if n > 0})  # marks without a strike before them
        unread = "no row mark heard, or strikes too quick for marks: rows are told by their pauses"
        notes += [] if marked else [unread]
    plain = [len(row) for row in rows if row[0].row not in panel.swept_rows]
    usual_s = _usual_gap(gap_s, len(rows), sum(plain) - len(plain))
    is_long = (gap_s >= max(settings.row_pause * usual_s, settings.row_pause_s)) & ~ends
    cuts = np.flatnonzero(new_file | (ends if marked else is_long))
    odd = ""
    swept = bool(panel.swept_rows)
    if (
        len(rows) > 1 and not cuts.size and not swept and not twice
    ):  # nothing to tell rows by: the whole count must fit
        rows, earlier, odd = [panel.stations], [False], f"no {'mark' if marked else 'pause'} between rows"
    cuts = cuts if len(rows) > 1 else cuts[:0]
    edges = np.concatenate([[0], cuts + 1, [len(time_s)]])
    passed = (ends if marked else is_long)[cuts]
    planned = [_FREE if row[0].row in panel.swept_rows else len(row) * each for row in rows]
    # A row that was tapped again at once may have been given up half way: at most so many strikes.
    planned = [
        -many if is_first and not every else many for many, is_first in zip(planned, earlier, strict=True)
    ]
    parts = -(-max(sum(s.row == row[0].row for s in panel.stations) for row in rows) // every) if every else 1
    readings = _read(planned, edges, passed, new_file[cuts], marked, time_s if swept else None, parts, empty)

    between_s = _between(gap_s, readings, rows, each)
    lost = {int(k) + 1 for k in np.flatnonzero(new_file)}
    places: list[Place] = []
    unclear: dict[str, list[str]] = {}
    done = 0  # strikes up to here belong to the rows so far
    anew = False
    over_by = [r.stop - r.start - n if n > 0 else 0 for r, n in zip(readings, planned, strict=True)]
    shifted = _shifted(over_by, planned)
    whole = [
        r.sure and r.kind == "alone" and r.stop - r.start == n for r, n in zip(readings, planned, strict=True)
    ]
    for k, (stations, many, reading, is_first) in enumerate(
        zip(rows, planned, readings, earlier, strict=True)
    ):
        beside = all(whole[max(k - 1, 0) : k] + whole[k + 1 : k + 2])
        span = range(reading.start, reading.stop)
        pause = "a pause inside" if np.any(is_long[reading.start : max(reading.stop - 1, 0)]) else ""
        flag, note = _doubt(
            reading, many if many > 0 else len(span), odd or pause, len(cuts) + 1, len(rows), marked
        )
        groups: list[range] = []
        if many == _FREE and reading.kind == "alone":
            odd_sweep = _doubt_of_sweep(time_s, span, pause, lost)
            flag, note = (_UNCLEAR, odd_sweep) if odd_sweep else (flag, note)
        elif flag == _DIFFERS:
            groups = _grouped(gap_s, reading, len(stations), each, between_s) if not pause else []
            note += _lacking(
                stations, groups, each, ends=not lost.isdisjoint(range(span.start, span.stop + 1))
            )
        elif flag in ("", _ODD) and k in shifted:
            flag, note = (
                _UNCLEAR,
                f"one row or part beside it has too few strikes, another too many: {_ROW_AGAIN}",
            )
        elif flag in ("", _ODD) and not lost.isdisjoint(range(span.start + 1, span.stop)) and not beside:
            flag, note = _UNCLEAR, f"a recording ends in it, and a row beside it is not whole: {_ROW_AGAIN}"
        if is_first:
            flag, groups, note = (
                _FIRST,
                [],
                f"tapped twice: the {len(span)} strikes of the first time are not used",
            )
        if note and flag == _UNCLEAR:  # as likely the fault of another row: one line for all that share it
            unclear.setdefault(note, []).append(_name(stations, panel).rstrip(": "))
        elif note:
            note = _name(stations, panel) + note
            notes.append(note)
        over = range(done + 1, reading.start + 1) if reading.kind == "alone" else range(0)
        if over:  # the row before may have lost strikes to them, and those after may each stand for another
            anew |= not lost.isdisjoint(over)
            known = reading.sure and (k == 0 or (readings[k - 1].sure and readings[k - 1].kind == "alone"))
            notes += [_over(len(over), f"before {_name(stations, panel)}".rstrip(": "))] * known
            before_it = rows[k - 1][0].row if k else -1
            places = [
                replace(s, flags=(*s.flags, _OVER)) if s.taps and s.station.row == before_it else s
                for s in places
            ]
        done = max(done, reading.stop) if reading.kind == "alone" else done
        if many == _FREE and not flag:
            found = swept_places(stations[0], stations[-1], time_s[span.start : span.stop], span.start)
        elif flag in ("", _ODD) or groups:
            even = [range(k, k + each) for k in span[::each]]
            found = [
                Place(
                    station, tuple(taps), (_FEWER,) * (len(taps) < each) if groups else (flag,) * bool(flag)
                )
                for station, taps in zip(stations, groups or even, strict=True)
            ]
        else:
            found = [Place(station, (), (flag,), note) for station in stations]
        more = (_ANEW,) * anew + (_FIRST,) * (stations[0].row in twice)
        found = [replace(spot, flags=(*spot.flags, *more)) if spot.taps else spot for spot in found]
        places += [] if is_first else found
    for note, names in unclear.items():
        which = f"{names[0]} to {names[-1]}, {len(names)} rows" if len(names) > 1 else names[0]
        notes.append(f"{which}: {note}" if which else note)
    if len(time_s) > done and len(rows) > 1 and not unclear:
        notes.append(_over(len(time_s) - done, "after the last row"))
    return tuple(places), tuple(notes)


def _shifted(over: Sequence[int], planned: Sequence[int]) -> set[int]:
    """Return the parts between too few and too many, so short that a misplaced mark may have shifted them."""
    found: set[int] = set()
    for k, n in enumerate(over):
        later = next((j for j in range(k + 1, len(over)) if over[j]), k)
        if n and n * over[later] < 0 and sum(planned[k + 1 : later]) <= _SHORT:
            found |= set(range(k + 1, later))
    return found


def _doubt_of_sweep(time_s: FloatArray, span: range, pause: str, lost: set[int]) -> str:
    """Return why the strikes of a swept row cannot be laid out; nothing if it was struck as such rows are."""
    touched = {span.start, span.stop} & lost
    whole = {span.start, span.stop} <= lost | {0, len(time_s)}
    if not lost.isdisjoint(range(span.start + 1, span.stop)) or (touched and not whole):
        return "a recording ends in the sweep or beside it: sweep it again"
    if pause:
        return "a pause inside the sweep: sweep it again"
    if not is_swept(time_s[span.start : span.stop]):
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
    gap_s: FloatArray, readings: Sequence[_Reading], rows: Sequence[Sequence[Station]], each: int
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


def _grouped(gap_s: FloatArray, reading: _Reading, stations: int, each: int, between_s: float) -> list[range]:
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


@dataclass(frozen=True, slots=True)
class _Reading:
    """What was heard of a row: strikes from `start` up to `stop`, and what can be said of them."""

    start: int = 0
    stop: int = 0
    kind: str = "alone"  # or "missing", "joined"
    sure: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class _Runs:
    """Runs of strikes that end at each edge: shape (edges, runs)."""

    begin: _Ints  # the edge they begin at
    heard: _Ints  # their strikes
    passed: _Ints  # pauses or marks inside them
    cut: NDArray[np.bool_]  # a recording ends within them, or they are its first or last and not all of it
    swept: NDArray[np.bool_]  # they follow each other as in a swept row
    spare: FloatArray  # of each edge: mishaps if all before it belong to no row
    marked: bool

    @classmethod
    def of(
        cls,
        edges: _Ints,
        passed: NDArray[np.bool_],
        cut: NDArray[np.bool_],
        marked: bool,
        time_s: FloatArray | None,
        *,
        back: bool = False,
    ) -> _Runs:
        """Runs between edges, which are pauses or marks (`passed`), or recordings' ends (`cut`), or both."""
        outer = np.concatenate([[False], cut, [False]])
        spare = np.where(outer[1:], _LOST, _RUN)  # a row begun, and tapped anew in the next recording
        if back:
            edges, passed, outer, spare = edges[-1] - edges[::-1], passed[::-1], outer[::-1], spare[::-1]
            time_s = None if time_s is None else -time_s[::-1]
        end = np.arange(len(edges))[:, None]
        begin = end - 1 - np.arange(min(len(edges) - 1, _INSIDE + 1))
        so_far = np.concatenate([[0], np.cumsum(passed), [0]])
        within = np.cumsum(outer)[end - 1] - np.cumsum(outer)[begin] > 0
        limits = outer | (end[:, 0] % (len(edges) - 1 or 1) == 0)
        beside = (outer[begin] | outer[end]) & ~(limits[begin] & limits[end])
        heard = np.where(begin >= 0, edges[end] - edges[begin], 0)
        # The last recording may have been cut off too.
        beside |= (begin == 0 if back else end == len(edges) - 1) & (heard < edges[-1])
        swept = np.zeros(heard.shape, bool)
        if time_s is not None:
            for e, b in np.argwhere((heard > 0) & ~within):
                swept[e, b] = is_swept(time_s[edges[begin[e, b]] : edges[e]])
        spared = np.cumsum(np.insert(spare, 0, 0.0))
        return cls(begin, heard, so_far[end - 1] - so_far[begin], within | beside, swept, spared, marked)

    def mishaps(self, planned: Sequence[int]) -> FloatArray:
        """Return what it takes that each run is these rows, infinite where there is no run."""
        missed = sum(map(abs, planned)) - self.heard
        given_up = len(planned) == 1 and planned[0] < 0
        if _FREE in planned:
            missed = np.maximum(missed, 0)
        if given_up:
            missed = np.minimum(missed, 0)
        unlike = _RUN * (~self.swept & (list(planned) == [_FREE]))
        counted = np.where(self.cut & (missed > 0), np.minimum(missed, _LOST), np.abs(missed))
        explained = np.maximum(self.passed - np.maximum(missed, 0), 0)
        inside = _RUN * self.passed if self.marked or given_up else explained
        return np.where(self.heard > 0, counted + inside + unlike + _RUN * (len(planned) - 1), np.inf)


def _read(
    planned: Sequence[int],
    edges: _Ints,
    passed: NDArray[np.bool_],
    cut: NDArray[np.bool_],
    marked: bool,
    time_s: FloatArray | None,
    parts: int,
    empty: int,
) -> list[_Reading]:
    """Find each row in the reading with the fewest mishaps, and whether any other comes near it."""
    n = len(planned)
    if n == 1:
        return [_Reading(0, int(edges[-1]))]
    runs = _Runs.of(edges, passed, cut, marked, time_s)
    begin, upto = runs.begin, _fewest(planned, runs)
    onward = _fewest(planned[::-1], _Runs.of(edges, passed, cut, marked, time_s, back=True))[::-1, ::-1]

    def through(r: int, k: int) -> FloatArray:
        """Mishaps of the best reading in which a run is rows `r` to `r + k`, for each run."""
        total: FloatArray = upto[r][begin] + runs.mishaps(planned[r : r + k]) + onward[r + k][:, None]
        return total

    joined = np.full(n, np.inf)
    for k in range(2, min(_JOINED, n) + 1):
        for r in range(n - k + 1):
            joined[r : r + k] = np.minimum(joined[r : r + k], through(r, k).min())
    readings: list[_Reading] = []
    others: list[float] = []
    taken = 0
    for r in range(n):
        alone = through(r, 1)
        end, start = np.unravel_index(np.argmin(alone), alone.shape)
        missing = (upto[r] + _RUN + onward[r + 1]).min()
        costs = {"alone": alone[end, start], "missing": missing, "joined": joined[r]}
        kind = min(costs, key=lambda name: costs[name])
        alone[end, start] = np.inf
        others.append(min(alone.min(), *(cost for name, cost in costs.items() if name != kind)))
        taken += int(end - begin[end, start]) if kind == "alone" else 0
        readings.append(_Reading(int(edges[begin[end, start]]), int(edges[end]), kind))
    # Several whole rows or runs amiss can make up for more than two single strikes can.
    joined_rows = sum(reading.kind == "joined" for reading in readings)
    amiss = (
        empty
        + abs(len(edges) - 1 - taken - joined_rows // 2)
        + sum(
            r.kind == "missing" or (r.kind == "alone" and many - (r.stop - r.start) >= _LOST)
            for r, many in zip(readings, planned, strict=True)
        )
    )
    least = upto[-1, -1] + (_WIDE * parts if amiss > 1 else _MARGIN)
    return [
        replace(reading, sure=bool(other >= least)) for reading, other in zip(readings, others, strict=True)
    ]


def _fewest(planned: Sequence[int], runs: _Runs) -> FloatArray:
    """Return the fewest mishaps with the first `r` rows before edge `e`, shape (rows + 1, edges)."""
    n, begin = len(planned), runs.begin
    steps = runs.spare
    fewest = np.full((n + 1, len(begin)), np.inf)
    fewest[0, 0] = 0.0
    for r in range(n + 1):
        fewest[r] = np.minimum.accumulate(fewest[r] - steps) + steps  # runs that belong to no row
        if r < n:
            fewest[r + 1] = np.minimum(fewest[r + 1], fewest[r] + _RUN)
        for k in range(1, min(_JOINED, n - r) + 1):
            whole = fewest[r][begin] + runs.mishaps(planned[r : r + k])
            fewest[r + k] = np.minimum(fewest[r + k], whole.min(axis=1))
    return fewest


def _doubt(reading: _Reading, planned: int, odd: str, runs: int, rows: int, marked: bool) -> tuple[str, str]:
    """Return the flag of a row and why, in words; two empty strings if nothing is odd."""
    heard = reading.stop - reading.start
    end = "mark" if marked else "pause"
    again = _AGAIN.replace("pause", end)
    if reading.kind == "joined":
        return (
            _UNCLEAR,
            f"no {end} heard between it and the row before or after: {again}",
        )
    if reading.kind == "missing" and reading.sure:
        return _DIFFERS, f"0 strikes heard, {planned} planned"
    if reading.kind == "alone" and heard != planned:
        return _DIFFERS, f"{heard} strikes heard, {planned} planned"
    if not reading.sure and runs != rows:
        return (
            _UNCLEAR,
            f"{runs} runs of strikes heard, {rows} rows planned, and they fit in more than one way: {again}",
        )
    if not reading.sure:
        return (
            _UNCLEAR,
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
