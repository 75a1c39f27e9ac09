"""What an attacker finds who holds all that is public of a whole study, and the rasters it rests on."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rasterio
from scipy.ndimage import convolve

from morphcline import exporter, noting, planner, runner
from morphcline.files.tables import read_table
from morphcline.study import load_study
from public_bytes import leaks, public_files
from quiet_study import CONTACT, NORTH, WEST, land, make, secrets

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def chain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a study that went through everything: run, notes, plan and export."""
    folder = tmp_path_factory.mktemp("chain")
    path = make(folder)
    runner.run(path)
    study = load_study(path)
    noting.make_notes(study)
    planner.make_plan(study)
    exporter.export(study, folder / "handed")
    return folder


def test_the_search_finds_what_is_hidden(chain: Path):
    # The search itself must be able to fail: what is private is found, in the notes too.
    places, texts = secrets(chain)
    told = "\n".join(leaks(chain / "outputs/quiet/private", places, texts, many=True))
    for words in ("the coordinate", "the place", "Quickthorn", "greenhouse", "960001", "notes/"):
        assert words in told


def test_nothing_public_holds_a_place_a_name_a_note_or_an_address(chain: Path):
    places, texts = secrets(chain)
    for home in (chain / "outputs/quiet", chain / "handed"):
        assert len(public_files(home)) > 10
        assert leaks(home, places, texts, allowed=[CONTACT], many=True) == []
    kinds = {path.suffix for path in public_files(chain / "outputs/quiet")}
    assert {".csv", ".html", ".json", ".svg", ".pdf", ".png", ".tif", ".gpkg", ".md", ".txt", ".sld"} <= kinds
    names = {path.relative_to(chain / "outputs/quiet").parts[0] for path in public_files(chain / "outputs/quiet")}
    assert {"plan", "reports", "stac", "surfaces", "tables", "records"} <= names


def cells_of(square: np.ndarray, side: float) -> tuple[slice, slice]:
    """Return the rows and columns of the rasters' cells that lie in a square, given by its centre."""
    column, row = (square[0] - side / 2 - WEST) / 25, (NORTH - square[1] - side / 2) / 25
    across = int(side / 25)
    return slice(max(int(row), 0), int(row) + across), slice(max(int(column), 0), int(column) + across)


def shown_sites(folder: Path) -> pd.DataFrame:
    tables = [read_table(folder / f"outputs/quiet/tables/{name}.csv") for name in ("sites", "earlier_sites")]
    table = pd.concat(tables, ignore_index=True).fillna({"habitat": "", "habitat_noted": "", "district": ""})
    return table[table["x_m"].notna()]


def test_habitat_and_temperature_leave_no_less_than_a_part_of_the_square(chain: Path):
    codes, _ = land()
    disc = np.array([[0, 1, 0], [1, 1, 1], [0, 1, 0]], dtype=float)  # the cells of a circle of 25 m
    share = np.stack([convolve((codes == code).astype(float), disc) for code in (1, 2, 3)])
    nearby = share.argmax(axis=0)
    names = np.array(["woodland", "short grass", "garden and urban"])[nearby]
    exact = read_table(chain / "outputs/quiet/private/tables/sites.csv")
    assert (exact["habitat"] == "garden and urban").sum() >= 10  # there was something to find
    sites = shown_sites(chain)
    left = []
    for site in sites.itertuples():
        here = names[cells_of(np.array([site.x_m, site.y_m]), site.blur_m)]
        # A recorder may note what the raster has no class for.
        told = [value for value in (site.habitat, site.habitat_noted) if value in names]
        left.append(min([(here == value).mean() for value in told], default=1.0))
    assert min(left) > 0.05
    assert (sites["habitat"] != "").sum() > 20
    # A temperature is its square's: sites that share a square have the same, wherever in it they lie.
    of_square = sites.groupby(["x_m", "y_m", "blur_m"])["temperature_c"].nunique()
    assert of_square.max() == 1
    with rasterio.open(chain / "temperature.tif") as raster:
        band = raster.read(1)
    one = sites.iloc[0]
    assert one["temperature_c"] == pytest.approx(
        band[cells_of(one[["x_m", "y_m"]].to_numpy(float), one["blur_m"])].mean(), abs=0.06
    )
    assert not [name for name in sites.columns if name.startswith("share_")]
    assert sites["habitat_share"].isna().all()


def test_no_table_tells_a_distance_or_a_mean_that_finds_a_place(chain: Path):
    tables = chain / "outputs/quiet/tables"
    for name in ("clines", "concordance"):
        table = read_table(tables / f"{name}.csv")
        assert (table[["origin_x_m", "origin_y_m"]].dropna() % 5000 == 0).all(axis=None)
    change = read_table(tables / "change.csv").fillna({"site": ""})
    assert (change["site"] != "").sum() > 10
    assert change.loc[change["site"] != "", "distance_m"].isna().all()
    assert (change["distance_m"].dropna() % 25 == 0).all()
    assert (read_table(tables / "change_unmatched.csv")["nearest_m"].dropna() % 5000 == 0).all()
    transects = read_table(tables / "transects.csv")
    assert (
        np.minimum(transects["farthest_m"] % 5000, (transects["farthest_m"] - transects["within_m"]).abs()) == 0
    ).all()


def test_an_earlier_site_and_its_pair_are_shown_in_one_square(chain: Path):
    # Within 100 m of each other in two squares, both would lie along the edge between them.
    sites = shown_sites(chain)
    change = read_table(chain / "outputs/quiet/tables/change.csv").fillna({"site": ""})
    pairs = change.loc[change["site"] != "", ["site", "earlier_site"]].drop_duplicates()
    now = sites[sites["survey"].isna()].set_index("site")
    then = sites[sites["survey"] == "1984"].set_index("site")
    told = pairs[pairs["site"].isin(now.index) & pairs["earlier_site"].isin(then.index)]
    place = ["x_m", "y_m", "blur_m"]
    assert len(told) > 10
    assert (now.loc[told["site"], place].to_numpy() == then.loc[told["earlier_site"], place].to_numpy()).all()
    exact = {
        name: read_table(chain / f"outputs/quiet/private/tables/{name}.csv").set_index("site")
        for name in ("sites", "earlier_sites")
    }
    away = np.hypot(*(exact["earlier_sites"].loc[then.index, ["x_m", "y_m"]] - then[["x_m", "y_m"]]).to_numpy().T)
    assert (away <= then["position_uncertainty_m"]).all()


def test_no_public_file_tells_where_the_study_lies_on_the_machine(chain: Path):
    for home in (chain / "outputs/quiet", chain / "handed"):
        assert [path for path in public_files(home) if str(chain).encode() in path.read_bytes()] == []
