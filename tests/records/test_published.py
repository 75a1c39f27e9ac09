"""What the public may see of a place."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.records.published import published_places

metres = st.floats(0, 50_000, allow_nan=False)


def sites(places: list[tuple[float, float]], names: list[str] | None = None) -> pd.DataFrame:
    names = names or [f"S{i}" for i in range(len(places))]
    x, y = zip(*places, strict=True)
    return pd.DataFrame({"site": names, "x_m": x, "y_m": y})


@given(st.lists(st.tuples(metres, metres), min_size=1, max_size=40))
def test_a_place_is_a_square_and_nothing_finer(places: list[tuple[float, float]]) -> None:
    shown = published_places(sites(places), blur_m=1000)
    exact = np.array(places)
    assert np.array_equal(shown[["x_m", "y_m"]], np.floor(exact / 1000) * 1000 + 500)
    drawn = shown[["drawn_x_m", "drawn_y_m"]].to_numpy()
    # Drawn within the square, and never two at one spot.
    assert np.all(np.abs(drawn - shown[["x_m", "y_m"]].to_numpy()) < 500)
    assert len(np.unique(np.round(drawn, 6), axis=0)) == len(places)


@given(st.lists(st.tuples(st.floats(0, 999), st.floats(0, 999)), min_size=2, max_size=12), st.randoms())
def test_where_a_site_is_drawn_says_nothing_of_where_it_lies(places: list, random: object) -> None:
    moved = places.copy()
    random.shuffle(moved)  # type: ignore[attr-defined]
    columns = ["shown_as", "drawn_x_m", "drawn_y_m"]
    one, other = (published_places(sites(these), blur_m=1000)[columns] for these in (places, moved))
    assert one.equals(other)


def test_an_id_made_from_a_place_is_replaced() -> None:
    table = sites([(1234.0, 5678.0), (9100.0, 200.0), (1300.0, 5700.0)], ["@1234-5678", "Mill lane", "@1300-5700"])
    shown = published_places(table, blur_m=1000)
    assert sorted(shown["shown_as"]) == ["Mill lane", "unnamed site 1", "unnamed site 2"]
    assert shown["site"].tolist() == table["site"].tolist()


def test_without_blur_places_and_names_are_as_they_are() -> None:
    table = sites([(1234.5, 5678.5)], ["@1234-5678"])
    shown = published_places(table, blur_m=0).iloc[0]
    assert (shown["shown_as"], shown["x_m"], shown["drawn_y_m"]) == ("@1234-5678", 1234.5, 5678.5)


def test_no_sites_no_rows() -> None:
    empty = pd.DataFrame({"site": pd.Series(dtype=str), "x_m": pd.Series(dtype=float), "y_m": pd.Series(dtype=float)})
    assert published_places(empty, blur_m=1000).empty


@pytest.mark.parametrize("order", [[0, 1, 2], [2, 0, 1]])
def test_the_order_of_rows_does_not_matter(order: list[int]) -> None:
    table = sites([(100.0, 100.0), (200.0, 200.0), (300.0, 300.0)])
    one = published_places(table, blur_m=1000).set_index("site")
    other = published_places(table.iloc[order].reset_index(drop=True), blur_m=1000).set_index("site")
    pd.testing.assert_frame_equal(one.sort_index(), other.sort_index())
