"""Where on the Earth a study lies: a small map in a projection of its own, made of published places alone."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer

from morphcline.files.vectors import read_shapes
from morphcline.render.figures.locator import Locator
from morphcline.study import Study

Path2 = NDArray[np.float64]

#: Half the height of the small map, in metres: as far as a region is known by, and what a study's own extent asks for.
_SURROUNDINGS_M = 600e3
_FARTHEST_M = 3000e3
_EXTENTS = 2.5
#: Width over height.
_SHAPE = 1.25
_STEPS_DEG = (1, 2, 5, 10, 20, 30)
_METRES_A_DEGREE = 111.2e3
#: Corners of the user's layer nearer to each other than this share of the map's height are one.
_FINEST = 1 / 400


def locator(study: Study, box: tuple[float, float, float, float]) -> Locator | None:
    """Return the small map of a study whose maps show a box of its CRS; None where the study file wants none.

    Parameters
    ----------
    study : Study
    box : tuple of float
        West, south, east, north.
    """
    wanted = study.publish.locator
    if wanted is False:
        return None
    to_degrees = Transformer.from_crs(study.study.crs, "EPSG:4326", always_xy=True)
    ring = _ring(*box)
    longitude, latitude = to_degrees.transform(*ring.T)
    middle = to_degrees.transform((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
    plane = CRS.from_proj4(f"+proj=ortho +lon_0={middle[0]:.6f} +lat_0={middle[1]:.6f} +ellps=WGS84")
    to_plane = Transformer.from_crs("EPSG:4326", plane, always_xy=True)
    outline = np.column_stack(to_plane.transform(longitude, latitude))
    reach = float(np.abs(outline).max())
    half = float(np.clip(max(_SURROUNDINGS_M, _EXTENTS * reach), 0, max(_FARTHEST_M, 1.1 * reach)))
    land: tuple[Path2, ...] = ()
    source = ""
    if isinstance(wanted, Path):
        source = study.shown(wanted)
        land, needed = _land(wanted, source, to_plane, reach, half)
        half = needed
    step = _step(half)
    meridians, parallels = _graticule(to_plane, middle, half, step)
    return Locator(_SHAPE * half, half, meridians, parallels, land, outline, step, source)


def _ring(west: float, south: float, east: float, north: float) -> Path2:
    box = shapely.segmentize(shapely.box(west, south, east, north), max(east - west, north - south) / 20)
    return np.asarray(shapely.get_coordinates(box))


def _land(path: Path, shown: str, to_plane: Transformer, reach: float, half: float) -> tuple[tuple[Path2, ...], float]:
    """Return rings of a layer in the plane, and half the height that shows a small layer whole."""
    shapes = shapely.make_valid(read_shapes(path, "EPSG:4326", shown=shown).geometry.array)
    parts = shapely.get_parts(shapely.get_parts(shapes))
    areas = parts[shapely.get_type_id(parts) == 3]
    # The far side of the Earth has no place in the plane; what goes over its edge is cut off beforehand.
    lon_0, lat_0 = to_plane.transform(0.0, 0.0, direction="INVERSE")
    farthest = _FARTHEST_M * 1.6 / _METRES_A_DEGREE
    wide = min(farthest / max(np.cos(np.deg2rad(lat_0)), 0.2), 80.0)
    near = shapely.clip_by_rect(
        areas, lon_0 - wide, max(lat_0 - farthest, -89.9), lon_0 + wide, min(lat_0 + farthest, 89.9)
    )
    rings = [ring for part in shapely.get_parts(near) if not part.is_empty for ring in _rings(part)]
    flat = [np.column_stack(to_plane.transform(*shapely.get_coordinates(ring).T)) for ring in rings]
    flat = [ring for ring in flat if np.isfinite(ring).all()]
    if flat:
        bounds = np.abs(np.vstack(flat))
        whole = max(float(bounds[:, 1].max()), float(bounds[:, 0].max()) / _SHAPE) * 1.05
        half = max(min(whole, half), 1.2 * reach)
    window = (-_SHAPE * half, -half, _SHAPE * half, half)
    made = shapely.make_valid(np.array([shapely.Polygon(ring) for ring in flat if len(ring) > 3], dtype=object))
    made = shapely.clip_by_rect(shapely.simplify(made, half * _FINEST), *window)
    pieces = [part for part in shapely.get_parts(shapely.get_parts(made)) if part.geom_type == "Polygon"]
    return tuple(shapely.get_coordinates(part.exterior) for part in pieces), half


def _rings(shape: shapely.Geometry) -> Sequence[shapely.Geometry]:
    polygons = [part for part in shapely.get_parts(shape) if part.geom_type == "Polygon"]
    return [shapely.get_exterior_ring(shapely.segmentize(polygon, 1.0)) for polygon in polygons]


def _step(half: float) -> int:
    """Return degrees between lines, so that three or so run either way."""
    span = 2 * half / _METRES_A_DEGREE
    return next((step for step in _STEPS_DEG if span / step <= 3.5), _STEPS_DEG[-1])


def _graticule(
    to_plane: Transformer, middle: tuple[float, float], half: float, step: int
) -> tuple[tuple[tuple[float, Path2], ...], tuple[tuple[float, Path2], ...]]:
    """Return meridians and parallels, cut to the map."""
    window = shapely.box(-_SHAPE * half, -half, _SHAPE * half, half)
    high = 1.3 * half / _METRES_A_DEGREE
    wide = min(1.3 * _SHAPE * high / max(np.cos(np.deg2rad(min(abs(middle[1]) + high, 85))), 0.1), 85.0)
    south, north = max(middle[1] - high, -90.0), min(middle[1] + high, 90.0)
    west, east = middle[0] - wide, middle[0] + wide
    along_lat, along_lon = np.linspace(south, north, 60), np.linspace(west, east, 120)
    found: tuple[list[tuple[float, Path2]], list[tuple[float, Path2]]] = ([], [])
    for degrees in np.arange(np.ceil(west / step), np.floor(east / step) + 1) * step:
        line = _cut(np.column_stack(to_plane.transform(np.full(60, degrees), along_lat)), window)
        found[0].extend((_turned(float(degrees)), part) for part in line)
    for degrees in np.arange(np.ceil(south / step), np.floor(north / step) + 1) * step:
        line = _cut(np.column_stack(to_plane.transform(along_lon, np.full(120, degrees))), window)
        found[1].extend((float(degrees), part) for part in line)
    return tuple(found[0]), tuple(found[1])


def _cut(line: Path2, window: shapely.Geometry) -> list[Path2]:
    known = line[np.isfinite(line).all(axis=1)]
    if len(known) < 2:
        return []
    inside = shapely.get_parts(shapely.intersection(shapely.LineString(known), window))
    return [shapely.get_coordinates(part) for part in inside if part.geom_type == "LineString" and not part.is_empty]


def _turned(degrees: float) -> float:
    """Return a longitude between -180 and 180."""
    return (degrees + 180.0) % 360.0 - 180.0
