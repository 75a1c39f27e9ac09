"""What habitat and temperature explain of a trait, ignoring space and allowing for it.

Neighbouring sites share both their shells and their surroundings. A model that takes sites as independent then finds
associations that are none; the one that lets residuals of neighbours be alike does not. Both are returned, and two
further answers that allow for space by other roads: least squares on empirical logits, and the modified t-test of one
covariate by itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc, stdtrit

from morphcline.stats.correlations import SMOOTH
from morphcline.stats.effective_sites import effective_sites, modified_t, two_sided
from morphcline.stats.logistic import LogisticFit, fit_logistic
from morphcline.stats.logit_least_squares import LogitFit, fit_logits
from morphcline.stats.logit_scatter import empirical_logits
from morphcline.stats.multiple import holm
from morphcline.stats.neighbours import nearest
from morphcline.stats.residual_moran import NEIGHBOURS, moran_of_residuals
from morphcline.stats.spatial_errors import SpatialErrors
from morphcline.stats.spatial_logistic import SpatialLogisticFit, fit_spatial_logistic

Floats = NDArray[np.float64]

INTERCEPT, TEMPERATURE, HABITAT, OTHER = "intercept", "temperature_c", "habitat", "other"

#: A class with fewer sites is pooled with others of its kind.
FEWEST_SITES_OF_CLASS = 5
#: Sites beyond the number of coefficients without which nothing is fitted.
_FEWEST_SPARE = 8


@dataclass(frozen=True)
class Term:
    """One coefficient on the logit scale, or the joint test of all habitat classes.

    Attributes
    ----------
    name : str
        ``intercept``, ``habitat: <class>``, ``temperature_c`` (per degree Celsius), or ``habitat`` for the joint test.
    estimate, se, low, high : float
        With space allowed for.
    se_naive, p_naive : float
        Standard error and p-value of the model that takes sites as independent.
    p_spatial : float
        With space allowed for: the one to believe.
    estimate_gls, se_gls, p_gls : float
        By generalised least squares on empirical logits, space allowed for.
    p_modified_t : float
        Of the covariate by itself (of a class: among sites of it and of the reference), by the modified t-test.
    p_holm : float
        Of a habitat class: ``p_spatial`` adjusted by Holm's (1979) method for the classes of the trait, so that the
        class with the smallest may be picked and named. NaN for other terms.
    effective_sites : float
        How many independent sites the sites are worth for this term.
    reference : str
        The class compared with, for habitat terms.
    not_estimated_because : str
    """

    name: str
    estimate: float = np.nan
    se: float = np.nan
    low: float = np.nan
    high: float = np.nan
    se_naive: float = np.nan
    p_naive: float = np.nan
    p_spatial: float = np.nan
    estimate_gls: float = np.nan
    se_gls: float = np.nan
    p_gls: float = np.nan
    p_modified_t: float = np.nan
    p_holm: float = np.nan
    effective_sites: float = np.nan
    reference: str = ""
    not_estimated_because: str = ""


@dataclass(frozen=True)
class Model:
    """What a trait's terms come from, for whatever else is made of it.

    Attributes
    ----------
    kept : (all sites,) array of bool
        Sites in the model; the arrays below are of these.
    count, total : (n,) arrays
    classes : (n,) array of str
        Rare ones pooled; "" throughout without habitat.
    temperature_c : (n,) array, or None
    names : tuple of str
        Of the coefficients.
    design : (n, k) array
    reference : str
        Habitat class without a coefficient.
    naive : LogisticFit
    spatial : SpatialLogisticFit
    errors : SpatialErrors
    """

    kept: NDArray[np.bool_]
    count: Floats
    total: Floats
    classes: NDArray[np.str_]
    temperature_c: Floats | None
    names: tuple[str, ...]
    design: Floats
    reference: str
    naive: LogisticFit
    spatial: SpatialLogisticFit
    errors: SpatialErrors


@dataclass(frozen=True)
class Environment:
    """The terms of one trait's model, and what its residuals look like.

    Attributes
    ----------
    terms : tuple of Term
    sites, shells : int
        In the model.
    rho : float
        Intra-site correlation left after habitat, temperature and the effect of place.
    range_m, smoothness, spatial_share : float
        Range and smoothness of the effect of place (:func:`morphcline.stats.correlations.matern`), and its mean share
        of the variance of a site's residual.
    residual_moran_i, residual_moran_p : float
        Of the residuals of the model that ignores space.
    model : Model, optional
        None where nothing was fitted.
    """

    terms: tuple[Term, ...]
    sites: int
    shells: int
    rho: float = np.nan
    range_m: float = np.nan
    smoothness: float = np.nan
    spatial_share: float = np.nan
    residual_moran_i: float = np.nan
    residual_moran_p: float = np.nan
    model: Model | None = None


def fit_environment(
    count: Floats,
    total: Floats,
    habitat: Sequence[str] | None,
    temperature_c: Floats | None,
    errors: SpatialErrors,
    *,
    confidence: float = 0.95,
) -> Environment:
    """Return what habitat and temperature explain of one trait.

    Parameters
    ----------
    count, total : (n,) arrays
        Every total above 0.
    habitat : sequence of n str, optional
    temperature_c : (n,) array, optional
        At least one of the two is needed.
    errors : SpatialErrors
        Of the same sites, in the same order.
    confidence : float

    Returns
    -------
    Environment

    Raises
    ------
    ValueError
        When arrays differ in length or neither covariate is given.

    Notes
    -----
    Ignoring space: logistic regression with extra-binomial variance (Williams 1982). Allowing for it: the same with a
    Gaussian effect of place with Matérn's correlation, by penalised quasi-likelihood (Breslow & Clayton
    1993; :func:`morphcline.stats.spatial_logistic.fit_spatial_logistic`), as smooth as the restricted likelihood of
    empirical logits prefers (1/2 or 3/2): its estimates compare sites as they would be
    at one place, such as one point of a cline. Its t has the degrees of freedom M - 2, where
    M = 1 + tr(B Sx) tr(B Sy) / tr(B Sx B Sy) is Dutilleul's (1993) effective number of sites, taken with the fitted
    correlations of the term (Sx) and of the working residuals (Sy).

    Covariances allow for the uncertainty of variance, range and rho (Kenward & Roger 1997).

    Two more answers allow for space: least squares on empirical logits, on the same degrees of freedom, with the
    binomial variance at the frequencies of the logistic model (:mod:`morphcline.stats.logit_least_squares`); and
    Dutilleul's modified t-test of the plain correlation between empirical logits and one covariate, which holds no
    other covariate and gives every site the same weight. Believe the logistic model: it takes counts for what they are,
    however few, and holds the other covariates. The others are there to be compared.

    The reference is the commonest class. Classes with fewer than five sites are pooled as "other". A class in which
    no shell or every shell has the trait has no finite coefficient: it is left out, with the reason.
    """
    count, total = np.asarray(count, dtype=np.float64), np.asarray(total, dtype=np.float64)
    n = len(total)
    if habitat is None and temperature_c is None:
        raise ValueError("give habitat, temperature_c or both")
    given = [values for values in (count, habitat, temperature_c, errors.distance_m) if values is not None]
    if any(len(values) != n for values in given):
        raise ValueError("count, total, habitat, temperature_c and the sites of errors must be equally many")
    reason = _why_not(count, total)
    if reason:
        return Environment((Term(INTERCEPT, not_estimated_because=reason),), n, int(total.sum()))
    classes = pool_rare_classes(habitat) if habitat is not None else np.full(n, "", dtype=object)
    kept, left_out = _without_one_sided_classes(classes, count, total)
    names, design, reference, unfit = _design(
        classes[kept], None if temperature_c is None else np.asarray(temperature_c, dtype=np.float64)[kept]
    )
    left_out += unfit
    sites = int(kept.sum())
    if sites < design.shape[1] + _FEWEST_SPARE:
        short = f"{sites} sites are too few for {design.shape[1]} coefficients"
        return Environment((Term(INTERCEPT, not_estimated_because=short), *left_out), sites, int(total[kept].sum()))
    here = errors if kept.all() else errors.at(np.flatnonzero(kept))
    fit = fit_logistic(count[kept], total[kept], design)
    if not fit.converged:
        apart = "the model separates sites with the trait from those without it, so that no estimate is finite"
        return Environment((Term(INTERCEPT, not_estimated_because=apart), *left_out), sites, int(total[kept].sum()))
    spatial, logits = _with_place(count[kept], total[kept], design, here, fit)
    if not spatial.converged:
        unsettled = "the model with an effect of place doesn't settle"
        return Environment((Term(INTERCEPT, not_estimated_because=unsettled), *left_out), sites, int(total[kept].sum()))
    temperature = None if temperature_c is None else np.asarray(temperature_c, dtype=np.float64)[kept]
    model = Model(
        kept, count[kept], total[kept], classes[kept].astype(str), temperature, tuple(names), design, reference, fit,
        spatial, here,
    )  # fmt: skip
    terms = _terms(model, logits, confidence)
    moran_i, moran_p = _residual_moran(count[kept], total[kept], design, fit, here)
    return Environment(
        terms=(*terms, *(replace(term, reference=reference) for term in left_out)),
        sites=sites,
        shells=int(total[kept].sum()),
        rho=spatial.rho,
        range_m=spatial.range_m,
        smoothness=spatial.smoothness,
        spatial_share=spatial.share,
        residual_moran_i=moran_i,
        residual_moran_p=moran_p,
        model=model,
    )


def pool_rare_classes(classes: Sequence[str] | NDArray[np.object_]) -> NDArray[np.object_]:
    """Return classes with those of fewer than five sites named "other"."""
    found = np.asarray(classes, dtype=object)
    names, where, sites = np.unique(found.astype(str), return_inverse=True, return_counts=True)
    pooled = np.where(sites < FEWEST_SITES_OF_CLASS, OTHER, names)
    return np.asarray(pooled[where], dtype=object)


def _why_not(count: Floats, total: Floats) -> str:
    if len(total) < 1 + _FEWEST_SPARE:
        return f"{len(total)} sites are too few"
    if count.sum() == 0:
        return "no shell has it"
    return "every shell has it" if count.sum() == total.sum() else ""


def _without_one_sided_classes(
    classes: NDArray[np.object_], count: Floats, total: Floats
) -> tuple[NDArray[np.bool_], list[Term]]:
    kept = np.ones(len(classes), dtype=bool)
    left_out = []
    for name in sorted(set(classes)):
        members = classes == name
        share = count[members].sum() / total[members].sum()
        if 0 < share < 1:
            continue
        kept &= ~members
        which = "no shell has it" if share == 0 else "every shell has it"
        left_out.append(Term(f"{HABITAT}: {name}", not_estimated_because=f"{which} in this class"))
    return kept, left_out


def _design(classes: NDArray[np.object_], temperature_c: Floats | None) -> tuple[list[str], Floats, str, list[Term]]:
    """Return names and columns of the coefficients, the reference class, and terms that can't be estimated."""
    names, columns, reference = [INTERCEPT], [np.ones(len(classes))], ""
    unfit: list[Term] = []
    found, sites = np.unique(classes.astype(str), return_counts=True)
    if len(found) > 1:
        reference = str(found[np.argmax(sites)])
        for name in found[found != reference]:
            names.append(f"{HABITAT}: {name}")
            columns.append((classes == name).astype(np.float64))
    if temperature_c is not None:
        with_it = np.column_stack([*columns, temperature_c - temperature_c.mean()])
        scaled = with_it / np.maximum(np.linalg.norm(with_it, axis=0), 1e-12)
        if np.linalg.matrix_rank(scaled, tol=1e-8) == with_it.shape[1]:
            return [*names, TEMPERATURE], with_it, reference, unfit
        unfit.append(Term(TEMPERATURE, not_estimated_because="temperature doesn't vary apart from habitat"))
    return names, np.column_stack(columns), reference, unfit


def _with_place(
    count: Floats, total: Floats, design: Floats, errors: SpatialErrors, start: LogisticFit
) -> tuple[SpatialLogisticFit, LogitFit]:
    """Return the logistic model with an effect of place and least squares on empirical logits, equally smooth.

    Least squares that didn't settle have no numbers.
    """
    spatial = fit_spatial_logistic(count, total, design, errors, start)
    ladder = errors.ranges_m
    begin = (spatial.variance, spatial.range_m) if spatial.variance > 0 else (0.1, float(ladder[len(ladder) // 2]))
    limits = float(ladder[0]), float(ladder[-1])
    logits = fit_logits(count, total, design, spatial.frequency, errors.distance_m, limits, begin)
    if not logits.converged:
        blank = np.full_like(logits.coefficients, np.nan), np.full_like(logits.covariance, np.nan)
        return spatial, replace(logits, coefficients=blank[0], covariance=blank[1])
    if spatial.converged and spatial.variance > 0 and logits.smoothness == SMOOTH:
        smoother = fit_spatial_logistic(count, total, design, errors, start, smoothness=SMOOTH, near=spatial)
        if smoother.converged and smoother.variance > 0:
            return smoother, logits
    return spatial, logits


def _terms(model: Model, logits: LogitFit, confidence: float) -> list[Term]:
    fit, spatial, errors = model.naive, model.spatial, model.errors
    freedom_naive = len(model.design) - model.design.shape[1]
    terms = []
    for i, name in enumerate(model.names):
        sites = effective_sites(errors.correlation_of(model.design[:, i]), spatial.correlation) if i else np.nan
        freedom = degrees_of_freedom(sites, model) if i else float(freedom_naive)
        se = float(np.sqrt(spatial.covariance[i, i]))
        se_naive = float(np.sqrt(fit.covariance[i, i]))
        se_gls = float(np.sqrt(logits.covariance[i, i]))
        estimate = float(spatial.coefficients[i])
        half = float(stdtrit(freedom, 0.5 + confidence / 2)) * se
        terms.append(
            Term(
                name=name,
                estimate=estimate,
                se=se,
                low=estimate - half,
                high=estimate + half,
                se_naive=se_naive,
                p_naive=two_sided(float(fit.coefficients[i]) / se_naive, freedom_naive),
                p_spatial=two_sided(estimate / se, freedom),
                estimate_gls=float(logits.coefficients[i]),
                se_gls=se_gls,
                p_gls=two_sided(float(logits.coefficients[i]) / se_gls, freedom),
                effective_sites=sites,
                reference=model.reference if name.startswith(HABITAT) else "",
            )
        )
    return _with_modified_t(_with_joint_test(terms, model, logits), model)


def degrees_of_freedom(sites: float, model: Model) -> float:
    """Return those of a t on so many effective sites: 1 or more, and no more than sites less coefficients."""
    return float(np.clip(sites - 2, 1.0, len(model.design) - model.design.shape[1]))


def _with_joint_test(terms: list[Term], model: Model, logits: LogitFit) -> list[Term]:
    """Put the test of all habitat classes before the classes, and adjust theirs for how many they are."""
    at = [i for i, term in enumerate(terms) if term.name.startswith(f"{HABITAT}: ")]
    if not at:
        return terms
    sites = float(np.mean([terms[i].effective_sites for i in at]))
    freedom = degrees_of_freedom(sites, model)
    naive = float(len(model.design) - model.design.shape[1])
    joint = Term(
        name=HABITAT,
        p_naive=_wald(model.naive, at, naive),
        p_spatial=_wald(model.spatial, at, freedom),
        p_gls=_wald(logits, at, freedom),
        effective_sites=sites,
        reference=model.reference,
    )
    adjusted = holm([terms[i].p_spatial for i in at])
    classes = [replace(terms[i], p_holm=float(p)) for i, p in zip(at, adjusted, strict=True)]
    return [*terms[: at[0]], joint, *classes, *terms[at[-1] + 1 :]]


def _with_modified_t(terms: list[Term], model: Model) -> list[Term]:
    """Add the modified t-test of each covariate by itself."""
    logits, errors = empirical_logits(model.count, model.total), model.errors
    found = errors.fit(logits, np.ones((len(logits), 1)))
    alike = errors.correlation(found.range_m, found.share)
    tested = []
    for term in terms:
        if term.name not in model.names[1:]:
            tested.append(term)
            continue
        covariate = model.design[:, model.names.index(term.name)]
        by_covariate = errors.correlation_of(covariate)
        some = np.ones(len(logits), dtype=bool)
        if term.reference:
            some = (covariate > 0) | (model.classes == model.reference)
        here = np.ix_(some, some)
        sites = effective_sites(by_covariate[here], alike[here])
        r = float(np.corrcoef(covariate[some], logits[some])[0, 1])
        p = modified_t(r, sites)[2] if sites > 3 and abs(r) < 1 else np.nan
        tested.append(replace(term, p_modified_t=p))
    return tested


def _wald(fit: LogisticFit | SpatialLogisticFit | LogitFit, at: Sequence[int], freedom: float) -> float:
    coefficients, covariance = fit.coefficients[at], fit.covariance[np.ix_(at, at)]
    k = len(at)
    statistic = float(coefficients @ np.linalg.solve(covariance, coefficients)) / k
    return float(fdtrc(k, freedom, statistic))


def _residual_moran(
    count: Floats, total: Floats, design: Floats, fit: LogisticFit, errors: SpatialErrors
) -> tuple[float, float]:
    """Return Moran's I of the Pearson residuals and its two-sided p, by Cliff & Ord's (1981) moments for residuals."""
    p = fit.frequency
    residual = (count - total * p) / (total * p * (1 - p)) * np.sqrt(fit.weights)
    neighbours = nearest(errors.easting, errors.northing, min(NEIGHBOURS, len(total) - 1))
    return moran_of_residuals(residual, np.sqrt(fit.weights)[:, None] * design, neighbours)
