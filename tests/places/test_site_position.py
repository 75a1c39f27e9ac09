"""A site's position stays with its good records."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.places.site_position import rows_that_agree, site_position


def test_one_record_is_the_site() -> None:
    found = site_position([10.0], [20.0], [15.0], [1], [1])
    assert (found.easting, found.northing, found.uncertainty_m, found.spread_m) == (10.0, 20.0, 15.0, 0.0)


def test_one_mistyped_position_does_not_move_a_site() -> None:
    found = site_position([0.0, 4.0, 8.0, 50_000.0], [0.0, 0.0, 0.0, 0.0], [10.0] * 4, [1] * 4, [1] * 4)
    assert found.easting == 4.0  # distances within the three that agree: 12, 8, 12
    assert found.spread_m == 49_996.0
    assert found.uncertainty_m == 10.0


def test_seven_rows_of_one_visit_outvote_a_row_placed_more_exactly_far_away() -> None:
    found = site_position([0.0, 500_000.0], [0.0, 0.0], [71.0, 10.0], [1, 1], [7, 1])
    assert (found.easting, found.uncertainty_m, found.spread_m) == (0.0, 71.0, 500_000.0)


def test_a_vague_place_that_everything_agrees_with_is_not_elected_for_that() -> None:
    # A square of 10 km across, a good fix of seven rows in it and a stray one of one row in it too.
    found = site_position([0.0, 3000.0, -3000.0], [0.0] * 3, [7071.0, 10.0, 10.0], [1] * 3, [1, 7, 1])
    assert found.easting == 3000.0
    votes = rows_that_agree([0.0, 3000.0, -3000.0], [0.0] * 3, [7071.0, 10.0, 10.0], [1, 7, 1])
    assert votes.tolist() == [1, 8, 2]


def test_where_the_rows_are_divided_the_better_fix_stands() -> None:
    found = site_position([0.0, 9000.0], [0.0, 0.0], [100.0, 10.0], [1, 1], [4, 4])
    assert found.easting == 9000.0


def test_a_good_fix_outweighs_a_coarse_square() -> None:
    found = site_position([0.0, 3000.0], [0.0, 0.0], [7071.0, 10.0], [5, 1], [5, 1])
    assert found.easting == 3000.0
    assert found.uncertainty_m == 3000.0


def test_unknown_uncertainty_counts_as_the_worst_known() -> None:
    found = site_position([0.0, 30.0], [0.0, 0.0], [np.nan, 10.0], [1, 1], [1, 1])
    assert (found.easting, found.uncertainty_m) == (30.0, 30.0)
    alone = site_position([0.0], [0.0], [np.nan], [1], [1])
    assert np.isnan(alone.uncertainty_m)
    both = site_position([0.0, 6.0], [0.0, 8.0], [np.nan, np.nan], [1, 1], [1, 1])
    assert both.uncertainty_m == both.spread_m == 10.0


positions = st.lists(
    st.tuples(st.floats(-1e3, 1e3), st.floats(-1e3, 1e3), st.floats(1, 1e3), st.integers(1, 5), st.integers(1, 9)),
    min_size=1,
    max_size=8,
)


@given(positions, st.randoms())
def test_it_is_the_place_most_rows_agree_on_that_costs_least_whatever_the_order(records, shuffle) -> None:
    found = site_position(*np.array(records).T)

    def votes(e: float, n: float) -> int:  # the slow, obvious way
        return sum(rows for x, y, u, _, rows in records if np.hypot(e - x, n - y) <= 250 + u)

    most = max(votes(e, n) for e, n, *_ in records)
    elected = [one for one in records if votes(*one[:2]) == most]
    heard = [
        (x, y, u, v)
        for x, y, u, v, _ in records
        if any(np.hypot(e - x, n - y) <= 250 + u + w for e, n, w, *_ in elected)
    ]
    cost = {(e, n): sum(v / u**2 * np.hypot(e - x, n - y) for x, y, u, v in heard) for e, n, *_ in elected}
    assert cost[found.easting, found.northing] == pytest.approx(min(cost.values()), rel=1e-9, abs=1e-12)
    assert found.spread_m == pytest.approx(max(np.hypot(found.easting - x, found.northing - y) for x, y, *_ in records))
    assert found.uncertainty_m <= max(found.spread_m, max(u for _, _, u, *_ in records))
    shuffle.shuffle(records)
    assert site_position(*np.array(records).T) == found
