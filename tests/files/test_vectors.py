"""Layers in and out: the GeoPackage by hand, the same bytes twice, and one sentence for each unfit file."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from morphcline.errors import SourceError
from morphcline.files.vectors import (
    BARRIER_KINDS,
    MASK_KINDS,
    examine,
    read_area,
    read_barriers,
    read_line,
    read_shapes,
    study_area,
    write_layers,
)
from morphcline.study import load_study

CRS = "EPSG:2154"


def points() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"site": ["a", "b"], "temperature_c": [9.5, np.nan], "habitat": ["woodland", None]},
        geometry=gpd.points_from_xy([700000.0, 700100.0], [6600000.0, 6600100.0]),
        crs=CRS,
    )


def write_geojson(path: Path, *shapes: shapely.Geometry) -> Path:
    features = [
        {"type": "Feature", "properties": {}, "geometry": json.loads(shapely.to_geojson(shape))} for shape in shapes
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    return path


def test_a_geopackage_is_what_the_standard_asks(tmp_path: Path) -> None:
    path = tmp_path / "sites.gpkg"
    write_layers(path, {"sites": points(), "earlier_sites": points().iloc[:0]})
    with sqlite3.connect(path) as db:
        # OGC 12-128r17, requirement 2: application_id "GPKG", user_version of version 1.3
        assert db.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
        assert db.execute("PRAGMA user_version").fetchone() == (10300,)
        assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert db.execute("PRAGMA foreign_key_check").fetchall() == []
        assert db.execute("SELECT table_name, data_type, srs_id FROM gpkg_contents ORDER BY 1").fetchall() == [
            ("earlier_sites", "features", 2154),
            ("sites", "features", 2154),
        ]
        assert db.execute("SELECT table_name, geometry_type_name FROM gpkg_geometry_columns ORDER BY 1").fetchall() == [
            ("earlier_sites", "POINT"),
            ("sites", "POINT"),
        ]
        assert db.execute("SELECT site, temperature_c, habitat FROM sites").fetchall() == [
            ("a", 9.5, "woodland"),
            ("b", None, None),
        ]
        assert db.execute("SELECT count(*) FROM earlier_sites").fetchone() == (0,)
    db.close()


def test_the_same_layers_make_the_same_bytes(tmp_path: Path) -> None:
    for name in ("one.gpkg", "two.gpkg"):
        write_layers(tmp_path / name, {"sites": points()})
    assert (tmp_path / "one.gpkg").read_bytes() == (tmp_path / "two.gpkg").read_bytes()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["one.gpkg", "two.gpkg"]


def test_a_layer_comes_back_in_the_crs_asked_for(tmp_path: Path) -> None:
    write_layers(tmp_path / "s.gpkg", {"first": points(), "second": points().iloc[:1]})
    found = read_shapes(tmp_path / "s.gpkg", "EPSG:4326")
    assert len(found) == 2
    assert found.geometry[0].x == pytest.approx(3.0)  # the projection's origin lies on 3 E, 46.5 N
    assert found.geometry[0].y == pytest.approx(46.5)
    assert len(read_shapes(tmp_path / "s.gpkg", CRS, layer="second")) == 1


def test_areas_are_united_and_lines_joined(tmp_path: Path) -> None:
    area = write_geojson(
        tmp_path / "area.geojson", shapely.box(3.0, 46.0, 3.1, 46.1), shapely.box(3.1, 46.0, 3.2, 46.1)
    )
    found = read_area(area, "EPSG:4326")
    assert found.geom_type == "Polygon"
    assert found.area == pytest.approx(0.02)
    pieces = [shapely.LineString([(3, 46), (3.1, 46)]), shapely.LineString([(3.1, 46), (3.2, 46.1)])]
    line = read_line(write_geojson(tmp_path / "line.geojson", *pieces), "EPSG:4326")
    assert shapely.get_num_points(line) == 3


def test_barriers_are_the_straight_pieces_of_lines_and_outlines(tmp_path: Path) -> None:
    line = shapely.MultiLineString([[(3, 46), (4, 46), (4, 47)], [(5, 46), (6, 47)]])
    lake = shapely.Polygon([(2, 45), (4, 45), (3, 45.9)], [[(2.8, 45.2), (3.2, 45.2), (3, 45.4)]])
    found = read_barriers(write_geojson(tmp_path / "ridge.geojson", line, lake), "EPSG:4326")
    # Two pieces and one of the lines, three of the lake's shore, three of its island's; no piece joins two of them.
    expected = [(3, 46, 4, 46), (4, 46, 4, 47), (5, 46, 6, 47)]
    assert {tuple(piece) for piece in found.tolist()} >= set(expected)
    assert len(found) == 9
    assert np.hypot(*(found[:, 2:] - found[:, :2]).T).sum() == pytest.approx(line.length + lake.length)
    moved = read_barriers(tmp_path / "ridge.geojson", CRS)
    assert moved.shape == (9, 4)
    assert moved[:, 0].min() > 600_000  # 2 E is 78 km west of the central meridian, 3 E, at easting 700 km


def test_each_unfit_file_is_refused_in_one_sentence(tmp_path: Path) -> None:
    gpkg = tmp_path / "p.gpkg"
    write_layers(gpkg, {"sites": points()})
    no_crs = tmp_path / "no_crs.shp"
    with pytest.warns(UserWarning, match="'crs' was not provided"):
        points()[["site", "geometry"]].set_crs(None, allow_override=True).to_file(no_crs)
    text = tmp_path / "notes.txt"
    text.write_text("no shapes")
    table = tmp_path / "table.csv"
    table.write_text("a,b\n1,2\n")
    empty = write_geojson(tmp_path / "empty.geojson")
    apart = write_geojson(
        tmp_path / "apart.geojson", shapely.LineString([(3, 46), (4, 46)]), shapely.LineString([(5, 46), (6, 46)])
    )
    for read, sentence in [
        (lambda: read_shapes(tmp_path / "absent.gpkg", CRS), "absent.gpkg: there is no such file; "),
        (lambda: examine(text), "notes.txt: this can't be read as a vector file; "),
        (lambda: examine(table), "table.csv: its rows have no geometry; "),
        (lambda: examine(no_crs), "no_crs.shp: the layer doesn't say in which coordinate reference system it is; "),
        (lambda: examine(empty), "empty.geojson: it holds no shape; "),
        (lambda: read_shapes(gpkg, CRS, layer="x"), "p.gpkg: there is no layer 'x'; its layers are: sites"),
        (lambda: read_area(gpkg, CRS), "p.gpkg: it holds shapes of the kind Point; a polygon layer"),
        (lambda: read_barriers(gpkg, CRS), "p.gpkg: it holds shapes of the kind Point; a line or polygon layer is"),
        (lambda: examine(gpkg, kinds=BARRIER_KINDS), "p.gpkg: it holds shapes of the kind Point; a line or polygon"),
        (lambda: examine(apart, kinds=MASK_KINDS), "apart.geojson: it holds shapes of the kind LineString; a polygon"),
        (lambda: read_line(apart, CRS), "apart.geojson: its lines make 2 separate ones; one line"),
    ]:
        with pytest.raises(SourceError, match=sentence):
            read()


def test_the_study_area_is_the_users_or_the_sites(tmp_path: Path) -> None:
    write_geojson(tmp_path / "area.geojson", shapely.box(3.0, 46.0, 3.1, 46.1))
    text = '[study]\nname = "t"\ncrs = "EPSG:2154"\n{}\n[records]\npath = "r.csv"\n'
    (tmp_path / "own.toml").write_text(text.format('area = "area.geojson"'))
    (tmp_path / "sites.toml").write_text(text.format(""))
    easting, northing = np.array([700000.0, 701000.0]), np.array([6600000.0, 6600000.0])
    own = study_area(load_study(tmp_path / "own.toml"), easting, northing)
    assert own.bounds[0] == pytest.approx(700000.0, abs=1.0)  # 3 E is the central meridian
    around = study_area(load_study(tmp_path / "sites.toml"), easting, northing)
    assert shapely.contains_xy(around, easting, northing).all()
