"""A panel against itself at an earlier visit: which stations sound otherwise now, and which way.

Two visits differ by the day, the hand and the microphone before the boat comes into it. So the levels of both
are matched first: on reference taps where either day has its own, else on the stations that were `no
difference` both times. What these stations still differ by from one visit to the other is the repeat spread,
and a change is what lies beyond it. The test is of the sound, later less earlier; the scores of both days, on
one scale, only tell which way it went. A verdict that changed without a sure change of sound is `unchanged`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taptone.errors import LogError
from taptone.pipeline.compare import (
    Comparison,
    compare,
    in_one_band,
    in_parts,
    part_names,
    softened,
    with_ring,
)
from taptone.pipeline.judge import beside_plain_skin, confidence, on_its_kind, sure_in_patches
from taptone.pipeline.mirror import match, pair_chance
from taptone.pipeline.ringing import EARLY_MS, Rings, by_either, by_ring, fit_ringing, rings_to_ask
from taptone.pipeline.robust import location_scale
from taptone.settings import JudgeSettings
from taptone.survey.panel import kinds_under
from taptone.types import Earlier, FloatArray, Panel, Scorer

__all__ = [
    "CHANGES",
    "REPAIRED",
    "AreaChange",
    "Changes",
    "Extent",
    "Sounded",
    "StationChange",
    "changes",
    "pair_stations",
]

#: What can have become of a station or an area.
CHANGES = ("new", "grown", "gone", "shrunk", "unchanged")
#: What is said of a station of a repaired area, and of one that cannot be compared.
REPAIRED = ("repaired, suspect", "repaired, no difference", "repaired, at structure")
NOT_COMPARED = "not compared"

_QUARTER, _HALF = 0.25, 0.5  # of the spacing
_FOLDS = 10
# Over loose skin a tap depends on where it falls to within millimetres: measured with benchmarks/later.py.
_LOOSE_LOG = 0.25  # spread of the logarithm of the score of one suspect, from one visit to the next
_REPAIR = "repair"  # declared structure of such a kind is the repair itself, and no frame under it
_SURELY = 4.0  # standard errors by which a whole panel must have moved to be told of
_LEAST = 8  # pairs, or reference places, from which anything is learnt


@dataclass(frozen=True, slots=True)
class Extent:
    """A suspect area as a log holds it."""

    stations: tuple[str, ...]
    at_least_m2: float
    at_most_m2: float


@dataclass(frozen=True, slots=True, eq=False)
class Sounded:
    """One panel as it was sounded on one visit.

    ``reference_bands_db`` (places, bands) and ``reference_ring_db`` (places,) are how its known-good places
    sounded, with no rows where there were none or the log does not hold them. ``anyway``: its log was judged
    although something spoke against it.
    """

    log: Earlier
    panel: Panel
    characters: tuple[str, ...]
    reasons: tuple[str, ...]
    areas: tuple[Extent, ...]
    reference_bands_db: FloatArray
    reference_ring_db: FloatArray
    anyway: bool = False


@dataclass(frozen=True, slots=True)
class StationChange:
    """One station, then and now.

    ``station`` is its label now (then, if it was not tapped again), ``apart_m`` how far the two places lie
    from each other. ``earlier_score`` and ``later_score`` are on one scale, not those of the logs.
    ``chance_if_unchanged`` is the share of unchanged stations expected to differ at least this much;
    ``confidence`` 1 minus it, adjusted over the panel.
    """

    panel: str
    station: str
    earlier_station: str
    x_m: float
    y_m: float
    apart_m: float
    earlier_verdict: str
    later_verdict: str
    earlier_character: str
    later_character: str
    earlier_score: float
    later_score: float
    chance_if_unchanged: float
    confidence: float
    change: str
    flags: tuple[str, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class AreaChange:
    """One suspect area, then and now; sizes are ``nan`` on the visit when there was none."""

    change: str
    confidence: float
    earlier_stations: tuple[str, ...]
    later_stations: tuple[str, ...]
    earlier_at_least_m2: float
    earlier_at_most_m2: float
    later_at_least_m2: float
    later_at_most_m2: float
    flags: tuple[str, ...]
    reason: str


@dataclass(frozen=True, slots=True)
class Changes:
    """All that became of one panel between two visits, and what to know of the comparison."""

    panel: str
    stations: tuple[StationChange, ...]
    areas: tuple[AreaChange, ...]
    matched_on: str
    compared: int
    notes: tuple[str, ...] = ()


def changes(
    earlier: Sounded,
    later: Sounded,
    *,
    new_judge: Callable[[int], Scorer],
    new_scorer: Callable[[int], Scorer],
    repaired: Collection[str] = (),
    settings: JudgeSettings = JudgeSettings(),
) -> Changes:
    """Tell what changed between two visits to one panel.

    Parameters
    ----------
    earlier, later : Sounded
        The panel on either visit.
    new_judge : callable
        Makes the model that tells how far a station is from good, for a number of features.
    new_scorer : callable
        The same without a direction that is not held against a place: for the difference of two visits.
    repaired : collection of str, optional
        Labels, as of the later visit, of stations where the construction may have changed: they are held
        against the good stations outside, as they sound now; on declared structure, as structure is judged.
    settings : JudgeSettings, optional
        The confidence from which a change is told, and how well taps of one place agree at best.

    Returns
    -------
    Changes
        Stations in the order of the later log, then those that were not tapped again.

    Raises
    ------
    LogError
        If fewer than 8 stations were `no difference` both times.

    Examples
    --------
    >>> from taptone.model.baseline import Baseline
    >>> rng = np.random.default_rng(0)
    >>> labels = tuple(f"{row}{k}" for row in "ABCD" for k in range(1, 9))
    >>> xy_m = np.stack(np.divmod(np.arange(32), 8), axis=1) * 0.1
    >>> panel = Panel("deck", "port", "outside", "solid", "stem", (), (), spacing_m=0.1)
    >>> built = rng.normal(-20, 3, (32, 23))
    >>> def visit(bands_db, verdicts):
    ...     rings = bands_db[:, 0], bands_db[:, 1]
    ...     log = Earlier("deck", {}, labels, xy_m, bands_db, *rings, tuple(verdicts), np.full(32, 0.5))
    ...     return Sounded(log, panel, ("",) * 32, ("",) * 32, (), np.zeros((0, 23)), np.zeros(0))
    >>> good, now = ["no difference"] * 32, built + rng.normal(0, 1, built.shape)
    >>> now[9, 3:9] += 20
    >>> told = changes(
    ...     visit(built + rng.normal(0, 1, built.shape), good),
    ...     visit(now, [*good[:9], "suspect", *good[10:]]),
    ...     new_judge=lambda features: Baseline(),
    ...     new_scorer=lambda features: Baseline(),
    ... )
    >>> [(s.station, s.change) for s in told.stations if s.change != "unchanged"]
    [('B2', 'new')]
    """
    pairs = pair_stations(earlier, later)
    then, now = np.flatnonzero(pairs >= 0), pairs[pairs >= 0]
    inside = np.array([label in repaired for label in later.log.labels], bool)
    shape = _shapes(earlier, later)
    heard = np.isfinite(shape.then[then, :-1]).all(axis=1) & np.isfinite(shape.now[now, :-1]).all(axis=1)
    told = heard & ~inside[now]
    fine = np.array([v == "no difference" for v in earlier.log.verdicts], bool)[then]
    fine &= np.array([v == "no difference" for v in later.log.verdicts], bool)[now]
    good = told & fine
    if good.sum() < _LEAST:
        raise LogError(
            f"{later.log.panel}: only {int(good.sum())} stations were `no difference` both times, and can "
            "show how much the same station differs from one visit to the next",
            hint=f"at least {_LEAST} are needed"
            + (", outside of what is repaired" if repaired else "")
            + ": tap the whole grid again",
        )
    raw = shape.now[now] - shape.then[then]
    step, doubt, matched_on = _matched(earlier, later, shape, raw, good, then, now)
    difference = _bounded(raw - step)
    chance = _chance_if_unchanged(difference, told, good, doubt, new_scorer, settings)
    rung = _by_the_ring(earlier, later, then, now, (raw - step)[:, -1], good, float(doubt[-1]), settings)
    chance = by_either(chance, rung.chance)
    usual = location_scale(in_parts(difference[good]))[1]
    kinds_then, kinds_now = (
        kinds_under(side.panel, side.log.xy_m, settings.structure_margin_m) for side in (earlier, later)
    )
    kinds_now = [
        "" if within and kind.casefold().startswith(_REPAIR) else kind
        for kind, within in zip(kinds_now, inside, strict=True)
    ]
    apart = [kind or "repaired" * within for kind, within in zip(kinds_now, inside.tolist(), strict=True)]
    features = shape.now.shape[1]
    known = min(len(shape.known_then), len(shape.known_now)) >= settings.least_places
    before, after = (
        compare(rows, xy_m, kinds, places if known else None, lambda: new_judge(features), settings)
        for rows, xy_m, kinds, places in (
            (shape.then, earlier.log.xy_m, kinds_then, shape.known_then),
            (shape.now - step, later.log.xy_m, apart, shape.known_now - step),
        )
    )
    scores = _on_one_scale(before, after, lambda: new_judge(features))
    chance = _within_a_patch(
        chance, scores[0][then], scores[1][now], _suspect(earlier)[then] & _suspect(later)[now]
    )
    sure = confidence(chance, told)
    now_chance, able = on_its_kind(after, [not kind for kind in kinds_now])
    mended, _ = sure_in_patches(now_chance, able, after)
    partner = np.full(len(later.log.labels), -1)
    partner[now] = then
    row_of = {int(k): n for n, k in enumerate(now)}
    stations = [
        _station(earlier, later, int(partner[k]), k, scores)
        if k not in row_of
        else _judged(
            _station(earlier, later, int(partner[k]), k, scores),
            difference[row_of[k]],
            (raw - step)[row_of[k]],
            usual,
            float(chance[row_of[k]]),
            float(sure[row_of[k]]),
            settings.confidence,
            rung if by_ring(chance, rung.chance)[row_of[k]] else None,
            row_of[k],
        )
        for k in range(len(later.log.labels))
    ]
    stations = [
        _repaired(one, kinds_now[k], after, k, float(now_chance[k]), float(mended[k]), settings)
        if inside[k]
        else one
        for k, one in enumerate(stations)
    ]
    left = [k for k in range(len(earlier.log.labels)) if pairs[k] < 0]
    stations += [_station(earlier, later, k, -1, scores) for k in left]
    return Changes(
        later.log.panel,
        tuple(stations),
        _areas(earlier, later, stations),
        matched_on,
        int(told.sum()),
        tuple(_whole(raw - step, good, doubt)),
    )


def pair_stations(earlier: Sounded, later: Sounded) -> NDArray[np.intp]:
    """Number of the later station at the place of each earlier one.

    The same label within a quarter of the spacing goes first; of the rest, those that are each other's
    nearest within half of it.

    Parameters
    ----------
    earlier, later : Sounded
        With places measured from the same datum.

    Returns
    -------
    ndarray of int, shape (stations of the earlier visit,)
        -1 where there is none; no later station is used twice.

    Examples
    --------
    >>> nothing = np.zeros((0, 23))
    >>> def visit(labels, xy_m):
    ...     n, at_m = len(labels), np.array(xy_m)
    ...     log = Earlier("deck", {}, labels, at_m, nothing, *np.zeros((2, n)), ("",) * n, np.zeros(n))
    ...     panel = Panel("deck", "port", "outside", "solid", "stem", (), (), spacing_m=0.1)
    ...     return Sounded(log, panel, (), (), (), nothing, np.zeros(0))
    >>> then = visit(("A1", "A2", "A3"), [[0.0, 0.0], [0.1, 0.0], [0.2, 0.0]])
    >>> pair_stations(then, visit(("A1", "B2", "A3"), [[0.01, 0.0], [0.12, 0.0], [0.3, 0.0]]))
    array([ 0,  1, -1])
    """
    spacing_m = min(_spacing_m(earlier), _spacing_m(later))
    here, there = earlier.log.xy_m, later.log.xy_m
    number = {label: k for k, label in enumerate(later.log.labels)}
    pairs = np.full(len(here), -1)
    for k, label in enumerate(earlier.log.labels):
        same = number.get(label, -1)
        if same >= 0 and math.dist(here[k], there[same]) <= _QUARTER * spacing_m + 1e-9:
            pairs[k] = same
    left = np.flatnonzero(pairs < 0)
    free = np.setdiff1d(np.arange(len(there)), pairs)
    forth = match(here[left], there[free], _HALF * spacing_m)
    back = match(there[free], here[left], _HALF * spacing_m)
    mutual = [n for n, k in enumerate(forth) if k >= 0 and back[k] == n]
    pairs[left[mutual]] = free[forth[mutual]]
    return pairs


# -- how the two visits sound, on one footing --------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Shapes:
    """Stations and reference places of both visits, in the bands that all of them hold, the ring last."""

    then: FloatArray
    now: FloatArray
    known_then: FloatArray
    known_now: FloatArray


def _shapes(earlier: Sounded, later: Sounded) -> _Shapes:
    bands = [
        earlier.log.bands_db,
        later.log.bands_db,
        earlier.reference_bands_db,
        later.reference_bands_db,
    ]
    ring_db = [
        earlier.log.ring_db,
        later.log.ring_db,
        earlier.reference_ring_db,
        later.reference_ring_db,
    ]
    nobody = np.zeros(bands[0].shape[1], bool)
    for rows in bands:
        if np.isfinite(rows).any():
            nobody |= ~np.isfinite(rows).any(axis=0)
    shape, _ = in_one_band(np.where(nobody, np.nan, np.concatenate(bands)), None)
    shape, _ = with_ring(shape, None, np.concatenate(ring_db), np.zeros(0))
    ends = np.cumsum([len(rows) for rows in bands])[:-1]
    then, now, *known = np.split(shape, ends)
    return _Shapes(then, now, *(_all_read(rows) for rows in known))


def _all_read(known: FloatArray) -> FloatArray:
    """Reference places that were heard; a ring that could not be read is taken as usual."""
    known = known[np.isfinite(known[:, :-1]).all(axis=1)]
    read = known[np.isfinite(known[:, -1]), -1]
    known[:, -1] = np.where(np.isfinite(known[:, -1]), known[:, -1], np.median(read) if len(read) else 0.0)
    return known


def _matched(
    earlier: Sounded,
    later: Sounded,
    shape: _Shapes,
    raw: FloatArray,
    good: NDArray[np.bool_],
    then: NDArray[np.intp],
    now: NDArray[np.intp],
) -> tuple[FloatArray, FloatArray, str]:
    """What the day itself adds to every station, its standard error, and what that was read from."""
    marked_then, marked_now = (
        np.array([label in _reference_labels(side.panel) for label in side.log.labels], bool)
        for side in (earlier, later)
    )
    marked = marked_then[then] & marked_now[now] & np.isfinite(raw[:, :-1]).all(axis=1)
    if marked.sum() >= _LEAST:
        middle, spread = location_scale(raw[marked])
        return (
            np.nan_to_num(middle),
            np.nan_to_num(spread) / math.sqrt(marked.sum()),
            f"{int(marked.sum())} reference stations that were tapped both times",
        )
    counts = [len(rows) for rows in (shape.known_then, shape.known_now)]
    anew = not np.array_equal(earlier.reference_bands_db, later.reference_bands_db, equal_nan=True)
    if min(counts) >= _LEAST and anew:
        (one, spread_one), (two, spread_two) = map(location_scale, (shape.known_then, shape.known_now))
        return (
            np.nan_to_num(two - one),
            np.nan_to_num(np.hypot(spread_one / math.sqrt(counts[0]), spread_two / math.sqrt(counts[1]))),
            f"reference taps of both visits ({counts[0]} and {counts[1]} places)",
        )
    why = (
        "both visits used one baseline"
        if min(counts) >= _LEAST
        else "reference taps of both visits are not to hand"
    )
    return (
        np.nan_to_num(location_scale(raw[good])[0]),
        np.zeros(raw.shape[1]),
        f"{int(good.sum())} stations that were `no difference` both times ({why})",
    )


def _bounded(difference: FloatArray) -> FloatArray:
    """A node of a mode takes a band away on either day: no band counts as more than 10 dB either way."""
    read = np.nan_to_num(difference)
    return np.where(read < 0, softened(read), -softened(-read))


def _chance_if_unchanged(
    difference: FloatArray,
    told: NDArray[np.bool_],
    good: NDArray[np.bool_],
    doubt: FloatArray,
    new_scorer: Callable[[int], Scorer],
    settings: JudgeSettings,
) -> FloatArray:
    """Share of unchanged stations that differ as much; those that teach it are held out in turn."""
    from scipy.stats import chi2

    features = difference.shape[1]
    middle, spread = location_scale(difference[good])
    widened = np.sqrt(1 + (doubt / np.maximum(spread, 1e-9)) ** 2)  # the match itself is not sure
    taught = (difference - middle) * np.minimum(widened, 1e3)
    chance = np.full(len(difference), np.nan)
    fold = np.full(len(difference), -1)
    fold[good] = np.arange(good.sum()) % _FOLDS
    for n in range(-1, _FOLDS):
        asked = told & (fold == n)
        teachers = good & (fold != n)
        rows = np.where(teachers[:, None], taught, difference)
        found = pair_chance(rows, asked, teachers, lambda: new_scorer(features))
        chance[asked] = found[asked]
    # Two copies of one recording agree to the last digit: no two taps of one place do.
    least = np.append(np.full(features - 1, settings.least_spread_db), settings.least_ring_db)
    alike = chi2.sf((difference**2 / np.maximum(least, 1e-9) ** 2).sum(axis=1), features)
    return np.where(told, np.maximum(chance, alike), np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class _Rung:
    """How the ring asked by itself changed, and the share of unchanged stations that change as much."""

    off_db: FloatArray
    chance: FloatArray
    spread_db: float
    after_ms: float


def _by_the_ring(
    earlier: Sounded,
    later: Sounded,
    then: NDArray[np.intp],
    now: NDArray[np.intp],
    late_off_db: FloatArray,
    good: NDArray[np.bool_],
    doubt_db: float,
    settings: JudgeSettings,
) -> _Rung:
    """Ask whether a ring fell short, or grew: the rarer of the two.

    Counted as at one visit, it adds at most a tenth to what falls below any limit, not a twentieth.
    """
    late, early = (
        np.concatenate([before[then][good], after[now][good]])
        for before, after in (
            (earlier.log.ring_db, later.log.ring_db),
            (earlier.log.early_ring_db, later.log.early_ring_db),
        )
    )
    nobody = np.zeros(0)
    after_ms = rings_to_ask(
        [Rings(nobody, nobody, late), Rings(nobody, nobody, early, EARLY_MS)], settings.least_ring_db
    ).after_ms
    off_db = late_off_db
    if after_ms == EARLY_MS:  # what the day adds is what it adds to most
        off_db = later.log.early_ring_db[now] - earlier.log.early_ring_db[then]
        off_db = off_db - location_scale(off_db[good])[0]
    least = float(np.hypot(settings.least_ring_db, doubt_db))
    shorter, longer = (fit_ringing(sign * off_db[good], least, after_ms) for sign in (1, -1))
    chance = np.minimum(shorter.chance(off_db), longer.chance(-off_db))
    return _Rung(off_db, chance, shorter.spread_db, after_ms)


def _on_one_scale(
    before: Comparison, after: Comparison, new_judge: Callable[[], Scorer]
) -> tuple[FloatArray, FloatArray]:
    """How far every station was and is from good, by one model of how good stations of both days stray."""
    if before.difference is None or after.difference is None:
        return np.full(len(before.score), np.nan), np.full(len(after.score), np.nan)
    scorer = new_judge().fit(np.concatenate([before.difference[before.good], after.difference[after.good]]))
    scores = []
    for side in (before, after):
        assert side.difference is not None
        heard = np.asarray(np.isfinite(side.difference).all(axis=1))
        score = np.full(len(heard), np.nan)
        if heard.any():
            score[heard] = scorer.score_samples(side.difference[heard])
        scores.append(score)
    return scores[0], scores[1]


def _suspect(side: Sounded) -> NDArray[np.bool_]:
    return np.array([verdict == "suspect" for verdict in side.log.verdicts], bool)


def _within_a_patch(
    chance: FloatArray, score_then: FloatArray, score_now: FloatArray, both: NDArray[np.bool_]
) -> FloatArray:
    """The chance of a station that was suspect both times: its score must have moved as well.

    Good stations cannot teach how a loose one repeats. Its own kind do where there are enough of them.
    """
    from scipy.stats import norm

    out = chance.copy()
    if not both.any():
        return out
    moved = np.log(np.maximum(score_now[both], 1e-9) / np.maximum(score_then[both], 1e-9))
    spread = float(location_scale(moved)[1]) if both.sum() >= _LEAST else 0.0
    of_score = 2 * norm.sf(np.abs(moved) / max(spread, _LOOSE_LOG))
    out[both] = np.where(np.isfinite(of_score), np.maximum(chance[both], of_score), np.nan)
    return out


def _whole(difference: FloatArray, good: NDArray[np.bool_], doubt: FloatArray) -> list[str]:
    """A line on the panel as a whole: whether it moved against its reference, or could not be asked."""
    if not doubt.any():
        return ["a change of the whole panel alike would not show: it was matched to its own stations"]
    middle, spread = location_scale(in_parts(difference[good]))
    error = np.hypot(in_parts(doubt), spread / math.sqrt(good.sum()))
    size = np.abs(np.nan_to_num(middle)) / np.maximum(error, 1e-9)
    n = int(np.argmax(size))
    if size[n] <= _SURELY:
        return []
    return [
        f"the panel as a whole moved against its reference: {part_names(len(doubt))[n]} by "
        f"{middle[n]:+.1f} dB (standard error {error[n]:.1f} dB) at stations that were `no difference` both "
        "times; ask whether both references are of the same laminate"
    ]


# -- one station -------------------------------------------------------------------------------------------


def _station(
    earlier: Sounded, later: Sounded, then: int, now: int, scores: tuple[FloatArray, FloatArray]
) -> StationChange:
    """Both visits side by side; not compared until somebody judges it."""
    one, two = earlier.log, later.log
    x_m, y_m = two.xy_m[now] if now >= 0 else one.xy_m[then]
    both = then >= 0 and now >= 0
    flags: tuple[str, ...] = ()
    if now < 0:
        reason = "no station of the later visit lies here"
    elif then < 0:
        reason = "no station of the earlier visit lies here"
    else:
        absent = [
            f"{when} visit: {reasons[k] or 'not assessed'}"
            for when, side, reasons, k in (
                ("earlier", one, earlier.reasons, then),
                ("later", two, later.reasons, now),
            )
            if side.verdicts[k] == "not assessed"
        ]
        reason = "; ".join(absent) or "it could not be heard on one of the visits"
        flags = () if one.labels[then] == two.labels[now] else ("another label",)
    return StationChange(
        panel=two.panel,
        station=two.labels[now] if now >= 0 else one.labels[then],
        earlier_station=one.labels[then] if then >= 0 else "",
        x_m=float(x_m),
        y_m=float(y_m),
        apart_m=math.dist(one.xy_m[then], two.xy_m[now]) if both else math.nan,
        earlier_verdict=one.verdicts[then] if then >= 0 else "",
        later_verdict=two.verdicts[now] if now >= 0 else "",
        earlier_character=earlier.characters[then] if then >= 0 else "",
        later_character=later.characters[now] if now >= 0 else "",
        earlier_score=float(scores[0][then]) if then >= 0 else math.nan,
        later_score=float(scores[1][now]) if now >= 0 else math.nan,
        chance_if_unchanged=math.nan,
        confidence=math.nan,
        change=NOT_COMPARED,
        flags=flags,
        reason=reason,
    )


def _judged(
    one: StationChange,
    difference: FloatArray,
    heard: FloatArray,
    usual: FloatArray,
    chance: float,
    sure: float,
    limit: float,
    rung: _Rung | None,
    row: int,
) -> StationChange:
    """What became of a station that was heard on both visits; its reason tells the step as it was heard.

    ``rung``: the chance is that of its ring alone, at this row.
    """
    if math.isnan(chance):
        return one
    was, is_now = one.earlier_verdict == "suspect", one.later_verdict == "suspect"
    step = in_parts(heard)
    parts = np.abs(in_parts(difference)) / np.maximum(usual, 0.1)
    n = int(np.argmax(parts))
    name, moved_db, usual_db = part_names(len(heard))[n], float(step[n]), float(usual[n])
    if rung is not None:
        name, moved_db, usual_db = f"ring after {rung.after_ms:g} ms", float(rung.off_db[row]), rung.spread_db
    numbers = (
        f"{name} {abs(moved_db):.1f} dB {'up' if moved_db > 0 else 'down'} "
        f"(unchanged ones ± {usual_db:.1f} dB); score {one.earlier_score:.1f} then, {one.later_score:.1f} "
        f"now; {_share(chance)} unchanged stations would differ this much (tail fitted)"
    )
    one = replace(one, chance_if_unchanged=chance, confidence=sure)
    if not sure >= limit:
        flags = one.flags
        if was and is_now and one.earlier_character != one.later_character:
            flags = (*flags, "character differs")
        if was != is_now:
            flags = (*flags, "verdict differs")
            numbers += (
                f"; its verdict was {one.earlier_verdict} and is {one.later_verdict}, but the sound has not "
                "surely changed: it lies near the limit"
            )
        return replace(one, change="unchanged", flags=flags, reason=numbers)
    further = moved_db < 0 if rung is not None else one.later_score > one.earlier_score
    if was == is_now:
        change = "grown" if further else "shrunk"
        if not was:
            numbers += "; suspect neither then nor now"
    else:
        change = "new" if is_now else "gone"
    return replace(one, change=change, reason=numbers)


def _repaired(
    one: StationChange,
    kind: str,
    after: Comparison,
    k: int,
    chance: float,
    sure: float,
    settings: JudgeSettings,
) -> StationChange:
    """What a station of a repaired area sounds like beside the good ones outside; then does not count."""
    blank = replace(one, chance_if_unchanged=math.nan, confidence=math.nan, flags=(*one.flags, "repaired"))
    if one.later_verdict == "not assessed" or math.isnan(chance):
        return replace(blank, change=NOT_COMPARED)
    suspect = sure >= settings.confidence
    if kind and not suspect:
        return replace(
            blank, change=REPAIRED[2], reason=f"repaired: {beside_plain_skin(kind, after, k, settings)}"
        )
    where = f"on declared {kind}, but unlike the others on it; " if kind else ""
    return replace(
        blank,
        confidence=sure,
        change=REPAIRED[0] if suspect else REPAIRED[1],
        reason=f"repaired: {where}held against the good stations outside as they sound now; "
        f"{_share(chance)} good stations would sound at least this different (tail fitted)",
    )


def _share(chance: float) -> str:
    if chance >= 0.01:
        return f"about {100 * chance:.0f} of 100"
    return f"about {1000 * chance:.0f} of 1,000" if chance >= 0.001 else "fewer than 1 of 1,000"


# -- areas -------------------------------------------------------------------------------------------------


def _areas(earlier: Sounded, later: Sounded, stations: Sequence[StationChange]) -> tuple[AreaChange, ...]:
    """Areas of both visits that share a station, or hold stations that were paired, are one area."""
    now_of = {one.earlier_station: one.station for one in stations if one.earlier_station}
    groups: list[_Group] = []
    for side, areas in ((0, earlier.areas), (1, later.areas)):
        for area in areas:
            labels = {now_of.get(label, label) if side == 0 else label for label in area.stations}
            touching = [group for group in groups if group.labels & labels]
            joined = _Group(
                [a for group in touching for a in group.then],
                [a for group in touching for a in group.now],
                labels.union(*(group.labels for group in touching)),
            )
            (joined.now if side else joined.then).append(area)
            groups = [group for group in groups if group not in touching] + [joined]
    return tuple(
        _area(group.then, group.now, [one for one in stations if one.station in group.labels])
        for group in groups
    )


@dataclass(slots=True)
class _Group:
    """Areas of both visits that are one, and the labels of their stations as of the later visit."""

    then: list[Extent]
    now: list[Extent]
    labels: set[str]


def _area(then: Sequence[Extent], now: Sequence[Extent], members: Sequence[StationChange]) -> AreaChange:
    found = {
        kind: [one for one in members if one.change == kind] for kind in (*CHANGES, *REPAIRED, NOT_COMPARED)
    }
    came, went = found["new"] + found["grown"], found["gone"] + found["shrunk"]
    kept = [
        one
        for one in members
        if (one.later_verdict == "suspect" and one.change not in REPAIRED)
        or (one.earlier_verdict == "suspect" and one.change == NOT_COMPARED)
    ]
    if came and not then:
        change, why = "new", came
    elif came:
        change, why = "grown", came
    elif went:
        change, why = ("shrunk" if kept else "gone"), went
    elif found["unchanged"]:
        change, why = "unchanged", []
    else:
        change = next((kind for kind in REPAIRED if found[kind]), NOT_COMPARED)
        why = found[REPAIRED[0]]
    said = [f"{kind}: {' '.join(one.station for one in ones)}" for kind, ones in found.items() if ones]
    if change == "unchanged" and bool(then) != bool(now):
        said.append(f"an area {'now' if now else 'then'} only, but no station of it has surely changed")
    sure = [one.confidence for one in why if math.isfinite(one.confidence)]
    return AreaChange(
        change=change,
        confidence=max(sure, default=math.nan),
        earlier_stations=tuple(label for area in then for label in area.stations),
        later_stations=tuple(label for area in now for label in area.stations),
        earlier_at_least_m2=_whole_m2([area.at_least_m2 for area in then]),
        earlier_at_most_m2=_whole_m2([area.at_most_m2 for area in then]),
        later_at_least_m2=_whole_m2([area.at_least_m2 for area in now]),
        later_at_most_m2=_whole_m2([area.at_most_m2 for area in now]),
        flags=(),
        reason="; ".join(said),
    )


def _whole_m2(sizes_m2: Sequence[float]) -> float:
    return math.fsum(sizes_m2) if sizes_m2 else math.nan


def _reference_labels(panel: Panel) -> set[str]:
    return {station.label for station in panel.stations if station.role == "reference"}


def _spacing_m(side: Sounded) -> float:
    """Spacing of the grid; of a list of stations, the middle distance to the nearest other one."""
    if math.isfinite(side.panel.spacing_m):
        return side.panel.spacing_m
    xy_m = side.log.xy_m
    if len(xy_m) < 2:
        return 0.0
    far = np.linalg.norm(xy_m[:, None] - xy_m[None], axis=2)
    np.fill_diagonal(far, np.inf)
    return float(np.median(far.min(axis=1)))
