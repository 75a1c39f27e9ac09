"""Logistic planes fitted around many points at once, by Newton's method on the weighted binomial likelihood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morphcline.stats.kernels import Floats

Flags = NDArray[np.bool_]
#: A symmetric matrix for each point: entry (i, j), i <= j, as an array over the points.
Packed = dict[tuple[int, int], Floats]

#: A plane needs this many effective shells of either kind among its weights, or nothing holds its slope.
_LEAST_OF_EITHER = 0.5
#: Sites on a line: least over largest principal variance of the weighted positions (a spread of 1 across to 50 along).
_LEAST_SPREAD = 4e-4
#: Logits that the plane may rise over one weighted standard deviation of the sites: beyond it the sites are separated.
_STEEPEST = 12.0
#: Standard error, in logits, above which the value at the point is not known: ±2 spans frequencies of 0.02 to 0.98.
_WIDEST = 2.0
_ITERATIONS = 25
_TOLERANCE = 1e-7  # logits in a step; Newton squares the error, so the step after it would be some 1e-14
_LONGEST_STEP = 4.0  # logits
_RIDGE = 1e-12  # of the diagonal: keeps the arithmetic going where the information vanishes, below any digit kept


@dataclass(frozen=True)
class Planes:
    """What the planes say at their points.

    Attributes
    ----------
    frequency, standard_error : array (points,)
    gradient : array (points, dimensions)
        Of the frequency, per unit of the positions.
    identified : array of bool (points,)
        The other values mean something.
    """

    frequency: Floats
    standard_error: Floats
    gradient: Floats
    identified: Flags


def logistic_planes(points: Floats, sites: Floats, shown: Floats, shells: Floats, *, weights: Floats) -> Planes:
    """Return, for each point, the weighted logistic plane's value, standard error and gradient there.

    Parameters
    ----------
    points : array (points, dimensions)
        Near to each other, as against their distance to the farthest sites, for the sake of rounding.
    sites : array (sites, dimensions)
    shown, shells : array (sites,)
        Effective shells that show the trait, and effective shells m.
    weights : array (points, sites)
        Kernel weights K.

    Returns
    -------
    Planes
        A plane is not identified when the sites in reach lie on a line, when fewer than half an effective shell of
        either kind is in reach, when Newton's method doesn't settle or climbs more than 12 logits over the sites'
        spread (the sites are separated), or when the standard error at the point is above 2 logits.

    Notes
    -----
    Maximises Σ K m (y log p + (1 - y) log(1 - p)), logit p = β₀ + βᵀx. With H = Σ K m p(1-p) z zᵀ and
    J = Σ K² m p(1-p) z zᵀ, z = (1, x), the variance of β is H⁻¹ J H⁻¹, and the frequency's standard error follows by
    the delta method. The position x counts from the middle of the points, for all of them: so the sums over sites are
    plain matrix products.
    """
    middle = points.mean(axis=0)
    unit = np.sqrt(np.mean(np.square(sites - middle))) or 1.0
    design = np.column_stack([np.ones(len(sites)), (sites - middle) / unit])
    at_point = np.column_stack([np.ones(len(points)), (points - middle) / unit])
    problem = _Problem(design, shown, shells)
    spread, usable = _spread(problem, weights, at_point)
    of_either = np.column_stack([weights @ shown, weights @ (shells - shown)])
    usable &= of_either.min(axis=1) >= _LEAST_OF_EITHER

    beta = np.zeros_like(at_point)
    settled = np.zeros(len(points), dtype=bool)
    rows = np.flatnonzero(usable)
    beta[rows, 0] = np.log(of_either[rows, 0] / of_either[rows, 1])
    beta[rows], settled[rows] = _climb(problem, weights[rows], at_point[rows], spread[rows], beta[rows])

    rows = np.flatnonzero(settled)
    value, error, gradient = (np.full(len(points), np.nan), np.full(len(points), np.nan), np.full(points.shape, np.nan))
    error_logits = np.full(len(points), np.inf)
    information, score_variance = problem.information(weights[rows], beta[rows])
    aside = _solve(information, at_point[rows])
    error_logits[rows] = np.sqrt(np.maximum(_quadratic(score_variance, aside), 0.0))
    logit = np.sum(beta[rows] * at_point[rows], axis=1)
    value[rows] = 1.0 / (1.0 + np.exp(-np.clip(logit, -_CEILING, _CEILING)))
    slope = value * (1.0 - value)
    error[rows] = slope[rows] * error_logits[rows]
    gradient[rows] = slope[rows, None] * beta[rows, 1:] / unit
    steep = np.linalg.norm(beta[:, 1:], axis=1) * spread > _STEEPEST
    return Planes(value, error, gradient, settled & ~steep & (error_logits <= _WIDEST))


_CEILING = 35.0  # logits: beyond it 1 - p is lost in rounding


class _Problem:
    """The sums over sites that Newton's method asks for, each one matrix product for all points."""

    def __init__(self, design: Floats, shown: Floats, shells: Floats):
        size = design.shape[1]
        self.pairs = [(i, j) for i in range(size) for j in range(i, size)]
        self.design = design
        self.shown_design = design * shown[:, None]
        self.shells_design = design * shells[:, None]
        self.shells_pairs_t = np.stack([design[:, i] * design[:, j] * shells for i, j in self.pairs])

    def moments(self, weights: Floats) -> Packed:
        # Transposed, so that each entry is contiguous over the points.
        return dict(zip(self.pairs, self.shells_pairs_t @ weights.T, strict=True))

    def probability(self, beta: Floats) -> Floats:
        work = beta @ self.design.T
        np.clip(work, -_CEILING, _CEILING, out=work)
        np.negative(work, out=work)
        np.exp(work, out=work)
        work += 1.0
        return np.reciprocal(work, out=work)

    def score_and_information(self, weights: Floats, beta: Floats, target: Floats) -> tuple[Floats, Packed]:
        probability = self.probability(beta)
        weighted = weights * probability
        score = target - weighted @ self.shells_design
        weighted -= weighted * probability
        return score, self.moments(weighted)

    def information(self, weights: Floats, beta: Floats) -> tuple[Packed, Packed]:
        probability = self.probability(beta)
        weighted = weights * probability * (1.0 - probability)
        return self.moments(weighted), self.moments(weighted * weights)


def _spread(problem: _Problem, weights: Floats, at_point: Floats) -> tuple[Floats, Flags]:
    """Return the weighted standard deviation of the sites along their longest axis, and whether they fill the plane."""
    moments = problem.moments(weights)
    size = at_point.shape[1]
    total = np.maximum(moments[0, 0], np.finfo(float).tiny)
    mean = np.column_stack([moments[0, i] / total for i in range(1, size)])
    variance = np.empty((len(mean), size - 1, size - 1))
    for i, j in problem.pairs:
        if i:
            variance[:, i - 1, j - 1] = variance[:, j - 1, i - 1] = (
                moments[i, j] / total - mean[:, i - 1] * mean[:, j - 1]
            )
    principal = np.linalg.eigvalsh(variance)
    scale = np.maximum(principal[:, -1], np.finfo(float).tiny)
    # Below this the variance is what rounding left of sites that all lie at one place.
    noise = 1e-10 * (1.0 + np.sum(mean**2, axis=1))
    return np.sqrt(scale), (principal[:, 0] > _LEAST_SPREAD * scale) & (principal[:, 0] > noise)


def _climb(problem: _Problem, weights: Floats, at_point: Floats, spread: Floats, start: Floats) -> tuple[Floats, Flags]:
    """Return Newton's solution for each point, and whether it settled."""
    beta, settled = start.copy(), np.zeros(len(start), dtype=bool)
    target = weights @ problem.shown_design
    rows = np.arange(len(start))
    for _ in range(_ITERATIONS):
        if not len(rows):
            break
        score, information = problem.score_and_information(weights, beta[rows], target)
        step = _solve(information, score)
        length = np.abs(np.sum(step * at_point[rows], axis=1)) + np.linalg.norm(step[:, 1:], axis=1) * spread[rows]
        step *= np.minimum(1.0, _LONGEST_STEP / np.maximum(length, _TOLERANCE))[:, None]
        beta[rows] += step
        settled[rows] = length < _TOLERANCE
        going = ~settled[rows] & np.isfinite(length)
        if not going.all():
            rows, weights, target = rows[going], weights[going], target[going]
    return beta, settled


def _solve(matrix: Packed, right: Floats) -> Floats:
    """Solve many small symmetric positive systems, by Cholesky's method with the points as the inner loop."""
    size = right.shape[1]
    largest = np.max([matrix[i, i] for i in range(size)], axis=0)
    tiny = _RIDGE * largest + np.finfo(float).tiny
    lower: Packed = {}
    solution: list[Floats] = []
    for j in range(size):
        rest = matrix[j, j].copy()
        for k in range(j):
            rest -= lower[k, j] ** 2
        lower[j, j] = np.sqrt(np.maximum(rest, tiny))
        for i in range(j + 1, size):
            rest = matrix[j, i].copy()
            for k in range(j):
                rest -= lower[k, i] * lower[k, j]
            lower[j, i] = rest / lower[j, j]
        forward = right[:, j].copy()
        for k in range(j):
            forward -= lower[k, j] * solution[k]
        solution.append(forward / lower[j, j])
    for j in reversed(range(size)):
        for k in range(j + 1, size):
            solution[j] -= lower[j, k] * solution[k]
        solution[j] /= lower[j, j]
    return np.column_stack(solution)


def _quadratic(matrix: Packed, vector: Floats) -> Floats:
    form = np.zeros(len(vector))
    for (i, j), entry in matrix.items():
        form += (1.0 if i == j else 2.0) * entry * vector[:, i] * vector[:, j]
    return form
