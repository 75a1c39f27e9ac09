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
_NUGGET = 1e-8  # of the variance: two sites at one place
_RIDGE = 1e-9  # of the information's trace


@dataclass(frozen=True)
class Field:
    """A plane on the logit with a Gaussian field of Matérn's correlation, smoothness 3/2, about it.

    Attributes
    ----------
    variance : float
        In squared logits; 0 where the sites show no field.
    range_m : float
        As in :func:`morphcline.stats.correlations.matern`.
    slope : array (dimensions,)
        Of the plane, in logits per unit of the positions.
    """

    variance: float
    range_m: float
    slope: Floats


def fit_field(sites: Floats, share: Floats, shells: Floats, fitted: Floats) -> Field:
    """Return the field that restricted likelihood prefers.

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
    Thompson 1971) of the field's variance and range is searched over a ladder of each, the finer steps being of no use
    to an error's error. The field's smoothness isn't estimated: a few hundred samples can't tell it.
    """
    kept = np.flatnonzero((shells > 0) & np.isfinite(fitted))
    sites, share, shells, fitted = (values[kept] for values in (sites, share, shells, fitted))
    if len(kept) > _MOST:
        some = np.argsort(sites[:, 0], kind="stable")[np.linspace(0, len(kept) - 1, _MOST).round().astype(int)]
        sites, share, shells, fitted = (values[some] for values in (sites, share, shells, fitted))
    dimensions = sites.shape[1]
    apart = cdist(sites, sites)
    if len(sites) < _FEWEST or not apart.any():
        return Field(0.0, float("nan"), np.zeros(dimensions))
    p = np.clip(fitted, _RAREST, 1.0 - _RAREST)
    logits = np.log(p / (1.0 - p)) + (share - p) / (p * (1.0 - p))
    error = 1.0 / (shells * p * (1.0 - p))
    unit = float(apart.max())
    design = np.column_stack([np.ones(len(sites)), (sites - sites.mean(axis=0)) / unit])
    best, coefficients = restricted_likelihood(np.zeros_like(apart), error, logits, design)
    variance, range_m = 0.0, float("nan")
    nearest = np.median(np.min(np.where(apart > 0, apart, np.inf), axis=1))
    for candidate in np.geomspace(nearest, unit, _RANGES):
        correlation = matern(apart, float(candidate), SMOOTH)
        correlation[np.diag_indices_from(correlation)] += _NUGGET
        for multiple in _VARIANCES * max(float(np.var(logits)), np.finfo(float).tiny):
            value, found = restricted_likelihood(multiple * correlation, error, logits, design)
            if value > best:
                best, coefficients, variance, range_m = value, found, float(multiple), float(candidate)
    return Field(variance, range_m, coefficients[1:] / unit)


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
    l = z₀ᵀ (Σ w z zᵀ)⁻¹ z w, w = K m p (1 - p), of degree 1. With field variance σ², correlations R between sites and r
    between point and sites, the mean of (Σ l f - f₀)² is σ² (1 - 2 lᵀr + lᵀR l), and the square of what the weights
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
        smoother, reached = _smoother(points[block], sites[near], kernels * worth[near], degree)
        missed = np.zeros(len(block))
        if field.variance > 0:
            between = matern(cdist(sites[near], sites[near]), field.range_m, SMOOTH)
            towards = matern(cdist(points[block], sites[near]), field.range_m, SMOOTH)
            missed = 1.0 + np.sum(smoother * (smoother @ between - 2.0 * towards), axis=1)
        tilted = (smoother @ sites[near] - points[block]) @ slope
        square[block] = np.where(reached, field.variance * np.maximum(missed, 0.0) + np.square(tilted), 0.0)
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
