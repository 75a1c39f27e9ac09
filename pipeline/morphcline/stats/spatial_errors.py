"""Least squares with spatially correlated errors, for many responses at the same sites.

The correlation between two sites' standardised residuals is s exp(-d / range), and 1 at distance 0: a share s of the
variance is spatial, the rest is the site's own. For each range on a ladder the matrix exp(-d / range) is decomposed
once; in its eigenvectors' coordinates the errors are uncorrelated whatever s, so that restricted likelihood costs
next to nothing and every response shares the decomposition. Many sites are decomposed block by block.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.distance import pdist, squareform

from morphcline.stats.correlations import ROUGH, matern

Floats = NDArray[np.float64]

#: Most sites of a block: beyond them, sites of different blocks are taken as uncorrelated in finding range and share.
_LARGEST_BLOCK = 400
#: Shares of the variance that are tried; the best is refined between its neighbours.
_SHARES = np.concatenate([[0.0], np.linspace(0.05, 0.95, 19), [0.98]])


@dataclass(frozen=True)
class SpatialFit:
    """Generalised least squares with the correlation that restricted likelihood prefers.

    Attributes
    ----------
    coefficients : (k,) array
    covariance : (k, k) array
    range_m : float
        NaN when no share of the variance is spatial.
    share : float
        Of the variance that is spatial.
    scale : float
        Variance of the standardised residuals.
    """

    coefficients: Floats
    covariance: Floats
    range_m: float
    share: float
    scale: float


class SpatialErrors:
    """Exponential correlation at a set of sites.

    Parameters
    ----------
    easting, northing : (n,) arrays
        In metres.
    ranges : int
        Rungs of the ladder, from half the median distance to the nearest neighbour to the sites' diameter.

    Notes
    -----
    Of more than 400 sites the likelihood is that of blocks of neighbouring sites, halved along their longer side until
    none is larger (independent blocks: Caragea & Smith 2007, *Journal of Multivariate Analysis* 98:1417-1440). Its time
    grows with the number of sites, not with its cube; up to 400 sites it is exact.
    """

    def __init__(self, easting: Floats, northing: Floats, *, ranges: int = 7):
        self.easting, self.northing, self._ranges = easting, northing, ranges
        self.distance_m: Floats = squareform(pdist(np.column_stack([easting, northing])))
        nearest = _nearest(self.distance_m)
        diameter = float(self.distance_m.max())
        shortest = float(np.median(nearest[nearest > 0])) / 2 if (nearest > 0).any() else diameter / 100
        self.ranges_m: Floats = np.geomspace(min(shortest, diameter / 4), diameter, ranges)
        self._blocks = _halved(np.column_stack([easting, northing]), np.arange(len(easting)))
        self._bases = [[self._decomposed(block, float(r)) for block in self._blocks] for r in self.ranges_m]
        self._of_covariates: dict[bytes, tuple[float, float]] = {}

    def at(self, sites: NDArray[np.intp]) -> SpatialErrors:
        """Return the same for some of the sites."""
        return SpatialErrors(self.easting[sites], self.northing[sites], ranges=self._ranges)

    def _decomposed(self, block: NDArray[np.intp], range_m: float) -> tuple[Floats, Floats]:
        values, vectors = np.linalg.eigh(matern(self.distance_m[np.ix_(block, block)], range_m, ROUGH))
        return values, vectors

    def _rotated(self, basis: list[tuple[Floats, Floats]], values: Floats) -> Floats:
        return np.concatenate([v.T @ values[block] for (_, v), block in zip(basis, self._blocks, strict=True)])

    def correlation(self, range_m: float, share: float) -> Floats:
        """Return the (n, n) correlation matrix of the errors."""
        if not share > 0:
            return np.eye(len(self.distance_m))
        matrix = matern(self.distance_m, range_m, ROUGH)
        matrix *= share
        np.fill_diagonal(matrix, 1.0)
        return matrix

    def correlation_of(self, covariate: Floats) -> Floats:
        """Return the (n, n) correlation matrix fitted to a covariate, which many traits share."""
        key = np.ascontiguousarray(covariate, dtype=np.float64).tobytes()
        if key not in self._of_covariates:
            found = self.fit(covariate, np.ones((len(covariate), 1)))
            self._of_covariates[key] = found.range_m, found.share
        return self.correlation(*self._of_covariates[key])

    def mean_shares(self, response: Floats, design: Floats) -> Floats:
        """Return, for each range, the share of the variance that is spatial at it, averaged over what may be true.

        Parameters
        ----------
        response, design
            As for :meth:`fit`.

        Returns
        -------
        (ranges,) array
            Sum over shares s of s w(range, s), with weights w proportional to the restricted likelihood (flat priors on
            share and log range). Its sum is the mean share. Few sites leave the share uncertain, and the likeliest is
            then often 0 where it isn't (Diggle & Ribeiro 2007).
        """
        scores = np.array([_restricted(*turned, _SHARES) for turned in self._turned(response, design)])
        weights = np.exp(scores - scores.max())
        return np.asarray((weights @ _SHARES) / weights.sum())

    def _turned(self, response: Floats, design: Floats) -> list[tuple[Floats, Floats, Floats]]:
        """Return eigenvalues, response and design in the eigenvectors' coordinates, for each range."""
        return [
            (np.concatenate([v for v, _ in basis]), self._rotated(basis, response), self._rotated(basis, design))
            for basis in self._bases
        ]

    def fit(self, response: Floats, design: Floats) -> SpatialFit:
        """Fit response = design @ coefficients + error by restricted maximum likelihood (Patterson & Thompson 1971).

        Parameters
        ----------
        response : (n,) array
            Standardised: equal error variance at every site.
        design : (n, k) array
            Of full rank, standardised likewise.
        """
        rotated = self._turned(response, design)
        scores = np.array([_restricted(*basis, _SHARES) for basis in rotated])
        index, at = divmod(int(scores.argmax()), len(_SHARES))
        low, high = _SHARES[max(at - 1, 0)], _SHARES[min(at + 1, len(_SHARES) - 1)]
        finer = np.linspace(low, high, 13)
        share = float(finer[_restricted(*rotated[index], finer).argmax()])
        coefficients, covariance, scale = _least_squares(*rotated[index], share)
        return SpatialFit(coefficients, covariance, float(self.ranges_m[index]) if share > 0 else np.nan, share, scale)


def _nearest(distance_m: Floats) -> Floats:
    """Return each site's distance to the nearest other."""
    if len(distance_m) < 2:
        return np.full(len(distance_m), np.inf)
    # The smallest in a row is the site itself.
    return np.asarray(np.partition(distance_m, 1, axis=1)[:, 1])


def _halved(places: Floats, sites: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """Return sites in blocks of neighbours, none larger than the largest."""
    if len(sites) <= _LARGEST_BLOCK:
        return [sites]
    along = int(np.ptp(places[sites], axis=0).argmax())
    order = sites[np.argsort(places[sites, along], kind="stable")]
    middle = len(order) // 2
    return _halved(places, order[:middle]) + _halved(places, order[middle:])


def _spectrum(values: Floats, share: float | Floats) -> Floats:
    return np.maximum(1 - share + share * values, 1e-9)


def _restricted(values: Floats, response: Floats, design: Floats, shares: Floats) -> Floats:
    """Return the restricted log-likelihood, but for a constant, at each share."""
    n, k = design.shape
    precision = 1 / _spectrum(values, shares[:, None])
    products = (design[:, :, None] * design[:, None, :]).reshape(n, k * k)
    information = (precision @ products).reshape(-1, k, k)
    along = precision @ (design * response[:, None])
    fitted = np.linalg.solve(information, along[:, :, None])[:, :, 0]
    scale = (precision @ response**2 - (fitted * along).sum(axis=1)) / (n - k)
    log_det = np.linalg.slogdet(information)[1]
    return np.asarray(-0.5 * ((n - k) * np.log(np.maximum(scale, 1e-300)) - np.log(precision).sum(axis=1) + log_det))


def _least_squares(values: Floats, response: Floats, design: Floats, share: float) -> tuple[Floats, Floats, float]:
    variance = _spectrum(values, share)
    weighted = design / variance[:, None]
    inverse = np.linalg.inv(design.T @ weighted)
    coefficients = inverse @ (weighted.T @ response)
    rest = response - design @ coefficients
    scale = float((rest**2 / variance).sum()) / (len(response) - design.shape[1])
    return coefficients, inverse * scale, scale
