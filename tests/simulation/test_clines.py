"""Clines over invented surveys: intervals as given for the model chosen, and the tests that choose it."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest
from scipy.special import logit

from morphcline.stats.cline_models import stepped_share
from morphcline.stats.clines import Clines, fit_clines
from simulation.proof import Case, Wanted, check
from simulation.surveys import SIDE_M, Floats, clustered, counts, scattered, sigmoid, sizes, smooth_field

#: Direction of the planted clines: oblique to the square.
BEARING_DEG = 65.0
#: Draws of the tests that choose the model.
DRAWS = 99

FREE, PLAIN = (0.15, 0.85), (0.0, 1.0)


def places_of(rng: np.random.Generator, sites: int, clusters: int) -> Floats:
    if clusters:
        return clustered(rng, sites, clusters=clusters, spread_m=3000.0)
    return scattered(rng, sites)


def along(places: Floats) -> tuple[Floats, float]:
    """Return distances along the planted bearing from the middle of the square, and of the mean of the sites."""
    bearing = np.deg2rad(BEARING_DEG)
    middle = np.full(2, SIDE_M / 2)
    direction = np.array([np.sin(bearing), np.cos(bearing)])
    return (places - middle) @ direction, float((places.mean(axis=0) - middle) @ direction)


def fitted(rng: np.random.Generator, places: Floats, p: Floats, rho: float) -> Clines:
    total = sizes(rng, len(places))
    return fit_clines(*places.T, counts(rng, p, total, rho=rho), total, rng=rng, permutations=DRAWS)


def holds(low: float, high: float, truth: float) -> bool:
    """Return whether limits hold the truth; one left open holds everything on its side."""
    return not (truth < low or truth > high)


def one_cline(
    rng: np.random.Generator, *, sites: int, width: float, ends: tuple[float, float], rho: float, clusters: int = 0,
    field_sd: float = 0.0, field_range_m: float = 5000.0,
) -> dict[str, float]:  # fmt: skip
    places = places_of(rng, sites, clusters)
    s, shift = along(places)
    p = ends[0] + (ends[1] - ends[0]) * sigmoid(4 * s / width)
    if field_sd:
        p = sigmoid(
            logit(np.clip(p, 1e-9, 1 - 1e-9)) + field_sd * smooth_field(rng, places, range_m=field_range_m)[:, 0]
        )
    found = fitted(rng, places, p, rho)
    chosen = next(fit for fit in found.fits if fit.model == found.chosen)
    right = found.chosen == ("sigmoid, free ends" if ends == FREE else "sigmoid")
    told = {
        "p_flat": found.p_flat <= 0.05,
        "the model chosen is right": right,
        "p_free_ends": found.p_free_ends <= 0.05 if np.isfinite(found.p_free_ends) else np.nan,
        # Of the right model alone: another one doesn't describe the sites, and its p is power.
        "p_fit": chosen.p_fit <= 0.05 if right else np.nan,
        "p_tails": found.p_tails <= 0.05 if np.isfinite(found.p_tails) else np.nan,
        "tails are chosen": chosen.model.startswith("stepped"),
        "a step is claimed": chosen.step,
        "the model is said to fail": chosen.fails if right else np.nan,
    }
    if chosen.model.startswith("s"):
        told["centre"] = holds(chosen.centre_low, chosen.centre_high, -shift)
        told["width"] = holds(chosen.width_low, chosen.width_high, width)
        low, high = ((limit - BEARING_DEG + 180) % 360 - 180 for limit in (chosen.bearing_low, chosen.bearing_high))
        told["bearing"] = holds(low, high, 0.0)
        told["length of the width's interval over the width"] = (chosen.width_high - chosen.width_low) / width
    else:
        told |= dict.fromkeys(("centre", "width", "bearing", "length of the width's interval over the width"), np.nan)
    return told


def no_cline(rng: np.random.Generator, *, sites: int, rho: float, clusters: int = 0) -> dict[str, float]:
    places = places_of(rng, sites, clusters)
    found = fitted(rng, places, np.full(sites, 0.3), rho)
    # The flat model's own test of fit: told of those surveys in which flat is kept, nearly all.
    flat = found.fits[0]
    return {"p_flat": found.p_flat <= 0.05, "p_fit": flat.p_fit <= 0.05 if found.chosen == "flat" else np.nan}


def with_tails(
    rng: np.random.Generator, *, sites: int, rho: float, width: float, share: float, slopes: tuple[float, float]
) -> dict[str, float]:
    places = scattered(rng, sites)
    s, _ = along(places)
    p = stepped_share(4 * s / width, -float(logit(share)), *slopes)[0]
    found = fitted(rng, places, 0.03 + 0.94 * p, rho)
    chosen = next(fit for fit in found.fits if fit.model == found.chosen)
    told = {
        "tails are seen (p_tails)": found.p_tails <= 0.05,
        "tails are chosen": chosen.model.startswith("stepped"),
        "asymmetry (p_asymmetric)": found.p_asymmetric <= 0.05 if np.isfinite(found.p_asymmetric) else np.nan,
        "width of the central step": np.nan,
        "slope of the tail": np.nan,
    }
    if chosen.model == "stepped, symmetric tails":
        told["width of the central step"] = holds(chosen.width_low, chosen.width_high, width)
        told["slope of the tail"] = holds(chosen.slope_min_low, chosen.slope_min_high, slopes[0])
    return told


def no_line(rng: np.random.Generator, *, sites: int, rho: float, what: str) -> dict[str, float]:
    places = scattered(rng, sites)
    s, _ = along(places)
    if what == "area":
        away = np.hypot(*(places - [12_000.0, 26_000.0]).T)
        p = 0.15 + 0.55 * sigmoid(-4 * (away - 9000) / 1500)
    else:  # a morph that rises with one trait and falls with another
        p = sigmoid(4 * (s + 5000) / 12_000) * sigmoid(-4 * (s - 5000) / 12_000)
    found = fitted(rng, places, p, rho)
    chosen = next(fit for fit in found.fits if fit.model == found.chosen)
    return {
        "p_fit": chosen.p_fit <= 0.05,
        "the model is said to fail": chosen.fails,
        "a step is claimed": chosen.step,
    }


CONSERVATIVE = (
    "more than 0.98 is on the safe side: the limits allow for free ends too, and for likeness among neighbours "
    "that is estimated even where there is none"
)
COVERED = {name: Wanted("coverage", note=CONSERVATIVE) for name in ("centre", "width", "bearing")}
FIT = Wanted("size", note="of the surveys in which the right model is chosen; low is on the safe side")
CHOICE = {
    "p_fit": FIT,
    "p_tails": Wanted("size"),
    "the model chosen is right": Wanted("power"),
    "a step is claimed": Wanted("mean", high=0.02),
}

CASES = (
    Case(
        "60 sites, a cline of 12 km from 0.15 to 0.85 over 40 km, rho 0.1",
        partial(one_cline, sites=60, width=12_000.0, ends=FREE, rho=0.1),
        COVERED | {"p_flat": Wanted("power"), "the model chosen is right": Wanted("power")},
    ),
    Case(
        "120 sites, the same cline, rho 0.07",
        partial(one_cline, sites=120, width=12_000.0, ends=FREE, rho=0.07),
        COVERED | CHOICE,
    ),
    Case(
        "120 sites in 12 clusters, the same cline, rho 0.07",
        partial(one_cline, sites=120, width=12_000.0, ends=FREE, rho=0.07, clusters=12),
        COVERED | {"p_fit": FIT},
    ),
    Case(
        "120 sites, a cline of 30 km from 0 to 1, rho 0.07",
        partial(one_cline, sites=120, width=30_000.0, ends=PLAIN, rho=0.07),
        COVERED | CHOICE | {"p_free_ends": Wanted("size")},
    ),
    Case(
        "120 sites, the cline of 12 km with drift: logits alike, sd 0.3, range 5 km",
        partial(one_cline, sites=120, width=12_000.0, ends=FREE, rho=0.07, field_sd=0.3),
        COVERED | {"p_fit": Wanted("power")},
    ),
    Case(
        "120 sites, one frequency of 0.3, rho 0.1",
        partial(no_cline, sites=120, rho=0.1),
        {"p_flat": Wanted("size"), "p_fit": FIT},
    ),
    Case(
        "140 sites, a central step of 3 km between equal tails of slope 0.15 from a share of 0.25, rho 0.05",
        partial(with_tails, sites=140, rho=0.05, width=3000.0, share=0.25, slopes=(0.15, 0.15)),
        {
            "tails are seen (p_tails)": Wanted("power"),
            "tails are chosen": Wanted("power"),
            "asymmetry (p_asymmetric)": Wanted("size"),
            "width of the central step": Wanted("coverage"),
            "slope of the tail": Wanted("coverage"),
        },
        quick=50,
    ),
    Case(
        "120 sites, an area of its own of 9 km radius, 0.7 in it and 0.15 outside, rho 0.05",
        partial(no_line, sites=120, rho=0.05, what="area"),
        {
            "p_fit": Wanted("power"),
            "the model is said to fail": Wanted("power"),
            "a step is claimed": Wanted("mean", high=0.02),
        },
        quick=50,
    ),
    Case(
        "120 sites, a morph that rises and falls again, up to 0.7, rho 0.05",
        partial(no_line, sites=120, rho=0.05, what="hump"),
        {
            "p_fit": Wanted("power"),
            "the model is said to fail": Wanted("power"),
            "a step is claimed": Wanted("mean", high=0.02),
        },
        quick=50,
    ),
)


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_rates_are_as_promised(case: Case) -> None:
    check(case)
