"""Where a new sample makes smoothed surfaces surest: places chosen one after the other, each given those before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from morphcline.stats.barriers import blocked
from morphcline.stats.kernels import CUT, Floats, KernelName, kernel_weights

Flags = NDArray[np.bool_]

#: Candidates whose worth is worked out at once.
_BATCH = 128


@dataclass(frozen=True)
class PlannedSurface:
    """The smoothed surface of one trait of one species, and what a new sample is expected to add to it.

    Attributes
    ----------
    sites : array (sites, 2)
    shells, frequency : array (sites,)
        Effective shells m of each sample, and the surface's frequency there.
    frequency_at_points : array (points,)
    frequency_at_candidates : array (candidates,)
    bandwidth : array (points,)
    kernel : {"gaussian", "epanechnikov", "tricube"}
    degree : {0, 1}
    logit_variance : float
        Variance of the logit over the region: what is known of a place without any sample near.
    new_shells : float
        Effective shells of a planned sample.
    """

    sites: Floats
    shells: Floats
    frequency: Floats
    frequency_at_points: Floats
    frequency_at_candidates: Floats
    bandwidth: Floats
    kernel: KernelName
    degree: Literal[0, 1]
    logit_variance: float
    new_shells: float


@dataclass(frozen=True)
class Choice:
    """Places chosen, in their order.

    Attributes
    ----------
    chosen : array of int (places,)
        Rows of the candidates.
    variance : array (places + 1,)
        Mean variance over points and surfaces before any, and after each.
    share : array (places, surfaces)
        Of each surface in what a place gains.
    before : array (points,)
        Mean variance over the surfaces at every point before any.
    """

    chosen: NDArray[np.intp]
    variance: Floats
    share: Floats
    before: Floats


def choose_places(
    points: Floats,
    candidates: Floats,
    surfaces: Sequence[PlannedSurface],
    *,
    places: int,
    apart_m: float,
    worth: Floats | None = None,
    barriers: Floats | None = None,
) -> Choice:
    r"""Return the candidates at which samples lower the surfaces' mean variance most, one after the other.

    Parameters
    ----------
    points : array (points, 2)
        Where the surfaces are to be sure; all count alike.
    candidates : array (candidates, 2)
    surfaces : sequence of PlannedSurface
        All count alike.
    places : int
        Fewer are returned where no candidate is left or none gains anything.
    apart_m : float
        Places chosen lie at least this far from each other.
    worth : array (candidates,), optional
        By how much a candidate's gain counts, 0 to 1; one with 0 is never chosen.
    barriers : array (segments, 4), optional
        Across which a sample has no weight (:func:`morphcline.stats.barriers.blocked`).

    Returns
    -------
    Choice

    Notes
    -----
    At a point, with kernel weights K and :math:`z = (1, x)` the position from the point in bandwidths, the logistic
    plane's coefficients have the variance :math:`(H + P)^{-1} (J + P) (H + P)^{-1}`, with
    :math:`H = \sum K m p q z z^T` and :math:`J = \sum K^2 m p q z z^T` over the samples, as in
    :func:`morphcline.stats.local_logistic.logistic_planes`. :math:`P` holds 1 / v for level and slope, v the variance
    of the logit over the region: far from every sample the surface's value is as uncertain as a place drawn from the
    region, and so no worse. A new sample of m effective shells adds one term to each sum; the variance of the
    frequency, :math:`(p q)^2` times that of the level, follows by the formula of Sherman & Morrison (1950), without
    solving anew. Degree 0 has the level alone, and one p for all samples, that at the point.

    A step takes the candidate with the greatest gain (a sequential design; Cressie 1993, *Statistics for Spatial Data*,
    5.6). Gains fall as samples are added, so a candidate's earlier gain is taken for a bound and is worked out anew
    only while it could win (Minoux 1978). The frequencies are taken as they are now: what the new shells will show is
    not foretold. The bandwidths are kept, and the blur that smoothing makes is left out: shells don't lessen it.
    """
    with threadpool_limits(limits=1):
        local = [_Local(points, candidates, surface, barriers) for surface in surfaces]
        allowed = np.ones(len(candidates), dtype=bool) if worth is None else worth > 0
        weight = np.ones(len(candidates)) if worth is None else worth
        bound = np.full(len(candidates), -np.inf)
        bound[allowed] = np.inf
        chosen: list[int] = []
        shares: list[Floats] = []
        before: Floats = np.mean([one.variance() for one in local], axis=0)
        variance = [float(before.mean())]
        while len(chosen) < places:
            best = _best(local, bound, weight)
            if best is None:
                break
            gains = np.array([float(one.gain(np.array([best]))[0]) for one in local])
            for one in local:
                one.add(best)
            chosen.append(best)
            shares.append(gains / gains.sum())
            variance.append(_mean_variance(local))
            bound[np.hypot(*(candidates - candidates[best]).T) < apart_m] = -np.inf
            bound[best] = -np.inf
    return Choice(
        np.array(chosen, dtype=np.intp), np.array(variance), np.array(shares).reshape(-1, len(surfaces)), before
    )


def _best(local: Sequence[_Local], bound: Floats, weight: Floats) -> int | None:
    """Return the candidate with the greatest weighted gain; bounds of those looked at are made exact."""
    fresh = np.zeros(len(bound), dtype=bool)
    while True:
        order = np.lexsort((np.arange(len(bound)), -bound))
        top = order[0]
        if bound[top] <= 0:
            return None
        if fresh[top]:
            return int(top)
        stale = order[~fresh[order]][:_BATCH]
        stale = stale[bound[stale] > 0]
        gain = np.sum([one.gain(stale) for one in local], axis=0)
        bound[stale] = weight[stale] * gain
        fresh[stale] = True


def _mean_variance(local: Sequence[_Local]) -> float:
    return float(np.mean([one.variance().mean() for one in local]))


class _Local:
    """The local fits of one surface at all points, and how a sample at a candidate would change them."""

    def __init__(self, points: Floats, candidates: Floats, surface: PlannedSurface, barriers: Floats | None):
        self._points, self._candidates, self._surface, self._barriers = points, candidates, surface, barriers
        size = 1 if surface.degree == 0 else 1 + points.shape[1]
        self._here = surface.frequency_at_points * (1 - surface.frequency_at_points)
        self._slope = np.square(self._here)
        prior = np.eye(size) / surface.logit_variance
        self._first = np.tile(prior, (len(points), 1, 1))
        self._second = self._first.copy()
        step = max(1, 400_000 // max(len(surface.sites), 1))
        for start in range(0, len(points), step):
            block = slice(start, start + step)
            weights, design = self._seen_from(block, surface.sites)
            information = weights * self._information(surface.shells, surface.frequency, block)
            for i in range(size):
                for j in range(size):
                    product = information * design[i] * design[j]
                    self._first[block, i, j] += product.sum(axis=1)
                    self._second[block, i, j] += (weights * product).sum(axis=1)
        self._solve()

    def _seen_from(self, block: slice, places: Floats) -> tuple[Floats, list[Floats]]:
        """Return kernel weights of places at points, and their positions from there in bandwidths, 1 before them."""
        points, bandwidth = self._points[block], self._surface.bandwidth[block]
        kernel = self._surface.kernel
        weights = kernel_weights(points, places, bandwidth=bandwidth, kernel=kernel)
        away = [(places[None, :, axis] - points[:, axis, None]) / bandwidth[:, None] for axis in range(points.shape[1])]
        weights[np.sum(np.square(away), axis=0) > CUT[kernel] ** 2] = 0.0
        if self._barriers is not None and len(self._barriers):
            weights[blocked(points, places, self._barriers)] = 0.0
        return weights, [np.ones_like(weights), *away]

    def _solve(self) -> None:
        self._inverse = np.linalg.inv(self._first)
        self._spread = self._inverse @ self._second @ self._inverse

    def variance(self) -> Floats:
        """Return the variance of the frequency at every point."""
        spread: Floats = self._slope * self._spread[:, 0, 0]
        return spread

    def gain(self, candidates: NDArray[np.intp]) -> Floats:
        """Return by how much the mean variance falls with a sample at each of some candidates."""
        weights, design = self._seen_from(slice(None), self._candidates[candidates])
        size = self._first.shape[1]
        level = sum(self._inverse[:, 0, j, None] * design[j] for j in range(size))
        along = sum(self._spread[:, 0, j, None] * design[j] for j in range(size))
        own, spread = np.zeros_like(weights), np.zeros_like(weights)
        for i in range(size):
            for j in range(i, size):
                product = design[i] * design[j] * (1.0 if i == j else 2.0)
                own += self._inverse[:, i, j, None] * product
                spread += self._spread[:, i, j, None] * product
        frequency = self._surface.frequency_at_candidates[candidates]
        added = weights * self._information(self._surface.new_shells, frequency, slice(None))
        left = level / (1.0 + added * own)
        moved = added * left
        fall = 2.0 * moved * along - moved**2 * spread - weights * added * left**2
        gain: Floats = self._slope @ fall / len(self._slope)
        return gain

    def add(self, candidate: int) -> None:
        """Add a sample at a candidate."""
        weights, design = self._seen_from(slice(None), self._candidates[candidate : candidate + 1])
        size = self._first.shape[1]
        frequency = self._surface.frequency_at_candidates[candidate : candidate + 1]
        added = weights[:, 0] * self._information(self._surface.new_shells, frequency, slice(None))[:, 0]
        z = np.stack([column[:, 0] for column in design[:size]], axis=1)
        square = z[:, :, None] * z[:, None, :]
        self._first += added[:, None, None] * square
        self._second += (weights[:, 0] * added)[:, None, None] * square
        self._solve()

    def _information(self, shells: Floats | float, frequency: Floats, block: slice) -> Floats:
        """Return m p q, (points or 1, places): a plane has the frequency of the place, a level that of the point."""
        own = self._here[block, None] if self._surface.degree == 0 else (frequency * (1 - frequency))[None, :]
        information: Floats = own * np.broadcast_to(shells, frequency.shape)
        return information
