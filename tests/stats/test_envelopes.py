"""Global envelopes: ordered by hand, and with the size they promise."""

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from morphcline.stats.envelopes import rank_envelope


def slowly(observed, drawn):
    """Return each curve's extremeness by comparing every pair of curves' sorted two-sided ranks."""
    curves = np.vstack([observed, drawn])
    ranks = [
        sorted(min((curves[:, j] <= curve[j]).sum(), (curves[:, j] >= curve[j]).sum()) for j in range(curves.shape[1]))
        for curve in curves
    ]
    return np.array([np.mean([other <= mine for other in ranks]) for mine in ranks])


def test_five_curves_by_hand():
    # The first is lowest at both points; the next two are each extreme at one point; of them none is left at 20 %.
    curves = np.array([[0.0, 0.0], [9.0, 5.0], [5.0, 9.0], [4.0, 4.0], [6.0, 6.0]])
    found = rank_envelope(curves[0], curves[1:], level=0.2)
    assert found.p == 0.2
    assert_array_equal(found.low, [4, 4])
    assert_array_equal(found.high, [9, 9])


def test_p_and_limits_are_those_of_comparing_all_pairs():
    rng = np.random.default_rng(1)
    for ties in (False, True):
        drawn, observed = rng.normal(size=(99, 4)), rng.normal(size=4) + 1
        if ties:
            drawn, observed = np.round(drawn), np.round(observed)
        share = slowly(observed, drawn)
        found = rank_envelope(observed, drawn, level=0.1)
        kept = np.vstack([observed, drawn])[share > 0.1]
        assert found.p == pytest.approx(share[0])
        assert_array_equal(found.low, kept.min(axis=0))
        assert_array_equal(found.high, kept.max(axis=0))


def test_a_curve_leaves_its_envelope_where_p_says_so_and_one_time_in_twenty():
    rng = np.random.default_rng(2)
    left = 0
    for _ in range(1000):
        curves = np.cumsum(rng.normal(size=(100, 6)), axis=1)
        found = rank_envelope(curves[0], curves[1:], level=0.05)
        outside = bool(np.any((curves[0] < found.low) | (curves[0] > found.high)))
        assert outside == (found.p <= 0.05)
        left += outside
    assert abs(left - 50) < 4 * np.sqrt(1000 * 0.05 * 0.95)
