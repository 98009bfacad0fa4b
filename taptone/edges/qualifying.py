"""How small a loose patch would have been noticed under a station: the laws, the ear and the judge together.

Taps on the stated laminate are made from first principles, bonded and with a round patch of rising size under
them, at the noise of this recording. They go through the measures that every tap goes through; what a patch
changes is added to how the good stations of this panel stray, and scored by the model that judged them. It is
an estimate: of air behind the skin, one patch alone, the hammer 10 mm off its middle. Where no patch at all
would have been noticed, that nothing was noticed says nothing: the station is not assessed.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from taptone.pipeline import Judging
from taptone.pipeline.compare import shapes, softened, with_score
from taptone.pipeline.measure import measure
from taptone.pipeline.outline import outline
from taptone.settings import Settings
from taptone.survey.qualify import (
    Materials,
    between_stations_mm,
    hammer_of,
    least_radius_m,
    materials_of,
    smallest_across_m,
)
from taptone.types import BAND_CENTRES_HZ, FloatArray, Point, Result, Tap

if TYPE_CHECKING:
    from taptone.physics.panel import Build

__all__ = ["build_of", "with_smallest"]

# Diameters that are tried; nothing under 25 mm is promised: common practice, no source.
_ACROSS_M = np.array([25, 32, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400]) / 1000
_PLACES = 4
_AIM_M = 0.010  # how far off a patch's middle the hammer lands: common practice, no source
_SNR_STEP_DB, _SNR_DB = 10.0, (10.0, 50.0)
_SCORES = 0.01, 1000.0  # the score that decides is looked for between these
_RATE_HZ = 48_000
_BEFORE_S, _AFTER_S, _NOISE_S = 0.01, 0.25, 0.05
_OWN = 8  # stations of one noise that are enough to show how they stray
_DEAF = (
    "even a loose patch as wide as the panel might not have been noticed here (estimate): record again, as "
    "WAV or FLAC, nearer, when it is quieter, or with a harder or heavier hammer"
)


def with_smallest(result: Result, judging: Judging, hammer: str, settings: Settings = Settings()) -> Result:
    """Say beside every `no difference` what size of loose patch would have been noticed there.

    Parameters
    ----------
    result : Result
        What was found.
    judging : Judging
        What it was judged from.
    hammer : str
        As it was stated.
    settings : Settings, optional
        Of every stage.

    Returns
    -------
    Result
        With a clause in the reasons, one note, and ``smallest`` for the log; ``not assessed`` where not even
        a patch as wide as the panel would have been noticed.

    Examples
    --------
    >>> with_smallest(Result(None, (), (), (), (), (), (), (), (), (), ""), None, "60 g steel").notes
    ()
    """
    panel = result.panel
    told = [k for k, p in enumerate(result.points) if p.verdict == "no difference"]
    if not told:
        return result
    facts: dict[str, Any] = {}
    if panel is not None and math.isfinite(panel.spacing_m):
        facts["between_stations_mm"] = round(between_stations_mm(panel.spacing_m, panel.pattern))
    lacking = _lacking(result, hammer)
    if lacking:
        note = f"how small a patch under a station would have been noticed could not be worked out: {lacking}"
        facts["not_worked_out"] = lacking
        clause = dict.fromkeys(told, "what size of patch would have been noticed here is not known")
    else:
        sizes = _sizes(result, judging, told, hammer, settings, facts)
        clause = {k: _clause(sizes[k]) for k in told if not math.isinf(sizes[k])}
        note = _note(sizes, facts)
    if "between_stations_mm" in facts:
        note += f"; a round patch under {facts['between_stations_mm']} mm can lie between the stations"
    points = list(result.points)
    for k in told:
        p = points[k]
        points[k] = dataclasses.replace(p, reason=f"{p.reason}; {clause[k]}") if k in clause else _deaf(p)
    areas = result.areas
    if panel is not None and len(clause) < len(told):  # a deaf station bounds no area
        place = {station.label: station for station in panel.stations}
        areas = outline(
            [place[p.station] for p in points],
            [p.verdict for p in points],
            panel,
            least_radius_m=least_radius_m(panel.laminate) if panel.laminate else math.nan,
            settings=settings.extent,
        )
    return dataclasses.replace(
        result, points=tuple(points), areas=areas, notes=(*result.notes, note), smallest=facts
    )


def _lacking(result: Result, hammer: str) -> str:
    """What must be stated before a size can be worked out; empty where all is."""
    if result.panel is None or result.panel.laminate is None:
        return "state [laminate] with skin_mm, core and core_mm in the panel file"
    if hammer_of(hammer) is None:
        return f'state the hammer by its mass and tip, such as "60 g steel" (now {hammer or "nothing"!r})'
    return ""


def _clause(across_mm: float) -> str:
    if math.isnan(across_mm):
        return "what size of patch would have been noticed here is not known"
    return (
        f"a loose patch from about {across_mm:.0f} mm across centred under it would probably have been "
        "noticed (estimate)"
    )


def _deaf(point: Point) -> Point:
    """A station at which nothing could have been noticed: that it does not differ is no result."""
    return dataclasses.replace(
        point,
        verdict="not assessed",
        reason=_DEAF,
        score=math.nan,
        chance_if_good=math.nan,
        confidence=math.nan,
    )


def _note(sizes: Mapping[int, float], facts: Mapping[str, Any]) -> str:
    worst = [mm for mm in sizes.values() if math.isfinite(mm)]
    deaf = sum(math.isinf(mm) for mm in sizes.values())
    parts = []
    if worst:
        least, most = min(worst), max(worst)
        span = f"{least:.0f} mm" if least == most else f"{least:.0f} to {most:.0f} mm"
        parts.append(
            f"a loose patch from about {span} across, air behind it and centred under a station, would have "
            "been noticed nine times in ten"
        )
    if deaf:
        where = "there" if not worst else f"at {deaf} stations"
        parts.append(
            f"even a patch as wide as the panel might not have been noticed {where}, so these stations are "
            "not assessed: the recorder left too little of the sound, too much noise, skin too thick or "
            "hammer too soft"
        )
    if not parts:
        return "how small a patch under a station would have been noticed these bands do not tell"
    return f"{'; '.join(parts)} (an estimate for {', '.join(facts['stated'] + facts['assumed'])})"


def _sizes(
    result: Result,
    judging: Judging,
    told: Sequence[int],
    hammer: str,
    settings: Settings,
    facts: dict[str, Any],
) -> dict[int, float]:
    """Smallest diameter in mm for each station that shows no difference, and in `facts` what it rests on.

    Infinite where no patch would have been noticed, ``nan`` where nobody can tell.
    """
    panel = result.panel
    assert panel is not None
    assert panel.laminate is not None
    compared, laminate = judging.compared, panel.laminate
    materials, (mass_g, tip) = materials_of(laminate), hammer_of(hammer) or (0.0, "")
    core = "no core" if laminate.core == "none" else f"{laminate.core} core {laminate.core_mm:g} mm"
    facts["stated"] = [f"skin {laminate.skin_mm:g} mm", core, f"hammer {mass_g:g} g {tip}"]
    facts["assumed"] = list(materials.assumed)
    levels_db = _levels_db(result)
    good = np.asarray(compared.good, bool)
    cut = _cut(judging, told)
    widest_m = float(min(np.ptp(np.array(panel.outline), axis=0)))
    use = int(np.count_nonzero(max(widest_m, _ACROSS_M[0]) >= _ACROSS_M))
    out: dict[int, float] = {}
    facts["by_noise"] = []
    for level_db in sorted({levels_db[k] for k in told}):
        here = [k for k in told if levels_db[k] == level_db]
        across_m = math.nan
        if compared.scorer is not None and not math.isfinite(cut):  # no score would have been a suspect's
            across_m = math.inf
        elif compared.scorer is not None and compared.difference is not None:
            alike = good & np.array([other == level_db for other in levels_db], bool)
            strays = compared.difference[alike if alike.sum() >= _OWN else good]
            bands, ring_db = _made(materials, mass_g, tip, level_db, settings)
            change = _change(bands[:, : use + 1], ring_db[:, : use + 1], judging.shape.shape[1])
            if change is not None and len(strays):
                score = compared.scorer.score_samples
                across_m = smallest_across_m(_ACROSS_M[:use], softened(change), strays, score, cut)
                across_m = math.inf if math.isnan(across_m) else across_m
        out |= dict.fromkeys(here, 1000 * across_m)
        facts["by_noise"].append(
            {
                "snr_from_db": level_db,
                "stations": [result.points[k].station for k in here],
                "across_mm": round(1000 * across_m) if math.isfinite(across_m) else None,
            }
        )
    facts["score_cut"] = round(cut, 3) if math.isfinite(cut) else None
    facts["widest_mm"] = round(1000 * float(_ACROSS_M[use - 1]))
    return out


def _levels_db(result: Result) -> list[float]:
    """Each station's own distance from the noise, in steps, so that a panel needs few made taps."""
    own: dict[str, list[float]] = {}
    for tap, station in zip(result.taps, result.tap_station, strict=True):
        own.setdefault(station, []).append(tap["snr_db"])
    steps = (
        float(np.nanmedian(own[p.station])) // _SNR_STEP_DB if p.station in own else 0.0
        for p in result.points
    )
    return [float(np.clip(_SNR_STEP_DB * step, *_SNR_DB)) for step in steps]


def _cut(judging: Judging, told: Sequence[int]) -> float:
    """Score from which one of these stations would be suspect, the others as they are; ``nan`` if none."""
    compared = judging.compared
    if compared.scorer is None:
        return math.nan
    k = told[0]

    def suspect(score: float) -> bool:
        return judging.again(judging.heard, with_score(compared, k, score))[k].verdict == "suspect"

    low, high = _SCORES
    if not suspect(high):
        return math.nan
    for _ in range(14):
        middle = math.sqrt(low * high)
        low, high = (low, middle) if suspect(middle) else (middle, high)
    return high


def _change(bands: FloatArray, ring_db: FloatArray, features: int) -> FloatArray | None:
    """What patches do to the features that were compared; None where those are other ones.

    `bands` (places, 1 + sizes, bands) and `ring_db` begin with the bonded tap.
    """
    places, sizes, _ = bands.shape
    flat = shapes(bands.reshape(places * sizes, -1), features - 1)
    if flat.shape[1] != features - 1:
        return None
    flat = flat - flat.mean(axis=1, keepdims=True)
    both = np.column_stack([flat, ring_db.reshape(-1)]).reshape(places, sizes, features)
    return np.asarray(np.moveaxis(both[:, 1:] - both[:, :1], 0, 1))


# -- taps from first principles --------------------------------------------------------------------------


@lru_cache(maxsize=16)
def _made(
    materials: Materials, mass_g: float, tip: str, snr_db: float, settings: Settings
) -> tuple[FloatArray, FloatArray]:
    """Levels and ring of made taps, bonded first, then on patches of rising size.

    Shapes (places, 1 + sizes, bands) and (places, 1 + sizes).
    """
    bands, ring_db = [], []
    for place in range(_PLACES):
        sounds = _sounds(materials, mass_g, tip, place)
        rng = np.random.default_rng(place)
        first = sounds[0, : round(0.020 * _RATE_HZ)]
        noise_rms = math.sqrt(float(np.square(first).mean()) / 10 ** (snr_db / 10))
        measured = measure([_tap(sound, noise_rms, rng) for sound in sounds], settings.measure)
        bands.append([tap.bands_db for tap in measured])
        ring_db.append([tap["ring_db"] for tap in measured])
    levels, ring = np.array(bands, float), np.array(ring_db, float)
    levels.setflags(write=False)
    ring.setflags(write=False)
    return levels.reshape(*ring.shape, len(BAND_CENTRES_HZ)), ring


def build_of(materials: Materials) -> Build:
    """Make the build that the laws of physics ask for.

    Parameters
    ----------
    materials : Materials
        In SI units.

    Returns
    -------
    Build
        All that was not stated is usual.

    Examples
    --------
    >>> from taptone.types import Laminate
    >>> build_of(materials_of(Laminate(skin_mm=3.0, core="foam", core_mm=20.0))).skin_m
    0.003
    """
    from taptone.physics import scene as physics

    return physics.Build(
        name="as stated",
        skin_m=materials.skin_m,
        skin_modulus_pa=materials.skin_modulus_pa,
        core_m=materials.core_m,
        core_modulus_pa=materials.core_modulus_pa,
        core_inplane_pa=materials.core_inplane_pa,
        core_shear_pa=materials.core_shear_pa,
        core_density_kg_m3=materials.core_density_kg_m3,
    )


def _tap(sound: FloatArray, noise_rms: float, rng: np.random.Generator) -> Tap:
    """A sound that starts at its first sample, as a tap in steady noise."""
    before, after = round(_BEFORE_S * _RATE_HZ), len(sound)
    noise = noise_rms * rng.standard_normal(before + after + round(_NOISE_S * _RATE_HZ))
    clip = noise[: before + after].copy()
    clip[before:] += sound
    quiet = noise[before + after :]
    return Tap(
        "made up",
        before,
        _RATE_HZ,
        0,
        clip.astype(np.float32),
        len(clip),
        quiet.astype(np.float32),
    )


@lru_cache(maxsize=16)
def _sounds(materials: Materials, mass_g: float, tip: str, place: int) -> FloatArray:
    """Sounds of one place of a bay, bonded first, shape (1 + sizes, samples)."""
    from taptone.physics import scene as physics

    build = build_of(materials)
    apart_m = 2 * build.bay_m[0]  # the bay's modes are the same again after two of its lengths
    patches = tuple(physics.Patch(apart_m * n, 0.0, float(a) / 2) for n, a in enumerate(_ACROSS_M, start=1))
    scene = physics.Scene(
        build=build,
        hammer=physics.hammer(mass_g / 1000, tip),
        patches=patches,
        spread=physics.Spread().scaled(0.0),
        room=None,
        seed=place,
    )
    xy = [(apart_m * n + _AIM_M, 0.0) for n in range(len(_ACROSS_M) + 1)]
    clips, truths = physics.tap_sounds(
        scene, xy, rate_hz=_RATE_HZ, rng=np.random.default_rng(place), clip_s=_AFTER_S + 0.01
    )
    length = round(_AFTER_S * _RATE_HZ)
    return np.array([clip[t.sample : t.sample + length] for clip, t in zip(clips, truths, strict=True)])
