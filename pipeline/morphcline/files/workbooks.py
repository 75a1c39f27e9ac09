"""Workbooks (XLSX): the values of one sheet, as text."""

from __future__ import annotations

import re
import warnings
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from morphcline.errors import MorphclineError, Problem, SourceError
from morphcline.files.headers import table_from_rows
from morphcline.files.limits import check_packed
from morphcline.files.safe_xml import check_parts
from morphcline.language import Said, said_many
from morphcline.records.texts import TextTable, cell_text
from morphcline.study import USUAL_LIMITS, Limits

#: Rows of a sheet, by the format.
_MOST_ROWS = 1_048_576
_LONGEST_CAUSE = 200


def read_workbook(path: Path, shown: str, *, sheet: str | None, limits: Limits = USUAL_LIMITS) -> TextTable:
    """Read a sheet: numbers keep their exact text, dates become ISO text, formulas give the value last computed.

    Parameters
    ----------
    path : path
    shown : str
        The file as messages name it.
    sheet : str or None
        Its name; None takes the first that isn't hidden.
    limits : Limits

    Raises
    ------
    SourceError
        An unreadable workbook, one that unpacks to more than the limits allow, an absent sheet, and what
        :func:`~morphcline.files.headers.table_from_rows` refuses.
    """
    with warnings.catch_warnings(), _damage_told(shown):
        warnings.simplefilter("ignore")  # about styles and validation rules, which aren't read
        with zipfile.ZipFile(path) as archive:
            check_packed(archive, shown, limits)
            check_parts(archive, shown)
        book = _open(path, values=True)
        try:
            name, told = _sheet_name(book, shown, sheet)
            part = book[name]._worksheet_path
            table = table_from_rows(_rows(book[name], shown), shown, limits, can_be_ragged=False)
            day_zero = book.epoch.date()
        finally:
            book.close()
        merged, formulas = _marks(path, part)
        if merged:
            told.append(_merged(shown, merged))
        uncomputed = _formulas_without_value(path, name) if formulas else 0
        if uncomputed:
            told.append(_uncomputed(shown, uncomputed))
    return replace(table, day_zero=day_zero, details={"sheet": name}, warnings=tuple(told))


@contextmanager
def _damage_told(shown: str) -> Iterator[None]:
    """Say what is wrong with a damaged workbook in one sentence: reading one may fail in almost any way."""
    try:
        yield
    except (MorphclineError, PermissionError):
        raise
    except Exception as error:
        cause = f" ({_first_line(error)})" if str(error) else ""
        problem = Problem(shown, "", f"this is not a workbook that can be read{cause}", "an XLSX file, or a CSV file")
        raise SourceError(problem) from error


def _first_line(error: Exception) -> str:
    line = str(error).strip().splitlines()[0] if str(error).strip() else type(error).__name__
    return line if len(line) <= _LONGEST_CAUSE else line[: _LONGEST_CAUSE - 1] + "…"


def _open(path: Path, *, values: bool) -> Any:
    import openpyxl

    return openpyxl.load_workbook(path, read_only=True, data_only=values, keep_links=False)


def _merged(shown: str, merged: int) -> Said:
    return said_many(
        "{file}: {n} group of cells is merged; only its first cell holds the text, and the others were read as empty",
        "{file}: {n} groups of cells are merged; only the first cell of each holds the text, and the others were read "
        "as empty",
        merged,
        file=shown,
        n=merged,
    )


def _uncomputed(shown: str, uncomputed: int) -> Said:
    return said_many(
        "{file}: {n} formula cell holds no computed value and was read as empty; open the workbook in a "
        "spreadsheet and save it",
        "{file}: {n} formula cells hold no computed value and were read as empty; open the workbook in a "
        "spreadsheet and save it",
        uncomputed,
        file=shown,
        n=uncomputed,
    )


def _sheet_name(book: Any, shown: str, sheet: str | None) -> tuple[str, list[str]]:
    """Return which sheet to read, and what to say about those hidden before it."""
    names = [str(worksheet.title) for worksheet in book.worksheets]
    if sheet in names:
        return str(sheet), []
    seen = [str(worksheet.title) for worksheet in book.worksheets if worksheet.sheet_state == "visible"]
    if sheet is None and names:
        chosen = (seen or names)[0]
        hidden = names[: names.index(chosen)]
        if not hidden:
            return chosen, []
        told = Said(
            "{file}: the sheet {sheet} was read; hidden before it: {hidden}",
            file=shown,
            sheet=repr(chosen),
            hidden=", ".join(map(repr, hidden)),
        )
        return chosen, [told]
    listed = ", ".join(repr(name) for name in names) or "none"
    raise SourceError(Problem(shown, "", f"it has no sheet {sheet!r}", f"its sheets: {listed}"))


def _rows(worksheet: Any, shown: str) -> Iterator[list[str]]:
    worksheet.reset_dimensions()  # some writers state a wrong extent, and cells outside it would be lost
    for row, cells in enumerate(worksheet.iter_rows(values_only=True), start=1):
        if row > _MOST_ROWS:  # a damaged number of a row would give rows without end
            accepted = "a workbook that a spreadsheet program saved"
            raise SourceError(
                Problem(shown, "", f"it numbers a row beyond {_MOST_ROWS:,}, the last of a sheet", accepted)
            )
        yield [cell_text(value) for value in cells]


def _marks(path: Path, part: str) -> tuple[int, bool]:
    """Return how many groups of cells of a sheet are merged, and whether there are formulas."""
    with zipfile.ZipFile(path) as archive:
        text = archive.read(part)
    return len(re.findall(rb"<(?:\w+:)?mergeCell[ />]", text)), bool(re.search(rb"<(?:\w+:)?f[ >/]", text))


def _formulas_without_value(path: Path, name: str) -> int:
    """Count the formulas of a sheet that no program has computed yet."""
    texts, values = _open(path, values=False), _open(path, values=True)
    try:
        for book in (texts, values):
            book[name].reset_dimensions()
        pairs = zip(texts[name].iter_rows(), values[name].iter_rows(values_only=True), strict=True)
        return sum(
            cell.data_type == "f" and value is None
            for cells, row in pairs
            for cell, value in zip(cells, row, strict=True)
        )
    finally:
        texts.close()
        values.close()
