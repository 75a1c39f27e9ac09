"""Surfaces: smooth every trait's frequency over the study area, with its standard error and what supports it.

Reads the sites, their counts and the regional intra-site correlations; writes one raster a species, the curves by which
the bandwidths were chosen, and a line a trait that says how it went. Every sample with a shell counts, small ones for
what they are worth.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
import shapely

from morphcline.errors import Problem, StudyError
from morphcline.files.surfaces import QUANTITIES, Tile, write_surfaces
from morphcline.files.tables import read_table, write_table
from morphcline.files.vectors import study_area
from morphcline.places.grid import StudyGrid
from morphcline.records.smoothing import Samples, families, samples_of
from morphcline.records.surface_tables import BANDWIDTH_COLUMNS, ERROR_NOTE, SURFACE_COLUMNS
from morphcline.render import labels
from morphcline.scoring.species import slug
from morphcline.scoring.traits import wanted_traits
from morphcline.stages._settling import Settled, blur_of, settle
from morphcline.stages.base import Account, Context, Stage
from morphcline.stats.kernels import CUT, Floats
from morphcline.stats.local_likelihood import Flags
from morphcline.stats.smoothing import Family, Smoothed, Task, smooth
from morphcline.study import Neighbours, Study

#: Sites with a trait below which it has no surface: a plane has three unknowns, and a scatter about it needs more.
MIN_SITES = 5

_TILE = 32  # cells: small enough that a tile's sites are few, large enough that starting it costs nothing
_BATCH = 64  # tiles held in memory at once


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
        self.held = np.zeros(traits, dtype=int)
        self.closure = np.zeros(traits)

    def add(self, smoothed: Smoothed) -> None:
        self.blank += np.isnan(smoothed.frequency).sum(axis=0)
        self.held += smoothed.held.sum(axis=0)
        self.closure = np.maximum(self.closure, smoothed.closure)


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
        absent, present = (table[(table["not_smoothed_because"] != "") == missing] for missing in (True, False))
        account["species"][species] = {
            "bandwidth_m": dict(zip(present["trait"], present["bandwidth_m"].astype(float), strict=True)),
            "smoothed": len(table) - len(absent),
            "not_smoothed": dict(zip(absent["trait"], absent["not_smoothed_because"], strict=True)),
            "fallback_cells": int(table["fallback_cells"].sum()),
        }
    write_table(context.path("tables/bandwidth.csv"), pd.concat(curves, ignore_index=True), BANDWIDTH_COLUMNS)
    write_table(context.path("tables/surfaces.csv"), pd.concat(lines, ignore_index=True), SURFACE_COLUMNS)
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
    blur = np.full(kept.total.shape, np.nan)
    settled = [settle(context, kept.of_traits(family)) for family in families(kept)]
    for family in settled:
        columns = [kept.traits.index(trait) for trait in family.traits]
        blur[:, columns] = blur_of(context.study, family, kept.count[:, columns], kept.total[:, columns], kept.places)
    write_surfaces(
        context.path(raster_name(samples.species)),
        grid=area.grid,
        traits=samples.traits,
        tiles=_tiles(context, area, samples, kept, blur, settled, tally) if settled else (),
        tags=_tags(context.study, samples, settled, reasons),
    )
    curves = [
        pd.DataFrame(
            {
                "species": samples.species,
                "trait": ", ".join(family.traits),
                "bandwidth_m": family.candidates,
                "deviance": family.deviance,
                "chosen": family.candidates == family.metres,
            }
        )
        for family in settled
    ]
    of_trait = {trait: family for family in settled for trait in family.traits}
    table = pd.DataFrame(
        {
            "species": samples.species,
            "trait": samples.traits,
            "bandwidth_m": [of_trait[t].metres if t in of_trait else np.nan for t in samples.traits],
            "degree": surfaces.degree,
            "kernel": surfaces.kernel,
            "cells": int(area.inside.sum()),
            "cells_blank": int(area.inside.sum()),
            "fallback_cells": 0,
            "sites": [samples.sites_with(trait) for trait in samples.traits],
            "shells": [samples.shells_with(trait) for trait in samples.traits],
            "rho": [of_trait[t].rho if t in of_trait else np.nan for t in samples.traits],
            "closure_max": 0.0,
            "not_smoothed_because": [reasons[trait] for trait in samples.traits],
        }
    )
    smoothed = table["not_smoothed_because"] == ""
    table.loc[smoothed, "cells_blank"] = tally.blank
    table.loc[smoothed, "fallback_cells"] = tally.held
    table.loc[smoothed, "closure_max"] = tally.closure
    curve = pd.concat(curves, ignore_index=True) if curves else pd.DataFrame(columns=list(BANDWIDTH_COLUMNS))
    return curve, table, _warnings(context.study, samples.species, settled, table)


def _why_not(samples: Samples, trait: str) -> str:
    if samples.sites_with(trait) < MIN_SITES:
        return f"{samples.sites_with(trait)} samples can show it; a surface needs {MIN_SITES}"
    here = samples.places[samples.total[:, samples.traits.index(trait)] > 0]
    if len(np.unique(here, axis=0)) < 2:
        return "all its samples lie at one place"
    return ""


def _tiles(
    context: Context,
    area: _Area,
    samples: Samples,
    kept: Samples,
    blur: Floats,
    settled: Sequence[Settled],
    tally: _Tally,
) -> Iterator[Tile]:
    """Yield the raster tile by tile, a batch at a time over the workers; the tally grows as they are taken."""
    pieces = area.pieces()
    trait_rows = [samples.traits.index(trait) for trait in kept.traits]
    for start in range(0, len(pieces), _BATCH):
        context.tick(start, len(pieces), f"surfaces of {samples.species}")
        batch = pieces[start : start + _BATCH]
        tasks = [_task(context.study, kept, blur, settled, area.places(piece)) for piece in batch]
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


def _task(study: Study, samples: Samples, blur: Floats, settled: Sequence[Settled], places: Floats) -> Task:
    families_here = tuple(
        Family(
            tuple(samples.traits.index(trait) for trait in family.traits), family.exhaustive,
            family.bandwidth_at(places), family.rho,
        )
        for family in settled
    )  # fmt: skip
    reach = CUT[study.surfaces.kernel] * max(float(family.bandwidth.max()) for family in families_here)
    low, high = places.min(axis=0) - reach, places.max(axis=0) + reach
    near = np.all((samples.places >= low) & (samples.places <= high), axis=1)
    return Task(
        points=places,
        sites=samples.places[near],
        count=samples.count[near],
        total=samples.total[near],
        blur=blur[near],
        families=families_here,
        kernel=study.surfaces.kernel,
        degree=study.surfaces.degree,
        min_effective_shells=study.surfaces.min_effective_shells,
    )


def _tags(study: Study, samples: Samples, settled: Sequence[Settled], reasons: dict[str, str]) -> dict[str, str]:
    surfaces = study.surfaces
    method = "local logistic regression" if surfaces.degree else "kernel-weighted proportion"
    asked = surfaces.bandwidth
    tags = {
        "TITLE": f"{study.study.title or study.study.name}: {samples.species}, smoothed frequencies",
        "SPECIES": samples.species,
        "METHOD": f"{method}, samples weighted by n / (1 + (n - 1) rho)",
        "DEGREE": str(surfaces.degree),
        "KERNEL": surfaces.kernel,
        "BANDWIDTH": f"nearest {asked.neighbours} sites" if isinstance(asked, Neighbours) else "the same everywhere",
        "MIN_EFFECTIVE_SHELLS": f"{surfaces.min_effective_shells:g}",
        "UNITS": "frequency and its standard error: shells per shell, 0 to 1; effective shells: a number",
        "STANDARD_ERROR": ERROR_NOTE,
        "SAMPLES": str(len(samples.names)),
    }
    for family in settled:
        for trait in family.traits:
            tags[f"BANDWIDTH_M_{slug(trait, '_').upper()}"] = f"{family.metres:.12g}"
    for trait, reason in reasons.items():
        if reason:
            tags[f"NOT_SMOOTHED_{slug(trait, '_').upper()}"] = f"{trait}: {reason}"
    return tags


def _warnings(study: Study, species: str, settled: Sequence[Settled], table: pd.DataFrame) -> list[str]:
    said = []
    absent = table[table["not_smoothed_because"] != ""]
    if len(absent) == len(table):
        said.append(f"{species}: no trait has the {MIN_SITES} samples that a surface needs; its raster is blank.")
    elif len(absent):
        said.append(f"{species}: too few samples for a surface of {', '.join(absent['trait'])}.")
    for lowest, words in (
        (
            True,
            "the narrowest bandwidth tried foretells the sites best: the surface may be too smooth, give one in metres",
        ),
        (False, "the widest bandwidth tried foretells the sites best: as far as they tell, the surface is flat"),
    ):
        ends = [f for f in settled if f.at_limit and (f.metres == f.candidates[0]) == lowest]
        if ends:
            named = "; ".join(f"{', '.join(family.traits)} ({labels.distance(family.metres)})" for family in ends)
            said.append(f"{species}, {named}: {words}.")
    smoothed = table[table["not_smoothed_because"] == ""]
    blank = smoothed[smoothed["cells_blank"] == smoothed["cells"]]
    if len(blank):
        said.append(
            f"{species}: nowhere are there {study.surfaces.min_effective_shells:g} effective shells for "
            f"{', '.join(blank['trait'])}, or the sites that a plane needs; lower min_effective_shells, widen the "
            "bandwidth or set degree = 0 to see them."
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
    columns={"tables/bandwidth.csv": BANDWIDTH_COLUMNS, "tables/surfaces.csv": SURFACE_COLUMNS},
)
