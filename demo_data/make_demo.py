"""Draw the demo survey of the invented Orsel valley from the truth in ``truth.toml``.

Run ``python demo_data/make_demo.py`` in an environment where morphcline is installed: it writes every data file of this
folder anew, and the same bytes each time. Nothing here uses morphcline itself, so that what the package finds can be
held against the truth.
"""

from __future__ import annotations

import csv
import datetime
import io
import math
import os
import re
import tomllib
import zipfile
from pathlib import Path
from typing import Any

os.environ["OGR_CURRENT_DATE"] = "2026-01-01T00:00:00.000Z"  # the area's file names the day it was written

import geopandas as gpd
import numpy as np
import openpyxl
import rasterio
import rasterio.features
from pyproj import Transformer
from rasterio.transform import from_origin
from scipy.ndimage import distance_transform_edt, gaussian_filter, map_coordinates, zoom
from scipy.spatial import cKDTree
from shapely.geometry import Polygon, box

FOLDER = Path(__file__).parent
TRUTH: dict[str, Any] = tomllib.loads((FOLDER / "truth.toml").read_text(encoding="utf-8"))
SURVEY = TRUTH["survey"]
E0, N0 = SURVEY["origin_easting"], SURVEY["origin_northing"]
NEMORALIS, HORTENSIS = "Cepaea nemoralis", "Cepaea hortensis"

# Habitat codes of the raster. 1 and 2 are both woodland in the study file; 23 (solar farms) is not in it.
BROADLEAF, CONIFER, SCRUB, HEDGE, HERBAGE, GRASS, GARDEN, WASTE, MARSH, ARABLE, WATER, SOLAR = (
    1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 23,
)  # fmt: skip
NODATA = 255
CODES = {
    "woodland": (BROADLEAF, CONIFER), "hedgerow": (HEDGE,), "long herbage": (HERBAGE,), "short grass": (GRASS,),
    "garden and urban": (GARDEN,), "scrub": (SCRUB,), "marsh": (MARSH,), "waste ground": (WASTE,),
}  # fmt: skip

# What volunteers write for a habitat, and what they take it for when they see it otherwise than the raster.
NOTES = {
    "woodland": ("wood", "woodland", "edge of copse"),
    "hedgerow": ("hedge", "hedgerow", "Hedge"),
    "long herbage": ("nettles", "long herbage", "riverbank"),
    "short grass": ("pasture", "short grass", "meadow"),
    "garden and urban": ("garden", "churchyard", "village wall"),
    "scrub": ("scrub", "brambles"),
    "marsh": ("marsh", "reed swamp"),
    "waste ground": ("old quarry", "waste ground"),
}
MISTAKEN_FOR = {
    "woodland": ("hedgerow", "scrub"),
    "hedgerow": ("long herbage", "scrub", "woodland"),
    "long herbage": ("hedgerow", "short grass", "marsh"),
    "short grass": ("long herbage", "hedgerow"),
    "garden and urban": ("hedgerow", "waste ground"),
    "scrub": ("hedgerow", "woodland"),
    "marsh": ("long herbage",),
    "waste ground": ("scrub", "short grass"),
}

CELL = 25.0
LEFT, TOP = E0 - 26000.0, N0 + 21000.0  # of the raster on which the country is drawn, in EPSG:2154
COLUMNS, ROWS = 2080, 1680
VILLAGES = 34
OUTLINE_KM = (
    (-19.6, 2.1), (-18.2, 7.9), (-14.4, 11.2), (-9.7, 14.6), (-3.8, 13.7), (1.9, 15.0), (7.8, 13.2), (12.1, 14.1),
    (16.9, 10.4), (19.8, 5.2), (18.7, 0.3), (19.9, -4.8), (15.8, -9.1), (12.6, -13.9), (6.4, -14.8), (1.2, -12.9),
    (-4.6, -14.9), (-10.3, -12.2),
    (-14.9, -13.1), (-18.8, -8.2), (-17.6, -2.9),
)  # fmt: skip


def rng(*keys: int) -> np.random.Generator:
    """Return a generator of its own for each part, so that a change in one leaves the others as they were."""
    return np.random.default_rng([SURVEY["seed"], *keys])


def expit(value: Any) -> Any:
    """Return the frequency of a logit."""
    return 1.0 / (1.0 + np.exp(-np.asarray(value, dtype=float)))


def logit(frequency: Any) -> Any:
    """Return the logit of a frequency."""
    return np.log(frequency) - np.log1p(-np.asarray(frequency, dtype=float))


def along_m(easting: Any, northing: Any, bearing_deg: float) -> Any:
    """Return the distance along a bearing from the survey's origin, in metres."""
    angle = math.radians(bearing_deg)
    return (np.asarray(easting) - E0) * math.sin(angle) + (np.asarray(northing) - N0) * math.cos(angle)


def cline(truth: dict[str, float], easting: Any, northing: Any) -> Any:
    """Return the frequency of a sigmoid cline at places."""
    s = along_m(easting, northing, truth["bearing_deg"])
    return truth["p_min"] + (truth["p_max"] - truth["p_min"]) * expit(4.0 * (s - truth["centre_m"]) / truth["width_m"])


# The country


def smooth_noise(generator: np.random.Generator, scale_m: float) -> np.ndarray:
    """Return a Gaussian field over the country with the given scale, mean 0 and standard deviation 1."""
    coarse = max(1, int(scale_m / CELL / 4))
    shape = (ROWS // coarse + 2, COLUMNS // coarse + 2)
    field = gaussian_filter(generator.standard_normal(shape), scale_m / CELL / coarse, mode="reflect")
    field = zoom(field, coarse, order=1)[:ROWS, :COLUMNS] if coarse > 1 else field[:ROWS, :COLUMNS]
    return (field - field.mean()) / field.std()


def centres_km() -> tuple[np.ndarray, np.ndarray]:
    """Return kilometres east and north of the origin for every cell of the country."""
    east = (LEFT + (np.arange(COLUMNS) + 0.5) * CELL - E0) / 1000
    north = (TOP - (np.arange(ROWS) + 0.5) * CELL - N0) / 1000
    return np.meshgrid(east, north)


def river_north(east: np.ndarray) -> np.ndarray:
    """Return where the Orsel runs, in kilometres north of the origin, at kilometres east of it."""
    return 2.4 * np.sin(east / 6.5 + 0.4) + 1.1 * np.sin(east / 2.2) + 0.45 * np.sin(east / 0.85 + 1.0) - 0.02 * east


def streams() -> list[tuple[np.ndarray, float]]:
    """Return the centre lines of the river and its brooks, in kilometres, each with its half-width in metres."""
    east = np.linspace(-27, 27, 9000)
    lines = [(np.column_stack([east, river_north(east)]), 32.0)]
    for start, side, lean, phase in (
        (-12, 1, 0.35, 0.2),
        (-4, -1, -0.25, 1.9),
        (5, 1, -0.3, 3.1),
        (13, 1, 0.2, 4.4),
        (15, -1, 0.5, 5.0),
    ):
        reach = np.linspace(0, 13, 2500)
        wiggle = 0.5 * np.sin(reach / 1.1 + phase) + 0.2 * np.sin(reach / 0.4 + phase)
        line_east = start + lean * reach + wiggle
        lines.append((np.column_stack([line_east, river_north(np.array(start)) + side * reach]), 14.0))
    return lines


def distance_to_m(line: np.ndarray) -> np.ndarray:
    """Return each cell's distance to the cells that a line runs through, in metres."""
    row, column = cell_of(E0 + line[:, 0] * 1000, N0 + line[:, 1] * 1000)
    on_map = (row >= 0) & (row < ROWS) & (column >= 0) & (column < COLUMNS)
    away = np.ones((ROWS, COLUMNS), dtype=bool)
    away[row[on_map], column[on_map]] = False
    return distance_transform_edt(away) * CELL


def draw_country() -> dict[str, np.ndarray]:
    """Draw habitat codes, height above the sea and nearness of villages over the whole country."""
    generator = rng(1)
    east, north = centres_km()
    points = np.column_stack([east.ravel(), north.ravel()])

    shape = (ROWS, COLUMNS)
    (river, river_half), *brooks = streams()
    to_river = distance_to_m(river)
    to_brook = np.minimum.reduce([distance_to_m(line) for line, _ in brooks])
    to_stream = np.minimum(to_river, to_brook)
    water = (to_river <= river_half) | (to_brook <= brooks[0][1])

    hills, rough = smooth_noise(generator, 3500), smooth_noise(generator, 900)
    height = 70 + 95 * (1 - np.exp(-to_river / 4500)) + 30 * (1 - np.exp(-to_stream / 900)) + 26 * hills + 5 * rough

    # Fields are cells round jittered points, each a wood, pasture or ploughland; hedges go with pasture.
    spacing = 0.31
    grid_east, grid_north = np.meshgrid(np.arange(-26.5, 26.5, spacing), np.arange(-21.5, 21.5, spacing))
    seeds = np.column_stack([grid_east.ravel(), grid_north.ravel()])
    seeds = seeds + generator.uniform(-0.42, 0.42, seeds.shape) * spacing
    field = cKDTree(seeds).query(points)[1].reshape(shape)

    def at_seeds(values: np.ndarray) -> np.ndarray:
        rows = np.clip(((TOP - N0) / 1000 - seeds[:, 1]) * 1000 / CELL, 0, ROWS - 1)
        columns = np.clip((seeds[:, 0] - (LEFT - E0) / 1000) * 1000 / CELL, 0, COLUMNS - 1)
        return map_coordinates(values, [rows, columns], order=1, mode="nearest")

    wooded, bocage = smooth_noise(generator, 1500), smooth_noise(generator, 4000)
    near_stream = at_seeds(to_stream) < 450
    wood_score = at_seeds(wooded) + 0.25 * at_seeds(hills) + 0.55 * generator.standard_normal(len(seeds))
    is_wood = (wood_score > 1.15) & ~near_stream
    conifer = is_wood & (at_seeds(rough) > 0.9)
    draw, damp = generator.random(len(seeds)), generator.random(len(seeds))
    pasture = draw < np.clip(0.33 + 0.2 * at_seeds(bocage) + 0.3 * near_stream, 0.05, 0.95)
    kind = np.where(pasture, GRASS, ARABLE)
    kind = np.where(~is_wood & (draw > 0.93) & (at_seeds(bocage) > -0.6), SCRUB, kind)
    kind = np.where(near_stream & (damp < 0.13), MARSH, kind)
    kind = np.where((near_stream & (damp > 0.86)) | (damp > 0.965), HERBAGE, kind)
    kind = np.where(is_wood, BROADLEAF, kind)
    kind = np.where(conifer, CONIFER, kind)
    odd = generator.permutation(np.flatnonzero((kind == ARABLE) | (kind == GRASS)))
    kind[odd[:46]] = WASTE
    kind[odd[46:60]] = SOLAR
    habitat = kind[field].astype(np.uint8)

    # A hedge is one cell wide and stands, or doesn't, along the whole boundary of two fields.
    hedge = np.zeros(shape, dtype=bool)
    hedged = np.clip(0.38 + 0.22 * bocage, 0.06, 0.85)
    boundary_draw = generator.random(2**16)
    for along, ahead in ((field[:, 1:], field[:, :-1]), (field[1:, :], field[:-1, :])):
        low, high = np.minimum(along, ahead).astype(np.int64), np.maximum(along, ahead).astype(np.int64)
        chance = boundary_draw[(low * 40503 ^ high * 60493) % 2**16]  # the same along the whole boundary
        rows, columns = along.shape
        stands = (along != ahead) & (chance < hedged[:rows, :columns])
        hedge[:rows, :columns] |= stands
    open_land = np.isin(habitat, (GRASS, ARABLE, SCRUB, MARSH, HERBAGE))
    habitat[hedge & open_land] = HEDGE

    habitat[(to_stream < 75) & np.isin(habitat, (GRASS, ARABLE, HEDGE, SCRUB))] = HERBAGE

    # Villages near the streams and in between, each a ragged patch of gardens and houses.
    land = TRUTH["landscape"]
    lake = lake_mask(east, north, smooth_noise(generator, 170))
    villages: list[tuple[float, float]] = []
    while len(villages) < VILLAGES:
        e, n = generator.uniform(-20, 20), generator.uniform(-15, 15)
        row, column = cell_of(E0 + e * 1000, N0 + n * 1000)
        apart = min((math.hypot(e - a, n - b) for a, b in villages), default=99.0)
        clear_of_lake = math.hypot(e - land["lake_east"] / 1000, n - land["lake_north"] / 1000) > 1.6
        if apart > 3.0 and clear_of_lake and 120 < to_stream[row, column] < 2600 and wooded[row, column] < 1.0:
            villages.append((e, n))
    ragged = smooth_noise(generator, 120)
    to_village = np.full(shape, np.inf)
    for e, n in villages:
        size = generator.uniform(0.18, 0.42)
        distance = np.hypot(east - e, north - n)
        habitat[(distance < size * (1 + 0.28 * ragged)) & ~water] = GARDEN
        to_village = np.minimum(to_village, distance * 1000)

    habitat[distance_transform_edt(~lake) * CELL < 60] = MARSH
    habitat[water | lake] = WATER
    return {"habitat": habitat, "height": height, "to_village": to_village, "to_stream": to_stream}


def lake_mask(east: np.ndarray, north: np.ndarray, ragged: np.ndarray) -> np.ndarray:
    """Return which cells are the lake: an ellipse with a ragged shore."""
    land = TRUTH["landscape"]
    across = (east * 1000 - land["lake_east"]) / (land["lake_length"] / 2)
    up = (north * 1000 - land["lake_north"]) / (land["lake_width"] / 2)
    angle = math.radians(20)
    first, second = across * math.cos(angle) + up * math.sin(angle), up * math.cos(angle) - across * math.sin(angle)
    return first**2 + second**2 < (1 + 0.16 * ragged) ** 2


def cell_of(easting: Any, northing: Any) -> tuple[Any, Any]:
    """Return row and column of the country's cell at a place."""
    row = np.floor((TOP - np.asarray(northing)) / CELL).astype(int)
    column = np.floor((np.asarray(easting) - LEFT) / CELL).astype(int)
    return row, column


def outline() -> Polygon:
    """Return the study area in EPSG:2154, its corners rounded."""
    corners = Polygon([(E0 + e * 1000, N0 + n * 1000) for e, n in OUTLINE_KM])
    return corners.buffer(-1200).buffer(2400).buffer(-1200).simplify(40)


def write_habitat(country: dict[str, np.ndarray], area: Polygon) -> None:
    """Write the habitat raster in EPSG:3035, 25 m cells, nodata away from the area."""
    to_3035 = Transformer.from_crs("EPSG:2154", "EPSG:3035", always_xy=True)
    ring = np.array(area.buffer(1500).exterior.coords)
    first, second = to_3035.transform(ring[:, 0], ring[:, 1])
    left, top = math.floor(min(first) / 100) * 100, math.ceil(max(second) / 100) * 100
    columns, rows = math.ceil((max(first) - left) / CELL), math.ceil((top - min(second)) / CELL)
    easting, northing = np.meshgrid(left + (np.arange(columns) + 0.5) * CELL, top - (np.arange(rows) + 0.5) * CELL)
    back = Transformer.from_crs("EPSG:3035", "EPSG:2154", always_xy=True)
    east, north = back.transform(easting, northing)
    row, column = cell_of(east, north)
    inside = (row >= 0) & (row < ROWS) & (column >= 0) & (column < COLUMNS)
    codes = np.full((rows, columns), NODATA, dtype=np.uint8)
    codes[inside] = country["habitat"][row[inside], column[inside]]
    mapped = rasterio.features.geometry_mask(
        [area.buffer(1000)], (ROWS, COLUMNS), from_origin(LEFT, TOP, CELL, CELL), invert=True
    )
    codes[inside] = np.where(mapped[row[inside], column[inside]], codes[inside], NODATA)
    with rasterio.open(
        FOLDER / "habitat.tif", "w", driver="GTiff", width=columns, height=rows, count=1, dtype="uint8",
        crs="EPSG:3035",
        transform=from_origin(left, top, CELL, CELL), nodata=NODATA, compress="deflate", zlevel=9, tiled=True,
        blockxsize=256, blockysize=256,
    ) as raster:  # fmt: skip
        raster.write(codes, 1)
        raster.set_band_description(1, "habitat code")


def write_temperature(country: dict[str, np.ndarray]) -> None:
    """Write mean temperature in degrees Celsius on a lattice of longitude and latitude; one corner is nodata."""
    truth = TRUTH["temperature"]
    step_lon, step_lat = 0.0064, 0.0045
    west, north = -0.06, 46.62
    columns, rows = 102, 84
    longitude, latitude = np.meshgrid(
        west + (np.arange(columns) + 0.5) * step_lon, north - (np.arange(rows) + 0.5) * step_lat
    )
    easting, northing = Transformer.from_crs("EPSG:4326", "EPSG:2154", always_xy=True).transform(longitude, latitude)
    smooth = gaussian_filter(country["height"], 10)
    row, column = (TOP - northing) / CELL - 0.5, (easting - LEFT) / CELL - 0.5
    height = map_coordinates(smooth, [row, column], order=1, mode="nearest")
    celsius = np.round(truth["mean_c"] + truth["lapse_c_per_m"] * (height - 130), 2).astype(np.float32)
    celsius[longitude + 1.2 * (latitude - 46.4) > 0.595] = -9999.0
    with rasterio.open(
        FOLDER / "temperature.tif", "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32",
        crs="EPSG:4326",
        transform=from_origin(west, north, step_lon, step_lat), nodata=-9999.0, compress="deflate", predictor=3,
    ) as raster:  # fmt: skip
        raster.write(celsius, 1)
        raster.set_band_description(1, "mean temperature, degrees Celsius")


def write_area(area: Polygon) -> None:
    """Write the study area."""
    path = FOLDER / "area.gpkg"
    path.unlink(missing_ok=True)
    frame = gpd.GeoDataFrame({"name": ["Orsel valley"]}, geometry=[area], crs="EPSG:2154")
    frame.to_file(path, layer="area", driver="GPKG", engine="pyogrio")


def write_districts(area: Polygon) -> None:
    """Write districts that share most of the area among them; one of them is a small common with hardly a site."""
    path = FOLDER / "districts.gpkg"
    path.unlink(missing_ok=True)
    common = box(E0 - 4500, N0 + 9000, E0 - 2600, N0 + 10800)
    strips = {"Lower Orsel": (-30.0, -7.0), "Middle Orsel": (-7.0, 6.5), "Upper Orsel": (6.5, 18.0)}
    shapes = {
        name: area.intersection(box(E0 + west * 1000, N0 - 30_000, E0 + east * 1000, N0 + 30_000)).difference(common)
        for name, (west, east) in strips.items()
    } | {"Tarnhow Common": common}
    frame = gpd.GeoDataFrame({"district": list(shapes)}, geometry=list(shapes.values()), crs="EPSG:2154")
    frame.to_file(path, layer="districts", driver="GPKG", engine="pyogrio")


# The survey


def choose_places(country: dict[str, np.ndarray], area: Polygon) -> list[dict[str, Any]]:
    """Choose places: by habitat in the stated shares, near villages and streams, apart from each other."""
    generator = rng(2)
    inside = rasterio.features.geometry_mask(
        [area.buffer(-150)], (ROWS, COLUMNS), from_origin(LEFT, TOP, CELL, CELL), invert=True
    )
    pull = 4 * np.exp(-country["to_village"] / 1300) + 1.5 * np.exp(-country["to_stream"] / 350) + 0.55
    dry = distance_transform_edt(country["habitat"] != WATER) > 1.5
    number = SURVEY["places"]
    habitats = [h for h, share in SURVEY["habitats"].items() for _ in range(round(share * number))]
    habitats = [str(h) for h in generator.permutation(habitats)]
    candidates = {}
    for habitat in SURVEY["habitats"]:
        fit = np.flatnonzero(np.isin(country["habitat"], CODES[habitat]) & inside & dry)
        candidates[habitat] = fit, np.cumsum(pull.ravel()[fit])
    taken = np.empty((0, 2))
    places: list[dict[str, Any]] = []
    for habitat in habitats:
        fit, cumulative = candidates[habitat]
        for cell in fit[np.searchsorted(cumulative, generator.random(400) * cumulative[-1])]:
            row, column = divmod(int(cell), COLUMNS)
            easting = LEFT + (column + 0.5) * CELL + generator.uniform(-8, 8)
            northing = TOP - (row + 0.5) * CELL + generator.uniform(-8, 8)
            if (
                not len(taken)
                or np.hypot(taken[:, 0] - easting, taken[:, 1] - northing).min() > SURVEY["least_apart_m"]
            ):
                break
        else:
            raise RuntimeError(f"no room for a place in {habitat}")
        taken = np.vstack([taken, (easting, northing)])
        places.append({"easting": round(easting, 1), "northing": round(northing, 1), "habitat": habitat})
    for place, item in enumerate(places, start=1):
        item["code"] = f"OV-{place:03d}"
    return places


def beta(generator: np.random.Generator, mean: Any, rho: float) -> Any:
    """Return frequencies of places around a mean, with intra-site correlation ``rho``."""
    spread = (1 - rho) / rho
    mean = np.asarray(mean, dtype=float)
    return np.clip(generator.beta(mean * spread, (1 - mean) * spread), 1e-6, 1 - 1e-6)


def give_frequencies(places: list[dict[str, Any]]) -> None:
    """Give each place its own frequencies of both species."""
    generator = rng(3)
    n, h = TRUTH["nemoralis"], TRUTH["hortensis"]
    easting, northing = np.array([p["easting"] for p in places]), np.array([p["northing"] for p in places])
    wood = np.array([p["habitat"] == "woodland" for p in places])
    yellow = expit(logit(cline(n["yellow"], easting, northing)) + n["yellow"]["woodland_logit"] * wood)
    patch = n["mid_banded"]
    beyond = np.hypot(easting - patch["easting"], northing - patch["northing"]) - patch["radius_m"]
    mid = patch["outside"] + (patch["inside"] - patch["outside"]) * expit(-4 * beyond / patch["edge_m"])
    slope = h["unbanded"]["slope_per_km"] * along_m(easting, northing, h["unbanded"]["bearing_deg"]) / 1000
    size = len(places)
    drawn = {
        NEMORALIS: {
            "yellow": beta(generator, yellow, n["rho"]),
            "brown": beta(generator, np.full(size, n["brown"]["among_not_yellow"]), n["brown"]["rho"]),
            "unbanded": beta(generator, cline(n["unbanded"], easting, northing), n["rho"]),
            "mid": beta(generator, mid, n["rho"]),
        },
        HORTENSIS: {
            "yellow": beta(generator, np.full(size, h["yellow"]), h["rho"]),
            "brown": beta(generator, np.full(size, h["brown_among_not_yellow"]), h["rho"]),
            "unbanded": beta(generator, expit(h["unbanded"]["intercept"] + slope), h["rho"]),
            "mid": beta(generator, np.full(size, h["mid_banded"]), h["rho"]),
        },
    }
    for species, traits in drawn.items():
        for index, place in enumerate(places):
            place[species] = {trait: float(values[index]) for trait, values in traits.items()}


def draw_shells(
    generator: np.random.Generator, species: str, frequency: dict[str, float], number: int
) -> list[tuple[str, str]]:
    """Return colour and band class of each shell of a sample; colour and banding are linked as the truth says."""
    truth = TRUTH["nemoralis" if species == NEMORALIS else "hortensis"]
    y, u = frequency["yellow"], frequency["unbanded"]
    strength = truth["colour_banding_d_prime"]
    most = min(y * (1 - u), (1 - y) * u) if strength > 0 else min(y * u, (1 - y) * (1 - u))
    linked = strength * most
    chances = np.array([y * u + linked, y * (1 - u) - linked, (1 - y) * u - linked, (1 - y) * (1 - u) + linked])
    chances = np.clip(chances, 0, None) / np.clip(chances, 0, None).sum()
    shells = []
    for kind in generator.choice(4, size=number, p=chances):
        colour = "yellow" if kind < 2 else "brown" if generator.random() < frequency["brown"] else "pink"
        if kind in (0, 2):
            bands = "unbanded"
        elif generator.random() < frequency["mid"]:
            bands = "mid-banded"
        else:
            bands = "other one-banded" if generator.random() < truth["other_one_banded"] else "many-banded"
        shells.append((colour, bands))
    return shells


def plan_visits(places: list[dict[str, Any]]) -> None:
    """Decide which species live where, how many are found, and who visits when."""
    generator = rng(4)
    truth, number = SURVEY["shells"], len(places)
    order = generator.permutation(number)
    both = SURVEY["nemoralis_places"] + SURVEY["hortensis_places"] - number
    with_nemoralis = set(order[: SURVEY["nemoralis_places"]].tolist())
    with_hortensis = set(order[SURVEY["nemoralis_places"] - both :].tolist())
    by_specialist = generator.permutation(number)[: SURVEY["specialist_places"]]
    by_both = set(by_specialist[: SURVEY["both_visited"]].tolist())
    specialist = set(by_specialist.tolist())
    alone = [index for index in range(number) if index not in specialist]
    again = set(generator.permutation(alone)[: SURVEY["revisited"]].tolist())
    for index, place in enumerate(places):
        place["species"] = [s for s, at in ((NEMORALIS, with_nemoralis), (HORTENSIS, with_hortensis)) if index in at]
        place["number"] = {}
        for species in place["species"]:
            mean = truth["nemoralis_mean" if species == NEMORALIS else "hortensis_mean"]
            size = truth["size"]
            place["number"][species] = max(truth["least"], int(generator.negative_binomial(size, size / (size + mean))))
        place["visitors"] = []
        if index in specialist:
            place["visitors"].append(("specialist", 2025))
        if index not in specialist or index in by_both:
            place["visitors"].append(("volunteers", 2025))
        if index in again:
            place["visitors"].append(("volunteers", 2024))


def samples(places: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return every visit with its shells."""
    visits = []
    for index, place in enumerate(places):
        generator = rng(5, index)
        for who, year in place["visitors"]:
            day = datetime.date(year, 5, 1) + datetime.timedelta(days=int(generator.integers(0, 150)))
            share = 0.5 if len(place["visitors"]) > 1 else 1.0
            shells = {
                s: draw_shells(generator, s, place[s], max(3, round(place["number"][s] * share)))
                for s in place["species"]
            }
            juveniles = int(generator.poisson(5)) if generator.random() < 0.35 else 0
            visits.append({"place": place, "who": who, "day": day, "shells": shells, "juveniles": juveniles})
    return visits


def plant(
    rows: list[list[Any]], header: list[str], source: str, firsts: list[list[Any]], shared: tuple[str, ...]
) -> list[list[Any]]:
    """Return the rows with the planted ones put where the truth says; ``firsts`` holds the first row of each place."""
    planted = sorted((p for p in TRUTH["planted_row"] if p["source"] == source), key=lambda p: p["row"])
    out = [*rows]
    for item in planted:
        row: list[Any] = [""] * len(header)
        if "like" in item:
            like = firsts[item["like"] - 1]
            row = [value if name in shared else "" for name, value in zip(header, like, strict=True)]
        for name, value in item["cells"].items():
            row[header.index(name)] = value
        if item["row"] - 2 > len(out):
            raise RuntimeError(f"{source} has no row {item['row']}")
        out.insert(item["row"] - 2, row)
    return out


VOLUNTEERS = [
    "Place code", "Lon", "Lat", "Seen on", "Species", "Shell colour", "Bands", "How many", "Age", "Shell state", "Lip",
    "Habitat", "Observer", "Remarks",
]  # fmt: skip
BAND_WORDS = {
    "unbanded": ("Unbanded", "Unbanded", "Unbanded", "plain", "no bands"),
    "mid-banded": ("Mid-banded", "Mid-banded", "Mid-banded", "mid band", "midbanded"),
    "many-banded": ("Many-banded", "Many-banded", "Many-banded", "many", "two or more"),
    "other one-banded": ("other one-banded",),
}
SPECIES_WORDS = {
    NEMORALIS: ("Cepaea nemoralis", "Cepaea nemoralis", "Cepaea nemoralis", "C. nemoralis", "grove snail"),
    HORTENSIS: ("Cepaea hortensis", "Cepaea hortensis", "Cepaea hortensis", "C. hortensis", "White-lipped snail"),
}
REMARKS = (
    "after rain",
    "on nettles",
    "under a plank",
    "along the path",
    "thrush anvil nearby",
    "with the school club",
    "cool morning",
)


def habitat_note(generator: np.random.Generator, habitat: str) -> str:
    """Return what a volunteer writes for the habitat."""
    draw = generator.random()
    if draw < SURVEY["note_absent"]:
        return ""
    if generator.random() > SURVEY["note_agrees"]:
        habitat = str(generator.choice(MISTAKEN_FOR[habitat]))
    return str(generator.choice(NOTES[habitat]))


def write_volunteers(visits: list[dict[str, Any]]) -> None:
    """Write the volunteers' sheet: a row for each species, colour and band class."""
    generator = rng(6)
    to_degrees = Transformer.from_crs("EPSG:2154", "EPSG:4326", always_xy=True)
    mine = [visit for visit in visits if visit["who"] == "volunteers"]
    unnamed = set(generator.permutation(len(mine))[: SURVEY["without_code"]].tolist())
    rows: list[list[Any]] = []
    firsts: list[list[Any]] = []
    for index, visit in enumerate(mine):
        place = visit["place"]
        longitude, latitude = to_degrees.transform(place["easting"], place["northing"])
        letters = "ABDEHJKLMNOPRSTV"
        who = int(generator.integers(0, 46))
        observer = f"{letters[who % 16]}. {letters[(who * 7 + 3) % 16]}. {who + 1}"
        style = int(generator.integers(0, 5))  # each visit's recorder has one way to write things
        note = habitat_note(generator, place["habitat"])
        remark = str(generator.choice(REMARKS)) if generator.random() < 0.15 else ""
        code = "" if index in unnamed and place["visitors"] == [("volunteers", 2025)] else place["code"]
        front = [code, f"{longitude:.5f}", f"{latitude:.5f}", visit["day"].strftime("%d/%m/%Y")]
        back = [note, observer, remark]
        written: list[list[Any]] = []
        for species, shells in visit["shells"].items():
            state = "live" if generator.random() < 0.75 else "fresh"
            lip = ("dark" if species == NEMORALIS else "white") if style < 2 else ""
            name = SPECIES_WORDS[species][style]
            for colour, bands in sorted(set(shells)):
                count = shells.count((colour, bands))
                word = BAND_WORDS[bands][min(style, len(BAND_WORDS[bands]) - 1)]
                ground = colour[0].upper() if style == 4 else colour.capitalize()
                written.append([*front, name, ground, word, str(count), "Adult", state, lip, *back])
            if generator.random() < 0.06:  # shells that are too worn to count
                written.append([*front, name, "", "", str(int(generator.integers(1, 6))), "Adult", "worn", lip, *back])
        if visit["juveniles"]:
            written.append([*front, "", "", "", str(visit["juveniles"]), "Juvenile", "live", "", *back])
        firsts.append(written[0])
        rows += written
    rows = plant(
        rows, VOLUNTEERS, "demo_data/volunteers.csv", firsts,
        ("Place code", "Lon", "Lat", "Seen on", "Shell state", "Habitat", "Observer"),
    )  # fmt: skip
    write_csv(FOLDER / "volunteers.csv", [VOLUNTEERS, *rows], ";", "utf-8-sig")


def write_csv(path: Path, rows: list[list[Any]], delimiter: str, encoding: str) -> None:
    """Write rows as text with the line ends of a spreadsheet."""
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=delimiter, lineterminator="\r\n").writerows(rows)
    path.write_bytes(text.getvalue().encode(encoding))


SHELLS = ["site code", "date", "species", "colour", "bands", "lip", "age", "note"]


def write_specialist(visits: list[dict[str, Any]]) -> None:
    """Write the specialist's workbook: a row for each shell with its formula, and a sheet of sites."""
    generator = rng(7)
    formulas, weights = list(TRUTH["formulas"]), np.array(list(TRUTH["formulas"].values()), dtype=float)
    mine = [visit for visit in visits if visit["who"] == "specialist"]
    rows: list[list[Any]] = []
    firsts: list[list[Any]] = []
    sites: list[list[Any]] = []
    for visit in mine:
        place = visit["place"]
        written: list[list[Any]] = []
        for species, shells in visit["shells"].items():
            for colour, bands in shells:
                if bands == "many-banded":
                    formula = str(generator.choice(formulas, p=weights / weights.sum()))
                else:
                    formula = {"unbanded": "00000", "mid-banded": "00300", "other one-banded": "00040"}[bands]
                lip = "dark" if species == NEMORALIS else "white"
                written.append([place["code"], visit["day"], species, colour, formula, lip, "adult", ""])
        for _ in range(visit["juveniles"]):
            written.append([place["code"], visit["day"], "", "", "", "", "juvenile", ""])
        firsts.append(written[0])
        rows += written
        uncertainty = int(generator.choice([5, 5, 8, 10]))
        sites.append([place["code"], round(place["easting"]), round(place["northing"]), uncertainty, place["habitat"]])
    rows = plant(rows, SHELLS, "demo_data/specialist.xlsx", firsts, ("site code", "date"))
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "shells"
    for row in [SHELLS, *rows]:
        sheet.append([None if value == "" else value for value in row])
    for cell in sheet["B"][1:]:
        cell.number_format = "yyyy-mm-dd"
    table = book.create_sheet("sites")
    for row in [["code", "easting", "northing", "uncertainty", "habitat"], *sites]:
        table.append(row)
    buffer = io.BytesIO()
    book.save(buffer)
    write_zip_without_clock(buffer.getvalue(), FOLDER / "specialist.xlsx")


def write_zip_without_clock(content: bytes, path: Path) -> None:
    """Write a workbook so that its bytes don't depend on when it was made."""
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as new:
        for name in sorted(old.namelist(), key=lambda name: (name != "[Content_Types].xml", name)):
            data = old.read(name)
            if name == "docProps/core.xml":
                data = re.sub(rb">\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ<", b">2026-01-01T00:00:00Z<", data)
            entry = zipfile.ZipInfo(name, (2026, 1, 1, 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 3
            new.writestr(entry, data)


WIDE = {
    f"{short}{mark}": (colour, bands)
    for colour, short in (("yellow", "Y"), ("pink", "P"), ("brown", "B"))
    for bands, mark in (("unbanded", "0"), ("mid-banded", "3"), ("many-banded", "m"), ("other one-banded", "x"))
}
EARLIER = ["No", "Place", "E", "N", "Day", "Species", *WIDE]
OLD_NAMES = (
    "Forêt du Chêne", "Moulin d'Aubrive", "Pré long", "Chemin creux", "Côte des Vignes", "Étang sec", "Lavoir",
    "Pont de l'Orsel", "Haie du Tertre", "Grande prairie",
)  # fmt: skip


def write_earlier(places: list[dict[str, Any]]) -> None:
    """Write the survey of forty years before: a row for each place and species, a column for each morph."""
    generator = rng(8)
    truth = TRUTH["earlier"]
    to_utm = Transformer.from_crs("EPSG:2154", "EPSG:23031", always_xy=True)
    rows: list[list[Any]] = []
    for number, index in enumerate(sorted(generator.permutation(len(places))[: truth["places"]].tolist()), start=1):
        place = places[index]
        easting, northing = to_utm.transform(
            place["easting"] + generator.normal(0, truth["position_sd_m"]),
            place["northing"] + generator.normal(0, truth["position_sd_m"]),
        )
        year = int(generator.integers(truth["first_year"], truth["last_year"] + 1))
        day = datetime.date(year, 5, 15) + datetime.timedelta(days=int(generator.integers(0, 120)))
        when = str(year) if generator.random() < 0.2 else day.isoformat()
        name = OLD_NAMES[int(generator.integers(0, len(OLD_NAMES)))]
        for species in place["species"]:
            then = dict(place[species])
            shifts = {"yellow": 0.0, "brown": 0.0, "unbanded": 0.0, "mid": 0.0}
            if species == NEMORALIS:
                shifts |= {"yellow": truth["yellow_logit"], "brown": truth["brown_logit"]}
            for trait, shift in shifts.items():
                then[trait] = float(expit(logit(then[trait]) + shift + generator.normal(0, truth["drift_sd"])))
            shells = draw_shells(generator, species, then, max(6, int(generator.poisson(truth["mean_shells"]))))
            counts = [shells.count(morph) for morph in WIDE.values()]
            rows.append([f"A-{number:03d}", name, round(easting), round(northing), when, species, *counts])
    rows = plant(rows, EARLIER, "demo_data/earlier_1984.csv", [], ())
    write_csv(FOLDER / "earlier_1984.csv", [EARLIER, *rows], ",", "latin-1")


def main() -> None:
    """Write every file of the demo."""
    area = outline()
    country = draw_country()
    write_area(area)
    write_districts(area)
    write_habitat(country, area)
    write_temperature(country)
    places = choose_places(country, area)
    give_frequencies(places)
    plan_visits(places)
    visits = samples(places)
    write_volunteers(visits)
    write_specialist(visits)
    write_earlier(places)


if __name__ == "__main__":
    main()
