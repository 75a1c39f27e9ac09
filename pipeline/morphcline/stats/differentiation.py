"""How far sites, and habitats, differ in the frequencies of their phenotypes: F_ST and its parts.

Shells are treated as copies of an allele: what differs is the phenotypes' frequencies, so that dominance is left as it
is. Corrected estimates are free of sampling error; the uncorrected count it as differentiation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from morphcline.stats.over_sites import draw_sites, interval_over_sites
from morphcline.stats.proportions import check_counts

Floats = NDArray[np.float64]
Labels = NDArray[np.intp]
#: The logarithm of a ratio of mean squares beyond which it is infinite for every purpose: F is 1.
_LARGEST_LOG = 700.0
_NAN3 = (math.nan, math.nan, math.nan)


@dataclass(frozen=True)
class Differentiation:
    """Differentiation at one level.

    Attributes
    ----------
    fst : float
        Without correction: sampling error counts as differentiation.
    fst_corrected, low, high : float
        Freed of sampling error, and its limits over sites; can be below 0. NaN where nothing can be said.
    p : float
        Of no differentiation at this level.
    units, sites : int
        What is compared at this level, and the sites in it.
    """

    fst: float
    fst_corrected: float
    low: float
    high: float
    p: float
    units: int
    sites: int


def fst_wright(frequency: ArrayLike) -> float:
    """Return Wright's F_ST: the variance of a frequency over sites, relative to its greatest possible value.

    Parameters
    ----------
    frequency : array_like, shape (sites,)
        Allele frequencies (of a dominant character: first take the root of the recessive class). NaN are left out.

    Returns
    -------
    float
        var(p) / p̄(1 - p̄) with the variance over n, so sampling error counts as differentiation and every site counts
        alike. NaN with fewer than two sites, or when all sites are fixed for the same allele.

    Notes
    -----
    Wright (1951), *Annals of Eugenics* 15:323-354. Equal to 1 - Hs/Ht.
    """
    known = np.asarray(frequency, dtype=float)
    known = known[~np.isnan(known)]
    mean = float(known.mean()) if known.size else math.nan
    if known.size < 2 or not 0 < mean < 1:
        return math.nan
    return float(known.var() / (mean * (1 - mean)))


def fst_corrected(count: ArrayLike, total: ArrayLike) -> float:
    """Return F_ST freed of sampling error, from counts over sites.

    Parameters
    ----------
    count, total : array_like, shape (sites,)
        Copies of an allele, or shells of a kind, and their totals. Sites without any are left out.

    Returns
    -------
    float
        Can be negative when sites differ less than chance makes them. NaN with fewer than two sites, without a site of
        two, or when all are alike.

    Raises
    ------
    ValueError
        When a count is negative or above its total.

    Notes
    -----
    The two-level form of Weir & Cockerham (1984), *Evolution* 38:1358-1370: the intraclass correlation of an analysis
    of variance. There is no level of individuals, since a shell shows a phenotype and not two alleles.
    """
    count, total = check_counts(count, total)
    return _corrected(np.column_stack([count, total - count]))


def among_sites(kinds: ArrayLike, *, draws: int, rng: np.random.Generator, confidence: float = 0.95) -> Differentiation:
    """Return how far sites differ.

    Parameters
    ----------
    kinds : array_like, shape (sites, kinds)
        Shells of each kind; each shell is of one of them. Sites without shells are left out.
    draws : int
        Resampled surveys.
    rng : Generator
    confidence : float

    Returns
    -------
    Differentiation
        Several kinds together: the sums of their variances, as Weir & Cockerham (1984) take several alleles. p:
        see :func:`heterogeneity_p`.

    Notes
    -----
    The interval is that of :func:`~morphcline.stats.over_sites.interval_over_sites` on the logarithm of
    (1 + (n₀ - 1) F) / (1 - F), the ratio of the mean squares. It takes no form of distribution for the sites'
    frequencies, as the profile likelihood of a beta-binomial would, which are far from a beta across a cline or an area
    effect.
    """
    shells = _with_shells(kinds)
    sites = len(shells)
    raw = _uncorrected(shells, np.zeros(sites, dtype=np.intp))[0]
    p = heterogeneity_p(shells)
    point = _corrected(shells)
    if math.isnan(point):
        return Differentiation(raw, *_NAN3, p, sites, sites)
    weights = draw_sites(sites, draws=draws, rng=rng)
    return Differentiation(raw, point, *_limits_of_sites(shells, weights, confidence), p, sites, sites)


def by_habitat(
    kinds: ArrayLike,
    habitats: ArrayLike,
    *,
    shuffles: int,
    rng: np.random.Generator,
    confidence: float = 0.95,
) -> tuple[Differentiation, Differentiation]:
    """Return how far habitats differ, and sites within habitats.

    Parameters
    ----------
    kinds : array_like, shape (sites, kinds)
    habitats : array_like of str, shape (sites,)
        Sites without a habitat (empty text) or without shells are left out, and those that are alone in theirs.
    shuffles : int
        Of the sites over the habitats.
    rng : Generator
    confidence : float

    Returns
    -------
    habitats, sites_within : Differentiation
        The share of the variance between habitats, and of what is within habitats the share between sites. ``units``
        are habitats and sites. NaN when there are fewer than two habitats of two sites.

    Notes
    -----
    Components of a nested analysis of variance of shells within sites within habitats with unequal numbers (Weir &
    Cockerham 1984; Yang 1998, *Evolution* 52:950-956). p of the habitats: the share of shuffles of whole sites over the
    habitats (numbers of sites kept) with at least as large a component, so that shells of a site stay together. It
    leaves out where sites lie: habitats that cluster in space pass for different where near sites are alike. Limits
    are by the jackknife over sites within their habitats, the habitats as they are.
    """
    names = np.asarray(habitats).astype(str)
    shells = np.asarray(kinds, dtype=float)
    found, times = np.unique(names[(shells.sum(axis=1) > 0) & (names != "")], return_counts=True)
    some = (shells.sum(axis=1) > 0) & np.isin(names, found[times > 1])
    shells, names = shells[some], names[some]
    classes, group = np.unique(names, return_inverse=True)
    count, sites = classes.size, len(shells)
    if count < 2 or (shells.sum(axis=0) > 0).sum() < 2:
        return _nothing(count, sites), _nothing(sites, sites)
    _, raw_habitats, raw_within = _uncorrected(shells, group)
    member = np.eye(count)[group]
    each = _totals(shells, member)
    with np.errstate(divide="ignore", invalid="ignore"):
        shares = _shares(each.sum(axis=0)[None], count)[0]
    if not np.isfinite(shares).all():
        return _nothing(count, sites), _nothing(sites, sites)
    shuffled = _shuffled_shares(shells, member, shuffles, rng)
    p = (1 + int(np.sum(shuffled >= shares[0] - 1e-12))) / (1 + shuffles)
    of_habitats, of_sites = _limits_by_habitat(each, group, count, confidence)
    return (
        Differentiation(raw_habitats, float(shares[0]), *of_habitats, p, count, sites),
        Differentiation(raw_within, float(shares[1]), *of_sites, heterogeneity_p(shells, group), sites, sites),
    )


def _nothing(units: int, sites: int) -> Differentiation:
    return Differentiation(*(math.nan,) * 5, units=units, sites=sites)


def heterogeneity_p(kinds: ArrayLike, strata: ArrayLike | None = None) -> float:
    """Return the p-value of no difference between sites: Pearson's chi-square with its exact first two moments.

    Parameters
    ----------
    kinds : array_like, shape (sites, kinds)
        Shells of each kind.
    strata : array_like of shape (sites,), optional
        Sites are compared within strata alone.

    Returns
    -------
    float
        NaN where there is nothing to compare.

    Notes
    -----
    With the numbers of shells and of kinds held, chi-square has mean N (r - 1)(c - 1) / (N - 1) and the variance of
    Dawson (1954), *Biometrika* 41:280 (also Haldane 1940): p is that of the scaled chi-square distribution that has
    both, which holds with small expected numbers, where the plain one doesn't.
    """
    shells = np.asarray(kinds, dtype=float)
    labels = np.zeros(len(shells), dtype=np.intp) if strata is None else np.asarray(strata)
    sums = np.array([_chi_square(shells[labels == label]) for label in np.unique(labels)])
    statistic, mean, variance = sums.sum(axis=0) if len(sums) else (0.0, 0.0, 0.0)
    if not (mean > 0 and variance > 0):
        return math.nan
    return float(chdtrc(2 * mean**2 / variance, statistic * 2 * mean / variance))


def _chi_square(shells: Floats) -> tuple[float, float, float]:
    """Return chi-square, its mean and its variance under shuffled shells; zeros where nothing can differ."""
    shells = shells[shells.sum(axis=1) > 0]
    shells = shells[:, shells.sum(axis=0) > 0]
    row, column, n = shells.sum(axis=1), shells.sum(axis=0), float(shells.sum())
    r, c = shells.shape
    if r < 2 or c < 2 or n < 4:
        return 0.0, 0.0, 0.0
    statistic = n * float(np.sum(shells**2 / (row[:, None] * column)) - 1)
    v1, v2 = ((k - 1) * (n - k) / (n - 1) for k in (r, c))
    w1, w2 = ((float(np.sum(n / side)) - len(side) ** 2) / (n - 2) for side in (row, column))
    variance = 2 * n / (n - 3) * (v1 - w1) * (v2 - w2) + n**2 / (n - 1) * w1 * w2
    return statistic, n * (r - 1) * (c - 1) / (n - 1), variance


def _with_shells(kinds: ArrayLike) -> Floats:
    shells = np.asarray(kinds, dtype=float)
    if shells.ndim != 2 or (shells < 0).any():
        raise ValueError("kinds must be counts, 0 or more, of the shape (sites, kinds)")
    return np.asarray(shells[shells.sum(axis=1) > 0])


def _corrected(shells: Floats) -> float:
    shells = shells[shells.sum(axis=1) > 0]
    if len(shells) < 2 or shells.sum() <= len(shells) or (shells.sum(axis=0) > 0).sum() < 2:
        return math.nan
    return float(_two_level(_totals(shells, None).sum(axis=0)[None])[0])


def _totals(shells: Floats, member: Floats | None) -> Floats:
    """Return what each site adds: 1, its shells n, n², Σ c²/n, and its counts; all but the fourth by habitat."""
    n = shells.sum(axis=1)
    within = np.sum(shells**2, axis=1) / n
    parts = np.column_stack([np.ones(len(n)), n, n**2, shells])
    if member is None:
        return np.column_stack([within, parts])
    return np.column_stack([within, (parts[:, :, None] * member[:, None, :]).reshape(len(n), -1)])


def _two_level(totals: Floats) -> Floats:
    """Return F_ST of each row of totals (without habitats)."""
    within, sites, shells, squares = totals[:, :4].T
    between_sum = within - np.sum(totals[:, 4:] ** 2, axis=1) / shells
    between, inside = between_sum / (sites - 1), (shells - within) / (shells - sites)
    size = (shells - squares / shells) / (sites - 1)
    return np.asarray((between - inside) / (between + (size - 1) * inside))


def _components(totals: Floats, count: int) -> tuple[Floats, ...]:
    """Return, for each row of totals by habitat, the variance between habitats, between sites and within them.

    With them the coefficients of the expected mean squares: of the sites' variance and of the habitats' in that between
    habitats, and of the sites' in that between sites.
    """
    within = totals[:, 0]
    parts = totals[:, 1:].reshape(len(totals), -1, count)
    sites, shells, squares, kinds = parts[:, 0], parts[:, 1], parts[:, 2], parts[:, 3:]
    n, k = shells.sum(axis=1), sites.sum(axis=1)
    of_habitats = np.sum(kinds**2 / shells[:, None], axis=(1, 2))
    inside = (n - within) / (n - k)
    between_sites = (within - of_habitats) / (k - count)
    between = (of_habitats - np.sum(kinds.sum(axis=2) ** 2, axis=1) / n) / (count - 1)
    in_habitats = np.sum(squares / shells, axis=1)
    n_sites = (n - in_habitats) / (k - count)
    n_also = (in_habitats - squares.sum(axis=1) / n) / (count - 1)
    n_habitats = (n - np.sum(shells**2, axis=1) / n) / (count - 1)
    sites_part = (between_sites - inside) / n_sites
    return (between - inside - n_also * sites_part) / n_habitats, sites_part, inside, n_also, n_habitats, n_sites


def _shares(totals: Floats, count: int) -> Floats:
    """Return, for each row of totals by habitat, the shares between habitats and between sites within them."""
    habitats, sites, inside, *_ = _components(totals, count)
    return np.column_stack([habitats / (habitats + sites + inside), sites / (sites + inside)])


def _limits_of_sites(shells: Floats, weights: Floats, confidence: float) -> tuple[float, float]:
    """Return limits on the scale of the log ratio of mean squares, brought back."""
    n = shells.sum(axis=1)
    size = (n.sum() - float(np.sum(n**2)) / n.sum()) / (len(n) - 1)

    def statistic(totals: Floats) -> Floats:
        return _log_ratio(_two_level(totals), size)

    found = interval_over_sites(_totals(shells, None), statistic, weights, confidence=confidence)
    ratios = [math.exp(min(y, _LARGEST_LOG)) for y in (found.low, found.high)]
    low, high = ((ratio - 1) / (ratio + size - 1) for ratio in ratios)
    return low, high


def _log_ratio(value: Floats, size: float) -> Floats:
    ratio = (1 + (size - 1) * value) / (1 - value)
    return np.asarray(np.log(np.where(ratio > 0, ratio, np.nan)))


def _limits_by_habitat(
    each: Floats, group: Labels, count: int, confidence: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return limits of the shares between habitats and between sites within them, by the jackknife within habitats.

    Each is made on the logarithm of a component's mean square over what it would be without the component.
    """
    whole = _components(each.sum(axis=0)[None], count)
    _, sites, inside, n_also, n_habitats, n_sites = (float(column[0]) for column in whole)
    limits = []
    for column in (0, 1):

        def statistic(totals: Floats, column: int = column) -> Floats:
            habitats_part, sites_part, error, also, of_habitats, of_sites = _components(totals, count)
            base = (error + also * sites_part, error)[column]
            ratio = 1 + ((of_habitats * habitats_part, of_sites * sites_part)[column]) / base
            return np.log(np.where((ratio > 0) & (base > 0), ratio, np.nan))

        found = interval_over_sites(each, statistic, None, groups=group, confidence=confidence)
        scale = (inside + n_also * sites) / n_habitats if column == 0 else inside / n_sites
        rest = sites + inside if column == 0 else inside
        parts = [(math.exp(y) - 1) * scale for y in (found.low, found.high)]
        limits.append((parts[0] / (parts[0] + rest), parts[1] / (parts[1] + rest)))
    return limits[0], limits[1]


def _shuffled_shares(shells: Floats, member: Floats, shuffles: int, rng: np.random.Generator) -> Floats:
    """Return the share between habitats when whole sites are shuffled over them."""
    each = _totals(shells, None)
    order = np.array([rng.permutation(len(shells)) for _ in range(shuffles)])
    parts = np.stack([each[:, column][order] @ member for column in range(1, each.shape[1])], axis=1)
    within = np.full((shuffles, 1), each[:, 0].sum())
    return _shares(np.column_stack([within, parts.reshape(shuffles, -1)]), member.shape[1])[:, 0]


def _uncorrected(shells: Floats, group: Labels) -> tuple[float, float, float]:
    """Return 1 - Hs/Ht, 1 - Hh/Ht and 1 - Hs/Hh, every site counting alike."""
    share = shells / shells.sum(axis=1, keepdims=True)
    member = np.eye(int(group.max()) + 1 if len(group) else 1)[group]
    sites = member.sum(axis=0)
    of_sites = 1 - float(np.mean(np.sum(share**2, axis=1)))
    means = member.T @ share / sites[:, None]
    of_habitats = float(np.average(1 - np.sum(means**2, axis=1), weights=sites))
    whole = 1 - float(np.sum(share.mean(axis=0) ** 2))
    if len(share) < 2 or not whole > 0:
        return _NAN3
    return 1 - of_sites / whole, 1 - of_habitats / whole, 1 - of_sites / of_habitats if of_habitats > 0 else math.nan
