"""Frequencies on the logit scale, and how much of their scatter the counting of shells alone explains."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, xlog1py, xlogy

Floats = NDArray[np.float64]


def empirical_logits(count: ArrayLike, total: ArrayLike) -> Floats:
    """Return ``log((count + 1/2) / (total - count + 1/2))``, finite at 0 and at all, nearly unbiased between.

    Parameters
    ----------
    count, total : array_like of one shape
        Shells that show the trait, and shells judged.

    Notes
    -----
    Haldane (1956), *Annals of Human Genetics* 20, 309-311; Anscombe (1956), *Biometrika* 43, 461-464. Where fewer than
    one shell or so of the rarer kind is expected in a sample, they can't fall as far as the logit does: a variogram of
    them is too flat.
    """
    counted, shells = np.asarray(count, dtype=np.float64), np.asarray(total, dtype=np.float64)
    logits: Floats = np.log((counted + 0.5) / (shells - counted + 0.5))
    return logits


def shrunken_frequencies(count: ArrayLike, total: ArrayLike, rho: float) -> Floats:
    """Return each site's frequency drawn towards the regional one, as sites of intra-site correlation rho ask for.

    Parameters
    ----------
    count, total : array_like of shape (n,)
        Total above 0.
    rho : float
        0: the regional frequency everywhere. 1: each site's own.

    Returns
    -------
    array of shape (n,)
        The mean of a site's beta posterior, ``(count rho + p (1 - rho)) / (total rho + 1 - rho)``, p being the mean
        with weights ``n / (1 + (n - 1) rho)`` (Kleinman 1973, *Journal of the American Statistical Association* 68,
        46-54).
    """
    counted, shells = np.asarray(count, dtype=np.float64), np.asarray(total, dtype=np.float64)
    worth = shells / (1 + (shells - 1) * rho)
    mean = float((worth * counted / shells).sum() / worth.sum())
    shrunken: Floats = (counted * rho + mean * (1 - rho)) / (shells * rho + 1 - rho)
    return shrunken


def counting_variance(frequency: ArrayLike, total: ArrayLike) -> Floats:
    """Return the exact variance of the empirical logit of a binomial count.

    Parameters
    ----------
    frequency, total : array_like of shape (n,)

    Returns
    -------
    array of shape (n,)
        By summing over all counts: the usual ``1 / (n p (1 - p))`` is too large by half and more where a kind is rare.
    """
    p, shells = np.asarray(frequency, dtype=np.float64), np.rint(np.asarray(total, dtype=np.float64))
    if not len(shells):
        return np.zeros(0)
    # Sites with as many shells share a line of counts; those beyond their total get no weight.
    k = np.arange(shells.max() + 1)
    rest = np.maximum(shells[:, None] - k, 0.0)
    ways = gammaln(shells + 1)[:, None] - gammaln(k + 1) - gammaln(rest + 1)
    chance = np.exp(ways + xlogy(k, p[:, None]) + xlog1py(rest, -p[:, None]))
    chance = np.where(k <= shells[:, None], chance, 0.0)
    logit = np.log((k + 0.5) / (rest + 0.5))
    mean = (chance * logit).sum(axis=1)
    variance: Floats = (chance * logit**2).sum(axis=1) - mean**2
    return np.maximum(variance, 0.0)
