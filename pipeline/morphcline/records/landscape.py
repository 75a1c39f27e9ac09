"""Sum up a site's records, and name what rasters say of it: plain frames and arrays, no files."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.scoring.species import slug

#: The class of raster codes that the study doesn't list.
UNLISTED = "unlisted"

#: Least part of a circle that must have a code for its habitat to be named.
LEAST_KNOWN = 0.5

_FREEZING_KELVIN = 273.15


@dataclass(frozen=True)
class HabitatOfSites:
    """What the habitat raster says of each site.

    Parameters
    ----------
    habitat : array of str, shape (n,)
        The class of land with the largest share; ``""`` where less than half of the circle has a code.
    share : array, shape (n,)
        Its share; NaN where there is none.
    shares : DataFrame, n rows
        A column for each class found at any site, in the study's order, then unlisted codes.
    unlisted : dict of int to int
        Codes the study doesn't list, and at how many sites they were found.
    """

    habitat: NDArray[np.object_]
    share: NDArray[np.float64]
    shares: pd.DataFrame
    unlisted: dict[int, int]


def name_classes(
    shares: Sequence[Mapping[int, float]], classes: Mapping[int, str], *, water: Sequence[str] = ()
) -> HabitatOfSites:
    """Turn shares by raster code into shares by class.

    Parameters
    ----------
    shares : sequence of mapping, length n
        For each site, code to share of its circle; what is left to 1 has no code.
    classes : mapping
        Code to class name; several codes may share one. Empty: each code is a class, ``"code 7"``.
    water : sequence of str
        Classes in which no snail lives: a site on a bank has the habitat of the land round it, however much of the
        circle is water.

    Returns
    -------
    HabitatOfSites
        Of two classes with the same share the one named first in ``classes`` wins.
    """
    codes = sorted({code for site in shares for code in site})
    name_of = {code: classes.get(code, UNLISTED) if classes else f"code {code}" for code in codes}
    order = [*dict.fromkeys(classes.values()), *(name_of[code] for code in codes if code not in classes)]
    found = set(name_of.values())
    names = [name for name in dict.fromkeys(order) if name in found]
    matrix = np.zeros((len(shares), len(names)))
    unlisted: dict[int, int] = {}
    for row, site in enumerate(shares):
        for code, share in site.items():
            matrix[row, names.index(name_of[code])] += share
            if classes and code not in classes:
                unlisted[code] = unlisted.get(code, 0) + 1
    land = np.where(np.isin(names, water), 0.0, matrix)
    known = (matrix.sum(axis=1) >= LEAST_KNOWN) & (land.sum(axis=1) > 0)
    habitat = np.full(len(shares), "", dtype=object)
    largest_share = np.full(len(shares), np.nan)
    if names:
        largest = land.argmax(axis=1)
        habitat[known] = np.array(names, dtype=object)[largest[known]]
        largest_share[known] = land.max(axis=1)[known]
    table = pd.DataFrame(matrix, columns=[share_column(name) for name in names])
    return HabitatOfSites(habitat, largest_share, table, dict(sorted(unlisted.items())))


def share_column(name: str) -> str:
    """Return the column that holds the share of a class."""
    return f"share_{slug(name, '_')}"


def count_records(records: pd.DataFrame, understood: Callable[[str], str]) -> pd.DataFrame:
    """Return what the records say of each site.

    Parameters
    ----------
    records : DataFrame
        Accepted records: survey, site, visit, date, count, counted, habitat, in the order they came.
    understood : callable
        Recorder's note to habitat class, or ``""``.

    Returns
    -------
    DataFrame
        Index survey, site. ``shells``: counted adult shells; ``samples``: different visits; ``seen_not_counted``:
        shells that enter no frequency; ``habitat_noted``: the class noted on most visits, the latest of two noted
        equally often.
    """
    counted = records["counted"].astype(bool)
    number = records["count"].fillna(0)
    occasion = records["visit"].where(records["visit"] != "", records["date"])
    frame = records.assign(
        shells=number.where(counted, 0),
        seen_not_counted=number.where(~counted, 0),
        occasion=occasion,
        class_noted=records["habitat"].map({note: understood(note) for note in records["habitat"].unique()}),
    )
    by_site = frame.groupby(["survey", "site"], sort=True)
    table = by_site.agg(
        shells=("shells", "sum"), samples=("occasion", "nunique"), seen_not_counted=("seen_not_counted", "sum")
    ).astype(int)
    table["habitat_noted"] = _most_noted(frame).reindex(table.index).fillna("")
    return table


def _most_noted(frame: pd.DataFrame) -> pd.Series[str]:
    noted = frame[frame["class_noted"] != ""]
    visits = (
        noted.groupby(["survey", "site", "class_noted"])
        .agg(times=("occasion", "nunique"), latest=("date", "max"))
        .reset_index()
        .sort_values(["times", "latest", "class_noted"], kind="stable")
    )
    return visits.groupby(["survey", "site"])["class_noted"].last()


def years_of_sites(records: pd.DataFrame, *, latest: bool) -> dict[tuple[str, str], list[int]]:
    """Return the years that stand for each (survey, site).

    Parameters
    ----------
    records : DataFrame
        survey, site, year, counted.
    latest : bool
        Only the last year with counted shells (with any record where none counts); otherwise every such year.
    """
    dated = records[records["year"].notna()]
    found: dict[tuple[str, str], list[int]] = {}
    for (survey, site), rows in dated.groupby(["survey", "site"], sort=True):
        kept = rows[rows["counted"].astype(bool)]
        years = sorted({int(year) for year in (rows if kept.empty else kept)["year"]})
        found[str(survey), str(site)] = years[-1:] if latest else years
    return found


def to_celsius(values: NDArray[np.float64], units: str) -> NDArray[np.float64]:
    """Return temperatures in degrees Celsius; ``units`` is celsius, kelvin or fahrenheit."""
    if units == "kelvin":
        return values - _FREEZING_KELVIN
    if units == "fahrenheit":
        return (values - 32.0) * 5.0 / 9.0
    return values.copy()


def agreement(noted: pd.Series[str], raster: pd.Series[str]) -> pd.DataFrame:
    """Return how often each noted class met each class of the raster: columns noted, raster, sites.

    Sites without a note are left out; an empty ``raster`` stands for sites where the raster says nothing.
    """
    pairs = pd.DataFrame({"noted": noted, "raster": raster})
    pairs = pairs[pairs["noted"] != ""]
    return pairs.groupby(["noted", "raster"], sort=True).size().rename("sites").reset_index()
