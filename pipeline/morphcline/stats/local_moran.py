"""Where are neighbours alike? Local Moran's I, each site judged by shuffling the others."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from types import ModuleType

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array

from morphcline.stats._compiling import can_compile
from morphcline.stats.autocorrelation import deviations
from morphcline.stats.multiple import benjamini_hochberg
from morphcline.stats.neighbours import binary

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]

NOT_TESTED = "not tested"
NO_SIGNAL = "no local signal"
#: Draws that reach the observed index, after which a site's p-value needs no more: its relative error is a tenth then.
STOP_AFTER = 100
#: Draws are made in batches: the first so many, each as many as all before, up to the most.
_FIRST_BATCH, _LARGEST_BATCH = 500, 8_000
_VALUES_AT_ONCE = 2_000_000
#: From so many sites on, draws are counted by compiled code where there is numba: below, compiling takes longer.
COMPILED_FROM = 2_000
#: High sites first, and of each those among high ones.
_GROUPS = ("high among high", "high among low", "low among high", "low among low")


@dataclass(frozen=True)
class LocalMoran:
    """Local Moran's I of n sites and t traits; NaN where a site or trait isn't tested.

    Attributes
    ----------
    i, p, p_fdr : arrays of shape (n, t)
        The index, its two-sided permutation p-value, and that adjusted over the tested sites of a trait
        (Benjamini & Hochberg).
    draws : array of shape (n, t)
        Draws of neighbours that the p-value rests on.
    group : array of str, shape (n, t)
        "high among high", "high among low", "low among high", "low among low" where ``p_fdr <= level``, else
        "no local signal"; "not tested" for sites without neighbours and for traits that can't be tested.
    not_tested_because : tuple of str
        For each trait the reason, or ``""``.
    """

    i: Floats
    p: Floats
    p_fdr: Floats
    draws: Floats
    group: NDArray[np.str_]
    not_tested_because: tuple[str, ...]


def local_moran(
    values: ArrayLike,
    weights: csr_array,
    *,
    permutations: int,
    rng: np.random.Generator,
    level: float = 0.05,
    stop_after: int = STOP_AFTER,
) -> LocalMoran:
    """Return local Moran's I with conditional permutation, all traits at once.

    Parameters
    ----------
    values : array_like of shape (n,) or (n, t)
        A column for each trait.
    weights : csr_array of shape (n, n)
        Equal within a row, as binary or row-standardised neighbours are.
    permutations : int
        Draws of neighbours at most. All sites share them, so too few don't just blur each p-value: they move many sites
        across the false-discovery rate together. Take thousands.
    rng : Generator
    level : float
        False-discovery rate up to which a site is given a group.
    stop_after : int
        A site needs no more draws once so many have reached its observed index.

    Returns
    -------
    LocalMoran

    Raises
    ------
    ValueError
        When weights differ within a row, and as :func:`morphcline.stats.autocorrelation.deviations`.

    Notes
    -----
    ``I_i = z_i / s2 * sum_j w_ij z_j`` with ``s2 = sum z^2 / m``, after Anselin (1995), *Geographical Analysis* 27,
    93-115. With s2 over m, not m - 1, the local values add up to the sum of the weights times the global index. The
    site is held while its neighbours are drawn from the other sites without replacement; all sites and traits share
    the draws. A draw reaches the observed index when its distance from the exact conditional mean,
    ``-z_i^2 / s2 / (m - 1)`` times the row's sum of weights, is at least the observed one's.

    The p-value is sequential: ``stop_after / draws`` where so many draws have reached it, at the last of them; else
    ``(1 + reached) / (1 + permutations)``. Under no pattern it is at most p with a probability of at most p, for every
    p, as with a fixed number of draws: Besag & Clifford (1991), *Biometrika* 78, 301-304. Where it stopped early, its
    relative error is some ``stop_after ** -0.5``. Over many sites the false-discovery rate is controlled: Caldas de
    Castro & Singer (2006), *Geographical Analysis* 38, 180-208.
    """
    ready = deviations(values, weights)
    links = np.diff(ready.weights.indptr)
    each = _weight_of_a_link(ready.weights, links)
    z = ready.values[:, ready.tested]
    m = len(z)
    linked = links > 0
    fast = m >= COMPILED_FROM and can_compile()
    neighbour_sum = _compiled().neighbour_sums(z, ready.weights) if fast else binary(ready.weights) @ z
    index = z / ((z**2).sum(axis=0) / m) * (neighbour_sum * each[:, np.newaxis])
    index[~linked] = np.nan
    if z.shape[1] and linked.any():
        count = _count_compiled if fast else _count
        reached, drawn = count(z, neighbour_sum, links, permutations, rng, stop_after)
        p, p_fdr = _p_values(reached, drawn, linked, permutations, stop_after)
        draws = np.where(linked[:, np.newaxis], drawn, np.nan)
    else:
        p, p_fdr, draws = (np.full_like(index, np.nan) for _ in range(3))
    # 0: no signal; else 1 to 4, as the groups come.
    code = (1 + 2 * (z <= 0) + (neighbour_sum <= 0)) * (p_fdr <= level)
    group = np.array([NO_SIGNAL, *_GROUPS])[code]
    group[~linked] = NOT_TESTED
    if ready.kept.all() and ready.tested.all():
        return LocalMoran(index, p, p_fdr, draws, group, ready.not_tested_because)

    shape = (len(ready.kept), len(ready.tested))
    where = np.ix_(ready.kept, ready.tested)
    tables = []
    for some in (index, p, p_fdr, draws):
        table = np.full(shape, np.nan)
        table[where] = some
        tables.append(table)
    groups = np.full(shape, NOT_TESTED, dtype="<U15")
    groups[where] = group
    return LocalMoran(tables[0], tables[1], tables[2], tables[3], groups, ready.not_tested_because)


def _compiled() -> ModuleType:
    from morphcline.stats import _compiled_local

    return _compiled_local


def _weight_of_a_link(weights: csr_array, links: NDArray[np.intp]) -> Floats:
    """Return the one weight that a row's links have; 0 for a row without any."""
    each = np.zeros(len(links))
    each[links > 0] = weights.data[weights.indptr[:-1][links > 0]]
    if not np.allclose(weights.data, np.repeat(each, links), rtol=1e-9, atol=0):
        raise ValueError("weights must be equal within a row")
    return each


def _batches(permutations: int) -> Iterator[int]:
    done = 0
    while done < permutations:
        size = min(max(done, _FIRST_BATCH), _LARGEST_BATCH, permutations - done)
        yield size
        done += size


def _without_replacement(m: int, size: int, draws: int, rng: np.random.Generator) -> NDArray[np.intp]:
    """Return ordered draws of ``size`` of m sites, all equally likely."""
    if size**2 > 4 * m:
        return np.array([rng.choice(m, size, replace=False) for _ in range(draws)])
    # Where a draw seldom holds a site twice, it is quicker to draw with replacement and do those again.
    sites = rng.integers(m, size=(draws, size), dtype=np.intp)
    again = np.arange(draws)
    while len(again):
        ordered = np.sort(sites[again], axis=1)
        again = again[(ordered[:, 1:] == ordered[:, :-1]).any(axis=1)]
        sites[again] = rng.integers(m, size=(len(again), size), dtype=np.intp)
    return sites


def _count(
    z: Floats, neighbour_sum: Floats, links: Counts, permutations: int, rng: np.random.Generator, stop_after: int
) -> tuple[Counts, Counts]:
    """Return how many draws reached each site's observed sum, and out of how many, (n, t)."""
    traits = [_Trait(z[:, trait], neighbour_sum[:, trait], links, stop_after) for trait in range(z.shape[1])]
    for size in _batches(permutations):
        going = [trait for trait in traits if trait.open.any()]
        if not going:
            break
        sites = _without_replacement(len(z), int(links.max()) + 1, size, rng)
        for trait in going:
            trait.count(sites)
    return np.column_stack([trait.reached for trait in traits]), np.column_stack([trait.drawn for trait in traits])


def _count_compiled(
    z: Floats, neighbour_sum: Floats, links: Counts, permutations: int, rng: np.random.Generator, stop_after: int
) -> tuple[Counts, Counts]:
    """Do what :func:`_count` does."""
    reached, drawn = np.zeros(z.shape, dtype=np.int64), np.zeros(z.shape, dtype=np.int64)
    waiting: list[NDArray[np.intp]] = []
    left = permutations
    for size in _batches(permutations):
        if (reached[links > 0] >= stop_after).all():
            break
        waiting.append(_without_replacement(len(z), int(links.max()) + 1, size, rng))
        left -= size
        # Where no site can stop, draws needn't be counted batch by batch.
        if left == 0 or stop_after <= permutations or sum(map(len, waiting)) + size > _LARGEST_BATCH:
            sites = np.concatenate(waiting)
            _compiled().count_draws(z, neighbour_sum, links.astype(np.int64), sites, stop_after, reached, drawn)
            waiting.clear()
    return reached, drawn


def _p_values(
    reached: Counts, drawn: Counts, linked: NDArray[np.bool_], permutations: int, stop_after: int
) -> tuple[Floats, Floats]:
    """Return each site's p-value when all draws are made, and that adjusted over a trait's sites; NaN where not linked.

    There are no more different p-values than counts, so that they are worked out, and sorted, once for each count.
    """
    # Counts of sites that went through all draws come first, then the draws of those that stopped.
    key = np.where(reached >= stop_after, permutations + 1 + drawn, reached)
    counts = np.arange(permutations + 1)
    share = np.concatenate([(1 + counts) / (1 + permutations), [np.nan], stop_after / counts[1:]])
    p = share[key]
    adjusted = np.empty_like(p)
    for trait in range(p.shape[1]):
        sites = np.bincount(key[linked, trait], minlength=len(share))
        there = np.flatnonzero(sites)
        table = np.empty_like(share)
        table[there] = benjamini_hochberg(share[there], times=sites[there])
        adjusted[:, trait] = table[key[:, trait]]
    p[~linked], adjusted[~linked] = np.nan, np.nan
    return p, adjusted


class _Trait:
    """One trait's sites while their neighbours are drawn: how often the observed sum was reached, and who is done.

    A draw's first k sites stand for the k neighbours of every site that isn't among them; a site that is gives its
    place to the draw's next one. Either way these are k of the *other* sites, all sets equally likely. So the sums are
    prefix sums of the draws, shared by all sites with k neighbours, and only the few draws that hold the site itself
    are looked at singly.
    """

    def __init__(self, z: Floats, neighbour_sum: Floats, links: NDArray[np.intp], stop_after: int):
        self._z, self._links, self._stop_after = z, links, stop_after
        expected = -z * links / (len(z) - 1)
        # Sums that differ by rounding alone count as equal; and a site at the mean has a local index of 0 in every
        # draw. With apart below 0 the two tails overlap, and every draw is in one of them.
        apart = np.abs(neighbour_sum - expected) * (1 - 1e-9) - 1e-12 * np.abs(z).max()
        always = (apart <= 0) | (z == 0)
        self._low, self._high = (np.where(always, np.inf, expected + sign * apart) for sign in (-1, 1))
        self.reached = np.zeros(len(z), dtype=np.int64)
        self.drawn = np.zeros(len(z), dtype=np.int64)
        self.open = links > 0

    def count(self, sites: NDArray[np.intp]) -> None:
        """Count the draws that reach the observed sum, (draws, size), site by site until it has been reached enough."""
        prefix = np.cumsum(self._z[sites], axis=1)
        going = np.flatnonzero(self.open)
        number = np.full(len(self._z), -1)
        number[going] = np.arange(len(going))
        k = self._links[going]
        more = np.empty(len(going), dtype=np.int64)
        for links in np.unique(k):
            ordered = np.sort(prefix[:, links - 1])
            these = k == links
            below = np.searchsorted(ordered, self._low[going[these]], side="right")
            above = len(prefix) - np.searchsorted(ordered, self._high[going[these]], side="left")
            more[these] = np.minimum(below + above, len(prefix))
        draw, place = np.nonzero((number[sites] >= 0) & (np.arange(sites.shape[1]) < self._links[sites]))
        site = sites[draw, place]
        with_itself = prefix[draw, self._links[site] - 1]
        with_the_next = prefix[draw, self._links[site]] - self._z[site]
        change = self._is_out(with_the_next, site).astype(np.int64) - self._is_out(with_itself, site)
        np.add.at(more, number[site], change)

        wanted = self._stop_after - self.reached[going]
        stopped = more >= wanted
        self.reached[going] += np.minimum(more, wanted)
        self.drawn[going[~stopped]] += len(prefix)
        self.open[going[stopped]] = False
        # Of those that stop, the draw at which they do.
        step = max(1, _VALUES_AT_ONCE // len(prefix))
        for start in range(0, int(stopped.sum()), step):
            some = np.flatnonzero(stopped)[start : start + step]
            totals = prefix[:, k[some] - 1]
            column = np.full(len(going), -1)
            column[some] = np.arange(len(some))
            mine = np.flatnonzero(column[number[site]] >= 0)
            totals[draw[mine], column[number[site[mine]]]] = with_the_next[mine]
            found = np.cumsum(self._is_out(totals, going[some]), axis=0)
            self.drawn[going[some]] += 1 + (found >= wanted[some]).argmax(axis=0)

    def _is_out(self, total: Floats, site: NDArray[np.intp]) -> NDArray[np.bool_]:
        beyond: NDArray[np.bool_] = (total <= self._low[site]) | (total >= self._high[site])
        return beyond
