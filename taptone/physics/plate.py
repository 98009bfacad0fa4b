"""Laws of thin plates: what a skin, bonded or loose, opposes to a push and how it rings.

Pure functions in SI units; every argument may be a number or an array, unless said otherwise, and the
result has the shape to which the arguments broadcast. Thin-plate theory throughout: shear and rotary inertia
of the skin itself are left out.

Notation: bending stiffness ``D`` in N m (per unit width), mass per area ``m'`` in kg/m2, and frequency
parameters ``lambda^2`` with ``omega = lambda^2 / a^2 * sqrt(D / m')``.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import iv, ive, jn_zeros, jv

from taptone.types import FloatArray

__all__ = [
    "bay_wave_number_squared",
    "bending_stiffness",
    "clamped_circle_lambda2",
    "clamped_circle_shape",
    "clamped_circle_stiffness",
    "coincidence_frequency",
    "cylinder_stiffening",
    "foundation_stiffness",
    "long_patch_factors",
    "long_share",
    "natural_frequency",
    "point_impedance",
    "sandwich_bending_stiffness",
    "sandwich_shear_stiffness",
    "supported_circle_lambda2",
    "supported_circle_stiffness",
    "supported_rectangle_frequency",
]


def bending_stiffness(modulus_pa: ArrayLike, thickness_m: ArrayLike, poisson: ArrayLike) -> FloatArray:
    """Bending stiffness of a homogeneous plate, ``E h^3 / (12 (1 - nu^2))``.

    Parameters
    ----------
    modulus_pa, thickness_m, poisson : array_like
        Young's modulus in Pa, thickness in m, Poisson's ratio.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In N m.

    Examples
    --------
    >>> print(f"{bending_stiffness(10e9, 2e-3, 0.30):.5f}")
    7.32601
    """
    e, h, nu = np.asarray(modulus_pa, float), np.asarray(thickness_m, float), np.asarray(poisson, float)
    return np.asarray(e * h**3 / (12.0 * (1.0 - nu**2)))


def natural_frequency(
    lambda2: ArrayLike, size_m: ArrayLike, stiffness_nm: ArrayLike, mass_kg_m2: ArrayLike
) -> FloatArray:
    """Natural frequency from a frequency parameter.

    Parameters
    ----------
    lambda2 : array_like
        ``lambda^2`` of the mode.
    size_m : array_like
        Radius of a circle, or the side which `lambda2` refers to, in m.
    stiffness_nm, mass_kg_m2 : array_like
        Bending stiffness in N m, mass per area in kg/m2.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In Hz.

    Examples
    --------
    >>> print(f"{natural_frequency(clamped_circle_lambda2(0, 0), 0.050, 7.32601, 3.2):.2f}")
    984.04
    """
    d, m = np.asarray(stiffness_nm, float), np.asarray(mass_kg_m2, float)
    lam, a = np.asarray(lambda2, float), np.asarray(size_m, float)
    return np.asarray(lam / (2.0 * np.pi * a**2) * np.sqrt(d / m))


@cache
def clamped_circle_lambda2(diameters: int, circles: int) -> float:
    """Frequency parameter of a circular plate clamped at its rim.

    Parameters
    ----------
    diameters, circles : int
        Nodal diameters and nodal circles inside the rim.

    Returns
    -------
    float
        Root of ``J_n(x) I_n'(x) = I_n(x) J_n'(x)``, squared.

    Notes
    -----
    A root lies between each zero of ``J_n`` and the zero of ``J_n+1`` that follows it.

    Examples
    --------
    >>> print(f"{clamped_circle_lambda2(0, 0):.4f}  {clamped_circle_lambda2(1, 0):.4f}")
    10.2158  21.2604
    """
    n = diameters

    def characteristic(x: float) -> float:
        return float(jv(n, x) * ive(n + 1, x) + ive(n, x) * jv(n + 1, x))

    low, high = jn_zeros(n, circles + 1)[-1], jn_zeros(n + 1, circles + 1)[-1]
    return float(brentq(characteristic, low, high, xtol=1e-12)) ** 2


def clamped_circle_shape(diameters: int, circles: int, rho: ArrayLike) -> FloatArray:
    """Deflection of a mode of the clamped circle along the diameter where it is largest.

    Parameters
    ----------
    diameters, circles : int
        Nodal diameters and nodal circles inside the rim.
    rho : array_like
        Distance from the middle over the radius, 0 to 1.

    Returns
    -------
    numpy.ndarray, shape of `rho`
        Scaled so that the mean square over the whole disc is 1 (the modal mass is the disc's own).

    Examples
    --------
    >>> print(np.round(clamped_circle_shape(0, 0, [0.0, 0.5, 1.0]), 3) + 0.0)
    [2.339 1.227 0.   ]
    """
    n, lam = diameters, np.sqrt(clamped_circle_lambda2(diameters, circles))
    x = lam * np.asarray(rho, float)
    shape = jv(n, x) - jv(n, lam) / iv(n, lam) * iv(n, x)
    # Lommel's integrals give 2 J_n(lam)^2 along the radius; cos^2 round the rim halves it unless n = 0.
    return np.asarray(shape / abs(jv(n, lam)) / (np.sqrt(2.0) if n == 0 else 1.0))


def clamped_circle_stiffness(
    stiffness_nm: ArrayLike, radius_m: ArrayLike, r_m: ArrayLike = 0.0
) -> FloatArray:
    """Point stiffness of a clamped circle, ``16 pi D / (a^2 (1 - r^2/a^2)^2)``.

    Parameters
    ----------
    stiffness_nm, radius_m : array_like
        Bending stiffness in N m, radius in m.
    r_m : array_like, optional
        Distance of the load from the middle in m; the stiffness is infinite at the rim.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In N/m, under the load.

    References
    ----------
    Timoshenko and Woinowsky-Krieger, Theory of Plates and Shells.

    Examples
    --------
    >>> print(f"{clamped_circle_stiffness(7.32601, 0.050):.0f}")
    147298
    """
    d, a, r = np.asarray(stiffness_nm, float), np.asarray(radius_m, float), np.asarray(r_m, float)
    with np.errstate(divide="ignore"):
        return np.asarray(16.0 * np.pi * d / (a * (1.0 - (r / a) ** 2)) ** 2)


@cache
def supported_circle_lambda2(diameters: int, circles: int, poisson: float) -> float:
    """Frequency parameter of a circular plate simply supported at its rim.

    Parameters
    ----------
    diameters, circles : int
        Nodal diameters and nodal circles inside the rim.
    poisson : float
        Poisson's ratio.

    Returns
    -------
    float
        Root of ``J_n+1/J_n + I_n+1/I_n = 2 x / (1 - nu)``, squared.

    Examples
    --------
    >>> print(f"{supported_circle_lambda2(0, 0, 0.30):.4f}")
    4.9351
    """
    n = diameters

    def characteristic(x: float) -> float:
        clamped = jv(n + 1, x) * ive(n, x) + ive(n + 1, x) * jv(n, x)
        return float((1.0 - poisson) * clamped - 2.0 * x * jv(n, x) * ive(n, x))

    high = jn_zeros(n, circles + 1)[-1]
    low = np.sqrt(clamped_circle_lambda2(n, circles - 1)) if circles else 0.6 * high
    return float(brentq(characteristic, low, high, xtol=1e-12)) ** 2


def supported_circle_stiffness(
    stiffness_nm: ArrayLike, radius_m: ArrayLike, poisson: ArrayLike
) -> FloatArray:
    """Stiffness at the middle of a simply supported circle, ``16 pi D (1 + nu) / ((3 + nu) a^2)``.

    Parameters
    ----------
    stiffness_nm, radius_m, poisson : array_like
        Bending stiffness in N m, radius in m, Poisson's ratio.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In N/m, under a load in the middle.

    Examples
    --------
    >>> print(f"{supported_circle_stiffness(7.32601, 0.050, 0.30):.0f}")
    58027
    """
    nu = np.asarray(poisson, float)
    return clamped_circle_stiffness(stiffness_nm, radius_m) * (1.0 + nu) / (3.0 + nu)


def supported_rectangle_frequency(
    m: ArrayLike,
    n: ArrayLike,
    length_m: ArrayLike,
    width_m: ArrayLike,
    stiffness_nm: ArrayLike,
    mass_kg_m2: ArrayLike,
) -> FloatArray:
    """Natural frequency of a simply supported rectangle with `m` by `n` half waves.

    Parameters
    ----------
    m, n : array_like
        Half waves along the length and along the width.
    length_m, width_m : array_like
        Sides in m.
    stiffness_nm, mass_kg_m2 : array_like
        Bending stiffness in N m, mass per area in kg/m2.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In Hz.

    Examples
    --------
    >>> d = bending_stiffness(10e9, 5e-3, 0.30)
    >>> print(np.round(supported_rectangle_frequency([1, 2], [1, 1], 0.4, 0.3, d, 8.0), 2))
    [103.16 214.57]
    """
    kx = np.asarray(m, float) / np.asarray(length_m, float)
    ky = np.asarray(n, float) / np.asarray(width_m, float)
    return natural_frequency(np.pi**2 * (kx**2 + ky**2), 1.0, stiffness_nm, mass_kg_m2)


def bay_wave_number_squared(i: int, j: int, length_m: float, width_m: float, fixity: float) -> float:
    """Square of the wave number that gives a bay's mode as ``omega = k^2 sqrt(D / m')``.

    Parameters
    ----------
    i, j : int
        Half waves along the length and along the width.
    length_m, width_m : float
        Sides in m.
    fixity : float
        0 for simply supported edges, 1 for clamped ones; between them the wave numbers run straight.

    Returns
    -------
    float
        In 1/m2.

    References
    ----------
    Warburton, The vibration of rectangular plates (1954), from memory: products of beam shapes.

    Examples
    --------
    A clamped square: 35.985 is exact.

    >>> print(f"{bay_wave_number_squared(1, 1, 1.0, 1.0, 1.0):.2f}")
    36.11
    """
    kx, hx = _beam(i, fixity)
    ky, hy = _beam(j, fixity)
    bent = (kx / length_m) ** 4 + (ky / width_m) ** 4
    return float(np.sqrt(bent + 2.0 * hx * hy / (length_m * width_m) ** 2))


def _beam(half_waves: int, fixity: float) -> tuple[float, float]:
    """Wave number of a beam of length 1, and its mean square slope over its mean square."""
    clamped = _CLAMPED_FIRST if half_waves == 1 else (half_waves + 0.5) * np.pi
    slope = clamped**2 * (1.0 - 2.0 / clamped) if half_waves > 1 else _CLAMPED_FIRST_SLOPE
    free = half_waves * np.pi
    return (1.0 - fixity) * free + fixity * clamped, (1.0 - fixity) * free**2 + fixity * slope


#: Of a clamped beam's first mode.
_CLAMPED_FIRST, _CLAMPED_FIRST_SLOPE = 4.730041, 12.3026


def cylinder_stiffening(
    membrane_n_m: ArrayLike, radius_m: ArrayLike, half_waves_x_1_m: ArrayLike, half_waves_y_1_m: ArrayLike
) -> FloatArray:
    """Stiffness per area that curvature adds to a mode, ``E h / R^2 (kx / k)^4``.

    Parameters
    ----------
    membrane_n_m : array_like
        Modulus times thickness of all skins, in N/m.
    radius_m : array_like
        Radius of the cylinder, whose axis lies along x, in m.
    half_waves_x_1_m, half_waves_y_1_m : array_like
        Half waves a metre along x and along y.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In Pa/m; over the mass per area it adds to the square of the angular frequency.

    References
    ----------
    Donnell's shallow cylinder; Leissa, Vibration of Shells, NASA SP-288 (from memory).

    Examples
    --------
    A mode that does not vary round the cylinder feels all of it.

    >>> print(f"{cylinder_stiffening(72e6, 3.0, 1.0, 0.0):.3e}")
    8.000e+06
    """
    kx, ky = np.asarray(half_waves_x_1_m, float), np.asarray(half_waves_y_1_m, float)
    all_of_it = np.asarray(membrane_n_m, float) / np.asarray(radius_m, float) ** 2
    return np.asarray(all_of_it * (kx**2 / (kx**2 + ky**2)) ** 2)


def long_patch_factors(aspect: float) -> tuple[float, float]:
    """Stiffness and lowest frequency of a long clamped plate over those of the circle as wide as it.

    Parameters
    ----------
    aspect : float
        Length over width, at least 1.

    Returns
    -------
    stiffness, frequency : float
        Both 1 at 1; for an endless strip 0.686 and 0.547.

    Notes
    -----
    The ends are the circle, ``16 pi D / a^2`` and 10.2158, and the strip of the same half width,
    ``D / (0.00725 (2a)^2)`` and ``22.373 / 4``. Between them both go as those of clamped rectangles do.

    References
    ----------
    Timoshenko and Woinowsky-Krieger, Theory of Plates and Shells, table 37; Leissa, NASA SP-160, ch. 4;
    both from memory.

    Examples
    --------
    >>> print("{:.3f} {:.3f}".format(*long_patch_factors(2.0)))
    0.692 0.632
    """
    strip_stiffness = 1.0 / (4.0 * _SINK[-1]) / (16.0 * np.pi)
    strip_frequency = _SQUARE_TO_STRIP[-1] / 4.0 / clamped_circle_lambda2(0, 0)
    towards = (_SQUARE_TO_STRIP[-1] - np.interp(-1.0 / aspect, -1.0 / _LEISSA, _SQUARE_TO_STRIP)) / (
        _SQUARE_TO_STRIP[-1] - _SQUARE_TO_STRIP[0]
    )
    frequency = strip_frequency + (1.0 - strip_frequency) * float(towards)
    return 1.0 - (1.0 - float(strip_stiffness)) * long_share(aspect), float(frequency)


def long_share(aspect: float) -> float:
    """How far a clamped plate is on its way from a square, 0, to an endless strip, 1.

    Parameters
    ----------
    aspect : float
        Length over width, at least 1.

    Returns
    -------
    float
        By how much it sinks under a load in the middle.

    Examples
    --------
    >>> print(f"{long_share(1.0):.2f} {long_share(1.4):.2f} {long_share(1e9):.2f}")
    0.00 0.79 1.00
    """
    sink = np.interp(-1.0 / aspect, -1.0 / _ASPECT, _SINK)
    return float((sink - _SINK[0]) / (_SINK[-1] - _SINK[0]))


#: Clamped rectangle: sinking in the middle, times D over force and the square of the short side.
_ASPECT = np.array([1.0, 1.2, 1.4, 1.6, 1.8, 2.0, 1e12])
_SINK = np.array([0.00560, 0.00647, 0.00691, 0.00712, 0.00720, 0.00722, 0.00725])
#: Clamped rectangle: lowest lambda^2 on the short side.
_LEISSA = np.array([1.0, 1.5, 2.5, 1e12])
_SQUARE_TO_STRIP = np.array([35.992, 27.010, 23.648, 22.373])


def foundation_stiffness(stiffness_nm: ArrayLike, foundation_pa_m: ArrayLike) -> FloatArray:
    """Point stiffness of an endless plate on an elastic foundation, ``8 sqrt(K D)``.

    Parameters
    ----------
    stiffness_nm : array_like
        Bending stiffness of the skin in N m.
    foundation_pa_m : array_like
        Foundation modulus K in Pa/m; of a core, its modulus over its thickness.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In N/m.

    References
    ----------
    Timoshenko and Woinowsky-Krieger, Theory of Plates and Shells, ch. 8.

    Examples
    --------
    >>> print(f"{foundation_stiffness(29.670, 75e6 / 0.020) / 1e6:.4f}")
    2.6685
    """
    return np.asarray(8.0 * np.sqrt(np.asarray(stiffness_nm, float) * np.asarray(foundation_pa_m, float)))


def point_impedance(stiffness_nm: ArrayLike, mass_kg_m2: ArrayLike) -> FloatArray:
    """Point impedance of an endless plate, ``8 sqrt(D m')``: a pure dashpot at every frequency.

    Parameters
    ----------
    stiffness_nm, mass_kg_m2 : array_like
        Bending stiffness in N m, mass per area in kg/m2.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In N s/m.

    References
    ----------
    Cremer, Heckl and Petersson, Structure-Borne Sound.

    Examples
    --------
    >>> print(f"{point_impedance(bending_stiffness(10e9, 5e-3, 0.30), 8.0):.2f}")
    242.09
    """
    return np.asarray(8.0 * np.sqrt(np.asarray(stiffness_nm, float) * np.asarray(mass_kg_m2, float)))


def coincidence_frequency(
    stiffness_nm: ArrayLike, mass_kg_m2: ArrayLike, speed_of_sound_m_s: float = 343.0
) -> FloatArray:
    """Frequency at which bending waves run as fast as sound in air, ``c^2 / (2 pi) sqrt(m'/D)``.

    Parameters
    ----------
    stiffness_nm, mass_kg_m2 : array_like
        Bending stiffness in N m, mass per area in kg/m2.
    speed_of_sound_m_s : float, optional
        Speed of sound in air in m/s.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In Hz.

    Examples
    --------
    >>> print(f"{coincidence_frequency(bending_stiffness(10e9, 5e-3, 0.30), 8.0):.1f}")
    4950.1
    """
    ratio = np.asarray(mass_kg_m2, float) / np.asarray(stiffness_nm, float)
    return np.asarray(speed_of_sound_m_s**2 / (2.0 * np.pi) * np.sqrt(ratio))


def sandwich_bending_stiffness(
    face_modulus_pa: ArrayLike, face_m: ArrayLike, core_modulus_pa: ArrayLike, core_m: ArrayLike
) -> FloatArray:
    """Bending stiffness of a sandwich with equal faces, as a beam of unit width.

    Divide by ``1 - nu^2`` for a plate.

    Parameters
    ----------
    face_modulus_pa, face_m : array_like
        Young's modulus in Pa and thickness in m of one face.
    core_modulus_pa, core_m : array_like
        Young's modulus in Pa and thickness in m of the core.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In N m, per unit width.

    References
    ----------
    Allen, Analysis and Design of Structural Sandwich Panels (1969).

    Examples
    --------
    >>> print(f"{sandwich_bending_stiffness(15e9, 2e-3, 50e6, 20e-3):.2f}")
    7313.33
    """
    e, t = np.asarray(face_modulus_pa, float), np.asarray(face_m, float)
    ec, c = np.asarray(core_modulus_pa, float), np.asarray(core_m, float)
    return np.asarray(e * t**3 / 6.0 + e * t * (t + c) ** 2 / 2.0 + ec * c**3 / 12.0)


def sandwich_shear_stiffness(core_shear_pa: ArrayLike, face_m: ArrayLike, core_m: ArrayLike) -> FloatArray:
    """Shear stiffness of a sandwich per unit width, ``G (t + c)^2 / c``.

    Parameters
    ----------
    core_shear_pa : array_like
        Shear modulus of the core in Pa.
    face_m, core_m : array_like
        Thickness of one face and of the core in m.

    Returns
    -------
    numpy.ndarray, broadcast shape
        In N/m.

    Examples
    --------
    >>> print(f"{sandwich_shear_stiffness(20e6, 2e-3, 20e-3):.0f}")
    484000
    """
    t, c = np.asarray(face_m, float), np.asarray(core_m, float)
    return np.asarray(np.asarray(core_shear_pa, float) * (t + c) ** 2 / c)
