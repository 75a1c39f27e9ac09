"""Lines along which a gridded surface has one value."""

from __future__ import annotations

import numpy as np
from contourpy import contour_generator
from numpy.typing import NDArray

from morphcline.stats.kernels import Floats


def contour_lines(values: NDArray[np.floating], easting: Floats, northing: Floats, *, level: float) -> list[Floats]:
    """Return the lines of a level, each (points, 2), easting and northing.

    Parameters
    ----------
    values : array (rows, columns)
        At the cells' centres; NaN where not known, and no line goes there.
    easting : array (columns,)
    northing : array (rows,)
    level : float

    Notes
    -----
    Between two centres the line passes where their straight line has the level. Lines are in the order of the raster,
    the high side to their left.
    """
    if min(values.shape) < 2:
        return []
    known = np.ma.masked_invalid(np.asarray(values, dtype=np.float64))
    generator = contour_generator(easting, northing, known, name="serial")
    return [np.asarray(line, dtype=np.float64) for line in generator.lines(level) if len(line) > 1]
