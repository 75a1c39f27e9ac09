"""Habitat and temperature at sites whose answer can be read off a small raster."""

from __future__ import annotations

import json
import math
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from made_rasters import EAST, NORTH, write_raster
from made_studies import accepted, make_context
from morphcline.errors import SourceError, StudyError
from morphcline.files.tables import read_table
from morphcline.stages import locate
from morphcline.stages.base import Account, Context
from morphcline.stages.landscape import STAGE

# Four fields of 1 km, each of 4 x 4 cells of 250 m: wood and scrub in the north, grass and code 9 in the south.
FIELDS = np.kron(np.array([[1, 2], [3, 9]], dtype=np.uint8), np.ones((4, 4), dtype=np.uint8))
CLASSES = '[habitat.classes]\n1 = "woodland"\n2 = "scrub"\n3 = "short grass"\n'
HABITAT = f'---\n[habitat]\npath = "habitat.tif"\nradius_m = 100\n{CLASSES}'
WOOD, SCRUB, GRASS, OTHER = (
    {"x_m": EAST + across, "y_m": NORTH + up} for across, up in ((500, 1500), (1500, 1500), (500, 500), (1500, 500))
)


@pytest.fixture
def habitat(tmp_path: Path) -> Path:
    return write_raster(tmp_path / "habitat.tif", FIELDS, cell=250.0)


def run(context: Context) -> Account:
    locate.STAGE.run(context)
    account = STAGE.run(context)
    json.dumps(account)  # plain values
    return account


def test_shares_and_the_largest_class(tmp_path: Path, habitat: Path) -> None:
    # On the line between wood and scrub half each; half a radius west of it all but a segment,
    # 1/3 - sqrt(3)/(4 pi) of a circle, is wood.
    records = accepted(
        {"site": "line", "x_m": EAST + 1000, "y_m": NORTH + 1500},
        {"site": "near", "x_m": EAST + 950, "y_m": NORTH + 1500},
        {"site": "wood", **WOOD},
    )
    context = make_context(tmp_path, records, HABITAT)
    run(context)
    sites = read_table(context.path("private/tables/sites.csv")).set_index("site")
    segment = 1 / 3 - math.sqrt(3) / (4 * math.pi)
    assert sites["share_scrub"].to_dict() == pytest.approx({"line": 0.5, "near": segment, "wood": 0.0}, abs=1e-3)
    assert sites["share_woodland"].to_numpy() == pytest.approx(1 - sites["share_scrub"].to_numpy())
    assert sites.loc[["near", "wood"], "habitat"].tolist() == ["woodland", "woodland"]
    assert sites.loc["near", "habitat_share"] == pytest.approx(1 - segment, abs=1e-3)
    assert "share_short_grass" not in sites.columns  # found at no site


def test_codes_not_listed_are_reported_and_counted_as_unlisted(tmp_path: Path, habitat: Path) -> None:
    records = accepted({"site": "a", **OTHER}, {"site": "b", "x_m": EAST + 1020, "y_m": NORTH + 500})
    context = make_context(tmp_path, records, HABITAT)
    account = run(context)
    sites = read_table(context.path("private/tables/sites.csv"))
    assert sites["habitat"].tolist() == ["unlisted", "unlisted"]
    assert sites["share_unlisted"][0] == pytest.approx(1.0)
    assert account["habitat"]["unlisted"] == {"9": 2}
    assert any("habitat.tif: code 9, found at 2 sites, is not listed" in text for text in account["warnings"])


def test_without_a_radius_the_cell_at_the_point_counts(tmp_path: Path, habitat: Path) -> None:
    context = make_context(
        tmp_path, accepted({"site": "near", "x_m": EAST + 999, "y_m": NORTH + 1500}), HABITAT.replace("100", "0")
    )
    run(context)
    site = read_table(context.path("private/tables/sites.csv")).iloc[0]
    assert (site["habitat"], site["habitat_share"], site["share_woodland"]) == ("woodland", 1.0, 1.0)


def test_a_site_mostly_off_the_raster_has_no_habitat(tmp_path: Path, habitat: Path) -> None:
    records = accepted(
        {"site": "in", **WOOD},
        {"site": "edge", "x_m": EAST - 20, "y_m": NORTH + 1500},
        {"site": "far", "x_m": EAST - 5000, "y_m": NORTH},
    )
    context = make_context(tmp_path, records, HABITAT)
    account = run(context)
    sites = read_table(context.path("private/tables/sites.csv")).set_index("site")
    assert sites["habitat"].to_dict() == {"in": "woodland", "edge": "", "far": ""}
    assert 0 < sites.loc["edge", "share_woodland"] < 0.5
    assert math.isnan(sites.loc["far", "habitat_share"])
    assert {key: account["habitat"][key] for key in ("inside", "nodata", "outside")} == {
        "inside": 1,
        "nodata": 0,
        "outside": 2,
    }
    assert "habitat.tif: 2 sites lie off the raster and have no habitat." in account["warnings"]


def test_a_raster_elsewhere_stops_the_run(tmp_path: Path) -> None:
    write_raster(tmp_path / "habitat.tif", FIELDS, cell=250.0, left=EAST + 1e5)
    with pytest.raises(SourceError, match=r"habitat\.tif: the raster covers none of the sites"):
        run(make_context(tmp_path, accepted(WOOD), HABITAT))


def test_a_raster_without_crs_stops_the_run_with_one_sentence(tmp_path: Path) -> None:
    write_raster(tmp_path / "habitat.tif", FIELDS, cell=250.0, crs=None)
    with pytest.raises(SourceError) as caught:
        run(make_context(tmp_path, accepted(WOOD), HABITAT))
    assert len(caught.value.problems) == 1
    assert str(caught.value).startswith("habitat.tif: the raster doesn't say in which coordinate reference system")


def test_shells_samples_and_what_was_not_counted(tmp_path: Path) -> None:
    records = accepted(
        {"count": 7},
        {"count": 5, "visit": "2025-08-01", "species": "Cepaea hortensis"},
        {"count": 4, "counted": False, "age": "juvenile", "species": ""},
        {"count": None, "counted": False, "visit": "2025-09-01"},
    )
    context = make_context(tmp_path, records)
    account = run(context)
    site = read_table(context.path("private/tables/sites.csv")).iloc[0]
    assert (site["shells"], site["samples"], site["seen_not_counted"]) == (12, 3, 4)
    assert account["shells"] == 12


def test_a_study_without_rasters_runs_and_says_what_is_left_out(tmp_path: Path) -> None:
    context = make_context(tmp_path, accepted({"habitat": "hedge"}))
    account = run(context)
    sites = read_table(context.path("private/tables/sites.csv"))
    declared = STAGE.columns["private/tables/sites.csv"]
    assert list(sites.columns) == [name for name in declared if name != "share_<class>"]
    assert (sites.loc[0, "habitat"], sites.loc[0, "habitat_noted"]) == ("", "hedgerow")
    assert math.isnan(sites.loc[0, "temperature_c"])
    assert len(account["left_out"]) == 2
    assert STAGE.sources(context.study) == ()


def test_notes_and_raster_are_compared_site_by_site(tmp_path: Path, habitat: Path) -> None:
    records = accepted(
        {"site": "a", **WOOD, "habitat": "beech wood"},
        {"site": "b", **WOOD, "habitat": "hedge"},
        {"site": "c", **SCRUB, "habitat": "bramble"},
        {"site": "d", **SCRUB, "habitat": "hedge by the wood"},
        {"site": "e", **GRASS},
        {"site": "f", "x_m": EAST - 5000, "habitat": "garden"},
    )
    context = make_context(tmp_path, records, HABITAT)
    account = run(context)
    table = read_table(context.path("tables/habitat_agreement.csv")).fillna("")
    assert table.to_numpy().tolist() == [
        ["garden and urban", "", 1],
        ["hedgerow", "woodland", 1],
        ["scrub", "scrub", 1],
        ["woodland", "woodland", 1],
    ]
    assert (account["habitat_noted"], account["habitat_agrees"]) == (4, 2)
    # A note may say whose hedge it is, and warnings are public.
    assert any("1 wording of the recorders' habitat notes" in text for text in account["warnings"])
    assert not any("hedge by the wood" in text for text in account["warnings"])


def test_the_class_noted_on_most_visits_stands_the_latest_of_two(tmp_path: Path) -> None:
    visits = [
        ("a", "2021", "wood"),
        ("a", "2022", "hedge"),
        ("b", "2021", "wood"),
        ("b", "2022", "wood"),
        ("b", "2023", "hedge"),
    ]
    records = accepted(*[{"site": site, "visit": year, "date": year, "habitat": note} for site, year, note in visits])
    context = make_context(tmp_path, records)
    run(context)
    assert read_table(context.path("private/tables/sites.csv"))["habitat_noted"].tolist() == ["hedgerow", "woodland"]


TEMPERATURE = '---\n[temperature]\npath = "t.tif"\n'


@pytest.mark.parametrize(
    ("units", "cells"), [("celsius", [[8.0, 10.0]]), ("kelvin", [[281.15, 283.15]]), ("fahrenheit", [[46.4, 50.0]])]
)
def test_temperature_is_interpolated_and_in_celsius(tmp_path: Path, units: str, cells: list[list[float]]) -> None:
    write_raster(tmp_path / "t.tif", np.array(cells), cell=1000.0)
    records = accepted({"x_m": EAST + 750, "y_m": NORTH + 500})
    context = make_context(tmp_path, records, TEMPERATURE + f'units = "{units}"')
    run(context)
    # a quarter of the way between the centres: 8 + 2 / 4
    assert read_table(context.path("private/tables/sites.csv"))["temperature_c"][0] == pytest.approx(8.5)


def test_temperatures_that_cannot_be_question_the_units(tmp_path: Path) -> None:
    write_raster(tmp_path / "t.tif", np.full((2, 2), 283.15), cell=1000.0)
    with pytest.raises(
        StudyError, match=r"t\.tif, \[temperature\] units: 283\.15 read as celsius is 283\.\d+ °C at the site 'a'"
    ):
        run(make_context(tmp_path, accepted({"x_m": EAST + 500, "y_m": NORTH + 500}), TEMPERATURE))


def test_the_mean_within_a_radius(tmp_path: Path) -> None:
    write_raster(tmp_path / "t.tif", np.array([[8.0, 10.0]]), cell=1000.0)
    records = accepted({"x_m": EAST + 1000, "y_m": NORTH + 500})
    context = make_context(tmp_path, records, TEMPERATURE + "radius_m = 300")
    run(context)
    assert read_table(context.path("private/tables/sites.csv"))["temperature_c"][0] == pytest.approx(9.0)
    # The public sees the mean of the square, the eastern one: half of it is 10, half goes from 9 to 10.
    shown = read_table(context.path("tables/sites.csv"))
    assert (shown["x_m"][0], shown["temperature_c"][0]) == (EAST + 1500, pytest.approx(9.75, abs=0.051))


YEARS = TEMPERATURE + 'year = "record"\n'


def yearly(folder: Path) -> None:
    cells = np.array([[[8.0]], [[10.0]], [[15.0]]])
    write_raster(folder / "t.tif", cells, cell=1000.0, descriptions=["2021", "2022", "mean of 2024"])


@pytest.mark.parametrize(("visits", "expected"), [("latest", 10.0), ("pool", 9.0)])
def test_the_year_of_the_record_chooses_the_band(tmp_path: Path, visits: str, expected: float) -> None:
    yearly(tmp_path)
    place = {"x_m": EAST + 500, "y_m": NORTH + 500}
    records = accepted({**place, "year": 2021}, {**place, "year": 2022}, {**place, "year": 2024, "counted": False})
    context = make_context(tmp_path, records, YEARS + f'[scoring]\nvisits = "{visits}"')
    run(context)
    assert read_table(context.path("private/tables/sites.csv"))["temperature_c"][0] == pytest.approx(expected)


def test_years_without_a_band_and_sites_without_a_year_are_reported(tmp_path: Path) -> None:
    yearly(tmp_path)
    place = {"x_m": EAST + 500, "y_m": NORTH + 500}
    records = accepted(
        {**place, "site": "a", "year": 2021}, {**place, "site": "b", "year": 1999}, {**place, "site": "c", "year": None}
    )
    context = make_context(tmp_path, records, YEARS)
    account = run(context)
    known = np.isfinite(read_table(context.path("private/tables/sites.csv"))["temperature_c"])
    assert known.tolist() == [True, False, False]
    assert account["warnings"] == [
        "t.tif: no band is described by the year 1999 of 1 site; there are 2021 to 2024.",
        "t.tif: 1 site has no dated record, hence no temperature.",
    ]
    assert account["temperature"]["without_year"] == 2


def test_bands_without_years_stop_a_study_that_asks_for_them(tmp_path: Path) -> None:
    write_raster(tmp_path / "t.tif", np.full((1, 1), 9.0), cell=1000.0)
    with pytest.raises(SourceError, match=r"t\.tif: no band is described by a year"):
        run(make_context(tmp_path, accepted({"x_m": EAST + 500, "y_m": NORTH + 500}), YEARS))


def test_earlier_surveys_have_their_own_table_and_layer(tmp_path: Path, habitat: Path) -> None:
    records = accepted({**WOOD}, {**SCRUB, "survey": "1984", "site": "z", "count": 30})
    context = make_context(tmp_path, records, HABITAT)
    account = run(context)
    earlier = read_table(context.path("private/tables/earlier_sites.csv"))
    assert earlier[["survey", "site", "shells", "habitat"]].to_numpy().tolist() == [["1984", "z", 30, "scrub"]]
    assert (account["sites"], account["earlier_sites"]) == (1, 1)
    with sqlite3.connect(context.path("private/sites.gpkg")) as db:
        assert db.execute("SELECT site, shells, habitat, habitat_noted, temperature_c FROM sites").fetchall() == [
            ("a", 1, "woodland", None, None)
        ]
        assert db.execute("SELECT survey, site, habitat FROM earlier_sites").fetchall() == [("1984", "z", "scrub")]
    db.close()


def test_the_same_study_makes_the_same_bytes(tmp_path: Path, habitat: Path) -> None:
    context = make_context(tmp_path, accepted({**WOOD}, {**SCRUB, "site": "b"}), HABITAT)
    written = []
    for _ in range(2):
        run(context)
        written.append([context.path(name).read_bytes() for name in STAGE.writes(context.study)])
    assert written[0] == written[1]


def test_places_known_less_well_than_the_circle_are_told(tmp_path: Path, habitat: Path) -> None:
    records = accepted({**WOOD}, {**SCRUB, "site": "b", "position_uncertainty_m": 700.0})
    account = run(make_context(tmp_path, records, HABITAT))
    assert account["habitat"]["placed_less_well_than_radius"] == 1
    assert any(
        text.startswith("1 site is placed less well than the habitat radius of 100 m") for text in account["warnings"]
    )
