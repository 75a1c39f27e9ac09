"""From tables of frequencies to the arrays that are smoothed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from morphcline.scoring.traits import EXCLUSIVE, MORPHS
from morphcline.stats.kernels import Floats
from morphcline.stats.smoothing import Group

#: Traits that repeat what others say: they have surfaces, but no say in the bandwidth.
REPEATING = frozenset((*MORPHS, "many-banded", "effectively unbanded"))


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
        Intra-site correlation by which a sample weighs.
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
        rows = np.flatnonzero((self.total[:, columns] > 0).any(axis=1))
        return Samples(
            self.species, tuple(wanted), tuple(self.names[row] for row in rows), self.places[rows],
            self.count[np.ix_(rows, columns)], self.total[np.ix_(rows, columns)], self.rho[columns],
        )  # fmt: skip

    def sites_with(self, trait: str) -> int:
        """Return the number of samples that can say something about a trait."""
        return int((self.total[:, self.traits.index(trait)] > 0).sum())

    def shells_with(self, trait: str) -> int:
        """Return the number of shells that a trait's frequencies are taken among."""
        return int(self.total[:, self.traits.index(trait)].sum())

    def varies(self, trait: str) -> bool:
        """Return whether some shells show the trait and some don't."""
        column = self.traits.index(trait)
        return bool(0 < self.count[:, column].sum() < self.total[:, column].sum())


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


def exclusive_groups(samples: Samples) -> tuple[Group, ...]:
    """Return the groups of traits that must sum to 1, or to 1 at most, as far as the samples hold them whole."""
    groups = []
    for members in EXCLUSIVE:
        if not set(members) <= set(samples.traits):
            continue
        columns = tuple(samples.traits.index(trait) for trait in members)
        whole = bool(np.array_equal(samples.count[:, columns].sum(axis=1), samples.total[:, columns[0]]))
        groups.append(Group(columns, exhaustive=whole))
    return tuple(groups)


def bandwidth_traits(samples: Samples) -> tuple[str, ...]:
    """Return the traits that choose the bandwidth: those that vary and don't repeat others, or else all that vary."""
    varying = tuple(trait for trait in samples.traits if samples.varies(trait))
    own = tuple(trait for trait in varying if trait not in REPEATING)
    return own or varying or samples.traits
