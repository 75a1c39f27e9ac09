"""Stage maps: what is written, what is left out and why, and that no exact place gets out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Geod, Transformer

from morphcline.files.surfaces import Tile, write_surfaces
from morphcline.files.tables import write_table
from morphcline.places.grid import StudyGrid
from morphcline.records.change_table import OVER_PAIRS
from morphcline.records.isolation_tables import ISOLATION, ISOLATION_BINS
from morphcline.records.privacy import public_sites
from morphcline.runner import load_stage
from morphcline.stages import NAMES, _figure_orders, _mapframe, _panels, maps
from morphcline.stages.base import Context
from morphcline.study import Study, load_study
from morphcline.workers import Workers

SPECIES = ("Cepaea nemoralis", "Cepaea hortensis")
TRAITS = ("yellow", "mid-banded")
SITES = 40
ORIGIN = (930_000.0, 6_470_000.0)


def write_study(folder: Path, publish: str = "") -> Study:
    (folder / "study.toml").write_text(
        '[study]\nname = "orsel"\ncrs = "EPSG:2154"\n[records]\npath = "records.csv"\n'
        '[[records.earlier]]\nname = "1984"\npath = "old.csv"\n'
        f'[publish]\nformats = ["svg"]\nwidth_mm = 140\n{publish}',
        encoding="utf-8",
    )
    return load_study(folder / "study.toml")


def tables(seed: int = 5) -> dict[str, pd.DataFrame]:
    """Tables of two species at the same sites; the second one too rare for anything but the map of the survey."""
    rng = np.random.default_rng(seed)
    x, y = ORIGIN[0] + rng.uniform(-15e3, 15e3, SITES).round(1), ORIGIN[1] + rng.uniform(-9e3, 9e3, SITES).round(1)
    names = [f"@{a:.0f}-{b:.0f}" if i % 3 == 0 else f"OV-{i:02d}" for i, (a, b) in enumerate(zip(x, y, strict=True))]
    sites = pd.DataFrame(
        {"site": names, "x_m": x, "y_m": y, "lon": 6.0, "lat": 45.3, "position_uncertainty_m": 10.0, "shells": 50,
         "samples": 1, "seen_not_counted": 0, "habitat": "", "habitat_share": np.nan, "habitat_noted": "",
         "temperature_c": np.nan, "transformation": ""}
    )  # fmt: skip
    frequencies, local, correlogram, clines, surfaces, change = [], [], [], [], [], []
    for trait in TRAITS:
        total = rng.integers(20, 90, SITES)
        p = 1 / (1 + np.exp(-(x - ORIGIN[0]) / 3000))
        count = rng.binomial(total, p)
        common = {"species": SPECIES[0], "trait": trait}
        frequencies.append(
            pd.DataFrame({"site": names, **common, "count": count, "total": total, "frequency": count / total,
                          "low": 0.0, "high": 1.0, "enough": True})
        )  # fmt: skip
        frequencies.append(
            pd.DataFrame({"site": names[:4], "species": SPECIES[1], "trait": trait, "count": 1, "total": 3,
                          "frequency": 1 / 3, "low": 0.0, "high": 1.0, "enough": False})
        )  # fmt: skip
        group = np.where(x > x.mean(), "high among high", "no local signal")
        local.append(
            pd.DataFrame(
                {**common, "site": names, "local_i": 0.4, "p_permutation": 0.01, "p_fdr": 0.03, "group": group}
            )
        )
        correlogram += [
            {**common, "distance_class": k + 1, "from_m": 3e3 * k, "to_m": 3e3 * (k + 1), "mean_m": 3e3 * k + 1.6e3,
             "pairs": 90, "envelope_low": -0.1, "envelope_high": 0.1, "moran_i": 0.5 - 0.1 * k, "expected": -0.02,
             "p_permutation": 0.01, "p_holm": 0.02} for k in range(6)
        ]  # fmt: skip
        fitted = {"sites": SITES, "shells": int(total.sum()), "bearing_low": 80.0, "bearing_high": 100.0,
                  "p_min": 0.0, "p_max": 1.0, "rho": 0.02, "log_likelihood": -90.0, "parameters": 4, "aicc": 190.0,
                  "converged": True, "not_fitted_because": "",
                  "origin_x_m": x.mean(), "origin_y_m": y.mean()}  # fmt: skip
        best = "sigmoid" if trait == "yellow" else "flat"
        for model in ("flat", "sigmoid"):
            numbers = {"bearing_deg": 90.0, "centre_m": 100.0, "width_m": 12e3} if model == "sigmoid" else {}
            clines.append(
                {**common, "model": model, **fitted, "weight": float(model == best), "chosen": model == best,
                 "direction": "", "step": False, "centre_low": -900.0, "centre_high": 1100.0, "width_low": 9e3,
                 "width_high": 15e3, **numbers}
            )  # fmt: skip
        surfaces.append({**common, "bandwidth_m": 4200.0, "degree": 1, "kernel": "gaussian", "cells": 100,
                         "cells_blank": 3, "fallback_cells": 0, "sites": SITES, "shells": total.sum()})  # fmt: skip
        pooled = {**common, "pair": "1984 – now", "earlier_survey": "1984", "earlier_site": "", "earlier_count": 40,
                  "earlier_total": 100, "later_count": 50, "later_total": 100, "earlier_frequency": 0.4,
                  "later_frequency": 0.5, "p": 0.2, "pairs": 2}  # fmt: skip
        change.append({**pooled, "site": "", "difference": 0.1, "low": 0.0, "high": 0.2, "method": OVER_PAIRS})
        change.append({**pooled, "site": "", "difference": 0.7, "low": 0.6, "high": 0.8, "method": "another"})
        change += [{**pooled, "site": n, "difference": 0.1, "low": -0.1, "high": 0.3, "method": "m"} for n in names[:2]]
    return {
        "sites": sites,
        "frequencies": pd.concat(frequencies),
        "regional": pd.DataFrame({"species": SPECIES[0], "trait": TRAITS, "frequency": 0.45}),
        "habitat_frequencies": pd.DataFrame(
            columns=["species", "trait", "habitat", "count", "total", "sites", "frequency", "low", "high"]
        ),
        "bandwidth": pd.DataFrame({"species": SPECIES[0], "trait": ["yellow, pink, brown", "unbanded"],
                                   "bandwidth_m": 4200.0, "deviance": 90.0, "chosen": True}),
        "surfaces": pd.DataFrame(surfaces),
        "steepness": pd.DataFrame(columns=["species", "trait", "not_measured_because"]),
        "correlogram": pd.DataFrame(correlogram),
        "correlogram_reach": pd.DataFrame(
            {"species": SPECIES[0], "trait": TRAITS, "sites": SITES, "p_global": 0.01, "reach_m": 9e3,
             "reach_low": 7e3, "reach_high": np.nan, "not_estimated_because": ""}
        ),
        "variogram": pd.DataFrame(
            {"species": SPECIES[0], "trait": "yellow", "distance_class": range(1, 7), "from_m": 0.0, "to_m": 9e3,
             "mean_m": np.arange(1.0, 7) * 2e3, "pairs": 90, "semivariance": 0.6, "fitted": 0.5}
        ),
        "isolation": pd.DataFrame(
            {**dict.fromkeys(ISOLATION, np.nan), "species": SPECIES[0], "trait": ["colour"],
             "not_tested_because": "few"}
        ),
        "isolation_bins": pd.DataFrame(columns=list(ISOLATION_BINS)),
        "variogram_fit": pd.DataFrame(
            {"species": SPECIES[0], "trait": ["yellow"], "sites": SITES, "nugget_binomial": 0.2,
             "nugget_small_scale": 0.1, "sill": 0.3, "sill_low": 0.1, "range_m": 3e3, "practical_range_m": 9e3,
             "practical_range_low": 4e3, "practical_range_high": np.nan, "smoothness": 0.5}
        ),
        "local": pd.concat(local),
        "clines": pd.DataFrame(clines),
        "change": pd.DataFrame(change),
    }  # fmt: skip


def write_surface(folder: Path) -> StudyGrid:
    grid = StudyGrid(left=915_000.0, top=6_480_000.0, cell_m=1000.0, rows=20, columns=30, crs="EPSG:2154")
    rise = np.tile(np.linspace(0.1, 0.9, 30, dtype=np.float32), (20, 1))
    rise[:, :3] = np.nan
    error = np.where(np.isnan(rise), np.nan, np.float32(0.04)).astype(np.float32)
    write_surfaces(folder / "surfaces/cepaea-nemoralis.tif", grid=grid, traits=["yellow"],
                   tiles=[Tile(0, 0, np.stack([rise, error, 900 * error]))], tags={})  # fmt: skip
    return grid


@pytest.fixture(autouse=True)
def _figures_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    # The page has tests of its own.
    monkeypatch.setattr(maps, "render_page", lambda data: "<!doctype html>")
    monkeypatch.setattr(maps, "page_data", lambda *arguments: None)
    monkeypatch.setattr(maps, "survey_years", lambda *arguments: None)


def blurred(sites: pd.DataFrame, blur_m: float) -> pd.DataFrame:
    """Return the sites as the stage of landscape publishes them."""
    whole = sites.assign(lon=0.0, lat=0.0, position_uncertainty_m=10.0)
    return public_sites(whole, np.full(len(sites), blur_m), lambda easting, northing: (easting, northing))


def write_tables(folder: Path, found: dict[str, pd.DataFrame], blur_m: float = 1000.0) -> None:
    columns = {table: columns for stage in NAMES for table, columns in load_stage(stage).columns.items()}
    for name in _figure_orders.TABLES:
        declared = list(columns[f"tables/{name}.csv"])
        table = found.get(name, pd.DataFrame(columns=declared))
        if name == "sites":
            table = blurred(table, blur_m)
        write_table(folder / f"tables/{name}.csv", table.reindex(columns=list(dict.fromkeys([*table, *declared]))))
    for name in ("accepted", "flagged"):
        write_table(folder / f"records/{name}.csv", pd.DataFrame(columns=["survey", "year", "counted"]))


def run(study: Study, folder: Path, found: dict[str, pd.DataFrame] | None = None) -> dict:
    write_tables(folder, tables() if found is None else found, study.publish.blur_m)
    return maps.STAGE.run(Context(study, folder, Workers()))


def test_figures_with_data_are_drawn_and_the_others_have_a_reason(tmp_path: Path) -> None:
    study, out = write_study(tmp_path), tmp_path / "out"
    write_surface(out)
    account = run(study, out)
    assert account["figures"] == [
        "sites_cepaea-nemoralis", "surface_cepaea-nemoralis", "clusters_cepaea-nemoralis", "cline_cepaea-nemoralis",
        "change_map_cepaea-nemoralis", "correlogram_cepaea-nemoralis", "variogram_cepaea-nemoralis", "change",
    ]  # fmt: skip
    left = account["left_out"]
    assert left["bandwidth"] == "the bandwidth was given, not chosen among several"
    assert left["sites_cepaea-hortensis"] == "no sample is large enough"
    assert left["landscape"] == "neither habitat nor temperature is known at any site"
    assert set(left) | set(account["figures"]) >= {"habitat_cepaea-nemoralis", "morphs_cepaea-nemoralis"}
    for name in (*account["files"], *maps.STAGE.writes(study)):
        assert (out / name).stat().st_size > 0, name
    index = (out / "figures/README.md").read_text(encoding="utf-8")
    for name in account["figures"]:
        assert f"## {name}" in index


def test_nothing_at_all_to_draw_is_no_error(tmp_path: Path) -> None:
    empty = {name: table if name == "sites" else table.iloc[:0] for name, table in tables().items()}
    account = run(write_study(tmp_path), tmp_path / "out", empty)
    assert account["figures"] == account["files"] == []
    assert all(account["left_out"].values())


def test_no_exact_place_gets_out(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_surface(out)
    run(write_study(tmp_path), out)
    sites = tables()["sites"]
    for path in (out / "figures").iterdir():
        text = path.read_text(encoding="utf-8")
        for value in (*sites["x_m"], *sites["y_m"]):
            assert f"{value:.1f}" not in text, path.name
    shown = pd.read_csv(out / "figures/sites_cepaea-nemoralis.csv")
    exact = sites.set_index("site")[["x_m", "y_m"]].to_numpy()
    assert ((shown[["x_m", "y_m"]] - 500) % 1000 == 0).all().all()
    squares = {tuple(place) for place in np.floor(exact / 1000) * 1000 + 500}
    assert {tuple(place) for place in shown[["x_m", "y_m"]].to_numpy()} == squares


def test_distances_along_a_cline_are_those_of_the_squares(tmp_path: Path) -> None:
    # Exact distances along two bearings would give the exact place.
    out, found = tmp_path / "out", tables()
    run(write_study(tmp_path), out, found)
    drawn = pd.read_csv(out / "figures/cline_cepaea-nemoralis.csv")
    assert set(drawn["trait"]) == {"yellow"}
    distances = np.sort(drawn.loc[drawn["what"] == "site", "distance_m"])
    # Towards the east: the distance is the easting from the mean of the sites.
    squares = np.floor(found["sites"]["x_m"] / 1000) * 1000 + 500
    assert distances == pytest.approx(np.sort(squares - found["sites"]["x_m"].mean()), abs=1e-6)


def test_exact_places_are_drawn_when_asked_for(tmp_path: Path) -> None:
    out = tmp_path / "out"
    run(write_study(tmp_path, "blur_m = 0\n"), out)
    shown = pd.read_csv(out / "figures/sites_cepaea-nemoralis.csv")
    assert set(shown["x_m"].round(1)) == set(tables()["sites"]["x_m"])
    assert "its exact place is not shown" not in (out / "figures/README.md").read_text(encoding="utf-8")


def test_the_same_bytes_with_more_workers(tmp_path: Path) -> None:
    study = write_study(tmp_path)
    for folder, workers in (("one", Workers()), ("two", Workers(2))):
        write_tables(tmp_path / folder, tables())
        maps.STAGE.run(Context(study, tmp_path / folder, workers))
    for path in (tmp_path / "one/figures").iterdir():
        assert path.read_bytes() == (tmp_path / "two/figures" / path.name).read_bytes(), path.name


def test_figures_no_longer_drawn_are_cleared_and_other_files_stay(tmp_path: Path) -> None:
    out = tmp_path / "out"
    (out / "figures").mkdir(parents=True)
    stale, own = out / "figures/habitat_cepaea-nemoralis.png", out / "figures/my notes.txt"
    stale.write_bytes(b"old")
    own.write_text("keep", encoding="utf-8")
    run(write_study(tmp_path), out)
    assert not stale.exists()
    assert own.read_text(encoding="utf-8") == "keep"


def test_a_change_is_pooled_by_the_method_that_allows_for_over_dispersion(tmp_path: Path) -> None:
    run(write_study(tmp_path), tmp_path / "out")
    drawn = pd.read_csv(tmp_path / "out/figures/change.csv")
    pooled = drawn[drawn["site"].isna()]
    assert pooled["trait"].tolist() == list(TRAITS)
    assert pooled["difference"].tolist() == [0.1, 0.1]


def test_cluster_maps_without_any_signal_are_left_out(tmp_path: Path) -> None:
    found = tables()
    found["local"]["group"] = "no local signal"
    account = run(write_study(tmp_path), tmp_path / "out", found)
    assert account["left_out"]["clusters_cepaea-nemoralis"] == "no site shows local association"


def test_a_stray_site_does_not_shrink_the_map() -> None:
    square = shapely.box(914e3, 6_460e3, 946e3, 6_480e3)
    places = pd.DataFrame({"drawn_x_m": [930e3, 947e3, 1_200e3], "drawn_y_m": [6_470e3, 6_470e3, 6_470e3]})
    west, _, east, _ = _mapframe._box(square, places)
    assert west < 914e3
    # The near one is on the map, the far one is not.
    assert 947e3 < east < 960e3


def test_true_north_agrees_with_geodesics() -> None:
    # Where a point a kilometre up the map lies, seen from one below it, by pyproj's geodesics on the ellipsoid.
    box = (925e3, 6_465e3, 935e3, 6_475e3)
    found = _mapframe._true_north("EPSG:2154", box)
    to_degrees = Transformer.from_crs("EPSG:2154", "EPSG:4171", always_xy=True)
    (lon1, lon2), (lat1, lat2) = to_degrees.transform([930e3, 930e3], [6_470e3, 6_471e3])
    azimuth_of_grid_north, _, _ = Geod(ellps="GRS80").inv(lon1, lat1, lon2, lat2)
    assert found == pytest.approx(-azimuth_of_grid_north, abs=0.01)


def test_north_that_turns_has_no_arrow() -> None:
    assert _mapframe._true_north("EPSG:2154", (100e3, 6_100e3, 1_200e3, 7_100e3)) is None


def test_a_large_raster_is_reduced_to_what_a_page_shows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write_surface(tmp_path)
    material = _panels.Material(write_study(tmp_path), tmp_path, tables(), pd.DataFrame())
    raster = _panels.open_surfaces(tmp_path / "surfaces/cepaea-nemoralis.tif")
    assert material.traits("frequencies", SPECIES[0]) == TRAITS
    whole, _, extent = _panels.drawn_cells(raster, "yellow")
    assert whole.shape == (20, 30)
    assert extent == (915_000.0, 945_000.0, 6_460_000.0, 6_480_000.0)
    monkeypatch.setattr(_panels, "CELLS_DRAWN", 10)
    few, _, same = _panels.drawn_cells(raster, "yellow")
    assert same == extent
    assert few.shape == (7, 10)
    # Each coarse cell is the mean of the fine ones under it, so that nothing moves.
    np.testing.assert_allclose(few.mean(axis=0), whole.reshape(20, 10, 3).mean(axis=(0, 2)), atol=0.02)


@pytest.mark.parametrize(
    ("basemap", "expected"),
    [('basemap = "none"\n', "outline of the study area"), ('basemap = "rivers.gpkg"\n', "Backdrop: rivers.gpkg.")],
)
def test_the_backdrop_is_the_one_asked_for(tmp_path: Path, basemap: str, expected: str) -> None:
    import geopandas as gpd

    river = shapely.LineString([(920e3, 6_470e3), (940e3, 6_470e3)])
    gpd.GeoDataFrame(geometry=[river], crs="EPSG:2154").to_crs("EPSG:4326").to_file(tmp_path / "rivers.gpkg")
    run(write_study(tmp_path, basemap), tmp_path / "out")
    caption = (tmp_path / "out/figures/sites_cepaea-nemoralis.txt").read_text(encoding="utf-8")
    assert (expected in caption) == ("rivers" in basemap)
