"""On what scale do sites differ? The variogram of empirical logits, its nugget split, and a Matérn curve through it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morphcline.stats.autocorrelation import MIN_SITES
from morphcline.stats.correlations import matern
from morphcline.stats.logit_scatter import counting_variance, empirical_logits, shrunken_frequencies
from morphcline.stats.pair_classes import PairClasses
from morphcline.stats.variogram_curve import SMOOTHNESS, fit_matern, practical_range

Floats = NDArray[np.float64]

#: Least mean of n p (1 - p) over the sites: below it empirical logits can't show how rare a kind is.
MIN_SPREAD = 1.0
#: Fewer classes than this don't tell three parameters (common practice, no single source).
MIN_CLASSES = 5
NO_SILL = "no sill within the distances seen: logits still drift apart at the farthest class"
NO_STRUCTURE = "near sites are no more alike than far ones: all of the scatter is nugget"
UNCLEAR = "neither sill nor range: the logits don't tell a drift with distance from nugget alone"


@dataclass(frozen=True)
class Estimate:
    """A parameter and its interval; NaN where it is not known or the interval is open."""

    value: float = np.nan
    low: float = np.nan
    high: float = np.nan


@dataclass(frozen=True)
class Variogram:
    """The variogram of one trait.

    Attributes
    ----------
    semivariance : array of shape (c,)
        Half the mean squared difference of the logits of a class's pairs; NaN with too few pairs.
    fitted : array of shape (c,)
        The curve at the classes' mean distances, nuggets included; NaN where nothing is fitted.
    sites : int
    nugget_binomial : float
        The sites' mean variance that counting shells alone makes; known, not fitted.
    nugget_small_scale : Estimate
        The rest of the nugget: differences between sites closer than the nearest class can tell.
    sill : Estimate
        The partial sill: variance of the part that is alike at near sites.
    range_m, practical_range_m : Estimate
        The Matérn range, and the distance at which the correlation has fallen to 0.05.
    smoothness : float
    converged : bool
    because : str
        Why there are no numbers, or why the fit has no sill or no range; else empty.
    """

    semivariance: Floats
    fitted: Floats
    sites: int
    nugget_binomial: float = np.nan
    nugget_small_scale: Estimate = Estimate()
    sill: Estimate = Estimate()
    range_m: Estimate = Estimate()
    practical_range_m: Estimate = Estimate()
    smoothness: float = SMOOTHNESS
    converged: bool = False
    because: str = ""


def fit_variogram(
    count: ArrayLike,
    total: ArrayLike,
    pairs: PairClasses,
    distance_m: Floats,
    *,
    rho: float,
    resamples: int,
    rng: np.random.Generator,
    confidence: float = 0.95,
) -> Variogram:
    """Return a trait's variogram and the Matérn curve fitted to it.

    Parameters
    ----------
    count, total : array_like of shape (n,)
        Total above 0.
    pairs : PairClasses
        Of the n sites.
    distance_m : array of shape (n, n)
        Between the sites.
    rho : float
        Correlation within sites over the region, by which a site's own frequency is guessed for its counting variance.
    resamples : int
        Surveys drawn from the fitted curve, by whose fits the intervals are made.
    rng : Generator
    confidence : float

    Returns
    -------
    Variogram

    Notes
    -----
    The semivariance of Matheron (1963), *Economic Geology* 58, 1246-1266. A pair's is expected to be ``(v_i + v_j) / 2
    + tau^2 + sigma^2 (1 - r(d))``: v is a site's counting variance (exact, at its shrunken frequency), tau^2 what sites
    differ by at no distance, sigma^2 the partial sill, r the Matérn correlation of fixed smoothness 1/2 (exponential:
    the roughest of the usual ones, as differences between colonies are). Weighted least squares with weights ``pairs /
    expected^2``, brought up to date as the curve is: Cressie (1985), *Mathematical Geology* 17, 563-586. Neither
    tau^2 nor sigma^2 falls below 0.

    Intervals are percentiles of fits to surveys drawn from the fitted curve (Gaussian logits, same places and counting
    variances), so they tell how another history of the same law would differ. A trend over the whole region is not
    taken out: with it there is no sill, and ``because`` says so.
    """
    counted, shells = np.asarray(count, dtype=np.float64), np.asarray(total, dtype=np.float64)
    classes, near = len(pairs.number), pairs.enough
    blank = np.full(classes, np.nan)
    logits = empirical_logits(counted, shells)
    semivariance = np.where(near, _semivariance(logits[:, None], pairs)[:, 0], np.nan)
    sites = len(counted)
    if sites < MIN_SITES:
        reason = f"{sites} sites can be compared, at least {MIN_SITES} are needed"
        return Variogram(semivariance, blank, sites, because=reason)
    frequency = shrunken_frequencies(counted, shells, rho)
    counting = counting_variance(frequency, shells)
    nugget = float(counting.mean())
    if float((shells * frequency * (1 - frequency)).mean()) < MIN_SPREAD:
        reason = "too rare or too common in samples of this size for logits"
        return Variogram(semivariance, blank, sites, nugget, because=reason)
    if near.sum() < MIN_CLASSES:
        reason = f"{near.sum()} distance classes have enough pairs, at least {MIN_CLASSES} are needed"
        return Variogram(semivariance, blank, sites, nugget, because=reason)

    at, weight = pairs.mean_m[near], pairs.number[near].astype(np.float64)
    known = (pairs.degrees() @ counting)[near] / 2 / weight
    fit = fit_matern(at, semivariance[near][None], weight, known)
    own = [float(part[0]) for part in (fit.small_scale, fit.sill, fit.range_m)]
    drawn = _resampled(own, counting, pairs, distance_m, resamples, rng)
    others = fit_matern(at, drawn[:, near], weight, known)
    fitted = blank.copy()
    fitted[near] = known + own[0] + own[1] * (1 - matern(at, own[2], SMOOTHNESS))
    open_above = np.where(others.without_sill, np.inf, 0.0)
    # Without structure a fit has no range of its own: it bounds it from neither side.
    flat = others.sill <= 0
    tail = (1.0 - confidence) / 2
    small = _estimate(own[0], others.small_scale, others.small_scale, tail)
    sill = _estimate(own[1], others.sill, others.sill + open_above, tail)
    range_m = _estimate(
        own[2], np.where(flat, 0.0, others.range_m), np.where(flat, np.inf, others.range_m + open_above), tail
    )
    because = ""
    if own[1] <= 0:
        because, range_m = NO_STRUCTURE, Estimate()
    elif fit.without_sill[0]:
        because = NO_SILL if sill.low > 0 else UNCLEAR
        sill, range_m = Estimate(low=sill.low), Estimate(low=range_m.low) if sill.low > 0 else Estimate()
    factor = practical_range(1.0)
    return Variogram(
        semivariance, fitted, sites, nugget, small, sill, range_m,
        Estimate(factor * range_m.value, factor * range_m.low, factor * range_m.high),
        converged=bool(fit.converged[0]) and not fit.without_sill[0], because=because,
    )  # fmt: skip


def _estimate(value: float, below: Floats, above: Floats, tail: float) -> Estimate:
    """Return a value between the order statistics of two sets of draws; an infinite limit is an open one."""
    n = len(below)
    first = max(int(np.floor(tail * (n + 1) + 1e-9)), 1) - 1
    low, high = float(np.sort(below)[first]), float(np.sort(above)[n - 1 - first])
    return Estimate(value, low, high if np.isfinite(high) else np.nan)


def _semivariance(logits: Floats, pairs: PairClasses) -> Floats:
    """Return half the mean squared difference of each class's pairs, for each column of (n, columns)."""
    centred = logits - logits.mean(axis=0)
    products = pairs.sums([centred])[0]
    squares = pairs.degrees() @ centred**2
    number = np.maximum(pairs.number, 1)[:, None]
    half: Floats = (squares - 2 * products) / 2 / number
    return half


def _resampled(
    own: list[float],
    counting: Floats,
    pairs: PairClasses,
    distance_m: Floats,
    resamples: int,
    rng: np.random.Generator,
) -> Floats:
    """Return variograms of surveys drawn from a fitted curve, (resamples, classes)."""
    small_scale, sill, range_m = own
    n = len(counting)
    scatter = np.sqrt(counting + small_scale)[:, None] * rng.standard_normal((n, resamples))
    if sill > 0:
        covariance = sill * matern(distance_m, range_m, SMOOTHNESS)
        covariance[np.diag_indices(n)] += 1e-9 * sill
        scatter += np.linalg.cholesky(covariance) @ rng.standard_normal((n, resamples))
    return _semivariance(scatter, pairs).T
