"""Archives as the Darwin Core Text Guide has them, column by column in published terms."""

from __future__ import annotations

import csv
import zipfile
from pathlib import Path
from xml.etree import ElementTree as Xml

import pandas as pd
import pytest

from morphcline.files.exchange.darwin_core import FILES, description, pack, write_archive
from morphcline.files.exchange.eml import About, date_range, licence_address, licence_title, metadata
from morphcline.files.exchange.terms import TABLES, address, kind, meaning
from morphcline.records.exchange import ArchiveTables

REFERENCE = Path(__file__).parents[2] / "reference" / "darwin_core_terms.csv"
GUIDE = "{http://rs.tdwg.org/dwc/text/}"


@pytest.fixture(scope="module")
def listed() -> dict[str, str]:
    with REFERENCE.open(encoding="utf-8", newline="") as file:
        return {row["address"]: row["term"] for row in csv.DictReader(file)}


def about(**changes: object) -> About:
    told = {
        "identifier": "orsel:survey", "title": "Orsel & <valley>", "abstract": "What was found.",
        "holder": "Orsel museum", "contact": "snails@example.org", "licence": "CC-BY-4.0", "published": "2026-05-01",
        "species": ("Cepaea nemoralis", "Cepaea"), "dates": ("2024-05-01", "1984", ""),
        "bounds": (0.25, 46.0, 0.5, 46.5), "methods": "By eye.",
    }  # fmt: skip
    return About(**(told | changes))  # type: ignore[arg-type]


def empty_tables() -> ArchiveTables:
    events, occurrences, measurements = (pd.DataFrame(columns=list(table.columns)) for table in TABLES)
    return ArchiveTables(events, occurrences, measurements)


def test_every_column_is_a_term_of_the_published_list(listed: dict[str, str]) -> None:
    for table in TABLES:
        assert table.row_type in listed
        for column in table.columns:
            assert listed.get(address(column)) == column
            assert kind(column) in ("string", "number", "integer")
            assert meaning(table, column)


def test_the_list_holds_no_invented_terms(listed: dict[str, str]) -> None:
    # What the check above would say of a misspelt column.
    assert address("eventDate") in listed
    assert address("eventdate") not in listed


def test_the_term_table_is_kept() -> None:
    # The terms that a survey of shells is to be told in, by its own table of them: event, place, shells, rights.
    columns = {column for table in TABLES for column in table.columns}
    assert columns >= {
        "eventID", "parentEventID", "locationID", "eventDate", "verbatimEventDate", "decimalLatitude",
        "decimalLongitude", "geodeticDatum", "verbatimCoordinates", "verbatimCoordinateSystem", "verbatimSRS",
        "coordinateUncertaintyInMeters", "locality", "habitat", "samplingProtocol", "scientificName", "taxonRank",
        "identifiedBy", "identificationQualifier", "measurementRemarks", "measurementDeterminedBy", "organismQuantity",
        "organismQuantityType", "measurementType", "measurementValue", "measurementMethod", "occurrenceStatus",
        "vitality", "basisOfRecord", "dataGeneralizations", "informationWithheld", "license", "rightsHolder",
        "datasetID", "datasetName",
    }  # fmt: skip


def test_meta_says_what_the_guide_asks_for() -> None:
    # Darwin Core Text Guide, sections on <archive>, <core>, <extension> and <field> (from memory).
    root = Xml.fromstring(description())
    assert root.tag == f"{GUIDE}archive"
    assert root.get("metadata") == "eml.xml"
    assert [part.tag.removeprefix(GUIDE) for part in root] == ["core", "extension", "extension"]
    for part, table in zip(root, TABLES, strict=True):
        assert part.get("rowType") == table.row_type
        assert part.get("encoding") == "UTF-8"
        assert part.get("fieldsTerminatedBy") == ","
        assert part.get("linesTerminatedBy") == "\\n"
        assert part.get("fieldsEnclosedBy") == '"'
        assert part.get("ignoreHeaderLines") == "1"
        assert [one.text for one in part.iter(f"{GUIDE}location")] == [table.file]
        key = part.find(f"{GUIDE}{'id' if part.tag.endswith('core') else 'coreid'}")
        assert key is not None
        assert key.get("index") == "0"
        assert table.columns[0] == "eventID"
        fields = part.findall(f"{GUIDE}field")
        assert [int(one.get("index", "")) for one in fields] == list(range(len(table.columns)))
        assert [one.get("term") for one in fields] == [address(column) for column in table.columns]


def test_headers_are_the_columns_of_meta(tmp_path: Path) -> None:
    assert write_archive(tmp_path, empty_tables(), about()) == FILES
    for table in TABLES:
        assert (tmp_path / table.file).read_bytes() == (",".join(table.columns) + "\n").encode()


def test_a_zip_holds_the_files_and_no_time(tmp_path: Path) -> None:
    write_archive(tmp_path, empty_tables(), about())
    pack(tmp_path, tmp_path / "first.zip")
    for path in tmp_path.glob("*.csv"):
        path.touch()
    pack(tmp_path, tmp_path / "second.zip")
    assert (tmp_path / "first.zip").read_bytes() == (tmp_path / "second.zip").read_bytes()
    with zipfile.ZipFile(tmp_path / "first.zip") as archive:
        assert archive.testzip() is None
        assert tuple(archive.namelist()) == FILES
        assert {entry.date_time for entry in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert archive.read("meta.xml") == (tmp_path / "meta.xml").read_bytes()


def test_eml_has_its_elements_in_their_order() -> None:
    # Ecological Metadata Language 2.2.0, eml-resource and eml-dataset (order of elements from memory).
    root = Xml.fromstring(metadata(about()))
    assert root.tag == "{https://eml.ecoinformatics.org/eml-2.2.0}eml"
    assert root.get("packageId") == "orsel:survey:2026-05-01"
    assert root.get("system")
    dataset = root.find("dataset")
    assert dataset is not None
    assert [part.tag for part in dataset] == [
        "alternateIdentifier", "title", "creator", "pubDate", "language", "abstract", "keywordSet",
        "intellectualRights", "licensed", "coverage", "contact", "methods",
    ]  # fmt: skip
    assert dataset.findtext("title") == "Orsel & <valley>"
    assert dataset.findtext("creator/organizationName") == "Orsel museum"
    assert dataset.findtext("contact/electronicMailAddress") == "snails@example.org"
    assert dataset.findtext("licensed/url") == "https://creativecommons.org/licenses/by/4.0/"
    box = dataset.find("coverage/geographicCoverage/boundingCoordinates")
    assert box is not None
    assert [(part.tag, part.text) for part in box] == [
        ("westBoundingCoordinate", "0.25"), ("eastBoundingCoordinate", "0.5"),
        ("northBoundingCoordinate", "46.5"), ("southBoundingCoordinate", "46"),
    ]  # fmt: skip
    dates = dataset.find("coverage/temporalCoverage/rangeOfDates")
    assert dates is not None
    assert dates.findtext("beginDate/calendarDate") == "1984"
    assert dates.findtext("endDate/calendarDate") == "2024-05-01"
    ranks = [one.findtext("taxonRankName") for one in dataset.iter("taxonomicClassification")]
    assert ranks == ["species", "genus"]


def test_eml_invents_nothing() -> None:
    dataset = Xml.fromstring(
        metadata(about(holder="", contact="", licence="", dates=("",), bounds=None))
    ).find("dataset")  # fmt: skip
    assert dataset is not None
    assert dataset.findtext("creator/organizationName") == "The holder of the data"
    assert dataset.find("licensed") is None
    assert "No licence is stated" in (dataset.findtext("intellectualRights/para") or "")
    assert dataset.find("coverage/geographicCoverage") is None
    assert dataset.find("coverage/temporalCoverage") is None


@pytest.mark.parametrize(
    ("dates", "expected"),
    [
        ((), None),
        (("",), None),
        (("2024",), ("2024", "2024")),
        (("2024", "2024-06-30"), ("2024", "2024")),
        (("2024-06", "2024-06-12"), ("2024-06", "2024-06")),
        (("1984/1986-05-02", "1985"), ("1984", "1986-05-02")),
    ],
)
def test_a_range_of_dates_is_as_wide_as_they_can_mean(dates: tuple[str, ...], expected: tuple[str, str] | None) -> None:
    assert date_range(dates) == expected


def test_licences_by_name_address_or_words() -> None:
    assert licence_address("cc by 4.0") == "https://creativecommons.org/licenses/by/4.0/"
    assert licence_address("https://example.org/licence") == "https://example.org/licence"
    assert licence_address("Ask the museum") == ""
    assert licence_title("CC0-1.0") == "Creative Commons Zero 1.0"
    assert licence_title("Ask the museum") == "Ask the museum"
