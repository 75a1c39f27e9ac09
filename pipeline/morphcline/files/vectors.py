"""Read areas, lines and backdrops from vector files, and write layers for a GIS, the same bytes for the same data."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import shapely
from numpy.typing import ArrayLike, NDArray
from pyogrio.errors import DataLayerError, DataSourceError
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from morphcline.errors import Problem, SourceError
from morphcline.files.atomic import whole_file
from morphcline.places.area import sites_area
from morphcline.places.grid import blur
from morphcline.places.transforms import Transformation
from morphcline.study import Study

#: 1.3 is read by every GIS in use; older validators refuse what newer versions leave out.
_GEOPACKAGE_VERSION = "1.3"

#: Shapes that can be a barrier, and a mask.
BARRIER_KINDS = ("LineString", "Polygon")
MASK_KINDS = ("Polygon",)

#: Formats that hold their shapes themselves, and those of them that are XML.
_HOLD_THEIR_SHAPES = (".gpkg", ".geojson", ".json", ".shp", ".fgb", ".kml", ".gpx", ".csv")
_XML = (".kml", ".gpx")

_IN_WORDS = {"LineString": "line", "Polygon": "polygon"}

#: GeoPackage asks for a date of last change; a fixed one keeps the bytes the same.
FIXED_DATE = "2000-01-01T00:00:00.000Z"


def read_shapes(path: Path, crs: str | CRS, *, layer: str | None = None, shown: str = "") -> gpd.GeoDataFrame:
    """Return the features of a vector layer in a CRS.

    Parameters
    ----------
    path : Path
        GeoPackage, GeoJSON, shapefile, FlatGeobuf, KML or GPX.
    crs : str or CRS
        Where to bring them.
    layer : str, optional
        The first one otherwise.
    shown : str
        The file as the user wrote it; its name otherwise.

    Returns
    -------
    GeoDataFrame
        Without empty geometries.

    Raises
    ------
    SourceError
        When the file is absent, unreadable, has no such layer, no CRS or no geometry.
    """
    shown = shown or path.name
    if not path.exists():
        raise SourceError(
            Problem(shown, "", "there is no such file", "give the path of a vector file, relative to the study file")
        )
    _refuse_lists(path, shown)
    try:
        if layer is None:
            layers = pyogrio.list_layers(path)
            layer = str(layers[0][0]) if len(layers) else None
        shapes = pyogrio.read_dataframe(path, layer=layer)
    except DataLayerError:
        names = ", ".join(str(name) for name, _ in pyogrio.list_layers(path))
        raise SourceError(Problem(shown, "", f"there is no layer {layer!r}", f"its layers are: {names}")) from None
    except (DataSourceError, ValueError, RuntimeError) as error:  # the latter two: of damaged shapes and names
        raise SourceError(
            Problem(shown, "", "this can't be read as a vector file", "GeoPackage, GeoJSON and shapefile are accepted")
        ) from error
    if not isinstance(shapes, gpd.GeoDataFrame):
        raise SourceError(Problem(shown, "", "its rows have no geometry", "a layer with shapes is accepted"))
    if shapes.crs is None:
        raise SourceError(
            Problem(
                shown,
                "",
                "the layer doesn't say in which coordinate reference system it is",
                "assign its CRS to the file",
            )
        )
    shapes = shapes[~(shapes.geometry.isna() | shapes.geometry.is_empty)]
    if shapes.empty:
        raise SourceError(Problem(shown, "", "it holds no shape", "a layer with shapes is accepted"))
    west, south, east, north = shapes.to_crs(CRS(shapes.crs).geodetic_crs).total_bounds.tolist()
    move = Transformation(shapes.crs, crs, (west, south, east, north), file=shown, where="its CRS")
    moved = shapely.transform(shapely.force_2d(shapes.geometry.array), _each_corner(move))
    return shapes.set_geometry(gpd.GeoSeries(moved, index=shapes.index, crs=move.target_crs)).reset_index(drop=True)


def _refuse_lists(path: Path, shown: str) -> None:
    """Refuse a file that may only name others, here or on the net: GDAL goes by content, whatever a file is called."""
    ending = path.suffix.lower()
    accepted = "GeoPackage, GeoJSON, shapefile, FlatGeobuf, KML and GPX are accepted"
    if path.is_dir() or ending not in _HOLD_THEIR_SHAPES:
        raise SourceError(Problem(shown, "", "this can't be read as a vector file", accepted))
    with path.open("rb") as file:
        begin = file.read(1000).lstrip(b"\xef\xbb\xbf \t\r\n")
    if begin[:1] == b"<" and ending not in _XML:
        raise SourceError(Problem(shown, "", "this is not what its name says, and may point to other files", accepted))


def examine(path: Path, *, kinds: Sequence[str] = (), shown: str = "") -> None:
    """Raise what :func:`read_shapes` would, if anything, and where kinds of shape are named, when there are others."""
    if kinds:
        _only(path, "EPSG:4326", kinds, shown)
    else:
        read_shapes(path, "EPSG:4326", shown=shown)


def study_area(study: Study, easting: ArrayLike, northing: ArrayLike) -> BaseGeometry:
    """Return the study's area in its CRS: the polygons its file names, else what the sites speak for.

    Parameters
    ----------
    study : Study
    easting, northing : array_like, shape (n,)
        The sites, in metres of the study's CRS.

    Notes
    -----
    The hull goes round the places as they are published: round the exact ones it would show where the outermost lie.
    """
    if study.study.area is None:
        if study.publish.blur_m > 0:
            easting, northing = blur(easting, northing, study.publish.blur_m)
        return sites_area(easting, northing)
    return read_area(study.study.area, study.study.crs, shown=study.shown(study.study.area))


def read_area(path: Path, crs: str | CRS, *, shown: str = "") -> BaseGeometry:
    """Return the union of a file's polygons in a CRS; errors as :func:`read_shapes`, and when a shape is no polygon."""
    return shapely.union_all(shapely.make_valid(_only(path, crs, ("Polygon",), shown)))


def read_line(path: Path, crs: str | CRS, *, shown: str = "") -> BaseGeometry:
    """Return the one line of a file in a CRS.

    Pieces that meet end to end are joined. Errors as :func:`read_shapes`, and when the pieces don't make one line.
    """
    pieces = _only(path, crs, ("LineString",), shown)
    line = shapely.line_merge(shapely.union_all(pieces))
    if line.geom_type != "LineString":
        parts = shapely.get_num_geometries(line)
        raise SourceError(
            Problem(
                shown or path.name, "", f"its lines make {parts} separate ones", "one line without branches is accepted"
            )
        )
    return line


def read_barriers(path: Path, crs: str | CRS, *, shown: str = "") -> NDArray[np.float64]:
    """Return the straight pieces of a file's lines, and of its polygons' outlines, in a CRS.

    Parameters
    ----------
    path : Path
    crs : str or CRS
    shown : str

    Returns
    -------
    array (segments, 4)
        Easting and northing of one end, then of the other. Errors as :func:`read_shapes`, and when a shape is neither a
        line nor a polygon.
    """
    shapes = _only(path, crs, BARRIER_KINDS, shown)
    outlines = np.where(shapely.get_dimensions(shapes) == 2, shapely.boundary(shapes), shapes)
    lines = shapely.get_parts(outlines)
    corners, line = shapely.get_coordinates(lines, return_index=True)
    same = line[1:] == line[:-1]
    pieces: NDArray[np.float64] = np.column_stack([corners[:-1], corners[1:]])[same]
    return pieces


def write_layers(
    path: Path,
    layers: Mapping[str, gpd.GeoDataFrame],
    *,
    kinds: Mapping[str, str] | None = None,
    stamp: str = FIXED_DATE,
) -> None:
    """Write a GeoPackage of version 1.3, whole.

    Parameters
    ----------
    path : Path
    layers : mapping
        Layer name to features with a CRS; a layer without features is written with its columns all the same.
    kinds : mapping, optional
        Layer name to the kind of its shapes; of the features themselves otherwise, points where there are none.
    stamp : str
        ISO 8601 time of last change.
    """
    kinds = kinds or {}
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": stamp})
    try:
        with whole_file(path) as temporary:
            for name, features in layers.items():
                pyogrio.write_dataframe(
                    features,
                    temporary,
                    layer=name,
                    driver="GPKG",
                    append=temporary.exists(),
                    dataset_options={"VERSION": _GEOPACKAGE_VERSION} if not temporary.exists() else None,
                    geometry_type=kinds.get(name, "Point" if features.empty else None),
                )
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def _only(path: Path, crs: str | CRS, kinds: Sequence[str], shown: str) -> NDArray[np.object_]:
    shapes = read_shapes(path, crs, shown=shown).geometry
    others = sorted(set(shapes.geom_type) - {f"{multi}{kind}" for kind in kinds for multi in ("", "Multi")})
    if others:
        accepted = f"a {' or '.join(_IN_WORDS[kind] for kind in kinds)} layer is accepted"
        raise SourceError(Problem(shown or path.name, "", f"it holds shapes of the kind {', '.join(others)}", accepted))
    return np.asarray(shapes.array, dtype=object)


def _each_corner(move: Transformation) -> Callable[[NDArray[np.float64]], NDArray[np.float64]]:
    return lambda corners: np.column_stack(move.apply(corners[:, 0], corners[:, 1]))
