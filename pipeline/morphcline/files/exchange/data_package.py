"""A data package's descriptor: each CSV file with the kind, meaning and constraints of its columns.

After the Data Package and Table Schema specifications (Frictionless Data). Nothing in it points to an address from
which a reader would fetch a schema.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from morphcline.files.exchange.eml import contact_kind, licence_address, licence_title
from morphcline.files.exchange.terms import EVENTS, MEASUREMENTS, OCCURRENCES, TABLES, address, kind, meaning
from morphcline.files.tables import TEXT, read_table

DESCRIPTOR = "datapackage.json"
SPECIFICATION = "https://specs.frictionlessdata.io/data-package/"

#: Columns that tell the rows of a table apart, where they do.
_KEYS: Mapping[str, tuple[str, ...]] = {
    "sites": ("site",),
    "earlier_sites": ("survey", "site"),
    "samples": ("site", "species"),
    "frequencies": ("site", "species", "trait"),
    "earlier_frequencies": ("survey", "site", "species", "trait"),
    "regional": ("species", "trait"),
    "habitat_frequencies": ("species", "trait", "habitat"),
    "autocorrelation": ("species", "trait", "form"),
    "correlogram": ("species", "trait", "distance_class"),
    "local": ("species", "trait", "site"),
    "clines": ("species", "trait", "model"),
    "surfaces": ("species", "trait"),
}
#: Tables whose column ``site`` is one of the sites'.
_OF_SITES = ("samples", "frequencies", "local")
#: What the values of a column are within.
_LIMITS: Mapping[str, Mapping[str, Any]] = {
    "decimalLatitude": {"minimum": -90, "maximum": 90},
    "decimalLongitude": {"minimum": -180, "maximum": 180},
    "coordinateUncertaintyInMeters": {"minimum": 0},
    "organismQuantity": {"minimum": 0},
    "occurrenceStatus": {"enum": ["present", "absent"]},
    "eventType": {"enum": ["Site", "Site Visit"]},
    "lifeStage": {"enum": ["adult", "juvenile"]},
    "vitality": {"enum": ["alive", "dead"]},
    "taxonRank": {"enum": ["species", "genus"]},
}
_IDENTIFIER = re.compile(r"[-a-zA-Z0-9._]+")


@dataclass(frozen=True)
class Package:
    """What is told of a package.

    Parameters
    ----------
    name, title, description : str
    licence, holder, contact : str
        Empty where the study names none.
    created : str
        ISO date and time.
    keywords : tuple of str
    """

    name: str
    title: str
    description: str
    licence: str
    holder: str
    contact: str
    created: str
    keywords: tuple[str, ...]


def describe(package: Package, resources: Sequence[Mapping[str, Any]]) -> str:
    """Return the text of ``datapackage.json``."""
    told: dict[str, Any] = {
        "name": package.name,
        "title": package.title,
        "description": package.description,
        "created": package.created,
        "keywords": list(package.keywords),
    }
    if package.licence:
        told["licenses"] = [_licence(package.licence)]
    if package.holder:
        holder = {"title": package.holder, "role": "publisher"}
        key = {"email": "email", "url": "path"}.get(contact_kind(package.contact))
        told["contributors"] = [holder | ({key: package.contact} if key else {})]
    told["resources"] = list(resources)
    return json.dumps(told, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def archive_resources(home: Path, folder: str, prefix: str) -> list[dict[str, Any]]:
    """Return the resources of an archive's tables, tied to one another by their ids.

    Parameters
    ----------
    home : Path
        Of the package.
    folder : str
        Of the archive in it, as a path with slashes.
    prefix : str
        With which the resources' names begin.
    """
    events = f"{prefix}-{EVENTS.name}"
    ties = {
        EVENTS.name: [_tie(["parentEventID"], "", ["eventID"])],
        OCCURRENCES.name: [_tie(["eventID"], events, ["eventID"])],
        MEASUREMENTS.name: [
            _tie(["eventID"], events, ["eventID"]),
            _tie(["occurrenceID"], f"{prefix}-{OCCURRENCES.name}", ["occurrenceID"]),
        ],
    }
    resources = []
    for table in TABLES:
        fields = []
        for column in table.columns:
            told: dict[str, Any] = {
                "name": column, "type": kind(column), "description": meaning(table, column), "rdfType": address(column),
            }  # fmt: skip
            if limits := _constraints(table.name, column, table.key):
                told["constraints"] = limits
            fields.append(told)
        schema = {
            "fields": fields, "missingValues": [""], "primaryKey": [table.key], "foreignKeys": ties[table.name],
        }  # fmt: skip
        resources.append(_resource(home, f"{folder}/{table.file}", f"{prefix}-{table.name}", table.title, schema))
    return resources


def table_resource(home: Path, path: str, columns: Mapping[str, str], *, sites: bool) -> dict[str, Any]:
    """Return the resource of one of the run's tables.

    Parameters
    ----------
    home : Path
        Of the package.
    path : str
        Of the table in it, as a path with slashes.
    columns : mapping
        What each column holds; those that aren't told are left without a description.
    sites : bool
        Whether the package holds the table of sites, to which others can be tied.
    """
    stem = Path(path).stem
    table = read_table(home / path)
    fields = []
    for name in map(str, table.columns):
        told: dict[str, Any] = {"name": name, "type": _kind_of(table[name], name)}
        if name in columns:
            told["description"] = columns[name]
        if told["type"] == "boolean":
            told |= {"trueValues": ["True"], "falseValues": ["False"]}
        fields.append(told)
    schema: dict[str, Any] = {"fields": fields, "missingValues": [""]}
    key = _KEYS.get(stem, ())
    if key and set(key) <= set(table.columns) and len(table) and not table.duplicated(list(key)).any():
        blank = any((table[name].isna() | (table[name].astype(str) == "")).any() for name in key)
        if not blank:
            schema["primaryKey"] = list(key)
    if sites and stem in _OF_SITES and "site" in table.columns:
        schema["foreignKeys"] = [_tie(["site"], "sites", ["site"])]
    return _resource(home, path, stem.replace("_", "-"), stem.replace("_", " "), schema)


def sha256_of(path: Path) -> str:
    """Return the SHA-256 digest of a file, in hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _licence(licence: str) -> dict[str, str]:
    address, title = licence_address(licence), licence_title(licence)
    told = {"title": title}
    if address:
        told["path"] = address
    if _IDENTIFIER.fullmatch(licence.strip()):
        return {"name": licence.strip(), **told}
    # One of name and path is asked for: a licence in words of its own gets a name made of them.
    return told if address else {"name": re.sub(r"[^-a-zA-Z0-9._]+", "-", licence).strip("-") or "other", **told}


def _tie(fields: list[str], resource: str, to: list[str]) -> dict[str, Any]:
    return {"fields": fields, "reference": {"resource": resource, "fields": to}}


def _constraints(table: str, column: str, key: str) -> dict[str, Any]:
    limits: dict[str, Any] = {}
    if column == key:
        limits |= {"required": True, "unique": True}
    elif column in ("eventID", "basisOfRecord", "occurrenceStatus", "organismQuantity", "measurementType"):
        limits["required"] = True
    limits |= _LIMITS.get(column, {})
    if column == "measurementValue" and table == MEASUREMENTS.name:
        limits["required"] = True
    return limits


def _kind_of(values: pd.Series, name: str) -> str:
    if name in TEXT:
        return "string"
    known = values.dropna()
    if known.empty:
        return "any"
    if pd.api.types.is_bool_dtype(known) or set(known.astype(str)) <= {"True", "False"}:
        return "boolean"
    if pd.api.types.is_integer_dtype(known):
        return "integer"
    return "number" if pd.api.types.is_numeric_dtype(known) else "string"


def _resource(home: Path, path: str, name: str, title: str, schema: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "name": re.sub(r"[^-a-z0-9._]+", "-", name.lower()), "title": title, "path": path, "type": "table",
        "format": "csv", "mediatype": "text/csv", "encoding": "utf-8", "bytes": (home / path).stat().st_size,
        "hash": f"sha256:{sha256_of(home / path)}", "schema": schema,
    }  # fmt: skip
