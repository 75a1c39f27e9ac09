"""Surveys drawn anew: each trait beta-binomial, and traits linked within sites alone."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.stats import betabinom, binom, kstest, spearmanr

from morphcline.stats.linked_surveys import (
    correlation_in_common,
    distributions,
    linked_normals,
    normal_scores,
    redrawn_counts,
)

TOTAL = np.array([1.0, 8.0, 30.0, 75.0])
FREQUENCY = np.array([0.5, 0.05, 0.4, 0.93])


@pytest.mark.parametrize("rho", [0.0, 0.03, 0.4])
def test_distributions_are_those_of_scipy(rho: float) -> None:
    found = distributions(TOTAL, FREQUENCY, rho)
    for row, n, p in zip(found, TOTAL.astype(int), FREQUENCY, strict=True):
        tau = (1 - rho) / rho if rho else np.inf
        theirs = betabinom(n, p * tau, (1 - p) * tau) if rho else binom(n, p)
        assert_allclose(row[: n + 1], theirs.cdf(np.arange(n + 1)), atol=1e-9)
        assert (row[n:] == 1).all()


def test_redrawn_counts_have_the_distribution_they_are_drawn_from() -> None:
    rng = np.random.default_rng(1)
    counts = redrawn_counts(TOTAL, FREQUENCY, 0.1, rng.standard_normal((20_000, 4)))
    assert (counts <= TOTAL).all()
    for column, n, p in zip(counts.T, TOTAL.astype(int), FREQUENCY, strict=True):
        theirs = betabinom(n, p * 9, (1 - p) * 9)
        seen = np.bincount(column.astype(int), minlength=n + 1) / len(column)
        assert_allclose(seen, theirs.pmf(np.arange(n + 1)), atol=0.012)


def test_normal_scores_are_the_middle_of_a_step_worked_by_hand() -> None:
    # Two shells, p = 1/2, binomial: chances 1/4, 1/2, 1/4; the middles are 1/8, 1/2, 7/8.
    scores = normal_scores(np.array([0.0, 1.0, 2.0]), np.full(3, 2.0), np.full(3, 0.5), 0.0)
    assert_allclose(scores, [-1.1503494, 0.0, 1.1503494], atol=1e-6)


def test_normal_scores_of_what_fits_are_normal() -> None:
    rng = np.random.default_rng(2)
    total = rng.integers(40, 200, 4000).astype(float)
    p = rng.uniform(0.1, 0.9, 4000)
    own = rng.beta(p * 9, (1 - p) * 9)
    scores = normal_scores(rng.binomial(total.astype(int), own).astype(float), total, p, 0.1)
    assert kstest(scores, "norm").pvalue > 0.01


@pytest.mark.parametrize("link", [-0.7, 0.0, 0.5])
def test_traits_are_linked_within_sites_and_sites_are_independent(link: float) -> None:
    rng = np.random.default_rng(3)
    sites = 400
    first = rng.standard_normal(sites)
    second = link * first + np.sqrt(1 - link**2) * rng.standard_normal(sites)
    second[:150] = np.nan
    seen, both = correlation_in_common(first, second)
    assert both == 250
    assert seen == pytest.approx(np.corrcoef(first[150:], second[150:])[0, 1])
    normals = linked_normals([first, second], rng, 200)
    assert normals.shape == (200, sites, 2)
    within = np.corrcoef(normals[..., 0].ravel(), normals[..., 1].ravel())[0, 1]
    between = np.corrcoef(normals[:, :-1, 0].ravel(), normals[:, 1:, 1].ravel())[0, 1]
    assert within == pytest.approx(seen, abs=0.02)
    assert between == pytest.approx(0, abs=0.02)
    total, p = np.full(sites, 40.0), np.full(sites, 0.4)
    counts = [redrawn_counts(total, p, 0.1, normals[..., trait]) for trait in (0, 1)]
    assert spearmanr(counts[0].ravel(), counts[1].ravel()).statistic == pytest.approx(seen, abs=0.05)


def test_few_sites_in_common_leave_traits_unlinked() -> None:
    first, second = np.full(30, np.nan), np.full(30, np.nan)
    first[:16], second[7:] = np.linspace(-2, 2, 16), np.linspace(-2, 2, 23)
    correlation, both = correlation_in_common(first, second)
    assert both == 9
    assert np.isnan(correlation)
    normals = linked_normals([first, second], np.random.default_rng(4), 500)
    assert np.corrcoef(normals[..., 0].ravel(), normals[..., 1].ravel())[0, 1] == pytest.approx(0, abs=0.03)


def test_correlations_that_contradict_each_other_are_made_possible() -> None:
    # Three traits, each pair known at other sites: correlations 0.9, 0.9 and -0.9 can't hold together.
    rng = np.random.default_rng(5)
    scores = [np.full(300, np.nan) for _ in range(3)]
    for block, (i, j, sign) in enumerate(((0, 1, 1), (1, 2, 1), (0, 2, -1))):
        rows = slice(100 * block, 100 * (block + 1))
        scores[i][rows] = rng.standard_normal(100)
        scores[j][rows] = sign * scores[i][rows] + 0.3 * rng.standard_normal(100)
    normals = linked_normals(scores, rng, 300)
    assert np.isfinite(normals).all()
    assert_allclose(normals.std(axis=(0, 1)), 1, atol=0.02)
    found = np.corrcoef(normals.reshape(-1, 3).T)
    assert found[0, 1] > 0.3
    assert found[0, 2] < -0.3
