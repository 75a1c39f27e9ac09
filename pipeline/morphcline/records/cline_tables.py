"""What is fitted over space for each species and trait, and the tables it makes: clines, environment, skill."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.stats.blocks import FEWEST_BLOCKS, Skill, blocked_skill, spatial_blocks
from morphcline.stats.cline_axis import distance_along_line
from morphcline.stats.clines import MODELS, Clines, fit_clines, fit_clines_along
from morphcline.stats.environment import Environment, fit_environment
from morphcline.stats.spatial_errors import SpatialErrors

Floats = NDArray[np.float64]

#: Sites that the environment models take at most: their time grows with the cube of it.
MOST_SITES = 1000
_BLOCKS = 10

CLINE_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "model": "flat: one frequency everywhere. linear: the frequency itself changes evenly over the whole stretch "
    "surveyed. sigmoid: from 0 to 1, p = 1 / (1 + exp(-4 (s - centre) / width)), which is the straight line on the "
    "logit scale. sigmoid, free ends: the same between p_min and p_max. s is the distance along the bearing",
    "sites": "sites with at least one shell judged",
    "shells": "shells judged",
    "bearing_deg": "bearing along which the frequency rises, degrees clockwise from grid north; empty along a line",
    "bearing_low": "profile-likelihood limit at the study's confidence, counter-clockwise end; empty when it is open",
    "bearing_high": "profile-likelihood limit at the study's confidence, clockwise end; empty when it doesn't close",
    "centre_m": "metres from the origin along the bearing (or along the line from its start) to where the frequency is "
    "halfway between the ends",
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
    "origin_x_m": "easting of the point that distances count from: mean of the sites, or the line's start",
    "origin_y_m": "northing of that point",
    "not_fitted_because": "why there are no numbers, else empty",
    "direction": "along: the frequency rises along the bearing, or along the line; against: it falls along the line",
    "limits_left_open": "the limits that are not given, separated by spaces: the data leave them open, or the model is "
    "not the chosen one (limits are sought for that alone)",
    "p_flat": "permutation test of a flat frequency against any sigmoid. Under a flat frequency the sigmoid with free "
    "ends gains more than its parameters are charged for, so believe a cline only where this is 0.05 or less",
    "chosen": "whether this is the model to speak of: flat where p_flat is above 0.05; else of the largest weight, "
    "free ends only where p_free_ends is 0.05 or less and span_seen 0.9 or more",
    "p_free_ends": "test of the better of linear and sigmoid against the sigmoid with free ends: how often surveys "
    "drawn from the simpler cline look as much like free ends. Empty where p_flat is above 0.05",
    "span_seen": "share of the way from p_min to p_max that the curve covers between the outermost sites; linear: 1",
    "step": "True when a step fits as well as the width found: then width_m means nothing, and the cline is narrower "
    "than width_high. Known of the chosen model alone",
    "residual_moran_i": "Moran's I of the model's residuals (over their beta-binomial standard deviation), 8 nearest "
    "neighbours: above what chance gives, one line of change doesn't describe the map, as where areas differ",
    "residual_moran_p": "its two-sided p-value, by the moments for regression residuals",
}
ENVIRONMENT_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "term": "intercept; habitat: <class>, against the reference; temperature_c, per degree Celsius; habitat: joint "
    "test of all classes, without an estimate",
    "estimate": "coefficient on the logit scale, space allowed for: between sites as they would be at one place",
    "se": "its standard error, space allowed for",
    "low": "lower limit at the study's confidence, space allowed for",
    "high": "upper limit at the study's confidence, space allowed for",
    "p_naive": "two-sided p-value when sites are taken as independent",
    "p_spatial": "two-sided p-value when neighbouring sites' residuals may be alike: the one to believe",
    "effective_sites": "how many independent sites the sites are worth for this term",
    "residual_moran_i": "Moran's I of the residuals of the model that ignores space, 8 nearest neighbours",
    "residual_moran_p": "its two-sided p-value, by the moments for regression residuals",
    "reference": "habitat class that the others are compared with: the commonest",
    "p_holm": "habitat classes: p_spatial adjusted by Holm's method for all classes of the trait, so that the class "
    "with the smallest may be named",
    "se_naive": "standard error when sites are taken as independent",
    "spatial_share": "share of the residual variance that is an effect of place, shared by neighbours; mean over sites",
    "spatial_range_m": "range of that correlation, exp(-distance / range), in metres",
    "rho": "intra-site correlation left after habitat, temperature and the effect of place",
    "sites": "sites in the model",
    "shells": "shells in the model",
    "not_estimated_because": "why there are no numbers, else empty",
}
SKILL_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "model": "mean only, habitat, temperature, or both",
    "blocks": "number of blocks of neighbouring sites, each predicted from the others",
    "deviance_per_shell": "binomial deviance of the blocks left out, over their shells",
    "skill": "1 - deviance / that of the mean only: 0 is no better than the mean, 1 perfect, below 0 worse",
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


@dataclass(frozen=True)
class EnvironmentTask:
    """One species: counts of every trait (sites, traits) and what is known of its sites."""

    species: str
    traits: tuple[str, ...]
    easting: Floats
    northing: Floats
    count: Floats
    total: Floats
    habitat: tuple[str, ...] | None
    temperature_c: Floats | None
    confidence: float
    rng: np.random.Generator


@dataclass(frozen=True)
class EnvironmentResult:
    """The models and skills of one species, a trait each; no skill where there are too few blocks."""

    models: tuple[Environment, ...]
    skills: tuple[tuple[Skill, ...], ...]
    blocks: tuple[int, ...]


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


def fit_environment_task(task: EnvironmentTask) -> EnvironmentResult:
    """Fit every trait of a species; traits known at the same sites share the decomposed correlations."""
    shared: dict[bytes, SpatialErrors] = {}
    places = len(np.unique(np.column_stack([task.easting, task.northing]), axis=0))
    wanted = min(_BLOCKS, places // 10)
    block = (
        spatial_blocks(task.easting, task.northing, blocks=wanted, rng=task.rng) if wanted >= FEWEST_BLOCKS else None
    )
    models, skills, blocks = [], [], []
    for column in range(len(task.traits)):
        judged = task.total[:, column] > 0
        key = judged.tobytes()
        if key not in shared:
            shared[key] = SpatialErrors(task.easting[judged], task.northing[judged])
        count, total = task.count[judged, column], task.total[judged, column]
        habitat = None if task.habitat is None else [task.habitat[i] for i in np.flatnonzero(judged)]
        temperature = None if task.temperature_c is None else task.temperature_c[judged]
        models.append(fit_environment(count, total, habitat, temperature, shared[key], confidence=task.confidence))
        known = block is not None and 0 < count.sum() < total.sum()
        here = block[judged] if block is not None else np.zeros(0, dtype=np.intp)
        enough = known and len(np.unique(here)) >= FEWEST_BLOCKS
        skills.append(blocked_skill(count, total, habitat, temperature, here) if enough else ())
        blocks.append(len(np.unique(here)) if enough else 0)
    return EnvironmentResult(tuple(models), tuple(skills), tuple(blocks))


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
    }
    if not fitted.fits:
        return _frame(
            ({**fixed, "model": model, "converged": False, "chosen": False, "step": False} for model in MODELS),
            CLINE_COLUMNS,
        )
    rows = []
    for fit in fitted.fits:
        row = {**fixed, **{name: getattr(fit, name) for name in CLINE_COLUMNS if hasattr(fit, name)}}
        row["limits_left_open"] = " ".join(fit.open_limits)
        row["chosen"] = fit.model == fitted.chosen
        if fit.model != "flat":
            row["direction"] = "against" if along_line and np.isclose(fit.bearing_deg, 180) else "along"
        if along_line:
            row["bearing_deg"] = np.nan
        rows.append(row)
    return _frame(rows, CLINE_COLUMNS)


def environment_rows(task: EnvironmentTask, result: EnvironmentResult) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows of ``environment.csv`` and of ``environment_skill.csv`` of one species."""
    terms, skills = [], []
    for trait, model, of_trait, blocks in zip(task.traits, result.models, result.skills, result.blocks, strict=True):
        for term in model.terms:
            terms.append(
                {
                    "species": task.species,
                    "trait": trait,
                    "term": term.name,
                    **{name: getattr(term, name) for name in ENVIRONMENT_COLUMNS if hasattr(term, name)},
                    "residual_moran_i": model.residual_moran_i,
                    "residual_moran_p": model.residual_moran_p,
                    "spatial_share": model.spatial_share,
                    "spatial_range_m": model.range_m,
                    "rho": model.rho,
                    "sites": model.sites,
                    "shells": model.shells,
                }
            )
        for skill in of_trait:
            skills.append(
                {
                    "species": task.species,
                    "trait": trait,
                    "model": skill.model,
                    "blocks": blocks,
                    "deviance_per_shell": skill.deviance_per_shell,
                    "skill": skill.skill,
                }
            )
    return _frame(terms, ENVIRONMENT_COLUMNS), _frame(skills, SKILL_COLUMNS)


def joined(tables: Sequence[pd.DataFrame], columns: Iterable[str]) -> pd.DataFrame:
    """Return tables one below the other; with none, the header alone."""
    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=list(columns))


def _frame(rows: Iterable[dict[str, object]], columns: Iterable[str]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=list(columns))
