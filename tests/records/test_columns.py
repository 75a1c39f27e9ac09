"""Columns found, and what is offered where one is absent."""

from __future__ import annotations

import numpy as np
import pytest

from morphcline.records.columns import find_columns
from morphcline.records.texts import TextColumn, TextTable
from morphcline.study import RecordSource


def told(header: str, **settings: object) -> dict[str, str]:
    """Return what is wrong with a header, and what is offered for each."""
    names = tuple(header.split(","))
    table = TextTable("r.csv", names, {name: TextColumn.of(["1"]) for name in names}, np.array([2]))
    source = RecordSource.model_validate({"path": "r.csv", **settings})
    _, problems = find_columns(source, table)
    return {problem.found: problem.accepted for problem in problems}


def offered(header: str, field: str) -> str:
    (accepted,) = [text for found, text in told(header).items() if found.startswith(f"no column holds {field},")]
    return accepted


@pytest.mark.parametrize(
    ("header", "field", "column"),
    [
        ("Lon,lattitude,species,count", "longitude", "Lon"),
        ("Lon,lattitude,species,count", "latitude", "lattitude"),
        ("lng,Lat.,species,count", "longitude", "lng"),
        ("lng,Lat.,species,count", "latitude", "Lat."),
        ("X,Y,species,count", "longitude", "X"),
        ("longitude,latitude,Sp.,count", "species", "Sp."),
        ("longitude,latitude,Specie,count", "species", "Specie"),
        ("longitude,latitude,species,Number", "count", "Number"),
        ("longitude,latitude,species,QTY", "count", "QTY"),
        ("longitude,latitude,species,n", "count", "n"),
        ("Longitude (deg),latitude,species,count", "longitude", "Longitude (deg)"),
    ],
)
def test_an_absent_column_is_guessed_at(header: str, field: str, column: str) -> None:
    assert offered(header, field) == f'name it under columns: {field} = "{column}"'


def test_a_column_more_like_another_field_is_not_offered_and_the_header_is_told_where_nothing_is_near() -> None:
    assert offered("lattitude,species,count", "longitude") == (
        "name it under columns: longitude = \"their column\"; its columns: 'lattitude', 'species', 'count'"
    )


def test_a_name_that_is_not_there_is_guessed_at_by_the_field_it_stands_for() -> None:
    found = told("Lon,lattitude,species,count", columns={"longitude": "lon", "latitude": "lat"})
    assert found == {"the column 'lat' named for latitude isn't there": "nearest: 'lattitude'"}
    found = told("a,b,species,count", columns={"longitude": "a", "latitude": "breadth"})
    assert list(found.values()) == ["its columns: 'a', 'b', 'species', 'count'"]
