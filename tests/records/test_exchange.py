"""Events, occurrences and measurements of a few rows, worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from made_studies import accepted
from morphcline.files.tables import TEXT
from morphcline.records.exchange import ArchiveTables, Dataset, archive_tables, dataset_identifier

ABOUT = Dataset(
    dataset_identifier("orsel", ""), "Orsel", "CC0", "Museum", "", ("Cepaea nemoralis",), "EPSG:2154",
    names_shown=False, habitat_method="by raster", temperature_method="bilinear",
)  # fmt: skip


def tables(*rows: dict[str, object], blur_m: float = 1000.0, singly: bool = False, **site: object) -> ArchiveTables:
    records = accepted(*({"longitude": 0.5, "latitude": 46.5, "crs": "EPSG:4326", **row} for row in rows))
    texts = {name: records[name].astype(object).fillna("") for name in TEXT if name in records}
    records = records.assign(blur_m=blur_m, **texts)
    names = records["site"].unique()
    told = {"lon": 0.5, "lat": 46.5, "position_uncertainty_m": 718.0, "blur_m": blur_m, "habitat": "woodland",
            "habitat_share": 0.8, "temperature_c": 11.5, **site}  # fmt: skip
    sites = pd.DataFrame({"site": names, **told})
    return archive_tables(
        records, sites, ABOUT, singly=np.full(len(records), singly),
        to_degrees=lambda easting, northing: (easting / 1e6, northing / 1e5),
    )  # fmt: skip


def test_a_visit_hangs_on_its_site() -> None:
    told = tables({}, {"colour": "pink", "count": 4}, {"visit": "second", "date": "2025-07"})
    assert told.events[["eventID", "parentEventID", "fieldNumber", "eventDate"]].to_numpy().tolist() == [
        ["orsel:survey:a", "", "", ""],
        ["orsel:survey:a:2025-06-01", "orsel:survey:a", "", "2025-06-01"],
        ["orsel:survey:a:second:2025-07", "orsel:survey:a", "second", "2025-07"],
    ]
    assert told.occurrences["occurrenceID"].tolist() == [
        "orsel:survey:a:2025-06-01:cepaea-nemoralis:yellow:unbanded:adult-live",
        "orsel:survey:a:2025-06-01:cepaea-nemoralis:pink:unbanded:adult-live",
        "orsel:survey:a:second:2025-07:cepaea-nemoralis:yellow:unbanded:adult-live",
    ]
    assert told.occurrences["organismQuantity"].tolist() == [1, 4, 1]


def test_a_site_that_holds_a_colon_is_not_taken_for_a_visit() -> None:
    told = tables({"site": "a"}, {"site": "a:2025-06-01", "visit": "", "date": ""})
    assert told.events["eventID"].tolist() == [
        "orsel:survey:a", "orsel:survey:a%3A2025-06-01", "orsel:survey:a:2025-06-01",
        "orsel:survey:a%3A2025-06-01:@undated",
    ]  # fmt: skip


def test_a_row_that_differs_from_its_visit_says_so_itself() -> None:
    told = tables({"habitat": "hedge"}, {"habitat": "wood"}, {"position_uncertainty_m": 99.0, "habitat": "wood"})
    visit = told.events.iloc[1]
    assert visit["coordinateUncertaintyInMeters"] == 10.0
    assert visit["habitat"] == ""
    assert told.occurrences["habitat"].tolist() == ["hedge", "wood", "wood"]
    assert told.occurrences["coordinateUncertaintyInMeters"].fillna(0).tolist() == [0, 0, 99.0]
    assert told.occurrences["geodeticDatum"].tolist() == ["", "", "EPSG:4326"]
    # Alike but for that: numbered, not merged.
    assert [name.rpartition(":")[2] for name in told.occurrences["occurrenceID"]] == ["1", "2", "3"]


def test_shells_in_rows_of_their_own_are_one_morph() -> None:
    rows = ({}, {}, {"colour": "pink"}, {"mended": "banding 0 read as 00000"})
    told = tables(*rows, singly=True)
    assert told.occurrences["organismQuantity"].tolist() == [3, 1]
    units = told.measurements[told.measurements["measurementType"] == "recording unit"]
    assert units["measurementValue"].tolist() == ["single shells", "single shells"]
    remarks = set(told.measurements.loc[told.measurements["occurrenceID"] != "", "measurementRemarks"])
    assert remarks == {"", "banding 0 read as 00000"}
    assert tables(*rows).occurrences["organismQuantity"].tolist() == [1, 1, 1, 1]


def test_what_was_mended_in_the_date_is_told_of_the_visit_and_not_of_the_banding() -> None:
    rows = (
        {"banding": "00345", "mended": "345 read as 00345; date 45809 read as 2025-06-01"},
        {"banding": "00345", "mended": "date 45809 read as 2025-06-01"},
    )
    for order in (rows, rows[::-1]):
        told = tables(*order, singly=True)
        assert told.occurrences["organismQuantity"].tolist() == [2]
        assert told.events["verbatimEventDate"].tolist() == ["", "45809"]
        remarks = told.measurements.set_index("measurementType")["measurementRemarks"]
        assert remarks["shell banding formula"] == remarks["shell banding class"] == "345 read as 00345"


def test_shells_that_do_not_count_say_why() -> None:
    told = tables(
        {"age": "juvenile", "species": "", "colour": "", "band_class": "", "counted": False,
         "not_counted_because": "juvenile"},
        {"count": 0, "colour": "", "band_class": "", "counted": False, "not_counted_because": "searched, none found"},
    )  # fmt: skip
    assert told.occurrences["occurrenceStatus"].tolist() == ["present", "absent"]
    assert told.occurrences["occurrenceRemarks"].tolist() == [
        "Not counted in frequencies: juvenile", "Searched, none found"
    ]  # fmt: skip
    assert told.occurrences["taxonRank"].tolist() == ["", "species"]
    reasons = told.measurements[told.measurements["measurementType"] == "counted in frequencies"]
    assert reasons[["measurementValue", "measurementRemarks"]].to_numpy().tolist() == [
        ["no", "juvenile"], ["no", "searched, none found"]
    ]  # fmt: skip
    # None was found, so nothing is unscored.
    scored = told.measurements[told.measurements["measurementType"] == "shell ground colour"]
    assert scored["measurementValue"].tolist() == ["unscored"]


@pytest.mark.parametrize(
    ("blur_m", "generalized", "withheld"),
    [
        (0.0, "", "Withheld: recorders' names and notes. Ask Museum."),
        (500.0, "Shown at the centre of the square of 500 m", "Withheld: the exact place, recorders' names and notes."),
        (float("nan"), "", "Withheld: the place, recorders' names and notes. Ask Museum."),
    ],
)
def test_what_was_done_to_a_place_is_told(blur_m: float, generalized: str, withheld: str) -> None:
    told = tables({}, blur_m=blur_m).events
    assert all(text.startswith(generalized) and bool(text) == bool(generalized) for text in told["dataGeneralizations"])
    assert all(text.startswith(withheld) for text in told["informationWithheld"])


def test_a_place_without_coordinates_has_no_datum_and_no_radius() -> None:
    nowhere = {"x_m": np.nan, "y_m": np.nan, "longitude": np.nan, "latitude": np.nan, "position_uncertainty_m": np.nan}
    told = tables(nowhere, blur_m=float("nan"), lon=np.nan, lat=np.nan, position_uncertainty_m=np.nan).events
    assert told[["decimalLatitude", "decimalLongitude", "coordinateUncertaintyInMeters"]].isna().all(axis=None)
    assert (told["geodeticDatum"] == "").all()


def test_metres_become_degrees_and_stand_as_they_were_recorded() -> None:
    told = tables(
        {"longitude": np.nan, "latitude": np.nan, "crs": "EPSG:27572", "easting": 650_000.5, "northing": 2_170_000.0},
        blur_m=0.0,
    ).events.iloc[1]
    assert (told["decimalLongitude"], told["decimalLatitude"]) == (0.7, 66.0)
    assert told["verbatimCoordinates"] == "650000.5 2170000"
    assert told["verbatimSRS"] == "EPSG:27572"


def test_what_rasters_say_belongs_to_the_site() -> None:
    facts = tables({}).measurements
    site = facts[facts["occurrenceID"] == ""]
    assert site[["eventID", "measurementType", "measurementValue", "measurementUnit", "measurementMethod"]].to_numpy(
    ).tolist() == [
        ["orsel:survey:a", "habitat class of a raster", "woodland", "", "by raster"],
        ["orsel:survey:a", "temperature", "11.5", "°C", "bilinear"],
    ]  # fmt: skip
    without = tables({}, habitat="", habitat_share=np.nan, temperature_c=np.nan).measurements
    assert (without["occurrenceID"] != "").all()
