"""The part of the stage of clines that compares with earlier surveys."""

from __future__ import annotations

import pandas as pd
from threadpoolctl import threadpool_limits

from morphcline.files.tables import read_table, write_table
from morphcline.language import Said
from morphcline.records.change_table import (
    CHANGE_COLUMNS,
    RADIUS_COLUMNS,
    UNMATCHED_COLUMNS,
    Surveys,
    change_tables,
)
from morphcline.records.told_distances import told_change
from morphcline.stages.base import Account, Context


def write_change(
    context: Context, frequencies: pd.DataFrame, regional: pd.DataFrame, sites: pd.DataFrame, account: Account
) -> None:
    study = context.study
    earlier_sites, earlier = (
        read_table(context.path(f"{name}.csv"))
        for name in ("private/tables/earlier_sites", "tables/earlier_frequencies")
    )
    with threadpool_limits(limits=1):
        tables = change_tables(
            Surveys(sites, frequencies, earlier_sites, earlier, regional),
            study.scoring.species,
            within_m=study.change.within_m,
            confidence=study.scoring.confidence,
        )
    tables = told_change(tables, within_m=study.change.within_m, step_m=study.publish.coarsest_m)
    for name, table, columns in (
        ("change", tables.change, CHANGE_COLUMNS),
        ("change_radius", tables.radius, RADIUS_COLUMNS),
        ("change_unmatched", tables.unmatched, UNMATCHED_COLUMNS),
    ):
        write_table(context.path(f"tables/{name}.csv"), table, columns)
    account["change"] = {"within_m": study.change.within_m, "surveys": tables.paired}
    account["warnings"] += [
        Said(
            "{species}: none of {sites} sites of the survey {survey} lies within {within} m of a present one, so no "
            "change is computed; see [change] within_m.",
            species=str(row["species"]),
            sites=int(row["earlier_sites"]),
            survey=str(row["earlier_survey"]),
            within=study.change.within_m,
        )
        for row in tables.paired
        if not row["paired"]
    ]
