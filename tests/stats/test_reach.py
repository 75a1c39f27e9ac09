"""Reach of likeness against scikit-learn's isotonic regression and a bootstrap written out."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.distance import cdist
from sklearn.isotonic import IsotonicRegression

from morphcline.stats.correlogram import correlogram
from morphcline.stats.pair_classes import PairClasses, equal_classes
from morphcline.stats.reach import NOT_ALIKE, STILL_ALIKE, _above_average, _crossings, reach


def made(seed, n=70):
    rng = np.random.default_rng(seed)
    easting, northing = rng.uniform(0, 10_000, (2, n))
    values = np.column_stack([np.sin(easting / 2500) + rng.normal(scale=0.4, size=n), rng.normal(size=n)])
    return values, easting, northing, PairClasses(easting, northing, equal_classes(easting, northing, 8)), rng


def by_isotonic_regression(index, pairs, expected):
    fitted = IsotonicRegression(increasing=False).fit_transform(pairs.mean_m, index, sample_weight=pairs.number)
    below = np.flatnonzero(fitted <= expected)
    if not len(below) or below[0] == 0:
        return np.nan
    k = below[0]
    return np.interp(expected, fitted[[k, k - 1]], pairs.mean_m[[k, k - 1]])


@pytest.mark.parametrize("seed", range(6))
def test_reach_is_where_the_isotonic_fit_of_the_correlogram_crosses(seed):
    values, *_, pairs, rng = made(seed)
    index = correlogram(values, pairs, permutations=1, rng=rng)
    found = reach(values, pairs, resamples=19, rng=rng)
    for trait in range(2):
        assert_allclose(found.reach_m[trait], by_isotonic_regression(index.i[:, trait], pairs, index.expected))
        assert (found.because[trait] == "") == np.isfinite(found.reach_m[trait])


def test_a_resampled_survey_leaves_out_pairs_of_a_site_with_itself():
    values, easting, northing, pairs, rng = made(9, n=40)
    times = rng.multinomial(40, np.full(40, 1 / 40))
    above, number = _above_average(times[:, None].astype(float), values[:, :1], pairs)
    sites = np.repeat(np.arange(40), times)
    z = values[sites, 0] - values[sites, 0].mean()
    apart = cdist(np.column_stack([easting, northing]), np.column_stack([easting, northing]))
    sums, counted, everything = np.zeros(8), np.zeros(8), []
    for i in range(40):
        for j in range(i):
            if sites[i] == sites[j]:
                continue
            everything.append(z[i] * z[j])
            # Limits are distances of pairs, so that another rounding would put these into another class.
            of = np.searchsorted(pairs.limits, apart[sites[i], sites[j]], side="left") - 1
            if of < 8:
                sums[of] += z[i] * z[j]
                counted[of] += 1
    near = pairs.enough
    assert near.any()
    assert_allclose(number[:, 0], counted[near])
    assert_allclose(above[:, 0, 0], ((sums / counted)[near] - np.mean(everything)) / np.mean(z**2), atol=1e-12)


def test_curves_that_never_or_always_lie_below_have_no_reach():
    at, number = np.array([1.0, 2.0, 4.0]), np.ones((3, 1))
    assert _crossings((np.array([[[-1.0]], [[-2.0]], [[-3.0]]]), number), at)[0, 0] == 0
    assert np.isinf(_crossings((np.array([[[3.0]], [[2.0]], [[1.0]]]), number), at)[0, 0])
    # 3, then (-1 + 1) / 2 pooled: the middle class alone doesn't end it, the pooled two do, at the second.
    assert _crossings((np.array([[[3.0]], [[-1.0]], [[1.0]]]), number), at)[0, 0] == 2
    assert _crossings((np.array([[[3.0]], [[1.0]], [[-1.0]]]), number), at)[0, 0] == 3


def test_reasons_and_traits_without_a_test():
    values, easting, _, _, rng = made(3)
    table = np.column_stack([np.ones(70), easting])
    short = PairClasses(*np.array([easting, easting]), [0, 500, 1000])
    found = reach(table, short, resamples=19, rng=rng)
    assert found.because == ("the same value at every site", STILL_ALIKE)
    along = np.arange(40.0)
    turns = reach(along % 2, PairClasses(along, 0 * along, [0, 1, 3]), resamples=19, rng=rng)
    assert turns.because == (NOT_ALIKE,)
    assert np.isnan([turns.reach_m, turns.low, turns.high]).all()
    assert reach(values[:5], PairClasses(easting[:5], easting[:5], [0, 9e3]), resamples=9, rng=rng).because[0] != ""
