"""A surface at some points: fitted, made to add up within families of traits, blank where too little supports it."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import ThreadpoolController

from morphcline.stats.barriers import blocked
from morphcline.stats.kernels import CUT, Flags, Floats, KernelName
from morphcline.stats.local_likelihood import LocalFit, certain_limit, fit_local
from morphcline.stats.local_logistic import error_of_frequency
from morphcline.stats.overdispersion import effective_number
from morphcline.stats.surface_field import Field, squared_bias

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
    fields : tuple of Field
        For each of its traits, how the truth is taken to vary in space.
    """

    traits: tuple[int, ...]
    exhaustive: bool
    bandwidth: Floats
    rho: float
    fields: tuple[Field, ...]


@dataclass(frozen=True)
class Task:
    """Points to smooth and all that it takes; it can travel to another process.

    Attributes
    ----------
    points : array (points, 2)
    sites : array (sites, 2)
    count, total : array (sites, traits)
    fitted : array (sites, traits)
        The surface at the sites.
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
    fitted: Floats
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
    without_plane : array of bool (points, traits)
        Blank for want of a plane alone: the shells would suffice.
    held : array of bool (points, traits)
        Shown, and not held by the shells in reach alone.
    closure : array (traits,)
        Largest distance from 1 of the sum of the trait's family before it was put right.
    """

    frequency: NDArray[np.float32]
    standard_error: NDArray[np.float32]
    effective_shells: NDArray[np.float32]
    without_plane: Flags
    held: Flags
    closure: Floats


def one_thread() -> AbstractContextManager[object]:
    """Hold matrix products to one thread: the order of an addition, and so the last digit, follows their number."""
    held: AbstractContextManager[object] = _libraries().limit(limits=1, user_api="blas")
    return held


@cache
def _libraries() -> ThreadpoolController:
    # Once a process: to look for them takes longer than many a fit.
    return ThreadpoolController()


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
    do. Against a local multinomial fit of three colours this costs 0.4 percentage points among the sites and 0.6 beyond
    them (means; 5 at most), and the errors are the same within 5 % among the sites, on the average everywhere.

    The square of a standard error is the variance by chance and the square expected of what smoothing misses
    (:func:`morphcline.stats.surface_field.squared_bias`). A family is blank as a whole where a plane is asked for and
    not identified for each of it, or rests on fewer than :data:`LEAST_SITES` effective sites: a proportion in its place
    would make a step, and look surer than it is.
    """
    shape = len(task.points), task.count.shape[1]
    frequency, error = np.full(shape, np.nan), np.full(shape, np.nan)
    effective, closure = np.zeros(shape), np.zeros(shape[1])
    held, without_plane = np.zeros(shape, dtype=bool), np.zeros(shape, dtype=bool)
    hidden = task.blocked()
    for family in task.families:
        members = list(family.traits)
        with one_thread():
            fit, squared_error = _fit(task, family, hidden)
        shown = fit.effective_shells >= task.min_effective_shells
        supported = shown.all(axis=1, keepdims=True)
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
        without_plane[:, members] = supported & ~shown
        closure[members] = np.nanmax(np.abs(amiss), initial=0.0)
    return Smoothed(
        frequency.astype(np.float32), error.astype(np.float32), effective.astype(np.float32), without_plane, held,
        closure,
    )  # fmt: skip


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
    shells = effective_number(total, family.rho)
    missed = np.column_stack(
        [
            squared_bias(
                task.points, sites, shells[:, j], task.fitted[rows, column], field, bandwidth=family.bandwidth,
                kernel=task.kernel, degree=task.degree, blocked=hidden,
            )
            for j, (column, field) in enumerate(zip(family.traits, family.fields, strict=True))
        ]
    )  # fmt: skip
    half = certain_limit(fit.effective_shells)
    blur = error_of_frequency(np.clip(fit.frequency, half, 1.0 - half), np.sqrt(missed))
    return fit, np.square(fit.standard_error) + np.square(blur)
