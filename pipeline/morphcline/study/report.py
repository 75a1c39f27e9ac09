"""``[report]``: who the report is for: districts that each get their own, contact, holders of the data, licence."""

from __future__ import annotations

from pathlib import Path

from pydantic import Field, model_validator

from morphcline.study._base import Section


class Area(Section):
    """A part of the region, or each of several, that gets a report of its own, as ``[[report.area]]``.

    Attributes
    ----------
    path : path
        A vector file with polygons.
    layer : str, optional
        Of a file with several; the first one otherwise.
    name : str, optional
        Of the one district that all its polygons together make.
    name_from : str, optional
        The column that names them: a report for each name.
    """

    path: Path
    layer: str | None = None
    name: str | None = Field(default=None, min_length=1)
    name_from: str | None = None

    @model_validator(mode="after")
    def _has_one_name_or_a_column_of_them(self) -> Area:
        if (self.name is None) == (self.name_from is None):
            raise ValueError("give name, or name_from: the column that names the districts")
        return self


class Report(Section):
    """The report, the notes to contributors and the files for exchange.

    Attributes
    ----------
    area : tuple of Area
    pdf : bool
        Write the report as PDF too; needs the optional extra ``pdf``.
    holder : str
        Who holds the data: a body rather than a person.
    contact : str
        Where questions go; shown to everybody.
    licence : str
        Of the data, such as ``"CC-BY-4.0"``; shown and exported.
    """

    area: tuple[Area, ...] = ()
    pdf: bool = False
    holder: str = ""
    contact: str = ""
    licence: str = ""
