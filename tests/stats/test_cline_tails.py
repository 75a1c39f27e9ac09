"""Tails of a cline: the formula by hand, SciPy's own maximum, planted tails, and refusals; goodness of fit likewise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy import stats
from scipy.optimize import approx_fprime, minimize
from scipy.special import expit, logit

from morphcline.stats.cline_choice import Candidate, standardised, tangent
from morphcline.stats.cline_fits import fit_flat, fit_free_ends, fit_sigmoid
from morphcline.stats.cline_goodness import p_fit
from morphcline.stats.cline_likeness import likeness
from morphcline.stats.cline_models import stepped, stepped_share
from morphcline.stats.cline_screen import Sites, screen_sigmoids
from morphcline.stats.cline_tails import fit_tails, from_symmetric, p_asymmetric, p_tails, why_no_tails
from morphcline.stats.clines import fit_clines, fit_clines_along
from morphcline.stats.likelihood import Maximum

Floats = NDArray[np.float64]


def share_by_hand(u: float, q: float, theta_before: float, theta_beyond: float) -> float:
    """Return the stepped cline as the literature writes it: a sigmoid between q and 1 - q, exponentials outside."""
    edge = np.log((1 - q) / q)
    if u < -edge:
        return float(q * np.exp(np.sqrt(theta_before) * (u + edge)))
    if u > edge:
        return float(1 - q * np.exp(-np.sqrt(theta_beyond) * (u - edge)))
    return float(1 / (1 + np.exp(-u)))


def test_the_share_is_that_of_the_literature() -> None:
    q, before, beyond = 0.2, 0.3, 0.05
    u = np.linspace(-12, 12, 97)
    share, _ = stepped_share(u, float(-logit(q)), before, beyond)
    # theta = (slope (1 - q))^2, as the columns' notes say.
    by_hand = [share_by_hand(one, q, (before * 0.8) ** 2, (beyond * 0.8) ** 2) for one in u]
    assert_allclose(share, by_hand, rtol=1e-12)
    assert_allclose(share + stepped_share(-u, float(-logit(q)), beyond, before)[0], 1, rtol=1e-12)


@pytest.mark.parametrize("symmetric", [True, False])
def test_derivatives_are_scipys(symmetric: bool) -> None:
    easting, northing = np.random.default_rng(1).normal(size=(2, 25))
    mean = stepped(easting, northing, symmetric=symmetric)
    at = np.array([0.1, -0.3, 0.4, -1.0, 1.2, 0.8, -1.2, *([] if symmetric else [-0.3])])
    slopes = mean(at)[1]
    for site in range(25):
        theirs = approx_fprime(at, lambda x, site=site: mean(x)[0][site], 1e-7)
        assert_allclose(slopes[site], theirs, atol=2e-6)


def surveyed(
    seed: int, *, n: int = 200, share: float = 0.25, slopes: tuple[float, float] = (0.15, 0.15), width: float = 0.15,
    tails: bool = True,
) -> Sites:  # fmt: skip
    """Return a survey within about one unit of the origin; the frequency rises northwards."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(-0.7, 0.7, (n, 2))
    total = rng.integers(15, 60, n)
    u = 4 * places[:, 1] / width
    g = stepped_share(u, -float(logit(share)), *slopes)[0] if tails else expit(u)
    p, tau = 0.05 + 0.9 * g, 19.0
    count = rng.binomial(total, rng.beta(p * tau, (1 - p) * tau)).astype(float)
    return Sites(places[:, 0], places[:, 1], count, total.astype(float), 1000.0, None)


def base_of(data: Sites) -> Candidate:
    level = fit_flat(data)
    free = fit_free_ends(data, screen_sigmoids(data, level), fit_sigmoid(data, level), level)
    return Candidate("sigmoid, free ends", float(free.parameters[2]), free)


def log_likelihood(data: Sites, at: Floats) -> float:
    """Return SciPy's log-likelihood of a cline with two tails, written out site by site."""
    centre, log_width, bearing, before, beyond, join, log_low, log_high, logit_rho = at
    tau = np.exp(-logit_rho)
    total = 0.0
    q = 1 / (1 + np.exp(join))
    thetas = [(np.exp(log) * (1 - q)) ** 2 for log in (log_low, log_high)]
    for east, north, k, n in zip(data.easting, data.northing, data.count, data.total, strict=True):
        u = 4 * np.exp(-log_width) * (east * np.sin(bearing) + north * np.cos(bearing) - centre)
        p = expit(before) + (expit(beyond) - expit(before)) * share_by_hand(u, q, *thetas)
        total += stats.betabinom.logpmf(k, n, p * tau, (1 - p) * tau)
    return float(total)


def test_scipy_finds_no_better_tails() -> None:
    data = surveyed(3, n=100)
    base = base_of(data)
    symmetric = fit_tails(data, base, symmetric=True)
    found = max(
        (fit_tails(data, base, symmetric=False), from_symmetric(data, symmetric)),
        key=lambda one: one.maximum.log_likelihood,
    )
    at = found.maximum.parameters
    assert found.maximum.log_likelihood >= symmetric.maximum.log_likelihood - 1e-6
    assert log_likelihood(data, at) == pytest.approx(found.maximum.log_likelihood, abs=1e-6)
    bounds = [
        (-5, 5),
        (np.log(0.02), 3),
        (-20, 20),
        (-10, 10),
        (-10, 10),
        (0.2, 5),
        (np.log(0.01), 0),
        (np.log(0.01), 0),
        (-14, 7),
    ]
    best = minimize(lambda x: -log_likelihood(data, x), at, method="L-BFGS-B", bounds=bounds, options={"maxiter": 15})
    assert found.maximum.log_likelihood > -best.fun - 0.02


def test_planted_tails_are_seen_chosen_and_told() -> None:
    data = surveyed(5, n=250)
    place = np.column_stack([data.easting, data.northing]) * 1000
    found = fit_clines(*place.T, data.count, data.total, rng=np.random.default_rng(1), permutations=199)
    assert found.p_tails <= 0.05
    assert found.chosen == "stepped, symmetric tails"
    fit = next(one for one in found.fits if one.model == found.chosen)
    # The farthest site is about one unit away, so that a metre is a thousandth of it.
    assert fit.width_low < 150 < fit.width_high
    assert fit.slope_min == fit.slope_max
    assert fit.slope_min_low < 0.15 < fit.slope_min_high
    assert fit.tail_share == pytest.approx(0.25, abs=0.12)
    assert fit.parameters == 8
    # The step's height over the gradient outside: (1 - 2 q) / (r 4 q (1 - q) / w), with the fitted numbers.
    q, r = fit.tail_share, fit.slope_min
    assert fit.barrier_min_m == pytest.approx((1 - 2 * q) * fit.width_m / (4 * q * (1 - q) * r))
    assert fit.p_fit > 0.01
    assert fit.bearing_deg == pytest.approx(0, abs=15) or fit.bearing_deg == pytest.approx(360, abs=15)


def test_one_tail_is_asymmetric_and_two_are_not() -> None:
    one, two = [], []
    for seed in range(8):
        for slopes, told in (((0.2, 1.0), one), ((0.15, 0.15), two)):
            data = surveyed(seed, n=250, slopes=slopes, share=0.35)
            symmetric = fit_tails(data, base_of(data), symmetric=True)
            told.append(p_asymmetric(data, symmetric, np.random.default_rng(seed), 199))
    assert sum(p <= 0.05 for p in one) >= 5
    assert sum(p <= 0.05 for p in two) <= stats.binom.ppf(0.995, 8, 0.05)


def test_a_plain_sigmoid_has_no_tails() -> None:
    p = []
    for seed in range(20):
        data = surveyed(seed, n=120, tails=False, width=0.4)
        p.append(p_tails(data, base_of(data), np.random.default_rng(seed), 99))
    assert sum(one <= 0.05 for one in p) <= stats.binom.ppf(0.995, 20, 0.05)


@pytest.mark.slow
def test_the_score_test_says_what_refitting_says() -> None:
    """The likelihood ratio with both models searched anew in every survey drawn from the sigmoid."""
    for seed, tails in ((1, False), (2, False), (3, True)):
        data = surveyed(seed, n=100, tails=tails, width=0.4 if not tails else 0.15)
        base = base_of(data)
        quick = p_tails(data, base, np.random.default_rng(1), 199)
        p, _ = tangent(data, base)
        tau = np.exp(-base.maximum.parameters[-1])
        rng = np.random.default_rng(4)

        def gain(of: Sites) -> float:
            plain = base_of(of)
            return fit_tails(of, plain, symmetric=False).maximum.log_likelihood - plain.maximum.log_likelihood

        seen = gain(data)
        drawn = [
            gain(
                replace(
                    data,
                    count=stats.betabinom.rvs(data.total.astype(int), p * tau, (1 - p) * tau, random_state=rng).astype(
                        float
                    ),
                )
            )
            for _ in range(39)
        ]
        slow = (1 + sum(one >= seen for one in drawn)) / 40
        assert (quick <= 0.05) == tails
        assert abs(quick - slow) < 0.3


# ----------------------------------------------------------------------------------------------------------- refusals
def test_sites_that_cannot_show_tails_are_told_why() -> None:
    data = surveyed(3, n=160)
    base = base_of(data)

    def why(data: Sites = data, base: Candidate = base, span: float = 1.0, width_told: bool = True) -> str:
        return why_no_tails(data, base, span=span, width_told=width_told)

    assert why() == ""
    assert why(base=Candidate("linear", 0.0, base.maximum)) == (
        "tails are added to a sigmoid, and the model chosen is linear"
    )
    assert why(span=0.42) == "42% of the way from end to end lies between the outermost sites; 90% is needed"
    assert "the width has no lower limit" in why(width_told=False)
    few = replace(data, **{name: getattr(data, name)[:60] for name in ("easting", "northing", "count", "total")})
    assert why(few) == "60 sites; 80 are needed for 8 parameters"
    south = base.maximum.parameters.copy()
    south[0], south[1] = -0.68, np.log(0.1)
    moved = replace(base, maximum=replace(base.maximum, parameters=south))
    assert why(base=moved).endswith("effective sites in the tail at the low end; 15 are needed")


def test_along_a_line_the_other_way_the_tails_keep_their_ends() -> None:
    """Of 40 km with one long tail at the low end."""
    rng = np.random.default_rng(8)
    s = rng.uniform(0, 40_000, 250)
    total = rng.integers(15, 60, 250).astype(float)
    p = 0.05 + 0.9 * stepped_share(4 * (s - 22_000) / 3000, -float(logit(0.35)), 0.05, 1.0)[0]
    count = rng.binomial(total.astype(int), p).astype(float)
    one, other = (
        fit_clines_along(along, count, total, rng=np.random.default_rng(1), permutations=99)
        for along in (s, 40_000 - s)
    )
    assert one.chosen == other.chosen == "stepped, asymmetric tails"
    fit, turned = (next(f for f in found.fits if f.model == found.chosen) for found in (one, other))
    assert fit.slope_min < 0.3 < fit.slope_max
    assert turned.slope_min == pytest.approx(fit.slope_min, rel=0.02)
    assert turned.centre_m == pytest.approx(40_000 - fit.centre_m, abs=100)
    assert turned.bearing_deg == pytest.approx(180)


# -------------------------------------------------------------------------------------------- goodness of fit, likeness
def test_an_area_of_its_own_fails_the_test_of_fit_and_chi_square_does_not_see_it() -> None:
    rng = np.random.default_rng(2)
    places = rng.uniform(-0.7, 0.7, (150, 2))
    total = rng.integers(15, 60, 150)
    p = np.where(np.hypot(places[:, 0] + 0.2, places[:, 1] - 0.1) < 0.3, 0.7, 0.15)
    count = rng.binomial(total, rng.beta(p * 19, (1 - p) * 19)).astype(float)
    data = Sites(*places.T, count, total.astype(float), 1000.0, None)
    base = base_of(data)
    value, error = p_fit(data, base, places * 1000, np.random.default_rng(1))
    assert value == pytest.approx(1 / 200)
    assert error == pytest.approx(np.sqrt(0.005 * 0.995 / 199))
    # Pearson's chi-square with the fitted rho, against its degrees of freedom: nothing to be seen.
    residual, slopes = standardised(data, base)
    assert stats.chi2.sf((residual**2).sum(), 150 - slopes.shape[1] - 1) > 0.05


def test_p_fit_is_uniform_where_the_model_is_true() -> None:
    values = []
    for seed in range(40):
        data = surveyed(seed, n=80, tails=False, width=0.6)
        values.append(p_fit(data, base_of(data), np.column_stack([data.easting, data.northing]) * 1000,
                            np.random.default_rng(seed), 99)[0])  # fmt: skip
    assert stats.kstest(values, "uniform").pvalue > 0.001


def test_the_interval_grows_as_a_sandwich_says() -> None:
    """With all the residuals' variance in common at one long range, the ratio is that of two covariances by hand."""
    data = surveyed(4, n=90, tails=False, width=0.5)
    base = base_of(data)
    place = np.column_stack([data.easting, data.northing]) * 1000
    rng = np.random.default_rng(6)
    apart = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    field = np.linalg.cholesky(np.exp(-apart / 500) + 1e-9 * np.eye(90)) @ rng.standard_normal(90)
    p, _ = tangent(data, base)
    moved = replace(data, count=np.round(data.total * expit(logit(p) + 1.2 * field)))
    alike = likeness(moved, base_of(moved), place, rng)
    independent = likeness(data, base, place, rng)
    assert alike.share > 0.4 > independent.share
    assert alike.longer.min() >= 1
    assert alike.longer[:3].max() > 1.3
    # By hand: A^-1 X' R X A^-1 over A^-1 with the mean range; the program averages over ranges, so only roughly alike.
    _, slopes = standardised(moved, base_of(moved))
    inverse = np.linalg.inv(slopes.T @ slopes)
    correlation = alike.share * np.exp(-apart / alike.range_m)
    np.fill_diagonal(correlation, 1.0)
    ratio = np.sqrt(np.diag(inverse @ slopes.T @ correlation @ slopes @ inverse) / np.diag(inverse))
    assert_allclose(alike.longer[:5], np.maximum(ratio, 1), rtol=0.15)


def test_parameters_of_a_model_without_tails_are_left_alone() -> None:
    at = np.array([0.1, -0.2, 0.3, -1.5, 1.1, -3.0])
    candidate = Candidate("sigmoid, free ends", 0.3, Maximum(at, 0.0, True, np.eye(6)))
    assert candidate.ends_free
    assert not replace(candidate, model="sigmoid").ends_free
    assert not replace(candidate, model="stepped, symmetric tails", fixed_ends=True).ends_free
