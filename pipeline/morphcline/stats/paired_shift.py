"""A common shift of the logit between two surveys of the same sites, each with a level and a drift of its own.

The level of a pair of samples is conditioned away: given how many of both samples' shells show the trait, how many of
them are of the later survey depends on the shift alone (Fisher's noncentral hypergeometric distribution). So many pairs
of small samples don't bias the shift, as they do when every level is estimated (Neyman & Scott 1948). The shift of a
pair is normal about the common one with the drift's standard deviation, which is integrated out.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq, minimize_scalar
from scipy.special import chdtrc, gammaln, stdtr, stdtrit

from morphcline.stats.proportions import check_counts, standard_normal_deviate

Floats = NDArray[np.float64]

#: Logits about a first guess within which the shift of a pair is looked for: odds 3,000 times as large.
_REACH = 8.0
#: Drift, in logits, beyond which none is looked for: one site in twenty would go from 50 % to beyond 99.
_MOST_DRIFT = 2.5
#: Spacing of the shifts at which the likelihoods are tabulated, as a share of the sharpest one's standard error: the
#: trapezoid rule over normal curves this wide errs by less than 1e-7.
_SPACING = 0.35
#: Drifts at which the likelihood is looked at before its maximum is sought.
_SCAN = np.array([0.0, 0.05, 0.1, 0.2, 0.35, 0.55, 0.8, 1.2, 1.8, _MOST_DRIFT])
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(5)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
_ELEVEN_MISSING = (math.nan,) * 11


@dataclass(frozen=True)
class PairedShift:
    """Shift of the logit over pairs of samples, and how much it differs from pair to pair.

    Attributes
    ----------
    pairs : int
        Pairs with shells in both surveys.
    informative : int
        Those of them in which the shells aren't all alike; the others say nothing of a shift.
    shift, se, low, high : float
        Mean over pairs of the change of the logit, its standard error and profile-likelihood limits.
    p : float
        Two-sided, of no shift on the mean.
    drift_sd, drift_low, drift_high : float
        Standard deviation between pairs of the shift, beyond chance, with profile-likelihood limits. One sample a
        survey can't tell a site that changed from a sample that was patchy, so both are in it.
    p_drift : float
        Of one shift for all pairs: likelihood ratio, on the boundary.
    beyond_chance : float
        Share of the spread of the pairs' own shifts that is drift and not chance, 0 to 1.
    log_likelihood : float
        At its maximum, given the pairs' margins.
    not_tested_because : str
        Why all of it is NaN; else empty.
    """

    pairs: int
    informative: int
    shift: float
    se: float
    low: float
    high: float
    p: float
    drift_sd: float
    drift_low: float
    drift_high: float
    p_drift: float
    beyond_chance: float
    log_likelihood: float
    not_tested_because: str


def paired_shift(
    earlier_count: ArrayLike,
    earlier_total: ArrayLike,
    later_count: ArrayLike,
    later_total: ArrayLike,
    *,
    confidence: float = 0.95,
) -> PairedShift:
    r"""Fit a common shift of the logit with drift from pair to pair.

    Parameters
    ----------
    earlier_count, earlier_total, later_count, later_total : array_like, shape (pairs,)
        Whole numbers of shells. Pairs without shells in either survey are left out.
    confidence : float

    Returns
    -------
    PairedShift

    Raises
    ------
    ValueError
        When a count is not a whole number, is negative, or is above its total.

    Notes
    -----
    Of pair i, with :math:`t_i` shells of both samples that show the trait, the later sample holds y of them with

    .. math:: f_i(\theta) \propto \binom{n_{2i}}{y} \binom{n_{1i}}{t_i - y} e^{\theta y},

    and the likelihood is :math:`\prod_i \int f_i(\theta) \phi((\theta - \delta) / \tau) d\theta / \tau` with shift
    δ and drift τ: the hypergeometric-normal model of van Houwelingen, Zwinderman & Stijnen (1993), *Statistics in
    Medicine* 12:2273-2284, and Stijnen, Hamza & Özdemir (2010), ibid. 29:3046-3067. Limits and p of the shift come
    from the profile likelihood over τ, with Student's t on informative pairs - 1 in place of the normal deviate, since
    τ is estimated from those pairs. The test of τ = 0 lies on the boundary, as that of ρ = 0 does
    (:func:`morphcline.stats.overdispersion.fit_beta_binomial`).

    The pairs count as independent of each other. Where near sites drift alike the limits are too narrow: see
    :class:`morphcline.stats.change_pattern.PairsInSpace`. The shift is that of a site's own logit. Where samples are
    patchy within a site it is a little larger than the shift of the logit of the mean frequency, as a site's effect
    always is against a region's (Zeger, Liang & Albert 1988, *Biometrics* 44:1049-1060).
    """
    earlier_count, earlier_total = check_counts(earlier_count, earlier_total)
    later_count, later_total = check_counts(later_count, later_total)
    if any((numbers % 1 != 0).any() for numbers in (earlier_count, earlier_total, later_count, later_total)):
        raise ValueError("counts and totals must be whole numbers")
    some = (earlier_total > 0) & (later_total > 0)
    both = earlier_count + later_count
    telling = some & (both > 0) & (both < earlier_total + later_total)
    pairs, informative = int(some.sum()), int(telling.sum())
    reason = _why_not(pairs, earlier_count[telling], earlier_total[telling], later_count[telling], later_total[telling])
    if reason:
        return PairedShift(pairs, informative, *_ELEVEN_MISSING, reason)
    likelihood = _Likelihood(earlier_count[telling], earlier_total[telling], later_count[telling], later_total[telling])
    drift = likelihood.best_drift()
    shift, top = likelihood.best_shift(drift)
    none = likelihood.best_shift(0.0)[1]
    top = max(top, none)
    deviate = float(stdtrit(informative - 1, (1 + confidence) / 2))
    se = likelihood.error_of_shift(shift, drift)

    def fall(at: float) -> float:
        return math.sqrt(max(0.0, 2 * (top - likelihood.over_drift(at))))

    ratio = max(0.0, 2 * (top - none))
    normal = standard_normal_deviate(confidence)

    def fall_of_drift(at: float) -> float:
        return math.sqrt(max(0.0, 2 * (top - likelihood.best_shift(at)[1]))) - normal

    edge = likelihood.reach
    return PairedShift(
        pairs=pairs,
        informative=informative,
        shift=shift,
        se=se,
        low=_limit(lambda at: fall(at) - deviate, shift, -se * deviate, shift - edge),
        high=_limit(lambda at: fall(at) - deviate, shift, se * deviate, shift + edge),
        p=2 * float(stdtr(informative - 1, -fall(0.0))),
        drift_sd=drift,
        drift_low=brentq(fall_of_drift, 0.0, drift, xtol=1e-4) if drift > 0 and fall_of_drift(0.0) > 0 else 0.0,
        drift_high=_limit(fall_of_drift, drift, max(0.2, drift / 2), _MOST_DRIFT),
        p_drift=0.5 * float(chdtrc(1, ratio)) if drift > 0 and ratio > 0 else 1.0,
        beyond_chance=likelihood.beyond_chance(shift, drift),
        log_likelihood=top,
        not_tested_because="",
    )


@dataclass(frozen=True)
class PairShifts:
    """What each pair by itself says of the shift, to the first order about the common one; NaN where it says nothing.

    Attributes
    ----------
    shift, variance : array (pairs,)
        Estimate, and its variance by chance alone.
    """

    shift: Floats
    variance: Floats


def shifts_of_pairs(
    earlier_count: ArrayLike, earlier_total: ArrayLike, later_count: ArrayLike, later_total: ArrayLike, *, about: float
) -> PairShifts:
    """Return each pair's own shift: one step of Newton's from the common one, so that none is infinite.

    Parameters
    ----------
    earlier_count, earlier_total, later_count, later_total : array_like, shape (pairs,)
    about : float
        The common shift.

    Notes
    -----
    With y, E and V the later sample's count and its mean and variance under the common shift δ, given the pair's
    margins: δ + (y - E) / V, of variance 1 / V.
    """
    counts = [np.asarray(v, dtype=float) for v in (earlier_count, earlier_total, later_count, later_total)]
    both = counts[0] + counts[2]
    telling = (counts[1] > 0) & (counts[3] > 0) & (both > 0) & (both < counts[1] + counts[3])
    shift, variance = np.full(both.shape, np.nan), np.full(both.shape, np.nan)
    if telling.any():
        weights = _Weights(*(numbers[telling] for numbers in counts))
        _, beyond, spread = (found[:, 0] for found in weights.moments(np.array([about])))
        shift[telling], variance[telling] = about - beyond / spread, 1 / spread
    return PairShifts(shift, variance)


def _why_not(pairs: int, before: Floats, before_total: Floats, after: Floats, after_total: Floats) -> str:
    if pairs == 0:
        return "no pair of sites has shells in both surveys"
    if len(before) == 0:
        return "all shells of both surveys are alike"
    if len(before) == 1:
        return "one pair of sites only in which shells differ"
    whole = before + after
    at_least, at_most = np.maximum(whole - before_total, 0), np.minimum(after_total, whole)
    if np.array_equal(after, at_least) or np.array_equal(after, at_most):
        return "in every pair of sites the change is as large as it can be, so that it has no limit on the logit"
    return ""


def _limit(excess: Callable[[float], float], start: float, step: float, bound: float) -> float:
    """Return where a function that is negative at the start crosses 0 on the way to a bound; NaN if it doesn't."""
    inside, outside = start, start + step
    for _ in range(30):
        if abs(outside - start) >= abs(bound - start):
            outside = bound
        if excess(outside) > 0:
            return float(brentq(excess, inside, outside, xtol=1e-4))
        if outside == bound:
            break
        inside, outside = outside, start + 1.5 * (outside - start)
    return math.nan


class _Weights:
    """The noncentral hypergeometric distributions of all pairs, counted from what was seen."""

    def __init__(self, before: Floats, before_total: Floats, after: Floats, after_total: Floats):
        whole = before + after
        least = np.maximum(whole - before_total, 0)
        most = np.minimum(after_total, whole)
        steps = np.arange(int((most - least).max()) + 1)
        y = least[:, None] + steps
        inside = y <= most[:, None]
        y = np.where(inside, y, after[:, None])
        # As a ratio to what was seen, whose weight is then 1 whatever the shift.
        weight = _log_choose(after_total[:, None], y) + _log_choose(before_total[:, None], whole[:, None] - y)
        seen = _log_choose(after_total, after) + _log_choose(before_total, before)
        self._log_weight = np.where(inside, weight - seen[:, None], -np.inf)
        self._beyond = y - after[:, None]

    def moments(self, shift: Floats) -> tuple[Floats, Floats, Floats]:
        """Return the probability of what was seen, and mean and variance of the count beyond it, (pairs, shifts)."""
        seen, mean, variance = (np.empty((len(self._beyond), len(shift))) for _ in range(3))
        for i, (log_weight, beyond) in enumerate(zip(self._log_weight, self._beyond, strict=True)):
            # Pair by pair: a small matrix stays at hand, and most pairs have far fewer counts than the largest.
            some = np.isfinite(log_weight)
            log_weight, beyond = log_weight[some], beyond[some]
            log = log_weight + shift[:, None] * beyond
            largest = log.max(axis=1)
            np.exp(log - largest[:, None], out=log)
            total, first, square = (log @ np.column_stack([np.ones(len(beyond)), beyond, beyond**2])).T
            seen[i] = np.exp(-largest) / total
            mean[i] = first / total
            variance[i] = square / total - mean[i] ** 2
        return seen, mean, np.maximum(variance, 0.0)


class _Likelihood:
    """Log-likelihood of all pairs as a function of shift and drift, from a table of each pair's over shifts."""

    def __init__(self, before: Floats, before_total: Floats, after: Floats, after_total: Floats):
        weights = _Weights(before, before_total, after, after_total)
        self._middle = self._first_guess(before, before_total, after, after_total)
        variance = weights.moments(np.array([self._middle]))[2]
        self._step = float(np.clip(_SPACING / math.sqrt(max(float(variance.max()), 1e-12)), 0.02, 0.1))
        self.reach = _REACH
        self._at = self._middle + np.arange(-self.reach, self.reach + self._step, self._step)
        self._table, self._mean, self._variance = weights.moments(self._at)
        self._log = np.log(np.maximum(self._table, np.finfo(float).tiny))

    @staticmethod
    def _first_guess(before: Floats, before_total: Floats, after: Floats, after_total: Floats) -> float:
        """Return Mantel & Haenszel's log odds ratio with half a shell in each cell."""
        n = before_total + after_total + 2
        above = np.sum((after + 0.5) * (before_total - before + 0.5) / n)
        below = np.sum((before + 0.5) * (after_total - after + 0.5) / n)
        return float(np.log(above / below))

    def _between(self, shift: Floats) -> tuple[Floats, Floats, Floats]:
        """Return the same as :meth:`_Weights.moments`, interpolated in the table."""
        h = self._step
        place = np.clip((shift - self._at[0]) / h, 0.0, len(self._at) - 1.000001)
        left = place.astype(int)
        t = place - left
        log, mean, variance = (table[:, left] for table in (self._log, self._mean, self._variance))
        log_on, mean_on, variance_on = (table[:, left + 1] for table in (self._log, self._mean, self._variance))
        rise, keep = t**3 * (10 - 15 * t + 6 * t**2), 1 - t
        # Hermite's quintic through values, slopes and curvatures; the cubic for the mean, whose slope is the variance.
        log = (
            log * (1 - rise) + log_on * rise
            - h * (mean * t * keep**3 * (1 + 3 * t) - mean_on * keep * t**3 * (4 - 3 * t))
            - 0.5 * h**2 * (variance * t**2 * keep**3 + variance_on * keep**2 * t**3)
        )  # fmt: skip
        cubic = t**2 * (3 - 2 * t)
        mean = mean * (1 - cubic) + mean_on * cubic + h * (variance * t * keep**2 - variance_on * t**2 * keep)
        return np.exp(log), mean, variance * keep + variance_on * t

    def __call__(self, shift: float, drift: float) -> tuple[float, float, float]:
        """Return the log-likelihood with its slope and curvature along the shift."""
        if drift < self._step:
            seen, mean, variance = self._between(shift + drift * _NODES)
            share = seen * _WEIGHTS
            whole = share.sum(axis=1)
            share /= whole[:, None]
            slope = -(share * mean).sum(axis=1)
            second = (share * (mean**2 - variance)).sum(axis=1) - slope**2
            return float(np.log(whole).sum()), float(slope.sum()), float(second.sum())
        away = (self._at - shift) / drift
        normal = np.exp(-0.5 * away**2) * (self._step / (drift * math.sqrt(2 * math.pi)))
        whole, first, square = (self._table @ np.column_stack([normal, normal * away, normal * away**2])).T
        slope = first / whole
        second = (square / whole - 1.0 - slope**2) / drift**2
        return float(np.log(whole).sum()), float(slope.sum()) / drift, float(second.sum())

    def best_shift(self, drift: float) -> tuple[float, float]:
        """Return the best shift for a drift, by Newton's method held within the table, and its log-likelihood."""
        low, high = self._middle - self.reach / 2, self._middle + self.reach / 2
        at = self._middle
        for _ in range(60):
            value, slope, curvature = self(at, drift)
            low, high = (at, high) if slope > 0 else (low, at)
            step = -slope / curvature if curvature < 0 else math.copysign(0.5, slope)
            following = at + step
            if not low < following < high:
                following = 0.5 * (low + high)
            if abs(following - at) < 1e-9:
                break
            at = following
        return at, value

    def best_drift(self) -> float:
        """Return the drift of the highest likelihood: a scan first, since 0 can be a maximum of its own."""
        values = [self.best_shift(float(drift))[1] for drift in _SCAN]
        top = int(np.argmax(values))
        low, high = float(_SCAN[max(top - 1, 0)]), float(_SCAN[min(top + 1, len(_SCAN) - 1)])
        found = minimize_scalar(
            lambda drift: -self.best_shift(drift)[1], bounds=(low, high), method="bounded", options={"xatol": 1e-4}
        )
        return float(found.x) if -found.fun > max(values) else float(_SCAN[top])

    def over_drift(self, shift: float) -> float:
        """Return the log-likelihood of a shift with the drift that suits it best."""
        drifts = _SCAN
        for _ in range(2):
            values = self._of_drifts(shift, drifts)
            top = int(np.argmax(values))
            drifts = np.linspace(drifts[max(top - 1, 0)], drifts[min(top + 1, len(drifts) - 1)], 9)
        values = self._of_drifts(shift, drifts)
        top = int(np.clip(np.argmax(values), 1, len(drifts) - 2))
        before, at, after = values[top - 1 : top + 2]
        bend = before - 2 * at + after
        return float(max(values.max(), at - (after - before) ** 2 / (8 * bend) if bend < 0 else at))

    def _of_drifts(self, shift: float, drifts: Floats) -> Floats:
        """Return the log-likelihoods of several drifts with one shift."""
        small = drifts < self._step
        values = np.empty(len(drifts))
        if small.any():
            seen = self._between((shift + drifts[small, None] * _NODES).ravel())[0]
            values[small] = np.log(seen.reshape(len(seen), -1, len(_NODES)) @ _WEIGHTS).sum(axis=0)
        if not small.all():
            drift = drifts[~small]
            normal = np.exp(-0.5 * np.square((self._at[:, None] - shift) / drift))
            normal *= self._step / (drift * math.sqrt(2 * math.pi))
            values[~small] = np.log(self._table @ normal).sum(axis=0)
        return values

    def error_of_shift(self, shift: float, drift: float) -> float:
        """Return the standard error from the curvature of the profile over the drift."""
        curvature = -self(shift, drift)[2]
        rough = 1 / math.sqrt(curvature) if curvature > 0 else 0.1
        top = self.over_drift(shift)
        drop = sum(top - self.over_drift(shift + side * rough / 2) for side in (-1, 1))
        return rough / 2 / math.sqrt(drop) if drop > 0 else rough

    def beyond_chance(self, shift: float, drift: float) -> float:
        """Return the share of drift in the spread of the pairs' shifts, after Higgins & Thompson (2002)."""
        weight = self._between(np.array([shift]))[2][:, 0]
        first, second = float(weight.sum()), float(np.square(weight).sum())
        chance = (len(weight) - 1) * first / max(first**2 - second, 1e-300)
        return drift**2 / (drift**2 + chance)


def _log_choose(n: Floats, k: NDArray[Any]) -> Floats:
    chosen: Floats = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    return chosen
