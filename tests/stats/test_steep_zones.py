"""Zones steeper than chance: slopes and moments against slow second ways, and laws of the randomisations."""

import numpy as np
import pytest

from morphcline.stats.kernels import kernel_weights
from morphcline.stats.local_likelihood import fit_local
from morphcline.stats.overdispersion import effective_number
from morphcline.stats.steep_zones import (
    Ground,
    find_zones,
    linear_slopes,
    moved_patterns,
    overlap,
    permuted,
    plane_design,
    scatter,
)

POINTS = np.stack(np.meshgrid(np.arange(0, 20_001, 2_500.0), np.arange(0, 20_001, 2_500.0)), -1).reshape(-1, 2)


def made(sites=60, *, steep=0.0, seed=2):
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 20_000, (sites, 2))
    total = rng.integers(10, 50, sites).astype(float)
    frequency = 1 / (1 + np.exp(-steep * (places[:, 0] - 10_000) / 1_000))
    count = rng.binomial(total.astype(int), frequency).astype(float)
    return places, count, total


def ground_of(places, count, total, *, rho=0.05, bandwidth=4_000.0, null_places=None, points=POINTS):
    null = scatter(count, total, null_places)
    spread = np.full(len(points), bandwidth)
    return Ground(points, places, effective_number(total, rho), null.sd, spread), null


def test_the_deviations_of_a_flat_null_by_hand():
    # One frequency, 1/4, and samples of equal size that scatter as binomial ones do or less: rho is 0.
    count, total = np.array([4.0, 6.0, 5.0, 5.0]), np.full(4, 20.0)
    null = scatter(count, total)
    sd = np.sqrt(0.25 * 0.75 / 20)
    np.testing.assert_allclose(null.sd, sd, rtol=1e-9)
    np.testing.assert_allclose(null.deviation, (count / total - 0.25) / sd, atol=1e-9)


def test_slopes_are_those_of_weighted_least_squares():
    places, count, total = made(steep=0.3)
    ground, _ = ground_of(places, count, total)
    slopes = linear_slopes(ground, count / total)
    weights = kernel_weights(POINTS, places, bandwidth=4_000.0) * ground.shells
    for k in (0, 40, 80):
        design = np.column_stack([np.ones(len(places)), places - POINTS[k]])
        root = np.sqrt(weights[k])
        expected = np.linalg.lstsq(design * root[:, None], count / total * root, rcond=None)[0][1:]
        np.testing.assert_allclose(slopes[k], expected, rtol=1e-8)


def test_the_one_step_slope_agrees_with_the_local_likelihood_s():
    places, count, total = made(200, steep=0.12)
    ground, _ = ground_of(places, count, total)
    slopes = linear_slopes(ground, count / total)
    fit = fit_local(POINTS, places, count[:, None], total[:, None], bandwidth=4_000.0, rho=0.05).gradient[:, 0]
    inside = np.all((POINTS > 2_000) & (POINTS < 18_000), axis=1)
    apart = np.linalg.norm(slopes - fit, axis=1)[inside]
    assert np.corrcoef(slopes[inside].ravel(), fit[inside].ravel())[0, 1] > 0.995
    assert apart.mean() < 0.05 * np.linalg.norm(fit, axis=1)[inside].mean()


def test_the_moments_over_all_permutations_are_exact():
    """Every order of five sites, one by one, against the formula that the statistic stands on."""
    from itertools import permutations

    rng = np.random.default_rng(1)
    places, total = rng.uniform(0, 10_000, (5, 2)), np.array([10.0, 20.0, 30.0, 15.0, 40.0])
    count = np.array([2.0, 9.0, 20.0, 3.0, 30.0])
    point = np.array([[5_000.0, 5_000.0]])
    ground, null = ground_of(places, count, total, points=point)
    orders = np.array(list(permutations(range(5))))
    drawn = null.deviation[orders].T
    slopes = np.array([linear_slopes(ground, column * ground.sd)[0] for column in drawn.T])
    apart = slopes - slopes.mean(axis=0)
    inverse = np.linalg.inv(apart.T @ apart / len(orders))
    own = linear_slopes(ground, null.deviation * ground.sd)[0] - slopes.mean(axis=0)
    # Over all orders the mean is exact, and the variance the one of n in the denominator for the whole population.
    assert find_zones(ground, null.deviation, drawn).statistic[0] == pytest.approx(own @ inverse @ own, rel=1e-9)


def test_p_counts_draws_whose_largest_statistic_reaches_the_point_s():
    places, count, total = made(steep=0.15)
    ground, null = ground_of(places, count, total)
    drawn = permuted(null.deviation, draws=99, rng=np.random.default_rng(3))
    found = find_zones(ground, null.deviation, drawn)
    alone = np.array([np.nanmax(find_zones(ground, column, drawn[:, :1]).statistic) for column in drawn.T])
    for k in (0, 30, 44, 80):
        assert found.p[k] == (1 + (alone >= found.statistic[k] * (1 - 1e-9)).sum()) / 100
    np.testing.assert_array_equal(found.statistic >= found.critical, found.p <= 0.05)


def test_too_few_draws_for_a_level_make_no_zone():
    places, count, total = made(steep=1.0)
    ground, null = ground_of(places, count, total)
    found = find_zones(ground, null.deviation, permuted(null.deviation, draws=9, rng=np.random.default_rng(3)))
    assert found.critical == np.inf
    assert found.p.min() == 0.1


def test_a_steep_cline_is_found_where_it_is_and_an_even_slope_isn_t_steeper_than_itself():
    places, count, total = made(150, steep=1.5)
    ground, null = ground_of(places, count, total, bandwidth=2_500.0)
    drawn = permuted(null.deviation, draws=199, rng=np.random.default_rng(5))
    found = find_zones(ground, null.deviation, drawn)
    zone = found.p <= 0.05
    assert zone[np.abs(POINTS[:, 0] - 10_000) < 1_000].all()
    assert not zone[np.abs(POINTS[:, 0] - 10_000) > 6_000].any()
    # The same, about the even slope of the logits that it is.
    ground, null = ground_of(places, count, total, bandwidth=2_500.0, null_places=places)
    drawn = permuted(null.deviation, draws=199, rng=np.random.default_rng(5))
    assert find_zones(ground, null.deviation, drawn).p.min() > 0.05


def test_the_design_of_an_even_slope_counts_kilometres_from_the_middle():
    sites = np.array([[0.0, 0.0], [4_000.0, 2_000.0]])
    np.testing.assert_allclose(plane_design(np.array([[5_000.0, 1_000.0]]), sites), [[1.0, 3.0, 0.0]])


def test_moved_patterns_keep_their_scales_and_lie_elsewhere():
    places, _, _ = made(80)
    pattern = np.sin(places[:, 0] / 3_000)
    drawn = moved_patterns(places, pattern, draws=300, rng=np.random.default_rng(7))
    np.testing.assert_allclose(drawn.mean(axis=0), pattern.mean(), atol=1e-9)
    np.testing.assert_allclose(drawn.std(axis=0), pattern.std(), rtol=1e-6)
    alike = [np.corrcoef(pattern, column)[0, 1] for column in drawn.T]
    assert abs(np.mean(alike)) < 0.08

    def likeness_of_neighbours(values):
        apart = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
        near = (apart > 0) & (apart < 2_500)
        centred = values - values.mean()
        return (near * np.outer(centred, centred)).sum() / near.sum() / centred.var()

    of_draws = np.array([likeness_of_neighbours(column) for column in drawn.T])
    shuffled = likeness_of_neighbours(np.random.default_rng(1).permutation(pattern))
    assert of_draws.mean() == pytest.approx(likeness_of_neighbours(pattern), abs=0.12)
    assert of_draws.mean() > shuffled + 0.4


def test_a_pattern_is_wholly_like_itself_and_areas_are_added_up_by_hand():
    places, count, total = made(150, steep=1.0)
    ground, null = ground_of(places, count, total)
    drawn = permuted(null.deviation, draws=99, rng=np.random.default_rng(3))
    zones = find_zones(ground, null.deviation, drawn)
    steep = zones.statistic >= zones.critical
    found = overlap(
        ground, null.deviation, moved_patterns(places, null.deviation, draws=99, rng=np.random.default_rng(4)),
        critical=zones.critical, other=zones.statistic / zones.critical, weight=np.full(len(POINTS), 2.0),
    )  # fmt: skip
    assert found.likeness == pytest.approx(1.0)
    assert found.share == 1.0
    assert found.points == 2.0 * steep.sum()
    assert found.expected < found.points
    assert found.p == 0.01
    other = np.zeros(len(POINTS))
    other[np.flatnonzero(steep)[:3]] = 1.0
    other[np.flatnonzero(~steep)[:2]] = 1.0
    some = overlap(
        ground, null.deviation, drawn, critical=zones.critical, other=other, weight=np.full(len(POINTS), 2.0)
    )
    assert some.points == 6.0
    assert some.share == 3 / (steep.sum() + 2)
