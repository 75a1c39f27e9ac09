"""Change since earlier surveys: places paired by nearness, and what their counts say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.stats.change import Pairs, cochran_mantel_haenszel, difference, pair_sites, paired_change

Floats = NDArray[np.float64]

#: Methods of the rows: of one site, of all shells within pairs of sites, of all pairs of sites.
AT_A_SITE = "Newcombe 1998 difference"
OVER_SHELLS = "Cochran–Mantel–Haenszel"
OVER_PAIRS = "paired sites, over-dispersion allowed"

CHANGE_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "pair": "the two surveys compared",
    "earlier_survey": "name of the earlier survey",
    "site": "site; empty in the rows of all pairs together",
    "earlier_site": "the earlier survey's site that is the same place; empty in the rows of all pairs together",
    "distance_m": "metres between the two; their mean in the rows of all pairs together",
    "earlier_count": "shells with the trait then",
    "earlier_total": "shells judged then",
    "later_count": "shells with the trait now",
    "later_total": "shells judged now",
    "earlier_frequency": "earlier_count / earlier_total; over pairs of sites, the mean of the sites' frequencies with "
    "the weights of the difference, so not the share of all shells",
    "later_frequency": "later_count / later_total; over pairs of sites, as earlier_frequency",
    "difference": "later_frequency less earlier_frequency; over pairs of sites, the mean of their differences, a "
    "pair weighted by 1 / (1/m + 1/n) with the effective numbers of shells of its two samples",
    "low": "lower limit of the difference at the study's confidence",
    "high": "upper limit of the difference at the study's confidence",
    "p": "two-sided p-value of no change. Of a site and over shells, shells are taken as independent (no continuity "
    "correction): where sites drift by themselves, believe the row over pairs of sites",
    "method": "how limits and p were found",
    "pairs": "pairs of sites with shells judged in both surveys",
    "odds_ratio": "over shells: common odds ratio, later against earlier",
    "odds_ratio_low": "its lower limit at the study's confidence",
    "odds_ratio_high": "its upper limit at the study's confidence",
    "p_homogeneity": "over shells: p-value of one odds ratio for all sites (Tarone)",
    "not_tested_because": "why there is no p, else empty",
}


@dataclass(frozen=True)
class Surveys:
    """Sites and frequencies of the present survey and of the earlier ones, as the tables hold them."""

    sites: pd.DataFrame
    frequencies: pd.DataFrame
    earlier_sites: pd.DataFrame
    earlier_frequencies: pd.DataFrame
    regional: pd.DataFrame


def change_rows(
    surveys: Surveys, species: Sequence[str], *, within_m: float, confidence: float
) -> tuple[pd.DataFrame, list[dict[str, Any]]]:
    """Return the rows of ``change.csv``, and how many earlier sites of each survey and species were paired.

    Parameters
    ----------
    surveys : Surveys
    species : sequence of str
    within_m : float
        An earlier and a present site closer than this are the same place.
    confidence : float

    Notes
    -----
    Places are paired for each species by itself, among sites where shells of it were judged.
    """
    rows: list[dict[str, Any]] = []
    paired: list[dict[str, Any]] = []
    for survey in dict.fromkeys(surveys.earlier_frequencies["survey"]):
        for name in species:
            before = _of_species(surveys.earlier_frequencies, name, survey)
            after = _of_species(surveys.frequencies, name)
            if before.empty:
                continue
            old = _places(surveys.earlier_sites[surveys.earlier_sites["survey"] == survey], before)
            new = _places(surveys.sites, after)
            pairs = pair_sites(old["x_m"], old["y_m"], new["x_m"], new["y_m"], within_m=within_m)
            paired.append(
                {
                    "earlier_survey": survey,
                    "species": name,
                    "earlier_sites": len(old),
                    "paired": len(pairs.earlier),
                    "without_present_site": len(old) - len(pairs.earlier),
                }
            )
            known_rho = surveys.regional[surveys.regional["species"] == name].set_index("trait")["rho"]
            for trait in dict.fromkeys(after["trait"]):
                matched = _matched(pairs, old, new, before[before["trait"] == trait], after[after["trait"] == trait])
                if len(matched):
                    fixed = {
                        "species": name,
                        "trait": trait,
                        "pair": f"{survey} – now",
                        "earlier_survey": survey,
                        "pairs": len(matched),
                    }
                    rho = float(known_rho.get(trait, np.nan))
                    rows += [{**fixed, **row} for row in _of_sites(matched, confidence)]
                    rows += [{**fixed, **row} for row in _of_all(matched, rho, confidence)]
    return pd.DataFrame(rows, columns=list(CHANGE_COLUMNS)), paired


def _of_species(frequencies: pd.DataFrame, species: str, survey: str | None = None) -> pd.DataFrame:
    kept = (frequencies["species"] == species) & (frequencies["total"] > 0)
    if survey is not None:
        kept &= frequencies["survey"] == survey
    return frequencies[kept]


def _places(sites: pd.DataFrame, frequencies: pd.DataFrame) -> pd.DataFrame:
    here = sites[sites["site"].isin(frequencies["site"].unique())]
    return here.sort_values("site", ignore_index=True)[["site", "x_m", "y_m"]]


def _matched(
    pairs: Pairs, old: pd.DataFrame, new: pd.DataFrame, before: pd.DataFrame, after: pd.DataFrame
) -> pd.DataFrame:
    """Return the pairs with shells judged in both surveys, by present site."""
    table = pd.DataFrame(
        {
            "earlier_site": old["site"].to_numpy()[pairs.earlier],
            "site": new["site"].to_numpy()[pairs.later],
            "distance_m": pairs.distance_m,
        }
    )
    then = before[["site", "count", "total"]].set_axis(["earlier_site", "earlier_count", "earlier_total"], axis=1)
    now = after[["site", "count", "total"]].set_axis(["site", "later_count", "later_total"], axis=1)
    return table.merge(then, on="earlier_site").merge(now, on="site").sort_values("site", ignore_index=True)


def _of_sites(matched: pd.DataFrame, confidence: float) -> list[dict[str, Any]]:
    change, low, high = difference(*_counts(matched), confidence=confidence)
    rows = []
    for i in range(len(matched)):
        row: dict[str, Any] = {name: matched[name].iloc[i] for name in matched.columns}
        test = cochran_mantel_haenszel(_tables(matched.iloc[[i]]), confidence=confidence)
        alike = "" if test.strata else "all shells of both surveys are alike"
        rows.append(
            {
                **row,
                **_frequencies(row),
                "difference": change[i],
                "low": low[i],
                "high": high[i],
                "p": test.p,
                "method": AT_A_SITE,
                "not_tested_because": alike,
            }
        )
    return rows


def _counts(matched: pd.DataFrame) -> tuple[Floats, Floats, Floats, Floats]:
    before, before_total, after, after_total = (matched[name].to_numpy(dtype=np.float64) for name in _COUNTS)
    return before, before_total, after, after_total


_COUNTS = ("earlier_count", "earlier_total", "later_count", "later_total")


def _of_all(matched: pd.DataFrame, rho: float, confidence: float) -> list[dict[str, Any]]:
    sums: dict[str, Any] = {name: int(matched[name].sum()) for name in _COUNTS}
    both = {"site": "", "earlier_site": "", "distance_m": matched["distance_m"].mean(), **sums, **_frequencies(sums)}
    test = cochran_mantel_haenszel(_tables(matched), confidence=confidence)
    mean = paired_change(*_counts(matched), rho, confidence=confidence)
    return [
        {
            **both,
            "difference": both["later_frequency"] - both["earlier_frequency"],
            "p": test.p,
            "method": OVER_SHELLS,
            "odds_ratio": test.odds_ratio,
            "odds_ratio_low": test.low,
            "odds_ratio_high": test.high,
            "p_homogeneity": test.p_homogeneity,
            "not_tested_because": "" if test.strata else "all shells of both surveys are alike",
        },
        {
            **both,
            "earlier_frequency": mean.earlier,
            "later_frequency": mean.later,
            "difference": mean.difference,
            "low": mean.low,
            "high": mean.high,
            "p": mean.p,
            "method": OVER_PAIRS,
            "not_tested_because": mean.not_tested_because,
        },
    ]


def _tables(matched: pd.DataFrame) -> Floats:
    """Return a table for each pair: rows later and earlier, columns shells with the trait and the rest."""
    before, before_total, after, after_total = _counts(matched)
    return np.stack([after, after_total - after, before, before_total - before], axis=1).reshape(-1, 2, 2)


def _frequencies(row: dict[str, Any]) -> dict[str, float]:
    return {f"{when}_frequency": row[f"{when}_count"] / row[f"{when}_total"] for when in ("earlier", "later")}
