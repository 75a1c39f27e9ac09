"""Transformations against published points, and what they say of their own accuracy."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pyproj import CRS

from morphcline.errors import SourceError
from morphcline.places.transforms import RADIUS_95, Transformation, area_lonlat, read_crs

REFERENCE = Path(__file__).parents[1] / "reference"

GREAT_BRITAIN = (-6.5, 49.8, 1.8, 58.8)


def dms(degrees: float, minutes: float, seconds: float = 0.0) -> float:
    return degrees + minutes / 60 + seconds / 3600


# Source CRS, target CRS, longitude, latitude, easting, northing, tolerance in metres.
PUBLISHED = [
    # Ordnance Survey, "A guide to coordinate systems in Great Britain", Annex C
    ("EPSG:4277", "EPSG:27700", dms(1, 43, 4.5177), dms(52, 39, 27.2531), 651409.903, 313177.270, 0.001),
    # IOGP Geomatics Guidance Note 7-2: Lambert azimuthal equal area, and its natural origin
    ("EPSG:4258", "EPSG:3035", 5.0, 50.0, 3962799.45, 2999718.85, 0.01),
    ("EPSG:4258", "EPSG:3035", 10.0, 52.0, 4321000.0, 3210000.0, 1e-6),
    # The same note: transverse Mercator. Its printed centimetres are 6 to 8 mm from the exact projection.
    ("EPSG:4277", "EPSG:27700", 0.5, 50.5, 577274.99, 69740.50, 0.02),
    # OSi/OSNI co-ordinate guides: one station on the Irish Grid (projection only) and on ITM, and the Spire of Dublin
    ("EPSG:4300", "EPSG:29903", -dms(6, 20, 52.9181), dms(53, 21, 50.5441), 309958.26, 236141.93, 0.01),
    ("EPSG:4258", "EPSG:2157", -6.34898734665306, 53.3642734370663, 709885.081, 736167.699, 0.001),
    ("EPSG:4258", "EPSG:2157", -6.26024777285805, 53.3497939132163, 715830.0, 734697.0, 0.001),
    # The station with its datum shift: a Helmert, good to a metre
    ("EPSG:4258", "EPSG:29903", -6.34898734665306, 53.3642734370663, 309958.26, 236141.93, 1.0),
    # GeographicLib, GeoConvert documentation
    ("EPSG:4326", "EPSG:32638", 44.4, 33.3, 444140.545, 3684706.356, 0.001),
]


@pytest.mark.parametrize(("source", "target", "longitude", "latitude", "easting", "northing", "tolerance"), PUBLISHED)
def test_published_points(
    source: str, target: str, longitude: float, latitude: float, easting: float, northing: float, tolerance: float
) -> None:
    there = Transformation(source, target)
    found_easting, found_northing = there.apply([longitude], [latitude])
    assert found_easting[0] == pytest.approx(easting, abs=tolerance)
    assert found_northing[0] == pytest.approx(northing, abs=tolerance)
    back = Transformation(target, source).apply(found_easting, found_northing)
    assert back[0][0] == pytest.approx(longitude, abs=1e-8)
    assert back[1][0] == pytest.approx(latitude, abs=1e-8)


@pytest.mark.parametrize("source", ["EPSG:4326", "EPSG:4258"])
def test_the_stated_accuracy_covers_the_errors_at_the_official_test_points(source: str) -> None:
    points = pd.read_csv(REFERENCE / "os_ostn15_test_points.csv")
    move = Transformation(source, "EPSG:27700", GREAT_BRITAIN)
    easting, northing = move.apply(points["etrs89_lon"], points["etrs89_lat"])
    error = np.hypot(easting - points["osgb36_easting_m"], northing - points["osgb36_northing_m"])
    assert not move.ballpark
    assert error.max() <= move.accuracy_m
    if move.best_available:  # the grid file is installed here
        assert error.max() < 0.2
    else:
        assert error.max() == pytest.approx(4.738, abs=0.002)  # published against the Helmert, largest at TP01


def test_a_missing_grid_is_named_with_the_metres_it_costs() -> None:
    move = Transformation("EPSG:4326", "EPSG:27700", GREAT_BRITAIN)
    if move.best_available:
        pytest.skip("the OSTN15 grid is installed here")
    assert move.missing_grid == "uk_os_OSTN15_NTv2_OSGBtoETRS.tif"
    assert move.accuracy_m == pytest.approx(2.0 * math.sqrt(-2 * math.log(0.05)))  # the registry states 2 m
    assert move.metres_lost == pytest.approx(1.0 * RADIUS_95)  # and 1 m with the grid
    assert "4.9 m" in move.warning
    assert "uk_os_OSTN15_NTv2_OSGBtoETRS.tif" in move.warning
    assert "OSGB36 to WGS 84" in move.name


def test_the_radius_holds_95_percent_of_a_normal_error() -> None:
    rng = np.random.default_rng(1)
    error = np.hypot(*rng.standard_normal((2, 400_000)))
    assert np.mean(error <= RADIUS_95) == pytest.approx(0.95, abs=0.002)


def test_a_direct_operation_without_its_grid_is_replaced_by_one_over_wgs84_never_by_a_ballpark() -> None:
    # A ballpark would put TP01 at 91429.918, 11390.253, 95 m off.
    move = Transformation("EPSG:4258", "EPSG:27700")
    easting, northing = move.apply([-6.29977752014], [49.92226393730])
    assert math.hypot(easting[0] - 91492.146, northing[0] - 11318.804) < 5
    assert "ballpark" not in move.name.lower()


UNTIED = "+proj=tmerc +lon_0=3 +ellps=airy +type=crs"  # an ellipsoid without a datum: nothing ties it to the earth


def test_a_ballpark_is_refused_and_can_be_allowed() -> None:
    with pytest.raises(SourceError, match=r"snails\.csv, position: from .* no transformation here that allows"):
        Transformation(UNTIED, "EPSG:2154", file="snails.csv", where="position")
    move = Transformation(UNTIED, "EPSG:2154", allow_ballpark=True)
    assert move.ballpark
    assert move.accuracy_m >= 100
    assert "datum shift is ignored" in move.warning
    assert np.isfinite(move.apply([0.0], [5e6])).all()


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("EPSG:99999", "'EPSG:99999' is no coordinate reference system"),
        ("nonsense", "'nonsense' is no coordinate reference system"),
        ("", "'' is no coordinate reference system"),
        ("EPSG:4978", "'EPSG:4978' is neither geographic nor projected"),
        ("EPSG:5773", "'EPSG:5773' is neither geographic nor projected"),
    ],
)
def test_an_unusable_crs_is_named(text: str, sentence: str) -> None:
    with pytest.raises(SourceError, match=f"a.csv, crs: {sentence}"):
        read_crs(text, file="a.csv")


def test_heights_are_left_out() -> None:
    assert read_crs("EPSG:5698").to_epsg() == 2154  # Lambert-93 with heights
    assert len(read_crs("EPSG:4979").axis_info) == 2


def test_equal_crs_need_no_operation_and_give_copies() -> None:
    move = Transformation("EPSG:2154", CRS("EPSG:2154"))
    easting = np.array([700000.0])
    moved, _ = move.apply(easting, [6600000.0])
    moved += 1
    assert easting[0] == 700000.0
    assert (move.accuracy_m, move.name, move.warning) == (0.0, "none needed", "")


def test_a_mere_projection_has_no_error() -> None:
    assert Transformation("EPSG:4258", "EPSG:3035").accuracy_m == 0.0


def test_points_that_cannot_be_placed_are_infinite_and_missing_ones_stay_missing() -> None:
    easting, northing = Transformation("EPSG:4326", "EPSG:2154").apply([3.0, 3.0, np.nan], [46.5, 95.0, 46.5])
    assert (easting[0], northing[0]) == pytest.approx((700000.0, 6600000.0), abs=1e-3)  # the projection's own origin
    assert np.isinf(easting[1])
    assert np.isnan([easting[2], northing[2]]).all()


def test_no_points_are_no_trouble() -> None:
    easting, northing = Transformation("EPSG:4326", "EPSG:2154").apply([], [])
    assert easting.size == northing.size == 0
    assert area_lonlat("EPSG:2154", [], []) is None
    assert area_lonlat("EPSG:2154", [np.nan], [np.nan]) is None


def test_the_area_is_in_degrees_and_holds_the_points() -> None:
    west, south, east, north = area_lonlat("EPSG:2154", [700000.0, np.nan], [6600000.0, 1.0], margin_deg=0.1)
    assert (west, south, east, north) == pytest.approx((2.9, 46.4, 3.1, 46.6))
