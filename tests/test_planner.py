"""The plan for new samples, made from a small study's run."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from statsmodels.stats.power import TTestIndPower

from morphcline import planner, runner
from morphcline.errors import StudyError
from morphcline.files.tables import read_table
from morphcline.render.figures.plan import draw_plan
from morphcline.stages import _plan_writing
from morphcline.study import load_study

STUDY = """
[study]
name = "small"
crs = "EPSG:2154"
[records]
path = "records.csv"
[records.position]
written_as = "easting-northing"
crs = "EPSG:2154"
[scoring]
species = ["Cepaea nemoralis"]
[surfaces]
cell_m = 500
bandwidth = 2000.0
min_effective_shells = 5
[autocorrelation]
permutations = 99
[clines]
axis = 90
traits = ["yellow"]
[publish]
formats = ["png"]
[plan]
places = 5
"""
WEST, SOUTH, SIDE = 500_000, 6_600_000, 10_000


def write_records(folder: Path) -> None:
    rng = np.random.default_rng(4)
    rows = []
    for number in range(45):
        # A wide empty middle, so that there is somewhere to go.
        east = rng.uniform(0, 3000) if number % 2 else rng.uniform(7500, SIDE)
        north = rng.uniform(0, SIDE)
        share = 1 / (1 + np.exp(-(east - 5000) / 2500))
        for colour, band in (("yellow", "unbanded"), ("yellow", "mid-banded"), ("pink", "many-banded")):
            mean = 15 * (share if colour == "yellow" else 1.5 - share)
            rows.append([f"S{number:02}", WEST + east, SOUTH + north, "Cepaea nemoralis", colour, band,
                         1 + rng.poisson(mean), "adult"])  # fmt: skip
    columns = ["site", "easting", "northing", "species", "colour", "banding", "count", "age"]
    pd.DataFrame(rows, columns=columns).to_csv(folder / "records.csv", index=False)


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a study and its results, up to what a plan reads."""
    folder = tmp_path_factory.mktemp("plan")
    write_records(folder)
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")
    runner.run(folder / "study.toml", stages=runner.select(last="clines"))
    return folder


@pytest.fixture
def home(ran: Path, tmp_path: Path) -> Path:
    shutil.copytree(ran, tmp_path / "home")
    return tmp_path / "home"


def plan(home: Path, extra: str = "") -> planner.PlanResult:
    (home / "study.toml").write_text(STUDY + extra, encoding="utf-8")
    return planner.make_plan(load_study(home / "study.toml"))


def test_places_lie_where_the_surface_is_least_sure(home: Path) -> None:
    before = (home / "outputs/small/run.json").read_bytes()
    found = plan(home)
    assert found.warnings == ()
    assert (home / "outputs/small/run.json").read_bytes() == before
    places = read_table(found.folder / "places.csv")
    assert list(places["rank"]) == [1, 2, 3, 4, 5]
    whole = places["standard_error_after"].iloc[0] / np.sqrt(1 - places["reduction"].iloc[0])
    assert (places["standard_error_here"] > whole).all()
    assert (places["reduction"] > 0).all()
    assert (places["standard_error_after"].diff().dropna() < 0).all()
    np.testing.assert_allclose(1 - (1 - places["reduction"]).prod(), places["reduction_so_far"].iloc[-1])
    # Apart from the sites themselves; the distance told is to where the nearest one is published. By hand.
    exact = read_table(home / "outputs/small/private/tables/sites.csv")
    public = read_table(home / "outputs/small/tables/sites.csv")
    for row in places.itertuples():
        assert np.hypot(exact["x_m"] - row.x_m, exact["y_m"] - row.y_m).min() >= 1000
        apart = np.hypot(public["x_m"] - row.x_m, public["y_m"] - row.y_m)
        assert row.nearest_site_m == pytest.approx(apart.min())
        assert apart[public["site"] == row.nearest_site].min() == pytest.approx(apart.min())
    points = gpd.GeoSeries(gpd.points_from_xy(places["lon"], places["lat"]), crs=4326).to_crs(2154)
    assert np.hypot(points.x - places["x_m"], points.y - places["y_m"]).max() < 2


def test_every_place_lies_on_the_map(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    frames = []

    def drawn(name: str, places: pd.DataFrame, error: object, extent: object, sites: object, frame: Any, **rest: Any):
        frames.append(frame)
        return draw_plan(name, places, error, extent, sites, frame, **rest)

    monkeypatch.setattr(_plan_writing, "draw_plan", drawn)
    # With little room between places, the corners beyond the outermost sites are among those chosen.
    places = plan(home, "apart_m = 2500\n").places
    (frame,) = frames
    assert len(places)
    assert places["x_m"].between(frame.west, frame.east).all()
    assert places["y_m"].between(frame.south, frame.north).all()


def test_files_are_whole_and_the_same_each_time(home: Path) -> None:
    folder = plan(home).folder
    names = {path.name for path in folder.iterdir()}
    assert {"places.csv", "places.gpkg", "sample_sizes.csv", "plan.html", "README.md", "map.png", "map.csv"} <= names
    bytes_then = {path.name: path.read_bytes() for path in folder.iterdir()}
    shutil.rmtree(folder)
    assert {path.name: path.read_bytes() for path in plan(home).folder.iterdir()} == bytes_then
    layer = gpd.read_file(folder / "places.gpkg")
    assert layer.crs.to_epsg() == 2154
    assert len(layer) == 5
    page = bytes_then["plan.html"].decode()
    assert "Ask the owner" in page
    assert "Drift that stands as 0 is not known from earlier surveys" in page
    assert not any(word in page for word in ("<script", "<link", 'src="http', 'href="http'))
    # Names of sites, and exact distances to them, stay out of what may be shown.
    assert not re.search(r"\bS\d\d\b", re.sub(r"base64,[^\"]*", "", page))
    assert not {"nearest_site", "nearest_site_m"} & set(pd.read_csv(folder / "map.csv").columns)


def test_sample_sizes_are_those_of_statsmodels(home: Path) -> None:
    found = plan(home, "traits = ['yellow']\ndifferences = [0.15]\nsamples = [25]\npower = 0.9\nlevel = 0.01\n")
    row = found.sizes[found.sizes["comparison"] == "two habitats"].iloc[0]
    other = row["frequency"] + (0.15 if row["frequency"] <= 0.5 else -0.15)
    variance = sum(p * (1 - p) for p in (row["frequency"], other)) / 2 * (1 + 24 * row["rho"]) / 25
    theirs = TTestIndPower().solve_power(0.15 / np.sqrt(variance), alpha=0.01, power=0.9)
    assert row["sites"] == np.ceil(theirs)
    assert row["shells_in_all"] == 2 * 25 * row["sites"]
    surfaces = read_table(home / "outputs/small/tables/surfaces.csv").set_index("trait")
    assert row["rho"] == pytest.approx(surfaces.loc["yellow", "rho"])


def test_places_are_kept_to_what_can_be_reached(home: Path) -> None:
    track = shapely.LineString([(WEST, SOUTH + 1000), (WEST + SIDE, SOUTH + 1000)])
    gpd.GeoDataFrame(geometry=[track], crs=2154).to_file(home / "track.gpkg")
    near = plan(home, 'near = "track.gpkg"\nwithin_m = 600\n').places
    assert (np.abs(near["y_m"] - SOUTH - 1000) <= 600).all()
    reach = np.zeros((20, 20), dtype=np.float32)
    reach[:10] = 0.5  # the north
    transform = rasterio.transform.from_origin(WEST, SOUTH + SIDE, 500, 500)
    with rasterio.open(home / "reach.tif", "w", driver="GTiff", width=20, height=20, count=1, dtype="float32",
                       crs="EPSG:2154", transform=transform) as raster:  # fmt: skip
        raster.write(reach, 1)
    north = plan(home, 'reachability = "reach.tif"\n').places
    assert (north["y_m"] > SOUTH + SIDE / 2).all()
    assert (north["reach"] == 0.5).all()
    with rasterio.open(home / "reach.tif", "r+") as raster:
        raster.write(reach * 100, 1)
    with pytest.raises(StudyError, match=r"reach\.tif, band 1: it holds 50; values from 0 \(can't be reached\) to 1"):
        plan(home, 'reachability = "reach.tif"\n')


def test_masked_ground_is_left_out(home: Path) -> None:
    box = shapely.box(WEST + 3000, SOUTH, WEST + 7500, SOUTH + SIDE)
    gpd.GeoDataFrame(geometry=[box], crs=2154).to_file(home / "lake.gpkg")
    text = STUDY.replace("min_effective_shells = 5", 'min_effective_shells = 5\nmask = "lake.gpkg"')
    (home / "study.toml").write_text(text, encoding="utf-8")
    found = planner.make_plan(load_study(home / "study.toml"))
    assert not shapely.contains_xy(box, found.places["x_m"], found.places["y_m"]).any()
    assert "surfaces" in found.warnings[0]
    assert "out of date ([surfaces] mask" in found.warnings[0]


def test_where_no_place_is_left_it_says_so(home: Path) -> None:
    found = plan(home, "apart_m = 200000\n")
    assert found.places.empty
    assert found.warnings[0].startswith("Only 0 of 5 places were found")
    assert "No place is left to choose" in (found.folder / "plan.html").read_text(encoding="utf-8")
    assert read_table(found.folder / "places.csv").empty


def test_without_a_run_it_says_which_stages_lack(home: Path) -> None:
    study = load_study(home / "study.toml")
    with pytest.raises(StudyError, match=r"stages landscape, .* and clines: not run here yet; run morphcline run st"):
        planner.make_plan(study, out=home / "elsewhere")
    (home / "outputs/small/surfaces/cepaea-nemoralis.tif").unlink()
    with pytest.raises(StudyError, match=r"stage surfaces: its surfaces/cepaea-nemoralis\.tif is missing"):
        planner.make_plan(study)


def test_unknown_traits_are_refused(home: Path) -> None:
    with pytest.raises(StudyError, match=r"\[plan\] traits: found 'striped'; known traits: yellow"):
        plan(home, 'traits = ["striped"]\n')


@pytest.mark.parametrize("key", ["traits", "differences", "samples"])
def test_empty_lists_are_refused(home: Path, key: str) -> None:
    with pytest.raises(StudyError, match=rf"\[plan\] {key}: found \[\]; a list that isn't empty is accepted"):
        plan(home, f"{key} = []\n")


def test_habitats_that_the_raster_lacks_are_refused(home: Path) -> None:
    with pytest.raises(StudyError, match=r"\[plan\] avoid: found 'arable'; a study with \[habitat\.classes\]"):
        plan(home, 'avoid = ["arable"]\n')


def test_what_a_plan_does_not_read_may_be_out_of_date(home: Path) -> None:
    text = STUDY.replace("permutations = 99", "permutations = 199")
    (home / "study.toml").write_text(text, encoding="utf-8")
    assert planner.make_plan(load_study(home / "study.toml")).warnings == ()


def test_the_plan_makes_no_stage_due(home: Path) -> None:
    plan(home)
    assert not [due for due in runner.plan(load_study(home / "study.toml"), home / "outputs/small",
                                           runner.select(last="clines")) if due.reason]  # fmt: skip


def test_the_page_speaks_the_studys_language_and_the_tables_stay_as_they_are(home: Path) -> None:
    found = plan(home, "apart_m = 2500\n")
    tables = {name: (found.folder / name).read_bytes() for name in ("places.csv", "sample_sizes.csv", "README.md")}
    text = STUDY.replace('formats = ["png"]', 'formats = ["png"]\nlanguage = "fr"') + "apart_m = 2500\n"
    (home / "study.toml").write_text(text, encoding="utf-8")
    found = planner.make_plan(load_study(home / "study.toml"))
    assert {name: (found.folder / name).read_bytes() for name in tables} == tables
    page = (found.folder / "plan.html").read_text(encoding="utf-8").replace("\u202f", " ").replace("\u00a0", " ")
    assert '<html lang="fr">' in page
    assert "<h2>Lieux pour de nouveaux échantillons</h2>" in page
    assert "2 échantillons de 30 coquilles aux lieux ci-dessous devraient ramener l’erreur type" in page
    assert "avec une probabilité de 80 % au niveau de 5 %" in page
    alternative = re.search(r'alt="([^"]*)"', page)
    assert alternative is not None
    texts = [alternative[1], re.sub(r"<style>.*?</style>|<[^>]*>", " ", page, flags=re.DOTALL)]
    english = r"\b(?:the|of|and|is|are|with|to|by|for|not|from|than|which|yellow|unbanded|shells?)\b"
    assert not [found for text in texts for found in re.findall(english, text)]


def test_what_hinders_a_plan_is_told_to_readers_in_their_language(home: Path) -> None:
    text = STUDY.replace('formats = ["png"]', 'formats = ["png"]\nlanguage = "fr"')
    text = text.replace("bandwidth = 2000.0", "bandwidth = 2500.0") + "apart_m = 200000\n"
    (home / "study.toml").write_text(text, encoding="utf-8")
    found = planner.make_plan(load_study(home / "study.toml"))
    assert "out of date ([surfaces] bandwidth" in found.warnings[0]
    assert found.warnings[1].startswith("Only 0 of 5 places were found")
    page = (found.folder / "plan.html").read_text(encoding="utf-8").replace("\u202f", " ").replace("\u00a0", " ")
    assert "Il ne reste aucun lieu à choisir ; l’erreur type des surfaces est actuellement de" in page
    assert "Nombre de lieux trouvés : 0 sur 5." in page
    assert "Ce plan repose sur d’anciens résultats" in page
    assert "out of date" not in page
