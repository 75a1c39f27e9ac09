"""The part of the stage of the report that hands over to a GIS: layers, styles and a catalogue of both."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from morphcline.files.atomic import write_text
from morphcline.files.stac import COG, GEOPACKAGE, SLD, Asset, Catalogue, RasterItem, write_catalogue
from morphcline.files.steepness import steep_traits
from morphcline.files.surfaces import open_surfaces
from morphcline.language import Said
from morphcline.scoring.species import slug
from morphcline.stages._concordance import LAYERS as CLINE_LAYERS
from morphcline.stages._gislayers import SITES, Material, layer_reads, load_material, write_site_layers
from morphcline.stages._gispage import layers_page
from morphcline.stages._gisstyles import (
    FOLDER,
    Style,
    colour_tables,
    layer_styles,
    shape_styles,
    steepness_styles,
    surface_styles,
)
from morphcline.stages._layers import BANDS, CONTOURS, LINES, ZONES, read_layers
from morphcline.stages._steepness import LAYERS as STEEP_LAYERS
from morphcline.stages._steepness import steepness_name
from morphcline.stages.base import Context
from morphcline.stages.surfaces import raster_name
from morphcline.study import Study

_INDEX = f"{FOLDER}/README.md"
_STAC = "stac"

gis_reads = layer_reads


def gis_writes(study: Study) -> tuple[str, ...]:
    """Return what is written whatever the data."""
    return SITES, _INDEX, *colour_tables(study.surfaces.min_effective_shells)


def write_gis(context: Context) -> tuple[list[str], list[str]]:
    """Write ``sites.gpkg``, a style for each layer and raster, and the catalogue.

    Returns
    -------
    files, warnings : list of str
        What was written beside :func:`gis_writes`, from the output folder; what a user should know.
    """
    material = load_material(context)
    traits = {species: material.traits(species) for species in material.study.scoring.species}
    layers = write_site_layers(context, material)
    crs = material.study.study.crs
    shapes = {
        CLINE_LAYERS: read_layers(context.path(CLINE_LAYERS), (LINES, BANDS), crs),
        STEEP_LAYERS: read_layers(context.path(STEEP_LAYERS), (CONTOURS, ZONES), crs),
    }
    styles = [*layer_styles(SITES, layers, traits), *shape_styles(shapes, traits)]
    for species in traits:
        styles += _raster_styles(context, material, species)
    tables = colour_tables(material.study.surfaces.min_effective_shells)
    for name, text in (*((style.name, style.text) for style in styles), *tables.items()):
        write_text(context.path(name), text)
    write_text(context.path(_INDEX), layers_page(material.title, {SITES: layers, **shapes}, styles, tables))
    files, warnings = [style.name for style in styles], list[str]()
    if material.days is None:
        warnings.append(
            Said("No record that counts has a date, so that there is no catalogue in stac/: its entries must be dated.")
        )
    else:
        tables_held = {layer.name: layer.description for layer in layers}
        files += _catalogue(context, material, material.days, styles, tables_held)
    return files, warnings


def _raster_styles(context: Context, material: Material, species: str) -> list[Style]:
    name, steep = raster_name(species), steepness_name(species)
    surfaces = open_surfaces(context.path(name))
    least = material.study.surfaces.min_effective_shells
    rows = material.tables["steepness"]
    top = rows.loc[rows["species"] == species, "surface_per_km"].max()
    return [
        *surface_styles(name, surfaces, material.traits(species), least),
        *steepness_styles(steep, steep_traits(context.path(steep)), float(top)),
    ]


def _catalogue(
    context: Context, material: Material, days: tuple[str, str], styles: Sequence[Style], tables: dict[str, str]
) -> list[str]:
    study = material.study
    contact = f" Contact: {study.report.contact}." if study.report.contact else ""
    licence = f" Licence: {study.report.licence}." if study.report.licence else ""
    described = {
        "sites": (SITES, "Sites, frequencies, local groups, centres of clines, cells, change"),
        "clines": (CLINE_LAYERS, "Centres of clines and their bands"),
        "steepness": (STEEP_LAYERS, "Lines of equal frequency and steep zones"),
    }
    catalogue = Catalogue(
        name=study.study.name,
        title=material.title,
        description="Frequencies of shell morphs of land snails, smoothed over the region, with the sites they rest "
        f"on; places are shown as the survey's rules of privacy allow.{licence}{contact}",
        keywords=("land snails", "shell polymorphism", "clines", *study.scoring.species),
        licence=study.report.licence,
        holder=study.report.holder,
        days=days,
        assets={
            key: Asset(context.path(name), title, GEOPACKAGE, ("data",)) for key, (name, title) in described.items()
        }
        | _style_assets(context, [style for style in styles if style.of.endswith(".gpkg")]),
        tables=tables,
    )
    items = []
    for species in study.scoring.species:
        for name, title, quantity in (
            (
                raster_name(species),
                f"{species}: smoothed frequencies",
                "frequency, standard error and effective shells",
            ),
            (
                steepness_name(species),
                f"{species}: steepness of the frequencies",
                "gradient, its limits and steep zones",
            ),
        ):
            raster = Asset(context.path(name), title, COG, ("data",), f"Bands by trait: {quantity}.")
            own = _style_assets(context, [style for style in styles if style.of == name])
            items.append(RasterItem(Path(name).stem, title, raster, own))
    written = write_catalogue(context.path(_STAC), catalogue, items)
    return [path.relative_to(context.folder).as_posix() for path in written]


def _style_assets(context: Context, styles: Sequence[Style]) -> dict[str, Asset]:
    return {
        f"style_{slug(Path(style.name).stem, '_')}": Asset(
            context.path(style.name), style.title, SLD, ("style",), f"For {style.of}, {style.part}."
        )
        for style in styles
    }
