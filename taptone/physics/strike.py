"""The blow of a hammer: Hertz contact against a surface that gives way, by time stepping.

The surface is known by two things only: a static compliance that follows the force at once, and an
impulse response that tells where the struck point goes later. Springs, dashpots, endless plates and ringing
discs are all of this form, so one stepping serves every kind of surface.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import RegularGridInterpolator
from scipy.special import j0

from taptone.types import FloatArray

__all__ = [
    "Blow",
    "contact_modulus",
    "hertz_contact_time",
    "hertz_peak_force",
    "hertz_stiffness",
    "plate_on_foundation_response",
    "sandwich_response",
    "strike",
]


@dataclass(frozen=True, slots=True, eq=False)
class Blow:
    """What happened at the tip in each of n strikes.

    ``force_n`` has shape (n, steps), ``dt_s`` apart, and is zero at step 0. ``contact_s`` runs from the
    first touch to the last parting, ``touches`` counts the contacts within it.
    """

    force_n: FloatArray
    dt_s: float
    contact_s: FloatArray
    touches: FloatArray

    @property
    def peak_n(self) -> FloatArray:
        """Largest force of each strike."""
        return np.asarray(self.force_n.max(axis=1))


def contact_modulus(
    tip_modulus_pa: ArrayLike, tip_poisson: ArrayLike, modulus_pa: ArrayLike, poisson: ArrayLike
) -> FloatArray:
    """Modulus of the contact of two bodies, ``1/E* = sum (1 - nu^2)/E``.

    Parameters
    ----------
    tip_modulus_pa, tip_poisson : array_like
        Young's modulus in Pa and Poisson's ratio of the hammer's tip.
    modulus_pa, poisson : array_like
        The same of the surface.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In Pa.

    Examples
    --------
    >>> print(f"{contact_modulus(210e9, 0.30, 10e9, 0.30) / 1e9:.4f}")
    10.4895
    """
    tip = (1.0 - np.asarray(tip_poisson, float) ** 2) / np.asarray(tip_modulus_pa, float)
    return np.asarray(1.0 / (tip + (1.0 - np.asarray(poisson, float) ** 2) / np.asarray(modulus_pa, float)))


def hertz_stiffness(contact_modulus_pa: ArrayLike, tip_radius_m: ArrayLike) -> FloatArray:
    """Factor k of Hertz's law ``F = k indentation^1.5``, ``4/3 E* sqrt(R)``.

    Parameters
    ----------
    contact_modulus_pa : array_like
        From `contact_modulus`, in Pa.
    tip_radius_m : array_like
        Radius of the rounded tip in m.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In N/m^1.5.

    Examples
    --------
    >>> print(f"{hertz_stiffness(10.4895e9, 0.010):.4e}")
    1.3986e+09
    """
    return np.asarray(
        4.0 / 3.0 * np.asarray(contact_modulus_pa, float) * np.sqrt(np.asarray(tip_radius_m, float))
    )


def hertz_contact_time(
    mass_kg: ArrayLike, tip_radius_m: ArrayLike, contact_modulus_pa: ArrayLike, speed_m_s: ArrayLike
) -> FloatArray:
    """Contact time on an immovable half space, ``2.8683 (m^2 / (R E*^2 v))^(1/5)``.

    Parameters
    ----------
    mass_kg, tip_radius_m : array_like
        Effective mass of the hammer in kg, radius of its rounded tip in m.
    contact_modulus_pa : array_like
        From `contact_modulus`, in Pa.
    speed_m_s : array_like
        Speed at the first touch in m/s.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In s.

    References
    ----------
    Johnson, Contact Mechanics (1985), section 11.4.

    Examples
    --------
    >>> print(f"{hertz_contact_time(0.050, 0.010, 10.4895e9, 1.0) * 1e3:.5f} ms")
    0.21326 ms
    """
    m, v = np.asarray(mass_kg, float), np.asarray(speed_m_s, float)
    r, e = np.asarray(tip_radius_m, float), np.asarray(contact_modulus_pa, float)
    return np.asarray(2.943275 * (15.0 / 16.0) ** 0.4 * (m**2 / (r * e**2 * v)) ** 0.2)


def hertz_peak_force(
    mass_kg: ArrayLike, tip_radius_m: ArrayLike, contact_modulus_pa: ArrayLike, speed_m_s: ArrayLike
) -> FloatArray:
    """Peak force on an immovable half space: all of the energy is in the indentation.

    Parameters
    ----------
    mass_kg, tip_radius_m : array_like
        Effective mass of the hammer in kg, radius of its rounded tip in m.
    contact_modulus_pa : array_like
        From `contact_modulus`, in Pa.
    speed_m_s : array_like
        Speed at the first touch in m/s.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In N.

    Examples
    --------
    >>> print(f"{hertz_peak_force(0.050, 0.010, 10.4895e9, 1.0):.1f}")
    862.6
    """
    k = hertz_stiffness(contact_modulus_pa, tip_radius_m)
    indentation = (1.25 * np.asarray(mass_kg, float) * np.asarray(speed_m_s, float) ** 2 / k) ** 0.4
    return np.asarray(k * indentation**1.5)


def plate_on_foundation_response(
    time_s: FloatArray, impedance_n_s_m: ArrayLike, cut_on_hz: ArrayLike, loss_factor: ArrayLike = 0.0
) -> FloatArray:
    """Impulse response of an endless plate on an elastic foundation at its driving point.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (steps,)
        Time since the impulse in s.
    impedance_n_s_m : array_like, shape (n,)
        ``8 sqrt(D m')`` of the plate without its foundation, in N s/m.
    cut_on_hz : array_like, shape (n,)
        ``sqrt(K / m') / (2 pi)`` in Hz: below it no wave runs and the plate is a spring of ``8 sqrt(K D)``.
    loss_factor : array_like, shape (n,), optional
        Of the foundation.

    Returns
    -------
    numpy.ndarray, shape (n, steps)
        Displacement per impulse, m/(N s): ``J0(w0 t) exp(-eta w0 t / 2) / Z``, the inverse transform of
        ``1 / (8 sqrt(D) sqrt(K + m' s^2))``.

    Examples
    --------
    The integral over all time is the static compliance, here one over 2.67 MN/m.

    >>> t = np.arange(0.0, 0.02, 2e-6)
    >>> h = plate_on_foundation_response(t, [95.5], [4447.0], [0.05])
    >>> print(f"{1e-6 / ((h.sum() - h[0, 0] / 2) * 2e-6):.2f}")
    2.67
    """
    omega = 2.0 * np.pi * np.atleast_1d(np.asarray(cut_on_hz, float))[:, None]
    eta = np.atleast_1d(np.asarray(loss_factor, float))[:, None]
    z = np.atleast_1d(np.asarray(impedance_n_s_m, float))[:, None]
    return np.asarray(j0(omega * time_s) * np.exp(-0.5 * eta * omega * time_s) / z)


def sandwich_response(
    time_s: FloatArray,
    stiffness_nm: ArrayLike,
    faces_nm: ArrayLike,
    shear_n_m: ArrayLike,
    mass_kg_m2: ArrayLike,
    loss_factor: float = 0.06,
) -> FloatArray:
    """Impulse response of an endless sandwich at its driving point, both faces moving alike.

    Parameters
    ----------
    time_s : numpy.ndarray, shape (steps,)
        Time since the impulse in s.
    stiffness_nm : array_like, shape (n,)
        Bending stiffness with the faces' own left out (the part that needs the core's shear), in N m.
    faces_nm : array_like, shape (n,)
        Bending stiffness of the two faces by themselves, together, in N m.
    shear_n_m, mass_kg_m2 : array_like, shape (n,)
        Shear stiffness in N/m, mass per area in kg/m2.
    loss_factor : float, optional
        Of the waves in the sandwich.

    Returns
    -------
    numpy.ndarray, shape (n, steps)
        Displacement per impulse, m/(N s).

    Notes
    -----
    Waves run by ``m' w^2 = D_faces k^4 + D k^4 / (1 + D k^2 / S)``. At first only the faces' own bending
    acts, ``1 / (8 sqrt(D_faces m'))``; then the core shears; in the end the whole bends as one plate,
    ``1 / (8 sqrt(D m'))``. The path between depends on ``D_faces / D`` and on ``t S / sqrt(D m')`` alone, so
    it is integrated once and looked up.

    Examples
    --------
    >>> h = sandwich_response(np.array([0.0, 1e-4, 1.0]), [1.04e4], [59.3], [6.6e5], [11.2])
    >>> print(np.round(h * 8 * np.sqrt(1.04e4 * 11.2), 1))
    [[13.2  6.4  1. ]]
    """
    d, f, s, m = (
        np.atleast_1d(np.asarray(v, float))[:, None] for v in (stiffness_nm, faces_nm, shear_n_m, mass_kg_m2)
    )
    path = _sandwich_path(float(loss_factor))
    (low_e, high_e), (low_t, high_t) = ((axis[0], axis[-1]) for axis in path.grid)
    with np.errstate(divide="ignore"):
        late = np.clip(np.log(time_s * s / np.sqrt(d * m)), low_t, high_t)
    ratio = np.broadcast_to(np.clip(np.log(f / d), low_e, high_e), late.shape)
    return np.asarray(np.exp(path((ratio, late))) / (8.0 * np.sqrt(d * m)))


@cache
def _sandwich_path(loss_factor: float) -> RegularGridInterpolator:
    """Log of the response over its last value, against the logs of ``D_faces / D`` and of the scaled time.

    With ``W(k)`` the scaled frequency, ``H = 4/pi * integral of sin(x) g(x / time) / x dx`` where
    ``g = k dk/dW``; the losses make it converge.
    """
    x = np.arange(0.025, 24.0 / loss_factor, 0.05)
    kernel = 4.0 / np.pi * np.sin(x) * np.exp(-0.5 * loss_factor * x) / x * 0.05
    kernel *= 1.0 / kernel.sum()  # a constant g gives the plain plate, whatever the losses
    kappa = np.geomspace(1e-4, 1e5, 4000)
    ratios, times = np.log(np.geomspace(1e-4, 1.0, 13)), np.log(np.geomspace(1e-4, 1e4, 97))
    table = np.empty((len(ratios), len(times)))
    for row, ratio in zip(table, np.exp(ratios), strict=True):
        w2 = ratio * kappa**4 + kappa**4 / (1.0 + kappa**2)
        slope = 4.0 * ratio * kappa**3 + (4.0 * kappa**3 + 2.0 * kappa**5) / (1.0 + kappa**2) ** 2
        g = kappa * 2.0 * np.sqrt(w2) / slope  # k dk/dW, with W^2 = w2
        at = np.log(x) - times[:, None]
        row[:] = np.log(2.0 * np.interp(at, 0.5 * np.log(w2), g) @ kernel)
    return RegularGridInterpolator((ratios, times), table)


def strike(
    mass_kg: ArrayLike,
    hertz_n_m15: ArrayLike,
    speed_m_s: ArrayLike,
    *,
    compliance_m_n: ArrayLike = 0.0,
    response: FloatArray | None = None,
    dt_s: float,
    longest_s: float = 0.02,
) -> Blow:
    """Step n strikes through their contact, all at once.

    Parameters
    ----------
    mass_kg, hertz_n_m15, speed_m_s : array_like, shape (n,)
        Effective mass of the hammer in kg, factor of Hertz's law in N/m^1.5, speed at the first touch in m/s.
    compliance_m_n : array_like, shape (n,), optional
        Compliance of the surface that follows the force at once, in m/N; 0 is immovable.
    response : numpy.ndarray, shape (n, steps), optional
        Impulse response of the struck point, displacement per impulse in m/(N s), every `dt_s`.
        It is taken as zero past its end.
    dt_s : float
        Time step in s; 5 us keeps the error of the contact time below 0.1 % for contacts over 0.15 ms.
    longest_s : float, optional
        Stepping ends here at the latest, in s.

    Returns
    -------
    Blow
        Cut after the last strike has parted for good.

    Notes
    -----
    Trapezoid rule for the hammer's motion and for the convolution with `response`. The force at the new
    step enters its own indentation; that leaves one cubic a step in the root of the indentation, which
    Newton's method solves from above, however stiff the contact.

    Examples
    --------
    A hammer of 50 g at 1 m/s on a spring of 147.3 kN/m stays twice as long as on 1 MN/m.

    >>> blow = strike(0.050, 1.3986e9, [1.0, 1.0], compliance_m_n=[1e-6, 1 / 147.3e3], dt_s=2e-6)
    >>> print(np.round(blow.contact_s * 1e3, 2))
    [0.75 1.86]
    """
    m, k, v, c = np.broadcast_arrays(
        *(np.atleast_1d(np.asarray(x, float)) for x in (mass_kg, hertz_n_m15, speed_m_s, compliance_m_n))
    )
    n, steps = len(m), round(longest_s / dt_s)
    if response is None:
        response = np.zeros((n, 1))
    memory = response.shape[1]
    backwards = response[:, ::-1]  # so that the convolution is a product of two slices
    give = dt_s**2 / (4.0 * m) + 0.5 * dt_s * response[:, 0] + c
    force, v, x = np.zeros((n, steps)), v.copy(), np.zeros(n)
    away = 0
    for i in range(1, steps):
        past = min(i - 1, memory - 1)
        w = dt_s * np.einsum("ij,ij->i", backwards[:, memory - 1 - past : memory - 1], force[:, i - past : i])
        before = force[:, i - 1]
        free = x + dt_s * v - dt_s**2 / (4.0 * m) * before  # where the tip would be without the new force
        new = _contact_force(free - w, give, k)
        force[:, i] = new
        x = free - dt_s**2 / (4.0 * m) * new
        v -= 0.5 * dt_s * (before + new) / m
        # Parted for good: moving off, and further out than any loose skin here follows.
        away = away + 1 if not new.any() and np.all((v < 0.0) & (x < w)) else 0
        if away * dt_s > _PARTED_S:
            break
    return _blow(force[:, : i + 1], dt_s)


#: A strike is over when the tip has been off the surface, and moving off, for this long.
_PARTED_S = 1.0e-3


def _contact_force(overlap: FloatArray, give: FloatArray, k: FloatArray) -> FloatArray:
    """Solve ``d + give k d^1.5 = overlap`` for the indentation d, and return ``k d^1.5``."""
    overlap = np.maximum(overlap, 0.0)
    touching = overlap > 0.0
    if not touching.any():
        return np.zeros_like(overlap)
    # Each term alone bounds the root u of u^2 + give k u^3 = overlap from above; Newton runs down to it.
    stiff = give * k
    u = np.minimum(np.sqrt(overlap), np.cbrt(overlap / np.where(stiff > 0.0, stiff, 1e-300)))
    for _ in range(12):
        slope = np.where(touching, 2.0 * u + 3.0 * stiff * u**2, 1.0)
        step = np.where(touching, (u**2 + stiff * u**3 - overlap) / slope, 0.0)
        u -= step
        if np.all(np.abs(step) <= 1e-10 * u):
            break
    return np.asarray(k * u**3)


def _blow(force: FloatArray, dt_s: float) -> Blow:
    """Read contact times off the forces; a touch is placed half a step outside its first and last force."""
    on = force > 0.0
    last = force.shape[1] - 1 - np.argmax(on[:, ::-1], axis=1)
    first = np.argmax(on, axis=1)
    contact = np.where(on.any(axis=1), (last - first + 1) * dt_s, 0.0)
    touches = np.count_nonzero(np.diff(on.astype(int), axis=1) == 1, axis=1)
    return Blow(force_n=force, dt_s=dt_s, contact_s=contact, touches=np.asarray(touches, float))
