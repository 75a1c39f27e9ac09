"""Clines of one trait: models fitted by beta-binomial likelihood, profile intervals, Akaike weights.

What each model says of the frequency stands in :mod:`morphcline.stats.cline_models`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from morphcline.stats.cline_choice import (
    Candidate,
    kept_parameters,
    p_free_ends,
    residual_moran,
    spacing_about,
    span_seen,
)
from morphcline.stats.cline_fits import fit_flat, fit_free_ends, fit_linear, fit_sigmoid, refit_sigmoid, settled
from morphcline.stats.cline_goodness import p_fit
from morphcline.stats.cline_intervals import Intervals, profile_intervals
from morphcline.stats.cline_likeness import Likeness, likeness
from morphcline.stats.cline_results import LIMITS, MODELS, ClineFit, Clines, not_fitted, row, weighed
from morphcline.stats.cline_screen import Sites, p_flat, screen_sigmoids
from morphcline.stats.cline_tails import (
    SPAN_SEEN,
    TAILED,
    fit_tails,
    from_symmetric,
    p_asymmetric,
    p_tails,
    why_no_tails,
)
from morphcline.stats.likelihood import Floats, Maximum

__all__ = ["LIMITS", "MODELS", "ClineFit", "Clines", "fit_clines", "fit_clines_along"]

#: Fewer sites than this can't carry a model of six parameters with AICc (common practice, no single source).
FEWEST_SITES = 10

#: A p-value above this leaves the simpler model standing: flat against any cline, any cline against free ends, a
#: sigmoid against tails (convention).
LEVEL = 0.05

#: A model fails whose p_fit is small and whose residuals' variance neighbours have in common to this share or more. The
#: test alone would tell of every patch of habitat once sites are many; limits allow for those (our choice).
MOST_ALIKE = 1 / 3


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
    places: NDArray[np.float64] | None = None,
) -> Clines:
    """Fit every cline model to one trait.

    Parameters
    ----------
    easting, northing : (n,) arrays
        Of the sites, in metres.
    count, total : (n,) arrays
        Shells with the trait and shells judged; sites without shells are passed over.
    rng : numpy.random.Generator
        For the tests.
    axis_deg : float, optional
        A bearing, degrees clockwise from grid north; left out, the bearing that fits best is found with the rest.
    confidence : float
        Of the profile-likelihood intervals.
    permutations : int
        Of the test against a flat frequency, and as many draws of the test of free ends.
    places : (n, 2) array, optional
        Where the sites lie on the map, which makes them neighbours; left out, it is easting and northing.

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

    Limits are sought for the chosen model alone, where twice the log-likelihood has dropped by the quantile of F on 1
    and as many degrees of freedom as sites are left over, times the square of what likeness among neighbours does to
    the standard error (:mod:`morphcline.stats.cline_likeness`). Where the sigmoid from 0 to 1 is chosen, its limits are
    united with those of the sigmoid with free ends: not to have shown that ends are free is not to have shown that
    they are 0 and 1. Rates are in ``tests/simulation``.
    """
    easting, northing, count, total = _checked(easting, northing, count, total)
    judged = total > 0
    places = np.column_stack([easting, northing]) if places is None else np.asarray(places, dtype=np.float64)
    places = places[judged]
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
    return _fit_models(data, places, empty, confidence, rng, permutations)


def fit_clines_along(
    distance_m: NDArray[np.float64],
    count: NDArray[np.float64],
    total: NDArray[np.float64],
    *,
    rng: np.random.Generator,
    confidence: float = 0.95,
    permutations: int = 499,
    places: NDArray[np.float64] | None = None,
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
        places=places,
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
                centre_low_given_ends=-fit.centre_high_given_ends,
                centre_high_given_ends=-fit.centre_low_given_ends,
                open_limits=tuple(_mirrored(name) for name in fit.open_limits),
            )
        fits.append(
            replace(
                fit,
                centre_m=fit.centre_m + shift,
                centre_low=fit.centre_low + shift,
                centre_high=fit.centre_high + shift,
                centre_low_given_ends=fit.centre_low_given_ends + shift,
                centre_high_given_ends=fit.centre_high_given_ends + shift,
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
    data: Sites, places: Floats, empty: Clines, confidence: float, rng: np.random.Generator, draws: int
) -> Clines:
    level = fit_flat(data)
    to_zero_and_one = fit_sigmoid(data, level)
    screen = screen_sigmoids(data, level)
    flat_p = p_flat(screen, rng, draws)
    bearing, line = fit_linear(data, level)
    found = {
        "flat": Candidate("flat", 0.0, level),
        "linear": Candidate("linear", bearing, line),
        "sigmoid": Candidate("sigmoid", float(to_zero_and_one.parameters[2]), to_zero_and_one),
    }
    free = fit_free_ends(data, screen, to_zero_and_one, level)
    found["sigmoid, free ends"] = Candidate("sigmoid, free ends", float(free.parameters[2]), free)
    ends_p = np.nan
    if flat_p <= LEVEL:
        simpler = max(
            (found["linear"], found["sigmoid"]), key=lambda one: (one.maximum.converged, one.maximum.log_likelihood)
        )
        ends_p = p_free_ends(data, simpler, screen, rng, draws)
    seek = _Limits(data, places, level, confidence, rng)

    def rows() -> tuple[ClineFit, ...]:
        return weighed([row(data, one, seek.found.get(one.model)) for one in found.values()], len(data.total))

    chosen = seek.settled(found, lambda: _choice(rows(), flat_p, ends_p))
    tails = _Tails(data, found[chosen], seek, rng, draws)
    if not tails.reason:
        found |= tails.fitted
        chosen = seek.settled(found, lambda: tails.choice(chosen, rows()))
    fits = [*rows()]
    for model in MODELS[len(fits) :]:
        fixed = not found[chosen].ends_free
        fits.append(not_fitted(model, tails.reason, axis_given=data.axis is not None, fixed_ends=fixed))
    alike = {name: residual_moran(data, one, places) for name, one in found.items()}
    fits = [
        replace(fit, residual_moran_i=alike[fit.model][0], residual_moran_p=alike[fit.model][1])
        if fit.model in alike
        else fit
        for fit in fits
    ]
    fits[MODELS.index(chosen)] = _judged(data, found[chosen], fits[MODELS.index(chosen)], seek, rng)
    return replace(
        empty,
        fits=tuple(fits),
        p_flat=flat_p,
        p_free_ends=ends_p,
        p_tails=tails.p_tails,
        p_asymmetric=tails.p_asymmetric,
        chosen=chosen,
    )


def _choice(fits: tuple[ClineFit, ...], flat_p: float, ends_p: float) -> str:
    """Return the model to speak of: flat or of the highest weight, free ends only where they are shown and seen."""
    if flat_p > LEVEL:
        return "flat"
    may = [fit for fit in fits if fit.converged and not fit.model.startswith("stepped")]
    free = next(fit for fit in fits if fit.model == "sigmoid, free ends")
    if not (ends_p <= LEVEL and free.span_seen >= SPAN_SEEN):
        may = [fit for fit in may if fit is not free]
    return max(may, key=lambda fit: fit.weight, default=fits[0]).model


class _Limits:
    """The search for the limits of the models chosen, and what it learns on the way."""

    def __init__(self, data: Sites, places: Floats, level: Maximum, confidence: float, rng: np.random.Generator):
        self.data, self.places, self._level, self._rng = data, places, level, rng
        self._quantile = 0.5 + confidence / 2
        self.found: dict[str, Intervals] = {}
        self.likeness: dict[str, Likeness] = {}
        self.given_ends: Intervals | None = None

    def settled(self, found: dict[str, Candidate], choice: Callable[[], str]) -> str:
        """Return the model chosen, once its limits are known; a better fit met on the way takes its place in found."""
        for _ in range(8):
            chosen = choice()
            if chosen in ("flat", "linear") or chosen in self.found:
                break
            limits = self._sought(found, chosen)
            if limits is not None and chosen == "sigmoid":
                with_free_ends = self._sought(found, "sigmoid, free ends")
                if with_free_ends is None:
                    continue
                self.given_ends = limits
                limits = limits.united(with_free_ends)
            if limits is not None:
                self.found[chosen] = limits
        return chosen

    def _sought(self, found: dict[str, Candidate], model: str) -> Intervals | None:
        """Return a model's limits, or None when a better fit was met on the way, which then takes its place."""
        one = found[model]
        self.likeness[model] = likeness(self.data, one, self.places, self._rng)
        freedom = len(self.data.total) - len(kept_parameters(self.data, one)) - 1
        target = float(stdtrit(freedom, self._quantile))
        longer = self.likeness[model].longer
        sought = profile_intervals(self.data, one.maximum, self._level, target, ends_free=one.ends_free, longer=longer)
        if isinstance(sought, Intervals):
            return sought
        better = refit_sigmoid(self.data, sought.parameters, ends_free=one.ends_free, rounds=200)
        better = settled(self.data, better, ends_free=one.ends_free)
        found[model] = replace(one, bearing=float(better.parameters[2]), maximum=better)
        return None


class _Tails:
    """Whether a cline has tails: the reason why that can't be told or need not be asked, or the tests and the fits."""

    def __init__(self, data: Sites, base: Candidate, seek: _Limits, rng: np.random.Generator, draws: int):
        self.p_tails = self.p_asymmetric = np.nan
        self.fitted: dict[str, Candidate] = {}
        limits = seek.found.get(base.model)
        told = limits is not None and np.isfinite(limits.log_width[0])
        self.reason = why_no_tails(data, base, span=span_seen(data, base), width_told=bool(told))
        if self.reason:
            return
        self.p_tails = p_tails(data, base, rng, draws)
        if self.p_tails > LEVEL:
            self.reason = f"surveys drawn from the {base.model} show tails as much (p = {self.p_tails:.2g})"
            return
        symmetric = fit_tails(data, base, symmetric=True)
        self.p_asymmetric = p_asymmetric(data, symmetric, rng, draws)
        found = [fit_tails(data, base, symmetric=False), from_symmetric(data, symmetric)]
        self.fitted = {TAILED[0]: symmetric, TAILED[1]: max(found, key=lambda one: one.maximum.log_likelihood)}

    def choice(self, base: str, fits: tuple[ClineFit, ...]) -> str:
        """Return the base, or the tails that AICc prefers to it; asymmetric ones only where their test says so."""
        may = [fit for fit in fits if fit.model == base or (fit.model in TAILED and fit.converged)]
        if self.p_asymmetric > LEVEL:
            may = [fit for fit in may if fit.model != TAILED[1]]
        return min(may, key=lambda fit: fit.aicc).model


def _judged(data: Sites, fitted: Candidate, fit: ClineFit, seek: _Limits, rng: np.random.Generator) -> ClineFit:
    """Return the chosen model's row with its goodness of fit, its residuals' likeness, and whether it is a step."""
    fit_p, error = p_fit(data, fitted, seek.places, rng)
    alike = seek.likeness.get(fitted.model) or likeness(data, fitted, seek.places, rng)
    fails = fit_p <= LEVEL and alike.share >= MOST_ALIKE
    fit = replace(
        fit,
        p_fit=fit_p,
        p_fit_error=error,
        residual_share=alike.share,
        residual_range_m=alike.range_m,
        fails=fails,
    )
    if fitted.model not in seek.found:
        return fit
    spacing = spacing_about(data, fitted, seek.places)
    given: dict[str, Any] = (
        seek.given_ends.in_metres(data.unit_m) if fitted.model == "sigmoid" and seek.given_ends else {}
    )
    return replace(
        fit,
        **{f"{name}_given_ends": value for name, value in given.items() if not name.startswith("bearing")},
        centre_longer=float(alike.longer[0]),
        width_longer=float(alike.longer[1]),
        bearing_longer=float(alike.longer[2]) if data.axis is None else np.nan,
        spacing_m=spacing,
        step=seek.found[fitted.model].width_from_nothing and fit.width_high <= spacing and not fails,
    )
