"""Which cells of the raster are estimated: those of the study area that no mask covers, a tile at a time."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from shapely.geometry.base import BaseGeometry

from morphcline.errors import Problem, StudyError
from morphcline.files.vectors import read_area, study_area
from morphcline.places.grid import StudyGrid, Tile
from morphcline.stats.kernels import Flags, Floats
from morphcline.study import Study

_TILE = 32  # cells: small enough that a tile's sites are few, large enough that starting it costs nothing
#: Places that stand for the map where its distance to the sites is asked for.
_PLACES = 2_000


@dataclass(frozen=True)
class MappedArea:
    """The raster's grid, the study area and what is masked of it.

    Attributes
    ----------
    grid : StudyGrid
    area : shapely geometry
    mask : shapely geometry or None
    """

    grid: StudyGrid
    area: BaseGeometry
    mask: BaseGeometry | None

    def __post_init__(self) -> None:
        shapely.prepare(self.area)
        if self.mask is not None:
            shapely.prepare(self.mask)

    def inside(self, tile: Tile) -> Flags:
        """Return which cells of a tile are estimated, by their centres."""
        return self.kept(*tile.grid.centres())

    def places(self, tile: Tile) -> Floats:
        """Return easting and northing of the estimated cells of a tile, row by row."""
        easting, northing = tile.grid.centres()
        inside = self.kept(easting, northing)
        return np.column_stack([easting[inside], northing[inside]])

    def tiles(self) -> list[Tile]:
        """Return the tiles with a cell that is estimated."""
        return [tile for tile in self.grid.tiles(_TILE) if self.inside(tile).any()]

    def count(self) -> tuple[int, int]:
        """Return how many cells of the study area are estimated, and how many are masked."""
        estimated = masked = 0
        for tile in self.grid.tiles(_TILE):
            centres = tile.grid.centres()
            here = int(self.kept(*centres).sum())
            estimated += here
            if self.mask is not None:
                masked += int(shapely.contains_xy(self.area, *centres).sum()) - here
        return estimated, masked

    def lattice(self, most: int = _PLACES) -> Floats:
        """Return so many estimated places at even steps, at most."""
        step = max(1, math.ceil(math.sqrt(self.grid.rows * self.grid.columns / most)))
        easting, northing = (axis[step // 2 :: step] for axis in self.grid.axes())
        found = list(self._rows_of(easting, northing))
        return np.vstack(found) if found else np.empty((0, 2))

    def _rows_of(self, easting: Floats, northing: Floats) -> Iterator[Floats]:
        for row in northing:
            along = np.full(len(easting), row)
            inside = self.kept(easting, along)
            yield np.column_stack([easting[inside], along[inside]])

    def kept(self, easting: Floats, northing: Floats) -> Flags:
        """Return which places are in the study area and not masked."""
        kept: Flags = shapely.contains_xy(self.area, easting, northing)
        if self.mask is not None:
            kept &= ~shapely.intersects_xy(self.mask, easting, northing)
        return kept


def mapped_area(study: Study, sites: pd.DataFrame) -> MappedArea:
    """Return the area of a study.

    Parameters
    ----------
    study : Study
    sites : DataFrame
        x_m, y_m, as the public sees them: the hull round the exact places would show where the outermost lie.

    Raises
    ------
    StudyError
        When there is no site to make an area of; and as the files of area and mask are unfit.
    """
    places = sites[["x_m", "y_m"]].dropna().to_numpy(dtype=float)
    polygon = study_area(study, places[:, 0], places[:, 1])
    if polygon.is_empty:
        raise StudyError(
            Problem(
                "private/tables/sites.csv",
                "",
                "no site was located, so there is no area to smooth over",
                "see private/records/rejected.csv for why",
            )
        )
    grid = StudyGrid.from_extent(*polygon.bounds, cell_m=study.surfaces.cell_m, crs=study.study.crs)
    path = study.surfaces.mask
    mask = None if path is None else read_area(path, study.study.crs, shown=study.shown(path))
    return MappedArea(grid, polygon, mask)
