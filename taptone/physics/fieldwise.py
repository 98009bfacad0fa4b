"""A second way from a blow to its sound: the whole bay as one elastic body, solved for its own modes.

The outer skin, the core as a spring bed, the sandwich behind it with the inner face: their energies are
summed cell by cell over the bay, written in trial functions (a Ritz method), and the body's modes are what
comes out. The hammer is stepped against those modes, and the sound is the Rayleigh integral over the skin.
None of the closed forms of `plate`, `strike` and `radiation` are used: what the panel is comes from
`panel.local`, what it does is worked out here. Method, limits, a comparison: docs/second-simulator.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import eigh, solve
from scipy.signal import butter, fftconvolve, sosfilt
from scipy.sparse import csr_array

from taptone.errors import SettingError
from taptone.physics.panel import Scene, as_places, local, stopped_normal
from taptone.physics.scene import Blows, TapTruth, truths_of
from taptone.types import FloatArray

__all__ = [
    "Contact",
    "Fields",
    "Modes",
    "bay_fields",
    "listen",
    "modes_of",
    "pressure",
    "strike",
    "tap_sounds",
]

ComplexArray = NDArray[np.complex128]

#: Modes are heard up to here; those above still move under the hammer.
HIGHEST_HZ = 9000.0

_SOUND_M_S, _AIR_KG_M3 = 343.0, 1.205
#: Cells over which energies are summed, and cells that radiate, in m.
_CELL_M, _RADIATING_M = 0.004, 0.012
#: Trial functions reach so far beyond the shortest wave of a free skin at the highest frequency; the
#: sandwich behind it carries longer waves.
_SKIN_REACH, _SANDWICH_REACH = 1.3, 0.8
#: Larger problems take minutes and gigabytes.
_MOST_FUNCTIONS = 6000
#: Contact is stepped at least this fast; it ends when the tip has been off and moving off for so long.
_FINE_HZ, _PARTED_S, _LONGEST_S = 176_400, 1.0e-3, 0.020
#: A microphone's lower limit.
_LOWEST_HZ = 60.0
#: Taps stepped together; bounds the memory.
_TAPS_AT_ONCE = 64


# -- taps -----------------------------------------------------------------------------------------------


def tap_sounds(
    scene: Scene, places_xy: ArrayLike, *, rate_hz: int, rng: np.random.Generator, clip_s: float = 0.4
) -> tuple[FloatArray, tuple[TapTruth, ...]]:
    """Tap each place once and listen, without noise: `scene.tap_sounds` by the other way.

    Parameters
    ----------
    scene : Scene
        The panel as it is.
    places_xy : array_like, shape (n, 2)
        Where the hammer is aimed, in m.
    rate_hz : int
        Sample rate in Hz.
    rng : numpy.random.Generator
        Source of the hand's variation; drawn in the same order as in `scene.tap_sounds`.
    clip_s : float, optional
        Length of each clip in s; it starts at the first touch.

    Returns
    -------
    clips : numpy.ndarray, shape (n, samples)
        Pressure at the microphone in Pa, exactly zero before the onset.
    truths : tuple of TapTruth
        ``sample`` counts from the start of the clip.

    Raises
    ------
    SettingError
        If the bay is too large, or its skin too thin, to be followed.

    Examples
    --------
    >>> from taptone.physics.scene import Build, Patch
    >>> scene = Scene(build=Build(bay_m=(0.3, 0.25)), patches=(Patch(0.1, 0.0, 0.06),))
    >>> clips, truths = tap_sounds(scene, [[0.1, 0.0]], rate_hz=48000, rng=np.random.default_rng(1))
    >>> clips.shape, truths[0].loose
    ((1, 19200), True)
    """
    aimed = as_places(places_xy)
    samples = round(clip_s * rate_hz)
    onsets, sounds, truths = listen(scene, _draw(scene, aimed, rng), np.zeros(len(aimed)), rate_hz, samples)
    clips = np.zeros((len(aimed), samples))
    for clip, onset, sound in zip(clips, onsets, sounds, strict=True):
        clip[onset:] = sound[: max(samples - onset, 0)]
    return clips, truths


def _draw(scene: Scene, aimed: FloatArray, rng: np.random.Generator) -> Blows:
    """Draw what a hand makes of it."""
    n, spread = len(aimed), scene.spread
    lean = np.cos(np.radians(spread.angle_sd_deg) * stopped_normal(rng, n))
    return Blows(
        xy=aimed + spread.aim_sd_m * stopped_normal(rng, (n, 2)),
        speed_m_s=scene.hammer.speed_m_s * spread.speed_factor ** stopped_normal(rng, n) * lean,
        hardness=spread.tip_factor ** stopped_normal(rng, n),
        distance_m=scene.distance_m * (1.0 + spread.distance_sd * stopped_normal(rng, n)),
    )


def listen(
    scene: Scene, blows: Blows, times_s: FloatArray, rate_hz: int, samples: int
) -> tuple[NDArray[np.intp], FloatArray, tuple[TapTruth, ...]]:
    """Strike and listen.

    Parameters
    ----------
    scene : Scene
        The panel as it is.
    blows : Blows
        How n blows land.
    times_s : numpy.ndarray, shape (n,)
        Time of the first touch of each, in s.
    rate_hz, samples : int
        Sample rate in Hz; how long each tap is followed, in samples.

    Returns
    -------
    onsets : numpy.ndarray of int, shape (n,)
        First sample of each tap at the microphone.
    sounds : numpy.ndarray, shape (n, samples)
        Pressure in Pa, from the onset on.
    truths : tuple of TapTruth
        What is known of each; stiffnesses are those of `panel.local`, contact and force are found here.

    Raises
    ------
    SettingError
        If the bay is too large, or its skin too thin, to be followed.

    Examples
    --------
    >>> from taptone.physics.scene import Build
    >>> scene = Scene(build=Build(bay_m=(0.3, 0.25)))
    >>> blows = _draw(scene, np.zeros((1, 2)), np.random.default_rng(1))
    >>> onsets, sounds, truths = listen(scene, blows, np.array([0.5]), 48000, 4800)
    >>> int(onsets[0]) == int((0.5 + truths[0].delay_s) * 48000) + 1, sounds.shape
    (True, (1, 4800))
    """
    n = len(times_s)
    here = local(scene, blows.xy)
    finer = -(-_FINE_HZ // rate_hz)
    dt_s = 1.0 / (rate_hz * finer)
    delay = blows.distance_m / _SOUND_M_S
    arrival = np.rint((times_s + delay) * rate_hz * finer).astype(np.intp)
    onsets = arrival // finer + 1
    offset = onsets * finer - arrival

    sounds, contact, peak = np.zeros((n, samples)), np.zeros(n), np.zeros(n)
    origin = _bay_origin(scene)
    bay = np.floor((blows.xy - origin) / scene.build.bay_m).astype(int)
    for corner in np.unique(bay, axis=0):
        modes = _bay_modes(scene, int(corner[0]), int(corner[1]))
        start = origin + corner * np.asarray(scene.build.bay_m)
        which = np.flatnonzero((bay == corner).all(axis=1))
        # Loose skin stays longer under the hammer: stepped apart, so that the others need not wait.
        for kind in (which[~here.loose[which]], which[here.loose[which]]):
            for some in np.array_split(kind, -(-len(kind) // _TAPS_AT_ONCE) or 1):
                if not len(some):
                    continue
                places = blows.xy[some] - start
                k = _hertz(scene, here.surface_pa[some]) * blows.hardness[some]
                hit = strike(modes, places, scene.hammer.mass_kg, k, blows.speed_m_s[some], dt_s=dt_s)
                contact[some], peak[some] = hit.contact_s, hit.force_n.max(axis=1)
                ears = places + _aside(scene) * blows.distance_m[some, None]
                high = blows.distance_m[some] * np.cos(np.radians(scene.listening_angle_deg))
                for i, place, ear, z, force in zip(some, places, ears, high, hit.force_n, strict=True):
                    length = (samples + 1) * finer
                    sound = pressure(modes, place, np.array([*ear, z]), force, dt_s, length)
                    sounds[i] = _delivered(sound, rate_hz, finer)[offset[i] :: finer][:samples]
    sounds = sosfilt(butter(2, _LOWEST_HZ, "high", fs=rate_hz, output="sos"), sounds, axis=1)
    return onsets, sounds, truths_of(here, blows, times_s, onsets, contact, peak)


def _hertz(scene: Scene, surface_pa: FloatArray) -> FloatArray:
    """Factor of Hertz's law for the hammer's tip on the skin, N/m^1.5."""
    tip = (1.0 - scene.hammer.tip_poisson**2) / scene.hammer.tip_modulus_pa
    surface = (1.0 - scene.build.poisson**2) / surface_pa
    return np.asarray(4.0 / 3.0 * np.sqrt(scene.hammer.tip_radius_m) / (tip + surface))


def _aside(scene: Scene) -> FloatArray:
    """Way along the panel from the struck place to below the microphone, for each m of distance."""
    azimuth = np.random.default_rng([scene.seed, 6]).uniform(0.0, 2.0 * np.pi)
    aside = np.sin(np.radians(scene.listening_angle_deg))
    return np.asarray(aside * np.array([np.cos(azimuth), np.sin(azimuth)]))


# -- the bay as fields of stiffness and mass --------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Fields:
    """Stiffness and mass of a bay on a grid of cells; arrays have shape (cells along x, cells along y).

    Stiffnesses are complex: ``E (1 + i eta)`` holds the loss factor. The skin's bending and mass; the core as
    a bed of springs between the faces; the inner face's bending and the mass that moves with it; the bending
    stiffness the two faces have together, and the core's shear stiffness, through which they have it. Where
    the skin is loose, the springs and the shear are zero and the core bends with the inner face.
    """

    size_m: tuple[float, float]
    poisson: float
    skin_nm: ComplexArray
    skin_kg_m2: FloatArray
    core_pa_m: ComplexArray
    inner_nm: ComplexArray
    rest_kg_m2: FloatArray
    sandwich_nm: ComplexArray
    shear_n_m: ComplexArray


def bay_fields(scene: Scene, column: int, row: int) -> Fields:
    """Read one bay of a panel off the scene, cell by cell.

    Parameters
    ----------
    scene : Scene
        The panel as it is.
    column, row : int
        Which bay; bay (0, 0) begins at a place drawn from the scene's seed, the same as in `panel.local`.

    Returns
    -------
    Fields
        On cells of about 4 mm.

    Raises
    ------
    SettingError
        If the build has no core.

    Examples
    --------
    >>> fields = bay_fields(Scene(), 0, 0)
    >>> fields.skin_nm.shape, bool((fields.core_pa_m.real > 0.0).all())
    ((225, 150), True)
    """
    build = scene.laminate
    if build.solid:
        raise SettingError(
            f"{build.name} is solid laminate", hint="choose a sandwich: the fields are two skins and a core"
        )
    (a, b), start = build.bay_m, _bay_origin(scene) + np.array([column, row]) * np.asarray(build.bay_m)
    nx, ny = round(a / _CELL_M), round(b / _CELL_M)
    x, y = np.meshgrid(start[0] + _midpoints(a, nx), start[1] + _midpoints(b, ny), indexing="ij")
    here = local(scene, np.column_stack((x.ravel(), y.ravel())))

    def field(values: FloatArray, loss: FloatArray | float = 0.0) -> ComplexArray:
        return np.asarray((values * (1.0 + 1j * loss)).reshape(nx, ny))

    laminate = here.loss * build.loss_factor
    depth = here.skin_m + build.core_m
    plane = 1.0 - build.poisson**2
    face, core = here.skin_modulus_pa * here.skin_m, here.foundation_pa_m / here.stiffening * build.core_m**2
    # The core under loose skin: bending of itself, and about the axis it shares with the inner face.
    core_nm = (core * build.core_m**2 / 12.0 + face * core / (face + core) * depth**2 / 4.0) / plane
    bonded_skin = here.panel_kg_m2 / 2.0
    # Within the skin itself (a blister) the rest of it stays on the core, and with it the sandwich.
    peeled = here.loose & (here.disc_kg_m2 > 0.95 * here.skin_kg_m2)
    struck_nm = np.where(here.loose, here.disc_bending_nm, here.bending_nm)
    struck_loss = np.where(here.loose, here.patch_loss * here.loss, laminate)
    struck_kg = np.where(here.loose, here.disc_kg_m2 + here.clinging_kg_m2, bonded_skin)
    rest_kg = np.where(here.loose, here.panel_kg_m2 - here.disc_kg_m2, bonded_skin) + here.back_kg_m2
    shear = build.core_shear_pa * depth**2 / build.core_m * here.stiffening
    return Fields(
        size_m=build.bay_m,
        poisson=build.poisson,
        skin_nm=field(struck_nm, struck_loss),
        skin_kg_m2=field(struck_kg).real,
        core_pa_m=field(np.where(here.loose, 0.0, here.foundation_pa_m), build.core_loss_factor * here.loss),
        inner_nm=field(here.bending_nm + np.where(peeled, core_nm, 0.0), laminate),
        rest_kg_m2=field(rest_kg).real,
        sandwich_nm=field(face * depth**2 / (2.0 * plane) * here.stiffening, laminate),
        shear_n_m=field(np.where(peeled, 0.0, shear), laminate),
    )


def _bay_origin(scene: Scene) -> FloatArray:
    return np.asarray(
        np.random.default_rng([scene.seed, 4]).uniform(0.0, 1.0, 2) * np.asarray(scene.build.bay_m)
    )


def _midpoints(length_m: float, n: int) -> FloatArray:
    return np.asarray((np.arange(n) + 0.5) * length_m / n)


# -- its modes --------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Trial:
    """Products of sines (zero at the edge) or of cosines (mirrored there), by half waves along x and y."""

    size_m: tuple[float, float]
    sine: bool
    i: NDArray[np.intp]
    j: NDArray[np.intp]

    def along(self, axis: int, at_m: FloatArray, partner: bool = False) -> FloatArray:
        """Functions 0, 1, 2 ... half waves along one axis, shape (half waves, places), or their partners."""
        most = int((self.i, self.j)[axis].max(initial=0)) + 1
        phase = np.outer(np.arange(most) * np.pi / self.size_m[axis], at_m)
        return np.asarray(np.sin(phase) if self.sine != partner else np.cos(phase))

    def wavenumbers(self) -> tuple[FloatArray, FloatArray]:
        kx, ky = self.i * np.pi / self.size_m[0], self.j * np.pi / self.size_m[1]
        return np.asarray(kx, np.float64), np.asarray(ky, np.float64)

    def at(self, places_m: FloatArray) -> FloatArray:
        """Values at places, shape (places, functions)."""
        return np.asarray((self.along(0, places_m[:, 0])[self.i] * self.along(1, places_m[:, 1])[self.j]).T)


@dataclass(frozen=True, slots=True, eq=False)
class Modes:
    """What rings in a bay: every mode of the trial functions, lowest first.

    ``omega`` (rad/s) and ``loss`` have shape (modes,); ``weights`` make the outer skin's motion of the trial
    functions, one column a mode, for a modal mass of 1 kg. The first ``stepped`` of them meet the hammer (the
    others give way at once, as springs), the first ``followed``, up to the highest frequency, are heard.
    """

    fields: Fields
    omega: FloatArray
    loss: FloatArray
    weights: FloatArray
    trials: tuple[_Trial, ...]
    followed: int
    stepped: int

    @property
    def frequency_hz(self) -> FloatArray:
        """Natural frequencies, lowest first."""
        return np.asarray(self.omega / (2.0 * np.pi))

    @property
    def pole(self) -> ComplexArray:
        """Poles of the modes, rad/s."""
        sigma = 0.5 * np.minimum(self.loss, 1.8) * self.omega
        return np.asarray(-sigma + 1j * np.sqrt(self.omega**2 - sigma**2))

    def shape(self, places_m: FloatArray, most: int | None = None) -> FloatArray:
        """Motion of the outer skin at places (n, 2) counted from the bay's corner, shape (n, modes)."""
        values = np.concatenate([trial.at(places_m) for trial in self.trials], axis=1)
        return np.asarray(values @ self.weights[:, :most])

    def compliance(self, places_m: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Static compliance at places, in m/N: of the modes stepped, and of all that is beyond them."""
        parts = self.shape(places_m) ** 2 / self.omega**2
        stepped = np.asarray(parts[:, : self.stepped].sum(axis=1), np.float64)
        return stepped, np.asarray(parts[:, self.stepped :].sum(axis=1) + self._tail(places_m), np.float64)

    def _tail(self, places_m: FloatArray) -> FloatArray:
        """Compliance of the waves shorter than any trial function: ``sum of 1 / (D k^4 + K)``."""
        fields, skin = self.fields, self.trials[0]
        cell = [
            np.clip((at * n / size).astype(int), 0, n - 1)
            for at, n, size in zip(places_m.T, fields.skin_nm.shape, fields.size_m, strict=True)
        ]
        d, bed = fields.skin_nm.real[*cell], fields.core_pa_m.real[*cell]
        k2 = np.max(skin.wavenumbers()[0] ** 2 + skin.wavenumbers()[1] ** 2)
        k = np.sqrt(k2) * np.geomspace(1.0, 100.0, 200)[:, None]
        return np.asarray(np.trapezoid(k / (d * k**4 + bed), k, axis=0) / (2.0 * np.pi))


@lru_cache(maxsize=2)
def _bay_modes(scene: Scene, column: int, row: int) -> Modes:
    return modes_of(bay_fields(scene, column, row))


def modes_of(fields: Fields, *, highest_hz: float = HIGHEST_HZ, backed: bool = False) -> Modes:
    """Solve a bay for its own modes.

    Parameters
    ----------
    fields : Fields
        The bay.
    highest_hz : float, optional
        Modes are heard up to here, in Hz; it also sets how short the waves are that can be told apart.
    backed : bool, optional
        Whether the far side of the core is held still, so that only the skin moves.

    Returns
    -------
    Modes
        With loss factors from where each mode stores its energy.

    Raises
    ------
    SettingError
        If the waves at `highest_hz` are too short for the grid or too many to be solved for.

    Notes
    -----
    The inner face moves by u, in sines (simply supported), the skin by ``u + s``, with s in cosines (the skin
    goes on beyond the supports as its own mirror image). Energies: bending of the skin and of the inner face,
    with Poisson's terms; the core's springs under s; and bending of a third field b with the faces' common
    stiffness, which follows the faces' mean through the core's shear, ``S |grad(u + s/2 - b)|^2``. b has
    no mass and is eliminated. All integrals are sums over cells.

    Examples
    --------
    >>> from taptone.physics.scene import Spread
    >>> fields = bay_fields(Scene(spread=Spread().scaled(0.0)), 0, 0)
    >>> print(np.round(modes_of(fields, highest_hz=1500.0).frequency_hz[:3]))
    [151. 250. 348.]
    """
    # The shortest wave of skin that is free of the core.
    shortest = ((2.0 * np.pi * highest_hz) ** 2 * fields.skin_kg_m2 / fields.skin_nm.real) ** 0.25
    reach = float(np.quantile(shortest, 0.9))
    skin = _trial(fields.size_m, False, _SKIN_REACH * reach)
    rear = _trial(fields.size_m, True, _SANDWICH_REACH * reach)
    _affordable(fields, skin, rear, backed)

    stiff = _bending(fields, fields.skin_nm, skin, skin) + _product(fields, fields.core_pa_m, skin, skin)
    mass = _product(fields, fields.skin_kg_m2, skin, skin)
    if not backed:
        coupled = _bending(fields, fields.skin_nm, skin, rear)
        behind = _bending(fields, fields.skin_nm + fields.inner_nm, rear, rear)
        stiff = np.block([[stiff, coupled], [coupled.T, behind]]) + _sandwich(fields, skin, rear)
        coupled = _product(fields, fields.skin_kg_m2, skin, rear)
        behind = _product(fields, fields.skin_kg_m2 + fields.rest_kg_m2, rear, rear)
        mass = np.block([[mass, coupled], [coupled.T, behind]])

    omega2, weights = eigh(stiff.real, mass.real, driver="gvd", overwrite_b=True, check_finite=False)
    omega = np.sqrt(np.maximum(omega2, 1.0))
    loss = np.einsum("ik,ik->k", weights, stiff.imag @ weights) / omega**2
    followed = int(np.searchsorted(omega, 2.0 * np.pi * highest_hz))
    return Modes(fields, omega, loss, weights, (skin,) if backed else (skin, rear), followed, len(omega))


def _trial(size_m: tuple[float, float], sine: bool, reach: float) -> _Trial:
    """All functions whose wave number is at most `reach`."""
    i, j = np.meshgrid(*(np.arange(int(sine), int(reach * s / np.pi) + 2) for s in size_m), indexing="ij")
    inside = (i * np.pi / size_m[0]) ** 2 + (j * np.pi / size_m[1]) ** 2 <= reach**2
    return _Trial(size_m, sine, i[inside], j[inside])


def _affordable(fields: Fields, skin: _Trial, rear: _Trial, backed: bool) -> None:
    half_waves = (int(skin.i.max()), int(skin.j.max()))
    if any(2 * w >= cells for w, cells in zip(half_waves, fields.skin_nm.shape, strict=True)):
        raise SettingError(
            f"a grid of {fields.skin_nm.shape} cells cannot tell {half_waves} half waves apart",
            hint="take smaller cells or a lower highest frequency",
        )
    if (wanted := len(skin.i) + (0 if backed else len(rear.i))) > _MOST_FUNCTIONS:
        raise SettingError(
            f"bay of {fields.size_m} m needs {wanted} trial functions, more than {_MOST_FUNCTIONS}",
            hint="choose a smaller bay, a thicker skin or a lower highest frequency",
        )


def _product(
    fields: Fields,
    field: ComplexArray | FloatArray,
    one: _Trial,
    two: _Trial,
    partner: tuple[bool, bool] = (False, False),
) -> ComplexArray:
    """Integrate field times function times function, for every pair; or times their partners along x, y."""
    (a, b), (nx, ny) = fields.size_m, field.shape
    pairs = []
    for axis, at in enumerate((_midpoints(a, nx), _midpoints(b, ny))):
        f, g = one.along(axis, at, partner[axis]), two.along(axis, at, partner[axis])
        pairs.append((f[:, None, :] * g[None, :, :]).reshape(-1, len(at)))
    parts = (field.real, field.imag) if np.iscomplexobj(field) else (field.real,)
    tables = [pairs[0] @ (part @ pairs[1].T) for part in parts]
    table = (tables[0] if len(tables) == 1 else tables[0] + 1j * tables[1]) * (a * b / (nx * ny))
    table = table.reshape(one.i.max() + 1, two.i.max() + 1, one.j.max() + 1, two.j.max() + 1)
    return np.asarray(table[one.i[:, None], two.i, one.j[:, None], two.j])


def _bending(fields: Fields, stiffness: ComplexArray, one: _Trial, two: _Trial) -> ComplexArray:
    """Twice the energy of bending, ``D (w_xx^2 + w_yy^2 + 2 nu w_xx w_yy + 2 (1 - nu) w_xy^2)``."""
    (ax, ay), (bx, by) = one.wavenumbers(), two.wavenumbers()
    nu = fields.poisson
    along = np.outer(ax**2 + nu * ay**2, bx**2) + np.outer(ay**2 + nu * ax**2, by**2)
    twist = 2.0 * (1.0 - nu) * np.outer(ax * ay, bx * by)
    return np.asarray(
        along * _product(fields, stiffness, one, two)
        + twist * _product(fields, stiffness, one, two, (True, True))
    )


def _sandwich(fields: Fields, skin: _Trial, rear: _Trial) -> ComplexArray:
    """Twice the energy of the faces' common bending through the core's shear, for s and u; b eliminated."""
    cross, plain = _shearing(fields, skin, rear), _shearing(fields, rear, rear)
    pull = np.concatenate((0.5 * cross, plain))
    stiff = np.block([[0.25 * _shearing(fields, skin, skin), 0.5 * cross], [0.5 * cross.T, plain]])
    stiff -= pull @ solve(_bending(fields, fields.sandwich_nm, rear, rear) + plain, pull.T)
    return np.asarray(0.5 * (stiff + stiff.T))


def _shearing(fields: Fields, one: _Trial, two: _Trial) -> ComplexArray:
    """Twice the energy of shear, ``S |grad w|^2``."""
    (ax, ay), (bx, by) = one.wavenumbers(), two.wavenumbers()
    sign = 1.0 if one.sine == two.sine else -1.0  # a sine's slope is a cosine, a cosine's minus a sine
    along_x = np.outer(ax, bx) * _product(fields, fields.shear_n_m, one, two, (True, False))
    along_y = np.outer(ay, by) * _product(fields, fields.shear_n_m, one, two, (False, True))
    return np.asarray(sign * (along_x + along_y))


# -- the hammer against the modes ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Contact:
    """Force of n strikes, shape (n, steps), ``dt_s`` apart, and how long each lasted to its last parting."""

    force_n: FloatArray
    dt_s: float
    contact_s: FloatArray


def strike(
    modes: Modes,
    places_m: FloatArray,
    mass_kg: float,
    hertz_n_m15: ArrayLike,
    speed_m_s: ArrayLike,
    *,
    dt_s: float,
) -> Contact:
    """Step a hammer and the bay through their contact, n strikes at once.

    Parameters
    ----------
    modes : Modes
        The bay.
    places_m : numpy.ndarray, shape (n, 2)
        Where it is struck, from its corner.
    mass_kg : float
        The hammer's effective mass.
    hertz_n_m15, speed_m_s : array_like, shape (n,)
        Factor of Hertz's law ``F = k d^1.5``; speed at the first touch.
    dt_s : float
        Time step in s.

    Returns
    -------
    Contact
        Cut after the last strike has parted for good.

    Raises
    ------
    SettingError
        If the step is too long to be stable.

    Notes
    -----
    Each mode is turned by its own exact factor a step and kicked by the force; the hammer is stepped by
    Verlet's rule. Waves shorter than any trial function follow the force at once. The step is stable while
    ``dt^2 (1/m + sum of shape^2) / (their compliance) < 4``, whatever the tip's stiffness.

    Examples
    --------
    >>> from taptone.physics.scene import Build
    >>> modes = modes_of(bay_fields(Scene(build=Build(bay_m=(0.3, 0.25))), 0, 0))
    >>> blow = strike(modes, np.array([[0.15, 0.12]]), 0.060, 1.6e9, 0.7, dt_s=5e-6)
    >>> 0.4 < 1e3 * float(blow.contact_s[0]) < 0.8
    True
    """
    drive, pole = modes.shape(places_m, modes.stepped).T, modes.pole[: modes.stepped]
    give = modes.compliance(places_m)[1]
    k, speed = np.broadcast_to(hertz_n_m15, give.shape), np.broadcast_to(speed_m_s, give.shape)
    mobility = 1.0 / mass_kg + (drive**2).sum(axis=0)
    if (worst := float(np.max(dt_s**2 * mobility / give))) >= 4.0:
        raise SettingError(
            f"time step of {dt_s * 1e6:.3g} us is {np.sqrt(worst / 4.0):.2g} times the longest stable one",
            hint="choose a shorter step, that is a higher sample rate",
        )
    turn = np.exp(pole * dt_s)[:, None]
    kick, read = drive * dt_s, drive / pole.imag[:, None]
    z = np.zeros(drive.shape, complex)
    steps = round(_LONGEST_S / dt_s)
    force = np.zeros((steps, len(give)))
    x, v, off = np.zeros(len(give)), speed.astype(float), 0
    for i in range(1, steps):
        before = force[i - 1]
        z.real += kick * before
        z *= turn
        w = np.einsum("kn,kn->n", read, z.imag)
        x = x + dt_s * v - 0.5 * dt_s**2 * before / mass_kg
        force[i] = _touching(x - w, give, k)
        v = v - 0.5 * dt_s * (before + force[i]) / mass_kg
        off = off + 1 if not force[i].any() and np.all((v < 0.0) & (x < w)) else 0
        if off * dt_s > _PARTED_S:
            break
    force = force[: i + 1].T.copy()
    on = force > 0.0
    length = force.shape[1] - np.argmax(on[:, ::-1], axis=1) - np.argmax(on, axis=1)
    return Contact(force, dt_s, np.where(on.any(axis=1), length * dt_s, 0.0))


def _touching(overlap: FloatArray, give: FloatArray, k: FloatArray) -> FloatArray:
    """Force F at which the tip's indentation ``(F / k)^(2/3)`` and the give of a spring fill the overlap."""
    overlap = np.maximum(overlap, 0.0)
    # In g = F^(1/3), (g / k^(1/3))^2 + give g^3 = overlap rises and is convex: Newton comes down from above.
    soft = k ** (-2.0 / 3.0)
    g = np.minimum(np.sqrt(overlap / soft), np.cbrt(overlap / give))
    for _ in range(8):
        slope = 2.0 * soft * g + 3.0 * give * g**2
        g = g - (soft * g**2 + give * g**3 - overlap) / np.where(slope > 0.0, slope, 1.0)
    return np.asarray(np.maximum(g, 0.0) ** 3)


# -- from the skin to the microphone -----------------------------------------------------------------------


def pressure(
    modes: Modes, place_m: FloatArray, ear_m: FloatArray, force_n: FloatArray, dt_s: float, length: int
) -> FloatArray:
    """Work out the sound of one blow at a microphone.

    Parameters
    ----------
    modes : Modes
        The bay.
    place_m : numpy.ndarray, shape (2,)
        Where it is struck, from its corner.
    ear_m : numpy.ndarray, shape (3,)
        Where the microphone is: along the bay from its corner, and above it.
    force_n : numpy.ndarray, shape (steps,)
        Force of the blow every `dt_s`.
    dt_s : float
        Time step in s.
    length : int
        Steps wanted.

    Returns
    -------
    numpy.ndarray, shape (length,)
        Pressure in Pa every `dt_s`, from when the struck place is first heard.

    Notes
    -----
    Rayleigh's integral ``rho / (2 pi) sum of a(t - r/c) dA / r`` over the skin, each cell with its own way:
    the bay lies in an endless baffle.

    Examples
    --------
    >>> from taptone.physics.scene import Build
    >>> modes = modes_of(bay_fields(Scene(build=Build(bay_m=(0.3, 0.25))), 0, 0))
    >>> sound = pressure(modes, np.array([0.1, 0.1]), np.array([0.1, 0.1, 0.5]), np.ones(9), 5e-6, 100)
    >>> sound.shape
    (100,)
    """
    pole, drive = modes.pole[: modes.followed], modes.shape(place_m[None], modes.followed)[0]
    first, heard = _ways(modes, place_m, ear_m, dt_s)
    heard = heard * drive  # (delays, modes)
    delays = len(heard)

    # Acceleration after an impulse is an impulse, then s^2 exp(s t): while the cells come in one by one ...
    swing = pole**2 / pole.imag * dt_s
    time = np.arange(delays)
    after = (swing[:, None] * np.exp(np.outer(pole, time * dt_s))).imag
    response = np.zeros(length + delays)
    response[:delays] = heard.sum(axis=1)
    arriving = heard @ after
    for delay in range(delays):
        response[delay:delays] += arriving[delay, : delays - delay]
    # ... and when all are there, one sum of exponentials, in blocks.
    whole = np.einsum("dk,kd->k", heard, np.exp(-np.outer(pole, time * dt_s)))
    block = int(np.ceil(np.sqrt(length)))
    inner = np.exp(np.outer(np.arange(block) * dt_s, pole))
    outer = np.exp(np.outer(pole, (delays + block * np.arange(block)) * dt_s))
    ringing = ((inner @ ((whole * swing)[:, None] * outer)).imag).T.ravel()
    response[delays:] = ringing[:length]

    # Cells nearer to the microphone than the struck place have not yet moved when they are first heard.
    heard_from = response[-first:] if first < 0 else np.append(np.zeros(first), response)
    return np.asarray(_AIR_KG_M3 / (2.0 * np.pi) * fftconvolve(heard_from[:length], force_n)[:length])


def _ways(modes: Modes, place_m: FloatArray, ear_m: FloatArray, dt_s: float) -> tuple[int, FloatArray]:
    """Shapes over distance, summed by delay: the first delay in steps, and one row a step of delay."""
    cells, area, shapes = _radiating(modes)
    x, y, z = ear_m
    way = np.sqrt((cells[:, 0] - x) ** 2 + (cells[:, 1] - y) ** 2 + z**2)
    direct = np.sqrt((place_m[0] - x) ** 2 + (place_m[1] - y) ** 2 + z**2)
    delay = (way - direct) / (_SOUND_M_S * dt_s)
    first = int(np.floor(delay.min()))
    whole = np.floor(delay).astype(int)
    share = delay - whole  # split between the two steps it falls between
    rows = np.concatenate((whole, whole + 1)) - first
    parts = np.concatenate((1.0 - share, share)) * area / np.concatenate((way, way))
    columns = np.tile(np.arange(len(cells)), 2)
    return first, np.asarray(csr_array((parts, (rows, columns)), shape=(rows.max() + 1, len(cells))) @ shapes)


@lru_cache(maxsize=2)
def _radiating(modes: Modes) -> tuple[FloatArray, float, FloatArray]:
    """Middles of the cells that radiate, the area of one in m2, the skin's motion there mode by mode."""
    a, b = modes.fields.size_m
    nx, ny = -(-a // _RADIATING_M), -(-b // _RADIATING_M)
    x, y = np.meshgrid(_midpoints(a, int(nx)), _midpoints(b, int(ny)), indexing="ij")
    cells = np.column_stack((x.ravel(), y.ravel()))
    return cells, a * b / (nx * ny), modes.shape(cells, modes.followed)


def _delivered(sound: FloatArray, rate_hz: int, finer: int) -> FloatArray:
    """Take off what the sample rate cannot hold, without looking ahead."""
    sos = butter(6, 0.42 * rate_hz, fs=rate_hz * finer, output="sos")
    return np.asarray(sosfilt(sos, sound))
