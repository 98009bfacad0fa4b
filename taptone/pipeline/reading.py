"""Every way to cut a panel's strikes into its rows is a reading; each is weighed by the mishaps it needs.

- a strike missed, or one too many: 1 each
- a pause inside a row that no missed strike of that row explains: 1 each
- a row not tapped, a run of strikes that belongs to no row, a row end without a pause: 3 each

What is read of a row is sure if every reading that gives it other strikes needs at least 3 more than the
best. A row end heard one strike too early or too late can hide one mishap on either side, 2 together. Where
two or more whole rows or runs are amiss they can make up for each other too, and 6 more are asked for.

A recording that ends may have cut off any number of strikes: a run beside its end never needs more than 2,
neither does one before it that belongs to no row (a row begun, and tapped anew in the next recording).

Where marks take the place of the pauses, no missed strike explains one: each inside a row counts 3. A swept
row has no planned count: any run fits that was struck as such rows are, another needs 3.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.sweep import is_swept
from taptone.types import FloatArray

__all__ = ["FREE", "Cuts", "Reading", "read_rows"]

#: Planned strikes of a swept row: as many as it takes.
FREE = 0

_RUN = 3.0  # mishaps that a whole row or run counts for
_MARGIN = 3.0  # more than a misplaced row end can hide
_WIDE = 6.0  # more than one of two whole rows or runs can hide
_LOST = 2.0  # mishaps that a run beside the end of a recording needs at most; less than a row left out
_INSIDE = 20  # most pauses looked for inside a run
_JOINED = 3  # most rows looked for in one run without a pause

_Ints = NDArray[np.int64]
_Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Cuts:
    """Where strikes may be cut into rows: at pauses or marks (`passed`), or where a recording ends.

    ``edges`` are numbers of strikes, from 0 to that of all; the others tell of the edges between. ``empty``
    is how many marks have no strike before them.
    """

    edges: _Ints
    passed: _Bools
    file_ends: _Bools
    marked: bool = False
    empty: int = 0


@dataclass(frozen=True, slots=True)
class Reading:
    """What was heard of a row: strikes from `start` up to `stop`, and what can be said of them."""

    start: int = 0
    stop: int = 0
    kind: str = "alone"  # or "missing", "joined"
    sure: bool = True

    def fits(self, planned: int) -> bool:
        """Whether it has as many strikes as planned, and no other row in it."""
        return self.kind == "alone" and self.stop - self.start == planned


def read_rows(
    planned: Sequence[int], cuts: Cuts, time_s: FloatArray | None = None, parts: int = 1
) -> list[Reading]:
    """Find each row in the reading with the fewest mishaps, and whether any other comes near it.

    Parameters
    ----------
    planned : sequence of int
        Strikes of each row (or part of one) in tapping order; `FREE` of a swept one; negative where at most
        so many are expected.
    cuts : Cuts
        Where one row may end and the next begin.
    time_s : ndarray of float, shape (n,), optional
        Onsets in s, where a row is swept.
    parts : int, default 1
        Parts that a row has.

    Returns
    -------
    list of Reading
        One a row.

    Examples
    --------
    >>> cuts = Cuts(np.array([0, 12, 23, 35]), np.array([True, True]), np.array([False, False]))
    >>> [(row.start, row.stop, row.sure) for row in read_rows([12, 12, 12], cuts)]
    [(0, 12, True), (12, 23, True), (23, 35, True)]
    """
    edges = cuts.edges
    n = len(planned)
    if n == 1:
        return [Reading(0, int(edges[-1]))]
    runs = _Runs.of(cuts, time_s)
    begin, upto = runs.begin, _fewest(planned, runs)
    onward = _fewest(planned[::-1], _Runs.of(cuts, time_s, back=True))[::-1, ::-1]

    def through(r: int, k: int) -> FloatArray:
        """Mishaps of the best reading in which a run is rows `r` to `r + k`, for each run."""
        total: FloatArray = upto[r][begin] + runs.mishaps(planned[r : r + k]) + onward[r + k][:, None]
        return total

    joined = np.full(n, np.inf)
    for k in range(2, min(_JOINED, n) + 1):
        for r in range(n - k + 1):
            joined[r : r + k] = np.minimum(joined[r : r + k], through(r, k).min())
    readings: list[Reading] = []
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
        readings.append(Reading(int(edges[begin[end, start]]), int(edges[end]), kind))
    # Several whole rows or runs amiss can make up for more than two single strikes can.
    joined_rows = sum(reading.kind == "joined" for reading in readings)
    over = [
        r.stop - r.start - n if r.kind == "alone" and n > 0 else 0
        for r, n in zip(readings, planned, strict=True)
    ]
    far = sum(abs(n) >= _LOST for n in over)
    far -= sum(abs(n) >= _LOST and n == -after for n, after in pairwise(over))  # one row end misplaced
    missing = sum(reading.kind == "missing" for reading in readings)
    amiss = cuts.empty + abs(len(edges) - 1 - taken - joined_rows // 2) + missing + far
    # Parts of rows look like those of any other row: a whole row amiss is as many of them.
    margin = _WIDE * parts if amiss > 1 else _MARGIN * (parts if amiss else 1)
    least = upto[-1, -1] + margin
    return [
        replace(reading, sure=bool(other >= least)) for reading, other in zip(readings, others, strict=True)
    ]


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
    def of(cls, cuts: Cuts, time_s: FloatArray | None, *, back: bool = False) -> _Runs:
        """Runs between edges; `back`: from the last one on."""
        edges, passed = cuts.edges, cuts.passed
        outer = np.concatenate([[False], cuts.file_ends, [False]])
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
        return cls(begin, heard, so_far[end - 1] - so_far[begin], within | beside, swept, spared, cuts.marked)

    def mishaps(self, planned: Sequence[int]) -> FloatArray:
        """Return what it takes that each run is these rows, infinite where there is no run."""
        missed = sum(map(abs, planned)) - self.heard
        given_up = len(planned) == 1 and planned[0] < 0
        if FREE in planned:
            missed = np.maximum(missed, 0)
        if given_up:
            missed = np.minimum(missed, 0)
        unlike = _RUN * (~self.swept & (list(planned) == [FREE]))
        counted = np.where(self.cut & (missed > 0), np.minimum(missed, _LOST), np.abs(missed))
        explained = np.maximum(self.passed - np.maximum(missed, 0), 0)
        inside = _RUN * self.passed if self.marked or given_up else explained
        return np.where(self.heard > 0, counted + inside + unlike + _RUN * (len(planned) - 1), np.inf)


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
