"""How much longer a place rings, asked by itself: hollow skin may have the usual spectrum.

In a distance over seventeen bands and the ring, the ring is one of many, and counts no further than 8 dB. A
late sound of something else makes a ring longer, and so does one that falls right upon the blow; both do not.
So a place lasts as much longer as the less telling says of the ring after 5 ms and the one after 20. What
noise may have added to a ring is taken off (:func:`~taptone.pipeline.ringing.not_by_noise_db`), which leaves
little of the late one where it is loud; the decay, read off the start of the curve, is heard through it, and
does for the late ring where it tells more. The ring that is asked by itself must not speak against it.

A hollow patch is seldom a single place wide. Where places side by side each last longer than 99 of 100 good
ones, they count together: so many are hardly ever as rare by chance, and beside each other. A place that is
not rare by itself is not taken along.

References
----------
How many shapes so many touching squares can have, and with them the chance that a place lies in one: the
numbers of fixed polyplets, 1, 4, 20 (OEIS A006770, from memory), and Boole's inequality.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from taptone.pipeline.ringing import DECAY, EARLY_MS, LATE_MS, Ringing, Rings, fit_ringing
from taptone.pipeline.robust import LEAST_CHANCE, location_scale
from taptone.types import FloatArray

__all__ = ["BOTH", "Lasting", "find_lasting", "side_by_side"]

#: Of what the late ring moves by where a decay is longer, the early one does, and the decay itself.
_MOVES = {LATE_MS: 1.0, EARLY_MS: 0.5, DECAY: 0.3}
#: Of good places one ring of which is so long, so many have both; fewer on made-up panels.
BOTH = 0.1
#: So rare each must be by itself that counts with those it touches; more let good neighbours of a patch in.
_RARE = 0.01
#: Shapes of one, two and three touching places that a place may lie in. More places count as three, and no
#: group is told rarer than 5e-5, which comes out as 1 good place in 10,000: at a free edge, or where
#: laminate is thinner, good places ring on side by side too.
_SHAPES, _LEAST = np.array([1.0, 8.0, 60.0]), 5e-5


@dataclass(frozen=True, slots=True, eq=False)
class Lasting:
    """How far each ring of each place lies above what is expected there, and how far good ones do.

    ``off_db`` has shape (rings, stations), ``nan`` where a ring could not be read; ``laws`` are of the rings,
    and the decay is one of them; ``asked_ms`` is that of the ring that is asked by itself. ``touching``, of
    shape (stations, stations), tells which lie side by side; None: nobody knows. ``chance``, shape
    (stations,), is the share of good places of which both would lie at least this far above, or that would
    lie among as many that do, where that is less; ``among``, shape (stations, stations), which places each is
    counted with, itself too.
    """

    off_db: FloatArray
    laws: tuple[Ringing, ...]
    asked_ms: float = LATE_MS
    touching: NDArray[np.bool_] | None = None
    chance: FloatArray = field(init=False)
    among: NDArray[np.bool_] = field(init=False)

    def __post_init__(self) -> None:
        chance, among = self._counted(self._agreed(self.off_db))
        object.__setattr__(self, "chance", chance)
        object.__setattr__(self, "among", among)

    def at(self, k: int, off_db: FloatArray, after_ms: float) -> FloatArray:
        """The same for one place, had it another ring: of `after_ms`, the others as heard.

        Parameters
        ----------
        k : int
            Which place.
        off_db : ndarray
            Above what was expected.
        after_ms : float
            Which ring.

        Returns
        -------
        ndarray
            Shape as `off_db`.
        """
        rows = [
            off_db if law.after_ms == after_ms else np.full_like(off_db, own[k])
            for law, own in zip(self.laws, self.off_db, strict=True)
        ]
        agreed = self._agreed(self.off_db)

        def had_it(own: float) -> float:
            agreed[k] = own
            return float(self._counted(agreed)[0][k])

        return np.array([had_it(own) for own in self._agreed(np.array(rows))])

    def of(self, after_ms: float) -> FloatArray:
        """``off_db`` of one ring, shape (stations,)."""
        return np.asarray(self.off_db[[law.after_ms for law in self.laws].index(after_ms)])

    def by_decay(self, k: int) -> bool:
        """Whether at one place the decay did for the late ring, which by itself would tell less.

        Parameters
        ----------
        k : int
            Which place.

        Returns
        -------
        bool
            False where the early ring is the less telling one in any case, or no decay was asked.
        """
        chance = {
            law.after_ms: float(law.chance_longer(own[k : k + 1])[0])
            for law, own in zip(self.laws, self.off_db, strict=True)
        }
        return chance[LATE_MS] > max(chance[EARLY_MS], chance.get(DECAY, 1.0))

    def _agreed(self, off_db: FloatArray) -> FloatArray:
        """Chance of each by the less telling of what must agree; 1 where it does not last longer."""
        each = [law.chance_longer(own) for law, own in zip(self.laws, off_db, strict=True)]
        after_ms = [law.after_ms for law in self.laws]
        soon = each.pop(after_ms.index(EARLY_MS))
        less_telling = np.maximum(soon, np.min(each, axis=0))
        asked_db = off_db[after_ms.index(self.asked_ms)]
        return np.asarray(np.where(asked_db > 0, less_telling, 1.0))

    def _counted(self, agreed: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        """What that counts as, and with which places."""
        touching = self.touching
        if touching is None:
            touching = np.zeros((len(agreed), len(agreed)), bool)
        chance, among = side_by_side(agreed, touching)
        both = np.maximum(BOTH * chance, LEAST_CHANCE)
        return np.asarray(np.where(agreed < 1, both, 1.0)), among


def side_by_side(chance: FloatArray, touching: NDArray[np.bool_]) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Chance of a good place to be as rare, by itself or with those it touches.

    Parameters
    ----------
    chance : ndarray, shape (places,)
        Of each by itself.
    touching : ndarray of bool, shape (places, places)
        Which lie side by side: of a square grid eight at most; where more do, they count for as many more.

    Returns
    -------
    chance : ndarray, shape (places,)
        The smaller of its own and, for each connected group in which all are as rare as 1 in 100, the largest
        of the group to the power of their number, three at most, times the shapes that so many can have; no
        less than 5e-5.
    among : ndarray of bool, shape (places, places)
        In each row, which places one is counted with; itself alone where its own counts.

    Examples
    --------
    >>> in_a_row = np.abs(np.subtract.outer(np.arange(6), np.arange(6))) == 1
    >>> chance, among = side_by_side(np.array([0.5, 0.004, 0.003, 0.005, 0.02, 0.001]), in_a_row)
    >>> chance.round(6), among.sum(axis=1)
    (array([5.e-01, 5.e-05, 5.e-05, 5.e-05, 2.e-02, 1.e-03]), array([1, 3, 3, 3, 1, 1]))
    """
    from scipy.sparse.csgraph import connected_components

    rarest, among = chance.copy(), np.eye(len(chance), dtype=bool)
    crowded = max(1.0, float(touching.sum(axis=1).max(initial=0)) / _SHAPES[1])
    for largest in np.unique(chance[chance <= _RARE]):
        odd = np.flatnonzero(chance <= largest)
        _, group = connected_components(touching[np.ix_(odd, odd)], directed=False)
        for own in range(group.max() + 1):
            members = odd[group == own]
            size = min(len(members), len(_SHAPES))
            as_one = max(_SHAPES[size - 1] * crowded ** (size - 1) * largest**size, _LEAST)
            less = members[as_one <= rarest[members]]  # of groups that are as rare, the larger
            if size > 1 and len(less):
                rarest[less], among[less] = as_one, np.isin(np.arange(len(chance)), members)
    return rarest, among


def find_lasting(
    rings: Sequence[Rings],
    heard: NDArray[np.bool_],
    good: NDArray[np.bool_],
    expected: Callable[[FloatArray, float], FloatArray],
    least_spread_db: float,
    asked_ms: float = LATE_MS,
    touching: NDArray[np.bool_] | None = None,
) -> Lasting | None:
    """Hold the rings of each place against those expected there.

    Parameters
    ----------
    rings : sequence of Rings
        Of the same stations and known-good places.
    heard, good : ndarray of bool, shape (stations,)
        Where there was sound, and which stations teach how far good ones stray.
    expected : callable
        Makes of the rings of all stations, and of the usual one, what is expected at each.
    least_spread_db : float
        Good places are never taken to agree better.
    asked_ms : float, optional
        Which ring is asked by itself.
    touching : ndarray of bool, shape (stations, stations), optional
        Which lie side by side; None: nobody knows.

    Returns
    -------
    Lasting or None
        None of fewer than two rings.

    Examples
    --------
    >>> off_db = np.random.default_rng(0).normal(0.0, 1.0, (2, 40))
    >>> off_db[:, 7] += 9.0
    >>> off_db[0, 8] += 9.0
    >>> rings = [Rings(own - 12, own - 12, np.zeros(0), ms) for own, ms in zip(off_db, (20.0, 5.0))]
    >>> everyone = np.ones(40, bool)
    >>> lasting = find_lasting(rings, everyone, everyone, lambda ring_db, usual: np.full(40, usual), 1.0)
    >>> np.flatnonzero(lasting.chance < 1e-4).tolist()
    [7]
    """
    if len(rings) < 2:
        return None
    rows, laws = [], []
    for ring in rings:
        read = heard & np.isfinite(ring.pooled_db)
        known = ring.known_db[np.isfinite(ring.known_db)]
        lent = known if len(known) else ring.pooled_db[good & read]
        usual_db = float(location_scale(lent)[0]) if len(lent) else 0.0
        longer_db = ring.pooled_db if ring.longer_db is None else ring.longer_db
        off_db = np.where(read, longer_db, np.nan) - expected(
            np.where(read, ring.pooled_db, usual_db), usual_db
        )
        strays = np.concatenate([known - usual_db, off_db[good]])
        rows.append(off_db)
        laws.append(fit_ringing(strays, least_spread_db * _MOVES[ring.after_ms], ring.after_ms))
    return Lasting(np.array(rows), tuple(laws), asked_ms, touching)
