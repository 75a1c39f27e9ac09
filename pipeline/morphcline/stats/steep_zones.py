"""Where a frequency is steeper than chance makes it, and whether two traits are steep in the same places."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh

from morphcline.stats.kernels import CUT, Floats, KernelName, kernel_weights, squared_distances
from morphcline.stats.logistic import fit_logistic

Flags = NDArray[np.bool_]

#: Values that a block of points holds for all draws at once.
_TOGETHER = 2_000_000
#: Below this share of its size, what a sum leaves is rounding.
_ROUNDING = 1e-9


@dataclass(frozen=True)
class Scatter:
    """What sites differ by from a null model, in units of their own standard deviations.

    Attributes
    ----------
    deviation : array (sites,)
        (y - p) / sd: alike in size for small samples and large ones, so that they can change places.
    sd : array (sites,)
        √(p (1 - p) (1 + (n - 1) ρ) / n), the null model's.
    coefficients : array (k,)
        Of the null model, on the logit.
    """

    deviation: Floats
    sd: Floats
    coefficients: Floats


@dataclass(frozen=True)
class Ground:
    """Points, sites and kernel: what makes slopes of deviations, whichever these are.

    Attributes
    ----------
    points, sites : array (points, 2), (sites, 2)
    shells : array (sites,)
        Effective shells m, by which samples are weighted as for the surface.
    sd : array (sites,)
        A deviation of 1 at a site is so much of frequency.
    bandwidth : array (points,)
    kernel : {"gaussian", "epanechnikov", "tricube"}
    blocked : array of bool (points, sites), optional
    """

    points: Floats
    sites: Floats
    shells: Floats
    sd: Floats
    bandwidth: Floats
    kernel: KernelName = "gaussian"
    blocked: Flags | None = None


@dataclass(frozen=True)
class ZoneTest:
    """What a test of steepness found.

    Attributes
    ----------
    statistic : array (points,)
        Squared slope over what random placement gives it; NaN where no slope can be taken.
    p : array (points,)
        Allowing for all points looked at.
    critical : float
        The statistic from which on p is at the level or below; infinite when there were too few draws for it.
    """

    statistic: Floats
    p: Floats
    critical: float


def scatter(count: Floats, total: Floats, places: Floats | None = None) -> Scatter:
    """Return how far each site is from one frequency everywhere or, where places are given, from an even slope.

    Parameters
    ----------
    count, total : array (sites,)
        Every total above 0.
    places : array (sites, 2), optional

    Notes
    -----
    The null is a logistic model with extra-binomial variance (:func:`morphcline.stats.logistic.fit_logistic`): of a
    constant, or of a constant and the two coordinates.
    """
    design = np.ones((len(total), 1)) if places is None else plane_design(places, places)
    fit = fit_logistic(count, total, design)
    frequency = np.clip(fit.frequency, 1e-6, 1.0 - 1e-6)
    sd = np.sqrt(frequency * (1.0 - frequency) * (1.0 + (total - 1.0) * fit.rho) / total)
    return Scatter((count / total - frequency) / sd, sd, fit.coefficients)


def plane_design(points: Floats, sites: Floats) -> Floats:
    """Return a constant and the coordinates of points, counted from the middle of the sites, in kilometres."""
    return np.column_stack([np.ones(len(points)), (points - sites.mean(axis=0)) / 1000.0])


def permuted(deviation: Floats, *, draws: int, rng: np.random.Generator) -> Floats:
    """Return deviations shuffled over the sites, (sites, draws)."""
    return np.column_stack([deviation[rng.permutation(len(deviation))] for _ in range(draws)])


def find_zones(ground: Ground, deviation: Floats, drawn: Floats, *, level: float = 0.05) -> ZoneTest:
    """Return where slopes are steeper than random placement of the deviations allows.

    Parameters
    ----------
    ground : Ground
    deviation : array (sites,)
    drawn : array (sites, draws)
        The same shuffled (:func:`permuted`).
    level : float

    Returns
    -------
    ZoneTest

    Notes
    -----
    The null: where a sample lies says nothing of its frequency, or of what it differs by from an even slope. Samples
    keep their places and sizes and exchange their standardised deviations, rather than count and total together: sizes
    follow the recorders, and a place of small samples would have its noise taken for a zone if they were exchanged,
    too. Exchanged between all sites (Womble 1951; Barbujani, Oden & Sokal 1989; on which randomisation says what:
    Fortin & Dale 2005); what the null holds beside randomness, an even slope, is taken out first and not exchanged.

    The slope is that of the plane fitted to the deviations by least squares with the surface's weights K m: one step of
    the local likelihood from the null, and linear in the deviations, so that all draws are one matrix product and the
    mean and covariance over all permutations are known exactly. The statistic is the squared slope in units of that
    covariance, and so of the same size at well and badly supported points. p is the share of draws whose largest
    statistic over all points reaches a point's own, the draw itself included: the chance of calling any point steep
    where none is, is at most the level.
    """
    statistic, largest = np.full(len(ground.points), np.nan), np.zeros(drawn.shape[1])
    for rows, observed, by_draw in _statistics(ground, deviation, drawn):
        statistic[rows] = observed
        largest = np.maximum(largest, np.nan_to_num(by_draw).max(axis=0, initial=0.0))
    ranked = np.sort(largest)
    reached = len(ranked) - np.searchsorted(ranked, statistic * (1.0 - _ROUNDING), side="left")
    p = np.where(np.isnan(statistic), np.nan, (1.0 + reached) / (1.0 + len(ranked)))
    # p <= level when at most this many draws reach the statistic.
    allowed = int(np.floor(level * (1.0 + len(ranked)) + _ROUNDING)) - 1
    critical = float(ranked[len(ranked) - 1 - allowed]) * (1.0 + _ROUNDING) if 0 <= allowed < len(ranked) else np.inf
    return ZoneTest(statistic, p, critical)


def linear_slopes(ground: Ground, frequency: Floats) -> Floats:
    """Return the slope of the least-squares plane at each point, (points, 2): the step that the test takes."""
    slope = np.full(ground.points.shape, np.nan)
    values = np.divide(frequency, ground.sd, out=np.zeros(len(frequency)), where=ground.sd > 0)
    for rows, near, lever in _levers(ground, max(16, _TOGETHER // max(len(ground.sites), 1))):
        slope[rows] = np.einsum("kij,j->ik", lever, values[near])
    return slope


@dataclass(frozen=True)
class Overlap:
    """Whether two traits are steep in the same places.

    Attributes
    ----------
    likeness : float
        Cosine of the two traits' steepness (roots of the statistics) over the points: 1 where one is everywhere a
        multiple of the other.
    likeness_expected : float
        Its mean over the draws.
    share : float
        Points steep in both, by their weights, over the points steep in either.
    points : float
        Weight of the points steep in both.
    expected : float
        Mean of that over the draws.
    p : float
        Share of draws with at least the likeness, the observed included.
    """

    likeness: float
    likeness_expected: float
    share: float
    points: float
    expected: float
    p: float


def overlap(
    ground: Ground, deviation: Floats, drawn: Floats, *, critical: float, other: Floats, weight: Floats
) -> Overlap:
    """Return how far two traits are steep together, and how far they would be if one pattern lay anywhere.

    Parameters
    ----------
    ground : Ground
        Of the trait whose pattern is moved.
    deviation : array (sites,)
    drawn : array (sites, draws)
        Its pattern moved (:func:`moved_patterns`).
    critical : float
        From which on a point is steep.
    other : array (points,)
        The other trait's statistic over its critical value, which stays.
    weight : array (points,)
        Area that a point stands for.

    Notes
    -----
    The null: one trait has its own pattern, as smooth as it is, but where it lies has nothing to do with the other's.
    Shuffling whole samples would keep how the traits go together within them, but it takes every pattern away, so that
    any two clines would seem to coincide; and what goes together between sites is the coincidence itself. The test
    takes in what linkage makes: traits that are linked within samples follow each other's clines (it says that they
    coincide, not why).

    Judged by the likeness over all points, not by the zones' overlap: a large zone overlaps with anything.
    """
    root = np.sqrt(np.nan_to_num(other))
    both, either, by_draws = 0.0, float(weight[other >= 1.0].sum()), np.zeros(drawn.shape[1])
    product, square, products, squares = 0.0, 0.0, np.zeros(drawn.shape[1]), np.zeros(drawn.shape[1])
    for rows, observed, by_draw in _statistics(ground, deviation, drawn):
        observed, by_draw = np.nan_to_num(observed), np.nan_to_num(by_draw)
        steep, stays, area = observed >= critical, other[rows] >= 1.0, weight[rows]
        both += float(area[steep & stays].sum())
        either += float(area[steep & ~stays].sum())
        by_draws += (area * stays) @ (by_draw >= critical)
        product += float(np.sum(area * root[rows] * np.sqrt(observed)))
        square += float(np.sum(area * observed))
        products += (area * root[rows]) @ np.sqrt(by_draw)
        squares += area @ by_draw
    whole = float(np.sum(weight * root**2))
    likeness = product / np.sqrt(whole * square)
    drawn_likeness = products / np.sqrt(whole * squares)
    reached = int((drawn_likeness >= likeness * (1.0 - _ROUNDING)).sum())
    return Overlap(
        likeness, float(drawn_likeness.mean()), both / either if either > 0 else np.nan, both, float(by_draws.mean()),
        (1.0 + reached) / (1.0 + len(by_draws)),
    )  # fmt: skip


def moved_patterns(sites: Floats, deviation: Floats, *, draws: int, rng: np.random.Generator) -> Floats:
    """Return patterns as smooth as the one observed that lie anywhere, (sites, draws).

    Parameters
    ----------
    sites : array (sites, 2)
    deviation : array (sites,)
    draws : int
    rng : Generator

    Notes
    -----
    Spectral randomisation (Wagner & Dray 2015, *Methods in Ecology and Evolution* 6:1169-1178): the pattern is taken
    apart into eigenvectors of the sites' closeness, doubly centred, from the broadest to the finest. Neighbouring ones,
    two of the broadest, then three, four and so on as a plane has waves of like length, are turned among themselves at
    random: what each scale holds of the variance stays, where the pattern is high and low and which way it slopes
    doesn't. (Signs drawn anew, the simplest kind, would leave a cline where it is and turn it round, and its zone with
    it.) Closeness falls as exp(-d/r), with r the mean distance between sites.
    """
    apart = np.sqrt(squared_distances(sites, sites))
    close = np.exp(-apart / max(float(apart.mean()), np.finfo(float).tiny))
    np.fill_diagonal(close, 0.0)
    close -= close.mean(axis=0)
    close -= close.mean(axis=1, keepdims=True)
    # Half the sum: rounding must not make the matrix lopsided.
    _, parts = eigh(0.5 * (close + close.T))
    parts = parts[:, ::-1]
    # The constant is one of them, and no part of a pattern.
    parts = np.delete(parts, int(np.argmax(np.abs(parts.sum(axis=0)))), axis=1)
    middle = deviation.mean()
    heights = parts.T @ (deviation - middle)
    turned = rng.standard_normal((len(heights), draws))
    start, size = 0, 2
    while start < len(heights):
        band = slice(start, start + size)
        turned[band] *= np.linalg.norm(heights[band]) / np.linalg.norm(turned[band], axis=0)
        start, size = start + size, size + 1
    moved: Floats = parts @ turned
    moved += middle
    return moved


def _statistics(ground: Ground, deviation: Floats, drawn: Floats) -> Iterator[tuple[slice, Floats, Floats]]:
    """Yield points, their statistic, and that of every draw (points, draws)."""
    size = max(16, _TOGETHER // max(drawn.shape[1], 1))
    n, mean = len(deviation), float(deviation.mean())
    spread = float(np.sum(np.square(deviation - mean))) / (n - 1)
    for rows, near, lever in _levers(ground, size):
        whole = lever.sum(axis=2)
        covariance = spread * (np.einsum("kij,lij->ikl", lever, lever) - np.einsum("ki,li->ikl", whole, whole) / n)
        determinant = covariance[:, 0, 0] * covariance[:, 1, 1] - covariance[:, 0, 1] ** 2
        possible = determinant > 1e-12 * covariance[:, 0, 0] * covariance[:, 1, 1]
        scale = np.where(possible, determinant, np.nan)

        def squared(east: Floats, north: Floats, v: Floats = covariance, scale: Floats = scale) -> Floats:
            v11, v22, v12, by = (
                entry.reshape(-1, *(1,) * (east.ndim - 1)) for entry in (v[:, 0, 0], v[:, 1, 1], v[:, 0, 1], scale)
            )
            form: Floats = (v22 * east**2 - 2.0 * v12 * east * north + v11 * north**2) / by
            return form

        expected = whole * mean
        observed = squared(*(lever[k] @ deviation[near] - expected[k] for k in (0, 1)))
        yield rows, observed, squared(*(lever[k] @ drawn[near] - expected[k][:, None] for k in (0, 1)))


def _levers(ground: Ground, size: int) -> Iterator[tuple[slice, NDArray[np.intp], Floats]]:
    """Yield points, the sites in reach of them, and by how much each deviation lifts the slopes, (2, points, sites)."""
    for start in range(0, len(ground.points), max(size, 1)):
        rows = slice(start, min(start + size, len(ground.points)))
        points, bandwidth = ground.points[rows], ground.bandwidth[rows]
        reach = CUT[ground.kernel] * float(bandwidth.max())
        low, high = points.min(axis=0) - reach, points.max(axis=0) + reach
        near = np.flatnonzero(np.all((ground.sites >= low) & (ground.sites <= high), axis=1))
        weights = kernel_weights(points, ground.sites[near], bandwidth=bandwidth, kernel=ground.kernel)
        if ground.blocked is not None:
            weights[ground.blocked[rows][:, near]] = 0.0
        weights = weights * ground.shells[near]
        unit = float(np.median(bandwidth))
        away = [(ground.sites[near, axis][None, :] - points[:, axis, None]) / unit for axis in (0, 1)]
        whole = np.maximum(weights.sum(axis=1), np.finfo(float).tiny)
        away = [offset - (np.sum(weights * offset, axis=1) / whole)[:, None] for offset in away]
        v11, v22, v12 = (np.sum(weights * away[i] * away[j], axis=1) for i, j in ((0, 0), (1, 1), (0, 1)))
        determinant = v11 * v22 - v12**2
        scale = np.where(determinant > _ROUNDING * (v11 + v22) ** 2, determinant, np.nan)
        lever = np.stack(
            [
                weights * (v22[:, None] * away[0] - v12[:, None] * away[1]) / scale[:, None],
                weights * (v11[:, None] * away[1] - v12[:, None] * away[0]) / scale[:, None],
            ]
        )
        lever *= ground.sd[near] / unit
        yield rows, near, lever
