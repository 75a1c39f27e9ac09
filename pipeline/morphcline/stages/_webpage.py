"""What the page with the map is given: places as published, in degrees; rasters as pictures; curves; words."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import Transformer
from rasterio.transform import from_bounds

from morphcline.files.steepness import read_steepness, steep_traits
from morphcline.files.surfaces import SurfaceFile, open_surfaces, read_surface
from morphcline.language import _
from morphcline.records.frequencies import LEAST_TOTAL
from morphcline.render import labels
from morphcline.render.figures.frame import MapFrame, cell_centres
from morphcline.render.figures.steepness import round_top
from morphcline.render.figures.surfaces import CONTOURS
from morphcline.render.webmap import CentreLine, Grid, PageData, Wording, draw_grid
from morphcline.render.webmap.degrees import longitudes_of
from morphcline.scoring.traits import wanted_traits
from morphcline.stages import _panels as panels
from morphcline.stages._panels import Material
from morphcline.stages._panels_concordance import centre_panels
from morphcline.stages._steepness import steepness_name
from morphcline.stages._webpage_curves import correlograms, profiles
from morphcline.stages.surfaces import raster_name
from morphcline.stats.contours import contour_lines
from morphcline.study import Study

#: Longest side of a raster on the page, in cells.
CELLS_SHOWN = 400

Raster = NDArray[np.float64]
Path = list[tuple[float, float]]


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
    steepest = _steepest(material)
    denominators = {trait.name: trait.denominator for trait in wanted_traits(study.scoring)}
    return PageData(
        title=study.study.title or study.study.name,
        period=labels.period(years),
        sites=_sites(material),
        frequencies=material.tables["frequencies"],
        regional=material.tables["regional"],
        local=material.tables["local"],
        change=_pairs(material.tables["change"]),
        crs=study.study.crs,
        wording=_wording(study, frame),
        among={**labels.STANDARD_DENOMINATORS, **denominators},
        rings=_rings(frame),
        grids=_grids(material, steepest),
        steepest=steepest,
        contours=_contours(material),
        profiles=profiles(material),
        correlograms=correlograms(material),
        centres=_centres(material),
    )


def _sites(material: Material) -> pd.DataFrame:
    places = material.places[["site", "shown_as", "drawn_x_m", "drawn_y_m"]]
    known = [
        "site", "x_m", "y_m", "blur_m", "position_uncertainty_m", "habitat", "habitat_share", "habitat_noted",
        "temperature_c",
    ]  # fmt: skip
    sites = material.tables["sites"].reindex(columns=known).merge(places, on="site", how="left", validate="one_to_one")
    crs = material.study.study.crs
    to_degrees = Transformer.from_crs(crs, longitudes_of(crs), always_xy=True)
    drawn = sites[["drawn_x_m", "drawn_y_m"]].to_numpy(np.float64)
    seen = np.isfinite(drawn).all(axis=1)
    degrees = np.full(drawn.shape, np.nan)
    if seen.any():
        degrees[seen] = np.column_stack(to_degrees.transform(drawn[seen, 0], drawn[seen, 1]))
    # A site whose place is withheld stands under the name that the public tables have.
    names = sites["shown_as"].where(seen, sites["site"].astype(str))
    return sites.assign(name=names, lon=degrees[:, 0], lat=degrees[:, 1])


def _pairs(change: pd.DataFrame) -> pd.DataFrame:
    columns = [
        "species", "trait", "earlier_survey", "site", "earlier_count", "earlier_total", "later_count", "later_total",
        "difference", "low", "high", "p",
    ]  # fmt: skip
    rows = change.reindex(columns=columns)
    rows = rows[(rows["site"].fillna("") != "") & rows["difference"].notna()]
    return rows.assign(earlier_survey=rows["earlier_survey"].astype(str))


def _steepest(material: Material) -> float:
    """Return a round gradient that few cells of the steepest trait pass: the top of one scale for all."""
    steepest = 0.0
    for species in material.study.scoring.species:
        path = material.folder / steepness_name(species)
        for trait in steep_traits(path) if path.is_file() else ():
            gradient = _steep_band(material, species, trait, "gradient")
            known = gradient[np.isfinite(gradient)]
            steepest = max(steepest, float(np.quantile(known, 0.98)) if known.size else 0.0)
    return round_top(steepest) if steepest > 0 else 0.0


def _steep_band(material: Material, species: str, trait: str, quantity: str) -> Raster:
    path = material.folder / steepness_name(species)
    return read_steepness(path, f"{trait}: {quantity}", longest=CELLS_SHOWN).astype(np.float64)


def _grids(material: Material, steepest: float) -> dict[tuple[str, str], Grid]:
    grids = {}
    for species in material.study.scoring.species:
        path = material.folder / raster_name(species)
        if not path.is_file():
            continue
        raster = open_surfaces(path)
        steepness = material.folder / steepness_name(species)
        steep = steep_traits(steepness) if steepness.is_file() else ()
        for trait in raster.traits:
            grid = _grid(material, raster, species, trait, steepest if trait in steep else 0.0)
            if grid is not None:
                grids[species, trait] = grid
    return grids


def _grid(material: Material, raster: SurfaceFile, species: str, trait: str, steepest: float) -> Grid | None:
    frequency = read_surface(raster, trait, "frequency", longest=CELLS_SHOWN).astype(np.float64)
    if not np.isfinite(frequency).any():
        return None
    error = read_surface(raster, trait, "standard error", longest=CELLS_SHOWN).astype(np.float64)
    rows, columns = frequency.shape
    steep = {}
    if steepest > 0:
        steep = {
            "gradient": _steep_band(material, species, trait, "gradient"),
            "zone": _steep_band(material, species, trait, "steep zone"),
        }
    return draw_grid(
        frequency, error, transform=from_bounds(*raster.grid.bounds, columns, rows), crs=material.study.study.crs,
        steepest=steepest, **steep,
    )  # fmt: skip


def _contours(material: Material) -> dict[tuple[str, str], list[tuple[float, Path]]]:
    """Return lines of equal frequency of the traits that figures show."""
    crs = material.study.study.crs
    to_degrees = Transformer.from_crs(crs, longitudes_of(crs), always_xy=True)
    found = {}
    for species in material.study.scoring.species:
        path = material.folder / raster_name(species)
        if not path.is_file():
            continue
        raster = open_surfaces(path)
        for trait in labels.main_traits(raster.traits):
            frequency = read_surface(raster, trait, "frequency", longest=CELLS_SHOWN).astype(np.float64)
            west, south, east, north = raster.grid.bounds
            easting, northing = cell_centres(frequency.shape, (west, east, south, north))
            # A quarter of a cell is not seen.
            tolerance = (east - west) / frequency.shape[1] / 4
            lines = [
                (level, shapely.get_coordinates(shapely.simplify(shapely.linestrings(line), tolerance)))
                for level in CONTOURS
                for line in contour_lines(frequency, easting, northing, level=level)
            ]
            paths = _in_degrees((line for _level, line in lines), to_degrees)
            found[species, trait] = [(level, path) for (level, _line), path in zip(lines, paths, strict=True)]
    return found


def _centres(material: Material) -> dict[tuple[str, str], CentreLine]:
    crs = material.study.study.crs
    to_degrees = Transformer.from_crs(crs, longitudes_of(crs), always_xy=True)
    found = {}
    for species in material.study.scoring.species:
        for panel in centre_panels(material, species):
            found[species, panel.trait] = CentreLine(
                lines=_in_degrees(panel.lines, to_degrees), bands=_in_degrees(panel.bands, to_degrees)
            )
    return found


def _rings(frame: MapFrame) -> list[list[tuple[float, float]]]:
    to_degrees = Transformer.from_crs(frame.crs, longitudes_of(frame.crs), always_xy=True)
    return _in_degrees((*frame.outline, *frame.backdrop_areas, *frame.backdrop_lines), to_degrees)


def _in_degrees(paths: Iterable[NDArray[np.float64]], to_degrees: Transformer) -> list[list[tuple[float, float]]]:
    turned = (to_degrees.transform(path[:, 0], path[:, 1]) for path in paths)
    return [list(zip(longitude.tolist(), latitude.tolist(), strict=True)) for longitude, latitude in turned]


def _wording(study: Study, frame: MapFrame) -> Wording:
    test = panels.local_test(study)
    return Wording(
        confidence=labels.level(study.scoring.confidence),
        level=study.autocorrelation.level,
        min_shells=study.scoring.min_shells,
        min_total=LEAST_TOTAL,
        blank=_blank(study),
        clusters=_(
            "Local Moran's I of the rate-adjusted frequencies among {neighbours}; {permutations} conditional "
            "permutations, seed {seed}; false-discovery rate {level}."
        ).format(
            neighbours=test.neighbours,
            permutations=labels.number(test.permutations),
            seed=study.study.seed,
            level=labels.level(test.level),
        ),
        places=frame.privacy(),
        zones=_("Zones: {permutations} permutations of the samples among their places, level {level}.").format(
            permutations=labels.number(study.steepness.permutations), level=labels.level(study.steepness.level)
        ),
        paired=_("Places of the two surveys less than {distance} apart are pairs.").format(
            distance=labels.distance(study.change.within_m)
        ),
        outline=_backdrop_note(frame),
    )


def _blank(study: Study) -> str:
    shells = labels.number(study.surfaces.min_effective_shells)
    if study.surfaces.mask is not None:
        return _("fewer than {shells} effective shells near, or masked").format(shells=shells)
    return _("fewer than {shells} effective shells near").format(shells=shells)


def _backdrop_note(frame: MapFrame) -> str:
    if frame.backdrop_name:
        return _("Backdrop: {file}").format(file=frame.backdrop_name)
    return _("outline of the study area")
