"""The gradient of a surface: against statsmodels, differences of the surface, and the law of a vector's length."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.stats import ncx2

from morphcline.stats.kernels import kernel_weights
from morphcline.stats.local_likelihood import fit_local
from morphcline.stats.steepness import SHARES, bearing_deg, gradients, length_error, length_limits


def survey(sites=120, *, seed=3, side=20_000.0):
    rng = np.random.default_rng(seed)
    places = rng.uniform(0.0, side, (sites, 2))
    total = rng.integers(8, 60, sites).astype(float)
    frequency = 1 / (1 + np.exp(-(places @ [0.8, 0.4] - 10_000) / 4_000))
    return places, rng.binomial(total.astype(int), frequency).astype(float), total


POINT = np.array([[9_000.0, 8_000.0]])


def by_statsmodels(places, count, total, bandwidth):
    """Return the weighted logistic plane at the point: frequency, gradient, and its sandwich covariance."""
    weights = kernel_weights(POINT, places, bandwidth=bandwidth)[0]
    design = sm.add_constant((places - POINT[0]) / 1_000)
    fit = sm.GLM(
        np.column_stack([count, total - count]), design, family=sm.families.Binomial(), freq_weights=weights
    ).fit(tol=1e-14, maxiter=100)
    p = 1 / (1 + np.exp(-fit.params[0]))
    # By the delta method, with every site's own binomial variance in the middle of the sandwich.
    at_sites = fit.predict(design)
    middle = (design.T * (weights**2 * total * at_sites * (1 - at_sites))) @ design
    bread = np.linalg.inv((design.T * (weights * total * at_sites * (1 - at_sites))) @ design)
    jacobian = np.column_stack([(1 - 2 * p) * fit.params[1:], np.eye(2)]) * p * (1 - p)
    return p, p * (1 - p) * fit.params[1:] / 1_000, jacobian @ bread @ middle @ bread @ jacobian.T / 1_000**2


@pytest.mark.filterwarnings("ignore:Perfect separation")  # samples on a plane are predicted without a miss
def test_gradient_and_covariance_are_those_of_a_weighted_logistic_regression():
    places, count, total = survey()
    p, gradient, _ = by_statsmodels(places, count, total, 4_000.0)
    fit = fit_local(POINT, places, count[:, None], total[:, None], bandwidth=4_000.0)
    assert fit.frequency[0, 0] == pytest.approx(p, rel=1e-6)
    np.testing.assert_allclose(fit.gradient[0, 0], gradient, rtol=1e-5)
    # Where the samples lie on a plane and none is so near 0 or 1 that it is held away, a site's surface is the plane.
    count = total / (1 + np.exp(-(places @ [0.8, 0.4] - 10_000) / 8_000))
    covariance = by_statsmodels(places, count, total, 4_000.0)[2]
    found = gradients(POINT, places, count, total, bandwidth=4_000.0, rho=0.0)
    np.testing.assert_allclose(found.surface_covariance[0], covariance, rtol=1e-4)


def test_errors_across_a_barrier_are_those_of_its_own_side_alone():
    # Across it the trait is as common as it is rare here: a surface that mixed them would be half and half near it.
    places, count, total = survey(200)
    east = places[:, 0] > 10_000.0
    count = np.where(east, total - count, count)
    apart = east[:, None] != east[None, :]
    found = gradients(
        POINT, places, count, total, bandwidth=4_000.0, rho=0.0, blocked=east[None, :], sites_apart=apart
    )  # fmt: skip
    alone = gradients(POINT, places[~east], count[~east], total[~east], bandwidth=4_000.0, rho=0.0)
    np.testing.assert_allclose(found.surface_covariance, alone.surface_covariance, rtol=1e-9)
    np.testing.assert_allclose(found.covariance, alone.covariance, rtol=1e-9)


def test_the_corrected_gradient_is_twice_the_narrow_one_less_the_wide_one():
    places, count, total = survey()
    wide, narrow = (by_statsmodels(places, count, total, 4_000.0 * share)[1] for share in SHARES)
    found = gradients(POINT, places, count, total, bandwidth=4_000.0, rho=0.0)
    np.testing.assert_allclose(found.corrected[0], 2 * narrow - wide, rtol=1e-5)
    np.testing.assert_allclose(found.surface[0], by_statsmodels(places, count, total, 4_000.0)[1], rtol=1e-5)


def test_the_errors_are_those_that_surveys_drawn_again_show():
    # The truth is a plane of logits, so that nothing is blurred and what varies is chance.
    places, _, total = survey(150)
    truth = 1 / (1 + np.exp(-(places @ [0.8, 0.4] - 10_000) / 8_000))
    rng = np.random.default_rng(4)
    drawn = []
    for _ in range(300):
        count = rng.binomial(total.astype(int), truth).astype(float)
        drawn.append(gradients(POINT, places, count, total, bandwidth=6_000.0, rho=0.0))
    for name, told in (("surface", "surface_covariance"), ("corrected", "covariance")):
        seen = np.cov(np.array([getattr(one, name)[0] for one in drawn]).T)
        mean = np.mean([getattr(one, told)[0] for one in drawn], axis=0)
        ratio = np.diag(mean) / np.diag(seen)
        # The corrected one counts half the correction, which is chance alone here, as an error on top.
        assert (ratio > 0.8).all(), name
        assert (ratio < (1.25 if name == "surface" else 1.7)).all(), name


def test_the_gradient_is_the_surface_s_own_slope_where_the_logits_lie_on_a_plane():
    places, _, total = survey()
    truth = 1 / (1 + np.exp(-(places @ [0.8, 0.4] - 10_000) / 4_000))
    total = np.full(len(total), 1e6)
    points = POINT + np.array([[0, 0], [50, 0], [-50, 0], [0, 50], [0, -50]])
    fit = fit_local(points, places, (truth * total)[:, None], total[:, None], bandwidth=4_000.0)
    f = fit.frequency[:, 0]
    differences = np.array([f[1] - f[2], f[3] - f[4]]) / 100
    found = gradients(POINT, places, truth * total, total, bandwidth=4_000.0, rho=0.0)
    np.testing.assert_allclose(found.surface[0], differences, rtol=1e-4)
    np.testing.assert_allclose(found.corrected[0], differences, rtol=1e-4)
    p = 1 / (1 + np.exp(-(POINT[0] @ [0.8, 0.4] - 10_000) / 4_000))
    np.testing.assert_allclose(found.surface[0], p * (1 - p) * np.array([0.8, 0.4]) / 4_000, rtol=1e-4)


def test_the_correction_gives_back_most_of_what_smoothing_takes_from_a_sigmoid_between_ends():
    grid = np.stack(np.meshgrid(np.arange(0, 40_001, 1_000.0), np.arange(0, 40_001, 1_000.0)), -1).reshape(-1, 2)
    truth = 0.15 + 0.7 / (1 + np.exp(-4 * (grid[:, 0] - 20_000) / 9_000))
    total = np.full(len(grid), 1e6)
    found = gradients(np.array([[20_000.0, 20_000.0]]), grid, truth * total, total, bandwidth=4_000.0, rho=0.0)
    steepest = 0.7 / 9_000
    lost, left = steepest - found.surface[0, 0], steepest - found.corrected[0, 0]
    assert 0.1 * steepest < lost
    assert abs(left) < 0.2 * lost
    assert found.corrected[0, 1] == pytest.approx(0, abs=1e-3 * steepest)


def test_where_the_shells_hold_no_plane_no_gradient_is_given():
    places, count, total = survey()
    far = np.array([[200_000.0, 0.0]])
    found = gradients(far, places, count, total, bandwidth=2_000.0, rho=0.0)
    assert np.isnan(found.surface).all()
    assert np.isnan(found.corrected).all()
    assert np.isnan(found.covariance).all()
    none = gradients(POINT, places, np.zeros_like(count), total, bandwidth=4_000.0, rho=0.0)
    assert np.isnan(none.surface).all()  # no shell of a kind: the plane's slope is what was put in


def test_sites_behind_a_barrier_do_not_count():
    places, count, total = survey()
    hidden = places[:, 0] > 12_000
    blocked = np.broadcast_to(hidden, (1, len(places)))
    found = gradients(POINT, places, count, total, bandwidth=4_000.0, rho=0.02, blocked=blocked)
    alone = gradients(POINT, places[~hidden], count[~hidden], total[~hidden], bandwidth=4_000.0, rho=0.02)
    np.testing.assert_allclose(found.surface, alone.surface, rtol=1e-9)
    np.testing.assert_allclose(found.corrected, alone.corrected, rtol=1e-9)


@pytest.mark.parametrize(
    ("vector", "bearing"), [((0, 1), 0), ((1, 0), 90), ((0, -2), 180), ((-3, 0), 270), ((1, 1), 45)]
)
def test_bearings_count_clockwise_from_north(vector, bearing):
    assert bearing_deg(np.array(vector, dtype=float)) == pytest.approx(bearing)


def test_the_error_along_a_vector_by_hand():
    covariance = np.array([[4.0, 1.0], [1.0, 9.0]])
    assert length_error(np.array([2.0, 0.0]), covariance) == pytest.approx(2.0)
    assert length_error(np.array([0.0, -5.0]), covariance) == pytest.approx(3.0)
    assert length_error(np.array([3.0, 3.0]), covariance) == pytest.approx(np.sqrt(7.5))  # (4 + 1 + 1 + 9) / 2


def test_the_lower_limit_inverts_the_noncentral_chi_square():
    length = np.array([2.8, 3.5, 5.0, 12.0, 40.0])
    low, high = length_limits(length, np.ones(5))
    np.testing.assert_allclose(ncx2.cdf(length**2, 2, low**2), 0.975, atol=2e-3)
    np.testing.assert_allclose(high, length + 1.959964, rtol=1e-6)
    none, _ = length_limits(np.array([2.7]), np.ones(1))  # the square root of chi-square's 97.5% with 2 df is 2.716
    assert none[0] == 0


@pytest.mark.parametrize("truth", [0.0, 1.0, 3.0, 10.0])
@pytest.mark.parametrize("spread", [(1.0, 1.0), (1.0, 0.3)])
def test_the_limits_hold_the_length_of_a_noisy_vector(truth, spread):
    rng = np.random.default_rng(8)
    vector = truth * np.array([np.sin(0.7), np.cos(0.7)]) + rng.normal(0, spread, (20_000, 2))
    covariance = np.broadcast_to(np.diag(np.square(spread)), (20_000, 2, 2))
    low, high = length_limits(np.linalg.norm(vector, axis=1), length_error(vector, covariance))
    held = ((low <= truth) & (truth <= high)).mean()
    assert 0.93 < held <= 1.0  # least between the two ends, where the error differs most with direction
    if truth == 10.0:
        assert held < 0.96
