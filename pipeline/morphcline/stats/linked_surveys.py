"""Surveys drawn anew from fitted frequencies, keeping what the residuals of traits have in common at a site.

Colour and banding sit on one shell and their loci are linked, and drift moves both: where a site has more yellow than
its cline says, it tends to have fewer (or more) unbanded too. Surveys that are drawn trait by trait would lose that.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from morphcline.stats.overdispersion import beta_binomial_log_likelihood

Floats = NDArray[np.float64]

#: Fewer sites in common than this can't tell a correlation; the traits are then drawn as if unlinked (our choice).
FEWEST_IN_COMMON = 10


def distributions(total: Floats, frequency: Floats, rho: float) -> Floats:
    """Return the beta-binomial distribution function of each site's count.

    Parameters
    ----------
    total, frequency : (n,) arrays
    rho : float

    Returns
    -------
    (n, most + 1) array
        Chance of at most 0, 1, ... shells; 1 from a site's total on.
    """
    shells = np.arange(int(total.max()) + 1, dtype=np.float64)
    possible = shells <= total[:, None]
    log_chance = beta_binomial_log_likelihood(
        np.minimum(shells, total[:, None]), total[:, None], np.clip(frequency, 1e-9, 1 - 1e-9)[:, None], rho
    )
    below = np.cumsum(np.where(possible, np.exp(log_chance), 0.0), axis=1)
    return np.asarray(np.where(shells >= total[:, None], 1.0, np.minimum(below, 1.0)))


def normal_scores(count: Floats, total: Floats, frequency: Floats, rho: float) -> Floats:
    """Return each site's residual as a normal deviate: of the middle of its count's step in the distribution, (n,)."""
    below = np.column_stack([np.zeros(len(total)), distributions(total, frequency, rho)])
    at = np.rint(count).astype(int)
    rows = np.arange(len(total))
    middle = (below[rows, at] + below[rows, at + 1]) / 2
    return np.asarray(ndtri(np.clip(middle, 1e-6, 1 - 1e-6)))


def correlation_in_common(first: Floats, second: Floats) -> tuple[float, int]:
    """Return the correlation of two traits' residuals, and at how many sites both are known (NaN where not).

    The correlation is NaN where fewer than :data:`FEWEST_IN_COMMON` sites have both.
    """
    both = np.isfinite(first) & np.isfinite(second)
    if both.sum() < FEWEST_IN_COMMON or np.ptp(first[both]) == 0 or np.ptp(second[both]) == 0:
        return np.nan, int(both.sum())
    return float(np.corrcoef(first[both], second[both])[0, 1]), int(both.sum())


def linked_normals(scores: Sequence[Floats], rng: np.random.Generator, draws: int) -> Floats:
    """Return normal deviates that are correlated between traits as the residuals are, and independent between sites.

    Parameters
    ----------
    scores : sequence of (n,) arrays
        Each trait's :func:`normal_scores`, NaN at sites where it isn't known.
    rng : numpy.random.Generator
    draws : int

    Returns
    -------
    (draws, n, traits) array

    Notes
    -----
    A normal copula. Correlations taken pair by pair from different sites may contradict each other; then the nearest
    ones by clipped eigenvalues that don't are taken (Rebonato & Jäckel 1999).
    """
    traits, n = len(scores), len(scores[0])
    correlation = np.eye(traits)
    for i in range(traits):
        for j in range(i):
            value, _ = correlation_in_common(scores[i], scores[j])
            correlation[i, j] = correlation[j, i] = 0.0 if np.isnan(value) else value
    values, vectors = np.linalg.eigh(correlation)
    root = vectors * np.sqrt(np.maximum(values, 1e-6))
    root /= np.linalg.norm(root, axis=1)[:, None]
    return np.asarray(rng.standard_normal((draws, n, traits)) @ root.T)


def redrawn_counts(total: Floats, frequency: Floats, rho: float, normals: Floats) -> Floats:
    """Return counts drawn from each site's beta-binomial distribution by normal deviates.

    Parameters
    ----------
    total, frequency : (n,) arrays
    rho : float
    normals : (draws, n) array

    Returns
    -------
    (draws, n) array
    """
    below = distributions(total, frequency, rho)
    chance = ndtr(normals)
    counts: Floats = np.empty(chance.shape)
    for site in range(len(total)):
        counts[:, site] = np.searchsorted(below[site, : int(total[site])], chance[:, site], side="left")
    return counts
