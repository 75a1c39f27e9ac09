"""The part of the stage of surfaces that settles bandwidth and correlation, before a cell is smoothed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from morphcline.records.smoothing import Samples, is_exhaustive
from morphcline.stages.base import Context
from morphcline.stats.bandwidth import Rung, choose_bandwidth, correlation_about_surface, left_out_deviance
from morphcline.stats.blur import squared_blur
from morphcline.stats.kernels import Floats, nearest_bandwidth
from morphcline.stats.smoothing import one_thread
from morphcline.study import Neighbours, Study

_PILOT_RUNGS = 6  # a bandwidth within a third or so is near enough to tell the sites' scatter


@dataclass(frozen=True)
class Settled:
    """A family of traits with what was settled for it: one bandwidth everywhere, or one that follows its own sites."""

    traits: tuple[str, ...]
    places: Floats
    exhaustive: bool
    rho: float
    metres: float
    neighbours: int | None
    candidates: Floats
    deviance: Floats
    at_limit: bool = False

    def bandwidth_at(self, places: Floats) -> Floats:
        if self.neighbours is None:
            return np.full(len(places), self.metres)
        return nearest_bandwidth(places, self.places, neighbours=self.neighbours)


def settle(context: Context, samples: Samples) -> Settled:
    """Return bandwidth and correlation of a family: a pilot surface with the regional correlation, and then its own."""
    surfaces = context.study.surfaces
    context.tick(0, 1, f"bandwidth of {samples.species}: {samples.traits[0]}")
    total, rho = samples.total[:, 0], float(samples.rho[0])
    pilot = _bandwidth(context, samples, rho, rungs=_PILOT_RUNGS)
    with one_thread():
        rho = correlation_about_surface(
            samples.places, samples.count, total, bandwidth=pilot.bandwidth_at(samples.places), rho=rho,
            kernel=surfaces.kernel, degree=surfaces.degree,
        )  # fmt: skip
    return _bandwidth(context, samples, rho)


def _bandwidth(context: Context, samples: Samples, rho: float, *, rungs: int = 10) -> Settled:
    surfaces, total = context.study.surfaces, samples.total[:, 0]
    settled = partial(Settled, samples.traits, samples.places, is_exhaustive(samples), rho)
    if isinstance(surfaces.bandwidth, Neighbours):
        k = surfaces.bandwidth.neighbours
        metres = float(np.median(nearest_bandwidth(samples.places, samples.places, neighbours=k)))
        return settled(metres, k, np.array([metres]), np.array([np.nan]))
    if isinstance(surfaces.bandwidth, float):
        metres = surfaces.bandwidth
        rung = Rung(metres, samples.places, samples.count, total, rho, surfaces.kernel, surfaces.degree)
        return settled(metres, None, np.array([metres]), np.array([_deviance(rung)]))
    choice = choose_bandwidth(
        samples.places, samples.count, total, rho=rho, kernel=surfaces.kernel, degree=surfaces.degree, rungs=rungs,
        apply=lambda _, rungs: context.workers.map(_deviance, rungs),
    )  # fmt: skip
    return settled(choice.bandwidth, None, choice.candidates, choice.deviance, choice.at_limit)


def blur_of(study: Study, family: Settled, count: Floats, total: Floats, places: Floats) -> Floats:
    blur = np.full(count.shape, np.nan)
    rows = np.flatnonzero(total[:, 0] > 0)
    with one_thread():
        blur[rows] = squared_blur(
            places[rows], count[rows], total[rows], bandwidth=family.bandwidth_at(places[rows]), rho=family.rho,
            kernel=study.surfaces.kernel, degree=study.surfaces.degree,
        )  # fmt: skip
    return blur


def _deviance(rung: Rung) -> float:
    with one_thread():
        return left_out_deviance(rung)
