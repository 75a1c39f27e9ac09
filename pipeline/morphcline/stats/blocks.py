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
from morphcline.stats.spatial_logistic import SpatialLogisticFit

Floats = NDArray[np.float64]

#: Models compared, in order. "space": an effect of place alone; "all": it, habitat and temperature.
SKILL_MODELS = ("mean only", "habitat", "temperature", "both", "space", "all")

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
    # Imported here, since it is slow to import and not every study comes this way.
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


@dataclass(frozen=True)
class Spatial:
    """The spatial models of all sites together: of an effect of place alone, and with the covariates' design."""

    space: SpatialLogisticFit
    everything: SpatialLogisticFit


def blocked_skill(
    count: Floats,
    total: Floats,
    habitat: Sequence[str] | None,
    temperature_c: Floats | None,
    block: NDArray[np.intp],
    spatial: Spatial | None = None,
) -> tuple[Skill, ...]:
    """Return the skill of each model that the covariates allow.

    Parameters
    ----------
    count, total : (n,) arrays
        Every total above 0.
    habitat : sequence of n str, optional
    temperature_c : (n,) array, optional
    block : (n,) array of int
    spatial : Spatial, optional
        Fitted to the same sites; without it "space" and "all" are left out.

    Notes
    -----
    The models are fitted with extra-binomial variance, its intra-site correlation taken from the mean-only model. A
    class that the blocks left in don't hold is predicted by their mean. Predictions are kept half a shell away from 0
    and 1, out of the effective shells learnt from, so that one shell can't cost an infinite deviance.

    With an effect of place a block is predicted by kriging from the others, its coefficients by generalised least
    squares from the others too (Dubrule 1983, *Mathematical Geology* 15:687-699), with variance, range and rho, and the
    point at which the logistic model is made linear, of the fit to all sites: an approximation that saves a fit a
    block. A frequency is the mean over what the prediction leaves open.
    """
    rho = fit_logistic(count, total, np.ones((len(total), 1))).rho
    classes = None if habitat is None else np.asarray(habitat, dtype=object).astype(str)
    found = []
    for model in SKILL_MODELS:
        with_habitat, with_temperature = model in ("habitat", "both", "all"), model in ("temperature", "both", "all")
        if spatial is None if model in ("space", "all") else _lacks(model, classes, temperature_c):
            continue
        of_place = None if spatial is None else {"space": spatial.space, "all": spatial.everything}.get(model)
        covariates = (classes if with_habitat else None, temperature_c if with_temperature else None)
        whole = (
            None if of_place is None else _projection(_known_columns(*covariates, np.ones(len(total), bool)), of_place)
        )
        deviance = 0.0
        for left_out in np.unique(block):
            out = block == left_out
            design, unseen = _design(*covariates, out)
            effective = float((total[~out] / (1 + (total[~out] - 1) * rho)).sum())
            if of_place is None:
                p = _predicted(count, total, design, unseen, out, rho)
            else:
                # A class that is new in the block needs columns of its own.
                p = _kriged(of_place, _projection(design, of_place) if unseen.any() or whole is None else whole, out)
            p = np.clip(p, 0.5 / (effective + 1), 1 - 0.5 / (effective + 1))
            deviance += _deviance(count[out], total[out], p)
        found.append((model, deviance / float(total.sum())))
    alone = found[0][1]
    return tuple(Skill(model, deviance, 1 - deviance / alone if alone > 0 else np.nan) for model, deviance in found)


def _lacks(model: str, classes: NDArray[np.str_] | None, temperature_c: Floats | None) -> bool:
    return (model in ("habitat", "both") and classes is None) or (
        model in ("temperature", "both") and temperature_c is None
    )


def _design(
    classes: NDArray[np.str_] | None, temperature_c: Floats | None, out: NDArray[np.bool_]
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return columns that the sites left in can tell, and which sites are of a class that they don't hold.

    Such a site has the mean of the classes' columns.
    """
    design = _known_columns(classes, temperature_c, ~out)
    if classes is None:
        return design, np.zeros(len(out), dtype=bool)
    unseen = ~np.isin(classes, classes[~out])
    last = design.shape[1] - (temperature_c is not None)
    design[unseen, 1:last] = design[~out, 1:last].mean(axis=0)
    return design, unseen


def _known_columns(classes: NDArray[np.str_] | None, temperature_c: Floats | None, known: NDArray[np.bool_]) -> Floats:
    columns = [np.ones(len(known))]
    if classes is not None:
        names, sites = np.unique(classes[known], return_counts=True)
        reference = names[np.argmax(sites)]
        columns += [(classes == name).astype(np.float64) for name in names[names != reference]]
    if temperature_c is not None:
        columns.append(temperature_c - float(temperature_c[known].mean()))
    return np.column_stack(columns)


def _predicted(
    count: Floats, total: Floats, design: Floats, unseen: NDArray[np.bool_], out: NDArray[np.bool_], rho: float
) -> Floats:
    """Return frequencies of the sites left out, by a logistic model of the others."""
    weight = total[~out] / (1 + (total[~out] - 1) * rho)
    mean = float((weight * count[~out] / total[~out]).sum()) / float(weight.sum())
    fit = fit_logistic(count[~out], total[~out], design[~out], rho=rho)
    return np.where(unseen[out], mean, expit(design[out] @ fit.coefficients))


def _projection(design: Floats, fit: SpatialLogisticFit) -> Floats:
    """Return V^-1 - V^-1 X (X' V^-1 X)^-1 X' V^-1 of the working response in units of the sites' own errors."""
    standardised = np.sqrt(fit.weights)[:, None] * design
    carried = fit.inverse @ standardised
    return np.asarray(fit.inverse - carried @ np.linalg.pinv(standardised.T @ carried, hermitian=True) @ carried.T)


def _kriged(fit: SpatialLogisticFit, projection: Floats, out: NDArray[np.bool_]) -> Floats:
    """Return frequencies of the sites left out, predicted from the others.

    Of a response z left out, the prediction misses by Q_oo^-1 (Q z)_o and has the variance Q_oo^-1, its own error of
    variance 1 included. The mean of expit over a normal of variance v: expit(eta / sqrt(1 + c^2 v)) with
    c = 16 sqrt(3) / (15 pi) (Zeger, Liang & Albert 1988, *Biometrics* 44:1049-1060).
    """
    root = np.sqrt(fit.weights)
    z = root * fit.response
    variance = np.linalg.pinv(projection[np.ix_(out, out)], hermitian=True)
    eta = (z[out] - variance @ (projection[out] @ z)) / root[out]
    spread = np.maximum(np.diag(variance) - 1, 0) / fit.weights[out]
    return np.asarray(expit(eta / np.sqrt(1 + (16 * np.sqrt(3) / (15 * np.pi)) ** 2 * spread)))


def _deviance(k: Floats, n: Floats, p: Floats) -> float:
    return float(2 * (xlogy(k, k / (n * p)) + xlogy(n - k, (n - k) / (n * (1 - p)))).sum())
