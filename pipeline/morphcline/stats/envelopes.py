"""How far would a whole curve stray by chance? Envelopes that a curve leaves with one stated probability."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Envelope:
    """Limits between which curves of chance lie, and how extreme the observed one is among them.

    Attributes
    ----------
    low, high : arrays of shape (c,)
        Simultaneous: by chance a curve leaves these *anywhere* with a probability of ``level``.
    pointwise_low, pointwise_high : arrays of shape (c,)
        By chance a curve leaves these at *one given* point with a probability of ``level``.
    p : float
        Of the whole curve: the share of curves, the observed one included, at least as extreme as it.
    """

    low: Floats
    high: Floats
    pointwise_low: Floats
    pointwise_high: Floats
    p: float


def rank_envelope(observed: Floats, drawn: Floats, *, level: float = 0.05) -> Envelope:
    """Return the global envelope of curves by extreme rank length.

    Parameters
    ----------
    observed : array of shape (c,)
    drawn : array of shape (draws, c)
        Curves made by chance alone, such that the observed one would be exchangeable with them.
    level : float

    Returns
    -------
    Envelope

    Notes
    -----
    At each point curves are ranked from both sides; a curve's ranks, its smallest first, are compared as words are in a
    dictionary, which orders the curves from the most extreme on. The most extreme ones, up to a share ``level``, are
    left out; the envelope reaches over the others. The observed curve leaves it somewhere if and only if ``p <=
    level`` (but for ties). Myllymäki, Mrkvička, Grabarnik, Seijo & Hahn (2017), *Journal of the Royal Statistical
    Society* B 79, 381-404, after the order of Narisetty & Nair (2016). It is exact with any number of curves; with few
    of them its limits are ragged.
    """
    curves = np.vstack([observed, drawn])
    number = len(curves)
    ordered = np.sort(curves, axis=0)
    ranks = np.empty(curves.shape, dtype=np.int64)
    for point in range(curves.shape[1]):
        above = np.searchsorted(ordered[:, point], curves[:, point], side="right")
        below = number - np.searchsorted(ordered[:, point], curves[:, point], side="left")
        ranks[:, point] = np.minimum(above, below)
    ranks.sort(axis=1)
    order = np.lexsort(ranks.T[::-1])
    tied = np.r_[(ranks[order][1:] == ranks[order][:-1]).all(axis=1), False]
    # How many curves are at least as extreme: of tied ones the place of the last.
    places = np.arange(1, number + 1)
    last = np.minimum.accumulate(np.where(tied, number + 1, places)[::-1])[::-1]
    extremeness = np.empty(number)
    extremeness[order] = last / number
    kept = curves[extremeness > level * (1 + 1e-12)]
    outside = int(np.floor(level / 2 * number * (1 + 1e-12)))
    return Envelope(
        kept.min(axis=0),
        kept.max(axis=0),
        ordered[outside],
        ordered[number - 1 - outside],
        float(extremeness[0]),
    )
