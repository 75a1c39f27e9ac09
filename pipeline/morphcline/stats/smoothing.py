"""A surface at some points: fitted, made to add up within groups of morphs, blank where too little supports it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from morphcline.stats.kernels import Floats, KernelName
from morphcline.stats.local_likelihood import Flags, fit_local


@dataclass(frozen=True)
class Group:
    """Traits of which a shell has one at most, all taken among the same shells.

    Attributes
    ----------
    traits : tuple of int
        Their columns.
    exhaustive : bool
        A shell has one of them for certain: the frequencies sum to 1, otherwise to 1 or less.
    """

    traits: tuple[int, ...]
    exhaustive: bool


@dataclass(frozen=True)
class Task:
    """Points to smooth and all that it takes; it can travel to another process.

    Attributes
    ----------
    points : array (points, 2)
    bandwidth : array (points,)
    sites : array (sites, 2)
    count, total : array (sites, traits)
    rho, dispersion : array (traits,)
        Intra-site correlation, and the factor by which the sites' variance about the surface exceeds what it foretells.
    groups : tuple of Group
    kernel : {"gaussian", "epanechnikov", "tricube"}
    degree : {0, 1}
    min_effective_shells : float
    """

    points: Floats
    bandwidth: Floats
    sites: Floats
    count: Floats
    total: Floats
    rho: Floats
    dispersion: Floats
    groups: tuple[Group, ...]
    kernel: KernelName
    degree: Literal[0, 1]
    min_effective_shells: float


@dataclass(frozen=True)
class Smoothed:
    """The surface at the points of a task.

    Attributes
    ----------
    frequency, standard_error : array of float32 (points, traits)
        NaN where the support is below the limit.
    effective_shells : array of float32 (points, traits)
        Everywhere; 0 where no site is in reach.
    fallback : array of bool (points, traits)
        Shown, and a proportion where a plane was asked for.
    closure : array (traits,)
        Largest distance from 1 of the sum of the trait's group before it was put right; 0 outside groups.
    """

    frequency: NDArray[np.float32]
    standard_error: NDArray[np.float32]
    effective_shells: NDArray[np.float32]
    fallback: Flags
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
    Planes are fitted to each trait by itself, so that the traits of a group need not sum to 1. Where they must, each
    frequency and its standard error is divided by their sum; where they may not exceed 1, the same is done when they
    do.
    """
    with one_thread():
        fit = fit_local(
            task.points, task.sites, task.count, task.total,
            bandwidth=task.bandwidth, rho=task.rho, kernel=task.kernel, degree=task.degree,
        )  # fmt: skip
    shown = fit.effective_shells >= task.min_effective_shells
    frequency = np.where(shown, fit.frequency, np.nan)
    error = np.where(shown, fit.standard_error * np.sqrt(task.dispersion), np.nan)
    closure = np.zeros(frequency.shape[1])
    for group in task.groups:
        members = list(group.traits)
        total = frequency[:, members].sum(axis=1)
        amiss = total - 1.0 if group.exhaustive else np.maximum(total - 1.0, 0.0)
        closure[members] = np.nanmax(np.abs(amiss), initial=0.0)
        divisor = np.where(amiss == 0.0, 1.0, total)[:, None]
        frequency[:, members] /= divisor
        error[:, members] /= divisor
    return Smoothed(
        frequency.astype(np.float32),
        error.astype(np.float32),
        fit.effective_shells.astype(np.float32),
        fit.fallback & shown,
        closure,
    )
