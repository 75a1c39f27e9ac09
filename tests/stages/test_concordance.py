"""Compared clines, centre lines and transects on small made surveys: what is written, said and refused."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from scipy.special import expit
from shapely.geometry import LineString, MultiLineString, Point

from made_studies import HORTENSIS, NEMORALIS, TWO_SPECIES, run_on_tables
from morphcline import checking
from morphcline.errors import SourceError, StudyError
from morphcline.files.named_lines import read_named_lines
from morphcline.files.tables import read_table
from morphcline.stages.base import Account
from morphcline.stages.clines import STAGE
from morphcline.study import load_study

STUDY = f"""{TWO_SPECIES}[clines]
traits = ["yellow", "unbanded", "mid-banded"]
"""
MIDDLE = np.array([810_000.0, 6_510_000.0])
#: The valley's own direction, north-east.
ALONG = np.array([1.0, 1.0]) / np.sqrt(2)


def made_tables(*, bend_m: float = 0.0) -> dict[str, pd.DataFrame]:
    """Yellow rises north-eastwards and unbanded falls with it, 6 km apart in hortensis; mid-banded is flat."""
    rng = np.random.default_rng(23)
    places = MIDDLE + rng.uniform(-12_000, 12_000, (150, 2))
    names = [f"site {number:03}" for number in range(150)]
    s = (places - MIDDLE) @ ALONG
    t = (places - MIDDLE) @ [ALONG[1], -ALONG[0]]
    s = s - bend_m * ((t / 12_000) ** 2 - 0.5)
    frames = []
    for species, shift, here in ((NEMORALIS, 0.0, slice(0, 130)), (HORTENSIS, 6000.0, slice(20, 150))):
        rise = expit(4 * (s - 500 - shift) / 8000)
        total = rng.integers(20, 60, 150)
        for trait, p in (("yellow", 0.1 + 0.75 * rise), ("unbanded", 0.85 - 0.7 * rise), ("mid-banded", 0.3 + 0 * s)):
            own = rng.beta(p * 24, (1 - p) * 24)
            frame = pd.DataFrame(
                {"site": names, "species": species, "trait": trait, "count": rng.binomial(total, own), "total": total}
            )
            frames.append(frame[here])
    frequencies = pd.concat(frames, ignore_index=True)
    regional = frequencies[["species", "trait"]].drop_duplicates().assign(frequency=0.4, rho=0.04)
    sites = pd.DataFrame(
        {"site": names, "x_m": places[:, 0], "y_m": places[:, 1], "habitat": "", "temperature_c": np.nan}
    )
    return {
        "sites": sites, "frequencies": frequencies, "regional": regional,
        "earlier_sites": sites.iloc[:0].assign(survey=""),
        "earlier_frequencies": frequencies.iloc[:0].assign(survey=""),
    }  # fmt: skip


def run(folder: Path, tables: dict[str, pd.DataFrame], more: str = "", processes: int = 1) -> Account:
    return run_on_tables(STAGE, folder, tables, STUDY + more, processes=processes)


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("concordance")
    run(folder, made_tables())
    return folder


def table(folder: Path, name: str) -> pd.DataFrame:
    return read_table(folder / f"tables/{name}.csv")


def the_pair(frame: pd.DataFrame, first: tuple[str, str], second: tuple[str, str]) -> pd.DataFrame:
    here = (frame["species"] == first[0]) & (frame["trait"] == first[1])
    here &= (frame["second_species"] == second[0]) & (frame["second_trait"] == second[1])
    return frame[here].set_index("parameter")


def test_each_pair_has_a_row_a_parameter_with_numbers_or_a_reason(finished: Path) -> None:
    rows = table(finished, "concordance")
    pairs = rows.groupby(["species", "trait", "second_species", "second_trait"], sort=False)
    assert [key for key, _ in pairs] == [
        (NEMORALIS, "yellow", NEMORALIS, "unbanded"),
        (NEMORALIS, "yellow", NEMORALIS, "mid-banded"),
        (NEMORALIS, "unbanded", NEMORALIS, "mid-banded"),
        (HORTENSIS, "yellow", HORTENSIS, "unbanded"),
        (HORTENSIS, "yellow", HORTENSIS, "mid-banded"),
        (HORTENSIS, "unbanded", HORTENSIS, "mid-banded"),
        (NEMORALIS, "yellow", HORTENSIS, "yellow"),
        (NEMORALIS, "unbanded", HORTENSIS, "unbanded"),
        (NEMORALIS, "mid-banded", HORTENSIS, "mid-banded"),
    ]
    for _, group in pairs:
        assert list(group["parameter"]) == ["centre", "width", "bearing", "all"]
    told = rows["not_compared_because"] == ""
    assert rows.loc[told, ["lr", "p_chi2", "p_bootstrap", "aicc_own", "aicc_shared"]].notna().all(axis=None)
    assert rows.loc[~told, "lr"].isna().all()
    flat = rows["trait"].eq("mid-banded") | rows["second_trait"].eq("mid-banded")
    assert (told == ~flat).all()
    assert rows.loc[flat, "not_compared_because"].str.contains("mid-banded of .*: no cline is needed").all()


def test_clines_that_coincide_are_not_seen_to_differ_and_others_are(finished: Path) -> None:
    rows = table(finished, "concordance")
    one = the_pair(rows, (NEMORALIS, "yellow"), (NEMORALIS, "unbanded"))
    assert one["reversed"].all()
    assert one.loc["all", "p_bootstrap"] > 0.05
    assert one.loc["centre", "low"] < 0 < one.loc["centre", "high"]
    assert one.loc["width", "low"] < 1 < one.loc["width", "high"]
    assert (one["sites"] == 130).all()
    assert (one["sites_both"] == 130).all()
    other = the_pair(rows, (NEMORALIS, "yellow"), (HORTENSIS, "yellow"))
    assert not other["reversed"].any()
    assert other.loc["all", "p_bootstrap"] < 0.01
    assert other.loc["centre", "low"] < 6000 < other.loc["centre", "high"]
    assert other.loc["centre", "low"] > 0
    assert (other["sites"] == 150).all()
    assert (other["sites_both"] == 110).all()
    # The origin is the mean of all places at which either is judged, here all of them, to whole squares of 1 km.
    sites = read_table(finished / "private/tables/sites.csv")
    assert other["origin_x_m"].iloc[0] == np.round(sites["x_m"].mean(), -3)
    assert other["origin_y_m"].iloc[0] == np.round(sites["y_m"].mean(), -3)


def test_centre_lines_and_bands_are_layers_in_the_studys_crs(finished: Path) -> None:
    lines = gpd.read_file(finished / "clines.gpkg", layer="centre_lines")
    bands = gpd.read_file(finished / "clines.gpkg", layer="centre_bands")
    assert lines.crs.to_epsg() == 2154
    key = ["species", "trait", "model", "line", "level", "p_curved", "sites"]
    assert lines[key].equals(bands[key])
    assert len(lines) == 4
    assert (lines["level"] == 0.95).all()
    curved = table(finished, "curved")
    drawn = curved[curved["drawn"] != ""]
    assert list(drawn["drawn"]) == list(lines["line"])
    for line, band in zip(lines.geometry, bands.geometry, strict=True):
        assert line.length > 15_000
        assert band.buffer(1).covers(line)
    yellow = lines[(lines["species"] == NEMORALIS) & (lines["trait"] == "yellow")].geometry.iloc[0]
    planted = LineString([MIDDLE + 500 * ALONG + w * np.array([ALONG[1], -ALONG[0]]) for w in (-10_000, 10_000)])
    assert yellow.distance(Point(planted.centroid)) < 1200
    mid = curved[curved["trait"] == "mid-banded"]
    assert mid["not_fitted_because"].str.contains("no cline is needed").all()
    assert (mid["drawn"] == "").all()


def test_a_bent_centre_is_seen(tmp_path: Path) -> None:
    run(tmp_path, made_tables(bend_m=6000.0))
    curved = table(tmp_path, "curved").set_index(["species", "trait"])
    yellow = curved.loc[(NEMORALIS, "yellow")]
    assert yellow["p_curved"] < 0.01
    assert yellow["drawn"] == "curved"
    assert yellow["bend_m"] > 2000
    assert yellow["aicc_curved"] < yellow["aicc_straight"]


def test_a_given_bearing_is_neither_compared_nor_bent(tmp_path: Path) -> None:
    run(tmp_path, made_tables(), "axis = 45.0\n")
    rows = the_pair(table(tmp_path, "concordance"), (NEMORALIS, "yellow"), (NEMORALIS, "unbanded"))
    assert rows.loc["bearing", "not_compared_because"] == "the bearing was given"
    assert np.isnan(rows.loc["bearing", "lr"])
    assert rows.loc["all", "df"] == 2
    assert rows["reversed"].all()
    curved = table(tmp_path, "curved")
    told = curved.loc[curved["trait"] != "mid-banded", "not_fitted_because"]
    assert set(told) == {"its axis was given, or its sites lie along a line"}
    for layer in ("centre_lines", "centre_bands"):
        assert gpd.read_file(tmp_path / "clines.gpkg", layer=layer).empty


def test_along_a_line_centres_count_from_its_start(tmp_path: Path) -> None:
    tmp_path.mkdir(exist_ok=True)
    ends = [MIDDLE - 15_000 * ALONG, MIDDLE + 15_000 * ALONG]
    differences = []
    for name, corners in (("up", ends), ("down", ends[::-1])):
        folder = tmp_path / name
        folder.mkdir()
        gpd.GeoDataFrame(geometry=[LineString(corners)], crs="EPSG:2154").to_file(folder / "axis.gpkg")
        run(folder, made_tables(), 'axis = "axis.gpkg"\n')
        rows = the_pair(table(folder, "concordance"), (NEMORALIS, "yellow"), (HORTENSIS, "yellow"))
        assert rows["origin_x_m"].isna().all()
        differences.append(rows.loc["centre", "difference"])
    assert differences[0] == pytest.approx(6000, abs=2500)
    # Drawn the other way, yellow falls along the line; both centres still count to where it rises.
    assert differences[1] == pytest.approx(differences[0], abs=50)


def test_the_same_bytes_with_any_number_of_workers(finished: Path, tmp_path: Path) -> None:
    run(tmp_path, made_tables(), processes=2)
    for name in ("tables/concordance.csv", "tables/curved.csv", "clines.gpkg"):
        assert (tmp_path / name).read_bytes() == (finished / name).read_bytes()


def test_only_the_traits_asked_for_are_compared(tmp_path: Path) -> None:
    run(tmp_path, made_tables(), 'compared = ["unbanded"]\n')
    rows = table(tmp_path, "concordance")
    assert set(zip(rows["species"], rows["trait"], rows["second_species"], strict=True)) == {
        (NEMORALIS, "unbanded", HORTENSIS)
    }
    with pytest.raises(
        StudyError, match=r"\[clines\] compared: found 'brown', to which no cline is fitted; one of: ye"
    ):
        run(tmp_path, made_tables(), 'compared = ["brown"]\n')


def transects(folder: Path, names: list[object], lines: list[object], column: str = "name") -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "transects.gpkg"
    gpd.GeoDataFrame({column: names}, geometry=lines, crs="EPSG:2154").to_file(path)
    return path


def valley_line(offset_m: float) -> LineString:
    across = offset_m * np.array([ALONG[1], -ALONG[0]])
    return LineString([MIDDLE + across + s * ALONG for s in (-17_000, 0, 17_000)])


def test_transects_are_fitted_with_the_sites_near_them(tmp_path: Path) -> None:
    far = LineString([(700_000, 6_400_000), (701_000, 6_400_000)])
    transects(tmp_path, ["Mill road", "Far off"], [valley_line(0), far])
    account = run(tmp_path, made_tables(), 'transects = "transects.gpkg"\ntransect_within_m = 4000\n')
    rows = table(tmp_path, "transects")
    assert list(rows.columns) == list(STAGE.columns["tables/transects.csv"])
    assert list(dict.fromkeys(rows["transect"])) == ["Mill road", "Far off"]
    mill = rows[(rows["transect"] == "Mill road") & (rows["species"] == NEMORALIS) & (rows["trait"] == "yellow")]
    best = mill[mill["chosen"]].iloc[0]
    sites = read_table(tmp_path / "private/tables/sites.csv").iloc[:130]
    away = np.abs((sites[["x_m", "y_m"]].to_numpy() - MIDDLE) @ [ALONG[1], -ALONG[0]])
    along = np.abs((sites[["x_m", "y_m"]].to_numpy() - MIDDLE) @ ALONG)
    assert (along < 17_000)[away < 4000].all()  # none near an end, so that the distance is that across
    assert best["sites"] == (away <= 4000).sum()
    # Told in whole squares of 1 km, so that no circle runs through the farthest place.
    assert best["farthest_m"] == 1000 * np.ceil(away[away <= 4000].max() / 1000)
    assert best["length_m"] == pytest.approx(34_000)
    assert best["direction"] == "along"
    assert best["centre_low"] < 17_500 < best["centre_high"]
    nowhere = rows[rows["transect"] == "Far off"]
    assert (nowhere["not_fitted_because"] == "no shell was judged for this trait").all()
    assert account["transects"]["Mill road"]["fitted"] == 6
    assert [told for told in account["warnings"] if told.startswith("Transect")] == [
        "Transect Far off: no cline could be fitted (0 sites at most within 4000 m); transects.csv says why, trait by "
        "trait."
    ]
    study = load_study(tmp_path / "study.toml")
    assert [path.name for path in STAGE.sources(study)] == ["transects.gpkg"]


def test_without_transects_the_table_holds_its_header(finished: Path) -> None:
    assert table(finished, "transects").empty


def test_lines_are_named_by_a_column_or_numbered(tmp_path: Path) -> None:
    path = transects(tmp_path, ["B", "A"], [valley_line(0), valley_line(3000)], column="NAME")
    assert list(read_named_lines(path, "EPSG:2154")) == ["B", "A"]
    path = transects(tmp_path / "other", [7, 12], [valley_line(0), valley_line(3000)], column="code")
    assert list(read_named_lines(path, "EPSG:2154")) == ["1", "2"]
    assert list(read_named_lines(path, "EPSG:2154", name="code")) == ["7", "12"]
    pieces = MultiLineString([[(0, 0), (5, 0)], [(5, 0), (5, 5)]])
    path = transects(tmp_path / "pieces", ["one"], [pieces])
    assert read_named_lines(path, "EPSG:2154")["one"].length == pytest.approx(10)


@pytest.mark.parametrize(
    ("names", "lines", "told"),
    [
        (["A", "A"], [valley_line(0), valley_line(9)], "column name: 'A' names 2 lines; a name for each line"),
        (["A", None], [valley_line(0), valley_line(9)], "feature 2: its 'name' is empty; a name for each line"),
        (["A"], [Point(1, 2)], r"feature 1 \(A\): it is a Point; one line without branches for each feature"),
        (["A"], [MultiLineString([[(0, 0), (5, 0)], [(9, 0), (9, 5)]])], "feature 1 .*: it has separate pieces"),
        (["A"], [LineString([(3, 3), (3, 3)])], "feature 1 .*: the line has no length; a line between two"),
    ],
)
def test_transects_that_cannot_be_used_are_refused(
    tmp_path: Path, names: list[object], lines: list[object], told: str
) -> None:
    path = transects(tmp_path, names, lines)
    with pytest.raises(SourceError, match=f"^transects.gpkg, {told}"):
        read_named_lines(path, "EPSG:2154")


def test_a_column_of_names_that_is_absent_is_refused(tmp_path: Path) -> None:
    path = transects(tmp_path, ["A"], [valley_line(0)])
    with pytest.raises(SourceError, match="column label: the file has no such column; its columns: name"):
        read_named_lines(path, "EPSG:2154", name="label")


def test_check_reads_the_transects(tmp_path: Path) -> None:
    transects(tmp_path, ["A", "A"], [valley_line(0), valley_line(9)])
    (tmp_path / "records.csv").write_text("site,date\n", encoding="utf-8")
    (tmp_path / "study.toml").write_text(STUDY + 'transects = "transects.gpkg"\n', encoding="utf-8")
    told = [str(problem) for problem in checking.check(tmp_path / "study.toml").problems]
    assert "transects.gpkg, column name: 'A' names 2 lines; a name for each line." in told
    (tmp_path / "study.toml").write_text(STUDY + 'compared = ["purple"]\n', encoding="utf-8")
    told = [str(problem) for problem in checking.check(tmp_path / "study.toml").problems]
    assert any("[clines] compared: found 'purple'; known traits: yellow" in sentence for sentence in told)
