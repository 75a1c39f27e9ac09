"""Logistic regression of counts at sites whose neighbours are alike: coefficients given a smooth spatial effect.

The linear predictor is X b + u: u is a Gaussian effect of place with variance s2 and Matérn's correlation. Given u, a
count has the mean n p and the variance n p (1 - p) (1 + (n - 1) rho). Coefficients are so conditional on place: a site
of one habitat is compared with sites of another as they would be at the same point of a cline. Coefficients of a model
without u are averages over the cline instead, and nearer 0 the steeper it is.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from morphcline.stats.correlations import ROUGH, matern
from morphcline.stats.logistic import LogisticFit
from morphcline.stats.restricted import (
    NO_VARIANCE,
    Components,
    Step,
    covariance_allowing_for_estimates,
    restricted_step,
    stepped,
)
from morphcline.stats.spatial_errors import SpatialErrors

Floats = NDArray[np.float64]

#: A linear predictor is kept within these limits: beyond them a frequency is 0 or 1 to any count.
_ETA = 20.0
_ROUNDS = 60
#: Changes of a linear predictor and of rho at which nothing more is to be gained.
_SETTLED_ETA, _SETTLED_RHO = 1e-3, 1e-4
#: Shortest share of a step that is taken.
_MOST_DAMPED = 0.2
_MOST_RHO = 0.999


@dataclass(frozen=True)
class SpatialLogisticFit:
    """A fitted model.

    Attributes
    ----------
    coefficients : (k,) array
    covariance : (k, k) array
    rho : float
        Intra-site correlation left after the covariates and the spatial effect.
    frequency : (n,) array
        Given the predicted spatial effect.
    weights : (n,) array
        Working weights n p (1 - p) / (1 + (n - 1) rho): the inverse variance of a site's own working error.
    effect : (n,) array
        Predicted spatial effect, logit scale.
    variance, range_m, smoothness : float
        Of the spatial effect: its variance on the logit scale, and the range and smoothness of its correlation
        (:func:`morphcline.stats.correlations.matern`); 0, NaN and NaN when there is none.
    share : float
        Of the variance of a working residual, the part that is spatial; mean over the sites.
    correlation : (n, n) array
        Of the working residuals.
    response : (n,) array
        The working response: the model is linear in it.
    inverse : (n, n) array
        Of the covariance of the working response times the root of the weights.
    converged : bool
    """

    coefficients: Floats
    covariance: Floats
    rho: float
    frequency: Floats
    weights: Floats
    effect: Floats
    variance: float
    range_m: float
    smoothness: float
    share: float
    correlation: Floats
    response: Floats
    inverse: Floats
    converged: bool


def fit_spatial_logistic(
    count: Floats,
    total: Floats,
    design: Floats,
    errors: SpatialErrors,
    start: LogisticFit,
    *,
    smoothness: float = ROUGH,
    near: SpatialLogisticFit | None = None,
) -> SpatialLogisticFit:
    """Return a logistic model with extra-binomial variance and a spatial effect.

    Parameters
    ----------
    count, total : (n,) arrays
        Every total above 0.
    design : (n, k) array
        Of full rank, intercept included.
    errors : SpatialErrors
        Of the same sites, in the same order.
    start : LogisticFit
        The same model without a spatial effect, converged.
    smoothness : float
        Of the correlation of the effect of place.
    near : SpatialLogisticFit, optional
        With an effect of place: where to start from instead.

    Notes
    -----
    Penalised quasi-likelihood (Breslow & Clayton 1993, *Journal of the American Statistical Association* 88:9-25). Each
    round makes the model linear at the present X b + u: the working response X b + u + (k - n p) / (n p (1 - p)) has
    the covariance s2 R + diag(1 / w), from which b follows by generalised least squares and u as its best
    linear prediction. Variance and range take a step towards the largest restricted likelihood of the working response
    by average information (:func:`morphcline.stats.restricted.restricted_step`), and rho with them, for much of
    what is alike among the shells of a site may be either's; the range stays between the ends of the ladder of
    ``errors``. Rounds end when no linear predictor moves by more than 1e-3, and rho by no more than 1e-4.

    Working responses differ between smoothnesses, so that their restricted likelihoods don't compare: choose by the
    likelihood of a fixed response, as :func:`morphcline.stats.logit_least_squares.fit_logits` does.

    Without a range at which spatial variance would raise the restricted likelihood, the answer is ``start``.
    """
    if near is not None:
        eta, at = design @ near.coefficients + near.effect, Components(near.variance, near.range_m, near.rho)
    else:
        first = _first_guess(count, total, design, errors, start)
        if first is None:
            return _without_effect(count, total, design, start)
        eta, at = design @ start.coefficients, Components(*first, start.rho)
    return _iterated(count, total, design, errors, at, eta, smoothness) or _without_effect(count, total, design, start)


def _iterated(
    count: Floats, total: Floats, design: Floats, errors: SpatialErrors, at: Components, eta: Floats, smoothness: float
) -> SpatialLogisticFit | None:
    """Return the fit, or None when its spatial variance shrinks to nothing."""
    limits = float(errors.ranges_m[0]), float(errors.ranges_m[-1])
    change, damping, converged = np.zeros(3), 1.0, False
    for _ in range(_ROUNDS):
        p = expit(eta)
        spread = total * p * (1 - p)
        own = (1 + (total - 1) * at.own) / spread
        if at.variance < NO_VARIANCE / float((1 / own).mean()):
            return None
        response = eta + (count - total * p) / spread
        step = restricted_step(response, design, own, (total - 1) / spread, errors.distance_m, at, smoothness)
        new = np.clip(design @ step.coefficients + step.effect, -_ETA, _ETA)
        # A step that led past the top shortens those after it, or rounds might follow each other about it for ever.
        if float(step.score @ change) < 0:
            damping = max(0.7 * damping, _MOST_DAMPED)
        further, change = stepped(at, step, limits, _MOST_RHO, damping, smoothness)
        converged = bool(np.abs(new - eta).max() < _SETTLED_ETA and np.abs(further.own - at.own) < _SETTLED_RHO)
        if converged:
            break
        eta, at = new, further
    wider = covariance_allowing_for_estimates(
        step, design, own, (total - 1) / spread, errors.distance_m, at, limits, smoothness
    )
    return _finished(errors, at, p, replace(step, covariance=wider), response, smoothness, converged)


def _finished(
    errors: SpatialErrors,
    at: Components,
    p: Floats,
    step: Step,
    response: Floats,
    smoothness: float,
    converged: bool,
) -> SpatialLogisticFit:
    weights = step.root**2
    spatial = at.variance / (at.variance + 1 / weights)
    root = np.sqrt(spatial)
    correlation = matern(errors.distance_m, at.range_m, smoothness)
    correlation *= root[:, None]
    correlation *= root
    np.fill_diagonal(correlation, 1.0)
    return SpatialLogisticFit(
        step.coefficients,
        step.covariance,
        at.own,
        p,
        weights,
        step.effect,
        at.variance,
        at.range_m,
        smoothness,
        float(spatial.mean()),
        correlation,
        response,
        step.inverse,
        converged,
    )


def _without_effect(count: Floats, total: Floats, design: Floats, fit: LogisticFit) -> SpatialLogisticFit:
    n, p = len(total), fit.frequency
    return SpatialLogisticFit(
        fit.coefficients,
        fit.covariance,
        fit.rho,
        p,
        fit.weights,
        np.zeros(n),
        0.0,
        np.nan,
        np.nan,
        0.0,
        np.eye(n),
        np.clip(design @ fit.coefficients, -_ETA, _ETA) + (count - total * p) / (total * p * (1 - p)),
        np.eye(n),
        fit.converged,
    )


def _first_guess(
    count: Floats, total: Floats, design: Floats, errors: SpatialErrors, fit: LogisticFit
) -> tuple[float, float] | None:
    """Return variance and range to start from, or None where no spatial variance raises the restricted likelihood."""
    p, root = fit.frequency, np.sqrt(fit.weights)
    standardised = root[:, None] * design
    pearson = (count - total * p) / np.sqrt(total * p * (1 - p) * (1 + (total - 1) * fit.rho))
    own = 1 / float(fit.weights.mean())
    guess = errors.fit(standardised @ fit.coefficients + pearson, standardised)
    if guess.share > 0:
        return max(guess.share * guess.scale * own, 0.02 * own), guess.range_m
    # At variance 0 the slope of the restricted likelihood is (a' K a - tr(P K)) / 2 of weighted residuals a = P z.
    weighted = root * pearson
    loaded = root[:, None] * standardised
    slopes = []
    for range_m in errors.ranges_m:
        decay = matern(errors.distance_m, float(range_m), ROUGH)
        trace = fit.weights.sum() - float(np.sum((loaded.T @ (decay @ loaded)) * fit.covariance))
        slopes.append((weighted @ (decay @ weighted) - trace) / trace)
    best = int(np.argmax(slopes))
    return (0.05 * own, float(errors.ranges_m[best])) if slopes[best] > 0 else None
