"""The compiled way to sums of products of shuffled values, for many sites.

The plain way (:mod:`morphcline.stats.permutation`) builds whole arrays of shuffled values and multiplies them by the
weights. Here the shuffled values pass through a short ring, which a processor's cache holds: sites stand in a line in
which linked ones are close together, so that a site's partners among those before it are still in the ring when it
comes. Several shuffles of all traits go side by side, so that each link is read once for all of them.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.sparse.csgraph import reverse_cuthill_mckee

from morphcline.stats._compiling import compiled_fast, in_threads
from morphcline.stats.random_orders import FIRST, HALF, LOW_HALF, SECOND, STEP

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

#: Values side by side: enough to fill vectors and to share the reading of links, few enough for a cache to hold a ring.
_SIDE_BY_SIDE = 192
#: Shuffles side by side at most, whose orders are held.
_SHUFFLES = 32
#: Sites whose values are fetched together, from all over memory, so that no fetch waits for another's use; and whose
#: products are added up in single precision, before they join a total in double precision.
_TOGETHER = 64
#: Tasks that the shuffles are cut into.
_TASKS = 16


def shuffled_products(values: Floats, weights: csr_array, *, start: NDArray[np.uint64]) -> Floats:
    """Return ``sum_ij w_ij z_i z_j`` of values shuffled over the sites, each column shuffled alike.

    Parameters
    ----------
    values : array of shape (m, t)
        Their spread should be near 1: they are held in single precision.
    weights : csr_array of shape (m, m)
        Symmetric or not, with a zero diagonal.
    start : array of uint64, shape (permutations,)
        See :func:`morphcline.stats.random_orders.random_orders`.

    Returns
    -------
    array of shape (permutations, t)
        Within some 1e-5 of the spread of such sums; the same whatever the number of threads.

    Notes
    -----
    Memory: 4 t + 8 bytes a site and 40 a link; for each thread ``800 / t + 8`` bytes a site (136 at most) and a
    ring that a cache holds.
    """
    m, t = values.shape
    line = reverse_cuthill_mckee(weights)
    place = np.empty(m, dtype=np.intp)
    place[line] = np.arange(m)
    one, other = np.repeat(place, np.diff(weights.indptr)), place[weights.indices]
    later, before = np.maximum(one, other), np.minimum(one, other)
    # Links in both directions become one, whose weights add up.
    earlier = csr_array((weights.data, (later, before)), shape=(m, m))
    earlier.sum_duplicates()
    ring = int((later - before).max(initial=0)) + _TOGETHER
    site, link = line.astype(np.uint32), earlier.indptr.astype(np.uint64)
    partner, weight = (earlier.indices % ring).astype(np.uint32), earlier.data.astype(np.float32)
    held = values.astype(np.float32)
    beside = min(max(1, _SIDE_BY_SIDE // t), _SHUFFLES)
    size = beside * -(-len(start) // (beside * _TASKS))
    parts = in_threads(
        lambda first: _products(held, start[first : first + size], site, link, partner, weight, ring, beside),
        range(0, len(start), size),
    )
    return np.concatenate(parts)


@compiled_fast
def _shuffle(order: NDArray[np.uint32], js: NDArray[np.uint32], start: np.uint64) -> None:
    """Fill an order; ``js`` is room for as many numbers and one more."""
    m, two = np.uint64(len(order)), np.uint64(2)
    for half in range((m + np.uint64(1)) // two):
        state = start + half * STEP
        state = (state ^ (state >> np.uint64(30))) * FIRST
        state = (state ^ (state >> np.uint64(27))) * SECOND
        state = state ^ (state >> np.uint64(31))
        js[two * half] = ((state >> HALF) * (m - two * half)) >> HALF
        js[two * half + np.uint64(1)] = ((state & LOW_HALF) * (m - two * half - np.uint64(1))) >> HALF
    for i in range(m):
        order[i] = i
    for step in range(m - np.uint64(1)):
        last = m - np.uint64(1) - step
        other = np.uint64(js[step])
        order[last], order[other] = order[other], order[last]


@compiled_fast
def compiled_orders(m: int, start: NDArray[np.uint64]) -> NDArray[np.uint32]:
    """Return what :func:`morphcline.stats.random_orders.random_orders` does, (orders, m)."""
    orders = np.empty((len(start), m), np.uint32)
    js = np.empty(m + 1, np.uint32)
    for number in range(len(start)):
        _shuffle(orders[number], js, start[number])
    return orders


@compiled_fast
def _products(
    values: Singles,
    start: NDArray[np.uint64],
    site: NDArray[np.uint32],
    link: NDArray[np.uint64],
    partner: NDArray[np.uint32],
    weight: Singles,
    ring: int,
    beside: int,
) -> Floats:
    """Return the sums for each order: ``site[i]``, the i-th in line, has the value of site ``order[site[i]]``.

    Links ``link[i]`` to ``link[i + 1]`` are those of the i-th in line with sites before it; ``partner`` tells where in
    the ring the other one is.
    """
    # Unsigned positions spare a test for negative ones, and only so are the loops over k made into vectors.
    m, t = np.uint64(values.shape[0]), np.uint64(values.shape[1])
    zero, one, two, four = np.uint64(0), np.uint64(1), np.uint64(2), np.uint64(4)
    held = np.zeros((ring, beside * values.shape[1]), np.float32)
    part = np.zeros(held.shape[1], np.float32)
    total = np.zeros(held.shape[1])
    order = np.empty(len(values), np.uint32)
    js = np.empty(len(values) + 1, np.uint32)
    placed = np.empty((beside, len(values)), np.uint32)
    sums = np.empty((len(start), values.shape[1]))
    for first in range(0, len(start), beside):
        number = np.uint64(min(beside, len(start) - first))
        used = number * t
        total[:] = 0.0
        for b in range(number):
            _shuffle(order, js, start[np.uint64(first) + b])
            for i in range(m):
                placed[b, i] = order[np.uint64(site[i])]
        put, mine = zero, zero
        for begin in range(zero, m, np.uint64(_TOGETHER)):
            end = min(begin + np.uint64(_TOGETHER), m)
            for i in range(begin, end):
                for b in range(number):
                    taken = np.uint64(placed[b, i])
                    for v in range(t):
                        held[put, b * t + v] = values[taken, v]
                put = put + one if put + one < np.uint64(ring) else zero
            part[:] = np.float32(0)
            for i in range(begin, end):
                e, stop = link[i], link[i + one]
                # Four links at a time, so that sums are fetched and put back a quarter as often.
                while e + four <= stop:
                    p, q = np.uint64(partner[e]), np.uint64(partner[e + one])
                    r, s = np.uint64(partner[e + two]), np.uint64(partner[e + two + one])
                    wp, wq, wr, ws = weight[e], weight[e + one], weight[e + two], weight[e + two + one]
                    for k in range(used):
                        lag = wp * held[p, k] + wq * held[q, k] + wr * held[r, k] + ws * held[s, k]
                        part[k] += lag * held[mine, k]
                    e += four
                while e < stop:
                    p = np.uint64(partner[e])
                    wp = weight[e]
                    for k in range(used):
                        part[k] += wp * held[p, k] * held[mine, k]
                    e += one
                mine = mine + one if mine + one < np.uint64(ring) else zero
            for k in range(used):
                total[k] += part[k]
        for b in range(number):
            for v in range(t):
                sums[np.uint64(first) + b, v] = total[b * t + v]
    return sums
