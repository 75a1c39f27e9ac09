"""Clines: fit each trait over space, say what habitat and temperature explain, and compare with earlier surveys.

Reads the sites with their surroundings, the frequencies and the regional intra-site correlations, and the same of
earlier surveys; writes the cline models, what clines share with each other, their centres as lines on the map, clines
along transects, the environment models with their effects in points and their skill on blocks left out, habitats
compared between near sites, and the change at places seen before. Every sample with a shell enters, weighted by its
size.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pandas as pd
import shapely
from threadpoolctl import threadpool_limits

from morphcline.errors import Problem, StudyError
from morphcline.files.tables import read_table, write_table
from morphcline.files.vectors import read_line
from morphcline.language import Said
from morphcline.records.change_table import CHANGE_COLUMNS, RADIUS_COLUMNS, UNMATCHED_COLUMNS
from morphcline.records.cline_tables import CLINE_COLUMNS, ClineTask, Line, cline_rows, fit_cline_task
from morphcline.records.environment_tables import EnvironmentResult, EnvironmentTask, fit_environment_task
from morphcline.records.selection_table import SELECTION_COLUMNS, selection_rows
from morphcline.records.smoothing import Samples, samples_of
from morphcline.records.stacking import joined
from morphcline.records.told_distances import told_from
from morphcline.stages._change import write_change
from morphcline.stages._concordance import CONCORDANCE_TABLES, LAYERS, write_concordance
from morphcline.stages._environment import ENVIRONMENT_TABLES, environment_tasks, write_environment
from morphcline.stages._transects import TRANSECT_TABLES, transect_sources, write_transects
from morphcline.stages.base import Account, Context, Stage
from morphcline.stats.cline_axis import bearing_of_transect
from morphcline.stats.clines import Clines
from morphcline.study import Study


def run(context: Context) -> Account:
    """Fit clines, environment models and change; return what was fitted and what was left out."""
    study = context.study
    frequencies, regional, sites = (
        read_table(context.path(f"{name}.csv"))
        for name in ("tables/frequencies", "tables/regional", "private/tables/sites")
    )
    traits = tuple(dict.fromkeys(frequencies["trait"]))
    samples = {name: _samples(name, frequencies, regional, sites) for name in study.scoring.species}
    account: Account = {"clines": {}, "environment": {}, "warnings": []}
    explained_by = environment_tasks(context, samples, sites, account)
    cline_tasks = _cline_tasks(context, samples, traits)
    tasks: list[ClineTask | EnvironmentTask] = [*explained_by, *cline_tasks]
    context.tick(0, len(tasks), "clines and environment")
    results = context.workers.map(_fit, tasks)
    context.tick(len(tasks), len(tasks), "clines and environment")

    fitted = [result for result in results if isinstance(result, Clines)]
    explained = [result for result in results if isinstance(result, EnvironmentResult)]
    account["warnings"] += _transect_warnings(study, cline_tasks)
    rows = [cline_rows(task, result) for task, result in zip(cline_tasks, fitted, strict=True)]
    clines = joined(rows, CLINE_COLUMNS)
    if not isinstance(study.clines.axis, Path):
        clines = told_from(clines, study.publish.coarsest_m)
    write_table(context.path("tables/clines.csv"), clines, CLINE_COLUMNS)
    held_by = selection_rows(clines, study.clines.dispersal_range_m)
    write_table(context.path("tables/selection.csv"), held_by, SELECTION_COLUMNS)
    write_concordance(context, cline_tasks, fitted, read_table(context.path("tables/sites.csv")))
    write_transects(context, samples, account)
    write_environment(context, explained_by, explained)
    write_change(context, frequencies, regional, sites, account)
    _describe(account, study, cline_tasks, fitted)
    return account


def _fit(task: ClineTask | EnvironmentTask) -> Clines | EnvironmentResult:
    # One thread of linear algebra: the same last digits with any number of workers, and small matrices gain nothing.
    with threadpool_limits(limits=1):
        return fit_cline_task(task) if isinstance(task, ClineTask) else fit_environment_task(task)


def _samples(species: str, frequencies: pd.DataFrame, regional: pd.DataFrame, sites: pd.DataFrame) -> Samples:
    traits = tuple(dict.fromkeys(frequencies.loc[frequencies["species"] == species, "trait"]))
    return samples_of(species, traits, frequencies, regional, sites)


def _cline_tasks(context: Context, samples: dict[str, Samples], traits: tuple[str, ...]) -> list[ClineTask]:
    study = context.study
    wanted = study.clines.traits if study.clines.traits is not None else traits
    unknown = [name for name in wanted if name not in traits]
    if unknown:
        known = ", ".join(traits)
        raise StudyError(
            Problem(study.file.name, "[clines] traits", f"found {name!r}, which no record gives", f"one of: {known}")
            for name in unknown
        )
    given = _axis(study)
    axes = {name: given if given is not None else _transect(of_species) for name, of_species in samples.items()}
    return [
        ClineTask(
            species,
            trait,
            of_species.places[:, 0],
            of_species.places[:, 1],
            of_species.count[:, column],
            of_species.total[:, column],
            axes[species],
            study.scoring.confidence,
            context.rng("clines", species, trait),
        )
        for species, of_species in samples.items()
        for column, trait in enumerate(of_species.traits)
        if trait in wanted
    ]


def _axis(study: Study) -> float | Line | None:
    axis = study.clines.axis
    if isinstance(axis, Path):
        easting, northing = shapely.get_coordinates(read_line(axis, study.study.crs, shown=study.shown(axis))).T
        return Line(easting, northing)
    return None if axis == "best" else float(axis)


def _transect(samples: Samples) -> float | None:
    """Return the bearing of sites that lie along a line, since a cline's own can't be told from them."""
    return bearing_of_transect(samples.places[:, 0], samples.places[:, 1])


def _transect_warnings(study: Study, tasks: list[ClineTask]) -> list[str]:
    if study.clines.axis != "best":
        return []
    bearings = {task.species: task.axis for task in tasks if isinstance(task.axis, float)}
    return [
        Said(
            "{species}: the sites lie along a line towards {bearing}°, from which the bearing of a cline can't be "
            "told; clines are fitted along that line.",
            species=species,
            bearing=round(bearing),
        )
        for species, bearing in bearings.items()
    ]


def _describe(account: Account, study: Study, tasks: Iterable[ClineTask], fitted: Iterable[Clines]) -> None:
    """Say of each species which model each trait keeps, and which traits were not fitted."""
    for species in study.scoring.species:
        account["clines"][species] = {"chosen": {}, "not_fitted": {}, "not_converged": []}
    for task, result in zip(tasks, fitted, strict=True):
        told = account["clines"][task.species]
        if result.not_fitted_because:
            told["not_fitted"][task.trait] = result.not_fitted_because
            continue
        told["chosen"][task.trait] = result.chosen
        tried = (fit for fit in result.fits if not fit.not_fitted_because)
        told["not_converged"] += [f"{task.trait}, {fit.model}" for fit in tried if not fit.converged]
    for species, told in account["clines"].items():
        if not told["chosen"]:
            account["warnings"].append(
                Said("{species}: no cline could be fitted; clines.csv says why, trait by trait.", species=species)
            )


def _sources(study: Study) -> tuple[Path, ...]:
    axis = (study.clines.axis,) if isinstance(study.clines.axis, Path) else ()
    area = () if study.study.area is None else (study.study.area,)
    return (*axis, *transect_sources(study), *area)


STAGE = Stage(
    name="clines",
    summary="cline models, what habitat and temperature explain, change since earlier surveys",
    settings=("scoring", "habitat", "clines", "change", "publish.blur_m", "publish.sensitive"),
    reads=(
        "private/tables/sites.csv",
        "tables/sites.csv",
        "tables/frequencies.csv",
        "tables/regional.csv",
        "private/tables/earlier_sites.csv",
        "tables/earlier_frequencies.csv",
    ),
    writes=lambda study: (
        "tables/clines.csv",
        "tables/selection.csv",
        *CONCORDANCE_TABLES,
        LAYERS,
        *TRANSECT_TABLES,
        *ENVIRONMENT_TABLES,
        "tables/change.csv",
        "tables/change_radius.csv",
        "tables/change_unmatched.csv",
    ),
    run=run,
    sources=_sources,
    columns={
        "tables/clines.csv": CLINE_COLUMNS,
        "tables/selection.csv": SELECTION_COLUMNS,
        **CONCORDANCE_TABLES,
        **TRANSECT_TABLES,
        **ENVIRONMENT_TABLES,
        "tables/change.csv": CHANGE_COLUMNS,
        "tables/change_radius.csv": RADIUS_COLUMNS,
        "tables/change_unmatched.csv": UNMATCHED_COLUMNS,
    },
)
