"""Write the corpus of nasty files: what volunteers, spreadsheets, phones and broken disks send in.

``python tests/corpus/make_corpus.py FOLDER`` writes all of it, the same every time. What each file has to end in is
stated in ``test_corpus.py``.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
import struct
import sys
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import geopandas as gpd
import openpyxl
import shapely
from openpyxl.utils.datetime import MAC_EPOCH

HEADER = ["site", "date", "longitude", "latitude", "species", "colour", "banding", "count", "note"]


def row(at: int, **cells: str) -> list[str]:
    """Return a good row; cells may be given otherwise."""
    good = {
        "site": f"Site {at}", "date": f"2024-05-{at + 1:02}", "longitude": f"{6 + at / 100:.4f}",
        "latitude": f"{46 + at / 200:.4f}", "species": "Cepaea nemoralis", "colour": "yellow", "banding": "00300",
        "count": str(20 + at), "note": "",
    }  # fmt: skip
    return [(good | cells)[name] for name in HEADER]


def sheet(rows: list[list[str]], delimiter: str = ",", end: str = "\n", header: list[str] | None = None) -> str:
    """Return a sheet as text."""
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter, lineterminator=end).writerows([header or HEADER, *rows])
    return out.getvalue()


def good_rows(**cells: str) -> list[list[str]]:
    """Return four good rows with some cells given otherwise."""
    return [row(at, **cells) for at in range(4)]


def _texts() -> dict[str, bytes]:
    rows = good_rows()
    accented = good_rows(note="pré près du château")
    plain = sheet(rows)
    mixed = plain.replace("\n", "\r\n", 2).replace("\nSite 2", "\rSite 2")
    wide = [HEADER + [f"extra {at}" for at in range(9_991)], *(cells + ["x"] * 9_991 for cells in rows)]
    columns = list(zip(*[HEADER, *rows], strict=True))
    backwards = [list(cells) for cells in zip(*reversed(columns), strict=True)]
    exchanged = [row(at, longitude=f"{46 + at / 200:.4f}", latitude=f"{6 + at / 100:.4f}") for at in range(4)]
    commas = [row(at, longitude=f"6,0{at}", latitude=f"46,0{at}") for at in range(4)]
    angles = [row(at, longitude=f"6°0{at}'36\"E", latitude=f"46°0{at}'12.5\"N") for at in range(4)]
    letters = [row(at, longitude=f"6.0{at} E", latitude=f"N 46.0{at}") for at in range(3)]
    letters.append(row(3, longitude="46.03 N", latitude="6.03 E"))
    one_name = [row(0, site="Pré"), row(0, site="Pre\u0301"), row(0, site=" Pré\u200b "), row(0, site="Pré\u00a0")]
    return {
        "utf-16.csv": sheet(accented).encode("utf-16"),
        "utf-16-without-a-mark.csv": sheet(accented).encode("utf-16-le"),
        "latin-1.csv": sheet(accented).encode("latin-1"),
        "byte-order-mark.csv": sheet(accented).encode("utf-8-sig"),
        "mixed-line-ends.csv": mixed.encode(),
        "zero-byte.csv": plain.replace("Site 2", "Si\0te 2").encode(),
        "zeros-at-the-end.csv": plain.encode() + b"\0" * 4096,
        "quote-never-closed.csv": plain.replace("Site 1", '"Site 1').encode(),
        "ten-thousand-columns.csv": "\n".join(",".join(cells) for cells in wide).encode(),
        "duplicate-headers.csv": sheet(rows, header=[*HEADER[:-1], "count"]).encode(),
        "right-to-left.csv": sheet(good_rows(site="مرج الطاحونة", note="\u202eכתוב לאחור")).encode(),
        "emoji.csv": sheet(good_rows(site="🐌 bank", note="👩‍🌾 says so")).encode(),
        "long-note.csv": sheet(good_rows(note="word " * 10_000)).encode(),
        "very-long-cell.csv": sheet([*rows, row(5, note="x" * 200_000)]).encode(),
        "long-banding.csv": sheet([*rows, row(5, banding="(" * 50_000)]).encode(),
        "empty.csv": b"",
        "blank-lines.csv": b"\r\n\r\n,,,\r\n",
        "header-only.csv": sheet([]).encode(),
        "columns-in-another-order.csv": sheet(backwards[1:], header=backwards[0]).encode(),
        "coordinates-exchanged.csv": sheet(exchanged).encode(),
        "decimal-commas.csv": sheet(commas, delimiter=";").encode(),
        "degrees-minutes-seconds.csv": sheet(angles).encode(),
        "compass-letters.csv": sheet(letters).encode(),
        "two-digit-years.csv": sheet(good_rows(date="3/5/24")).encode(),
        "day-numbers.csv": sheet(good_rows(date="45415")).encode(),
        "days-and-months.csv": sheet([row(0, date="25/12/2023"), row(1, date="12/25/2023"), row(2,
        date="04/05/2023")]).encode(),
        "unequal-rows.csv": (plain + "Site 9,2024-05-09\n" + ",".join([*row(8), "more"]) + "\n\n").encode(),
        "hint-at-the-delimiter.csv": ("sep=;\r\n" + sheet(rows, delimiter=";")).encode(),
        "hint-alone.csv": b"sep=",
        "one-name-in-four-forms.csv": sheet(one_name).encode(),
        "controls.csv": sheet(good_rows(site="\x1b[2JSite\x07", note="\x0b\x0c")).encode(),
        "formulas-and-html.csv": sheet(good_rows(site="=cmd|'/c calc'!A1", note="<script>alert(1)</script>")).encode(),
        "half-a-character.csv": sheet(accented).encode("utf-8-sig")[:-20] + b"\xc3",
        "number-without-end.csv": sheet([*rows, row(5, count="9" * 5000), row(6, longitude="1e999")]).encode(),
        "picture.csv": b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR" + bytes(range(256)) * 8,
    }  # fmt: skip


def _book(fill: Callable[[Any], None], **about: Any) -> bytes:
    book = openpyxl.Workbook()
    for name, value in about.items():
        setattr(book, name, value)
    fill(book)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _typed(book: Any) -> None:
    """Formulas never computed, merged cells, dates as dates and as numbers, formulas of bands that became numbers."""
    table = book.active
    table.append(HEADER)
    table.append(["A", dt.date(2024, 5, 3), 6.1, 46.1, "Cepaea nemoralis", "yellow", 345, 20, None])
    table.append([None, 45415, 6.1, 46.1, "Cepaea nemoralis", "pink", 0, 21, "=1+2"])
    table.append(["B", "03/05/2024", "6.2 E", "46,2", "Cepaea nemoralis", "pink", "00300", "22", None])
    table.append(["C", dt.datetime(2024, 5, 4, 12, 30), 6.3, 46.3, "Cepaea nemoralis", "pink", 300.0, "=20+3", None])
    table.merge_cells("A2:A3")


def _calendar(book: Any) -> None:
    book.active.append(HEADER)
    book.active.append(["A", 43953, 6.1, 46.1, "Cepaea nemoralis", "yellow", "00300", 20, None])


def _hidden(book: Any) -> None:
    book.active.title = "lists"
    book.active.append(["colours"])
    book.active.append(["yellow"])
    book.active.sheet_state = "hidden"
    finds = book.create_sheet("finds")
    finds.append(HEADER)
    for cells in good_rows():
        finds.append(cells)
    book.active = 1


def _good(book: Any) -> None:
    book.active.append(HEADER)
    for cells in good_rows():
        book.active.append(cells)


def _changed(packed: bytes, part: str, change: Callable[[bytes], bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(packed)) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            data = source.read(name)
            target.writestr(zipfile.ZipInfo(name), change(data) if name == part else data, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _claiming(packed: bytes, part: str, size: int) -> bytes:
    """Return a ZIP whose directory claims another size of a part."""
    at = packed.rindex(part.encode())  # the directory stands at the end; a name begins 46 bytes into its entry
    return packed[: at - 46 + 24] + struct.pack("<I", size) + packed[at - 46 + 28 :]


SHEET = "xl/worksheets/sheet1.xml"
_TYPE = (
    b'<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/hostname"><!ENTITY b "lol"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">]>'
)


def _with_type(data: bytes) -> bytes:
    head, mark, rest = data.partition(b"?>")
    return head + mark + _TYPE + rest if mark else _TYPE + data


def _workbooks() -> dict[str, bytes]:
    good = _book(_good)
    return {
        "typed-cells.xlsx": _book(_typed),
        "calendar-of-1900.xlsx": _book(_calendar),
        "calendar-of-1904.xlsx": _book(_calendar, epoch=MAC_EPOCH),
        "hidden-sheet.xlsx": _book(_hidden),
        "claims-two-gigabytes.xlsx": _claiming(good, SHEET, 2**31),
        "claims-less-than-it-holds.xlsx": _claiming(good, SHEET, 300),
        "packed-a-thousandfold.xlsx": _changed(good, "xl/styles.xml", lambda data: data + b" " * 30_000_000),
        "rows-without-end.xlsx": _changed(good, SHEET, lambda data: data.replace(b'r="3"', b'r="99999999999"')),
        "document-type.xlsx": _changed(good, SHEET, _with_type),
        "sheet-is-no-xml.xlsx": _changed(good, SHEET, lambda data: data[:200]),
        "cut-off.xlsx": good[: len(good) // 2],
        "text-named-so.xlsx": sheet(good_rows()).encode(),
        "old-format.xls": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 512,
    }


META = """<archive xmlns="http://rs.tdwg.org/dwc/text/"><core rowType="http://rs.tdwg.org/dwc/terms/Occurrence"
 fieldsTerminatedBy="," ignoreHeaderLines="1"><files><location>{location}</location></files><id index="0"/>
 <field index="1" term="http://rs.tdwg.org/dwc/terms/scientificName"/>
 <field index="2" term="http://rs.tdwg.org/dwc/terms/decimalLongitude"/>
 <field index="3" term="http://rs.tdwg.org/dwc/terms/decimalLatitude"/>
 <field index="4" term="http://rs.tdwg.org/dwc/terms/individualCount"/></core></archive>"""
OCCURRENCES = "id,name,lon,lat,n\no1,Cepaea nemoralis,6.1,46.1,20\n"


def _archive(meta: str | bytes, occurrences: str | bytes = OCCURRENCES, name: str = "occurrence.csv") -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        target.writestr(zipfile.ZipInfo("meta.xml"), meta)
        target.writestr(zipfile.ZipInfo(name), occurrences, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _archives() -> dict[str, bytes]:
    meta = META.format(location="occurrence.csv")
    return {
        "sound.zip": _archive(meta),
        "document-type.zip": _archive(_with_type(meta.encode())),
        "names-a-file-outside.zip": _archive(META.format(location="../../etc/passwd")),
        "unpacks-outside.zip": _archive(META.format(location="../evil.csv"), name="../evil.csv"),
        "packed-a-thousandfold.zip": _archive(meta, OCCURRENCES + "\n" * 30_000_000),
        "odd-figure.zip": _archive(meta.replace('index="1"', 'index="²"')),
        "unknown-codec.zip": _archive(meta.replace("<core ", '<core encoding="base64" ')),
        "empty.zip": b"PK\x05\x06" + b"\0" * 18,
    }


#: What GDAL would take for a list of other files, whatever its name.
ELSEWHERE = """<OGRVRTDataSource><OGRVRTLayer name="finds"><SrcDataSource>{source}</SrcDataSource></OGRVRTLayer>
</OGRVRTDataSource>"""


def _write_layers(folder: Path) -> None:
    points = gpd.GeoDataFrame(
        {"site": ["A", "B"], "species": ["Cepaea nemoralis"] * 2, "count": [20, 21]},
        geometry=[shapely.Point(6.1, 46.1), shapely.Point(6.2, 46.2)],
        crs="EPSG:4326",
    )
    points.to_file(folder / "points.gpkg", layer="finds")
    points.set_geometry(shapely.buffer(points.geometry.array, 0.1), crs=points.crs).to_file(
        folder / "polygons.gpkg", layer="finds"
    )
    (folder / "elsewhere.gpkg").write_text(ELSEWHERE.format(source="points.gpkg"), encoding="utf-8")
    whole = (folder / "points.gpkg").read_bytes()
    (folder / "cut-off.gpkg").write_bytes(whole[: len(whole) // 3])
    points.to_parquet(folder / "points.parquet")
    whole = (folder / "points.parquet").read_bytes()
    (folder / "cut-off.parquet").write_bytes(whole[: len(whole) // 2])


def _write_folder_with_a_link(folder: Path) -> None:
    """Make an archive as a folder, its table being a link to a file outside."""
    inside = folder / "link-out"
    inside.mkdir()
    (folder / "outside.csv").write_text(OCCURRENCES, encoding="utf-8")
    (inside / "meta.xml").write_text(META.format(location="occurrence.csv"), encoding="utf-8")
    (inside / "occurrence.csv").symlink_to(folder / "outside.csv")


def make_corpus(folder: Path) -> list[str]:
    """Write every file into a folder and return their names."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, data in (_texts() | _workbooks() | _archives()).items():
        (folder / name).write_bytes(data)
    _write_layers(folder)
    try:
        _write_folder_with_a_link(folder)
    except OSError:  # where links need a right that the user doesn't have
        (folder / "link-out" / "occurrence.csv").unlink(missing_ok=True)
    return sorted(path.name for path in folder.iterdir() if path.name != "outside.csv")


if __name__ == "__main__":
    names = make_corpus(Path(sys.argv[1]))
    print(f"{len(names)} files, {zlib.crc32(' '.join(names).encode()):08x}")
