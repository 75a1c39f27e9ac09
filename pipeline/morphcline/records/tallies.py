"""From accepted rows to counts: which visits stand for a site, and how many shells of a sample each trait takes.

A sample is a species at a site. Shells are judged once for each combination of colour and banding that occurs, however
many rows hold it; the rest is addition.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.sparse import coo_array

from morphcline.scoring.traits import Trait

Floats = NDArray[np.float64]

#: What a sample is; the survey is empty for the study's own.
SAMPLE = ["survey", "site", "species"]
_SCORES = ["colour", "band_class", "banding"]


@dataclass(frozen=True)
class Tally:
    """Shells of each sample by combination of scores, ready to be asked for any trait.

    Attributes
    ----------
    samples : DataFrame
        survey, site, species; sorted; one row a sample.
    kinds : list of (colour, band class, formula)
        The combinations that occur.
    shells : ndarray, shape (samples, kinds)
        Sparse.
    """

    samples: pd.DataFrame
    kinds: list[tuple[str, str, str]]
    shells: coo_array

    def verdicts(self, trait: Trait) -> Floats:
        """Return, for each kind of shell, what it is to the trait: 1 counted, 0 not, NaN outside the denominator."""
        return np.array([trait.judge(*kind) for kind in self.kinds], dtype=float)  # None becomes NaN

    def count_and_total(self, trait: Trait) -> tuple[Floats, Floats]:
        """Return, for each sample, the shells that count and those they are counted among."""
        verdicts = self.verdicts(trait)
        return self._sum(verdicts == 1), self._sum(~np.isnan(verdicts))

    def two_by_two(self, first: Trait, second: Trait) -> NDArray[np.float64]:
        """Return, for each sample, the shells with both traits, the first only, the second only, and neither.

        Only shells in the denominators of both count.

        Returns
        -------
        ndarray, shape (samples, 2, 2)
        """
        one, other = self.verdicts(first), self.verdicts(second)
        cells = [self._sum((one == a) & (other == b)) for a in (1, 0) for b in (1, 0)]
        return np.stack(cells, axis=-1).reshape(-1, 2, 2)

    def with_formula(self) -> Floats:
        """Return, for each sample, the shells that have a band formula."""
        return self._sum(np.array([bool(formula) for _, _, formula in self.kinds], dtype=bool))

    def _sum(self, kinds: NDArray[np.bool_]) -> Floats:
        # One sample of one kind would come back without its axis.
        return np.reshape(self.shells @ np.asarray(kinds, dtype=float), len(self.samples))


def tally(rows: pd.DataFrame) -> Tally:
    """Count the shells of each sample by combination of scores.

    Parameters
    ----------
    rows : DataFrame
        survey, site, species, colour, band_class, banding (text, empty where not scored), count.

    Returns
    -------
    Tally
    """
    by_sample, by_kind = rows.groupby(SAMPLE, sort=True), rows.groupby(_SCORES, sort=True)
    samples = by_sample.size().index.to_frame(index=False)
    kinds = [(str(colour), str(band_class), str(formula)) for colour, band_class, formula in by_kind.size().index]
    places = by_sample.ngroup().to_numpy(), by_kind.ngroup().to_numpy()
    shells = coo_array((rows["count"].to_numpy(dtype=float), places), shape=(len(samples), len(kinds)))
    return Tally(samples, kinds, shells)


def rows_that_count(records: pd.DataFrame, species: Sequence[str]) -> pd.DataFrame:
    """Return the accepted rows whose shells enter frequencies: counted ones of the species studied."""
    return records[records["counted"].astype(bool) & records["species"].isin(list(species))]


def choose_visits(
    rows: pd.DataFrame, rule: Literal["latest", "pool"], *, in_future: NDArray[np.bool_] | None = None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the rows of the visits that stand for each sample, and what the samples are.

    Parameters
    ----------
    rows : DataFrame
        Rows that count: survey, site, species, visit, date, count.
    rule : {"latest", "pool"}
        The latest visit at which the species was counted at the site, or all of them. Latest goes by the date, or the
        end of an interval, as ISO text: undated visits come first, "2024" before any day of 2024; equal dates go by the
        name of the visit.
    in_future : (n,) array of bool, optional
        Rows whose date had not come yet: a date mistyped. A visit that has no other date is the latest only where
        there is no other visit.

    Returns
    -------
    used : DataFrame
        The rows that are used.
    samples : DataFrame
        survey, site, species, shells, visits, visit_used (several joined by "; "), shells_not_used,
        future_not_used (a visit was passed over since it lies in the future); sorted.
    """
    credible = np.ones(len(rows), dtype=bool) if in_future is None else ~in_future
    ended = rows.assign(ended=rows["date"].str.rsplit("/", n=1).str[-1], credible=credible)
    key, by_date = [*SAMPLE, "visit"], ["credible", "ended"]
    visits = ended.sort_values(by_date, kind="stable").drop_duplicates(key, keep="last")[[*key, *by_date]]
    visits = visits.sort_values([*SAMPLE, *by_date, "visit"])
    shells = rows.groupby(key, sort=True)["count"].sum().rename("shells").reset_index()
    visits = visits.merge(shells, on=key, how="left")
    visits["used"] = True if rule == "pool" else ~visits.duplicated(SAMPLE, keep="last")
    chosen = rows.merge(visits.loc[visits["used"], key], on=key, how="inner")
    by_sample = visits.groupby(SAMPLE, sort=True)
    used = visits[visits["used"]]
    shells_used = used.groupby(SAMPLE, sort=True)["shells"].sum()
    names: list[list[str]] = [[] for _ in range(len(shells_used))]
    for place, name in zip(used.groupby(SAMPLE, sort=True).ngroup(), used["visit"], strict=True):
        if name:
            names[place].append(name)
    samples = pd.DataFrame(
        {
            "shells": shells_used,
            "visits": by_sample.size(),
            "visit_used": ["; ".join(one) for one in names],
            "shells_not_used": by_sample["shells"].sum() - shells_used,
            "future_not_used": (~visits["credible"] & ~visits["used"]).groupby([visits[name] for name in SAMPLE]).any(),
        }
    ).reset_index()
    return chosen, samples
