"""Columns of texts."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.records.texts import TableBuilder, TextColumn, cell_text, folded, tidy


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (345, "345"),
        (345.0, "345"),
        (0.1, "0.1"),
        ("00345", "00345"),
        (None, ""),
        (float("nan"), ""),
        (True, "TRUE"),
        (dt.datetime(2021, 5, 3), "2021-05-03"),
        (dt.datetime(2021, 5, 3, 10, 30), "2021-05-03T10:30:00"),
        (dt.date(2021, 5, 3), "2021-05-03"),
        (np.int64(7), "7"),
        (np.float64(7.5), "7.5"),
    ],
)
def test_a_cell_keeps_its_exact_text(value: object, text: str) -> None:
    assert cell_text(value) == text


def test_names_are_compared_without_case_and_blanks() -> None:
    assert folded("Grid  Reference") == folded("grid_reference") == folded("GRID-REFERENCE")
    assert tidy(" a\u00a0 b\t") == "a b"


@given(st.lists(st.text(max_size=5), max_size=40))
def test_a_column_gives_back_its_texts(texts: list[str]) -> None:
    column = TextColumn.of(texts)
    assert column.texts().tolist() == texts
    assert len(set(column.words)) == len(column.words)
    assert column.changed(str.upper).texts().tolist() == [text.upper() for text in texts]


@given(st.lists(st.tuples(st.text(max_size=3), st.text(max_size=3), st.booleans()), min_size=1, max_size=20))
def test_filling_takes_the_other_columns_text_where_told(rows: list[tuple[str, str, bool]]) -> None:
    mine, other = TextColumn.of(row[0] for row in rows), TextColumn.of(row[1] for row in rows)
    mask = np.array([row[2] for row in rows])
    assert mine.filled(mask, other).texts().tolist() == [b if take else a for a, b, take in rows]


@given(st.lists(st.lists(st.text(max_size=2), max_size=5), max_size=20))
def test_rows_of_any_length_are_kept_whole(rows: list[list[str]]) -> None:
    builder = TableBuilder(3)
    builder.add(rows[:7])
    builder.add(rows[7:])
    columns = builder.columns()
    for position, cells in enumerate(rows):
        kept = [column[position] for column in columns] + list(builder.beyond.get(position, ()))
        padded = cells + [""] * (3 - len(cells))
        if position not in builder.beyond:
            assert not any(text.strip() for text in padded[3:])
            padded = padded[:3]
        assert kept == padded
