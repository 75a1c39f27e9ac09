"""The part of the stage of autocorrelation that asks whether sites differ more the farther apart they lie."""

from __future__ import annotations

import pandas as pd

from morphcline.files.tables import write_table
from morphcline.records.isolation_tables import ISOLATION, ISOLATION_BINS, isolation_rows, isolation_tasks
from morphcline.records.stacking import framed
from morphcline.stages.base import Context

COLUMNS = {"tables/isolation.csv": ISOLATION, "tables/isolation_bins.csv": ISOLATION_BINS}


def write_isolation(context: Context, enough: pd.DataFrame, sites: pd.DataFrame) -> None:
    """Write both tables from the samples that are large enough and the places of the sites."""
    study = context.study
    tasks = [
        task
        for species in study.scoring.species
        for task in isolation_tasks(
            species,
            enough[enough["species"] == species],
            sites,
            permutations=study.autocorrelation.permutations,
            confidence=study.scoring.confidence,
            rng=context.rng("isolation", species),
        )
    ]
    context.tick(0, len(tasks), "isolation by distance")
    found = context.workers.map(isolation_rows, tasks)
    context.tick(len(tasks), len(tasks), "isolation by distance")
    rows, bins = ([row for part in found for row in part[which]] for which in (0, 1))
    write_table(context.path("tables/isolation.csv"), framed(rows, ISOLATION), ISOLATION)
    write_table(context.path("tables/isolation_bins.csv"), framed(bins, ISOLATION_BINS), ISOLATION_BINS)
