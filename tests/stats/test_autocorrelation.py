"""Moran's I against published maps, exact lattices, a double loop and esda."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from morphcline.stats.autocorrelation import moran, rate_adjusted
from morphcline.stats.neighbours import binary, from_pairs, nearest, row_standardised, within
from published_maps import REFERENCE, columbus_of_anselin, irish_counties, lattice, of_libpysal


def by_double_loop(values, weights):
    """Moran's I and its two variances from the textbook's sums, element by element."""
    n, w = len(values), weights.toarray()
    z = values - values.mean()
    products = sum(w[i, j] * z[i] * z[j] for i in range(n) for j in range(n))
    s0 = w.sum()
    s1 = sum((w[i, j] + w[j, i]) ** 2 for i in range(n) for j in range(n)) / 2
    s2 = sum((w[i].sum() + w[:, i].sum()) ** 2 for i in range(n))
    b2 = n * (z**4).sum() / (z**2).sum() ** 2
    index = n / s0 * products / (z**2).sum()
    normality = (n**2 * s1 - n * s2 + 3 * s0**2) / ((n**2 - 1) * s0**2) - 1 / (n - 1) ** 2
    first = n * ((n**2 - 3 * n + 3) * s1 - n * s2 + 3 * s0**2)
    second = b2 * ((n**2 - n) * s1 - 2 * n * s2 + 6 * s0**2)
    randomisation = (first - second) / ((n - 1) * (n - 2) * (n - 3) * s0**2) - 1 / (n - 1) ** 2
    return index, randomisation, normality


# Published ------------------------------------------------------------------------------------------------------------


def test_irish_counties_of_cliff_and_ord():
    """Cliff & Ord (1969), tables 4 and 5: five variables, three weights, two assumptions, to four decimals.

    The weights are contiguity, their general weights, and the general weights standardised by row.
    """
    counties, general = irish_counties()
    expected = pd.read_csv(REFERENCE / "cliff_ord_1969_expected_z.csv")
    values = np.column_stack(
        [
            np.log(counties[name]) if transform == "log" else counties[name]
            for name, transform in zip(expected["variable"], expected["transform"], strict=True)
        ]
    )
    contiguity = binary(general)
    forms = {"binary": contiguity, "unstd": general, "rowstd": row_standardised(general)}
    for form, weights in forms.items():
        result = moran(values, weights)
        assert_allclose(result.z_normality, expected[f"moran_{form}_z_norm"], atol=5e-5)
        assert_allclose(result.z, expected[f"moran_{form}_z_rand"], atol=5e-5)
    # The same counties, more digits: as printed by spdep's CO69 vignette and found with esda.
    result = moran(counties[["pagval2_10", "retailpcap", "ocattlepacre"]], contiguity)
    assert_allclose(result.expected, -1 / 24)
    assert_allclose(result.i, [0.407437, 0.373428, 0.024364], atol=5e-7)
    assert_allclose(result.variance_normality, 0.0140776206117, rtol=1e-10)
    assert_allclose(result.variance[0], 0.0134121902, atol=5e-11)
    assert_allclose(moran(counties["pagval2_10"], forms["rowstd"]).i, 0.538446, atol=5e-7)
    assert_allclose(moran(counties["ocattlepacre"], general).i, 0.277485, atol=5e-7)
    assert result.neighbours == 110 / 25


def test_crime_in_columbus_with_anselins_contiguity():
    """Data of Anselin (1988); statistics as given by spdep 1.2-7 (data set oldcol) and esda 2.9."""
    table, contiguity = columbus_of_anselin()
    weights = row_standardised(contiguity)
    result = moran(table["crime"], weights)
    assert_allclose(result.i, 0.510951264079, atol=1e-11)
    assert_allclose(result.expected, -1 / 48)
    assert_allclose([result.variance[0], result.z[0]], [0.00890876155988, 5.634132894], rtol=1e-8)
    assert_allclose([result.variance_normality[0], result.z_normality[0]], [0.00877983145686, 5.675350197], rtol=1e-8)
    # Residuals of crime on income and house value: Anselin's texts give I as 0.236.
    design = np.column_stack([np.ones(49), table["inc"], table["hoval"]])
    coefficients = np.linalg.lstsq(design, table["crime"], rcond=None)[0]
    residuals = table["crime"] - design @ coefficients
    assert_allclose(moran(residuals, weights).i, 0.235638353766, atol=1e-8)


def test_crime_in_columbus_with_libpysals_contiguity():
    """The map in libpysal; statistics as given by esda 2.9 and, on the same file, spdep 1.2-7."""
    table, contiguity = of_libpysal("columbus")
    result = moran(table["CRIME"], row_standardised(contiguity))
    assert_allclose(result.i, 0.50018855718286, atol=1e-12)
    assert_allclose([result.variance[0], result.z[0]], [0.00868928920133, 5.58938267504], rtol=1e-10)
    assert_allclose(
        [result.variance_normality[0], result.z_normality[0]], [0.00856341311940, 5.63031278774], rtol=1e-10
    )
    result = moran(table["CRIME"], contiguity)
    assert_allclose([result.i[0], result.variance[0]], [0.51546143688628, 0.00745439434279], rtol=1e-10)


def test_correlogram_of_crime_by_order_of_contiguity():
    """As given by spdep's sp.correlogram on libpysal's Columbus map, row-standardised."""
    table, contiguity = of_libpysal("columbus")
    linked = contiguity.toarray() > 0
    # Order k: reached in k steps and in no fewer.
    steps = np.where(linked, 1, np.where(np.eye(len(linked), dtype=bool), 0, 99))
    for middle in range(len(steps)):
        steps = np.minimum(steps, steps[:, [middle]] + steps[[middle]])
    expected = {1: (0.500188557, None), 2: (0.144934369738, 0.005364365682), 3: (-0.152257156025, 0.004241654191)}
    expected[4] = (-0.315306148914, 0.003828903668)
    for order, (index, variance) in expected.items():
        weights = row_standardised(from_pairs(*np.nonzero(steps == order), sites=len(steps)))
        result = moran(table["CRIME"], weights)
        assert_allclose(result.i, index, atol=1e-9)
        if variance is not None:
            assert_allclose(result.variance, variance, atol=1e-11)


@pytest.mark.parametrize(
    ("standardised", "largest", "smallest"),
    [(False, 1.055692867026, -0.647154525402), (True, 1.011577592246, -0.674537227059)],
)
def test_extremes_of_i_are_reached_by_eigenvectors(standardised, largest, smallest):
    """De Jong, Sprenger & van Veen (1984); figures for libpysal's Columbus map from R."""
    _, contiguity = of_libpysal("columbus")
    weights = row_standardised(contiguity) if standardised else contiguity
    symmetric = (weights.toarray() + weights.toarray().T) / 2
    centring = np.eye(49) - 1 / 49
    vectors = np.linalg.eigh(centring @ symmetric @ centring)[1]
    assert_allclose(moran(vectors[:, [-1, 0]], weights).i, [largest, smallest], atol=1e-11)


def test_two_halves_and_a_chessboard_on_a_lattice():
    """4 x 4 cells with shared edges: counted by hand, of 24 joins 4 differ or all do; variances exact (esda, spdep)."""
    halves = np.repeat([0.0, 1.0], 8)
    chessboard = np.indices((4, 4)).sum(axis=0).ravel() % 2
    result = moran(np.column_stack([halves, chessboard]), lattice(4))
    assert_allclose(result.i, [2 / 3, -1], atol=1e-14)
    assert_allclose(result.variance_normality, 0.0325925926, atol=5e-11)
    assert_allclose(result.variance[0], 0.0371509972, atol=5e-11)


def test_rate_adjusted_index_of_assuncao_and_reis():
    """Sudden infant deaths in North Carolina (Cressie), map in libpysal; PySAL's documentation gives 0.1662."""
    table, contiguity = of_libpysal("sids2")
    weights = row_standardised(contiguity)
    deviates = rate_adjusted(table["SID79"], table["BIR79"], form="poisson")
    result = moran(deviates, weights)
    assert_allclose([result.i[0], result.z[0]], [0.166223435526, 2.655325015695], rtol=1e-10)
    assert_allclose(moran(deviates, contiguity).i, 0.147001542124, rtol=1e-10)
    assert_allclose(moran(table["SID79"] / table["BIR79"], weights).i, 0.166557482566, rtol=1e-10)
    earlier = rate_adjusted(table["SID74"], table["BIR74"], form="poisson")
    # The first five counties, as given by esda and by the formula worked in R.
    assert_allclose(earlier[:5], [-0.682304189, -0.911328114, -0.382448160, -0.024294774, 2.912636720], atol=5e-10)


# Second implementations -----------------------------------------------------------------------------------------------


@given(st.integers(0, 2**32 - 1))
def test_moments_are_the_textbooks_sums_for_any_weights(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(10, 18))
    table = rng.exponential(size=(n, n)) * (rng.random((n, n)) < 0.4)
    np.fill_diagonal(table, 0)
    table[np.arange(n), (np.arange(n) + 1) % n] = 0.5  # no islands
    weights = from_pairs(*np.nonzero(table), table[np.nonzero(table)], sites=n)
    values = rng.gamma(0.5, size=(n, 3))
    result = moran(values, weights)
    expected = np.array([by_double_loop(column, weights) for column in values.T]).T
    assert_allclose([result.i, result.variance, result.variance_normality], expected, rtol=1e-8, atol=1e-12)


@pytest.mark.slow
def test_agrees_with_esda_on_nearest_neighbours():
    import esda
    from libpysal.weights import KNN

    rng = np.random.default_rng(11)
    points, values = rng.uniform(0, 50_000, (150, 2)), rng.gamma(2, size=(150, 4))
    result = moran(values, nearest(*points.T, 8))
    theirs = [esda.Moran(column, KNN.from_array(points, k=8), permutations=0) for column in values.T]
    for ours, name in [
        (result.i, "I"), (result.expected, "EI"), (result.variance, "VI_rand"), (result.p, "p_rand"),
        (result.variance_normality, "VI_norm"), (result.p_normality, "p_norm"),
    ]:  # fmt: skip
        assert_allclose(ours, [getattr(one, name) for one in theirs], rtol=1e-9)


# Laws -----------------------------------------------------------------------------------------------------------------


@given(st.integers(0, 2**32 - 1), st.floats(0.01, 100), st.floats(-100, 100))
def test_order_of_sites_unit_and_origin_do_not_matter(seed, factor, shift):
    rng = np.random.default_rng(seed)
    points, values = rng.uniform(0, 10_000, (2, 20)), rng.normal(size=20)
    order = rng.permutation(20)
    here = moran(values, nearest(*points, 4))
    there = moran(values[order] * factor + shift, nearest(*points[:, order], 4))
    assert_allclose([there.i, there.z, there.p], [here.i, here.z, here.p], rtol=1e-6)
    assert_allclose(moran(-values, nearest(*points, 4)).i, here.i)


def test_direction_and_scale_of_weights_do_not_matter():
    rng = np.random.default_rng(3)
    weights, values = nearest(*rng.uniform(0, 10_000, (2, 40)), 5), rng.normal(size=40)
    symmetric = (weights + weights.T) * 7.5
    one, other = moran(values, weights), moran(values, symmetric)
    assert_allclose([other.i, other.variance], [one.i, one.variance])


def test_islands_are_left_out_and_counted():
    rng = np.random.default_rng(4)
    easting, northing = rng.uniform(0, 1000, (2, 30))
    values = rng.normal(size=30)
    # A lone site far away with an extreme value: it has no neighbours, so it changes nothing.
    with_island = moran(np.append(values, 1e6), within(np.append(easting, 9e5), np.append(northing, 9e5), 400))
    without = moran(values, within(easting, northing, 400))
    assert without.islands == 0
    assert (with_island.islands, with_island.sites) == (1, 30)
    assert_allclose([with_island.i, with_island.z], [without.i, without.z])


def test_what_can_not_be_tested_gets_a_reason_and_no_number():
    rng = np.random.default_rng(6)
    values = rng.normal(size=(12, 3))
    values[:, 1] = 0.1 + 0.2  # a constant that binary fractions don't hold exactly
    values[3, 2] = np.nan
    easting, northing = rng.uniform(0, 1000, (2, 12))
    result = moran(values, nearest(easting, northing, 3))
    assert result.not_tested_because == (
        "", "the same value at every site", "no value at 1 of 12 sites",
    )  # fmt: skip
    for numbers in (result.i, result.expected, result.variance, result.z, result.p, result.p_normality):
        assert_array_equal(np.isnan(numbers), [False, True, True])
    few = moran(values[:9], nearest(easting[:9], northing[:9], 3))
    assert few.not_tested_because[0] == "9 sites can be compared, at least 10 are needed"
    assert np.isnan(few.i).all()
    assert moran(np.zeros((0, 2)), nearest([], [], 3)).sites == 0


def test_arguments_stay_as_they_are():
    rng = np.random.default_rng(6)
    values, weights = rng.normal(size=12), nearest(*rng.uniform(0, 1000, (2, 12)), 3)
    before = values.copy(), weights.toarray()
    moran(values, weights)
    assert_array_equal(values, before[0])
    assert_array_equal(weights.toarray(), before[1])


@pytest.mark.parametrize(
    ("values", "weights", "says"),
    [
        (np.arange(3.0), lattice(2), "3 x 3 for that many sites"),
        (np.arange(4.0), lattice(2) + from_pairs([0], [1], sites=4) @ from_pairs([1], [0], sites=4), "diagonal"),
    ],
)
def test_unfit_weights_are_refused(values, weights, says):
    with pytest.raises(ValueError, match=says):
        moran(values, weights)


# Rates ----------------------------------------------------------------------------------------------------------------


def test_binomial_deviates_worked_by_hand():
    # rho 0: p = 30 / 100; sd = sqrt(0.3 * 0.7 / n): 0.0648074 for 50, 0.1024695 for 20, 0.0836660 for 30.
    deviates = rate_adjusted([10, 8, 12], [50, 20, 30])
    assert_allclose(deviates, [-0.1 / 0.0648074, 0.1 / 0.1024695, 0.1 / 0.0836660], rtol=1e-6)
    # rho 1: every site counts alike, p = (0.2 + 0.4 + 0.4) / 3 and sd = sqrt(p (1 - p)) = 0.4714045.
    deviates = rate_adjusted([10, 8, 12], [50, 20, 30], 1.0)
    assert_allclose(deviates, np.array([-2, 1, 1]) / 15 / 0.4714045, rtol=1e-6)


def test_deviates_have_unit_spread_whatever_the_sample():
    """Beta-binomial samples of unequal size drawn with a known rho: the deviates' sd is 1 in small and large ones."""
    rng = np.random.default_rng(8)
    total = np.repeat([10, 200], 4000)
    rho, mean = 0.1, 0.3
    count = rng.binomial(total, rng.beta(mean * (1 / rho - 1), (1 - mean) * (1 / rho - 1), len(total)))
    deviates = rate_adjusted(count, total, rho)
    # The spread of 4,000 draws has a standard error of about 0.012.
    assert_allclose([deviates[:4000].std(), deviates[4000:].std()], 1, atol=0.05)


def test_each_trait_has_its_own_rho_and_totals():
    count, total = np.array([[3, 5], [7, 1], [9, 30]]), np.array([[10, 20], [20, 4], [30, 41]])
    together = rate_adjusted(count, total, [0.02, 0.3])
    for trait, rho in enumerate([0.02, 0.3]):
        assert_allclose(together[:, trait], rate_adjusted(count[:, trait], total[:, trait], rho))


@pytest.mark.parametrize("form", ["binomial", "poisson"])
def test_a_site_without_shells_has_no_deviate_and_changes_none(form):
    with_it = rate_adjusted([10, 0, 8, 12], [50, 0, 20, 30], form=form)
    assert_allclose(with_it[[0, 2, 3]], rate_adjusted([10, 8, 12], [50, 20, 30], form=form))
    assert np.isnan(with_it[1])


@pytest.mark.parametrize("form", ["binomial", "poisson"])
@pytest.mark.parametrize("count", [[0, 0, 0], [15, 6, 9]])
def test_a_trait_with_one_frequency_everywhere_deviates_nowhere(count, form):
    assert_array_equal(rate_adjusted(count, [50, 20, 30], form=form), np.zeros(3))


def test_rounding_of_one_frequency_everywhere_is_no_deviation():
    """Three in seven at every site: for most rho the weighted mean misses it by one bit."""
    shells = np.repeat(np.arange(1, 41)[:, np.newaxis], 60, axis=1)
    deviates = rate_adjusted(3 * shells, 7 * shells, np.arange(60) / 100)
    reasons = moran(deviates, nearest(shells[:, 0], np.zeros(40), 3)).not_tested_because
    assert set(reasons) == {"the same value at every site"}


@pytest.mark.parametrize("form", ["binomial", "poisson"])
def test_without_any_shell_nothing_is_known(form):
    assert np.isnan(rate_adjusted([[0, 1], [0, 2]], [[0, 3], [0, 3]], form=form))[:, 0].all()
    assert rate_adjusted(np.zeros((0, 2)), np.zeros((0, 2)), form=form).shape == (0, 2)


@pytest.mark.parametrize(
    ("count", "total", "rho", "says"),
    [([6], [5], 0.0, "between 0 and total"), ([-1], [5], 0.0, "between 0 and total"), ([1], [5], 1.5, "rho must lie")],
)
def test_impossible_counts_are_refused(count, total, rho, says):
    with pytest.raises(ValueError, match=says):
        rate_adjusted(count, total, rho)
