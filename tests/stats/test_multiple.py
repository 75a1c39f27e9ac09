"""Adjusted p values against the published example and statsmodels."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from statsmodels.stats.multitest import multipletests

from morphcline.stats.multiple import benjamini_hochberg, holm

# Benjamini & Hochberg (1995), JRSS B 57:289-300, section 4: 15 comparisons after myocardial infarction. The p values
# and the counts of rejections are the paper's; the adjusted values are R's p.adjust and statsmodels'.
P = [
    0.0001,
    0.0004,
    0.0019,
    0.0095,
    0.0201,
    0.0278,
    0.0298,
    0.0344,
    0.0459,
    0.3240,
    0.4262,
    0.5719,
    0.6528,
    0.7590,
    1.0,
]
BH = [
    0.0015, 0.003, 0.0095, 0.035625, 0.0603, 0.0638571, 0.0638571, 0.0645, 0.0765, 0.486, 0.5811818, 0.714875,
    0.7532308, 0.8132143, 1.0,
]  # fmt: skip
HOLM = [0.0015, 0.0056, 0.0247, 0.1140, 0.2211, 0.2780, 0.2780, 0.2780, 0.3213, 1, 1, 1, 1, 1, 1]


def test_published_adjustments_and_rejections():
    assert_allclose(benjamini_hochberg(P), BH, atol=1e-7)
    assert_allclose(holm(P), HOLM, atol=1e-7)
    assert (benjamini_hochberg(P) <= 0.05).sum() == 4
    assert (holm(P) <= 0.05).sum() == 3


def test_order_and_shape_are_kept_and_the_untested_do_not_count():
    shuffled = np.random.default_rng(3).permutation(15)
    with_gaps = np.insert(np.array(P)[shuffled], [0, 7, 15], np.nan)
    expected = np.insert(np.array(HOLM)[shuffled], [0, 7, 15], np.nan)
    assert_allclose(holm(with_gaps.reshape(3, 6)), expected.reshape(3, 6), atol=1e-7)
    expected = np.insert(np.array(BH)[shuffled], [0, 7, 15], np.nan)
    assert_allclose(benjamini_hochberg(with_gaps.reshape(3, 6)), expected.reshape(3, 6), atol=1e-7)


def test_none_tested():
    assert np.isnan(holm([np.nan, np.nan])).all()
    assert benjamini_hochberg([]).shape == (0,)


@given(st.lists(st.floats(0, 1), min_size=1, max_size=30))
def test_agrees_with_statsmodels(p):
    assert_allclose(holm(p), multipletests(p, method="holm")[1], rtol=1e-9, atol=1e-300)
    assert_allclose(benjamini_hochberg(p), multipletests(p, method="fdr_bh")[1], rtol=1e-9, atol=1e-300)


@pytest.mark.parametrize("adjust", [holm, benjamini_hochberg])
def test_a_p_value_out_of_range_is_refused(adjust):
    with pytest.raises(ValueError, match=r"between 0 and 1; found 1\.2"):
        adjust([0.3, 1.2])
    with pytest.raises(ValueError, match=r"between 0 and 1; found -0\.1"):
        adjust([-0.1])


def test_values_given_with_how_many_have_them_are_adjusted_as_if_written_out():
    rng = np.random.default_rng(8)
    values, times = np.append(rng.choice(1000, 40, replace=False) / 1000, np.nan), rng.integers(1, 6, 41)
    once = benjamini_hochberg(values, times=times)
    assert_array_equal(np.repeat(once, times), benjamini_hochberg(np.repeat(values, times)))
