"""The part of the stage of surfaces that tells how steep they are: a raster, two tables, and layers of lines and zones.

Gradients and tests are taken on a lattice that follows the bandwidth, since a surface holds no finer detail, and from
there brought to the raster's cells.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from morphcline.files.bands import Tile
from morphcline.files.geopackage import write_geopackage
from morphcline.files.steepness import QUANTITIES, write_steepness
from morphcline.files.surfaces import open_surfaces, read_frequencies, shown_cells
from morphcline.files.tables import write_table
from morphcline.places.grid import StudyGrid
from morphcline.places.lattice import Lattice, between
from morphcline.records.smoothing import Samples
from morphcline.records.steepness_tables import STEEPNESS_COLUMNS, TOGETHER_COLUMNS, ZONE_NOTE
from morphcline.render import labels
from morphcline.scoring.species import slug
from morphcline.stages._layers import CONTOURS, ZONES
from morphcline.stages._mapped_area import MappedArea
from morphcline.stages._rastertags import places_note, raster_tags
from morphcline.stages._settling import Settled
from morphcline.stages.base import Context
from morphcline.stats.barriers import blocked
from morphcline.stats.contours import contour_lines
from morphcline.stats.kernels import CUT, Flags, Floats
from morphcline.stats.steep_surface import (
    OverlapTask,
    SteepSurface,
    SteepTask,
    either_moved,
    holm_of,
    steep_surface,
    steepest,
    zones_together,
)
from morphcline.stats.steepness import bearing_deg, length_error, length_limits

TABLES = {"tables/steepness.csv": STEEPNESS_COLUMNS, "tables/steep_together.csv": TOGETHER_COLUMNS}
LAYERS = "steepness.gpkg"

#: Points of the lattice to a bandwidth: between them a gradient is off by some hundredth of its size.
_TO_A_BANDWIDTH = 3.0
#: And to the longer side of the region at the least, where the bandwidth is wider than the region.
_TO_THE_REGION = 12.0
#: Frequencies that lines are drawn for.
_LEVELS = (0.5,)
#: Longest side of the raster that lines are drawn from; a larger one is reduced first.
_CELLS_TRACED = 2000
#: More sites than this take their parts by scale too long to compute.
_MOST_SITES_MOVED = 3000
_PER_KM = 1000.0


@dataclass
class Findings:
    """What is gathered over the species, and written at the end; and the days that date the rasters."""

    steepness: list[pd.DataFrame] = field(default_factory=list)
    together: list[pd.DataFrame] = field(default_factory=list)
    lines: list[dict[str, object]] = field(default_factory=list)
    zones: list[dict[str, object]] = field(default_factory=list)
    days: tuple[str, str] | None = None

    def write(self, context: Context) -> None:
        """Write the tables and the layers."""
        crs = context.study.study.crs
        for (name, described), parts in zip(TABLES.items(), (self.steepness, self.together), strict=True):
            rows = [part for part in parts if len(part)]
            table = pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=list(described))
            write_table(context.path(name), table, described)
        layers = []
        for layer, features in ((CONTOURS, self.lines), (ZONES, self.zones)):
            columns = list(layer.fields)
            frame = pd.DataFrame(features, columns=[*columns, "geometry"])
            shapes = gpd.GeoDataFrame(frame[columns], geometry=list(frame["geometry"]), crs=crs)
            layers.append(layer.of(shapes))
        dated = self.days[1] if self.days else ""
        write_geopackage(context.path(LAYERS), layers, dated=dated)


@dataclass(frozen=True)
class _Measured:
    """A trait with its lattice and what was found on it."""

    trait: str
    lattice: Lattice
    used: NDArray[np.intp]
    task: SteepTask
    surface: SteepSurface
    within: Flags

    def over_lattice(self, values: Floats) -> Floats:
        """Return values at all points of the lattice, NaN at those that no cell needs."""
        spread = np.full((self.lattice.rows * self.lattice.columns, *values.shape[1:]), np.nan)
        spread[self.used] = values
        return spread

    def at(self, places: Floats, values: Floats) -> Floats:
        """Return values at places between the points."""
        return between(self.over_lattice(values), *self.lattice.around(places[:, 0], places[:, 1]))


def steepness_name(species: str) -> str:
    """Return the name of a species' raster of steepness, from the output folder."""
    return f"surfaces/{slug(species)}_steepness.tif"


def measure_steepness(
    context: Context,
    findings: Findings,
    *,
    area: MappedArea,
    barriers: Floats,
    samples: Samples,
    settled: Sequence[Settled],
    reasons: dict[str, str],
) -> None:
    """Measure every main trait of a species; write its raster and add to the findings.

    Parameters
    ----------
    context : Context
        The species' surfaces are written already: cells that are blank there are blank here.
    findings : Findings
    area : MappedArea
    barriers : array (segments, 4)
    samples : Samples
        All traits.
    settled : sequence of Settled
        Bandwidth and correlation of those that were smoothed.
    reasons : dict
        Why a trait wasn't smoothed; empty for the others.
    """
    study = context.study
    traits = labels.main_traits(samples.traits)
    because = {
        trait: reasons[trait]
        or (
            ""
            if study.surfaces.degree == 1
            else "a kernel-weighted proportion has no slope of its own, and its differences are too flat at the edge "
            "of the region and wherever sites lie more densely to one side; set degree = 1"
        )
        for trait in traits
    }
    families = {trait: family for family in settled for trait in family.traits}
    wanted = [trait for trait in traits if not because[trait]]
    context.tick(0, 1, f"steepness of {samples.species}")
    set_up = [_set_up(context, samples, trait, families[trait], area, barriers) for trait in wanted]
    found = context.workers.map(steep_surface, [task for _, _, task in set_up])
    measured = {
        trait: _Measured(trait, lattice, used, task, surface, area.kept(*task.points.T))
        for trait, (lattice, used, task), surface in zip(wanted, set_up, found, strict=True)
    }
    zones: dict[str, list[NDArray[np.intp]]] = {trait: [] for trait in traits}
    write_steepness(
        context.path(steepness_name(samples.species)), grid=area.grid, traits=traits,
        tags=_tags(context, samples.species, findings.days),
        tiles=_tiles(context, area, samples.species, traits, measured, zones),
    )  # fmt: skip
    cells = {trait: np.vstack([np.empty((0, 3), dtype=np.intp), *parts]) for trait, parts in zones.items()}
    cell_km2 = (area.grid.cell_m / 1000.0) ** 2
    rows = [
        _row(context, samples, trait, because[trait], measured.get(trait), cells[trait], cell_km2) for trait in traits
    ]
    findings.steepness.append(pd.DataFrame(rows, columns=list(STEEPNESS_COLUMNS)))
    findings.together.append(_together(context, samples, measured))
    findings.lines += _lines(context, samples.species, list(measured))
    for trait in measured:
        findings.zones += _zone_shapes(samples.species, trait, area.grid, cells[trait], cell_km2)


def _set_up(
    context: Context, samples: Samples, trait: str, family: Settled, area: MappedArea, barriers: Floats
) -> tuple[Lattice, NDArray[np.intp], SteepTask]:
    study, column = context.study, samples.traits.index(trait)
    rows = np.flatnonzero(samples.total[:, column] > 0)
    sites = samples.places[rows]
    west, south, east, north = area.grid.bounds
    step = min(family.metres / _TO_A_BANDWIDTH, max(east - west, north - south) / _TO_THE_REGION)
    lattice = Lattice.over(west, south, east, north, step_m=max(step, study.surfaces.cell_m))
    used = np.unique(np.concatenate([np.unique(lattice.around(*area.places(tile).T)[0]) for tile in area.tiles()]))
    points = lattice.points()[used]
    bandwidth = family.bandwidth_at(points)
    task = SteepTask(
        points=points,
        sites=sites,
        count=samples.count[rows, column],
        total=samples.total[rows, column],
        bandwidth=bandwidth,
        site_bandwidth=family.bandwidth_at(sites),
        rho=family.rho,
        kernel=study.surfaces.kernel,
        min_effective_shells=study.surfaces.min_effective_shells,
        permutations=study.steepness.permutations,
        level=study.steepness.level,
        seed=_seed(context, samples.species, trait),
        blocked=None
        if not len(barriers)
        else blocked(points, sites, barriers, reach=CUT[study.surfaces.kernel] * float(bandwidth.max())),
        sites_apart=blocked(sites, sites, barriers) if len(barriers) else None,
    )
    return lattice, used, task


def _seed(context: Context, *words: str) -> tuple[int, ...]:
    return context.study.study.seed, *(zlib.crc32(word.encode()) for word in ("steepness", *words))


def _cells_shape(grid: StudyGrid, cells: NDArray[np.intp]) -> shapely.Geometry:
    """Return the area of cells, from runs of neighbours along the rows."""
    cells = cells[np.lexsort((cells[:, 1], cells[:, 0]))]
    starts = np.flatnonzero(np.r_[True, (np.diff(cells[:, 0]) != 0) | (np.diff(cells[:, 1]) != 1)])
    ends = np.r_[starts[1:], len(cells)] - 1
    west = grid.left + cells[starts, 1] * grid.cell_m
    east = grid.left + (cells[ends, 1] + 1) * grid.cell_m
    north = grid.top - cells[starts, 0] * grid.cell_m
    return shapely.union_all(shapely.box(west, north - grid.cell_m, east, north))


def _tiles(
    context: Context,
    area: MappedArea,
    species: str,
    traits: Sequence[str],
    measured: dict[str, _Measured],
    zones: dict[str, list[NDArray[np.intp]]],
) -> Iterator[Tile]:
    """Yield the raster tile by tile; row, column and kind of steep cells are added to the zones as they are taken."""
    if not measured:
        return
    raster = open_surfaces(context.path(f"surfaces/{slug(species)}.tif"))
    bands = len(QUANTITIES)
    strip = -1, np.empty((0, 0, 0), dtype=bool)
    for tile in area.tiles():
        inside, places = area.inside(tile), area.places(tile)
        rows, columns = np.nonzero(inside)
        if tile.row != strip[0]:
            # A strip at once: each reading decodes all bands of the file's tiles it touches.
            strip = tile.row, shown_cells(raster, list(measured), tile.row, tile.grid.rows)
        drawn = strip[1][:, rows, columns + tile.column]
        values = np.full((bands * len(traits) + 1, *inside.shape), np.nan, dtype=np.float32)
        together = np.where(drawn.any(axis=0), 0.0, np.nan)
        for shown, (trait, one) in zip(drawn, measured.items(), strict=True):
            here = np.where(shown[:, None], _at_cells(one, places, context.study.scoring.confidence), np.nan)
            number = bands * traits.index(trait)
            values[number : number + bands, rows, columns] = here.T
            steep = np.flatnonzero(here[:, -1] >= 1)
            together[steep] += 1
            zones[trait].append(
                np.column_stack([rows[steep] + tile.row, columns[steep] + tile.column, here[steep, -1].astype(np.intp)])
            )
        values[-1, rows, columns] = together
        yield Tile(tile.row, tile.column, values)


def _at_cells(one: _Measured, places: Floats, confidence: float) -> Floats:
    """Return a trait's values at cells, (cells, quantities), in the order of the bands."""
    steep = one.surface.gradients
    surface, own, corrected, covariance = (
        one.at(places, values) * scale
        for values, scale in (
            (steep.surface, _PER_KM), (steep.surface_covariance, _PER_KM**2),
            (steep.corrected, _PER_KM), (steep.covariance, _PER_KM**2),
        )
    )  # fmt: skip
    limits = length_limits(
        np.linalg.norm(corrected, axis=1), length_error(corrected, covariance), confidence=confidence
    )
    size, error = np.linalg.norm(surface, axis=1), length_error(surface, own)
    clear = length_limits(size, error, confidence=confidence)[0] > 0
    anywhere, beyond = (one.at(places, values) for values in one.surface.zone())
    zone = np.where(np.isnan(anywhere), np.nan, (anywhere >= 1.0) * (1.0 + (np.nan_to_num(beyond) >= 1.0)))
    return np.column_stack([size, error, *limits, np.where(clear, bearing_deg(surface), np.nan), zone])


def _row(
    context: Context,
    samples: Samples,
    trait: str,
    because: str,
    one: _Measured | None,
    zone: NDArray[np.intp],
    cell_km2: float,
) -> dict[str, object]:
    row: dict[str, object] = {
        "species": samples.species, "trait": trait, "sites": samples.sites_with(trait),
        "shells": samples.shells_with(trait), "not_measured_because": because,
    }  # fmt: skip
    if one is None:
        return row
    surface = one.surface
    place = steepest(surface, one.within, confidence=context.study.scoring.confidence)
    if place is None:
        return {**row, "not_measured_because": "nowhere do the shells in reach hold a plane at all three bandwidths"}
    steep, steeper = len(zone), int((zone[:, 2] >= 2).sum())
    return {
        **row,
        "bandwidth_m": float(np.median(one.task.site_bandwidth)),
        "x_m": one.task.points[place.at, 0],
        "y_m": one.task.points[place.at, 1],
        "surface_per_km": place.surface * _PER_KM,
        "surface_se": place.surface_error * _PER_KM,
        "at_least_per_km": place.at_least * _PER_KM,
        "gradient_per_km": place.corrected * _PER_KM,
        "low": place.low * _PER_KM,
        "high": place.high * _PER_KM,
        "bearing_deg": place.bearing,
        "bearing_se_deg": place.bearing_error,
        "steep_cells": steep,
        "steep_area_km2": steep * cell_km2,
        "p": float(np.nanmin(surface.anywhere.p[one.within])),
        "steeper_cells": steeper,
        "steeper_area_km2": steeper * cell_km2,
        "p_even_slope": _least_p(surface, one.within),
        "points": int(np.isfinite(surface.anywhere.statistic).sum()),
        "permutations": one.task.permutations,
    }


def _least_p(surface: SteepSurface, within: Flags) -> float:
    """Return the second test's smallest p among points steeper than the even slope."""
    _, beyond = surface.zone()
    steeper = within & (np.nan_to_num(beyond) > 0)
    return float(surface.beyond_slope.p[steeper].min()) if steeper.any() else 1.0


def _together(context: Context, samples: Samples, measured: dict[str, _Measured]) -> pd.DataFrame:
    """Compare the zones of every colour with those of every trait of banding."""
    rows: list[dict[str, object]] = []
    tasks: list[OverlapTask] = []  # two a pair, either pattern being moved
    for first in (trait for trait in measured if trait in labels.COLOUR_TRAITS):
        for second in (trait for trait in measured if trait in labels.BANDING_TRAITS):
            row, both = _pair(context, samples, measured[first], measured[second])
            rows.append(row)
            tasks += both
    context.tick(0, 1, f"steep zones of {samples.species} compared")
    each = context.workers.map(zones_together, tasks)
    found = [either_moved(one, other) for one, other in zip(each[::2], each[1::2], strict=True)]
    corrected = holm_of(found) if found else np.empty(0)
    tested = (row for row in rows if not row["not_tested_because"])
    for row, one, p_holm in zip(tested, found, corrected, strict=True):
        row |= {
            "both_km2": one.points, "both_expected_km2": one.expected, "share": one.share, "likeness": one.likeness,
            "likeness_expected": one.likeness_expected, "p": one.p, "p_holm": p_holm,
        }  # fmt: skip
    return pd.DataFrame(rows, columns=list(TOGETHER_COLUMNS))


def _pair(
    context: Context, samples: Samples, first: _Measured, second: _Measured
) -> tuple[dict[str, object], list[OverlapTask]]:
    """Return a pair's row, without what the tests find, and its tasks: the second pattern is moved, then the first."""
    columns = [samples.traits.index(one.trait) for one in (first, second)]
    sites = int((samples.total[:, columns] > 0).all(axis=1).sum())
    tasks = [_overlap_task(context, samples.species, *pair) for pair in ((first, second), (second, first))]
    shown, weight = tasks[0].shown, tasks[0].weight
    steep = np.nan_to_num(second.surface.zone()[0]) >= 1.0
    areas = [float(weight[shown & zone].sum()) for zone in (tasks[0].stays >= 1.0, steep)]
    because = ""
    if not all(areas):
        names = [labels.trait_name(one.trait) for one, area in zip((first, second), areas, strict=True) if not area]
        because = f"no steep zone of {labels.listing(names)}"
    elif max(len(one.task.sites) for one in (first, second)) > _MOST_SITES_MOVED:
        because = f"more than {_MOST_SITES_MOVED:,} sites"
    row: dict[str, object] = {
        "species": samples.species, "trait": first.trait, "other_trait": second.trait, "sites": sites,
        "steep_km2": areas[0], "other_steep_km2": areas[1], "draws": context.study.steepness.permutations,
        "not_tested_because": because,
    }  # fmt: skip
    if because:
        return {**row, "draws": np.nan}, []
    return row, tasks


def _overlap_task(context: Context, species: str, stays: _Measured, moved: _Measured) -> OverlapTask:
    ratio = stays.at(moved.task.points, stays.surface.zone()[0])
    shown = np.isfinite(ratio) & np.isfinite(moved.surface.zone()[0]) & moved.within
    weight = np.full(len(ratio), (moved.lattice.step_m / 1000.0) ** 2)
    seed = _seed(context, species, stays.trait, moved.trait)
    return OverlapTask(moved.task, np.nan_to_num(ratio), shown, weight, moved.surface.anywhere.critical, seed)


def _lines(context: Context, species: str, traits: Sequence[str]) -> list[dict[str, object]]:
    found: list[dict[str, object]] = []
    if not traits:
        return found
    raster = open_surfaces(context.path(f"surfaces/{slug(species)}.tif"))
    frequencies = read_frequencies(raster, traits, longest=_CELLS_TRACED)
    rows, columns = frequencies.shape[1:]
    west, south, east, north = raster.grid.bounds
    easting = west + (np.arange(columns) + 0.5) * (east - west) / columns
    northing = north - (np.arange(rows) + 0.5) * (north - south) / rows
    for trait, frequency in zip(traits, frequencies, strict=True):
        for level in _LEVELS:
            lines = contour_lines(frequency, easting, northing, level=level)
            if lines:
                shape = shapely.multilinestrings([shapely.linestrings(line) for line in lines])
                found.append(
                    {"species": species, "trait": trait, "level": level, "length_m": shape.length, "geometry": shape}
                )
    return found


def _zone_shapes(
    species: str, trait: str, grid: StudyGrid, cells: NDArray[np.intp], cell_km2: float
) -> list[dict[str, object]]:
    found: list[dict[str, object]] = []
    for least, words in ((1, "samples placed at random"), (2, "an even slope over the region")):
        steep = cells[:, 2] >= least
        if steep.any():
            shape = _cells_shape(grid, cells[steep, :2])
            shape = shape if shape.geom_type == "MultiPolygon" else shapely.MultiPolygon([shape])
            found.append(
                {"species": species, "trait": trait, "steeper_than": words, "area_km2": float(steep.sum()) * cell_km2,
                 "geometry": shape}
            )  # fmt: skip
    return found


def _tags(context: Context, species: str, days: tuple[str, str] | None) -> dict[str, str]:
    study = context.study
    title = f"{study.study.title or study.study.name}: {species}, steepness of the smoothed frequencies"
    return {
        **raster_tags(title, study.study.crs, days),
        "METHOD": "slope of the local logistic regression of the surfaces, tested against sites permuted over places",
        "SPECIES": species,
        "GRADIENT": "of the surface as drawn: too small where smoothing blurs a cline; its standard error by chance",
        "LIMITS": f"of the true gradient, {labels.level(study.scoring.confidence)}, with the blur corrected; 0: there "
        "could be no gradient",
        "BEARING": "of steepest rise, clockwise from grid north; absent where chance could have turned it any way",
        "STEEP_ZONE": "1: steeper than samples placed at random allow; 2: than an even slope over the region, too",
        "NOTE": ZONE_NOTE,
        "PERMUTATIONS": str(study.steepness.permutations),
        "LEVEL": f"{study.steepness.level:g}",
        "PLACES": places_note(study),
        "UNITS": "gradient, its error and limits: frequency per kilometre; bearing: degrees",
    }
