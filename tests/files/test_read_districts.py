"""Files of districts: read as named, and refused with one clear sentence."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest
from shapely.geometry import Point, Polygon, box

from morphcline.checking import check
from morphcline.errors import StudyError
from morphcline.files.districts import read_districts
from morphcline.study import Study, load_study

CRS = "EPSG:2154"
E, N = 700_000.0, 6_600_000.0


def square(west: float, south: float, side: float = 1000.0) -> Polygon:
    return box(E + west, N + south, E + west + side, N + south + side)


def study(folder: Path, keys: str, *shapes: object, names: list[str | None] | None = None, crs: str = CRS) -> Study:
    table = {} if names is None else {"parish": names}
    gpd.GeoDataFrame(table, geometry=list(shapes), crs=crs).to_file(folder / "districts.gpkg", layer="parishes")
    text = f'[study]\nname = "made"\ncrs = "{CRS}"\n[records]\npath = "r.csv"\n[[report.area]]\n'
    (folder / "study.toml").write_text(f'{text}path = "districts.gpkg"\n{keys}\n', encoding="utf-8")
    return load_study(folder / "study.toml")


def test_polygons_of_one_name_are_one_district(tmp_path: Path) -> None:
    made = study(
        tmp_path, 'name_from = "parish"', square(0, 0), square(5000, 0), square(2000, 0), names=["A", "B", "A"]
    )
    first, second = read_districts(made)
    assert (first.name, second.name) == ("A", "B")
    assert first.shape.area == pytest.approx(2e6)


def test_one_name_takes_all_polygons_of_a_named_layer_in_another_crs(tmp_path: Path) -> None:
    shapes = gpd.GeoSeries([square(0, 0), square(3000, 0)], crs=CRS).to_crs("EPSG:4326")
    made = study(tmp_path, 'name = "Whole"\nlayer = "parishes"', *shapes, crs="EPSG:4326")
    (only,) = read_districts(made)
    assert only.name == "Whole"
    assert only.shape.area == pytest.approx(2e6, rel=1e-6)


@pytest.mark.parametrize(
    ("keys", "shapes", "names", "sentence"),
    [
        ('name_from = "parish"', [square(0, 0), square(500, 0)], ["A", "B"], r"'A' and 'B' overlap by 0\.5 km²"),
        ('name_from = "town"', [square(0, 0)], ["A"], r"no column 'town'; its columns are: parish"),
        ('name_from = "parish"', [square(0, 0), square(3e3, 0)], ["A", None], r"feature 2, column parish: .*no name"),
        ('name_from = "parish"', [square(0, 0), square(3e3, 0)], ["St Ann", "st. ann"], r"the same file st-ann\.html"),
        ('name_from = "parish"', [square(0, 0)], ["—"], "no letter or digit"),
        ('name = "A"', [Point(E, N)], None, "shapes of the kind Point"),
        (
            'name = "A"',
            [Polygon([(E, N), (E + 10, N + 10), (E + 10, N), (E, N + 10)])],
            None,
            r"district 'A': its polygon is broken \(Self-intersection",
        ),
        ('name = "A"\nlayer = "towns"', [square(0, 0)], None, "no layer 'towns'; its layers are: parishes"),
        ('name = "A"', [], None, "it holds no shape"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_said_in_one_sentence(
    tmp_path: Path, keys: str, shapes: list[object], names: list[str | None] | None, sentence: str
) -> None:
    made = study(tmp_path, keys, *shapes, names=names)
    with pytest.raises(StudyError, match=sentence):
        read_districts(made)
    assert any(str(problem) for problem in check(made).problems if problem.found in str(problem))


def test_a_file_without_a_crs_or_none_at_all_is_refused(tmp_path: Path) -> None:
    made = study(tmp_path, 'name = "A"', square(0, 0))
    (tmp_path / "districts.gpkg").unlink()
    with pytest.raises(StudyError, match=r"districts\.gpkg: there is no such file"):
        read_districts(made)
    gpd.GeoDataFrame(geometry=[square(0, 0)]).to_file(tmp_path / "districts.shp")
    text = (tmp_path / "study.toml").read_text(encoding="utf-8").replace(".gpkg", ".shp")
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    with pytest.raises(StudyError, match="coordinate reference system"):
        read_districts(load_study(tmp_path / "study.toml"))


@pytest.mark.parametrize("keys", ["", 'name = "A"\nname_from = "parish"'])
def test_a_district_is_named_one_way(tmp_path: Path, keys: str) -> None:
    with pytest.raises(StudyError, match="give name, or name_from"):
        study(tmp_path, keys, square(0, 0))
