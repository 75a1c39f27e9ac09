"""``[publish]``: what figures, page and report look like, and what they keep to themselves."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import Field

from morphcline.study._base import Section


class Publish(Section):
    """Figures, map and privacy.

    Attributes
    ----------
    blur_m : float
        Places in figures, page and report are moved to the centre of a square of this side; 0 shows them exactly.
    names : bool
        Show recorders' names.
    basemap : "outline", "none" or path
        Backdrop of maps: the outline of the study area, nothing, or a vector file.
    formats : tuple of {"png", "svg", "pdf"}
    width_mm : float
        Width of a figure, 60 to 400.
    """

    blur_m: float = Field(default=1000.0, ge=0)
    names: bool = False
    basemap: Literal["outline", "none"] | Path = "outline"
    formats: tuple[Literal["png", "svg", "pdf"], ...] = ("png", "svg", "pdf")
    width_mm: float = Field(default=190.0, ge=60, le=400)
