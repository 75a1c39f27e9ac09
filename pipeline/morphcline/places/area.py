"""The area of a study where its user gives none: what its sites speak for."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray
from shapely.geometry.base import BaseGeometry

from morphcline.places.bulk import in_bulk

#: How far the hull follows the sites inward: 0 the tightest, 1 the convex hull.
_TIGHTNESS = 0.4


def sites_area(easting: ArrayLike, northing: ArrayLike, *, margin_m: float | None = None) -> BaseGeometry:
    """Return the sites' hull widened by a margin.

    Parameters
    ----------
    easting, northing : array_like, shape (n,)
        In metres; sites with a missing coordinate are left out.
    margin_m : float, optional
        Otherwise twice the median distance from a site to its nearest neighbour, at least 100 m.

    Returns
    -------
    shapely Polygon or MultiPolygon
        Round the bulk of the sites (:class:`~morphcline.places.bulk.Bulk`): a stray one, a mistyped place perhaps,
        doesn't stretch it. A concave hull (Duckham et al. 2008, as GEOS implements it) from four sites on, so that a
        survey round a lake or along a bent valley doesn't claim the middle; a widened point or line below. Empty
        without sites.
    """
    points = np.column_stack([np.asarray(easting, dtype=np.float64), np.asarray(northing, dtype=np.float64)])
    points = np.unique(points[np.isfinite(points).all(axis=1)], axis=0)
    if not len(points):
        return shapely.Polygon()
    points = points[in_bulk(*points.T)]
    margin = usual_margin(points) if margin_m is None else margin_m
    together = shapely.multipoints(points)
    hull = shapely.concave_hull(together, ratio=_TIGHTNESS) if len(points) >= 4 else shapely.convex_hull(together)
    area: BaseGeometry = shapely.buffer(hull, margin, quad_segs=16)
    return area


def usual_margin(points: NDArray[np.float64]) -> float:
    """Return twice the median distance from a point to its nearest neighbour, at least 100 m.

    Parameters
    ----------
    points : array, shape (n, 2)
        Distinct, in metres.
    """
    if len(points) < 2:
        return 100.0
    from scipy.spatial import cKDTree  # slow to load, and needed for an area alone

    distance, _ = cKDTree(points).query(points, k=2)
    return max(100.0, 2.0 * float(np.median(distance[:, 1])))
