"""From the force of a blow to the sound that leaves the panel.

A loose skin is a disc with modes, the panel around it an endless plate with the modes of its bay; together
they are one sum of poles from force to volume acceleration, and that sum is run exactly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt
from scipy.special import jv

from taptone.physics import plate
from taptone.physics.panel import Hammer, Local, Scene
from taptone.types import FloatArray

__all__ = [
    "AIR_KG_M3",
    "SPEED_OF_SOUND_M_S",
    "Disc",
    "Transfer",
    "beating",
    "loose_disc",
    "struck_in_the_middle",
    "transfer_function",
    "volume_acceleration",
    "with_hammers_ring",
]

SPEED_OF_SOUND_M_S = 343.0
AIR_KG_M3 = 1.205


# -- the loose skin as a disc ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Disc:
    """Modes of n loose discs, arrays of shape (n, modes); modes too high to follow have no part.

    ``drive`` is the mode's shape where it is struck, ``flow`` the mean of the shape over the disc as heard
    from the microphone, ``thrust`` the plain mean. ``rest_m_n`` is the compliance of the modes left out,
    ``below`` a dead layer that gives way under the blow but is not heard.
    """

    pole: NDArray[np.complex128]
    drive: FloatArray
    flow: FloatArray
    thrust: FloatArray
    mass_kg: FloatArray
    rest_m_n: FloatArray
    below: Disc | None = None

    def response(self, time_s: FloatArray) -> FloatArray:
        """Displacement per impulse at the struck point, shape (n, steps)."""
        out = np.zeros((len(self.pole), len(time_s)))
        for pole, part in zip(self.pole.T, (self.drive**2 / self.mass_kg).T, strict=True):
            out += (
                (part / pole.imag)[:, None]
                * np.exp(np.outer(pole.real, time_s))
                * np.sin(np.outer(pole.imag, time_s))
            )
        return out if self.below is None else out + self.below.response(time_s)


#: Modes of the disc above this are taken as a static compliance.
_HIGHEST_HZ = 20e3


def loose_disc(scene: Scene, here: Local) -> Disc:
    """Work out the modes of the loose skin.

    Parameters
    ----------
    scene : Scene
        The panel as it is; the angle from which it is listened to.
    here : Local
        The panel at n places, all of them loose.

    Returns
    -------
    Disc
        Its modes up to 20 kHz, as they are struck at those places.

    Examples
    --------
    >>> from taptone.physics.panel import Patch, Spread, local
    >>> scene = Scene(patches=(Patch(0.0, 0.0, 0.05),), spread=Spread().scaled(0.0))
    >>> disc = loose_disc(scene, local(scene, [[0.0, 0.0]]))
    >>> print(f"{abs(disc.pole[0, 0]) / (2 * np.pi):.0f} Hz")
    1617 Hz
    """
    disc = _disc(
        scene,
        here,
        here.disc_bending_nm,
        here.disc_kg_m2 + here.clinging_kg_m2,
        0.5 * here.patch_loss * here.loss,
    )
    if not here.below_kg_m2.any():
        return disc
    # Where nothing lies below, a layer of the same kind stands in and takes no part.
    under = here.below_kg_m2 > 0.0
    below = _disc(
        scene,
        here,
        np.where(under, here.below_bending_nm, here.disc_bending_nm),
        np.where(under, here.below_kg_m2 + _MUSH_KG_M2, here.disc_kg_m2),
        np.full(len(under), 0.5 * _MUSH_LOSS),
    )
    below = replace(below, drive=below.drive * under[:, None], rest_m_n=below.rest_m_n * under)
    return replace(disc, rest_m_n=disc.rest_m_n + below.rest_m_n, below=below)


#: What clings to a dead layer, and its loss factor.
_MUSH_KG_M2, _MUSH_LOSS = 6.0, 0.5


def _disc(
    scene: Scene, here: Local, bending_nm: FloatArray, mass_kg_m2: FloatArray, damping: FloatArray
) -> Disc:
    """Modes of discs of given stiffness, mass per area and share of critical damping."""
    diameters, lambda2, nodes, weights, shapes = _disc_modes()
    radius_m = here.disc_m
    hz = plate.natural_frequency(
        lambda2, radius_m[:, None], bending_nm[:, None], (mass_kg_m2 * here.moving)[:, None]
    )
    omega, kept = 2.0 * np.pi * hz, hz < _HIGHEST_HZ
    zeta = np.minimum(damping, 0.5)[:, None]
    pole = omega * (-zeta + 1j * np.sqrt(1.0 - zeta**2))

    drive = np.stack([plate.clamped_circle_shape(n, s, here.rho) for n, s in _DISC_FAMILIES], axis=1)
    mass = mass_kg_m2 * here.moving * np.pi * radius_m**2
    drive = np.where(kept, drive, 0.0)
    static = (1.0 - here.rho**2) ** 2 * radius_m**2 / (16.0 * np.pi * bending_nm)
    rest = np.maximum(static - (drive**2 / (mass[:, None] * omega**2)).sum(axis=1), 0.0)

    across = np.sin(np.radians(scene.listening_angle_deg))
    wave = omega / SPEED_OF_SOUND_M_S * radius_m[:, None] * across
    heard = jv(diameters[:, None], wave[:, :, None] * nodes)
    flow = 2.0 * (shapes * heard * (weights * nodes)).sum(axis=2)
    thrust = 2.0 * (shapes * (weights * nodes)).sum(axis=1) * (diameters == 0)
    return Disc(pole, drive, flow, np.broadcast_to(thrust, drive.shape), mass[:, None], rest)


def struck_in_the_middle(disc: Disc) -> Disc:
    """Return the same discs, driven in their middle.

    Parameters
    ----------
    disc : Disc
        Driven anywhere.

    Returns
    -------
    Disc
        Only modes without nodal diameters move; those too high to follow have no part.

    Examples
    --------
    >>> from taptone.physics.panel import Patch, Spread, local
    >>> scene = Scene(patches=(Patch(0.0, 0.0, 0.05),), spread=Spread().scaled(0.0))
    >>> disc = struck_in_the_middle(loose_disc(scene, local(scene, [[0.03, 0.0]])))
    >>> print(f"{disc.drive[0, 0]:.3f}")
    2.339
    """
    middle = np.array([float(plate.clamped_circle_shape(n, s, 0.0)) for n, s in _DISC_FAMILIES])
    followed = np.abs(disc.pole) < 2.0 * np.pi * _HIGHEST_HZ
    return replace(disc, drive=np.where(followed, middle, 0.0))


def beating(
    force: FloatArray,
    dt_s: float,
    disc: Disc,
    gap_m: FloatArray,
    core_n_m: FloatArray,
    longest_s: float = 0.040,
) -> FloatArray:
    """Follow a loose skin that beats on its core: contact opens and closes while it rings.

    Parameters
    ----------
    force : numpy.ndarray, shape (n, steps)
        Force of the hammer in N, `dt_s` apart.
    dt_s : float
        Time step in s.
    disc : Disc
        The loose skin, as the hammer drives it.
    gap_m : numpy.ndarray, shape (n,)
        Between skin and core in the middle, at rest, in m; infinite where they never touch.
    core_n_m : numpy.ndarray, shape (n,)
        Stiffness of what is beaten, in N/m.
    longest_s : float, optional
        How long it is followed, in s.

    Returns
    -------
    numpy.ndarray, shape (n, steps)
        Force between skin and core in N, never negative; as many steps as it is followed.

    Notes
    -----
    The middle meets a spring once it has crossed the gap. The spring gives back half of its work, so that
    the blows weaken; they end when the ring no longer crosses the gap, sooner after a weak tap.

    Examples
    --------
    >>> from taptone.physics.panel import Patch, Spread, local
    >>> scene = Scene(patches=(Patch(0.0, 0.0, 0.05),), spread=Spread().scaled(0.0))
    >>> disc = loose_disc(scene, local(scene, [[0.0, 0.0]]))
    >>> push = 50.0 * np.ones((1, 100))
    >>> wide, narrow = (beating(push, 5e-6, disc, np.array([gap]), np.array([2e6])) for gap in (1e-2, 1e-5))
    >>> bool(wide.any()), bool(narrow.any())
    (False, True)
    """
    steps = max(round(longest_s / dt_s), force.shape[1])
    force = np.pad(force, ((0, 0), (0, steps - force.shape[1])))
    middle = struck_in_the_middle(disc)
    # Displacement of the middle is the imaginary part of the sum of the states.
    grow = np.exp(disc.pole * dt_s)
    hit = disc.drive * middle.drive / disc.mass_kg / disc.pole.imag * dt_s
    kick = middle.drive**2 / disc.mass_kg / disc.pole.imag * dt_s
    state = np.zeros_like(disc.pole)
    beat, x, before = np.zeros_like(force), np.zeros(len(force)), np.zeros(len(force))
    for i in range(1, steps):
        state = grow * (state + hit * force[:, i - 1, None] - kick * beat[:, i - 1, None])
        before, x = x, state.imag.sum(axis=1)
        overlap = np.maximum(x - gap_m, 0.0)
        beat[:, i] = core_n_m * overlap * np.where(x > before, 1.0, 0.5)
    return beat


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


# -- from force to volume flow --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Transfer:
    """Volume acceleration of the panel per force, m3/s2 per N, as a sum of poles.

    ``direct + 2 Re sum residue / (s - pole)``; ``direct`` has shape (n,), the others (n, poles).
    """

    direct: FloatArray
    pole: NDArray[np.complex128]
    residue: NDArray[np.complex128]


def transfer_function(scene: Scene, here: Local, disc: Disc | None) -> Transfer:
    """Work out what the panel radiates.

    Parameters
    ----------
    scene : Scene
        The panel as it is.
    here : Local
        The panel at n places.
    disc : Disc or None
        The loose skin at those places, or None where the skin is bonded.

    Returns
    -------
    Transfer
        Volume acceleration per force at each place.

    Notes
    -----
    Each mode carries ``c s^2 / (s^2 + 2 z w s + w^2) = c (1 - g)``: at once it follows the force, then it
    rings. The force on an endless panel accelerates its mass, F/m'; the bay's modes and the skin's spring on
    the core add their ringing; a loose disc takes what it needs to move itself and passes on the rest.

    Examples
    --------
    >>> from taptone.physics.panel import Spread, local
    >>> scene = Scene(spread=Spread().scaled(0.0))
    >>> here = local(scene, [[0.0, 0.0]])
    >>> print(transfer_function(scene, here, None).direct * here.panel_kg_m2)
    [2.]
    """
    build = scene.laminate
    bay_omega = 2.0 * np.pi * np.broadcast_to(here.bay_hz, here.bay_shape.shape)
    bay_zeta = 0.5 * np.broadcast_to(
        (build.loss_factor * here.loss + scene.hand_damping)[:, None], here.bay_shape.shape
    )
    # What lies on the far side is moved by the panel as a whole only.
    whole = here.panel_kg_m2 + here.back_kg_m2
    if build.solid:
        omega, zeta, part = bay_omega, bay_zeta, here.bay_shape / whole[:, None]
        direct = 1.0 / whole
    else:
        # Two half panels on the core between them; at once the struck one follows the force alone.
        direct = 2.0 / here.panel_kg_m2
        omega = np.column_stack((bay_omega, here.thickness_rad_s))
        zeta = np.column_stack((bay_zeta, 0.5 * build.core_loss_factor * here.loss))
        part = np.column_stack((here.bay_shape / whole[:, None], direct - 1.0 / whole))
    zeta = np.minimum(zeta, 0.5)
    pole = omega * (-zeta + 1j * np.sqrt(1.0 - zeta**2))
    ring = np.asarray(pole**2 / (2j * pole.imag), np.complex128)
    if disc is None:
        return Transfer(direct, pole, part * ring)

    def lag(s: NDArray[np.complex128], p: NDArray[np.complex128]) -> NDArray[np.complex128]:
        """``g`` of modes `p` at complex frequencies `s`; shape (n, s, p)."""
        w2, damping = np.abs(p[:, None, :]) ** 2, -2.0 * p.real[:, None, :]
        s = s[:, :, None]
        return np.asarray((damping * s + w2) / (s**2 + damping * s + w2))

    taken = disc.drive * disc.thrust
    flow = disc.drive * disc.flow * (np.pi * here.disc_m**2 * here.moving)[:, None] / disc.mass_kg
    passed = 1.0 - (taken[:, None, :] * (1.0 - lag(pole, disc.pole))).sum(axis=2)
    behind = direct[:, None] - (part[:, None, :] * lag(disc.pole, pole)).sum(axis=2)
    disc_ring = disc.pole**2 / (2j * disc.pole.imag)
    return Transfer(
        flow.sum(axis=1) + (1.0 - taken.sum(axis=1)) * direct,
        np.concatenate((pole, disc.pole), axis=1),
        np.concatenate((part * ring * passed, disc_ring * (flow - taken * behind)), axis=1),
    )


def with_hammers_ring(hammer: Hammer, transfer: Transfer) -> Transfer:
    """Add the modes of the hammer's own head to what is heard.

    Parameters
    ----------
    hammer : Hammer
        With ``ring_db`` over a panel of 10 kg/m2; ``None`` adds nothing.
    transfer : Transfer
        Of the panel.

    Returns
    -------
    Transfer
        With a pair of poles more for each mode of the head.

    Examples
    --------
    >>> none = np.zeros((1, 0), complex)
    >>> with_hammers_ring(Hammer(ring_db=-20.0), Transfer(np.array([0.1]), none, none)).direct
    array([0.12])
    """
    if hammer.ring_db is None:
        return transfer
    n, each = len(transfer.direct), 10.0 ** (hammer.ring_db / 20.0) / _RING_KG_M2
    zeta = 0.5 * hammer.ring_loss_factor
    pole = 2.0 * np.pi * np.array(hammer.ring_hz) * (-zeta + 1j * np.sqrt(1.0 - zeta**2))
    pole = np.broadcast_to(pole, (n, len(pole)))
    return Transfer(
        transfer.direct + each * pole.shape[1],
        np.concatenate((transfer.pole, pole), axis=1),
        np.concatenate((transfer.residue, each * pole**2 / (2j * pole.imag)), axis=1),
    )


#: The panel against which the ring of a hammer is told.
_RING_KG_M2 = 10.0


def volume_acceleration(
    force: FloatArray,
    transfer: Transfer,
    offset: NDArray[np.intp],
    rate_hz: int,
    finer: int,
    samples: int,
) -> FloatArray:
    """Volume acceleration at the sample rate, from the onset on, behind a causal anti-alias filter.

    Parameters
    ----------
    force : numpy.ndarray, shape (n, steps)
        Force in N at the fine rate, zero at its first step and after its last.
    transfer : Transfer
        Volume acceleration per force, for each of the n blows.
    offset : numpy.ndarray of int, shape (n,)
        Fine steps from the first touch to the first sample, at most `finer`.
    rate_hz : int
        Sample rate in Hz.
    finer : int
        Fine steps a sample.
    samples : int
        Samples to return.

    Returns
    -------
    numpy.ndarray, shape (n, samples)
        In m3/s2.

    Notes
    -----
    During the contact everything runs at the fine rate; afterwards only decaying modes are left, and those
    are known exactly, filter included.

    Examples
    --------
    A push of 1 N on a plate of 10 kg/m2 that follows at once moves 0.1 m3/s2 of air.

    >>> none = np.zeros((1, 0), complex)
    >>> plain, push = Transfer(np.array([0.1]), none, none), np.ones((1, 800))
    >>> sound = volume_acceleration(push, plain, np.array([4]), 48_000, 4, 240)
    >>> print(np.round(sound[0, [100, 239]], 3) + 0.0)
    [0.1 0. ]
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


def _driven(force: FloatArray, transfer: Transfer, dt: float) -> tuple[FloatArray, NDArray[np.complex128]]:
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
