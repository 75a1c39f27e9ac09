"""Matérn's correlation against the Bessel function that defines it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import gamma, kv

from morphcline.stats.correlations import ROUGH, SMOOTH, matern, matern_at_fixed_slope


@pytest.mark.parametrize("smoothness", [ROUGH, SMOOTH])
@given(st.floats(1, 5e4), st.floats(100, 2e4))
def test_correlation_is_materns_with_the_bessel_function(smoothness: float, distance_m: float, range_m: float) -> None:
    # Rasmussen & Williams (2006), equation 4.14.
    scaled = np.sqrt(2 * smoothness) * distance_m / range_m
    wanted = 2 ** (1 - smoothness) / gamma(smoothness) * scaled**smoothness * kv(smoothness, scaled)
    found = matern(np.array([distance_m]), range_m, smoothness)
    np.testing.assert_allclose(found, wanted, rtol=1e-9, atol=1e-300)


@pytest.mark.parametrize("smoothness", [ROUGH, SMOOTH])
def test_the_derivative_at_fixed_slope_is_that_of_differences(smoothness: float) -> None:
    distance, range_m, step = np.array([50.0, 400.0, 2500.0]), 900.0, 1e-5

    def covariance(log_range: float) -> np.ndarray:
        # Variance over range ** (2 nu) held, at a variance of 1 where the range is 900 m.
        variance = np.exp(2 * smoothness * (log_range - np.log(range_m)))
        return variance * matern(distance, np.exp(log_range), smoothness)

    middle = np.log(range_m)
    wanted = (covariance(middle + step) - covariance(middle - step)) / (2 * step)
    found = matern_at_fixed_slope(matern(distance, range_m, smoothness), distance, range_m, smoothness)
    np.testing.assert_allclose(found, wanted, rtol=1e-7)
