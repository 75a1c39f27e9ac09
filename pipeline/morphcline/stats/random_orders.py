"""Random orders of many sites, each from its own stream of numbers, so that any can be made again, by any thread.

An order is that of a Fisher-Yates shuffle of 0 … m - 1: for a = m - 1, m - 2, … 1 the a-th member changes places with
the j-th, ``j = floor(u (a + 1))``. The numbers u, 32 bits each, are halves of the outputs of splitmix64 (Steele, Lea &
Flood 2014, *OOPSLA* 453-472), whose start is made of the seed and the order's number. Not all j are equally likely, by
a share of at most ``m / 2**32``: 1 in 4,000 for a million sites.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

#: splitmix64's step and multipliers.
STEP, FIRST, SECOND = (np.uint64(number) for number in (0x9E3779B97F4A7C15, 0xBF58476D1CE4E5B9, 0x94D049BB133111EB))
HALF = np.uint64(32)
LOW_HALF = np.uint64(0xFFFFFFFF)


def mixed(state: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Return splitmix64's outputs for its states."""
    state = (state ^ (state >> np.uint64(30))) * FIRST
    state = (state ^ (state >> np.uint64(27))) * SECOND
    return state ^ (state >> np.uint64(31))


def starts(seed: int, numbers: NDArray[np.intp]) -> NDArray[np.uint64]:
    """Return the streams' starts of orders with these numbers."""
    return mixed(np.uint64(seed) ^ mixed(numbers.astype(np.uint64)))


def random_orders(m: int, start: NDArray[np.uint64]) -> NDArray[np.intp]:
    """Return orders of m sites, all made side by side.

    Parameters
    ----------
    m : int
        Less than 2**32.
    start : array of uint64, shape (orders,)

    Returns
    -------
    array of int, shape (m, orders)
    """
    order = np.repeat(np.arange(m)[:, np.newaxis], len(start), axis=1)
    each = np.arange(len(start))
    output = np.zeros_like(start)
    for step in range(m - 1):
        if step % 2 == 0:
            output = mixed(start + np.array([step // 2], np.uint64) * STEP)
        u = output >> HALF if step % 2 == 0 else output & LOW_HALF
        last = m - 1 - step
        j = ((u * np.uint64(last + 1)) >> HALF).astype(np.intp)
        order[last], order[j, each] = order[j, each], order[last].copy()
    return order
