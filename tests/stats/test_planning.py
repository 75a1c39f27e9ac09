"""Sample sizes against statsmodels, integration and simulated surveys."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import chi2, norm, t, ttest_1samp, ttest_ind
from statsmodels.stats.power import TTestIndPower, TTestPower

from morphcline.stats.planning import (
    other_frequency,
    power_of_t,
    sites_for_two_groups,
    sites_for_two_surveys,
)


class TestSites:
    @pytest.mark.parametrize(("shells", "rho"), [(30, 0.0), (30, 0.05), (10, 0.2), (1, 0.5)])
    def test_two_groups_are_those_of_statsmodels(self, shells, rho):
        # A site's variance by hand: p q (1 + (n - 1) rho) / n, the mean of the two groups'.
        variance = (0.3 * 0.7 + 0.45 * 0.55) / 2 * (1 + (shells - 1) * rho) / shells
        theirs = TTestIndPower().solve_power(0.15 / np.sqrt(variance), alpha=0.05, power=0.8)
        assert sites_for_two_groups(0.3, 0.45, shells=shells, rho=rho) == max(2, int(np.ceil(theirs)))

    @pytest.mark.parametrize(("shells", "drift"), [(30, 0.0), (30, 0.5), (10, 1.0)])
    def test_two_surveys_are_those_of_statsmodels(self, shells, drift):
        variance = (0.3 * 0.7 + 0.4 * 0.6) / shells + (0.35 * 0.65 * drift) ** 2
        theirs = TTestPower().solve_power(0.1 / np.sqrt(variance), alpha=0.05, power=0.9)
        assert sites_for_two_surveys(0.3, 0.4, shells=shells, drift_sd=drift, power=0.9) == int(np.ceil(theirs))

    def test_independent_shells_of_many_sites_are_as_good_as_one_sample(self):
        # Fleiss (1981), Statistical Methods for Rates and Proportions, 3.2, in each sample.
        spread = norm.ppf(0.975) * np.sqrt(2 * 0.32 * 0.68) + norm.ppf(0.8) * np.sqrt(0.3 * 0.7 + 0.34 * 0.66)
        shells = (spread / 0.04) ** 2
        assert sites_for_two_groups(0.3, 0.34, shells=10, rho=0.0) * 10 == pytest.approx(shells, rel=0.02)

    @pytest.mark.parametrize("second", [0.5001, 0.5035])  # 20 million sites, and 103,583
    def test_what_no_survey_can_see_has_no_number(self, second):
        assert sites_for_two_groups(0.5, second, shells=30, rho=0.3) == 0

    def test_two_sites_are_too_few_for_a_wide_t_and_three_enough(self):
        # Two sites are 7.6 standard errors away on one degree of freedom, three are 9.3 on two: by chi-square's
        # distribution function of freedom · (away / critical)², a power of 0.45 and of 0.99.
        shells = 2 * (0.25 + 0.24) * (7.6 / 0.1 / 2) ** 2
        assert sites_for_two_surveys(0.5, 0.6, shells=shells, drift_sd=0.0) == 3

    def test_shells_alike_are_worth_one(self):
        assert sites_for_two_groups(0.3, 0.5, shells=30, rho=1.0) == sites_for_two_groups(0.3, 0.5, shells=1, rho=0.0)

    @pytest.mark.parametrize("power", [0.7, 0.9])
    def test_power_is_as_foretold_in_made_surveys(self, power):
        rng = np.random.default_rng(7)
        first, second, rho, shells = 0.3, 0.42, 0.08, 25
        sites = sites_for_two_groups(first, second, shells=shells, rho=rho, power=power)

        def frequencies(mean: float) -> np.ndarray:
            scale = (1 - rho) / rho
            return rng.binomial(shells, rng.beta(mean * scale, (1 - mean) * scale, (3000, sites))) / shells

        seen = np.mean(ttest_ind(frequencies(first), frequencies(second), axis=1).pvalue < 0.05)
        assert seen == pytest.approx(power, abs=0.035)
        assert power_of_t(0.0, 2 * sites - 2) == pytest.approx(0.05)

    def test_power_over_two_surveys_is_as_foretold(self):
        rng = np.random.default_rng(8)
        drift, shells = 0.4, 25
        sites = sites_for_two_surveys(0.45, 0.55, shells=shells, drift_sd=drift)
        # A level of 0.45 at every site, a shift of the logit and drift about it: the mean is then a little under 0.55.
        shift = np.log(0.55 / 0.45) * 2
        earlier = rng.binomial(shells, 0.45, (3000, sites))
        own = np.log(0.45 / 0.55) + shift + drift * rng.standard_normal((3000, sites))
        later = rng.binomial(shells, 1 / (1 + np.exp(-own)))
        seen = np.mean(ttest_1samp((later - earlier) / shells, 0, axis=1).pvalue < 0.05)
        assert seen == pytest.approx(0.8, abs=0.04)

    def test_bad_input_is_refused(self):
        with pytest.raises(ValueError, match="shells must be above 0, not 0"):
            sites_for_two_groups(0.3, 0.4, shells=0, rho=0.1)
        with pytest.raises(ValueError, match="rho must be between 0 and 1; found 2"):
            sites_for_two_groups(0.3, 0.4, shells=5, rho=2)
        with pytest.raises(ValueError, match="drift must be 0 or more, not -1"):
            sites_for_two_surveys(0.3, 0.4, shells=5, drift_sd=-1)
        with pytest.raises(ValueError, match=r"equal: 0\.3"):
            sites_for_two_groups(0.3, 0.3, shells=5, rho=0.1)
        with pytest.raises(ValueError, match=r"between 0 and 1, not 0\.3 and 1\.2"):
            sites_for_two_surveys(0.3, 1.2, shells=5, drift_sd=0.1)


@pytest.mark.parametrize("level", [0.05, 0.001])
@pytest.mark.parametrize("freedom", [1, 2, 5, 40])
def test_power_is_that_of_integration(freedom, level):
    critical = t.ppf(1 - level / 2, freedom)
    for away in (0.5, 2.0, 3.9, 7.6, 12.0, 25.0, 31.0, 60.0):
        # Given the mean's deviate z, the test sees it where the variance estimated is small enough.
        expected = quad(
            lambda z, away=away: norm.pdf(z) * chi2.cdf(freedom * ((away + z) / critical) ** 2, freedom),
            -9, 9, points=[-away] if away < 9 else None, limit=200,
        )[0]  # fmt: skip
        assert power_of_t(-away, freedom, level=level) == pytest.approx(expected, abs=1e-7 if away < 30 else 2e-3)


def test_the_other_frequency_lies_towards_one_half():
    assert other_frequency(0.2, 0.1) == pytest.approx(0.3)
    assert other_frequency(0.8, 0.1) == pytest.approx(0.7)
    assert np.isnan(other_frequency(0.45, 0.6))
