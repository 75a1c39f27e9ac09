"""Where to look next, and how many shells settle a question: a plan made from the results of a run.

Reads the sites, the frequencies, the surfaces and the change since earlier surveys from an output folder; writes a
folder ``plan`` into it and nothing else. The record of the run stays as it is: no stage is run, and none becomes due.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from morphcline import runner
from morphcline.errors import Problem, SourceError, StudyError
from morphcline.files.rasters import sample
from morphcline.files.surfaces import SurfaceFile, open_surfaces, read_surface
from morphcline.files.tables import read_table
from morphcline.files.vectors import read_barriers, read_shapes
from morphcline.language import Said, _, speaking
from morphcline.places.transforms import Transformation, area_lonlat
from morphcline.readiness import refuse_unready
from morphcline.records.change_table import ON_THE_LOGIT
from morphcline.records.drawn import drawn_samples
from morphcline.records.plan_tables import (
    CAUTION,
    PLACE_COLUMNS,
    Basis,
    expected_shells,
    size_rows,
)
from morphcline.records.smoothing import Samples, samples_of
from morphcline.render import labels
from morphcline.render.reasons import said_reason
from morphcline.render.report.parts import KEY_TRAITS
from morphcline.scoring.traits import wanted_traits
from morphcline.stages._mapped_area import MappedArea, mapped_area
from morphcline.stages._plan_writing import FOLDER, PlanToWrite, write_plan
from morphcline.stages.surfaces import raster_name
from morphcline.stats.kernels import Floats, nearest_bandwidth
from morphcline.stats.next_places import Choice, PlannedSurface, choose_places
from morphcline.stats.overdispersion import effective_number
from morphcline.study import Neighbours, Study

#: Stages whose outputs are read, the last of them the one up to which a run must have gone; and those before them.
_NEEDED = ("landscape", "frequencies", "surfaces", "clines")
_BEFORE = ("intake", "locate")
#: Places that stand for the area, and places that are tried, at most.
_POINTS, _TRIED = 1_500, 12_000
#: Frequencies are taken no nearer to 0 and 1: there a sample would seem to tell nothing.
_LEAST_FREQUENCY = 0.02
#: Least variance of the logit over the region: even where sites are not seen to differ, a new one isn't known.
_LEAST_LOGIT_VARIANCE = 0.05


@dataclass(frozen=True)
class PlanResult:
    """A plan.

    Attributes
    ----------
    folder : Path
        Where it lies.
    places, sizes : DataFrame
        Rows of ``places.csv`` and ``sample_sizes.csv``.
    warnings : tuple of str
        Sentences a user should read.
    """

    folder: Path
    places: pd.DataFrame
    sizes: pd.DataFrame
    warnings: tuple[str, ...]


@dataclass(frozen=True)
class _Trait:
    """A trait of a species that has a surface."""

    species: str
    trait: str
    samples: Samples
    bandwidth_m: float
    rho: float
    raster: SurfaceFile
    regional: Mapping[Hashable, Any]


def make_plan(study: Study, *, out: Path | None = None) -> PlanResult:
    """Make a plan from the results of a run.

    Parameters
    ----------
    study : Study
    out : Path, optional
        The run's output folder; see :func:`morphcline.runner.output_folder`.

    Returns
    -------
    PlanResult

    Raises
    ------
    StudyError
        When a stage whose results are needed has not run, when no trait asked for has a surface, or when a file that
        the section names is unfit.
    """
    folder = runner.output_folder(study, out)
    old_with_reasons = refuse_unready(
        study, folder, _NEEDED, before=_BEFORE, what="the plan", elsewhere=out is not None
    )  # fmt: skip
    rests_on_old = Said("This plan rests on old results: some of what it is made from is out of date.")
    old = [rests_on_old] if old_with_reasons else []
    _refuse_unknown_classes(study)
    tables = {
        name: read_table(folder / "tables" / f"{name}.csv")
        for name in ("frequencies", "regional", "surfaces", "change")
    }
    tables["sites"] = read_table(folder / "private/tables/sites.csv")
    public_sites = read_table(folder / "tables/sites.csv")
    traits, warnings = _traits(study, folder, tables)
    # As the surfaces are: errors and places found from exact sites would tell them.
    barriers = _barriers(study)
    walls = np.empty((0, 4)) if barriers is None else barriers
    traits = [replace(one, samples=drawn_samples(one.samples, public_sites, walls)) for one in traits]
    area = mapped_area(study, public_sites)
    tried, habitat, reach = _candidates(study, area, public_sites)
    points = area.lattice(_POINTS)
    choice = choose_places(
        points, tried, [_planned(study, one, points, tried, tables) for one in traits],
        places=study.plan.places, apart_m=_apart(study), worth=reach, barriers=barriers,
    )  # fmt: skip
    if len(choice.chosen) < study.plan.places:
        warnings.append(
            Said(
                "Only {found} of {wanted} places were found: the rest of the area is out of reach, or too near to "
                "sites or to the other places.",
                found=len(choice.chosen),
                wanted=study.plan.places,
            )
        )
    places = _places(study, traits, points, tried, choice, public_sites, habitat, reach)
    sizes = size_rows(
        [_basis(one, tables["change"]) for one in traits], differences=study.plan.differences,
        samples=study.plan.samples, level=study.plan.level, power=study.plan.power,
    )  # fmt: skip
    with speaking(study.language):
        told = [*old, *warnings]
        write_plan(study, folder, public_sites, PlanToWrite(places, sizes, points, choice, _in_words(traits), told))
    return PlanResult(folder / FOLDER, places, sizes, (*old_with_reasons, *warnings))


def _refuse_unknown_classes(study: Study) -> None:
    classes = list(dict.fromkeys(study.habitat.classes.values())) if study.habitat is not None else []
    known = f"known classes: {', '.join(classes)}" if classes else "a study with [habitat.classes] is accepted"
    unknown = [name for name in study.plan.avoid if name not in classes]
    if unknown:
        raise StudyError(Problem(study.file.name, "[plan] avoid", f"found {name!r}", known) for name in unknown)


def _traits(study: Study, folder: Path, tables: dict[str, pd.DataFrame]) -> tuple[list[_Trait], list[str]]:
    known = [trait.name for trait in wanted_traits(study.scoring)]
    wanted = study.plan.traits if study.plan.traits is not None else KEY_TRAITS
    unknown = [name for name in wanted if name not in known]
    if unknown and study.plan.traits is not None:
        raise StudyError(
            Problem(study.file.name, "[plan] traits", f"found {name!r}", f"known traits: {', '.join(known)}")
            for name in unknown
        )
    found: list[_Trait] = []
    missing: list[str] = []
    for species in study.scoring.species:
        lines, region = (
            {str(row["trait"]): row for row in tables[name].to_dict("records") if row["species"] == species}
            for name in ("surfaces", "regional")
        )
        names = [trait for trait in wanted if trait in lines]
        samples = samples_of(species, names, tables["frequencies"], tables["regional"], tables["sites"])
        for trait in names:
            line = lines[trait]
            if line["not_smoothed_because"]:
                missing.append(
                    Said(
                        "{species}, {trait}: it has no surface ({reason}), so places are not chosen for it.",
                        species=species,
                        trait=labels.said_trait(trait),
                        reason=said_reason(line["not_smoothed_because"]),
                    )
                )
                continue
            raster = open_surfaces(folder / raster_name(species))
            found.append(
                _Trait(species, trait, samples, float(line["bandwidth_m"]), float(line["rho"]), raster, region[trait])
            )
    if not found:
        raise StudyError(
            Problem(
                study.file.name, "[plan] traits", f"no surface of {labels.listing(wanted)} is there to make surer",
                "name traits that have a surface, or gather samples first",
            )
        )  # fmt: skip
    return found, missing


def _in_words(traits: Sequence[_Trait]) -> str:
    """Return whose surfaces they are: species with the same traits together."""
    of_species: dict[str, list[str]] = {}
    for one in traits:
        of_species.setdefault(one.species, []).append(labels.trait_name(one.trait))
    alike: dict[tuple[str, ...], list[str]] = {}
    for species, names in of_species.items():
        alike.setdefault(tuple(names), []).append(species)
    return labels.clauses(
        _("{trait} in {species}").format(trait=labels.listing(names), species=labels.listing(species))
        for names, species in alike.items()
    )


def _apart(study: Study) -> float:
    return 2 * study.surfaces.cell_m if study.plan.apart_m is None else study.plan.apart_m


def _barriers(study: Study) -> Floats | None:
    path = study.surfaces.barriers
    return None if path is None else read_barriers(path, study.study.crs, shown=study.shown(path))


def _candidates(study: Study, area: MappedArea, sites: pd.DataFrame) -> tuple[Floats, list[str], Floats]:
    """Return the places tried, their habitat, and by how much each counts: 0 where nobody is to go."""
    tried = area.lattice(_TRIED)
    worth = np.ones(len(tried))
    where = sites[["x_m", "y_m"]].dropna().to_numpy(dtype=float)
    worth[cKDTree(where).query(tried)[0] < _apart(study)] = 0.0
    habitat = [""] * len(tried)
    crs = study.study.crs
    if study.habitat is not None:
        raster = study.habitat
        codes = sample(raster.path, raster.band, *tried.T, crs=crs, shown=study.shown(raster.path)).value
        habitat = [raster.classes.get(int(code), "") if np.isfinite(code) else "" for code in codes]
        worth[np.isin(habitat, (*raster.water, *study.plan.avoid))] = 0.0
    if study.plan.reachability is not None:
        worth *= _reachability(study, study.plan.reachability, tried)
    if study.plan.near is not None:
        path = study.plan.near
        shapes = shapely.union_all(read_shapes(path, crs, shown=study.shown(path)).geometry.array)
        shapely.prepare(shapes)
        worth[~shapely.dwithin(shapes, shapely.points(tried), study.plan.within_m)] = 0.0
    return tried, habitat, worth


def _reachability(study: Study, path: Path, tried: Floats) -> Floats:
    shown = study.shown(path)
    value = np.nan_to_num(sample(path, 1, *tried.T, crs=study.study.crs, shown=shown).value, nan=0.0)
    wrong = value[(value < 0) | (value > 1)]
    if len(wrong):
        raise SourceError(
            Problem(shown, "band 1", f"it holds {wrong[0]:g}", "values from 0 (can't be reached) to 1 are accepted")
        )
    reach: Floats = value
    return reach


def _planned(
    study: Study, one: _Trait, points: Floats, tried: Floats, tables: dict[str, pd.DataFrame]
) -> PlannedSurface:
    column = one.samples.traits.index(one.trait)
    rows = one.samples.total[:, column] > 0
    sites, total = one.samples.places[rows], one.samples.total[rows, column]
    asked = study.surfaces.bandwidth
    bandwidth = (
        nearest_bandwidth(points, sites, neighbours=asked.neighbours)
        if isinstance(asked, Neighbours)
        else np.full(len(points), one.bandwidth_m)
    )
    grid, values = one.raster.grid, read_surface(one.raster, one.trait).astype(np.float64)
    region = float(np.clip(one.regional["frequency"], _LEAST_FREQUENCY, 1 - _LEAST_FREQUENCY))

    def frequency(where: Floats) -> Floats:
        column = np.floor((where[:, 0] - grid.left) / grid.cell_m).astype(int)
        row = np.floor((grid.top - where[:, 1]) / grid.cell_m).astype(int)
        inside = (row >= 0) & (row < grid.rows) & (column >= 0) & (column < grid.columns)
        found = np.full(len(where), np.nan)
        found[inside] = values[row[inside], column[inside]]
        found = np.where(np.isnan(found), region, found)  # where the surface is blank the region's is all that is known
        clipped: Floats = np.clip(found, _LEAST_FREQUENCY, 1 - _LEAST_FREQUENCY)
        return clipped

    regional_rho = one.regional["rho"]
    spread = (0.0 if pd.isna(regional_rho) else float(regional_rho)) / (region * (1 - region))
    shells = tables["sites"]["shells"].sum()
    judged = tables["frequencies"]
    of_species = judged[judged["species"] == one.species].groupby("site")["total"].max().sum()
    new = expected_shells(one.samples, one.trait, shells=study.plan.shells, share=min(float(of_species / shells), 1.0))
    return PlannedSurface(
        sites=sites,
        shells=effective_number(total, one.rho),
        frequency=frequency(sites),
        frequency_at_points=frequency(points),
        frequency_at_candidates=frequency(tried),
        bandwidth=bandwidth,
        kernel=study.surfaces.kernel,
        degree=study.surfaces.degree,
        logit_variance=max(spread, _LEAST_LOGIT_VARIANCE),
        new_shells=float(effective_number(max(new, 1.0), one.rho)),
    )


def _places(
    study: Study,
    traits: Sequence[_Trait],
    points: Floats,
    tried: Floats,
    choice: Choice,
    sites: pd.DataFrame,
    habitat: Sequence[str],
    reach: Floats,
) -> pd.DataFrame:
    chosen = tried[choice.chosen]
    if not len(chosen):
        return pd.DataFrame(columns=list(PLACE_COLUMNS))
    crs = study.study.crs
    move = Transformation(crs, "EPSG:4326", area_lonlat(crs, *tried.T), allow_ballpark=True)
    longitude, latitude = move.apply(*chosen.T)
    # From where the public sees the site: exact distances to several places would give it away.
    seen = sites[sites["x_m"].notna()]
    distance, nearest = cKDTree(seen[["x_m", "y_m"]].to_numpy(dtype=float)).query(chosen)
    here = choice.before[cKDTree(points).query(chosen)[1]]
    names = [f"{one.species}, {one.trait}" for one in traits]
    return pd.DataFrame(
        {
            "rank": np.arange(1, len(chosen) + 1),
            "x_m": chosen[:, 0],
            "y_m": chosen[:, 1],
            "lon": np.round(longitude, 5),
            "lat": np.round(latitude, 5),
            "habitat": [habitat[row] for row in choice.chosen],
            "reach": reach[choice.chosen],
            "standard_error_here": np.sqrt(here),
            "standard_error_after": np.sqrt(choice.variance[1:]),
            "reduction": 1 - choice.variance[1:] / choice.variance[:-1],
            "reduction_so_far": 1 - choice.variance[1:] / choice.variance[0],
            "most_for": [names[column] for column in choice.share.argmax(axis=1)],
            "nearest_site": seen["site"].to_numpy()[nearest] if len(seen) else "",
            "nearest_site_m": np.where(np.isfinite(distance), distance, np.nan),
            "caution": CAUTION,
        }
    )


def _basis(one: _Trait, change: pd.DataFrame) -> Basis:
    rows = change[
        (change["species"] == one.species) & (change["trait"] == one.trait) & (change["method"] == ON_THE_LOGIT)
    ]
    drift = rows["drift_sd"].max()
    return Basis(
        one.species, one.trait, float(one.regional["frequency"]), one.rho, 0.0 if pd.isna(drift) else float(drift)
    )
