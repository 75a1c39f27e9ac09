"""From tallies to tables of frequencies: at each site, over the region, in each habitat.

Frequencies over several sites allow for the differences between sites: these are estimated first, as an intra-site
correlation, and weights and intervals follow from it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.records.tallies import Tally
from morphcline.scoring.traits import Trait
from morphcline.stats.differentiation import fst_corrected
from morphcline.stats.overdispersion import fit_beta_binomial, pooled_frequency
from morphcline.stats.proportions import interval
from morphcline.study import Scoring

Floats = NDArray[np.float64]

#: Shells in a trait's denominator below which a site's frequency isn't usable, however large its sample.
LEAST_TOTAL = 5

FREQUENCIES = {
    "site": "site",
    "species": "species",
    "trait": "trait",
    "count": "shells that have the trait",
    "total": "shells they are counted among: the trait's denominator",
    "frequency": "count / total; empty where the total is 0",
    "low": "lower limit of the frequency",
    "high": "upper limit of the frequency",
    "enough": f"whether the sample has min_shells shells and the total is at least {LEAST_TOTAL}",
}

REGIONAL = {
    "species": "species",
    "trait": "trait",
    "count": "shells that have the trait",
    "total": "shells they are counted among: the trait's denominator",
    "sites": "sites with any shell in the denominator",
    "frequency": "mean over sites, each weighted by its effective number of shells n / (1 + (n - 1) rho)",
    "low": "lower limit of the mean over places like those sampled: sites may differ (Student's deviate on sites - 1, "
    "variance times sites / (sites - 1)), each an independent draw. Where near sites are alike, the mean of the region "
    "itself is less sure than this",
    "high": "upper limit, likewise",
    "rho": "intra-site correlation, beta-binomial maximum likelihood, held between 0 and 1",
    "rho_low": "lower profile-likelihood limit of rho",
    "rho_high": "upper profile-likelihood limit of rho",
    "p_overdispersion": "likelihood-ratio test of rho = 0 at the boundary; 0 stands for less than 1e-300",
    "frequency_unweighted": "count / total",
    "f_st": "the same correlation by analysis of variance: differentiation of the phenotype between sites, freed of "
    "sampling error; can be negative",
    "not_estimated_because": "why rho is empty; the limits then take shells as independent",
}

HABITAT = {
    "species": "species",
    "trait": "trait",
    "habitat": "habitat class with the largest share around the site",
    "count": "shells that have the trait",
    "total": "shells they are counted among: the trait's denominator",
    "sites": "sites of that habitat with any shell in the denominator",
    "frequency": "mean over these sites, weighted as in regional.csv, with the region's rho",
    "low": "lower limit, allowing for differences between sites",
    "high": "upper limit, allowing for differences between sites",
}


def site_frequencies(
    counts: Tally, samples: pd.DataFrame, traits: Sequence[Trait], scoring: Scoring
) -> tuple[pd.DataFrame, list[tuple[str, str]]]:
    """Return each sample's frequencies, and the (species, trait) that no record of a survey can give.

    Parameters
    ----------
    counts : Tally
    samples : DataFrame
        survey, site, species, shells.
    traits : sequence of Trait
    scoring : Scoring

    Returns
    -------
    frequencies : DataFrame
        survey and the columns of ``frequencies.csv``; a row for every sample and trait of its species.
    left_out : list of (species, trait)
        Of the study's own survey, in order.
    """
    shells = counts.samples.merge(samples, how="left")["shells"].to_numpy(dtype=float)
    parts = []
    for place, trait in enumerate(traits):
        count, total = counts.count_and_total(trait)
        part = counts.samples.assign(trait=trait.name, order=place, count=count.astype(int), total=total.astype(int))
        parts.append(part.assign(enough=(shells >= scoring.min_shells) & (total >= LEAST_TOTAL)))
    table = pd.concat(parts, ignore_index=True)
    table["species_order"] = table["species"].map({name: i for i, name in enumerate(scoring.species)})
    table = table.sort_values(["survey", "site", "species_order", "order"], kind="stable", ignore_index=True)
    seen = table.groupby(["survey", "species", "trait"], sort=False)["total"].transform("sum") > 0
    lacking = table[~seen & (table["survey"] == "")].sort_values(["species_order", "order"], kind="stable")
    left_out = list(dict.fromkeys(zip(lacking["species"], lacking["trait"], strict=True)))
    table = table[seen].reset_index(drop=True)
    count, total = table["count"].to_numpy(dtype=float), table["total"].to_numpy(dtype=float)
    table["frequency"] = count / np.where(total > 0, total, np.nan)
    table["low"], table["high"] = interval(count, total, method=scoring.interval, confidence=scoring.confidence)
    return table, left_out


def regional_frequencies(frequencies: pd.DataFrame, scoring: Scoring) -> pd.DataFrame:
    """Return each trait's frequency over the region, and how far sites differ beyond chance.

    Parameters
    ----------
    frequencies : DataFrame
        Columns of ``frequencies.csv``, one survey. Small samples take part, for what they are worth.
    scoring : Scoring

    Returns
    -------
    DataFrame
        Columns of ``regional.csv``.
    """
    lines = []
    for species, trait, count, total, _ in by_species_and_trait(frequencies, scoring):
        fit = fit_beta_binomial(count, total, confidence=scoring.confidence)
        lines.append(
            {
                "species": species,
                "trait": trait,
                **_pooled(count, total, fit.rho, fit.sites, scoring),
                "rho": fit.rho,
                "rho_low": fit.rho_low,
                "rho_high": fit.rho_high,
                "p_overdispersion": fit.p_overdispersion,
                "frequency_unweighted": count.sum() / total.sum(),
                "f_st": fst_corrected(count, total),
                "not_estimated_because": fit.not_estimated_because,
            }
        )
    return pd.DataFrame(lines, columns=list(REGIONAL))


def habitat_frequencies(
    frequencies: pd.DataFrame, regional: pd.DataFrame, habitat: pd.Series[str], scoring: Scoring
) -> pd.DataFrame:
    """Return each trait's frequency in each habitat, with the weights and the caution of the region.

    Parameters
    ----------
    frequencies, regional : DataFrame
        Columns of ``frequencies.csv``, one survey, and of ``regional.csv``.
    habitat : Series
        Habitat by site; sites without one (empty text) are left out.
    scoring : Scoring

    Returns
    -------
    DataFrame
        Columns of ``habitat_frequencies.csv``, habitats in alphabetical order.
    """
    region = regional.set_index(["species", "trait"])
    rhos, sites_of = region["rho"].to_dict(), region["sites"].to_dict()
    lines = []
    for species, trait, count, total, sites in by_species_and_trait(frequencies, scoring):
        lives = habitat.reindex(sites).fillna("").to_numpy(dtype=str)
        rho, sites_of_rho = float(rhos[species, trait]), int(sites_of[species, trait])
        for name in sorted(set(lives[total > 0]) - {""}):
            here = lives == name
            pooled = _pooled(count[here], total[here], rho, sites_of_rho, scoring)
            lines.append({"species": species, "trait": trait, "habitat": name, **pooled})
    return pd.DataFrame(lines, columns=list(HABITAT))


def by_species_and_trait(
    frequencies: pd.DataFrame, scoring: Scoring
) -> Iterator[tuple[str, str, Floats, Floats, pd.Series[str]]]:
    """Give species, trait, counts, totals and sites, in the study's order of species and the traits' own."""
    for species in scoring.species:
        own = frequencies[frequencies["species"] == species]
        # A sample's rows stand in the traits' order, so their first appearance has it too.
        for trait, rows in own.groupby("trait", sort=False):
            yield species, str(trait), rows["count"].to_numpy(float), rows["total"].to_numpy(float), rows["site"]


def _pooled(
    count: NDArray[np.float64], total: NDArray[np.float64], rho: float, sites_of_rho: int, scoring: Scoring
) -> dict[str, Any]:
    if np.isnan(rho):
        frequency, low, high = pooled_frequency(count, total, 0.0, confidence=scoring.confidence)
    else:
        frequency, low, high = pooled_frequency(
            count, total, rho, confidence=scoring.confidence, degrees_of_freedom=sites_of_rho - 1
        )
    return {
        "count": int(count.sum()),
        "total": int(total.sum()),
        "sites": int((total > 0).sum()),
        "frequency": frequency,
        "low": low,
        "high": high,
    }
