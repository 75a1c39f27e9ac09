"""Clines along the lines that a study draws: which sites belong to each, and the table they make."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from morphcline.records.cline_tables import CLINE_COLUMNS, ClineTask, Line, cline_rows
from morphcline.records.smoothing import Samples
from morphcline.records.stacking import framed
from morphcline.records.told_distances import steps_up
from morphcline.stats.clines import Clines

TRANSECT_COLUMNS = {
    "transect": "name of the line, or its number in the file",
    "within_m": "sites that lie closer to the line than this are taken",
    "length_m": "length of the line",
    "farthest_m": "distance from the line of the farthest site taken, in metres, raised to whole sides of the squares "
    "that hide the sites, but within_m at most",
    **CLINE_COLUMNS,
}


@dataclass(frozen=True)
class Transect:
    """A named line, in the study's CRS."""

    name: str
    line: BaseGeometry

    @property
    def axis(self) -> Line:
        """The line as an axis of clines."""
        easting, northing = shapely.get_coordinates(self.line).T
        return Line(easting, northing)

    def distances(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far places (n, 2) lie from the line."""
        return np.asarray(shapely.distance(shapely.points(places), self.line), dtype=np.float64)


@dataclass(frozen=True)
class TransectTask:
    """One transect, species and trait."""

    transect: Transect
    within_m: float
    farthest_m: float
    work: ClineTask


def transect_tasks(
    transects: Mapping[str, BaseGeometry],
    samples: Samples,
    traits: tuple[str, ...],
    *,
    within_m: float,
    confidence: float,
    rng: Mapping[tuple[str, str], np.random.Generator],
) -> list[TransectTask]:
    """Return a task for each line and trait of one species, of the sites near the line.

    Parameters
    ----------
    transects : mapping
        Name to line.
    samples : Samples
    traits : tuple of str
    within_m, confidence : float
    rng : mapping
        (transect, trait) to a generator.
    """
    tasks = []
    for name, line in transects.items():
        transect = Transect(name, line)
        away = transect.distances(samples.places)
        near = away <= within_m
        for column, trait in enumerate(samples.traits):
            if trait not in traits:
                continue
            judged = near & (samples.total[:, column] > 0)
            work = ClineTask(
                samples.species,
                trait,
                samples.places[near, 0],
                samples.places[near, 1],
                samples.count[near, column],
                samples.total[near, column],
                transect.axis,
                confidence,
                rng[name, trait],
            )
            tasks.append(TransectTask(transect, within_m, float(away[judged].max()) if judged.any() else np.nan, work))
    return tasks


def transect_rows(task: TransectTask, fitted: Clines, *, step_m: float = 0.0) -> pd.DataFrame:
    """Return the rows of ``transects.csv`` of one line, species and trait; ``step_m`` as in told_distances."""
    rows = cline_rows(task.work, fitted).assign(
        transect=task.transect.name,
        within_m=task.within_m,
        length_m=float(task.transect.line.length),
        farthest_m=min(float(steps_up(task.farthest_m, step_m)), task.within_m),
    )
    return framed(({str(k): v for k, v in row.items()} for row in rows.to_dict("records")), TRANSECT_COLUMNS)
