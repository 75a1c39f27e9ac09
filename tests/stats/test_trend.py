"""Which way a map rises, against statsmodels and by hand."""

from __future__ import annotations

import doctest

import numpy as np
import pytest
import statsmodels.api as sm

from morphcline.stats import trend
from morphcline.stats.trend import plane_trend


def test_examples_hold() -> None:
    results = doctest.testmod(trend)
    assert results.attempted == 2
    assert results.failed == 0


def test_weighted_least_squares_of_statsmodels_agrees() -> None:
    rng = np.random.default_rng(11)
    easting, northing = rng.uniform(0, 50_000, (2, 80))
    weights = rng.integers(5, 100, 80)
    values = 0.3 + 4e-6 * easting - 7e-6 * northing + rng.normal(0, 0.05, 80)
    fit = sm.WLS(values, sm.add_constant(np.column_stack([easting, northing])), weights=weights).fit()
    found = plane_trend(easting, northing, values, weights)
    assert found.bearing_deg == pytest.approx(np.degrees(np.arctan2(fit.params[1], fit.params[2])) % 360, abs=1e-6)
    assert found.explained == pytest.approx(fit.rsquared, abs=1e-9)


@pytest.mark.parametrize(("rise", "bearing"), [((0, 1), 0), ((1, 0), 90), ((0, -1), 180), ((-1, 0), 270)])
def test_four_bearings_by_hand(rise: tuple[int, int], bearing: int) -> None:
    x, y = (axis.ravel().astype(float) for axis in np.meshgrid(range(3), range(3)))
    found = plane_trend(x, y, rise[0] * x + rise[1] * y, np.ones(9))
    assert found.bearing_deg % 360 == pytest.approx(bearing, abs=1e-9)
    assert found.explained == pytest.approx(1)


def test_no_plane_where_values_are_level_few_or_on_one_line() -> None:
    x = np.arange(6.0)
    assert plane_trend(x, x**2, np.full(6, 0.4), np.ones(6)).explained == 0
    assert plane_trend(x[:3], x[:3] ** 2, x[:3], np.ones(3)).explained == 0
    assert plane_trend(x, 2 * x, x, np.ones(6)).explained == 0


def test_missing_values_and_weightless_rows_are_left_out() -> None:
    x, y = (axis.ravel().astype(float) for axis in np.meshgrid(range(3), range(3)))
    values, weights = x.copy(), np.ones(9)
    values[0], weights[1], values[1] = np.nan, 0, 99
    assert plane_trend(x, y, values, weights).bearing_deg == pytest.approx(90)
