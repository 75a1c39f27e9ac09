"""Rasters of float32 bands with names and units, cloud-optimised and written tile by tile."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import rasterio
import rasterio.shutil
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.windows import Window

from morphcline.files.atomic import whole_file
from morphcline.places.grid import StudyGrid

_TILE = 256
#: Every number that decides the bytes is named, so that they don't change with the machine.
_CLOUD_OPTIMISED = {
    "driver": "COG",
    "compress": "DEFLATE",
    "level": "6",
    "predictor": "FLOATING_POINT",
    "blocksize": str(_TILE),
    "overviews": "IGNORE_EXISTING",
    "num_threads": "1",
    "bigtiff": "IF_SAFER",
}


@dataclass(frozen=True)
class Tile:
    """A piece of every band.

    Attributes
    ----------
    row, column : int
        Of its first cell in the raster.
    values : array of float32 (bands, rows, columns)
        NaN where there is nothing to say.
    """

    row: int
    column: int
    values: NDArray[np.float32]


def write_bands(
    path: Path,
    *,
    grid: StudyGrid,
    units: Mapping[str, str],
    tiles: Iterable[Tile],
    tags: Mapping[str, str],
    overviews: str = "average",
) -> None:
    """Write a cloud-optimised GeoTIFF whole: float32, NaN for no data, a described band each.

    Parameters
    ----------
    path : Path
    grid : StudyGrid
    units : mapping
        Band name to unit, in the order of the bands.
    tiles : iterable of Tile
        Cells that no tile covers have no data. They are written as they come, so that a raster needs the memory of a
        tile.
    tags : mapping
        Text about the whole raster.
    overviews : {"average", "nearest"}
        How the reduced copies are made; codes and bearings have no average.

    Notes
    -----
    A cloud-optimised file can't be written piecewise: the pieces go to a plain GeoTIFF beside it first.
    """
    with whole_file(path) as temporary:
        plain = temporary.with_name(f".{path.stem}.tiles-{os.getpid()}.tif")
        try:
            with rasterio.open(
                plain, "w", driver="GTiff", width=grid.columns, height=grid.rows, count=len(units), dtype="float32",
                nodata=np.nan, crs=grid.crs, transform=rasterio.Affine(*grid.transform),
                tiled=True, blockxsize=_TILE, blockysize=_TILE, interleave="band", photometric="MINISBLACK",
                bigtiff="IF_SAFER",
            ) as raster:  # fmt: skip
                raster.descriptions = list(units)
                raster.units = list(units.values())
                raster.update_tags(**tags)
                for tile in tiles:
                    _, rows, columns = tile.values.shape
                    raster.write(tile.values, window=Window(tile.column, tile.row, columns, rows))
            rasterio.shutil.copy(plain, temporary, **_CLOUD_OPTIMISED, overview_resampling=overviews)
        finally:
            with suppress(FileNotFoundError):
                plain.unlink()


def read_band(path: Path, band: int, *, longest: int | None, resampling: Resampling) -> NDArray[np.float32]:
    """Return one band, counted from 1; with ``longest``, at most so many cells along the longer side.

    A block of the file holds all bands, so that reduced copies are read whole once and the last files' are kept.
    """
    with rasterio.open(path) as raster:
        if longest is None:
            whole: NDArray[np.float32] = raster.read(band)
            return whole
        shrink = min(1.0, longest / max(raster.shape))
        shape = (max(1, round(raster.height * shrink)), max(1, round(raster.width * shrink)))
    status = path.stat()
    bands = _reduced_bands(path.resolve(), (status.st_mtime_ns, status.st_size), shape, resampling)
    reduced: NDArray[np.float32] = bands[band - 1].copy()
    return reduced


@lru_cache(maxsize=2)
def _reduced_bands(
    path: Path, stamp: tuple[int, int], shape: tuple[int, int], resampling: Resampling
) -> NDArray[np.float32]:
    with rasterio.open(path) as raster:
        values: NDArray[np.float32] = raster.read(out_shape=(raster.count, *shape), resampling=resampling)
    return values
