"""Sheets in every format, delimiter and encoding come out as the same texts."""

from __future__ import annotations

import datetime as dt
import random
from pathlib import Path
from typing import Any

import geopandas as gpd
import openpyxl
import pandas as pd
import pytest
import shapely

from morphcline.errors import SourceError
from morphcline.files import delimited
from morphcline.files.sheets import read_sheet
from morphcline.records.texts import TextTable
from morphcline.study import Sheet

HEADER = ["site", "note", "banding", "count"]
ROWS = [
    ["Pré du Moulin", "a line\nbreak", "00345", "12"],
    ["Höhe", 'with "marks", commas; semicolons', "1(23)45", "3"],
    ["", "", "", ""],
    ["Étang", "tab\tand|pipe", "00000", "0"],
]


def read(path: Path, **keys: Any) -> TextTable:
    return read_sheet(Sheet(path=path, **keys), path.name)


def texts(table: TextTable) -> list[list[str]]:
    return [[table.columns[name][position] for name in table.header] for position in range(len(table))]


def quoted_rows(delimiter: str) -> str:
    def quoted(cell: str) -> str:
        return '"' + cell.replace('"', '""') + '"'

    return "".join(delimiter.join(quoted(cell) for cell in cells) + "\r\n" for cells in [HEADER, *ROWS])


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize(
    ("encoding", "found"),
    [
        ("utf-8", "utf-8"),
        ("utf-8-sig", "utf-8-sig"),
        ("utf-16", "utf-16"),
        ("utf-16-le", "utf-16-le"),
        ("utf-16-be", "utf-16-be"),
        ("cp1252", "cp1252"),
        ("latin-1", "cp1252"),  # the same bytes for these letters
    ],
)
def test_delimiter_and_encoding_are_found(tmp_path: Path, delimiter: str, encoding: str, found: str) -> None:
    path = tmp_path / "rows.csv"
    path.write_bytes(quoted_rows(delimiter).encode(encoding))
    table = read(path)
    assert list(table.header) == HEADER
    assert texts(table) == ROWS
    assert table.row.tolist() == [2, 3, 4, 5]
    assert table.details["encoding"] == found
    assert table.details["delimiter"] == {",": "comma", ";": "semicolon", "\t": "tab", "|": "pipe"}[delimiter]
    assert bool(table.warnings) == (found == "cp1252")


def test_delimiter_and_encoding_can_be_fixed(tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    path.write_bytes("site~count\nŁąka~3\n".encode("cp1250"))
    table = read(path, delimiter="~", encoding="cp1250")
    assert texts(table) == [["Łąka", "3"]]
    assert table.warnings == ()


def test_decimal_commas_do_not_pass_for_delimiters(tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    path.write_text("lon;lat;count\n6,12;45,3;1\n6,13;45,4;2\n", encoding="utf-8")
    assert texts(read(path)) == [["6,12", "45,3", "1"], ["6,13", "45,4", "2"]]


def test_a_spreadsheets_hint_at_the_delimiter_is_no_row(tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    path.write_text("sep=|\nsite|count\nA|1\n", encoding="utf-8")
    table = read(path)
    assert (texts(table), table.row.tolist()) == ([["A", "1"]], [2])


def test_bytes_that_western_text_never_holds_are_guessed_with_a_warning(tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    words = "Луг у старой мельницы на левом берегу реки, высокая трава и крапива вдоль изгороди"
    rows = "".join(f'"{words} Џ",{k}\n' for k in range(30))  # the last letter is a byte that cp1252 doesn't define
    path.write_bytes(f"site,count\n{rows}".encode("cp1251"))
    table = read(path)
    assert table.columns["site"][0] == f"{words} Џ"
    assert "not UTF-8, so it was read as cp1251" in table.warnings[0]


def test_rows_too_long_are_kept_apart_and_rows_too_short_filled(tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    path.write_text("a,b,c\n1,2,3,4,5\n1,2\n1,2,3,,\n\n1,2,3\n", encoding="utf-8")
    table = read(path)
    assert table.beyond == {0: ("4", "5")}
    assert table.as_it_came(0) == {"a": "1", "b": "2", "c": "3", "(cell 4)": "4", "(cell 5)": "5"}
    assert texts(table)[1:] == [["1", "2", ""], ["1", "2", "3"], ["", "", ""], ["1", "2", "3"]]
    assert table.row.tolist() == [2, 3, 4, 5, 6]
    assert "1 row has fewer cells" in table.warnings[0]


def save(path: Path, sheets: dict[str, list[list[Any]]]) -> Path:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for cells in rows:
            sheet.append(cells)
    book.save(path)
    return path


def test_a_workbook_keeps_exact_texts(tmp_path: Path) -> None:
    path = save(
        tmp_path / "rows.xlsx",
        {
            "shells": [
                ["site", "banding", "date", "share", None],
                ["A", 345, dt.datetime(2021, 5, 3), 0.1, None],
                ["B", "00300", dt.date(2021, 5, 4), 12.0, None],
                [None, None, None, None, None],
                ["C", 0, "May 2021", 1e-7, "aside"],
                [None, None, None, None, None],
            ],
            "other": [["x"], ["1"]],
        },
    )
    table = read(path)
    assert table.details == {"sheet": "shells"}
    assert table.header == ("site", "banding", "date", "share", "(column 5)")
    assert texts(table) == [
        ["A", "345", "2021-05-03", "0.1", ""],
        ["B", "00300", "2021-05-04", "12", ""],
        ["", "", "", "", ""],
        ["C", "0", "May 2021", "1e-07", "aside"],
    ]
    assert table.row.tolist() == [2, 3, 4, 5]
    assert texts(read(path, sheet="other")) == [["1"]]
    with pytest.raises(SourceError, match=r"has no sheet 'snails'; its sheets: 'shells', 'other'"):
        read(path, sheet="snails")


def test_a_formula_that_was_never_computed_is_said(tmp_path: Path) -> None:
    path = save(tmp_path / "rows.xlsx", {"s": [["site", "count"], ["A", "=1+2"], ["B", 4]]})
    table = read(path)
    assert texts(table) == [["A", ""], ["B", "4"]]
    assert "1 formula cell holds no computed value" in table.warnings[0]


def points(crs: str = "EPSG:2154") -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"site": ["A", "B", None], "count": [3, 4, 5], "when": pd.to_datetime(["2021-05-03", None, "2021-05-04"])},
        geometry=[shapely.Point(451200.5, 6432150), None, shapely.MultiPoint([(451300, 6432100)])],
        crs=crs,
    )


def test_a_geopackage_gives_attributes_and_points(tmp_path: Path) -> None:
    path = tmp_path / "rows.gpkg"
    points().to_file(path, layer="finds")
    table = read(path)
    assert table.crs == "EPSG:2154"
    assert table.geometry_columns == ("geometry x", "geometry y")
    assert texts(table) == [
        ["A", "3", "2021-05-03", "451200.5", "6432150"],
        ["B", "4", "", "", ""],
        ["", "5", "2021-05-04", "451300", "6432100"],
    ]
    assert table.row.tolist() == [1, 2, 3]
    with pytest.raises(SourceError, match=r"no layer 'snails'; its layers: 'finds'"):
        read(path, sheet="snails")


def test_polygons_are_no_records(tmp_path: Path) -> None:
    path = tmp_path / "rows.gpkg"
    gpd.GeoDataFrame({"a": [1]}, geometry=[shapely.box(0, 0, 1, 1)], crs="EPSG:2154").to_file(path)
    with pytest.raises(SourceError, match=r"row 1: its geometry is a polygon; a layer of points"):
        read(path)


def test_parquet_with_and_without_points(tmp_path: Path) -> None:
    path = tmp_path / "rows.parquet"
    pd.DataFrame({"site": ["A", None], "count": [3, 4], "share": [0.5, None]}).to_parquet(path)
    assert texts(read(path)) == [["A", "3", "0.5"], ["", "4", ""]]
    points("EPSG:4326").to_parquet(path)
    table = read(path)
    assert table.geometry_columns == ("geometry x", "geometry y")
    assert '"id"' in table.crs
    assert texts(table)[0] == ["A", "3", "2021-05-03", "451200.5", "6432150"]


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("a.csv", b"", "the file is empty"),
        ("a.csv", b"\n\n", "the file is empty"),
        ("a.csv", b"site,count\n", "a header but no row below it"),
        ("a.csv", b"site,count,site\n1,2,3\n", "more than one column is called 'site'"),
        ("a.csv", b'site,count\nA,"1\nB,2\n', "row 2: a quotation mark"),
        ("a.csv", b'site,count\nA,"1"2\n', "row 2: a quotation mark"),
        ("a.csv", b"\xef\xbb\xbfsite\n\xff\n", "byte .* is not utf-8"),
        ("a.xlsx", b"not a workbook", "not a workbook that can be read"),
        ("a.gpkg", b"not a geopackage", "not a GeoPackage that can be read"),
        ("a.parquet", b"not parquet", "not a Parquet file that can be read"),
        ("a.ods", b"x", r"the ending '.ods' is not one that is read; CSV"),
        ("records", b"x", "the name has no ending"),
    ],
)
def test_a_file_that_cannot_be_read_gives_one_sentence(tmp_path: Path, name: str, content: bytes, message: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(SourceError, match=message) as caught:
        read(path)
    assert len(caught.value.problems) == 1
    assert str(caught.value).startswith(f"{name}")


def test_an_unknown_encoding_is_named(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"site\nA\n")
    with pytest.raises(SourceError, match=r"\[records\] encoding: found 'klingon'"):
        read(path, encoding="klingon")
    path.write_bytes(b"site\n\xe9\n")
    with pytest.raises(SourceError, match="byte 5: this is not utf-8 text"):
        read(path, encoding="utf-8")


def test_absent_files_and_folders_are_named(tmp_path: Path) -> None:
    (tmp_path / "volunteers.csv").write_text("a\n1\n", encoding="utf-8")
    with pytest.raises(SourceError, match=r"there is no such file; check the path; its folder holds 'volunteers.csv'"):
        read(tmp_path / "volunters.csv")
    with pytest.raises(SourceError, match="this is a folder"):
        read(tmp_path)
    with pytest.raises(SourceError, match="its folder doesn't exist either"):
        read(tmp_path / "nowhere" / "rows.csv")


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("uneven", [False, True])
def test_a_large_file_reads_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, end: str, uneven: bool) -> None:
    chance = random.Random(3)
    rows = [[chance.choice(["", "é", "NA", " x ", "00345", "'q"]) for _ in range(3)] for _ in range(400)]
    path = tmp_path / "rows.csv"
    lines = [";".join(cells) for cells in [["a", "b", "c"], *rows]]
    lines += ["1;2;3;4", "", "1"] if uneven else []
    path.write_text(end.join(lines) + end, encoding="utf-8", newline="")
    slow = read(path)
    monkeypatch.setattr(delimited, "LARGE", 1)
    fast = read(path)
    assert texts(fast) == texts(slow)
    assert texts(fast)[:400] == rows
    assert fast.row.tolist() == slow.row.tolist()
    assert (fast.beyond, fast.short, fast.details) == (slow.beyond, slow.short, slow.details)


def test_reading_agrees_with_another_reader(tmp_path: Path) -> None:
    chance = random.Random(7)
    letters = 'ab,;"\n é0'
    rows = [["".join(chance.choices(letters, k=chance.randint(1, 6))) + "." for _ in range(4)] for _ in range(300)]
    path = tmp_path / "rows.csv"
    pd.DataFrame(rows, columns=list("wxyz")).to_csv(path, index=False)
    expected = pd.read_csv(path, dtype=str, keep_default_na=False)
    assert texts(read(path)) == expected.to_numpy().tolist()
