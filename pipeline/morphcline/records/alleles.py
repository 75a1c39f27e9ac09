"""From tallies to the alleles behind colour and banding, at each site and over the sites."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.records.stacking import in_study_order
from morphcline.records.tallies import Tally
from morphcline.scoring.traits import standard_traits
from morphcline.stats.alleles import dominance_series, mean_alleles, recessive_allele, recessive_limits, series_limits
from morphcline.stats.differentiation import fst_corrected, fst_wright
from morphcline.study import Scoring

Floats = NDArray[np.float64]

_AT_SITE = "maximum likelihood (root of the recessive share)"
_OVER_SITES = "mean over sites (moments of a beta distribution)"
_HARDY_WEINBERG = "Hardy-Weinberg proportions within each site"

ALLELES = {
    "species": "species",
    "site": "site with at least min_shells such shells; empty for the mean over these sites",
    "locus": "colour (brown over pink over yellow), banding (unbanded over banded), or mid-banding (mid-banded over "
    "many-banded, seen in banded shells alone)",
    "allele": "the phenotype that the allele is named after",
    "sites": "sites averaged; 1 in a site's own row",
    "total": "shells",
    "frequency": "of the allele; a root is biased down in small samples, which the mean over sites allows for",
    "low": "lower limit; at a site from that of the recessive phenotype, over sites by how sites scatter (jackknife)",
    "high": "upper limit",
    "standard_error": "at a site, of sampling, first-order: of little use near 0 or 1, where low and high hold; over "
    "sites empty",
    "f_st": "over sites: Wright's var(q) / q(1 - q) of the sites' estimates, sampling error included",
    "f_st_corrected": "over sites: the same, freed of sampling error, of the allele against the others; empty for an "
    "allele in the middle of a series",
    "method": "how the frequency was estimated",
    "assumption": "what it rests on; the shells themselves can't test it",
}


@dataclass(frozen=True)
class _Locus:
    """Phenotypes in the order of dominance, (samples, phenotypes), with the names of their alleles."""

    name: str
    alleles: tuple[str, ...]
    shells: Floats
    dominance: str


def alleles(counts: Tally, scoring: Scoring) -> pd.DataFrame:
    """Return allele frequencies behind colour and banding, at each site with enough shells and over these sites.

    Parameters
    ----------
    counts : Tally
        One survey.
    scoring : Scoring

    Returns
    -------
    DataFrame
        Columns of ``alleles.csv``.
    """
    loci = _loci(counts)
    lines = []
    for species in scoring.species:
        own = (counts.samples["species"] == species).to_numpy()
        for locus in loci:
            total = locus.shells.sum(axis=1)
            enough = own & (total >= scoring.min_shells)
            if enough.any():
                names = counts.samples.loc[enough, "site"].to_numpy()
                parts = _of_locus(locus, locus.shells[enough], names, scoring)
                lines += [part.assign(species=species) for part in parts]
    return in_study_order(lines, ALLELES, scoring.species)


def _loci(counts: Tally) -> tuple[_Locus, ...]:
    standard = {trait.name: trait for trait in standard_traits()}
    got = {
        name: counts.count_and_total(standard[name]) for name in ("yellow", "pink", "brown", "unbanded", "mid-banded")
    }
    two = {name: np.column_stack([count, total - count]) for name, (count, total) in got.items()}
    colours = ("brown", "pink", "yellow")
    return (
        _Locus("colour", colours, np.column_stack([got[name][0] for name in colours]), "brown > pink > yellow"),
        _Locus("banding", ("unbanded", "banded"), two["unbanded"], "unbanded > banded"),
        _Locus(
            "mid-banding", ("mid-banded", "many-banded"), two["mid-banded"],
            "mid-banded > many-banded, unlinked to banding",
        ),
    )  # fmt: skip


def _of_locus(locus: _Locus, shells: Floats, sites: NDArray[np.object_], scoring: Scoring) -> list[pd.DataFrame]:
    total = shells.sum(axis=1)
    settings = {"method": scoring.interval, "confidence": scoring.confidence}
    if len(locus.alleles) == 3:
        share, error = dominance_series(*shells.T)
        low, high = series_limits(*shells.T, **settings)  # type: ignore[arg-type]
    else:
        recessive, one = recessive_allele(shells[:, 1], total)
        lower, upper = recessive_limits(shells[:, 1], total, **settings)  # type: ignore[arg-type]
        share, error = np.stack([1 - recessive, recessive]), np.stack([one, one])
        low, high = np.stack([1 - upper, lower]), np.stack([1 - lower, upper])
    rho = fst_corrected(shells[:, -1], total)
    mean = mean_alleles(shells, rho=min(max(0.0 if np.isnan(rho) else rho, 0.0), 1.0), confidence=scoring.confidence)
    last = len(locus.alleles) - 1
    parts = []
    for place, name in enumerate(locus.alleles):
        over = mean.frequency[place]
        corrected = mean.f_st[0] if place == 0 else mean.f_st[-1] if place == last else np.nan
        none = np.full(len(sites), np.nan)
        parts.append(
            pd.DataFrame(
                {
                    "site": ["", *sites],
                    "locus": locus.name,
                    "allele": name,
                    "sites": [len(sites)] + [1] * len(sites),
                    "total": [int(total.sum()), *total.astype(int)],
                    "frequency": [over.estimate, *share[place]],
                    "low": [over.low, *low[place]],
                    "high": [over.high, *high[place]],
                    "standard_error": [np.nan, *error[place]],
                    "f_st": [fst_wright(share[place]), *none],
                    "f_st_corrected": [corrected, *none],
                    "method": [_OVER_SITES] + [_AT_SITE] * len(sites),
                    "assumption": f"{_HARDY_WEINBERG}; {locus.dominance}",
                }
            )
        )
    return parts
