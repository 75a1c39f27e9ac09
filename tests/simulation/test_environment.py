"""Habitat and temperature: tests under covariates that do nothing, intervals and power under ones that do.

Covariates and frequencies both vary smoothly over the country, independently of each other: the hard case, in which
whatever ignores space finds associations that are none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import stdtrit

from morphcline.stats.environment import Environment, Term, degrees_of_freedom, fit_environment
from morphcline.stats.habitat_pairs import ANY_OTHER, Matchings, compare_habitats
from morphcline.stats.marginal_effects import marginal_effects
from morphcline.stats.spatial_errors import SpatialErrors
from simulation.proof import Case, Wanted, check
from simulation.surveys import clustered, counts, scattered, sigmoid, sizes, smooth_field

Floats = NDArray[np.float64]

SIDE_M, SITES, RHO, LEVEL = 20_000.0, 120, 0.06, 0.05
WOOD, PER_DEGREE = -0.7, 0.4


@dataclass(frozen=True)
class Country:
    """Sites with their surroundings, and the logit of a frequency that has nothing to do with them."""

    easting: Floats
    northing: Floats
    habitat: NDArray[np.str_]
    temperature_c: Floats
    logit: Floats
    paired_within_m: float


def country(
    rng: np.random.Generator, *, in_clusters: bool, surroundings_m: float, trait_m: float, base: float, spread: float
) -> Country:
    places = (
        clustered(rng, SITES, clusters=12, spread_m=800.0, side_m=SIDE_M)
        if in_clusters
        else scattered(rng, SITES, side_m=SIDE_M)
    )
    warm, cover = smooth_field(rng, places, range_m=surroundings_m, fields=2).T
    low, high = np.quantile(cover, [0.3, 0.65])
    habitat = np.where(cover > high, "woodland", np.where(cover < low, "short grass", "hedgerow"))
    field = smooth_field(rng, places, range_m=trait_m)[:, 0] if spread else np.zeros(SITES)
    return Country(
        places[:, 0], places[:, 1], habitat, 11 + warm, base + spread * field, 1000.0 if in_clusters else 2000.0
    )


def analysed(rng: np.random.Generator, place: Country, logit: Floats) -> tuple[Environment, Floats, Floats]:
    total = sizes(rng, SITES)
    count = counts(rng, sigmoid(logit), total, rho=RHO)
    errors = SpatialErrors(place.easting, place.northing)
    return fit_environment(count, total, list(place.habitat), place.temperature_c, errors), count, total


def term_of(found: Environment, name: str) -> Term:
    """Return a term, or one without numbers."""
    return next((term for term in found.terms if term.name == name), Term(name))


def rejected(p: float) -> float:
    return float(p < LEVEL) if np.isfinite(p) else np.nan


def without_effects(rng: np.random.Generator, **kind: object) -> Mapping[str, float]:
    place = country(rng, **kind)  # type: ignore[arg-type]
    found, count, total = analysed(rng, place, place.logit)
    warm, habitats = term_of(found, "temperature_c"), term_of(found, "habitat")
    matchings = Matchings(place.easting, place.northing, list(place.habitat), within_m=place.paired_within_m)
    rho = found.model.naive.rho if found.model else 1.0
    pairs = {pair.habitat_one: pair for pair in compare_habitats(count, total, matchings, rho)
             if pair.habitat_other == ANY_OTHER}  # fmt: skip
    return {
        "temperature, space ignored": rejected(warm.p_naive),
        "temperature, spatial model": rejected(warm.p_spatial),
        "temperature, least squares": rejected(warm.p_gls),
        "temperature, modified t": rejected(warm.p_modified_t),
        "habitats together, space ignored": rejected(habitats.p_naive),
        "habitats together, spatial model": rejected(habitats.p_spatial),
        "habitats together, least squares": rejected(habitats.p_gls),
        "woodland against any other, paired sites": rejected(pairs["woodland"].p),
    }


def with_effects(rng: np.random.Generator, *, steep: bool, **kind: object) -> Mapping[str, float]:
    """Plant fewer in woods and more where it is warm, on a steep cline or in a patchy country."""
    place = country(rng, **kind)  # type: ignore[arg-type]
    wood = place.habitat == "woodland"
    if steep:
        # From 0.15 to 0.85 across 9 of 20 km, as a cline has it.
        along = sigmoid(4 * (place.easting - SIDE_M / 2) / 9000.0)
        ramp = 0.15 + 0.7 * along
        other = np.log(ramp / (1 - ramp)) + place.logit
    else:
        other = place.logit
    logit = other + WOOD * wood + PER_DEGREE * (place.temperature_c - 11)
    found, count, total = analysed(rng, place, logit)
    woods, warm = term_of(found, "habitat: woodland"), term_of(found, "temperature_c")
    if found.model is None or not np.isfinite(woods.estimate):
        return dict.fromkeys(WITH_EFFECTS, np.nan)
    effects = {effect.term: effect for effect in marginal_effects(found.model, found.terms)}
    rest = logit - WOOD * wood
    true_wood = float((sigmoid(rest + WOOD) - sigmoid(rest)).mean())
    true_degree = float((sigmoid(logit + PER_DEGREE / 2) - sigmoid(logit - PER_DEGREE / 2)).mean())
    points, degree = effects["habitat: woodland"], effects["temperature_c"]
    matchings = Matchings(place.easting, place.northing, list(place.habitat), within_m=place.paired_within_m)
    pairs = next(pair for pair in compare_habitats(count, total, matchings, found.model.naive.rho)
                 if (pair.habitat_one, pair.habitat_other) == ("woodland", ANY_OTHER))  # fmt: skip
    at = matchings.between("woodland", ANY_OTHER)
    near = np.concatenate([at.one, at.other])
    true_pairs = float((sigmoid(rest[near] + WOOD) - sigmoid(rest[near])).mean()) if len(near) else np.nan
    half = float(stdtrit(degrees_of_freedom(woods.effective_sites, found.model), 0.975)) * woods.se_gls
    return {
        "woodland, coefficient": woods.low <= WOOD <= woods.high,
        "temperature, coefficient": warm.low <= PER_DEGREE <= warm.high,
        "woodland, points": points.low <= true_wood <= points.high,
        "temperature, points": degree.low <= true_degree <= degree.high,
        "woodland, points, space ignored": points.low_naive <= true_wood <= points.high_naive,
        "woodland, least squares": abs(woods.estimate_gls - WOOD) <= half,
        "woodland, paired sites": pairs.low <= true_pairs <= pairs.high if np.isfinite(pairs.low) else np.nan,
        "woodland, estimate over truth": woods.estimate / WOOD,
        "woodland, least squares over truth": woods.estimate_gls / WOOD,
        "temperature, estimate over truth": warm.estimate / PER_DEGREE,
        "woodland is seen, spatial model": rejected(woods.p_spatial),
        "woodland is seen, paired sites": rejected(pairs.p),
        "temperature is seen, spatial model": rejected(warm.p_spatial),
    }


TOLD = Wanted("size", 0.0, 1.0, "for comparison: this is why sites can't be taken as independent")
CAREFUL = Wanted("size", 0.0, 0.07, "holds no other covariate; careful where both vary over long distances")
PAIRED = Wanted("size", 0.02, 0.07, "few pairs, so t has few degrees of freedom")
SECOND = Wanted("size", note="a second answer; a little careful where sites cluster, which the table leaves so")
WITHOUT_EFFECTS = {
    "temperature, space ignored": TOLD,
    "temperature, spatial model": Wanted("size"),
    "temperature, least squares": SECOND,
    "temperature, modified t": CAREFUL,
    "habitats together, space ignored": TOLD,
    "habitats together, spatial model": Wanted("size"),
    "habitats together, least squares": SECOND,
    "woodland against any other, paired sites": PAIRED,
}
LARGER = (
    "of shells drawn from a site's own frequency, which varies about the model's: their logits lie farther apart than "
    "the logit of the mean; the table calls it a second answer"
)
WITH_EFFECTS = {
    "woodland, coefficient": Wanted("coverage"),
    "temperature, coefficient": Wanted("coverage"),
    "woodland, points": Wanted("coverage"),
    "temperature, points": Wanted("coverage"),
    "woodland, points, space ignored": Wanted("coverage", 0.0, 1.0, "for comparison"),
    "woodland, least squares": Wanted("coverage", 0.90, 1.0, LARGER),
    "woodland, paired sites": Wanted("coverage"),
    "woodland, estimate over truth": Wanted("mean", 0.9, 1.1),
    "woodland, least squares over truth": Wanted("mean", 0.9, 1.2, LARGER),
    "temperature, estimate over truth": Wanted("mean", 0.9, 1.1),
    "woodland is seen, spatial model": Wanted("power"),
    "woodland is seen, paired sites": Wanted("power"),
    "temperature is seen, spatial model": Wanted("power"),
}
_PATCHY = {"in_clusters": False, "surroundings_m": 8000.0, "trait_m": 5000.0, "base": 0.0, "spread": 1.0}

CASES = (
    Case(
        "120 sites, surroundings alike over 8 km and frequencies over 5 km, no effect, rho 0.06",
        partial(without_effects, **_PATCHY),
        WITHOUT_EFFECTS,
        quick=60,
    ),
    Case(
        "the same, sites in 12 clusters",
        partial(without_effects, **{**_PATCHY, "in_clusters": True}),
        WITHOUT_EFFECTS,
        quick=60,
    ),
    Case(
        "the same, both alike over 20 km, as far as the region reaches",
        partial(without_effects, **{**_PATCHY, "surroundings_m": 20_000.0, "trait_m": 20_000.0}),
        WITHOUT_EFFECTS,
        quick=60,
    ),
    Case(
        "the same, frequencies about 0.18 and alike over 2 km",
        partial(without_effects, **{**_PATCHY, "trait_m": 2000.0, "base": -1.5}),
        WITHOUT_EFFECTS,
        quick=60,
    ),
    Case(
        "120 sites without likeness of near ones, no effect, rho 0.06",
        partial(without_effects, **{**_PATCHY, "spread": 0.0}),
        WITHOUT_EFFECTS,
        quick=60,
    ),
    Case(
        "120 sites on a cline 9 km wide, woodland -0.7 and 0.4 per degree on the logit, rho 0.06",
        partial(with_effects, steep=True, **{**_PATCHY, "surroundings_m": 3000.0, "spread": 0.0}),
        WITH_EFFECTS,
        quick=60,
    ),
    Case(
        "120 sites in 12 clusters, frequencies alike over 5 km, the same effects",
        partial(with_effects, steep=False, **{**_PATCHY, "surroundings_m": 3000.0, "in_clusters": True}),
        WITH_EFFECTS,
        quick=60,
    ),
)


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_rates_are_as_promised(case: Case) -> None:
    check(case)
