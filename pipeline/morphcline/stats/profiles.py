"""Profile-likelihood limits of one parameter: where twice the drop in log-likelihood reaches chi-square's quantile."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morphcline.stats.likelihood import Maximum

#: The best fit with the parameter held at a value, searched from the parameters given.
Refit = Callable[[float, NDArray[np.float64]], Maximum]


@dataclass(frozen=True)
class ProfileLimit:
    """One end of a profile interval.

    Attributes
    ----------
    value : float
        NaN when the profile doesn't fall far enough within the bound.
    better : Maximum or None
        A better fit than the supposed maximum, met on the way.
    """

    value: float
    better: Maximum | None


def profile_limit(
    best: Maximum, refit: Refit, *, at: float, first_step: float, bound: float, target: float
) -> ProfileLimit:
    """Return the limit of a parameter on one side.

    Parameters
    ----------
    best : Maximum
    refit : callable
    at : float
        The parameter's value at the maximum.
    first_step : float
        From ``at`` towards ``bound``; its sign doesn't matter.
    bound : float
        The search ends here.
    target : float
        Root of the chi-square quantile, 1.96 for 95 %.

    Notes
    -----
    The signed root of the drop, sqrt(2 (l_max - l)), is nearly straight in the parameter (Venzon & Moolgavkar 1988
    discuss the profile), so that a few secant steps find the crossing. Each refit starts where the last one ended.
    """
    direction = np.sign(bound - at)
    inside, inside_root, warm = at, 0.0, best.parameters
    step = min(abs(first_step), abs(bound - at) / 2)
    outside, outside_root = np.nan, np.nan
    for _ in range(40):
        value = at + direction * min(step, abs(bound - at))
        fit = refit(value, warm)
        if fit.log_likelihood > best.log_likelihood + 1e-3:
            return ProfileLimit(np.nan, fit)
        root = _root(best, fit)
        if root >= target:
            outside, outside_root = value, root
            break
        if abs(value - at) >= abs(bound - at):
            return ProfileLimit(np.nan, None)
        inside, inside_root, warm = value, root, fit.parameters
        step *= float(np.clip(1.15 * target / max(root, 1e-6), 1.3, 4.0))
    if np.isnan(outside):
        return ProfileLimit(np.nan, None)
    return _close_in(best, refit, warm, (inside, inside_root), (outside, outside_root), at, target)


def _close_in(
    best: Maximum,
    refit: Refit,
    warm: NDArray[np.float64],
    inside: tuple[float, float],
    outside: tuple[float, float],
    at: float,
    target: float,
) -> ProfileLimit:
    for attempt in range(40):
        share = (target - inside[1]) / (outside[1] - inside[1])
        # Where the profile jumps, a secant creeps along one side; halving now and then ends that.
        share = 0.5 if attempt % 3 == 2 else float(np.clip(share, 0.02, 0.98))
        value = inside[0] + share * (outside[0] - inside[0])
        fit = refit(value, warm)
        if fit.log_likelihood > best.log_likelihood + 1e-3:
            return ProfileLimit(np.nan, fit)
        root = _root(best, fit)
        if abs(root - target) < 2e-3:
            return ProfileLimit(value, None)
        if root < target:
            inside, warm = (value, root), fit.parameters
        else:
            outside = (value, root)
        if abs(outside[0] - inside[0]) < 2e-3 * abs(outside[0] - at):
            break
    return ProfileLimit((inside[0] + outside[0]) / 2, None)


def _root(best: Maximum, fit: Maximum) -> float:
    return float(np.sqrt(2 * max(best.log_likelihood - fit.log_likelihood, 0.0)))
