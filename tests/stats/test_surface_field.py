"""The field about a plane, and what smoothing misses of it: against scipy, scikit-learn and invented fields."""

import numpy as np
import pytest
from scipy.linalg import null_space
from scipy.stats import multivariate_normal

from morphcline.stats.correlations import SMOOTH, matern
from morphcline.stats.kernels import kernel_weights
from morphcline.stats.local_likelihood import fit_local
from morphcline.stats.smoothing import one_thread
from morphcline.stats.surface_field import Field, fit_field, no_field, restricted_likelihood, squared_bias


@pytest.fixture(autouse=True)
def _one_thread():
    """Hold small factorisations to one thread: several get in each other's way."""
    with one_thread():
        yield


def expit(logit):
    return 1.0 / (1.0 + np.exp(-logit))


def field_of(variance, range_m, slope=(0.0, 0.0)):
    return Field(np.array([variance]), np.array([range_m]), np.array(slope))


def correlation(places, others, range_m):
    """Return Matern's correlation of smoothness 3/2 by scikit-learn."""
    from sklearn.gaussian_process.kernels import Matern

    return Matern(length_scale=range_m, nu=1.5)(places, others)


def test_the_correlation_is_that_of_scikit_learn():
    rng = np.random.default_rng(0)
    places, others = rng.uniform(0, 10, (20, 2)), rng.uniform(0, 10, (15, 2))
    apart = np.hypot(*(places[:, None] - others[None]).transpose(2, 0, 1))
    np.testing.assert_allclose(matern(apart, 3.0, SMOOTH), correlation(places, others, 3.0), rtol=1e-9)


def test_restricted_likelihood_is_that_of_contrasts_that_no_plane_moves():
    # Patterson & Thompson (1971): the likelihood of K'y, with K'X = 0; another K adds a constant for all covariances.
    rng = np.random.default_rng(1)
    places = rng.uniform(0, 10, (25, 2))
    design = np.column_stack([np.ones(25), places])
    response, error = rng.normal(size=25), rng.uniform(0.2, 1.0, 25)
    contrasts = null_space(design.T)
    differences = []
    for variance, range_m in ((0.0, 1.0), (0.5, 2.0), (2.0, 6.0)):
        covariance = variance * correlation(places, places, range_m)
        found, coefficients = restricted_likelihood(covariance, error, response, design)
        whole = covariance + np.diag(error)
        expected = multivariate_normal(cov=contrasts.T @ whole @ contrasts).logpdf(contrasts.T @ response)
        differences.append(found - expected)
        by_hand = np.linalg.solve(
            design.T @ np.linalg.solve(whole, design), design.T @ np.linalg.solve(whole, response)
        )
        np.testing.assert_allclose(coefficients, by_hand, rtol=1e-8)
    np.testing.assert_allclose(differences, differences[0], rtol=1e-9)


def test_a_design_without_full_rank_has_no_likelihood():
    value, _ = restricted_likelihood(np.zeros((4, 4)), np.ones(4), np.arange(4.0), np.ones((4, 2)))
    assert value == -np.inf


def made(seed, *, sites=150, variance=1.0, range_m=3_000.0, shells=12.0, slope=0.0):
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 10_000, (sites, 2))
    field = np.linalg.cholesky(correlation(places, places, range_m) + 1e-9 * np.eye(sites)) @ rng.normal(size=sites)
    p = expit(np.sqrt(variance) * field + slope * (places[:, 0] - 5_000))
    return places, rng.binomial(int(shells), p) / shells, np.full(sites, shells)


def test_the_covariance_is_the_sum_of_its_parts_at_any_distance():
    mixed = Field(np.array([0.3, 0.7]), np.array([1_000.0, 5_000.0]), np.zeros(2))
    distance = np.random.default_rng(8).uniform(0, 9_000, (20, 30))
    expected = 0.3 * matern(distance, 1_000.0, SMOOTH) + 0.7 * matern(distance, 5_000.0, SMOOTH)
    np.testing.assert_allclose(mixed.covariance(distance), expected, atol=1e-5)
    assert mixed.variance == pytest.approx(1.0)
    assert 1_000 < mixed.range_m < 5_000
    assert (no_field(2).covariance(distance) == 0).all()
    assert np.isnan(no_field(2).range_m)


def variogram(field, distance):
    """Return half the mean square by which the field differs over a distance: what samples tell of it."""
    return field.variance - field.covariance(np.array([distance]))[0]


@pytest.mark.slow
@pytest.mark.parametrize(("variance", "range_m"), [(1.0, 3_000.0), (0.4, 1_500.0)])
def test_a_planted_field_is_found_again(variance, range_m):
    fields = []
    for seed in range(12):
        places, share, shells = made(seed, variance=variance, range_m=range_m)
        fitted = fit_local(places, places, (share * shells)[:, None], shells[:, None], bandwidth=1_000.0).frequency
        fields.append(fit_field(places, share, shells, fitted[:, 0]))
    for distance in (1_000.0, 2_500.0):
        planted = variogram(field_of(variance, range_m), distance)
        assert np.median([variogram(field, distance) for field in fields]) == pytest.approx(planted, rel=0.3)


@pytest.mark.slow
def test_a_plane_is_hardly_a_field_and_its_slope_is_found():
    fields = [
        fit_field(places, share, shells, expit(0.0004 * (places[:, 0] - 5_000)))
        for places, share, shells in (made(seed, variance=1e-9, slope=0.0004) for seed in range(12))
    ]
    # The plane itself has a standard deviation of 1.2 logits over the region; what is left to a field is far below.
    assert np.median([variogram(field, 2_500.0) for field in fields]) < 0.03
    assert np.mean([field.slope for field in fields], axis=0) == pytest.approx([0.0004, 0.0], abs=5e-5)


def test_few_sites_and_sites_at_one_place_tell_no_field():
    places, share, shells = made(3, sites=9)
    assert fit_field(places, share, shells, np.full(9, 0.5)).variance == 0
    places, share, shells = made(3, sites=30)
    assert fit_field(np.zeros((30, 2)), share, shells, np.full(30, 0.5)).variance == 0
    assert fit_field(places, share, np.where(np.arange(30) < 25, 0.0, shells), np.full(30, 0.5)).variance == 0


@pytest.mark.slow
def test_of_very_many_sites_some_tell_nearly_the_same():
    places, share, shells = made(4, sites=700)
    fitted = np.full(700, 0.5)
    some, few = (
        fit_field(places, share, shells, fitted),
        fit_field(places[:300], share[:300], shells[:300], fitted[:300]),
    )
    assert 0.3 < some.variance / few.variance < 3


@pytest.mark.parametrize("degree", [0, 1])
@pytest.mark.parametrize("at", [(5_000.0, 5_000.0), (200.0, 300.0)])
def test_the_squared_bias_is_the_mean_over_many_fields(degree, at):
    rng = np.random.default_rng(5)
    sites, point = rng.uniform(0, 10_000, (60, 2)), np.array([at])
    shells, p = rng.uniform(4, 20, 60), rng.uniform(0.2, 0.8, 60)
    slope = np.array([2e-4, -1e-4])
    field = field_of(0.7, 2_500.0, slope)
    found = squared_bias(point, sites, shells, p, field, bandwidth=1_500.0, degree=degree)
    everywhere = np.vstack([point, sites])
    root = np.linalg.cholesky(correlation(everywhere, everywhere, 2_500.0) + 1e-10 * np.eye(61))
    truth = np.sqrt(0.7) * root @ rng.normal(size=(61, 20_000)) + (everywhere @ slope)[:, None]
    weights = kernel_weights(point, sites, bandwidth=1_500.0)[0] * (shells * p * (1 - p) if degree else shells)
    design = np.column_stack([np.ones(60), sites - point])[:, : 1 + 2 * degree]
    # The fitted height of a weighted least squares of every field at once.
    height = np.linalg.lstsq(np.sqrt(weights)[:, None] * design, np.sqrt(weights)[:, None] * truth[1:], rcond=None)[0][
        0
    ]
    assert found[0] == pytest.approx(np.mean((height - truth[0]) ** 2), rel=0.04)


def test_a_wider_bandwidth_misses_more_and_a_far_point_nearly_the_whole_field():
    sites = np.stack(np.meshgrid(np.arange(20), np.arange(20)), axis=-1).reshape(-1, 2) * 500.0
    shells, p, field = np.full(400, 10.0), np.full(400, 0.5), field_of(1.0, 3_000.0)
    middle = np.array([[4_750.0, 4_750.0]])
    missed = [squared_bias(middle, sites, shells, p, field, bandwidth=h)[0] for h in (500.0, 1_000.0, 3_000.0, 1e6)]
    assert (np.diff(missed) > 0).all()
    assert missed[0] < 0.02
    far = squared_bias(np.array([[60_000.0, 4_750.0]]), sites, shells, p, field, bandwidth=20_000.0, degree=0)
    assert 1.0 < far[0] < 1.5  # its own variance, and that of the mean of a small region that stands there
    unreached = squared_bias(np.array([[60_000.0, 4_750.0]]), sites, shells, p, field, bandwidth=2_000.0)
    assert unreached[0] == 0


def test_a_plane_costs_degree_1_nothing_and_degree_0_its_tilt():
    sites = np.random.default_rng(6).uniform(0, 10_000, (50, 2))
    shells, p = np.full(50, 10.0), np.full(50, 0.5)
    tilted = field_of(0.0, 1.0, (3e-4, 0.0))
    edge = np.array([[0.0, 5_000.0]])
    assert squared_bias(edge, sites, shells, p, tilted, bandwidth=1_500.0)[0] == 0
    weights = kernel_weights(edge, sites, bandwidth=1_500.0)[0]
    expected = (3e-4 * (weights @ sites[:, 0]) / weights.sum()) ** 2
    assert squared_bias(edge, sites, shells, p, tilted, bandwidth=1_500.0, degree=0)[0] == pytest.approx(
        expected, rel=1e-6
    )


def test_blocked_sites_do_not_help():
    sites = np.random.default_rng(7).uniform(0, 10_000, (80, 2))
    shells, p, field = np.full(80, 10.0), np.full(80, 0.5), field_of(1.0, 3_000.0)
    point, west = np.array([[4_000.0, 5_000.0]]), sites[:, 0] < 5_000
    seen = squared_bias(point, sites, shells, p, field, bandwidth=1_500.0, blocked=~west[None, :])
    alone = squared_bias(point, sites[west], shells[west], p[west], field, bandwidth=1_500.0)
    assert seen[0] == pytest.approx(alone[0], rel=1e-5)
