"""Blocked cross-validation: how well habitat and temperature predict sites of another part of the region.

Leaving out single sites flatters a model, for their neighbours stay in. Whole blocks of neighbouring sites are left out
instead (Roberts et al. 2017).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, xlogy

from morphcline.stats.logistic import fit_logistic

Floats = NDArray[np.float64]

#: Models compared, in order.
SKILL_MODELS = ("mean only", "habitat", "temperature", "both")

#: Fewer blocks than this say nothing of transfer.
FEWEST_BLOCKS = 3


@dataclass(frozen=True)
class Skill:
    """How well a model predicts blocks that it hasn't seen.

    Attributes
    ----------
    model : str
    deviance_per_shell : float
        Binomial deviance of the blocks left out, over their shells.
    skill : float
        1 less its ratio to the deviance of the mean alone: 0 is no better than the mean, 1 perfect, below 0 worse.
    """

    model: str
    deviance_per_shell: float
    skill: float


def spatial_blocks(
    easting: Floats, northing: Floats, *, blocks: int, rng: np.random.Generator, starts: int = 10
) -> NDArray[np.intp]:
    """Return the block of each site, 0 to blocks - 1, by k-means of the coordinates.

    Parameters
    ----------
    easting, northing : (n,) arrays
    blocks : int
        No more than there are different places.
    rng : numpy.random.Generator
    starts : int
        The partition with the least sum of squares of so many k-means++ starts (Arthur & Vassilvitskii 2007) is kept.

    Returns
    -------
    (n,) array of int
        Blocks are numbered by their easting, then northing.

    Raises
    ------
    ValueError
        When there are fewer different places than blocks.
    """
    places = np.column_stack([easting, northing]).astype(np.float64)
    if len(np.unique(places, axis=0)) < blocks or blocks < 1:
        raise ValueError(f"{blocks} blocks can't be made of {len(np.unique(places, axis=0))} different places")
    # Imported here, since it is slow to import and only studies with covariates come this way.
    from sklearn.cluster import KMeans

    # Centred and scaled, so that the sums of squares don't drown in large coordinates.
    scaled = (places - places.mean(axis=0)) / max(float(places.std()), 1e-12)
    seed = int(rng.integers(2**31))
    label = KMeans(n_clusters=blocks, n_init=starts, random_state=seed).fit_predict(scaled)
    means = np.array([places[label == block].mean(axis=0) for block in range(blocks)])
    rank = np.empty(blocks, dtype=np.intp)
    rank[np.lexsort((means[:, 1], means[:, 0]))] = np.arange(blocks)
    numbered: NDArray[np.intp] = rank[label]
    return numbered


def blocked_skill(
    count: Floats, total: Floats, habitat: Sequence[str] | None, temperature_c: Floats | None, block: NDArray[np.intp]
) -> tuple[Skill, ...]:
    """Return the skill of each model that the covariates allow.

    Parameters
    ----------
    count, total : (n,) arrays
        Every total above 0.
    habitat : sequence of n str, optional
    temperature_c : (n,) array, optional
    block : (n,) array of int

    Notes
    -----
    The models are fitted with extra-binomial variance, its intra-site correlation taken from the mean-only model. A
    class that the blocks left in don't hold is predicted by their mean. Predictions are kept half a shell away from 0
    and 1, out of the effective shells learnt from, so that one shell can't cost an infinite deviance.
    """
    rho = fit_logistic(count, total, np.ones((len(total), 1))).rho
    classes = None if habitat is None else np.asarray(habitat, dtype=object).astype(str)
    found = []
    for model in SKILL_MODELS:
        with_habitat, with_temperature = model in ("habitat", "both"), model in ("temperature", "both")
        if (with_habitat and classes is None) or (with_temperature and temperature_c is None):
            continue
        deviance = sum(
            _deviance_left_out(
                count,
                total,
                classes if with_habitat else None,
                temperature_c if with_temperature else None,
                block == left_out,
                rho,
            )
            for left_out in np.unique(block)
        )
        found.append((model, deviance / float(total.sum())))
    alone = found[0][1]
    return tuple(Skill(model, deviance, 1 - deviance / alone if alone > 0 else np.nan) for model, deviance in found)


def _deviance_left_out(
    count: Floats,
    total: Floats,
    classes: NDArray[np.str_] | None,
    temperature_c: Floats | None,
    out: NDArray[np.bool_],
    rho: float,
) -> float:
    columns = [np.ones(len(total))]
    unseen = np.zeros(len(total), dtype=bool)
    if classes is not None:
        names, sites = np.unique(classes[~out], return_counts=True)
        reference = names[np.argmax(sites)]
        columns += [(classes == name).astype(np.float64) for name in names[names != reference]]
        unseen = ~np.isin(classes, names)
    if temperature_c is not None:
        columns.append(temperature_c - float(temperature_c[~out].mean()))
    design = np.column_stack(columns)
    weight = total[~out] / (1 + (total[~out] - 1) * rho)
    effective = float(weight.sum())
    mean = float((weight * count[~out] / total[~out]).sum()) / effective
    fit = fit_logistic(count[~out], total[~out], design[~out], rho=rho)
    p = np.where(unseen[out], mean, expit(design[out] @ fit.coefficients))
    p = np.clip(p, 0.5 / (effective + 1), 1 - 0.5 / (effective + 1))
    k, n = count[out], total[out]
    return float(2 * (xlogy(k, k / (n * p)) + xlogy(n - k, (n - k) / (n * (1 - p)))).sum())
