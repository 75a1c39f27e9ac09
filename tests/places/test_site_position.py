"""A site's position stays with its good records."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.places.site_position import site_position


def test_one_record_is_the_site() -> None:
    found = site_position([10.0], [20.0], [15.0], [1])
    assert (found.easting, found.northing, found.uncertainty_m, found.spread_m) == (10.0, 20.0, 15.0, 0.0)


def test_one_mistyped_position_does_not_move_a_site() -> None:
    found = site_position([0.0, 4.0, 8.0, 50_000.0], [0.0, 0.0, 0.0, 0.0], [10.0] * 4, [1] * 4)
    assert found.easting == 4.0  # distances: 0: 50012; 4: 50004; 8: 50004 -> the tie goes west
    assert found.spread_m == 49_996.0
    assert found.uncertainty_m == 49_996.0


def test_a_good_fix_outweighs_a_coarse_square() -> None:
    found = site_position([0.0, 3000.0], [0.0, 0.0], [7071.0, 10.0], [5, 1])
    assert found.easting == 3000.0
    assert found.uncertainty_m == 3000.0


def test_unknown_uncertainty_counts_as_the_worst_known() -> None:
    found = site_position([0.0, 30.0], [0.0, 0.0], [np.nan, 10.0], [1, 1])
    assert (found.easting, found.uncertainty_m) == (30.0, 30.0)
    alone = site_position([0.0], [0.0], [np.nan], [1])
    assert np.isnan(alone.uncertainty_m)
    both = site_position([0.0, 6.0], [0.0, 8.0], [np.nan, np.nan], [1, 1])
    assert both.uncertainty_m == both.spread_m == 10.0


positions = st.lists(
    st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4), st.floats(1, 1e3), st.integers(1, 5)), min_size=1, max_size=8
)


@given(positions, st.randoms())
def test_it_is_a_recorded_place_that_costs_least_whatever_the_order(records, shuffle) -> None:
    found = site_position(*np.array(records).T)
    cost = {
        (e, n): sum(v / u**2 * np.hypot(e - x, n - y) for x, y, u, v in records) for e, n, _, _ in records
    }  # the slow, obvious way
    assert cost[found.easting, found.northing] == pytest.approx(min(cost.values()), rel=1e-9, abs=1e-12)
    assert found.spread_m == pytest.approx(
        max(np.hypot(found.easting - x, found.northing - y) for x, y, _, _ in records)
    )
    shuffle.shuffle(records)
    assert site_position(*np.array(records).T).spread_m == pytest.approx(found.spread_m)
