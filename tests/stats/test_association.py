"""Association of two characters against textbook examples, scipy and statsmodels, and by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.stats import chi2_contingency

from morphcline.stats.association import association

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
