"""Draw the figures and the page with the map.

Reads the tables of every stage before and the surfaces; writes ``figures/<figure>`` in each format asked for, with the
data drawn (``.csv``), the caption and the alternative text (``.txt``), and an index of them. Places are blurred as the
study file asks before anything is drawn. A figure without data is left out, and the account says why.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import pandas as pd

from morphcline.files.atomic import write_text
from morphcline.files.tables import read_table
from morphcline.language import Language, Said, _, marked, speaking
from morphcline.records.period import survey_years
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
from morphcline.render.webmap import render_page
from morphcline.scoring.species import slug
from morphcline.scoring.traits import MORPHS, wanted_traits
from morphcline.stages import _panels as panels
from morphcline.stages._concordance import LAYERS
from morphcline.stages._mapframe import map_frame
from morphcline.stages._orders import Order, order
from morphcline.stages._panels import Material
from morphcline.stages._panels_change import change_panels
from morphcline.stages._panels_composition import composition_panels
from morphcline.stages._panels_concordance import centre_panels, concordance_rows, transect_panels
from morphcline.stages._panels_environment import effect_rows, habitat_rows
from morphcline.stages._panels_genetics import isolation_panels
from morphcline.stages._panels_steepness import steepness_panels
from morphcline.stages._plates import plate_orders
from morphcline.stages._saving import save
from morphcline.stages._steepness import steepness_name
from morphcline.stages._transects import transect_lines
from morphcline.stages._webpage import page_data
from morphcline.stages.base import Account, Context, Stage
from morphcline.stages.surfaces import raster_name
from morphcline.study import Study
from morphcline.workers import Workers

TABLES = (
    "sites", "frequencies", "regional", "habitat_frequencies", "bandwidth", "surfaces", "steepness", "autocorrelation",
    "correlogram", "correlogram_reach", "variogram", "variogram_fit", "local", "clines", "change",
    "isolation", "isolation_bins",
    "marginal_effects", "concordance", "curved", "transects",
)  # fmt: skip
_INDEX = "figures/README.md"
_PAGE = "map.html"
_ACCEPTED = "records/accepted.csv"
_FLAGGED = "records/flagged.csv"

#: Beginnings of our figures' names; files of an earlier run that are no longer drawn are known by them.
_KINDS = (
    "sites", "morphs", "composition", "surface", "steepness", "clusters", "cline", "habitat", "landscape",
    "correlogram", "variogram", "bandwidth", "change", "isolation",
    "effects", "concordance", "centres", "transects", "plate",
)  # fmt: skip
_NO_PAIR = marked("no place of an earlier survey has a pair now")
_ENDINGS = (".png", ".svg", ".pdf", ".csv", ".txt")


@dataclass(frozen=True)
class _Written:
    name: str
    files: list[str] = field(default_factory=list)
    caption: str = ""
    alt: str = ""


def run(context: Context) -> Account:
    """Draw every figure that has data, the index of figures, and the page with the map."""
    material = _load(context)
    frame = map_frame(material)
    orders = list(_orders(material, frame))
    plates, lacking = plate_orders(context.study, orders)
    orders += plates
    wanted = [order for order in orders if order.draw is not None]
    draw = partial(
        _draw_and_save,
        language=context.study.language,
        folder=context.path("figures"),
        formats=context.study.publish.formats,
    )
    written: list[_Written] = []
    # Files are written where this process runs, not on the nodes of a cluster.
    workers = context.workers if context.workers.scheduler is None else Workers()
    # Alone in this process, one by one, so that progress shows; else all at once, so that no worker waits.
    batch = 1 if workers.processes == 1 else max(len(wanted), 1)
    for start in range(0, len(wanted), batch):
        context.tick(start, len(wanted), f"figure {wanted[start].name}")
        for sheets in workers.map(draw, wanted[start : start + batch]):
            written += sheets
    files = [f"figures/{name}" for figure in written for name in figure.files]
    _clear_stale(context.path("figures"), {Path(name).name for name in files})
    write_text(context.path(_INDEX), _index(context.study, written))
    years = survey_years(read_table(context.path(_ACCEPTED)), read_table(context.path(_FLAGGED)))
    write_text(context.path(_PAGE), render_page(page_data(material, frame, years)))
    return {
        "figures": [figure.name for figure in written],
        "left_out": {order.name: order.left_out_because for order in orders if order.draw is None},
        "files": files,
        "warnings": lacking,
    }


def _load(context: Context) -> Material:
    tables = {name: read_table(context.path(f"tables/{name}.csv")) for name in TABLES}
    places = published_places(tables["sites"])
    return Material(context.study, context.folder, tables, places)


def _draw_and_save(order: Order, *, language: Language, folder: Path, formats: tuple[str, ...]) -> list[_Written]:
    assert order.draw is not None
    with speaking(language):
        drawn = order.draw()
        figures = drawn if isinstance(drawn, list) else [drawn]
        return [_Written(one.name, save(one, folder, formats), one.caption, one.alt) for one in figures]


def _orders(material: Material, frame: MapFrame) -> Iterator[Order]:
    """Yield every figure a study can have, in the order of its index."""
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
    return " ".join(parts)


def _clear_stale(folder: Path, keep: set[str]) -> None:
    """Remove figures of an earlier run that this one no longer draws; other files in the folder stay."""
    if not folder.is_dir():
        return
    for path in folder.iterdir():
        ours = path.suffix in _ENDINGS and path.stem.split("_")[0] in _KINDS
        if ours and path.name not in keep:
            path.unlink()


def _index(study: Study, written: list[_Written]) -> str:
    title = _("Figures: {study}").format(study=study.study.title or study.study.name)
    beside = _("Beside each figure: the data drawn (`.csv`), and its caption and alternative text (`.txt`).")
    lines = [f"# {title}", "", beside, ""]
    for figure in written:
        names = ", ".join(f"`{name}`" for name in figure.files)
        alt = _("*Alternative text:* {alt}").format(alt=figure.alt)
        lines += [f"## {figure.name}", "", _("Files: {names}").format(names=names), ""]
        lines += [figure.caption, "", alt, ""]
    return "\n".join(lines)


def _sources(study: Study) -> tuple[Path, ...]:
    named = (study.study.area, study.publish.basemap, study.publish.locator, study.clines.transects, study.clines.axis)
    return tuple(path for path in named if isinstance(path, Path))


STAGE = Stage(
    name="maps",
    summary="figures for print, and the page with the map",
    settings=(
        "study",
        "scoring",
        "habitat",
        "temperature",
        "surfaces",
        "steepness",
        "autocorrelation",
        "clines",
        "change",
        "publish",
    ),
    reads=lambda study: (
        _ACCEPTED,
        _FLAGGED,
        *(f"tables/{name}.csv" for name in TABLES),
        LAYERS,
        *(raster_name(species) for species in study.scoring.species),
        *(steepness_name(species) for species in study.scoring.species),
    ),
    writes=lambda study: (_INDEX, _PAGE),
    run=run,
    sources=_sources,
)
