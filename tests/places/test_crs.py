"""Which CRS a study may be worked in."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from morphcline.errors import StudyError
from morphcline.places.crs import check_working_crs, scale_error, suitable_crs, within_area_of_use

JURA = (6.0, 46.9, 7.0, 47.1)
FRANCE = (2.0, 46.0, 4.0, 48.0)


def test_web_mercator_is_refused_with_what_it_does_and_what_would_do() -> None:
    with pytest.raises(StudyError) as caught:
        check_working_crs("EPSG:3857", (2.9, 46.99, 3.1, 47.01), file="study.toml")
    (problem,) = caught.value.problems
    assert (problem.file, problem.where) == ("study.toml", "[study] crs")
    # On the sphere its scale is the secant of the latitude: 1.466 at 47 degrees.
    assert f"up to {1 / math.cos(math.radians(47.01)) - 1:.1%}" in problem.found
    assert "EPSG:2154" in problem.accepted
    assert 1 <= len(re.findall(r"EPSG:\d+", problem.accepted)) <= 3


def test_the_scale_of_utm_is_0_9996_on_its_central_meridian() -> None:
    # By the definition of the system (DMA TM 8358.2): k0 = 0.9996 on 3 degrees east in zone 31.
    assert scale_error("EPSG:32631", (3.0, 45.0, 3.0, 46.0)) == pytest.approx(0.0004, abs=1e-7)


@pytest.mark.parametrize(
    ("crs", "bounds", "sentence"),
    [
        ("EPSG:4326", JURA, "measures in degrees"),
        ("EPSG:32040", (-97.0, 28.0, -96.0, 29.0), "measures in US survey foot, not metres"),
        ("EPSG:27700", (20.0, 50.0, 21.0, 51.0), "stretches or shrinks distances"),
        ("nonsense", FRANCE, "is no coordinate reference system"),
        ("EPSG:4978", FRANCE, "is neither geographic nor projected"),
    ],
)
def test_a_crs_that_cannot_be_measured_in_is_refused(
    crs: str, bounds: tuple[float, float, float, float], sentence: str
) -> None:
    with pytest.raises(StudyError, match=rf"\[study\] crs.*{sentence}.*; a projected CRS in metres.*EPSG:\d+"):
        check_working_crs(crs, bounds)


def test_before_the_places_are_known_kind_and_units_are_judged() -> None:
    assert check_working_crs("EPSG:2154", None).to_epsg() == 2154
    with pytest.raises(StudyError, match="measures in degrees"):
        check_working_crs("EPSG:4326", None)


@pytest.mark.parametrize("crs", ["EPSG:2154", "EPSG:3035", "EPSG:32631"])
def test_national_equal_area_and_utm_grids_pass(crs: str) -> None:
    assert check_working_crs(crs, FRANCE).to_epsg() == int(crs.removeprefix("EPSG:"))


@pytest.mark.parametrize("bounds", [JURA, FRANCE, (-3.0, 51.0, -2.0, 52.0), (174.0, -42.0, 175.0, -41.0)])
def test_what_is_advised_would_be_accepted(bounds: tuple[float, float, float, float]) -> None:
    advised = suitable_crs(bounds)
    assert 1 <= len(advised) <= 3
    for code, _ in advised:
        assert check_working_crs(code, bounds).to_epsg() == int(code.removeprefix("EPSG:"))


def test_the_national_grid_is_advised_in_its_country() -> None:
    assert "EPSG:27700" in [code for code, _ in suitable_crs((-2.0, 52.0, -1.0, 53.0))]
    assert "EPSG:2157" in [code for code, _ in suitable_crs((-8.0, 53.0, -7.5, 53.5))]


def test_points_outside_the_area_of_use_are_told() -> None:
    found = within_area_of_use("EPSG:27700", [-2.0, 2.3, 20.0, np.nan], [52.0, 52.0, 50.0, 52.0])
    assert found.tolist() == [
        True,
        True,
        False,
        False,
    ]  # the registry's area ends at 2.01 east; half a degree is allowed
