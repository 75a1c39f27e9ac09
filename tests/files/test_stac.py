"""The catalogue against the specification's own schemas, which pystac carries, and read back as a user would."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import jsonschema
import numpy as np
import pystac
import pytest
import shapely
from pystac.validation.local_validator import get_local_schema_cache
from referencing import Registry, Resource

from morphcline.files.stac import COG, SLD, VERSION, Asset, Catalogue, RasterItem, write_catalogue
from morphcline.files.surfaces import Tile, write_surfaces
from morphcline.places.grid import StudyGrid


def catalogue(folder: Path, *, licence: str = "CC-BY-4.0", crs: str = "EPSG:2154") -> list[Path]:
    grid = StudyGrid(left=700_000.0, top=6_600_000.0, cell_m=500.0, rows=20, columns=30, crs=crs)
    values = np.linspace(0, 1, 1800, dtype=np.float32).reshape(3, 20, 30)
    values[:, 0] = np.nan
    raster, style = folder / "surfaces/cepaea-nemoralis.tif", folder / "styles/a.sld"
    raster.parent.mkdir(exist_ok=True)
    style.parent.mkdir(exist_ok=True)
    write_surfaces(raster, grid=grid, traits=("yellow",), tiles=[Tile(0, 0, values)], tags={"TITLE": "t"})
    style.write_text("<a/>")
    item = RasterItem(
        "cepaea-nemoralis", "Smoothed", Asset(raster, "Smoothed", COG, ("data",)),
        {"style_a": Asset(style, "Yellow", SLD, ("style",))},
    )  # fmt: skip
    about = Catalogue(
        "orsel", "Orsel valley", "Snails", ("snails",), licence, "Valley museum", ("2024-06-15", "2025-09-27"),
        {"sites": Asset(style, "Sites", "application/geopackage+sqlite3", ("data",))}, {"sites": "Sites."},
    )  # fmt: skip
    return write_catalogue(folder / "stac", about, [item])


def read(path: Path) -> dict[str, object]:
    return json.loads(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("crs", ["EPSG:2154", "+proj=laea +lat_0=46 +lon_0=3 +x_0=700000 +y_0=6600000 +units=m"])
def test_collection_and_item_keep_the_specifications_schemas(tmp_path: Path, crs: str) -> None:
    schemas = get_local_schema_cache()
    registry = Registry().with_resources((uri, Resource.from_contents(schema)) for uri, schema in schemas.items())
    for path, kind in zip(catalogue(tmp_path, crs=crs), ("collection", "item"), strict=True):
        schema = schemas[f"https://schemas.stacspec.org/v{VERSION}/{kind}-spec/json-schema/{kind}.json"]
        validator = jsonschema.Draft7Validator(schema, registry=registry)
        content = read(path)
        validator.validate(content)
        for field in ("stac_version", "links"):
            with pytest.raises(jsonschema.ValidationError, match=field):
                validator.validate({name: value for name, value in content.items() if name != field})


def test_what_the_specification_requires_is_there(tmp_path: Path) -> None:
    collection, item = (read(path) for path in catalogue(tmp_path))
    # collection-spec and item-spec of version 1.1.0, the fields marked as required
    assert {"type", "stac_version", "id", "description", "license", "extent", "links"} <= set(collection)
    assert {"type", "stac_version", "id", "geometry", "bbox", "properties", "links", "assets"} <= set(item)
    # item-spec, "datetime": null asks for start and end
    assert item["properties"]["datetime"] is None
    assert item["properties"]["start_datetime"] == "2024-06-15T00:00:00Z"
    assert item["properties"]["end_datetime"] == "2025-09-27T23:59:59Z"
    # projection extension 2.0.0: rows then columns; the affine transform as rasterio gives it
    assert item["properties"]["proj:code"] == "EPSG:2154"
    assert item["properties"]["proj:shape"] == [20, 30]
    assert item["properties"]["proj:transform"] == [500.0, 0.0, 700_000.0, 0.0, -500.0, 6_600_000.0]
    # file extension 2.1.0: a multihash, of which 12 20 stands for 32 bytes of SHA-256
    data = item["assets"]["data"]
    content = (tmp_path / "surfaces/cepaea-nemoralis.tif").read_bytes()
    assert data["file:checksum"] == "1220" + hashlib.sha256(content).hexdigest()
    assert data["file:size"] == len(content)
    # common metadata, "bands" and "statistics"
    band = data["bands"][0]
    assert (band["name"], band["unit"], band["data_type"], band["nodata"]) == (
        "yellow: frequency",
        "1",
        "float32",
        "nan",
    )
    assert band["statistics"]["minimum"] == pytest.approx(30 / 1799)
    assert band["statistics"]["valid_percent"] == pytest.approx(95)


def test_a_reader_finds_items_and_files_by_relative_links(tmp_path: Path) -> None:
    catalogue(tmp_path)
    moved = tmp_path / "moved"
    moved.mkdir()
    for name in ("stac", "surfaces", "styles"):
        (tmp_path / name).rename(moved / name)
    collection = pystac.Collection.from_file(str(moved / "stac/collection.json"))
    items = list(collection.get_items())
    assert [item.id for item in items] == ["cepaea-nemoralis"]
    assert items[0].get_collection().id == "orsel"
    for asset in items[0].assets.values():
        assert Path(asset.get_absolute_href()).is_file()
    assert collection.providers[0].name == "Valley museum"
    assert collection.extent.temporal.intervals[0][0].isoformat() == "2024-06-15T00:00:00+00:00"


def test_the_outline_lies_where_the_raster_does_and_runs_as_geojson_asks(tmp_path: Path) -> None:
    item = read(catalogue(tmp_path)[1])
    outline = shapely.geometry.shape(item["geometry"])
    assert outline.is_valid
    assert outline.exterior.is_ccw  # RFC 7946, section 3.1.6
    # The projection's origin, 3 E 46.5 N, is easting 700 km, northing 6600 km: the raster's north-west corner.
    assert shapely.Point(3.0, 46.5).distance(outline) < 1e-5
    assert item["bbox"] == pytest.approx(list(outline.bounds))
    assert outline.bounds[2] - outline.bounds[0] == pytest.approx(
        15_000 / 76_700, rel=0.02
    )  # a degree is 76.7 km there


@pytest.mark.parametrize(("licence", "shown"), [("CC-BY-4.0", "CC-BY-4.0"), ("", "other"), ("ask the museum", "other")])
def test_a_licence_is_named_by_its_spdx_name_or_is_another(tmp_path: Path, licence: str, shown: str) -> None:
    # common metadata 1.1.0: "other" where the licence is no SPDX name
    assert read(catalogue(tmp_path, licence=licence)[0])["license"] == shown


def test_the_same_files_make_the_same_catalogue(tmp_path: Path) -> None:
    first = [path.read_bytes() for path in catalogue(tmp_path)]
    assert [path.read_bytes() for path in catalogue(tmp_path)] == first
