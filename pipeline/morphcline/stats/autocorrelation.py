"""Are neighbours alike? Moran's I of many traits at once, with its moments, and rates made comparable for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array
from scipy.special import ndtr

from morphcline.stats.neighbours import islands

#: Fewer sites than this aren't tested: the moments mean little then (common practice, no single source).
MIN_SITES = 10


@dataclass(frozen=True)
class Deviations:
    """Values ready for a test: deviations from the mean, at the sites that have neighbours.

    Attributes
    ----------
    kept : array of bool, shape (n,)
        False at islands.
    values : array of shape (m, t)
        Deviations from the mean over the kept sites; 0 throughout for a trait that isn't tested.
    weights : csr_array of shape (m, m)
    not_tested_because : tuple of str
        For each trait why it can't be tested, or ``""``.
    """

    kept: NDArray[np.bool_]
    values: NDArray[np.float64]
    weights: csr_array
    not_tested_because: tuple[str, ...]

    @property
    def tested(self) -> NDArray[np.bool_]:
        """Which traits are tested, shape (t,)."""
        return np.array([not reason for reason in self.not_tested_because], dtype=bool)


@dataclass(frozen=True)
class MoranResult:
    """Moran's I of t traits and what chance would give; NaN throughout for a trait that isn't tested.

    Attributes
    ----------
    i, variance, z, p : arrays of shape (t,)
        The index; its variance, standard deviate and two-sided p-value when the values at hand are shuffled over the
        sites (randomisation).
    variance_normality, z_normality, p_normality : arrays of shape (t,)
        The same when the values are drawn from a normal distribution.
    expected : array of shape (t,)
        ``-1 / (m - 1)`` under both.
    sites, islands : int
        Sites in the sums (m), and those left out for want of neighbours.
    neighbours : float
        Mean number of neighbours of a site in the sums.
    not_tested_because : tuple of str
        For each trait the reason, or ``""``.
    """

    i: NDArray[np.float64]
    expected: NDArray[np.float64]
    variance: NDArray[np.float64]
    z: NDArray[np.float64]
    p: NDArray[np.float64]
    variance_normality: NDArray[np.float64]
    z_normality: NDArray[np.float64]
    p_normality: NDArray[np.float64]
    sites: int
    islands: int
    neighbours: float
    not_tested_because: tuple[str, ...]


def deviations(values: ArrayLike, weights: csr_array) -> Deviations:
    """Leave out islands, take deviations from the mean, and say which traits can't be tested.

    Parameters
    ----------
    values : array_like of shape (n,) or (n, t)
        A column for each trait. A trait with any value that isn't finite is not tested: choose its sites, and their
        neighbours, beforehand.
    weights : csr_array of shape (n, n)
        Zero diagonal; they needn't be symmetric or standardised.

    Returns
    -------
    Deviations

    Raises
    ------
    ValueError
        When the two disagree on the number of sites, or a site is its own neighbour.
    """
    table = np.asarray(values, dtype=np.float64)
    n = len(table)
    if weights.shape != (n, n):
        raise ValueError(f"weights must be {n} x {n} for that many sites, got {weights.shape}")
    if np.any(weights.diagonal()):
        raise ValueError("a site can't be its own neighbour: the diagonal of weights must be 0")
    kept = np.ones(n, dtype=bool)
    kept[islands(weights)] = False
    if not kept.all():
        table, weights = table[kept], weights[kept][:, kept]
    centred, reasons = centre(table)
    return Deviations(kept, centred, weights, reasons)


def centre(values: ArrayLike) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Return deviations from each column's mean, and for each column why it can't be tested.

    Parameters
    ----------
    values : array_like of shape (n,) or (n, t)

    Returns
    -------
    array of shape (n, t)
        0 throughout for a column that isn't tested.
    tuple of str
        ``""`` for a column that is.
    """
    table = np.asarray(values, dtype=np.float64)
    table = table[:, np.newaxis] if table.ndim == 1 else table
    reasons = tuple(_reason(column) for column in table.T)
    tested = np.array([not reason for reason in reasons], dtype=bool)
    centred = np.zeros_like(table)
    if tested.any():
        centred[:, tested] = table[:, tested] - table[:, tested].mean(axis=0)
    return centred, reasons


def moran(values: ArrayLike, weights: csr_array) -> MoranResult:
    """Return Moran's I with its moments under randomisation and under normality, all traits at once.

    Parameters
    ----------
    values : array_like of shape (n,) or (n, t)
        A column for each trait.
    weights : csr_array of shape (n, n)
        See :mod:`morphcline.stats.neighbours`; they needn't be symmetric or standardised.

    Returns
    -------
    MoranResult
        A trait that is constant, has missing values or fewer than ten sites with neighbours gets a reason, never a
        number.

    Raises
    ------
    ValueError
        As :func:`deviations`.

    Notes
    -----
    ``I = m / S0 * sum_ij w_ij z_i z_j / sum_i z_i^2``, z being deviations from the mean over the m sites that have
    neighbours. Islands enter neither the sums nor m: they say nothing about likeness between neighbours.

    Moran (1950), *Biometrika* 37, 17-23; moments after Cliff & Ord (1981), *Spatial Processes*, chapter 2.
    """
    ready = deviations(values, weights)
    m, tested = len(ready.values), ready.tested
    sums = _blank(tested, sum_of_squares(ready.values))
    i = _blank(tested, cross_products(ready.values, ready.weights)) / sums
    expected = _blank(tested, np.full(len(tested), -1.0 / (m - 1) if m > 1 else np.nan))
    if tested.any():
        s0 = float(ready.weights.sum())
        i = i * (m / s0)
        # Squares of squares: a fourth power by itself takes fifty times as long.
        kurtosis = m * ((ready.values**2) ** 2).sum(axis=0) / sums**2
        variance, variance_normality = _variances(ready.weights, m, kurtosis)
        variance_normality = _blank(tested, variance_normality)
    else:
        variance = variance_normality = np.full(len(tested), np.nan)
    z = (i - expected) / np.sqrt(variance)
    z_normality = (i - expected) / np.sqrt(variance_normality)
    return MoranResult(
        i=i,
        expected=expected,
        variance=variance,
        z=z,
        p=2 * ndtr(-np.abs(z)),
        variance_normality=variance_normality,
        z_normality=z_normality,
        p_normality=2 * ndtr(-np.abs(z_normality)),
        sites=m,
        islands=int(np.count_nonzero(~ready.kept)),
        neighbours=ready.weights.nnz / m if m else 0.0,
        not_tested_because=ready.not_tested_because,
    )


def cross_products(values: NDArray[np.float64], weights: csr_array) -> NDArray[np.float64]:
    """Return ``sum_ij w_ij z_i z_j`` of each column of an (m, t) array."""
    products: NDArray[np.float64] = np.einsum("it,it->t", values, weights @ values)
    return products


def sum_of_squares(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the sum of squares of each column."""
    squares: NDArray[np.float64] = np.einsum("it,it->t", values, values)
    return squares


def rate_adjusted(
    count: ArrayLike,
    total: ArrayLike,
    rho: ArrayLike = 0.0,
    *,
    form: Literal["binomial", "poisson"] = "binomial",
) -> NDArray[np.float64]:
    """Return frequencies as standardised deviates, so that samples of unequal size can be compared.

    Parameters
    ----------
    count, total : array_like of shape (n,) or (n, t)
        Shells that show the trait, and shells judged.
    rho : float or array_like of shape (t,)
        Correlation within sites, 0 to 1; not used by the Poisson form.
    form : {"binomial", "poisson"}
        The variance a frequency is given. Binomial and over-dispersed, ``p (1 - p) (1 + (n - 1) rho) / n``, suits
        morphs, which are common. Poisson with an empirical-Bayes share for real differences, as published for rates
        of rare events: wrong for common morphs.

    Returns
    -------
    array of the shape of ``count``
        ``(count / total - p) / sd``; NaN where total is 0 or missing, 0 throughout when all sites are at 0 or at 1.

    Raises
    ------
    ValueError
        When rho isn't between 0 and 1, or a count is negative or above its total.

    Notes
    -----
    In the binomial form p is the mean frequency with weights ``n / (1 + (n - 1) rho)``.

    Assuncao & Reis (1999), *Statistics in Medicine* 18, 2147-2162, with the variance as said.
    """
    shells = np.asarray(total, dtype=np.float64)
    shells = np.where(shells > 0, shells, np.nan)
    counted = np.where(np.isnan(shells), np.nan, np.asarray(count, dtype=np.float64))
    if np.any(counted < 0) or np.any(counted > shells):
        raise ValueError("count must lie between 0 and total")
    correlation = np.asarray(rho, dtype=np.float64)
    if not np.all((correlation >= 0) & (correlation <= 1)):
        raise ValueError(f"rho must lie between 0 and 1, got {correlation}")
    frequency = counted / shells
    if form == "poisson":
        mean, variance = _poisson_moments(counted, shells)
    else:
        inflation = (1 + (shells - 1) * correlation) / shells
        mean = _ratio(np.nansum(frequency / inflation, axis=0), np.nansum(1 / inflation, axis=0))
        variance = mean * (1 - mean) * inflation
    apart = frequency - mean
    # Rounding mustn't look like a difference where all sites have one frequency.
    apart = np.where(np.abs(apart) <= 1e-12, 0.0, apart)
    deviates: NDArray[np.float64] = apart / np.sqrt(np.where(variance > 0, variance, np.inf))
    return deviates


def _poisson_moments(
    counted: NDArray[np.float64], shells: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    all_shells = np.nansum(shells, axis=0)
    mean = _ratio(np.nansum(counted, axis=0), all_shells)
    spread = _ratio(np.nansum(shells * (counted / shells - mean) ** 2, axis=0), all_shells)
    between = spread - mean / _ratio(all_shells, np.count_nonzero(shells > 0, axis=0))
    variance = between + mean / shells
    # A negative estimate of the differences between sites can outweigh the Poisson part of a large sample.
    return mean, np.where(variance > 0, variance, mean / shells)


def _ratio(part: NDArray[np.float64], whole: NDArray[np.float64] | NDArray[np.intp]) -> NDArray[np.float64]:
    """Divide; nothing of nothing is unknown."""
    known: NDArray[np.float64] = np.divide(
        part, whole, out=np.full(np.shape(part), np.nan), where=np.asarray(whole) > 0
    )
    return known


def _variances(
    weights: csr_array, m: int, kurtosis: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    s0 = float(weights.sum())
    both = weights + weights.T
    s1 = float((both.data**2).sum()) / 2
    s2 = float((np.asarray(both.sum(axis=1)) ** 2).sum())
    expected_squared = 1.0 / (m - 1) ** 2
    normality = (m**2 * s1 - m * s2 + 3 * s0**2) / ((m**2 - 1) * s0**2) - expected_squared
    free = m * ((m**2 - 3 * m + 3) * s1 - m * s2 + 3 * s0**2)
    shape = kurtosis * ((m**2 - m) * s1 - 2 * m * s2 + 6 * s0**2)
    randomisation = (free - shape) / ((m - 1) * (m - 2) * (m - 3) * s0**2) - expected_squared
    return randomisation, np.full_like(randomisation, normality)


def _reason(column: NDArray[np.float64]) -> str:
    missing = int(np.count_nonzero(~np.isfinite(column)))
    if missing:
        return f"no value at {missing} of {len(column)} sites"
    if len(column) < MIN_SITES:
        return f"{len(column)} sites can be compared, at least {MIN_SITES} are needed"
    if np.ptp(column) <= 1e-12 * np.abs(column).max():
        return "the same value at every site"
    return ""


def _blank(tested: NDArray[np.bool_], values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.where(tested, values, np.nan)
