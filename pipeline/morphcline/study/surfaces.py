"""``[surfaces]``: how frequencies are smoothed over the region."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from morphcline.study._base import Section

Metres = Annotated[float, Field(gt=0)]


class Neighbours(Section):
    """A bandwidth that follows the sites: the distance to the given number of neighbours."""

    neighbours: int = Field(ge=3)


class Surfaces(Section):
    """Cell size, kernel, bandwidth, support, and what samples don't speak across.

    Attributes
    ----------
    cell_m : float
    degree : {0, 1}
        0: kernel-weighted proportion; 1: local logistic, unbiased on a slope and at the edge.
    kernel : {"gaussian", "epanechnikov", "tricube"}
        The last two are compact: nothing beyond one bandwidth counts.
    bandwidth : "cross-validated", float or Neighbours
        By how well sites left out are foretold, in metres (for the Gaussian its standard deviation), or adaptive.
    min_effective_shells : float
        Cells with less local support are blank.
    barriers : path, optional
        A layer of lines, or of polygons for their outlines: a sample counts nowhere that a straight line from it only
        reaches by crossing one.
    mask : path, optional
        A layer of polygons: cells whose centre lies in one are blank.
    """

    cell_m: float = Field(default=500.0, gt=0)
    degree: Literal[0, 1] = 1
    kernel: Literal["gaussian", "epanechnikov", "tricube"] = "gaussian"
    bandwidth: Literal["cross-validated"] | Metres | Neighbours = "cross-validated"
    min_effective_shells: float = Field(default=30.0, gt=0)
    barriers: Path | None = None
    mask: Path | None = None
