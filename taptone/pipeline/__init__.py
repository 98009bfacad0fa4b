"""The story of a tap, on one page: hear, measure, place, compare, judge, outline.

Nothing in this room opens a file, reads a clock or knows a device; sound comes in as blocks of samples,
and what is good comes in as a model that can be fitted.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from taptone.errors import SoundError
from taptone.pipeline import pick
from taptone.pipeline.apart import far_apart, least_different, say_apart
from taptone.pipeline.compare import Comparison, compare, in_one_band, with_ring
from taptone.pipeline.decay import Room
from taptone.pipeline.detect import offset
from taptone.pipeline.drift import MEASURES, Visit, drift_of, in_doubt, say_drift
from taptone.pipeline.faults import blocking, end_hz
from taptone.pipeline.health import BAND_ENDS, CLIPPED, OVERLAPPED, START_S, find_health, flagged
from taptone.pipeline.hint import hints
from taptone.pipeline.judge import Heard, Judgement, judge
from taptone.pipeline.later import beside, say_beside
from taptone.pipeline.listening import Overheard
from taptone.pipeline.measure import find_room, measure
from taptone.pipeline.mirror import Mirrored, match, mirrored, say_mirror
from taptone.pipeline.outline import outline, spacing
from taptone.pipeline.place import place
from taptone.settings import Settings, changed, flat
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
    Rejected,
    Result,
    Scorer,
    Sound,
    Station,
    Tap,
)

__all__ = ["Judging", "Listened", "analyse", "hear", "listen", "pool", "strikes", "within_band"]

_ALONE = "relative to this panel only"
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
    numbers: list[int] = []
    left_out: list[tuple[float, float]] = []
    for number, sound in enumerate((*sounds, *(sound for _, sound in rows_again))):
        measured, others, found, said = hear(on_sound(sound), settings)
        taps += measured
        rejected += others
        findings += found
        notes += said
        numbers += [number] * len(measured)
        left_out += [(number, other.time_s) for other in others if other.perhaps]
    if not strikes(taps):
        first = f", the first at {rejected[0].time_s:.2f} s: {rejected[0].reason}" if rejected else ""
        heard = f"; {len(rejected)} sudden sounds were not taken for taps{first}" if rejected else ""
        raise SoundError(f"no tap was heard{heard}", hint="tap nearer to the microphone, in a quieter moment")
    health, blocked, said = blocking(findings, reference, settings.health)
    notes += said
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
        struck = listen(on_sound(sound), settings)
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
        _judged,
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


@dataclass(frozen=True, slots=True)
class _Judged:
    """What was made of the stations of a panel."""

    points: tuple[Point, ...]
    areas: tuple[Area, ...]
    relative_to: str
    notes: tuple[str, ...]
    drift: tuple[Drift, ...]
    mirror: Mapping[str, object]


@dataclass(frozen=True, slots=True, eq=False)
class Listened:
    """A recording's taps with their sound, not yet measured; what else was sudden; what was done to it."""

    taps: tuple[Tap, ...]
    room: Room | None
    rejected: tuple[Rejected, ...]
    findings: tuple[Finding, ...]
    notes: tuple[str, ...]


def listen(sound: Sound, settings: Settings = Settings()) -> Listened:
    """Find the taps of one recording, and what the recorder and the room did to it.

    Parameters
    ----------
    sound : Sound
        The recording.
    settings : Settings, optional
        Of every stage.

    Returns
    -------
    Listened
        Taps with their sound.

    Examples
    --------
    >>> from taptone.types import Recording
    >>> class Quiet:
    ...     recording = Recording("quiet.wav", "", 48000, 48000)
    ...     def blocks(self):
    ...         yield np.random.default_rng(0).normal(0, 1e-3, 48000)
    >>> listen(Quiet()).taps
    ()
    """
    overheard = Overheard(sound)
    found = pick.listen(overheard, settings.detect)
    taps = flagged(found, settings.health)
    room = find_room(taps, settings.measure)
    notes = list(sound.recording.notes)
    doubtful = sum("doubtful" in tap.flags for tap in taps)
    if doubtful:
        notes.append(
            f"{doubtful} sudden sounds have neither a sound nor a rhythm in common: without a panel to count "
            "them by they are doubtful, and not used"
        )
    level = float(np.median([offset(tap.noise) for tap in taps])) if taps else 0.0
    if level:
        notes.append(f"silence stands at {level:+.4f} of full scale; taken off")
    findings = find_health(overheard.gathered(), found, sound.recording, settings.health, room=room)
    spiked = any(f.name == "start spike" for f in findings)
    knock = [t for t in taps if spiked and t.time_s < START_S]
    rejected = [r for r in found if isinstance(r, Rejected)]
    rejected += [Rejected(t.recording, t.sample, t.rate_hz, "") for t in knock]
    if spiked:
        why = "the recording's own start, not to be trusted"
        rejected = [replace(r, reason=why) if r.time_s < START_S else r for r in rejected]
    return Listened(
        taps=tuple(taps[len(knock) :]),
        room=room if any(f.name == "room" for f in findings) else None,
        rejected=tuple(sorted(rejected, key=lambda r: r.sample)),
        findings=findings,
        notes=tuple(f"{sound.recording.name}: {note}" for note in notes),
    )


def hear(
    sound: Sound, settings: Settings = Settings()
) -> tuple[list[Measured], list[Rejected], list[Finding], list[str]]:
    """Find and measure the taps of one recording.

    Parameters
    ----------
    sound : Sound
        The recording.
    settings : Settings, optional
        Of every stage.

    Returns
    -------
    taps : list of Measured
        Bounces among them, flagged.
    rejected : list of Rejected
        Sudden sounds that were not taken for taps.
    findings : list of Finding
        What the recorder and the room did to it.
    notes : list of str
        What else was noticed about the recording.

    Examples
    --------
    >>> import numpy as np
    >>> from taptone.types import Recording
    >>> class OneTap:
    ...     recording = Recording("one.wav", "", 48000, 48000)
    ...     def blocks(self):
    ...         t = np.arange(1, 12001) / 48000
    ...         ring = np.exp(-t / 0.006) * np.sin(2 * np.pi * 900 * t)
    ...         yield np.concatenate([np.zeros(24000), ring, np.zeros(12000)])
    >>> [tap], rejected, findings, notes = hear(OneTap())
    >>> round(tap["mode_hz"], -1), round(tap["decay_ms"], -1)
    (900.0, 40.0)
    """
    heard = listen(sound, settings)
    taps = measure(heard.taps, settings.measure, room=heard.room)
    return taps, list(heard.rejected), list(heard.findings), list(heard.notes)


def within_band(taps: Sequence[Measured], findings: Sequence[Finding]) -> list[Measured]:
    """Taps without the third-octaves that their recordings do not really hold.

    Parameters
    ----------
    taps : sequence of Measured
        Of recordings that will be compared with each other.
    findings : sequence of Finding
        Where one of them says that the spectrum ends, it ends there for all.

    Returns
    -------
    list of Measured
        Levels of what lies above are ``nan``.

    Examples
    --------
    >>> end = Finding("row.wav", "low-pass", "", 3400.0, "Hz")
    >>> [tap] = within_band([Measured("row.wav", 0, 48000, {}, (-20.0,) * 23)], [end])
    >>> int(np.isfinite(tap.bands_db).sum())
    15
    """
    if not taps or not BAND_ENDS & {f.name for f in findings}:
        return list(taps)
    end = end_hz(max(tap.rate_hz for tap in taps) * 2, findings)
    held = [centre * 10**0.05 <= end for centre in BAND_CENTRES_HZ]
    return [
        replace(t, bands_db=tuple(b if h else math.nan for b, h in zip(t.bands_db, held, strict=False)))
        for t in taps
    ]


def strikes(taps: Sequence[Measured]) -> list[int]:
    """Indices of first contacts: a bounce is never a station.

    Parameters
    ----------
    taps : sequence of Measured
        All contacts.

    Returns
    -------
    list of int
        Without the bounces.

    Examples
    --------
    >>> strikes([])
    []
    """
    return [k for k, tap in enumerate(taps) if "bounce" not in tap.flags]


def pool(taps: Sequence[Measured]) -> tuple[FloatArray, dict[str, float], float]:
    """Pool the strikes of one place: medians, and how far they lie apart.

    Parameters
    ----------
    taps : sequence of Measured
        At least one.

    Returns
    -------
    bands_db : ndarray, shape (bands,)
        Median third-octave levels, each strike about its own mean.
    measures : dict
        Median of every measure; ``nan`` where none was had.
    spread : float
        Root mean square distance of a strike from the median, in dB; ``nan`` of one strike.

    Examples
    --------
    >>> tap = Measured("row.wav", 0, 48000, {"decay_ms": 40.0}, (-20.0, -30.0))
    >>> bands_db, measures, spread = pool([tap, tap])
    >>> bands_db, measures, spread
    (array([ 5., -5.]), {'decay_ms': 40.0}, 0.0)
    """
    levels = np.array([tap.bands_db for tap in taps])
    mean = np.array([np.nanmean(row) if np.isfinite(row).any() else 0.0 for row in levels])
    levels = levels - mean[:, None]
    if len(taps) == 1:
        return levels[0], dict(taps[0].values), math.nan
    middle = _median(levels)
    held = np.isfinite(levels) & np.isfinite(middle)
    spread = float(np.sqrt(np.mean(((levels - middle)[held]) ** 2))) if held.any() else math.nan
    values = np.array([list(tap.values.values()) for tap in taps])
    return middle, dict(zip(taps[0].values, map(float, _median(values)), strict=True)), spread


def _median(rows: FloatArray) -> FloatArray:
    out = np.full(rows.shape[1], np.nan)
    some = np.isfinite(rows).any(axis=0)
    out[some] = np.nanmedian(rows[:, some], axis=0)
    return out


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
        np.array(["faint" in taps[k].flags for k in first], bool),
        np.array([other for other in left_out if other[0] in recordings], float).reshape(-1, 2),
        np.array(bounces, float).reshape(-1, 2),
        twice,
    )
    return tuple(Place(s.station, tuple(first[k] for k in s.taps), s.flags, s.reason) for s in spots), notes


def _judged(
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
) -> _Judged:
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
    ring_db = np.array([p[1]["ring_db"] if p is not None else np.nan for p in pooled])
    known, known_ring_db, relative_to = _known(reference, bands, ring_db, places, settings)
    notes = [*doubts, *say_drift(drifts)]
    marked = sum(spot.station.role == "reference" for spot in places)
    if marked and relative_to == _ALONE:
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
    xy_m = None if panel is None else np.array([[s.station.x_m, s.station.y_m] for s in places])

    def against(rows: FloatArray) -> Comparison:
        width = rows.shape[1]
        return compare(rows, xy_m, kinds, known_shape, lambda: new_scorer(width), settings.judge)

    compared = against(shape)
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
    if compared.own and known_shape is not None:
        notes.append(
            "most of this panel sounds unlike the baseline as a whole: its stations were compared with each "
            "other; ask whether the baseline belongs to it, or the whole panel has changed"
        )
        relative_to += ", but most of the panel is unlike it: relative to this panel only"
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
    on_judged(Judging(tuple(heard), shape, known_shape, compared, again, other))
    points = tuple(
        _point(k, panel, spot, p, v, compared, taps, (decay_ms, centroid_hz))
        for k, (spot, p, v) in enumerate(zip(places, pooled, verdicts, strict=True))
    )
    if compared.own:
        points = tuple(
            p
            if p.verdict == "not assessed"
            else replace(p, reason=f"{p.reason}; relative to this panel only")
            for p in points
        )
    points = say_apart(points, apart, usual_db)
    if mirror is not None:
        points = say_mirror(points, mirror, facing, other, panel)
    areas: tuple[Area, ...] = ()
    if panel is not None:
        stations, spoken = [s.station for s in places], [v.verdict for v in verdicts]
        notes += hints(stations, kinds, spoken, compared, spacing(panel))
        areas = outline(stations, spoken, panel, least_radius_m=least_radius_m, settings=settings.extent)
    return _Judged(
        points,
        areas,
        relative_to,
        tuple(notes),
        drifts,
        {}
        if mirror is None
        else {"panel": mirror.panel, "sha256": mirror.sha256, "stations": int((facing >= 0).sum())},
    )


def _point(
    k: int,
    panel: Panel | None,
    spot: Place,
    pooled: tuple[FloatArray, dict[str, float], float] | None,
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


# -- the reference struck again --------------------------------------------------------------------------


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
    whole = len(taps) % each == 0
    groups = [taps[k : k + each] for k in range(0, len(taps), each)]
    pooled = [pool(group)[1] for group in groups]
    kept = [(k, p) for k, p in enumerate(pooled) if p["snr_db"] >= settings.judge.snr_db]
    values = np.array([[p[measure] for measure in MEASURES] for _, p in kept]).reshape(-1, len(MEASURES))
    keys = tuple((float(k),) for k, _ in kept) if whole else ()
    notes = (
        []
        if whole
        else [
            f"{name}: {len(taps)} strikes do not make whole places of {each}: taken in order, the last short"
        ]
    )
    return Visit(name, values, after, after, keys), notes


# -- strikes of one station, the other side, what was declared later -------------------------------------


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


# -- stations and features -------------------------------------------------------------------------------


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
    reference: Reference | None,
    bands: FloatArray,
    ring_db: FloatArray,
    places: Sequence[Place],
    settings: Settings,
) -> tuple[FloatArray | None, FloatArray, str]:
    """Levels and ring of the places taken for good, and what that makes every result relative to."""
    if reference is not None:
        return (
            reference.bands_db,
            np.array([m["ring_db"] for m in reference.measures]),
            f"baseline of {reference.n_places} places",
        )
    marked = np.array([s.station.role == "reference" for s in places], bool) & np.isfinite(bands).any(axis=1)
    if marked.sum() >= settings.judge.least_places:
        return bands[marked], ring_db[marked], f"{int(marked.sum())} reference stations of this panel"
    return None, np.zeros(0), _ALONE


def _reference_medians(reference: Reference | None) -> tuple[float, float]:
    if reference is None:
        return math.nan, math.nan
    table = np.array([[row["decay_ms"], row["centroid_hz"]] for row in reference.measures])
    decay_ms, centroid_hz = _median(table)
    return float(decay_ms), float(centroid_hz)


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
