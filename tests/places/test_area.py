"""The area that sites speak for."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from morphcline.places.area import sites_area, usual_margin


def test_every_site_lies_inside_by_the_margin() -> None:
    points = np.random.default_rng(3).uniform(0, 10_000, (60, 2))
    area = sites_area(*points.T, margin_m=300.0)
    inner = shapely.buffer(area, -297.0)  # round corners are drawn as polygons
    assert shapely.intersects_xy(inner, *points.T).all()


def test_a_bent_survey_does_not_claim_its_middle() -> None:
    rng = np.random.default_rng(4)
    along, across = rng.uniform(0, 20_000, 120), rng.uniform(0, 2000, 120)
    leg = np.arange(120) < 60
    easting, northing = np.where(leg, along, across), np.where(leg, across, along)
    area = sites_area(easting, northing)
    assert shapely.contains_xy(area, easting, northing).all()
    assert not shapely.contains_xy(area, 9000.0, 9000.0)
    # Two legs of 20 by 2 km, each widened by the margin, at most.
    margin = usual_margin(np.column_stack([easting, northing]))
    assert area.area < 2 * (20_000 + 2 * margin) * (2000 + 2 * margin) + 8000**2 / 2


@pytest.mark.parametrize(
    ("easting", "area"),
    [
        ([0.0], np.pi * 100**2),  # a disc
        ([0.0, 0.0, np.nan], np.pi * 100**2),  # the same place twice, and none
        ([0.0, 1000.0], 2 * 100 * 1000 + np.pi * 100**2),  # a line with round ends
    ],
)
def test_few_sites_make_a_widened_point_or_line(easting: list[float], area: float) -> None:
    found = sites_area(easting, np.zeros(len(easting)), margin_m=100.0)
    assert found.area == pytest.approx(area, rel=0.02)  # round corners are drawn with 16 segments a quarter


def test_no_site_has_no_area() -> None:
    assert sites_area([], []).is_empty


def test_the_usual_margin_is_twice_the_median_distance_to_a_neighbour() -> None:
    assert usual_margin(np.array([[0.0, 0.0], [400.0, 0.0], [800.0, 0.0]])) == 800.0
    assert usual_margin(np.array([[0.0, 0.0], [1.0, 0.0]])) == 100.0
    assert usual_margin(np.array([[0.0, 0.0]])) == 100.0


def test_one_stray_pin_does_not_stretch_the_area() -> None:
    points = np.random.default_rng(5).uniform(0, 20_000, (40, 2))
    area = sites_area(*points.T)
    with_stray = sites_area(*np.vstack([points, [[500_000.0, -300_000.0]]]).T)
    assert with_stray.equals(area)
    few = sites_area(*np.vstack([points[:5], [[500_000.0, -300_000.0]]]).T)  # too few to tell which is the stray
    assert few.bounds[2] > 500_000
