"""A trait's steepness at some points: gradient, limits, and zones steeper than chance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from morphcline.stats.kernels import Floats, KernelName
from morphcline.stats.multiple import holm
from morphcline.stats.overdispersion import effective_number
from morphcline.stats.smoothing import LEAST_SITES, one_thread
from morphcline.stats.steep_zones import (
    Ground,
    Overlap,
    ZoneTest,
    find_zones,
    linear_slopes,
    moved_patterns,
    overlap,
    permuted,
    plane_design,
    scatter,
)
from morphcline.stats.steepness import Gradients, bearing_deg, gradients, length_error, length_limits

Flags = NDArray[np.bool_]


@dataclass(frozen=True)
class SteepTask:
    """A trait and the points at which its steepness is asked for; it can travel to another process.

    Attributes
    ----------
    points : array (points, 2)
    sites : array (sites, 2)
        Those with shells that can show the trait.
    count, total : array (sites,)
    bandwidth : array (points,)
    site_bandwidth : array (sites,)
    rho : float
        About the surface.
    kernel : {"gaussian", "epanechnikov", "tricube"}
    min_effective_shells : float
    permutations : int
    level : float
    seed : tuple of int
        Of the permutations; traits of the same sites with one seed are permuted alike.
    blocked : array of bool (points, sites), optional
    sites_apart : array of bool (sites, sites), optional
        Sites that don't speak for each other.
    """

    points: Floats
    sites: Floats
    count: Floats
    total: Floats
    bandwidth: Floats
    site_bandwidth: Floats
    rho: float
    kernel: KernelName
    min_effective_shells: float
    permutations: int
    level: float
    seed: tuple[int, ...]
    blocked: Flags | None = None
    sites_apart: Flags | None = None


@dataclass(frozen=True)
class SteepSurface:
    """What was found.

    Attributes
    ----------
    gradients : Gradients
        NaN where the surface has too little support.
    anywhere : ZoneTest
        Against samples that lie at random.
    beyond_slope : ZoneTest
        Against samples that lie at random about an even slope of the logits over the whole region.
    even_slope : array (points, 2)
        Gradient of that even slope.
    slope : array (points, 2)
        Gradient as the tests take it.
    """

    gradients: Gradients
    anywhere: ZoneTest
    beyond_slope: ZoneTest
    even_slope: Floats
    slope: Floats

    def zone(self) -> tuple[Floats, Floats]:
        """Return statistics over their critical values for both tests, (points,) each: a zone is where it is 1 or more.

        The second is 0 where the slope is no steeper than the even one: a test of difference alone would count a level
        stretch as a zone.
        """
        steeper = np.linalg.norm(self.slope, axis=1) > np.linalg.norm(self.even_slope, axis=1)
        first = self.anywhere.statistic / self.anywhere.critical
        second = np.where(steeper, self.beyond_slope.statistic / self.beyond_slope.critical, 0.0)
        return first, np.where(np.isnan(self.beyond_slope.statistic), np.nan, second)


def steep_surface(task: SteepTask) -> SteepSurface:
    """Return a trait's steepness at the points of a task.

    Parameters
    ----------
    task : SteepTask
    """
    with one_thread():
        found = gradients(
            task.points, task.sites, task.count, task.total, bandwidth=task.bandwidth, rho=task.rho,
            kernel=task.kernel, blocked=task.blocked, site_bandwidth=task.site_bandwidth,
            sites_apart=task.sites_apart,
        )  # fmt: skip
        shown = (
            np.isfinite(found.surface[:, 0])
            & (found.effective_shells >= task.min_effective_shells)
            & (found.effective_sites >= LEAST_SITES)
        )
        found = replace(
            found,
            **{
                name: np.where(shown.reshape(-1, *(1,) * (getattr(found, name).ndim - 1)), getattr(found, name), np.nan)
                for name in ("surface", "surface_covariance", "corrected", "covariance")
            },
        )
        rng = np.random.default_rng(list(task.seed))
        tests, slopes, even = [], np.full(task.points.shape, np.nan), np.zeros(task.points.shape)
        for places in (None, task.sites):
            null = scatter(task.count, task.total, places)
            ground = _ground(task, null.sd, shown)
            drawn = permuted(null.deviation, draws=task.permutations, rng=rng)
            tests.append(_over_all(find_zones(ground, null.deviation, drawn, level=task.level), shown))
            if places is None:
                slopes[shown] = linear_slopes(ground, task.count / task.total)
            else:
                chance = expit(plane_design(task.points, task.sites) @ null.coefficients)
                even = (chance * (1.0 - chance))[:, None] * null.coefficients[1:] / 1000.0
    return SteepSurface(found, tests[0], tests[1], even, slopes)


def _ground(task: SteepTask, sd: Floats, shown: Flags) -> Ground:
    return Ground(
        task.points[shown], task.sites, effective_number(task.total, task.rho), sd, task.bandwidth[shown], task.kernel,
        None if task.blocked is None else task.blocked[shown],
    )  # fmt: skip


def _over_all(test: ZoneTest, shown: Flags) -> ZoneTest:
    statistic, p = np.full(len(shown), np.nan), np.full(len(shown), np.nan)
    statistic[shown], p[shown] = test.statistic, test.p
    return replace(test, statistic=statistic, p=p)


@dataclass(frozen=True)
class Steepest:
    """Where a trait is most surely steep; gradients per unit of the positions.

    Attributes
    ----------
    at : int
        The point at which steepness stands out most from chance.
    surface, surface_error : float
        Of the surface there, and its standard error by chance.
    at_least : float
        Lower limit of the surface's gradient by chance alone: smoothing makes no gradient steeper than the steepest it
        takes in, so that somewhere in reach the truth is at least so steep.
    corrected, low, high : float
    bearing, bearing_error : float
        Of the surface's gradient, and its standard error by chance, degrees; NaN where no direction is sure.
    """

    at: int
    surface: float
    surface_error: float
    at_least: float
    corrected: float
    low: float
    high: float
    bearing: float
    bearing_error: float


def steepest(surface: SteepSurface, among: Flags, *, confidence: float) -> Steepest | None:
    """Return where a trait is most surely steep, or None where no point has a gradient with limits.

    Parameters
    ----------
    surface : SteepSurface
    among : array of bool (points,)
    confidence : float

    Notes
    -----
    The place with the largest statistic of the test against random placement, not that of the steepest estimate: of
    many noisy estimates the largest is too large. The limits are those of a place chosen beforehand.
    """
    found = surface.gradients
    rows = np.flatnonzero(among & np.isfinite(found.corrected[:, 0]) & np.isfinite(surface.anywhere.statistic))
    if not len(rows):
        return None
    corrected, covariance = found.corrected[rows], found.covariance[rows]
    length = np.linalg.norm(corrected, axis=1)
    low, high = length_limits(length, length_error(corrected, covariance), confidence=confidence)
    drawn = np.linalg.norm(found.surface[rows], axis=1)
    best = int(np.argmax(surface.anywhere.statistic[rows]))
    gradient, own = found.surface[rows[best]], found.surface_covariance[rows[best]]
    size = max(float(drawn[best]), np.finfo(float).tiny)
    across = np.array([-gradient[1], gradient[0]]) / size
    turned = float(np.sqrt(across @ own @ across)) / size
    error = length_error(gradient[None], own[None])
    at_least = float(length_limits(drawn[best : best + 1], error, confidence=confidence)[0][0])
    return Steepest(
        int(rows[best]), float(drawn[best]), float(error[0]), at_least, float(length[best]), float(low[best]),
        float(high[best]), float(bearing_deg(gradient)) if at_least > 0 else np.nan,
        float(np.degrees(turned)) if at_least > 0 else np.nan,
    )  # fmt: skip


@dataclass(frozen=True)
class OverlapTask:
    """Two traits whose zones are compared: one pattern is moved about, the other zone stays.

    Attributes
    ----------
    moved : SteepTask
    stays : array (points,)
        The other trait's statistic over its critical value, at the moved trait's points.
    shown : array of bool (points,)
        Points with support for both.
    weight : array (points,)
    critical : float
        Of the moved trait's test.
    seed : tuple of int
    """

    moved: SteepTask
    stays: Floats
    shown: Flags
    weight: Floats
    critical: float
    seed: tuple[int, ...]


def zones_together(task: OverlapTask) -> Overlap:
    """Return how far two zones coincide, and how far they would if one pattern lay anywhere."""
    moved = task.moved
    with one_thread():
        null = scatter(moved.count, moved.total)
        rng = np.random.default_rng(list(task.seed))
        drawn = moved_patterns(moved.sites, null.deviation, draws=moved.permutations, rng=rng)
        return overlap(
            _ground(moved, null.sd, task.shown), null.deviation, drawn, critical=task.critical,
            other=task.stays[task.shown], weight=task.weight[task.shown],
        )  # fmt: skip


def either_moved(one: Overlap, other: Overlap) -> Overlap:
    """Return a comparison of two traits from those in which one's and the other's pattern is moved.

    The larger p of the two: a pattern that is mostly one slope over the whole region is turned rather than moved, so
    that a test with it alone rejects a little too often.
    """
    return replace(one, p=max(one.p, other.p))


def holm_of(found: Sequence[Overlap]) -> Floats:
    """Return the overlaps' p-values corrected for their number (Holm)."""
    corrected: Floats = holm(np.array([one.p for one in found]))
    return corrected
