"""Distance of places along a line."""

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
