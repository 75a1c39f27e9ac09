"""A research-object crate: which files there are, what made them, from what, under which licence.

After the RO-Crate Metadata Specification 1.2. The context is named by its address alone: nothing is fetched to write
it.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from morphcline.files.exchange.data_package import SPECIFICATION, sha256_of
from morphcline.files.exchange.eml import NAMESPACE, contact_kind, licence_address, licence_title
from morphcline.files.exchange.terms import TEXT_GUIDE

CRATE_FILE = "ro-crate-metadata.json"
CONTEXT = "https://w3id.org/ro/crate/1.2/context"
PROFILE = "https://w3id.org/ro/crate/1.2"
SOFTWARE = "#morphcline"
ACTION = "#run"

_FORMATS = {
    ".csv": "text/csv", ".json": "application/json", ".xml": "application/xml", ".zip": "application/zip",
    ".md": "text/markdown",
}  # fmt: skip


@dataclass(frozen=True)
class Described:
    """A file of the crate.

    Parameters
    ----------
    path : str
        From the crate's folder, with slashes.
    description : str
    conforms_to : str
        Address of the standard that it keeps to; empty where there is none.
    """

    path: str
    description: str
    conforms_to: str = ""


@dataclass(frozen=True)
class CrateFacts:
    """What is told of a crate.

    Parameters
    ----------
    name, description : str
    identifier : str
    holder, contact, licence : str
        Empty where the study names none.
    version : str
        Of this package.
    libraries : mapping
        Those that do its arithmetic, with their versions.
    finished : str
        When the run ended, ISO date and time.
    settings : mapping
        Key of the study file to value.
    inputs : sequence of (str, str)
        Name of each file that was read, without its folder, and its digest.
    species : tuple of str
    period : str
        ISO interval; empty where no date is known.
    bounds : tuple of float, optional
        West, south, east and north of what is shown, degrees.
    """

    name: str
    description: str
    identifier: str
    holder: str
    contact: str
    licence: str
    version: str
    libraries: Mapping[str, str]
    finished: str
    settings: Mapping[str, Any]
    inputs: Sequence[tuple[str, str]]
    species: tuple[str, ...]
    period: str
    bounds: tuple[float, float, float, float] | None


def crate(facts: CrateFacts, files: Sequence[Described], home: Path) -> str:
    """Return the text of ``ro-crate-metadata.json``.

    Parameters
    ----------
    facts : CrateFacts
    files : sequence of Described
        Every file of the crate but its own.
    home : Path
        The crate's folder, in which the files lie.
    """
    ordered = sorted(files, key=lambda one: one.path)
    graph: list[dict[str, Any]] = [
        {
            "@id": CRATE_FILE, "@type": "CreativeWork", "about": {"@id": "./"}, "conformsTo": {"@id": PROFILE},
            "description": "What this folder holds, what made it and from what (RO-Crate 1.2)",
        },
        _root(facts, ordered),
        *(_file(one, home) for one in ordered),
        *_standards(ordered),
        *_people(facts),
        *_licence(facts),
        *_coverage(facts),
        *_provenance(facts, ordered),
    ]  # fmt: skip
    return json.dumps({"@context": CONTEXT, "@graph": graph}, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def files_of(text: str) -> dict[str, str]:
    """Return the files that a crate of ours names, with their digests; empty for any other text.

    Parameters
    ----------
    text : str
        Of a ``ro-crate-metadata.json``.
    """
    try:
        graph = json.loads(text)["@graph"]
        by_id = {one["@id"]: one for one in graph}
        if SOFTWARE not in by_id or by_id[SOFTWARE].get("name") != "morphcline":
            return {}
        return {one["@id"]: str(one.get("sha256", "")) for one in graph if one.get("@type") == "File"}
    except (ValueError, KeyError, TypeError, AttributeError):
        return {}


def identifier_of(text: str) -> str:
    """Return the identifier of the study that a crate of ours is about."""
    roots = [one for one in json.loads(text)["@graph"] if one.get("@id") == "./"]
    return str(roots[0].get("identifier", "")) if roots else ""


def _root(facts: CrateFacts, files: Sequence[Described]) -> dict[str, Any]:
    root: dict[str, Any] = {
        "@id": "./",
        "@type": "Dataset",
        "name": facts.name,
        "description": facts.description,
        "identifier": facts.identifier,
        "datePublished": facts.finished[:10],
        "license": {"@id": _licence_id(facts)},
        "keywords": ["shell colour polymorphism", *facts.species],
        "hasPart": [{"@id": one.path} for one in files],
        "mentions": {"@id": ACTION},
    }
    if facts.holder:
        root |= {"author": {"@id": "#holder"}, "publisher": {"@id": "#holder"}}
    if facts.period:
        root["temporalCoverage"] = facts.period
    if facts.bounds is not None:
        root["spatialCoverage"] = {"@id": "#region"}
    return root


def _file(one: Described, home: Path) -> dict[str, Any]:
    path = home / one.path
    told: dict[str, Any] = {
        "@id": one.path, "@type": "File", "name": Path(one.path).name, "description": one.description,
        "encodingFormat": _FORMATS.get(path.suffix, "application/octet-stream"),
        "contentSize": str(path.stat().st_size), "sha256": sha256_of(path),
    }  # fmt: skip
    return told | ({"conformsTo": {"@id": one.conforms_to}} if one.conforms_to else {})


def _standards(files: Sequence[Described]) -> list[dict[str, Any]]:
    names = {
        TEXT_GUIDE: "Darwin Core Text Guide",
        SPECIFICATION: "Data Package specification",
        NAMESPACE: "Ecological Metadata Language 2.2.0",
    }
    used = sorted({one.conforms_to for one in files if one.conforms_to})
    return [{"@id": address, "@type": "CreativeWork", "name": names.get(address, address)} for address in used]


def _people(facts: CrateFacts) -> list[dict[str, Any]]:
    if not facts.holder:
        return []
    holder: dict[str, Any] = {"@id": "#holder", "@type": "Organization", "name": facts.holder}
    if not facts.contact:
        return [holder]
    point: dict[str, Any] = {"@id": "#contact", "@type": "ContactPoint", "contactType": "questions about the data"}
    point[contact_kind(facts.contact) or "description"] = facts.contact
    return [holder | {"contactPoint": {"@id": "#contact"}}, point]


def _licence_id(facts: CrateFacts) -> str:
    return licence_address(facts.licence) or "#licence"


def _licence(facts: CrateFacts) -> list[dict[str, Any]]:
    told = licence_title(facts.licence) or "No licence is stated"
    described = told if facts.licence else "No licence is stated: ask the holder of the data before you use them"
    return [{"@id": _licence_id(facts), "@type": "CreativeWork", "name": told, "description": described}]


def _coverage(facts: CrateFacts) -> list[dict[str, Any]]:
    if facts.bounds is None:
        return []
    west, south, east, north = facts.bounds
    box = f"{south:.12g} {west:.12g} {north:.12g} {east:.12g}"
    return [
        {"@id": "#region", "@type": "Place", "name": "Region surveyed", "geo": {"@id": "#limits"}},
        {"@id": "#limits", "@type": "GeoShape", "box": box, "description": "as shown to the public"},
    ]


def _provenance(facts: CrateFacts, files: Sequence[Described]) -> list[dict[str, Any]]:
    inputs = [
        {
            "@id": f"#input-{number}", "@type": "CreativeWork", "name": name,
            "description": "Read by the run; not in this folder", "identifier": f"blake2b-128:{digest}",
        }
        for number, (name, digest) in enumerate(facts.inputs, start=1)
    ]  # fmt: skip
    settings = [
        {
            "@id": f"#setting-{re.sub(r'[^a-z0-9]+', '-', name.lower()).strip('-')}", "@type": "PropertyValue",
            "name": name, "value": value,
        }
        for name, value in facts.settings.items()
    ]  # fmt: skip
    libraries = [
        {"@id": f"#library-{name}", "@type": "SoftwareApplication", "name": name, "softwareVersion": number}
        for name, number in facts.libraries.items()
    ]
    action = {
        "@id": ACTION, "@type": "CreateAction", "name": "Analysis of the survey, and this export of it",
        "instrument": {"@id": SOFTWARE}, "object": [{"@id": one["@id"]} for one in (*inputs, *settings)],
        "result": [{"@id": one.path} for one in files], "endTime": facts.finished,
        **({"agent": {"@id": "#holder"}} if facts.holder else {}),
    }  # fmt: skip
    software = {
        "@id": SOFTWARE, "@type": "SoftwareApplication", "name": "morphcline", "softwareVersion": facts.version,
        "description": "From a banded-snail survey to maps of morph clines",
        "softwareRequirements": [{"@id": one["@id"]} for one in libraries],
    }  # fmt: skip
    return [action, software, *libraries, *inputs, *settings]
