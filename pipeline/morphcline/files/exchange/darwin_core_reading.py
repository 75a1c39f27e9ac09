"""Read a Darwin Core archive: a ZIP, a folder, or the ``meta.xml`` in it.

After the Darwin Core Text Guide (Biodiversity Information Standards): ``meta.xml`` says which files there are, how
their cells are parted, and which term each column holds; a field may have a default instead of a column.
"""

from __future__ import annotations

import csv
import io
import lzma
import re
import struct
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, islice
from pathlib import Path
from xml.etree import ElementTree as Xml

import numpy as np
from numpy.typing import NDArray

from morphcline.errors import Problem, SourceError
from morphcline.files.delimited import rows_of
from morphcline.files.encodings import decode, refuse_zero_bytes
from morphcline.files.limits import check_packed, check_size
from morphcline.files.safe_xml import parse_xml
from morphcline.records.exchange_reading import READ, Archive, ArchiveFile, read_records
from morphcline.records.texts import TextTable
from morphcline.study import USUAL_LIMITS, Limits

META_FILE = "meta.xml"
_UNZIPPABLE = (
    zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, lzma.LZMAError, NotImplementedError, RuntimeError, EOFError,
    OSError, ValueError, KeyError, struct.error,
)  # fmt: skip
_SMALL_NUMBER = re.compile(r"[0-9]{1,6}")
_LINE_ENDS = ("\n", "\r")
_ESCAPES = {r"\t": "\t", r"\n": "\n", r"\r": "\r", r"\r\n": "\r\n", r"\\": "\\"}


@dataclass(frozen=True)
class _Source:
    """Where an archive's files are.

    Parameters
    ----------
    shown : str
        The archive as messages name it.
    names : tuple of str
        Files that there are.
    read : callable
        Name to content.
    """

    shown: str
    names: tuple[str, ...]
    read: Callable[[str], bytes]


def read_archive(path: Path, shown: str, *, encoding: str | None = None, limits: Limits = USUAL_LIMITS) -> TextTable:
    """Read an archive as a sheet of records.

    Parameters
    ----------
    path : Path
        A ZIP, a folder, or a ``meta.xml``.
    shown : str
        As messages name it.
    encoding : str, optional
        Of its tables; else as ``meta.xml`` says.
    limits : Limits

    Returns
    -------
    TextTable
        A row an occurrence, numbered as in its file (the header is row 1).

    Raises
    ------
    SourceError
        When it is no archive, a file that it names is absent or can't be read, or its rows don't fit together.
    """
    source = _open(path, shown, limits)
    root = _parse(source, META_FILE)
    cores = [part for part in root if _local(part.tag) == "core"]
    if len(cores) != 1:
        found = f"it describes {len(cores)} cores"
        raise SourceError(Problem(f"{shown}#{META_FILE}", "archive", found, "one core, and extensions of it"))
    extensions = [part for part in root if _local(part.tag) == "extension"]
    core = _read_file(source, cores[0], "id", encoding)
    rest = tuple(_read_file(source, part, "coreid", encoding) for part in extensions)
    table = read_records(Archive(shown, core, rest, _title(source, root.get("metadata", ""))))
    if not len(table):
        accepted = "a header row and at least one row below it"
        raise SourceError(Problem(table.shown, "", "it holds no occurrence", accepted))
    return table


def archive_files(path: Path) -> tuple[Path, ...]:
    """Return the files that hold an archive: the ZIP, or ``meta.xml`` and the files that it names.

    An archive that can't be read is that path alone: whoever reads it says what is wrong.
    """
    folder = path if path.is_dir() else path.parent
    if not path.is_dir() and path.name != META_FILE:
        return (path,)
    try:
        root = _parse(_open(path, path.name, USUAL_LIMITS), META_FILE)
    except (SourceError, OSError):
        return (path,)
    named = [(text.text or "").strip() for text in root.iter() if _local(text.tag) == "location"]
    files = [folder / name for name in (META_FILE, *named, root.get("metadata", "")) if name]
    return tuple(file for file in dict.fromkeys(files) if file.is_file() and _lies_in(folder, file))


def _lies_in(folder: Path, file: Path) -> bool:
    """Tell whether a file lies in an archive's folder, links followed: a name in it must not lead out of it."""
    return file.resolve().is_relative_to(folder.resolve())


def _open(path: Path, shown: str, limits: Limits) -> _Source:
    if path.is_dir() or path.name == META_FILE:
        folder = path if path.is_dir() else path.parent
        files = [file for file in folder.rglob("*") if file.is_file() and _lies_in(folder, file)]
        names = tuple(sorted(file.relative_to(folder).as_posix() for file in files))

        def read(name: str) -> bytes:
            check_size(folder / name, f"{shown}#{name}", limits)
            return (folder / name).read_bytes()

        source = _Source(shown, names, read)
    elif not path.exists():
        raise SourceError(Problem(shown, "", "there is no such file", "check the path"))
    else:
        source = _open_zip(path, shown, limits)
    if META_FILE not in source.names:
        listed = ", ".join(repr(name) for name in source.names[:8]) or "nothing"
        found = f"there is no {META_FILE} in it; it holds {listed}"
        raise SourceError(Problem(shown, "", found, f"a Darwin Core archive: tables and a {META_FILE} about them"))
    return source


def _open_zip(path: Path, shown: str, limits: Limits) -> _Source:
    accepted = f"a Darwin Core archive: a ZIP, a folder, or its {META_FILE}"
    try:
        with zipfile.ZipFile(path) as archive:
            check_packed(archive, shown, limits)
            names = [entry.filename for entry in archive.infolist() if not entry.filename.endswith("/")]
    except _UNZIPPABLE as error:
        raise SourceError(Problem(shown, "", f"it can't be read as a ZIP ({error})", accepted)) from error
    folder = ""
    if META_FILE not in names:
        # Packed with the folder that holds it.
        inside = [name.removesuffix(META_FILE) for name in names if name.endswith(f"/{META_FILE}")]
        if len(inside) == 1:
            folder = inside[0]

    def read(name: str) -> bytes:
        full = f"{folder}{name}"
        try:
            with zipfile.ZipFile(path) as archive:
                return archive.read(full if full in names else name)
        except _UNZIPPABLE as error:
            found = f"it can't be unpacked ({error})"
            raise SourceError(Problem(f"{shown}#{name}", "", found, accepted)) from error

    return _Source(shown, tuple(sorted({name.removeprefix(folder) for name in names})), read)


def _parse(source: _Source, name: str) -> Xml.Element:
    return parse_xml(source.read(name), f"{source.shown}#{name}")


def _title(source: _Source, name: str) -> str:
    """Return the dataset's title where its metadata tell one; an archive may do without."""
    if name not in source.names:
        return ""
    try:
        root = _parse(source, name)
    except SourceError:
        return ""
    found = root.find("./dataset/title")
    return " ".join((found.text or "").split()) if found is not None else ""


def _local(tag: str) -> str:
    """Return the last part of an address or of a name with its namespace."""
    return tag.rpartition("}")[2].rpartition("/")[2].rpartition("#")[2]


def _read_file(source: _Source, part: Xml.Element, key: str, encoding: str | None) -> ArchiveFile:
    meta = f"{source.shown}#{META_FILE}"
    kind = _local(part.get("rowType", ""))
    where = f"{_local(part.tag)} {kind or 'without a rowType'}"
    locations = [(one.text or "").strip() for one in part.iter() if _local(one.tag) == "location"]
    absent = [name for name in locations if name not in source.names]
    if absent or len(locations) != 1:
        found = f"its file {absent[0]!r} is not in the archive" if absent else f"it names {len(locations)} files"
        accepted = f"one of {', '.join(repr(name) for name in source.names if name != META_FILE)}"
        raise SourceError(Problem(meta, where, found, accepted))
    name = locations[0]
    shown = f"{source.shown}#{name}"
    at_id, terms, defaults = _fields(part, key, meta, where)
    named_in = f"{META_FILE} or [records] encoding"
    text = decode(
        source.read(name), shown, (encoding or part.get("encoding") or "").strip() or "UTF-8", named_in=named_in
    )
    refuse_zero_bytes(text, shown)
    skipped = _number(part.get("ignoreHeaderLines", "0"), meta, f"{where}, ignoreHeaderLines")
    needed = max([at_id, *terms.values()]) + 1
    rows = _rows(text, part, shown)
    header = list(islice(rows, skipped))
    first = next(rows, None)
    width = len(header[-1]) if header else len(first or ())
    if width < needed and (header or first):
        found = f"it names the column {needed - 1} (counted from 0), and {name} has {width} columns"
        raise SourceError(Problem(meta, where, found, "the columns that there are"))
    read = {term: index for term, index in terms.items() if kind not in READ or term in READ[kind]}
    below = [] if first is None else chain([first], rows)
    picked, said, beyond = _picked(below, [at_id, *read.values()], width)
    ids, *own = (_column(texts) for texts in picked)
    columns = dict(zip(read, own, strict=True))
    for term, default in defaults.items():
        texts = columns.get(term, _column([""] * len(said)))
        columns[term] = np.where((texts == "") & said, default, texts)
    numbers = np.arange(skipped + 1, skipped + 1 + len(said), dtype=np.int64)
    return ArchiveFile(shown, kind, ids, columns, numbers, beyond, tuple({**terms, **defaults}))


def _picked(
    rows: Iterable[list[str]], positions: Sequence[int], width: int
) -> tuple[list[list[str]], NDArray[np.bool_], dict[int, tuple[str, ...]]]:
    """Return the columns at some positions, which rows hold anything, and the cells beyond the last column."""
    columns: list[list[str]] = [[] for _ in positions]
    said: list[bool] = []
    beyond: dict[int, tuple[str, ...]] = {}
    known: dict[str, str] = {}  # each different text is kept once
    for at, cells in enumerate(rows):
        if len(cells) > width and any(text.strip() for text in cells[width:]):
            beyond[at] = tuple(cells[width:])
        said.append(any(cells))
        short = len(cells) < width
        for column, position in zip(columns, positions, strict=True):
            text = "" if short and position >= len(cells) else cells[position].strip()
            column.append(known.setdefault(text, text))
    while said and not said[-1] and len(said) - 1 not in beyond:  # empty lines at the file's end
        said.pop()
        for column in columns:
            column.pop()
    return columns, np.array(said, dtype=bool), beyond


def _column(texts: Sequence[str]) -> NDArray[np.object_]:
    column = np.empty(len(texts), dtype=object)
    column[:] = texts
    return column


def _fields(part: Xml.Element, key: str, meta: str, where: str) -> tuple[int, dict[str, int], dict[str, str]]:
    """Return the column of the id, that of each term, and what terms mean where a row has no value of its own."""
    ids = [one for one in part if _local(one.tag) == key]
    if len(ids) != 1:
        raise SourceError(Problem(meta, where, f"found {len(ids)} elements {key}", f"one <{key} index=…>"))
    at_id = _number(ids[0].get("index", ""), meta, f"{where}, {key}")
    terms: dict[str, int] = {}
    defaults: dict[str, str] = {}
    for one in part:
        if _local(one.tag) != "field":
            continue
        term = _local(one.get("term", ""))
        if not term:
            raise SourceError(Problem(meta, where, "a field has no term", "the term's address"))
        if term in terms or term in defaults:
            raise SourceError(Problem(meta, where, f"two fields have the term {term}", "each term once"))
        if one.get("index") is not None:
            terms[term] = _number(one.get("index", ""), meta, f"{where}, field {term}")
        if one.get("default") is not None or one.get("index") is None:
            defaults[term] = one.get("default", "")
    return at_id, terms, defaults


def _number(text: str, meta: str, where: str) -> int:
    if not _SMALL_NUMBER.fullmatch(text.strip()):
        raise SourceError(Problem(meta, where, f"found {text[:40]!r}", "a whole number from 0 to 999999"))
    return int(text)


def _rows(text: str, part: Xml.Element, shown: str) -> Iterator[list[str]]:
    delimiter = _unescaped(part.get("fieldsTerminatedBy", ","))
    quote = _unescaped(part.get("fieldsEnclosedBy", '"'))
    line_end = _unescaped(part.get("linesTerminatedBy", "\n"))
    for attribute, sign, fits in (
        ("fieldsTerminatedBy", delimiter, len(delimiter) == 1 and delimiter != quote),
        ("fieldsEnclosedBy", quote, len(quote) <= 1),
    ):
        if not fits or sign in _LINE_ENDS:
            found = f"found {sign!r}"
            accepted = "one sign, and another for cells than for quotation"
            raise SourceError(Problem(f"{shown.partition('#')[0]}#{META_FILE}", attribute, found, accepted))
    if line_end not in ("\n", "\r", "\r\n", ""):
        text = text.replace(line_end, "\n")
    lines = io.StringIO(text, newline="")
    if quote:
        return rows_of(csv.reader(lines, delimiter=delimiter, quotechar=quote, strict=True), shown)
    return rows_of(csv.reader(lines, delimiter=delimiter, quoting=csv.QUOTE_NONE), shown)


def _unescaped(text: str) -> str:
    return _ESCAPES.get(text, text)
