"""Generalised least squares on empirical logits: a second answer about covariates, by another road.

The logit of a site's frequency is taken as a normal value with a known binomial variance, an unknown variance of the
site's own, and an effect of place with Matérn's correlation. There is no working response to iterate, so the restricted
likelihood is exact and smoothnesses can be compared by it; but with few shells, or few with the trait, a logit is
skewed and pulled towards 0, which a logistic model is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morphcline.stats.correlations import ROUGH, SMOOTH
from morphcline.stats.logit_scatter import empirical_logits
from morphcline.stats.restricted import Components, maximise_restricted

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LogitFit:
    """A fitted model.

    Attributes
    ----------
    coefficients : (k,) array
    covariance : (k, k) array
    variance, range_m, smoothness : float
        Of the effect of place (:func:`morphcline.stats.correlations.matern`); 0, NaN and NaN when there is none.
    own : float
        Variance of a site's own logit, beyond the binomial one.
    log_likelihood : float
        Restricted, but for a constant.
    converged : bool
    """

    coefficients: Floats
    covariance: Floats
    variance: float
    range_m: float
    smoothness: float
    own: float
    log_likelihood: float
    converged: bool


def binomial_variance(total: Floats, frequency: Floats) -> Floats:
    """Return the binomial variance of an empirical logit, 1 / (n p + 1/2) + 1 / (n (1 - p) + 1/2).

    Parameters
    ----------
    total : (n,) array
    frequency : (n,) array
        Of a model. A site's own frequency won't do: extremes would get other weights than their sites deserve, and
        pull the coefficients.
    """
    return np.asarray(1 / (total * frequency + 0.5) + 1 / (total * (1 - frequency) + 0.5))


def fit_logits(
    count: Floats,
    total: Floats,
    design: Floats,
    frequency: Floats,
    distance_m: Floats,
    limits: tuple[float, float],
    start: tuple[float, float],
    *,
    smoothnesses: Sequence[float] = (ROUGH, SMOOTH),
) -> LogitFit:
    """Return coefficients of covariates on empirical logits, space allowed for.

    Parameters
    ----------
    count, total : (n,) arrays
        Every total above 0.
    design : (n, k) array
        Of full rank, intercept included.
    frequency : (n,) array
        At which the binomial variance is taken.
    distance_m : (n, n) array
    limits : tuple of float
        Of the range.
    start : tuple of float
        Variance (above 0) and range to start from.
    smoothnesses : sequence of float
        Of the correlation; the one with the largest restricted likelihood is kept.

    Notes
    -----
    Variance and range of the effect of place and the sites' own variance are by restricted likelihood (Patterson &
    Thompson 1971; Diggle & Ribeiro 2007), the binomial variance is held. The covariance of the coefficients allows for
    the uncertainty of the three (Kenward & Roger 1997).
    """
    response, known = empirical_logits(count, total), binomial_variance(total, frequency)
    at = Components(start[0], start[1], float(known.mean()) / 2)
    best: LogitFit | None = None
    for smoothness in smoothnesses:
        at, step, converged = maximise_restricted(response, design, known, distance_m, at, limits, smoothness)
        some = at.variance > 0
        fit = LogitFit(
            step.coefficients,
            step.covariance,
            at.variance,
            at.range_m if some else np.nan,
            smoothness if some else np.nan,
            at.own,
            step.log_likelihood,
            converged,
        )
        if best is None or fit.log_likelihood > best.log_likelihood:
            best = fit
        if not some:
            break
    assert best is not None
    return best
