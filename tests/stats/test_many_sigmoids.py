"""Many surveys fitted at once: the same as one by one in a general library, and near the beta-binomial's maximum."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.special import expit

from morphcline.stats.many_sigmoids import fit_many, many_sigmoids

LOWER, UPPER = np.array([-1e3, -4.0, -np.inf, -10.0, -10.0]), np.array([1e3, 7.0, np.inf, 10.0, 10.0])
START = np.array([0.1, -0.9, 1.0, -1.5, 1.5])


def survey(rho: float, surveys: int = 6, sites: int = 150) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(8)
    place = rng.uniform(-0.7, 0.7, (sites, 2))
    total = rng.integers(10, 60, sites).astype(float)
    p = 0.15 + 0.7 * expit(4 * (place @ [np.sin(1.0), np.cos(1.0)] - 0.1) / 0.4)
    own = rng.beta(p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho, (surveys, sites))
    return place, total, rng.binomial(total.astype(int), own).astype(float)


def test_each_fit_is_the_weighted_maximum_of_a_general_search() -> None:
    place, total, counts = survey(0.06)
    fits = fit_many(
        counts, total, many_sigmoids(*place.T, ends_free=True), START, 0.06, lower=LOWER, upper=UPPER, tolerance=1e-9
    )
    assert fits.converged.all()
    weight = total / (1 + (total - 1) * 0.06)
    for parameters, value, count in zip(fits.parameters, fits.value, counts, strict=True):

        def loss(at: np.ndarray, count: np.ndarray = count) -> float:
            centre, log_width, bearing = at[:3]
            first, last = expit(at[3:])
            s = place @ [np.sin(bearing), np.cos(bearing)]
            p = first + (last - first) * expit(4 * (s - centre) / np.exp(log_width))
            y = count / total
            return -float((weight * (y * np.log(p) + (1 - y) * np.log1p(-p))).sum())

        theirs = minimize(loss, START, method="BFGS", options={"gtol": 1e-6})
        assert -loss(parameters) == pytest.approx(value, abs=1e-8)
        assert value >= -theirs.fun - 1e-6
        assert_allclose(parameters, theirs.x, atol=2e-3)


def test_from_0_to_1_it_is_a_quasi_binomial_regression_of_statsmodels() -> None:
    rng = np.random.default_rng(9)
    place = rng.uniform(-0.7, 0.7, (90, 2))
    total = rng.integers(10, 60, 90).astype(float)
    count = rng.binomial(total.astype(int), expit(0.3 + place @ [1.5, 0.6])).astype(float)
    held = np.array([False, False, False, True, True])
    fits = fit_many(
        count[None], total, many_sigmoids(*place.T, ends_free=False), np.array([0.0, 1.0, 1.0, 0.0, 0.0]), 0.05,
        lower=LOWER, upper=UPPER, held=held, tolerance=1e-10,
    )  # fmt: skip
    weight = total / (1 + (total - 1) * 0.05)
    model = sm.GLM(count / total, sm.add_constant(place), family=sm.families.Binomial(), var_weights=weight)
    theirs = model.fit(scale="X2")
    centre, log_width, bearing = fits.parameters[0, :3]
    steepness = 4 / np.exp(log_width)
    ours = [-centre * steepness, steepness * np.sin(bearing), steepness * np.cos(bearing)]
    assert_allclose(ours, theirs.params, rtol=1e-4)
    assert fits.left[0] == pytest.approx(theirs.scale, rel=1e-4)
    # The covariance, brought from (centre, log width, bearing) to the coefficients by the chain rule.
    sine, cosine = np.sin(bearing), np.cos(bearing)
    change = steepness * np.array([[-1, centre, 0], [0, -sine, cosine], [0, -cosine, -sine]])
    covariance = change @ fits.covariances()[0, :3, :3] @ change.T
    assert_allclose(covariance, theirs.cov_params(), rtol=2e-3)


def test_held_parameters_stay_and_have_no_variance() -> None:
    place, total, counts = survey(0.06)
    held = np.array([False, True, False, False, False])
    fits = fit_many(
        counts, total, many_sigmoids(*place.T, ends_free=True), START, 0.06, lower=LOWER, upper=UPPER, held=held
    )
    assert (fits.parameters[:, 1] == START[1]).all()
    assert (fits.covariances()[:, 1] == 0).all()
    assert (fits.covariances()[:, 0, 0] > 0).all()


def test_a_survey_is_fitted_alike_alone_and_among_others() -> None:
    place, total, counts = survey(0.06)
    mean = many_sigmoids(*place.T, ends_free=True)
    together = fit_many(counts, total, mean, START, 0.06, lower=LOWER, upper=UPPER)
    alone = fit_many(counts[3:4], total, mean, START, 0.06, lower=LOWER, upper=UPPER)
    assert_allclose(alone.parameters[0], together.parameters[3], rtol=1e-8)


def test_the_scatter_left_over_tells_a_wrong_rho() -> None:
    place, total, counts = survey(0.15, surveys=40)
    mean = many_sigmoids(*place.T, ends_free=True)
    right, low = (fit_many(counts, total, mean, START, rho, lower=LOWER, upper=UPPER).left for rho in (0.15, 0.01))
    assert right.mean() == pytest.approx(1, abs=0.05)
    assert low.mean() > 2
