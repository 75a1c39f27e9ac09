"""A catalogue of the rasters and layers as static JSON, by the SpatioTemporal Asset Catalog specification 1.1.0.

One Collection stands for the study, one Item for each raster. Fields are those of the specification's ``item-spec``,
``collection-spec`` and common metadata (``bands``, ``statistics``, ``providers``), and of its extensions projection
2.0.0, file 2.1.0 and table 1.2.0. Links are relative, so that the folder can be moved or put on a server as it is.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import rasterio

from morphcline.files.atomic import write_text
from morphcline.places.crs import read_crs
from morphcline.places.transforms import Transformation, area_lonlat

VERSION = "1.1.0"
_EXTENSION = "https://stac-extensions.github.io/{}/schema.json"
PROJECTION, FILE, TABLE = (
    _EXTENSION.format(name) for name in ("projection/v2.0.0", "file/v2.1.0", "table/v1.2.0")
)  # fmt: skip
COG = "image/tiff; application=geotiff; profile=cloud-optimized"
GEOPACKAGE = "application/geopackage+sqlite3"
SLD = "application/vnd.ogc.sld+xml"
COLLECTION = "collection.json"

#: Points along each side of a raster, whose outline in degrees is bent.
_ALONG = 8
#: Decimals of degrees: a tenth of a metre.
_DECIMALS = 6

Json = dict[str, Any]


@dataclass(frozen=True)
class Asset:
    """A file of the catalogue.

    Attributes
    ----------
    path : Path
    title, media : str
    roles : tuple of str
    description : str
    more : mapping
        Further fields of the asset.
    """

    path: Path
    title: str
    media: str
    roles: tuple[str, ...]
    description: str = ""
    more: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class RasterItem:
    """A raster with its styles.

    Attributes
    ----------
    name : str
        The item's id and file name.
    title : str
    raster : Asset
    styles : mapping of str to Asset
    """

    name: str
    title: str
    raster: Asset
    styles: Mapping[str, Asset]


@dataclass(frozen=True)
class Catalogue:
    """What the study's Collection says.

    Attributes
    ----------
    name, title, description : str
    keywords : tuple of str
    licence, holder : str
        Empty: none named.
    days : tuple of str
        First and last day, ISO 8601.
    assets : mapping of str to Asset
    tables : mapping
        Layer to what it holds.
    """

    name: str
    title: str
    description: str
    keywords: tuple[str, ...]
    licence: str
    holder: str
    days: tuple[str, str]
    assets: Mapping[str, Asset]
    tables: Mapping[str, str]


def write_catalogue(folder: Path, catalogue: Catalogue, items: Sequence[RasterItem]) -> list[Path]:
    """Write the Collection and its Items; return their paths.

    Parameters
    ----------
    folder : Path
    catalogue : Catalogue
    items : sequence of RasterItem
        At least one: the Collection's extent is theirs.
    """
    made = {item.name: _item(folder, catalogue, item) for item in items}
    corners = np.array([one["bbox"] for one in made.values()])
    bbox = [*corners[:, :2].min(axis=0).tolist(), *corners[:, 2:].max(axis=0).tolist()]
    texts = {COLLECTION: _collection(folder, catalogue, list(made), bbox)}
    texts |= {f"{name}.json": one for name, one in made.items()}
    for name, content in texts.items():
        write_text(folder / name, json.dumps(content, indent=2, ensure_ascii=False, allow_nan=False) + "\n")
    return [folder / name for name in texts]


def _collection(folder: Path, catalogue: Catalogue, items: Sequence[str], bbox: list[float]) -> Json:
    start, end = _times(catalogue.days)
    content: Json = {
        "type": "Collection",
        "stac_version": VERSION,
        "stac_extensions": [FILE, TABLE],
        "id": catalogue.name,
        "title": catalogue.title,
        "description": catalogue.description,
        "keywords": list(catalogue.keywords),
        "license": _licence(catalogue.licence),
    }
    if catalogue.holder:
        content["providers"] = [{"name": catalogue.holder, "roles": ["producer", "licensor", "host"]}]
    return content | {
        "extent": {"spatial": {"bbox": [bbox]}, "temporal": {"interval": [[start, end]]}},
        "table:tables": [{"name": name, "description": text} for name, text in catalogue.tables.items()],
        "links": [
            _link("root", COLLECTION, catalogue.title),
            *(_link("item", f"{name}.json", "", media="application/geo+json") for name in items),
        ],
        "assets": {name: _asset(folder, asset) for name, asset in catalogue.assets.items()},
    }


def _item(folder: Path, catalogue: Catalogue, item: RasterItem) -> Json:
    start, end = _times(catalogue.days)
    with rasterio.open(item.raster.path) as raster:
        bounds, crs = tuple(raster.bounds), raster.crs.to_string()
        shape, transform = list(raster.shape), list(raster.transform)
        bands = [_band(raster, number) for number in raster.indexes]
    ring = _outline(bounds, crs)
    longitude, latitude = zip(*ring, strict=True)
    authority = read_crs(crs).to_authority()
    code: Json = {"proj:code": ":".join(authority)} if authority else {
        "proj:code": None, "proj:wkt2": read_crs(crs).to_wkt()
    }  # fmt: skip
    return {
        "type": "Feature",
        "stac_version": VERSION,
        "stac_extensions": [PROJECTION, FILE],
        "id": item.name,
        "collection": catalogue.name,
        "geometry": {"type": "Polygon", "coordinates": [ring]},
        "bbox": [min(longitude), min(latitude), max(longitude), max(latitude)],
        "properties": {
            "title": item.title,
            "datetime": None,
            "start_datetime": start,
            "end_datetime": end,
            **code,
            "proj:shape": shape,
            "proj:transform": transform[:6],
            "proj:bbox": list(bounds),
        },
        "links": [
            _link("root", COLLECTION, catalogue.title),
            _link("parent", COLLECTION, catalogue.title),
            _link("collection", COLLECTION, catalogue.title),
        ],
        "assets": {
            "data": {**_asset(folder, item.raster), "bands": bands},
            **{name: _asset(folder, style) for name, style in item.styles.items()},
        },
    }


def _band(raster: Any, number: int) -> Json:
    tags = raster.tags(number)
    band: Json = {"name": raster.descriptions[number - 1], "data_type": raster.dtypes[number - 1]}
    if "MEANING" in tags:
        band["description"] = tags["MEANING"]
    if raster.units[number - 1]:
        band["unit"] = raster.units[number - 1]
    if raster.nodata is not None:
        band["nodata"] = "nan" if math.isnan(raster.nodata) else raster.nodata
    names = {"minimum": "MINIMUM", "maximum": "MAXIMUM", "mean": "MEAN", "stddev": "STDDEV"}
    names["valid_percent"] = "VALID_PERCENT"
    told = {name: float(tags[f"STATISTICS_{tag}"]) for name, tag in names.items() if f"STATISTICS_{tag}" in tags}
    if told:
        band["statistics"] = told
    return band


def _asset(folder: Path, asset: Asset) -> Json:
    with asset.path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    href = Path(os.path.relpath(asset.path, folder)).as_posix()
    found: Json = {"href": href, "title": asset.title, "type": asset.media, "roles": list(asset.roles)}
    if asset.description:
        found["description"] = asset.description
    # A multihash of the file extension: 12 hexadecimal for SHA-256, 20 for its 32 bytes.
    return found | {
        "file:size": asset.path.stat().st_size,
        "file:checksum": f"1220{digest}",
        **asset.more,
    }


def _link(relation: str, href: str, title: str, *, media: str = "application/json") -> Json:
    link = {"rel": relation, "href": f"./{href}", "type": media}
    return {**link, "title": title} if title else link


def _licence(licence: str) -> str:
    """Return an SPDX name as it is, and ``"other"`` for what is none, as the specification asks."""
    plain = licence.replace("-", "").replace(".", "").replace("+", "")
    return licence if licence and licence.isascii() and plain.isalnum() else "other"


def _times(days: tuple[str, str]) -> tuple[str, str]:
    return f"{days[0]}T00:00:00Z", f"{days[1]}T23:59:59Z"


def _outline(bounds: tuple[float, ...], crs: str) -> list[list[float]]:
    """Return a raster's outline in degrees, counter-clockwise and closed, as RFC 7946 asks."""
    west, south, east, north = bounds
    along = np.linspace(0.0, 1.0, _ALONG + 1)[:-1]
    easting = np.concatenate([west + (east - west) * along, np.full(_ALONG, east), east - (east - west) * along,
                              np.full(_ALONG, west)])  # fmt: skip
    northing = np.concatenate([np.full(_ALONG, south), south + (north - south) * along, np.full(_ALONG, north),
                               north - (north - south) * along])  # fmt: skip
    move = Transformation(crs, "EPSG:4326", area_lonlat(crs, easting, northing), allow_ballpark=True)
    longitude, latitude = move.apply(easting, northing)
    ring = np.column_stack([longitude, latitude]).round(_DECIMALS).tolist()
    return [*ring, ring[0]]
