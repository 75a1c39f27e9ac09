"""Descriptors that the Frictionless library takes for valid, with its network shut, and data that it finds wanting."""

from __future__ import annotations

import json
import socket
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from frictionless import Package as Frictionless
from frictionless import validate

from morphcline.files.exchange.darwin_core import write_archive
from morphcline.files.exchange.data_package import (
    DESCRIPTOR,
    Package,
    archive_resources,
    describe,
    sha256_of,
    table_resource,
)
from morphcline.files.exchange.eml import About
from morphcline.files.exchange.terms import TABLES
from morphcline.files.tables import write_table
from morphcline.records.exchange import ArchiveTables

PACKAGE = Package(
    "orsel", "Orsel valley", "What was found", "CC-BY-4.0", "Orsel museum", "https://example.org",
    "2026-05-01T10:00:00+00:00", ("snails",),
)  # fmt: skip
ABOUT = About("orsel", "Orsel", "", "", "", "", "2026-05-01", (), (), None, "")


@pytest.fixture(autouse=True)
def no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise OSError("the network is shut")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)


def frame(number: int, *rows: dict[str, Any]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=list(TABLES[number].columns))


def archive(folder: Path, **changed: object) -> dict[str, Any]:
    """Write a small archive, some of its cells changed, and return the report on its package."""
    event = {"eventID": "a", "eventType": "Site", "decimalLatitude": 46.5, "decimalLongitude": 0.25}
    visit = {"eventID": "a1", "parentEventID": "a", "eventType": "Site Visit", "eventDate": "2024-05"}
    shells = {
        "eventID": "a1", "occurrenceID": "o", "basisOfRecord": "HumanObservation", "occurrenceStatus": "present",
        "organismQuantity": 3, "organismQuantityType": "individuals",
    }  # fmt: skip
    fact = {
        "eventID": "a1", "occurrenceID": "o", "measurementID": "m", "measurementType": "shell ground colour",
        "measurementValue": "pink",
    }  # fmt: skip
    site = {"eventID": "a", "measurementID": "n", "measurementType": "temperature", "measurementValue": "11.5"}
    for table in (event, visit, shells, fact):
        table.update({name: value for name, value in changed.items() if name in table})
    tables = ArchiveTables(frame(0, event, visit), frame(1, shells), frame(2, fact, site))
    write_archive(folder / "darwin-core/orsel", tables, ABOUT)
    text = describe(PACKAGE, archive_resources(folder, "darwin-core/orsel", "orsel"))
    (folder / DESCRIPTOR).write_text(text, encoding="utf-8")
    return validate(str(folder / DESCRIPTOR)).to_dict()


def errors(report: dict[str, Any]) -> list[str]:
    return [error["type"] for task in report["tasks"] for error in task["errors"]]


def test_an_archive_is_a_valid_package(tmp_path: Path) -> None:
    report = archive(tmp_path)
    assert report["valid"], report
    assert [task["name"] for task in report["tasks"]] == ["orsel-event", "orsel-occurrence", "orsel-measurement"]
    assert [task["stats"]["rows"] for task in report["tasks"]] == [2, 1, 2]


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({"occurrenceStatus": "maybe"}, "constraint-error"),
        ({"organismQuantity": -1}, "constraint-error"),
        ({"organismQuantity": "some"}, "type-error"),
        ({"decimalLatitude": 91.0}, "constraint-error"),
        ({"measurementValue": ""}, "constraint-error"),
        ({"parentEventID": "z"}, "foreign-key"),
    ],
)
def test_what_is_wrong_is_found(tmp_path: Path, changed: dict[str, object], expected: str) -> None:
    report = archive(tmp_path, **changed)
    assert not report["valid"]
    assert expected in errors(report)


def test_ids_that_lead_nowhere_or_come_twice_are_found(tmp_path: Path) -> None:
    archive(tmp_path)
    home = tmp_path / "darwin-core/orsel"
    for name, addition, expected in (
        ("occurrence.csv", "zz,p" + "," * 18, "foreign-key"),
        ("measurement.csv", "a1,zz,q,lip colour,dark,,,,", "foreign-key"),
        ("event.csv", "a" + "," * 22, "primary-key"),
    ):
        whole = (home / name).read_text(encoding="utf-8")
        (home / name).write_text(whole + addition + "\n", encoding="utf-8")
        text = describe(PACKAGE, archive_resources(tmp_path, "darwin-core/orsel", "orsel"))
        (tmp_path / DESCRIPTOR).write_text(text, encoding="utf-8")
        assert expected in errors(validate(str(tmp_path / DESCRIPTOR)).to_dict()), name
        (home / name).write_text(whole, encoding="utf-8")


def test_a_changed_file_no_longer_fits_its_digest(tmp_path: Path) -> None:
    archive(tmp_path)
    path = tmp_path / "darwin-core/orsel/occurrence.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(",3,individuals", ",4,individuals"), encoding="utf-8")
    assert "hash-count" in errors(validate(str(tmp_path / DESCRIPTOR)).to_dict())


def test_tables_tell_kinds_keys_and_ties(tmp_path: Path) -> None:
    sites = pd.DataFrame({"site": ["012", "b"], "x_m": [1.5, None], "shells": [3, 4], "counted": [True, False]})
    samples = pd.DataFrame({"site": ["012", "b"], "species": ["s", "s"], "enough": [True, True], "empty": [None, None]})
    write_table(tmp_path / "tables/sites.csv", sites)
    write_table(tmp_path / "tables/samples.csv", samples)
    resources = [
        table_resource(tmp_path, f"tables/{name}.csv", {"site": "site"}, sites=True) for name in ("sites", "samples")
    ]
    (tmp_path / DESCRIPTOR).write_text(describe(PACKAGE, resources), encoding="utf-8")
    report = validate(str(tmp_path / DESCRIPTOR)).to_dict()
    assert report["valid"], report
    rows = Frictionless(str(tmp_path / DESCRIPTOR)).get_resource("sites").read_rows()
    assert [row.to_dict() for row in rows] == [
        {"site": "012", "x_m": 1.5, "shells": 3, "counted": True},
        {"site": "b", "x_m": None, "shells": 4, "counted": False},
    ]
    told = json.loads((tmp_path / DESCRIPTOR).read_text(encoding="utf-8"))
    first, second = (one["schema"] for one in told["resources"])
    assert first["primaryKey"] == ["site"]
    assert second["primaryKey"] == ["site", "species"]
    assert second["foreignKeys"] == [{"fields": ["site"], "reference": {"resource": "sites", "fields": ["site"]}}]
    # A sample of a site that isn't there is found.
    write_table(tmp_path / "tables/samples.csv", samples.assign(site=["012", "zz"]))
    resources[1] = table_resource(tmp_path, "tables/samples.csv", {}, sites=True)
    (tmp_path / DESCRIPTOR).write_text(describe(PACKAGE, resources), encoding="utf-8")
    assert errors(validate(str(tmp_path / DESCRIPTOR)).to_dict()) == ["foreign-key"]


def test_nothing_in_it_is_fetched(tmp_path: Path) -> None:
    archive(tmp_path)
    told = json.loads((tmp_path / DESCRIPTOR).read_text(encoding="utf-8"))
    assert not {"$schema", "profile"} & told.keys()
    for one in told["resources"]:
        assert not one["path"].startswith(("http", "/", ".."))
        assert isinstance(one["schema"], dict)
        assert not {"$schema", "profile"} & one.keys()
        assert one["hash"] == f"sha256:{sha256_of(tmp_path / one['path'])}"
        assert one["bytes"] == (tmp_path / one["path"]).stat().st_size


def test_it_claims_no_version() -> None:
    # Data Package specification, `version`: that of the package's content, which no study states (from memory).
    assert "version" not in json.loads(describe(PACKAGE, []))


@pytest.mark.parametrize(
    ("licence", "expected"),
    [
        ("CC0-1.0", {"name": "CC0-1.0", "title": "Creative Commons Zero 1.0",
                     "path": "https://creativecommons.org/publicdomain/zero/1.0/"}),
        ("https://example.org/l", {"title": "https://example.org/l", "path": "https://example.org/l"}),
        ("Ask the museum!", {"name": "Ask-the-museum", "title": "Ask the museum!"}),
    ],
)  # fmt: skip
def test_a_licence_has_a_name_or_a_path(licence: str, expected: dict[str, str]) -> None:
    # Data Package specification, `licenses`: each must hold `name` or `path` (from memory).
    package = Package(**(vars(PACKAGE) | {"licence": licence}))
    assert json.loads(describe(package, []))["licenses"] == [expected]
