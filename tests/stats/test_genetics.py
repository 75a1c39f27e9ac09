"""Association, allele frequencies and differentiation against textbook examples and scipy."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.stats import chi2_contingency, f_oneway

from morphcline.stats.genetics import (
    alleles_by_em,
    association,
    dominance_series,
    fst_corrected,
    fst_wright,
    recessive_allele,
)

cells = st.integers(0, 300)

# A, B, AB and O from alleles A = 0, B = 1, O = 2.
ABO = [[(0, 0), (0, 2)], [(1, 1), (1, 2)], [(0, 1)], [(2, 2)]]
# Dominance series top = 0 > middle = 1 > bottom = 2.
SERIES = [[(0, 0), (0, 1), (0, 2)], [(1, 1), (1, 2)], [(2, 2)]]


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
    def test_dominance_series_by_roots_and_by_gene_counting(self, phenotypes, alleles):
        # Hardy-Weinberg worked forwards: (.4, .2, .4) gives .16 + .16 + .32 = .64, .04 + .16 = .20 and .16.
        assert_allclose(dominance_series(*phenotypes)[0], alleles, atol=1e-9)
        if min(alleles) > 0:  # gene counting creeps towards an allele that isn't there
            assert_allclose(alleles_by_em(phenotypes, SERIES), alleles, atol=1e-9)

    def test_errors_are_those_of_resampled_surveys(self):
        rng = np.random.default_rng(20)
        draws = rng.multinomial(400, [0.3, 0.45, 0.25], size=20_000).T
        estimates, _ = dominance_series(*draws)
        _, errors = dominance_series(120, 180, 100)
        assert_allclose(errors, estimates.std(axis=1), rtol=0.03)

    def test_abo(self):
        # Clarke et al. (1959) peptic-ulcer patients, in Lange, Mathematical and Statistical Methods for Genetic
        # Analysis, ch. 2: gene counting from (.3, .2, .5) and its limit, published as .2136 .0501 .7363.
        counts = (186, 38, 13, 284)
        printed = [
            (0.2322, 0.0550, 0.7128), (0.2160, 0.0503, 0.7337), (0.2139, 0.0502, 0.7360), (0.2136, 0.0501, 0.7362)
        ]  # fmt: skip
        for steps, expected in enumerate(printed, start=1):
            got = alleles_by_em(counts, ABO, start=(0.3, 0.2, 0.5), iterations=steps)
            assert_allclose(got, expected, atol=6e-5)
        limit = alleles_by_em(counts, ABO)
        assert_allclose(limit, (0.2135909391, 0.0501453289, 0.7362637320), atol=1e-8)
        assert alleles_by_em((0, 0, 0, 0), ABO) == pytest.approx(np.nan, nan_ok=True)

    @given(st.tuples(*[st.integers(1, 200)] * 4))
    def test_gene_counting_reaches_the_maximum(self, counts):
        def minus_log_likelihood(logits):
            a, b, o = np.exp([*logits, 0]) / np.exp([*logits, 0]).sum()
            return -np.dot(counts, np.log([a * a + 2 * a * o, b * b + 2 * b * o, 2 * a * b, o * o]))

        a, b, o = alleles_by_em(counts, ABO)
        found = minus_log_likelihood(np.log([a / o, b / o]))
        best = minimize(minus_log_likelihood, np.zeros(2), method="Nelder-Mead", options={"fatol": 1e-9, "xatol": 1e-9})
        assert found == pytest.approx(best.fun, abs=1e-6)

    def test_bad_input_is_refused(self):
        with pytest.raises(ValueError, match="one count, 0 or more, for each phenotype"):
            alleles_by_em((1, 2, 3), ABO)
        with pytest.raises(ValueError, match="0 or more"):
            dominance_series(3, -1, 2)
        with pytest.raises(ValueError, match="found 5 of 4"):
            recessive_allele(5, 4)


class TestDifferentiation:
    @pytest.mark.parametrize(
        ("frequency", "expected"),
        [
            ((0.2, 0.8), 0.36),
            ((0.5, 0.7, 0.9), 0.1269841270),
            ((0.1, 0.3, 0.5, 0.7, 0.9), 0.32),
            ((0, 1), 1),
            ((0.43, np.nan, 0.57), 0.0196),
        ],
    )
    def test_wright(self, frequency, expected):
        # Worked by hand; the same numbers by 1 - Hs/Ht.
        assert fst_wright(frequency) == pytest.approx(expected, abs=1e-9)
        known = np.array([p for p in frequency if not np.isnan(p)])
        within, whole = np.mean(2 * known * (1 - known)), 2 * known.mean() * (1 - known.mean())
        assert fst_wright(frequency) == pytest.approx(1 - within / whole)

    def test_corrected_is_the_intraclass_correlation_of_an_analysis_of_variance(self):
        count, total = np.array([3, 10, 14, 0, 7]), np.array([20, 25, 18, 9, 30])
        groups = [np.repeat([1.0, 0.0], [c, n - c]) for c, n in zip(count, total, strict=True)]
        ratio = f_oneway(*groups).statistic
        size = (total.sum() - (total**2).sum() / total.sum()) / (len(total) - 1)
        assert fst_corrected(count, total) == pytest.approx((ratio - 1) / (ratio - 1 + size))

    def test_sampling_alone_gives_nothing_corrected_and_something_uncorrected(self):
        rng = np.random.default_rng(4)
        count = rng.binomial(20, 0.3, size=(400, 25))
        corrected = np.array([fst_corrected(row, np.full(25, 20)) for row in count])
        uncorrected = np.array([fst_wright(row / 20) for row in count])
        assert abs(corrected.mean()) < 4 * corrected.std() / 20  # four standard errors of 400 surveys
        assert uncorrected.mean() == pytest.approx(1 / 20, rel=0.1)  # binomial variance p(1-p)/n over p(1-p)

    def test_where_there_is_nothing_to_say(self):
        assert np.isnan([fst_wright([0.4]), fst_wright([0, 0]), fst_wright([])]).all()
        assert np.isnan([fst_corrected([1], [4]), fst_corrected([0, 0], [4, 5]), fst_corrected([1, 0], [1, 1])]).all()
