"""A surface at some points: fitted, made to add up within families of traits, blank where too little supports it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from morphcline.stats.barriers import blocked
from morphcline.stats.kernels import CUT, Floats, KernelName
from morphcline.stats.local_likelihood import Flags, LocalFit, fit_local, mean_near
from morphcline.stats.overdispersion import effective_number

#: Effective sites below which a plane, with its three unknowns, is not shown: the fit would say next to nothing of its
#: own error. A choice of ours.
LEAST_SITES = 5.0


@dataclass(frozen=True)
class Family:
    """Traits of which a shell has one at most, all taken among the same shells, or a trait by itself.

    Attributes
    ----------
    traits : tuple of int
        Their columns.
    exhaustive : bool
        A shell has one of them for certain: the frequencies sum to 1, otherwise to 1 or less.
    bandwidth : array (points,)
    rho : float
        Intra-site correlation about the surface.
    """

    traits: tuple[int, ...]
    exhaustive: bool
    bandwidth: Floats
    rho: float


@dataclass(frozen=True)
class Task:
    """Points to smooth and all that it takes; it can travel to another process.

    Attributes
    ----------
    points : array (points, 2)
    sites : array (sites, 2)
    count, total : array (sites, traits)
    blur : array (sites, traits)
        Estimates of the surface's squared bias (:func:`morphcline.stats.blur.squared_blur`); NaN where not known.
    families : tuple of Family
        Each trait is in one.
    kernel : {"gaussian", "epanechnikov", "tricube"}
    degree : {0, 1}
    min_effective_shells : float
    barriers : array (segments, 4)
        Straight pieces of what samples don't speak across (:func:`morphcline.stats.barriers.blocked`).
    """

    points: Floats
    sites: Floats
    count: Floats
    total: Floats
    blur: Floats
    families: tuple[Family, ...]
    kernel: KernelName
    degree: Literal[0, 1]
    min_effective_shells: float
    barriers: Floats = field(default_factory=lambda: np.empty((0, 4)))

    def blocked(self) -> Flags | None:
        """Return which sites have no weight at which points, as far as any kernel reaches; None without barriers."""
        if not len(self.barriers):
            return None
        reach = CUT[self.kernel] * max(float(family.bandwidth.max()) for family in self.families)
        return blocked(self.points, self.sites, self.barriers, reach=reach)


@dataclass(frozen=True)
class Smoothed:
    """The surface at the points of a task.

    Attributes
    ----------
    frequency, standard_error : array of float32 (points, traits)
        NaN where the support is below the limit, or too few sites are in reach for a plane.
    effective_shells : array of float32 (points, traits)
        Everywhere; 0 where no site is in reach.
    held : array of bool (points, traits)
        Shown, and not held by the shells in reach alone.
    closure : array (traits,)
        Largest distance from 1 of the sum of the trait's family before it was put right.
    """

    frequency: NDArray[np.float32]
    standard_error: NDArray[np.float32]
    effective_shells: NDArray[np.float32]
    held: Flags
    closure: Floats


def one_thread() -> threadpool_limits:
    """Hold matrix products to one thread: the order of an addition, and so the last digit, follows their number."""
    return threadpool_limits(1, user_api="blas")


def smooth(task: Task) -> Smoothed:
    """Return the surface at the points of a task.

    Parameters
    ----------
    task : Task

    Returns
    -------
    Smoothed

    Notes
    -----
    Planes are fitted to each trait by itself, so that the traits of a family need not sum to 1. Where they must, each
    frequency and its standard error is divided by their sum; where they may not exceed 1, the same is done when they
    do. The square of a standard error is the variance by chance and the mean of the blur at the sites near, weighted as
    the samples are. A family is blank as a whole where a plane is asked for and not identified for each of it, or rests
    on fewer than :data:`LEAST_SITES` effective sites: a proportion in its place would make a step, and look surer than
    it is.
    """
    shape = len(task.points), task.count.shape[1]
    frequency, error = np.full(shape, np.nan), np.full(shape, np.nan)
    effective, held, closure = np.zeros(shape), np.zeros(shape, dtype=bool), np.zeros(shape[1])
    hidden = task.blocked()
    for family in task.families:
        members = list(family.traits)
        with one_thread():
            fit, squared_error = _fit(task, family, hidden)
        shown = fit.effective_shells >= task.min_effective_shells
        if task.degree == 1:
            shown &= ~fit.fallback & (fit.effective_sites >= LEAST_SITES)
        shown = np.broadcast_to(shown.all(axis=1, keepdims=True), shown.shape)
        shares = np.where(shown, fit.frequency, np.nan)
        total = shares.sum(axis=1)
        amiss = total - 1.0 if family.exhaustive else np.maximum(total - 1.0, 0.0)
        divisor = np.where(amiss == 0.0, 1.0, total)[:, None]
        frequency[:, members] = shares / divisor
        error[:, members] = np.where(shown, np.sqrt(squared_error), np.nan) / divisor
        effective[:, members] = fit.effective_shells
        held[:, members] = fit.held & shown
        closure[members] = np.nanmax(np.abs(amiss), initial=0.0)
    return Smoothed(frequency.astype(np.float32), error.astype(np.float32), effective.astype(np.float32), held, closure)


def _fit(task: Task, family: Family, hidden: Flags | None) -> tuple[LocalFit, Floats]:
    members = np.array(family.traits, dtype=np.intp)
    rows = np.flatnonzero((task.total[:, members] > 0).any(axis=1))
    sites, total = task.sites[rows], task.total[np.ix_(rows, members)]
    hidden = None if hidden is None else hidden[:, rows]
    fit = fit_local(
        task.points, sites, task.count[np.ix_(rows, members)], total,
        bandwidth=family.bandwidth, rho=family.rho, kernel=task.kernel, degree=task.degree,
        blocked=hidden,
    )  # fmt: skip
    blur = mean_near(
        task.points, sites, task.blur[np.ix_(rows, members)], effective_number(total, family.rho),
        bandwidth=family.bandwidth, kernel=task.kernel, blocked=hidden,
    )  # fmt: skip
    return fit, np.square(fit.standard_error) + np.fmax(blur, 0.0)
