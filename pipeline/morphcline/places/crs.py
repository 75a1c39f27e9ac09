"""Read a coordinate reference system, and judge whether a study can be worked in it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Proj
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_crs_info, query_utm_crs_info
from pyproj.enums import PJType
from pyproj.exceptions import CRSError

from morphcline.errors import Problem, SourceError, StudyError
from morphcline.places.bounds import Bounds, extent, unwrapped, within_bounds

#: Largest difference between distances on the ground and in the working CRS.
SCALE_LIMIT = 0.01

_MARGIN_DEG = 0.5


def read_crs(text: str | CRS, *, file: str = "", where: str = "crs") -> CRS:
    """Return a horizontal CRS.

    Parameters
    ----------
    text : str or CRS
        Anything the registry knows: ``EPSG:2154``, a PROJ string, WKT. A vertical part is left out.
    file, where : str
        For the error's sentence.

    Raises
    ------
    SourceError
        When it is unknown, or gives no positions on a map or ellipsoid.
    """
    try:
        crs = CRS.from_user_input(text)
        if crs.is_compound or len(crs.axis_info) > 2:
            crs = crs.to_2d() if not crs.is_compound else CRS(crs.sub_crs_list[0])
    except CRSError:
        raise SourceError(
            Problem(file, where, f"{name_crs(text)} is no coordinate reference system", 'write it like "EPSG:4326"')
        ) from None
    if not (crs.is_geographic or crs.is_projected) or crs.is_geocentric:
        raise SourceError(
            Problem(file, where, f"{name_crs(text)} is neither geographic nor projected", 'write one like "EPSG:4326"')
        )
    return crs


def check_working_crs(crs: str | CRS, bounds_lonlat: Bounds | None, *, file: str = "") -> CRS:
    """Return the working CRS if distances and areas over the study can be trusted in it.

    Parameters
    ----------
    crs : str or CRS
    bounds_lonlat : (west, south, east, north), optional
        The study, in degrees; where it isn't known yet, kind and units alone are judged.
    file : str
        The study file's name, for the sentence.

    Returns
    -------
    CRS

    Raises
    ------
    StudyError
        Under ``[study] crs``: unknown, in degrees, not in metres, not defined over the study, or with a scale that
        is off by more than 1 % somewhere in it. Names up to three others that would do.
    """
    where = "[study] crs"
    try:
        known = read_crs(crs, file=file, where=where)
    except SourceError as error:
        problem = error.problems[0]
        raise StudyError(Problem(file, where, problem.found, _advice(bounds_lonlat))) from None
    found = _unfit(known, bounds_lonlat)
    if found:
        raise StudyError(Problem(file, where, f"{name_crs(crs)} {found}", _advice(bounds_lonlat)))
    return known


def scale_error(crs: str | CRS, bounds_lonlat: Bounds) -> float:
    """Return the largest relative error of a distance measured in a projected CRS, over an area.

    Parameters
    ----------
    crs : str or CRS
    bounds_lonlat : (west, south, east, north), degrees

    Returns
    -------
    float
        max |k - 1| over a lattice of 7 x 7 points, k being the scale along the meridian or the parallel; infinite where
        the projection isn't defined.
    """
    west, south, east, north = unwrapped(bounds_lonlat)
    longitude, latitude = np.meshgrid(np.linspace(west, east, 7), np.linspace(south, north, 7))
    factors = Proj(CRS.from_user_input(crs)).get_factors(longitude.ravel(), latitude.ravel())
    scales = np.concatenate([np.ravel(factors.meridional_scale), np.ravel(factors.parallel_scale)])
    error = np.abs(scales - 1.0)
    return float(error.max()) if np.isfinite(error).all() else math.inf


def suitable_crs(bounds_lonlat: Bounds, *, most: int = 3) -> list[tuple[str, str]]:
    """Return (code, name) of projected CRSs in metres that fit an area, national ones first, then UTM.

    Parameters
    ----------
    bounds_lonlat : (west, south, east, north), degrees
    most : int
    """
    area = AreaOfInterest(*bounds_lonlat)
    utm = query_utm_crs_info(datum_name="WGS 84", area_of_interest=area)
    listed = query_crs_info(
        auth_name="EPSG", area_of_interest=area, contains=True, pj_types=PJType.PROJECTED_CRS, allow_deprecated=False
    )
    by_extent = [
        (extent(info.area_of_use.bounds), int(info.code), info)
        for info in listed
        if info.area_of_use is not None and "UTM" not in info.name and "(N-E)" not in info.name
    ]
    # The widest below a continent is the country's own grid; the narrow ones are its zones.
    national = [one[2] for one in sorted(by_extent, key=lambda one: (-one[0], one[1])) if 0 < one[0] < 2000]
    chosen: list[tuple[str, str]] = []
    for info in (*national, *utm):
        room = most if info in utm else most - 1
        code = f"{info.auth_name}:{info.code}"
        projection = info.name.split(" / ")[-1]
        already = any(name.endswith(projection) for _, name in chosen)  # the same grid on a newer datum
        if len(chosen) < room and not already and not _unfit(CRS(code), bounds_lonlat):
            chosen.append((code, info.name))
    return chosen


def within_area_of_use(
    crs: str | CRS, longitude: ArrayLike, latitude: ArrayLike, *, margin_deg: float = _MARGIN_DEG
) -> NDArray[np.bool_]:
    """Tell which points lie where a CRS is meant to be used.

    Parameters
    ----------
    crs : str or CRS
        One that states no area is taken to be meant for the whole world.
    longitude, latitude : array_like, shape (n,)
        Degrees; a missing one is outside.
    margin_deg : float
    """
    area = CRS.from_user_input(crs).area_of_use
    bounds = (-180.0, -90.0, 180.0, 90.0) if area is None else area.bounds
    once = np.asarray(longitude, dtype=np.float64)
    inside = within_bounds(once, latitude, bounds, margin=margin_deg)
    for turned in (once - 360.0, once + 360.0):  # the margin may reach across the antimeridian
        inside |= within_bounds(turned, latitude, bounds, margin=margin_deg)
    return inside


def name_crs(crs: str | CRS) -> str:
    """Return how a sentence should call a CRS: as the user wrote it, else its code or name."""
    if isinstance(crs, str):
        return repr(crs) if len(crs) <= 60 else f"{crs[:57]!r}..."
    authority = crs.to_authority()
    return ":".join(authority) if authority else repr(crs.name)


def _unfit(crs: CRS, bounds: Bounds | None) -> str:
    """Return why a CRS can't be worked in over an area, as the rest of a sentence, or ``""``."""
    if crs.is_geographic:
        return "measures in degrees, in which there are no distances"
    units = {axis.unit_name for axis in crs.axis_info}
    if units - {"metre", "meter", "m"}:
        return f"measures in {' and '.join(sorted(units))}, not metres"
    error = 0.0 if bounds is None else scale_error(crs, bounds)
    if math.isinf(error):
        return "is not defined over the whole study"
    if error > SCALE_LIMIT:
        return f"stretches or shrinks distances by up to {error:.1%} over the study (1 % is allowed)"
    return ""


def _advice(bounds: Bounds | None) -> str:
    wanted = "a projected CRS in metres that fits the study is accepted"
    found = [] if bounds is None else suitable_crs(bounds)
    return f"{wanted}, such as {', '.join(f'{code} ({name})' for code, name in found)}" if found else wanted
