"""Every figure that a study can have: what it is drawn of, or why it is left out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import pandas as pd

from morphcline.files.tables import read_table
from morphcline.language import Said, _, marked
from morphcline.records.published import published_places
from morphcline.render import labels
from morphcline.render.figures.bandwidth import draw_bandwidth
from morphcline.render.figures.centres import draw_centres
from morphcline.render.figures.change import draw_change
from morphcline.render.figures.change_map import draw_change_map
from morphcline.render.figures.clines import draw_clines
from morphcline.render.figures.clusters import draw_clusters
from morphcline.render.figures.composition import draw_composition
from morphcline.render.figures.concordance import draw_concordance
from morphcline.render.figures.correlogram import draw_correlogram
from morphcline.render.figures.effects import draw_effects
from morphcline.render.figures.frame import MapFrame
from morphcline.render.figures.habitat import draw_habitat
from morphcline.render.figures.isolation import draw_isolation
from morphcline.render.figures.landscape import draw_landscape
from morphcline.render.figures.sites import draw_sites
from morphcline.render.figures.steepness import draw_steepness
from morphcline.render.figures.surfaces import draw_surfaces
from morphcline.render.figures.transects import draw_transect
from morphcline.render.figures.variogram import draw_variogram
from morphcline.scoring.species import slug
from morphcline.scoring.traits import MORPHS, wanted_traits
from morphcline.stages import _panels as panels
from morphcline.stages._orders import Order, order
from morphcline.stages._panels import Material
from morphcline.stages._panels_change import change_panels
from morphcline.stages._panels_composition import composition_panels
from morphcline.stages._panels_concordance import centre_panels, concordance_rows, transect_panels
from morphcline.stages._panels_environment import effect_rows, habitat_rows
from morphcline.stages._panels_genetics import isolation_panels
from morphcline.stages._panels_steepness import steepness_panels
from morphcline.stages._transects import transect_lines
from morphcline.stages.base import Context
from morphcline.study import Study

#: What the figures are drawn of.
TABLES = (
    "sites", "frequencies", "regional", "habitat_frequencies", "bandwidth", "surfaces", "steepness",
    "correlogram", "correlogram_reach", "variogram", "variogram_fit", "local", "clines", "change",
    "isolation", "isolation_bins",
    "marginal_effects", "concordance", "curved", "transects",
)  # fmt: skip
_NO_PAIR = marked("no place of an earlier survey has a pair now")


def figure_material(context: Context) -> Material:
    """Return what the figures are drawn of: the public tables, and the sites as published."""
    tables = {name: read_table(context.path(f"tables/{name}.csv")) for name in TABLES}
    places = published_places(tables["sites"])
    return Material(context.study, context.folder, tables, places)


def figure_orders(material: Material, frame: MapFrame) -> Iterator[Order]:
    """Yield an order for every figure that a study can have, in the order of the figures' index.

    Parameters
    ----------
    material : Material
    frame : MapFrame
        That the maps share.
    """
    study = material.study
    among = {trait.name: trait.denominator for trait in wanted_traits(study.scoring)}
    style = {"width_mm": study.publish.width_mm, "among": {**labels.STANDARD_DENOMINATORS, **among}}
    yield _landscape(material, frame)
    for species in study.scoring.species:
        yield from _maps_of(material, frame, species, style)
        yield _clines_of(material, species, style)
        yield _centres_of(material, frame, species, style)
        yield from _transects_of(material, species, style)
        yield _habitat_of(material, species, style)
        yield _change_map_of(material, frame, species, style)
        yield _effects_of(material, species, style)
        yield _correlogram_of(material, species, style)
        yield _variogram_of(material, species, style)
    yield _concordance(material)
    yield _isolation(material)
    yield _bandwidth(material)
    yield _change(material, style)


def _maps_of(material: Material, frame: MapFrame, species: str, style: Mapping[str, object]) -> Iterator[Order]:
    study, end = material.study, slug(species)
    for kind, traits in (("sites", material.traits("frequencies", species)), ("morphs", MORPHS)):
        found = panels.site_panels(material, species, traits)
        yield order(
            f"{kind}_{end}", found, marked("no sample is large enough"), draw_sites, species, found, frame,
            min_shells=study.scoring.min_shells, confidence=study.scoring.confidence, **style,
        )  # fmt: skip
    composition = composition_panels(material, species)
    yield order(
        f"composition_{end}", composition, marked("no sample has enough shells scored for colour or banding"),
        draw_composition, species, composition, frame, min_shells=study.scoring.min_shells,
        confidence=study.scoring.confidence, width_mm=study.publish.width_mm,
    )  # fmt: skip
    surfaces = panels.surface_panels(material, species)
    yield order(
        f"surface_{end}", surfaces, marked("no trait has a surface"), draw_surfaces, species, surfaces, frame,
        min_effective_shells=study.surfaces.min_effective_shells, limits=_limits(study), **style,
    )  # fmt: skip
    steep = steepness_panels(material, species)
    yield order(
        f"steepness_{end}", steep, marked("steepness was measured for no trait"), draw_steepness, species, steep, frame,
        level=study.steepness.level, permutations=study.steepness.permutations, **style,
    )  # fmt: skip
    clusters = panels.cluster_panels(material, species)
    yield order(
        f"clusters_{end}", clusters, marked("no site shows local association"), draw_clusters, species, clusters,
        frame, panels.local_test(study), **style,
    )  # fmt: skip


def _limits(study: Study) -> str:
    """Say what keeps a surface from going on, besides want of shells."""
    barriers, mask = study.surfaces.barriers, study.surfaces.mask
    parts = []
    if barriers is not None:
        parts.append(_("Samples don't count across the barriers in {file}.").format(file=study.shown(barriers)))
    if mask is not None:
        parts.append(_("Cells that {file} masks are blank too.").format(file=study.shown(mask)))
    return " ".join(parts)


def _clines_of(material: Material, species: str, style: Mapping[str, object]) -> Order:
    found = panels.cline_panels(material, species)
    return order(
        f"cline_{slug(species)}", found, marked("no trait has a cline that is better supported than no change"),
        draw_clines,
        species, found, confidence=material.study.scoring.confidence, privacy=_distances_blurred(material.study),
        **style,
    )  # fmt: skip


def _centres_of(material: Material, frame: MapFrame, species: str, style: Mapping[str, object]) -> Order:
    found = centre_panels(material, species)
    return order(
        f"centres_{slug(species)}", found, marked("no trait has a centre line in the study area"),
        draw_centres, species, found,
        frame, confidence=material.study.scoring.confidence, **style,
    )  # fmt: skip


def _transects_of(material: Material, species: str, style: Mapping[str, object]) -> Iterator[Order]:
    study = material.study
    for number, (name, line) in enumerate(transect_lines(study).items(), start=1):
        found = transect_panels(material, species, line, name)
        yield order(
            f"transects_{slug(species)}_{number}", found,
            Said("no trait has a cline along transect {transect}", transect=name),
            draw_transect,
            species, name, found, within_m=study.clines.transect_within_m, confidence=study.scoring.confidence,
            privacy=_distances_blurred(study), **style,
        )  # fmt: skip


def _concordance(material: Material) -> Order:
    rows = concordance_rows(material)
    return order(
        "concordance", rows, marked("no two clines could be compared"), draw_concordance, rows,
        confidence=material.study.scoring.confidence, width_mm=material.study.publish.width_mm,
    )  # fmt: skip


def _habitat_of(material: Material, species: str, style: Mapping[str, object]) -> Order:
    rows = habitat_rows(material, species)
    regional = material.of("regional", species)[["trait", "frequency"]]
    return order(
        f"habitat_{slug(species)}", rows, marked("no frequency by habitat"), draw_habitat, species, rows, regional,
        source=_habitat_source(material.study), confidence=material.study.scoring.confidence, **style,
    )  # fmt: skip


def _effects_of(material: Material, species: str, style: Mapping[str, object]) -> Order:
    rows = effect_rows(material, species)
    return order(
        f"effects_{slug(species)}", rows, marked("nothing is estimated of habitat or temperature"),
        draw_effects, species, rows,
        confidence=material.study.scoring.confidence, **style,
    )  # fmt: skip


def _landscape(material: Material, frame: MapFrame) -> Order:
    sites = material.tables["sites"].drop(columns=["x_m", "y_m"]).merge(material.places, on="site", how="inner")
    # To the last digit, a temperature would point to one cell of the raster.
    sites = sites.assign(temperature_c=sites["temperature_c"].round(1), shells=_shells_used(material, sites["site"]))
    known = sites[(sites["habitat"] != "") | sites["temperature_c"].notna()]
    return order(
        "landscape", known, marked("neither habitat nor temperature is known at any site"),
        draw_landscape, sites, frame,
        source=_surroundings(material.study), width_mm=material.study.publish.width_mm,
    )  # fmt: skip


def _shells_used(material: Material, sites: pd.Series) -> pd.Series:
    judged = material.tables["frequencies"].groupby(["site", "species"])["total"].max()
    used = judged.groupby("site").sum()
    return sites.map(used).fillna(0).astype(int)


def _correlogram_of(material: Material, species: str, style: Mapping[str, object]) -> Order:
    rows = panels.shown_rows(material.of("correlogram", species))
    rows = rows[rows["moran_i"].notna()]
    numbers = panels.sample_numbers(material)
    settings = material.study.autocorrelation
    return order(
        f"correlogram_{slug(species)}", rows, marked("Moran's I was not computed for any distance class"),
        draw_correlogram,
        species, rows, material.of("correlogram_reach", species), numbers[numbers["species"] == species],
        permutations=settings.permutations, level=settings.level, **style,
    )  # fmt: skip


def _variogram_of(material: Material, species: str, style: Mapping[str, object]) -> Order:
    rows = material.of("variogram", species)
    rows = rows[rows["fitted"].notna()]
    return order(
        f"variogram_{slug(species)}", rows, marked("no trait has a variogram with a curve"),
        draw_variogram, species, rows,
        material.of("variogram_fit", species), **style,
    )  # fmt: skip


def _isolation(material: Material) -> Order:
    lines, classes = isolation_panels(material)
    return order(
        "isolation", classes, marked("isolation by distance was not tested"), draw_isolation, lines, classes,
        confidence=material.study.scoring.confidence, width_mm=material.study.publish.width_mm,
    )  # fmt: skip


def _bandwidth(material: Material) -> Order:
    rows = material.tables["bandwidth"]
    rows = rows[rows["deviance"].notna() & rows["bandwidth_m"].notna()]
    curve = rows.groupby(["species", "trait", "left_out"])
    # Of two curves that of the bandwidth used is drawn.
    rows = rows[(curve["bandwidth_m"].transform("size") > 1) & curve["chosen"].transform("any")]
    settings = material.study.surfaces
    return order(
        "bandwidth", rows, marked("the bandwidth was given, not chosen among several"), draw_bandwidth, rows,
        material.tables["surfaces"], kernel=settings.kernel, degree=settings.degree,
        width_mm=material.study.publish.width_mm,
    )  # fmt: skip


def _change(material: Material, style: Mapping[str, object]) -> Order:
    rows = panels.change_rows(material)
    reason = _NO_PAIR if material.study.earlier else marked("no earlier survey")
    return order(
        "change", rows, reason, draw_change, rows, within_m=material.study.change.within_m,
        confidence=material.study.scoring.confidence, **style,
    )  # fmt: skip


def _change_map_of(material: Material, frame: MapFrame, species: str, style: Mapping[str, object]) -> Order:
    found = change_panels(material, species)
    return order(
        f"change_map_{slug(species)}", found, _NO_PAIR, draw_change_map, species,
        found, frame, within_m=material.study.change.within_m, **style,
    )  # fmt: skip


def _distances_blurred(study: Study) -> str:
    if study.publish.blur_m <= 0:
        return ""
    return _("A site's distance is that of the centre of the {side} square that it lies in.").format(
        side=labels.distance(study.publish.blur_m)
    )


def _habitat_source(study: Study) -> str:
    if study.habitat is None:
        return _("as the recorders noted it")
    message = (
        _("the commonest class within {distance}, from {file}")
        if study.habitat.radius_m
        else _("the commonest class at the place, from {file}")
    )
    return message.format(distance=labels.distance(study.habitat.radius_m), file=study.shown(study.habitat.path))


def _surroundings(study: Study) -> str:
    parts = []
    if study.habitat is not None:
        parts.append(_("Habitat: {source}.").format(source=_habitat_source(study)))
    if study.temperature is not None:
        parts.append(_("Temperature: from {file}.").format(file=study.shown(study.temperature.path)))
    # Rasters are public: what they say at the exact place would find it in its square.
    if study.publish.blur_m > 0 and study.habitat is not None:
        parts.append(_("A class that is rare in the square that hides a site is kept back (hollow)."))
    if study.publish.blur_m > 0 and study.temperature is not None:
        parts.append(_("Temperature is the mean of the square that hides a site, not that of the place."))
    return " ".join(parts)
