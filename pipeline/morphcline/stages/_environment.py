"""The part of the stage of clines that asks what habitat and temperature explain: its tasks and its tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from morphcline.files.tables import write_table
from morphcline.language import Said
from morphcline.records.environment_columns import (
    EFFECT_COLUMNS,
    ENVIRONMENT_COLUMNS,
    PAIR_COLUMNS,
    SKILL_COLUMNS,
)
from morphcline.records.environment_tables import (
    MOST_SITES,
    EnvironmentResult,
    EnvironmentTask,
    blocks_of,
    divided,
    environment_rows,
)
from morphcline.records.smoothing import Samples
from morphcline.records.stacking import joined
from morphcline.stages.base import Account, Context
from morphcline.study import Habitat

#: The tables, in the order of the rows that a task gives.
ENVIRONMENT_TABLES = {
    "tables/environment.csv": ENVIRONMENT_COLUMNS,
    "tables/environment_skill.csv": SKILL_COLUMNS,
    "tables/marginal_effects.csv": EFFECT_COLUMNS,
    "tables/habitat_pairs.csv": PAIR_COLUMNS,
}


def environment_tasks(
    context: Context, samples: dict[str, Samples], sites: pd.DataFrame, account: Account
) -> list[EnvironmentTask]:
    """Return the tasks of each species, of the sites where all that is known anywhere is known."""
    place = sites.set_index("site")
    with_habitat, with_temperature = bool((sites["habitat"] != "").any()), bool(sites["temperature_c"].notna().any())
    if not (with_habitat or with_temperature):
        account["warnings"].append(
            Said(
                "No habitat or temperature is known at any site, so nothing is said of what they explain: "
                "environment.csv holds its header only."
            )
        )
        return []
    if not with_habitat:
        account["warnings"].append(Said("No habitat is known at any site; the environment models do without it."))
    if not with_temperature:
        account["warnings"].append(Said("No temperature is known at any site; the environment models do without it."))
    tasks: list[EnvironmentTask] = []
    for species, of_species in samples.items():
        here = place.loc[list(of_species.names)]
        kept = np.ones(len(here), dtype=bool)
        if with_habitat:
            kept &= (here["habitat"] != "").to_numpy()
        if with_temperature:
            kept &= here["temperature_c"].notna().to_numpy()
        rng = context.rng("environment", species)
        told: dict[str, Any] = {"sites": int(kept.sum()), "left_out_without_habitat_or_temperature": int((~kept).sum())}
        account["environment"][species] = told
        rows = np.flatnonzero(kept)
        if len(rows) > MOST_SITES:
            told["left_out_for_speed"] = len(rows) - MOST_SITES
            account["warnings"].append(
                Said(
                    "{species}: the environment models take {taken} of {sites} sites, drawn at random.",
                    species=species,
                    taken=MOST_SITES,
                    sites=len(rows),
                )
            )
            rows = np.sort(rng.choice(rows, MOST_SITES, replace=False))
        if len(rows):
            easting, northing = of_species.places[rows, 0], of_species.places[rows, 1]
            tasks += divided(
                EnvironmentTask(
                    species,
                    of_species.traits,
                    easting,
                    northing,
                    of_species.count[rows],
                    of_species.total[rows],
                    tuple(here["habitat"].iloc[rows]) if with_habitat else None,
                    here["temperature_c"].to_numpy(dtype=np.float64)[rows] if with_temperature else None,
                    blocks_of(easting, northing, rng),
                    _paired_within_m(context),
                    context.study.scoring.confidence,
                    int(told.get("left_out_for_speed", 0)),
                )
            )
    return tasks


def write_environment(context: Context, tasks: Sequence[EnvironmentTask], results: Sequence[EnvironmentResult]) -> None:
    """Write the tables."""
    parts = [environment_rows(task, result) for task, result in zip(tasks, results, strict=True)]
    for position, (name, columns) in enumerate(ENVIRONMENT_TABLES.items()):
        write_table(context.path(name), joined([part[position] for part in parts], columns), columns)


def _paired_within_m(context: Context) -> float:
    habitat = context.study.habitat
    return habitat.paired_within_m if habitat is not None else float(Habitat.model_fields["paired_within_m"].default)
