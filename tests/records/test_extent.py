"""Where places ought to lie."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from morphcline.records.extent import FAR_OUTSIDE_M, Extent


def ring(count: int, radius: float) -> tuple[np.ndarray, np.ndarray]:
    angle = 2 * math.pi * np.arange(count) / count
    return 1000.0 + radius * np.cos(angle), 2000.0 + radius * np.sin(angle)


def test_the_circle_reaches_three_times_as_far_as_nine_in_ten_places() -> None:
    easting, northing = ring(40, 20_000.0)  # all 20 km from the middle
    extent = Extent.of_bulk(easting, northing)
    assert (extent.easting, extent.northing) == pytest.approx((1000.0, 2000.0))
    assert extent.reach_m == pytest.approx(60_000.0)
    outside = extent.outside_m(np.array([1000.0, 61_000.0, 71_000.0, np.inf]), np.full(4, 2000.0))
    assert outside.tolist() == pytest.approx([0.0, 0.0, 10_000.0, math.inf])


def test_a_tenth_of_strays_does_not_move_the_circle() -> None:
    easting, northing = ring(40, 20_000.0)
    with_strays = Extent.of_bulk(np.append(easting, [5e6] * 4), np.append(northing, [-5e6] * 4))
    assert with_strays.reach_m == pytest.approx(60_000.0, rel=0.25)
    assert with_strays.outside_m(np.array([5e6]), np.array([-5e6]))[0] > 1e6


def test_a_small_survey_gets_ten_kilometres_and_few_places_judge_nothing() -> None:
    easting, northing = ring(12, 50.0)
    assert Extent.of_bulk(easting, northing).reach_m == FAR_OUTSIDE_M
    few = Extent.of_bulk(easting[:9], northing[:9])
    assert not few.judges
    assert few.outside_m(np.array([9e9, np.nan]), np.array([0.0, 0.0])).tolist() == [0.0, math.inf]


def test_a_polygon_judges_by_distance() -> None:
    extent = Extent(shapely.box(0, 0, 1000, 1000))
    outside = extent.outside_m(np.array([500.0, 1300.0, 1003.0]), np.array([500.0, 500.0, 1004.0]))
    assert outside.tolist() == pytest.approx([0.0, 300.0, 5.0])  # 3, 4, 5
    assert extent.tolerance_m == FAR_OUTSIDE_M
