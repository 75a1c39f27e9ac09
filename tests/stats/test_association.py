"""Association of two characters against textbook examples, scipy and statsmodels, and by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import chi2_contingency, nchypergeom_fisher
from scipy.stats import fisher_exact as scipy_fisher_exact
from statsmodels.stats.contingency_tables import StratifiedTable

from morphcline.stats.association import association, exact_limits, fisher_exact, regional_association
from morphcline.stats.over_sites import draw_sites

cells = st.integers(0, 300)


class TestAssociation:
    def test_mns_blood_groups(self):
        # Hartl & Clark, Principles of Population Genetics: MS, Ms, NS, Ns among 2000 gametes; D .07, D' 50 %, X² 184.7.
        got = association(474, 611, 142, 773)
        assert got.n == 2000
        assert got.d == pytest.approx(0.06991, abs=1e-8)
        assert got.d_prime == pytest.approx(0.4961322830, abs=1e-8)
        assert got.r2 == pytest.approx(0.0923912733, abs=1e-8)
        assert got.chi2 == pytest.approx(184.7825, abs=1e-4)

    @given(cells, cells, cells, cells)
    def test_chi_square_is_scipys_and_labels_only_turn_the_sign(self, both, first, second, neither):
        got = association(both, first, second, neither)
        turned = association(first, both, neither, second)
        table = np.array([[both, first], [second, neither]])
        if (table.sum(0) == 0).any() or (table.sum(1) == 0).any():
            assert np.isnan([got.d_prime, got.r2, got.chi2, got.p]).all()
            return
        expected = chi2_contingency(table, correction=False)
        assert_allclose((got.chi2, got.p), (expected.statistic, expected.pvalue), rtol=1e-9, atol=1e-12)
        assert_allclose((got.d, got.d_prime, got.r2), (-turned.d, -turned.d_prime, turned.r2), atol=1e-12)
        assert -1 - 1e-12 <= got.d_prime <= 1 + 1e-12

    def test_complete_association_and_exclusion(self):
        got = association([30, 0, 0], [0, 20, 0], [0, 10, 0], [10, 5, 0])
        assert_allclose(got.d_prime, [1, -1, np.nan])
        assert_allclose(got.r2[0], 1)
        assert np.isnan(got.d[2])

    def test_a_negative_count_is_refused(self):
        with pytest.raises(ValueError, match="0 or more; found -3"):
            association(1, -3, 2, 2)


tables = st.tuples(*[st.integers(0, 40)] * 4).map(lambda cells: np.reshape(cells, (2, 2)))


class TestExact:
    def test_tea_tasting_and_twins(self):
        # Fisher's examples, in R's help of fisher.test: 34/70, and twins' convictions.
        assert fisher_exact([[3, 1], [1, 3]]) == pytest.approx(34 / 70)
        assert fisher_exact([[2, 15], [10, 3]]) == pytest.approx(0.0005367241, abs=1e-9)

    @given(st.lists(tables, min_size=1, max_size=6))
    def test_is_scipys(self, some):
        expected = [scipy_fisher_exact(table).pvalue for table in some]
        assert_allclose(fisher_exact(np.array(some)), expected, rtol=1e-6)

    @given(tables)
    def test_limits_leave_half_of_the_mid_p_error_on_each_side(self, table):
        found = exact_limits(table)
        n, row, column, both = table.sum(), table[0].sum(), table[:, 0].sum(), table[0, 0]
        if min(row, n - row, column, n - column) == 0:
            assert np.isnan(found.odds_ratio_low)
            return
        for limit, beyond in ((found.odds_ratio_low, 1), (found.odds_ratio_high, -1)):
            if np.isinf(limit) or limit == 0:
                assert both == (max(0, row + column - n) if limit == 0 else min(row, column))
                continue
            chance = nchypergeom_fisher(n, column, row, float(limit))
            tail = chance.sf(both) if beyond > 0 else chance.cdf(both - 1)
            assert tail + 0.5 * chance.pmf(both) == pytest.approx(0.025, rel=1e-4)

    @given(tables)
    def test_limits_hold_the_estimate_and_stay_in_range(self, table):
        found, point = exact_limits(table), association(*table.ravel())
        if np.isnan(found.d_low):
            return
        assert -1 - 1e-9 <= found.d_prime_low <= point.d_prime + 1e-9
        assert point.d_prime - 1e-9 <= found.d_prime_high <= 1 + 1e-9
        turned = exact_limits(table[::-1])
        assert_allclose((turned.d_prime_low, turned.d_prime_high), (-found.d_prime_high, -found.d_prime_low), atol=1e-6)

    def test_bad_tables_are_refused(self):
        with pytest.raises(ValueError, match=r"shape \(\.\.\., 2, 2\)"):
            fisher_exact([1, 2, 3])
        with pytest.raises(ValueError, match="whole number"):
            exact_limits([[1.5, 2], [3, 4]])


class TestOverSites:
    def test_estimates_recomputed_site_by_site(self):
        rng = np.random.default_rng(8)
        shells = rng.integers(8, 40, 30)
        tables = np.array([rng.multinomial(n, [0.3, 0.2, 0.1, 0.4]) for n in shells]).reshape(-1, 2, 2)
        found = regional_association(tables, draw_sites(30, draws=99, rng=rng))
        assert found.odds_ratio.estimate == pytest.approx(StratifiedTable(tables.transpose(1, 2, 0)).oddsratio_pooled)
        whole = association(*tables.sum(axis=0).ravel())
        assert found.d.estimate == pytest.approx(float(whole.d))
        assert found.d_prime.estimate == pytest.approx(float(whole.d_prime))
        # D within a site is the unbiased covariance of two indicators over its shells; sites count by their shells.
        covariances = [
            np.cov(*np.repeat([[1, 1, 0, 0], [1, 0, 1, 0]], table.ravel(), axis=1))[0, 1] for table in tables
        ]
        assert found.d_within.estimate == pytest.approx(np.average(covariances, weights=shells))

    def test_complete_association_has_no_interval_and_no_crash(self):
        tables = np.tile([[10, 0], [0, 10]], (8, 1, 1))
        found = regional_association(tables, draw_sites(8, draws=49, rng=np.random.default_rng(1)))
        assert np.isnan(found.d_prime_within.low)
        assert np.isnan(found.odds_ratio.estimate)
