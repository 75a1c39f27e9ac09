"""How far does likeness reach? The distance at which a correlogram falls to what all pairs of sites have on average."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from morphcline.stats.autocorrelation import centre
from morphcline.stats.pair_classes import PairClasses

Floats = NDArray[np.float64]

NOT_ALIKE = "sites of the nearest class are no more alike than pairs of sites on average"
STILL_ALIKE = "sites are still more alike than on average in the farthest class"
#: Resampled surveys held at once, in values.
_AT_ONCE = 2_000_000


@dataclass(frozen=True)
class Reach:
    """Reach of the likeness of t traits, metres.

    Attributes
    ----------
    reach_m, low, high : arrays of shape (t,)
        NaN where there is none. ``low`` is 0 where the survey can't tell likeness in the nearest class from none;
        ``high`` is NaN where the interval is open.
    because : tuple of str
        For each trait why ``reach_m`` is missing, or ``""``.
    """

    reach_m: Floats
    low: Floats
    high: Floats
    because: tuple[str, ...]


def reach(
    values: ArrayLike, pairs: PairClasses, *, resamples: int, rng: np.random.Generator, confidence: float = 0.95
) -> Reach:
    """Return the distance at which each trait's correlogram first comes down to its average over all pairs.

    Parameters
    ----------
    values : array_like of shape (n,) or (n, t)
        A column for each trait.
    pairs : PairClasses
        Of the n sites.
    resamples : int
        Surveys made by drawing n of the n sites with replacement; all traits share them.
    rng : Generator
    confidence : float

    Returns
    -------
    Reach

    Notes
    -----
    The average of Moran's I over all pairs of n sites is ``-1 / (n - 1)``, its expectation where nothing is alike. The
    correlogram is first made to fall (weighted isotonic regression by pool-adjacent-violators), so that one low class
    among high ones doesn't end it; between the mean distances of two classes it is taken as straight.

    The interval is the percentile bootstrap over sites. A site drawn twice would be its own neighbour at distance 0:
    such pairs are left out, and a resampled survey's curve is compared with *its* average over all pairs of different
    sites, which lies near ``-2 / n`` rather than ``-1 / (n - 1)``. The interval tells how the sites and shells that
    happened to be taken blur the reach in *this* region; another history of the region isn't drawn. It was tried on
    made surveys of scattered and clustered sites (see the simulations among the tests).
    """
    centred, reasons = centre(values)
    tested = np.array([not reason for reason in reasons], dtype=bool)
    z, n = centred[:, tested], len(centred)
    near = pairs.enough
    found = np.full((3, len(tested)), np.nan)
    because = list(reasons)
    if not tested.any() or not near.any():
        all_because = tuple(reason or "no distance class has enough pairs" for reason in because)
        return Reach(found[0], found[1], found[2], all_because)
    at = pairs.mean_m[near]
    own = _crossings(_above_average(np.ones((n, 1)), z, pairs), at)[0]
    drawn = np.empty((resamples, z.shape[1]))
    step = max(1, _AT_ONCE // (n * (z.shape[1] + 1)))
    for start in range(0, resamples, step):
        times = rng.multinomial(n, np.full(n, 1.0 / n), size=min(step, resamples - start)).T.astype(np.float64)
        drawn[start : start + times.shape[1]] = _crossings(_above_average(times, z, pairs), at)
    drawn.sort(axis=0)
    tail = (1.0 - confidence) / 2 * (resamples + 1)
    first = max(int(np.floor(tail + 1e-9)), 1) - 1
    limits = (own, drawn[first], drawn[resamples - 1 - first])
    given = (own > 0) & np.isfinite(own)
    found[:, tested] = [np.where(given & np.isfinite(one), one, np.nan) for one in limits]
    told = iter(np.where(own <= 0, NOT_ALIKE, np.where(np.isinf(own), STILL_ALIKE, "")).tolist())
    return Reach(found[0], found[1], found[2], tuple(reason or next(told) for reason in because))


def _above_average(times: Floats, z: Floats, pairs: PairClasses) -> tuple[Floats, Floats]:
    """Return how far each class's index lies above the average over all pairs, and the class's pairs.

    Parameters
    ----------
    times : array of shape (n, r)
        How often each site is in each of r surveys.
    z : array of shape (n, t)

    Returns
    -------
    array of shape (classes with enough pairs, r, t), array of shape (classes with enough pairs, r)
    """
    surveys = times.shape[1]
    near = pairs.enough
    columns = [times]
    squares, average = np.empty((surveys, z.shape[1])), np.empty((surveys, z.shape[1]))
    sites = times.sum(axis=0)
    # Of the ordered pairs of different members those of a site with itself are taken off.
    others = sites**2 - (times**2).sum(axis=0)
    for trait in range(z.shape[1]):
        apart = z[:, [trait]] - times.T @ z[:, trait] / sites
        weighted = times * apart
        squares[:, trait] = (weighted * apart).sum(axis=0) / sites
        average[:, trait] = -(weighted**2).sum(axis=0) / others
        columns.append(weighted)
    sums = pairs.sums(columns)
    number = sums[0][near]
    products = np.stack([total[near] for total in sums[1:]], axis=-1)
    mean = np.divide(products, number[..., None], out=np.zeros_like(products), where=number[..., None] > 0)
    above = np.divide(mean - average, squares, out=np.zeros_like(products), where=squares > 0)
    return above, np.maximum(number, 1e-9)


def _crossings(curves: tuple[Floats, Floats], at: Floats) -> Floats:
    """Return where each falling curve reaches 0, (surveys, traits): 0 if it never lies above, infinite if always."""
    above, number = curves
    weight = np.cumsum(number, axis=0)[..., None]
    total = np.cumsum(above * number[..., None], axis=0)
    classes = len(at)
    fitted = np.empty_like(above)
    # The isotonic fit as a minimum over starts of the maximum over ends of block means.
    for k in range(classes):
        best = np.full(above.shape[1:], np.inf)
        for i in range(k + 1):
            before, lighter = (total[i - 1], weight[i - 1]) if i else (0.0, 0.0)
            block = (total[k:] - before) / (weight[k:] - lighter)
            best = np.minimum(best, block.max(axis=0))
        fitted[k] = best
    down = fitted <= 0
    first = np.where(down.any(axis=0), down.argmax(axis=0), classes)
    inside = np.clip(first, 1, classes - 1) if classes > 1 else np.zeros_like(first)
    high = np.take_along_axis(fitted, np.maximum(inside - 1, 0)[None], axis=0)[0]
    low = np.take_along_axis(fitted, inside[None], axis=0)[0]
    share = np.divide(high, high - low, out=np.zeros_like(high), where=high > low)
    crossing = at[np.maximum(inside - 1, 0)] + share * (at[inside] - at[np.maximum(inside - 1, 0)])
    result: Floats = np.where(first == 0, 0.0, np.where(first == classes, np.inf, crossing))
    return result
