"""How much longer a cline's intervals must be where what it leaves over is alike among neighbours.

The likelihood takes sites as independent. Drift, patches of habitat and history make neighbours alike beyond the cline,
and then many sites say the same thing: its intervals are too short.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from morphcline.stats.cline_choice import Candidate, basis_of, kept_parameters, spacing_about, standardised
from morphcline.stats.cline_screen import Sites
from morphcline.stats.likelihood import Floats
from morphcline.stats.spatial_errors import SpatialErrors

#: Range and share are estimated from so many sites at most, drawn at random; they then hold for all.
MOST_SITES = 400

#: Ranges on the ladder that restricted likelihood chooses from.
_RANGES = 5

#: Sites taken at a time, to bound memory.
_CHUNK = 500


@dataclass(frozen=True)
class Likeness:
    """Correlation of a cline's residuals, share exp(-d / range), and what it does to the intervals.

    Attributes
    ----------
    share : float
        Share of the residuals' variance that neighbours have in common, averaged over what may be true.
    range_m : float
        Likewise, its geometric mean.
    longer : (k,) array
        By the model's parameters (with rho last): standard error with the correlation over the one without, at least 1.
    """

    share: float
    range_m: float
    longer: Floats


def likeness(data: Sites, fitted: Candidate, place: Floats, rng: np.random.Generator) -> Likeness:
    """Return how alike a model's residuals are among neighbours, and how much longer its intervals must be.

    Parameters
    ----------
    data : Sites
    fitted : Candidate
        Of a flat frequency or an even gradient, which have no limits, the likeness alone is told.
    place : (n, 2) array
        The sites on the map, in metres.
    rng : numpy.random.Generator
        Draws the sites for the correlation where there are many.

    Notes
    -----
    The likelihood of independent sites is then a composite one: right for each site, too sure of all together. Its
    estimates remain right, but their covariance is the sandwich A^-1 X'RX A^-1 with A = X'X, X the derivatives of the
    standardised frequencies and R the correlation of the residuals. The signed root of a profile is divided by the
    ratio of the two standard errors, which gives it its nominal distribution again (Chandler & Bate 2007; Pauli,
    Racugno & Ventura 2011). R is exponential with a share of the site's own (a nugget); it is averaged over ranges
    and shares by their restricted likelihood given the derivatives (Patterson & Thompson 1971), since few sites leave
    them uncertain.
    """
    is_sigmoid = fitted.model not in ("flat", "linear")
    residual, slopes = standardised(data, _no_step(data, fitted, place) if is_sigmoid else fitted)
    k = len(fitted.maximum.parameters)
    longer = np.ones(k)
    sites = np.arange(len(residual))
    if len(sites) > MOST_SITES:
        sites = np.sort(rng.choice(sites, MOST_SITES, replace=False))
    errors = _errors(np.ascontiguousarray(place[sites]).tobytes(), len(sites))
    shares = errors.mean_shares(residual[sites], basis_of(slopes[sites]))
    share = float(shares.sum())
    typical = float(np.exp((shares @ np.log(errors.ranges_m)) / max(share, 1e-12)))
    if not is_sigmoid:
        return Likeness(share, typical, longer)
    scale = np.maximum(np.linalg.norm(slopes, axis=0), 1e-12)
    scaled = slopes / scale
    inverse = np.linalg.pinv(scaled.T @ scaled, rcond=1e-10, hermitian=True)
    middle = (1 - share) * scaled.T @ scaled
    for part, range_m in zip(shares, errors.ranges_m, strict=True):
        if part > 1e-3:
            middle += part * (scaled.T @ _decayed(place, float(range_m), scaled))
    naive, robust = np.diag(inverse), np.diag(inverse @ middle @ inverse)
    ratio = np.sqrt(np.maximum(robust, 0.0) / np.maximum(naive, 1e-300))
    longer[kept_parameters(data, fitted)] = np.maximum(ratio, 1.0)
    return Likeness(share, typical, longer)


def _no_step(data: Sites, fitted: Candidate, place: Floats) -> Candidate:
    parameters = fitted.maximum.parameters.copy()
    parameters[1] = max(parameters[1], np.log(2 * spacing_about(data, fitted, place) / data.unit_m))
    return replace(fitted, maximum=replace(fitted.maximum, parameters=parameters))


@lru_cache(maxsize=8)
def _errors(places: bytes, sites: int) -> SpatialErrors:
    """Return the decompositions of these places, which the traits of a species share."""
    easting, northing = np.frombuffer(places, dtype=np.float64).reshape(sites, 2).T
    return SpatialErrors(easting, northing, ranges=_RANGES)


def _decayed(place: Floats, range_m: float, columns: Floats) -> Floats:
    """Return exp(-d / range) @ columns, some rows at a time."""
    rows = []
    for start in range(0, len(place), _CHUNK):
        apart = np.hypot(*(place[start : start + _CHUNK, None] - place[None]).transpose(2, 0, 1))
        rows.append(np.exp(-apart / range_m) @ columns)
    return np.concatenate(rows)
