"""From rows in any layout to observations: so many shells of one kind, seen at a place on a day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from morphcline.errors import Problem
from morphcline.language import Said, said_many
from morphcline.records.columns import Fields
from morphcline.records.dates import Order, When, detect_order, read_date, read_day_number
from morphcline.records.numbers import read_count
from morphcline.records.scores import Reading, Scores, why_not_counted
from morphcline.records.texts import TextColumn, TextTable
from morphcline.records.verdicts import Verdicts
from morphcline.scoring.formulas import Banding, read_banding
from morphcline.scoring.shells import read_colour
from morphcline.study import Sheet

#: The columns of an accepted observation, in order.
COLUMNS: Mapping[str, str] = {
    "source": "file the row stands in",
    "row": "its number there, as a spreadsheet shows it (features of a layer count from 1)",
    "survey": "name of the earlier survey; empty for the survey itself",
    "site": "site, as recorded; numbered where it has no name, or one that would tell its place",
    "visit": "visit, as recorded; else the date",
    "date": "date as precise as it was given (ISO 8601: year, month, day, or an interval)",
    "year": "year of the date, or in which the interval begins",
    "longitude": "longitude as recorded, degrees",
    "latitude": "latitude as recorded, degrees",
    "easting": "easting as recorded, in units of crs; centre of a grid reference's square",
    "northing": "northing as recorded, in units of crs; centre of a grid reference's square",
    "grid_reference": "grid reference as recorded",
    "crs": "CRS of the recorded coordinates",
    "x_m": "easting in the study's CRS, metres",
    "y_m": "northing in the study's CRS, metres",
    "position_uncertainty_m": "radius that holds the place with 95 % confidence, transformation included, metres",
    "transformation": "operation that brought the place into the study's CRS",
    "species": "species, or genus, or empty for juveniles that weren't named",
    "qualifier": "cf. and the like",
    "lip": "dark, white or absent",
    "colour": "yellow, pink or brown; empty: not scored",
    "banding": "band formula; empty: not scored so finely",
    "band_class": "unbanded, mid-banded, many-banded or other one-banded; empty: not scored",
    "count": "shells",
    "age": "adult or juvenile; empty: not said, taken for adult",
    "condition": "live, fresh or worn; empty: not said, taken for live or fresh",
    "habitat": "recorder's habitat note",
    "recorder": "recorder",
    "note": "recorder's note",
    "mended": "what was mended in the banding or the date, with the text as it came",
    "counted": "whether the shells enter frequencies",
    "not_counted_because": "why they don't",
}


@dataclass(frozen=True)
class Morph:
    """A column of the wide layout.

    Parameters
    ----------
    column : str
    colour, banding, band_class, mended : str
        What a shell counted in it is.
    """

    column: str
    colour: str
    banding: str
    band_class: str
    mended: str


@dataclass(frozen=True)
class Dates:
    """Dates of all rows.

    Parameters
    ----------
    text : (n,) array of str
        ISO 8601; empty where there is none.
    year : (n,) array of int64
        0 where there is none.
    first_day : (n,) array of int64
        Ordinal of the first day it can mean; 0 where there is none.
    mended : (n,) array of str
        How a workbook's number for a day was read; else empty.
    """

    text: NDArray[np.object_]
    year: NDArray[np.int64]
    first_day: NDArray[np.int64]
    mended: NDArray[np.object_]

    def filled(self, mask: NDArray[np.bool_], other: Dates, rows: NDArray[np.intp]) -> Dates:
        """Return the dates, with those of ``other`` (its ``rows``) where ``mask`` holds."""
        return Dates(
            np.where(mask, other.text[rows], self.text),
            np.where(mask, other.year[rows], self.year),
            np.where(mask, other.first_day[rows], self.first_day),
            np.where(mask, other.mended[rows], self.mended),
        )


@dataclass(frozen=True)
class Cells:
    """Shells counted in the cells of a wide table.

    Parameters
    ----------
    row, morph : (k,) arrays of int
        Row and number of the morph; -1 for a row in which none was found.
    count : (k,) array of int64
    """

    row: NDArray[np.intp]
    morph: NDArray[np.intp]
    count: NDArray[np.int64]


def read_morphs(of_morph: Mapping[str, str], shown: str) -> tuple[list[Morph], list[Problem]]:
    """Read the keys of ``[records.wide]``, ``"colour/banding"``, either part of which may be empty."""
    morphs, problems = [], []
    for key, column in of_morph.items():
        colour_text, slash, banding_text = key.partition("/")
        try:
            if not slash:
                raise ValueError("there is no slash")
            banding: Banding = read_banding(banding_text)
            colour = read_colour(colour_text)
            if banding.colour and colour and banding.colour != colour:
                raise ValueError("it names two colours")
        except ValueError as error:
            problems.append(
                Problem(
                    shown,
                    f"[records.wide] {key!r}",
                    f"the key can't be read ({str(error).rstrip('.')})",
                    'write "colour/banding", such as "yellow/00300", "pink/mid-banded" or "brown/"',
                )
            )
            continue
        morphs.append(Morph(column, colour or banding.colour, banding.formula, banding.band_class, banding.mended))
    return morphs, problems


def read_cells(morphs: list[Morph], table: TextTable, verdicts: Verdicts, skip: NDArray[np.bool_]) -> Cells:
    """Read the cells of a wide table; one bad cell rejects its row.

    Parameters
    ----------
    morphs : list of Morph
    table : TextTable
    verdicts : Verdicts
    skip : (n,) array of bool
        Rows that hold nothing at all and are rejected already.
    """
    rows, kinds, counts = [], [], []
    said = np.zeros(len(table), dtype=bool)
    total = np.zeros(len(table), dtype=np.int64)
    for number, morph in enumerate(morphs):
        column = table.columns[morph.column].changed(str.strip)
        reading = Reading.of(column, lambda text: read_count(text) if text else 0, 0)
        count = reading.values(dtype=np.int64)
        what = f"column {morph.column!r}"
        verdicts.reject(reading.failed, "count-not-whole", reading.reasons(what))
        below = (f'{what}: the count "{word}" is below zero; expected 0 or more' for word in column.words)
        verdicts.reject(count < 0, "count-negative", TextColumn(column.codes, tuple(below)))
        said |= ~column.empty
        total += np.maximum(count, 0)
        some = np.flatnonzero(count > 0)
        rows.append(some)
        kinds.append(np.full(len(some), number, dtype=np.intp))
        counts.append(count[some])
    verdicts.reject(
        ~said & ~skip, "count-missing", "every column of counts is empty; expected whole numbers, 0 if none was found"
    )
    none = np.flatnonzero(said & (total == 0))
    rows.append(none)
    kinds.append(np.full(len(none), -1, dtype=np.intp))
    counts.append(np.zeros(len(none), dtype=np.int64))
    row, kind, count = np.concatenate(rows), np.concatenate(kinds), np.concatenate(counts)
    order = np.lexsort((kind, row))
    return Cells(row[order], kind[order], count[order])


def read_dates(fields: Fields, sheet: Sheet, verdicts: Verdicts, table: TextTable) -> tuple[Dates, list[str]]:
    """Read the dates of a source, with the order of day and month that the study states or the dates show.

    In a workbook, numbers that were never formatted as dates are read by the workbook's calendar.
    """
    column = fields["date"]
    warnings: list[str] = []
    order: Order
    if sheet.dates == "detect":
        found = detect_order(column.used)
        order = found.order
        if found.warning:
            warnings.append(Said("{file}: {finding}", file=table.shown, finding=found.warning))
    else:
        order = sheet.dates

    mended: dict[str, str] = {}

    def read(text: str) -> When | None:
        if table.day_zero is not None and (day := read_day_number(text, table.day_zero)):
            mended[text] = f"date {text} read as {day.text}"
            return day
        return read_date(text, order) if text else None

    reading = Reading.of(column, read, None)
    verdicts.reject(reading.failed, "date-unreadable", reading.reasons())
    dates = Dates(
        reading.values(lambda when: when.text if when else ""),
        reading.values(lambda when: when.year if when else 0, dtype=np.int64),
        reading.values(lambda when: when.first.toordinal() if when else 0, dtype=np.int64),
        column.each(lambda text: mended.get(text, "")),
    )
    numbered = np.flatnonzero(dates.mended != "")
    if len(numbered):
        warnings.append(
            said_many(
                "{file}: {n} date is a day number and was read by the workbook's calendar ({number} as {date}); format "
                "the column as a date.",
                "{file}: {n} dates are day numbers and were read by the workbook's calendar ({number} as {date}); "
                "format the column as a date.",
                len(numbered),
                file=table.shown,
                n=len(numbered),
                number=str(column[numbered[0]]),
                date=str(dates.text[numbered[0]]),
            )
        )
    return dates, warnings


def assemble(
    *,
    shown: str,
    survey: str,
    table: TextTable,
    scores: Scores,
    dates: Dates,
    places: Mapping[str, NDArray[Any]],
    texts: Mapping[str, NDArray[np.object_]],
    keep: NDArray[np.bool_],
    morphs: list[Morph],
    cells: Cells | None,
) -> pd.DataFrame:
    """Return the observations of a source's accepted rows.

    Parameters
    ----------
    shown, survey : str
    table : TextTable
    scores : Scores
    dates : Dates
    places : mapping
        Of each row: the columns from ``longitude`` to ``transformation``, and those that begin with an underscore.
    texts : mapping
        Of each row: ``site, visit, habitat, recorder, note``.
    keep : (n,) array of bool
        The accepted rows.
    morphs, cells
        For the wide layout.

    Returns
    -------
    DataFrame
        :data:`COLUMNS`, and helpers for the flags that begin with an underscore.
    """
    if cells is None:
        row = np.flatnonzero(keep)
        count = scores.count[row]
        morph = {name: getattr(scores, name)[row] for name in ("colour", "banding", "band_class", "mended")}
    else:
        chosen = keep[cells.row]
        row, kind, count = cells.row[chosen], cells.morph[chosen], cells.count[chosen]
        nothing = Morph("", "", "", "", "")
        morph = {
            name: np.array([*(getattr(m, name) for m in morphs), getattr(nothing, name)], dtype=object)[kind]
            for name in ("colour", "banding", "band_class", "mended")
        }
    because = why_not_counted(scores.taken(row), count)
    visit = texts["visit"][row]
    date = dates.text[row]
    year = dates.year[row]
    frame = {
        "source": np.full(len(row), shown, dtype=object),
        "row": table.row[row],
        "survey": np.full(len(row), survey, dtype=object),
        "site": texts["site"][row],
        "visit": np.where(visit != "", visit, date),
        "date": date,
        "year": pd.array(np.where(year == 0, -1, year), dtype="Int64"),
        **{name: values[row] for name, values in places.items()},
        "species": scores.species[row],
        "qualifier": scores.qualifier[row],
        "lip": scores.lip[row],
        "colour": morph["colour"],
        "banding": morph["banding"],
        "band_class": morph["band_class"],
        "count": count,
        "age": scores.age[row],
        "condition": scores.condition[row],
        **{name: texts[name][row] for name in ("habitat", "recorder", "note")},
        "mended": _joined(morph["mended"], dates.mended[row]),
        "counted": because == "",
        "not_counted_because": because,
        "_first_day": dates.first_day[row],
        "_mended_score": morph["mended"],
        "_mended_date": dates.mended[row],
    }
    result = pd.DataFrame(frame)
    result.loc[year == 0, "year"] = pd.NA
    return result


def _joined(first: NDArray[np.object_], second: NDArray[np.object_]) -> NDArray[np.object_]:
    joined: NDArray[np.object_] = first + np.where((first != "") & (second != ""), "; ", "") + second
    return joined
