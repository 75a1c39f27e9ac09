"""Where sites are drawn."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.records.published import published_places

squares = st.tuples(st.integers(0, 6), st.integers(0, 6))


def sites(places: list[tuple[float, float]], side: float = 1000.0) -> pd.DataFrame:
    x, y = zip(*places, strict=True)
    return pd.DataFrame({"site": [f"S{i}" for i in range(len(places))], "x_m": x, "y_m": y, "blur_m": side})


@given(st.lists(squares, min_size=1, max_size=40))
def test_sites_of_a_square_are_drawn_within_it_and_never_two_at_one_spot(found: list[tuple[int, int]]) -> None:
    table = sites([(500.0 + 1000 * column, 500.0 + 1000 * row) for column, row in found])
    shown = published_places(table)
    assert np.array_equal(shown[["x_m", "y_m"]], table[["x_m", "y_m"]])
    drawn = shown[["drawn_x_m", "drawn_y_m"]].to_numpy()
    assert np.all(np.abs(drawn - shown[["x_m", "y_m"]].to_numpy()) < 500)
    assert len(np.unique(np.round(drawn, 6), axis=0)) == len(table)


def test_a_place_that_is_shown_exactly_is_drawn_there() -> None:
    shown = published_places(sites([(1234.5, 5678.5)], side=0.0)).iloc[0]
    assert (shown["x_m"], shown["drawn_x_m"], shown["drawn_y_m"]) == (1234.5, 1234.5, 5678.5)


def test_a_withheld_site_is_not_drawn() -> None:
    table = sites([(500.0, 500.0), (np.nan, np.nan)])
    table.loc[1, "blur_m"] = np.nan
    assert published_places(table)["site"].tolist() == ["S0"]


def test_no_sites_no_rows() -> None:
    assert published_places(sites([(0.0, 0.0)]).iloc[:0]).empty


@pytest.mark.parametrize("order", [[0, 1, 2], [2, 0, 1]])
def test_the_order_of_rows_does_not_matter(order: list[int]) -> None:
    table = sites([(500.0, 500.0)] * 3)
    one = published_places(table).set_index("site")
    other = published_places(table.iloc[order].reset_index(drop=True)).set_index("site")
    pd.testing.assert_frame_equal(one.sort_index(), other.sort_index())
