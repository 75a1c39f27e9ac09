"""A raster's cells at the edge of the study area, drawn up to its outline."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.image import AxesImage
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, convolve

from morphcline.render.figures.frame import cell_centres

Floats = NDArray[np.float64]
Extent = tuple[float, float, float, float]

#: A cell and its eight neighbours.
_AROUND = np.ones((3, 3))


def to_the_outline(
    cells: Sequence[Floats], extent: Extent, outline: Sequence[Floats]
) -> tuple[list[Floats], Extent, Path | None]:
    """Carry a raster on by one cell where the outline cuts through cells whose centres lie beyond it.

    Parameters
    ----------
    cells : sequence of (rows, columns) arrays
        North up; NaN, in all alike, where there is nothing.
    extent : tuple of float
        West, east, south, north.
    outline : sequence of (n, 2) arrays
        Rings of the area at whose edge the raster ends; holes among them.

    Returns
    -------
    list of (rows + 2, columns + 2) arrays
        Such a cell holds the mean of its neighbours; cells that are blank within the outline stay so.
    tuple of float
        Their extent.
    Path or None
        To cut the picture along. None, with everything as it was, where the raster goes beyond the outline or there is
        none: it doesn't end there.
    """
    known = np.isfinite(cells[0])
    if not outline or not known.any():
        return list(cells), extent, None
    west, east, south, north = extent
    rows, columns = known.shape
    step_e, step_n = (east - west) / columns, (north - south) / rows
    wider = (west - step_e, east + step_e, south - step_n, north + step_n)
    padded = [np.pad(values, 1, constant_values=np.nan) for values in cells]
    known = np.pad(known, 1)
    easting, northing = cell_centres(known.shape, wider)
    rim = known & binary_dilation(~known, _AROUND)
    if not _inside(outline, easting, northing, rim).all():
        return list(cells), extent, None
    beyond = ~known & binary_dilation(known, _AROUND)
    beyond[beyond] = ~_inside(outline, easting, northing, beyond)
    for values in padded:
        values[beyond] = _mean_around(values)[beyond]
    return padded, wider, _oriented(outline)


def cut(axes: Axes, image: AxesImage, along: Path | None) -> None:
    """Cut an image along a path in the units of the axes."""
    if along is not None:
        image.set_clip_path(PathPatch(along, transform=axes.transData))


def _mean_around(values: Floats) -> Floats:
    """Return the mean of the known among each cell and its eight neighbours."""
    seen = np.isfinite(values)
    number = convolve(seen.astype(np.float64), _AROUND, mode="constant")
    return np.asarray(convolve(np.where(seen, values, 0.0), _AROUND, mode="constant") / np.maximum(number, 1.0))


def _inside(
    outline: Sequence[Floats], easting: Floats, northing: Floats, cells: NDArray[np.bool_]
) -> NDArray[np.bool_]:
    """Return which of some cells have their centres in the area: within an odd number of rings."""
    down, across = np.nonzero(cells)
    places = np.column_stack([easting[across], northing[down]])
    within = np.zeros(len(places), dtype=np.bool_)
    for ring in outline:
        within ^= Path(ring).contains_points(places)
    return within


def _oriented(outline: Sequence[Floats]) -> Path:
    """Return the rings as one path, holes the other way round than what they lie in."""
    turned = []
    for i, ring in enumerate(outline):
        depth = sum(Path(other).contains_point(tuple(ring[0])) for j, other in enumerate(outline) if j != i)
        x, y = ring.T
        leftwards = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) > 0
        way = ring if leftwards == (depth % 2 == 0) else ring[::-1]
        # The place of the last vertex only closes the path.
        turned.append(Path(np.vstack([way, way[:1]]), closed=True))
    return Path.make_compound_path(*turned)
