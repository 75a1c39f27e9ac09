"""Lines of sight past barriers, against shapely and by hand."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from morphcline.stats.barriers import blocked


def segments_of(line):
    corners = np.asarray(line, dtype=float)
    return np.column_stack([corners[:-1], corners[1:]])


def ways(points, sites):
    pairs = np.stack([np.repeat(points, len(sites), axis=0), np.tile(sites, (len(points), 1))], axis=1)
    return shapely.linestrings(pairs)


def test_a_crooked_barrier_blocks_what_shapely_says_it_crosses():
    rng = np.random.default_rng(5)
    ridge = np.column_stack([np.linspace(0, 100, 61), 50 + np.cumsum(rng.normal(0, 4, 61))])
    points, sites = rng.uniform(0, 100, (80, 2)), rng.uniform(0, 100, (70, 2))
    expected = shapely.crosses(shapely.linestrings(ridge), ways(points, sites)).reshape(80, 70)
    assert 0.2 < expected.mean() < 0.8
    np.testing.assert_array_equal(blocked(points, sites, segments_of(ridge)), expected)


@settings(deadline=None, max_examples=60)
@given(st.integers(0, 2**32 - 1))
def test_many_short_barriers_block_what_shapely_says_they_cross_either_way(seed):
    rng = np.random.default_rng(seed)
    segments = rng.uniform(0, 10, (rng.integers(1, 600), 2)).repeat(2, axis=1)[:, [0, 2, 1, 3]]
    segments[:, 2:] += rng.normal(0, 0.3, (len(segments), 2))
    points, sites = rng.uniform(0, 10, (7, 2)), rng.uniform(0, 10, (9, 2))
    barriers = shapely.multilinestrings(shapely.linestrings(segments.reshape(-1, 2, 2)))
    expected = shapely.intersects(barriers, ways(points, sites)).reshape(7, 9)
    np.testing.assert_array_equal(blocked(points, sites, segments), expected)
    np.testing.assert_array_equal(blocked(sites, points, segments), expected.T)


def test_within_reach_the_answer_is_the_same_with_fewer_segments_looked_at():
    rng = np.random.default_rng(6)
    start = rng.uniform(0, 100, (300, 2))
    segments = np.hstack([start, start + rng.normal(0, 3, (300, 2))])
    points, sites = rng.uniform(40, 60, (50, 2)), rng.uniform(0, 100, (60, 2))
    near = np.hypot(*(points[:, None] - sites[None]).transpose(2, 0, 1)) <= 15
    some, all_ = blocked(points, sites, segments, reach=15.0), blocked(points, sites, segments)
    np.testing.assert_array_equal(some[near], all_[near])
    assert not (some & ~all_).any()


@pytest.mark.parametrize(
    ("point", "site", "crossed"),
    [
        ((-1, 0), (1, 0), True),
        ((-1, 0), (-3, 0), False),
        ((-1, 0), (1, 2), True),  # through the barrier's end
        ((-1, 0), (1, 2.1), False),
        ((0, 0), (1, 0), False),  # from the barrier itself, to either side
        ((0, 0), (-1, 0), False),
        ((0, -5), (0, 5), False),  # along it
        ((1, 0), (1, 0), False),
    ],
)
def test_cases_by_hand(point, site, crossed):
    ridge = np.array([[0.0, -1.0, 0.0, 1.0]])
    place, other = np.array([point], dtype=float), np.array([site], dtype=float)
    assert blocked(place, other, ridge)[0, 0] == crossed
    assert blocked(other, place, ridge)[0, 0] == crossed
    assert blocked(place, other, ridge[:, [2, 3, 0, 1]])[0, 0] == crossed


def test_a_way_through_a_corner_of_a_barrier_does_not_slip_through():
    bent = segments_of([(-5, -5), (0, 0), (5, -5)])
    assert blocked(np.array([[0.0, -4.0]]), np.array([[0.0, 4.0]]), bent).all()


def test_without_barriers_or_places_nothing_is_blocked():
    places = np.random.default_rng(1).uniform(0, 1, (5, 2))
    assert not blocked(places, places, np.empty((0, 4))).any()
    assert blocked(places[:0], places, np.array([[0.0, 0.0, 1.0, 1.0]])).shape == (0, 5)
    assert not blocked(places, places, np.array([[0.5, 0.5, 0.5, 0.5]])).any()  # a segment without length


def test_a_mile_long_ridge_far_from_the_origin_is_no_less_sharp():
    shift = np.array([900_000.0, 6_600_000.0])
    ridge = segments_of(np.column_stack([np.linspace(0, 1_600, 200), np.zeros(200)]) + shift)
    north, south = shift + np.array([800.3, 0.5]), shift + np.array([800.3, -0.5])
    assert blocked(north[None], south[None], ridge).all()
    assert not blocked(north[None], (shift + np.array([900.0, 0.5]))[None], ridge).any()
