"""The beta-binomial likelihood, its derivatives and the shapes of the clines."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import stats
from scipy.special import expit, logit, polygamma

from morphcline.stats.cline_axis import bearing_of_transect, distance_along_line
from morphcline.stats.cline_models import even_gradient, flat, logit_linear, sigmoid
from morphcline.stats.likelihood import beta_binomial_derivatives, trigamma

COUNT = np.array([0.0, 3, 7, 12, 40, 1, 250])
TOTAL = np.array([5.0, 9, 7, 30, 41, 1, 700])
FREQUENCY = np.array([0.2, 0.4, 0.9, 0.35, 0.8, 0.01, 0.37])


def scipy_log_likelihood(frequency: np.ndarray, rho: float) -> np.ndarray:
    tau = (1 - rho) / rho
    return np.asarray(stats.betabinom.logpmf(COUNT, TOTAL, frequency * tau, (1 - frequency) * tau))


@pytest.mark.parametrize("rho", [1e-5, 0.01, 0.2, 0.9])
def test_likelihood_is_scipys_beta_binomial(rho: float) -> None:
    found = beta_binomial_derivatives(COUNT, TOTAL, FREQUENCY, float(logit(rho)))
    assert_allclose(found.value, scipy_log_likelihood(FREQUENCY, rho), rtol=1e-7)


def test_likelihood_tends_to_the_binomial() -> None:
    found = beta_binomial_derivatives(COUNT, TOTAL, FREQUENCY, -14.0)
    assert_allclose(found.value, stats.binom.logpmf(COUNT, TOTAL, FREQUENCY), rtol=1e-3, atol=1e-3)
    small = beta_binomial_derivatives(COUNT[:4], TOTAL[:4], FREQUENCY[:4], -14.0)
    assert_allclose(small.value, stats.binom.logpmf(COUNT[:4], TOTAL[:4], FREQUENCY[:4]), atol=2e-4)


@pytest.mark.parametrize("rho", [0.002, 0.05, 0.6])
def test_derivatives_are_scipys_differences(rho: float) -> None:
    t, h = float(logit(rho)), 1e-4
    found = beta_binomial_derivatives(COUNT, TOTAL, FREQUENCY, t)

    def value(dp: float, dt: float) -> np.ndarray:
        return scipy_log_likelihood(FREQUENCY + dp, float(expit(t + dt)))

    centre = value(0, 0)
    by_p = (value(h, 0) - value(-h, 0)) / (2 * h)
    by_t = (value(0, h) - value(0, -h)) / (2 * h)
    by_pp = (value(h, 0) - 2 * centre + value(-h, 0)) / h**2
    by_tt = (value(0, h) - 2 * centre + value(0, -h)) / h**2
    by_pt = (value(h, h) - value(h, -h) - value(-h, h) + value(-h, -h)) / (4 * h**2)
    for mine, theirs in ((found.by_p, by_p), (found.by_t, by_t)):
        assert_allclose(mine, theirs, rtol=2e-3, atol=1e-3)
    for mine, theirs in ((found.by_pp, by_pp), (found.by_tt, by_tt), (found.by_pt, by_pt)):
        assert_allclose(mine, theirs, rtol=2e-2, atol=2e-2)


@given(st.floats(1e-6, 1e7))
def test_trigamma_is_scipys(value: float) -> None:
    assert_allclose(trigamma(np.array([value])), polygamma(1, value), rtol=1e-8)


def test_sigmoid_is_the_tanh_form_with_the_greatest_gradient_one_over_width() -> None:
    # w = 4 / k = 1 / max gradient, and p = (1 + tanh(2 (s - c) / w)) / 2: identities of the logistic curve.
    s = np.linspace(-40, 60, 200_001)
    centre, width = 7.0, 12.5
    p, _ = sigmoid(s, np.zeros_like(s), ends_free=False)(np.array([centre, np.log(width), np.pi / 2, 0.0, 0.0]))
    assert_allclose(p, (1 + np.tanh(2 * (s - centre) / width)) / 2, atol=1e-12)
    assert_allclose(1 / np.gradient(p, s).max(), width, rtol=1e-6)
    # 10-90 % distance w ln(9) / 2 = 1.0986122887 w, 20-80 % distance w ln(4) / 2 = 0.6931471806 w.
    assert_allclose(np.interp(0.9, p, s) - np.interp(0.1, p, s), 1.0986122887 * width, rtol=1e-7)
    assert_allclose(np.interp(0.8, p, s) - np.interp(0.2, p, s), 0.6931471806 * width, rtol=1e-7)


def test_width_between_free_ends_is_their_difference_over_the_greatest_gradient() -> None:
    s = np.linspace(-40, 60, 200_001)
    ends = np.array([0.12, 0.71])
    p, _ = sigmoid(np.zeros_like(s), s)(np.array([3.0, np.log(9.0), 0.0, *logit(ends)]))
    assert_allclose((ends[1] - ends[0]) / np.gradient(p, s).max(), 9.0, rtol=1e-6)
    assert_allclose(np.interp(3.0, s, p), ends.mean(), rtol=1e-9)


@pytest.mark.parametrize("which", ["flat", "plane", "even", "sigmoid", "sigmoid, free ends"])
def test_slopes_are_differences_of_the_frequency(which: str) -> None:
    rng = np.random.default_rng(5)
    east, north = rng.normal(size=(2, 9))
    mean, at = {
        "flat": (flat(9), np.array([0.3])),
        "plane": (logit_linear(np.column_stack([np.ones(9), east, north])), np.array([0.2, -0.7, 1.1])),
        "even": (even_gradient(np.linspace(0, 1, 9)), np.array([-1.0, 2.0])),
        "sigmoid": (sigmoid(east, north, ends_free=False), np.array([0.3, -0.4, 0.8, 0.0, 0.0])),
        "sigmoid, free ends": (sigmoid(east, north), np.array([0.3, -0.4, 0.8, -1.5, 1.2])),
    }[which]
    free = len(at) if which != "sigmoid" else 3
    slopes = mean(at)[1]
    for i in range(free):
        step = np.zeros(len(at))
        step[i] = 1e-6
        assert_allclose(slopes[:, i], (mean(at + step)[0] - mean(at - step)[0]) / 2e-6, rtol=1e-6, atol=1e-9)


def test_distance_along_a_bent_line_goes_on_straight_beyond_its_ends() -> None:
    # The line runs 100 m north, then 50 m east. By hand: a place abreast of each piece, one before, one beyond.
    found = distance_along_line([3, 20, -4, 90], [40, 108, -25, 100], [0, 0, 0, 50], [0, 100, 100, 100])
    assert_allclose(found, [40, 120, -25, 190])


def test_a_line_without_length_is_refused() -> None:
    with pytest.raises(ValueError, match="two different points"):
        distance_along_line([0.0], [0.0], [5.0, 5.0], [7.0, 7.0])


@given(st.floats(0, 180), st.integers(0, 2**32 - 1))
def test_places_along_a_line_have_its_bearing_and_others_none(bearing_deg: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    along, across = rng.uniform(-1e4, 1e4, 40), rng.uniform(-1, 1, 40)
    angle = np.radians(bearing_deg)

    def turned(spread: float) -> tuple[np.ndarray, np.ndarray]:
        side = across * spread
        return along * np.sin(angle) + side * np.cos(angle), along * np.cos(angle) - side * np.sin(angle)

    found = bearing_of_transect(*turned(100))
    assert found is not None
    assert abs((found - bearing_deg + 90) % 180 - 90) < 1
    assert bearing_of_transect(*turned(8000)) is None
    assert bearing_of_transect([5.0, 5.0], [7.0, 7.0]) is None
