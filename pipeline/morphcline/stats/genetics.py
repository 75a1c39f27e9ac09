"""Association of two characters, allele frequencies behind phenotypes, and differentiation between sites."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from morphcline.stats.proportions import check_counts

Floats = NDArray[np.float64]


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


def recessive_allele(recessive: ArrayLike, total: ArrayLike) -> tuple[Floats, Floats]:
    """Return the frequency of the recessive one of two alleles, and its standard error.

    Parameters
    ----------
    recessive, total : array_like
        Shells that show the recessive character, and shells scored; a total of 0 gives NaN.

    Returns
    -------
    frequency, standard_error : ndarray
        √(R/n) and √((1 - q²) / 4n). The error is first-order: of little use when no or few recessives were seen.

    Raises
    ------
    ValueError
        When a count is negative or above its total.

    Notes
    -----
    The square-root estimator (textbook method, no single source). It holds under Hardy-Weinberg proportions, so for one
    breeding group: over sites that differ, average the sites' estimates instead of adding up their shells.

    Examples
    --------
    >>> frequency, error = recessive_allele(16, 100)
    >>> f"{frequency:.3f} ± {error:.4f}"
    '0.400 ± 0.0458'
    """
    recessive, total = check_counts(recessive, total)
    some = np.where(total > 0, total, np.nan)
    share = recessive / some
    return np.sqrt(share), np.sqrt((1 - share) / (4 * some))


def dominance_series(top: ArrayLike, middle: ArrayLike, bottom: ArrayLike) -> tuple[Floats, Floats]:
    """Return the allele frequencies of a series in which each of three alleles is dominant to the next.

    Parameters
    ----------
    top, middle, bottom : array_like
        Shells of the three phenotypes, dominant first: brown, pink, yellow. Broadcast together.

    Returns
    -------
    frequency, standard_error : ndarray, shape (3, ...)
        In the order of the arguments; NaN without shells. The errors are first-order, as in :func:`recessive_allele`.

    Raises
    ------
    ValueError
        When a count is negative.

    Notes
    -----
    With frequencies t, m, b of the phenotypes the alleles are 1 - √(m + b), √(m + b) - √b and √b. Three phenotypes and
    two free parameters: this is also the maximum-likelihood estimate. Square-root estimators are Bernstein's (1930);
    what :func:`recessive_allele` says of Hardy-Weinberg holds here too.
    """
    top, middle, bottom = np.broadcast_arrays(*(np.asarray(c, dtype=float) for c in (top, middle, bottom)))
    if (np.stack([top, middle, bottom]) < 0).any():
        raise ValueError("a count must be 0 or more")
    total = top + middle + bottom
    low, error_low = recessive_allele(bottom, total)
    lower_two, error_lower_two = recessive_allele(middle + bottom, total)
    # Both roots rest on the same shells: cov(√(m+b), √b) = √(b / (m+b)) (1 - m - b) / 4n.
    common = np.divide(low, lower_two, out=np.zeros_like(low), where=lower_two > 0) * error_lower_two**2
    error_middle = np.sqrt(np.maximum(error_low**2 + error_lower_two**2 - 2 * common, 0))
    return np.stack([1 - lower_two, lower_two - low, low]), np.stack([error_lower_two, error_middle, error_low])


def alleles_by_em(
    counts: Sequence[float],
    genotypes: Sequence[Sequence[tuple[int, int]]],
    *,
    start: Sequence[float] | None = None,
    iterations: int = 10_000,
) -> Floats:
    """Return maximum-likelihood allele frequencies from phenotypes that hide genotypes.

    Parameters
    ----------
    counts : sequence of float, length phenotypes
    genotypes : sequence, length phenotypes
        For each phenotype its genotypes, as unordered pairs of allele numbers from 0.
    start : sequence of float, optional
        Frequencies to start from; equal ones otherwise.
    iterations : int
        Most steps taken; fewer when a step changes no frequency by 1e-13.

    Returns
    -------
    ndarray, shape (alleles,)
        NaN without shells.

    Raises
    ------
    ValueError
        When counts and genotypes differ in number, or a count is negative.

    Notes
    -----
    Gene counting under Hardy-Weinberg proportions: Ceppellini, Siniscalco & Smith (1955), *Annals of Human Genetics*
    20:97-115; the EM algorithm before its name. Towards an allele that is absent it creeps: give it no phenotype that
    wasn't seen where that can be helped.
    """
    if len(counts) != len(genotypes) or min(counts) < 0:
        raise ValueError("give one count, 0 or more, for each phenotype")
    alleles = 1 + max(max(pair) for pairs in genotypes for pair in pairs)
    total = float(sum(counts))
    if total == 0:
        return np.full(alleles, np.nan)
    frequency = np.full(alleles, 1 / alleles) if start is None else np.asarray(start, dtype=float)
    for _ in range(iterations):
        genes = np.zeros(alleles)
        for count, pairs in zip(counts, genotypes, strict=True):
            weight = np.array([frequency[a] * frequency[b] * (1 if a == b else 2) for a, b in pairs])
            # A phenotype that the current frequencies rule out keeps its shells by an even split.
            shares = weight / weight.sum() if weight.sum() > 0 else np.full(len(pairs), 1 / len(pairs))
            for (a, b), share in zip(pairs, shares, strict=True):
                genes[a] += count * share
                genes[b] += count * share
        new = genes / (2 * total)
        done = float(np.abs(new - frequency).max()) < 1e-13
        frequency = new
        if done:
            break
    return frequency


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
    count, total = count[total > 0], total[total > 0]
    sites, whole = total.size, float(total.sum())
    if sites < 2 or whole <= sites or count.sum() in (0, whole):
        return math.nan
    share, mean = count / total, count.sum() / whole
    between = float(np.sum(total * (share - mean) ** 2)) / (sites - 1)
    within = float(np.sum(total * share * (1 - share))) / (whole - sites)
    size = (whole - float(np.sum(total**2)) / whole) / (sites - 1)
    return (between - within) / (between + (size - 1) * within)
