"""Moran's I when the values are shuffled over the sites; every trait shares every shuffle."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array, triu
from scipy.special import betaincinv

from morphcline.stats._compiling import can_compile
from morphcline.stats.autocorrelation import cross_products, deviations, sum_of_squares
from morphcline.stats.random_orders import random_orders, starts

#: Shuffled values held at once: few calls, and yet no more than a processor's cache holds.
SHUFFLED_AT_ONCE = 500_000
#: From so many sites on, each shuffle has its own stream of random numbers, and compiled code goes through them where
#: there is numba; below, compiling takes longer.
STREAMS_FROM = 800
#: Compiled sums so close to the observed one are worked out again; in standard deviations of the draws, or in what the
#: observed one is apart from its expectation, if that is more.
_CLOSE = 1e-4
_ORDERS_AT_ONCE = 1_000_000
_FEW = 8

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class PermutedMoran:
    """Moran's I of shuffled values.

    Attributes
    ----------
    drawn : array of shape (permutations, t)
        NaN for a trait that isn't tested.
    p : array of shape (t,)
        Two-sided, see :func:`two_sided_p`.
    not_tested_because : tuple of str
        For each trait the reason, or ``""``.
    """

    drawn: NDArray[np.float64]
    p: NDArray[np.float64]
    not_tested_because: tuple[str, ...]


def permute_moran(
    values: ArrayLike, weights: csr_array, *, permutations: int, rng: np.random.Generator
) -> PermutedMoran:
    """Return what Moran's I would be by chance, by shuffling the values over the sites.

    Parameters
    ----------
    values : array_like of shape (n,) or (n, t)
        A column for each trait; all are shuffled alike.
    weights : csr_array of shape (n, n)
        Sites without neighbours are left out, as in :func:`morphcline.stats.autocorrelation.moran`.
    permutations : int
    rng : Generator

    Returns
    -------
    PermutedMoran

    Raises
    ------
    ValueError
        As :func:`morphcline.stats.autocorrelation.deviations`.

    Notes
    -----
    From :data:`STREAMS_FROM` sites on shuffles are those of :mod:`morphcline.stats.random_orders`, and compiled code
    works them out on all cores. Its draws are within some 1e-5 of their size or standard deviation; those that this
    could put on the wrong side of the observed index are worked out again, so that p is what the plain way gives.
    Neither depends on the number of cores. Memory: at most 150 bytes a site for each core and 60 a link there; the
    plain way takes 20 MB and 20 bytes a link.
    """
    ready = deviations(values, weights)
    m, t = ready.values.shape
    if not ready.tested.any():
        return PermutedMoran(np.full((permutations, t), np.nan), np.full(t, np.nan), ready.not_tested_because)
    tested = ready.values[:, ready.tested]
    scale = m / ready.weights.sum() / sum_of_squares(tested)
    drawn = np.full((permutations, t), np.nan)
    observed = cross_products(tested, ready.weights) * scale
    expected = -1.0 / (m - 1)
    if m < STREAMS_FROM:
        orders = (rng.permutation(m) for _ in range(permutations))
        sums = _products(tested, ready.weights, orders, permutations)
    else:
        start = starts(int(rng.integers(2**64, dtype=np.uint64)), np.arange(permutations))
        sums = _products_of_streams(tested, ready.weights, start, observed / scale, expected / scale)
    drawn[:, ready.tested] = sums * scale
    p = np.full(t, np.nan)
    p[ready.tested] = two_sided_p(observed, drawn[:, ready.tested], expected=expected)
    return PermutedMoran(drawn, p, ready.not_tested_because)


def _products_of_streams(
    values: Floats, weights: csr_array, start: NDArray[np.uint64], observed: Floats, expected: Floats
) -> Floats:
    """Return ``sum_ij w_ij z_i z_j`` of values shuffled by streams, (permutations, t), compiled if possible."""
    m = len(values)
    if not can_compile():
        return _products(values, weights, _orders(m, start), len(start))
    from morphcline.stats._compiled_moran import compiled_orders, shuffled_products

    spread = np.sqrt(sum_of_squares(values) / m)
    sums: Floats = shuffled_products(values / spread, weights, start=start) * spread**2
    reach = np.abs(observed - expected)
    apart = np.abs(np.abs(sums - expected) - reach)
    # Between one and 1.5 standard deviations of such sums, as they are for many sites.
    deviation = spread**2 * np.sqrt(2 * (weights.data**2).sum())
    close = np.flatnonzero((apart <= _CLOSE * np.maximum(deviation, reach)).any(axis=1))
    sums[close] = _products(values, weights, iter(compiled_orders(m, start[close])), len(close))
    return sums


def _products(values: Floats, weights: csr_array, orders: Iterator[NDArray[np.intp]], permutations: int) -> Floats:
    """Return ``sum_ij w_ij z_i z_j`` of values in each of several orders, (permutations, t)."""
    # Each pair of sites once: half the work, and directed weights come to the same. It doesn't pay for a few.
    pairs = triu(weights + weights.T, k=1, format="csr") if permutations > _FEW else weights
    sums = np.empty((permutations, values.shape[1]))
    done = 0
    for shuffled in _shuffled(values, orders):
        some = cross_products(shuffled, pairs).reshape(-1, values.shape[1])
        sums[done : done + len(some)] = some
        done += len(some)
    return sums


def _orders(m: int, start: NDArray[np.uint64]) -> Iterator[NDArray[np.intp]]:
    together = max(1, _ORDERS_AT_ONCE // m)
    for first in range(0, len(start), together):
        yield from random_orders(m, start[first : first + together]).T


def two_sided_p(
    observed: NDArray[np.float64], drawn: NDArray[np.float64], *, expected: ArrayLike
) -> NDArray[np.float64]:
    """Return the share of draws at least as far from what is expected as the observed statistic, itself included.

    Parameters
    ----------
    observed : array of shape (...)
    drawn : array of shape (draws, ...)
    expected : array_like that broadcasts to ``observed``
        The exact mean over all permutations; not the draws' own mean, by which the p-value would only be about right.

    Returns
    -------
    array of the shape of ``observed``
        ``(1 + #{|drawn - expected| >= |observed - expected|}) / (1 + draws)``: never 0, and the tail isn't chosen from
        the data. Draws that differ from the observed by rounding alone count as equal.
    """
    apart = np.abs(observed - np.asarray(expected))
    reached = np.abs(drawn - np.asarray(expected)) >= apart * (1 - 1e-9)
    share: NDArray[np.float64] = (1 + reached.sum(axis=0)) / (1 + len(drawn))
    return share


def monte_carlo_limits(p: ArrayLike, draws: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return 95 % limits of the p-value that all permutations together would give.

    Parameters
    ----------
    p : array_like
        As :func:`two_sided_p` returns it; NaN stays NaN.
    draws : array_like that broadcasts to ``p``

    Returns
    -------
    low, high : arrays of the shape of ``p``

    Notes
    -----
    Exact limits of a binomial share (Clopper & Pearson 1934, *Biometrika* 26, 404-413) of the draws that were as far
    from what is expected as the observed statistic, which is not counted itself.
    """
    share, made = np.broadcast_arrays(np.asarray(p, dtype=np.float64), np.asarray(draws, dtype=np.float64))
    known = np.isfinite(share) & np.isfinite(made)
    reached = np.rint(np.where(known, share * (1 + made) - 1, 0.0))
    others = np.where(known, made, 1.0) - reached
    low = np.where(reached > 0, betaincinv(np.maximum(reached, 1), others + 1, 0.025), 0.0)
    high = np.where(others > 0, betaincinv(reached + 1, np.maximum(others, 1), 0.975), 1.0)
    return np.where(known, low, np.nan), np.where(known, high, np.nan)


def shuffles(
    values: NDArray[np.float64],
    *,
    permutations: int,
    rng: np.random.Generator,
) -> Iterator[NDArray[np.float64]]:
    """Yield shuffled rows of an (m, t) array, several permutations side by side as (m, permutations x t) arrays.

    How many stand side by side follows from m and t alone and doesn't change what is drawn.
    """
    return _shuffled(values, (rng.permutation(len(values)) for _ in range(permutations)))


def _shuffled(values: Floats, orders: Iterator[NDArray[np.intp]]) -> Iterator[Floats]:
    m, t = values.shape
    while some := list(islice(orders, max(1, SHUFFLED_AT_ONCE // max(1, m * t)))):
        yield values[np.column_stack(some)].reshape(m, -1)


def same_sites(present: NDArray[np.bool_]) -> list[tuple[NDArray[np.bool_], NDArray[np.intp]]]:
    """Group traits that are known at the same sites, so that they can share neighbours and shuffles.

    Parameters
    ----------
    present : array of bool, shape (n, t)

    Returns
    -------
    list of (array of bool of shape (n,), array of int)
        The sites of a group and its traits, in the order in which the groups' first traits come.
    """
    groups: dict[bytes, list[int]] = {}
    for trait in range(present.shape[1]):
        groups.setdefault(present[:, trait].tobytes(), []).append(trait)
    return [(present[:, traits[0]], np.array(traits, dtype=np.intp)) for traits in groups.values()]
