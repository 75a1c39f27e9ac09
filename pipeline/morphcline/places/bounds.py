"""Judge bare coordinates against bounds: inside, exchanged, or nothing at all."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: West, south, east, north: degrees where they bound longitudes and latitudes, else the CRS's own units.
Bounds: TypeAlias = tuple[float, float, float, float]


def within_bounds(first: ArrayLike, second: ArrayLike, bounds: Bounds, *, margin: float = 0.0) -> NDArray[np.bool_]:
    """Tell which points lie within bounds widened by a margin, all in the same units.

    Bounds whose west is greater than their east cross the antimeridian.
    """
    easting, northing = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    west, south, east, north = bounds
    west, south, east, north = west - margin, south - margin, east + margin, north + margin
    if bounds[0] <= bounds[2]:
        columns = np.logical_and(easting >= west, easting <= east)
    else:
        columns = np.logical_or(easting >= west, easting <= east)
    inside: NDArray[np.bool_] = columns & (northing >= south) & (northing <= north)
    return inside


def looks_swapped(first: ArrayLike, second: ArrayLike, bounds: Bounds, *, margin: float = 0.0) -> NDArray[np.bool_]:
    """Tell which points lie outside the bounds but would lie inside with their coordinates exchanged."""
    as_given = within_bounds(first, second, bounds, margin=margin)
    return np.logical_and(~as_given, within_bounds(second, first, bounds, margin=margin))


def is_zero(first: ArrayLike, second: ArrayLike) -> NDArray[np.bool_]:
    """Tell which points are at (0, 0): what an empty cell or a failed fix often turns into."""
    return np.logical_and(np.equal(first, 0.0), np.equal(second, 0.0))


def extent(bounds: Bounds) -> float:
    """Return width times height of bounds in degrees, whether or not they cross the antimeridian."""
    width = bounds[2] - bounds[0]
    return (width if width >= 0 else width + 360.0) * (bounds[3] - bounds[1])
