"""Moran's I when the values are shuffled over the sites; every trait shares every shuffle."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array, triu
from scipy.special import betaincinv

from morphcline.stats.autocorrelation import cross_products, deviations, sum_of_squares

#: Shuffled values held at once: few calls, and yet no more than a processor's cache holds.
SHUFFLED_AT_ONCE = 500_000


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
    """
    ready = deviations(values, weights)
    m, t = ready.values.shape
    if not ready.tested.any():
        return PermutedMoran(np.full((permutations, t), np.nan), np.full(t, np.nan), ready.not_tested_because)
    # Each pair of sites once: half the work, and directed weights come to the same.
    pairs = triu(ready.weights + ready.weights.T, k=1, format="csr")
    tested = ready.values[:, ready.tested]
    scale = m / ready.weights.sum() / sum_of_squares(tested)
    drawn = np.full((permutations, t), np.nan)
    done = 0
    for shuffled in shuffles(tested, permutations=permutations, rng=rng):
        sums = cross_products(shuffled, pairs).reshape(-1, tested.shape[1])
        drawn[done : done + len(sums), ready.tested] = sums * scale
        done += len(sums)
    p = np.full(t, np.nan)
    p[ready.tested] = two_sided_p(
        cross_products(tested, pairs) * scale, drawn[:, ready.tested], expected=-1.0 / (m - 1)
    )
    return PermutedMoran(drawn, p, ready.not_tested_because)


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
    m, t = values.shape
    batch = max(1, SHUFFLED_AT_ONCE // max(1, m * t))
    for start in range(0, permutations, batch):
        orders = [rng.permutation(m) for _ in range(min(batch, permutations - start))]
        yield values[np.column_stack(orders)].reshape(m, -1)


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
