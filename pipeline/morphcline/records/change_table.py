"""Change since earlier surveys: places paired by nearness, and what their counts say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.language import marked
from morphcline.stats.change import Pairs, cochran_mantel_haenszel, difference, pair_sites, paired_change
from morphcline.stats.change_pattern import PairsInSpace
from morphcline.stats.paired_shift import PairedShift, paired_shift, shifts_of_pairs

Floats = NDArray[np.float64]

#: Methods of the rows: of one site; of all shells within pairs of sites; of all pairs of sites, in frequency, on the
#: logit, and on the logit when near pairs may change alike.
AT_A_SITE = marked("Newcombe 1998 difference")
OVER_SHELLS = marked("Cochran–Mantel–Haenszel")
OVER_PAIRS = marked("paired sites, over-dispersion allowed")
ON_THE_LOGIT = marked("shift of the logit, each site's drift allowed")
OVER_SPACE = marked("shift of the logit, near sites may drift alike")

#: What each pooled row is a test of.
NOTES = {
    OVER_SHELLS: "of the shells of these very sites: where sites drift by themselves, it finds a change in more than "
    "one of twenty regions that have none",
    OVER_PAIRS: "of the region: each site may drift by itself; near sites count as independent",
    ON_THE_LOGIT: "of the region, on the scale of log odds: each site has a level and a drift of its own; near sites "
    "count as independent",
    OVER_SPACE: "of the region, on the scale of log odds: sites may drift, and near ones alike; believe it where "
    "p_moran is small, and with care where few effective_pairs are left",
}

CHANGE_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "pair": "the two surveys compared",
    "earlier_survey": "name of the earlier survey",
    "site": "site; empty in the rows of all pairs together",
    "earlier_site": "the earlier survey's site that is the same place; empty in the rows of all pairs together",
    "distance_m": "metres between the two where places aren't hidden, else empty; their mean in the rows of all pairs "
    "together, raised to a quarter of [change] within_m where they are",
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
    "detectable_difference": "over pairs of sites: the difference that would have been seen in 80 of 100 surveys of as "
    "many pairs, shells and as much scatter, with p below 1 less the study's confidence",
    "shift": "mean over pairs of sites of the change of the log odds",
    "shift_se": "its standard error",
    "shift_low": "its lower limit at the study's confidence",
    "shift_high": "its upper limit at the study's confidence",
    "drift_sd": "standard deviation of the shift between pairs of sites, beyond chance; patchy samples add to it",
    "drift_sd_low": "its lower limit at the study's confidence",
    "drift_sd_high": "its upper limit at the study's confidence; empty where the counts set none",
    "p_drift": "p-value of one shift for all pairs of sites",
    "drift_share": "share of the spread of the pairs' own shifts that is drift, not chance, 0 to 1",
    "moran_i": "near sites may drift alike: Moran's I of the pairs' shifts among the eight nearest pairs",
    "p_moran": "its two-sided p-value",
    "range_m": "metres over which the correlation of the shifts falls to 1/e of its start; empty without any",
    "effective_pairs": "independent pairs of sites that the mean is worth",
    "note": "what the row is a test of",
}

RADIUS_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "earlier_survey": "name of the earlier survey",
    "within_m": "metres within which an earlier and a present site are taken for the same place",
    "chosen": "whether this is [change] within_m",
    "pairs": "pairs of sites with shells judged in both surveys",
    "distance_m": "mean metres between the two of a pair, raised to a quarter of [change] within_m where places are "
    "hidden",
    "difference": "as in change.csv over pairs of sites, over-dispersion allowed",
    "low": "its lower limit at the study's confidence",
    "high": "its upper limit at the study's confidence",
    "p": "its p-value",
    "shift": "as in change.csv on the logit",
    "shift_low": "its lower limit at the study's confidence",
    "shift_high": "its upper limit at the study's confidence",
}

UNMATCHED_COLUMNS = {
    "species": "species, by its full name",
    "earlier_survey": "name of the earlier survey",
    "survey": "survey of the site; empty for the present one",
    "site": "site that has no pair",
    "shells": "most shells judged there for any trait",
    "nearest_site": "nearest site of the other survey where the species was judged; empty without any",
    "nearest_m": "metres to it, raised to whole sides of the squares that hide places",
    "reason": "why it has no pair",
}

#: Radii tried, as multiples of the one chosen.
RADII = (0.5, 1.0, 2.0, 4.0)


@dataclass(frozen=True)
class Surveys:
    """Sites and frequencies of the present survey and of the earlier ones, as the tables hold them."""

    sites: pd.DataFrame
    frequencies: pd.DataFrame
    earlier_sites: pd.DataFrame
    earlier_frequencies: pd.DataFrame
    regional: pd.DataFrame


@dataclass(frozen=True)
class ChangeTables:
    """Rows of ``change.csv``, ``change_radius.csv`` and ``change_unmatched.csv``, and what was paired."""

    change: pd.DataFrame
    radius: pd.DataFrame
    unmatched: pd.DataFrame
    paired: list[dict[str, Any]]


def change_tables(surveys: Surveys, species: Sequence[str], *, within_m: float, confidence: float) -> ChangeTables:
    """Return the tables of change, and how many earlier sites of each survey and species were paired.

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
    radius_rows: list[dict[str, Any]] = []
    unmatched: list[dict[str, Any]] = []
    paired: list[dict[str, Any]] = []
    for survey in dict.fromkeys(surveys.earlier_frequencies["survey"]):
        for name in species:
            before = _of_species(surveys.earlier_frequencies, name, survey)
            after = _of_species(surveys.frequencies, name)
            if before.empty:
                continue
            old = _places(surveys.earlier_sites[surveys.earlier_sites["survey"] == survey], before)
            new = _places(surveys.sites, after)
            by_radius = {
                factor * within_m: pair_sites(
                    old["x_m"], old["y_m"], new["x_m"], new["y_m"], within_m=factor * within_m
                )
                for factor in RADII
            }
            pairs = by_radius[within_m]
            paired.append(
                {
                    "earlier_survey": survey,
                    "species": name,
                    "earlier_sites": len(old),
                    "paired": len(pairs.earlier),
                    "without_present_site": len(old) - len(pairs.earlier),
                }
            )
            fixed = {"species": name, "earlier_survey": survey}
            unmatched += [{**fixed, **row} for row in _of_unmatched(str(survey), pairs, old, new, within_m)]
            in_space: dict[bytes, PairsInSpace] = {}
            known_rho = surveys.regional[surveys.regional["species"] == name].set_index("trait")["rho"]
            for trait in dict.fromkeys(after["trait"]):
                rho = float(known_rho.get(trait, np.nan))
                fits: dict[bytes, tuple[pd.DataFrame, dict[str, Any], dict[str, Any]]] = {}
                then, now = before[before["trait"] == trait], after[after["trait"] == trait]
                for metres, those in by_radius.items():
                    # A wider radius that pairs no other places has the same answer.
                    key = those.earlier.tobytes() + b"/" + those.later.tobytes()
                    if key not in fits:
                        matched = _matched(those, old, new, then, now)
                        if matched.empty:
                            continue
                        both = _over_pairs(matched, rho, confidence), _on_the_logit(matched, confidence)
                        fits[key] = (matched, *both)
                    matched, mean, shift = fits[key]
                    about = {**fixed, "trait": trait, "pairs": len(matched)}
                    radius_rows.append(
                        {
                            **shift, **mean, **about, "within_m": metres, "chosen": metres == within_m,
                            "distance_m": matched["distance_m"].mean(),
                        }
                    )  # fmt: skip
                    if metres == within_m:
                        where = matched[["x_m", "y_m"]].to_numpy(dtype=float)
                        space = in_space.setdefault(where.tobytes(), PairsInSpace(*where.T))
                        near = _over_space(matched, shift, space, confidence)
                        pooled = (_over_shells(matched, confidence), mean, shift, near)
                        about["pair"] = f"{survey} – now"
                        rows += [{**about, **row} for row in _of_sites(matched, confidence)]
                        rows += [{**about, **_sums(matched), **row} for row in pooled]
    return ChangeTables(
        pd.DataFrame(rows, columns=list(CHANGE_COLUMNS)),
        pd.DataFrame(radius_rows, columns=list(RADIUS_COLUMNS)),
        pd.DataFrame(unmatched, columns=list(UNMATCHED_COLUMNS)),
        paired,
    )


def _of_species(frequencies: pd.DataFrame, species: str, survey: str | None = None) -> pd.DataFrame:
    kept = (frequencies["species"] == species) & (frequencies["total"] > 0)
    if survey is not None:
        kept &= frequencies["survey"] == survey
    return frequencies[kept]


def _places(sites: pd.DataFrame, frequencies: pd.DataFrame) -> pd.DataFrame:
    here = sites[sites["site"].isin(frequencies["site"].unique())]
    shells = frequencies.groupby("site")["total"].max().rename("shells")
    return here.sort_values("site", ignore_index=True)[["site", "x_m", "y_m"]].join(shells, on="site")


def _of_unmatched(
    survey: str, pairs: Pairs, old: pd.DataFrame, new: pd.DataFrame, within_m: float
) -> list[dict[str, Any]]:
    """Return the sites of both surveys that have no pair, with the nearest of the other survey."""
    rows = []
    for name, here, taken, there in ((survey, old, pairs.earlier, new), ("", new, pairs.later, old)):
        apart = np.hypot(
            *(here[["x_m", "y_m"]].to_numpy()[:, None] - there[["x_m", "y_m"]].to_numpy()).transpose(2, 0, 1)
        )
        known = np.isfinite(apart)
        for at in np.setdiff1d(np.arange(len(here)), taken):
            row = {"survey": name, "site": here["site"].iloc[at], "shells": here["shells"].iloc[at]}
            if known[at].any():
                nearest = int(np.nanargmin(apart[at]))
                row |= {"nearest_site": there["site"].iloc[nearest], "nearest_m": apart[at, nearest]}
                beyond = apart[at, nearest] > within_m
                row["reason"] = "none within the radius" if beyond else "the sites within the radius have closer pairs"
            else:
                row |= {"nearest_site": "", "nearest_m": np.nan, "reason": "no place to measure from or to"}
            rows.append(row)
    return rows


def _matched(
    pairs: Pairs, old: pd.DataFrame, new: pd.DataFrame, before: pd.DataFrame, after: pd.DataFrame
) -> pd.DataFrame:
    """Return the pairs with shells judged in both surveys, by present site."""
    table = pd.DataFrame(
        {
            "earlier_site": old["site"].to_numpy()[pairs.earlier],
            "site": new["site"].to_numpy()[pairs.later],
            "distance_m": pairs.distance_m,
            "x_m": new["x_m"].to_numpy()[pairs.later],
            "y_m": new["y_m"].to_numpy()[pairs.later],
        }
    )
    then = before[["site", "count", "total"]].set_axis(["earlier_site", "earlier_count", "earlier_total"], axis=1)
    now = after[["site", "count", "total"]].set_axis(["site", "later_count", "later_total"], axis=1)
    return table.merge(then, on="earlier_site").merge(now, on="site").sort_values("site", ignore_index=True)


def _of_sites(matched: pd.DataFrame, confidence: float) -> list[dict[str, Any]]:
    change, low, high = difference(*_counts(matched), confidence=confidence)
    rows = []
    tables = _tables(matched)
    for i, found in enumerate(matched.to_dict("records")):
        row = {str(name): value for name, value in found.items()}
        test = cochran_mantel_haenszel(tables[i : i + 1], confidence=confidence)
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


def _sums(matched: pd.DataFrame) -> dict[str, Any]:
    return {"site": "", "earlier_site": "", "distance_m": matched["distance_m"].mean(), **_shells(matched)}


def _shells(matched: pd.DataFrame) -> dict[str, Any]:
    return {name: int(matched[name].sum()) for name in _COUNTS}


def _over_shells(matched: pd.DataFrame, confidence: float) -> dict[str, Any]:
    frequencies = _frequencies(_shells(matched))
    test = cochran_mantel_haenszel(_tables(matched), confidence=confidence)
    return {
        **frequencies,
        "difference": frequencies["later_frequency"] - frequencies["earlier_frequency"],
        "p": test.p,
        "method": OVER_SHELLS,
        "odds_ratio": test.odds_ratio,
        "odds_ratio_low": test.low,
        "odds_ratio_high": test.high,
        "p_homogeneity": test.p_homogeneity,
        "not_tested_because": "" if test.strata else "all shells of both surveys are alike",
        "note": NOTES[OVER_SHELLS],
    }


def _over_pairs(matched: pd.DataFrame, rho: float, confidence: float) -> dict[str, Any]:
    mean = paired_change(*_counts(matched), rho, confidence=confidence)
    return {
        "earlier_frequency": mean.earlier,
        "later_frequency": mean.later,
        "difference": mean.difference,
        "low": mean.low,
        "high": mean.high,
        "p": mean.p,
        "method": OVER_PAIRS,
        "detectable_difference": mean.detectable,
        "not_tested_because": mean.not_tested_because,
        "note": NOTES[OVER_PAIRS],
    }


def _on_the_logit(matched: pd.DataFrame, confidence: float) -> dict[str, Any]:
    fit: PairedShift = paired_shift(*_counts(matched), confidence=confidence)
    return {
        "p": fit.p,
        "method": ON_THE_LOGIT,
        "not_tested_because": fit.not_tested_because,
        "shift": fit.shift,
        "shift_se": fit.se,
        "shift_low": fit.low,
        "shift_high": fit.high,
        "drift_sd": fit.drift_sd,
        "drift_sd_low": fit.drift_low,
        "drift_sd_high": fit.drift_high,
        "p_drift": fit.p_drift,
        "drift_share": fit.beyond_chance,
        "note": NOTES[ON_THE_LOGIT],
    }


def _over_space(
    matched: pd.DataFrame, fitted: dict[str, Any], places: PairsInSpace, confidence: float
) -> dict[str, Any]:
    about = {"method": OVER_SPACE, "note": NOTES[OVER_SPACE], "not_tested_because": fitted["not_tested_because"]}
    if fitted["not_tested_because"]:
        return about
    own = shifts_of_pairs(*_counts(matched), about=fitted["shift"])
    fit = places.mean_shift(own, fitted["drift_sd"], confidence=confidence)
    names = ("shift", "p", "moran_i", "p_moran", "range_m", "effective_pairs", "not_tested_because")
    limits = {"shift_se": fit.se, "shift_low": fit.low, "shift_high": fit.high}
    return {**about, **{name: getattr(fit, name) for name in names}, **limits}


def _tables(matched: pd.DataFrame) -> Floats:
    """Return a table for each pair: rows later and earlier, columns shells with the trait and the rest."""
    before, before_total, after, after_total = _counts(matched)
    return np.stack([after, after_total - after, before, before_total - before], axis=1).reshape(-1, 2, 2)


def _frequencies(row: dict[str, Any]) -> dict[str, float]:
    return {f"{when}_frequency": row[f"{when}_count"] / row[f"{when}_total"] for when in ("earlier", "later")}
