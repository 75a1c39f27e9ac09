"""Clines of one trait: models fitted by beta-binomial likelihood, profile intervals, Akaike weights.

What each model says of the frequency stands in :mod:`morphcline.stats.cline_models`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, expit

from morphcline.stats.cline_fits import (
    WIDEST,
    degrees,
    fit_flat,
    fit_free_ends,
    fit_linear,
    fit_sigmoid,
    held_parameters,
    refit_sigmoid,
    rising,
)
from morphcline.stats.cline_screen import Sites, intra_site_correlation, p_flat, screen_sigmoids
from morphcline.stats.likelihood import Floats, Maximum
from morphcline.stats.profiles import profile_limit

#: Models in the order in which they are reported.
MODELS = ("flat", "linear", "sigmoid", "sigmoid, free ends")

#: Fewer sites than this can't carry a model of six parameters with AICc (common practice, no single source).
FEWEST_SITES = 10

#: A permutation p-value above this leaves the flat model standing (convention).
FLAT_ABOVE = 0.05

#: A centre farther out than this, in the same unit, is not looked for by a profile.
_CENTRE_SOUGHT = 10.0


@dataclass(frozen=True)
class ClineFit:
    """One model fitted to one trait; NaN where the model has no such quantity or the profile doesn't close.

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
        The intervals' ends that the data leave open.
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
    chosen : str
        The model to speak of: flat where that test doesn't reject it, else the one of the highest weight among those
        whose search converged.
    """

    fits: tuple[ClineFit, ...]
    sites: int
    shells: int
    origin_easting: float
    origin_northing: float
    not_fitted_because: str = ""
    p_flat: float = np.nan
    chosen: str = ""


def fit_clines(
    easting: NDArray[np.float64],
    northing: NDArray[np.float64],
    count: NDArray[np.float64],
    total: NDArray[np.float64],
    *,
    rng: np.random.Generator,
    axis_deg: float | None = None,
    confidence: float = 0.95,
    permutations: int = 499,
) -> Clines:
    """Fit every cline model to one trait.

    Parameters
    ----------
    easting, northing : (n,) arrays
        Of the sites, in metres.
    count, total : (n,) arrays
        Shells with the trait and shells judged; sites without shells are passed over.
    rng : numpy.random.Generator
        For the permutations.
    axis_deg : float, optional
        A bearing, degrees clockwise from grid north; left out, the bearing that fits best is found with the rest.
    confidence : float
        Of the profile-likelihood intervals.
    permutations : int
        Of the test against a flat frequency.

    Returns
    -------
    Clines
        A trait that can't carry a fit comes back with the reason and no numbers.

    Raises
    ------
    ValueError
        When arrays differ in length, hold values that aren't finite, or a count is below 0 or above its total.

    Notes
    -----
    Counts are beta-binomial with one intra-site correlation rho per model (Skellam 1948; Williams 1975). AICc takes
    the number of sites as sample size, for a site's shells are not independent (Burnham & Anderson 2002). Where the
    axis is given and the frequency falls along it, the opposite bearing is reported.

    Limits are where twice the log-likelihood has dropped by chi-square's quantile. They run a little short where sites
    are few: of 1000 simulated surveys of 80 sites, 92 to 94 % of the 95 % intervals held the planted value.
    """
    easting, northing, count, total = _checked(easting, northing, count, total)
    judged = total > 0
    easting, northing, count, total = easting[judged], northing[judged], count[judged], total[judged]
    if not judged.any():
        return Clines((), 0, 0, np.nan, np.nan, "no shell was judged for this trait")
    origin = float(easting.mean()), float(northing.mean())
    east, north = easting - origin[0], northing - origin[1]
    unit = float(np.hypot(east, north).max())
    axis = None if axis_deg is None else float(np.deg2rad(axis_deg % 360))
    empty = Clines((), len(total), int(total.sum()), *origin)
    reason = _why_not(east, north, count, total, axis)
    if reason:
        return replace(empty, not_fitted_because=reason)
    data = Sites(east / unit, north / unit, count, total, unit, axis)
    fits, p = _fit_models(data, confidence, rng, permutations)
    weighed = _weighed(fits, len(total))
    best = max((fit for fit in weighed if fit.converged), key=lambda fit: fit.weight, default=weighed[0]).model
    return replace(empty, fits=weighed, p_flat=p, chosen="flat" if p > FLAT_ABOVE else best)


def fit_clines_along(
    distance_m: NDArray[np.float64],
    count: NDArray[np.float64],
    total: NDArray[np.float64],
    *,
    rng: np.random.Generator,
    confidence: float = 0.95,
    permutations: int = 499,
) -> Clines:
    """Fit every cline model along a line.

    As :func:`fit_clines`, with the sites' distances along the line in place of coordinates. The centre is counted from
    the line's start; ``bearing_deg`` is 0 where the frequency rises along the line and 180 where it falls.
    """
    distance_m = np.asarray(distance_m, dtype=np.float64)
    fitted = fit_clines(
        np.zeros_like(distance_m),
        distance_m,
        count,
        total,
        rng=rng,
        axis_deg=0.0,
        confidence=confidence,
        permutations=permutations,
    )
    shift = fitted.origin_northing
    fits = []
    for fit in fitted.fits:
        if np.isclose(fit.bearing_deg, 180):
            fit = replace(
                fit,
                centre_m=-fit.centre_m,
                centre_low=-fit.centre_high,
                centre_high=-fit.centre_low,
                open_limits=tuple(_mirrored(name) for name in fit.open_limits),
            )
        fits.append(
            replace(
                fit,
                centre_m=fit.centre_m + shift,
                centre_low=fit.centre_low + shift,
                centre_high=fit.centre_high + shift,
            )
        )
    return replace(fitted, fits=tuple(fits))


def _mirrored(limit: str) -> str:
    return {"centre_low": "centre_high", "centre_high": "centre_low"}.get(limit, limit)


def _checked(*arrays: NDArray[np.float64]) -> tuple[Floats, Floats, Floats, Floats]:
    easting, northing, count, total = (np.asarray(array, dtype=np.float64) for array in arrays)
    if len({array.shape for array in (easting, northing, count, total)}) != 1 or easting.ndim != 1:
        raise ValueError("easting, northing, count and total must be one-dimensional and equally long")
    if not all(np.isfinite(array).all() for array in (easting, northing, count, total)):
        raise ValueError("easting, northing, count and total must be finite: leave out sites that lack one")
    if (count < 0).any() or (count > total).any():
        raise ValueError("every count must lie between 0 and its total")
    return easting, northing, count, total


def _why_not(east: Floats, north: Floats, count: Floats, total: Floats, axis: float | None) -> str:
    """Return why these sites can't carry a fit, or an empty string."""
    if len(total) < FEWEST_SITES:
        return f"{len(total)} sites with shells judged; at least {FEWEST_SITES} are needed"
    if count.sum() == 0:
        return "no shell has it"
    if count.sum() == total.sum():
        return "every shell has it"
    spread = np.linalg.svd(np.column_stack([east, north]), compute_uv=False)
    if spread[0] < 1e-6 * np.sqrt(len(total)):
        return "all sites lie at one place"
    if axis is None and spread[1] < 1e-6 * spread[0]:
        return "all sites lie on one straight line, so no bearing can be found: give the axis"
    if axis is not None and np.ptp(east * np.sin(axis) + north * np.cos(axis)) < 1e-6 * spread[0]:
        return "all sites lie at the same distance along the axis"
    return ""


def _fit_models(
    data: Sites, confidence: float, rng: np.random.Generator, permutations: int
) -> tuple[list[ClineFit], float]:
    level = fit_flat(data)
    target = float(np.sqrt(chdtri(1, 1 - confidence)))
    to_zero_and_one = fit_sigmoid(data, level)
    screen = screen_sigmoids(data, level)
    p = p_flat(screen, rng, permutations)
    free = fit_free_ends(data, screen, to_zero_and_one, level)
    fits = [
        _level_row(level),
        _linear_row(data, level),
        _finish(data, to_zero_and_one, level, target, ends_free=False),
        _finish(data, free, level, target, ends_free=True, open_all=p > FLAT_ABOVE),
    ]
    return fits, p


def _level_row(level: Maximum) -> ClineFit:
    frequency = float(expit(level.parameters[0]))
    return ClineFit(
        model="flat",
        log_likelihood=level.log_likelihood,
        parameters=2,
        rho=intra_site_correlation(level),
        p_min=frequency,
        p_max=frequency,
        converged=level.converged,
    )


def _linear_row(data: Sites, level: Maximum) -> ClineFit:
    bearing, fit = fit_linear(data, level)
    along = data.along(bearing)
    return ClineFit(
        model="linear",
        log_likelihood=fit.log_likelihood,
        parameters=3 + (data.axis is None),
        rho=intra_site_correlation(fit),
        p_min=float(expit(fit.parameters[0])),
        p_max=float(expit(fit.parameters[1])),
        converged=fit.converged,
        bearing_deg=degrees(bearing),
        centre_m=float(along.min() + along.max()) / 2 * data.unit_m,
        width_m=float(np.ptp(along)) * data.unit_m,
    )


def _weighed(fits: list[ClineFit], sites: int) -> tuple[ClineFit, ...]:
    """Return the fits with AICc and Akaike weights (Burnham & Anderson 2002)."""
    k = np.array([fit.parameters for fit in fits])
    deviance = np.array([-2 * fit.log_likelihood for fit in fits])
    aicc = deviance + 2 * k + 2 * k * (k + 1) / (sites - k - 1)
    relative = np.exp((aicc.min() - aicc) / 2)
    weights = relative / relative.sum()
    return tuple(replace(fit, aicc=float(a), weight=float(w)) for fit, a, w in zip(fits, aicc, weights, strict=True))


def _finish(
    data: Sites, best: Maximum, level: Maximum, target: float, *, ends_free: bool, open_all: bool = False
) -> ClineFit:
    """Add profile intervals; a better fit met on the way becomes the fit.

    ``open_all``: no cline is shown to be there, so that no limit of it can be given.
    """
    for _ in range(5):
        limits, better = _intervals(data, best, level, target, ends_free=ends_free, open_all=open_all)
        if better is None:
            break
        best = rising(refit_sigmoid(data, better.parameters, ends_free=ends_free, rounds=200))
    centre, log_width, bearing, before, beyond, _logit_rho = best.parameters
    width = np.exp(log_width)
    (c0, c1), (w0, w1), (b0, b1) = limits
    named = {"centre_low": c0, "centre_high": c1, "width_low": w0, "width_high": w1}
    if data.axis is None:
        named |= {"bearing_low": b0, "bearing_high": b1}
    return ClineFit(
        model="sigmoid, free ends" if ends_free else "sigmoid",
        log_likelihood=best.log_likelihood,
        parameters=3 + (data.axis is None) + 2 * ends_free,
        rho=intra_site_correlation(best),
        p_min=float(expit(before)) if ends_free else 0.0,
        p_max=float(expit(beyond)) if ends_free else 1.0,
        converged=best.converged,
        bearing_deg=degrees(bearing),
        bearing_low=degrees(b0),
        bearing_high=degrees(b1),
        centre_m=float(centre) * data.unit_m,
        centre_low=c0 * data.unit_m,
        centre_high=c1 * data.unit_m,
        width_m=float(width) * data.unit_m,
        width_low=float(np.exp(w0)) * data.unit_m,
        width_high=float(np.exp(w1)) * data.unit_m,
        open_limits=tuple(name for name, value in named.items() if np.isnan(value)),
    )


def _intervals(
    data: Sites, best: Maximum, level: Maximum, target: float, *, ends_free: bool, open_all: bool
) -> tuple[list[tuple[float, float]], Maximum | None]:
    """Return (low, high) of centre, log width and bearing, and any better fit met.

    A flat frequency is a limit of the sigmoid at every bearing as the width grows, and at every centre and width as the
    ends meet: when flat fits about as well, those limits are open, and no search is needed to know it.
    """
    as_good_flat = 2 * (best.log_likelihood - level.log_likelihood) < target**2
    around = best.parameters[2]
    sought = [
        (0, -_CENTRE_SOUGHT, _CENTRE_SOUGHT),
        (1, np.log(data.narrowest), np.log(WIDEST)),
        (2, around - np.pi, around + np.pi),
    ]
    held = held_parameters(data, ends_free)
    free = np.flatnonzero(~held)
    errors = np.full(6, 0.5)
    errors[free] = np.sqrt(np.abs(np.diag(np.linalg.pinv(best.information[np.ix_(free, free)]))))
    limits: list[tuple[float, float]] = []
    for index, low, high in sought:
        known_open = open_all or held[index] or (as_good_flat and (ends_free or index == 2))
        pair = []
        for bound in (low, high):
            hopeless = known_open or (as_good_flat and index == 1 and bound == high)
            at = float(best.parameters[index])
            if hopeless or (at <= low if bound == low else at >= high):
                pair.append(np.nan)
                continue

            def refit(value: float, warm: Floats, index: int = index) -> Maximum:
                start = warm.copy()
                start[index] = value
                return refit_sigmoid(data, start, ends_free=ends_free, hold=index)

            limit = profile_limit(
                best,
                refit,
                at=at,
                first_step=target * float(np.clip(errors[index], 1e-4, 1.0)),
                bound=float(bound),
                target=target,
            )
            if limit.better is not None:
                return limits, limit.better
            pair.append(limit.value)
        limits.append((pair[0], pair[1]))
    return limits, None
