"""Autocorrelation: test whether neighbouring sites are alike, over what distance, and where.

Reads the sites, their counts and the regional intra-site correlations; writes Moran's I of every trait, its correlogram
by distance and how far likeness reaches, variograms of the traits that figures show, and local Moran's I of every site.
Only samples that are large enough enter. Traits known at the same sites share neighbours and shuffles. Frequencies are
compared as rate-adjusted deviates, which allow for samples of unequal size; the index of the raw frequencies is printed
beside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import csr_array

from morphcline.files.tables import read_table, write_table
from morphcline.language import Said, said_list, said_many
from morphcline.records.autocorrelation_tables import (
    CORRELOGRAM_COLUMNS,
    FORMS,
    INDEX_COLUMNS,
    INDEX_NUMBERS,
    LOCAL_COLUMNS,
    LOCAL_DRAWS,
    REACH_COLUMNS,
    RESAMPLES,
    correlogram_rows,
    index_rows,
    local_rows,
    reach_rows,
)
from morphcline.records.smoothing import Samples, samples_of
from morphcline.records.stacking import joined
from morphcline.records.variogram_tables import FIT_COLUMNS, VARIOGRAM_COLUMNS, variogram_rows
from morphcline.scoring.traits import MORPHS
from morphcline.stages._isolation import COLUMNS as ISOLATION_COLUMNS
from morphcline.stages._isolation import write_isolation
from morphcline.stages.base import Account, Context, Stage
from morphcline.stats.autocorrelation import MIN_SITES, moran, rate_adjusted
from morphcline.stats.correlogram import correlogram
from morphcline.stats.local_moran import NOT_TESTED, local_moran
from morphcline.stats.neighbours import islands, nearest, within
from morphcline.stats.pair_classes import PairClasses, equal_classes
from morphcline.stats.permutation import permute_moran, same_sites
from morphcline.stats.reach import reach
from morphcline.stats.smoothing import one_thread
from morphcline.study import Autocorrelation, Within

Floats = NDArray[np.float64]

_COLUMNS = {
    "autocorrelation": INDEX_COLUMNS,
    "correlogram": CORRELOGRAM_COLUMNS,
    "correlogram_reach": REACH_COLUMNS,
    "variogram": VARIOGRAM_COLUMNS,
    "variogram_fit": FIT_COLUMNS,
    "local": LOCAL_COLUMNS,
}
#: Share of sites without neighbours above which the user is warned.
_MANY_ISLANDS = 0.05


@dataclass(frozen=True)
class _Task:
    """Traits of a species that are known at the same sites."""

    samples: Samples
    limits: Floats
    settings: Autocorrelation
    rng: np.random.Generator


@dataclass(frozen=True)
class _Result:
    """Rows of each table, by its name, and the sites without neighbours."""

    tables: dict[str, pd.DataFrame]
    islands: tuple[str, ...]


def local_draws(settings: Autocorrelation) -> int:
    """Return how often a site's neighbours are drawn anew for the local test."""
    return max(settings.permutations, LOCAL_DRAWS)


def run(context: Context) -> Account:
    """Test every trait of every species; return what was tested and what wasn't."""
    study = context.study
    frequencies = read_table(context.path("tables/frequencies.csv"))
    regional = read_table(context.path("tables/regional.csv"))
    sites = read_table(context.path("private/tables/sites.csv"))
    enough = frequencies[frequencies["enough"].astype(bool)]
    tasks: list[_Task] = []
    known_rho: dict[str, pd.Series] = {}
    for species in study.scoring.species:
        traits = frequencies.loc[frequencies["species"] == species, "trait"].unique()
        samples = samples_of(species, tuple(traits), enough, regional, sites)
        known_rho[species] = regional[regional["species"] == species].set_index("trait")["rho"].reindex(traits)
        tasks += _tasks(context, samples, known_rho[species])
    context.tick(0, len(tasks), "neighbours, distances and clusters")
    results = context.workers.map(_analyse, tasks)
    context.tick(len(tasks), len(tasks), "neighbours, distances and clusters")

    tables = {name: joined([result.tables[name] for result in results], columns) for name, columns in _COLUMNS.items()}
    every = frequencies.loc[frequencies["species"].isin(study.scoring.species), ["species", "trait", "site"]]
    tables["local"] = every.merge(tables["local"], how="left")
    tables["local"]["group"] = tables["local"]["group"].fillna(NOT_TESTED)
    order = {name: number for number, name in enumerate(dict.fromkeys(frequencies["trait"]))}
    for name, columns in _COLUMNS.items():
        last = ["site"] if name == "local" else []
        table = _sorted(tables[name], study.scoring.species, order, last)
        write_table(context.path(f"tables/{name}.csv"), table, columns)
    write_isolation(context, enough, sites)
    return _account(study.scoring.species, study.autocorrelation, tasks, results, known_rho)


def _tasks(context: Context, samples: Samples, known_rho: pd.Series) -> list[_Task]:
    """Return a task for each group of traits that are known at the same sites; all have the same distance classes."""
    settings = context.study.autocorrelation
    if isinstance(settings.distance_classes, int):
        limits = equal_classes(samples.places[:, 0], samples.places[:, 1], settings.distance_classes)
    else:
        limits = np.array(settings.distance_classes, dtype=np.float64)
    rho = known_rho.fillna(0.0).to_numpy(dtype=np.float64)
    tasks = []
    for present, columns in same_sites(samples.total > 0):
        rows = np.flatnonzero(present)
        group = Samples(
            samples.species, tuple(samples.traits[column] for column in columns),
            tuple(samples.names[row] for row in rows), samples.places[rows],
            samples.count[np.ix_(rows, columns)], samples.total[np.ix_(rows, columns)], rho[columns],
        )  # fmt: skip
        tasks.append(_Task(group, limits, settings, context.rng("autocorrelation", group.species, *group.traits)))
    return tasks


def _analyse(task: _Task) -> _Result:
    with one_thread():
        return _analysed(task)


def _analysed(task: _Task) -> _Result:
    samples, settings = task.samples, task.settings
    easting, northing = samples.places.T
    weights = _weights(easting, northing, settings.neighbours)
    adjusted = rate_adjusted(samples.count, samples.total, samples.rho)
    one_place = _one_place(samples)
    if one_place:
        adjusted = np.full_like(adjusted, np.nan)
    for_index, for_distance, for_local, for_reach, for_variogram = task.rng.spawn(5)
    values = np.hstack([adjusted, samples.count / samples.total])
    shuffled = permute_moran(values, weights, permutations=settings.permutations, rng=for_index)
    index = index_rows(samples, moran(values, weights), shuffled, settings.permutations)
    if one_place:
        index = index.assign(
            **dict.fromkeys(INDEX_NUMBERS, np.nan), not_tested_because="all its sites lie at one place"
        )
    local = local_moran(
        adjusted, weights, permutations=local_draws(settings), rng=for_local, level=settings.level
    )  # fmt: skip
    tables = {name: pd.DataFrame(columns=list(columns)) for name, columns in _COLUMNS.items()}
    tables |= {"autocorrelation": index, "local": local_rows(samples, local)}
    if len(task.limits) > 1 and len(samples.names) >= MIN_SITES and not one_place:
        tables |= _by_distance(task, adjusted, for_distance, for_reach)
        traits = tuple(trait for trait in samples.traits if trait not in MORPHS)
        tables["variogram"], tables["variogram_fit"] = variogram_rows(samples, traits, for_variogram)
    return _Result(tables, tuple(samples.names[row] for row in islands(weights)))


def _by_distance(
    task: _Task, adjusted: Floats, for_distance: np.random.Generator, for_reach: np.random.Generator
) -> dict[str, pd.DataFrame]:
    samples, settings = task.samples, task.settings
    pairs = PairClasses(samples.places[:, 0], samples.places[:, 1], task.limits)
    found = correlogram(
        adjusted, pairs, permutations=settings.permutations, rng=for_distance, level=settings.level
    )  # fmt: skip
    how_far = reach(adjusted, pairs, resamples=RESAMPLES, rng=for_reach)
    return {
        "correlogram": correlogram_rows(samples, pairs, found, settings.permutations),
        "correlogram_reach": reach_rows(samples, found, how_far, settings.level),
    }


def _one_place(samples: Samples) -> bool:
    return len(samples.places) > 0 and not np.ptp(samples.places, axis=0).any()


def _weights(easting: Floats, northing: Floats, neighbours: int | Within) -> csr_array:
    if isinstance(neighbours, Within):
        return within(easting, northing, neighbours.within_m)
    return nearest(easting, northing, neighbours)


def _sorted(table: pd.DataFrame, species: tuple[str, ...], traits: dict[str, int], last: list[str]) -> pd.DataFrame:
    """Sort by species and trait in the study's order; the rows of a trait stay as they come, or go by ``last``."""
    place = {name: number for number, name in enumerate(species)}
    keyed = table.assign(_species=table["species"].map(place), _trait=table["trait"].map(traits))
    return keyed.sort_values(["_species", "_trait", *last], kind="stable", ignore_index=True)


def _account(
    all_species: tuple[str, ...],
    settings: Autocorrelation,
    tasks: list[_Task],
    results: list[_Result],
    known_rho: dict[str, pd.Series],
) -> Account:
    account: Account = {
        "neighbours": _in_words(settings.neighbours),
        "local_draws": local_draws(settings),
        "species": {},
        "warnings": [],
    }
    for species in all_species:
        done = [(task, result) for task, result in zip(tasks, results, strict=True) if task.samples.species == species]
        index = joined([result.tables["autocorrelation"] for _, result in done], INDEX_COLUMNS)
        index = index[index["form"] == FORMS[0]]
        tested = index[index["not_tested_because"] == ""]
        lone = sorted({name for _, result in done for name in result.islands})
        assumed = [trait for trait in tested["trait"] if np.isnan(known_rho[species][trait])]
        account["species"][species] = {
            "tested": len(tested),
            "not_tested": {row.trait: row.not_tested_because for row in index.itertuples() if row.not_tested_because},
            "islands": lone,
            "rho_taken_as_0": assumed,
        }
        account["warnings"] += _warnings(species, settings, done, len(tested), assumed)
    return account


def _warnings(
    species: str, settings: Autocorrelation, done: list[tuple[_Task, _Result]], tested: int, assumed: list[str]
) -> list[str]:
    if done and all(_one_place(task.samples) for task, _ in done):
        return [
            Said(
                "{species}: all sites lie at one place, so nothing can be said of neighbours or distances.",
                species=species,
            )
        ]
    if not tested:
        return [
            Said(
                "{species}: no trait could be tested for spatial autocorrelation; that takes {sites} sites with large "
                "enough samples, and differences between them.",
                species=species,
                sites=MIN_SITES,
            )
        ]
    said: list[str] = []
    share, task, result = max(
        ((len(result.islands) / max(1, len(task.samples.names)), task, result) for task, result in done),
        key=lambda item: item[0],
    )
    if share > _MANY_ISLANDS:
        islands, sites = len(result.islands), len(task.samples.names)
        within = settings.neighbours.within_m if isinstance(settings.neighbours, Within) else 0.0
        said.append(
            said_many(
                "{species}: {islands} of {sites} sites ({percent}%) has no neighbour within {within} m and takes no "
                "part in Moran's I and local clusters; widen [autocorrelation] neighbours or ask for a number of "
                "nearest sites.",
                "{species}: {islands} of {sites} sites ({percent}%) have no neighbour within {within} m and take no "
                "part in Moran's I and local clusters; widen [autocorrelation] neighbours or ask for a number of "
                "nearest sites.",
                islands,
                species=species,
                islands=islands,
                sites=sites,
                percent=round(100 * share),
                within=within,
            )
        )
    if assumed:
        said.append(
            Said(
                "{species}: no intra-site correlation is known for {traits}; rates are adjusted as if it were 0.",
                species=species,
                traits=said_list(assumed),
            )
        )
    return said


def _in_words(neighbours: int | Within) -> str:
    if isinstance(neighbours, Within):
        return f"within {neighbours.within_m:g} m"
    return f"among the {neighbours} nearest sites"


STAGE = Stage(
    name="autocorrelation",
    summary="Moran's I, its correlogram by distance and reach, variograms, and local clusters",
    settings=("scoring", "autocorrelation"),
    reads=("private/tables/sites.csv", "tables/frequencies.csv", "tables/regional.csv"),
    writes=lambda study: (*(f"tables/{name}.csv" for name in _COLUMNS), *ISOLATION_COLUMNS),
    run=run,
    columns={**{f"tables/{name}.csv": columns for name, columns in _COLUMNS.items()}, **ISOLATION_COLUMNS},
)
