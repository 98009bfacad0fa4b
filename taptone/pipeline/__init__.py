"""The story of a tap, on one page: hear, measure, place, compare, judge, outline.

Nothing in this room opens a file, reads a clock or knows a device; sound comes in as blocks of samples,
and what is good comes in as a model that can be fitted.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from taptone.errors import SoundError
from taptone.pipeline.compare import shapes
from taptone.pipeline.drift import MEASURES, Visit, places_in_order
from taptone.pipeline.faults import blocking
from taptone.pipeline.gaps import whole_places
from taptone.pipeline.hearing import Listened, hear, listen, pool, strikes, within_band
from taptone.pipeline.judging import Judging, judged_stations
from taptone.pipeline.later import beside, say_beside
from taptone.pipeline.measure import measure
from taptone.pipeline.place import NOT_SURE, place
from taptone.settings import Settings, changed, flat
from taptone.types import (
    Earlier,
    Measured,
    Panel,
    Place,
    Reference,
    Result,
    Scorer,
    Sound,
    Station,
)

__all__ = ["Judging", "Listened", "analyse", "hear", "listen", "pool", "strikes", "within_band"]


def analyse(
    sounds: Sequence[Sound],
    *,
    new_scorer: Callable[[int], Scorer],
    panel: Panel | None = None,
    reference: Reference | None = None,
    structure: Callable[[Panel], Sequence[str]] = lambda _: (),
    structure_before: Callable[[Panel], Sequence[str]] | None = None,
    rows_again: Sequence[tuple[str, Sound]] = (),
    rows_twice: Sequence[str] = (),
    rechecks: Sequence[tuple[int, Sound]] = (),
    mirror: Earlier | None = None,
    refused: str = "",
    least_radius_m: float = math.nan,
    settings: Settings = Settings(),
    versions: Mapping[str, str] = {},
    on_sound: Callable[[Sound], Sound] = lambda sound: sound,
    on_judged: Callable[[Judging], None] = lambda _: None,
) -> Result:
    """Analyse recordings of one panel: the whole story of a tap.

    Parameters
    ----------
    sounds : sequence of Sound
        Recordings, in the order they were made.
    new_scorer : callable
        Makes an unfitted model for a number of features.
    panel : Panel, optional
        Without one, every tap is a point of its own and has no neighbours.
    reference : Reference, optional
        Known-good places; without one the panel is its own reference.
    structure : callable, optional
        Tells the kind of declared structure under each station of a panel, empty where there is none.
    structure_before : callable, optional
        The same before anything was declared after tapping: what was judged then stands beside.
    rows_again : sequence of (str, Sound), optional
        Rows of the panel tapped again: the name of the row, and the recording that holds it and no other.
    rows_twice : sequence of str, optional
        Names of rows that stand twice in `sounds`, one right after the other: the later counts.
    rechecks : sequence of (int, Sound), optional
        Reference places struck again: how many recordings of the panel came before, and the recording.
    mirror : Earlier, optional
        The mirrored panel, or the opposite face, from its own log.
    refused : str, optional
        Reason why nothing here can be judged (another hammer, frozen …); empty: judge.
    least_radius_m : float, optional
        Of the smallest loose patch that is heard under its middle; ``nan`` where no laminate was stated.
    settings : Settings, optional
        Of every stage.
    versions : mapping, optional
        Program and library versions for the log.
    on_sound : callable, optional
        Wraps each recording before it is listened to (a progress bar).
    on_judged : callable, optional
        Is given what the stations were judged from.

    Returns
    -------
    Result
        Points, taps, areas, notes and cautions.

    Raises
    ------
    SoundError
        If no tap was heard at all.

    Examples
    --------
    >>> analyse([], new_scorer=lambda features: None)
    Traceback (most recent call last):
        ...
    taptone.errors.SoundError: no tap was heard: tap nearer to the microphone, in a quieter moment
    """
    taps, rejected, notes, findings = [], [], [], []
    hammer = reference.strikes if reference is not None else None
    numbers: list[int] = []
    left_out: list[tuple[float, float]] = []
    for number, sound in enumerate((*sounds, *(sound for _, sound in rows_again))):
        measured, others, found, said = hear(on_sound(sound), settings, hammer)
        taps += measured
        rejected += others
        findings += found
        notes += said
        numbers += [number] * len(measured)
        left_out += [(number, other.time_s) for other in others if other.perhaps]
    if not strikes(taps):
        first = f", the first at {rejected[0].time_s:.2f} s: {rejected[0].reason}" if rejected else ""
        many = "1 sudden sound was" if len(rejected) == 1 else f"{len(rejected)} sudden sounds were"
        heard = f"; {many} not taken for taps{first}" if rejected else ""
        names = ", ".join(s.recording.name for s in (*sounds, *(sound for _, sound in rows_again)))
        raise SoundError(
            f"no tap was heard{' in ' if names else ''}{names}{heard}",
            hint="tap nearer to the microphone, in a quieter moment",
        )
    health, blocked, said = blocking(findings, reference, settings.health)
    notes += [*said, *_say_untold(reference)]
    taps = within_band(taps, health)
    places, misplaced = _places(taps, numbers, left_out, panel, settings, len(sounds), rows_twice)
    notes += misplaced
    earlier = places
    for number, (name, sound) in enumerate(rows_again, len(sounds)):
        if panel is not None:
            spots, misplaced = _row_again(taps, numbers, left_out, panel, settings, name, number)
            row = [k for k, spot in enumerate(places) if spot.station.row == spots[0].station.row]
            places = (*places[: row[0]], *spots, *places[row[-1] + 1 :])
            notes += [f"{sound.recording.name}: {note}" for note in misplaced]
    if panel is not None:  # swept rows have as many stations as strikes
        panel = replace(panel, stations=tuple(spot.station for spot in places))
    under = structure(panel) if panel is not None else ()
    again: list[Measured] = []
    visits: list[Visit] = []
    for after, sound in rechecks:
        struck = listen(on_sound(sound), settings, hammer)
        # Of few strikes a room is not always found: read with it taken off, and with it left in.
        measured, echoing = (measure(struck.taps, settings.measure, room=r) for r in (struck.room, None))
        before = sum(bool(spot.taps) and numbers[spot.taps[0]] < after for spot in earlier)
        (visit, odd), (left_in, _) = (
            _visit(sound.recording.name, [rows[k] for k in strikes(rows)], before, reference, panel, settings)
            for rows in (measured, echoing)
        )
        visits.append(replace(visit, room_left_in=left_in.values))
        again += [replace(tap, flags=(*tap.flags, "recheck")) for tap in measured]
        rejected += struck.rejected
        notes += [*struck.notes, *odd]
        notes += [f"{f.recording}: {f.name}: {f.evidence}" for f in struck.findings]
    made = partial(
        judged_stations,
        taps,
        places,
        panel,
        reference,
        rechecks=visits,
        mirror=mirror,
        refused=refused,
        health=health,
        blocked=blocked,
        new_scorer=new_scorer,
        least_radius_m=least_radius_m,
        settings=settings,
    )
    judged = made(structure=under, on_judged=on_judged)
    if structure_before is not None and panel is not None and not refused:
        known_before = structure_before(panel)
        without = made(structure=known_before)
        judged = replace(judged, points=beside(judged.points, without.points, under, known_before))
    notes += [*say_beside(judged.points), *judged.notes]
    station = [""] * len(taps)
    used = [False] * len(taps)
    standing = {k for spot in places for k in spot.taps}
    for spot in earlier:
        for k in set(spot.taps) - standing:
            station[k], taps[k] = spot.station.label, replace(taps[k], flags=(*taps[k].flags, "replaced"))
    for spot in places:
        for k in spot.taps:
            station[k], used[k] = spot.station.label, not spot.reason
    return Result(
        panel=panel,
        recordings=tuple(
            sound.recording
            for sound in (*sounds, *(sound for _, sound in rows_again), *(sound for _, sound in rechecks))
        ),
        points=judged.points,
        taps=(*taps, *again),
        tap_station=(*station, *([""] * len(again))),
        tap_used=(*used, *("bounce" not in tap.flags for tap in again)),
        rejected=tuple(rejected),
        areas=judged.areas,
        notes=tuple(notes),
        cautions=panel.cautions
        if panel
        else ("no panel file: places are not known, neighbours are not compared",),
        relative_to=judged.relative_to,
        baseline=_of(reference),
        settings=flat(settings),
        changes=changed(settings),
        versions=dict(versions),
        drift=judged.drift,
        mirror=judged.mirror,
        health=health,
    )


def _places(
    taps: Sequence[Measured],
    numbers: Sequence[int],
    left_out: Sequence[tuple[float, float]],
    panel: Panel | None,
    settings: Settings,
    recordings: int,
    rows_twice: Sequence[str] = (),
) -> tuple[tuple[Place, ...], Sequence[str]]:
    """The stations of a panel, or of each tap, as the first so many recordings hold them."""
    if panel is not None:
        twice = [panel.row_names[name] for name in rows_twice]
        return _tied(taps, numbers, left_out, panel, settings, range(recordings), twice)
    first = [k for k in strikes(taps) if "doubtful" not in taps[k].flags]
    return tuple(Place(Station(str(n), math.nan, math.nan), (k,)) for n, k in enumerate(first, 1)), ()


def _row_again(
    taps: Sequence[Measured],
    numbers: Sequence[int],
    left_out: Sequence[tuple[float, float]],
    panel: Panel,
    settings: Settings,
    name: str,
    number: int,
) -> tuple[tuple[Place, ...], list[str]]:
    """The stations of one row, from the recording in which it alone was tapped again."""
    row = panel.row_names[name]
    alone = replace(panel, stations=tuple(s for s in panel.stations if s.row == row))
    spots, notes = _tied(taps, numbers, left_out, alone, settings, [number])
    said = f"row {name} tapped again: it takes the place of the earlier one, which stays in the log, not used"
    again = tuple(
        replace(s, flags=(*s.flags, "row again"), reason=s.reason and f"tapped again: {s.reason}")
        for s in spots
    )
    return again, [said, *notes]


def _tied(
    taps: Sequence[Measured],
    numbers: Sequence[int],
    left_out: Sequence[tuple[float, float]],
    panel: Panel,
    settings: Settings,
    recordings: Collection[int],
    twice: Collection[int] = (),
) -> tuple[tuple[Place, ...], Sequence[str]]:
    """The strikes of some recordings, tied to the stations of a panel."""
    first = [k for k in strikes(taps) if numbers[k] in recordings]
    bounces = [
        (n, tap.time_s)
        for n, tap in zip(numbers, taps, strict=True)
        if n in recordings and "bounce" in tap.flags
    ]
    spots, notes = place(
        np.array([numbers[k] for k in first], int),
        np.array([taps[k].time_s for k in first]),
        panel,
        settings.place,
        np.array([not NOT_SURE.isdisjoint(taps[k].flags) for k in first], bool),
        np.array([other for other in left_out if other[0] in recordings], float).reshape(-1, 2),
        np.array(bounces, float).reshape(-1, 2),
        twice,
        lambda: shapes(np.array([taps[k].bands_db for k in first])),
    )
    return tuple(Place(s.station, tuple(first[k] for k in s.taps), s.flags, s.reason) for s in spots), notes


def _visit(
    name: str,
    taps: Sequence[Measured],
    after: int,
    reference: Reference | None,
    panel: Panel | None,
    settings: Settings,
) -> tuple[Visit, list[str]]:
    """A recording of reference places, as many strikes a place as the baseline (or the panel) has."""
    each = panel.taps_per_station if panel is not None else 1
    if reference is not None and reference.taps:
        each = int(np.median(reference.taps))
    ordered = reference is not None and not np.isnan(places_in_order(reference)).any()
    planned = reference.n_places if reference is not None and ordered else 0
    places, order, told = whole_places(name, np.array([tap.time_s for tap in taps]), each, planned)
    notes = [told] if told else []
    if taps and not places:
        places = [range(k, min(k + each, len(taps))) for k in range(0, len(taps), each)]
        order = [-1] * len(places)
        notes = [
            f"{name}: {len(taps)} strikes do not make whole places of {each}: taken in order, the last short"
        ]
    pooled = [pool(taps[span.start : span.stop])[1] for span in places]
    kept = [(k, p) for k, p in zip(order, pooled, strict=True) if p["snr_db"] >= settings.judge.snr_db]
    values = np.array([[p[measure] for measure in MEASURES] for _, p in kept]).reshape(-1, len(MEASURES))
    keys = tuple((float(k) if k >= 0 else math.nan,) for k, _ in kept)
    return Visit(name, values, after, after, keys), notes


def _say_untold(reference: Reference | None) -> list[str]:
    """A line on a baseline whose strikes did not fit their count; none on any other."""
    untold = 0 if reference is None else int(np.isnan(places_in_order(reference)).sum())
    if reference is None or not untold:
        return []
    return [
        f"the strikes of the baseline did not fit their count: {untold} of its {reference.n_places} places "
        "are told by gaps, and nobody knows which they are"
    ]


def _of(reference: Reference | None) -> dict[str, object]:
    if reference is None:
        return {}
    return {
        "boat": reference.boat,
        "construction": reference.construction,
        "hammer": reference.hammer,
        "recorder": reference.recorder,
        "places": reference.n_places,
        "sha256": reference.sha256,
        "version": reference.version,
        "settings": dict(reference.settings),
        # how they sound, so that a later survey can be matched to this one by this log alone
        "bands_db": np.round(reference.bands_db, 2),
        "ring_db": np.round([row["ring_db"] for row in reference.measures], 2),
    }
