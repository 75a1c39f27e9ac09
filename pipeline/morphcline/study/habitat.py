"""``[habitat]``: the categorical raster that says what grows at a site."""

from __future__ import annotations

from pathlib import Path

from pydantic import Field

from morphcline.study._base import Section


class Habitat(Section):
    """Habitat raster and its classes.

    Attributes
    ----------
    path : path
    band : int
    radius_m : float
        Class shares within it, by exact cell coverage; 0 takes the cell at the point.
    classes : dict
        Raster code = class name; several codes may share a class, codes not listed are reported.
    water : tuple of str
        Classes in which no snail lives: a place well inside them is a mistake.
    paired_within_m : float
        Sites of two habitats closer than this are compared as a pair.
    """

    path: Path
    band: int = Field(default=1, ge=1)
    radius_m: float = Field(default=50.0, ge=0)
    classes: dict[int, str] = Field(default_factory=dict)
    water: tuple[str, ...] = ("water",)
    paired_within_m: float = Field(default=1000.0, gt=0)
