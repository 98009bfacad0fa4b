"""Scores to verdicts: chance, confidence over the panel, and the reason in plain numbers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.compare import Comparison, in_parts, part_names, worth_naming
from taptone.pipeline.lasting import BOTH
from taptone.pipeline.patch import WEIGHT
from taptone.pipeline.ringing import DECAY, RARER, by_ring
from taptone.pipeline.together import AREA, Together
from taptone.settings import JudgeSettings
from taptone.types import RING_FLOOR_DB, FloatArray

__all__ = [
    "CHARACTERS",
    "Heard",
    "Judgement",
    "beside_plain_skin",
    "character",
    "confidence",
    "counted_together",
    "judge",
    "odd_ring",
    "off_together",
    "on_its_kind",
    "rarity",
    "rings_longer",
    "sure_in_patches",
    "sureness",
    "the_other_ring",
    "usual_ring_db",
]

#: How a suspect sounds, by code; a description of sound, not a cause.
CHARACTERS: Mapping[str, str] = {
    "hollow": "lower, rings longer (hollow by ear)",
    "dull": "lower, dies sooner (dull by ear)",
    "dead": "almost no ring (dead by ear)",
    "rattling": "rough, repeated (rattling by ear)",
}

#: One reason for all: the screen, the map and the status gather stations by it.
_CRISPER = (
    "differs, but its area is brighter and rings less, as over structure nobody declared: whether it is "
    "bonded cannot be told"
)

_NOTHING = "nothing to compare it with: too little plain skin was tapped on this panel; tap some beside it"

_LOWER = 0.93  # centroid under this share of its neighbours' is lower
_LONGER, _SOONER, _HARDLY = 1.15, 0.87, 0.4  # decay over or under this share of its neighbours'
_HARDLY_DB = -3.0  # late over early energy beside its neighbours': decay alone may be the beat of two modes
_STANDS_OUT = 2.0  # times longer or shorter
_BY_CHANCE = 1.0  # good stations of a panel that may be flagged, as expected: of many flags 1 in 20 is more
_RAREST = 1e-4  # below it a fitted tail is not put into figures


@dataclass(frozen=True, slots=True)
class Heard:
    """One station as it was heard: pooled measures, or the reason why it cannot be judged.

    ``ring_db`` is the ring asked by itself: after 20 ms, or after 5 where that tells more.
    """

    decay_ms: float = math.nan
    centroid_hz: float = math.nan
    ring_db: float = math.nan
    bounced: float = 0.0
    structure: str = ""
    refused: str = ""


@dataclass(frozen=True, slots=True)
class Judgement:
    """Verdict on one station; ``with_patch``: it is suspect with the patch it lies in, not by itself."""

    verdict: str
    reason: str
    character: str = ""
    confidence: float = math.nan
    neighbour_decay_ms: float = math.nan
    neighbour_centroid_hz: float = math.nan
    with_patch: bool = False


def judge(
    heard: Sequence[Heard],
    compared: Comparison,
    *,
    reference_decay_ms: float,
    reference_centroid_hz: float,
    settings: JudgeSettings = JudgeSettings(),
) -> tuple[Judgement, ...]:
    """Judge every station of a panel.

    Parameters
    ----------
    heard : sequence of Heard
        The stations.
    compared : Comparison
        Their scores, in the same order.
    reference_decay_ms, reference_centroid_hz : float
        Medians of the reference places, for the reasons; ``nan`` where there is none.
    settings : JudgeSettings, optional
        The confidence from which a station is suspect.

    Returns
    -------
    tuple of Judgement
        ``suspect``, ``no difference``, ``at structure`` or ``not assessed``, each with its reason. Suspect is
        who is sure enough (:func:`confidence`) and so rare that of as many good stations as were judged at
        most one is expected to be as rare. In a patch with an edge a chance counts as a twentieth; elsewhere
        that changes nothing.

    References
    ----------
    A. Gordon, G. Glazko, X. Qiu, A. Yakovlev, Ann. Appl. Stat. 1 (2007) 179-190, the mean number of false
    discoveries held under a limit.

    Examples
    --------
    >>> import numpy as np
    >>> compared = Comparison(
    ...     np.array([9.0, 1.0]), np.array([1e-6, 0.5]), np.array([False, True]), ((1,), ())
    ... )
    >>> stations = [Heard(80.0, 600.0), Heard(40.0, 900.0)]
    >>> [v.verdict for v in judge(stations, compared, reference_decay_ms=40.0, reference_centroid_hz=900.0)]
    ['suspect', 'no difference']
    """
    chance, able = on_its_kind(compared, [not h.structure for h in heard])
    able &= np.array([not h.refused for h in heard], bool)
    judged = int((able & np.isfinite(chance)).sum())
    sure, counts = sure_in_patches(chance, able, compared)
    told, by_itself = (
        (how_sure >= settings.confidence) & (rare * judged <= _BY_CHANCE)
        for how_sure, rare in ((sure, counts), (confidence(chance, able), chance))
    )
    return tuple(
        _one(
            k,
            heard,
            compared,
            float(chance[k]),
            float(sure[k]),
            bool(told[k]),
            bool(told[k] and not by_itself[k]),
            judged,
            reference_decay_ms,
            reference_centroid_hz,
            settings,
        )
        for k in range(len(heard))
    )


def on_its_kind(compared: Comparison, plain: Sequence[bool]) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Chance of each station by what lies under it, and which stations that can make suspect.

    Parameters
    ----------
    compared : Comparison
        Of all stations.
    plain : sequence of bool
        Stations with no declared structure under them.

    Returns
    -------
    chance : ndarray, shape (stations,)
        On structure only what is unlike plain skin and unlike others of its kind can be suspect.
    able : ndarray of bool, shape (stations,)
        Plain stations that do not differ by being crisper, and those on structure of which there is enough.

    Examples
    --------
    >>> import numpy as np
    >>> nothing = np.full(3, np.nan)
    >>> compared = Comparison(
    ...     nothing, np.array([0.5, 0.1, 0.1]), nothing > 0, ((),) * 3,
    ...     chance_of_kind=np.array([np.nan, 0.3, np.nan]),
    ... )  # fmt: skip
    >>> on_its_kind(compared, [True, False, False])
    (array([0.5, 0.3, 0.1]), array([ True,  True, False]))
    """
    chance, able = compared.chance_if_good, np.array(plain, bool)
    if compared.crisper is not None:
        able &= ~compared.crisper
    if compared.chance_of_kind is None:
        return chance, able
    known = np.isfinite(compared.chance_of_kind)
    return np.where(known, np.maximum(chance, compared.chance_of_kind), chance), able | known


def beside_plain_skin(kind: str, compared: Comparison, k: int, settings: JudgeSettings) -> str:
    """Say how a station on declared structure that is not suspect sounds beside plain skin.

    Parameters
    ----------
    kind : str
        Of the structure.
    compared : Comparison
        Of all stations.
    k : int
        Which station.
    settings : JudgeSettings
        The confidence from which it differs.

    Returns
    -------
    str
        With what is not known there.

    Examples
    --------
    >>> import numpy as np
    >>> compared = Comparison(np.array([1.0]), np.array([0.5]), np.array([False]), ((),))
    >>> beside_plain_skin("frame", compared, 0, JudgeSettings())
    'on declared frame: does not differ from plain skin; the bond here is not judged separately'
    """
    differs = compared.chance_if_good[k] < 1 - settings.confidence
    how = "differs from plain skin" if differs else "does not differ from plain skin"
    alone = differs and compared.chance_of_kind is not None and math.isnan(compared.chance_of_kind[k])
    few = f"; no reference over this structure: {settings.least_places} other places on it are needed"
    return f"on declared {kind}: {how}{few if alone else ''}; the bond here is not judged separately"


def confidence(chance_if_good: FloatArray, able: NDArray[np.bool_]) -> FloatArray:
    """1 minus the chance, adjusted over the panel so that at most 1 in 20 of the flags is expected false.

    Parameters
    ----------
    chance_if_good : ndarray, shape (stations,)
        p-values; ``nan`` where there is none.
    able : ndarray of bool, shape (stations,)
        Stations that are judged.

    Returns
    -------
    ndarray, shape (stations,)
        ``nan`` where not judged.

    References
    ----------
    Y. Benjamini and Y. Hochberg, J. R. Stat. Soc. B 57 (1995) 289-300.

    Examples
    --------
    >>> import numpy as np
    >>> confidence(np.array([0.001, 0.5, np.nan]), np.array([True, True, True])).round(3)
    array([0.998, 0.5  ,   nan])
    """
    from scipy.stats import false_discovery_control

    judged = able & np.isfinite(chance_if_good)
    out = np.full(len(chance_if_good), np.nan)
    if judged.any():
        out[judged] = 1 - false_discovery_control(chance_if_good[judged], method="bh")
    return out


def sure_in_patches(
    chance_if_good: FloatArray, able: NDArray[np.bool_], compared: Comparison
) -> tuple[FloatArray, FloatArray]:
    """Confidence, where the chance of a station in a patch counts as a twentieth.

    Elsewhere that changes nothing: what a patch lets in must not let in others. Nor must stations that are
    rare only side by side.

    Parameters
    ----------
    chance_if_good : ndarray, shape (stations,)
        p-values; ``nan`` where there is none.
    able : ndarray of bool, shape (stations,)
        Stations that are judged.
    compared : Comparison
        Of all stations: which lie in a patch.

    Returns
    -------
    confidence, counts : ndarray, shape (stations,)
        As :func:`confidence` has it, and each chance as it counts.

    Examples
    --------
    >>> from taptone.pipeline.patch import Patches
    >>> chance = np.array([0.02, 0.02, 0.9])
    >>> none = Comparison(chance, chance, chance > 0, ((),) * 3, patches=Patches(np.array([0, -1, -1])))
    >>> sure, counts = sure_in_patches(chance, chance > 0, none)
    >>> sure.round(3), counts
    (array([0.997, 0.97 , 0.1  ]), array([0.001, 0.02 , 0.9  ]))
    """
    beside = np.array([len(who) > 0 for who in counted_together(compared)], bool)
    sure = confidence(np.where(beside, 1.0, chance_if_good), able)
    sure = np.where(beside, confidence(chance_if_good, able), sure)
    if compared.patches is None:
        return sure, chance_if_good
    in_patch = compared.patches.which >= 0
    counts = np.where(in_patch, chance_if_good / WEIGHT, chance_if_good)
    return np.where(in_patch, confidence(counts, able), sure), counts


def off_together(compared: Comparison, k: int) -> Together | None:
    """What the rings of areas say, where the chance of a station is that of its area.

    Parameters
    ----------
    compared : Comparison
        Of all stations.
    k : int
        Which one.

    Returns
    -------
    Together or None
        None where the chance is another's, that of its own ring among them.

    Examples
    --------
    >>> import numpy as np
    >>> one = np.ones(1)
    >>> off_together(Comparison(one, one, one > 0, ((),)), 0) is None
    True
    """
    together, law, off_db = compared.together, compared.ringing, compared.ring_off_db
    if together is None or law is None or off_db is None:
        return None
    if not by_ring(compared.chance_if_good, compared.chance_by_ring)[k]:
        return None
    by_its_own = law.chance(off_db[k : k + 1])[0]
    if compared.lasting is not None:
        by_its_own = min(by_its_own, compared.lasting.chance[k])
    return together if together.chance[k] < by_its_own else None


def counted_together(compared: Comparison) -> tuple[NDArray[np.intp], ...]:
    """With which stations, itself too, each has the chance it has because those it touches ring on too.

    Parameters
    ----------
    compared : Comparison
        Of all stations.

    Returns
    -------
    tuple of ndarray of int, length stations
        Empty where a station would be as rare by itself.

    Examples
    --------
    >>> import numpy as np
    >>> one = np.ones(1)
    >>> counted_together(Comparison(one, one, one > 0, ((),)))[0].tolist()
    []
    """
    nobody = np.zeros(0, np.intp)
    if compared.lasting is None:
        return (nobody,) * len(compared.chance_if_good)
    because = compared.chance_if_good >= RARER * compared.lasting.chance
    return tuple(
        np.flatnonzero(row) if row.sum() > 1 and because[k] else nobody
        for k, row in enumerate(compared.lasting.among)
    )


def rings_longer(compared: Comparison, k: int) -> bool:
    """Whether the ring of a station lies above what was expected.

    Parameters
    ----------
    compared : Comparison
        Of all stations.
    k : int
        Which one.

    Returns
    -------
    bool
        False where it could not be read.

    Examples
    --------
    >>> import numpy as np
    >>> one = np.ones(1)
    >>> rings_longer(Comparison(one, one, one > 0, ((),), ring_off_db=3.0 * one), 0)
    True
    """
    return compared.ring_off_db is not None and bool(compared.ring_off_db[k] > 0)


def usual_ring_db(compared: Comparison, k: int) -> float:
    """How far the ring of good places strays that a station's own is held against, in dB.

    Parameters
    ----------
    compared : Comparison
        Of all stations.
    k : int
        Which one.

    Returns
    -------
    float
        ``nan`` where no ring was asked.

    Examples
    --------
    >>> import numpy as np
    >>> one = np.ones(1)
    >>> usual_ring_db(Comparison(one, one, one > 0, ((),)), 0)
    nan
    """
    law, lasting = compared.ringing, compared.lasting
    if law is None:
        return math.nan
    if lasting is None or not rings_longer(compared, k):
        return law.spread_db
    return next(own.spread_db for own in lasting.laws if own.after_ms == law.after_ms)


def odd_ring(here: Heard, compared: Comparison, k: int) -> str:
    """How far a ring is off where the chance of a station is that of its ring, in words.

    Parameters
    ----------
    here : Heard
        The station: no ring is measured under a floor, and then it may be shorter.
    compared : Comparison
        Of all stations.
    k : int
        Which one.

    Returns
    -------
    str
        Empty where the chance is another's, as on declared structure.

    Examples
    --------
    >>> import numpy as np
    >>> one = np.ones(1)
    >>> off = {"ring_off_db": -16.0 * one, "chance_by_ring": 1e-5 * one}
    >>> compared = Comparison(one, 2e-4 * one, one > 0, ((),), **off)
    >>> odd_ring(Heard(ring_db=-30.0), compared, 0)
    'at least 16.0 dB below what was expected'
    """
    if here.structure or compared.ring_off_db is None:
        return ""
    if not by_ring(compared.chance_if_good, compared.chance_by_ring)[k]:
        return ""
    if together := off_together(compared, k):
        side = "below" if together.off_db[k] < 0 else "above"
        return (
            f"{abs(together.own_db[k]):.1f} dB {side} the middle of this panel, and on average "
            f"{abs(together.off_db[k]):.1f} dB over the {AREA} places it lies among"
        )
    off_db = compared.ring_off_db[k]
    least = "at least " if here.ring_db <= RING_FLOOR_DB and off_db < 0 else ""
    return f"{least}{abs(off_db):.1f} dB {'below' if off_db < 0 else 'above'} what was expected"


def the_other_ring(compared: Comparison, k: int) -> str:
    """What else says so where a place rings longer, the other ring or the decay, in words.

    Parameters
    ----------
    compared : Comparison
        Of all stations.
    k : int
        Which one: its chance is that of its own ring, which is longer.

    Returns
    -------
    str
        Empty where only one ring was asked.

    Examples
    --------
    >>> import numpy as np
    >>> one = np.ones(1)
    >>> the_other_ring(Comparison(one, one, one > 0, ((),)), 0)
    ''
    """
    lasting, law = compared.lasting, compared.ringing
    if lasting is None or law is None:
        return ""
    told = []
    for other, off_db in zip(lasting.laws, lasting.off_db, strict=True):
        if other.after_ms == law.after_ms or not off_db[k] > 0:
            continue
        if other.after_ms != DECAY:
            told.append(f"after {other.after_ms:g} ms {off_db[k]:.1f} dB above (± {other.spread_db:.1f} dB)")
        elif lasting.by_decay(k):
            usual = 100 * (10 ** (other.spread_db / 10) - 1)
            told.append(f"decay {10 ** (off_db[k] / 10):.1f} times what was expected (± {usual:.0f} %)")
    return ", ".join(told)


def rarity(chance: float, of: str = "good place") -> str:
    """A chance as a plain count, to one figure: a fitted tail deserves no more.

    Parameters
    ----------
    chance : float
        Between 0 and 1.
    of : str, optional
        What it is counted of.

    Returns
    -------
    str
        For a sentence that goes on "would sound this different".

    Examples
    --------
    >>> rarity(0.00026), rarity(1e-6)
    ('about 1 good place in 4,000', 'fewer than 1 good place in 10,000')
    """
    if chance < _RAREST:
        return f"fewer than 1 {of} in {1 / _RAREST:,.0f}"
    size = 10 ** int(math.log10(1 / chance))
    return f"about 1 {of} in {round(1 / chance / size) * size:,}"


def sureness(confidence: float) -> str:
    """A confidence for a person: rounded down, and never certain.

    Parameters
    ----------
    confidence : float
        Between 0 and 1.

    Returns
    -------
    str
        Three decimals.

    Examples
    --------
    >>> sureness(0.95678), sureness(0.999999)
    ('0.956', 'over 0.999')
    """
    return "over 0.999" if confidence > 0.999 else f"{math.floor(confidence * 1000 + 1e-6) / 1000:.3f}"


def character(
    heard: Heard, neighbour_decay_ms: float, neighbour_centroid_hz: float, neighbour_ring_db: float = math.nan
) -> str:
    """Code of how a suspect sounds beside its neighbours; empty where it cannot be told.

    Parameters
    ----------
    heard : Heard
        The suspect.
    neighbour_decay_ms, neighbour_centroid_hz, neighbour_ring_db : float
        Medians of its good neighbours. Decay and ring must not speak against each other.

    Returns
    -------
    str
        A key of :data:`CHARACTERS`, or empty.

    Examples
    --------
    >>> character(Heard(decay_ms=80.0, centroid_hz=600.0), 40.0, 900.0)
    'hollow'
    """
    ring = heard.decay_ms / neighbour_decay_ms
    more_db = heard.ring_db - neighbour_ring_db
    lower = heard.centroid_hz / neighbour_centroid_hz < _LOWER
    if heard.bounced >= 0.5:
        return "rattling"
    if ring < _HARDLY and not more_db > _HARDLY_DB:
        return "dead"
    if lower and ring > _LONGER and not more_db < 0:
        return "hollow"
    if lower and ring < _SOONER and not more_db > 0:
        return "dull"
    return ""


def _one(
    k: int,
    heard: Sequence[Heard],
    compared: Comparison,
    chance: float,
    sure: float,
    suspect: bool,
    with_patch: bool,
    judged: int,
    reference_decay_ms: float,
    reference_centroid_hz: float,
    settings: JudgeSettings,
) -> Judgement:
    here = heard[k]
    near = [heard[j] for j in compared.neighbours[k]]
    decay_ms = _median([h.decay_ms for h in near])
    centroid_hz = _median([h.centroid_hz for h in near])
    verdict = partial(Judgement, neighbour_decay_ms=decay_ms, neighbour_centroid_hz=centroid_hz)
    if here.refused or math.isnan(chance):
        return verdict("not assessed", here.refused or _NOTHING)
    if compared.crisper is not None and compared.crisper[k]:
        return verdict("not assessed", _CRISPER)
    ring = odd_ring(here, compared, k)
    furthest = _by_its_ring(ring, compared, k) or _furthest(compared, k)
    numbers = _numbers(here, len(near), decay_ms, centroid_hz, reference_decay_ms, reference_centroid_hz)
    if suspect:
        where = f"on declared {here.structure}, but unlike the others on it; " if here.structure else ""
        of, sound, taught, n = _taught(ring, compared, k)
        beyond = ", an estimate beyond what so many can show" if chance < 1 / (n + 1) else ""
        times = RARER * (
            BOTH if ring and rings_longer(compared, k) and not off_together(compared, k) else 1.0
        )
        how = f"counted {times:.0f} times, being asked beside the score; a tail" if ring else "tail"
        text = (
            f"{where}{furthest}{numbers}; {rarity(chance, of)} would {sound} ({how} fitted to "
            f"{taught}{beyond}){_in_patch(compared, k, chance, of) if with_patch else ''}; {judged} compared"
        )
        base = (
            (decay_ms, centroid_hz, _median([h.ring_db for h in near]))
            if near
            else (reference_decay_ms, reference_centroid_hz)
        )
        return verdict("suspect", text, character(here, *base), sure, with_patch=with_patch)
    if here.structure:
        text = beside_plain_skin(here.structure, compared, k, settings)
        return verdict("at structure", f"{text}; {furthest}{numbers}")
    share = f"about {100 * chance:.0f} of 100" if chance >= 0.01 else "fewer than 1 of 100"
    text = f"{share} good places would sound at least this different; {numbers}"
    if off_together(compared, k):
        text = f"{share} areas of good skin would ring so; {furthest}{numbers}"
    if sure >= settings.confidence:
        text = f"rare, but of {judged} good stations more than one would be as rare: {text}"
    if _stands_out(here.decay_ms, decay_ms) and _stands_out(here.decay_ms, reference_decay_ms):
        text += "; its decay stands out, which the verdict does not rest on: listen to it again"
    return verdict("no difference", text, "", sure)


def _in_patch(compared: Comparison, k: int, chance: float, of: str) -> str:
    """How the chance of a station in a patch counts, and why."""
    assert compared.patches is not None
    stations = len(compared.patches.of(k))
    return (
        f", which counts as {rarity(chance / WEIGHT, of)}: it lies in a patch of {stations} stations that "
        "differ together from those around them"
    )


def _by_its_ring(ring: str, compared: Comparison, k: int) -> str:
    if not ring or compared.ringing is None:
        return ""
    what = f"ring after {compared.ringing.after_ms:g} ms"
    if together := off_together(compared, k):
        usual = f"such areas of good skin ± {together.usual_db:.1f} dB"
        return f"{what} {ring} ({usual}), which together is rarer than its score; "
    usual = f"good ones ± {usual_ring_db(compared, k):.1f} dB"
    if rings_longer(compared, k):
        return f"{what} {ring} here ({usual}), {the_other_ring(compared, k)}: rarer than its score; "
    return f"{what} {ring} here ({usual}), which by itself is rarer than its score; "


def _taught(ring: str, compared: Comparison, k: int) -> tuple[str, str, str, int]:
    """What the chance of a suspect is a share of, what that does, what taught it, and how many taught it."""
    together, law = off_together(compared, k), compared.ringing
    if not ring or law is None:
        taught = f"{compared.n_good} good places and stations"
        return "good place", "sound this different", taught, compared.n_good
    if together is None:
        how = "ring this short"
        if rings_longer(compared, k):
            among = len(counted_together(compared)[k])
            how = f"lie among {among} side by side that ring on" if among else "ring this long"
        return "good place", how, f"{law.places} good places and stations", law.places
    how = "ring this short" if together.off_db[k] < 0 else "ring this long"
    return "area of good skin", how, f"areas among {together.stations} stations", together.stations // AREA


def _stands_out(decay_ms: float, usual_ms: float) -> bool:
    """Whether a person would notice; not where either could not be read."""
    return bool(max(decay_ms / usual_ms, usual_ms / decay_ms) > _STANDS_OUT)


def _furthest(compared: Comparison, k: int) -> str:
    """The part that counts most, in words: how far it was heard off, beside how far good ones stray."""
    if compared.difference is None or compared.heard is None or compared.usual_in_parts is None:
        return ""
    step, usual = in_parts(compared.heard[k]), compared.usual_in_parts
    named = in_parts(worth_naming(compared, k))
    n = int(np.argmax(np.abs(named) / np.maximum(usual, 1e-9)))
    what = part_names(len(compared.heard[k]))[n]
    side = "above" if step[n] > 0 else "below"
    return f"{what} {abs(step[n]):.1f} dB {side} what was expected here (good ones ± {usual[n]:.1f} dB); "


def _numbers(
    here: Heard, n: int, decay_ms: float, centroid_hz: float, ref_decay_ms: float, ref_centroid_hz: float
) -> str:
    """Decay and centroid beside those of the neighbours and the reference, in words."""
    parts = []
    if math.isfinite(here.decay_ms):
        beside = [f"its {n} neighbours {decay_ms:.0f} ms"] if math.isfinite(decay_ms) else []
        beside += [f"the reference {ref_decay_ms:.0f} ms"] if math.isfinite(ref_decay_ms) else []
        parts.append(", ".join([f"decay {here.decay_ms:.0f} ms", *beside]))
    else:
        parts.append("no single decay could be read")
    if math.isfinite(here.centroid_hz):
        beside = []
        for name, value in (("its neighbours", centroid_hz), ("the reference", ref_centroid_hz)):
            if math.isfinite(value):
                step = here.centroid_hz - value
                beside.append(f"{abs(step):.0f} Hz {'below' if step < 0 else 'above'} {name}")
        parts.append(", ".join([f"centroid {here.centroid_hz:.0f} Hz", *beside]))
    return "; ".join(parts)


def _median(values: Sequence[float]) -> float:
    held = [v for v in values if math.isfinite(v)]
    return float(np.median(held)) if held else math.nan
