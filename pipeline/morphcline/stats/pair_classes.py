"""All pairs of sites by class of distance: how many, how far apart, and sums of products over them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import csr_array
from scipy.spatial.distance import cdist, pdist

#: Classes with fewer pairs than this are left without a number (common practice, no single source).
MIN_PAIRS = 30
#: Up to this number of sites all pairs are held in memory; beyond it they are made again when needed, in blocks.
PAIRS_HELD_UP_TO = 3_000
_DISTANCES_AT_ONCE = 4_000_000

Floats = NDArray[np.float64]
#: The first site of a block of consecutive sites, and for each class their pairs with later sites.
Block = tuple[int, list[csr_array]]


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
    distance = _some_distances(easting, northing)
    reach = distance.max(initial=0.0) / 2
    near = distance[distance <= reach]
    if not reach > 0 or not len(near):
        return np.array([0.0])
    inner = np.quantile(near, np.linspace(0, 1, classes + 1)[1:-1], method="lower")
    limits: Floats = np.unique(np.concatenate([[0.0], inner, [reach]]))
    return limits


def equal_steps(easting: ArrayLike, northing: ArrayLike, classes: int) -> Floats:
    """Return limits of distance classes of one width, from 0 to half of the largest distance between two sites.

    Parameters
    ----------
    easting, northing : array_like of shape (n,)
        Metres.
    classes : int

    Returns
    -------
    array of ``classes + 1`` limits, metres; of 0 alone when all sites lie at one place
    """
    reach = _some_distances(easting, northing).max(initial=0.0) / 2
    return np.linspace(0.0, reach, classes + 1) if reach > 0 else np.array([0.0])


def _some_distances(easting: ArrayLike, northing: ArrayLike) -> Floats:
    points = _points(easting, northing)
    if len(points) > PAIRS_HELD_UP_TO:
        points = points[np.linspace(0, len(points) - 1, PAIRS_HELD_UP_TO).astype(np.intp)]
    distance: Floats = pdist(points)
    return distance


class PairClasses:
    """All pairs of sites by class of distance, gone through in blocks of sites; held in memory if they are few.

    Parameters
    ----------
    easting, northing : array_like of shape (n,)
        Metres.
    limits : array_like of shape (c + 1,)
        Limits of the classes, metres, rising. A class reaches from above its lower limit up to its upper one; the
        first takes its lower limit in, so that sites at one place are paired.

    Attributes
    ----------
    limits : array of shape (c + 1,)
    number : array of int, shape (c,)
        Pairs of sites, each counted once; a site is never paired with itself.
    mean_m : array of shape (c,)
        Mean distance of a class's pairs; NaN where it has none.
    held : bool
        Whether the pairs are kept in memory.

    Raises
    ------
    ValueError
        When the limits don't rise.
    """

    def __init__(self, easting: ArrayLike, northing: ArrayLike, limits: ArrayLike):
        self._points = _points(easting, northing)
        self.limits: Floats = np.asarray(limits, dtype=np.float64)
        if len(self.limits) < 2 or np.any(np.diff(self.limits) <= 0):
            raise ValueError(f"limits must be at least two and rise, got {self.limits.tolist()}")
        classes = len(self.limits) - 1
        self.held = len(self._points) <= PAIRS_HELD_UP_TO
        self.number = np.zeros(classes, dtype=np.int64)
        total = np.zeros(classes)
        self._blocks: list[Block] = []
        for start, which, distance in self._distances():
            inside = which >= 0
            self.number += np.bincount(which[inside], minlength=classes)
            total += np.bincount(which[inside], weights=distance[inside], minlength=classes)
            if self.held:
                self._blocks.append((start, self._by_class(start, which)))
        self.mean_m: Floats = np.divide(total, self.number, out=np.full(classes, np.nan), where=self.number > 0)

    def __len__(self) -> int:
        """Return the number of sites."""
        return len(self._points)

    @property
    def enough(self) -> NDArray[np.bool_]:
        """Which classes have :data:`MIN_PAIRS` pairs or more."""
        return self.number >= MIN_PAIRS

    def sums(self, several: Sequence[Floats]) -> list[Floats]:
        """Return, for each (n, columns) array, the sums of products over each class's pairs: (classes, columns)."""
        sums = [np.zeros((len(self.number), values.shape[1])) for values in several]
        for start, by_class in self._made():
            rows = slice(start, start + by_class[0].shape[0])
            for total, values in zip(sums, several, strict=True):
                for number, matrix in enumerate(by_class):
                    total[number] += np.einsum("it,it->t", values[rows], matrix @ values)
        return sums

    def degrees(self) -> Floats:
        """Return in how many of each class's pairs each site is, (classes, n)."""
        found = np.zeros((len(self.number), len(self)))
        for start, by_class in self._made():
            for number, matrix in enumerate(by_class):
                found[number, start : start + matrix.shape[0]] += np.diff(matrix.indptr)
                found[number] += np.bincount(matrix.indices, minlength=len(self))
        return found

    def _made(self) -> Iterable[Block]:
        if self.held:
            return self._blocks
        return ((start, self._by_class(start, which)) for start, which, _ in self._distances())

    def _distances(self) -> Iterator[tuple[int, NDArray[np.intp], Floats]]:
        """Yield blocks: the first site, and for each of its sites and each later site the class (or -1), distance."""
        n = len(self._points)
        rows = max(1, _DISTANCES_AT_ONCE // max(1, n))
        for start in range(0, n - 1, rows):
            stop = min(start + rows, n - 1)
            distance = cdist(self._points[start:stop], self._points[start + 1 :])
            which = np.searchsorted(self.limits, distance, side="left") - 1
            which[distance == self.limits[0]] = 0
            which[which >= len(self.limits) - 1] = -1
            which[np.tril_indices_from(which, -1)] = -1
            yield start, which, distance

    def _by_class(self, start: int, which: NDArray[np.intp]) -> list[csr_array]:
        by_class = []
        for number in range(len(self.limits) - 1):
            i, j = np.nonzero(which == number)
            shape = (len(which), len(self._points))
            by_class.append(csr_array((np.ones(len(i)), (i, j + start + 1)), shape=shape))
        return by_class


def _points(easting: ArrayLike, northing: ArrayLike) -> Floats:
    return np.column_stack([np.asarray(easting, dtype=np.float64), np.asarray(northing, dtype=np.float64)])
