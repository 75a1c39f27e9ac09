"""Tables of the plan: places for new samples, and samples that show a difference."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from morphcline.records.smoothing import Samples
from morphcline.stats.planning import other_frequency, sites_for_two_groups, sites_for_two_surveys

#: Comparisons that the sample sizes are for.
TWO_HABITATS = "two habitats"
TWO_SURVEYS = "two surveys of the same sites"

#: What goes with a place that nobody has looked at from near by.
CAUTION = (
    "computed from a map: ask the owner first, mind water's edge and roads, keep off protected ground without leave, "
    "and don't publish the place of a garden"
)

PLACE_COLUMNS = {
    "rank": "order in which the places are worth it: each is chosen given those before",
    "x_m": "easting in metres of the study's CRS: the centre of a cell of the surfaces, not a spot to stand on",
    "y_m": "northing in metres",
    "lon": "longitude, degrees, WGS 84",
    "lat": "latitude, degrees, WGS 84",
    "habitat": "class of the habitat raster at the place; empty where none is known",
    "reach": "by how much the place's worth counts, 0 to 1, from [plan] reachability; 1 without one",
    "standard_error_here": "expected standard error there now: root of the mean square over species and traits",
    "standard_error_after": "root of the mean square of the standard errors over area, species and traits, once this "
    "place and those before it are sampled",
    "reduction": "share by which this place lowers the mean square standard error that those before it leave",
    "reduction_so_far": "share by which it is lowered by this place and those before it",
    "most_for": "species and trait whose surface gains most",
    "nearest_site": "nearest site of the survey, by where it is published",
    "nearest_site_m": "metres to where it is published",
    "caution": "what to bear in mind",
}

SIZE_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "comparison": "two habitats: groups of other sites; two surveys: the same sites then and now",
    "frequency": "frequency that one of the two has: the region's",
    "difference": "difference of the other, towards one half, that is to be seen",
    "shells": "shells judged a sample",
    "sites": "sites needed in each habitat, or seen in both surveys; empty where 100,000 are not enough, or where "
    "there is no such frequency",
    "shells_in_all": "shells of both groups or surveys together",
    "rho": "two habitats: intra-site correlation, about the surface where the trait has one",
    "drift_sd": "two surveys: standard deviation in logits of the sites' own changes, from the earlier surveys; 0 "
    "without one: then it takes more sites than this if sites drift",
    "level": "of the two-sided test",
    "power": "probability with which the difference is seen",
}


@dataclass(frozen=True)
class Basis:
    """What a trait's sample sizes rest on: the region's frequency, the correlation and the drift."""

    species: str
    trait: str
    frequency: float
    rho: float
    drift_sd: float


def size_rows(
    bases: Sequence[Basis], *, differences: Sequence[float], samples: Sequence[int], level: float, power: float
) -> pd.DataFrame:
    """Return the rows of ``sample_sizes.csv``.

    Parameters
    ----------
    bases : sequence of Basis
    differences : sequence of float
    samples : sequence of int
        Shells a sample.
    level, power : float
    """
    rows = []
    for basis in bases:
        for difference in differences:
            other = other_frequency(basis.frequency, difference)
            for comparison in (TWO_HABITATS, TWO_SURVEYS):
                for shells in samples:
                    sites = 0
                    if 0 < basis.frequency < 1 and np.isfinite(other):
                        how = {"shells": float(shells), "level": level, "power": power}
                        sites = (
                            sites_for_two_groups(basis.frequency, other, rho=basis.rho, **how)
                            if comparison == TWO_HABITATS
                            else sites_for_two_surveys(basis.frequency, other, drift_sd=basis.drift_sd, **how)
                        )
                    rows.append(
                        {
                            "species": basis.species,
                            "trait": basis.trait,
                            "comparison": comparison,
                            "frequency": basis.frequency,
                            "difference": difference,
                            "shells": shells,
                            "sites": sites or pd.NA,
                            "shells_in_all": 2 * sites * shells or pd.NA,
                            "rho": basis.rho if comparison == TWO_HABITATS else np.nan,
                            "drift_sd": basis.drift_sd if comparison == TWO_SURVEYS else np.nan,
                            "level": level,
                            "power": power,
                        }
                    )
    return pd.DataFrame(rows, columns=list(SIZE_COLUMNS))


def expected_shells(samples: Samples, trait: str, *, shells: float, share: float) -> float:
    """Return how many shells of a planned sample can be judged for a trait.

    Parameters
    ----------
    samples : Samples
    trait : str
    shells : float
        Adult shells of all species that the sample is expected to hold.
    share : float
        Of the species among the survey's shells.

    Notes
    -----
    The most shells judged for any trait stand for a sample's shells of the species; of these the trait's denominator
    takes the share that it takes of the survey's.
    """
    whole = float(samples.total.max(axis=1).sum())
    judged = float(samples.total[:, samples.traits.index(trait)].sum())
    return shells * share * judged / whole if whole else 0.0
