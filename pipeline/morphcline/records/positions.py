"""Read places as a source writes them, each different place once.

How uncertain a place is (a radius that holds it with 95 % confidence) follows, in this order, from the row's own
``position_uncertainty_m``, from the source's ``uncertainty_m``, from the square that a grid reference names (half its
diagonal, and never less than that), or from the decimals written: a coordinate rounded to 4 decimals of a degree lies
within half a unit of the last place on each axis, and the radius is the half-diagonal of that cell. Spreadsheets drop
zeros at the end, so the finer of a place's two coordinates tells. Nobody places a find by more digits than the
receiver is good for, so that derived radius is never below :data:`RECEIVER_M`. The accuracy of the transformation
is added in quadrature.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from morphcline.errors import Problem, SourceError
from morphcline.places.bounds import is_zero
from morphcline.places.crs import read_crs
from morphcline.places.grid_references import GridSquare, UnreadableReference, read_grid_reference
from morphcline.records.columns import POSITION_FIELDS, Fields, Layout
from morphcline.records.numbers import UnreadableNumber, Written, read_degrees, read_metres, read_number
from morphcline.records.scores import Reading
from morphcline.records.spots import Spots
from morphcline.records.texts import TextColumn, TextTable
from morphcline.study import Position

#: What a hand-held satellite receiver or a phone is good for in the open, in metres, 95 % (common practice, no single
#: source).
RECEIVER_M = 10.0

#: Metres in a degree of latitude, to the precision that a rounding error needs.
_METRES_A_DEGREE = 111_200.0
_NOTHING = Written(math.nan, math.nan)


def check_position(position: Position, layout: Layout, table: TextTable, has_crs_column: bool) -> list[Problem]:
    """Return what is wrong with how a source's places are said to be written."""
    if not layout.written_as or layout.written_as == "grid-reference":
        return []
    if layout.from_geometry:
        if table.crs or "crs" in position.model_fields_set:
            return []
        return [Problem(table.shown, "", "the layer states no CRS", "name it: crs under position")]
    try:
        crs = read_crs(position.crs, file=table.shown, where="crs under position")
    except SourceError as error:
        return list(error.problems)
    degrees = layout.written_as == "longitude-latitude"
    if crs.is_geographic != degrees and not has_crs_column:
        kind = "geographic" if degrees else "projected"
        found = f"places are written as {layout.written_as}, and the CRS {position.crs!r} is not {kind}"
        return [Problem(table.shown, "crs under position", found, f"name the {kind} CRS of these coordinates")]
    return []


def read_spots(fields: Fields, layout: Layout, table: TextTable, position: Position) -> Spots:
    """Read the places of a source's rows.

    Parameters
    ----------
    fields : Fields
    layout : Layout
        Its ``written_as`` must not be empty.
    table : TextTable
    position : Position
    """
    columns, crs = _columns(fields, layout, table, position)
    of_row, texts = _distinct([*columns, crs])
    if layout.written_as == "grid-reference" and not layout.from_geometry:
        return _read_references(of_row, texts[0], position)
    return _read_coordinates(of_row, texts[0], texts[1], texts[2], layout)


def read_uncertainty(column: TextColumn) -> Reading:
    """Read stated uncertainties, in metres or with a unit; an empty cell means none is stated."""

    def read(text: str) -> float:
        if not text:
            return math.nan
        try:
            value = read_metres(text)
        except UnreadableNumber as error:
            raise UnreadableNumber(f"the position uncertainty {error}") from error
        if not 0 < value < 1e6:
            raise UnreadableNumber(f'the position uncertainty "{text}" can\'t be meant; expected metres above 0')
        return value

    return Reading.of(column, read, math.nan)


def _columns(
    fields: Fields, layout: Layout, table: TextTable, position: Position
) -> tuple[list[TextColumn], TextColumn]:
    if layout.from_geometry:
        crs = TextColumn.constant(position.crs if "crs" in position.model_fields_set else table.crs, len(table))
        return [table.columns[name] for name in table.geometry_columns], crs
    columns = [fields[name] for name in POSITION_FIELDS[layout.written_as]]
    crs = fields["crs"].filled(fields["crs"].empty, TextColumn.constant(position.crs, len(table)))
    if layout.written_as == "grid-reference":
        crs = TextColumn.constant("", len(table))
    return columns, crs


def _distinct(columns: list[TextColumn]) -> tuple[NDArray[np.intp], list[list[str]]]:
    """Return, for each row, the number of its combination of texts, and the texts of each combination."""
    combined = np.zeros(len(columns[0]), dtype=np.int64)
    for column in columns:
        combined, _ = pd.factorize(combined * len(column.words) + column.codes)
    of_row = combined.astype(np.intp)
    count = int(of_row.max()) + 1 if len(of_row) else 0
    example = np.zeros(count, dtype=np.intp)
    example[of_row[::-1]] = np.arange(len(of_row))[::-1]
    return of_row, [[column[row] for row in example] for column in columns]


def _read_references(of_row: NDArray[np.intp], texts: list[str], position: Position) -> Spots:
    squares: list[GridSquare | None] = []
    codes, reasons = [], []
    for text in texts:
        square, code, reason = None, "", ""
        if not text:
            code, reason = "position-missing", "the grid reference is empty"
        else:
            try:
                square = read_grid_reference(text, position.grid)
            except UnreadableReference as error:
                code, reason = "position-unreadable", str(error)
        squares.append(square)
        codes.append(code)
        reasons.append(reason)
    first = np.array([s.easting if s else math.nan for s in squares])
    second = np.array([s.northing if s else math.nan for s in squares])
    crs = np.array([s.crs if s else "" for s in squares], dtype=object)
    rounding = np.array([s.uncertainty_m if s else math.nan for s in squares])
    return _spots(of_row, first, second, crs, rounding, codes, reasons, reference=texts)


def _read_coordinates(
    of_row: NDArray[np.intp], firsts: list[str], seconds: list[str], systems: list[str], layout: Layout
) -> Spots:
    degrees = layout.written_as == "longitude-latitude"
    known: dict[str, CRS | str] = {}
    values, codes, reasons, names = [], [], [], []
    for first, second, system in zip(firsts, seconds, systems, strict=True):
        if system not in known:
            known[system] = _row_crs(system, None if layout.from_geometry else degrees)
        crs = known[system]
        if isinstance(crs, str):
            read, code, reason = (_NOTHING, _NOTHING), "position-unreadable", crs
        else:
            read, code, reason = _read_pair(first, second, degrees=crs.is_geographic)
        values.append((read[0].value, read[1].value, min(read[0].unit, read[1].unit)))
        codes.append(code)
        reasons.append(reason)
        names.append("" if isinstance(crs, str) else ":".join(crs.to_authority() or (system,)))
    numbers = np.array(values, dtype=np.float64).reshape(-1, 3)
    crs_names = np.array(names, dtype=object)
    rounding = _rounding(numbers[:, 1], numbers[:, 2], crs_names)
    return _spots(of_row, numbers[:, 0].copy(), numbers[:, 1].copy(), crs_names, rounding, codes, reasons)


def _read_pair(first: str, second: str, *, degrees: bool) -> tuple[tuple[Written, Written], str, str]:
    names = ("longitude", "latitude") if degrees else ("easting", "northing")
    empty = [name for name, text in zip(names, (first, second), strict=True) if not text]
    nothing = (_NOTHING, _NOTHING)
    if empty:
        verb = "are" if len(empty) > 1 else "is"
        return nothing, "position-missing", f"{' and '.join(empty)} {verb} empty"
    try:
        if degrees:
            return (read_degrees(first, "longitude"), read_degrees(second, "latitude")), "", ""
        return (read_number(first), read_number(second)), "", ""
    except UnreadableNumber as error:
        return nothing, "position-unreadable", str(error)


def _row_crs(text: str, degrees: bool | None) -> CRS | str:
    """Return a CRS, or why it can't be used."""
    try:
        crs = read_crs(f"EPSG:{text}" if text.isdigit() else text)
    except SourceError as error:
        problem = error.problems[0]
        return f"{problem.found}; {problem.accepted}"
    if degrees is not None and crs.is_geographic != degrees:
        kind, fields = ("geographic", "longitude and latitude") if degrees else ("projected", "easting and northing")
        return f'the crs "{text}" is not {kind}, as that of {fields} must be'
    return crs


def _rounding(
    second: NDArray[np.float64], unit: NDArray[np.float64], systems: NDArray[np.object_]
) -> NDArray[np.float64]:
    radius = np.full(len(second), math.nan)
    for system in set(systems.tolist()) - {""}:
        chosen = systems == system
        crs = CRS.from_user_input(system)
        if crs.is_geographic:
            north = _METRES_A_DEGREE * unit[chosen] / 2
            east = north * np.abs(np.cos(np.radians(second[chosen])))
        else:
            north = east = unit[chosen] / 2 * crs.axis_info[0].unit_conversion_factor
        radius[chosen] = np.hypot(north, east)
    floored: NDArray[np.float64] = np.maximum(radius, RECEIVER_M)
    return floored


def _spots(
    of_row: NDArray[np.intp],
    first: NDArray[np.float64],
    second: NDArray[np.float64],
    crs: NDArray[np.object_],
    rounding: NDArray[np.float64],
    codes: list[str],
    reasons: list[str],
    *,
    reference: list[str] | None = None,
) -> Spots:
    unknown = np.full(len(first), math.nan)
    longitude, latitude = unknown.copy(), unknown.copy()
    for system in set(crs.tolist()) - {""}:
        chosen = (crs == system) & np.isfinite(first) & np.isfinite(second)
        to_degrees = Transformer.from_crs(system, "EPSG:4326", always_xy=True)
        longitude[chosen], latitude[chosen] = to_degrees.transform(first[chosen], second[chosen])
    out_of_range = ~((np.abs(longitude) <= 180) & (np.abs(latitude) <= 90))
    longitude[out_of_range] = latitude[out_of_range] = math.nan
    spots = Spots(
        of_row, first, second,
        np.array(reference if reference is not None else [""] * len(first), dtype=object),
        crs, rounding, reference is not None, longitude, latitude,
        np.array(codes, dtype=object), np.array(reasons, dtype=object),
        unknown.copy(), unknown.copy(), unknown.copy(), np.full(len(first), "", dtype=object),
    )  # fmt: skip
    zero = is_zero(first, second)
    return spots.refused(
        zero, "position-zero", lambda k: "both coordinates are 0, as when a fix failed; expected the place"
    )
