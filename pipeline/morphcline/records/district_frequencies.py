"""How frequent each trait is in each district, beside the rest of the region, and in the district's habitats."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.records.frequencies import LEAST_TOTAL, by_species_and_trait
from morphcline.stats.contrast import Group, contrast, pooled
from morphcline.stats.multiple import holm
from morphcline.stats.overdispersion import intra_site_correlation
from morphcline.study import Scoring

Floats = NDArray[np.float64]

#: Sites with two shells or more below which the correlation within sites is taken from the whole region.
LEAST_SITES = 10

#: Fewest sites that can stand for a district.
LEAST_SITES_TOLD = 3

TOO_FEW = "fewer shells than a sample needs"
TOO_FEW_SITES = f"fewer than {LEAST_SITES_TOLD} sites"

DISTRICTS = {
    "district": "district",
    "species": "species",
    "trait": "trait",
    "count": "shells of the district that have the trait",
    "total": "shells they are counted among: the trait's denominator",
    "sites": "its sites with any shell in the denominator",
    "frequency": "mean over these sites, weighted as in regional.csv",
    "low": "lower limit, allowing for differences between sites as in regional.csv",
    "high": "upper limit, likewise",
    "rho": "intra-site correlation used for the district",
    "rho_of": f"whose it is: the district's own with at least {LEAST_SITES} sites of two shells or more, else the "
    "region's, which holds the region's clines too and makes limits wide",
    "rest_count": "shells with the trait at all other sites",
    "rest_total": "shells they are counted among",
    "rest_sites": "other sites with any shell in the denominator",
    "rest_frequency": "frequency of the rest, likewise",
    "rest_low": "lower limit",
    "rest_high": "upper limit",
    "difference": "frequency less that of the rest",
    "difference_low": "lower limit of the difference (Newcombe 1998, method 10, of both frequencies' limits)",
    "difference_high": "upper limit of the difference",
    "p": "score test of one frequency for both, sites as independent draws; too small where near sites are alike",
    "p_holm": "p by Holm's correction over the districts, within species and trait",
    "not_told_because": "why frequency and difference are empty",
}

DISTRICT_HABITATS = {
    "district": "district",
    "species": "species",
    "trait": "trait",
    "habitat": "habitat class with the largest share around the site",
    "count": "shells that have the trait",
    "total": "shells they are counted among",
    "sites": "sites of that habitat in the district with any shell in the denominator",
    "frequency": "mean over these sites, with the district's correlation; empty with fewer shells than a sample needs, "
    f"or fewer than {LEAST_SITES_TOLD} sites",
    "low": "lower limit, allowing for differences between sites",
    "high": "upper limit, likewise",
}


def district_tables(
    frequencies: pd.DataFrame,
    regional: pd.DataFrame,
    district: pd.Series[str],
    habitat: pd.Series[str],
    names: Sequence[str],
    scoring: Scoring,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return each trait's frequency in each district, compared with the rest of the region, and in its habitats.

    Parameters
    ----------
    frequencies, regional : DataFrame
        Columns of ``frequencies.csv``, one survey, and of ``regional.csv``.
    district : Series
        District by site, as the public may know it; empty in none.
    habitat : Series
        Habitat by site; sites without one (empty text) are left out of the second table.
    names : sequence of str
        Of all districts, in order.
    scoring : Scoring

    Returns
    -------
    districts, habitats : DataFrame
        Columns of ``districts.csv`` (a row for each district, species and trait, be the shells many or none) and of
        ``district_habitats.csv``.
    """
    lines, by_habitat = [], []
    for name in names:
        for species, trait, here, rest in _parts(frequencies, regional, district, name, scoring):
            key = {"district": name, "species": species, "trait": trait}
            lines.append({**key, **_line(here, rest, scoring)})
            by_habitat += [{**key, **line} for line in _habitats(here, habitat, scoring)]
    table = pd.DataFrame(lines, columns=list(DISTRICTS))
    if len(table):
        table["p_holm"] = table.groupby(["species", "trait"], sort=False)["p"].transform(lambda p: holm(p.to_numpy()))
    return table, pd.DataFrame(by_habitat, columns=list(DISTRICT_HABITATS))


class _Part:
    """Samples of a part of the region, with the correlation that holds there."""

    def __init__(self, rows: tuple[Floats, Floats, NDArray[np.str_]], region: tuple[float, int]):
        self.count, self.total, self.sites = rows
        self.rho_of = "district"
        rho, sites = math.nan, int(np.sum(self.total >= 2))
        if sites >= LEAST_SITES:
            rho = intra_site_correlation(self.count, self.total)
        if math.isnan(rho):
            rho, sites = region
            self.rho_of = "region"
        self.group = Group(self.count, self.total, rho, sites)


def _parts(
    frequencies: pd.DataFrame, regional: pd.DataFrame, district: pd.Series[str], name: str, scoring: Scoring
) -> Iterator[tuple[str, str, _Part, _Part]]:
    region = regional.set_index(["species", "trait"])
    rhos, sites_of = region["rho"].to_dict(), region["sites"].to_dict()
    for species, trait, count, total, sites in by_species_and_trait(frequencies, scoring):
        of_region = (float(rhos[species, trait]), int(sites_of[species, trait]))
        inside = (district.reindex(sites).fillna("") == name).to_numpy()
        names = sites.to_numpy(dtype=str)
        here, rest = ((count[these], total[these], names[these]) for these in (inside, ~inside))
        yield species, trait, _Part(here, of_region), _Part(rest, of_region)


def _habitats(here: _Part, habitat: pd.Series[str], scoring: Scoring) -> Iterator[dict[str, Any]]:
    lives = habitat.reindex(here.sites).fillna("").to_numpy(dtype=str)
    for kind in sorted(set(lives[here.total > 0]) - {""}):
        there = lives == kind
        part = Group(here.count[there], here.total[there], here.group.rho, here.group.sites_of_rho)
        yield {"habitat": kind, **_counts(part), **_frequency(part, scoring)}


def _line(here: _Part, rest: _Part, scoring: Scoring) -> dict[str, Any]:
    line = {**_counts(here.group), "rho": math.nan, "rho_of": ""}
    line |= {f"rest_{key}": value for key, value in (_counts(rest.group) | _frequency(rest.group, scoring)).items()}
    lacking = _lacking(here.group, scoring)
    if lacking:
        return line | {"not_told_because": lacking}
    line |= _frequency(here.group, scoring) | {"rho": here.group.rho, "rho_of": here.rho_of, "not_told_because": ""}
    if _lacking(rest.group, scoring):
        return line
    found = contrast(here.group, rest.group, confidence=scoring.confidence)
    return line | {
        "difference": found.difference,
        "difference_low": found.low,
        "difference_high": found.high,
        "p": found.p,
    }


def _lacking(group: Group, scoring: Scoring) -> str:
    """Return why a group of sites has no frequency, or nothing."""
    total = np.asarray(group.total)
    if float(total.sum()) < max(scoring.min_shells, LEAST_TOTAL):
        return TOO_FEW
    return TOO_FEW_SITES if int((total > 0).sum()) < LEAST_SITES_TOLD else ""


def _counts(group: Group) -> dict[str, int]:
    count, total = np.asarray(group.count), np.asarray(group.total)
    return {"count": int(count.sum()), "total": int(total.sum()), "sites": int((total > 0).sum())}


def _frequency(group: Group, scoring: Scoring) -> dict[str, float]:
    if _lacking(group, scoring):
        return dict.fromkeys(("frequency", "low", "high"), math.nan)
    found = pooled(group, confidence=scoring.confidence)
    return {"frequency": found.frequency, "low": found.low, "high": found.high}
