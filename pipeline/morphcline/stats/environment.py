"""What habitat and temperature explain of a trait, ignoring space and allowing for it.

Neighbouring sites share both their shells and their surroundings. A model that takes sites as independent then finds
associations that are none; the one that lets residuals of neighbours be alike does not. Both are returned.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array
from scipy.special import fdtrc, ndtr, stdtr, stdtrit

from morphcline.stats.logistic import LogisticFit, fit_logistic
from morphcline.stats.multiple import holm
from morphcline.stats.neighbours import nearest
from morphcline.stats.spatial_errors import SpatialErrors
from morphcline.stats.spatial_logistic import SpatialLogisticFit, fit_spatial_logistic

Floats = NDArray[np.float64]

INTERCEPT, TEMPERATURE, HABITAT, OTHER = "intercept", "temperature_c", "habitat", "other"

#: A class with fewer sites is pooled with others of its kind.
FEWEST_SITES_OF_CLASS = 5
#: Sites beyond the number of coefficients without which nothing is fitted.
_FEWEST_SPARE = 8
#: Neighbours of a site in the residuals' Moran's I.
_NEIGHBOURS = 8


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
        With space allowed for.
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
    p_holm: float = np.nan
    effective_sites: float = np.nan
    reference: str = ""
    not_estimated_because: str = ""


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
    range_m, spatial_share : float
        Range of the effect of place, exp(-distance / range), and its mean share of the variance of a site's residual.
    residual_moran_i, residual_moran_p : float
        Of the residuals of the model that ignores space.
    """

    terms: tuple[Term, ...]
    sites: int
    shells: int
    rho: float = np.nan
    range_m: float = np.nan
    spatial_share: float = np.nan
    residual_moran_i: float = np.nan
    residual_moran_p: float = np.nan


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
    Gaussian effect of place, correlated as exp(-distance / range), by penalised quasi-likelihood (Breslow & Clayton
    1993; :func:`morphcline.stats.spatial_logistic.fit_spatial_logistic`): its estimates compare sites as they would be
    at one place, such as one point of a cline. Its t has the degrees of freedom M - 2, where
    M = 1 + tr(B Sx) tr(B Sy) / tr(B Sx B Sy) is Dutilleul's (1993) effective number of sites, taken with the fitted
    correlations of the term (Sx) and of the working residuals (Sy).

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
    spatial = fit_spatial_logistic(count[kept], total[kept], design, here, fit)
    if not spatial.converged:
        unsettled = "the model with an effect of place doesn't settle"
        return Environment((Term(INTERCEPT, not_estimated_because=unsettled), *left_out), sites, int(total[kept].sum()))
    terms = _terms(names, design, fit, spatial, here, confidence)
    terms = [replace(term, reference=reference if term.name.startswith(HABITAT) else "") for term in terms]
    moran_i, moran_p = _residual_moran(count[kept], total[kept], design, fit, here)
    return Environment(
        terms=(*terms, *(replace(term, reference=reference) for term in left_out)),
        sites=sites,
        shells=int(total[kept].sum()),
        rho=spatial.rho,
        range_m=spatial.range_m,
        spatial_share=spatial.share,
        residual_moran_i=moran_i,
        residual_moran_p=moran_p,
    )


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
    one, two = _doubly_centred(first), _doubly_centred(second)
    return 1 + float(np.trace(one) * np.trace(two) / np.sum(one * two.T))


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
    return float(t), float(freedom), _two_sided(t, freedom)


def pool_rare_classes(classes: Sequence[str] | NDArray[np.object_]) -> NDArray[np.object_]:
    """Return classes with those of fewer than five sites named "other"."""
    found = np.asarray(classes, dtype=object)
    names, where, sites = np.unique(found.astype(str), return_inverse=True, return_counts=True)
    pooled = np.where(sites < FEWEST_SITES_OF_CLASS, OTHER, names)
    return np.asarray(pooled[where], dtype=object)


def _doubly_centred(matrix: Floats) -> Floats:
    return np.asarray(matrix - matrix.mean(axis=0) - matrix.mean(axis=1)[:, None] + matrix.mean())


def _two_sided(t: float, freedom: float) -> float:
    return float(2 * stdtr(freedom, -abs(t)))


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


def _terms(
    names: list[str],
    design: Floats,
    fit: LogisticFit,
    spatial: SpatialLogisticFit,
    errors: SpatialErrors,
    confidence: float,
) -> list[Term]:
    freedom_naive = len(design) - design.shape[1]
    terms = []
    for i, name in enumerate(names):
        sites = effective_sites(errors.correlation_of(design[:, i]), spatial.correlation) if i else np.nan
        freedom = float(np.clip(sites - 2, 1.0, freedom_naive)) if i else float(freedom_naive)
        se = float(np.sqrt(spatial.covariance[i, i]))
        se_naive = float(np.sqrt(fit.covariance[i, i]))
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
                p_naive=_two_sided(float(fit.coefficients[i]) / se_naive, freedom_naive),
                p_spatial=_two_sided(estimate / se, freedom),
                effective_sites=sites,
            )
        )
    return _with_joint_test(terms, fit, spatial, freedom_naive)


def _with_joint_test(
    terms: list[Term], fit: LogisticFit, spatial: SpatialLogisticFit, freedom_naive: int
) -> list[Term]:
    """Put the test of all habitat classes before the classes, and adjust theirs for how many they are."""
    at = [i for i, term in enumerate(terms) if term.name.startswith(f"{HABITAT}: ")]
    if not at:
        return terms
    block = np.ix_(at, at)
    sites = float(np.mean([terms[i].effective_sites for i in at]))
    freedom = float(np.clip(sites - 2, 1.0, freedom_naive))
    joint = Term(
        name=HABITAT,
        p_naive=_wald(fit.coefficients[at], fit.covariance[block], freedom_naive),
        p_spatial=_wald(spatial.coefficients[at], spatial.covariance[block], freedom),
        effective_sites=sites,
    )
    adjusted = holm([terms[i].p_spatial for i in at])
    classes = [replace(terms[i], p_holm=float(p)) for i, p in zip(at, adjusted, strict=True)]
    return [*terms[: at[0]], joint, *classes, *terms[at[-1] + 1 :]]


def _wald(coefficients: Floats, covariance: Floats, freedom: float) -> float:
    k = len(coefficients)
    statistic = float(coefficients @ np.linalg.solve(covariance, coefficients)) / k
    return float(fdtrc(k, freedom, statistic))


def _residual_moran(
    count: Floats, total: Floats, design: Floats, fit: LogisticFit, errors: SpatialErrors
) -> tuple[float, float]:
    """Return Moran's I of the Pearson residuals and its two-sided p, by Cliff & Ord's (1981) moments for residuals."""
    p = fit.frequency
    residual = (count - total * p) / (total * p * (1 - p)) * np.sqrt(fit.weights)
    neighbours = nearest(errors.easting, errors.northing, min(_NEIGHBOURS, len(total) - 1))
    return moran_of_residuals(residual, np.sqrt(fit.weights)[:, None] * design, neighbours)


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
