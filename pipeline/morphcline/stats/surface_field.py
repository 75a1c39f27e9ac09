"""What a surface misses because it was smoothed: the expected square of its bias, from how the sites vary in space.

The truth is taken as a plane on the logit with a smooth random field about it. How much the field varies, and over what
distance, is estimated from the sites; what a kernel of a given width must miss of such a field follows from geometry.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.linalg import LinAlgError, cholesky, solve_triangular
from scipy.spatial.distance import cdist

from morphcline.stats.correlations import SMOOTH, matern
from morphcline.stats.kernels import Flags, Floats, KernelName, weights_near

#: Fewer sites than this tell nothing of a field.
_FEWEST = 10
#: Sites that are looked at, at most: the time grows with their cube. Those of a longer list are taken at even steps
#: from west to east.
_MOST = 300
#: Fitted frequencies are kept so far from 0 and 1, beyond which a sample's logit is all chance.
_RAREST = 0.02
#: Ranges, from the usual distance of neighbours to the extent; and variances, as multiples of the logits' own.
_RANGES, _VARIANCES = 8, np.geomspace(0.02, 6.0, 8)
_LEAST_VARIANCE = 1e-6  # squared logits: samples that are all alike
_NODES = 2_000
_NUGGET = 1e-8  # of the variance: two sites at one place
_RIDGE = 1e-9  # of the information's trace


@dataclass(frozen=True)
class Field:
    """A plane on the logit with a smooth Gaussian field about it, whose covariance is a sum of Matérn's.

    Attributes
    ----------
    variances : array (ranges,)
        In squared logits.
    ranges_m : array (ranges,)
        As in :func:`morphcline.stats.correlations.matern`, smoothness 3/2.
    slope : array (dimensions,)
        Of the plane, in logits per unit of the positions.
    """

    variances: Floats
    ranges_m: Floats
    slope: Floats

    @property
    def variance(self) -> float:
        """Of the whole field."""
        return float(self.variances.sum())

    @property
    def range_m(self) -> float:
        """The geometric mean of the ranges, weighted by their variances; NaN without a field."""
        if not self.variance > 0:
            return float("nan")
        return float(np.exp(np.average(np.log(self.ranges_m), weights=self.variances)))

    def covariance(self, distance_m: Floats) -> Floats:
        """Return the field's covariance at each distance, by interpolation in a table."""
        if not self.variance > 0:
            return np.zeros_like(distance_m)
        nodes = np.linspace(0.0, max(float(distance_m.max(initial=0.0)), 1e-9), _NODES)
        table = np.zeros(_NODES)
        for variance, range_m in zip(self.variances, self.ranges_m, strict=True):
            table += variance * matern(nodes, float(range_m), SMOOTH)
        step = distance_m * ((_NODES - 1) / nodes[-1])
        low = np.minimum(step.astype(np.intp), _NODES - 2)
        between: Floats = table[low] + (step - low) * np.diff(table)[low]
        return between


def no_field(dimensions: int) -> Field:
    """Return a field without variance about a plane without slope."""
    return Field(np.zeros(0), np.zeros(0), np.zeros(dimensions))


def fit_field(sites: Floats, share: Floats, shells: Floats, fitted: Floats) -> Field:
    """Return the field that the sites show, averaged over what they can't tell of it.

    Parameters
    ----------
    sites : array (sites, dimensions)
    share, shells : array (sites,)
        A sample's frequency y and its effective shells m; a site without shells says nothing.
    fitted : array (sites,)
        The surface at the sites, p: where the samples' logits are linearised.

    Returns
    -------
    Field
        Without variance where fewer than ten sites have shells.

    Notes
    -----
    Working logits log(p / (1 - p)) + (y - p) / (p (1 - p)) with the variance 1 / (m p (1 - p)), as in penalised
    quasi-likelihood (Breslow & Clayton 1993), have a plane for their mean; the restricted likelihood (Patterson &
    Thompson 1971) of the field's variance and range is found on a ladder of each. A few hundred samples often can't
    tell a gentle field from none, and the likeliest one then has no variance: an error that rests on it alone is too
    small half of the time. So all rungs are averaged by their likelihood, a variance of 0 being one of them for each
    range. Where the truth is a plane, the errors are somewhat too large for that. The field's smoothness isn't
    estimated.
    """
    kept = np.flatnonzero((shells > 0) & np.isfinite(fitted))
    sites, share, shells, fitted = (values[kept] for values in (sites, share, shells, fitted))
    if len(kept) > _MOST:
        some = np.argsort(sites[:, 0], kind="stable")[np.linspace(0, len(kept) - 1, _MOST).round().astype(int)]
        sites, share, shells, fitted = (values[some] for values in (sites, share, shells, fitted))
    dimensions = sites.shape[1]
    apart = cdist(sites, sites)
    if len(sites) < _FEWEST or not apart.any():
        return no_field(dimensions)
    p = np.clip(fitted, _RAREST, 1.0 - _RAREST)
    logits = np.log(p / (1.0 - p)) + (share - p) / (p * (1.0 - p))
    error = 1.0 / (shells * p * (1.0 - p))
    unit = float(apart.max())
    design = np.column_stack([np.ones(len(sites)), (sites - sites.mean(axis=0)) / unit])
    none, coefficients = restricted_likelihood(np.zeros_like(apart), error, logits, design)
    if not np.isfinite(none):
        return no_field(dimensions)
    nearest = float(np.median(np.min(np.where(apart > 0, apart, np.inf), axis=1)))
    ranges_m, variances = np.geomspace(nearest, unit, _RANGES), _VARIANCES * max(float(np.var(logits)), _LEAST_VARIANCE)
    likelihood, best = np.empty((len(ranges_m), len(variances))), none
    for i, range_m in enumerate(ranges_m):
        correlation = matern(apart, float(range_m), SMOOTH)
        correlation[np.diag_indices_from(correlation)] += _NUGGET
        for j, variance in enumerate(variances):
            likelihood[i, j], found = restricted_likelihood(variance * correlation, error, logits, design)
            if likelihood[i, j] > best:
                best, coefficients = float(likelihood[i, j]), found
    top = max(none, float(likelihood.max()))
    weight = np.exp(likelihood - top) / likelihood.size
    weight /= weight.sum() + np.exp(none - top) * len(ranges_m) / likelihood.size
    return Field(weight @ variances, ranges_m, coefficients[1:] / unit)


def restricted_likelihood(covariance: Floats, error: Floats, response: Floats, design: Floats) -> tuple[float, Floats]:
    """Return the restricted log-likelihood of a normal response, less its constant, and the mean's coefficients.

    Parameters
    ----------
    covariance : array (n, n)
        Of the field.
    error : array (n,)
        Variance of each response about the field.
    response : array (n,)
    design : array (n, k)
        Of full rank; minus infinity is returned where it is not.
    """
    whole = covariance + np.diag(error)
    try:
        root = cholesky(whole, lower=True, check_finite=False)
    except LinAlgError:
        return -np.inf, np.zeros(design.shape[1])
    both = solve_triangular(root, np.column_stack([design, response]), lower=True, check_finite=False)
    orthogonal, upper = np.linalg.qr(both[:, :-1])
    diagonal = np.abs(np.diag(upper))
    if not (diagonal > 1e-10 * diagonal.max()).all():
        return -np.inf, np.zeros(design.shape[1])
    along = orthogonal.T @ both[:, -1]
    left = both[:, -1] - orthogonal @ along
    value = -np.log(np.diag(root)).sum() - np.log(diagonal).sum() - 0.5 * float(left @ left)
    return float(value), solve_triangular(upper, along, check_finite=False)


def squared_bias(
    points: Floats,
    sites: Floats,
    shells: Floats,
    fitted: Floats,
    field: Field,
    *,
    bandwidth: float | Floats,
    kernel: KernelName = "gaussian",
    degree: Literal[0, 1] = 1,
    blocked: Flags | None = None,
) -> Floats:
    """Return the expected square of what a surface misses at some points, in squared logits.

    Parameters
    ----------
    points : array (points, dimensions)
    sites : array (sites, dimensions)
    shells : array (sites,)
        Effective shells m.
    fitted : array (sites,)
        The surface at the sites, p.
    field : Field
    bandwidth : float or array (points,)
    kernel : {"gaussian", "epanechnikov", "tricube"}
    degree : {0, 1}
    blocked : array of bool (points, sites), optional

    Returns
    -------
    array (points,)
        0 where no site is in reach, or the field has no variance and the surface follows a plane.

    Notes
    -----
    Near its fit a surface is a weighted sum of the sites' logits, Σ l f, with l = K m / Σ K m of degree 0 and
    l = z₀ᵀ (Σ w z zᵀ)⁻¹ z w, w = K m p (1 - p), of degree 1. With field variance σ², covariances R between sites and r
    between point and sites, the mean of (Σ l f - f₀)² is σ² - 2 lᵀr + lᵀR l, and the square of what the weights
    miss of the plane's slope, which is nothing for degree 1: the mean squared error of a linear predictor (Cressie
    1993, *Statistics for spatial data*, section 3.4), less its part by chance. Correlation is taken to pass barriers.
    """
    square = np.zeros(len(points))
    p = np.clip(np.where(np.isfinite(fitted), fitted, 0.5), _RAREST, 1.0 - _RAREST)
    worth = shells * p * (1.0 - p) if degree == 1 else shells
    slope = field.slope if degree == 0 else np.zeros_like(field.slope)
    if field.variance == 0.0 and not slope.any():
        return square
    for block, near, kernels in weights_near(points, sites, bandwidth=bandwidth, kernel=kernel, blocked=blocked):
        if not len(near):
            continue
        smoother, reached = _smoother(points[block], sites[near], kernels * worth[near], degree)
        missed = np.zeros(len(block))
        if field.variance > 0:
            between = field.covariance(cdist(sites[near], sites[near]))
            towards = field.covariance(cdist(points[block], sites[near]))
            missed = field.variance + np.sum(smoother * (smoother @ between - 2.0 * towards), axis=1)
        tilted = (smoother @ sites[near] - points[block]) @ slope
        square[block] = np.where(reached, np.maximum(missed, 0.0) + np.square(tilted), 0.0)
    return square


def _smoother(points: Floats, sites: Floats, weights: Floats, degree: int) -> tuple[Floats, Flags]:
    """Return the weight of each site in the surface at each point, adding up to 1, and where any is in reach."""
    whole = weights.sum(axis=1)
    reached = whole > 0
    share = weights / np.where(reached, whole, 1.0)[:, None]
    if degree == 0 or not len(points):
        return share, reached
    unit = np.sqrt(np.mean(np.square(sites - points.mean(axis=0)))) or 1.0
    apart = (sites[None, :, :] - points[:, None, :]) / unit
    design = np.concatenate([np.ones((*share.shape, 1)), apart], axis=2)
    weighted = share[:, :, None] * design
    information = np.swapaxes(weighted, 1, 2) @ design
    size = design.shape[2]
    information += _RIDGE * np.trace(information, axis1=1, axis2=2)[:, None, None] * np.eye(size)
    information[~reached] = np.eye(size)
    aside = np.linalg.solve(information, np.broadcast_to(np.eye(size)[:, :1], (len(points), size, 1)))
    return (weighted @ aside)[:, :, 0], reached
