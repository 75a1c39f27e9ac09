"""Which column of a sheet holds which field of ours."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial

import numpy as np
from numpy.typing import NDArray

from morphcline.errors import Problem
from morphcline.records.texts import NOTHING, TextColumn, TextTable, folded, tidy
from morphcline.study import FIELDS, RecordSource, Sheet

#: The columns a place is written in, by the way it is written.
POSITION_FIELDS: Mapping[str, tuple[str, ...]] = {
    "longitude-latitude": ("longitude", "latitude"),
    "easting-northing": ("easting", "northing"),
    "grid-reference": ("grid_reference",),
}
#: Free text, in which "NA" may be meant.
_FREE_TEXT = ("site", "recorder", "note")
#: What sheets often call a field, by which an absent column is guessed at; nothing is read under these names unasked.
_OFTEN_CALLED: Mapping[str, tuple[str, ...]] = {
    "site": ("place", "location", "locality", "station", "site id", "site name", "site code", "plot"),
    "visit": ("sample", "survey", "event"),
    "date": ("day", "seen on", "visit date", "sampled", "when"),
    "longitude": ("lon", "long", "lng", "x", "lon dd", "decimal longitude"),
    "latitude": ("lat", "y", "lat dd", "decimal latitude"),
    "easting": ("east", "e", "x", "x m", "x coord"),
    "northing": ("north", "n", "y", "y m", "y coord"),
    "grid_reference": ("grid ref", "gridref", "gr", "ngr", "os ref", "mgrs", "square"),
    "crs": ("epsg", "srid", "datum", "projection"),
    "position_uncertainty_m": ("uncertainty", "accuracy", "accuracy m", "precision", "gps accuracy", "error m"),
    "species": ("sp", "spp", "taxon", "scientific name"),
    "qualifier": ("cf", "aff"),
    "lip": ("lip colour", "lip color", "peristome"),
    "colour": ("color", "col", "ground colour", "ground color", "shell colour", "shell color"),
    "banding": ("band", "bands", "band formula", "formula", "pattern"),
    "count": (
        "n",
        "number",
        "no",
        "num",
        "nr",
        "qty",
        "quantity",
        "how many",
        "total",
        "abundance",
        "shells",
        "counts",
    ),
    "age": ("stage", "life stage", "maturity"),
    "condition": ("state", "shell state", "live dead", "fate"),
    "habitat": ("biotope", "vegetation", "land cover"),
    "recorder": ("observer", "collector", "recorded by"),
    "note": ("notes", "remark", "remarks", "comment", "comments"),
}
#: How alike two names must be, of 1, for one to be taken for a misspelling of the other.
_ALIKE = 0.6


@dataclass(frozen=True)
class Fields:
    """A sheet's rows under our field names, cells tidied; a field that no column holds is empty in every row.

    Parameters
    ----------
    columns : mapping of str to TextColumn
    present : frozenset of str
        The fields that a column holds.
    """

    columns: Mapping[str, TextColumn]
    present: frozenset[str]

    def __getitem__(self, name: str) -> TextColumn:
        return self.columns[name]

    def __len__(self) -> int:
        return len(self.columns["site"])


@dataclass(frozen=True)
class Layout:
    """How a sheet's columns are to be read.

    Parameters
    ----------
    of_field : mapping of str to str
        Field to column.
    of_morph : mapping of str to str
        For the wide layout, key of ``[records.wide]`` to column.
    written_as : str
        How places are written; "" when the sheet has none of its own.
    from_geometry : bool
        Whether they are the layer's own points.
    """

    of_field: Mapping[str, str]
    of_morph: Mapping[str, str] = field(default_factory=dict)
    written_as: str = ""
    from_geometry: bool = False


def find_columns(sheet: Sheet, table: TextTable, *, places_elsewhere: bool = False) -> tuple[Layout, list[Problem]]:
    """Match a sheet's columns with our fields.

    Parameters
    ----------
    sheet : Sheet
        A :class:`~morphcline.study.RecordSource`, or a plain sheet for a table of sites.
    table : TextTable
    places_elsewhere : bool
        A table of sites gives the places that these rows don't.

    Returns
    -------
    layout : Layout
    problems : list of Problem
        Every column that is named and absent, and every field that is needed and found nowhere.
    """
    problems: list[Problem] = []
    of_field = {}
    for name in FIELDS:
        if name in sheet.columns:
            column = _match(sheet.columns[name], table.header)
            if column is None:
                problems.append(_absent(sheet.columns[name], f"named for {name}", table, name))
                continue
        else:
            column = _match(name, table.header)
        if column is not None:
            of_field[name] = column
    of_morph = {}
    if isinstance(sheet, RecordSource):
        for key, wanted in sheet.wide.items():
            column = _match(wanted, table.header)
            if column is None:
                problems.append(_absent(wanted, f"named for {key!r} in [records.wide]", table))
            else:
                of_morph[key] = column
    problems += _missing_fields(sheet, table, of_field)
    written_as, from_geometry = _where_places_are(sheet, table, of_field)
    missing = [] if from_geometry else [n for n in POSITION_FIELDS[written_as] if n not in of_field]
    named_absent = [name for name in missing if name in sheet.columns]  # reported above
    if missing and places_elsewhere and not named_absent:
        written_as = ""
    elif missing:
        problems += [_missing_place(name, table, of_field) for name in missing if name not in sheet.columns]
    return Layout(of_field, of_morph, written_as, from_geometry), problems


def take_fields(layout: Layout, sheet: Sheet, table: TextTable) -> Fields:
    """Return a sheet's rows under our field names, with the source's own words (``values``) replaced by ours."""
    own_words: Mapping[str, Mapping[str, str]] = {}
    if isinstance(sheet, RecordSource):
        own_words = {str(name): words for name, words in sheet.values.items()}
    empty = TextColumn.constant("", len(table))
    columns = {}
    for name in FIELDS:
        if name not in layout.of_field:
            columns[name] = empty
            continue
        column = table.columns[layout.of_field[name]]
        ours = {folded(theirs): text for theirs, text in own_words.get(name, {}).items()}
        columns[name] = column.changed(partial(_own_word, name=name, ours=ours))
    return Fields(columns, frozenset(layout.of_field))


def blank_rows(table: TextTable) -> NDArray[np.bool_]:
    """Tell which rows hold nothing in any column."""
    blank = np.ones(len(table), dtype=bool)
    for column in table.columns.values():
        blank &= column.blank
    for position in table.beyond:
        blank[position] = False
    return blank


def _own_word(word: str, name: str, ours: Mapping[str, str]) -> str:
    word = tidy(word)
    if ours:
        word = ours.get(folded(word), word)
    return "" if name not in _FREE_TEXT and word.casefold() in NOTHING else word


def _match(wanted: str, header: tuple[str, ...]) -> str | None:
    if wanted in header:
        return wanted
    key = folded(wanted)
    return next((name for name in header if folded(name) == key), None)


def _key(name: str) -> str:
    """Return the letters and digits of a name, in lower case."""
    return "".join(sign for sign in name.casefold() if sign.isalnum())


def _alike(name: str, others: Iterable[str]) -> float:
    return max((difflib.SequenceMatcher(None, _key(name), _key(other)).ratio() for other in others), default=0.0)


def _near(wanted: Iterable[str], header: tuple[str, ...], field_name: str = "") -> list[str]:
    """Return the columns that may be meant, best first: called what the field is often called, else spelt much alike.

    Parameters
    ----------
    wanted : iterable of str
        Names that were looked for.
    header : tuple of str
    field_name : str
        The field; a column that is more like another field isn't offered for it.
    """
    names = [name for name in (*wanted, field_name) if name]
    usual = {_key(name) for name in (*names, *_OFTEN_CALLED.get(field_name, ()))}
    if called := [name for name in header if _key(name) in usual]:
        return called[:2]
    likeness = {name: _alike(name, names) for name in header if _key(name)}
    if field_name:
        others = [name for name in FIELDS if name != field_name]
        likeness = {
            name: degree
            for name, degree in likeness.items()
            if degree > _alike(name, others) and not any(_key(name) in map(_key, _OFTEN_CALLED[o]) for o in others)
        }
    found = sorted((name for name in likeness if likeness[name] >= _ALIKE), key=lambda name: -likeness[name])
    return found[:2]


def _listed(header: tuple[str, ...]) -> str:
    return "its columns: " + ", ".join(repr(name) for name in header)


def _absent(wanted: str, what_for: str, table: TextTable, field_name: str = "") -> Problem:
    near = _near([wanted], table.header, field_name)
    accepted = "nearest: " + ", ".join(repr(name) for name in near) if near else _listed(table.header)
    return Problem(table.shown, "", f"the column {wanted!r} {what_for} isn't there", accepted)


def _missing_fields(sheet: Sheet, table: TextTable, of_field: Mapping[str, str]) -> Iterator[Problem]:
    needed = []
    if not isinstance(sheet, RecordSource):
        needed.append(("site", "a table of sites"))
    else:
        needed.append(("species", "every layout"))
        if sheet.layout == "counts":
            needed.append(("count", 'the layout "counts"'))
        if sheet.sites is not None:
            needed.append(("site", "joining the table of sites"))
    for name, what_for in needed:
        if name not in of_field and name not in sheet.columns:
            yield _missing(name, what_for, table)


def _missing(name: str, what_for: str, table: TextTable, hint: str = "") -> Problem:
    near = _near([], table.header, name)
    if near:
        usual = f'name it under columns: {name} = "{near[0]}"' + "".join(f' (or "{other}")' for other in near[1:])
    else:
        usual = f'name it under columns: {name} = "their column"; {_listed(table.header)}'
    return Problem(table.shown, "", f"no column holds {name}, which is needed for {what_for}", hint or usual)


def _missing_place(name: str, table: TextTable, of_field: Mapping[str, str]) -> Problem:
    for written_as, names in POSITION_FIELDS.items():
        if name not in names and all(other in of_field for other in names):
            hint = f'its places seem to be written otherwise: set written_as = "{written_as}" under position'
            return _missing(name, "its places", table, hint)
    return _missing(name, "its places", table)


def _where_places_are(sheet: Sheet, table: TextTable, of_field: Mapping[str, str]) -> tuple[str, bool]:
    """Return how places are written, and whether they are the layer's own points."""
    written_as = sheet.position.written_as
    named = any(name in sheet.columns for name in POSITION_FIELDS[written_as])
    if table.geometry_columns and not named:
        return written_as, True
    return written_as, False
