"""Variograms of each species and trait, and the tables they make."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial.distance import pdist, squareform

from morphcline.records.smoothing import Samples
from morphcline.records.stacking import framed, joined
from morphcline.stats.pair_classes import MIN_PAIRS, PAIRS_HELD_UP_TO, PairClasses, equal_steps
from morphcline.stats.variogram import Variogram, fit_variogram

Floats = NDArray[np.float64]

#: Classes of one width, up to half of the largest distance.
CLASSES = 15
#: Surveys drawn from a fitted curve for the intervals of its parameters.
RESAMPLES = 199

VARIOGRAM_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait, as empirical logits log((count + 1/2) / (total - count + 1/2))",
    "distance_class": "number of the class, from 1",
    "from_m": "lower limit in metres, not in the class (but in the first)",
    "to_m": "upper limit in metres, in the class",
    "mean_m": "mean distance of the class's pairs, metres",
    "pairs": "pairs of sites in the class, each counted once",
    "semivariance": f"half the mean squared difference of the pairs' logits; empty below {MIN_PAIRS} pairs",
    "fitted": "the curve there: both nuggets and sill (1 - exp(-mean_m / range_m))",
}
_LIMITS = "95 % limit, surveys drawn from the fitted curve; empty when it is open"
FIT_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait, as empirical logits",
    "sites": "sites with a sample that is large enough",
    "nugget_binomial": "variance of a logit that counting shells alone makes, averaged over the sites: known from the "
    "sample sizes, not fitted",
    "nugget_small_scale": "the rest of the nugget: what sites differ by at distances shorter than the survey can tell",
    "nugget_small_scale_low": f"lower {_LIMITS}",
    "nugget_small_scale_high": f"upper {_LIMITS}",
    "sill": "partial sill: variance of the part of the logits that is alike at near sites; empty without a sill",
    "sill_low": f"lower {_LIMITS}",
    "sill_high": f"upper {_LIMITS}",
    "range_m": "Matérn range in metres; empty without one",
    "range_low": f"lower {_LIMITS}; metres",
    "range_high": f"upper {_LIMITS}; metres",
    "practical_range_m": "metres at which the correlation has fallen to 0.05",
    "practical_range_low": f"lower {_LIMITS}; metres",
    "practical_range_high": f"upper {_LIMITS}; metres",
    "smoothness": "of the Matérn correlation, fixed: 0.5 is the exponential",
    "converged": "whether the weighted least squares settled on a curve with a sill",
    "not_fitted_because": "why numbers are missing, else empty",
}
_ESTIMATES = {
    "nugget_small_scale": "nugget_small_scale",
    "sill": "sill",
    "range_m": "range",
    "practical_range_m": "practical_range",
}


def variogram_rows(samples: Samples, traits: tuple[str, ...], rng: np.random.Generator) -> list[pd.DataFrame]:
    """Return the rows of ``variogram.csv`` and of ``variogram_fit.csv`` of some traits known at the same sites."""
    limits = equal_steps(samples.places[:, 0], samples.places[:, 1], CLASSES)
    if not traits or len(limits) < 2:
        return [framed([], VARIOGRAM_COLUMNS), framed([], FIT_COLUMNS)]
    # Surveys are drawn by a matrix of all sites, and a curve through more than this many needs no more of them.
    kept = np.arange(len(samples.names))
    if len(kept) > PAIRS_HELD_UP_TO:
        kept = np.linspace(0, len(kept) - 1, PAIRS_HELD_UP_TO).astype(np.intp)
    places = samples.places[kept]
    pairs, distance = PairClasses(places[:, 0], places[:, 1], limits), squareform(pdist(places))
    classes, fits = [], []
    for trait in traits:
        column = samples.traits.index(trait)
        found = fit_variogram(
            samples.count[kept, column], samples.total[kept, column], pairs, distance,
            rho=float(samples.rho[column]), resamples=RESAMPLES, rng=rng.spawn(1)[0],
        )  # fmt: skip
        classes.append(_classes(samples.species, trait, pairs, found))
        fits.append(_fit(samples.species, trait, found))
    return [joined(classes, VARIOGRAM_COLUMNS), framed(fits, FIT_COLUMNS)]


def _classes(species: str, trait: str, pairs: PairClasses, found: Variogram) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "species": species,
            "trait": trait,
            "distance_class": np.arange(1, len(pairs.number) + 1),
            "from_m": pairs.limits[:-1],
            "to_m": pairs.limits[1:],
            "mean_m": pairs.mean_m,
            "pairs": pairs.number,
            "semivariance": found.semivariance,
            "fitted": found.fitted,
        }
    )


def _fit(species: str, trait: str, found: Variogram) -> dict[str, object]:
    row: dict[str, object] = {
        "species": species, "trait": trait, "sites": found.sites, "nugget_binomial": found.nugget_binomial,
        "smoothness": found.smoothness, "converged": found.converged, "not_fitted_because": found.because,
    }  # fmt: skip
    for name, stem in _ESTIMATES.items():
        estimate = getattr(found, name)
        row |= {name: estimate.value, f"{stem}_low": estimate.low, f"{stem}_high": estimate.high}
    return row
