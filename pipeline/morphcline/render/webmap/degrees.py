"""Longitudes of the page: without a jump where a study lies across the antimeridian."""

from __future__ import annotations

from pyproj import CRS

_WGS84 = "EPSG:4326"
_WGS84_FROM_0_TO_360 = "+proj=longlat +datum=WGS84 +lon_wrap=180 +type=crs"
_MERCATOR = "EPSG:3857"
_SPHERE = "+a=6378137 +b=6378137 +nadgrids=@null"
_MERCATOR_ABOUT_180 = f"+proj=merc {_SPHERE} +lon_0=180 +x_0=0 +y_0=0 +k=1 +units=m +type=crs"


def longitudes_of(crs: str) -> str:
    """Return the CRS in degrees in which a page shows a study; the map library takes longitudes beyond 180."""
    return _WGS84_FROM_0_TO_360 if _meets_the_antimeridian(crs) else _WGS84


def mercator_of(crs: str) -> str:
    """Return web Mercator, about the middle of the Pacific for a study there."""
    return _MERCATOR_ABOUT_180 if _meets_the_antimeridian(crs) else _MERCATOR


def _meets_the_antimeridian(crs: str) -> bool:
    area = CRS.from_user_input(crs).area_of_use
    if area is None:
        return False
    return area.west > area.east or (area.east == 180.0 and area.west > 0) or (area.west == -180.0 and area.east < 0)
