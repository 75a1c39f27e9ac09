"""Random orders against a shuffle by hand in whole numbers, and the chances of every order."""

from math import factorial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_array_equal
from scipy.special import chdtrc

from morphcline.stats._compiled_moran import compiled_orders
from morphcline.stats.random_orders import random_orders, starts

FULL = 2**64


def splitmix64(state):
    """Return the output for a state, as published (Steele, Lea & Flood 2014, figure 16), in Python's whole numbers."""
    state = (state ^ (state >> 30)) * 0xBF58476D1CE4E5B9 % FULL
    state = (state ^ (state >> 27)) * 0x94D049BB133111EB % FULL
    return state ^ (state >> 31)


def one_by_one(m, start):
    """Shuffle a list, changing two members at a time."""
    order = list(range(m))
    for step, last in enumerate(range(m - 1, 0, -1)):
        output = splitmix64((start + step // 2 * 0x9E3779B97F4A7C15) % FULL)
        u = output >> 32 if step % 2 == 0 else output % 2**32
        j = u * (last + 1) // 2**32
        order[last], order[j] = order[j], order[last]
    return order


@given(st.integers(1, 40), st.integers(0, FULL - 1))
def test_orders_are_those_of_a_shuffle_by_hand_compiled_or_not(m, seed):
    start = starts(seed, np.arange(3))
    assert start.tolist() == [splitmix64(seed ^ splitmix64(number)) for number in range(3)]
    expected = [one_by_one(m, int(each)) for each in start]
    assert_array_equal(random_orders(m, start).T, expected)
    assert_array_equal(compiled_orders(m, start), expected)


@pytest.mark.parametrize("m", [4, 5])
def test_all_orders_are_equally_likely(m):
    drawn = random_orders(m, starts(5, np.arange(60_000))).T
    assert_array_equal(np.sort(drawn, axis=1), np.tile(np.arange(m), (60_000, 1)))
    found, counts = np.unique(drawn, axis=0, return_counts=True)
    orders = factorial(m)
    assert len(found) == orders
    chi_square = ((counts - 60_000 / orders) ** 2 / (60_000 / orders)).sum()
    assert 1e-3 < chdtrc(orders - 1, chi_square) < 1 - 1e-3


def test_each_member_of_a_long_order_comes_anywhere():
    """Where the first and the last of 1,000 come, in tenths, over 20,000 orders."""
    place = np.argsort(compiled_orders(1000, starts(6, np.arange(20_000))), axis=1)[:, [0, 500, 999]]
    for column in place.T:
        counts = np.bincount(column // 100, minlength=10)
        assert chdtrc(9, ((counts - 2000) ** 2 / 2000).sum()) > 1e-3
