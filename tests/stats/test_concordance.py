"""Two clines compared: joint likelihoods by a general library, and the laws that comparisons must obey."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.special import expit, logit
from scipy.stats import betabinom, chi2

from morphcline.stats.cline_screen import Sites
from morphcline.stats.concordance import (
    Comparison,
    Redrawn,
    SigmoidCline,
    compare_clines,
    complement,
    fit_shared,
    moved,
    refit_redrawn,
    sigmoid_cline,
)
from morphcline.stats.linked_surveys import linked_normals

UNIT = 20_000.0


def a_cline(
    rng: np.random.Generator,
    place: np.ndarray,
    *,
    centre_m: float = 1000.0,
    width_m: float = 9000.0,
    bearing_deg: float = 60.0,
    ends: tuple[float, float] = (0.15, 0.85),
    rho: float = 0.06,
    ends_free: bool = True,
    axis: float | None = None,
) -> SigmoidCline:
    total = rng.integers(10, 60, len(place)).astype(float)
    b = np.deg2rad(bearing_deg)
    p = ends[0] + (ends[1] - ends[0]) * expit(4 * (place @ [np.sin(b), np.cos(b)] - centre_m) / width_m)
    own = rng.beta(p * (1 - rho) / rho, (1 - p) * (1 - rho) / rho) if rho else p
    count = rng.binomial(total.astype(int), own).astype(float)
    data = Sites(*(place / UNIT).T, count, total, UNIT, axis)
    return sigmoid_cline(
        data, centre_m=centre_m, width_m=width_m, bearing_deg=bearing_deg, p_min=ends[0], p_max=ends[1], rho=rho,
        ends_free=ends_free,
    )  # fmt: skip


def two(seed: int = 1, sites: int = 120, **second: object) -> tuple[SigmoidCline, SigmoidCline]:
    rng = np.random.default_rng(seed)
    place = rng.uniform(-UNIT, UNIT, (sites, 2)) * 0.7
    return a_cline(rng, place), a_cline(rng, place, **{"ends": (0.25, 0.8), **second})  # type: ignore[arg-type]


def redrawn(first: SigmoidCline, second: SigmoidCline, draws: int = 199) -> tuple[Redrawn, Redrawn]:
    normals = linked_normals([first.scores, second.scores], np.random.default_rng(4), draws)
    return refit_redrawn(first, normals[..., 0]), refit_redrawn(second, normals[..., 1])


def compared(first: SigmoidCline, second: SigmoidCline) -> dict[str, Comparison]:
    found = compare_clines(first, second, redrawn(first, second), sites=len(first.data.total))
    return {one.parameter: one for one in found}


def log_likelihood(cline: SigmoidCline, at: np.ndarray) -> float:
    """Return the beta-binomial by SciPy, of six parameters."""
    data, rho = cline.data, expit(at[5])
    first, last = expit(at[3:5]) if cline.ends_free else (0.0, 1.0)
    s = data.easting * np.sin(at[2]) + data.northing * np.cos(at[2])
    p = first + (last - first) * expit(4 * (s - at[0]) / np.exp(at[1]))
    tau = (1 - rho) / rho
    return float(betabinom.logpmf(data.count, data.total.astype(int), p * tau, (1 - p) * tau).sum())


@pytest.mark.parametrize("shared", [(0,), (1,), (2,), (0, 1, 2), ()])
def test_the_joint_maximum_is_that_of_a_general_search(shared: tuple[int, ...]) -> None:
    first, second = two(centre_m=2500.0, width_m=7000.0, bearing_deg=70.0)
    ours = fit_shared(first, second, shared)
    free = [i for i in range(6) if i not in shared]

    def whole(at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        other = np.empty(6)
        other[list(shared)] = at[list(shared)]
        other[free] = at[6:]
        return at[:6], other

    def loss(at: np.ndarray) -> float:
        one, other = whole(at)
        return -(log_likelihood(first, one) + log_likelihood(second, other))

    start = np.concatenate([first.maximum.parameters, second.maximum.parameters[free]])
    theirs = minimize(loss, start, method="BFGS", options={"gtol": 1e-4})
    assert ours.log_likelihood == pytest.approx(-theirs.fun, abs=1e-4)
    one, other = whole(theirs.x)
    assert_allclose(ours.parameters, np.concatenate([one, other]), atol=5e-3)
    for index in shared:
        assert ours.parameters[index] == ours.parameters[6 + index]


def test_on_the_logit_plane_it_is_the_interaction_test_of_statsmodels() -> None:
    """From 0 to 1, binomial, along a given axis: own widths are own slopes, one width is one slope."""
    rng = np.random.default_rng(6)
    place = np.column_stack([np.zeros(80), rng.uniform(-UNIT, UNIT, 80)])
    settings = {"bearing_deg": 0.0, "ends": (0.0, 1.0), "rho": 0.0, "ends_free": False, "axis": 0.0}
    first = a_cline(rng, place, width_m=60_000.0, centre_m=2000.0, **settings)  # type: ignore[arg-type]
    second = a_cline(rng, place, width_m=55_000.0, centre_m=1000.0, **settings)  # type: ignore[arg-type]
    # rho is left to the search, which ends at 0 or so near it that nothing is gained.
    found = compared(first, second)
    assert set(found) == {"centre", "width", "all"}
    trait = np.repeat([0.0, 1.0], 80)
    x = np.tile(place[:, 1] / UNIT, 2)
    counts = np.concatenate([first.data.count, second.data.count])
    total = np.concatenate([first.data.total, second.data.total])
    response = np.column_stack([counts, total - counts])

    def deviance(*columns: np.ndarray) -> float:
        design = np.column_stack([np.ones_like(x), *columns])
        return float(sm.GLM(response, design, family=sm.families.Binomial()).fit(tol=1e-12).deviance)

    own = deviance(x, trait, trait * x)
    width = deviance(x, trait) - own
    everything = deviance(x) - own
    assert first.rho < 0.01
    assert second.rho < 0.01
    assert found["width"].lr == pytest.approx(width, abs=0.05)
    assert found["all"].lr == pytest.approx(everything, abs=0.05)
    assert found["all"].df == 2
    assert found["width"].p_chi2 == pytest.approx(chi2.sf(found["width"].lr, 1))


def test_the_criterion_counts_what_is_shared() -> None:
    first, second = two()
    found = compared(first, second)
    n, own = 120, found["centre"]
    for what, spared in (("centre", 1), ("width", 1), ("bearing", 1), ("all", 3)):
        k = 12 - spared
        shared = -2 * found[what].log_likelihood_shared + 2 * k + 2 * k * (k + 1) / (n - k - 1)
        assert found[what].aicc_shared == pytest.approx(shared)
    assert own.aicc_own == pytest.approx(-2 * own.log_likelihood_own + 24 + 2 * 12 * 13 / (n - 13))
    assert found["all"].lr >= max(found[what].lr for what in ("centre", "width", "bearing")) - 1e-6


def test_differences_are_those_of_the_fits_and_their_intervals_hold_them() -> None:
    first, second = two(centre_m=5000.0, width_m=4000.0, bearing_deg=95.0)
    found = compared(first, second)
    one, other = first.maximum.parameters, second.maximum.parameters
    assert found["centre"].difference == pytest.approx((other[0] - one[0]) * UNIT, rel=1e-3)
    assert found["width"].difference == pytest.approx(np.exp(other[1] - one[1]), rel=1e-3)
    assert found["bearing"].difference == pytest.approx(np.rad2deg(other[2] - one[2]), rel=1e-3)
    for what in ("centre", "width", "bearing"):
        assert found[what].low < found[what].difference < found[what].high
        # The interval leaves out no difference just where the test rejects.
        none = 1.0 if what == "width" else 0.0
        assert (found[what].low <= none <= found[what].high) == (found[what].p_bootstrap > 0.05)
    assert found["centre"].p_bootstrap <= 0.01
    assert found["all"].p_bootstrap <= 0.01
    assert np.isnan(found["all"].difference)


def test_exchanged_traits_differ_the_other_way() -> None:
    first, second = two(centre_m=3000.0, width_m=6000.0, bearing_deg=75.0)
    ours, theirs = redrawn(first, second)
    there = {one.parameter: one for one in compare_clines(first, second, (ours, theirs), sites=120)}
    back = {one.parameter: one for one in compare_clines(second, first, (theirs, ours), sites=120)}
    for what in ("centre", "bearing"):
        assert_allclose(
            [back[what].difference, back[what].low, back[what].high],
            [-there[what].difference, -there[what].high, -there[what].low],
            rtol=1e-3,
        )
    assert back["width"].difference == pytest.approx(1 / there["width"].difference, rel=1e-3)
    for what in there:
        assert back[what].p_bootstrap == there[what].p_bootstrap
        assert back[what].lr == pytest.approx(there[what].lr, abs=1e-3)


def test_a_trait_and_its_complement_coincide() -> None:
    first, _ = two()
    data = replace(first.data, count=first.data.total - first.data.count)
    falling = sigmoid_cline(
        data, centre_m=-1000.0, width_m=9000.0, bearing_deg=240.0, p_min=0.15, p_max=0.85, rho=0.06, ends_free=True
    )
    draws = refit_redrawn(falling, np.random.default_rng(1).standard_normal((50, 120)))
    back, turned = complement(falling, draws)
    assert_allclose(back.data.count, first.data.count)
    assert back.maximum.log_likelihood == pytest.approx(first.maximum.log_likelihood, abs=1e-5)
    difference = back.maximum.parameters - first.maximum.parameters
    assert_allclose([*difference[[0, 1, 3, 4, 5]], np.sin(difference[2])], 0, atol=2e-3)
    assert_allclose(turned.estimates[:, 0], -draws.estimates[:, 0])
    assert_allclose(turned.covariance[0, 1], -draws.covariance[0, 1])


def test_another_origin_moves_the_centre_alone() -> None:
    first, _ = two()
    draws = refit_redrawn(first, np.random.default_rng(1).standard_normal((50, 120)))
    shift = (0.13, -0.2)
    there, moved_draws = moved(first, draws, shift)
    bearing = first.maximum.parameters[2]
    expected = first.maximum.parameters[0] - (shift[0] * np.sin(bearing) + shift[1] * np.cos(bearing))
    assert there.maximum.parameters[0] == pytest.approx(expected, abs=1e-4)
    assert_allclose(there.maximum.parameters[1:], first.maximum.parameters[1:], atol=1e-3)
    assert there.maximum.log_likelihood == pytest.approx(first.maximum.log_likelihood, abs=1e-5)
    # Refitted about the other origin from the start, the redrawn surveys say the same.
    fresh = refit_redrawn(there, np.random.default_rng(1).standard_normal((50, 120)))
    known = np.isfinite(fresh.estimates[:, 0]) & np.isfinite(moved_draws.estimates[:, 0])
    assert_allclose(fresh.estimates[known], moved_draws.estimates[known], atol=0.02)
    assert_allclose(fresh.covariance, moved_draws.covariance, rtol=0.05, atol=1e-5)


def test_linkage_makes_the_interval_narrower_where_residuals_go_together() -> None:
    """Two traits that are one and the same: drawn alike, no redrawn survey tells them apart."""
    first, _ = two()
    normals = np.random.default_rng(2).standard_normal((199, 120))
    same = refit_redrawn(first, normals)
    other = refit_redrawn(first, np.random.default_rng(3).standard_normal((199, 120)))
    linked = compare_clines(first, first, (same, same), sites=120)[0]
    unlinked = compare_clines(first, first, (same, other), sites=120)[0]
    assert linked.high - linked.low < 0.01 * (unlinked.high - unlinked.low)


def test_a_survey_that_a_step_fits_as_well_is_left_out() -> None:
    rng = np.random.default_rng(12)
    place = rng.uniform(-UNIT, UNIT, (40, 2)) * 0.7
    narrow = a_cline(rng, place, width_m=1500.0, rho=0.1)
    draws = refit_redrawn(narrow, rng.standard_normal((99, 40)))
    left_out = np.isnan(draws.estimates[:, 0])
    assert left_out.mean() > 0.5
    assert np.isnan(draws.estimates[left_out]).all()


def test_estimates_given_find_their_maximum_again() -> None:
    first, _ = two()
    at = first.maximum.parameters
    again = sigmoid_cline(
        first.data, centre_m=at[0] * UNIT, width_m=np.exp(at[1]) * UNIT, bearing_deg=float(np.rad2deg(at[2])),
        p_min=float(expit(at[3])), p_max=float(expit(at[4])), rho=first.rho, ends_free=True,
    )  # fmt: skip
    assert again.maximum.log_likelihood == pytest.approx(first.maximum.log_likelihood, abs=1e-6)
    assert logit(again.rho) == pytest.approx(at[5], abs=1e-3)
