"""Write a Darwin Core archive: three tables, ``meta.xml`` that tells their columns, and ``eml.xml`` about the dataset.

After the Darwin Core Text Guide (Biodiversity Information Standards): a core of events, extensions that name the core's
row in their first column.
"""

from __future__ import annotations

import zipfile
from collections.abc import Sequence
from io import BytesIO
from pathlib import Path
from xml.etree import ElementTree as Xml

from morphcline.files.atomic import whole_file, write_text
from morphcline.files.exchange.eml import EML_FILE, About, as_text, metadata
from morphcline.files.exchange.terms import (
    EVENTS,
    MEASUREMENTS,
    OCCURRENCES,
    TABLES,
    TEXT_GUIDE,
    ArchivedTable,
    address,
)
from morphcline.files.tables import write_table
from morphcline.records.exchange import ArchiveTables

META_FILE = "meta.xml"
#: Files of an archive, in the order in which they are packed.
FILES = (META_FILE, EML_FILE, *(table.file for table in TABLES))
#: The earliest time that a ZIP can tell: no clock goes into the bytes.
_NO_TIME = (1980, 1, 1, 0, 0, 0)


def write_archive(folder: Path, tables: ArchiveTables, about: About) -> tuple[str, ...]:
    """Write an archive's files into a folder.

    Parameters
    ----------
    folder : Path
    tables : ArchiveTables
    about : About

    Returns
    -------
    tuple of str
        Names of the files written.
    """
    for table, frame in zip(TABLES, (tables.events, tables.occurrences, tables.measurements), strict=True):
        write_table(folder / table.file, frame, dict.fromkeys(table.columns, ""))
    write_text(folder / META_FILE, description())
    write_text(folder / EML_FILE, metadata(about))
    return FILES


def pack(folder: Path, file: Path) -> None:
    """Pack an archive's files into a ZIP, the same bytes for the same files."""
    packed = BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
        for name in FILES:
            entry = zipfile.ZipInfo(name, _NO_TIME)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            entry.create_system = 3  # the same on every system
            archive.writestr(entry, (folder / name).read_bytes(), compresslevel=6)
    with whole_file(file) as temporary:
        temporary.write_bytes(packed.getvalue())


def description() -> str:
    """Return the text of ``meta.xml``."""
    root = Xml.Element("archive", {"xmlns": TEXT_GUIDE, "metadata": EML_FILE})
    root.append(_file("core", EVENTS, "id"))
    root.extend(_file("extension", table, "coreid") for table in (OCCURRENCES, MEASUREMENTS))
    return as_text(root)


def _file(kind: str, table: ArchivedTable, key: str) -> Xml.Element:
    part = Xml.Element(
        kind,
        {
            "encoding": "UTF-8", "fieldsTerminatedBy": ",", "linesTerminatedBy": r"\n", "fieldsEnclosedBy": '"',
            "ignoreHeaderLines": "1", "rowType": table.row_type,
        },
    )  # fmt: skip
    Xml.SubElement(Xml.SubElement(part, "files"), "location").text = table.file
    Xml.SubElement(part, key, {"index": "0"})
    _fields(part, table.columns)
    return part


def _fields(part: Xml.Element, columns: Sequence[str]) -> None:
    for index, column in enumerate(columns):
        Xml.SubElement(part, "field", {"index": str(index), "term": address(column)})
