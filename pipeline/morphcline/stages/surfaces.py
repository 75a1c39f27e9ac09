"""Surfaces: smooth every trait's frequency over the study area, with its standard error and what supports it.

Reads the sites, their counts and the regional intra-site correlations; writes one raster a species, the curves by which
the bandwidths were chosen, and a line a trait that says how it went. Every sample with a shell counts, small ones for
what they are worth. Bandwidths are chosen by the sites' exact places; what is drawn is drawn from the squares that hide
them (:mod:`morphcline.records.drawn`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from morphcline.files.surfaces import QUANTITIES, Tile, write_surfaces
from morphcline.files.tables import read_table, write_table
from morphcline.files.vectors import read_barriers
from morphcline.language import Said, said_list
from morphcline.records.drawn import drawn_samples
from morphcline.records.smoothing import Samples, families, samples_of
from morphcline.records.surface_tables import (
    BANDWIDTH_COLUMNS,
    BARRIER_NOTE,
    CHOICE_NOTE,
    ERROR_NOTE,
    SURFACE_COLUMNS,
    curve_rows,
)
from morphcline.scoring.species import slug
from morphcline.scoring.traits import wanted_traits
from morphcline.stages._mapped_area import MappedArea, mapped_area
from morphcline.stages._rastertags import RECORDS, places_note, raster_tags, survey_period
from morphcline.stages._settling import (
    FamilyTask,
    Ground,
    Hindrances,
    Settled,
    clustering_warnings,
    family_at,
    finer_warnings,
    ground_of,
    limit_warnings,
    settle_families,
    ways_of_choosing,
)
from morphcline.stages._steepness import LAYERS, TABLES, Findings, measure_steepness, steepness_name
from morphcline.stages.base import Account, Context, Stage
from morphcline.stats.kernels import CUT, Floats
from morphcline.stats.site_blocks import blocks_like_the_map
from morphcline.stats.smoothing import Smoothed, Task, smooth
from morphcline.study import Neighbours, Study

#: Sites with a trait below which it has no surface: a plane has three unknowns, and a scatter about it needs more.
MIN_SITES = 5

#: Exactly and as the public sees them.
_SITES = ("private/tables/sites.csv", "tables/sites.csv")

_BATCH = 64  # tiles held in memory at once


class _Tally:
    """What is added up over the tiles, for each trait."""

    def __init__(self, traits: int):
        self.blank = np.zeros(traits, dtype=int)
        self.without_plane = np.zeros(traits, dtype=int)
        self.held = np.zeros(traits, dtype=int)
        self.closure = np.zeros(traits)

    def add(self, smoothed: Smoothed) -> None:
        self.blank += np.isnan(smoothed.frequency).sum(axis=0)
        self.without_plane += smoothed.without_plane.sum(axis=0)
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
    sites, shown = (read_table(context.path(name)) for name in _SITES)
    area = mapped_area(study, shown)
    cells, masked = area.count()
    barriers = _barriers(study)
    curves: list[pd.DataFrame] = []
    lines: list[pd.DataFrame] = []
    findings = Findings(days=survey_period(context))
    account: Account = {"warnings": [], "species": {}, "cells": cells, "cells_masked": masked}
    for species in study.scoring.species:
        traits = _traits(study, species, frequencies)
        samples = samples_of(species, traits, frequencies, regional, sites)
        drawn = drawn_samples(samples, shown, barriers)
        curve, table, ways, warnings = _smooth_species(context, area, samples, drawn, barriers, findings)
        curves.append(curve)
        lines.append(table)
        account["warnings"] += warnings
        absent, present = (table[(table["not_smoothed_because"] != "") == missing] for missing in (True, False))
        account["species"][species] = {
            "bandwidth_m": dict(zip(present["trait"], present["bandwidth_m"].astype(float), strict=True)),
            "smoothed": len(table) - len(absent),
            "not_smoothed": dict(zip(absent["trait"], absent["not_smoothed_because"], strict=True)),
            "fallback_cells": int(table["fallback_cells"].sum()),
            **ways,
        }
    write_table(context.path("tables/bandwidth.csv"), pd.concat(curves, ignore_index=True), BANDWIDTH_COLUMNS)
    write_table(context.path("tables/surfaces.csv"), pd.concat(lines, ignore_index=True), SURFACE_COLUMNS)
    findings.write(context)
    return account


def _barriers(study: Study) -> Floats:
    path = study.surfaces.barriers
    return np.empty((0, 4)) if path is None else read_barriers(path, study.study.crs, shown=study.shown(path))


def _traits(study: Study, species: str, frequencies: pd.DataFrame) -> tuple[str, ...]:
    """Return the traits that have bands: those in the table for the species, or for any when it has none."""
    wanted = [trait.name for trait in wanted_traits(study.scoring)]
    for rows in (frequencies[frequencies["species"] == species], frequencies):
        found = set(rows["trait"])
        if found:
            return tuple(trait for trait in wanted if trait in found)
    return tuple(wanted)


@dataclass(frozen=True)
class _Prepared:
    """The samples of a species that are smoothed, where they are drawn, and what was settled for them."""

    kept: Samples
    hindrances: Hindrances
    settled: list[Settled]
    ground: Ground


def _prepare(context: Context, area: MappedArea, kept: Samples, drawn: Samples, barriers: Floats) -> _Prepared:
    blocks = None
    if kept.traits and context.study.surfaces.bandwidth == "cross-validated":
        blocks = blocks_like_the_map(kept.places, area.lattice(), context.rng("surfaces", kept.species, "blocks"))
    hindrances = Hindrances.of(kept.places, barriers, blocks)
    context.tick(0, 1, f"bandwidths of {kept.species}")
    settled = settle_families(
        context,
        [
            FamilyTask(context.study.surfaces, kept.of_traits(family), kept.rows_with(family), hindrances)
            for family in families(kept)
        ],
    )
    if drawn is kept:
        return _Prepared(kept, hindrances, settled, ground_of(context, kept, settled, hindrances))
    there = Hindrances.of(drawn.places, barriers, blocks)
    settled = [replace(family, places=drawn.places[drawn.rows_with(family.traits)]) for family in settled]
    return _Prepared(drawn, there, settled, ground_of(context, drawn, settled, there))


def _smooth_species(
    context: Context, area: MappedArea, samples: Samples, drawn: Samples, barriers: Floats, findings: Findings
) -> tuple[pd.DataFrame, pd.DataFrame, Account, list[str]]:
    """Write the raster of a species; return its lines in the two tables, what was left out to choose, and warnings."""
    surfaces = context.study.surfaces
    reasons = {trait: _why_not(samples, trait) or _why_not(drawn, trait) for trait in samples.traits}
    smoothed_traits = [trait for trait in samples.traits if not reasons[trait]]
    known = samples.of_traits(smoothed_traits)
    shown = known if drawn is samples else drawn.of_traits(smoothed_traits)
    prepared = _prepare(context, area, known, shown, barriers)
    kept, settled = prepared.kept, prepared.settled
    tally = _Tally(len(kept.traits))
    write_surfaces(
        context.path(raster_name(samples.species)),
        grid=area.grid,
        traits=samples.traits,
        tiles=_tiles(context, area, samples, prepared, tally) if settled else (),
        tags=_tags(context.study, drawn, settled, reasons, findings.days),
    )
    measure_steepness(context, findings, area=area, barriers=barriers, samples=drawn, settled=settled, reasons=reasons)
    of_trait = {trait: family for family in settled for trait in family.traits}
    table = pd.DataFrame(
        {
            "species": samples.species,
            "trait": samples.traits,
            "bandwidth_m": [of_trait[t].metres if t in of_trait else np.nan for t in samples.traits],
            "bandwidth_left_out": [of_trait[t].used if t in of_trait else "" for t in samples.traits],
            "degree": surfaces.degree,
            "kernel": surfaces.kernel,
            "cells_blank": np.nan,
            "cells_without_plane": 0,
            "fallback_cells": 0,
            "sites": [drawn.sites_with(trait) for trait in samples.traits],
            "shells": [drawn.shells_with(trait) for trait in samples.traits],
            "rho": [of_trait[t].rho if t in of_trait else np.nan for t in samples.traits],
            "closure_max": 0.0,
            "field_sd_logits": np.nan,
            "field_range_m": np.nan,
            "not_smoothed_because": [reasons[trait] for trait in samples.traits],
        }
    )
    smoothed = table["not_smoothed_because"] == ""
    table.loc[smoothed, "cells_blank"] = tally.blank
    table.loc[smoothed, "cells_without_plane"] = tally.without_plane
    table.loc[smoothed, "fallback_cells"] = tally.held
    table.loc[smoothed, "closure_max"] = tally.closure
    fields = prepared.ground.fields
    table.loc[smoothed, "field_sd_logits"] = [np.sqrt(field.variance) for field in fields]
    table.loc[smoothed, "field_range_m"] = [field.range_m for field in fields]
    table["cells"], table["cells_masked"] = area.count()
    table["cells_blank"] = table["cells_blank"].fillna(table["cells"]).astype(int)
    curves = [curve_rows(samples.species, family.traits, family.curves, family.used) for family in settled]
    curve = pd.concat(curves, ignore_index=True) if curves else pd.DataFrame(columns=list(BANDWIDTH_COLUMNS))
    ways = ways_of_choosing(settled, prepared.hindrances.blocks)
    told = _warnings(context.study, samples.species, settled, table, ways)
    return curve, table[list(SURFACE_COLUMNS)], ways, told


def _why_not(samples: Samples, trait: str) -> str:
    if samples.sites_with(trait) < MIN_SITES:
        return f"{samples.sites_with(trait)} samples can show it; a surface needs {MIN_SITES}"
    here = samples.places[samples.total[:, samples.traits.index(trait)] > 0]
    if len(np.unique(here, axis=0)) < 2:
        return "all its samples lie at one place"
    return ""


def _tiles(
    context: Context,
    area: MappedArea,
    samples: Samples,
    prepared: _Prepared,
    tally: _Tally,
) -> Iterator[Tile]:
    """Yield the raster tile by tile, a batch at a time over the workers; the tally grows as they are taken."""
    pieces = area.tiles()
    trait_rows = [samples.traits.index(trait) for trait in prepared.kept.traits]
    for start in range(0, len(pieces), _BATCH):
        context.tick(start, len(pieces), f"surfaces of {samples.species}")
        batch = pieces[start : start + _BATCH]
        tasks = [_task(context.study, prepared, area.places(piece)) for piece in batch]
        for piece, smoothed in zip(batch, context.workers.map(smooth, tasks), strict=True):
            tally.add(smoothed)
            inside = area.inside(piece)
            values = np.full((len(samples.traits), len(QUANTITIES), *inside.shape), np.nan, dtype=np.float32)
            for column, row in enumerate(trait_rows):
                values[row, 0][inside] = smoothed.frequency[:, column]
                values[row, 1][inside] = smoothed.standard_error[:, column]
                values[row, 2][inside] = smoothed.effective_shells[:, column]
            yield Tile(piece.row, piece.column, values.reshape(-1, *inside.shape))
    context.tick(len(pieces), len(pieces), f"surfaces of {samples.species}")


def _task(study: Study, prepared: _Prepared, places: Floats) -> Task:
    samples = prepared.kept
    families_here = tuple(family_at(places, samples, family, prepared.ground) for family in prepared.settled)
    reach = CUT[study.surfaces.kernel] * max(float(family.bandwidth.max()) for family in families_here)
    low, high = places.min(axis=0) - reach, places.max(axis=0) + reach
    near = np.all((samples.places >= low) & (samples.places <= high), axis=1)
    return Task(
        points=places,
        sites=samples.places[near],
        count=samples.count[near],
        total=samples.total[near],
        fitted=prepared.ground.fitted[near],
        families=families_here,
        kernel=study.surfaces.kernel,
        degree=study.surfaces.degree,
        min_effective_shells=study.surfaces.min_effective_shells,
        barriers=prepared.hindrances.barriers,
    )


def _tags(
    study: Study,
    samples: Samples,
    settled: Sequence[Settled],
    reasons: dict[str, str],
    days: tuple[str, str] | None,
) -> dict[str, str]:
    surfaces = study.surfaces
    method = "local logistic regression" if surfaces.degree else "kernel-weighted proportion"
    asked = surfaces.bandwidth
    title = f"{study.study.title or study.study.name}: {samples.species}, smoothed frequencies"
    tags = {
        **raster_tags(title, study.study.crs, days),
        "SPECIES": samples.species,
        "METHOD": f"{method}, samples weighted by n / (1 + (n - 1) rho)",
        "DEGREE": str(surfaces.degree),
        "KERNEL": surfaces.kernel,
        "BANDWIDTH": f"nearest {asked.neighbours} sites" if isinstance(asked, Neighbours) else "the same everywhere",
        "MIN_EFFECTIVE_SHELLS": f"{surfaces.min_effective_shells:g}",
        "UNITS": "frequency and its standard error: shells per shell, 0 to 1; effective shells: a number",
        "STANDARD_ERROR": ERROR_NOTE,
        "SAMPLES": str(len(samples.names)),
        "PLACES": places_note(study),
    }
    if asked == "cross-validated":
        tags["BANDWIDTH_CHOICE"] = CHOICE_NOTE
    if surfaces.barriers is not None:
        tags["BARRIERS"] = f"{study.shown(surfaces.barriers)}: {BARRIER_NOTE}"
    if surfaces.mask is not None:
        tags["MASK"] = f"{study.shown(surfaces.mask)}: cells whose centre lies in it are blank"
    for family in settled:
        for trait in family.traits:
            tags[f"BANDWIDTH_M_{slug(trait, '_').upper()}"] = f"{family.metres:.12g}"
    for trait, reason in reasons.items():
        if reason:
            tags[f"NOT_SMOOTHED_{slug(trait, '_').upper()}"] = f"{trait}: {reason}"
    return tags


def _warnings(study: Study, species: str, settled: Sequence[Settled], table: pd.DataFrame, ways: Account) -> list[str]:
    said: list[str] = []
    absent = table[table["not_smoothed_because"] != ""]
    if len(absent) == len(table):
        said.append(
            Said(
                "{species}: no trait has the {n} samples that a surface needs; its raster is blank.",
                species=species,
                n=MIN_SITES,
            )
        )
    elif len(absent):
        traits = said_list(absent["trait"])
        said.append(Said("{species}: too few samples for a surface of {traits}.", species=species, traits=traits))
    said += clustering_warnings(species, ways)
    said += limit_warnings(species, settled)
    said += finer_warnings(species, settled, study.publish.blur_m)
    smoothed = table[table["not_smoothed_because"] == ""]
    blank = smoothed[smoothed["cells_blank"] == smoothed["cells"]]
    if len(blank):
        said.append(
            Said(
                "{species}: nowhere are there {shells} effective shells for {traits}, or the sites that a plane needs; "
                "lower min_effective_shells, widen the bandwidth or set degree = 0 to see them.",
                species=species,
                shells=study.surfaces.min_effective_shells,
                traits=said_list(blank["trait"]),
            )
        )
    return said


STAGE = Stage(
    name="surfaces",
    summary="kernel-smoothed frequencies with standard errors, support and steepness",
    settings=("scoring", "surfaces", "steepness", "publish.blur_m"),
    reads=(*_SITES, "tables/frequencies.csv", "tables/regional.csv", *RECORDS),
    writes=lambda study: (
        *(raster_name(species) for species in study.scoring.species),
        *(steepness_name(species) for species in study.scoring.species),
        "tables/bandwidth.csv",
        "tables/surfaces.csv",
        *TABLES,
        LAYERS,
    ),
    run=run,
    sources=lambda study: tuple(
        path for path in (study.study.area, study.surfaces.barriers, study.surfaces.mask) if path is not None
    ),
    columns={"tables/bandwidth.csv": BANDWIDTH_COLUMNS, "tables/surfaces.csv": SURFACE_COLUMNS, **TABLES},
)
