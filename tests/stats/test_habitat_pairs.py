"""Habitats compared between pairs of near sites."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy.spatial.distance import cdist
from scipy.stats import ttest_rel
from statsmodels.stats.multitest import multipletests

from morphcline.stats.habitat_pairs import (
    ANY_OTHER,
    FEWEST_PAIRS,
    Matching,
    Matchings,
    compare_habitats,
    compare_pairs,
    match_near,
)


@pytest.mark.parametrize("seed", range(6))
def test_pairs_are_as_many_and_as_near_as_any_way_of_pairing(seed: int) -> None:
    """Every way of pairing is tried."""
    rng = np.random.default_rng(seed)
    places = rng.uniform(0, 3000, (10, 2))
    one = np.arange(10) < 4
    found = match_near(*places.T, one, ~one, within_m=1000.0)
    distance = cdist(places[:4], places[4:])
    best = (0, 0.0)
    for order in permutations(range(6), 4):
        near = [d for i, j in enumerate(order) if (d := distance[i, j]) <= 1000]
        best = max(best, (len(near), -sum(near)))
    assert (len(found.one), -found.distance_m.sum()) == (best[0], pytest.approx(best[1]))
    assert len(set(found.one)) == len(set(found.other)) == len(found.one)
    assert (one[found.one]).all()
    assert not one[found.other].any()
    assert_allclose(found.distance_m, np.hypot(*(places[found.one] - places[found.other]).T))


def test_nothing_near_gives_no_pair() -> None:
    east, one = np.array([0.0, 5000]), np.array([True, False])
    assert len(match_near(east, np.zeros(2), one, ~one, within_m=1000).one) == 0
    assert len(match_near(east, np.zeros(2), one, np.zeros(2, bool), within_m=1000).one) == 0


def test_equal_samples_have_scipys_paired_t_but_for_one_site_seen_without_itself() -> None:
    rng = np.random.default_rng(3)
    n = 20
    total = np.full(2 * n, 30.0)
    count = rng.binomial(30, 0.4, 2 * n).astype(float)
    pairs = Matching(np.arange(n), np.arange(n, 2 * n), np.zeros(n))
    (one, other, difference, low, high), p = compare_pairs(count, total, pairs, 0.1)
    theirs = ttest_rel(count[:n] / 30, count[n:] / 30)
    assert_allclose([one, other], [count[:n].mean() / 30, count[n:].mean() / 30])
    assert difference == pytest.approx(one - other)
    # HC3 of equal weights is the variance of the mean times n / (n - 1).
    t = theirs.statistic * np.sqrt((n - 1) / n)
    limits = theirs.confidence_interval(0.95)
    half = (limits.high - limits.low) / 2 * np.sqrt(n / (n - 1))
    assert_allclose([low, high], [difference - half, difference + half], rtol=1e-9)
    from scipy.stats import t as student

    assert p == pytest.approx(2 * student.sf(abs(t), n - 1))


def test_unequal_samples_have_statsmodels_weighted_mean_with_hc3() -> None:
    rng = np.random.default_rng(4)
    n, rho = 15, 0.07
    total = rng.integers(5, 80, 2 * n).astype(float)
    count = rng.binomial(total.astype(int), 0.3).astype(float)
    pairs = Matching(np.arange(n), np.arange(n, 2 * n), np.zeros(n))
    (*_, difference, low, high), p = compare_pairs(count, total, pairs, rho)
    own = (1 + (total - 1) * rho) / total
    y = count[:n] / total[:n] - count[n:] / total[n:]
    wls = sm.WLS(y, np.ones(n), weights=1 / (own[:n] + own[n:])).fit(cov_type="HC3", use_t=True)
    assert_allclose([difference, p], [wls.params[0], wls.pvalues[0]], rtol=1e-9)
    assert_allclose([low, high], wls.conf_int()[0], rtol=1e-9)


def test_each_class_is_compared_with_the_commonest_and_with_any_other() -> None:
    rng = np.random.default_rng(5)
    n = 160
    places = rng.uniform(0, 10_000, (n, 2))
    classes = rng.choice(["hedgerow", "marsh", "woodland"], n, p=[0.5, 0.2, 0.3]).astype(object)
    classes[:3] = "dune"
    total = np.full(n, 40.0)
    smooth = places[:, 0] / 20_000
    count = np.round(40 * (0.2 + smooth + 0.2 * (classes == "woodland")) + rng.integers(-2, 3, n))
    matchings = Matchings(*places.T, list(classes), within_m=1500.0)
    found = compare_habitats(count, total, matchings, 0.05)
    assert [(row.habitat_one, row.habitat_other) for row in found] == [
        ("dune", "hedgerow"), ("marsh", "hedgerow"), ("woodland", "hedgerow"),
        ("dune", ANY_OTHER), ("hedgerow", ANY_OTHER), ("marsh", ANY_OTHER), ("woodland", ANY_OTHER),
    ]  # fmt: skip
    dune, marsh, wood = found[:3]
    assert dune.not_tested_because == f"fewer than {FEWEST_PAIRS} pairs of sites within 1500 m of each other"
    assert np.isnan(dune.p_holm)
    assert wood.low < 0.2 < wood.high
    assert wood.p_holm < 0.001
    assert marsh.low < 0 < marsh.high
    expected = multipletests([marsh.p, wood.p], method="holm")[1]
    assert_allclose([marsh.p_holm, wood.p_holm], expected, rtol=1e-12)
    assert (classes[matchings.between("woodland", "hedgerow").other] == "hedgerow").all()


def test_a_trait_that_no_pair_shows_says_so_and_one_class_has_nothing_to_compare() -> None:
    east = np.arange(20.0) * 100
    classes = ["woodland", "hedgerow"] * 10
    matchings = Matchings(east, np.zeros(20), classes, within_m=500.0)
    (none,) = compare_habitats(np.zeros(20), np.full(20, 10.0), matchings, 0.1)
    assert none.not_tested_because == "no shell of the pairs has it"
    (alike,) = compare_habitats(np.full(20, 5.0), np.full(20, 10.0), matchings, 0.1)
    assert alike.difference == 0
    assert np.isnan(alike.p)
    alone = Matchings(east, np.zeros(20), ["woodland"] * 20, within_m=500.0)
    assert compare_habitats(np.zeros(20), np.full(20, 10.0), alone, 0.1) == ()
