"""One panel as it is built, and what it is at any place of it.

Loose patches, wet core, structure behind and natural unevenness are part of the panel. All that is random
about it comes from the scene's own seed: it can be asked at any place at any time, and always answers the
same.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from taptone.errors import SettingError
from taptone.physics import plate
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
    "STEEL_HAMMER",
    "TIPS",
    "Behind",
    "Build",
    "Frame",
    "Hammer",
    "Local",
    "Patch",
    "Room",
    "Scene",
    "Spread",
    "Taper",
    "WetZone",
    "armature",
    "as_places",
    "declared",
    "hammer",
    "local",
    "slow_drift",
    "stopped_normal",
]


# -- what is tapped, with what, heard from where --------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Hammer:
    """A light hammer: effective mass, rounded tip, usual speed at the first touch, ring of its own head.

    ``ring_db`` is how loud a mode of the head is, against a panel of 10 kg/m2 that takes the same force;
    ``None`` leaves the head silent.
    """

    mass_kg: float = 0.060
    tip_radius_m: float = 0.010
    tip_modulus_pa: float = 200e9
    tip_poisson: float = 0.30
    speed_m_s: float = 0.7
    ring_db: float | None = None
    ring_hz: tuple[float, ...] = (4200.0, 7900.0)
    ring_loss_factor: float = 0.01


STEEL_HAMMER = Hammer()
PLASTIC_HAMMER = Hammer(tip_radius_m=0.012, tip_modulus_pa=3.5e9, tip_poisson=0.38)

#: Radius in m, modulus in Pa and Poisson's ratio of a tip; "taped" is a steel tip under layers of soft tape.
TIPS = {
    "steel": (0.010, 200e9, 0.30),
    "brass": (0.010, 100e9, 0.34),
    "plastic": (0.012, 3.5e9, 0.38),
    "taped": (0.010, 0.25e9, 0.45),
}


def hammer(mass_kg: float, tip: str, *, ring_db: float | None = None) -> Hammer:
    """Choose a hammer by its mass and tip.

    Parameters
    ----------
    mass_kg : float
        Effective mass in kg, 0.02 to 0.25.
    tip : str
        One of `TIPS`.
    ring_db : float or None, optional
        Level of the head's own ring, as in `Hammer`; about -30 is common.

    Returns
    -------
    Hammer
        The modes of its head go with the cube root of the mass, within 2 to 9 kHz.

    Raises
    ------
    SettingError
        If the tip is unknown or the mass is not one of a light hammer.

    Examples
    --------
    >>> hammer(0.060, "plastic") == PLASTIC_HAMMER
    True
    >>> print(f"{hammer(0.250, 'steel').ring_hz[0]:.0f} Hz")
    2610 Hz
    """
    if tip not in TIPS:
        raise SettingError(f"tip of a hammer is {tip!r}", hint=f"choose {_choices(TIPS)}")
    if not 0.005 <= mass_kg <= 1.0:
        raise SettingError(f"mass of a hammer is {mass_kg!r} kg", hint="choose 0.005 to 1 kg")
    radius, modulus, poisson = TIPS[tip]
    scale = float(np.cbrt(STEEL_HAMMER.mass_kg / mass_kg))
    ring = tuple(hz if scale == 1.0 else min(max(hz * scale, 2e3), 9e3) for hz in STEEL_HAMMER.ring_hz)
    return Hammer(mass_kg, radius, modulus, poisson, ring_db=ring_db, ring_hz=ring)


def _choices(names: Any) -> str:
    return " or ".join(map(repr, names))


HAMMERS = {
    f"{grams} g {tip}": hammer(grams / 1e3, tip)
    for grams, tip in (
        (60, "steel"),
        (60, "plastic"),
        (20, "steel"),
        (40, "brass"),
        (60, "taped"),
        (120, "brass"),
        (120, "plastic"),
        (150, "taped"),
        (250, "steel"),
        (250, "plastic"),
    )
}


@dataclass(frozen=True, slots=True)
class Build:
    """A sandwich with equal skins over a core, and the bay of it that vibrates as a whole.

    ``bay_m`` is the free span between supports; ``loss_factor`` is that of the bay's own modes,
    ``core_loss_factor`` that of the core under a blow; ``bay_radiation`` is how much of a bay mode's volume
    flow reaches the microphone (1 in an endless baffle, less where sound gets round the edge).

    With ``core_m`` 0 there is no core and one skin: a solid laminate. ``core_modulus_pa`` is that through the
    thickness, ``core_inplane_pa`` that along it where it differs. ``anisotropy`` is the skin's modulus along
    x over that along y, their geometric mean is ``skin_modulus_pa``. ``curvature_1_m`` is one over the radius
    of a panel that is straight along x. ``fixity`` runs from a simply supported bay, 0, to a clamped one, 1.
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
    core_inplane_pa: float | None = None
    anisotropy: float = 1.0
    curvature_1_m: float = 0.0
    fixity: float = 0.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.fixity <= 1.0:
            raise SettingError(
                f"fixity of a bay is {self.fixity!r}", hint="choose 0 (supported) to 1 (clamped)"
            )
        if not self.anisotropy > 0.0:
            raise SettingError(f"anisotropy of a skin is {self.anisotropy!r}", hint="choose more than 0")
        if not self.core_m >= 0.0:
            raise SettingError(f"core of a build is {self.core_m!r} m", hint="choose 0 m (no core) or more")

    @property
    def solid(self) -> bool:
        """Whether there is no core, only one skin."""
        return self.core_m == 0.0

    @property
    def mass_kg_m2(self) -> float:
        """Mass of skins and core per area."""
        if self.solid:
            return self.density_kg_m3 * self.skin_m
        return 2.0 * self.density_kg_m3 * self.skin_m + self.core_density_kg_m3 * self.core_m

    def bay_modes(self, up_to_hz: float = 800.0, most: int = 10) -> tuple[tuple[float, int, int], ...]:
        """Return the bay's lowest modes as (frequency in Hz, half waves along x, along y).

        A sandwich, bending and core shear in series; simply supported unless ``fixity`` says otherwise.

        Examples
        --------
        >>> [(round(f), i, j) for f, i, j in FOAM_DECK.bay_modes()[:3]]
        [(152, 1, 1), (250, 2, 1), (347, 1, 2)]
        """
        if self.solid:
            d = float(plate.bending_stiffness(self.skin_modulus_pa, self.skin_m, self.poisson))
            s = np.inf
        else:
            inplane = self.core_modulus_pa if self.core_inplane_pa is None else self.core_inplane_pa
            d = float(
                plate.sandwich_bending_stiffness(self.skin_modulus_pa, self.skin_m, inplane, self.core_m)
            ) / (1.0 - self.poisson**2)
            s = float(plate.sandwich_shear_stiffness(self.core_shear_pa, self.skin_m, self.core_m))
        found = []
        for i in range(1, 7):
            for j in range(1, 5):
                k2 = self._wave_number_squared(i, j)
                omega = np.sqrt(d * k2**2 / (1.0 + d * k2 / s) / self.mass_kg_m2)
                if self.curvature_1_m:
                    arch = plate.cylinder_stiffening(
                        self.skin_modulus_pa * self.skin_m * (1.0 if self.solid else 2.0),
                        1.0 / self.curvature_1_m,
                        i / self.bay_m[0],
                        j / self.bay_m[1],
                    )
                    omega = np.sqrt(omega**2 + arch / self.mass_kg_m2)
                found.append((float(omega / (2.0 * np.pi)), i, j))
        found.sort()
        # A bay always keeps its lowest mode, however small and stiff it is.
        return tuple(mode for mode in found if mode[0] <= up_to_hz)[:most] or tuple(found[:1])

    def _wave_number_squared(self, i: int, j: int) -> float:
        """``k^2`` of a bay mode, such that ``D k^4`` is the mode's bending stiffness."""
        if self.fixity == 0.0 and self.anisotropy == 1.0:
            return float(np.pi**2 * ((i / self.bay_m[0]) ** 2 + (j / self.bay_m[1]) ** 2))
        along, across = self.bay_m
        stretch = self.anisotropy**0.125  # an orthotropic plate is a plain one, stretched
        return float(plate.bay_wave_number_squared(i, j, along / stretch, across * stretch, self.fixity))


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
THIN_FOAM_DECK = Build(name="thin foam deck", skin_m=1.5e-3, core_m=15e-3, bay_m=(0.7, 0.5))
BALSA_DECK = Build(
    name="balsa deck",
    core_modulus_pa=4083e6,
    core_inplane_pa=61e6,
    core_shear_pa=150e6,
    core_density_kg_m3=144.0,
)
PLY_DECK = Build(
    name="ply deck",
    skin_m=2.0e-3,
    core_m=12e-3,
    core_modulus_pa=700e6,
    core_inplane_pa=6e9,
    core_shear_pa=120e6,
    core_density_kg_m3=600.0,
    bay_m=(0.7, 0.5),
)
THICK_HULL = Build(
    name="thick hull",
    skin_m=8.0e-3,
    core_m=25e-3,
    core_modulus_pa=135e6,
    core_shear_pa=35e6,
    core_density_kg_m3=100.0,
    bay_m=(1.2, 0.9),
)
SOLID_LAMINATE = Build(name="solid laminate", skin_m=7.0e-3, core_m=0.0, bay_m=(0.6, 0.45))
RUDDER = Build(
    name="rudder", skin_m=3.2e-3, core_m=45e-3, loss_factor=0.04, bay_m=(0.8, 0.4), bay_radiation=0.3
)
KEEL_SKIN = Build(
    name="keel skin",
    skin_m=6.0e-3,
    core_m=80e-3,
    core_modulus_pa=14e9,
    core_shear_pa=5e9,
    core_density_kg_m3=11_300.0,
    core_loss_factor=0.1,
    loss_factor=0.08,
    bay_m=(1.0, 0.7),
)
BUILDS = {
    build.name: build
    for build in (
        FOAM_DECK,
        DAGGERBOARD,
        HULL_SIDE,
        THIN_FOAM_DECK,
        BALSA_DECK,
        PLY_DECK,
        THICK_HULL,
        SOLID_LAMINATE,
        RUDDER,
        KEEL_SKIN,
    )
}

#: Loss factor and mass of what clings to the loose skin (kg/m2), by how a patch sounds.
_DAMPING = {
    "rings": (0.03, 0.0),
    "dead": (0.5, 6.0),
    "rattles": (0.03, 0.0),
    "hollow above dead": (0.03, 0.0),
}
#: What `Local.kind` may say of a place with a fault.
PATCH_KINDS = (*_DAMPING, "blister", "long", "wet")


@dataclass(frozen=True, slots=True)
class Patch:
    """An area where the outer skin has come off its core; round, or long with round ends.

    ``damping`` is ``"rings"`` (air behind the skin), ``"dead"`` (water or mush behind it), ``"rattles"`` (the
    ringing skin beats on the core once it has crossed ``gap_m``) or ``"hollow above dead"`` (a layer that
    rings, over one that is dead); ``loss_factor`` and ``clinging_kg_m2`` override the figures that go with
    it. ``length_m`` is that over all, 0 for a round patch, at ``angle_deg`` from x towards y; ``radius_m`` is
    then half the width. ``depth_m`` is how much of the skin lies above the gap: all of it if ``None``, half
    of it in a solid laminate and where a hollow lies above a dead layer.
    """

    x_m: float
    y_m: float
    radius_m: float
    damping: str = "rings"
    loss_factor: float | None = None
    clinging_kg_m2: float | None = None
    length_m: float = 0.0
    angle_deg: float = 0.0
    depth_m: float | None = None
    gap_m: float = 0.01e-3

    def __post_init__(self) -> None:
        if self.damping not in _DAMPING:
            raise SettingError(f"damping of a patch is {self.damping!r}", hint=f"choose {_choices(_DAMPING)}")
        if not self.radius_m > 0.0:
            raise SettingError(f"radius of a patch is {self.radius_m!r} m", hint="choose more than 0 m")
        if self.length_m and not self.length_m >= 2.0 * self.radius_m:
            raise SettingError(
                f"length of a patch is {self.length_m!r} m",
                hint=f"choose 0 m for a round one, or at least its width, {2.0 * self.radius_m:g} m",
            )
        if self.depth_m is not None and not self.depth_m > 0.0:
            raise SettingError(f"depth of a patch is {self.depth_m!r} m", hint="choose more than 0 m")
        if not self.gap_m > 0.0:
            raise SettingError(f"gap of a patch is {self.gap_m!r} m", hint="choose more than 0 m")

    @property
    def loss(self) -> float:
        """Loss factor of the loose skin's modes."""
        return _DAMPING[self.damping][0] if self.loss_factor is None else self.loss_factor

    @property
    def clinging(self) -> float:
        """Mass that moves with the loose skin, kg/m2."""
        return _DAMPING[self.damping][1] if self.clinging_kg_m2 is None else self.clinging_kg_m2

    @property
    def aspect(self) -> float:
        """Length over width, 1 for a round patch."""
        return max(self.length_m / (2.0 * self.radius_m), 1.0)

    @property
    def kind(self) -> str:
        """What is wrong: how it is damped or, where it plainly rings, whether it is a blister or long."""
        if self.damping != "rings":
            return self.damping
        if self.depth_m is not None:
            return "blister"
        return "long" if self.aspect > 1.0 else "rings"

    def away_m(self, xy: FloatArray) -> FloatArray:
        """Distance of places from the patch's middle or, if it is long, from its middle line, in m."""
        dx, dy = xy[:, 0] - self.x_m, xy[:, 1] - self.y_m
        if self.aspect > 1.0:
            c, s = np.cos(np.radians(self.angle_deg)), np.sin(np.radians(self.angle_deg))
            half = 0.5 * self.length_m - self.radius_m
            along = np.clip(c * dx + s * dy, -half, half)
            dx, dy = dx - c * along, dy - s * along
        return np.asarray(np.hypot(dx, dy))


@dataclass(frozen=True, slots=True)
class WetZone:
    """A round area whose skin is bonded but whose core is full of water: heavy, lossy, less easily squeezed.

    ``water_kg_m3`` is what the core has taken up; ``stiffening`` multiplies the core's moduli,
    ``loss`` every loss factor. The change is complete 30 mm inside the edge.
    """

    x_m: float
    y_m: float
    radius_m: float
    water_kg_m3: float = 500.0
    stiffening: float = 2.5
    loss: float = 4.0

    def __post_init__(self) -> None:
        if not self.radius_m > 0.0:
            raise SettingError(f"radius of a wet zone is {self.radius_m!r} m", hint="choose more than 0 m")


@dataclass(frozen=True, slots=True)
class Frame:
    """Structure behind the panel along a straight line: stiffer, heavier, held still."""

    x0_m: float
    y0_m: float
    x1_m: float
    y1_m: float
    width_m: float = 0.05
    stiffening: float = 4.0


class _Effect(NamedTuple):
    """What something behind or on the skin does to it at full strength; the plain values do nothing."""

    stiffening: float = 1.0  # of core and core shear
    braced: bool = False  # it is a member: a quarter of the stiffening comes as mass too
    quiet: float = 0.0  # share of the bay's modes that is lost there
    skin: float = 1.0  # thickness of the skin
    top_kg_m2: float = 0.0  # on the struck skin
    back_kg_m2: float = 0.0  # on the far side, moved by the panel as a whole
    loss: float = 1.0
    surface_pa: float | None = None  # modulus of what the tip meets


_BEHIND = {
    "frame": _Effect(stiffening=4.0, braced=True, quiet=0.7),
    "bulkhead": _Effect(stiffening=8.0, braced=True, quiet=0.9),
    "armature": _Effect(stiffening=6.0, braced=True, quiet=0.8),
    "core edge": _Effect(stiffening=30.0, quiet=0.5, back_kg_m2=8.0),
    "thickness step": _Effect(skin=1.5),
    "filler": _Effect(surface_pa=1.5e9, top_kg_m2=3.5, loss=1.5),
    "stand pad": _Effect(stiffening=1.5, quiet=0.3, loss=3.0),
    "tank": _Effect(back_kg_m2=15.0, quiet=0.5, loss=2.0),
}
#: What may stand behind or on good laminate.
BEHIND_KINDS = tuple(_BEHIND)


@dataclass(frozen=True, slots=True)
class Behind:
    """What is behind or on the skin and is no fault: along a line of some width, or inside an outline.

    ``strength`` scales what it does: 1 is the usual, 0 nothing. Outside its edge it fades over a quarter of
    its width, or over 20 mm.
    """

    kind: str
    line: tuple[tuple[float, float], ...] = ()
    outline: tuple[tuple[float, float], ...] = ()
    width_m: float = 0.05
    strength: float = 1.0

    def __post_init__(self) -> None:
        if self.kind not in _BEHIND:
            raise SettingError(f"kind of structure is {self.kind!r}", hint=f"choose {_choices(_BEHIND)}")
        if (len(self.line) < 2) == (len(self.outline) < 3):
            raise SettingError(
                f"{self.kind} lies nowhere, or in two ways",
                hint="give either a line of 2 or more points or an outline of 3 or more",
            )


def armature(
    x_m: float,
    low_m: float,
    high_m: float,
    *,
    tangs: int = 3,
    tang_m: float = 0.3,
    width_m: float = 0.05,
) -> tuple[Behind, ...]:
    """Lay out a rudder's armature: a stock along y, and tangs from it along x.

    Parameters
    ----------
    x_m, low_m, high_m : float
        Place of the stock and its lower and upper end, in m.
    tangs : int, optional
        How many, evenly spaced.
    tang_m, width_m : float, optional
        Length of a tang and width of every member, in m.

    Returns
    -------
    tuple of Behind
        Members of kind ``armature``.

    Examples
    --------
    >>> [member.line for member in armature(0.2, 0.0, 0.8, tangs=1)]
    [((0.2, 0.0), (0.2, 0.8)), ((0.2, 0.4), (0.5, 0.4))]
    """
    levels = low_m + (high_m - low_m) * (np.arange(tangs) + 0.5) / max(tangs, 1)
    lines = [((x_m, low_m), (x_m, high_m))]
    lines += [((x_m, float(y)), (x_m + tang_m, float(y))) for y in levels]
    return tuple(Behind("armature", line=line, width_m=width_m) for line in lines)


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
    room. ``hand_damping`` is what a hand that rests on the skin adds to the loss factor of the bay's modes;
    ``moving_m`` the standard deviation of a slow drift of the microphone's distance while recording.
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
    behind: tuple[Behind, ...] = ()
    wet: tuple[WetZone, ...] = ()
    hand_damping: float = 0.0
    moving_m: float = 0.0
    temperature_c: float = 20.0

    @property
    def laminate(self) -> Build:
        """The build as it is at the scene's temperature: warm resin and foam are softer and lossier."""
        warm = self.temperature_c - 20.0
        if warm == 0.0:
            return self.build
        build, skin, core = self.build, *(np.clip(1.0 - rate * warm, 0.2, 2.0) for rate in _SOFTER_PER_K)
        lossier = float(np.exp(_LOSSIER_PER_K * warm))
        return replace(
            build,
            skin_modulus_pa=build.skin_modulus_pa * skin,
            core_modulus_pa=build.core_modulus_pa * core,
            core_shear_pa=build.core_shear_pa * core,
            core_loss_factor=build.core_loss_factor * lossier,
            loss_factor=build.loss_factor * lossier,
        )


#: Of skin and of core, share a degree.
_SOFTER_PER_K = (0.003, 0.006)
_LOSSIER_PER_K = 0.015


# -- the panel where it is struck -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Local:
    """The panel at n places; every array has shape (n,) or, for the bay, (n, modes).

    ``kind`` names the fault at each place and ``behind`` what stands behind it, ``""`` for none. Where a
    place is loose, ``radius_m`` is the patch's radius or half its width, ``rho`` the way from its middle
    (line) over that; ``disc_m``, ``disc_bending_nm`` and ``disc_kg_m2`` are of the disc that gives way as the
    layer above the gap does, ``moving`` how much more of it moves than a round one's; ``below_…`` are of the
    dead layer under a hollow one. ``surface_pa`` is the modulus that the tip meets, ``back_kg_m2`` a mass on
    the far side, ``gap_m`` that of a skin that rattles.
    """

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
    kind: tuple[str, ...]
    behind: tuple[str, ...]
    surface_pa: FloatArray
    back_kg_m2: FloatArray
    disc_m: FloatArray
    disc_bending_nm: FloatArray
    disc_kg_m2: FloatArray
    moving: FloatArray
    gap_m: FloatArray
    below_bending_nm: FloatArray
    below_kg_m2: FloatArray

    @property
    def thickness_rad_s(self) -> FloatArray:
        """Angular frequency at which the struck face moves against the far one, on the core between them."""
        half = 0.5 * self.panel_kg_m2
        if not self.back_kg_m2.any():
            return np.asarray(np.sqrt(2.0 * self.foundation_pa_m / half))
        return np.asarray(np.sqrt(self.foundation_pa_m * (1.0 / half + 1.0 / (half + self.back_kg_m2))))

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
    build, spread, xy = scene.laminate, scene.spread, as_places(places_xy)
    x, y = xy.T
    n = len(xy)

    taper = 1.0 + scene.taper.along_x * (x - scene.taper.x_m) + scene.taper.along_y * (y - scene.taper.y_m)
    uneven = [_field(scene.seed, i, xy, spread.length_m) for i in range(3)]
    skin_m = build.skin_m * np.clip(taper, 0.2, 5.0) * (1.0 + spread.thickness_sd * uneven[0])
    modulus = build.skin_modulus_pa * (1.0 + spread.skin_modulus_sd * uneven[1])
    core_pa = build.core_modulus_pa * (1.0 + spread.core_modulus_sd * uneven[2])
    loss = spread.loss_factor ** _field(scene.seed, 3, xy, spread.loss_length_m)

    back = _Behind.at(scene, xy)
    wet, wet_kg_m2 = np.zeros(n), np.zeros(n)
    stiffening = back.stiffening
    for zone in scene.wet:
        share = _in_zone(zone, xy)
        wet = np.maximum(wet, share)
        wet_kg_m2 = np.maximum(wet_kg_m2, share * zone.water_kg_m3 * build.core_m)
        stiffening = stiffening * (1.0 + (zone.stiffening - 1.0) * share)
        loss = loss * zone.loss**share
    skin_m, loss = skin_m * back.skin, loss * back.loss

    bending = plate.bending_stiffness(modulus, skin_m, build.poisson)
    skin_kg = build.density_kg_m3 * skin_m
    if build.solid:
        panel_kg = skin_kg * (1.0 + 0.25 * (back.braced - 1.0)) + back.top_kg_m2
        foundation = np.zeros(n)
        bonded = 2.0 * np.pi * _SOLID_HZ * plate.point_impedance(bending * stiffening, panel_kg)
    else:
        panel_kg = 2.0 * skin_kg + build.core_density_kg_m3 * build.core_m
        panel_kg = panel_kg * (1.0 + 0.25 * (back.braced - 1.0)) + back.top_kg_m2 + wet_kg_m2
        foundation = core_pa / build.core_m * stiffening
        bonded = plate.foundation_stiffness(bending, foundation)

    loose = _Loose.at(scene, xy, skin_m)
    disc_bending = plate.bending_stiffness(modulus, loose.layer_m, build.poisson)
    below_bending = plate.bending_stiffness(modulus, loose.below_m, build.poisson)
    if build.anisotropy != 1.0:
        disc_bending = disc_bending * loose.directed
        below_bending = below_bending * loose.directed
    give = 1.0 / bonded + 1.0 / plate.clamped_circle_stiffness(
        disc_bending, loose.disc_m, loose.rho * loose.disc_m
    )
    if np.any(loose.below_m):
        bending_under = np.where(loose.below_m > 0.0, below_bending, np.inf)
        give = give + 1.0 / plate.clamped_circle_stiffness(
            bending_under, loose.disc_m, loose.rho * loose.disc_m
        )

    hz, shape = _bay(scene, xy)
    is_loose = loose.rho < 1.0
    return Local(
        skin_m=skin_m,
        skin_modulus_pa=modulus,
        bending_nm=bending,
        skin_kg_m2=skin_kg,
        panel_kg_m2=panel_kg,
        foundation_pa_m=foundation,
        bonded_stiffness_n_m=bonded,
        stiffness_n_m=1.0 / give,
        loss=loss,
        stiffening=stiffening,
        loose=is_loose,
        radius_m=loose.radius_m,
        rho=loose.rho,
        patch_loss=loose.loss,
        clinging_kg_m2=loose.clinging_kg_m2,
        to_edge_m=loose.to_edge_m,
        bay_shape=shape * back.bay[:, None],
        bay_hz=hz,
        kind=tuple(
            scene.patches[i].kind if here else "wet" if share >= 0.5 else ""
            for i, here, share in zip(loose.which, is_loose, wet, strict=True)
        ),
        behind=back.kind,
        surface_pa=modulus if back.surface_pa is None else np.minimum(modulus, back.surface_pa),
        back_kg_m2=back.back_kg_m2,
        disc_m=loose.disc_m,
        disc_bending_nm=disc_bending,
        disc_kg_m2=build.density_kg_m3 * loose.layer_m + back.top_kg_m2,
        moving=loose.moving,
        gap_m=loose.gap_m,
        below_bending_nm=below_bending,
        below_kg_m2=build.density_kg_m3 * loose.below_m,
    )


#: A solid laminate rests on no core; its stiffness is quoted as that of an endless plate at this frequency.
_SOLID_HZ = 1000.0


def declared(scene: Scene) -> list[dict[str, Any]]:
    """List what stands behind the panel as the ``[[structure]]`` tables of a panel file.

    Parameters
    ----------
    scene : Scene
        The panel as it is.

    Returns
    -------
    list of dict
        With ``kind`` and either ``line`` and ``width`` or ``outline``; points as [x, y], lengths in m.

    Examples
    --------
    >>> scene = Scene(frames=(Frame(0.5, 0.0, 0.5, 1.0),), behind=(Behind("tank", ((0, 0), (1, 0))),))
    >>> declared(scene)[0]
    {'kind': 'frame', 'line': [[0.5, 0.0], [0.5, 1.0]], 'width': 0.05}
    """
    tables: list[dict[str, Any]] = [
        {"kind": "frame", "line": [[f.x0_m, f.y0_m], [f.x1_m, f.y1_m]], "width": f.width_m}
        for f in scene.frames
    ]
    for b in scene.behind:
        if b.line:
            tables.append({"kind": b.kind, "line": [list(p) for p in b.line], "width": b.width_m})
        else:
            tables.append({"kind": b.kind, "outline": [list(p) for p in b.outline]})
    return tables


class _Behind(NamedTuple):
    """What is behind and on the skin, added up at n places."""

    kind: tuple[str, ...]
    stiffening: FloatArray
    braced: FloatArray
    bay: FloatArray
    skin: FloatArray
    top_kg_m2: FloatArray
    back_kg_m2: FloatArray
    loss: FloatArray
    surface_pa: FloatArray | None

    @classmethod
    def at(cls, scene: Scene, xy: FloatArray) -> _Behind:
        one, none = np.ones(len(xy)), np.zeros(len(xy))
        framed, braced, other, bay = none, one, one, one
        kind, strongest = np.full(len(xy), "", object), none
        for frame in scene.frames:
            here = _at_frame(frame, xy)
            framed = np.maximum(framed, here)
            braced = np.maximum(braced, 1.0 + (frame.stiffening - 1.0) * here)
            kind[here > strongest], strongest = "frame", np.maximum(strongest, here)
        bay = bay - 0.7 * framed
        skin, top, back, loss, surface = one, none, none, one, None
        for thing in scene.behind:
            effect = _BEHIND[thing.kind]
            here = _at(thing, xy)
            kind[here > strongest], strongest = thing.kind, np.maximum(strongest, here)
            here = here * thing.strength
            stiffer = 1.0 + (effect.stiffening - 1.0) * here
            if effect.braced:
                braced = np.maximum(braced, stiffer)
            else:
                other = other * stiffer
            bay = bay * np.clip(1.0 - effect.quiet * here, 0.05, 1.0)
            skin = skin * (1.0 + (effect.skin - 1.0) * here)
            top, back = top + effect.top_kg_m2 * here, back + effect.back_kg_m2 * here
            loss = loss * effect.loss**here
            if effect.surface_pa is not None:
                softer = np.where(here > 0.5, effect.surface_pa, np.inf)
                surface = softer if surface is None else np.minimum(surface, softer)
        return cls(tuple(kind), braced * other, braced, bay, skin, top, back, loss, surface)


class _Loose(NamedTuple):
    """The patch that is struck, at n places; where there is none, ``rho`` is 1."""

    which: NDArray[np.intp]
    radius_m: FloatArray
    rho: FloatArray
    to_edge_m: FloatArray
    loss: FloatArray
    clinging_kg_m2: FloatArray
    layer_m: FloatArray
    below_m: FloatArray
    disc_m: FloatArray
    moving: FloatArray
    gap_m: FloatArray
    directed: FloatArray

    @classmethod
    def at(cls, scene: Scene, xy: FloatArray, skin_m: FloatArray) -> _Loose:
        n = len(xy)
        none, one = np.zeros(n), np.ones(n)
        softest, to_edge = none, np.full(n, np.inf)
        told = cls(
            np.full(n, -1), one, one, to_edge, none, none, skin_m, none, one, one, np.full(n, np.inf), one
        )
        for i, patch in enumerate(scene.patches):
            away = patch.away_m(xy)
            to_edge = np.minimum(to_edge, away - patch.radius_m)
            layer = _layer(scene.build, patch, skin_m)
            disc_m, moving = patch.radius_m, 1.0
            if patch.aspect > 1.0:
                stiffness, frequency = plate.long_patch_factors(patch.aspect)
                disc_m, moving = patch.radius_m / float(np.sqrt(stiffness)), float(stiffness / frequency) ** 2
            # Where patches overlap, the one that is softer at this place is struck.
            softness = (disc_m * (1.0 - (away / patch.radius_m) ** 2)) ** 2 * (skin_m / layer) ** 3
            wins = (away < patch.radius_m) & (softness > softest)
            softest = np.where(wins, softness, softest)
            new = (
                i,
                patch.radius_m,
                away / patch.radius_m,
                to_edge,
                patch.loss,
                patch.clinging,
                layer,
                skin_m - layer if patch.damping == "hollow above dead" else 0.0,
                disc_m,
                moving,
                patch.gap_m if patch.damping == "rattles" else np.inf,
                _directed(scene.build.anisotropy, patch),
            )
            told = cls(*(np.where(wins, value, old) for value, old in zip(new, told, strict=True)))
        return told._replace(to_edge_m=to_edge)


def _layer(build: Build, patch: Patch, skin_m: FloatArray) -> FloatArray:
    """Thickness of the skin above the gap."""
    if patch.depth_m is not None:
        return np.minimum(patch.depth_m, 0.95 * skin_m)
    half = build.solid or patch.damping == "hollow above dead"
    return 0.5 * skin_m if half else skin_m


def _directed(anisotropy: float, patch: Patch) -> float:
    """Bending stiffness of an orthotropic disc, or across a long patch, over the geometric mean.

    Round: ``(3 Dx + 2 H + 3 Dy) / 8``, with ``H = sqrt(Dx Dy)``.
    """
    root = float(np.sqrt(anisotropy))
    disc = (3.0 * root + 2.0 + 3.0 / root) / 8.0
    across = root ** (-float(np.cos(2.0 * np.radians(patch.angle_deg))))
    long = plate.long_share(patch.aspect)
    return float(disc ** (1.0 - long) * across**long)


def _bay(scene: Scene, xy: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Frequencies of the bay's modes, and for each place shape times share of the force that is radiated."""
    modes = scene.laminate.bay_modes()
    rng = np.random.default_rng([scene.seed, 4])
    origin = rng.uniform(0.0, 1.0, 2) * scene.build.bay_m
    hz = np.array([f for f, _, _ in modes]) * (1.0 + 0.03 * stopped_normal(rng, len(modes)))
    i, j = np.array([[i, j] for _, i, j in modes]).T
    phase = np.pi * (xy - origin) / scene.build.bay_m
    shape = np.sin(np.outer(phase[:, 0], i)) * np.sin(np.outer(phase[:, 1], j)) * 16.0 / (np.pi**2 * i * j)
    for thing in scene.behind:
        if thing.kind == "tank":  # half of the bay is laden
            water = 0.5 * _BEHIND["tank"].back_kg_m2 * thing.strength
            hz = hz / np.sqrt(1.0 + water / scene.build.mass_kg_m2)
    return hz, shape * scene.build.bay_radiation


def _at_frame(frame: Frame, xy: FloatArray) -> FloatArray:
    """1 over the frame, falling to 0 over a quarter of its width on either side."""
    start = np.array([frame.x0_m, frame.y0_m])
    along = np.array([frame.x1_m, frame.y1_m]) - start
    t = np.clip((xy - start) @ along / max(float(along @ along), 1e-12), 0.0, 1.0)
    away = np.hypot(*(xy - start - t[:, None] * along).T)
    return np.asarray(np.clip(1.5 - away / (frame.width_m / 2.0), 0.0, 0.5) * 2.0)


def _at(thing: Behind, xy: FloatArray) -> FloatArray:
    """1 over what stands behind, falling to 0 outside its edge."""
    if thing.line:
        here = np.zeros(len(xy))
        for (x0, y0), (x1, y1) in zip(thing.line[:-1], thing.line[1:], strict=True):
            here = np.maximum(here, _at_frame(Frame(x0, y0, x1, y1, thing.width_m), xy))
        return here
    import shapely

    away = shapely.distance(shapely.Polygon(thing.outline), shapely.points(xy))
    return np.asarray(np.clip(1.0 - away / _FADE_M, 0.0, 1.0))


#: Over this width the effect of an outline fades.
_FADE_M = 0.02


def _in_zone(zone: WetZone, xy: FloatArray) -> FloatArray:
    """0 at the edge of a wet zone, 1 from 30 mm inside it."""
    away = np.hypot(xy[:, 0] - zone.x_m, xy[:, 1] - zone.y_m)
    return np.asarray(np.clip((zone.radius_m - away) / min(0.03, 0.5 * zone.radius_m), 0.0, 1.0))


def _field(seed: int, which: int, xy: FloatArray, length_m: float) -> FloatArray:
    """Draw a smooth random field of unit variance, correlated as ``exp(-d^2 / (2 length^2))``.

    A sum of 128 plane waves: it can be asked at any place at any time, and always answers the same.
    """
    rng = np.random.default_rng([seed, which])
    k = rng.standard_normal((2, 128)) / length_m
    waves = np.cos(xy @ k + rng.uniform(0.0, 2.0 * np.pi, 128))
    return np.asarray(np.clip(waves.sum(axis=1) * np.sqrt(2.0 / 128.0), -2.0, 2.0))


def slow_drift(seed: int, times_s: FloatArray, lasting_s: float = 8.0) -> FloatArray:
    """Draw a slow wander of unit variance.

    Parameters
    ----------
    seed : int
        Of the scene.
    times_s : numpy.ndarray, shape (n,)
        When, in s.
    lasting_s : float, optional
        Time over which it forgets where it was, in s.

    Returns
    -------
    numpy.ndarray, shape (n,)
        From -2 to 2.

    Examples
    --------
    >>> drift = slow_drift(1, np.array([0.0, 0.1, 60.0]))
    >>> bool(abs(drift[1] - drift[0]) < 0.1)
    True
    """
    return _field(seed, 20, np.column_stack((times_s, np.zeros_like(times_s))), lasting_s)


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
