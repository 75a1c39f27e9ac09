"""How many shells and sites show a difference of a stated size, when shells of one site are alike."""

from __future__ import annotations

import math
from collections.abc import Callable

from scipy.special import chdtr, nctdtr, stdtrit

from morphcline.stats.overdispersion import effective_number

#: Sites beyond which none are counted: no survey has so many.
MOST_SITES = 100_000
#: Standard errors up to which the noncentral t is computed.
_FAR = 30.0


def sites_for_two_groups(
    first: float, second: float, *, shells: float, rho: float, level: float = 0.05, power: float = 0.8
) -> int:
    r"""Return the sites needed in each of two groups, such as habitats, that are compared by their sites' frequencies.

    Parameters
    ----------
    first, second : float
        Mean frequencies of the groups.
    shells : float
        In each sample.
    rho : float
        Intra-site correlation, 0 to 1.
    level, power : float

    Returns
    -------
    int
        At least 2; 0 where :data:`MOST_SITES` aren't enough.

    Raises
    ------
    ValueError
        When the frequencies are equal or not between 0 and 1, there are no shells, or ρ isn't between 0 and 1.

    Notes
    -----
    A site's frequency has the variance :math:`p q (1 + (n - 1) \rho) / n` (Kish 1965). The groups' mean frequencies are
    compared by Student's t on 2 k - 2 degrees of freedom; its power is that of the noncentral t.
    """
    _check(first, second, shells)
    variance = (first * (1 - first) + second * (1 - second)) / float(effective_number(shells, rho))
    return _least(lambda k: power_of_t((second - first) / math.sqrt(variance / k), 2 * k - 2, level=level), power)


def sites_for_two_surveys(
    first: float, second: float, *, shells: float, drift_sd: float, level: float = 0.05, power: float = 0.8
) -> int:
    r"""Return the sites that have to be seen in two surveys to see a change of their mean frequency.

    Parameters
    ----------
    first, second : float
        Mean frequencies of the surveys.
    shells : float
        In each sample.
    drift_sd : float
        Standard deviation, in logits, of the sites' own changes.
    level, power : float

    Returns
    -------
    int
        At least 2; 0 where :data:`MOST_SITES` aren't enough.

    Raises
    ------
    ValueError
        When the frequencies are equal or not between 0 and 1, there are no shells, or drift is negative.

    Notes
    -----
    A site's change has the variance :math:`(p_1 q_1 + p_2 q_2) / n + (\bar p \bar q \tau)^2`: how sites differ from
    each other cancels, how they drift doesn't. Judged by t on k - 1 degrees of freedom, as
    :func:`morphcline.stats.change.paired_change` does.
    """
    _check(first, second, shells)
    if drift_sd < 0:
        raise ValueError(f"drift must be 0 or more, not {drift_sd!r}")
    mean = (first + second) / 2
    variance = (first * (1 - first) + second * (1 - second)) / shells + (mean * (1 - mean) * drift_sd) ** 2
    return _least(lambda k: power_of_t((second - first) / math.sqrt(variance / k), k - 1, level=level), power)


def power_of_t(away: float, freedom: float, *, level: float = 0.05) -> float:
    """Return the probability that a two-sided t test sees a mean so many of its standard errors away from 0.

    Notes
    -----
    That of the noncentral t. More than 30 standard errors away, where its computed values end, the mean's own scatter
    is left out beside that of its standard error: within 0.002.
    """
    critical = float(stdtrit(freedom, 1 - level / 2))
    away = abs(away)
    if away > _FAR:
        return float(chdtr(freedom, freedom * (away / critical) ** 2))
    other_side = float(nctdtr(freedom, away, -critical))
    # NaN stands for a tail of less than 1e-12.
    return float(1 - nctdtr(freedom, away, critical)) + (other_side if math.isfinite(other_side) else 0.0)


def other_frequency(frequency: float, difference: float) -> float:
    """Return the frequency that lies so far off, on the side of one half: the harder case; NaN where there is none."""
    other = frequency + difference if frequency <= 0.5 else frequency - difference
    return other if 0 < other < 1 else math.nan


def _check(first: float, second: float, shells: float) -> None:
    if not (0 < first < 1 and 0 < second < 1):
        raise ValueError(f"frequencies must lie between 0 and 1, not {first!r} and {second!r}")
    if first == second:
        raise ValueError(f"the frequencies are equal: {first!r}")
    if not shells > 0:
        raise ValueError(f"shells must be above 0, not {shells!r}")


def _least(power: Callable[[int], float], wanted: float) -> int:
    """Return the smallest number of sites, 2 or more, with the power wanted; it grows with them."""
    high = 2
    while power(high) < wanted:
        if high >= MOST_SITES:
            return 0
        high = min(2 * high, MOST_SITES)
    low = max(high // 2, 1)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if power(middle) >= wanted else (middle, high)
    return high
