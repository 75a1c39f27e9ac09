"""Read rasters at sites: the value at a point, between cell centres, or over a circle; only the cells concerned."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS

from morphcline.files._raster_band import (
    OUTSIDE,
    VALID,
    Band,
    RasterInfo,
    bands_by_year,
    describe_raster,
    in_tiles,
    open_band,
)
from morphcline.files._raster_circles import CellShares, circles, class_codes, covered_cells, shares_of

__all__ = [
    "CellShares",
    "ClassesNear",
    "RasterInfo",
    "Sampled",
    "bands_by_year",
    "bilinear",
    "class_at",
    "classes_near",
    "describe_raster",
    "examine",
    "mean_within",
    "sample",
    "shares_of_rings",
    "shares_within",
]

#: Discs wider than so many cells are looked at through every second, third, ... cell when only codes are asked for.
_WIDEST = 1024


@dataclass(frozen=True)
class Sampled:
    """A number for each point.

    Attributes
    ----------
    value : array, shape (n,)
        NaN where there is none.
    outside, nodata : arrays of bool, shape (n,)
        Why there is none: the point lies off the raster, or the raster holds nothing there.
    """

    value: NDArray[np.float64]
    outside: NDArray[np.bool_]
    nodata: NDArray[np.bool_]

    @property
    def counts(self) -> dict[str, int]:
        """How many points have a value, lie where there is none, and lie off the raster."""
        return {
            "inside": int(np.isfinite(self.value).sum()),
            "nodata": int(self.nodata.sum()),
            "outside": int(self.outside.sum()),
        }


@dataclass(frozen=True)
class ClassesNear:
    """Which codes a place may lie in, given how well it is known.

    Attributes
    ----------
    at_point : int or None
        None off the raster and where it holds nothing.
    within : dict of int to float
        Share of the cells that the circle touches, by code; a code that is absent here can't be the place's.
    missing : float
        Share of them without a code.
    """

    at_point: int | None
    within: dict[int, float]
    missing: float


def examine(path: Path, band: int = 1, *, shown: str = "") -> RasterInfo:
    """Return what a raster says of itself once the band is known to be readable; errors as :func:`sample`."""
    with open_band(path, band, shown=shown) as source:
        source.read(0, 0, 1, 1)
    return describe_raster(path, shown=shown)


def sample(
    path: Path, band: int, easting: ArrayLike, northing: ArrayLike, *, crs: str | CRS, shown: str = ""
) -> Sampled:
    """Return the value of the cell that holds each point.

    Parameters
    ----------
    path : Path
    band : int
        Counted from 1.
    easting, northing : array_like, shape (n,)
        In ``crs`` (longitude, latitude when that is geographic); moved to the raster's CRS.
    crs : str or CRS
    shown : str
        The file as the user wrote it, for the sentence of an error.

    Returns
    -------
    Sampled
        With the band's scale and offset applied.

    Raises
    ------
    SourceError
        As :func:`morphcline.files.rasters.describe_raster`, and when there is no transformation to the raster's CRS.
    """
    with open_band(path, band, shown=shown) as source:
        column, row = _placed(source, easting, northing, crs)
        values = np.full(column.shape, np.nan)
        inside = source.inside(column, row)
        for points in in_tiles(np.where(inside, column, np.nan), row):
            cell_row, cell_column = np.floor(row[points]).astype(int), np.floor(column[points]).astype(int)
            top, left = cell_row.min(), cell_column.min()
            patch = source.read(top, left, np.ptp(cell_row) + 1, np.ptp(cell_column) + 1)
            values[points] = patch.values[cell_row - top, cell_column - left]
    return Sampled(values, ~inside, inside & np.isnan(values))


def class_at(
    path: Path, band: int, easting: ArrayLike, northing: ArrayLike, *, crs: str | CRS, shown: str = ""
) -> list[CellShares]:
    """Return the code of the cell that holds each point, as the share 1 of a circle without radius.

    Parameters and errors as in :func:`shares_within`, which needs a radius.
    """
    found = sample(path, band, easting, northing, crs=crs, shown=shown)
    with open_band(path, band, shown=shown) as source:
        class_codes(source, found.value[np.isfinite(found.value)])
    return [
        CellShares({int(code): 1.0} if np.isfinite(code) else {}, float(nodata), float(outside))
        for code, nodata, outside in zip(found.value, found.nodata, found.outside, strict=True)
    ]


def bilinear(
    path: Path, band: int, easting: ArrayLike, northing: ArrayLike, *, crs: str | CRS, shown: str = ""
) -> Sampled:
    """Return the value at each point, interpolated between the centres of the four nearest cells.

    A point has a value when its own cell has one. Neighbours that hold nothing or lie off the raster are left out and
    the weights of the others raised to make one, so that along the edge the outermost cells carry on.

    Parameters and errors as in :func:`sample`.
    """
    with open_band(path, band, shown=shown) as source:
        column, row = _placed(source, easting, northing, crs)
        values = np.full(column.shape, np.nan)
        inside = source.inside(column, row)
        for points in in_tiles(np.where(inside, column, np.nan), row):
            values[points] = _interpolate(source, column[points], row[points])
    return Sampled(values, ~inside, inside & np.isnan(values))


def _interpolate(source: Band, column: NDArray[np.float64], row: NDArray[np.float64]) -> NDArray[np.float64]:
    before_row, before_column = np.floor(row - 0.5).astype(int), np.floor(column - 0.5).astype(int)
    top, left = before_row.min(), before_column.min()
    patch = source.read(top, left, np.ptp(before_row) + 2, np.ptp(before_column) + 2)
    down, across = row - 0.5 - before_row, column - 0.5 - before_column
    total, weight_sum = np.zeros(row.shape), np.zeros(row.shape)
    for step_down in (0, 1):
        for step_across in (0, 1):
            weight = np.where(step_down, down, 1 - down) * np.where(step_across, across, 1 - across)
            found = patch.values[before_row - top + step_down, before_column - left + step_across]
            has_value = np.isfinite(found)
            total += np.where(has_value, found * weight, 0.0)
            weight_sum += np.where(has_value, weight, 0.0)
    own = patch.values[np.floor(row).astype(int) - top, np.floor(column).astype(int) - left]
    known = np.isfinite(own) & (weight_sum > 0)
    return np.where(known, total / np.where(known, weight_sum, 1.0), np.nan)


def mean_within(
    path: Path,
    band: int,
    easting: ArrayLike,
    northing: ArrayLike,
    *,
    crs: str | CRS,
    radius_m: float,
    shown: str = "",
) -> Sampled:
    """Return the mean over a circle round each point, cells weighted by how much of them it covers.

    Missing unless at least half the circle has values. Parameters as in :func:`shares_within`.
    """
    with open_band(path, band, shown=shown) as source:
        easting, northing = _as_arrays(easting, northing)
        rings = circles(source, easting, northing, crs, radius_m)
        values = np.full(len(rings), np.nan)
        outside = np.ones(len(rings), dtype=np.bool_)
        for points, patch, covered in covered_cells(source, rings):
            for point, (cells, coverage) in zip(points, covered, strict=True):
                weight = np.bincount(patch.state.ravel()[cells], coverage, minlength=3)
                outside[point] = weight[OUTSIDE] > 0.5 * weight.sum()
                if weight[VALID] >= 0.5 * weight.sum():
                    found = patch.values.ravel()[cells]
                    valid = np.isfinite(found)
                    values[point] = found[valid] @ coverage[valid] / weight[VALID]
    missing = np.isnan(values)
    return Sampled(values, missing & outside, missing & ~outside)


def shares_within(
    path: Path,
    band: int,
    easting: ArrayLike,
    northing: ArrayLike,
    *,
    crs: str | CRS,
    radius_m: float,
    shown: str = "",
) -> list[CellShares]:
    """Return how a circle round each point is shared among a raster's codes, cells counted by how much it covers.

    Parameters
    ----------
    path, band, easting, northing, crs, shown
        As in :func:`sample`.
    radius_m : float
        Greater than 0, in metres of ``crs``, which must be projected: the circle is drawn there and its edge moved to
        the raster's CRS.

    Returns
    -------
    list of CellShares
        In the points' order.

    Raises
    ------
    SourceError
        As in :func:`sample`, and when a cell within reach holds no whole number.

    Notes
    -----
    Coverage is exact for a polygon of 96 corners with the circle's area; the share of a class whose boundary crosses
    the circle is off by less than 0.001.
    """
    with open_band(path, band, shown=shown) as source:
        easting, northing = _as_arrays(easting, northing)
        return shares_of(source, circles(source, easting, northing, crs, radius_m))


def shares_of_rings(
    path: Path, band: int, rings: list[NDArray[np.float64]], *, crs: str | CRS, shown: str = ""
) -> list[CellShares]:
    """Return how polygons are shared among a raster's codes.

    Parameters
    ----------
    rings : list of arrays, shape (corners, 2)
        Eastings and northings of each outer ring in ``crs``. Edges stay straight in the raster's CRS.

    Other parameters and errors as in :func:`shares_within`.
    """
    with open_band(path, band, shown=shown) as source:
        moved = []
        for ring in rings:
            column, row = _placed(source, ring[:, 0], ring[:, 1], crs)
            moved.append(np.column_stack([column, row]))
        return shares_of(source, moved)


def classes_near(
    path: Path,
    band: int,
    easting: ArrayLike,
    northing: ArrayLike,
    *,
    crs: str | CRS,
    radius_m: ArrayLike,
    shown: str = "",
) -> list[ClassesNear]:
    """Return the codes that a place may lie in: those of every cell that its circle of uncertainty touches.

    Parameters
    ----------
    path, band, easting, northing, shown
        As in :func:`sample`.
    crs : str or CRS
        Projected, in metres.
    radius_m : array_like, scalar or shape (n,)
        NaN counts as 0: the point's own cell.

    Returns
    -------
    list of ClassesNear

    Notes
    -----
    A circle wider than 1024 cells is looked at through every second, third, ... cell, so a class that covers only a
    few of its million cells may be missed. Raises as :func:`shares_within`.
    """
    with open_band(path, band, shown=shown) as source:
        easting, northing = _as_arrays(easting, northing)
        radius = np.broadcast_to(np.nan_to_num(np.asarray(radius_m, dtype=np.float64)), easting.shape)
        move = source.transformation(crs, easting, northing)
        column, row = source.cell_coordinates(move, easting, northing)
        step = 10.0  # metres, over which any projection is straight
        east = source.cell_coordinates(move, easting + step, northing)
        north = source.cell_coordinates(move, easting, northing + step)
        found = [ClassesNear(None, {}, 1.0)] * easting.size
        for points in in_tiles(column, row):
            for point in points:
                to_cells = np.array(
                    [
                        [east[0][point] - column[point], north[0][point] - column[point]],
                        [east[1][point] - row[point], north[1][point] - row[point]],
                    ]
                )
                if np.isfinite(to_cells).all():
                    found[point] = _near(source, column[point], row[point], to_cells / step, radius[point])
    return found


def _near(source: Band, column: float, row: float, to_cells: NDArray[np.float64], radius_m: float) -> ClassesNear:
    reach_column, reach_row = radius_m * np.hypot(to_cells[:, 0], to_cells[:, 1])
    stride = max(1, math.ceil(2 * max(reach_column, reach_row) / _WIDEST))
    left, top = math.floor(column - reach_column), math.floor(row - reach_row)
    columns = (math.floor(column + reach_column) - left) // stride + 1
    rows = (math.floor(row + reach_row) - top) // stride + 1
    patch = source.read(top, left, rows, columns, stride=stride)
    cell_left, cell_top = left + stride * np.arange(columns), top + stride * np.arange(rows)
    across = np.clip(column, cell_left, cell_left + stride) - column
    down = np.clip(row, cell_top, cell_top + stride) - row
    to_metres = np.linalg.inv(to_cells)
    distance = np.hypot(
        to_metres[0, 0] * across[None, :] + to_metres[0, 1] * down[:, None],
        to_metres[1, 0] * across[None, :] + to_metres[1, 1] * down[:, None],
    )
    touched = distance <= radius_m
    codes, counts = np.unique(class_codes(source, patch.values[touched & (patch.state == VALID)]), return_counts=True)
    if stride == 1:
        own = patch.values[math.floor(row) - top, math.floor(column) - left]
    else:
        own = source.read(math.floor(row), math.floor(column), 1, 1).values[0, 0]
    at_point = int(class_codes(source, np.array([own]))[0]) if np.isfinite(own) else None
    total = int(touched.sum())
    within = {int(code): count / total for code, count in zip(codes, counts.tolist(), strict=True)}
    return ClassesNear(at_point, within, 1.0 - int(counts.sum()) / total)


def _placed(
    source: Band, easting: ArrayLike, northing: ArrayLike, crs: str | CRS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    easting, northing = _as_arrays(easting, northing)
    return source.cell_coordinates(source.transformation(crs, easting, northing), easting, northing)


def _as_arrays(easting: ArrayLike, northing: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return np.atleast_1d(np.asarray(easting, dtype=np.float64)), np.atleast_1d(np.asarray(northing, dtype=np.float64))
