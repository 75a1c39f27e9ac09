"""What habitat and temperature explain of each species' traits: its tasks, worked and put into rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.records.environment_columns import (
    EFFECT_COLUMNS,
    ENVIRONMENT_COLUMNS,
    PAIR_COLUMNS,
    SKILL_COLUMNS,
)
from morphcline.records.stacking import framed
from morphcline.stats.blocks import FEWEST_BLOCKS, Skill, Spatial, blocked_skill, spatial_blocks
from morphcline.stats.correlations import ROUGH
from morphcline.stats.environment import Environment, Model, fit_environment
from morphcline.stats.habitat_pairs import ANY_OTHER as ANY_OTHER
from morphcline.stats.habitat_pairs import Matchings, PairedHabitats, compare_habitats
from morphcline.stats.logistic import fit_logistic
from morphcline.stats.marginal_effects import Effect, marginal_effects
from morphcline.stats.spatial_errors import SpatialErrors
from morphcline.stats.spatial_logistic import fit_spatial_logistic

Floats = NDArray[np.float64]

#: Sites that the environment models take at most: their time grows with the cube of it, their memory with the square.
MOST_SITES = 3000
_BLOCKS = 10
#: Beyond so many sites a trait is a task of its own, so that all workers have one.
_SITES_TOGETHER = 1000


@dataclass(frozen=True)
class EnvironmentTask:
    """Some traits of a species: counts (sites, traits), and what is known of the sites.

    Attributes
    ----------
    species : str
    traits : tuple of str
    easting, northing : (sites,) arrays
    count, total : (sites, traits) arrays
    habitat : tuple of str, or None
    temperature_c : (sites,) array, or None
    block : (sites,) array of int, or None
        Block of neighbouring sites that each belongs to; None where there are too few places.
    paired_within_m, confidence : float
    left_out_for_speed : int
        Sites that are not here because there are too many.
    """

    species: str
    traits: tuple[str, ...]
    easting: Floats
    northing: Floats
    count: Floats
    total: Floats
    habitat: tuple[str, ...] | None
    temperature_c: Floats | None
    block: NDArray[np.intp] | None
    paired_within_m: float
    confidence: float
    left_out_for_speed: int = 0


@dataclass(frozen=True)
class TraitResult:
    """What was found of one trait; ``environment`` without its model, which is large."""

    environment: Environment
    effects: tuple[Effect, ...]
    pairs: tuple[PairedHabitats, ...]
    skills: tuple[Skill, ...]
    blocks: int


@dataclass(frozen=True)
class EnvironmentResult:
    """What was found of each trait of a task."""

    traits: tuple[TraitResult, ...]


def blocks_of(easting: Floats, northing: Floats, rng: np.random.Generator) -> NDArray[np.intp] | None:
    """Return the block of each site for cross-validation, or None where places are too few."""
    places = len(np.unique(np.column_stack([easting, northing]), axis=0))
    wanted = min(_BLOCKS, places // 10)
    return spatial_blocks(easting, northing, blocks=wanted, rng=rng) if wanted >= FEWEST_BLOCKS else None


def divided(task: EnvironmentTask) -> list[EnvironmentTask]:
    """Return a large task as one a trait; a small one as it is, since its traits share what is found of the sites."""
    if len(task.easting) <= _SITES_TOGETHER:
        return [task]
    return [
        replace(
            task, traits=(trait,), count=task.count[:, [column]], total=task.total[:, [column]]
        )
        for column, trait in enumerate(task.traits)
    ]  # fmt: skip


def fit_environment_task(task: EnvironmentTask) -> EnvironmentResult:
    """Fit every trait of a task; traits judged at the same sites share distances, correlations and pairs."""
    shared: dict[bytes, tuple[SpatialErrors, Matchings | None]] = {}
    found = []
    for column in range(len(task.traits)):
        judged = task.total[:, column] > 0
        key = judged.tobytes()
        habitat = None if task.habitat is None else [task.habitat[i] for i in np.flatnonzero(judged)]
        if key not in shared:
            easting, northing = task.easting[judged], task.northing[judged]
            pairs = None if habitat is None else Matchings(easting, northing, habitat, within_m=task.paired_within_m)
            shared[key] = SpatialErrors(easting, northing), pairs
        found.append(_fit_trait(task, column, judged, habitat, *shared[key]))
    return EnvironmentResult(tuple(found))


def _fit_trait(
    task: EnvironmentTask,
    column: int,
    judged: NDArray[np.bool_],
    habitat: list[str] | None,
    errors: SpatialErrors,
    matchings: Matchings | None,
) -> TraitResult:
    count, total = task.count[judged, column], task.total[judged, column]
    temperature = None if task.temperature_c is None else task.temperature_c[judged]
    fitted = fit_environment(count, total, habitat, temperature, errors, confidence=task.confidence)
    model = fitted.model
    # Without a model every pair counts alike.
    rho = model.naive.rho if model is not None else 1.0
    here = task.block[judged] if task.block is not None else np.zeros(0, dtype=np.intp)
    skills, blocks = _skill(count, total, habitat, temperature, here, model)
    return TraitResult(
        replace(fitted, model=None),
        () if model is None else marginal_effects(model, fitted.terms, confidence=task.confidence),
        () if matchings is None else compare_habitats(count, total, matchings, rho, confidence=task.confidence),
        skills,
        blocks,
    )


def _skill(
    count: Floats,
    total: Floats,
    habitat: list[str] | None,
    temperature_c: Floats | None,
    block: NDArray[np.intp],
    model: Model | None,
) -> tuple[tuple[Skill, ...], int]:
    """Return skills and the number of blocks; with space where the model was fitted, at the model's sites then."""
    spatial, classes = None, habitat
    if model is not None and len(block):
        block = block[model.kept]
        count, total = model.count, model.total
        classes = None if habitat is None else [str(name) for name in model.classes]
        temperature_c = model.temperature_c
        spatial = _spatial(model)
    blocks = len(np.unique(block))
    if blocks < FEWEST_BLOCKS or not 0 < count.sum() < total.sum():
        return (), 0
    return blocked_skill(count, total, classes, temperature_c, block, spatial), blocks


def _spatial(model: Model) -> Spatial:
    """Return the model with covariates and the one without, both as smooth."""
    ones = np.ones((len(model.total), 1))
    start = fit_logistic(model.count, model.total, ones)
    smoothness = model.spatial.smoothness if model.spatial.variance > 0 else ROUGH
    space = fit_spatial_logistic(model.count, model.total, ones, model.errors, start, smoothness=smoothness)
    return Spatial(space, model.spatial)


def environment_rows(
    task: EnvironmentTask, result: EnvironmentResult
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return the rows of ``environment``, ``environment_skill``, ``marginal_effects`` and ``habitat_pairs``."""
    terms: list[dict[str, Any]] = []
    skills: list[dict[str, Any]] = []
    effects: list[dict[str, Any]] = []
    pairs: list[dict[str, Any]] = []
    for trait, found in zip(task.traits, result.traits, strict=True):
        of_trait = {"species": task.species, "trait": trait}
        model = found.environment
        rested = {"sites": model.sites, "shells": model.shells}
        about = {
            "residual_moran_i": model.residual_moran_i,
            "residual_moran_p": model.residual_moran_p,
            "spatial_share": model.spatial_share,
            "spatial_range_m": model.range_m,
            "spatial_smoothness": model.smoothness,
            "rho": model.rho,
            "left_out_for_speed": task.left_out_for_speed,
        }
        terms += [{**of_trait, "term": term.name, **_known(term, ENVIRONMENT_COLUMNS), **about, **rested}
                  for term in model.terms]  # fmt: skip
        skills += [{**of_trait, **_known(skill, SKILL_COLUMNS), "blocks": found.blocks} for skill in found.skills]
        effects += [{**of_trait, **_known(effect, EFFECT_COLUMNS), **rested} for effect in found.effects]
        pairs += [{**of_trait, **_known(pair, PAIR_COLUMNS), "within_m": task.paired_within_m} for pair in found.pairs]
    return (
        framed(terms, ENVIRONMENT_COLUMNS),
        framed(skills, SKILL_COLUMNS),
        framed(effects, EFFECT_COLUMNS),
        framed(pairs, PAIR_COLUMNS),
    )


def _known(found: object, columns: Sequence[str] | dict[str, str]) -> dict[str, Any]:
    return {name: getattr(found, name) for name in columns if hasattr(found, name)}
