"""From frequencies and places to isolation by distance: rows of its tables."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.records.differentiation import COLOUR, DRAWS, kinds_of_shells
from morphcline.stats.isolation import (
    LEAST_PAIRS,
    LEAST_SITES,
    Isolation,
    distance_classes,
    isolation_by_distance,
    pairwise_differentiation,
)
from morphcline.stats.over_sites import draw_sites

Floats = NDArray[np.float64]

BANDING, MID = "unbanded", "mid-banded"
#: What stands beside each other, and the row that compares the first two.
TRAITS = (COLOUR, BANDING, MID)
LESS = f"{COLOUR} less {BANDING}"
CLASSES = 10
#: Pairs grow with the square of the sites; from larger surveys so many are drawn.
MOST_SITES = 1_500

ISOLATION = {
    "species": "species",
    "trait": f"{COLOUR}: all three together; {BANDING}: unbanded or banded; {MID}: among banded shells; {LESS}: "
    "the first slope less the second, at the sites where both are known",
    "sites": "sites with a large enough sample",
    "pairs": "pairs of sites that lie apart",
    "pairs_at_one_place": "pairs left out, since distance 0 has no logarithm",
    "differentiation": "mean over pairs of linearised F_ST, F / (1 - F), of phenotypes, freed of sampling error",
    "mantel_r": "correlation of pairs' differentiation with the logarithm of distance; low where samples are small, "
    "since each pair's value is uncertain",
    "slope_per_doubling": "rise of linearised F_ST for each doubling of distance",
    "low": "lower limit of the slope over sites (jackknife and studentised bootstrap, the outer of the two): for other "
    "sites in this region, its geography as it is",
    "high": "upper limit",
    "middle_m": "geometric mean distance of the pairs, metres, where the fitted line passes through differentiation",
    "p_mantel": "Mantel's test of the slope, two-sided, by shuffling whole sites. It tells whether near sites are more "
    "alike, not why: a cline or a habitat that changes across the region does it too",
    "p_error": "standard error of p_mantel that comes of the number of shuffles",
    "permutations": "shuffles",
    "note": "what was left out, else empty",
    "not_tested_because": "why there are no numbers, else empty",
}
ISOLATION_BINS = {
    "species": "species",
    "trait": "as in isolation.csv",
    "distance_class": f"number of the class, from 1; equally wide by the logarithm of distance, joined where there "
    f"would be fewer than {LEAST_PAIRS} pairs",
    "from_m": "lower limit in metres, not in the class",
    "to_m": "upper limit in metres, in the class",
    "middle_m": "geometric mean distance of its pairs, metres",
    "pairs": "pairs of sites",
    "differentiation": "mean linearised F_ST of its pairs",
    "low": "lower limit: percentile of resampled surveys of sites, a class by itself",
    "high": "upper limit",
}


@dataclass(frozen=True)
class IsolationTask:
    """Traits of one species that are compared with each other, and what their draws start from."""

    species: str
    shells: tuple[tuple[str, tuple[str, ...], Floats, Floats], ...]  # trait, sites, kinds, places
    permutations: int
    confidence: float
    seed: int


def isolation_tasks(
    species: str,
    frequencies: pd.DataFrame,
    places: pd.DataFrame,
    *,
    permutations: int,
    confidence: float,
    rng: np.random.Generator,
) -> Iterator[IsolationTask]:
    """Yield the work on one species: colour with banding, then mid-banded.

    Parameters
    ----------
    species : str
    frequencies : DataFrame
        site, trait, count, total of the species' samples that are large enough.
    places : DataFrame
        site, x_m, y_m.
    permutations : int
    confidence : float
    rng : Generator
    """
    at = places.set_index("site")[["x_m", "y_m"]]
    known = {
        trait: (trait, tuple(sites), kinds, at.loc[sites].to_numpy(dtype=float))
        for trait, sites, kinds in kinds_of_shells(frequencies)
        if trait in TRAITS
    }
    for traits in ((COLOUR, BANDING), (MID,)):
        found = tuple(known[trait] for trait in traits if trait in known)
        seed = int(rng.integers(2**62))
        if found:
            yield IsolationTask(species, found, permutations, confidence, seed)


def isolation_rows(task: IsolationTask) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Return a task's rows of ``isolation.csv`` and of ``isolation_bins.csv``."""
    from threadpoolctl import threadpool_limits

    with threadpool_limits(1):
        rows: list[dict[str, Any]] = []
        bins: list[dict[str, Any]] = []
        for trait, _, kinds, where in task.shells:
            found, classes, note = _analysed(task, kinds, where, seed=[task.seed, TRAITS.index(trait)])
            rows.append(_row(task, trait, found, note))
            bins += [
                {"species": task.species, "trait": trait, "distance_class": number, **one}
                for number, one in enumerate(classes, start=1)
            ]
        if len(task.shells) > 1 and all(not row["not_tested_because"] for row in rows):
            rows.append(_less(task))
    return rows, bins


def _analysed(
    task: IsolationTask, kinds: Floats, where: Floats, *, seed: list[int]
) -> tuple[Isolation, list[dict[str, Any]], str]:
    for_sites, for_draws, for_shuffles = np.random.default_rng(seed).spawn(3)
    use = np.flatnonzero(kinds.sum(axis=1) > 1)
    note = ""
    if use.size > MOST_SITES:
        note = f"{MOST_SITES:,} of {use.size:,} sites, drawn at random"
        use = np.sort(for_sites.choice(use, MOST_SITES, replace=False))
    pairs = pairwise_differentiation(kinds[use], *where[use].T)
    weights = draw_sites(use.size, draws=DRAWS, rng=for_draws) if use.size else np.zeros((0, 0))
    found = isolation_by_distance(
        pairs, weights, permutations=task.permutations, rng=for_shuffles, confidence=task.confidence
    )
    if found.not_tested_because:
        return found, [], note
    classes = distance_classes(pairs, weights, classes=CLASSES, confidence=task.confidence)
    return found, [
        {
            "from_m": one.from_m, "to_m": one.to_m, "middle_m": one.middle_m, "pairs": one.pairs,
            "differentiation": one.mean, "low": one.low, "high": one.high,
        }
        for one in classes
    ], note  # fmt: skip


def _row(task: IsolationTask, trait: str, found: Isolation, note: str) -> dict[str, Any]:
    return {
        "species": task.species,
        "trait": trait,
        "sites": found.sites,
        "pairs": found.pairs,
        "pairs_at_one_place": found.pairs_at_one_place,
        "differentiation": found.mean,
        "mantel_r": found.mantel_r,
        "slope_per_doubling": found.slope,
        "low": found.low,
        "high": found.high,
        "middle_m": found.middle_m,
        "p_mantel": found.p,
        "p_error": found.p_error,
        "permutations": task.permutations if not found.not_tested_because else np.nan,
        "note": note,
        "not_tested_because": found.not_tested_because,
    }


def _less(task: IsolationTask) -> dict[str, Any]:
    """Return the row that compares two slopes, over the same resampled sites."""
    (_, first_sites, first, where), (_, second_sites, second, _) = task.shells
    both = sorted(set(first_sites) & set(second_sites))
    lines = [[list(sites).index(name) for name in both] for sites in (first_sites, second_sites)]
    # One seed for both: the same sites are drawn.
    seed = [task.seed, len(TRAITS)]
    one, _, note = _analysed(task, first[lines[0]], where[lines[0]], seed=seed)
    other, _, _ = _analysed(task, second[lines[1]], where[lines[0]], seed=seed)
    empty = {name: np.nan for name in ISOLATION if name not in ("note", "not_tested_because")}
    row = {
        **empty, "species": task.species, "trait": LESS, "sites": one.sites, "pairs": one.pairs,
        "pairs_at_one_place": one.pairs_at_one_place, "note": note, "not_tested_because": "",
    }  # fmt: skip
    reason = one.not_tested_because or other.not_tested_because
    apart = one.drawn - other.drawn if not reason and one.drawn.shape == other.drawn.shape else np.zeros(0)
    apart = apart[np.isfinite(apart)]
    if not apart.size:
        return {**row, "not_tested_because": reason or f"fewer than {LEAST_SITES} sites"}
    slope = one.slope - other.slope
    tails = [(1 - task.confidence) / 2, (1 + task.confidence) / 2]
    low, high = slope + np.quantile(apart - apart.mean(), tails)
    return {**row, "slope_per_doubling": slope, "low": float(low), "high": float(high)}
