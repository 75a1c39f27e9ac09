"""Frequencies along a cline, with their derivatives by the parameters.

The models (s is the distance along a bearing from an origin, counted to where the frequency rises):

flat
    p is the same everywhere.
linear
    p itself changes evenly with s, from p_min at the first site to p_max at the last, both within 0 and 1. So its
    width is the whole stretch surveyed, and its centre the middle of it.
sigmoid
    p = expit(4 (s - centre) / width): from 0 to 1. It is the straight line on the logit scale, logit p = a + b s
    with centre -a / b and width 4 / b, so that line is not a model of its own: a second row with the same likelihood
    would count twice in the Akaike weights.
sigmoid, free ends
    p = p_min + (p_max - p_min) expit(4 (s - centre) / width).

Width is (p_max - p_min) divided by the greatest gradient in each model (Haldane 1948; Barton & Hewitt 1985).
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit

from morphcline.stats.likelihood import Floats, MeanFunction


def flat(n: int) -> MeanFunction:
    """Return the model of one frequency for n sites; its parameter is the logit."""

    def mean(parameters: Floats) -> tuple[Floats, Floats]:
        p = expit(parameters[0])
        return np.full(n, p), np.full((n, 1), p * (1 - p))

    return mean


def logit_linear(design: Floats) -> MeanFunction:
    """Return the model logit p = design @ parameters; design is (n, k)."""

    def mean(parameters: Floats) -> tuple[Floats, Floats]:
        p = expit(design @ parameters)
        return p, design * (p * (1 - p))[:, None]

    return mean


def sigmoid(easting: Floats, northing: Floats, *, ends_free: bool = True) -> MeanFunction:
    """Return the sigmoid between two ends along a bearing.

    Parameters
    ----------
    easting, northing : (n,) arrays
        From the origin, in any one unit.
    ends_free : bool
        False: the ends are 0 and 1 whatever their parameters.

    Returns
    -------
    callable
        Of (centre, log width, bearing in radians clockwise from north, logit of the end before, of the end beyond).
    """

    def mean(parameters: Floats) -> tuple[Floats, Floats]:
        centre, log_width, bearing, before, beyond = parameters
        steepness = 4 * np.exp(-log_width)
        sine, cosine = np.sin(bearing), np.cos(bearing)
        eta = steepness * (easting * sine + northing * cosine - centre)
        g = expit(eta)
        first, last = (expit(before), expit(beyond)) if ends_free else (0.0, 1.0)
        slope = (last - first) * g * (1 - g)
        slopes = np.empty((len(easting), 5))
        slopes[:, 0] = -steepness * slope
        slopes[:, 1] = -eta * slope
        slopes[:, 2] = steepness * (easting * cosine - northing * sine) * slope
        slopes[:, 3] = first * (1 - first) * (1 - g)
        slopes[:, 4] = last * (1 - last) * g
        return first + (last - first) * g, slopes

    return mean


def even_gradient(fraction: Floats) -> MeanFunction:
    """Return the model in which p changes evenly; its parameters are the logits of p at fractions 0 and 1.

    Parameters
    ----------
    fraction : (n,) array
        Of the way from the first to the last site along the bearing, 0 to 1.
    """

    def mean(parameters: Floats) -> tuple[Floats, Floats]:
        first, last = expit(parameters)
        slopes = np.column_stack([first * (1 - first) * (1 - fraction), last * (1 - last) * fraction])
        return first + (last - first) * fraction, slopes

    return mean
