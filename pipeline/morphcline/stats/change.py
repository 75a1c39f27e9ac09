"""Change between two surveys: which places are the same, and how far frequencies there have moved.

Two questions need two tests. Did the shells of these very sites change beyond chance (Cochran-Mantel-Haenszel)? Did the
region change, when every site drifts by itself (the mean over pairs of sites, judged by how much the pairs differ)?
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree
from scipy.special import chdtrc, nctdtrinc, stdtr, stdtrit

from morphcline.stats.overdispersion import effective_number
from morphcline.stats.proportions import check_counts, standard_normal_deviate, wilson

#: With which a detectable difference would have been seen.
POWER = 0.8

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]


@dataclass(frozen=True)
class Pairs:
    """Places of two surveys that are taken for the same; arrays of one length, in the order of ``earlier``.

    Attributes
    ----------
    earlier, later : ndarray of int
        Positions in the arrays given.
    distance_m : ndarray
    """

    earlier: Indices
    later: Indices
    distance_m: Floats


@dataclass(frozen=True)
class StratifiedTest:
    """Cochran-Mantel-Haenszel test of 2 x 2 tables, with the common odds ratio and whether it is common.

    Attributes
    ----------
    strata : int
        Tables that tell anything: no row and no column of them is empty.
    statistic, p : float
        On one degree of freedom, without continuity correction.
    statistic_corrected, p_corrected : float
        With it.
    odds_ratio, low, high : float
        Mantel & Haenszel's, with limits by the variance of Robins, Breslow & Greenland.
    breslow_day, tarone, p_homogeneity : float
        Heterogeneity of the odds ratios on strata - 1 degrees of freedom, without and with Tarone's correction; the p
        value is of the corrected one. NaN with fewer than two strata, or when the odds ratio is 0 or infinite.
    """

    strata: int
    statistic: float
    p: float
    statistic_corrected: float
    p_corrected: float
    odds_ratio: float
    low: float
    high: float
    breslow_day: float
    tarone: float
    p_homogeneity: float


@dataclass(frozen=True)
class PairedChange:
    """Mean change over pairs of sites, judged by how much the pairs differ.

    Attributes
    ----------
    pairs : int
        Pairs with shells in both surveys.
    earlier, later : float
        Frequencies over the pairs, with the weights of the difference.
    difference, low, high : float
        Later less earlier frequency.
    p : float
        Two-sided, of no change.
    detectable : float
        The difference that would have been seen in 80 of 100 such surveys, at a level of 1 - confidence; NaN where that
        is more than a frequency can change.
    not_tested_because : str
        Why limits and p are NaN; else empty.
    """

    pairs: int
    earlier: float
    later: float
    difference: float
    low: float
    high: float
    p: float
    detectable: float
    not_tested_because: str


def pair_sites(
    earlier_easting: ArrayLike, earlier_northing: ArrayLike, easting: ArrayLike, northing: ArrayLike, *, within_m: float
) -> Pairs:
    """Pair the sites of two surveys, each with one of the other at most.

    Parameters
    ----------
    earlier_easting, earlier_northing : array_like, shape (earlier sites,)
        In metres, in one projected CRS with the others. Sites without a position (NaN) are left unpaired.
    easting, northing : array_like, shape (sites,)
    within_m : float
        The greatest distance of a pair.

    Returns
    -------
    Pairs

    Raises
    ------
    ValueError
        When the distance is not above 0.

    Notes
    -----
    The closest two places of all are a pair; then the closest two of those left; and so on. Equal distances are taken
    in the order of the earlier sites, then of the later ones, so the answer is always the same.

    Examples
    --------
    >>> pairs = pair_sites([0, 100], [0, 0], [90, 300], [0, 0], within_m=120)
    >>> pairs.earlier, pairs.later, pairs.distance_m
    (array([1]), array([0]), array([10.]))
    """
    if not within_m > 0:
        raise ValueError(f"within_m must be above 0, not {within_m!r}")
    places = [
        np.column_stack([np.asarray(e, dtype=float), np.asarray(n, dtype=float)])
        for e, n in ((earlier_easting, earlier_northing), (easting, northing))
    ]
    known = [np.flatnonzero(np.isfinite(place).all(axis=1)) for place in places]
    if not known[0].size or not known[1].size:
        return Pairs(np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros(0))
    trees = [cKDTree(place[some]) for place, some in zip(places, known, strict=True)]
    # A little more than the distance, for the tree's own rounding; the exact limit follows.
    near = trees[0].query_ball_tree(trees[1], within_m * (1 + 1e-9))
    first = np.repeat(known[0], [len(found) for found in near])
    second = known[1][np.array([j for found in near for j in found], dtype=np.intp)]
    distance = np.hypot(*(places[0][first] - places[1][second]).T)
    order = np.lexsort((second, first, distance))
    taken: tuple[set[int], set[int]] = (set(), set())
    chosen = []
    for row in order[distance[order] <= within_m]:
        i, j = int(first[row]), int(second[row])
        if i not in taken[0] and j not in taken[1]:
            taken[0].add(i)
            taken[1].add(j)
            chosen.append(row)
    rows = np.array(sorted(chosen, key=lambda row: int(first[row])), dtype=np.intp)
    return Pairs(first[rows], second[rows], distance[rows])


def cochran_mantel_haenszel(tables: ArrayLike, *, confidence: float = 0.95) -> StratifiedTest:
    """Test whether two characters are independent within strata, and estimate their common odds ratio.

    Parameters
    ----------
    tables : array_like, shape (strata, 2, 2)
        Counts; for change: rows later and earlier, columns shells that count and the rest, so that an odds ratio above
        1 is an increase.
    confidence : float
        Of the odds ratio's limits.

    Returns
    -------
    StratifiedTest
        NaN where nothing can be said; the odds ratio is infinite when only its denominator is 0.

    Raises
    ------
    ValueError
        When the shape is another or a count is negative.

    Notes
    -----
    Mantel & Haenszel (1959), *JNCI* 22:719-748; Robins, Breslow & Greenland (1986), *Biometrics* 42:311-323; Breslow &
    Day (1980) with Tarone (1985), *Biometrika* 72:91-95. The shells are taken as independent: where sites
    drift, the test is sharper than the evidence; :func:`paired_change` allows for it.
    """
    cells = np.asarray(tables, dtype=float)
    if cells.ndim != 3 or cells.shape[1:] != (2, 2):
        raise ValueError(f"tables must have the shape (strata, 2, 2), not {cells.shape}")
    if (cells < 0).any():
        raise ValueError(f"a count must be 0 or more; found {cells[cells < 0][0]:g}")
    cells = cells[(cells.sum(axis=1) > 0).all(axis=1) & (cells.sum(axis=2) > 0).all(axis=1)]
    strata = len(cells)
    if strata == 0:
        return StratifiedTest(0, *_TEN_MISSING)
    a, b, c, d = cells.reshape(-1, 4).T
    n, row, column = a + b + c + d, a + b, a + c
    excess = float(np.sum(a - row * column / n))
    variance = float(np.sum(row * (n - row) * column * (n - column) / (n**2 * (n - 1))))
    statistic, corrected = excess**2 / variance, max(abs(excess) - 0.5, 0.0) ** 2 / variance
    odds_ratio, low, high = _common_odds_ratio(a, b, c, d, confidence)
    breslow_day = tarone = math.nan
    if strata > 1 and 0 < odds_ratio < math.inf:
        expected = _expected_under(odds_ratio, row, column, n)
        spread = 1 / (1 / expected + 1 / (row - expected) + 1 / (column - expected) + 1 / (n - row - column + expected))
        breslow_day = float(np.sum((a - expected) ** 2 / spread))
        tarone = breslow_day - float(np.sum(a - expected)) ** 2 / float(np.sum(spread))
    return StratifiedTest(
        strata=strata,
        statistic=statistic,
        p=float(chdtrc(1, statistic)),
        statistic_corrected=corrected,
        p_corrected=float(chdtrc(1, corrected)),
        odds_ratio=odds_ratio,
        low=low,
        high=high,
        breslow_day=breslow_day,
        tarone=tarone,
        p_homogeneity=float(chdtrc(strata - 1, tarone)) if strata > 1 else math.nan,
    )


def difference(
    earlier_count: ArrayLike,
    earlier_total: ArrayLike,
    later_count: ArrayLike,
    later_total: ArrayLike,
    *,
    confidence: float = 0.95,
) -> tuple[Floats, Floats, Floats]:
    """Return the later frequency less the earlier one, with the limits of Newcombe's hybrid score interval.

    Parameters
    ----------
    earlier_count, earlier_total, later_count, later_total : array_like
        Broadcast together; fractions (effective numbers of shells) are accepted; a total of 0 gives NaN.
    confidence : float

    Returns
    -------
    difference, low, high : ndarray

    Raises
    ------
    ValueError
        When a count is negative or above its total.

    Notes
    -----
    Method 10 of Newcombe (1998), *Statistics in Medicine* 17:873-890: both samples' Wilson limits, without continuity
    correction, put together.
    """
    earlier_count, earlier_total = check_counts(earlier_count, earlier_total)
    later_count, later_total = check_counts(later_count, later_total)
    before = earlier_count / np.where(earlier_total > 0, earlier_total, np.nan)
    after = later_count / np.where(later_total > 0, later_total, np.nan)
    before_low, before_high = wilson(earlier_count, earlier_total, confidence=confidence)
    after_low, after_high = wilson(later_count, later_total, confidence=confidence)
    change = after - before
    down, up = np.hypot(after - after_low, before_high - before), np.hypot(after_high - after, before - before_low)
    return change, change - down, change + up


def paired_change(
    earlier_count: ArrayLike,
    earlier_total: ArrayLike,
    later_count: ArrayLike,
    later_total: ArrayLike,
    rho: float,
    *,
    confidence: float = 0.95,
) -> PairedChange:
    """Return the mean change over pairs of sites, allowing for each site's own drift.

    Parameters
    ----------
    earlier_count, earlier_total, later_count, later_total : array_like, shape (pairs,)
        Pairs without shells in either survey are left out.
    rho : float
        Intra-site correlation; it settles how much more a big sample counts than a small one. NaN counts as 1: every
        pair counts alike.
    confidence : float

    Returns
    -------
    PairedChange

    Raises
    ------
    ValueError
        When a count is negative or above its total, or ρ is not between 0 and 1.

    Notes
    -----
    Each pair's difference is weighted by 1 / (1/m₁ + 1/m₂) with the effective numbers of its two samples. The
    standard error comes from the pairs' scatter about their mean, each as seen without itself (HC3 of MacKinnon & White
    1985, *Journal of Econometrics* 29:305-325), so it stays right when the weights are wrong; t on pairs - 1.

    The difference that would have been seen is that for which a t of this error and these degrees of freedom, not
    central, passes its critical value with a probability of 0.8. It rests on the scatter of the pairs, and so on their
    number, their shells and the sites' drift, and not on the change that was found.
    """
    earlier_count, earlier_total = check_counts(earlier_count, earlier_total)
    later_count, later_total = check_counts(later_count, later_total)
    some = (earlier_total > 0) & (later_total > 0)
    pairs = int(some.sum())
    if pairs == 0:
        return PairedChange(0, *_SEVEN_MISSING, "no pair of sites has shells in both surveys")
    before, after = earlier_count[some] / earlier_total[some], later_count[some] / later_total[some]
    change = after - before
    weight = pair_weights(earlier_total[some], later_total[some], rho)
    weight = weight / weight.sum()
    mean = float(weight @ change)
    over_pairs = float(weight @ before), float(weight @ after), mean
    if pairs == 1:
        return PairedChange(1, *over_pairs, *_FOUR_MISSING, "one pair of sites only")
    error = float(np.sqrt(np.sum((weight * (change - mean) / (1 - weight)) ** 2)))
    if error < 1e-12:  # equal differences, up to their rounding
        return PairedChange(pairs, *over_pairs, *_FOUR_MISSING, "all pairs of sites changed alike")
    deviate = float(stdtrit(pairs - 1, (1 + confidence) / 2))
    half = deviate * error
    p = 2 * float(stdtr(pairs - 1, -abs(mean) / error))
    detectable = float(nctdtrinc(pairs - 1, 1 - POWER, deviate)) * error
    detectable = detectable if detectable < 1 else math.nan
    return PairedChange(pairs, *over_pairs, max(mean - half, -1.0), min(mean + half, 1.0), p, detectable, "")


def pair_weights(earlier_total: ArrayLike, later_total: ArrayLike, rho: float) -> Floats:
    """Return the weight of each pair's difference: 1 / (1/m₁ + 1/m₂) with the effective numbers of its two samples.

    Parameters
    ----------
    earlier_total, later_total : array_like, shape (pairs,)
        Above 0.
    rho : float
        NaN counts as 1: every pair counts alike.
    """
    rho = 1.0 if math.isnan(rho) else rho
    weight: Floats = 1 / (1 / effective_number(earlier_total, rho) + 1 / effective_number(later_total, rho))
    return weight


_FOUR_MISSING = (math.nan,) * 4
_SEVEN_MISSING = (math.nan,) * 7
_TEN_MISSING = (math.nan,) * 10


def _common_odds_ratio(a: Floats, b: Floats, c: Floats, d: Floats, confidence: float) -> tuple[float, float, float]:
    n = a + b + c + d
    agree, differ = (a + d) / n, (b + c) / n
    above, below = a * d / n, b * c / n
    total_above, total_below = float(above.sum()), float(below.sum())
    if total_below == 0 or total_above == 0:
        if total_above == total_below:
            return math.nan, math.nan, math.nan
        return (math.inf if total_above else 0.0), math.nan, math.nan
    ratio = total_above / total_below
    variance = float(
        agree @ above / (2 * total_above**2)
        + (agree @ below + differ @ above) / (2 * total_above * total_below)
        + differ @ below / (2 * total_below**2)
    )
    factor = math.exp(standard_normal_deviate(confidence) * math.sqrt(variance))
    return ratio, ratio / factor, ratio * factor


def _expected_under(odds_ratio: float, row: Floats, column: Floats, n: Floats) -> Floats:
    """Return each table's first cell under an odds ratio and its margins: the root of a quadratic within range."""
    second = 1 - odds_ratio
    first = n - row - column + odds_ratio * (row + column)
    root = np.sqrt(first**2 + 4 * second * odds_ratio * row * column)
    # Of the two ways to write the same root, the one that doesn't cancel.
    with np.errstate(divide="ignore", invalid="ignore"):
        cancelling = (root - first) / (2 * second)
    return np.where(first > 0, 2 * odds_ratio * row * column / (first + root), cancelling)
