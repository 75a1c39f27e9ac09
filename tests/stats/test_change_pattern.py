"""A shift that may be alike near each other: against least squares, esda and simulated drift."""

import numpy as np
import pytest
from esda.moran import Moran
from libpysal.weights import KNN
from scipy.optimize import minimize
from scipy.spatial.distance import cdist

from morphcline.stats.change_pattern import PairsInSpace
from morphcline.stats.paired_shift import PairShifts


def places(seed: int, pairs: int) -> np.ndarray:
    return np.random.default_rng(seed).uniform(0, 30_000, (pairs, 2))


def test_moran_is_that_of_esda():
    rng, where = np.random.default_rng(1), places(1, 40)
    pairs = PairShifts(rng.normal(0.3, 0.6, 40), rng.uniform(0.05, 0.4, 40))
    got = PairsInSpace(*where.T).mean_shift(pairs, 0.4)
    weight = 1 / (pairs.variance + 0.16)
    residual = np.sqrt(weight) * (pairs.shift - np.average(pairs.shift, weights=weight))
    weights = KNN.from_array(where, k=8)
    weights.transform = "r"
    theirs = Moran(residual, weights, permutations=0)
    assert got.moran_i == pytest.approx(theirs.I)
    assert got.p_moran == pytest.approx(theirs.p_rand, rel=1e-6)


def test_shifts_alike_near_each_other_are_worth_fewer_pairs():
    where = places(2, 60)
    root = np.linalg.cholesky(np.exp(-cdist(where, where) / 6_000) + 1e-9 * np.eye(60))
    rng = np.random.default_rng(2)
    pairs = PairShifts(0.3 + 0.8 * (root @ rng.standard_normal(60)), np.full(60, 0.02))
    got = PairsInSpace(*where.T).mean_shift(pairs, 0.6)
    assert got.p_moran < 0.01
    assert got.effective_pairs < 30
    assert got.share > 0.5
    # Generalised least squares with that correlation, by hand.
    correlation = got.share * np.exp(-cdist(where, where) / got.range_m)
    np.fill_diagonal(correlation, 1.0)
    inverse = np.linalg.inv(correlation)
    assert got.shift == pytest.approx(inverse.sum(axis=0) @ pairs.shift / inverse.sum(), rel=1e-6)


def test_unlike_neighbours_leave_the_weighted_mean():
    where = np.array([[1000.0 * i, 1000.0 * j] for i in range(6) for j in range(6)])
    sign = np.array([(-1.0) ** (i + j) for i in range(6) for j in range(6)])
    variance = np.linspace(0.1, 0.4, 36)
    got = PairsInSpace(*where.T).mean_shift(PairShifts(0.2 + 0.5 * sign, variance), 0.3)
    assert (got.share, got.effective_pairs) == (0.0, 36.0)
    weight = 1 / (variance + 0.09)
    found = minimize(lambda m: float(weight @ (0.2 + 0.5 * sign - m[0]) ** 2), [0.0])
    assert got.shift == pytest.approx(found.x[0], abs=1e-5)
    assert got.low < got.shift < got.high


def test_too_few_pairs_and_one_place():
    few = PairsInSpace([0, 1], [0, 1]).mean_shift(PairShifts(np.array([0.1, np.nan]), np.array([1.0, np.nan])), 0.0)
    assert few.not_tested_because == "fewer than 10 pairs of sites in which shells differ"
    assert np.isnan([few.shift, few.p, few.moran_i]).all()
    rng = np.random.default_rng(3)
    one = PairsInSpace(np.zeros(12), np.zeros(12)).mean_shift(PairShifts(rng.normal(size=12), np.ones(12)), 0.0)
    assert one.not_tested_because == "all pairs of sites lie at one place"
