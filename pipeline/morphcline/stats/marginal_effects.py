"""Effects of habitat and temperature in frequency, not on the logit: how many points more, at these sites.

A coefficient of 0.7 is 17 points up from a frequency of one half and 5 from one of 5 %. What a reader can picture is
the difference in frequency that the model foretells when the habitat of every site is one class rather than another, or
when every site is a degree warmer, with all else at each site as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, stdtrit

from morphcline.stats.environment import HABITAT, TEMPERATURE, Model, Term, degrees_of_freedom

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Effect:
    """The mean difference of predicted frequencies over the sites.

    Attributes
    ----------
    term : str
        As in :class:`morphcline.stats.environment.Term`.
    reference : str
        The class compared with; "" for temperature.
    frequency_from, frequency_to : float
        Mean predicted frequency of all sites in the reference class and in the class of the term; half a degree cooler
        and half a degree warmer than they are. Space allowed for.
    effect, low, high : float
        Their difference, space allowed for.
    effect_naive, low_naive, high_naive : float
        The same by the model that takes sites as independent.
    p_spatial, p_holm, p_naive : float
        Of the term, from its coefficient.
    """

    term: str
    reference: str
    frequency_from: float
    frequency_to: float
    effect: float
    low: float
    high: float
    effect_naive: float
    low_naive: float
    high_naive: float
    p_spatial: float
    p_holm: float
    p_naive: float


def marginal_effects(model: Model, terms: Sequence[Term], *, confidence: float = 0.95) -> tuple[Effect, ...]:
    """Return the effect of each habitat class and of temperature.

    Parameters
    ----------
    model : Model
    terms : sequence of Term
        Of this model.
    confidence : float

    Notes
    -----
    The mean over sites of expit(eta + change) - expit(eta), eta with the predicted effect of place; limits by the delta
    method. With place, the variance is that of a function of b and u: g' C g + f' Var(u | b) f, where f is the gradient
    by u, and g by b with what u then becomes. Limits have the t of the term's degrees of freedom, and end at -1 and 1.
    """
    spatial, naive = model.spatial, model.naive
    found = []
    for term in terms:
        if term.name not in model.names[1:]:
            continue
        at = model.names.index(term.name)
        before, after = _designs(model, at)
        with_place = _difference(before, after, spatial.coefficients, spatial.effect)
        freedom = degrees_of_freedom(term.effective_sites, model)
        error = np.sqrt(_variance_with_place(model, with_place))
        alone = _difference(before, after, naive.coefficients, np.zeros(len(model.design)))
        error_alone = np.sqrt(float(alone.by_coefficients @ naive.covariance @ alone.by_coefficients))
        naive_freedom = float(len(model.design) - model.design.shape[1])
        found.append(
            Effect(
                term.name,
                term.reference,
                with_place.before,
                with_place.after,
                *_limits(with_place.value, error, freedom, confidence),
                *_limits(alone.value, error_alone, naive_freedom, confidence),
                term.p_spatial,
                term.p_holm,
                term.p_naive,
            )
        )
    return tuple(found)


@dataclass(frozen=True)
class _Difference:
    before: float
    after: float
    value: float
    by_coefficients: Floats
    by_effect: Floats


def _designs(model: Model, at: int) -> tuple[Floats, Floats]:
    """Return the design with every site in the reference class and in the class of a term, or half a degree apart."""
    before, after = model.design.copy(), model.design.copy()
    if model.names[at] == TEMPERATURE:
        before[:, at] -= 0.5
        after[:, at] += 0.5
        return before, after
    classes = [i for i, name in enumerate(model.names) if name.startswith(f"{HABITAT}: ")]
    before[:, classes] = after[:, classes] = 0.0
    after[:, at] = 1.0
    return before, after


def _difference(before: Floats, after: Floats, coefficients: Floats, effect: Floats) -> _Difference:
    n = len(effect)
    low, high = expit(before @ coefficients + effect), expit(after @ coefficients + effect)
    low_slope, high_slope = low * (1 - low) / n, high * (1 - high) / n
    return _Difference(
        float(low.mean()),
        float(high.mean()),
        float((high - low).mean()),
        after.T @ high_slope - before.T @ low_slope,
        high_slope - low_slope,
    )


def _variance_with_place(model: Model, change: _Difference) -> float:
    """Return the variance of a difference, of which coefficients and the predicted effect of place are both uncertain.

    With K the covariance of u and V that of the working response: u = K V^-1 (z - X b), so b moves u by -K V^-1 X, and
    u given b has the covariance K - K V^-1 K. In units of the sites' own errors, K V^-1 is I - (I + G)^-1.
    """
    spatial = model.spatial
    root = np.sqrt(spatial.weights)
    scaled = change.by_effect / root
    kept = scaled - spatial.inverse @ scaled
    gradient = change.by_coefficients - (root[:, None] * model.design).T @ kept
    return float(gradient @ spatial.covariance @ gradient) + max(float(scaled @ kept), 0.0)


def _limits(value: float, error: float, freedom: float, confidence: float) -> tuple[float, float, float]:
    half = float(stdtrit(freedom, 0.5 + confidence / 2)) * float(error)
    return value, max(value - half, -1.0), min(value + half, 1.0)
