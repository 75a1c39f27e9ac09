"""What a contributor found, beside the nearest sites of others and the whole survey: counts, intervals, differences."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.scoring.traits import Trait
from morphcline.stats.change import difference
from morphcline.stats.overdispersion import effective_number, pooled_frequency
from morphcline.stats.proportions import interval
from morphcline.study import Scoring

#: Shells by colour, band class and formula.
Kinds = Mapping[tuple[str, str, str], int]

#: The neighbours a sample is compared with, and how far off the farthest of them may be, in metres.
NEAREST, FARTHEST_M = 5, 20_000.0
#: Fewer shells than this of a trait's denominator aren't compared with anybody's.
LEAST_COMPARED = 5


@dataclass(frozen=True)
class Found:
    """A frequency with its limits, and what it rests on.

    Attributes
    ----------
    count, total : float
        Shells; ``count`` is NaN where the frequency is weighted.
    sites : int
    frequency, low, high : float
    worth : float
        As many unlike shells as they stand for, where shells of one site are alike.
    """

    count: float
    total: float
    sites: int
    frequency: float
    low: float
    high: float
    worth: float


@dataclass(frozen=True)
class Comparison:
    """One trait of one sample, beside its neighbours and the region.

    Attributes
    ----------
    site, species, trait : str
    own : Found
    near : Found or None
        None when no other site with such shells lies within 20 km, or the sample is too small to be compared.
    near_within_m : float
        How far off the farthest of those sites is shown; NaN without any.
    region : Found or None
    difference, low, high : float
        Own frequency less the neighbours', with limits that allow for differences between sites.
    """

    site: str
    species: str
    trait: str
    own: Found
    near: Found | None
    near_within_m: float
    region: Found | None
    difference: float
    low: float
    high: float

    @property
    def unusual(self) -> bool:
        """Whether the limits of the difference leave zero out."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class _Samples:
    """The samples that can show one trait of one species, where the public sees them, sorted by site."""

    names: NDArray[np.object_]
    places: NDArray[np.float64]
    count: NDArray[np.float64]
    total: NDArray[np.float64]


@dataclass(frozen=True)
class Survey:
    """What a contributor's samples are compared with.

    Parameters
    ----------
    frequencies, regional : DataFrame
        The tables of those names.
    sites : DataFrame
        As the public sees them: ``site, x_m, y_m``.
    exact : DataFrame
        ``site, x_m, y_m``: only a contributor's own sites are looked up here.
    rho : mapping
        By (species, trait): how alike shells of one site are, beyond what its place explains.
    traits : sequence of Trait
    scoring : Scoring
    """

    frequencies: pd.DataFrame
    regional: pd.DataFrame
    sites: pd.DataFrame
    exact: pd.DataFrame
    rho: Mapping[tuple[str, str], float]
    traits: Sequence[Trait]
    scoring: Scoring

    @cached_property
    def exact_places(self) -> dict[str, NDArray[np.float64]]:
        """By site, easting and northing."""
        places = self.exact[["x_m", "y_m"]].to_numpy(np.float64)
        return dict(zip(self.exact["site"].astype(str), places, strict=True))

    @cached_property
    def region(self) -> dict[tuple[str, str], Found]:
        """By (species, trait), the frequency over the region where there is one."""
        columns = ["species", "trait", "count", "total", "sites", "frequency", "low", "high"]
        return {
            (str(species), str(trait)): Found(count, total, int(sites), share, low, high, total)
            for species, trait, count, total, sites, share, low, high in self.regional[columns].itertuples(index=False)
            if math.isfinite(share)
        }

    @cached_property
    def samples(self) -> dict[tuple[str, str], _Samples]:
        """By (species, trait), the samples with shells that can show it and a place that the public sees."""
        rows = self.frequencies[self.frequencies["total"] > 0]
        rows = rows.merge(self.sites[["site", "x_m", "y_m"]].dropna(), on="site", how="inner").sort_values("site")
        return {
            (str(species), str(trait)): _Samples(
                part["site"].to_numpy(dtype=object),
                *(part[names].to_numpy(np.float64) for names in (["x_m", "y_m"], "count", "total")),
            )
            for (species, trait), part in rows.groupby(["species", "trait"])
        }


def counted(rows: pd.DataFrame, species: Iterable[str]) -> pd.DataFrame:
    """Return the observations whose shells enter frequencies."""
    return rows[rows["counted"].astype(bool) & rows["species"].isin(list(species)) & (rows["count"] > 0)]


def kinds(rows: pd.DataFrame) -> Kinds:
    """Return how many shells of each kind rows hold: ``(colour, band class, formula), shells``."""
    shells: Counter[tuple[str, str, str]] = Counter()
    columns = (rows[name].astype(str) for name in ("colour", "band_class", "banding"))
    for *kind, count in zip(*columns, rows["count"], strict=True):
        shells[kind[0], kind[1], kind[2]] += int(count)
    return shells


def tally(found: Kinds, trait: Trait) -> tuple[int, int]:
    """Return how many shells count for a trait, and among how many."""
    count = total = 0
    for kind, shells in found.items():
        verdict = trait.judge(*kind)
        if verdict is not None:
            total += shells
            count += shells * verdict
    return count, total


def own_found(found: Kinds, trait: Trait, scoring: Scoring, rho: float = 0.0) -> Found:
    """Return a contributor's frequency in one sample, with the interval that the study gives a sample."""
    count, total = tally(found, trait)
    low, high = (
        float(limit[0]) for limit in interval([count], [total], method=scoring.interval, confidence=scoring.confidence)
    )
    share = count / total if total else math.nan
    return Found(count, total, 1, share, low, high, float(effective_number(total, rho)))


def compare(rows: pd.DataFrame, survey: Survey) -> list[Comparison]:
    """Compare each sample of a contributor, trait by trait, with the nearest sites of others and the region.

    Parameters
    ----------
    rows : DataFrame
        The contributor's observations that count.
    survey : Survey

    Notes
    -----
    The neighbours' shells, and the sample's own, count for what they are worth where shells of one site are alike
    (Kish 1965), each site by the correlation within sites that the smoothed surface leaves; the limits of the
    difference are Newcombe's (1998, method 10). Distances run to where others' sites are shown to the public, so that
    no note tells where a neighbour's garden lies.
    """
    own_sites = set(rows["site"])
    told = []
    for (site, species), sample in rows.groupby(["site", "species"], sort=True):
        found = kinds(sample)
        for trait in survey.traits:
            rho = survey.rho.get((str(species), trait.name), 0.0)
            own = own_found(found, trait, survey.scoring, rho)
            if not own.total:
                continue
            near, within_m = None, math.nan
            if own.total >= LEAST_COMPARED:
                near, within_m = _neighbours(str(site), str(species), trait.name, own_sites, survey, rho)
            told.append(
                Comparison(
                    str(site), str(species), trait.name, own, near, within_m,
                    survey.region.get((str(species), trait.name)),
                    *_difference(own, near, survey.scoring.confidence),
                )
            )  # fmt: skip
    return told


def _neighbours(
    site: str, species: str, trait: str, own_sites: set[str], survey: Survey, rho: float
) -> tuple[Found | None, float]:
    here = survey.exact_places.get(site)
    others = survey.samples.get((species, trait))
    if here is None or others is None:
        return None, math.nan
    away: NDArray[np.float64] = np.hypot(*(others.places - here).T)
    # In the order of distance, and of names where two are as far: the samples are sorted by name.
    order = [at for at in np.argsort(away, kind="stable").tolist() if others.names[at] not in own_sites]
    near = np.array([at for at in order[:NEAREST] if away[at] <= FARTHEST_M], dtype=np.intp)
    if not len(near):
        return None, math.nan
    count, total = others.count[near], others.total[near]
    frequency, low, high = pooled_frequency(count, total, rho, confidence=survey.scoring.confidence)
    worth = float(effective_number(total, rho).sum())
    found = Found(math.nan, float(total.sum()), len(near), frequency, low, high, worth)
    return found, float(away[near].max())


def _difference(own: Found, near: Found | None, confidence: float) -> tuple[float, float, float]:
    if near is None:
        return math.nan, math.nan, math.nan
    found = difference(
        [near.frequency * near.worth], [near.worth], [own.frequency * own.worth], [own.worth], confidence=confidence
    )
    away, low, high = (float(part[0]) for part in found)
    return away, low, high
