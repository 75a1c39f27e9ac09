"""``[study]``: what the study is called and where it lies."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import Field, StringConstraints

from morphcline.study._base import Section

Slug = Annotated[str, StringConstraints(pattern=r"^[a-z0-9][a-z0-9_-]*$", max_length=64)]


class General(Section):
    """Name, working CRS, area and seed of the study.

    Attributes
    ----------
    name : str
        A slug (a-z, 0-9, ``-``, ``_``): it names the output folder.
    crs : str
        The working CRS: projected, in metres.
    title : str
        For people; defaults to the name.
    seed : int
        Every random draw follows from it.
    area : path, optional
        A polygon layer; without it the sites' hull with a margin is used.
    """

    name: Slug
    crs: str
    title: str = ""
    seed: int = Field(default=1, ge=0)
    area: Path | None = None
