"""Effects in points: against statsmodels' margins, and the delta method worked out in the open."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy.optimize import approx_fprime
from scipy.special import expit
from scipy.stats import t as student

from morphcline.stats.environment import Environment, degrees_of_freedom, fit_environment
from morphcline.stats.marginal_effects import marginal_effects
from morphcline.stats.spatial_errors import SpatialErrors

Floats = NDArray[np.float64]


def fitted(seed: int, *, spread: float) -> Environment:
    rng = np.random.default_rng(seed)
    errors = SpatialErrors(*rng.uniform(0, 2e4, (2, 90)))
    habitat = rng.choice(["woodland", "hedgerow", "marsh"], 90, p=[0.3, 0.5, 0.2])
    warm = 11 + rng.normal(size=90)
    field = np.linalg.cholesky(np.exp(-errors.distance_m / 6000)) @ rng.normal(size=90)
    p = expit(-0.5 - 0.7 * (habitat == "woodland") + 0.3 * (warm - 11) + spread * field)
    total = rng.integers(10, 60, 90).astype(float)
    count = rng.binomial(total.astype(int), rng.beta(p * 15, (1 - p) * 15)).astype(float)
    return fit_environment(count, total, list(habitat), warm, errors)


def test_ignoring_space_they_are_statsmodels_average_marginal_effects() -> None:
    found = fitted(1, spread=0.0)
    model = found.model
    assert model is not None
    effects = {effect.term: effect for effect in marginal_effects(model, found.terms)}
    weights = model.total / (1 + (model.total - 1) * model.naive.rho)
    glm = sm.GLM(model.count / model.total, model.design, family=sm.families.Binomial(), var_weights=weights).fit()
    covariance = glm.cov_params() / glm.scale
    at = model.names.index("habitat: woodland")
    first, second = model.design.copy(), model.design.copy()
    first[:, 1:3] = second[:, 1:3] = 0
    second[:, at] = 1

    def difference(b: Floats) -> float:
        return float((expit(second @ b) - expit(first @ b)).mean())

    gradient = approx_fprime(glm.params, difference, 1e-6)
    error = np.sqrt(gradient @ covariance @ gradient)
    half = student.ppf(0.975, 90 - 4) * error
    wood = effects["habitat: woodland"]
    value = difference(glm.params)
    assert_allclose(
        [wood.effect_naive, wood.low_naive, wood.high_naive], [value, value - half, value + half], rtol=1e-4
    )
    # Half a degree either way is the slope, up to the third derivative.
    slope = float((glm.predict() * (1 - glm.predict())).mean() * glm.params[-1])
    assert effects["temperature_c"].effect_naive == pytest.approx(slope, rel=0.01)


@pytest.mark.parametrize("seed", [2, 3])
def test_with_space_the_variance_is_that_of_draws_of_coefficients_and_effect_of_place(seed: int) -> None:
    """Coefficients and effect of place are drawn from their joint distribution, written out with dense matrices."""
    found = fitted(seed, spread=1.0)
    model = found.model
    assert model is not None
    spatial = model.spatial
    assert spatial.variance > 0.1
    v = np.linalg.inv(np.sqrt(np.outer(spatial.weights, spatial.weights)) * spatial.inverse)
    k = v - np.diag(1 / spatial.weights)
    gain = k @ np.linalg.inv(v)
    rng = np.random.default_rng(9)
    b = rng.multivariate_normal(spatial.coefficients, spatial.covariance, 4000)
    given = np.linalg.cholesky(k - gain @ k + 1e-9 * np.eye(90))
    u = (spatial.response - b @ model.design.T) @ gain.T + rng.normal(size=(4000, 90)) @ given.T
    effects = marginal_effects(model, found.terms)
    terms = {term.name: term for term in found.terms}
    for effect in effects:
        at = model.names.index(effect.term)
        first, second = model.design.copy(), model.design.copy()
        if effect.term == "temperature_c":
            first[:, at] -= 0.5
            second[:, at] += 0.5
        else:
            first[:, 1:3] = second[:, 1:3] = 0
            second[:, at] = 1
        drawn = (expit(b @ second.T + u) - expit(b @ first.T + u)).mean(axis=1)
        freedom = degrees_of_freedom(terms[effect.term].effective_sites, model)
        error = (effect.high - effect.low) / 2 / student.ppf(0.975, freedom)
        assert error == pytest.approx(drawn.std(), rel=0.08)
        assert effect.effect == pytest.approx(drawn.mean(), abs=0.012)
        assert effect.effect == pytest.approx(effect.frequency_to - effect.frequency_from)
        assert effect.low < effect.effect < effect.high


def test_the_signs_are_those_of_the_coefficients() -> None:
    found = fitted(4, spread=0.7)
    assert found.model is not None
    effects = marginal_effects(found.model, found.terms)
    by_name = {term.name: term for term in found.terms}
    assert [effect.term for effect in effects] == list(found.model.names[1:])
    for effect in effects:
        term = by_name[effect.term]
        assert np.sign(effect.effect) == np.sign(term.estimate)
        assert (effect.p_spatial, effect.p_naive, effect.reference) == (term.p_spatial, term.p_naive, term.reference)
