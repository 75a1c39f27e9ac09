"""Free ends against simpler clines, and what a cline leaves over: slow second ways, other libraries, and laws."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from numpy.typing import NDArray
from scipy import stats
from scipy.special import expit, logit

from morphcline.stats.cline_choice import Candidate, p_free_ends, residual_moran, span_seen, tangent
from morphcline.stats.cline_fits import fit_flat, fit_free_ends, fit_linear, fit_sigmoid
from morphcline.stats.cline_screen import Sites, screen_sigmoids
from morphcline.stats.clines import fit_clines
from morphcline.stats.likelihood import Maximum

Floats = NDArray[np.float64]


def sites(
    seed: int, *, n: int = 60, ends: tuple[float, float] = (0.0, 1.0), width: float = 3.0, rho: float = 0.05,
    axis: float | None = None,
) -> Sites:  # fmt: skip
    """Return a survey within one unit of the origin; the frequency rises northwards, halfway at the origin."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(-0.7, 0.7, (n, 2))
    total = rng.integers(8, 60, n)
    p = ends[0] + (ends[1] - ends[0]) * expit(4 * places[:, 1] / width)
    tau = (1 - rho) / rho
    count = rng.binomial(total, rng.beta(p * tau, (1 - p) * tau)).astype(float)
    return Sites(places[:, 0], places[:, 1], count, total.astype(float), 1000.0, axis)


def simpler(data: Sites) -> Candidate:
    level = fit_flat(data)
    bearing, line = fit_linear(data, level)
    curve = fit_sigmoid(data, level)
    both = [Candidate("linear", bearing, line), Candidate("sigmoid", float(curve.parameters[2]), curve)]
    return max(both, key=lambda one: one.maximum.log_likelihood)


def p_of(data: Sites, draws: int = 199) -> float:
    screen = screen_sigmoids(data, fit_flat(data))
    return p_free_ends(data, simpler(data), screen, np.random.default_rng(3), draws)


def p_by_refitting(data: Sites, draws: int) -> float:
    """Return the bootstrap p of the likelihood ratio, both models searched anew in every survey drawn."""

    def gain(of: Sites) -> float:
        level = fit_flat(of)
        free = fit_free_ends(of, screen_sigmoids(of, level), fit_sigmoid(of, level), level)
        return free.log_likelihood - simpler(of).maximum.log_likelihood

    null = simpler(data)
    p, _ = tangent(data, null)
    tau = np.exp(-null.maximum.parameters[-1])
    rng = np.random.default_rng(4)
    seen = gain(data)
    as_much = 0
    for _ in range(draws):
        drawn = stats.betabinom.rvs(data.total.astype(int), p * tau, (1 - p) * tau, random_state=rng)
        as_much += gain(replace(data, count=drawn.astype(float))) >= seen
    return (1 + as_much) / (1 + draws)


@pytest.mark.slow
@pytest.mark.parametrize("ends", [(0.0, 1.0), (0.2, 0.75)])
def test_the_score_test_says_what_refitting_says(ends: tuple[float, float]) -> None:
    width = 3.0 if ends == (0.0, 1.0) else 0.4
    quick, slow = [], []
    for seed in range(6):
        data = sites(seed, ends=ends, width=width, axis=0.0)
        quick.append(p_of(data))
        slow.append(p_by_refitting(data, 39))
    if ends == (0.0, 1.0):
        assert np.abs(np.mean(quick) - np.mean(slow)) < 0.2
        assert min(*quick, *slow) > 0.01
    else:
        assert np.median(quick) <= 0.05
        assert np.median(slow) <= 0.05


@pytest.mark.slow
@pytest.mark.parametrize("width", [1.2, 4.0])
def test_p_is_uniform_where_the_simpler_cline_is_true(width: float) -> None:
    p = [p_of(sites(seed, n=80, width=width), 99) for seed in range(200)]
    assert stats.kstest(p, "uniform").pvalue > 0.001
    assert np.mean(np.array(p) <= 0.05) <= stats.binom.ppf(0.995, 200, 0.05) / 200


def test_planted_free_ends_are_seen_and_a_straight_line_has_none() -> None:
    assert sum(p_of(sites(seed, n=100, ends=(0.2, 0.8), width=0.4)) <= 0.05 for seed in range(10)) >= 8
    assert sum(p_of(sites(seed, n=100)) <= 0.05 for seed in range(20)) <= stats.binom.ppf(0.995, 20, 0.05)


def test_binomial_counts_can_be_judged() -> None:
    data = sites(2)
    data = replace(data, count=np.round(data.total * expit(data.northing)))
    assert 0.005 <= p_of(data) <= 1


def fitted(model: str, *parameters: float, bearing: float = 0.3) -> Candidate:
    at = np.array([*parameters, -3.0])
    return Candidate(model, bearing, Maximum(at, 0.0, True, np.eye(len(at))))


FITTED = [
    fitted("flat", 0.4),
    fitted("linear", -1.0, 0.8),
    fitted("sigmoid", 0.1, -0.2, 0.3, 0.0, 0.0),
    fitted("sigmoid, free ends", 0.1, -0.2, 0.3, -1.5, 1.1),
]


@pytest.mark.parametrize("candidate", FITTED, ids=lambda one: one.model)
@pytest.mark.parametrize("axis", [None, 0.3])
def test_a_little_change_of_a_parameter_stays_within_the_tangent(candidate: Candidate, axis: float | None) -> None:
    data = replace(sites(1, n=30), axis=axis)
    p, slopes = tangent(data, candidate)
    at = candidate.maximum.parameters
    moved = {
        "flat": [0], "linear": [0, 1], "sigmoid": [0, 1], "sigmoid, free ends": [0, 1, 3, 4]
    }[candidate.model]  # fmt: skip
    turned = candidate.model != "flat" and axis is None
    assert slopes.shape == (30, len(moved) + turned)

    def other(index: int) -> Candidate:
        parameters = at.copy()
        bearing = candidate.bearing
        if index < 0:
            bearing += 1e-6
            if candidate.model != "linear":
                parameters[2] += 1e-6
        else:
            parameters[index] += 1e-6
        return replace(candidate, bearing=bearing, maximum=replace(candidate.maximum, parameters=parameters))

    for index in [*moved, *([-1] if turned else [])]:
        change = (tangent(data, other(index))[0] - p) / 1e-6
        assert np.abs(change).max() > 1e-3
        told = np.linalg.lstsq(slopes, change, rcond=None)[0]
        assert_allclose(slopes @ told, change, atol=1e-4)


def test_span_seen_by_hand() -> None:
    data = replace(sites(1, n=3), northing=np.array([-1.0, 0.0, 0.5]), easting=np.zeros(3))
    # 4 (s - 0.1) / 0.8 at -1 and 0.5: logits -5.5 and 2.
    curve = fitted("sigmoid, free ends", 0.1, np.log(0.8), 0.0, -1.0, 1.0, bearing=0.0)
    assert span_seen(data, curve) == pytest.approx(1 / (1 + np.exp(-2)) - 1 / (1 + np.exp(5.5)))
    assert span_seen(data, fitted("linear", -1.0, 1.0)) == 1
    assert np.isnan(span_seen(data, fitted("flat", 0.2)))


@pytest.mark.filterwarnings("ignore")  # esda's and libpysal's own
def test_residual_moran_is_that_of_esda() -> None:
    from esda.moran import Moran
    from libpysal.weights import KNN

    data = sites(5, n=70, ends=(0.1, 0.7), width=0.5)
    place = np.column_stack([data.easting, data.northing]) * 1000
    found = fit_clines(*place.T, data.count, data.total, rng=np.random.default_rng(1), permutations=99)
    fit = next(one for one in found.fits if one.model == "sigmoid, free ends")
    bearing = np.deg2rad(fit.bearing_deg)
    s = (place[:, 0] - found.origin_easting) * np.sin(bearing) + (place[:, 1] - found.origin_northing) * np.cos(bearing)
    p = fit.p_min + (fit.p_max - fit.p_min) * expit(4 * (s - fit.centre_m) / fit.width_m)
    deviation = np.sqrt(data.total * p * (1 - p) * (1 + (data.total - 1) * fit.rho))
    residual = (data.count - data.total * p) / deviation
    weights = KNN.from_array(place, k=8)
    weights.transform = "r"
    # Moran's own index takes deviations from the mean, residuals are what they are.
    lagged = weights.sparse @ residual
    assert fit.residual_moran_i == pytest.approx(residual @ lagged / (residual @ residual), abs=1e-6)
    assert fit.residual_moran_i == pytest.approx(Moran(residual, weights, permutations=0).I, abs=0.02)


def test_an_area_effect_is_left_over_and_a_cline_alone_is_not() -> None:
    alone, with_area = [], []
    for seed in range(12):
        data = sites(seed, n=150, ends=(0.1, 0.7), width=0.6)
        place = np.column_stack([data.easting, data.northing])
        level = fit_flat(data)
        curve = fit_free_ends(data, screen_sigmoids(data, level), fit_sigmoid(data, level), level)
        alone.append(residual_moran(data, Candidate("sigmoid, free ends", float(curve.parameters[2]), curve), place)[1])
        # Around one place, most shells have the trait.
        near = np.hypot(data.easting + 0.3, data.northing + 0.4) < 0.25
        other = replace(data, count=np.where(near, np.round(0.85 * data.total), data.count))
        curve = fit_free_ends(other, screen_sigmoids(other, level), fit_sigmoid(other, level), level)
        candidate = Candidate("sigmoid, free ends", float(curve.parameters[2]), curve)
        with_area.append(residual_moran(other, candidate, place)[1])
    assert sum(p <= 0.05 for p in alone) <= stats.binom.ppf(0.999, 12, 0.05)
    assert sum(p <= 0.001 for p in with_area) >= 10


def test_neighbours_are_those_on_the_map_not_along_the_axis() -> None:
    data = sites(7, n=40)
    flat = Candidate("flat", 0.0, fit_flat(data))
    residual = (data.count / data.total - expit(flat.maximum.parameters[0])) / np.sqrt(
        (1 + (data.total - 1) * expit(flat.maximum.parameters[-1])) / data.total
    )
    place = np.column_stack([data.easting, data.northing])
    distance = np.hypot(*(place[:, None, :] - place[None, :, :]).transpose(2, 0, 1))
    np.fill_diagonal(distance, np.inf)
    nearest = np.argsort(distance, axis=1)[:, :8]
    by_hand = float((residual * residual[nearest].mean(axis=1)).sum() / (residual @ residual))
    assert residual_moran(data, flat, place)[0] == pytest.approx(by_hand)


def test_no_residual_is_no_index() -> None:
    data = replace(sites(1, n=12), count=np.full(12, 4.0), total=np.full(12, 8.0))
    candidate = fitted("flat", float(logit(0.5)))
    assert np.isnan(residual_moran(data, candidate, np.column_stack([data.easting, data.northing]))).all()
