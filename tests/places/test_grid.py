"""The study's grid covers its area, its tiles cover the grid, and blurred places stay in their square."""

from __future__ import annotations

import numpy as np
import pytest
from affine import Affine
from hypothesis import given
from hypothesis import strategies as st

from morphcline.places.grid import StudyGrid, blur

metres = st.floats(-1e6, 1e7)


def test_a_grid_by_hand() -> None:
    grid = StudyGrid.from_extent(120.0, 30.0, 380.0, 190.0, cell_m=100.0, crs="EPSG:2154")
    assert grid == StudyGrid(left=100.0, top=200.0, cell_m=100.0, rows=2, columns=3, crs="EPSG:2154")
    assert grid.bounds == (100.0, 0.0, 400.0, 200.0)
    easting, northing = grid.centres()
    assert easting.tolist() == [[150.0, 250.0, 350.0]] * 2
    assert northing.tolist() == [[150.0] * 3, [50.0] * 3]


@given(metres, metres, st.floats(0, 5e4), st.floats(0, 5e4), st.floats(10, 5000))
def test_a_grid_covers_its_extent_and_no_more_than_a_cell_beyond(
    west: float, south: float, width: float, height: float, cell: float
) -> None:
    grid = StudyGrid.from_extent(west, south, west + width, south + height, cell_m=cell, crs="EPSG:2154")
    left, bottom, right, top = grid.bounds
    slack = 1e-6
    assert left <= west + slack
    assert bottom <= south + slack
    assert right >= west + width - slack
    assert top >= south + height - slack
    assert right - left <= width + 2 * cell + slack
    assert top - bottom <= height + 2 * cell + slack


@given(st.integers(1, 40), st.integers(1, 40), st.integers(1, 50))
def test_tiles_cover_every_cell_once_and_know_where_they_are(rows: int, columns: int, side: int) -> None:
    grid = StudyGrid(left=1000.0, top=9000.0, cell_m=25.0, rows=rows, columns=columns, crs="EPSG:2154")
    easting, northing = grid.centres()
    seen = np.zeros(grid.shape, dtype=int)
    for tile in grid.tiles(side):
        seen[tile.slices] += 1
        tile_easting, tile_northing = tile.grid.centres()
        assert np.allclose(tile_easting, easting[tile.slices])
        assert np.allclose(tile_northing, northing[tile.slices])
    assert (seen == 1).all()


def test_the_transform_agrees_with_the_centres() -> None:
    grid = StudyGrid.from_extent(120.0, 30.0, 380.0, 190.0, cell_m=40.0, crs="EPSG:2154")
    easting, northing = grid.centres()
    assert Affine(*grid.transform) @ (2.5, 1.5) == pytest.approx((easting[1, 2], northing[1, 2]))


@given(st.lists(st.tuples(metres, metres), min_size=1, max_size=20), st.sampled_from([100.0, 1000.0, 12345.0]))
def test_a_blurred_place_is_its_squares_centre(points: list[tuple[float, float]], side: float) -> None:
    easting, northing = np.array(points).T
    shown_easting, shown_northing = blur(easting, northing, side)
    assert np.abs(shown_easting - easting).max() <= side / 2 * (1 + 1e-9)
    assert np.abs(shown_northing - northing).max() <= side / 2 * (1 + 1e-9)
    again = blur(shown_easting, shown_northing, side)
    assert np.allclose(again, (shown_easting, shown_northing), rtol=1e-12)


def test_no_blur_returns_the_places_and_never_the_callers_array() -> None:
    easting = np.array([1.0])
    shown, _ = blur(easting, [2.0], 0.0)
    shown += 1
    assert easting[0] == 1.0
