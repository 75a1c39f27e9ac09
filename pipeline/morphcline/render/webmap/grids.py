"""A trait's rasters as one small picture whose colours are numbers: the page colours them as its legend says."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morphcline.render.webmap.degrees import longitudes_of, mercator_of

#: The code of a cell without a value, in each of the three colours.
BLANK = 255
#: Codes from 0 to this stand for frequencies from 0 to 1, and for standard errors from 0 to LARGEST_ERROR.
STEPS = 250
LARGEST_ERROR = 0.25
#: Codes from 0 to this stand for gradients from 0 to the top of the scale; a steep zone adds ZONE, or twice that.
GRADIENT_STEPS = 62
ZONE = 64
#: Rasters no longer than this are cut finer before they are turned: it keeps the edges of cells where they are.
_SMALL = 200

Raster = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Grid:
    """A picture of numbers and where it lies.

    Attributes
    ----------
    source : str
        A ``data:`` URI of a PNG: red holds the frequency, green its standard error, blue gradient and steep zone.
    south, west, north, east : float
        Limits in degrees (WGS 84).
    steep : bool
        Whether a gradient is told anywhere.
    """

    source: str
    south: float
    west: float
    north: float
    east: float
    steep: bool = False


def draw_grid(
    frequency: Raster,
    standard_error: Raster,
    *,
    transform: Any,
    crs: str,
    gradient: Raster | None = None,
    zone: Raster | None = None,
    steepest: float = 0.0,
) -> Grid:
    """Draw a trait's rasters for the page.

    Parameters
    ----------
    frequency, standard_error : (rows, columns) arrays
        NaN where nothing is known.
    transform : affine.Affine
        Cell to coordinate.
    crs : str
        CRS of the rasters.
    gradient : (rows, columns) array, optional
        Frequency per kilometre.
    zone : (rows, columns) array, optional
        1 steeper than chance, 2 steeper than an even slope too.
    steepest : float
        Gradient at the top of the scale.

    Returns
    -------
    Grid
        In web Mercator's rows, so that it fits the map at any zoom; each cell keeps its own value (nearest cell).
    """
    from PIL import Image
    from pyproj import Transformer
    from rasterio.transform import array_bounds
    from rasterio.warp import Resampling, calculate_default_transform, reproject

    rows, columns = frequency.shape
    codes = np.stack(
        [
            _scaled(frequency, 1.0),
            _scaled(standard_error, LARGEST_ERROR),
            _steep(gradient, zone, steepest, (rows, columns)),
        ]
    )
    mercator = mercator_of(crs)
    finer = 2 if max(rows, columns) <= _SMALL else 1
    target, width, height = calculate_default_transform(
        crs, mercator, columns, rows, *array_bounds(rows, columns, transform),
        dst_width=finer * columns, dst_height=finer * rows,
    )  # fmt: skip
    turned = np.full((3, height, width), BLANK, dtype=np.uint8)
    reproject(
        codes, turned, src_transform=transform, src_crs=crs, dst_transform=target, dst_crs=mercator,
        src_nodata=BLANK, dst_nodata=BLANK, resampling=Resampling.nearest,
    )  # fmt: skip
    picture = io.BytesIO()
    Image.fromarray(np.ascontiguousarray(np.moveaxis(turned, 0, -1)), mode="RGB").save(
        picture, format="PNG", optimize=True
    )
    west, south, east, north = array_bounds(height, width, target)
    to_degrees = Transformer.from_crs(mercator, longitudes_of(crs), always_xy=True)
    (west, east), (south, north) = to_degrees.transform([west, east], [south, north])
    return Grid(
        source="data:image/png;base64," + base64.b64encode(picture.getvalue()).decode(),
        south=round(south, 6),
        west=round(west, 6),
        north=round(north, 6),
        east=round(east, 6),
        steep=bool((codes[2] != BLANK).any()),
    )


def _scaled(values: Raster, top: float) -> NDArray[np.uint8]:
    codes = np.rint(np.clip(np.nan_to_num(values) / top, 0.0, 1.0) * STEPS)
    return np.where(np.isnan(values), BLANK, codes).astype(np.uint8)


def _steep(gradient: Raster | None, zone: Raster | None, steepest: float, shape: tuple[int, int]) -> NDArray[np.uint8]:
    if gradient is None or steepest <= 0:
        return np.full(shape, BLANK, dtype=np.uint8)
    codes = np.rint(np.clip(np.nan_to_num(gradient) / steepest, 0.0, 1.0) * GRADIENT_STEPS)
    if zone is not None:
        codes = codes + ZONE * np.clip(np.nan_to_num(zone), 0, 2)
    return np.where(np.isnan(gradient), BLANK, codes).astype(np.uint8)
