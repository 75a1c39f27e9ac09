"""Frequencies smoothed over space by local likelihood: a kernel-weighted proportion, or a local logistic plane."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from morphcline.stats.kernels import REACH, Flags, Floats, KernelName, Rows, kernel_at, kish, weights_near
from morphcline.stats.local_logistic import LEAST_OF_EITHER, logistic_planes
from morphcline.stats.overdispersion import effective_number


@dataclass(frozen=True)
class LocalFit:
    """Smoothed frequencies at some points, for every trait.

    Attributes
    ----------
    frequency : array (points, traits)
        NaN where no site is within :data:`morphcline.stats.kernels.CUT` bandwidths.
    standard_error : array (points, traits)
        Of the frequency, when each site's frequency has the variance p (1 - p) / m with m its effective shells.
    effective_shells : array (points, traits)
        What the weighted proportion is worth in independent shells; 0 where no site with shells of the trait lies
        within :data:`morphcline.stats.kernels.REACH` bandwidths.
    effective_sites : array (points, traits)
        Kish's number of the sites' weights K m.
    gradient : array (points, traits, dimensions)
        Of the frequency, per unit of the positions; NaN where the point was not fitted by a plane.
    fallback : array of bool (points, traits)
        Where a plane was asked for and the proportion stands instead.
    held : array of bool (points, traits)
        Where a plane stands that the shells alone don't hold (see
        :func:`morphcline.stats.local_logistic.logistic_planes`).
    """

    frequency: Floats
    standard_error: Floats
    effective_shells: Floats
    effective_sites: Floats
    gradient: Floats
    fallback: Flags
    held: Flags


def fit_local(
    points: Floats,
    sites: Floats,
    count: Floats,
    total: Floats,
    *,
    bandwidth: float | Floats,
    rho: float | Floats = 0.0,
    kernel: KernelName = "gaussian",
    degree: Literal[0, 1] = 1,
    left_out: Rows | None = None,
    blocked: Flags | None = None,
    errors: bool = True,
) -> LocalFit:
    """Return smoothed frequencies of all traits at some points, with standard errors and support.

    Parameters
    ----------
    points : array (points, dimensions)
    sites : array (sites, dimensions)
    count, total : array (sites, traits)
        Shells that show the trait, among the shells that can; a total of 0 adds nothing.
    bandwidth : float or array (points,)
    rho : float or array (traits,)
        Intra-site correlation: a sample of n shells weighs m = n / (1 + (n - 1) ρ).
    kernel : {"gaussian", "epanechnikov", "tricube"}
    degree : {0, 1}
        0: Σ K m y / Σ K m with y = count / total. 1: the value at the point of the logistic plane that maximises the
        log-likelihood weighted by K m; it follows a slope, and has no bias from it at an edge.
    left_out : array of int (sites,), optional
        The points are the sites, and each is fitted without all sites that have its number: different numbers leave out
        each site alone, those of blocks whole blocks.
    blocked : array of bool (points, sites), optional
        Sites that have no weight at a point, whatever their distance
        (:func:`morphcline.stats.barriers.blocked`).
    errors : bool
        Without them the standard errors of planes are the binomial ones of the effective shells: for cross-validation
        and gradients, which don't ask for them.

    Returns
    -------
    LocalFit

    Raises
    ------
    ValueError
        When ``left_out`` is given and there are not as many points as sites.

    Notes
    -----
    Where the plane isn't identified (see :func:`morphcline.stats.local_logistic.logistic_planes`), or too few sites are
    in reach for one, the proportion stands, and ``fallback`` says so. Where less than half a shell of a kind is in
    reach the frequency goes over from the plane's to the proportion, by the share of that half shell that is there: so
    a trait that no shell shows has the frequency 0, and no step leads there. No frequency is certain: the standard
    error is at least the binomial one of the effective shells, with the frequency held half a shell away from 0 and 1.
    Local likelihood: Tibshirani & Hastie (1987); Loader (1999). Effective numbers: Kish (1965).
    """
    if left_out is not None and not len(points) == len(sites) == len(left_out):
        raise ValueError(f"leaving sites out needs the sites as points: {len(points)} != {len(sites)}")
    shape = (len(points), count.shape[1])
    shells = effective_number(total, rho)
    shown = np.divide(count * shells, total, out=np.zeros(count.shape), where=total > 0)
    fit = LocalFit(
        frequency=np.full(shape, np.nan),
        standard_error=np.full(shape, np.nan),
        effective_shells=np.zeros(shape),
        effective_sites=np.zeros(shape),
        gradient=np.full((*shape, sites.shape[1]), np.nan),
        fallback=np.zeros(shape, dtype=bool),
        held=np.zeros(shape, dtype=bool),
    )
    at_reach = kernel_at(REACH[kernel], kernel)
    for block, near, weights in weights_near(
        points, sites, bandwidth=bandwidth, kernel=kernel, left_out=left_out, blocked=blocked
    ):
        _proportions(fit, block, weights, shown[near], shells[near], at_reach)
        if degree == 1:
            _planes(fit, block, weights, points[block], sites[near], shown[near], shells[near], errors)
        _at_least_binomial(fit, block)
    return fit


def _proportions(fit: LocalFit, block: Rows, weights: Floats, shown: Floats, shells: Floats, least: float) -> None:
    """Fill in the kernel-weighted proportion and the support."""
    all_shells, squared = weights @ shells, np.square(weights)
    known = all_shells > 0
    frequency = np.divide(weights @ shown, all_shells, out=np.full(all_shells.shape, np.nan), where=known)
    frequency = np.clip(frequency, 0.0, 1.0)  # rounding
    support = np.divide(all_shells**2, squared @ shells, out=np.zeros(all_shells.shape), where=known)
    fit.frequency[block] = frequency
    fit.standard_error[block] = np.sqrt(
        np.divide(frequency * (1.0 - frequency), support, out=np.full(support.shape, np.nan), where=known)
    )
    nearest = np.stack([weights.max(axis=1, initial=0.0, where=present) for present in (shells > 0).T], axis=1)
    fit.effective_shells[block] = np.where((nearest >= least) & (nearest > 0), support, 0.0)
    fit.effective_sites[block] = np.stack([kish(weights * column) for column in shells.T], axis=1)


def _planes(
    fit: LocalFit,
    block: Rows,
    weights: Floats,
    points: Floats,
    sites: Floats,
    shown: Floats,
    shells: Floats,
    errors: bool,
) -> None:
    """Put the logistic plane in place of the proportion wherever it is identified."""
    for trait in range(shown.shape[1]):
        proportion = fit.frequency[block, trait]
        enough = fit.effective_sites[block, trait] >= sites.shape[1] + 2
        rows = np.flatnonzero(enough & np.isfinite(proportion))
        fit.fallback[block, trait] = True
        if not len(rows):
            continue
        present = np.flatnonzero(shells[:, trait] > 0)
        planes = logistic_planes(
            points[rows], sites[present], shown[present, trait], shells[present, trait],
            weights=weights[np.ix_(rows, present)], errors=errors,
        )  # fmt: skip
        good, found = rows[planes.identified], planes.identified
        share = np.minimum(planes.least[found] / LEAST_OF_EITHER, 1.0)
        fit.frequency[block[good], trait] = share * planes.frequency[found] + (1.0 - share) * proportion[good]
        fit.standard_error[block[good], trait] = planes.standard_error[found]
        fit.gradient[block[good], trait] = share[:, None] * planes.gradient[found]
        fit.held[block[good], trait] = planes.held[found]
        fit.fallback[block[good], trait] = False


def certain_limit(effective: Floats) -> Floats:
    """Return the frequency of half a shell among the effective shells: ½ / (n + 1)."""
    return 0.5 / (effective + 1.0)


def _at_least_binomial(fit: LocalFit, block: Rows) -> None:
    effective = fit.effective_shells[block]
    half = certain_limit(effective)
    held = np.clip(fit.frequency[block], half, 1.0 - half)
    least = np.sqrt(np.divide(held * (1.0 - held), effective, out=np.full(held.shape, np.nan), where=effective > 0))
    fit.standard_error[block] = np.fmax(fit.standard_error[block], least)
