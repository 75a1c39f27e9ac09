"""Neighbours against slow, obvious searches and libpysal."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from morphcline.stats import neighbours
from morphcline.stats.neighbours import binary, from_pairs, islands, nearest, row_standardised, within

# A few whole kilometres, so that sites coincide and distances tie often.
PLACES = st.lists(st.tuples(st.integers(0, 4), st.integers(0, 4)), min_size=2, max_size=25)


def nearest_one_by_one(points, k):
    """Sort the other sites by squared whole-number distance, then by their order."""
    table = np.zeros((len(points), len(points)))
    for i, (a, b) in enumerate(points):
        others = sorted((((a - c) ** 2 + (b - d) ** 2), j) for j, (c, d) in enumerate(points) if j != i)
        for _, j in others[:k]:
            table[i, j] = 1 / min(k, len(points) - 1)
    return table


def test_five_sites_on_a_line():
    # 0 - 1 - 3 - 6 - 10 km: the two nearest of each are read off.
    weights = nearest([0, 1000, 3000, 6000, 10000], np.zeros(5), 2).toarray()
    expected = [
        [0, 0.5, 0.5, 0, 0],
        [0.5, 0, 0.5, 0, 0],
        [0.5, 0.5, 0, 0, 0],  # 2 km, then 3 km to the first and to the fourth: the first comes first
        [0, 0, 0.5, 0, 0.5],
        [0, 0, 0.5, 0.5, 0],
    ]
    assert_array_equal(weights, expected)


@given(PLACES, st.integers(1, 6))
def test_nearest_are_those_of_a_slow_search_whatever_ties(points, k):
    # An offset that binary fractions can't hold makes tied distances differ by rounding.
    easting, northing = np.array(points, dtype=float).T * 1000.1 + 612_345.7
    assert_allclose(nearest(easting, northing, k).toarray(), nearest_one_by_one(points, k))


def test_nearest_and_within_agree_with_libpysal():
    from libpysal.weights import KNN, DistanceBand

    points = np.random.default_rng(5).uniform(0, 30_000, (120, 2))
    theirs = KNN.from_array(points, k=7).full()[0]
    assert_array_equal(binary(nearest(*points.T, 7)).toarray(), theirs)
    theirs = DistanceBand.from_array(points, 2500.0, silence_warnings=True).full()[0]
    assert_array_equal(binary(within(*points.T, 2500.0)).toarray(), theirs)


def test_sites_at_one_place_are_neighbours_and_none_is_its_own():
    weights = nearest([5, 5, 5, 900], [7, 7, 7, 900], 2)
    assert_array_equal(weights.diagonal(), np.zeros(4))
    assert_array_equal(weights.toarray()[:3], [[0, 0.5, 0.5, 0], [0.5, 0, 0.5, 0], [0.5, 0.5, 0, 0]])
    all_at_one = nearest(np.full(6, 3.3), np.full(6, 4.4), 3).toarray()
    assert_array_equal(np.count_nonzero(all_at_one, axis=1), np.full(6, 3))


def test_more_neighbours_than_sites_takes_all_others():
    assert_allclose(nearest([0, 1, 5], [0, 0, 0], 8).toarray(), (1 - np.eye(3)) / 2)
    assert nearest([0], [0], 8).nnz == 0


def test_within_takes_its_limit_in_and_leaves_islands():
    easting = [0, 500, 1000, 9000]
    weights = within(easting, np.zeros(4), 500)
    assert_array_equal(weights.toarray(), [[0, 1, 0, 0], [0.5, 0, 0.5, 0], [0, 1, 0, 0], [0, 0, 0, 0]])
    assert_array_equal(islands(weights), [3])


def test_a_site_that_others_point_to_is_no_island():
    weights = from_pairs([0, 1], [1, 2], sites=4)
    assert_array_equal(islands(weights), [3])


def test_arguments_stay_as_they_are():
    weights = from_pairs([0, 0, 1], [1, 2, 0], [2.0, 6.0, 5.0], sites=3)
    standardised, ones = row_standardised(weights), binary(weights)
    standardised.data[:] = -1
    ones.data[:] = -1
    assert_array_equal(weights.toarray(), [[0, 2, 6], [5, 0, 0], [0, 0, 0]])
    assert_array_equal(row_standardised(weights).toarray(), [[0, 0.25, 0.75], [1, 0, 0], [0, 0, 0]])


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: nearest([0, np.nan], [0, 1], 1), "must be finite"),
        (lambda: nearest([0, 1], [0, 1], 0), "k must be at least 1, got 0"),
        (lambda: within([0, 1], [0, 1], 0), "distance_m must be above 0, got 0"),
        (lambda: from_pairs([0, 1], [1, 1], sites=2), "site 1 is given as its own neighbour"),
        (lambda: from_pairs([0, 0], [1, 1], sites=2), "1 links are given more than once"),
        (lambda: from_pairs([0], [1], [-1.0], sites=2), "finite and not negative"),
    ],
)
def test_unfit_input_is_refused(call, says):
    with pytest.raises(ValueError, match=says):
        call()


@given(PLACES, st.integers(1, 6), st.integers(1, 40))
def test_sites_are_asked_for_in_blocks_without_a_difference(points, k, at_once):
    easting, northing = np.array(points, dtype=float).T * 250.0
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(neighbours, "_CANDIDATES_AT_ONCE", at_once)
        assert_allclose(nearest(easting, northing, k).toarray(), nearest_one_by_one(points, k))


def test_many_sites_at_few_places_are_those_of_sorted_distances():
    """Three thousand sites on 40 grid squares: scores of sites tie for each neighbour, and the first are taken."""
    rng = np.random.default_rng(8)
    easting, northing = rng.integers(0, 8, 3000) * 1000.0, rng.integers(0, 5, 3000) * 1000.0
    weights = nearest(easting, northing, 9)
    for site in range(0, 3000, 50):
        distance = np.hypot(easting - easting[site], northing - northing[site])
        distance[site] = np.inf
        expected = np.argsort(distance, kind="stable")[:9]
        assert_array_equal(weights.indices[9 * site : 9 * site + 9], np.sort(expected))
