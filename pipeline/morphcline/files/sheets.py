"""The user's sheets, whatever their format, read as text."""

from __future__ import annotations

from pathlib import Path

from morphcline.errors import Problem, SourceError
from morphcline.files.delimited import read_delimited
from morphcline.files.exchange.darwin_core_reading import read_archive
from morphcline.files.feature_tables import read_geopackage, read_parquet
from morphcline.files.limits import check_cells, check_extent, check_size
from morphcline.files.workbooks import read_workbook
from morphcline.records.texts import TextTable
from morphcline.study import RecordSource, Sheet

_TEXT_ENDINGS = (".csv", ".tsv", ".tab", ".txt", ".psv")
_WORKBOOK_ENDINGS = (".xlsx", ".xlsm")
_PARQUET_ENDINGS = (".parquet", ".geoparquet", ".pq")
_ACCEPTED = "CSV (.csv, .tsv, .txt), XLSX, GeoPackage (.gpkg) or Parquet"
_ARCHIVE = 'CSV, XLSX, GeoPackage or Parquet; or, with layout = "darwin-core", a Darwin Core archive'


def read_sheet(sheet: Sheet, shown: str) -> TextTable:
    """Read a sheet that a study names.

    Parameters
    ----------
    sheet : Sheet
    shown : str
        The file as messages name it.

    Returns
    -------
    TextTable
        At least one row; every cell as text.

    Raises
    ------
    SourceError
        The file is absent, a folder, of another format, unreadable, empty or larger than ``sheet.limits`` allow, or
        its header can't be used.
    """
    path = sheet.path
    archive = isinstance(sheet, RecordSource) and sheet.layout == "darwin-core"
    if path.is_dir() and not archive:
        raise SourceError(Problem(shown, "", "this is a folder", f"name the file in it: {_ACCEPTED}"))
    if not path.exists():
        raise SourceError(Problem(shown, "", "there is no such file", _beside(path)))
    try:
        if not path.is_dir():
            check_size(path, shown, sheet.limits)
        table = _read(sheet, shown, archive=archive)
    except PermissionError as error:
        raise SourceError(Problem(shown, "", "the file may not be read", "change its permissions")) from error
    check_extent(len(table), len(table.header), shown, sheet.limits)
    check_cells(table, sheet.limits)
    return table


def _read(sheet: Sheet, shown: str, *, archive: bool) -> TextTable:
    path, limits = sheet.path, sheet.limits
    ending = path.suffix.lower()
    if archive:
        return read_archive(path, shown, encoding=sheet.encoding, limits=limits)
    if ending in _TEXT_ENDINGS:
        return read_delimited(path, shown, delimiter=sheet.delimiter, encoding=sheet.encoding, limits=limits)
    if ending in _WORKBOOK_ENDINGS:
        return read_workbook(path, shown, sheet=sheet.sheet, limits=limits)
    if ending == ".gpkg":
        return read_geopackage(path, shown, layer=sheet.sheet, limits=limits)
    if ending in _PARQUET_ENDINGS:
        return read_parquet(path, shown, limits=limits)
    found = f"the ending {path.suffix!r} is not one that is read" if ending else "the name has no ending"
    raise SourceError(Problem(shown, "", found, _ARCHIVE if ending in (".zip", ".xml") else _ACCEPTED))


def _beside(path: Path) -> str:
    """Return what to do about an absent file, naming files of its folder that are spelt much like it."""
    import difflib

    folder = path.parent
    if not folder.is_dir():
        return "check the path: its folder doesn't exist either"
    names = [entry.name for entry in folder.iterdir() if entry.is_file()]
    near = difflib.get_close_matches(path.name, names, n=2, cutoff=0.6)
    listed = " and ".join(repr(name) for name in near)
    return f"check the path; its folder holds {listed}" if near else "check the path"
