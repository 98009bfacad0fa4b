"""From a blow to the sound of it at a microphone: whole panels, tapped station by station.

A `Scene` is one panel as it is built, with its loose patches, frames and natural unevenness, and the place
it is listened to from. Everything random about the panel comes from the scene's own seed, everything random
about the tapping from the generator that is passed in; the same two give the same bytes.

The laws are in `plate` and `strike`; what is put on top of them here is said, with what is left out, in
docs/physics.md. Pressures are in Pa until a recording is scaled to full scale 1.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import butter, fftconvolve, sosfilt, zpk2sos
from scipy.special import jv

from taptone.errors import SettingError
from taptone.physics import plate, strike
from taptone.types import FloatArray

__all__ = [
    "BUILDS",
    "DAGGERBOARD",
    "FOAM_DECK",
    "HULL_SIDE",
    "PLASTIC_HAMMER",
    "STEEL_HAMMER",
    "Build",
    "Frame",
    "Hammer",
    "Local",
    "Patch",
    "Room",
    "Scene",
    "Schedule",
    "Spread",
    "TapTruth",
    "Taper",
    "damaged",
    "local",
    "recording",
    "tap_sounds",
    "tapping_times",
]

SPEED_OF_SOUND_M_S = 343.0
AIR_KG_M3 = 1.205


# -- what is tapped, with what, heard from where --------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Hammer:
    """A light hammer: effective mass, rounded tip, usual speed at the first touch."""

    mass_kg: float = 0.060
    tip_radius_m: float = 0.010
    tip_modulus_pa: float = 200e9
    tip_poisson: float = 0.30
    speed_m_s: float = 0.7


STEEL_HAMMER = Hammer()
PLASTIC_HAMMER = Hammer(tip_radius_m=0.012, tip_modulus_pa=3.5e9, tip_poisson=0.38)


@dataclass(frozen=True, slots=True)
class Build:
    """A sandwich with equal skins over a core, and the bay of it that vibrates as a whole.

    ``bay_m`` is the free span between supports; ``loss_factor`` is that of the bay's own modes,
    ``core_loss_factor`` that of the core under a blow; ``bay_radiation`` is how much of a bay mode's volume
    flow reaches the microphone (1 in an endless baffle, less where sound gets round the edge).
    """

    name: str = "foam deck"
    skin_m: float = 3.0e-3
    skin_modulus_pa: float = 12e9
    poisson: float = 0.30
    density_kg_m3: float = 1600.0
    core_m: float = 20e-3
    core_modulus_pa: float = 75e6
    core_shear_pa: float = 25e6
    core_density_kg_m3: float = 80.0
    core_loss_factor: float = 0.06
    loss_factor: float = 0.045
    bay_m: tuple[float, float] = (0.9, 0.6)
    bay_radiation: float = 0.4

    @property
    def mass_kg_m2(self) -> float:
        """Mass of both skins and core per area."""
        return 2.0 * self.density_kg_m3 * self.skin_m + self.core_density_kg_m3 * self.core_m

    def bay_modes(self, up_to_hz: float = 800.0, most: int = 10) -> tuple[tuple[float, int, int], ...]:
        """Return the bay's lowest modes as (frequency in Hz, half waves along x, along y).

        A simply supported sandwich, bending and core shear in series.

        Examples
        --------
        >>> [(round(f), i, j) for f, i, j in FOAM_DECK.bay_modes()[:3]]
        [(152, 1, 1), (250, 2, 1), (347, 1, 2)]
        """
        d = float(
            plate.sandwich_bending_stiffness(
                self.skin_modulus_pa, self.skin_m, self.core_modulus_pa, self.core_m
            )
        ) / (1.0 - self.poisson**2)
        s = float(plate.sandwich_shear_stiffness(self.core_shear_pa, self.skin_m, self.core_m))
        found = []
        for i in range(1, 7):
            for j in range(1, 5):
                k2 = np.pi**2 * ((i / self.bay_m[0]) ** 2 + (j / self.bay_m[1]) ** 2)
                omega = np.sqrt(d * k2**2 / (1.0 + d * k2 / s) / self.mass_kg_m2)
                found.append((float(omega / (2.0 * np.pi)), i, j))
        return tuple(sorted(mode for mode in found if mode[0] <= up_to_hz)[:most])


FOAM_DECK = Build()
DAGGERBOARD = Build(
    name="daggerboard",
    skin_m=2.7e-3,
    skin_modulus_pa=14e9,
    core_m=36e-3,
    core_modulus_pa=90e6,
    core_shear_pa=27e6,
    core_density_kg_m3=80.0,
    loss_factor=0.035,
    bay_m=(0.9, 0.55),
    bay_radiation=0.3,
)
HULL_SIDE = Build(
    name="hull side",
    skin_m=3.5e-3,
    skin_modulus_pa=12e9,
    core_m=15e-3,
    core_modulus_pa=90e6,
    core_shear_pa=27e6,
    loss_factor=0.05,
    bay_m=(0.8, 0.6),
)
BUILDS = {build.name: build for build in (FOAM_DECK, DAGGERBOARD, HULL_SIDE)}

#: Loss factor and mass of what clings to the loose skin (kg/m2), by how a patch sounds.
_DAMPING = {"rings": (0.03, 0.0), "dead": (0.5, 6.0)}


@dataclass(frozen=True, slots=True)
class Patch:
    """A round area where the outer skin has come off its core.

    ``damping`` is ``"rings"`` (air behind the skin) or ``"dead"`` (water or mush behind it);
    ``loss_factor`` and ``clinging_kg_m2`` override the figures that go with it.
    """

    x_m: float
    y_m: float
    radius_m: float
    damping: str = "rings"
    loss_factor: float | None = None
    clinging_kg_m2: float | None = None

    def __post_init__(self) -> None:
        if self.damping not in _DAMPING:
            choices = " or ".join(map(repr, _DAMPING))
            raise SettingError(f"damping of a patch is {self.damping!r}", hint=f"choose {choices}")
        if not self.radius_m > 0.0:
            raise SettingError(f"radius of a patch is {self.radius_m!r} m", hint="choose more than 0 m")

    @property
    def loss(self) -> float:
        """Loss factor of the loose skin's modes."""
        return _DAMPING[self.damping][0] if self.loss_factor is None else self.loss_factor

    @property
    def clinging(self) -> float:
        """Mass that moves with the loose skin, kg/m2."""
        return _DAMPING[self.damping][1] if self.clinging_kg_m2 is None else self.clinging_kg_m2


@dataclass(frozen=True, slots=True)
class Frame:
    """Structure behind the panel along a straight line: stiffer, heavier, held still."""

    x0_m: float
    y0_m: float
    x1_m: float
    y1_m: float
    width_m: float = 0.05
    stiffening: float = 4.0


@dataclass(frozen=True, slots=True)
class Taper:
    """Skin thickness that changes along the panel: 1 at (x_m, y_m), plus so much of itself a metre."""

    along_x: float = 0.0
    along_y: float = 0.0
    x_m: float = 0.0
    y_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Spread:
    """How uneven good laminate and a careful hand are.

    Fields named ``…_sd`` are standard deviations (relative, or in the unit named); fields named ``…_factor``
    are geometric standard deviations ("times or over"). All draws stop at two standard deviations.
    """

    thickness_sd: float = 0.08
    skin_modulus_sd: float = 0.08
    core_modulus_sd: float = 0.15
    loss_factor: float = 1.5
    length_m: float = 0.3
    loss_length_m: float = 0.1
    speed_factor: float = 2.0
    tip_factor: float = 1.3
    aim_sd_m: float = 0.005
    angle_sd_deg: float = 4.0
    distance_sd: float = 0.08

    def scaled(self, by: float) -> Spread:
        """Return every spread `by` times as wide; the lengths over which it varies stay.

        Examples
        --------
        >>> half = Spread().scaled(0.5)
        >>> print(f"{half.thickness_sd:.2f} {half.speed_factor:.3f}")
        0.04 1.414
        """
        values = {name: getattr(self, name) for name in self.__slots__}
        sds = {name: value * by for name, value in values.items() if "_sd" in name}
        factors = {name: value**by for name, value in values.items() if name.endswith("_factor")}
        return replace(self, **sds, **factors)


@dataclass(frozen=True, slots=True)
class Room:
    """What the surroundings add: a few early reflections and a diffuse tail that decays exponentially."""

    rt60_s: float = 0.2
    direct_to_reverberant_db: float = 26.0
    reflections: int = 2
    reflection_db: float = -22.0


@dataclass(frozen=True, slots=True)
class Scene:
    """One panel as it is, and how it is listened to.

    ``snr_db`` is the mean power of the median tap over its first 20 ms against the background's; ``None``
    leaves only the microphone's own noise. ``seed`` fixes the panel's unevenness, its bay's place and the
    room.
    """

    build: Build = FOAM_DECK
    hammer: Hammer = STEEL_HAMMER
    patches: tuple[Patch, ...] = ()
    frames: tuple[Frame, ...] = ()
    taper: Taper = field(default_factory=Taper)
    spread: Spread = field(default_factory=Spread)
    room: Room | None = field(default_factory=Room)
    snr_db: float | None = 45.0
    microphone_noise_db_spl: float | None = 32.0
    distance_m: float = 0.5
    listening_angle_deg: float = 35.0
    bounce_chance: float = 0.005
    loose_bounce_chance: float = 0.06
    seed: int = 0


@dataclass(frozen=True, slots=True)
class TapTruth:
    """What is known of one tap.

    ``sample`` is the first sample at which its sound is at the microphone (-1 for a missed tap), ``kind``
    one of ``tap``, ``extra``, ``bounce``, ``missed``. Stiffnesses are static and local, where the hammer
    landed; ``bonded_stiffness_n_m`` is what the same skin would have if it were bonded there.
    ``to_edge_m`` is the way to the nearest patch edge, negative inside a patch.
    """

    sample: int
    time_s: float
    delay_s: float
    station: int
    row: int
    kind: str
    x_m: float
    y_m: float
    loose: bool
    stiffness_n_m: float
    bonded_stiffness_n_m: float
    to_edge_m: float
    contact_ms: float
    peak_n: float

    @property
    def ratio(self) -> float:
        """Local static stiffness over that of the bonded skin, 0 to 1."""
        return self.stiffness_n_m / self.bonded_stiffness_n_m

    @property
    def missed(self) -> bool:
        """Whether the tap was planned but never struck."""
        return self.kind == "missed"

    @property
    def is_bounce(self) -> bool:
        """Whether it is an unwanted second contact."""
        return self.kind == "bounce"


# -- taps and recordings --------------------------------------------------------------------------------


def tap_sounds(
    scene: Scene, places_xy: ArrayLike, *, rate_hz: int, rng: np.random.Generator, clip_s: float = 0.3
) -> tuple[FloatArray, tuple[TapTruth, ...]]:
    """Tap each place once and listen, without noise.

    Parameters
    ----------
    scene : Scene
    places_xy : array_like, shape (n, 2)
        Where the hammer is aimed, in m.
    rate_hz : int
        Sample rate.
    rng : numpy.random.Generator
        Source of the hand's variation.
    clip_s : float, optional
        Length of each clip; it starts at the first touch.

    Returns
    -------
    clips : numpy.ndarray, shape (n, samples)
        Pressure at the microphone in Pa, exactly zero before the onset.
    truths : tuple of TapTruth
        ``sample`` counts from the start of the clip.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> scene = Scene(patches=(Patch(0.5, 0.0, 0.08),))
    >>> clips, truths = tap_sounds(scene, [[0.0, 0.0], [0.5, 0.0]], rate_hz=48000, rng=rng)
    >>> clips.shape, [truth.loose for truth in truths]
    ((2, 14400), [False, True])
    """
    aimed = _aimed(places_xy)
    samples = round(clip_s * rate_hz)
    blows = _draw(scene, aimed, rng)
    onsets, sounds, truths = _hear(scene, blows, np.zeros(len(aimed)), rate_hz, samples)
    clips = np.zeros((len(aimed), samples))
    for clip, onset, sound in zip(clips, onsets, sounds, strict=True):
        clip[onset:] = sound[: samples - onset]
    return clips, truths


@dataclass(frozen=True, slots=True, eq=False)
class Schedule:
    """Strikes in the order of time: when, aimed where, for which station and row, and what becomes of it.

    ``kind`` of a strike is ``tap``, ``extra``, ``missed`` or ``bounced`` (a tap with an unwanted second
    contact).
    """

    times_s: FloatArray
    xy: FloatArray
    station: NDArray[np.intp]
    row: NDArray[np.intp]
    kind: tuple[str, ...]


def tapping_times(
    stations_xy: ArrayLike,
    rows: ArrayLike,
    taps_per_station: int = 1,
    *,
    rng: np.random.Generator,
    gap_s: float = 1.0,
    within_gap_s: float = 0.5,
    row_pause_s: float = 3.0,
    jitter: float = 0.12,
    start_s: float = 1.0,
) -> Schedule:
    """Lay out the strikes of a panel in time.

    Parameters
    ----------
    stations_xy : array_like, shape (n, 2)
        Stations in tapping order.
    rows : array_like, shape (n,)
        Row of each station.
    taps_per_station : int, optional
    rng : numpy.random.Generator
    gap_s, within_gap_s, row_pause_s : float, optional
        Time from one station to the next, between strikes at one station, and from row to row.
    jitter : float, optional
        Relative standard deviation of every gap.
    start_s : float, optional
        Time of the first strike.

    Returns
    -------
    Schedule

    Examples
    --------
    >>> stations, rng = [[0, 0], [0.1, 0], [0, 0.1]], np.random.default_rng(0)
    >>> plan = tapping_times(stations, [0, 0, 1], 2, rng=rng, jitter=0.0)
    >>> print(plan.times_s)
    [1.  1.5 2.5 3.  6.  6.5]
    """
    xy, row = _aimed(stations_xy), np.asarray(rows, np.intp)
    station = np.repeat(np.arange(len(xy)), taps_per_station)
    within = np.arange(len(station)) % taps_per_station > 0
    new_row = np.append(False, np.diff(row[station]) != 0)
    gaps = np.where(within, within_gap_s, np.where(new_row, row_pause_s, gap_s))
    gaps = gaps * (1.0 + jitter * _normal(rng, len(gaps)))
    gaps[:1] = start_s
    kinds = ("tap",) * len(station)
    return Schedule(np.cumsum(gaps), xy[station], station, row[station], kinds)


def damaged(
    schedule: Schedule,
    *,
    rng: np.random.Generator,
    share: float = 0.3,
    kinds: Sequence[str] = ("missed", "extra", "bounced"),
) -> Schedule:
    """Spoil one strike in a share of the rows: never struck, struck twice, or bounced.

    Parameters
    ----------
    schedule : Schedule
    rng : numpy.random.Generator
    share : float, optional
        Share of rows that are spoilt.
    kinds : sequence of str, optional
        What may happen; one is drawn for each spoilt row.

    Returns
    -------
    Schedule

    Examples
    --------
    >>> rng = np.random.default_rng(3)
    >>> plan = tapping_times(np.zeros((6, 2)), [0, 0, 0, 1, 1, 1], rng=rng)
    >>> sorted(damaged(plan, rng=rng, share=1.0, kinds=["missed"]).kind)
    ['missed', 'missed', 'tap', 'tap', 'tap', 'tap']
    """
    times, kind = schedule.times_s, list(schedule.kind)
    extra: list[tuple[float, int]] = []
    all_rows = np.unique(schedule.row)
    for row in rng.permutation(all_rows)[: round(share * len(all_rows))]:
        here = np.flatnonzero(schedule.row == row)
        hit, what = int(rng.choice(here)), str(rng.choice(list(kinds)))
        if what == "extra":
            free = min([1.0, *np.diff(times[hit : hit + 2])])
            extra.append((float(times[hit] + rng.uniform(0.4, 0.6) * free), hit))
        else:
            kind[hit] = what
    source = np.array([*range(len(times)), *(hit for _, hit in extra)], np.intp)
    when = np.array([*times, *(time for time, _ in extra)])
    kind += ["extra"] * len(extra)
    order = np.argsort(when, kind="stable")
    source = source[order]
    return Schedule(
        when[order],
        schedule.xy[source],
        schedule.station[source],
        schedule.row[source],
        tuple(kind[i] for i in order),
    )


def recording(
    scene: Scene, schedule: Schedule, *, rate_hz: int, rng: np.random.Generator, clip_s: float = 0.3
) -> tuple[NDArray[np.float32], list[TapTruth]]:
    """Record a panel while it is tapped to a schedule.

    Parameters
    ----------
    scene : Scene
    schedule : Schedule
        From `tapping_times`, perhaps `damaged`.
    rate_hz : int
        Sample rate.
    rng : numpy.random.Generator
        Source of the hand's variation and of the noise.
    clip_s : float, optional
        How long each tap is followed.

    Returns
    -------
    samples : numpy.ndarray of float32, shape (samples,)
        Scaled so that the loudest peak is at -6 dB of full scale.
    truths : list of TapTruth
        In the order of time; missed taps stand where they should have been.

    Examples
    --------
    >>> rng = np.random.default_rng(5)
    >>> plan = tapping_times([[0.0, 0.0], [0.1, 0.0]], [0, 0], rng=rng)
    >>> samples, truths = recording(Scene(), plan, rate_hz=48000, rng=rng)
    >>> print(f"{np.abs(samples).max():.3f}", [truth.kind for truth in truths])
    0.501 ['tap', 'tap']
    """
    struck = np.array([kind != "missed" for kind in schedule.kind], bool)
    kinds = np.array(["tap" if kind == "bounced" else kind for kind in schedule.kind], object)
    blows = _draw(scene, schedule.xy, rng)
    times = schedule.times_s
    source = np.arange(len(times))

    bounced = struck & _bounces(scene, blows, schedule.kind, rng)
    later = times[bounced] + rng.uniform(0.020, 0.100, bounced.sum())
    weaker = 10.0 ** (-rng.uniform(8.0, 20.0, bounced.sum()) / 20.0)
    blows = _joined(blows, blows.taken(bounced, weaker))
    times, kinds = np.append(times, later), np.append(kinds, ["bounce"] * len(later))
    source, struck = np.append(source, source[bounced]), np.append(struck, np.ones(len(later), bool))
    order = np.argsort(times, kind="stable")
    blows, times, kinds = blows.taken(order), times[order], kinds[order]
    source, struck = source[order], struck[order]

    samples = round(clip_s * rate_hz)
    onsets, sounds, truths = _hear(scene, blows, times, rate_hz, samples)
    sounds = sounds * struck[:, None]
    told = [
        replace(
            truth,
            sample=truth.sample if is_struck else -1,
            kind=str(kind),
            station=int(schedule.station[i]),
            row=int(schedule.row[i]),
        )
        for truth, kind, i, is_struck in zip(truths, kinds, source, struck, strict=True)
    ]

    sound = np.zeros(int(onsets.max(initial=0)) + samples + round(0.5 * rate_hz))
    tapped = _in_room(scene, sounds, rate_hz)
    for onset, tap in zip(onsets[struck], tapped[struck], strict=True):
        tail = sound[onset : onset + len(tap)]
        tail += tap[: len(tail)]
    sound += _noise(scene, sounds[struck], len(sound), rate_hz, rng)
    loudest = float(np.abs(sound).max(initial=0.0))
    return (sound * (10.0 ** (-6.0 / 20.0) / loudest if loudest else 1.0)).astype(np.float32), told


def _bounces(
    scene: Scene, blows: _Blows, kinds: Sequence[str], rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Say which strikes touch a second time: those told to, and some by chance, more on springy skin."""
    chance = np.where(local(scene, blows.xy).loose, scene.loose_bounce_chance, scene.bounce_chance)
    return np.array([kind == "bounced" for kind in kinds], bool) | (rng.random(len(kinds)) < chance)


# -- the panel where it is struck -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Local:
    """The panel at n places; every array has shape (n,) or, for the bay, (n, modes)."""

    skin_m: FloatArray
    skin_modulus_pa: FloatArray
    bending_nm: FloatArray
    skin_kg_m2: FloatArray
    panel_kg_m2: FloatArray
    foundation_pa_m: FloatArray
    bonded_stiffness_n_m: FloatArray
    stiffness_n_m: FloatArray
    loss: FloatArray
    stiffening: FloatArray
    loose: NDArray[np.bool_]
    radius_m: FloatArray
    rho: FloatArray
    patch_loss: FloatArray
    clinging_kg_m2: FloatArray
    to_edge_m: FloatArray
    bay_shape: FloatArray
    bay_hz: FloatArray

    @property
    def ratio(self) -> FloatArray:
        """Local static stiffness over that of the bonded skin."""
        return np.asarray(self.stiffness_n_m / self.bonded_stiffness_n_m)


def local(scene: Scene, places_xy: ArrayLike) -> Local:
    """Work out what the panel is at given places.

    Parameters
    ----------
    scene : Scene
    places_xy : array_like, shape (n, 2)
        In m.

    Returns
    -------
    Local

    Notes
    -----
    A loose skin is taken as a clamped disc in series with the bonded skin it hangs on, so that it becomes
    the bonded skin at its edge and when it shrinks to nothing.

    Examples
    --------
    >>> scene = Scene(patches=(Patch(0.0, 0.0, 0.05),), spread=Spread().scaled(0.0))
    >>> print(np.round(local(scene, [[0.0, 0.0], [0.04, 0.0], [0.05, 0.0]]).ratio, 2))
    [0.18 0.63 1.  ]
    """
    build, spread, xy = scene.build, scene.spread, _aimed(places_xy)
    x, y = xy.T

    taper = 1.0 + scene.taper.along_x * (x - scene.taper.x_m) + scene.taper.along_y * (y - scene.taper.y_m)
    uneven = [_field(scene.seed, i, xy, spread.length_m) for i in range(3)]
    skin_m = build.skin_m * np.clip(taper, 0.2, 5.0) * (1.0 + spread.thickness_sd * uneven[0])
    modulus = build.skin_modulus_pa * (1.0 + spread.skin_modulus_sd * uneven[1])
    core_pa = build.core_modulus_pa * (1.0 + spread.core_modulus_sd * uneven[2])
    loss = spread.loss_factor ** _field(scene.seed, 3, xy, spread.loss_length_m)

    framed = np.zeros(len(xy))
    stiffening = np.ones(len(xy))
    for frame in scene.frames:
        here = _at_frame(frame, xy)
        framed = np.maximum(framed, here)
        stiffening = np.maximum(stiffening, 1.0 + (frame.stiffening - 1.0) * here)

    bending = plate.bending_stiffness(modulus, skin_m, build.poisson)
    foundation = core_pa / build.core_m * stiffening
    bonded = plate.foundation_stiffness(bending, foundation)
    skin_kg = build.density_kg_m3 * skin_m
    panel_kg = 2.0 * skin_kg + build.core_density_kg_m3 * build.core_m

    radius, rho = np.ones(len(xy)), np.ones(len(xy))
    patch_loss, clinging, to_edge = np.zeros(len(xy)), np.zeros(len(xy)), np.full(len(xy), np.inf)
    for patch in scene.patches:
        away = np.hypot(x - patch.x_m, y - patch.y_m)
        to_edge = np.minimum(to_edge, away - patch.radius_m)
        # Where patches overlap, the one that is softer at this place is struck.
        softness = (patch.radius_m * (1.0 - (away / patch.radius_m) ** 2)) ** 2
        wins = (away < patch.radius_m) & (softness > (radius * (1.0 - rho**2)) ** 2)
        radius, rho = np.where(wins, patch.radius_m, radius), np.where(wins, away / patch.radius_m, rho)
        patch_loss = np.where(wins, patch.loss, patch_loss)
        clinging = np.where(wins, patch.clinging, clinging)
    give = 1.0 / bonded + 1.0 / plate.clamped_circle_stiffness(bending, radius, rho * radius)

    hz, shape = _bay(scene, xy)
    return Local(
        skin_m=skin_m,
        skin_modulus_pa=modulus,
        bending_nm=bending,
        skin_kg_m2=skin_kg,
        panel_kg_m2=panel_kg * (1.0 + 0.25 * (stiffening - 1.0)),
        foundation_pa_m=foundation,
        bonded_stiffness_n_m=bonded,
        stiffness_n_m=1.0 / give,
        loss=loss,
        stiffening=stiffening,
        loose=rho < 1.0,
        radius_m=radius,
        rho=rho,
        patch_loss=patch_loss,
        clinging_kg_m2=clinging,
        to_edge_m=to_edge,
        bay_shape=shape * (1.0 - 0.7 * framed)[:, None],
        bay_hz=hz,
    )


def _bay(scene: Scene, xy: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Frequencies of the bay's modes, and for each place shape times share of the force that is radiated."""
    modes = scene.build.bay_modes()
    rng = np.random.default_rng([scene.seed, 4])
    origin = rng.uniform(0.0, 1.0, 2) * scene.build.bay_m
    hz = np.array([f for f, _, _ in modes]) * (1.0 + 0.03 * _normal(rng, len(modes)))
    i, j = np.array([[i, j] for _, i, j in modes]).T
    phase = np.pi * (xy - origin) / scene.build.bay_m
    shape = np.sin(np.outer(phase[:, 0], i)) * np.sin(np.outer(phase[:, 1], j)) * 16.0 / (np.pi**2 * i * j)
    return hz, shape * scene.build.bay_radiation


def _at_frame(frame: Frame, xy: FloatArray) -> FloatArray:
    """1 over the frame, falling to 0 over a quarter of its width on either side."""
    start = np.array([frame.x0_m, frame.y0_m])
    along = np.array([frame.x1_m, frame.y1_m]) - start
    t = np.clip((xy - start) @ along / max(float(along @ along), 1e-12), 0.0, 1.0)
    away = np.hypot(*(xy - start - t[:, None] * along).T)
    return np.asarray(np.clip(1.5 - away / (frame.width_m / 2.0), 0.0, 0.5) * 2.0)


def _field(seed: int, which: int, xy: FloatArray, length_m: float) -> FloatArray:
    """Draw a smooth random field of unit variance, correlated as ``exp(-d^2 / (2 length^2))``.

    A sum of 128 plane waves: it can be asked at any place at any time, and always answers the same.
    """
    rng = np.random.default_rng([seed, which])
    k = rng.standard_normal((2, 128)) / length_m
    waves = np.cos(xy @ k + rng.uniform(0.0, 2.0 * np.pi, 128))
    return np.asarray(np.clip(waves.sum(axis=1) * np.sqrt(2.0 / 128.0), -2.0, 2.0))


# -- the blow -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Blows:
    """How n blows land: place, speed, hardness of the contact, distance of the microphone."""

    xy: FloatArray
    speed_m_s: FloatArray
    hardness: FloatArray
    distance_m: FloatArray

    def taken(self, which: NDArray[np.generic], speed: ArrayLike = 1.0) -> _Blows:
        """Return some of them, perhaps slower."""
        return _Blows(
            self.xy[which], self.speed_m_s[which] * speed, self.hardness[which], self.distance_m[which]
        )


def _joined(one: _Blows, two: _Blows) -> _Blows:
    return _Blows(
        np.concatenate((one.xy, two.xy)),
        np.append(one.speed_m_s, two.speed_m_s),
        np.append(one.hardness, two.hardness),
        np.append(one.distance_m, two.distance_m),
    )


def _draw(scene: Scene, aimed: FloatArray, rng: np.random.Generator) -> _Blows:
    """Draw what a hand makes of it."""
    n, spread = len(aimed), scene.spread
    angle = np.radians(spread.angle_sd_deg) * _normal(rng, n)
    return _Blows(
        xy=aimed + spread.aim_sd_m * _normal(rng, (n, 2)),
        speed_m_s=scene.hammer.speed_m_s * spread.speed_factor ** _normal(rng, n) * np.cos(angle),
        hardness=spread.tip_factor ** _normal(rng, n),
        distance_m=scene.distance_m * (1.0 + spread.distance_sd * _normal(rng, n)),
    )


def _normal(rng: np.random.Generator, shape: int | tuple[int, ...]) -> FloatArray:
    """Draw from the standard normal, stopped at two."""
    return np.clip(rng.standard_normal(shape), -2.0, 2.0)


def _aimed(xy: ArrayLike) -> FloatArray:
    places = np.asarray(xy, float).reshape(-1, 2)
    if not np.isfinite(places).all():
        raise SettingError("a place to tap is not a number", hint="give x and y of every place in metres")
    return places


def _strike(scene: Scene, here: Local, blows: _Blows, disc: _Disc | None, dt_s: float) -> strike.Blow:
    """Let the hammer meet the sandwich, and the loose disc on top of it if there is one."""
    build, hammer = scene.build, scene.hammer
    steps = round((0.005 if disc is None else 0.020) / dt_s)
    time = np.asarray(np.arange(steps) * dt_s, np.float64)
    contact = strike.contact_modulus(
        hammer.tip_modulus_pa, hammer.tip_poisson, here.skin_modulus_pa, build.poisson
    )
    # The struck face moves by half against the other face, on half the core, and by half together with it.
    response = 0.5 * strike.plate_on_foundation_response(
        time,
        plate.point_impedance(here.bending_nm, here.panel_kg_m2 / 2.0),
        np.sqrt(2.0 * here.foundation_pa_m / (here.panel_kg_m2 / 2.0)) / (2.0 * np.pi),
        build.core_loss_factor,
    )
    whole = plate.sandwich_bending_stiffness(
        here.skin_modulus_pa, here.skin_m, here.foundation_pa_m * build.core_m, build.core_m
    ) / (1.0 - build.poisson**2)
    response += strike.sandwich_response(
        time,
        whole - 2.0 * here.bending_nm,
        2.0 * here.bending_nm,
        plate.sandwich_shear_stiffness(build.core_shear_pa, here.skin_m, build.core_m) * here.stiffening,
        here.panel_kg_m2,
        build.core_loss_factor,
    )
    compliance: ArrayLike = 0.0
    if disc is not None:
        response += disc.response(time)
        compliance = disc.rest_m_n
    return strike.strike(
        hammer.mass_kg,
        strike.hertz_stiffness(contact * blows.hardness, hammer.tip_radius_m),
        blows.speed_m_s,
        compliance_m_n=compliance,
        response=response,
        dt_s=dt_s,
        longest_s=time[-1],
    )


# -- the loose skin as a disc ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Disc:
    """Modes of n loose discs, arrays of shape (n, modes); modes too high to follow have no part.

    ``drive`` is the mode's shape where it is struck, ``flow`` the mean of the shape over the disc as heard
    from the microphone, ``thrust`` the plain mean. ``rest_m_n`` is the compliance of the modes left out.
    """

    pole: NDArray[np.complex128]
    drive: FloatArray
    flow: FloatArray
    thrust: FloatArray
    mass_kg: FloatArray
    rest_m_n: FloatArray

    def response(self, time_s: FloatArray) -> FloatArray:
        """Displacement per impulse at the struck point, shape (n, steps)."""
        out = np.zeros((len(self.pole), len(time_s)))
        for pole, part in zip(self.pole.T, (self.drive**2 / self.mass_kg).T, strict=True):
            out += (
                (part / pole.imag)[:, None]
                * np.exp(np.outer(pole.real, time_s))
                * np.sin(np.outer(pole.imag, time_s))
            )
        return out


#: Modes of the disc above this are taken as a static compliance.
_HIGHEST_HZ = 20e3


def _disc(scene: Scene, here: Local) -> _Disc:
    diameters, lambda2, nodes, weights, shapes = _disc_modes()
    mass_kg_m2 = here.skin_kg_m2 + here.clinging_kg_m2
    hz = plate.natural_frequency(
        lambda2, here.radius_m[:, None], here.bending_nm[:, None], mass_kg_m2[:, None]
    )
    omega, kept = 2.0 * np.pi * hz, hz < _HIGHEST_HZ
    zeta = np.minimum(0.5 * here.patch_loss * here.loss, 0.5)[:, None]
    pole = omega * (-zeta + 1j * np.sqrt(1.0 - zeta**2))

    drive = np.stack([plate.clamped_circle_shape(n, s, here.rho) for n, s in _DISC_FAMILIES], axis=1)
    mass = mass_kg_m2 * np.pi * here.radius_m**2
    drive = np.where(kept, drive, 0.0)
    static = (1.0 - here.rho**2) ** 2 * here.radius_m**2 / (16.0 * np.pi * here.bending_nm)
    rest = np.maximum(static - (drive**2 / (mass[:, None] * omega**2)).sum(axis=1), 0.0)

    across = np.sin(np.radians(scene.listening_angle_deg))
    wave = omega / SPEED_OF_SOUND_M_S * here.radius_m[:, None] * across
    heard = jv(diameters[:, None], wave[:, :, None] * nodes)
    flow = 2.0 * (shapes * heard * (weights * nodes)).sum(axis=2)
    thrust = 2.0 * (shapes * (weights * nodes)).sum(axis=1) * (diameters == 0)
    return _Disc(pole, drive, flow, np.broadcast_to(thrust, drive.shape), mass[:, None], rest)


#: (nodal diameters, nodal circles) of the modes that are followed: all with lambda^2 below 330.
_DISC_FAMILIES = tuple(
    (n, s) for n in range(12) for s in range(6) if plate.clamped_circle_lambda2(n, s) < 330.0
)


@cache
def _disc_modes() -> tuple[NDArray[np.intp], FloatArray, FloatArray, FloatArray, FloatArray]:
    """Nodal diameters and frequency parameters; radial nodes, weights and shapes for integrals."""
    x, w = np.polynomial.legendre.leggauss(24)
    nodes = 0.5 * (x + 1.0)
    shapes = np.stack([plate.clamped_circle_shape(n, s, nodes) for n, s in _DISC_FAMILIES])
    lambda2 = np.array([plate.clamped_circle_lambda2(n, s) for n, s in _DISC_FAMILIES])
    return np.array([n for n, _ in _DISC_FAMILIES]), lambda2, nodes, 0.5 * w, shapes


# -- from force to microphone ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Transfer:
    """Volume acceleration of the panel per force, m3/s2 per N, as a sum of poles.

    ``direct + 2 Re sum residue / (s - pole)``; ``direct`` has shape (n,), the others (n, poles).
    """

    direct: FloatArray
    pole: NDArray[np.complex128]
    residue: NDArray[np.complex128]


def _transfer(scene: Scene, here: Local, disc: _Disc | None) -> _Transfer:
    """Work out what the panel radiates.

    Each mode carries ``c s^2 / (s^2 + 2 z w s + w^2) = c (1 - g)``: at once it follows the force, then it
    rings. The force on an endless panel accelerates its mass, F/m'; the bay's modes and the skin's spring on
    the core add their ringing; a loose disc takes what it needs to move itself and passes on the rest.
    """
    build = scene.build
    half = 0.5 * here.panel_kg_m2
    thickness = np.sqrt(2.0 * here.foundation_pa_m / half)  # two half panels on the core between them
    omega = np.column_stack((2.0 * np.pi * np.broadcast_to(here.bay_hz, here.bay_shape.shape), thickness))
    zeta = 0.5 * np.column_stack(
        (
            np.broadcast_to((build.loss_factor * here.loss)[:, None], here.bay_shape.shape),
            build.core_loss_factor * here.loss,
        )
    )
    zeta = np.minimum(zeta, 0.5)
    pole = omega * (-zeta + 1j * np.sqrt(1.0 - zeta**2))
    part = np.column_stack((here.bay_shape, np.ones(len(half)))) / here.panel_kg_m2[:, None]
    direct = 2.0 / here.panel_kg_m2
    ring = np.asarray(pole**2 / (2j * pole.imag), np.complex128)
    if disc is None:
        return _Transfer(direct, pole, part * ring)

    def lag(s: NDArray[np.complex128], p: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """``g`` of modes `p` at complex frequencies `s`; shape (n, s, p)."""
        w2, damping = np.abs(p[:, None, :]) ** 2, -2.0 * p.real[:, None, :]
        s = s[:, :, None]
        return np.asarray((damping * s + w2) / (s**2 + damping * s + w2))

    taken = disc.drive * disc.thrust
    flow = disc.drive * disc.flow * np.pi * here.radius_m[:, None] ** 2 / disc.mass_kg
    passed = 1.0 - (taken[:, None, :] * (1.0 - lag(pole, disc.pole))).sum(axis=2)
    behind = direct[:, None] - (part[:, None, :] * lag(disc.pole, pole)).sum(axis=2)
    disc_ring = disc.pole**2 / (2j * disc.pole.imag)
    return _Transfer(
        flow.sum(axis=1) + (1.0 - taken.sum(axis=1)) * direct,
        np.concatenate((pole, disc.pole), axis=1),
        np.concatenate((part * ring * passed, disc_ring * (flow - taken * behind)), axis=1),
    )


def _hear(
    scene: Scene, blows: _Blows, times_s: FloatArray, rate_hz: int, samples: int
) -> tuple[NDArray[np.intp], FloatArray, tuple[TapTruth, ...]]:
    """Strike and listen: first sample of each tap at the microphone, the sound from there, the truth."""
    n = len(times_s)
    here = local(scene, blows.xy)
    finer = -(-_FINE_HZ // rate_hz)
    delay = blows.distance_m / SPEED_OF_SOUND_M_S
    arrival = np.rint((times_s + delay) * rate_hz * finer).astype(np.intp)
    onsets = arrival // finer + 1  # at the arrival itself the force is still zero
    offset = onsets * finer - arrival

    sounds, contact, peak = np.zeros((n, samples)), np.zeros(n), np.zeros(n)
    for loose in (False, True):
        which = np.flatnonzero(here.loose == loose)
        for some in np.array_split(which, -(-len(which) // _TAPS_AT_ONCE) or 1):
            if not len(some):
                continue
            part = _part(here, some)
            disc = _disc(scene, part) if loose else None
            blow = _strike(scene, part, blows.taken(some), disc, 1.0 / (rate_hz * finer))
            sounds[some] = _radiated(
                blow.force_n, _transfer(scene, part, disc), offset[some], rate_hz, finer, samples
            )
            contact[some], peak[some] = blow.contact_s, blow.peak_n
    sounds *= (AIR_KG_M3 / (2.0 * np.pi * blows.distance_m))[:, None]
    sounds = sosfilt(butter(2, _LOWEST_HZ, "high", fs=rate_hz, output="sos"), sounds, axis=1)
    truths = tuple(
        TapTruth(
            sample=int(onsets[i]),
            time_s=float(times_s[i]),
            delay_s=float(delay[i]),
            station=i,
            row=0,
            kind="tap",
            x_m=float(blows.xy[i, 0]),
            y_m=float(blows.xy[i, 1]),
            loose=bool(here.loose[i]),
            stiffness_n_m=float(here.stiffness_n_m[i]),
            bonded_stiffness_n_m=float(here.bonded_stiffness_n_m[i]),
            to_edge_m=float(here.to_edge_m[i]),
            contact_ms=float(contact[i] * 1e3),
            peak_n=float(peak[i]),
        )
        for i in range(n)
    )
    return onsets, sounds, truths


#: Contact is stepped at least this fast, at a whole multiple of the sample rate.
_FINE_HZ = 176_400
#: A microphone's lower limit.
_LOWEST_HZ = 60.0
#: Bounds the memory of a long recording.
_TAPS_AT_ONCE = 128


def _part(here: Local, which: NDArray[np.intp]) -> Local:
    """Return the panel at some of its places."""
    values = {name: getattr(here, name) for name in here.__slots__}
    return Local(**{name: v if name == "bay_hz" else v[which] for name, v in values.items()})


def _radiated(
    force: FloatArray,
    transfer: _Transfer,
    offset: NDArray[np.intp],
    rate_hz: int,
    finer: int,
    samples: int,
) -> FloatArray:
    """Volume acceleration at the sample rate, from the onset on, behind a causal anti-alias filter.

    During the contact everything runs at the fine rate; afterwards only decaying modes are left, and those
    are known exactly, filter included.
    """
    dt = 1.0 / (rate_hz * finer)
    low_pass = butter(8, 0.42 * rate_hz, fs=rate_hz * finer, output="sos")
    window = min(-(-force.shape[1] // finer) + _SETTLE_SAMPLES, samples)
    steps = window * finer + 1
    force = np.pad(force, ((0, 0), (0, max(0, steps - force.shape[1]))))[:, :steps]

    fine, ringing = _driven(force, transfer, dt)
    fine = sosfilt(low_pass, fine, axis=1)
    at = offset[:, None] + finer * np.arange(window)
    early = np.take_along_axis(fine, at, axis=1)

    z = np.exp(transfer.pole * dt)
    ringing = ringing * _gain(low_pass, z) * z ** offset[:, None]
    late = _decaying(ringing, transfer.pole / rate_hz, samples - window)
    return np.concatenate((early, late), axis=1)


#: After this many samples nothing of the anti-alias filter's own transient is left (e^-25).
_SETTLE_SAMPLES = 50


def _driven(force: FloatArray, transfer: _Transfer, dt: float) -> tuple[FloatArray, NDArray[np.complex128]]:
    """Run every mode under the force (straight between steps); return the sum, and each mode at the end."""
    p = transfer.pole * dt
    grow = np.exp(p)
    new = dt * (grow - 1.0 - p) / p**2
    old = dt * (grow - 1.0) / p - new
    state = np.zeros_like(p)
    out = transfer.direct[:, None] * force
    for i in range(1, force.shape[1]):
        state = grow * state + old * force[:, i - 1, None] + new * force[:, i, None]
        out[:, i] += 2.0 * (transfer.residue * state).real.sum(axis=1)
    return out, transfer.residue * state


def _gain(sos: FloatArray, z: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Response of a filter to a decaying mode ``z^n``."""
    gain = np.ones_like(z)
    for b0, b1, b2, a0, a1, a2 in sos:
        gain *= (b0 + b1 / z + b2 / z**2) / (a0 + a1 / z + a2 / z**2)
    return gain


def _decaying(start: NDArray[np.complex128], p: NDArray[np.complex128], samples: int) -> FloatArray:
    """Sum of ``2 Re start exp(p k)`` for k from 0; as a product of coarse and fine steps."""
    block = 128
    blocks = -(-samples // block)
    coarse = start[:, None, :] * np.exp(p[:, None, :] * (block * np.arange(blocks))[:, None])
    fine = np.exp(p[:, :, None] * np.arange(block))
    return np.asarray(2.0 * (coarse @ fine).real.reshape(len(p), -1)[:, :samples])


# -- room and noise -------------------------------------------------------------------------------------


def _in_room(scene: Scene, sounds: FloatArray, rate_hz: int) -> FloatArray:
    """Add what the room sends back to each tap; nothing comes before the tap itself."""
    if scene.room is None or not len(sounds):
        return sounds
    echo = _echo(scene.room, scene.seed, rate_hz)
    out = np.pad(sounds, ((0, 0), (0, len(echo) - 1)))
    for row, sound in zip(out, sounds, strict=True):
        row += fftconvolve(sound, echo)
    return out


def _echo(room: Room, seed: int, rate_hz: int) -> FloatArray:
    """Impulse response of the room without the direct sound, which is 1 at sample 0."""
    rng = np.random.default_rng([seed, 5])
    first_s = 0.004
    early = [
        (delay_s, rng.choice((-1.0, 1.0)) * 10.0 ** ((room.reflection_db - rng.uniform(0.0, 6.0)) / 20.0))
        for delay_s in rng.uniform(first_s, 0.03, room.reflections)
    ]
    time = np.arange(round(max(room.rt60_s, 0.04) * rate_hz)) / rate_hz
    tail = np.exp(-3.0 * np.log(10.0) * time / room.rt60_s) * (time >= first_s)
    tail *= rng.standard_normal(len(time))
    tail *= 10.0 ** (-room.direct_to_reverberant_db / 20.0) / float(np.sqrt((tail**2).sum()))
    for delay_s, strength in early:
        tail[round(delay_s * rate_hz)] += strength
    return np.asarray(tail)


def _noise(
    scene: Scene, sounds: FloatArray, samples: int, rate_hz: int, rng: np.random.Generator
) -> FloatArray:
    """Background, falling by about 3 dB an octave, and the microphone's own white noise; in Pa."""
    noise = np.zeros(samples)
    if scene.snr_db is not None and len(sounds):
        power = np.median((sounds[:, : round(0.02 * rate_hz)] ** 2).mean(axis=1))
        background = _pink(rng.standard_normal(samples), rate_hz)
        noise += background * np.sqrt(power / 10.0 ** (scene.snr_db / 10.0) / (background**2).mean())
    if scene.microphone_noise_db_spl is not None:
        noise += 20e-6 * 10.0 ** (scene.microphone_noise_db_spl / 20.0) * rng.standard_normal(samples)
    return noise


def _pink(white: FloatArray, rate_hz: int) -> FloatArray:
    """Colour white noise: poles and zeros by turns, two of each a decade, from 30 Hz to 17 kHz."""
    corners = 30.0 * 10.0 ** (np.arange(6) / 2.0)
    poles = np.exp(-2.0 * np.pi * corners / rate_hz)
    zeros = np.exp(-2.0 * np.pi * corners * 10.0**0.25 / rate_hz)
    return np.asarray(sosfilt(zpk2sos(zeros, poles, 1.0), white))
