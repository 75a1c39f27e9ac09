"""How much a site counts at a place: kernels, and how many sites or shells a weighted mean is really worth."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import KDTree

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
Rows = NDArray[np.intp]
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

#: Weights that a block of points and the sites in reach of it hold at once: 256 KB, what a core keeps at hand.
_BLOCK = 32_768


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


def kernel_at(bandwidths: float, kernel: KernelName) -> float:
    """Return the weight of a site so many bandwidths away."""
    return float(_KERNELS[kernel](np.array([bandwidths**2]))[0])


def weights_near(
    points: Floats,
    sites: Floats,
    *,
    bandwidth: float | Floats,
    kernel: KernelName = "gaussian",
    left_out: Rows | None = None,
    blocked: Flags | None = None,
) -> Iterator[tuple[Rows, Rows, Floats]]:
    """Yield the weights block by block: points that lie together, the sites in reach of any of them, and the weights.

    Parameters
    ----------
    points : array (points, dimensions)
    sites : array (sites, dimensions)
    bandwidth : float or array (points,)
    kernel : {"gaussian", "epanechnikov", "tricube"}
    left_out : array of int (sites,), optional
        The points are the sites, and none has weight at a site with its number.
    blocked : array of bool (points, sites), optional
        Pairs without weight.
    """
    spread = np.broadcast_to(np.asarray(bandwidth, dtype=np.float64), (len(points),))
    least = kernel_at(CUT[kernel], kernel)
    for block, near in _blocks(points, sites, spread, CUT[kernel]):
        weights = kernel_weights(points[block], sites[near], bandwidth=spread[block], kernel=kernel)
        weights[weights < least] = 0.0  # or what counts far away would depend on the points that share a block
        if left_out is not None:
            weights[left_out[block][:, None] == left_out[near]] = 0.0
        if blocked is not None:
            weights[blocked[np.ix_(block, near)]] = 0.0
        yield block, near, weights


def _blocks(points: Floats, sites: Floats, bandwidth: Floats, cut: float) -> Iterator[tuple[Rows, Rows]]:
    side = 2.0 * float(np.median(bandwidth)) if len(points) else 1.0
    place = np.floor((points - points.min(axis=0, initial=np.inf)) / side)
    order = np.lexsort(tuple(points[:, axis] for axis in range(points.shape[1])) + tuple(place.T[::-1]))
    start = 0
    size = max(16, _BLOCK // max(len(sites), 1))
    while start < len(order):
        block = order[start : start + size]
        reach = cut * bandwidth[block].max()
        low, high = points[block].min(axis=0) - reach, points[block].max(axis=0) + reach
        near = np.flatnonzero(np.all((sites >= low) & (sites <= high), axis=1))
        yield block, near
        start += len(block)
        size = max(16, _BLOCK // max(len(near), 1))


def nearest_bandwidth(points: Floats, sites: Floats, *, neighbours: int, blocked: Flags | None = None) -> Floats:
    """Return, for each point, the distance to its k-th nearest site: a bandwidth that follows the sites.

    Parameters
    ----------
    points : array (points, dimensions)
    sites : array (sites, dimensions)
    neighbours : int
        k; all sites where there are fewer.
    blocked : array of bool (points, sites), optional
        Sites that don't count at a point, unless no other is left.

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
    if blocked is not None:
        return _nearest_in_sight(points, sites, k, blocked)
    distance = np.asarray(KDTree(sites).query(points, k=[k])[0], dtype=np.float64)[:, 0]
    for at in np.flatnonzero(distance == 0):
        others = squared_distances(points[at : at + 1], sites)
        if not np.any(others > 0):
            raise ValueError("all sites lie at one place: there is no distance to a neighbour")
        distance[at] = np.sqrt(others[others > 0].min())
    return distance


def _nearest_in_sight(points: Floats, sites: Floats, k: int, blocked: Flags) -> Floats:
    found = np.empty(len(points))
    for at in range(len(points)):
        seen = sites[~blocked[at]]
        apart = len(seen) > 0 and bool(np.any(seen != points[at]))
        found[at] = nearest_bandwidth(points[at : at + 1], seen if apart else sites, neighbours=k)[0]
    return found


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
