"""What is handed over to a GIS, from made public tables: layers by contract, styles that fit, a catalogue."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import rasterio
import shapely
from matplotlib import colormaps

from made_studies import HORTENSIS, NEMORALIS, TWO_SPECIES, write_public_records
from morphcline.files.geopackage import write_geopackage
from morphcline.files.steepness import QUANTITIES as STEEP
from morphcline.files.steepness import write_steepness
from morphcline.files.surfaces import QUANTITIES, Tile, write_surfaces
from morphcline.files.tables import write_table
from morphcline.language import Language, speaking
from morphcline.places.grid import StudyGrid
from morphcline.render.palettes import LOCAL_GROUPS
from morphcline.stages import _gislayers
from morphcline.stages._gis import gis_reads, gis_writes, write_gis
from morphcline.stages._gislayers import SITES
from morphcline.stages._gisstyles import round_top
from morphcline.stages._layers import BANDS, CONTOURS, LINES, ZONES
from morphcline.stages._steepness import steepness_name
from morphcline.stages.base import Context
from morphcline.stages.surfaces import raster_name
from morphcline.study import load_study
from morphcline.workers import Workers
from sld_structure import SLD, check_style, fields_of, layer_of

CRS = "EPSG:2154"
WEST, NORTH = 700_000.0, 6_600_000.0
TRAITS = ("yellow", "mid-banded")
SPECIES = (NEMORALIS, HORTENSIS)
REPORT = '[report]\nholder = "Valley museum"\ncontact = "snails@example.org"\nlicence = "CC-BY-4.0"\n'

#: The contract: what other people's projects and styles rest on. A change here is a change for them.
PLACE = ["lon", "lat", "position_uncertainty_m", "blur_m"]
SITE_FIELDS = [
    "site", *PLACE, "shells", "samples", "seen_not_counted", "first_date", "last_date", "habitat", "habitat_share",
    "habitat_noted", "temperature_c", "district", "transformation", "share_dune",
]  # fmt: skip
FREQUENCY_FIELDS = [
    "site", "position_uncertainty_m", "blur_m", "shells", "visits", "enough",
    "yellow_count", "yellow_total", "yellow_frequency", "yellow_low", "yellow_high",
    "mid_banded_count", "mid_banded_total", "mid_banded_frequency", "mid_banded_low", "mid_banded_high",
]  # fmt: skip
CELL_FIELDS = [
    "cell", "yellow_frequency", "yellow_se", "yellow_shells", "mid_banded_frequency", "mid_banded_se",
    "mid_banded_shells",
]  # fmt: skip
CONTRACT = {
    "sites": SITE_FIELDS,
    "earlier_sites": ["survey", *SITE_FIELDS],
    "frequencies_cepaea_nemoralis": FREQUENCY_FIELDS,
    "frequencies_cepaea_hortensis": FREQUENCY_FIELDS,
    "clusters": ["species", "trait", "site", "blur_m", "local_group", "local_i", "p_permutation", "p_fdr"],
    "cline_lines": [
        "species", "trait", "model", "line", "sites", "shells", "bearing_deg", "bearing_low", "bearing_high",
        "centre_m", "centre_low", "centre_high", "width_m", "width_low", "width_high", "p_min", "p_max", "p_curved",
        "fails", "level",
    ],
    "cells_cepaea_nemoralis": CELL_FIELDS,
    "cells_cepaea_hortensis": CELL_FIELDS,
    "change_pairs": [
        "species", "trait", "earlier_survey", "site", "earlier_site", "blur_m", "earlier_count", "earlier_total",
        "later_count", "later_total", "earlier_frequency", "later_frequency", "difference", "low", "high", "p",
        "method",
    ],
}  # fmt: skip
KINDS = {"cline_lines": "MultiLineString", "cells_cepaea_nemoralis": "Polygon", "cells_cepaea_hortensis": "Polygon"}


def sites(names: Iterable[str]) -> pd.DataFrame:
    """Return public sites in squares of 1 km, the last withheld."""
    table = pd.DataFrame({"site": list(names)})
    number = np.arange(len(table), dtype=float)
    table = table.assign(
        x_m=WEST + 500 + 1000 * (number % 4), y_m=NORTH - 500 - 1000 * (number // 4), lon=3.0 + number / 100, lat=46.5,
        position_uncertainty_m=718, blur_m=1000, shells=30, samples=1, seen_not_counted=0, habitat="dune",
        habitat_share=1, habitat_noted="", temperature_c=11.5, transformation="none needed", district="", share_dune=1,
    )  # fmt: skip
    table.loc[table.index[-1], ["x_m", "y_m", "lon", "lat", "position_uncertainty_m", "blur_m"]] = np.nan
    return table


def tables(surveys: tuple[str, ...] = ("1984",)) -> dict[str, pd.DataFrame]:
    here = sites([f"s{number}" for number in range(12)])
    key = pd.DataFrame([(s, t) for s in SPECIES for t in (*TRAITS, "yellow unbanded")], columns=["species", "trait"])
    each = key.merge(here[["site"]], how="cross").assign(
        count=3, total=30, frequency=0.1, low=0.05, high=0.25, enough=True
    )  # fmt: skip
    groups = list(LOCAL_GROUPS)
    local = each[["species", "trait", "site"]].assign(local_i=0.5, p_permutation=0.02, draws=99, p_fdr=0.04)
    local["group"] = [groups[number % len(groups)] for number in range(len(local))]
    pairs = pd.concat([each.assign(earlier_survey=name, earlier_site=f"{name} a") for name in surveys])
    change = pairs[["species", "trait", "site", "earlier_survey", "earlier_site"]].assign(
        distance_m=12.345, earlier_count=3, earlier_total=30, later_count=15, later_total=30, earlier_frequency=0.1,
        later_frequency=0.5, difference=np.linspace(-0.6, 0.6, len(pairs)), low=0.1, high=0.7, p=0.01, method="m",
    )  # fmt: skip
    numbers = dict.fromkeys(
        ("bearing_low", "bearing_high", "centre_m", "centre_low", "centre_high", "width_low", "width_high"), 100.0
    )  # fmt: skip
    fitted = key[key["trait"] == "yellow"].assign(
        model="sigmoid", sites=12, shells=360, bearing_deg=60.0, width_m=7000.0, p_min=0.1, p_max=0.9
    )  # fmt: skip
    return {
        "sites": here,
        "earlier_sites": sites(["a", "b"]).assign(survey="1984"),
        "samples": pd.DataFrame({"species": SPECIES}).merge(here[["site"]], how="cross").assign(
            shells=30, visits=1, visit_used="2024", enough=True
        ),
        "frequencies": each, "local": local, "change": change,
        "curved": fitted.assign(p_curved=0.4, drawn=["straight", ""]).drop(columns=["p_min", "p_max"]),
        "clines": fitted.assign(fails=False, **numbers),
        "steepness": pd.DataFrame({"species": [*SPECIES], "trait": "yellow", "surface_per_km": [0.064, np.nan]}),
    }  # fmt: skip


def a_folder(
    folder: Path, *, dates: tuple[str, ...] = ("2024-05-01", "2025-06"), rows: int = 4, **made: object
) -> Context:
    """Write what is read, and return the context."""
    folder.mkdir(exist_ok=True)
    (folder / "study.toml").write_text(TWO_SPECIES + REPORT, encoding="utf-8")
    context = Context(load_study(folder / "study.toml"), folder, Workers())
    for name, table in tables(**made).items():  # type: ignore[arg-type]
        write_table(context.path(f"tables/{name}.csv"), table)
    write_public_records(folder, *dates)
    line = shapely.MultiLineString([[(WEST, NORTH), (WEST + 3000, NORTH - 3000)]])
    fields = {"species": [NEMORALIS], "trait": ["yellow"]}
    centre = {**fields, "model": ["sigmoid"], "line": ["straight"], "level": [0.95], "p_curved": [0.4], "sites": [12]}
    band = shapely.MultiPolygon([line.buffer(200)])
    lines = gpd.GeoDataFrame(centre, geometry=[line], crs=CRS)
    bands = gpd.GeoDataFrame(centre, geometry=[band], crs=CRS)
    write_geopackage(context.path("clines.gpkg"), [LINES.of(lines), BANDS.of(bands)])
    contours = gpd.GeoDataFrame({**fields, "level": [0.5], "length_m": [10.0]}, geometry=[line], crs=CRS)
    zones = {**fields, "steeper_than": ["samples placed at random"], "area_km2": [1.0]}
    steep = gpd.GeoDataFrame(zones, geometry=[band], crs=CRS)
    write_geopackage(context.path("steepness.gpkg"), [CONTOURS.of(contours), ZONES.of(steep)])
    grid = StudyGrid(left=WEST, top=NORTH, cell_m=1000.0, rows=rows, columns=4, crs=CRS)
    traits = (*TRAITS, "yellow unbanded")
    for species in SPECIES:
        values = np.linspace(0, 1, 9 * rows * 4, dtype=np.float32).reshape(9, rows, 4)
        values[:, 0, 0] = np.nan
        write_surfaces(
            context.path(raster_name(species)), grid=grid, traits=traits, tiles=[Tile(0, 0, values)], tags={}
        )
        slopes = np.ones((len(STEEP) * len(TRAITS) + 1, rows, 4), dtype=np.float32)
        write_steepness(
            context.path(steepness_name(species)), grid=grid, traits=TRAITS, tiles=[Tile(0, 0, slopes)], tags={}
        )
    return context


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Context, list[str]]:
    context = a_folder(tmp_path_factory.mktemp("gis") / "one")
    files, warnings = write_gis(context)
    assert warnings == []
    return context, files


def test_layers_and_fields_are_those_of_the_contract(made: tuple[Context, list[str]]) -> None:
    path = made[0].path(SITES)
    assert {str(name): str(kind) for name, kind in pyogrio.list_layers(path)} == {
        name: KINDS.get(name, "Point") for name in CONTRACT
    }
    for layer, fields in CONTRACT.items():
        info = pyogrio.read_info(path, layer=layer)
        assert info["fields"].tolist() == fields, layer
        assert info["layer_metadata"]["DESCRIPTION"]
        assert all(len(name) <= 30 and name.isascii() and name == name.lower() for name in fields)


def test_every_field_of_every_layer_is_described(made: tuple[Context, list[str]]) -> None:
    for name in (SITES, "clines.gpkg", "steepness.gpkg"):
        path = made[0].path(name)
        with closing(sqlite3.connect(path)) as base:
            told = base.execute(
                "SELECT table_name, column_name FROM gpkg_data_columns WHERE description != ''"
            ).fetchall()
        fields = [
            (str(layer), field)
            for layer, _ in pyogrio.list_layers(path)
            for field in pyogrio.read_info(path, layer=layer)["fields"].tolist()
        ]
        assert sorted(told) == sorted(fields)


def test_a_withheld_site_is_on_no_layer_and_said_to_be_left_out(made: tuple[Context, list[str]]) -> None:
    path = made[0].path(SITES)
    for layer, times in (("sites", 1), ("clusters", len(SPECIES) * len(TRAITS)), ("frequencies_cepaea_hortensis", 1)):
        shapes = pyogrio.read_dataframe(path, layer=layer)
        assert "s11" not in set(shapes["site"])
        assert not (shapes.geometry.isna() | shapes.geometry.is_empty).any()
        told = pyogrio.read_info(path, layer=layer)["layer_metadata"]["DESCRIPTION"]
        assert f"{times} {'row has' if times == 1 else 'rows have'} no place" in told


def test_places_are_those_of_the_public_tables(made: tuple[Context, list[str]]) -> None:
    shapes = pyogrio.read_dataframe(made[0].path(SITES), layer="sites").set_index("site")
    expected = tables()["sites"].set_index("site").loc[shapes.index]
    assert np.array_equal(shapely.get_coordinates(shapes.geometry.to_numpy()), expected[["x_m", "y_m"]].to_numpy())
    assert shapes["first_date"].isna().sum() == len(shapes)  # the made records are of a site named otherwise
    assert not [read for read in gis_reads(made[0].study) if "private" in read]


def test_cells_are_the_rasters_own(made: tuple[Context, list[str]]) -> None:
    context = made[0]
    shapes = pyogrio.read_dataframe(context.path(SITES), layer="cells_cepaea_nemoralis")
    assert len(shapes) == 15  # one of 16 is blank
    assert set(shapes.area) == {1e6}
    with rasterio.open(context.path(raster_name(NEMORALIS))) as raster:
        places = [(shape.centroid.x, shape.centroid.y) for shape in shapes.geometry]
        found = np.array(list(raster.sample(places)), dtype=float)
    for column, field in enumerate(CELL_FIELDS[1:]):
        decimals = 1 if field.endswith("shells") else 4
        np.testing.assert_allclose(shapes[field], found[:, column], atol=0.5001 * 10**-decimals)
        assert (shapes[field].round(decimals) == shapes[field]).all()
    assert shapes["cell"][0] == "701000-6599000"


def test_too_many_cells_are_put_together_and_the_layer_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_gislayers, "MOST_CELLS", 8)
    context = a_folder(tmp_path / "two", rows=5)
    write_gis(context)
    shapes = pyogrio.read_dataframe(context.path(SITES), layer="cells_cepaea_nemoralis")
    told = pyogrio.read_info(context.path(SITES), layer="cells_cepaea_nemoralis")["layer_metadata"]["DESCRIPTION"]
    assert "2 x 2" in told
    # 5 x 4 cells in blocks of 2: three rows of two, the last of half the height.
    assert sorted(shapes.area.tolist()) == [2e6] * 2 + [4e6] * 4
    with rasterio.open(context.path(raster_name(NEMORALIS))) as raster:
        first = raster.read(1)[:2, :2].astype(float)
        assert shapes["yellow_frequency"][0] == pytest.approx(np.nanmean(first), abs=1e-4)
        assert shapes.total_bounds.tolist() == list(raster.bounds)


def test_each_layer_and_raster_has_styles_that_name_what_is_there(made: tuple[Context, list[str]]) -> None:
    context, files = made
    styles = [name for name in files if name.endswith(".sld")]
    layers = {
        str(layer): context.path(name)
        for name in (SITES, "clines.gpkg", "steepness.gpkg")
        for layer, _ in pyogrio.list_layers(context.path(name))
    }
    rasters = {Path(name).stem: name for s in SPECIES for name in (raster_name(s), steepness_name(s))}
    styled = set()
    for name in styles:
        root = check_style(context.path(name).read_text(encoding="utf-8"))
        layer = layer_of(root)
        styled.add(layer)
        assert name.removeprefix("styles/").startswith(layer)
        if layer in layers:
            fields = set(pyogrio.read_info(layers[layer], layer=layer)["fields"].tolist())
            assert fields_of(root) <= fields, name
        else:
            with rasterio.open(context.path(rasters[layer])) as raster:
                band = int(str(root.findtext(f".//{SLD}SourceChannelName")))
                assert raster.descriptions[band - 1] == root.findtext(f".//{SLD}UserStyle/{SLD}Title")
    assert styled == {*layers, *rasters}
    page = context.path("styles/README.md").read_text(encoding="utf-8")
    assert all(f"`{name.removeprefix('styles/')}`" in page for name in styles)
    assert all(f"### {layer}\n" in page for layer in layers)
    assert "| `local_group` | local association of the site with its neighbours |" in page
    assert set(gis_writes(context.study)) >= {"styles/frequency.txt", "styles/README.md", SITES}


def test_frequencies_have_the_colours_of_every_map(made: tuple[Context, list[str]]) -> None:
    ramp = check_style(made[0].path("styles/cepaea-nemoralis.yellow.frequency.sld").read_text(encoding="utf-8"))
    entries = [(float(str(e.get("quantity"))), e.get("color")) for e in ramp.iter(f"{SLD}ColorMapEntry")]
    assert (entries[0][0], entries[-1][0]) == (0.0, 1.0)

    def cividis(value: float) -> str:  # matplotlib's own, between fixed ends of 0 and 1
        return "#" + "".join(f"{part:02X}" for part in colormaps["cividis"](value, bytes=True)[:3])

    assert entries == [(value, cividis(value)) for value, _ in entries]
    text = made[0].path("styles/frequency.txt").read_text(encoding="utf-8").split("\n")
    assert text[0] == "nv 0 0 0 0"
    lines = [line.split() for line in text[1:-1]]
    assert [(float(line[0]), "#" + "".join(f"{int(part):02X}" for part in line[1:4])) for line in lines] == entries
    for name in ("frequencies_cepaea_nemoralis.yellow", "cells_cepaea_nemoralis.yellow"):
        root = check_style(made[0].path(f"styles/{name}.sld").read_text(encoding="utf-8"))
        fills = [p.text for p in root.iter(f"{SLD}CssParameter") if p.get("name") == "fill"]
        assert fills == [cividis((number + 0.5) / 10) for number in range(10)]
        assert fields_of(root) == {"yellow_frequency"}


def test_groups_have_the_colours_and_shapes_of_the_figures(made: tuple[Context, list[str]]) -> None:
    root = check_style(made[0].path("styles/clusters.cepaea_nemoralis.mid_banded.sld").read_text(encoding="utf-8"))
    found = {}
    for rule in root.iter(f"{SLD}Rule"):
        fill = [p.text for p in rule.iter(f"{SLD}CssParameter") if p.get("name") == "fill"]
        literals = [e.text for e in rule.iter("{http://www.opengis.net/ogc}Literal")]
        assert literals[:2] == [NEMORALIS, "mid-banded"]
        turn = rule.findtext(f".//{SLD}Rotation")
        found[literals[2]] = (fill[0] if fill else "none", rule.findtext(f".//{SLD}WellKnownName"), turn)
    shapes = {"o": ("circle", None), "^": ("triangle", None), "v": ("triangle", "180"), "s": ("square", None)}
    assert found == {name: (mark.fill, *shapes[mark.marker]) for name, mark in LOCAL_GROUPS.items()}


def test_every_change_falls_into_one_class(made: tuple[Context, list[str]]) -> None:
    root = check_style(made[0].path("styles/change_pairs.cepaea_nemoralis.yellow.sld").read_text(encoding="utf-8"))
    ogc = "{http://www.opengis.net/ogc}"
    tests = {
        "PropertyIsGreaterThanOrEqualTo": lambda value, limit: value >= limit,
        "PropertyIsLessThan": lambda value, limit: value < limit,
    }
    rules = []
    for rule in root.iter(f"{SLD}Rule"):
        limits = [
            (tests[condition.tag.removeprefix(ogc)], float(str(condition.findtext(f"{ogc}Literal"))))
            for condition in rule.find(f"{ogc}Filter/{ogc}And") or ()
            if condition.findtext(f"{ogc}PropertyName") == "difference"
        ]
        rules.append((str(rule.findtext(f"{SLD}Title")), limits))
    for value in np.linspace(-1, 1, 2001):
        fits = [title for title, limits in rules if all(test(value, limit) for test, limit in limits)]
        assert len(fits) == 1, (value, fits)
        assert fits[0].startswith("rose" if value > 0.006 else "fell" if value < -0.006 else ("unch", "rose", "fell"))


def test_several_earlier_surveys_have_a_style_each(tmp_path: Path) -> None:
    files, _ = write_gis(a_folder(tmp_path / "more", surveys=("1984", "1960")))
    ends = {name.rpartition("yellow.")[2] for name in files if "change_pairs.cepaea_nemoralis.yellow" in name}
    assert ends == {"t_1960.sld", "t_1984.sld"}


def test_the_catalogue_names_rasters_layers_holder_and_period(made: tuple[Context, list[str]]) -> None:
    context, files = made
    collection = json.loads(context.path("stac/collection.json").read_text(encoding="utf-8"))
    assert collection["license"] == "CC-BY-4.0"
    assert collection["providers"][0]["name"] == "Valley museum"
    assert collection["extent"]["temporal"]["interval"] == [["2024-05-01T00:00:00Z", "2025-06-30T23:59:59Z"]]
    assert {table["name"] for table in collection["table:tables"]} == set(CONTRACT)
    items = [link["href"] for link in collection["links"] if link["rel"] == "item"]
    assert sorted(f"stac/{href.removeprefix('./')}" for href in items) == sorted(
        name for name in files if name.startswith("stac/") and name != "stac/collection.json"
    )
    item = json.loads(context.path("stac/cepaea-nemoralis.json").read_text(encoding="utf-8"))
    assert [band["name"] for band in item["assets"]["data"]["bands"]][:3] == [f"yellow: {q}" for q in QUANTITIES]
    for asset in [*collection["assets"].values(), *item["assets"].values()]:
        assert (context.path("stac") / asset["href"]).is_file()


def test_without_a_date_there_is_no_catalogue_and_a_warning(tmp_path: Path) -> None:
    context = a_folder(tmp_path / "undated", dates=())
    files, warnings = write_gis(context)
    assert not [name for name in files if name.startswith("stac")]
    assert "no catalogue" in warnings[0]
    assert context.path(SITES).is_file()


def test_the_same_tables_make_the_same_bytes(made: tuple[Context, list[str]], tmp_path: Path) -> None:
    context, files = made
    again = a_folder(tmp_path / "again")
    assert write_gis(again)[0] == files
    for name in (*files, *gis_writes(context.study)):
        assert again.path(name).read_bytes() == context.path(name).read_bytes(), name


def test_layers_and_styles_are_the_same_in_every_language(made: tuple[Context, list[str]], tmp_path: Path) -> None:
    context, files = made
    again = a_folder(tmp_path / "french")
    with speaking(Language("fr")):
        write_gis(again)
    for name in (*files, *gis_writes(context.study)):
        assert again.path(name).read_bytes() == context.path(name).read_bytes(), name


def test_a_ramp_ends_at_a_round_number() -> None:
    for value, top in ((0.064, 0.08), (0.1, 0.1), (0.101, 0.15), (0.95, 1.0), (float("nan"), 0.01)):
        assert round_top(value) == pytest.approx(top)
