"""Open one band of a raster, refuse what can't be used, and read patches of it in cell coordinates."""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import rasterio
from numpy.typing import NDArray
from pyproj import CRS
from rasterio.errors import NotGeoreferencedWarning, RasterioError
from rasterio.windows import Window

from morphcline.errors import Problem, SourceError
from morphcline.places.crs import read_crs
from morphcline.places.transforms import Transformation, area_lonlat

VALID, NODATA, OUTSIDE = 0, 1, 2

#: Points are read together when they lie in one square of so many cells: a patch stays below some ten megabytes.
_TILE = 1024

#: A raster must come in pieces no larger than this, in bytes.
_LARGEST_BLOCK = 500_000_000

#: What holds its cells itself. Formats that are lists of other files, here or on the net, are not among them: what they
#: name could change, or be anything, and nobody would see it.
_FORMATS = (
    "GTiff", "COG", "HFA", "AAIGrid", "AIG", "EHdr", "ENVI", "GPKG", "netCDF", "HDF5", "JP2OpenJPEG", "PNG", "JPEG",
    "BMP", "GIF", "WEBP", "ERS", "ILWIS", "PCRaster", "RST", "SAGA", "SRTMHGT", "DTED", "USGSDEM", "GSAG", "GSBG",
    "GS7BG", "XYZ", "ZMap", "GRASSASCIIGrid",
)  # fmt: skip


@dataclass(frozen=True)
class RasterInfo:
    """What a raster says of itself.

    Attributes
    ----------
    crs : CRS
    bounds : tuple of float
        Left, bottom, right, top in the raster's units.
    columns, rows, bands : int
    cell : tuple of float
        Width and height of a cell in the raster's units, positive.
    descriptions : tuple of str
        Of each band; empty where there is none.
    nodata : float or None
        Of the first band.
    dtype : str
        Of the first band.
    """

    crs: CRS
    bounds: tuple[float, float, float, float]
    columns: int
    rows: int
    bands: int
    cell: tuple[float, float]
    descriptions: tuple[str, ...]
    nodata: float | None
    dtype: str


@dataclass(frozen=True)
class Patch:
    """A rectangle of cells.

    Attributes
    ----------
    values : array of float, shape (rows, columns)
        With the band's scale and offset applied; NaN where there are none.
    state : array of uint8, shape (rows, columns)
        VALID, NODATA, or OUTSIDE the raster.
    """

    values: NDArray[np.float64]
    state: NDArray[np.uint8]


class Band:
    """One band of an open raster; positions become fractions of cells, counted from its first row and column."""

    def __init__(self, dataset: rasterio.DatasetReader, crs: CRS, band: int, shown: str):
        self.crs = crs
        self.shown = shown
        self.band = band
        self.columns: int = dataset.width
        self.rows: int = dataset.height
        self._dataset = dataset
        self._scale = float(dataset.scales[band - 1])
        self._offset = float(dataset.offsets[band - 1])

    def transformation(
        self, crs: str | CRS, easting: NDArray[np.float64], northing: NDArray[np.float64]
    ) -> Transformation:
        """Return the operation that brings positions of a CRS into the raster's."""
        return Transformation(crs, self.crs, area_lonlat(crs, easting, northing), file=self.shown, where="its CRS")

    def cell_coordinates(
        self, transformation: Transformation, easting: NDArray[np.float64], northing: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return column and row as fractions; cell (0, 0) spans 0 to 1. NaN where a point can't be placed."""
        across, up = transformation.apply(easting, northing)
        across, up = (np.where(np.isfinite(values), values, np.nan) for values in (across, up))
        left, right = sorted((self._dataset.bounds.left, self._dataset.bounds.right))
        if self.crs.is_geographic and right > 180.0:  # a raster that counts longitudes from 0 to 360
            across = np.where(across < left, across + 360.0, across)
        transform = self._dataset.transform  # never rotated
        return (across - transform.c) / transform.a, (up - transform.f) / transform.e

    def inside(self, column: NDArray[np.float64], row: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Tell which cell coordinates lie on the raster."""
        on_raster: NDArray[np.bool_] = (column >= 0) & (column < self.columns) & (row >= 0) & (row < self.rows)
        return on_raster

    def read(self, top: int, left: int, rows: int, columns: int, *, stride: int = 1) -> Patch:
        """Return the cells from a corner on, every ``stride``-th of them; what lies beyond the raster is OUTSIDE."""
        row = top + stride * np.arange(rows)
        column = left + stride * np.arange(columns)
        on_rows = np.flatnonzero((row >= 0) & (row < self.rows))
        on_columns = np.flatnonzero((column >= 0) & (column < self.columns))
        values = np.full((rows, columns), np.nan)
        state = np.full((rows, columns), OUTSIDE, dtype=np.uint8)
        if not (on_rows.size and on_columns.size):
            return Patch(values, state)
        first_row, first_column = int(row[on_rows[0]]), int(column[on_columns[0]])
        window = Window(
            first_column,
            first_row,
            min(stride * on_columns.size, self.columns - first_column),
            min(stride * on_rows.size, self.rows - first_row),
        )
        try:
            found = self._dataset.read(self.band, window=window, out_shape=(on_rows.size, on_columns.size), masked=True)
        except RasterioError as error:
            raise SourceError(
                Problem(self.shown, f"band {self.band}", f"its cells can't be read ({error})", "replace the file")
            ) from error
        numbers = found.data.astype(np.float64)
        missing = np.ma.getmaskarray(found) | ~np.isfinite(numbers)
        part = np.ix_(on_rows, on_columns)
        values[part] = np.where(missing, np.nan, numbers * self._scale + self._offset)
        state[part] = np.where(missing, NODATA, VALID)
        return Patch(values, state)


@contextmanager
def open_band(path: Path, band: int = 1, *, shown: str = "") -> Iterator[Band]:
    """Open one band.

    Parameters
    ----------
    path : Path
    band : int
        Counted from 1.
    shown : str
        The file as the user wrote it; its name otherwise.

    Raises
    ------
    SourceError
        When the file is absent or no raster, says nothing of its CRS or place, is rotated, or lacks the band.
    """
    shown = shown or path.name
    with _open(path, shown) as dataset:
        crs = _check(dataset, shown)
        if not 1 <= band <= dataset.count:
            there = "band 1 alone" if dataset.count == 1 else f"bands 1 to {dataset.count}"
            raise SourceError(Problem(shown, "", f"there is no band {band}", f"the file has {there}"))
        yield Band(dataset, crs, band, shown)


def describe_raster(path: Path, *, shown: str = "") -> RasterInfo:
    """Return what a raster says of itself; the errors are those of :func:`open_band`."""
    shown = shown or path.name
    with _open(path, shown) as dataset:
        crs = _check(dataset, shown)
        left, right = sorted((dataset.bounds.left, dataset.bounds.right))
        bottom, top = sorted((dataset.bounds.bottom, dataset.bounds.top))
        return RasterInfo(
            crs=crs,
            bounds=(left, bottom, right, top),
            columns=dataset.width,
            rows=dataset.height,
            bands=dataset.count,
            cell=(abs(dataset.transform.a), abs(dataset.transform.e)),
            descriptions=tuple(text or "" for text in dataset.descriptions),
            nodata=dataset.nodata,
            dtype=dataset.dtypes[0],
        )


def bands_by_year(info: RasterInfo) -> dict[int, int]:
    """Return year = band for the bands whose description holds exactly one number of four digits.

    Of two bands for one year the first stands.
    """
    found: dict[int, int] = {}
    for band, text in enumerate(info.descriptions, start=1):
        years = re.findall(r"(?<!\d)\d{4}(?!\d)", text)
        if len(years) == 1:
            found.setdefault(int(years[0]), band)
    return found


def in_tiles(column: NDArray[np.float64], row: NDArray[np.float64]) -> Iterator[NDArray[np.intp]]:
    """Yield the indices of the points that are read together, in a fixed order; NaN coordinates are left out."""
    placed = np.flatnonzero(np.isfinite(column) & np.isfinite(row))
    tile_row = np.floor(row[placed] / _TILE)
    tile_column = np.floor(column[placed] / _TILE)
    order = np.lexsort((tile_column, tile_row))
    breaks = np.flatnonzero((np.diff(tile_row[order]) != 0) | (np.diff(tile_column[order]) != 0)) + 1
    if placed.size:
        yield from np.split(placed[order], breaks)


@contextmanager
def _open(path: Path, shown: str) -> Iterator[rasterio.DatasetReader]:
    if not path.exists():
        raise SourceError(
            Problem(shown, "", "there is no such file", "give the path of a raster, relative to the study file")
        )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", NotGeoreferencedWarning)  # said better by the check
        try:
            dataset = None if _is_list(path) else rasterio.open(path)
        except (RasterioError, ValueError, OSError) as error:
            raise SourceError(_unreadable(shown)) from error
    if dataset is None:
        raise SourceError(_unreadable(shown))
    with dataset:
        if dataset.driver not in _FORMATS:
            raise SourceError(_unreadable(shown))
        yield dataset


def _is_list(path: Path) -> bool:
    """Tell whether a file may only name others: GDAL goes by content, and would open those, here or on the net."""
    if path.is_dir():
        return False
    with path.open("rb") as file:
        begin = file.read(1000).lstrip(b"\xef\xbb\xbf \t\r\n")
    return begin[:1] in (b"<", b"{", b"[") or ".gti" in path.suffixes


def _unreadable(shown: str) -> Problem:
    accepted = "GeoTIFF, or another format that holds its cells itself, is accepted"
    return Problem(shown, "", "this can't be read as a raster", accepted)


def _check(dataset: rasterio.DatasetReader, shown: str) -> CRS:
    """Return the CRS of a raster that can be used."""
    _check_cells(dataset, shown)
    crs = _check_place(dataset, shown)
    left, right = sorted((dataset.bounds.left, dataset.bounds.right))
    bottom, top = sorted((dataset.bounds.bottom, dataset.bounds.top))
    if crs.is_geographic and (left < -361.0 or right > 541.0 or bottom < -91.0 or top > 91.0):
        found = f"its CRS measures in degrees, and it reaches from {left:.6g}, {bottom:.6g} to {right:.6g}, {top:.6g}"
        raise SourceError(Problem(shown, "", found, "assign the CRS of these coordinates, with: gdal_edit.py -a_srs"))
    return crs


def _check_cells(dataset: rasterio.DatasetReader, shown: str) -> None:
    if not dataset.width or not dataset.height or not dataset.count:
        raise SourceError(Problem(shown, "", "the raster has no cell", "a raster with cells"))
    if any(kind.startswith("complex") for kind in dataset.dtypes):
        found = f"its cells are complex numbers ({dataset.dtypes[0]})"
        raise SourceError(Problem(shown, "", found, "real numbers, one a cell"))
    for (rows, columns), kind in zip(dataset.block_shapes, dataset.dtypes, strict=True):
        size = rows * columns * np.dtype(kind).itemsize
        if size > _LARGEST_BLOCK:
            found = f"it can only be read {size / 1e6:,.0f} MB at a time"
            raise SourceError(Problem(shown, "", found, "store it in tiles, with: gdal_translate -co TILED=YES"))


def _check_place(dataset: rasterio.DatasetReader, shown: str) -> CRS:
    if not dataset.crs:
        raise SourceError(
            Problem(
                shown,
                "",
                "the raster doesn't say in which coordinate reference system it is",
                "assign its CRS to the file, for example with: gdal_edit.py -a_srs EPSG:2154",
            )
        )
    transform = dataset.transform
    if transform.is_identity:
        raise SourceError(
            Problem(shown, "", "the raster doesn't say where its cells lie", "a raster with a geotransform is accepted")
        )
    if transform.b or transform.d:
        raise SourceError(
            Problem(shown, "", "the raster is rotated", "warp it to rows and columns along its axes, with: gdalwarp")
        )
    code = dataset.crs.to_epsg()
    return read_crs(f"EPSG:{code}" if code else dataset.crs.to_wkt(), file=shown, where="its CRS")
