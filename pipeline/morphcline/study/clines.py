"""``[clines]`` and ``[change]``: along which axis a cline is fitted, and which earlier places are the same place."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from morphcline.study._base import Section


class Clines(Section):
    """Axis of the clines.

    Attributes
    ----------
    axis : "best", float or path
        The bearing that fits best, a bearing in degrees clockwise from grid north, or a line file.
    traits : tuple of str, optional
        Traits to fit; all traits otherwise.
    """

    axis: Literal["best"] | Annotated[float, Field(ge=0, le=360)] | Path = "best"
    traits: tuple[str, ...] | None = None


class Change(Section):
    """Pairing with earlier surveys.

    Attributes
    ----------
    within_m : float
        An earlier and a present site closer than this are the same place.
    """

    within_m: float = Field(default=100.0, gt=0)
