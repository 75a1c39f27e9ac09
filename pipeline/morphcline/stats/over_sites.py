"""Intervals of what is computed from sums over sites: a ratio of variances, a common odds ratio, a mean allele.

Sites, not shells, are what a survey draws from its region, so the scatter of sites says how sure a number is, whatever
makes sites differ.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

Floats = NDArray[np.float64]
#: Totals, (draws, sums), to the estimate of each draw, (draws,): on a scale on which it is about symmetric.
Statistic = Callable[[Floats], Floats]

#: Below it nothing is said of how sites scatter.
LEAST_SITES = 5
#: Share of draws that must give a number; where fewer do, the linear interval stands alone.
_ENOUGH_DRAWS = 0.9


@dataclass(frozen=True)
class OverSites:
    """An estimate from sums over sites, on the scale of the statistic.

    Attributes
    ----------
    estimate, low, high : float
        NaN where the statistic is, or for the limits with fewer than five sites or no scatter.
    sites : int
    """

    estimate: float
    low: float
    high: float
    sites: int


def draw_sites(sites: int, *, draws: int, rng: np.random.Generator) -> Floats:
    """Return how often each site is drawn in resampled surveys, with replacement: (draws, sites)."""
    return rng.multinomial(sites, np.full(sites, 1 / sites), size=draws).astype(np.float64)


def interval_over_sites(
    sums: ArrayLike,
    statistic: Statistic,
    weights: ArrayLike | None,
    *,
    groups: ArrayLike | None = None,
    confidence: float = 0.95,
) -> OverSites:
    """Return a statistic of sums over sites with the interval that the sites' scatter gives it.

    Parameters
    ----------
    sums : array_like, shape (sites, sums)
        What each site adds.
    statistic : callable
        Smooth in the totals; may return NaN.
    weights : array_like, shape (draws, sites), optional
        As :func:`draw_sites` returns; without them the jackknife stands alone.
    groups : array_like, shape (sites,), optional
        Sites scatter within groups, of two sites or more, that are given.
    confidence : float

    Returns
    -------
    OverSites

    Notes
    -----
    Two intervals are made and the outer limit of each side is taken: Student's t with the jackknife's standard error
    (one site left out at a time), and the bootstrap-t over sites with standard errors by linearisation (Efron &
    Tibshirani 1993, *An Introduction to the Bootstrap*, ch. 11 and 12). Either alone misses too often when a
    trait is rare, the first by limits too low above, the second when sites are few.
    """
    each = np.asarray(sums, dtype=float)
    sites = len(each)
    labels = np.zeros(sites, dtype=np.intp) if groups is None else np.asarray(groups)
    total = each.sum(axis=0, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        estimate = float(statistic(total)[0])
        if sites < LEAST_SITES or not math.isfinite(estimate):
            return OverSites(estimate, math.nan, math.nan, sites)
        tail = (1 + confidence) / 2
        error, freedom = _jackknife(statistic(total - each), labels)
        if not error > 0:
            return OverSites(estimate, math.nan, math.nan, sites)
        half = float(stdtrit(freedom, tail)) * error
        low, high = estimate - half, estimate + half
        if weights is None:
            return OverSites(estimate, low, high, sites)
        weight = np.asarray(weights, dtype=float)
        drawn = weight @ each
        deviates = (statistic(drawn) - estimate) / _linear_error(each, drawn, weight, statistic)
        own = float(_linear_error(each, total, np.ones((1, sites)), statistic)[0])
    deviates = deviates[np.isfinite(deviates)]
    if deviates.size >= _ENOUGH_DRAWS * len(weight) and deviates.size:
        below, above = np.quantile(deviates, [1 - tail, tail])
        low, high = min(low, estimate - float(above) * own), max(high, estimate - float(below) * own)
    return OverSites(estimate, low, high, sites)


def _jackknife(without: Floats, labels: NDArray[np.intp]) -> tuple[float, int]:
    """Return the standard error from estimates with one site left out, and its degrees of freedom."""
    variance, freedom = 0.0, 0
    for label in np.unique(labels):
        here = without[labels == label]
        variance += (here.size - 1) / here.size * float(np.sum((here - here.mean()) ** 2))
        freedom += here.size - 1
    return math.sqrt(variance), freedom


def _linear_error(each: Floats, totals: Floats, weight: Floats, statistic: Statistic) -> Floats:
    """Return the standard error of each draw's statistic, from how the sites in it pull at its totals."""
    steps = 1e-6 * np.maximum(np.abs(each).max(axis=0), 1e-12)
    slope = np.empty_like(totals)
    for column, step in enumerate(steps):
        there, back = totals.copy(), totals.copy()
        there[:, column] += step
        back[:, column] -= step
        slope[:, column] = (statistic(there) - statistic(back)) / (2 * step)
    pull = slope @ each.T
    drawn = weight.sum(axis=1)
    middle = np.einsum("ds,ds->d", weight, pull) / drawn
    spread = np.einsum("ds,ds->d", weight, (pull - middle[:, None]) ** 2)
    return np.asarray(np.sqrt(spread * drawn / np.maximum(drawn - 1, 1)))
