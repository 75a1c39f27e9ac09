"""Where a change happened: do near pairs of sites change alike, and what is left of a common shift if they may."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtr, stdtrit

from morphcline.stats.autocorrelation import MIN_SITES, moran
from morphcline.stats.neighbours import nearest
from morphcline.stats.paired_shift import PairShifts
from morphcline.stats.spatial_errors import SpatialErrors

Floats = NDArray[np.float64]

#: Nearest pairs that count as neighbours of one.
NEIGHBOURS = 8


@dataclass(frozen=True)
class SpatialShift:
    """Mean shift of the logit over pairs of sites of which near ones may change alike.

    Attributes
    ----------
    shift, se, low, high, p : float
        As in :class:`morphcline.stats.paired_shift.PairedShift`.
    moran_i, p_moran : float
        Moran's I of the pairs' shifts, each by its standard error, among the nearest pairs, and its p-value under
        randomisation, two-sided.
    range_m, share : float
        Of the correlation that restricted likelihood prefers: share · exp(-d / range). NaN and 0 without any.
    effective_pairs : float
        Independent pairs that the mean is worth.
    not_tested_because : str
        Why all of it is NaN; else empty.
    """

    shift: float
    se: float
    low: float
    high: float
    p: float
    moran_i: float
    p_moran: float
    range_m: float
    share: float
    effective_pairs: float
    not_tested_because: str


_MISSING = (math.nan,) * 10


class PairsInSpace:
    """Pairs of sites at their places, whose neighbours and distances many traits share.

    Parameters
    ----------
    easting, northing : array_like, shape (pairs,)
        In metres.
    """

    def __init__(self, easting: ArrayLike, northing: ArrayLike):
        self._place = np.column_stack([np.asarray(easting, dtype=float), np.asarray(northing, dtype=float)])
        self._errors: dict[bytes, SpatialErrors] = {}

    def mean_shift(self, pairs: PairShifts, drift: float, *, confidence: float = 0.95) -> SpatialShift:
        """Return the mean shift when near pairs may change alike.

        Parameters
        ----------
        pairs : PairShifts
            What each pair says by itself, as many as there are places; those that say nothing are left out.
        drift : float
            Standard deviation of the shift between pairs.
        confidence : float

        Notes
        -----
        A pair's shift has the variance v + τ² by chance and drift. Divided by its root, the shifts have the correlation
        s exp(-d / range) for which their restricted likelihood is highest
        (:class:`morphcline.stats.spatial_errors.SpatialErrors`); the mean is that of generalised least squares. It is
        worth n' = n V₀ / V pairs, where V₀ is its variance if the pairs were independent; limits and p come from t on
        n' - 1 degrees of freedom, 1 at the least.

        The work is done on the logit, because in percentage points a common shift moves sites near one half farther
        than sites near 0 or 1: the levels' own pattern in space would be taken for one of the change.

        When drift is alike over a good part of the region, one region changes once, however many pairs are in it: no
        method can then tell a change from drift with certainty.
        """
        telling = np.isfinite(pairs.shift)
        number = int(telling.sum())
        if number < MIN_SITES:
            return SpatialShift(*_MISSING, f"fewer than {MIN_SITES} pairs of sites in which shells differ")
        place, shift = self._place[telling], pairs.shift[telling]
        root = 1 / np.sqrt(pairs.variance[telling] + drift**2)
        if np.ptp(place, axis=0).max() == 0:
            return SpatialShift(*_MISSING, "all pairs of sites lie at one place")
        independent = float(root**2 @ shift / (root @ root))
        tested = moran(root * (shift - independent), nearest(place[:, 0], place[:, 1], NEIGHBOURS))
        key = telling.tobytes()
        if key not in self._errors:
            self._errors[key] = SpatialErrors(place[:, 0], place[:, 1])
        fit = self._errors[key].fit(root * shift, root[:, None])
        mean, variance = float(fit.coefficients[0]), float(fit.covariance[0, 0])
        effective = min(number * fit.scale / float(root @ root) / variance, float(number))
        freedom, error = max(effective - 1, 1.0), math.sqrt(variance)
        half = float(stdtrit(freedom, (1 + confidence) / 2)) * error
        return SpatialShift(
            shift=mean,
            se=error,
            low=mean - half,
            high=mean + half,
            p=2 * float(stdtr(freedom, -abs(mean) / error)),
            moran_i=float(tested.i[0]),
            p_moran=float(tested.p[0]),
            range_m=fit.range_m,
            share=fit.share,
            effective_pairs=effective,
            not_tested_because="",
        )
