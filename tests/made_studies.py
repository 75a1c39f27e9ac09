"""Small studies made for a test: a study file, with accepted records or with the tables of the stages before."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from morphcline.files.tables import write_table
from morphcline.records.account import REJECTED_COLUMNS
from morphcline.stages.base import Account, Context, Stage
from morphcline.study import load_study
from morphcline.workers import Workers

NEMORALIS, HORTENSIS = "Cepaea nemoralis", "Cepaea hortensis"
#: A study of two species; sections may follow.
TWO_SPECIES = f"""
[study]
name = "orsel"
crs = "EPSG:2154"
seed = 7
[records]
path = "records.csv"
[scoring]
species = ["{NEMORALIS}", "{HORTENSIS}"]
"""

#: The columns of ``private/records/accepted.csv``.
ACCEPTED = (
    "source", "row", "survey", "site", "visit", "date", "year", "longitude", "latitude", "easting", "northing",
    "grid_reference", "crs", "x_m", "y_m", "position_uncertainty_m", "transformation", "species", "qualifier", "lip",
    "colour", "banding", "band_class", "count", "age", "condition", "habitat", "recorder", "note", "mended", "counted",
    "not_counted_because",
)  # fmt: skip
_USUAL: dict[str, Any] = {
    "source": "r.csv", "survey": "", "site": "a", "visit": "2025-06-01", "date": "2025-06-01", "year": 2025,
    "crs": "EPSG:2154", "x_m": 700_000.0, "y_m": 6_600_000.0, "position_uncertainty_m": 10.0,
    "transformation": "none needed", "species": "Cepaea nemoralis", "colour": "yellow", "band_class": "unbanded",
    "count": 1, "age": "adult", "condition": "live", "counted": True,
}  # fmt: skip


def accepted(*rows: dict[str, Any]) -> pd.DataFrame:
    """Return accepted records; what a row leaves out is usual or empty."""
    filled = [{"row": number, **_USUAL, **row} for number, row in enumerate(rows, start=2)]
    table = pd.DataFrame(filled).reindex(columns=list(ACCEPTED))
    text = [name for name in ACCEPTED if table[name].dtype.kind not in "fib"]
    return table.assign(**{name: table[name].astype(object).fillna("") for name in text})


def make_context(folder: Path, records: pd.DataFrame, settings: str = "", crs: str = "EPSG:2154") -> Context:
    """Write a study file and the records into a folder, and return what a stage is given."""
    file = folder / "study.toml"
    study, _, rest = settings.partition("---")
    file.write_text(f'[study]\nname = "made"\ncrs = "{crs}"\n{study}\n[records]\npath = "r.csv"\n{rest}\n', "utf-8")
    context = Context(load_study(file), folder / "out", Workers())
    write_table(context.path("private/records/accepted.csv"), records)
    write_table(context.path("private/records/flagged.csv"), records.iloc[:0].assign(flag_code="", flag=""))
    write_table(context.path("private/records/rejected.csv"), pd.DataFrame(columns=list(REJECTED_COLUMNS)))
    names = records[["survey", "site"]].drop_duplicates().assign(recorded_as=records["site"])
    write_table(context.path("private/tables/site_names.csv"), names)
    return context


def write_public_records(folder: Path, *dates: str) -> None:
    """Write the records as the public may see them, one a date and no flag: a survey's period is taken of them."""
    records = accepted(*({"date": date} for date in dates)) if dates else accepted({}).iloc[:0]
    write_table(folder / "records/accepted.csv", records)
    write_table(folder / "records/flagged.csv", records.iloc[:0].assign(flag_code="", flag=""))


def run_on_tables(
    stage: Stage, folder: Path, tables: Mapping[str, pd.DataFrame], study: str, *, processes: int = 1
) -> Account:
    """Write a study file and tables into a folder, run one stage there, and return its account, a plain one."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "study.toml").write_text(study, encoding="utf-8")
    for name, table in tables.items():
        home = "private/tables" if name in ("sites", "earlier_sites") else "tables"
        write_table(folder / f"{home}/{name}.csv", table)
        if name == "sites":  # nothing is hidden
            write_table(folder / "tables/sites.csv", table.assign(blur_m=0.0))
    account = stage.run(Context(load_study(folder / "study.toml"), folder, Workers(processes)))
    json.dumps(account, allow_nan=False)
    return account
