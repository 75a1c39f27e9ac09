"""What of the report stands in its body and what in its appendix, and the numbers under which both are cited."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from morphcline.language import _
from morphcline.render import labels
from morphcline.render.report.parts import Section, ShownFigure, ShownTable, leading_pairs

#: Kinds of figures for the appendix, as their names begin.
_APPENDED = (
    "landscape", "steepness", "clusters", "correlogram", "variogram", "bandwidth", "centres", "concordance",
    "transects", "isolation", "habitat", "change_map",
)  # fmt: skip
#: A longer table goes to the appendix; one of two columns has another beside it, and may be longer.
MOST_ROWS = 12
MOST_NARROW_ROWS = 24
#: One longer than this is left to the folder of tables.
MOST_PRINTED_ROWS = 40
#: Sections that stand in the appendix whole.
_SPECIAL = ("concordance", "genetics", "selection")


@dataclass(frozen=True)
class Arranged:
    """The report's sections: those of the body, and those of the appendix with what the body has no room for."""

    body: Sequence[Section]
    appendix: Sequence[Section]


#: Tables of which the body tells the leading traits and the appendix the others.
_PARTED = (
    "surfaces", "steepness", "autocorrelation", "correlogram_reach", "variogram_fit", "clines", "selection", "curved",
    "transects", "environment", "environment_skill", "marginal_effects", "habitat_pairs", "change", "change_radius",
    "habitat_frequencies",
)  # fmt: skip


def parted(tables: Mapping[str, pd.DataFrame]) -> tuple[dict[str, pd.DataFrame], dict[str, pd.DataFrame]]:
    """Part tables in the rows of the leading traits of each species and those of the others.

    Tables of pairs of traits, and of what is no trait, stand whole in the first part and empty in the second.
    """
    leading = leading_pairs(tables["regional"])
    first, second = {}, {}
    for name, table in tables.items():
        if name not in _PARTED or table.empty:
            first[name], second[name] = table, table.iloc[:0]
            continue
        leads = pd.Series(
            [key in leading for key in zip(table["species"], table["trait"], strict=True)], index=table.index
        )
        first[name], second[name] = table[leads], table[~leads]
    return first, second


def arrange(sections: Iterable[Section], *further: Section) -> Arranged:
    """Move long tables and secondary figures to the appendix, after which further sections of it follow.

    Parameters
    ----------
    sections : iterable of Section
    *further : Section
        Of the appendix alone; empty ones are left out.
    """
    body, appendix = [], []
    for section in sections:
        whole = _printed(section)
        if section.anchor in _SPECIAL:
            appendix.append(whole)
            continue
        kept_figures = [item for item in whole.figures if not item.name.startswith(_APPENDED)]
        kept_tables = [table for table in whole.tables if _short(table)]
        body.append(replace(whole, figures=kept_figures, tables=kept_tables))
        moved = Section(
            f"more-{section.anchor}",
            section.title,
            figures=[item for item in whole.figures if item not in kept_figures],
            tables=[table for table in whole.tables if table not in kept_tables],
        )
        appendix.append(moved)
    return Arranged(body, [section for section in (*appendix, *map(_printed, further)) if not section.empty])


def _printed(section: Section) -> Section:
    """Return a section without its overlong tables, and a note in the place of each."""
    long = [table for table in section.tables if len(table.rows) > MOST_PRINTED_ROWS]
    if not long:
        return section
    notes = [
        _("A table of {n} rows is in the folder of tables alone: “{caption}”").format(
            n=labels.number(len(table.rows)), caption=_head(table.caption)
        )
        for table in long
    ]
    return replace(
        section, tables=[table for table in section.tables if table not in long], notes=[*section.notes, *notes]
    )


def _head(caption: str) -> str:
    """Return the first sentence of a caption, without what follows a colon or semicolon."""
    return re.split(r"(?<=[.])\s|\s?[;:]\s", caption, maxsplit=1)[0].rstrip(".") + "."


def _short(table: ShownTable) -> bool:
    narrow = len(table.text) + len(table.numbers) == 2
    return len(table.rows) <= (MOST_NARROW_ROWS if narrow else MOST_ROWS)


def numbered(arranged: Arranged, *, figures_before: int = 0) -> Arranged:
    """Give figures and tables their numbers: those of the body count from 1, those of the appendix from A1."""
    body = _numbered(arranged.body, "{number}", figures_before)
    return Arranged(body, _numbered(arranged.appendix, "A{number}", 0))


def figure_label(number: str) -> str:
    """Return what stands before a figure's caption."""
    return _("Figure {number}.").format(number=number)


def _numbered(sections: Sequence[Section], form: str, figures_before: int) -> list[Section]:
    figure, table = figures_before, 0
    told = []
    for section in sections:
        figures: list[ShownFigure] = []
        tables: list[ShownTable] = []
        for shown in section.figures:
            figure += 1
            figures.append(replace(shown, label=figure_label(form.format(number=figure))))
        for listed in section.tables:
            table += 1
            tables.append(replace(listed, label=_("Table {number}.").format(number=form.format(number=table))))
        told.append(replace(section, figures=figures, tables=tables))
    return told
