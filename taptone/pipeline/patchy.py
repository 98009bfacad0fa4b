"""Where a station is more likely bad than good: by its own chance, and by how many beside it are odd.

Bad bond comes in patches. A station that good laminate would match once in fifty is nothing by itself; amid
others like it, it is part of something. So the share of bad ones about each station is estimated from its
neighbours, and its own chance is held against that.

References
----------
J. D. Storey, J. R. Stat. Soc. B 64 (2002) 479-498, the share of nulls; B. Efron et al., J. Am. Stat. Assoc.
96 (2001) 1151-1160, the local false discovery rate; T. Sellke, M. J. Bayarri, J. O. Berger, Am. Stat. 55
(2001) 62-71, chances of what is not null as Beta(a, 1).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from taptone.types import FloatArray

__all__ = ["least_chance"]

_AROUND = 8  # stations: one ring of a square grid
_ODD = 0.1
_AT_MOST = 0.9  # share of bad about a station
_STEEP = 0.25  # a of Beta(a, 1): how small the chances of bad ones are
_HIGHEST = 0.5


def least_chance(far_m: FloatArray, chance: FloatArray, able: NDArray[np.bool_]) -> FloatArray:
    """Chance below which each station is more likely bad than good.

    Parameters
    ----------
    far_m : ndarray, shape (stations, stations)
        Distance of each from each.
    chance : ndarray, shape (stations,)
        Share of good places that would differ at least as much; ``nan`` where nobody knows.
    able : ndarray of bool, shape (stations,)
        Which may be asked as neighbours.

    Returns
    -------
    ndarray, shape (stations,)
        0 where no more of those around are odd than chance has it; 0.5 at most.

    Examples
    --------
    >>> import numpy as np
    >>> row = np.arange(12.0)
    >>> chance = np.where(row < 6, 0.02, 0.6)
    >>> least_chance(np.abs(row[:, None] - row), chance, chance > 0).round(2)[[0, 5, 11]].tolist()
    [0.25, 0.12, 0.05]
    """
    asked = np.flatnonzero(able & np.isfinite(chance))
    share = np.zeros(len(chance))
    for k in range(len(chance)):
        others = asked[asked != k]
        around = others[np.argsort(far_m[k, others], kind="stable")[:_AROUND]]
        if len(around):
            share[k] = ((chance[around] < _ODD).mean() - _ODD) / (1 - _ODD)
    share = np.clip(share, 0.0, _AT_MOST)
    limit = (_STEEP * share / (1 - share)) ** (1 / (1 - _STEEP))
    return np.minimum(limit, _HIGHEST)
