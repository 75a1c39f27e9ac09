"""Pairing and tests of change against published tables, statsmodels and simulated drift."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.optimize import brentq
from scipy.stats import ttest_1samp
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.proportion import confint_proportions_2indep

from morphcline.stats.change import cochran_mantel_haenszel, difference, pair_sites, paired_change

# Smoking and lung cancer in eight Chinese cities (Liu 1992; Agresti, Introduction to Categorical Data Analysis):
# smokers with cancer, smokers without, non-smokers with, non-smokers without.
CHINA = np.array(
    [
        [126, 100, 35, 61], [908, 688, 497, 807], [913, 747, 336, 598], [235, 172, 58, 121],
        [402, 308, 121, 215], [182, 156, 72, 98], [60, 99, 11, 43], [104, 89, 21, 36],
    ]
).reshape(8, 2, 2)  # fmt: skip
# Admissions to six departments of Berkeley by sex (Bickel et al. 1975; R's UCBAdmissions).
BERKELEY = np.array(
    [
        [[512, 89], [313, 19]], [[353, 17], [207, 8]], [[120, 202], [205, 391]],
        [[138, 131], [279, 244]], [[53, 94], [138, 299]], [[22, 24], [351, 317]],
    ]
)  # fmt: skip

table = st.tuples(*[st.integers(0, 60)] * 4)


class TestCochranMantelHaenszel:
    def test_smoking_in_chinese_cities(self):
        # SAS prints 280.138, 2.174, 5.200 (p 0.636) for these data.
        got = cochran_mantel_haenszel(CHINA)
        assert got.strata == 8
        assert got.statistic == pytest.approx(280.13754, abs=1e-4)
        assert got.statistic_corrected == pytest.approx(279.37574, abs=1e-4)
        assert got.odds_ratio == pytest.approx(2.17448192, abs=1e-7)
        assert (got.low, got.high) == pytest.approx((1.984, 2.383), abs=1e-3)
        assert got.breslow_day == pytest.approx(5.1997, abs=1e-4)
        assert got.tarone == pytest.approx(5.19967, abs=1e-4)
        assert got.p_homogeneity == pytest.approx(0.6356, abs=1e-4)

    def test_berkeley_admissions(self):
        # R's mantelhaen.test, with and without correction, and the Breslow-Day test.
        got = cochran_mantel_haenszel(BERKELEY)
        assert got.odds_ratio == pytest.approx(0.9046968283, abs=1e-9)
        assert (got.statistic_corrected, got.p_corrected) == pytest.approx((1.4269462286, 0.2322634628), abs=1e-9)
        assert (got.statistic, got.p) == pytest.approx((1.5246066604, 0.2169236971), abs=1e-9)
        assert got.breslow_day == pytest.approx(18.825514, abs=1e-5)

    @given(st.lists(table, min_size=2, max_size=6))
    def test_agrees_with_statsmodels(self, rows):
        tables = np.array(rows, dtype=float).reshape(-1, 2, 2)
        told = tables[[(t.sum(0) > 0).all() and (t.sum(1) > 0).all() for t in tables]]
        got = cochran_mantel_haenszel(tables, confidence=0.9)
        assert got.strata == len(told)
        if not len(told) or got.odds_ratio in (0, np.inf) or np.isnan(got.odds_ratio):
            assert np.isnan([got.low, got.high, got.tarone]).all()
            return
        peer = StratifiedTable(told.transpose(1, 2, 0))
        assert got.statistic == pytest.approx(peer.test_null_odds().statistic, rel=1e-9, abs=1e-12)
        assert got.odds_ratio == pytest.approx(peer.oddsratio_pooled)
        assert (got.low, got.high) == pytest.approx(peer.oddsratio_pooled_confint(alpha=0.1))
        if len(told) > 1 and got.odds_ratio != 1:  # statsmodels divides by 1 - odds ratio
            assert got.breslow_day == pytest.approx(peer.test_equal_odds().statistic, rel=1e-6, abs=1e-8)
            assert got.tarone == pytest.approx(peer.test_equal_odds(adjust=True).statistic, rel=1e-6, abs=1e-8)

    def test_the_expected_cells_have_the_common_odds_ratio(self):
        # An obvious second way to Breslow and Day's cells: search for the cell that gives the odds ratio.
        got = cochran_mantel_haenszel(BERKELEY)
        total = 0.0
        for (a, b), (c, d) in BERKELEY:
            row, column, n = a + b, a + c, a + b + c + d

            def excess(x, row=row, column=column, n=n):
                return x * (n - row - column + x) - got.odds_ratio * (row - x) * (column - x)

            x = brentq(excess, max(0, row + column - n), min(row, column))
            total += (a - x) ** 2 * (1 / x + 1 / (row - x) + 1 / (column - x) + 1 / (n - row - column + x))
        assert got.breslow_day == pytest.approx(total, rel=1e-9)

    def test_nothing_to_test(self):
        got = cochran_mantel_haenszel([[[3, 4], [0, 0]], [[0, 5], [0, 5]]])
        assert got.strata == 0
        assert np.isnan([got.statistic, got.p, got.odds_ratio, got.p_homogeneity]).all()
        assert cochran_mantel_haenszel([[[3, 0], [1, 4]]]).odds_ratio == np.inf

    def test_bad_input_is_refused(self):
        with pytest.raises(ValueError, match=r"shape \(strata, 2, 2\), not \(2, 2\)"):
            cochran_mantel_haenszel([[1, 2], [3, 4]])
        with pytest.raises(ValueError, match="0 or more; found -2"):
            cochran_mantel_haenszel([[[1, -2], [3, 4]]])


class TestDifference:
    @given(table)
    def test_agrees_with_statsmodels(self, counts):
        later, earlier = counts[0], counts[1]
        later_total, earlier_total = later + counts[2] + 1, earlier + counts[3] + 1
        got = difference(earlier, earlier_total, later, later_total, confidence=0.9)
        expected = confint_proportions_2indep(
            later, later_total, earlier, earlier_total, method="newcomb", compare="diff", alpha=0.1
        )
        assert_allclose(got[1:], expected, atol=1e-12)
        assert got[1] <= got[0] <= got[2]

    def test_swapping_the_surveys_turns_the_sign(self):
        there, back = difference(5, 20, 30, 40), difference(30, 40, 5, 20)
        assert_allclose(there, (-back[0], -back[2], -back[1]))

    def test_no_shells(self):
        assert np.isnan(difference([0, 3], [0, 4], [3, 0], [4, 0])).all()


class TestPairedChange:
    def test_with_equal_samples_it_is_nearly_the_paired_t_test(self):
        earlier, later = np.array([3, 5, 9, 10, 4]), np.array([6, 5, 14, 12, 9])
        change = (later - earlier) / 20
        got = paired_change(earlier, np.full(5, 20), later, np.full(5, 20), 0.1)
        # HC3 leaves each pair out: with equal weights the t test's error times √(n / (n - 1)).
        t = ttest_1samp(change, 0)
        error = change.std(ddof=1) / np.sqrt(5) * np.sqrt(5 / 4)
        assert got.difference == pytest.approx(change.mean())
        assert got.high - got.difference == pytest.approx(2.776445105 * error)  # t(4; 0.975)
        assert got.p > t.pvalue
        assert got.not_tested_because == ""

    def test_weights_by_hand(self):
        # ρ = 0: weights 1/(1/10 + 1/10) = 5 and 1/(1/40 + 1/40) = 20; changes 0.2 and 0.1.
        got = paired_change([2, 8, 1], [10, 40, 4], [4, 12, 0], [10, 40, 0], 0.0)
        assert got.pairs == 2
        assert got.difference == pytest.approx((5 * 0.2 + 20 * 0.1) / 25)
        # Then 2/10 and 8/40, now 4/10 and 12/40, with the same weights; all shells together would be 16/50 now.
        assert (got.earlier, got.later) == pytest.approx((0.2, (5 * 0.4 + 20 * 0.3) / 25))
        # ρ = 1, and an unknown ρ: both pairs count alike.
        for rho in (1.0, np.nan):
            assert paired_change([2, 8], [10, 40], [4, 12], [10, 40], rho).difference == pytest.approx(0.15)

    @pytest.mark.parametrize(
        ("counts", "reason"),
        [
            (([], [], [], []), "no pair of sites has shells"),
            (([0], [0], [3], [5]), "no pair of sites has shells"),
            (([1], [5], [3], [5]), "one pair of sites only"),
            (([1, 2], [5, 5], [2, 3], [5, 5]), "all pairs of sites changed alike"),
        ],
    )
    def test_where_it_cannot_be_tested_it_says_why(self, counts, reason):
        got = paired_change(*counts, 0.1)
        assert got.not_tested_because.startswith(reason)
        assert np.isnan([got.low, got.high, got.p]).all()

    @given(st.lists(table, min_size=1, max_size=6), st.floats(0, 1))
    def test_the_difference_is_that_of_its_two_frequencies(self, rows, rho):
        a, b, c, d = np.array(rows, dtype=float).T
        got = paired_change(a, a + b, c, c + d, rho)
        assert_allclose(got.later - got.earlier, got.difference, atol=1e-12)

    @pytest.mark.slow
    def test_drift_without_change_fools_the_test_over_shells_alone(self):
        rng = np.random.default_rng(8)
        over_shells, over_sites = [], []
        for _ in range(1000):
            total = 20 + rng.poisson(30, size=(2, 25))
            local = rng.beta(6, 14, 25)
            drifted = rng.beta(local * 19, (1 - local) * 19)  # each site by itself, without a common direction
            earlier, later = rng.binomial(total[0], local), rng.binomial(total[1], drifted)
            tables = np.stack([[earlier, total[0] - earlier], [later, total[1] - later]]).transpose(2, 0, 1)
            over_shells.append(cochran_mantel_haenszel(tables).p < 0.05)
            over_sites.append(paired_change(earlier, total[0], later, total[1], 0.05).p < 0.05)
        assert np.mean(over_shells) > 0.15
        assert 0.03 <= np.mean(over_sites) <= 0.07


class TestPairSites:
    def test_by_hand(self):
        # Earlier A 0, B 100, C 1000; later p 90, q 130, r 1200 along a line. B-p (10 m) is closest, then B-q falls away
        # as B is taken, A-p as p is; A-q is 130 m; C-r is 200 m, too far.
        pairs = pair_sites([0, 100, 1000], [0, 0, 0], [90, 130, 1200], [0, 0, 0], within_m=150)
        assert_array_equal(pairs.earlier, [0, 1])
        assert_array_equal(pairs.later, [1, 0])
        assert_allclose(pairs.distance_m, [130, 10])

    def test_the_limit_itself_is_within(self):
        assert pair_sites([0], [0], [30], [40], within_m=50).distance_m == pytest.approx([50])
        assert pair_sites([0], [0], [30], [40], within_m=49.999).distance_m.size == 0

    def test_ties_go_by_order(self):
        pairs = pair_sites([0, 20], [0, 0], [10, 10], [0, 0], within_m=15)
        assert_array_equal(pairs.later, [0, 1])

    def test_no_sites_or_no_places(self):
        assert pair_sites([], [], [1], [1], within_m=5).earlier.size == 0
        assert pair_sites([np.nan], [0], [1], [1], within_m=5).earlier.size == 0

    @given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 40)), min_size=1, max_size=15), st.integers(0, 15))
    def test_agrees_with_the_obvious_way(self, places, split):
        earlier, later = np.array(places[:split]).reshape(-1, 2), np.array(places[split:]).reshape(-1, 2)
        left = [(np.hypot(*(a - b)), i, j) for i, a in enumerate(earlier) for j, b in enumerate(later)]
        left = sorted(candidate for candidate in left if candidate[0] <= 12)
        expected = {}
        while left:
            distance, i, j = left[0]
            expected[i] = (j, distance)
            left = [candidate for candidate in left if candidate[1] != i and candidate[2] != j]
        got = pair_sites(*earlier.T, *later.T, within_m=12)
        assert_array_equal(got.earlier, sorted(expected))
        assert_array_equal(got.later, [expected[i][0] for i in sorted(expected)])
        assert_allclose(got.distance_m, [expected[i][1] for i in sorted(expected)])

    def test_a_distance_of_nothing_is_refused(self):
        with pytest.raises(ValueError, match="within_m must be above 0, not 0"):
            pair_sites([0], [0], [0], [0], within_m=0)
