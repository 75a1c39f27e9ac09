"""Isolation by distance against R, a slow second implementation, and laws."""

import numpy as np
import pytest

from morphcline.stats.isolation import distance_classes, isolation_by_distance, pairwise_differentiation
from morphcline.stats.over_sites import draw_sites

# tests/reference/differentiation_and_isolation.R
COUNT = np.array([3, 10, 14, 0, 7, 12, 5, 9])
TOTAL = np.array([20, 25, 18, 9, 30, 21, 16, 12])
EAST = np.array([0, 300, 900, 2500, 4000, 5200, 7000, 9000])
NORTH = np.array([0, 400, 100, 800, 0, 1500, 600, 2000])


def survey(sites=24, seed=2):
    rng = np.random.default_rng(seed)
    place = rng.uniform(0, 9000, (sites, 2))
    shells = np.array([rng.multinomial(25, np.array([0.2 + x / 20_000, 0.3, 0.5 - x / 20_000])) for x in place[:, 0]])
    return shells, place


def analysed(pairs, *, seed=3, permutations=99):
    rng = np.random.default_rng(seed)
    weights = draw_sites(len(pairs.differ), draws=99, rng=rng)
    return isolation_by_distance(pairs, weights, permutations=permutations, rng=rng)


def test_correlation_and_slope_are_those_of_r(monkeypatch):
    monkeypatch.setattr("morphcline.stats.isolation.LEAST_SITES", 8)
    found = analysed(pairwise_differentiation(np.column_stack([COUNT, TOTAL - COUNT]), EAST, NORTH))
    assert found.mantel_r == pytest.approx(-0.0806622985041, abs=1e-10)
    assert found.slope == pytest.approx(-0.0346826391833, abs=1e-10)
    # The line at distance 1 m, which is R's intercept.
    assert found.mean - found.slope * np.log2(found.middle_m) == pytest.approx(0.7896018156150, abs=1e-9)


def test_pairs_recounted_shell_by_shell():
    shells, place = survey(sites=5)
    pairs = pairwise_differentiation(shells, *place.T)
    each = [np.repeat(np.arange(3), row) for row in shells]

    def unlike(first, second, same):
        differ = first[:, None] != second[None]
        return differ.sum() / (len(first) * (len(first) - 1)) if same else differ.mean()

    for i in range(5):
        assert pairs.differ[i] == pytest.approx(unlike(each[i], each[i], True))
        for j in range(i):
            own = (pairs.differ[i] + pairs.differ[j]) / 2
            assert pairs.excess[i, j] == pytest.approx(unlike(each[i], each[j], False) - own)


def test_p_is_that_of_shuffled_sites_fitted_one_by_one():
    shells, place = survey()
    pairs = pairwise_differentiation(shells, *place.T)
    rng = np.random.default_rng(3)
    weights = draw_sites(24, draws=99, rng=rng)
    found = isolation_by_distance(pairs, weights, permutations=199, rng=rng)
    again = np.random.default_rng(3)
    draw_sites(24, draws=99, rng=again)
    upper = np.triu_indices(24, 1)
    log = np.log2(pairs.distance_m[upper])
    slopes = []
    for _ in range(199):
        order = again.permutation(24)
        slopes.append(np.polyfit(log, pairs.excess[np.ix_(order, order)][upper], 1)[0] / pairs.differ.mean())
    assert found.slope == pytest.approx(np.polyfit(log, pairs.excess[upper], 1)[0] / pairs.differ.mean())
    reached = np.abs(slopes) >= abs(found.slope) * (1 - 1e-9)
    assert found.p == pytest.approx((1 + reached.sum()) / 200)
    assert found.p_error == pytest.approx(np.sqrt(found.p * (1 - found.p) / 199))


def test_resampled_slopes_leave_out_a_site_paired_with_itself():
    shells, place = survey(sites=12)
    pairs = pairwise_differentiation(shells, *place.T)
    weights = draw_sites(12, draws=5, rng=np.random.default_rng(9))
    found = isolation_by_distance(pairs, weights, permutations=9, rng=np.random.default_rng(1))
    for weight, slope in zip(weights, found.drawn, strict=True):
        copies = np.repeat(np.arange(12), weight.astype(int))
        first, second = (copies[index] for index in np.triu_indices(12, 1))
        apart = first != second
        x, y = np.log2(pairs.distance_m[first, second][apart]), pairs.excess[first, second][apart]
        assert slope == pytest.approx(np.polyfit(x, y, 1)[0] / pairs.differ[copies].mean())


def test_the_unit_of_distance_and_the_order_of_sites_change_nothing():
    shells, place = survey()
    one, other = (analysed(pairwise_differentiation(shells, *(place * scale).T)) for scale in (1.0, 0.001))
    assert (one.slope, one.low, one.high, one.p) == pytest.approx((other.slope, other.low, other.high, other.p))
    turned = analysed(pairwise_differentiation(shells[::-1], *place[::-1].T))
    assert (turned.slope, turned.mantel_r) == pytest.approx((one.slope, one.mantel_r))


def test_the_mean_over_pairs_is_linearised_fst_without_bias():
    rng = np.random.default_rng(5)
    rho = 0.1
    means = []
    for _ in range(200):
        own = rng.beta(0.4 * (1 - rho) / rho, 0.6 * (1 - rho) / rho, 30)
        count = rng.binomial(20, own)
        pairs = pairwise_differentiation(np.column_stack([count, 20 - count]), *rng.uniform(0, 1, (2, 30)))
        means.append(pairs.excess[np.triu_indices(30, 1)].mean() / pairs.differ.mean())
    assert np.mean(means) == pytest.approx(rho / (1 - rho), abs=4 * np.std(means) / np.sqrt(200))


def test_classes_hold_every_pair_once_and_enough_of_them():
    shells, place = survey(sites=40)
    pairs = pairwise_differentiation(shells, *place.T)
    classes = distance_classes(pairs, draw_sites(40, draws=49, rng=np.random.default_rng(1)), classes=8)
    assert sum(one.pairs for one in classes) == 40 * 39 // 2
    assert all(one.pairs >= 30 for one in classes)
    assert all(one.from_m < one.middle_m <= one.to_m and one.low <= one.mean <= one.high for one in classes)
    upper = np.triu_indices(40, 1)
    mean = np.average([one.mean for one in classes], weights=[one.pairs for one in classes])
    assert mean == pytest.approx(pairs.excess[upper].mean() / pairs.differ.mean())


@pytest.mark.parametrize(
    ("shells", "place", "reason"),
    [
        (np.tile([5, 5], (6, 1)), np.random.default_rng(0).uniform(0, 1, (6, 2)), "fewer than 10 sites"),
        (np.tile([5, 0], (12, 1)), np.random.default_rng(0).uniform(0, 1, (12, 2)), "all shells are alike"),
        (survey(12)[0], np.zeros((12, 2)), "all its sites lie at one place"),
    ],
)
def test_why_nothing_is_tested(shells, place, reason):
    found = analysed(pairwise_differentiation(shells, *place.T))
    assert found.not_tested_because == reason
    assert np.isnan([found.slope, found.low, found.p]).all()


def test_pairs_at_one_place_are_left_out_and_counted():
    shells, place = survey()
    place[1] = place[0]
    found = analysed(pairwise_differentiation(shells, *place.T))
    assert (found.pairs, found.pairs_at_one_place) == (275, 1)
    assert np.isfinite([found.slope, found.low, found.p]).all()


def test_a_single_shell_is_refused():
    with pytest.raises(ValueError, match="two shells or more"):
        pairwise_differentiation([[1, 0], [3, 4]], [0, 1], [0, 1])
