"""Surfaces: smooth every trait's frequency over the study area, with its standard error and what supports it.

Reads the sites, their counts and the regional intra-site correlations; writes one raster a species, the curve by which
the bandwidth was chosen, and a line a trait that says how it went. Every sample with a shell counts, small ones for
what they are worth.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from morphcline.errors import Problem, StudyError
from morphcline.files.surfaces import QUANTITIES, Tile, write_surfaces
from morphcline.files.tables import read_table, write_table
from morphcline.files.vectors import study_area
from morphcline.places.grid import StudyGrid
from morphcline.records.smoothing import Samples, bandwidth_traits, exclusive_groups, samples_of
from morphcline.scoring.species import slug
from morphcline.scoring.traits import wanted_traits
from morphcline.stages.base import Account, Context, Stage
from morphcline.stats.bandwidth import Rung, choose_bandwidth, left_out_deviance, scatter_about_surface
from morphcline.stats.kernels import CUT, Floats, nearest_bandwidth
from morphcline.stats.local_likelihood import Flags
from morphcline.stats.smoothing import Smoothed, Task, one_thread, smooth
from morphcline.study import Neighbours, Study

#: Sites with a trait below which it has no surface: a plane has three unknowns, and a scatter about it needs more.
MIN_SITES = 5

_TILE = 32  # cells: small enough that a tile's sites are few, large enough that starting it costs nothing
_BATCH = 64  # tiles held in memory at once
#: The scatter about a surface is a rough estimate where a trait is rare: hold it to what can be believed.
_DISPERSION_LIMITS = (0.1, 10.0)

_BANDWIDTH_COLUMNS = {
    "species": "species, by its full name",
    "bandwidth_m": "candidate bandwidth in metres: standard deviation of the Gaussian, half-width of the others; "
    "for a bandwidth that follows the sites, its median over them",
    "deviance": "leave-one-site-out deviance, scaled for over-dispersion and added up over the traits that vary and "
    "don't repeat others; lower foretells better",
    "chosen": "True for the bandwidth that the surfaces have",
}
_SURFACE_COLUMNS = {
    "species": "species, by its full name",
    "trait": "trait",
    "bandwidth_m": "bandwidth in metres; its median over the sites where it follows them",
    "degree": "0: kernel-weighted proportion; 1: local logistic plane",
    "kernel": "gaussian, epanechnikov or tricube",
    "cells": "cells of the raster inside the study area",
    "cells_blank": "of these, cells with less support than the study file asks for",
    "fallback_cells": "shown cells where the plane isn't identified and the proportion stands",
    "sites": "samples with shells that can show the trait",
    "shells": "shells that can show the trait",
    "rho": "intra-site correlation by which samples are weighted; colours share theirs, and so do the nine morphs",
    "dispersion": "variance of the sites about the surface, as a multiple of what rho foretells; "
    "the standard errors hold its root",
    "closure_max": "largest distance from 1, in a shown cell, of the sum over colours (for morphs: excess of the sum "
    "over 1) before the frequencies were divided by it",
    "not_smoothed_because": "why the trait has no surface, else empty",
}


@dataclass(frozen=True)
class _Area:
    """The raster's grid, and which of its cells are in the study area."""

    grid: StudyGrid
    inside: Flags
    easting: Floats
    northing: Floats

    def pieces(self) -> list[tuple[slice, slice]]:
        slices = (tile.slices for tile in self.grid.tiles(_TILE))
        return [piece for piece in slices if self.inside[piece].any()]

    def places(self, piece: tuple[slice, slice]) -> Floats:
        inside = self.inside[piece]
        return np.column_stack([self.easting[piece][inside], self.northing[piece][inside]])


class _Tally:
    """What is added up over the tiles, for each trait."""

    def __init__(self, traits: int):
        self.blank = np.zeros(traits, dtype=int)
        self.fallback = np.zeros(traits, dtype=int)
        self.closure = np.zeros(traits)

    def add(self, smoothed: Smoothed) -> None:
        self.blank += np.isnan(smoothed.frequency).sum(axis=0)
        self.fallback += smoothed.fallback.sum(axis=0)
        self.closure = np.maximum(self.closure, smoothed.closure)


@dataclass(frozen=True)
class _Bandwidth:
    """One bandwidth everywhere, or one that follows the sites; the curve is empty unless it was chosen by it."""

    metres: float
    neighbours: int | None
    candidates: Floats
    deviance: Floats
    at_limit: bool = False

    def at(self, places: Floats, sites: Floats) -> Floats:
        if self.neighbours is None:
            return np.full(len(places), self.metres)
        return nearest_bandwidth(places, sites, neighbours=self.neighbours)


_NO_BANDWIDTH = _Bandwidth(np.nan, None, np.empty(0), np.empty(0))


def raster_name(species: str) -> str:
    """Return the name of a species' raster, from the output folder."""
    return f"surfaces/{slug(species)}.tif"


def run(context: Context) -> Account:
    """Smooth every species and write its raster; return what was done."""
    study = context.study
    frequencies = read_table(context.path("tables/frequencies.csv"))
    regional = read_table(context.path("tables/regional.csv"))
    sites = read_table(context.path("tables/sites.csv"))
    area = _area(study, sites)
    curves: list[pd.DataFrame] = []
    lines: list[pd.DataFrame] = []
    account: Account = {"warnings": [], "species": {}, "cells": int(area.inside.sum())}
    for species in study.scoring.species:
        traits = _traits(study, species, frequencies)
        samples = samples_of(species, traits, frequencies, regional, sites)
        curve, table, warnings = _smooth_species(context, area, samples)
        curves.append(curve)
        lines.append(table)
        account["warnings"] += warnings
        absent = table[table["not_smoothed_because"] != ""]
        account["species"][species] = {
            "bandwidth_m": None if len(absent) == len(table) else float(table["bandwidth_m"].max()),
            "candidates": len(curve),
            "smoothed": len(table) - len(absent),
            "not_smoothed": dict(zip(absent["trait"], absent["not_smoothed_because"], strict=True)),
            "fallback_cells": int(table["fallback_cells"].sum()),
        }
    write_table(context.path("tables/bandwidth.csv"), pd.concat(curves, ignore_index=True), _BANDWIDTH_COLUMNS)
    write_table(context.path("tables/surfaces.csv"), pd.concat(lines, ignore_index=True), _SURFACE_COLUMNS)
    return account


def _area(study: Study, sites: pd.DataFrame) -> _Area:
    places = sites[["x_m", "y_m"]].to_numpy(dtype=float)
    polygon = study_area(study, places[:, 0], places[:, 1])
    if polygon.is_empty:
        raise StudyError(
            Problem(
                "tables/sites.csv",
                "",
                "no site was located, so there is no area to smooth over",
                "see records/rejected.csv for why",
            )
        )
    grid = StudyGrid.from_extent(*polygon.bounds, cell_m=study.surfaces.cell_m, crs=study.study.crs)
    easting, northing = grid.centres()
    return _Area(grid, shapely.contains_xy(polygon, easting, northing), easting, northing)


def _traits(study: Study, species: str, frequencies: pd.DataFrame) -> tuple[str, ...]:
    """Return the traits that have bands: those in the table for the species, or for any when it has none."""
    wanted = [trait.name for trait in wanted_traits(study.scoring)]
    for rows in (frequencies[frequencies["species"] == species], frequencies):
        found = set(rows["trait"])
        if found:
            return tuple(trait for trait in wanted if trait in found)
    return tuple(wanted)


def _smooth_species(context: Context, area: _Area, samples: Samples) -> tuple[pd.DataFrame, pd.DataFrame, list[str]]:
    """Write the raster of a species; return its lines in the two tables, and warnings."""
    surfaces = context.study.surfaces
    reasons = {trait: _why_not(samples, trait) for trait in samples.traits}
    kept = samples.of_traits([trait for trait in samples.traits if not reasons[trait]])
    tally = _Tally(len(kept.traits))
    bandwidth, dispersion = _NO_BANDWIDTH, np.ones(0)
    if kept.traits:
        context.tick(0, 1, f"bandwidth of {samples.species}")
        bandwidth = _choose(context, kept)
        dispersion = scatter_about_surface(
            kept.places, kept.count, kept.total, bandwidth=bandwidth.at(kept.places, kept.places), rho=kept.rho,
            kernel=surfaces.kernel, degree=surfaces.degree,
        )  # fmt: skip
    write_surfaces(
        context.path(raster_name(samples.species)),
        grid=area.grid,
        traits=samples.traits,
        tiles=_tiles(context, area, samples, kept, bandwidth, dispersion, tally) if kept.traits else (),
        tags=_tags(context.study, samples, bandwidth, reasons),
    )
    curve = pd.DataFrame(
        {
            "species": samples.species,
            "bandwidth_m": bandwidth.candidates,
            "deviance": bandwidth.deviance,
            "chosen": bandwidth.candidates == bandwidth.metres,
        }
    )
    table = pd.DataFrame(
        {
            "species": samples.species,
            "trait": samples.traits,
            "bandwidth_m": bandwidth.metres,
            "degree": surfaces.degree,
            "kernel": surfaces.kernel,
            "cells": int(area.inside.sum()),
            "cells_blank": int(area.inside.sum()),
            "fallback_cells": 0,
            "sites": [samples.sites_with(trait) for trait in samples.traits],
            "shells": [samples.shells_with(trait) for trait in samples.traits],
            "rho": samples.rho,
            "dispersion": np.nan,
            "closure_max": 0.0,
            "not_smoothed_because": [reasons[trait] for trait in samples.traits],
        }
    )
    smoothed = table["not_smoothed_because"] == ""
    table.loc[~smoothed, "bandwidth_m"] = np.nan
    table.loc[smoothed, "cells_blank"] = tally.blank
    table.loc[smoothed, "fallback_cells"] = tally.fallback
    table.loc[smoothed, "dispersion"] = dispersion
    table.loc[smoothed, "closure_max"] = tally.closure
    return curve, table, _warnings(context.study, samples.species, bandwidth, table)


def _why_not(samples: Samples, trait: str) -> str:
    if samples.sites_with(trait) < MIN_SITES:
        return f"{samples.sites_with(trait)} samples can show it; a surface needs {MIN_SITES}"
    here = samples.places[samples.total[:, samples.traits.index(trait)] > 0]
    if len(np.unique(here, axis=0)) < 2:
        return "all its samples lie at one place"
    return ""


def _choose(context: Context, samples: Samples) -> _Bandwidth:
    surfaces = context.study.surfaces
    if isinstance(surfaces.bandwidth, Neighbours):
        k = surfaces.bandwidth.neighbours
        metres = float(np.median(nearest_bandwidth(samples.places, samples.places, neighbours=k)))
        return _Bandwidth(metres, k, np.array([metres]), np.array([np.nan]))
    choosing = samples.of_traits(bandwidth_traits(samples))
    if isinstance(surfaces.bandwidth, float):
        rung = Rung(
            surfaces.bandwidth, choosing.places, choosing.count, choosing.total, choosing.rho,
            surfaces.kernel, surfaces.degree,
        )  # fmt: skip
        return _Bandwidth(surfaces.bandwidth, None, np.array([surfaces.bandwidth]), np.array([_deviance(rung)]))
    choice = choose_bandwidth(
        choosing.places, choosing.count, choosing.total, rho=choosing.rho, kernel=surfaces.kernel,
        degree=surfaces.degree, apply=lambda _, rungs: context.workers.map(_deviance, rungs),
    )  # fmt: skip
    return _Bandwidth(choice.bandwidth, None, choice.candidates, choice.deviance, choice.at_limit)


def _deviance(rung: Rung) -> float:
    with one_thread():
        return left_out_deviance(rung)


def _tiles(
    context: Context,
    area: _Area,
    samples: Samples,
    kept: Samples,
    bandwidth: _Bandwidth,
    dispersion: Floats,
    tally: _Tally,
) -> Iterator[Tile]:
    """Yield the raster tile by tile, a batch at a time over the workers; the tally grows as they are taken."""
    pieces = area.pieces()
    trait_rows = [samples.traits.index(trait) for trait in kept.traits]
    for start in range(0, len(pieces), _BATCH):
        context.tick(start, len(pieces), f"surfaces of {samples.species}")
        batch = pieces[start : start + _BATCH]
        tasks = [_task(context.study, kept, bandwidth, dispersion, area.places(piece)) for piece in batch]
        for piece, smoothed in zip(batch, context.workers.map(smooth, tasks), strict=True):
            tally.add(smoothed)
            inside = area.inside[piece]
            values = np.full((len(samples.traits), len(QUANTITIES), *inside.shape), np.nan, dtype=np.float32)
            for column, row in enumerate(trait_rows):
                values[row, 0][inside] = smoothed.frequency[:, column]
                values[row, 1][inside] = smoothed.standard_error[:, column]
                values[row, 2][inside] = smoothed.effective_shells[:, column]
            yield Tile(piece[0].start, piece[1].start, values.reshape(-1, *inside.shape))
    context.tick(len(pieces), len(pieces), f"surfaces of {samples.species}")


def _task(study: Study, samples: Samples, bandwidth: _Bandwidth, dispersion: Floats, places: Floats) -> Task:
    spread = bandwidth.at(places, samples.places)
    reach = CUT[study.surfaces.kernel] * spread.max()
    low, high = places.min(axis=0) - reach, places.max(axis=0) + reach
    near = np.all((samples.places >= low) & (samples.places <= high), axis=1)
    return Task(
        points=places,
        bandwidth=spread,
        sites=samples.places[near],
        count=samples.count[near],
        total=samples.total[near],
        rho=samples.rho,
        dispersion=np.clip(np.where(np.isfinite(dispersion), dispersion, 1.0), *_DISPERSION_LIMITS),
        groups=exclusive_groups(samples),
        kernel=study.surfaces.kernel,
        degree=study.surfaces.degree,
        min_effective_shells=study.surfaces.min_effective_shells,
    )


def _tags(study: Study, samples: Samples, bandwidth: _Bandwidth, reasons: dict[str, str]) -> dict[str, str]:
    surfaces = study.surfaces
    method = "local logistic regression" if surfaces.degree else "kernel-weighted proportion"
    tags = {
        "TITLE": f"{study.study.title or study.study.name}: {samples.species}, smoothed frequencies",
        "SPECIES": samples.species,
        "METHOD": f"{method}, samples weighted by n / (1 + (n - 1) rho)",
        "DEGREE": str(surfaces.degree),
        "KERNEL": surfaces.kernel,
        "BANDWIDTH_M": f"{bandwidth.metres:.12g}" if np.isfinite(bandwidth.metres) else "",
        "BANDWIDTH": f"nearest {bandwidth.neighbours} sites" if bandwidth.neighbours else "the same everywhere",
        "MIN_EFFECTIVE_SHELLS": f"{surfaces.min_effective_shells:g}",
        "UNITS": "frequency and its standard error: shells per shell, 0 to 1; effective shells: a number",
        "SAMPLES": str(len(samples.names)),
    }
    for trait, reason in reasons.items():
        if reason:
            tags[f"NOT_SMOOTHED_{slug(trait, '_').upper()}"] = f"{trait}: {reason}"
    return tags


def _warnings(study: Study, species: str, bandwidth: _Bandwidth, table: pd.DataFrame) -> list[str]:
    said = []
    absent = table[table["not_smoothed_because"] != ""]
    if len(absent) == len(table):
        said.append(f"{species}: no trait has the {MIN_SITES} samples that a surface needs; its raster is blank.")
    elif len(absent):
        said.append(f"{species}: too few samples for a surface of {', '.join(absent['trait'])}.")
    if bandwidth.at_limit:
        said.append(
            f"{species}: sites foretell each other no better at any bandwidth than at the last one tried, "
            f"{bandwidth.metres:.0f} m; give one in metres if the surface looks too rough or too flat."
        )
    smoothed = table[table["not_smoothed_because"] == ""]
    blank = smoothed[smoothed["cells_blank"] == smoothed["cells"]]
    if len(blank):
        said.append(
            f"{species}: nowhere are there {study.surfaces.min_effective_shells:g} effective shells for "
            f"{', '.join(blank['trait'])}; lower min_effective_shells or widen the bandwidth to see them."
        )
    return said


STAGE = Stage(
    name="surfaces",
    summary="kernel-smoothed frequencies with standard errors and support",
    settings=("scoring", "surfaces", "publish.blur_m"),
    reads=("tables/sites.csv", "tables/frequencies.csv", "tables/regional.csv"),
    writes=lambda study: (
        *(raster_name(species) for species in study.scoring.species),
        "tables/bandwidth.csv",
        "tables/surfaces.csv",
    ),
    run=run,
    sources=lambda study: () if study.study.area is None else (study.study.area,),
    columns={"tables/bandwidth.csv": _BANDWIDTH_COLUMNS, "tables/surfaces.csv": _SURFACE_COLUMNS},
)
