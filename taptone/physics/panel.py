"""One panel as it is built, and what it is at any place of it.

Loose patches, frames and natural unevenness are part of the panel. All that is random about it comes from
the scene's own seed: it can be asked at any place at any time, and always answers the same.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptone.errors import SettingError
from taptone.physics import plate
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
    "Spread",
    "Taper",
    "as_places",
    "local",
    "stopped_normal",
]


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
        The panel as it is.
    places_xy : array_like, shape (n, 2)
        In m.

    Returns
    -------
    Local
        Thickness, stiffness, losses and what lies beneath, place by place.

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
    build, spread, xy = scene.build, scene.spread, as_places(places_xy)
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
    hz = np.array([f for f, _, _ in modes]) * (1.0 + 0.03 * stopped_normal(rng, len(modes)))
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


def as_places(xy: ArrayLike) -> FloatArray:
    """Take places to tap as an array, once they are seen to be numbers.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        In m.

    Returns
    -------
    numpy.ndarray, shape (n, 2)
        In m.

    Raises
    ------
    SettingError
        If a coordinate is not a finite number.

    Examples
    --------
    >>> as_places([[0.0, 0.0], [0.1, 0.0]]).shape
    (2, 2)
    """
    places = np.asarray(xy, float).reshape(-1, 2)
    if not np.isfinite(places).all():
        raise SettingError("a place to tap is not a number", hint="give x and y of every place in metres")
    return places


def stopped_normal(rng: np.random.Generator, shape: int | tuple[int, ...]) -> FloatArray:
    """Draw from the standard normal, stopped at two.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of the draws.
    shape : int or tuple of int
        Shape of the result.

    Returns
    -------
    numpy.ndarray
        Of that shape, from -2 to 2.

    Examples
    --------
    >>> draws = stopped_normal(np.random.default_rng(0), 1000)
    >>> print(draws.min(), draws.max())
    -2.0 2.0
    """
    return np.clip(rng.standard_normal(shape), -2.0, 2.0)
