"""GeoPackages that describe themselves, looked into with SQLite and read back with GDAL's own driver."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from morphcline.files.geopackage import Layer, write_geopackage

CRS = "EPSG:2154"


def layers() -> list[Layer]:
    points = gpd.GeoDataFrame(
        {
            "site": ["a", "b"],
            "yellow_frequency": [0.5, np.nan],
            "local_group": ["low among low", None],
            "enough": pd.array([True, None], dtype="boolean"),
        },
        geometry=gpd.points_from_xy([700_000.0, 700_100.0], [6_600_000.0, 6_600_100.0]),
        crs=CRS,
    )
    lines = gpd.GeoDataFrame({"trait": []}, geometry=[], crs=CRS)
    return [
        Layer(
            "sites", "Point", "Sites", "Where shells were seen.", points,
            {"site": "site", "yellow_frequency": "share yellow", "local_group": "group", "enough": "large enough"},
            shares=("yellow_frequency",), words={"local_group": {"low among low": "few among few", "high": "many"}},
        ),
        Layer("cline_lines", "MultiLineString", "Centres", "Lines.", lines, {"trait": "trait & more"}),
    ]  # fmt: skip


ABOUT = {"title": "Orsel & its snails", "rightsHolder": "Valley museum", "license": "CC-BY-4.0", "publisher": ""}


@pytest.fixture
def path(tmp_path: Path) -> Path:
    write_geopackage(tmp_path / "sites.gpkg", layers(), about=ABOUT, dated="2025-09-27")
    return tmp_path / "sites.gpkg"


def rows(path: Path, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as base:
        return base.execute(query).fetchall()


def test_it_is_a_geopackage_with_the_extensions_that_it_uses(path: Path) -> None:
    # OGC 12-128r18: requirement 2 (application_id "GPKG", user_version 10300 of version 1.3), 6, 7 (integrity, keys)
    assert rows(path, "PRAGMA application_id") == [(0x47504B47,)]
    assert rows(path, "PRAGMA user_version") == [(10300,)]
    assert rows(path, "PRAGMA integrity_check") == [("ok",)]
    assert rows(path, "PRAGMA foreign_key_check") == []
    # Annexes F.8 and F.9: tables of an extension stand in gpkg_extensions with these names and scope
    assert rows(path, "SELECT * FROM gpkg_extensions WHERE extension_name != 'gpkg_rtree_index' ORDER BY 1") == [
        (table, None, f"gpkg_{name}", f"http://www.geopackage.org/spec121/#extension_{name}", "read-write")
        for table, name in (
            ("gpkg_data_column_constraints", "schema"),
            ("gpkg_data_columns", "schema"),
            ("gpkg_metadata", "metadata"),
            ("gpkg_metadata_reference", "metadata"),
        )
    ]
    # Requirements 15, 13 and 14: a date of last change in ISO 8601 with milliseconds and Z; bounds; both layers
    assert rows(path, "SELECT * FROM gpkg_contents ORDER BY 1") == [
        ("cline_lines", "features", "Centres", "Lines.", "2025-09-27T00:00:00.000Z", None, None, None, None, 2154),
        (
            "sites", "features", "Sites", "Where shells were seen.", "2025-09-27T00:00:00.000Z", 700_000.0, 6_600_000.0,
            700_100.0, 6_600_100.0, 2154,
        ),
    ]  # fmt: skip
    assert rows(path, "SELECT table_name, geometry_type_name FROM gpkg_geometry_columns ORDER BY 1") == [
        ("cline_lines", "MULTILINESTRING"),
        ("sites", "POINT"),
    ]


def test_every_field_is_described_and_its_values_bounded(path: Path) -> None:
    assert rows(path, "SELECT table_name, column_name, title, description, constraint_name FROM gpkg_data_columns") == [
        ("sites", "site", "site", "site", None),
        ("sites", "yellow_frequency", "yellow frequency", "share yellow", "share"),
        ("sites", "local_group", "local group", "group", "local_group_words"),
        ("sites", "enough", "enough", "large enough", None),
        ("cline_lines", "trait", "trait", "trait & more", None),
    ]
    # Annex F.9, requirement 110 and on: a range has limits and no value, an enumeration values and no limits
    assert rows(path, "SELECT * FROM gpkg_data_column_constraints ORDER BY 1, 3") == [
        ("local_group_words", "enum", "high", None, None, None, None, "many"),
        ("local_group_words", "enum", "low among low", None, None, None, None, "few among few"),
        ("share", "range", None, 0, 1, 1, 1, "a share, 0 to 1"),
    ]


def test_gdal_reads_layers_descriptions_and_what_it_says_of_itself(path: Path) -> None:
    info = pyogrio.read_info(path, layer="sites")
    assert info["fields"].tolist() == ["site", "yellow_frequency", "local_group", "enough"]
    assert info["layer_metadata"] == {"IDENTIFIER": "Sites", "DESCRIPTION": "Where shells were seen."}
    told = ElementTree.fromstring(info["dataset_metadata"]["GPKG_METADATA_ITEM_1"])
    assert {element.tag.rpartition("}")[2]: element.text for element in told} == {
        "title": "Orsel & its snails", "rightsHolder": "Valley museum", "license": "CC-BY-4.0",
    }  # fmt: skip
    read = pyogrio.read_dataframe(path, layer="sites")
    assert read["site"].tolist() == ["a", "b"]
    assert read["enough"].tolist()[0] in (True, 1)
    assert pd.isna(read["local_group"][1])
    assert shapely.equals(read.geometry[1], shapely.Point(700_100, 6_600_100))
    assert pyogrio.read_info(path, layer="cline_lines")["geometry_type"] == "MultiLineString"


def test_the_same_layers_make_the_same_bytes_and_leave_nothing_beside(path: Path, tmp_path: Path) -> None:
    write_geopackage(tmp_path / "b.gpkg", layers(), about=ABOUT, dated="2025-09-27")
    assert (tmp_path / "b.gpkg").read_bytes() == path.read_bytes()
    assert sorted(one.name for one in tmp_path.iterdir()) == ["b.gpkg", "sites.gpkg"]


def test_a_field_without_a_description_is_refused(tmp_path: Path) -> None:
    sites = layers()[0]
    bare = Layer(sites.name, sites.kind, sites.title, sites.description, sites.features, {"site": "site"})
    with pytest.raises(KeyError, match="layer sites: fields"):
        write_geopackage(tmp_path / "a.gpkg", [bare])
    assert list(tmp_path.iterdir()) == []
