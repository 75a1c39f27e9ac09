"""How steep a smoothed frequency is: its gradient, corrected for what smoothing blurs, with limits for its length."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import chndtrinc, ndtri

from morphcline.stats.kernels import CUT, Floats, KernelName, kernel_weights
from morphcline.stats.local_likelihood import fit_local
from morphcline.stats.overdispersion import effective_number

Flags = NDArray[np.bool_]

#: Bandwidths of the fits that the corrected gradient is made from, in bandwidths of the surface, and their weights:
#: what smoothing takes from a gradient grows with the square of the bandwidth, so that twice the narrow one less the
#: wide one is free of it. The wide one is narrower than the surface's own, which suits the frequency and not its slope
#: (an interval wants less bias than an estimate does: Calonico, Cattaneo & Farrell 2018). The share is our choice.
SHARES = (0.75, 0.75 * 2.0**-0.5)
_SHARE_WEIGHTS = (-1.0, 2.0)
#: Of the correction, what counts as a standard error of what is still left to correct. A choice of ours: over invented
#: clines some two fifths were left at the worst.
_LEFT_OVER = 0.5

#: Points whose weights over the sites are held at once.
_TOGETHER = 512
#: Least and largest principal second moment of the weighted sites: below this share they lie on a line.
_LEAST_SPREAD = 4e-4


@dataclass(frozen=True)
class Gradients:
    """Gradients of one trait at some points, per unit of the positions.

    Attributes
    ----------
    surface : array (points, 2)
        Of the surface as it is drawn; NaN where the shells in reach don't hold a plane.
    surface_covariance : array (points, 2, 2)
        By chance alone.
    corrected : array (points, 2)
        With what smoothing blurs put right as far as narrower bandwidths show it; NaN where a fit is not held.
    covariance : array (points, 2, 2)
        Of the corrected gradient, with what may be left of the blur.
    effective_shells, effective_sites : array (points,)
        As :func:`morphcline.stats.local_likelihood.fit_local` gives them.
    """

    surface: Floats
    surface_covariance: Floats
    corrected: Floats
    covariance: Floats
    effective_shells: Floats
    effective_sites: Floats


def gradients(
    points: Floats,
    sites: Floats,
    count: Floats,
    total: Floats,
    *,
    bandwidth: float | Floats,
    rho: float,
    kernel: KernelName = "gaussian",
    blocked: Flags | None = None,
    site_bandwidth: float | Floats | None = None,
    sites_apart: Flags | None = None,
) -> Gradients:
    """Return the gradient of a trait's frequency at some points.

    Parameters
    ----------
    points : array (points, 2)
        Easting and northing.
    sites : array (sites, 2)
    count, total : array (sites,)
    bandwidth : float or array (points,)
        Of the surface.
    rho : float
        Intra-site correlation about the surface.
    kernel : {"gaussian", "epanechnikov", "tricube"}
    blocked : array of bool (points, sites), optional
        Sites that have no weight at a point.
    site_bandwidth : float or array (sites,), optional
        The bandwidth at the sites where it isn't the same everywhere.
    sites_apart : array of bool (sites, sites), optional
        Sites that don't speak for each other.

    Returns
    -------
    Gradients

    Notes
    -----
    The surface's gradient is p(1 - p) β of the local logistic plane: the plane's own slope (Loader 1999, chapter 6),
    not the difference of the surface between neighbouring points; the two agree where the logits lie on a plane.

    Smoothing flattens a cline: the gradient in its middle comes out too small by a part that grows with the square of
    the bandwidth h, and an error that leaves this out misses the truth more often than not. The corrected gradient is
    2 g(b/√2) - g(b), b = ¾ h, which takes the square away (generalised jackknife: Schucany & Sommers 1977, *JASA*
    72:420-423), and its error is that of the difference, not of the surface (robust bias correction: Calonico,
    Cattaneo & Farrell 2018, *JASA* 113:767-779). It costs some five times the standard error. What is left is of the
    fourth order within the region, and two fifths of what the slope of a plane errs by at its edge; half the correction
    is reckoned as its standard error. A cline much narrower than the bandwidth stays flatter than it is, corrected or
    not.

    With z = (1, x - x₀) and w = K m p(1 - p) over the sites, the gradient follows a site's frequency by
    K m (dg/dβ)ᵀ (Σ w z zᵀ)⁻¹ z; its variance is the sum of the squares of that, for the corrected gradient of twice the
    one less the other, times the site's own variance p(1 - p) / m with p the surface's at the site.
    """
    fits = [
        fit_local(
            points, sites, count[:, None], total[:, None], bandwidth=np.asarray(bandwidth) * share, rho=rho,
            kernel=kernel, blocked=blocked, errors=False,
        )
        for share in (1.0, *SHARES)
    ]  # fmt: skip
    at_sites = fit_local(
        sites, sites, count[:, None], total[:, None], rho=rho, kernel=kernel,
        bandwidth=bandwidth if site_bandwidth is None else site_bandwidth, blocked=sites_apart, errors=False,
    )  # fmt: skip
    shells = effective_number(total, rho)
    half = 0.5 / (shells + 1.0)
    at_site = np.clip(np.nan_to_num(at_sites.frequency[:, 0], nan=0.5), half, 1.0 - half)
    variance = np.divide(at_site * (1.0 - at_site), shells, out=np.zeros(len(shells)), where=shells > 0)

    held = [~fit.fallback[:, 0] & ~fit.held[:, 0] & np.isfinite(fit.gradient[:, 0, 0]) for fit in fits]
    slopes = [fit.gradient[:, 0] for fit in fits]
    surface = np.where(held[0][:, None], slopes[0], np.nan)
    jackknife = sum(weight * slope for weight, slope in zip(_SHARE_WEIGHTS, slopes[1:], strict=True))
    corrected = np.where(np.all(held, axis=0)[:, None], jackknife, np.nan)
    own, both = np.full((len(points), 2, 2), np.nan), np.full((len(points), 2, 2), np.nan)
    spread = np.broadcast_to(np.asarray(bandwidth, dtype=np.float64), (len(points),))
    for start in range(0, len(points), _TOGETHER):
        rows = slice(start, start + _TOGETHER)
        near = _in_reach(points[rows], sites, CUT[kernel] * float(spread[rows].max()))
        if not len(near):
            continue
        influence = []
        for share, fit in zip((1.0, *SHARES), fits, strict=True):
            weights = kernel_weights(points[rows], sites[near], bandwidth=spread[rows] * share, kernel=kernel)
            if blocked is not None:
                weights[blocked[rows][:, near]] = 0.0
            influence.append(
                _influence(
                    points[rows], sites[near], weights * shells[near], fit.frequency[rows, 0], fit.gradient[rows, 0]
                )
            )
        own[rows] = _outer(influence[0], variance[near])
        combined = _SHARE_WEIGHTS[0] * influence[1] + _SHARE_WEIGHTS[1] * influence[2]
        both[rows] = _outer(combined, variance[near])
    left = _LEFT_OVER * (corrected - surface)
    both += left[:, :, None] * left[:, None, :]
    own[np.isnan(surface[:, 0])], both[np.isnan(corrected[:, 0])] = np.nan, np.nan
    return Gradients(surface, own, corrected, both, fits[0].effective_shells[:, 0], fits[0].effective_sites[:, 0])


def _in_reach(points: Floats, sites: Floats, reach: float) -> NDArray[np.intp]:
    low, high = points.min(axis=0) - reach, points.max(axis=0) + reach
    return np.flatnonzero(np.all((sites >= low) & (sites <= high), axis=1))


def _influence(points: Floats, sites: Floats, weights: Floats, frequency: Floats, gradient: Floats) -> Floats:
    """Return by how much each site's frequency moves the gradient, (points, 2, sites)."""
    steep = frequency * (1.0 - frequency)
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = gradient / steep[:, None]
        logit = np.log(frequency / (1.0 - frequency))
    away = sites[None, :, :] - points[:, None, :]
    unit = float(np.sqrt(np.mean(np.square(away)))) or 1.0
    away = away / unit
    eta = logit[:, None] + np.einsum("ijk,ik->ij", away, slope * unit)
    chance = 1.0 / (1.0 + np.exp(-np.clip(np.nan_to_num(eta), -35.0, 35.0)))
    working = weights * chance * (1.0 - chance)
    design = np.concatenate([np.ones((*away.shape[:2], 1)), away], axis=2)
    information = np.einsum("ij,ijk,ijl->ikl", working, design, design, optimize=True)
    jacobian = np.zeros((len(points), 3, 2))
    jacobian[:, 0, :] = steep[:, None] * (1.0 - 2.0 * frequency)[:, None] * slope
    jacobian[:, 1, 0] = jacobian[:, 2, 1] = steep / unit
    usable = np.isfinite(jacobian).all(axis=(1, 2)) & np.isfinite(information).all(axis=(1, 2))
    usable &= np.linalg.det(np.where(usable[:, None, None], information, np.eye(3))) > 0
    aside = np.full(jacobian.shape, np.nan)
    aside[usable] = np.linalg.solve(information[usable], jacobian[usable])
    moved: Floats = np.einsum("ijk,ikl->ilj", design, aside, optimize=True) * weights[:, None, :]
    return moved


def _outer(influence: Floats, variance: Floats) -> Floats:
    form: Floats = np.einsum("ikj,ilj->ikl", influence * variance, influence, optimize=True)
    return form


def bearing_deg(gradient: Floats) -> Floats:
    """Return the bearing of steepest rise, clockwise from grid north, in degrees from 0 to 360, of (..., 2) vectors."""
    bearing: Floats = np.degrees(np.arctan2(gradient[..., 0], gradient[..., 1])) % 360.0
    return bearing


def length_error(gradient: Floats, covariance: Floats) -> Floats:
    """Return the standard error of a vector's length along itself: √(gᵀ V g) / |g|, of (..., 2) and (..., 2, 2)."""
    squared = np.einsum("...i,...ij,...j->...", gradient, covariance, gradient)
    length = np.sum(np.square(gradient), axis=-1)
    mean = 0.5 * np.trace(covariance, axis1=-2, axis2=-1)
    error: Floats = np.sqrt(np.maximum(np.where(length > 0, squared / np.where(length > 0, length, 1.0), mean), 0.0))
    return error


def length_limits(length: Floats, error: Floats, *, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Return limits for the true length of a vector known with error.

    Parameters
    ----------
    length : array
        Of the estimate.
    error : array
        Standard error along the estimate (:func:`length_error`).
    confidence : float

    Returns
    -------
    low, high : array
        ``low`` is 0 where the estimate could be chance about no gradient at all.

    Notes
    -----
    The length of a noisy vector is too large on average: about no gradient it is 1.25 standard errors. The squared
    length over the squared error has a noncentral chi-square distribution with 2 degrees of freedom (the length
    Rice's), and the lower limit inverts it. Where the error differs with direction that along the estimate is taken;
    about no gradient this errs on the safe side, for the ratio is then stochastically no larger than chi-square. The
    upper limit is the length and so many normal errors: no length falls short of its part along the true direction, so
    it holds at any length; inverting the distribution gives none at all for the shortest estimates.

    Examples
    --------
    >>> import numpy as np
    >>> low, high = length_limits(np.array([1.0, 10.0]), np.array([1.0, 1.0]))
    >>> low.round(2), high.round(2)
    (array([0.  , 7.98]), array([ 2.96, 11.96]))
    """
    tail = 0.5 * (1.0 - confidence)
    normal = -float(ndtri(tail))
    length, error = np.asarray(length, dtype=np.float64), np.asarray(error, dtype=np.float64)
    ratio = np.divide(length, error, out=np.full(np.shape(length), np.nan), where=error > 0)
    known, roots = _lower_limits(tail)
    beyond = ratio - (known[-1] - roots[-1])
    low = error * np.where(ratio > known[-1], beyond, np.interp(ratio, known, roots))
    return np.where(np.isnan(ratio), np.nan, low), length + normal * error


@lru_cache(maxsize=8)
def _lower_limits(tail: float) -> tuple[Floats, Floats]:
    """Return ratios of length to error and the lower limits they have; beyond the last both grow alike."""
    known = np.linspace(0.0, 30.0, 601)
    roots = np.sqrt(np.maximum(np.nan_to_num(chndtrinc(np.square(known), 2.0, 1.0 - tail)), 0.0))
    roots[np.square(known) <= -2.0 * np.log(tail)] = 0.0
    return known, roots
