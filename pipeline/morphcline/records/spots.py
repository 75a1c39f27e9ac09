"""The different places of a source: brought into the study's CRS, and judged by where they lie."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from morphcline.places.bounds import Bounds, wrapped
from morphcline.places.crs import within_area_of_use
from morphcline.places.transforms import Transformation
from morphcline.study import Position

#: A place this much outside the area of the study's CRS, in degrees, can't be meant.
_STUDY_CRS_MARGIN_DEG = 5.0


@dataclass(frozen=True)
class Spots:
    """The different places of a source.

    Parameters
    ----------
    of_row : (n,) array of int
        Each row's place.
    first, second : (m,) arrays
        Longitude and latitude, or easting and northing, of the source's CRS; the centre of a grid reference's square.
    reference, crs : (m,) arrays of str
        The reference as written, and the CRS of the coordinates.
    rounding_m : (m,) array
        Uncertainty that follows from how the place is written.
    is_square : bool
        Whether that is a grid reference's square.
    longitude, latitude : (m,) arrays
        Roughly, for judging; NaN where it can't be told.
    code, reason : (m,) arrays of str
        Why the place can't be used; empty where it can.
    x_m, y_m, accuracy_m : (m,) arrays
        In the study's CRS, once :func:`place` has run; NaN before, and for places that can't be used.
    transformation : (m,) array of str
        Name of the operation.
    """

    of_row: NDArray[np.intp]
    first: NDArray[np.float64]
    second: NDArray[np.float64]
    reference: NDArray[np.object_]
    crs: NDArray[np.object_]
    rounding_m: NDArray[np.float64]
    is_square: bool
    longitude: NDArray[np.float64]
    latitude: NDArray[np.float64]
    code: NDArray[np.object_]
    reason: NDArray[np.object_]
    x_m: NDArray[np.float64]
    y_m: NDArray[np.float64]
    accuracy_m: NDArray[np.float64]
    transformation: NDArray[np.object_]

    def __len__(self) -> int:
        return len(self.first)

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Whether a place can be used."""
        mask: NDArray[np.bool_] = self.code == ""
        return mask

    def refused(self, mask: NDArray[np.bool_], code: str, sentence: Callable[[int], str]) -> Spots:
        """Return the places with those refused where ``mask`` holds and nothing was found before."""
        codes, reasons = self.code.copy(), self.reason.copy()
        for spot in np.flatnonzero(mask & self.usable):
            codes[spot], reasons[spot] = code, sentence(int(spot))
        return replace(self, code=codes, reason=reasons)

    def written(self, spot: int | np.integer[Any]) -> str:
        """Return a place as a sentence shows it."""
        if self.reference[spot]:
            return f'"{self.reference[spot]}"'
        return f"{self.first[spot]:.10g}, {self.second[spot]:.10g}"


def rough_bounds(spots: list[Spots], study_crs: CRS) -> Bounds | None:
    """Return west, south, east and north, in degrees, about the bulk of the places; strays don't widen it.

    Their middle is the median place. Places that the study's CRS isn't meant for don't count: a sheet whose columns are
    exchanged lies elsewhere on the globe, and an operation for there would be none for here.
    """
    longitude = np.concatenate([one.longitude[one.usable] for one in spots] or [np.empty(0)])
    latitude = np.concatenate([one.latitude[one.usable] for one in spots] or [np.empty(0)])
    known = within_area_of_use(study_crs, longitude, latitude, margin_deg=_STUDY_CRS_MARGIN_DEG)
    if not known.any():
        return None
    longitude, latitude = longitude[known], latitude[known]
    far_side = np.abs(longitude) > 90.0
    if far_side.mean() > 0.5 and np.ptp(longitude[far_side]) > 180.0:
        longitude = longitude % 360.0
    limits = []
    for values in (longitude, latitude):
        middle = np.median(values)
        reach = max(2.0 * float(np.quantile(np.abs(values - middle), 0.7)), 0.1)
        limits.append((float(middle) - reach, float(middle) + reach))
    (west, east), (south, north) = limits
    west, east = (-180.0, 180.0) if east - west >= 360.0 else (wrapped(west), wrapped(east))
    return west, max(south, -90.0), east, min(north, 90.0)


def place(
    spots: Spots, position: Position, study_crs: CRS, area: Bounds | None, *, file: str
) -> tuple[Spots, list[str]]:
    """Bring places into the study's CRS.

    Parameters
    ----------
    spots : Spots
    position : Position
    study_crs : CRS
    area : (west, south, east, north) or None
        In degrees: the best transformation is chosen for it.
    file : str

    Returns
    -------
    spots : Spots
        With ``x_m, y_m, accuracy_m, transformation``; a place that can't be reached has infinite coordinates and isn't
        refused yet: it may be swapped.
    warnings : list of str
        What the transformations lack, without the file's name: sources share it.

    Raises
    ------
    SourceError
        Where only a transformation without the datum shift exists, and isn't allowed.
    """
    x_m, y_m, accuracy = spots.x_m.copy(), spots.y_m.copy(), spots.accuracy_m.copy()
    names = spots.transformation.copy()
    warnings = []
    for crs in dict.fromkeys(spots.crs[spots.usable].tolist()):
        operation = Transformation(
            crs, study_crs, area, allow_ballpark=position.allow_ballpark, file=file, where="crs under position"
        )
        chosen = spots.usable & (spots.crs == crs)
        x_m[chosen], y_m[chosen] = operation.apply(spots.first[chosen], spots.second[chosen])
        accuracy[chosen] = 0.0 if math.isnan(operation.accuracy_m) else operation.accuracy_m
        names[chosen] = operation.name
        if operation.warning:
            warnings.append(operation.warning)
    return replace(spots, x_m=x_m, y_m=y_m, accuracy_m=accuracy, transformation=names), warnings


def swapped(spots: Spots, study_crs: CRS, area: Bounds | None) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return where places would lie, in the study's CRS, with their coordinates exchanged."""
    x_m, y_m = np.full(len(spots), np.inf), np.full(len(spots), np.inf)
    if spots.reference.any():
        return x_m, y_m
    for crs in dict.fromkeys(spots.crs[spots.usable].tolist()):
        chosen = spots.usable & (spots.crs == crs)
        operation = Transformation(crs, study_crs, area, allow_ballpark=True)
        x_m[chosen], y_m[chosen] = operation.apply(spots.second[chosen], spots.first[chosen])
    return x_m, y_m


def exchanged_in_degrees(spots: Spots, study_crs: CRS) -> Spots:
    """Refuse longitudes and latitudes that lie in the area of the study's CRS only with the two exchanged."""
    margin = _STUDY_CRS_MARGIN_DEG
    exchanged = np.zeros(len(spots), dtype=bool)
    for crs in dict.fromkeys(spots.crs[spots.usable].tolist()):
        if CRS.from_user_input(crs).is_geographic:
            chosen = spots.usable & (spots.crs == crs)
            first, second = spots.first[chosen], spots.second[chosen]
            exchanged[chosen] = ~within_area_of_use(study_crs, first, second, margin_deg=margin) & within_area_of_use(
                study_crs, second, first, margin_deg=0.0
            )
    name = ":".join(study_crs.to_authority() or (study_crs.name,))
    return spots.refused(
        exchanged,
        "position-swapped",
        lambda k: (
            f"the place {spots.written(k)} lies far outside the area of the study's CRS {name}, and with its two "
            "coordinates exchanged it would lie in it; expected them the other way round"
        ),
    )


def outside_crs(spots: Spots, study_crs: CRS) -> Spots:
    """Refuse the places that lie where their CRS, or the study's, is not meant to be used."""
    unreachable = ~(np.isfinite(spots.x_m) & np.isfinite(spots.y_m))
    theirs = np.zeros(len(spots), dtype=bool)
    for crs in dict.fromkeys(spots.crs[spots.usable].tolist()):
        chosen = spots.usable & (spots.crs == crs)
        theirs[chosen] = ~within_area_of_use(crs, spots.longitude[chosen], spots.latitude[chosen], margin_deg=1.0)
    spots = spots.refused(
        theirs,
        "position-outside-crs",
        lambda k: (
            f"the place {spots.written(k)} lies where {spots.crs[k]} is not defined; expected {_range_of(spots.crs[k])}"
        ),
    )
    ours = ~within_area_of_use(study_crs, spots.longitude, spots.latitude, margin_deg=_STUDY_CRS_MARGIN_DEG)
    name = ":".join(study_crs.to_authority() or (study_crs.name,))
    return spots.refused(
        ours | unreachable,
        "position-outside-crs",
        lambda k: f"the place {spots.written(k)} lies far outside the area of the study's CRS {name}",
    )


def uncertainty(
    spots: Spots, stated: NDArray[np.float64], position: Position, of_row: NDArray[np.intp] | None = None
) -> NDArray[np.float64]:
    """Return each row's radius that holds its place with 95 % confidence, in metres, transformation included.

    Parameters
    ----------
    spots : Spots
    stated : (n,) array
        As the row states it; NaN where it doesn't.
    position : Position
    of_row : (n,) array of int, optional
        The place of each row; the spots' own otherwise.
    """
    rows = spots.of_row if of_row is None else of_row
    derived = spots.rounding_m[rows]
    fallback = position.uncertainty_m if position.uncertainty_m is not None else derived
    radius = np.where(np.isnan(stated), fallback, stated)
    if spots.is_square:
        radius = np.maximum(radius, derived)
    return np.hypot(radius, spots.accuracy_m[rows])


def _range_of(system: str) -> str:
    area = CRS.from_user_input(system).area_of_use
    if area is None:
        return "a place on the map"
    west, south, east, north = area.bounds
    return f"longitudes from {west:g} to {east:g} and latitudes from {south:g} to {north:g}"
