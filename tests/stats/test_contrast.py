"""A group of sites against the rest: against statsmodels where sites don't differ, by hand where they do."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import t as student
from statsmodels.stats.proportion import confint_proportions_2indep, proportions_ztest

from morphcline.stats.contrast import Group, contrast, pooled

NAN = math.nan


@pytest.mark.parametrize(("one", "other"), [((12, 40), (90, 160)), ((3, 30), (5, 31)), ((25, 25), (60, 80))])
def test_without_a_correlation_it_is_the_comparison_of_two_proportions(
    one: tuple[int, int], other: tuple[int, int]
) -> None:
    first, second = (Group([count, 0], [total, 0], NAN, 0) for count, total in (one, other))
    found = contrast(first, second)
    low, high = confint_proportions_2indep(*one, *other, method="newcomb")
    assert (found.low, found.high) == pytest.approx((low, high), abs=1e-12)
    assert found.difference == pytest.approx(one[0] / one[1] - other[0] / other[1])
    assert found.p == pytest.approx(proportions_ztest([one[0], other[0]], [one[1], other[1]])[1])


def test_a_site_weighs_what_its_shells_are_worth() -> None:
    """By hand: with a correlation of 1/9, 10 shells are worth 10 / (1 + 9/9) = 5, and 19 are worth 19 / 3."""
    group = Group([4, 19], [10, 19], 1 / 9, 2)
    found = pooled(group)
    worth = 5 + 19 / 3
    assert found.frequency == pytest.approx((5 * 0.4 + 19 / 3) / worth)
    # Two sites, one degree of freedom: the variance is doubled.
    assert found.worth == pytest.approx(worth / 2)


def test_p_is_students_on_the_sites_less_two() -> None:
    one, other = Group([3, 5, 4], [10] * 3, 1 / 9, 3), Group([7, 6, 8, 7], [10] * 4, 1 / 9, 4)
    worth = np.array([3 * 5 * 2 / 3, 4 * 5 * 3 / 4])  # 5 shells a site, times freedom / sites
    frequency = np.array([0.4, 0.7])
    common = worth @ frequency / worth.sum()
    deviate = -0.3 / math.sqrt(common * (1 - common) * (1 / worth).sum())
    assert contrast(one, other).p == pytest.approx(2 * student.sf(abs(deviate), 5))


def test_the_rest_seen_from_the_other_side_is_the_mirror_image() -> None:
    one, other = Group([3, 9], [10, 12], 0.05, 12), Group([1, 2, 8], [9, 10, 30], 0.1, 20)
    there, back = contrast(one, other), contrast(other, one)
    assert (there.difference, there.low, there.high) == pytest.approx((-back.difference, -back.high, -back.low))
    assert there.p == pytest.approx(back.p)


def test_without_shells_nothing_is_said_and_equal_certainties_do_not_differ() -> None:
    none = contrast(Group([], [], 0.1, 0), Group([1], [5], 0.1, 9))
    assert all(math.isnan(value) for value in (none.difference, none.low, none.high, none.p))
    same = contrast(Group([5, 5], [5, 5], 0.1, 9), Group([9, 9], [9, 9], 0.1, 9))
    assert (same.difference, same.p) == (0.0, 1.0)


@pytest.mark.slow
def test_equal_groups_of_unlike_sites_are_called_different_in_about_one_of_twenty() -> None:
    from morphcline.stats.overdispersion import fit_beta_binomial

    rng = np.random.default_rng(20260501)
    called = []
    for _ in range(400):
        groups = []
        for sites in (15, 60):
            chance = rng.beta(0.4 * 9, 0.6 * 9, sites)  # a correlation within sites of 0.1
            total = rng.integers(15, 60, sites)
            count = rng.binomial(total, chance)
            groups.append(Group(count, total, fit_beta_binomial(count, total).rho, sites))
        called.append(contrast(*groups).p <= 0.05)
    # Binomial noise of 400 draws: a standard error of 0.011.
    assert 0.02 <= np.mean(called) <= 0.085
