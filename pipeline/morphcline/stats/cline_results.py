"""What a cline fit comes back with: each model's estimates, limits and weight."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import expit

from morphcline.stats.cline_choice import Candidate, span_seen
from morphcline.stats.cline_fits import degrees
from morphcline.stats.cline_intervals import Intervals
from morphcline.stats.cline_screen import Sites, intra_site_correlation

#: Models in the order in which they are reported.
MODELS = (
    "flat",
    "linear",
    "sigmoid",
    "sigmoid, free ends",
    "stepped, symmetric tails",
    "stepped, asymmetric tails",
)

#: Limits that a sigmoid may have.
LIMITS = ("centre_low", "centre_high", "width_low", "width_high", "bearing_low", "bearing_high")

#: Limits of the slopes of its tails.
TAIL_LIMITS = ("slope_min_low", "slope_min_high", "slope_max_low", "slope_max_high")

#: Parameters of each model along a given axis, rho included; the bearing is one more, two free ends beside tails two.
_PARAMETERS = {
    "flat": 2,
    "linear": 3,
    "sigmoid": 3,
    "sigmoid, free ends": 5,
    "stepped, symmetric tails": 5,
    "stepped, asymmetric tails": 6,
}


@dataclass(frozen=True)
class ClineFit:
    """One model fitted to one trait; NaN where the model has no such quantity or the profile doesn't close.

    Limits are sought for the chosen model alone, and so is its goodness of fit.

    Attributes
    ----------
    model : str
    bearing_deg, bearing_low, bearing_high : float
        Where the frequency rises, degrees clockwise from grid north; the interval runs clockwise from low to high.
    centre_m, centre_low, centre_high : float
        Distance from the origin along the bearing, where p is halfway between the ends.
    width_m, width_low, width_high : float
        (p_max - p_min) / greatest gradient; always positive.
    p_min, p_max : float
        Frequencies at the two ends (linear: at the outermost sites along the bearing).
    rho : float
        Intra-site correlation.
    log_likelihood : float
        With the binomial coefficients.
    parameters : int
    aicc, weight : float
    converged : bool
    open_limits : tuple of str
        The limits that are not given: the data leave them open, or the model is not the chosen one.
    step : bool
        The cline is a step as far as sites can tell: its width has no lower limit, its upper one is below the spacing
        of sites about the centre, and the model doesn't fail.
    spacing_m : float
        Median distance to the nearest neighbour of the twenty sites nearest the centre along the axis.
    span_seen : float
        Share of the way from end to end that the curve covers between the outermost sites.
    residual_moran_i, residual_moran_p : float
        Moran's I of the standardised residuals, eight nearest neighbours.
    centre_low_given_ends, centre_high_given_ends, width_low_given_ends, width_high_given_ends : float
        Of a chosen sigmoid from 0 to 1: the limits if its ends really are 0 and 1. The others allow for free ends.
    p_fit, p_fit_error : float
        Parametric bootstrap of the model's goodness of fit, and the standard error of that p-value by its draws.
    fails : bool
        The model doesn't describe the map: ``p_fit`` is 0.05 or less and ``residual_share`` a third or more.
    residual_share, residual_range_m : float
        Share of the residuals' variance that neighbours have in common, and the range of their exponential correlation.
    centre_longer, width_longer, bearing_longer : float
        By how much the standard errors behind the limits grew for that.
    tail_share : float
        Share of the way from end to end that is left where the tails begin; NaN for models without tails.
    slope_min, slope_min_low, slope_min_high, slope_max, slope_max_low, slope_max_high : float
        Gradient just outside the central step over that just inside, at the low and at the high end; 1 is no step.
    barrier_min_m, barrier_max_m : float
        Strength of the barrier that such a step stands for: its height over the gradient just outside (Barton 1986).
    not_fitted_because : str
        Why a model has no numbers; else empty.
    """

    model: str
    log_likelihood: float
    parameters: int
    rho: float
    p_min: float
    p_max: float
    converged: bool
    bearing_deg: float = np.nan
    bearing_low: float = np.nan
    bearing_high: float = np.nan
    centre_m: float = np.nan
    centre_low: float = np.nan
    centre_high: float = np.nan
    width_m: float = np.nan
    width_low: float = np.nan
    width_high: float = np.nan
    aicc: float = np.nan
    weight: float = np.nan
    open_limits: tuple[str, ...] = ()
    step: bool = False
    span_seen: float = np.nan
    residual_moran_i: float = np.nan
    residual_moran_p: float = np.nan
    spacing_m: float = np.nan
    centre_low_given_ends: float = np.nan
    centre_high_given_ends: float = np.nan
    width_low_given_ends: float = np.nan
    width_high_given_ends: float = np.nan
    p_fit: float = np.nan
    p_fit_error: float = np.nan
    fails: bool = False
    residual_share: float = np.nan
    residual_range_m: float = np.nan
    centre_longer: float = np.nan
    width_longer: float = np.nan
    bearing_longer: float = np.nan
    tail_share: float = np.nan
    slope_min: float = np.nan
    slope_min_low: float = np.nan
    slope_min_high: float = np.nan
    slope_max: float = np.nan
    slope_max_low: float = np.nan
    slope_max_high: float = np.nan
    barrier_min_m: float = np.nan
    barrier_max_m: float = np.nan
    not_fitted_because: str = ""


@dataclass(frozen=True)
class Clines:
    """Every model of one trait, or why there is none.

    Attributes
    ----------
    fits : tuple of ClineFit
        In the order of :data:`MODELS`; empty when nothing was fitted.
    sites, shells : int
        With at least one shell judged.
    origin_easting, origin_northing : float
        Mean of those sites.
    not_fitted_because : str
    p_flat : float
        Permutation test of a flat frequency against any sigmoid.
    p_free_ends : float
        Test of the better of linear and sigmoid against the sigmoid with free ends, by surveys drawn from the former;
        NaN where flat stands.
    p_tails : float
        Test of the sigmoid chosen so far against tails, by surveys drawn from it; NaN where the sites can't show tails.
    p_asymmetric : float
        Test of symmetric tails against asymmetric ones, likewise; NaN where there are none.
    chosen : str
        The model to speak of: flat where its test doesn't reject it, else the one of the highest weight among those
        whose search converged. Free ends are in it only where their test rejects the simpler cline and 90 % of the way
        from end to end lies between the outermost sites; tails only where the sites can show them, their test rejects
        the sigmoid and AICc prefers them.
    """

    fits: tuple[ClineFit, ...]
    sites: int
    shells: int
    origin_easting: float
    origin_northing: float
    not_fitted_because: str = ""
    p_flat: float = np.nan
    p_free_ends: float = np.nan
    p_tails: float = np.nan
    p_asymmetric: float = np.nan
    chosen: str = ""


def parameters_of(model: str, *, axis_given: bool, fixed_ends: bool = False) -> int:
    """Return how many parameters a model has, rho and a fitted bearing included."""
    free_tails = 2 * (model.startswith("stepped") and not fixed_ends)
    return _PARAMETERS[model] + free_tails + (not axis_given and model != "flat")


def row(data: Sites, fitted: Candidate, limits: Intervals | None) -> ClineFit:
    """Return a fitted model's estimates, with the limits found or without."""
    best, model = fitted.maximum, fitted.model
    low, high = 0.0, 1.0
    if model == "flat":
        low = high = float(expit(best.parameters[0]))
    elif model == "linear":
        low, high = (float(end) for end in expit(best.parameters[:2]))
    elif fitted.ends_free:
        low, high = (float(end) for end in expit(best.parameters[3:5]))
    made = ClineFit(
        model=model,
        log_likelihood=best.log_likelihood,
        parameters=parameters_of(model, axis_given=data.axis is not None, fixed_ends=fitted.fixed_ends),
        rho=intra_site_correlation(best),
        p_min=low,
        p_max=high,
        converged=best.converged,
        span_seen=span_seen(data, fitted),
    )
    if model == "flat":
        return made
    made = replace(made, bearing_deg=degrees(fitted.bearing))
    if model == "linear":
        along = data.along(fitted.bearing)
        middle, stretch = float(along.min() + along.max()) / 2, float(np.ptp(along))
        return replace(made, centre_m=middle * data.unit_m, width_m=stretch * data.unit_m)
    centre, width = float(best.parameters[0]), float(np.exp(best.parameters[1]))
    made = replace(made, centre_m=centre * data.unit_m, width_m=width * data.unit_m, **_tails(data, fitted))
    names = LIMITS + (TAIL_LIMITS if model.startswith("stepped") else ())
    named: dict[str, Any] = limits.in_metres(data.unit_m) if limits else dict.fromkeys(names, np.nan)
    given = [name for name in names if data.axis is None or not name.startswith("bearing")]
    return replace(made, **named, open_limits=tuple(name for name in given if np.isnan(named[name])))


def _tails(data: Sites, fitted: Candidate) -> dict[str, Any]:
    if not fitted.model.startswith("stepped"):
        return {}
    join, slope_min = fitted.maximum.parameters[5:7]
    share = float(expit(-join))
    slopes = {"min": float(np.exp(slope_min)), "max": float(np.exp(fitted.maximum.parameters[-2]))}
    width = float(np.exp(fitted.maximum.parameters[1])) * data.unit_m
    # Height of the step over the gradient just outside, both as shares of the way from end to end.
    inside = 4 * share * (1 - share) / width
    return {
        "tail_share": share,
        **{f"slope_{end}": slope for end, slope in slopes.items()},
        **{f"barrier_{end}_m": (1 - 2 * share) / (slope * inside) for end, slope in slopes.items()},
    }


def not_fitted(model: str, reason: str, *, axis_given: bool, fixed_ends: bool) -> ClineFit:
    """Return the row of a model that the sites can't show."""
    return ClineFit(
        model=model,
        log_likelihood=np.nan,
        parameters=parameters_of(model, axis_given=axis_given, fixed_ends=fixed_ends),
        rho=np.nan,
        p_min=np.nan,
        p_max=np.nan,
        converged=False,
        not_fitted_because=reason,
    )


def weighed(fits: list[ClineFit], sites: int) -> tuple[ClineFit, ...]:
    """Return the fits with AICc and Akaike weights (Burnham & Anderson 2002) among those that were fitted."""
    criterion = np.array([aicc(fit.log_likelihood, fit.parameters, sites) for fit in fits])
    relative = np.exp((np.nanmin(criterion) - criterion) / 2)
    weights = relative / np.nansum(relative)
    return tuple(
        replace(fit, aicc=float(a), weight=float(w)) for fit, a, w in zip(fits, criterion, weights, strict=True)
    )


def aicc(log_likelihood: float, parameters: int, sites: int) -> float:
    """Return Akaike's criterion with the small-sample term; NaN where sites don't outnumber parameters."""
    if sites <= parameters + 1:
        return np.nan
    return -2 * log_likelihood + 2 * parameters + 2 * parameters * (parameters + 1) / (sites - parameters - 1)
