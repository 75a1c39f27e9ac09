"""Intervals of a proportion, from a count and its total."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betaincinv, ndtri

Floats = NDArray[np.float64]
Method = Literal["wilson", "jeffreys"]


def wilson(count: ArrayLike, total: ArrayLike, *, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Return the limits of Wilson's score interval, without continuity correction.

    Parameters
    ----------
    count, total : array_like
        Shells that count, and shells looked at; broadcast together. Fractions are accepted, so that an effective
        number of shells can stand for a real one. A missing value, or a total of 0, gives NaN.
    confidence : float
        Between 0 and 1, both excluded.

    Returns
    -------
    low, high : ndarray
        Of the broadcast shape; exactly 0 at ``count = 0`` and exactly 1 at ``count = total``.

    Raises
    ------
    ValueError
        When a count is negative or above its total, or the confidence is not between 0 and 1.

    Notes
    -----
    The limits are the two proportions :math:`p` at which :math:`(c - n p)^2 = z^2 n p (1 - p)`: Wilson (1927), method 3
    of Newcombe (1998), *Statistics in Medicine* 17:857-872.

    Examples
    --------
    >>> low, high = wilson(81, 263)
    >>> f"{low:.4f} to {high:.4f}"
    '0.2553 to 0.3662'
    """
    return score_limits(count, total, standard_normal_deviate(confidence))


def score_limits(count: ArrayLike, total: ArrayLike, deviate: float) -> tuple[Floats, Floats]:
    """Return Wilson's limits for a deviate, where it isn't the normal one; otherwise as :func:`wilson`."""
    count, total = check_counts(count, total)
    z = deviate
    some = np.where(total > 0, total, np.nan)
    share = count / some
    middle = (share + z**2 / (2 * some)) / (1 + z**2 / some)
    half = z * np.sqrt(share * (1 - share) / some + z**2 / (4 * some**2)) / (1 + z**2 / some)
    # Rounding would leave 1e-18 where the algebra gives 0 and 1.
    low = np.where(share == 0, 0.0, np.clip(middle - half, 0, share))
    high = np.where(share == 1, 1.0, np.clip(middle + half, share, 1))
    return low, high


def jeffreys(count: ArrayLike, total: ArrayLike, *, confidence: float = 0.95) -> tuple[Floats, Floats]:
    """Return the limits of the equal-tailed Jeffreys interval.

    Parameters
    ----------
    count, total, confidence
        As in :func:`wilson`.

    Returns
    -------
    low, high : ndarray
        Quantiles of Beta(count + 1/2, total - count + 1/2), except that the lower limit is 0 at ``count = 0`` and the
        upper limit is 1 at ``count = total``, as Brown, Cai & DasGupta (2001), *Statistical Science* 16:101-133,
        set them. The other two limits there are the plain quantiles, not their "modified" ones.

    Raises
    ------
    ValueError
        As in :func:`wilson`.
    """
    count, total = check_counts(count, total)
    tail = (1 - _checked_confidence(confidence)) / 2
    known = (total > 0) & np.isfinite(count)
    some_count, some_total = np.where(known, count, 0.0), np.where(known, total, 1.0)
    above, below = some_count + 0.5, some_total - some_count + 0.5
    low = np.where(some_count == 0, 0.0, betaincinv(above, below, tail))
    high = np.where(some_count == some_total, 1.0, betaincinv(above, below, 1 - tail))
    return np.where(known, low, np.nan), np.where(known, high, np.nan)


def interval(
    count: ArrayLike, total: ArrayLike, *, method: Method = "wilson", confidence: float = 0.95
) -> tuple[Floats, Floats]:
    """Return the limits of the interval that ``method`` names; see :func:`wilson` and :func:`jeffreys`.

    Raises
    ------
    ValueError
        When the method is neither, and as in :func:`wilson`.
    """
    if method == "wilson":
        return wilson(count, total, confidence=confidence)
    if method == "jeffreys":
        return jeffreys(count, total, confidence=confidence)
    raise ValueError(f"method must be 'wilson' or 'jeffreys', not {method!r}")


def standard_normal_deviate(confidence: float) -> float:
    """Return the deviate that leaves ``confidence`` between minus and plus itself: 1.959964 for 0.95."""
    return float(ndtri((1 + _checked_confidence(confidence)) / 2))


def check_counts(count: ArrayLike, total: ArrayLike) -> tuple[Floats, Floats]:
    """Return counts and totals as floats of one shape.

    Raises
    ------
    ValueError
        When the shapes don't broadcast, or a count is negative or above its total.
    """
    count, total = np.broadcast_arrays(np.asarray(count, dtype=float), np.asarray(total, dtype=float))
    wrong = (count < 0) | (count > total) | np.isinf(total)
    if wrong.any():
        place = np.unravel_index(int(np.argmax(wrong)), wrong.shape)
        raise ValueError(f"a count must lie between 0 and its total; found {count[place]:g} of {total[place]:g}")
    return count, total


def _checked_confidence(confidence: float) -> float:
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be between 0 and 1, not {confidence!r}")
    return confidence
