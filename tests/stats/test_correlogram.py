"""Moran's I by distance class against rows of sites worked by hand and a double loop."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.special import chdtrc
from statsmodels.stats.multitest import multipletests

import morphcline.stats.correlogram as curve_module
import morphcline.stats.pair_classes as module
from morphcline.stats import permutation
from morphcline.stats.autocorrelation import moran
from morphcline.stats.correlogram import correlogram
from morphcline.stats.neighbours import binary, within
from morphcline.stats.pair_classes import PairClasses, equal_classes, equal_steps


def by_double_loop(values, easting, northing, limits):
    n, z = len(values), values - values.mean()
    sums, pairs = np.zeros(len(limits) - 1), np.zeros(len(limits) - 1, dtype=int)
    for i in range(n):
        for j in range(i):
            distance = np.hypot(easting[i] - easting[j], northing[i] - northing[j])
            for number in range(len(limits) - 1):
                first = number == 0 and distance == limits[0]
                if limits[number] < distance <= limits[number + 1] or first:
                    sums[number] += z[i] * z[j]
                    pairs[number] += 1
    with np.errstate(invalid="ignore"):
        return pairs, n * (sums / pairs) / (z**2).sum()


def test_alternating_sites_along_a_road():
    """Forty sites 100 m apart, high and low in turn: next ones differ (I = -1), next but one are alike (I = 1)."""
    along = np.arange(40) * 100.0
    pairs = PairClasses(along, np.zeros(40), [0, 100, 200, 300])
    result = correlogram(np.arange(40) % 2, pairs, permutations=99, rng=np.random.default_rng(1))
    assert_array_equal(pairs.number, [39, 38, 37])
    assert_allclose(pairs.mean_m, [100, 200, 300])
    assert_allclose(result.i[:, 0], [-1, 1, -1])
    assert_allclose(result.p[:, 0], 0.01)
    assert_allclose(result.p_holm[:, 0], 0.03)
    assert result.expected == -1 / 39


@given(st.integers(0, 2**32 - 1))
def test_index_and_pairs_are_those_of_a_double_loop(seed):
    rng = np.random.default_rng(seed)
    # Whole kilometres: sites coincide, and distances fall exactly on limits.
    easting, northing = rng.integers(0, 5, (2, 24)) * 1000.0
    values = rng.gamma(1, size=(24, 2))
    limits = [0, 1000, 2000, 3500]
    classes = PairClasses(easting, northing, limits)
    result = correlogram(values, classes, permutations=1, rng=rng)
    for trait in range(2):
        pairs, index = by_double_loop(values[:, trait], easting, northing, limits)
        assert_array_equal(classes.number, pairs)
        assert_allclose(result.i[:, trait], np.where(pairs >= 30, index, np.nan), atol=1e-12)


def test_first_class_is_morans_i_with_binary_weights():
    rng = np.random.default_rng(2)
    easting, northing = rng.uniform(0, 1000, (2, 60))
    values = easting + rng.normal(scale=200, size=60)
    weights = within(easting, northing, 300)
    assert np.diff(weights.indptr).min() > 0  # no islands: both take the mean of the same sites
    result = correlogram(values, PairClasses(easting, northing, [0, 300, 600]), permutations=1, rng=rng)
    assert_allclose(result.i[0], moran(values, binary(weights)).i)


def test_pairs_made_in_blocks_give_the_same(monkeypatch):
    rng = np.random.default_rng(3)
    easting, northing = rng.uniform(0, 1000, (2, 70))
    values = rng.normal(size=(70, 3))
    limits = equal_classes(easting, northing, 5)

    def run():
        pairs = PairClasses(easting, northing, limits)
        return pairs, correlogram(values, pairs, permutations=50, rng=np.random.default_rng(8))

    pairs_held, held = run()
    monkeypatch.setattr(module, "PAIRS_HELD_UP_TO", 10)
    monkeypatch.setattr(module, "_DISTANCES_AT_ONCE", 1000)
    monkeypatch.setattr(curve_module, "_BATCHES", 2)
    monkeypatch.setattr(permutation, "SHUFFLED_AT_ONCE", 2000)
    pairs_made, blocks = run()
    assert not pairs_made.held
    assert_array_equal(pairs_made.number, pairs_held.number)
    assert_allclose(pairs_made.mean_m, pairs_held.mean_m)
    assert_array_equal(pairs_made.degrees(), pairs_held.degrees())
    assert_allclose(blocks.i, held.i, atol=1e-12)
    assert_array_equal(blocks.p, held.p)


def test_thin_classes_are_not_tested_and_holm_counts_the_others():
    rng = np.random.default_rng(4)
    easting = np.append(np.arange(40) * 100.0, 50_000.0)
    values = rng.normal(size=41)
    pairs = PairClasses(easting, np.zeros(41), [0, 100, 200, 300, 4000, 48_000, 60_000])
    result = correlogram(values, pairs, permutations=199, rng=rng)
    assert_array_equal(pairs.number, [39, 38, 37, 40 * 39 // 2 - 39 - 38 - 37, 20, 20])
    assert_array_equal(np.isnan(result.i[:, 0]), [False] * 4 + [True] * 2)
    assert_array_equal(np.isnan(result.p[:, 0]), [False] * 4 + [True] * 2)
    assert_allclose(result.p_holm[:4, 0], multipletests(result.p[:4, 0], method="holm")[1])


def test_traits_that_can_not_be_tested_get_a_reason():
    rng = np.random.default_rng(5)
    easting, northing = rng.uniform(0, 1000, (2, 20))
    values = np.column_stack([np.ones(20), rng.normal(size=20)])
    result = correlogram(values, PairClasses(easting, northing, [0, 500, 900]), permutations=9, rng=rng)
    assert result.not_tested_because == ("the same value at every site", "")
    assert_array_equal(np.isnan(result.i), [[True, False], [True, False]])
    nothing = correlogram(values[:5], PairClasses(easting[:5], northing[:5], [0, 500]), permutations=9, rng=rng)
    assert nothing.not_tested_because == ("5 sites can be compared, at least 10 are needed",) * 2
    assert np.isnan(nothing.p).all()


def test_equal_classes_hold_equally_many_pairs_up_to_half_the_extent():
    rng = np.random.default_rng(6)
    easting, northing = rng.uniform(0, 10_000, (2, 80))
    limits = equal_classes(easting, northing, 8)
    pairs, _ = by_double_loop(easting, easting, northing, limits)
    assert len(limits) == 9
    assert np.ptp(pairs) <= 1
    largest = max(
        np.hypot(a - c, b - d) for a, b in zip(easting, northing, strict=True)
        for c, d in zip(easting, northing, strict=True)
    )  # fmt: skip
    assert limits[0] == 0
    assert_allclose(limits[-1], largest / 2)


def test_equal_classes_of_tied_and_coincident_sites():
    # Half of the extent is 2 km: distances of 1 and 2 km alone, so at most two classes.
    assert_array_equal(equal_classes(np.arange(5) * 1000.0, np.zeros(5), 6), [0, 1000, 2000])
    assert_array_equal(equal_classes(np.ones(5), np.ones(5), 6), [0])
    assert_array_equal(equal_classes([1.0], [1.0], 6), [0])


def test_equal_classes_of_many_sites_are_about_equal(monkeypatch):
    monkeypatch.setattr(module, "PAIRS_HELD_UP_TO", 200)
    rng = np.random.default_rng(7)
    easting, northing = rng.uniform(0, 10_000, (2, 1000))
    limits = equal_classes(easting, northing, 5)
    pairs = PairClasses(easting, northing, limits).number
    assert pairs.max() / pairs.min() < 1.15


@pytest.mark.slow
def test_p_is_uniform_in_every_class_where_nothing_is_alike():
    rng = np.random.default_rng(9)
    p = []
    for _ in range(300):
        easting, northing = rng.uniform(0, 1000, (2, 40))
        limits = equal_classes(easting, northing, 3)
        pairs = PairClasses(easting, northing, limits)
        result = correlogram(rng.gamma(0.7, size=40), pairs, permutations=199, rng=rng)
        p.append(result.p[:, 0])
    for of_class in np.array(p).T:
        counts = np.bincount(np.ceil(of_class * 5 - 1e-9).astype(int) - 1, minlength=5)
        assert chdtrc(4, ((counts - 60) ** 2 / 60).sum()) > 1e-3


@pytest.mark.parametrize("limits", [[0], [0, 100, 100]])
def test_unfit_limits_are_refused(limits):
    with pytest.raises(ValueError, match="at least two and rise"):
        PairClasses(np.arange(12), np.arange(12), limits)


def test_positions_must_match_values():
    with pytest.raises(ValueError, match="3 positions for 12 sites' values"):
        correlogram(
            np.arange(12), PairClasses(np.arange(3), np.arange(3), [0, 1]), permutations=9, rng=np.random.default_rng(0)
        )


def test_equal_steps_are_of_one_width_up_to_half_the_extent():
    assert_array_equal(equal_steps([0.0, 3000.0], [0.0, 4000.0], 5), [0, 500, 1000, 1500, 2000, 2500])
    assert_array_equal(equal_steps([1.0, 1.0], [2.0, 2.0], 5), [0])


def test_a_strong_pattern_leaves_the_envelope_and_noise_stays_within():
    rng = np.random.default_rng(10)
    easting, northing = rng.uniform(0, 1000, (2, 80))
    values = np.column_stack([easting + rng.normal(scale=50, size=80), rng.normal(size=80)])
    pairs = PairClasses(easting, northing, equal_classes(easting, northing, 6))
    result = correlogram(values, pairs, permutations=499, rng=rng)
    assert result.i[0, 0] > result.high[0, 0]
    assert result.p_global[0] == 1 / 500
    assert np.all((result.low[:, 1] <= result.i[:, 1]) & (result.i[:, 1] <= result.high[:, 1]))
    assert result.p_global[1] > 0.05
    # What holds everywhere at once is wider than what holds in one class.
    assert np.all((result.low <= result.pointwise_low) & (result.pointwise_high <= result.high))
