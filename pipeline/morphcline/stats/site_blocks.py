"""Blocks of neighbouring sites to leave out together, as far from the rest as the map's places are from a sample."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import KDTree
from threadpoolctl import threadpool_limits

from morphcline.stats.blocks import spatial_blocks
from morphcline.stats.kernels import Floats, Rows

#: Sites a block has at the least, on average, and blocks there are at the least.
_SITES, _BLOCKS = 3, 5
#: Steps from one number of blocks to the next.
_STEP = 1.5
_STARTS = 3
#: How many times as far from a site the map's places lie, as sites from each other, when sites are called clustered.
#: Of sites strewn by chance the two distances are alike.
_CLUSTERED = 1.5


@dataclass(frozen=True)
class SiteBlocks:
    """A partition of the sites.

    Attributes
    ----------
    number : array of int (sites,)
        The block of each.
    spacing_m, apart_m, map_m : float
        Median distance to the nearest site: from a site to another one, from a site to one of another block, and from a
        place of the map.
    """

    number: Rows
    spacing_m: float
    apart_m: float
    map_m: float

    @property
    def blocks(self) -> int:
        """How many there are."""
        return int(self.number.max()) + 1

    @property
    def clustered(self) -> bool:
        """Whether places of the map lie clearly farther from a site than sites do from each other."""
        return self.map_m > _CLUSTERED * self.spacing_m


def blocks_like_the_map(sites: Floats, places: Floats, rng: np.random.Generator) -> SiteBlocks | None:
    """Return blocks such that leaving one out is as hard as foretelling the map.

    Parameters
    ----------
    sites : array (sites, 2)
    places : array (places, 2)
        Spread evenly over the map.
    rng : numpy.random.Generator

    Returns
    -------
    SiteBlocks or None
        None where there are fewer than 15 different places to make blocks of, or no place of a map.

    Notes
    -----
    Blocks are compact groups by k-means (:func:`morphcline.stats.blocks.spatial_blocks`). There are as many as make the
    median distance from a site to the nearest one left in come nearest to that from a place of the map to the nearest
    site; between a third of the sites and five. So the size of a block follows how clustered the sites are: where they
    lie close together and the map reaches far beyond them, single sites left out are foretold by neighbours that the
    map's places don't have (Roberts et al. 2017; distances matched as by Mila et al. 2022, *Methods in Ecology and
    Evolution* 13:1304-1316).
    """
    distinct, row = np.unique(sites, axis=0, return_inverse=True)
    if len(distinct) < _SITES * _BLOCKS or not len(places):
        return None
    tree = KDTree(distinct)
    spacing = float(np.median(tree.query(distinct, k=[2])[0]))
    map_m = float(np.median(tree.query(places)[0]))
    best: SiteBlocks | None = None
    blocks = len(distinct) / _SITES
    while blocks >= _BLOCKS:
        with threadpool_limits(1):
            number = spatial_blocks(distinct[:, 0], distinct[:, 1], blocks=int(blocks), rng=rng, starts=_STARTS)
        tried = SiteBlocks(number[row.ravel()], spacing, _apart(distinct, number), map_m)
        if best is not None and _misfit(tried) >= _misfit(best):
            break
        best = tried
        blocks /= _STEP
    return best


def _apart(sites: Floats, number: Rows) -> float:
    nearest = np.empty(len(sites))
    for block in range(int(number.max()) + 1):
        out = number == block
        nearest[out] = KDTree(sites[~out]).query(sites[out])[0]
    return float(np.median(nearest))


def _misfit(blocks: SiteBlocks) -> float:
    return abs(float(np.log(blocks.apart_m / max(blocks.map_m, 1e-9))))
