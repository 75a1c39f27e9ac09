"""Rasters as they come: of every kind of number, coloured, empty, enormous, cut off, or only pointing at others."""

from __future__ import annotations

import time
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.transform import from_origin

from made_rasters import EAST, NORTH, write_raster
from made_studies import accepted, make_context
from morphcline.errors import SourceError, StudyError
from morphcline.files.rasters import examine, sample, shares_within
from morphcline.files.tables import read_table
from morphcline.files.vectors import read_shapes
from morphcline.stages import landscape, locate
from morphcline.stages.base import Account

CRS = "EPSG:2154"
CELLS = np.array([[1, 2, 3], [4, 5, 6], [7, 8, 9]])
KINDS = ("int8", "uint8", "int16", "uint16", "int32", "uint32", "int64", "uint64", "float32", "float64")
HABITAT = '---\n[habitat]\npath = "h.tif"\nradius_m = {radius}\n[habitat.classes]\n1 = "woodland"\n2 = "scrub"\n'
TEMPERATURE = '---\n[temperature]\npath = "t.tif"\n'


def run(folder: Path, settings: str, *places: dict[str, object]) -> Account:
    context = make_context(folder, accepted(*places), settings)
    locate.STAGE.run(context)
    return landscape.STAGE.run(context)


def at(east: float, north: float, site: str = "a") -> dict[str, object]:
    return {"site": site, "x_m": EAST + east, "y_m": NORTH + north}


@pytest.mark.parametrize("kind", KINDS)
def test_numbers_of_every_kind_mean_the_same(tmp_path: Path, kind: str) -> None:
    path = write_raster(tmp_path / "k.tif", CELLS, dtype=kind, cell=10.0)
    assert sample(path, 1, [EAST + 5], [NORTH + 25], crs=CRS).value.tolist() == [1.0]
    (shares,) = shares_within(path, 1, [EAST + 15], [NORTH + 15], crs=CRS, radius_m=1.0)
    assert shares.shares == {5: pytest.approx(1.0)}


def test_numbers_with_an_imaginary_part_are_refused(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "c.tif", CELLS.astype("complex64"))
    with pytest.raises(SourceError, match=r"c\.tif: its cells are complex numbers \(complex64\); real numbers"):
        examine(path)


def test_colours_of_a_palette_are_for_the_eye_and_codes_are_read(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "p.tif", CELLS, dtype="uint8", cell=10.0)
    with rasterio.open(path, "r+") as raster:
        raster.write_colormap(1, {code: (255 - code, code, 7, 255) for code in range(256)})
    assert sample(path, 1, [EAST + 15], [NORTH + 15], crs=CRS).value.tolist() == [5.0]


def _tag(data: bytes, tag: int, value: int) -> bytes:
    """Return a little-endian TIFF with the value of a tag of its directory changed."""
    start = int.from_bytes(data[4:8], "little")
    for entry in range(int.from_bytes(data[start : start + 2], "little")):
        place = start + 2 + 12 * entry
        if int.from_bytes(data[place : place + 2], "little") == tag:
            size = 2 if int.from_bytes(data[place + 2 : place + 4], "little") == 3 else 4
            return data[: place + 8] + value.to_bytes(size, "little") + data[place + 8 + size :]
    raise AssertionError(f"no tag {tag}")


@pytest.mark.parametrize("tag", [256, 257])
def test_a_raster_without_columns_or_rows_is_refused(tmp_path: Path, tag: int) -> None:
    path = write_raster(tmp_path / "none.tif", CELLS, dtype="uint8")
    path.write_bytes(_tag(path.read_bytes(), tag, 0))
    with pytest.raises(SourceError, match=r"none\.tif: (this can't be read as a raster|the raster has no cell)"):
        examine(path)


def test_a_file_cut_off_anywhere_is_refused_or_read_whole(tmp_path: Path) -> None:
    whole = write_raster(tmp_path / "whole.tif", np.arange(64 * 64).reshape(64, 64), dtype="float32", cell=10.0)
    data = whole.read_bytes()
    path = tmp_path / "cut.tif"
    refused = 0
    for length in range(0, len(data), len(data) // 150):
        path.write_bytes(data[:length])
        found, sentence = [], ""
        try:
            found = sample(path, 1, [EAST + 5, EAST + 635], [NORTH + 635, NORTH + 5], crs=CRS).value.tolist()
        except SourceError as error:
            sentence = str(error)
        assert sentence.startswith("cut.tif") or found == [0.0, 64 * 64 - 1.0]
        refused += bool(sentence)
    assert refused >= 145


def test_a_raster_larger_than_the_memory_is_read_where_the_sites_are(tmp_path: Path) -> None:
    path = tmp_path / "vast.tif"
    side = 400_000  # 160 GB of cells
    with rasterio.open(
        path, "w", driver="GTiff", width=side, height=side, count=1, dtype="uint8", crs=CRS, tiled=True, blockxsize=512,
        blockysize=512, transform=from_origin(EAST, NORTH + side, 1.0, 1.0), SPARSE_OK="TRUE", BIGTIFF="YES",
    ) as raster:  # fmt: skip
        raster.write(np.full((1, 512, 512), 7, "uint8"), window=((0, 512), (0, 512)))
    assert path.stat().st_size < 200_000_000
    tracemalloc.start()
    started = time.process_time()
    found = sample(path, 1, [EAST + 100, EAST + 300_000], [NORTH + side - 100, NORTH + 100], crs=CRS).value
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert found.tolist() == [7.0, 0.0]
    assert peak < 100e6
    assert time.process_time() - started < 20


def test_a_raster_that_comes_in_one_enormous_piece_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "piece.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=40_000, height=40_000, count=1, dtype="uint8", crs=CRS, tiled=True,
        blockxsize=40_000, blockysize=40_000, transform=from_origin(EAST, NORTH, 1.0, 1.0), SPARSE_OK="TRUE",
    ):  # fmt: skip
        pass
    with pytest.raises(SourceError, match=r"piece\.tif: it can only be read 1,600 MB at a time; store it in tiles"):
        examine(path)


def test_degrees_that_are_none_show_a_wrong_crs(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "wrong.tif", CELLS, crs="EPSG:4326", cell=10.0)
    with pytest.raises(
        SourceError, match=r"wrong\.tif: its CRS measures in degrees, and it reaches from 700000, 6\.6e\+06"
    ):
        examine(path)


POINTER = """<VRTDataset rasterXSize="3" rasterYSize="3"><SRS>EPSG:2154</SRS>
<GeoTransform>700000,10,0,6600030,0,-10</GeoTransform><VRTRasterBand dataType="Byte" band="1"><SimpleSource>
<SourceFilename relativeToVRT="{relative}">{source}</SourceFilename><SourceBand>1</SourceBand></SimpleSource>
</VRTRasterBand></VRTDataset>"""


@pytest.mark.parametrize("name", ["list.vrt", "list.tif"])
@pytest.mark.parametrize("source", ["cells.tif", "/vsicurl/http://127.0.0.1:9/cells.tif"])
def test_a_raster_that_only_points_at_others_is_refused(tmp_path: Path, name: str, source: str) -> None:
    write_raster(tmp_path / "cells.tif", CELLS, dtype="uint8", cell=10.0)
    path = tmp_path / name
    path.write_text(POINTER.format(relative=int("/" not in source), source=source), encoding="utf-8")
    with rasterio.open(path) as raster:
        assert raster.driver == "VRT"  # GDAL itself would read it, whatever its name
    with pytest.raises(SourceError, match=rf"{name}: this can't be read as a raster; .* holds its cells itself"):
        examine(path)


@pytest.mark.parametrize(
    "name", ["list.gpkg", "list.geojson", "list.shp", "list.vrt", "list.xml", "list.gml", "a folder"]
)
def test_shapes_that_only_point_at_others_are_refused(tmp_path: Path, name: str) -> None:
    source = "/vsicurl/http://127.0.0.1:9/a.gpkg"
    path = tmp_path / name
    if name == "a folder":
        path.mkdir()
    else:
        layer = f'<OGRVRTLayer name="a"><SrcDataSource>{source}</SrcDataSource></OGRVRTLayer>'
        path.write_text(f"<OGRVRTDataSource>{layer}</OGRVRTDataSource>", encoding="utf-8")
    with pytest.raises(SourceError, match=rf"{name}: this (can't be read as a vector file|is not what its name says)"):
        read_shapes(path, CRS)


@pytest.mark.parametrize("nodata", [0.0, None])
@pytest.mark.parametrize("radius", [0, 20])
def test_a_raster_without_a_code_at_any_site_leaves_habitat_empty_and_says_so(
    tmp_path: Path, nodata: float | None, radius: int
) -> None:
    write_raster(tmp_path / "h.tif", np.zeros((30, 30)), dtype="uint8", cell=10.0, nodata=nodata)
    account = run(tmp_path, HABITAT.format(radius=radius), at(150, 150))
    sites = read_table(tmp_path / "out" / "private/tables/sites.csv")
    assert sites["habitat"].tolist() == ([""] if nodata == 0.0 else ["unlisted"])
    assert len(account["warnings"]) == 1
    told = (
        "lies where it holds nothing and has no habitat" if nodata == 0.0 else "code 0, found at 1 site, is not listed"
    )
    assert told in account["warnings"][0]


def test_sites_off_the_raster_are_told_and_the_others_have_their_habitat(tmp_path: Path) -> None:
    write_raster(tmp_path / "h.tif", np.ones((30, 30)), dtype="uint8", cell=10.0)
    account = run(tmp_path, HABITAT.format(radius=20), at(150, 150), at(5000, 150, "b"))
    sites = read_table(tmp_path / "out" / "private/tables/sites.csv").set_index("site")
    assert sites["habitat"].to_dict() == {"a": "woodland", "b": ""}
    assert account["warnings"] == ["h.tif: 1 site lies off the raster and has no habitat."]


@pytest.mark.parametrize("kind", ["float32", "float64"])
@pytest.mark.parametrize("nodata", [None, np.nan])
def test_cells_that_are_no_numbers_hold_nothing(tmp_path: Path, kind: str, nodata: float | None) -> None:
    cells = np.full((3, 3), 11.0)
    cells[:, 2] = np.nan
    write_raster(tmp_path / "t.tif", cells, dtype=kind, cell=1000.0, nodata=nodata)
    account = run(tmp_path, TEMPERATURE, at(500, 1500), at(2500, 1500, "b"))
    found = read_table(tmp_path / "out" / "private/tables/sites.csv").set_index("site")["temperature_c"]
    assert found["a"] == pytest.approx(11.0)
    assert np.isnan(found["b"])
    assert account["warnings"] == ["t.tif: 1 site lies where it holds nothing and has no temperature."]


@pytest.mark.parametrize(
    ("value", "named"), [(300.0, "300 read as celsius is 300"), (-9999.0, "-9999 read as celsius")]
)
def test_a_temperature_outside_what_nature_allows_is_questioned(tmp_path: Path, value: float, named: str) -> None:
    write_raster(tmp_path / "t.tif", np.full((3, 3), value), dtype="float32", cell=1000.0)
    with pytest.raises(StudyError, match=named) as caught:
        run(tmp_path, TEMPERATURE, at(1500, 1500))
    assert "set units to" in str(caught.value)
    assert "its nodata value, where such a number means that there is none" in str(caught.value)


def test_infinite_cells_hold_nothing(tmp_path: Path) -> None:
    path = write_raster(tmp_path / "i.tif", np.array([[np.inf, -np.inf, 3.0]]), dtype="float32", cell=10.0)
    found = sample(path, 1, EAST + np.array([5.0, 15.0, 25.0]), np.full(3, NORTH + 5), crs=CRS)
    assert np.isnan(found.value).tolist() == [True, True, False]


def test_a_raster_stored_from_the_south_and_east_gives_the_right_cells(tmp_path: Path) -> None:
    north_up = write_raster(tmp_path / "n.tif", CELLS, dtype="uint8", cell=10.0)
    from affine import Affine

    turned = write_raster(
        tmp_path / "t.tif", CELLS[::-1, ::-1], dtype="uint8", transform=Affine(-10, 0, EAST + 30, 0, 10, NORTH)
    )
    east, north = EAST + np.array([5.0, 15.0, 25.0]), NORTH + np.array([5.0, 15.0, 25.0])
    expected = sample(north_up, 1, east, north, crs=CRS).value
    assert expected.tolist() == [7.0, 5.0, 3.0]
    assert sample(turned, 1, east, north, crs=CRS).value.tolist() == expected.tolist()
