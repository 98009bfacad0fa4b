"""The stations of one panel, from their strikes to their verdicts: pooled, compared, judged, outlined."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.apart import far_apart, least_different, say_apart
from taptone.pipeline.clipping import CLIPPED, OVERLAPPED
from taptone.pipeline.compare import Comparison, compare, in_one_band, with_ring
from taptone.pipeline.crisp import say_crisper, with_crisper
from taptone.pipeline.drift import Visit, drift_of, in_doubt, say_drift
from taptone.pipeline.faults import end_hz
from taptone.pipeline.halfway import Changed, find_change
from taptone.pipeline.hearing import medians, pool
from taptone.pipeline.hint import hints
from taptone.pipeline.judge import Heard, Judgement, counted_together, judge, off_together
from taptone.pipeline.mirror import Mirrored, match, mirrored, say_mirror
from taptone.pipeline.named import named
from taptone.pipeline.outline import outline, spacing
from taptone.pipeline.ringing import (
    DECAY,
    EARLY_MS,
    LATE_MS,
    Rings,
    drowned_db,
    not_by_noise_db,
    rings_to_ask,
    surely_rings_db,
)
from taptone.settings import Settings
from taptone.types import (
    BAND_CENTRES_HZ,
    Area,
    Drift,
    Earlier,
    Finding,
    FloatArray,
    Measured,
    Panel,
    Place,
    Point,
    Reference,
    Scorer,
)

__all__ = ["ALONE", "Judged", "Judging", "judged_stations"]

#: What a result is relative to where no known-good places could be used.
ALONE = "relative to this panel only"
#: Levels, measures and spread of a station, from :func:`~taptone.pipeline.hearing.pool`.
_Pooled = tuple[FloatArray, dict[str, float], float]
_BY_DEGREES = (
    "here one sort of sound turns into another by degrees: without known-good taps that fit this panel "
    "nobody can tell whether thickness, core or bond changes"
)
_MANY = 0.15  # of the stations: so many suspects, and it is asked whether a moment parts them from the others
_AGAIN = (
    "Strike some stations of either part again, in turn and with one hammer, before you rely on this panel: "
    "what stays with its place is the skin; if it was the hammer, tap the panel again"
)
_CUT_OFF = "; clipped, which by itself changes how a tap sounds"


@dataclass(frozen=True, slots=True, eq=False)
class Judging:
    """What the stations of one panel were judged from, in their order, for whoever has to explain it.

    ``shape`` holds the features of the stations, ``known`` those of the reference places (None: there were
    none), ``other`` what the other side says of them. ``again`` judges the same panel with something changed.
    """

    heard: tuple[Heard, ...]
    shape: FloatArray
    known: FloatArray | None
    compared: Comparison
    again: Callable[[Sequence[Heard], Comparison], tuple[Judgement, ...]]
    other: Mirrored | None = None


@dataclass(frozen=True, slots=True)
class Judged:
    """What was made of the stations of a panel."""

    points: tuple[Point, ...]
    areas: tuple[Area, ...]
    relative_to: str
    notes: tuple[str, ...]
    drift: tuple[Drift, ...]
    mirror: Mapping[str, object]


def judged_stations(
    taps: Sequence[Measured],
    places: Sequence[Place],
    panel: Panel | None,
    reference: Reference | None,
    structure: Sequence[str],
    rechecks: Sequence[Visit],
    mirror: Earlier | None,
    refused: str,
    health: Sequence[Finding],
    blocked: Mapping[str, str],
    new_scorer: Callable[[int], Scorer],
    least_radius_m: float,
    settings: Settings,
    on_judged: Callable[[Judging], None] = lambda _: None,
) -> Judged:
    """Judge the stations of a panel.

    Parameters
    ----------
    taps : sequence of Measured
        All contacts, in order.
    places : sequence of Place
        Stations, and which taps belong to each.
    panel : Panel or None
        Without one, every tap is a place of its own and has no neighbours.
    reference : Reference or None
        Known-good places; None: the panel is its own reference.
    structure : sequence of str
        Kind of declared structure under each place, or nothing at all.
    rechecks : sequence of Visit
        Reference places struck again.
    mirror : Earlier or None
        The mirrored panel, or the opposite face.
    refused : str
        Why nothing here can be judged; empty: judge.
    health : sequence of Finding
        What recorders and rooms did.
    blocked : mapping of str to str
        Recordings nothing of which is judged, and why.
    new_scorer : callable
        Makes an unfitted model for a number of features.
    least_radius_m : float
        Smallest loose patch that the laminate would let be heard; ``nan`` where nobody knows.
    settings : Settings
        Of every stage.
    on_judged : callable, optional
        Is given what the stations were judged from.

    Returns
    -------
    Judged
        Points, areas, notes.

    Examples
    --------
    >>> judged_stations(
    ...     [], [], None, None, [], [], None, "", [], {}, lambda _: None, math.nan, Settings()
    ... ).points
    ()
    """
    kinds = list(structure) or [""] * len(places)
    if reference is not None and reference.n_places < settings.judge.least_places:
        refused = refused or (
            f"the baseline holds {reference.n_places} places: "
            f"at least {settings.judge.least_places} are needed"
        )
    pooled = [pool([taps[k] for k in spot.taps]) if spot.taps else None for spot in places]
    trusted = [p is not None and not spot.reason for p, spot in zip(pooled, places, strict=True)]
    heard = [
        _heard(spot, p, kind, taps, refused, blocked, settings)
        for spot, p, kind in zip(places, pooled, kinds, strict=True)
    ]
    drifts, doubts = ((), ()) if refused else drift_of(places, heard, kinds, reference, rechecks)
    doubtful = in_doubt(drifts)
    heard = [
        replace(h, refused=h.refused or doubtful.get(spot.station.label, ""))
        for h, spot in zip(heard, places, strict=True)
    ]
    bands = np.full((len(places), len(BAND_CENTRES_HZ)), np.nan)
    for k, p in enumerate(pooled):
        if p is not None and trusted[k] and not heard[k].refused:
            bands[k] = p[0]
    known, lent, relative_to = _known(reference, bands, places, settings)
    late, early = (
        _rings(name, after_ms, taps, places, pooled, reference, lent)
        for name, after_ms in (("ring_db", LATE_MS), ("early_ring_db", EARLY_MS))
    )
    ring_db, known_ring_db = late.pooled_db, late.known_db
    notes = [*doubts, *say_drift(drifts)]
    marked = sum(spot.station.role == "reference" for spot in places)
    if marked and relative_to == ALONE:
        least = settings.judge.least_places
        notes.append(f"{marked} stations marked as reference are not compared with: {least} heard are needed")
    shape, known_shape = with_ring(*in_one_band(bands, known), ring_db, known_ring_db)
    able = np.isfinite(bands).any(axis=1)
    least = settings.judge.least_places
    if known_shape is None and not refused and able.sum() < least:
        shape[:] = np.nan
        notes.append(
            f"{int(able.sum())} stations and no baseline: at least {least} are needed to compare them"
        )
        heard = [replace(h, refused=h.refused or notes[-1]) for h in heard]
    rings = [late, early, _decays(pooled, reference, lent)]
    xy_m = None if panel is None else np.array([[s.station.x_m, s.station.y_m] for s in places])

    def against(rows: FloatArray) -> Comparison:
        width = rows.shape[1]
        return compare(rows, xy_m, kinds, known_shape, lambda: new_scorer(width), settings.judge, rings)

    compared = against(shape)
    if compared.ringing is not None:
        asked_ms = compared.ringing.after_ms
        rings = sorted(rings, key=lambda ring: ring.after_ms != asked_ms)  # where it is asked again: the same
        heard = [replace(h, ring_db=ring) for h, ring in zip(heard, rings[0].pooled_db.tolist(), strict=True)]
    if reference is not None and not refused:
        notes += _about_rings(compared, late, early, settings)
    spread_db = np.array(
        [p[2] if p is not None and row else np.nan for p, row in zip(pooled, able, strict=True)]
    )
    apart, usual_db = far_apart(spread_db)
    if apart:
        fewer = [
            with_ring(*in_one_band(rows, known, shape.shape[1] - 1), ring, known_ring_db)[0]
            for rows, ring in _without_one(taps, places, apart, bands, ring_db)
        ]
        compared = least_different(compared, [against(rows) for rows in fewer], apart)
    other, facing, said = _facing(mirror, panel, xy_m, bands, ring_db, kinds, compared, new_scorer)
    notes += said
    if other is not None:
        compared = replace(compared, chance_if_good=other.chance_if_good)
    if compared.own and known_shape is not None and able.sum() < least:
        few = (
            f"{int(able.sum())} stations could be compared, and most of them are unlike the baseline: at "
            f"least {least} are needed to compare them with each other; tap again when it is quieter"
        )
        notes.append(few)
        heard = [replace(h, refused=h.refused or few) for h in heard]
    elif compared.own and known_shape is not None:
        notes.append(
            "most of this panel sounds unlike the baseline as a whole: its stations were compared with each "
            "other, and a fault under all of it would not show; ask whether the baseline belongs to it, "
            "whether it was recorded alike, or the whole panel has changed"
        )
        relative_to += f", but most of the panel is unlike it: {ALONE}"
    changed = None
    if compared.smaller is not None and not compared.by_degrees:
        changed = _change(compared.smaller, able, kinds, places)
    if changed is not None and changed.within_row:
        why = _as_struck(changed, places)
        heard = [
            replace(h, refused=h.refused or f"sounds unlike the other part, and is {why}") if theirs else h
            for h, theirs in zip(heard, changed.theirs, strict=True)
        ]
    if refused and reference is not None:
        relative_to = "nothing: the baseline was refused"
    notes += _unlike_structure(kinds, compared, settings)
    decay_ms, centroid_hz = _reference_medians(reference)
    if reference is not None and taps:
        here, there = (
            min(settings.measure.high_hz, end_hz(rate, found))
            for rate, found in (
                (min(tap.rate_hz for tap in taps), health),
                (reference.rate_hz, reference.health),
            )
        )
        if here != there:
            centroid_hz = math.nan
            notes.append(
                f"the recording holds sound up to {here:.0f} Hz, the baseline up to {there:.0f} Hz: compared "
                "in the band that both hold; the reference centroid is left out"
            )
    again = partial(
        judge, reference_decay_ms=decay_ms, reference_centroid_hz=centroid_hz, settings=settings.judge
    )
    verdicts = again(heard, compared)
    if panel is not None:
        compared = with_crisper(
            [s.station for s in places], heard, compared, verdicts, spacing(panel), settings.judge
        )
        if compared.crisper is not None:
            verdicts = again(heard, compared)
    if compared.smaller is None and panel is not None:
        suspect = np.array([v.verdict == "suspect" for v in verdicts], bool)
        if suspect.sum() >= _MANY * able.sum():
            notes += _about_a_change(suspect, _change(suspect, able, kinds, places), places)
    if compared.smaller is not None and compared.by_degrees and compared.own:
        heard = [
            replace(h, refused=_BY_DEGREES) if smaller and v.verdict == "no difference" else h
            for h, smaller, v in zip(heard, compared.smaller, verdicts, strict=True)
        ]
        verdicts = again(heard, compared)
    notes += _about_two_sorts(places, compared, changed, verdicts)
    notes += _about_areas([s.station.label for s in places], verdicts, compared)
    on_judged(Judging(tuple(heard), shape, known_shape, compared, again, other))
    points = tuple(
        _point(k, panel, spot, p, v, compared, taps, (decay_ms, centroid_hz))
        for k, (spot, p, v) in enumerate(zip(places, pooled, verdicts, strict=True))
    )
    if compared.own:
        alone = ALONE if known_shape is None else f"{ALONE}, which as a whole sounds unlike the baseline"
        points = tuple(
            p if p.verdict == "not assessed" else replace(p, reason=f"{p.reason}; {alone}") for p in points
        )
    points = say_apart(points, apart, usual_db)
    points, said = say_crisper(points, compared)
    notes += said
    if mirror is not None:
        points = say_mirror(points, mirror, facing, other, panel)
    areas: tuple[Area, ...] = ()
    if panel is not None:
        stations, spoken = [s.station for s in places], [v.verdict for v in verdicts]
        notes += hints(stations, kinds, spoken, compared, spacing(panel))
        areas = outline(stations, spoken, panel, least_radius_m=least_radius_m, settings=settings.extent)
    return Judged(
        points,
        areas,
        relative_to,
        tuple(notes),
        drifts,
        {}
        if mirror is None
        else {"panel": mirror.panel, "sha256": mirror.sha256, "stations": int((facing >= 0).sum())},
    )


def _rings(
    name: str,
    after_ms: float,
    taps: Sequence[Measured],
    places: Sequence[Place],
    pooled: Sequence[_Pooled | None],
    reference: Reference | None,
    lent: NDArray[np.bool_],
) -> Rings:
    """The ring of that name, of the stations and of the places taken for good."""
    pooled_db = np.array([p[1][name] if p is not None else np.nan for p in pooled])
    strikes = [[taps[k] for k in spot.taps] for spot in places]
    read = [(np.array([t[name] for t in own]), np.array([t["snr_db"] for t in own])) for own in strikes]
    surely_db, longer_db = (
        np.array([told(ring_db, snr_db, after_ms) for ring_db, snr_db in read], float)
        for told in (surely_rings_db, not_by_noise_db)
    )
    least_db = np.array([drowned_db(snr_db, after_ms) for _, snr_db in read], float)
    known_db = pooled_db[lent] if reference is None else [m[name] for m in reference.measures]
    return Rings(pooled_db, surely_db, np.array(known_db, float), after_ms, longer_db, least_db)


def _decays(pooled: Sequence[_Pooled | None], reference: Reference | None, lent: NDArray[np.bool_]) -> Rings:
    """The decays, of the stations and of the places taken for good, told like rings."""
    decay_ms = np.array([p[1]["decay_ms"] if p is not None else np.nan for p in pooled])
    known_ms = decay_ms[lent] if reference is None else [m["decay_ms"] for m in reference.measures]
    own_db, known_db = (10 * np.log10(np.array(ms, float)) for ms in (decay_ms, known_ms))
    return Rings(own_db, own_db, known_db, DECAY)


def _about_areas(labels: Sequence[str], verdicts: Sequence[Judgement], compared: Comparison) -> list[str]:
    """Say which stations are suspect by the area or patch they lie in, and what else makes one."""
    by_ring = [
        label
        for k, label in enumerate(labels)
        if verdicts[k].verdict == "suspect" and off_together(compared, k)
    ]
    by_patch = [label for label, v in zip(labels, verdicts, strict=True) if v.with_patch]
    counted = counted_together(compared)
    ring_on = [
        label for k, label in enumerate(labels) if verdicts[k].verdict == "suspect" and len(counted[k])
    ]
    other = "a stand pad, a hand, what stands behind"
    notes = [
        f"suspect {how}: {named(who)}. Strike them again, in another order; {what} can do it too"
        for how, who, what in (
            (
                "by the ring of the area they lie in, not by themselves",
                by_ring,
                f"{other}, thickness, or a recorder that was moved",
            ),
            (
                "with the patch they lie in, which differs as a whole from what lies around it, not by "
                "themselves",
                by_patch,
                f"{other}, filler, a repair or another lay-up",
            ),
            (
                "with those side by side, which all ring on",
                ring_on,
                "a corner, a hatch, laminate that is thinner or stands on nothing",
            ),
        )
        if who
    ]
    if compared.patches is None:
        return notes
    for patch in range(len(compared.patches.times)):
        members = [int(k) for k in np.flatnonzero(compared.patches.which == patch)]
        spoken = {verdicts[k].verdict for k in members}
        if "no difference" in spoken and "suspect" not in spoken:
            notes.append(
                "a patch differs together from what lies around it, though no station of it by enough to be "
                f"suspect: {named([labels[k] for k in members])}. Strike it again, and listen"
            )
    return notes


def _change(
    odd: NDArray[np.bool_], able: NDArray[np.bool_], kinds: Sequence[str], places: Sequence[Place]
) -> Changed | None:
    """The moment that parts the odd stations from the others as they were struck, if one does."""
    compared_with = able & np.array([not kind for kind in kinds], bool)
    struck, rows = [min(s.taps, default=-1) for s in places], [s.station.row for s in places]
    return find_change(odd, compared_with, struck, rows)


def _about_a_change(
    suspect: NDArray[np.bool_], changed: Changed | None, places: Sequence[Place]
) -> list[str]:
    """Say that many suspects are what was struck after a moment, or before it."""
    if changed is None:
        return []
    return [
        f"{int(suspect.sum())} stations are suspect, nearly all of them {_as_struck(changed, places)}, "
        f"and so would a bad part that ends there. {_AGAIN}"
    ]


def _about_two_sorts(
    places: Sequence[Place], compared: Comparison, changed: Changed | None, verdicts: Sequence[Judgement]
) -> list[str]:
    """Say that a panel divides in two, or that one part turns into the other, and which is the smaller."""
    if compared.smaller is None:
        return []
    of_these = [v.verdict for v, smaller in zip(verdicts, compared.smaller, strict=True) if smaller]
    who = [spot.station.label for spot, smaller in zip(places, compared.smaller, strict=True) if smaller]
    which, good, of_them = "in the smaller", "the larger was", "the smaller"
    if compared.turned:
        which, good, of_them = "unlike the baseline", "the others, which it fits, were", "these"
    two = f"the stations fall into two sorts of sound, {len(who)} of them {which} ({named(who)}): "
    what = f"a wide bad part, or two builds; {good} taken for good, "
    what += f"{of_these.count('suspect')} of {of_them} are suspect"
    if compared.tilt_counts:
        what += " (brighter counts as different here: thicker laminate, what stands behind or a harder hand "
        what += "can do it too)"
    what += ": look which it is"
    if compared.by_degrees:
        told = f"{of_these.count('suspect')} of these are suspect, "
        told += f"{of_these.count('not assessed')} not assessed; "
        told += "known-good taps that fit would help most" if compared.own else "the others are less sure"
        what = (
            "the one turns into the other by degrees. A bond that gets worse by degrees does that, "
            f"thickness or core that change do too, and neighbours follow either: {told}. Look at the "
            "drawings, inside, with a moisture meter or from the other side"
        )
    elif changed is not None:
        edge = (
            "Bad skin seldom has its only edge just there, in the middle of a row: these are not assessed, "
            "which does not clear them"
            if changed.within_row
            else "A bad part that ends between two rows sounds so too"
        )
        return [f"{two}they are {_as_struck(changed, places)}. {edge}. {_AGAIN}"]
    return [f"{two}{what} before you rely on this panel"]


def _as_struck(changed: Changed, places: Sequence[Place]) -> str:
    first = places[changed.first].station.label
    return (
        f"what was struck {f'from {first} on' if changed.later else f'before {first}'}: another hammer, tip "
        "or hand, or a recorder that was moved, would sound so"
    )


def _about_rings(compared: Comparison, late: Rings, early: Rings, settings: Settings) -> list[str]:
    """Say where no ring by itself tells anything: a panel that rings less as a whole, or an old file."""
    notes = []
    if compared.rings_less:
        notes.append(
            "most of this panel rings less than the baseline: it stands or is held otherwise, the day is "
            "another, or most of it is dead; a dead part of it may pass as no difference"
        )
    kept = np.isfinite(early.known_db).any()
    early = replace(early, known_db=early.pooled_db)
    if not kept and not compared.own and rings_to_ask([late, early], settings.judge.least_ring_db) is early:
        notes.append(
            f"good places ring too little after {LATE_MS:.0f} ms, or stray too much, for a shorter ring to "
            f"stand out, and this baseline is from before rings after {EARLY_MS:.0f} ms were kept: "
            "learn it again"
        )
    return notes


def _point(
    k: int,
    panel: Panel | None,
    spot: Place,
    pooled: _Pooled | None,
    judged: Judgement,
    compared: Comparison,
    taps: Sequence[Measured],
    reference_medians: tuple[float, float],
) -> Point:
    """The row of the log for one station."""
    own = [taps[j] for j in spot.taps]
    flags = dict.fromkeys(spot.flags + tuple(f for tap in own for f in tap.flags))
    if any(math.isfinite(tap["bounce_gap_ms"]) for tap in own):
        flags["bounce"] = None
    assessed = judged.verdict != "not assessed"
    return Point(
        panel=panel.name if panel else "",
        station=spot.station.label,
        x_m=spot.station.x_m,
        y_m=spot.station.y_m,
        taps=len(own),
        recordings=tuple(dict.fromkeys(tap.recording for tap in own)),
        samples=tuple(tap.sample for tap in own),
        time_s=own[0].time_s if own else math.nan,
        verdict=judged.verdict,
        character=judged.character,
        score=float(compared.score[k]) if assessed else math.nan,
        chance_if_good=float(compared.chance_if_good[k]) if assessed else math.nan,
        confidence=judged.confidence,
        spread=pooled[2] if pooled else math.nan,
        decay_ms=pooled[1]["decay_ms"] if pooled else math.nan,
        centroid_hz=pooled[1]["centroid_hz"] if pooled else math.nan,
        reference_decay_ms=reference_medians[0],
        reference_centroid_hz=reference_medians[1],
        neighbour_decay_ms=judged.neighbour_decay_ms,
        neighbour_centroid_hz=judged.neighbour_centroid_hz,
        flags=tuple(flags),
        reason=judged.reason + (_CUT_OFF if assessed and "clipped" in flags else ""),
    )


def _without_one(
    taps: Sequence[Measured],
    places: Sequence[Place],
    apart: Sequence[int],
    bands: FloatArray,
    ring_db: FloatArray,
) -> Iterator[tuple[FloatArray, FloatArray]]:
    """Levels and ring of all stations, with the first, the second … strike of some left out."""
    for left_out in range(max(len(places[k].taps) for k in apart)):
        rows, ring = bands.copy(), ring_db.copy()
        for k in apart:
            own = [taps[j] for n, j in enumerate(places[k].taps) if n != left_out]
            levels, measures, _ = pool(own)
            rows[k], ring[k] = levels, measures["ring_db"]
        yield rows, ring


def _facing(
    mirror: Earlier | None,
    panel: Panel | None,
    xy_m: FloatArray | None,
    bands: FloatArray,
    ring_db: FloatArray,
    kinds: Sequence[str],
    compared: Comparison,
    new_scorer: Callable[[int], Scorer],
) -> tuple[Mirrored | None, NDArray[np.intp], list[str]]:
    """The other side: what it says, which of its stations faces each of ours, and what to know of it."""
    nobody = np.full(len(bands), -1)
    if mirror is None:
        return None, nobody, []
    if panel is None or xy_m is None:
        return (
            None,
            nobody,
            ["no panel file: which station faces which is not known; the other side is not used"],
        )
    facing = match(xy_m, mirror.xy_m, spacing(panel) / 2)
    shape, there = with_ring(*in_one_band(bands, mirror.bands_db), ring_db, mirror.ring_db)
    if there is None:
        return None, facing, []
    there[~np.asarray(np.isfinite(mirror.bands_db).any(axis=1))] = np.nan
    plain = np.array([not kind for kind in kinds], bool)
    other = mirrored(
        shape,
        compared.good & plain,
        compared.chance_if_good,
        there,
        mirror.verdicts,
        mirror.chance_if_good,
        facing,
        lambda: new_scorer(shape.shape[1]),
    )
    if other is None:
        few = "fewer than 8 pairs of stations without a difference on both sides"
        return None, facing, [f"{mirror.panel}: {few}; the other side is not used"]
    # Structure is judged by its own kind alone.
    added = other.added & plain
    chance = np.where(added, other.chance_if_good, compared.chance_if_good)
    facing_chance = np.where(plain, other.facing_chance, 0.0)
    return replace(other, chance_if_good=chance, facing_chance=facing_chance, added=added), facing, []


def _unlike_structure(kinds: Sequence[str], compared: Comparison, settings: Settings) -> list[str]:
    """A line for each kind of declared structure most of whose stations sound like plain skin."""
    notes = []
    for kind in dict.fromkeys(filter(None, kinds)):
        chance = compared.chance_if_good[[own == kind for own in kinds]]
        chance = chance[np.isfinite(chance)]
        plain = int((chance >= 1 - settings.judge.confidence).sum())
        if 2 * plain > len(chance):
            notes.append(
                f"{plain} of {len(chance)} stations on declared {kind} do not differ from plain skin: ask "
                "whether it is where it was declared, and whether it is attached"
            )
    return notes


def _heard(
    spot: Place,
    pooled: tuple[FloatArray, dict[str, float], float] | None,
    kind: str,
    taps: Sequence[Measured],
    refused: str,
    blocked: Mapping[str, str],
    settings: Settings,
) -> Heard:
    if pooled is None or spot.reason:
        return Heard(structure=kind, refused=spot.reason or "not tapped")
    _, measures, _ = pooled
    own = [taps[k] for k in spot.taps]
    why = refused or next((blocked[tap.recording] for tap in own if tap.recording in blocked), "")
    if not why and not measures["snr_db"] >= settings.judge.snr_db:
        why = (
            f"{measures['snr_db']:.0f} dB above the noise: at least {settings.judge.snr_db:.0f} dB are needed"
        )
    if not why and all("cut short" in tap.flags for tap in own):
        why = "the recording ends before the tap has died away"
    if not why and all(CLIPPED in tap.flags for tap in own):
        why = (
            f"clipped beyond use: {settings.health.clipped_share:.0%} or more of the first 5 ms is cut off; "
            "move the recorder away or lower its level"
        )
    if not why and all({CLIPPED, OVERLAPPED} & set(tap.flags) for tap in own):
        why = (
            f"another sound overlaps it: less than {settings.health.overlap_db:.0f} dB between the tap and "
            "what sounds just before it, or a sudden sound within 20 ms"
        )
    bounced = float(np.mean([math.isfinite(tap["bounce_gap_ms"]) for tap in own]))
    return Heard(measures["decay_ms"], measures["centroid_hz"], measures["ring_db"], bounced, kind, why)


def _known(
    reference: Reference | None, bands: FloatArray, places: Sequence[Place], settings: Settings
) -> tuple[FloatArray | None, NDArray[np.bool_], str]:
    """Levels of the places taken for good, which stations lend theirs, and what results are relative to."""
    nobody = np.zeros(len(places), bool)
    if reference is not None:
        return reference.bands_db, nobody, f"baseline of {reference.n_places} places"
    marked = np.array([s.station.role == "reference" for s in places], bool) & np.isfinite(bands).any(axis=1)
    if marked.sum() >= settings.judge.least_places:
        return bands[marked], marked, f"{int(marked.sum())} reference stations of this panel"
    return None, nobody, ALONE


def _reference_medians(reference: Reference | None) -> tuple[float, float]:
    if reference is None:
        return math.nan, math.nan
    table = np.array([[row["decay_ms"], row["centroid_hz"]] for row in reference.measures])
    decay_ms, centroid_hz = medians(table)
    return float(decay_ms), float(centroid_hz)
