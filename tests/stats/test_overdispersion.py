"""Beta-binomial fits and pooled frequencies against published fits, exact arithmetic and simulated surveys."""

from dataclasses import astuple
from fractions import Fraction
from math import log, nan

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.optimize import brentq, minimize_scalar
from scipy.special import comb
from scipy.stats import betabinom, binom, chi2
from statsmodels.stats.proportion import proportion_confint

from morphcline.stats.overdispersion import (
    beta_binomial_log_likelihood,
    effective_number,
    fit_beta_binomial,
    intra_site_correlation,
    pooled_frequency,
)

# Geissler's Saxony data: families of 12 by number of boys 0..12 (Lindsey & Altham 1998, Applied Statistics 47:149-157).
SAXONY = [3, 24, 104, 286, 670, 1033, 1343, 1112, 829, 478, 181, 45, 7]
# Skellam (1948), JRSS B 10:257-261: nuclei by number of associated chromosome pairs, of 3.
SKELLAM = [32, 103, 122, 80]
# Moore & Tsiatis (1991), Biometrics 47:383-401: dead pups R of N in 58 rat litters; the first 31 are the controls.
# fmt: off
RATS_N = np.array([
    10, 11, 12, 4, 10, 11, 9, 11, 10, 10, 12, 10, 8, 11, 6, 9, 14, 12, 11, 13, 14, 10, 12, 13, 10, 14, 13, 4, 8, 13, 12,
    10, 3, 13, 12, 14, 9, 13, 16, 11, 4, 1, 12, 8, 11, 14, 14, 11, 3, 13, 9, 17, 15, 2, 14, 8, 6, 17,
])
RATS_R = np.array([
    1, 4, 9, 4, 10, 9, 9, 11, 10, 7, 12, 9, 8, 9, 4, 7, 14, 7, 9, 8, 5, 10, 10, 8, 10, 3, 13, 3, 8, 5, 12,
    1, 1, 1, 0, 4, 2, 2, 1, 0, 0, 0, 0, 0, 1, 0, 1, 0, 0, 0, 2, 2, 0, 0, 1, 0, 0, 0,
])
# fmt: on

samples = st.lists(
    st.integers(1, 40).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=2, max_size=12
).map(lambda rows: tuple(np.array(rows).T))


def spread(frequencies):
    return np.repeat(np.arange(len(frequencies)), frequencies)


class TestPublishedFits:
    def test_saxony(self):
        fit = fit_beta_binomial(spread(SAXONY), np.full(6115, 12))
        assert fit.mean == pytest.approx(0.51921880, abs=1e-6)
        assert fit.rho == pytest.approx(0.01499675, abs=1e-6)
        assert fit.log_likelihood == pytest.approx(-12492.8714, abs=1e-3)
        # The binomial's AIC is printed as 25070.34: two log-likelihoods and one parameter.
        assert 2 - 2 * fit.log_likelihood_binomial == pytest.approx(25070.344295, abs=1e-3)
        # α and β are printed to four places as 34.103 and 31.578; the ridge they lie on is flat.
        assert fit.mean * (1 - fit.rho) / fit.rho == pytest.approx(34.103, abs=0.02)
        assert (1 - fit.mean) * (1 - fit.rho) / fit.rho == pytest.approx(31.578, abs=0.02)

    def test_skellam(self):
        fit = fit_beta_binomial(spread(SKELLAM), np.full(337, 3))
        assert (fit.mean, fit.rho) == pytest.approx((0.580712, 0.0866675), abs=2e-6)
        assert fit.log_likelihood == pytest.approx(-436.812952, abs=1e-5)
        assert fit.log_likelihood_binomial == pytest.approx(-440.386547, abs=1e-5)

    # Fitted with R's VGAM and with scipy (both groups) and with scipy (controls).
    @pytest.mark.parametrize(
        ("litters", "shells", "mean", "rho", "log_likelihood"),
        [(58, 607, 0.465363, 0.599976, -123.326071), (31, 327, 0.779556, 0.338188, -60.745044)],
    )
    def test_rats(self, litters, shells, mean, rho, log_likelihood):
        fit = fit_beta_binomial(RATS_R[:litters], RATS_N[:litters])
        assert (fit.sites, fit.shells) == (litters, shells)
        assert (fit.mean, fit.rho) == pytest.approx((mean, rho), abs=2e-6)
        assert fit.log_likelihood == pytest.approx(log_likelihood, abs=1e-5)


class TestLogLikelihood:
    def exact(self, count, total, mean, rho):
        mean, rho = Fraction(mean), Fraction(rho)
        ratio = rho / (1 - rho)
        value = Fraction(comb(total, count, exact=True))
        for i in range(count):
            value *= mean + i * ratio
        for i in range(total - count):
            value *= 1 - mean + i * ratio
        for i in range(total):
            value /= 1 + i * ratio
        return log(value.numerator) - log(value.denominator)

    @pytest.mark.parametrize("rho", [0.0, 1e-15, 1e-9, 1e-6, 1e-4, 2**-8, 0.01, 0.05, 0.3, 0.9, 0.9999])
    @pytest.mark.parametrize("mean", [0.001, 0.3, 0.5, 0.97])
    def test_agrees_with_rational_arithmetic(self, mean, rho):
        for count, total in [(0, 1), (1, 1), (0, 30), (7, 30), (30, 30), (199, 400)]:
            got = beta_binomial_log_likelihood(count, total, mean, rho)
            assert got == pytest.approx(self.exact(count, total, mean, rho), rel=1e-11, abs=1e-11)

    def test_agrees_with_scipy_over_sites_and_parameters(self):
        mean, rho = np.array([0.2, 0.5, 0.9])[:, None], np.array([0.02, 0.2, 0.7])[:, None]
        got = beta_binomial_log_likelihood(RATS_R, RATS_N, mean, rho)
        alpha, beta = mean * (1 - rho) / rho, (1 - mean) * (1 - rho) / rho
        assert got.shape == (3, 58)
        assert_allclose(got, betabinom.logpmf(RATS_R, RATS_N, alpha, beta), rtol=1e-10)
        without = beta_binomial_log_likelihood(RATS_R, RATS_N, mean, rho, with_coefficient=False)
        assert_allclose(got - without, np.log(comb(RATS_N, RATS_R)) * np.ones((3, 1)), atol=1e-10)

    def test_limits(self):
        assert_allclose(
            beta_binomial_log_likelihood(np.arange(13), 12, 0.3, 0.0), binom.logpmf(np.arange(13), 12, 0.3), rtol=1e-12
        )
        # At ρ = 1 a site holds one kind: of the first with probability 0.3.
        assert_allclose(
            np.exp(beta_binomial_log_likelihood([0, 1, 11, 12, 0], [12, 12, 12, 12, 0], 0.3, 1.0)), [0.7, 0, 0, 0.3, 1]
        )
        assert_allclose(
            np.exp(beta_binomial_log_likelihood([0, 1, 12], 12, 0.0, [[0.0], [0.2], [1.0]])), [[1, 0, 0]] * 3
        )
        assert_allclose(
            np.exp(beta_binomial_log_likelihood([0, 1, 12], 12, 1.0, [[0.0], [0.2], [1.0]])), [[0, 0, 1]] * 3
        )

    @given(st.integers(1, 60), st.floats(0, 1), st.floats(0, 1))
    def test_probabilities_add_up_and_have_the_stated_moments(self, total, mean, rho):
        counts = np.arange(total + 1)
        probability = np.exp(beta_binomial_log_likelihood(counts, total, mean, rho))
        assert probability.sum() == pytest.approx(1, abs=1e-9)
        assert probability @ counts == pytest.approx(total * mean, abs=1e-7)
        variance = total * mean * (1 - mean) * (1 + (total - 1) * rho)
        assert probability @ (counts - total * mean) ** 2 == pytest.approx(variance, rel=1e-6, abs=1e-6)

    def test_bad_input_is_refused(self):
        with pytest.raises(ValueError, match="between 0 and its total; found 4 of 3"):
            beta_binomial_log_likelihood(4, 3, 0.5, 0.1)
        with pytest.raises(ValueError, match=r"mean must be between 0 and 1; found 1\.5"):
            beta_binomial_log_likelihood(1, 3, 1.5, 0.1)
        with pytest.raises(ValueError, match=r"rho must be between 0 and 1; found -0\.1"):
            beta_binomial_log_likelihood(1, 3, 0.5, -0.1)


class TestFit:
    def log_likelihood(self, mean, rho, count=RATS_R, total=RATS_N):
        return betabinom.logpmf(count, total, mean * (1 - rho) / rho, (1 - mean) * (1 - rho) / rho).sum()

    def best(self, function):
        return -minimize_scalar(
            lambda v: -function(v), bounds=(1e-6, 1 - 1e-6), method="bounded", options={"xatol": 1e-10}
        ).fun

    def test_limits_are_those_of_the_profile(self):
        fit = fit_beta_binomial(RATS_R, RATS_N, confidence=0.9)
        target = fit.log_likelihood - chi2.ppf(0.9, 1) / 2

        def over_rho(mean):
            return self.best(lambda rho: self.log_likelihood(mean, rho)) - target

        def over_mean(rho):
            return self.best(lambda mean: self.log_likelihood(mean, rho)) - target

        assert fit.mean_low == pytest.approx(brentq(over_rho, 0.2, fit.mean), abs=1e-6)
        assert fit.mean_high == pytest.approx(brentq(over_rho, fit.mean, 0.8), abs=1e-6)
        assert fit.rho_low == pytest.approx(brentq(over_mean, 0.2, fit.rho), abs=1e-6)
        assert fit.rho_high == pytest.approx(brentq(over_mean, fit.rho, 0.9), abs=1e-6)

    def test_the_boundary_test_halves_the_tail(self):
        fit = fit_beta_binomial(spread(SKELLAM), np.full(337, 3))
        ratio = 2 * (fit.log_likelihood - fit.log_likelihood_binomial)
        assert fit.p_overdispersion == pytest.approx(chi2.sf(ratio, 1) / 2, rel=1e-9)

    @settings(deadline=None, max_examples=60)
    @given(samples)
    def test_it_is_the_maximum_and_mirrors(self, sites):
        count, total = sites
        fit, mirrored = fit_beta_binomial(count, total), fit_beta_binomial(total - count, total)
        assert fit.not_estimated_because.startswith("every shell") == (
            mirrored.not_estimated_because == "no shell of this kind"
        )
        if fit.not_estimated_because:
            return
        # Only the likelihood itself is sure to mirror: two ρ can be equally good.
        assert fit.log_likelihood == pytest.approx(mirrored.log_likelihood, abs=1e-8)
        assert 0 <= fit.mean_low <= fit.mean <= fit.mean_high <= 1
        assert 0 <= fit.rho_low <= fit.rho <= fit.rho_high <= 1
        assert 0 <= fit.p_overdispersion <= 1
        mean, rho = np.meshgrid(np.linspace(0.02, 0.98, 25), np.linspace(0.0, 1.0, 26))
        everywhere = beta_binomial_log_likelihood(count, total, mean[..., None], rho[..., None]).sum(axis=-1)
        assert fit.log_likelihood >= everywhere.max() - 1e-9

    def test_less_than_chance_gives_zero(self):
        fit = fit_beta_binomial([10, 10, 10, 10], [20, 20, 20, 20])
        assert (fit.mean, fit.rho, fit.rho_low, fit.p_overdispersion) == (pytest.approx(0.5), 0.0, 0.0, 1.0)
        assert 0 < fit.rho_high < 0.5

    def test_pure_sites_give_one(self):
        # Two sites of one kind and two of the other: log-likelihood 4 log(1/2) at mean 1/2 and ρ = 1.
        fit = fit_beta_binomial([5, 0, 7, 0], [5, 5, 7, 3])
        assert (fit.mean, fit.rho, fit.rho_high) == (pytest.approx(0.5), 1.0, 1.0)
        assert fit.log_likelihood == pytest.approx(4 * log(0.5))

    def test_order_and_empty_sites_do_not_matter(self):
        shuffled = np.random.default_rng(1).permutation(58)
        fit = fit_beta_binomial(RATS_R, RATS_N)
        other = fit_beta_binomial(np.append(RATS_R[shuffled], [0, 0]), np.append(RATS_N[shuffled], [0, 0]))
        assert astuple(other)[:-1] == pytest.approx(astuple(fit)[:-1], rel=1e-9)

    @pytest.mark.parametrize(
        ("count", "total", "mean", "reason"),
        [
            ([0, 0, 0], [9, 4, 30], 0.0, "no shell of this kind"),
            ([9, 4], [9, 4], 1.0, "every shell is of this kind"),
            ([1, 0, 0, 1], [1, 1, 1, 1], 0.5, "no site has two shells"),
            ([3, 0], [12, 0], 0.25, "one site only"),
            ([0, 0], [0, 0], nan, "no shells"),
            ([], [], nan, "no shells"),
        ],
    )
    def test_where_it_cannot_be_estimated_it_says_why(self, count, total, mean, reason):
        fit = fit_beta_binomial(count, total)
        assert fit.mean == pytest.approx(mean, nan_ok=True)
        assert np.isnan([fit.rho, fit.rho_low, fit.rho_high, fit.p_overdispersion, fit.log_likelihood]).all()
        assert fit.not_estimated_because == reason

    def test_fractions_are_refused(self):
        with pytest.raises(ValueError, match="whole numbers"):
            fit_beta_binomial([1.5, 2], [3, 4])


class TestEffectiveNumber:
    def test_by_hand(self):
        # 20 shells at ρ = 0.1: 20 / (1 + 1.9); ρ = 0 keeps all, ρ = 1 leaves one.
        assert_allclose(effective_number([0, 1, 20, 20, 20], [0.1, 0.1, 0.1, 0, 1]), [0, 1, 20 / 2.9, 20, 1])
        assert np.isnan(effective_number(20, nan))

    def test_bad_input_is_refused(self):
        with pytest.raises(ValueError, match="a total must be 0 or more; found -2"):
            effective_number(-2, 0.1)
        with pytest.raises(ValueError, match="rho must be between 0 and 1; found 2"):
            effective_number(3, 2)


class TestPooledFrequency:
    def test_by_hand(self):
        # Worths 10 / 1.9 and 30 / 3.9 shells at ρ = 0.1, frequencies 0.5 and 0.2.
        worth = np.array([10 / 1.9, 30 / 3.9])
        frequency = worth @ [0.5, 0.2] / worth.sum()
        expected = proportion_confint(frequency * worth.sum(), worth.sum(), alpha=0.1, method="wilson")
        assert pooled_frequency([5, 6, 0], [10, 30, 0], 0.1, confidence=0.9) == pytest.approx((frequency, *expected))

    def test_without_differences_shells_are_pooled_and_with_nothing_else_sites_count_alike(self):
        assert pooled_frequency([5, 6], [10, 30], 0.0) == pytest.approx(
            (11 / 40, *proportion_confint(11, 40, method="wilson"))
        )
        assert pooled_frequency([5, 6], [10, 30], 1.0)[0] == pytest.approx(0.35)

    def test_nothing_to_pool(self):
        assert_array_equal(pooled_frequency([0, 0], [0, 0], 0.1), [nan] * 3)
        assert_array_equal(pooled_frequency([1, 2], [3, 4], nan), [nan] * 3)

    def test_all_of_one_kind(self):
        assert pooled_frequency([7, 3], [7, 3], 0.3)[::2] == (1.0, 1.0)

    def test_students_deviate_stands_for_the_normal_one(self):
        frequency, low, high = pooled_frequency([5, 6, 9], [10, 30, 12], 0.1, degrees_of_freedom=2)
        worth = np.array([10 / 1.9, 30 / 3.9, 12 / 2.1]).sum()
        # Wilson's defining equation, at t(2; 0.975) = 4.302653, with the variance of three sites about their own mean:
        # times 3 / 2.
        for limit in (low, high):
            spread = np.sqrt(limit * (1 - limit) / worth * 3 / 2)
            assert abs(limit - frequency) == pytest.approx(4.302652730 * spread)

    @pytest.mark.slow
    @pytest.mark.parametrize("sites", [20, 60, 300])
    @pytest.mark.parametrize("rho", [0.0, 0.02, 0.1, 0.2])
    def test_coverage(self, sites, rho):
        rng = np.random.default_rng([sites, int(1000 * rho)])
        surveys = 500 if sites < 100 else 300
        known, estimated = [], []
        for _ in range(surveys):
            mean = rng.choice([0.1, 0.3, 0.5])
            total = 1 + rng.negative_binomial(2, 1 / 20, sites)
            local = rng.beta(mean * (1 - rho) / rho, (1 - mean) * (1 - rho) / rho, sites) if rho else mean
            count = rng.binomial(total, local)
            _, low, high = pooled_frequency(count, total, rho)
            known.append(low <= mean <= high)
            fitted = fit_beta_binomial(count, total).rho
            _, low, high = pooled_frequency(count, total, fitted, degrees_of_freedom=sites - 1)
            estimated.append(low <= mean <= high)
        assert 0.92 <= np.mean(known) <= 0.98
        assert 0.92 <= np.mean(estimated) <= 0.98


@pytest.mark.slow
def test_the_test_of_no_overdispersion_keeps_its_level():
    rng = np.random.default_rng(11)
    p = []
    for _ in range(1000):
        total = 1 + rng.negative_binomial(2, 1 / 20, 40)
        p.append(fit_beta_binomial(rng.binomial(total, 0.3), total).p_overdispersion)
    # Half the surveys lie on the boundary in the limit, and one in twenty beyond the 5 % point.
    assert 0.45 <= np.mean(np.array(p) == 1) <= 0.65
    assert 0.03 <= np.mean(np.array(p) <= 0.05) <= 0.065


@pytest.mark.parametrize("seed", range(4))
def test_the_correlation_alone_is_that_of_the_whole_fit(seed: int) -> None:
    rng = np.random.default_rng(seed)
    total = rng.integers(0, 40, 30)
    count = rng.binomial(total, rng.beta(2, 3, 30))
    assert intra_site_correlation(count, total) == fit_beta_binomial(count, total).rho
    assert np.isnan(intra_site_correlation([0, 0], [5, 9]))
