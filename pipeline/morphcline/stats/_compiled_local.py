"""The compiled way to count draws of neighbours, for many sites: the same counts as the plain way, site by site.

The plain way (:mod:`morphcline.stats.local_moran`) goes through all sites in arrays; here a site's counting stays in a
processor's cache, sites are shared out among the cores, and a site that stops is looked for only up to where it does.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from morphcline.stats._compiling import compiled, in_threads

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]

#: Sites that a thread takes at once.
_SITES = 4_096
#: Draws that are counted together when it is looked for where a site stops.
_STRETCH = 64


def neighbour_sums(values: Floats, weights: csr_array) -> Floats:
    """Return the sum of the values of each site's neighbours, whatever their weights; (n, t)."""
    link, neighbour = weights.indptr.astype(np.int64), weights.indices.astype(np.int64)
    sums = np.empty_like(values)
    in_threads(lambda first: _sums(values, link, neighbour, first, sums), range(0, len(values), _SITES))
    return sums


def count_draws(
    z: Floats,
    neighbour_sum: Floats,
    links: Counts,
    draws: NDArray[np.intp],
    stop_after: int,
    reached: Counts,
    drawn: Counts,
) -> None:
    """Count further draws that reach each site's observed sum, up to the last one that a site needs.

    Parameters
    ----------
    z, neighbour_sum : arrays of shape (n, t)
    links : array of int, shape (n,)
        Number of neighbours.
    draws : array of int, shape (draws, size)
        Ordered draws of sites without replacement, ``size`` above the largest of ``links``.
    stop_after : int
    reached, drawn : arrays of int, shape (n, t)
        Counts before these draws; they are brought up to date. Sites without neighbours, and those that have reached
        ``stop_after``, are left alone.
    """
    size = draws.shape[1]
    prefix = np.ascontiguousarray(np.cumsum(z[draws], axis=1).transpose(2, 1, 0))
    ordered = np.empty_like(prefix)
    found = np.unique(links[links > 0]) - 1
    ordered[:, found] = np.sort(prefix[:, found], axis=2)
    # For each site the draws that hold it, in their order, and its place in each.
    sites = draws.ravel()
    by_site = np.argsort(sites, kind="stable")
    holds = np.zeros(len(z) + 1, dtype=np.int64)
    np.cumsum(np.bincount(sites, minlength=len(z)), out=holds[1:])
    draw, place = np.divmod(by_site, size)
    largest = np.abs(z).max(axis=0)
    in_threads(
        lambda first: _count(
            z, neighbour_sum, largest, links, prefix, ordered, holds, draw, place, stop_after, first, reached, drawn
        ),
        range(0, len(z), _SITES),
    )


@compiled
def _sums(values: Floats, link: Counts, neighbour: Counts, first: int, sums: Floats) -> None:
    for i in range(first, min(first + _SITES, len(values))):
        for v in range(values.shape[1]):
            sums[i, v] = 0.0
        for e in range(link[i], link[i + 1]):
            for v in range(values.shape[1]):
                sums[i, v] += values[neighbour[e], v]


@compiled
def _up_to(ordered: Floats, limit: float) -> int:
    """Return how many of rising values are at most a limit."""
    below, length = 0, len(ordered)
    while length > 0:
        half = (length + 1) // 2
        # Written so that nothing has to be guessed ahead: the next half is chosen by a number, not by a jump.
        below += half * (ordered[below + half - 1] <= limit)
        length -= half
    return below


@compiled
def _below(ordered: Floats, limit: float) -> int:
    """Return how many of rising values are less than a limit."""
    below, length = 0, len(ordered)
    while length > 0:
        half = (length + 1) // 2
        below += half * (ordered[below + half - 1] < limit)
        length -= half
    return below


@compiled
def _until(
    mine: float,
    k: int,
    lower: float,
    upper: float,
    prefix: Floats,
    ordered: Floats,
    draw: Counts,
    place: Counts,
    wanted: int,
) -> tuple[int, int]:
    """Return how many draws reach a site's observed sum, at most ``wanted``, and how many draws that takes."""
    draws = prefix.shape[1]
    totals = prefix[k - 1]
    more = min(draws, _up_to(ordered, lower) + draws - _below(ordered, upper))
    for e in range(len(draw)):
        if place[e] < k:
            d = draw[e]
            # The draw's next site takes the place of the site itself.
            others = prefix[k, d] - mine
            more += (others <= lower) | (others >= upper)
            more -= (totals[d] <= lower) | (totals[d] >= upper)
    if more < wanted:
        return more, draws
    # Where it stops: whole stretches between the draws that hold the site, and those one by one.
    found, done, e = 0, 0, 0
    while True:
        while e < len(draw) and place[e] >= k:
            e += 1
        until = draw[e] if e < len(draw) else draws
        while done < until:
            stretch = min(done + _STRETCH, until)
            here = 0
            for d in range(done, stretch):
                here += (totals[d] <= lower) | (totals[d] >= upper)
            if found + here >= wanted:
                while found < wanted:
                    found += (totals[done] <= lower) | (totals[done] >= upper)
                    done += 1
                return wanted, done
            found += here
            done = stretch
        others = prefix[k, until] - mine
        found += (others <= lower) | (others >= upper)
        done = until + 1
        e += 1
        if found >= wanted:
            return wanted, done


@compiled
def _count(
    z: Floats,
    neighbour_sum: Floats,
    largest: Floats,
    links: Counts,
    prefix: Floats,
    ordered: Floats,
    holds: Counts,
    draw: Counts,
    place: Counts,
    stop_after: int,
    first: int,
    reached: Counts,
    drawn: Counts,
) -> None:
    n, traits = z.shape
    for v in range(traits):
        for i in range(first, min(first + _SITES, n)):
            wanted = stop_after - reached[i, v]
            if links[i] == 0 or wanted <= 0:
                continue
            k, mine = links[i], z[i, v]
            # As in the plain way, to the bit.
            expected = -mine * k / (n - 1)
            apart = abs(neighbour_sum[i, v] - expected) * (1 - 1e-9) - 1e-12 * largest[v]
            always = apart <= 0 or mine == 0
            lower, upper = (np.inf, np.inf) if always else (expected - apart, expected + apart)
            more, needed = _until(
                mine, k, lower, upper, prefix[v], ordered[v, k - 1], draw[holds[i] : holds[i + 1]],
                place[holds[i] : holds[i + 1]], wanted,
            )  # fmt: skip
            reached[i, v] += more
            drawn[i, v] += needed
