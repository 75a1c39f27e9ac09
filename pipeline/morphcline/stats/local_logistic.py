"""Logistic planes fitted around many points at once, by Newton's method on the weighted binomial likelihood."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morphcline.stats.kernels import Floats

Flags = NDArray[np.bool_]
#: A symmetric matrix for each point: entry (i, j), i <= j, as an array over the points.
Packed = dict[tuple[int, int], Floats]

#: Shells of either kind that each point has at the least: what is missing in reach is shared out over the sites.
LEAST_OF_EITHER = 0.5
#: Sites on a line: least over largest principal variance of the weighted positions (a spread of 1 across to 50 along).
_LEAST_SPREAD = 4e-4
#: Logits that a plane may rise freely over one weighted standard deviation of the sites; what is beyond is held, so
#: that sites that are wholly separated have a slope and an error all the same.
_STEEP = 4.0
#: Standard error, in logits, up to which the delta method serves.
_NARROW = 1.0
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
        Of the frequency, per unit of the positions: the plane's own slope at its point.
    identified : array of bool (points,)
        The other values mean something.
    held : array of bool (points,)
        Identified, but not by the shells alone: some of either kind were put in, or the slope was held.
    least : array (points,)
        Shells of the rarer kind in reach, each by its weight.
    """

    frequency: Floats
    standard_error: Floats
    gradient: Floats
    identified: Flags
    held: Flags
    least: Floats


def logistic_planes(
    points: Floats, sites: Floats, shown: Floats, shells: Floats, *, weights: Floats, errors: bool = True
) -> Planes:
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
    errors : bool
        Without them the standard error is NaN, and the time shorter.

    Returns
    -------
    Planes
        A plane is not identified when the sites in reach lie on a line, or when Newton's method doesn't settle.

    Notes
    -----
    Maximises Σ K m (y log p + (1 - y) log(1 - p)), logit p = β₀ + βᵀx, less two penalties that are 0 for an ordinary
    sample and grow from there without a step, so that the surface has none:

    - Where less than half an effective shell of a kind is in reach, what is missing is shared out over the sites, as
      their weights are: it says nothing of a slope.
    - Where the plane rises by more than 4 logits over the sites' standard deviation, what is beyond counts as a
      normal deviate of 1 logit; over the first logit beyond, this grows from 0.

    With H = Σ K m p(1-p) z zᵀ and J = Σ K² m p(1-p) z zᵀ, z = (1, x), and P the curvature of the penalties, the
    variance of β is (H + P)⁻¹ (J + P) (H + P)⁻¹: a penalty counts as what was known before, with its own error. The
    frequency's standard error follows by the delta method; where the logit's is above 1, by the growth of half the
    width of the frequencies one standard error to either side. The gradient is p(1-p) β. The position x counts from the
    middle of the points, for all of them: so the sums over sites are plain matrix products.
    """
    middle = points.mean(axis=0)
    unit = np.sqrt(np.mean(np.square(sites - middle))) or 1.0
    design = np.column_stack([np.ones(len(sites)), (sites - middle) / unit])
    at_point = np.column_stack([np.ones(len(points)), (points - middle) / unit])
    problem = _Problem(design, shown, shells)
    spread, usable = _spread(problem, weights, at_point)
    of_either = np.maximum(np.column_stack([weights @ shown, weights @ (shells - shown)]), 0.0)
    missing = np.maximum(LEAST_OF_EITHER - of_either, 0.0)

    beta = np.zeros_like(at_point)
    settled = np.zeros(len(points), dtype=bool)
    rows = np.flatnonzero(usable)
    whole = of_either[rows].sum(axis=1)
    target = weights[rows] @ problem.shown_design
    target += (missing[rows, 0] / whole)[:, None] * (weights[rows] @ problem.shells_design)
    weights = weights * (1.0 + missing.sum(axis=1) / np.where(usable, of_either.sum(axis=1), 1.0))[:, None]
    beta[rows, 0] = np.log((of_either + missing)[rows, 0] / (of_either + missing)[rows, 1])
    hold = _Hold(at_point[rows], spread[rows])
    beta[rows], settled[rows] = _climb(problem, weights[rows], target, hold, beta[rows])

    rows = np.flatnonzero(settled)
    value, error, gradient = (np.full(len(points), np.nan), np.full(len(points), np.nan), np.full(points.shape, np.nan))
    logit = np.sum(beta[rows] * at_point[rows], axis=1)
    value[rows] = _expit(logit)
    gradient[rows] = (value * (1.0 - value))[rows, None] / unit * beta[rows, 1:]
    if errors:
        information, score_variance = problem.information(weights[rows], beta[rows])
        _, curvature = _Hold(at_point[rows], spread[rows]).score_and_information(beta[rows])
        information, score_variance = _sum(information, curvature), _sum(score_variance, curvature)
        aside = _solve(information, at_point[rows])
        error[rows] = _error_at(logit, np.sqrt(np.maximum(_quadratic(score_variance, aside), 0.0)))
    steep = np.linalg.norm(beta[:, 1:], axis=1) * spread > _STEEP
    held = settled & (steep | (missing > 0).any(axis=1))
    return Planes(value, error, gradient, settled, held, of_either.min(axis=1))


_CEILING = 35.0  # logits: beyond it 1 - p is lost in rounding


def _expit(logit: Floats) -> Floats:
    frequency: Floats = 1.0 / (1.0 + np.exp(-np.clip(logit, -_CEILING, _CEILING)))
    return frequency


def error_of_frequency(frequency: Floats, error: Floats) -> Floats:
    """Return the standard error of a frequency from that of its logit: the delta method's, and more where it is large.

    Parameters
    ----------
    frequency : array
    error : array
        In logits. From 1 on, the growth of half the width of the frequencies one error to either side counts.

    Returns
    -------
    array
        At most 0.5.
    """
    with np.errstate(divide="ignore"):
        return _error_at(np.log(frequency / (1.0 - frequency)), error)


def _error_at(logit: Floats, error: Floats) -> Floats:
    def half_width(by: Floats | float) -> Floats:
        return 0.5 * (_expit(logit + by) - _expit(logit - by))

    slope = _expit(logit) * (1.0 - _expit(logit))
    # The delta method calls a frequency near 0 sure, however little is known of its logit.
    wider = half_width(error) - half_width(_NARROW) - slope * (error - _NARROW)
    return np.minimum(slope * error + np.where(error > _NARROW, np.maximum(wider, 0.0), 0.0), 0.5)


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
        work = -beta @ self.design.T
        np.clip(work, -_CEILING, _CEILING, out=work)
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


class _Hold:
    """What is taken from the likelihood for steep slopes."""

    def __init__(self, at_point: Floats, spread: Floats):
        self.at_point, self.spread = at_point, spread

    def of(self, rows: Flags) -> _Hold:
        return _Hold(self.at_point[rows], self.spread[rows])

    def score_and_information(self, beta: Floats) -> tuple[Floats, Packed]:
        size = beta.shape[1]
        length = np.maximum(np.linalg.norm(beta[:, 1:], axis=1), np.finfo(float).tiny)
        direction = beta[:, 1:] / length[:, None]
        excess = np.maximum(length * self.spread - _STEEP, 0.0)
        pull = np.where(excess < 1.0, 0.5 * excess**2, excess - 0.5)
        score = np.zeros_like(beta)
        score[:, 1:] = -(pull * self.spread)[:, None] * direction
        along = self.spread**2 * np.minimum(excess, 1.0)
        across = self.spread**2 * pull / np.maximum(length * self.spread, _STEEP)
        information = {(0, j): np.zeros(len(beta)) for j in range(size)}
        for i in range(1, size):
            for j in range(i, size):
                information[i, j] = (along - across) * direction[:, i - 1] * direction[:, j - 1]
                if i == j:
                    information[i, j] += across
        return score, information


def _sum(first: Packed, second: Packed) -> Packed:
    return {entry: first[entry] + second[entry] for entry in first}


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


def _climb(problem: _Problem, weights: Floats, target: Floats, hold: _Hold, start: Floats) -> tuple[Floats, Flags]:
    """Return Newton's solution for each point, and whether it settled."""
    beta, settled = start.copy(), np.zeros(len(start), dtype=bool)
    rows = np.arange(len(start))
    for _ in range(_ITERATIONS):
        if not len(rows):
            break
        score, information = problem.score_and_information(weights, beta[rows], target)
        more, curvature = hold.score_and_information(beta[rows])
        step = _solve(_sum(information, curvature), score + more)
        length = np.abs(np.sum(step * hold.at_point, axis=1))
        length += np.linalg.norm(step[:, 1:], axis=1) * hold.spread
        step *= np.minimum(1.0, _LONGEST_STEP / np.maximum(length, _TOLERANCE))[:, None]
        beta[rows] += step
        settled[rows] = length < _TOLERANCE
        going = ~settled[rows] & np.isfinite(length)
        if not going.all():
            rows, weights, target, hold = rows[going], weights[going], target[going], hold.of(going)
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
        form += entry * vector[:, i] * vector[:, j]
        if i != j:
            form += entry * vector[:, j] * vector[:, i]
    return form
