"""Two people, or ear and program, on one grid: where they agree, and how far beyond chance.

Neither is held to be right, and nothing is averaged into a verdict. A station counts only where both assessed
it; the others are listed beside it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

__all__ = ["GOOD_WORDS", "INTERVAL", "UNASSESSED_WORDS", "Agreement", "agree", "cohen_kappa", "suspected"]

#: Words taken for `no difference`; any other word than these and the next is taken for a difference.
GOOD_WORDS = ("no difference", "good", "clear", "crisp", "fine", "ok", "solid", "sound", "same")
#: Words that say that a station was not judged.
UNASSESSED_WORDS = ("", "not assessed", "at structure", "not tapped", "not heard", "?", "-")
#: How the interval is worked out.
INTERVAL = "Fleiss, Cohen and Everitt 1969"


@dataclass(frozen=True, slots=True)
class Agreement:
    """Labels of stations by who suspects them, and Cohen's kappa of those that both assessed.

    ``low`` and ``high`` bound kappa with a confidence of 95 %; ``observed`` is the share on which the two
    agree, ``expected`` the share on which they would by chance. What is not defined is ``nan``, and ``note``
    says why.
    """

    both: tuple[str, ...]
    only_first: tuple[str, ...]
    only_second: tuple[str, ...]
    neither: tuple[str, ...]
    not_by_first: tuple[str, ...]
    not_by_second: tuple[str, ...]
    not_by_either: tuple[str, ...]
    kappa: float
    low: float
    high: float
    observed: float
    expected: float
    note: str = ""

    @property
    def assessed(self) -> int:
        """Number of stations that both assessed."""
        return len(self.both) + len(self.only_first) + len(self.only_second) + len(self.neither)


def agree(first: Mapping[str, bool | None], second: Mapping[str, bool | None]) -> Agreement:
    """Hold two sets of judgements of one grid beside each other.

    Parameters
    ----------
    first, second : mapping of str to bool or None
        By label: whether the station was found to differ; None, or missing: not assessed.

    Returns
    -------
    Agreement
        Labels in the order of the first, then those that only the second has.

    Examples
    --------
    >>> agree({"A1": True, "A2": False, "A3": None}, {"A1": True, "A2": False, "A3": True}).kappa
    1.0
    """
    found: dict[tuple[bool | None, bool | None], list[str]] = {}
    for label in dict.fromkeys((*first, *second)):
        found.setdefault((first.get(label), second.get(label)), []).append(label)

    def held(*pairs: tuple[bool | None, bool | None]) -> tuple[str, ...]:
        return tuple(label for pair in pairs for label in found.get(pair, ()))

    table = [[len(held((one, two))) for two in (True, False)] for one in (True, False)]
    kappa, low, high, observed, expected = cohen_kappa(table)
    note = ""
    if math.isnan(observed):
        note = "no station was assessed by both"
    elif math.isnan(kappa):
        note = "both said the same of every station: agreement beyond chance is not defined"
    elif math.isnan(low):
        why = (
            f"they agree on all {np.sum(table)} stations"
            if kappa == 1
            else "one said the same of every station"
        )
        if observed == 0:
            why = "they agree on no station"
        note = f"{why}: this interval has no width then, and is not given"
    return Agreement(
        both=held((True, True)),
        only_first=held((True, False)),
        only_second=held((False, True)),
        neither=held((False, False)),
        not_by_first=held((None, True), (None, False)),
        not_by_second=held((True, None), (False, None)),
        not_by_either=held((None, None)),
        kappa=kappa,
        low=low,
        high=high,
        observed=observed,
        expected=expected,
        note=note,
    )


def cohen_kappa(table: ArrayLike) -> tuple[float, float, float, float, float]:
    """Agreement of two judges beyond chance.

    Parameters
    ----------
    table : array_like, shape (categories, categories)
        Counts: what the first said, down, by what the second said, across.

    Returns
    -------
    kappa : float
        1: they always agree, 0: as often as by chance; ``nan`` where chance alone makes them always agree.
    low, high : float
        Bounds of kappa, 95 %, by its large-sample standard error; ``nan`` where that has no
        width: they agree on everything or nothing, or one of them said the same throughout.
    observed, expected : float
        Share on which they agree, and would by chance.

    References
    ----------
    J. Cohen, Educ. Psychol. Meas. 20 (1960) 37-46; the standard error: J. L. Fleiss, J. Cohen and
    B. S. Everitt, Psychol. Bull. 72 (1969) 323-327 (formula from memory, checked against another library).

    Examples
    --------
    >>> [round(value, 3) for value in cohen_kappa([[20, 5], [10, 15]])]
    [0.4, 0.151, 0.649, 0.7, 0.5]
    """
    counts = np.asarray(table, float)
    n = counts.sum()
    if n == 0:
        return (math.nan,) * 5
    share = counts / n
    down, across = share.sum(axis=1), share.sum(axis=0)
    observed, expected = float(np.trace(share)), float(down @ across)
    if math.isclose(expected, 1.0):
        return math.nan, math.nan, math.nan, observed, expected
    kappa = (observed - expected) / (1 - expected)
    if np.trace(counts) == n:
        return 1.0, math.nan, math.nan, observed, expected
    if down.max() == 1 or across.max() == 1:
        return 0.0, math.nan, math.nan, observed, expected
    less = 1 - kappa
    on = float(np.sum(np.diag(share) * (1 - (down + across) * less) ** 2))
    crossed = share * (across[:, None] + down[None, :]) ** 2
    off = float(np.sum(crossed) - np.trace(crossed)) * less**2
    variance = (on + off - (kappa - expected * less) ** 2) / (n * (1 - expected) ** 2)
    if variance < 1e-12:  # far below what counts can give otherwise
        return float(kappa), math.nan, math.nan, observed, expected
    reach = 1.959964 * math.sqrt(variance)
    return kappa, max(kappa - reach, -1.0), min(kappa + reach, 1.0), observed, expected


def suspected(
    words: Mapping[str, str],
    *,
    good: Collection[str] = GOOD_WORDS,
    unassessed: Collection[str] = UNASSESSED_WORDS,
) -> dict[str, bool | None]:
    """Verdicts or words as whether a difference was found.

    Parameters
    ----------
    words : mapping of str to str
        By label: a verdict of the program, or a surveyor's own word.
    good : collection of str, optional
        Words for no difference.
    unassessed : collection of str, optional
        Words for not judged.

    Returns
    -------
    dict
        True for any other word; None for not judged. Capitals do not matter.

    Examples
    --------
    >>> suspected({"A1": "Hollow", "A2": "good", "A3": "not assessed"})
    {'A1': True, 'A2': False, 'A3': None}
    """
    fine, unsaid = ({" ".join(word.split()).casefold() for word in words_} for words_ in (good, unassessed))
    out: dict[str, bool | None] = {}
    for label, word in words.items():
        plain = " ".join(word.split()).casefold()
        out[label] = None if plain in unsaid else plain not in fine
    return out
