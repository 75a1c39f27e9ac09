"""Tests and intervals of change since an earlier survey, over invented pairs of sites."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from morphcline.stats.change import cochran_mantel_haenszel, paired_change
from morphcline.stats.change_pattern import PairsInSpace
from morphcline.stats.paired_shift import paired_shift, shifts_of_pairs
from simulation.proof import Case, Wanted, check
from simulation.surveys import Floats, clustered, counts, scattered, sigmoid, sizes, smooth_field

#: Standard deviation of the sites' levels, in logits.
SPREAD = 1.0

SHELLS_NOTE = (
    "a test of the shells of these very sites, not of the region: under drift it rejects too often; the row's note in "
    "change.csv says so"
)
NEAR_NOTE = "pairs count as independent, which they aren't here; p_moran tells, and the report then gives the other row"
STILL_NOTE = (
    "less often than when pairs count as independent, and still too often: where near sites drift alike, a region is "
    "few independent ones; the row's note says so"
)
SHY_NOTE = "a little shy: some pattern is seen by chance, and allowed for"
PATCHY_NOTE = "a patchy sample's logit strays farther than its mean's: a little over 5 % of the shift"


def made(
    rng: np.random.Generator,
    *,
    pairs: int,
    shift: float,
    drift: float,
    rho: float = 0.0,
    range_m: float = 0.0,
    clusters: int = 0,
    middle: float = 0.0,
) -> tuple[Floats, tuple[Floats, Floats, Floats, Floats]]:
    """Return places, and counts and totals then and now."""
    places = clustered(rng, pairs, clusters=clusters, spread_m=2000.0) if clusters else scattered(rng, pairs)
    level = middle + SPREAD * smooth_field(rng, places, range_m=15_000.0)[:, 0]
    own = smooth_field(rng, places, range_m=range_m)[:, 0] if range_m else rng.standard_normal(pairs)
    then, now = sizes(rng, pairs), sizes(rng, pairs)
    earlier = counts(rng, sigmoid(level), then, rho=rho)
    return places, (earlier, then, counts(rng, sigmoid(level + shift + drift * own), now, rho=rho), now)


def survey(rng: np.random.Generator, *, shift: float, drift: float, **how: float) -> dict[str, float]:
    places, samples = made(rng, shift=shift, drift=drift, **how)  # type: ignore[arg-type]
    mean = paired_change(*samples, how.get("rho") or 0.05)
    logit = paired_shift(*samples)
    near = PairsInSpace(*places.T).mean_shift(shifts_of_pairs(*samples, about=logit.shift), logit.drift_sd)
    earlier, then, later, now = samples
    tables = np.stack([later, now - later, earlier, then - earlier], axis=1).reshape(-1, 2, 2)
    return {
        "mean difference seen": mean.p < 0.05,
        "shift seen": logit.p < 0.05,
        "shift seen, near sites may drift alike": near.p < 0.05,
        "shift over shells seen (Mantel & Haenszel)": cochran_mantel_haenszel(tables).p < 0.05,
        "shift": logit.low <= shift <= logit.high,
        "shift, near sites may drift alike": near.low <= shift <= near.high,
        "error of the shift": logit.shift - shift,
        "drift": logit.drift_low <= drift <= (np.inf if np.isnan(logit.drift_high) else logit.drift_high),
        "drift seen": logit.p_drift < 0.05,
        "alike near each other": near.p_moran < 0.05,
    }


def power_foretold(rng: np.random.Generator) -> dict[str, float]:
    frequency, rho, pairs, shells = 0.3, 0.06, 40, 30.0
    # Variance of a pair's difference, by hand: two beta-binomial samples.
    spread = np.sqrt(2 * frequency * (1 - frequency) * (1 + (shells - 1) * rho) / shells / pairs)
    # A t of 39 degrees of freedom passes 2.0227 with probability 0.8 from 2.873 on (statsmodels' TTestPower).
    change = 2.873 * spread
    total = np.full(pairs, shells)
    earlier = counts(rng, np.full(pairs, frequency), total, rho=rho)
    later = counts(rng, np.full(pairs, frequency + change), total, rho=rho)
    found = paired_change(earlier, total, later, total, rho)
    return {"change as large as foretold seen": found.p < 0.05, "foretold / needed": found.detectable / change}


def _null() -> dict[str, Wanted]:
    return {
        "mean difference seen": Wanted("size"),
        "shift seen": Wanted("size"),
        "shift seen, near sites may drift alike": Wanted("size", 0.0, 0.07, note=SHY_NOTE),
        "shift over shells seen (Mantel & Haenszel)": Wanted("size", 0.0, 1.0, note=SHELLS_NOTE),
        "alike near each other": Wanted("size"),
    }


CASES = (
    Case(
        "80 pairs without a common shift, drift of 0.5 logits",
        partial(survey, pairs=80, shift=0.0, drift=0.5),
        {**_null(), "drift": Wanted("coverage"), "drift seen": Wanted("power")},
        quick=60,
    ),
    Case(
        "80 pairs without a change, samples patchy by rho 0.05",
        partial(survey, pairs=80, shift=0.0, drift=0.0, rho=0.05),
        _null(),
        quick=60,
    ),
    Case(
        "25 pairs about 20 % without a common shift, drift of 0.3 logits",
        partial(survey, pairs=25, shift=0.0, drift=0.3, middle=-1.4),
        {name: wanted for name, wanted in _null().items() if not name.startswith("mean")},
        quick=100,
    ),
    Case(
        "80 pairs without a common shift, drift of 0.5 logits alike over some 5 km",
        partial(survey, pairs=80, shift=0.0, drift=0.5, range_m=5_000.0),
        {
            "shift seen": Wanted("size", 0.0, 1.0, note=NEAR_NOTE),
            "mean difference seen": Wanted("size", 0.0, 1.0, note=NEAR_NOTE),
            "shift seen, near sites may drift alike": Wanted("size", 0.0, 0.15, note=STILL_NOTE),
            "alike near each other": Wanted("power"),
        },
        quick=60,
    ),
    Case(
        "80 pairs in 6 clusters without a common shift, drift of 0.5 logits alike over some 5 km",
        partial(survey, pairs=80, shift=0.0, drift=0.5, range_m=5_000.0, clusters=6),
        {
            "shift seen": Wanted("size", 0.0, 1.0, note=NEAR_NOTE),
            "shift seen, near sites may drift alike": Wanted("size", 0.0, 0.15, note=STILL_NOTE),
        },
        quick=60,
    ),
    Case(
        "80 pairs, shift 0.45, drift of 0.3 logits",
        partial(survey, pairs=80, shift=0.45, drift=0.3, middle=-0.5),
        {
            "shift": Wanted("coverage"),
            "shift, near sites may drift alike": Wanted("coverage"),
            "error of the shift": Wanted("mean", -0.02, 0.02),
            "drift": Wanted("coverage", 0.92, 1.0),
            "shift seen": Wanted("power"),
            "shift seen, near sites may drift alike": Wanted("power"),
        },
        quick=60,
    ),
    Case(
        "25 pairs, shift -0.9, drift of 0.5 logits",
        partial(survey, pairs=25, shift=-0.9, drift=0.5, middle=-0.5),
        {
            "shift": Wanted("coverage"),
            "shift, near sites may drift alike": Wanted("coverage"),
            "error of the shift": Wanted("mean", -0.04, 0.04),
            "drift": Wanted("coverage"),
            "shift seen": Wanted("power"),
        },
        quick=100,
    ),
    Case(
        "80 pairs, shift 0.45 of the mean's logit, samples patchy by rho 0.05",
        partial(survey, pairs=80, shift=0.45, drift=0.0, rho=0.05, middle=-0.5),
        {
            "shift": Wanted("coverage", note=PATCHY_NOTE),
            "error of the shift": Wanted("mean", 0.0, 0.05, note=PATCHY_NOTE),
        },
        quick=60,
    ),
    Case(
        "60 pairs without drift or change",
        partial(survey, pairs=60, shift=0.0, drift=0.0),
        {"drift seen": Wanted("size", 0.0, 0.07, note="a test on the boundary is a little shy")},
        quick=60,
    ),
    Case(
        "40 pairs of 30 shells, rho 0.06, a change that 80 of 100 surveys are to see",
        power_foretold,
        {
            "change as large as foretold seen": Wanted("power", 0.75, 0.85),
            "foretold / needed": Wanted("mean", 0.95, 1.08),
        },
        quick=500,
    ),
)  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_rates_are_as_promised(case: Case) -> None:
    check(case)
