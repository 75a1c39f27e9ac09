"""``[records]``: where the survey's rows are, how they are laid out, and how their places are written."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from pydantic import Field, field_validator, model_validator

from morphcline.study._base import Section
from morphcline.study.limits import Limits

Layout = Literal["counts", "wide", "shells", "darwin-core"]
WrittenAs = Literal["longitude-latitude", "easting-northing", "grid-reference"]
DateOrder = Literal["detect", "day-first", "month-first", "year-first"]

#: The fields a record can have, in the order in which they are written out.
FIELDS = (
    "site", "visit", "date", "longitude", "latitude", "easting", "northing", "grid_reference", "crs",
    "position_uncertainty_m", "species", "qualifier", "lip", "colour", "banding", "count", "age", "condition",
    "habitat", "recorder", "note",
)  # fmt: skip
FieldName = Literal[
    "site", "visit", "date", "longitude", "latitude", "easting", "northing", "grid_reference", "crs",
    "position_uncertainty_m", "species", "qualifier", "lip", "colour", "banding", "count", "age", "condition",
    "habitat", "recorder", "note",
]  # fmt: skip


class Position(Section):
    """How a source writes its places.

    Attributes
    ----------
    written_as : {"longitude-latitude", "easting-northing", "grid-reference"}
    crs : str
        CRS of the coordinates, where the rows have no ``crs`` of their own. Not used for grid references.
    grid : {"british", "irish", "mgrs"}, optional
        Which grid a reference belongs to, where its letters alone could be read two ways.
    uncertainty_m : float, optional
        Position uncertainty of every row that doesn't state its own, in metres.
    allow_ballpark : bool
        Accept a transformation that ignores the datum shift (an error of up to some hundred metres).
    """

    written_as: WrittenAs = "longitude-latitude"
    crs: str = "EPSG:4326"
    grid: Literal["british", "irish", "mgrs"] | None = None
    uncertainty_m: float | None = Field(default=None, gt=0)
    allow_ballpark: bool = False


class Sheet(Section):
    """A file with rows, and how to read it.

    Attributes
    ----------
    path : path
        CSV, XLSX, GeoPackage or Parquet.
    sheet : str, optional
        Sheet of a workbook or layer of a GeoPackage; the first one otherwise.
    delimiter, encoding : str, optional
        Of a text file; detected and reported otherwise.
    dates : {"detect", "day-first", "month-first", "year-first"}
        The order in dates such as 03/04/2024.
    columns : dict
        Our field = "their column"; a field left out is looked for under its own name.
    position : Position
    limits : Limits
        How much the file may hold.
    """

    path: Path
    sheet: str | None = None
    delimiter: str | None = Field(default=None, min_length=1, max_length=1)
    encoding: str | None = None
    dates: DateOrder = "detect"
    columns: dict[FieldName, str] = Field(default_factory=dict)
    position: Position = Position()
    limits: Limits = Limits()

    @field_validator("delimiter")
    @classmethod
    def _delimiters_part_cells(cls, delimiter: str | None) -> str | None:
        if delimiter is not None and delimiter in '"\r\n\0':
            raise ValueError("a sign that parts cells, such as a comma or a semicolon")
        return delimiter


class RecordSource(Sheet):
    """One file of records.

    Attributes
    ----------
    layout : {"counts", "wide", "shells", "darwin-core"}
        counts: a row per site, species, colour and banding; wide: a column per morph; shells: a row per shell;
        darwin-core: a Darwin Core archive (a ZIP, a folder, or its ``meta.xml``), whose own terms say what is what.
    wide : dict
        For the wide layout: ``"yellow/00000" = "their column"``; colour or banding may be empty (``"yellow/"``).
    values : dict
        For each field, the source's own words for our values: ``{colour = {jaune = "yellow"}}``.
    sites : Sheet, optional
        A site table joined on the field ``site``; its positions stand for the rows that have none.
    """

    layout: Layout = "counts"
    wide: dict[str, str] = Field(default_factory=dict)
    values: dict[FieldName, dict[str, str]] = Field(default_factory=dict)
    sites: Sheet | None = None

    @model_validator(mode="after")
    def _wide_needs_columns(self) -> RecordSource:
        if (self.layout == "wide") != bool(self.wide):
            raise ValueError('layout = "wide" and the table [records.wide] go together: give both or neither')
        return self

    @model_validator(mode="after")
    def _archives_tell_their_columns(self) -> RecordSource:
        if self.layout == "darwin-core" and (self.columns or self.sites or self.sheet or self.delimiter):
            raise ValueError(
                'with layout = "darwin-core" leave out columns, sites, sheet and delimiter: the archive tells'
            )
        return self


class EarlierSurvey(Section):
    """An earlier survey of the same places.

    Attributes
    ----------
    name : str
        Names the survey in tables and report.
    sources : tuple of RecordSource
    """

    name: str = Field(min_length=1)
    sources: tuple[RecordSource, ...]
