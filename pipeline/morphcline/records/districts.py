"""Which district each site lies in, and of which sites that can be told without giving their place away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry.base import BaseGeometry

#: Part of a site's square that must lie in its district for the two to be told together.
LEAST_PART = 0.25

COLUMN = {
    "district": "district of [[report.area]] in which the site's exact place lies; empty in none, and in the public "
    "table also where less than a quarter of the site's square lies in it: both together would tell the place too well"
}


@dataclass(frozen=True)
class District:
    """A part of the region with a report of its own.

    Parameters
    ----------
    name : str
    shape : polygon or multipolygon
        In the study's CRS.
    """

    name: str
    shape: BaseGeometry


def assign(easting: ArrayLike, northing: ArrayLike, districts: Sequence[District]) -> NDArray[np.str_]:
    """Return the name of the district that holds each place, empty in none.

    Parameters
    ----------
    easting, northing : array_like, shape (n,)
        Exact places in the study's CRS, in metres.
    districts : sequence of District
        Of a place on the border of two the first has it.
    """
    easting, northing = np.asarray(easting, dtype=np.float64), np.asarray(northing, dtype=np.float64)
    found = np.full(easting.shape, "", dtype=object)
    for district in districts:
        shapely.prepare(district.shape)
        inside = shapely.intersects_xy(district.shape, easting, northing)
        found[inside & (found == "")] = district.name
    return found.astype(str)


def tellable(
    assigned: ArrayLike, easting: ArrayLike, northing: ArrayLike, side_m: ArrayLike, districts: Sequence[District]
) -> NDArray[np.str_]:
    """Return the districts that may be told beside the squares in which sites are shown.

    Parameters
    ----------
    assigned : array_like of str, shape (n,)
        As :func:`assign` returns it.
    easting, northing : array_like, shape (n,)
        Centres of the squares; NaN where no place is told, and then no district is.
    side_m : array_like, shape (n,)
        Of the squares; 0 where the place is told.
    districts : sequence of District
    """
    assigned = np.asarray(assigned, dtype=str)
    easting, northing, side = (np.asarray(values, dtype=np.float64) for values in (easting, northing, side_m))
    known = np.isfinite(easting) & np.isfinite(northing) & np.isfinite(side)
    half = side / 2
    squares = shapely.box(easting - half, northing - half, easting + half, northing + half)
    told = np.where(known, assigned, "").astype(object)
    for district in districts:
        here = known & (assigned == district.name) & (side > 0)
        part = shapely.area(shapely.intersection(squares[here], district.shape)) / side[here] ** 2
        told[np.flatnonzero(here)[part < LEAST_PART]] = ""
    return told.astype(str)


def overlapping(districts: Sequence[District]) -> list[tuple[str, str, float]]:
    """Return pairs of districts that share an area, with its square metres; slivers along a border are let pass."""
    shapes = np.array([district.shape for district in districts], dtype=object)
    pairs = shapely.STRtree(shapes).query(shapes, predicate="intersects").T
    found = []
    for first, second in sorted((int(a), int(b)) for a, b in pairs if a < b):
        shared = float(shapely.area(shapely.intersection(shapes[first], shapes[second])))
        if shared > 1e-3 * min(shapely.area(shapes[first]), shapely.area(shapes[second])):
            found.append((districts[first].name, districts[second].name, shared))
    return found


def larger_squares(sites: pd.DataFrame, districts: Sequence[District]) -> dict[str, float]:
    """Return, for each district smaller than the largest square in which one of its sites is shown, that side."""
    found = {}
    for district in districts:
        sides = sites.loc[sites["district"] == district.name, "blur_m"].dropna()
        if len(sides) and float(sides.max()) ** 2 > float(shapely.area(district.shape)):
            found[district.name] = float(sides.max())
    return found
