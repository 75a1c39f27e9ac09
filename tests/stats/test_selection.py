"""Selection implied by a width: published constants, the diffusion solved numerically, and laws."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.integrate import solve_bvp
from scipy.optimize import minimize_scalar
from scipy.special import expit, ndtr

from morphcline.stats.selection import EXPLANATIONS, Explanation, implied_range

Floats = NDArray[np.float64]
BY_NAME = {one.name: one for one in EXPLANATIONS}
DISADVANTAGE, STEP, DOMINANCE, GRADIENT, MIXING = EXPLANATIONS

# Bazykin 1969, Haldane 1948, Slatkin 1973 and Endler 1977, as given by Barton & Gale 1993; sigma 1, s 0.1, t 100.
PUBLISHED = [
    (DISADVANTAGE, 0.1, 8.94427191),
    (STEP, 0.1, 5.47722558),
    (DOMINANCE, 1.0, 2.4494897),
    (MIXING, 100.0, 25.0662827),
]


@pytest.mark.parametrize(("explanation", "value", "width"), PUBLISHED, ids=lambda one: getattr(one, "name", ""))
def test_published_widths(explanation: Explanation, value: float, width: float) -> None:
    assert explanation.width(value, 1.0) == pytest.approx(width, rel=1e-7)


def test_published_gradient() -> None:
    # Endler 1977 quotes 2.40; b is per metre there.
    assert GRADIENT.width(1000.0, 1.0) == pytest.approx(2.4034760, rel=1e-7)


def half_cline(f: Callable[[Floats, Floats], Floats], reach: float = 14.0) -> tuple[Floats, Floats, Floats]:
    """Solve p'' / 2 + f(p, x) = 0 for s = sigma = 1 over a line; return x, p and p'.

    The two halves are solved together: the left one is turned round, and both meet at 0 with equal p and slope.
    """

    def sides(x: Floats, y: Floats) -> Floats:
        left, left_slope, right, right_slope = y
        # A step lies between the halves, not on one of them.
        return np.vstack([left_slope, -2 * f(left, -x - 1e-12), right_slope, -2 * f(right, x + 1e-12)])

    def ends(here: Floats, there: Floats) -> Floats:
        return np.array([here[0] - here[2], here[1] + here[3], there[0], there[2] - 1])

    x = np.concatenate([[0.0], np.geomspace(1e-2, reach, 600)])
    guess = np.vstack([0.5 * np.exp(-x), -0.5 * np.exp(-x), 1 - 0.5 * np.exp(-x), 0.5 * np.exp(-x)])
    solved = solve_bvp(sides, ends, x, guess, tol=1e-8, max_nodes=20_000)
    assert solved.success
    fine = np.linspace(0, 4, 400_001)
    left, left_slope, right, right_slope = solved.sol(fine)
    return (
        np.concatenate([-fine[:0:-1], fine]),
        np.concatenate([left[:0:-1], right]),
        np.concatenate([-left_slope[:0:-1], right_slope]),
    )


SELECTION = {
    "step in selection": lambda p, x: np.sign(x) * p * (1 - p),
    "step in selection, dominance": lambda p, x: np.sign(x) * p * (1 - p) ** 2,
    "gradient in selection": lambda p, x: x * p * (1 - p),
}


@pytest.mark.parametrize("name", SELECTION)
def test_the_diffusion_solved_numerically_has_these_widths(name: str) -> None:
    explanation = BY_NAME[name]
    # Dominance leaves an end only as 1 / x^2: the line has to be long.
    x, p, slope = half_cline(SELECTION[name], 400.0 if "dominance" in name else 14.0)
    tolerance = 2e-3 if "dominance" in name else 1e-5
    unit = 1000.0 if explanation.quantity == "b per km" else 1.0
    assert 1 / slope.max() == pytest.approx(explanation.width(unit, 1.0), rel=tolerance)
    # The dominant allele is the one favoured where x > 0; a recessive morph has the frequency (1 - p)^2.
    assert 1 / (2 * (1 - p) * slope).max() == pytest.approx(explanation.width(unit, 1.0, of="morph"), rel=tolerance)
    if "dominance" in name:
        assert p[np.argmin(np.abs(x))] == pytest.approx(0.3857275681, rel=tolerance)


def test_heterozygote_disadvantage_is_a_tanh_and_its_morph_narrower() -> None:
    # p = expit(4 x / w) solves p'' / 2 + s p q (2 p - 1) = 0 for w^2 = 8 / s: put in by hand, with q = 1 - p,
    # p'' = (4 / w)^2 p q (q - p).
    p = np.linspace(0.01, 0.99, 99)
    w = DISADVANTAGE.width(0.1, 1.0)
    np.testing.assert_allclose(
        (4 / w) ** 2 * p * (1 - p) * (1 - 2 * p) / 2 + 0.1 * p * (1 - p) * (2 * p - 1), 0, atol=1e-15
    )
    x = np.linspace(-2 * w, 2 * w, 200_001)
    q = expit(4 * x / w)
    assert 1 / np.gradient(q**2, x).max() == pytest.approx(DISADVANTAGE.width(0.1, 1.0, of="morph"), rel=1e-6)


def test_neutral_mixing_is_a_normal_integral() -> None:
    steepest = minimize_scalar(
        lambda z: -2 * ndtr(z) * math.exp(-z * z / 2) / math.sqrt(2 * math.pi), bounds=(0, 3), method="bounded"
    )
    assert MIXING.width(1.0, 1.0, of="morph") == pytest.approx(-1 / steepest.fun, rel=1e-6)


@given(
    width=st.floats(50, 1e5), sigma=st.floats(1, 1000), name=st.sampled_from(sorted(BY_NAME)),
    of=st.sampled_from(["allele", "morph"]),
)  # fmt: skip
def test_what_a_width_implies_gives_that_width(width: float, sigma: float, name: str, of: str) -> None:
    explanation = BY_NAME[name]
    assert explanation.width(explanation.implied(width, sigma, of=of), sigma, of=of) == pytest.approx(width)


def test_a_range_spans_both_intervals_by_hand() -> None:
    # s = 8 sigma^2 / w^2: from 8 (10 / 800)^2 to 8 (30 / 400)^2; in the middle 8 * 300 / 500^2.
    found = implied_range(DISADVANTAGE, (400.0, 500.0, 800.0), (10.0, 30.0))
    assert (found.low, found.estimate, found.high) == pytest.approx((0.00125, 0.0096, 0.045))
    # t = w^2 / (2 pi sigma^2): the widest cline and the least dispersal take longest.
    found = implied_range(MIXING, (400.0, 500.0, 800.0), (10.0, 30.0))
    assert found.low == pytest.approx(400**2 / (2 * math.pi * 900))
    assert found.high == pytest.approx(800**2 / (2 * math.pi * 100))
    unknown = implied_range(STEP, (math.nan, 500.0, 800.0), (10.0, 10.0))
    assert math.isnan(unknown.high)
    assert unknown.low == pytest.approx(3 * 100 / 800**2)


def test_what_makes_no_sense_is_refused() -> None:
    with pytest.raises(ValueError, match="width and dispersal must be above 0"):
        STEP.implied(0.0, 20.0)
    with pytest.raises(ValueError, match="found 'snail'"):
        STEP.implied(100.0, 20.0, of="snail")
