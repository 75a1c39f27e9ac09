"""The header row of a sheet, and the table below it."""

from __future__ import annotations

import itertools
from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np

from morphcline.errors import Problem, SourceError
from morphcline.files.limits import check_extent
from morphcline.records.texts import TableBuilder, TextTable, tidy
from morphcline.study import USUAL_LIMITS, Limits

_BLOCK_ROWS = 50_000


def checked_header(cells: Sequence[str], shown: str) -> tuple[str, ...]:
    """Return the names of the columns; a column without a name is called by its number.

    Raises
    ------
    SourceError
        When two columns have the same name.
    """
    names = [tidy(cell.removeprefix("\ufeff")) for cell in cells]
    twice = [name for name, count in Counter(names).items() if name and count > 1]
    if twice:
        listed = ", ".join(repr(name) for name in twice)
        raise SourceError(
            Problem(shown, "header", f"more than one column is called {listed}", "give each column a name of its own")
        )
    return tuple(name or f"(column {place})" for place, name in enumerate(names, start=1))


def table_from_rows(
    rows: Iterable[Sequence[str]], shown: str, limits: Limits = USUAL_LIMITS, *, can_be_ragged: bool = True
) -> TextTable:
    """Make a table from rows of cells: the first row that isn't blank is the header.

    Parameters
    ----------
    rows : iterable of sequence of str
        From the sheet's row 1.
    shown : str
        The file as messages name it.
    limits : Limits
    can_be_ragged : bool
        Cells beyond the header are kept as such (a text file may be misaligned there); otherwise they make columns
        without a name (in a workbook a cell stands where it stands).

    Raises
    ------
    SourceError
        No header, no row below it, columns with the same name, or more columns or cells than the limits allow.
    """
    numbered = iter(rows)
    header: Sequence[str] = ()
    skipped = 0
    for cells in numbered:
        skipped += 1
        if any(cell.strip() for cell in cells):
            header = cells
            break
    if not header:
        raise SourceError(Problem(shown, "", "the file is empty", "a header row and at least one row below it"))
    header = _without_trailing_blanks(header)
    check_extent(0, len(header), shown, limits)
    if can_be_ragged:
        builder = TableBuilder(len(header))
        below_count = 0
        for block in iter(lambda: list(itertools.islice(numbered, _BLOCK_ROWS)), []):
            builder.add(block)
            below_count += len(block)
            check_extent(below_count, len(header), shown, limits)
    else:
        below, width = [], len(header)
        for cells in numbered:
            below.append(_without_trailing_blanks(cells))
            width = max(width, len(below[-1]))
            check_extent(len(below), width, shown, limits)
        while below and not below[-1]:  # formatted, but nobody sees a row there
            below.pop()
        header = [*header, *[""] * (width - len(header))]
        builder = TableBuilder(len(header))
        builder.add(below)
        builder.short = 0
    names = checked_header(header, shown)
    columns = builder.columns()
    count = len(columns[0])
    if not count:
        raise SourceError(
            Problem(shown, "", "there is a header but no row below it", "a header row and at least one row below it")
        )
    row = np.arange(skipped + 1, skipped + 1 + count, dtype=np.int64)
    kept = {
        name: column
        for name, column, cell in zip(names, columns, header, strict=True)
        if cell.strip() or not column.blank.all()
    }
    return TextTable(shown, tuple(kept), kept, row, builder.beyond, builder.short)


def _without_trailing_blanks(cells: Sequence[str]) -> Sequence[str]:
    end = len(cells)
    while end and not cells[end - 1].strip():
        end -= 1
    return cells[:end]
