"""Feature tables (GeoPackage, Parquet): attributes as text, and points as coordinates in the layer's own CRS."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from morphcline.errors import Problem, SourceError
from morphcline.files.headers import checked_header
from morphcline.files.limits import check_extent, refuse
from morphcline.records.texts import TextColumn, TextTable, cell_text, folded
from morphcline.study import USUAL_LIMITS, Limits

#: Written for the CRS of a Parquet file that states none: the GeoParquet specification's default, in lon/lat order.
_PARQUET_DEFAULT_CRS = "OGC:CRS84"
#: How every GeoPackage begins.
_SQLITE = b"SQLite format 3\0"
_ROWS_AT_ONCE = 10_000


def read_geopackage(path: Path, shown: str, *, layer: str | None, limits: Limits = USUAL_LIMITS) -> TextTable:
    """Read a layer's attributes and points; rows are its features, numbered from 1.

    Parameters
    ----------
    path : path
    shown : str
        The file as messages name it.
    layer : str or None
        Its name; None takes the first.
    limits : Limits

    Raises
    ------
    SourceError
        An unreadable file, an absent layer, geometries other than single points, a layer without features, or with
        more than the limits allow.
    """
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError

    unreadable = Problem(shown, "", "this is not a GeoPackage that can be read", "a GeoPackage")
    with path.open("rb") as file:
        # GDAL goes by content, and what is named so but is another thing may ask for files elsewhere.
        if file.read(len(_SQLITE)) != _SQLITE:
            raise SourceError(unreadable)
    try:
        names = [str(name) for name, _ in pyogrio.list_layers(path)]
    except (DataSourceError, UnicodeDecodeError) as error:
        raise SourceError(unreadable) from error
    name = layer if layer is not None else (names[0] if names else None)
    if name not in names:
        listed = ", ".join(repr(known) for known in names) or "none"
        raise SourceError(Problem(shown, "", f"it has no layer {name!r}", f"its layers: {listed}"))
    try:
        about = pyogrio.read_info(path, layer=name)
        check_extent(max(int(about["features"]), 0), len(about["fields"]), shown, limits)
        meta, _, geometry, fields = pyogrio.raw.read(path, layer=name)
    except (DataSourceError, DataLayerError, RuntimeError, ValueError) as error:
        raise SourceError(Problem(shown, f"layer {name}", f"it can't be read ({error})", "a GeoPackage")) from error
    header = checked_header([str(field) for field in meta["fields"]], shown)
    columns = {field: _text_column(values) for field, values in zip(header, fields, strict=True)}
    rows = len(geometry) if geometry is not None else (len(fields[0]) if len(fields) else 0)
    points = None if geometry is None else _points(geometry, shown)
    return _table(shown, columns, rows, points, meta["crs"] or "", {"sheet": name})


def read_parquet(path: Path, shown: str, *, limits: Limits = USUAL_LIMITS) -> TextTable:
    """Read a Parquet file, with its points where it is a GeoParquet file; rows are numbered from 1.

    Raises
    ------
    SourceError
        An unreadable file, a geometry encoding other than WKB, geometries other than single points, no row.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            check_extent(file.metadata.num_rows, len(file.schema_arrow), shown, limits)
            frame = _read_within(file, shown, limits)
    except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
        raise SourceError(
            Problem(shown, "", "this is not a Parquet file that can be read", "a Parquet file")
        ) from error
    points, crs = None, ""
    geo = _geometry_columns(frame.schema.metadata or {}, frame.column_names, shown)
    if geo:
        primary = geo["primary_column"]
        about = geo["columns"][primary]
        if about.get("encoding") != "WKB":
            raise SourceError(
                Problem(shown, f"column {primary}", f"found geometry encoded as {about.get('encoding')!r}", "WKB")
            )
        points = _points(np.array([*frame.column(primary).to_pylist(), None], dtype=object)[:-1], shown)
        crs = json.dumps(about["crs"]) if about.get("crs") else _PARQUET_DEFAULT_CRS if "crs" not in about else ""
        frame = frame.drop_columns([name for name in geo["columns"] if name in frame.column_names])
    header = checked_header(frame.column_names, shown)
    columns = {
        name: TextColumn.of(cell_text(value) for value in column.to_pylist())
        for name, column in zip(header, frame.columns, strict=True)
    }
    return _table(shown, columns, frame.num_rows, points, crs, {})


def _read_within(file: Any, shown: str, limits: Limits) -> Any:
    """Read a file piece by piece, for a few bytes of it may stand for a great many equal cells."""
    import pyarrow as pa

    pieces, size = [], 0
    for piece in file.iter_batches(batch_size=_ROWS_AT_ONCE):
        size += piece.nbytes
        if size > limits.size_mb * 1e6:
            refuse(shown, "", "its cells unpack to more", f"{limits.size_mb:,g} MB", "size_mb")
        pieces.append(piece)
    return pa.Table.from_batches(pieces, schema=file.schema_arrow)


def _geometry_columns(metadata: dict[bytes, bytes], columns: Sequence[str], shown: str) -> dict[str, Any] | None:
    """Return what a GeoParquet file says of its geometry; None where the file is a plain one."""
    text = metadata.get(b"geo")
    if text is None:
        return None
    try:
        geo = json.loads(text)
        if isinstance(geo["columns"][geo["primary_column"]], dict) and geo["primary_column"] in columns:
            return dict(geo)
    except (ValueError, KeyError, TypeError, RecursionError):
        pass
    raise SourceError(
        Problem(shown, "", "what it says of its geometry can't be read", "a GeoParquet file, or a Parquet file without")
    )


def _text_column(values: NDArray[Any]) -> TextColumn:
    if values.dtype.kind == "M":
        missing = np.isnat(values)
        days = values.astype("datetime64[D]")
        whole_days = bool((missing | (values == days)).all())
        texts = np.datetime_as_string(days if whole_days else values.astype("datetime64[s]"))
        return TextColumn.of(np.where(missing, "", texts).tolist())
    return TextColumn.of(cell_text(value) for value in values.tolist())


def _points(geometry: NDArray[np.object_], shown: str) -> NDArray[np.float64]:
    """Return the coordinates, shape (n, 2), of points given as WKB; missing or empty ones are NaN."""
    import shapely

    try:
        shapes = shapely.from_wkb(geometry)
    except (shapely.errors.ShapelyError, TypeError) as error:
        raise SourceError(Problem(shown, "", "its geometry can't be read", "points as WKB")) from error
    multiple = shapely.get_type_id(shapes) == shapely.GeometryType.MULTIPOINT
    single = multiple & (shapely.get_num_geometries(shapes) == 1)
    shapes[single] = shapely.get_geometry(shapes[single], 0)
    wrong = ~np.isin(shapely.get_type_id(shapes), (-1, shapely.GeometryType.POINT))
    if wrong.any():
        first = int(np.flatnonzero(wrong)[0])
        kind = shapely.get_type_id(shapes[first])
        raise SourceError(
            Problem(
                shown,
                f"row {first + 1}",
                f"its geometry is a {shapely.GeometryType(kind).name.lower()}",
                "a layer of points, one a record",
            )
        )
    return np.column_stack([shapely.get_x(shapes), shapely.get_y(shapes)]).astype(np.float64)


def _table(
    shown: str,
    columns: dict[str, TextColumn],
    rows: int,
    points: NDArray[np.float64] | None,
    crs: str,
    details: dict[str, str],
) -> TextTable:
    if not rows:
        raise SourceError(Problem(shown, "", "it holds no row", "at least one row"))
    names: tuple[str, ...] = ()
    if points is not None:
        names = _free_names(columns)
        for name, values in zip(names, points.T, strict=True):
            columns[name] = TextColumn.of(cell_text(value) for value in values.tolist())
    row = np.arange(1, rows + 1, dtype=np.int64)
    return TextTable(shown, tuple(columns), columns, row, crs=crs, geometry_columns=names, details=details)


def _free_names(taken: Sequence[str] | dict[str, TextColumn]) -> tuple[str, str]:
    known = {folded(name) for name in taken}
    first, second = "geometry x", "geometry y"
    while folded(first) in known or folded(second) in known:
        first, second = f"{first}'", f"{second}'"
    return first, second
