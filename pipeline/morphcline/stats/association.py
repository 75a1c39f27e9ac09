"""Association of two characters: from four counts at a site to what holds over the sites of a region."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, gammaln

from morphcline.stats.over_sites import OverSites, Statistic, interval_over_sites
from morphcline.stats.proportions import standard_normal_deviate

Floats = NDArray[np.float64]

#: Log odds ratios beyond which nothing is looked for: exp(30) is a table of 10¹³ shells.
_MOST = 30.0
#: Probabilities that differ by rounding alone are equal.
_SLACK = 1e-7


@dataclass(frozen=True)
class Association:
    """How far two characters go together, as phenotypes; arrays of one shape.

    Attributes
    ----------
    n : ndarray
        Shells scored for both.
    d : ndarray
        Frequency of both together, less the product of their frequencies.
    d_prime : ndarray
        ``d`` over the largest value that these frequencies allow, with the sign of ``d``.
    r2 : ndarray
        Squared correlation.
    chi2, p : ndarray
        Of independence, on one degree of freedom, uncorrected: n r².
    """

    n: Floats
    d: Floats
    d_prime: Floats
    r2: Floats
    chi2: Floats
    p: Floats


def association(both: ArrayLike, first_only: ArrayLike, second_only: ArrayLike, neither: ArrayLike) -> Association:
    """Return the association of two characters from the four counts of each sample.

    Parameters
    ----------
    both, first_only, second_only, neither : array_like
        Shells with both characters, one, the other, none; broadcast together.

    Returns
    -------
    Association
        ``d`` is NaN for a sample without shells; the rest is NaN too where a character is in all shells or in none.

    Raises
    ------
    ValueError
        When a count is negative.

    Notes
    -----
    Lewontin (1964), *Genetics* 49:49-67: D is divided by min(pA qB, qA pB) when positive and by min(pA pB, qA qB)
    when negative. Shells are diploid and one character can hide another, so these describe phenotypes and are no
    estimates of gametic disequilibrium.
    """
    cells = np.stack(
        np.broadcast_arrays(*(np.asarray(c, dtype=float) for c in (both, first_only, second_only, neither)))
    )
    if (cells < 0).any():
        raise ValueError(f"a count must be 0 or more; found {cells[cells < 0][0]:g}")
    n = cells.sum(axis=0)
    share = cells / np.where(n > 0, n, np.nan)
    first, second = share[0] + share[1], share[0] + share[2]
    d = share[0] * share[3] - share[1] * share[2]
    spread = first * (1 - first) * second * (1 - second)
    varied = (
        (cells[0] + cells[1] > 0) & (cells[2] + cells[3] > 0) & (cells[0] + cells[2] > 0) & (cells[1] + cells[3] > 0)
    )
    most = np.where(
        d > 0,
        np.minimum(first * (1 - second), (1 - first) * second),
        np.minimum(first * second, (1 - first) * (1 - second)),
    )
    r2 = d**2 / np.where(varied, spread, np.nan)
    chi2 = n * r2
    return Association(n, d, d / np.where(varied, most, np.nan), r2, chi2, np.asarray(chdtrc(1, chi2)))


@dataclass(frozen=True)
class Limits:
    """Limits at each site, arrays of one shape: of the odds ratio, of D, and of D′ at the site's own frequencies."""

    odds_ratio_low: Floats
    odds_ratio_high: Floats
    d_low: Floats
    d_high: Floats
    d_prime_low: Floats
    d_prime_high: Floats


@dataclass(frozen=True)
class RegionalAssociation:
    """Association over sites; each an estimate with limits over sites.

    Attributes
    ----------
    d, d_prime : OverSites
        Of all shells together: association within sites, and what comes of sites differing in both characters.
    d_within, d_prime_within : OverSites
        Within sites: the mean of the sites' D by shells; and its sum over the sum of what the sites' frequencies allow.
        Both are freed of the bias of small samples (that of D′ is some 7 % at 30 shells).
    odds_ratio : OverSites
        Mantel & Haenszel's, within sites.
    """

    d: OverSites
    d_prime: OverSites
    d_within: OverSites
    d_prime_within: OverSites
    odds_ratio: OverSites


def fisher_exact(tables: ArrayLike) -> Floats:
    """Return Fisher's two-sided exact p-value of each 2 x 2 table.

    Parameters
    ----------
    tables : array_like, shape (..., 2, 2)
        Whole numbers of shells.

    Returns
    -------
    ndarray, shape (...)
        The probability, margins held, of all tables that are no more probable than the one seen; 1 where a margin is
        empty.

    Raises
    ------
    ValueError
        When a count is negative or no whole number.

    Examples
    --------
    >>> round(float(fisher_exact([[3, 1], [1, 3]])), 6)
    0.485714
    """
    cells = _checked_tables(tables)
    flat = cells.reshape(-1, 2, 2)
    support = _Support(flat)
    chance = support.chances(np.zeros(len(flat)))
    seen = chance[support.own]
    few = np.where(chance <= seen[support.table] * (1 + _SLACK), chance, 0.0)
    return np.minimum(np.add.reduceat(few, support.start), 1.0).reshape(cells.shape[:-2])


def exact_limits(tables: ArrayLike, *, confidence: float = 0.95) -> Limits:
    """Return limits of each table's odds ratio and D′, exact given its margins, and of D.

    Parameters
    ----------
    tables : array_like, shape (..., 2, 2)
        Whole numbers of shells: both characters, the first only; the second only, neither.
    confidence : float

    Returns
    -------
    Limits
        NaN where a margin is empty. With an empty cell the odds ratio is open to one side (0 or infinite), and D′ ends
        at -1 or 1.

    Raises
    ------
    ValueError
        As :func:`fisher_exact`.

    Notes
    -----
    The odds ratios that the noncentral hypergeometric distribution of the first cell doesn't reject with mid-P tails
    (Lancaster 1961, *JASA* 56:223-234), margins held. At the margins seen, D′ rises with the odds ratio, so its limits
    follow. D depends on the margins too much for that: its limits are by the delta method, half a shell added to each
    cell. In simulated samples of 30 and 100 shells those of D′ held the truth in 94 to 96 %, those of D in 93 to 95 %.
    """
    cells = _checked_tables(tables)
    flat = cells.reshape(-1, 2, 2)
    told = ((flat.sum(axis=1) > 0).all(axis=1)) & ((flat.sum(axis=2) > 0).all(axis=1))
    result = np.full((6, len(flat)), np.nan)
    if told.any():
        some = flat[told]
        support = _Support(some)
        tail = (1 - confidence) / 2
        low, high = support.solve(tail, upper=False), support.solve(tail, upper=True)
        result[:, told] = [
            np.exp(low), np.exp(high), *_limits_of_d(some, confidence), _d_prime_at(some, low), _d_prime_at(some, high),
        ]  # fmt: skip
    return Limits(*(row.reshape(cells.shape[:-2]) for row in result))


def regional_association(tables: ArrayLike, weights: Floats, *, confidence: float = 0.95) -> RegionalAssociation:
    """Return association over sites with limits that allow for sites to differ, in it as in everything else.

    Parameters
    ----------
    tables : array_like, shape (sites, 2, 2)
    weights : ndarray, shape (draws, sites)
        Resampled surveys, see :func:`~morphcline.stats.over_sites.draw_sites`.
    confidence : float

    Notes
    -----
    Limits by :func:`~morphcline.stats.over_sites.interval_over_sites`: of D as it is, of D′ on the scale of its inverse
    hyperbolic tangent, of the odds ratio on that of its logarithm. Those of the odds ratio don't take it to be the same
    at every site. D within and between sites: Ohta (1982), *PNAS* 79:1940-1944, from whom the division is.
    """
    cells = np.asarray(tables, dtype=float)
    pooled = cells.reshape(-1, 4)
    a, b, c, d = pooled.T
    n = pooled.sum(axis=1)
    held = np.where(n > 0, n, 1.0)
    # n / (n - 1) frees D of its bias; one shell tells nothing of D.
    own = np.where(n > 1, n**2 / np.maximum(n - 1, 1), 0.0) * (a / held - (a + b) / held * (a + c) / held)
    shells = np.where(n > 1, n, 0.0)
    above, below = (shells * _greatest_unbiased(pooled, positive=positive) for positive in (True, False))
    within = np.column_stack([own, above, below, shells])
    ratios = np.column_stack([a * d / held, b * c / held])

    def over(sums: Floats, statistic: Statistic) -> OverSites:
        return interval_over_sites(sums, statistic, weights, confidence=confidence)

    return RegionalAssociation(
        d=over(pooled, _pooled_d),
        d_prime=_back(over(pooled, lambda t: _arctanh(_pooled_d_prime(t))), math.tanh),
        d_within=over(within, lambda t: t[:, 0] / t[:, 3]),
        d_prime_within=_back(
            over(within, lambda t: _arctanh(t[:, 0] / np.where(t[:, 0] > 0, t[:, 1], t[:, 2]))), math.tanh
        ),
        odds_ratio=_back(over(ratios, lambda t: np.log(t[:, 0] / t[:, 1])), math.exp),
    )


def _back(found: OverSites, function: Callable[[float], float]) -> OverSites:
    estimate, low, high = (
        function(value) if math.isfinite(value) else math.nan for value in (found.estimate, found.low, found.high)
    )
    return OverSites(estimate, low, high, found.sites)


def _arctanh(value: Floats) -> Floats:
    return np.arctanh(np.where(np.abs(value) < 1, value, np.nan))


def _pooled_d(totals: Floats) -> Floats:
    a, b, c, d = totals.T
    return np.asarray((a * d - b * c) / totals.sum(axis=1) ** 2)


def _pooled_d_prime(totals: Floats) -> Floats:
    value = _pooled_d(totals)
    allowed = np.where(value > 0, _greatest(totals, positive=True), _greatest(totals, positive=False))
    return np.asarray(value / allowed)


def _checked_tables(tables: ArrayLike) -> Floats:
    cells = np.asarray(tables, dtype=float)
    if cells.ndim < 2 or cells.shape[-2:] != (2, 2):
        raise ValueError(f"tables must have the shape (..., 2, 2), not {cells.shape}")
    if (cells < 0).any() or (cells % 1 != 0).any():
        raise ValueError("a count must be a whole number, 0 or more")
    return cells


class _Support:
    """What the first cell of each table can be with its margins held, all tables end to end."""

    def __init__(self, tables: Floats):
        row, column, n = tables[:, 0].sum(axis=1), tables[:, :, 0].sum(axis=1), tables.sum(axis=(1, 2))
        least, most = np.maximum(0, row + column - n), np.minimum(row, column)
        sizes = (most - least + 1).astype(np.intp)
        self.start = np.concatenate([[0], np.cumsum(sizes)[:-1]])
        self.table = np.repeat(np.arange(len(tables)), sizes)
        self.cell = np.arange(sizes.sum()) - self.start[self.table] + least[self.table]
        self.own = self.start + (tables[:, 0, 0] - least).astype(np.intp)
        self.at_least, self.at_most = tables[:, 0, 0] == least, tables[:, 0, 0] == most
        r, k, total = row[self.table], column[self.table], n[self.table]
        x = self.cell
        self._log = -(gammaln(x + 1) + gammaln(r - x + 1) + gammaln(k - x + 1) + gammaln(total - r - k + x + 1))

    def chances(self, log_odds: Floats) -> Floats:
        """Return the probability of each cell under each table's log odds ratio."""
        log = self._log + self.cell * log_odds[self.table]
        log -= np.maximum.reduceat(log, self.start)[self.table]
        chance = np.exp(log)
        return np.asarray(chance / np.add.reduceat(chance, self.start)[self.table])

    def solve(self, tail: float, *, upper: bool) -> Floats:
        """Return the log odds ratio at which the mid-P tail beyond the cell seen comes to ``tail``."""
        seen = self.cell[self.own][self.table]
        beyond = (self.cell < seen) if upper else (self.cell > seen)
        part = beyond + 0.5 * (self.cell == seen)
        low, high = np.full(len(self.own), -_MOST), np.full(len(self.own), _MOST)
        for _ in range(40):
            middle = 0.5 * (low + high)
            beyond_it = np.add.reduceat(self.chances(middle) * part, self.start)
            # The tail below falls as the odds ratio rises, that above rises with it.
            right = beyond_it > tail if upper else beyond_it < tail
            low, high = np.where(right, middle, low), np.where(right, high, middle)
        found = 0.5 * (low + high)
        open_end = self.at_most if upper else self.at_least
        return np.where(open_end, math.inf if upper else -math.inf, found)


def _d_prime_at(tables: Floats, log_odds: Floats) -> Floats:
    """Return D′ at the tables' margins under other odds ratios."""
    n = tables.sum(axis=(1, 2))
    first, second = tables[:, 0].sum(axis=1) / n, tables[:, :, 0].sum(axis=1) / n
    least, most = np.maximum(0.0, first + second - 1), np.minimum(first, second)
    low, high = least, most
    for _ in range(50):
        both = 0.5 * (low + high)
        with np.errstate(divide="ignore"):
            # At either end a rounding can take a cell below 0.
            four = (np.maximum(cell, 0) for cell in (both, 1 - first - second + both, first - both, second - both))
            one, other, third, fourth = (np.log(cell) for cell in four)
            odds = one + other - third - fourth
        low, high = np.where(odds < log_odds, both, low), np.where(odds < log_odds, high, both)
    both = np.where(np.isposinf(log_odds), most, np.where(np.isneginf(log_odds), least, 0.5 * (low + high)))
    d = both - first * second
    return np.asarray(d / np.where(d > 0, most - first * second, first * second - least))


def _limits_of_d(tables: Floats, confidence: float) -> tuple[Floats, Floats]:
    cells = tables.reshape(-1, 4) + 0.5
    n = cells.sum(axis=1)
    first, second = (cells[:, 0] + cells[:, 1]) / n, (cells[:, 0] + cells[:, 2]) / n
    d = cells[:, 0] / n - first * second
    spread = first * (1 - first) * second * (1 - second) + (1 - 2 * first) * (1 - 2 * second) * d - d**2
    half = standard_normal_deviate(confidence) * np.sqrt(np.maximum(spread, 0) / (n - 1))
    return d - half, d + half


def _greatest(cells: Floats, *, positive: bool) -> Floats:
    """Return the largest |D| that the frequencies in (…, 4) cells allow on either side; 0 without shells."""
    n = cells.sum(axis=-1)
    held = np.where(n > 0, n, 1.0)
    first, second = (cells[..., 0] + cells[..., 1]) / held, (cells[..., 0] + cells[..., 2]) / held
    pair = (first * (1 - second), (1 - first) * second) if positive else (first * second, (1 - first) * (1 - second))
    return np.asarray(np.minimum(*pair) * (n > 0))


def _greatest_unbiased(cells: Floats, *, positive: bool) -> Floats:
    """Return the same with its bias in small samples taken out by leaving out each shell in turn."""
    n = cells.sum(axis=1)
    left = np.zeros(len(cells))
    for column in range(4):
        less = cells.copy()
        less[:, column] = np.maximum(less[:, column] - 1, 0)
        left += cells[:, column] / np.where(n > 0, n, 1.0) * _greatest(less, positive=positive)
    return np.asarray(n * _greatest(cells, positive=positive) - np.maximum(n - 1, 0) * left)
