"""Over what distance are sites alike? Moran's I of the pairs of sites in each class of distance."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array
from scipy.spatial.distance import cdist, pdist

from morphcline.stats.autocorrelation import centre, sum_of_squares
from morphcline.stats.multiple import holm
from morphcline.stats.permutation import shuffles, two_sided_p

#: Classes with fewer pairs than this aren't tested (common practice, no single source).
MIN_PAIRS = 30
#: Up to this number of sites all pairs are held in memory; beyond it they are made again when needed, in blocks.
PAIRS_HELD_UP_TO = 3_000
_DISTANCES_AT_ONCE = 4_000_000
#: Where pairs are made again, so many batches of shuffles (4 MB each) share them.
_BATCHES = 40

Floats = NDArray[np.float64]
#: The first site of a block of consecutive sites, and for each class their pairs with later sites.
Block = tuple[int, list[csr_array]]


@dataclass(frozen=True)
class Correlogram:
    """Moran's I of t traits in c classes of distance.

    Attributes
    ----------
    limits : array of shape (c + 1,)
        Metres. A class reaches from above its lower limit up to its upper one; the first takes its lower limit in.
    pairs : array of int, shape (c,)
        Pairs of sites, each counted once.
    i, p, p_holm : arrays of shape (c, t)
        The index, its two-sided permutation p-value, and that adjusted over the classes of a trait (Holm). NaN in
        classes with fewer than :data:`MIN_PAIRS` pairs, and for traits that aren't tested.
    expected : float
        ``-1 / (n - 1)``.
    not_tested_because : tuple of str
        For each trait the reason, or ``""``.
    """

    limits: Floats
    pairs: NDArray[np.int64]
    i: Floats
    p: Floats
    p_holm: Floats
    expected: float
    not_tested_because: tuple[str, ...]


def equal_classes(easting: ArrayLike, northing: ArrayLike, classes: int) -> Floats:
    """Return limits of distance classes with about equally many pairs of sites.

    Parameters
    ----------
    easting, northing : array_like of shape (n,)
        Metres.
    classes : int
        Fewer come back where so many pairs are tied that limits coincide.

    Returns
    -------
    array of at most ``classes + 1`` limits, metres
        From 0 to half of the largest distance between two sites. Beyond that the pairs are mostly those between
        opposite edges of the region, and their index says little of the rest (common practice, no single source).

    Notes
    -----
    The quantiles are exact up to 3,000 sites and those of evenly spaced members of the list of sites above.
    """
    points = np.column_stack([np.asarray(easting, dtype=np.float64), np.asarray(northing, dtype=np.float64)])
    if len(points) > PAIRS_HELD_UP_TO:
        points = points[np.linspace(0, len(points) - 1, PAIRS_HELD_UP_TO).astype(np.intp)]
    distance = pdist(points)
    reach = distance.max(initial=0.0) / 2
    near = distance[distance <= reach]
    if not reach > 0 or not len(near):
        return np.array([0.0])
    inner = np.quantile(near, np.linspace(0, 1, classes + 1)[1:-1], method="lower")
    limits: Floats = np.unique(np.concatenate([[0.0], inner, [reach]]))
    return limits


def correlogram(
    values: ArrayLike,
    easting: ArrayLike,
    northing: ArrayLike,
    *,
    limits: ArrayLike,
    permutations: int,
    rng: np.random.Generator,
) -> Correlogram:
    """Return Moran's I for each class of distance, all traits at once.

    Parameters
    ----------
    values : array_like of shape (n,) or (n, t)
        A column for each trait.
    easting, northing : array_like of shape (n,)
        Metres.
    limits : array_like of shape (c + 1,)
        Limits of the classes, metres, rising.
    permutations : int
        Shuffles of the values over the sites; all classes and traits share each.
    rng : Generator

    Returns
    -------
    Correlogram

    Raises
    ------
    ValueError
        When positions and values disagree on the number of sites, or the limits don't rise.

    Notes
    -----
    In each class, ``I = n / W * sum z_i z_j / sum z_i^2`` over its W ordered pairs (binary weights), with the mean and
    the sum of squares of all n sites, whether or not they have a partner in the class: Sokal & Oden (1978),
    *Biological Journal of the Linnean Society* 10, 199-228. Time grows with the number of pairs times permutations
    times traits; memory doesn't beyond :data:`PAIRS_HELD_UP_TO` sites.
    """
    points = np.column_stack([np.asarray(easting, dtype=np.float64), np.asarray(northing, dtype=np.float64)])
    edges = np.asarray(limits, dtype=np.float64)
    if len(edges) < 2 or np.any(np.diff(edges) <= 0):
        raise ValueError(f"limits must be at least two and rise, got {edges.tolist()}")
    centred, reasons = centre(values)
    if len(points) != len(centred):
        raise ValueError(f"{len(points)} positions for {len(centred)} sites' values")
    classes, tested = len(edges) - 1, np.array([not reason for reason in reasons], dtype=bool)

    pairs = _Pairs(points, edges)
    enough = pairs.number >= MIN_PAIRS

    z = centred[:, tested]
    n = len(z)
    expected = -1.0 / (n - 1) if n > 1 else np.nan
    scale = n / np.where(enough, pairs.number, np.nan)[:, np.newaxis] / sum_of_squares(z)
    index = pairs.sums([z])[0] * scale
    drawn = np.empty((permutations, classes, z.shape[1]))
    done = 0
    batches = shuffles(z, permutations=permutations, rng=rng) if z.shape[1] else iter(())
    while some := list(islice(batches, 1 if pairs.held else _BATCHES)):
        for sums in pairs.sums(some):
            shuffled = sums.reshape(classes, -1, z.shape[1]).transpose(1, 0, 2)
            drawn[done : done + len(shuffled)] = shuffled * scale
            done += len(shuffled)
    p = np.where(enough[:, np.newaxis], two_sided_p(index, drawn, expected=expected), np.nan)

    def spread(some: Floats) -> Floats:
        table = np.full((classes, len(tested)), np.nan)
        table[:, tested] = some
        return table

    adjusted = np.column_stack([holm(column) for column in p.T]) if z.shape[1] else p
    return Correlogram(edges, pairs.number, spread(index), spread(p), spread(adjusted), expected, reasons)


class _Pairs:
    """All pairs of sites by class of distance, gone through in blocks of sites; held in memory if they are few."""

    def __init__(self, points: Floats, edges: Floats):
        self.points = points
        self.edges = edges
        self.held: list[Block] = list(self._make()) if len(points) <= PAIRS_HELD_UP_TO else []
        self.number = np.zeros(len(edges) - 1, dtype=np.int64)
        for _, by_class in self._blocks():
            self.number += [matrix.nnz for matrix in by_class]

    def sums(self, several: list[Floats]) -> list[Floats]:
        """Return, for each (n, columns) array, the sums of products over each class's pairs: (classes, columns)."""
        sums = [np.zeros((len(self.number), values.shape[1])) for values in several]
        for start, by_class in self._blocks():
            rows = slice(start, start + by_class[0].shape[0])
            for total, values in zip(sums, several, strict=True):
                for number, matrix in enumerate(by_class):
                    total[number] += np.einsum("it,it->t", values[rows], matrix @ values)
        return sums

    def _blocks(self) -> Iterable[Block]:
        return self.held or self._make()

    def _make(self) -> Iterator[Block]:
        n = len(self.points)
        rows = max(1, _DISTANCES_AT_ONCE // max(1, n))
        for start in range(0, n - 1, rows):
            stop = min(start + rows, n - 1)
            distance = cdist(self.points[start:stop], self.points[start + 1 :])
            # A class takes its upper limit in; the first also its lower one, so that sites at one place are paired.
            which = np.searchsorted(self.edges, distance, side="left") - 1
            which[distance == self.edges[0]] = 0
            which[np.tril_indices_from(which, -1)] = -1
            by_class = []
            for number in range(len(self.edges) - 1):
                i, j = np.nonzero(which == number)
                by_class.append(csr_array((np.ones(len(i)), (i, j + start + 1)), shape=(stop - start, n)))
            yield start, by_class
