"""How a part of the sites differs in frequency from the rest, sites differing by more than chance in both."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtr

from morphcline.stats.overdispersion import effective_number, pooled_frequency
from morphcline.stats.proportions import check_counts


@dataclass(frozen=True)
class Group:
    """Samples of one group of sites, and how alike shells of one site are.

    Parameters
    ----------
    count, total : array_like, shape (sites,)
    rho : float
        Intra-site correlation; NaN, where none could be estimated, counts as 0.
    sites_of_rho : int
        Sites from which it was estimated.
    """

    count: ArrayLike
    total: ArrayLike
    rho: float
    sites_of_rho: int


@dataclass(frozen=True)
class Pooled:
    """A group's frequency with its limits, and the shells that it is worth; NaN without shells."""

    frequency: float
    low: float
    high: float
    worth: float


@dataclass(frozen=True)
class Contrast:
    """A group's frequency less that of another, with limits and p; NaN where a group has no shells."""

    difference: float
    low: float
    high: float
    p: float


def pooled(group: Group, *, confidence: float = 0.95) -> Pooled:
    """Return a group's frequency as :func:`~morphcline.stats.overdispersion.pooled_frequency` does.

    Raises
    ------
    ValueError
        As there.
    """
    count, total = check_counts(group.count, group.total)
    rho, freedom = (0.0, math.inf) if math.isnan(group.rho) else (group.rho, float(max(group.sites_of_rho - 1, 1)))
    frequency, low, high = pooled_frequency(count, total, rho, confidence=confidence, degrees_of_freedom=freedom)
    worth = float(np.sum(effective_number(total, rho)))
    return Pooled(frequency, low, high, worth * freedom / (freedom + 1) if math.isfinite(freedom) else worth)


def contrast(one: Group, other: Group, *, confidence: float = 0.95) -> Contrast:
    """Return the first group's frequency less that of the second.

    Parameters
    ----------
    one, other : Group
        Of different sites.
    confidence : float

    Raises
    ------
    ValueError
        As in :func:`pooled`.

    Notes
    -----
    Limits are those of both frequencies put together by squares (method 10 of Newcombe 1998, *Statistics in Medicine*
    17:873-890). p is of the score test of one frequency for both, each group weighing as many shells as it is worth,
    with Student's t on the sites less two where ρ was estimated. In simulated surveys of 3 to 40 sites against 60 to
    100 others with a ρ of 0.1 a nominal 5 % calls 4 to 7 % of equal groups different. Sites count as independent draws
    of their group: where near sites are alike, p is too small.
    """
    first, second = pooled(one, confidence=confidence), pooled(other, confidence=confidence)
    difference = first.frequency - second.frequency
    if math.isnan(difference):
        return Contrast(math.nan, math.nan, math.nan, math.nan)
    down = math.hypot(first.frequency - first.low, second.high - second.frequency)
    up = math.hypot(first.high - first.frequency, second.frequency - second.low)
    worth = first.worth + second.worth
    common = (first.worth * first.frequency + second.worth * second.frequency) / worth
    error = math.sqrt(common * (1 - common) * (1 / first.worth + 1 / second.worth))
    if error == 0:
        return Contrast(difference, difference - down, difference + up, 1.0)
    freedom = math.inf
    if not (math.isnan(one.rho) and math.isnan(other.rho)):
        freedom = max(int(np.sum(np.asarray(one.total) > 0)) + int(np.sum(np.asarray(other.total) > 0)) - 2, 1)
    p = float(2 * stdtr(freedom, -abs(difference) / error))
    return Contrast(difference, difference - down, difference + up, p)
