"""Which sites are neighbours: sparse weights between sites, never of a site with itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

#: Two distances that differ by less than this share of the study's extent are tied.
_TIE = 1e-9
_CANDIDATES_AT_ONCE = 4_000_000

Floats = NDArray[np.float64]
Sites = NDArray[np.intp]


def nearest(easting: ArrayLike, northing: ArrayLike, k: int) -> csr_array:
    """Return row-standardised weights of each site's nearest other sites.

    Parameters
    ----------
    easting, northing : array_like of shape (n,)
        Positions in a projected CRS, metres.
    k : int
        Number of neighbours; where there are no more than k other sites, all of them.

    Returns
    -------
    csr_array of shape (n, n)
        ``1 / k`` for each neighbour, in general not symmetric.

    Raises
    ------
    ValueError
        When a position is not finite or k is below 1.

    Notes
    -----
    Sites at one place are neighbours at distance 0. Tied distances are taken in the sites' order, and distances that
    differ by rounding alone count as tied, so that a survey on grid squares has the same neighbours on any machine.

    Memory: 24 bytes a link for the result and as much beside it, and 200 MB for the search.
    """
    if k < 1:
        raise ValueError(f"k must be at least 1, got {k}")
    points = _points(easting, northing)
    n = len(points)
    k = min(k, n - 1)
    if k < 1:
        return csr_array((n, n), dtype=np.float64)
    # An extent of 0 (all sites at one place) leaves all distances tied at 0.
    tie = _TIE * float(np.ptp(points, axis=0).max()) or 1.0
    tree = cKDTree(points)
    # Sites asked for one after another are close together then, and so is what is read for them.
    rows, asked = tree.indices, min(n, k + 2)
    chosen = np.empty((n, k), dtype=np.intp)
    while len(rows):
        tied = []
        step = max(1, _CANDIDATES_AT_ONCE // asked)
        for start in range(0, len(rows), step):
            some = rows[start : start + step]
            distance, site = tree.query(points[some], asked, workers=-1)
            reach = distance[:, k] + tie
            beyond = distance[:, -1] > reach
            if asked == k + 2:
                # The last one is farther away than any that could be tied, so the others are the site and its nearest.
                inner = site[beyond, :-1]
                chosen[some[beyond]] = inner[inner != some[beyond, np.newaxis]].reshape(-1, k)
                some, site, reach, beyond = some[~beyond], site[~beyond], reach[~beyond], beyond[~beyond]
            known = beyond | (asked == n)
            chosen[some[known]] = _first_others(points, some[known], site[known], reach[known], k, tie)
            tied.append(some[~known])
        rows, asked = np.concatenate(tied), min(n, 2 * asked)
    chosen.sort(axis=1)
    weights = csr_array((np.full(n * k, 1.0 / k), chosen.ravel(), np.arange(0, n * k + 1, k)), shape=(n, n))
    weights.has_canonical_format = True
    return weights


def _first_others(points: Floats, rows: Sites, candidates: Sites, reach: Floats, k: int, tie: float) -> Sites:
    """Return for each row its first k candidates no farther than its reach, by distance, then by their order."""
    distance = np.hypot(*(points[rows][:, np.newaxis] - points[candidates]).transpose(2, 0, 1))
    apart = np.rint(distance / tie)
    apart[(candidates == rows[:, np.newaxis]) | (distance > reach[:, np.newaxis])] = np.inf
    order = np.lexsort((candidates, apart), axis=1)[:, :k]
    nearest_others: Sites = np.take_along_axis(candidates, order, axis=1)
    return nearest_others


def within(easting: ArrayLike, northing: ArrayLike, distance_m: float) -> csr_array:
    """Return row-standardised weights of all other sites no farther than a distance.

    Parameters
    ----------
    easting, northing : array_like of shape (n,)
        Positions in a projected CRS, metres.
    distance_m : float
        Sites at exactly this distance are neighbours.

    Returns
    -------
    csr_array of shape (n, n)
        Rows of sites without neighbours (see :func:`islands`) are empty.

    Raises
    ------
    ValueError
        When a position is not finite or the distance is not above 0.
    """
    if not distance_m > 0:
        raise ValueError(f"distance_m must be above 0, got {distance_m}")
    points = _points(easting, northing)
    pairs = cKDTree(points).query_pairs(distance_m, output_type="ndarray")
    rows = np.concatenate([pairs[:, 0], pairs[:, 1]])
    columns = np.concatenate([pairs[:, 1], pairs[:, 0]])
    return row_standardised(from_pairs(rows, columns, np.ones(len(rows)), sites=len(points)))


def from_pairs(site: ArrayLike, neighbour: ArrayLike, weight: ArrayLike | None = None, *, sites: int) -> csr_array:
    """Return weights given link by link, as they are.

    Parameters
    ----------
    site, neighbour : array_like of int, shape (links,)
        Positions of the two sites in the list of sites, from 0; a link in both directions is given twice.
    weight : array_like of shape (links,), optional
        1 for every link by default.
    sites : int
        Number of sites.

    Returns
    -------
    csr_array of shape (sites, sites)

    Raises
    ------
    ValueError
        When a site is linked to itself, a link is given twice, or a weight is negative or not finite.
    """
    rows, columns = np.asarray(site, dtype=np.intp), np.asarray(neighbour, dtype=np.intp)
    data = np.ones(len(rows)) if weight is None else np.asarray(weight, dtype=np.float64)
    if np.any(rows == columns):
        raise ValueError(f"site {rows[rows == columns][0]} is given as its own neighbour")
    if not np.all((data >= 0) & np.isfinite(data)):
        raise ValueError("weights must be finite and not negative")
    weights = csr_array((data, (rows, columns)), shape=(sites, sites))
    weights.sum_duplicates()
    if weights.nnz < len(rows):
        raise ValueError(f"{len(rows) - weights.nnz} links are given more than once")
    weights.eliminate_zeros()
    return weights


def row_standardised(weights: csr_array) -> csr_array:
    """Return weights that add up to 1 in every row that has any; the argument stays as it is."""
    total = np.asarray(weights.sum(axis=1))
    links = np.diff(weights.indptr)
    data = weights.data / np.repeat(total, links)
    return csr_array((data, weights.indices.copy(), weights.indptr.copy()), shape=weights.shape)


def binary(weights: csr_array) -> csr_array:
    """Return 1 for every link; the argument stays as it is."""
    return csr_array((np.ones(weights.nnz), weights.indices.copy(), weights.indptr.copy()), shape=weights.shape)


def islands(weights: csr_array) -> NDArray[np.intp]:
    """Return the positions of sites that have no neighbour and are nobody's neighbour."""
    degree = np.diff(weights.indptr) + np.bincount(weights.indices, minlength=weights.shape[0])
    return np.flatnonzero(degree == 0)


def _points(easting: ArrayLike, northing: ArrayLike) -> NDArray[np.float64]:
    points = np.column_stack([np.asarray(easting, dtype=np.float64), np.asarray(northing, dtype=np.float64)])
    if not np.all(np.isfinite(points)):
        raise ValueError("easting and northing must be finite")
    return points
