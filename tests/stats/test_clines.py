"""Cline fits against general optimisers and regression, planted clines, and laws."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import minimize
from scipy.special import expit, logit

from morphcline.stats.clines import LIMITS, MODELS, ClineFit, Clines, fit_clines, fit_clines_along

Floats = NDArray[np.float64]
Survey = tuple[Floats, Floats, Floats, Floats]


def survey(
    seed: int,
    *,
    sites: int = 120,
    centre: float = 1500.0,
    width: float = 6000.0,
    bearing_deg: float = 60.0,
    ends: tuple[float, float] = (0.15, 0.85),
    rho: float = 0.06,
) -> Survey:
    """Return a survey of 30 x 30 km; the centre counts from the mean of the sites."""
    rng = np.random.default_rng(seed)
    easting, northing = 500_000 + rng.uniform(0, 30_000, sites), 6_600_000 + rng.uniform(0, 30_000, sites)
    total = rng.integers(5, 70, sites)
    bearing = np.deg2rad(bearing_deg)
    s = (easting - easting.mean()) * np.sin(bearing) + (northing - northing.mean()) * np.cos(bearing)
    p = ends[0] + (ends[1] - ends[0]) * expit(4 * (s - centre) / width)
    tau = (1 - rho) / rho
    count = rng.binomial(total, np.clip(rng.beta(p * tau, (1 - p) * tau), 0, 1))
    return easting, northing, count.astype(float), total.astype(float)


def fitted(data: Survey, axis_deg: float | None = None, permutations: int = 99) -> Clines:
    return fit_clines(*data, rng=np.random.default_rng(1), axis_deg=axis_deg, permutations=permutations)


def row(clines: Clines, model: str) -> ClineFit:
    return next(fit for fit in clines.fits if fit.model == model)


def log_likelihood(data: Survey, parameters: Floats) -> float:
    """Return SciPy's log-likelihood of a sigmoid: centre, log width, bearing, logits of the ends, logit rho."""
    easting, northing, count, total = data
    centre, log_width, bearing, before, beyond, logit_rho = parameters
    s = (easting - easting.mean()) * np.sin(bearing) + (northing - northing.mean()) * np.cos(bearing)
    p = expit(before) + (expit(beyond) - expit(before)) * expit(4 * (s - centre) / np.exp(log_width))
    p = np.clip(p, 1e-10, 1 - 1e-10)
    tau = np.exp(-logit_rho)
    return float(stats.betabinom.logpmf(count, total, p * tau, (1 - p) * tau).sum())


# ------------------------------------------------------------------------------------------------ outside references
# Logistic regression of 11 sites of 20 shells; recomputed with statsmodels 0.15.0, tolerance 1e-6:
X = np.arange(11.0)
Y = np.array([1.0, 0, 2, 3, 6, 9, 13, 15, 18, 19, 20])
N = np.full(11, 20.0)
CENTRE, WIDTH = 5.20600848, 5.24589333


def test_without_over_dispersion_the_sigmoid_is_logistic_regression() -> None:
    found = fit_clines_along(X, Y, N, rng=np.random.default_rng(1))
    fit = row(found, "sigmoid")
    assert fit.rho == 0
    assert_allclose([fit.centre_m, fit.width_m], [CENTRE, WIDTH], rtol=2e-6)
    glm = sm.GLM(np.column_stack([Y, N - Y]), sm.add_constant(X), family=sm.families.Binomial()).fit()
    assert_allclose([fit.centre_m, fit.width_m], [-glm.params[0] / glm.params[1], 4 / glm.params[1]], rtol=2e-6)
    assert_allclose(fit.log_likelihood, glm.llf, atol=1e-3)
    assert fit.bearing_deg == 0


def test_flat_is_scipys_maximum_of_the_beta_binomial() -> None:
    data = survey(3, ends=(0.3, 0.3), sites=40)
    fit = row(fitted(data), "flat")

    def negative(at: Floats) -> float:
        p, tau = expit(at[0]), np.exp(-at[1])
        return -float(stats.betabinom.logpmf(data[2], data[3], p * tau, (1 - p) * tau).sum())

    best = minimize(negative, [0.0, -2.0], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10})
    assert_allclose(fit.log_likelihood, -best.fun, atol=1e-6)
    assert_allclose([fit.p_min, fit.rho], expit(best.x), rtol=1e-3)


@pytest.mark.parametrize("seed", range(4))
def test_no_other_peak_is_higher(seed: int) -> None:
    """A dense grid of starts, each followed uphill by SciPy, never ends above our fit."""
    data = survey(seed, sites=45, width=4000, ends=(0.3, 0.6), rho=0.1)
    fit = row(fitted(data), "sigmoid, free ends")
    narrowest = 2 / 45 * float(np.hypot(data[0] - data[0].mean(), data[1] - data[1].mean()).max())
    limits = [(-1e5, 1e5), (np.log(narrowest), 16), (-20, 20), (-10, 10), (-10, 10), (-14, 7)]
    starts = [
        np.array([centre, np.log(width), bearing, -0.5, 0.5, -2.2])
        for centre in (-9000, -3000, 3000, 9000)
        for width in (1500.0, 12_000)
        for bearing in np.arange(8) * np.pi / 4
    ]
    starts.sort(key=lambda start: -log_likelihood(data, start))
    scale = np.array([1e4, 1, 1, 1, 1, 1])
    best = max(
        -float(
            minimize(
                lambda at: -log_likelihood(data, at * scale),
                start / scale,
                method="L-BFGS-B",
                bounds=[(low / unit, high / unit) for (low, high), unit in zip(limits, scale, strict=True)],
            ).fun
        )
        for start in starts[:12]
    )
    assert fit.log_likelihood > best - 0.01


def test_linear_is_the_best_plane_within_0_and_1() -> None:
    data = survey(8, sites=60, width=40_000)
    fit = row(fitted(data), "linear")
    east, north = (data[0] - data[0].mean()) / 2e4, (data[1] - data[1].mean()) / 2e4
    design = np.column_stack([np.ones(60), east, north])

    def negative(at: Floats) -> float:
        p, tau = np.clip(design @ at[:3], 1e-9, 1 - 1e-9), np.exp(-at[3])
        return -float(stats.betabinom.logpmf(data[2], data[3], p * tau, (1 - p) * tau).sum())

    bounds = [
        {"type": "ineq", "fun": lambda at: design @ at[:3] - 1e-7},
        {"type": "ineq", "fun": lambda at: 1 - 1e-7 - design @ at[:3]},
    ]
    best = minimize(negative, [0.5, 0.1, 0.1, -2.5], method="SLSQP", constraints=bounds, options={"maxiter": 500})
    assert_allclose(fit.log_likelihood, -best.fun, atol=2e-3)
    assert_allclose(fit.bearing_deg, np.rad2deg(np.arctan2(best.x[1], best.x[2])) % 360, atol=0.5)
    assert fit.p_max - fit.p_min == pytest.approx(fit.width_m * np.hypot(best.x[1], best.x[2]) / 2e4, rel=1e-2)


def test_profile_limits_lie_where_the_deviance_has_grown_by_fs_quantile() -> None:
    """At each limit SciPy's own maximum over the other parameters is as far below the best as it should be."""
    data = survey(12, sites=90, rho=0.08)
    fit = row(fitted(data), "sigmoid, free ends")
    best = np.array(
        [fit.centre_m, np.log(fit.width_m), np.deg2rad(fit.bearing_deg), logit(fit.p_min), logit(fit.p_max),
         logit(fit.rho)]
    )  # fmt: skip
    assert_allclose(log_likelihood(data, best), fit.log_likelihood, atol=1e-6)
    scale = np.array([1e3, 0.2, 0.1, 0.2, 0.2, 0.2])
    limits = {
        0: (fit.centre_low, fit.centre_high),
        1: (np.log(fit.width_low), np.log(fit.width_high)),
        2: (np.deg2rad(fit.bearing_low), np.deg2rad(fit.bearing_high)),
    }
    for index, pair in limits.items():
        for value in pair:
            others = np.arange(6) != index

            def negative(at: Floats, index: int = index, value: float = value, others: Floats = others) -> float:
                whole = best.copy()
                whole[index] = value
                whole[others] += at * scale[others]
                return -log_likelihood(data, whole)

            found = minimize(negative, np.zeros(5), method="BFGS")
            drop = 2 * (fit.log_likelihood + found.fun)
            longer = (fit.centre_longer, fit.width_longer, fit.bearing_longer)[index]
            # 90 sites less six parameters; more where neighbours are alike beyond the cline.
            assert drop == pytest.approx(stats.f.ppf(0.95, 1, 84) * longer**2, abs=0.03)


# ------------------------------------------------------------------------------------------------------ planted truth
def test_planted_clines_are_found() -> None:
    """Of 15 intervals of 95 %, fewer than 12 would hold the truth once in 200 times by chance."""
    held = 0
    for seed in range(20, 25):
        found = fitted(survey(seed))
        fit = row(found, "sigmoid, free ends")
        assert found.chosen == "sigmoid, free ends"
        assert found.p_flat == pytest.approx(1 / 100)
        assert fit.converged
        held += fit.centre_low < 1500 < fit.centre_high
        held += fit.width_low < 6000 < fit.width_high
        held += fit.bearing_low < 60 < fit.bearing_high
        assert fit.centre_m == pytest.approx(1500, abs=1500)
        assert fit.bearing_deg == pytest.approx(60, abs=10)
        assert fit.p_min == pytest.approx(0.15, abs=0.1)
        assert fit.p_max == pytest.approx(0.85, abs=0.1)
        assert fit.rho == pytest.approx(0.06, abs=0.04)
    assert held >= 12


def test_a_step_leaves_the_lower_limit_of_the_width_open() -> None:
    fit = row(fitted(survey(4, width=60.0)), "sigmoid, free ends")
    assert "width_low" in fit.open_limits
    assert np.isnan(fit.width_low)
    assert fit.width_high < 4000
    assert fit.open_limits == ("width_low",)
    assert not row(fitted(survey(20)), "sigmoid, free ends").step


def test_limits_are_those_of_the_chosen_model_alone() -> None:
    found = fitted(survey(20))
    assert row(found, "sigmoid, free ends").open_limits == ()
    assert set(row(found, "sigmoid").open_limits) == set(LIMITS)


def test_no_cline_is_claimed_where_there_is_none() -> None:
    found = fitted(survey(2, ends=(0.3, 0.3)), permutations=199)
    assert found.p_flat > 0.05
    assert found.chosen == "flat"
    assert set(row(found, "sigmoid, free ends").open_limits) == set(LIMITS)
    assert np.isnan(found.p_free_ends)
    assert not any(fit.step for fit in found.fits)


# 80 km from end to end of a line on the logit scale, of which the survey sees the middle 30.
LINE = {"centre": 0.0, "width": 80_000.0, "ends": (0.0, 1.0), "rho": 0.05}


def test_free_ends_are_not_chosen_where_the_logit_is_a_straight_line() -> None:
    """By AICc alone, the ends were free in a quarter of such surveys."""
    chosen = [fitted(survey(seed, sites=100, **LINE)).chosen for seed in range(700, 730)]
    assert chosen.count("sigmoid, free ends") <= stats.binom.ppf(0.99, 30, 0.06)
    assert chosen.count("linear") + chosen.count("sigmoid") >= 24


def test_an_end_that_nobody_saw_is_not_chosen() -> None:
    """The frequency rises from 0.1 all along the survey: where it ends lies beyond the last site."""
    unseen = [fitted(survey(seed, centre=14_000, width=24_000, ends=(0.1, 0.95), rho=0.02)) for seed in range(3)]
    for found in unseen:
        assert found.chosen in ("linear", "sigmoid")
        assert row(found, "linear").span_seen == 1


def test_the_span_seen_by_hand() -> None:
    fit = row(fit_clines_along(X, Y, N, rng=np.random.default_rng(1)), "sigmoid")
    # Sites at 0 and 10: logit distances 4 (0 - centre) / width and 4 (10 - centre) / width.
    assert_allclose(fit.span_seen, expit(4 * (10 - CENTRE) / WIDTH) - expit(-4 * CENTRE / WIDTH), rtol=1e-5)
    assert np.isnan(row(fitted(survey(5, sites=50)), "flat").span_seen)


def test_aicc_and_weights_by_hand() -> None:
    found = fitted(survey(5, sites=50, ends=(0.4, 0.5)))
    n = 50
    fits = [f for f in found.fits if not f.not_fitted_because]
    by_hand = [-2 * f.log_likelihood + 2 * f.parameters * n / (n - f.parameters - 1) for f in fits]
    assert_allclose([f.aicc for f in fits], by_hand)
    relative = np.exp(-0.5 * (np.array(by_hand) - min(by_hand)))
    assert_allclose([f.weight for f in fits], relative / relative.sum())
    assert [f.model for f in found.fits] == list(MODELS)
    assert [f.parameters for f in fits] == [2, 4, 4, 6]
    assert [f.parameters for f in fitted(survey(5, sites=50), axis_deg=60).fits][:4] == [2, 3, 3, 5]


def test_richer_models_never_fit_worse() -> None:
    for seed in range(3):
        by_model = {f.model: f.log_likelihood for f in fitted(survey(seed, sites=60, ends=(0.2, 0.5))).fits}
        assert by_model["sigmoid, free ends"] > by_model["sigmoid"] - 0.05
        assert by_model["sigmoid"] > by_model["flat"] - 1e-4
        assert by_model["linear"] > by_model["flat"] - 1e-4


# --------------------------------------------------------------------------------------------------------------- laws
@settings(max_examples=8)
@given(
    shift=st.tuples(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6)),
    factor=st.floats(0.05, 20),
    turn=st.floats(0, 360),
    seed=st.integers(0, 50),
)
def test_moving_turning_and_scaling_the_map_moves_the_cline_with_it(
    shift: tuple[float, float], factor: float, turn: float, seed: int
) -> None:
    east, north, count, total = survey(seed, sites=60)
    angle = np.deg2rad(turn)
    e, n = east - 515_000, north - 6_615_000
    # Turned clockwise, so that a bearing grows by the angle.
    moved_e = factor * (e * np.cos(angle) + n * np.sin(angle)) + shift[0]
    moved_n = factor * (n * np.cos(angle) - e * np.sin(angle)) + shift[1]
    before = row(fitted((east, north, count, total), permutations=9), "sigmoid")
    after = row(fitted((moved_e, moved_n, count, total), permutations=9), "sigmoid")
    assert_allclose(after.log_likelihood, before.log_likelihood, atol=1e-5)
    assert_allclose(after.width_m, factor * before.width_m, rtol=1e-3)
    assert_allclose(after.centre_m, factor * before.centre_m, rtol=1e-3, atol=factor * 10)
    assert (after.bearing_deg - before.bearing_deg - turn + 180) % 360 == pytest.approx(180, abs=0.05)


@pytest.mark.parametrize("model", ["linear", "sigmoid", "sigmoid, free ends"])
def test_counting_the_other_shells_turns_the_bearing_round(model: str) -> None:
    east, north, count, total = survey(31)
    one, other = (row(fitted((east, north, c, total)), model) for c in (count, total - count))
    assert_allclose(other.log_likelihood, one.log_likelihood, atol=1e-3)
    assert (other.bearing_deg - one.bearing_deg) % 360 == pytest.approx(180, abs=0.2)
    assert_allclose(other.width_m, one.width_m, rtol=5e-3)
    assert_allclose(other.centre_m, -one.centre_m, atol=30)
    assert_allclose([other.p_min, other.p_max], [1 - one.p_max, 1 - one.p_min], atol=5e-3)


def test_a_trait_that_falls_along_the_axis_gets_the_opposite_bearing() -> None:
    data = survey(6, bearing_deg=250.0)
    fit = row(fitted(data, axis_deg=70), "sigmoid, free ends")
    assert fit.bearing_deg == pytest.approx(250)
    assert np.isnan(fit.bearing_low)
    assert "bearing_low" not in fit.open_limits
    assert fit.centre_low < 1500 < fit.centre_high


def test_along_a_line_the_centre_counts_from_its_start_whichever_way_the_trait_rises() -> None:
    rise = fit_clines_along(X, Y, N, rng=np.random.default_rng(1))
    fall = fit_clines_along(X, N - Y, N, rng=np.random.default_rng(1))
    for model in ("linear", "sigmoid", "sigmoid, free ends"):
        up, down = row(rise, model), row(fall, model)
        assert (up.bearing_deg, down.bearing_deg) == (0, 180)
        assert_allclose(down.centre_m, up.centre_m, rtol=1e-3)
        assert_allclose(down.width_m, up.width_m, rtol=1e-3)
    assert_allclose(row(fall, "sigmoid").centre_low, row(rise, "sigmoid").centre_low, rtol=1e-3)
    assert_allclose(row(fall, "sigmoid").centre_high, row(rise, "sigmoid").centre_high, rtol=1e-3)


# ------------------------------------------------------------------------------------------------- what can't be fitted
E20, N20 = np.linspace(0, 1000, 20), np.linspace(0, 700, 20) ** 1.1


@pytest.mark.parametrize(
    ("easting", "northing", "count", "axis", "reason"),
    [
        (E20, N20, np.zeros(20), None, "no shell has it"),
        (E20, N20, np.full(20, 12.0), None, "every shell has it"),
        (E20[:9], N20[:9], np.arange(9.0), None, "9 sites with shells judged; at least 10 are needed"),
        (np.full(20, 5.0), np.full(20, 9.0), np.arange(20) % 12.0, None, "all sites lie at one place"),
        (E20, 2 * E20, np.arange(20) % 12.0, None, "straight line"),
        (E20, np.full(20, 3.0), np.arange(20) % 12.0, 0.0, "same distance along the axis"),
    ],
)
def test_a_trait_that_cant_carry_a_fit_says_why(
    easting: Floats, northing: Floats, count: Floats, axis: float | None, reason: str
) -> None:
    found = fitted((easting, northing, count, np.full(len(count), 12.0)), axis_deg=axis)
    assert reason in found.not_fitted_because
    assert found.fits == ()


def test_sites_without_shells_are_passed_over() -> None:
    east, north, count, total = survey(9, sites=40)
    more = [np.append(values, extra) for values, extra in ((east, 0.0), (north, 0.0), (count, 0.0), (total, 0.0))]
    one, other = fitted((east, north, count, total)), fitted((more[0], more[1], more[2], more[3]))
    assert other == one
    assert (one.sites, one.shells) == (40, int(total.sum()))


def test_bad_arrays_are_refused() -> None:
    east, north, count, total = survey(9, sites=40)
    with pytest.raises(ValueError, match="equally long"):
        fitted((east[:-1], north, count, total))
    with pytest.raises(ValueError, match="finite"):
        fitted((np.where(np.arange(40) == 3, np.nan, east), north, count, total))
    with pytest.raises(ValueError, match="between 0 and its total"):
        fitted((east, north, total + 1, total))


# --------------------------------------------------------------------------------------------------------- simulation
@pytest.mark.slow
def test_intervals_hold_the_truth_as_often_as_they_promise() -> None:
    """400 surveys of a planted cline: it is seen in most, and 90 to 99 % of the 95 % intervals hold the truth."""
    held = {"centre": 0, "width": 0, "bearing": 0}
    surveys, seen = 400, 0
    for seed in range(surveys):
        found = fitted(survey(5000 + seed, sites=80, width=8000.0))
        if found.chosen != "sigmoid, free ends":
            continue
        seen += 1
        fit = row(found, "sigmoid, free ends")
        for name, truth in (("centre", 1500.0), ("width", 8000.0), ("bearing", 60.0)):
            low, high = getattr(fit, f"{name}_low"), getattr(fit, f"{name}_high")
            below = not low > truth  # an open limit excludes nothing
            above = not high < truth
            held[name] += below and above
    assert seen > 0.85 * surveys
    for name, hits in held.items():
        assert 0.90 <= hits / seen <= 0.99, (name, hits, seen)


@pytest.mark.slow
def test_a_cline_is_called_in_a_flat_survey_as_often_as_promised() -> None:
    found = [fitted(survey(seed, sites=50, ends=(0.25, 0.25)), permutations=99) for seed in range(200)]
    rejected = sum(one.p_flat <= 0.05 for one in found)
    # 99 % binomial limits of 200 draws at 0.05.
    assert stats.binom.ppf(0.005, 200, 0.05) <= rejected <= stats.binom.ppf(0.995, 200, 0.05)
    assert sum(one.chosen != "flat" for one in found) <= rejected


@pytest.mark.slow
def test_free_ends_are_chosen_seldom_in_a_straight_line_and_mostly_where_they_are_planted() -> None:
    line = [fitted(survey(seed, sites=100, **LINE)) for seed in range(9000, 9200)]
    assert sum(one.chosen == "sigmoid, free ends" for one in line) <= stats.binom.ppf(0.99, 200, 0.05)
    assert sum(one.chosen != "flat" for one in line) > 190
    planted = [fitted(survey(seed, sites=100, width=9000.0)) for seed in range(9200, 9400)]
    assert sum(one.chosen == "sigmoid, free ends" for one in planted) > 170
