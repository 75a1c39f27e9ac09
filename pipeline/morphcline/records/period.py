"""When a survey was made."""

from __future__ import annotations

import pandas as pd


def survey_years(accepted: pd.DataFrame, flagged: pd.DataFrame) -> pd.Series:
    """Return the years of the shells that count in the main survey, leaving out dates that lie in the future.

    Parameters
    ----------
    accepted, flagged : DataFrame
        ``accepted.csv`` and ``flagged.csv``.

    Returns
    -------
    Series of float
        Missing where a record has no date.
    """
    doubtful = flagged.loc[flagged["flag_code"] == "date-in-future", ["source", "row"]].assign(doubtful=True)
    marked = accepted.merge(doubtful.drop_duplicates(), how="left", on=["source", "row"])
    used = (marked["survey"] == "") & marked["counted"].astype(bool) & marked["doubtful"].isna()
    years: pd.Series = marked.loc[used, "year"].astype(float)
    return years
