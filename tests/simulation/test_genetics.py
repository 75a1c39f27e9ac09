"""Alleles, association, differentiation and isolation by distance over invented surveys."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from morphcline.stats.alleles import mean_alleles, series_limits
from morphcline.stats.association import exact_limits, regional_association
from morphcline.stats.change import cochran_mantel_haenszel
from morphcline.stats.differentiation import among_sites, by_habitat
from morphcline.stats.isolation import isolation_by_distance, pairwise_differentiation
from morphcline.stats.over_sites import draw_sites
from simulation.proof import Case, Wanted, check
from simulation.surveys import Floats, clustered, counts, scattered, sigmoid, sizes, smooth_field

DRAWS = 199


def holds(low: float, truth: float, high: float) -> float:
    """Return whether an interval holds the truth; NaN where there is no interval."""
    return np.nan if np.isnan(low) or np.isnan(high) else float(low <= truth <= high)


def beta(rng: np.random.Generator, mean: float, rho: float, sites: int) -> Floats:
    return rng.beta(mean * (1 - rho) / rho, (1 - mean) * (1 - rho) / rho, sites)


def one_site_alleles(rng: np.random.Generator, *, shells: int) -> dict[str, float]:
    brown, pink, yellow = truth = rng.dirichlet([2.0, 4.0, 6.0])
    phenotypes = [1 - (1 - brown) ** 2, (pink + yellow) ** 2 - yellow**2, yellow**2]
    low, high = series_limits(*rng.multinomial(shells, phenotypes))
    return {
        f"{name} allele": holds(low[i], truth[i], high[i]) for i, name in enumerate(("brown", "pink", "yellow"))
    }  # fmt: skip


def mean_allele(rng: np.random.Generator, *, sites: int, mean: float, f: float) -> dict[str, float]:
    shells = sizes(rng, sites)
    recessive = rng.binomial(shells.astype(int), beta(rng, mean, f, sites) ** 2)
    found = mean_alleles(np.column_stack([shells - recessive, recessive]), rho=f).frequency[1]
    return {"mean allele": holds(found.low, mean, found.high), "estimate over truth": found.estimate / mean}


def four_cells(first: float, second: float, d_prime: float) -> Floats:
    most = (
        min(first * (1 - second), (1 - first) * second)
        if d_prime > 0
        else min(first * second, (1 - first) * (1 - second))
    )
    both = first * second + d_prime * most
    return np.array([both, first - both, second - both, 1 - first - second + both])


def one_site_association(rng: np.random.Generator, *, shells: int) -> dict[str, float]:
    first, second, d_prime = rng.uniform(0.15, 0.85), rng.uniform(0.15, 0.85), rng.uniform(-0.9, 0.9)
    cells = four_cells(first, second, d_prime)
    limits = exact_limits(rng.multinomial(shells, cells).reshape(2, 2))
    d = cells[0] - first * second
    return {
        "D′ at a site": holds(float(limits.d_prime_low), d_prime, float(limits.d_prime_high)),
        "D at a site": holds(float(limits.d_low), d, float(limits.d_high)),
    }


def association_over_sites(rng: np.random.Generator, *, sites: int, d_prime: float, rho: float) -> dict[str, float]:
    shells = sizes(rng, sites).astype(int)
    tables = np.array(
        [
            rng.multinomial(n, four_cells(a, b, d_prime))
            for n, a, b in zip(shells, beta(rng, 0.4, rho, sites), beta(rng, 0.5, rho, sites), strict=True)
        ]
    ).reshape(-1, 2, 2)
    within = regional_association(tables, draw_sites(sites, draws=DRAWS, rng=rng)).d_prime_within
    return {"D′ within sites": holds(within.low, d_prime, within.high)}


def common_odds_ratio(rng: np.random.Generator, *, sites: int, log_odds: float, spread: float) -> dict[str, float]:
    shells = sizes(rng, sites).astype(int)
    tables = []
    for n, first, base in zip(shells, beta(rng, 0.4, 0.08, sites), beta(rng, 0.5, 0.08, sites), strict=True):
        with_it = rng.binomial(n, first)
        lifted = sigmoid(np.log(base / (1 - base)) + log_odds + spread * rng.standard_normal())
        a, c = rng.binomial(with_it, lifted), rng.binomial(n - with_it, base)
        tables.append([[a, with_it - a], [c, n - with_it - c]])
    found = regional_association(np.array(tables), draw_sites(sites, draws=DRAWS, rng=rng)).odds_ratio
    told = {"odds ratio, by sites": holds(found.low, float(np.exp(log_odds)), found.high)}
    if spread == 0:
        one = cochran_mantel_haenszel(tables)
        told["odds ratio, by shells"] = holds(one.low, float(np.exp(log_odds)), one.high)
    return told


def fst_of_beta_binomial(rng: np.random.Generator, *, sites: int, frequency: float, rho: float) -> dict[str, float]:
    total = sizes(rng, sites)
    count = counts(rng, np.full(sites, frequency), total, rho=rho)
    found = among_sites(np.column_stack([count, total - count]), draws=DRAWS, rng=rng)
    return {"F_ST": holds(found.low, rho, found.high), "estimate over truth": found.fst_corrected / rho}


def fst_across_a_cline(rng: np.random.Generator, *, sites: int) -> dict[str, float]:
    rho = 0.06
    along = np.linspace(-15.0, 15.0, 20_001)

    def mean_at(s: Floats) -> Floats:
        return 0.15 + 0.7 * sigmoid(4 * s / 9)

    every = mean_at(along)
    truth = (every.var() + rho * np.mean(every * (1 - every))) / (every.mean() * (1 - every.mean()))
    total = sizes(rng, sites)
    count = counts(rng, mean_at(rng.uniform(-15, 15, sites)), total, rho=rho)
    found = among_sites(np.column_stack([count, total - count]), draws=DRAWS, rng=rng)
    return {"F_ST": holds(found.low, float(truth), found.high)}


def habitats(rng: np.random.Generator, *, sites: int, means: tuple[float, ...], rho: float) -> dict[str, float]:
    of = np.arange(sites) % len(means)
    each = np.array(means)
    total = sizes(rng, sites)
    count = counts(rng, each[of], total, rho=rho)
    kinds = np.column_stack([count, total - count])
    between, within = by_habitat(kinds, of.astype(str), shuffles=DRAWS, rng=rng)
    truth = each.var(ddof=1) / (each.var(ddof=1) + np.mean(each * (1 - each)))
    told = {"F_ST of sites within habitats": holds(within.low, rho, within.high), "habitats differ": between.p <= 0.05}
    if truth > 0:
        told["F_ST of habitats"] = holds(between.low, float(truth), between.high)
    return told


def isolation(rng: np.random.Generator, *, sites: int, kind: str, rho: float) -> dict[str, float]:
    """Analyse sites drawn from many places of one region, whose slope over all its pairs is the truth."""
    many = max(500, 4 * sites)
    places = clustered(rng, many, clusters=12, spread_m=2000.0) if kind == "clusters" else scattered(rng, many)
    if kind == "nothing":
        mean = np.full(many, 0.3)
    elif kind == "cline":
        mean = 0.15 + 0.7 * sigmoid(4 * (places[:, 0] - 20_000) / 9000)
    else:
        mean = sigmoid(-0.5 + 0.8 * smooth_field(rng, places, range_m=5000.0)[:, 0])
    total = sizes(rng, sites)
    count = counts(rng, mean[:sites], total, rho=rho)
    pairs = pairwise_differentiation(np.column_stack([count, total - count]), *places[:sites].T)
    found = isolation_by_distance(pairs, draw_sites(sites, draws=DRAWS, rng=rng), permutations=DRAWS, rng=rng)
    return {
        "slope": holds(found.low, _slope_of_region(mean, places, rho), found.high),
        "Mantel's test": found.p <= 0.05,
    }


def _slope_of_region(mean: Floats, places: Floats, rho: float) -> float:
    """Return the slope per doubling over all pairs of places, shells without number at each."""
    first, second = np.triu_indices(len(mean), 1)
    own = rho * mean * (1 - mean)
    excess = (mean[first] - mean[second]) ** 2 + own[first] + own[second]
    apart = np.hypot(*(places[first] - places[second]).T)
    return float(np.polyfit(np.log2(apart), excess / np.mean(2 * (1 - rho) * mean * (1 - mean)), 1)[0])


COVERAGE = Wanted("coverage")
COLOURS = dict.fromkeys(("brown allele", "pink allele", "yellow allele"), COVERAGE)
AT_SITE = dict.fromkeys(("D′ at a site", "D at a site"), COVERAGE)
FST = {"F_ST": COVERAGE, "estimate over truth": Wanted("mean", 0.95, 1.05)}
WITHIN = {"F_ST of sites within habitats": COVERAGE}
SLOPE = {"slope": COVERAGE}

CASES = (
    *(Case(f"alleles of the colour series in one sample of {n} shells, frequencies at random",
           partial(one_site_alleles, shells=n), COLOURS, quick=400) for n in (30, 100)),
    *(Case(f"a recessive allele of mean {mean} and F {f}, {sites} samples of some 30 shells",
           partial(mean_allele, sites=sites, mean=mean, f=f),
           {"mean allele": COVERAGE, "estimate over truth": Wanted("mean", 0.95, 1.05)}, quick=100)
      for sites, mean, f in ((12, 0.6, 0.1), (40, 0.2, 0.06), (150, 0.3, 0.05))),
    *(Case(f"two characters in one sample of {n} shells, frequencies and D′ at random",
           partial(one_site_association, shells=n), AT_SITE, quick=300) for n in (30, 100)),
    *(Case(f"D′ {d} at each of {sites} samples of some 30 shells, rho {rho}",
           partial(association_over_sites, sites=sites, d_prime=d, rho=rho), {"D′ within sites": COVERAGE})
      for sites, d, rho in ((12, -0.5, 0.06), (40, 0.0, 0.1), (100, 0.6, 0.06))),
    Case("odds ratio 3 at each of 60 samples of some 30 shells, rho 0.08",
         partial(common_odds_ratio, sites=60, log_odds=np.log(3.0), spread=0.0),
         {"odds ratio, by sites": COVERAGE, "odds ratio, by shells": COVERAGE}),
    Case("odds ratio 1 with a spread of 0.5 (log) among 60 samples, rho 0.08",
         partial(common_odds_ratio, sites=60, log_odds=0.0, spread=0.5), {"odds ratio, by sites": COVERAGE}),
    *(Case(f"{sites} samples of some 30 shells, frequency {p}, F_ST {rho}, beta-binomial",
           partial(fst_of_beta_binomial, sites=sites, frequency=p, rho=rho), FST)
      for sites, p, rho in ((12, 0.3, 0.1), (60, 0.1, 0.05), (150, 0.3, 0.1))),
    Case("100 samples across a cline, rho 0.06", partial(fst_across_a_cline, sites=100), {"F_ST": COVERAGE}),
    Case("60 samples of five habitats that are alike, rho 0.06",
         partial(habitats, sites=60, means=(0.3,) * 5, rho=0.06), {**WITHIN, "habitats differ": Wanted("size")},
         quick=200),
    Case("150 samples of six habitats that differ (0.1 to 0.3), rho 0.06",
         partial(habitats, sites=150, means=(0.1, 0.1, 0.1, 0.15, 0.2, 0.3), rho=0.06),
         {**WITHIN, "habitats differ": Wanted("power"), "F_ST of habitats": COVERAGE}, quick=200),
    Case("60 samples without any pattern in space, rho 0.1", partial(isolation, sites=60, kind="nothing", rho=0.1),
         {"slope": Wanted("coverage", note="wider than it need be where nothing is there: the outer of two intervals"),
          "Mantel's test": Wanted("size")}, quick=80),
    *(Case(f"{sites} samples, {words}", partial(isolation, sites=sites, kind=kind, rho=rho),
           {**SLOPE, "Mantel's test": Wanted("power")}, quick=40)
      for sites, kind, rho, words in (
          (60, "field", 0.06, "a field of range 5 km, rho 0.06"),
          (100, "clusters", 0.06, "in clusters, a field of range 5 km, rho 0.06"),
          (100, "cline", 0.06, "a cline, rho 0.06"))),
)  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_rates_are_as_promised(case: Case) -> None:
    check(case)
