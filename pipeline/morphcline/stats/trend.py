"""Which way a mapped quantity rises over the region as a whole."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class Trend:
    """The plane that fits values best.

    Attributes
    ----------
    bearing_deg : float
        Where it rises most steeply, clockwise from grid north; NaN when it is level or there is no plane.
    explained : float
        Share of the weighted variance that the plane takes, 0 to 1; 0 when there is no plane.
    """

    bearing_deg: float
    explained: float


def plane_trend(easting: ArrayLike, northing: ArrayLike, values: ArrayLike, weights: ArrayLike) -> Trend:
    """Fit a plane by weighted least squares and return which way it rises.

    Parameters
    ----------
    easting, northing, values, weights : (n,) array_like
        Rows with a value or weight that is missing, and weights of 0, are left out.

    Examples
    --------
    >>> trend = plane_trend([0, 1, 0, 1], [0, 0, 1, 1], [0.2, 0.4, 0.2, 0.4], [10, 10, 10, 10])
    >>> round(trend.bearing_deg), round(trend.explained, 6)
    (90, 1.0)
    """
    x, y, v, w = (np.asarray(array, dtype=np.float64).ravel() for array in (easting, northing, values, weights))
    used = np.isfinite(v) & np.isfinite(w) & (w > 0)
    x, y, v, w = x[used], y[used], v[used], w[used]
    if len(v) < 4:
        return Trend(float("nan"), 0.0)
    share = w / w.sum()
    x, y, v = x - share @ x, y - share @ y, v - share @ v
    variance = float(share @ v**2)
    root = np.sqrt(share)
    design = np.stack([x, y], axis=1) * root[:, None]
    slope, _, rank, _ = np.linalg.lstsq(design, v * root, rcond=None)
    if variance < 1e-18 or rank < 2:
        return Trend(float("nan"), 0.0)
    left = float(share @ (v - slope[0] * x - slope[1] * y) ** 2)
    bearing = float(np.degrees(np.arctan2(slope[0], slope[1])) % 360)
    return Trend(bearing, min(max(1 - left / variance, 0.0), 1.0))
