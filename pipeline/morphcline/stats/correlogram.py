"""Over what distance are sites alike? Moran's I of the pairs of sites in each class of distance."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import islice

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morphcline.stats.autocorrelation import centre, sum_of_squares
from morphcline.stats.envelopes import rank_envelope
from morphcline.stats.multiple import holm
from morphcline.stats.pair_classes import PairClasses
from morphcline.stats.permutation import shuffles, two_sided_p

#: Where pairs are made again, so many batches of shuffles (4 MB each) share them.
_BATCHES = 40

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Correlogram:
    """Moran's I of t traits in c classes of distance.

    Attributes
    ----------
    i, p, p_holm : arrays of shape (c, t)
        The index, its two-sided permutation p-value, and that adjusted over the classes of a trait (Holm). NaN in
        classes with fewer than :data:`~morphcline.stats.pair_classes.MIN_PAIRS` pairs, and for traits that aren't
        tested.
    low, high, pointwise_low, pointwise_high : arrays of shape (c, t)
        Envelopes of what shuffled values give, see :class:`~morphcline.stats.envelopes.Envelope`.
    p_global : array of shape (t,)
        Of all classes of a trait together: small where the curve leaves the simultaneous envelope.
    expected : float
        ``-1 / (n - 1)``.
    not_tested_because : tuple of str
        For each trait the reason, or ``""``.
    """

    i: Floats
    p: Floats
    p_holm: Floats
    low: Floats
    high: Floats
    pointwise_low: Floats
    pointwise_high: Floats
    p_global: Floats
    expected: float
    not_tested_because: tuple[str, ...]


def correlogram(
    values: ArrayLike, pairs: PairClasses, *, permutations: int, rng: np.random.Generator, level: float = 0.05
) -> Correlogram:
    """Return Moran's I for each class of distance, all traits at once.

    Parameters
    ----------
    values : array_like of shape (n,) or (n, t)
        A column for each trait.
    pairs : PairClasses
        Of the n sites.
    permutations : int
        Shuffles of the values over the sites; all classes and traits share each.
    rng : Generator
    level : float
        With which chance alone leaves an envelope.

    Returns
    -------
    Correlogram

    Raises
    ------
    ValueError
        When pairs and values disagree on the number of sites.

    Notes
    -----
    In each class, ``I = n / W * sum z_i z_j / sum z_i^2`` over its W ordered pairs (binary weights), with the mean and
    the sum of squares of all n sites, whether or not they have a partner in the class: Sokal & Oden (1978),
    *Biological Journal of the Linnean Society* 10, 199-228. Time grows with the number of pairs times permutations
    times traits; memory doesn't beyond :data:`~morphcline.stats.pair_classes.PAIRS_HELD_UP_TO` sites.
    """
    centred, reasons = centre(values)
    if len(pairs) != len(centred):
        raise ValueError(f"{len(pairs)} positions for {len(centred)} sites' values")
    tested = np.array([not reason for reason in reasons], dtype=bool)
    classes, enough = len(pairs.number), pairs.enough

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
        table = np.full((*some.shape[:-1], len(tested)), np.nan)
        table[..., tested] = some
        return table

    limits, p_global = np.full((4, *index.shape), np.nan), np.full(z.shape[1], np.nan)
    for trait in range(z.shape[1] if enough.any() else 0):
        found = rank_envelope(index[enough, trait], drawn[:, enough, trait], level=level)
        limits[:, enough, trait] = (found.low, found.high, found.pointwise_low, found.pointwise_high)
        p_global[trait] = found.p
    adjusted = np.column_stack([holm(column) for column in p.T]) if z.shape[1] else p
    low, high, pointwise_low, pointwise_high = spread(limits)
    return Correlogram(
        spread(index), spread(p), spread(adjusted), low, high, pointwise_low, pointwise_high, spread(p_global),
        expected, reasons,
    )  # fmt: skip
