"""The part of the stage of surfaces that tells how steep they are, on a made survey with a cline and a flat trait."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio

from made_studies import write_public_records
from morphcline.files.steepness import QUANTITIES, TOGETHER, read_steepness, steep_traits
from morphcline.files.surfaces import open_surfaces, read_surface
from morphcline.files.tables import read_table, write_table
from morphcline.stages._steepness import LAYERS, TABLES, steepness_name
from morphcline.stages.base import Context
from morphcline.stages.surfaces import STAGE, raster_name
from morphcline.study import load_study
from morphcline.workers import Workers

NEMORALIS, HORTENSIS = "Cepaea nemoralis", "Cepaea hortensis"
WEST, SOUTH, SIDE = 480_000.0, 6_590_000.0, 20_000.0
MIDDLE, WIDTH = WEST + 9_000.0, 5_000.0
TRAITS = ("yellow", "pink", "brown", "unbanded", "mid-banded")


def cline(easting):
    return 0.1 + 0.8 / (1 + np.exp(-4 * (easting - MIDDLE) / WIDTH))


def survey(folder: Path, *, sites=160, settings="bandwidth = 2500.0", processes=1) -> Context:
    """Write what the stage reads: yellow rises eastwards, unbanded falls there, mid-banded is the same everywhere."""
    rng = np.random.default_rng(6)
    folder.mkdir(exist_ok=True)
    places = np.array([WEST, SOUTH]) + rng.uniform(0, SIDE, (sites, 2))
    rows = []
    for i, (easting, _) in enumerate(places):
        shells = int(rng.integers(15, 60))
        yellow = rng.binomial(shells, cline(easting))
        pink = rng.binomial(shells - yellow, 0.9)
        unbanded = rng.binomial(shells, 1 - cline(easting))
        banded = shells - unbanded
        counts = (yellow, pink, shells - yellow - pink, unbanded, rng.binomial(banded, 0.4))
        for trait, count in zip(TRAITS, counts, strict=True):
            total = banded if trait == "mid-banded" else shells
            if total:
                rows.append((f"s{i:03}", NEMORALIS, trait, int(count), total))
    rows += [("s000", HORTENSIS, "yellow", 3, 20)]
    frequencies = pd.DataFrame(rows, columns=["site", "species", "trait", "count", "total"])
    regional = frequencies.groupby(["species", "trait"], as_index=False, sort=False)[["count", "total"]].sum()
    regional = regional.assign(frequency=regional["count"] / regional["total"], rho=0.02)
    names = [f"s{i:03}" for i in range(sites)]
    write_public_records(folder, "2023-05-04", "2024-06")
    write_table(folder / "tables/frequencies.csv", frequencies)
    write_table(folder / "tables/regional.csv", regional)
    sites = pd.DataFrame({"site": names, "x_m": places[:, 0], "y_m": places[:, 1]})
    write_table(folder / "private/tables/sites.csv", sites)
    write_table(folder / "tables/sites.csv", sites.assign(blur_m=0.0))
    (folder / "study.toml").write_text(
        f'[study]\nname = "made"\ncrs = "EPSG:2154"\n[records]\npath = "records.csv"\n[surfaces]\n{settings}\n'
        "[steepness]\npermutations = 199\n",
        encoding="utf-8",
    )
    return Context(load_study(folder / "study.toml"), folder, Workers(processes))


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    context = survey(tmp_path_factory.mktemp("steep") / "one")
    STAGE.run(context)
    return context


def row_of(context, trait, species=NEMORALIS):
    table = read_table(context.path("tables/steepness.csv"))
    return table[(table["species"] == species) & (table["trait"] == trait)].iloc[0]


def test_tables_have_their_columns_and_the_raster_its_bands(made):
    for name, columns in TABLES.items():
        assert list(read_table(made.path(name)).columns) == list(columns)
    with rasterio.open(made.path(steepness_name(NEMORALIS))) as raster:
        assert raster.descriptions == (*(f"{t}: {q}" for t in TRAITS for q in QUANTITIES), TOGETHER)
        assert raster.units[:5] == ("1/km", "1/km", "1/km", "1/km", "degree")
        assert raster.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert raster.tags()["PERMUTATIONS"] == "199"
        assert raster.tags()["DATE"] == "2023-05-04/2024-06-30"
        assert raster.tags()["TIFFTAG_DATETIME"] == "2024:06:30 00:00:00"
        assert raster.tags(1)["MEANING"].startswith("of the smoothed frequency")
    assert steep_traits(made.path(steepness_name(NEMORALIS))) == TRAITS


def test_the_cline_is_steep_where_it_is_planted_and_its_gradient_within_the_limits(made):
    row = row_of(made, "yellow")
    assert row["p"] <= 0.005
    assert abs(row["x_m"] - MIDDLE) < WIDTH / 2
    assert row["low"] <= 0.8 / (WIDTH / 1000) <= row["high"]
    assert row["at_least_per_km"] < 0.8 / (WIDTH / 1000)
    away = (row["bearing_deg"] - 90 + 180) % 360 - 180
    assert abs(away) < 4 * row["bearing_se_deg"]
    zone = read_steepness(made.path(steepness_name(NEMORALIS)), "yellow: steep zone")
    grid = open_surfaces(made.path(raster_name(NEMORALIS))).grid
    easting, _ = grid.centres()
    steep = zone >= 1
    assert steep.sum() == row["steep_cells"]
    assert row["steep_area_km2"] == pytest.approx(steep.sum() * 0.25)
    assert (zone >= 2).sum() == row["steeper_cells"]
    assert np.abs(easting[steep] - MIDDLE).max() < 2 * WIDTH
    assert steep[np.abs(easting - MIDDLE) < 500].mean() > 0.7


def test_a_flat_trait_has_no_zone(made):
    row = row_of(made, "mid-banded")
    assert row["p"] > 0.05
    assert row["steep_cells"] == row["steeper_cells"] == 0
    zone = read_steepness(made.path(steepness_name(NEMORALIS)), "mid-banded: steep zone")
    assert np.nanmax(zone) == 0


def test_the_bands_are_blank_where_the_surface_is_and_its_slope_elsewhere(made):
    surfaces = open_surfaces(made.path(raster_name(NEMORALIS)))
    frequency = read_surface(surfaces, "unbanded").astype(float)
    path = made.path(steepness_name(NEMORALIS))
    gradient = read_steepness(path, "unbanded: gradient")
    assert not np.isfinite(gradient[np.isnan(frequency)]).any()
    assert np.isfinite(gradient[np.isfinite(frequency)]).mean() > 0.8
    # The plane's slope and the surface's own differences are the same up to how the logits curve.
    south, east = np.gradient(frequency, 0.5)
    differences = np.hypot(south, east)
    both = np.isfinite(differences) & np.isfinite(gradient)
    assert np.corrcoef(differences[both], gradient[both])[0, 1] > 0.93
    low, high = (read_steepness(path, f"unbanded: {which} limit") for which in ("lower", "upper"))
    known = np.isfinite(low)
    assert (low[known] <= high[known]).all()
    bearing = read_steepness(path, "unbanded: bearing")
    sure = np.isfinite(bearing) & (gradient > 0.08)
    assert np.abs(bearing[sure] - 270).max() < 60


def test_traits_steep_in_one_place_are_told_from_those_that_are_not(made):
    together = read_table(made.path("tables/steep_together.csv")).set_index(["species", "trait", "other_trait"])
    row = together.loc[(NEMORALIS, "yellow", "unbanded")]
    assert row["p"] <= 0.05
    assert row["both_km2"] > row["both_expected_km2"]
    assert row["likeness"] > row["likeness_expected"]
    flat = together.loc[(NEMORALIS, "yellow", "mid-banded")]
    assert flat["not_tested_because"] == "no steep zone of mid-banded"
    assert np.isnan(flat["p"])
    band = read_steepness(made.path(steepness_name(NEMORALIS)), TOGETHER)
    zones = [read_steepness(made.path(steepness_name(NEMORALIS)), f"{t}: steep zone") for t in TRAITS]
    known = np.isfinite(band)
    np.testing.assert_array_equal(band[known], np.sum([zone >= 1 for zone in zones], axis=0)[known])


def test_the_layers_hold_the_line_of_one_half_and_the_zones(made):
    lines = gpd.read_file(made.path(LAYERS), layer="contours").set_index("trait")
    assert lines.crs.to_epsg() == 2154
    line = lines.loc["yellow"]
    assert line["level"] == 0.5
    assert line["length_m"] == pytest.approx(line.geometry.length)
    assert 0.6 * SIDE < line["length_m"] < 2 * SIDE
    assert abs(line.geometry.centroid.x - MIDDLE) < 600
    zones = gpd.read_file(made.path(LAYERS), layer="steep_zones")
    first = zones[(zones["trait"] == "yellow") & (zones["steeper_than"] == "samples placed at random")].iloc[0]
    assert first.geometry.area / 1e6 == pytest.approx(first["area_km2"])
    assert first["area_km2"] == pytest.approx(row_of(made, "yellow")["steep_area_km2"])


def test_a_species_without_surfaces_says_why(made):
    row = row_of(made, "yellow", HORTENSIS)
    assert row["not_measured_because"] == "1 samples can show it; a surface needs 5"
    assert np.isnan(row["p"])
    assert not np.isfinite(read_steepness(made.path(steepness_name(HORTENSIS)), "yellow: gradient")).any()


def test_proportions_have_no_steepness_and_say_why(tmp_path):
    context = survey(tmp_path / "flat", sites=40, settings="bandwidth = 2500.0\ndegree = 0")
    STAGE.run(context)
    row = row_of(context, "yellow")
    assert row["not_measured_because"].endswith("set degree = 1")
    assert gpd.read_file(context.path(LAYERS), layer="steep_zones").empty


def test_bytes_are_the_same_with_two_workers(made, tmp_path):
    other = survey(tmp_path / "two", processes=2)
    STAGE.run(other)
    for name in (*TABLES, LAYERS, steepness_name(NEMORALIS)):
        assert other.path(name).read_bytes() == made.path(name).read_bytes(), name
