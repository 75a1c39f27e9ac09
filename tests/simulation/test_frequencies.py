"""Intervals of a site's and a region's frequency, over invented surveys."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from morphcline.stats.overdispersion import fit_beta_binomial, pooled_frequency
from morphcline.stats.proportions import wilson
from simulation.proof import Case, Wanted, check
from simulation.surveys import counts, sizes


def one_region(rng: np.random.Generator, *, frequency: float, rho: float, sites: int) -> dict[str, float]:
    total = sizes(rng, sites)
    count = counts(rng, np.full(sites, frequency), total, rho=rho)
    fitted = fit_beta_binomial(count, total)
    if np.isnan(fitted.rho):  # no shell of the kind was found
        return {"regional frequency": np.nan}
    _, low, high = pooled_frequency(count, total, fitted.rho, degrees_of_freedom=fitted.sites - 1)
    return {"regional frequency": low <= frequency <= high}


def one_site(rng: np.random.Generator, *, shells: int) -> dict[str, float]:
    # The truth differs from site to site, as it does over a region: coverage at one fixed frequency jumps with it.
    frequency = rng.uniform(0.02, 0.98)
    low, high = wilson(np.array([rng.binomial(shells, frequency)]), np.array([shells]))
    return {"frequency of a sample": float(low[0]) <= frequency <= float(high[0])}


SAMPLE = {"frequency of a sample": Wanted("coverage")}

CASES = (
    *(
        Case(f"one sample of {shells} shells", partial(one_site, shells=shells), SAMPLE, quick=500)
        for shells in (10, 30)
    ),
    *(
        Case(
            f"{sites} samples of some 30 shells, frequency {frequency}, rho {rho}",
            partial(one_region, frequency=frequency, rho=rho, sites=sites),
            {"regional frequency": Wanted("coverage")},
            quick=200,
        )
        for frequency, rho, sites in (
            (0.15, 0.1, 12), (0.05, 0.1, 12), (0.5, 0.05, 40), (0.15, 0.1, 40), (0.05, 0.05, 40), (0.15, 0.1, 200),
            (0.05, 0.05, 200),
        )
    ),
)  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_rates_are_as_promised(case: Case) -> None:
    check(case)
