"""From tallies to what goes with what: association of colour and banding."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.records.stacking import in_study_order
from morphcline.records.tallies import Tally
from morphcline.scoring.traits import standard_traits
from morphcline.stats.association import association, exact_limits, fisher_exact, regional_association
from morphcline.stats.change import cochran_mantel_haenszel
from morphcline.stats.over_sites import draw_sites
from morphcline.study import Scoring

#: Resampled surveys behind an interval over sites.
DRAWS = 999

_PAIRS = (("yellow", "unbanded"), ("pink", "unbanded"), ("brown", "unbanded"), ("yellow", "mid-banded"))

_ALL = "all sites: "
ASSOCIATIONS = {
    "species": "species",
    "site": "site with at least min_shells such shells; empty for all sites pooled",
    "pair": "the two traits; shells in the denominators of both count, so mid-banded is taken among banded shells",
    "n": "shells",
    "d": "frequency of both together less the product of their frequencies, of phenotypes as such; for all sites "
    "pooled it mixes association within sites with what comes of sites that differ in both",
    "d_low": "lower limit; at a site by the delta method, over all sites by how sites scatter (bootstrap-t and "
    "jackknife over sites, the outer of the two)",
    "d_high": "upper limit",
    "d_prime": "d over the largest value these frequencies allow, with the sign of d; D' of Lewontin",
    "d_prime_low": "lower limit; at a site from exact (mid-P) limits of the odds ratio at the site's own frequencies, "
    "over all sites as d_low",
    "d_prime_high": "upper limit",
    "r2": "squared correlation",
    "chi2": "n r2, on one degree of freedom",
    "p": "of chi2; shells are taken as independent, so for all sites pooled it says too much",
    "p_exact": "a site's: Fisher's exact test, two-sided",
    "d_within": _ALL + "mean over sites, by shells, of d within them, freed of the bias of small samples",
    "d_within_low": _ALL + "lower limit, over sites",
    "d_within_high": _ALL + "upper limit, over sites",
    "d_prime_within": _ALL
    + "d within sites over the largest value that the sites' frequencies allow: the number to cite",
    "d_prime_within_low": _ALL + "lower limit, over sites",
    "d_prime_within_high": _ALL + "upper limit, over sites",
    "p_mantel_haenszel": _ALL + "association within sites, Cochran-Mantel-Haenszel without continuity correction; "
    "shells of a site are taken as independent",
    "odds_ratio": "above 1 when the two go together; over all sites Mantel-Haenszel's; empty when infinite",
    "odds_ratio_low": "lower limit; at a site exact (mid-P), over all sites by Robins, Breslow & Greenland, who take "
    "it to be the same at every site",
    "odds_ratio_high": "upper limit; empty when infinite",
    "odds_ratio_low_sites": _ALL + "lower limit by how sites scatter, which lets the odds ratio differ between them",
    "odds_ratio_high_sites": _ALL + "upper limit by how sites scatter",
    "p_homogeneity": _ALL + "whether the odds ratio is the same at every site: Breslow-Day with Tarone's correction",
}
_OVER_SITES = (
    "d_within", "d_within_low", "d_within_high", "d_prime_within", "d_prime_within_low", "d_prime_within_high",
    "p_mantel_haenszel", "odds_ratio_low_sites", "odds_ratio_high_sites", "p_homogeneity",
)  # fmt: skip


def associations(counts: Tally, scoring: Scoring, rng_of: Callable[[str, str], np.random.Generator]) -> pd.DataFrame:
    """Return how far colour and banding go together, over the region and at each site with enough shells.

    Parameters
    ----------
    counts : Tally
        One survey.
    scoring : Scoring
    rng_of : callable
        Species and pair to a generator.

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
            enough = cells.sum(axis=(1, 2)) >= scoring.min_shells
            if not cells.any():
                continue
            pair = f"{first} / {second}"
            parts = [
                _pooled(cells, scoring.confidence, rng_of(species, pair)).assign(site=""),
                _at_sites(cells[enough], scoring.confidence).assign(site=sites[enough]),
            ]
            lines += [part.assign(species=species, pair=pair) for part in parts if len(part)]
    return in_study_order(lines, ASSOCIATIONS, scoring.species)


def _described(cells: NDArray[np.float64]) -> pd.DataFrame:
    found = association(*cells.reshape(-1, 4).T)
    columns = {name: getattr(found, name) for name in ("d", "d_prime", "r2", "chi2", "p")}
    return pd.DataFrame({"n": found.n.astype(int), **columns})


def _at_sites(cells: NDArray[np.float64], confidence: float) -> pd.DataFrame:
    limits = exact_limits(cells, confidence=confidence)
    table = _described(cells).assign(p_exact=fisher_exact(cells) if len(cells) else [])
    told = ~np.isnan(limits.odds_ratio_low)
    table["p_exact"] = table["p_exact"].where(told)
    for name in ("d_low", "d_high", "d_prime_low", "d_prime_high", "odds_ratio_low", "odds_ratio_high"):
        table[name] = _finite(getattr(limits, name))
    product, other = cells[:, 0, 0] * cells[:, 1, 1], cells[:, 0, 1] * cells[:, 1, 0]
    table["odds_ratio"] = np.where(told & (other > 0), product / np.where(other > 0, other, 1.0), np.nan)
    return table.assign(**dict.fromkeys(_OVER_SITES, np.nan))


def _pooled(cells: NDArray[np.float64], confidence: float, rng: np.random.Generator) -> pd.DataFrame:
    region = regional_association(cells, draw_sites(len(cells), draws=DRAWS, rng=rng), confidence=confidence)
    within = cochran_mantel_haenszel(cells, confidence=confidence)
    values = {
        "d_low": region.d.low,
        "d_high": region.d.high,
        "d_prime_low": region.d_prime.low,
        "d_prime_high": region.d_prime.high,
        "p_exact": np.nan,
        "p_mantel_haenszel": within.p,
        "odds_ratio": within.odds_ratio,
        "odds_ratio_low": within.low,
        "odds_ratio_high": within.high,
        "odds_ratio_low_sites": region.odds_ratio.low,
        "odds_ratio_high_sites": region.odds_ratio.high,
        "p_homogeneity": within.p_homogeneity,
    }
    for name in ("d_within", "d_prime_within"):
        found = getattr(region, name)
        values |= {name: found.estimate, f"{name}_low": found.low, f"{name}_high": found.high}
    return _described(cells.sum(axis=0, keepdims=True)).assign(
        **{name: _finite(np.array([value])) for name, value in values.items()}
    )


def _finite(values: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the values, infinite ones as missing: they say no more than that a cell is empty."""
    return np.where(np.isfinite(values), values, np.nan)
