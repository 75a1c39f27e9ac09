"""Restricted likelihood of a linear model whose errors are a smooth effect of place and each site's own error.

The covariance of the response is s2 R(d / range) + diag(own), with own = known + slope * t: t is an intra-site
correlation or a variance that all sites share. One step gives the estimates at present parameters, and where the
parameters should go next.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dpotrf, dpotri

from morphcline.stats.correlations import matern, matern_at_fixed_slope

Floats = NDArray[np.float64]

#: Largest step of the logarithms of the parameters in a round.
_LONGEST_STEP = 1.0
#: Added to the information on them, so that a range of which the data say little doesn't run about.
_DAMPING = 0.05
#: The site's own parameter takes its steps as log(t + this), so that it can reach 0.
OWN_ORIGIN = 0.01
MOST_VARIANCE = 50.0
#: Spatial variance, over the variance of an average site's own error, that is taken as none.
NO_VARIANCE = 1e-3
_ROUNDS = 40
#: Restricted likelihood left to gain at which the parameters have settled.
_SETTLED = 1e-4


@dataclass(frozen=True)
class Components:
    """Variance and range of the effect of place, and the parameter of the sites' own errors."""

    variance: float
    range_m: float
    own: float


@dataclass(frozen=True)
class Step:
    """The model at given parameters.

    Attributes
    ----------
    coefficients : (k,) array
    covariance : (k, k) array
    effect : (n,) array
        Best linear prediction of the effect of place.
    root : (n,) array
        1 / sqrt(own): a response times it is standardised, and the sites' own errors have the variance 1.
    inverse : (n, n) array
        Of the covariance of the standardised response.
    log_likelihood : float
        Restricted, but for a constant.
    score, information : (3,) and (3, 3) arrays
        By log(variance / range ** (2 smoothness)), log(range) and log(own + 0.01).
    """

    coefficients: Floats
    covariance: Floats
    effect: Floats
    root: Floats
    inverse: Floats
    log_likelihood: float
    score: Floats
    information: Floats


def restricted_step(
    response: Floats,
    design: Floats,
    own: Floats,
    own_slope: Floats,
    distance_m: Floats,
    at: Components,
    smoothness: float,
) -> Step:
    """Return the estimates at given parameters, with score and average information of the restricted likelihood.

    Parameters
    ----------
    response : (n,) array
    design : (n, k) array
        Of full rank.
    own, own_slope : (n,) arrays
        Variance of each site's own error, above 0, and its derivative by ``at.own``.
    distance_m : (n, n) array
    at : Components
    smoothness : float
        Of the correlation (:func:`morphcline.stats.correlations.matern`).

    Notes
    -----
    Average information: Gilmour, Thompson & Cullis 1995, *Biometrics* 51:1440-1450. Everything is standardised by the
    sites' own errors, so that the covariance is I + G with G the spatial part and no site is too uncertain for the
    arithmetic.
    """
    n, k = design.shape
    root = 1 / np.sqrt(own)
    standardised = root[:, None] * design
    spatial = matern(distance_m, at.range_m, smoothness)
    spatial *= at.variance * root[:, None]
    spatial *= root
    inverse, log_determinant = _inverse(spatial)
    carried: Floats = inverse @ standardised
    covariance = np.asarray(np.linalg.inv(standardised.T @ carried), dtype=np.float64)
    coefficients = covariance @ (carried.T @ (root * response))
    residual = root * response - standardised @ coefficients
    rest = inverse @ residual
    effect = (spatial @ rest) / root
    projection = np.diag(inverse) - np.sum((carried @ covariance) * carried, axis=1)
    by_range = matern_at_fixed_slope(spatial, distance_m, at.range_m, smoothness)
    by_own = own_slope / own * (at.own + OWN_ORIGIN)
    moved = np.column_stack([effect * root, by_range @ rest, by_own * rest])
    traces = np.array(
        [
            n - k - projection.sum(),
            np.vdot(inverse, by_range) - np.sum((carried.T @ (by_range @ carried)) * covariance),
            projection @ by_own,
        ]
    )
    projected = inverse @ moved - carried @ (covariance @ (carried.T @ moved))
    log_likelihood = -0.5 * (
        log_determinant + float(np.log(own).sum()) - float(np.linalg.slogdet(covariance)[1]) + float(residual @ rest)
    )
    return Step(
        coefficients,
        covariance,
        effect,
        root,
        inverse,
        log_likelihood,
        0.5 * (rest @ moved - traces),
        np.asarray(0.5 * moved.T @ projected, dtype=np.float64),
    )


def covariance_allowing_for_estimates(
    step: Step,
    design: Floats,
    own: Floats,
    own_slope: Floats,
    distance_m: Floats,
    at: Components,
    limits: tuple[float, float],
    smoothness: float,
) -> Floats:
    """Return the coefficients' covariance, wider by what the uncertainty of the three parameters adds.

    Parameters
    ----------
    step : Step
        At these parameters, of the same arrays.
    design, own, own_slope, distance_m, at, smoothness
        As :func:`restricted_step` takes them.
    limits : tuple of float
        Of the range; a parameter that a limit holds is taken as known.

    Notes
    -----
    C + 2 C L C (Kenward & Roger 1997, *Biometrics* 53:983-997, without the term of second derivatives, which depends on
    how the parameters are written), with L = sum of W_ij (M_i' V^-1 M_j - P_i C P_j), M_i = dV_i V^-1 X,
    P_i = X' V^-1 M_i and W the inverse of the average information.
    """
    standardised = step.root[:, None] * design
    carried: Floats = step.inverse @ standardised
    spatial = matern(distance_m, at.range_m, smoothness)
    spatial *= at.variance * step.root[:, None]
    spatial *= step.root
    moved = [spatial @ carried]
    moved.append(matern_at_fixed_slope(spatial, distance_m, at.range_m, smoothness) @ carried)
    moved.append((own_slope / own * (at.own + OWN_ORIGIN))[:, None] * carried)
    free = [i for i, held in enumerate(_held(at, step, limits)) if not held]
    if not free:
        return step.covariance
    uncertain = np.linalg.inv(step.information[np.ix_(free, free)] + _DAMPING * np.eye(len(free)))
    through = [carried.T @ moved[i] for i in free]
    inner = np.zeros_like(step.covariance)
    for i, first in enumerate(free):
        for j, second in enumerate(free):
            crossed = moved[first].T @ (step.inverse @ moved[second]) - through[i] @ step.covariance @ through[j]
            inner += uncertain[i, j] * crossed
    wider: Floats = step.covariance + step.covariance @ (inner + inner.T) @ step.covariance
    return wider


def _held(at: Components, step: Step, limits: tuple[float, float]) -> tuple[bool, bool, bool]:
    """Return which parameters a limit keeps from going where the score points."""
    low, high = limits
    no_place = at.variance <= 0
    at_end = (at.range_m <= low and step.score[1] < 0) or (at.range_m >= high and step.score[1] > 0)
    return no_place, bool(no_place or at_end), bool(at.own <= 0 and step.score[2] < 0)


def _inverse(spatial: Floats) -> tuple[Floats, float]:
    """Return the inverse of I + spatial, a symmetric positive definite matrix, and the log of its determinant."""
    matrix = spatial.copy()
    matrix[np.diag_indices_from(matrix)] += 1
    # C order read as Fortran order is the transpose, which is the same matrix.
    factor, _ = dpotrf(matrix.T, lower=1, overwrite_a=1)
    log_determinant = 2 * float(np.log(np.diag(factor)).sum())
    lower, _ = dpotri(factor, lower=1, overwrite_c=1)
    below = np.tril(lower, -1)
    diagonal = np.diag(lower).copy()
    below += below.T
    below[np.diag_indices_from(below)] = diagonal
    return below, log_determinant


def stepped(
    at: Components, step: Step, limits: tuple[float, float], most_own: float, damping: float, smoothness: float
) -> tuple[Components, Floats]:
    """Return the parameters a damped Newton step on, and the step; one held by a limit stays there.

    Parameters
    ----------
    at : Components
    step : Step
        At these parameters.
    limits : tuple of float
        Of the range.
    most_own : float
        Of the own parameter; its least is 0.
    damping : float
        Part of the step that is taken, up to 1.
    smoothness : float
    """
    low, high = limits
    held = np.array(_held(at, step, limits))
    free = np.flatnonzero(~held)
    change = np.zeros(3)
    change[free] = np.linalg.solve(
        step.information[np.ix_(free, free)] + _DAMPING * np.eye(len(free)), step.score[free]
    )
    change *= damping * min(1.0, _LONGEST_STEP / max(float(np.abs(change).max()), 1e-300))
    slope, stretch, growth = np.exp(change)
    range_m = float(np.clip(at.range_m * stretch, low, high))
    variance = min(float(at.variance * slope * (range_m / at.range_m) ** (2 * smoothness)), MOST_VARIANCE)
    own = float(np.clip((at.own + OWN_ORIGIN) * growth - OWN_ORIGIN, 0.0, most_own))
    return Components(variance, range_m, own), change


def maximise_restricted(
    response: Floats,
    design: Floats,
    known: Floats,
    distance_m: Floats,
    start: Components,
    limits: tuple[float, float],
    smoothness: float,
) -> tuple[Components, Step, bool]:
    """Return the parameters of the largest restricted likelihood, the model there, and whether they have settled.

    The covariance allows for their uncertainty.

    Parameters
    ----------
    response : (n,) array
    design : (n, k) array
    known : (n,) array
        Known part of each site's own variance; a variance that all sites share is estimated on top.
    distance_m : (n, n) array
    start : Components
    limits : tuple of float
        Of the range.
    smoothness : float

    Notes
    -----
    Average-information steps, halved while the likelihood falls. An effect of place whose variance shrinks below a
    thousandth of the sites' own is none.
    """
    ones = np.ones(len(response))

    def look(at: Components) -> Step:
        return restricted_step(response, design, known + at.own, ones, distance_m, at, smoothness)

    at, settled = start, False
    here = look(at)
    for _ in range(_ROUNDS):
        damping, gained = 1.0, -np.inf
        while damping > 0.05:
            further, _ = stepped(at, here, limits, MOST_VARIANCE, damping, smoothness)
            if 0 < further.variance < NO_VARIANCE * float(np.mean(known + further.own)):
                further = replace(further, variance=0.0)
            there = look(further)
            gained = there.log_likelihood - here.log_likelihood
            if gained >= 0:
                break
            damping /= 3
        settled = gained < _SETTLED
        if gained >= 0:
            at, here = further, there
        if settled:
            break
    wider = covariance_allowing_for_estimates(here, design, known + at.own, ones, distance_m, at, limits, smoothness)
    return at, replace(here, covariance=wider), settled
