"""Choose a bandwidth by how well each site is foretold by the others, and measure what scatter its surface leaves."""

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
_EXTRA_RUNGS = 5
#: Times the correlation about a surface is taken again with the weights that it gives; the third changes little.
_REWEIGHTINGS = 3


@dataclass(frozen=True)
class Rung:
    """One candidate bandwidth, with what is needed to judge it; it can travel to another process.

    Attributes
    ----------
    bandwidth : float
    sites : array (sites, dimensions)
    count : array (sites, traits)
        Of traits of which a shell has one at most; a single trait is such a family, too.
    total : array (sites,)
        Shells that can show them.
    rho : float
        Their intra-site correlation.
    kernel : {"gaussian", "epanechnikov", "tricube"}
    degree : {0, 1}
    """

    bandwidth: float
    sites: Floats
    count: Floats
    total: Floats
    rho: float
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
        Leave-one-site-out deviance.
    at_limit : bool
        The best candidate is still the first or the last after the ladder was lengthened: the curve has no minimum
        within reach, and the surface is as rough, or as flat, as the ladder allows.
    """

    bandwidth: float
    candidates: Floats
    deviance: Floats
    at_limit: bool


def ladder(sites: Floats, *, rungs: int = 10) -> Floats:
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
    """Return the multinomial deviance of every site's counts from what the other sites foretell, over all sites.

    Parameters
    ----------
    rung : Rung

    Returns
    -------
    float

    Notes
    -----
    2 Σ m Σ y log(y / p), over the traits and the shells that have none of them, with m the effective shells
    n / (1 + (n - 1) ρ): for one trait the binomial deviance, scaled for over-dispersion. The foretold p are kept half
    an effective shell away from 0 and 1, or one shell where none was expected would decide alone, and made to sum to 1;
    a site that no other site reaches is foretold by the frequencies of all the others, so that every bandwidth answers
    for every site.
    """
    total = np.broadcast_to(rung.total[:, None], rung.count.shape)
    shells = effective_number(rung.total, rung.rho)[:, None]
    share = np.divide(rung.count, total, out=np.zeros(rung.count.shape), where=total > 0)
    fit = fit_local(
        rung.sites, rung.sites, rung.count, total, bandwidth=rung.bandwidth, rho=rung.rho, kernel=rung.kernel,
        degree=rung.degree, left_out=np.arange(len(rung.sites)),
    )  # fmt: skip
    foretold, half = _foretold(fit, share * shells, np.broadcast_to(shells, share.shape))
    if (rung.count.sum(axis=1) < rung.total).any():
        share = np.column_stack([share, np.where(rung.total > 0, np.maximum(1.0 - share.sum(axis=1), 0.0), 0.0)])
        foretold = np.column_stack([foretold, np.maximum(1.0 - foretold.sum(axis=1), half[:, 0])])
    foretold = foretold / foretold.sum(axis=1, keepdims=True)
    return float(2.0 * np.sum(shells * xlogy(share, share / foretold)))


def _foretold(fit: LocalFit, shown: Floats, shells: Floats) -> tuple[Floats, Floats]:
    """Return left-out predictions for every site, away from 0 and 1, and how far away."""
    others_shown, others = shown.sum(axis=0) - shown, shells.sum(axis=0) - shells
    overall = np.divide(others_shown, others, out=np.full(shells.shape, 0.5), where=others > 0)
    alone = ~(fit.effective_shells > 0)
    half = certain_limit(np.where(alone, np.maximum(others, 0.0), fit.effective_shells))
    foretold: Floats = np.clip(np.where(alone, overall, fit.frequency), half, 1.0 - half)
    return foretold, half


def choose_bandwidth(
    sites: Floats,
    count: Floats,
    total: Floats,
    *,
    rho: float = 0.0,
    kernel: KernelName = "gaussian",
    degree: Literal[0, 1] = 1,
    rungs: int = 10,
    apply: Callable[[Callable[[Rung], float], Sequence[Rung]], list[float]] | None = None,
) -> Choice:
    """Return the bandwidth under which the sites foretell each other best.

    Parameters
    ----------
    sites : array (sites, dimensions)
    count : array (sites, traits)
        Of traits of which a shell has one at most.
    total : array (sites,)
    rho : float
    kernel : {"gaussian", "epanechnikov", "tricube"}
    degree : {0, 1}
    rungs : int
        Candidates to start with. Up to five more are tried beyond an end that turns out best, and then two to either
        side of the best, between it and its neighbours.
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

    def judge(bandwidths: Floats) -> list[float]:
        tasks = [Rung(float(h), sites, count, total, rho, kernel, degree) for h in bandwidths]
        return [left_out_deviance(task) for task in tasks] if apply is None else apply(left_out_deviance, tasks)

    candidates = ladder(sites, rungs=rungs)
    deviance = np.array(judge(candidates))
    ratio = float(candidates[1] / candidates[0])

    def try_also(further: Floats) -> None:
        nonlocal candidates, deviance
        candidates, deviance = np.append(candidates, further), np.append(deviance, judge(further))
        order = np.argsort(candidates)
        candidates, deviance = candidates[order], deviance[order]

    for _ in range(_EXTRA_RUNGS):
        best = int(np.argmin(deviance))
        if 0 < best < len(candidates) - 1:
            break
        try_also(candidates[best : best + 1] * (ratio if best else 1.0 / ratio))
    best = int(np.argmin(deviance))
    at_limit = best in (0, len(candidates) - 1)
    if not at_limit:
        try_also(candidates[best] * ratio ** (np.array([-2.0, -1.0, 1.0, 2.0]) / 3.0))
        best = int(np.argmin(deviance))
    return Choice(float(candidates[best]), candidates, deviance, at_limit)


def correlation_about_surface(
    sites: Floats,
    count: Floats,
    total: Floats,
    *,
    bandwidth: float | Floats,
    rho: float,
    kernel: KernelName = "gaussian",
    degree: Literal[0, 1] = 1,
) -> float:
    """Return the intra-site correlation about a surface: what sites differ by when the surface has been followed.

    Parameters
    ----------
    sites : array (sites, dimensions)
    count : array (sites, traits)
        Of traits of which a shell has one at most: they share the correlation, as in a Dirichlet-multinomial.
    total : array (sites,)
    bandwidth : float or array (sites,)
    rho : float
        By which the pilot surface weighs the samples.
    kernel : {"gaussian", "epanechnikov", "tricube"}
    degree : {0, 1}

    Returns
    -------
    float
        0 to 1; ``rho`` itself where no site can be judged.

    Notes
    -----
    The regional correlation holds the differences that the surface shows: along a cline it is several times too large
    for the sites' scatter about it. Here each site is held against the pilot surface without it, p. With q = p (1 - p)
    and v the variance of p, (y - p)² has the mean q (1/n + ρ (1 - 1/n)) + v, and v is linear in ρ, too, as the pilot's
    weights are given: so equating Σ m (y - p)² with its mean gives ρ at once (moments: Kleinman 1973, *JASA* 68:46-54;
    the v of a linear smoother is Σ l² σ² / (1 - l₀)², l₀ the site's own weight). For v the samples' sizes are taken to
    be alike everywhere. The m are those of the estimate before, beginning with ``rho``.
    """
    totals = np.broadcast_to(total[:, None], count.shape)
    pilot = fit_local(
        sites, sites, count, totals, bandwidth=bandwidth, rho=rho, kernel=kernel, degree=degree,
        left_out=np.arange(len(sites)),
    )  # fmt: skip
    judged = (totals > 0) & (pilot.effective_shells > 0)
    shown = np.divide(count, totals, out=np.zeros(count.shape), where=totals > 0)
    missed = np.where(judged, np.square(shown - pilot.frequency), 0.0).sum(axis=1)
    spread = np.where(judged, pilot.frequency * (1.0 - pilot.frequency), 0.0).sum(axis=1)
    own_error = np.where(judged, np.square(pilot.standard_error), 0.0).sum(axis=1)
    some = total > 0
    missed, spread, own_error, n = missed[some], spread[some], own_error[some], total[some]
    m = effective_number(n, rho)
    # The variance of one shell's share in the pilot, at ρ = 0 and what it grows by up to ρ = 1.
    at_0, more = float(np.sum(m**2 / n) / m.sum()), float(np.sum(m**2 * (1.0 - 1.0 / n)) / m.sum())
    estimate = rho
    for _ in range(_REWEIGHTINGS):
        m = effective_number(n, estimate)
        above = float(np.sum(m * (missed - spread / n - own_error * at_0)))
        below = float(np.sum(m * (spread * (1.0 - 1.0 / n) + own_error * more)))
        if not below > 0:
            return rho
        estimate = min(max(above / below, 0.0), 1.0)
    return estimate
