"""Curved centre lines: splines by patsy, the likelihood by a general search, and lines laid over known ones."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import patsy
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.special import expit
from scipy.stats import betabinom

from morphcline.stats import cline_curve
from morphcline.stats.cline_curve import Bend, CurvedCline, centre_means, fit_curved, natural_splines
from morphcline.stats.cline_screen import Sites
from morphcline.stats.concordance import SigmoidCline, sigmoid_cline
from morphcline.stats.many_sigmoids import ManyFits

UNIT, BEARING = 20_000.0, np.deg2rad(60)


def centre(across_m: np.ndarray, bend_m: float) -> np.ndarray:
    return 1000 + bend_m * ((across_m / 12_000) ** 2 - 0.5)


def straight_cline(bend_m: float, *, seed: int = 5, sites: int = 150, axis: float | None = None) -> SigmoidCline:
    rng = np.random.default_rng(seed)
    place = rng.uniform(-14_000, 14_000, (sites, 2))
    s, t = place @ [np.sin(BEARING), np.cos(BEARING)], place @ [np.cos(BEARING), -np.sin(BEARING)]
    total = rng.integers(15, 60, sites).astype(float)
    p = 0.15 + 0.7 * expit(4 * (s - centre(t, bend_m)) / 7000)
    count = rng.binomial(total.astype(int), rng.beta(p * 19, (1 - p) * 19)).astype(float)
    return sigmoid_cline(
        Sites(*(place / UNIT).T, count, total, UNIT, axis), centre_m=1000.0, width_m=7000.0, bearing_deg=60.0,
        p_min=0.15, p_max=0.85, rho=0.05, ends_free=True,
    )  # fmt: skip


@pytest.fixture(scope="module")
def bent() -> tuple[SigmoidCline, CurvedCline]:
    cline = straight_cline(5000.0)
    return cline, fit_curved(cline, np.random.default_rng(1))


def test_the_splines_span_what_patsys_natural_splines_span() -> None:
    t = np.random.default_rng(1).normal(size=80)
    knots = np.quantile(t, [0.05, 0.35, 0.65, 0.95])
    inside = t[(t >= knots[0]) & (t <= knots[-1])]
    settings = {"t": inside, "inner": knots[1:3], "low": knots[0], "high": knots[3]}
    theirs = np.asarray(
        patsy.dmatrix("cr(t, knots=inner, lower_bound=low, upper_bound=high) - 1", settings), dtype=np.float64
    )
    ours = np.column_stack([np.ones_like(inside), inside, natural_splines(inside, knots)])
    assert theirs.shape[1] == ours.shape[1]
    assert_allclose(theirs @ np.linalg.lstsq(theirs, ours, rcond=None)[0], ours, atol=1e-8)


def test_the_splines_are_straight_beyond_the_outermost_knots() -> None:
    knots = np.array([-1.0, -0.3, 0.4, 1.0])
    for beyond in (np.linspace(-5, -1, 9), np.linspace(1, 5, 9)):
        assert_allclose(np.diff(natural_splines(beyond, knots), n=2, axis=0), 0, atol=1e-9)


def test_the_shapes_change_neither_centre_nor_bearing() -> None:
    t = np.random.default_rng(2).normal(size=60)
    shapes = Bend.over(t).design(t, curved=True)
    assert_allclose(shapes[:, :2].T @ shapes[:, 2:], 0, atol=1e-10)


def test_derivatives_are_those_of_small_steps() -> None:
    rng = np.random.default_rng(3)
    along, t = rng.normal(size=30), rng.normal(size=30)
    means = centre_means(along, Bend.over(t).design(t, curved=True), ends_free=True)
    at = np.array([0.1, 0.2, 0.3, -0.4, -0.3, -1.0, 1.4])
    slopes = means(at[None])[1]
    for index, slope in enumerate(slopes):
        step = np.zeros(7)
        step[index] = 1e-6
        around = (means((at + step)[None])[0] - means((at - step)[None])[0]) / 2e-6
        assert_allclose(slope, around, atol=1e-7)


def test_the_curved_maximum_is_that_of_a_general_search(bent: tuple[SigmoidCline, CurvedCline]) -> None:
    cline, curve = bent
    data, beta = cline.data, cline.maximum.parameters[2]
    s = data.easting * np.sin(beta) + data.northing * np.cos(beta)
    t = data.easting * np.cos(beta) - data.northing * np.sin(beta)
    shapes = Bend.over(t).design(t, curved=True)

    def loss(at: np.ndarray) -> float:
        first, last, rho = expit(at[5:])
        p = first + (last - first) * expit(4 * (s - shapes @ at[:4]) / np.exp(at[4]))
        tau = (1 - rho) / rho
        return -float(betabinom.logpmf(data.count, data.total.astype(int), p * tau, (1 - p) * tau).sum())

    start = np.concatenate([[cline.maximum.parameters[0], 0, 0, 0], cline.maximum.parameters[[1, 3, 4, 5]]])
    assert -loss(start) == pytest.approx(curve.log_likelihood_straight, abs=1e-6)
    theirs = minimize(loss, start, method="BFGS", options={"gtol": 1e-3})
    assert curve.log_likelihood_curved == pytest.approx(-theirs.fun, abs=1e-3)
    assert curve.lr == pytest.approx(2 * (curve.log_likelihood_curved - curve.log_likelihood_straight))
    k, n = 6, 150
    assert curve.aicc_straight == pytest.approx(
        -2 * curve.log_likelihood_straight + 2 * k + 2 * k * (k + 1) / (n - k - 1)
    )
    k = 8
    assert curve.aicc_curved == pytest.approx(-2 * curve.log_likelihood_curved + 2 * k + 2 * k * (k + 1) / (n - k - 1))


def test_a_bend_is_seen_and_its_line_lies_over_the_planted_one(bent: tuple[SigmoidCline, CurvedCline]) -> None:
    _, curve = bent
    assert curve.p_curved == pytest.approx(1 / 200, abs=0.001)
    assert curve.curved
    assert curve.converged
    assert curve.line is not None
    line, low, high = curve.line.line, curve.line.low, curve.line.high
    inner = slice(25, 76)

    def beyond(places: np.ndarray) -> np.ndarray:
        """How far places lie beyond the planted line, along the planted bearing."""
        s, t = places @ [np.sin(BEARING), np.cos(BEARING)], places @ [np.cos(BEARING), -np.sin(BEARING)]
        return s - centre(t, 5000.0)

    assert np.abs(beyond(line[inner])).max() < 2500
    assert (beyond(low[inner]) < 0).mean() > 0.7
    assert (beyond(high[inner]) > 0).mean() > 0.7
    # The truth bends by 5 km times the square of (half the breadth / 12 km); the line's ends lie some 19 km out.
    assert curve.bend_m > 4000


def test_a_straight_cline_stays_straight_and_its_band_is_narrowest_amid_the_sites() -> None:
    cline = straight_cline(0.0)
    curve = fit_curved(cline, np.random.default_rng(1))
    assert curve.p_curved > 0.05
    assert not curve.curved
    assert curve.line is not None
    line = curve.line.line
    direction = line[-1] - line[0]
    off = (line - line[0]) @ [direction[1], -direction[0]] / np.hypot(*direction)
    assert np.abs(off).max() < 1
    breadth = np.hypot(*(curve.line.high - curve.line.low).T)
    assert 20 < breadth.argmin() < 80
    # It is the straight cline's own centre: at right angles to its bearing, at its distance.
    beta = cline.maximum.parameters[2]
    assert_allclose(line @ [np.sin(beta), np.cos(beta)], cline.maximum.parameters[0] * UNIT, atol=1)


def test_a_wider_confidence_gives_a_wider_band() -> None:
    cline = straight_cline(0.0)
    breadth = []
    for confidence in (0.8, 0.95):
        curve = fit_curved(cline, np.random.default_rng(1), confidence=confidence)
        assert curve.line is not None
        breadth.append(np.hypot(*(curve.line.high - curve.line.low).T))
    assert (breadth[1] > breadth[0]).all()


def test_the_ends_of_a_line_tell_no_sites_place() -> None:
    cline = straight_cline(0.0)
    curve = fit_curved(cline, np.random.default_rng(1))
    assert curve.line is not None
    beta = cline.maximum.parameters[2]
    ends = curve.line.line[[0, -1]] @ [np.cos(beta), -np.sin(beta)] / UNIT
    assert_allclose(ends / 0.05, np.rint(ends / 0.05), atol=1e-6)


def test_a_given_bearing_is_refused() -> None:
    cline = straight_cline(0.0, axis=BEARING)
    with pytest.raises(ValueError, match="a curved cline needs a bearing that is free"):
        fit_curved(cline, np.random.default_rng(1))


def test_without_a_search_that_ended_well_there_is_no_line(monkeypatch: pytest.MonkeyPatch) -> None:
    search = cline_curve._refits

    def lost(*arguments: Any, **settings: Any) -> ManyFits:
        fits = search(*arguments, **settings)
        return replace(fits, converged=np.arange(len(fits.converged)) == 0)

    monkeypatch.setattr(cline_curve, "_refits", lost)
    found = fit_curved(straight_cline(0.0), np.random.default_rng(4), draws=19)
    assert (found.line, found.step) == (None, False)
