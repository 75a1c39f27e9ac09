"""Differentiation against worked examples, analyses of variance, and by hand."""

import numpy as np
import pytest
from scipy.stats import f_oneway

from morphcline.stats.differentiation import fst_corrected, fst_wright


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
