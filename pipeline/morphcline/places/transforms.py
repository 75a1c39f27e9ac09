"""Move positions between coordinate reference systems, and say which operation did it and how good it is."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS, Transformer, network
from pyproj.aoi import AreaOfInterest
from pyproj.exceptions import ProjError
from pyproj.transformer import TransformerGroup

from morphcline.errors import Problem, SourceError
from morphcline.language import Said
from morphcline.places.bounds import (
    Bounds,
    bounds_about,
    extent,
    is_zero,
    looks_swapped,
    unwrapped,
    within_bounds,
    wrapped,
)
from morphcline.places.crs import check_working_crs, name_crs, read_crs, within_area_of_use

__all__ = [
    "BALLPARK_M",
    "RADIUS_95",
    "Transformation",
    "area_lonlat",
    "check_working_crs",
    "is_zero",
    "looks_swapped",
    "read_crs",
    "within_area_of_use",
    "within_bounds",
]

#: Radius that holds 95 % of a bivariate normal error with unit standard deviation on each axis. The registry states
#: the accuracy of an operation without saying of what; read as that standard deviation, the 2 m of the usual Helmert
#: for Great Britain give 4.9 m, and its largest error at the published test points is 4.74 m.
RADIUS_95 = math.sqrt(-2.0 * math.log(0.05))

#: What a transformation that ignores the datum shift may be wrong by, in metres (common practice, no single source).
BALLPARK_M = 500.0

# A result must not depend on whether a grid could be fetched at that moment.
network.set_network_enabled(active=False)  # type: ignore[attr-defined]  # the stub forgets it


class Transformation:
    """The best operation available here from one CRS to another over an area, fixed for every point.

    Parameters
    ----------
    source_crs, target_crs : str or CRS
    area : (west, south, east, north), optional
        In degrees: where it will be used. Without it the operation is the best for the CRSs' own areas.
    allow_ballpark : bool
        Accept an operation that ignores the datum shift when there is no other.
    file, where : str
        For the sentence of an error.

    Attributes
    ----------
    name : str
        What the registry calls the operation; ``"none needed"`` between equal CRSs.
    accuracy_m : float
        Radius that holds the true place with 95 % confidence, in metres: the registry's stated accuracy × 2.448
        (see :data:`RADIUS_95`). 0 for a mere projection; NaN when the registry states none.
    best_available : bool
        False when a better operation exists but needs a grid file that isn't installed.
    missing_grid : str
        Short name of that file; else ``""``.
    metres_lost : float
        How much smaller ``accuracy_m`` would be with it; NaN when unknown, 0 when nothing is missing.
    ballpark : bool

    Raises
    ------
    SourceError
        When a CRS is unknown, or only a ballpark operation exists and isn't allowed.

    Notes
    -----
    No grid is ever fetched. PROJ's list of operations misses those that go by way of WGS 84 where a direct one lacks
    its grid; then the operation that PROJ itself would use at the middle of the area is taken, and kept.
    """

    def __init__(
        self,
        source_crs: str | CRS,
        target_crs: str | CRS,
        area: Bounds | None = None,
        *,
        allow_ballpark: bool = False,
        file: str = "",
        where: str = "crs",
    ):
        self.source_crs = read_crs(source_crs, file=file, where=where)
        self.target_crs = read_crs(target_crs, file=file, where=where)
        self.missing_grid = ""
        self.metres_lost = 0.0
        self.ballpark = False
        if self.source_crs.equals(self.target_crs, ignore_axis_order=True):
            self._transformer: Transformer | None = None
            self.name, self.accuracy_m, self.best_available = "none needed", 0.0, True
            return
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what it warns of is reported by best_available and warning
            group = TransformerGroup(
                self.source_crs, self.target_crs, always_xy=True, area_of_interest=_area_of_interest(area)
            )
        operation = next((one for one in group.transformers if not _is_ballpark(one)), None)
        operation = operation or self._as_used(area)
        if operation is None or _is_ballpark(operation):
            self.ballpark = True
            if not allow_ballpark:
                raise SourceError(self._refusal(group, file, where))
            operation = operation or group.transformers[0]
        self._transformer = operation
        self.name = _tidy(operation.description)
        self.best_available = bool(group.best_available)
        if self.ballpark:
            self.accuracy_m = BALLPARK_M
        else:
            self.accuracy_m = operation.accuracy * RADIUS_95 if operation.accuracy >= 0 else math.nan
        if not self.best_available:
            self._note_what_is_missing(group)

    def apply(self, first: ArrayLike, second: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return eastings and northings (or longitudes and latitudes) in the target CRS.

        Parameters
        ----------
        first, second : array_like, shape (n,)
            Easting and northing, or longitude and latitude in degrees, whatever order the CRS declares.

        Returns
        -------
        easting, northing : arrays, shape (n,)
            Infinite where a point lies outside what the operation can reach; NaN where the input is.
        """
        easting, northing = (np.atleast_1d(np.asarray(values, dtype=np.float64)) for values in (first, second))
        if self._transformer is None:
            return easting.copy(), northing.copy()
        if easting.size == 0:
            return np.empty(0), np.empty(0)
        missing = ~(np.isfinite(easting) & np.isfinite(northing))
        moved = self._transformer.transform(np.where(missing, 0.0, easting), np.where(missing, 0.0, northing))
        easting, northing = (np.where(missing, np.nan, values) for values in moved)
        return easting, northing

    @property
    def warning(self) -> str:
        """A sentence on what the operation lacks, or ``""``."""
        what = Said("{one} to {other}", one=name_crs(self.source_crs), other=name_crs(self.target_crs))
        if self.ballpark:
            return Said(
                "{what}: the datum shift is ignored, as the study file allows; positions may be wrong by some hundred "
                "metres.",
                what=what,
            )
        if math.isnan(self.accuracy_m):
            return Said(
                "{what}: the registry states no accuracy for {operation}; none is added to the positions.",
                what=what,
                operation=repr(self.name),
            )
        if self.best_available:
            return ""
        grid = Said("the grid file {name}", name=self.missing_grid) if self.missing_grid else Said("a grid file")
        values = {"what": what, "metres": round(self.accuracy_m, 1), "grid": grid}
        if self.metres_lost > 0:
            return Said(
                "{what}: positions are good to {metres} m (95%), for want of {grid}, which would save {gain} m of it.",
                **values,
                gain=round(self.metres_lost, 1),
            )
        return Said("{what}: positions are good to {metres} m (95%), for want of {grid}.", **values)

    def _as_used(self, area: Bounds | None) -> Transformer | None:
        """Return the operation PROJ uses at the middle of the area."""
        transformer = Transformer.from_crs(
            self.source_crs, self.target_crs, always_xy=True, area_of_interest=_area_of_interest(area)
        )
        longitude, latitude = _middle(area, self.source_crs, self.target_crs)
        try:
            to_source = Transformer.from_crs(self.source_crs.geodetic_crs, self.source_crs, always_xy=True)
            transformer.transform(*to_source.transform(longitude, latitude), errcheck=True)
            return transformer.get_last_used_operation()
        except ProjError:
            return None

    def _note_what_is_missing(self, group: TransformerGroup) -> None:
        for operation in group.unavailable_operations:
            grids = [grid.short_name for grid in operation.grids if not grid.available]
            if grids:
                self.missing_grid = grids[0]
                theirs = operation.accuracy * RADIUS_95 if operation.accuracy >= 0 else math.nan
                self.metres_lost = self.accuracy_m - theirs
                return

    def _refusal(self, group: TransformerGroup, file: str, where: str) -> Problem:
        grids = sorted(
            {grid.short_name for one in group.unavailable_operations for grid in one.grids if not grid.available}
        )
        remedy = f"install one of the grid files {', '.join(grids)} for PROJ" if grids else "give another crs"
        found = (
            f"from {name_crs(self.source_crs)} to {name_crs(self.target_crs)} there is no transformation here that "
            "allows for the datum shift (an error of up to some hundred metres)"
        )
        return Problem(file, where, found, f"{remedy}, or set allow_ballpark = true under position")


def _area_of_interest(area: Bounds | None) -> Any:  # pyproj's own hints disagree on the class
    return None if area is None else AreaOfInterest(*area)


def area_lonlat(crs: str | CRS, easting: ArrayLike, northing: ArrayLike, *, margin_deg: float = 0.05) -> Bounds | None:
    """Return the bounds of positions in degrees, in the CRS's own datum, widened a little.

    Parameters
    ----------
    crs : str or CRS
    easting, northing : array_like, shape (n,)
        Longitude and latitude when the CRS is geographic; missing ones are left out.
    margin_deg : float

    Returns
    -------
    (west, south, east, north), or None without any position
        For choosing an operation, judging a scale or asking the registry, none of which needs a datum shift.
    """
    system = read_crs(crs)
    move = Transformer.from_crs(system, system.geodetic_crs, always_xy=True)
    longitude, latitude = move.transform(*np.atleast_1d(np.asarray(easting, float), np.asarray(northing, float)))
    known = np.isfinite(longitude) & np.isfinite(latitude)
    if not known.any():
        return None
    return bounds_about(longitude[known], latitude[known], margin_deg)


def _areas(area: Bounds | None, *systems: CRS) -> Iterator[Bounds]:
    if area is not None:
        yield area
    yield from (crs.area_of_use.bounds for crs in systems if crs.area_of_use is not None)


def _middle(area: Bounds | None, *systems: CRS) -> tuple[float, float]:
    bounds = unwrapped(min(_areas(area, *systems), key=extent, default=(-1.0, -1.0, 1.0, 1.0)))
    return wrapped((bounds[0] + bounds[2]) / 2), (bounds[1] + bounds[3]) / 2


def _is_ballpark(operation: Transformer) -> bool:
    return "ballpark" in operation.description.lower()


def _tidy(description: str) -> str:
    """Leave out the steps that only exchange axes."""
    steps = [step for step in description.split(" + ") if not step.startswith("axis order change")]
    return " + ".join(steps) or description
