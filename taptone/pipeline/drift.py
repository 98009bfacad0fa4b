"""Reference places struck again: whether anything but the laminate has changed meanwhile.

Hammer, hand, weather or recorder may change while a panel is tapped. Then places that are known sound
different when they are struck again, and the stations between can no longer be held against them. Decay and
centroid are compared as ratios. A few strikes on uneven laminate scatter widely, so a shift counts only
beyond its own uncertainty at 99 %, by the surer of two rules:

- any places against any places: ± t(n - 1) · s · sqrt(1/n + 1/m), with s the spread of the n first places;
- place against the same place: ± t(m - 1) · s' / sqrt(m), with s' the spread of the m differences.

The second is right even if they were not the same places; it is only much wider then.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from taptone.pipeline.judge import Heard
from taptone.pipeline.robust import location_scale
from taptone.types import Drift, FloatArray, Place, Reference

__all__ = [
    "MEASURES",
    "Visit",
    "drift_of",
    "find_drift",
    "in_doubt",
    "places_in_order",
    "say_drift",
    "visits_in",
]

#: What is compared.
MEASURES = ("decay_ms", "centroid_hz")

_SURE = 0.99  # two-sided
_LEAST = 3  # places struck again: the middle of fewer is no better than the worst of them
HEARD_PERCENT = 4.0  # a sure shift below this is no news unless the reference is so even that it matters
_SAME_M = 0.02  # reference stations nearer than this are one place
_ENOUGH = 8  # places that show their own spread
_FOUND = ("none", "drift", "beyond")


@dataclass(frozen=True, slots=True, eq=False)
class Visit:
    """Reference places struck in one go.

    ``values`` has shape (places, 2): decay_ms and centroid_hz; ``start`` and ``stop`` say how many stations
    of the panel were tapped before it began and when it was over. Places of two visits with the same key (a
    place in metres, or the number in order) are the same; an empty ``keys`` says that nobody knows.
    ``room_left_in`` holds the same values with the ringing of the place not taken off.
    """

    name: str
    values: FloatArray
    start: int = 0
    stop: int = 0
    keys: tuple[tuple[float, ...], ...] = ()
    room_left_in: FloatArray | None = None


def find_drift(
    visits: Sequence[Visit], labels: Sequence[str], usual_spread: FloatArray
) -> tuple[tuple[Drift, ...], tuple[str, ...]]:
    """Hold every later visit to the reference against the first ones.

    Parameters
    ----------
    visits : sequence of Visit
        In the order of time; the first is the reference. Later visits are also held against the second, where
        the first is a baseline and the second lies in the panel.
    labels : sequence of str
        The stations of the panel in tapping order.
    usual_spread : ndarray, shape (2,)
        Spread of the logarithms of decay and centroid over the panel, which stands in where the first visit
        has fewer than 8 places.

    Returns
    -------
    drifts : tuple of Drift
        One for each measure of each later visit, also where there is none to speak of.
    notes : tuple of str
        Visits of too few places to tell anything.

    Examples
    --------
    >>> rng = np.random.default_rng(0)
    >>> places = np.exp(rng.normal(0, 0.2, (12, 2))) * [40.0, 1500.0]
    >>> keys = tuple((float(k),) for k in range(12))
    >>> first = Visit("the baseline", places, keys=keys)
    >>> again = Visit("again.wav", places[:6] * [1.0, 0.92] * rng.normal(1, 0.01, (6, 2)), 40, 40, keys[:6])
    >>> drifts, _ = find_drift([first, again], [f"S{k}" for k in range(40)], np.zeros(2))
    >>> [(d.measure, d.found, round(d.shift_percent)) for d in drifts]
    [('decay_ms', 'none', 0), ('centroid_hz', 'beyond', -8)]
    """
    compared = _against(visits[:1], visits[1:], usual_spread)
    # Stations of a panel can be struck again to the centimetre, places of a baseline only in order.
    if len(visits) > 2 and visits[1].stop > visits[1].start and not _worst(visits[1], compared):
        compared += _against(visits[1:2], visits[2:], usual_spread)
    drifts = []
    for later, drift in compared:
        at, least = visits.index(later), max(_FOUND.index(drift.found), 1)
        steady = [_worst(visit, compared) < least for visit in visits]
        start = max((v.stop for v, ok in zip(visits[:at], steady[:at], strict=True) if ok), default=0)
        stop = min(
            (v.start for v, ok in zip(visits[at + 1 :], steady[at + 1 :], strict=True) if ok),
            default=len(labels),
        )
        drifts.append(replace(drift, stations=tuple(labels[start:stop])))
    notes = []
    for later in visits[1:]:
        heard = int(np.isfinite(later.values[:, 1]).sum())
        if heard < _LEAST:
            notes.append(
                f"{later.name}: {heard} of the reference places heard again, too few to tell whether it "
                f"drifted: strike at least {_LEAST}, better 6 or more"
            )
    return tuple(drifts), tuple(notes)


def drift_of(
    places: Sequence[Place],
    heard: Sequence[Heard],
    kinds: Sequence[str],
    reference: Reference | None,
    rechecks: Sequence[Visit],
) -> tuple[tuple[Drift, ...], tuple[str, ...]]:
    """Hold every visit to the reference, in the panel or beside it, against the first.

    Parameters
    ----------
    places : sequence of Place
        Of the panel, in tapping order; runs of stations with the role ``reference`` are visits.
    heard : sequence of Heard
        What was heard there.
    kinds : sequence of str
        Kind of declared structure under each.
    reference : Reference or None
        A baseline is the first visit.
    rechecks : sequence of Visit
        Recordings of the reference places struck again.

    Returns
    -------
    drifts : tuple of Drift
        As from :func:`find_drift`.
    notes : tuple of str
        What could not be told.

    Examples
    --------
    >>> drift_of([], [], [], None, [])
    ((), ())
    """
    rows = [[np.nan] * 2 if h.refused else [h.decay_ms, h.centroid_hz] for h in heard]
    values = np.array(rows).reshape(-1, 2)
    stations = [spot.station for spot in places]
    labels = [station.label for station in stations]
    xy_m = np.array([[station.x_m, station.y_m] for station in stations]).reshape(-1, 2)
    visits = [*visits_in([station.role for station in stations], labels, xy_m, values), *rechecks]
    visits.sort(key=lambda visit: visit.start)
    if reference is not None:
        known = np.array([[row[measure] for measure in MEASURES] for row in reference.measures])
        keys = tuple((number,) for number in places_in_order(reference))
        visits.insert(0, Visit("the baseline", known, keys=keys))
    if rechecks and len(visits) < 2:
        name = rechecks[0].name
        return (), (f"{name}: neither a baseline nor reference stations to hold it against",)
    plain = [k for k, kind in enumerate(kinds) if not kind and np.isfinite(values[k]).all()]
    usual = location_scale(np.log(values[plain]))[1] if plain else np.zeros(2)
    return find_drift(visits, labels, usual) if visits else ((), ())


def places_in_order(reference: Reference) -> list[float]:
    """Say which place each is, in order.

    Parameters
    ----------
    reference : Reference
        A baseline.

    Returns
    -------
    list of float
        Number of each place, from 0 on; ``nan`` for those only known by when they were struck, and where
        there are such, for all not known by their number.

    Examples
    --------
    >>> of = {"boat": "Kettle", "construction": "foam", "hammer": "60 g", "recorder": "", "rate_hz": 48000}
    >>> of |= {"surface_temp_c": 14.0, "measures": ({},) * 3, "bands_db": np.zeros((3, 0)), "taps": (2,) * 3}
    >>> of |= {"recordings": ({"name": "good.wav"},)}
    >>> places_in_order(Reference(**of, labels=("A1", "A2", "A3")))
    [0.0, 1.0, 2.0]
    >>> places_in_order(Reference(**of, labels=("1", "good.wav 4.0 s", "good.wav 12.3 s")))
    [0.0, nan, nan]
    """
    names = "|".join(re.escape(str(recording["name"])) for recording in reference.recordings)
    untold = [bool(re.fullmatch(rf"(?:{names}) \d+\.\d s", label)) for label in reference.labels]
    known = [not any(untold) or label == str(k + 1) for k, label in enumerate(reference.labels)]
    return [float(k) if sure else math.nan for k, sure in enumerate(known)]


def in_doubt(drifts: Sequence[Drift]) -> Mapping[str, str]:
    """Stations that cannot be judged because the reference drifted, with the reason.

    Parameters
    ----------
    drifts : sequence of Drift
        From :func:`find_drift`.

    Returns
    -------
    mapping of str to str
        Label → reason.

    Examples
    --------
    >>> numbers = {"shift_percent": -8.0, "uncertain_percent": 2.0, "half_spread_percent": 5.0}
    >>> numbers |= {"places": 20, "again": 6, "paired": True}
    >>> drift = Drift("centroid_hz", "R1 to R9", "S1 to S9", found="beyond", stations=("A1",), **numbers)
    >>> print(in_doubt([drift])["A1"])
    the reference drifted: centroid 8.0 % lower (± 2.0 %) in S1 to S9 than in R1 to R9, more than half the
    reference spread (± 5.0 %)
    """
    reasons: dict[str, str] = {}
    for drift in drifts:
        if drift.found == "beyond":
            for label in drift.stations:
                reasons.setdefault(
                    label,
                    f"the reference drifted: {_size(drift)}, more than half the reference spread "
                    f"(± {drift.half_spread_percent:.1f} %)",
                )
    return reasons


def say_drift(drifts: Sequence[Drift]) -> list[str]:
    """Notes on what drifted; nothing where nothing did.

    Parameters
    ----------
    drifts : sequence of Drift
        From :func:`find_drift`.

    Returns
    -------
    list of str
        One for each shift that is beyond its uncertainty.

    Examples
    --------
    >>> say_drift([Drift("decay_ms", "R1 to R4", "R5 to R8", 4, 4, True, 1.0, 6.0, 40.0, "none", ("A1",))])
    []
    """
    notes = []
    for drift in drifts:
        if drift.found == "none":
            continue
        n = len(drift.stations)
        where = f"{drift.stations[0]} to {drift.stations[-1]} ({n})" if n > 1 else "".join(drift.stations)
        half = f"half the reference spread (± {drift.half_spread_percent:.1f} %)"
        what = (
            f"within {half}: judged all the same"
            if drift.found != "beyond"
            else f"more than {half}: these stations are not assessed; tap them again after a new reference"
            if n
            else f"more than {half}"
        )
        notes.append(
            f"the reference drifted: {_size(drift)}, {drift.again} places against {drift.places}"
            f"{', place by place' if drift.paired else ''}; stations between: {where or 'none'}; {what}"
        )
    return notes


def visits_in(
    roles: Sequence[str], labels: Sequence[str], xy_m: FloatArray, values: FloatArray
) -> list[Visit]:
    """Runs of reference stations of a panel, each a visit.

    Parameters
    ----------
    roles, labels : sequence of str, length stations
        In tapping order; ``reference`` marks those that count.
    xy_m : ndarray, shape (stations, 2)
        Where they are.
    values : ndarray, shape (stations, 2)
        decay_ms and centroid_hz; ``nan`` where a station was not heard.

    Returns
    -------
    list of Visit
        In tapping order.

    Examples
    --------
    >>> roles = ["reference", "reference", "panel", "reference"]
    >>> [v.name for v in visits_in(roles, ["R1", "R2", "A1", "R3"], np.zeros((4, 2)), np.ones((4, 2)))]
    ['R1 to R2', 'R3']
    """
    visits, start = [], 0
    marked = [role == "reference" for role in roles]
    for k in range(len(marked) + 1):
        if k < len(marked) and marked[k]:
            continue
        if k > start:
            name = labels[start] if k == start + 1 else f"{labels[start]} to {labels[k - 1]}"
            keys = tuple((float(x), float(y)) for x, y in xy_m[start:k])
            visits.append(Visit(name, values[start:k], start, k, keys))
        start = k + 1
    return visits


def _against(
    firsts: Sequence[Visit], laters: Sequence[Visit], usual_spread: FloatArray
) -> list[tuple[Visit, Drift]]:
    """Every measure of every later visit against every first one."""
    out = []
    for first in firsts:
        for later in laters:
            for n, measure in enumerate(MEASURES):
                readings = [later.values]
                # Of few strikes a room may be found that was not found when the reference was learnt: what
                # shows in one reading only is the room's.
                if later.room_left_in is not None:
                    readings.append(later.room_left_in)
                drifts = [
                    _compared(first, replace(later, values=values), n, measure, float(usual_spread[n]))
                    for values in readings
                ]
                sure = [drift for drift in drifts if drift is not None]
                if sure:
                    out.append((later, min(sure, key=_surely)))
    return out


def _surely(drift: Drift) -> float:
    """How many times its own uncertainty a shift is."""
    ratio = math.log1p(drift.shift_percent / 100) / max(math.log1p(drift.uncertain_percent / 100), 1e-9)
    return abs(ratio)


def _compared(first: Visit, later: Visit, n: int, measure: str, usual: float) -> Drift | None:
    """One measure of one visit against a first one; None of too few places."""
    from scipy.stats import f, t

    known, again = _logs(first.values, n), _logs(later.values, n)
    if np.isfinite(known).sum() < 2 or np.isfinite(again).sum() < _LEAST:
        return None
    places, struck = int(np.isfinite(known).sum()), int(np.isfinite(again).sum())
    middle, spread = (float(v) for v in location_scale(known))
    own = spread if places >= _ENOUGH else max(usual, spread)
    shift = float(location_scale(again)[0]) - middle
    # Strikes that stray more than places of the reference do are surely not those places: less is known.
    strays = float(np.nanstd(again, ddof=1))
    if not strays > spread * math.sqrt(float(f.ppf(_SURE, struck - 1, places - 1))):
        strays = spread
    unsure = float(t.ppf((1 + _SURE) / 2, min(places, struck) - 1 if strays > spread else places - 1))
    unsure *= math.sqrt(spread**2 / places + strays**2 / struck)
    paired = False
    step = _steps(first, later, known, again)
    if len(step) >= _LEAST:
        by_place, apart = (float(v) for v in location_scale(step))
        if len(step) < _ENOUGH:  # few can agree by chance, and drawing one of them in hides how they stray
            apart = max(apart, float(np.std(step, ddof=1)))
        unsure_by_place = float(t.ppf((1 + _SURE) / 2, len(step) - 1)) * apart / math.sqrt(len(step))
        if unsure_by_place < unsure:
            shift, unsure, paired, struck, places = by_place, unsure_by_place, True, len(step), len(step)
    found = "none"
    if abs(shift) > unsure:
        if abs(shift) > own / 2:
            found = "beyond"
        elif abs(math.expm1(shift)) >= HEARD_PERCENT / 100:
            found = "drift"
    shift_percent, unsure_percent, half_percent = (
        round(100 * math.expm1(value), 2) for value in (shift, unsure, own / 2)
    )
    return Drift(
        measure,
        first.name,
        later.name,
        places,
        struck,
        paired,
        shift_percent,
        unsure_percent,
        half_percent,
        found,
    )


def _logs(values: FloatArray, n: int) -> FloatArray:
    with np.errstate(divide="ignore", invalid="ignore"):
        out = np.log(values[:, n]) if len(values) else np.zeros(0)
    return np.asarray(np.where(np.isfinite(out), out, np.nan))


def _steps(first: Visit, later: Visit, known: FloatArray, again: FloatArray) -> FloatArray:
    """Differences of the places that both visits struck."""
    steps = []
    for key, value in zip(later.keys, again, strict=False):
        same = [
            k
            for k, other in enumerate(first.keys)
            if len(other) == len(key) and math.dist(other, key) <= _SAME_M
        ]
        if same and math.isfinite(value - known[same[0]]):
            steps.append(value - known[same[0]])
    return np.array(steps)


def _worst(visit: Visit, compared: Sequence[tuple[Visit, Drift]]) -> int:
    """How bad the worst of a visit's measures is: 0 none, 1 drifted, 2 beyond half the spread."""
    return max((_FOUND.index(drift.found) for later, drift in compared if later is visit), default=0)


def _size(drift: Drift) -> str:
    what = {"decay_ms": "decay", "centroid_hz": "centroid"}[drift.measure]
    way = {
        "decay_ms": ("shorter", "longer"),
        "centroid_hz": ("lower", "higher"),
    }[drift.measure][drift.shift_percent > 0]
    return (
        f"{what} {abs(drift.shift_percent):.1f} % {way} (± {drift.uncertain_percent:.1f} %) in {drift.later} "
        f"than in {drift.first}"
    )
