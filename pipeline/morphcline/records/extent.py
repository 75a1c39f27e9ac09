"""Where a study's places ought to lie: its area, or where most of them are."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from morphcline.places.bounds import Bounds
from morphcline.places.bulk import SHARE, TIMES, Bulk
from morphcline.records.spots import Spots, exchanged_in_degrees, outside_crs, swapped

#: Beyond this distance outside the study's area a place is a mistake; nearer, a person should look.
FAR_OUTSIDE_M = 10_000.0


@dataclass(frozen=True)
class Extent:
    """The study's area, or a circle about the bulk of its places.

    Parameters
    ----------
    polygon : shapely geometry or None
        In the study's CRS.
    easting, northing, reach_m : float
        Centre and radius of the circle, used where there is no polygon; an infinite radius judges nothing.
    """

    polygon: BaseGeometry | None
    easting: float = 0.0
    northing: float = 0.0
    reach_m: float = math.inf

    @classmethod
    def of_bulk(cls, easting: NDArray[np.float64], northing: NDArray[np.float64]) -> Extent:
        """Return the circle about the bulk of the places (:class:`~morphcline.places.bulk.Bulk`).

        Parameters
        ----------
        easting, northing : (m,) arrays
            Different places in the study's CRS; not finite ones are left out.
        """
        bulk = Bulk.of(easting, northing)
        return cls(None) if bulk is None else cls(None, bulk.easting, bulk.northing, bulk.reach_m)

    def outside_m(self, easting: NDArray[np.float64], northing: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far outside places lie; 0 inside, infinite for places that aren't finite."""
        known = np.isfinite(easting) & np.isfinite(northing)
        distance = np.full(len(easting), math.inf)
        if self.polygon is not None:
            points = shapely.points(easting[known], northing[known])
            distance[known] = shapely.distance(self.polygon, points)
        elif math.isinf(self.reach_m):
            distance[known] = 0.0
        else:
            from_centre = np.hypot(easting[known] - self.easting, northing[known] - self.northing)
            distance[known] = np.maximum(from_centre - self.reach_m, 0.0)
        return distance

    @property
    def tolerance_m(self) -> float:
        """How far outside a place may lie before it can't be meant."""
        return FAR_OUTSIDE_M if self.polygon is not None else 0.0

    @property
    def judges(self) -> bool:
        """Whether there is anything to judge by."""
        return self.polygon is not None or math.isfinite(self.reach_m)


def judge(spots: Spots, extent: Extent, study_crs: CRS, bounds: Bounds | None) -> tuple[Spots, NDArray[np.object_]]:
    """Refuse places that are swapped, undefined or far outside; name those that lie far from the rest.

    Parameters
    ----------
    spots : Spots
        Placed in the study's CRS.
    extent : Extent
    study_crs : CRS
    bounds : (west, south, east, north) or None
        Of the study, in degrees, for the transformation.

    Returns
    -------
    spots : Spots
    far : (m,) array of str
        A sentence for a place that is kept and lies far from the rest; else empty.
    """
    outside = extent.outside_m(spots.x_m, spots.y_m)
    spots = exchanged_in_degrees(spots, study_crs)
    if extent.judges and (strays := spots.usable & (outside > extent.tolerance_m)).any():
        exchanged = extent.outside_m(*swapped(spots, study_crs, bounds))
        spots = spots.refused(
            strays & (exchanged <= extent.tolerance_m),
            "position-swapped",
            lambda k: (
                f"the place {spots.written(k)} lies outside the study's area, and with its two coordinates exchanged "
                "it would lie in it; expected them the other way round"
            ),
        )
    spots = outside_crs(spots, study_crs)
    far = np.full(len(spots), "", dtype=object)
    if extent.polygon is None:
        for spot in np.flatnonzero(spots.usable & (outside > 0)):
            from_centre = math.hypot(spots.x_m[spot] - extent.easting, spots.y_m[spot] - extent.northing)
            far[spot] = (
                f"the place {spots.written(spot)} lies {from_centre / 1000:.0f} km from the middle of the survey; "
                f"{SHARE:.0%} of the places lie within {extent.reach_m / TIMES / 1000:.0f} km"
            )
        return spots, far
    spots = spots.refused(
        outside > FAR_OUTSIDE_M,
        "position-outside-area",
        lambda k: (
            f"the place {spots.written(k)} lies {outside[k] / 1000:.0f} km outside the study's area; "
            f"expected at most {FAR_OUTSIDE_M / 1000:.0f} km"
        ),
    )
    for spot in np.flatnonzero(spots.usable & (outside > 0)):
        far[spot] = f"the place {spots.written(spot)} lies {outside[spot] / 1000:.1f} km outside the study's area"
    return spots, far
