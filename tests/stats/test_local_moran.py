"""Local Moran's I against a published map, complete enumeration and esda's own draws."""

from itertools import combinations
from math import comb, perm

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.special import chdtrc
from scipy.stats import false_discovery_control

from morphcline.stats import local_moran as local_module
from morphcline.stats.autocorrelation import moran
from morphcline.stats.local_moran import STOP_AFTER, _without_replacement, local_moran
from morphcline.stats.neighbours import binary, from_pairs, nearest, row_standardised, within
from published_maps import of_libpysal

# Crime in Columbus, libpysal's map, row-standardised contiguity: spdep 1.2-7's localmoran (Anselin 1995, variance over
# n), units 1 to 5; and esda 2.9's, which divides by the variance over n - 1.
SPDEP = [0.736818490608, 0.528777013266, 0.093850741662, 0.004820966628, 0.303606124752]
ESDA = [0.721781378555, 0.517985645648, 0.091935420403, 0.004722579554, 0.29741008139]


def exact_p(z, links, site):
    """Return the conditional two-sided p-value, found by going through all sets of neighbours that a site can have."""
    chosen = links[site]
    others = np.delete(z, site)
    lags = [z[site] * sum(others[list(one)]) for one in combinations(range(len(others)), len(chosen))]
    assert len(lags) == comb(len(z) - 1, len(chosen))
    apart = np.abs(np.array(lags) - np.mean(lags))
    observed = abs(z[site] * z[chosen].sum() - np.mean(lags))
    return np.mean(apart >= observed - 1e-12)


def test_columbus():
    table, contiguity = of_libpysal("columbus")
    weights = row_standardised(contiguity)
    result = local_moran(table["CRIME"], weights, permutations=99, rng=np.random.default_rng(1))
    assert_allclose(result.i[:5, 0], SPDEP, atol=1e-11)
    assert_allclose(result.i[:5, 0] * 48 / 49, ESDA, atol=1e-11)
    assert_allclose(result.i.mean(), 0.50018855718286, atol=1e-12)


@given(st.integers(0, 2**32 - 1))
def test_local_values_add_up_to_the_global_index(seed):
    rng = np.random.default_rng(seed)
    points, values = rng.uniform(0, 1000, (2, 30)), rng.gamma(1, size=(30, 2))
    for weights in (nearest(*points, 4), binary(within(*points, 400.0))):
        result = local_moran(values, weights, permutations=1, rng=rng)
        total = weights.sum() * moran(values, weights).i
        assert_allclose(np.nansum(result.i, axis=0), total, rtol=1e-9, atol=1e-9)


def test_p_is_that_of_all_sets_of_neighbours():
    """Twelve sites with one to four neighbours: the draws' p-value agrees with the exact one at every site."""
    rng = np.random.default_rng(3)
    values = rng.gamma(0.6, size=(12, 3))
    links = [rng.choice(np.delete(np.arange(12), i), 1 + i % 4, replace=False) for i in range(12)]
    rows = np.repeat(np.arange(12), [len(chosen) for chosen in links])
    weights = row_standardised(from_pairs(rows, np.concatenate(links), sites=12))
    permutations = 20_000
    result = local_moran(values, weights, permutations=permutations, rng=rng, stop_after=permutations + 1)
    z = values - values.mean(axis=0)
    exact = np.array([[exact_p(z[:, trait], links, site) for trait in range(3)] for site in range(12)])
    standard_error = np.sqrt(exact * (1 - exact) / permutations)
    assert np.all(np.abs(result.p - exact) <= 4.5 * standard_error + 1 / permutations)


def test_p_of_tied_values_is_exact_too():
    """High or low sites alone: most draws tie with the observed sum and must be counted."""
    rng = np.random.default_rng(4)
    values = (np.arange(12) < 5).astype(float) * 0.1
    links = [rng.choice(np.delete(np.arange(12), i), 3, replace=False) for i in range(12)]
    weights = from_pairs(np.repeat(np.arange(12), 3), np.concatenate(links), sites=12)
    result = local_moran(values, weights, permutations=20_000, rng=rng, stop_after=20_001)
    z = values - values.mean()
    exact = np.array([exact_p(z, links, site) for site in range(12)])
    assert np.all(np.abs(result.p[:, 0] - exact) <= 4.5 * np.sqrt(exact * (1 - exact) / 20_000) + 1e-4)


@pytest.mark.parametrize("size", [3, 5])  # of 6: drawn in one way up to 4, in another above
def test_draws_without_replacement_are_all_equally_likely(size):
    drawn = _without_replacement(6, size, 36_000, np.random.default_rng(12))
    assert (np.sort(drawn, axis=1)[:, 1:] > np.sort(drawn, axis=1)[:, :-1]).all()
    found, counts = np.unique(drawn, axis=0, return_counts=True)
    orders = perm(6, size)
    assert len(found) == orders
    chi_square = ((counts - 36_000 / orders) ** 2 / (36_000 / orders)).sum()
    assert chdtrc(orders - 1, chi_square) > 1e-3


def test_a_site_at_the_mean_is_like_any():
    values = np.array([-2.0, -1, 0, 1, 2, -3, 3, -4, 4, -5, 5])
    result = local_moran(
        values, nearest(np.arange(11.0), np.zeros(11), 2), permutations=199, rng=np.random.default_rng(5)
    )
    assert result.i[2, 0] == 0
    assert result.p[2, 0] == 1


def test_a_patch_of_high_sites_is_found_where_it_is():
    rng = np.random.default_rng(6)
    easting, northing = rng.uniform(0, 10_000, (2, 250))
    inside = np.hypot(easting - 3000, northing - 3000) < 1500
    values = rng.normal(size=250) + 3.0 * inside
    weights = nearest(easting, northing, 8)
    result = local_moran(values, weights, permutations=9999, rng=rng)
    high = result.group[:, 0] == "high among high"
    assert np.count_nonzero(high & inside) >= 0.7 * np.count_nonzero(inside)
    far = np.hypot(easting - 3000, northing - 3000) > 3500
    assert np.count_nonzero((result.group[:, 0] != "no local signal") & far) <= 2


def test_groups_say_site_then_neighbours():
    """A ring of 60 sites: highs together, lows together, one high among lows and one low among highs."""
    ring = np.arange(60)
    values = np.where(ring < 30, 1.0, -1.0) + np.random.default_rng(7).normal(scale=0.01, size=60)
    values[15], values[45] = -1.0, 1.0
    offsets = [-4, -3, -2, -1, 1, 2, 3, 4]
    weights = row_standardised(
        from_pairs(np.tile(ring, 8), np.concatenate([(ring + offset) % 60 for offset in offsets]), sites=60)
    )
    group = local_moran(values, weights, permutations=9999, rng=np.random.default_rng(8)).group[:, 0]
    assert group[[7, 15, 37, 45]].tolist() == [
        "high among high", "low among high", "low among low", "high among low",
    ]  # fmt: skip
    # Half of these neighbours are high and half are low.
    assert group[[0, 29]].tolist() == ["no local signal"] * 2


def test_groups_are_given_up_to_the_level_only_and_fdr_is_scipys():
    rng = np.random.default_rng(9)
    easting, northing = rng.uniform(0, 1000, (2, 80))
    values = easting + rng.normal(scale=150, size=80)
    weights = nearest(easting, northing, 6)

    def run(level):
        return local_moran(values, weights, permutations=999, rng=np.random.default_rng(1), level=level)

    strict, loose = run(0.01), run(0.2)
    assert_array_equal(strict.p, loose.p)
    assert_allclose(loose.p_fdr[:, 0], false_discovery_control(loose.p[:, 0]))
    for result, level in ((strict, 0.01), (loose, 0.2)):
        assert_array_equal(result.group != "no local signal", result.p_fdr <= level)
    assert 0 < np.count_nonzero(strict.p_fdr <= 0.01) < np.count_nonzero(loose.p_fdr <= 0.2)


def test_islands_and_untested_traits_are_called_so():
    rng = np.random.default_rng(10)
    easting, northing = np.append(rng.uniform(0, 1000, (2, 20)), [[9e5], [9e5]], axis=1)
    values = np.column_stack([rng.normal(size=21), np.full(21, 0.3), rng.normal(size=21)])
    values[4, 2] = np.nan
    result = local_moran(values, within(easting, northing, 600), permutations=99, rng=rng)
    assert result.not_tested_because == ("", "the same value at every site", "no value at 1 of 20 sites")
    assert_array_equal(result.group == "not tested", np.isnan(result.p))
    assert_array_equal(np.isnan(result.i), np.isnan(result.p))
    assert_array_equal(np.isnan(result.p[:, 0]), [False] * 20 + [True])
    assert np.isnan(result.p[:, 1:]).all()


def test_a_site_without_neighbours_of_its_own_is_not_tested_though_others_point_to_it():
    ring = np.arange(12)
    weights = from_pairs(ring[1:], np.roll(ring, 1)[1:], sites=12)  # nobody for site 0, which is site 1's neighbour
    result = local_moran(np.arange(12.0), weights, permutations=99, rng=np.random.default_rng(0))
    assert result.group[0, 0] == "not tested"
    assert np.isnan(result.p[:, 0]).tolist() == [True] + [False] * 11


def test_traits_do_not_change_each_other():
    rng = np.random.default_rng(11)
    weights, values = nearest(*rng.uniform(0, 1000, (2, 40)), 5), rng.normal(size=(40, 4))
    together = local_moran(values, weights, permutations=199, rng=np.random.default_rng(2))
    alone = local_moran(values[:, 2], weights, permutations=199, rng=np.random.default_rng(2))
    assert_array_equal(together.p[:, [2]], alone.p)


def test_weights_that_differ_within_a_row_are_refused():
    weights = from_pairs([0, 0, 1], [1, 2, 0], [1.0, 2.0, 1.0], sites=12)
    with pytest.raises(ValueError, match="equal within a row"):
        local_moran(np.arange(12.0), weights, permutations=9, rng=np.random.default_rng(0))


def by_one_draw_after_another(z, links, site, drawn, stop_after):
    """Return Besag & Clifford's p-value and the draws it took, for one site, from ordered draws of sites."""
    k, reached = len(links), 0
    mean = -z[site] * k / (len(z) - 1)
    apart = abs(z[links].sum() - mean)
    for number, one in enumerate(drawn, start=1):
        others = [other for other in one if other != site][:k]
        reached += abs(z[others].sum() - mean) >= apart * (1 - 1e-9)
        if reached == stop_after:
            return stop_after / number, number
    return (1 + reached) / (1 + len(drawn)), len(drawn)


@pytest.mark.parametrize("stop_after", [1, 7, 40, 5000])
def test_sequential_p_and_draws_are_those_of_one_draw_after_another(stop_after):
    """The slow way on the very draws that were made, batch by batch."""
    rng = np.random.default_rng(15)
    easting, northing = rng.uniform(0, 1000, (2, 40))
    values = np.column_stack([rng.gamma(1, size=40), easting + rng.normal(scale=100, size=40)])
    weights = within(easting, northing, 260.0)
    found = np.diff(weights.indptr)
    assert found.min() < found.max()  # sites with few and with many neighbours
    result = local_moran(values, weights, permutations=1500, rng=np.random.default_rng(3), stop_after=stop_after)
    made, again = [], np.random.default_rng(3)
    for size in (500, 500, 500):
        made.append(_without_replacement(40, int(found.max()) + 1, size, again))
    z, drawn = values - values.mean(axis=0), np.concatenate(made)
    for trait in range(2):
        for site in np.flatnonzero(found):
            links = weights.indices[weights.indptr[site] : weights.indptr[site + 1]]
            p, number = by_one_draw_after_another(z[:, trait], links, site, drawn, stop_after)
            assert (result.p[site, trait], result.draws[site, trait]) == (pytest.approx(p, rel=1e-12), number)


def test_draws_go_where_p_is_small():
    rng = np.random.default_rng(16)
    easting, northing = rng.uniform(0, 1000, (2, 100))
    values = np.column_stack([easting + rng.normal(scale=60, size=100), rng.normal(size=100)])
    result = local_moran(values, nearest(easting, northing, 6), permutations=9999, rng=rng)
    assert_array_equal(result.draws < 9999, result.p >= STOP_AFTER / 9999)
    stopped = result.draws < 9999
    assert_allclose(result.p[stopped], STOP_AFTER / result.draws[stopped])
    assert result.draws[:, 1].mean() < 1500 < result.draws[:, 0].mean()


@pytest.mark.slow
def test_sequential_p_agrees_with_the_full_run_over_many_seeds():
    """At every site the mean of log p over 60 seeds is the full run's to within what such means scatter by."""
    rng = np.random.default_rng(17)
    easting, northing = rng.uniform(0, 1000, (2, 80))
    values = 0.001 * easting + rng.normal(size=80)
    weights = nearest(easting, northing, 6)
    full = local_moran(values, weights, permutations=99_999, rng=rng, stop_after=100_000).p[:, 0]
    seeds = [
        local_moran(values, weights, permutations=9999, rng=np.random.default_rng(seed)).p[:, 0] for seed in range(60)
    ]
    ratio = np.log(np.array(seeds) / full)
    # A stopped p has a relative error of 0.1; one that wasn't rests on 9,999 draws.
    error = np.sqrt(1 / np.minimum(STOP_AFTER, 1 + 9999 * full) + 1 / (1 + 99_999 * full))
    assert np.abs(ratio.mean(axis=0) / (error / np.sqrt(60) + 0.01)).max() < 4.5
    assert np.all(ratio.std(axis=0) < 1.4 * error + 0.01)


@pytest.mark.slow
def test_p_agrees_with_esdas_draws_over_many_seeds():
    """Mean p over 40 seeds at every site: the two differ by no more than such means do by chance."""
    import esda
    from libpysal.weights import KNN

    rng = np.random.default_rng(13)
    points = rng.uniform(0, 50_000, (60, 2))
    values = rng.gamma(1.5, size=60) + points[:, 0] / 40_000
    weights, theirs = nearest(*points.T, 6), KNN.from_array(points, k=6)
    z, seeds, permutations = values - values.mean(), 40, 499
    ours_p, theirs_p = [], []
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        fixed = local_moran(values, weights, permutations=permutations, rng=rng, stop_after=permutations + 1)
        ours_p.append(fixed.p[:, 0])
        local = esda.Moran_Local(values, theirs, permutations=permutations, seed=seed, keep_simulations=True)
        conditional_mean = -(z**2) / z.var(ddof=1) / 59
        apart = np.abs(local.rlisas - conditional_mean[:, np.newaxis])
        observed = np.abs(local.Is - conditional_mean)[:, np.newaxis]
        theirs_p.append((1 + (apart >= observed * (1 - 1e-9)).sum(axis=1)) / (1 + permutations))
    mean_ours, mean_theirs = np.mean(ours_p, axis=0), np.mean(theirs_p, axis=0)
    p = (mean_ours + mean_theirs) / 2
    error = np.sqrt(2 * p * (1 - p) / (permutations * seeds))
    score = (mean_ours - mean_theirs) / np.maximum(error, 1e-4)
    assert np.abs(score).max() < 4.5
    assert np.sqrt(np.mean(score**2)) < 1.5


@pytest.mark.slow
def test_few_maps_without_pattern_show_any_group():
    """Under no pattern at all the false-discovery rate is the chance of any group: at most 5 % (and few do)."""
    rng = np.random.default_rng(14)
    weights = nearest(*rng.uniform(0, 1000, (2, 60)), 6)
    values = rng.normal(size=(60, 400))
    shown = 0
    for column in values.T:
        result = local_moran(column, weights, permutations=1999, rng=rng)
        shown += bool(np.any(result.group != "no local signal"))
    # Five per cent of 400 is 20, with a standard error of 4.4.
    assert shown <= 20 + 3 * 4.4


def both_ways(*arguments, **named):
    """Return what compiled code gives and what the plain way does, whatever the size."""
    results = []
    seed = named.pop("seed")
    for can in (True, False):
        with pytest.MonkeyPatch.context() as patched:
            patched.setattr(local_module, "COMPILED_FROM", 1)
            patched.setattr(local_module, "can_compile", lambda can=can: can)
            results.append(local_moran(*arguments, rng=np.random.default_rng(seed), **named))
    return results


@given(
    st.integers(0, 2**32 - 1), st.integers(11, 120), st.integers(1, 1300), st.sampled_from([1, 3, 20, 100, 5000]),
)  # fmt: skip
def test_compiled_counting_is_the_plain_one_to_the_bit(seed, sites, permutations, stop_after):
    """With ties, islands, sites at the mean, and many draws that hold the site itself."""
    rng = np.random.default_rng(seed)
    points = rng.uniform(0, 1000, (2, sites))
    values = np.column_stack([rng.gamma(1, size=sites), rng.integers(-1, 2, sites), points[0]])
    weights = nearest(*points, 5) if seed % 2 else within(*points, rng.uniform(50, 400))
    fast, slow = both_ways(values, weights, permutations=permutations, seed=seed, stop_after=stop_after)
    for name in ("i", "p", "p_fdr", "draws", "group"):
        assert_array_equal(getattr(fast, name), getattr(slow, name))
    assert fast.not_tested_because == slow.not_tested_because


def test_many_sites_are_counted_as_the_plain_way_does_whatever_the_threads(monkeypatch):
    rng = np.random.default_rng(31)
    points = rng.uniform(0, 50_000, (2, 9000))
    values = np.column_stack([rng.gamma(1, size=9000), points[0] / 20_000 + rng.normal(size=9000)])
    weights = within(*points, 1000.0)
    fast, slow = both_ways(values, weights, permutations=2100, seed=1)
    monkeypatch.setattr("morphcline.stats._compiling.threads", lambda: 3)
    threes, _ = both_ways(values, weights, permutations=2100, seed=1)
    for name in ("i", "p", "p_fdr", "draws", "group"):
        assert_array_equal(getattr(fast, name), getattr(slow, name))
        assert_array_equal(getattr(fast, name), getattr(threes, name))


@pytest.mark.slow
def test_p_of_many_sites_agrees_with_true_conditional_permutation_over_many_seeds():
    """Compiled and shared draws against draws of each site's own.

    Of 2,200 sites every 20th has its neighbours drawn anew from its own others, 500 times in each of 40 seeds; mean
    differences are no larger than chance makes them, and their mean over sites is none.
    """
    rng = np.random.default_rng(33)
    points = rng.uniform(0, 50_000, (2, 2200))
    values = rng.gamma(1.5, size=2200) + points[0] / 40_000
    weights = nearest(*points, 6)
    z = values - values.mean()
    some = np.arange(0, 2200, 20)
    seeds, permutations = 40, 500
    ours = np.zeros(len(some))
    own = np.zeros(len(some))
    for seed in range(seeds):
        result = local_moran(
            values, weights, permutations=permutations, rng=np.random.default_rng(seed), stop_after=permutations + 1
        )
        ours += result.p[some, 0] / seeds
        for number, site in enumerate(some):
            others = np.delete(z, site)
            drawn = np.array([rng.choice(2199, 6, replace=False) for _ in range(permutations)])
            mean = -z[site] * 6 / 2199
            apart = abs(z[weights.indices[weights.indptr[site] : weights.indptr[site + 1]]].sum() - mean)
            reached = np.count_nonzero(np.abs(others[drawn].sum(axis=1) - mean) >= apart * (1 - 1e-9))
            own[number] += (1 + reached) / (1 + permutations) / seeds
    p = (ours + own) / 2
    score = (ours - own) / np.maximum(np.sqrt(2 * p * (1 - p) / (permutations * seeds)), 1e-4)
    assert np.abs(score).max() < 4.5
    assert np.sqrt(np.mean(score**2)) < 1.3
    # Sites share their draws, so that their differences go together: the mean's error is at most that of one site.
    assert abs(np.mean(ours - own)) < 3 * np.sqrt(0.25 / (permutations * seeds))


@pytest.mark.slow
def test_p_of_many_sites_is_uniform_where_nothing_is_alike():
    """One site in each of 1,200 maps of 2,000 sites without pattern: p spreads evenly, with and without stopping."""
    rng = np.random.default_rng(34)
    for stop_after in (10_000, 30):
        p = []
        for _ in range(4):
            weights = nearest(*rng.uniform(0, 1000, (2, 2000)), 6)
            values = rng.gamma(0.7, size=(2000, 300))
            result = local_moran(values, weights, permutations=399, rng=rng, stop_after=stop_after)
            p.append(result.p[rng.integers(2000, size=300), np.arange(300)])
        p = np.ravel(p)
        # A stopped p is spread evenly only up to where it isn't stopped; up to any level it is below as often.
        for level in (0.05, 0.1, 0.25, 0.5, 0.75):
            share = np.mean(p <= level)
            assert share <= level + 4 * np.sqrt(level * (1 - level) / len(p))
            if stop_after > 399:
                assert share >= level - 4 * np.sqrt(level * (1 - level) / len(p)) - 1 / 400
