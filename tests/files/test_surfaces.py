"""Rasters of surfaces: valid for the cloud, named, and the same bytes for the same cells."""

import numpy as np
import pytest
import rasterio
from rio_cogeo.cogeo import cog_validate

from morphcline.errors import SourceError
from morphcline.files.surfaces import (
    QUANTITIES,
    Tile,
    band_name,
    block_means,
    open_surfaces,
    read_surface,
    write_surfaces,
)
from morphcline.places.grid import StudyGrid

TRAITS = ("yellow", "pink: or so")


def write(path, *, rows=70, columns=40, seed=1):
    grid = StudyGrid(left=900_500.0, top=6_600_000.0, cell_m=500.0, rows=rows, columns=columns, crs="EPSG:2154")
    values = np.random.default_rng(seed).random((6, rows, columns)).astype(np.float32)
    values[:, :5] = np.nan
    tiles = [
        Tile(row, column, values[:, row : row + 32, column : column + 32])
        for row in range(0, rows, 32)
        for column in range(0, columns, 32)
    ]
    write_surfaces(path, grid=grid, traits=TRAITS, tiles=tiles, tags={"SPECIES": "Cepaea nemoralis", "DEGREE": "1"})
    return grid, values


@pytest.mark.parametrize(("rows", "columns"), [(70, 40), (700, 900)])
def test_the_raster_is_a_valid_cloud_optimised_geotiff(tmp_path, rows, columns):
    write(tmp_path / "a.tif", rows=rows, columns=columns)
    valid, errors, warnings = cog_validate(tmp_path / "a.tif", strict=True, quiet=True)
    assert (valid, errors, warnings) == (True, [], [])


def test_what_was_written_is_read(tmp_path):
    grid, values = write(tmp_path / "a.tif")
    surfaces = open_surfaces(tmp_path / "a.tif")
    assert surfaces.grid == grid
    assert surfaces.traits == TRAITS
    assert surfaces.tags["SPECIES"] == "Cepaea nemoralis"
    np.testing.assert_array_equal(read_surface(surfaces, "yellow"), values[0])
    np.testing.assert_array_equal(read_surface(surfaces, "yellow", "standard error"), values[1])
    np.testing.assert_array_equal(read_surface(surfaces, "pink: or so", "effective shells"), values[5])
    with pytest.raises(KeyError, match="no trait 'brown'"):
        read_surface(surfaces, "brown")


def test_any_reader_sees_names_units_and_place(tmp_path):
    write(tmp_path / "a.tif")
    with rasterio.open(tmp_path / "a.tif") as raster:
        assert raster.descriptions[:3] == ("yellow: frequency", "yellow: standard error", "yellow: effective shells")
        assert raster.units[:3] == ("1", "1", "shells")
        assert set(raster.dtypes) == {"float32"}
        assert np.isnan(raster.nodata)
        assert raster.crs.to_epsg() == 2154
        assert raster.bounds == (900_500.0, 6_565_000.0, 920_500.0, 6_600_000.0)
        assert raster.compression.name == "deflate"
        assert raster.tags(ns="IMAGE_STRUCTURE")["PREDICTOR"] == "3"


def test_bands_tell_their_statistics_and_their_meaning(tmp_path):
    grid, values = write(tmp_path / "a.tif")
    with rasterio.open(tmp_path / "a.tif") as raster:
        for band in (1, 2, 6):
            tags, cells = raster.tags(band), values[band - 1, 5:].astype(float)
            # numpy's own, of all cells at once; they were gathered tile by tile
            assert float(tags["STATISTICS_MINIMUM"]) == pytest.approx(cells.min(), rel=1e-8)
            assert float(tags["STATISTICS_MAXIMUM"]) == pytest.approx(cells.max(), rel=1e-8)
            assert float(tags["STATISTICS_MEAN"]) == pytest.approx(cells.mean(), rel=1e-8)
            assert float(tags["STATISTICS_STDDEV"]) == pytest.approx(cells.std(), rel=1e-8)
            assert float(tags["STATISTICS_VALID_PERCENT"]) == pytest.approx(100 * 65 / grid.rows)
        assert raster.tags(6)["TRAIT"] == "pink: or so"
        assert raster.tags(6)["QUANTITY"] == "effective shells"
        assert "independent shells" in raster.tags(6)["MEANING"]


def test_blocks_are_the_means_of_the_cells_that_have_a_value(tmp_path):
    _, values = write(tmp_path / "a.tif", rows=301, columns=40)
    surfaces = open_surfaces(tmp_path / "a.tif")
    np.testing.assert_array_equal(block_means(surfaces, ["pink: or so"], 1)[0], values[3:])
    means = block_means(surfaces, TRAITS, 4)
    assert means.shape == (2, 3, 76, 10)
    # The first row of blocks holds blank rows alone, the second one blank row and three others, the last a single one.
    assert np.isnan(means[:, :, 0]).all()
    assert means[0, 1, 1, 2] == pytest.approx(values[1, 5:8, 8:12].mean(), rel=1e-6)
    assert means[1, 2, 70, 5] == pytest.approx(values[5, 280:284, 20:24].mean(), rel=1e-6)
    assert means[0, 0, 75, 9] == pytest.approx(values[0, 300:, 36:].mean(), rel=1e-6)


def test_large_rasters_have_overviews_that_pass_over_blanks(tmp_path):
    _, values = write(tmp_path / "a.tif", rows=600, columns=600)
    with rasterio.open(tmp_path / "a.tif") as raster:
        assert raster.block_shapes[0] == (256, 256)
        assert raster.overviews(1) == [2, 4]
        half = raster.read(1, out_shape=(300, 300))
    assert np.isnan(half[:2]).all()
    np.testing.assert_allclose(half[2], values[0, 5].reshape(300, 2).mean(axis=1), rtol=1e-5)
    np.testing.assert_allclose(half[10], values[0, 20:22].reshape(2, 300, 2).mean(axis=(0, 2)), rtol=1e-5)


def test_cells_that_no_tile_covers_have_no_data(tmp_path):
    grid = StudyGrid(left=0.0, top=0.0, cell_m=100.0, rows=40, columns=40, crs="EPSG:2154")
    write_surfaces(tmp_path / "a.tif", grid=grid, traits=("yellow",), tiles=(), tags={})
    assert np.isnan(read_surface(open_surfaces(tmp_path / "a.tif"), "yellow")).all()
    assert cog_validate(tmp_path / "a.tif", quiet=True)[0]


def test_the_same_cells_give_the_same_bytes_and_nothing_is_left_beside(tmp_path):
    write(tmp_path / "a" / "one.tif")
    write(tmp_path / "b" / "two.tif")
    assert (tmp_path / "a" / "one.tif").read_bytes() == (tmp_path / "b" / "two.tif").read_bytes()
    assert [path.name for path in (tmp_path / "a").iterdir()] == ["one.tif"]


def test_a_run_that_dies_leaves_the_last_good_file(tmp_path):
    grid, _ = write(tmp_path / "a.tif")
    before = (tmp_path / "a.tif").read_bytes()

    def dying():
        yield Tile(0, 0, np.zeros((3, 32, 32), dtype=np.float32))
        raise RuntimeError("out of luck")

    with pytest.raises(RuntimeError, match="out of luck"):
        write_surfaces(tmp_path / "a.tif", grid=grid, traits=("yellow",), tiles=dying(), tags={})
    assert (tmp_path / "a.tif").read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == ["a.tif"]


def test_band_names():
    assert [band_name("fused", quantity) for quantity in QUANTITIES] == [
        "fused: frequency", "fused: standard error", "fused: effective shells",
    ]  # fmt: skip


def test_a_raster_that_is_absent_or_not_ours_is_refused(tmp_path):
    with pytest.raises(SourceError, match=r"gone\.tif: this raster can't be read"):
        open_surfaces(tmp_path / "gone.tif")
    with rasterio.open(
        tmp_path / "other.tif", "w", driver="GTiff", width=2, height=2, count=1, dtype="uint8", crs="EPSG:2154",
        transform=rasterio.Affine(10, 0, 0, 0, -10, 0),
    ) as raster:  # fmt: skip
        raster.write(np.zeros((1, 2, 2), dtype=np.uint8))
    with pytest.raises(SourceError, match=r"other\.tif, bands: found None"):
        open_surfaces(tmp_path / "other.tif")
