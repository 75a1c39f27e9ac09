"""Small rasters made for a test, in metres of EPSG:2154 unless told otherwise."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import rasterio
from affine import Affine
from numpy.typing import ArrayLike

#: South-west corner of the small rasters.
EAST, NORTH = 700_000.0, 6_600_000.0


def write_raster(
    path: Path,
    cells: ArrayLike,
    *,
    cell: float = 1.0,
    left: float = EAST,
    bottom: float = NORTH,
    crs: str | None = "EPSG:2154",
    nodata: float | None = None,
    dtype: str | None = None,
    transform: Affine | None = None,
    scale: float = 1.0,
    offset: float = 0.0,
    descriptions: Sequence[str] = (),
    block: int | None = None,
) -> Path:
    """Write bands (bands, rows, columns), or one band (rows, columns), rows from the north; return the path."""
    bands = np.atleast_3d(np.asarray(cells).T).T
    count, rows, columns = bands.shape
    transform = transform or Affine(cell, 0.0, left, 0.0, -cell, bottom + rows * cell)
    tiling = {} if block is None else {"tiled": True, "blockxsize": block, "blockysize": block}
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=count, dtype=dtype or bands.dtype.name, crs=crs,
        transform=transform, nodata=nodata, **tiling,
    ) as dataset:  # fmt: skip
        dataset.write(bands.astype(dtype or bands.dtype))
        dataset.scales = [scale] * count
        dataset.offsets = [offset] * count
        for band, text in enumerate(descriptions, start=1):
            dataset.set_band_description(band, text)
    return path
