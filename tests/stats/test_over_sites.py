"""Intervals of functions of sums over sites, against textbook intervals and by hand."""

import numpy as np
import pytest
from scipy.stats import t

from morphcline.stats.over_sites import draw_sites, interval_over_sites


def mean(totals):
    return totals[:, 0] / totals[:, 1]


def test_the_jackknife_of_a_mean_is_students_interval():
    values = np.random.default_rng(2).normal(3, 1, 15)
    found = interval_over_sites(np.column_stack([values, np.ones(15)]), mean, None)
    low, high = t.interval(0.95, 14, values.mean(), values.std(ddof=1) / np.sqrt(15))
    assert (found.estimate, found.low, found.high) == pytest.approx((values.mean(), low, high))


def test_groups_scatter_about_their_own_means():
    sums = np.column_stack([np.r_[np.full(4, 1.0), np.full(4, 9.0)], np.ones(8)])
    sums[:, 0] += np.tile([0.1, -0.1], 4)
    groups = np.repeat([0, 1], 4)
    narrow = interval_over_sites(sums, mean, None, groups=groups)
    wide = interval_over_sites(sums, mean, None)
    assert narrow.high - narrow.low < 0.1 * (wide.high - wide.low)


def test_resampling_only_widens():
    values = np.random.default_rng(4).exponential(1, 20)
    sums = np.column_stack([values, np.ones(20)])
    alone = interval_over_sites(sums, mean, None)
    both = interval_over_sites(sums, mean, draw_sites(20, draws=499, rng=np.random.default_rng(1)))
    assert both.low <= alone.low
    assert both.high > alone.high  # a skewed mean is less sure above


def test_every_resampled_survey_has_as_many_sites():
    weights = draw_sites(7, draws=20, rng=np.random.default_rng(0))
    assert weights.shape == (20, 7)
    assert (weights.sum(axis=1) == 7).all()


def test_no_limits_for_few_sites_or_none_that_differ():
    assert np.isnan(interval_over_sites(np.ones((4, 2)), mean, None).low)
    found = interval_over_sites(np.ones((9, 2)), mean, None)
    assert found.estimate == 1
    assert np.isnan(found.high)
