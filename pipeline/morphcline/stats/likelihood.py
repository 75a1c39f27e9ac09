"""The beta-binomial likelihood of counts under any model of the frequency, and its maximum by damped Newton steps."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, cho_factor, cho_solve
from scipy.special import digamma, gammaln

Floats = NDArray[np.float64]

#: Parameters to frequencies (n,) and their derivatives (n, k).
MeanFunction = Callable[[Floats], tuple[Floats, Floats]]

#: Parameters to a log-likelihood, its gradient (k,) and its information (k, k).
Expansion = Callable[[Floats], tuple[float, Floats, Floats]]

#: Frequencies are kept this far from 0 and 1 in the likelihood, where a single shell would make it minus infinity.
MARGIN = 1e-10

#: Limits of logit rho: below the lower one the beta-binomial is binomial for any sample a person could count.
LOGIT_RHO = (-14.0, 7.0)


@dataclass(frozen=True)
class Derivatives:
    """Log-likelihood of each site and its derivatives by the frequency p and by t = logit(rho); each (n,)."""

    value: Floats
    by_p: Floats
    by_t: Floats
    by_pp: Floats
    by_pt: Floats
    by_tt: Floats


@dataclass(frozen=True)
class Maximum:
    """Where a damped Newton search ended.

    Attributes
    ----------
    parameters : (k,) array
        The last one is logit rho.
    log_likelihood : float
    converged : bool
        A further Newton step promises less log-likelihood than the tolerance.
    information : (k, k) array
        Negative second derivatives, as the search used them; rows of fixed parameters are included.
    """

    parameters: Floats
    log_likelihood: float
    converged: bool
    information: Floats


def beta_binomial_derivatives(count: Floats, total: Floats, frequency: Floats, logit_rho: float) -> Derivatives:
    """Return the beta-binomial log-likelihood of each site with first and second derivatives.

    Parameters
    ----------
    count, total, frequency : (n,) arrays
        Shells with the trait, shells judged, and expected frequency strictly between 0 and 1.
    logit_rho : float
        Logit of the intra-site correlation rho.

    Returns
    -------
    Derivatives

    Notes
    -----
    With tau = (1 - rho) / rho = exp(-t) the site's frequency is Beta(p tau, (1 - p) tau) distributed (Skellam 1948).
    """
    tau = np.exp(-logit_rho)
    alpha, beta = frequency * tau, (1 - frequency) * tau
    failed = total - count
    ends = np.array([tau])
    arguments = np.concatenate([count + alpha, failed + beta, alpha, beta, total + tau, ends])
    n = len(count)

    def differences(function: Callable[[Floats], Floats]) -> tuple[Floats, Floats, Floats]:
        value = function(arguments)
        return (
            value[:n] - value[2 * n : 3 * n],
            value[n : 2 * n] - value[3 * n : 4 * n],
            value[-1] - value[4 * n : 5 * n],
        )

    a0, b0, c0 = differences(gammaln)
    a1, b1, c1 = differences(digamma)
    a2, b2, c2 = differences(trigamma)
    constant = gammaln(total + 1) - gammaln(count + 1) - gammaln(failed + 1)
    by_log_tau = alpha * a1 + beta * b1 + tau * c1
    return Derivatives(
        value=constant + a0 + b0 + c0,
        by_p=tau * (a1 - b1),
        by_t=-by_log_tau,
        by_pp=tau**2 * (a2 + b2),
        by_pt=-tau * (a1 - b1 + alpha * a2 - beta * b2),
        by_tt=by_log_tau + alpha**2 * a2 + beta**2 * b2 + tau**2 * c2,
    )


def trigamma(value: Floats) -> Floats:
    """Return the second derivative of log gamma for positive values, to about 1e-10 of itself.

    Recurrence up to an argument above 6, then the asymptotic series (Abramowitz & Stegun 1964, 6.4.6 and 6.4.12).
    It is several times faster than the Hurwitz zeta function that SciPy takes.
    """
    total = np.zeros_like(value)
    for step in range(6):
        reciprocal = 1 / (value + step)
        total += reciprocal * reciprocal
    inverse = 1 / (value + 6)
    square = inverse * inverse
    series = 1 / 6 - square * (1 / 30 - square * (1 / 42 - square * (1 / 30 - square * (5 / 66))))
    return total + inverse + square / 2 + inverse * square * series


def maximise(
    count: Floats,
    total: Floats,
    mean: MeanFunction,
    start: Floats,
    *,
    lower: Floats,
    upper: Floats,
    fixed: NDArray[np.bool_] | None = None,
    rounds: int = 100,
    tolerance: float = 1e-7,
) -> Maximum:
    """Maximise a beta-binomial likelihood by damped Newton steps within bounds.

    Parameters
    ----------
    count, total : (n,) arrays
    mean : callable
        Parameters without the last one to frequencies and their derivatives.
    start : (k,) array
        The last parameter is logit rho.
    lower, upper : (k,) arrays
    fixed : (k,) array of bool, optional
        Parameters that keep their starting value.
    rounds : int
        Steps at most.
    tolerance : float
        The search has converged when a Newton step promises less log-likelihood than this.

    Notes
    -----
    The second derivatives of the mean by its parameters are left out: they have expectation zero, the likelihood is
    concave in p, and so the mean's block stays positive definite (Gauss-Newton). A rising diagonal (Marquardt 1963)
    does the rest.
    """
    return climb(
        lambda parameters: expansion(count, total, mean, parameters),
        start,
        lower=lower,
        upper=upper,
        fixed=fixed,
        rounds=rounds,
        tolerance=tolerance,
    )


def climb(
    expand: Expansion,
    start: Floats,
    *,
    lower: Floats,
    upper: Floats,
    fixed: NDArray[np.bool_] | None = None,
    rounds: int = 100,
    tolerance: float = 1e-7,
) -> Maximum:
    """Maximise any log-likelihood by damped Newton steps within bounds; arguments as for :func:`maximise`.

    Parameters
    ----------
    expand : callable
        Of the parameters: the log-likelihood, its gradient, and its information.
    """
    held = np.zeros(len(start), dtype=bool) if fixed is None else fixed
    here = np.clip(start, lower, upper)
    here[held] = start[held]
    value, gradient, information = expand(here)
    damping, converged = 1e-4, False
    for _ in range(rounds):
        stuck = ((here <= lower) & (gradient < 0)) | ((here >= upper) & (gradient > 0))
        free = ~(held | stuck)
        if not free.any():
            converged = True
            break
        step = np.zeros_like(here)
        step[free], damping = _damped_step(information[np.ix_(free, free)], gradient[free], damping)
        promised = float(gradient @ step) / 2
        if promised < tolerance and damping <= 1e-2:
            converged = True
        trial = np.clip(here + step, lower, upper)
        trial[held] = here[held]
        new_value, new_gradient, new_information = expand(trial)
        if new_value >= value:
            here, value, gradient, information = trial, new_value, new_gradient, new_information
            damping = max(damping / 10, 1e-6)
        else:
            damping = max(damping * 8, 1e-3)
        if converged or damping > 1e10:
            converged = converged or promised < tolerance
            break
    return Maximum(here, value, converged, information)


def _damped_step(information: Floats, gradient: Floats, damping: float) -> tuple[Floats, float]:
    """Return a step, and the damping that made the matrix positive definite."""
    diagonal = np.abs(np.diag(information))
    scale = np.maximum(diagonal, 1e-8 * max(float(diagonal.max()), 1e-8))
    while True:
        try:
            factor = cho_factor(information + damping * np.diag(scale), check_finite=False)
            step: Floats = cho_solve(factor, gradient, check_finite=False)
            return step, damping
        except LinAlgError:
            damping = max(damping * 10, 1e-3)


def expansion(count: Floats, total: Floats, mean: MeanFunction, parameters: Floats) -> tuple[float, Floats, Floats]:
    """Return a beta-binomial log-likelihood, its gradient and its information; the last parameter is logit rho."""
    frequency, slopes = mean(parameters[:-1])
    terms = beta_binomial_derivatives(count, total, np.clip(frequency, MARGIN, 1 - MARGIN), parameters[-1])
    gradient = np.append(slopes.T @ terms.by_p, terms.by_t.sum())
    k = len(parameters)
    information = np.empty((k, k))
    information[:-1, :-1] = -(slopes.T * terms.by_pp) @ slopes
    information[:-1, -1] = information[-1, :-1] = -(slopes.T @ terms.by_pt)
    information[-1, -1] = -terms.by_tt.sum()
    return float(terms.value.sum()), gradient, information
