"""What the figure of steepness draws, from the rasters and the table of the stage of surfaces."""

from __future__ import annotations

import numpy as np

from morphcline.files.steepness import read_steepness, steep_traits
from morphcline.files.surfaces import open_surfaces
from morphcline.render.figures.steepness import SteepPanel
from morphcline.stages._panels import CELLS_DRAWN, Material, drawn_cells
from morphcline.stages._steepness import steepness_name
from morphcline.stages.surfaces import raster_name


def steepness_panels(material: Material, species: str) -> list[SteepPanel]:
    """Return a panel for each trait whose steepness was measured somewhere."""
    path = material.folder / steepness_name(species)
    if not path.is_file():
        return []
    surfaces = open_surfaces(material.folder / raster_name(species))
    rows = {str(row["trait"]): row for row in material.of("steepness", species).to_dict("records")}
    panels = []
    for trait in steep_traits(path):
        row = rows.get(trait)
        if row is None or row["not_measured_because"]:
            continue
        gradient, bearing, zone = (
            read_steepness(path, f"{trait}: {quantity}", longest=CELLS_DRAWN).astype(np.float64)
            for quantity in ("gradient", "bearing", "steep zone")
        )
        if not np.isfinite(gradient).any():
            continue
        frequency, _, extent = drawn_cells(surfaces, trait)
        told = {str(key): value for key, value in row.items() if key != "not_measured_because"}
        panels.append(SteepPanel(trait, gradient, bearing, zone, frequency, extent, told))
    return panels
