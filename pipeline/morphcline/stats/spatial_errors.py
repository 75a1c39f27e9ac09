"""Least squares with spatially correlated errors, for many responses at the same sites.

The correlation between two sites' standardised residuals is s exp(-d / range), and 1 at distance 0: a share s of the
variance is spatial, the rest is the site's own. For each range on a ladder the matrix exp(-d / range) is decomposed
once; in its eigenvectors' coordinates the errors are uncorrelated whatever s, so that restricted likelihood costs
next to nothing and every response shares the decomposition.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.distance import pdist, squareform

Floats = NDArray[np.float64]

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
    """

    def __init__(self, easting: Floats, northing: Floats, *, ranges: int = 7):
        self.easting, self.northing, self._ranges = easting, northing, ranges
        self.distance_m: Floats = squareform(pdist(np.column_stack([easting, northing])))
        apart = self.distance_m + np.diag(np.full(len(easting), np.inf))
        nearest = apart.min(axis=1)
        diameter = float(self.distance_m.max())
        shortest = float(np.median(nearest[nearest > 0])) / 2 if (nearest > 0).any() else diameter / 100
        self.ranges_m: Floats = np.geomspace(min(shortest, diameter / 4), diameter, ranges)
        self._bases = [np.linalg.eigh(self._decay(float(r))) for r in self.ranges_m]
        self._of_covariates: dict[bytes, tuple[float, float]] = {}

    def at(self, sites: NDArray[np.intp]) -> SpatialErrors:
        """Return the same for some of the sites."""
        return SpatialErrors(self.easting[sites], self.northing[sites], ranges=self._ranges)

    def _decay(self, range_m: float) -> Floats:
        return np.asarray(np.exp(-self.distance_m / range_m))

    def correlation(self, range_m: float, share: float) -> Floats:
        """Return the (n, n) correlation matrix of the errors."""
        if not share > 0:
            return np.eye(len(self.distance_m))
        matrix = share * self._decay(range_m)
        np.fill_diagonal(matrix, 1.0)
        return matrix

    def correlation_of(self, covariate: Floats) -> Floats:
        """Return the (n, n) correlation matrix fitted to a covariate, which many traits share."""
        key = np.ascontiguousarray(covariate, dtype=np.float64).tobytes()
        if key not in self._of_covariates:
            found = self.fit(covariate, np.ones((len(covariate), 1)))
            self._of_covariates[key] = found.range_m, found.share
        return self.correlation(*self._of_covariates[key])

    def fit(self, response: Floats, design: Floats) -> SpatialFit:
        """Fit response = design @ coefficients + error by restricted maximum likelihood (Patterson & Thompson 1971).

        Parameters
        ----------
        response : (n,) array
            Standardised: equal error variance at every site.
        design : (n, k) array
            Of full rank, standardised likewise.
        """
        rotated = [(values, vectors.T @ response, vectors.T @ design) for values, vectors in self._bases]
        scores = np.array([_restricted(*basis, _SHARES) for basis in rotated])
        index, at = divmod(int(scores.argmax()), len(_SHARES))
        low, high = _SHARES[max(at - 1, 0)], _SHARES[min(at + 1, len(_SHARES) - 1)]
        finer = np.linspace(low, high, 13)
        share = float(finer[_restricted(*rotated[index], finer).argmax()])
        coefficients, covariance, scale = _least_squares(*rotated[index], share)
        return SpatialFit(coefficients, covariance, float(self.ranges_m[index]) if share > 0 else np.nan, share, scale)


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
