"""How far a smoothed surface may be from the truth because it was smoothed, by comparison with half the bandwidth."""

from __future__ import annotations

from typing import Literal

import numpy as np

from morphcline.stats.kernels import Floats, KernelName
from morphcline.stats.local_likelihood import Flags, fit_local

#: The bias of a kernel-weighted mean or plane grows as the square of the bandwidth (Loader 1999, chapter 2): half of it
#: takes away three quarters, so that the bias is 4/3 of the difference.
_SCALE = (4.0 / 3.0) ** 2
#: Variance of the difference over the excess of the half's variance, for a Gaussian in the plane and even sites: the
#: two surfaces have the variances 1 and 4 and the covariance 1.6, in units of the wider one's.
_SHARED = (1.0 + 4.0 - 2.0 * 1.6) / (4.0 - 1.0)


def squared_blur(
    sites: Floats,
    count: Floats,
    total: Floats,
    *,
    bandwidth: float | Floats,
    rho: float | Floats,
    kernel: KernelName = "gaussian",
    degree: Literal[0, 1] = 1,
    blocked: Flags | None = None,
) -> Floats:
    """Return, at each site, an estimate of the squared bias of the surface there; a mean over sites is of use, not one.

    Parameters
    ----------
    sites : array (sites, dimensions)
    count, total : array (sites, traits)
    bandwidth : float or array (sites,)
    rho : float or array (traits,)
    kernel : {"gaussian", "epanechnikov", "tricube"}
    degree : {0, 1}
    blocked : array of bool (sites, sites), optional

    Returns
    -------
    array (sites, traits)
        Negative where the two surfaces are nearer to each other than chance alone would have them; NaN where either
        is not known.

    Notes
    -----
    16/9 ((p - p½)² - v), where p½ has half the bandwidth and v is the variance of their difference: without it, chance
    would pass for bias.
    """
    wide, narrow = (
        fit_local(sites, sites, count, total, bandwidth=width, rho=rho, kernel=kernel, degree=degree, blocked=blocked)
        for width in (np.asarray(bandwidth, dtype=np.float64), np.asarray(bandwidth, dtype=np.float64) / 2.0)
    )
    by_chance = _SHARED * np.maximum(np.square(narrow.standard_error) - np.square(wide.standard_error), 0.0)
    known = (total > 0) & ~wide.fallback & ~narrow.fallback
    estimate: Floats = np.where(known, _SCALE * (np.square(wide.frequency - narrow.frequency) - by_chance), np.nan)
    return estimate
