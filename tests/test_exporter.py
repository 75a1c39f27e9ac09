"""An export read back: the same rows, the same sums, nothing private, and standards that other libraries check."""

from __future__ import annotations

import json
import shutil
import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from dwca.read import DwCAReader
from frictionless import validate
from hypothesis import given, settings
from hypothesis import strategies as st
from rocrate.rocrate import ROCrate

from morphcline import exporter, runner
from morphcline.errors import StudyError
from morphcline.files.tables import read_table
from morphcline.records.exchange import Dataset, archive_tables
from morphcline.stages.intake import assess
from morphcline.study import load_study

ROOT = Path(__file__).parents[1]
TO_FREQUENCIES = runner.select(last="frequencies")
#: What must come back; where a row stood, what was mended in it and how it was transformed are the source's own.
SAME = [
    "survey", "site", "visit", "date", "year", "species", "qualifier", "lip", "colour", "banding", "band_class",
    "count", "age", "condition", "habitat", "recorder", "counted", "not_counted_because",
]  # fmt: skip
PLACE = ["x_m", "y_m", "position_uncertainty_m"]

STUDY = """
[study]
name = "small"
title = "A small survey"
crs = "EPSG:2154"
[[records]]
path = "counts.csv"
[[records]]
path = "shells.csv"
layout = "shells"
[[records.earlier]]
name = "1984: first"
path = "old.csv"
layout = "wide"
[records.earlier.wide]
"yellow/unbanded" = "Y0"
"pink/00300" = "P3"
[scoring]
species = ["Cepaea nemoralis", "Cepaea hortensis"]
[publish]
blur_m = 500
[[publish.sensitive]]
sites = ["Hidden corner"]
withhold = true
[report]
holder = "Orsel museum"
contact = "https://example.org/snails"
licence = "CC-BY-4.0"
"""
COUNTS = """site,visit,date,longitude,latitude,species,qualifier,lip,colour,banding,count,age,condition,habitat,\
recorder,note
Mill lane,spring,2024-05-01,0.33376,46.48242,Cepaea nemoralis,,dark,yellow,00300,12,adult,live,hedge,Ada Example,by gate
Mill lane,spring,2024-05-01,0.33376,46.48242,Cepaea nemoralis,,,pink,1(23)45,3,adult,fresh,wood,Ada Example,
Mill lane,spring,2024-05-01,0.33376,46.48242,Cepaea nemoralis,,,pink,1(23)45,3,adult,fresh,wood,Ada Example,
Mill lane,spring,2024-05-01,0.33376,46.48242,,,,,,5,juvenile,,,Ada Example,
Mill lane,,2024-08,0.33390,46.48250,Cepaea nemoralis,,,brown,unbanded,2,,worn,,Ada Example,
Mill lane,,2024-08,0.33390,46.48250,Cepaea nemoralis,,absent,brown,,2,,,,Ada Example,
"Old quarry, ""upper"": A",,2023/2024,0.35,46.49,Cepaea hortensis,cf.,white,yellow,003:5,7,adult,live,scrub,,\
b.example@example.org
"Old quarry, ""upper"": A",,2023/2024,0.35,46.49,Cepaea hortensis,,,yellow,345,1,adult,live,scrub,,
Hidden corner,,2024-06-01,0.36,46.50,Cepaea nemoralis,,,yellow,unbanded,30,adult,live,,Ada Example,
,,2024,0.37,46.51,Cepaea nemoralis,,,,,4,adult,live,,,
Empty bank,,2024-06-02,0.38,46.52,,,,,,0,,,short grass,,
Empty bank,,2024-06-02,0.38,46.52,Cepaea hortensis,,,yellow,unbanded,0,,,short grass,,
Bad row,,2024-06-02,0.38,46.52,Cepaea hortensis,,,blue,unbanded,1,,,,,
"""
SHELLS = "site,date,longitude,latitude,species,colour,banding,age\n" + "".join(
    f"Long wood,2024-07-01,0.34,46.485,Cepaea nemoralis,{colour},{banding},adult\n"
    for colour, banding, shells in (("yellow", "00000", 14), ("pink", "12345", 9), ("brown", "00000", 1))
    for _ in range(shells)
)
OLD = """site,date,longitude,latitude,species,Y0,P3
1,1984,0.334,46.4825,Cepaea nemoralis,11,4
2,1984-06,0.35,46.49,Cepaea nemoralis,0,0
"""


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("small")
    for name, text in (("study.toml", STUDY), ("counts.csv", COUNTS), ("shells.csv", SHELLS), ("old.csv", OLD)):
        (folder / name).write_text(text, encoding="utf-8")
    runner.run(folder / "study.toml", stages=TO_FREQUENCIES)
    exporter.export(load_study(folder / "study.toml"), folder / "export")
    return folder


def read_back(folder: Path, crs: str, archives: dict[str, str], *, more: str = "") -> pd.DataFrame:
    """Return what intake accepts of archives, survey by survey."""
    text = f'[study]\nname = "again"\ncrs = "{crs}"\n{more}'
    for survey, path in archives.items():
        table = f'[[records.earlier]]\nname = "{survey}"' if survey else "[records]"
        text += f'{table}\npath = "{path}"\nlayout = "darwin-core"\n'
    text += '[scoring]\nspecies = ["Cepaea nemoralis", "Cepaea hortensis"]\n'
    (folder / "again.toml").write_text(text, encoding="utf-8")
    found = assess(load_study(folder / "again.toml"))
    assert found.account["rows"] == found.account["accepted"] + found.account["rejected"]
    return found.accepted


def in_order(table: pd.DataFrame) -> pd.DataFrame:
    plain = table[SAME].assign(year=table["year"].astype("float64"))
    return plain.sort_values(SAME, kind="stable", ignore_index=True)


def the_same_rows(came: pd.DataFrame, went: pd.DataFrame) -> None:
    """Assert that rows are the same, in whatever order they stand."""
    pd.testing.assert_frame_equal(in_order(came), in_order(went), check_dtype=False)
    # Places: one for each row of a site, visit and uncertainty class; rounding of degrees is half a metre at most.
    first, second = (
        table.sort_values([*SAME, "position_uncertainty_m"], kind="stable")[PLACE].to_numpy(float)
        for table in (came, went)
    )
    assert np.abs(first[:, :2] - second[:, :2]).max() < 0.6
    # The way back into the study's CRS is uncertain too: by a metre or two, added in squares.
    assert ((first[:, 2] ** 2 - second[:, 2] ** 2 > -1e-6) & (first[:, 2] ** 2 - second[:, 2] ** 2 < 9)).all()


def test_rows_come_back_as_they_went(small: Path) -> None:
    went = read_table(small / "outputs/small/records/accepted.csv")
    came = read_back(
        small, "EPSG:2154", {"": "export/small-dwca.zip", "1984: first": "export/darwin-core/small-1984-first/meta.xml"}
    )
    placed = went[went["x_m"].notna()]
    assert len(went) - len(placed) == 1  # the withheld site
    the_same_rows(came, placed)


def test_rows_whose_place_is_withheld_are_rejected_for_that(small: Path) -> None:
    (small / "hidden.toml").write_text(
        '[study]\nname = "hidden"\ncrs = "EPSG:2154"\n[records]\npath = "export/small-dwca.zip"\n'
        'layout = "darwin-core"\n',
        encoding="utf-8",
    )
    rejected = assess(load_study(small / "hidden.toml")).rejected
    assert rejected["reason_code"].tolist() == ["position-missing"]
    row = json.loads(rejected["row_as_it_came"].iloc[0])
    assert row["site"] == "Hidden corner"
    assert row["organismQuantity"] == "30"


def test_counts_add_up_in_every_file(small: Path) -> None:
    accepted = read_table(small / "outputs/small/records/accepted.csv")
    for survey, folder, sites in (("", "small", "sites"), ("1984: first", "small-1984-first", "earlier_sites")):
        own = accepted[accepted["survey"] == survey]
        home = small / "export/darwin-core" / folder
        occurrences, facts = (pd.read_csv(home / f"{name}.csv") for name in ("occurrence", "measurement"))
        assert occurrences["organismQuantity"].sum() == own["count"].sum()
        left_out = facts.loc[facts["measurementType"] == "counted in frequencies", "occurrenceID"]
        counted = occurrences[~occurrences["occurrenceID"].isin(left_out)]["organismQuantity"].sum()
        table = read_table(small / f"export/tables/{sites}.csv")
        assert counted == own.loc[own["counted"], "count"].sum() == table["shells"].sum()
        present = occurrences["occurrenceStatus"] == "present"
        assert (present == (occurrences["organismQuantity"] > 0)).all()


def test_each_shell_has_its_facts(small: Path) -> None:
    home = small / "export/darwin-core/small"
    occurrences, facts = (pd.read_csv(home / f"{name}.csv", dtype=str) for name in ("occurrence", "measurement"))
    quarry = occurrences[occurrences["occurrenceID"].str.contains("003%3A5")]
    told = facts[facts["occurrenceID"].isin(quarry["occurrenceID"])].set_index("measurementType")["measurementValue"]
    # By hand: 003:5 has bands 3, 4 (a trace) and 5, none fused.
    assert told.to_dict() == {
        "shell ground colour": "yellow", "shell banding class": "many-banded", "shell banding formula": "003:5",
        "band number": "3", "band fusion": "not fused", "lip colour": "white", "shell condition": "live",
    }  # fmt: skip
    unscored = facts[(facts["measurementType"] == "shell ground colour") & (facts["measurementValue"] == "unscored")]
    assert len(unscored) == 2  # the juveniles, and the four shells without a score
    mended = facts[facts["measurementRemarks"].fillna("").str.contains("345 read as 00345")]
    assert set(mended["measurementType"]) == {"shell banding class", "shell banding formula"}
    single = occurrences[occurrences["organismQuantity"] == "14"]
    assert len(single) == 1  # fourteen rows of one shell each, all alike


def test_other_libraries_take_the_package_and_the_crate_for_valid(small: Path) -> None:
    report = validate(str(small / "export/datapackage.json"))
    assert report.valid, report.flatten(["title", "message"])
    assert report.stats["tasks"] == 6 + len(list((small / "export/tables").glob("*.csv")))
    crate = ROCrate(str(small / "export"))
    files = {entity.id for entity in crate.data_entities}
    there = {p.relative_to(small / "export").as_posix() for p in (small / "export").rglob("*") if p.is_file()}
    assert files == there - {"ro-crate-metadata.json"}
    told = {one["name"]: one["value"] for one in crate.get("#run")["object"] if one.type == "PropertyValue"}
    assert told["[publish] blur_m"] == 500
    assert "Hidden corner" not in json.dumps(told)
    inputs = {one["name"] for one in crate.get("#run")["object"] if one.type == "CreativeWork"}
    assert inputs == {"counts.csv", "shells.csv", "old.csv"}


def test_another_library_reads_the_archive(small: Path) -> None:
    # python-dwca-reader follows the Darwin Core Text Guide by itself.
    events, occurrences = set(), 0
    with DwCAReader(str(small / "export/small-dwca.zip")) as archive:
        assert archive.descriptor.core.type == "http://rs.tdwg.org/dwc/terms/Event"
        assert archive.metadata.find("./dataset/title").text == "A small survey"
        shells = 0
        for event in archive:
            events.add(event.id)
            parent = event.data["http://rs.tdwg.org/dwc/terms/parentEventID"]
            assert not parent or parent in events
            for row in event.extensions:
                if row.rowtype.endswith("Occurrence"):
                    occurrences += 1
                    shells += int(row.data["http://rs.tdwg.org/dwc/terms/organismQuantity"])
    accepted = read_table(small / "outputs/small/records/accepted.csv")
    own = accepted[accepted["survey"] == ""]
    assert shells == own["count"].sum()
    assert occurrences == len(own) - 24 + 3  # 24 shells in rows of their own are three morphs


def test_nothing_private_comes_out(small: Path) -> None:
    exact = ["46.48242", "0.33376", "46.4825", "0.33390", "46.51", "Ada", "Example,", "b.example", "by gate"]
    exact += ["46.5,", "0.36,", str(small), "config/", "counts.csv,"]
    for path in sorted((small / "export").rglob("*")):
        if not path.is_file():
            continue
        if path.suffix == ".zip":
            with zipfile.ZipFile(path) as archive:
                texts = {name: archive.read(name).decode() for name in archive.namelist()}
        else:
            texts = {path.name: path.read_text(encoding="utf-8")}
        for name, text in texts.items():
            assert not [secret for secret in exact if secret in text], name
    events = pd.read_csv(small / "export/darwin-core/small/event.csv", dtype=str)
    hidden = events[events["locality"] == "Hidden corner"]
    assert hidden["decimalLatitude"].isna().all()
    assert hidden["informationWithheld"].str.startswith("Withheld: the place, recorders' names and notes. Ask").all()
    others = events[events["locality"] != "Hidden corner"]
    assert others["dataGeneralizations"].str.contains("square of 500 m").all()
    # A square of 500 m has a half diagonal of 353.6 m.
    assert (others["coordinateUncertaintyInMeters"].astype(float) > 353).all()


def test_the_same_bytes_again_and_what_is_stale_goes(small: Path, tmp_path: Path) -> None:
    study = load_study(small / "study.toml")
    to = tmp_path / "export"
    shutil.copytree(small / "export", to)
    (to / "notes.txt").write_text("mine", encoding="utf-8")
    exporter.export(study, to)
    same = {p.relative_to(to).as_posix(): p.read_bytes() for p in to.rglob("*") if p.is_file()}
    assert same.pop("notes.txt") == b"mine"
    first = small / "export"
    assert same == {p.relative_to(first).as_posix(): p.read_bytes() for p in first.rglob("*") if p.is_file()}
    # Without the earlier survey its files go.
    without = study.model_copy(update={"earlier": ()})
    exporter.export(without, to)
    assert not (to / "small-1984-first-dwca.zip").exists()
    assert (to / "notes.txt").exists()


@pytest.mark.parametrize(
    ("publish", "habitat", "temperature"),
    [
        ("blur_m = 0", "{h}", "{t}"),
        ("blur_m = 500", "{h}; kept back", "mean over the square shown in the raster warmth.tif"),
        ('blur_m = 0\n[[publish.sensitive]]\nsites = ["a"]\nblur_m = 1000', "{h}; kept back",
         "bilinear at the site's own place, or mean over the square shown in the raster warmth.tif"),
    ],
)  # fmt: skip
def test_how_the_land_about_sites_was_read_is_told_with_what_is_kept_back(
    tmp_path: Path, publish: str, habitat: str, temperature: str
) -> None:
    (tmp_path / "study.toml").write_text(
        '[study]\nname = "s"\ncrs = "EPSG:2154"\n[records]\npath = "r.csv"\n'
        '[habitat]\npath = "land.tif"\nradius_m = 100\nclasses = { 1 = "woodland" }\n'
        f'[temperature]\npath = "warmth.tif"\nradius_m = 0\n[publish]\n{publish}\n',
        encoding="utf-8",
    )
    told = exporter._dataset(load_study(tmp_path / "study.toml"), "")
    own = {
        "h": "class with the largest share within 100 m of the site's own place in the raster land.tif",
        "t": "bilinear at the site's own place in the raster warmth.tif",
    }
    assert told.habitat_method.startswith(habitat.format(**own))
    assert ("kept back" in told.habitat_method) == ("kept back" in habitat)
    assert told.temperature_method == temperature.format(**own)


def test_files_of_others_are_not_overwritten(small: Path, tmp_path: Path) -> None:
    study = load_study(small / "study.toml")
    (tmp_path / "README.md").write_text("mine", encoding="utf-8")
    with pytest.raises(StudyError, match=r"README\.md: the file is there and is none of an earlier export; move it"):
        exporter.export(study, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["README.md"]
    to = tmp_path / "to"
    exporter.export(study, to)
    (to / "tables/sites.csv").write_text("changed", encoding="utf-8")
    with pytest.raises(StudyError, match=r"tables/sites\.csv: the file has been changed since it was exported"):
        exporter.export(study, to)
    other = study.model_copy(update={"study": study.study.model_copy(update={"name": "other"})})
    shutil.copytree(small / "outputs/small", tmp_path / "other")
    record = json.loads((tmp_path / "other/run.json").read_text(encoding="utf-8")) | {"study": "other"}
    (tmp_path / "other/run.json").write_text(json.dumps(record), encoding="utf-8")
    with pytest.raises(StudyError, match="this folder holds the export of another study, 'small'"):
        exporter.export(other, to, out=tmp_path / "other")
    (tmp_path / "a file").write_text("", encoding="utf-8")
    with pytest.raises(StudyError, match="this is a file; name a folder with --to"):
        exporter.export(study, tmp_path / "a file")


def test_a_run_must_have_gone_far_enough(small: Path, tmp_path: Path) -> None:
    study = load_study(small / "study.toml")
    with pytest.raises(
        StudyError, match=r"landscape and frequencies: not run here yet; run morphcline run study\.toml"
    ):
        exporter.export(study, tmp_path / "to", out=tmp_path / "nowhere")
    assert not (tmp_path / "to").exists()


def test_what_is_not_stated_is_told(small: Path, tmp_path: Path) -> None:
    study = load_study(small / "study.toml")
    silent = study.model_copy(update={"report": study.report.model_copy(update={"holder": "", "licence": ""})})
    assert exporter.export(study, tmp_path / "a").warnings == ()
    told = exporter.export(silent, tmp_path / "b").warnings
    assert told == ("[report] states no holder and no licence: who uses the export will look for it.",)


words = st.sampled_from(["", "Mill lane", "a:b", "100%", 'Élan, "x"', "unnamed", "@undated"])
made_rows = st.lists(
    st.fixed_dictionaries(
        {
            "site": words.filter(bool), "visit": words,
            "date": st.sampled_from(["", "2024", "2024-05", "2024-05-01", "2023/2024-06"]),
            "easting": st.sampled_from([500_000.25, 500_010.5]), "northing": st.just(6_600_000.0),
            "position_uncertainty_m": st.sampled_from(["", "5", "30"]),
            "species": st.sampled_from(["Cepaea nemoralis", "Cepaea hortensis", "Cepaea", "Cornu aspersum", ""]),
            "qualifier": st.sampled_from(["", "cf."]), "lip": st.sampled_from(["", "dark", "white", "absent"]),
            "colour": st.sampled_from(["", "yellow", "pink", "brown"]),
            "banding": st.sampled_from(["", "00000", "00300", "1(23)45", "003:5", "mid-banded", "other one-banded"]),
            "count": st.sampled_from([0, 1, 1, 2, 30]), "age": st.sampled_from(["", "adult", "juvenile"]),
            "condition": st.sampled_from(["", "live", "fresh", "worn"]),
            "habitat": st.sampled_from(["", "hedge", "wood"]), "recorder": st.sampled_from(["", "A", "B"]),
        }
    ),
    min_size=1, max_size=12,
)  # fmt: skip


@settings(max_examples=25)
@given(rows=made_rows, singly=st.booleans())
def test_whatever_is_accepted_comes_back(
    rows: list[dict[str, object]], singly: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("law")
    pd.DataFrame(rows).to_csv(folder / "records.csv", index=False)
    layout = "shells" if singly else "counts"
    (folder / "study.toml").write_text(
        f'[study]\nname = "law"\ncrs = "EPSG:2154"\n[records]\npath = "records.csv"\nlayout = "{layout}"\n'
        '[records.position]\nwritten_as = "easting-northing"\ncrs = "EPSG:2154"\n'
        '[scoring]\nspecies = ["Cepaea nemoralis", "Cepaea hortensis"]\n[publish]\nblur_m = 0\n',
        encoding="utf-8",
    )
    went = assess(load_study(folder / "study.toml")).accepted
    if went.empty:
        return
    exact = went.assign(blur_m=0.0)
    sites = pd.DataFrame(columns=["site", "lon", "lat", "position_uncertainty_m", "blur_m", "habitat", "habitat_share",
                                  "temperature_c"])  # fmt: skip
    about = Dataset("law:survey", "Law", "", "", "", ("Cepaea nemoralis",), "EPSG:2154", names_shown=True)
    tables = archive_tables(
        exact, sites, about, singly=np.full(len(exact), singly), to_degrees=exporter._to_degrees("EPSG:2154", exact)
    )
    shuffled = archive_tables(
        exact.sample(frac=1, random_state=1), sites, about, singly=np.full(len(exact), singly),
        to_degrees=exporter._to_degrees("EPSG:2154", exact),
    )  # fmt: skip
    assert set(tables.occurrences["occurrenceID"]) == set(shuffled.occurrences["occurrenceID"])
    assert set(tables.events["eventID"]) == set(shuffled.events["eventID"])
    home = folder / "archive"
    exporter.write_archive(home, tables, exporter.About("law", "Law", "", "", "", "", "2024-01-01", (), (), None, ""))
    came = read_back(folder, "EPSG:2154", {"": "archive"}, more="")
    the_same_rows(came, went)


@pytest.mark.slow
def test_the_demo_comes_back(tmp_path: Path) -> None:
    runner.run(ROOT / "config/demo.toml", out=tmp_path / "orsel", stages=TO_FREQUENCIES)
    result = exporter.export(load_study(ROOT / "config/demo.toml"), tmp_path / "to", out=tmp_path / "orsel")
    went = read_table(tmp_path / "orsel/records/accepted.csv")
    area = (ROOT / "demo_data/area.gpkg").as_posix()
    came = read_back(
        tmp_path, "EPSG:2154", {"": "to/orsel-dwca.zip", "1984": "to/darwin-core/orsel-1984"}, more=f'area = "{area}"\n'
    )
    the_same_rows(came, went)
    sites = read_table(tmp_path / "orsel/tables/sites.csv")
    assert result.surveys[0].shells_counted == sites["shells"].sum()
