"""A sheet as text: every cell as it came, each different text of a column kept once."""

from __future__ import annotations

import datetime as dt
import math
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Value = TypeVar("Value")

#: What spreadsheets and statistics programs write for "nothing here".
NOTHING = frozenset({"", "na", "n/a", "#n/a", "nan", "null"})

#: Control characters, and what has no width or turns the direction of all that follows.
_UNSEEN: dict[int, str] = {
    **dict.fromkeys([*range(0x20), *range(0x7F, 0xA0)], " "),
    **dict.fromkeys([0x200B, 0x2060, 0xFEFF, *range(0x202A, 0x202F), *range(0x2066, 0x206A)], ""),
}


def tidy(text: str) -> str:
    r"""Return a text without surrounding white space, inner runs of white space as one blank.

    Characters that drive a terminal or a printer count as white space; those that nobody sees are left out, and letters
    put together of a letter and its accent become one, so that a name typed on two machines is one name.

    Examples
    --------
    >>> tidy("  Mill\u00a0  lane ")
    'Mill lane'
    >>> tidy("Pre\u0301\u200b") == "Pr\u00e9"
    True
    """
    if text.isascii() and text.isprintable():
        return " ".join(text.split())
    return " ".join(unicodedata.normalize("NFC", text.translate(_UNSEEN)).split())


def shortened(text: str, longest: int = 500) -> str:
    """Return a text with its middle left out where it is longer than that."""
    if len(text) <= longest:
        return text
    half = longest // 2 - 2
    return f"{text[:half]} … {text[-half:]}"


def folded(text: str) -> str:
    """Return a text as names are compared: no upper case, and blanks, underscores and hyphens left out.

    Examples
    --------
    >>> folded(" Grid Reference") == folded("grid_reference")
    True
    """
    return "".join(text.casefold().replace("_", " ").replace("-", " ").split())


def cell_text(value: Any) -> str:
    """Return the text of a typed cell: whole numbers without a decimal point, dates in ISO form.

    Parameters
    ----------
    value : None, str, bool, int, float, date, datetime, time or numpy scalar
        None and not-a-number give an empty text; a time of midnight is left out of a datetime.

    Examples
    --------
    >>> cell_text(345.0), cell_text(6.25), cell_text(dt.datetime(2021, 5, 3)), cell_text(None)
    ('345', '6.25', '2021-05-03', '')
    """
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, float):
        if math.isnan(value):
            return ""
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, dt.datetime):
        return value.date().isoformat() if value.time() == dt.time() else value.isoformat()
    if isinstance(value, dt.date | dt.time):
        return value.isoformat()
    return str(value)


@dataclass(frozen=True)
class TextColumn:
    """A column of texts: ``words[codes[i]]`` is the text of row ``i``.

    Parameters
    ----------
    codes : (n,) array of int32
    words : tuple of str
        Each different text once.
    """

    codes: NDArray[np.int32]
    words: tuple[str, ...]

    @classmethod
    def of(cls, texts: Iterable[str]) -> TextColumn:
        """Make a column from texts, one a row."""
        known: dict[str, int] = defaultdict(lambda: len(known))
        codes = np.fromiter((known[text] for text in texts), dtype=np.int32)
        return cls(codes, tuple(known))

    @classmethod
    def constant(cls, text: str, rows: int) -> TextColumn:
        """Make a column that holds one text in every row."""
        return cls(np.zeros(rows, dtype=np.int32), (text,))

    def __len__(self) -> int:
        return len(self.codes)

    def __getitem__(self, row: int | np.integer[Any]) -> str:
        return self.words[int(self.codes[row])]

    def texts(self) -> NDArray[np.object_]:
        """Return the text of every row."""
        return self.each(lambda word: word)

    def each(self, function: Callable[[str], Any], dtype: Any = object) -> NDArray[Any]:
        """Return ``function(text)`` for every row, computed once for each different text."""
        values = np.empty(len(self.words), dtype=dtype)
        for place, word in enumerate(self.words):
            values[place] = function(word)
        return values[self.codes]

    def changed(self, function: Callable[[str], str]) -> TextColumn:
        """Return the column with ``function`` applied to each text."""
        return TextColumn(self.codes, tuple(function(word) for word in self.words))

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> TextColumn:
        """Return the column for the rows given by position or mask."""
        return TextColumn(self.codes[rows], self.words)

    def filled(self, mask: NDArray[np.bool_], other: TextColumn) -> TextColumn:
        """Return the column with the texts of ``other`` where ``mask`` is true."""
        codes = np.where(mask, other.codes + np.int32(len(self.words)), self.codes).astype(np.int32)
        return TextColumn(codes, self.words + other.words)

    @cached_property
    def used(self) -> tuple[str, ...]:
        """The texts that some row holds."""
        counts = np.bincount(self.codes, minlength=len(self.words))
        return tuple(word for word, count in zip(self.words, counts, strict=True) if count)

    @cached_property
    def empty(self) -> NDArray[np.bool_]:
        """Whether a row's text is empty or one of :data:`NOTHING`."""
        return self.each(lambda word: word.strip().casefold() in NOTHING, dtype=bool)

    @cached_property
    def blank(self) -> NDArray[np.bool_]:
        """Whether a row's cell holds nothing at all."""
        return self.each(lambda word: not word.strip(), dtype=bool)


@dataclass(frozen=True)
class TextTable:
    """A sheet: its header and, for every row below it, the cells as text.

    Parameters
    ----------
    shown : str
        The file as the study file names it.
    header : tuple of str
        Names of the columns, each once.
    columns : mapping of str to TextColumn
    row : (n,) array of int64
        Row numbers as a person sees them.
    beyond : mapping of int to tuple of str
        For a row (by position) with more cells than the header: the cells beyond it.
    short : int
        Number of rows with fewer cells than the header; the missing ones are empty texts.
    crs : str
        CRS of the geometry a layer brought along; its coordinates are in ``geometry_columns``.
    geometry_columns : tuple of str
        Names of the columns that hold the geometry's easting and northing, or longitude and latitude.
    day_zero : date or None
        The day from which a workbook counts days, where the sheet is one of a workbook.
    details : mapping
        How it was read (encoding, delimiter, sheet), for the account.
    warnings : tuple of str
    """

    shown: str
    header: tuple[str, ...]
    columns: Mapping[str, TextColumn]
    row: NDArray[np.int64]
    beyond: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    short: int = 0
    crs: str = ""
    geometry_columns: tuple[str, ...] = ()
    day_zero: dt.date | None = None
    details: Mapping[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.row)

    def as_it_came(self, position: int) -> dict[str, str]:
        """Return a row's cells under their headers; cells beyond the header under their number."""
        cells = {name: self.columns[name][position] for name in self.header}
        extra = self.beyond.get(position, ())
        return cells | {f"(cell {len(self.header) + k})": text for k, text in enumerate(extra, start=1)}


class TableBuilder:
    """Collects rows of cells, block by block, into the columns of a :class:`TextTable`.

    Parameters
    ----------
    width : int
        Number of columns.
    """

    def __init__(self, width: int):
        self.width = width
        self.beyond: dict[int, tuple[str, ...]] = {}
        self.short = 0
        self._blocks: list[list[NDArray[np.int32]]] = [[] for _ in range(width)]
        self._known: list[defaultdict[str, int]] = []
        for _ in range(width):
            known: defaultdict[str, int] = defaultdict()
            known.default_factory = known.__len__
            self._known.append(known)
        self._rows = 0

    def add(self, rows: Sequence[Sequence[str]]) -> None:
        """Add a block of rows of any length."""
        block = rows
        if set(map(len, rows)) - {self.width}:
            block = [self._fitted(cells, self._rows + k) for k, cells in enumerate(rows)]
        self._rows += len(block)
        for blocks, known, cells in zip(self._blocks, self._known, zip(*block, strict=True), strict=False):
            blocks.append(np.fromiter(map(known.__getitem__, cells), np.int32, len(cells)))

    def _fitted(self, cells: Sequence[str], position: int) -> Sequence[str]:
        if len(cells) == self.width:
            return cells
        if len(cells) < self.width:
            self.short += bool(cells)
            return [*cells, *[""] * (self.width - len(cells))]
        if any(text.strip() for text in cells[self.width :]):
            self.beyond[position] = tuple(cells[self.width :])
        return cells[: self.width]

    def columns(self) -> list[TextColumn]:
        """Return the columns collected so far."""
        return [
            TextColumn(np.concatenate(blocks) if blocks else np.empty(0, np.int32), tuple(known))
            for blocks, known in zip(self._blocks, self._known, strict=True)
        ]
