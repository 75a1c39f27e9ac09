"""Differentiation against worked examples, analyses of variance, and by hand."""

import numpy as np
import pytest
from scipy.stats import chi2_contingency, f_oneway

from morphcline.stats.differentiation import among_sites, by_habitat, fst_corrected, fst_wright, heterogeneity_p


class TestDifferentiation:
    @pytest.mark.parametrize(
        ("frequency", "expected"),
        [
            ((0.2, 0.8), 0.36),
            ((0.5, 0.7, 0.9), 0.1269841270),
            ((0.1, 0.3, 0.5, 0.7, 0.9), 0.32),
            ((0, 1), 1),
            ((0.43, np.nan, 0.57), 0.0196),
        ],
    )
    def test_wright(self, frequency, expected):
        # Worked by hand; the same numbers by 1 - Hs/Ht.
        assert fst_wright(frequency) == pytest.approx(expected, abs=1e-9)
        known = np.array([p for p in frequency if not np.isnan(p)])
        within, whole = np.mean(2 * known * (1 - known)), 2 * known.mean() * (1 - known.mean())
        assert fst_wright(frequency) == pytest.approx(1 - within / whole)

    def test_corrected_is_the_intraclass_correlation_of_an_analysis_of_variance(self):
        count, total = np.array([3, 10, 14, 0, 7]), np.array([20, 25, 18, 9, 30])
        groups = [np.repeat([1.0, 0.0], [c, n - c]) for c, n in zip(count, total, strict=True)]
        ratio = f_oneway(*groups).statistic
        size = (total.sum() - (total**2).sum() / total.sum()) / (len(total) - 1)
        assert fst_corrected(count, total) == pytest.approx((ratio - 1) / (ratio - 1 + size))

    def test_sampling_alone_gives_nothing_corrected_and_something_uncorrected(self):
        rng = np.random.default_rng(4)
        count = rng.binomial(20, 0.3, size=(400, 25))
        corrected = np.array([fst_corrected(row, np.full(25, 20)) for row in count])
        uncorrected = np.array([fst_wright(row / 20) for row in count])
        assert abs(corrected.mean()) < 4 * corrected.std() / 20  # four standard errors of 400 surveys
        assert uncorrected.mean() == pytest.approx(1 / 20, rel=0.1)  # binomial variance p(1-p)/n over p(1-p)

    def test_where_there_is_nothing_to_say(self):
        assert np.isnan([fst_wright([0.4]), fst_wright([0, 0]), fst_wright([])]).all()
        assert np.isnan([fst_corrected([1], [4]), fst_corrected([0, 0], [4, 5]), fst_corrected([1, 0], [1, 1])]).all()


# tests/reference/differentiation_and_isolation.R: ade4's analysis of molecular variance on shells as haplotypes.
COUNT = np.array([3, 10, 14, 0, 7, 12, 5, 9])
TOTAL = np.array([20, 25, 18, 9, 30, 21, 16, 12])
KINDS = np.column_stack([COUNT, TOTAL - COUNT])
HABITAT = np.array(list("aaabbccc"))


def rng():
    return np.random.default_rng(6)


class TestHierarchy:
    def test_components_are_ade4s(self):
        habitats, within = by_habitat(KINDS, HABITAT, shuffles=99, rng=rng())
        assert habitats.fst_corrected == pytest.approx(0.00685200490648, abs=1e-10)
        assert within.fst_corrected == pytest.approx(0.21090627594054, abs=1e-10)
        assert (habitats.units, within.units, within.sites) == (3, 8, 8)
        assert among_sites(KINDS, draws=99, rng=rng()).fst_corrected == pytest.approx(0.215019853704, abs=1e-10)

    def test_uncorrected_multiply(self):
        # 1 - F of the whole is the product of 1 - F of its parts.
        habitats, within = by_habitat(KINDS, HABITAT, shuffles=9, rng=rng())
        whole = among_sites(KINDS, draws=9, rng=rng())
        assert whole.fst == pytest.approx(fst_wright(COUNT / TOTAL))
        assert (1 - habitats.fst) * (1 - within.fst) == pytest.approx(1 - whole.fst)

    def test_kinds_together_are_the_sums_of_their_components(self):
        shells = rng().multinomial(30, [0.3, 0.5, 0.2], size=12)
        parts = []
        for column in shells.T:
            groups = [np.repeat([1.0, 0.0], [c, 30 - c]) for c in column]
            inside = np.mean([group.var(ddof=1) for group in groups])
            parts.append((column.var(ddof=1) / 900 - inside / 30, inside))
        between, inside = np.sum(parts, axis=0)
        found = among_sites(shells, draws=9, rng=rng())
        assert found.fst_corrected == pytest.approx(between / (between + inside))

    def test_a_habitat_of_one_site_and_unknown_ones_are_left_out(self):
        names = np.array(["a", "a", "a", "b", "", "c", "c", "c"])
        habitats, within = by_habitat(KINDS, names, shuffles=9, rng=rng())
        assert (habitats.units, habitats.sites, within.units) == (2, 6, 6)
        assert np.isnan(by_habitat(KINDS, np.array(["a"] * 8), shuffles=9, rng=rng())[0].fst_corrected)

    def test_nothing_to_say(self):
        found = among_sites([[5, 0], [7, 0]], draws=9, rng=rng())
        assert np.isnan([found.fst, found.fst_corrected, found.low, found.p]).all()
        with pytest.raises(ValueError, match="of the shape"):
            among_sites([[-1, 2], [3, 4]], draws=9, rng=rng())


class TestHeterogeneity:
    def test_moments_are_those_of_shuffled_shells(self):
        kinds = np.array([[3, 1, 0], [5, 2, 1], [2, 4, 3], [1, 6, 2]])
        row = np.repeat(np.arange(4), kinds.sum(axis=1))
        column = np.concatenate([np.repeat(np.arange(3), counts) for counts in kinds])
        draws, generator = [], rng()
        for _ in range(20_000):
            table = np.zeros((4, 3))
            np.add.at(table, (row, generator.permutation(column)), 1)
            draws.append(chi2_contingency(table, correction=False).statistic)
        draws, seen = np.array(draws), chi2_contingency(kinds, correction=False).statistic
        assert heterogeneity_p(kinds) == pytest.approx(np.mean(draws >= seen - 1e-9), abs=0.01)

    def test_large_samples_have_the_plain_p(self):
        kinds = np.array([[300, 700], [330, 670], [280, 720]])
        assert heterogeneity_p(kinds) == pytest.approx(chi2_contingency(kinds, correction=False).pvalue, rel=0.01)


def test_one_site_of_another_kind_and_a_thousand_times_the_shells_gives_no_overflow() -> None:
    kinds = np.array([[30 + site, 40] for site in range(19)] + [[50_000, 0]], dtype=float)
    kinds = np.vstack([kinds, [[0, 300]]])
    for seed in range(3):
        found = among_sites(kinds, draws=199, rng=np.random.default_rng(seed))
        assert 0 < found.fst_corrected < 1
        assert not found.high > 1
