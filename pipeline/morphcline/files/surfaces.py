"""Smoothed surfaces as cloud-optimised GeoTIFFs, a named band for each trait and quantity."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.enums import Resampling
from rasterio.windows import Window

from morphcline.errors import Problem, SourceError
from morphcline.files.bands import Tile as Tile
from morphcline.files.bands import read_band, write_bands
from morphcline.places.grid import StudyGrid

Quantity = Literal["frequency", "standard error", "effective shells"]

#: The quantities of a trait, in the order of their bands, and their units.
QUANTITIES: dict[Quantity, str] = {"frequency": "1", "standard error": "1", "effective shells": "shells"}
#: Rows of a raster held in memory while blocks of it are averaged.
_ROWS_AT_ONCE = 256
#: What they mean, as a band's own metadata tells it.
MEANINGS: dict[Quantity, str] = {
    "frequency": "share of shells with the trait among those judged for it, smoothed over the sites, 0 to 1",
    "standard error": "of that frequency, on the same scale",
    "effective shells": "independent shells that the frequency rests on here",
}


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
    """
    units = {band_name(trait, quantity): unit for trait in traits for quantity, unit in QUANTITIES.items()}
    about = {
        band_name(trait, quantity): {"TRAIT": trait, "QUANTITY": quantity, "MEANING": MEANINGS[quantity]}
        for trait in traits
        for quantity in QUANTITIES
    }
    write_bands(path, grid=grid, units=units, tiles=tiles, tags=tags, band_tags=about)


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
    return read_band(surfaces.path, band, longest=longest, resampling=Resampling.average)


def read_frequencies(surfaces: SurfaceFile, traits: Sequence[str], *, longest: int) -> NDArray[np.float32]:
    """Return the frequencies of several traits, (traits, rows, columns), reduced as :func:`read_surface` does."""
    rows, columns = surfaces.grid.rows, surfaces.grid.columns
    shrink = min(1.0, longest / max(rows, columns))
    shape = (len(traits), max(1, round(rows * shrink)), max(1, round(columns * shrink)))
    with rasterio.open(surfaces.path) as raster:
        values: NDArray[np.float32] = raster.read(
            _frequency_bands(surfaces, traits), out_shape=shape, resampling=Resampling.average
        )
    return values


def block_means(surfaces: SurfaceFile, traits: Sequence[str], block: int) -> NDArray[np.float32]:
    """Return every quantity of several traits as means over square blocks of cells that have a value.

    Parameters
    ----------
    surfaces : SurfaceFile
    traits : sequence of str
    block : int
        Cells along a block's side, counted from the north-west corner; 1 gives the cells themselves.

    Returns
    -------
    array of float32 (traits, quantities, rows, columns)
        The last row and column may stand for fewer cells; NaN where no cell has a value.
    """
    rows, columns = -(-surfaces.grid.rows // block), -(-surfaces.grid.columns // block)
    bands = [first + extra for first in _frequency_bands(surfaces, traits) for extra in range(len(QUANTITIES))]
    means = np.full((len(bands), rows, columns), np.nan, dtype=np.float32)
    strip = max(1, _ROWS_AT_ONCE // block)
    with rasterio.open(surfaces.path) as raster:
        for first in range(0, rows, strip):
            last = min(first + strip, rows)
            height = min(last * block, surfaces.grid.rows) - first * block
            read = raster.read(bands, window=Window(0, first * block, surfaces.grid.columns, height))
            spare = ((0, (last - first) * block - height), (0, columns * block - surfaces.grid.columns))
            for at, cells in enumerate(read):
                filled = np.pad(cells, spare, constant_values=np.nan)
                pieces = filled.reshape(last - first, block, columns, block)
                known = np.isfinite(pieces)
                number = known.sum(axis=(1, 3))
                total = np.where(known, pieces, 0.0).sum(axis=(1, 3), dtype=np.float64)
                means[at, first:last] = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    return means.reshape(len(traits), len(QUANTITIES), rows, columns)


def shown_cells(surfaces: SurfaceFile, traits: Sequence[str], row: int, rows: int) -> NDArray[np.bool_]:
    """Return which cells have a frequency in so many rows from one on, (traits, rows, columns)."""
    with rasterio.open(surfaces.path) as raster:
        read = raster.read(_frequency_bands(surfaces, traits), window=Window(0, row, surfaces.grid.columns, rows))
    shown: NDArray[np.bool_] = np.isfinite(read)
    return shown


def _frequency_bands(surfaces: SurfaceFile, traits: Sequence[str]) -> list[int]:
    return [len(QUANTITIES) * surfaces.traits.index(trait) + 1 for trait in traits]
