"""Kernels and effective numbers, against published smooths and hand-worked weights."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from morphcline.stats.kernels import CUT, effective_shells, kernel_weights, kish, nearest_bandwidth, squared_distances

# The speeds and stopping distances of 50 cars (M. Ezekiel, 1930, Methods of Correlation Analysis): data set `cars` of
# R, typed from memory; that the published smooths below come out says that they are right.
SPEED = np.array(
    [4, 4, 7, 7, 8, 9, 10, 10, 10, 11, 11, 12, 12, 12, 12, 13, 13, 13, 13, 14, 14, 14, 14, 15, 15, 15, 16, 16, 17, 17,
     17, 18, 18, 18, 18, 19, 19, 19, 20, 20, 20, 20, 20, 22, 23, 24, 24, 24, 24, 25],
    dtype=float,
)  # fmt: skip
DISTANCE = np.array(
    [2, 10, 4, 22, 16, 10, 18, 26, 34, 17, 28, 14, 20, 24, 28, 26, 34, 34, 46, 26, 36, 60, 80, 20, 26, 54, 32, 40, 32,
     40, 50, 42, 56, 76, 84, 36, 46, 68, 32, 48, 52, 56, 64, 66, 54, 70, 92, 93, 120, 85],
    dtype=float,
)  # fmt: skip
AT = np.array([4.0, 10.0, 15.0, 20.0, 25.0])
GAUSSIAN_SD = 0.3706506 * 5


def cars_weights():
    return kernel_weights(AT[:, None], SPEED[:, None], bandwidth=GAUSSIAN_SD)


def test_weighted_means_of_the_cars_are_the_published_local_constants():
    # Nadaraya-Watson, Gaussian of sd 0.3706506 x 5: statsmodels 0.15 KernelReg "lc" and a direct sum in R 4.2.2.
    weights = cars_weights()
    published = [7.94179104, 23.83147309, 40.36296241, 54.16540900, 85.48516093]
    np.testing.assert_allclose(weights @ DISTANCE / weights.sum(axis=1), published, rtol=1e-8)


def test_weighted_lines_through_the_cars_are_the_published_local_linear_values():
    # Hand weighted least squares in R 4.2.2 = statsmodels 0.15 KernelReg "ll" to 2e-7.
    published = [6.0051859068, 21.2626724854, 40.8110047813, 55.9964861951, 96.3058349190]
    lines = []
    for at, weights in zip(AT, cars_weights(), strict=True):
        root = np.sqrt(weights)
        design = np.column_stack([np.ones_like(SPEED), SPEED - at])
        lines.append(np.linalg.lstsq(design * root[:, None], DISTANCE * root, rcond=None)[0][0])
    np.testing.assert_allclose(lines, published, rtol=1e-9)


def test_the_cars_agree_with_statsmodels():
    from statsmodels.nonparametric.kernel_regression import KernelReg

    peer = KernelReg(DISTANCE, SPEED, var_type="c", reg_type="lc", bw=[GAUSSIAN_SD]).fit(AT)[0]
    weights = cars_weights()
    np.testing.assert_allclose(weights @ DISTANCE / weights.sum(axis=1), peer, rtol=1e-9)


@pytest.mark.parametrize(
    ("kernel", "weights"),
    [
        ("gaussian", [1.0, np.exp(-1 / 8), np.exp(-1 / 2), np.exp(-9 / 8)]),
        ("epanechnikov", [1.0, 3 / 4, 0.0, 0.0]),
        ("tricube", [1.0, (7 / 8) ** 3, 0.0, 0.0]),
    ],
)
def test_weights_at_half_one_and_one_and_a_half_bandwidths(kernel, weights):
    sites = np.array([[3.0, 4.0], [3.0, 5.0], [3.0, 6.0], [6.0, 4.0]])
    np.testing.assert_allclose(
        kernel_weights(np.array([[3.0, 4.0]]), sites, bandwidth=2.0, kernel=kernel)[0], weights, rtol=1e-14
    )


def test_each_point_may_have_its_own_bandwidth():
    weights = kernel_weights(np.zeros((2, 1)), np.ones((1, 1)), bandwidth=np.array([1.0, 2.0]))
    np.testing.assert_allclose(weights[:, 0], [np.exp(-0.5), np.exp(-0.125)])


def test_distances_keep_their_digits_far_from_the_origin():
    far = np.array([6_000_000.0, 9_000_000.0])
    assert squared_distances(far[None, :] + 0.25, far[None, :])[0, 0] == pytest.approx(0.125, rel=1e-12)


def test_what_is_cut_off_is_negligible():
    for kernel, cut in CUT.items():
        assert kernel_weights(np.zeros((1, 1)), np.full((1, 1), cut), bandwidth=1.0, kernel=kernel)[0, 0] < 2e-8


@pytest.mark.parametrize(
    ("weights", "number"), [((1, 1, 1, 1), 4.0), ((1, 2, 3, 4), 10 / 3), ((10, 1, 1, 1), 1.6407766990)]
)
def test_kish_numbers(weights, number):
    # Kish (1965), Survey Sampling: (sum w)² / sum w² = n / (1 + cv²), worked by hand for these weights.
    assert kish(np.array(weights, dtype=float)) == pytest.approx(number, rel=1e-10)


@given(
    st.lists(st.floats(0.01, 100), min_size=1, max_size=20),
    st.floats(0.01, 100),
)
def test_kish_number_is_free_of_scale_and_at_most_the_count(weights, factor):
    weights = np.array(weights)
    assert kish(weights * factor) == pytest.approx(kish(weights), rel=1e-9)
    assert 1 - 1e-9 <= kish(weights) <= len(weights) + 1e-9


def test_no_weight_is_worth_nothing():
    assert kish(np.zeros(3)) == 0.0
    assert effective_shells(np.zeros((1, 3)), np.ones(3))[0] == 0.0


def test_effective_shells_of_equal_weights_are_all_the_shells():
    np.testing.assert_allclose(
        effective_shells(np.full((1, 2), 0.3), np.array([[10.0, 4.0], [20.0, 5.0]])), [[30.0, 9.0]]
    )


def test_effective_shells_give_the_variance_of_the_weighted_proportion():
    rng = np.random.default_rng(5)
    weights, shells = rng.uniform(0.1, 1, 6), np.array([5, 10, 20, 30, 8, 12])
    draws = rng.binomial(shells, 0.3, size=(200_000, 6)) @ weights / (shells @ weights)
    number = effective_shells(weights[None, :], shells.astype(float))[0]
    assert draws.var() == pytest.approx(0.3 * 0.7 / number, rel=0.02)


def test_the_nearest_bandwidth_is_the_distance_to_the_kth_site():
    sites = np.array([[0.0, 0.0], [3.0, 4.0], [0.0, 10.0], [100.0, 0.0]])
    np.testing.assert_allclose(nearest_bandwidth(np.zeros((1, 2)), sites, neighbours=2), [5.0])
    np.testing.assert_allclose(nearest_bandwidth(np.array([[0.0, 1.0]]), sites, neighbours=3), [9.0])


def test_the_nearest_bandwidth_passes_over_sites_out_of_sight():
    points, sites = np.zeros((3, 2)), np.array([[1.0, 0.0], [0.0, 3.0], [5.0, 0.0]])
    blocked = np.array([[False, False, False], [True, False, False], [True, True, True]])
    found = nearest_bandwidth(points, sites, neighbours=2, blocked=blocked)
    np.testing.assert_allclose(found, [3.0, 5.0, 3.0])  # where none is in sight all count
    at_site = nearest_bandwidth(sites[:1], sites, neighbours=2, blocked=np.array([[False, True, True]]))
    np.testing.assert_allclose(at_site, [np.hypot(1, 3)])  # itself alone gives no distance


def test_the_nearest_bandwidth_takes_all_sites_when_there_are_fewer():
    assert nearest_bandwidth(np.zeros((1, 1)), np.array([[1.0], [2.0]]), neighbours=30)[0] == 2.0


def test_sites_at_one_place_leave_the_nearest_other_as_bandwidth():
    sites = np.array([[0.0], [0.0], [0.0], [7.0]])
    assert nearest_bandwidth(np.zeros((1, 1)), sites, neighbours=3)[0] == 7.0
    with pytest.raises(ValueError, match="no distance to a neighbour"):
        nearest_bandwidth(np.zeros((1, 1)), sites[:3], neighbours=3)
