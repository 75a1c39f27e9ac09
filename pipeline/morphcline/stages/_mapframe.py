"""The frame that all maps of a study share: extent, outline, backdrop, true north; made of published places alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import shapely
from pyproj import Proj, Transformer
from shapely.geometry.base import BaseGeometry

from morphcline.files.vectors import read_area, read_shapes
from morphcline.places.area import sites_area
from morphcline.render.figures.frame import MapFrame
from morphcline.stages._locator import locator
from morphcline.stages._panels import Material
from morphcline.study import Study

#: True north may turn this many degrees over a map that still has a north arrow.
_STEADY_NORTH_DEG = 2.0


#: West, south, east, north.
Box = tuple[float, float, float, float]


def map_frame(material: Material) -> MapFrame:
    """Return the maps' common frame, made of published places alone."""
    study, places, sites = material.study, material.places, material.tables["sites"]
    area = _area(study, places)
    box = _box(area, places)
    west, south, east, north = box
    areas, lines, name = _backdrop(study, box)
    return MapFrame(
        west, south, east, north, study.study.crs,
        outline=_rings(area) if study.publish.basemap == "outline" else (),
        backdrop_areas=areas, backdrop_lines=lines, backdrop_name=name,
        true_north_deg=_true_north(study.study.crs, box),
        blur_m=study.publish.blur_m,
        sites_beyond=int((~_within(places, box)).sum()),
        hidden_wider=int((sites["blur_m"] > study.publish.blur_m).sum()),
        withheld=int(sites["x_m"].isna().sum()),
        locator=locator(study, box),
    )  # fmt: skip


def _box(area: BaseGeometry, places: pd.DataFrame) -> Box:
    """Return the extent of the study area and of the sites in it or close by: a stray one mustn't shrink the map."""
    west, south, east, north = area.bounds
    side = max(east - west, north - south)
    near = places[_within(places, (west - side / 10, south - side / 10, east + side / 10, north + side / 10))]
    for x, y in zip(near["drawn_x_m"], near["drawn_y_m"], strict=True):
        west, south, east, north = min(west, x), min(south, y), max(east, x), max(north, y)
    margin = 0.02 * side
    return west - margin, south - margin, east + margin, north + margin


def _within(places: pd.DataFrame, box: Box) -> pd.Series:
    return places["drawn_x_m"].between(box[0], box[2]) & places["drawn_y_m"].between(box[1], box[3])


def _area(study: Study, places: pd.DataFrame) -> BaseGeometry:
    around = sites_area(places["drawn_x_m"], places["drawn_y_m"])
    if study.study.area is None:
        # The hull of exact places would show the outermost ones.
        return around
    return read_area(study.study.area, study.study.crs, shown=study.shown(study.study.area))


def _backdrop(study: Study, box: Box) -> tuple[tuple[np.ndarray, ...], tuple[np.ndarray, ...], str]:
    path = study.publish.basemap
    if not isinstance(path, Path):
        return (), (), ""
    shapes = read_shapes(path, study.study.crs, shown=study.shown(path)).geometry.array
    # A tenth of a millimetre on the page is not seen.
    tolerance = (box[2] - box[0]) / 1000
    shapes = shapely.simplify(shapely.clip_by_rect(shapely.make_valid(shapes), *box), tolerance)
    parts = shapely.get_parts(shapely.get_parts(shapes))
    areas = parts[np.isin(shapely.get_type_id(parts), [3])]
    lines = parts[np.isin(shapely.get_type_id(parts), [1, 2])]
    return (
        tuple(shapely.get_coordinates(ring) for ring in shapely.get_exterior_ring(areas)),
        tuple(shapely.get_coordinates(line) for line in lines),
        study.shown(path),
    )


def _rings(area: BaseGeometry) -> tuple[np.ndarray, ...]:
    polygons = [part for part in shapely.get_parts(area) if part.geom_type == "Polygon"]
    return tuple(shapely.get_coordinates(ring) for part in polygons for ring in (part.exterior, *part.interiors))


def _true_north(crs: str, box: Box) -> float | None:
    """Return where true north lies, clockwise from grid north, or None when it turns too much over the map."""
    west, south, east, north = box
    easting, northing = np.meshgrid(np.linspace(west, east, 3), np.linspace(south, north, 3))
    to_degrees = Transformer.from_crs(crs, Proj(crs).crs.geodetic_crs, always_xy=True)
    longitude, latitude = to_degrees.transform(easting.ravel(), northing.ravel())
    convergence = np.asarray(Proj(crs).get_factors(longitude, latitude).meridian_convergence)
    if not np.isfinite(convergence).all() or np.ptp(convergence) > _STEADY_NORTH_DEG:
        return None
    # The convergence is the angle from true north to grid north.
    return -float(convergence.mean())
