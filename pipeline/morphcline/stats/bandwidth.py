"""Choose a bandwidth by how well each site is foretold by the others, and measure what scatter the surface leaves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.spatial import KDTree
from scipy.special import xlogy

from morphcline.stats.kernels import Floats, KernelName
from morphcline.stats.local_likelihood import LocalFit, certain_limit, fit_local
from morphcline.stats.overdispersion import effective_number

#: Steps by which the ladder may be lengthened at either end while its best rung is the last one.
_EXTRA_RUNGS = 10


@dataclass(frozen=True)
class Rung:
    """One candidate bandwidth, with what is needed to judge it; it can travel to another process.

    Attributes
    ----------
    bandwidth : float
    sites : array (sites, dimensions)
    count, total : array (sites, traits)
    rho : array (traits,)
    kernel : {"gaussian", "epanechnikov", "tricube"}
    degree : {0, 1}
    """

    bandwidth: float
    sites: Floats
    count: Floats
    total: Floats
    rho: Floats
    kernel: KernelName
    degree: Literal[0, 1]


@dataclass(frozen=True)
class Choice:
    """The curve of a choice, and its lowest point.

    Attributes
    ----------
    bandwidth : float
    candidates : array (candidates,)
        Rising.
    deviance : array (candidates,)
        Leave-one-site-out deviance, added up over the traits.
    at_limit : bool
        The best candidate is still the first or the last after the ladder was lengthened: the curve has no minimum
        within reach, and the surface is as rough, or as flat, as the ladder allows.
    """

    bandwidth: float
    candidates: Floats
    deviance: Floats
    at_limit: bool


def ladder(sites: Floats, *, rungs: int = 20) -> Floats:
    """Return candidate bandwidths in equal ratios, from the median nearest-neighbour distance to half the extent.

    Parameters
    ----------
    sites : array (sites, dimensions)
    rungs : int

    Returns
    -------
    array (rungs,)

    Raises
    ------
    ValueError
        When all sites lie at one place.
    """
    distinct = np.unique(sites, axis=0)
    if len(distinct) < 2:
        raise ValueError("all sites lie at one place: there is no distance to start from")
    nearest = float(np.median(KDTree(distinct).query(distinct, k=[2])[0]))
    half = float(np.linalg.norm(np.ptp(distinct, axis=0))) / 2.0
    return np.geomspace(nearest, max(half, 2.0 * nearest), rungs)


def left_out_deviance(rung: Rung) -> float:
    """Return the deviance of every site's counts from what the other sites foretell, added up over sites and traits.

    Parameters
    ----------
    rung : Rung

    Returns
    -------
    float

    Notes
    -----
    2 Σ m (y log(y / p) + (1 - y) log((1 - y) / (1 - p))), with m the effective shells n / (1 + (n - 1) ρ): the
    binomial deviance scaled for over-dispersion, so that traits can be added up. The foretold p is kept half an
    effective shell away from 0 and 1, or one shell where none was expected would decide alone; a site that no other
    site reaches is foretold by the frequency of all the others, so that every bandwidth answers for every site.
    """
    shells = effective_number(rung.total, rung.rho)
    share = np.divide(rung.count, rung.total, out=np.zeros(shells.shape), where=rung.total > 0)
    fit = fit_local(
        rung.sites, rung.sites, rung.count, rung.total, bandwidth=rung.bandwidth, rho=rung.rho, kernel=rung.kernel,
        degree=rung.degree, leave_own_out=True,
    )  # fmt: skip
    foretold = _foretold(fit, share * shells, shells)
    miss = xlogy(share, share / foretold) + xlogy(1.0 - share, (1.0 - share) / (1.0 - foretold))
    return float(2.0 * np.sum(shells * miss))


def _foretold(fit: LocalFit, shown: Floats, shells: Floats) -> Floats:
    """Return left-out predictions for every site, away from 0 and 1."""
    others_shown, others = shown.sum(axis=0) - shown, shells.sum(axis=0) - shells
    overall = np.divide(others_shown, others, out=np.full(shells.shape, 0.5), where=others > 0)
    alone = ~(fit.effective_shells > 0)
    half = certain_limit(np.where(alone, np.maximum(others, 0.0), fit.effective_shells))
    foretold: Floats = np.clip(np.where(alone, overall, fit.frequency), half, 1.0 - half)
    return foretold


def choose_bandwidth(
    sites: Floats,
    count: Floats,
    total: Floats,
    *,
    rho: float | Floats = 0.0,
    kernel: KernelName = "gaussian",
    degree: Literal[0, 1] = 1,
    rungs: int = 20,
    apply: Callable[[Callable[[Rung], float], Sequence[Rung]], list[float]] | None = None,
) -> Choice:
    """Return the bandwidth under which the sites foretell each other best, one for all traits.

    Parameters
    ----------
    sites : array (sites, dimensions)
    count, total : array (sites, traits)
        Of traits that don't repeat each other, or what they share is counted twice.
    rho : float or array (traits,)
    kernel : {"gaussian", "epanechnikov", "tricube"}
    degree : {0, 1}
    rungs : int
        Candidates to start with; up to ten more are tried beyond an end that turns out best.
    apply : callable
        Gives the results of a function for a sequence of tasks; in this process unless it is given.

    Returns
    -------
    Choice

    Raises
    ------
    ValueError
        When all sites lie at one place.
    """
    rhos = np.broadcast_to(np.asarray(rho, dtype=np.float64), (count.shape[1],))

    def judge(bandwidths: Floats) -> list[float]:
        tasks = [Rung(float(h), sites, count, total, rhos, kernel, degree) for h in bandwidths]
        return [left_out_deviance(task) for task in tasks] if apply is None else apply(left_out_deviance, tasks)

    candidates = ladder(sites, rungs=rungs)
    deviance = np.array(judge(candidates))
    ratio = float(candidates[1] / candidates[0])
    for _ in range(_EXTRA_RUNGS):
        best = int(np.argmin(deviance))
        if best == 0:
            further = candidates[:1] / ratio
            candidates, deviance = np.append(further, candidates), np.append(judge(further), deviance)
        elif best == len(candidates) - 1:
            further = candidates[-1:] * ratio
            candidates, deviance = np.append(candidates, further), np.append(deviance, judge(further))
        else:
            break
    best = int(np.argmin(deviance))
    return Choice(float(candidates[best]), candidates, deviance, at_limit=best in (0, len(candidates) - 1))


def scatter_about_surface(
    sites: Floats,
    count: Floats,
    total: Floats,
    *,
    bandwidth: float | Floats,
    rho: float | Floats = 0.0,
    kernel: KernelName = "gaussian",
    degree: Literal[0, 1] = 1,
) -> Floats:
    """Return, for each trait, the variance of the sites about the surface as a multiple of what ρ leads to expect.

    Parameters
    ----------
    sites : array (sites, dimensions)
    count, total : array (sites, traits)
    bandwidth : float or array (sites,)
    rho : float or array (traits,)
    kernel : {"gaussian", "epanechnikov", "tricube"}
    degree : {0, 1}

    Returns
    -------
    array (traits,)
        φ; the standard errors of the surface are to be multiplied by its root. Below 1 where the regional ρ holds
        differences that the surface follows, as along a cline. NaN where no site can be judged.

    Notes
    -----
    φ = Σ m (y - p)(y - p₋) / Σ p (1 - p), with p the surface at the site and p₋ the same without the site. Their
    product, not the square of either, has the variance of y as its mean: p follows its own site too closely, p₋ adds
    an error of its own, and for a linear smoother the two cancel. The ratio of sums keeps rare traits from deciding by
    one shell. Quasi-likelihood dispersion: McCullagh & Nelder (1989), chapter 9.
    """
    shells = effective_number(total, rho)
    shown = np.divide(count, total, out=np.zeros(shells.shape), where=total > 0)

    def fit(leave_own_out: bool) -> LocalFit:
        return fit_local(
            sites, sites, count, total, bandwidth=bandwidth, rho=rho, kernel=kernel, degree=degree,
            leave_own_out=leave_own_out,
        )  # fmt: skip

    own, other = fit(False), fit(True)
    judged = (shells > 0) & (other.effective_shells > 0)
    product = np.where(judged, shells * (shown - own.frequency) * (shown - other.frequency), 0.0).sum(axis=0)
    expected = np.where(judged, own.frequency * (1.0 - own.frequency), 0.0).sum(axis=0)
    factor: Floats = np.divide(product, expected, out=np.full(len(product), np.nan), where=expected > 0)
    return factor
