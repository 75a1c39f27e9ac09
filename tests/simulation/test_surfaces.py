"""Surfaces over invented surveys: intervals at places of the map, and the squared error of two choices of bandwidth."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np
import pytest
import shapely

from morphcline.places.area import sites_area
from morphcline.stats.overdispersion import effective_number, fit_beta_binomial
from morphcline.stats.site_blocks import blocks_like_the_map
from morphcline.stats.smoothing import Family, Smoothed, Task, smooth
from morphcline.stats.surface_field import fit_field
from morphcline.stats.surface_settling import Settled, Survey, settle
from simulation.proof import Case, Wanted, check
from simulation.surveys import SIDE_M, Floats, clustered, counts, scattered, sigmoid, sizes, wavy_field

Truth = Callable[[Floats], Floats]

#: Places of the map that are asked for in each survey.
PLACES = 300
#: Nearer to the border of the area than this is its edge.
EDGE_M = 3_000.0


def across(rng: np.random.Generator, *, scale_m: float, low: float, high: float) -> Truth:
    """Return a sigmoid in any direction through the region's middle; from 0 to 1 it is a plane on the logit."""
    bearing = rng.uniform(0.0, 2.0 * np.pi)
    direction = np.array([np.sin(bearing), np.cos(bearing)])
    return lambda places: low + (high - low) * sigmoid((places - SIDE_M / 2) @ direction / scale_m)


def rolling(rng: np.random.Generator, *, range_m: float, spread: float) -> Truth:
    """Return a smooth random field on the logit."""
    field = wavy_field(rng, range_m=range_m)
    return lambda places: sigmoid(spread * field(places))


PLANE = partial(across, scale_m=8_000.0, low=0.0, high=1.0)
# 15 km wide by the steepest gradient.
SIGMOID = partial(across, scale_m=3_750.0, low=0.2, high=0.8)
FIELD = partial(rolling, range_m=10_000.0, spread=0.8)


def places_of(rng: np.random.Generator, sites: Floats) -> tuple[Floats, Floats]:
    """Return places spread over the area that the stage would map, and their distance from its border."""
    area = sites_area(*sites.T)
    west, south, east, north = area.bounds
    tried = rng.uniform((west, south), (east, north), (20 * PLACES, 2))
    places = tried[shapely.contains_xy(area, *tried.T)][:PLACES]
    return places, shapely.distance(shapely.boundary(area), shapely.points(places))


def map_of(
    rng: np.random.Generator, sites: Floats, count: Floats, total: Floats, places: Floats
) -> tuple[Smoothed, Settled, Callable[[float], Smoothed]]:
    """Return the surface as the stage makes it, what it rests on, and the surface of any other bandwidth."""
    survey = Survey(sites, count[:, None], total)
    blocks = blocks_like_the_map(sites, places, rng)
    assert blocks is not None
    settled = settle(survey, rho=fit_beta_binomial(count, total).rho, blocks=blocks.number)
    shells = effective_number(total, settled.rho)

    def surface(bandwidth: float) -> Smoothed:
        fitted = survey.fitted(bandwidth, settled.rho)
        field = fit_field(sites, count / total, shells, fitted[:, 0])
        family = Family((0,), False, np.full(len(places), bandwidth), settled.rho, (field,))
        return smooth(Task(places, sites, count[:, None], total[:, None], fitted, (family,), "gaussian", 1, 30.0))

    return surface(settled.used.bandwidth), settled, surface


def one_survey(
    rng: np.random.Generator, *, truth: Callable[[np.random.Generator], Truth], sites: int, clusters: int, rho: float
) -> dict[str, float]:
    planted = truth(rng)
    where = clustered(rng, sites, clusters=clusters, spread_m=1_500.0) if clusters else scattered(rng, sites)
    total = sizes(rng, sites)
    count = counts(rng, planted(where), total, rho=rho)
    places, from_border = places_of(rng, where)
    drawn, settled, surface = map_of(rng, where, count, total, places)
    missed = drawn.frequency[:, 0] - planted(places)
    shown = np.isfinite(missed)
    held = np.abs(missed) <= 1.96 * drawn.standard_error[:, 0]
    edge = from_border < EDGE_M
    other = surface(settled.one_site.bandwidth) if settled.by_blocks else drawn
    one_site = other.frequency[:, 0] - planted(places)
    both = shown & np.isfinite(one_site)
    return {
        "interval of a cell, interior": _mean(held[shown & ~edge]),
        "interval of a cell, edge": _mean(held[shown & edge]),
        "root mean squared error": np.sqrt(_mean(np.square(missed[shown]))),
        "squared error, less that of single sites left out": _mean(np.square(missed[both]) - np.square(one_site[both])),
        "share of cells shown": float(shown.mean()),
    }


def _mean(values: Floats) -> float:
    return float(np.mean(values)) if len(values) else float("nan")


_EDGE = Wanted(
    "coverage",
    note="within 3 km of the area's border, where the surface reaches on from samples on one side",
)
_LEVEL = Wanted(
    "coverage",
    note="no field is there, but samples can't exclude one, and the standard error allows for it: too wide, told in "
    "the column field_sd_logits",
)
_BORDER_OF_SIGMOID = Wanted(
    "coverage",
    note="the plateaus beyond a wide cline: with rho = 0.1 the samples often can't tell them from a plane on the "
    "logit, which runs past them at the border; told in the surface's standard-error note",
)
_ELSE = {
    "root mean squared error": Wanted("mean"),
    "squared error, less that of single sites left out": Wanted("mean", high=0.0005),
    "share of cells shown": Wanted("mean", low=0.5),
}


def _wanted(interior: Wanted, edge: Wanted) -> dict[str, Wanted]:
    return {"interval of a cell, interior": interior, "interval of a cell, edge": edge, **_ELSE}


def level(rng: np.random.Generator) -> Truth:
    """Return one frequency everywhere."""
    return lambda places: np.full(len(places), 0.3)


CASES = (
    Case(
        "surface of one frequency, 100 scattered sites, rho 0.1",
        partial(one_survey, truth=level, sites=100, clusters=0, rho=0.1), _wanted(_LEVEL, _LEVEL), quick=25,
    ),
    Case(
        "surface of a plane on the logit, 100 scattered sites, rho 0.05",
        partial(one_survey, truth=PLANE, sites=100, clusters=0, rho=0.05), _wanted(_LEVEL, _LEVEL), quick=25,
    ),
    Case(
        "surface of a sigmoid from 0.2 to 0.8, 15 km wide, 150 scattered sites, rho 0.1",
        partial(one_survey, truth=SIGMOID, sites=150, clusters=0, rho=0.1),
        _wanted(Wanted("coverage"), _BORDER_OF_SIGMOID), quick=20,
    ),
    Case(
        "surface of a smooth field of range 10 km, 150 scattered sites, rho 0.07",
        partial(one_survey, truth=FIELD, sites=150, clusters=0, rho=0.07),
        _wanted(Wanted("coverage"), _EDGE), quick=20,
    ),
    Case(
        "surface of a smooth field of range 10 km, 150 sites in 10 clusters, rho 0.07",
        partial(one_survey, truth=FIELD, sites=150, clusters=10, rho=0.07),
        _wanted(Wanted("coverage"), _EDGE), quick=20,
    ),
)  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_rates_are_as_promised(case: Case) -> None:
    check(case)
