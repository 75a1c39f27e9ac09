"""The package's own tables: tidy CSV, UTF-8, the same bytes for the same numbers."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from morphcline.files.atomic import whole_file

#: Columns that stay text whatever they look like: ``00300`` is a formula and ``012`` a site.
TEXT = (
    "source", "survey", "site", "visit", "date", "species", "trait", "qualifier", "lip", "colour", "banding",
    "band_class", "age", "condition", "habitat", "habitat_noted", "recorder", "note", "grid_reference", "crs",
    "reason_code", "reason", "flag_code", "flag", "mended", "not_counted_because", "model", "term", "group", "pair",
    "earlier_site", "nearest_site", "earlier_survey", "not_tested_because", "transformation", "sources",
    "row_as_it_came", "recorded_as", "visit_used", "not_estimated_because", "not_fitted_because",
    "not_smoothed_because", "not_measured_because", "other_trait", "reference", "method",
    "second_species", "second_trait", "second_model", "parameter", "not_compared_because", "drawn",
    "not_drawn_because", "transect",
    "direction", "limits_left_open", "locus", "allele", "noted", "raster",
    "district", "rho_of", "not_told_because",
)  # fmt: skip


def write_table(path: Path, table: pd.DataFrame, columns: Mapping[str, str] | None = None) -> None:
    """Write a table whole.

    Parameters
    ----------
    path : Path
    table : DataFrame
        Its index is not written.
    columns : mapping, optional
        The declared columns: exactly these are written, in this order.

    Raises
    ------
    KeyError
        When the table lacks a declared column: a mistake of ours, not of the user's.
    """
    if columns is not None:
        table = table[list(columns)]
    with whole_file(path) as temporary:
        table.to_csv(temporary, index=False, encoding="utf-8", lineterminator="\n", float_format="%.12g")


def read_table(path: Path) -> pd.DataFrame:
    """Read a table that :func:`write_table` wrote; empty cells are missing, in text columns empty text."""
    header = pd.read_csv(path, nrows=0, encoding="utf-8").columns
    text = {name: str for name in header if name in TEXT}
    return pd.read_csv(path, dtype=text, keep_default_na=False, na_values={n: [""] for n in header if n not in TEXT})
