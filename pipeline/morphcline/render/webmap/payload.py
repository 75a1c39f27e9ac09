"""What the page's script is given: the survey's numbers as one compact JSON value."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import Transformer

from morphcline.render import labels
from morphcline.render.figures.change_map import CHANGE_MAP, FULL, NONE
from morphcline.render.palettes import FADE, LOCAL_GROUPS, OPACITY, STEEPNESS_MAP, frequency_colours
from morphcline.render.webmap.cells import MOST_SITES, Cells, pool_into_cells
from morphcline.render.webmap.contents import PageData
from morphcline.render.webmap.degrees import longitudes_of
from morphcline.render.webmap.grids import LARGEST_ERROR
from morphcline.render.webmap.linked import linked_numbers
from morphcline.render.webmap.plain import path_in_degrees, rounded, rounded_all
from morphcline.render.webmap.statements import statement
from morphcline.scoring.traits import MORPHS

PALETTE_STEPS = 64
#: Limits between the classes in which the page shows a surface's standard error.
ERROR_CLASSES = (0.03, 0.06, 0.10, 0.15)


def palette() -> list[str]:
    """Return the frequency scale as colours from 0 to 1, the same as in every figure."""
    return _hexadecimal(frequency_colours(np.linspace(0.0, 1.0, PALETTE_STEPS)))


def other_palette(name: str) -> list[str]:
    """Return one of matplotlib's colour maps in as many steps."""
    from matplotlib import colormaps

    return _hexadecimal(colormaps[name](np.linspace(0.0, 1.0, PALETTE_STEPS), bytes=True))


def _hexadecimal(colours: NDArray[np.uint8]) -> list[str]:
    return ["#" + "".join(f"{part:02x}" for part in colour[:3]) for colour in colours.tolist()]


def survey_payload(data: PageData) -> dict[str, Any]:
    """Gather what the page draws.

    Parameters
    ----------
    data : PageData

    Returns
    -------
    dict
        Above :data:`~morphcline.render.webmap.cells.MOST_SITES` sites, squares take the place of sites: ``cells`` says
        how wide they are and where their corners lie.
    """
    placed = int((data.sites["lon"].notna() & data.sites["lat"].notna()).sum())
    cells = pool_into_cells(data.sites, data.frequencies) if placed > MOST_SITES else None
    units, frequencies = (data.sites, data.frequencies) if cells is None else (cells.cells, cells.frequencies)
    shown = frequencies[(frequencies["total"] > 0) & frequencies["site"].isin(units["site"])]
    combinations, codes = _combinations(shown)
    habitats = _habitats(data.sites) if cells is None else []
    return {
        "palette": palette(),
        "steepPalette": other_palette(STEEPNESS_MAP),
        "changePalette": other_palette(CHANGE_MAP),
        "changeFull": FULL,
        "changeNone": NONE,
        "fade": [*FADE, *OPACITY],
        "errorClasses": list(ERROR_CLASSES),
        "largestError": LARGEST_ERROR,
        "steepest": data.steepest,
        "level": data.wording.level,
        "groupKeys": list(LOCAL_GROUPS),
        "habitatKeys": habitats,
        "groups": [
            {"shape": mark.marker, "fill": mark.fill, "edge": mark.edge, "size": mark.size}
            for mark in LOCAL_GROUPS.values()
        ],
        "sites": _site_columns(data.sites, habitats) if cells is None else _cell_columns(cells, data.crs),
        "cells": None if cells is None else _cells(cells, data.crs),
        "combinations": combinations,
        "species": _species(data, units, shown.assign(code=codes), cells),
        "rings": [path_in_degrees(ring) for ring in data.rings],
        "bounds": _bounds(data),
    }


def _combinations(shown: pd.DataFrame) -> tuple[list[list[Any]], NDArray[np.int64]]:
    """Return the distinct counts with their intervals, and which of them each row has: most occur many times."""
    columns = ["count", "total", "low", "high"]
    values = shown.reindex(columns=columns).astype(np.float64)
    values[["low", "high"]] = values[["low", "high"]].round(4)
    # Rows with NaN are never alike to numpy; infinity stands for a missing limit among them.
    kinds, codes = np.unique(values.fillna(np.inf).to_numpy(), axis=0, return_inverse=True)
    kinds[np.isinf(kinds)] = np.nan
    listed = [[int(count), int(total), rounded(low), rounded(high)] for count, total, low, high in kinds.tolist()]
    return listed, np.asarray(codes).ravel()


def _habitats(sites: pd.DataFrame) -> list[str]:
    return sorted({str(name) for name in pd.concat([sites["habitat"], sites["habitat_noted"]]).dropna() if name})


def _site_columns(sites: pd.DataFrame, habitats: list[str]) -> dict[str, Any]:
    number = {name: place for place, name in enumerate(habitats)}
    return {
        "name": sites["name"].astype(str).tolist(),
        "lat": rounded_all(sites["lat"], 5),
        "lon": rounded_all(sites["lon"], 5),
        "x": rounded_all(sites["x_m"], 0),
        "y": rounded_all(sites["y_m"], 0),
        "blur": rounded_all(sites["blur_m"], 0),
        "radius": rounded_all(sites["position_uncertainty_m"], 0),
        "habitats": [labels.habitat_name(name) for name in habitats],
        "habitat": [number.get(str(name), -1) for name in sites["habitat"].fillna("")],
        "share": rounded_all(sites["habitat_share"], 2),
        "noted": [number.get(str(name), -1) for name in sites["habitat_noted"].fillna("")],
        "temperature": rounded_all(sites["temperature_c"], 1),
    }


def _cell_columns(cells: Cells, crs: str) -> dict[str, Any]:
    frame = cells.cells
    longitude, latitude = _to_degrees(crs, frame["x_m"].to_numpy(), frame["y_m"].to_numpy())
    nothing = [None] * len(frame)
    return {
        "name": frame["site"].tolist(),
        "lat": rounded_all(latitude, 4),
        "lon": rounded_all(longitude, 4),
        "x": rounded_all(frame["x_m"], 0),
        "y": rounded_all(frame["y_m"], 0),
        "blur": nothing,
        "radius": nothing,
        "habitats": [],
        "habitat": [-1] * len(frame),
        "share": nothing,
        "noted": [-1] * len(frame),
        "temperature": nothing,
    }


def _cells(cells: Cells, crs: str) -> dict[str, Any]:
    corners = cells.corners()
    longitude, latitude = _to_degrees(crs, corners[..., 0].ravel(), corners[..., 1].ravel())
    pairs = np.round(np.stack([latitude, longitude], axis=-1).reshape(corners.shape), 4)
    return {"side": cells.side_m, "corners": pairs.reshape(len(pairs), -1).tolist(), "sites": cells.sites}


def _species(data: PageData, units: pd.DataFrame, shown: pd.DataFrame, cells: Cells | None) -> list[dict[str, Any]]:
    place = pd.Series(np.arange(len(units)), index=units["site"].to_numpy())
    # Above the number of sites that are drawn, those with pairs have no place of their own either.
    local, change = (data.local, data.change) if cells is None else (data.local.iloc[:0], data.change.iloc[:0])
    local = local[["species", "trait", "site", "group"]]
    joined = shown.merge(local, how="left", on=["species", "trait", "site"])
    listed = []
    for species in dict.fromkeys(joined["species"]):
        of_species = joined[joined["species"] == species]
        traits = []
        for trait in _trait_order(of_species["trait"]):
            rows = of_species[of_species["trait"] == trait]
            numbers = _trait_numbers(data, str(species), trait, rows, place)
            traits.append(numbers | linked_numbers(data, str(species), trait, change, place))
        listed.append({"name": species, "traits": traits})
    return listed


def _trait_order(present: Iterable[str]) -> list[str]:
    found = list(dict.fromkeys(present))
    first = labels.main_traits(found)
    return [*first, *(trait for trait in found if trait not in first)]


def _trait_numbers(data: PageData, species: str, trait: str, rows: pd.DataFrame, place: pd.Series) -> dict[str, Any]:
    """Return a trait's numbers at the sites: which combination of counts each has, -1 where it has none."""
    groups = list(LOCAL_GROUPS)
    found = rows["group"].where(rows["group"].isin(groups), "not tested")
    at = place.loc[rows["site"]].to_numpy()
    counts = np.full(len(place), -1, dtype=np.int64)
    counts[at] = rows["code"]
    marks = np.zeros(len(place), dtype=np.int64)
    enough = rows["enough"].astype(bool) if "enough" in rows else rows["total"] >= data.wording.min_total
    marks[at] = enough.astype(int) + 2 * found.map(groups.index)
    pooled = np.zeros(len(place), dtype=np.int64)
    if "sites" in rows:
        pooled[at] = rows["sites"]
    return {
        "key": trait,
        "title": labels.trait_title(trait),
        "kind": "morph" if trait in MORPHS else "main",
        "among": labels.denominator(trait, data.among),
        "statement": statement(data, species, trait, _with_sites(data, species, trait, rows)),
        "counts": counts.tolist(),
        # One letter a site says whether its sample is large enough and which local group it is in.
        "marks": "".join(chr(97 + mark) for mark in marks.tolist()),
        "pooled": pooled.tolist() if "sites" in rows else None,
    }


def _with_sites(data: PageData, species: str, trait: str, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the trait's rows at sites, whatever is drawn: the statement counts sites, not squares."""
    if "sites" not in rows:
        return rows
    every = data.frequencies
    return every[(every["species"] == species) & (every["trait"] == trait) & (every["total"] > 0)]


def _bounds(data: PageData) -> list[list[float]]:
    """Return the limits of all that is drawn: sites, outline and surfaces."""
    placed = data.sites[data.sites["lon"].notna() & data.sites["lat"].notna()]
    latitudes, longitudes = placed["lat"].tolist(), placed["lon"].tolist()
    for ring in data.rings:
        latitudes += [latitude for _, latitude in ring]
        longitudes += [longitude for longitude, _ in ring]
    for grid in data.grids.values():
        latitudes += [grid.south, grid.north]
        longitudes += [grid.west, grid.east]
    if not latitudes:
        return [[-60.0, -180.0], [75.0, 180.0]]
    return [
        [round(float(min(latitudes)), 5), round(float(min(longitudes)), 5)],
        [round(float(max(latitudes)), 5), round(float(max(longitudes)), 5)],
    ]


def _to_degrees(
    crs: str, easting: NDArray[np.float64], northing: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    longitude, latitude = Transformer.from_crs(crs, longitudes_of(crs), always_xy=True).transform(easting, northing)
    return np.asarray(longitude), np.asarray(latitude)
