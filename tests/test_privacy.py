"""No public byte holds an exact place, a name, a note or an address, whatever the study and whoever looks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from morphcline import runner
from morphcline.files.tables import read_table
from morphcline.runner import load_stage
from morphcline.study import load_study
from public_bytes import leaks, public_files

HEADER = "site,date,longitude,latitude,species,colour,banding,count,age,habitat,recorder,note\n"
STUDY = """
[study]
name = "quiet"
title = "Quiet valley"
crs = "EPSG:2154"
[records]
path = "records.csv"
[surfaces]
cell_m = 1000
min_effective_shells = 5
[autocorrelation]
permutations = 99
distance_classes = 4
[publish]
formats = ["svg", "pdf", "png"]
"""
RECORDERS = ("Wilhelmina Quickthorn", "Barnaby Oxlip <barnaby.oxlip@example.org>", "Zenobia Fennwick")
NOTES = ("behind Mrs Tansy's greenhouse", "ring 01632 960001 first", "write to owner@orchard.example")


def rows(sites: int = 40) -> str:
    """Return records of a cline, with every kind of thing that must not get out; some sites have no name."""
    rng = np.random.default_rng(11)
    lines = []
    for site in range(sites):
        longitude, latitude = 2.3 + rng.uniform(0, 0.25), 46.9 + rng.uniform(0, 0.15)
        name = ("", f"S{site:02}", f"S{site:02}", "hens@farm.example", f"{latitude:.6f}, {longitude:.6f}")[site % 5]
        name = f"{site} {name}" if "@" in name else name
        for colour, share in (("yellow", (longitude - 2.3) / 0.25), ("pink", 1 - (longitude - 2.3) / 0.25)):
            for banding, part in (("00000", 0.5), ("00300", 0.2), ("12345", 0.3)):
                count = rng.poisson(40 * share * part)
                lines.append(
                    f'"{name}",2024-06-{site % 28 + 1:02},{longitude:.7f},{latitude:.7f},Cepaea nemoralis,{colour},'
                    f'{banding},{count},adult,"hedge by {RECORDERS[site % 3].split()[0]}\'s",'
                    f'"{RECORDERS[site % 3]}","{NOTES[site % 3]}"\n'
                )
    # A row that is rejected for its place, and one that can't be read where a name slipped into another column.
    lines.append('"",2024-06-01,46.9712345,2.3512345,Cepaea nemoralis,pink,00000,4,adult,,Zenobia Fennwick,\n')
    lines.append('"",2024-06-01,2.4012345,46.9512345,Cepaea nemoralis,pink,00000,Zenobia Fennwick,adult,,,\n')
    return HEADER + "".join(lines)


def make(folder: Path, publish: str = "", text: str | None = None) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "records.csv").write_text(rows() if text is None else text, encoding="utf-8")
    (folder / "study.toml").write_text(STUDY + publish, encoding="utf-8")
    return folder / "study.toml"


def secrets(folder: Path) -> tuple[list[tuple[float, float]], list[str]]:
    """Return what the input holds of places, in degrees and in the study's CRS, and of people."""
    records = pd.read_csv(folder / "records.csv")
    places = [tuple(place) for place in records[["longitude", "latitude"]].drop_duplicates().to_numpy().tolist()]
    located = read_table(folder / "outputs/quiet/private/tables/sites.csv")
    places += [tuple(place) for place in located[["x_m", "y_m"]].to_numpy().tolist()]
    people = [word for name in RECORDERS for word in name.split("<")[0].split()]
    return places, [*people, *NOTES, "greenhouse", "hens@farm"]


@pytest.fixture(scope="module")
def quiet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("quiet")
    runner.run(make(folder))
    return folder


def test_the_search_finds_what_is_hidden_in_each_kind_of_file(quiet: Path):
    # The search itself must be able to fail: in the private folder it finds everything.
    places, texts = secrets(quiet)
    private = quiet / "outputs/quiet/private"
    told = "\n".join(leaks(private, places, texts))
    for words in ("the coordinate", "as a binary number", "Quickthorn", "barnaby.oxlip@example.org", "greenhouse"):
        assert words in told
    assert "sites.gpkg: the coordinate" in told


def test_no_public_byte_holds_a_place_a_name_or_an_address(quiet: Path):
    places, texts = secrets(quiet)
    folder = quiet / "outputs/quiet"
    kinds = {path.suffix for path in public_files(folder)}
    assert {".csv", ".html", ".json", ".svg", ".pdf", ".png", ".tif", ".gpkg", ".md", ".txt"} <= kinds
    # Forty sites are enough for a whole number of metres to be some circle's centre by chance.
    assert leaks(folder, places, texts, many=True) == []


def test_every_row_is_in_the_public_records_too(quiet: Path):
    for name in ("accepted", "flagged", "rejected"):
        public = read_table(quiet / f"outputs/quiet/records/{name}.csv")
        private = read_table(quiet / f"outputs/quiet/private/records/{name}.csv")
        assert public[["source", "row"]].equals(private[["source", "row"]])
    accepted = read_table(quiet / "outputs/quiet/records/accepted.csv")
    exact = read_table(quiet / "outputs/quiet/private/records/accepted.csv")
    assert accepted["count"].equals(exact["count"])
    away = np.hypot(*(accepted[["x_m", "y_m"]].to_numpy() - exact[["x_m", "y_m"]].to_numpy()).T)
    assert (away <= accepted["position_uncertainty_m"]).all()
    assert away.max() > 100


def test_what_is_for_the_public_is_made_from_what_is_public(quiet: Path):
    study = load_study(quiet / "study.toml")
    for name in ("maps", "report"):
        stage = load_stage(name)
        assert not [read for read in stage.inputs(study) if read.startswith("private/")]
        assert not [made for made in stage.writes(study) if made.startswith("private/")]


def test_a_withheld_place_stands_nowhere_and_its_shells_count(tmp_path: Path):
    path = make(tmp_path, '[[publish.sensitive]]\nsites = ["S01", "S06"]\nwithhold = true\n')
    folder = runner.run(path, stages=runner.select(last="frequencies")).folder
    sites = read_table(folder / "tables/sites.csv").set_index("site")
    assert sites.index[sites["x_m"].isna()].tolist() == ["S01", "S06"]
    records = read_table(folder / "records/accepted.csv")
    assert (
        records.loc[records["site"].isin(["S01", "S06"]), ["x_m", "longitude", "position_uncertainty_m"]]
        .isna()
        .all(axis=None)
    )
    assert {"S01", "S06"} <= set(read_table(folder / "tables/frequencies.csv")["site"])


def test_pseudonyms_are_stable_and_need_a_secret(tmp_path: Path):
    (tmp_path / "secret.txt").write_text("too short", encoding="utf-8")
    path = make(tmp_path, 'names = "pseudonyms"\npseudonym_key = "secret.txt"\n')
    with pytest.raises(runner.StudyError, match=r"secret\.txt.*9 characters; 12 or more"):
        runner.run(path, stages=runner.select(last="landscape"))
    (tmp_path / "secret.txt").write_text("long enough to be one\n", encoding="utf-8")
    folder = runner.run(path, stages=runner.select(last="landscape")).folder
    codes = set(read_table(folder / "records/accepted.csv")["recorder"])
    assert len(codes) == len(RECORDERS)
    assert all(len(code) == 10 and code.startswith("R-") for code in codes)
    lines = rows().splitlines(keepends=True)
    (tmp_path / "records.csv").write_text("".join([lines[0], *reversed(lines[1:])]), encoding="utf-8")
    runner.run(path, stages=runner.select(last="landscape"))
    assert set(read_table(folder / "records/accepted.csv")["recorder"]) == codes
    assert "long enough" not in (folder / "run.json").read_text(encoding="utf-8")


def test_where_names_and_places_may_be_shown_they_are(tmp_path: Path):
    folder = runner.run(make(tmp_path, "names = true\nblur_m = 0\n"), stages=runner.select(last="landscape")).folder
    accepted = read_table(folder / "records/accepted.csv")
    exact = read_table(folder / "private/records/accepted.csv")
    assert accepted["longitude"].equals(exact["longitude"])
    # An address is nobody's name, and a note was written to the survey, not to the public.
    assert set(accepted["recorder"]) == {"Wilhelmina Quickthorn", "Barnaby Oxlip", "Zenobia Fennwick"}
    assert (accepted["note"] == "").all()
