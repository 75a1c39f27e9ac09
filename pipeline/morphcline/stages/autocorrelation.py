"""Autocorrelation: test whether neighbouring sites are alike, over what distance, and where.

Reads the sites, their counts and the regional intra-site correlations; writes Moran's I of every trait, its correlogram
by distance, and local Moran's I of every site. Only samples that are large enough enter. Traits known at the same sites
share neighbours and shuffles. Frequencies are compared as rate-adjusted deviates, which allow for samples of unequal
size; the index of the raw frequencies is printed beside it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import csr_array

from morphcline.files.tables import read_table, write_table
from morphcline.records.smoothing import Samples, samples_of
from morphcline.stages.base import Account, Context, Stage
from morphcline.stats.autocorrelation import MIN_SITES, moran, rate_adjusted
from morphcline.stats.correlogram import correlogram
from morphcline.stats.local_moran import NOT_TESTED, local_moran
from morphcline.stats.neighbours import islands, nearest, within
from morphcline.stats.pair_classes import MIN_PAIRS, PairClasses, equal_classes
from morphcline.stats.permutation import permute_moran, same_sites
from morphcline.study import Autocorrelation, Within

Floats = NDArray[np.float64]

#: Draws by which local clusters are judged, if the study doesn't ask for more permutations. A false-discovery rate over
#: hundreds of sites turns on p-values of a few ten-thousandths, which 999 draws can't tell apart.
LOCAL_DRAWS = 9_999
#: Share of sites without neighbours above which the user is warned.
_MANY_ISLANDS = 0.05
_FORMS = ("rate-adjusted", "raw")

_GLOBAL_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "form": "rate-adjusted: frequencies as standardised deviates, with binomial variance and the trait's intra-site "
    "correlation; raw: frequencies as they are",
    "sites": "sites in the sums: those with a sample that is large enough, and neighbours",
    "neighbours": "mean number of neighbours of a site",
    "islands": "sites left out because they have no neighbours",
    "moran_i": "Moran's I, row-standardised weights",
    "expected": "what chance gives on average, -1 / (sites - 1)",
    "variance": "variance of I under randomisation",
    "z": "(moran_i - expected) / sqrt(variance)",
    "p_normal": "two-sided p-value of z",
    "variance_normality": "variance of I if the values were normal",
    "z_normality": "standard deviate with variance_normality",
    "p_normality": "two-sided p-value of z_normality",
    "p_permutation": "two-sided p-value by shuffling the values over the sites: the one to believe",
    "permutations": "number of shuffles",
    "not_tested_because": "why there are no numbers, else empty",
}
_CORRELOGRAM_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait, as rate-adjusted deviates",
    "distance_class": "number of the class, from 1",
    "from_m": "lower limit in metres, not in the class (but in the first)",
    "to_m": "upper limit in metres, in the class",
    "pairs": "pairs of sites in the class, each counted once",
    "moran_i": f"Moran's I of these pairs, binary weights; empty below {MIN_PAIRS} pairs",
    "expected": "what chance gives on average, -1 / (sites - 1)",
    "p_permutation": "two-sided p-value by shuffling the values over the sites",
    "p_holm": "p_permutation adjusted over the trait's classes (Holm)",
}
_LOCAL_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait, as rate-adjusted deviates",
    "site": "site",
    "local_i": "local Moran's I, row-standardised weights, variance over n; its mean over the sites is moran_i",
    "p_permutation": f"two-sided p-value by drawing the site's neighbours from all other sites, {LOCAL_DRAWS} times "
    "or [autocorrelation] permutations if that is more",
    "p_fdr": "p_permutation adjusted over the trait's sites (Benjamini & Hochberg)",
    "group": "where p_fdr is within [autocorrelation] level, the site's value among its neighbours': high among high, "
    "high among low, low among high, low among low; else no local signal; not tested where the sample is too small, "
    "the site has no neighbours or the trait can't be tested",
}


@dataclass(frozen=True)
class _Task:
    """Traits of a species that are known at the same sites."""

    samples: Samples
    limits: Floats
    settings: Autocorrelation
    rng: np.random.Generator


@dataclass(frozen=True)
class _Result:
    index: pd.DataFrame
    by_distance: pd.DataFrame
    local: pd.DataFrame
    islands: tuple[str, ...]


#: Columns of the index that stay empty where nothing is tested.
_NUMBERS = (
    "moran_i", "expected", "variance", "z", "p_normal", "variance_normality", "z_normality", "p_normality",
    "p_permutation", "permutations",
)  # fmt: skip


def local_draws(settings: Autocorrelation) -> int:
    """Return how often a site's neighbours are drawn anew for the local test."""
    return max(settings.permutations, LOCAL_DRAWS)


def run(context: Context) -> Account:
    """Test every trait of every species; return what was tested and what wasn't."""
    study = context.study
    frequencies = read_table(context.path("tables/frequencies.csv"))
    regional = read_table(context.path("tables/regional.csv"))
    sites = read_table(context.path("tables/sites.csv"))
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

    every = frequencies.loc[frequencies["species"].isin(study.scoring.species), ["species", "trait", "site"]]
    local = every.merge(_joined([result.local for result in results], _LOCAL_COLUMNS), how="left")
    local["group"] = local["group"].fillna(NOT_TESTED)
    index = _joined([result.index for result in results], _GLOBAL_COLUMNS)
    by_distance = _joined([result.by_distance for result in results], _CORRELOGRAM_COLUMNS)
    order = {name: number for number, name in enumerate(dict.fromkeys(frequencies["trait"]))}
    for name, table, columns in (
        ("autocorrelation", index, _GLOBAL_COLUMNS),
        ("correlogram", by_distance, _CORRELOGRAM_COLUMNS),
        ("local", local, _LOCAL_COLUMNS),
    ):
        last = ["site"] if name == "local" else []
        table = _sorted(table, study.scoring.species, order, last)
        write_table(context.path(f"tables/{name}.csv"), table, columns)
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
    samples, settings = task.samples, task.settings
    easting, northing = samples.places.T
    weights = _weights(easting, northing, settings.neighbours)
    adjusted = rate_adjusted(samples.count, samples.total, samples.rho)
    one_place = _one_place(samples)
    if one_place:
        adjusted = np.full_like(adjusted, np.nan)
    for_index, for_distance, for_local = task.rng.spawn(3)
    index = _index_table(samples, adjusted, weights, settings.permutations, for_index)
    if one_place:
        index = index.assign(**dict.fromkeys(_NUMBERS, np.nan), not_tested_because="all its sites lie at one place")
    by_distance = pd.DataFrame(columns=list(_CORRELOGRAM_COLUMNS))
    if len(task.limits) > 1 and len(samples.names) >= MIN_SITES:
        by_distance = _correlogram_table(samples, adjusted, task.limits, settings.permutations, for_distance)
    draws = local_draws(settings)
    local = local_moran(adjusted, weights, permutations=draws, rng=for_local, level=settings.level)
    return _Result(
        index,
        by_distance,
        pd.DataFrame(
            {
                "species": samples.species,
                "trait": np.repeat(np.array(samples.traits, dtype=object), len(samples.names)),
                "site": np.tile(np.array(samples.names, dtype=object), len(samples.traits)),
                "local_i": local.i.T.ravel(),
                "p_permutation": local.p.T.ravel(),
                "p_fdr": local.p_fdr.T.ravel(),
                "group": local.group.T.ravel(),
            }
        ),
        tuple(samples.names[row] for row in islands(weights)),
    )


def _one_place(samples: Samples) -> bool:
    return len(samples.places) > 0 and not np.ptp(samples.places, axis=0).any()


def _weights(easting: Floats, northing: Floats, neighbours: int | Within) -> csr_array:
    if isinstance(neighbours, Within):
        return within(easting, northing, neighbours.within_m)
    return nearest(easting, northing, neighbours)


def _index_table(
    samples: Samples, adjusted: Floats, weights: csr_array, permutations: int, rng: np.random.Generator
) -> pd.DataFrame:
    values = np.hstack([adjusted, samples.count / samples.total])
    result = moran(values, weights)
    shuffled = permute_moran(values, weights, permutations=permutations, rng=rng)
    return pd.DataFrame(
        {
            "species": samples.species,
            "trait": samples.traits * len(_FORMS),
            "form": np.repeat(_FORMS, len(samples.traits)),
            "sites": result.sites,
            "neighbours": result.neighbours,
            "islands": result.islands,
            "moran_i": result.i,
            "expected": result.expected,
            "variance": result.variance,
            "z": result.z,
            "p_normal": result.p,
            "variance_normality": result.variance_normality,
            "z_normality": result.z_normality,
            "p_normality": result.p_normality,
            "p_permutation": shuffled.p,
            "permutations": np.where(np.isnan(shuffled.p), np.nan, permutations),
            "not_tested_because": result.not_tested_because,
        }
    )


def _correlogram_table(
    samples: Samples, adjusted: Floats, limits: Floats, permutations: int, rng: np.random.Generator
) -> pd.DataFrame:
    easting, northing = samples.places.T
    pairs = PairClasses(easting, northing, limits)
    result = correlogram(adjusted, pairs, permutations=permutations, rng=rng)
    traits, classes = len(samples.traits), len(limits) - 1
    return pd.DataFrame(
        {
            "species": samples.species,
            "trait": np.repeat(np.array(samples.traits, dtype=object), classes),
            "distance_class": np.tile(np.arange(1, classes + 1), traits),
            "from_m": np.tile(limits[:-1], traits),
            "to_m": np.tile(limits[1:], traits),
            "pairs": np.tile(pairs.number, traits),
            "moran_i": result.i.T.ravel(),
            "expected": np.where(np.isnan(result.i.T.ravel()), np.nan, result.expected),
            "p_permutation": result.p.T.ravel(),
            "p_holm": result.p_holm.T.ravel(),
        }
    )


def _joined(tables: Iterable[pd.DataFrame], columns: Iterable[str]) -> pd.DataFrame:
    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=list(columns))


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
        index = _joined([result.index for _, result in done], _GLOBAL_COLUMNS)
        index = index[index["form"] == _FORMS[0]]
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
        return [f"{species}: all sites lie at one place, so nothing can be said of neighbours or distances."]
    if not tested:
        return [
            f"{species}: no trait could be tested for spatial autocorrelation; that takes {MIN_SITES} sites with large "
            "enough samples, and differences between them."
        ]
    said = []
    share, task, result = max(
        ((len(result.islands) / max(1, len(task.samples.names)), task, result) for task, result in done),
        key=lambda item: item[0],
    )
    if share > _MANY_ISLANDS:
        said.append(
            f"{species}: {len(result.islands)} of {len(task.samples.names)} sites ({share:.0%}) have no neighbour "
            f"{_in_words(settings.neighbours)} and take no part in Moran's I and local clusters; widen "
            "[autocorrelation] neighbours or ask for a number of nearest sites."
        )
    if assumed:
        said.append(
            f"{species}: no intra-site correlation is known for {', '.join(assumed)}; rates are adjusted "
            "as if it were 0."
        )
    return said


def _in_words(neighbours: int | Within) -> str:
    if isinstance(neighbours, Within):
        return f"within {neighbours.within_m:g} m"
    return f"among the {neighbours} nearest sites"


STAGE = Stage(
    name="autocorrelation",
    summary="Moran's I, its correlogram by distance, and local clusters",
    settings=("scoring", "autocorrelation"),
    reads=("tables/sites.csv", "tables/frequencies.csv", "tables/regional.csv"),
    writes=lambda study: ("tables/autocorrelation.csv", "tables/correlogram.csv", "tables/local.csv"),
    run=run,
    columns={
        "tables/autocorrelation.csv": _GLOBAL_COLUMNS,
        "tables/correlogram.csv": _CORRELOGRAM_COLUMNS,
        "tables/local.csv": _LOCAL_COLUMNS,
    },
)
