"""How steep surfaces are, as a cloud-optimised GeoTIFF beside them: named bands for each trait, and one for all."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.enums import Resampling

from morphcline.files.bands import Tile, read_band, write_bands
from morphcline.places.grid import StudyGrid

#: What is told of each trait, in the order of its bands, and the units.
QUANTITIES = {
    "gradient": "1/km",
    "standard error": "1/km",
    "lower limit": "1/km",
    "upper limit": "1/km",
    "bearing": "degree",
    "steep zone": "1",
}
#: What they mean, as a band's own metadata tells it.
MEANINGS = {
    "gradient": "of the smoothed frequency as drawn, per kilometre",
    "standard error": "of the gradient, by chance",
    "lower limit": "of the true gradient, corrected for smoothing",
    "upper limit": "of the true gradient, corrected for smoothing",
    "bearing": "of steepest rise, degrees clockwise from grid north; absent where it isn't sure",
    "steep zone": "1: steeper than samples placed at random allow; 2: than an even slope over the region, too; "
    "0: neither",
}
#: The last band: how many traits have a steep zone in a cell.
TOGETHER = "all traits: steep zones"


def write_steepness(
    path: Path, *, grid: StudyGrid, traits: Sequence[str], tiles: Iterable[Tile], tags: Mapping[str, str]
) -> None:
    """Write the raster: the bands of :data:`QUANTITIES` for each trait, then :data:`TOGETHER`.

    Parameters
    ----------
    path : Path
    grid : StudyGrid
    traits : sequence of str
    tiles : iterable of Tile
    tags : mapping
    """
    units = {f"{trait}: {quantity}": unit for trait in traits for quantity, unit in QUANTITIES.items()}
    # Codes and bearings have no average, so that the reduced copies take the nearest cell.
    about = {
        f"{trait}: {quantity}": {"TRAIT": trait, "QUANTITY": quantity, "MEANING": MEANINGS[quantity]}
        for trait in traits
        for quantity in QUANTITIES
    }
    about[TOGETHER] = {"QUANTITY": "steep zones", "MEANING": "number of traits with a steep zone here"}
    write_bands(
        path, grid=grid, units={**units, TOGETHER: "1"}, tiles=tiles, tags=tags, band_tags=about, overviews="nearest"
    )


def read_steepness(path: Path, band: str, *, longest: int | None = None) -> NDArray[np.float32]:
    """Return one band by its name, rows from the north.

    Parameters
    ----------
    path : Path
    band : str
        ``"yellow: gradient"`` and so on.
    longest : int, optional
        At most so many cells along the longer side, the nearest of each block.

    Raises
    ------
    KeyError
        When the raster has no such band.
    """
    with rasterio.open(path) as raster:
        names = list(raster.descriptions)
        if band not in names:
            raise KeyError(f"{path.name} has no band {band!r}")
    return read_band(path, names.index(band) + 1, longest=longest, resampling=Resampling.nearest)


def steep_traits(path: Path) -> tuple[str, ...]:
    """Return the traits that a raster of steepness has bands for."""
    with rasterio.open(path) as raster:
        names = [str(name) for name in raster.descriptions if name != TOGETHER]
    return tuple(dict.fromkeys(name.rpartition(": ")[0] for name in names))
