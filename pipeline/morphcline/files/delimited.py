"""Text files with a delimiter: any of the usual ones, in any of the usual encodings, both detected and reported."""

from __future__ import annotations

import codecs
import contextlib
import csv
import io
import itertools
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from morphcline.errors import Problem, SourceError
from morphcline.files.encodings import decode, refuse_zero_bytes
from morphcline.files.headers import checked_header, table_from_rows
from morphcline.files.limits import check_extent
from morphcline.language import Said, said_many
from morphcline.records.texts import TextColumn, TextTable
from morphcline.study import USUAL_LIMITS, Limits

DELIMITERS = (",", ";", "\t", "|")
_NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe"}
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_HINT = re.compile(r"sep=([^\w\s\"]|\t)(?:\r\n|\r|\n|$)", re.IGNORECASE)
_LINE_END = re.compile(r"\r\n|\r|\n")
_SAMPLE_ROWS = 200
_SAMPLE_LENGTH = 1 << 18
#: Texts of this many characters and more are tried by the faster reader first.
LARGE = 1 << 22
# A cell may hold a long note; a quotation mark that is never closed is caught by the reader's strict mode instead.
csv.field_size_limit(1 << 24)


def read_delimited(
    path: Path, shown: str, *, delimiter: str | None, encoding: str | None, limits: Limits = USUAL_LIMITS
) -> TextTable:
    """Read a text file with a header row.

    Parameters
    ----------
    path : path
    shown : str
        The file as messages name it.
    delimiter, encoding : str or None
        None detects it.
    limits : Limits

    Returns
    -------
    TextTable
        Rows are numbered as a spreadsheet numbers them: the header is row 1, and a cell with a line break in it
        belongs to one row.

    Raises
    ------
    SourceError
        Undecodable text, an unknown encoding, a character NUL, a quotation mark that isn't closed, and what
        :func:`~morphcline.files.headers.table_from_rows` refuses.
    """
    data = path.read_bytes()
    text, used_encoding, warnings = _decode(data, shown, encoding)
    refuse_zero_bytes(text, shown)
    if hint := _HINT.match(text):  # a spreadsheet's own hint at the delimiter, not a row
        delimiter = delimiter or hint[1]
        text = text[hint.end() :]
    delimiter = delimiter or _detect_delimiter(text)
    table = None
    if len(text) >= LARGE and '"' not in text:
        table = _read_large(text, delimiter, shown, limits)
    if table is None:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
        table = table_from_rows(rows_of(reader, shown), shown, limits)
    details = {"encoding": used_encoding, "delimiter": _NAMES.get(delimiter, delimiter)}
    if table.short:
        warnings.append(
            said_many(
                "{file}: {n} row has fewer cells than the header; the missing cells at the end were read as empty",
                "{file}: {n} rows have fewer cells than the header; the missing cells at the end were read as empty",
                table.short,
                file=shown,
                n=table.short,
            )
        )
    return TextTable(
        shown, table.header, table.columns, table.row, table.beyond, table.short,
        details=details, warnings=tuple(warnings),
    )  # fmt: skip


def rows_of(reader: Iterator[list[str]], shown: str) -> Iterator[list[str]]:
    """Yield the rows of a :func:`csv.reader`; where it stops, raise the SourceError that says at which row."""
    row = 0
    while True:
        row += 1
        try:
            yield next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            problem = Problem(
                shown,
                f"row {row}",
                f"a quotation mark opens or closes a cell in the wrong place ({error})",
                "write a quotation mark inside a cell twice, and quote the whole cell",
            )
            raise SourceError(problem) from error


def _read_large(text: str, delimiter: str, shown: str, limits: Limits) -> TextTable | None:
    """Read a text without quotation marks, several times as fast as row by row; None where its rows are uneven."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    first = _LINE_END.split(text[:_SAMPLE_LENGTH], maxsplit=1)[0].split(delimiter)
    if len(first) < 2 or not all(cell.strip() for cell in first):
        return None
    check_extent(0, len(first), shown, limits)
    header = checked_header(first, shown)
    try:
        frame = arrow_csv.read_csv(
            io.BytesIO(text.encode("utf-8")),
            read_options=arrow_csv.ReadOptions(column_names=list(header), skip_rows=1),
            parse_options=arrow_csv.ParseOptions(delimiter=delimiter, quote_char=False, ignore_empty_lines=False),
            convert_options=arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(header, pa.string()), strings_can_be_null=False
            ),
        )
    except pa.ArrowInvalid:
        return None
    check_extent(frame.num_rows, len(header), shown, limits)
    columns = {}
    for name, column in zip(header, frame.columns, strict=True):
        coded = column.combine_chunks().dictionary_encode()
        codes = coded.indices.to_numpy(zero_copy_only=False).astype(np.int32)
        columns[name] = TextColumn(codes, tuple(coded.dictionary.to_pylist()))
    row = np.arange(2, 2 + frame.num_rows, dtype=np.int64)
    return TextTable(shown, header, columns, row) if frame.num_rows else None


def _decode(data: bytes, shown: str, encoding: str | None) -> tuple[str, str, list[str]]:
    """Return the text, the encoding it was read in, and warnings."""
    if encoding is not None:
        return decode(data, shown, encoding), encoding, []
    for mark, name in _BOMS:
        if data.startswith(mark):
            return decode(data, shown, name), name, []
    name = _wide_without_mark(data)
    if name:
        return decode(data, shown, name), name, []
    for name, warnings in (("utf-8", []), ("cp1252", [_guessed(shown, "cp1252")])):
        try:
            return data.decode(name), name, warnings
        except UnicodeDecodeError:
            continue
    return _decode_by_guess(data, shown)


def _wide_without_mark(data: bytes) -> str:
    """Name UTF-16 without a byte-order mark: in western text every other byte is zero."""
    sample = data[:2000]
    if len(sample) < 4 or len(data) % 2:
        return ""
    zeros_even, zeros_odd = sample[0::2].count(0), sample[1::2].count(0)
    half = len(sample) // 2
    for name, zeros in (("utf-16-le", zeros_odd), ("utf-16-be", zeros_even)):
        if zeros > 0.6 * half:
            try:
                data.decode(name)
            except UnicodeDecodeError:
                continue
            return name
    return ""


def _decode_by_guess(data: bytes, shown: str) -> tuple[str, str, list[str]]:
    from charset_normalizer import from_bytes

    sample = data if len(data) <= _SAMPLE_LENGTH else data[: data.rfind(b"\n", 0, _SAMPLE_LENGTH) + 1]
    for part in (sample, data):
        best = from_bytes(part).best()
        if best is None:
            continue
        with contextlib.suppress(UnicodeDecodeError):  # something further down that the beginning doesn't show
            return data.decode(best.encoding), best.encoding, [_guessed(shown, best.encoding)]
    problem = Problem(
        shown, "", "the text's encoding can't be made out", "save it as UTF-8, or name it in [records] encoding"
    )
    raise SourceError(problem)


def _guessed(shown: str, encoding: str) -> str:
    return Said(
        "{file}: not UTF-8, so it was read as {encoding}; if accented letters look wrong, name the encoding in "
        "[records] encoding",
        file=shown,
        encoding=encoding,
    )


def _detect_delimiter(text: str) -> str:
    """Return the delimiter that splits the header and gives most rows as many cells as it; the most cells if tied."""
    best, best_score = ",", (0.0, 1)
    text = text[:_SAMPLE_LENGTH]
    for delimiter in DELIMITERS:
        reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
        try:
            widths = [len(cells) for cells in itertools.islice(reader, _SAMPLE_ROWS) if cells]
        except csv.Error:
            continue
        if not widths or widths[0] < 2:
            continue
        same = sum(width == widths[0] for width in widths) / len(widths)
        score = (round(same, 1), widths[0])
        if score > best_score:
            best, best_score = delimiter, score
    return best
