"""Moran's I of a regression's residuals."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.special import ndtr

Floats = NDArray[np.float64]

#: Neighbours of a site in the test of what a model leaves over.
NEIGHBOURS = 8


def moran_of_residuals(residual: Floats, design: Floats, weights: csr_array) -> tuple[float, float]:
    """Return Moran's I of least-squares residuals and its two-sided normal p.

    Parameters
    ----------
    residual : (n,) array
    design : (n, k) array
        Of the regression they come from.
    weights : (n, n) sparse array

    Notes
    -----
    Residuals are correlated through the fit alone. With M = I - X (X'X)^-1 X' and W symmetrised: mean
    n tr(M W) / (S0 (n - k)), variance by Cliff & Ord (1981, chapter 8).
    """
    n, k = design.shape
    s0 = float(weights.sum())
    even = (weights + weights.T) / 2
    basis, _ = np.linalg.qr(design)
    moved = even @ basis
    inner = basis.T @ moved
    trace = float(even.diagonal().sum()) - float(np.trace(inner))
    # tr(M W M W) = tr(W W) - 2 tr(Q' W W Q) + tr((Q' W Q)^2), without any n x n matrix.
    square = float(even.power(2).sum()) - 2 * float(np.sum(moved * moved)) + float(np.sum(inner * inner.T))
    freedom = n - k
    mean = n / s0 * trace / freedom
    variance = (n / s0) ** 2 * (2 * square + trace**2) / (freedom * (freedom + 2)) - mean**2
    index = n / s0 * float(residual @ (even @ residual)) / float(residual @ residual)
    z = (index - mean) / np.sqrt(variance)
    return index, float(2 * ndtr(-abs(z)))
