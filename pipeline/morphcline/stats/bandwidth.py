"""Choose a bandwidth by how well sites left out are foretold, and measure what scatter its surface leaves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.spatial import KDTree
from scipy.special import xlogy

from morphcline.stats.kernels import Flags, Floats, KernelName, Rows
from morphcline.stats.local_likelihood import LocalFit, certain_limit, fit_local
from morphcline.stats.overdispersion import effective_number

#: Steps by which the ladder may be lengthened at either end while its best rung is the last one.
_EXTRA_RUNGS = 5
#: Standard errors of a difference in deviance, site by site, within which a wider bandwidth foretells as well. In
#: simulations a quarter made the surface's squared error no larger, and a half too wide surfaces of real detail.
_NOISE = 0.25
#: Times the correlation about a surface is taken again with the weights that it gives; the third changes little.
_REWEIGHTINGS = 3


@dataclass(frozen=True)
class Rung:
    """One candidate bandwidth, with what is needed to judge it.

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
    left_out : array of int (sites,), optional
        Sites with one number are left out together; each by itself unless given.
    blocked : array of bool (sites, sites), optional
        Sites that don't speak for each other.
    """

    bandwidth: float
    sites: Floats
    count: Floats
    total: Floats
    rho: float
    kernel: KernelName
    degree: Literal[0, 1]
    left_out: Rows | None = None
    blocked: Flags | None = None


@dataclass(frozen=True)
class Choice:
    """The curve of a choice.

    Attributes
    ----------
    bandwidth : float
        The widest that foretells as well as the best, as far as the sites can tell.
    candidates : array (candidates,)
        Rising.
    deviance : array (candidates,)
        Of the sites left out.
    at_limit : bool
        The best candidate is still the first or the last after the ladder was lengthened: the curve has no minimum
        within reach, and the surface is as rough, or as flat, as the ladder allows.
    """

    bandwidth: float
    candidates: Floats
    deviance: Floats
    at_limit: bool

    @property
    def narrowest_is_best(self) -> bool:
        """Whether the first candidate is the best one, though a wider one may be chosen."""
        return int(np.argmin(self.deviance)) == 0


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


def left_out_deviance(rung: Rung) -> Floats:
    """Return the multinomial deviance of each site's counts from what the sites left in foretell.

    Parameters
    ----------
    rung : Rung

    Returns
    -------
    array (sites,)

    Notes
    -----
    2 Σ m Σ y log(y / p), over the traits and the shells that have none of them, with m the effective shells
    n / (1 + (n - 1) ρ): for one trait the binomial deviance, scaled for over-dispersion. The foretold p are kept half
    an effective shell away from 0 and 1, or one shell where none was expected would decide alone, and made to sum to 1;
    a site that none left in reaches is foretold by the frequencies of all that are, so that every bandwidth answers for
    every site.
    """
    total = np.broadcast_to(rung.total[:, None], rung.count.shape)
    shells = effective_number(rung.total, rung.rho)[:, None]
    share = np.divide(rung.count, total, out=np.zeros(rung.count.shape), where=total > 0)
    left_out = _numbers(rung.sites, rung.left_out)
    fit = fit_local(
        rung.sites, rung.sites, rung.count, total, bandwidth=rung.bandwidth, rho=rung.rho, kernel=rung.kernel,
        degree=rung.degree, left_out=left_out, blocked=rung.blocked, errors=False,
    )  # fmt: skip
    foretold, half = _foretold(fit, share * shells, np.broadcast_to(shells, share.shape), left_out)
    if (rung.count.sum(axis=1) < rung.total).any():
        share = np.column_stack([share, np.where(rung.total > 0, np.maximum(1.0 - share.sum(axis=1), 0.0), 0.0)])
        foretold = np.column_stack([foretold, np.maximum(1.0 - foretold.sum(axis=1), half[:, 0])])
    foretold = foretold / foretold.sum(axis=1, keepdims=True)
    deviance: Floats = 2.0 * np.sum(shells * xlogy(share, share / foretold), axis=1)
    return deviance


def _numbers(sites: Floats, left_out: Rows | None) -> Rows:
    return np.arange(len(sites)) if left_out is None else left_out


def _foretold(fit: LocalFit, shown: Floats, shells: Floats, left_out: Rows) -> tuple[Floats, Floats]:
    """Return left-out predictions for every site, away from 0 and 1, and how far away."""
    _, number = np.unique(left_out, return_inverse=True)
    others_shown, others = (values.sum(axis=0) - _sums(values, number)[number] for values in (shown, shells))
    overall = np.divide(others_shown, others, out=np.full(shells.shape, 0.5), where=others > 0)
    alone = ~(fit.effective_shells > 0)
    half = certain_limit(np.where(alone, np.maximum(others, 0.0), fit.effective_shells))
    foretold: Floats = np.clip(np.where(alone, overall, fit.frequency), half, 1.0 - half)
    return foretold, half


def _sums(values: Floats, number: Rows) -> Floats:
    """Return the sums over the rows with each number."""
    sums = np.zeros((number.max(initial=0) + 1, *values.shape[1:]))
    np.add.at(sums, number, values)
    return sums


def choose_bandwidth(
    sites: Floats,
    count: Floats,
    total: Floats,
    *,
    rho: float = 0.0,
    kernel: KernelName = "gaussian",
    degree: Literal[0, 1] = 1,
    left_out: Rows | None = None,
    blocked: Flags | None = None,
    rungs: int = 10,
) -> Choice:
    """Return the bandwidth under which the sites foretell each other best, or a wider one that does so as well.

    Parameters
    ----------
    sites : array (sites, dimensions)
    count : array (sites, traits)
        Of traits of which a shell has one at most.
    total : array (sites,)
    rho : float
    kernel : {"gaussian", "epanechnikov", "tricube"}
    degree : {0, 1}
    left_out : array of int (sites,), optional
        Sites with one number are left out together; each by itself unless given.
    blocked : array of bool (sites, sites), optional
        Sites that don't speak for each other.
    rungs : int
        Candidates to start with. Up to five more are tried beyond an end that turns out best, and then two to either
        side of the best, between it and its neighbours.

    Returns
    -------
    Choice

    Raises
    ------
    ValueError
        When all sites lie at one place.

    Notes
    -----
    The deviance left out is a sum over some hundred sites, and its curve is often flat: its lowest point may lie far
    too low by chance. So the choice goes up from there as long as the deviance exceeds the lowest by no more than a
    quarter of the standard error of the difference, taken from the differences at the sites (or blocks) left out: the
    rule of Breiman et al. (1984, *Classification and regression trees*, section 3.4.3), with a smaller step than
    theirs.
    """

    def judge(bandwidths: Floats) -> list[Floats]:
        tried = [Rung(float(h), sites, count, total, rho, kernel, degree, left_out, blocked) for h in bandwidths]
        return [left_out_deviance(rung) for rung in tried]

    candidates = ladder(sites, rungs=rungs)
    deviance = np.array(judge(candidates))
    ratio = float(candidates[1] / candidates[0])

    def try_also(further: Floats) -> None:
        nonlocal candidates, deviance
        candidates, deviance = np.append(candidates, further), np.vstack([deviance, judge(further)])
        order = np.argsort(candidates)
        candidates, deviance = candidates[order], deviance[order]

    for _ in range(_EXTRA_RUNGS):
        best = int(np.argmin(deviance.sum(axis=1)))
        if 0 < best < len(candidates) - 1:
            break
        try_also(candidates[best : best + 1] * (ratio if best else 1.0 / ratio))
    best = int(np.argmin(deviance.sum(axis=1)))
    at_limit = best in (0, len(candidates) - 1)
    if not at_limit:
        try_also(candidates[best] * ratio ** (np.array([-2.0, -1.0, 1.0, 2.0]) / 3.0))
    chosen = _widest_as_good(deviance, _numbers(sites, left_out))
    return Choice(float(candidates[chosen]), candidates, deviance.sum(axis=1), at_limit)


def _widest_as_good(deviance: Floats, left_out: Rows) -> int:
    """Return the row of the widest bandwidth, up from the best, that foretells as well within noise."""
    _, number = np.unique(left_out, return_inverse=True)
    chosen = best = int(np.argmin(deviance.sum(axis=1)))
    for wider in range(best + 1, len(deviance)):
        worse = _sums(deviance[wider] - deviance[best], number)
        if worse.sum() > _NOISE * np.sqrt(len(worse)) * float(np.std(worse, ddof=1 if len(worse) > 1 else 0)):
            break
        chosen = wider
    return chosen


def correlation_about_surface(
    sites: Floats,
    count: Floats,
    total: Floats,
    *,
    bandwidth: float | Floats,
    rho: float,
    kernel: KernelName = "gaussian",
    degree: Literal[0, 1] = 1,
    blocked: Flags | None = None,
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
    blocked : array of bool (sites, sites), optional
        Sites that don't speak for each other.

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
        left_out=np.arange(len(sites)), blocked=blocked,
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
