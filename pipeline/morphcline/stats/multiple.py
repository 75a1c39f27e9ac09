"""P values adjusted for how many tests were made."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]


def holm(p: ArrayLike) -> Floats:
    """Return Holm's step-down adjusted p values, which keep the chance of any false rejection.

    Parameters
    ----------
    p : array_like
        P values of any shape, all of one family; NaN (not tested) stays NaN and is not counted.

    Returns
    -------
    ndarray
        Of the same shape, at most 1, in the same order as ``p``.

    Raises
    ------
    ValueError
        When a value is not between 0 and 1.

    Notes
    -----
    With the values sorted upwards, the largest of :math:`(m - j + 1) p_{(j)}` up to and including each: Holm (1979),
    *Scandinavian Journal of Statistics* 6:65-70.

    Examples
    --------
    >>> holm([0.01, 0.04, float("nan"), 0.03])
    array([0.03, 0.06,  nan, 0.06])
    """
    return _adjusted(p, None, lambda ordered, rank: np.maximum.accumulate(ordered * (rank[-1] - rank + 1)))


def benjamini_hochberg(p: ArrayLike, *, times: ArrayLike | None = None) -> Floats:
    """Return Benjamini & Hochberg's step-up adjusted p values, which keep the false-discovery rate.

    Parameters
    ----------
    p : array_like
        As in :func:`holm`.
    times : array_like of int, of the shape of ``p``, optional
        How many tests gave each value; 1 each by default.

    Returns
    -------
    ndarray
        As in :func:`holm`.

    Raises
    ------
    ValueError
        When a value is not between 0 and 1.

    Notes
    -----
    With the values sorted upwards, the smallest of :math:`p_{(j)} m / j` from each onwards: Benjamini & Hochberg
    (1995), *Journal of the Royal Statistical Society* B 57:289-300.
    """
    return _adjusted(p, times, lambda ordered, rank: np.minimum.accumulate((ordered * rank[-1] / rank)[::-1])[::-1])


def _adjusted(p: ArrayLike, times: ArrayLike | None, adjust: Callable[[Floats, Counts], Floats]) -> Floats:
    """Apply a function of rising values and of how many there are up to each."""
    p = np.asarray(p, dtype=float)
    if ((p < 0) | (p > 1)).any():
        raise ValueError(f"a p value must be between 0 and 1; found {p[(p < 0) | (p > 1)][0]:g}")
    tested = ~np.isnan(p)
    values = p[tested]
    order = np.argsort(values, kind="stable")
    many = np.ones(p.shape, dtype=np.int64) if times is None else np.asarray(times, dtype=np.int64)
    adjusted = np.empty_like(values)
    if values.size:
        adjusted[order] = np.minimum(adjust(values[order], np.cumsum(many[tested][order])), 1.0)
    result = np.full(p.shape, np.nan)
    result[tested] = adjusted
    return result
