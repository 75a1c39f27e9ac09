"""Smoothed surfaces as cloud-optimised GeoTIFFs, a named band for each trait and quantity."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import rasterio
import rasterio.shutil
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.windows import Window

from morphcline.errors import Problem, SourceError
from morphcline.files.atomic import whole_file
from morphcline.places.grid import StudyGrid

Quantity = Literal["frequency", "standard error", "effective shells"]

#: The quantities of a trait, in the order of their bands, and their units.
QUANTITIES: dict[Quantity, str] = {"frequency": "1", "standard error": "1", "effective shells": "shells"}

_TILE = 256
#: Every number that decides the bytes is named, so that they don't change with the machine.
_CLOUD_OPTIMISED = {
    "driver": "COG",
    "compress": "DEFLATE",
    "level": "6",
    "predictor": "FLOATING_POINT",
    "blocksize": str(_TILE),
    "overviews": "IGNORE_EXISTING",
    "overview_resampling": "average",
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


@dataclass(frozen=True)
class SurfaceFile:
    """What a raster of surfaces holds.

    Attributes
    ----------
    path : Path
    grid : StudyGrid
    traits : tuple of str
        In the order of their bands.
    tags : mapping
        Species, method, kernel, bandwidth and so on, as text.
    """

    path: Path
    grid: StudyGrid
    traits: tuple[str, ...]
    tags: Mapping[str, str]


def band_name(trait: str, quantity: Quantity) -> str:
    """Return the description of a band: ``"yellow: standard error"``."""
    return f"{trait}: {quantity}"


def write_surfaces(
    path: Path, *, grid: StudyGrid, traits: Sequence[str], tiles: Iterable[Tile], tags: Mapping[str, str]
) -> None:
    """Write a cloud-optimised GeoTIFF whole: float32, NaN for no data, a described band per trait and quantity.

    Parameters
    ----------
    path : Path
    grid : StudyGrid
    traits : sequence of str
    tiles : iterable of Tile
        Three bands a trait, in the order of :data:`QUANTITIES`; cells that no tile covers have no data. They are
        written as they come, so that a raster needs the memory of a tile.
    tags : mapping
        Text about the whole raster.

    Notes
    -----
    A cloud-optimised file can't be written piecewise: the pieces go to a plain GeoTIFF beside it first.
    """
    names = [band_name(trait, quantity) for trait in traits for quantity in QUANTITIES]
    with whole_file(path) as temporary:
        plain = temporary.with_name(f".{path.stem}.tiles-{os.getpid()}.tif")
        try:
            with rasterio.open(
                plain, "w", driver="GTiff", width=grid.columns, height=grid.rows, count=len(names), dtype="float32",
                nodata=np.nan, crs=grid.crs, transform=rasterio.Affine(*grid.transform),
                tiled=True, blockxsize=_TILE, blockysize=_TILE, interleave="band", photometric="MINISBLACK",
                bigtiff="IF_SAFER",
            ) as raster:  # fmt: skip
                raster.descriptions = names
                raster.units = [unit for _ in traits for unit in QUANTITIES.values()]
                raster.update_tags(**tags)
                for tile in tiles:
                    _, rows, columns = tile.values.shape
                    raster.write(tile.values, window=Window(tile.column, tile.row, columns, rows))
            rasterio.shutil.copy(plain, temporary, **_CLOUD_OPTIMISED)
        finally:
            with suppress(FileNotFoundError):
                plain.unlink()


def open_surfaces(path: Path, *, shown: str = "") -> SurfaceFile:
    """Return what a raster written by :func:`write_surfaces` holds, without its cells.

    Parameters
    ----------
    path : Path
    shown : str
        Its name for error messages.

    Raises
    ------
    SourceError
        When it is absent, unreadable, or its bands don't come in threes with the names expected.
    """
    shown = shown or path.name
    try:
        with rasterio.open(path) as raster:
            names, transform, crs = list(raster.descriptions), raster.transform, raster.crs
            rows, columns, tags = raster.height, raster.width, raster.tags()
    except rasterio.errors.RasterioIOError as error:
        raise SourceError(
            Problem(shown, "", f"this raster can't be read: {error}", "run the stage surfaces again")
        ) from error
    traits = tuple(str(name).rpartition(": ")[0] for name in names[:: len(QUANTITIES)])
    if names != [band_name(trait, quantity) for trait in traits for quantity in QUANTITIES]:
        raise SourceError(
            Problem(
                shown, "bands", f"found {', '.join(map(repr, names[:4]))}",
                f"for each trait the bands {', '.join(QUANTITIES)}",
            )
        )  # fmt: skip
    label = crs.to_string() if crs is not None else ""
    grid = StudyGrid(left=transform.c, top=transform.f, cell_m=transform.a, rows=rows, columns=columns, crs=label)
    return SurfaceFile(path, grid, traits, tags)


def read_surface(
    surfaces: SurfaceFile, trait: str, quantity: Quantity = "frequency", *, longest: int | None = None
) -> NDArray[np.float32]:
    """Return one band, rows from the north, NaN where there is nothing to say.

    Parameters
    ----------
    surfaces : SurfaceFile
    trait : str
    quantity : {"frequency", "standard error", "effective shells"}
    longest : int, optional
        At most so many cells along the longer side: means over blocks of cells, read from the file's own reduced
        copies. They cover the same extent.

    Raises
    ------
    KeyError
        When the raster has no such trait.
    """
    if trait not in surfaces.traits:
        raise KeyError(f"{surfaces.path.name} has no trait {trait!r}")
    band = len(QUANTITIES) * surfaces.traits.index(trait) + list(QUANTITIES).index(quantity) + 1
    rows, columns = surfaces.grid.rows, surfaces.grid.columns
    shrink = 1.0 if longest is None else min(1.0, longest / max(rows, columns))
    shape = (max(1, round(rows * shrink)), max(1, round(columns * shrink)))
    with rasterio.open(surfaces.path) as raster:
        values: NDArray[np.float32] = raster.read(band, out_shape=shape, resampling=Resampling.average)
    return values
