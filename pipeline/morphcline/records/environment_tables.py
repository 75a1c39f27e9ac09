"""What habitat and temperature explain of each species' traits, and the tables it makes: environment, skill."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.records.stacking import framed
from morphcline.stats.blocks import FEWEST_BLOCKS, Skill, blocked_skill, spatial_blocks
from morphcline.stats.environment import Environment, fit_environment
from morphcline.stats.spatial_errors import SpatialErrors

Floats = NDArray[np.float64]

#: Sites that the environment models take at most: their time grows with the cube of it.
MOST_SITES = 1000
_BLOCKS = 10

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
    return framed(terms, ENVIRONMENT_COLUMNS), framed(skills, SKILL_COLUMNS)
