"""One sigmoid cline fitted to many surveys of the same sites at once, by weighted counts with rho given."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from morphcline.stats.overdispersion import effective_number

Floats = NDArray[np.float64]

#: Parameters (surveys, k) to frequencies (surveys, n) and their derivatives, a (surveys, n) array for each parameter.
ManyMeans = Callable[[Floats], tuple[Floats, list[Floats]]]

#: Frequencies are kept this far from 0 and 1.
_MARGIN = 1e-6


def many_sigmoids(easting: Floats, northing: Floats, *, ends_free: bool) -> ManyMeans:
    """Return :func:`morphcline.stats.cline_models.sigmoid` for many surveys at once."""

    def mean(parameters: Floats) -> tuple[Floats, list[Floats]]:
        centre, log_width, bearing, before, beyond = parameters.T[:, :, None]
        steepness = 4 * np.exp(-log_width)
        sine, cosine = np.sin(bearing), np.cos(bearing)
        eta = steepness * (easting * sine + northing * cosine - centre)
        p, slope, ends = between_ends(eta, before, beyond, ends_free=ends_free)
        by_bearing = steepness * (easting * cosine - northing * sine) * slope
        return p, [-steepness * slope, -eta * slope, by_bearing, *ends]

    return mean


def between_ends(
    eta: Floats, before: Floats, beyond: Floats, *, ends_free: bool
) -> tuple[Floats, Floats, list[Floats]]:
    """Return the frequency, its derivative by eta, and those by the logits of the two ends."""
    g = expit(eta)
    first, last = (expit(before), expit(beyond)) if ends_free else (np.zeros_like(before), np.ones_like(beyond))
    p = first + (last - first) * g
    return p, (last - first) * g * (1 - g), [first * (1 - first) * (1 - g), last * (1 - last) * g]


@dataclass(frozen=True)
class ManyFits:
    """Where each survey's search ended.

    Attributes
    ----------
    parameters : (surveys, k) array
    information : (surveys, k, k) array
        Of a weighted binomial, over ``left``; rows of held parameters are zero.
    value : (surveys,) array
        Weighted log-likelihood.
    left : (surveys,) array
        Sum of squared standardised residuals for each degree of freedom: near 1 where rho is right.
    converged : (surveys,) array of bool
    """

    parameters: Floats
    information: Floats
    value: Floats
    left: Floats
    converged: NDArray[np.bool_]

    def covariances(self) -> Floats:
        """Return the (surveys, k, k) covariances; zeros for held parameters."""
        free = np.flatnonzero(np.einsum("ijj->j", self.information) > 0)
        whole = np.zeros_like(self.information)
        whole[:, free[:, None], free] = np.linalg.pinv(self.information[:, free[:, None], free], hermitian=True)
        return whole


def fit_many(
    counts: Floats,
    total: Floats,
    mean: ManyMeans,
    start: Floats,
    rho: float,
    *,
    lower: Floats,
    upper: Floats,
    held: NDArray[np.bool_] | None = None,
    rounds: int = 60,
    tolerance: float = 1e-4,
) -> ManyFits:
    """Fit one model to many surveys of the same sites and sample sizes.

    Parameters
    ----------
    counts : (surveys, n) array
    total : (n,) array
    mean : callable
    start : (k,) array
        Where each search begins.
    rho : float
        Intra-site correlation, which gives a sample of n shells the weight n / (1 + (n - 1) rho).
    lower, upper : (k,) arrays
        Between which parameters are sought.
    held : (k,) array of bool, optional
        Parameters that keep their value.
    rounds : int
    tolerance : float
        A search has converged when a step promises less log-likelihood than this.

    Notes
    -----
    Quasi-likelihood (Wedderburn 1974; Williams 1982): the estimating equations of the binomial with weights, whose
    roots have nearly the variance of the beta-binomial's maximum and need no gamma function. Fisher scoring with a
    damping of its own for each survey (Marquardt 1963).
    """
    surveys, k = len(counts), len(start)
    free = np.arange(k) if held is None else np.flatnonzero(~held)
    look = _Look(total, mean, effective_number(total, rho), free)
    here = np.tile(start, (surveys, 1))
    here[:, free] = np.clip(start[free], lower[free], upper[free])
    seen = counts / total
    state = look.at(seen, here)
    damping = np.full(surveys, 1e-3)
    converged, active = np.zeros(surveys, dtype=bool), np.arange(surveys)
    for _ in range(rounds):
        at = here[active][:, free]
        gradient, information = state.gradient[active], state.information[active]
        stuck = ((at <= lower[free]) & (gradient < 0)) | ((at >= upper[free]) & (gradient > 0))
        step, promised = _steps(gradient, information, stuck, damping[active])
        trial = here[active]
        trial[:, free] = np.clip(at + step, lower[free], upper[free])
        new = look.at(seen[active], trial)
        better = new.value >= state.value[active]
        moved, kept = active[better], active[~better]
        here[moved] = trial[better]
        state.take(moved, new, better)
        damping[moved] = np.maximum(damping[moved] / 10, 1e-7)
        damping[kept] = np.maximum(damping[kept] * 8, 1e-3)
        ended = promised < tolerance
        converged[active[ended]] = True
        active = active[~ended & (damping[active] < 1e10)]
        if not len(active):
            break
    left = state.squares / max(len(total) - len(free), 1)
    whole = np.zeros((surveys, k, k))
    whole[:, free[:, None], free] = state.information / np.maximum(left, 1e-12)[:, None, None]
    return ManyFits(here, whole, state.value, left, converged)


def _steps(gradient: Floats, information: Floats, stuck: NDArray[np.bool_], damping: Floats) -> tuple[Floats, Floats]:
    """Return each survey's step and the log-likelihood it promises; parameters stuck at a limit stay."""
    gradient = np.where(stuck, 0.0, gradient)
    diagonal = np.einsum("ijj->ij", information)
    scale = np.maximum(diagonal, 1e-8 * diagonal.max(axis=1, keepdims=True) + 1e-12)
    matrix = np.where(stuck[:, :, None] | stuck[:, None, :], 0.0, information)
    matrix = matrix + np.eye(gradient.shape[1]) * (damping[:, None] * scale + stuck)[:, None, :]
    step = np.linalg.solve(matrix, gradient[:, :, None])[:, :, 0]
    return step, np.einsum("ij,ij->i", gradient, step) / 2


@dataclass
class _State:
    """Value, gradient and information of each survey, and its sum of squared standardised residuals."""

    value: Floats
    gradient: Floats
    information: Floats
    squares: Floats

    def take(self, where: NDArray[np.intp], new: _State, which: NDArray[np.bool_]) -> None:
        """Take over the surveys that have come to a better place."""
        self.value[where], self.gradient[where] = new.value[which], new.gradient[which]
        self.information[where], self.squares[where] = new.information[which], new.squares[which]


@dataclass(frozen=True)
class _Look:
    total: Floats
    mean: ManyMeans
    weight: Floats
    free: NDArray[np.intp]

    def at(self, seen: Floats, parameters: Floats) -> _State:
        p, by = self.mean(parameters)
        p = np.clip(p, _MARGIN, 1 - _MARGIN)
        root = np.sqrt(self.weight / (p * (1 - p)))
        slopes = np.stack([by[index] * root for index in self.free], axis=1)
        over = (seen - p) * root
        return _State(
            (self.weight * (seen * np.log(p) + (1 - seen) * np.log1p(-p))).sum(axis=1),
            (slopes @ over[:, :, None])[:, :, 0],
            slopes @ slopes.transpose(0, 2, 1),
            (over**2).sum(axis=1),
        )
