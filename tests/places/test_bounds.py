"""Inside, exchanged, or nothing at all."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from morphcline.places.bounds import extent, is_zero, looks_swapped, within_bounds

VALLEY = (5.0, 45.0, 6.0, 46.0)


def test_points_within_bounds_by_hand() -> None:
    found = within_bounds([5.0, 6.0, 6.05, 5.5, np.nan], [45.0, 46.0, 45.5, 44.0, 45.5], VALLEY)
    assert found.tolist() == [True, True, False, False, False]
    assert within_bounds([6.05], [45.5], VALLEY, margin=0.1).all()


def test_bounds_may_cross_the_antimeridian() -> None:
    fiji = (177.0, -19.0, -178.0, -16.0)
    assert within_bounds([179.0, -179.0, 0.0], [-17.0, -17.0, -17.0], fiji).tolist() == [True, True, False]
    assert extent(fiji) == 5 * 3


def test_exchanged_coordinates_are_noticed_only_where_they_would_fit() -> None:
    found = looks_swapped([45.5, 5.5, 45.5, 100.0], [5.5, 45.5, 45.5, 10.0], VALLEY)
    assert found.tolist() == [True, False, False, False]


@given(st.floats(-180, 180), st.floats(-90, 90))
def test_a_point_inside_never_looks_swapped(longitude: float, latitude: float) -> None:
    inside = within_bounds([longitude], [latitude], VALLEY)[0]
    swapped = looks_swapped([longitude], [latitude], VALLEY)[0]
    assert not (inside and swapped)
    assert looks_swapped([latitude], [longitude], VALLEY)[0] == (
        within_bounds([longitude], [latitude], VALLEY)[0] and not within_bounds([latitude], [longitude], VALLEY)[0]
    )


def test_zero_means_both() -> None:
    assert is_zero([0.0, 0.0, 1.0], [0.0, 1.0, 0.0]).tolist() == [True, False, False]
