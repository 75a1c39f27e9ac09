"""Write GeoPackages that describe themselves: every layer and field in words, with licence, holder and period inside.

Names, titles and descriptions of fields stand in the tables of the standard's schema extension, the description of
the whole in those of its metadata extension (OGC 12-128r18, "OGC GeoPackage Encoding Standard", version 1.3, annexes
F.8 "Metadata" and F.9 "Schema").
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from xml.etree import ElementTree

import geopandas as gpd

from morphcline.files.atomic import whole_file
from morphcline.files.vectors import FIXED_DATE, write_layers

_EXTENSIONS = "http://www.geopackage.org/spec121/#extension_"
_DUBLIN_CORE = "http://purl.org/dc/elements/1.1/"
_TERMS = "http://purl.org/dc/terms/"

#: What a GeoPackage says of itself, by the names of ISO 15836 (Dublin Core), whose oldest have a namespace apart.
_ELEMENTS = {
    "title": "dc", "description": "dc", "subject": "dc", "publisher": "dc", "type": "dc", "language": "dc",
    "temporal": "dcterms", "license": "dcterms", "rightsHolder": "dcterms", "provenance": "dcterms",
}  # fmt: skip

_SCHEMA_TABLES = """
CREATE TABLE gpkg_data_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT, description TEXT, mime_type TEXT,
  constraint_name TEXT,
  CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name), CONSTRAINT gdc_tn UNIQUE (table_name, name));
CREATE TABLE gpkg_data_column_constraints (
  constraint_name TEXT NOT NULL, constraint_type TEXT NOT NULL, value TEXT, min NUMERIC, min_is_inclusive BOOLEAN,
  max NUMERIC, max_is_inclusive BOOLEAN, description TEXT,
  CONSTRAINT gdcc_ntv UNIQUE (constraint_name, constraint_type, value));
"""
_METADATA_TABLES = """
CREATE TABLE gpkg_metadata (
  id INTEGER CONSTRAINT m_pk PRIMARY KEY ASC NOT NULL, md_scope TEXT NOT NULL DEFAULT 'dataset',
  md_standard_uri TEXT NOT NULL, mime_type TEXT NOT NULL DEFAULT 'text/xml', metadata TEXT NOT NULL DEFAULT '');
CREATE TABLE gpkg_metadata_reference (
  reference_scope TEXT NOT NULL, table_name TEXT, column_name TEXT, row_id_value INTEGER,
  timestamp DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')), md_file_id INTEGER NOT NULL,
  md_parent_id INTEGER,
  CONSTRAINT crmr_mfi_fk FOREIGN KEY (md_file_id) REFERENCES gpkg_metadata(id),
  CONSTRAINT crmr_mpi_fk FOREIGN KEY (md_parent_id) REFERENCES gpkg_metadata(id));
"""


@dataclass(frozen=True)
class Layer:
    """A layer with what it says of itself.

    Parameters
    ----------
    name : str
        Lower-case ASCII.
    kind : str
        Of its shapes: ``"Point"``, ``"MultiLineString"``, ``"Polygon"``, ``"MultiPolygon"``.
    title, description : str
    features : GeoDataFrame
        With a CRS; may be empty.
    fields : mapping
        Every field but the geometry, to what it holds.
    shares : tuple of str
        Fields whose values lie from 0 to 1.
    words : mapping
        Fields that hold one of a few words, to these words and what each means.
    """

    name: str
    kind: str
    title: str
    description: str
    features: gpd.GeoDataFrame
    fields: Mapping[str, str]
    shares: tuple[str, ...] = ()
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)


def write_geopackage(
    path: Path, layers: Sequence[Layer], *, about: Mapping[str, str] | None = None, dated: str = ""
) -> None:
    """Write layers with their descriptions, whole, the same bytes for the same layers.

    Parameters
    ----------
    path : Path
    layers : sequence of Layer
        At least one.
    about : mapping, optional
        Of the whole file, by Dublin Core names: title, description, license, rightsHolder, temporal …; empty ones are
        left out.
    dated : str
        ``YYYY-MM-DD`` of what the file holds, by which its last change is dated; a fixed day otherwise, so that the
        clock doesn't enter the bytes.

    Raises
    ------
    KeyError
        When a layer's fields aren't those described: a mistake of ours.
    """
    stamp = f"{dated}T00:00:00.000Z" if dated else FIXED_DATE
    for layer in layers:
        found = [str(name) for name in layer.features.columns if name != layer.features.geometry.name]
        if found != list(layer.fields):
            raise KeyError(f"layer {layer.name}: fields {found}, described {list(layer.fields)}")
    with whole_file(path) as temporary:
        write_layers(
            temporary,
            {layer.name: layer.features for layer in layers},
            kinds={layer.name: layer.kind for layer in layers},
            stamp=stamp,
        )
        with closing(sqlite3.connect(temporary)) as base, base:
            base.execute("PRAGMA journal_mode = MEMORY")
            _describe_fields(base, layers)
            if about:
                _describe_all(base, about, stamp)


def _describe_fields(base: sqlite3.Connection, layers: Sequence[Layer]) -> None:
    base.executescript(_SCHEMA_TABLES)
    _register(base, "schema", ("gpkg_data_columns", "gpkg_data_column_constraints"))
    if any(layer.shares for layer in layers):
        base.execute(
            "INSERT INTO gpkg_data_column_constraints VALUES ('share', 'range', NULL, 0, 1, 1, 1, 'a share, 0 to 1')"
        )
    known: set[str] = set()
    for layer in layers:
        base.execute(
            "UPDATE gpkg_contents SET identifier = ?, description = ? WHERE table_name = ?",
            (layer.title, layer.description, layer.name),
        )
        for name, description in layer.fields.items():
            constraint = f"{name}_words" if name in layer.words else "share" if name in layer.shares else None
            base.execute(
                "INSERT INTO gpkg_data_columns VALUES (?, ?, ?, ?, ?, NULL, ?)",
                (layer.name, name, name, name.replace("_", " "), description, constraint),
            )
        for name, words in layer.words.items():
            if name in known:
                continue
            known.add(name)
            base.executemany(
                "INSERT INTO gpkg_data_column_constraints VALUES (?, 'enum', ?, NULL, NULL, NULL, NULL, ?)",
                [(f"{name}_words", word, meaning) for word, meaning in words.items()],
            )


def _describe_all(base: sqlite3.Connection, about: Mapping[str, str], stamp: str) -> None:
    base.executescript(_METADATA_TABLES)
    _register(base, "metadata", ("gpkg_metadata", "gpkg_metadata_reference"))
    base.execute("INSERT INTO gpkg_metadata VALUES (1, 'dataset', ?, 'text/xml', ?)", (_TERMS, _dublin_core(about)))
    base.execute("INSERT INTO gpkg_metadata_reference VALUES ('geopackage', NULL, NULL, NULL, ?, 1, NULL)", (stamp,))


def _register(base: sqlite3.Connection, extension: str, tables: Iterable[str]) -> None:
    base.execute(
        "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, extension_name TEXT NOT NULL, "
        "definition TEXT NOT NULL, scope TEXT NOT NULL, "
        "CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))"
    )
    base.executemany(
        "INSERT INTO gpkg_extensions VALUES (?, NULL, ?, ?, 'read-write')",
        [(table, f"gpkg_{extension}", f"{_EXTENSIONS}{extension}") for table in tables],
    )


def _dublin_core(about: Mapping[str, str]) -> str:
    root = ElementTree.Element("metadata", {"xmlns:dc": _DUBLIN_CORE, "xmlns:dcterms": _TERMS})
    for name, text in about.items():
        if text:
            ElementTree.SubElement(root, f"{_ELEMENTS[name]}:{name}").text = text
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode")
