"""Groups that must add up, support that must suffice, errors that must follow the sites' scatter."""

from dataclasses import replace

import numpy as np
import pytest

from morphcline.stats.local_likelihood import fit_local
from morphcline.stats.smoothing import Group, Task, smooth


def task(groups=(), *, degree=1, dispersion=1.0, least=5.0):
    rng = np.random.default_rng(31)
    sites = rng.uniform(0, 10_000, (60, 2))
    p = 0.7 / (1 + np.exp(-(sites[:, 0] - 5_000) / 1_500)) + 0.1
    count = np.stack([rng.multinomial(25, [q, 0.6 * (1 - q), 0.4 * (1 - q)]) for q in p]).astype(float)
    points = rng.uniform(-6_000, 16_000, (200, 2))
    return Task(
        points=points, bandwidth=np.full(200, 2_000.0), sites=sites, count=count, total=np.full((60, 3), 25.0),
        rho=np.full(3, 0.05), dispersion=np.full(3, dispersion), groups=groups, kernel="gaussian", degree=degree,
        min_effective_shells=least,
    )  # fmt: skip


def plain_fit(made):
    return fit_local(
        made.points, made.sites, made.count, made.total, bandwidth=made.bandwidth, rho=made.rho, degree=made.degree
    )


def test_an_exhaustive_group_is_divided_by_its_sum():
    made = task((Group((0, 1, 2), exhaustive=True),))
    smoothed, fit = smooth(made), plain_fit(made)
    shown = np.isfinite(smoothed.frequency[:, 0])
    total = fit.frequency.sum(axis=1)
    np.testing.assert_allclose(smoothed.frequency.sum(axis=1)[shown], 1.0, atol=3e-7)
    np.testing.assert_allclose(smoothed.frequency[shown, 1], (fit.frequency[:, 1] / total)[shown], rtol=1e-6)
    np.testing.assert_allclose(smoothed.standard_error[shown, 1], (fit.standard_error[:, 1] / total)[shown], rtol=1e-6)
    assert smoothed.closure[0] == pytest.approx(np.abs(total[shown] - 1).max(), rel=1e-9)
    assert smoothed.closure[0] > 1e-4


def test_a_group_that_may_leave_a_rest_is_only_held_to_1():
    made = task((Group((0, 1), exhaustive=False),))
    smoothed, fit = smooth(made), plain_fit(made)
    shown = np.isfinite(smoothed.frequency[:, 0])
    total = fit.frequency[:, :2].sum(axis=1)
    below = shown & (total <= 1)
    assert below.any()
    assert (smoothed.frequency[shown, :2].sum(axis=1) <= 1 + 3e-7).all()
    np.testing.assert_allclose(smoothed.frequency[below], fit.frequency[below], rtol=1e-6)


def test_a_group_whose_sum_exceeds_1_is_brought_down_to_it():
    made = task((Group((0, 1), exhaustive=False),))
    made = replace(made, count=made.count[:, [0, 0, 2]])  # twice the same trait: above 1 where it is above one half
    smoothed = smooth(made)
    first = smoothed.frequency[:, 0]
    assert np.nanmax(first) == pytest.approx(0.5, abs=1e-7)
    assert smoothed.closure[0] > 0.2
    assert smoothed.closure[2] == 0


def test_points_without_enough_support_are_blank_and_keep_their_support():
    smoothed = smooth(task(least=60.0))
    blank = np.isnan(smoothed.frequency)
    assert 0 < blank.mean() < 1
    np.testing.assert_array_equal(blank, smoothed.effective_shells < 60)
    np.testing.assert_array_equal(blank, np.isnan(smoothed.standard_error))
    assert not (smoothed.fallback & blank).any()


def test_errors_follow_the_root_of_the_scatter():
    once, four = smooth(task()), smooth(task(dispersion=4.0))
    np.testing.assert_allclose(four.standard_error, 2 * once.standard_error, rtol=1e-6)
    np.testing.assert_array_equal(four.frequency, once.frequency)
