"""Whether a cline describes its sites: smoothed residuals against those of surveys drawn from it."""

from __future__ import annotations

import numpy as np

from morphcline.stats.cline_choice import MARGIN, Candidate, basis_of, drawn_counts, tangent
from morphcline.stats.cline_screen import Sites, intra_site_correlation
from morphcline.stats.likelihood import Floats
from morphcline.stats.overdispersion import effective_number

#: Standard deviations of the bumps that residuals are averaged with, over the farthest site's distance from the origin:
#: on the map, and along the cline (our choice: the sizes of what a map would show and one line of change would miss).
ON_THE_MAP, ALONG = (0.2, 0.4), 0.15

#: A bump needs so many sites within twice its standard deviation.
_FEWEST_NEAR = 3


def p_fit(
    data: Sites, fitted: Candidate, place: Floats, rng: np.random.Generator, draws: int = 199
) -> tuple[float, float]:
    """Return how often surveys drawn from a fitted model depart from it as much, and that p-value's standard error.

    Parameters
    ----------
    data : Sites
    fitted : Candidate
    place : (n, 2) array
        The sites on the map.
    rng : numpy.random.Generator
    draws : int

    Notes
    -----
    Residuals over their beta-binomial standard deviation are averaged under Gaussian bumps, some all over the map and
    some along the cline; the statistic is the mean square of these averages over their standard errors (le Cessie & van
    Houwelingen 1991), over the mean square of the residuals themselves. It is compared with that of beta-binomial
    surveys drawn from the fit, each refitted by one weighted least-squares step (Davison & Hinkley 1997, chapter 4).

    Neither the deviance nor Pearson's chi-square would do: the intra-site correlation rho is fitted, and takes up
    whatever the model misses, so that chi-square comes out near its degrees of freedom for any model. Dividing by the
    residuals' own mean square has the effect of fitting rho anew in every draw.

    Small where shells of neighbouring places depart from the model alike: a trait that rises and falls again, an area
    of its own, a curved front; drift over kilometres likewise.
    """
    p, slopes = tangent(data, fitted)
    p = np.clip(p, MARGIN, 1 - MARGIN)
    rho = intra_site_correlation(fitted.maximum)
    root = np.sqrt(effective_number(data.total, rho) / (p * (1 - p)))
    basis = basis_of(root[:, None] * slopes)
    groups = [_bumps(place / data.unit_m, size) for size in ON_THE_MAP]
    if fitted.model != "flat":
        groups.append(_bumps(data.along(fitted.bearing)[:, None], ALONG))
    counts = np.vstack([data.count, drawn_counts(data.total, p, rho, rng, draws)])
    over = ((counts / data.total - p) * root).T
    over -= basis @ (basis.T @ over)
    squares = np.maximum(np.einsum("ij,ij->j", over, over), 1e-300)
    if not over[:, 0].any():
        return 1.0, 0.0
    seen = np.zeros(draws + 1)
    for bumps in groups:
        # Standard errors of averages of residuals that have been fitted to, not of raw ones.
        free = bumps - basis @ (basis.T @ bumps)
        length = np.einsum("ij,ij->j", free, free)
        free = free[:, length > 1e-6] / np.sqrt(length[length > 1e-6])
        seen += np.mean((free.T @ over) ** 2, axis=0) / squares
    value = float((1 + np.count_nonzero(seen[1:] >= seen[0] * (1 - 1e-12))) / (1 + draws))
    return value, float(np.sqrt(value * (1 - value) / draws))


def _bumps(where: Floats, size: float) -> Floats:
    """Return Gaussian bumps around a lattice over the places, each of unit length, (n, bumps)."""
    lines = [np.arange(axis.min(), axis.max() + size, size) for axis in where.T]
    knots = np.stack(np.meshgrid(*lines, indexing="ij"), axis=-1).reshape(-1, where.shape[1])
    apart = ((where[:, None, :] - knots[None]) ** 2).sum(axis=2) / size**2
    bumps = np.exp(-apart / 2)[:, (apart < 4).sum(axis=0) >= _FEWEST_NEAR]
    return np.asarray(bumps / np.linalg.norm(bumps, axis=0))
