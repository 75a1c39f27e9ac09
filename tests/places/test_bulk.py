"""Telling stray places from the bulk."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from morphcline.places.bulk import Bulk, in_bulk


def test_the_circle_by_hand() -> None:
    easting = np.append(np.arange(0.0, 100_001.0, 10_000.0), np.nan)  # eleven places, the median at 50 km
    bulk = Bulk.of(easting, np.zeros(12))
    assert bulk is not None
    # Distances 0, 10, 10, 20, 20 ... 50, 50 km: nine in ten are the tenth of eleven, 50 km.
    assert (bulk.easting, bulk.northing, bulk.reach_m) == (50_000.0, 0.0, 150_000.0)
    assert bulk.distance_m([50_000.0], [-7.0]).tolist() == [7.0]


def test_a_place_many_rows_share_counts_once_and_few_places_judge_nothing() -> None:
    easting = np.concatenate([np.arange(0.0, 12_000.0, 1000.0), np.full(500, 300_000.0)])
    inside = in_bulk(easting, np.zeros(len(easting)))
    assert inside.tolist() == [True] * 12 + [False] * 500
    assert in_bulk([0.0, 9e6], [0.0, 0.0]).all()
    assert in_bulk([], []).tolist() == []


@given(st.lists(st.tuples(st.integers(-9999, 9999), st.integers(-9999, 9999)), min_size=10, max_size=30, unique=True))
def test_at_least_nine_in_ten_places_are_in_the_bulk(places: list[tuple[int, int]]) -> None:
    inside = in_bulk(*np.array(places).T)
    assert inside.sum() >= 0.9 * len(places) - 1
