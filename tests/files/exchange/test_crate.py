"""A crate that the library ``rocrate`` reads, in the words of the specification's own context."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
import rocrate
from rocrate.rocrate import ROCrate

from morphcline.files.exchange.crate import (
    CONTEXT,
    CRATE_FILE,
    CrateFacts,
    Described,
    crate,
    files_of,
    identifier_of,
)

FACTS = CrateFacts(
    name="Orsel valley",
    description="What was found",
    identifier="orsel",
    holder="Orsel museum",
    contact="snails@example.org",
    licence="CC-BY-4.0",
    version="0.1.0",
    libraries={"numpy": "2.0"},
    finished="2026-05-01T10:00:00+00:00",
    settings={"[surfaces] cell_m": 500.0, "[scoring] species": '["Cepaea nemoralis"]', "[publish] names": False},
    inputs=(("records.csv", "0a1b"),),
    species=("Cepaea nemoralis",),
    period="1984/2024-05",
    bounds=(0.25, 46.0, 0.5, 46.5),
)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables/sites.csv").write_text("site\na\n", encoding="utf-8")
    (tmp_path / "a-dwca.zip").write_bytes(b"PK")
    files = [
        Described("tables/sites.csv", "sites"),
        Described("a-dwca.zip", "an archive", "http://rs.tdwg.org/dwc/text/"),
    ]
    (tmp_path / CRATE_FILE).write_text(crate(FACTS, files, tmp_path), encoding="utf-8")
    return tmp_path


def graph(home: Path) -> dict[str, dict[str, Any]]:
    told = json.loads((home / CRATE_FILE).read_text(encoding="utf-8"))
    assert told["@context"] == CONTEXT
    by_id = {one["@id"]: one for one in told["@graph"]}
    assert len(by_id) == len(told["@graph"])
    return by_id


def test_the_library_reads_it(home: Path) -> None:
    read = ROCrate(str(home))
    assert read.name == "Orsel valley"
    assert str(read.datePublished)[:10] == "2026-05-01"
    assert {entity.id for entity in read.data_entities} == {"tables/sites.csv", "a-dwca.zip"}
    assert read.root_dataset["publisher"]["name"] == "Orsel museum"
    assert read.root_dataset["license"].id == "https://creativecommons.org/licenses/by/4.0/"
    action = read.get("#run")
    assert action["instrument"]["softwareVersion"] == "0.1.0"
    assert {one["name"] for one in action["object"]} >= {"records.csv", "[surfaces] cell_m"}


def test_what_the_specification_requires(home: Path) -> None:
    # RO-Crate Metadata Specification 1.2, "Root Data Entity": descriptor with conformsTo and about; the root's type,
    # name, description, datePublished and license (clauses from memory).
    by_id = graph(home)
    descriptor, root = by_id[CRATE_FILE], by_id["./"]
    assert descriptor["@type"] == "CreativeWork"
    assert descriptor["about"] == {"@id": "./"}
    assert descriptor["conformsTo"] == {"@id": "https://w3id.org/ro/crate/1.2"}
    assert root["@type"] == "Dataset"
    assert all(root[key] for key in ("name", "description", "datePublished", "license"))
    # Every file is a part of the root, and every reference leads to an entity.
    assert {one["@id"] for one in root["hasPart"]} == {key for key, one in by_id.items() if one["@type"] == "File"}

    def references(value: object) -> list[str]:
        if isinstance(value, dict):
            return [value["@id"]] if set(value) == {"@id"} else [r for v in value.values() for r in references(v)]
        return [r for v in value for r in references(v)] if isinstance(value, list) else []

    asked = {r for one in by_id.values() for value in one.values() for r in references(value)}
    assert asked - by_id.keys() == {"https://w3id.org/ro/crate/1.2"}
    # All that is there is led to.
    assert by_id.keys() - asked == {CRATE_FILE}


def test_files_are_there_and_have_their_digests(home: Path) -> None:
    for key, one in graph(home).items():
        if one["@type"] == "File":
            data = (home / key).read_bytes()
            assert one["sha256"] == hashlib.sha256(data).hexdigest()
            assert one["contentSize"] == str(len(data))
    assert files_of((home / CRATE_FILE).read_text(encoding="utf-8")).keys() == {"tables/sites.csv", "a-dwca.zip"}


def test_every_word_is_in_the_published_context(home: Path) -> None:
    # The library carries the context of the specification's next version; none of these words is new in it.
    path = Path(rocrate.__file__).parent / "data" / "ro-crate.jsonld"
    words = json.loads(path.read_text(encoding="utf-8"))["@context"]
    for one in graph(home).values():
        assert one["@type"] in words
        assert {key for key in one if not key.startswith("@")} <= words.keys()


def test_nothing_is_made_up_where_nothing_is_stated(home: Path) -> None:
    facts = CrateFacts(**(vars(FACTS) | {"holder": "", "licence": "", "contact": "", "period": "", "bounds": None}))
    (home / CRATE_FILE).write_text(crate(facts, [], home), encoding="utf-8")
    by_id = graph(home)
    assert by_id["#licence"]["name"] == "No licence is stated"
    assert not {"author", "publisher", "temporalCoverage", "spatialCoverage"} & by_id["./"].keys()
    assert "#holder" not in by_id


def test_other_crates_are_not_taken_for_ours(home: Path) -> None:
    text = (home / CRATE_FILE).read_text(encoding="utf-8")
    assert identifier_of(text) == "orsel"
    assert files_of(text)
    assert files_of(text.replace('"name": "morphcline"', '"name": "another"')) == {}
    for broken in ("", "[]", "{}", '{"@graph": [1]}', '{"@graph": [{"@id": "a"}]}'):
        assert files_of(broken) == {}
