"""Which cline to speak of: free ends only where the sites rule out a simpler cline and both ends lie among them.

A sigmoid with free ends can put its rise between any two groups of sites, and an end where nobody looked. It gains more
from noise than AICc charges for, so the gain is judged against surveys drawn from the simpler cline.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from morphcline.stats.cline_models import sigmoid, stepped, stepped_share
from morphcline.stats.cline_screen import Screen, Sites, intra_site_correlation
from morphcline.stats.likelihood import Floats, Maximum, MeanFunction
from morphcline.stats.neighbours import nearest
from morphcline.stats.overdispersion import effective_number
from morphcline.stats.residual_moran import NEIGHBOURS, moran_of_residuals

#: Expected frequencies are kept this far from 0 and 1 where shells are drawn or residuals standardised.
MARGIN = 1e-6


@dataclass(frozen=True)
class Candidate:
    """A model's maximum of the likelihood; ``bearing`` in radians, 0 for flat.

    ``maximum.parameters`` are those of the model's mean function with logit rho last; for linear, the logits of the
    lower and of the higher end. ``fixed_ends``: tails lead to 0 and 1, as in the sigmoid that they are added to.
    """

    model: str
    bearing: float
    maximum: Maximum
    fixed_ends: bool = False

    @property
    def ends_free(self) -> bool:
        """Whether the ends of a sigmoid are fitted."""
        return self.model != "sigmoid" and not self.fixed_ends


def tangent(data: Sites, fitted: Candidate) -> tuple[Floats, Floats]:
    """Return a fitted model's frequencies at the sites (n,) and their derivatives by its parameters (n, k)."""
    at = fitted.maximum.parameters[:-1]
    n = len(data.total)
    if fitted.model == "flat":
        return np.full(n, expit(at[0])), np.ones((n, 1))
    if fitted.model == "linear":
        along = data.along(fitted.bearing)
        first, last = expit(at)
        p = first + (last - first) * (along - along.min()) / np.ptp(along)
        columns = [np.ones(n), along]
        if data.axis is None:
            columns.append(data.along(fitted.bearing + np.pi / 2))
        return p, np.column_stack(columns)
    p, slopes = curve(data, fitted)(at)
    return p, slopes[:, kept_parameters(data, fitted)]


def curve(data: Sites, fitted: Candidate) -> MeanFunction:
    """Return a sigmoid's function of its parameters, with tails or without."""
    if fitted.model.startswith("sigmoid"):
        return sigmoid(data.easting, data.northing, ends_free=fitted.ends_free)
    symmetric = fitted.model == "stepped, symmetric tails"
    return stepped(data.easting, data.northing, ends_free=fitted.ends_free, symmetric=symmetric)


def kept_parameters(data: Sites, fitted: Candidate) -> list[int]:
    """Return which parameters of a sigmoid, with tails or without, are fitted, rho left out."""
    ends = [3, 4] if fitted.ends_free else []
    turned = [2] if data.axis is None else []
    return [0, 1, *turned, *ends, *range(5, len(fitted.maximum.parameters) - 1)]


def standardised(data: Sites, fitted: Candidate) -> tuple[Floats, Floats]:
    """Return residuals over their beta-binomial standard deviation (n,), and the derivatives likewise (n, k)."""
    p, slopes = tangent(data, fitted)
    p = np.clip(p, MARGIN, 1 - MARGIN)
    root = np.sqrt(effective_number(data.total, intra_site_correlation(fitted.maximum)) / (p * (1 - p)))
    return (data.count / data.total - p) * root, root[:, None] * slopes


def p_free_ends(data: Sites, simpler: Candidate, screen: Screen, rng: np.random.Generator, draws: int) -> float:
    """Return how often surveys drawn from a simpler cline look as much like a sigmoid with free ends.

    Parameters
    ----------
    data : Sites
    simpler : Candidate
        The linear cline, or the sigmoid from 0 to 1.
    screen : Screen
        The sigmoids tried.
    rng : numpy.random.Generator
    draws : int
        Surveys drawn, beta-binomial, with the same sites and sample sizes.

    Notes
    -----
    Parametric bootstrap (Davison & Hinkley 1997, chapter 4). A sigmoid with free ends is a level, plus a multiple of a
    sigmoid shape g. So what a survey leaves over from the simpler cline, once refitted by one weighted least-squares
    step, is regressed on a level, the simpler cline and g; the statistic is the share of squares that the best g of the
    screen takes. It is a score test, so no draw needs a search of its own.
    """
    p, slopes = tangent(data, simpler)
    p = np.clip(p, MARGIN, 1 - MARGIN)
    rho = intra_site_correlation(simpler.maximum)
    root = np.sqrt(effective_number(data.total, rho) / (p * (1 - p)))
    before = basis_of(root[:, None] * slopes)
    between = basis_of(root[:, None] * np.column_stack([slopes, np.ones_like(p), p]))
    shapes = screen.g * root
    whole = np.einsum("ij,ij->i", shapes, shapes)
    shapes = shapes - (shapes @ between) @ between.T
    left = np.einsum("ij,ij->i", shapes, shapes)
    told_apart = left > 1e-6 * whole
    shapes = shapes[told_apart] / np.sqrt(left[told_apart])[:, None]
    counts = np.vstack([data.count, drawn_counts(data.total, p, rho, rng, draws)])
    over = ((counts / data.total - p) * root).T
    over -= before @ (before.T @ over)
    squares = np.einsum("ij,ij->j", over, over)
    over -= between @ (between.T @ over)
    rest = np.einsum("ij,ij->j", over, over) - ((shapes @ over) ** 2).max(axis=0, initial=0.0)
    taken = 1 - rest / np.maximum(squares, 1e-300)
    return float((1 + np.count_nonzero(taken[1:] >= taken[0] - 1e-12)) / (1 + draws))


def drawn_counts(total: Floats, p: Floats, rho: float, rng: np.random.Generator, draws: int) -> Floats:
    """Return (draws, n) beta-binomial counts of so many surveys."""
    chance = np.broadcast_to(p, (draws, len(p)))
    if rho > 0:
        tau = (1 - rho) / rho
        chance = rng.beta(np.maximum(p * tau, MARGIN), np.maximum((1 - p) * tau, MARGIN), size=chance.shape)
    return rng.binomial(np.rint(total).astype(np.int64), chance).astype(np.float64)


def basis_of(columns: Floats) -> Floats:
    """Return an orthonormal basis of what the columns span."""
    scaled = columns / np.maximum(np.linalg.norm(columns, axis=0), 1e-300)
    vectors, sizes, _ = np.linalg.svd(scaled, full_matrices=False)
    return np.asarray(vectors[:, sizes > 1e-8 * sizes[0]])


def span_seen(data: Sites, fitted: Candidate) -> float:
    """Return the share of the way from end to end that a model's curve covers between the outermost sites."""
    if fitted.model == "flat":
        return np.nan
    if fitted.model == "linear":
        return 1.0
    along = data.along(fitted.bearing)
    centre, log_width = fitted.maximum.parameters[:2]
    u = 4 * (np.array([along.min(), along.max()]) - centre) / np.exp(log_width)
    if fitted.model.startswith("stepped"):
        join, before = fitted.maximum.parameters[5:7]
        beyond = fitted.maximum.parameters[-2]
        first, last = stepped_share(u, float(join), float(np.exp(before)), float(np.exp(beyond)))[0]
    else:
        first, last = expit(u)
    return float(last - first)


def spacing_about(data: Sites, fitted: Candidate, place: Floats, *, sites: int = 20) -> float:
    """Return the median distance to the nearest neighbour of the sites nearest a cline's centre along its axis."""
    away = np.abs(data.along(fitted.bearing) - fitted.maximum.parameters[0])
    about = place[np.argsort(away, kind="stable")[:sites]]
    apart = np.hypot(*(about[:, None] - place[None]).transpose(2, 0, 1))
    return float(np.median(np.where(apart > 0, apart, np.inf).min(axis=1)))


def residual_moran(data: Sites, fitted: Candidate, place: Floats) -> tuple[float, float]:
    """Return Moran's I of what a model leaves over at the sites, and its two-sided p.

    Parameters
    ----------
    data : Sites
    fitted : Candidate
    place : (n, 2) array
        The sites on the map.

    Notes
    -----
    Pearson residuals (rate-adjusted: over their beta-binomial standard deviation) and row-standardised weights of the
    eight nearest neighbours; moments for regression residuals (Cliff & Ord 1981), with the model's derivatives in place
    of the regression's columns.
    """
    residual, slopes = standardised(data, fitted)
    if not residual.any():
        return np.nan, np.nan
    neighbours = nearest(place[:, 0], place[:, 1], NEIGHBOURS)
    return moran_of_residuals(residual, basis_of(slopes), neighbours)
