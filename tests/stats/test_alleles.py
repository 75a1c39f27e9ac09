"""Allele frequencies behind phenotypes against textbook examples and direct maximisation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.stats import beta
from statsmodels.stats.proportion import proportion_confint

from morphcline.stats.alleles import (
    beta_of_squares,
    dominance_series,
    mean_alleles,
    recessive_allele,
    recessive_limits,
    series_limits,
)


class TestAlleles:
    def test_recessive(self):
        # q = √(16/100), SE = √((1 - q²)/4n), by hand.
        assert_allclose(recessive_allele(16, 100), (0.4, 0.0458257570), atol=1e-10)
        assert_allclose(recessive_allele([0, 5, 0], [9, 5, 0])[0], [0, 1, np.nan])

    @pytest.mark.parametrize(
        ("phenotypes", "alleles"),
        [
            ((64, 20, 16), (0.4, 0.2, 0.4)),
            ((51, 24, 25), (0.3, 0.2, 0.5)),
            ((30, 45, 25), (0.1633399735, 0.3366600265, 0.5)),
            ((0, 0, 12), (0, 0, 1)),
            ((12, 0, 0), (1, 0, 0)),
            ((75, 25, 0), (0.5, 0.5, 0)),
        ],
    )
    def test_dominance_series_by_roots_and_by_maximisation(self, phenotypes, alleles):
        # Hardy-Weinberg worked forwards: (.4, .2, .4) gives .16 + .16 + .32 = .64, .04 + .16 = .20 and .16.
        assert_allclose(dominance_series(*phenotypes)[0], alleles, atol=1e-9)
        if min(alleles) > 0:

            def minus_log_likelihood(logits):
                t, m, b = np.exp([*logits, 0]) / np.exp([*logits, 0]).sum()
                return -np.dot(phenotypes, np.log([t * t + 2 * t * (m + b), m * m + 2 * m * b, b * b]))

            options = {"fatol": 1e-12, "xatol": 1e-9}
            logits = minimize(minus_log_likelihood, np.zeros(2), method="Nelder-Mead", options=options).x
            assert_allclose(np.exp([*logits, 0]) / np.exp([*logits, 0]).sum(), alleles, atol=1e-6)

    def test_errors_are_those_of_resampled_surveys(self):
        rng = np.random.default_rng(20)
        draws = rng.multinomial(400, [0.3, 0.45, 0.25], size=20_000).T
        estimates, _ = dominance_series(*draws)
        _, errors = dominance_series(120, 180, 100)
        assert_allclose(errors, estimates.std(axis=1), rtol=0.03)

    def test_bad_input_is_refused(self):
        with pytest.raises(ValueError, match="0 or more"):
            dominance_series(3, -1, 2)
        with pytest.raises(ValueError, match="found 5 of 4"):
            recessive_allele(5, 4)


class TestLimits:
    @given(st.integers(0, 60), st.integers(1, 60))
    def test_recessive_is_the_root_of_statsmodels_wilson(self, recessive, dominant):
        total = recessive + dominant
        low, high = recessive_limits(recessive, total)
        assert_allclose((low**2, high**2), proportion_confint(recessive, total, method="wilson"), atol=1e-9)

    @given(*[st.integers(0, 60)] * 3)
    def test_series_holds_its_estimate_within_0_and_1(self, top, middle, bottom):
        if top + middle + bottom == 0:
            assert np.isnan(series_limits(top, middle, bottom)[0]).all()
            return
        frequency, _ = dominance_series(top, middle, bottom)
        low, high = series_limits(top, middle, bottom)
        assert (low <= frequency + 1e-9).all()
        assert (frequency <= high + 1e-9).all()
        assert low.min() >= 0
        assert high.max() <= 1

    def test_large_samples_have_the_limits_of_their_errors(self):
        frequency, error = dominance_series(12_000, 18_000, 10_000)
        low, high = series_limits(12_000, 18_000, 10_000)
        assert_allclose(high - frequency, 1.959964 * error, rtol=0.01)
        assert_allclose(frequency - low, 1.959964 * error, rtol=0.01)


class TestMeanAlleles:
    @given(st.floats(0.02, 0.98), st.floats(0.001, 0.9))
    def test_moments_of_scipys_beta_come_back(self, mean, f):
        spread = beta(mean * (1 - f) / f, (1 - mean) * (1 - f) / f)
        assert_allclose(beta_of_squares(spread.moment(2), spread.moment(4)), (mean, f), atol=2e-4, rtol=2e-3)

    def test_sites_that_are_alike_give_the_root(self):
        found = mean_alleles(np.tile([84, 16], (12, 1)), rho=0.0)
        assert found.frequency[1].estimate == pytest.approx(0.4, abs=0.001)
        assert found.f_st[0] == pytest.approx(0, abs=0.01)

    def test_series_adds_up_and_agrees_with_its_halves(self):
        shells = np.random.default_rng(3).multinomial(40, [0.2, 0.5, 0.3], size=25)
        whole = [one.estimate for one in mean_alleles(shells, rho=0.05).frequency]
        assert sum(whole) == pytest.approx(1)
        yellow = mean_alleles(np.column_stack([shells[:, :2].sum(axis=1), shells[:, 2]]), rho=0.05)
        assert whole[2] == pytest.approx(yellow.frequency[1].estimate)

    def test_few_sites_have_no_interval(self):
        found = mean_alleles([[10, 5], [8, 9]], rho=0.1)
        assert np.isnan(found.frequency[0].low)
