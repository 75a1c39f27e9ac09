"""A square lattice of points over an area, coarser than its raster, and how cells lie between its points."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Lattice:
    """Points in rows from the south and columns from the west.

    Parameters
    ----------
    left, bottom : float
        Easting and northing of the first point.
    step_m : float
    rows, columns : int
    """

    left: float
    bottom: float
    step_m: float
    rows: int
    columns: int

    @classmethod
    def over(cls, west: float, south: float, east: float, north: float, *, step_m: float) -> Lattice:
        """Return a lattice whose points lie at whole multiples of the step and enclose an extent."""
        column, row = np.floor(west / step_m), np.floor(south / step_m)
        columns, rows = np.ceil(east / step_m) - column + 1, np.ceil(north / step_m) - row + 1
        return cls(float(column * step_m), float(row * step_m), step_m, max(int(rows), 2), max(int(columns), 2))

    def points(self) -> Floats:
        """Return easting and northing of every point, (rows x columns, 2), row by row."""
        easting = self.left + self.step_m * np.arange(self.columns)
        northing = self.bottom + self.step_m * np.arange(self.rows)
        return np.stack(np.meshgrid(easting, northing), axis=-1).reshape(-1, 2)

    def around(self, easting: ArrayLike, northing: ArrayLike) -> tuple[NDArray[np.intp], Floats]:
        """Return the four points around each place and their bilinear weights, both (places, 4).

        Parameters
        ----------
        easting, northing : array_like, shape (places,)
            Within the lattice.
        """
        across = (np.asarray(easting, dtype=np.float64) - self.left) / self.step_m
        up = (np.asarray(northing, dtype=np.float64) - self.bottom) / self.step_m
        column = np.clip(np.floor(across).astype(np.intp), 0, self.columns - 2)
        row = np.clip(np.floor(up).astype(np.intp), 0, self.rows - 2)
        east, north = across - column, up - row
        first = row * self.columns + column
        index = np.stack([first, first + 1, first + self.columns, first + self.columns + 1], axis=1)
        weight = np.stack(
            [(1 - east) * (1 - north), east * (1 - north), (1 - east) * north, east * north], axis=1
        ).astype(np.float64)
        return index, weight


def between(values: Floats, index: NDArray[np.intp], weight: Floats) -> Floats:
    """Return values between lattice points: the weighted mean of those of the four that are known.

    Parameters
    ----------
    values : array (points, ...)
        NaN where not known.
    index, weight : array (places, 4)
        As :meth:`Lattice.around` gives them.

    Returns
    -------
    array (places, ...)
        NaN where points with a value make up less than half of the weight. A mean never exceeds the largest of the
        four, so that a place between points that pass no limit passes none.
    """
    corners = values[index]
    shares = weight.reshape(*weight.shape, *(1,) * (corners.ndim - 2))
    known = np.isfinite(corners)
    whole = np.sum(np.where(known, shares, 0.0), axis=1)
    summed = np.sum(np.where(known, shares * np.nan_to_num(corners), 0.0), axis=1)
    mean: Floats = np.divide(summed, whole, out=np.full(summed.shape, np.nan), where=whole >= 0.5)
    return mean
