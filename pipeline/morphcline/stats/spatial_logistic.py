"""Logistic regression of counts at sites whose neighbours are alike: coefficients given a smooth spatial effect.

The linear predictor is X b + u: u is a Gaussian effect of place with variance s2 and correlation exp(-d / range). Given
u, a count has the mean n p and the variance n p (1 - p) (1 + (n - 1) rho). Coefficients are so conditional on place: a
site of one habitat is compared with sites of another as they would be at the same point of a cline. Coefficients of a
model without u are averages over the cline instead, and nearer 0 the steeper it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dpotrf, dpotri
from scipy.special import expit

from morphcline.stats.logistic import LogisticFit
from morphcline.stats.spatial_errors import SpatialErrors

Floats = NDArray[np.float64]

#: A linear predictor is kept within these limits: beyond them a frequency is 0 or 1 to any count.
_ETA = 20.0
_ROUNDS = 60
#: Changes of a linear predictor and of rho at which nothing more is to be gained.
_SETTLED_ETA, _SETTLED_RHO = 1e-3, 1e-4
#: Largest step of the logarithms of the parameters in a round.
_LONGEST_STEP = 1.0
#: Shortest share of a step that is taken.
_MOST_DAMPED = 0.2
#: Added to the information on them, so that a range of which the data say little doesn't run about.
_DAMPING = 0.05
#: Rho takes its steps as log(rho + this), so that it can reach 0; and its most.
_RHO_ORIGIN, _MOST_RHO = 0.01, 0.999
#: Spatial variance, over the variance of an average site's own error, that is taken as none; and the largest variance.
_NO_VARIANCE, _MOST_VARIANCE = 1e-3, 50.0


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
    variance, range_m : float
        Of the spatial effect: its variance on the logit scale, and the range of exp(-distance / range); 0 and NaN when
        there is none.
    share : float
        Of the variance of a working residual, the part that is spatial; mean over the sites.
    correlation : (n, n) array
        Of the working residuals.
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
    share: float
    correlation: Floats
    converged: bool


@dataclass(frozen=True)
class _Parameters:
    """Variance and range of the spatial effect, and the intra-site correlation."""

    variance: float
    range_m: float
    rho: float


@dataclass(frozen=True)
class _Working:
    """The linearised model at given parameters, with the score and average information of its likelihood.

    Both are by log(variance / range), log(range) and log(rho + 0.01): the slope of the variogram at distance 0 is well
    determined where variance and range, each alone, aren't (a range as long as the region).
    """

    coefficients: Floats
    covariance: Floats
    effect: Floats
    score: Floats
    information: Floats


def fit_spatial_logistic(
    count: Floats, total: Floats, design: Floats, errors: SpatialErrors, start: LogisticFit
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

    Notes
    -----
    Penalised quasi-likelihood (Breslow & Clayton 1993, *Journal of the American Statistical Association* 88:9-25). Each
    round makes the model linear at the present X b + u: the working response X b + u + (k - n p) / (n p (1 - p)) has
    the covariance s2 exp(-d / range) + diag(1 / w), from which b follows by generalised least squares and u as its best
    linear prediction. Variance and range take a step towards the largest restricted likelihood of the working response
    by average information (Gilmour, Thompson & Cullis 1995, *Biometrics* 51:1440-1450), and rho with them, for much of
    what is alike among the shells of a site may be either's; the range stays between the ends of the ladder of
    ``errors``. Rounds end when no linear predictor moves by more than 1e-3, and rho by no more than 1e-4.

    Without a range at which spatial variance would raise the restricted likelihood, the answer is ``start``.
    """
    first = _first_guess(count, total, design, errors, start)
    if first is None:
        return _without_effect(start, len(total))
    at = _Parameters(*first, start.rho)
    eta, converged = design @ start.coefficients, False
    change, damping = np.zeros(3), 1.0
    for _ in range(_ROUNDS):
        p = expit(eta)
        weights = total * p * (1 - p) / (1 + (total - 1) * at.rho)
        if at.variance * float(weights.mean()) < _NO_VARIANCE:
            return _without_effect(start, len(total))
        step = _linearised(count, total, design, errors, eta, p, weights, at)
        new = np.clip(design @ step.coefficients + step.effect, -_ETA, _ETA)
        # A step that led past the top shortens those after it, or rounds might follow each other about it for ever.
        if float(step.score @ change) < 0:
            damping = max(0.7 * damping, _MOST_DAMPED)
        further, change = _stepped(at, step, errors.ranges_m, damping)
        converged = bool(np.abs(new - eta).max() < _SETTLED_ETA and np.abs(further.rho - at.rho) < _SETTLED_RHO)
        if converged:
            break
        eta, at = new, further
    variance, range_m = at.variance, at.range_m
    spatial = variance / (variance + 1 / weights)
    root = np.sqrt(spatial)
    correlation = root[:, None] * np.exp(-errors.distance_m / range_m) * root
    np.fill_diagonal(correlation, 1.0)
    return SpatialLogisticFit(
        step.coefficients,
        step.covariance,
        at.rho,
        p,
        weights,
        step.effect,
        variance,
        range_m,
        float(spatial.mean()),
        correlation,
        converged,
    )


def _without_effect(fit: LogisticFit, sites: int) -> SpatialLogisticFit:
    return SpatialLogisticFit(
        fit.coefficients,
        fit.covariance,
        fit.rho,
        fit.frequency,
        fit.weights,
        np.zeros(sites),
        0.0,
        np.nan,
        0.0,
        np.eye(sites),
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
        decay = np.exp(-errors.distance_m / range_m)
        trace = fit.weights.sum() - float(np.sum((loaded.T @ (decay @ loaded)) * fit.covariance))
        slopes.append((weighted @ (decay @ weighted) - trace) / trace)
    best = int(np.argmax(slopes))
    return (0.05 * own, float(errors.ranges_m[best])) if slopes[best] > 0 else None


def _linearised(
    count: Floats,
    total: Floats,
    design: Floats,
    errors: SpatialErrors,
    eta: Floats,
    p: Floats,
    weights: Floats,
    at: _Parameters,
) -> _Working:
    """Return the estimates of the model made linear at eta.

    The response is standardised by the root of its weights, so that its covariance is B = I + G with G the spatial part
    and no site is too uncertain for the arithmetic.
    """
    n, k = design.shape
    root = np.sqrt(weights)
    response = root * eta + root * (count - total * p) / (total * p * (1 - p))
    standardised = root[:, None] * design
    spatial = np.exp(errors.distance_m * (-1 / at.range_m))
    spatial *= at.variance * root[:, None]
    spatial *= root
    inverse = _inverse(spatial)
    carried: Floats = inverse @ standardised
    covariance = np.asarray(np.linalg.inv(standardised.T @ carried), dtype=np.float64)
    coefficients = covariance @ (carried.T @ response)
    rest = inverse @ (response - standardised @ coefficients)
    projection = np.diag(inverse) - np.sum((carried @ covariance) * carried, axis=1)
    by_range: Floats = spatial * (1 + errors.distance_m * (1 / at.range_m))
    by_rho = (total - 1) / (1 + (total - 1) * at.rho) * (at.rho + _RHO_ORIGIN)
    moved = np.column_stack([spatial @ rest, by_range @ rest, by_rho * rest])
    traces = np.array(
        [
            n - k - projection.sum(),
            np.vdot(inverse, by_range) - np.sum((carried.T @ (by_range @ carried)) * covariance),
            projection @ by_rho,
        ]
    )
    projected = inverse @ moved - carried @ (covariance @ (carried.T @ moved))
    score, information = 0.5 * (rest @ moved - traces), np.asarray(0.5 * moved.T @ projected, dtype=np.float64)
    return _Working(coefficients, covariance, moved[:, 0] / root, score, information)


def _inverse(spatial: Floats) -> Floats:
    """Return the inverse of I + spatial, a symmetric positive definite matrix."""
    matrix = spatial.copy()
    matrix[np.diag_indices_from(matrix)] += 1
    # C order read as Fortran order is the transpose, which is the same matrix.
    factor, _ = dpotrf(matrix.T, lower=1, overwrite_a=1)
    lower, _ = dpotri(factor, lower=1, overwrite_c=1)
    below = np.tril(lower, -1)
    return np.asarray(below + below.T + np.diag(np.diag(lower)))


def _stepped(at: _Parameters, step: _Working, ladder: Floats, damping: float) -> tuple[_Parameters, Floats]:
    """Return the parameters a damped Newton step on, and the step; one held by a limit stays there."""
    low, high = float(ladder[0]), float(ladder[-1])
    held = np.array(
        [
            False,
            (at.range_m <= low and step.score[1] < 0) or (at.range_m >= high and step.score[1] > 0),
            at.rho <= 0 and step.score[2] < 0,
        ]
    )
    free = np.flatnonzero(~held)
    change = np.zeros(3)
    change[free] = np.linalg.solve(
        step.information[np.ix_(free, free)] + _DAMPING * np.eye(len(free)), step.score[free]
    )
    change *= damping * min(1.0, _LONGEST_STEP / max(float(np.abs(change).max()), 1e-300))
    slope, stretch, growth = np.exp(change)
    range_m = float(np.clip(at.range_m * stretch, low, high))
    variance = min(float(at.variance / at.range_m * slope * range_m), _MOST_VARIANCE)
    rho = float(np.clip((at.rho + _RHO_ORIGIN) * growth - _RHO_ORIGIN, 0.0, _MOST_RHO))
    return _Parameters(variance, range_m, rho), change
