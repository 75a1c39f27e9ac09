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
