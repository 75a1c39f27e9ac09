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


class _Seen:
    """Statistics of bands, gathered from tile to tile.

    Means and sums of squares are joined as in Chan, Golub & LeVeque (1983, American Statistician 37, 242-247), which
    loses no digits where the spread is small.
    """

    def __init__(self, bands: int):
        self.number, self.mean, self.squares = np.zeros(bands), np.zeros(bands), np.zeros(bands)
        self.least, self.most = np.full(bands, np.inf), np.full(bands, -np.inf)

    def add(self, values: NDArray[np.float32]) -> None:
        flat = values.reshape(len(values), -1).astype(np.float64)
        known = np.isfinite(flat)
        number = known.sum(axis=1).astype(np.float64)
        mean = np.where(known, flat, 0.0).sum(axis=1) / np.maximum(number, 1)
        squares = (np.where(known, flat - mean[:, None], 0.0) ** 2).sum(axis=1)
        both = np.maximum(self.number + number, 1)
        apart = mean - self.mean
        self.squares += squares + apart**2 * self.number * number / both
        self.mean += apart * number / both
        self.number += number
        self.least = np.minimum(self.least, np.where(known, flat, np.inf).min(axis=1))
        self.most = np.maximum(self.most, np.where(known, flat, -np.inf).max(axis=1))

    def told(self, grid: StudyGrid) -> list[dict[str, str]]:
        """Return the tags by which GDAL knows a band's statistics; none where it has no cell."""
        found: list[dict[str, str]] = []
        for at, number in enumerate(self.number.tolist()):
            values = {
                "MINIMUM": self.least[at], "MAXIMUM": self.most[at], "MEAN": self.mean[at],
                "STDDEV": np.sqrt(self.squares[at] / max(number, 1)),
                "VALID_PERCENT": 100.0 * number / (grid.rows * grid.columns),
            }  # fmt: skip
            found.append({f"STATISTICS_{name}": f"{value:.9g}" for name, value in values.items()} if number else {})
        return found


def write_bands(
    path: Path,
    *,
    grid: StudyGrid,
    units: Mapping[str, str],
    tiles: Iterable[Tile],
    tags: Mapping[str, str],
    band_tags: Mapping[str, Mapping[str, str]] | None = None,
    overviews: str = "average",
) -> None:
    """Write a cloud-optimised GeoTIFF whole: float32, NaN for no data, a described band each with its statistics.

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
    band_tags : mapping, optional
        Band name to text about that band.
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
                seen = _Seen(len(units))
                for tile in tiles:
                    _, rows, columns = tile.values.shape
                    raster.write(tile.values, window=Window(tile.column, tile.row, columns, rows))
                    seen.add(tile.values)
                told = band_tags or {}
                for band, (name, statistics) in enumerate(zip(units, seen.told(grid), strict=True), start=1):
                    raster.update_tags(band, **{**told.get(name, {}), **statistics})
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
