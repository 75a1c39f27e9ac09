"""The layers of ``sites.gpkg``, from public tables: sites, frequencies, groups, centre lines, cells, change.

All of it stays English: names of fields and classes are those of the tables.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from morphcline import __version__
from morphcline.files.geopackage import Layer, write_geopackage
from morphcline.files.surfaces import block_means, open_surfaces
from morphcline.files.tables import read_table
from morphcline.records.layer_tables import (
    CELL_PARTS,
    Attributes,
    cell_fields,
    cluster_attributes,
    frequency_attributes,
    line_attributes,
    pair_attributes,
    site_attributes,
    typed,
)
from morphcline.records.period import survey_days
from morphcline.render import labels
from morphcline.scoring.species import slug
from morphcline.stages._concordance import LAYERS as CLINE_LAYERS
from morphcline.stages._layers import LINES, read_layers
from morphcline.stages._rastertags import RECORDS, places_note
from morphcline.stages._steepness import LAYERS as STEEP_LAYERS
from morphcline.stages._steepness import steepness_name
from morphcline.stages.base import Context
from morphcline.stages.surfaces import raster_name
from morphcline.study import Study

SITES = "sites.gpkg"
#: Cells of a surface beyond which blocks of them stand as one.
MOST_CELLS = 20_000
#: Decimals of what a cell holds, by part: no more than are sure.
_CELL_DECIMALS = {"frequency": 4, "se": 4, "shells": 1}
_TABLES = ("sites", "earlier_sites", "samples", "frequencies", "local", "curved", "clines", "change", "steepness")


@dataclass(frozen=True)
class Material:
    """What the layers are made of.

    Attributes
    ----------
    study : Study
    tables : mapping
    records : DataFrame
        The public ``accepted.csv``.
    days : tuple of str, optional
        First and last day of the survey.
    """

    study: Study
    tables: Mapping[str, pd.DataFrame]
    records: pd.DataFrame
    days: tuple[str, str] | None

    def traits(self, species: str) -> tuple[str, ...]:
        """Return the main traits that a species' sites have frequencies of."""
        table = self.tables["frequencies"]
        return labels.main_traits(table.loc[table["species"] == species, "trait"])

    @property
    def all_traits(self) -> tuple[str, ...]:
        """The main traits of all species."""
        return labels.main_traits(self.tables["frequencies"]["trait"])

    @property
    def title(self) -> str:
        """Of the study."""
        return self.study.study.title or self.study.study.name


def layer_reads(study: Study) -> tuple[str, ...]:
    """Return what is read, from the output folder: nothing private."""
    return (
        *RECORDS,
        *(f"tables/{name}.csv" for name in _TABLES),
        CLINE_LAYERS,
        STEEP_LAYERS,
        *(raster_name(species) for species in study.scoring.species),
        *(steepness_name(species) for species in study.scoring.species),
    )


def load_material(context: Context) -> Material:
    """Read the tables that layers are made of."""
    tables = {name: read_table(context.path(f"tables/{name}.csv")) for name in _TABLES}
    accepted, flagged = (read_table(context.path(name)) for name in RECORDS)
    return Material(context.study, tables, accepted, survey_days(accepted, flagged))


def write_site_layers(context: Context, material: Material) -> list[Layer]:
    """Write ``sites.gpkg``; return its layers."""
    layers = [*_site_layers(material), _clusters(material), _lines(context, material)]
    layers += [_cells(context, material, species) for species in material.study.scoring.species]
    layers.append(_pairs(material))
    dated = material.days[1] if material.days else ""
    write_geopackage(context.path(SITES), layers, about=_about(material), dated=dated)
    return layers


def _about(material: Material) -> dict[str, str]:
    report, days = material.study.report, material.days
    contact = f" Contact: {report.contact}." if report.contact else ""
    return {
        "title": material.title,
        "description": "Frequencies of shell morphs of land snails: sites, their frequencies by species and trait, "
        "local groups, centres of clines, smoothed surfaces and change since earlier surveys. Places are shown as the "
        "survey's rules of privacy allow; each says in blur_m within which square it is hidden." + contact,
        "subject": "; ".join(["land snails", "shell polymorphism", *material.study.scoring.species]),
        "publisher": report.holder,
        "rightsHolder": report.holder,
        "license": report.licence,
        "temporal": "/".join(days) if days else "",
        "type": "Dataset",
        "language": "en",
        "provenance": f"Made from the survey's records by morphcline {__version__}.",
    }


def _layer(name: str, title: str, description: str, attributes: Attributes, crs: str) -> Layer:
    """Return a layer of points; those without a place are left out, and said to be."""
    table = attributes.table
    seen = table["x_m"].notna() & table["y_m"].notna()
    left_out = int((~seen).sum())
    table = table[seen].reset_index(drop=True)
    points = gpd.points_from_xy(table["x_m"], table["y_m"], crs=crs)
    features = gpd.GeoDataFrame(table[list(attributes.fields)], geometry=points)
    if left_out:
        description += (
            f" {left_out} {'row has' if left_out == 1 else 'rows have'} no place that may be shown: left out here, "
            "counted in the tables."
        )
    return Layer(name, "Point", title, description, features, attributes.fields, attributes.shares, attributes.words)


def _site_layers(material: Material) -> list[Layer]:
    tables, crs = material.tables, material.study.study.crs
    where = "A point is the centre of the square that hides the site (blur_m); sites in one square lie on each other."
    found = [
        _layer(
            "sites", "Sites", f"Sites of this survey, what was found and what grows there. {where}",
            site_attributes(tables["sites"], material.records), crs,
        ),
        _layer(
            "earlier_sites", "Sites of earlier surveys", f"The same of earlier surveys. {where}",
            site_attributes(tables["earlier_sites"], material.records), crs,
        ),
    ]  # fmt: skip
    for species in material.study.scoring.species:
        attributes = frequency_attributes(
            species, material.traits(species), tables["sites"], tables["samples"], tables["frequencies"]
        )
        found.append(
            _layer(
                frequency_layer(species), f"{species}: frequencies at sites",
                f"Counts and frequencies of the main traits of {species} at every site where it was found, with their "
                f"{_level(material)} limits. The nine morphs stand in tables/frequencies.csv. {where}",
                attributes, crs,
            )
        )  # fmt: skip
    return found


def frequency_layer(species: str) -> str:
    """Return the name of a species' layer of frequencies at sites."""
    return f"frequencies_{slug(species, '_')}"


def cell_layer(species: str) -> str:
    """Return the name of a species' layer of cells."""
    return f"cells_{slug(species, '_')}"


def _level(material: Material) -> str:
    return f"{100 * material.study.scoring.confidence:g} %"


def _clusters(material: Material) -> Layer:
    settings = material.study.autocorrelation
    return _layer(
        "clusters", "Local association",
        f"Whether a site is like its neighbours, by local Moran's I and {settings.permutations} permutations: a row a "
        "site, species and main trait. Filter by species and trait to see one map.",
        cluster_attributes(material.tables["local"], material.tables["sites"], material.all_traits),
        material.study.study.crs,
    )  # fmt: skip


def _pairs(material: Material) -> Layer:
    return _layer(
        "change_pairs", "Change at places seen before",
        "Places of this survey paired with the same places of an earlier one: a row a pair, species and main trait, at "
        "the place of this survey. Filter by species and trait to see one map. A single place changes by chance as "
        f"well; limits are at {_level(material)}.",
        pair_attributes(material.tables["change"], material.tables["sites"], material.all_traits),
        material.study.study.crs,
    )  # fmt: skip


def _lines(context: Context, material: Material) -> Layer:
    study = material.study
    attributes = line_attributes(material.tables["curved"], material.tables["clines"], study.scoring.confidence)
    shapes = read_layers(context.path(CLINE_LAYERS), (LINES,), study.study.crs)[0].features
    drawn = dict(zip(zip(shapes["species"], shapes["trait"], strict=True), shapes.geometry, strict=True))
    table = attributes.table
    key = list(zip(table["species"], table["trait"], strict=True))
    with_line = np.array([pair in drawn for pair in key], dtype=bool)
    found = [drawn[pair] for pair in key if pair in drawn]
    features = gpd.GeoDataFrame(table[with_line].reset_index(drop=True), geometry=found, crs=study.study.crs)
    return Layer(
        "cline_lines", "MultiLineString", "Centres of clines, with width",
        "Line on which a trait's frequency is halfway between the two ends of its cline, with the cline's centre and "
        f"width and their {_level(material)} limits. The bands round the lines stand in clines.gpkg.",
        features, attributes.fields, attributes.shares,
    )  # fmt: skip


def _cells(context: Context, material: Material, species: str) -> Layer:
    """Return the cells of a species' surfaces as squares; blocks of cells where there are too many."""
    study, surfaces = material.study, open_surfaces(context.path(raster_name(species)))
    grid, traits = surfaces.grid, labels.main_traits(surfaces.traits)
    block = max(1, math.ceil(math.sqrt(grid.rows * grid.columns / MOST_CELLS)))
    values = block_means(surfaces, traits, block)
    down, across = np.nonzero(np.isfinite(values[:, 0]).any(axis=0))
    side = grid.cell_m * block
    west, north = grid.left + across * side, grid.top - down * side
    # Blocks at the raster's far edges hold fewer cells.
    east = np.minimum(west + side, grid.left + grid.columns * grid.cell_m)
    south = np.maximum(north - side, grid.top - grid.rows * grid.cell_m)
    fields = {"cell": "easting and northing of its south-west corner, metres"}
    columns: dict[str, object] = {"cell": [f"{e:.0f}-{n:.0f}" for e, n in zip(west, south, strict=True)]}
    described, parts = cell_fields(traits), list(CELL_PARTS)
    for name, (trait, part, text) in described.items():
        fields[name] = text
        found = values[traits.index(trait), parts.index(part), down, across].astype(np.float64)
        columns[name] = found.round(_CELL_DECIMALS[part])
    coarse = (
        ""
        if block == 1
        else f" {grid.rows} x {grid.columns} cells are more than a layer should hold: each square is the mean of "
        f"{block} x {block} of them; the raster has every one."
    )
    features = gpd.GeoDataFrame(
        typed(pd.DataFrame(columns), fields), geometry=shapely.box(west, south, east, north), crs=grid.crs
    )
    return Layer(
        cell_layer(species), "Polygon", f"{species}: cells of the smoothed surfaces",
        f"Squares of {side:g} m with the smoothed frequency of each main trait of {species}, its standard error and "
        f"the independent shells it rests on; empty where there are too few. For it {places_note(study)}.{coarse}",
        features, fields, tuple(name for name, (_, part, _) in described.items() if part == "frequency"),
    )  # fmt: skip
