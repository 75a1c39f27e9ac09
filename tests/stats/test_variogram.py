"""Variograms against a double loop, scipy's curve fitting and special functions, and known fields."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import curve_fit
from scipy.spatial.distance import pdist, squareform
from scipy.stats import binom

from morphcline.stats.correlations import matern
from morphcline.stats.logit_scatter import counting_variance, empirical_logits, shrunken_frequencies
from morphcline.stats.pair_classes import PairClasses, equal_steps
from morphcline.stats.variogram import NO_SILL, fit_variogram
from morphcline.stats.variogram_curve import SMOOTHNESS, fit_matern, practical_range


def survey(seed, sites=120, *, trend=0.0, frequency=0.5):
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 30_000, (sites, 2))
    apart = squareform(pdist(places))
    field = np.linalg.cholesky(np.exp(-apart / 3000) + 1e-9 * np.eye(sites)) @ rng.standard_normal(sites)
    logit = np.log(frequency / (1 - frequency)) + field + trend * (places[:, 0] / 30_000 - 0.5)
    total = rng.integers(20, 60, sites)
    count = rng.binomial(total, 1 / (1 + np.exp(-logit)))
    return count, total, PairClasses(*places.T, equal_steps(*places.T, 12)), apart, places, rng


def test_semivariance_is_that_of_a_double_loop():
    count, total, pairs, apart, _, rng = survey(1, sites=40)
    found = fit_variogram(count, total, pairs, apart, rho=0.1, resamples=19, rng=rng)
    logit = np.log((count + 0.5) / (total - count + 0.5))
    for number in range(12):
        squares = [
            (logit[i] - logit[j]) ** 2 for i in range(40) for j in range(i)
            if pairs.limits[number] < apart[i, j] <= pairs.limits[number + 1]
        ]  # fmt: skip
        assert len(squares) == pairs.number[number]
        wanted = np.mean(squares) / 2 if len(squares) >= 30 else np.nan
        assert_allclose(found.semivariance[number], wanted)


def test_weighted_least_squares_settle_where_scipys_do():
    """Weights held at the curve found, scipy can't better it; and it finds the same curve."""
    at = np.linspace(600, 15_000, 14)
    rng = np.random.default_rng(2)
    pairs, known = rng.integers(100, 900, 14).astype(float), np.full(14, 0.2)
    seen = (known + 0.1 + 0.8 * (1 - np.exp(-at / 2500))) * (1 + rng.normal(scale=0.06, size=14))
    fit = fit_matern(at, seen[None], pairs, known)
    assert fit.converged[0]
    own = [fit.small_scale[0], fit.sill[0], fit.range_m[0]]

    def curve(distance, small_scale, sill, range_m):
        return 0.2 + small_scale + sill * (1 - np.exp(-distance / range_m))

    theirs, _ = curve_fit(curve, at, seen, p0=[0.2, 0.5, 2000], sigma=curve(at, *own) / np.sqrt(pairs), bounds=(0, 1e5))
    assert_allclose(own, theirs, rtol=0.02, atol=0.004)


@given(st.floats(100, 2e4))
def test_the_practical_range_is_where_the_correlation_is_a_twentieth(range_m):
    assert_allclose(matern(practical_range(range_m), range_m, SMOOTHNESS), 0.05, rtol=1e-12)


def test_counting_variance_is_that_of_scipys_binomial():
    for p, n in ((0.5, 30), (0.07, 23), (0.9, 5), (0.0, 8)):
        k = np.arange(n + 1)
        chance, logit = binom.pmf(k, n, p), empirical_logits(k, np.full(n + 1, n))
        wanted = (chance * logit**2).sum() - (chance * logit).sum() ** 2
        assert_allclose(counting_variance([p, 0.5], [n, 60])[0], wanted, atol=1e-12)
    # Near one half it is the textbook's 1 / (n p (1 - p)).
    assert_allclose(counting_variance([0.5], [400]), 4 / 400, rtol=0.01)


def test_frequencies_are_drawn_in_between_the_site_and_the_region():
    assert_allclose(shrunken_frequencies([2, 8], [10, 10], 0.0), 0.5)
    assert_allclose(shrunken_frequencies([2, 8], [10, 10], 1.0), [0.2, 0.8])
    # Beta(2, 2) has a correlation within sites of 1 / 5; its posterior mean after 2 of 10 is 4 / 14.
    assert_allclose(shrunken_frequencies([2, 8], [10, 10], 0.2), [4 / 14, 10 / 14])


def test_a_trend_has_no_sill_and_a_rare_kind_no_curve():
    count, total, pairs, apart, _, rng = survey(3, trend=12.0)
    found = fit_variogram(count, total, pairs, apart, rho=0.3, resamples=59, rng=rng)
    assert found.because == NO_SILL
    assert np.isnan([found.sill.value, found.range_m.value]).all()
    assert found.range_m.low > 0
    assert not found.converged
    rare = fit_variogram((count > 0) * 0 + (np.arange(120) < 6), total, pairs, apart, rho=0.0, resamples=9, rng=rng)
    assert "too rare or too common" in rare.because
    assert np.isnan(rare.fitted).all()


def test_few_sites_or_classes_get_a_reason():
    count, total, pairs, apart, places, rng = survey(4, sites=30)
    assert (
        "at least 5 are needed"
        in fit_variogram(
            count, total, PairClasses(*places.T, [0, 9e3, 2e4]), apart, rho=0.1, resamples=9, rng=rng
        ).because
    )
    few = PairClasses(*places[:6].T, pairs.limits)
    found = fit_variogram(count[:6], total[:6], few, apart[:6, :6], rho=0.1, resamples=9, rng=rng)
    assert found.because == "6 sites can be compared, at least 10 are needed"
