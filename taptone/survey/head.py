"""Pressure of still water at a depth: what a skin under water carries while the boat lies still."""

from __future__ import annotations

import math

__all__ = ["G_M_S2", "KPA_A_PSI", "SEA_WATER_KG_M3", "head_kpa"]

SEA_WATER_KG_M3 = 1025.0  # common practice, no source; open sea lies between about 1020 and 1030
G_M_S2 = 9.80665  # standard gravity (3rd General Conference on Weights and Measures, 1901)
KPA_A_PSI = 6.894757  # from 0.45359237 kg, 9.80665 m/s² and 25.4 mm, all exact


def head_kpa(depth_m: float, density_kg_m3: float = SEA_WATER_KG_M3) -> float:
    """Pressure of still water above that of the air.

    Parameters
    ----------
    depth_m : float
        Metres below the surface, 0 or more.
    density_kg_m3 : float, optional
        Of the water.

    Returns
    -------
    float
        In kPa: density times gravity times depth.

    Raises
    ------
    ValueError
        Of a depth that is none.

    Examples
    --------
    >>> round(head_kpa(1.0), 4), round(head_kpa(1.0) / KPA_A_PSI, 4)
    (10.0518, 1.4579)
    """
    if not (math.isfinite(depth_m) and depth_m >= 0):
        raise ValueError(f"{depth_m} m is no depth")
    return density_kg_m3 * G_M_S2 * depth_m / 1000
