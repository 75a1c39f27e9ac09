"""Correlation of an effect of place with distance: Matérn's, with the smoothness 1/2 or 3/2.

With a = d sqrt(2 nu) / range it is exp(-a) for nu = 1/2 (rough: a random walk seen from near) and (1 + a) exp(-a) for
nu = 3/2 (a surface with a slope everywhere). Scaled so (Rasmussen & Williams 2006, *Gaussian processes for machine
learning*, section 4.2), a range means much the same for both.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: Smoothnesses that are tried.
ROUGH, SMOOTH = 0.5, 1.5


def matern(distance_m: Floats, range_m: float | Floats, smoothness: float) -> Floats:
    """Return the correlation at each distance.

    Parameters
    ----------
    distance_m : array
    range_m : float, or array that broadcasts with the distances
    smoothness : float
        0.5 or 1.5.
    """
    scaled = distance_m * (-np.sqrt(2 * smoothness) / range_m)
    correlation: Floats = np.exp(scaled)
    if smoothness == SMOOTH:
        np.subtract(1.0, scaled, out=scaled)
        correlation *= scaled
    return correlation


def matern_at_fixed_slope(correlation: Floats, distance_m: Floats, range_m: float, smoothness: float) -> Floats:
    """Return the derivative of variance times correlation by the logarithm of range, over the variance.

    Parameters
    ----------
    correlation : array
        From :func:`matern`, at the same distances; or a multiple of it, pair by pair, which the answer keeps.
    distance_m : array
    range_m, smoothness : float

    Notes
    -----
    Variance / range ** (2 nu) is held, which settles what the correlation does near distance 0: of a region no longer
    than its range, the data tell that ratio well and neither of the two alone (Zhang 2004, *Journal of the American
    Statistical Association* 99:250-261).
    """
    scaled = distance_m * (np.sqrt(2 * smoothness) / range_m)
    # nu = 1/2: (1 + a) exp(-a). nu = 3/2: (3 (1 + a) + a^2) exp(-a), which is the correlation times 3 + a^2 / (1 + a).
    factor = 1 + scaled if smoothness == ROUGH else 3 + scaled * scaled / (1 + scaled)
    factor *= correlation
    return np.asarray(factor)
