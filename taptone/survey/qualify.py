"""What size of loose patch would have been noticed: from what was stated, never from what was hoped.

A surveyor or a yard can state the thickness of the skin, the core and its thickness; the hammer is stated in
words. What else a law of physics needs is taken from tables, and said. Where the construction was not stated,
only the grid's own bound holds: a patch can lie between the stations.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from taptone.types import FloatArray, Laminate

__all__ = [
    "Materials",
    "between_stations_mm",
    "hammer_of",
    "least_radius_m",
    "materials_of",
    "smallest_across_m",
]

#: Share of good stations that would have been noticed, had a patch of that size lain under them.
NOTICED = 0.9

_LEAST_ACROSS_M = 0.025  # nothing smaller is promised: common practice, no source
_POISSON = 0.3
_SKIN_GPA = 12.0  # from memory: glass mat 6 to 8, woven roving 13 to 16 GPa
_DENSITY_KG_M3 = {"foam": 80.0, "balsa": 144.0, "ply": 600.0}  # from memory: what is usual in boats
#: Density (kg/m3) → modulus through the thickness, along it, and in shear, MPa.
_CORES = {
    # Cross-linked PVC foam: compression, a core supplier's table; shear at 80 to 130 the same kind of table
    # from memory, at 60 and 200 carried on in proportion to the density.
    "foam": {
        60: (72, 72, 20),
        80: (90, 90, 27),
        100: (135, 135, 35),
        130: (170, 170, 50),
        200: (240, 240, 75),
    },
    # End-grain balsa: Bureau Veritas, rules for yachts, Part B, chapter 12, section 2, table 4.
    "balsa": {
        80: (1522, 23, 57),
        96: (2145, 33, 80),
        112: (2768, 42, 103),
        128: (3460, 51, 127),
        144: (4083, 61, 150),
        176: (5328, 80, 197),
        240: (7750, 116, 286),
    },
    "ply": {600: (700, 6000, 120)},  # from memory
}

#: Words for a hammer's tip → the tip whose law is used; a layer of tape softens any other.
_TIPS = {
    "taped": "taped",
    "tape": "taped",
    "steel": "steel",
    "metal": "steel",
    "iron": "steel",
    "brass": "brass",
    "bronze": "brass",
    "plastic": "plastic",
    "nylon": "plastic",
    "phenolic": "plastic",
}
_MASS = re.compile(r"(\d{1,4}(?:[.,]\d{1,2})?)\s*-?\s*(kg|g|gr|gram|grams|oz|ounce|ounces)\b")
_GRAMS = {"k": 1000.0, "g": 1.0, "o": 28.35}
_LIGHTEST_G, _HEAVIEST_G = 10.0, 500.0


@dataclass(frozen=True, slots=True)
class Materials:
    """A laminate in the numbers that the laws ask for; ``assumed`` says which of them nobody stated."""

    skin_m: float
    skin_modulus_pa: float
    core_m: float
    core_modulus_pa: float
    core_inplane_pa: float
    core_shear_pa: float
    core_density_kg_m3: float
    assumed: tuple[str, ...]


def materials_of(laminate: Laminate) -> Materials:
    """Fill in what was not stated of a laminate, from tables.

    Parameters
    ----------
    laminate : Laminate
        As stated in the panel file.

    Returns
    -------
    Materials
        In SI units.

    Examples
    --------
    >>> materials = materials_of(Laminate(skin_mm=3.0, core="foam", core_mm=20.0))
    >>> f"{materials.core_shear_pa / 1e6:.0f} MPa", materials.assumed
    ('27 MPa', ('skin modulus 12 GPa', 'core density 80 kg/m3'))
    """
    assumed = []
    skin_gpa, density = laminate.skin_modulus_gpa, laminate.core_density_kg_m3
    if math.isnan(skin_gpa):
        skin_gpa = _SKIN_GPA
        assumed.append(f"skin modulus {skin_gpa:.0f} GPa")
    if laminate.core == "none":
        return Materials(laminate.skin_mm / 1000, skin_gpa * 1e9, 0.0, 75e6, 75e6, 25e6, 80.0, tuple(assumed))
    if math.isnan(density):
        density = _DENSITY_KG_M3[laminate.core]
        assumed.append(f"core density {density:.0f} kg/m3")
    table = _CORES[laminate.core]
    rows = np.array(list(table.values()), float)
    through, along, shear = (float(np.interp(density, list(table), column)) * 1e6 for column in rows.T)
    return Materials(
        laminate.skin_mm / 1000,
        skin_gpa * 1e9,
        laminate.core_mm / 1000,
        through,
        along,
        shear,
        density,
        tuple(assumed),
    )


def least_radius_m(laminate: Laminate) -> float:
    """Radius of the smallest loose patch that leaves half of the bonded skin's stiffness under its middle.

    Bonded skin is a plate on an elastic foundation, of stiffness 8·sqrt(K·D) with K the core's modulus over
    its thickness; a clamped disc of it, struck in the middle, adds 16πD/a² in series (Cawley and Adams 1988).
    They are alike at a² = 2π·sqrt(D/K). Nothing under 25 mm across is promised.

    Parameters
    ----------
    laminate : Laminate
        As stated in the panel file.

    Returns
    -------
    float
        In metres; ``nan`` without a core, where nobody says how deep loose skin lies.

    Examples
    --------
    >>> round(least_radius_m(Laminate(skin_mm=3.0, core="foam", core_mm=20.0)), 4)
    0.0226
    >>> least_radius_m(Laminate(skin_mm=7.0, core="none"))
    nan
    """
    if laminate.core == "none":
        return math.nan
    materials = materials_of(laminate)
    bending_nm = materials.skin_modulus_pa * materials.skin_m**3 / (12 * (1 - _POISSON**2))
    foundation_pa_m = materials.core_modulus_pa / materials.core_m
    return max(math.sqrt(2 * math.pi * math.sqrt(bending_nm / foundation_pa_m)), _LEAST_ACROSS_M / 2)


def hammer_of(words: str) -> tuple[float, str] | None:
    """Read mass and tip off the words a hammer was stated in.

    Parameters
    ----------
    words : str
        Such as ``60 g steel``.

    Returns
    -------
    (mass_g, tip) or None
        The tip is ``steel``, ``brass``, ``plastic`` or ``taped``; None where either cannot be read, or the
        mass is not one of a light hammer.

    Examples
    --------
    >>> hammer_of("60 g steel"), hammer_of("plastic, 2 oz"), hammer_of("grandfather's")
    ((60.0, 'steel'), (56.7, 'plastic'), None)
    """
    text = words.casefold()
    found = _MASS.findall(text)
    named = {tip for word, tip in _TIPS.items() if re.search(rf"\b{word}\b", text)}
    if "taped" in named:
        named = {"taped"}
    if len(found) != 1 or len(named) != 1:
        return None
    mass_g = round(float(found[0][0].replace(",", ".")) * _GRAMS[found[0][1][0]], 1)
    return (mass_g, named.pop()) if _LIGHTEST_G <= mass_g <= _HEAVIEST_G else None


def between_stations_mm(spacing_m: float, pattern: str = "square") -> float:
    """Width of the round patch that can lie between the stations of a grid, touched by none.

    Parameters
    ----------
    spacing_m : float
        Between stations.
    pattern : str, optional
        ``square`` or ``staggered``.

    Returns
    -------
    float
        Diameter of the circle through four stations, in a staggered grid through three.

    Examples
    --------
    >>> round(between_stations_mm(0.15))
    212
    """
    return 1000 * (math.sqrt(4 / 3) if pattern == "staggered" else math.sqrt(2)) * spacing_m


def smallest_across_m(
    across_m: FloatArray,
    change: FloatArray,
    strays: FloatArray,
    score: Callable[[FloatArray], FloatArray],
    cut: float,
) -> float:
    """The smallest patch from which on every larger one would have been noticed.

    Parameters
    ----------
    across_m : ndarray, shape (sizes,)
        Diameters, rising.
    change : ndarray, shape (sizes, places, features)
        What a patch of each size does to the features of a station, at several places of the panel.
    strays : ndarray, shape (stations, features)
        How the good stations of this panel differ from what is expected of them.
    score : callable
        The panel's own: rows of differences to scores.
    cut : float
        Score from which a station there would be suspect.

    Returns
    -------
    float
        Diameter; ``nan`` where even the largest would not reliably have been noticed. Reliably is: under
        nine in ten of the stations and places.

    Examples
    --------
    >>> change = np.array([1.0, 3.0, 9.0])[:, None, None]
    >>> strays = np.zeros((4, 1))
    >>> smallest_across_m(np.array([0.02, 0.04, 0.08]), change, strays, lambda d: np.abs(d[:, 0]), 5.0)
    0.08
    """
    sizes, _, features = change.shape
    rows = (change[:, :, None] + strays).reshape(-1, features)
    noticed = (score(rows) >= cut).reshape(sizes, -1).mean(axis=1) >= NOTICED
    if not noticed[-1]:
        return math.nan
    missed = np.flatnonzero(~noticed)
    return float(across_m[missed[-1] + 1 if len(missed) else 0])
