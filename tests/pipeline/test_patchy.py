"""Odd stations amid odd ones are likelier bad, by the published estimate; and a wide patch is not let in."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import beta

from taptone.model.baseline import Baseline
from taptone.pipeline.compare import compare
from taptone.pipeline.patchy import least_chance

SIDE = 12
AT = np.stack(np.divmod(np.arange(SIDE * SIDE), SIDE), axis=1) * 0.1
FAR = np.linalg.norm(AT[:, None] - AT[None], axis=2)
EVERY = np.ones(len(AT), bool)
MIDDLE = 6 * SIDE + 6
RING = np.flatnonzero((FAR[MIDDLE] > 0) & (FAR[MIDDLE] < 0.15))


@pytest.mark.parametrize("odd", range(9))
def test_the_limit_is_where_bad_and_good_are_as_likely(odd):
    # Share of bad: Storey (2002), with 0.1 for lambda read from below. Good chances are uniform, those of bad
    # ones Beta(a, 1) (Sellke, Bayarri, Berger 2001): as likely where the weighed densities meet.
    chance = np.full(len(AT), 0.5)
    chance[RING[:odd]] = 0.01
    share = float(np.clip((odd / 8 - 0.1) / 0.9, 0.0, 0.9))
    expected = 0.0
    if share:

        def likelier_bad(p: float) -> float:
            return float(np.log(share * beta.pdf(p, 0.25, 1)) - np.log(1 - share))

        expected = 0.5 if likelier_bad(0.5) > 0 else brentq(likelier_bad, 1e-12, 0.5)
    assert least_chance(FAR, chance, EVERY)[MIDDLE] == pytest.approx(expected, rel=1e-6)


def test_good_laminate_is_hardly_asked():
    chance = np.random.default_rng(3).uniform(size=len(AT))
    more = chance < least_chance(FAR, chance, EVERY)
    assert more.mean() < 0.01


def test_who_was_not_heard_is_not_asked():
    chance = np.full(len(AT), 0.5)
    chance[RING] = np.nan
    assert not least_chance(FAR, chance, EVERY).any()


@pytest.mark.parametrize("seed", [0, 3, 7])
def test_the_weak_half_of_a_wide_patch_does_not_hide_beside_itself(seed):
    rng = np.random.default_rng(seed)
    bad = (AT[:, 0] < 0.55) & (AT[:, 1] < 0.75)
    shape = rng.normal(size=(len(AT), 7))
    shape[bad, :4] += np.where(AT[bad, 1:] < 0.35, 5.0, 3.0) * np.array([1, -1, 1, -1])
    compared = compare(shape, AT, [""] * len(AT), rng.normal(size=(40, 7)), Baseline)
    assert not compared.own
    assert (compared.chance_if_good[bad] < 0.01).mean() > 0.85
    assert not (compared.chance_if_good[~bad] < 0.01).any()
