"""What a surface rests on: its bandwidth, the correlation of shells about it, and the field that it may miss."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from morphcline.stats.bandwidth import Choice, choose_bandwidth, correlation_about_surface
from morphcline.stats.kernels import Flags, Floats, KernelName, Rows
from morphcline.stats.local_likelihood import fit_local
from morphcline.stats.smoothing import one_thread

#: Candidates of the pilot: a bandwidth within a third or so is near enough to tell the sites' scatter.
_PILOT_RUNGS = 6


@dataclass(frozen=True)
class Survey:
    """Samples that a surface is made of.

    Attributes
    ----------
    sites : array (sites, dimensions)
    count : array (sites, traits)
        Of traits of which a shell has one at most.
    total : array (sites,)
    kernel : {"gaussian", "epanechnikov", "tricube"}
    degree : {0, 1}
    blocked : array of bool (sites, sites), optional
        Sites that don't speak for each other.
    """

    sites: Floats
    count: Floats
    total: Floats
    kernel: KernelName = "gaussian"
    degree: Literal[0, 1] = 1
    blocked: Flags | None = None

    def choose(self, rho: float, *, left_out: Rows | None = None, rungs: int = 10) -> Choice:
        """Return the bandwidth under which sites left out are foretold best."""
        return choose_bandwidth(
            self.sites, self.count, self.total, rho=rho, kernel=self.kernel, degree=self.degree, left_out=left_out,
            blocked=self.blocked, rungs=rungs,
        )  # fmt: skip

    def correlation(self, bandwidth: float | Floats, rho: float) -> float:
        """Return the intra-site correlation about the surface of a bandwidth."""
        with one_thread():
            return correlation_about_surface(
                self.sites, self.count, self.total, bandwidth=bandwidth, rho=rho, kernel=self.kernel,
                degree=self.degree, blocked=self.blocked,
            )  # fmt: skip

    def fitted(self, bandwidth: float | Floats, rho: float) -> Floats:
        """Return the surface at the sites, (sites, traits)."""
        with one_thread():
            return fit_local(
                self.sites, self.sites, self.count, np.broadcast_to(self.total[:, None], self.count.shape),
                bandwidth=bandwidth, rho=rho, kernel=self.kernel, degree=self.degree, blocked=self.blocked,
                errors=False,
            ).frequency  # fmt: skip


@dataclass(frozen=True)
class Settled:
    """What cross-validation settled.

    Attributes
    ----------
    rho : float
        Intra-site correlation about the surface.
    one_site : Choice
        By sites left out one by one.
    blocks : Choice or None
        By blocks left out; None where there are too few sites to make any.
    """

    rho: float
    one_site: Choice
    blocks: Choice | None

    @property
    def by_blocks(self) -> bool:
        """Whether the bandwidth by blocks is the one used."""
        return self.blocks is not None and self.blocks.bandwidth > self.one_site.bandwidth

    @property
    def used(self) -> Choice:
        """The choice whose bandwidth the surface has: the wider."""
        return self.blocks if self.blocks is not None and self.by_blocks else self.one_site


def settle(survey: Survey, *, rho: float, blocks: Rows | None) -> Settled:
    """Return bandwidth and correlation: a pilot surface with the regional correlation, and then its own.

    Parameters
    ----------
    survey : Survey
    rho : float
        Over the region.
    blocks : array of int (sites,), optional
        The block of each site.

    Returns
    -------
    Settled

    Notes
    -----
    Of the bandwidths under which single sites and whole blocks are foretold best the wider one is used. Single sites
    are the better judges of a map that samples cover evenly, blocks of one that reaches far from clustered samples
    (Roberts et al. 2017); and either curve's lowest point is too low by chance more often, and more harmfully, than too
    high. In simulations the wider one had the smaller squared error over the map where sites were scattered, and no
    larger one where they were clustered.
    """
    pilot = survey.choose(rho, rungs=_PILOT_RUNGS)
    rho = survey.correlation(pilot.bandwidth, rho)
    one_site = survey.choose(rho)
    by_blocks = None
    if blocks is not None and len(np.unique(blocks)) > 1:
        by_blocks = survey.choose(rho, left_out=blocks)
    return Settled(rho, one_site, by_blocks)
