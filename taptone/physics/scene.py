"""From a blow to the sound of it at a microphone: whole panels, tapped station by station.

A `Scene` is one panel as it is built, with its faults, what stands behind it and its natural unevenness, and
the place it is listened to from. Everything random about the panel comes from the scene's own seed,
everything random about the tapping from the generator that is passed in; the same two give the same bytes.

The panel itself is in `panel`, the laws in `plate`, `strike` and `radiation`; what is put on top of them is
said, with what is left out, in docs/physics.md. Pressures are in Pa until a recording is scaled to full
scale 1.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import butter, fftconvolve, sosfilt, zpk2sos

from taptone.physics import plate, strike
from taptone.physics.panel import (
    BEHIND_KINDS,
    BUILDS,
    DAGGERBOARD,
    FOAM_DECK,
    HAMMERS,
    HULL_SIDE,
    PATCH_KINDS,
    PLASTIC_HAMMER,
    STEEL_HAMMER,
    TIPS,
    Behind,
    Build,
    Frame,
    Hammer,
    Local,
    Patch,
    Room,
    Scene,
    Spread,
    Taper,
    WetZone,
    armature,
    as_places,
    declared,
    hammer,
    local,
    slow_drift,
    stopped_normal,
)
from taptone.physics.radiation import (
    AIR_KG_M3,
    SPEED_OF_SOUND_M_S,
    Disc,
    Transfer,
    beating,
    loose_disc,
    struck_in_the_middle,
    transfer_function,
    volume_acceleration,
    with_hammers_ring,
)
from taptone.types import FloatArray

__all__ = [
    "BEHIND_KINDS",
    "BUILDS",
    "DAGGERBOARD",
    "FOAM_DECK",
    "HAMMERS",
    "HULL_SIDE",
    "PATCH_KINDS",
    "PLASTIC_HAMMER",
    "SPEED_OF_SOUND_M_S",
    "STEEL_HAMMER",
    "TIPS",
    "Behind",
    "Blows",
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
    "WetZone",
    "armature",
    "background",
    "damaged",
    "declared",
    "hammer",
    "local",
    "recording",
    "tap_sounds",
    "tapping_times",
    "truths_of",
]

# -- taps and recordings --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TapTruth:
    """What is known of one tap.

    ``sample`` is the first sample at which its sound is at the microphone (-1 for a missed tap), ``kind``
    one of ``tap``, ``extra``, ``bounce``, ``missed``. Stiffnesses are static and local, where the hammer
    landed; ``bonded_stiffness_n_m`` is what the same skin would have if it were bonded there.
    ``to_edge_m`` is the way to the nearest patch edge, negative inside a patch. ``fault`` and ``behind`` are
    `Local.kind` and `Local.behind`; ``rho`` is the way from a patch's middle over its radius ``radius_m``,
    1 and 0 m where nothing is loose.
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
    fault: str = ""
    behind: str = ""
    rho: float = 1.0
    radius_m: float = 0.0

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


def tap_sounds(
    scene: Scene, places_xy: ArrayLike, *, rate_hz: int, rng: np.random.Generator, clip_s: float = 0.3
) -> tuple[FloatArray, tuple[TapTruth, ...]]:
    """Tap each place once and listen, without noise.

    Parameters
    ----------
    scene : Scene
        The panel as it is.
    places_xy : array_like, shape (n, 2)
        Where the hammer is aimed, in m.
    rate_hz : int
        Sample rate in Hz.
    rng : numpy.random.Generator
        Source of the hand's variation.
    clip_s : float, optional
        Length of each clip in s; it starts at the first touch.

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
    aimed = as_places(places_xy)
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
        Stations in tapping order, in m.
    rows : array_like, shape (n,)
        Row of each station.
    taps_per_station : int, optional
        Strikes at each station.
    rng : numpy.random.Generator
        Source of the gaps' variation.
    gap_s, within_gap_s, row_pause_s : float, optional
        Time from one station to the next, between strikes at one station, and from row to row, in s.
    jitter : float, optional
        Relative standard deviation of every gap.
    start_s : float, optional
        Time of the first strike in s.

    Returns
    -------
    Schedule
        ``n * taps_per_station`` strikes, all of kind ``tap``.

    Examples
    --------
    >>> stations, rng = [[0, 0], [0.1, 0], [0, 0.1]], np.random.default_rng(0)
    >>> plan = tapping_times(stations, [0, 0, 1], 2, rng=rng, jitter=0.0)
    >>> print(plan.times_s)
    [1.  1.5 2.5 3.  6.  6.5]
    """
    xy, row = as_places(stations_xy), np.asarray(rows, np.intp)
    station = np.repeat(np.arange(len(xy)), taps_per_station)
    within = np.arange(len(station)) % taps_per_station > 0
    new_row = np.append(False, np.diff(row[station]) != 0)
    gaps = np.where(within, within_gap_s, np.where(new_row, row_pause_s, gap_s))
    gaps = gaps * (1.0 + jitter * stopped_normal(rng, len(gaps)))
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
        Strikes as planned.
    rng : numpy.random.Generator
        Source of which rows are spoilt, and how.
    share : float, optional
        Share of rows that are spoilt.
    kinds : sequence of str, optional
        What may happen; one is drawn for each spoilt row.

    Returns
    -------
    Schedule
        The same strikes, some of another kind, and the extra ones among them.

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


@dataclass(frozen=True, slots=True, eq=False)
class Blows:
    """How n blows land: place, speed, hardness of the contact, distance of the microphone."""

    xy: FloatArray
    speed_m_s: FloatArray
    hardness: FloatArray
    distance_m: FloatArray

    def taken(self, which: NDArray[np.generic], speed: ArrayLike = 1.0) -> Blows:
        """Return some of them, perhaps slower."""
        return Blows(
            self.xy[which], self.speed_m_s[which] * speed, self.hardness[which], self.distance_m[which]
        )


#: ``listen(scene, blows, times_s, rate_hz, samples)``: first sample of each tap at the microphone, its sound
#: from there in Pa, shape (n, samples), and the truth of it.
Listen = Callable[
    [Scene, Blows, FloatArray, int, int], tuple[NDArray[np.intp], FloatArray, tuple[TapTruth, ...]]
]


def recording(
    scene: Scene,
    schedule: Schedule,
    *,
    rate_hz: int,
    rng: np.random.Generator,
    clip_s: float = 0.3,
    listen: Listen | None = None,
) -> tuple[NDArray[np.float32], list[TapTruth]]:
    """Record a panel while it is tapped to a schedule.

    Parameters
    ----------
    scene : Scene
        The panel as it is, and how it is listened to.
    schedule : Schedule
        From `tapping_times`, perhaps `damaged`.
    rate_hz : int
        Sample rate in Hz.
    rng : numpy.random.Generator
        Source of the hand's variation and of the noise.
    clip_s : float, optional
        How long each tap is followed, in s.
    listen : callable, optional
        Another maker of tap sounds, called as ``listen(scene, blows, times_s, rate_hz, samples)``; returns
        the first sample of each tap, its sound in Pa of shape (n, samples), and a `TapTruth` each.

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
    if scene.moving_m:
        drift = scene.moving_m * slow_drift(scene.seed, times)
        blows = replace(blows, distance_m=np.maximum(blows.distance_m + drift, _NEAREST_M))
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
    onsets, sounds, truths = (listen or _hear)(scene, blows, times, rate_hz, samples)
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
    sound += background(scene, sounds[struck], len(sound), rate_hz, rng)
    loudest = float(np.abs(sound).max(initial=0.0))
    return (sound * (10.0 ** (-6.0 / 20.0) / loudest if loudest else 1.0)).astype(np.float32), told


#: A microphone that moves is kept this far from the hammer.
_NEAREST_M = 0.1


def _bounces(scene: Scene, blows: Blows, kinds: Sequence[str], rng: np.random.Generator) -> NDArray[np.bool_]:
    """Say which strikes touch a second time: those told to, and some by chance, more on springy skin."""
    chance = np.where(local(scene, blows.xy).loose, scene.loose_bounce_chance, scene.bounce_chance)
    return np.array([kind == "bounced" for kind in kinds], bool) | (rng.random(len(kinds)) < chance)


# -- the blow -------------------------------------------------------------------------------------------


def _joined(one: Blows, two: Blows) -> Blows:
    return Blows(
        np.concatenate((one.xy, two.xy)),
        np.append(one.speed_m_s, two.speed_m_s),
        np.append(one.hardness, two.hardness),
        np.append(one.distance_m, two.distance_m),
    )


def _draw(scene: Scene, aimed: FloatArray, rng: np.random.Generator) -> Blows:
    """Draw what a hand makes of it."""
    n, spread = len(aimed), scene.spread
    angle = np.radians(spread.angle_sd_deg) * stopped_normal(rng, n)
    return Blows(
        xy=aimed + spread.aim_sd_m * stopped_normal(rng, (n, 2)),
        speed_m_s=scene.hammer.speed_m_s * spread.speed_factor ** stopped_normal(rng, n) * np.cos(angle),
        hardness=spread.tip_factor ** stopped_normal(rng, n),
        distance_m=scene.distance_m * (1.0 + spread.distance_sd * stopped_normal(rng, n)),
    )


def _strike(scene: Scene, here: Local, blows: Blows, disc: Disc | None, dt_s: float) -> strike.Blow:
    """Let the hammer meet the sandwich, and the loose disc on top of it if there is one."""
    build, hammer = scene.laminate, scene.hammer
    steps = round((0.005 if disc is None else 0.020) / dt_s)
    time = np.asarray(np.arange(steps) * dt_s, np.float64)
    contact = strike.contact_modulus(
        hammer.tip_modulus_pa, hammer.tip_poisson, here.surface_pa, build.poisson
    )
    response = _bonded_response(build, here, time)
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


def _bonded_response(build: Build, here: Local, time: FloatArray) -> FloatArray:
    """Displacement per impulse of the bonded skin, shape (n, steps)."""
    whole_kg_m2 = here.panel_kg_m2 + here.back_kg_m2
    if build.solid:
        impedance = plate.point_impedance(here.bending_nm * here.stiffening, whole_kg_m2)
        return np.broadcast_to(1.0 / impedance[:, None], (len(impedance), len(time))).copy()
    # The struck face moves in part against the other face, on the core, and in part together with it; by half
    # where nothing lies behind.
    against = (0.5 * here.panel_kg_m2 + here.back_kg_m2) / whole_kg_m2
    response = against[:, None] * strike.plate_on_foundation_response(
        time,
        plate.point_impedance(here.bending_nm, here.panel_kg_m2 / 2.0),
        here.thickness_rad_s / (2.0 * np.pi),
        build.core_loss_factor,
    )
    core_pa = here.foundation_pa_m * build.core_m
    if build.core_inplane_pa is not None:
        core_pa = core_pa * (build.core_inplane_pa / build.core_modulus_pa)
    whole = plate.sandwich_bending_stiffness(here.skin_modulus_pa, here.skin_m, core_pa, build.core_m) / (
        1.0 - build.poisson**2
    )
    response += strike.sandwich_response(
        time,
        whole - 2.0 * here.bending_nm,
        2.0 * here.bending_nm,
        plate.sandwich_shear_stiffness(build.core_shear_pa, here.skin_m, build.core_m) * here.stiffening,
        whole_kg_m2,
        build.core_loss_factor,
    )
    return response


# -- from blow to microphone ----------------------------------------------------------------------------


def _hear(
    scene: Scene, blows: Blows, times_s: FloatArray, rate_hz: int, samples: int
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
            disc = loose_disc(scene, part) if loose else None
            blow = _strike(scene, part, blows.taken(some), disc, 1.0 / (rate_hz * finer))
            sounds[some] = _flow(scene, part, disc, blow, offset[some], rate_hz, finer, samples)
            contact[some], peak[some] = blow.contact_s, blow.peak_n
    sounds *= (AIR_KG_M3 / (2.0 * np.pi * blows.distance_m))[:, None]
    sounds = sosfilt(butter(2, _LOWEST_HZ, "high", fs=rate_hz, output="sos"), sounds, axis=1)
    return onsets, sounds, truths_of(here, blows, times_s, onsets, contact, peak)


def truths_of(
    here: Local,
    blows: Blows,
    times_s: FloatArray,
    onsets: NDArray[np.intp],
    contact_s: FloatArray,
    peak_n: FloatArray,
) -> tuple[TapTruth, ...]:
    """What is known of each tap, however its sound was worked out.

    Parameters
    ----------
    here : Local
        The panel at the n places struck.
    blows : Blows
        How they were struck.
    times_s : numpy.ndarray, shape (n,)
        When, in s.
    onsets : numpy.ndarray of int, shape (n,)
        First sample of each at the microphone.
    contact_s, peak_n : numpy.ndarray, shape (n,)
        Contact time in s and peak force in N.

    Returns
    -------
    tuple of TapTruth
        Numbered as stations of one row.

    Examples
    --------
    >>> here = local(Scene(), [[0.1, 0.1]])
    >>> blows = Blows(np.array([[0.1, 0.1]]), np.ones(1), np.ones(1), np.array([0.343]))
    >>> [truth] = truths_of(here, blows, np.ones(1), np.array([48049]), np.array([6e-4]), np.array([160.0]))
    >>> truth.sample, round(truth.delay_s, 6), round(truth.contact_ms, 6)
    (48049, 0.001, 0.6)
    """
    return tuple(
        TapTruth(
            sample=int(onsets[i]),
            time_s=float(times_s[i]),
            delay_s=float(blows.distance_m[i] / SPEED_OF_SOUND_M_S),
            station=i,
            row=0,
            kind="tap",
            x_m=float(blows.xy[i, 0]),
            y_m=float(blows.xy[i, 1]),
            loose=bool(here.loose[i]),
            stiffness_n_m=float(here.stiffness_n_m[i]),
            bonded_stiffness_n_m=float(here.bonded_stiffness_n_m[i]),
            to_edge_m=float(here.to_edge_m[i]),
            contact_ms=float(contact_s[i] * 1e3),
            peak_n=float(peak_n[i]),
            fault=here.kind[i],
            behind=here.behind[i],
            rho=float(here.rho[i]),
            radius_m=float(here.radius_m[i]) if here.loose[i] else 0.0,
        )
        for i in range(len(onsets))
    )


#: Contact is stepped at least this fast, at a whole multiple of the sample rate.
_FINE_HZ = 176_400
#: A microphone's lower limit.
_LOWEST_HZ = 60.0
#: Bounds the memory of a long recording.
_TAPS_AT_ONCE = 128


def _flow(
    scene: Scene,
    here: Local,
    disc: Disc | None,
    blow: strike.Blow,
    offset: NDArray[np.intp],
    rate_hz: int,
    finer: int,
    samples: int,
) -> FloatArray:
    """Volume acceleration of one lot of taps: the blow, and the beating of skins that rattle."""

    def of(force: FloatArray, heard: Transfer, which: NDArray[np.intp] | slice) -> FloatArray:
        return volume_acceleration(force, heard, offset[which], rate_hz, finer, samples)

    transfer = with_hammers_ring(scene.hammer, transfer_function(scene, here, disc))
    sounds = of(blow.force_n, transfer, slice(None))
    rattling = np.flatnonzero(np.isfinite(here.gap_m))
    if disc is not None and len(rattling):
        part = _part(here, rattling)
        skin = loose_disc(scene, part)
        longest_s = min(_BEATS_S, samples / rate_hz)
        beat = beating(
            blow.force_n[rattling], blow.dt_s, skin, part.gap_m, part.bonded_stiffness_n_m, longest_s
        )
        # The core pushes the skin's middle outwards and is itself pushed inwards.
        sounds[rattling] -= of(
            beat, transfer_function(scene, part, struck_in_the_middle(skin)), rattling
        ) - of(beat, transfer_function(scene, part, None), rattling)
    return sounds


#: A rattling skin is followed this long.
_BEATS_S = 0.040


def _part(here: Local, which: NDArray[np.intp]) -> Local:
    """Return the panel at some of its places."""
    values = {name: getattr(here, name) for name in here.__slots__}
    for name, value in values.items():
        if isinstance(value, tuple):
            values[name] = tuple(value[i] for i in which)
        elif name != "bay_hz":
            values[name] = value[which]
    return Local(**values)


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


def background(
    scene: Scene, sounds: FloatArray, samples: int, rate_hz: int, rng: np.random.Generator
) -> FloatArray:
    """Make the noise behind the taps, and the microphone's own.

    Parameters
    ----------
    scene : Scene
        Its ``snr_db`` and ``microphone_noise_db_spl``.
    sounds : numpy.ndarray, shape (n, m)
        The taps in Pa, each from its onset on; ``snr_db`` is against their median power over 20 ms.
    samples : int
        How many to make.
    rate_hz : int
        Sample rate in Hz.
    rng : numpy.random.Generator
        Source of the noise.

    Returns
    -------
    numpy.ndarray, shape (samples,)
        In Pa: noise that falls by about 3 dB an octave, and the microphone's own, white.

    Examples
    --------
    >>> scene = Scene(snr_db=None, microphone_noise_db_spl=94.0)
    >>> noise = background(scene, np.zeros((0, 0)), 48_000, 48_000, np.random.default_rng(0))
    >>> print(f"{noise.std():.2f} Pa")
    1.00 Pa
    """
    noise = np.zeros(samples)
    if scene.snr_db is not None and len(sounds):
        power = np.median((sounds[:, : round(0.02 * rate_hz)] ** 2).mean(axis=1))
        pink = _pink(rng.standard_normal(samples), rate_hz)
        noise += pink * np.sqrt(power / 10.0 ** (scene.snr_db / 10.0) / (pink**2).mean())
    if scene.microphone_noise_db_spl is not None:
        noise += 20e-6 * 10.0 ** (scene.microphone_noise_db_spl / 20.0) * rng.standard_normal(samples)
    return noise


def _pink(white: FloatArray, rate_hz: int) -> FloatArray:
    """Colour white noise: poles and zeros by turns, two of each a decade, from 30 Hz to 17 kHz."""
    corners = 30.0 * 10.0 ** (np.arange(6) / 2.0)
    poles = np.exp(-2.0 * np.pi * corners / rate_hz)
    zeros = np.exp(-2.0 * np.pi * corners * 10.0**0.25 / rate_hz)
    return np.asarray(sosfilt(zpk2sos(zeros, poles, 1.0), white))
