"""Each limit stops a file beyond it before it fills the memory, and the study file raises it."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from morphcline.errors import SourceError, StudyFileError
from morphcline.files.sheets import read_sheet
from morphcline.records.texts import TextTable
from morphcline.study import Limits, RecordSource, Sheet, load_study


def read(path: Path, **limits: Any) -> TextTable:
    return read_sheet(Sheet(path=path, limits=Limits(**limits)), path.name)


def a_workbook(path: Path, rows: int = 3, note: str = "x") -> Path:
    book = openpyxl.Workbook()
    for cells in [["site", "note"], *([f"S{at}", note] for at in range(rows))]:
        book.active.append(cells)
    book.save(path)
    return path


@pytest.mark.parametrize(
    ("text", "key", "limit", "enough", "sentence"),
    [
        ("a,b\n" + "1,2\n" * 600, "size_mb", 0.001, 0.01, r"the file has 0\.0 MB; at most 0\.001 MB, or raise size_mb"),
        ("a,b\n" + "1,2\n" * 600, "cells", 1000, 1200, r"600 rows or more of 2 columns; at most 1,000 cells, or raise"),
        (",".join(f"c{at}" for at in range(12)) + "\n1\n", "columns", 11, 12, r"has 12 columns; at most 11, or"),
        ("a,b\n1,2\n3," + "x" * 30 + "\n", "cell_length", 29, 30, r"row 3, column b: a cell has 30 char"),
        ("a\n1," + "x" * 30 + "\n", "cell_length", 29, 30, r"row 2: a cell has 30 characters; at most 29 characters"),
        ("a" * 30 + "\n1\n", "cell_length", 29, 30, r"header: a cell has 30 characters; at most 29 characters"),
    ],
)
def test_a_text_file_beyond_a_limit(
    tmp_path: Path, text: str, key: str, limit: float, enough: float, sentence: str
) -> None:
    path = tmp_path / "rows.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SourceError, match=sentence) as caught:
        read(path, **{key: limit})
    assert f"raise {key} under limits" in str(caught.value)
    assert len(read(path, **{key: enough}))


@pytest.mark.parametrize(("key", "limit", "enough"), [("cells", 5, 6), ("columns", 1, 2), ("cell_length", 6, 7)])
def test_a_workbook_beyond_a_limit(tmp_path: Path, key: str, limit: int, enough: int) -> None:
    path = a_workbook(tmp_path / "rows.xlsx", note="a note.")
    with pytest.raises(SourceError, match=rf"rows\.xlsx.*raise {key} under limits"):
        read(path, **{key: limit})
    assert len(read(path, **{key: enough})) == 3


def test_what_is_packed_a_thousandfold_is_read_when_the_ratio_is_raised(tmp_path: Path) -> None:
    packed = a_workbook(tmp_path / "plain.xlsx").read_bytes()
    path = tmp_path / "rows.xlsx"
    with zipfile.ZipFile(io.BytesIO(packed)) as source, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target:
        for name in source.namelist():
            more = b" " * 12_000_000 if name == "xl/styles.xml" else b""
            target.writestr(name, source.read(name) + more)
    with pytest.raises(SourceError, match=r"its part 'xl/styles.xml' is packed to 1/.*; at most 1/200, or raise ratio"):
        read(path)
    with pytest.raises(SourceError, match=r"what it holds unpacks to 12\.0 MB; at most 11 MB, or raise size_mb"):
        read(path, ratio=2000, size_mb=11)
    assert len(read(path, ratio=2000)) == 3


def test_a_few_bytes_that_stand_for_a_great_many_equal_cells_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "rows.parquet"
    word = pa.DictionaryArray.from_arrays(pa.array([0] * 300_000, pa.int8()), pa.array(["x" * 100]))
    pq.write_table(pa.table({"note": word.cast(pa.string())}), path)
    assert path.stat().st_size < 10_000
    with pytest.raises(SourceError, match=r"its cells unpack to more; at most 10 MB, or raise size_mb"):
        read(path, size_mb=10)
    with pytest.raises(SourceError, match=r"300,000 rows or more of 1 columns; at most 200,000 cells"):
        read(path, cells=200_000)
    assert len(read(path)) == 300_000


def test_features_beyond_the_limits_are_refused(tmp_path: Path) -> None:
    import geopandas as gpd
    import shapely

    path = tmp_path / "rows.gpkg"
    points = gpd.GeoDataFrame({"a": range(9), "b": range(9)}, geometry=[shapely.Point(0, 0)] * 9, crs="EPSG:4326")
    points.to_file(path)
    with pytest.raises(SourceError, match=r"9 rows or more of 2 columns; at most 17 cells"):
        read(path, cells=17)
    assert len(read(path, cells=36)) == 9  # with the two columns of the points


def test_a_study_file_raises_limits_for_each_source(tmp_path: Path) -> None:
    text = """
    [study]
    name = "a"
    crs = "EPSG:2154"
    [[records]]
    path = "a.csv"
    limits = { columns = 20_000 }
    [[records]]
    path = "b.csv"
    """
    path = tmp_path / "study.toml"
    path.write_text(text, encoding="utf-8")
    first, second = load_study(path).records
    assert isinstance(first, RecordSource)
    assert (first.limits.columns, second.limits.columns) == (20_000, 1000)
    path.write_text(text.replace("20_000", "0"), encoding="utf-8")
    with pytest.raises(StudyFileError, match=r"\[records\.#1\.limits\] columns: found 0"):
        load_study(path)


def test_the_usual_limits_hold_a_survey_of_a_million_rows() -> None:
    usual = Limits()
    assert usual.cells >= 1_000_000 * 40
    assert usual.cell_length > 32_767  # the most that a spreadsheet's cell holds
    frame = pd.DataFrame({f"morph {at}": [0] for at in range(300)})
    assert len(frame.columns) < usual.columns
