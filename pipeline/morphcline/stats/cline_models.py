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
stepped, symmetric tails; stepped, asymmetric tails
    p = p_min + (p_max - p_min) g(4 (s - centre) / width), where g is the sigmoid between the shares q and 1 - q of the
    way from end to end, and goes on outside as an exponential decay towards either end (Szymura & Barton 1986, 1991):
    g(u) = q exp(sqrt(theta) (u + j)) for u < -j, and its mirror image beyond j, with q = expit(-j). A barrier or
    selection on many linked genes makes such a central step; tails shallower than the sigmoid's own have a theta below
    1. Fitted are the join j and the tails' slopes r = sqrt(theta) / (1 - q): the gradient just outside the step over
    that just inside, 1 where nothing changes. Symmetric: one r; asymmetric: one at either end. The ends are those of
    the sigmoid that the tails are added to: 0 and 1, or free.

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


#: Limits of the join j, where the tails take over at shares 0.45 and 0.007, and of a tail's slope r.
JOIN, SLOPE = (0.2, 5.0), (0.01, 1.0)


def stepped_share(u: Floats, join: float, before: float, beyond: float) -> tuple[Floats, Floats]:
    """Return the share of the way from end to end of a stepped cline, and its derivatives.

    Parameters
    ----------
    u : (n,) array
        4 (s - centre) / width.
    join : float
        Where the tails take over, at -join and join.
    before, beyond : float
        Slopes r of the tails.

    Returns
    -------
    share : (n,) array
    derivatives : (n, 4) array
        By u, join, log before and log beyond.

    Examples
    --------
    Half way at the centre; a tail of slope 1 goes on as steeply as the sigmoid came:

    >>> share, derivatives = stepped_share(np.array([0.0, -1.0 - 1e-9, -1.0 + 1e-9]), 1.0, 1.0, 0.5)
    >>> share.round(4)
    array([0.5   , 0.2689, 0.2689])
    >>> derivatives[:, 0].round(4)
    array([0.25  , 0.1966, 0.1966])
    """
    share = expit(u)
    derivatives = np.zeros((len(u), 4))
    derivatives[:, 0] = share * (1 - share)
    q = float(expit(-join))
    for side, slope, column in ((-1.0, before, 2), (1.0, beyond, 3)):
        out = side * u > join
        rate = slope * (1 - q)
        past = side * u[out] - join  # how far beyond the join
        left = q * np.exp(-rate * past)
        share[out] = left if side < 0 else 1 - left
        derivatives[out, 0] = rate * left
        derivatives[out, 1] = -side * left * (-(1 - q) + rate - past * rate * q)
        derivatives[out, column] = side * past * rate * left
    return share, derivatives


def stepped(easting: Floats, northing: Floats, *, ends_free: bool = True, symmetric: bool = True) -> MeanFunction:
    """Return the sigmoid with exponential tails along a bearing.

    Returns
    -------
    callable
        Of (centre, log width, bearing in radians clockwise from north, logit of the end before, of the end beyond,
        join, log slope of the tail before, log slope of the tail beyond); symmetric: without the last one.
    """

    def mean(parameters: Floats) -> tuple[Floats, Floats]:
        centre, log_width, bearing, before, beyond, join = parameters[:6]
        slope_before, slope_beyond = np.exp(parameters[6]), np.exp(parameters[-1])
        steepness = 4 * np.exp(-log_width)
        sine, cosine = np.sin(bearing), np.cos(bearing)
        u = steepness * (easting * sine + northing * cosine - centre)
        g, derivatives = stepped_share(u, join, slope_before, slope_beyond)
        first, last = (expit(before), expit(beyond)) if ends_free else (0.0, 1.0)
        shape = (last - first) * derivatives
        slopes = np.empty((len(easting), len(parameters)))
        slopes[:, 0] = -steepness * shape[:, 0]
        slopes[:, 1] = -u * shape[:, 0]
        slopes[:, 2] = steepness * (easting * cosine - northing * sine) * shape[:, 0]
        slopes[:, 3] = first * (1 - first) * (1 - g)
        slopes[:, 4] = last * (1 - last) * g
        slopes[:, 5] = shape[:, 1]
        if symmetric:
            slopes[:, 6] = shape[:, 2] + shape[:, 3]
        else:
            slopes[:, 6:] = shape[:, 2:]
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
