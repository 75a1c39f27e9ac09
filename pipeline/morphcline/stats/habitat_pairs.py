"""Habitats compared between near sites: the paired design, in which place is the same for both.

Each site of one class is paired with a near site of another. Whatever changes slowly over the country is then alike in
both, whether anybody has measured it or not, and no model of space is needed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment
from scipy.spatial.distance import cdist
from scipy.special import stdtrit

from morphcline.stats.effective_sites import two_sided
from morphcline.stats.multiple import holm

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

#: The other side of a comparison with whatever else is near.
ANY_OTHER = "any other"
#: Fewer pairs than this aren't tested.
FEWEST_PAIRS = 6


@dataclass(frozen=True)
class Matching:
    """Pairs of sites of two classes, no site in two of them.

    Attributes
    ----------
    one, other : (pairs,) arrays of int
        Positions of the sites.
    distance_m : (pairs,) array
    """

    one: Indices
    other: Indices
    distance_m: Floats


@dataclass(frozen=True)
class PairedHabitats:
    """The difference between two habitats over pairs of near sites.

    Attributes
    ----------
    habitat_one, habitat_other : str
        ``habitat_other`` may be ``any other``.
    pairs : int
    distance_m : float
        Their median distance.
    frequency_one, frequency_other, difference, low, high : float
        Means over pairs, with the weights of the difference; one less other.
    p, p_holm : float
        Two-sided; adjusted for all comparisons of the trait of the same kind.
    not_tested_because : str
    """

    habitat_one: str
    habitat_other: str
    pairs: int
    distance_m: float = np.nan
    frequency_one: float = np.nan
    frequency_other: float = np.nan
    difference: float = np.nan
    low: float = np.nan
    high: float = np.nan
    p: float = np.nan
    p_holm: float = np.nan
    not_tested_because: str = ""


def match_near(
    easting: Floats, northing: Floats, one: NDArray[np.bool_], other: NDArray[np.bool_], *, within_m: float
) -> Matching:
    """Pair sites of two groups: as many pairs as the distance allows, and of those ways the shortest in all.

    Parameters
    ----------
    easting, northing : (n,) arrays
    one, other : (n,) arrays of bool
        Without a site in common.
    within_m : float
        The greatest distance of a pair.

    Notes
    -----
    An assignment problem (Kuhn 1955; solved as by Crouse 2016 in SciPy). Sites without a partner are left out.

    Examples
    --------
    >>> east, north = np.array([0.0, 100, 250, 5000]), np.zeros(4)
    >>> wood = np.array([True, False, False, True])
    >>> pairs = match_near(east, north, wood, ~wood, within_m=1000)
    >>> pairs.one, pairs.other, pairs.distance_m
    (array([0]), array([1]), array([100.]))
    """
    rows, columns = np.flatnonzero(one), np.flatnonzero(other)
    if not rows.size or not columns.size:
        return Matching(np.zeros(0, np.intp), np.zeros(0, np.intp), np.zeros(0))
    places = np.column_stack([easting, northing])
    distance = cdist(places[rows], places[columns])
    # A pair too far apart costs more than all that are near enough together, so that as few as may be are taken.
    barred = (min(len(rows), len(columns)) + 1) * within_m
    at, to = linear_sum_assignment(np.where(distance <= within_m, distance, barred))
    near = distance[at, to] <= within_m
    return Matching(rows[at[near]], columns[to[near]], distance[at[near], to[near]])


def compare_pairs(
    count: Floats,
    total: Floats,
    matching: Matching,
    rho: float,
    *,
    confidence: float = 0.95,
) -> tuple[tuple[float, float, float, float, float], float]:
    """Return frequencies of both sides, their difference and its limits; and its p, NaN where all pairs differ alike.

    Parameters
    ----------
    count, total : (n,) arrays
        Every total above 0.
    matching : Matching
        At least two pairs.
    rho : float
        Intra-site correlation; it settles how much more a big sample counts than a small one.
    confidence : float

    Notes
    -----
    A pair's difference has the weight 1 / (1 / m1 + 1 / m2) with the effective numbers m = n / (1 + (n - 1) rho) of its
    samples. Its standard error comes from the scatter of the pairs, each as seen without itself (HC3 of MacKinnon &
    White 1985, *Journal of Econometrics* 29:305-325), so it stays right when the weights are wrong; t on pairs - 1.
    """
    m = total / (1 + (total - 1) * rho)
    weight = 1 / (1 / m[matching.one] + 1 / m[matching.other])
    weight = weight / weight.sum()
    one, other = (count[at] / total[at] for at in (matching.one, matching.other))
    difference = one - other
    mean = float(weight @ difference)
    error = float(np.sqrt(np.sum((weight * (difference - mean) / (1 - weight)) ** 2)))
    freedom = len(weight) - 1
    half = float(stdtrit(freedom, 0.5 + confidence / 2)) * error
    told = float(weight @ one), float(weight @ other), mean, max(mean - half, -1.0), min(mean + half, 1.0)
    return told, two_sided(mean / error, freedom) if error > 1e-12 else np.nan


class Matchings:
    """Pairs of near sites of one set of sites, found once for every trait judged at them.

    Parameters
    ----------
    easting, northing : (n,) arrays
    classes : sequence of n str
        Habitat of each site; "" where it isn't known.
    within_m : float
    """

    def __init__(self, easting: Floats, northing: Floats, classes: Sequence[str], *, within_m: float):
        self.easting, self.northing, self.within_m = easting, northing, within_m
        self.classes = np.asarray(classes, dtype=object).astype(str)
        self._found: dict[tuple[str, str], Matching] = {}

    def between(self, one: str, other: str) -> Matching:
        """Return the pairs of two classes; ``other`` may be ``any other``."""
        if (one, other) not in self._found:
            first = self.classes == one
            second = self.classes == other if other != ANY_OTHER else ~first & (self.classes != "")
            self._found[one, other] = match_near(self.easting, self.northing, first, second, within_m=self.within_m)
        return self._found[one, other]


def compare_habitats(
    count: Floats, total: Floats, matchings: Matchings, rho: float, *, confidence: float = 0.95
) -> tuple[PairedHabitats, ...]:
    """Compare each habitat class with the commonest, and with whatever else is near.

    Parameters
    ----------
    count, total : (n,) arrays
        Of the sites of ``matchings``; every total above 0.
    matchings : Matchings
    rho : float
        Intra-site correlation, for the weights.
    confidence : float

    Returns
    -------
    tuple of PairedHabitats
        First each class against the commonest, as a regression has it; then each against any other. Holm's (1979)
        adjustment is within either.
    """
    names, sites = np.unique(matchings.classes[matchings.classes != ""], return_counts=True)
    if len(names) < 2:
        return ()
    commonest = str(names[np.argmax(sites)])
    against_commonest = [(str(name), commonest) for name in names if name != commonest]
    against_any = [(str(name), ANY_OTHER) for name in names] if len(names) > 2 else []
    found: list[PairedHabitats] = []
    for kind in (against_commonest, against_any):
        compared = [_compared(count, total, matchings, *both, rho, confidence) for both in kind]
        adjusted = holm([one.p for one in compared])
        found += [replace(one, p_holm=float(p)) for one, p in zip(compared, adjusted, strict=True)]
    return tuple(found)


def _compared(
    count: Floats, total: Floats, matchings: Matchings, one: str, other: str, rho: float, confidence: float
) -> PairedHabitats:
    pairs = matchings.between(one, other)
    n = len(pairs.one)
    if n < FEWEST_PAIRS:
        few = f"fewer than {FEWEST_PAIRS} pairs of sites within {matchings.within_m:g} m of each other"
        return PairedHabitats(one, other, n, not_tested_because=few)
    at = np.concatenate([pairs.one, pairs.other])
    distance = float(np.median(pairs.distance_m))
    if count[at].sum() in (0, total[at].sum()):
        alike = "no shell of the pairs has it" if count[at].sum() == 0 else "every shell of the pairs has it"
        return PairedHabitats(one, other, n, distance, not_tested_because=alike)
    (first, second, difference, low, high), p = compare_pairs(count, total, pairs, rho, confidence=confidence)
    return PairedHabitats(one, other, n, distance, first, second, difference, low, high, p)
