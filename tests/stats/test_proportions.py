"""Intervals of a proportion against published tables and statsmodels."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from statsmodels.stats.proportion import proportion_confint

from morphcline.stats.proportions import interval, jeffreys, wilson

# Newcombe (1998), Statistics in Medicine 17:857-872, Table I, method 3: count, total, limits at 95 %.
NEWCOMBE = [
    (81, 263, 0.25529, 0.36621),
    (0, 20, 0.0, 0.16113),
    (1, 29, 0.00611, 0.17176),
    (29, 29, 0.88303, 1.0),
    (1, 10, 0.01788, 0.40415),
]
# Equal-tailed Jeffreys limits of the same counts, by the beta quantiles of R and of statsmodels; the limits that
# Brown, Cai & DasGupta (2001) set to 0 and 1 are so set here.
JEFFREYS = [
    (81, 263, 0.25452, 0.36565),
    (0, 20, 0.0, 0.11664),
    (1, 29, 0.00375, 0.15008),
    (29, 29, 0.91771, 1.0),
    (1, 10, 0.01101, 0.38131),
]

counts = st.integers(1, 5000).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
confidences = st.floats(0.5, 0.999)


@pytest.mark.parametrize(("method", "rows"), [(wilson, NEWCOMBE), (jeffreys, JEFFREYS)])
def test_published_limits(method, rows):
    count, total, low, high = np.array(rows).T
    got_low, got_high = method(count, total)
    assert_allclose(got_low, low, atol=5e-5)
    assert_allclose(got_high, high, atol=5e-5)


@given(counts, confidences)
def test_agrees_with_statsmodels(count_total, confidence):
    count, total = count_total
    for method in ("wilson", "jeffreys"):
        low, high = interval(count, total, method=method, confidence=confidence)
        expected_low, expected_high = proportion_confint(count, total, alpha=1 - confidence, method=method)
        if method == "jeffreys":  # statsmodels keeps the beta quantiles at 0 and at the total
            expected_low = 0.0 if count == 0 else expected_low
            expected_high = 1.0 if count == total else expected_high
        assert_allclose((low, high), (expected_low, expected_high), rtol=1e-7, atol=1e-12)


@given(counts, confidences)
def test_the_interval_holds_the_share_and_mirrors(count_total, confidence):
    count, total = count_total
    for method in (wilson, jeffreys):
        low, high = method(count, total, confidence=confidence)
        assert 0 <= low <= high <= 1
        if method is wilson:
            assert low <= count / total <= high
        mirrored_low, mirrored_high = method(total - count, total, confidence=confidence)
        assert_allclose((1 - high, 1 - low), (mirrored_low, mirrored_high), atol=1e-12)


def test_identity_at_zero():
    z2 = 1.959963984540054**2  # the 97.5 % point of the normal distribution, squared
    total = np.array([1, 7, 20, 1000])
    low, high = wilson(0, total)
    assert_array_equal(low, 0)
    assert_allclose(high, z2 / (total + z2), rtol=1e-12)


@pytest.mark.parametrize("method", ["wilson", "jeffreys"])
def test_no_shells_or_a_missing_count_give_nan(method):
    low, high = interval([0, 3, np.nan], [0, 4, 5], method=method)
    assert_array_equal(np.isnan(low), [True, False, True])
    assert_array_equal(np.isnan(high), [True, False, True])


@pytest.mark.parametrize("method", [wilson, jeffreys])
def test_impossible_counts_are_refused(method):
    with pytest.raises(ValueError, match="between 0 and its total; found 5 of 4"):
        method([1, 5], 4)
    with pytest.raises(ValueError, match="found -1 of 4"):
        method(-1, 4)
    with pytest.raises(ValueError, match="confidence must be between 0 and 1, not 95"):
        method(1, 4, confidence=95)
    with pytest.raises(ValueError, match="broadcast"):
        method([1, 2], [3, 4, 5])


def test_an_unknown_method_is_refused():
    with pytest.raises(ValueError, match="'wilson' or 'jeffreys', not 'wald'"):
        interval(1, 4, method="wald")
