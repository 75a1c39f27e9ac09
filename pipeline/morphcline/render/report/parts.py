"""What a report is made of: sections with paragraphs, points, tables and figures; no markup here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pandas as pd

from morphcline.render import labels
from morphcline.render.report.phrases import limits
from morphcline.render.report.sentences import known

Row = Mapping[str, Any]

#: The traits that a summary speaks of: one a locus, so that nothing is told twice (pink falls where yellow rises).
KEY_TRAITS = ("yellow", "unbanded", "mid-banded")


def leading_traits(present: Iterable[str]) -> tuple[str, ...]:
    """Return the traits that the report's body tells: one a locus and the study's own; without such, all it shows.

    Examples
    --------
    >>> leading_traits(["yellow", "pink", "mid-banded", "pale lip"]), leading_traits(["pink", "brown"])
    (('yellow', 'mid-banded', 'pale lip'), ('pink', 'brown'))
    """
    shown = labels.main_traits(present)
    ours = labels.COLOUR_TRAITS + labels.BANDING_TRAITS
    leading = tuple(trait for trait in shown if trait in KEY_TRAITS or trait not in ours)
    return leading or shown


def leading_pairs(regional: pd.DataFrame) -> set[tuple[str, str]]:
    """Return species and trait of the leading traits of each species in ``regional.csv``."""
    return {
        (str(species), trait)
        for species, rows in regional.groupby("species", sort=False)
        for trait in leading_traits(rows["trait"])
    }


@dataclass(frozen=True)
class ShownFigure:
    """A figure in the report: name, a ``data:`` URI, caption, alternative text, and its number in words."""

    name: str
    source: str
    caption: str
    alt: str
    label: str = ""


@dataclass(frozen=True)
class ShownTable:
    """A table of ready texts.

    Parameters
    ----------
    caption : str
    text : sequence of str
        Heads of the first columns, which hold words.
    numbers : sequence of str
        Heads of the columns after them, which hold numbers and are set to the right.
    rows : sequence of sequences of str
    label : str
        Its number, in words.
    """

    caption: str
    text: Sequence[str]
    numbers: Sequence[str]
    rows: Sequence[Sequence[str]]
    label: str = ""


@dataclass(frozen=True)
class Points:
    """Sentences under a heading, a point each."""

    heading: str
    texts: Sequence[str]


@dataclass(frozen=True)
class Section:
    """A headed part of the report, in the order it is read."""

    anchor: str
    title: str
    paragraphs: Sequence[str] = ()
    points: Sequence[Points] = ()
    figures: Sequence[ShownFigure] = ()
    tables: Sequence[ShownTable] = ()
    notes: Sequence[str] = ()

    @property
    def empty(self) -> bool:
        """Whether nothing stands under the heading."""
        return not (self.paragraphs or self.points or self.figures or self.tables or self.notes)


def rows_of(frame: pd.DataFrame, **where: Any) -> list[dict[str, Any]]:
    """Return a table's rows that hold the given values, as mappings."""
    chosen = frame
    for column, value in where.items():
        chosen = chosen[chosen[column] == value]
    return [{str(key): value for key, value in row.items()} for row in chosen.to_dict("records")]


def main_rows(rows: Iterable[Row]) -> list[Row]:
    """Return the rows of the traits that figures and text show; the nine morphs are left to the tables."""
    listed = list(rows)
    main = set(labels.main_traits(row["trait"] for row in listed))
    return [row for row in listed if row["trait"] in main]


def by_trait(rows: Iterable[Row]) -> dict[str, dict[str, list[Row]]]:
    """Group rows by species, and within it by trait, in the order met."""
    groups: dict[str, dict[str, list[Row]]] = {}
    for row in rows:
        groups.setdefault(row["species"], {}).setdefault(row["trait"], []).append(row)
    return groups


def figures_named(figures: Sequence[ShownFigure], *starts: str) -> list[ShownFigure]:
    """Return the figures whose name starts with one of the words, in the order of the words."""
    return [figure for start in starts for figure in figures if figure.name.startswith(start)]


def p_cell(p: Any) -> str:
    """Return a p-value for a column headed p."""
    return labels.bare_probability(p) if known(p) else "–"


def number_cell(value: Any, digits: int) -> str:
    """Return a number to so many decimals, or a dash where it is missing."""
    return labels.decimals(value, digits) if known(value) else "–"


def distance_cell(value: Any) -> str:
    """Return a length, or a dash where it is missing."""
    return labels.distance(value) if known(value) else "–"


def points_cell(value: float) -> str:
    """Return a difference in percentage points, or a dash where it is missing."""
    return labels.points(value) if known(value) else "–"


def points_range(low: float, high: float) -> str:
    """Return the limits of a difference in percentage points, or a dash where they are missing."""
    return limits(labels.points(low), labels.points(high)) if known(low) and known(high) else "–"
