"""Where the bulk of a survey's places lies, so that a stray one can be told."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: Nearer than this to the middle of a survey no place is a stray, in metres.
LEAST_REACH_M = 10_000.0

#: The share of the places by which the bulk is measured, and how many times their distance it reaches.
SHARE = 0.9
TIMES = 3.0

_FEWEST_PLACES = 10


@dataclass(frozen=True)
class Bulk:
    """A circle about the bulk of the places.

    Parameters
    ----------
    easting, northing, reach_m : float
        Its centre and radius.
    """

    easting: float
    northing: float
    reach_m: float

    @classmethod
    def of(cls, easting: ArrayLike, northing: ArrayLike) -> Bulk | None:
        """Return the circle about the bulk of the places, or None with fewer than ten of them.

        Parameters
        ----------
        easting, northing : array_like, shape (n,)
            Different places in metres; not finite ones are left out.

        Notes
        -----
        The centre is the median easting and northing; the radius three times the distance within which nine in ten
        places lie, at least 10 km. So up to a tenth of the places may be wrong without moving it, and a survey of two
        far clusters isn't parted. For places spread evenly over a disc it is 2.8 times the disc's radius.
        """
        east, north = np.asarray(easting, dtype=np.float64), np.asarray(northing, dtype=np.float64)
        known = np.isfinite(east) & np.isfinite(north)
        if known.sum() < _FEWEST_PLACES:
            return None
        centre = float(np.median(east[known])), float(np.median(north[known]))
        distance = np.hypot(east[known] - centre[0], north[known] - centre[1])
        return cls(*centre, max(TIMES * float(np.quantile(distance, SHARE)), LEAST_REACH_M))

    def distance_m(self, easting: ArrayLike, northing: ArrayLike) -> NDArray[np.float64]:
        """Return how far places lie from the centre."""
        east, north = np.asarray(easting, dtype=np.float64), np.asarray(northing, dtype=np.float64)
        distance: NDArray[np.float64] = np.hypot(east - self.easting, north - self.northing)
        return distance


def in_bulk(easting: ArrayLike, northing: ArrayLike) -> NDArray[np.bool_]:
    """Tell which places lie in the bulk of them all; every one where there are too few to tell.

    Parameters
    ----------
    easting, northing : array_like, shape (n,)
        In metres; the same place may come again, and counts once.
    """
    places = np.column_stack([np.asarray(easting, dtype=np.float64), np.asarray(northing, dtype=np.float64)])
    bulk = Bulk.of(*np.unique(np.rint(places[np.isfinite(places).all(axis=1)]), axis=0).T)
    if bulk is None:
        return np.ones(len(places), dtype=bool)
    inside: NDArray[np.bool_] = bulk.distance_m(*places.T) <= bulk.reach_m
    return inside
