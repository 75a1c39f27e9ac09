"""The whole chain on small studies, and every sentence that a user's mistake can earn, through the command itself."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rasterio
from rasterio.transform import from_origin

from morphcline import runner
from morphcline.files.tables import read_table

HEADER = "site,date,easting,northing,species,colour,banding,count,age,recorder\n"
STUDY = """
[study]
name = "small"
crs = "EPSG:2154"
[records]
path = "records.csv"
[records.position]
written_as = "easting-northing"
crs = "EPSG:2154"
[surfaces]
cell_m = 1000
min_effective_shells = 5
[autocorrelation]
permutations = 99
distance_classes = 4
[publish]
formats = ["png"]
"""


def rows(sites: int, seed: int = 3) -> str:
    """Return records of sites on a slope of yellow, with both kinds of banding."""
    rng = np.random.default_rng(seed)
    lines = []
    for site in range(sites):
        easting, northing = 650_000 + rng.uniform(0, 20_000), 6_650_000 + rng.uniform(0, 15_000)
        yellow = (easting - 650_000) / 20_000
        for colour, share in (("yellow", yellow), ("pink", 1 - yellow)):
            for banding, part in (("00000", 0.5), ("00300", 0.2), ("12345", 0.3)):
                count = rng.poisson(40 * share * part)
                lines.append(
                    f"S{site:02},2024-06-{site % 28 + 1:02},{easting:.0f},{northing:.0f},Cepaea nemoralis,{colour},"
                    f"{banding},{count},adult,Recorder {site % 3}\n"
                )
    return HEADER + "".join(lines)


def a_study(folder: Path, records: str, study: str = STUDY) -> Path:
    (folder / "records.csv").write_text(records, encoding="utf-8")
    path = folder / "study.toml"
    path.write_text(study, encoding="utf-8")
    return path


def morphcline(*words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "morphcline", *map(str, words)], capture_output=True, text=True, check=False, timeout=300
    )


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> runner.RunResult:
    return runner.run(a_study(tmp_path_factory.mktemp("small"), rows(24)))


def test_a_small_study_without_rasters_runs_to_its_report(small: runner.RunResult) -> None:
    assert small.ran == runner.STAGES
    assert (small.folder / "map.html").stat().st_size > 100_000
    report = (small.folder / "report.html").read_text(encoding="utf-8")
    assert "24 sites, 2024" in report
    assert "Neither habitat nor temperature is known" in report
    assert not re.search(r"\b(nan|None|NaN)\b", re.sub(r"base64,[^\"]*", "", report))
    assert read_table(small.folder / "tables" / "environment.csv").empty
    assert read_table(small.folder / "tables" / "change.csv").empty


def test_what_is_left_out_is_said(small: runner.RunResult) -> None:
    told = " ".join(str(sentence) for sentence in small.accounts["landscape"]["left_out"])
    assert "habitat" in told
    assert "temperature" in told


def test_figures_and_page_hold_no_exact_place_and_no_name(small: runner.RunResult) -> None:
    sites = read_table(small.folder / "private" / "tables" / "sites.csv")
    public = [small.folder / "map.html", small.folder / "report.html"]
    public += [path for path in (small.folder / "figures").iterdir() if path.suffix in {".csv", ".txt", ".md"}]
    assert len(public) > 10
    text = "\n".join(path.read_text(encoding="utf-8") for path in public)
    assert "Recorder 1" not in text
    for easting, northing, lon, lat in sites[["x_m", "y_m", "lon", "lat"]].itertuples(index=False):
        assert f"{easting:.0f}" not in text
        assert f"{northing:.0f}" not in text
        assert f"{lat:.5f}" not in text
        assert f"{lon:.5f}" not in text


def test_every_figure_has_data_caption_and_alternative_text(small: runner.RunResult) -> None:
    names = small.accounts["maps"]["figures"]
    drawn = {"sites_cepaea-nemoralis", "surface_cepaea-nemoralis", "correlogram_cepaea-nemoralis", "bandwidth"}
    assert drawn <= set(names)
    for name in names:
        assert (small.folder / "figures" / f"{name}.png").stat().st_size > 10_000
        caption, _, alt = (small.folder / "figures" / f"{name}.txt").read_text(encoding="utf-8").partition("\n\n")
        assert "sites" in caption
        assert len(alt) > 60
        assert not pd.read_csv(small.folder / "figures" / f"{name}.csv").empty


@pytest.mark.parametrize(
    "records",
    [
        pytest.param(rows(1), id="one site"),
        pytest.param(rows(2), id="two sites"),
        pytest.param(rows(12).replace("pink", "yellow"), id="a trait everywhere the same"),
        pytest.param(rows(12).replace("12345", "00000").replace("00300", "00000"), id="no banded shell"),
        pytest.param(HEADER + "S1,2024-05-01,651000,6651000,,,,3,juvenile,R\n", id="juveniles alone"),
    ],
)
def test_a_study_with_too_little_ends_in_results_or_one_sentence(tmp_path: Path, records: str) -> None:
    done = morphcline("run", a_study(tmp_path, records))
    assert "Traceback" not in done.stderr
    assert done.returncode in {0, 1}
    if done.returncode == 0:
        assert (tmp_path / "outputs" / "small" / "report.html").is_file()
    else:
        assert sum(line.startswith("error:") for line in done.stderr.splitlines()) == 1


def a_raster(path: Path, crs: str | None, *, west: float = 640_000, value: int = 1) -> None:
    with rasterio.open(
        path, "w", driver="GTiff", width=50, height=50, count=1, dtype="uint8", crs=crs,
        transform=from_origin(west, 6_680_000, 1000, 1000),
    ) as raster:  # fmt: skip
        raster.write(np.full((1, 50, 50), value, dtype="uint8"))


def with_habitat(folder: Path) -> str:
    a_raster(folder / "habitat.tif", None)
    return STUDY + '[habitat]\npath = "habitat.tif"\n[habitat.classes]\n1 = "woodland"\n'


def with_a_far_raster(folder: Path) -> str:
    a_raster(folder / "habitat.tif", "EPSG:2154", west=100_000)
    return STUDY + '[habitat]\npath = "habitat.tif"\n[habitat.classes]\n1 = "woodland"\n'


def in_wrong_units(folder: Path) -> str:
    a_raster(folder / "temperature.tif", "EPSG:2154", value=200)
    return STUDY + '[temperature]\npath = "temperature.tif"\n'


MISTAKES = [
    pytest.param(
        lambda folder: (rows(12), STUDY.replace("cell_m", "cel_m")),
        ["[surfaces] cel_m", "did you mean 'cell_m'"],
        id="a wrong key",
    ),
    pytest.param(
        lambda folder: (rows(12), STUDY + '[scoring]\ntraits = ["yelow"]\n'),
        ["study.toml, [scoring] traits", "did you mean 'yellow'"],
        id="an unknown trait",
    ),
    pytest.param(
        lambda folder: (rows(12), STUDY + '[scoring]\nspecies = ["Cepaea nemorallis"]\n'),
        ["study.toml, [scoring] species", "Cepaea nemoralis"],
        id="a misspelt species",
    ),
    pytest.param(
        lambda folder: (rows(12), STUDY + '[clines]\ntraits = ["purple"]\n'),
        ["study.toml, [clines] traits", "purple"],
        id="an unknown trait of clines",
    ),
    pytest.param(
        lambda folder: (rows(12), STUDY.replace('"records.csv"', '"absent.csv"')),
        ["absent.csv", "there is no such file"],
        id="an absent file",
    ),
    pytest.param(lambda folder: (rows(12), with_habitat(folder)), ["habitat.tif", "CRS"], id="a raster without a CRS"),
    pytest.param(
        lambda folder: (
            (folder / "book.xlsx").write_bytes(b"PK\x03\x04 no workbook") and rows(12),
            STUDY.replace("records.csv", "book.xlsx"),
        ),
        ["book.xlsx"],
        id="an unreadable workbook",
    ),
    pytest.param(lambda folder: ("", STUDY), ["records.csv", "empty"], id="an empty sheet"),
    pytest.param(lambda folder: (HEADER, STUDY), ["records.csv"], id="a header alone"),
    pytest.param(
        lambda folder: (rows(12).replace("count", "number", 1), STUDY), ["records.csv", "count"], id="an absent column"
    ),
    pytest.param(
        lambda folder: (rows(12), STUDY.replace('crs = "EPSG:2154"', 'crs = "EPSG:4326"', 1)),
        ["[study] crs", "EPSG:"],
        id="a working CRS in degrees",
    ),
    pytest.param(
        lambda folder: (rows(12), STUDY.replace('crs = "EPSG:2154"', 'crs = "EPSG:3857"', 1)),
        ["[study] crs", "distances", "EPSG:2154"],
        id="a working CRS that distorts",
    ),
]


@pytest.mark.parametrize("command", ["run", "check"])
@pytest.mark.parametrize(("mistake", "words"), MISTAKES)
def test_a_mistake_is_one_clear_sentence(tmp_path: Path, mistake: object, words: list[str], command: str) -> None:
    records, study = mistake(tmp_path)  # type: ignore[operator]
    done = morphcline(command, a_study(tmp_path, records, study))
    told = [line for line in done.stderr.splitlines() if line.startswith("error:")]
    assert done.returncode == 1, done.stdout + done.stderr
    assert "Traceback" not in done.stderr
    assert len(told) == 1, told
    for word in words:
        assert word in told[0]
    assert not (tmp_path / "outputs").exists() or not list((tmp_path / "outputs").rglob("report.html"))


def test_check_prints_every_row_that_needs_a_look_and_writes_nothing(tmp_path: Path) -> None:
    records = rows(12) + "S99,2024-05-01,651000,6651000,Cepaea nemoralis,yellow,1234,3,adult,R\n"
    records += "S98,2024-05-01,651000,6651000,Cepea nemoralis,yellow,00000,-3,adult,R\n"
    done = morphcline("check", a_study(tmp_path, records))
    assert done.returncode == 0
    assert "row 74: rejected (banding-unreadable)" in done.stdout
    assert "row 75: rejected" in done.stdout
    assert "74 rows = 72 accepted + 2 rejected" in done.stdout
    assert "Nothing stops a run." in done.stdout
    assert sorted(path.name for path in tmp_path.iterdir()) == ["records.csv", "study.toml"]


def test_results_as_json(tmp_path: Path) -> None:
    done = morphcline("check", a_study(tmp_path, rows(12)), "--json")
    assert json.loads(done.stdout)["problems"] == []
