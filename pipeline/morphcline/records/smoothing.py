"""From tables of frequencies to the arrays that are smoothed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.scoring.traits import EXCLUSIVE
from morphcline.stats.kernels import Floats


@dataclass(frozen=True)
class Samples:
    """The samples of a species: sites down, traits across.

    Attributes
    ----------
    species : str
    traits : tuple of str
    names : tuple of str
        Of the sites.
    places : array (sites, 2)
        Easting and northing.
    count, total : array (sites, traits)
        A total of 0 where a sample can't say.
    rho : array (traits,)
        Intra-site correlation over the region.
    """

    species: str
    traits: tuple[str, ...]
    names: tuple[str, ...]
    places: Floats
    count: Floats
    total: Floats
    rho: Floats

    def of_traits(self, wanted: Sequence[str]) -> Samples:
        """Return the same with fewer traits, and the sites that can say something about them."""
        columns = np.array([self.traits.index(trait) for trait in wanted], dtype=np.intp)
        rows = self.rows_with(wanted)
        return Samples(
            self.species, tuple(wanted), tuple(self.names[row] for row in rows), self.places[rows],
            self.count[np.ix_(rows, columns)], self.total[np.ix_(rows, columns)], self.rho[columns],
        )  # fmt: skip

    def rows_with(self, wanted: Sequence[str]) -> NDArray[np.intp]:
        """Return where the sites stand that can say something about any of the traits."""
        columns = np.array([self.traits.index(trait) for trait in wanted], dtype=np.intp)
        return np.flatnonzero((self.total[:, columns] > 0).any(axis=1))

    def sites_with(self, trait: str) -> int:
        """Return the number of samples that can say something about a trait."""
        return int((self.total[:, self.traits.index(trait)] > 0).sum())

    def shells_with(self, trait: str) -> int:
        """Return the number of shells that a trait's frequencies are taken among."""
        return int(self.total[:, self.traits.index(trait)].sum())


def samples_of(
    species: str, traits: Sequence[str], frequencies: pd.DataFrame, regional: pd.DataFrame, sites: pd.DataFrame
) -> Samples:
    """Return the samples of a species as arrays.

    Parameters
    ----------
    species : str
    traits : sequence of str
    frequencies : DataFrame
        site, species, trait, count, total.
    regional : DataFrame
        species, trait, frequency, rho; a missing ρ counts as 0.
    sites : DataFrame
        site, x_m, y_m.

    Returns
    -------
    Samples
        Sites with at least one shell, in alphabetical order. Traits of which a shell has one at most share a ρ: the
        mean of their own, weighted by p (1 - p), which is the ρ of a Dirichlet-multinomial that has the same total
        variance. So a sample weighs the same for all of them, and weighted proportions of the colours sum to 1.

    Raises
    ------
    KeyError
        When a site of the frequencies has no place.
    """
    rows = frequencies[(frequencies["species"] == species) & (frequencies["total"] > 0)]
    rows = rows[rows["trait"].isin(traits)]
    names = sorted(rows["site"].unique())
    line, column = {name: i for i, name in enumerate(names)}, {trait: j for j, trait in enumerate(traits)}
    at = rows["site"].map(line).to_numpy(dtype=int), rows["trait"].map(column).to_numpy(dtype=int)
    count, total = np.zeros((len(names), len(traits))), np.zeros((len(names), len(traits)))
    count[at], total[at] = rows["count"].to_numpy(dtype=float), rows["total"].to_numpy(dtype=float)
    places = sites.set_index("site").loc[names, ["x_m", "y_m"]].to_numpy(dtype=float)
    region = regional[regional["species"] == species].set_index("trait").reindex(list(traits))
    rho = region["rho"].fillna(0.0).to_numpy(dtype=float).copy()
    frequency = region["frequency"].fillna(0.0).to_numpy(dtype=float)
    for members in EXCLUSIVE:
        if set(members) <= set(traits):
            columns = [column[trait] for trait in members]
            variance = frequency[columns] * (1.0 - frequency[columns])
            rho[columns] = np.average(rho[columns], weights=variance) if variance.any() else 0.0
    return Samples(species, tuple(traits), tuple(names), places, count, total, rho)


def families(samples: Samples) -> tuple[tuple[str, ...], ...]:
    """Return the traits by families, in their order: what is smoothed with one bandwidth and one correlation.

    A shell has one trait of a family at most, and all are taken among the same shells: the three colours, the nine
    morphs. Where not all of a family are here, and for every other trait, each is by itself.
    """
    family = {trait: members for members in EXCLUSIVE if set(members) <= set(samples.traits) for trait in members}
    return tuple(dict.fromkeys(family.get(trait, (trait,)) for trait in samples.traits))


def is_exhaustive(samples: Samples) -> bool:
    """Return whether each shell has one of the traits, as far as was found."""
    return bool(np.array_equal(samples.count.sum(axis=1), samples.total[:, 0]))
