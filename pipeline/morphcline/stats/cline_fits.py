"""The search for each cline model's maximum likelihood."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, logit

from morphcline.stats.cline_models import JOIN, SLOPE, even_gradient, flat, logit_linear, sigmoid, stepped
from morphcline.stats.cline_screen import Screen, Sites, promising_starts
from morphcline.stats.likelihood import LOGIT_RHO, Floats, Maximum, MeanFunction, maximise
from morphcline.stats.profiles import Refit

#: Logit of the ends of a cline: 4e-5 from 0 or 1, which no survey can tell from 0 or 1.
_LOGIT_END = 10.0

#: Limits of width and centre, in units of the farthest site's distance from the origin.
WIDEST, _FARTHEST = 1e3, 1e3


def fit_flat(data: Sites) -> Maximum:
    """Fit one frequency to all sites."""
    p = data.count.sum() / data.total.sum()
    return maximise(
        data.count,
        data.total,
        flat(len(data.total)),
        np.array([logit(p), logit(0.05)]),
        lower=np.array([-30.0, LOGIT_RHO[0]]),
        upper=np.array([30.0, LOGIT_RHO[1]]),
    )


def fit_linear(data: Sites, level: Maximum) -> tuple[float, Maximum]:
    """Fit the even gradient; return the bearing, in radians, along which it rises, and the fit.

    The likelihood is concave in p, hence in the gradient's components; seen over the bearing it has one peak (a
    superlevel set of angles is the view of a convex set), so a coarse scan and golden sections find it.
    """
    start = np.array([level.parameters[0], level.parameters[0], level.parameters[1]])
    lower = np.array([-14.0, -14.0, LOGIT_RHO[0]])

    def refit(bearing: float, warm: Floats) -> Maximum:
        along = data.along(bearing)
        fraction = (along - along.min()) / np.ptp(along)
        return maximise(data.count, data.total, even_gradient(fraction), warm, lower=lower, upper=-lower)

    if data.axis is not None:
        bearing = data.axis
        fit = refit(bearing, start)
    else:
        steps = np.arange(12) * np.pi / 12
        scan = [refit(float(step), start) for step in steps]
        highest = int(np.argmax([fit.log_likelihood for fit in scan]))
        bearing, fit = _golden(refit, float(steps[highest]), np.pi / 12, scan[highest])
    first, last = (float(end) for end in expit(fit.parameters[:2]))
    if first > last:
        turned = replace(fit, parameters=fit.parameters[[1, 0, 2]])
        return bearing + np.pi, turned
    return bearing, fit


def _golden(refit: Refit, middle: float, reach: float, best: Maximum) -> tuple[float, Maximum]:
    ratio = (np.sqrt(5) - 1) / 2
    low, high = middle - reach, middle + reach
    left, right = high - ratio * (high - low), low + ratio * (high - low)
    at_left, at_right = refit(left, best.parameters), refit(right, best.parameters)
    while high - low > 1e-4:
        if at_left.log_likelihood > at_right.log_likelihood:
            high, right, at_right = right, left, at_left
            left = high - ratio * (high - low)
            at_left = refit(left, at_right.parameters)
        else:
            low, left, at_left = left, right, at_right
            right = low + ratio * (high - low)
            at_right = refit(right, at_left.parameters)
    found = [(middle, best), (left, at_left), (right, at_right)]
    return max(found, key=lambda pair: pair[1].log_likelihood)


def degrees(bearing: float) -> float:
    """Return a bearing in radians as degrees from 0 to 360."""
    return float(np.rad2deg(bearing) % 360)


#: Parameters of a sigmoid without tails, rho included; symmetric tails have two more, asymmetric ones three.
SIGMOID, SYMMETRIC, ASYMMETRIC = 6, 8, 9

#: Which parameters stand where once a cline is turned round, so that its start becomes its end.
_TURNED = {
    SIGMOID: [0, 1, 2, 4, 3, 5],
    SYMMETRIC: [0, 1, 2, 4, 3, 5, 6, 7],
    ASYMMETRIC: [0, 1, 2, 4, 3, 5, 7, 6, 8],
}


def bounds(data: Sites, parameters: int, ends_free: bool) -> tuple[Floats, Floats]:
    """Return between which values so many parameters of a sigmoid, with tails or without, are sought."""
    end = _LOGIT_END if ends_free else 0.0
    tails = parameters - SIGMOID
    # In a model with tails the central step may be narrower than the whole, but no narrower than sites can tell.
    join, slope = ([JOIN[0]], [JOIN[1]]) if tails else ([], []), np.log(SLOPE)
    low = [-_FARTHEST, np.log(data.narrowest), -np.inf, -end, -end, *join[0], *[slope[0]] * (tails - 1), LOGIT_RHO[0]]
    high = [_FARTHEST, np.log(WIDEST), np.inf, end, end, *join[1], *[slope[1]] * (tails - 1), LOGIT_RHO[1]]
    return np.array(low), np.array(high)


def held_parameters(data: Sites, parameters: int, ends_free: bool) -> NDArray[np.bool_]:
    """Return which of so many parameters of a sigmoid, with tails or without, keep their value."""
    held = np.zeros(parameters, dtype=bool)
    held[2] = data.axis is not None
    held[3:5] = not ends_free
    return held


def _mean(data: Sites, parameters: int, ends_free: bool) -> MeanFunction:
    if parameters == SIGMOID:
        return sigmoid(data.easting, data.northing, ends_free=ends_free)
    return stepped(data.easting, data.northing, ends_free=ends_free, symmetric=parameters == SYMMETRIC)


def fit_sigmoid(data: Sites, level: Maximum) -> Maximum:
    """Fit the sigmoid from 0 to 1 as a straight line (or plane) on the logit scale, where there is one optimum."""
    if data.axis is None:
        design = np.column_stack([np.ones_like(data.easting), data.easting, data.northing])
    else:
        design = np.column_stack([np.ones_like(data.easting), data.along(data.axis)])
    steepest = 4 / data.narrowest
    limits = np.append(np.full(design.shape[1], steepest), LOGIT_RHO[1])
    lower = np.append(-limits[:-1], LOGIT_RHO[0])
    start = np.zeros(len(limits))
    start[[0, -1]] = level.parameters
    line = maximise(data.count, data.total, logit_linear(design), start, lower=lower, upper=limits)
    slopes = line.parameters[1:-1]
    steepness = max(float(np.linalg.norm(slopes)), 4 / WIDEST)
    bearing = float(np.arctan2(slopes[0], slopes[1])) if data.axis is None else data.axis + np.pi * (slopes[0] < 0)
    return refit_sigmoid(
        data,
        np.array([-line.parameters[0] / steepness, np.log(4 / steepness), bearing, 0.0, 0.0, line.parameters[-1]]),
        ends_free=False,
    )


def refit_sigmoid(data: Sites, start: Floats, *, ends_free: bool, hold: int | None = None, rounds: int = 60) -> Maximum:
    """Fit the sigmoid from given parameters, if need be with one of them held; their number says which tails it has."""
    lower, upper = bounds(data, len(start), ends_free)
    held = held_parameters(data, len(start), ends_free)
    if hold is not None:
        held[hold] = True
    return maximise(
        data.count,
        data.total,
        _mean(data, len(start), ends_free),
        start,
        lower=lower,
        upper=upper,
        fixed=held,
        rounds=rounds if hold is None else 30,
        tolerance=1e-7 if hold is None else 1e-4,
    )


def fit_free_ends(data: Sites, screen: Screen, to_zero_and_one: Maximum, level: Maximum) -> Maximum:
    """Fit the sigmoid with free ends from many starts: its likelihood has several peaks."""
    from_zero_to_one = to_zero_and_one.parameters.copy()
    from_zero_to_one[3:5] = -6.0, 6.0
    starts = [from_zero_to_one, *promising_starts(screen, level)]
    tried = [refit_sigmoid(data, start, ends_free=True, rounds=15) for start in starts]
    tried.sort(key=lambda fit: -fit.log_likelihood)
    apart = [fit for i, fit in enumerate(tried) if not any(_same_peak(fit, other) for other in tried[:i])]
    ended = [refit_sigmoid(data, fit.parameters, ends_free=True, rounds=100) for fit in apart[:3]]
    return settled(data, max(ended, key=lambda fit: fit.log_likelihood), ends_free=True)


def _same_peak(one: Maximum, other: Maximum) -> bool:
    return bool(
        one.converged
        and abs(one.log_likelihood - other.log_likelihood) < 1e-4
        and np.allclose(rising(one).parameters[:2], rising(other).parameters[:2], rtol=1e-2, atol=1e-2)
    )


def settled(data: Sites, fit: Maximum, *, ends_free: bool) -> Maximum:
    """Return a sigmoid's maximum, searched to its end and rising along its bearing.

    Across a step the likelihood is rough: the search's damping grows and its rounds run out. It starts afresh then.
    """
    for _ in range(3):
        if fit.converged:
            break
        fit = refit_sigmoid(data, fit.parameters, ends_free=ends_free, rounds=100)
    return rising(fit)


def rising(fit: Maximum) -> Maximum:
    """Turn a sigmoid that falls along its bearing round, so that it rises."""
    if fit.parameters[3] <= fit.parameters[4]:
        return fit
    order = _TURNED[len(fit.parameters)]
    sign = np.ones(len(order))
    sign[0] = -1
    turned = sign * fit.parameters[order]
    turned[2] += np.pi
    return replace(fit, parameters=turned, information=fit.information[np.ix_(order, order)] * np.outer(sign, sign))
