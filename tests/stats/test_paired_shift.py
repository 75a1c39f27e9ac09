"""The common shift of the logit against metafor, statsmodels and integration by scipy."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.optimize import minimize
from scipy.special import comb
from scipy.stats import chi2, nchypergeom_fisher, norm
from scipy.stats import t as student
from statsmodels.discrete.conditional_models import ConditionalLogit

from morphcline.stats.paired_shift import paired_shift, shifts_of_pairs

# Thirteen trials of the BCG vaccine (Colditz et al. 1994; metafor's dat.bcg): ill and not, vaccinated; then the others.
BCG = np.array(
    [
        [4, 119, 11, 128], [6, 300, 29, 274], [3, 228, 11, 209], [62, 13536, 248, 12619], [33, 5036, 47, 5761],
        [180, 1361, 372, 1079], [8, 2537, 10, 619], [505, 87886, 499, 87892], [29, 7470, 45, 7232],
        [17, 1699, 65, 1600], [186, 50448, 141, 27197], [5, 2493, 3, 2338], [27, 16886, 29, 17825],
    ]
)  # fmt: skip
# Eighteen trials of coated catheters (Niel-Weise et al. 2007; metafor's dat.nielweise2007): infections and patients.
CATHETERS = np.array(
    [
        [0, 116, 3, 117], [1, 44, 3, 35], [2, 208, 9, 195], [0, 130, 7, 136], [5, 151, 6, 157], [1, 98, 4, 139],
        [1, 174, 3, 177], [1, 74, 2, 39], [1, 97, 19, 103], [1, 113, 2, 122], [0, 66, 7, 64], [0, 70, 1, 58],
        [3, 188, 5, 175], [6, 187, 11, 180], [0, 118, 0, 105], [0, 252, 1, 262], [1, 345, 3, 362], [4, 64, 1, 69],
    ]
)  # fmt: skip


def made(seed: int, pairs: int, *, shift: float, drift: float) -> tuple[np.ndarray, ...]:
    rng = np.random.default_rng(seed)
    level = rng.normal(-0.4, 1.0, pairs)
    then, now = 5 + rng.poisson(25, pairs), 5 + rng.poisson(25, pairs)
    later = 1 / (1 + np.exp(-level - shift - drift * rng.standard_normal(pairs)))
    return rng.binomial(then, 1 / (1 + np.exp(-level))), then, rng.binomial(now, later), now


class TestPairedShift:
    def test_vaccine_trials(self):
        # rma.glmm(model = "CM.EL") of R's metafor 3.8-1; tests/reference/conditional_shift.R.
        with_it, without, control, control_without = BCG.T
        got = paired_shift(control, control + control_without, with_it, with_it + without)
        assert (got.pairs, got.informative) == (13, 13)
        assert got.shift == pytest.approx(-0.7538105091, abs=1e-5)
        assert got.drift_sd**2 == pytest.approx(0.3116348823, abs=1e-4)
        assert got.se == pytest.approx(0.1800758476, rel=0.01)  # theirs by another numerical curvature
        assert got.p_drift < 1e-30

    def test_catheter_trials(self):
        # The same; Stijnen et al. (2010) print -1.353 and 0.351.
        coated, coated_of, plain, plain_of = CATHETERS.T
        got = paired_shift(plain, plain_of, coated, coated_of)
        assert (got.pairs, got.informative) == (18, 17)
        assert got.shift == pytest.approx(-1.35315828266, abs=1e-5)
        assert got.se == pytest.approx(0.35106819315, rel=0.005)
        assert got.drift_sd**2 == pytest.approx(0.69345926531, abs=1e-4)

    def test_without_drift_it_is_conditional_logistic_regression(self):
        # Fewer differences between the pairs than chance makes, so that the drift is 0.
        then, now = np.full(12, 20), np.full(12, 25)
        earlier = np.array([3, 5, 7, 9, 11, 13, 4, 6, 8, 10, 12, 14])
        later = np.array([6, 9, 11, 14, 16, 18, 7, 10, 13, 15, 17, 20])
        got = paired_shift(earlier, then, later, now)
        assert (got.drift_sd, got.drift_low, got.p_drift) == (0.0, 0.0, 1.0)
        rows = [
            (pair, survey, hit)
            for pair, counts in enumerate(zip(earlier, then, later, now, strict=True))
            for survey, (hits, total) in enumerate((counts[:2], counts[2:]))
            for hit in [1] * hits + [0] * (total - hits)
        ]
        pair, survey, hit = (np.array(column) for column in zip(*rows, strict=True))
        theirs = ConditionalLogit(hit, survey[:, None].astype(float), groups=pair).fit(disp=0)
        assert got.shift == pytest.approx(theirs.params[0], abs=1e-6)
        assert got.se == pytest.approx(theirs.bse[0], rel=0.01)

    @pytest.mark.parametrize(("seed", "drift"), [(1, 0.8), (2, 0.4), (3, 1.2)])
    def test_agrees_with_integration_pair_by_pair(self, seed, drift):
        earlier, then, later, now = made(seed, 14, shift=0.5, drift=drift)

        x = np.linspace(-8, 8, 321)
        normal = norm.pdf(x) * (x[1] - x[0])

        def log_likelihood(shift: float, sd: float) -> float:
            total = 0.0
            for k1, n1, k2, n2 in zip(earlier, then, later, now, strict=True):
                possible = np.arange(max(0, k1 + k2 - n1), min(n2, k1 + k2) + 1)
                ways = comb(n2, possible) * comb(n1, k1 + k2 - possible)
                odds = np.exp(shift + sd * x)[:, None] ** (possible - k2)
                total += np.log(np.sum(ways[possible == k2] / (ways * odds).sum(axis=1) * normal))
            return total

        got = paired_shift(earlier, then, later, now)
        best = minimize(lambda v: -log_likelihood(v[0], abs(v[1])), [0.4, 0.5], method="Nelder-Mead",
                        options={"xatol": 1e-4, "fatol": 1e-7})  # fmt: skip
        assert got.shift == pytest.approx(best.x[0], abs=1e-3)
        assert got.drift_sd == pytest.approx(abs(best.x[1]), abs=2e-3)
        assert got.log_likelihood == pytest.approx(-best.fun, abs=1e-5)
        # A limit is where the best fit with the shift held there has fallen by half of t squared.
        held = minimize(lambda v: -log_likelihood(got.low, abs(v[0])), [0.5], method="Nelder-Mead")
        assert 2 * (got.log_likelihood + held.fun) == pytest.approx(student.ppf(0.975, 13) ** 2, abs=5e-3)
        none = log_likelihood(minimize(lambda v: -log_likelihood(v[0], 0.0), [0.4]).x[0], 0.0)
        assert got.p_drift == pytest.approx(0.5 * chi2.sf(2 * (got.log_likelihood - none), 1), rel=2e-3)

    def test_swapping_the_surveys_turns_the_sign(self):
        there = paired_shift(*made(4, 30, shift=-0.6, drift=0.5))
        earlier, then, later, now = made(4, 30, shift=-0.6, drift=0.5)
        back = paired_shift(later, now, earlier, then)
        assert_allclose([back.shift, back.low, back.high], [-there.shift, -there.high, -there.low], atol=1e-4)
        assert_allclose([back.drift_sd, back.p], [there.drift_sd, there.p], rtol=1e-2, atol=1e-8)

    def test_pairs_of_one_kind_change_nothing(self):
        samples = made(5, 20, shift=0.4, drift=0.3)
        more = [
            np.append(values, extra) for values, extra in zip(samples, ([0, 9], [8, 9], [0, 7], [5, 7]), strict=True)
        ]
        without, with_them = paired_shift(*samples), paired_shift(*more)
        assert (with_them.pairs, with_them.informative) == (without.pairs + 2, without.informative)
        assert with_them.shift == pytest.approx(without.shift)

    @pytest.mark.parametrize(
        ("samples", "reason"),
        [
            (([], [], [], []), "no pair of sites has shells"),
            (([0, 0], [5, 6], [0, 0], [7, 8]), "all shells of both surveys are alike"),
            (([0, 3], [5, 6], [0, 4], [7, 8]), "one pair of sites only in which"),
            (([0, 0], [5, 6], [3, 4], [7, 8]), "in every pair of sites the change is as large as it can be"),
        ],
    )
    def test_where_it_cannot_be_said_it_says_why(self, samples, reason):
        got = paired_shift(*samples)
        assert got.not_tested_because.startswith(reason)
        assert np.isnan([got.shift, got.se, got.low, got.high, got.p, got.drift_sd]).all()

    def test_fractions_of_shells_are_refused(self):
        with pytest.raises(ValueError, match="whole numbers"):
            paired_shift([1.5], [3], [2], [4])


class TestShiftsOfPairs:
    def test_by_hand(self):
        # Two shells then, one of them of the kind; two now, both: of three of the kind one or two are of now. Without a
        # shift they weigh 2·1 and 1·2: the mean is 1.5, the variance 0.25; seen is 2.
        got = shifts_of_pairs([1, 0], [2, 3], [2, 0], [2, 3], about=0.0)
        assert got.shift[0] == pytest.approx((2 - 1.5) / 0.25)
        assert got.variance[0] == pytest.approx(1 / 0.25)
        assert np.isnan([got.shift[1], got.variance[1]]).all()

    def test_mean_and_variance_are_those_of_scipy(self):
        got = shifts_of_pairs([7, 2], [20, 15], [12, 1], [30, 9], about=0.6)
        for i, (margins, seen) in enumerate((((50, 19, 30), 12), ((24, 3, 9), 1))):
            mean, variance = nchypergeom_fisher.stats(*margins, np.exp(0.6))
            assert got.shift[i] == pytest.approx(0.6 + (seen - mean) / variance)
            assert got.variance[i] == pytest.approx(1 / variance)

    def test_large_samples_give_their_log_odds_ratio(self):
        got = shifts_of_pairs([3000], [10000], [3300], [10000], about=0.14)
        own = np.log(3300 / 6700) - np.log(3000 / 7000)
        assert got.shift[0] == pytest.approx(own, abs=1e-3)
        assert got.variance[0] == pytest.approx(1 / 3000 + 1 / 7000 + 1 / 3300 + 1 / 6700, rel=0.01)
