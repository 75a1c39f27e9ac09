"""One position for a site whose records place it more than once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

#: A site's name at places farther apart than this and their uncertainties stands for two sites, in metres; a site is a
#: patch some 20 to 30 m across (common practice, no single source), and a hedge or bank worked along may be longer.
ONE_SITE_M = 250.0


@dataclass(frozen=True)
class SitePosition:
    """Where a site is taken to be.

    Parameters
    ----------
    easting, northing : float
    uncertainty_m : float
        The chosen position's own 95 % radius, or the distance to the farthest of those that can be the same place
        where that is larger; NaN when neither says anything.
    spread_m : float
        Distance to the farthest of the site's other positions, outvoted ones too.
    """

    easting: float
    northing: float
    uncertainty_m: float
    spread_m: float


def rows_that_agree(
    easting: ArrayLike, northing: ArrayLike, uncertainty_m: ArrayLike, rows: ArrayLike
) -> NDArray[np.float64]:
    """Return, for each position that a site is given, how many rows can mean that very place.

    Parameters
    ----------
    easting, northing : array_like, shape (n,)
        Distinct positions in metres.
    uncertainty_m : array_like, shape (n,)
        95 % radius of each; NaN, which counts as 0, where unknown.
    rows : array_like, shape (n,)
        How many rows give each.

    Returns
    -------
    array, shape (n,)
        Rows whose own circle, widened by :data:`ONE_SITE_M`, holds the place. A vague place gains nothing from being
        vague: its circle is not asked.
    """
    apart, radius, count = _apart(easting, northing), _known_radius(uncertainty_m), np.asarray(rows, dtype=np.float64)
    votes: NDArray[np.float64] = (apart <= ONE_SITE_M + radius[None, :]) @ count
    return votes


def site_position(
    easting: ArrayLike, northing: ArrayLike, uncertainty_m: ArrayLike, visits: ArrayLike, rows: ArrayLike
) -> SitePosition:
    """Return, of the positions that most of a site's rows agree on, the one that lies closest to the others.

    Parameters
    ----------
    easting, northing : array_like, shape (n,)
        The site's distinct positions in metres, at least one.
    uncertainty_m : array_like, shape (n,)
        95 % radius of each; NaN where unknown, which counts as the worst that is known.
    visits, rows : array_like, shape (n,)
        How many visits and how many rows recorded each.

    Returns
    -------
    SitePosition

    Notes
    -----
    First the rows vote (:func:`rows_that_agree`): a mistyped place that lies kilometres off is outvoted, however
    exactly it is written. Of the places with the most votes the weighted medoid is taken: the one with the least sum
    of distances to the positions that are compatible with any of them (no farther than :data:`ONE_SITE_M` and the two
    uncertainties), each weighted by visits / uncertainty², so that a good fix tells more than a coarse square round it.
    A mean would lie where nobody stood. Ties go to the smaller uncertainty, then to the one farther west, then south.

    Examples
    --------
    >>> site_position([0.0, 10.0, 5000.0], [0.0, 0.0, 0.0], [10.0, 10.0, 10.0], [1, 2, 1], [1, 2, 1])
    SitePosition(easting=10.0, northing=0.0, uncertainty_m=10.0, spread_m=4990.0)
    """
    east, north, radius, count, lines = (
        np.atleast_1d(np.asarray(values, dtype=np.float64))
        for values in (easting, northing, uncertainty_m, visits, rows)
    )
    apart, blur = _apart(east, north), _known_radius(radius)
    compatible = apart <= ONE_SITE_M + blur[:, None] + blur[None, :]
    votes = rows_that_agree(east, north, radius, lines)
    elected = votes == votes.max()
    heard = compatible[elected].any(axis=0)
    known = np.isfinite(radius) & (radius > 0)
    weight_radius = np.where(known, radius, radius[known].max() if known.any() else 1.0)
    weight = np.where(heard, count / weight_radius**2, 0.0)
    cost = np.where(elected, apart @ weight, np.inf)
    near_least = cost <= cost.min() * (1 + 1e-12)
    order = np.lexsort((north, east, ~known, weight_radius, ~near_least))
    chosen = order[0]
    own = float(radius[chosen]) if known[chosen] else np.nan
    farthest = float(apart[chosen, compatible[chosen]].max())
    uncertainty = float(np.fmax(own, farthest)) if farthest > 0 else own
    return SitePosition(float(east[chosen]), float(north[chosen]), uncertainty, float(apart[chosen].max()))


def _apart(easting: ArrayLike, northing: ArrayLike) -> NDArray[np.float64]:
    east, north = np.asarray(easting, dtype=np.float64), np.asarray(northing, dtype=np.float64)
    apart: NDArray[np.float64] = np.hypot(east[:, None] - east[None, :], north[:, None] - north[None, :])
    return apart


def _known_radius(uncertainty_m: ArrayLike) -> NDArray[np.float64]:
    radius = np.asarray(uncertainty_m, dtype=np.float64)
    return np.where(np.isfinite(radius), radius, 0.0)
