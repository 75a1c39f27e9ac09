"""``[clines]`` and ``[change]``: along which axis a cline is fitted, and which earlier places are the same place."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, field_validator

from morphcline.study._base import Section

Dispersal = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class Clines(Section):
    """Axis of the clines, which of them are compared, and transects.

    Attributes
    ----------
    axis : "best", float or path
        The bearing that fits best, a bearing in degrees clockwise from grid north, or a line file.
    traits : tuple of str, optional
        Traits to fit; all traits otherwise.
    compared : tuple of str
        Traits whose clines are compared with each other, and between species: one a locus, unless told otherwise.
    transects : path, optional
        A file of lines; clines are fitted along each of them too.
    transect_name : str, optional
        The column of that file that names its lines; otherwise a column ``name`` where there is one, else numbers.
    transect_within_m : float
        Sites that lie this close to a line or closer belong to its transect.
    dispersal_m : float or (low, high), optional
        Standard deviation of the distance between parent and offspring along one axis, in metres per root generation,
        or its range. Given, the report says what selection would hold each cline, or how long ago mixing began.
    """

    axis: Literal["best"] | Annotated[float, Field(ge=0, le=360)] | Path = "best"
    traits: tuple[str, ...] | None = None
    compared: tuple[str, ...] = ("yellow", "unbanded", "mid-banded")
    transects: Path | None = None
    transect_name: str | None = None
    transect_within_m: float = Field(default=2000.0, gt=0, allow_inf_nan=False)
    dispersal_m: Dispersal | tuple[Dispersal, Dispersal] | None = None

    @property
    def asked_to_compare(self) -> tuple[str, ...]:
        """Return the traits that the study file itself names to be compared."""
        return self.compared if "compared" in self.model_fields_set else ()

    @field_validator("dispersal_m")
    @classmethod
    def _in_order(cls, value: float | tuple[float, float] | None) -> float | tuple[float, float] | None:
        if isinstance(value, tuple) and value[0] > value[1]:
            raise ValueError("the lower limit comes first: [low, high]")
        return value

    @property
    def dispersal_range_m(self) -> tuple[float, float] | None:
        """Return least and greatest dispersal, or None where none was given."""
        if self.dispersal_m is None or isinstance(self.dispersal_m, tuple):
            return self.dispersal_m
        return self.dispersal_m, self.dispersal_m


class Change(Section):
    """Pairing with earlier surveys.

    Attributes
    ----------
    within_m : float
        An earlier and a present site closer than this are the same place.
    """

    within_m: float = Field(default=100.0, gt=0)
