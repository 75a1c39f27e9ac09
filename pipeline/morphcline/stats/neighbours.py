"""Which sites are neighbours: sparse weights between sites, never of a site with itself."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

#: Two distances that differ by less than this share of the study's extent are tied.
_TIE = 1e-9


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
    """
    if k < 1:
        raise ValueError(f"k must be at least 1, got {k}")
    points = _points(easting, northing)
    n = len(points)
    k = min(k, n - 1)
    if k < 1:
        return csr_array((n, n), dtype=np.float64)
    tree = cKDTree(points)
    # An extent of 0 (all sites at one place) leaves all distances tied at 0.
    tie = _TIE * float(np.ptp(points, axis=0).max()) or 1.0
    reach = tree.query(points, [k + 1])[0][:, 0] + tie
    candidates = tree.query_ball_point(points, reach)
    rows = np.repeat(np.arange(n), [len(found) for found in candidates])
    columns = np.concatenate([np.asarray(found, dtype=np.intp) for found in candidates])
    others = rows != columns
    rows, columns = rows[others], columns[others]
    distance = np.hypot(*(points[rows] - points[columns]).T)
    order = np.lexsort((columns, np.rint(distance / tie), rows))
    rows, columns = rows[order], columns[order]
    first = np.searchsorted(rows, np.arange(n))
    chosen = np.arange(len(rows)) - first[rows] < k
    return from_pairs(rows[chosen], columns[chosen], np.full(n * k, 1.0 / k), sites=n)


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
