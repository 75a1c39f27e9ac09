"""What the page is given: tables of the study as published, rasters as pictures, curves and lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.render.labels import STANDARD_DENOMINATORS, Denominators
from morphcline.render.webmap.grids import Grid

#: Species and trait.
Key = tuple[str, str]
#: Corners as (longitude, latitude).
Path = Sequence[tuple[float, float]]


@dataclass(frozen=True)
class Profile:
    """A trait's cline along its axis.

    Parameters
    ----------
    text : str
        What it shows, in a sentence or two.
    sites : DataFrame
        ``site, distance_m``: of places as published.
    at_m, fit, low, high : (m,) arrays
        The curve and its band.
    centre : tuple of float
        Its distance along the axis and the limits of that; NaN where not known.
    fits : bool
        Whether the model describes the map.
    """

    text: str
    sites: pd.DataFrame
    at_m: NDArray[np.float64]
    fit: NDArray[np.float64]
    low: NDArray[np.float64]
    high: NDArray[np.float64]
    centre: tuple[float, float, float]
    fits: bool = True


@dataclass(frozen=True)
class Correlogram:
    """A trait's correlogram.

    Parameters
    ----------
    text : str
    classes : DataFrame
        ``from_m, to_m, mean_m, pairs, moran_i, expected, envelope_low, envelope_high, p_holm``.
    reach : tuple of float
        The reach and its limits; NaN where there is none.
    """

    text: str
    classes: pd.DataFrame
    reach: tuple[float, float, float]


@dataclass(frozen=True)
class CentreLine:
    """Where a cline has its centre, in degrees: pieces of the line, and rings of its band."""

    lines: Sequence[Path]
    bands: Sequence[Path]


@dataclass(frozen=True)
class Wording:
    """Sentences and numbers of the study's settings that the page says as they are.

    Parameters
    ----------
    confidence : str
        Of the intervals, such as ``"95%"``.
    level : float
        At which a distance class counts as significant.
    min_shells, min_total : int
        What makes a sample large enough.
    blank : str
        What keeps a surface from having a value, for the legend.
    clusters, places, zones, paired, outline : str
        How local clusters were found; what was done to places; what steep zones are; which places were paired; what
        the lines under the map are.
    """

    confidence: str
    level: float
    min_shells: int
    min_total: int
    blank: str
    clusters: str
    places: str
    zones: str
    paired: str
    outline: str = ""


@dataclass(frozen=True)
class PageData:
    """What the page shows.

    Parameters
    ----------
    title, period : str
        ``period`` such as ``"2019 to 2024"``.
    sites : DataFrame
        ``site, name, lon, lat`` (where drawn), ``x_m, y_m`` (as published, in the study's CRS), ``blur_m,
        position_uncertainty_m, habitat, habitat_share, habitat_noted, temperature_c``; no place where it is withheld.
    frequencies, regional, local : DataFrame
        ``frequencies.csv``, ``regional.csv`` and ``local.csv``.
    change : DataFrame
        Rows of ``change.csv`` that are pairs of places.
    crs : str
        Of ``x_m, y_m``.
    wording : Wording
    among : mapping
        Denominators by trait.
    rings : sequence
        Lines of the study area (closed) and of the backdrop.
    grids : mapping
        Rasters, of the traits that have any.
    steepest : float
        Gradient at the top of the scale of steepness, per kilometre.
    contours : mapping
        Levels and lines along which a trait's surface has them.
    profiles, correlograms, centres : mapping
        Of the traits that have such.
    """

    title: str
    period: str
    sites: pd.DataFrame
    frequencies: pd.DataFrame
    regional: pd.DataFrame
    local: pd.DataFrame
    change: pd.DataFrame
    crs: str
    wording: Wording
    among: Denominators = field(default_factory=lambda: STANDARD_DENOMINATORS)
    rings: Sequence[Path] = ()
    grids: Mapping[Key, Grid] = field(default_factory=dict)
    steepest: float = 0.0
    contours: Mapping[Key, Sequence[tuple[float, Path]]] = field(default_factory=dict)
    profiles: Mapping[Key, Profile] = field(default_factory=dict)
    correlograms: Mapping[Key, Correlogram] = field(default_factory=dict)
    centres: Mapping[Key, CentreLine] = field(default_factory=dict)
