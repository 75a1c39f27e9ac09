"""What the page with the map is given: places as published, in degrees; surfaces as pictures; words for its notes."""

from __future__ import annotations

import numpy as np
import pandas as pd
from pyproj import Transformer
from rasterio.transform import from_bounds

from morphcline.files.surfaces import open_surfaces
from morphcline.records.frequencies import LEAST_TOTAL
from morphcline.render import labels
from morphcline.render.figures.frame import MapFrame
from morphcline.render.webmap import Overlay, PageData, draw_overlay
from morphcline.scoring.species import slug
from morphcline.stages import _panels as panels
from morphcline.stages._panels import Material

WGS84 = "EPSG:4326"


def page_data(material: Material, frame: MapFrame, years: pd.Series) -> PageData:
    """Gather what the page shows.

    Parameters
    ----------
    material : Material
    frame : MapFrame
        The static maps' frame: the page shows the same outline and backdrop.
    years : Series
        Of the shells counted; missing where a record has no date.
    """
    study = material.study
    test = panels.local_test(study)
    return PageData(
        title=study.study.title or study.study.name,
        period=labels.period(years),
        sites=_sites(material),
        frequencies=material.tables["frequencies"],
        local=material.tables["local"],
        overlays=_overlays(material),
        rings=_rings(frame),
        min_shells=study.scoring.min_shells,
        min_total=LEAST_TOTAL,
        clusters_note=(
            f"Local Moran's I of the rate-adjusted frequencies among {test.neighbours}; "
            f"{labels.number(test.permutations)} conditional permutations, seed {study.study.seed}; "
            f"false-discovery rate {labels.level(test.level)}."
        ),
        places_note=" ".join(part for part in (frame.privacy(), _backdrop_note(frame)) if part),
        confidence=labels.level(study.scoring.confidence),
    )


def _sites(material: Material) -> pd.DataFrame:
    places = material.places
    to_degrees = Transformer.from_crs(material.study.study.crs, WGS84, always_xy=True)
    longitude, latitude = to_degrees.transform(places["drawn_x_m"].to_numpy(), places["drawn_y_m"].to_numpy())
    shown = places.assign(name=places["shown_as"], lon=longitude, lat=latitude)
    return shown.merge(material.tables["sites"][["site", "habitat", "temperature_c"]], on="site", how="left")


def _overlays(material: Material) -> dict[tuple[str, str], Overlay]:
    overlays = {}
    for species in material.study.scoring.species:
        path = material.folder / f"surfaces/{slug(species)}.tif"
        if not path.exists():
            continue
        raster = open_surfaces(path)
        for trait in raster.traits:
            frequency, error, (west, east, south, north) = panels.drawn_cells(raster, trait)
            if np.isfinite(frequency).any():
                rows, columns = frequency.shape
                lattice = from_bounds(west, south, east, north, columns, rows)
                overlays[species, trait] = draw_overlay(
                    frequency, error, transform=lattice, crs=material.study.study.crs
                )
    return overlays


def _rings(frame: MapFrame) -> list[list[tuple[float, float]]]:
    to_degrees = Transformer.from_crs(frame.crs, WGS84, always_xy=True)
    rings = []
    for ring in (*frame.outline, *frame.backdrop_areas, *frame.backdrop_lines):
        longitude, latitude = to_degrees.transform(ring[:, 0], ring[:, 1])
        rings.append(list(zip(longitude.tolist(), latitude.tolist(), strict=True)))
    return rings


def _backdrop_note(frame: MapFrame) -> str:
    if frame.backdrop_name:
        return f"Backdrop: {frame.backdrop_name}."
    return "The thin line is the outline of the study area." if frame.outline else ""
