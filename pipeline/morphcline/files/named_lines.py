"""Read lines that carry names, one a feature: the transects that a study draws."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from pathlib import Path

import pandas as pd
import shapely
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from morphcline.errors import Problem, SourceError
from morphcline.files.vectors import read_shapes

#: The column that names lines unless the study file names another.
NAME = "name"


def read_named_lines(
    path: Path, crs: str | CRS, *, name: str | None = None, shown: str = ""
) -> Mapping[str, BaseGeometry]:
    """Return the lines of a file by their names, in the file's order.

    Parameters
    ----------
    path : Path
    crs : str or CRS
        Where to bring them.
    name : str, optional
        Column that names the lines; left out, ``name`` (in any case) where the file has it, else they are numbered
        from 1.
    shown : str
        The file as the user wrote it; its name otherwise.

    Raises
    ------
    SourceError
        As :func:`morphcline.files.vectors.read_shapes`; for a column that the file lacks; and, all at once, for
        features that are not one line with a length, have no name, or share one.
    """
    shown = shown or path.name
    shapes = read_shapes(path, crs, shown=shown)
    texts = [str(column) for column in shapes.columns if column != shapes.geometry.name]
    if name is not None and name not in texts:
        raise SourceError(
            Problem(
                shown, f"column {name}", "the file has no such column", f"its columns: {', '.join(texts) or 'none'}"
            )
        )
    column = name if name is not None else next((text for text in texts if text.lower() == NAME), None)
    names = [str(row + 1) if column is None else _text(value) for row, value in enumerate(_values(shapes, column))]
    problems, lines = [], {}
    for row, (text, shape) in enumerate(zip(names, shapes.geometry, strict=True)):
        line = shapely.line_merge(shape) if shape.geom_type == "MultiLineString" else shape
        where = f"feature {row + 1}" + (f" ({text})" if column is not None and text else "")
        if not text:
            problems.append(Problem(shown, where, f"its {column!r} is empty", "a name for each line"))
        if line.geom_type != "LineString":
            found = f"it is a {shape.geom_type}" if shape.geom_type != "MultiLineString" else "it has separate pieces"
            problems.append(Problem(shown, where, found, "one line without branches for each feature"))
        elif line.length == 0:
            problems.append(Problem(shown, where, "the line has no length", "a line between two different points"))
        lines[text] = line
    for text, times in Counter(names).items():
        if text and times > 1:
            problems.append(Problem(shown, f"column {column}", f"{text!r} names {times} lines", "a name for each line"))
    if problems:
        raise SourceError(problems)
    return lines


def _values(shapes: pd.DataFrame, column: str | None) -> list[object]:
    return [None] * len(shapes) if column is None else list(shapes[column])


def _text(value: object) -> str:
    if value is None or (isinstance(value, float) and pd.isna(value)):
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()
