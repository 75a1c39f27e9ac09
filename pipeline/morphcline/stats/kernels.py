"""How much a site counts at a place: kernels, and how many sites or shells a weighted mean is really worth."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

Floats = NDArray[np.float64]
KernelName = Literal["gaussian", "epanechnikov", "tricube"]


def _gaussian(squared: Floats) -> Floats:
    weights: Floats = np.exp(-0.5 * squared)
    return weights


def _epanechnikov(squared: Floats) -> Floats:
    return np.maximum(1.0 - squared, 0.0)


def _tricube(squared: Floats) -> Floats:
    weights: Floats = np.maximum(1.0 - squared**1.5, 0.0) ** 3
    return weights


_KERNELS: dict[KernelName, Callable[[Floats], Floats]] = {
    "gaussian": _gaussian,
    "epanechnikov": _epanechnikov,
    "tricube": _tricube,
}

#: Bandwidths beyond which a site is not looked for: a Gaussian is 1.5e-8 of its peak there, the others are zero.
CUT: dict[KernelName, float] = {"gaussian": 6.0, "epanechnikov": 1.0, "tricube": 1.0}

#: Bandwidths within which a place needs a site to be supported at all: without this rule a Gaussian, which never
#: ends, would carry the nearest sample any distance away. A choice of ours: two standard deviations.
REACH: dict[KernelName, float] = {"gaussian": 2.0, "epanechnikov": 1.0, "tricube": 1.0}


def squared_distances(points: Floats, sites: Floats) -> Floats:
    """Return the squared distance of every point to every site.

    Parameters
    ----------
    points : array (points, dimensions)
    sites : array (sites, dimensions)
        In the same units.

    Returns
    -------
    array (points, sites)
        By differences, not by the expanded square, which loses digits where coordinates are large.
    """
    squared = np.zeros((len(points), len(sites)))
    for axis in range(sites.shape[1]):
        difference = points[:, axis, None] - sites[None, :, axis]
        squared += difference * difference
    return squared


def kernel_weights(
    points: Floats, sites: Floats, *, bandwidth: float | Floats, kernel: KernelName = "gaussian"
) -> Floats:
    """Return the weight of every site at every point, 1 where a site lies at the point itself.

    Parameters
    ----------
    points : array (points, dimensions)
    sites : array (sites, dimensions)
    bandwidth : float or array (points,)
        Standard deviation of the Gaussian, half-width of the compact kernels; in the units of the positions.
    kernel : {"gaussian", "epanechnikov", "tricube"}
        ``exp(-u²/2)``, ``1 - u²`` and ``(1 - |u|³)³`` of the distance u in bandwidths; the last two are zero beyond 1.

    Returns
    -------
    array (points, sites)

    Examples
    --------
    >>> import numpy as np
    >>> kernel_weights(np.array([[0.0]]), np.array([[0.0], [1.0], [2.0]]), bandwidth=2.0, kernel="epanechnikov")
    array([[1.  , 0.75, 0.  ]])
    """
    scale = np.square(np.broadcast_to(np.asarray(bandwidth, dtype=np.float64), (len(points),)))
    return _KERNELS[kernel](squared_distances(points, sites) / scale[:, None])


def nearest_bandwidth(points: Floats, sites: Floats, *, neighbours: int) -> Floats:
    """Return, for each point, the distance to its k-th nearest site: a bandwidth that follows the sites.

    Parameters
    ----------
    points : array (points, dimensions)
    sites : array (sites, dimensions)
    neighbours : int
        k; all sites where there are fewer.

    Returns
    -------
    array (points,)
        Never 0: where the k nearest sites all lie at the point itself, the distance to the nearest other site.
        A compact kernel is 0 at its half-width, so that the k-th site itself doesn't count there.

    Raises
    ------
    ValueError
        When all sites lie at one point that is asked for: there is no distance to take.
    """
    k = min(neighbours, len(sites))
    distance = np.asarray(KDTree(sites).query(points, k=[k])[0], dtype=np.float64)[:, 0]
    for at in np.flatnonzero(distance == 0):
        others = squared_distances(points[at : at + 1], sites)
        if not np.any(others > 0):
            raise ValueError("all sites lie at one place: there is no distance to a neighbour")
        distance[at] = np.sqrt(others[others > 0].min())
    return distance


def kish(weights: Floats, *, axis: int = -1) -> Floats:
    """Return the effective number (Σw)² / Σw²: how many equal weights a weighted mean is worth (Kish 1965).

    Parameters
    ----------
    weights : array
        Zero or positive.
    axis : int
        Over which to add up.

    Returns
    -------
    array
        0 where all weights are 0.

    Examples
    --------
    >>> import numpy as np
    >>> float(kish(np.array([1.0, 1.0, 1.0, 1.0])))
    4.0
    """
    return _ratio(np.sum(weights, axis=axis) ** 2, np.sum(np.square(weights), axis=axis))


def effective_shells(weights: Floats, shells: Floats) -> Floats:
    """Return how many independent shells a kernel-weighted proportion is worth.

    Parameters
    ----------
    weights : array (points, sites)
        Kernel weights K.
    shells : array (sites,) or (sites, traits)
        Effective shells m of each site: n / (1 + (n - 1) ρ), so that its frequency has the variance p (1 - p) / m.

    Returns
    -------
    array (points,) or (points, traits)
        (Σ K m)² / Σ K² m; 0 where nothing is in reach.

    Notes
    -----
    The proportion Σ K m y / Σ K m has the variance p (1 - p) Σ K² m / (Σ K m)²; that of n independent shells is
    p (1 - p) / n. Equating them gives the formula: Kish's number, with m shells that share each site's weight.
    """
    return _ratio((weights @ shells) ** 2, np.square(weights) @ shells)


def _ratio(above: Floats, below: Floats) -> Floats:
    above, below = np.asarray(above, dtype=np.float64), np.asarray(below, dtype=np.float64)
    return np.divide(above, below, out=np.zeros_like(above), where=below > 0)
