"""When a survey was made, and which dates can't be right."""

from __future__ import annotations

import calendar

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


def survey_days(accepted: pd.DataFrame, flagged: pd.DataFrame) -> tuple[str, str] | None:
    """Return the first and the last day that the dates of the main survey's counted shells can mean.

    Parameters
    ----------
    accepted, flagged : DataFrame
        ``accepted.csv`` and ``flagged.csv``.

    Returns
    -------
    tuple of str or None
        ISO 8601 days; None when no record has a date. Dates that lie in the future are left out.
    """
    used = (accepted["survey"] == "") & accepted["counted"].astype(bool) & ~in_future(accepted, flagged)
    dates = [date for date in accepted.loc[used, "date"].unique() if date]
    if not dates:
        return None
    return min(first_day(date) for date in dates), max(last_day(date) for date in dates)


def first_day(date: str) -> str:
    """Return the first day that a date as precise as given can mean.

    Parameters
    ----------
    date : str
        ``YYYY``, ``YYYY-MM``, ``YYYY-MM-DD``, or two of them joined by ``/``.

    Examples
    --------
    >>> first_day("2024-05"), first_day("2023/2024-02-03")
    ('2024-05-01', '2023-01-01')
    """
    year, month, day = (*date.partition("/")[0].split("-"), "01", "01")[:3]
    return f"{year}-{month}-{day}"


def last_day(date: str) -> str:
    """Return the last day that a date as precise as given can mean.

    Examples
    --------
    >>> last_day("2024"), last_day("2023/2024-02")
    ('2024-12-31', '2024-02-29')
    """
    parts = date.rpartition("/")[2].split("-")
    year, month = int(parts[0]), int(parts[1]) if len(parts) > 1 else 12
    day = int(parts[2]) if len(parts) > 2 else calendar.monthrange(year, month)[1]
    return f"{year:04}-{month:02}-{day:02}"
