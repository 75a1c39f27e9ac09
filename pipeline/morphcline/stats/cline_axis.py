"""Along what places lie: distance along a line, and the bearing of places that lie along one themselves."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def distance_along_line(
    easting: ArrayLike, northing: ArrayLike, line_easting: ArrayLike, line_northing: ArrayLike
) -> NDArray[np.float64]:
    """Return the distance, from a line's start, of the point on it that is nearest to each place.

    Parameters
    ----------
    easting, northing : (n,) array_like
        Places, in metres.
    line_easting, line_northing : (m,) array_like
        The line's corners, at least two different ones.

    Returns
    -------
    (n,) array
        Negative before the start and above the line's length beyond its end: the first and the last piece go on
        straight, so that sites there keep their distances. Of two points equally near, the first one counts.

    Raises
    ------
    ValueError
        When the line has no length.

    Examples
    --------
    A line 10 m to the east, then 10 m to the north:

    >>> distance_along_line([-2, 5, 11, 9], [3, 1, 4, 14], [0, 10, 10], [0, 0, 10])
    array([-2.,  5., 14., 24.])
    """
    place = np.column_stack([np.asarray(easting, dtype=np.float64), np.asarray(northing, dtype=np.float64)])
    corner = np.column_stack([np.asarray(line_easting, dtype=np.float64), np.asarray(line_northing, dtype=np.float64)])
    piece = np.diff(corner, axis=0)
    length = np.hypot(*piece.T)
    corner, piece, length = corner[:-1][length > 0], piece[length > 0], length[length > 0]
    if not len(length):
        raise ValueError("a line needs two different points")
    unit = piece / length[:, None]
    from_corner = place[:, None, :] - corner
    along = (from_corner * unit).sum(axis=2)
    low, high = np.zeros(len(length)), length.copy()
    low[0], high[-1] = -np.inf, np.inf
    along = np.clip(along, low, high)
    away = np.hypot(*np.moveaxis(from_corner - along[:, :, None] * unit, 2, 0))
    before = np.concatenate([[0.0], np.cumsum(length)[:-1]])
    nearest = away.argmin(axis=1)
    rows = np.arange(len(place))
    return np.asarray(before[nearest] + along[rows, nearest])


#: Places whose spread across is less than this part of their spread along lie on a line, as far as a bearing can be
#: told from them (no single source).
ON_A_LINE = 0.1


def bearing_of_transect(easting: ArrayLike, northing: ArrayLike) -> float | None:
    """Return the bearing of the line that places lie along, or None where they spread in two directions.

    Parameters
    ----------
    easting, northing : (n,) array_like
        Places, in metres.

    Returns
    -------
    float or None
        In degrees clockwise from grid north, 0 to 180: that of the first principal axis. None too for fewer than two
        different places.

    Notes
    -----
    The bearing of a cline can't be told from places on one line: turned towards a right angle to it, a cline becomes
    narrower and fits as well.

    Examples
    --------
    >>> round(bearing_of_transect([0, 1000, 2000, 3000], [0, 1010, 1990, 3000]))
    45
    >>> bearing_of_transect([0, 1000, 0, 1000], [0, 0, 1000, 1000]) is None
    True
    """
    places = np.column_stack([np.asarray(easting, dtype=np.float64), np.asarray(northing, dtype=np.float64)])
    if len(np.unique(places, axis=0)) < 2:
        return None
    across_and_along, axes = np.linalg.eigh(np.cov((places - places.mean(axis=0)).T))
    across, along = np.sqrt(np.clip(across_and_along, 0.0, None))
    if across >= ON_A_LINE * along:
        return None
    east, north = axes[:, 1]
    return float(np.degrees(np.arctan2(east, north)) % 180)
