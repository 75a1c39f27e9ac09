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


def bounds_about(longitude: NDArray[np.float64], latitude: NDArray[np.float64], margin_deg: float) -> Bounds:
    """Return the bounds of places in degrees, widened a little; west is greater than east across the antimeridian.

    Parameters
    ----------
    longitude, latitude : arrays, shape (n,)
        At least one, all finite.
    margin_deg : float
    """
    west, east = float(longitude.min()), float(longitude.max())
    south, north = max(-90.0, float(latitude.min()) - margin_deg), min(90.0, float(latitude.max()) + margin_deg)
    turned = longitude % 360.0
    if east - west > 180.0 > np.ptp(turned):
        return wrapped(float(turned.min()) - margin_deg), south, wrapped(float(turned.max()) + margin_deg), north
    return max(-180.0, west - margin_deg), south, min(180.0, east + margin_deg), north


def wrapped(longitude: float) -> float:
    """Return a longitude between -180 and 180."""
    return (longitude + 180.0) % 360.0 - 180.0


def unwrapped(bounds: Bounds) -> Bounds:
    """Return bounds in degrees with an east that is greater than the west, beyond 180 if need be."""
    west, south, east, north = bounds
    return west, south, east if east >= west else east + 360.0, north


def looks_swapped(first: ArrayLike, second: ArrayLike, bounds: Bounds, *, margin: float = 0.0) -> NDArray[np.bool_]:
    """Tell which points lie outside the bounds but would lie inside with their coordinates exchanged."""
    as_given = within_bounds(first, second, bounds, margin=margin)
    return np.logical_and(~as_given, within_bounds(second, first, bounds, margin=margin))


def is_zero(first: ArrayLike, second: ArrayLike) -> NDArray[np.bool_]:
    """Tell which points are at (0, 0): what an empty cell or a failed fix often turns into."""
    return np.logical_and(np.equal(first, 0.0), np.equal(second, 0.0))


def extent(bounds: Bounds) -> float:
    """Return width times height of bounds in degrees, whether or not they cross the antimeridian."""
    west, south, east, north = unwrapped(bounds)
    return (east - west) * (north - south)
