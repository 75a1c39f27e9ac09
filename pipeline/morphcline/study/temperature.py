"""``[temperature]``: the raster that says how warm a site is."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator

from morphcline.study._base import Section


class Temperature(Section):
    """Temperature raster.

    Attributes
    ----------
    path : path
    band : int
    year : {"record"}, optional
        Take, for each site, the band whose description is the year of its record, instead of ``band``.
    radius_m : float
        0: bilinear at the point; otherwise the mean within it.
    units : {"celsius", "kelvin", "fahrenheit"}
        Units of the raster; tables are in degrees Celsius.
    """

    path: Path
    band: int = Field(default=1, ge=1)
    year: Literal["record"] | None = None
    radius_m: float = Field(default=0.0, ge=0)
    units: Literal["celsius", "kelvin", "fahrenheit"] = "celsius"

    @model_validator(mode="after")
    def _band_or_year(self) -> Temperature:
        if self.year is not None and "band" in self.model_fields_set:
            raise ValueError('give either band or year = "record", not both')
        return self
