"""Rasters at points, between centres and over circles: published zonal values, slow second ways, laws."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import shapely
from affine import Affine
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from rasterio.errors import NotGeoreferencedWarning
from scipy.ndimage import map_coordinates

from made_rasters import EAST, NORTH, write_raster
from morphcline.errors import SourceError
from morphcline.files import _raster_band
from morphcline.files.rasters import (
    bands_by_year,
    bilinear,
    classes_near,
    describe_raster,
    examine,
    mean_within,
    sample,
    shares_of_rings,
    shares_within,
)
from morphcline.places.transforms import Transformation

CRS = "EPSG:2154"

# exactextract's own test raster: cells 1 to 16 row by row from the north, side 1, south-west corner (0, 0).
A = np.arange(1, 17, dtype=np.int32).reshape(4, 4)
C = np.array([[1, 1, 2, 2], [1, 1, 2, 2], [3, 3, 2, 2], [3, 3, 3, 3]], dtype=np.uint8)
TRIANGLE = np.array([[0.0, 0.0], [4.0, 0.0], [0.0, 4.0]])


def box(west: float, south: float, east: float, north: float) -> np.ndarray:
    return np.array([[west, south], [east, south], [east, north], [west, north]])


def there(ring: np.ndarray) -> np.ndarray:
    """Move a ring to where the small rasters lie."""
    return ring + np.array([EAST, NORTH])


@pytest.fixture
def a(tmp_path: Path) -> Path:
    return write_raster(tmp_path / "a.tif", A)


@pytest.fixture
def c(tmp_path: Path) -> Path:
    return write_raster(tmp_path / "c.tif", C)


def test_shares_of_a_box_and_a_triangle(c: Path) -> None:
    # exactextract 0.3.0, confirmed with shapely's cell-by-cell intersections
    rings = [there(ring) for ring in (box(0.5, 0.5, 2.5, 3.5), TRIANGLE)]
    in_box, in_triangle = shares_of_rings(c, 1, rings, crs=CRS)
    assert in_box.shares == pytest.approx({1: 0.375, 2: 0.208333, 3: 0.416667}, abs=1e-6)
    assert in_triangle.shares == pytest.approx({1: 0.25, 2: 0.0625, 3: 0.6875}, abs=1e-6)


@pytest.mark.parametrize(
    ("ring", "area", "mean"),
    [(box(0.5, 0.5, 2.5, 2.5), 4.0, 10.0), (TRIANGLE, 8.0, 10.375)],  # exactextract 0.3.0
)
def test_coverage_and_mean_of_numbered_cells(a: Path, ring: np.ndarray, area: float, mean: float) -> None:
    (found,) = shares_of_rings(a, 1, [there(ring)], crs=CRS)
    assert sum(code * share for code, share in found.shares.items()) == pytest.approx(mean, abs=1e-6)
    assert area * (1 - found.outside - found.nodata) == pytest.approx(area)


def test_the_mean_of_a_centred_circle_is_that_of_the_plane(a: Path) -> None:
    # exactextract 0.3.0: circle of radius 1.5 about (2, 2), mean 8.5
    found = mean_within(a, 1, [EAST + 2], [NORTH + 2], crs=CRS, radius_m=1.5)
    assert found.value[0] == pytest.approx(8.5, abs=1e-6)


@pytest.mark.parametrize(
    ("across", "up", "value"),
    [(2.0, 2.0, 8.5), (1.25, 2.75, 4.75), (1.0, 3.0, 3.5), (2.3, 1.6, 10.4)],  # x + 0.5 + 4 (3.5 - y), a plane
)
def test_a_plane_is_interpolated_exactly(a: Path, across: float, up: float, value: float) -> None:
    assert bilinear(a, 1, [EAST + across], [NORTH + up], crs=CRS).value[0] == pytest.approx(value, abs=1e-8)


def test_a_textbook_square_is_interpolated(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "b.tif", np.array([[10.0, 20.0], [30.0, 50.0]]))
    easting = EAST + 0.5 + np.array([0.5, 0.75])
    northing = NORTH + 1.5 - np.array([0.5, 0.25])
    # centre: the mean; a quarter down, three quarters across: 24.375 (worked by hand)
    assert bilinear(path, 1, easting, northing, crs=CRS).value == pytest.approx([27.5, 24.375])


def test_interpolation_is_scipys_with_the_edge_carried_on(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    cells = rng.normal(10, 3, (9, 13))
    path = write_raster(tmp_path / "r.tif", cells, cell=25.0)
    column, row = rng.uniform(0, 13, 300), rng.uniform(0, 9, 300)
    expected = map_coordinates(cells, [row - 0.5, column - 0.5], order=1, mode="nearest")
    found = bilinear(path, 1, EAST + 25 * column, NORTH + 25 * (9 - row), crs=CRS)
    assert found.value == pytest.approx(expected, abs=1e-6)


def test_a_neighbour_without_data_is_left_out_and_an_own_cell_without_data_is_missing(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "n.tif", np.array([[10.0, -99.0], [30.0, -99.0]]), nodata=-99.0)
    found = bilinear(path, 1, EAST + np.array([0.9, 1.1, 5.0]), NORTH + np.array([1.0, 1.0, 1.0]), crs=CRS)
    assert found.value[0] == pytest.approx(20.0)
    assert np.isnan(found.value[1:]).all()
    assert found.counts == {"inside": 1, "nodata": 1, "outside": 1}


def test_points_off_the_raster_are_missing_even_where_no_nodata_is_set(a: Path) -> None:
    found = sample(a, 1, EAST + np.array([0.5, 3.9, -0.1, 4.0]), NORTH + np.array([3.5, 0.1, 2.0, 2.0]), crs=CRS)
    assert found.value[:2].tolist() == [1.0, 16.0]
    assert np.isnan(found.value[2:]).all()
    assert found.outside.tolist() == [False, False, True, True]


def test_scale_offset_and_nodata_are_honoured(tmp_path: Path) -> None:
    cells = np.array([[105, 110], [-32768, 0]], dtype=np.int16)
    path = write_raster(tmp_path / "s.tif", cells, nodata=-32768, scale=0.1, offset=-2.0)
    found = sample(path, 1, EAST + np.array([0.5, 1.5, 0.5, 1.5]), NORTH + np.array([1.5, 1.5, 0.5, 0.5]), crs=CRS)
    assert found.value == pytest.approx([8.5, 9.0, np.nan, -2.0], nan_ok=True)
    assert found.nodata.tolist() == [False, False, True, False]


def test_nan_cells_hold_nothing(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "f.tif", np.array([[np.nan, 1.0]], dtype=np.float32))
    assert sample(path, 1, [EAST + 0.5], [NORTH + 0.5], crs=CRS).counts["nodata"] == 1


def test_a_raster_stored_from_the_south_reads_the_same(tmp_path: Path, c: Path) -> None:
    flipped = write_raster(tmp_path / "u.tif", C[::-1], transform=Affine(1, 0, EAST, 0, 1, NORTH))
    place = {"easting": [EAST + 1.7], "northing": [NORTH + 1.2], "crs": CRS}
    assert shares_within(flipped, 1, **place, radius_m=1.0)[0].shares == pytest.approx(
        shares_within(c, 1, **place, radius_m=1.0)[0].shares
    )
    assert sample(flipped, 1, **place).value == sample(c, 1, **place).value
    assert describe_raster(flipped).bounds == describe_raster(c).bounds


points_and_radii = st.tuples(st.floats(-2, 6), st.floats(-2, 6), st.floats(0.05, 3))


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(points_and_radii)
def test_parts_of_a_circle_add_up_to_one_and_are_those_of_shapely(tmp_path: Path, case) -> None:
    across, up, radius = case
    cells = np.where(C == 2, 255, C)
    path = tmp_path / "parts.tif"
    if not path.exists():
        write_raster(path, cells, nodata=255)
    (found,) = shares_within(path, 1, [EAST + across], [NORTH + up], crs=CRS, radius_m=radius)
    assert sum(found.shares.values()) + found.nodata + found.outside == pytest.approx(1.0, abs=1e-9)
    circle = shapely.Point(across, up).buffer(radius, quad_segs=256)
    whole = math.pi * radius**2
    slow = {1: 0.0, 255: 0.0, 3: 0.0}
    for row in range(4):
        for column in range(4):
            cell = shapely.box(column, 3 - row, column + 1, 4 - row)
            slow[int(cells[row, column])] += circle.intersection(cell).area / whole
    assert found.shares.get(1, 0.0) == pytest.approx(slow[1], abs=1e-3)
    assert found.shares.get(3, 0.0) == pytest.approx(slow[3], abs=1e-3)
    assert found.nodata == pytest.approx(slow[255], abs=1e-3)


def test_splitting_a_zone_and_adding_the_parts_gives_the_whole(c: Path) -> None:
    whole, left, right = shares_of_rings(
        c,
        1,
        [there(ring) for ring in (box(0.3, 0.6, 3.3, 3.1), box(0.3, 0.6, 1.3, 3.1), box(1.3, 0.6, 3.3, 3.1))],
        crs=CRS,
    )
    for code in (1, 2, 3):
        added = left.shares.get(code, 0) / 3 + right.shares.get(code, 0) * 2 / 3
        assert added == pytest.approx(whole.shares[code], abs=1e-6)


def test_a_mean_needs_values_in_half_of_its_circle(a: Path) -> None:
    found = mean_within(a, 1, EAST + np.array([0.1, -0.1, 2.0]), NORTH + np.array([2.0, 2.0, 2.0]), crs=CRS, radius_m=1)
    assert np.isfinite(found.value).tolist() == [True, False, True]
    assert found.outside.tolist() == [False, True, False]


def test_a_raster_in_degrees_gives_the_shares_of_a_circle_on_the_ground(tmp_path: Path) -> None:
    # Two classes that meet along the meridian of the point: halves, whatever a degree measures there.
    longitude, latitude = (float(one[0]) for one in Transformation(CRS, "EPSG:4326").apply([EAST], [NORTH]))
    cells = np.ones((400, 400), dtype=np.uint8)
    cells[:, 200:] = 2
    path = write_raster(
        tmp_path / "d.tif", cells, crs="EPSG:4326", cell=1e-4, left=longitude - 0.02, bottom=latitude - 0.02
    )
    place = {"easting": [EAST, EAST + 250.0], "northing": [NORTH, NORTH], "crs": CRS}
    middle, aside = shares_within(path, 1, **place, radius_m=500.0)
    assert middle.shares == pytest.approx({1: 0.5, 2: 0.5}, abs=1e-3)
    # A chord at half the radius cuts off 1/3 - sqrt(3)/(4 pi) of a circle.
    assert aside.shares[1] == pytest.approx(1 / 3 - math.sqrt(3) / (4 * math.pi), abs=2e-3)
    near = classes_near(path, 1, **place, radius_m=[100.0, 200.0])
    assert [set(one.within) for one in near] == [{1, 2}, {2}]


def test_longitudes_from_0_to_360_are_understood(tmp_path: Path) -> None:
    path = write_raster(
        tmp_path / "w.tif", np.arange(36.0).reshape(1, 36), crs="EPSG:4326", cell=10.0, left=0.0, bottom=45.0
    )
    assert sample(path, 1, [-5.0, 5.0], [50.0, 50.0], crs="EPSG:4326").value.tolist() == [35.0, 0.0]


def test_classes_near_are_those_of_every_cell_touched(c: Path) -> None:
    easting, northing = EAST + np.array([2.0, 0.5, 0.5, -3.0]), NORTH + np.array([2.0, 3.5, 3.5, 0.0])
    found = classes_near(c, 1, easting, northing, crs=CRS, radius_m=[1.5, 0.0, np.nan, 1.0])
    # The corner cells begin sqrt(2) from the middle, within 1.5: all 16 cells are touched.
    assert found[0].within == pytest.approx({1: 4 / 16, 2: 6 / 16, 3: 6 / 16})
    assert (found[0].at_point, found[0].missing) == (2, 0.0)
    assert found[1].within == found[2].within == {1: 1.0}
    assert (found[3].at_point, found[3].within, found[3].missing) == (None, {}, 1.0)


def test_wide_circles_are_looked_at_coarsely_and_nothing_common_is_missed(tmp_path: Path) -> None:
    cells = np.random.default_rng(1).integers(1, 5, (3000, 3000), dtype=np.uint8)
    path = write_raster(tmp_path / "big.tif", cells, block=256)
    (found,) = classes_near(path, 1, [EAST + 1500], [NORTH + 1500], crs=CRS, radius_m=1499.0)
    assert found.within == pytest.approx(dict.fromkeys((1, 2, 3, 4), 0.25), abs=0.01)
    assert found.missing < 0.01
    (edge,) = classes_near(path, 1, [EAST], [NORTH + 1500], crs=CRS, radius_m=1400.0)
    assert edge.missing == pytest.approx(0.5, abs=0.01)


def test_only_the_cells_concerned_are_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_raster(tmp_path / "big.tif", np.ones((4000, 4000), dtype=np.uint8), block=256)
    read = []
    whole = _raster_band.Band.read

    def counting(self, top, left, rows, columns, *, stride=1):
        read.append(rows * columns)
        return whole(self, top, left, rows, columns, stride=stride)

    monkeypatch.setattr(_raster_band.Band, "read", counting)
    easting, northing = EAST + np.array([100.0, 110.0, 3900.0]), NORTH + np.array([100.0, 110.0, 3900.0])
    shares_within(path, 1, easting, northing, crs=CRS, radius_m=20.0)
    sample(path, 1, easting, northing, crs=CRS)
    bilinear(path, 1, easting, northing, crs=CRS)
    assert 0 < sum(read) < 10_000


def test_many_points_keep_their_order(tmp_path: Path) -> None:
    cells = np.arange(2100 * 2100, dtype=np.float64).reshape(2100, 2100)
    path = write_raster(tmp_path / "o.tif", cells, block=256)
    rng = np.random.default_rng(5)
    column, row = rng.integers(0, 2100, 500), rng.integers(0, 2100, 500)
    found = sample(path, 1, EAST + column + 0.5, NORTH + 2100 - row - 0.5, crs=CRS)
    assert found.value.tolist() == cells[row, column].tolist()


def test_positions_in_another_crs_are_moved(tmp_path: Path, a: Path) -> None:
    easting, northing = Transformation(CRS, "EPSG:3035").apply([EAST + 2.5], [NORTH + 1.5])
    assert sample(a, 1, easting, northing, crs="EPSG:3035").value[0] == 11.0


def test_no_points_give_no_values(a: Path) -> None:
    assert sample(a, 1, [], [], crs=CRS).value.size == 0
    assert bilinear(a, 1, [], [], crs=CRS).value.size == 0
    assert shares_within(a, 1, [], [], crs=CRS, radius_m=1.0) == []
    assert mean_within(a, 1, [], [], crs=CRS, radius_m=1.0).value.size == 0
    assert classes_near(a, 1, [], [], crs=CRS, radius_m=1.0) == []


def test_bands_are_found_by_the_year_in_their_description(tmp_path: Path) -> None:
    path = write_raster(
        tmp_path / "y.tif", np.zeros((5, 2, 2)), descriptions=["2019", "mean 2020", "", "1981-2010", "mean of 2019"]
    )
    assert bands_by_year(describe_raster(path)) == {2019: 1, 2020: 2}


def test_what_a_raster_says_of_itself(tmp_path: Path) -> None:
    path = write_raster(
        tmp_path / "i.tif", np.zeros((2, 3, 4), dtype=np.uint8), cell=25.0, nodata=255, descriptions=["x"]
    )
    info = examine(path, 2)
    assert (info.bands, info.rows, info.columns, info.cell) == (2, 3, 4, (25.0, 25.0))
    assert info.bounds == (EAST, NORTH, EAST + 100, NORTH + 75)
    assert (info.nodata, info.dtype, info.descriptions, info.crs.to_epsg()) == (255, "uint8", ("x", ""), 2154)


def test_each_unfit_raster_is_refused_in_one_sentence(tmp_path: Path, a: Path) -> None:
    no_crs = write_raster(tmp_path / "no_crs.tif", A, crs=None)
    rotated = write_raster(tmp_path / "rotated.tif", A, transform=Affine.translation(EAST, NORTH) @ Affine.rotation(10))
    with pytest.warns(NotGeoreferencedWarning):
        nowhere = write_raster(tmp_path / "nowhere.tif", A, transform=Affine.identity())
    text = tmp_path / "text.tif"
    text.write_text("no raster")
    local = write_raster(tmp_path / "local.tif", A, crs='LOCAL_CS["site plan",UNIT["metre",1]]')
    for path, band, sentence in [
        (tmp_path / "absent.tif", 1, "absent.tif: there is no such file; "),
        (text, 1, "text.tif: this can't be read as a raster; "),
        (no_crs, 1, "no_crs.tif: the raster doesn't say in which coordinate reference system it is; assign"),
        (rotated, 1, "rotated.tif: the raster is rotated; "),
        (nowhere, 1, "nowhere.tif: the raster doesn't say where its cells lie; "),
        (local, 1, "local.tif, its CRS: .* is neither geographic nor projected; "),
        (a, 2, "a.tif: there is no band 2; the file has band 1 alone"),
        (a, 0, "a.tif: there is no band 0; "),
    ]:
        with pytest.raises(SourceError, match=sentence):
            examine(path, band)


def test_a_class_raster_of_fractions_is_refused(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "f.tif", np.array([[1.0, 2.5], [1.0, 1.0]]))
    with pytest.raises(SourceError, match=r"band 1: a cell holds 2\.5, which is no class code"):
        shares_within(path, 1, [EAST + 1], [NORTH + 1], crs=CRS, radius_m=1.0)
    with pytest.raises(SourceError, match=r"a cell holds 2\.5"):
        classes_near(path, 1, [EAST + 1], [NORTH + 1], crs=CRS, radius_m=1.0)


def test_a_damaged_file_is_named(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "cut.tif", np.ones((600, 600), dtype=np.float64), block=256)
    path.write_bytes(path.read_bytes()[:200_000])
    with pytest.raises(SourceError, match=r"cut\.tif"):
        sample(path, 1, EAST + np.array([5.0, 595.0]), NORTH + np.array([595.0, 5.0]), crs=CRS)


def test_a_circle_needs_a_radius(a: Path) -> None:
    with pytest.raises(ValueError, match="radius_m must be greater than 0"):
        shares_within(a, 1, [EAST], [NORTH], crs=CRS, radius_m=0.0)
