"""The fitted cline and its band, against statsmodels, derivatives by differences, and what must hold."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.special import expit, logit

from morphcline.stats.cline_band import cline_frequency, confidence_band

SPAN = (-10_000.0, 10_000.0)


def test_a_straight_line_of_logits_has_statsmodels_band() -> None:
    # Counts of a hand-made cline: 0 to 10 km, 20 shells each (also used for the width 4 / slope identity).
    distance = np.arange(11.0)
    count = np.array([1, 0, 2, 3, 6, 9, 13, 15, 18, 19, 20])
    design = sm.add_constant(distance)
    fit = sm.GLM(np.column_stack([count, 20 - count]), design, family=sm.families.Binomial()).fit()
    intercept, slope = fit.params
    expected = fit.get_prediction(design).summary_frame(alpha=0.05)
    band = confidence_band(
        distance, np.full(11, 20.0), distance, model="sigmoid", centre_m=-intercept / slope, width_m=4 / slope, p_min=0,
        p_max=1, rho=0.0,
    )  # fmt: skip
    assert band.frequency == pytest.approx(expected["mean"], abs=1e-9)
    # The half shell by which p is moved off 0 and 1 is one in 440 here.
    assert band.low == pytest.approx(expected["mean_ci_lower"], abs=5e-3)
    assert band.high == pytest.approx(expected["mean_ci_upper"], abs=5e-3)


def test_a_flat_band_is_that_of_one_proportion() -> None:
    band = confidence_band(
        np.linspace(0, 1, 50), np.full(50, 40.0), [0.5], model="flat", centre_m=np.nan, width_m=np.nan, p_min=0.3,
        p_max=0.3, rho=0.0,
    )  # fmt: skip
    spread = 1.959964 / np.sqrt(2000 * 0.3 * 0.7)
    assert band.low[0] == pytest.approx(expit(np.log(0.3 / 0.7) - spread), abs=1e-3)
    assert band.high[0] == pytest.approx(expit(np.log(0.3 / 0.7) + spread), abs=1e-3)


@pytest.mark.parametrize("model", ["flat", "linear", "sigmoid", "sigmoid, free ends"])
def test_over_dispersion_widens_the_band_and_the_curve_stays_within(model: str) -> None:
    rng = np.random.default_rng(4)
    distance = np.sort(rng.uniform(*SPAN, 60))
    known = {
        "model": model,
        "centre_m": 500.0,
        "width_m": 4000.0,
        "p_min": 0.2,
        "p_max": 0.2 if model == "flat" else 0.9,
    }
    at = np.linspace(*SPAN, 41)
    shells = np.full(60, 40.0)
    narrow = confidence_band(distance, shells, at, rho=0.0, **known)
    wide = confidence_band(distance, shells, at, rho=0.1, **known)
    for band in (narrow, wide):
        assert np.all((band.low <= band.frequency) & (band.frequency <= band.high))
        assert np.all((band.low >= 0) & (band.high <= 1))
    # 1 + (40 - 1) 0.1 = 4.9 times the variance.
    scale = logit if model in ("flat", "sigmoid") else np.asarray
    middle = np.abs(at) < 4000
    ratio = (scale(wide.high) - scale(wide.low))[middle] / (scale(narrow.high) - scale(narrow.low))[middle]
    assert ratio == pytest.approx(np.sqrt(4.9), rel=0.03)


def test_the_greatest_gradient_is_the_range_over_the_width() -> None:
    s = np.linspace(-1, 1, 20_001)
    p = cline_frequency(s, model="sigmoid, free ends", centre_m=0.1, width_m=0.5, p_min=0.1, p_max=0.7, span_m=(-1, 1))
    assert np.max(np.diff(p) / np.diff(s)) == pytest.approx(0.6 / 0.5, rel=1e-4)


def test_the_even_gradient_runs_between_the_outermost_sites_and_is_level_beyond() -> None:
    p = cline_frequency([-2, 0, 1, 2, 9], model="linear", centre_m=np.nan, width_m=np.nan, p_min=0.2, p_max=0.6,
                        span_m=(0, 2))  # fmt: skip
    assert p == pytest.approx([0.2, 0.2, 0.4, 0.6, 0.6])


def test_a_band_at_an_end_of_the_scale_is_finite() -> None:
    band = confidence_band(
        np.linspace(-5, 5, 40), np.full(40, 30.0), [-5.0, 5.0], model="sigmoid, free ends", centre_m=0, width_m=2,
        p_min=0.0, p_max=1.0, rho=0.02,
    )  # fmt: skip
    assert np.isfinite([band.low, band.high]).all()
    assert band.high[0] < 0.1
    assert band.low[1] > 0.9


def test_another_model_is_refused() -> None:
    with pytest.raises(ValueError, match="cline model 'step' is not one of"):
        cline_frequency([0.0], model="step", centre_m=0, width_m=1, p_min=0, p_max=1, span_m=(0, 1))
