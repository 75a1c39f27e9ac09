"""One position a site, with how well it is known."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import shapely

from made_studies import accepted, make_context
from morphcline.errors import StudyError
from morphcline.files.tables import read_table
from morphcline.places.transforms import area_lonlat, check_working_crs
from morphcline.stages.locate import STAGE, locate

EAST, NORTH = 700_000.0, 6_600_000.0  # Lambert-93's own origin: 3 E, 46.5 N


def test_a_line_for_every_site_of_every_survey_in_order(tmp_path: Path) -> None:
    records = accepted(
        {"site": "b", "x_m": EAST + 50},
        {"site": "a"},
        {"site": "a", "source": "m.xlsx"},
        {"survey": "1984", "site": "a", "x_m": EAST + 99},
    )
    context = make_context(tmp_path, records)
    account = STAGE.run(context)
    places = read_table(context.path("private/tables/places.csv"))
    assert places[["survey", "site", "x_m", "records"]].to_numpy().tolist() == [
        ["", "a", EAST, 2],
        ["", "b", EAST + 50, 1],
        ["1984", "a", EAST + 99, 1],
    ]
    assert places["sources"].tolist() == ["m.xlsx; r.csv", "r.csv", "r.csv"]
    assert list(places.columns) == list(STAGE.columns["private/tables/places.csv"])
    assert account["sites"] == {"this survey": 2, "1984": 1}
    assert account["warnings"] == []
    json.dumps(account)  # plain values


def test_longitude_and_latitude_are_those_of_the_projections_origin() -> None:
    places = locate(accepted({}), "EPSG:2154")
    assert places.loc[0, "lon"] == pytest.approx(3.0, abs=1e-6)
    assert places.loc[0, "lat"] == pytest.approx(46.5, abs=1e-6)


def test_visits_decide_which_of_near_places_it_is_not_the_number_of_rows() -> None:
    records = accepted(
        *[{"visit": "v1", "x_m": EAST, "colour": colour} for colour in ("yellow", "pink", "brown")],
        {"visit": "v2", "x_m": EAST + 40},
        {"visit": "v3", "x_m": EAST + 40},
    )
    places = locate(records, "EPSG:2154")
    assert places.loc[0, "x_m"] == EAST + 40
    assert places.loc[0, "spread_m"] == 40
    assert places.loc[0, "position_uncertainty_m"] == 40
    assert places.loc[0, "records"] == 5


def test_one_row_elsewhere_does_not_move_a_site_however_exact_it_is() -> None:
    away = {"x_m": EAST + 300_000, "position_uncertainty_m": 1.0}
    seven = [{"position_uncertainty_m": 71.0, "colour": "pink"}] * 7
    # A row of the wide layout gives several observations, and still has one vote.
    places = locate(accepted(*seven, *[{**away, "row": 99}] * 9), "EPSG:2154")
    assert places.loc[0, "x_m"] == EAST
    assert places.loc[0, "position_uncertainty_m"] == 71
    assert places.loc[0, "spread_m"] == 300_000


def test_an_undated_record_counts_as_one_visit() -> None:
    records = accepted({"visit": "", "date": ""}, {"visit": "", "date": "2024", "x_m": EAST + 8})
    assert locate(records, "EPSG:2154").loc[0, "spread_m"] == 8


def test_sites_with_distant_records_are_pointed_out(tmp_path: Path) -> None:
    context = make_context(tmp_path, accepted({"site": "lane"}, {"site": "lane", "y_m": NORTH + 3000}, {"site": "b"}))
    (warning,) = STAGE.run(context)["warnings"]
    assert (
        "1 site has records more than 100 m apart (it is lane, 3 km): is it one place? It lies where most rows say."
        in warning
    )


def test_the_operations_are_accounted_for_with_what_they_lack(tmp_path: Path) -> None:
    records = accepted(
        {"crs": "EPSG:4258", "x_m": 452_000.0, "y_m": 250_000.0, "transformation": "over WGS 84"},
        {"crs": "EPSG:27700", "x_m": 452_000.0, "y_m": 250_000.0},
    )
    account = STAGE.run(make_context(tmp_path, records, crs="EPSG:27700"))
    none, shift = account["transformations"]
    assert (shift["source"], shift["crs"], shift["transformation"]) == ("r.csv", "EPSG:4258", "over WGS 84")
    assert none["accuracy_m"] == 0
    if not shift["best_available"]:
        assert shift["missing_grid"] == "uk_os_OSTN15_NTv2_OSGBtoETRS.tif"
    assert account["warnings"] == []  # intake tells what they lack


@pytest.mark.parametrize(
    ("crs", "sentence"),
    [
        ("EPSG:3857", "stretches or shrinks distances"),
        ("EPSG:4326", "measures in degrees"),
        ("EPSG:9", "is no coordinate"),
    ],
)
def test_a_working_crs_that_cannot_be_measured_in_stops_the_run(tmp_path: Path, crs: str, sentence: str) -> None:
    place = {"x_m": 333_958.0, "y_m": 5_861_000.0} if crs == "EPSG:3857" else {"x_m": 3.0, "y_m": 46.5}
    with pytest.raises(StudyError, match=sentence):
        STAGE.run(make_context(tmp_path, accepted(place), crs=crs))


def test_no_accepted_record_stops_the_run(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="no record was accepted"):
        STAGE.run(make_context(tmp_path, accepted({}).iloc[:0]))


def test_sites_outside_the_study_area_are_told(tmp_path: Path) -> None:
    square = json.loads(shapely.to_geojson(shapely.box(2.9, 46.4, 3.1, 46.6)))
    (tmp_path / "area.geojson").write_text(json.dumps({"type": "Feature", "properties": {}, "geometry": square}))
    records = accepted({"site": "in"}, {"site": "out", "x_m": EAST + 50_000})
    context = make_context(tmp_path, records, 'area = "area.geojson"')
    assert STAGE.sources(context.study) == (tmp_path / "area.geojson",)
    (warning,) = STAGE.run(context)["warnings"]
    assert warning == "1 site lies outside the study area of area.geojson; it counts all the same."


def test_a_stray_site_is_told_and_judges_neither_the_crs_nor_the_operations(tmp_path: Path) -> None:
    rows = [{"site": f"s{k}", "x_m": EAST + 2000 * k} for k in range(12)]
    records = accepted(*rows, {"site": "stray", "x_m": EAST + 1_500_000, "y_m": NORTH - 9e5})
    with pytest.raises(StudyError, match="stretches or shrinks distances"):  # as it would where the stray one lies
        check_working_crs("EPSG:2154", area_lonlat("EPSG:2154", records["x_m"], records["y_m"]))
    context = make_context(tmp_path, records)
    account = STAGE.run(context)
    assert account["far_sites"] == ["stray"]
    (warning,) = account["warnings"]
    assert warning == (
        "1 site lies far from the rest (it is stray, 1,739 km from the middle of the survey); the area of surfaces and "
        "maps leaves it out: is the place right?"
    )
    json.dumps(account)
