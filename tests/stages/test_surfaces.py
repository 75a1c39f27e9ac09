"""The stage that smooths, on a made survey whose true surface is known."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely

from made_studies import write_public_records
from morphcline.checking import check
from morphcline.errors import StudyError
from morphcline.files.surfaces import open_surfaces, read_surface
from morphcline.files.tables import read_table, write_table
from morphcline.places.grid import blur
from morphcline.stages._rastertags import places_note
from morphcline.stages._settling import ONE_SITE, Settled, clustering_warnings, limit_warnings
from morphcline.stages.base import Context
from morphcline.stages.surfaces import MIN_SITES, STAGE, raster_name
from morphcline.stats.bandwidth import Choice
from morphcline.stats.smoothing import smooth
from morphcline.stats.steep_surface import steep_surface
from morphcline.study import load_study
from morphcline.workers import Workers

NEMORALIS, HORTENSIS = "Cepaea nemoralis", "Cepaea hortensis"
WEST, SOUTH, SIDE = 480_000.0, 6_590_000.0, 16_000.0
TRAITS = ("yellow", "pink", "brown", "unbanded", "mid-banded")
RHO = 0.05


def yellow(easting):
    return 1.0 / (1.0 + np.exp(-(easting - WEST - SIDE / 2) / 3_000.0))


def layer(path: Path, *shapes: shapely.Geometry) -> None:
    gpd.GeoDataFrame(geometry=list(shapes), crs="EPSG:2154").to_file(path)


def survey(folder: Path, *, sites=90, hortensis=3, seed=4, settings="", area=None, at_one_place=False) -> Context:
    """Write the tables that the stage reads, and a study file; return the context to run it in."""
    rng = np.random.default_rng(seed)
    places = np.array([WEST, SOUTH]) + rng.uniform(0, SIDE, (sites, 2)) * (0 if at_one_place else 1)
    names = [f"site {i:03d}" for i in range(sites)]
    rows = []
    for species, members in ((NEMORALIS, range(sites)), (HORTENSIS, range(hortensis))):
        for i in members:
            p = yellow(places[i, 0])
            colour = rng.dirichlet(np.array([p, 0.9 * (1 - p), 0.1 * (1 - p)]) * (1 / RHO - 1))
            shells = int(rng.integers(3, 60))
            counts = rng.multinomial(shells, colour)
            unbanded = int(rng.binomial(shells, 0.3))
            banded = shells - unbanded
            mid = int(rng.binomial(banded, 0.4))
            totals = (shells, shells, shells, shells, banded)
            for trait, count, total in zip(TRAITS, (*counts, unbanded, mid), totals, strict=True):
                if total:
                    rows.append((names[i], species, trait, int(count), total))
    frequencies = pd.DataFrame(rows, columns=["site", "species", "trait", "count", "total"])
    pooled = frequencies.groupby(["species", "trait"], as_index=False, sort=False)[["count", "total"]].sum()
    pooled["frequency"], pooled["rho"] = (
        pooled["count"] / pooled["total"],
        [0.04, 0.05, 0.09, 0.0, 0.02] * (len(pooled) // 5),
    )
    write_public_records(folder, "2023-05-04", "2024-06")
    write_table(folder / "tables/frequencies.csv", frequencies)
    write_table(folder / "tables/regional.csv", pooled)
    sites = pd.DataFrame({"site": names, "x_m": places[:, 0], "y_m": places[:, 1]})
    write_table(folder / "private/tables/sites.csv", sites)
    write_table(folder / "tables/sites.csv", sites.assign(blur_m=0.0))
    if area is not None:
        layer(folder / "area.gpkg", area)
    (folder / "study.toml").write_text(
        '[study]\nname = "made"\ncrs = "EPSG:2154"\n'
        + ('area = "area.gpkg"\n' if area is not None else "")
        + f'[records]\npath = "records.csv"\n[surfaces]\n{settings}\n',
        encoding="utf-8",
    )
    return Context(load_study(folder / "study.toml"), folder, Workers())


def bands(context, trait, species=NEMORALIS):
    surfaces = open_surfaces(context.path(raster_name(species)))
    return surfaces, *(
        read_surface(surfaces, trait, what) for what in ("frequency", "standard error", "effective shells")
    )


def tags_of(context, species=NEMORALIS):
    with rasterio.open(context.path(raster_name(species))) as raster:
        return raster.tags()


def table_of(context, name):
    home = "private/tables" if name == "sites" else "tables"
    return read_table(context.path(f"{home}/{name}.csv"))


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    context = survey(tmp_path_factory.mktemp("made"))
    return context, STAGE.run(context)


def test_it_writes_what_it_declares(made):
    context, _ = made
    for name in STAGE.writes(context.study):
        assert context.path(name).is_file()
    for name, columns in STAGE.columns.items():
        assert list(read_table(context.path(name)).columns) == list(columns)


def test_the_surface_is_the_planted_cline_within_its_standard_error(made):
    context, _ = made
    surfaces, frequency, error, _ = bands(context, "yellow")
    easting, _ = surfaces.grid.centres()
    away = (frequency - yellow(easting)) / error
    shown = np.isfinite(frequency)
    assert shown.sum() > 800
    # Neighbouring cells err together, so that the share is no binomial count; a wrong error would give half or all.
    # The truth is a plane on the logit, but samples can't tell that it is: the error allows for more.
    assert 0.8 < (np.abs(away[shown]) < 1.96).mean() <= 1.0
    assert 0.3 < np.sqrt(np.mean(away[shown] ** 2)) < 1.4


@pytest.mark.parametrize("degree", [0, 1])
def test_the_three_colours_sum_to_1_in_each_cell(tmp_path, degree):
    context = survey(tmp_path, settings=f"degree = {degree}\nbandwidth = 2500.0")
    STAGE.run(context)
    colours = [bands(context, colour) for colour in ("yellow", "pink", "brown")]
    total = sum(frequency.astype(float) for _, frequency, _, _ in colours)
    shown = np.isfinite(total)
    assert shown.any()
    for _, frequency, _, _ in colours:
        np.testing.assert_array_equal(np.isfinite(frequency), shown)
    np.testing.assert_allclose(total[shown], 1.0, atol=3e-7)  # three roundings to float32
    closure = table_of(context, "surfaces").set_index(["species", "trait"])["closure_max"]
    if degree == 0:  # proportions with one weight sum to 1 by themselves
        assert closure[NEMORALIS, "yellow"] < 1e-12
    else:
        assert 1e-12 < closure[NEMORALIS, "yellow"] == closure[NEMORALIS, "brown"] < 0.2
    assert closure[NEMORALIS, "unbanded"] == 0


def test_cells_are_blank_below_the_support_asked_for_and_outside_the_area(tmp_path):
    area = shapely.box(WEST + 1_000, SOUTH + 2_000, WEST + 9_000, SOUTH + 30_000)
    context = survey(tmp_path, area=area, settings="degree = 0\nbandwidth = 1500.0\nmin_effective_shells = 60")
    account = STAGE.run(context)
    surfaces, frequency, error, shells = bands(context, "yellow")
    assert surfaces.grid.left == WEST + 1_000
    assert surfaces.grid.shape == (56, 16)
    easting, northing = surfaces.grid.centres()
    inside = shapely.contains_xy(area, easting, northing)
    assert account["cells"] == inside.sum()
    np.testing.assert_array_equal(np.isfinite(shells), inside)
    np.testing.assert_array_equal(np.isfinite(frequency), inside & (shells >= 60))
    np.testing.assert_array_equal(np.isfinite(error), np.isfinite(frequency))
    assert (shells[northing > SOUTH + SIDE + 3_500] == 0).all()  # two bandwidths from the northernmost site
    row = table_of(context, "surfaces").set_index(["species", "trait"]).loc[(NEMORALIS, "yellow")]
    assert row["cells"] == inside.sum()
    assert row["cells_blank"] == (inside & ~np.isfinite(frequency)).sum() > 0


MIDDLE = WEST + SIDE / 2
RIDGE = shapely.LineString([(MIDDLE, SOUTH - 9e4), (MIDDLE, SOUTH + 9e4)])


def test_a_barrier_keeps_the_samples_of_either_side_to_themselves(tmp_path):
    (tmp_path / "free").mkdir()
    free = survey(tmp_path / "free", settings="bandwidth = 2500.0", hortensis=0)
    STAGE.run(free)
    layer(tmp_path / "ridge.gpkg", RIDGE)
    context = survey(tmp_path, settings='bandwidth = 2500.0\nbarriers = "ridge.gpkg"', hortensis=0)
    STAGE.run(context)
    surfaces, fenced, _, shells = bands(context, "yellow")
    _, open_, _, open_shells = bands(free, "yellow")
    easting, _ = surfaces.grid.centres()
    near, far = np.abs(easting - MIDDLE) < 1_000, np.abs(easting - MIDDLE) > 6_500
    assert np.nanmax(np.abs(fenced - open_)[near]) > 0.05
    assert (shells[near & np.isfinite(shells)] < open_shells[near & np.isfinite(shells)]).all()
    np.testing.assert_allclose(fenced[far], open_[far], atol=0.02)
    # With the samples of the west alone the west looks as it does behind the ridge: same bandwidth, same correlation.
    sites = table_of(context, "sites").set_index("site")["x_m"]
    rows = table_of(context, "frequencies").query("species == @NEMORALIS and trait == 'yellow'")
    rows = rows[rows["site"].map(sites) < MIDDLE].merge(table_of(context, "sites"), on="site")
    rho = table_of(context, "surfaces").set_index(["species", "trait"]).loc[(NEMORALIS, "unbanded"), "rho"]
    assert np.isfinite(rho)
    cell = (12, int(np.flatnonzero(easting[0] < MIDDLE)[-1]))
    _, northing = surfaces.grid.centres()
    weight = np.exp(-((rows.x_m - easting[cell]) ** 2 + (rows.y_m - northing[cell]) ** 2) / (2 * 2_500.0**2))
    rho = table_of(context, "surfaces").set_index(["species", "trait"]).loc[(NEMORALIS, "yellow"), "rho"]
    worth = rows["total"] / (1 + (rows["total"] - 1) * rho)
    assert shells[cell] == pytest.approx((weight * worth).sum() ** 2 / (weight**2 * worth).sum(), rel=1e-5)
    assert surfaces.tags["BARRIERS"].startswith("ridge.gpkg: a sample has no weight")


@pytest.mark.parametrize("bandwidth", ['"cross-validated"', "{ neighbours = 12 }"])
def test_barriers_take_part_in_the_choice_of_the_bandwidth(tmp_path, bandwidth):
    chosen = []
    for name, more in (("free", ""), ("fenced", '\nbarriers = "ridge.gpkg"')):
        folder = tmp_path / name
        folder.mkdir()
        layer(folder / "ridge.gpkg", RIDGE)
        context = survey(folder, settings=f"bandwidth = {bandwidth}{more}\ncell_m = 2000.0", hortensis=0)
        STAGE.run(context)
        chosen.append(table_of(context, "bandwidth"))
    if "cross" in bandwidth:
        first = chosen[0]["deviance"].iloc[0], chosen[1]["deviance"].iloc[0]
        assert first[0] != pytest.approx(first[1], rel=1e-6)
    else:
        assert chosen[1]["bandwidth_m"].iloc[0] > chosen[0]["bandwidth_m"].iloc[0]  # neighbours beyond it don't count


def test_masked_cells_are_blank_and_counted(tmp_path):
    lake = shapely.Point(MIDDLE, SOUTH + SIDE / 2).buffer(3_000.0)
    layer(tmp_path / "water.gpkg", lake)
    context = survey(tmp_path, settings='bandwidth = 2500.0\nmask = "water.gpkg"', hortensis=0)
    account = STAGE.run(context)
    surfaces, frequency, error, shells = bands(context, "yellow")
    wet = shapely.contains_xy(lake, *surfaces.grid.centres())
    assert wet.sum() > 100
    for values in (frequency, error, shells):
        assert np.isnan(values[wet]).all()
        assert np.isfinite(values[~wet]).sum() > 500
    row = table_of(context, "surfaces").set_index(["species", "trait"]).loc[(NEMORALIS, "yellow")]
    assert row["cells_masked"] == account["cells_masked"] == wet.sum()
    assert row["cells"] == account["cells"]
    # A site in the water counts all the same.
    assert row["sites"] == len(table_of(context, "sites"))
    assert surfaces.tags["MASK"].startswith("water.gpkg")
    assert [path.name for path in STAGE.sources(context.study)] == ["water.gpkg"]


def test_an_unfit_barrier_or_mask_is_one_sentence(tmp_path):
    layer(tmp_path / "points.gpkg", shapely.Point(MIDDLE, SOUTH))
    for key, accepted in (("barriers", "a line or polygon layer"), ("mask", "a polygon layer")):
        context = survey(tmp_path, settings=f'{key} = "points.gpkg"')
        with pytest.raises(StudyError, match=f"points.gpkg: it holds shapes of the kind Point; {accepted}"):
            STAGE.run(context)


def test_check_reads_barriers_and_masks(tmp_path):
    layer(tmp_path / "points.gpkg", shapely.Point(MIDDLE, SOUTH))
    context = survey(tmp_path, settings='barriers = "absent.gpkg"\nmask = "points.gpkg"')
    told = [str(problem) for problem in check(context.study).problems]
    assert any(line.startswith("absent.gpkg: there is no such file") for line in told)
    assert any(line.startswith("points.gpkg: it holds shapes of the kind Point; a polygon layer") for line in told)


def test_clustered_sites_are_said_where_they_change_the_bandwidth():
    ways = {
        "families": [
            {"traits": ["yellow", "pink", "brown"], "one_site_m": 900.0, "blocks_m": 2_500.0, "used": "blocks"},
            {"traits": ["unbanded"], "one_site_m": 2_000.0, "blocks_m": 2_500.0, "used": "blocks"},
        ],
        "blocks": 20, "spacing_m": 300.0, "apart_m": 1_400.0, "map_m": 1_600.0, "clustered": True,
    }  # fmt: skip
    (sentence,) = clustering_warnings(NEMORALIS, ways)
    assert "sites are clustered" in sentence
    assert "yellow, pink, brown (900 m and 2.5 km)" in sentence
    assert "unbanded" not in sentence
    assert clustering_warnings(NEMORALIS, {**ways, "clustered": False}) == []
    assert clustering_warnings(NEMORALIS, {**ways, "families": ways["families"][1:]}) == []


@pytest.mark.parametrize(
    ("deviance", "chosen", "at_limit", "words"),
    [
        ([1.0, 2.0, 3.0, 4.0], 0, True, "the narrowest"),
        # The best is the narrowest, and a wider one that foretells as well is taken: still not flat.
        ([1.0, 1.1, 3.0, 4.0], 1, True, "the narrowest"),
        ([4.0, 3.0, 2.0, 1.0], 3, True, "the widest"),
        ([4.0, 1.0, 2.0, 3.0], 1, False, ""),
    ],
)
def test_a_bandwidth_at_either_end_of_those_tried_is_said(deviance, chosen, at_limit, words):
    candidates = np.array([500.0, 1_000.0, 2_000.0, 4_000.0])
    choice = Choice(float(candidates[chosen]), candidates, np.array(deviance), at_limit)
    family = Settled(
        ("unbanded",), np.zeros((0, 2)), False, 0.1, choice.bandwidth, None, np.empty((0, 4)), {ONE_SITE: choice},
        ONE_SITE,
    )  # fmt: skip
    said = limit_warnings(NEMORALIS, [family])
    assert len(said) == bool(words)
    assert all(f": {words} bandwidth tried foretells the sites best" in sentence for sentence in said)


def test_one_cell_agrees_with_the_formula_written_out(tmp_path):
    context = survey(tmp_path, settings="degree = 0\nbandwidth = 2000.0")
    STAGE.run(context)
    surfaces, frequency, _, shells = bands(context, "unbanded")
    easting, northing = surfaces.grid.centres()
    cell = (12, 15)
    rows = table_of(context, "frequencies").query("species == @NEMORALIS and trait == 'unbanded'")
    rows = rows.merge(table_of(context, "sites"), on="site")
    weight = np.exp(-((rows.x_m - easting[cell]) ** 2 + (rows.y_m - northing[cell]) ** 2) / (2 * 2000.0**2))
    rho = table_of(context, "surfaces").set_index(["species", "trait"]).loc[(NEMORALIS, "unbanded"), "rho"]
    shares, worth = rows["count"] / rows["total"], rows["total"] / (1 + (rows["total"] - 1) * rho)
    assert frequency[cell] == pytest.approx((weight * worth * shares).sum() / (weight * worth).sum(), rel=1e-6)
    expected = (weight * worth).sum() ** 2 / (weight**2 * worth).sum()
    assert shells[cell] == pytest.approx(expected, rel=1e-6)


def test_small_samples_count_too(made):
    context, _ = made
    row = table_of(context, "surfaces").set_index(["species", "trait"]).loc[(NEMORALIS, "yellow")]
    rows = table_of(context, "frequencies").query("species == @NEMORALIS and trait == 'yellow'")
    assert rows["total"].min() < 20
    assert row["sites"] == len(rows)
    assert row["shells"] == rows["total"].sum()


def test_the_correlation_used_is_that_about_the_surface_and_the_colours_share_it(made):
    context, _ = made
    rho = table_of(context, "surfaces").set_index(["species", "trait"])["rho"].loc[NEMORALIS]
    assert rho["yellow"] == rho["pink"] == rho["brown"]
    # Planted: the sites' colours differ by RHO about the cline, their bands not at all.
    assert rho["yellow"] == pytest.approx(RHO, abs=0.025)
    assert rho["unbanded"] < 0.015


def test_a_region_wide_correlation_that_holds_the_cline_does_not_blank_the_map(tmp_path):
    context = survey(tmp_path, settings="bandwidth = 1800.0\nmin_effective_shells = 25")
    regional = table_of(context, "regional")
    write_table(context.path("tables/regional.csv"), regional.assign(rho=0.5))
    STAGE.run(context)
    rows = table_of(context, "surfaces").set_index(["species", "trait"]).loc[NEMORALIS]
    assert rows.loc["yellow", "rho"] == pytest.approx(RHO, abs=0.03)
    assert rows.loc["yellow", "cells_blank"] < 0.25 * rows.loc["yellow", "cells"]


def test_each_trait_has_its_curve_and_its_own_bandwidth_and_colours_share_one(made):
    context, account = made
    curves = table_of(context, "bandwidth").query("species == @NEMORALIS")
    assert list(dict.fromkeys(curves["trait"])) == ["yellow, pink, brown", "unbanded", "mid-banded"]
    assert not curves.duplicated(["species", "trait", "left_out", "bandwidth_m"]).any()
    rows = table_of(context, "surfaces").set_index(["species", "trait"]).loc[NEMORALIS]
    metres, used = rows["bandwidth_m"], rows["bandwidth_left_out"]
    ways = {tuple(family["traits"]): family for family in account["species"][NEMORALIS]["families"]}
    for names, curve in curves.groupby("trait"):
        assert set(curve["left_out"]) == {"one site", "blocks"}
        assert (curve.groupby("left_out").size() >= 14).all()
        chosen = curve[curve["chosen"]].iloc[0]
        assert curve["chosen"].sum() == 1
        way = ways[tuple(names.split(", "))]
        assert chosen["bandwidth_m"] == pytest.approx(max(way["one_site_m"], way["blocks_m"]), rel=1e-9)
        lowest = curve[curve["left_out"] == chosen["left_out"]].sort_values("deviance").iloc[0]
        assert lowest["bandwidth_m"] <= chosen["bandwidth_m"]
        assert chosen["deviance"] < lowest["deviance"] + 5
        for trait in names.split(", "):
            assert metres[trait] == pytest.approx(chosen["bandwidth_m"], rel=1e-9)
            assert used[trait] == chosen["left_out"] == way["used"]
            assert account["species"][NEMORALIS]["bandwidth_m"][trait] == pytest.approx(metres[trait], rel=1e-9)
    tags = open_surfaces(context.path(raster_name(NEMORALIS))).tags
    assert tags["KERNEL"] == "gaussian"
    assert float(tags["BANDWIDTH_M_YELLOW"]) == pytest.approx(metres["yellow"])
    assert "sharper than a bandwidth" in tags["STANDARD_ERROR"]
    assert "by blocks" in tags["BANDWIDTH_CHOICE"]


def area_effect(context, *, edge_m):
    """Plant an area effect in mid-banded and return its frequency at places."""

    def truth(easting, northing):
        away = np.hypot(easting - WEST - SIDE / 2, northing - SOUTH - SIDE / 2) - 5_000
        return 0.15 + 0.55 / (1 + np.exp(4 * away / edge_m))

    rng = np.random.default_rng(8)
    rows = table_of(context, "frequencies").merge(table_of(context, "sites"), on="site")
    mid = (rows["trait"] == "mid-banded").to_numpy()
    p = truth(rows["x_m"], rows["y_m"]).to_numpy()
    p = rng.beta(p * (1 / RHO - 1), (1 - p) * (1 / RHO - 1))
    rows.loc[mid, "count"] = rng.binomial(rows["total"], p)[mid]
    write_table(context.path("tables/frequencies.csv"), rows[["site", "species", "trait", "count", "total"]])
    return truth


def test_an_area_effect_keeps_a_narrower_bandwidth_than_a_cline_and_its_error_says_the_blur(tmp_path):
    context = survey(tmp_path, sites=300, hortensis=0)
    truth = area_effect(context, edge_m=2_000)
    STAGE.run(context)
    metres = table_of(context, "surfaces").set_index(["species", "trait"])["bandwidth_m"].loc[NEMORALIS]
    assert metres["mid-banded"] < 0.6 * metres["yellow"]
    surfaces, frequency, error, _ = bands(context, "mid-banded")
    away = np.abs(frequency - truth(*surfaces.grid.centres())) / error
    assert (away[np.isfinite(away)] < 1.96).mean() > 0.85


@pytest.mark.parametrize("kernel", ["epanechnikov", "tricube"])
def test_a_bandwidth_in_metres_is_kept_as_given(tmp_path, kernel):
    context = survey(tmp_path, settings=f'bandwidth = 4000.0\nkernel = "{kernel}"')
    STAGE.run(context)
    curve = table_of(context, "bandwidth").query("species == @NEMORALIS")
    assert curve["bandwidth_m"].tolist() == [4000.0] * 3
    assert np.isfinite(curve["deviance"]).all()
    surfaces, frequency, _, shells = bands(context, "yellow")
    assert surfaces.tags["BANDWIDTH_M_UNBANDED"] == "4000"
    assert np.nanmax(shells) > 60
    assert np.isfinite(frequency).any()


def test_a_bandwidth_may_follow_the_sites(tmp_path):
    context = survey(tmp_path, settings="bandwidth = { neighbours = 15 }")
    STAGE.run(context)
    surfaces, frequency, error, _ = bands(context, "yellow")
    assert surfaces.tags["BANDWIDTH"] == "nearest 15 sites"
    curve = table_of(context, "bandwidth").query("species == @NEMORALIS").set_index("trait")["bandwidth_m"]
    sites = table_of(context, "sites")[["x_m", "y_m"]].to_numpy()
    distances = np.sort(np.hypot(*(sites[:, None, :] - sites[None, :, :]).transpose(2, 0, 1)), axis=1)[:, 14]
    assert curve["unbanded"] == pytest.approx(np.median(distances), rel=1e-9)
    easting, _ = surfaces.grid.centres()
    shown = np.isfinite(frequency)
    assert np.abs(frequency - yellow(easting))[shown].mean() < 0.1
    assert (error[shown] > 0).all()


def test_a_bandwidth_that_follows_the_sites_follows_those_that_can_show_the_trait(tmp_path):
    context = survey(tmp_path, settings="bandwidth = { neighbours = 8 }\ndegree = 0", hortensis=0)
    rows = table_of(context, "frequencies")
    mute = rows["site"].isin(sorted(rows["site"].unique())[::2]) & (rows["trait"] == "mid-banded")
    rows.loc[mute, ["count", "total"]] = 0
    write_table(context.path("tables/frequencies.csv"), rows)
    STAGE.run(context)
    curve = table_of(context, "bandwidth").query("species == @NEMORALIS").set_index("trait")["bandwidth_m"]
    some = rows[(rows["trait"] == "mid-banded") & (rows["total"] > 0)]["site"]
    sites = table_of(context, "sites").set_index("site").loc[some].to_numpy()
    distances = np.sort(np.hypot(*(sites[:, None, :] - sites[None, :, :]).transpose(2, 0, 1)), axis=1)[:, 7]
    assert curve["mid-banded"] == pytest.approx(np.median(distances), rel=1e-9)
    assert curve["mid-banded"] > 1.2 * curve["unbanded"]


def test_a_species_with_too_few_samples_has_a_blank_raster_that_says_why(made):
    context, account = made
    surfaces, frequency, error, shells = bands(context, "yellow", HORTENSIS)
    assert np.isnan([frequency, error, shells]).all()
    reason = f"3 samples can show it; a surface needs {MIN_SITES}"
    assert surfaces.tags["NOT_SMOOTHED_YELLOW"] == f"yellow: {reason}"
    rows = table_of(context, "surfaces").query("species == @HORTENSIS")
    assert (rows["not_smoothed_because"] == reason).all()
    assert (rows["cells_blank"] == rows["cells"]).all()
    assert rows["bandwidth_m"].isna().all()
    assert account["species"][HORTENSIS]["bandwidth_m"] == {}
    assert any(HORTENSIS in sentence and "is blank" in sentence for sentence in account["warnings"])


def test_a_species_that_was_not_found_has_a_blank_raster_with_the_same_bands(tmp_path):
    context = survey(tmp_path, hortensis=0, settings="bandwidth = 2500.0")
    STAGE.run(context)
    surfaces, frequency, _, _ = bands(context, "brown", HORTENSIS)
    assert surfaces.traits == TRAITS
    assert np.isnan(frequency).all()


def test_samples_that_all_lie_at_one_place_make_no_surface(tmp_path):
    context = survey(tmp_path, sites=8, hortensis=0, at_one_place=True)
    account = STAGE.run(context)
    rows = table_of(context, "surfaces").query("species == @NEMORALIS")
    assert (rows["not_smoothed_because"] == "all its samples lie at one place").all()
    assert len(account["warnings"]) == 2


def test_a_survey_without_a_site_is_refused(tmp_path):
    context = survey(tmp_path, sites=0, hortensis=0)
    with pytest.raises(StudyError, match="no site was located"):
        STAGE.run(context)


def test_support_that_is_nowhere_is_said(tmp_path):
    context = survey(tmp_path, settings="bandwidth = 2500.0\nmin_effective_shells = 1e6")
    account = STAGE.run(context)
    assert any("nowhere are there 1e+06 effective shells" in sentence for sentence in account["warnings"])


def test_the_bytes_do_not_depend_on_the_number_of_workers(tmp_path):
    files = {}
    for processes in (1, 2):
        folder = tmp_path / str(processes)
        folder.mkdir()
        context = survey(folder, settings="cell_m = 250.0")
        STAGE.run(Context(context.study, context.folder, Workers(processes)))
        files[processes] = [context.path(name).read_bytes() for name in STAGE.writes(context.study)]
    assert files[1] == files[2]


def test_progress_is_told(tmp_path):
    told = []
    context = survey(tmp_path, settings="bandwidth = 2500.0")
    context = Context(context.study, context.folder, Workers(), tick=lambda *what: told.append(what))
    STAGE.run(context)
    done, total, _ = [what for what in told if what[2] == f"surfaces of {NEMORALIS}"][-1]
    assert done == total > 1


def test_what_is_drawn_is_drawn_from_the_squares_that_hide_the_sites(tmp_path, monkeypatch):
    # From its digits a surface would give every place away: 326 sites of the demo to 0.2 m, by their information.
    context = survey(tmp_path, settings="bandwidth = 2500.0")
    sites = read_table(context.path("private/tables/sites.csv"))
    east, north = blur(sites["x_m"], sites["y_m"], 1000.0)
    shown = sites.assign(x_m=east, y_m=north, blur_m=1000.0)
    shown.loc[5, ["x_m", "y_m", "blur_m"]] = np.nan
    write_table(context.path("tables/sites.csv"), shown)
    seen: list[np.ndarray] = []

    def watched(function, name):
        def watch(task):
            seen.append(getattr(task, name))
            return function(task)

        return watch

    monkeypatch.setattr("morphcline.stages.surfaces.smooth", watched(smooth, "sites"))
    monkeypatch.setattr("morphcline.stages._steepness.steep_surface", watched(steep_surface, "sites"))
    account = STAGE.run(context)
    places = np.unique(np.vstack(seen), axis=0)
    assert len(places) > 50
    assert np.all(places % 1000.0 == 500.0)
    kept = shown.dropna()
    assert {tuple(place) for place in places} == set(zip(kept["x_m"], kept["y_m"], strict=True))
    # What is told of the surface is of those that it is drawn from.
    yellow_line = table_of(context, "surfaces").query("species == @NEMORALIS and trait == 'yellow'")
    assert yellow_line["sites"].tolist() == [len(kept)]
    assert tags_of(context)["SAMPLES"] == str(len(kept))
    assert not any("finer than the squares" in said for said in account["warnings"])


def test_a_raster_tells_from_which_places_it_is_drawn(tmp_path):
    publish = '\n[publish]\nblur_m = 2000\n[[publish.sensitive]]\nsites = ["site 001"]\nwithhold = true'
    hidden = places_note(survey(tmp_path, settings='barriers = "river.gpkg"' + publish).study)
    assert "the square of 2000 m" in hidden
    assert "on the site's side" in hidden
    assert "withheld sites are left out" in hidden
    plain = places_note(survey(tmp_path).study)
    assert not [words for words in ("2000", "side", "left out") if words in plain]


def test_a_surface_finer_than_the_squares_is_told(tmp_path):
    account = STAGE.run(survey(tmp_path, settings="bandwidth = 900.0\nmin_effective_shells = 5"))
    (told,) = [said for said in account["warnings"] if "finer than the squares of 1 km" in said]
    assert all(trait in told for trait in TRAITS)
    assert "900 m" in told
