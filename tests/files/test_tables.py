"""Our tables come back as they were written."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from morphcline.files.tables import read_table, write_table


def test_text_that_looks_like_numbers_stays_text(tmp_path: Path) -> None:
    table = pd.DataFrame({"site": ["012", "NA", ""], "banding": ["00300", "00000", ""], "count": [3, 0, 12]})
    write_table(tmp_path / "t.csv", table)
    back = read_table(tmp_path / "t.csv")
    assert back["site"].tolist() == ["012", "NA", ""]
    assert back["banding"].tolist() == ["00300", "00000", ""]
    assert back["count"].tolist() == [3, 0, 12]


def test_missing_numbers_are_empty_cells(tmp_path: Path) -> None:
    write_table(tmp_path / "t.csv", pd.DataFrame({"site": ["a", "b"], "low": [0.25, np.nan]}))
    assert (tmp_path / "t.csv").read_bytes() == b"site,low\na,0.25\nb,\n"
    assert np.isnan(read_table(tmp_path / "t.csv")["low"][1])


def test_declared_columns_are_written_in_their_order(tmp_path: Path) -> None:
    table = pd.DataFrame({"b": [1], "a": [2], "extra": [3]})
    write_table(tmp_path / "t.csv", table, {"a": "", "b": ""})
    assert (tmp_path / "t.csv").read_text() == "a,b\n2,1\n"
    with pytest.raises(KeyError, match="absent"):
        write_table(tmp_path / "t.csv", table, {"absent": ""})


def test_numbers_keep_twelve_digits(tmp_path: Path) -> None:
    write_table(tmp_path / "t.csv", pd.DataFrame({"moran_i": [1 / 3]}))
    assert read_table(tmp_path / "t.csv")["moran_i"][0] == pytest.approx(1 / 3, rel=1e-12)
