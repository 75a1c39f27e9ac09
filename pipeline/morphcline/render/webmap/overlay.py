"""A surface as a picture that lies on the web map: reprojected, coloured as the legend says."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morphcline.render.palettes import frequency_colours

WEB_MERCATOR = "EPSG:3857"


@dataclass(frozen=True)
class Overlay:
    """A picture and where it lies.

    Attributes
    ----------
    source : str
        A ``data:`` URI of a PNG.
    south, west, north, east : float
        Limits in degrees (WGS 84).
    """

    source: str
    south: float
    west: float
    north: float
    east: float


def draw_overlay(
    frequency: NDArray[np.floating[Any]], standard_error: NDArray[np.floating[Any]], *, transform: Any, crs: str
) -> Overlay:
    """Draw a surface for the web map.

    Parameters
    ----------
    frequency, standard_error : (rows, columns) arrays
        NaN where nothing is known.
    transform : affine.Affine
        Cell to coordinate.
    crs : str
        CRS of the grid.

    Returns
    -------
    Overlay
        In web Mercator's rows, so that it fits the map at any zoom; each cell keeps its own colour (nearest cell).
    """
    from PIL import Image
    from pyproj import Transformer
    from rasterio.transform import array_bounds
    from rasterio.warp import Resampling, calculate_default_transform, reproject

    rows, columns = frequency.shape
    bounds = array_bounds(rows, columns, transform)
    # Twice as many cells each way: nearest-cell resampling then moves no edge by more than a quarter of a cell.
    target, width, height = calculate_default_transform(
        crs, WEB_MERCATOR, columns, rows, *bounds, dst_width=2 * columns, dst_height=2 * rows
    )
    layers = np.full((2, height, width), np.nan, dtype=np.float64)
    reproject(
        np.stack([frequency, standard_error]).astype(np.float64),
        layers,
        src_transform=transform,
        src_crs=crs,
        dst_transform=target,
        dst_crs=WEB_MERCATOR,
        src_nodata=np.nan,
        dst_nodata=np.nan,
        resampling=Resampling.nearest,
    )
    picture = io.BytesIO()
    Image.fromarray(frequency_colours(layers[0], layers[1]), mode="RGBA").quantize(
        256, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE
    ).save(picture, format="PNG", optimize=True)
    west, south, east, north = array_bounds(height, width, target)
    to_degrees = Transformer.from_crs(WEB_MERCATOR, "EPSG:4326", always_xy=True)
    (west, east), (south, north) = to_degrees.transform([west, east], [south, north])
    return Overlay(
        source="data:image/png;base64," + base64.b64encode(picture.getvalue()).decode(),
        south=round(south, 6),
        west=round(west, 6),
        north=round(north, 6),
        east=round(east, 6),
    )
