"""Workbooks (XLSX): the values of one sheet, as text."""

from __future__ import annotations

import re
import warnings
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

from morphcline.errors import Problem, SourceError
from morphcline.files.headers import table_from_rows
from morphcline.language import said_many
from morphcline.records.texts import TextTable, cell_text


def read_workbook(path: Path, shown: str, *, sheet: str | None) -> TextTable:
    """Read a sheet: numbers keep their exact text, dates become ISO text, formulas give the value last computed.

    Parameters
    ----------
    path : path
    shown : str
        The file as messages name it.
    sheet : str or None
        Its name; None takes the first.

    Raises
    ------
    SourceError
        An unreadable workbook, an absent sheet, and what :func:`~morphcline.files.headers.table_from_rows` refuses.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about styles and validation rules, which aren't read
        book = _open(path, shown, values=True)
        try:
            name = _sheet_name(book, shown, sheet)
            table = table_from_rows(_rows(book[name]), f"{shown}", can_be_ragged=False)
            day_zero = book.epoch.date()
        finally:
            book.close()
        uncomputed = _formulas_without_value(path, shown, name)
    notes: tuple[str, ...] = ()
    if uncomputed:
        notes = (
            said_many(
                "{file}: {n} formula cell holds no computed value and was read as empty; open the workbook in a "
                "spreadsheet and save it",
                "{file}: {n} formula cells hold no computed value and were read as empty; open the workbook in a "
                "spreadsheet and save it",
                uncomputed,
                file=shown,
                n=uncomputed,
            ),
        )
    return replace(table, day_zero=day_zero, details={"sheet": name}, warnings=notes)


def _open(path: Path, shown: str, *, values: bool) -> Any:
    import openpyxl
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        return openpyxl.load_workbook(path, read_only=True, data_only=values)
    except (zipfile.BadZipFile, InvalidFileException, KeyError, ValueError, OSError) as error:
        problem = Problem(
            shown, "", f"this is not a workbook that can be read ({error})", "an XLSX file, or a CSV file"
        )
        raise SourceError(problem) from error


def _sheet_name(book: Any, shown: str, sheet: str | None) -> str:
    names = [worksheet.title for worksheet in book.worksheets]
    if sheet is None and names:
        return str(names[0])
    if sheet in names:
        return str(sheet)
    listed = ", ".join(repr(name) for name in names) or "none"
    raise SourceError(Problem(shown, "", f"it has no sheet {sheet!r}", f"its sheets: {listed}"))


def _rows(worksheet: Any) -> Iterator[list[str]]:
    worksheet.reset_dimensions()  # some writers state a wrong extent, and cells outside it would be lost
    for cells in worksheet.iter_rows(values_only=True):
        yield [cell_text(value) for value in cells]


def _formulas_without_value(path: Path, shown: str, name: str) -> int:
    """Count the formulas of a sheet that no program has computed yet."""
    with zipfile.ZipFile(path) as archive:
        sheets = [entry for entry in archive.namelist() if entry.startswith("xl/worksheets/")]
        if not any(re.search(rb"<f[ >/]", archive.read(entry)) for entry in sheets):
            return 0
    texts, values = _open(path, shown, values=False), _open(path, shown, values=True)
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
