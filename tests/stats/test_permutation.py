"""Shuffled Moran's I against complete enumeration, exact moments and what a p-value promises."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.special import chdtrc
from statsmodels.stats.proportion import proportion_confint

from morphcline.stats import permutation
from morphcline.stats.autocorrelation import moran
from morphcline.stats.neighbours import binary, from_pairs, nearest, within
from morphcline.stats.permutation import monte_carlo_limits, permute_moran, same_sites, shuffles, two_sided_p
from published_maps import irish_counties


def test_two_sided_p_counted_by_hand():
    # Around 1: the observed 3 is 2 away; of the draws, -1, 3 and -5 are as far or farther.
    drawn = np.array([0.0, -1.0, 2.0, 3.0, -5.0])
    assert_allclose(two_sided_p(np.array(3.0), drawn, expected=1.0), (1 + 3) / (1 + 5))
    assert_allclose(two_sided_p(np.array(-1.0), drawn, expected=1.0), (1 + 3) / (1 + 5))
    # Never 0, never above 1, and draws equal but for rounding count.
    assert two_sided_p(np.array(100.0), drawn, expected=1.0) == 1 / 6
    assert two_sided_p(np.array(0.3), np.array([0.1 + 0.2 - 1e-15, 0.3]), expected=0.0) == 1


def test_monte_carlo_limits_are_those_of_statsmodels():
    reached, draws = np.array([0, 1, 49, 500, 999]), 999
    low, high = monte_carlo_limits((1 + reached) / (1 + draws), draws)
    theirs = proportion_confint(reached, draws, method="beta")
    assert_allclose(low, np.nan_to_num(theirs[0]), atol=1e-12)
    assert_allclose(high, np.where(reached == draws, 1, theirs[1]), atol=1e-12)
    assert np.isnan(monte_carlo_limits([np.nan], 99)).all()


def test_p_is_that_of_all_arrangements():
    """Two high sites among ten: 45 arrangements, so that the exact p-value can be had."""
    rng = np.random.default_rng(2)
    weights = nearest(*rng.uniform(0, 1000, (2, 10)), 3)
    arrangements = np.zeros((10, 45))
    for number, pair in enumerate(combinations(range(10), 2)):
        arrangements[list(pair), number] = 1
    index = moran(arrangements, weights).i
    apart = np.abs(index + 1 / 9)
    exact = np.array([np.mean(apart >= one - 1e-9) for one in apart])
    # The mean over all arrangements is the expectation, as theory says.
    assert_allclose(index.mean(), -1 / 9, atol=1e-14)
    result = permute_moran(arrangements, weights, permutations=4999, rng=rng)
    standard_error = np.sqrt(exact * (1 - exact) / 4999)
    assert np.all(np.abs(result.p - exact) <= 4.5 * standard_error + 1 / 5000)


def test_draws_have_the_moments_of_randomisation():
    """Of Cliff & Ord's counties, with their directed general weights: mean -1/24 and the variance of the formula."""
    counties, weights = irish_counties()
    values = counties[["pagval2_10", "ocattlepacre"]].to_numpy()
    drawn = permute_moran(values, weights, permutations=20_000, rng=np.random.default_rng(1)).drawn
    variance = moran(values, weights).variance
    assert_allclose(drawn.mean(axis=0), -1 / 24, atol=4.5 * np.sqrt(variance.max() / 20_000))
    assert_allclose(drawn.var(axis=0), variance, rtol=0.06)


def test_a_trait_has_the_same_draws_alone_and_in_company():
    rng = np.random.default_rng(3)
    weights, values = nearest(*rng.uniform(0, 1000, (2, 30)), 4), rng.normal(size=(30, 5))
    together = permute_moran(values, weights, permutations=99, rng=np.random.default_rng(9))
    alone = permute_moran(values[:, 3], weights, permutations=99, rng=np.random.default_rng(9))
    assert_allclose(together.drawn[:, [3]], alone.drawn, atol=1e-12)
    assert_array_equal(together.p[[3]], alone.p)


def test_batches_do_not_change_what_is_drawn(monkeypatch):
    values = np.arange(12.0).reshape(6, 2)
    whole = list(shuffles(values, permutations=7, rng=np.random.default_rng(4)))
    monkeypatch.setattr(permutation, "SHUFFLED_AT_ONCE", 25)
    parts = list(shuffles(values, permutations=7, rng=np.random.default_rng(4)))
    assert [part.shape for part in parts] == [(6, 4), (6, 4), (6, 4), (6, 2)]
    assert_array_equal(np.hstack(parts), np.hstack(whole))
    # Rows stay together: the two columns of a row differ by 1 as they did.
    assert_array_equal(whole[0][:, 1::2] - whole[0][:, ::2], np.ones((6, 7)))
    assert_array_equal(np.sort(whole[0], axis=0), np.tile(values, 7))


def test_islands_and_untested_traits_are_as_in_the_index():
    rng = np.random.default_rng(5)
    easting, northing = np.append(rng.uniform(0, 1000, (2, 20)), [[9e5], [9e5]], axis=1)
    values = np.column_stack([rng.normal(size=21), np.ones(21)])
    weights = within(easting, northing, 500)
    result = permute_moran(values, weights, permutations=99, rng=np.random.default_rng(0))
    assert result.not_tested_because == moran(values, weights).not_tested_because
    assert np.isnan(result.p).tolist() == [False, True]
    assert np.isnan(result.drawn).all(axis=0).tolist() == [False, True]
    inner = within(easting[:20], northing[:20], 500)
    again = permute_moran(values[:20], inner, permutations=99, rng=np.random.default_rng(0))
    assert_array_equal(result.p, again.p)
    nothing = permute_moran(np.ones(20), inner, permutations=99, rng=rng)
    assert np.isnan(nothing.p).all()


def test_likeness_and_unlikeness_are_both_found():
    ring = np.arange(40)
    weights = from_pairs(np.r_[ring, ring], np.r_[np.roll(ring, 1), np.roll(ring, -1)], sites=40)
    values = np.column_stack([np.sin(ring * 2 * np.pi / 40), ring % 2])
    result = permute_moran(values, weights, permutations=999, rng=np.random.default_rng(6))
    assert_array_equal(result.p, [0.001, 0.001])


@pytest.mark.slow
def test_p_is_uniform_where_nothing_is_alike():
    """2,000 maps of skewed values without any pattern: p spreads evenly over its range."""
    rng = np.random.default_rng(7)
    p = []
    for _ in range(20):
        weights = nearest(*rng.uniform(0, 1000, (2, 40)), 5)
        values = rng.gamma(0.7, size=(40, 100))
        p.append([permute_moran(column, weights, permutations=199, rng=rng).p[0] for column in values.T])
    counts = np.bincount(np.ceil(np.ravel(p) * 10 - 1e-9).astype(int) - 1, minlength=10)
    assert counts.sum() == 2000
    chi_square = ((counts - 200) ** 2 / 200).sum()
    assert chdtrc(9, chi_square) > 1e-3


def test_traits_known_at_the_same_sites_are_grouped():
    present = np.array([[1, 0, 1, 0, 1], [1, 1, 1, 1, 0], [0, 1, 0, 1, 1]], dtype=bool)
    groups = same_sites(present)
    assert [traits.tolist() for _, traits in groups] == [[0, 2], [1, 3], [4]]
    assert [sites.tolist() for sites, _ in groups] == [
        [True, True, False], [False, True, True], [True, False, True],
    ]  # fmt: skip


@pytest.mark.slow
def test_spread_of_draws_is_esdas():
    """The draws' mean and spread on a map, and the p-value, against the reference library's own permutations."""
    import esda
    from libpysal.weights import KNN

    rng = np.random.default_rng(12)
    points = rng.uniform(0, 50_000, (100, 2))
    values = rng.gamma(1, size=100) + points[:, 0] / 60_000
    result = permute_moran(values, nearest(*points.T, 6), permutations=9999, rng=rng)
    np.random.seed(1)  # noqa: NPY002 - the other library draws from the global state
    theirs = esda.Moran(values, KNN.from_array(points, k=6), permutations=9999)
    assert_allclose(result.drawn.std(), theirs.seI_sim, rtol=0.05)
    apart = np.mean(np.abs(theirs.sim + 1 / 99) >= abs(theirs.I + 1 / 99))
    assert_allclose(result.p, apart, atol=5 * np.sqrt(2 * apart * (1 - apart) / 9999) + 2e-4)


def test_weights_are_not_changed():
    _, weights = irish_counties()
    before = binary(weights).toarray()
    permute_moran(np.arange(25.0), weights, permutations=9, rng=np.random.default_rng(0))
    assert_array_equal(binary(weights).toarray(), before)


def plain(monkeypatch, *arguments, **named):
    """Do without compiled code."""
    with monkeypatch.context() as patched:
        patched.setattr(permutation, "can_compile", lambda: False)
        return permute_moran(*arguments, **named)


@pytest.mark.parametrize("traits", [1, 5, 12, 110])
@pytest.mark.parametrize("kind", ["nearest", "within", "islands", "tied", "general weights"])
def test_compiled_shuffles_are_the_plain_ones(monkeypatch, kind, traits):
    """At a size that compiles: the same p, and the draws to within rounding in single precision."""
    rng = np.random.default_rng(21)
    easting, northing = rng.uniform(0, 10_000, (2, 1100))
    values = rng.gamma(0.5, size=(1100, traits)) + 1e-4 * easting[:, np.newaxis]
    weights = nearest(easting, northing, 7) if kind != "within" else within(easting, northing, 800.0)
    if kind == "islands":
        weights = within(easting, northing, 300.0)
        assert 0 < np.count_nonzero(np.diff(weights.indptr) == 0) < 100
    if kind == "tied":  # sums of whole numbers: many draws are exactly the observed one
        values, weights = (rng.uniform(size=values.shape) < 0.002).astype(float), binary(weights)
    if kind == "general weights":
        weights = weights.copy()
        weights.data *= rng.uniform(0.1, 3, weights.nnz)
    named = {"permutations": 299, "rng": np.random.default_rng(5)}
    fast = permute_moran(values, weights, **named)
    named["rng"] = np.random.default_rng(5)
    slow = plain(monkeypatch, values, weights, **named)
    assert_array_equal(fast.p, slow.p)
    for trait in range(traits):
        spread = slow.drawn[:, trait].std()
        assert_allclose(fast.drawn[:, trait], slow.drawn[:, trait], rtol=1e-5, atol=3e-5 * spread)


@given(st.integers(0, 2**32 - 1), st.integers(10, 200), st.integers(1, 30))
def test_compiled_shuffles_are_the_plain_ones_whatever_the_map(seed, sites, permutations):
    rng = np.random.default_rng(seed)
    weights = nearest(*rng.uniform(0, 1000, (2, sites)), int(rng.integers(1, 12)))
    values = rng.integers(0, 4, (sites, 3)).astype(float)
    results = []
    for can in (True, False):
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(permutation, "STREAMS_FROM", 10)
            patched.setattr(permutation, "can_compile", lambda can=can: can)
            results.append(permute_moran(values, weights, permutations=permutations, rng=np.random.default_rng(seed)))
    assert_array_equal(results[0].p, results[1].p)
    assert_allclose(results[0].drawn, results[1].drawn, atol=1e-5)


def test_draws_of_many_sites_do_not_depend_on_threads(monkeypatch):
    rng = np.random.default_rng(22)
    weights, values = nearest(*rng.uniform(0, 1000, (2, 1500)), 6), rng.normal(size=(1500, 4))
    found = []
    for number in (1, 2, 5):
        monkeypatch.setattr("morphcline.stats._compiling.threads", lambda number=number: number)
        found.append(permute_moran(values, weights, permutations=101, rng=np.random.default_rng(1)).drawn.tobytes())
    assert len(set(found)) == 1


def test_draws_of_many_sites_have_the_moments_of_randomisation():
    rng = np.random.default_rng(23)
    weights, values = nearest(*rng.uniform(0, 1000, (2, 1200)), 6), rng.gamma(0.5, size=(1200, 2))
    drawn = permute_moran(values, weights, permutations=20_000, rng=rng).drawn
    variance = moran(values, weights).variance
    assert_allclose(drawn.mean(axis=0), -1 / 1199, atol=4.5 * np.sqrt(variance.max() / 20_000))
    assert_allclose(drawn.var(axis=0), variance, rtol=0.05)
