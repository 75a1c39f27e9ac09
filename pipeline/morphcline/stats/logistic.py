"""Logistic regression of counts whose sites differ by more than binomial chance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from morphcline.stats.logit_scatter import empirical_logits

Floats = NDArray[np.float64]

#: A linear predictor is kept within these limits: beyond them a frequency is 0 or 1 to any count.
_ETA = 20.0


@dataclass(frozen=True)
class LogisticFit:
    """A fitted model.

    Attributes
    ----------
    coefficients : (k,) array
    covariance : (k, k) array
    rho : float
        Intra-site correlation left after the model.
    frequency : (n,) array
    weights : (n,) array
        Working weights n p (1 - p) / (1 + (n - 1) rho): the inverse variance of a site's working residual.
    converged : bool
        False above all where a class holds no shell with the trait, or none without it: its coefficient has no limit.
    """

    coefficients: Floats
    covariance: Floats
    rho: float
    frequency: Floats
    weights: Floats
    converged: bool


def fit_logistic(count: Floats, total: Floats, design: Floats, *, rho: float | None = None) -> LogisticFit:
    """Return a logistic model with extra-binomial variance.

    Parameters
    ----------
    count, total : (n,) arrays
        Every total above 0.
    design : (n, k) array
        Of full rank, intercept included.
    rho : float, optional
        Intra-site correlation; left out, it is estimated with the rest. 0 gives the binomial model.

    Notes
    -----
    Variance of a count: n p (1 - p) (1 + (n - 1) rho). With rho estimated: Williams (1982), model II: rho is such that
    Pearson's statistic with those variances equals its degrees of freedom n - k; 0 where it is smaller already.
    """
    given = rho is not None
    value = float(rho) if rho is not None else 0.0
    coefficients = _start(count, total, design)
    converged = False
    for _ in range(30):
        coefficients, converged = _reweighted(count, total, design, coefficients, value)
        if given:
            break
        new = _moment_rho(count, total, expit(design @ coefficients), design.shape[1])
        if abs(new - value) < 1e-7:
            break
        value = new
    frequency = expit(np.clip(design @ coefficients, -_ETA, _ETA))
    weights = total * frequency * (1 - frequency) / (1 + (total - 1) * value)
    covariance = np.linalg.pinv((design.T * weights) @ design, hermitian=True)
    return LogisticFit(coefficients, covariance, value, frequency, weights, converged)


def _start(count: Floats, total: Floats, design: Floats) -> Floats:
    """Least squares on empirical logits."""
    root = np.sqrt(total / (total + 10))
    return np.asarray(np.linalg.lstsq(design * root[:, None], empirical_logits(count, total) * root, rcond=None)[0])


def _reweighted(count: Floats, total: Floats, design: Floats, coefficients: Floats, rho: float) -> tuple[Floats, bool]:
    """Return coefficients by reweighted least squares; a step is halved while the weighted likelihood falls."""
    weight = 1 / (1 + (total - 1) * rho)

    def likelihood(at: Floats) -> float:
        eta = np.clip(design @ at, -_ETA, _ETA)
        return float((weight * (count * eta - total * np.logaddexp(0, eta))).sum())

    here = likelihood(coefficients)
    for _ in range(25):
        p = expit(np.clip(design @ coefficients, -_ETA, _ETA))
        gradient = design.T @ (weight * (count - total * p))
        information = (design.T * (weight * total * p * (1 - p))) @ design
        step = np.linalg.lstsq(information, gradient, rcond=1e-12)[0]
        if float(gradient @ step) < 1e-10:
            return coefficients + step, True
        share = 1.0
        while share > 1e-3 and likelihood(coefficients + share * step) < here - 1e-9:
            share /= 2
        coefficients = coefficients + share * step
        here = likelihood(coefficients)
    return coefficients, False


def _moment_rho(count: Floats, total: Floats, frequency: Floats, parameters: int) -> float:
    """Return the rho at which Pearson's statistic meets its degrees of freedom, by bisection: it falls with rho."""
    inside = np.clip(frequency, 1e-9, 1 - 1e-9)
    squares = (count - total * inside) ** 2 / (total * inside * (1 - inside))
    freedom = max(len(total) - parameters, 1)

    def excess(rho: float) -> float:
        return float((squares / (1 + (total - 1) * rho)).sum()) - freedom

    if excess(0.0) <= 0:
        return 0.0
    low, high = 0.0, 1.0
    if excess(1.0) > 0:
        return 1.0 - 1e-9
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if excess(middle) > 0 else (low, middle)
    return (low + high) / 2
