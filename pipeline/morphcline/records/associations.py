"""From tallies to what goes with what: association of colour and banding, and the alleles behind them."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.records.tallies import Tally
from morphcline.scoring.traits import standard_traits
from morphcline.stats.change import cochran_mantel_haenszel
from morphcline.stats.genetics import association, dominance_series, fst_wright, recessive_allele
from morphcline.study import Scoring

Floats = NDArray[np.float64]

_PAIRS = (("yellow", "unbanded"), ("pink", "unbanded"), ("brown", "unbanded"), ("yellow", "mid-banded"))

ASSOCIATIONS = {
    "species": "species",
    "site": "site with at least min_shells such shells; empty for all sites pooled",
    "pair": "the two traits; shells in the denominators of both count, so mid-banded is taken among banded shells",
    "n": "shells",
    "d": "frequency of both together less the product of their frequencies, of phenotypes as such",
    "d_prime": "d over the largest value these frequencies allow",
    "r2": "squared correlation",
    "chi2": "n r2, on one degree of freedom; for all sites pooled it mixes association within and between sites",
    "p": "of chi2; shells are taken as independent",
    "p_mantel_haenszel": "all sites: association within sites, Cochran-Mantel-Haenszel without continuity correction; "
    "shells of a site are taken as independent",
    "odds_ratio": "all sites: Mantel-Haenszel odds ratio within sites; above 1 when the two go together",
    "odds_ratio_low": "lower limit, by Robins, Breslow & Greenland",
    "odds_ratio_high": "upper limit",
}

ALLELES = {
    "species": "species",
    "site": "site with at least min_shells such shells; empty for the mean over these sites",
    "locus": "colour (brown over pink over yellow), banding (unbanded over banded), or mid-banding (mid-banded over "
    "many-banded, seen in banded shells alone)",
    "allele": "the phenotype that the allele is named after",
    "sites": "sites averaged; 1 in a site's own row",
    "total": "shells",
    "frequency": "square-root estimate from the phenotypes, which holds under Hardy-Weinberg proportions; over sites "
    "the plain mean",
    "standard_error": "at a site of sampling, first-order; over sites from their scatter",
    "f_st": "over sites: Wright's var(p) / p(1 - p), sampling error included",
}


def associations(counts: Tally, scoring: Scoring) -> pd.DataFrame:
    """Return how far colour and banding go together, over the region and at each site with enough shells.

    Parameters
    ----------
    counts : Tally
        One survey.
    scoring : Scoring

    Returns
    -------
    DataFrame
        Columns of ``associations.csv``. Pairs that no shell of a species is scored for are left out.
    """
    standard = {trait.name: trait for trait in standard_traits()}
    tables = [counts.two_by_two(standard[first], standard[second]) for first, second in _PAIRS]
    lines = []
    for species in scoring.species:
        own = (counts.samples["species"] == species).to_numpy()
        sites = counts.samples.loc[own, "site"].to_numpy()
        for (first, second), table in zip(_PAIRS, tables, strict=True):
            cells = table[own]
            n = cells.sum(axis=(1, 2))
            if not n.any():
                continue
            enough = n >= scoring.min_shells
            shown = np.concatenate([cells.sum(axis=0, keepdims=True), cells[enough]])
            found = association(*shown.reshape(-1, 4).T)
            within = cochran_mantel_haenszel(cells, confidence=scoring.confidence)
            part = pd.DataFrame(
                {
                    "species": species,
                    "site": ["", *sites[enough]],
                    "pair": f"{first} / {second}",
                    "n": found.n.astype(int),
                    "d": found.d,
                    "d_prime": found.d_prime,
                    "r2": found.r2,
                    "chi2": found.chi2,
                    "p": found.p,
                }
            )
            for column, value in (
                ("p_mantel_haenszel", within.p),
                ("odds_ratio", within.odds_ratio),
                ("odds_ratio_low", within.low),
                ("odds_ratio_high", within.high),
            ):
                # An infinite odds ratio has no limits, and says no more than that one cell is empty.
                part[column] = np.where(part["site"] == "", value if np.isfinite(value) else np.nan, np.nan)
            lines.append(part)
    return _stacked(lines, ASSOCIATIONS, scoring)


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
    standard = {trait.name: trait for trait in standard_traits()}
    got = {
        name: counts.count_and_total(standard[name]) for name in ("yellow", "pink", "brown", "unbanded", "mid-banded")
    }
    colour, colour_error = dominance_series(got["brown"][0], got["pink"][0], got["yellow"][0])
    loci: list[tuple[str, tuple[str, ...], Floats, Floats, Floats]] = [
        ("colour", ("brown", "pink", "yellow"), colour, colour_error, got["yellow"][1])
    ]
    for locus, dominant, recessive in (("banding", "unbanded", "banded"), ("mid-banding", "mid-banded", "many-banded")):
        count, total = got[dominant]
        share, error = recessive_allele(total - count, total)
        loci.append((locus, (dominant, recessive), np.stack([1 - share, share]), np.stack([error, error]), total))
    lines = []
    for species in scoring.species:
        own = (counts.samples["species"] == species).to_numpy()
        for locus, names, shares, errors, total in loci:
            enough = own & (total >= scoring.min_shells)
            for name, share, error in zip(names, shares, errors, strict=True):
                if not enough.any():
                    continue
                sites = int(enough.sum())
                over = share[enough]
                part = pd.DataFrame(
                    {
                        "species": species,
                        "site": ["", *counts.samples.loc[enough, "site"]],
                        "locus": locus,
                        "allele": name,
                        "sites": [sites] + [1] * sites,
                        "total": [int(total[enough].sum()), *total[enough].astype(int)],
                        "frequency": [over.mean(), *over],
                        "standard_error": [over.std(ddof=1) / np.sqrt(sites) if sites > 1 else np.nan, *error[enough]],
                        "f_st": [fst_wright(over)] + [np.nan] * sites,
                    }
                )
                lines.append(part)
    return _stacked(lines, ALLELES, scoring)


def _stacked(parts: list[pd.DataFrame], columns: dict[str, str], scoring: Scoring) -> pd.DataFrame:
    """Return the parts as one table: species in the study's order, then sites, then as the parts came."""
    if not parts:
        return pd.DataFrame(columns=list(columns))
    table = pd.concat(parts, ignore_index=True)
    order = table["species"].map({name: i for i, name in enumerate(scoring.species)})
    return table.assign(order=order).sort_values(["order", "site"], kind="stable")
