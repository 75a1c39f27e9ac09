"""What is told of the likeness of sites: columns and rows of indices, correlograms, reach and clusters."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.records.smoothing import Samples
from morphcline.stats.autocorrelation import MoranResult
from morphcline.stats.correlogram import Correlogram
from morphcline.stats.local_moran import STOP_AFTER, LocalMoran
from morphcline.stats.pair_classes import MIN_PAIRS, PairClasses
from morphcline.stats.permutation import PermutedMoran, monte_carlo_limits
from morphcline.stats.reach import Reach

Floats = NDArray[np.float64]

#: Draws by which local clusters are judged at most, if the study doesn't ask for more permutations. A false-discovery
#: rate over hundreds of sites turns on p-values of a few ten-thousandths, which 999 draws can't tell apart.
LOCAL_DRAWS = 19_999
#: Resampled surveys for the interval of a reach.
RESAMPLES = 199
FORMS = ("rate-adjusted", "raw")

INDEX_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "form": "rate-adjusted: frequencies as standardised deviates, with binomial variance and the trait's intra-site "
    "correlation; raw: frequencies as they are",
    "sites": "sites in the sums: those with a sample that is large enough, and neighbours",
    "neighbours": "mean number of neighbours of a site",
    "islands": "sites left out because they have no neighbours",
    "moran_i": "Moran's I, row-standardised weights",
    "expected": "what chance gives on average, -1 / (sites - 1)",
    "variance": "variance of I under randomisation",
    "z": "(moran_i - expected) / sqrt(variance)",
    "p_normal": "two-sided p-value of z",
    "variance_normality": "variance of I if the values were normal",
    "z_normality": "standard deviate with variance_normality",
    "p_normality": "two-sided p-value of z_normality",
    "p_permutation": "two-sided p-value by shuffling the values over the sites: the one to believe",
    "p_mc_low": "lower 95 % limit of the p-value that all shuffles would give (Monte-Carlo error of p_permutation)",
    "p_mc_high": "upper 95 % limit of it",
    "permutations": "number of shuffles",
    "not_tested_because": "why there are no numbers, else empty",
}
CORRELOGRAM_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait, as rate-adjusted deviates",
    "distance_class": "number of the class, from 1",
    "from_m": "lower limit in metres, not in the class (but in the first)",
    "to_m": "upper limit in metres, in the class",
    "mean_m": "mean distance of the class's pairs, metres",
    "pairs": "pairs of sites in the class, each counted once",
    "moran_i": f"Moran's I of these pairs, binary weights; empty below {MIN_PAIRS} pairs",
    "expected": "what chance gives on average, -1 / (sites - 1)",
    "envelope_low": "lower limit of the simultaneous envelope: by chance the whole correlogram stays between "
    "envelope_low and envelope_high but for a share of [autocorrelation] level (extreme rank length)",
    "envelope_high": "upper limit of the simultaneous envelope",
    "pointwise_low": "lower limit for this class by itself: by chance outside with a probability of [autocorrelation] "
    "level in each class",
    "pointwise_high": "upper limit for this class by itself",
    "p_permutation": "two-sided p-value by shuffling the values over the sites",
    "p_mc_low": "lower 95 % limit of the p-value that all shuffles would give (Monte-Carlo error of p_permutation)",
    "p_mc_high": "upper 95 % limit of it",
    "p_holm": "p_permutation adjusted over the trait's classes (Holm)",
}
REACH_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait, as rate-adjusted deviates",
    "sites": "sites with a sample that is large enough",
    "p_global": "p-value of the whole correlogram: it leaves its simultaneous envelope where this is within "
    "[autocorrelation] level",
    "reach_m": "metres at which the correlogram, made to fall, first comes down to its average over all pairs: beyond, "
    "sites are no more alike than any two of the region. Empty where not_estimated_because says why",
    "reach_low": f"lower 95 % limit in metres, bootstrap over sites ({RESAMPLES} resamples, a site never paired with "
    "itself); 0 where the nearest class may be no more alike than average",
    "reach_high": "upper 95 % limit in metres; empty when it is open",
    "not_estimated_because": "why reach_m is empty, else empty",
}
LOCAL_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait, as rate-adjusted deviates",
    "site": "site",
    "local_i": "local Moran's I, row-standardised weights, variance over n; its mean over the sites is moran_i",
    "p_permutation": "two-sided p-value by drawing the site's neighbours from all other sites, until the index has "
    f"been reached {STOP_AFTER} times ({STOP_AFTER} / draws), else over all draws ((reached + 1) / (draws + 1))",
    "draws": f"draws that the p-value rests on: at most {LOCAL_DRAWS}, or [autocorrelation] permutations if that is "
    "more",
    "p_fdr": "p_permutation adjusted over the trait's sites (Benjamini & Hochberg)",
    "group": "where p_fdr is within [autocorrelation] level, the site's value among its neighbours': high among high, "
    "high among low, low among high, low among low; else no local signal; not tested where the sample is too small, "
    "the site has no neighbours or the trait can't be tested",
}

#: Columns of the index that stay empty where nothing is tested.
INDEX_NUMBERS = (
    "moran_i", "expected", "variance", "z", "p_normal", "variance_normality", "z_normality", "p_normality",
    "p_permutation", "p_mc_low", "p_mc_high", "permutations",
)  # fmt: skip


def index_rows(samples: Samples, result: MoranResult, shuffled: PermutedMoran, permutations: int) -> pd.DataFrame:
    """Return the rows of ``autocorrelation.csv`` of traits that are known at the same sites, one form after the other.

    Parameters
    ----------
    samples : Samples
    result, shuffled : MoranResult, PermutedMoran
        Of the traits' values in each of :data:`FORMS`, form by form.
    permutations : int
    """
    low, high = monte_carlo_limits(shuffled.p, permutations)
    return pd.DataFrame(
        {
            "species": samples.species,
            "trait": samples.traits * len(FORMS),
            "form": np.repeat(FORMS, len(samples.traits)),
            "sites": result.sites,
            "neighbours": result.neighbours,
            "islands": result.islands,
            "moran_i": result.i,
            "expected": result.expected,
            "variance": result.variance,
            "z": result.z,
            "p_normal": result.p,
            "variance_normality": result.variance_normality,
            "z_normality": result.z_normality,
            "p_normality": result.p_normality,
            "p_permutation": shuffled.p,
            "p_mc_low": low,
            "p_mc_high": high,
            "permutations": np.where(np.isnan(shuffled.p), np.nan, permutations),
            "not_tested_because": result.not_tested_because,
        }
    )


def correlogram_rows(samples: Samples, pairs: PairClasses, result: Correlogram, permutations: int) -> pd.DataFrame:
    """Return the rows of ``correlogram.csv`` of traits that are known at the same sites."""
    traits, classes = len(samples.traits), len(pairs.number)
    low, high = monte_carlo_limits(result.p, permutations)
    by_trait = {
        "moran_i": result.i,
        "expected": np.where(np.isnan(result.i), np.nan, result.expected),
        "envelope_low": result.low,
        "envelope_high": result.high,
        "pointwise_low": result.pointwise_low,
        "pointwise_high": result.pointwise_high,
        "p_permutation": result.p,
        "p_mc_low": low,
        "p_mc_high": high,
        "p_holm": result.p_holm,
    }
    return pd.DataFrame(
        {
            "species": samples.species,
            "trait": np.repeat(np.array(samples.traits, dtype=object), classes),
            "distance_class": np.tile(np.arange(1, classes + 1), traits),
            "from_m": np.tile(pairs.limits[:-1], traits),
            "to_m": np.tile(pairs.limits[1:], traits),
            "mean_m": np.tile(pairs.mean_m, traits),
            "pairs": np.tile(pairs.number, traits),
            **{name: values.T.ravel() for name, values in by_trait.items()},
        }
    )


def reach_rows(samples: Samples, found: Correlogram, how_far: Reach, level: float) -> pd.DataFrame:
    """Return the rows of ``correlogram_reach.csv``: no reach where the correlogram stays within its envelope."""
    inside = found.p_global > level
    # Far classes alone can take a curve out of its envelope: that is no likeness of near sites.
    near = int(np.isfinite(found.i).any(axis=1).argmax()) if len(found.i) else 0
    unlike = ~inside & ~(found.i[near] > found.pointwise_high[near])
    within = inside | unlike
    reasons = np.where(
        inside,
        "the correlogram stays within the envelope of chance",
        np.where(
            unlike & np.isfinite(found.p_global),
            "sites of the nearest class are not seen to be alike",
            np.array(how_far.because, dtype=object),
        ),
    )
    values = {"reach_m": how_far.reach_m, "reach_low": how_far.low, "reach_high": how_far.high}
    return pd.DataFrame(
        {
            "species": samples.species,
            "trait": samples.traits,
            "sites": len(samples.names),
            "p_global": found.p_global,
            **{name: np.where(within, np.nan, value) for name, value in values.items()},
            "not_estimated_because": reasons,
        }
    )


def local_rows(samples: Samples, result: LocalMoran) -> pd.DataFrame:
    """Return the rows of ``local.csv`` of traits that are known at the same sites."""
    by_trait = {
        "local_i": result.i,
        "p_permutation": result.p,
        "draws": result.draws,
        "p_fdr": result.p_fdr,
        "group": result.group,
    }
    return pd.DataFrame(
        {
            "species": samples.species,
            "trait": np.repeat(np.array(samples.traits, dtype=object), len(samples.names)),
            "site": np.tile(np.array(samples.names, dtype=object), len(samples.traits)),
            **{name: values.T.ravel() for name, values in by_trait.items()},
        }
    )
