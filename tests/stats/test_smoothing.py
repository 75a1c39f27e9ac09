"""Groups that must add up, support that must suffice, errors that must follow the sites' scatter."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize

from morphcline.stats.local_likelihood import fit_local
from morphcline.stats.smoothing import LEAST_SITES, Family, Task, smooth
from morphcline.stats.surface_field import Field, no_field, squared_bias

NO_FIELD = no_field(2)


def task(families=None, *, degree=1, field=NO_FIELD, least=5.0, bandwidth=2_000.0):
    """Return a task; families as (columns, exhaustive), else each trait by itself."""
    rng = np.random.default_rng(31)
    sites = rng.uniform(0, 10_000, (60, 2))
    p = 0.7 / (1 + np.exp(-(sites[:, 0] - 5_000) / 1_500)) + 0.1
    count = np.stack([rng.multinomial(25, [q, 0.6 * (1 - q), 0.4 * (1 - q)]) for q in p]).astype(float)
    points = rng.uniform(-6_000, 16_000, (200, 2))
    rest = [((j,), False) for j in range(3) if families is None or all(j not in columns for columns, _ in families)]
    made = tuple(
        Family(columns, whole, np.full(200, bandwidth), 0.05, (field,) * len(columns))
        for columns, whole in (*(families or ()), *rest)
    )
    return Task(
        points=points, sites=sites, count=count, total=np.full((60, 3), 25.0), fitted=np.full((60, 3), 0.4),
        families=made, kernel="gaussian", degree=degree, min_effective_shells=least,
    )  # fmt: skip


def plain_fit(made):
    return fit_local(
        made.points, made.sites, made.count, made.total, bandwidth=made.families[0].bandwidth, rho=0.05,
        degree=made.degree,
    )  # fmt: skip


def test_an_exhaustive_group_is_divided_by_its_sum():
    made = task([((0, 1, 2), True)])
    smoothed, fit = smooth(made), plain_fit(made)
    shown = np.isfinite(smoothed.frequency[:, 0])
    total = fit.frequency.sum(axis=1)
    np.testing.assert_allclose(smoothed.frequency.sum(axis=1)[shown], 1.0, atol=3e-7)
    np.testing.assert_allclose(smoothed.frequency[shown, 1], (fit.frequency[:, 1] / total)[shown], rtol=1e-6)
    np.testing.assert_allclose(smoothed.standard_error[shown, 1], (fit.standard_error[:, 1] / total)[shown], rtol=1e-6)
    assert smoothed.closure[0] == pytest.approx(np.abs(total[shown] - 1).max(), rel=1e-9)
    assert smoothed.closure[0] > 1e-4


def test_a_group_that_may_leave_a_rest_is_only_held_to_1():
    made = task([((0, 1), False)])
    smoothed, fit = smooth(made), plain_fit(made)
    shown = np.isfinite(smoothed.frequency[:, 0])
    total = fit.frequency[:, :2].sum(axis=1)
    below = shown & (total <= 1)
    assert below.any()
    assert (smoothed.frequency[shown, :2].sum(axis=1) <= 1 + 3e-7).all()
    np.testing.assert_allclose(smoothed.frequency[below], fit.frequency[below], rtol=1e-6)


def test_a_group_whose_sum_exceeds_1_is_brought_down_to_it():
    made = task([((0, 1), False)])
    made = replace(made, count=made.count[:, [0, 0, 2]])  # twice the same trait: above 1 where it is above one half
    smoothed = smooth(made)
    first = smoothed.frequency[:, 0]
    assert np.nanmax(first) == pytest.approx(0.5, abs=1e-7)
    assert smoothed.closure[0] > 0.2
    assert smoothed.closure[2] == 0


def test_points_without_enough_support_are_blank_and_keep_their_support():
    smoothed = smooth(task(least=60.0, degree=0))
    blank = np.isnan(smoothed.frequency)
    assert 0 < blank.mean() < 1
    np.testing.assert_array_equal(blank, smoothed.effective_shells < 60)
    np.testing.assert_array_equal(blank, np.isnan(smoothed.standard_error))
    assert not (smoothed.held & blank).any()


def test_a_plane_is_not_shown_on_fewer_than_five_effective_sites():
    made = task(bandwidth=900.0, least=1.0)
    fit, smoothed = plain_fit(made), smooth(made)
    few = (fit.effective_sites < LEAST_SITES) & (fit.effective_shells >= 1)
    assert few.any()
    assert np.isnan(smoothed.frequency[few]).all()
    enough = (fit.effective_sites >= LEAST_SITES) & (fit.effective_shells >= 1) & ~fit.fallback
    assert np.isfinite(smoothed.frequency[enough]).all()


def multinomial(sites, count, point, weights):
    """Return frequencies and errors of a local multinomial logistic plane, by a general optimiser and its sandwich."""
    design = np.column_stack([np.ones(len(sites)), (sites - point) / 1_000.0])

    def shares(beta):
        logits = np.column_stack([design @ beta.reshape(2, 3).T, np.zeros(len(sites))])
        raised = np.exp(logits - logits.max(axis=1, keepdims=True))
        return raised / raised.sum(axis=1, keepdims=True)

    def loss(beta):
        return -np.sum(weights[:, None] * count * np.log(shares(beta)))

    best = minimize(loss, np.zeros(6), method="BFGS", options={"gtol": 1e-6}).x
    p, total = shares(best), count.sum(axis=1)
    between = np.einsum("si,ij->sij", p[:, :2], np.eye(2)) - np.einsum("si,sj->sij", p[:, :2], p[:, :2])
    information, meat = (
        np.einsum("s,sij,sk,sl->ikjl", w * total, between, design, design).reshape(6, 6) for w in (weights, weights**2)
    )
    variance = np.linalg.solve(information, np.linalg.solve(information, meat).T)
    here = best.reshape(2, 3)[:, 0]
    at = np.exp(np.append(here, 0.0)) / np.exp(np.append(here, 0.0)).sum()
    jacobian = (np.diag(at) - np.outer(at, at))[:, :2] @ np.kron(np.eye(2), [1.0, 0.0, 0.0])
    return at, np.sqrt(np.diag(jacobian @ variance @ jacobian.T))


@pytest.mark.slow
def test_dividing_by_the_sum_comes_near_a_multinomial_fit():
    """What the closure costs: less than half a percentage point of a frequency, and next to nothing of its error."""
    made = task([((0, 1, 2), True)])
    made = replace(made, families=tuple(replace(family, rho=0.0) for family in made.families))
    smoothed, points = smooth(made), made.points
    shown = np.flatnonzero(np.isfinite(smoothed.frequency[:, 0]))
    assert len(shown) > 60
    off, ratio = [], []
    for i in shown:
        weights = np.exp(-np.sum((made.sites - points[i]) ** 2, axis=1) / (2 * 2_000.0**2))
        frequency, error = multinomial(made.sites, made.count, points[i], weights)
        off.append(smoothed.frequency[i] - frequency)
        ratio.append(smoothed.standard_error[i] / error)
    off, ratio = np.abs(off), np.array(ratio)
    inside = np.all((points[shown] > 1_000) & (points[shown] < 9_000), axis=1)
    assert inside.sum() > 15
    # Among the sites; and everywhere that is shown, out to two bandwidths from the last of them.
    assert off[inside].mean() < 0.005
    assert off[inside].max() < 0.02
    assert off.mean() < 0.008
    assert off.max() < 0.07
    assert ratio[inside].mean() == pytest.approx(1.0, abs=0.03)
    assert (np.abs(ratio[inside] - 1) < 0.15).mean() > 0.95
    assert ratio.mean() == pytest.approx(1.0, abs=0.05)


def test_a_family_is_blank_as_a_whole():
    made = task([((0, 1, 2), True)])
    made = replace(made, min_effective_shells=30.0)
    blank = np.isnan(smooth(made).frequency)
    np.testing.assert_array_equal(blank, np.repeat(blank[:, :1], 3, axis=1))


def test_each_family_has_its_own_bandwidth_and_correlation():
    made = task()
    other = replace(made.families[2], bandwidth=np.full(200, 3_000.0), rho=0.2)
    both = smooth(replace(made, families=(*made.families[:2], other)))
    alone = fit_local(
        made.points, made.sites, made.count[:, 2:], made.total[:, 2:], bandwidth=3_000.0, rho=0.2, degree=1
    )
    shown = np.isfinite(both.frequency[:, 2])
    np.testing.assert_allclose(both.frequency[shown, 2], alone.frequency[shown, 0], rtol=1e-5)
    np.testing.assert_array_equal(both.frequency[:, :2], smooth(made).frequency[:, :2])


def test_what_a_field_makes_smoothing_miss_adds_its_square_to_the_variance():
    made, field = task(), Field(np.array([0.4]), np.array([3_000.0]), np.zeros(2))
    plain, blurred = smooth(made), smooth(task(field=field))
    shells = np.full(60, 25 / (1 + 24 * 0.05))
    missed = squared_bias(made.points, made.sites, shells, np.full(60, 0.4), field, bandwidth=2_000.0)
    shown = np.isfinite(plain.frequency[:, 0])
    p = plain.frequency[:, 0].astype(float)
    expected = plain.standard_error[:, 0].astype(float) ** 2 + (p * (1 - p)) ** 2 * missed
    gentle = shown & (missed < 1)  # above a logit the delta method gives way
    assert gentle.sum() > 60
    np.testing.assert_allclose(blurred.standard_error[gentle, 0], np.sqrt(expected)[gentle], rtol=1e-5)
    assert (blurred.standard_error[shown] > plain.standard_error[shown]).all()
    np.testing.assert_array_equal(blurred.frequency, plain.frequency)


def test_samples_do_not_speak_across_a_barrier():
    made = task()
    west = made.sites[:, 0] < 5_000
    fence = replace(made, barriers=np.array([[5_000.0, -1e5, 5_000.0, 1e5]]))
    alone = replace(
        made, sites=made.sites[west], count=made.count[west], total=made.total[west], fitted=made.fitted[west]
    )
    fenced, alone = smooth(fence), smooth(alone)
    here = made.points[:, 0] < 5_000
    for name in ("frequency", "standard_error", "effective_shells"):
        np.testing.assert_allclose(getattr(fenced, name)[here], getattr(alone, name)[here], rtol=1e-5)
    free = smooth(made)
    assert np.nanmax(np.abs(free.frequency[here] - fenced.frequency[here])) > 0.02


def test_points_blank_for_want_of_a_plane_alone_are_counted_apart():
    made = task(least=1.0, bandwidth=900.0)
    smoothed = smooth(made)
    blank = np.isnan(smoothed.frequency)
    np.testing.assert_array_equal(smoothed.without_plane, blank & (smoothed.effective_shells >= 1.0))
    assert smoothed.without_plane.any()
    in_line = replace(made, sites=np.column_stack([made.sites[:, 0], made.sites[:, 0]]), points=made.sites[:20],
                      families=tuple(replace(f, bandwidth=np.full(20, 3_000.0)) for f in made.families))  # fmt: skip
    np.testing.assert_array_equal(np.isnan(smooth(in_line).frequency), True)
    assert not smooth(replace(in_line, degree=0)).without_plane.any()
