"""Local likelihood, against published local logistic fits, statsmodels, a plain minimiser and laws."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from morphcline.stats.kernels import kernel_weights
from morphcline.stats.local_likelihood import certain_limit, fit_local

# Eleven sites on a line, 20 shells each; fits recomputed with statsmodels 0.15.0 and, locally, with locfit 1.5-9.7 of R
# 4.2.2 (lp(x, h=, deg=); its Gaussian of h = 5 has a standard deviation of 2).
LINE = np.arange(11.0)[:, None]
SHOWN = np.array([1, 0, 2, 3, 6, 9, 13, 15, 18, 19, 20], dtype=float)[:, None]
TWENTY = np.full((11, 1), 20.0)
AT = np.array([[0.0], [2.0], [5.0], [10.0]])


def expit(logit):
    return 1.0 / (1.0 + np.exp(-logit))


@pytest.mark.parametrize(
    ("kernel", "bandwidth", "degree", "published", "tolerance"),
    [
        ("gaussian", 2.0, 0, [0.0761412164, 0.1610651066, 0.4680403368, 0.9110449053], 1e-10),
        ("gaussian", 2.0, 1, [0.0233244, 0.0818186, 0.4554908, 0.9848870], 1e-6),
        ("tricube", 4.0, 0, [0.0518196652, 0.1271179248, 0.4644616374, 0.9421401295], 1e-10),
        ("tricube", 4.0, 1, [0.0262749, 0.0812899, 0.4550806, 0.9897389], 1e-6),
    ],
)
def test_local_likelihood_on_a_line_is_that_of_locfit(kernel, bandwidth, degree, published, tolerance):
    fit = fit_local(AT, LINE, SHOWN, TWENTY, bandwidth=bandwidth, kernel=kernel, degree=degree)
    np.testing.assert_allclose(fit.frequency[:, 0], published, atol=tolerance)
    assert not fit.fallback.any()


def test_an_endless_bandwidth_gives_the_global_logistic_fit():
    # statsmodels 0.15.0, binomial GLM: intercept -3.96958775, slope 0.76250121; at 5: 0.4608101210.
    fit = fit_local(np.array([[5.0]]), LINE, SHOWN, TWENTY, bandwidth=1e9)
    assert fit.frequency[0, 0] == pytest.approx(0.4608101210, abs=1e-9)
    p = fit.frequency[0, 0]
    assert fit.gradient[0, 0, 0] / (p * (1 - p)) == pytest.approx(0.76250121, abs=1e-7)


def test_an_endless_bandwidth_gives_the_standard_error_of_the_glm_in_the_plane():
    import statsmodels.api as sm

    rng = np.random.default_rng(3)
    sites = rng.uniform(0, 10_000, (40, 2))
    total = rng.integers(5, 60, 40).astype(float)
    count = rng.binomial(total.astype(int), expit((sites[:, 0] - 4_000) / 2_500)).astype(float)
    design = sm.add_constant(sites / 1_000)
    peer = sm.GLM(np.column_stack([count, total - count]), design, family=sm.families.Binomial()).fit(tol=1e-12)
    points = np.array([[2_000.0, 3_000.0], [9_000.0, 500.0]])
    table = peer.get_prediction(sm.add_constant(points / 1_000, has_constant="add"))
    fit = fit_local(points, sites, count[:, None], total[:, None], bandwidth=1e9)
    np.testing.assert_allclose(fit.frequency[:, 0], table.predicted, rtol=1e-7)
    np.testing.assert_allclose(fit.standard_error[:, 0], table.se, rtol=1e-6)


def test_an_endless_bandwidth_of_degree_0_gives_the_pooled_proportion():
    fit = fit_local(AT, LINE, SHOWN, TWENTY, bandwidth=1e9, degree=0)
    np.testing.assert_allclose(fit.frequency, 106 / 220, rtol=1e-12)
    np.testing.assert_allclose(fit.effective_shells, 220.0)
    np.testing.assert_allclose(fit.effective_sites, 11.0)
    np.testing.assert_allclose(fit.standard_error, np.sqrt(106 / 220 * 114 / 220 / 220), rtol=1e-12)


def plane(places):
    return expit(0.4 + 0.0006 * (places[:, 0] - 2_500) - 0.0003 * (places[:, 1] - 2_500))


@pytest.mark.parametrize("kernel", ["gaussian", "tricube"])
def test_degree_1_reproduces_a_logistic_plane_and_degree_0_flattens_it(kernel):
    rng = np.random.default_rng(11)
    sites = rng.uniform(0, 5_000, (120, 2))
    points = np.array([[2_500.0, 2_500.0], [0.0, 0.0], [5_000.0, 0.0]])
    total = np.full((120, 1), 1_000.0)
    count = plane(sites)[:, None] * total
    wide = 800.0 if kernel == "gaussian" else 2_000.0
    fit = fit_local(points, sites, count, total, bandwidth=wide, kernel=kernel)
    p = plane(points)
    np.testing.assert_allclose(fit.frequency[:, 0], p, rtol=1e-9)
    np.testing.assert_allclose(fit.gradient[:, 0] / (p * (1 - p))[:, None], [[0.0006, -0.0003]] * 3, rtol=1e-6)
    flat = fit_local(points, sites, count, total, bandwidth=wide, kernel=kernel, degree=0)
    assert abs(flat.frequency[2, 0] - 0.5) < abs(p[2] - 0.5) - 0.02


def test_each_point_agrees_with_a_plain_minimiser():
    rng = np.random.default_rng(21)
    sites = rng.uniform(0, 10, (35, 2))
    total = rng.integers(1, 40, (35, 2)).astype(float)
    count = rng.binomial(total.astype(int), expit(sites[:, :1] - 5)).astype(float)
    rho = np.array([0.0, 0.1])
    points = rng.uniform(2, 8, (6, 2))
    fit = fit_local(points, sites, count, total, bandwidth=2.5, rho=rho)
    for i, point in enumerate(points):
        for j in range(2):
            shells = total[:, j] / (1 + (total[:, j] - 1) * rho[j])
            weights = np.exp(-np.sum((sites - point) ** 2, axis=1) / (2 * 2.5**2)) * shells
            share = count[:, j] / total[:, j]

            def loss(beta, point=point, weights=weights, share=share):
                logit = beta[0] + (sites - point) @ beta[1:]
                return np.sum(weights * (np.logaddexp(0, logit) - share * logit))

            best = minimize(loss, np.zeros(3), method="BFGS", options={"gtol": 1e-8})
            assert fit.frequency[i, j] == pytest.approx(expit(best.x[0]), abs=1e-6)


def test_a_dense_sum_gives_the_same_proportion_and_support():
    rng = np.random.default_rng(8)
    sites, points = rng.uniform(0, 50, (300, 2)), rng.uniform(0, 50, (500, 2))
    total = rng.integers(0, 30, (300, 3)).astype(float)
    count = rng.binomial(total.astype(int), 0.3).astype(float)
    rho = np.array([0.0, 0.05, 0.3])
    fit = fit_local(points, sites, count, total, bandwidth=3.0, rho=rho, degree=0)
    for j in range(3):
        shells = total[:, j] / (1 + np.maximum(total[:, j] - 1, 0) * rho[j])
        share = count[:, j] / np.maximum(total[:, j], 1)
        weights = np.exp(-((points[:, None] - sites[None]) ** 2).sum(-1) / 18)
        expected = (weights @ (shells * share)) / (weights @ shells)
        np.testing.assert_allclose(fit.frequency[:, j], expected, atol=1e-6)  # sites beyond 6 sd are left out
        support = (weights @ shells) ** 2 / (weights**2 @ shells)
        near = ((points[:, None] - sites[None, shells > 0]) ** 2).sum(-1).min(axis=1) <= 6.0**2  # two bandwidths
        np.testing.assert_allclose(fit.effective_shells[:, j], np.where(near, support, 0.0), rtol=1e-5)


def test_a_large_sample_weighs_what_its_correlation_leaves_of_it():
    sites, points = np.array([[-1.0], [1.0]]), np.zeros((1, 1))
    count, total = np.array([[0.0], [201.0]]), np.array([[1.0], [201.0]])
    # 201 / (1 + 200 x 0.1) = 201 / 21 = 9.571..., against 1: the frequency is 9.571 / 10.571.
    fit = fit_local(points, sites, count, total, bandwidth=5.0, rho=0.1, degree=0)
    assert fit.frequency[0, 0] == pytest.approx((201 / 21) / (1 + 201 / 21), rel=1e-12)
    assert fit.effective_shells[0, 0] == pytest.approx(1 + 201 / 21, rel=1e-12)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.sampled_from([0, 1]))
def test_exchanging_the_kinds_and_moving_the_map_change_nothing_else(seed, degree):
    rng = np.random.default_rng(seed)
    sites, points = rng.uniform(0, 10, (25, 2)), rng.uniform(0, 10, (5, 2))
    total = rng.integers(1, 30, (25, 1)).astype(float)
    count = rng.binomial(total.astype(int), expit(sites[:, :1] - 5)).astype(float)
    fit = fit_local(points, sites, count, total, bandwidth=3.0, degree=degree)
    other = fit_local(points, sites, total - count, total, bandwidth=3.0, degree=degree)
    moved = fit_local(points * 10 + 4e5, sites * 10 + 4e5, count, total, bandwidth=30.0, degree=degree)
    np.testing.assert_allclose(other.frequency, 1 - fit.frequency, atol=1e-6)
    np.testing.assert_allclose(other.standard_error, fit.standard_error, atol=1e-6)
    np.testing.assert_allclose(moved.frequency, fit.frequency, atol=1e-6)
    np.testing.assert_array_equal(moved.fallback, fit.fallback)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.sampled_from([0, 1]), st.sampled_from(["gaussian", "epanechnikov", "tricube"]))
def test_whatever_the_samples_a_frequency_is_between_0_and_1_or_missing(seed, degree, kernel):
    rng = np.random.default_rng(seed)
    sites = rng.uniform(0, 10, (rng.integers(1, 20), 2))
    total = rng.integers(0, 5, (len(sites), 2)).astype(float)
    count = rng.binomial(total.astype(int), rng.choice([0.0, 0.02, 0.5, 1.0])).astype(float)
    fit = fit_local(
        rng.uniform(-5, 15, (30, 2)), sites, count, total, bandwidth=2.0, degree=degree, kernel=kernel, rho=0.1
    )
    known = np.isfinite(fit.frequency)
    assert ((fit.frequency[known] >= 0) & (fit.frequency[known] <= 1)).all()
    assert (fit.standard_error[fit.effective_shells > 0] > 0).all()
    assert known[fit.effective_shells > 0].all()


def test_the_order_of_points_and_sites_makes_no_difference():
    rng = np.random.default_rng(2)
    sites, points = rng.uniform(0, 40, (200, 2)), rng.uniform(0, 40, (300, 2))
    total = np.full((200, 1), 20.0)
    count = rng.binomial(20, expit((sites[:, :1] - 20) / 5)).astype(float)
    fit = fit_local(points, sites, count, total, bandwidth=4.0)
    order, others = rng.permutation(300), rng.permutation(200)
    again = fit_local(points[order], sites[others], count[others], total[others], bandwidth=4.0)
    np.testing.assert_allclose(again.frequency, fit.frequency[order], atol=1e-7)


def test_separated_sites_have_a_plane_whose_slope_is_held():
    sites = np.array([[0.0, 0.0], [1.0, 1.0], [0.5, 2.0], [6.0, 0.0], [7.0, 1.0], [6.5, 2.0]])
    total, count = np.full((6, 1), 20.0), np.array([[0.0], [0.0], [0.0], [20.0], [20.0], [20.0]])
    fit = fit_local(np.array([[3.5, 1.0]]), sites, count, total, bandwidth=5.0)
    assert fit.held[0, 0]
    assert not fit.fallback[0, 0]
    assert fit.frequency[0, 0] == pytest.approx(0.5, abs=0.05)
    # The edge lies anywhere in the gap: the frequency half-way is not known to the 0.05 of a proportion of 120 shells.
    assert fit.standard_error[0, 0] > 0.1
    spread = np.sqrt(np.var(sites[:, 0]))
    assert 4.0 < 4 * fit.gradient[0, 0, 0] * spread < 6.0  # logits over a standard deviation of the sites, about


def test_a_surface_and_its_error_have_no_steps_where_the_shells_no_longer_hold_a_plane():
    # A rare kind at one end, and at the other none: planes there are held by what was put in.
    rng = np.random.default_rng(12)
    sites = rng.uniform(0, 10, (60, 2)) * (1.0, 0.4)
    total = np.full((60, 1), 15.0)
    count = rng.binomial(15, np.where(sites[:, :1] < 5, 0.25, 0.0)).astype(float)
    along = np.column_stack([np.linspace(0, 10, 2_001), np.full(2_001, 2.0)])
    fit = fit_local(along, sites, count, total, bandwidth=0.9)
    held = fit.held[:, 0]
    assert 0.05 < held.mean() < 0.95
    assert np.abs(np.diff(fit.frequency[:, 0])).max() < 0.01
    assert np.abs(np.diff(np.log(fit.standard_error[:, 0]))).max() < 0.1
    assert fit.frequency[-1, 0] < 1e-3  # none there, whatever was put in


def test_an_error_is_never_below_that_of_as_many_independent_shells():
    rng = np.random.default_rng(15)
    sites, points = rng.uniform(0, 10, (80, 2)), rng.uniform(0, 10, (200, 2))
    total = rng.integers(3, 50, (80, 1)).astype(float)
    count = rng.binomial(total.astype(int), expit(1.5 * (sites[:, :1] - 5))).astype(float)
    fit = fit_local(points, sites, count, total, bandwidth=1.5, rho=0.05)
    p = fit.frequency
    assert (fit.standard_error >= np.sqrt(p * (1 - p) / fit.effective_shells) * (1 - 1e-9)).all()


def test_sites_on_a_line_fall_back_to_the_proportion():
    along = np.linspace(0, 10, 12)
    sites = np.column_stack([along, 2 * along + 3])
    count, total = np.round(20 * expit(along - 5))[:, None], np.full((12, 1), 20.0)
    fit = fit_local(sites[4:6], sites, count, total, bandwidth=5.0)
    assert fit.fallback.all()
    proportion = fit_local(sites[4:6], sites, count, total, bandwidth=5.0, degree=0)
    np.testing.assert_array_equal(fit.frequency, proportion.frequency)


def test_three_sites_are_too_few_for_a_plane():
    sites = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    assert fit_local(sites, sites, np.array([[5.0], [6.0], [7.0]]), np.full((3, 1), 20.0), bandwidth=5.0).fallback.all()


@pytest.mark.parametrize("shown", [0.0, 20.0])
def test_a_trait_that_no_shell_shows_or_all_do_is_no_certainty(shown):
    sites = np.random.default_rng(4).uniform(0, 10, (15, 2))
    count, total = np.full((15, 1), shown), np.full((15, 1), 20.0)
    fits = [fit_local(np.full((1, 2), 5.0), sites, count, total, bandwidth=1e9, degree=d) for d in (0, 1)]
    assert fits[0].frequency[0, 0] == fits[1].frequency[0, 0] == shown / 20
    # half a shell among 300: ½ / 301; a plane knows less, for it has a slope as well
    half = 0.5 / 301
    least = np.sqrt(half * (1 - half) / 300)
    assert fits[0].standard_error[0, 0] == pytest.approx(least, rel=1e-9)
    assert least < fits[1].standard_error[0, 0] < 3 * least
    assert certain_limit(np.array([300.0]))[0] == pytest.approx(half)


def test_support_ends_two_standard_deviations_from_the_last_site():
    sites, total = np.zeros((1, 2)), np.full((1, 1), 50.0)
    points = np.array([[0.0, 19.9], [0.0, 20.1], [0.0, 70.0]])
    fit = fit_local(points, sites, total / 2, total, bandwidth=10.0, degree=0)
    np.testing.assert_allclose(fit.effective_shells[:, 0], [50.0, 0.0, 0.0])
    assert np.isnan(fit.frequency[2, 0])


def test_a_site_without_shells_that_can_show_a_trait_supports_nothing():
    sites = np.array([[0.0, 0.0], [30.0, 0.0]])
    count, total = np.array([[0.0, 2.0], [3.0, 3.0]]), np.array([[0.0, 10.0], [10.0, 10.0]])
    fit = fit_local(np.zeros((1, 2)), sites, count, total, bandwidth=10.0, degree=0)
    assert fit.effective_shells[0, 0] == 0.0
    assert fit.effective_shells[0, 1] > 9.0


def test_leaving_a_site_out_is_fitting_without_it():
    rng = np.random.default_rng(13)
    sites = rng.uniform(0, 10, (30, 2))
    total = rng.integers(5, 40, (30, 1)).astype(float)
    count = rng.binomial(total.astype(int), expit(sites[:, :1] - 5)).astype(float)
    left_out = fit_local(sites, sites, count, total, bandwidth=3.0, left_out=np.arange(30))
    for i in range(30):
        others = np.arange(30) != i
        alone = fit_local(sites[i : i + 1], sites[others], count[others], total[others], bandwidth=3.0)
        assert left_out.frequency[i, 0] == pytest.approx(alone.frequency[0, 0], abs=1e-9)
        assert left_out.fallback[i, 0] == alone.fallback[0, 0]
    with pytest.raises(ValueError, match="needs the sites as points"):
        fit_local(sites[:3], sites, count, total, bandwidth=3.0, left_out=np.arange(30))


@pytest.mark.parametrize("degree", [0, 1])
def test_a_blocked_site_counts_as_if_it_were_not_there(degree):
    rng = np.random.default_rng(14)
    sites, points = rng.uniform(0, 10, (40, 2)), rng.uniform(0, 10, (6, 2))
    total = rng.integers(5, 40, (40, 1)).astype(float)
    count = rng.binomial(total.astype(int), expit(sites[:, :1] - 5)).astype(float)
    blocked = rng.random((6, 40)) < 0.4
    fit = fit_local(points, sites, count, total, bandwidth=3.0, degree=degree, blocked=blocked)
    for i in range(6):
        seen = ~blocked[i]
        alone = fit_local(points[i : i + 1], sites[seen], count[seen], total[seen], bandwidth=3.0, degree=degree)
        for name in ("frequency", "standard_error", "effective_shells", "effective_sites"):
            assert getattr(fit, name)[i, 0] == pytest.approx(getattr(alone, name)[0, 0], rel=1e-6)
    nothing = fit_local(points, sites, count, total, bandwidth=3.0, degree=degree, blocked=np.ones((6, 40), dtype=bool))
    assert (nothing.effective_shells == 0).all()
    assert np.isnan(nothing.frequency).all()


def test_leaving_a_block_out_is_fitting_without_its_sites():
    rng = np.random.default_rng(13)
    sites = rng.uniform(0, 10, (30, 2))
    count, total = rng.binomial(20, 0.4, (30, 1)).astype(float), np.full((30, 1), 20.0)
    block = rng.integers(0, 4, 30)
    left_out = fit_local(sites, sites, count, total, bandwidth=3.0, left_out=block)
    for i in range(30):
        others = block != block[i]
        alone = fit_local(sites[i : i + 1], sites[others], count[others], total[others], bandwidth=3.0)
        assert left_out.frequency[i, 0] == pytest.approx(alone.frequency[0, 0], abs=1e-9)


def test_nothing_that_is_lent_is_changed():
    lent = [AT.copy(), LINE.copy(), SHOWN.copy(), TWENTY.copy()]
    fit_local(*lent, bandwidth=2.0, rho=0.1)
    for before, after in zip((AT, LINE, SHOWN, TWENTY), lent, strict=True):
        np.testing.assert_array_equal(before, after)


@pytest.mark.parametrize("degree", [0, 1])
def test_standard_errors_are_the_spread_over_repeated_surveys(degree):
    rng = np.random.default_rng(99)
    sites = rng.uniform(0, 10, (80, 2))
    points = np.array([[5.0, 5.0], [2.0, 7.0], [9.0, 1.0]])
    total, rho, surveys = rng.integers(10, 50, 80), 0.08, 600
    truth = expit(0.3 * (sites[:, 0] - 5))
    chance = rng.beta(truth * (1 / rho - 1), (1 - truth) * (1 / rho - 1), (surveys, 80))
    count = rng.binomial(total, chance).T.astype(float)  # each survey as a trait
    fit = fit_local(points, sites, count, np.broadcast_to(total[:, None].astype(float), count.shape),
                    bandwidth=2.0, rho=rho, degree=degree)  # fmt: skip
    assert fit.fallback.mean() < 0.01
    spread = fit.frequency.std(axis=1)
    np.testing.assert_allclose(fit.standard_error.mean(axis=1), spread, rtol=0.1)


@pytest.mark.slow
@pytest.mark.parametrize("degree", [0, 1])
def test_standard_errors_are_those_of_a_parametric_bootstrap(degree):
    """One survey fitted; new ones drawn from the fit, with its correlation, and fitted, inside and at the edge."""
    rng = np.random.default_rng(41)
    sites = rng.uniform(0, 10, (120, 2))
    total, rho, draws = rng.integers(5, 60, 120).astype(float), 0.1, 1_000
    truth = 0.15 + 0.6 * expit(1.2 * (sites[:, 0] - 5))
    count = rng.binomial(total.astype(int), rng.beta(truth * (1 / rho - 1), (1 - truth) * (1 / rho - 1))).astype(float)
    points = np.array([[5.0, 5.0], [3.0, 6.5], [7.0, 3.0], [0.1, 5.0], [9.9, 9.9], [5.0, 0.0]])
    settings = {"bandwidth": 1.8, "rho": rho, "degree": degree}
    fit = fit_local(points, sites, count[:, None], total[:, None], **settings)
    fitted = fit_local(sites, sites, count[:, None], total[:, None], **settings).frequency[:, 0]
    again = rng.beta(fitted * (1 / rho - 1), (1 - fitted) * (1 / rho - 1), (draws, 120))
    drawn = rng.binomial(total.astype(int), again).T.astype(float)
    totals = np.broadcast_to(total[:, None], drawn.shape)
    fits = fit_local(points, sites, drawn, totals, **settings)
    spread = fits.frequency.std(axis=1, ddof=1)
    # A spread of 1000 draws is known to 2 %; at the edge a plane is the least linear in its samples.
    np.testing.assert_allclose(fits.standard_error.mean(axis=1) / spread, 1.0, atol=0.07)
    # What one survey states goes by its own frequency, which at the edge errs by itself.
    np.testing.assert_allclose(fit.standard_error[:3, 0] / spread[:3], 1.0, atol=0.1)
    np.testing.assert_allclose(fit.standard_error[:, 0] / spread, 1.0, atol=0.4)


def test_a_plane_at_its_own_points_uses_weights_that_fall_with_distance():
    # Two groups of sites, each all of one frequency: near one group its frequency rules.
    rng = np.random.default_rng(6)
    sites = np.vstack([rng.uniform(0, 1, (10, 2)), rng.uniform(20, 21, (10, 2))])
    count = np.repeat([[4.0], [16.0]], 10, axis=0)
    fit = fit_local(np.array([[0.5, 0.5], [20.5, 20.5]]), sites, count, np.full((20, 1), 20.0), bandwidth=2.0)
    np.testing.assert_allclose(fit.frequency[:, 0], [0.2, 0.8], atol=1e-9)
    assert kernel_weights(np.zeros((1, 2)), np.full((1, 2), 20.0), bandwidth=2.0)[0, 0] < 1e-40
