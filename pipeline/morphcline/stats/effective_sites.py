"""How many independent sites a correlation of two spatially correlated variables rests on, and its modified t-test."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtr

Floats = NDArray[np.float64]


def effective_sites(first: Floats, second: Floats) -> float:
    """Return how many independent pairs the correlation of two autocorrelated variables rests on.

    Parameters
    ----------
    first, second : (n, n) arrays
        Their correlation matrices over the sites.

    Notes
    -----
    M = 1 + tr(B S1) tr(B S2) / tr(B S1 B S2) with B = I - J / n (Dutilleul 1993; Clifford, Richardson & Hemon 1989).
    """
    two = second - second.mean(axis=0)
    two -= two.mean(axis=1)[:, None]
    trace = float(np.trace(first)) - float(first.sum()) / len(first)
    return 1 + trace * float(np.trace(two)) / float(np.vdot(first, two))


def modified_t(r: float, effective: float) -> tuple[float, float, float]:
    """Return t, its degrees of freedom and the two-sided p of a correlation, by Dutilleul's (1993) modified test.

    Parameters
    ----------
    r : float
    effective : float
        From :func:`effective_sites`; above 2.
    """
    freedom = effective - 2
    t = r * np.sqrt(freedom / (1 - r * r))
    return float(t), float(freedom), two_sided(t, freedom)


def two_sided(t: float, freedom: float) -> float:
    """Return the two-sided p of a t."""
    return float(2 * stdtr(freedom, -abs(t)))
