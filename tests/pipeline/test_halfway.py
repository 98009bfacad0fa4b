"""Two sorts of sound, by the order of striking."""

from __future__ import annotations

import numpy as np
import pytest

from taptone.pipeline.halfway import find_change

ROWS = np.repeat(np.arange(6), 10)
STRUCK = np.arange(60)
EVERY = np.ones(60, bool)


@pytest.mark.parametrize("later", [True, False])
@pytest.mark.parametrize("first", [18, 27, 32, 42])
def test_a_change_within_a_row_is_told_despite_a_stray(first, later):
    smaller = (first <= STRUCK) == later
    smaller[[5, 50]] ^= True
    changed = find_change(smaller, EVERY, STRUCK, ROWS)
    assert changed is not None
    assert (changed.first, changed.later, changed.within_row) == (first, later, True)
    assert changed.theirs.tolist() == ((first <= STRUCK) == later).tolist()


def test_of_few_stations_two_may_lie_on_the_wrong_side():
    """28 stations, another tip from the 17th on, and a patch of two before: 7 %."""
    few = slice(0, 28)
    odd = STRUCK[few] >= 16
    odd[[8, 9]] = True
    rows = np.repeat(np.arange(4), 7)
    changed = find_change(odd, EVERY[few], STRUCK[few], rows)
    assert changed is not None
    assert (changed.first, changed.within_row) == (16, True)
    odd[10] = True
    assert find_change(odd, EVERY[few], STRUCK[few], rows) is None


@pytest.mark.parametrize("first", [20, 29, 31, 40])
def test_between_two_rows_a_bad_part_may_end(first):
    changed = find_change(first <= STRUCK, EVERY, STRUCK, ROWS)
    assert changed is not None
    assert not changed.within_row


@pytest.mark.parametrize("first", [4, 54])
def test_a_bad_part_of_the_first_or_the_last_row_is_not_taken_for_a_change(first):
    changed = find_change((first < 10) == (first > STRUCK), EVERY, STRUCK, ROWS)
    assert changed is not None
    assert changed.first == first
    assert not changed.within_row


def test_nor_is_one_end_of_a_panel_of_one_row():
    changed = find_change(STRUCK > 40, EVERY, STRUCK, np.zeros(60, int))
    assert changed is not None
    assert not changed.within_row


def test_a_patch_is_no_change():
    column = STRUCK % 10
    for patch in (
        column < 3,
        (column < 6) & (ROWS < 3),
        (ROWS > 2) & (column > 1),
        (ROWS == 2) | (ROWS == 5),
    ):
        assert find_change(patch, EVERY, STRUCK, ROWS) is None


def test_it_goes_by_the_order_of_striking():
    """The third row was struck again, last of all."""
    struck = np.where(ROWS == 2, STRUCK + 60, STRUCK)
    late = struck >= 45
    changed = find_change(late, EVERY, struck, ROWS)
    assert changed is not None
    assert changed.first == 45
    assert changed.theirs.tolist() == late.tolist()


def test_what_was_not_compared_is_on_neither_side():
    able = STRUCK % 7 > 0
    changed = find_change((STRUCK >= 33) & able, able, np.where(able, STRUCK, -1), ROWS)
    assert changed is not None
    assert changed.first == 33
    assert not changed.theirs[~able].any()


def test_one_sort_has_no_change():
    assert find_change(~EVERY, EVERY, STRUCK, ROWS) is None
    assert find_change(EVERY, EVERY, STRUCK, ROWS) is None
