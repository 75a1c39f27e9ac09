"""A small study with every kind of thing that must not get out, and what of it is secret."""

from __future__ import annotations

import io
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
import shapely
from pyproj import Transformer
from rasterio.transform import from_origin

from morphcline.files.tables import read_table

CRS = "EPSG:2154"
HEADER = "site,visit,date,longitude,latitude,species,colour,banding,count,age,habitat,recorder,note\n"
STUDY = """
[study]
name = "quiet"
title = "Quiet valley"
crs = "EPSG:2154"
[[records]]
path = "records.csv"
[[records.earlier]]
name = "1984"
path = "earlier.csv"
[scoring]
species = ["Cepaea nemoralis", "Cepaea hortensis"]
[[scoring.trait]]
name = "pink with one band"
counted = { colour = ["pink"], formula = ["00300"] }
[habitat]
path = "habitat.tif"
radius_m = 25
classes = { 1 = "woodland", 2 = "short grass", 3 = "garden and urban", 4 = "water" }
[temperature]
path = "temperature.tif"
[surfaces]
cell_m = 1000
min_effective_shells = 5
barriers = "river.gpkg"
[autocorrelation]
permutations = 99
distance_classes = 4
[steepness]
permutations = 99
[clines]
transects = "transects.gpkg"
transect_name = "name"
[publish]
formats = ["svg", "png"]
language = "fr"
[[publish.sensitive]]
species = "Cepaea hortensis"
blur_m = 5000
[[publish.sensitive]]
sites = ["3 hens@farm.example"]
withhold = true
[plan]
places = 4
[report]
pdf = true
contact = "survey@quiet.example"
[[report.area]]
path = "districts.gpkg"
name_from = "name"
"""
#: The survey's own address, which it wishes to be known.
CONTACT = "survey@quiet.example"
RECORDERS = ("Wilhelmina Quickthorn", "Barnaby Oxlip <barnaby.oxlip@example.org>", "Zenobia Fennwick")
NOTES = ("behind Mrs Tansy's greenhouse", "ring 01632 960001 first", "write to owner@orchard.example")
#: Where the rasters begin, and how many cells of 25 m they have.
WEST, NORTH, COLUMNS, ROWS = 645_000.0, 6_662_000.0, 900, 860


def rows(sites: int = 40, *, earlier: bool = False) -> str:
    """Return records of a cline; sites without a name, some named after a place, an address, a person."""
    rng = np.random.default_rng(11)
    jitter = np.random.default_rng(12)
    lines = []
    for site in range(sites):
        longitude, latitude = 2.3 + rng.uniform(0, 0.25), 46.9 + rng.uniform(0, 0.15)
        person = RECORDERS[site % 3].split("<")[0].strip()
        name = (
            "", f"S{site:02}", f"{person.split()[1]} {site}", f"{site} hens@farm.example",
            f"{site} {latitude:.6f}, {longitude:.6f}",
        )[site % 5]  # fmt: skip
        if earlier:
            longitude, latitude = longitude + jitter.normal(0, 3e-4), latitude + jitter.normal(0, 2e-4)
        visit = ("", f"with {person}", "01632 960002")[site % 3]
        for species in ("nemoralis", "hortensis")[: 2 if site % 4 == 0 else 1]:
            for colour, share in (("yellow", (longitude - 2.3) / 0.25), ("pink", 1 - (longitude - 2.3) / 0.25)):
                for banding, part in (("00000", 0.5), ("00300", 0.2), ("12345", 0.3)):
                    count = rng.poisson(40 * min(max(share, 0), 1) * part)
                    lines.append(
                        f'"{name}","{visit}",{1984 if earlier else 2024}-06-{site % 28 + 1:02},{longitude:.7f},'
                        f"{latitude:.7f},Cepaea {species},{colour},{banding},{count},adult,"
                        f'"{("hedge", "plot")[site % 2]} by {person.split()[0]}\'s","{RECORDERS[site % 3]}",'
                        f'"{NOTES[site % 3]}"\n'
                    )
    if not earlier:
        # A row rejected for its place, and one that can't be read where a name slipped into another column.
        lines.append('"","",2024-06-01,46.9712345,2.3512345,Cepaea nemoralis,pink,00000,4,adult,,Zenobia Fennwick,\n')
        lines.append('"","",2024-06-01,2.4012345,46.9512345,Cepaea nemoralis,pink,00000,Zenobia Fennwick,adult,,,\n')
    return HEADER + "".join(lines)


def land() -> tuple[np.ndarray, np.ndarray]:
    """Return the rasters: grass and woods with small gardens, one of them under every other site; and a slope."""
    rng = np.random.default_rng(5)
    codes = np.full((ROWS, COLUMNS), 2, dtype=np.uint8)
    for _ in range(60):
        row, column, size = rng.integers(0, ROWS - 90), rng.integers(0, COLUMNS - 90), rng.integers(20, 90)
        codes[row : row + size, column : column + size] = 1
    for east, north in present_places()[::2]:
        row, column = int((NORTH - north) / 25), int((east - WEST) / 25)
        codes[row - 1 : row + 2, column - 1 : column + 2] = 3
    northing, easting = np.mgrid[0:ROWS, 0:COLUMNS]
    return codes, (11 + easting * 4e-3 + northing * 2e-3 + rng.normal(0, 0.02, codes.shape)).astype(np.float32)


def present_places() -> np.ndarray:
    """Return the present sites' easting and northing, in the study's CRS."""
    table = pd.read_csv(io.StringIO(rows()))[:-2]
    places = table[["longitude", "latitude"]].drop_duplicates().to_numpy()
    return np.column_stack(Transformer.from_crs("EPSG:4326", CRS, always_xy=True).transform(*places.T))


def make(folder: Path) -> Path:
    """Write the study into a folder; return its file."""
    (folder / "records.csv").write_text(rows(), encoding="utf-8")
    (folder / "earlier.csv").write_text(rows(earlier=True), encoding="utf-8")
    for name, band in zip(("habitat", "temperature"), land(), strict=True):
        with rasterio.open(
            folder / f"{name}.tif", "w", driver="GTiff", count=1, dtype=band.dtype, width=COLUMNS, height=ROWS,
            crs=CRS, transform=from_origin(WEST, NORTH, 25, 25),
        ) as raster:  # fmt: skip
            raster.write(band, 1)
    west, south, east, north = WEST, NORTH - ROWS * 25, WEST + COLUMNS * 25, NORTH
    middle = (west + east) / 2 + 130
    layers = {
        "districts": [shapely.box(west, south, middle, north), shapely.box(middle, south, east, north)],
        "river": [shapely.LineString([(middle - 2000, south), (middle - 2300, north)])],
        "transects": [shapely.LineString([(west, (south + north) / 2), (east, (south + north) / 2)])],
    }
    for name, shapes in layers.items():
        frame = gpd.GeoDataFrame({"name": [f"{name} {i}" for i in range(len(shapes))]}, geometry=shapes, crs=CRS)
        frame.to_file(folder / f"{name}.gpkg")
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")
    return folder / "study.toml"


def secrets(folder: Path) -> tuple[list[tuple[float, float]], list[str]]:
    """Return what the input holds of places, in degrees and in the study's CRS, and of people."""
    places = []
    for name in ("records", "earlier"):
        found = pd.read_csv(folder / f"{name}.csv")[["longitude", "latitude"]].drop_duplicates()
        places += [tuple(place) for place in found.to_numpy().tolist()]
    for name in ("sites", "earlier_sites"):
        located = read_table(folder / f"outputs/quiet/private/tables/{name}.csv")
        places += [tuple(place) for place in located[["x_m", "y_m"]].to_numpy().tolist()]
    people = [word for name in RECORDERS for word in name.split("<")[0].split()]
    return places, [*people, *NOTES, "greenhouse", "hens@farm", "960001", "960002"]
