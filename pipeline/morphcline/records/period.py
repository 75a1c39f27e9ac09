"""When a survey was made, and which dates can't be right."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray


def in_future(accepted: pd.DataFrame, flagged: pd.DataFrame) -> NDArray[np.bool_]:
    """Tell which observations carry a date that had not come yet when they were read in.

    Parameters
    ----------
    accepted, flagged : DataFrame
        ``accepted.csv`` and ``flagged.csv``; a flag stands on the first row alone of those it concerns, and a date that
        lies in the future does so wherever it is written.
    """
    dates = flagged.loc[flagged["flag_code"] == "date-in-future", "date"]
    mask: NDArray[np.bool_] = accepted["date"].isin(set(dates)).to_numpy(dtype=bool)
    return mask


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
    used = (accepted["survey"] == "") & accepted["counted"].astype(bool) & ~in_future(accepted, flagged)
    years: pd.Series = accepted.loc[used, "year"].astype(float)
    return years
