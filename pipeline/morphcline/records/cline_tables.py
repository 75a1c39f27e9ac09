"""Clines fitted for each species and trait, and the table they make."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.records.stacking import framed
from morphcline.stats.cline_axis import distance_along_line
from morphcline.stats.clines import MODELS, Clines, fit_clines, fit_clines_along

Floats = NDArray[np.float64]


CLINE_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "model": "flat: one frequency everywhere. linear: the frequency itself changes evenly over the whole stretch "
    "surveyed. sigmoid: from 0 to 1, p = 1 / (1 + exp(-4 (s - centre) / width)), which is the straight line on the "
    "logit scale. sigmoid, free ends: the same between p_min and p_max. stepped: the chosen sigmoid in the centre, "
    "with exponential tails of equal or of two slopes beyond it. s is the distance along the bearing",
    "sites": "sites with at least one shell judged",
    "shells": "shells judged",
    "bearing_deg": "bearing along which the frequency rises, degrees clockwise from grid north; empty along a line",
    "bearing_low": "profile-likelihood limit at the study's confidence, counter-clockwise end; empty when it is open",
    "bearing_high": "profile-likelihood limit at the study's confidence, clockwise end; empty when it doesn't close",
    "centre_m": "metres from the origin along the bearing (or along the line from its start) to where the frequency "
    "is halfway between the ends",
    "centre_low": "profile-likelihood limit at the study's confidence in metres; empty when it doesn't close",
    "centre_high": "profile-likelihood limit at the study's confidence in metres; empty when it doesn't close",
    "width_m": "(p_max - p_min) / greatest gradient, in metres, always positive; linear: the whole stretch surveyed",
    "width_low": "profile-likelihood limit at the study's confidence in metres; empty when a step fits as well",
    "width_high": "profile-likelihood limit at the study's confidence in metres; empty when it doesn't close",
    "p_min": "frequency at the low end; linear: at the outermost site",
    "p_max": "frequency at the high end; linear: at the outermost site",
    "rho": "intra-site correlation left after the model",
    "log_likelihood": "beta-binomial, with the binomial coefficients",
    "parameters": "number of parameters fitted, rho and a fitted bearing included",
    "aicc": "Akaike's criterion with the small-sample term; the sample size is the number of sites",
    "weight": "Akaike weight among the models of this species and trait",
    "converged": "whether the search for the maximum ended well",
    "origin_x_m": "easting of the point that distances count from: mean of the sites, to whole sides of the squares "
    "that hide them, or the line's start",
    "origin_y_m": "northing of that point",
    "not_fitted_because": "why this model has no numbers, else empty",
    "direction": "along: the frequency rises along the bearing, or along the line; against: it falls along the line",
    "limits_left_open": "the limits that are not given, separated by spaces: the data leave them open, or the model "
    "is not the chosen one (limits are sought for that alone)",
    "p_flat": "permutation test of a flat frequency against any sigmoid. Under a flat frequency the sigmoid with free "
    "ends gains more than its parameters are charged for, so believe a cline only where this is 0.05 or less",
    "chosen": "whether this is the model to speak of: flat where p_flat is above 0.05; else of the largest weight, "
    "free ends only where p_free_ends is 0.05 or less and span_seen 0.9 or more; tails only where p_tails is 0.05 or "
    "less and AICc prefers them, asymmetric ones only where p_asymmetric is 0.05 or less",
    "p_free_ends": "test of the better of linear and sigmoid against the sigmoid with free ends: how often surveys "
    "drawn from the simpler cline look as much like free ends. Empty where p_flat is above 0.05",
    "span_seen": "share of the way from p_min to p_max that the curve covers between the outermost sites; linear: 1",
    "step": "True when the cline is a step as far as the sites tell: width_low is empty, width_high is no more than "
    "spacing_m, and the model does not fail. Known of the chosen model alone. Where width_low is empty otherwise, the "
    "cline may have any width up to width_high",
    "residual_moran_i": "Moran's I of the model's residuals (over their beta-binomial standard deviation), 8 nearest "
    "neighbours: above what chance gives, one line of change doesn't describe the map, as where areas differ",
    "residual_moran_p": "its two-sided p-value, by the moments for regression residuals",
    "centre_low_given_ends": "sigmoid from 0 to 1, when chosen: the limit if the ends really are 0 and 1; centre_low "
    "and the others allow for free ends as well, since not to have shown them is not to have shown that there are "
    "none",
    "centre_high_given_ends": "the same of centre_high",
    "width_low_given_ends": "the same of width_low",
    "width_high_given_ends": "the same of width_high",
    "spacing_m": "median distance in metres from a site to its nearest neighbour, of the 20 sites nearest the centre "
    "along the axis; of the chosen model",
    "p_fit": "how often surveys drawn from the chosen model depart from it as much, by residuals averaged over the "
    "map and along the cline (199 draws). Small: neighbouring sites depart from it alike, as where a trait rises and "
    "falls again or has an area of its own, or by patches of habitat",
    "fails": "True where the chosen model doesn't describe the map: p_fit is 0.05 or less and residual_share a third "
    "or more. Its centre and width are those of the line that comes nearest. With a small p_fit and a smaller share, "
    "patches of neighbours differ from the cline; its limits allow for them",
    "p_fit_error": "standard error of p_fit by its number of draws",
    "residual_share": "share of the residuals' variance that neighbours have in common; of the chosen model",
    "residual_range_m": "range in metres of their exponential correlation, exp(-distance / range)",
    "centre_longer": "the limits take neighbours' likeness into account: by how much the centre's standard error grew",
    "width_longer": "the same of the width (on the log scale)",
    "bearing_longer": "the same of the bearing; empty along a given axis",
    "tail_share": "stepped models: share of the way from p_min to p_max that is left where either tail begins",
    "slope_min": "stepped models: gradient just outside the central step over that just inside, at the low end; 1 is "
    "no step, near 0 a plateau. theta, the tail's rate over the sigmoid's, squared, is (slope (1 - tail_share))^2",
    "slope_min_low": "profile-likelihood limit; empty when it doesn't close",
    "slope_min_high": "profile-likelihood limit; empty when it doesn't close",
    "slope_max": "the same at the high end; symmetric tails have one slope",
    "slope_max_low": "profile-likelihood limit; empty when it doesn't close",
    "slope_max_high": "profile-likelihood limit; empty when it doesn't close",
    "barrier_min_m": "stepped models: strength of the barrier that the step stands for, its height over the gradient "
    "just outside at the low end: metres of open country that would change the frequency as much",
    "barrier_max_m": "the same at the high end",
    "p_tails": "test of the sigmoid chosen so far against tails, by surveys drawn from it. Empty where the sites "
    "can't show tails: not_fitted_because of the stepped models says why",
    "p_asymmetric": "test of symmetric against asymmetric tails, by surveys drawn from the former",
}


@dataclass(frozen=True)
class Line:
    """An axis given as a line: its corners in metres."""

    easting: Floats
    northing: Floats


@dataclass(frozen=True)
class ClineTask:
    """One species and trait, its sites and the axis."""

    species: str
    trait: str
    easting: Floats
    northing: Floats
    count: Floats
    total: Floats
    axis: float | Line | None
    confidence: float
    rng: np.random.Generator


def fit_cline_task(task: ClineTask) -> Clines:
    """Fit one trait along the axis of its task."""
    if isinstance(task.axis, Line):
        along = distance_along_line(task.easting, task.northing, task.axis.easting, task.axis.northing)
        places = np.column_stack([task.easting, task.northing])
        return fit_clines_along(along, task.count, task.total, rng=task.rng, confidence=task.confidence, places=places)
    return fit_clines(
        task.easting,
        task.northing,
        task.count,
        task.total,
        rng=task.rng,
        axis_deg=task.axis,
        confidence=task.confidence,
    )


def cline_rows(task: ClineTask, fitted: Clines) -> pd.DataFrame:
    """Return the rows of ``clines.csv`` of one species and trait."""
    along_line = isinstance(task.axis, Line)
    origin = (
        (float(task.axis.easting[0]), float(task.axis.northing[0]))
        if isinstance(task.axis, Line)
        else (fitted.origin_easting, fitted.origin_northing)
    )
    fixed = {
        "species": task.species,
        "trait": task.trait,
        "sites": fitted.sites,
        "shells": fitted.shells,
        "origin_x_m": origin[0],
        "origin_y_m": origin[1],
        "not_fitted_because": fitted.not_fitted_because,
        "p_flat": fitted.p_flat,
        "p_free_ends": fitted.p_free_ends,
        "p_tails": fitted.p_tails,
        "p_asymmetric": fitted.p_asymmetric,
    }
    if not fitted.fits:
        return framed(
            (
                {**fixed, "model": model, "converged": False, "chosen": False, "step": False, "fails": False}
                for model in MODELS
            ),
            CLINE_COLUMNS,
        )
    rows = []
    for fit in fitted.fits:
        row = {**fixed, **{name: getattr(fit, name) for name in CLINE_COLUMNS if hasattr(fit, name)}}
        row["limits_left_open"] = " ".join(fit.open_limits)
        row["chosen"] = fit.model == fitted.chosen
        if fit.model != "flat" and not fit.not_fitted_because:
            row["direction"] = "against" if along_line and np.isclose(fit.bearing_deg, 180) else "along"
        if along_line:
            row["bearing_deg"] = np.nan
        rows.append(row)
    return framed(rows, CLINE_COLUMNS)
