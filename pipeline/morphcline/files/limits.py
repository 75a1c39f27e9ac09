"""Files that hold more than a study allows are refused before they fill the memory."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import NoReturn

from morphcline.errors import Problem, SourceError
from morphcline.records.texts import TextTable
from morphcline.study import Limits

#: What is unpacked to no more than this is read whatever its ratio: it can't hurt.
_HARMLESS = 10_000_000
_MB = 1_000_000


def refuse(shown: str, where: str, found: str, accepted: str, key: str) -> NoReturn:
    """Raise what is said of a file beyond a limit.

    Parameters
    ----------
    shown, where, found : str
        As of a :class:`~morphcline.errors.Problem`.
    accepted : str
        The limit, in words.
    key : str
        The setting that raises it.
    """
    raise SourceError(Problem(shown, where, found, f"at most {accepted}, or raise {key} under limits"))


def check_size(path: Path, shown: str, limits: Limits) -> None:
    """Refuse a file that is too large."""
    size = path.stat().st_size
    if size > limits.size_mb * _MB:
        refuse(shown, "", f"the file has {size / _MB:,.1f} MB", f"{limits.size_mb:,g} MB", "size_mb")


def check_packed(archive: zipfile.ZipFile, shown: str, limits: Limits) -> None:
    """Refuse an archive by what its directory says it unpacks to; a reader unpacks no more of a part than it says."""
    entries = archive.infolist()
    total = sum(entry.file_size for entry in entries)
    if total > limits.size_mb * _MB:
        refuse(shown, "", f"what it holds unpacks to {total / _MB:,.1f} MB", f"{limits.size_mb:,g} MB", "size_mb")
    for entry in entries:
        if entry.file_size > max(_HARMLESS, limits.ratio * entry.compress_size):
            times = entry.file_size / max(entry.compress_size, 1)
            found = f"its part {entry.filename!r} is packed to 1/{times:,.0f} of its size, as no table is"
            refuse(shown, "", found, f"1/{limits.ratio:,g}", "ratio")


def check_extent(rows: int, columns: int, shown: str, limits: Limits) -> None:
    """Refuse too many columns, or cells."""
    if columns > limits.columns:
        refuse(shown, "header", f"the sheet has {columns:,} columns", f"{limits.columns:,}", "columns")
    if rows * columns > limits.cells:
        found = f"the sheet has {rows:,} rows or more of {columns:,} columns"
        refuse(shown, "", found, f"{limits.cells:,} cells", "cells")


def check_cells(table: TextTable, limits: Limits) -> None:
    """Refuse a table in which a cell is too long."""
    for name in table.header:
        column = table.columns[name]
        for code, word in enumerate(column.words):
            if len(word) > limits.cell_length:
                row = table.row[(column.codes == code).argmax()]
                _too_long(table.shown, f"row {row}, column {_brief(name)}", len(word), limits)
        if len(name) > limits.cell_length:
            _too_long(table.shown, "header", len(name), limits)
    for position, cells in table.beyond.items():
        longest = max(map(len, cells))
        if longest > limits.cell_length:
            _too_long(table.shown, f"row {table.row[position]}", longest, limits)


def _too_long(shown: str, where: str, length: int, limits: Limits) -> NoReturn:
    found = f"a cell has {length:,} characters"
    refuse(shown, where, found, f"{limits.cell_length:,} characters", "cell_length")


def _brief(name: str) -> str:
    return name if len(name) <= 40 else name[:39] + "…"
