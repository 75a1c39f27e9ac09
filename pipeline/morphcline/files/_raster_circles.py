"""Which cells of a band a circle or ring covers, and by how much of each."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TypeAlias

import exactextract
import numpy as np
from exactextract.raster import NumPyRasterSource
from numpy.typing import NDArray
from pyproj import CRS

from morphcline.errors import Problem, SourceError
from morphcline.files._raster_band import NODATA, OUTSIDE, VALID, Band, Patch, in_tiles

#: Corners of the polygon that stands for a circle. Its radius is widened so that its area is the circle's; its edge
#: then strays by 0.04 % of the radius at most.
_CORNERS = 96

#: Cells, numbered row by row in a patch, and the part of each that is covered.
Coverage: TypeAlias = tuple[NDArray[np.int64], NDArray[np.float64]]


@dataclass(frozen=True)
class CellShares:
    """How a circle is shared among a raster's codes; the parts add up to 1.

    Attributes
    ----------
    shares : dict of int to float
        By code, ascending.
    nodata, outside : float
    """

    shares: dict[int, float]
    nodata: float
    outside: float


def shares_of(source: Band, rings: list[NDArray[np.float64]]) -> list[CellShares]:
    """Return how rings in cell coordinates are shared among the band's codes."""
    found = [CellShares({}, 0.0, 1.0)] * len(rings)
    for points, patch, covered in covered_cells(source, rings):
        for point, (cells, coverage) in zip(points, covered, strict=True):
            state = patch.state.ravel()[cells]
            by_state = np.bincount(state, coverage, minlength=3) / coverage.sum()
            valid = state == VALID
            codes, index = np.unique(class_codes(source, patch.values.ravel()[cells[valid]]), return_inverse=True)
            parts = np.bincount(index, coverage[valid], minlength=codes.size) / coverage.sum()
            shares = dict(zip(codes.tolist(), parts.tolist(), strict=True))
            found[point] = CellShares(shares, float(by_state[NODATA]), float(by_state[OUTSIDE]))
    return found


def circles(
    source: Band, easting: NDArray[np.float64], northing: NDArray[np.float64], crs: str | CRS, radius_m: float
) -> list[NDArray[np.float64]]:
    """Return circles drawn in metres of ``crs`` as rings in cell coordinates."""
    if not radius_m > 0:
        raise ValueError(f"radius_m must be greater than 0, got {radius_m}")
    angle = 2 * math.pi * np.arange(_CORNERS) / _CORNERS
    wider = math.sqrt(2 * math.pi / _CORNERS / math.sin(2 * math.pi / _CORNERS))
    corner_easting = easting[:, None] + radius_m * wider * np.cos(angle)
    corner_northing = northing[:, None] + radius_m * wider * np.sin(angle)
    move = source.transformation(crs, easting, northing)
    column, row = source.cell_coordinates(move, corner_easting.ravel(), corner_northing.ravel())
    return list(np.stack([column.reshape(-1, _CORNERS), row.reshape(-1, _CORNERS)], axis=-1))


def covered_cells(
    source: Band, rings: list[NDArray[np.float64]]
) -> Iterator[tuple[NDArray[np.intp], Patch, list[Coverage]]]:
    """Yield, for rings that lie near each other: their numbers, a patch, and for each the cells and their coverage."""
    low = np.array([ring.min(axis=0) for ring in rings]).reshape(-1, 2)
    high = np.array([ring.max(axis=0) for ring in rings]).reshape(-1, 2)
    for points in in_tiles(*(low + high).T / 2):
        left, top = np.floor(low[points].min(axis=0)).astype(int)
        right, bottom = np.ceil(high[points].max(axis=0)).astype(int)
        rows, columns = int(bottom - top), int(right - left)
        patch = source.read(int(top), int(left), rows, columns)
        yield points, patch, _coverage(rows, columns, [rings[point] - (left, top) for point in points])


def _coverage(rows: int, columns: int, rings: list[NDArray[np.float64]]) -> list[Coverage]:
    """Return, for each ring in cell coordinates, the cells it touches (numbered row by row) and the part it covers."""
    grid = NumPyRasterSource(np.zeros((rows, columns), dtype=np.uint8), xmin=0, ymin=0, xmax=columns, ymax=rows)
    features = []
    for ring in rings:
        upright = np.column_stack([ring[:, 0], rows - ring[:, 1]])  # the library counts northward
        features.append(
            {
                "type": "Feature",
                "properties": {},
                "geometry": {"type": "Polygon", "coordinates": [np.vstack([upright, upright[:1]]).tolist()]},
            }
        )
    found = exactextract.exact_extract(grid, features, ["cell_id", "coverage"])
    return [(one["properties"]["cell_id"], one["properties"]["coverage"].astype(np.float64)) for one in found]


def class_codes(source: Band, numbers: NDArray[np.float64]) -> NDArray[np.int64]:
    """Return class codes, or refuse what is none."""
    odd = numbers[numbers != np.round(numbers)]
    if odd.size:
        raise SourceError(
            Problem(
                source.shown,
                f"band {source.band}",
                f"a cell holds {odd[0]:.6g}, which is no class code",
                "a raster of whole numbers is accepted, each standing for a class",
            )
        )
    return numbers.astype(np.int64)
