"""Exponential curves through variograms: many at once, by weighted least squares."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morphcline.stats.correlations import ROUGH, matern

Floats = NDArray[np.float64]

#: Smoothness of the Matérn family: the exponential.
SMOOTHNESS = ROUGH
#: Ranges tried, as shares of the farthest class's distance. From the last one on there is no sill to be seen: the
#: correlation is still above one half at the farthest class.
_SHARES = np.geomspace(0.01, 1.5, 61)
_ROUNDS = 12


@dataclass(frozen=True)
class MaternFits:
    """Curves fitted to r variograms.

    Attributes
    ----------
    small_scale, sill, range_m : arrays of shape (r,)
    without_sill : array of bool, shape (r,)
        The range is the longest that is tried.
    converged : array of bool, shape (r,)
        The weights settled.
    """

    small_scale: Floats
    sill: Floats
    range_m: Floats
    without_sill: NDArray[np.bool_]
    converged: NDArray[np.bool_]


def practical_range(range_m: float) -> float:
    """Return the distance at which the exponential correlation has fallen to 0.05."""
    return range_m * math.log(20.0)


def _rise(at_m: Floats, range_m: Floats) -> Floats:
    return np.asarray(1 - matern(at_m, range_m, SMOOTHNESS))


def fit_matern(at_m: Floats, semivariance: Floats, pairs: Floats, known: Floats) -> MaternFits:
    """Fit ``known + small_scale + sill (1 - correlation)`` to variograms of the same classes.

    Parameters
    ----------
    at_m : array of shape (c,)
        Mean distance of each class.
    semivariance : array of shape (r, c)
    pairs : array of shape (c,)
    known : array of shape (c,)
        The part of the semivariance that is known beforehand.

    Returns
    -------
    MaternFits

    Notes
    -----
    Weights ``pairs / expected^2`` (Cressie 1985) from the curve of the round before, from equal expectations on. For
    each of a ladder of ranges the two variances, which must not be negative, have a closed solution; between the best
    rung and its neighbours the range is refined by a parabola in its logarithm.
    """
    ranges = at_m.max() * _SHARES
    rise = _rise(at_m, ranges[:, None])
    target = semivariance - known
    expected = np.ones_like(semivariance)
    last = np.full(len(semivariance), np.nan)
    converged = np.zeros(len(semivariance), dtype=bool)
    for _ in range(_ROUNDS):
        weights = pairs / expected**2
        range_m = _between(_left_over(target, weights, rise), ranges)
        fit = _variances(target, weights, _rise(at_m, range_m[:, None]))
        expected = known + fit[0][:, None] + fit[1][:, None] * _rise(at_m, range_m[:, None])
        # A variogram can come out as 0; a weight can't be infinite.
        expected = np.maximum(expected, 1e-3 * semivariance.mean(axis=1, keepdims=True) + 1e-12)
        converged = np.abs(np.log(range_m) - last) < 0.02
        last = np.log(range_m)
    flat = fit[1] <= 0
    return MaternFits(fit[0], fit[1], range_m, (range_m >= ranges[-1] * (1 - 1e-9)) & ~flat, converged | flat)


def _left_over(target: Floats, weights: Floats, rise: Floats) -> Floats:
    """Return the weighted squares left over for every variogram and rung, (r, ranges)."""
    a, b, c, d, e = (
        weights.sum(axis=1)[:, None], weights @ rise.T, weights @ (rise**2).T,
        (weights * target).sum(axis=1)[:, None], (weights * target) @ rise.T,
    )  # fmt: skip
    small, sill = _solved(a, b, c, d, e)
    total = (weights * target**2).sum(axis=1)[:, None]
    left: Floats = total - 2 * (small * d + sill * e) + small**2 * a + 2 * small * sill * b + sill**2 * c
    return left


def _variances(target: Floats, weights: Floats, rise: Floats) -> tuple[Floats, Floats]:
    """Return both variances of every variogram, each at its own range."""
    return _solved(
        weights.sum(axis=1), (weights * rise).sum(axis=1), (weights * rise**2).sum(axis=1),
        (weights * target).sum(axis=1), (weights * target * rise).sum(axis=1),
    )  # fmt: skip


def _solved(a: Floats, b: Floats, c: Floats, d: Floats, e: Floats) -> tuple[Floats, Floats]:
    """Return the least squares of ``[[a, b], [b, c]] x = [d, e]`` with neither part of x below 0."""
    determinant = np.maximum(a * c - b * b, 1e-14 * a * c)
    small, sill = (c * d - b * e) / determinant, (a * e - b * d) / determinant
    alone_small, alone_sill = np.maximum(d / a, 0.0) + 0 * b, np.maximum(e / c, 0.0)
    # What each alone leaves: the one that takes off more squares is the answer where both can't be.
    better = alone_small * d >= alone_sill * e
    both = (small >= 0) & (sill >= 0)
    return (
        np.where(both, small, np.where(better, alone_small, 0.0)),
        np.where(both, sill, np.where(better, 0.0, alone_sill)),
    )


def _between(loss: Floats, ranges: Floats) -> Floats:
    """Return the range at the bottom of a parabola through the best rung and its neighbours."""
    best = loss.argmin(axis=1)
    inside = np.clip(best, 1, len(ranges) - 2)
    rows = np.arange(len(loss))
    left, middle, right = loss[rows, inside - 1], loss[rows, inside], loss[rows, inside + 1]
    bend = left - 2 * middle + right
    shift = np.divide(left - right, 2 * bend, out=np.zeros_like(middle), where=bend > 0)
    step = np.log(ranges[1] / ranges[0])
    refined = ranges[inside] * np.exp(step * np.clip(shift, -1.0, 1.0))
    found: Floats = np.where((best == 0) | (best == len(ranges) - 1), ranges[best], refined)
    return found
