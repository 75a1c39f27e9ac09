"""Where are neighbours alike? Local Moran's I, each site judged by shuffling the others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array

from morphcline.stats.autocorrelation import deviations
from morphcline.stats.multiple import benjamini_hochberg
from morphcline.stats.neighbours import binary

Floats = NDArray[np.float64]

NOT_TESTED = "not tested"
NO_SIGNAL = "no local signal"
#: By whether the site is high, then whether its neighbours are.
_GROUPS = {
    (True, True): "high among high",
    (True, False): "high among low",
    (False, True): "low among high",
    (False, False): "low among low",
}


@dataclass(frozen=True)
class LocalMoran:
    """Local Moran's I of n sites and t traits; NaN where a site or trait isn't tested.

    Attributes
    ----------
    i, p, p_fdr : arrays of shape (n, t)
        The index, its two-sided permutation p-value, and that adjusted over the tested sites of a trait
        (Benjamini & Hochberg).
    group : array of str, shape (n, t)
        "high among high", "high among low", "low among high", "low among low" where ``p_fdr <= level``, else
        "no local signal"; "not tested" for sites without neighbours and for traits that can't be tested.
    not_tested_because : tuple of str
        For each trait the reason, or ``""``.
    """

    i: Floats
    p: Floats
    p_fdr: Floats
    group: NDArray[np.str_]
    not_tested_because: tuple[str, ...]


def local_moran(
    values: ArrayLike,
    weights: csr_array,
    *,
    permutations: int,
    rng: np.random.Generator,
    level: float = 0.05,
) -> LocalMoran:
    """Return local Moran's I with conditional permutation, all traits at once.

    Parameters
    ----------
    values : array_like of shape (n,) or (n, t)
        A column for each trait.
    weights : csr_array of shape (n, n)
        Equal within a row, as binary or row-standardised neighbours are.
    permutations : int
        Draws of neighbours. All sites share them, so too few don't just blur each p-value: they move many sites across
        the false-discovery rate together. Take thousands; they cost little.
    rng : Generator
    level : float
        False-discovery rate up to which a site is given a group.

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
    the draws. The p-value is the share of draws whose distance from the exact conditional mean,
    ``-z_i^2 / s2 / (m - 1)`` times the row's sum of weights, is at least the observed one's. Over many sites the
    false-discovery rate is controlled: Caldas de Castro & Singer (2006), *Geographical Analysis* 38, 180-208.
    """
    ready = deviations(values, weights)
    links = np.diff(ready.weights.indptr)
    each = _weight_of_a_link(ready.weights, links)
    z = ready.values[:, ready.tested]
    m = len(z)
    linked = links > 0
    neighbour_sum = binary(ready.weights) @ z
    index = z / ((z**2).sum(axis=0) / m) * (neighbour_sum * each[:, np.newaxis])
    index[~linked] = np.nan
    p = np.full_like(index, np.nan)
    if z.shape[1] and linked.any():
        draws = _draw(m, int(links.max()) + 1, permutations, rng)
        for trait in range(z.shape[1]):
            p[:, trait] = _conditional_p(z[:, trait], neighbour_sum[:, trait], links, draws)
    p_fdr = np.column_stack([benjamini_hochberg(column) for column in p.T]) if z.shape[1] else p
    group = np.full(z.shape, NO_SIGNAL, dtype="<U15")
    for (high, among_high), name in _GROUPS.items():
        group[(p_fdr <= level) & ((z > 0) == high) & ((neighbour_sum > 0) == among_high)] = name
    group[~linked] = NOT_TESTED

    shape = (len(ready.kept), len(ready.tested))
    where = np.ix_(ready.kept, ready.tested)
    tables = []
    for some in (index, p, p_fdr):
        table = np.full(shape, np.nan)
        table[where] = some
        tables.append(table)
    groups = np.full(shape, NOT_TESTED, dtype="<U15")
    groups[where] = group
    return LocalMoran(tables[0], tables[1], tables[2], groups, ready.not_tested_because)


def _weight_of_a_link(weights: csr_array, links: NDArray[np.intp]) -> Floats:
    """Return the one weight that a row's links have; 0 for a row without any."""
    each = np.zeros(len(links))
    each[links > 0] = weights.data[weights.indptr[:-1][links > 0]]
    if not np.allclose(weights.data, np.repeat(each, links), rtol=1e-9, atol=0):
        raise ValueError("weights must be equal within a row")
    return each


@dataclass(frozen=True)
class _Draws:
    """Ordered draws of sites without replacement, and where among them each site turns up."""

    sites: NDArray[np.intp]  # (permutations, size)
    site: NDArray[np.intp]  # the same, flat
    draw: NDArray[np.intp]  # for each of the flat ones, its draw
    place: NDArray[np.intp]  # and its place in the draw


def _draw(m: int, size: int, permutations: int, rng: np.random.Generator) -> _Draws:
    sites = _without_replacement(m, size, permutations, rng)
    draw, place = np.indices(sites.shape)
    return _Draws(sites, sites.ravel(), draw.ravel(), place.ravel())


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


def _conditional_p(z: Floats, neighbour_sum: Floats, links: NDArray[np.intp], draws: _Draws) -> Floats:
    """Return each site's p-value of the sum over its neighbours, given its own value; NaN without neighbours.

    A draw's first k sites stand for the k neighbours of every site that isn't among them; a site that is gives its
    place to the draw's next one. Either way these are k of the *other* sites, all sets equally likely. So the sums are
    prefix sums of the draws, shared by all sites with k neighbours, and only the few draws that hold the site itself
    are looked at singly.
    """
    prefix = np.cumsum(z[draws.sites], axis=1)
    permutations = len(prefix)
    expected = -z * links / (len(z) - 1)
    # Sums that differ by rounding alone count as equal; and a site at the mean has a local index of 0 in every draw.
    apart = np.abs(neighbour_sum - expected) * (1 - 1e-9) - 1e-12 * np.abs(z).max()
    low, high = expected - apart, expected + apart
    reached = np.full(len(z), np.nan)
    for k in np.unique(links[links > 0]):
        having = np.flatnonzero(links == k)
        ordered = np.sort(prefix[:, k - 1])
        below = np.searchsorted(ordered, low[having], side="right")
        above = permutations - np.searchsorted(ordered, high[having], side="left")
        reached[having] = below + above
    inside = draws.place < links[draws.site]
    site, draw = draws.site[inside], draws.draw[inside]
    k = links[site]
    with_itself = prefix[draw, k - 1]
    with_the_next = prefix[draw, k] - z[site]

    def out(total: Floats) -> NDArray[np.bool_]:
        beyond: NDArray[np.bool_] = (total <= low[site]) | (total >= high[site])
        return beyond

    change = out(with_the_next).astype(np.float64) - out(with_itself)
    reached += np.bincount(site, weights=change, minlength=len(z))
    # With apart below 0 the two tails overlap, and every draw is in one of them.
    reached = np.where((apart <= 0) | (z == 0), permutations, reached)
    share: Floats = np.where(links > 0, (1 + reached) / (1 + permutations), np.nan)
    return share
