"""The terms of Darwin Core that an archive uses: address, kind of value and meaning of each of its columns.

Addresses from the Darwin Core List of Terms (Biodiversity Information Standards, 2023-09-18) and, of the extended
measurements, from the extension of the Ocean Biodiversity Information System, both from memory; licence and holder are
terms of Dublin Core.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from morphcline.records.exchange import EVENT_COLUMNS, MEASUREMENT_COLUMNS, OCCURRENCE_COLUMNS

DARWIN_CORE = "http://rs.tdwg.org/dwc/terms/"
DUBLIN_CORE = "http://purl.org/dc/terms/"
TEXT_GUIDE = "http://rs.tdwg.org/dwc/text/"
EXTENDED_FACTS = "http://rs.iobis.org/obis/terms/ExtendedMeasurementOrFact"

_OF_DUBLIN_CORE = frozenset({"license", "rightsHolder"})
_NUMBERS: Mapping[str, str] = {
    "decimalLatitude": "number", "decimalLongitude": "number", "coordinateUncertaintyInMeters": "number",
    "organismQuantity": "integer",
}  # fmt: skip

_MEANING: Mapping[str, str] = {
    "eventID": "id of the event",
    "parentEventID": "id of the event to which it belongs: a visit's is its site's",
    "eventType": "Site, or Site Visit",
    "fieldNumber": "visit, as recorded; empty where it is the date",
    "eventDate": "date as precise as it was given, ISO 8601; empty where none was",
    "verbatimEventDate": "date as it came, where it was a workbook's number for a day",
    "habitat": "class of habitat that the recorder's note means; kept back where it is rare in the place's square",
    "samplingProtocol": "how shells were found and scored",
    "locationID": "site, in this dataset",
    "locality": "name or number of the site",
    "decimalLatitude": "latitude, degrees",
    "decimalLongitude": "longitude, degrees",
    "geodeticDatum": "CRS of the coordinates",
    "coordinateUncertaintyInMeters": "radius that holds the place, metres; empty where it isn't known or there is none",
    "verbatimCoordinates": "coordinates as recorded, where the place is shown exactly",
    "verbatimCoordinateSystem": "what they are",
    "verbatimSRS": "their CRS",
    "dataGeneralizations": "what was done to the place",
    "informationWithheld": "what is kept back, and whom to ask",
    "datasetID": "id of the dataset",
    "datasetName": "title of the dataset",
    "license": "licence of the data",
    "rightsHolder": "holder of the data",
    "occurrenceID": "id of the occurrence: a morph scored at a visit",
    "basisOfRecord": "what the record rests on",
    "occurrenceStatus": "present, or absent: searched, none found",
    "kingdom": "kingdom; a plant has the genus name too",
    "scientificName": "species or genus; empty where none was named",
    "taxonRank": "species or genus",
    "identificationQualifier": "doubt about the name: cf. and the like",
    "identifiedBy": "who named and scored the shells: the recorder, as [publish] names has it",
    "recordedBy": "recorder, as [publish] names has it",
    "organismQuantity": "number of shells",
    "organismQuantityType": "what the quantity counts",
    "lifeStage": "adult or juvenile; empty: not said",
    "vitality": "alive or dead; empty: not said",
    "occurrenceRemarks": "why the shells enter no frequency, where they don't",
    "measurementID": "id of the measurement",
    "measurementType": "what is told of the shells, or of the site",
    "measurementValue": "what it is",
    "measurementUnit": "unit of the value",
    "measurementMethod": "how it was scored or taken, with the number of the scheme",
    "measurementDeterminedBy": "who scored it: the recorder, as [publish] names has it",
    "measurementRemarks": "what was mended in it, or why shells aren't counted",
}  # fmt: skip

#: In the extensions the id of the event is that of the core's row.
_OWN: Mapping[tuple[str, str], str] = {
    ("occurrence", "eventID"): "id of the visit",
    ("occurrence", "habitat"): "class of habitat, where the rows of a visit differ in it; kept back as a visit's is",
    ("occurrence", "decimalLatitude"): "latitude, degrees, where it or its uncertainty differs from the visit's",
    ("occurrence", "decimalLongitude"): "longitude, likewise",
    ("occurrence", "geodeticDatum"): "their CRS",
    ("occurrence", "coordinateUncertaintyInMeters"): "radius that holds the place, metres, likewise",
    ("measurement", "eventID"): "id of the visit or site",
    ("measurement", "occurrenceID"): "id of the occurrence; empty where the site is measured",
}


@dataclass(frozen=True)
class ArchivedTable:
    """A table of an archive.

    Parameters
    ----------
    name : str
        ``"event"``; its file is ``event.csv``.
    row_type : str
        Address of what a row is about.
    columns : tuple of str
    key : str
    title : str
    """

    name: str
    row_type: str
    columns: tuple[str, ...]
    key: str
    title: str

    @property
    def file(self) -> str:
        """Name of its file."""
        return f"{self.name}.csv"


EVENTS = ArchivedTable("event", DARWIN_CORE + "Event", EVENT_COLUMNS, "eventID", "Sites and visits to them")
OCCURRENCES = ArchivedTable(
    "occurrence", DARWIN_CORE + "Occurrence", OCCURRENCE_COLUMNS, "occurrenceID", "Morphs scored at each visit"
)
MEASUREMENTS = ArchivedTable(
    "measurement", EXTENDED_FACTS, MEASUREMENT_COLUMNS, "measurementID", "What is told of shells and of sites"
)
TABLES = (EVENTS, OCCURRENCES, MEASUREMENTS)


def address(column: str) -> str:
    """Return the address of a column's term.

    Examples
    --------
    >>> address("eventID"), address("license")
    ('http://rs.tdwg.org/dwc/terms/eventID', 'http://purl.org/dc/terms/license')
    """
    return (DUBLIN_CORE if column in _OF_DUBLIN_CORE else DARWIN_CORE) + column


def kind(column: str) -> str:
    """Return the kind of a column's values: string, number or integer."""
    return _NUMBERS.get(column, "string")


def meaning(table: ArchivedTable, column: str) -> str:
    """Return what a column of a table holds."""
    return _OWN.get((table.name, column), _MEANING[column])
