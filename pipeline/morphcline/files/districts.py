"""Read the districts that get a report of their own, and refuse what would make a site's district doubtful."""

from __future__ import annotations

from collections.abc import Iterator

import geopandas as gpd
import numpy as np
import shapely

from morphcline.errors import Problem, SourceError, StudyFileError
from morphcline.files.vectors import read_shapes
from morphcline.records.districts import District, overlapping
from morphcline.scoring.species import slug
from morphcline.study import Area, Study

_KEY = "[[report.area]]"


def read_districts(study: Study) -> tuple[District, ...]:
    """Return the study's districts, in the order of their files and names.

    Raises
    ------
    SourceError
        When a file is absent, unreadable, empty, without CRS, holds other shapes than polygons or broken ones, or
        lacks the column of names.
    StudyFileError
        When two districts overlap or would share a file.
    """
    districts = [district for area in study.report.area for district in _of(area, study)]
    file = study.file.name
    slugs: dict[str, str] = {}
    for district in districts:
        name = slug(district.name)
        if not name or name in slugs:
            found = f"{district.name!r} has no letter or digit of a file's name in it"
            if name:
                found = f"{slugs[name]!r} and {district.name!r} would have the same file {name}.html"
            raise StudyFileError(Problem(file, _KEY, found, "districts need names that differ in letters or digits"))
        slugs[name] = district.name
    for first, second, shared in overlapping(districts):
        raise StudyFileError(
            Problem(
                file,
                _KEY,
                f"{first!r} and {second!r} overlap by {shared / 1e6:.2g} km²",
                "a site can lie in one district only: mend the borders",
            )
        )
    return tuple(districts)


def _of(area: Area, study: Study) -> Iterator[District]:
    shown = study.shown(area.path)
    shapes = read_shapes(area.path, study.study.crs, layer=area.layer, shown=shown)
    others = sorted(set(shapes.geom_type) - {"Polygon", "MultiPolygon"})
    if others:
        raise SourceError(
            Problem(shown, "", f"it holds shapes of the kind {', '.join(others)}", "a polygon layer is accepted")
        )
    names = _names(shapes, area, shown)
    whole = shapely.is_valid(shapes.geometry.array)
    if not whole.all():
        first = int(np.flatnonzero(~whole)[0])
        reason = shapely.is_valid_reason(shapes.geometry.array[first])
        raise SourceError(
            Problem(
                shown, f"district {names[first]!r}", f"its polygon is broken ({reason})", "mend it with a GIS's tool"
            )
        )
    for name in dict.fromkeys(names):
        parts = shapes.geometry.array[[own == name for own in names]]
        yield District(name, shapely.union_all(parts))


def _names(shapes: gpd.GeoDataFrame, area: Area, shown: str) -> list[str]:
    if area.name is not None:
        return [area.name] * len(shapes)
    column = area.name_from
    if column not in shapes.columns or column == shapes.geometry.name:
        listed = ", ".join(str(name) for name in shapes.columns if name != shapes.geometry.name)
        raise SourceError(
            Problem(
                shown, f"{_KEY} name_from", f"there is no column {column!r}", f"its columns are: {listed or 'none'}"
            )
        )
    names = ["" if value is None or value != value else str(value).strip() for value in shapes[column]]
    if "" in names:
        raise SourceError(
            Problem(
                shown,
                f"feature {names.index('') + 1}, column {column}",
                "the district has no name",
                "give every polygon a name",
            )
        )
    return names
