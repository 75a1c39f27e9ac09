"""Allele frequencies behind phenotypes against textbook examples and direct maximisation."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.optimize import minimize

from morphcline.stats.alleles import alleles_by_em, dominance_series, recessive_allele

# A, B, AB and O from alleles A = 0, B = 1, O = 2.
ABO = [[(0, 0), (0, 2)], [(1, 1), (1, 2)], [(0, 1)], [(2, 2)]]
# Dominance series top = 0 > middle = 1 > bottom = 2.
SERIES = [[(0, 0), (0, 1), (0, 2)], [(1, 1), (1, 2)], [(2, 2)]]


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
