"""Steepness of surfaces over invented surveys: limits of the gradient, zones of chance, edges, and zones together."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from morphcline.stats.bandwidth import Rung, correlation_about_surface, left_out_deviance
from morphcline.stats.kernels import Floats
from morphcline.stats.local_likelihood import fit_local
from morphcline.stats.overdispersion import effective_number
from morphcline.stats.steep_surface import either_moved
from morphcline.stats.steep_zones import Ground, find_zones, moved_patterns, overlap, permuted, scatter
from morphcline.stats.steepness import gradients, length_error, length_limits
from simulation.proof import Case, Wanted, check
from simulation.surveys import SIDE_M, clustered, counts, scattered, sigmoid, sizes, smooth_field

RHO = 0.06
BEARING = np.radians(60.0)
ALONG = np.array([np.sin(BEARING), np.cos(BEARING)])
#: Off the middle, so that no symmetry of the region helps.
CENTRE = np.array([17_000.0, 22_000.0])
#: Candidates from which each survey chooses its bandwidth by leaving out sites.
BANDWIDTHS = np.geomspace(2_500.0, 20_000.0, 7)
PERMUTATIONS = 199


def surveyed(rng: np.random.Generator, sites: int, *, clusters: int) -> Floats:
    return clustered(rng, sites, clusters=clusters, spread_m=3_000.0) if clusters else scattered(rng, sites)


def cline(places: Floats, *, width_m: float, low: float, high: float, centre: Floats = CENTRE) -> tuple[Floats, Floats]:
    """Return frequency and gradient (sites, 2) of a sigmoid between two ends, along the bearing."""
    part = sigmoid(4.0 * ((places - centre) @ ALONG) / width_m)
    steep = (high - low) * part * (1.0 - part) * 4.0 / width_m
    return low + (high - low) * part, steep[:, None] * ALONG


def chosen(places: Floats, count: Floats, total: Floats) -> tuple[float, float]:
    """Return the bandwidth that foretells the sites best, and the correlation about its surface."""
    deviance = [left_out_deviance(_rung(h, places, count, total)).sum() for h in BANDWIDTHS]
    bandwidth = float(BANDWIDTHS[int(np.argmin(deviance))])
    rho = correlation_about_surface(
        places, count[:, None], total, bandwidth=bandwidth, rho=RHO, kernel="gaussian", degree=1
    )
    return bandwidth, rho


def _rung(bandwidth: float, places: Floats, count: Floats, total: Floats) -> Rung:
    return Rung(float(bandwidth), places, count[:, None], total, RHO, "gaussian", 1, None, None)


def gradient_of_a_cline(
    rng: np.random.Generator, *, sites: int, width_m: float, low: float, high: float, clusters: int
) -> dict[str, float]:
    places, total = surveyed(rng, sites, clusters=clusters), sizes(rng, sites)
    frequency, _ = cline(places, width_m=width_m, low=low, high=high)
    count = counts(rng, frequency, total, rho=RHO)
    bandwidth, rho = chosen(places, count, total)
    # One place within, one in the middle of the cline, and one at the region's edge, all drawn anew: of a few of each
    # the first where there is an answer.
    across = np.array([ALONG[1], -ALONG[0]])
    drawn = np.vstack(
        [
            rng.uniform(0.15, 0.85, (8, 2)) * SIDE_M,
            CENTRE + across * rng.uniform(-8_000.0, 8_000.0, (8, 1)),
            rng.permuted(np.column_stack([np.full(8, 0.02), rng.uniform(0.1, 0.9, 8)]), axis=1) * SIDE_M,
        ]
    )
    known = np.isfinite(gradients(drawn, places, count, total, bandwidth=bandwidth, rho=rho).corrected[:, 0])
    points = np.vstack([drawn[k : k + 8][np.argmax(known[k : k + 8])] for k in (0, 8, 16)])
    found = gradients(points, places, count, total, bandwidth=bandwidth, rho=rho)
    _, truth = cline(points, width_m=width_m, low=low, high=high)
    length = np.linalg.norm(found.corrected, axis=1)
    lows, highs = length_limits(length, length_error(found.corrected, found.covariance))
    error = np.sqrt(np.einsum("nii->ni", found.covariance))
    told: dict[str, float] = {}
    for k, place in enumerate(("within", "middle", "edge")):
        size = float(np.linalg.norm(truth[k]))
        if not np.isfinite(length[k]):
            told |= {f"{place}: {what}": np.nan for what in ("easting part", "northing part", "size")}
            continue
        for part, name in enumerate(("easting part", "northing part")):
            told[f"{place}: {name}"] = abs(found.corrected[k, part] - truth[k, part]) <= 1.96 * error[k, part]
        told[f"{place}: size"] = lows[k] <= size <= highs[k]
    by_chance = np.sqrt(found.surface_covariance[1, 0, 0])
    told["middle: surface's own, error by chance alone"] = (
        abs(found.surface[1, 0] - truth[1, 0]) <= 1.96 * by_chance if np.isfinite(by_chance) else np.nan
    )
    steepest = (high - low) / width_m
    told["middle: surface over truth"] = float(found.surface[1] @ ALONG) / steepest
    told["middle: corrected over truth"] = float(found.corrected[1] @ ALONG) / steepest
    return told


def edge_of_the_region(rng: np.random.Generator, *, width_m: float, low: float, high: float) -> dict[str, float]:
    """Tell how flat either degree draws a cline that the region cuts off at its middle."""
    sites = 200
    places, total = scattered(rng, sites), sizes(rng, sites)
    bandwidth = width_m / 3.0
    centre = np.array([0.0, SIDE_M / 2])

    def truth(at: Floats) -> Floats:
        return low + (high - low) * sigmoid(4.0 * (at[:, 0] - centre[0]) / width_m)

    count = counts(rng, truth(places), total, rho=RHO)
    edge = np.column_stack([np.zeros(9), np.linspace(0.2, 0.8, 9) * SIDE_M])
    step = width_m / 100.0
    points = np.vstack([edge, edge + np.array([step, 0.0])])
    told = {}
    for degree in (0, 1):
        fit = fit_local(
            points, places, count[:, None], total[:, None], bandwidth=bandwidth, rho=RHO, degree=degree
        ).frequency[:, 0]
        told[f"degree {degree}: frequency at the edge, off by"] = float(np.mean(fit[:9] - truth(edge)))
        slope = fit[9:] - fit[:9]
        told[f"degree {degree}: slope at the edge over truth, less 1"] = (
            float(slope.mean() / np.mean(truth(points)[9:] - truth(edge))) - 1.0
        )
    off, slope = "frequency at the edge, off by", "slope at the edge over truth, less 1"
    told["frequency: degree 1 less a third of degree 0"] = told[f"degree 1: {off}"] - told[f"degree 0: {off}"] / 3
    told["slope: degree 1 less a third of degree 0"] = told[f"degree 1: {slope}"] - told[f"degree 0: {slope}"] / 3
    return told


def zones_of_chance(
    rng: np.random.Generator, *, sites: int, clusters: int, null: str, frequency: float = 0.3, rho: float = 0.08
) -> dict[str, float]:
    places = surveyed(rng, sites, clusters=clusters)
    # Small samples to the east: where sizes follow the place, counts and totals can't be exchanged together.
    total = np.maximum(np.round(sizes(rng, sites) * np.where(places[:, 0] > SIDE_M / 2, 0.5, 1.5)), 3.0)
    truth = np.full(sites, frequency)
    if null == "even slope":
        truth = sigmoid(4.0 * ((places - CENTRE) @ ALONG) / 25_000.0)
    count = counts(rng, truth, total, rho=rho)
    return {"a zone is found": bool(_zones(rng, places, count, total, rho, null)[0].any())}


def zone_of_a_cline(rng: np.random.Generator, *, sites: int, width_m: float, high: float) -> dict[str, float]:
    places, total = scattered(rng, sites), sizes(rng, sites)
    truth, _ = cline(places, width_m=width_m, low=1.0 - high, high=high)
    count = counts(rng, truth, total, rho=RHO)
    zone, points = _zones(rng, places, count, total, RHO, "random")
    away = np.abs((points - CENTRE) @ ALONG)
    beyond, _ = _zones(rng, places, count, total, RHO, "even slope")
    return {
        "the cline is found": bool(zone[away < width_m / 4].any()),
        "share of its middle in the zone": float(zone[away < width_m / 4].mean()),
        "steeper than an even slope is found": bool(beyond[away < width_m / 4].any()),
    }


def _zones(
    rng: np.random.Generator, places: Floats, count: Floats, total: Floats, rho: float, null: str
) -> tuple[np.ndarray, Floats]:
    ax = np.arange(0.0, SIDE_M + 1.0, 2_000.0)
    points = np.stack(np.meshgrid(ax, ax), axis=-1).reshape(-1, 2)
    found = scatter(count, total, places if null == "even slope" else None)
    ground = Ground(points, places, effective_number(total, rho), found.sd, np.full(len(points), 5_000.0))
    drawn = permuted(found.deviation, draws=PERMUTATIONS, rng=rng)
    return np.nan_to_num(find_zones(ground, found.deviation, drawn).p, nan=1.0) <= 0.05, points


def zones_of_two(rng: np.random.Generator, *, kind: str, same: bool, sites: int = 120) -> dict[str, float]:
    places, total = scattered(rng, sites), sizes(rng, sites)
    if kind == "fields":
        logits = 1.6 * smooth_field(rng, places, range_m=10_000.0, fields=2)
        both = sigmoid(logits[:, 0]), sigmoid(-logits[:, 0] if same else logits[:, 1])
    else:
        # Clines that lie anywhere in the region and run any way.
        where, turns = rng.uniform(0.2, 0.8, (2, 2)) * SIDE_M, rng.uniform(0.0, 2 * np.pi, 2)
        lines = [
            0.15 + 0.7 * sigmoid(4.0 * ((places - where[k]) @ [np.sin(turns[k]), np.cos(turns[k])]) / 8_000.0)
            for k in (0, 0 if same else 1)
        ]
        both = lines[0], 1.0 - lines[1]
    ax = np.arange(0.0, SIDE_M + 1.0, 2_500.0)
    points = np.stack(np.meshgrid(ax, ax), axis=-1).reshape(-1, 2)
    tests = []
    for truth in both:
        count = counts(rng, truth, total, rho=RHO)
        null = scatter(count, total)
        ground = Ground(points, places, effective_number(total, RHO), null.sd, np.full(len(points), 5_000.0))
        zones = find_zones(ground, null.deviation, permuted(null.deviation, draws=99, rng=rng))
        tests.append((ground, null, zones))
    if not all((zones.statistic >= zones.critical).any() for _, _, zones in tests):
        return {"they are said to coincide": np.nan}
    found = []
    for (_, _, stays), (ground, null, moved) in (tests, tests[::-1]):
        drawn = moved_patterns(places, null.deviation, draws=PERMUTATIONS, rng=rng)
        found.append(
            overlap(
                ground, null.deviation, drawn, critical=moved.critical, other=stays.statistic / stays.critical,
                weight=np.ones(len(points)),
            )
        )  # fmt: skip
    return {"they are said to coincide": either_moved(*found).p <= 0.05}


SAFE = "more than 0.98 is on the safe side: half of the correction counts as an error where nothing is blurred"
WIDE = "lowest where clustered sites leave the bandwidth wide: the limits' docstring says what stays of the blur"
PARTS = {
    f"{place}: {what}": Wanted(
        "coverage",
        note={"within: northing part": SAFE, "edge: northing part": SAFE, "middle: easting part": WIDE}.get(
            f"{place}: {what}", ""
        ),
    )
    for place in ("within", "middle", "edge")
    for what in ("easting part", "northing part", "size")
}
TOLD = {
    "middle: surface's own, error by chance alone": Wanted(
        "mean", note="how often an interval without the blur holds the truth; not what is given as limits"
    ),
    "middle: surface over truth": Wanted("mean", note="what smoothing leaves of the steepest gradient"),
    "middle: corrected over truth": Wanted("mean"),
}
EDGE = {
    f"degree {degree}: {what}": Wanted("mean", note=note)
    for degree in (0, 1)
    for what, note in (
        ("frequency at the edge, off by", ""),
        ("slope at the edge over truth, less 1", "below 0 the cline looks wider than it is"),
    )
} | {
    "frequency: degree 1 less a third of degree 0": Wanted("mean", high=0.0, note="degree 0 draws too high here"),
    "slope: degree 1 less a third of degree 0": Wanted("mean", low=0.0, note="degree 0 draws too flat here"),
}

CASES = (
    *(
        Case(
            f"{sites} {where} of some 30 shells, rho {RHO}, cline {width / 1000:g} km wide from {low:g} to {high:g}",
            partial(gradient_of_a_cline, sites=sites, width_m=width, low=low, high=high, clusters=clusters),
            PARTS | TOLD,
            quick=60,
        )
        for sites, width, low, high, clusters, where in (
            (120, 16_000.0, 0.0, 1.0, 0, "sites"),
            (120, 10_000.0, 0.15, 0.85, 0, "sites"),
            (200, 10_000.0, 0.15, 0.85, 15, "clustered sites"),
        )
    ),
    *(
        Case(
            f"200 sites, the region's edge cuts a cline {width / 1000:g} km wide, {low:g} to {high:g}, in the middle; "
            "bandwidth a third of the width",
            partial(edge_of_the_region, width_m=width, low=low, high=high),
            EDGE,
            quick=100,
        )
        for width, low, high in ((9_000.0, 0.0, 1.0), (9_000.0, 0.1, 0.9))
    ),
    *(
        Case(
            f"{sites} {'clustered ' if clusters else ''}sites, smaller samples to the east, rho 0.08, {null}",
            partial(zones_of_chance, sites=sites, clusters=clusters, null=null.split(",")[0], frequency=frequency),
            {"a zone is found": Wanted("size")},
            quick=60,
        )
        for sites, clusters, null, frequency in (
            (100, 0, "random, frequency 0.3", 0.3),
            (100, 12, "random, frequency 0.3", 0.3),
            (60, 0, "random, frequency 0.1", 0.1),
            (100, 0, "even slope", 0.5),
            (100, 12, "even slope", 0.5),
        )
    ),
    *(
        Case(
            f"100 sites, rho {RHO}, cline {width / 1000:g} km wide between {1 - high:.2g} and {high:g}",
            partial(zone_of_a_cline, sites=100, width_m=width, high=high),
            {
                "the cline is found": Wanted("power"),
                "share of its middle in the zone": Wanted("mean"),
                "steeper than an even slope is found": Wanted("power"),
            },
            quick=40,
        )
        for width, high in ((8_000.0, 0.7), (8_000.0, 0.9))
    ),
    *(
        Case(
            f"120 sites, two {kind} {words}",
            partial(zones_of_two, kind=kind, same=same),
            {"they are said to coincide": Wanted(rate)},
            quick=40,
        )
        for kind, same, words, rate in (
            ("clines", False, "that lie anywhere, 8 km wide", "size"),
            ("fields", False, "that vary by themselves, range 10 km", "size"),
            ("clines", True, "in one place, 8 km wide", "power"),
        )
    ),
)  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_rates_are_as_promised(case: Case) -> None:
    check(case)
