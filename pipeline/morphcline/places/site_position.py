"""One position for a site whose records place it more than once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class SitePosition:
    """Where a site is taken to be.

    Parameters
    ----------
    easting, northing : float
    uncertainty_m : float
        The chosen position's own 95 % radius, or ``spread_m`` where that is larger; NaN when neither says anything.
    spread_m : float
        Distance to the farthest of the site's other positions.
    """

    easting: float
    northing: float
    uncertainty_m: float
    spread_m: float


def site_position(easting: ArrayLike, northing: ArrayLike, uncertainty_m: ArrayLike, visits: ArrayLike) -> SitePosition:
    """Return the recorded position that lies closest to all of a site's positions.

    Parameters
    ----------
    easting, northing : array_like, shape (n,)
        The site's distinct positions in metres, at least one.
    uncertainty_m : array_like, shape (n,)
        95 % radius of each; NaN where unknown, which counts as the worst that is known.
    visits : array_like, shape (n,)
        How many visits recorded each.

    Returns
    -------
    SitePosition

    Notes
    -----
    The weighted medoid: of the positions themselves, the one with the least sum of distances to the others, each
    weighted by visits / uncertainty². A mean would lie between the right place and one mistyped kilometres off; the
    medoid stays with the majority of good fixes, and is a place where somebody stood. Ties go to the smaller
    uncertainty, then to the one farther west, then south.

    Examples
    --------
    >>> site_position([0.0, 10.0, 5000.0], [0.0, 0.0, 0.0], [10.0, 10.0, 10.0], [1, 2, 1])
    SitePosition(easting=10.0, northing=0.0, uncertainty_m=4990.0, spread_m=4990.0)
    """
    east, north, radius, count = (
        np.atleast_1d(np.asarray(values, dtype=np.float64)) for values in (easting, northing, uncertainty_m, visits)
    )
    known = np.isfinite(radius) & (radius > 0)
    weight_radius = np.where(known, radius, radius[known].max() if known.any() else 1.0)
    weight = count / weight_radius**2
    cost = np.array([weight @ np.hypot(east - e, north - n) for e, n in zip(east, north, strict=True)])
    near_least = cost <= cost.min() * (1 + 1e-12)
    order = np.lexsort((north, east, ~known, weight_radius, ~near_least))
    chosen = order[0]
    spread = float(np.hypot(east - east[chosen], north - north[chosen]).max())
    own = float(radius[chosen]) if known[chosen] else np.nan
    uncertainty = float(np.fmax(own, spread)) if spread > 0 else own
    return SitePosition(float(east[chosen]), float(north[chosen]), uncertainty, spread)
