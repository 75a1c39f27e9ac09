"""``[plan]``: where to look next, and what a survey is to be able to see."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field

from morphcline.study._base import Section

Difference = Annotated[float, Field(gt=0, lt=1)]
Shells = Annotated[int, Field(ge=1, le=100_000)]


class Plan(Section):
    """New places, and samples for a comparison.

    Attributes
    ----------
    places : int
        How many new places are listed.
    shells : int
        Adult shells that a new sample is expected to hold, of all species together.
    traits : tuple of str, optional
        Traits whose surfaces are to become surer; yellow, unbanded and mid-banded otherwise.
    apart_m : float, optional
        New places lie at least this far from each other and from the survey's sites; two of the surfaces' cells
        otherwise.
    avoid : tuple of str
        Classes of the habitat raster where nobody is to look, besides water.
    reachability : path, optional
        A raster from 0 (can't be reached) to 1: how much a place's worth counts. Where it holds nothing a place is
        left out.
    near : path, optional
        A vector layer (roads, paths, starting points): places farther than ``within_m`` from it are left out.
    within_m : float
    differences : tuple of float
        Differences of a frequency that a comparison is to see, as fractions.
    samples : tuple of int
        Shells a sample for which the sites needed are told.
    power : float
        Probability with which the difference is to be seen.
    level : float
        Of the two-sided test.
    """

    places: int = Field(default=20, ge=1, le=1000)
    shells: Shells = 30
    traits: tuple[str, ...] | None = Field(default=None, min_length=1)
    apart_m: float | None = Field(default=None, ge=0)
    avoid: tuple[str, ...] = ()
    reachability: Path | None = None
    near: Path | None = None
    within_m: float = Field(default=500.0, gt=0)
    differences: tuple[Difference, ...] = Field(default=(0.1, 0.2), min_length=1)
    samples: tuple[Shells, ...] = Field(default=(10, 20, 30, 50), min_length=1)
    power: float = Field(default=0.8, ge=0.5, lt=1)
    level: float = Field(default=0.05, gt=0, lt=0.5)
