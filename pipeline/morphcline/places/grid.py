"""The study's raster grid and its tiles, and squares that hide where a place is."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morphcline.places.bounds import Bounds


@dataclass(frozen=True)
class StudyGrid:
    """Square cells in the study's CRS, rows counted from the north.

    Parameters
    ----------
    left, top : float
        Easting and northing of the north-west corner, in metres.
    cell_m : float
        Side of a cell.
    rows, columns : int
    crs : str
    """

    left: float
    top: float
    cell_m: float
    rows: int
    columns: int
    crs: str

    @classmethod
    def from_extent(cls, west: float, south: float, east: float, north: float, *, cell_m: float, crs: str) -> StudyGrid:
        """Return the smallest grid that covers an extent, with edges at whole multiples of the cell.

        Parameters
        ----------
        west, south, east, north : float
            In metres of ``crs``, in the order of a shape's ``bounds``.
        cell_m : float
        crs : str

        Examples
        --------
        >>> StudyGrid.from_extent(120.0, 30.0, 380.0, 190.0, cell_m=100.0, crs="EPSG:2154")
        StudyGrid(left=100.0, top=200.0, cell_m=100.0, rows=2, columns=3, crs='EPSG:2154')
        """
        # Multiples, so that two studies with one cell size share their cells and a re-run with one site more does too.
        first_column, last_column = math.floor(west / cell_m), math.ceil(east / cell_m)
        first_row, last_row = math.floor(south / cell_m), math.ceil(north / cell_m)
        return cls(
            left=first_column * cell_m,
            top=last_row * cell_m,
            cell_m=cell_m,
            rows=max(last_row - first_row, 1),
            columns=max(last_column - first_column, 1),
            crs=crs,
        )

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rows, self.columns

    @property
    def bounds(self) -> Bounds:
        """West, south, east and north edge."""
        return (
            self.left,
            self.top - self.rows * self.cell_m,
            self.left + self.columns * self.cell_m,
            self.top,
        )

    @property
    def transform(self) -> tuple[float, float, float, float, float, float]:
        """The six coefficients from (column, row) to (easting, northing), in the order ``Affine`` takes them."""
        return (self.cell_m, 0.0, self.left, 0.0, -self.cell_m, self.top)

    def axes(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return eastings of the columns' centres (columns,) and northings of the rows' (rows,), from the north."""
        across = np.arange(self.columns, dtype=np.float64) + 0.5
        down = np.arange(self.rows, dtype=np.float64) + 0.5
        return self.left + across * self.cell_m, self.top - down * self.cell_m

    def centres(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return easting and northing of every cell's centre, each of shape (rows, columns)."""
        easting, northing = np.meshgrid(*self.axes())
        return easting, northing

    def tiles(self, side: int = 512) -> Iterator[Tile]:
        """Yield tiles of at most ``side`` x ``side`` cells that cover the grid without overlap, row by row."""
        for row in range(0, self.rows, side):
            for column in range(0, self.columns, side):
                rows, columns = min(side, self.rows - row), min(side, self.columns - column)
                grid = StudyGrid(
                    left=self.left + column * self.cell_m,
                    top=self.top - row * self.cell_m,
                    cell_m=self.cell_m,
                    rows=rows,
                    columns=columns,
                    crs=self.crs,
                )
                yield Tile(row, column, grid)


@dataclass(frozen=True)
class Tile:
    """A part of a grid.

    Parameters
    ----------
    row, column : int
        Of its north-west cell in the whole grid.
    grid : StudyGrid
        The part as a grid of its own.
    """

    row: int
    column: int
    grid: StudyGrid

    @property
    def slices(self) -> tuple[slice, slice]:
        """Where the tile goes in an array of the whole grid."""
        rows, columns = self.grid.shape
        return slice(self.row, self.row + rows), slice(self.column, self.column + columns)


def blur(easting: ArrayLike, northing: ArrayLike, side_m: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the centres of the squares that hold the points: what may be shown of a place that must not be found.

    Parameters
    ----------
    easting, northing : array_like, shape (n,)
        In metres.
    side_m : float
        Side of the squares, whose edges lie at whole multiples of it; 0 returns the points as they are.

    Notes
    -----
    Squares, not random shifts: the mean of many shifted copies would give the place away.

    Examples
    --------
    >>> blur([1234.0], [5678.0], 1000.0)
    (array([1500.]), array([5500.]))
    """
    first, second = (np.array(values, dtype=np.float64, ndmin=1) for values in (easting, northing))
    if side_m == 0:
        return first, second
    return (np.floor(first / side_m) + 0.5) * side_m, (np.floor(second / side_m) + 0.5) * side_m
