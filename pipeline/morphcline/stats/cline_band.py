"""The fitted frequency along a cline and its confidence band, for drawing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit, logit, ndtri

from morphcline.stats.cline_models import stepped_share

Floats = NDArray[np.float64]

#: Models whose logit is a straight line (or level) in their parameters.
_STRAIGHT_LOGITS = ("flat", "sigmoid")


#: Tails of a cline: the share of the way that is left where they begin, and their slopes at the low and the high end.
Tails = tuple[float, float, float]


@dataclass(frozen=True)
class Band:
    """Frequencies expected at the distances asked for, with the band's limits; each (m,)."""

    frequency: Floats
    low: Floats
    high: Floats


def cline_frequency(
    distance_m: ArrayLike,
    *,
    model: str,
    centre_m: float,
    width_m: float,
    p_min: float,
    p_max: float,
    span_m: tuple[float, float],
    tails: Tails | None = None,
) -> Floats:
    """Return the frequency that a cline has at distances counted to where it rises.

    Parameters
    ----------
    distance_m : array_like
        Counted to where the frequency rises.
    model : {"flat", "linear", "sigmoid", "sigmoid, free ends", "stepped, symmetric tails", "stepped, asymmetric tails"}
        flat: ``p_min`` everywhere; linear: p itself runs straight from ``p_min`` to ``p_max`` over the span;
        sigmoid: logistic, from 0 to 1; with free ends, or stepped, from ``p_min`` to ``p_max``.
    centre_m, width_m : float
        Of the sigmoids; width is the distance over which the greatest gradient would run from end to end.
    p_min, p_max : float
    span_m : tuple of float
        Distances of the outermost sites, between which the linear model runs; it is level beyond.
    tails : tuple of float, optional
        Of a stepped model: tail_share, slope_min, slope_max.

    Raises
    ------
    ValueError
        When the model has another name.
    """
    s = np.asarray(distance_m, dtype=np.float64)
    if model == "flat":
        return np.full(s.shape, p_min)
    if model == "linear":
        return np.asarray(p_min + (p_max - p_min) * _fraction(s, span_m))
    low, high = _ends(model, p_min, p_max)
    return np.asarray(low + (high - low) * _share(4 * (s - centre_m) / width_m, tails)[0])


def confidence_band(
    distance_m: ArrayLike,
    total: ArrayLike,
    at_m: ArrayLike,
    *,
    model: str,
    centre_m: float,
    width_m: float,
    p_min: float,
    p_max: float,
    rho: float,
    confidence: float = 0.95,
    tails: Tails | None = None,
) -> Band:
    """Return a cline's frequencies with their pointwise confidence band, given its bearing and rho.

    Parameters
    ----------
    distance_m, total : (n,) array_like
        Where the sites lie along the cline, and how many shells were judged at each (at least 1).
    at_m : (m,) array_like
        Where the band is wanted.
    model, centre_m, width_m, p_min, p_max, tails
        As for :func:`cline_frequency`: the fitted values.
    rho : float
        Intra-site correlation.
    confidence : float

    Notes
    -----
    Delta method. The covariance of the parameters is the inverse of J' W J with J the derivatives of p at the sites
    and W = n / (p (1 - p) (1 + (n - 1) rho)), the working weights of over-dispersed counts (Williams 1982; McCullagh &
    Nelder 1989). The band is symmetric on the logit scale for the models whose logit is straight or level; for the
    others on the scale of p and cut off at 0 and 1, for an end at 0 or 1 has a logit without bound. In W and on the
    logit scale p is first moved inwards, by half a shell out of all effective ones.
    """
    s, n, at = (np.asarray(values, dtype=np.float64) for values in (distance_m, total, at_m))
    span = (float(s.min()), float(s.max()))

    def curve(where: Floats) -> Floats:
        return cline_frequency(
            where, model=model, centre_m=centre_m, width_m=width_m, p_min=p_min, p_max=p_max, span_m=span, tails=tails
        )

    def slopes(where: Floats) -> Floats:
        if model == "flat":
            return np.ones((len(where), 1))
        if model == "linear":
            along = _fraction(where, span)
            return np.stack([1 - along, along], axis=1)
        ends = _ends(model, p_min, p_max)
        return _sigmoid_slopes(where, model=model, centre_m=centre_m, width_m=width_m, ends=ends, tails=tails)

    effective = n / (1 + (n - 1) * rho)
    shells = float(effective.sum())

    def inside(p: Floats) -> Floats:
        return (p * shells + 0.5) / (shells + 1)

    at_sites, by_site = inside(curve(s)), slopes(s)
    information = (by_site.T * (effective / (at_sites * (1 - at_sites)))) @ by_site
    covariance = np.linalg.pinv(information, hermitian=True)
    frequency, wanted = curve(at), slopes(at)
    variance = np.einsum("ij,jk,ik->i", wanted, covariance, wanted)
    reach = ndtri(0.5 + confidence / 2) * np.sqrt(np.maximum(variance, 0.0))
    if model in _STRAIGHT_LOGITS:
        moved = inside(frequency)
        reach = reach / (moved * (1 - moved))
        low, high = expit(logit(moved) - reach), expit(logit(moved) + reach)
    else:
        low, high = np.clip(frequency - reach, 0.0, 1.0), np.clip(frequency + reach, 0.0, 1.0)
    return Band(frequency, np.minimum(low, frequency), np.maximum(high, frequency))


def _ends(model: str, p_min: float, p_max: float) -> tuple[float, float]:
    if model == "sigmoid":
        return 0.0, 1.0
    if model in ("sigmoid, free ends", "stepped, symmetric tails", "stepped, asymmetric tails"):
        return p_min, p_max
    raise ValueError(
        f"the cline model {model!r} is not one of: flat, linear, sigmoid, sigmoid, free ends, "
        "stepped, symmetric tails, stepped, asymmetric tails"
    )


def _share(u: Floats, tails: Tails | None) -> tuple[Floats, Floats]:
    """Return the share of the way from end to end, and its derivatives by u and the tails' join and log slopes."""
    if tails is None:
        g = expit(u)
        return g, (g * (1 - g))[:, None]
    share, slope_min, slope_max = tails
    return stepped_share(u, -float(logit(share)), slope_min, slope_max)


def _fraction(s: Floats, span_m: tuple[float, float]) -> Floats:
    return np.clip((s - span_m[0]) / (span_m[1] - span_m[0]), 0.0, 1.0)


def _sigmoid_slopes(
    s: Floats, *, model: str, centre_m: float, width_m: float, ends: tuple[float, float], tails: Tails | None
) -> Floats:
    """Return the derivatives of p by centre / width, log width and, where fitted, the ends and the tails; (n, k)."""
    along = (s - centre_m) / width_m
    g, by = _share(4 * along, tails)
    by = by * (ends[1] - ends[0])
    columns = [-4 * by[:, 0], -4 * along * by[:, 0]]
    if model != "sigmoid" and ends != (0.0, 1.0):
        columns += [1 - g, g]
    if tails is not None:
        columns += [by[:, 1], by[:, 2] + by[:, 3]] if model == "stepped, symmetric tails" else [*by[:, 1:].T]
    return np.stack(columns, axis=1)
