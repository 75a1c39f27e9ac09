"""Every row's fate: each reason and each flag, every layout, and that no row goes missing."""

from __future__ import annotations

import datetime as dt
import json
import tomllib
from collections import Counter
from pathlib import Path

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pyproj
import pytest
import rasterio
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl.utils.datetime import MAC_EPOCH, WINDOWS_EPOCH
from rasterio.transform import from_origin

from morphcline.errors import SourceError, StudyError
from morphcline.files.tables import read_table
from morphcline.places.transforms import Transformation
from morphcline.records.flags import FLAGS
from morphcline.records.observations import COLUMNS
from morphcline.records.verdicts import REASONS
from morphcline.stages.base import Context
from morphcline.stages.intake import STAGE, Assessment, assess
from morphcline.study import Study, load_study
from morphcline.workers import Workers

TODAY = dt.date(2026, 1, 1)
EAST, NORTH = 500_000.0, 6_600_000.0
GOOD = {
    "site": "Mill", "date": "2025-05-03", "easting": "500000.0", "northing": "6600000.0",
    "species": "Cepaea nemoralis", "colour": "yellow", "banding": "00300", "count": "25", "age": "adult",
    "condition": "live", "lip": "dark",
}  # fmt: skip


def write_rows(path: Path, rows: list[dict[str, str]]) -> None:
    header = list(dict.fromkeys(name for row in rows for name in row))
    lines = [";".join(header)] + [";".join(row.get(name, "") for name in header) for row in rows]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def make_study(
    folder: Path, rows: list[dict[str, str]], *, records: str = "", tables: str = "", general: str = ""
) -> Study:
    if rows:
        write_rows(folder / "rows.csv", rows)
    (folder / "study.toml").write_text(
        f"""
[study]
name = "valley"
crs = "EPSG:2154"
{general}
[records]
path = "rows.csv"
{records or METRES}
{tables}
""",
        encoding="utf-8",
    )
    return load_study(folder / "study.toml")


METRES = """
[records.position]
written_as = "easting-northing"
crs = "EPSG:2154"
uncertainty_m = 20
"""
DEGREES = ""


def judge(folder: Path, rows: list[dict[str, str]], **keys: str) -> Assessment:
    return assess(make_study(folder, rows, **keys), today=TODAY)


def reasons(found: Assessment) -> dict[int, str]:
    return dict(zip(found.rejected["row"], found.rejected["reason_code"], strict=True))


def flags(found: Assessment) -> set[tuple[int, str]]:
    return set(zip(found.flagged["row"], found.flagged["flag_code"], strict=True))


def degrees(easting: float, northing: float) -> tuple[float, float]:
    longitude, latitude = pyproj.Transformer.from_crs("EPSG:2154", "EPSG:4326", always_xy=True).transform(
        easting, northing
    )
    return float(longitude), float(latitude)


def spread(rows: int = 12) -> list[dict[str, str]]:
    """Give good rows at places some kilometres apart, so that there is a bulk to judge by."""
    return [
        GOOD | {"site": f"S{k}", "easting": f"{EAST + 1500 * k:.1f}", "northing": f"{NORTH + 900 * (k % 4):.1f}"}
        for k in range(rows)
    ]


@pytest.mark.parametrize(
    ("cells", "code", "sentence"),
    [
        ({"species": ""}, "species-missing", "the species is empty"),
        ({"species": "Cepea nemorallis"}, "species-unknown", "nearest known name is Cepaea nemoralis"),
        ({"species": "Arianta arbustorum"}, "species-not-studied", "none of the species studied"),
        ({"count": ""}, "count-missing", "the count is empty"),
        ({"count": "2,5"}, "count-not-whole", '"2,5" is not a whole number'),
        ({"count": "many"}, "count-not-whole", '"many"'),
        ({"count": "-4"}, "count-negative", '"-4" is below zero'),
        ({"banding": "1234"}, "banding-unreadable", "1234"),
        ({"banding": "1(2)345"}, "banding-unreadable", "bracket"),
        ({"colour": "orange"}, "colour-unreadable", "orange"),
        ({"colour": "pink", "banding": "Y00300"}, "colour-contradicts", "says yellow and the colour says pink"),
        ({"age": "old"}, "age-unreadable", "old"),
        ({"condition": "dead"}, "condition-unreadable", "dead"),
        ({"lip": "pale"}, "lip-unreadable", "pale"),
        ({"date": "31/06/2025"}, "date-unreadable", "no such day"),
        ({"date": "3/5/25"}, "date-unreadable", "write the year in full"),
        ({"easting": ""}, "position-missing", "easting is empty"),
        ({"easting": "", "northing": ""}, "position-missing", "easting and northing are empty"),
        ({"easting": "by the mill"}, "position-unreadable", "by the mill"),
        ({"position_uncertainty_m": "far"}, "position-unreadable", "far"),
        ({"position_uncertainty_m": "1 k"}, "position-unreadable", 'the position uncertainty "1 k" is no distance'),
        ({"position_uncertainty_m": "-5"}, "position-unreadable", "metres above 0"),
        ({"crs": "EPSG:999999"}, "position-unreadable", "EPSG:999999"),
        ({"crs": "EPSG:4326"}, "position-unreadable", "not projected"),
        ({"easting": "0", "northing": "0"}, "position-zero", "both coordinates are 0"),
        ({"easting": "6600000", "northing": "500000"}, "position-swapped", "exchanged"),
        ({"easting": "5000000"}, "position-outside-crs", "EPSG:2154"),
    ],
)
def test_each_reason_rejects_its_row_alone(tmp_path: Path, cells: dict[str, str], code: str, sentence: str) -> None:
    found = judge(tmp_path, [*spread(), GOOD | {"crs": "", "position_uncertainty_m": ""} | cells])
    assert reasons(found) == {14: code}
    assert sentence in found.rejected["reason"].iloc[0]
    came = json.loads(found.rejected["row_as_it_came"].iloc[0])
    assert {name: came[name] for name in cells} == cells
    assert found.account["rejected_by_reason"] == {code: 1}
    assert (found.account["rows"], found.account["accepted"]) == (13, 12)


def test_empty_and_ragged_rows_are_rejected_as_such(tmp_path: Path) -> None:
    study = make_study(tmp_path, [GOOD])
    text = (tmp_path / "rows.csv").read_text(encoding="utf-8")
    good = text.splitlines()[1]
    (tmp_path / "rows.csv").write_text(text + f"\n{good};9\n;;;\n{good};;\n", encoding="utf-8")
    found = assess(study, today=TODAY)
    assert reasons(found) == {3: "empty-row", 4: "row-ragged", 5: "empty-row"}
    assert "also" not in " ".join(found.rejected["reason"])
    assert found.accepted["row"].tolist() == [2, 6]


def test_a_row_with_two_mistakes_tells_both(tmp_path: Path) -> None:
    found = judge(tmp_path, [GOOD, GOOD | {"count": "-1", "colour": "orange"}])
    assert reasons(found) == {3: "count-negative"}
    assert "; also: colour: " in found.rejected["reason"].iloc[0]


def test_decimal_commas_and_the_sources_own_words_are_read(tmp_path: Path) -> None:
    records = METRES + '[records.values]\ncolour = { jaune = "yellow" }\nbanding = { "sans bandes" = "unbanded" }\n'
    row = GOOD | {"easting": "500000,5", "colour": "Jaune", "banding": "sans  bandes", "count": "25,0"}
    found = judge(tmp_path, [row], records=records)
    first = found.accepted.iloc[0]
    assert (first["x_m"], first["colour"], first["band_class"], first["count"]) == (500000.5, "yellow", "unbanded", 25)
    assert first["banding"] == ""


def test_shells_that_do_not_count_are_kept_with_the_reason(tmp_path: Path) -> None:
    cases = [
        ({"age": "juvenile"}, "juvenile"),
        ({"age": "juv", "species": "", "lip": ""}, "juvenile"),
        ({"age": "", "lip": "absent", "species": ""}, "juvenile: no lip"),
        ({"lip": "absent"}, "no complete lip"),
        ({"condition": "bleached"}, "worn or bleached"),
        ({"species": "Cepaea sp."}, "not named to species"),
        ({"species": "Cepaea hortensis", "lip": "white"}, "Cepaea hortensis is not analysed in this study"),
        ({"count": "0", "species": "", "colour": "", "banding": ""}, "searched, none found"),
        ({"age": "", "condition": "", "lip": ""}, ""),
        ({"species": "Cepaea cf. nemoralis"}, ""),
    ]
    found = judge(tmp_path, [GOOD | cells for cells, _ in cases], tables='[scoring]\nspecies = ["Cepaea nemoralis"]\n')
    assert reasons(found) == {}
    assert found.accepted["not_counted_because"].tolist() == [because for _, because in cases]
    assert found.accepted["counted"].tolist() == [because == "" for _, because in cases]
    assert found.account["shells_counted"] == 50
    assert found.account["shells_seen_not_counted"] == 25 * 7
    assert found.accepted["qualifier"].iloc[-1] == "cf."


@pytest.mark.parametrize(
    ("cells", "code", "sentence"),
    [
        ({"banding": "345"}, "mended-score", "345 read as 00345"),
        ({"lip": "white"}, "lip-against-species", "the lip is white"),
        ({"date": ""}, "date-absent", "the date is empty"),
        ({"date": "2052-05-03"}, "date-in-future", "2052-05-03 has not come yet"),
        ({"count": "19"}, "small-sample", "19 counted shells of its species; the study asks for 20"),
        ({"easting": "900000.0"}, "far-from-rest", "km from the middle of the survey"),
        ({"count": "1001"}, "count-large", "the count is 1,001"),
        ({"position_uncertainty_m": "12 km"}, "position-vague", "the place is known within 12 km only"),
    ],
)
def test_each_flag_marks_its_row_and_keeps_it(tmp_path: Path, cells: dict[str, str], code: str, sentence: str) -> None:
    found = judge(tmp_path, [*spread(), GOOD | {"site": "Weir"} | cells])
    assert reasons(found) == {}
    assert flags(found) == {(14, code)}
    assert sentence in found.flagged["flag"].iloc[0]
    assert list(found.flagged.columns) == ["source", "row", "flag_code", "flag", *list(COLUMNS)[2:]]
    assert found.account["flagged_by_code"] == {code: 1}


def test_a_small_sample_is_flagged_once_on_its_first_row(tmp_path: Path) -> None:
    rows = [GOOD | {"count": "5", "colour": colour} for colour in ("yellow", "pink", "brown")]
    other_visit = GOOD | {"date": "2025-06-01", "count": "30"}
    juveniles = GOOD | {"site": "Weir", "age": "juvenile", "count": "3"}
    assert flags(judge(tmp_path, [*rows, other_visit, juveniles])) == {(2, "small-sample")}


def test_what_is_typed_twice_is_flagged_both_times(tmp_path: Path) -> None:
    rows = [GOOD, GOOD | {"colour": "pink"}, GOOD, GOOD | {"recorder": "B"}, GOOD | {"count": "26"}]
    found = judge(tmp_path, rows)
    assert flags(found) == {(2, "double"), (4, "double")}
    assert found.flagged["flag"].tolist() == [
        "the row is the same as row 4 of rows.csv; both are counted: delete one if it is a double",
        "the row is the same as row 2 of rows.csv; both are counted: delete one if it is a double",
    ]
    juvenile = GOOD | {"age": "juvenile"}
    assert "both are kept" in judge(tmp_path, [juvenile, juvenile]).flagged["flag"].iloc[0]


def test_rows_at_different_places_are_no_doubles(tmp_path: Path) -> None:
    # 20 m of uncertainty each: 35 m apart they can be one place, 45 m apart they can't.
    assert flags(judge(tmp_path, [GOOD, GOOD | {"easting": "500035"}])) == {(2, "double"), (3, "double")}
    assert flags(judge(tmp_path, [GOOD, GOOD | {"easting": "500045"}])) == set()
    rows = [GOOD, GOOD | {"easting": "500045"}, GOOD | {"easting": "500046"}, GOOD | {"northing": "6600100"}]
    assert flags(judge(tmp_path, rows)) == {(3, "double"), (4, "double")}


def test_two_shells_alike_are_no_doubles_and_a_sample_sent_in_twice_is(tmp_path: Path) -> None:
    shell = {name: text for name, text in GOOD.items() if name != "count"}
    rows = [shell] * 12 + [shell | {"colour": "pink"}] * 10
    write_rows(tmp_path / "again.csv", rows[::-1])
    write_rows(tmp_path / "rows.csv", rows)
    found = judge(tmp_path, rows, records='layout = "shells"\n' + METRES)
    assert flags(found) == set()
    both = make_study(tmp_path, rows, records='layout = "shells"\n' + METRES)
    text = (tmp_path / "study.toml").read_text(encoding="utf-8").replace('"rows.csv"', '["rows.csv", "again.csv"]')
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    both = assess(load_study(tmp_path / "study.toml"), today=TODAY)
    assert both.flagged["flag_code"].tolist() == ["double", "double"]
    assert both.flagged["source"].tolist() == ["rows.csv", "again.csv"]


def test_one_name_at_two_places_is_flagged_at_both(tmp_path: Path) -> None:
    near = GOOD | {"easting": "500280.0", "colour": "pink"}  # 280 m: less than 250 m and the two uncertainties of 20 m
    assert flags(judge(tmp_path, [GOOD, near])) == set()
    away = GOOD | {"easting": "500300.0", "colour": "pink"}
    found = judge(tmp_path, [GOOD, away, GOOD | {"colour": "brown"}])
    assert flags(found) == {(2, "name-in-two-places"), (3, "name-in-two-places")}
    assert "0.3 km" in found.flagged["flag"].iloc[0]


def test_the_place_that_most_rows_agree_on_is_the_one_others_are_held_against(tmp_path: Path) -> None:
    # Two rows at one place and two near it outvote three rows far away, though no place has more rows than that.
    rows = [
        *[GOOD | {"easting": "900000", "colour": colour} for colour in ("yellow", "pink", "brown")],
        *[GOOD | {"easting": f"{EAST + 30 * k}", "count": f"{30 + k}"} for k in range(4)],
    ]
    found = judge(tmp_path, rows)
    assert flags(found) == {(2, "name-in-two-places"), (5, "name-in-two-places")}
    assert "400.0 km from where row 5" in found.flagged["flag"].iloc[0]


def test_a_reason_that_rejects_many_rows_of_a_file_is_told(tmp_path: Path) -> None:
    good = [GOOD | {"count": str(30 + k)} for k in range(45)]
    bad = [GOOD | {"date": "45123"}] * 5
    assert judge(tmp_path, [*good, *bad]).warnings == ()  # 5 of 50 are a tenth, not more
    assert judge(tmp_path, [*good[:4], *bad[:4]]).warnings == ()
    found = judge(tmp_path, [*good[:44], *bad])
    assert found.warnings == (
        "rows.csv: 5 of 49 rows were rejected as date-unreadable (the date can't be read, or could be two dates), row "
        "46 for example; private/records/rejected.csv says why of each.",
    )
    two = judge(tmp_path, [*good[:10], *bad, *[GOOD | {"count": "-1", "colour": "orange"}] * 6]).warnings
    assert ["6 of 21" in sentence for sentence in two] == [False, True]


def test_what_a_transformation_lacks_is_told_once_for_all_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Transformation, "warning", property(lambda self: "the grid file is wanting."))
    write_rows(tmp_path / "b.csv", [GOOD | {"site": "B"}])
    study = make_study(tmp_path, [GOOD])
    text = study.file.read_text(encoding="utf-8").replace('"rows.csv"', '["rows.csv", "b.csv"]')
    study.file.write_text(text, encoding="utf-8")
    assert assess(load_study(study.file), today=TODAY).warnings == ("rows.csv, b.csv: the grid file is wanting.",)


def test_shells_that_do_not_count_are_told_by_reason(tmp_path: Path) -> None:
    rows = [
        GOOD, GOOD | {"age": "juvenile", "count": "7"}, GOOD | {"age": "juvenile", "count": "2"},
        GOOD | {"condition": "worn", "count": "11"}, GOOD | {"count": "0"},
    ]  # fmt: skip
    account = judge(tmp_path, rows).account
    assert account["not_counted_by_reason"] == {"worn or bleached": 11, "juvenile": 9}
    assert list(account["not_counted_by_reason"]) == ["worn or bleached", "juvenile"]
    assert account["shells_seen_not_counted"] == 20
    json.dumps(account)


@pytest.mark.parametrize(("epoch", "day"), [(WINDOWS_EPOCH, "2026-05-01"), (MAC_EPOCH, "2030-05-02")])
def test_a_workbooks_day_numbers_are_read_by_its_calendar(tmp_path: Path, epoch: dt.datetime, day: str) -> None:
    # 46143 is 1 May 2026 counted from 1899-12-30; counted from 1904-01-01 it is 1462 days later.
    study = make_study(tmp_path, [])
    study.file.write_text(study.file.read_text(encoding="utf-8").replace("rows.csv", "rows.xlsx"), encoding="utf-8")
    rows = [GOOD | {"date": date} for date in (46143, 46143.75, 2025, dt.datetime(2024, 5, 3), 46143, 99)]
    rows[1] |= {"banding": "345"}
    rows[4] |= {"site": "Weir"}
    book = openpyxl.Workbook()
    book.epoch = epoch
    for cells in [list(GOOD), *[list(row.values()) for row in rows]]:
        book.active.append(cells)
    book.save(tmp_path / "rows.xlsx")
    found = assess(load_study(study.file), today=dt.date(2031, 1, 1))
    assert reasons(found) == {7: "date-unreadable"}
    assert found.accepted["date"].tolist() == [day, day, "2025", "2024-05-03", day]
    assert found.accepted["mended"].tolist() == [
        f"date 46143 read as {day}",
        f"345 read as 00345; date 46143.75 read as {day}",
        "",
        "",
        f"date 46143 read as {day}",
    ]
    codes = {(row, code) for row, code in flags(found) if code.startswith("mended")}
    assert codes == {(2, "mended-date"), (3, "mended-score"), (6, "mended-date")}
    told = found.flagged.query("flag_code == 'mended-date'")["flag"].tolist()
    assert told == [f"date 46143 read as {day} (and 1 more row alike)", f"date 46143 read as {day}"]
    assert found.warnings == (
        f"rows.xlsx: 3 dates are day numbers and were read by the workbook's calendar (46143 as {day}); "
        "format the column as a date.",
    )


def test_the_study_area_decides_what_is_outside(tmp_path: Path) -> None:
    area = gpd.GeoDataFrame(geometry=[shapely.box(EAST - 5000, NORTH - 5000, EAST + 5000, NORTH + 5000)], crs=2154)
    area.to_file(tmp_path / "area.gpkg")
    rows = [
        GOOD,
        GOOD | {"site": "B", "easting": "509000.0"},  # 4 km outside
        GOOD | {"site": "C", "easting": "516000.0"},  # 11 km outside
        GOOD | {"site": "D", "easting": "6600000.0", "northing": "500000.0"},
    ]
    found = judge(tmp_path, rows, general='area = "area.gpkg"')
    assert reasons(found) == {4: "position-outside-area", 5: "position-swapped"}
    assert flags(found) == {(3, "far-from-rest")}
    assert "11 km outside" in found.rejected["reason"].iloc[0]
    assert "4.0 km outside" in found.flagged["flag"].iloc[0]


def test_exchanged_degrees_are_known_by_the_study_crs_when_there_are_few_places(tmp_path: Path) -> None:
    longitude, latitude = degrees(EAST, NORTH)
    row = {name: text for name, text in GOOD.items() if name not in ("easting", "northing")}
    found = judge(
        tmp_path,
        [
            row | {"longitude": f"{longitude:.6f}", "latitude": f"{latitude:.6f}"},
            row | {"longitude": f"{latitude:.6f}", "latitude": f"{longitude:.6f}"},
            row | {"longitude": f"{longitude:.6f}", "latitude": "464.1207"},
            row | {"longitude": "0", "latitude": "0"},
        ],
        records="[records.position]\n",
    )
    assert reasons(found) == {3: "position-swapped", 4: "position-outside-crs", 5: "position-zero"}


def habitat_table(folder: Path) -> str:
    """Write a raster of 25 m cells: land west of EAST + 1000, water east of it, a wood in the north-west."""
    codes = np.full((160, 160), 1, dtype=np.uint8)  # from EAST - 2000, NORTH + 2000
    codes[:, 120:] = 9
    codes[:80, :40] = 2
    codes[:, :2] = 7  # a code that the study doesn't name
    profile = {
        "driver": "GTiff", "width": 160, "height": 160, "count": 1, "dtype": "uint8", "crs": "EPSG:2154",
        "transform": from_origin(EAST - 2000, NORTH + 2000, 25, 25),
    }  # fmt: skip
    with rasterio.open(folder / "habitat.tif", "w", **profile) as raster:
        raster.write(codes, 1)
    classes = '[habitat.classes]\n1 = "long herbage"\n2 = "woodland"\n9 = "water"\n'
    return f'[habitat]\npath = "habitat.tif"\nradius_m = 50\n{classes}'


def test_places_in_water_are_rejected_or_flagged_by_how_near_land_is(tmp_path: Path) -> None:
    rows = [
        GOOD | {"site": "land", "easting": f"{EAST + 900}"},
        GOOD | {"site": "bank", "easting": f"{EAST + 1090}"},
        GOOD | {"site": "lake", "easting": f"{EAST + 1210}"},
        GOOD | {"site": "vague", "easting": f"{EAST + 1210.5}", "position_uncertainty_m": "300"},
        GOOD | {"site": "off the raster", "easting": f"{EAST + 9000}"},
    ]
    found = judge(tmp_path, rows, tables=habitat_table(tmp_path))
    assert reasons(found) == {4: "position-in-water"}
    assert flags(found) == {(3, "near-water"), (5, "near-water")}
    assert "with no land within" in found.rejected["reason"].iloc[0]


def test_a_habitat_note_is_compared_with_the_raster_where_that_can_tell(tmp_path: Path) -> None:
    place = {"easting": f"{EAST - 500}", "northing": f"{NORTH - 500}"}
    rows = [
        GOOD | place | {"site": "A", "habitat": "nettles"},
        GOOD | place | {"site": "B", "habitat": "beechwood"},
        GOOD | place | {"site": "B", "habitat": "beechwood", "colour": "pink"},
        GOOD | place | {"site": "C", "habitat": "hedge"},  # the raster has no such class
        GOOD | place | {"site": "D", "habitat": "nice place"},
        GOOD | {"site": "E", "easting": f"{EAST - 1040}", "northing": f"{NORTH + 500}", "habitat": "nettles"},
        GOOD | {"site": "F", "easting": f"{EAST - 1990}", "northing": f"{NORTH - 500}", "habitat": "wood"},
        GOOD | {"site": "G", "easting": f"{EAST - 9000}", "habitat": "wood"},
    ]
    found = judge(tmp_path, rows, tables=habitat_table(tmp_path))
    assert flags(found) == {(3, "habitat-disagrees")}
    assert found.flagged["flag"].iloc[0] == (
        'the recorder noted "beechwood" (woodland), and the habitat raster has long herbage there '
        "(and 1 more row alike)"
    )
    assert any("no class hedgerow" in sentence for sentence in found.warnings)


SITES = """
[records.sites]
path = "sites.csv"
[records.sites.columns]
site = "code"
[records.sites.position]
written_as = "easting-northing"
crs = "EPSG:2154"
uncertainty_m = 15
"""


def test_a_table_of_sites_gives_places_and_the_records_own_win(tmp_path: Path) -> None:
    write_rows(
        tmp_path / "sites.csv",
        [
            {"code": "Mill", "easting": "500000", "northing": "6600000", "habitat": "hedge", "date": "2025-05-01"},
            {"code": "Weir", "easting": "by the weir", "northing": "6600000"},
            {"code": "mill", "easting": "1", "northing": "1"},
            {"code": "", "easting": "500000", "northing": "6600000"},
            {"code": "Bank", "easting": "501000", "northing": "6600000", "position_uncertainty_m": "40"},
        ],
    )
    row = {name: text for name, text in GOOD.items() if name not in ("easting", "northing", "date")}
    rows = [
        row | {"easting": "", "northing": "", "habitat": "", "date": ""},
        row | {"site": "mill", "habitat": "wood", "date": "2025-06-01", "colour": "pink"},
        row | {"site": "Bank", "date": "2025-06-01"},
        row | {"site": "Bank", "easting": "501100", "northing": "6600000", "date": "2025-06-02"},
        row | {"site": "Fort", "easting": "502000", "northing": "6600000", "date": "2025-06-02"},
        row | {"site": "Wier"},
        row | {"site": "Weir"},
        row | {"site": ""},
    ]
    found = judge(tmp_path, rows, records=METRES + SITES)
    records = found.rejected[found.rejected["source"] == "rows.csv"]
    assert dict(zip(records["row"], records["reason_code"], strict=True)) == {
        7: "site-not-in-table", 8: "site-not-in-table", 9: "position-missing",
    }  # fmt: skip
    assert 'the nearest is "Weir"' in records["reason"].iloc[0]
    assert "row 3 of sites.csv, which was rejected: " in records["reason"].iloc[1]
    sites = found.rejected[found.rejected["source"] == "sites.csv"]
    assert dict(zip(sites["row"], sites["reason_code"], strict=True)) == {
        3: "position-unreadable", 4: "site-twice", 5: "site-missing",
    }  # fmt: skip
    table = found.accepted
    assert table["site"].tolist() == ["Mill", "Mill", "Bank", "Bank", "Fort"]
    assert table["x_m"].tolist() == [500000, 500000, 501000, 501100, 502000]
    assert table["position_uncertainty_m"].tolist() == [15, 15, 40, 20, 20]
    assert table["habitat"].tolist() == ["hedge", "wood", "", "", ""]
    assert table["date"].tolist()[:2] == ["2025-05-01", "2025-06-01"]
    lines = {line["source"]: line for line in found.account["sources"]}
    assert (lines["sites.csv"]["rows"], lines["sites.csv"]["accepted"], lines["sites.csv"]["kind"]) == (5, 2, "sites")
    assert (found.account["rows"], found.account["accepted"], found.account["site_rows"]) == (8, 5, 5)


def counted(found: Assessment) -> Counter[tuple[str, str, str, str]]:
    table = found.accepted[found.accepted["counted"]]
    total: Counter[tuple[str, str, str, str]] = Counter()
    for row in table.itertuples():
        total[(row.site, row.species, row.colour, row.band_class)] += row.count
    return total


BAND_CLASS = {"00000": "unbanded", "00300": "mid-banded", "12345": "many-banded"}
MORPHS = [(colour, banding) for colour in ("yellow", "pink", "brown") for banding in ("00000", "00300", "12345")]


@settings(max_examples=12)
@given(counts=st.lists(st.lists(st.integers(0, 4), min_size=len(MORPHS), max_size=len(MORPHS)), min_size=1, max_size=4))
def test_a_survey_gives_the_same_counts_in_every_layout(
    tmp_path_factory: pytest.TempPathFactory, counts: list[list[int]]
) -> None:
    base = {name: text for name, text in GOOD.items() if name not in ("colour", "banding", "count")}
    as_counts, as_shells, as_wide = [], [], []
    for number, of_site in enumerate(counts):
        site = base | {"site": f"S{number}", "easting": f"{EAST + number * 500:.1f}"}
        as_wide.append(site | {f"m{k}": str(count) for k, count in enumerate(of_site)})
        for (colour, banding), count in zip(MORPHS, of_site, strict=True):
            morph = site | {"colour": colour, "banding": banding}
            as_counts.append(morph | {"count": str(count)})
            as_shells += [morph] * count
    folder = tmp_path_factory.mktemp("layouts")
    wide = "[records.wide]\n" + "".join(f'"{c}/{b}" = "m{k}"\n' for k, (c, b) in enumerate(MORPHS))
    found = {
        "counts": judge(folder, as_counts),
        "wide": judge(folder, as_wide, records='layout = "wide"\n' + METRES + wide),
    }
    if as_shells:
        found["shells"] = judge(folder, as_shells, records='layout = "shells"\n' + METRES)
    expected = Counter(
        {
            (f"S{number}", "Cepaea nemoralis", colour, BAND_CLASS[banding]): count
            for number, of_site in enumerate(counts)
            for (colour, banding), count in zip(MORPHS, of_site, strict=True)
            if count
        }
    )
    for layout, one in found.items():
        assert counted(one) == expected, layout
        assert one.account["rejected"] == 0


def test_wide_rows_skip_blanks_reject_bad_cells_and_keep_searches_that_found_nothing(tmp_path: Path) -> None:
    base = {name: text for name, text in GOOD.items() if name not in ("colour", "banding", "count")}
    wide = '[records.wide]\n"yellow/unbanded" = "Y0"\n"/12345" = "five"\n"brown/" = "B"\n'
    rows = [
        base | {"Y0": "3", "five": "", "B": "2"},
        base | {"Y0": "0", "five": "0", "B": "", "species": ""},
        base | {"Y0": "1", "five": "two", "B": "2"},
        base | {"Y0": "1", "five": "-2", "B": "2"},
        base | {"Y0": "", "five": "", "B": ""},
    ]
    found = judge(tmp_path, rows, records='layout = "wide"\n' + METRES + wide)
    assert reasons(found) == {4: "count-not-whole", 5: "count-negative", 6: "count-missing"}
    assert "column 'five'" in found.rejected["reason"].iloc[0]
    table = found.accepted
    assert table[["row", "colour", "band_class", "count"]].to_numpy().tolist() == [
        [2, "yellow", "unbanded", 3],
        [2, "brown", "", 2],
        [3, "", "", 0],
    ]
    assert table["not_counted_because"].iloc[2] == "searched, none found"
    assert (found.account["rows"], found.account["accepted"], found.account["observations"]) == (5, 2, 3)


def test_earlier_surveys_are_read_alike_and_named(tmp_path: Path) -> None:
    write_rows(tmp_path / "old.csv", [GOOD | {"date": "1984"}, GOOD | {"count": "x"}])
    earlier = '[[records.earlier]]\nname = "1984"\npath = "old.csv"\n[records.earlier.position]\n'
    earlier += 'written_as = "easting-northing"\ncrs = "EPSG:2154"\n'
    found = judge(tmp_path, [GOOD], records=METRES + earlier)
    assert found.accepted["survey"].tolist() == ["", "1984"]
    assert found.accepted["year"].tolist() == [2025, 1984]
    assert [(line["survey"], line["rows"], line["rejected"]) for line in found.account["sources"]] == [
        ("", 1, 0), ("1984", 2, 1),
    ]  # fmt: skip


def test_degrees_eastings_and_grid_references_land_on_one_place(tmp_path: Path) -> None:
    # The worked example of Ordnance Survey, "A guide to coordinate systems in Great Britain", annex C: on OSGB36
    # 52 39 27.2531 N 1 43 4.5177 E is E 651409.903 N 313177.270.
    row = {name: text for name, text in GOOD.items() if name not in ("easting", "northing")}
    write_rows(tmp_path / "degrees.csv", [row | {"longitude": "1°43'4.5177\"E", "latitude": "52°39'27.2531\"N"}])
    write_rows(tmp_path / "metres.csv", [row | {"easting": "651409,903", "northing": "313177,270"}])
    write_rows(tmp_path / "letters.csv", [row | {"grid_reference": "TG 51409 13177"}])
    (tmp_path / "study.toml").write_text(
        """
[study]
name = "east"
crs = "EPSG:27700"
[[records]]
path = "degrees.csv"
[records.position]
crs = "EPSG:4277"
[[records]]
path = "metres.csv"
[records.position]
written_as = "easting-northing"
crs = "EPSG:27700"
[[records]]
path = "letters.csv"
[records.position]
written_as = "grid-reference"
""",
        encoding="utf-8",
    )
    table = assess(load_study(tmp_path / "study.toml"), today=TODAY).accepted
    assert len(table) == 3
    np.testing.assert_allclose(table["x_m"], 651409.903, atol=1.0)
    np.testing.assert_allclose(table["y_m"], 313177.270, atol=1.0)
    np.testing.assert_allclose(table["x_m"].iloc[:2], 651409.903, atol=1e-3)
    np.testing.assert_allclose(table["y_m"].iloc[:2], 313177.270, atol=1e-3)
    # A metre's square: half its diagonal; the others by the receiver's 10 m.
    np.testing.assert_allclose(table["position_uncertainty_m"], [10, 10, np.sqrt(0.5)])
    assert table["grid_reference"].tolist() == ["", "", "TG 51409 13177"]
    assert table["crs"].tolist() == ["EPSG:4277", "EPSG:27700", "EPSG:27700"]


@settings(max_examples=8)
@given(st.lists(st.tuples(st.floats(-20_000, 20_000), st.floats(-20_000, 20_000)), min_size=1, max_size=40))
def test_the_same_places_in_degrees_and_in_metres_agree_within_a_metre(
    tmp_path_factory: pytest.TempPathFactory, offsets: list[tuple[float, float]]
) -> None:
    folder = tmp_path_factory.mktemp("places")
    row = {name: text for name, text in GOOD.items() if name not in ("easting", "northing")}
    as_degrees, as_metres = [], []
    for number, (east, north) in enumerate(offsets):
        longitude, latitude = degrees(EAST + east, NORTH + north)
        as_degrees.append(row | {"site": f"S{number}", "longitude": f"{longitude:.6f}", "latitude": f"{latitude:.6f}"})
        as_metres.append(
            row | {"site": f"S{number}", "easting": f"{EAST + east:.1f}", "northing": f"{NORTH + north:.1f}"}
        )
    metres = judge(folder, as_metres).accepted
    lonlat = judge(folder, as_degrees, records="[records.position]\n").accepted
    np.testing.assert_allclose(lonlat[["x_m", "y_m"]], metres[["x_m", "y_m"]], atol=1.0)


def test_uncertainty_follows_the_row_then_the_source_then_the_decimals(tmp_path: Path) -> None:
    longitude, latitude = degrees(EAST, NORTH)
    row = {name: text for name, text in GOOD.items() if name not in ("easting", "northing")}
    rows = [
        row | {"longitude": f"{longitude:.3f}", "latitude": f"{latitude:.3f}"},
        row | {"longitude": f"{longitude:.3f}", "latitude": f"{latitude:.3f}", "position_uncertainty_m": "30 m"},
        row | {"longitude": f"{longitude:.6f}", "latitude": f"{latitude:.6f}"},
    ]
    plain = judge(tmp_path, rows, records="[records.position]\n").accepted["position_uncertainty_m"]
    accuracy = np.sqrt(plain.iloc[1] ** 2 - 30**2)
    # Half a thousandth of a degree is 55.6 m of latitude (40 008 km / 360 / 2000) and cos(latitude) of it of longitude.
    half = 40_008_000 / 360 / 2000
    diagonal = np.hypot(half, half * np.cos(np.radians(latitude)))
    assert plain.iloc[0] == pytest.approx(np.hypot(diagonal, accuracy), rel=5e-3)
    assert plain.iloc[2] == pytest.approx(np.hypot(10, accuracy), rel=1e-9)
    stated = judge(tmp_path, rows, records="[records.position]\nuncertainty_m = 12\n").accepted
    np.testing.assert_allclose(stated["position_uncertainty_m"], np.hypot([12, 30, 12], accuracy))


def test_a_geopackages_points_are_the_places(tmp_path: Path) -> None:
    longitude, latitude = degrees(EAST, NORTH)
    frame = pd.DataFrame([{k: v for k, v in GOOD.items() if k not in ("easting", "northing")}] * 2)
    frame["site"] = ["A", "B"]
    points = gpd.GeoDataFrame(frame, geometry=[shapely.Point(longitude, latitude), None], crs=4326)
    points.to_file(tmp_path / "rows.gpkg")
    study = make_study(tmp_path, [], records="[records.position]\n")
    text = (tmp_path / "study.toml").read_text(encoding="utf-8").replace("rows.csv", "rows.gpkg")
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    found = assess(load_study(study.file), today=TODAY)
    assert reasons(found) == {2: "position-missing"}
    first = found.accepted.iloc[0]
    assert first["longitude"] == pytest.approx(longitude)
    assert first["x_m"] == pytest.approx(EAST, abs=0.01)


def test_a_site_without_a_name_is_numbered(tmp_path: Path) -> None:
    rows = [GOOD | {"site": "", "easting": "500000.4"}, GOOD | {"site": "", "easting": "500000.3", "colour": "pink"}]
    assert judge(tmp_path, rows).accepted["site"].tolist() == ["unnamed 0001"] * 2


def test_all_problems_of_all_files_come_at_once_with_the_nearest_column(tmp_path: Path) -> None:
    longitude_row = {"Lon": "1", "Lat": "2", "Species": "x"}
    write_rows(tmp_path / "b.csv", [longitude_row])
    (tmp_path / "study.toml").write_text(
        """
[study]
name = "v"
crs = "EPSG:2154"
[[records]]
path = "b.csv"
[records.columns]
longitude = "lonn"
latitude = "Lat"
[[records]]
path = "absent.csv"
""",
        encoding="utf-8",
    )
    with pytest.raises(SourceError, match=r"absent\.csv") as caught:
        assess(load_study(tmp_path / "study.toml"))
    message = str(caught.value)
    assert "b.csv: the column 'lonn' named for longitude isn't there; nearest: 'Lon'" in message
    assert "b.csv: no column holds count" in message
    assert "absent.csv: there is no such file" in message
    assert len(caught.value.problems) == 3


@pytest.mark.parametrize(
    ("drop", "records", "message"),
    [
        (("species",), METRES, "no column holds species"),
        (("count",), METRES, "no column holds count"),
        (("easting",), METRES, "no column holds easting"),
        ((), "[records.position]\n", 'set written_as = "easting-northing" under position'),
        ((), '[records.position]\nwritten_as = "easting-northing"\n', "is not projected"),
        ((), '[records.position]\nwritten_as = "easting-northing"\ncrs = "EPSG:0"\n', "EPSG:0"),
        ((), 'layout = "wide"\n' + METRES + '[records.wide]\n"yellow" = "colour"\n', "there is no slash"),
        ((), 'layout = "wide"\n' + METRES + '[records.wide]\n"red/00000" = "colour"\n', "red"),
        ((), 'layout = "wide"\n' + METRES + '[records.wide]\n"yellow/00000" = "colours"\n', "nearest: 'colour'"),
    ],
)
def test_what_the_study_file_asks_and_the_file_lacks_is_said(
    tmp_path: Path, drop: tuple[str, ...], records: str, message: str
) -> None:
    row = {name: text for name, text in GOOD.items() if name not in drop}
    with pytest.raises(SourceError, match=message):
        judge(tmp_path, [row], records=records)


def test_a_study_crs_in_degrees_stops_the_run(tmp_path: Path) -> None:
    study = make_study(tmp_path, [GOOD])
    text = study.file.read_text(encoding="utf-8").replace(
        'name = "valley"\ncrs = "EPSG:2154"', 'name = "valley"\ncrs = "EPSG:4326"'
    )
    study.file.write_text(text, encoding="utf-8")
    with pytest.raises(StudyError, match="in degrees"):
        assess(load_study(study.file))


def test_columns_are_found_under_their_own_names_whatever_the_case(tmp_path: Path) -> None:
    names = {"site": "SITE", "species": " Species ", "position_uncertainty_m": "Position uncertainty m"}
    row = {names.get(name, name.upper()): text for name, text in (GOOD | {"position_uncertainty_m": "7"}).items()}
    found = judge(tmp_path, [row])
    assert found.accepted["position_uncertainty_m"].tolist() == [7]
    assert found.accepted["site"].tolist() == ["Mill"]


def test_the_order_of_day_and_month_is_found_in_the_file(tmp_path: Path) -> None:
    rows = [GOOD | {"date": "03/04/2024"}, GOOD | {"date": "04/13/2024"}]
    assert judge(tmp_path, rows).accepted["date"].tolist() == ["2024-03-04", "2024-04-13"]
    mixed = judge(tmp_path, [*rows, GOOD | {"date": "14/04/2024"}, GOOD | {"date": "15/04/2024"}])
    assert reasons(mixed) == {3: "date-unreadable"}
    assert any("some dates put the day first" in sentence for sentence in mixed.warnings)
    unclear = judge(tmp_path, rows[:1])
    assert unclear.accepted["date"].tolist() == ["2024-04-03"]
    assert any("whether the day or the month" in sentence for sentence in unclear.account["warnings"])
    fixed = judge(tmp_path, rows[:1], records='dates = "month-first"\n' + METRES)
    assert fixed.accepted["date"].tolist() == ["2024-03-04"]
    assert not fixed.warnings


cell = st.sampled_from(
    ["", "0", "3", "-1", "2.5", "yellow", "P", "00300", "345", "1(2)345", "Cepaea nemoralis", "C. hortensis", "snail",
     "adult", "juv", "dark", "white", "live", "500000", "6600000", "2025-05-03", "3/4/21", "x;y", "NA", "  ", "\u00e9"]
)  # fmt: skip


@settings(max_examples=40)
@given(rows=st.lists(st.lists(cell, max_size=14), min_size=1, max_size=25))
def test_no_row_goes_missing_whatever_stands_in_it(
    tmp_path_factory: pytest.TempPathFactory, rows: list[list[str]]
) -> None:
    folder = tmp_path_factory.mktemp("rows")
    study = make_study(folder, [GOOD])
    header = ",".join(GOOD)
    text = "\n".join([header, ",".join(GOOD.values()), *(",".join(cells) for cells in rows)]) + "\n"
    (folder / "rows.csv").write_text(text, encoding="utf-8")
    found = assess(study, today=TODAY)
    accepted, rejected = set(found.accepted["row"]), set(found.rejected["row"])
    assert accepted | rejected == set(range(2, len(rows) + 3))
    assert not accepted & rejected
    assert found.account["rows"] == found.account["accepted"] + found.account["rejected"] == len(rows) + 1
    assert set(found.rejected["reason_code"]) <= set(REASONS)
    assert set(found.flagged["flag_code"]) <= set(FLAGS)
    assert set(found.flagged["row"]) <= accepted
    assert (found.accepted["count"] >= 0).all()
    assert np.isfinite(found.accepted[["x_m", "y_m"]].to_numpy(dtype=float)).all()


def test_the_stage_writes_its_tables_the_same_every_time(tmp_path: Path) -> None:
    rows = [*spread(), GOOD | {"banding": "345", "note": "a, b"}, GOOD | {"count": "x"}]
    study = make_study(tmp_path, rows)
    assert set(STAGE.writes(study)) == set(STAGE.columns)
    written = []
    for name in ("one", "two"):
        context = Context(study, tmp_path / name, Workers())
        account = STAGE.run(context)
        json.dumps(account)
        written.append([context.path(table).read_bytes() for table in STAGE.writes(study)])
        for table in STAGE.writes(study):
            assert list(read_table(context.path(table)).columns) == list(STAGE.columns[table])
    assert written[0] == written[1]
    accepted = read_table(tmp_path / "one" / "private" / "records" / "accepted.csv")
    assert accepted["banding"].tolist()[-1] == "00345"
    assert STAGE.sources(study) == (tmp_path / "rows.csv",)


def test_messages_hold_no_recorders_name(tmp_path: Path) -> None:
    rows = [GOOD | {"recorder": "Perline Quillot"}] * 2 + [GOOD | {"recorder": "Perline Quillot", "count": "x"}]
    found = judge(tmp_path, rows)
    told = [*found.rejected["reason"], *found.flagged["flag"], *found.warnings, json.dumps(found.account)]
    assert len(told) > 3
    assert not any("Quillot" in sentence for sentence in told)


DEMO = Path(__file__).parents[2] / "config" / "demo.toml"


def test_every_row_planted_in_the_demo_meets_its_fate() -> None:
    truth = tomllib.loads((DEMO.parents[1] / "demo_data" / "truth.toml").read_text(encoding="utf-8"))
    found = assess(load_study(DEMO), today=TODAY)
    rejected = {(row.source, row.row): row.reason_code for row in found.rejected.itertuples()}
    flagged = {(row.source, row.row, row.flag_code) for row in found.flagged.itertuples()}
    counted = found.accepted.groupby(["source", "row"])["counted"].all().to_dict()
    planted = truth["planted_row"]
    for row in planted:
        place = (row["source"], row["row"])
        if row["fate"] == "rejected":
            assert rejected.get(place) == row["code"], row["what"]
            continue
        assert place in counted, row["what"]
        if row["fate"] == "flagged":
            assert (*place, row["code"]) in flagged, row["what"]
        else:
            assert counted[place] == row["counted"], row["what"]
    assert set(rejected) == {(row["source"], row["row"]) for row in planted if row["fate"] == "rejected"}
