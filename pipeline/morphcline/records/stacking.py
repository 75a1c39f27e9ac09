"""Rows to frames with the columns of a table, and frames one below the other."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pandas as pd


def joined(tables: Sequence[pd.DataFrame], columns: Iterable[str]) -> pd.DataFrame:
    """Return tables one below the other; with none, the header alone."""
    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame(columns=list(columns))


def framed(rows: Iterable[dict[str, object]], columns: Iterable[str]) -> pd.DataFrame:
    """Return rows as a frame with the columns given, in their order."""
    return pd.DataFrame(list(rows), columns=list(columns))


def in_study_order(
    parts: Sequence[pd.DataFrame], columns: Iterable[str], species: Sequence[str], *, by_site: bool = True
) -> pd.DataFrame:
    """Return parts as one table: species in the study's order, then sites, then as the parts came."""
    table = joined(parts, columns)
    order = table["species"].map({name: place for place, name in enumerate(species)})
    keys = ["_order", "site"] if by_site else ["_order"]
    return table.assign(_order=order).sort_values(keys, kind="stable", ignore_index=True).drop(columns="_order")
