"""What the figures of compared clines, of centre lines and of transects draw."""

from __future__ import annotations

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from morphcline.errors import SourceError
from morphcline.files.vectors import read_shapes
from morphcline.records.transect_table import Transect
from morphcline.render import labels
from morphcline.render.figures.centres import CentrePanel
from morphcline.render.figures.clines import ClinePanel
from morphcline.stages._concordance import CENTRE_BANDS, CENTRE_LINES, LAYERS
from morphcline.stages._panels import Material, chosen_clines, curve_panel, shown_rows


def concordance_rows(material: Material) -> pd.DataFrame:
    """Return the rows of pairs that were compared."""
    rows = material.tables["concordance"]
    return rows[rows["not_compared_because"].isna() | (rows["not_compared_because"] == "")]


def centre_panels(material: Material, species: str) -> list[CentrePanel]:
    """Return a panel for each trait that has a centre line within the study's area."""
    rows = shown_rows(material.of("curved", species))
    rows = rows[rows["drawn"].isin(("straight", "curved"))]
    if rows.empty:
        return []
    shapes = {layer: _layer(material, layer, species) for layer in (CENTRE_LINES, CENTRE_BANDS)}
    panels = []
    for _, row in rows.iterrows():
        line, band = (shapes[layer].get(str(row["trait"])) for layer in (CENTRE_LINES, CENTRE_BANDS))
        if line is None:
            continue
        found = material.of("frequencies", species, str(row["trait"])).drop(columns="species")
        panels.append(
            CentrePanel(
                trait=str(row["trait"]),
                lines=_pieces(line),
                bands=() if band is None else _pieces(band),
                curved=row["drawn"] == "curved",
                p_curved=float(row["p_curved"]),
                bend_m=float(row["bend_m"]),
                towards=labels.compass(float(row["bearing_deg"])),
                sites=material.placed(found[found["total"] > 0]),
            )
        )
    return panels


def transect_panels(material: Material, species: str, line: BaseGeometry, name: str) -> list[ClinePanel]:
    """Return a panel for each trait whose chosen model along a transect isn't the flat one."""
    rows = material.of("transects", species)
    best = chosen_clines(rows[rows["transect"] == name])
    sites = material.tables["sites"]
    away = Transect(name, line).distances(sites[["x_m", "y_m"]].to_numpy(np.float64))
    near = sites[away <= material.study.clines.transect_within_m]
    return [curve_panel(material, species, row, sites=near, line=line) for row in best]


def _layer(material: Material, layer: str, species: str) -> dict[str, BaseGeometry]:
    try:
        shapes = read_shapes(material.folder / LAYERS, material.study.study.crs, layer=layer)
    except SourceError:  # a layer without a shape
        return {}
    here = shapes[shapes["species"] == species]
    return dict(zip(here["trait"].astype(str), here.geometry, strict=True))


def _pieces(shape: BaseGeometry) -> tuple[NDArray[np.float64], ...]:
    """Return the corners of each line, or of each polygon's outer ring."""
    parts = shapely.get_parts(shape)
    rings = [shapely.get_exterior_ring(part) if part.geom_type == "Polygon" else part for part in parts]
    return tuple(shapely.get_coordinates(ring) for ring in rings)
